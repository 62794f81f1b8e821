"""Counterpoint: how many independent lines run at once, in each hand and altogether.

Lines are those of `voices.lines`: chords that move together are one. The busiest line counts
nothing; each further one counts by how often it strikes while the busier lines hold, and, where it
strikes with them, by how unlike it moves (onset synchrony and co-modulation: Huron 2001, Tone and
Voice). Lines that take turns are one line handed on. A line of leaps (an accompanying figure)
counts less than a line that goes by step. A further line in the same hand costs extra. Demand grows
faster than the number of lines, as the pairs of lines to be kept apart do. Prices: loads.toml,
[counterpoint].
"""

from __future__ import annotations

import bisect
from collections.abc import Sequence
from functools import partial

import numpy as np

from simplify.difficulty.curve import (
    HAND_WORDS,
    Beat,
    LayerCurve,
    Reason,
    count_words,
    load_of,
    numbers,
)
from simplify.difficulty.voices import Line, lines
from simplify.harp.player import SIMPLE
from simplify.technique.plan import Performance

NAME = "counterpoint"


def measure(performance: Performance, grid: tuple[Beat, ...]) -> LayerCurve:
    """Load per beat; see the module."""
    table = numbers(NAME)
    every = lines(performance)
    demands: list[float] = []
    counted: list[tuple[int, int, int]] = []
    bars = performance.part.bars
    for at, beat in enumerate(grid):
        pulse = bars[beat.bar].pulse_ticks
        # A beat is heard with the two before it, not with what follows, so that what comes after
        # a bar never makes it easier.
        back = [b for b in grid[max(0, at - 2) : at] if b.bar >= beat.bar - 1]
        span = (back[0].onset if back else beat.onset, beat.end)
        seconds = beat.seconds * (3 - len(back)) + sum(b.seconds for b in back)
        demand, right, left = _demand(every, span, pulse, seconds, table)
        demands.append(demand)
        counted.append((right + left, right, left))
    loads = tuple(load_of(np.array(demands)).tolist())
    return LayerCurve(NAME, loads, partial(_reasons, grid, loads, counted))


def _demand(
    every: Sequence[Line], span: tuple[int, int], pulse: int, seconds: float,
    table: dict[str, float],
) -> tuple[float, int, int]:
    """Demand of a stretch of ticks, and how many lines of each hand count in it (right, left).
    pulse: ticks of a felt beat."""
    active: list[tuple[Line, int, int]] = []
    for line in every:
        first, last = bisect.bisect_left(line.ticks, span[0]), bisect.bisect_left(
            line.ticks, span[1]
        )
        if last > first:
            active.append((line, first, last))
    counts = {"R": 0.0, "L": 0.0}
    active.sort(key=_rank)
    extra, events = 0.0, 0
    right = left = 0
    for k, (line, first, last) in enumerate(active):
        events += last - first
        hand = "R" if 2 * sum(h == "R" for h in line.hands[first:last]) >= last - first else "L"
        share = 1.0
        for other, begin, end in active[:k]:
            apart = _apart(line, first, last, other, span, pulse, table)
            smooth = min(
                _smooth(line, first, last, span, table), _smooth(other, begin, end, span, table)
            )
            share = min(share, apart * smooth)
        if last - first == 1:
            share *= table["lone_event"]
        if k:
            extra += share * (1.0 + (table["same_hand"] if counts[hand] else 0.0))
        if not k or share >= table["counts_as_line"]:
            right, left = (right + 1, left) if hand == "R" else (right, left + 1)
        counts[hand] += share
    pace = events / max(1e-6, seconds) / table["pace"]
    pace = table["pace_least"] + table["pace_share"] * min(table["pace_most"], pace)
    return (extra * pace / table["anchor"]) ** table["growth"], right, left


def _rank(active: tuple[Line, int, int]) -> tuple[object, ...]:
    """Order of lines: the busiest first, then the higher; the rest only settles ties."""
    line, first, last = active
    span = slice(first, last)
    strings = line.strings[span]
    return first - last, -max(strings), line.ticks[span], strings, line.ends[span], line.hands[span]


def _apart(
    line: Line, first: int, last: int, other: Line, span: tuple[int, int], pulse: int,
    table: dict[str, float],
) -> float:
    """In [0, 1]: how independent events first..last-1 of a line are of another line. Moving over a
    note that is long held is less than moving against a line that moves. A move counts if it starts
    no longer than the span's length before it."""
    total, earliest = 0.0, 2 * span[0] - span[1]
    for k in range(first, last):
        at = bisect.bisect_left(other.ticks, line.ticks[k])
        if at == len(other.ticks) or other.ticks[at] != line.ticks[k]:
            if at and other.ends[at - 1] > line.ticks[k]:
                long = other.ends[at - 1] - other.ticks[at - 1] >= table["long_beats"] * pulse
                total += table["over_long"] if long else 1.0
        elif k and at and min(line.ticks[k - 1], other.ticks[at - 1]) >= earliest:
            move = line.strings[k] - line.strings[k - 1]
            motion = other.strings[at] - other.strings[at - 1]
            if move == motion:
                continue
            if move * motion < 0:
                total += table["contrary"]
            else:
                total += table["similar"] if move * motion else table["oblique"]
    return total / (last - first)


def _smooth(
    line: Line, first: int, last: int, span: tuple[int, int], table: dict[str, float]
) -> float:
    """1 for a line that moves by step or stays, down to `figure` for one that only leaps or does
    not move at all. A move counts if it starts no longer than the span's length before it."""
    earliest = 2 * span[0] - span[1]
    moves = [
        abs(line.strings[k] - line.strings[k - 1])
        for k in range(max(first, 1), last)
        if line.ticks[k - 1] >= earliest
    ]
    if not moves:
        return table["figure"]
    far = table["leap_strings"]
    leaps = sum(min(1.0, max(0.0, move - 1.0) / (far - 1.0)) for move in moves) / len(moves)
    return 1.0 - (1.0 - table["figure"]) * leaps


def _reasons(
    grid: Sequence[Beat], loads: Sequence[float], counted: Sequence[tuple[int, int, int]]
) -> tuple[Reason, ...]:
    """One reason for each bar with a beat above simple, at its most loaded beat."""
    top: dict[int, int] = {}
    for at, beat in enumerate(grid):
        if loads[at] >= SIMPLE and (
            beat.bar not in top or loads[at] > loads[top[beat.bar]] + 1e-9
        ):
            top[beat.bar] = at
    found = []
    for at in sorted(top.values()):
        beat, (total, right, left) = grid[at], counted[at]
        text = f"{count_words(total)} independent lines at once"
        hand = "both" if right and left else HAND_WORDS["R" if right else "L"]
        if total == 1:
            text, hand = "several lines that part from each other now and then", "both"
        crowded = [name for name, n in (("right", right), ("left", left)) if n > 1]
        if crowded and hand == "both":
            most = max(right, left)
            text += f", {count_words(most)} of them in the {' and the '.join(crowded)} hand"
        found.append(
            Reason(NAME, beat.onset, beat.number, beat.beat, hand, text, loads[at])
        )
    return tuple(found)
