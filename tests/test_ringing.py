"""Ringing and damping (simplify/technique/ringing.py)."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simplify.harp.player import tier_player
from simplify.score.text import parse_part, parse_pitch
from simplify.technique.fingers import cost_table
from simplify.technique.hands import plan_hands
from simplify.technique.perform import strike_seconds
from simplify.technique.plan import PedalMove, PedalPlan, Performance
from simplify.technique.ringing import (
    audible_seconds,
    blurs,
    muffles,
    ring_seconds,
    rings,
    sounding,
)


def as_written(text: str, moves: Sequence[PedalMove] = ()) -> Performance:
    part, player = parse_part(text), tier_player("professional")
    seconds, until = strike_seconds(part)
    played = tuple(s.pitch for s in part.strikes)
    pedals = PedalPlan((0, 0, 0, 0, 0, 0, 0), tuple(moves), played, 0.0, (), ())
    return Performance(
        part, player, seconds, until, plan_hands(part, player, seconds, played), pedals
    )


@given(st.integers(7, 52))
def test_shorter_strings_ring_shorter(string: int) -> None:
    """The shorter the string the shorter its decay (harp notation manual of the Sibelius
    Academy)."""
    assert 0 < ring_seconds(string + 1) < ring_seconds(string)
    assert 0 < audible_seconds(string) < ring_seconds(string)


def test_the_table_is_met_at_its_own_strings() -> None:
    """Interpolation goes through the table."""
    row = cost_table()["ring"]
    for name, value in zip(row["strings"], row["values"], strict=True):
        assert ring_seconds(parse_pitch(name).string) == pytest.approx(value)


def test_a_string_rings_until_plucked_again() -> None:
    """A second pluck ends the first ring; the last one dies away by itself."""
    first, second = rings(as_written("4/4 tempo:60 | C3:1 C3:1"))
    assert (first.end, first.ended_by) == (1.0, "pluck")
    assert second.ended_by == "decay"
    assert second.end == pytest.approx(1.0 + audible_seconds(21))


def test_written_length_does_not_damp() -> None:
    """A crotchet rings like a semibreve: nothing stops a harp string but a hand."""
    short, long = as_written("4/4 tempo:60 | C3:1"), as_written("4/4 tempo:60 | C3:4")
    assert rings(short)[0].end == rings(long)[0].end


@pytest.mark.parametrize("mark", ["etouffe", "staccato", "staccatissimo"])
def test_a_damping_sign_ends_the_ring(mark: str) -> None:
    """The sign asks for silence at the end of the written value, and for a hand to do it."""
    performance = as_written(f"4/4 tempo:60 | C3:1{{{mark}}} r:3")
    (ring,) = rings(performance)
    assert (ring.end, ring.ended_by) == (1.0, "damp")
    (muffle,) = muffles(performance)
    assert (muffle.why, muffle.strings, muffle.beat) == ("sign", (21,), 2.0)
    assert muffle.hand in ("left", "right")


def test_sounding_lists_what_rings() -> None:
    """Low strings still ring when high ones have died away."""
    performance = as_written("4/4 tempo:60 | C2:4 & C7:4")
    names = lambda at: {performance.strikes[i].pitch.name for i in sounding(performance, at)}  # noqa: E731
    assert names(0.0) == {"C2", "C7"}
    assert names(2.0) == {"C2"}
    assert names(30.0) == set()


def test_a_pedal_that_moves_under_a_ringing_string_needs_a_muffle() -> None:
    """All octaves of the letter are bent (Philharmonia Orchestra, harp notes)."""
    text = "4/4 tempo:60 | [C3 C4]:2 E4:2"
    onset = parse_part(text).strikes[-1].onset
    move = PedalMove(onset, "C", 0, 1, "left")
    (muffle,) = muffles(as_written(text, [move]))
    assert (muffle.why, muffle.strings, muffle.beat) == ("pedal", (21, 28), 3.0)
    other = PedalMove(onset, "D", 0, 1, "left")
    assert muffles(as_written(text, [other])) == ()


def test_a_lever_bends_one_string() -> None:
    """A lever moves its own string only."""
    text = "4/4 tempo:60 | [C3 C4]:2 E4:2"
    onset = parse_part(text).strikes[-1].onset
    (muffle,) = muffles(as_written(text, [PedalMove(onset, "C", 0, 1, "left hand", 28)]))
    assert muffle.strings == (28,)


def test_a_pedal_may_move_when_the_string_has_died_away() -> None:
    """High strings fall silent soon, so that their pedal is free."""
    text = "4/4 tempo:60 | C7:2 E4:2"
    move = PedalMove(parse_part(text).strikes[-1].onset, "C", 0, 1, "left")
    assert muffles(as_written(text, [move])) == ()


def test_a_bass_that_steps_needs_a_muffle() -> None:
    """The old bass would ring into its neighbour; a fifth away it may ring on."""
    (muffle,) = muffles(as_written("4/4 tempo:60 | C2:2 D2:2"))
    assert (muffle.why, muffle.strings) == ("bass", (14,))
    assert muffles(as_written("4/4 tempo:60 | C2:2 G2:2")) == ()


def test_a_muffle_names_a_free_hand() -> None:
    """The hand that has just struck is not free to muffle."""
    text = "4/4 tempo:60 | r:2 L:C2:1/8 L:D2:1 & R:C6:1"
    (muffle,) = (m for m in muffles(as_written(text)) if m.why == "bass")
    assert muffle.hand == "right"


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("4/4 tempo:60 | [C2 E2]:4", 1),
        ("4/4 tempo:60 | [C2 G2]:4", 0),
        ("4/4 tempo:60 | [C4 E4]:4", 0),
        ("4/4 tempo:60 | C2:1/2 D2:1/2 r:3", 1),
        ("4/4 tempo:60 | C2:2 D2:2", 0),
        ("4/4 tempo:60 | C2:1/2 G2:1/2 r:3", 0),
        ("4/4 tempo:60 | C4:1/2 D4:1/2 r:3", 0),
        ("4/4 tempo:60 | C2:1/2 C2:1/2 r:3", 0),
    ],
)
def test_low_close_or_quick_writing_blurs(text: str, wanted: int) -> None:
    """Low rapid figures are not clear (Rimsky-Korsakov, Principles of Orchestration, ch. I)."""
    found = blurs(as_written(text))
    assert len(found) == wanted
    for blur in found:
        assert not blur.text.endswith(".")
        assert len(blur.strikes) == 2
