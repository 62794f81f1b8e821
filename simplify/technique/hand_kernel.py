"""The costs of a hand and the programme over both hands, compiled.

What the costs mean stands in `fingers`, what the programme minimises in `hands`; this file holds
the arithmetic. numba compiles at the first call and keeps the result on disk.

Chords lie in flat arrays: `strings[a : a + n]` low to high, `fingers[f : f + n]` beside them
(0: none). A block is what one hand may strike at one moment; its states are (fingering, run), run
fastest, so state `3 * fingering + run + 1`. A side is a list of blocks one after the other, LIFTED
standing for a hand that may come from anywhere (one state). A table holds the least cost of every
pair of states of a left side (rows) and a right side (columns).

The programme runs in stretches of moments. What leads on from one to the next is a `Fringe`, so a
stretch can be run again by itself. Costs are rounded to `GRAINS` so that sums are exact: two
fringes that mean the same are equal whatever was before, and so are the plans behind them.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from itertools import combinations
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Fingers = tuple[int, ...]

KINDS = ("link", "repeat", "under", "over", "slide", "place", "go on", "turn", "lift", "sweep")
"""Names of the ways from chord to chord, by number."""
LINK, REPEAT, UNDER, OVER, SLIDE, PLACE, GO_ON, TURN, LIFT, SWEEP = range(10)
LIFTED = -1
EPSILON = 1e-6
_INF = np.inf
GRAINS = 2.0**32
"""Parts of a unit of cost that costs are rounded to. Sums of them are exact up to two million."""


class HandRules(NamedTuple):
    """The numbers of finger_costs.toml and tiers.toml that the costs need, under the same names.

    lone_1 to lone_4: cost of that finger at the bottom; comfort, cramped, reach: strings per finger
    pair as `packed_pairs` (numba counts references to arrays at every call); soft_low, left_top:
    strings; note_seconds: comfortable seconds a note in one hand; lift_ms, hold_ms, most_ms:
    milliseconds after which a resting hand may place anew from anywhere, after which it does, after
    which time is no matter.
    """

    hard: float
    crowd: float
    no_thumb: float
    over_reach: float
    stretch: float
    squeeze: float
    low_gap: float
    right_deep: float
    left_high: float
    left_harmonics: float
    right_harmonics: float
    left_etouffes: float
    right_etouffes: float
    turn: float
    under: float
    over: float
    cross_finger: float
    cross_string: float
    cross_reach: float
    slide: float
    slide_up: float
    repeat: float
    same_finger: float
    place: float
    place_string: float
    place_most: float
    lifted: float
    near_share: float
    finger_width: float
    hurry: float
    pace: float
    crossed: float
    close: float
    over_hand: float
    takeover: float
    learnt: float
    other_hand_share: float
    split_margin: float
    notes_per_hand: int
    hand_rate: float
    hard_share: float
    repeat_seconds: float
    chord_seconds: float
    jump_seconds: float
    jump_octave_seconds: float
    roll_seconds: float
    right_low: int
    soft_low: int
    left_top: int
    note_seconds: float
    lift_ms: int
    hold_ms: int
    most_ms: int
    lone_1: float
    lone_2: float
    lone_3: float
    lone_4: float
    comfort: int
    cramped: int
    reach: int


@cache
def fingerings(count: int) -> tuple[Fingers, ...]:
    """Every fingering of `count` strings, low to high: fingers fall strictly.

    Beyond four strings the outer ones and those under the thumb have fingers, the rest have 0.
    """
    if count > 4:
        return ((4, *([0] * (count - 4)), 3, 2, 1),)
    return tuple(combinations((4, 3, 2, 1), count))


_CHOICES = np.array(
    [f + (0,) * (4 - n) for n in range(1, 5) for f in fingerings(n)], dtype=np.int64
)
_FIRST = np.array([0, 0, 4, 10, 14, 15], dtype=np.int64)
"""Fingerings of n strings: rows _FIRST[n] to _FIRST[n + 1] of _CHOICES."""


def packed_pairs(values: Mapping[tuple[int, int], int]) -> int:
    """Strings per (upper finger, lower finger), up to 63, six bits each in one whole number."""
    return sum(
        min(63, int(value)) << 6 * (3 * (upper - 1) + lower - 2)
        for (upper, lower), value in values.items()
    )


@njit(cache=True, nogil=True, forceinline=True)
def pair_value(packed, upper, lower):  # type: ignore[no-untyped-def]
    """One value of `packed_pairs`."""
    return (packed >> 6 * (3 * (upper - 1) + lower - 2)) & 63


@njit(cache=True, nogil=True, forceinline=True)
def _grain(cost):  # type: ignore[no-untyped-def]
    """A cost rounded to `GRAINS`."""
    return np.floor(cost * GRAINS + 0.5) / GRAINS


# One hand at one moment


@njit(cache=True, nogil=True, forceinline=True)
def lone_cost(rules, finger):  # type: ignore[no-untyped-def]
    """Cost of a finger at the bottom of a chord, or alone."""
    if finger < 2:
        return rules.lone_1 if finger == 1 else 0.0
    return rules.lone_2 if finger == 2 else rules.lone_3 if finger == 3 else rules.lone_4


@njit(cache=True, nogil=True, forceinline=True)
def pair_stretch(rules, gap, upper, lower):  # type: ignore[no-untyped-def]
    """Cost of two fingers lying this many strings apart."""
    wide = gap - pair_value(rules.comfort, upper, lower)
    narrow = pair_value(rules.cramped, upper, lower) - gap
    return rules.stretch * max(0, wide) + rules.squeeze * max(0, narrow)


@njit(cache=True, nogil=True)
def strings_over(rules, strings, a, n, fingers, f):  # type: ignore[no-untyped-def]
    """Strings by which finger pairs exceed the player's reach, summed over pairs."""
    over = 0
    for i in range(n):
        low = fingers[f + i]
        if low == 0:
            continue
        for j in range(i + 1, n):
            high = fingers[f + j]
            if high != 0:
                over += max(0, strings[a + j] - strings[a + i] - pair_value(rules.reach, high, low))
    return over


@njit(cache=True, nogil=True)
def grip_cost(rules, strings, a, n, fingers, f):  # type: ignore[no-untyped-def]
    """Cost of holding these strings with these fingers."""
    cost = rules.hard * max(0, n - rules.notes_per_hand) + rules.crowd * max(0, n - 2)
    cost += lone_cost(rules, fingers[f])
    if n == 1:
        return cost
    if fingers[f + n - 1] > 1:
        cost += rules.no_thumb
    over = strings_over(rules, strings, a, n, fingers, f)
    if over > 0:
        cost += rules.hard + rules.over_reach * over
    first, under_top, top = -1, -1, -1
    for i in range(n):
        if fingers[f + i] == 0:
            continue
        if top >= 0:
            gap = strings[a + i] - strings[a + top]
            cost += pair_stretch(rules, gap, fingers[f + i], fingers[f + top])
        else:
            first = i
        under_top, top = top, i
    if under_top <= first:
        return cost
    gap = strings[a + top] - strings[a + first]
    cost += pair_stretch(rules, gap, fingers[f + top], fingers[f + first])
    thumb = strings[a + top] - strings[a + under_top]
    last = first
    for i in range(first + 1, under_top + 1):
        if fingers[f + i] != 0:
            cost += rules.low_gap * max(0, strings[a + i] - strings[a + last] - thumb)
            last = i
    return cost


@njit(cache=True, nogil=True)
def hand_cost(rules, right, strings, a, n):  # type: ignore[no-untyped-def]
    """Cost of the right or left hand being at these strings."""
    if right:
        low = strings[a]
        cost = rules.right_deep * max(0, rules.soft_low - low)
        return cost + (rules.hard if low < rules.right_low else 0.0)
    high = 0
    for i in range(n):
        high += strings[a + i] > rules.left_top
    return rules.left_high * high


@njit(cache=True, nogil=True)
def signs_cost(rules, right, harmonics, etouffes):  # type: ignore[no-untyped-def]
    """Cost of this many harmonics and damped notes struck together by one hand."""
    if right:
        over = max(0.0, harmonics - rules.right_harmonics)
        return rules.hard * (over + max(0.0, etouffes - rules.right_etouffes))
    over = max(0.0, harmonics - rules.left_harmonics)
    return rules.hard * (over + max(0.0, etouffes - rules.left_etouffes))


# Both hands


@njit(cache=True, nogil=True)
def pair_cost(rules, strings, left, left_count, right, right_count):  # type: ignore[no-untyped-def]
    """Cost of the hands striking these strings together, apart from what each does."""
    gap = strings[right] - strings[left + left_count - 1]
    if gap > 0:
        return rules.close if gap == 1 else 0.0
    if left_count == 1 and right_count == 1 and gap < 0:
        return rules.crossed
    return rules.hard


@njit(cache=True, nogil=True, forceinline=True)
def meeting_cost(rules, right, strings, a, n, b, m, ms):  # type: ignore[no-untyped-def]
    """Cost of one hand striking `a` where the other struck `b`, `ms` milliseconds before."""
    if ms >= rules.lift_ms:
        return 0.0
    if right:
        beyond = strings[a + n - 1] < strings[b]
    else:
        beyond = strings[a] > strings[b + m - 1]
    if beyond:
        return rules.over_hand
    if shared_strings(strings, a, n, b, m) == 0:
        return 0.0
    need = rules.repeat_seconds * rules.other_hand_share
    return rules.takeover + short_cost(rules, ms / 1000, need)


@njit(cache=True, nogil=True)
def shared_strings(strings, a, n, b, m):  # type: ignore[no-untyped-def]
    """How many strings two chords have in common."""
    i, j, shared = 0, 0, 0
    while i < n and j < m:
        s, t = strings[a + i], strings[b + j]
        shared += s == t
        i += s <= t
        j += t <= s
    return shared


# One hand from one moment to the next


@njit(cache=True, nogil=True, forceinline=True)
def milliseconds(seconds):  # type: ignore[no-untyped-def]
    """Seconds to whole milliseconds, the grain of every cost in time."""
    return int(seconds * 1000 + 0.5)


@njit(cache=True, nogil=True, forceinline=True)
def short_cost(rules, seconds, need):  # type: ignore[no-untyped-def]
    """0 with time enough, rising to `hurry` at the hard share, impossible below."""
    share = seconds / need if need > 0 else 1.0
    if share >= 1.0:
        return 0.0
    hard_share = rules.hard_share
    if share >= hard_share - 1e-9:
        return rules.hurry * (1.0 - share) / max(1e-9, 1.0 - hard_share)
    return rules.hurry + rules.hard + rules.hurry * (hard_share - share) / hard_share


@njit(cache=True, nogil=True, forceinline=True)
def jump_need(rules, travel):  # type: ignore[no-untyped-def]
    """Comfortable seconds to travel so many strings and place anew."""
    near_share = rules.near_share + (1.0 - rules.near_share) * min(travel, 7.0) / 7.0
    beyond = rules.jump_octave_seconds * max(0.0, travel - 7.0) / 7.0
    return rules.jump_seconds * near_share + beyond


@njit(cache=True, nogil=True, forceinline=True)
def thumb_of(rules, strings, a, n, fingers, f):  # type: ignore[no-untyped-def]
    """Where the thumb of the hand at ease would be, in strings."""
    total = 0.0
    for i in range(n):
        total += strings[a + i] + rules.finger_width * max(0, fingers[f + i] - 1)
    return total / n


@njit(cache=True, nogil=True, forceinline=True)
def link_cost(rules, strings, a, n, fingers, f, b, m, g):  # type: ignore[no-untyped-def]
    """Cost if both chords lie under one placed hand, else -1."""
    if n + m > 4:
        return -1.0
    nearest, cost = 99, 0.0
    for i in range(n):
        s, used = strings[a + i], fingers[f + i]
        for j in range(m):
            t, free = strings[b + j], fingers[g + j]
            # fingers fall as strings rise: of the higher string, the lower number
            if used == 0 or free == 0 or s == t or used == free or (t > s) != (free < used):
                return -1.0
            if t > s:
                gap, upper, lower = t - s, free, used
            else:
                gap, upper, lower = s - t, used, free
            if gap > pair_value(rules.reach, upper, lower):
                return -1.0
            if gap < nearest:
                nearest, cost = gap, pair_stretch(rules, gap, upper, lower)
    return cost / 2


@njit(cache=True, nogil=True, forceinline=True)
def passing(rules, step, finger, following):  # type: ignore[no-untyped-def]
    """A crossing or a slide from one note to the next: (kind, cost); (PLACE, 0) if it is none."""
    if finger == following:
        if finger == 1 and step == -1:
            return SLIDE, rules.slide
        if finger == 4 and step == 1:
            return SLIDE, rules.slide_up
        return PLACE, 0.0
    if abs(step) > rules.cross_reach or (step > 0) != (following > finger):
        return PLACE, 0.0
    beyond = rules.cross_string * (abs(step) - 1)
    if step > 0:
        off = rules.cross_finger * ((finger - 1) + (4 - following))
        return UNDER, rules.under + off + beyond
    off = rules.cross_finger * ((4 - finger) + (following - 1))
    return OVER, rules.over + off + beyond


@njit(cache=True, nogil=True, forceinline=True)
def relation(strings, a, n, b, m):  # type: ignore[no-untyped-def]
    """(direction, strings in common) from one chord to the next: +1 if the next lies all above, -1
    below, else 0."""
    if strings[b] > strings[a + n - 1]:
        return 1, 0
    if strings[b + m - 1] < strings[a]:
        return -1, 0
    return 0, shared_strings(strings, a, n, b, m)


@njit(cache=True, nogil=True, inline="always")  # by a call the rules' many numbers would be copied
def move(rules, strings, a, n, fingers, f, b, m, g, direction, shared, travel):  # type: ignore[no-untyped-def]
    """The way from one chord to the next, time left aside: (kind, direction, base, need, travel).

    direction, shared: their `relation`; travel: from thumb to thumb, in strings.
    """
    if shared == n and shared == m:
        # a lone string is better taken with another finger, a chord with the same ones
        same = True
        for i in range(n):
            same = same and fingers[f + i] == fingers[g + i]
        base = rules.repeat + (rules.same_finger if same == (n == 1) else 0.0)
        need = rules.repeat_seconds
        if n >= 3:
            need = max(need, rules.chord_seconds)
        return REPEAT, 0, base, need, 0.0
    if shared == 0:
        linked = link_cost(rules, strings, a, n, fingers, f, b, m, g)
        if linked >= 0.0:
            return LINK, direction, linked, rules.note_seconds, 0.0
        if n == 1 and m == 1 and fingers[f] != 0 and fingers[g] != 0:
            step = strings[b] - strings[a]
            kind, base = passing(rules, step, fingers[f], fingers[g])
            if kind != PLACE:
                return kind, direction, base, rules.note_seconds, float(abs(step))
    base = rules.place + rules.place_string * min(travel, rules.place_most)
    need = jump_need(rules, travel)
    if shared > 0:
        base += rules.repeat / 2 * shared
        need = max(need, rules.repeat_seconds)
    if n >= 3 and m >= 3:
        need = max(need, rules.chord_seconds)
    return PLACE, direction, base, need, travel


@njit(cache=True, nogil=True, forceinline=True)
def step_cost(rules, kind, direction, base, need, run, ms):  # type: ignore[no-untyped-def]
    """(cost, run, kind) of a move `ms` milliseconds after a chord with this `run`.

    A link goes on if the placing runs its way (or has no way yet), else it turns.
    """
    seconds = max(0, min(ms, rules.most_ms)) / 1000
    if kind != LINK:
        return base + short_cost(rules, seconds, need), 0, kind
    if direction != 0 and (run == 0 or run == direction):
        pace = rules.pace * max(0.0, 1.0 - seconds * rules.hand_rate)
        cost = base + pace + short_cost(rules, seconds, rules.roll_seconds)
        return cost, direction, GO_ON
    return base + rules.turn + short_cost(rules, seconds, need), direction, TURN


@njit(cache=True, nogil=True, forceinline=True)
def rested_cost(rules, kind, direction, base, need, run, ms, rested):  # type: ignore[no-untyped-def]
    """`step_cost` for a hand that may have rested: where to lift it and place anew is cheaper, that
    is done."""
    cost, after, way = step_cost(rules, kind, direction, base, need, run, ms)
    if rested and cost > rules.lifted:
        return rules.lifted, 0, LIFT
    return cost, after, way


# The blocks of all moments


class Moments(NamedTuple):
    """What is struck when. Moment i has the places first[i] to first[i + 1] of the flat arrays.

    at: seconds; away: the left hand turns a lever; per place, strings low to high: strings, cost of
    giving it to the left, to the right hand, harmonic, etouffe, rolled, trill, busy until
    (seconds), sweep number, asked (0, 1 left, 2 right), upper (a note of it stands on staff 1),
    learnt (0, 1 to 4 a finger of the left hand, 5 to 8 of the right).
    """

    at: Floats
    away: Ints
    first: Ints
    strings: Ints
    left: Floats
    right: Floats
    harmonic: Ints
    etouffe: Ints
    rolled: Ints
    trill: Ints
    busy: Floats
    sweep: Ints
    asked: Ints
    upper: Ints
    learnt: Ints


class _Blocks(NamedTuple):
    """All blocks, by number. moment: its number; at: seconds; end: seconds when its last note is
    struck (later than `at` if rolled); busy: seconds; a, n: strings from a on;
    options, f: fingerings from f on in `fingers`, n apart; o: first row of `own` and `thumb`, which
    hold what a fingering costs by itself and where its thumb is. `places`: beside `strings`."""

    moment: Ints
    at: Floats
    end: Floats
    busy: Floats
    sweep: Ints
    a: Ints
    n: Ints
    options: Ints
    f: Ints
    o: Ints
    strings: Ints
    places: Ints
    fingers: Ints
    own: Floats
    thumb: Floats


@njit(cache=True, nogil=True)
def _new_blocks(moments):  # type: ignore[no-untyped-def]
    """Room for every block that the moments can have."""
    blocks = places = fingers = options = 0
    for i in range(len(moments.at)):
        n = moments.first[i + 1] - moments.first[i]
        blocks += 2 * (n + 3)
        places += n * (n + 3)
        fingers += 6 * n * (n + 3)
        options += 12 * (n + 3)
    row = np.zeros(blocks, np.int64)
    return _Blocks(
        row, np.zeros(blocks), np.zeros(blocks), np.zeros(blocks), row.copy(), row.copy(),
        row.copy(), row.copy(), row.copy(), row.copy(), np.zeros(places, np.int64),
        np.zeros(places, np.int64), np.zeros(fingers, np.int64), np.zeros(options),
        np.zeros(options),
    )


@njit(cache=True, nogil=True)
def _add_block(rules, moments, blocks, used, i, right, taken):  # type: ignore[no-untyped-def]
    """Adds the block of one hand at moment i, places where `taken`. used: how much of `blocks` is
    in use (blocks, strings, fingers, options). Returns its number, or LIFTED if it strikes nothing,
    and the least that it can cost by itself."""
    block, a, f, o = used[0], used[1], used[2], used[3]
    n = swept = trills = harmonics = etouffes = rolled = 0
    fixed = busy = 0.0
    sweep = 0
    for p in range(moments.first[i], moments.first[i + 1]):
        # a roll goes upwards: what the right hand has of it follows on the left hand's
        if right or taken[p - moments.first[i]]:
            rolled += moments.rolled[p]
        if not taken[p - moments.first[i]]:
            continue
        blocks.strings[a + n], blocks.places[a + n] = moments.strings[p], p
        fixed += moments.right[p] if right else moments.left[p]
        busy = max(busy, moments.busy[p])
        sweep = max(sweep, moments.sweep[p])
        swept += moments.sweep[p] > 0
        trills += moments.trill[p]
        harmonics += moments.harmonic[p]
        etouffes += moments.etouffe[p]
        n += 1
    if n == 0:
        return LIFTED, 0.0
    fixed += hand_cost(rules, right, blocks.strings, a, n)
    if harmonics + etouffes > 0:
        fixed += signs_cost(rules, right, harmonics, etouffes)
    if busy > 0.0:
        fixed += rules.hard * max(0, trills - 1)
    if moments.away[i] and not right:
        fixed += rules.hard
    free = n - swept
    options = 1 if free == 0 or free > 4 else _FIRST[free + 1] - _FIRST[free]
    least = _INF
    for option in range(options):
        at = other = 0
        for k in range(n):
            finger = 0
            if moments.sweep[blocks.places[a + k]] == 0:
                if free <= 4:
                    finger = _CHOICES[_FIRST[free] + option, at]
                elif at == 0:
                    finger = 4
                elif free - at < 4:
                    finger = free - at
                at += 1
            blocks.fingers[f + k] = finger
            known = moments.learnt[blocks.places[a + k]]
            other += known > 0 and known != finger + 4 * right
        cost = fixed + other * rules.learnt
        cost += grip_cost(rules, blocks.strings, a, n, blocks.fingers, f)
        blocks.own[o + option] = _grain(cost)
        blocks.thumb[o + option] = thumb_of(rules, blocks.strings, a, n, blocks.fingers, f)
        least = min(least, cost)
        f += n
    blocks.moment[block], blocks.at[block] = i, moments.at[i]
    blocks.end[block] = moments.at[i] + rules.roll_seconds * max(0, rolled - 1)
    blocks.busy[block], blocks.sweep[block] = busy, sweep
    blocks.a[block], blocks.n[block] = a, n
    blocks.options[block], blocks.f[block], blocks.o[block] = options, used[2], o
    used[0], used[1], used[2], used[3] = block + 1, a + n, f, o + options
    return block, least


@njit(cache=True, nogil=True)
def _divide(rules, moments, blocks, used, i, lefts, rights):  # type: ignore[no-untyped-def]
    """The divisions considered at moment i as pairs of blocks; returns how many."""
    first = moments.first[i]
    n = moments.first[i + 1] - first
    fewest = max(0, n - 8)
    least = np.empty(n + 3)
    taken = np.zeros(n, np.bool_)
    count, cheapest = 0, _INF
    anyone_asked = False
    for k in range(n):
        anyone_asked = anyone_asked or moments.asked[first + k] != 0
    for k in range(n + 2):
        if k <= n:
            if max(0, k - 4) + max(0, n - k - 4) > fewest:
                continue
            for p in range(n):
                taken[p] = p < k
        elif anyone_asked:
            number, lower = 0, True
            for p in range(n):
                ask = moments.asked[first + p]
                taken[p] = ask == 1 or (ask == 0 and moments.upper[first + p] == 0)
                number += taken[p]
                lower = lower and taken[p] == (p < number)
            if lower and max(0, number - 4) + max(0, n - number - 4) == fewest:
                continue
        elif n == 2 and moments.upper[first] == 1 and moments.upper[first + 1] == 0:
            taken[0], taken[1] = False, True
        else:
            continue
        left, cost = _add_block(rules, moments, blocks, used, i, False, taken)
        for p in range(n):
            taken[p] = not taken[p]
        right, more = _add_block(rules, moments, blocks, used, i, True, taken)
        if left != LIFTED and right != LIFTED:
            both = pair_cost(
                rules, blocks.strings, blocks.a[left], blocks.n[left], blocks.a[right],
                blocks.n[right],
            )
            for option in range(blocks.options[left]):
                blocks.own[blocks.o[left] + option] += _grain(both)
            cost += both
        lefts[count], rights[count], least[count] = left, right, cost + more
        cheapest = min(cheapest, least[count])
        count += 1
    kept = 0
    for k in range(count):
        if least[k] <= cheapest + rules.split_margin:
            lefts[kept], rights[kept] = lefts[k], rights[k]
            kept += 1
    return kept


# Sides and ways


@njit(cache=True, nogil=True, forceinline=True)
def _states(blocks, block):  # type: ignore[no-untyped-def]
    return 1 if block == LIFTED else 3 * blocks.options[block]


@njit(cache=True, nogil=True)
def _width(blocks, sides, start, count):  # type: ignore[no-untyped-def]
    """States of a side."""
    total = 0
    for k in range(start, start + count):
        total += _states(blocks, sides[k])
    return total


class Lone(NamedTuple):
    """`move` from one string to another, for every way from -FARTHEST to FARTHEST strings and every
    pair of fingers: row step + FARTHEST, column 4 * finger + next finger - 5."""

    kind: Ints
    way: Ints
    base: Floats
    need: Floats


FARTHEST = 64


@njit(cache=True, nogil=True)
def lone_moves(rules):  # type: ignore[no-untyped-def]
    """The table of all ways between single strings."""
    rows = 2 * FARTHEST + 1
    kind = np.zeros((rows, 16), np.int64)
    lone = Lone(kind, kind.copy(), np.zeros((rows, 16)), np.zeros((rows, 16)))
    strings, fingers = np.zeros(2, np.int64), np.zeros(2, np.int64)
    for row in range(rows):
        strings[1] = row - FARTHEST
        direction, shared = relation(strings, 0, 1, 1, 1)
        for column in range(16):
            fingers[0], fingers[1] = column // 4 + 1, column % 4 + 1
            travel = abs(
                thumb_of(rules, strings, 1, 1, fingers, 1)
                - thumb_of(rules, strings, 0, 1, fingers, 0)
            )
            kind, way, base, need, _ = move(
                rules, strings, 0, 1, fingers, 0, 1, 1, 1, direction, shared, travel
            )
            lone.kind[row, column], lone.way[row, column] = kind, way
            lone.base[row, column], lone.need[row, column] = base, need
    return lone


@njit(cache=True, nogil=True, forceinline=True)
def _may_lift(rules, blocks, old, index, at, ms):  # type: ignore[no-untyped-def]
    """Whether a hand may have left this block for anywhere by moment `index`, `ms` after it."""
    return blocks.moment[old] < index - 1 and ms >= rules.lift_ms and not (
        blocks.busy[old] > at + EPSILON
    )


@njit(cache=True, nogil=True, forceinline=True)
def _ways(rules, lone, blocks, old, new, cost, target):  # type: ignore[no-untyped-def]
    """The ways from every state of `old` to every fingering of `new`: what each costs and the state
    that it leads to. Returns the number of states of `old`."""
    options = blocks.options[new]
    if old == LIFTED:
        for j in range(options):
            cost[0, j], target[0, j] = _grain(rules.lifted), 3 * j + 1
        return 1
    states = 3 * blocks.options[old]
    if blocks.sweep[old] != 0 and blocks.sweep[old] == blocks.sweep[new]:
        for row in range(states):
            for j in range(options):
                cost[row, j], target[row, j] = 0.0, 3 * j + 1
        return states
    a, n, b, m = blocks.a[old], blocks.n[old], blocks.a[new], blocks.n[new]
    direction, shared = relation(blocks.strings, a, n, b, m)
    ms = milliseconds(blocks.at[new] - blocks.end[old])
    rested = _may_lift(rules, blocks, old, blocks.moment[new], blocks.at[new], ms)
    more = rules.hard if blocks.busy[old] > blocks.at[new] + EPSILON else 0.0
    step = blocks.strings[b] - blocks.strings[a] + FARTHEST
    known = blocks.options[old] == 4 and options == 4 and n == 1 and m == 1
    known = known and 0 <= step <= 2 * FARTHEST
    for i in range(blocks.options[old]):
        f, thumb = blocks.f[old] + i * n, blocks.thumb[blocks.o[old] + i]
        for j in range(options):
            g = blocks.f[new] + j * m
            if known:
                column = 4 * blocks.fingers[f] + blocks.fingers[g] - 5
                kind, way = lone.kind[step, column], lone.way[step, column]
                base, need = lone.base[step, column], lone.need[step, column]
            else:
                kind, way, base, need, _ = move(
                    rules, blocks.strings, a, n, blocks.fingers, f, b, m, g, direction, shared,
                    abs(blocks.thumb[blocks.o[new] + j] - thumb),
                )
            paid, after, _ = rested_cost(rules, kind, way, base, need, -1, ms, rested)
            cost[3 * i, j], target[3 * i, j] = _grain(paid + more), 3 * j + 1 + after
            for run in range(2):
                row = 3 * i + run + 1
                if kind == LINK:
                    paid, after, _ = rested_cost(rules, kind, way, base, need, run, ms, rested)
                cost[row, j], target[row, j] = _grain(paid + more), 3 * j + 1 + after
    return states


@njit(cache=True, nogil=True)
def _meetings(rules, blocks, right, new, sides, start, count, found):  # type: ignore[no-untyped-def]
    """`meeting_cost` of a block against every state of the other hand's side."""
    at = 0
    for k in range(start, start + count):
        old, cost = sides[k], 0.0
        if old != LIFTED:
            cost = meeting_cost(
                rules, right, blocks.strings, blocks.a[new], blocks.n[new], blocks.a[old],
                blocks.n[old], milliseconds(blocks.at[new] - blocks.end[old]),
            )
        cost = _grain(cost)
        for _ in range(_states(blocks, old)):
            found[at] = cost
            at += 1


# Tables, a row each: start and count of the left side in `sides`, the same of the right side, start
# in `values`, rows, columns


@njit(cache=True, nogil=True, forceinline=True)
def _longer(row, least):  # type: ignore[no-untyped-def]
    """The same array with room for at least so many."""
    if len(row) >= least:
        return row
    longer = np.empty(max(least, 2 * len(row)), row.dtype)
    longer[: len(row)] = row
    return longer


@njit(cache=True, nogil=True)
def _stays(rules, blocks, old, at, index):  # type: ignore[no-untyped-def]
    """Whether a block stays apart at this moment rather than counting as lifted."""
    if old == LIFTED:
        return False
    ms = milliseconds(at - blocks.end[old])
    return ms < rules.hold_ms or not _may_lift(rules, blocks, old, index, at, ms)


@njit(cache=True, nogil=True)
def _lifted_states(rules, blocks, sides, start, count, at, index, state):  # type: ignore[no-untyped-def]
    """For every state of a side, its state once resting hands are lifted. Returns how many states
    the side then has."""
    fresh = False
    for k in range(start, start + count):
        if sides[k] != LIFTED and not _stays(rules, blocks, sides[k], at, index):
            fresh = True
    row, free = 0, 1 if fresh else 0
    for k in range(start, start + count):
        apart = not fresh or _stays(rules, blocks, sides[k], at, index)
        for _ in range(_states(blocks, sides[k])):
            state[row] = free if apart else 0
            free += apart
            row += 1
    return free


@njit(cache=True, nogil=True)
def _lifted_side(rules, blocks, sides, start, count, at, index, end):  # type: ignore[no-untyped-def]
    """Writes a side with its resting hands lifted at `end` of `sides`; returns its blocks."""
    sides[end], found = LIFTED, 1
    for k in range(start, start + count):
        if _stays(rules, blocks, sides[k], at, index):
            sides[end + found] = sides[k]
            found += 1
    return found


@njit(cache=True, nogil=True)
def _spread(  # type: ignore[no-untyped-def]
    rules, lone, blocks, sides, start, count, new, fixed, values, width, result, to, stride, cost,
    target,
):
    """One hand goes on to block `new`, the other stays: the least costs into `result`.

    values: a row of `width` states of the other hand for each state of the hand; result: likewise,
    `stride` apart from `to` on. fixed: added per state of the hand.
    """
    options, row = blocks.options[new], 0
    for k in range(start, start + count):
        for state in range(_ways(rules, lone, blocks, sides[k], new, cost, target)):
            source, more = values[row * width : row * width + width], fixed[row]
            row += 1
            c = 0
            while c < width and source[c] == _INF:
                c += 1
            if c == width:
                continue
            for j in range(options):
                paid, goal = cost[state, j] + more, to + target[state, j] * stride
                found = result[goal : goal + width]
                for c in range(width):
                    value = source[c] + paid
                    found[c] = value if value < found[c] else found[c]


@njit(cache=True, nogil=True)
def _turn(values, height, width, turned):  # type: ignore[no-untyped-def]
    """Rows to columns."""
    for row in range(height):
        for c in range(width):
            turned[c * height + row] = values[row * width + c]


@njit(cache=True, nogil=True)
def _reaching(rules, lone, blocks, sides, start, count, new, state, cost, target, found):  # type: ignore[no-untyped-def]
    """Cost from every state of a side to one state of block `new`."""
    row, option = 0, state // 3
    for k in range(start, start + count):
        for old in range(_ways(rules, lone, blocks, sides[k], new, cost, target)):
            found[row] = cost[old, option] if target[old, option] == state else _INF
            row += 1


@njit(cache=True, nogil=True)
def _give(blocks, block, option, hand, hands, fingers):  # type: ignore[no-untyped-def]
    """Notes what a hand takes at a moment, with which fingers."""
    for k in range(blocks.n[block]):
        place = blocks.places[blocks.a[block] + k]
        hands[place] = hand
        fingers[place] = blocks.fingers[blocks.f[block] + option * blocks.n[block] + k]


class Fringe(NamedTuple):
    """The tables before a moment. shapes: a row each, blocks of the left side and of the right,
    rows, columns; back: for each block of all sides how many moments before it was struck (0: it is
    LIFTED); block: its number among the blocks of that moment; values: the tables one after the
    other, less the least of them, which is `taken`.
    """

    shapes: Ints
    back: Ints
    block: Ints
    values: Floats
    taken: float

    def same(self, other: Fringe) -> bool:
        """Whether both mean the same, if the blocks do."""
        return all(
            len(one) == len(two) and bool((one == two).all())
            for one, two in zip(self[:4], other[:4], strict=True)
        )


def opening() -> Fringe:
    """Before the first moment: both hands may come from anywhere."""
    nothing = np.zeros(2, np.int64)
    return Fringe(np.ones((1, 4), np.int64), nothing, nothing, np.zeros(1), 0.0)


class Run(NamedTuple):
    """All tables of a stretch of moments, as `forward` leaves them for `backward`. The tables after
    moment i begin at first[i - low + 1]; first[0] is 0, where those of the fringe begin."""

    low: int
    blocks: _Blocks
    tables: Ints
    lifted: Ints
    lefts: Ints
    rights: Ints
    first: Ints
    sides: Ints
    values: Floats


@njit(cache=True, nogil=True)
def forward(rules, lone, moments, low, fringe):  # type: ignore[no-untyped-def]
    """Runs from a fringe before moment `low` to the last moment, and gives all tables and the
    fringe after it. The moments begin with those that the fringe still knows of."""
    count = len(moments.at)
    blocks, used = _new_blocks(moments), np.zeros(4, np.int64)
    known = len(fringe.shapes)
    most = known + len(moments.strings) + 3 * count
    tables, lifted = np.zeros((most, 7), np.int64), np.zeros((most, 7), np.int64)
    lefts, rights = np.full(most, LIFTED), np.full(most, LIFTED)
    first, block_first = np.zeros(count - low + 2, np.int64), np.zeros(count, np.int64)
    for i in range(low):
        block_first[i] = used[0]
        _divide(rules, moments, blocks, used, i, lefts, rights)
    sides, values = np.full(64 + len(fringe.back), LIFTED), np.zeros(4096 + len(fringe.values))
    for k in range(len(fringe.back)):
        if fringe.back[k] > 0:
            sides[k] = block_first[low - fringe.back[k]] + fringe.block[k]
    values[: len(fringe.values)] = fringe.values
    side_end = end = 0
    for t in range(known):
        left, right, height, width = fringe.shapes[t]
        tables[t] = side_end, left, side_end + left, right, end, height, width
        side_end += left + right
        end += height * width
    first[1] = known
    cost, target = np.empty((18, 6)), np.empty((18, 6), np.int64)
    rows, columns = np.empty(64, np.int64), np.empty(64, np.int64)
    more, beside, nothing = np.zeros(64), np.zeros(64), np.zeros(64)
    half, turned = np.empty(4096), np.empty(4096)
    for i in range(low, count):
        at = moments.at[i]
        for t in range(first[i - low], first[i - low + 1]):
            l0, ln, r0, rn, v0, height, width = tables[t]
            lifted[t] = tables[t]
            rows, columns = _longer(rows, height), _longer(columns, width)
            new_height = _lifted_states(rules, blocks, sides, l0, ln, at, i, rows)
            new_width = _lifted_states(rules, blocks, sides, r0, rn, at, i, columns)
            if new_height == height and new_width == width:
                continue
            sides = _longer(sides, side_end + ln + rn + 2)
            if new_height != height:
                lifted[t, 0] = side_end
                lifted[t, 1] = _lifted_side(rules, blocks, sides, l0, ln, at, i, side_end)
                side_end += lifted[t, 1]
            if new_width != width:
                lifted[t, 2] = side_end
                lifted[t, 3] = _lifted_side(rules, blocks, sides, r0, rn, at, i, side_end)
                side_end += lifted[t, 3]
            lifted[t, 4], lifted[t, 5], lifted[t, 6] = end, new_height, new_width
            values = _longer(values, end + new_height * new_width)
            values[end : end + new_height * new_width] = _INF
            for row in range(height):
                goal, source = end + rows[row] * new_width, v0 + row * width
                for c in range(width):
                    here = goal + columns[c]
                    values[here] = min(values[here], values[source + c])
            end += new_height * new_width
        fresh = first[i - low + 1]
        block_first[i] = used[0]
        kept = _divide(rules, moments, blocks, used, i, lefts[fresh:], rights[fresh:])
        first[i - low + 2] = fresh + kept
        blocks_before = total_height = total_width = tallest = widest = 0
        for t in range(first[i - low], fresh):
            blocks_before += lifted[t, 1] + lifted[t, 3]
            total_height += lifted[t, 5]
            total_width += lifted[t, 6]
            tallest, widest = max(tallest, lifted[t, 5]), max(widest, lifted[t, 6])
        more = _longer(more, max(total_height, len(cost)))
        beside = _longer(beside, max(total_width, len(cost)))
        if len(nothing) < max(total_height, total_width):
            nothing = np.zeros(2 * max(total_height, total_width))
        for t in range(fresh, first[i - low + 2]):
            left, right = lefts[t], rights[t]
            sides = _longer(sides, side_end + blocks_before + 2)
            left_start = side_end
            if left != LIFTED:
                sides[side_end] = left
                side_end += 1
                height = _states(blocks, left)
            else:
                height = total_height
                for s in range(first[i - low], fresh):
                    for k in range(lifted[s, 0], lifted[s, 0] + lifted[s, 1]):
                        sides[side_end] = sides[k]
                        side_end += 1
            right_start = side_end
            if right != LIFTED:
                sides[side_end] = right
                side_end += 1
                width = _states(blocks, right)
            else:
                width = total_width
                for s in range(first[i - low], fresh):
                    for k in range(lifted[s, 2], lifted[s, 2] + lifted[s, 3]):
                        sides[side_end] = sides[k]
                        side_end += 1
            tables[t, 0], tables[t, 1] = left_start, right_start - left_start
            tables[t, 2], tables[t, 3] = right_start, side_end - right_start
            tables[t, 4], tables[t, 5], tables[t, 6] = end, height, width
            values = _longer(values, end + height * width)
            values[end : end + height * width] = _INF
            turned = _longer(turned, height * width)
            turned[: height * width] = _INF
            row_at = column_at = 0
            for s in range(first[i - low], fresh):
                l0, ln, r0, rn, v0, tall, wide = lifted[s]
                if left == LIFTED:
                    half = _longer(half, tall * wide)
                    _turn(values[v0:], tall, wide, half)
                    _spread(
                        rules, lone, blocks, sides, r0, rn, right, nothing, half, tall, turned,
                        row_at, height, cost, target,
                    )
                elif right == LIFTED:
                    _spread(
                        rules, lone, blocks, sides, l0, ln, left, nothing, values[v0:], wide,
                        values, end + column_at, width, cost, target,
                    )
                else:
                    half = _longer(half, 2 * height * wide)
                    half[: height * wide] = _INF
                    _meetings(rules, blocks, True, right, sides, l0, ln, more)
                    _meetings(rules, blocks, False, left, sides, r0, rn, beside)
                    _spread(
                        rules, lone, blocks, sides, l0, ln, left, more, values[v0:], wide, half, 0,
                        wide, cost, target,
                    )
                    _turn(half, height, wide, half[height * wide :])
                    _spread(
                        rules, lone, blocks, sides, r0, rn, right, beside, half[height * wide :],
                        height, turned, 0, height, cost, target,
                    )
                row_at += tall
                column_at += wide
            if right != LIFTED:
                _turn(turned, width, height, values[end:])
            if left == LIFTED:
                _meetings(
                    rules, blocks, True, right, sides, left_start, right_start - left_start, more
                )
            else:
                for row in range(height):
                    more[row] = blocks.own[blocks.o[left] + row // 3]
            if right == LIFTED:
                _meetings(
                    rules, blocks, False, left, sides, right_start, side_end - right_start, beside
                )
            else:
                for c in range(width):
                    beside[c] = blocks.own[blocks.o[right] + c // 3]
            for row in range(height):
                for c in range(width):
                    values[end + row * width + c] += more[row] + beside[c]
            end += height * width
    start, stop = first[count - low], first[count - low + 1]
    blocks_there = cells = 0
    for t in range(start, stop):
        blocks_there += tables[t, 1] + tables[t, 3]
        cells += tables[t, 5] * tables[t, 6]
    shapes, found = np.empty((stop - start, 4), np.int64), np.empty(cells)
    back, block = np.zeros(blocks_there, np.int64), np.zeros(blocks_there, np.int64)
    at = cell = 0
    for t in range(start, stop):
        l0, ln, r0, rn, v0, height, width = tables[t]
        shapes[t - start] = ln, rn, height, width
        for k in range(ln + rn):
            number = sides[l0 + k] if k < ln else sides[r0 + k - ln]
            if number != LIFTED:
                back[at] = count - blocks.moment[number]
                block[at] = number - block_first[blocks.moment[number]]
            at += 1
        found[cell : cell + height * width] = values[v0 : v0 + height * width]
        cell += height * width
    taken = found.min()
    found -= taken
    return (
        Run(low, blocks, tables, lifted, lefts, rights, first, sides, values),
        Fringe(shapes, back, block, found, taken),
    )


@njit(cache=True, nogil=True)
def cheapest(fringe):  # type: ignore[no-untyped-def]
    """(table, row, column) of the least value, the first of several."""
    cell = 0
    for t in range(len(fringe.shapes)):
        height, width = fringe.shapes[t, 2], fringe.shapes[t, 3]
        for k in range(height * width):
            if fringe.values[cell + k] == 0.0:
                return t, k // width, k % width
        cell += height * width
    return 0, 0, 0


@njit(cache=True, nogil=True)
def backward(rules, lone, moments, run, which, row, column):  # type: ignore[no-untyped-def]
    """The cheapest way through a run that ends in a state of its last fringe (table, row, column):
    per place the hand (0 left, 1 right) and the finger, and the state of the first fringe that it
    comes from. Places of moments before the run's stay 0."""
    low, blocks, tables, lifted, lefts, rights, first, sides, values = run
    count = len(moments.at)
    cost, target = np.empty((18, 6)), np.empty((18, 6), np.int64)
    rows, columns = np.empty(64, np.int64), np.empty(64, np.int64)
    room = 64
    for t in range(first[count - low + 1]):
        room = max(room, lifted[t, 5], lifted[t, 6])
    more, beside, half = np.zeros(room), np.zeros(room), np.zeros(2 * room)
    which += first[count - low]
    hands = np.zeros(len(moments.strings), np.int64)
    fingers = np.zeros(len(moments.strings), np.int64)
    for i in range(count - 1, low - 1, -1):
        left, right = lefts[which], rights[which]
        if left != LIFTED:
            _give(blocks, left, row // 3, 0, hands, fingers)
        if right != LIFTED:
            _give(blocks, right, column // 3, 1, hands, fingers)
        best, row_at, column_at, before = _INF, 0, 0, (0, 0, 0)
        for s in range(first[i - low], first[i - low + 1]):
            l0, ln, r0, rn, v0, height, width = lifted[s]
            row_from, row_to, column_from, column_to = 0, height, 0, width
            more[:height], beside[:width] = 0.0, 0.0
            rows, columns = _longer(rows, height), _longer(columns, width)
            if left == LIFTED:
                row_from, row_to = max(0, row - row_at), min(height, row - row_at + 1)
            else:
                _reaching(rules, lone, blocks, sides, l0, ln, left, row, cost, target, more)
            if right == LIFTED:
                column_from = max(0, column - column_at)
                column_to = min(width, column - column_at + 1)
            else:
                _reaching(rules, lone, blocks, sides, r0, rn, right, column, cost, target, beside)
            if left != LIFTED and right != LIFTED:
                half = _longer(half, height + width)
                _meetings(rules, blocks, True, right, sides, l0, ln, half[:height])
                _meetings(rules, blocks, False, left, sides, r0, rn, half[height:])
                for k in range(height):
                    more[k] += half[k]
                for k in range(width):
                    beside[k] += half[height + k]
            for r in range(row_from, row_to):
                for c in range(column_from, column_to):
                    value = values[v0 + r * width + c] + more[r] + beside[c]
                    if value < best:
                        best, before = value, (s, r, c)
            row_at += height
            column_at += width
        which = before[0]
        l0, ln, r0, rn, v0, height, width = tables[which]
        rows, columns = _longer(rows, height), _longer(columns, width)
        _lifted_states(rules, blocks, sides, l0, ln, moments.at[i], i, rows)
        _lifted_states(rules, blocks, sides, r0, rn, moments.at[i], i, columns)
        best = _INF
        for r in range(height):
            for c in range(width):
                value = values[v0 + r * width + c]
                if rows[r] == before[1] and columns[c] == before[2] and value < best:
                    best, row, column = value, r, c
    return hands, fingers, (which, row, column)


@njit(cache=True, nogil=True)
def walk(rules, at, end, index, first, strings, fingers, sweep, busy, run):  # type: ignore[no-untyped-def]
    """The ways of one hand from each chord to the next: kinds (numbers of KINDS), travel, need, and
    the run after each; run: before the first.

    Chord i has strings and fingers from first[i] to first[i + 1]; at, end, busy: seconds (its
    first and last note, until when it keeps the hand); index: its moment.
    """
    count = max(0, len(at) - 1)
    kinds, travels, needs = np.zeros(count, np.int64), np.zeros(count), np.zeros(count)
    runs = np.zeros(count, np.int64)
    for i in range(count):
        ms = milliseconds(at[i + 1] - end[i])
        if sweep[i] != 0 and sweep[i] == sweep[i + 1]:
            kinds[i], run = SWEEP, 0
            continue
        rested = index[i + 1] > index[i] + 1 and ms >= rules.lift_ms
        rested = rested and not busy[i] > at[i + 1] + EPSILON
        if rested and ms >= rules.hold_ms:
            kinds[i], run = LIFT, 0
            continue
        a, b = first[i], first[i + 1]
        n, m = b - a, first[i + 2] - b
        direction, shared = relation(strings, a, n, b, m)
        travel = abs(
            thumb_of(rules, strings, b, m, fingers, b) - thumb_of(rules, strings, a, n, fingers, a)
        )
        kind, way, base, need, travels[i] = move(
            rules, strings, a, n, fingers, a, b, m, b, direction, shared, travel
        )
        _, run, kinds[i] = rested_cost(rules, kind, way, base, need, run, ms, rested)
        runs[i] = run
        if kinds[i] == LIFT:
            travels[i] = 0.0
            continue
        needs[i] = rules.roll_seconds if kinds[i] == GO_ON else need
    return kinds, travels, needs, runs
