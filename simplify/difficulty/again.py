"""A changed part assessed again: the same reading as from the beginning, at the change's price.

The performance is made anew around the change (`technique.perform_again`). A layer's load looks no
further than `LOOK` seconds, a bar and the last `PLUCKS` plucks of a hand (see `load`), so the
layers are measured anew in a window of bars that holds all that can have changed and as much again
on either side, and the bars that can have changed are taken from there. Bars' order, stretches and
verdict are read off all bars, which is little. Where the performance can't be made anew in part the
whole is read.
"""

from __future__ import annotations

import bisect
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import accumulate

from simplify.difficulty.curve import LayerCurve, grid
from simplify.difficulty.load import (
    MEASURES,
    Assessment,
    Reading,
    assess,
    bar_loads,
    between,
    read_bars,
    read_for,
    verdict,
)
from simplify.difficulty.voices import Line, Voices, carry_voices, keep_voices, voices
from simplify.harp.player import LAYERS, Player
from simplify.score.harmony import Cutting, Harmony, cutting, harmonies, keep_harmonies
from simplify.score.harmony_again import cut_again
from simplify.score.model import Part, Passage, Strike
from simplify.technique.perform_again import Traced, perform_again, perform_traced
from simplify.technique.plan import Fault, HandPlan, Performance
from simplify.technique.playability import find_faults

LOOK = 5.0
"""Seconds beyond which nothing counts for a load: the longest of the memories in loads.toml (two
seconds for a pedal or its letter, one for a string) and the widest window (two) on top."""
PLUCKS = 3
"""Plucks of a hand that a load looks back."""
EVENTS = 5
"""Events of a line that a load looks to either side."""
HARMONIES = 3


@dataclass(frozen=True)
class Kept:
    """A reading, and what it takes to read a changed version in part (None if that can't be)."""

    reading: Reading
    traced: Traced | None
    cutting: Cutting | None


def read_to_change(part: Part, player: Player) -> Kept:
    """`load.read_for`, kept so that a changed version costs no more than the change."""
    found = perform_traced(part, player)
    if found is None:
        return Kept(read_for(part, player), None, None)
    performance, traced = found
    cut = cutting(Passage(part, 0, len(part.bars) - 1))
    if cut is not None:
        keep_harmonies(part, cut.found)
    return Kept(_read(performance, assess(performance), find_faults(performance)), traced, cut)


def _read(
    performance: Performance, assessment: Assessment, faults: tuple[Fault, ...]
) -> Reading:
    rules = performance.player.rules
    return Reading(
        performance.player, performance, assessment, faults, verdict(assessment, rules, faults)
    )


def reassess(kept: Kept, part: Part) -> Kept:
    """The reading of a changed version of a part, equal to reading it from the beginning: the same
    bars and tempo with other notes in some bars."""
    was = kept.reading
    changed = perform_again(kept.traced, part) if kept.traced else None
    if changed is None or kept.cutting is None:
        return read_to_change(part, was.player)
    cut = cut_again(kept.cutting, part, *changed.bars)
    if cut is None:
        return read_to_change(part, was.player)
    keep_harmonies(part, cut.found)
    old, new = was.performance, changed.traced.performance
    low, high = changed.low, changed.high
    first = changed.traced.first
    begin, end = part.bar_at(low).index, part.bar_at(high).index + 1
    carry_voices(old, new, first[begin], first[end], low, high)
    ticks = [
        low, high, *_other_lines(voices(old), voices(new)),
        *_other_harmonies(_harmonies(old.part), _harmonies(part)),
    ]
    bars = _Bars(changed.traced)
    inner = bars.touched(min(ticks), max(ticks))
    faults: tuple[Fault, ...] | None = None
    span = inner
    while faults is None:
        outer = bars.around(span)
        sub = _window(new, *outer, changed.traced)
        faults, span = _faults(was.faults, old, new, sub, span, outer, changed.traced)
    assessment = _assessment(was.assessment, sub, inner, outer)
    return Kept(_read(new, assessment, faults), changed.traced, cut)


class _Bars:
    """Finds the bars that a change reaches. Bars are given as (first, last)."""

    def __init__(self, traced: Traced) -> None:
        self.traced = traced
        self.part = traced.performance.part
        self.hands = traced.performance.hand_plan.hands

    def touched(self, low: int, high: int) -> tuple[int, int]:
        """Those whose loads can have changed where ticks low to high have."""
        part, starts = self.part, self.traced.starts
        first = bisect.bisect_right(starts, part.seconds(low) - LOOK) - 2
        last = bisect.bisect_right(starts, part.seconds(high) + LOOK)
        return max(0, first), self._plucked(part.bar_at(high).index, max(last, 0), 1)

    def around(self, bars: tuple[int, int]) -> tuple[int, int]:
        """Those that have to be known to measure some bars."""
        traced, part = self.traced, self.part
        first, last = bars
        begin = bisect.bisect_right(traced.starts, traced.starts[first] - LOOK) - 2
        begin = self._plucked(first - 1, max(0, min(begin, first - 1)), -1)
        every = _harmonies(part)
        at = bisect.bisect_right(every, part.bars[begin].onset, key=lambda h: h.onset) - 1
        heard = [k for k in range(max(0, at - 24), at) if every[k].classes][-HARMONIES:]
        begin = min(begin, part.bar_at(every[heard[0]].onset).index if heard else 0)
        rings = list(accumulate(traced.rings[:first], max))
        while begin and rings[begin - 1] > traced.starts[first]:
            begin -= 1
        end = part.bars[last].end
        strikes = traced.performance.strikes[traced.first[begin] : traced.first[last + 1]]
        until = max([part.seconds(end), *(part.seconds(s.end) for s in strikes)])
        final = bisect.bisect_right(traced.starts, until + LOOK)
        return begin, min(len(part.bars) - 1, final)

    def _plucked(self, start: int, bar: int, step: int) -> int:
        """The bar, or further on in the direction of `step`, up to which from `start` on each hand
        has plucked `PLUCKS` times."""
        first, seconds = self.traced.first, self.traced.performance.seconds
        at = start + (step > 0)
        count = len(self.part.bars)
        times: dict[str, set[float]] = {"L": set(), "R": set()}
        while 0 <= at < count:
            for i in range(first[at], first[at + 1]):
                times[self.hands[i]].add(seconds[i])
            if (at - bar) * step >= 0 and all(len(row) >= PLUCKS for row in times.values()):
                break
            at += step
        return max(0, min(count - 1, at))


def _harmonies(part: Part) -> tuple[Harmony, ...]:
    return harmonies(Passage(part, 0, len(part.bars) - 1))


def _other_harmonies(old: Sequence[Harmony], new: Sequence[Harmony]) -> Iterator[int]:
    """Ticks between which harmonies differ."""
    shorter = min(len(old), len(new))
    head = next((k for k in range(shorter) if old[k] != new[k]), shorter)
    tail = next((k for k in range(shorter - head) if old[-1 - k] != new[-1 - k]), shorter - head)
    for row in (old, new):
        for harmony in row[head : len(row) - tail]:
            yield harmony.onset
            yield harmony.end


def _other_lines(old: Voices, new: Voices) -> Iterator[int]:
    """Ticks between which lines differ."""
    for key in old.keys() | new.keys():
        one, two = old.get(key, ()), new.get(key, ())
        for k in range(max(len(one), len(two)) if one is not two else 0):
            yield from _other_events(*(row[k] if k < len(row) else None for row in (one, two)))


def _other_events(old: Line | None, new: Line | None) -> Iterator[int]:
    if old == new:
        return
    rows = [
        list(zip(*(getattr(line, name) for name in Line.__slots__), strict=True)) if line else []
        for line in (old, new)
    ]
    one, two = rows
    shorter = min(len(one), len(two))
    head = next((k for k in range(shorter) if one[k] != two[k]), shorter)
    tail = next((k for k in range(shorter - head) if one[-1 - k] != two[-1 - k]), shorter - head)
    for row in rows:
        for event in row[head : len(row) - tail]:
            yield event[0]
            yield event[1]


def _window(new: Performance, first: int, last: int, traced: Traced) -> Performance:
    """Some bars of a performance as a performance of their own."""
    part, plan = new.part.alone().window(first, last), new.hand_plan
    begin, end = traced.first[first], traced.first[last + 1]
    span = slice(begin, end)
    part.__dict__["strikes"] = tuple([
        Strike(s.notes, replace(s.first, bar=s.first.bar - first), s.onset, s.end, s.lead)
        for s in new.strikes[span]
    ])
    low, high = part.bars[0].onset, part.bars[-1].end
    pedals = new.pedal_plan
    unmet = [u for u in pedals.unmet if low <= u.onset < high]
    inside = [u for u in unmet if all(begin <= i < end for i in u.strikes)]
    sub = Performance(
        part, new.player, new.seconds[span], new.until[span],
        HandPlan(
            plan.hands[span], plan.fingers[span], plan.placings[span], plan.rolled[span], 0.0
        ),
        replace(
            pedals, moves=tuple([m for m in pedals.moves if low <= m.onset < high]),
            played=pedals.played[span],
            unmet=tuple([
                replace(u, strikes=tuple([i - begin for i in u.strikes])) for u in inside
            ]),
        ),
    )
    every = _harmonies(new.part)
    at = max(0, bisect.bisect_right(every, low, key=lambda h: h.onset) - 1)
    until = bisect.bisect_left(every, high, key=lambda h: h.onset)
    keep_harmonies(part, every[at:until])
    keep_voices(sub, {
        key: tuple([_events(line, low, high, first, last) for line in row])
        for key, row in voices(new).items()
    })
    return sub


def _events(line: Line, low: int, high: int, first: int, last: int) -> Line:
    begin = max(0, bisect.bisect_left(line.ticks, low) - EVENTS)
    end = bisect.bisect_left(line.ticks, high) + EVENTS
    span = slice(begin, end)
    return Line(
        line.ticks[span], line.ends[span], line.strings[span], line.hands[span],
        line.seconds[span], tuple([min(max(bar, first), last) - first for bar in line.bars[span]]),
    )


def _assessment(
    was: Assessment, sub: Performance, inner: tuple[int, int], outer: tuple[int, int]
) -> Assessment:
    """The assessment with the bars `inner` taken from a window of the bars `outer`."""
    beats, offset = grid(sub.part), outer[0]

    def cut(row: Sequence[object], first: int, last: int) -> tuple[int, int]:
        return (
            bisect.bisect_left(row, first, key=lambda beat: beat.bar),  # type: ignore[attr-defined]
            bisect.bisect_right(row, last, key=lambda beat: beat.bar),  # type: ignore[attr-defined]
        )

    begin, end = cut(was.grid, *inner)
    here, there = cut(beats, inner[0] - offset, inner[1] - offset)
    low, high = was.grid[begin].onset, was.grid[end - 1].end
    curves = []
    for name, curve in zip(LAYERS, was.curves, strict=True):
        fresh = MEASURES[name](sub, beats)
        reasons = (
            *between(curve.reasons, -(1 << 62), low), *between(fresh.reasons, low, high),
            *between(curve.reasons, high, 1 << 62),
        )
        curves.append(LayerCurve(
            name, (*curve.loads[:begin], *fresh.loads[here:there], *curve.loads[end:]),
            partial(tuple, reasons),
        ))
    fresh_bars = bar_loads(
        was.grid[begin:end],
        [LayerCurve(c.layer, c.loads[begin:end], tuple) for c in curves],
    )
    first = bisect.bisect_left(was.bars, inner[0], key=lambda bar: bar.index)
    last = bisect.bisect_right(was.bars, inner[1], key=lambda bar: bar.index)
    bars = (*was.bars[:first], *fresh_bars, *was.bars[last:])
    layers, difficulty = read_bars(bars)
    return Assessment(was.grid, tuple(curves), bars, layers, difficulty)


def _faults(
    known: tuple[Fault, ...], old: Performance, new: Performance, sub: Performance,
    span: tuple[int, int], outer: tuple[int, int], traced: Traced,
) -> tuple[tuple[Fault, ...] | None, tuple[int, int]]:
    """The faults of the new performance, those of the bars `span` found in a window of the bars
    `outer`; None, and wider bars, where a fault reaches across the edge of these."""
    bars = new.part.bars
    low, high = bars[span[0]].onset, bars[span[1]].end
    begin, more = traced.first[outer[0]], len(new.strikes) - len(old.strikes)
    fresh = [
        replace(fault, strikes=tuple([i + begin for i in fault.strikes]))
        for fault in find_faults(sub)
    ]
    first, last = span
    for rows, performance in ((known, old), (fresh, new)):
        for fault in rows:
            onsets = [performance.strikes[i].onset for i in fault.strikes]
            reach = min(fault.onset, *onsets), max(fault.onset, *onsets)
            if reach[0] < high and reach[1] >= low and (reach[0] < low or reach[1] >= high):
                first = min(first, new.part.bar_at(reach[0]).index)
                last = max(last, new.part.bar_at(reach[1]).index)
    if (first, last) != span:
        return None, (first, last)
    after = bisect.bisect_left(known, high, key=lambda fault: fault.onset)
    rest = [
        replace(fault, strikes=tuple([i + more for i in fault.strikes])) if more else fault
        for fault in known[after:]
    ]
    return (
        *between(known, -(1 << 62), low), *between(fresh, low, high), *rest
    ), span
