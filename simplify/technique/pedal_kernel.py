"""The inner loops of the pedal search, compiled.

Costs are int32 arrays over the 2187 settings, one row for each pair of levels. A letter's three
positions lie `3 ** (6 - letter)` apart; what it costs to leave a position, or to arrive at it,
depends on the letter, the position and on whether another letter gives the same sound (`doubled`),
see `pedal_line.EXITS`. numba compiles at the first call and keeps the result on disk.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numba import njit

from simplify.harp.synonyms import SETTINGS
from simplify.technique.pedal_line import Ints, exits

THIRD = SETTINGS // 3


@cache
def doubled() -> Ints:
    """Shape (7, 2187): 1 where another letter gives the same sound as this letter."""
    return np.ascontiguousarray((exits() >= 21).astype(np.int32))


@cache
def doubled_turned() -> Ints:
    """`doubled` in the layout in which `slide_run` meets each letter: that letter's axis first, the
    axes in cyclic order."""
    numbers = np.arange(SETTINGS).reshape((3,) * 7)
    rows = [
        doubled()[letter][numbers.transpose([*range(letter, 7), *range(letter)]).reshape(-1)]
        for letter in range(7)
    ]
    return np.ascontiguousarray(np.stack(rows))


@njit(inline="always")
def _i(value):  # type: ignore[no-untyped-def]
    """Back to 32 bits: numba widens every sum, which halves what one instruction does."""
    return np.int32(value)


@njit(inline="always")
def _best(stay, one, two, more):  # type: ignore[no-untyped-def]
    """Least of staying and of two ways of arriving that cost `more`."""
    return min(stay, _i(min(one, two) + more))


@njit(cache=True, nogil=True)
def _pass(source, target, leave, enter, notch, mask, letter):  # type: ignore[no-untyped-def]
    """One letter of `_slide`: from thirds to triples."""
    first = 3 * letter
    flat, natural, sharp = leave[first], leave[first + 1], leave[first + 2]
    flat_more = _i(leave[first + 21] - flat)
    natural_more = _i(leave[first + 22] - natural)
    sharp_more = _i(leave[first + 23] - sharp)
    to_flat, to_natural, to_sharp = enter[first + 21], enter[first + 22], enter[first + 23]
    lows, middles, highs = source[:THIRD], source[THIRD : 2 * THIRD], source[2 * THIRD :]
    on_lows, on_middles, on_highs = mask[:THIRD], mask[THIRD : 2 * THIRD], mask[2 * THIRD :]
    for j in range(THIRD):
        a, b, c = lows[j], middles[j], highs[j]
        on_a, on_b, on_c = on_lows[j], on_middles[j], on_highs[j]
        from_a = _i(a + _i(flat + _i(on_a * flat_more)))
        from_b = _i(b + _i(natural + _i(on_b * natural_more)))
        from_c = _i(c + _i(sharp + _i(on_c * sharp_more)))
        target[3 * j] = _best(a, from_b, _i(from_c + notch), _i(on_a * to_flat))
        target[3 * j + 1] = _best(b, from_a, from_c, _i(on_b * to_natural))
        target[3 * j + 2] = _best(c, from_b, _i(from_a + notch), _i(on_c * to_sharp))


@njit(cache=True, nogil=True)
def slide_run(state, leaves, enters, emissions, notch, twice, states, taken):  # type: ignore[no-untyped-def]
    """A run of slots in which every letter may move, each followed by a struck column.

    The axes are turned by one letter at a time, so that each pass runs over whole thirds; the
    seventh restores the order. state: shape (2187,), before; leaves, enters: (n, 42); emissions:
    (n, 2187); twice: `doubled_turned`; states: (n, 2187), filled with the state after each column
    less its minimum, which goes to taken: (n,).
    """
    one = np.empty(SETTINGS, dtype=np.int32)
    other = np.empty(SETTINGS, dtype=np.int32)
    previous = state
    for at in range(len(leaves)):
        leave, enter, emission, now = leaves[at], enters[at], emissions[at], states[at]
        _pass(previous, one, leave, enter, notch, twice[0], 0)
        _pass(one, other, leave, enter, notch, twice[1], 1)
        _pass(other, one, leave, enter, notch, twice[2], 2)
        _pass(one, other, leave, enter, notch, twice[3], 3)
        _pass(other, one, leave, enter, notch, twice[4], 4)
        _pass(one, other, leave, enter, notch, twice[5], 5)
        _pass(other, now, leave, enter, notch, twice[6], 6)
        least = _i(now[0] + emission[0])
        for j in range(SETTINGS):
            value = _i(now[j] + emission[j])
            now[j] = value
            least = min(least, value)
        for j in range(SETTINGS):
            now[j] = _i(now[j] - least)
        taken[at] = least
        previous = now


@njit(cache=True, nogil=True)
def slide_letters(rows, letters, extras, leave, enter, notch, twice):  # type: ignore[no-untyped-def]
    """Some letters may move, in place, one after the other. rows: shape (n, 2187); twice: see
    `doubled`."""
    for at in range(len(letters)):
        letter, extra = letters[at], extras[at]
        step = 3 ** (6 - letter)
        first = 3 * letter
        flat, natural = _i(leave[first] + extra), _i(leave[first + 1] + extra)
        sharp = _i(leave[first + 2] + extra)
        flat_more = _i(leave[first + 21] - leave[first])
        natural_more = _i(leave[first + 22] - leave[first + 1])
        sharp_more = _i(leave[first + 23] - leave[first + 2])
        to_flat, to_natural, to_sharp = enter[first + 21], enter[first + 22], enter[first + 23]
        mask = twice[letter]
        for n in range(len(rows)):
            row = rows[n]
            if step == 1:
                for i in range(0, SETTINGS, 3):
                    a, b, c = row[i], row[i + 1], row[i + 2]
                    from_a = _i(a + _i(flat + _i(mask[i] * flat_more)))
                    from_b = _i(b + _i(natural + _i(mask[i + 1] * natural_more)))
                    from_c = _i(c + _i(sharp + _i(mask[i + 2] * sharp_more)))
                    row[i] = _best(a, from_b, _i(from_c + notch), _i(mask[i] * to_flat))
                    row[i + 1] = _best(b, from_a, from_c, _i(mask[i + 1] * to_natural))
                    row[i + 2] = _best(c, from_b, _i(from_a + notch), _i(mask[i + 2] * to_sharp))
                continue
            for base in range(0, SETTINGS, 3 * step):
                middle, top, end = base + step, base + 2 * step, base + 3 * step
                lows, middles, highs = row[base:middle], row[middle:top], row[top:end]
                on_a, on_b, on_c = mask[base:middle], mask[middle:top], mask[top:end]
                for j in range(step):
                    a, b, c = lows[j], middles[j], highs[j]
                    from_a = _i(a + _i(flat + _i(on_a[j] * flat_more)))
                    from_b = _i(b + _i(natural + _i(on_b[j] * natural_more)))
                    from_c = _i(c + _i(sharp + _i(on_c[j] * sharp_more)))
                    lows[j] = _best(a, from_b, _i(from_c + notch), _i(on_a[j] * to_flat))
                    middles[j] = _best(b, from_a, from_c, _i(on_b[j] * to_natural))
                    highs[j] = _best(c, from_b, _i(from_a + notch), _i(on_c[j] * to_sharp))


@njit(cache=True, nogil=True)
def _arrive(fresh, single, double, leave, extra, enter, mask, letter):  # type: ignore[no-untyped-def]
    """Lowers `fresh` to the cost of arriving at each setting by one move of a letter, from
    `single` by one notch or from `double` by two."""
    step = 3 ** (6 - letter)
    first = 3 * letter
    flat, natural = _i(leave[first] + extra), _i(leave[first + 1] + extra)
    sharp = _i(leave[first + 2] + extra)
    flat_more = _i(leave[first + 21] - leave[first])
    natural_more = _i(leave[first + 22] - leave[first + 1])
    sharp_more = _i(leave[first + 23] - leave[first + 2])
    to_flat, to_natural, to_sharp = enter[first + 21], enter[first + 22], enter[first + 23]
    if step == 1:
        for i in range(0, SETTINGS, 3):
            price_a = _i(flat + _i(mask[i] * flat_more))
            price_b = _i(natural + _i(mask[i + 1] * natural_more))
            price_c = _i(sharp + _i(mask[i + 2] * sharp_more))
            a_one, b_one, c_one = single[i], single[i + 1], single[i + 2]
            from_b = _i(b_one + price_b)
            fresh[i] = _best(
                fresh[i], from_b, _i(double[i + 2] + price_c), _i(mask[i] * to_flat)
            )
            fresh[i + 1] = _best(
                fresh[i + 1], _i(a_one + price_a), _i(c_one + price_c),
                _i(mask[i + 1] * to_natural),
            )
            fresh[i + 2] = _best(
                fresh[i + 2], from_b, _i(double[i] + price_a), _i(mask[i + 2] * to_sharp)
            )
        return
    for base in range(0, SETTINGS, 3 * step):
        middle, top, end = base + step, base + 2 * step, base + 3 * step
        fresh_a, fresh_b, fresh_c = fresh[base:middle], fresh[middle:top], fresh[top:end]
        one_a, one_b, one_c = single[base:middle], single[middle:top], single[top:end]
        two_a, two_c = double[base:middle], double[top:end]
        on_a, on_b, on_c = mask[base:middle], mask[middle:top], mask[top:end]
        for j in range(step):
            price_a = _i(flat + _i(on_a[j] * flat_more))
            price_b = _i(natural + _i(on_b[j] * natural_more))
            price_c = _i(sharp + _i(on_c[j] * sharp_more))
            from_b = _i(one_b[j] + price_b)
            fresh_a[j] = _best(
                fresh_a[j], from_b, _i(two_c[j] + price_c), _i(on_a[j] * to_flat)
            )
            fresh_b[j] = _best(
                fresh_b[j], _i(one_a[j] + price_a), _i(one_c[j] + price_c),
                _i(on_b[j] * to_natural),
            )
            fresh_c[j] = _best(
                fresh_c[j], from_b, _i(two_a[j] + price_a), _i(on_c[j] * to_sharp)
            )


@njit(cache=True, nogil=True)
def step_foot(  # type: ignore[no-untyped-def]
    rows, lefts, rights, foot, onto, singles, doubles, letters, extras, leave, enter, twice,
    sources, targets, prices, far, out,
):
    """At most one move of one foot: see `pedal_search.Step`.

    rows: shape (lefts * rights, 2187); singles, doubles: charge by merged level, the cost of the
    second notch included in doubles; out: rows with the foot's levels merged by `onto` and one
    more; sources, targets, prices: two adjacent pedals at once (empty: not asked for).
    """
    levels = lefts if foot == 0 else rights
    others = rights if foot == 0 else lefts
    kept = onto[levels - 1] + 1
    single = np.empty(SETTINGS, dtype=np.int32)
    double = np.empty(SETTINGS, dtype=np.int32)
    alike = np.empty(SETTINGS, dtype=np.int32)
    for other in range(others):
        fresh = out[kept * rights + other if foot == 0 else other * (kept + 1) + kept]
        for j in range(SETTINGS):
            single[j] = far
            double[j] = far
            fresh[j] = far
        level = 0
        while level < levels:
            # levels whose moves are charged alike are taken together
            to = onto[level]
            one, two = singles[to], doubles[to]
            row = rows[level * rights + other if foot == 0 else other * rights + level]
            stay = out[to * rights + other if foot == 0 else other * (kept + 1) + to]
            for j in range(SETTINGS):
                stay[j] = row[j]
                alike[j] = row[j]
            level += 1
            while level < levels and singles[onto[level]] == one and doubles[onto[level]] == two:
                row = rows[level * rights + other if foot == 0 else other * rights + level]
                if onto[level] == to:
                    for j in range(SETTINGS):
                        stay[j] = min(stay[j], row[j])
                        alike[j] = min(alike[j], row[j])
                else:
                    to = onto[level]
                    stay = out[to * rights + other if foot == 0 else other * (kept + 1) + to]
                    for j in range(SETTINGS):
                        stay[j] = row[j]
                        alike[j] = min(alike[j], row[j])
                level += 1
            for j in range(SETTINGS):
                single[j] = min(single[j], _i(alike[j] + one))
                double[j] = min(double[j], _i(alike[j] + two))
        for at in range(len(letters)):
            _arrive(
                fresh, single, double, leave, extras[at], enter, twice[letters[at]], letters[at]
            )
        for at in range(len(sources)):
            target = targets[at]
            fresh[target] = min(fresh[target], _i(single[sources[at]] + prices[at]))
