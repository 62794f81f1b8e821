"""How the layers stack, how length counts, and what a tier takes.

Stacking. A layer of load x weighs u = w x^power: a simple layer hardly asks for attention, a full
one does, and the heaviest decides before many light ones. Its weight w says how early a course asks
for that kind of work: what hands and feet must be able to do (fingers, pedals) bars the way to a
player sooner than what slow practice takes apart (between the hands, harmonic rhythm). With the
weights u_i of a bar's six layers,

    stacked = sum u_i + pair * sum_{i<j} u_i u_j

so layers together weigh more than the sum of what each weighs alone (common practice: the more
layers are complex at once, the simpler each must be). The number shown is difficulty =
100 (1 - exp(-(stacked / scale)^spread)): the stacked load grows without a natural end, readers want
0 to 100; the map is strictly increasing, so it changes no order, and it spends its range where most
music lies.

Length. A bar's value of a layer is half its worst beat, half its mean. A stretch of n bars reads
as factor(n) times the mean of its bars, factor rising to 1 at eight bars; a passage reads as its
worst stretch of 1, 2, 4 or 8 bars (the worst step decides: Hori & Sagayama 2016, minimax Viterbi;
the mean over bars would let easy bars pay for hard ones). So what comes after never makes a hard
bar easier (but where it shows that a harmony was not yet over), and a hard bar alone weighs less
than a hard page.

No layer looks further than a bar or a few seconds to either side, so that a window of a piece can
be read with a bar of its surroundings.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property, lru_cache, partial
from typing import TypeVar

import numpy as np
import numpy.typing as npt
from numba import njit

from simplify.difficulty import (
    between_hands,
    counterpoint,
    fingers,
    harmonic_rhythm,
    pedals,
    rhythm,
)
from simplify.difficulty.curve import Beat, LayerCurve, Reason, count_words, grid, numbers
from simplify.harp.player import (
    LAYERS,
    MODERATE,
    SIMPLE,
    Player,
    Rules,
)
from simplify.score.model import Part
from simplify.technique.hands import Learnt
from simplify.technique.perform import perform
from simplify.technique.plan import Fault, Performance
from simplify.technique.playability import find_faults

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Loads = tuple[float, float, float, float, float, float]
"""One value per layer, in the order of `LAYERS`."""

MEASURES: dict[str, Callable[[Performance, tuple[Beat, ...]], LayerCurve]] = {
    fingers.NAME: fingers.measure,
    between_hands.NAME: between_hands.measure,
    pedals.NAME: pedals.measure,
    harmonic_rhythm.NAME: harmonic_rhythm.measure,
    rhythm.NAME: rhythm.measure,
    counterpoint.NAME: counterpoint.measure,
}

LENGTHS = (1, 2, 4, 8)
"""Bars in a row that are read together."""

_NOTHING = 1e-9


@dataclass(frozen=True, slots=True)
class BarLoad:
    """One bar. index: in `Part.bars`; number: printed; layers: loads; difficulty: 0-100, of this
    bar as one of many like it (no length factor); seconds: how long it lasts."""

    index: int
    number: str
    layers: Loads
    difficulty: float
    seconds: float


@dataclass(frozen=True, slots=True)
class Stretch:
    """Bars first..last (positions in `Assessment.bars`, both included) that are alike; layers and
    difficulty as the worst of it reads."""

    first: int
    last: int
    layers: Loads
    difficulty: float


@dataclass(frozen=True)
class Assessment:
    """What a performance asks for. grid: the beats; curves: one per layer, in the order of
    `LAYERS`; bars: in order; layers: worst sustained reading of each layer; difficulty: 0-100,
    worst sustained reading of all together. Not slotted: the stretches are computed when asked
    for."""

    grid: tuple[Beat, ...]
    curves: tuple[LayerCurve, ...]
    bars: tuple[BarLoad, ...]
    layers: Loads
    difficulty: float

    @cached_property
    def stretches(self) -> tuple[Stretch, ...]:
        """The bars parted by change points into stretches that are alike."""
        rows = tuple(bar.layers for bar in self.bars)
        return tuple(
            Stretch(first, last, *_read_stretch(rows[first : last + 1]))
            for first, last in change_points(rows)
        )

    @cached_property
    def table(self) -> Floats:
        """Shape (bars, layers): the loads."""
        return _table(self.bars)

    @property
    def reasons(self) -> tuple[Reason, ...]:
        """The reasons of all layers in time order, the heavier first at one moment."""
        every = [reason for curve in self.curves for reason in curve.reasons]
        return tuple(sorted(every, key=lambda r: (r.onset, -r.value, LAYERS.index(r.layer))))

    @property
    def mean_difficulty(self) -> float:
        """Difficulty (0-100) of the bars' mean stacked load, each bar by its seconds, times the
        factor of as many bars in a row: beside the worst sustained stretch, which decides."""
        table = numbers("load")
        length = max(n for n in LENGTHS if n <= len(self.bars))
        stacked = sum(stack(bar.layers) * bar.seconds for bar in self.bars)
        mean = stacked / sum(bar.seconds for bar in self.bars)
        return difficulty_of(mean * table[f"length_{length}"])

    @property
    def complex_layers(self) -> tuple[str, ...]:
        """Layers above `MODERATE` in the worst sustained reading."""
        return tuple(n for n, x in zip(LAYERS, self.layers, strict=True) if x > MODERATE)


def level(load: float) -> str:
    """'simple', 'moderate' or 'complex'."""
    return "simple" if load <= SIMPLE else "moderate" if load <= MODERATE else "complex"


def stack(layers: Sequence[float]) -> float:
    """The stacked load of six loads; see the module's formula. Non-negative, no upper end."""
    return _stack(tuple(layers))


@lru_cache(maxsize=1 << 14)
def _stack(layers: tuple[float, ...]) -> float:
    table, weights = numbers("load"), _weights()
    heavy = [w * math.pow(x, table["power"]) for w, x in zip(weights, layers, strict=True)]
    total = sum(heavy)
    pairs = (total * total - sum(u * u for u in heavy)) / 2.0
    return total + table["pair"] * pairs


@cache
def _weights() -> tuple[float, ...]:
    return tuple(numbers("load")[f"weight_{layer}"] for layer in LAYERS)


def difficulty_of(stacked: float) -> float:
    """Difficulty (0-100) of a stacked load; see the module's formula."""
    table = numbers("load")
    return 100.0 * (1.0 - math.exp(-math.pow(stacked / table["scale"], table["spread"])))


def assess(performance: Performance) -> Assessment:
    """All layers, bars and the sustained readings of a performance."""
    beats = grid(performance.part)
    curves = tuple(MEASURES[name](performance, beats) for name in LAYERS)
    bars = bar_loads(beats, curves)
    layers, difficulty = read_bars(bars)
    return Assessment(beats, curves, bars, layers, difficulty)


def bar_loads(beats: Sequence[Beat], curves: Sequence[LayerCurve]) -> tuple[BarLoad, ...]:
    """The bars of some beats, with the load of every layer."""
    share = numbers("load")["worst_beat"]
    rows: dict[int, tuple[int, int]] = {}
    for at, beat in enumerate(beats):
        first, _ = rows.get(beat.bar, (at, at))
        rows[beat.bar] = (first, at + 1)
    found = []
    for index, (first, end) in sorted(rows.items()):
        values = []
        for curve in curves:
            inside = curve.loads[first:end]
            values.append(share * max(inside) + (1.0 - share) * sum(inside) / len(inside))
        layers = _six(values)
        seconds = beats[end - 1].stop - beats[first].start
        found.append(
            BarLoad(index, beats[first].number, layers, difficulty_of(stack(layers)), seconds)
        )
    return tuple(found)


def _six(values: Iterable[float]) -> Loads:
    a, b, c, d, e, f = values
    return a, b, c, d, e, f


def sustained(values: Sequence[float]) -> float:
    """The worst reading of values in a row, one per bar: over windows of `LENGTHS` bars, the
    window's mean times the factor of its length. Appending a bar never lowers it."""
    return float(sustained_each(np.array(values, dtype=np.float64)))


def sustained_each(columns: Floats) -> Floats:
    """`sustained` of each column; shape (bars, columns) to (columns,), or (bars,) to ()."""
    table = numbers("load")
    worst: Floats = np.zeros(columns.shape[1:])
    for length in LENGTHS:
        if length > len(columns):
            break
        most = _in_a_row(columns, length).max(axis=0)
        worst = np.maximum(worst, table[f"length_{length}"] / length * most)
    return worst


def _in_a_row(rows: Floats, length: int) -> Floats:
    """Sums of so many rows one after the other, by the first of them; each summed afresh, so that
    what stands before does not round it otherwise."""
    count = len(rows) - length + 1
    total = rows[:count].copy()
    for k in range(1, length):
        total += rows[k : k + count]
    return total


def read_bars(bars: Sequence[BarLoad]) -> tuple[Loads, float]:
    """The sustained reading of each layer and of the stacked load (as difficulty) of some bars."""
    return _read_rows([bar.layers for bar in bars])


def _read_rows(rows: Sequence[Loads]) -> tuple[Loads, float]:
    table = np.array([(*row, stack(row)) for row in rows], dtype=np.float64)
    *layers, stacked = sustained_each(table.reshape(-1, len(LAYERS) + 1)).tolist()
    return _six(layers), difficulty_of(stacked)


@lru_cache(maxsize=1 << 12)
def _read_stretch(rows: tuple[Loads, ...]) -> tuple[Loads, float]:
    """`read_bars` of a stretch: most of a piece's stay as they are when it changes."""
    return _read_rows(rows)


def change_points(rows: Sequence[Sequence[float]]) -> tuple[tuple[int, int], ...]:
    """Rows (bars x layers) parted into runs (first, last) that are nearly constant.

    Exact for its price: squared distance of the rows from their run's mean, plus `cut` per run; no
    run is longer than `longest_stretch` bars (optimal partitioning: Jackson et al. 2005, An
    Algorithm for Optimal Partitioning of Data on an Interval).
    """
    table = numbers("load")
    longest, price = int(table["longest_stretch"]), table["cut"]
    data = np.array(rows, dtype=np.float64)
    squares, count = (data * data).sum(axis=1), len(data)
    spreads: Floats = np.full((min(longest, count), count), np.inf)
    for length in range(1, len(spreads) + 1):
        inside = _in_a_row(data, length)
        spread = _in_a_row(squares, length) - (inside * inside).sum(axis=1) / length
        spreads[length - 1, : len(spread)] = np.maximum(spread, 0.0) + price
    back = _cheapest_runs(spreads).tolist()
    runs = []
    end = count
    while end:
        runs.append((back[end], end - 1))
        end = back[end]
    return tuple(reversed(runs))


@njit(cache=True, nogil=True)
def _cheapest_runs(prices):  # type: ignore[no-untyped-def]
    """For each number of rows where the last run of their cheapest parting begins, the first of
    several. prices: shape (most rows in a run, rows); [n, k] is that of n + 1 rows from row k."""
    longest, count = prices.shape
    best, back = np.full(count + 1, np.inf), np.zeros(count + 1, np.int64)
    best[0] = 0.0
    for end in range(1, count + 1):
        for start in range(max(0, end - longest), end):
            value = best[start] + prices[end - start - 1, start]
            if value < best[end]:
                best[end], back[end] = value, start
    return back


# What a tier takes


@dataclass(frozen=True, slots=True)
class Excess:
    """One thing that exceeds the rules. layer: its name, or '' for all together; bars: printed
    numbers of the first and last bar; text: a sentence without a full stop; amount: by how much
    (load, count of layers, difficulty, or number of faults)."""

    layer: str
    bars: tuple[str, str]
    text: str
    amount: float


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether a player can take it, and what exceeds what the tier takes, the worst first."""

    within: bool
    exceeding: tuple[Excess, ...]


def verdict(assessment: Assessment, rules: Rules, faults: Sequence[Fault] = ()) -> Verdict:
    """Holds the bars to a tier's rules.

    A bar is over if a layer is above its cap, more layers are complex than `max_complex`, or a
    forbidden pair is there. Bars over by no more than `burst_margin` are let pass where no more
    than `burst_bars` of them follow one another and no more than that stand in any `burst_within`
    bars. The difficulty of the worst sustained stretch must not exceed `max_load`. Any fault is too
    much.
    """
    found: list[Excess] = []
    for fault in faults:
        found.append(Excess("", (fault.bar, fault.bar), fault.text, 1.0))
    table = assessment.table
    counted = ~_bursts(table, rules)
    for layer_at, layer in enumerate(LAYERS):
        cap = rules.caps[layer_at]
        for first, last in _runs(counted & (table[:, layer_at] > cap + _NOTHING)):
            worst = max(bar.layers[layer_at] for bar in assessment.bars[first : last + 1])
            found.append(
                _excess(
                    assessment, layer, first, last, worst - cap,
                    f"{_words(layer)} {level(worst)} ({worst:.2f}), the tier takes {cap:.2f}",
                )
            )
    complex_at_once = _complex(table)
    for first, last in _runs(counted & (complex_at_once > rules.max_complex)):
        most = int(complex_at_once[first : last + 1].max())
        found.append(
            _excess(
                assessment, "", first, last, most - rules.max_complex,
                f"{count_words(most)} layers complex at once, the tier takes"
                f" {count_words(rules.max_complex)}",
            )
        )
    for one, other, least_one, least_other in rules.forbidden:
        i, j = LAYERS.index(one), LAYERS.index(other)
        both = (table[:, i] >= least_one) & (table[:, j] >= least_other)
        for first, last in _runs(counted & both):
            found.append(
                _excess(
                    assessment, one, first, last, 1.0,
                    f"{_words(one)} and {_words(other)} together, which the tier does not take",
                )
            )
    if assessment.difficulty > rules.max_load + _NOTHING:
        stretch = max(assessment.stretches, key=lambda s: (s.difficulty, -s.first))
        found.append(
            _excess(
                assessment, "", stretch.first, stretch.last,
                (assessment.difficulty - rules.max_load) / 100.0,
                f"difficulty {assessment.difficulty:.1f} where it is hardest, the tier takes"
                f" {rules.max_load:g}",
            )
        )
    return Verdict(not found, tuple(sorted(found, key=lambda e: -e.amount)))


def within(assessment: Assessment, rules: Rules, faults: Sequence[Fault] = ()) -> bool:
    """As `verdict`, without saying what exceeds."""
    if faults or assessment.difficulty > rules.max_load + _NOTHING:
        return False
    table = assessment.table
    return not (_over(table, rules, 0.0) & ~_bursts(table, rules)).any()


def would_hold(rows: Sequence[Loads], rules: Rules) -> bool:
    """True if the rules hold for bars in a row with these loads."""
    bars = tuple(BarLoad(at, "", row, 0.0, 0.0) for at, row in enumerate(rows))
    return within(Assessment((), (), bars, *read_bars(bars)), rules)


def _excess(
    assessment: Assessment, layer: str, first: int, last: int, amount: float, text: str
) -> Excess:
    bars = (assessment.bars[first].number, assessment.bars[last].number)
    return Excess(layer, bars, text, amount)


def _words(layer: str) -> str:
    return layer.replace("_", " the " if layer == between_hands.NAME else " ")


def _table(bars: Sequence[BarLoad]) -> Floats:
    return np.array([bar.layers for bar in bars], dtype=np.float64).reshape(-1, len(LAYERS))


def _complex(table: Floats, margin: float = 0.0) -> Ints:
    """How many layers of each bar are complex, by more than the margin."""
    found: Ints = (table > MODERATE + margin + _NOTHING).sum(axis=1)
    return found


def _over(table: Floats, rules: Rules, margin: float) -> Bools:
    """Whether each bar breaks a rule by more than the margin."""
    caps: Floats = np.array(rules.caps)
    over: Bools = np.any(table > caps + margin + _NOTHING, axis=1)
    over |= _complex(table, margin) > rules.max_complex
    for one, other, least_one, least_other in rules.forbidden:
        first, second = table[:, LAYERS.index(one)], table[:, LAYERS.index(other)]
        over |= (first >= least_one + margin) & (second >= least_other + margin)
    return over


def _bursts(table: Floats, rules: Rules) -> Bools:
    """Which bars are over but pass as bursts."""
    over, passing = _over(table, rules, 0.0), np.zeros(len(table), dtype=bool)
    if not over.any() or not rules.burst_bars:
        return passing
    within = int(numbers("load")["burst_within"])
    far, every = _over(table, rules, rules.burst_margin), np.nonzero(over)[0].tolist()
    for first, last in _runs(over):
        begin = bisect.bisect_right(every, first - within)
        near = every[begin : bisect.bisect_left(every, last + within)]
        crowded = any(
            sum(1 for at in near if start <= at < start + within) > rules.burst_bars
            for start in near
        )
        if not crowded and not far[first : last + 1].any():
            passing[first : last + 1] = True
    return passing


def _runs(where: Bools) -> list[tuple[int, int]]:
    """The rows in question as runs (first, last) of neighbours."""
    edges = np.diff(np.concatenate(([0], where.astype(np.int8), [0])))
    starts, ends = np.nonzero(edges == 1)[0], np.nonzero(edges == -1)[0] - 1
    return list(zip(starts.tolist(), ends.tolist(), strict=True))


def part_of(assessment: Assessment, first: int, last: int) -> Assessment:
    """Bars at positions first..last of an assessment, as an assessment (loads as they stand)."""
    if (first, last) == (0, len(assessment.bars) - 1):
        return assessment
    bars = assessment.bars[first : last + 1]
    begin = bisect.bisect_left(assessment.grid, bars[0].index, key=lambda beat: beat.bar)
    end = bisect.bisect_right(assessment.grid, bars[-1].index, key=lambda beat: beat.bar)
    beats = assessment.grid[begin:end]
    curves = tuple(
        LayerCurve(
            curve.layer, curve.loads[begin:end],
            partial(_reasons_between, curve, beats[0].onset, beats[-1].end),
        )
        for curve in assessment.curves
    )
    layers, difficulty = read_bars(bars)
    return Assessment(beats, curves, bars, layers, difficulty)


def _reasons_between(curve: LayerCurve, low: int, high: int) -> tuple[Reason, ...]:
    return between(curve.reasons, low, high)


_Placed = TypeVar("_Placed", Reason, Fault)


def between(rows: Sequence[_Placed], low: int, high: int) -> tuple[_Placed, ...]:
    """Those of reasons or faults in time order whose onset is in ticks [low, high)."""
    first = bisect.bisect_left(rows, low, key=lambda row: row.onset)
    return tuple(rows[first : bisect.bisect_left(rows, high, key=lambda row: row.onset)])


def least_changes(
    assessment: Assessment, rules: Rules, faults: Sequence[Fault] = ()
) -> tuple[tuple[tuple[str, str], ...], ...]:
    """The least that would bring it within the rules: alternatives, each a set of (layer, level)
    such as (('pedals', 'moderate'),); fewest layers first, and the mildest level of each.

    Where neither one layer nor two suffice, the one set left when as many layers as possible are
    let go again, the lightest first. Empty if it is within already, or if no easing of layers
    helps (faults are not layers).
    """
    if faults or verdict(assessment, rules).within:
        return ()
    order = sorted(range(len(LAYERS)), key=lambda k: -assessment.layers[k])
    steps = [(k, cap) for k in order for cap in (MODERATE, _simple(rules, k))]
    found = _mildest([[s] for s in steps if _eased_within(assessment, rules, [s])])
    if not found:
        pairs = [
            [one, other]
            for i, one in enumerate(steps)
            for other in steps[i + 1 :]
            if one[0] != other[0]
        ]
        found = _mildest([pair for pair in pairs if _eased_within(assessment, rules, pair)])
    if not found:
        found = _many(assessment, rules, order)
    return tuple(
        tuple((LAYERS[k], level(cap)) for k, cap in choice) for choice in found
    )


def _simple(rules: Rules, layer: int) -> float:
    """How simple a layer has to be to be both simple and within the rules' cap."""
    return min(SIMPLE, rules.caps[layer])


def _many(
    assessment: Assessment, rules: Rules, order: Sequence[int]
) -> list[list[tuple[int, float]]]:
    """One set of easings of more than two layers, none of which can be spared; [] if none helps."""
    caps = {k: _simple(rules, k) for k in order}
    if not _eased_within(assessment, rules, list(caps.items())):
        return []
    for k in reversed(order):
        for milder in (None, MODERATE):
            trial = {i: c for i, c in caps.items() if i != k or milder is not None}
            if milder is not None:
                trial[k] = milder
            if _eased_within(assessment, rules, list(trial.items())):
                caps = trial
                break
    return [list(caps.items())]


_Step = tuple[int, float]


def _mildest(choices: Sequence[list[_Step]]) -> list[list[_Step]]:
    """Without those choices that ease the same layers at least as much as an earlier one."""
    kept: list[list[_Step]] = []
    for choice in choices:
        if not any(
            [k for k, _ in other] == [k for k, _ in choice]
            and all(a[1] >= b[1] for a, b in zip(other, choice, strict=True))
            for other in kept
        ):
            kept.append(choice)
    return kept


def _eased_within(assessment: Assessment, rules: Rules, steps: Sequence[_Step]) -> bool:
    """True if it would be within with these layers nowhere above these loads."""
    bars = []
    for bar in assessment.bars:
        values = list(bar.layers)
        for k, cap in steps:
            values[k] = min(values[k], cap)
        layers = _six(values)
        bars.append(replace(bar, layers=layers, difficulty=difficulty_of(stack(layers))))
    layers, difficulty = read_bars(bars)
    eased = Assessment(assessment.grid, assessment.curves, tuple(bars), layers, difficulty)
    return verdict(eased, rules).within


@dataclass(frozen=True, slots=True)
class Reading:
    """A part as one player reads it."""

    player: Player
    performance: Performance
    assessment: Assessment
    faults: tuple[Fault, ...]
    verdict: Verdict


def read_for(part: Part, player: Player, learnt: Learnt | None = None) -> Reading:
    """Performance, assessment, faults and verdict of a part for a player. learnt: hands and fingers
    known from another version."""
    performance = perform(part, player, learnt=learnt)
    assessment, faults = assess(performance), find_faults(performance)
    return Reading(
        player, performance, assessment, faults, verdict(assessment, player.rules, faults)
    )


def plainly_over(bars: Sequence[BarLoad], rules: Rules, layer: int) -> bool:
    """True if one layer alone breaks the rules beyond any burst."""
    least = rules.caps[layer] + rules.burst_margin + _NOTHING
    return any(bar.layers[layer] > least for bar in bars)
