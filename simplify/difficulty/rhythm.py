"""Rhythm: within each line (syncopation, change of note values, tuplets) and between lines
(cross-rhythm).

Syncopation follows Longuet-Higgins & Lee 1984, The Rhythmic Interpretation of Monophonic Music
(Music Perception 1:4): positions of a bar have weights (0 for its start, one less for each level of
division below); a note followed by a rest, or by its own holding on, at a heavier position is a
syncopation of strength (weight of that position) - (weight of the note's). Where another line
strikes the heavier position the player can lean on it, so the strength counts less (loads.toml,
[rhythm]); of all the heavier positions that a note passes over the hardest counts. Note values:
successive inter-onset times in a simple ratio are easier (the nearer to one, the less work); a line
that another takes over when it rests has changed no value there. Cross- rhythm: between two moments
that two lines share, they divide the time by p and q, neither of which divides the other; work
grows with the pair's numbers. Missing first beats, compound metre and polyrhythm as sources of felt
syncopation: Song 2013 (thesis, Queen Mary, University of London). The layer depends on the music
alone, not on who plays which note.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Iterator, Sequence
from functools import cache, partial
from itertools import pairwise

import numpy as np

from simplify.difficulty.curve import (
    Beat,
    Floats,
    LayerCurve,
    Work,
    explain,
    load_of,
    numbers,
    rate,
)
from simplify.difficulty.voices import Line, lines
from simplify.harp.player import SIMPLE
from simplify.score.model import Bar
from simplify.technique.plan import Performance

NAME = "rhythm"

_SAY = {
    "syncopation": "{count} syncopation{s}, {rate}",
    "values": "{count} change{s} of note value, {rate}",
}


def measure(performance: Performance, grid: tuple[Beat, ...]) -> LayerCurve:
    """Load per beat; see the module."""
    table = numbers(NAME)
    bars = performance.part.bars
    every = lines(performance)
    items: list[Work] = []
    for line in every:
        items.extend(_within(line, [other for other in every if other is not line], bars, table))
    work = rate(items, grid, table["window"])
    crossing, crossed = _cross_rhythms(every, bars, grid, table)
    loads = tuple(load_of((work + crossing) / table["anchor"]).tolist())
    say = dict(_SAY)
    for kind in sorted({item.kind for item in crossed}):
        p, q = kind.removeprefix("cross ").split(":")
        say[kind] = f"{p} against {q}, {{count}} note{{s}}"
    told = [*items, *crossed]
    return LayerCurve(NAME, loads, partial(explain, NAME, told, grid, loads, SIMPLE, say))


@cache
def _periods(beats: int, unit: int, pulse: int) -> tuple[int, ...]:
    """Tick periods of the metre's levels, from the bar down to an eighth of the felt beat: 4/4 is
    whole, half, quarter, eighth ...; 3/4 dotted half, quarter, eighth ...; 6/8 dotted half, dotted
    quarter, eighth ... Each divides the one before."""
    full = beats * unit
    periods = [full]
    count = full // pulse
    while count > 1:
        factor = 2 if count % 2 == 0 else next(p for p in range(3, count + 1) if count % p == 0)
        count //= factor
        periods.append(count * pulse)
    for factor in (3 if pulse != unit else 2, 2, 2):
        if periods[-1] % factor:
            break
        periods.append(periods[-1] // factor)
    return tuple(periods)


def weight(bar: Bar, tick: int) -> int:
    """Metrical weight of a tick of the bar: 0 at its start, one less for each level below.

    A place off all the metre's levels (a triplet's in a simple metre, a quintuplet's) stands on the
    first level below the felt beat: a tuplet divides the beat, it does not lean on its halves.
    """
    place = tick - bar.onset + bar.lead
    for depth, period in enumerate(_periods(bar.beats, bar.beat_ticks, bar.pulse_ticks)):
        if place % period == 0:
            return -depth
    return -_depth_below_beat(bar)


def _depth_below_beat(bar: Bar) -> int:
    periods = _periods(bar.beats, bar.beat_ticks, bar.pulse_ticks)
    return periods.index(bar.pulse_ticks) + 1 if bar.pulse_ticks in periods else 1


def heaviest_between(bar: Bar, start: int, end: int) -> tuple[int, int] | None:
    """(weight, tick) of the heaviest metrical position strictly inside (start, end), not beyond
    the next bar line (a position of weight 0); the earlier on a tie; None if no position down to an
    eighth of a beat lies inside."""
    return next(_positions_between(bar, start, end), None)


def _positions_between(bar: Bar, start: int, end: int) -> Iterator[tuple[int, int]]:
    """(weight, tick) of the first position of each level strictly inside (start, end), not beyond
    the next bar line, the heaviest level first."""
    origin = bar.onset - bar.lead
    for depth, period in enumerate(_periods(bar.beats, bar.beat_ticks, bar.pulse_ticks)):
        tick = origin + ((start - origin) // period + 1) * period
        if start < tick < end:
            yield -depth, tick


def syncopations(
    onsets: Sequence[int], end: int, bars: Sequence[Bar]
) -> list[tuple[int, int, int]]:
    """(onset, heavier tick, strength) of each syncopation of a line of onsets (ticks, ascending);
    `end`: tick up to which the last note's silence or holding lasts. Strength as in Longuet-Higgins
    & Lee 1984: weight of the heavier position less the note's."""
    return [(onset, *heavier[0]) for onset, heavier in _passed_over(onsets, end, bars)]


def _passed_over(
    onsets: Sequence[int], end: int, bars: Sequence[Bar]
) -> Iterator[tuple[int, list[tuple[int, int]]]]:
    """(onset, [(heavier tick, strength), ...]) of each syncopation: the first place of each level
    that it passes over, the heaviest first."""
    starts = [bar.onset for bar in bars]
    for k, onset in enumerate(onsets):
        after = onsets[k + 1] if k + 1 < len(onsets) else end
        bar = bars[max(0, bisect.bisect_right(starts, onset) - 1)]
        own = weight(bar, onset)
        heavier = [
            (tick, level - own)
            for level, tick in _positions_between(bar, onset, after)
            if level > own
        ]
        if heavier:
            yield onset, heavier


def _within(line: Line, others: Sequence[Line], bars: Sequence[Bar], table: dict[str, float]) -> (
    list[Work]
):
    """Syncopations and changes of note value in one line; `others`: every other line."""
    place = {tick: k for k, tick in enumerate(line.ticks)}
    leaned = {tick for other in others for tick in other.ticks}
    items: list[Work] = []
    for onset, passed in _passed_over(line.ticks, bars[-1].end, bars):
        k = place[onset]
        # Of the places passed over the hardest counts: one that another line strikes does not make
        # those easier that none does.
        amount = 0.0
        for heavier, strength in passed:
            price = table["syncopation"] * min(strength, table["strength_most"])
            if heavier in leaned:
                held = line.ends[k] > heavier
                price *= table["leaning_held"] if held else table["leaning_rest"]
            amount = max(amount, price)
        items.append(
            Work(line.seconds[k], onset, line.bars[k], line.hands[k], "syncopation", amount)
        )
    longest = table["longest_beats"]
    # Where another line takes over as a note ends, the value goes on in that line.
    handed = {
        k for k, end in enumerate(line.ends[:-1]) if end < line.ticks[k + 1] and end in leaned
    }
    for k in range(1, len(line.ticks) - 1):
        if k in handed or k - 1 in handed:
            continue
        before, after = line.ticks[k] - line.ticks[k - 1], line.ticks[k + 1] - line.ticks[k]
        pulse = bars[line.bars[k]].pulse_ticks
        if before != after and max(before, after) <= longest * pulse:
            amount = _ratio_price(before, after, table)
            again = line.ticks[max(0, k - 3) : k]
            if [b - a for a, b in pairwise(again)] == [before, after]:
                amount *= table["value_again"]
            items.append(
                Work(line.seconds[k], line.ticks[k], line.bars[k], line.hands[k], "values", amount)
            )
    return items


def _ratio_price(before: int, after: int, table: dict[str, float]) -> float:
    """Price of going from one note value to another: halves and doubles are easy, dotted ratios
    less so, changes between twos and threes or fives hard."""
    common = math.gcd(before, after)
    more, less = max(before, after) // common, min(before, after) // common
    if less == 1 and more & (more - 1) == 0:
        return table["value_double"]
    if less == 1 and more == 3:
        return table["value_dotted"]
    return table["value_other"]


def _cross_rhythms(
    every: Sequence[Line], bars: Sequence[Bar], grid: Sequence[Beat], table: dict[str, float]
) -> tuple[Floats, list[Work]]:
    """Work a second of cross-rhythms, and its items: the heaviest pair of lines in full, the other
    pairs by a share."""
    worst = np.zeros(len(grid))
    total = np.zeros(len(grid))
    items: list[Work] = []
    for at, one in enumerate(every):
        for other in every[at + 1 :]:
            found = _cross_rhythm(one, other, bars, table)
            if found:
                work = rate(found, grid, table["window"])
                worst, total = np.maximum(worst, work), total + work
                items.extend(found)
    return worst + table["further_pair"] * (total - worst), items


def _cross_rhythm(
    one: Line, other: Line, bars: Sequence[Bar], table: dict[str, float]
) -> list[Work]:
    """Work of cross-rhythms of two lines: between two moments that they share (or bar lines), both
    strike alone, and neither divides the time as a multiple of the other. Kind: 'cross p:q', the
    greater number first."""
    shared = sorted({*one.ticks} & {*other.ticks} | {bar.onset for bar in bars})
    inside: dict[int, tuple[list[int], list[int]]] = {}
    for side, (line, ticks) in enumerate(((one, {*other.ticks}), (other, {*one.ticks}))):
        for k, tick in enumerate(line.ticks):
            # In a window of bars a line may begin before and end after them.
            if tick not in ticks and bars[0].onset <= tick < bars[-1].end:
                at = bisect.bisect_right(shared, tick) - 1
                inside.setdefault(at, ([], []))[side].append(k)
    items: list[Work] = []
    for at, sides in sorted(inside.items()):
        if not sides[0] or not sides[1]:
            continue
        start = shared[at]
        end = shared[at + 1] if at + 1 < len(shared) else bars[-1].end
        p, q = (
            _division(start, end, [line.ticks[k] for k in side])
            for line, side in zip((one, other), sides, strict=True)
        )
        common = math.gcd(p, q)
        p, q = max(p, q) // common, min(p, q) // common
        if q == 1:
            continue
        alone = [
            (line, k) for line, side in zip((one, other), sides, strict=True) for k in side
        ]
        hands = {line.hands[k] for line, k in alone}
        hand = hands.pop() if len(hands) == 1 else "B"
        amount = table["cross"] * math.sqrt(min(p + q - 4, table["cross_most"])) / len(alone)
        items.extend(
            Work(line.seconds[k], line.ticks[k], line.bars[k], hand, f"cross {p}:{q}", amount)
            for line, k in alone
        )
    return items


def _division(start: int, end: int, ticks: Sequence[int]) -> int:
    """Into how many equal parts [start, end) has to be cut so that every tick falls on a cut."""
    parts = 1
    for tick in ticks:
        whole = end - start
        parts = math.lcm(parts, whole // math.gcd(whole, tick - start))
    return parts
