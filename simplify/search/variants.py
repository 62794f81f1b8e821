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
from collections.abc import Sequence
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
    def faults(self) -> int:
        """In all the bars."""
        return sum(bar.faults for bar in self.bars)

    @property
    def excess(self) -> float:
        """Over all the bars."""
        return sum(bar.excess for bar in self.bars)

    @property
    def strain(self) -> float:
        """Over all the bars."""
        return sum(bar.strain for bar in self.bars)

    @property
    def effort(self) -> float:
        """Distance, once for each bar."""
        return self.distance * len(self.bars)

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


@dataclass(frozen=True, slots=True)
class Weights:
    """What a variant or a path is chosen for: cost = effort + fault * faults + excess * excess +
    strain * strain, `step` for each edit and `slip` for each slip as music; all in units of one
    bar's distance. shunned: strategies that cost `shun` more for each bar."""

    strain: float
    excess: float
    fault: float
    step: float
    slip: float
    shunned: frozenset[str] = frozenset()
    shun: float = 0.0

    def effort(self, variant: Variant) -> float:
        """The part of a variant's cost that hangs on nothing beside it."""
        leaned = len(variant.kinds & self.shunned) if self.shun else 0
        return (
            variant.effort
            + self.step * len(variant.edits)
            + self.slip * variant.slips
            + self.shun * leaned * len(variant.bars)
        )

    def cost(self, variant: Variant) -> float:
        """Of a variant as it was read when it was grown."""
        return (
            self.effort(variant)
            + self.fault * variant.faults
            + self.excess * variant.excess
            + self.strain * variant.strain
        )


def views_of(numbers: SearchSettings) -> tuple[Weights, ...]:
    """What variants are grown for: from the tier reached at any price to a small relief."""
    return tuple(
        Weights(strain, share * numbers.excess, numbers.fault, numbers.step, numbers.slip)
        for strain, share in zip(numbers.view_strains, numbers.view_shares, strict=True)
    )


@dataclass(frozen=True, slots=True)
class _Node:
    """A variant while it grows, with the column's part rewritten."""

    variant: Variant
    part: Part


Move = tuple[Edit, ...]
"""One step of growth: an edit, or a strategy's edits as one sweep."""

MoveKey = tuple[frozenset[NoteId], frozenset[NoteId]]
"""The notes that a move takes and gives: the same move in another growth of the same bars."""

Gain = tuple[float, float, float, float]
"""What a move changed when it was last read: effort (with steps and slips), faults, excess,
strain."""


@dataclass(frozen=True, slots=True)
class Grown:
    """What growing a column brings: variants (the original first), counts, gains of the moves."""

    variants: tuple[Variant, ...]
    tally: Tally
    gains: dict[MoveKey, Gain]


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
        gains: dict[MoveKey, Gain] | None,
    ) -> None:
        self.column, self.player, self.strategies = column, player, strategies
        self.keeps, self.numbers, self.until = keeps, numbers, until
        self.before = column.passage(column.part)
        self.around = Passage(column.part, 0, len(column.part.bars) - 1)
        self.views = views_of(numbers)
        self.tally = Tally()
        self.seen: set[frozenset[NoteId]] = set()
        self.again = gains is not None
        self.gains: dict[MoveKey, Gain] = dict(gains or {})
        self.best_of: dict[str, Gain] = {}

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

    def children(self, node: _Node, view: Weights, limit: int | None) -> list[_Node]:
        """Variants one move further; `limit`: how many of the moves are read, those first that are
        expected to gain most in a view."""
        moves = self.offers(node)
        if limit is not None:
            moves = sorted(moves, key=lambda move: self._expected(move, view))
        before = self.tally.readings
        grown = []
        for move in moves:
            spent = self.tally.readings - before
            if self.out_of_time() or (limit is not None and spent >= limit):
                break
            key = _key(move)
            if (node.variant.ids - key[0]) | key[1] in self.seen:
                continue
            try:
                part = node.part.apply_all(move)
            except EditError:
                continue  # an edit of a sweep that needs a note the ones before took
            child = self.read(part, (*node.variant.edits, *move))
            if child is None:
                continue
            gain = _gain(node.variant, child.variant, self.numbers)
            self.gains[key] = gain
            name = move[0].strategy
            best = self.best_of.get(name)
            if best is None or _worth(gain, self.views[0]) < _worth(best, self.views[0]):
                self.best_of[name] = gain
            if _eases(child.variant, node.variant):
                grown.append(child)
        return grown

    def _expected(self, move: Move, view: Weights) -> float:
        """Sort key: what this move changed before, or the best of its strategy so far."""
        gain = self.gains.get(_key(move)) or self.best_of.get(move[0].strategy)
        return 0.0 if gain is None else _worth(gain, view)

    def grow(self) -> tuple[Variant, ...]:
        original = self.read(self.column.part, ())
        if original is None:
            return ()
        everything = [original]
        frontier = [(original, self.views[0])]
        for depth in range(self.numbers.depth):
            children: dict[int, _Node] = {}
            for node, view in frontier:
                limit = self.numbers.trials if depth or self.again else None
                for child in self.children(node, view, limit):
                    children[id(child)] = child
            if not children:
                break
            fresh = list(children.values())
            everything.extend(fresh)
            chosen: dict[int, tuple[_Node, Weights]] = {}
            for view in self.views:
                for node in _spread(fresh, view, self.numbers.width):
                    chosen.setdefault(id(node), (node, view))
            frontier = list(chosen.values())
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
        or child.strain < parent.strain - 1e-9
    )


def _gain(before: Variant, after: Variant, numbers: SearchSettings) -> Gain:
    steps = len(after.edits) - len(before.edits)
    return (
        after.effort - before.effort + numbers.step * steps
        + numbers.slip * (after.slips - before.slips),
        float(after.faults - before.faults),
        after.excess - before.excess,
        after.strain - before.strain,
    )


def _worth(gain: Gain, view: Weights) -> float:
    """Cost that a move adds in a view (negative: it saves)."""
    effort, faults, excess, strain = gain
    return effort + view.fault * faults + view.excess * excess + view.strain * strain


def _key(move: Move) -> MoveKey:
    return (
        frozenset(i for edit in move for i in edit.remove),
        frozenset(note.id for edit in move for note in edit.add),
    )


def _spread(children: Sequence[_Node], view: Weights, width: int) -> list[_Node]:
    """The best children in a view, no two with the same strategies unless there is room."""
    ranked = sorted(children, key=lambda n: (view.cost(n.variant), sorted(n.variant.ids)))
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
    """The original, then the undominated variants, thinned to the number the lattice takes: the
    best in every view, then those that fill the widest gaps in distance, then a few of other
    kinds, so that alternatives can differ in kind."""
    original, rest = found[0], sorted(found[1:], key=lambda v: (v.distance, sorted(v.ids)))
    front = _undominated(rest)
    chosen: list[Variant] = []
    for view in (*views_of(numbers), *_lattice_views(numbers)):
        best = min(front, key=view.cost, default=None)
        if best is not None and best not in chosen:
            chosen.append(best)
    waiting = [variant for variant in front if variant not in chosen]
    while waiting and len(chosen) < numbers.variants:
        apart = [min((_apart(v, c) for c in chosen), default=1.0) for v in waiting]
        at = max(range(len(waiting)), key=lambda i: (apart[i], -i))
        if apart[at] < numbers.apart:
            break
        chosen.append(waiting.pop(at))
    kinds = {variant.kinds for variant in chosen}
    for variant in sorted(rest, key=views_of(numbers)[0].cost):
        if len(chosen) >= numbers.variants + numbers.other_kinds:
            break
        if variant.kinds not in kinds and variant.faults <= original.faults:
            chosen.append(variant)
            kinds.add(variant.kinds)
    return (original, *chosen)


def _lattice_views(numbers: SearchSettings) -> tuple[Weights, ...]:
    """What paths are chosen for in the lattice, the tier reached or approached."""
    return tuple(
        Weights(strain, share * numbers.excess, numbers.fault, numbers.step, numbers.slip)
        for share in (1.0, numbers.soft)
        for strain in numbers.strains
    )


def _undominated(found: Sequence[Variant]) -> list[Variant]:
    """Those that no other is at least as good as in everything; sorted as they come."""
    marks = [_marks(variant) for variant in found]
    return [
        variant
        for variant, mine in zip(found, marks, strict=True)
        if not any(
            theirs != mine and all(a <= b for a, b in zip(theirs, mine, strict=True))
            for theirs in marks
        )
    ]


def _apart(one: Variant, other: Variant) -> float:
    """How unlike two variants are in what they cost and what they ease."""
    return (
        abs(one.distance - other.distance)
        + abs(one.excess - other.excess)
        + 0.1 * abs(one.strain - other.strain) / len(one.bars)
        + abs(one.faults - other.faults)
    )


def _marks(variant: Variant) -> tuple[float, ...]:
    """What one variant can beat another in; lower is better in each."""
    return (
        variant.distance, variant.faults, variant.excess, variant.strain, variant.slips,
        len(variant.edits),
    )


def grow_variants(
    column: Column,
    player: Player,
    strategies: Sequence[Strategy],
    keeps: Keeps,
    numbers: SearchSettings,
    until: float | None = None,
    gains: dict[MoveKey, Gain] | None = None,
) -> Grown:
    """Variants of a column. `until`: `time.monotonic()` at which to stop with the best so far;
    `gains`: of an earlier growth of the same bars among other neighbours, so that this time only
    the moves that promise most are read."""
    grower = _Grower(column, player, strategies, keeps, numbers, until, gains)
    variants = grower.grow()
    return Grown(variants, grower.tally, grower.gains)
