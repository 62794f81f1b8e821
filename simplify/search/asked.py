"""What touches of a path were read to ask of the player, and whether the rules would take that.

The same bars are touched up many times, in round after round and from many paths. What a touch does
hangs on its own column and on those beside it. Where these stand as they stood when the touch was
read, it is not read again: what it asked then says whether there is room for it now.
"""

from __future__ import annotations

from collections import ChainMap
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace

from simplify.difficulty.load import would_hold
from simplify.search.reading import BarReading, Reading
from simplify.search.touch import Context, Touch, Touching, TouchKey


@dataclass(frozen=True, slots=True)
class Price:
    """What a touch was read to do: effort saved and strain added (a drop: the other way round), the
    strain by bar of the passage. after: how the column's bars and those beside them came out."""

    at: int
    touch: Touch
    saved: float
    strains: tuple[tuple[int, float], ...]
    after: tuple[tuple[int, BarReading], ...]

    @property
    def added(self) -> float:
        """Strain, over all bars."""
        return sum(value for _, value in self.strains)


Question = tuple[Context, bool, TouchKey]
"""Where, whether notes come back or go, and which."""

Known = Mapping[Question, Price | None]
"""The price of a touch; None if it is no use there: it can't be written, does not bring the passage
nearer, or brings a fault in."""


class Asked:
    """What is known of touches (mutable). refused: gifts that are not to be tried (again) on this
    path, by column and key, with their price if it was read; fresh: what is known beyond what was
    given."""

    def __init__(self, known: Known | None = None) -> None:
        self.fresh: dict[Question, Price | None] = {}
        self._known = ChainMap(self.fresh, dict(known or {}))
        self.refused: dict[tuple[int, TouchKey], Price | None] = {}

    def knows(self, touching: Touching, at: int, touch: Touch) -> bool:
        """Whether the touch was asked of the column as it and its neighbours stand."""
        return _question(touching, at, touch) in self._known

    def of(self, touching: Touching, at: int, touch: Touch) -> Price | None:
        """What is known of it; None if it is no use."""
        return self._known[_question(touching, at, touch)]

    def note(self, touching: Touching, at: int, touch: Touch, found: Price | None) -> None:
        """Notes down what a touch asks of the column as it stands."""
        self.fresh[_question(touching, at, touch)] = found


def _question(touching: Touching, at: int, touch: Touch) -> Question:
    return touching.context(at), touch.back, touch.key


def price(
    touching: Touching, at: int, touch: Touch, effort: float, after: Reading
) -> Price | None:
    """What a touch did in a reading in which no neighbouring column was changed as well; None if a
    fault came in. effort: of the column with it."""
    low, high = touching.lattice.inside(at)
    strains, rows = [], []
    before = touching.reading.bars
    for bar in range(max(0, low - 1), min(len(before), high + 2)):
        was, now = before[bar], after.bars[bar]
        if now.faults > was.faults:
            return None
        share = 1.0 if low <= bar <= high else 0.5  # a bar between two columns may be either's
        strains.append((bar, share * (now.strain - was.strain)))
        rows.append((bar, now))
    return Price(at, touch, touching.states[at].effort - effort, tuple(strains), tuple(rows))


def has_room(touching: Touching, one: Price) -> bool:
    """Whether the rules would take the touch with all else as it stands, going by its price."""
    low, high = touching.lattice.inside(one.at)
    rows = list(touching.reading.bars)
    for bar, now in one.after:
        rows[bar] = now if low <= bar <= high else _worse(rows[bar], now)
    return _hold(touching, rows)


def may_hold(touching: Touching, after: Reading, columns: Collection[int]) -> bool:
    """Whether the rules would take these columns as read after, with the others as they stand;
    beside a changed column the worse of both counts."""
    rows = list(touching.reading.bars)
    for at in range(touching.columns):
        low, high = touching.lattice.inside(at)
        for bar in range(low, high + 1):
            was, now = rows[bar], after.bars[bar]
            if at in columns:
                rows[bar] = now
            elif at - 1 in columns or at + 1 in columns:
                rows[bar] = _worse(was, now)
    return _hold(touching, rows)


def _hold(touching: Touching, rows: list[BarReading]) -> bool:
    if any(row.faults for row in rows):
        return False
    return would_hold([row.layers for row in rows], touching.lattice.player.rules)


def _worse(one: BarReading, other: BarReading) -> BarReading:
    """A bar with the higher load of each layer and the more faults."""
    a, b, c, d, e, f = map(max, one.layers, other.layers)
    return replace(one, layers=(a, b, c, d, e, f), faults=max(one.faults, other.faults))
