"""Reduce the melody to its outline.

What it does:
    Leaves out notes of the upper staff: the quickest, the short ones between the beats, all
    between the beats or between the strong beats, passing notes foreign to the key, or repeated
    ones. What stands with them goes too.

When a harpist would do this:
    Last of all, when the line itself is too fast or too chromatic for the player and a simpler
    line on the strong beats still tells the tune (common practice in school arrangements).

What is lost:
    Passing notes of the melody. This does not keep the melody.

Does not apply when:
    The melody moves in beats, in the key, without repetition.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator

from simplify.harp.player import Player
from simplify.score.edits import (
    Column,
    Draft,
    is_accidental,
    on_pulse,
    plain,
    pulse_of,
    staff_bars,
    strength,
)
from simplify.score.model import Bar, Edit, Passage
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.NOTHING


def _half(bar: Bar) -> int:
    """Half a beat, or its third in compound metres."""
    return bar.beat_ticks if bar.pulse_ticks == 3 * bar.beat_ticks else bar.pulse_ticks // 2


def _short(bar: Bar, cols: tuple[Column, ...]) -> list[Column]:
    """Short columns off the half beat; a long note there is a syncopation and stays. Without any,
    short ones off the beat."""
    for grid, limit in ((_half(bar), _half(bar)), (bar.pulse_ticks, bar.pulse_ticks)):
        off = [
            c
            for c in cols
            if (c.onset - bar.onset + bar.lead) % grid and c.end - c.onset < limit
        ]
        if off:
            return off
    return []


def _early(bar: Bar, cols: tuple[Column, ...]) -> list[Column]:
    """Of the short columns off the half beat those in the first half: what leads on stays."""
    return [
        c
        for c in _short(bar, cols)
        if (c.onset - bar.onset + bar.lead) % bar.pulse_ticks < _half(bar)
    ]


def _off_beat(bar: Bar, cols: tuple[Column, ...]) -> list[Column]:
    """Columns off the beat that are not held over the next one."""
    return [
        c
        for c in cols
        if not on_pulse(bar, c.onset) and pulse_of(bar, c.end - 1) == pulse_of(bar, c.onset)
    ]


def _repeated(bar: Bar, cols: tuple[Column, ...]) -> list[Column]:
    return [
        two for one, two in itertools.pairwise(cols) if one.high.pitch.midi == two.high.pitch.midi
    ]


def _chromatic(bar: Bar, cols: tuple[Column, ...]) -> list[Column]:
    return [
        c for c in cols if is_accidental(c.high.pitch, bar) and not on_pulse(bar, c.onset)
    ]


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    edits: list[Edit | None] = []
    ways: tuple[tuple[Callable[[Bar, tuple[Column, ...]], list[Column]], str], ...] = (
        (_chromatic, "the melody without its chromatic passing notes"),
        (_repeated, "the melody strikes a repeated note once and lets it ring"),
        (_early, "the melody without the quick notes just after the beat"),
        (_short, "the melody without its quickest notes"),
        (_off_beat, "the melody with the notes on the beats or held over them"),
        (
            lambda bar, cols: [c for c in cols if not on_pulse(bar, c.onset)],
            "the melody with its notes on the beats only",
        ),
        (
            lambda bar, cols: [c for c in cols if strength(bar, c.onset) < 2],
            "the melody with its notes on the strong beats only",
        ),
    )
    for bar, staff, cols in staff_bars(passage):
        if staff != 1:
            continue
        for choose, words in ways:
            gone = [
                s
                for c in choose(bar, cols)
                for s in c.strikes
                if plain(s, passage.part)
            ]
            if gone and len(gone) < sum(len(c.strikes) for c in cols):
                draft = Draft(passage)
                draft.drop(*gone)
                edits.append(draft.edit(f"right hand: {words}"))
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="melody_outline",
    title="Reduce the melody to its outline",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("2/4 | C5:1/4 D5 E5 F5 G5:1 ; C3:2", "2/4 | C5:1/2 E5 G5:1 ; C3:2"),
        Case("2/4 | C5:1/4 D5 E5 F5 G5:1 ; C3:2", "2/4 | C5:1 G5 ; C3:2"),
        Case("2/4 | C5:1/2 C#5 D5:1 ; C3:2", "2/4 | C5:1 D5 ; C3:2"),
        Case("2/4 | C5:1 D5 ; C3:2", None),
        Case("2/4 | C5:2 ; C3:1/2 D3 E3 F3", None),
        Case("4/4 | C5:2 D5 ; C3:4", None),
    ),
)
