"""Difficulty on real music of music21's corpus: known orderings, the laws of the layers, no gaming.

The laws are those that test_layers.py and test_load.py try on generated parts; here they are tried
on short windows of published keyboard music, with plans by hand (tests/support_performance.py).
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from simplify.difficulty.curve import grid, numbers, plucks
from simplify.difficulty.load import MEASURES, assess, read_for
from simplify.difficulty.voices import lines
from simplify.harp.instrument import PEDALS, foot
from simplify.harp.player import LAYERS, tier_player
from simplify.score.model import Part, TempoMark
from simplify.score.read import open_score, select_part
from simplify.technique.plan import PedalMove, Performance
from tests.support_corpus import two_staves
from tests.support_performance import (
    by_hand,
    faster,
    followed_by,
    respelled,
    same_harmony_until,
    shifted,
    with_move,
    without,
)

TINY = 1e-9
KEYBOARD = ("schumann_clara/polonaise_op1n1", "mozart/k545/movement1_exposition",
            "joplin/maple_leaf_rag", "chopin/mazurka06-2")


@cache
def piece(name: str, bars: int = 0) -> Part:
    """A work of music21's corpus (its first bars) at a tempo of 76."""
    import music21

    if name in KEYBOARD:
        part = select_part(open_score(str(music21.corpus.getWork(name)))).part
    else:
        part = two_staves(music21.corpus.parse(name), name)
    if bars:
        part = part.window(0, min(bars, len(part.bars)) - 1)
    return replace(part, tempo=(TempoMark(part.bars[0].onset, 76.0),))


@st.composite
def windows(draw: st.DrawFn, bars: int = 3) -> Part:
    """Some bars of a keyboard work."""
    part = piece(draw(st.sampled_from(KEYBOARD)))
    first = draw(st.integers(1, min(40, len(part.bars) - bars)))
    window = part.window(first, first + bars - 1)
    assume(len({b.duration for b in window.bars}) == 1 and window.bars[0].lead == 0)
    assume(window.strikes)
    return replace(window, tempo=(TempoMark(window.bars[0].onset, 76.0),))


def parted(performance: Performance, bar: int) -> list[tuple[tuple[int, int, str], ...]]:
    """(onset, string, hand) of the events of every line in a bar, and of those lines in the bar
    before it."""
    return sorted(
        tuple(
            (tick, string, hand)
            for tick, string, hand, at in zip(
                line.ticks, line.strings, line.hands, line.bars, strict=True
            )
            if at in (bar - 1, bar)
        )
        for line in lines(performance)
        if bar in line.bars
    )


def loads(layer: str, performance: Performance) -> tuple[float, ...]:
    return MEASURES[layer](performance, grid(performance.part)).loads


@cache
def difficulty(name: str, tempo: float = 76.0) -> float:
    part = replace(piece(name, 12), tempo=(TempoMark(0, tempo),))
    return read_for(part, tier_player("professional")).assessment.difficulty


# Known orderings


@pytest.mark.parametrize("chorale", ["bach/bwv66.6", "bach/bwv269", "bach/bwv347"])
def test_a_chorale_is_easier_than_a_polonaise(chorale: str) -> None:
    assert difficulty(chorale) < difficulty("schumann_clara/polonaise_op1n1")


def test_a_minuet_is_easier_than_a_rag() -> None:
    """The minuet of a quartet by Haydn laid on two staves, against Joplin's Maple Leaf Rag."""
    assert difficulty("haydn/opus74no1/movement3") < difficulty("joplin/maple_leaf_rag")


def test_a_sonatina_is_easier_than_a_rag() -> None:
    assert difficulty("mozart/k545/movement1_exposition") < difficulty("joplin/maple_leaf_rag")


@pytest.mark.parametrize("name", KEYBOARD[:2])
def test_half_the_tempo_is_easier(name: str) -> None:
    assert difficulty(name, 38.0) < difficulty(name)


@pytest.mark.parametrize("name", KEYBOARD[:2])
def test_the_upper_staff_alone_is_easier_than_both(name: str) -> None:
    part = piece(name, 12)
    upper = replace(part, notes=tuple(n for n in part.notes if n.staff == 1))
    assert assess(by_hand(upper)).difficulty < assess(by_hand(part)).difficulty


# Laws


@settings(max_examples=20, deadline=None)
@given(windows(), st.sampled_from([1.1, 1.6, 2.5]))
def test_a_faster_tempo_lowers_no_layer(part: Part, factor: float) -> None:
    slow = by_hand(part)
    for layer in LAYERS:
        pairs = zip(loads(layer, slow), loads(layer, faster(slow, factor)), strict=True)
        assert all(after >= before - TINY for before, after in pairs), layer


@settings(max_examples=30, deadline=None)
@given(windows(2), st.data())
def test_a_note_less_in_a_chord_never_raises_fingers(part: Part, data: st.DataObject) -> None:
    performance = by_hand(part)
    chords = [p for row in plucks(performance).values() for p in row if len(p.strikes) > 1]
    assume(chords)
    gone = data.draw(st.sampled_from(data.draw(st.sampled_from(chords)).strikes))
    thinner = loads("fingers", without(performance, gone))
    assert all(a <= b + TINY for b, a in zip(loads("fingers", performance), thinner, strict=True))


@settings(max_examples=20, deadline=None)
@given(windows(2), st.data())
def test_a_pedal_move_more_never_lowers_pedals(part: Part, data: st.DataObject) -> None:
    performance = by_hand(part)
    letter = data.draw(st.sampled_from(PEDALS))
    tick = data.draw(st.sampled_from([s.onset for s in performance.strikes]))
    more = with_move(performance, PedalMove(tick, letter, 0, 1, foot(letter)))
    pairs = zip(loads("pedals", performance), loads("pedals", more), strict=True)
    assert all(greater >= less - TINY for less, greater in pairs)


@settings(max_examples=15, deadline=None)
@given(windows(2))
def test_respelling_leaves_all_but_pedals_alone(part: Part) -> None:
    performance = by_hand(part)
    renamed = replace(performance, part=respelled(part))
    order = {s.first.id: i for i, s in enumerate(performance.strikes)}
    assume([order[s.first.id] for s in renamed.strikes] == list(range(len(order))))
    for layer in LAYERS:
        if layer != "pedals":
            assert loads(layer, renamed) == pytest.approx(loads(layer, performance), abs=TINY)


@settings(max_examples=15, deadline=None)
@given(windows(2))
def test_an_empty_bar_before_changes_nothing(part: Part) -> None:
    one, two = by_hand(part), by_hand(shifted(part))
    skip = len(grid(two.part)) - len(grid(part))
    for layer in LAYERS:
        assert loads(layer, two)[skip:] == pytest.approx(loads(layer, one), abs=TINY), layer


@settings(max_examples=15, deadline=None)
@given(windows(2))
def test_an_octave_up_changes_only_fingers(part: Part) -> None:
    up = replace(
        part,
        notes=tuple(
            replace(n, pitch=replace(n.pitch, octave=n.pitch.octave + 1)) for n in part.notes
        ),
    )
    for layer in LAYERS:
        if layer != "fingers":
            assert loads(layer, by_hand(up)) == pytest.approx(
                loads(layer, by_hand(part)), abs=TINY
            ), layer


@settings(max_examples=15, deadline=None)
@given(windows(2))
def test_a_repeat_is_never_easier(part: Part) -> None:
    """The same music twice lasts longer, and no bar of it grows lighter, but for what only the
    music after it tells: harmonic rhythm, whose last harmony may turn out not to have been over,
    and counterpoint where the last notes turn out to begin another line (one bar of the 238 that
    can be drawn here: the end of Maple Leaf Rag, bar 12)."""
    long = followed_by(part, part)
    alone, before_itself = by_hand(part), by_hand(long)
    once, twice = assess(alone), assess(before_itself)
    felt_from = same_harmony_until(part, long) - numbers("harmonic_rhythm")["window"]
    for before, after in zip(once.bars, twice.bars, strict=False):
        for layer, low, high in zip(LAYERS, before.layers, after.layers, strict=True):
            if layer == "harmonic_rhythm":
                known = part.seconds(part.bars[before.index].end) <= felt_from
            elif layer == "counterpoint":
                known = parted(alone, before.index) == parted(before_itself, before.index)
            else:
                known = True
            assert high >= low - TINY or not known, (layer, before.number)


@settings(max_examples=15, deadline=None)
@given(windows(2))
def test_loads_lie_in_zero_to_one(part: Part) -> None:
    for layer in LAYERS:
        assert all(0.0 <= value < 1.0 for value in loads(layer, by_hand(part)))


# No gaming


@settings(max_examples=15, deadline=None)
@given(windows(8))
def test_notes_that_vanish_elsewhere_ease_nothing_here(part: Part) -> None:
    """With the last four bars emptied, the first bars keep their loads (the fourth may feel that
    its neighbour is gone): no statistic of the whole piece enters. Harmonies that reach the emptied
    bars may be heard otherwise; they begin within the longest harmony there is before these."""
    emptied = replace(part, notes=tuple(n for n in part.notes if n.bar < 4))
    whole, half = assess(by_hand(part)), assess(by_hand(emptied))
    until = same_harmony_until(part, emptied)
    felt_from = until - numbers("harmonic_rhythm")["window"]
    for before, after in zip(whole.bars[:2], half.bars[:2], strict=True):
        for layer, one, other in zip(LAYERS, before.layers, after.layers, strict=True):
            if layer != "harmonic_rhythm" or part.seconds(part.bars[before.index].end) <= felt_from:
                assert other == pytest.approx(one, abs=TINY), layer
    assert until >= part.seconds(part.bars[2].onset)


@settings(max_examples=10, deadline=None)
@given(windows(3))
def test_easy_bars_around_do_not_pay_for_hard_ones(part: Part) -> None:
    """Eight empty bars after a passage leave its difficulty where it was, but for harmony."""
    rest = replace(part, notes=())
    padded = followed_by(followed_by(followed_by(part, rest), rest), rest)
    alone, long = assess(by_hand(part)), assess(by_hand(padded))
    assert long.mean_difficulty < alone.mean_difficulty
    for layer, one, other in zip(LAYERS, alone.layers, long.layers, strict=True):
        assert layer == "harmonic_rhythm" or other >= one - TINY, layer
