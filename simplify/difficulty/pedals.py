"""Pedals (or levers): what the feet, or the left hand at the levers, have to do.

Each move is one unit; it costs more when the same foot has just moved, when the letter is free only
for a moment, when the hands are busy, when the pedal passes two notches, and when the letter still
rings (loads.toml, [pedals]). About two moves a second a foot is what a professional can count on:
Volpe Bligh, Writing for the Pedal Harp, item 6. What no plan can serve weighs most. Every price
grows or stays with each added move, so an added move never lowers the load.
"""

from __future__ import annotations

import bisect
from collections.abc import Sequence
from functools import partial

from simplify.difficulty.curve import (
    Beat,
    LayerCurve,
    Work,
    explain,
    load_of,
    numbers,
    plucks,
    rate,
    relief,
)
from simplify.harp.player import SIMPLE
from simplify.score.model import STEPS
from simplify.technique.plan import PedalMove, Performance

NAME = "pedals"

_SAY = {
    "move": "{count} pedal move{s}, {rate}",
    "foot": "{count} move{s} soon after another of the same foot",
    "collide": "{count} move{s} at one moment with another of the same foot",
    "window": "{count} move{s} with a moment only between two notes of the letter",
    "busy": "{count} move{s} while the hands are busy",
    "two notches": "{count} move{s} through two notches",
    "ring": "{count} move{s} while the letter still rings",
    "lever": "{count} lever{s} turned by a left hand that is playing",
    "unmet": "{count} place{s} that no pedal plan can serve",
}


def measure(performance: Performance, grid: tuple[Beat, ...]) -> LayerCurve:
    """Load per beat; see the module."""
    table = numbers(NAME)
    items = _work(performance, table)
    work = rate(items, grid, table["window"])
    loads = tuple(load_of(work / table["anchor"]).tolist())
    return LayerCurve(NAME, loads, partial(explain, NAME, items, grid, loads, SIMPLE, _SAY))


def _work(performance: Performance, table: dict[str, float]) -> list[Work]:
    part, plan = performance.part, performance.pedal_plan
    if not plan.moves and not plan.unmet:
        return []
    foot_ease = relief(performance.player, "foot_seconds")
    letters: dict[str, list[float]] = {letter: [] for letter in STEPS}
    for pitch, at in zip(plan.played, performance.seconds, strict=True):
        letters[pitch.step].append(at)
    for times in letters.values():
        times.sort()
    rows = plucks(performance)
    busy = sorted([p.at for p in rows["R"]] + [p.at for p in rows["L"]])
    left = [p.at for p in rows["L"]]
    items: list[Work] = []
    last: dict[str, float] = {}
    for move in sorted(plan.moves, key=lambda m: (m.onset, m.letter)):
        at = part.seconds(move.onset)
        bar = part.bar_at(move.onset).index
        found = [("move", 1.0), *_place(move, at, letters[move.letter], busy, table)]
        if move.string is not None:
            if _count(left, at, table["busy_seconds"]):
                found.append(("lever", table["lever"]))
        elif move.foot in last:
            gap = at - last[move.foot]
            if gap < 1e-6:
                found.append(("collide", table["collide"]))
            else:
                price = min(table["foot_most"], table["foot_seconds"] * foot_ease / gap)
                found.append(("foot", table["foot"] * max(0.0, price - table["foot_free"])))
        last[move.foot] = at
        items.extend(
            Work(at, move.onset, bar, "", kind, amount * foot_ease)
            for kind, amount in found
            if amount > 0.0
        )
    for unmet in plan.unmet:
        at = part.seconds(unmet.onset)
        items.append(
            Work(at, unmet.onset, part.bar_at(unmet.onset).index, "", "unmet", table["unmet"])
        )
    return items


def _place(
    move: PedalMove, at: float, times: Sequence[float], busy: Sequence[float],
    table: dict[str, float],
) -> list[tuple[str, float]]:
    """Prices of a move by what its letter and the hands do around it."""
    found: list[tuple[str, float]] = []
    if abs(move.after - move.before) > 1:
        found.append(("two notches", table["two_notches"]))
    k = bisect.bisect_left(times, at - 1e-6)
    before = times[k - 1] if k else None
    after = times[k] if k < len(times) else None
    if before is not None:
        rings = max(0.0, 1.0 - (at - before) / table["ring_seconds"])
        found.append(("ring", table["ring"] * rings))
        if after is not None:
            window = max(1e-3, after - before)
            price = min(table["window_most"], table["window_seconds"] / window)
            found.append(("window", table["short_window"] * max(0.0, price - table["window_free"])))
    plucked = _count(busy, at, table["busy_seconds"])
    found.append(("busy", table["busy"] * min(1.0, plucked / table["busy_plucks"])))
    return found


def _count(times: Sequence[float], at: float, seconds: float) -> int:
    """How many of the sorted times lie within `seconds` of `at`."""
    first = bisect.bisect_left(times, at - seconds - 1e-6)
    return bisect.bisect_right(times, at + seconds + 1e-6) - first
