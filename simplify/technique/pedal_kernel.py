"""The inner loops of the pedal search, compiled.

Costs are int32 arrays over the 2187 settings, one row for each pair of levels, cut into blocks of
settings that differ in the right foot's letters alone; blocks that can't matter are left out. A
letter's three positions lie `3 ** (6 - letter)` apart; what it costs to leave a position, or to
arrive at it, depends on the letter, the position and on whether another letter gives the same sound
(`doubled`), see `pedal_line.EXITS`. numba compiles at the first call and keeps the result on disk.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numba import njit

from simplify.harp.synonyms import SETTINGS
from simplify.technique.pedal_line import Ints, exits

THIRD = SETTINGS // 3
LAST_LEFT = 2
"""The left foot's last letter."""
BLOCK = 81
"""Settings that differ in the right foot's letters alone; they lie together."""
BLOCKS = SETTINGS // BLOCK
SIDE = 9
"""Settings of two letters: a block is SIDE x SIDE."""
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


@cache
def doubled_in_blocks() -> Ints:
    """`doubled` with each block turned as `_turn` turns it."""
    blocks = doubled().reshape(7, BLOCKS, SIDE, SIDE).transpose(0, 1, 3, 2)
    return np.ascontiguousarray(blocks.reshape(7, SETTINGS))


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
def _arrive(fresh, single, double, leave, extra, enter, mask, letter, step):  # type: ignore[no-untyped-def]
    """Lowers a block's `fresh` to the cost of arriving at each setting by one move of a letter of
    the right foot, from `single` by one notch or from `double` by two; step: how far apart the
    letter's positions lie."""
    flat, natural, sharp, flat_more, natural_more, sharp_more, to_flat, to_natural, to_sharp = (
        _prices(leave, enter, letter, extra)
    )
    for base in range(0, BLOCK, 3 * step):
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
def _turn(block, into):  # type: ignore[no-untyped-def]
    """A block with its last two letters first."""
    for high in range(SIDE):
        for low in range(SIDE):
            into[low * SIDE + high] = block[high * SIDE + low]


@njit(cache=True, nogil=True)
def _turn_to_least(block, into):  # type: ignore[no-untyped-def]
    """Lowers a block to one that is turned as `_turn` turns."""
    for high in range(SIDE):
        for low in range(SIDE):
            into[low * SIDE + high] = min(into[low * SIDE + high], block[high * SIDE + low])


@njit(inline="always")
def _cross(fresh, source, leave, extra, enter, mask, out, into, letter, at, to):  # type: ignore[no-untyped-def]
    """Lowers `fresh`, block `into`, to the cost of arriving from `source`, block `out`, by moving a
    letter of the left foot from position `at` to `to` (0 to 2)."""
    first = 3 * letter
    price, more = _i(leave[first + at] + extra), _i(leave[first + 21 + at] - leave[first + at])
    enters = enter[first + 21 + to]
    left, entered = mask[out * BLOCK : (out + 1) * BLOCK], mask[into * BLOCK : (into + 1) * BLOCK]
    for j in range(BLOCK):
        value = _i(source[j] + _i(price + _i(left[j] * more)))
        fresh[j] = min(fresh[j], _i(value + _i(entered[j] * enters)))


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


@njit(inline="always")
def _fill(row, alive, far):  # type: ignore[no-untyped-def]
    """Gives the dead blocks of a row values."""
    for b in range(BLOCKS):
        if not alive[b]:
            alive[b] = 1
            row[b * BLOCK : (b + 1) * BLOCK] = far


@njit(cache=True, nogil=True)
def _operate(  # type: ignore[no-untyped-def]
    rows, alive, places, count, heads, letters, extras, leaves, enters, ladders, twice,
    twice_turned, far, room,
):
    """Operations on a state in the work space, in place.

    The row of left level l and right level r is `places[0, l] * room[1] + places[1, r]`; count:
    levels of each foot. alive: for each row which of its blocks hold anything. For the operations
    see `walk`.
    """
    free = np.empty_like(places)
    spare = np.array([room[0] - count[0], room[1] - count[1]])
    for foot in range(2):
        used = np.zeros(room[foot], dtype=np.uint8)
        for level in range(count[foot]):
            used[places[foot, level]] = 1
        n = 0
        for place in range(room[foot] - 1, -1, -1):
            if not used[place]:
                free[foot, n] = place
                n += 1
    single = np.empty(SETTINGS, dtype=np.int32)
    double = np.empty(SETTINGS, dtype=np.int32)
    has = np.empty(BLOCKS, dtype=np.uint8)
    turned_one = np.empty(BLOCK, dtype=np.int32)
    turned_two = np.empty(BLOCK, dtype=np.int32)
    turned_fresh = np.empty(BLOCK, dtype=np.int32)
    for at in range(len(heads)):
        kind, foot, letter_count, levels = heads[at, 0], heads[at, 1], heads[at, 2], heads[at, 3]
        notch, pairing = heads[at, 4], heads[at, 5]
        leave, enter = leaves[at], enters[at]
        if kind == SLIDE:
            for left in range(count[0]):
                for right in range(count[1]):
                    number = places[0, left] * room[1] + places[1, right]
                    row = rows[number]
                    if not alive[number].any():
                        continue
                    _fill(row, alive[number], far)
                    for n in range(letter_count):
                        letter = letters[at, n]
                        _slide_row(row, letter, extras[at, n], leave, enter, notch, twice[letter])
            continue
        other_foot = 1 - foot
        mine = room[1] if foot == 0 else 1
        theirs = 1 if foot == 0 else room[1]
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
                low, high = into * mine + shift, place * mine + shift
                for b in range(BLOCKS):
                    if not alive[high, b]:
                        continue
                    target = rows[low, b * BLOCK : (b + 1) * BLOCK]
                    source = rows[high, b * BLOCK : (b + 1) * BLOCK]
                    if alive[low, b]:
                        for j in range(BLOCK):
                            target[j] = min(target[j], source[j])
                    else:
                        target[:] = source
                        alive[low, b] = 1
            free[foot, spare[foot]] = place
            spare[foot] += 1
        if kind == STEP:
            spare[foot] -= 1
            new = free[foot, spare[foot]]
            for other in range(count[other_foot]):
                shift = theirs * places[other_foot, other]
                number = new * mine + shift
                fresh, fresh_alive = rows[number], alive[number]
                fresh_alive[:] = 0
                has[:] = 0
                for level in range(kept):
                    row, row_alive = (
                        rows[places[foot, level] * mine + shift],
                        alive[places[foot, level] * mine + shift],
                    )
                    one, two = singles[level], doubles[level]
                    for b in range(BLOCKS):
                        if not row_alive[b]:
                            continue
                        source = row[b * BLOCK : (b + 1) * BLOCK]
                        by_one = single[b * BLOCK : (b + 1) * BLOCK]
                        by_two = double[b * BLOCK : (b + 1) * BLOCK]
                        if has[b]:
                            for j in range(BLOCK):
                                value = source[j]
                                by_one[j] = min(by_one[j], _i(value + one))
                                by_two[j] = min(by_two[j], _i(value + two))
                        else:
                            has[b] = 1
                            for j in range(BLOCK):
                                value = source[j]
                                by_one[j] = _i(value + one)
                                by_two[j] = _i(value + two)
                for b in range(BLOCKS):
                    if not has[b]:
                        continue
                    here = slice(b * BLOCK, (b + 1) * BLOCK)
                    by_one, by_two, turned = single[here], double[here], False
                    for n in range(letter_count):
                        letter, extra = letters[at, n], extras[at, n]
                        if letter > LAST_LEFT and not fresh_alive[b]:
                            fresh_alive[b] = 1
                            fresh[here] = far
                        if letter > LAST_LEFT + 2:
                            if not turned:
                                turned = True
                                _turn(by_one, turned_one)
                                _turn(by_two, turned_two)
                                turned_fresh[:] = far
                            _arrive(
                                turned_fresh, turned_one, turned_two, leave, extra, enter,
                                twice_turned[letter, here], letter, 3 ** (8 - letter),
                            )
                        elif letter > LAST_LEFT:
                            _arrive(
                                fresh[here], by_one, by_two, leave, extra, enter,
                                twice[letter, here], letter, 3 ** (6 - letter),
                            )
                        else:
                            step = 3 ** (LAST_LEFT - letter)
                            position = b // step % 3
                            for to in range(3):
                                if to == position:
                                    continue
                                into = b + (to - position) * step
                                there = slice(into * BLOCK, (into + 1) * BLOCK)
                                if not fresh_alive[into]:
                                    fresh_alive[into] = 1
                                    fresh[there] = far
                                far_away = abs(to - position) == 2
                                _cross(
                                    fresh[there], by_two if far_away else by_one, leave, extra,
                                    enter, twice[letter], b, into, letter, position, to,
                                )
                    if turned:
                        _turn_to_least(turned_fresh, fresh[here])
                if pairing >= 0:
                    _fill(single, has, far)
                    _fill(fresh, fresh_alive, far)
                    last = 2 if foot == 0 else 6
                    for letter in range(0 if foot == 0 else 3, last):
                        _pair(fresh, single, leave, enter, twice, letter, pairing)
            places[foot, kept] = new
            kept += 1
        count[foot] = kept


@njit(cache=True, nogil=True)
def _weed(rows, alive, places, count, worst, others, far):  # type: ignore[no-untyped-def]
    """Marks blocks as dead in which no setting is worth keeping: each is reached as cheaply by feet
    that have moved no later, or more cheaply by a foot that has moved later, at most `worst` of
    difference for each foot that has, since only its next move is charged for the time."""
    lefts, rights = count
    by_left = np.empty((lefts, BLOCK), dtype=np.int32)
    by_right = np.empty((rights, BLOCK), dtype=np.int32)
    by_both = np.empty(BLOCK, dtype=np.int32)
    earlier = np.empty((rights, BLOCK), dtype=np.int32)
    rested = np.empty(BLOCK, dtype=np.int32)
    for b in range(BLOCKS):
        here = slice(b * BLOCK, (b + 1) * BLOCK)
        by_left[:] = far
        by_right[:] = far
        by_both[:] = far
        earlier[:] = far
        for left in range(lefts):
            low = by_left[left]
            for right in range(rights):
                number = places[0, left] * others + places[1, right]
                if not alive[number, b]:
                    continue
                row, high = rows[number, here], by_right[right]
                for j in range(BLOCK):
                    value = row[j]
                    low[j] = min(low[j], value)
                    high[j] = min(high[j], value)
            for j in range(BLOCK):
                by_both[j] = min(by_both[j], low[j])
        for left in range(lefts):
            low = by_left[left]
            for j in range(BLOCK):
                low[j] = min(low[j], _i(by_both[j] + worst))
        for left in range(lefts):
            low = by_left[left]
            rested[:] = far
            for right in range(rights):
                number = places[0, left] * others + places[1, right]
                before = earlier[right]
                if not alive[number, b]:
                    for j in range(BLOCK):
                        least = min(before[j], rested[j])
                        before[j] = least
                        rested[j] = least
                    continue
                row, high = rows[number, here], by_right[right]
                wanted = 0
                for j in range(BLOCK):
                    value = row[j]
                    least = min(before[j], rested[j])
                    wanted |= value < min(least, _i(min(low[j], high[j]) + worst))
                    least = min(least, value)
                    before[j] = least
                    rested[j] = least
                if not wanted:
                    alive[number, b] = 0


@njit(cache=True, nogil=True)
def walk(  # type: ignore[no-untyped-def]
    where, blocks, lefts, rights, heads, letters, extras, leaves, enters, ladders, emission, twice,
    twice_turned, far, worst, rows, alive, room,
):
    """The operations between two columns and the column struck at their end: see
    `pedal_search.Segment`.

    where, blocks, lefts, rights: a `pedal_search.State`. heads: shape (n, 6), for each operation
    its kind (`STEP`, `SLIDE`, `CLOSE`), foot, number of letters, number of levels of the foot, cost
    of the second notch, cost of two adjacent pedals (-1: not asked for). letters, extras: shape
    (n, 7). leaves, enters: shape (n, 42). ladders: shape (n, 3, levels), how levels merge and the
    charges by merged level. worst: the most that a foot's time can cost. rows, alive: work space,
    room[0] * room[1] rows. Returns the state after, its values less the least of them, and that.
    """
    places = np.empty((2, max(room[0], room[1])), dtype=np.int64)
    count = np.array([lefts, rights])
    for level in range(places.shape[1]):
        places[:, level] = level
    for left in range(lefts):
        for right in range(rights):
            number, place = left * rights + right, left * room[1] + right
            for b in range(BLOCKS):
                at = where[number, b]
                alive[place, b] = at >= 0
                if at >= 0:
                    rows[place, b * BLOCK : (b + 1) * BLOCK] = blocks[at]
    _operate(
        rows, alive, places, count, heads, letters, extras, leaves, enters, ladders, twice,
        twice_turned, far, room,
    )
    lefts, rights = count
    least = far
    for left in range(lefts):
        for right in range(rights):
            number = places[0, left] * room[1] + places[1, right]
            for b in range(BLOCKS):
                if not alive[number, b]:
                    continue
                row = rows[number, b * BLOCK : (b + 1) * BLOCK]
                costs = emission[b * BLOCK : (b + 1) * BLOCK]
                for j in range(BLOCK):
                    value = _i(row[j] + costs[j])
                    row[j] = value
                    least = min(least, value)
    if lefts * rights > 1:
        _weed(rows, alive, places, count, worst, room[1], far)
    after = np.full((lefts * rights, BLOCKS), -1, dtype=np.int32)
    living = 0
    for left in range(lefts):
        for right in range(rights):
            number = places[0, left] * room[1] + places[1, right]
            for b in range(BLOCKS):
                if alive[number, b]:
                    after[left * rights + right, b] = living
                    living += 1
    packed = np.empty((living, BLOCK), dtype=np.int32)
    for left in range(lefts):
        for right in range(rights):
            number = places[0, left] * room[1] + places[1, right]
            for b in range(BLOCKS):
                at = after[left * rights + right, b]
                if at >= 0:
                    row, into = rows[number, b * BLOCK : (b + 1) * BLOCK], packed[at]
                    for j in range(BLOCK):
                        into[j] = _i(row[j] - least)
    return after, packed, lefts, rights, least


@njit(cache=True, nogil=True)
def stages(  # type: ignore[no-untyped-def]
    state, lefts, rights, heads, letters, extras, leaves, enters, ladders, twice,
    twice_turned, far, rows, alive, room, out,
):
    """As `walk` for a state of shape (lefts * rights, 2187), without a column: how many levels of
    each foot there are after each operation, shape (n, 2). out: shape (n, room[0] * room[1], 2187),
    filled with the state after each, left levels before right ones."""
    places = np.empty((2, max(room[0], room[1])), dtype=np.int64)
    count = np.array([lefts, rights])
    counts = np.empty((len(heads), 2), dtype=np.int64)
    for level in range(places.shape[1]):
        places[:, level] = level
    for left in range(lefts):
        for right in range(rights):
            rows[left * room[1] + right] = state[left * rights + right]
            alive[left * room[1] + right] = 1
    for at in range(len(heads)):
        one = slice(at, at + 1)
        _operate(
            rows, alive, places, count, heads[one], letters[one], extras[one], leaves[one],
            enters[one], ladders[one], twice, twice_turned, far, room,
        )
        counts[at] = count
        for left in range(count[0]):
            for right in range(count[1]):
                number = places[0, left] * room[1] + places[1, right]
                _fill(rows[number], alive[number], far)
                out[at, left * count[1] + right] = rows[number]
    return counts


@njit(cache=True, nogil=True)
def age(times, now, stroke, horizon, most, edge, hards, comfortable, hurry, unmet):  # type: ignore[no-untyped-def]
    """How a foot's levels merge at `now`: those that no longer differ, and the two oldest while
    there are more than `most` beside level 0.

    times: when the foot last moved, by level, the first minus infinity; stroke: when a move made
    now counts as made; hards: hard limits of the foot's time for one notch and two; for the rest
    see `pedal_line.FootTime`. Returns, for each level, what it becomes; the times of the merged
    levels and of the new one; the charges for a move now by merged level, for one notch and two.
    """
    levels = len(times)
    onto = np.zeros(levels, dtype=np.int32)
    kept = np.empty(levels + 1, dtype=np.float64)
    kept[0] = times[0]
    count = 1
    for level in range(1, levels):
        time = times[level]
        if now - time >= horizon - edge:
            continue
        if count == 1 or time != kept[count - 1]:
            kept[count] = time
            count += 1
        onto[level] = count - 1
    while count > most + 1:  # the older of the two stays: moves after it are charged too little
        for level in range(2, count - 1):
            kept[level] = kept[level + 1]
        count -= 1
        for level in range(levels):
            if onto[level] >= 2:
                onto[level] -= 1
    charges = np.zeros((2, count), dtype=np.int32)
    for notches in range(2):
        hard = hards[notches]
        for level in range(count):
            gap = now - kept[level]
            if gap < hard - edge:
                charges[notches, level] = unmet
            elif gap < comfortable - edge:
                part = hurry * (comfortable - gap) / (comfortable - hard)
                charges[notches, level] = np.int32(np.rint(part))
    kept[count] = stroke
    return onto, kept[: count + 1].copy(), charges[0], charges[1]


@njit(cache=True, nogil=True)
def _copy(target, source):  # type: ignore[no-untyped-def]
    """The values of a row into the beginning of another."""
    for j in range(len(source)):
        target[j] = source[j]


@njit(cache=True, nogil=True)
def lay_out(  # type: ignore[no-untyped-def]
    left, right, follow_left, follow_right, apart, number, seconds, strokes, horizon, most, edge,
    hards, comfortable, hurry, unmet, which, further, sizes, slot_leave, leave, slot_enter, enter,
    notch, pairing,
):
    """A slot's operations as arrays (see `walk`): no longer followed feet are closed, then every
    moment may move either foot, with the foot's time where it is followed.

    left, right: when each foot last moved, by level; apart: a foot that is not followed slides
    through the slot by itself. number: of the slot's first moment; seconds, strokes, leave, enter:
    of its moments, the last two also of the slot. which, further, sizes: letters that the left
    foot, the right one and both can take. For the rest see `age`. Returns (heads, letters, extras,
    leaves, enters, ladders, the moment of each operation, -1 if that is open), the feet's levels
    after the slot, and the most levels of each.
    """
    moments = len(seconds)
    room = 2 * moments + 4
    depth = max(len(left), len(right)) + moments + 1
    heads = np.zeros((room, 6), dtype=np.int32)
    letters, extras = np.zeros((room, 7), dtype=np.int32), np.zeros((room, 7), dtype=np.int32)
    leaves = np.zeros((room, len(slot_leave)), dtype=np.int32)
    enters = np.zeros((room, len(slot_leave)), dtype=np.int32)
    ladders = np.zeros((room, 3, depth), dtype=np.int32)
    places = np.full(room, -1, dtype=np.int32)
    deepest = np.ones(2, dtype=np.int64)
    at = 0
    for foot in range(2):
        levels = len(left) if foot == 0 else len(right)
        if levels > 1 and not (follow_left if foot == 0 else follow_right):
            heads[at, 0], heads[at, 1], heads[at, 3], heads[at, 5] = CLOSE, foot, levels, -1
            at += 1
            if foot == 0:
                left = left[:1].copy()
            else:
                right = right[:1].copy()
    if moments and (not (follow_left or follow_right) or apart):
        for foot in range(2):
            if follow_left if foot == 0 else follow_right:
                continue
            who = foot if follow_left or follow_right else 2
            heads[at, 0], heads[at, 1], heads[at, 2] = SLIDE, who if who < 2 else -1, sizes[who]
            heads[at, 4], heads[at, 5] = notch, -1
            _copy(letters[at], which[who])
            _copy(extras[at], further[who])
            _copy(leaves[at], slot_leave)
            _copy(enters[at], slot_enter)
            at += 1
            if who == 2:
                break
    if follow_left or follow_right:
        for moment in range(moments):
            for foot in range(2):
                followed = follow_left if foot == 0 else follow_right
                if apart and not followed:
                    continue
                heads[at, 1], heads[at, 2], heads[at, 4] = foot, sizes[foot], notch
                _copy(letters[at], which[foot])
                _copy(extras[at], further[foot])
                _copy(leaves[at], leave[moment])
                _copy(enters[at], enter[moment])
                places[at] = number + moment
                if not followed:
                    heads[at, 0], heads[at, 5] = SLIDE, -1
                    at += 1
                    continue
                onto, times, singles, doubles = age(
                    left if foot == 0 else right, seconds[moment], strokes[moment], horizon, most,
                    edge, hards, comfortable, hurry, unmet,
                )
                if foot == 0:
                    left = times
                else:
                    right = times
                heads[at, 0], heads[at, 3], heads[at, 5] = STEP, len(onto), pairing
                _copy(ladders[at, 0], onto)
                _copy(ladders[at, 1], singles)
                for level in range(len(doubles)):
                    ladders[at, 2, level] = _i(doubles[level] + notch)
                deepest[foot] = max(deepest[foot], len(onto), len(times))
                at += 1
    rows = (
        heads[:at], letters[:at], extras[:at], leaves[:at], enters[:at], ladders[:at], places[:at]
    )
    return rows, left, right, (deepest[0], deepest[1])


@njit(cache=True, nogil=True)
def stayed(where, blocks, lefts, rights, heads, ladders, left, right, number, value, far):  # type: ignore[no-untyped-def]
    """The levels of both feet before operations from which a path that makes no move comes to
    levels `left` and `right` at setting `number` at `value`, -1 if there are none; for the
    arguments see `walk`."""
    ways = np.empty((2, max(lefts, rights)), dtype=np.int64)
    for level in range(ways.shape[1]):
        ways[:, level] = level
    for at in range(len(heads)):
        foot = heads[at, 1]
        if heads[at, 0] == STEP:
            for level in range(lefts if foot == 0 else rights):
                ways[foot, level] = ladders[at, 0, ways[foot, level]]
        elif heads[at, 0] == CLOSE:
            ways[foot] = 0
    for one in range(lefts):
        if ways[0, one] != left:
            continue
        for other in range(rights):
            if ways[1, other] != right:
                continue
            block = where[one * rights + other, number // BLOCK]
            if (far if block < 0 else blocks[block, number % BLOCK]) == value:
                return one, other
    return -1, -1
