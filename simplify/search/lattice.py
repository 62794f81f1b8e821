"""The lattice of a passage: columns of variants, paths through it, and their repair in context.

A path takes one variant per column. Columns are grown apart, each with a little of its neighbours;
what crosses the cut (pedals, hand positions, the stacking over several bars) is read afterwards on
the real neighbours: a path is settled by exchanging variants where faults or excess remain, and by
taking changes back where they turn out not to be needed.
"""

from __future__ import annotations

import copy
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from simplify.distance import distance
from simplify.errors import EditError
from simplify.harp.player import Player
from simplify.score.model import Edit, NoteId, Part, Passage
from simplify.search.reading import Reading, read_bars
from simplify.search.settings import SearchSettings
from simplify.search.variants import Column, Tally, Variant, column_of, effort, penalty
from simplify.strategy import Keeps, broken_promises

Path = tuple[int, ...]
"""Index of the variant chosen in each column."""

Grow = Callable[[Column], tuple[tuple[Variant, ...], Tally]]


def cut_columns(part: Part, first: int, last: int, most: int) -> tuple[tuple[int, int], ...]:
    """(first, last) bar index of each column: bars that a tie joins go together, up to `most`."""
    tied: set[int] = set()
    for strike in part.strikes:
        bars = {part.by_id[i].bar for i in strike.notes}
        tied.update(range(min(bars), max(bars)))
    columns: list[tuple[int, int]] = []
    at = first
    while at <= last:
        end = at
        while end < last and end in tied and end - at + 1 < most:
            end += 1
        columns.append((at, end))
        at = end + 1
    return tuple(columns)


@dataclass(frozen=True, slots=True)
class Settled:
    """A path after repair: its edits, in an order in which they apply, and its reading over the
    passage's bars."""

    edits: tuple[Edit, ...]
    reading: Reading


class Lattice:
    """Columns and variants of one passage (mutable: repair may add variants)."""

    def __init__(
        self,
        part: Part,
        first: int,
        last: int,
        player: Player,
        numbers: SearchSettings,
        spans: Sequence[tuple[int, int]],
        variants: Sequence[tuple[Variant, ...]],
        grow: Grow,
        keeps: Keeps,
        until: float | None,
    ) -> None:
        self.part, self.first, self.last = part, first, last
        self.keeps = keeps
        self.edges = part.bars[first].onset, part.bars[last].end
        self.player, self.numbers = player, numbers
        self.spans = tuple(spans)
        self.variants = [
            [lifted(v, span[0]) for v in column]
            for column, span in zip(variants, self.spans, strict=True)
        ]
        self.grow, self.until = grow, until
        self.tally = Tally()
        self._readings: dict[tuple[int, int, int, int, frozenset[NoteId]], Reading] = {}
        self._regrown: dict[int, int] = {}

    def fresh(self, numbers: SearchSettings) -> Lattice:
        """A copy that other weights can be tried on: what repair adds to it stays its own."""
        twin = copy.copy(self)
        twin.numbers, twin.tally = numbers, Tally()
        twin.variants = [list(column) for column in self.variants]
        twin._readings, twin._regrown = dict(self._readings), {}
        return twin

    def out_of_time(self) -> bool:
        """True once the budget is spent."""
        return self.until is not None and time.monotonic() > self.until

    def edits(self, path: Path) -> tuple[Edit, ...]:
        """The path's edits, in an order in which they apply to the source part."""
        return tuple(
            edit
            for column, at in zip(self.variants, path, strict=True)
            for edit in column[at].edits
        )

    def build(self, path: Path) -> Part:
        """The whole part with the path's edits applied."""
        return self.part.apply_all(self.edits(path))

    def _read(self, part: Part, low: int, high: int, first: int, last: int) -> Reading:
        """Bars first..last read in the context of bars low..high; each content once."""
        ids = frozenset(n.id for row in part.notes_by_bar[low : high + 1] for n in row)
        key = (low, high, first, last, ids)
        if key not in self._readings:
            self._readings[key] = read_bars(
                part.window(low, high), self.player, first - low, last - low, self.edges
            )
            self.tally.readings += 1
        return self._readings[key]

    def passage_reading(self, part: Part) -> Reading:
        """The passage's bars, read with a bar of context on both sides."""
        low, high = max(0, self.first - 1), min(len(part.bars) - 1, self.last + 1)
        return self._read(part, low, high, self.first, self.last)

    def cheapest(self, weight: float, shunned: frozenset[str], shun: float) -> Path:
        """The path that is best column by column for `weight` (distance worth a whole unit of
        difficulty); each strategy of `shunned` in a variant costs `shun` more."""
        return tuple(
            min(
                range(len(column)),
                key=lambda i, c=column: (  # type: ignore[misc]
                    penalty(c[i].faults, c[i].excess, self.numbers)
                    + effort(c[i], self.numbers)
                    + weight * c[i].difficulty / 100.0
                    + shun * len(c[i].kinds & shunned),
                    i,
                ),
            )
            for column in self.variants
        )

    def settle(self, path: Path, weight: float, approaching: bool) -> Settled:
        """Repairs a path in context, then takes back what it does not need. approaching: without
        faults is enough, the tier need not be reached."""
        path = self._repair(path, weight, approaching)
        path = self._take_back(path, weight)
        return Settled(self.edits(path), self.passage_reading(self.build(path)))

    def _troubled(self, reading: Reading) -> list[int]:
        """Columns with faults or excess, worst first."""
        worst = []
        for at, (low, high) in enumerate(self.spans):
            _, faults, over = reading.over(low - self.first, high - self.first)
            weight = penalty(faults, over, self.numbers)
            if weight > 1e-9:
                worst.append((-weight, at))
        return [at for _, at in sorted(worst)]

    def _repair(self, path: Path, weight: float, approaching: bool) -> Path:
        for _ in range(self.numbers.rounds):
            if self.out_of_time():
                return path
            reading = self.passage_reading(self.build(path))
            trouble = self._troubled(reading)
            if reading.within or not trouble or (approaching and not reading.faults):
                return path
            before = path
            for at in trouble:
                path = self._exchange(path, at, weight)
            if path == before and not self._regrow(path, trouble):
                return path
        return path

    def _cost(self, path: Path, low: int, high: int, weight: float) -> float:
        """Penalty, distance and weighted difficulty of columns low..high, read in context."""
        first = self.spans[max(0, low - 1)][0]
        last = self.spans[min(len(self.spans) - 1, high + 1)][1]
        part = self.build(path)
        around = max(0, first - 1), min(len(part.bars) - 1, last + 1)
        reading = self._read(part, *around, first, last)
        total = 0.0
        for at in range(max(0, low - 1), min(len(self.spans) - 1, high + 1) + 1):
            start, end = self.spans[at]
            difficulty, faults, over = reading.over(start - first, end - first)
            total += penalty(faults, over, self.numbers)
            total += effort(self.variants[at][path[at]], self.numbers) + weight * difficulty / 100.0
        return total

    def _exchange(self, path: Path, at: int, weight: float) -> Path:
        """The best variant of one column among its neighbours as they stand."""
        column = self.variants[at]
        order = sorted(
            range(len(column)),
            key=lambda i: (
                penalty(column[i].faults, column[i].excess, self.numbers)
                + effort(column[i], self.numbers),
                i,
            ),
        )
        best, best_cost = path, self._cost(path, at, at, weight)
        for n, i in enumerate(order):
            if i == path[at] or self.out_of_time():
                continue
            if n >= self.numbers.trials * (3 if best_cost >= self.numbers.fault else 1):
                break  # more is tried while there is a fault left to mend
            tried = (*path[:at], i, *path[at + 1 :])
            cost = self._cost(tried, at, at, weight)
            if cost < best_cost - 1e-9:
                best, best_cost = tried, cost
        return best

    def _regrow(self, path: Path, trouble: list[int]) -> bool:
        """Grows the troubled columns anew among their real neighbours, each a few times at most;
        True if any variant was new."""
        grown = False
        for at in trouble:
            if self._regrown.get(at, 0) >= self.numbers.regrowths or self.out_of_time():
                continue
            self._regrown[at] = self._regrown.get(at, 0) + 1
            neighbours = tuple(0 if i == at else choice for i, choice in enumerate(path))
            low, high = self.spans[at]
            column = column_of(
                self.build(neighbours), low, high, self.numbers.context_beats, self.edges
            )
            fresh, tally = self.grow(column)
            self.tally.add(tally)
            for variant in fresh:
                grown |= self._add(at, lifted(variant, low))[1]
        return grown

    def _add(self, at: int, variant: Variant) -> tuple[int, bool]:
        """Index of a variant in its column, and whether it is new there."""
        for i, known in enumerate(self.variants[at]):
            if known.ids == variant.ids:
                return i, False
        self.variants[at].append(variant)
        return len(self.variants[at]) - 1, True

    def _take_back(self, path: Path, weight: float) -> Path:
        """Undoes or softens changes that do not pay for their distance, the largest first: a
        column goes back to a nearer variant, or loses single steps."""
        order = sorted(
            range(len(path)), key=lambda at: (-self.variants[at][path[at]].distance, at)
        )
        for at in order:
            column = self.variants[at]
            far = column[path[at]].distance
            nearer = [i for i in range(len(column)) if column[i].distance < far]
            nearer.sort(key=lambda i, c=column: (c[i].distance, i))  # type: ignore[misc]
            for i in nearer[: self.numbers.width]:
                better = self._if_better(path, at, i, weight)
                if better is not None:
                    path = better
                    break
            path = self._drop_steps(path, at, weight)
        return path

    def _drop_steps(self, path: Path, at: int, weight: float) -> Path:
        """Leaves out the column's edits one by one, the last first, where that is better."""
        for i in reversed(range(len(self.variants[at][path[at]].edits))):
            edits = self.variants[at][path[at]].edits
            if len(edits) < 2 or i >= len(edits):
                continue
            shorter = self._variant(at, edits[:i] + edits[i + 1 :])
            if shorter is None:
                continue
            known = len(self.variants[at])
            index, new = self._add(at, shorter)
            better = self._if_better(path, at, index, weight)
            if better is not None:
                path = better
            elif new:
                del self.variants[at][known:]
        return path

    def _if_better(self, path: Path, at: int, choice: int, weight: float) -> Path | None:
        """The path with another variant in a column, if it costs less in context."""
        if self.out_of_time() or choice == path[at]:
            return None
        tried = (*path[:at], choice, *path[at + 1 :])
        gain = self._cost(path, at, at, weight) - self._cost(tried, at, at, weight)
        return tried if gain > 1e-9 else None

    def _variant(self, at: int, edits: tuple[Edit, ...]) -> Variant | None:
        """A variant made of these edits, told in bars of the whole part; None if they do not
        apply without the others or break a promise. Only its distance is known."""
        low, high = self.spans[at]
        try:
            part = self.part.apply_all(edits)
        except EditError:
            return None
        before, after = Passage(self.part, low, high), Passage(part, low, high)
        if broken_promises(before, after, self.keeps):
            return None
        ids = frozenset(note.id for note in after.notes)
        return Variant(edits, low, part, ids, distance(before, after).total, 0.0, 0, 0.0)

def lifted(variant: Variant, first: int) -> Variant:
    """A column's variant with its edits told in bars of the whole part (`first`: the index there
    of the column's first bar)."""
    shift = first - variant.at
    if not shift:
        return variant
    edits = tuple(moved(edit, shift) for edit in variant.edits)
    return replace(variant, edits=edits, at=first)


def moved(edit: Edit, bars: int) -> Edit:
    """The edit told in bar indices that are `bars` higher (ticks and ids stay)."""
    return replace(edit, add=tuple(replace(note, bar=note.bar + bars) for note in edit.add))
