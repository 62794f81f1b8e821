"""The lattice of a passage: columns of variants, and the best paths through it.

A path takes one variant per column. What a column asks for depends on what stands beside it (the
pedals to be set, where the hands come from), so its cost hangs on three variants: its own and those
of its neighbours. A shortest path over pairs of neighbouring choices is exact for such costs; they
are read lazily, only where a path that looks best so far goes through (after the lazy shortest path
of Dellin & Srinivasa 2016, A Unifying Formalism for Shortest Path Problems with Expensive Edge
Evaluations): the reading of a variant among the original neighbours stands in until then.

A settled path is then softened: the rules of a tier speak of the whole passage (bursts, length), so
columns go back to nearer variants, and lose single steps, as long as the passage stays within them.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from simplify.difficulty.load import Assessment, BarLoad, verdict
from simplify.difficulty.load import read_bars as sustained_reading
from simplify.distance import distance
from simplify.errors import EditError
from simplify.harp.player import Player
from simplify.score.model import Edit, Note, NoteId, Part, Passage
from simplify.search.reading import BarReading, Reading, read_bars
from simplify.search.settings import SearchSettings
from simplify.search.variants import Column, Tally, Variant, column_of, effort, penalty
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


@dataclass(slots=True)
class _Table:
    """One column's costs by (left, own, right) variant, as far as they are known."""

    faults: Floats
    excess: Floats
    difficulty: Floats


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
        self.columns = [
            column_of(part, low, high, numbers.context_beats, self.edges)
            for low, high in self.spans
        ]
        self.tally = Tally()
        self._readings: dict[tuple[int, frozenset[NoteId]], tuple[BarReading, ...]] = {}
        self._whole: dict[Path, Reading] = {}
        self._tables: dict[int, _Table] = {}
        self._beside: dict[tuple[int, int, int], tuple[Note, ...]] = {}

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

    # Reading one column among its neighbours

    def _edge_notes(self, at: int, choice: int, side: int) -> tuple[Note, ...]:
        """Notes of a column's variant that its neighbour on the right (side 1) or on the left
        (-1) sees: those within the context beats of the bar line, with whole-part bars."""
        key = (at, choice, side)
        if key not in self._beside:
            low, high = self.spans[at]
            variant, beats = self.variants[at][choice], self.numbers.context_beats
            bar = self.part.bars[high if side > 0 else low]
            edge = bar.end - beats * bar.pulse_ticks
            other = bar.onset + beats * bar.pulse_ticks
            row = variant.rows[-1 if side > 0 else 0]
            self._beside[key] = tuple(
                note
                for note in row
                if (note.onset >= edge if side > 0 else note.onset < other)
            )
        return self._beside[key]

    def _around(self, path: Path, at: int) -> tuple[tuple[Note, ...], tuple[Note, ...]]:
        """What stands to the left and to the right of a column in a path."""
        left = self._edge_notes(at - 1, path[at - 1], 1) if at else ()
        right = self._edge_notes(at + 1, path[at + 1], -1) if at + 1 < len(path) else ()
        return left, right

    def _key(
        self, at: int, left: Sequence[Note], choice: int, right: Sequence[Note]
    ) -> tuple[int, frozenset[NoteId]]:
        ids = self.variants[at][choice].ids
        return at, ids.union([n.id for n in left], [n.id for n in right])

    def bars_of(self, path: Path, at: int) -> tuple[BarReading, ...]:
        """The bars of a column as they read in a path; each content is read once."""
        left, right = self._around(path, at)
        key = self._key(at, left, path[at], right)
        if key not in self._readings:
            column, variant = self.columns[at], self.variants[at][path[at]]
            shift = column.at - self.spans[at][0]
            source = column.part.notes_by_bar
            table: list[tuple[Note, ...]] = list(source)
            if at and column.at:
                table[0] = _rebarred(left, shift)
            if at + 1 < len(path) and column.last_at + 1 < len(source):
                table[column.last_at + 1] = _rebarred(right, shift)
            for i, row in enumerate(variant.rows):
                table[column.at + i] = _rebarred(row, shift)
            part = replace(column.part, notes=tuple(note for row in table for note in row))
            self._readings[key] = read_bars(
                part, self.player, column.at, column.last_at, self.edges
            ).bars
            self.tally.readings += 1
        return self._readings[key]

    def guess(self, path: Path) -> Reading:
        """The passage put together from its columns, each read among its neighbours."""
        rows = tuple(bar for at in range(len(path)) for bar in self.bars_of(path, at))
        return put_together(rows, self.player)

    def read(self, path: Path) -> Reading:
        """The passage of a path read at once; what it says of each column takes the place of what
        the column said among its neighbours alone (pedals reach further than a neighbour)."""
        if path not in self._whole:
            reading = self.passage_reading(self.build(path))
            self._whole[path] = reading
            for at, (low, high) in enumerate(self.spans):
                bars = reading.bars[low - self.first : high - self.first + 1]
                self._learn(path, at, bars)
        return self._whole[path]

    def passage_reading(self, part: Part) -> Reading:
        """The passage's bars read at once, with a bar of context on both sides."""
        low, high = max(0, self.first - 1), min(len(part.bars) - 1, self.last + 1)
        self.tally.readings += 1
        return read_bars(
            part.window(low, high), self.player, self.first - low, self.last - low, self.edges
        )

    # Shortest paths

    def _table(self, at: int) -> _Table:
        """The column's costs as known; what is not known stands as read among the original."""
        known = self._tables.get(at)
        column = self.variants[at]
        lefts = len(self.variants[at - 1]) if at else 1
        rights = len(self.variants[at + 1]) if at + 1 < len(self.variants) else 1
        shape = (lefts, len(column), rights)
        if known is None or known.faults.shape != shape:
            rows = [(v.faults, v.excess, v.difficulty) for v in column]
            known = _Table(
                *(
                    np.broadcast_to(
                        np.array([row[k] for row in rows], dtype=np.float64)[None, :, None], shape
                    ).copy()
                    for k in range(3)
                )
            )
            self._tables[at] = known
            for left in range(lefts):
                for own in range(len(column)):
                    for right in range(rights):
                        self._note_down(known, at, left, own, right)
        return known

    def _note_down(self, table: _Table, at: int, left: int, own: int, right: int) -> None:
        beside = (
            self._edge_notes(at - 1, left, 1) if at else (),
            self._edge_notes(at + 1, right, -1) if at + 1 < len(self.variants) else (),
        )
        bars = self._readings.get(self._key(at, beside[0], own, beside[1]))
        if bars is not None:
            table.faults[left, own, right] = sum(bar.faults for bar in bars)
            table.excess[left, own, right] = sum(bar.excess for bar in bars)
            table.difficulty[left, own, right] = sum(b.difficulty for b in bars) / len(bars)

    def _learn(self, path: Path, at: int, bars: tuple[BarReading, ...]) -> None:
        """Notes down what a column of a path reads as, for all paths that are the same there."""
        left, right = self._around(path, at)
        self._readings[self._key(at, left, path[at], right)] = bars
        table = self._table(at)
        ids_left, ids_right = {n.id for n in left}, {n.id for n in right}
        for i in range(table.faults.shape[0]):
            if at and {n.id for n in self._edge_notes(at - 1, i, 1)} != ids_left:
                continue
            for k in range(table.faults.shape[2]):
                last = at + 1 == len(path)
                if last or {n.id for n in self._edge_notes(at + 1, k, -1)} == ids_right:
                    self._note_down(table, at, i, path[at], k)

    def _look(self, path: Path) -> bool:
        """Reads the columns that a path goes through; True if anything was new."""
        new = False
        for at in range(len(path)):
            if self.out_of_time():
                return False
            left, right = self._around(path, at)
            if self._key(at, left, path[at], right) not in self._readings:
                new = True
                self._learn(path, at, self.bars_of(path, at))
        return new

    def _costs(self, at: int, weights: Weights) -> Floats:
        table, column = self._table(at), self.variants[at]
        own = np.array(
            [
                effort(v, self.numbers) + weights.shun * len(v.kinds & weights.shunned)
                for v in column
            ]
        )
        costs: Floats = (
            self.numbers.fault * table.faults
            + weights.excess * table.excess
            + weights.difficulty / 100.0 * table.difficulty
            + own[None, :, None]
        )
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
        """The shortest path for these weights, read as a whole; the best of those that were read
        when the rounds are over."""
        seen: list[Path] = []
        for _ in range(self.numbers.rounds):
            path = self.shortest(weights)
            if path in self._whole:
                seen.append(path)
                break
            if self.out_of_time() and seen:
                break
            if not self._look(path):
                self.read(path)
                seen.append(path)
        else:
            self.read(path)
            seen.append(path)
        return min(seen, key=lambda p: (self.cost(p, weights), p))

    def cost(self, path: Path, weights: Weights) -> float:
        """What `shortest` minimises, for a path as it reads."""
        reading, total = self.read(path), 0.0
        for at, choice in enumerate(path):
            variant = self.variants[at][choice]
            low, high = (bar - self.first for bar in self.spans[at])
            difficulty, faults, over = reading.over(low, high)
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
                if self._within(tried, at):
                    path, moved = tried, True
                if self.out_of_time():
                    break
        return path

    def _within(self, path: Path, at: int) -> bool:
        """Whether a path is within the rules: judged by what is known of its columns, then with
        its changed column read, then as a whole."""
        if path in self._whole:
            return self._whole[path].within
        rows = tuple(
            bar
            for k, choice in enumerate(path)
            for bar in (self._known(path, k) or self.variants[k][choice].bars)
        )
        if not put_together(rows, self.player).within:
            return False
        if self._known(path, at) is None and not self.guess(path).within:
            return False
        return self.read(path).within

    def _known(self, path: Path, at: int) -> tuple[BarReading, ...] | None:
        """A column as read in the path, if it has been."""
        left, right = self._around(path, at)
        return self._readings.get(self._key(at, left, path[at], right))

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
                if self._within(tried, at):
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
        far = distance(before, after).total
        return Variant(edits, low, part.notes_by_bar[low : high + 1], ids, far, like.bars)

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
        for at, span in enumerate(self.spans):
            _, faults, over = reading.over(*(bar - self.first for bar in span))
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


def put_together(rows: tuple[BarReading, ...], player: Player) -> Reading:
    """The reading of a passage from those of its bars."""
    bars = tuple(
        BarLoad(i, str(i), row.layers, row.difficulty)  # type: ignore[arg-type]
        for i, row in enumerate(rows)
    )
    layers, difficulty = sustained_reading(bars)
    faultless = not any(row.faults for row in rows)
    within = faultless and verdict(
        Assessment((), (), bars, layers, difficulty), player.rules
    ).within
    return Reading(difficulty, layers, rows, within)


def _rebarred(notes: Sequence[Note], shift: int) -> tuple[Note, ...]:
    return tuple(replace(note, bar=note.bar + shift) for note in notes)


def lifted(variant: Variant, first: int) -> Variant:
    """A column's variant told in bars of the whole part (`first`: the index there of the column's
    first bar)."""
    shift = first - variant.at
    if not shift:
        return variant
    edits = tuple(moved(edit, shift) for edit in variant.edits)
    rows = tuple(_rebarred(row, shift) for row in variant.rows)
    return replace(variant, edits=edits, rows=rows, at=first)


def moved(edit: Edit, bars: int) -> Edit:
    """The edit told in bar indices that are `bars` higher (ticks and ids stay)."""
    return replace(edit, add=tuple(replace(note, bar=note.bar + bars) for note in edit.add))
