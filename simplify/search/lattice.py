"""The lattice of a passage: columns of variants, and the best paths through it.

A path takes one variant per column. What a column asks for depends on what stands beside it (the
pedals to be set, where the hands come from), so its cost hangs on three variants: its own and those
of its neighbours. A shortest path over pairs of neighbouring choices is exact for such costs. They
are not known beforehand: the shortest path is read as a whole, in one performance of the passage,
what that says of its columns replaces what was guessed, and so on until the shortest path is one
that has been read (after the lazy shortest path of Dellin & Srinivasa 2016, A Unifying Formalism
for Shortest Path Problems with Expensive Edge Evaluations). The guess for a variant is the mean of
its readings so far; before the first, its reading among the original neighbours.

A settled path is then softened: the rules of a tier speak of the whole passage (bursts, length), so
columns go back to nearer variants, and lose single steps, as long as the passage stays within them.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from simplify.distance import distance
from simplify.errors import EditError
from simplify.harp.player import Player
from simplify.score.model import Edit, NoteId, Part, Passage
from simplify.search.reading import Reading, read_bars
from simplify.search.settings import SearchSettings
from simplify.search.variants import Column, Tally, Variant, column_of, effort, penalty
from simplify.sense import slips
from simplify.strategy import Keeps, broken_promises

Floats = npt.NDArray[np.float64]

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
class Weights:
    """What a path is chosen for. difficulty: distance worth a whole unit of it; excess: distance
    worth a unit of excess; shunned: strategies that cost `shun` more in every column."""

    difficulty: float
    excess: float
    shunned: frozenset[str] = frozenset()
    shun: float = 0.0


@dataclass(frozen=True, slots=True)
class Settled:
    """A path: its edits, in an order in which they apply, and its reading column by column."""

    edits: tuple[Edit, ...]
    reading: Reading


class _Table:
    """One column's (faults, excess, difficulty) by (left, own, right) variant, and which of them
    have been read (mutable)."""

    def __init__(self, shape: tuple[int, int, int], guesses: Floats) -> None:
        self.values: Floats = np.repeat(
            np.repeat(guesses[None, :, None, :], shape[0], axis=0), shape[2], axis=2
        )
        self.known = np.zeros(shape, dtype=bool)

    def learn(self, where: tuple[list[int], int, list[int]], row: Sequence[float]) -> None:
        """Notes down a reading of a variant beside some left and right ones."""
        lefts, own, rights = where
        spot = np.ix_(lefts, [own], rights)
        self.values[spot] = row
        self.known[spot] = True
        known = self.known[:, own]
        self.values[:, own][~known] = self.values[:, own][known].mean(axis=0)


class Lattice:
    """Columns and variants of one passage (mutable: readings and new variants are kept)."""

    def __init__(
        self,
        part: Part,
        first: int,
        last: int,
        player: Player,
        numbers: SearchSettings,
        spans: Sequence[tuple[int, int]],
        variants: Sequence[tuple[Variant, ...]],
        keeps: Keeps,
        until: float | None,
    ) -> None:
        self.part, self.first, self.last = part, first, last
        self.player, self.numbers, self.keeps, self.until = player, numbers, keeps, until
        self.spans = tuple(spans)
        self.edges = part.bars[first].onset, part.bars[last].end
        self.variants = [
            [lifted(v, span[0]) for v in column]
            for column, span in zip(variants, self.spans, strict=True)
        ]
        self.tally = Tally()
        self._readings: dict[Path, Reading] = {}
        self._tables: dict[int, _Table] = {}
        self._edges: dict[tuple[int, int, int], frozenset[NoteId]] = {}

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

    def effort(self, path: Path) -> float:
        """Distance and steps of all columns together."""
        return sum(
            effort(column[at], self.numbers) for column, at in zip(self.variants, path, strict=True)
        )

    def build(self, path: Path) -> Part:
        """The whole part with the path's edits applied."""
        return self.part.apply_all(self.edits(path))

    def read(self, path: Path) -> Reading:
        """The passage's bars in a path, read with a bar of context on both sides."""
        if path not in self._readings:
            reading = self.passage_reading(self.build(path))
            self._readings[path] = reading
            for at in range(len(path)):
                self._learn(self._table(at), path, at)
        return self._readings[path]

    def passage_reading(self, part: Part) -> Reading:
        """The passage's bars in a version of the part, with a bar of context on both sides."""
        low, high = max(0, self.first - 1), min(len(part.bars) - 1, self.last + 1)
        self.tally.readings += 1
        return read_bars(
            part.window(low, high), self.player, self.first - low, self.last - low, self.edges
        )

    # What is known of a column beside its neighbours

    def _edge(self, at: int, choice: int, side: int) -> frozenset[NoteId]:
        """Notes of a column's variant next to its neighbour on the right (side 1) or on the left
        (-1): those within the context beats of the bar line. Variants that share them are one
        variant to the neighbour."""
        key = (at, choice, side)
        if key not in self._edges:
            low, high = self.spans[at]
            row = self.variants[at][choice].rows[-1 if side > 0 else 0]
            bar = self.part.bars[high if side > 0 else low]
            reach = self.numbers.context_beats * bar.pulse_ticks
            self._edges[key] = frozenset(
                note.id
                for note in row
                if (note.onset >= bar.end - reach if side > 0 else note.onset < bar.onset + reach)
            )
        return self._edges[key]

    def _alike(self, at: int, choice: int, side: int) -> list[int]:
        """The variants of a column that are the same to its neighbour; [0] beyond the ends."""
        if not 0 <= at < len(self.variants):
            return [0]
        edge = self._edge(at, choice, side)
        return [i for i in range(len(self.variants[at])) if self._edge(at, i, side) == edge]

    def _table(self, at: int) -> _Table:
        """The column's costs as known; made anew when a variant has come in."""
        sizes = [len(column) for column in self.variants]
        shape = (
            sizes[at - 1] if at else 1, sizes[at], sizes[at + 1] if at + 1 < len(sizes) else 1
        )
        table = self._tables.get(at)
        if table is None or table.known.shape != shape:
            guesses = [(v.faults, v.excess, v.difficulty) for v in self.variants[at]]
            table = _Table(shape, np.array(guesses, dtype=np.float64))
            self._tables[at] = table
            for path in self._readings:
                self._learn(table, path, at)
        return table

    def _learn(self, table: _Table, path: Path, at: int) -> None:
        difficulty, faults, over = self._readings[path].over(*self._inside(at))
        lefts = self._alike(at - 1, path[at - 1], 1)
        rights = self._alike(at + 1, path[(at + 1) % len(path)], -1)
        table.learn((lefts, path[at], rights), (faults, over, difficulty))

    def _inside(self, at: int) -> tuple[int, int]:
        """First and last bar of a column, counted from the passage's first."""
        low, high = self.spans[at]
        return low - self.first, high - self.first

    # Shortest paths

    def _costs(self, at: int, weights: Weights) -> Floats:
        own = [
            effort(v, self.numbers) + weights.shun * len(v.kinds & weights.shunned)
            for v in self.variants[at]
        ]
        each = np.array([self.numbers.fault, weights.excess, weights.difficulty / 100.0])
        costs: Floats = self._table(at).values @ each + np.array(own)[None, :, None]
        return costs

    def shortest(self, weights: Weights) -> Path:
        """The path of least cost as far as costs are known."""
        count = len(self.variants)
        costs = [self._costs(at, weights) for at in range(count)]
        if count == 1:
            return (int(costs[0][0, :, 0].argmin()),)
        best = costs[0][0]  # (variant of the column before, variant of this one)
        back: list[npt.NDArray[np.int64]] = []
        for at in range(1, count):
            total = best[:, :, None] + costs[at]
            back.append(total.argmin(axis=0))
            best = total.min(axis=0)
        # best: (variant of the last column, 1)
        path = [int(best[:, 0].argmin())]
        nxt = 0
        for table in reversed(back):
            before = int(table[path[0], nxt])
            nxt = path[0]
            path.insert(0, before)
        return tuple(path)

    def settle(self, weights: Weights) -> Path:
        """The shortest path for these weights; the best of those that were read when the rounds
        are over."""
        tried: list[Path] = []
        for _ in range(self.numbers.rounds):
            path = self.shortest(weights)
            known = path in self._readings
            tried.append(path)
            self.read(path)
            if known or self.out_of_time():
                break
        return min(tried, key=lambda p: (self.cost(p, weights), p))

    def cost(self, path: Path, weights: Weights) -> float:
        """What `shortest` minimises, for a path as it reads."""
        reading, total = self.read(path), 0.0
        for at, choice in enumerate(path):
            variant = self.variants[at][choice]
            difficulty, faults, over = reading.over(*self._inside(at))
            total += self.numbers.fault * faults + weights.excess * over
            total += weights.difficulty / 100.0 * difficulty
            total += effort(variant, self.numbers)
            total += weights.shun * len(variant.kinds & weights.shunned)
        return total

    # Softening

    def soften(self, path: Path) -> Path:
        """Goes back towards the original, column by column, as long as the passage stays within
        the rules."""
        moved = True
        while moved and not self.out_of_time():
            moved = False
            for at, choice in self._nearer(path):
                if effort(self.variants[at][choice], self.numbers) >= effort(
                    self.variants[at][path[at]], self.numbers
                ):
                    continue
                tried = (*path[:at], choice, *path[at + 1 :])
                if self._within(tried, at, path):
                    path, moved = tried, True
                if self.out_of_time():
                    break
        return path

    def _within(self, path: Path, at: int, before: Path) -> bool:
        """Whether a path that differs from one that is within in one column is within too: judged
        by what is known of that column, and only if that gives hope by reading the passage."""
        if path not in self._readings:
            left = path[at - 1] if at else 0
            right = path[at + 1] if at + 1 < len(path) else 0
            faults, over, _ = self._table(at).values[left, path[at], right]
            _, _, now = self._readings[before].over(*self._inside(at))
            if faults > 0.5 or over > now + self.numbers.hope:
                return False
        return self.read(path).within

    def _nearer(self, path: Path) -> list[tuple[int, int]]:
        """(column, variant) that need less effort than the path's, the best bargain first: effort
        saved for difficulty gained."""
        found = []
        for at, choice in enumerate(path):
            now = self.variants[at][choice]
            for i, variant in enumerate(self.variants[at]):
                saved = effort(now, self.numbers) - effort(variant, self.numbers)
                if saved > 1e-9 and variant.faults <= now.faults:
                    price = max(variant.difficulty - now.difficulty, 0.0) + 1.0
                    found.append((-saved / price, at, i))
        return [(at, i) for _, at, i in sorted(found)]

    def drop_steps(self, path: Path) -> Path:
        """Leaves out single edits, the last of each column first, where the passage stays within
        the rules."""
        for at in range(len(path)):
            for i in reversed(range(len(self.variants[at][path[at]].edits))):
                variant = self.variants[at][path[at]]
                if i >= len(variant.edits) or self.out_of_time():
                    continue
                shorter = self._variant(at, variant.edits[:i] + variant.edits[i + 1 :], variant)
                if shorter is None or effort(shorter, self.numbers) >= effort(
                    variant, self.numbers
                ):
                    continue
                tried = (*path[:at], self._add(at, shorter), *path[at + 1 :])
                if self._within(tried, at, path):
                    path = tried
        return path

    def _variant(self, at: int, edits: tuple[Edit, ...], like: Variant) -> Variant | None:
        """A variant made of these edits, taken to read like another until it is read itself; None
        if they do not apply without the others or break a promise."""
        low, high = self.spans[at]
        try:
            part = self.part.apply_all(edits)
        except EditError:
            return None
        before, after = Passage(self.part, low, high), Passage(part, low, high)
        if broken_promises(before, after, self.keeps):
            return None
        ids = frozenset(note.id for note in after.notes)
        far, made = distance(before, after).total, len(slips(before, after))
        return Variant(edits, low, part.notes_by_bar[low : high + 1], ids, far, made, like.bars)

    def _add(self, at: int, variant: Variant) -> int:
        """Index of a variant in its column, where it is put if it is new."""
        for i, known in enumerate(self.variants[at]):
            if known.ids == variant.ids:
                return i
        self.variants[at].append(variant)
        return len(self.variants[at]) - 1

    # Growing anew

    def over(self, path: Path) -> list[int]:
        """Columns of a path that was read which have faults or excess."""
        reading = self.read(path)
        found = []
        for at in range(len(path)):
            _, faults, over = reading.over(*self._inside(at))
            if penalty(faults, over, self.numbers) > 1e-9:
                found.append(at)
        return found

    def changed(self, path: Path) -> list[int]:
        """Columns that a path changes."""
        return [at for at, choice in enumerate(path) if self.variants[at][choice].edits]

    def regrow(self, path: Path, grow: Grow, columns: Sequence[int]) -> bool:
        """Grows columns anew among their neighbours as a path has them; True if any variant was
        new."""
        grown = False
        for at in columns:
            if self.out_of_time():
                break
            neighbours = tuple(0 if i == at else choice for i, choice in enumerate(path))
            low, high = self.spans[at]
            column = column_of(
                self.build(neighbours), low, high, self.numbers.context_beats, self.edges
            )
            fresh, tally = grow(column)
            self.tally.add(tally)
            for variant in fresh:
                known = len(self.variants[at])
                grown |= self._add(at, lifted(variant, low)) == known
        return grown


def lifted(variant: Variant, first: int) -> Variant:
    """A column's variant told in bars of the whole part (`first`: the index there of the column's
    first bar)."""
    shift = first - variant.at
    if not shift:
        return variant
    edits = tuple(moved(edit, shift) for edit in variant.edits)
    rows = tuple(
        tuple(replace(note, bar=note.bar + shift) for note in row) for row in variant.rows
    )
    return replace(variant, edits=edits, rows=rows, at=first)


def moved(edit: Edit, bars: int) -> Edit:
    """The edit told in bar indices that are `bars` higher (ticks and ids stay)."""
    return replace(edit, add=tuple(replace(note, bar=note.bar + bars) for note in edit.add))
