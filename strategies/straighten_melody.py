"""Straighten the melody's rhythm.

What it does:
    A melody note that comes a little before the half beat (or the beat) and is held over it comes
    on it, and the note before is held until then; a short note that comes late after a dotted one
    comes on the half beat before it, so that the pair is even. Every note stays, in its order.

When a harpist would do this:
    When a ragged rhythm meets other difficulties: the tune is still there, evenly told (simplified
    rhythm with the same notes is the usual first step in school arrangements: common practice).

What is lost:
    The syncopation, the dotted lilt.

Does not apply when:
    The melody is even, or no value that reads well is left for the note before.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence

from simplify.harp.player import Player
from simplify.score.edits import Column, Draft, Place, all_then_each, plain, staff_bars, whole
from simplify.score.model import Bar, Edit, Passage, Strike
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.NOTHING


def _duple(passage: Passage, strike: Strike) -> bool:
    """True for a whole, plain strike that is no tuplet note: a tuplet is no ragged rhythm."""
    by_id = passage.part.by_id
    return (
        whole(passage, strike)
        and plain(strike, passage.part)
        and all(by_id[i].tuplet == (1, 1) for i in strike.notes)
    )


def _held_over(bar: Bar, column: Column, grid: int) -> int | None:
    """The point of the grid that a column off it is held over, or None."""
    off = (column.onset - bar.onset + bar.lead) % grid
    point = column.onset - off + grid
    return point if off and point < min(column.end, bar.end) else None


def _act(column: Column, before: Column | None, point: int) -> Callable[[Draft], None]:
    def act(draft: Draft) -> None:
        for strike in column.strikes:
            draft.delay(strike, point)
        for strike in before.strikes if before is not None else ():
            if strike.end == column.onset:
                draft.stretch(strike, point)

    return act


def _straight(passage: Passage, bar: Bar, cols: Sequence[Column], grid: int) -> list[Place]:
    places: list[Place] = []
    taken: set[int] = set()
    for at, column in enumerate(cols):
        point = _held_over(bar, column, grid)
        before = cols[at - 1] if at else None
        around = [*column.strikes, *(before.strikes if before else ())]
        usable = all(_duple(passage, s) for s in around)
        if point is None or not usable or column.onset in taken:
            continue
        after = cols[at + 1].onset if at + 1 < len(cols) else bar.end
        if after <= point:
            continue
        taken.add(after)
        beat = f"{bar.beat(point):g}"
        name = column.high.pitch.name
        reason = f"right hand: the melody's {name} comes on beat {beat} instead of before it"
        places.append((_act(column, before, point), reason))
    return places


def _even(passage: Passage, bar: Bar, cols: Sequence[Column], grid: int) -> list[Place]:
    """Short notes after a dotted one, moved to the free point of the grid before them."""
    places: list[Place] = []
    for before, column in itertools.pairwise(cols):
        off = (column.onset - bar.onset + bar.lead) % grid
        point = column.onset - off
        if not off or not before.onset < point or column.end > point + grid:
            continue
        if not all(_duple(passage, s) for s in [*before.strikes, *column.strikes]):
            continue
        beat = f"{bar.beat(point):g}"
        reason = f"right hand: {column.high.pitch.name} comes evenly on beat {beat}"
        places.append((_evening(before, column, point), reason))
    return places


def _evening(before: Column, column: Column, point: int) -> Callable[[Draft], None]:
    def act(draft: Draft) -> None:
        for strike in before.strikes:
            if strike.end > point:
                draft.cut(strike, point)
        for strike in column.strikes:
            draft.advance(strike, point)

    return act


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    edits: list[Edit | None] = []
    for bar, staff, cols in staff_bars(passage):
        if staff != 1:
            continue
        half = bar.beat_ticks if bar.pulse_ticks == 3 * bar.beat_ticks else bar.pulse_ticks // 2
        for grid, words in ((half, "half beats"), (bar.pulse_ticks, "beats")):
            places = _straight(passage, bar, cols, grid)
            reason = f"right hand: the melody's syncopations come on the {words}"
            edits.extend(all_then_each(passage, places, reason, 1))
        places = _even(passage, bar, cols, half)
        reason = "right hand: the melody's dotted rhythm becomes even"
        edits.extend(all_then_each(passage, places, reason, 1))
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="straighten_melody",
    title="Straighten the melody's rhythm",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("2/4 | C5:1/4 E5:1/2 G5:1/4 C5:1 ; C3:2", "2/4 | C5:1/2 E5:1/4 G5:1/4 C5:1 ; C3:2"),
        Case(
            "2/4 | E5:1/4 G4 B4 E5:1/4~ E5:1 ; C3:2", "2/4 | E5:1/4 G4 B4:1/2 E5:1 ; C3:2"
        ),
        Case("2/4 | C5:3/4 E5:1/4 G5:1 ; C3:2", "2/4 | C5:1/2 E5:1/2 G5:1 ; C3:2"),
        Case("2/4 | C5:1/2 E5:1 G5:1/2 ; C3:2", "2/4 | C5:1 E5:1/2 G5:1/2 ; C3:2"),
        Case("2/4 | C5:1/2 E5:1/2 G5:1 ; C3:2", None),
        Case("2/4 | G5:2 ; C3:1/2 E3:1 G3:1/2", None),
        Case("3/4 | C5:2 E5:1 ; C3:3", None),
        Case("2/4 | E5:1/3t3:2 F5 G5 C5:1 ; C3:2", None),
        Case("2/4 | C5:1/4 D5 E5 F5 G5:1 ; C3:2", None),
    ),
)
