"""Variants of one column: what its bars can become, by combining edits.

A column is one bar, or a few that ties join. Starting from the original, a beam of variants grows
one edit at a time. Every edit that a strategy proposes is read in full at the first depth; deeper
down, the edits are tried in the order of what they gained before (edits on different notes
commute, so gains carry over well), and only the best few are read. Beside the single edits stand
sweeps: all edits of one strategy that do not clash, in both staves or in one, as one move. What
comes back is a small set of variants, none of which is beaten by another in distance, faults,
excess and difficulty at once.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from simplify.distance import distance
from simplify.errors import EditError
from simplify.harp.player import Player
from simplify.score.model import Edit, Note, NoteId, Part, Passage
from simplify.search.reading import BarReading, read_bars
from simplify.search.settings import SearchSettings
from simplify.sense import slips
from simplify.strategy import Keeps, Strategy, broken_promises, proposals


@dataclass(frozen=True, slots=True)
class Column:
    """Bars first..last of the whole part, with a trimmed context around them.

    part: the column's bars plus the last and first beats of their neighbours; at: index in `part`
    of the column's first bar; length: bars; edges: ticks between which the music may be changed.
    """

    first: int
    part: Part
    at: int
    length: int
    edges: tuple[int, int]

    @property
    def last_at(self) -> int:
        """Index in `part` of the column's last bar."""
        return self.at + self.length - 1

    def passage(self, part: Part) -> Passage:
        """The column's bars in a version of its part."""
        return Passage(part, self.at, self.last_at)


@dataclass(frozen=True, slots=True)
class Variant:
    """One version of a column. edits: applied in this order; at: bar index, in the part that the
    edits and the notes speak of, of the column's first bar; rows: the notes of each of its bars;
    ids: all of them; slips: how many it makes as music (`simplify.sense`); bars: each bar as read
    among the neighbours it was grown with."""

    edits: tuple[Edit, ...]
    at: int
    rows: tuple[tuple[Note, ...], ...]
    ids: frozenset[NoteId]
    distance: float
    slips: int
    bars: tuple[BarReading, ...]

    @property
    def difficulty(self) -> float:
        """Mean over the bars."""
        return sum(bar.difficulty for bar in self.bars) / len(self.bars)

    @property
    def faults(self) -> int:
        """In all the bars."""
        return sum(bar.faults for bar in self.bars)

    @property
    def excess(self) -> float:
        """Over all the bars."""
        return sum(bar.excess for bar in self.bars)

    @property
    def kinds(self) -> frozenset[str]:
        """Names of the strategies used."""
        return frozenset(edit.strategy for edit in self.edits)


@dataclass(slots=True)
class Tally:
    """Per strategy: calls, edits offered, seconds; and how many variants were read in full."""

    calls: dict[str, int] = field(default_factory=dict)
    offered: dict[str, int] = field(default_factory=dict)
    seconds: dict[str, float] = field(default_factory=dict)
    readings: int = 0

    def count(self, name: str, offered: int, seconds: float) -> None:
        """One more call of a strategy."""
        self.calls[name] = self.calls.get(name, 0) + 1
        self.offered[name] = self.offered.get(name, 0) + offered
        self.seconds[name] = self.seconds.get(name, 0.0) + seconds

    def add(self, other: Tally) -> None:
        """Adds another tally's counts to this one."""
        self.readings += other.readings
        for name in other.calls:
            self.calls[name] = self.calls.get(name, 0) + other.calls[name]
            self.offered[name] = self.offered.get(name, 0) + other.offered[name]
            self.seconds[name] = self.seconds.get(name, 0.0) + other.seconds[name]


def column_of(
    part: Part,
    first: int,
    last: int,
    context_beats: int,
    edges: tuple[int, int] | None = None,
) -> Column:
    """Cuts a column out of a part with a little context on both sides; edges: as in `Column`, the
    whole part by default."""
    start, end = max(0, first - 1), min(len(part.bars) - 1, last + 1)
    window = part.window(start, end)
    at = first - start
    low = window.bars[at].onset
    high = window.bars[at + last - first].end
    if at:
        low -= context_beats * window.bars[0].pulse_ticks
    if end > last:
        high += context_beats * window.bars[-1].pulse_ticks
    kept = tuple(
        note
        for note in window.notes
        if at <= note.bar <= at + last - first or low <= note.onset < high
    )
    return Column(
        first,
        replace(window, notes=kept),
        at,
        last - first + 1,
        edges or (part.bars[0].onset, part.end),
    )


def penalty(faults: int, excess: float, numbers: SearchSettings) -> float:
    """What faults and excess weigh against distance (both in units of distance)."""
    return numbers.fault * faults + numbers.excess * excess


def effort(variant: Variant, numbers: SearchSettings) -> float:
    """Distance, a little for every step that has to be followed, and more for every slip."""
    return (
        variant.distance + numbers.step * len(variant.edits) + numbers.slip * variant.slips
    )


@dataclass(frozen=True, slots=True)
class _Node:
    """A variant while it grows, with the column's part rewritten."""

    variant: Variant
    part: Part


Move = tuple[Edit, ...]
"""One step of growth: an edit, or a strategy's edits as one sweep."""


class _Grower:
    """Grows the variants of one column (mutable builder of an immutable result)."""

    def __init__(
        self,
        column: Column,
        player: Player,
        strategies: Sequence[Strategy],
        keeps: Keeps,
        numbers: SearchSettings,
        until: float | None,
    ) -> None:
        self.column, self.player, self.strategies = column, player, strategies
        self.keeps, self.numbers, self.until = keeps, numbers, until
        self.before = column.passage(column.part)
        self.around = Passage(column.part, 0, len(column.part.bars) - 1)
        self.tally = Tally()
        self.seen: set[frozenset[NoteId]] = set()
        self.gains: dict[tuple[frozenset[NoteId], frozenset[NoteId]], float] = {}
        self.strategy_gain: dict[str, float] = {}

    def out_of_time(self) -> bool:
        return self.until is not None and time.monotonic() > self.until

    def read(self, part: Part, edits: tuple[Edit, ...]) -> _Node | None:
        """The variant, or None when it breaks a promise or goes too far; each content once."""
        passage = self.column.passage(part)
        ids = frozenset(note.id for note in passage.notes)
        if ids in self.seen:
            return None
        self.seen.add(ids)
        if broken_promises(self.before, passage, self.keeps):
            return None
        far = distance(self.before, passage).total if edits else 0.0
        if far > self.numbers.distance:
            return None
        made = len(slips(self.around, self.around.of(part))) if edits else 0
        self.tally.readings += 1
        at, last = self.column.at, self.column.last_at
        bars = read_bars(part, self.player, at, last, self.column.edges).bars
        rows = part.notes_by_bar[at : last + 1]
        return _Node(Variant(edits, at, rows, ids, far, made, bars), part)

    def offers(self, node: _Node) -> list[Move]:
        """All proposals for a variant, in the order of the catalogue, and after those of each
        strategy its sweeps."""
        passage = self.column.passage(node.part)
        found: list[Move] = []
        for strategy in self.strategies:
            began = time.perf_counter()
            edits = proposals(strategy, passage, self.player)
            self.tally.count(strategy.name, len(edits), time.perf_counter() - began)
            found.extend((edit,) for edit in edits)
            found.extend(_sweeps(edits))
        return found

    def merit(self, node: _Node, share: float = 1.0) -> float:
        """Lower is better: penalty and distance, with difficulty as the tie-breaker; share: how
        much of its weight excess has."""
        variant = node.variant
        return (
            penalty(variant.faults, share * variant.excess, self.numbers)
            + effort(variant, self.numbers)
            + variant.difficulty / 100.0
        )

    def children(self, node: _Node, limit: int | None) -> list[_Node]:
        """Variants one move further; `limit`: how many of the moves are read."""
        moves = self.offers(node)
        if limit is not None:
            moves = sorted(moves, key=self._expected)
        base, before = self.merit(node), self.tally.readings
        grown = []
        for move in moves:
            spent = self.tally.readings - before
            if self.out_of_time() or (limit is not None and spent >= limit):
                break
            removed, added = _key(move)
            if (node.variant.ids - removed) | added in self.seen:
                continue
            try:
                part = node.part.apply_all(move)
            except EditError:
                continue  # an edit of a sweep that needs a note the ones before took
            child = self.read(part, (*node.variant.edits, *move))
            if child is None:
                continue
            gain = base - self.merit(child)
            self.gains[_key(move)] = gain
            name = move[0].strategy
            self.strategy_gain[name] = max(gain, self.strategy_gain.get(name, 0.0))
            if _eases(child.variant, node.variant):
                grown.append(child)
        return grown

    def _expected(self, move: Move) -> float:
        """Sort key: minus the gain that this move had before, or its strategy's best so far."""
        gain = self.gains.get(_key(move))
        if gain is None:
            gain = self.strategy_gain.get(move[0].strategy, 0.0)
        return -gain

    def grow(self) -> tuple[Variant, ...]:
        original = self.read(self.column.part, ())
        if original is None:
            return ()
        everything, frontier = [original], [original]
        for depth in range(self.numbers.depth):
            children: list[_Node] = []
            for node in frontier:
                limit = None if depth == 0 else self.numbers.trials
                children.extend(self.children(node, limit))
            if not children:
                break
            everything.extend(children)
            easy = _spread(children, self.merit, self.numbers.width)
            near = _spread(children, lambda n: self.merit(n, self.numbers.near), self.numbers.width)
            frontier = list({id(n): n for n in (*easy, *near)}.values())
            if self.out_of_time():
                break
        return _best([node.variant for node in everything], self.numbers)


def _sweeps(edits: Sequence[Edit]) -> list[Move]:
    """The edits of one strategy together, as far as they do not clash: all of them, and those on
    either staff; each set once, none of a single edit."""
    found: list[Move] = []
    for staff in (0, 1, 2):
        chosen: list[Edit] = []
        for edit in edits:
            if staff and any(note.staff != staff for note in edit.add):
                continue
            if not any(edit.clashes(other) for other in chosen):
                chosen.append(edit)
        if len(chosen) > 1 and tuple(chosen) not in found:
            found.append(tuple(chosen))
    return found


def _eases(child: Variant, parent: Variant) -> bool:
    """True if the edit that made the child helps in anything: an edit that does not is noise."""
    return (
        child.faults < parent.faults
        or child.excess < parent.excess - 1e-9
        or child.difficulty < parent.difficulty - 1e-9
    )


def _key(move: Move) -> tuple[frozenset[NoteId], frozenset[NoteId]]:
    return (
        frozenset(i for edit in move for i in edit.remove),
        frozenset(note.id for edit in move for note in edit.add),
    )


def _spread(
    children: Sequence[_Node], merit: Callable[[_Node], float], width: int
) -> list[_Node]:
    """The best children by merit, no two with the same strategies unless there is room."""
    ranked = sorted(children, key=lambda n: (merit(n), sorted(n.variant.ids)))
    chosen: list[_Node] = []
    for node in ranked:
        kinds = node.variant.kinds
        if len(chosen) < width and all(kinds != other.variant.kinds for other in chosen):
            chosen.append(node)
    for node in ranked:
        if len(chosen) < width and node not in chosen:
            chosen.append(node)
    return chosen


def _best(found: Sequence[Variant], numbers: SearchSettings) -> tuple[Variant, ...]:
    """The original, then the undominated variants, thinned to the number the lattice takes."""

    def value(variant: Variant, soft: float, weight: float) -> tuple[float, list[NoteId]]:
        cost = penalty(variant.faults, soft * variant.excess, numbers) + effort(variant, numbers)
        return cost + weight * variant.difficulty / 100.0, sorted(variant.ids)

    original, rest = found[0], sorted(found[1:], key=lambda v: value(v, 1.0, 1.0))
    marks = [_marks(variant) for variant in rest]
    front = [
        variant
        for variant, mine in zip(rest, marks, strict=True)
        if not any(
            theirs != mine and all(a <= b for a, b in zip(theirs, mine, strict=True))
            for theirs in marks
        )
    ]
    # Each view of what matters has its say in turn, so that the lattice has near variants as well
    # as easy ones to choose from, whether the tier can be reached or not.
    weights = (numbers.lambdas[0], 1.0, numbers.lambdas[-1])
    views = [
        sorted(front, key=lambda v, s=soft, w=weight: value(v, s, w))  # type: ignore[misc]
        for soft in (1.0, numbers.soft)
        for weight in weights
    ]
    chosen: list[Variant] = []
    for rank in range(len(front)):
        for view in views:
            if len(chosen) < numbers.variants and view[rank] not in chosen:
                chosen.append(view[rank])
    kinds = {variant.kinds for variant in chosen}
    for variant in rest:  # a few of other kinds, so that alternatives can differ in kind
        if len(chosen) >= numbers.variants + numbers.other_kinds:
            break
        if variant.kinds not in kinds and variant.faults <= original.faults:
            chosen.append(variant)
            kinds.add(variant.kinds)
    return (original, *chosen)


def _marks(variant: Variant) -> tuple[float, ...]:
    """What one variant can beat another in; lower is better in each."""
    return (
        variant.distance, variant.faults, variant.excess, variant.difficulty, variant.slips,
        len(variant.edits),
    )


def grow_variants(
    column: Column,
    player: Player,
    strategies: Sequence[Strategy],
    keeps: Keeps,
    numbers: SearchSettings,
    until: float | None = None,
) -> tuple[tuple[Variant, ...], Tally]:
    """Variants of a column, the original first, and the counts. `until`: `time.monotonic()` at
    which to stop with the best so far."""
    grower = _Grower(column, player, strategies, keeps, numbers, until)
    return grower.grow(), grower.tally
