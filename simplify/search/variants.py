"""Variants of one column: what its bars can become, what they cost, and which are worth keeping.

A column is one bar, or a few that ties join. `grow` makes its variants, the lattice chooses among
them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from simplify.distance import PARTS
from simplify.score.model import Edit, Note, NoteId, Part, Passage
from simplify.search.reading import BarReading
from simplify.search.settings import SearchSettings

EVEN = (1.0,) * len(PARTS)
"""Every part of the distance counted once."""


@dataclass(frozen=True, slots=True)
class Column:
    """Bars first..last of the whole part, with the bars beside them as context.

    part: the column's bars and their neighbours as far as the passage goes; at: index in `part`
    of the column's first bar; length: bars; counts: how many times over each part of the distance
    counts in its bars, so that the mean over all columns is the distance of the whole (see
    `distance.masses`).
    """

    first: int
    part: Part
    at: int
    length: int
    counts: tuple[float, ...] = EVEN

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
    ids: all of them; distance: of a bar, each part as the column counts it; slips: how many it
    makes as music (`simplify.sense`); bars: each bar as read among the neighbours it was grown
    with."""

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

    def ties(self, side: int) -> frozenset[tuple[int, int]]:
        """(sound, staff) of what is tied over the column's left (-1) or right (1) edge."""
        notes = [note for row in self.rows for note in row]
        begun = {(n.end, n.pitch.midi, n.staff) for n in notes if n.tie_out}
        taken = {(n.onset, n.pitch.midi, n.staff) for n in notes if n.tie_in}
        return frozenset(
            (midi, staff)
            for _, midi, staff in (taken - begun if side < 0 else begun - taken)
        )


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
    part: Part, first: int, last: int, passage: tuple[int, int], counts: tuple[float, ...] = EVEN
) -> Column:
    """Cuts a column out of a part, with a bar of context on both sides, but none outside the bars
    (first, last) of the passage, which is read by itself; counts: as in `Column`."""
    start, end = max(passage[0], first - 1), min(passage[1], last + 1)
    return Column(first, part.window(start, end), first - start, last - first + 1, counts)


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


def thinned(found: Sequence[Variant], numbers: SearchSettings) -> tuple[Variant, ...]:
    """The original, then the undominated variants, thinned to the number the lattice takes: the
    best in every view, then those that fill the widest gaps in distance, then a few of other
    kinds, so that alternatives can differ in kind."""
    original, rest = found[0], sorted(found[1:], key=lambda v: (v.distance, sorted(v.ids)))
    front = _undominated(rest)
    chosen: list[Variant] = []
    for view in (*views_of(numbers), *lattice_views(numbers)):
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


def lattice_views(numbers: SearchSettings) -> tuple[Weights, ...]:
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
