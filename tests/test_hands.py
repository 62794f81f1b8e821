"""Hand assignment and fingering (simplify/technique/hands.py)."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from random import Random

import music21
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simplify.harp.player import Player, tier_names, tier_player
from simplify.score.model import STEPS, Part
from simplify.score.read import open_score, select_part
from simplify.score.text import parse_part
from simplify.technique import hand_search
from simplify.technique.fingers import HandModel, fingerings, hand_model
from simplify.technique.hands import (
    Moment,
    glissandi,
    hand_chords,
    hand_steps,
    learnt_key,
    moments_of,
    plan_hands,
)
from simplify.technique.perform import perform, strike_seconds
from simplify.technique.plan import HandPlan, PedalPlan, Performance
from tests.support_edits import one_bar_edit

TIERS = tier_names()


def as_written(part: Part, tier: str, **options: object) -> Performance:
    """A performance on the written strings, pedals left aside."""
    player = tier_player(tier)
    seconds, until = strike_seconds(part)
    played = tuple(s.pitch for s in part.strikes)
    pedals = PedalPlan((0, 0, 0, 0, 0, 0, 0), (), played, 0.0, (), ())
    plan = plan_hands(part, player, seconds, played, **options)  # type: ignore[arg-type]
    return Performance(part, player, seconds, until, plan, pedals)


def fingered(text: str, tier: str = "professional") -> str:
    """`R4 R3 ...`: hand and finger of every strike, in the order of the part."""
    plan = as_written(parse_part(text), tier).hand_plan
    return " ".join(f"{h}{f}" for h, f in zip(plan.hands, plan.fingers, strict=True))


# An exhaustive search of its own: every non-crossing division, every fingering


@dataclass(frozen=True)
class Last:
    index: int
    end: float
    strings: tuple[int, ...]
    fingers: tuple[int, ...]
    run: int
    busy: float


Pair = tuple[Last | None, Last | None]
Choice = tuple[int, tuple[int, ...], tuple[int, ...]]


def pay(
    model: HandModel, moment: Moment, index: int, lasts: Pair, left: tuple[int, ...],
    fingers: tuple[tuple[int, ...], tuple[int, ...]],
) -> tuple[float, Pair]:
    """Cost of one moment given where both hands last were, straight from the rules."""
    right = tuple(i for i in range(len(moment.strings)) if i not in left)
    both = tuple(moment.strings[i] for i in left), tuple(moment.strings[i] for i in right)
    total = model.pair_cost(*both)
    after: list[Last | None] = list(lasts)
    for side, (hand, places) in enumerate((("L", left), ("R", right))):
        if not places:
            continue
        strings, chosen = both[side], fingers[side]
        total += model.grip_cost(strings, chosen) + model.hand_cost(hand, strings)
        total += sum((moment.left, moment.right)[side][i] for i in places)
        total += model.signs_cost(
            hand, sum(moment.harmonic[i] for i in places), sum(moment.etouffe[i] for i in places)
        )
        total += model.hard * max(0, sum(moment.trill[i] for i in places) - 1)
        old, run, rested = lasts[side], 0, False
        if old is not None and old.busy > moment.at + 1e-6:
            total += model.hard
        elif old is not None and index > old.index + 1:
            rest = round((moment.at - old.end) * 1000)
            rested = rest >= model.lift_ms
            old = None if rested and rest >= model.hold_ms else old
        if old is None:
            total += model.lift_cost()
        else:
            move = model.move(old.strings, old.fingers, strings, chosen)
            cost, run, _ = model.rested_cost(move, old.run, moment.at - old.end, rested)
            total += cost
        other = lasts[1 - side]
        if other is not None:
            total += model.meeting_cost(hand, strings, other.strings, moment.at - other.end)
        busy = max(moment.busy[i] for i in places)
        rolled = sum(moment.rolled[i] for i in (range(len(moment.strings)) if side else places))
        end = moment.at + model.limits.roll_seconds * max(0, rolled - 1)
        after[side] = Last(index, end, strings, chosen, run, busy)
    return total, (after[0], after[1])


def exhaustive(model: HandModel, moments: tuple[Moment, ...], bound: float) -> float:
    """The least cost over all divisions low to high (and crossed single notes where the staves
    cross) and all fingerings; branches that already cost more than `bound` are cut, which
    loses nothing since no cost is negative."""
    best = bound

    @cache
    def ways(index: int, lasts: Pair) -> list[tuple[float, Pair]]:
        """Every way of playing a moment, worked out once for the same hands before it."""
        moment = moments[index]
        count = len(moment.strings)
        lefts = [tuple(range(k)) for k in range(count + 1)]
        if moment.upper == (True, False):
            lefts.append((1,))
        return [
            pay(model, moment, index, lasts, left, (f, g))
            for left in lefts
            for f in (fingerings(len(left)) if left else ((),))
            for g in (fingerings(count - len(left)) if len(left) < count else ((),))
        ]

    def go(index: int, lasts: Pair, spent: float) -> None:
        nonlocal best
        if spent >= best:
            return
        if index == len(moments):
            best = spent
            return
        for cost, after in ways(index, lasts):
            go(index + 1, after, spent + cost)

    go(0, (None, None), 0.0)
    return best


def cost_of(model: HandModel, moments: tuple[Moment, ...], plan: HandPlan) -> float:
    """What a plan costs by the rules, added up one moment after the other."""
    total, lasts = 0.0, (None, None)
    for index, moment in enumerate(moments):
        heads = [members[0] for members in moment.members]
        left = tuple(i for i, m in enumerate(heads) if plan.hands[m] == "L")
        right = tuple(i for i, m in enumerate(heads) if plan.hands[m] == "R")
        chosen = (
            tuple(plan.fingers[heads[i]] for i in left),
            tuple(plan.fingers[heads[i]] for i in right),
        )
        cost, lasts = pay(model, moment, index, lasts, left, chosen)
        total += cost
    return total


def name(string: int) -> str:
    return f"{STEPS[string % 7]}{string // 7}"


@st.composite
def passages(draw: st.DrawFn, most: int, widest: int = 3) -> str:
    """One bar of single notes and chords on one or two staves, any tempo."""
    tempo = draw(st.sampled_from([30, 60, 90, 120, 180, 260]))
    staves = []
    for centre in draw(st.sampled_from([(30,), (32, 22)])):
        tokens = []
        for _ in range(draw(st.integers(1, most))):
            size = draw(st.sampled_from([1, 1, 1, 2, widest]))
            low = centre + draw(st.integers(-9, 9))
            chord = {low} | {low + draw(st.integers(1, 10)) for _ in range(size - 1)}
            length = draw(st.sampled_from(["1/4", "1/2", "1", "1/3t3:2"]))
            signs = ["{trill}", "{harmonic}", "{etouffe}", "{arpeggio}"]
            mark = draw(st.sampled_from(["", "", "", "", *signs]))
            tokens.append(f"[{' '.join(name(s) for s in sorted(chord))}]:{length}{mark}")
        staves.append(" ".join(tokens))
    return f"8/4 tempo:{tempo} | {' ; '.join(staves)}"


@settings(max_examples=60, deadline=None)
@given(passages(most=3, widest=2), st.sampled_from(TIERS))
def test_no_plan_is_cheaper(text: str, tier: str) -> None:
    """The programme is exact: an exhaustive search over divisions and fingerings that shares
    nothing with it but the costs finds nothing better."""
    performance = as_written(parse_part(text), tier)
    model = hand_model(performance.player.limits, performance.player.harp)
    moments = moments_of(
        performance.part, performance.player, performance.seconds, performance.pedal_plan.played
    )
    found = performance.hand_plan.cost
    assert exhaustive(model, moments, found + 1e-6) == pytest.approx(found, abs=2e-6)


@pytest.mark.parametrize(
    "text",
    [
        "4/4 tempo:60 | C3:1/2 E3 G3 C4 E4 G4",
        "4/4 tempo:200 | C3:1/4 E3 G3 C4 E4 G4 C5",
        "4/4 tempo:120 | [C4 E4 G4]:1/2 [F4 A4 C5] [C4 E4 G4 C5]",
        "4/4 tempo:90 | E5:1/2 F5 ; [C3 E3]:1/4 G3 E3 G3",
        "4/4 tempo:150 | A4:1/3t3:2 B4 A4 G4 A4 C5",
        "4/4 tempo:150 | C4:1/4 C4 C4 D4 C4",
    ],
)
@pytest.mark.parametrize("tier", ["beginner", "professional"])
def test_no_plan_is_cheaper_for_figures_of_the_trade(text: str, tier: str) -> None:
    """The same for longer figures: arpeggios, chords, broken basses, turns, repeated notes."""
    performance = as_written(parse_part(text), tier)
    model = hand_model(performance.player.limits, performance.player.harp)
    moments = moments_of(
        performance.part, performance.player, performance.seconds, performance.pedal_plan.played
    )
    found = performance.hand_plan.cost
    assert exhaustive(model, moments, found + 1e-6) == pytest.approx(found, abs=2e-6)


@settings(max_examples=60, deadline=None)
@given(passages(most=9), st.sampled_from(TIERS))
def test_the_plan_costs_what_it_says(text: str, tier: str) -> None:
    """Over longer passages, with hands that rest and are lifted, the traced plan adds up to the
    cost the programme found."""
    performance = as_written(parse_part(text), tier)
    model = hand_model(performance.player.limits, performance.player.harp)
    moments = moments_of(
        performance.part, performance.player, performance.seconds, performance.pedal_plan.played
    )
    found = performance.hand_plan
    assert cost_of(model, moments, found) == pytest.approx(found.cost, abs=1e-6)


@settings(max_examples=40, deadline=None)
@given(passages(most=9, widest=4), st.sampled_from(TIERS))
def test_the_thumb_is_above_in_both_hands(text: str, tier: str) -> None:
    """Fingers fall as strings rise (Freund & Cutler, Extreme Orchestration), the left hand is the
    lower one, and nobody has more than four fingers."""
    performance = as_written(parse_part(text), tier)
    for hand in "LR":
        for chord in hand_chords(performance, hand):
            fingers = [f for f in chord.fingers if f]
            assert all(a > b for a, b in pairwise(fingers))
            assert len(fingers) == min(4, len(chord.strings))
            assert list(chord.strings) == sorted(set(chord.strings))


@settings(max_examples=40, deadline=None)
@given(passages(most=9), st.sampled_from(TIERS))
def test_a_placing_is_up_to_four_strings_in_one_direction(text: str, tier: str) -> None:
    """A placing never re-uses a finger and never turns back, and placings count up from 0."""
    performance = as_written(parse_part(text), tier)
    plan = performance.hand_plan
    for hand in "LR":
        groups: dict[int, list[tuple[tuple[int, ...], tuple[int, ...]]]] = {}
        for chord in hand_chords(performance, hand):
            numbers = {plan.placings[i] for i in chord.strikes}
            assert len(numbers) == 1
            groups.setdefault(numbers.pop(), []).append((chord.strings, chord.fingers))
        assert list(groups) == list(range(len(groups)))
        for group in groups.values():
            fingers = [f for _, chord in group for f in chord]
            assert len(fingers) == len(set(fingers)) or len(group) == 1
            rising = all(a[0][-1] < b[0][0] for a, b in pairwise(group))
            falling = all(a[0][0] > b[0][-1] for a, b in pairwise(group))
            assert rising or falling


@settings(max_examples=20, deadline=None)
@given(passages(most=6), st.sampled_from(TIERS))
def test_the_same_part_has_the_same_plan(text: str, tier: str) -> None:
    """Plans are replayed, so they must not depend on what was planned before."""
    part = parse_part(text)
    first = as_written(part, tier).hand_plan
    as_written(parse_part("4/4 tempo:77 | C4:1 D4 E4 F4"), tier)
    assert as_written(part, tier).hand_plan == first


# Textbook fingerings


def test_a_scale_going_up_crosses_4_under_1() -> None:
    """4 3 2 1, then 4 crosses under while 1 holds (S. Ballard; D. Hall)."""
    assert fingered("4/4 tempo:96 | C4:1/2 D4 E4 F4 G4 A4 B4 C5") == "R4 R3 R2 R1 R4 R3 R2 R1"


def test_a_scale_going_down_crosses_1_over_4() -> None:
    """1 2 3 4, then 1 crosses over (S. Ballard; D. Hall)."""
    assert fingered("4/4 tempo:96 | C5:1/2 B4 A4 G4 F4 E4 D4 C4") == "R1 R2 R3 R4 R1 R2 R3 R4"


def test_two_octaves_go_in_fours() -> None:
    """Four strings to a position, in the left hand as in the right."""
    scale = "C3:1/4 D3 E3 F3 G3 A3 B3 C4 D4 E4 F4 G4 A4 B4 C5 D5"
    assert fingered(f"4/4 tempo:96 | - ; {scale}") == " ".join(["L4 L3 L2 L1"] * 4)


def test_the_left_hand_takes_1_5_8_with_4_2_1() -> None:
    """The left hand's usual figure (Philharmonia Orchestra, harp notes), and back down."""
    assert fingered("4/4 tempo:96 | - ; C3:1/2 G3 C4 G3 C3 G3 C4 G3") == (
        "L4 L2 L1 L2 L4 L2 L1 L2"
    )


@pytest.mark.parametrize("tempo", [50, 72, 100])
def test_slow_music_keeps_the_hand_in_its_place(tempo: int) -> None:
    """The same 1-5-8 figure, a note a beat with the right hand's notes between: the fingers stay
    placed (place ahead in one direction: common practice), no thumb hops from string to string."""
    text = f"3/4 tempo:{tempo} | r:1/2 E5:1 G5:1 C6:1/2 ; C3:1 G3 C4"
    performance = as_written(parse_part(text), "amateur")
    plan = performance.hand_plan
    left = [plan.fingers[i] for i, hand in enumerate(plan.hands) if hand == "L"]
    assert left == [4, 2, 1]


def test_a_hand_is_lifted_after_a_long_rest() -> None:
    """A hand that has rested `hold_seconds` while the other plays is where it is needed."""
    text = "8/4 tempo:60 | r:1 E5:1/2 F5 G5 A5 G5 F5 E5 D5 E5 F5 ; C2:1 r:5 C4:1 r:1"
    performance = as_written(parse_part(text), "professional")
    assert [step.kind for step in hand_steps(performance, "L")] == ["lift"]


def test_a_roll_takes_its_time_from_the_next_placing() -> None:
    """Rolled, a chord of four ends three times `roll_seconds` late, and the way on is so much
    shorter; the right hand's part of a roll over both hands follows the left hand's."""
    chords = "[C3 G3 C4]:1/2{arpeggio} [C3 G3 C4] r:3"
    one = as_written(parse_part(f"4/4 tempo:60 | - ; {chords}"), "professional")
    roll = one.player.limits.roll_seconds
    (step,) = hand_steps(one, "L")
    assert step.seconds == pytest.approx(0.5 - 2 * roll)
    text = "4/4 tempo:60 | [E4 G4]:1{arpeggio} [F4 A4]:1 r:2 ; [C3 G3]:1{arpeggio} [C3 A3]:1 r:2"
    both = as_written(parse_part(text), "professional")
    assert [s.seconds for s in hand_steps(both, "R")] == [pytest.approx(1.0 - 3 * roll)]
    assert [s.seconds for s in hand_steps(both, "L")] == [pytest.approx(1.0 - roll)]


def test_four_note_chords_use_all_four_fingers() -> None:
    """No little finger: Rimsky-Korsakov, Principles of Orchestration, ch. I."""
    words = fingered("4/4 | [C4 E4 G4 C5]:4 ; [G2 C3 E3 G3]:4").split()
    assert sorted(words) == ["L1", "L2", "L3", "L4", "R1", "R2", "R3", "R4"]


def test_octaves_go_4_to_1() -> None:
    """Octaves in one hand with the outer fingers: common practice."""
    assert set(fingered("4/4 tempo:72 | [C4 C5]:1 [D4 D5] [E4 E5] [G4 G5]").split()) == {
        "R4", "R1",
    }


@pytest.mark.parametrize(("hand", "top"), [("L", "C4"), ("R", "C6")])
def test_octave_arpeggios_go_4_3_2_1_and_back(hand: str, top: str) -> None:
    """Four notes to a placing in one direction, in both hands alike: arpeggios always in runs of
    four (R. Holden for the BBC)."""
    octave = int(top[1])
    up = f"C{octave - 1}:1/2 E{octave - 1} G{octave - 1} C{octave}"
    staff = f"{up} r:2" if hand == "R" else f"- ; {up} r:2"
    assert fingered(f"4/4 tempo:96 | {staff}") == f"{hand}4 {hand}3 {hand}2 {hand}1"
    down = f"C{octave}:1/2 G{octave - 1} E{octave - 1} C{octave - 1}"
    staff = f"{down} r:2" if hand == "R" else f"- ; {down} r:2"
    assert fingered(f"4/4 tempo:96 | {staff}") == f"{hand}1 {hand}2 {hand}3 {hand}4"


def test_a_hand_over_hand_arpeggio_goes_in_fours() -> None:
    """Written in groups on two staves, each group is one placing, low to high: idiomatic for the
    harp (common practice)."""
    upper = "r:1 E3:1/4 G3 C4 E4 r:1 C6:1/4 E6 G6 C7"
    lower = "C2:1/4 E2 G2 C3 r:1 G4:1/4 C5 E5 G5 r:1"
    performance = as_written(parse_part(f"4/4 tempo:120 | {upper} ; {lower}"), "professional")
    plan = performance.hand_plan
    in_time = sorted(range(16), key=lambda i: performance.seconds[i])
    assert "".join(plan.hands[i] for i in in_time) == "LLLLRRRRLLLLRRRR"
    assert [plan.fingers[i] for i in in_time] == [4, 3, 2, 1] * 4
    assert [plan.placings[i] for i in in_time] == [0] * 8 + [1] * 8


def test_what_is_too_quick_for_one_hand_is_shared() -> None:
    """On one staff, faster than the right hand can cross (its hardest rate is 14 notes a second):
    the left hand takes part, and no way of either hand is shorter of time than its hard share."""
    text = "4/4 tempo:250 | C3:1/4 E3 G3 C4 E4 G4 C5 E5 G5 C6 E6 G6 C7 G6 E6 C6"
    performance = as_written(parse_part(text), "professional")
    assert set(performance.hand_plan.hands) == {"L", "R"}
    share = performance.player.limits.hard_share
    for hand in "LR":
        for step in hand_steps(performance, hand):
            assert step.seconds >= share * step.need - 1e-3


def test_bass_and_chord_of_a_waltz_stay_in_the_left_hand() -> None:
    """At a moderate tempo the left hand has time for bass, chord, chord."""
    text = "3/4 tempo:120 | E5:1 G5 C6 ; C3:1 [G3 C4 E4] [G3 C4 E4]"
    performance = as_written(parse_part(text), "professional")
    heads = [s.first.staff for s in performance.strikes]
    assert all(
        (hand == "R") == (staff == 1)
        for hand, staff in zip(performance.hand_plan.hands, heads, strict=True)
    )


# What decides the hands


def test_an_asked_hand_is_obeyed() -> None:
    """Who writes L: or R: means it."""
    words = fingered("4/4 tempo:60 | L:C5:1 R:C4:1 L:E5:1 R:D4:1").split()
    assert [word[0] for word in words] == ["L", "R", "L", "R"]


def test_crossed_hands_are_played_where_asked() -> None:
    """Single notes may cross if the part asks for it, or if the staves cross."""
    performance = as_written(parse_part("4/4 | L:E5:4 ; R:C4:4"), "professional")
    heads = [s.first for s in performance.strikes]
    assert [h.hand for h in heads] == list(performance.hand_plan.hands)


def known(text: str, tier: str, fingers: str) -> str:
    """As `fingered`, by a player who has learnt these hands and fingers."""
    part = parse_part(text)
    learnt = {
        learnt_key(strike): (word[0], int(word[1]))
        for strike, word in zip(part.strikes, fingers.split(), strict=True)
    }
    plan = perform(part, tier_player(tier), learnt=learnt).hand_plan
    return " ".join(f"{h}{f}" for h, f in zip(plan.hands, plan.fingers, strict=True))


def test_what_is_learnt_is_kept() -> None:
    """A pupil who knows a fingering keeps it, though another would be more comfortable."""
    text = "4/4 tempo:72 | C4:1 D4 E4 F4"
    assert fingered(text) == "R4 R3 R2 R1"
    assert known(text, "professional", "R3 R2 R1 R3") == "R3 R2 R1 R3"
    assert known(text, "professional", "L4 L3 L2 L1") == "L4 L3 L2 L1"


def test_what_is_learnt_is_left_where_the_hand_can_not() -> None:
    """Thumb and second finger over ten strings, which an adult may know, is no child's."""
    text = "4/4 tempo:72 | [C4 E5]:4"
    assert known(text, "beginner", "R2 R1") != "R2 R1"


@pytest.mark.parametrize("tier", TIERS)
def test_easy_music_stays_on_its_staff(tier: str) -> None:
    """Where the layout is playable it is played as printed: thirds above, single notes below."""
    text = "4/4 tempo:60 | [C4 E4]:1 [D4 F4] [E4 G4] [C4 E4] ; C3:2 G2"
    performance = as_written(parse_part(text), tier)
    staves = [s.first.staff for s in performance.strikes]
    wanted = ["R" if staff == 1 else "L" for staff in staves]
    assert list(performance.hand_plan.hands) == wanted


def test_more_than_one_hand_holds_is_shared() -> None:
    """Six notes on one staff: the lower go to the left hand although they stand above."""
    hands = [w[0] for w in fingered("4/4 | [C4 E4 G4 C5 E5 G5]:4").split()]
    assert hands == sorted(hands)
    assert 2 <= hands.count("L") <= 4


def test_a_chord_wider_than_a_hand_is_shared() -> None:
    """A twelfth in one hand is impossible (Volpe Bligh, on Stravinsky); two hands take it."""
    hands = [w[0] for w in fingered("4/4 | [C4 G5]:4").split()]
    assert sorted(hands) == ["L", "R"]


def test_the_right_hand_leaves_the_lowest_strings() -> None:
    """Below its limit the left hand takes over whatever the staff says."""
    words = fingered("4/4 tempo:60 | C2:1 E2 C2 E2", "professional").split()
    assert {w[0] for w in words} == {"L"}


def test_voices_that_meet_are_one_pluck() -> None:
    """Two voices on one string: one hand, one finger."""
    performance = as_written(parse_part("4/4 | C5:4 & C5:2 E5:2 ; C3:4"), "professional")
    plan = performance.hand_plan
    meeting = [i for i, s in enumerate(performance.strikes) if s.pitch.name == "C5"]
    assert len({(plan.hands[i], plan.fingers[i], plan.placings[i]) for i in meeting}) == 1


def test_a_trill_keeps_its_hand() -> None:
    """What is struck during a trill goes to the other hand."""
    text = "4/4 tempo:90 | D5:4{trill} & r:1 E5:1 F5 G5"
    plan = as_written(parse_part(text), "professional").hand_plan
    assert plan.hands[0] not in plan.hands[1:]


def test_a_glissando_has_no_fingers_and_one_hand() -> None:
    """A sweep is one gesture from start to stop."""
    text = "4/4 tempo:60 | C4:1{gliss-start 1} r:1 C6:2{gliss-stop 1} ; r:1/2 G2:1"
    performance = as_written(parse_part(text), "professional")
    plan = performance.hand_plan
    swept = glissandi(performance.part, performance.seconds)
    names = [performance.strikes[i].pitch.name for i in sorted(swept)]
    assert sorted(names) == ["C4", "C6"]
    assert {plan.fingers[i] for i in swept} == {0}
    assert len({plan.hands[i] for i in swept}) == 1
    other = next(i for i in range(3) if i not in swept)
    assert plan.hands[other] != plan.hands[next(iter(swept))]


def test_a_written_out_sweep_is_swept_throughout() -> None:
    """Notes of the voice between start and stop belong to the sweep."""
    text = "4/4 tempo:60 | C4:1/4{gliss-start 1} D4 E4 F4 G4:1{gliss-stop 1} A4"
    plan = as_written(parse_part(text), "professional").hand_plan
    assert [f > 0 for f in plan.fingers] == [False] * 5 + [True]


def test_a_left_hand_at_a_lever_leaves_the_note_to_the_right() -> None:
    """While the left hand turns a lever, what can be is played by the right."""
    part = parse_part("4/4 tempo:60 | - ; C4:1 D4 E4 F4")
    free = as_written(part, "professional").hand_plan
    away = as_written(part, "professional", left_busy=((0.7, 1.0),)).hand_plan
    assert free.hands == ("L", "L", "L", "L")
    assert away.hands[1] == "R"


def test_arpeggio_marks_roll() -> None:
    """A rolled chord is marked, the plain one beside it is not."""
    part = parse_part("4/4 tempo:60 | [C4 E4 G4 C5]:2{arpeggio} [C4 E4 G4 C5]:2")
    assert as_written(part, "professional").hand_plan.rolled == (True,) * 4 + (False,) * 4


def test_grace_notes_are_moments_of_their_own() -> None:
    """A grace note is struck before its main note, not with it."""
    part = parse_part("4/4 tempo:60 | C4:2 ^D5 C5:2")
    player: Player = tier_player("professional")
    seconds, _ = strike_seconds(part)
    moments = moments_of(part, player, seconds, [s.pitch for s in part.strikes])
    assert [len(m.strings) for m in moments] == [1, 1, 1]


def test_a_part_without_notes_has_an_empty_plan() -> None:
    """A window of rests must not fail."""
    plan = as_written(parse_part("4/4 | r:4"), "amateur").hand_plan
    assert plan == HandPlan((), (), (), (), 0.0)


def test_keeping_all_tables_or_few_gives_the_same_plan(monkeypatch: pytest.MonkeyPatch) -> None:
    """A short piece keeps all its tables until it is read back, a long one reads on the way."""
    part = select_part(open_score(str(music21.corpus.getWork("joplin/maple_leaf_rag")))).part
    part = part.window(16, 31)
    player = tier_player("amateur")
    kept = perform(part, player).hand_plan
    monkeypatch.setattr(hand_search, "KEPT", 1)
    assert perform(part, player).hand_plan == kept


def test_what_is_remembered_of_other_versions_changes_no_plan() -> None:
    """A bar's hands are run once for all versions that come to it alike."""
    part = select_part(open_score(str(music21.corpus.getWork("joplin/maple_leaf_rag")))).part
    part = part.window(16, 23)
    player, choose = tier_player("amateur"), Random(7)
    versions = [part, *(part.apply(one_bar_edit(part, choose, bar)) for bar in (1, 3, 6))]
    alone = []
    for version in versions:
        hand_search.forget()
        alone.append(perform(version, player).hand_plan)
    for _ in range(2):
        assert [perform(version, player).hand_plan for version in versions] == alone
