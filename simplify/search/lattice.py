"""The lattice of a passage: columns of variants, and the best paths through it.

A path takes one variant per column. What a column asks for depends on what stands beside it (the
pedals to be set, where the hands come from), so its cost hangs on three variants: its own and those
of its neighbours. A shortest path over pairs of neighbouring choices is exact for such costs. They
are not known beforehand: the shortest path is read as a whole, in one performance of the passage,
what that says of its columns replaces what was guessed, and so on until the shortest path is one
that has been read (after the lazy shortest path of Dellin & Srinivasa 2016, A Unifying Formalism
for Shortest Path Problems with Expensive Edge Evaluations). The guess for a variant is its reading
when it was grown, moved by as much as whole readings differed from that so far.

A difficulty is the worst mean strain over bars in a row, so strain adds up over columns: distance
plus a multiple of it is what a shortest path weighs. The rules of a tier speak of the whole passage
(bursts, length), which no multiple meets exactly. So a path within the rules is softened: columns
go back to nearer variants, or one is eased so that another can go back, as long as the passage is
expected to stay within; what comes out is read, and what the reading says is learned.
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from simplify.difficulty.load import sustained
from simplify.distance import Distance, distance, masses
from simplify.errors import EditError
from simplify.harp.player import Player
from simplify.realise.edit import WRITE_ANEW
from simplify.score.model import Edit, NoteId, Part, Passage
from simplify.search.combine import Effect, MoveKey
from simplify.search.grow import Grown
from simplify.search.reading import BarReading, Reading, crossings, read_bars, written
from simplify.search.settings import SearchSettings
from simplify.search.variants import Column, Tally, Variant, Weights, column_of
from simplify.sense import Slip, slips
from simplify.strategy import Keeps, broken_promises

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

Path = tuple[int, ...]
"""Index of the variant chosen in each column."""

_Bargain = tuple[int, int, float, float]
"""Column, another variant of it, the effort that saves, the strain that adds."""

_Place = tuple[int, int, int, int]
"""A column and its own, left and right variant."""

_NOBODY: Ints = np.zeros(1, dtype=np.int64)
"""The one neighbour beyond the ends."""


def _at(path: Path, column: int, choice: int) -> Path:
    """The path with another choice in one column."""
    return (*path[:column], choice, *path[column + 1 :])


def _place(path: Path, at: int) -> _Place:
    """A column of a path among its neighbours (-1 beyond the ends)."""
    left, right = (-1, *path)[at], (*path, -1)[at + 1]
    return at, path[at], left, right


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
    """A path: its edits, in an order in which they apply, its reading, and what it makes of the
    music."""

    edits: tuple[Edit, ...]
    reading: Reading
    distance: Distance
    slips: tuple[Slip, ...]


@dataclass(frozen=True, slots=True)
class Way:
    """A path that comes from elsewhere: its variants, one a column (None: as written), and how it
    reads."""

    variants: tuple[Variant | None, ...]
    reading: Reading


class _Table:
    """One column's (faults, excess, strain) by (left, own, right) variant, and which of them have
    been read (mutable)."""

    def __init__(self, shape: tuple[int, int, int], guesses: Floats) -> None:
        self.guesses = guesses
        self._read: Floats = np.zeros((*shape, 3))
        self.known = np.zeros(shape, dtype=bool)
        self._fill: Floats | None = guesses
        self._least: Floats = np.full_like(guesses, np.inf)

    def copy(self) -> _Table:
        """The same, to be changed apart from it."""
        new = _Table(self.known.shape, self.guesses)
        new._read, new.known, new._fill = self._read.copy(), self.known.copy(), self._fill
        new._least = self._least.copy()
        return new

    def learn(self, where: tuple[Ints, int, Ints], row: Sequence[float]) -> None:
        """Notes down a reading of a variant beside some left and right ones."""
        lefts, own, rights = where
        self._read[lefts[:, None], own, rights[None, :]] = row
        self.known[lefts[:, None], own, rights[None, :]] = True
        self._least[own] = np.minimum(self._least[own], row)
        self._fill = None

    @property
    def fill(self) -> Floats:
        """Shape (own, 3): what a variant is expected to be beside neighbours that it was not read
        with: the least of its readings, since a neighbour that made it harder need not be there.
        Variants that were never read stay as they were grown, or better if what was read came out
        better: so each that promises to be best is read."""
        if self._fill is None:
            read = np.isfinite(self._least[:, 2])
            grown = float(self.guesses[read, 2].sum())
            ease = min(1.0, float(self._least[read, 2].sum()) / grown) if grown > 0.0 else 1.0
            scale = np.array([1.0, 1.0, ease])
            self._fill = np.where(read[:, None], self._least, self.guesses * scale)
        return self._fill

    def row(self, left: int, own: int, right: int) -> tuple[float, float, float]:
        """(faults, excess, strain) as far as known."""
        known = self.known[left, own, right]
        faults, excess, strain = (
            self._read[left, own, right] if known else self.fill[own]
        ).tolist()
        return faults, excess, strain

    def rows(self, left: int, right: int) -> Floats:
        """Shape (own, 3): the same of every variant between two neighbours."""
        known = self.known[left, :, right, None]
        rows: Floats = np.where(known, self._read[left, :, right], self.fill)
        return rows

    def costs(self, each: Floats, own: Floats) -> Floats:
        """Shape (left, own, right): `each` times (faults, excess, strain), plus what each variant
        costs by itself."""
        costs: Floats = np.empty(self.known.shape)
        costs[:] = (self.fill @ each + own)[None, :, None]
        lefts, owns, rights = np.nonzero(self.known)
        costs[lefts, owns, rights] = self._read[lefts, owns, rights] @ each + own[owns]
        return costs


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
        keeps: Keeps,
        until: float | None,
    ) -> None:
        self.part, self.first, self.last = part, first, last
        self.player, self.numbers, self.keeps, self.until = player, numbers, keeps, until
        self.spans = tuple(spans)
        self.counts = _counts(part, self.spans)
        self.effects: list[dict[MoveKey, Effect]] = [{} for _ in self.spans]
        self.tally = Tally()
        self._readings: dict[Path, Reading] = {}
        self._tables: dict[int, _Table] = {}
        self._classes: dict[tuple[int, int], tuple[Ints, ...]] = {}
        self._joined: dict[int, npt.NDArray[np.bool_]] = {}
        self._crossings: dict[tuple[int, frozenset[NoteId]], tuple[int, int]] = {}
        self._made: dict[tuple[int, frozenset[NoteId]], Variant | None] = {}
        self._written = written(part, player, first, last)
        reading = self.passage_reading(part)
        self.variants = [
            [self._as_written(low, high, reading.bars[low - first : high - first + 1])]
            for low, high in self.spans
        ]
        self.written: Path = (0,) * len(self.spans)
        self._readings[self.written] = reading

    def _as_written(self, low: int, high: int, bars: tuple[BarReading, ...]) -> Variant:
        rows = self.part.notes_by_bar[low : high + 1]
        ids = frozenset(note.id for row in rows for note in row)
        return Variant((), low, rows, ids, 0.0, 0, bars)

    def copy(self) -> Lattice:
        """The same, to be walked apart from it; counts begin at nothing."""
        new = Lattice.__new__(Lattice)
        new.__dict__.update(self.__dict__)
        new.variants = [list(column) for column in self.variants]
        new.tally = Tally()
        new._readings = dict(self._readings)
        new._tables = {at: table.copy() for at, table in self._tables.items()}
        new._classes = dict(self._classes)
        new._joined, new._made = dict(self._joined), {}
        return new

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
            self.effort_of(column[at]) for column, at in zip(self.variants, path, strict=True)
        )

    def _distance(self, path: Path) -> float:
        return sum(column[at].effort for column, at in zip(self.variants, path, strict=True))

    def effort_of(self, variant: Variant) -> float:
        """Distance and steps of one variant, and its slips."""
        numbers = self.numbers
        return (
            variant.effort + numbers.step * len(variant.edits) + numbers.slip * variant.slips
        )

    def build(self, path: Path) -> Part:
        """The whole part with the path's edits applied."""
        return self.part.apply_all(self.edits(path))

    def read(self, path: Path) -> Reading:
        """The passage's bars in a path."""
        if path not in self._readings:
            self._note(path, self.passage_reading(self.build(path)))
        return self._readings[path]

    def _note(self, path: Path, reading: Reading) -> None:
        self._readings[path] = reading
        for at in range(len(path)):
            self._learn(self._table(at), path, at)

    def passage_reading(self, part: Part) -> Reading:
        """The passage's bars in a version of the part, by themselves: what the bars around them ask
        of the player is not theirs. What goes wrong across the passage's edges is counted."""
        self.tally.readings += 1
        reading = read_bars(part.window(self.first, self.last), self.player)
        for side in (-1, 1):
            faults, joins = self._across(part, side)
            if faults or joins:
                reading = reading.burdened(0 if side < 0 else -1, faults, joins)
        return reading

    def _across(self, part: Part, side: int) -> tuple[int, int]:
        """(faults, joins) between the passage and the bar before (side -1) or after it (1); known
        from the notes of the passage's bar there."""
        bar = self.first if side < 0 else self.last
        key = side, frozenset(note.id for note in part.notes_by_bar[bar])
        if key not in self._crossings:
            faults, joins = crossings(
                part, self.player, self.first, self.last, side, self._written
            )
            self._crossings[key] = len(faults), len(joins)
        return self._crossings[key]

    def worth_showing(
        self, paths: Iterable[Path], read: Mapping[Path, Reading]
    ) -> list[Settled]:
        """These paths, and besides, of some that were read, those without a fault that no other is
        at least as near and as easy as."""
        kept = dict.fromkeys(paths)
        playable = sorted(
            (self._distance(p), r.difficulty, p)
            for p, r in read.items()
            if not r.faults
        )
        easiest = float("inf")
        for _, difficulty, path in playable:
            if difficulty < easiest:
                kept.setdefault(path)
                easiest = difficulty
        return [self._settled(path) for path in kept if any(path)]

    def _settled(self, path: Path) -> Settled:
        before = Passage(self.part, self.first, self.last)
        after = before.of(self.build(path))
        return Settled(
            self.edits(path), self.read(path), distance(before, after), slips(before, after)
        )

    # What is known of a column beside its neighbours

    def _edge(self, at: int, choice: int, side: int) -> frozenset[NoteId]:
        """Notes of a column's variant next to its neighbour on the right (side 1) or on the left
        (-1): those within the context beats of the bar line. Variants that share them are one
        variant to the neighbour."""
        low, high = self.spans[at]
        row = self.variants[at][choice].rows[-1 if side > 0 else 0]
        bar = self.part.bars[high if side > 0 else low]
        reach = self.numbers.context_beats * bar.pulse_ticks
        return frozenset(
            note.id
            for note in row
            if (note.onset >= bar.end - reach if side > 0 else note.onset < bar.onset + reach)
        )

    def _alike(self, at: int, choice: int, side: int) -> Ints:
        """The variants of a column that are the same to its neighbour; [0] beyond the ends."""
        if not 0 <= at < len(self.variants):
            return _NOBODY
        known = self._classes.get((at, side), ())
        if len(known) != len(self.variants[at]):
            groups: dict[frozenset[NoteId], list[int]] = {}
            edges = [self._edge(at, i, side) for i in range(len(self.variants[at]))]
            for i, edge in enumerate(edges):
                groups.setdefault(edge, []).append(i)
            rows = {edge: np.array(group) for edge, group in groups.items()}
            known = self._classes[at, side] = tuple([rows[edge] for edge in edges])
        return known[choice]

    def _table(self, at: int) -> _Table:
        """The column's costs as known; made anew when a variant has come in."""
        sizes = [len(column) for column in self.variants]
        shape = (
            sizes[at - 1] if at else 1, sizes[at], sizes[at + 1] if at + 1 < len(sizes) else 1
        )
        table = self._tables.get(at)
        if table is None or table.known.shape != shape:
            guesses = [(v.faults, v.excess, v.strain) for v in self.variants[at]]
            table = _Table(shape, np.array(guesses, dtype=np.float64))
            self._tables[at] = table
            for path in self._readings:
                self._learn(table, path, at)
        return table

    def _learn(self, table: _Table, path: Path, at: int) -> None:
        lefts = self._alike(at - 1, path[at - 1], 1)
        rights = self._alike(at + 1, path[(at + 1) % len(path)], -1)
        table.learn((lefts, path[at], rights), self._readings[path].over(*self.inside(at)))

    def inside(self, at: int) -> tuple[int, int]:
        """First and last bar of a column, counted from the passage's first."""
        low, high = self.spans[at]
        return low - self.first, high - self.first

    def _expected(self, path: Path, at: int) -> tuple[float, float, float]:
        """(faults, excess, strain) of a column in a path, as far as known."""
        left = path[at - 1] if at else 0
        right = path[at + 1] if at + 1 < len(path) else 0
        return self._table(at).row(left, path[at], right)

    def _is_known(self, path: Path, at: int) -> bool:
        """Whether a column has been read beside such neighbours."""
        left = path[at - 1] if at else 0
        right = path[at + 1] if at + 1 < len(path) else 0
        return bool(self._table(at).known[left, path[at], right])

    def _fits(self, at: int) -> npt.NDArray[np.bool_]:
        """Shape (variant of the column before, variant of this one): whether what one ties over the
        bar line the other takes up, or both are there as in the source."""
        lefts, owns = self.variants[at - 1], self.variants[at]
        known = self._joined.get(at)
        if known is None or known.shape != (len(lefts), len(owns)):
            outs, ins = [v.ties(1) for v in lefts], [v.ties(-1) for v in owns]
            known = np.array(
                [[a == b or (a == outs[0] and b == ins[0]) for b in ins] for a in outs]
            )
            self._joined[at] = known
        return known

    def fits(self, path: Path) -> bool:
        """True if every tie over an edge of a column has both ends."""
        return all(
            bool(self._fits(at)[path[at - 1], path[at]]) for at in range(1, len(path))
        )

    # Shortest paths

    def shortest(self, weights: Weights) -> Path:
        """The path of least cost as far as costs are known."""
        each = np.array([weights.fault, weights.excess, weights.strain])
        costs: list[Floats] = [
            self._table(at).costs(each, np.array([weights.effort(v) for v in column]))
            for at, column in enumerate(self.variants)
        ]
        if len(costs) == 1:
            return (int(costs[0][0, :, 0].argmin()),)
        best = costs[0][0]  # (variant of the column before, variant of this one)
        back: list[npt.NDArray[np.int64]] = []
        for at, own in enumerate(costs[1:], start=1):
            total = np.where(self._fits(at)[:, :, None], best[:, :, None] + own, np.inf)
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
        faults, over, strain = self.read(path).over(0, self.last - self.first)
        total = weights.fault * faults + weights.excess * over + weights.strain * strain
        return total + sum(
            weights.effort(column[at]) for column, at in zip(self.variants, path, strict=True)
        )

    def fill(self, most: int) -> None:
        """Reads up to `most` paths spread over the front from the nearest to the easiest, as each
        column is expected to read beside any neighbours. Shortest paths find the corners of the
        front only, this the places between them."""
        rows = np.zeros((1, 2))  # (distance, strain) of the columns so far, none beaten in both
        paths: list[Path] = [()]
        for at, column in enumerate(self.variants):
            expected = self._table(at).fill
            options = [i for i, row in enumerate(expected.tolist()) if row[0] <= 0.5]
            if not options:
                return
            own = np.array([[column[i].effort, expected[i, 2]] for i in options])
            every = (rows[:, None, :] + own[None, :, :]).reshape(-1, 2)
            order = np.lexsort((every[:, 1], every[:, 0]))
            least = np.minimum.accumulate(every[order, 1])
            ahead = np.concatenate(([True], least[1:] < least[:-1] - 1e-9))
            kept = _spread(every, order[ahead], 4 * most)
            paths = [(*paths[k // len(options)], options[k % len(options)]) for k in kept.tolist()]
            rows = every[kept]
        for k in _spread(rows, np.arange(len(rows)), most).tolist():
            if self.out_of_time():
                break
            if self.fits(paths[k]):
                self.read(paths[k])

    def ready(self, edits: Sequence[tuple[Edit, ...]], reading: Reading) -> Way | None:
        """What `enter` takes, of a path's edits, some for each column (none: as written), and of
        how it reads; None if it goes too far, an edit does not fit or a column breaks a promise."""
        try:
            whole = self.part.apply_all(edit for own in edits for edit in own)
        except EditError:
            return None
        variants: list[Variant | None] = []
        for at, ((low, high), own) in enumerate(zip(self.spans, edits, strict=True)):
            if not own:
                variants.append(None)
                continue
            rows = whole.notes_by_bar[low : high + 1]
            ids = frozenset(note.id for row in rows for note in row)
            if (at, ids) not in self._made:
                before, after = Passage(self.part, low, high), Passage(whole, low, high)
                first, last = self.inside(at)
                self._made[at, ids] = None if broken_promises(before, after, self.keeps) else (
                    Variant(
                        own, low, rows, ids, distance(before, after).counted(self.counts[at]),
                        len(slips(before, after)), reading.bars[first : last + 1],
                    )
                )
            variant = self._made[at, ids]
            if variant is None:
                return None
            variants.append(variant)
        far = sum(variant.effort for variant in variants if variant is not None)
        if far > self.numbers.distance * (self.last - self.first + 1):
            return None
        return Way(tuple(variants), reading)

    def enter(self, way: Way) -> Path:
        """The path of these variants, which are taken in, and its reading noted."""
        path: list[int] = []
        for column, variant in zip(self.variants, way.variants, strict=True):
            at = 0
            if variant is not None:
                at = next((i for i, v in enumerate(column) if v.ids == variant.ids), len(column))
                if at == len(column):
                    column.append(variant)
            path.append(at)
        self._readings.setdefault(tuple(path), way.reading)
        return tuple(path)

    def known(self) -> dict[Path, Reading]:
        """All that has been read."""
        return dict(self._readings)

    def learn(self, readings: Mapping[Path, Reading]) -> None:
        """Notes down what has been read elsewhere, as far as its variants are here."""
        for path, reading in readings.items():
            here = all(at < len(column) for at, column in zip(path, self.variants, strict=True))
            if here and path not in self._readings:
                self._note(path, reading)

    # Softening

    def soften(self, path: Path) -> Path:
        """A nearer path within the rules, from one that is within; every one that is taken on the
        way has been read. Where it comes out above the rules, the column to blame is barred from
        what it tried beside these neighbours, and the others are tried again."""
        barred: set[_Place] = set()
        for _ in range(self.numbers.softenings):
            if self.out_of_time():
                break
            tried = self._softer(path, barred)
            if tried is None:
                break
            if self.read(tried).within:
                path = tried
            else:
                moves = [at for at in range(len(path)) if path[at] != tried[at]]
                barred.add(_place(tried, self.to_blame(self.read(path), self.read(tried), moves)))
        return path

    def to_blame(self, before: Reading, after: Reading, moves: Sequence[int]) -> int:
        """Of the columns that were changed between two readings the one that did most harm: faults
        first, then excess, then strain, in its bars and the bars beside them."""

        def harm(at: int) -> tuple[float, float, float]:
            low, high = self.inside(at)
            low, high = max(0, low - 1), high + 1
            was, now = before.over(low, high), after.over(low, high)
            return now[0] - was[0], max(0.0, now[1] - was[1]), now[2] - was[2]

        return max(moves, key=lambda at: (harm(at), -at))

    def _softer(self, path: Path, barred: Set[_Place]) -> Path | None:
        """The path with the best bargains, no two in neighbouring columns, as long as it is
        expected to stay within the rules; if there is none, with one column taken back and another
        eased; None if nothing is left to try. barred: what was tried and came out above."""
        rows = [
            row for row in self._bargains(path) if _place(_at(path, *row[:2]), row[0]) not in barred
        ]
        nearer = [row for row in rows if row[2] > 1e-9]
        nearer.sort(key=lambda row: (-row[2] / (max(row[3], 0.0) + 0.05), row[0], row[1]))
        tried, taken = path, set[int]()
        for at, choice, _, _ in nearer:
            if taken & {at - 1, at, at + 1}:
                continue
            further = _at(tried, at, choice)
            if self._hopeful(further):
                tried = further
                taken.add(at)
        return tried if taken else self._one_for_another(path, rows, barred)

    def _bargains(self, path: Path) -> list[_Bargain]:
        """Every other choice in one column."""
        found = []
        for at, choice in enumerate(path):
            left = path[at - 1] if at else 0
            right = path[at + 1] if at + 1 < len(path) else 0
            values = self._table(at).rows(left, right).tolist()
            now, column = self.effort_of(self.variants[at][choice]), self.variants[at]
            for i, (faults, _, strain) in enumerate(values):
                if i != choice and faults <= 0.5:
                    saved, gained = now - self.effort_of(column[i]), strain - values[choice][2]
                    found.append((at, i, saved, gained))
        return found

    def _one_for_another(
        self, path: Path, rows: Sequence[_Bargain], barred: Set[_Place]
    ) -> Path | None:
        """One column back and another eased, where that saves effort."""
        if not rows:
            return None
        columns = np.array([row[0] for row in rows])
        saved, gained = np.array([row[2] for row in rows]), np.array([row[3] for row in rows])
        both = saved[:, None] + saved[None, :]
        fit = (both > self.numbers.step) & (columns[:, None] != columns[None, :])
        fit &= (saved[:, None] > 0.0) & (saved[None, :] <= 0.0) & (gained[None, :] < 0.0)
        fit &= gained[:, None] + gained[None, :] <= self._slack(path)
        backs, eases = np.nonzero(fit)
        order = np.argsort(-both[backs, eases], kind="stable")[: self.numbers.swaps]
        for i, j in zip(backs[order].tolist(), eases[order].tolist(), strict=True):
            (one, back, _, _), (other, eased, _, _) = rows[i], rows[j]
            tried = _at(_at(path, one, back), other, eased)
            if not {_place(tried, one), _place(tried, other)} & barred and self._hopeful(tried):
                return tried
        return None

    def _slack(self, path: Path) -> float:
        """Strain that could be added if it were spread as it pleases."""
        bars = self.last - self.first + 1
        return bars * 1.3 - sum(self._expected(path, at)[2] for at in range(len(path)))

    def _hopeful(self, path: Path) -> bool:
        """Whether the path is within the rules as it reads; if it was not read, whether it may be,
        as far as known of its columns: a little more strain than the rules take is worth a
        reading."""
        if path in self._readings:
            return self._readings[path].within
        if not self.fits(path):
            return False
        rules = self.player.rules
        over, strains = 0, []
        for at, (low, high) in enumerate(self.spans):
            faults, excess, strain = self._expected(path, at)
            bars = high - low + 1
            if faults > 0.5 or excess / bars > rules.burst_margin + 1e-6:
                return False
            over += bars if excess > 1e-6 else 0
            hope = self.numbers.surely if self._is_known(path, at) else self.numbers.hope
            strains += [strain / bars / hope] * bars
        bursts = rules.burst_bars * -(-len(strains) // 8)
        return over <= bursts and sustained(strains) <= 1.0

    def trim(self, path: Path) -> Path:
        """Softens once more, with variants to choose from that leave out single edits of the
        path's."""
        for at, choice in enumerate(path):
            variant = self.variants[at][choice]
            neighbours = self.column_beside(path, at)
            for i in range(len(variant.edits)):
                if self.out_of_time():
                    return path
                shorter = self._variant(at, variant.edits[:i] + variant.edits[i + 1 :], neighbours)
                if shorter is not None and self.effort_of(shorter) < self.effort_of(variant):
                    self._add(at, shorter)
        return self.soften(path)

    def _variant(self, at: int, edits: tuple[Edit, ...], column: Column) -> Variant | None:
        """A variant made of these edits, read in its column; None if they do not apply without the
        others or break a promise."""
        low, high = self.spans[at]
        shift = column.at - low
        try:
            whole = self.part.apply_all(edits)
            part = column.part.apply_all([moved(edit, shift) for edit in edits])
        except EditError:
            return None
        before, after = Passage(self.part, low, high), Passage(whole, low, high)
        if broken_promises(before, after, self.keeps):
            return None
        ids = frozenset(note.id for note in after.notes)
        if any(ids == known.ids for known in self.variants[at]):
            return None
        far = distance(before, after).counted(self.counts[at])
        made = len(slips(before, after))
        self.tally.readings += 1
        bars = read_bars(part, self.player, column.at, column.last_at).bars
        return Variant(edits, low, whole.notes_by_bar[low : high + 1], ids, far, made, bars)

    def _add(self, at: int, variant: Variant) -> bool:
        """Puts a variant into its column; False if it is there. Of two ways to the same notes the
        one that is easier to tell is kept: fewer steps, bars written anew last."""
        column = self.variants[at]
        for i, known in enumerate(column):
            if known.ids == variant.ids:
                if _telling(variant.edits) < _telling(known.edits):
                    column[i] = replace(known, edits=variant.edits)
                return False
        column.append(variant)
        return True

    # Growing anew

    def over(self, path: Path) -> list[int]:
        """Columns of a path that was read which have faults or excess."""
        reading = self.read(path)
        rows = [reading.over(*self.inside(at)) for at in range(len(path))]
        return [at for at, (faults, excess, _) in enumerate(rows) if faults or excess > 1e-9]

    def changed(self, path: Path) -> list[int]:
        """Columns that a path changes."""
        return [at for at, choice in enumerate(path) if self.variants[at][choice].edits]

    def column_beside(self, path: Path, at: int) -> Column:
        """A column as it was written, among its neighbours as a path has them."""
        neighbours = tuple(0 if i == at else choice for i, choice in enumerate(path))
        low, high = self.spans[at]
        return column_of(
            self.build(neighbours), low, high, (self.first, self.last), self.counts[at],
        )

    def asking(self, paths: Sequence[Path]) -> list[int]:
        """Columns that any of the paths changes, and those that are too much as written; and where
        these are few, those that strain the player most beside them: what is easier still than the
        tier asks may be found in any."""
        asked = {at for path in paths for at in self.changed(path)} | set(self.over(self.written))
        reading = self.read(self.written)
        rest = [
            (-reading.over(*self.inside(at))[2], at)
            for at in range(len(self.spans)) if at not in asked
        ]
        few = max(0, self.numbers.grown - len(asked))
        return sorted(asked | {at for _, at in sorted(rest)[:few]})

    def need(self, path: Path) -> tuple[bool, float]:
        """Sort key: paths within the rules first, then those of less effort."""
        return not self.read(path).within, self.effort(path)

    def stuck(self, at: int) -> bool:
        """True if every variant of a column has a fault."""
        return min(variant.faults for variant in self.variants[at]) > 0

    def take(self, grown: Grown) -> bool:
        """Takes in the variants of a column; True if any was new."""
        at = grown.at
        self.tally.add(grown.tally)
        self.effects[at].update(grown.effects)
        low, fresh = self.spans[at][0], False
        for variant in grown.variants:
            fresh |= self._add(at, lifted(variant, low))
        return fresh


def _counts(part: Part, spans: Sequence[tuple[int, int]]) -> tuple[tuple[float, ...], ...]:
    """For each column how much more of each part of the distance a bar of it holds than a bar of
    the passage holds on average."""
    rows = np.array([masses(Passage(part, low, high)) for low, high in spans])
    bars = np.array([high - low + 1 for low, high in spans])
    mean = rows.sum(axis=0) / bars.sum()
    each = rows / bars[:, None] / np.where(mean > 0.0, mean, 1.0)
    return tuple(tuple(row) for row in each.tolist())


def _spread(rows: Floats, places: npt.NDArray[np.int64], most: int) -> npt.NDArray[np.int64]:
    """Of the places of rows (distance, strain) along a front, up to `most` that lie evenly on it,
    by distance and by the logarithm of strain; the ends among them."""
    if len(places) <= most:
        return places
    line = np.stack([rows[places, 0], np.log(rows[places, 1] + 0.1)], axis=1)
    line = (line - line.min(axis=0)) / np.maximum(np.ptp(line, axis=0), 1e-9)
    along = np.concatenate(([0.0], np.abs(np.diff(line, axis=0)).sum(axis=1).cumsum()))
    wanted = np.linspace(0.0, along[-1], most)
    nearest = np.unique(np.abs(along[None, :] - wanted[:, None]).argmin(axis=1))
    spread: npt.NDArray[np.int64] = places[nearest]
    return spread


def _telling(edits: Sequence[Edit]) -> tuple[int, int]:
    return len(edits), sum(edit.strategy == WRITE_ANEW for edit in edits)


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
