"""Variants of one column: what its bars can become, by combining edits.

A column is one bar, or a few that ties join. Starting from the original, a beam of variants grows
one edit at a time. Every edit that a strategy proposes is read in full at the first depth; deeper
down, the edits are tried in the order of what they gained before (edits on different notes
commute, so gains carry over well), and only the best few are read. What comes back is a small set
of variants, none of which is beaten by another in distance, faults, excess and difficulty at once.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from simplify.distance import distance
from simplify.harp.player import Player
from simplify.score.model import Edit, NoteId, Part, Passage
from simplify.search.reading import Reading, read_bars
from simplify.search.settings import SearchSettings
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
    """One version of a column. edits: applied in this order; ids: the notes of its bars; at: bar
    index, in the part that the edits speak of, of the column's first bar."""

    edits: tuple[Edit, ...]
    at: int
    part: Part
    ids: frozenset[NoteId]
    distance: float
    difficulty: float
    faults: int
    excess: float

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
    """Distance, and a little for every step that has to be followed."""
    return variant.distance + numbers.step * len(variant.edits)


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
        self.tally = Tally()
        self.seen: dict[frozenset[NoteId], Variant | None] = {}
        self.gains: dict[tuple[frozenset[NoteId], frozenset[NoteId]], float] = {}
        self.strategy_gain: dict[str, list[float]] = {}

    def out_of_time(self) -> bool:
        return self.until is not None and time.monotonic() > self.until

    def read(self, part: Part, edits: tuple[Edit, ...]) -> Variant | None:
        """The variant, or None when it breaks a promise or goes too far; each content once."""
        passage = self.column.passage(part)
        ids = frozenset(note.id for note in passage.notes)
        if ids in self.seen:
            return None
        self.seen[ids] = None
        if broken_promises(self.before, passage, self.keeps):
            return None
        far = distance(self.before, passage).total if edits else 0.0
        if far > self.numbers.distance:
            return None
        self.tally.readings += 1
        reading: Reading = read_bars(part, self.player, edges=self.column.edges)
        difficulty, faults, over = reading.over(self.column.at, self.column.last_at)
        variant = Variant(edits, self.column.at, part, ids, far, difficulty, faults, over)
        self.seen[ids] = variant
        return variant

    def offers(self, variant: Variant) -> list[Edit]:
        """All proposals for a variant, in the order of the catalogue."""
        passage = self.column.passage(variant.part)
        found: list[Edit] = []
        for strategy in self.strategies:
            began = time.perf_counter()
            edits = proposals(strategy, passage, self.player)
            self.tally.count(strategy.name, len(edits), time.perf_counter() - began)
            found.extend(edits)
        return found

    def merit(self, variant: Variant) -> float:
        """Lower is better: penalty and distance, with difficulty as the tie-breaker."""
        return (
            penalty(variant.faults, variant.excess, self.numbers)
            + effort(variant, self.numbers)
            + variant.difficulty / 100.0
        )

    def children(self, variant: Variant, limit: int | None) -> list[Variant]:
        """Variants one edit further; `limit`: how many of the edits are read."""
        edits = self.offers(variant)
        if limit is not None and len(edits) > limit:
            edits = sorted(edits, key=self._expected)[:limit]
        base = self.merit(variant)
        grown = []
        for edit in edits:
            if self.out_of_time():
                break
            child = self.read(variant.part.apply(edit), (*variant.edits, edit))
            if child is None:
                continue
            gain = base - self.merit(child)
            self.gains[_key(edit)] = gain
            self.strategy_gain.setdefault(edit.strategy, []).append(gain)
            if _eases(child, variant):
                grown.append(child)
        return grown

    def _expected(self, edit: Edit) -> float:
        """Sort key: minus the gain that this edit had before, or its strategy's best so far."""
        gain = self.gains.get(_key(edit))
        if gain is None:
            gain = max(self.strategy_gain.get(edit.strategy, [0.0]))
        return -gain

    def grow(self) -> tuple[Variant, ...]:
        original = self.read(self.column.part, ())
        if original is None:
            return ()
        everything, frontier = [original], [original]
        for depth in range(self.numbers.depth):
            children: list[Variant] = []
            for variant in frontier:
                limit = None if depth == 0 else self.numbers.trials
                children.extend(self.children(variant, limit))
            if not children:
                break
            everything.extend(children)
            frontier = _spread(children, self.merit, self.numbers.width)
            if self.out_of_time():
                break
        return _best(everything, self.merit, self.numbers)


def _eases(child: Variant, parent: Variant) -> bool:
    """True if the edit that made the child helps in anything: an edit that does not is noise."""
    return (
        child.faults < parent.faults
        or child.excess < parent.excess - 1e-9
        or child.difficulty < parent.difficulty - 1e-9
    )


def _key(edit: Edit) -> tuple[frozenset[NoteId], frozenset[NoteId]]:
    return edit.remove, frozenset(note.id for note in edit.add)


def _spread(children: list[Variant], merit: object, width: int) -> list[Variant]:
    """The best children by merit, no two with the same strategies unless there is room."""
    assert callable(merit)
    ranked = sorted(children, key=lambda v: (merit(v), sorted(v.ids)))
    chosen: list[Variant] = []
    for variant in ranked:
        if len(chosen) < width and all(variant.kinds != other.kinds for other in chosen):
            chosen.append(variant)
    for variant in ranked:
        if len(chosen) < width and variant not in chosen:
            chosen.append(variant)
    return chosen


def _best(found: list[Variant], merit: object, numbers: SearchSettings) -> tuple[Variant, ...]:
    """The original, then the undominated variants, thinned to the number the lattice takes."""
    assert callable(merit)
    original, rest = found[0], sorted(found[1:], key=lambda v: (merit(v), sorted(v.ids)))
    front = [
        variant
        for variant in rest
        if not any(_dominates(other, variant) for other in rest if other is not variant)
    ]
    # Each view of what matters has its say in turn, so that the lattice has near variants as well
    # as easy ones to choose from, whether the tier can be reached or not.
    views = [
        sorted(
            front,
            key=lambda v, soft=soft, weight=weight: (  # type: ignore[misc]
                penalty(v.faults, soft * v.excess, numbers)
                + effort(v, numbers)
                + weight * v.difficulty / 100.0,
                sorted(v.ids),
            ),
        )
        for soft in (1.0, numbers.soft)
        for weight in (numbers.lambdas[0], 1.0, numbers.lambdas[-1])
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


def _dominates(one: Variant, other: Variant) -> bool:
    mine = (one.distance, one.faults, one.excess, one.difficulty, len(one.edits))
    theirs = (other.distance, other.faults, other.excess, other.difficulty, len(other.edits))
    return all(a <= b for a, b in zip(mine, theirs, strict=True)) and mine != theirs


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
