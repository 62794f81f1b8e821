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
STEP, SLIDE, CLOSE = 0, 1, 2
"""Kinds of operations in `walk`."""


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


@njit(inline="always")
def _prices(leave, enter, letter, extra):  # type: ignore[no-untyped-def]
    """What leaving flat, natural and sharp costs, how much more where another letter gives the same
    sound, and what arriving there costs then."""
    first = 3 * letter
    return (
        _i(leave[first] + extra), _i(leave[first + 1] + extra), _i(leave[first + 2] + extra),
        _i(leave[first + 21] - leave[first]), _i(leave[first + 22] - leave[first + 1]),
        _i(leave[first + 23] - leave[first + 2]),
        enter[first + 21], enter[first + 22], enter[first + 23],
    )


@njit(cache=True, nogil=True)
def _pass(source, target, leave, enter, notch, mask, letter):  # type: ignore[no-untyped-def]
    """One letter of `_slide`: from thirds to triples."""
    flat, natural, sharp, flat_more, natural_more, sharp_more, to_flat, to_natural, to_sharp = (
        _prices(leave, enter, letter, 0)
    )
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
def _slide_row(row, letter, extra, leave, enter, notch, mask):  # type: ignore[no-untyped-def]
    """One letter of a row may move, in place."""
    step = 3 ** (6 - letter)
    flat, natural, sharp, flat_more, natural_more, sharp_more, to_flat, to_natural, to_sharp = (
        _prices(leave, enter, letter, extra)
    )
    if step == 1:
        for i in range(0, SETTINGS, 3):
            a, b, c = row[i], row[i + 1], row[i + 2]
            from_a = _i(a + _i(flat + _i(mask[i] * flat_more)))
            from_b = _i(b + _i(natural + _i(mask[i + 1] * natural_more)))
            from_c = _i(c + _i(sharp + _i(mask[i + 2] * sharp_more)))
            row[i] = _best(a, from_b, _i(from_c + notch), _i(mask[i] * to_flat))
            row[i + 1] = _best(b, from_a, from_c, _i(mask[i + 1] * to_natural))
            row[i + 2] = _best(c, from_b, _i(from_a + notch), _i(mask[i + 2] * to_sharp))
        return
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
def slide_stages(row, letters, extras, leave, enter, notch, twice, stages):  # type: ignore[no-untyped-def]
    """A row before each letter of a slide moves: stages, shape (letters, 2187), is filled."""
    stages[0] = row
    for n in range(1, len(letters)):
        stage, letter = stages[n], letters[n - 1]
        stage[:] = stages[n - 1]
        _slide_row(stage, letter, extras[n - 1], leave, enter, notch, twice[letter])


@njit(cache=True, nogil=True)
def _arrive(fresh, single, double, leave, extra, enter, mask, letter):  # type: ignore[no-untyped-def]
    """Lowers `fresh` to the cost of arriving at each setting by one move of a letter, from
    `single` by one notch or from `double` by two."""
    step = 3 ** (6 - letter)
    flat, natural, sharp, flat_more, natural_more, sharp_more, to_flat, to_natural, to_sharp = (
        _prices(leave, enter, letter, extra)
    )
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
def _pair(fresh, single, leave, enter, mask, first, pairing):  # type: ignore[no-untyped-def]
    """Lowers `fresh` to the cost of pushing a letter and its right-hand neighbour from flat to
    natural at once."""
    one, two = 3 ** (6 - first), 3 ** (5 - first)
    for high in range(0, SETTINGS, 3 * one):
        for source in range(high, high + two):
            between, target = source + one, source + one + two
            price = _i(pairing + leave[3 * first + 21 * mask[first, source]])
            price = _i(price + leave[3 * first + 3 + 21 * mask[first + 1, between]])
            price = _i(price + mask[first, between] * enter[3 * first + 22])
            price = _i(price + mask[first + 1, target] * enter[3 * first + 25])
            fresh[target] = min(fresh[target], _i(single[source] + price))


@njit(cache=True, nogil=True)
def walk(  # type: ignore[no-untyped-def]
    state, lefts, rights, heads, letters, extras, leaves, enters, ladders, emission, twice, far,
    rows, room, out,
):
    """The operations between two columns and the column struck at their end: see
    `pedal_search.Segment`.

    state: shape (lefts * rights, 2187). heads: shape (n, 6), for each operation its kind (`STEP`,
    `SLIDE`, `CLOSE`), foot, number of letters, number of levels of the foot, cost of the second
    notch, cost of two adjacent pedals (-1: not asked for). letters, extras: shape (n, 7). leaves,
    enters: shape (n, 42). ladders: shape (n, 3, levels), how levels merge and the charges by merged
    level. rows: work space, room[0] * room[1] rows. out: filled with the state after, rows by left
    and right level. Returns left levels, right levels.
    """
    others_room = room[1]
    places = np.empty((2, max(room[0], room[1])), dtype=np.int64)
    free = np.empty((2, max(room[0], room[1])), dtype=np.int64)
    count = np.array([lefts, rights])
    spare = np.array([room[0] - lefts, room[1] - rights])
    for foot in range(2):
        for level in range(room[foot]):
            places[foot, level] = level
            free[foot, room[foot] - 1 - level] = level
    for left in range(lefts):
        for right in range(rights):
            rows[left * others_room + right] = state[left * rights + right]
    single = np.empty(SETTINGS, dtype=np.int32)
    double = np.empty(SETTINGS, dtype=np.int32)
    for at in range(len(heads)):
        kind, foot, letter_count, levels = heads[at, 0], heads[at, 1], heads[at, 2], heads[at, 3]
        notch, pairing = heads[at, 4], heads[at, 5]
        leave, enter = leaves[at], enters[at]
        if kind == SLIDE:
            for left in range(count[0]):
                for right in range(count[1]):
                    row = rows[places[0, left] * others_room + places[1, right]]
                    for n in range(letter_count):
                        letter = letters[at, n]
                        _slide_row(row, letter, extras[at, n], leave, enter, notch, twice[letter])
            continue
        other_foot = 1 - foot
        mine = others_room if foot == 0 else 1
        theirs = 1 if foot == 0 else others_room
        onto, singles, doubles = ladders[at, 0], ladders[at, 1], ladders[at, 2]
        kept = 0
        for level in range(levels):
            place = places[foot, level]
            if onto[level] == kept:
                places[foot, kept] = place
                kept += 1
                continue
            into = places[foot, onto[level]]
            for other in range(count[other_foot]):
                shift = theirs * places[other_foot, other]
                low, row = rows[into * mine + shift], rows[place * mine + shift]
                for j in range(SETTINGS):
                    low[j] = min(low[j], row[j])
            free[foot, spare[foot]] = place
            spare[foot] += 1
        if kind == STEP:
            spare[foot] -= 1
            new = free[foot, spare[foot]]
            for other in range(count[other_foot]):
                shift = theirs * places[other_foot, other]
                fresh = rows[new * mine + shift]
                for j in range(SETTINGS):
                    single[j] = far
                    double[j] = far
                    fresh[j] = far
                for level in range(kept):
                    row = rows[places[foot, level] * mine + shift]
                    one, two = singles[level], doubles[level]
                    for j in range(SETTINGS):
                        value = row[j]
                        single[j] = min(single[j], _i(value + one))
                        double[j] = min(double[j], _i(value + two))
                for n in range(letter_count):
                    letter = letters[at, n]
                    _arrive(
                        fresh, single, double, leave, extras[at, n], enter, twice[letter], letter
                    )
                if pairing >= 0:
                    last = 2 if foot == 0 else 6
                    for letter in range(0 if foot == 0 else 3, last):
                        _pair(fresh, single, leave, enter, twice, letter, pairing)
            places[foot, kept] = new
            kept += 1
        count[foot] = kept
    for left in range(count[0]):
        for right in range(count[1]):
            row = rows[places[0, left] * others_room + places[1, right]]
            target = out[left * count[1] + right]
            for j in range(SETTINGS):
                target[j] = _i(row[j] + emission[j])
    return count[0], count[1]
