"""What rings when: strings sound until they are damped, plucked again or have died away.

The shorter the string the shorter its ring (harp notation manual of the Sibelius Academy); decay
times and thresholds are estimates and stand in finger_costs.toml.
"""

from __future__ import annotations

import bisect
import math
from dataclasses import dataclass
from functools import cache

from simplify.score.model import STEPS
from simplify.score.text import parse_pitch
from simplify.technique.fingers import constant, cost_table, string_constant
from simplify.technique.hands import hand_chords
from simplify.technique.plan import Performance

SHORT_MARKS = ("etouffe", "staccato", "staccatissimo")
"""Marks that ask for the string to be damped when its written value ends."""
_GRAIN = 5e-4


@dataclass(frozen=True, slots=True)
class Ring:
    """One strike's ring in seconds, and what ends it: 'decay', 'pluck' (the same string again) or
    'damp' (a mark asks for it)."""

    strike: int
    string: int
    begin: float
    end: float
    ended_by: str


@dataclass(frozen=True, slots=True)
class Muffle:
    """A place where ringing strings have to be stopped by hand.

    why: 'pedal' (one of their pedal or lever moves), 'bass' (they would blur the new bass) or
    'sign' (a mark). strings low to high; at: seconds; hand: one that is free for it, or ''.
    """

    onset: int
    bar: str
    beat: float
    at: float
    strings: tuple[int, ...]
    why: str
    hand: str


@dataclass(frozen=True, slots=True)
class Blur:
    """Low strings too close to be heard apart: together, or one after the other too soon."""

    onset: int
    bar: str
    beat: float
    strikes: tuple[int, ...]
    text: str


@cache
def ring_seconds(string: int) -> float:
    """Seconds until a freely ringing string has lost 60 dB.

    Geometric interpolation between the table's strings; beyond them the last slope goes on.
    """
    row = cost_table()["ring"]
    strings = [parse_pitch(name).string for name in row["strings"]]
    values = [math.log(value) for value in row["values"]]
    at = min(max(bisect.bisect_right(strings, string) - 1, 0), len(strings) - 2)
    share = (string - strings[at]) / (strings[at + 1] - strings[at])
    return math.exp(values[at] + share * (values[at + 1] - values[at]))


def audible_seconds(string: int) -> float:
    """Seconds until a ringing string is no longer noticed under others: its share of 60 dB."""
    return ring_seconds(string) * constant("audible_db") / 60.0


def rings(performance: Performance) -> tuple[Ring, ...]:
    """The ring of every strike, aligned with `performance.strikes`.

    Of several strikes of one string at one moment all have the same ring.
    """
    strings, seconds = performance.strings, performance.seconds
    times: dict[int, list[float]] = {}
    for string, at in zip(strings, seconds, strict=True):
        times.setdefault(string, []).append(at)
    for row in times.values():
        row.sort()
    found = []
    for i, (string, begin) in enumerate(zip(strings, seconds, strict=True)):
        end, why = begin + audible_seconds(string), "decay"
        row = times[string]
        later = bisect.bisect_right(row, begin + _GRAIN)
        if later < len(row) and row[later] < end:
            end, why = row[later], "pluck"
        strike = performance.strikes[i]
        damped = any(strike.first.has(kind) for kind in SHORT_MARKS)
        if damped and performance.until[i] < end:
            end, why = performance.until[i], "damp"
        found.append(Ring(i, string, begin, end, why))
    return tuple(found)


def sounding(performance: Performance, at: float) -> tuple[int, ...]:
    """Strikes whose strings audibly ring at a second, those struck just then included."""
    return tuple(
        ring.strike
        for ring in rings(performance)
        if ring.begin <= at + _GRAIN and ring.end > at + _GRAIN
    )


def muffles(performance: Performance) -> tuple[Muffle, ...]:
    """Every place where strings should be stopped by hand, in time order."""
    ringing = rings(performance)
    found = [
        *_for_pedals(performance, ringing),
        *_for_bass(performance, ringing),
        *_for_signs(performance, ringing),
    ]
    return tuple(sorted(found, key=lambda m: (m.at, m.why, m.strings)))


def _for_pedals(performance: Performance, ringing: tuple[Ring, ...]) -> list[Muffle]:
    """A pedal that moves bends every ringing string of its letter (Philharmonia Orchestra, harp
    notes); a lever bends one."""
    found = []
    for move in performance.pedal_plan.moves:
        at = performance.part.seconds(move.onset)
        letter = STEPS.index(move.letter)
        strings = {
            r.string
            for r in ringing
            if r.string % 7 == letter
            and (move.string is None or r.string == move.string)
            and r.begin < at - _GRAIN
            and r.end > at + _GRAIN
        }
        if strings:
            found.append(_muffle(performance, move.onset, at, strings, "pedal"))
    return found


def _for_bass(performance: Performance, ringing: tuple[Ring, ...]) -> list[Muffle]:
    """Low strings that ring into a neighbour's new bass note."""
    found = []
    for onset, at, struck in _low_moments(performance):
        near = {
            r.string
            for r in _ringing_low(ringing, at)
            if any(0 < abs(r.string - s) < 3 for s in struck) and r.string not in struck
        }
        if near:
            found.append(_muffle(performance, onset, at, near, "bass"))
    return found


def _for_signs(performance: Performance, ringing: tuple[Ring, ...]) -> list[Muffle]:
    """Strings with a damping sign that still ring when their written value ends."""
    ends: dict[int, set[int]] = {}
    for ring in ringing:
        if ring.ended_by == "damp":
            ends.setdefault(performance.strikes[ring.strike].end, set()).add(ring.string)
    return [
        _muffle(performance, onset, performance.part.seconds(onset), strings, "sign")
        for onset, strings in sorted(ends.items())
    ]


def _muffle(
    performance: Performance, onset: int, at: float, strings: set[int], why: str
) -> Muffle:
    bar, beat = performance.part.place(onset)
    low_to_high = tuple(sorted(strings))
    return Muffle(onset, bar, beat, at, low_to_high, why, _free_hand(performance, at, low_to_high))


def _free_hand(performance: Performance, at: float, strings: tuple[int, ...]) -> str:
    """'left' or 'right': a hand that strikes nothing in the `muffle_seconds` before; of two the
    one that was nearer. '' if both are busy."""
    room, best = constant("muffle_seconds"), ("", math.inf)
    for hand, name in (("L", "left"), ("R", "right")):
        chords = hand_chords(performance, hand)
        times = [c.at for c in chords]
        last = bisect.bisect_left(times, at - _GRAIN) - 1
        if last >= 0 and times[last] > at - room + _GRAIN:
            continue
        away = abs(chords[last].strings[0] - strings[0]) if last >= 0 else 47
        if away < best[1]:
            best = name, away
    return best[0]


def _low_moments(performance: Performance) -> list[tuple[int, float, dict[int, int]]]:
    """(onset, seconds, string to strike) of each moment with strings below the blur line."""
    line = string_constant("blur_below")
    rows: dict[float, dict[int, int]] = {}
    for i, (string, at) in enumerate(zip(performance.strings, performance.seconds, strict=True)):
        if string < line:
            rows.setdefault(round(at, 6), {})[string] = i
    return [
        (performance.strikes[next(iter(rows[at].values()))].onset, at, rows[at])
        for at in sorted(rows)
    ]


def _ringing_low(ringing: tuple[Ring, ...], at: float) -> list[Ring]:
    line = string_constant("blur_below")
    return [
        r for r in ringing if r.string < line and r.begin < at - _GRAIN and r.end > at + _GRAIN
    ]


def blurs(performance: Performance) -> tuple[Blur, ...]:
    """Places where low writing is not heard clearly, in time order.

    Below C3 two strings less than a fifth apart blur when struck together, or within
    `blur_seconds` of each other: low rapid figures are not clear (Rimsky-Korsakov, Principles of
    Orchestration, ch. I). The same string again is no blur.
    """
    nearest, soon = int(constant("blur_interval")), constant("blur_seconds")
    played = performance.pedal_plan.played
    found: list[Blur] = []
    before: dict[int, tuple[int, float]] = {}
    for onset, at, struck in _low_moments(performance):
        bar, beat = performance.part.place(onset)
        low_to_high = sorted(struck)
        close = [
            (a, b)
            for k, a in enumerate(low_to_high)
            for b in low_to_high[k + 1 :]
            if b - a < nearest
        ]
        if close:
            a, b = close[0]
            names = played[struck[a]].name, played[struck[b]].name
            text = f"{names[0]} and {names[1]} together are too close so low"
            members = {i for pair in close for i in (struck[pair[0]], struck[pair[1]])}
            found.append(Blur(onset, bar, beat, tuple(sorted(members)), text))
        quick = [
            (at - then, old, new)
            for old, (_, then) in before.items()
            for new in low_to_high
            if 0 < abs(new - old) < nearest and at - then < soon - _GRAIN and old not in struck
        ]
        if quick:
            gap, old, new = min(quick)
            names = played[struck[new]].name, played[before[old][0]].name
            text = f"{names[0]} comes {gap:.2f} s after {names[1]}, which still rings"
            members = {i for _, o, n in quick for i in (before[o][0], struck[n])}
            found.append(Blur(onset, bar, beat, tuple(sorted(members)), text))
        before.update({string: (i, at) for string, i in struck.items()})
    return tuple(found)

