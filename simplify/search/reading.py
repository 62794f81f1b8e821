"""One full reading of some bars for a player: what the search compares.

A reading is local: it performs and measures just the bars it is given. The numbers it holds are
those that decide: faults, how far the layers exceed what the player takes, difficulty.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cache

from simplify.difficulty.curve import numbers
from simplify.difficulty.load import (
    Assessment,
    Loads,
    assess,
    difficulty_of,
    part_of,
    stack,
    within,
)
from simplify.harp.player import LAYERS, MODERATE, Player, Rules
from simplify.score.model import Part, Pitch, Strike
from simplify.search.settings import settings
from simplify.technique.perform import perform
from simplify.technique.plan import Fault, Performance
from simplify.technique.playability import find_faults


@dataclass(frozen=True, slots=True)
class BarReading:
    """layers: load of each of the six layers in the bar; faults: how many begin in it; excess: by
    how much the bar, standing alone, exceeds the player's rules, in units of load (0: within);
    strain: its stacked load, of which the player takes 1 in a bar as one of many."""

    difficulty: float
    layers: Loads
    faults: int
    excess: float
    strain: float


@dataclass(frozen=True, slots=True)
class Reading:
    """Bar by bar, and as a whole; within: the player's rules hold and there is no fault."""

    difficulty: float
    layers: Loads
    bars: tuple[BarReading, ...]
    within: bool

    @property
    def faults(self) -> int:
        """Faults in all the bars."""
        return sum(bar.faults for bar in self.bars)

    def burdened(self, at: int, faults: int, joins: int) -> Reading:
        """With more faults, and joins, in the bar at a position."""
        rows = list(self.bars)
        bar = rows[at]
        rows[at] = replace(
            bar, faults=bar.faults + faults, excess=bar.excess + settings().join * joins
        )
        return replace(self, bars=tuple(rows), within=self.within and not faults)

    def over(self, first: int, last: int) -> tuple[int, float, float]:
        """(faults, excess, strain) of bars first..last, summed."""
        rows = self.bars[first : last + 1]
        return (
            sum(row.faults for row in rows),
            sum(row.excess for row in rows),
            sum(row.strain for row in rows),
        )


@dataclass(frozen=True, slots=True)
class Written:
    """What a source asks for in some bars. struck: onset, number among grace notes, pitch; hard:
    the sides (-1 before the bars, 1 after them) on which something goes wrong over the edge."""

    struck: frozenset[tuple[int, int, Pitch]]
    hard: frozenset[int]


def written(
    source: Part, player: Player, first: int, last: int, whole: Performance | None = None
) -> Written:
    """What bars first..last of the source ask of a player. whole: the source as performed, if that
    is to be asked as well as what is near the bars' edges."""
    low, high = source.bars[first].onset, source.bars[last].end
    struck = frozenset(_struck(s) for s in source.strikes if low <= s.onset < high)
    alone = Written(struck, frozenset())  # so that every fault over an edge is told
    hard = {side for side in (-1, 1) if crossings(source, player, first, last, side, alone)[0]}
    if whole is not None:
        for fault in find_faults(whole):
            onsets = [whole.strikes[i].onset for i in fault.strikes]
            if any(low <= onset < high for onset in onsets):
                hard |= _sides(onsets, low, high)
    return Written(struck, frozenset(hard))


def _sides(onsets: Iterable[int], low: int, high: int) -> set[int]:
    """On which sides of ticks [low, high) some of the onsets lie."""
    return {-1 if onset < low else 1 for onset in onsets if not low <= onset < high}


def _struck(strike: Strike) -> tuple[int, int, Pitch]:
    return strike.onset, strike.lead, strike.pitch


def crossings(
    part: Part, player: Player, first: int, last: int, side: int, source: Written
) -> tuple[tuple[Fault, ...], tuple[Fault, ...]]:
    """(faults, joins) between a note struck in bars first..last and one struck in the bar before
    (side -1) or after them (1). Joins are those of `split_faults`; faults are all in which the
    source does not strike one of the notes, or over whose edge nothing goes wrong in the source.
    Only what is near the bar line is performed."""
    low, at = (first - 1, first) if side < 0 else (last, last)
    if not 0 <= low < low + 1 < len(part.bars):
        return (), ()
    performance = perform(_near_line(part.window(low, low + 1)), player)
    start, end = part.bars[at].onset, part.bars[at].end
    own: list[Fault] = []
    joins: list[Fault] = []
    for fault in find_faults(performance):
        strikes = [performance.strikes[i] for i in fault.strikes]
        inside = [start <= strike.onset < end for strike in strikes]
        if not any(inside) or all(inside):
            continue
        if side not in source.hard or any(
            here and not _from(source, s) for here, s in zip(inside, strikes, strict=True)
        ):
            own.append(fault)
        elif start <= fault.onset < end:
            joins.append(fault)
    return tuple(own), tuple(joins)


def _near_line(two: Part) -> Part:
    """Of two bars what is struck within the context beats of the bar line between them."""
    before, after = two.bars
    beats = settings().context_beats
    low = before.end - beats * before.pulse_ticks
    high = after.onset + beats * after.pulse_ticks
    kept = {i for s in two.strikes if low <= s.onset < high for i in s.notes}
    return replace(two, notes=tuple(note for note in two.notes if note.id in kept))


def _from(source: Written, strike: Strike) -> bool:
    """Whether the source strikes this note: it is the source's, or was written anew as it was."""
    return min(strike.notes) >= 0 or _struck(strike) in source.struck


def split_faults(
    performance: Performance, faults: Sequence[Fault], low: int, high: int, source: Written
) -> tuple[tuple[Fault, ...], tuple[Fault, ...]]:
    """The faults that begin in ticks [low, high), and apart from them the joins: those between a
    note in there that the source strikes and one outside, such as a string that the bar before has
    just struck, where something goes wrong over that edge in the source, too. A rewrite of these
    bars may not touch the note outside, and where the one inside is to stay, the join stays as hard
    as it was written. source: what it asks for in there."""
    own: list[Fault] = []
    joins: list[Fault] = []
    for fault in faults:
        if not low <= fault.onset < high:
            continue
        strikes = [performance.strikes[i] for i in fault.strikes]
        inside = [strike for strike in strikes if low <= strike.onset < high]
        sides = _sides((strike.onset for strike in strikes), low, high)
        join = bool(sides) and sides <= source.hard and all(_from(source, s) for s in inside)
        (joins if join else own).append(fault)
    return tuple(own), tuple(joins)


def read_bars(
    part: Part,
    player: Player,
    first: int = 0,
    last: int | None = None,
) -> Reading:
    """Performs and measures the part for the player, and reads bars first..last of it (indices;
    all of them by default): the others are context."""
    last = len(part.bars) - 1 if last is None else last
    performance = perform(part, player)
    assessment = part_of(assess(performance), first, last)
    low, high = part.bars[first].onset, part.bars[last].end
    counts = [0] * (last - first + 1)
    inside = [fault for fault in find_faults(performance) if low <= fault.onset < high]
    for fault in inside:
        counts[part.bar_at(fault.onset).index - first] += 1
    rows = tuple(
        replace(row, faults=count)
        for row, count in zip(bars_of(assessment, player), counts, strict=True)
    )
    fits = within(assessment, player.rules, inside)
    return Reading(assessment.difficulty, assessment.layers, rows, fits)


def bars_of(assessment: Assessment, player: Player) -> tuple[BarReading, ...]:
    """The bars of an assessment as read for a player, faults left out."""
    limit = most_strain(player.rules)
    return tuple(
        BarReading(
            bar.difficulty, bar.layers, 0, bar_excess(bar.layers, player.rules),
            stack(bar.layers) / limit,
        )
        for bar in assessment.bars
    )


_LAYER_INDEX = {name: i for i, name in enumerate(LAYERS)}


def excess(layers: tuple[float, ...], difficulty: float, rules: Rules) -> float:
    """By how much one bar exceeds a tier's rules: loads over their caps, complex layers beyond
    the number allowed (by how far the easiest of them is over the threshold), forbidden pairs
    (by how far the lower of the two is over), and difficulty over the limit (per 100 points)."""
    total = sum(max(0.0, load - cap) for load, cap in zip(layers, rules.caps, strict=True))
    ranked = sorted(layers, reverse=True)
    total += sum(max(0.0, load - MODERATE) for load in ranked[rules.max_complex :])
    for one, other, at_one, at_other in rules.forbidden:
        a, b = layers[_LAYER_INDEX[one]], layers[_LAYER_INDEX[other]]
        total += max(0.0, min(a - at_one, b - at_other))
    return total + max(0.0, difficulty - rules.max_load) / 100.0


def bar_excess(layers: tuple[float, ...], rules: Rules) -> float:
    """The excess of a bar that stands alone."""
    return excess(layers, difficulty_of(numbers("load")["length_1"] * stack(layers)), rules)


@cache
def most_strain(rules: Rules) -> float:
    """The stacked load at which difficulty reaches the tier's limit, found by halving."""
    wanted = min(max(rules.max_load, 1.0), 99.9)
    low, high = 0.0, 1.0
    while difficulty_of(high) < wanted:
        high *= 2.0
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (middle, high) if difficulty_of(middle) < wanted else (low, middle)
    return high
