"""What all layers share: beats, reasons, load curves, and the events they read off a performance.

A layer adds up *work*: what a player has to do beyond the ordinary, in a unit of its own, each item
at a moment. Work per second over the work a second that a professional calls the start of complex
(the layer's *anchor*) is its *demand*; demand 1 is load `MODERATE`. So

    load = 1 - exp(ln(1 - MODERATE) * demand)

which is 0 without work, grows with every item, and never reaches 1, so that a search always sees
which of two bad places is worse. Items are smeared over a fixed number of *seconds* around them
(a triangle, never narrower than the beat itself): load is what comes in a stretch of time, however
the beats are written. Distances in seconds shrink as the tempo rises, so a faster tempo never
lowers a smeared rate. No whole-piece statistic enters anywhere.

Numbers stand in loads.toml.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt

from simplify.harp.player import MODERATE, Player, tier_player
from simplify.score.model import Part
from simplify.tables import table
from simplify.technique.plan import Performance

Floats = npt.NDArray[np.float64]

HAND_WORDS = {"L": "left", "R": "right", "B": "both", "": ""}
"""How a reason names the hand of a piece of work."""


@dataclass(frozen=True, slots=True)
class Beat:
    """One felt beat of a bar. bar: index in `Part.bars`; number: the printed one; beat: 1-based, in
    units of the metre's denominator; onset, end: ticks; start, stop: seconds from the part's start.
    """

    bar: int
    number: str
    beat: float
    onset: int
    end: int
    start: float
    stop: float

    @property
    def seconds(self) -> float:
        """Length in seconds."""
        return self.stop - self.start


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a layer is loaded somewhere. onset: tick; bar: printed number; hand: 'left', 'right',
    'both' or '' (neither); text: a sentence without a full stop; value: the beat's load."""

    layer: str
    onset: int
    bar: str
    beat: float
    hand: str
    text: str
    value: float


@dataclass(frozen=True, eq=False)
class LayerCurve:
    """One layer over time. loads: in [0, 1), one per beat of the grid; tell: gives the reasons, in
    time order, when they are asked for: a search asks for none."""

    layer: str
    loads: tuple[float, ...]
    tell: Callable[[], tuple[Reason, ...]] = field(repr=False)

    @cached_property
    def reasons(self) -> tuple[Reason, ...]:
        """Why it is loaded, in time order."""
        return self.tell()

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, LayerCurve):
            return NotImplemented
        mine, theirs = (self.layer, self.loads), (other.layer, other.loads)
        return mine == theirs and self.reasons == other.reasons

    def __hash__(self) -> int:
        return hash((self.layer, self.loads))


@dataclass(frozen=True, slots=True)
class Pluck:
    """What one hand plucks at one moment. tick, end: written onset and end of the longest of its
    notes; at, until: the same in seconds; strings: low to high, each once; strikes: indices (two on
    one string where voices meet); placing: the hand plan's placing; bar: index."""

    hand: str
    tick: int
    end: int
    at: float
    until: float
    strings: tuple[int, ...]
    strikes: tuple[int, ...]
    placing: int
    bar: int

    @property
    def low(self) -> int:
        """Lowest string."""
        return self.strings[0]

    @property
    def high(self) -> int:
        """Highest string."""
        return self.strings[-1]


@dataclass(frozen=True, slots=True)
class Work:
    """An item of work: seconds, tick, bar index, hand ('L', 'R', 'B' or ''), kind, amount."""

    at: float
    tick: int
    bar: int
    hand: str
    kind: str
    amount: float


def numbers(layer: str) -> dict[str, float]:
    """The values of a layer's table in loads.toml."""
    return table("simplify.difficulty", "loads.toml", layer)


def grid(part: Part) -> tuple[Beat, ...]:
    """The felt beats of all bars, in order; a pickup's first beat may be short."""
    beats = []
    for bar in part.bars:
        tick = bar.onset - bar.lead
        while tick < bar.end:
            after = tick + bar.pulse_ticks
            if after > bar.onset:
                onset, end = max(tick, bar.onset), min(after, bar.end)
                beats.append(
                    Beat(
                        bar.index, bar.number, round(bar.beat(onset), 4), onset, end,
                        part.seconds(onset), part.seconds(end),
                    )
                )
            tick = after
    return tuple(beats)


def plucks(performance: Performance) -> dict[str, tuple[Pluck, ...]]:
    """The plucks of each hand ('R', 'L') in time order; kept on the performance, since most layers
    read them."""
    kept: dict[str, tuple[Pluck, ...]] | None = performance.__dict__.get("_plucks")
    if kept is None:
        rows: dict[str, list[Pluck]] = {"R": [], "L": []}
        strikes, strings = performance.strikes, performance.strings
        placings, until = performance.hand_plan.placings, performance.until
        seconds = performance.seconds
        for hand, _, members in performance.chords:
            # The seconds of the strike: those of `chords` are rounded to find what is together.
            head, at = strikes[members[0]], seconds[members[0]]
            rows[hand].append(
                Pluck(
                    hand, head.onset, max(strikes[i].end for i in members), at,
                    max(until[i] for i in members),
                    tuple(sorted({strings[i] for i in members})), members,
                    placings[members[0]], head.first.bar,
                )
            )
        kept = {hand: tuple(row) for hand, row in rows.items()}
        performance.__dict__["_plucks"] = kept
    return kept


def relief(player: Player, limit: str) -> float:
    """By how much a strength of the player's own eases one limit: 1 for the typical player of
    every tier (loads are absolute), less where the player beats both the tier's and the
    professional's value. A strength that makes an amateur as good as a professional buys back a
    fault, not a load."""
    own = float(getattr(player.limits, limit))
    typical = float(getattr(tier_player(player.tier).limits, limit))
    expert = float(getattr(tier_player("professional").limits, limit))
    if limit in ("hand_rate", "trill_rate"):
        return min(1.0, expert / own) if own > typical and own > 0 else 1.0
    return min(1.0, own / expert) if own < typical else 1.0


def reach_gain(player: Player) -> int:
    """Strings that this player reaches beyond the tier's typical one (negative: small hands)."""
    return player.limits.reach - tier_player(player.tier).limits.reach


def load_of(demand: Floats) -> Floats:
    """Load of a demand; see the module's formula."""
    out: Floats = 1.0 - np.exp(math.log(1.0 - MODERATE) * demand)
    return out


def demand_of(load: float) -> float:
    """The demand of a load, the other way round: how many times over the place is where complex
    begins. Loads near 1 that look alike differ here."""
    return math.log(max(1e-9, 1.0 - load)) / math.log(1.0 - MODERATE)


def rate(items: Sequence[Work], beats: Sequence[Beat], seconds: float) -> Floats:
    """Work per second at each beat (len(beats),): the items under a triangle centred on the beat,
    whose half width is `seconds` or the beat's length, whichever is longer."""
    if not items or not beats:
        return np.zeros(len(beats))
    ordered = sorted(items, key=lambda item: item.at)
    at = np.array([item.at for item in ordered])
    amount = np.array([item.amount for item in ordered])
    centre = np.array([(beat.start + beat.stop) / 2.0 for beat in beats])
    half = np.maximum(np.array([beat.stop - beat.start for beat in beats]), seconds)
    first = np.searchsorted(at, centre - half, side="left")
    count = np.searchsorted(at, centre + half, side="right") - first
    # Every beat sums its own items, so that no beat's rounding depends on the music before.
    beat = np.repeat(np.arange(len(beats)), count)
    item = np.arange(len(beat)) + np.repeat(first - (np.cumsum(count) - count), count)
    share = np.maximum(0.0, 1.0 - np.abs(at[item] - centre[beat]) / half[beat])
    total: Floats = np.bincount(beat, weights=amount[item] * share, minlength=len(beats)) / half
    return total


def explain(
    layer: str,
    items: Iterable[Work],
    beats: Sequence[Beat],
    loads: Sequence[float],
    threshold: float,
    say: dict[str, str],
    ordinary: str = "",
) -> tuple[Reason, ...]:
    """At most two reasons a bar, for bars with a beat at or above the threshold.

    The kinds of work that weigh most in the bar (each at least a fifth of the bar's work) are
    named, at the beat of that bar with the highest load; `ordinary` kinds only where no other kind
    is. `say` gives each kind's sentence, with `{count}` (in words), `{s}` (plural s) and, at the
    end, `, {rate}` (items a second; left out for a single one) to be filled in.
    """
    top: dict[int, int] = {}
    for at, beat in enumerate(beats):
        if loads[at] >= threshold and (
            beat.bar not in top or loads[at] > loads[top[beat.bar]] + 1e-9
        ):
            top[beat.bar] = at
    if not top:
        return ()
    by_bar: dict[int, list[Work]] = {}
    for item in items:
        if item.bar in top and item.amount > 0.0:
            by_bar.setdefault(item.bar, []).append(item)
    spans: dict[int, tuple[float, float]] = {}
    for beat in beats:
        low, high = spans.get(beat.bar, (beat.start, beat.stop))
        spans[beat.bar] = (min(low, beat.start), max(high, beat.stop))
    reasons: list[Reason] = []
    for bar, at in sorted(top.items()):
        beat, inside = beats[at], by_bar.get(bar, [])
        total = sum(item.amount for item in inside)
        sums: dict[tuple[str, str], float] = {}
        counts: dict[tuple[str, str], int] = {}
        for item in inside:
            key = (item.kind, item.hand)
            sums[key] = sums.get(key, 0.0) + item.amount
            counts[key] = counts.get(key, 0) + 1
        ranked = sorted(
            (key for key in sums if sums[key] >= 0.2 * total),
            key=lambda key: (key[0] == ordinary, -sums[key], key),
        )
        if not ranked:
            ranked = sorted(sums, key=lambda key: (-sums[key], key))[:1]
        named = [key for key in ranked[:2] if key[0] != ordinary] or ranked[:1]
        seconds = max(1e-6, spans[bar][1] - spans[bar][0])
        for kind, hand in named:
            count = counts[(kind, hand)]
            sentence = say[kind].replace(", {rate}", "") if count == 1 else say[kind]
            text = sentence.format(
                count=count_words(count), s="" if count == 1 else "s",
                rate=rate_words(count / seconds),
            )
            words = HAND_WORDS[hand]
            reasons.append(
                Reason(layer, beat.onset, beat.number, beat.beat, words, text, loads[at])
            )
    return tuple(reasons)


_SMALL = (
    "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven",
    "twelve",
)


def count_words(count: int) -> str:
    """'five', '14'."""
    return _SMALL[count] if count < len(_SMALL) else str(count)


def rate_words(per_second: float) -> str:
    """'8 a second', '1.5 a second', 'one in 2.5 seconds'."""
    if per_second >= 0.95:
        shown = f"{per_second:.0f}" if per_second >= 3 else f"{per_second:.1f}".removesuffix(".0")
        return f"{shown} a second"
    return f"one in {1.0 / per_second:.1f} seconds" if per_second > 0 else "none"
