"""Writable values: exact lengths, rests that show the beats, beams, tuplets."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simplify.score.model import TICKS, Bar
from simplify.score.values import (
    TYPES,
    Zone,
    beam_window,
    beams,
    spelt,
    split_note,
    split_rest,
    strength,
)

METRES = [(4, 4), (3, 4), (2, 4), (2, 2), (6, 8), (9, 8), (12, 8), (3, 8), (5, 8), (5, 4), (7, 8)]


def bar(beats, beat_type, lead=0):
    full = 4 * TICKS * beats // beat_type
    return Bar(0, "1", 0, full - lead, beats, beat_type, 0, lead)


def quarters(text):
    return int(Fraction(text) * TICKS)


def written(pieces):
    return " ".join(
        f"{p.type}{'.' * p.dots}{'' if p.tuplet == (1, 1) else f'@{p.tuplet[0]}:{p.tuplet[1]}'}"
        for p in pieces
    )


@pytest.mark.parametrize(
    ("metre", "start", "end", "wanted"),
    [
        ((4, 4), "0", "3", "half quarter"), ((4, 4), "1", "4", "quarter half"),
        ((4, 4), "1", "3", "quarter quarter"), ((4, 4), "1/2", "4", "eighth quarter half"),
        ((4, 4), "1/4", "1", "16th eighth"), ((4, 4), "2", "4", "half"),
        ((3, 4), "0", "2", "quarter quarter"), ((3, 4), "1", "3", "quarter quarter"),
        ((6, 8), "3/2", "3", "quarter."), ((6, 8), "1/2", "3/2", "eighth eighth"),
        ((6, 8), "0", "1", "quarter"), ((6, 8), "1/2", "3", "eighth eighth quarter."),
        ((2, 2), "0", "2", "half"), ((12, 8), "3", "6", "half."),
        ((4, 4), "1/3", "1", "quarter@3:2"), ((4, 4), "1/3", "2", "quarter@3:2 quarter"),
        ((4, 4), "1/5", "1", "quarter@5:4"),
    ],
)
def test_rests_show_the_beats(metre, start, end, wanted):
    """Common practice: no rest hides a stronger beat than the one it starts on; dotted rests in
    compound metres only; no half rest over two beats of three."""
    assert written(split_rest(bar(*metre), quarters(start), quarters(end))) == wanted


@pytest.mark.parametrize(
    ("metre", "start", "end", "wanted"),
    [
        ((4, 4), "0", "3", "half."), ((4, 4), "1/2", "3/2", "quarter"),
        ((4, 4), "0", "5/2", "half eighth"), ((4, 4), "1/2", "7/4", "eighth eighth."),
        ((4, 4), "1", "13/4", "quarter quarter 16th"), ((6, 8), "0", "5/2", "quarter. quarter"),
        ((5, 4), "0", "5", "whole quarter"), ((4, 4), "0", "7/2", "half.."),
        ((4, 4), "1/2", "5/6", "eighth@3:2"),
    ],
)
def test_notes_are_one_value_or_cut_where_the_metre_is_strong(metre, start, end, wanted):
    """A length that no value says is tied over the strongest beat inside it."""
    assert written(split_note(bar(*metre), quarters(start), quarters(end))) == wanted


@given(
    st.sampled_from(METRES), st.integers(0, 200), st.integers(1, 200), st.booleans(),
    st.sampled_from([1, 3]),
)
def test_pieces_fill_the_stretch_exactly(metre, start, length, rest, part):
    """End to end, in order, each as long as its type, dots and tuplet say."""
    one = bar(*metre)
    unit = TICKS // 8 // part
    low = start * unit % one.duration
    high = min(one.duration, low + length * unit)
    pieces = split_rest(one, low, high) if rest else split_note(one, low, high)
    if pieces is None:  # a stretch that crosses two tuplets at odd places
        assert part == 3
        return
    assert (pieces[0].start, pieces[-1].end) == (low, high)
    for before, after in pairwise(pieces):
        assert before.end == after.start
    values = dict(TYPES)
    for piece in pieces:
        value = values[piece.type] * (2 - Fraction(1, 2**piece.dots))
        assert value * piece.tuplet[1] / piece.tuplet[0] == piece.end - piece.start
        if rest and piece.tuplet == (1, 1):
            inside = range(piece.start + TICKS // 8, piece.end, TICKS // 8)
            own = strength(one, piece.start)
            assert all(strength(one, tick) >= own for tick in inside if tick % (TICKS // 8) == 0)


def test_tuplet_zones_hold():
    """Within a triplet of the source, rests are of its own values."""
    zone = Zone(0, TICKS, (3, 2))
    pieces = split_rest(bar(4, 4), TICKS // 3, 2 * TICKS, [zone])
    assert written(pieces) == "quarter@3:2 quarter"


def test_pickups_count_from_the_bar_line():
    """A pickup of one and a half beats starts off the beat: an eighth, then the beat."""
    one = bar(4, 4, lead=5 * TICKS // 2)
    assert written(split_rest(one, 0, one.duration)) == "eighth quarter"


def test_lengths_that_nothing_says():
    """A tick more than a quarter is no value; 11 and 13 in a beat are near enough."""
    assert spelt(TICKS + 1) is None
    assert split_note(bar(4, 4), 1, 3848) is None
    assert written(split_note(bar(4, 4), 0, round(Fraction(2 * TICKS, 13)), (13, 8))) == "16th@13:8"


@pytest.mark.parametrize(
    ("flags", "wanted"),
    [
        ((1, 1, 1), "begin|continue|end"), ((2, 1), "begin,forward hook|end"),
        ((1, 2), "begin|end,backward hook"), ((1, 2, 2), "begin|continue,begin|end,end"),
        ((1, 2, 1), "begin|continue,backward hook|end"),
        ((2, 2, 3, 2), "begin,begin|continue,continue|continue,continue,backward hook|end,end"),
    ],
)
def test_beams(flags, wanted):
    """First beams join the group, second ones neighbours that have them; hooks point inwards."""
    assert "|".join(",".join(row) for row in beams(flags)) == wanted


def test_beams_stay_within_the_beat():
    """Quarters in 4/4, dotted quarters in 6/8, the whole bar in 3/8."""
    def windows(metre):
        one = bar(*metre)
        return [beam_window(one, tick) for tick in range(0, one.duration, TICKS // 2)]

    assert windows((4, 4)) == [0, 0, 1, 1, 2, 2, 3, 3]
    assert windows((6, 8)) == [0, 0, 0, 1, 1, 1]
    assert windows((3, 8)) == [0, 0, 0]
