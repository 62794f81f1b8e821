"""Gives notes of the source back to a path, as long as it stays within the rules.

A bar written anew loses what its dials take, whether the rules ask for every note of it or not. So
of a path within the rules, notes that the source has and the path has not are tried again, one gift
a column and no two in neighbouring columns at a time. Where that is too much, the reading tells
what each cost, and those that can be had together are read once more.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace

from simplify.difficulty.load import would_hold
from simplify.score.model import NoteId
from simplify.search.reading import BarReading, Reading
from simplify.search.touch import State, Touch, Touching


@dataclass(frozen=True, slots=True)
class Price:
    """What a touch was read to do: effort saved and strain added (a drop: the other way round), the
    strain by bar of the passage."""

    at: int
    touch: Touch
    saved: float
    strains: tuple[tuple[int, float], ...]

    @property
    def added(self) -> float:
        """Strain, over all bars."""
        return sum(value for _, value in self.strains)


Refused = dict[tuple[int, frozenset[NoteId], frozenset[tuple[int, int]]], Price | None]
"""(Column, notes, what goes for them) of gifts that are not to be tried (again), with their price
if it was read."""


def give_back(touching: Touching, readings: int, refused: Refused) -> int:
    """Gives back what the rules allow, in up to so many readings; says how many are left. What is
    refused goes in there."""
    turn, idle = 0, 0
    lattice = touching.lattice
    while idle < 2 and readings > 0 and not lattice.out_of_time():
        offered: dict[int, tuple[Touch, State]] = {}
        for at in sorted(touching.states, key=lambda at: ((at + turn) % 2, at)):
            if not {at - 1, at + 1} & offered.keys():
                gift = _gift(touching, at, refused)
                if gift is not None:
                    offered[at] = gift
        readings = _taken(touching, offered, readings, refused)
        idle = 0 if offered else idle + 1
        turn += 1
    return readings


def _gift(touching: Touching, at: int, refused: Refused) -> tuple[Touch, State] | None:
    """The first gift to a column that brings it nearer."""
    for gift in touching.gifts(at):
        if (at, *gift.key) in refused:
            continue
        state = touching.touched(at, [gift])
        worth = touching.lattice.numbers.gift_worth
        if state is not None and touching.states[at].effort - state.effort > worth:
            return gift, state
        refused[at, *gift.key] = None
    return None


def _taken(
    touching: Touching, offered: Mapping[int, tuple[Touch, State]], readings: int,
    refused: Refused,
) -> int:
    """Takes as many of the gifts as the rules allow; the readings left."""
    waiting = {at: state for at, (_, state) in offered.items()}
    while waiting and readings > 0:
        reading, before = touching.read(waiting), touching.reading
        readings -= 1
        if reading is not None and reading.within:
            touching.take(waiting, reading)
            break
        kept = {} if reading is None else affordable(touching, waiting, reading)
        if reading is not None and len(kept) == len(waiting):
            kept.pop(touching.lattice.to_blame(before, reading, sorted(kept)))
        for at in waiting.keys() - kept.keys():
            gift = offered[at][0]
            refused[at, *gift.key] = None if reading is None else price(
                touching, at, gift, waiting[at], reading
            )
        waiting = kept
    return readings


def price(
    touching: Touching, at: int, touch: Touch, state: State, after: Reading
) -> Price | None:
    """What a touch did in a reading in which no neighbouring column was changed as well; None if a
    fault came in."""
    low, high = touching.lattice.inside(at)
    strains = []
    before = touching.reading.bars
    for bar in range(max(0, low - 1), min(len(before), high + 2)):
        was, now = before[bar], after.bars[bar]
        if now.faults > was.faults:
            return None
        share = 1.0 if low <= bar <= high else 0.5  # a bar between two columns may be either's
        strains.append((bar, share * (now.strain - was.strain)))
    return Price(at, touch, touching.states[at].effort - state.effort, tuple(strains))


def affordable(
    touching: Touching, waiting: Mapping[int, State], after: Reading
) -> dict[int, State]:
    """Those of the columns waiting which, as they came out beside each other, the rules would take
    together; the best bargains first."""
    lattice, before = touching.lattice, touching.reading

    def bargain(at: int) -> float:
        low, high = lattice.inside(at)
        more = after.over(low, high)[2] - before.over(low, high)[2]
        saved = touching.states[at].effort - waiting[at].effort
        return saved / (max(more, 0.0) + 0.05)

    kept: list[int] = []
    for at in sorted(waiting, key=lambda at: (-bargain(at), at)):
        if may_hold(touching, after, [*kept, at]):
            kept.append(at)
    return {at: waiting[at] for at in kept}


def may_hold(touching: Touching, after: Reading, columns: Collection[int]) -> bool:
    """Whether the rules would take these columns as read after, with the others as they stand;
    beside a changed column the worse of both counts."""
    rows: list[BarReading] = list(touching.reading.bars)
    for at in range(touching.columns):
        low, high = touching.lattice.inside(at)
        for bar in range(low, high + 1):
            was, now = rows[bar], after.bars[bar]
            if at in columns:
                rows[bar] = now
            elif at - 1 in columns or at + 1 in columns:
                rows[bar] = _worse(was, now)
    if any(row.faults for row in rows):
        return False
    return would_hold([row.layers for row in rows], touching.lattice.player.rules)


def _worse(one: BarReading, other: BarReading) -> BarReading:
    """A bar with the higher load of each layer and the more faults."""
    a, b, c, d, e, f = map(max, one.layers, other.layers)
    return replace(one, layers=(a, b, c, d, e, f), faults=max(one.faults, other.faults))
