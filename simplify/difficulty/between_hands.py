"""Between the hands: how far the two hands have to think apart.

Simple when one hand rests, when the hands hand a single line to each other, when they pluck
together, and when they move in parallel. What adds work (loads.toml, [between_hands]): one hand's
rhythm inside the other's (together and apart by turns); each hand striking alone while the other
holds (interlocking: neither rhythm contains the other); contrary or unlike motion where both strike
together; hands that reach past each other; leaps of both at once. Onset synchrony and agreement of
direction as marks of independent parts: Huron 2001, Tone and Voice (Music Perception 19:1).
"""

from __future__ import annotations

import bisect
from collections.abc import Sequence
from functools import partial
from typing import TypeVar

import numpy as np

from simplify.difficulty.curve import (
    Beat,
    Floats,
    LayerCurve,
    Pluck,
    Work,
    explain,
    load_of,
    numbers,
    plucks,
    rate,
)
from simplify.difficulty.voices import Line, lines
from simplify.harp.player import SIMPLE
from simplify.technique.plan import Performance

NAME = "between_hands"

_SAY = {
    "interlock": "{count} note{s} against the other hand's rhythm, {rate}",
    "motion": "{count} move{s} of the hands in different directions or by different steps, {rate}",
    "cross": "{count} place{s} where the hands reach past each other, {rate}",
    "leap": "{count} leap{s} of both hands at once, {rate}",
    "nested": "{count} note{s} in one hand between those that both strike together, {rate}",
}


def measure(performance: Performance, grid: tuple[Beat, ...]) -> LayerCurve:
    """Load per beat; see the module."""
    table = numbers(NAME)
    rows = plucks(performance)
    right, left = rows["R"], rows["L"]
    window = table["window"]
    together, apart = _parted(right, left)
    nested: Floats = np.minimum(
        rate(_items(together, "together"), grid, window),
        rate(_items(apart, "nested"), grid, window),
    )
    interlock, woven = _interlock(lines(performance), grid, table)
    items = [*_motion(right, left, table), *_crossing(right, left, table)]
    work = rate(items, grid, window)
    work = work + interlock + table["nested"] * nested
    loads = tuple(load_of(work / table["anchor"]).tolist())
    told = [*items, *woven, *_told(together, apart, table)]
    return LayerCurve(NAME, loads, partial(explain, NAME, told, grid, loads, SIMPLE, _SAY))


def _items(row: Sequence[Pluck], kind: str, amount: float = 1.0) -> list[Work]:
    return [Work(p.at, p.tick, p.bar, "B", kind, amount) for p in row]


def _parted(
    right: Sequence[Pluck], left: Sequence[Pluck]
) -> tuple[list[Pluck], list[Pluck]]:
    """Moments at which the hands strike together (the right hand's plucks), and the plucks of
    either hand alone."""
    ticks = {pluck.tick for pluck in right} & {pluck.tick for pluck in left}
    together = [pluck for pluck in right if pluck.tick in ticks]
    return together, [pluck for pluck in (*right, *left) if pluck.tick not in ticks]


def _interlock(
    every: Sequence[Line], grid: Sequence[Beat], table: dict[str, float]
) -> tuple[Floats, list[Work]]:
    """Work a second of lines in different hands that strike over each other by turns; its items.

    For each pair of lines, twice the lesser of the rates at which each strikes alone while the
    other, in the other hand, holds; the heaviest pair counts in full, the others by a share.
    """
    worst = np.zeros(len(grid))
    total = np.zeros(len(grid))
    items: list[Work] = []
    for at, one in enumerate(every):
        for other in every[at + 1 :]:
            over = _over(one, other, table), _over(other, one, table)
            if not over[0] or not over[1]:
                continue
            rates = [rate(side, grid, table["window"]) for side in over]
            work = 2.0 * np.minimum(*rates)
            worst, total = np.maximum(worst, work), total + work
            rows = _by_bar(over[0]), _by_bar(over[1])
            for bar in sorted(rows[0].keys() & rows[1].keys()):
                least = min(len(row[bar]) for row in rows)
                items.extend(item for row in rows for item in row[bar][:least])
    return worst + table["further_pair"] * (total - worst), items


def _over(line: Line, other: Line, table: dict[str, float]) -> list[Work]:
    """The events of a line that come alone while a note of the other line, in the other hand, is
    held by its written value."""
    found = []
    for k, tick in enumerate(line.ticks):
        at = bisect.bisect_right(other.ticks, tick) - 1
        if (
            at >= 0
            and other.ticks[at] != tick
            and other.ends[at] > tick
            and other.hands[at] != line.hands[k]
        ):
            found.append(
                Work(line.seconds[k], tick, line.bars[k], "B", "interlock", table["interlock"])
            )
    return found


def _told(
    together: Sequence[Pluck], apart: Sequence[Pluck], table: dict[str, float]
) -> list[Work]:
    """Items of nesting for the reasons: in each bar as many notes apart as there are together."""
    told: list[Work] = []
    joint = _by_bar(together)
    for bar, inside in sorted(_by_bar(apart).items()):
        least = len(joint.get(bar, ()))
        told.extend(_items(inside[:least], "nested", table["nested"]))
    return told


_Placed = TypeVar("_Placed", Pluck, Work)


def _by_bar(row: Sequence[_Placed]) -> dict[int, list[_Placed]]:
    """What stands in each bar, in order."""
    found: dict[int, list[_Placed]] = {}
    for one in row:
        found.setdefault(one.bar, []).append(one)
    return found


def _motion(
    right: Sequence[Pluck], left: Sequence[Pluck], table: dict[str, float]
) -> list[Work]:
    """Work where both hands pluck together and had plucked before: by how unlike they move.

    The right hand's highest and the left hand's lowest string stand for their lines.
    """
    left_at = {pluck.tick: k for k, pluck in enumerate(left)}
    items: list[Work] = []
    for k, pluck in enumerate(right):
        j = left_at.get(pluck.tick)
        if j is None or k == 0 or j == 0:
            continue
        up, low = pluck.high - right[k - 1].high, left[j].low - left[j - 1].low
        if up * low < 0:
            amount = table["mirrored"] if up == -low else table["contrary"]
        elif up == low:
            amount = 0.0
        elif up * low == 0:
            amount = table["oblique"]
        else:
            amount = table["similar"] * min(1.0, abs(up - low) / table["similar_strings"])
        if amount > 0.0:
            items.append(Work(pluck.at, pluck.tick, pluck.bar, "B", "motion", amount))
        if pluck.placing != right[k - 1].placing and left[j].placing != left[j - 1].placing:
            least = table["leap_strings"]
            if abs(up) >= least and abs(low) >= least:
                items.append(
                    Work(pluck.at, pluck.tick, pluck.bar, "B", "leap", table["leap"])
                )
    return items


def _crossing(
    right: Sequence[Pluck], left: Sequence[Pluck], table: dict[str, float]
) -> list[Work]:
    """Work where the left hand stands at or above the right: at new placings more than inside."""
    merged = sorted([*right, *left], key=lambda p: (p.at, p.hand == "L"))
    items: list[Work] = []
    now: dict[str, Pluck] = {}
    for pluck in merged:
        other = now.get("L" if pluck.hand == "R" else "R")
        back = now.get(pluck.hand)
        now[pluck.hand] = pluck
        if other is None or pluck.at - other.at > table["cross_seconds"]:
            continue
        upper, lower = (pluck, other) if pluck.hand == "R" else (other, pluck)
        if upper.low > lower.high:
            continue
        fresh = back is None or back.placing != pluck.placing
        amount = table["cross_placing"] if fresh else table["cross_inside"]
        items.append(Work(pluck.at, pluck.tick, pluck.bar, "B", "cross", amount))
    return items
