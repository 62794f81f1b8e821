"""From a part to a performance (simplify/technique/perform.py)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simplify.harp.player import tier_player
from simplify.score.model import TICKS
from simplify.score.text import parse_part
from simplify.technique.fingers import constant
from simplify.technique.perform import format_plan, lever_turns, perform, strike_seconds
from simplify.technique.plan import PedalMove, PedalPlan
from simplify.technique.playability import find_faults

GRACE = constant("grace_seconds")


def test_seconds_follow_the_tempo() -> None:
    """At 120 a quarter lasts half a second."""
    seconds, until = strike_seconds(parse_part("4/4 tempo:120 | C4:1 D4:2 E4:1"))
    assert seconds == pytest.approx((0.0, 0.5, 1.5))
    assert until == pytest.approx((0.5, 1.5, 2.0))


def test_a_tie_is_one_strike_that_lasts() -> None:
    """Tied notes are plucked once."""
    seconds, until = strike_seconds(parse_part("2/4 tempo:60 | C4:2~ | C4:1 D4:1"))
    assert seconds == pytest.approx((0.0, 3.0))
    assert until == pytest.approx((3.0, 4.0))


def test_grace_notes_lead_their_note() -> None:
    """The last grace note comes one step before the main note, the one before it two."""
    part = parse_part("4/4 tempo:60 | C4:2 ^D5 ^E5 F5:2")
    seconds, until = strike_seconds(part)
    times = {part.strikes[i].pitch.name: seconds[i] for i in range(4)}
    assert times["F5"] == pytest.approx(2.0)
    assert times["E5"] == pytest.approx(2.0 - GRACE)
    assert times["D5"] == pytest.approx(2.0 - 2 * GRACE)
    assert until[1] == pytest.approx(2.0)


@given(st.integers(1, 8), st.sampled_from([40, 120, 320]))
def test_grace_notes_keep_after_the_onset_before(count: int, tempo: int) -> None:
    """Where there is no room they share what there is, in order."""
    graces = " ".join(f"^{step}5" for step in "CDEFGAB"[:count] or "C")
    part = parse_part(f"4/4 tempo:{tempo} | C4:1/8 {graces} C6:1")
    seconds, _ = strike_seconds(part)
    ordered = [seconds[i] for i in range(len(part.strikes))]
    assert ordered == sorted(ordered)
    assert len({round(at, 9) for at in ordered}) == len(ordered)


def test_a_grace_note_before_everything_comes_before_zero() -> None:
    """Nothing is struck before it, so it keeps its full time."""
    seconds, _ = strike_seconds(parse_part("4/4 tempo:60 | ^D5 C5:4"))
    assert seconds == pytest.approx((-GRACE, 0.0))


def test_lever_turns_take_the_left_hand_before_the_moment() -> None:
    """A lever is turned by its moment; pedals leave the hands alone, and what is set by the first
    note is set before the piece."""
    part = parse_part("4/4 tempo:60 | C4:4")
    lever = PedalMove(2 * TICKS, "C", 0, 1, "left hand", 28)
    pedal = PedalMove(2 * TICKS, "C", 0, 1, "left")
    first = PedalMove(0, "D", 0, 1, "left hand", 29)
    plan = PedalPlan((0, 0, 0, 0, 0, 0, 0), (first, lever, pedal), (), 0.0, (), ())
    assert lever_turns(part, plan) == ((2.0 - constant("lever_seconds"), 2.0),)


def test_a_lever_waits_for_the_left_hand() -> None:
    """On a lever harp the left hand turns A on a beat of its own (A. Robertson, Lever changes made
    easy) and comes back after it."""
    part = parse_part(
        "4/4 key:-3 tempo:60 | E♭5:1 F5 G5 A♭5 ; E♭3:2 r:2 | G5:2 A5:2 ; C3:1 r:3 | B♭5:4 ; E♭3:4"
    )
    performance = perform(part, tier_player("school", "lever-34"))
    (move,) = performance.pedal_plan.moves
    assert (move.letter, move.after, move.foot) == ("A", 0, "left hand")
    assert find_faults(performance) == ()


def test_a_left_hand_that_never_rests_cannot_turn_a_lever() -> None:
    """Two positions of one string in turn, both hands busy throughout: a fault on a lever harp."""
    bass = "[E♭3 B♭3]:1/2 [G3 B♭3] [E♭3 B♭3] [G3 B♭3]"
    tune = "F5:1 F♯5 F5 F♯5"
    upper = "[B♭4 F5 B♭5]:1/2 [B♭4 F♯5 B♭5] [B♭4 F5 B♭5] [B♭4 F♯5 B♭5]"
    text = f"4/4 key:-3 tempo:84 | {tune} ; {bass} {bass} | {upper} {upper} ; {bass} {bass}"
    part = parse_part(text)
    rules = {f.rule for f in find_faults(perform(part, tier_player("professional", "lever-34")))}
    assert rules & {"lever_under_left_hand", "pedal_time", "pedal_setting", "pedal_held"}


def test_a_performance_is_aligned_with_its_strikes() -> None:
    """Every layer reads these tuples side by side."""
    part = parse_part("4/4 key:-3 tempo:80 | [E♭4 G4]:1 ^A4 B♭4:1 C5:2{trill} ; E♭3:2~ E♭3:2")
    performance = perform(part, tier_player("amateur"))
    count = len(part.strikes)
    plan = performance.hand_plan
    tables = (
        performance.seconds, performance.until, performance.strings, plan.hands, plan.fingers,
        plan.placings, plan.rolled,
    )
    assert {len(table) for table in tables} == {count}
    assert set(plan.hands) <= {"L", "R"}
    assert all(end >= at for at, end in zip(performance.seconds, performance.until, strict=True))


def test_the_given_setting_is_kept() -> None:
    """Who has set the pedals already starts from there."""
    part = parse_part("4/4 key:-1 tempo:60 | F4:2 B♭4:2")
    start = (0, 0, -1, 0, 0, 0, 0)
    performance = perform(part, tier_player("professional"), start=start)
    assert performance.pedal_plan.start == start
    assert performance.pedal_plan.moves == ()


def test_hands_play_the_strings_the_pedals_chose() -> None:
    """G, G♯ and A together have no setting (computed over all 2187), and that is a fault."""
    part = parse_part("4/4 tempo:60 | [G4 G♯4 A4]:4")
    performance = perform(part, tier_player("professional"))
    assert "pedal_setting" in {f.rule for f in find_faults(performance)}
    assert performance.strings == tuple(p.string for p in performance.pedal_plan.played)


def test_easy_music_has_no_faults_for_anyone() -> None:
    """A beginner's piece is clean from pedals to fingers for all tiers."""
    part = parse_part("4/4 tempo:60 | C4:1 D4 E4 F4 | G4:2 E4 ; C3:4")
    for tier in ("beginner", "school", "amateur", "professional", "soloist"):
        assert find_faults(perform(part, tier_player(tier))) == ()


def test_the_plan_reads_as_text() -> None:
    """Bar, beat, hands with finger before string, placings by strokes, pedals last."""
    part = parse_part(
        "4/4 tempo:90 | C5:1 B4 A4 G4 ; [C3 G3 C4]:4{arpeggio} | F♯4:4 ; D3:1/2 A3 D4 A3 D3:2"
    )
    text = format_plan(perform(part, tier_player("professional"), start=(0, 0, 0, 0, 0, 0, 0)))
    head, *lines = [" ".join(line.split()) for line in text.splitlines()]
    assert head == "bar beat left right pedals"
    assert lines[0].startswith("1 1 | ~4 C3 2 G3 1 C4 | 1 C5")
    assert lines[1].startswith("1 2 2 B4")
    assert lines[4].startswith("2 1 | 4 D3 |")
    assert lines[5].startswith("2 1.5 2 A3")
    assert lines[7].startswith("2 2.5 | 2 A3")
    assert sum(line.endswith(" F♯") for line in lines) == 1


def test_a_sweep_and_a_repeated_voice_read_plainly() -> None:
    """A swept note has no finger; two voices on one string are told once."""
    part = parse_part("4/4 tempo:60 | C4:2{gliss-start 1} C6:2{gliss-stop 1} & r:2 C6:2")
    text = format_plan(perform(part, tier_player("professional")))
    assert text.count("- C4") == 1
    assert text.count("C6") == 1
