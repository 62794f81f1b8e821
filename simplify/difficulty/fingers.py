"""Fingers: what each hand has to do by itself, read off the hand plan.

An easy pluck, in string order inside a placing, is one unit of work. Chords, new placings, jumps,
strings out of order, wide hands, repeated strings and ornaments add to it, and so do, at any speed,
chords of three and four as shapes to be set at once (loads.toml, [fingers]).
The unit prices are set so that each comfortable limit of a tier in tiers.toml (notes, chords,
repeats and jumps a second) lands near that tier's cap for this layer.

Every price is monotone in the set of strings a pluck takes: with the hand plan as it is, a note
taken out of a chord never raises the load. So a jump is measured by the widest distance between
two plucks less what an open hand covers, and order by whether *all* strings go one way.
"""

from __future__ import annotations

import bisect
from collections.abc import Sequence
from functools import partial
from itertools import pairwise

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
    reach_gain,
    relief,
)
from simplify.harp.player import SIMPLE, tier_player
from simplify.technique.plan import Performance

NAME = "fingers"

_SAY = {
    "order": "{count} note{s} out of string order, {rate}",
    "place": "{count} new placing{s} of the hand, {rate}",
    "jump": "{count} jump{s} beyond the open hand, {rate}",
    "chord": "{count} chord{s}, {rate}",
    "wide": "{count} wide placing{s} of the hand, {rate}",
    "repeat": "{count} string{s} struck again while ringing, {rate}",
    "pluck": "{count} pluck{s}, {rate}",
    "trill": "{count} beat{s} of trill or tremolo in one hand",
    "shared trill": "{count} beat{s} of trill or tremolo between the hands",
    "ornament": "{count} ornament{s}",
    "harmonic": "{count} beat{s} with harmonics",
}
_SWEEPS = ("gliss-start", "gliss-stop")
_RUSTLED = ("trill", "tremolo", "tremolo-start", "tremolo-stop")
_HELD = (*_RUSTLED, "harmonic")


def measure(performance: Performance, grid: tuple[Beat, ...]) -> LayerCurve:
    """Load of the busier hand plus a share of the other's, per beat."""
    table = numbers(NAME)
    demands, everything = [], []
    rows = plucks(performance)
    struck: dict[int, list[float]] = {}
    for pluck in sorted((*rows["R"], *rows["L"]), key=lambda p: p.at):
        for string in pluck.strings:
            struck.setdefault(string, []).append(pluck.at)
    for hand, row in rows.items():
        items = _work(performance, row, struck, table)
        demand = rate(items, grid, table["window"]) / table["anchor"]
        steady, marks = _held_signs(performance, hand, grid, table)
        shape = _shapes(performance, row, grid, table)
        demands.append(demand + steady + shape)
        everything.extend([*items, *marks])
    both = np.maximum(demands[0], demands[1])
    both = both + table["other_hand"] * np.minimum(demands[0], demands[1])
    loads = tuple(load_of(both).tolist())
    told = partial(explain, NAME, everything, grid, loads, SIMPLE, _SAY, "pluck")
    return LayerCurve(NAME, loads, told)


def _work(
    performance: Performance, row: Sequence[Pluck], struck: dict[int, list[float]],
    table: dict[str, float],
) -> list[Work]:
    """The work of one hand's plucks. struck: by string, when either hand strikes it."""
    player = performance.player
    chord_ease = relief(player, "chord_seconds")
    jump_ease = relief(player, "jump_seconds")
    repeat_ease = relief(player, "repeat_seconds")
    gain = reach_gain(player)
    reach = tier_player("professional").limits.reach + gain
    strikes, strings, fingers = (
        performance.strikes, performance.strings, performance.hand_plan.fingers,
    )
    items: list[Work] = []
    further: Pluck | None = None
    back: Pluck | None = None
    placing_low = placing_high = 0
    own = [pluck.at for pluck in row]
    for at, pluck in enumerate(row):
        found: dict[str, float] = {}
        size, span = len(pluck.strings), pluck.high - pluck.low
        notes = [strikes[i].first for i in pluck.strikes]
        marked = any(note.marks for note in notes)
        swept = marked and all(any(note.has(kind) for kind in _SWEEPS) for note in notes)
        same_placing = back is not None and pluck.placing == back.placing
        found["pluck"] = table["sweep"] if swept else 1.0
        if size > 1:
            found["chord"] = table["chord_note"] * (size - 1) * chord_ease
            wide = table["wide_string"] * max(0.0, span - table["wide_from"] - gain)
            if size > 2:
                beyond = max(0.0, span - table["filled_from"] - gain)
                wide += table["filled_string"] * beyond * (size - 2)
            found["wide"] = wide + table["gap_string"] * _gaps(
                [(fingers[i], strings[i]) for i in pluck.strikes], table["gap_free"]
            )
        if back is not None and not swept:
            spare = max(1e-3, pluck.at - back.at)
            if not same_placing and _same_tone(performance, back, pluck):
                found["order"] = table["rock"]
            elif not same_placing:
                urgent = min(table["urgent_most"], table["place_seconds"] / spare)
                inside = pluck.low <= placing_high and pluck.high >= placing_low
                price = (table["place"] + (table["turn"] if inside else 0.0)) * urgent
                again = pluck.strings == back.strings
                found["repeat" if again else "order" if inside else "place"] = price
                apart = max(pluck.high - back.low, back.high - pluck.low) - reach
                if apart > 0:
                    hurry = min(table["jump_most"], table["jump_seconds"] * jump_ease / spare)
                    found["jump"] = table["jump"] * (table["jump_least"] + apart / 7.0) * hurry
            elif _breaks(further, back, pluck):
                rocks = further is not None and len({*further.strings, *pluck.strings}) == 1
                found["order"] = table["rock" if rocks else "order"]
        if same_placing:
            placing_low = min(placing_low, pluck.low)
            placing_high = max(placing_high, pluck.high)
        else:
            placing_low, placing_high = pluck.low, pluck.high
        prices = []
        for string in () if swept else pluck.strings:
            times = struck[string]
            earlier = bisect.bisect_left(times, pluck.at)
            if earlier:
                gap = max(1e-3, pluck.at - times[earlier - 1])
                price = min(table["repeat_most"], table["repeat_seconds"] * repeat_ease / gap)
                price = max(0.0, price - table["repeat_free"])
                between = at - bisect.bisect_right(own, times[earlier - 1])
                if between >= table["repeat_far"]:
                    price *= table["repeat_turned"]
                prices.append(price * (table["low_factor"] if string < table["low_string"] else 1))
        if prices:
            most = max(prices)
            both = most + table["repeat_more"] * (sum(prices) - most)
            found["repeat"] = found.get("repeat", 0.0) + table["repeat"] * both
        if marked and any(note.has("mordent") or note.has("turn") for note in notes):
            found["ornament"] = table["ornament"]
        items.extend(
            Work(pluck.at, pluck.tick, pluck.bar, pluck.hand, kind, amount)
            for kind, amount in found.items()
            if amount > 0.0
        )
        further = back if same_placing else None
        back = pluck
    return items


def _gaps(placed: Sequence[tuple[int, int]], free: float) -> float:
    """Strings by which the fingers 2, 3 and 4 of (finger, string) pairs lie further apart than
    `free` for each step between them; the wide gap belongs between thumb and 2. Free space adds up
    over a finger left out, so that a note less never widens a gap."""
    placed = sorted({pair for pair in placed if pair[0] > 1})
    return sum(
        max(0.0, abs(low - high) - free * (far - near))
        for (near, high), (far, low) in pairwise(placed)
    )


def _same_tone(performance: Performance, back: Pluck, pluck: Pluck) -> bool:
    """True where a single tone goes on on its other string."""
    if len(back.strings) > 1 or len(pluck.strings) > 1 or back.strings == pluck.strings:
        return False
    one, other = (performance.strikes[row.strikes[0]].pitch.midi for row in (back, pluck))
    return one == other


def _breaks(further: Pluck | None, back: Pluck, pluck: Pluck) -> bool:
    """True unless the last plucks of a placing all go up or all go down."""
    up = pluck.low > back.high
    down = pluck.high < back.low
    if further is None:
        return not (up or down)
    return not ((up and back.low > further.high) or (down and back.high < further.low))


def _shapes(
    performance: Performance, row: Sequence[Pluck], grid: Sequence[Beat], table: dict[str, float]
) -> Floats:
    """Demand of this hand's chords as shapes, however slow: the largest of each beat.

    Three fingers set at once and four are stages of learning, and so is a hand opened beyond the
    octave (American Harp Society, Utah, levels 1-3; a tenth filled by four notes is harder than the
    bare one: Philharmonia Orchestra, harp notes), which a slow tempo does not take away.
    """
    demand = np.zeros(len(grid))
    gain = reach_gain(performance.player)
    starts = [beat.onset for beat in grid]
    strikes = performance.strikes
    for pluck in row:
        size = len(pluck.strings)
        if size < 3:
            continue
        notes = [strikes[i].first for i in pluck.strikes]
        if all(any(note.has(kind) for kind in _SWEEPS) for note in notes):
            continue
        beyond = max(0.0, pluck.high - pluck.low - table["shape_from"] - gain)
        amount = (table["shape_note"] + table["shape_string"] * beyond) * (size - 2) ** 2
        at = max(0, bisect.bisect_right(starts, pluck.tick) - 1)
        demand[at] = max(demand[at], amount)
    return demand


def _held_signs(
    performance: Performance, hand: str, grid: Sequence[Beat], table: dict[str, float]
) -> tuple[Floats, list[Work]]:
    """Demand of this hand's trills, tremolos and harmonics, which ask for a way of playing rather
    than for speed, and the same as items for the reasons.

    A trill or tremolo counts by the share of each beat it fills, a harmonic for the beat it is
    plucked in, so that no tempo lowers it; of several signs in one beat the heaviest counts. A
    trill is one hand's alone when the other plucks plain notes while it lasts; otherwise the hands
    can take it in turn, which is easier (from memory of Widor, Technique of the Modern Orchestra).
    """
    demand = np.zeros(len(grid))
    items: list[Work] = []
    hands = performance.hand_plan.hands
    signs = [
        i
        for i, strike in enumerate(performance.strikes)
        if hands[i] == hand and any(mark.kind in _HELD for mark in strike.first.marks)
    ]
    if not signs:
        return demand, items
    ease = relief(performance.player, "trill_rate")
    # A sign on one note of a chord holds for the chord, whichever hand takes which note.
    rustled = {
        (s.onset, s.first.staff, s.first.voice)
        for s in performance.strikes
        if any(mark.kind in _RUSTLED for mark in s.first.marks)
    }
    other = sorted(
        s.onset
        for s, owner in zip(performance.strikes, hands, strict=True)
        if owner != hand and (s.onset, s.first.staff, s.first.voice) not in rustled
    )
    starts = [beat.onset for beat in grid]
    for i in signs:
        strike = performance.strikes[i]
        if strike.first.has("harmonic"):
            kind, price, end = "harmonic", table["harmonic"], strike.onset + 1
        elif bisect.bisect_left(other, strike.onset) < bisect.bisect_left(other, strike.end):
            kind, price, end = "trill", table["trill"] * ease, strike.end
        else:
            kind, price, end = "shared trill", table["shared_trill"], strike.end
        for at in range(max(0, bisect.bisect_right(starts, strike.onset) - 1), len(grid)):
            beat = grid[at]
            if beat.onset >= end:
                break
            shared = min(beat.end, end) - max(beat.onset, strike.onset)
            amount = price if kind == "harmonic" else price * shared / (beat.end - beat.onset)
            if amount > demand[at]:
                demand[at] = amount
                tick = max(beat.onset, strike.onset)
                items.append(
                    Work(beat.start, tick, beat.bar, hand, kind, amount * table["anchor"])
                )
    return demand, items
