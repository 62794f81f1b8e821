"""The lattice of a passage: columns of variants, paths through it, and their repair in context.

A path takes one variant per column. Columns are grown apart, each with a little of its neighbours;
what crosses the cut (pedals, hand positions, the stacking over several bars) is read afterwards on
the real neighbours: a path is settled by exchanging variants where faults or excess remain, and by
taking changes back where they turn out not to be needed.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from simplify.harp.player import Player
from simplify.score.model import Edit, NoteId, Part
from simplify.search.reading import Reading, read_bars
from simplify.search.settings import SearchSettings
from simplify.search.variants import Column, Tally, Variant, column_of, penalty

Path = tuple[int, ...]
"""Index of the variant chosen in each column."""

Grow = Callable[[Column], tuple[tuple[Variant, ...], Tally]]


def cut_columns(part: Part, first: int, last: int, most: int) -> tuple[tuple[int, int], ...]:
    """(first, last) bar index of each column: bars that a tie joins go together, up to `most`."""
    tied = set()
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
    """A path after repair: its reading over the passage's bars."""

    path: Path
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
        until: float | None,
    ) -> None:
        self.part, self.first, self.last = part, first, last
        self.player, self.numbers = player, numbers
        self.spans = tuple(spans)
        self.variants = [
            [lifted(v, span[0]) for v in column]
            for column, span in zip(variants, self.spans, strict=True)
        ]
        self.grow, self.until = grow, until
        self.tally = Tally()
        self._readings: dict[tuple[int, int, int, frozenset[NoteId]], Reading] = {}
        self._regrown: set[tuple[int, Path]] = set()

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
        return apply_all(self.part, self.edits(path))

    def _read(self, part: Part, low: int, high: int, first: int, last: int) -> Reading:
        """Bars first..last read in the context of bars low..high; each content once."""
        ids = frozenset(n.id for row in part.notes_by_bar[low : high + 1] for n in row)
        key = (low, high, first, ids)
        if key not in self._readings:
            self._readings[key] = read_bars(
                part.window(low, high), self.player, first - low, last - low
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
                    + c[i].distance
                    + weight * c[i].difficulty / 100.0
                    + shun * len(c[i].kinds & shunned),
                    i,
                ),
            )
            for column in self.variants
        )

    def settle(self, path: Path, weight: float) -> Settled:
        """Repairs a path in context, then takes back what it does not need."""
        path = self._repair(path, weight)
        path = self._take_back(path, weight)
        return Settled(path, self.passage_reading(self.build(path)))

    def _troubled(self, reading: Reading) -> list[int]:
        """Columns with faults or excess, worst first."""
        worst = []
        for at, (low, high) in enumerate(self.spans):
            _, faults, over = reading.over(low - self.first, high - self.first)
            weight = penalty(faults, over, self.numbers)
            if weight > 1e-9:
                worst.append((-weight, at))
        return [at for _, at in sorted(worst)]

    def _repair(self, path: Path, weight: float) -> Path:
        for _ in range(self.numbers.rounds):
            if self.out_of_time():
                return path
            trouble = self._troubled(self.passage_reading(self.build(path)))
            if not trouble:
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
        reading = self._read(part, first, last, first, last)
        total = 0.0
        for at in range(max(0, low - 1), min(len(self.spans) - 1, high + 1) + 1):
            start, end = self.spans[at]
            difficulty, faults, over = reading.over(start - first, end - first)
            total += penalty(faults, over, self.numbers)
            total += self.variants[at][path[at]].distance + weight * difficulty / 100.0
        return total

    def _exchange(self, path: Path, at: int, weight: float) -> Path:
        """The best variant of one column among its neighbours as they stand."""
        column = self.variants[at]
        order = sorted(
            range(len(column)),
            key=lambda i: (
                penalty(column[i].faults, column[i].excess, self.numbers) + column[i].distance, i
            ),
        )
        best, best_cost = path, self._cost(path, at, at, weight)
        for i in order[: self.numbers.trials]:
            if i == path[at] or self.out_of_time():
                continue
            tried = (*path[:at], i, *path[at + 1 :])
            cost = self._cost(tried, at, at, weight)
            if cost < best_cost - 1e-9:
                best, best_cost = tried, cost
        return best

    def _regrow(self, path: Path, trouble: list[int]) -> bool:
        """Grows the troubled columns anew among their real neighbours; True if any was new."""
        grown = False
        for at in trouble:
            key = (at, path)
            if key in self._regrown or self.out_of_time():
                continue
            self._regrown.add(key)
            neighbours = tuple(0 if i == at else choice for i, choice in enumerate(path))
            low, high = self.spans[at]
            column = column_of(self.build(neighbours), low, high, self.numbers.context_beats)
            fresh, tally = self.grow(column)
            self.tally.add(tally)
            known = {v.ids for v in self.variants[at]}
            for variant in fresh:
                if variant.ids not in known:
                    self.variants[at].append(lifted(variant, low))
                    grown = True
        return grown

    def _take_back(self, path: Path, weight: float) -> Path:
        """Undoes or softens changes whose undoing costs nothing, the largest first."""
        order = sorted(
            range(len(path)), key=lambda at: (-self.variants[at][path[at]].distance, at)
        )
        for at in order:
            column = self.variants[at]
            now = self._cost(path, at, at, weight)
            far = column[path[at]].distance
            nearer = [i for i in range(len(column)) if column[i].distance < far]
            for i in sorted(nearer, key=lambda i: (column[i].distance, i))[: self.numbers.width]:
                if self.out_of_time():
                    return path
                tried = (*path[:at], i, *path[at + 1 :])
                if self._cost(tried, at, at, weight) < now - 1e-9:
                    path = tried
                    break
        return path


def lifted(variant: Variant, first: int) -> Variant:
    """A column's variant with its edits told in bars of the whole part (`first`: the index there
    of the column's first bar)."""
    shift = first - variant.at
    if not shift:
        return variant
    edits = tuple(
        replace(edit, add=tuple(replace(note, bar=note.bar + shift) for note in edit.add))
        for edit in variant.edits
    )
    return replace(variant, edits=edits, at=first)


def apply_all(part: Part, edits: Sequence[Edit]) -> Part:
    """The part with all edits applied in order."""
    for edit in edits:
        part = part.apply(edit)
    return part
