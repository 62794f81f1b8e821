"""Roll a chord, or play it unrolled.

What it does:
    Adds the arpeggio sign to a wide or full chord, or takes it away where chords follow one
    another too fast to be rolled.

When a harpist would do this:
    A chord wider than the hand is rolled (Sibelius Academy, harp notation manual; chords are by
    habit rolled upward: Freund & Cutler, Extreme Orchestration); in quick chords there is no time
    for it.

What is lost:
    The single attack, or the roll; the notes stay.

Does not apply when:
    The chord is small and lies in the hand, or has its sign already.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from simplify.harp.hand import hurried, over_full, over_wide
from simplify.harp.player import Player
from simplify.score.edits import (
    Column,
    Draft,
    Place,
    all_then_each,
    plain,
    staff_bars,
    whole,
    with_marks,
)
from simplify.score.model import Edit, Mark, Passage
from simplify.strategy import ALL_KEPT, Case, Strategy, promised

KEEPS = ALL_KEPT


def _signed(column: Column) -> bool:
    return any(s.first.has("arpeggio") for s in column.strikes)


def _rolling(column: Column, *, on: bool) -> Callable[[Draft], None]:
    def act(draft: Draft) -> None:
        for strike in column.strikes:
            if on:
                draft.mark(strike, with_marks(strike, Mark("arpeggio")))
            else:
                draft.mark(strike, strike.first.without("arpeggio"))

    return act


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    limits = player.limits
    edits: list[Edit | None] = []
    for _, _, cols in staff_bars(passage):
        roll: list[Place] = []
        flat: list[Place] = []
        for at, column in enumerate(cols):
            if len(column.strikes) < 2 or not all(
                whole(passage, s) and plain(s, passage.part) for s in column.strikes
            ):
                continue
            big = over_full(column, limits) or over_wide(column, limits)
            if big and not _signed(column) and not any(
                s.first.has("non-arpeggio") for s in column.strikes
            ):
                reason = f"{column.hand}: {column.names} is rolled"
                roll.append((_rolling(column, on=True), reason))
            elif _signed(column) and hurried(passage.part, cols, at, limits):
                reason = f"{column.hand}: {column.names} is played unrolled, there is no time"
                flat.append((_rolling(column, on=False), reason))
        hand = cols[0].hand
        edits.extend(all_then_each(passage, roll, f"{hand}: the wide chords are rolled", 1))
        edits.extend(all_then_each(passage, flat, f"{hand}: the chords are played unrolled", 1))
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="roll_chord",
    title="Roll a chord, or play it unrolled",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case(
            "4/4 | G5:4 ; [C3 G3 E4]:4", "4/4 | G5:4 ; [C3 G3 E4]:4{arpeggio}"
        ),
        Case(
            "2/4 tempo:120 | [C5 E5 G5]:1/2{arpeggio} [D5 F5 A5]{arpeggio} C5:1",
            "2/4 tempo:120 | [C5 E5 G5]:1/2{arpeggio} [D5 F5 A5] C5:1",
        ),
        Case("4/4 | G5:4 ; [C3 G3 C4]:4", None),
        Case("4/4 | G5:4 ; [C3 G3 E4]:4{arpeggio}", None),
    ),
)
