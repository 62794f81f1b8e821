"""The exact search for a pedal plan: a shortest path over settings and the time of each foot.

The path runs through a list of operations on an array of costs of shape (left levels, right levels,
2187): the least cost of reaching each setting with each foot's last move at each level (level 0:
long enough ago), without those that no best plan can lead through (`State`). At each struck column
every setting pays for the sounds it can't give. Between columns the operations are

- `Slide`: letters may move, each on its own, in any number (a min-plus product that splits by
  letter, so seven small array steps instead of 2187 x 2187);
- `Step`: one foot may make one move, which the time since its last move is charged for;
- `Close`: a foot's time is no longer followed.

Foot times would multiply the states everywhere, though they matter in few places. So they are
taken in lazily: at first every slot is one `Slide` in which a letter pays the least of the slot's
moments, a relaxation whose optimum is a lower bound. The plan found is then charged for what it
really costs; where two moves of a foot come too close, the slots around them are laid out moment
by moment with levels, and the search runs again. As soon as the plan's real cost equals the
search's, it is optimal for the whole problem, since the search can only have been too cheap. Costs
are whole numbers, so that "equals" is exact.
"""

from __future__ import annotations

import bisect
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from simplify.harp.instrument import Setting
from simplify.harp.synonyms import SETTINGS, settings_table
from simplify.technique import pedal_kernel as kernel
from simplify.technique.pedal_line import (
    EDGE,
    EXIT_CLASS,
    EXITS,
    Bools,
    Ints,
    Line,
    exits,
    mills,
    start_costs,
)

Bytes = npt.NDArray[np.uint8]
FAR = np.int32(1 << 29)
"""Cost of what can't be reached; twice this still fits 32 bits."""
LEFT, RIGHT = 0, 1
FEET = ((0, 1, 2), (3, 4, 5, 6))
"""Letters of the left and right foot, as indices in `PEDALS`."""
NEIGHBOUR = (3, 2)
"""The other foot's nearest letter: E for the left foot, B for the right."""
LEVELS = 16
"""Levels kept per foot at first; more are merged to the older, which keeps the search a lower
bound. Doubled when a plan can't be proved otherwise, up to `MOST_LEVELS`."""
MOST_LEVELS = 48
ROUNDS = 40
"""Bound on the rounds of refinement; every round lays out at least one more slot."""
PAD = 1.0
"""Slots this many times the foot's time around a conflict are laid out with it: smaller takes more
rounds, larger more work in each."""
MOSTLY = 0.35
"""Share of the slots and feet laid out from which all are: a last round for another few costs more
than having them in at once."""
KEEP_BYTES = 1 << 28
"""Once the states kept take this much memory, states with levels are kept only every `STRIDE`
operations and computed again on demand."""
STRIDE = 16
AT_ONCE = 64
"""Slots without levels that one compiled call runs through; a run that may soon come back to a
known state goes in smaller steps."""
AT_ONCE_AGAIN = 8


class Move(NamedTuple):
    """A move inside the search: slot (-1 before the first column), index of its moment (-1: before
    the first column), letter index, positions, foot (0 left, 1 right), and whether it is the second
    of two adjacent pedals that one foot takes at once."""

    slot: int
    moment: int
    letter: int
    before: int
    after: int
    foot: int
    paired: bool


Index = tuple[int, int, int]
"""Left level, right level, setting number."""


@cache
def _ways() -> tuple[npt.NDArray[np.intp], ...]:
    return tuple(exits())


def home(letter: int) -> int:
    """The foot whose letter it is."""
    return LEFT if letter in FEET[LEFT] else RIGHT


@cache
def reachable(foot: int, crossing: int | None) -> tuple[tuple[int, int], ...]:
    """(letter, further cost) that a foot can take; crossing: cost of the other's neighbour."""
    own = tuple((letter, 0) for letter in FEET[foot])
    return own if crossing is None else (*own, (NEIGHBOUR[foot], crossing))


@cache
def _letters(letters: tuple[tuple[int, int], ...]) -> tuple[Ints, Ints]:
    """Letters and their further costs as two arrays."""
    pairs = np.array(letters, dtype=np.int32).reshape(-1, 2)
    return np.ascontiguousarray(pairs[:, 0]), np.ascontiguousarray(pairs[:, 1])


_NONE: Ints = np.zeros(EXITS, dtype=np.int32)


@cache
def _both_flat(first: int, second: int) -> tuple[npt.NDArray[np.intp], ...]:
    """Settings with two letters flat, then with the first natural, then with both natural."""
    table = settings_table()
    source = np.flatnonzero((table[:, first] == -1) & (table[:, second] == -1))
    between = source + 3 ** (6 - first)
    return source, between, between + 3 ** (6 - second)


def _shape(letter: int) -> tuple[int, int, int]:
    return 3**letter, 3, 3 ** (6 - letter)


class Slide(NamedTuple):
    """Free moves of some letters in a slot.

    letters: which, each with a further cost (the other foot's neighbouring letter has one); leave:
    shape (42,), cost of one notch by way out; notch: further cost of two; enter: shape (42,), cost
    of arriving at a sound held elsewhere; moment: where the moves are made, -1 if that is still
    open; foot: who moves, None for both.
    """

    slot: int
    moment: int
    foot: int | None
    letters: tuple[tuple[int, int], ...]
    leave: Ints
    notch: int
    enter: Ints

    def unapply(self, rest: Ints) -> Ints:
        """Cost still to come before the slot."""
        for letter, extra in reversed(self.letters):
            ways = _ways()[letter]
            come = rest + self.enter[ways]
            out = _moved(come, letter, self.notch)
            out += self.leave[ways] + np.int32(extra)
            rest = np.minimum(out, rest, out=out)
        return rest

    def back(self, state: Ints, index: Index, value: int) -> tuple[Index, list[Move]]:
        """Where a path that stands at `index` with cost `value` after the slot came from, and its
        moves in order; `state`: costs before the slot."""
        left, right, number = index
        which, further = _letters(self.letters)
        stages = np.empty((len(which), SETTINGS), dtype=np.int32)
        kernel.slide_stages(
            state[left, right], which, further, self.leave, self.enter, np.int32(self.notch),
            kernel.doubled(), stages,
        )
        moves: list[Move] = []
        for (letter, extra), stage in zip(reversed(self.letters), reversed(stages), strict=True):
            if int(stage[number]) == value:
                continue
            ways, step = _ways()[letter], 3 ** (6 - letter)
            here = number // step % 3
            enter = int(self.enter[ways[number]])
            for there in range(3):
                source = number + (there - here) * step
                price = int(self.leave[ways[source]]) + extra + enter
                price += self.notch if abs(there - here) == 2 else 0
                if there != here and int(stage[source]) + price == value:
                    foot = home(letter) if self.foot is None else self.foot
                    moves.append(
                        Move(self.slot, self.moment, letter, there - 1, here - 1, foot, False)
                    )
                    number, value = source, value - price
                    break
            else:
                raise AssertionError("pedal search: a slide has no way back")
        return (left, right, number), moves[::-1]


def _moved(away: Ints, letter: int, notch: int) -> Ints:
    """Least cost of arriving at each setting by moving one letter; `away`: cost of having left
    each setting by one notch, shape (..., 2187)."""
    return _moved_by(away, away + np.int32(notch), letter)


def _moved_by(one: Ints, two: Ints, letter: int) -> Ints:
    """As `_moved`, with the costs of leaving by one notch and by two."""
    shape = (-1, *_shape(letter)[1:])
    single, double = one.reshape(shape), two.reshape(shape)
    out = np.empty_like(single)
    np.minimum(single[:, 1], double[:, 2], out=out[:, 0])
    np.minimum(single[:, 0], single[:, 2], out=out[:, 1])
    np.minimum(single[:, 1], double[:, 0], out=out[:, 2])
    return out.reshape(one.shape)


class Step(NamedTuple):
    """At most one move of one foot at a moment; adds a level (last) for the foot that has moved.

    letters: that the foot can take, each with a further cost; onto: first the foot's level i
    becomes level onto[i], which merges levels that no longer differ; singles: charge per merged
    level for a move of one notch, doubles: of two (both never fall from a level to a later one);
    pairing: cost of two adjacent pedals at once, or None.
    """

    slot: int
    moment: int
    foot: int
    letters: tuple[tuple[int, int], ...]
    leave: Ints
    notch: int
    enter: Ints
    onto: Ints
    singles: Ints
    doubles: Ints
    pairing: int | None

    def _split(self, state: Ints) -> list[Ints]:
        """The state by level of this foot: each shape (other foot's levels, 2187)."""
        if self.foot == LEFT:
            return [state[level] for level in range(state.shape[0])]
        return [state[:, level] for level in range(state.shape[1])]

    def unapply(self, rest: Ints) -> Ints:
        """Cost still to come before the moment."""
        levels = self._split(rest)
        after, stay = levels[-1], levels[:-1]
        far = np.full_like(after, FAR)
        single, double = far.copy(), far.copy()
        for letter, extra in self.letters:
            ways = _ways()[letter]
            come = after + self.enter[ways]
            price = self.leave[ways] + np.int32(extra)
            one, two = _moved_by(come, far, letter), _moved_by(far, come, letter)
            np.minimum(single, one + price, out=single)
            np.minimum(double, two + (price + np.int32(self.notch)), out=double)
        for pair in self._pairs():
            source, target, price = self._pair_price(pair)
            single[:, source] = np.minimum(single[:, source], after[:, target] + price)
        out = [
            np.minimum(level, np.minimum(single + one, double + two))
            for level, one, two in zip(stay, self.singles, self.doubles, strict=True)
        ]
        return np.stack([out[to] for to in self.onto], axis=self.foot)

    def _pairs(self) -> tuple[tuple[int, int], ...]:
        own = FEET[self.foot]
        return () if self.pairing is None else tuple(pairwise(own))

    def _pair_price(
        self, pair: tuple[int, int]
    ) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp], Ints]:
        """Settings with both pedals flat, the same with both natural, and the cost between."""
        assert self.pairing is not None
        first, second = pair
        source, between, target = _both_flat(first, second)
        one, two = _ways()[first], _ways()[second]
        price = self.leave[one[source]] + self.leave[two[between]] + np.int32(self.pairing)
        price = price + self.enter[one[between]] + self.enter[two[target]]
        return source, target, price.astype(np.int32)

    def back(self, state: Ints, index: Index, value: int) -> tuple[Index, list[Move]]:
        """As `Slide.back`."""
        left, right, number = index
        mine, other = (left, right) if self.foot == LEFT else (right, left)

        def cost(level: int, setting: int) -> int:
            if self.foot == LEFT:
                return int(state[level, other, setting])
            return int(state[other, level, setting])

        def place(level: int, setting: int) -> Index:
            return (level, other, setting) if self.foot == LEFT else (other, level, setting)

        if mine <= self.onto[-1]:
            for level, to in enumerate(self.onto):
                if to == mine and cost(level, number) == value:
                    return place(level, number), []
            raise AssertionError("pedal search: a step has no way back")
        for letter, extra in self.letters:
            ways, step = _ways()[letter], 3 ** (6 - letter)
            here = number // step % 3
            enter = int(self.enter[ways[number]])
            for there in range(3):
                if there == here:
                    continue
                source, far = number + (there - here) * step, abs(there - here) == 2
                price = int(self.leave[ways[source]]) + extra + enter + (self.notch if far else 0)
                for level, to in enumerate(self.onto):
                    charge = int((self.doubles if far else self.singles)[to])
                    if cost(level, source) + price + charge == value:
                        move = Move(
                            self.slot, self.moment, letter, there - 1, here - 1, self.foot, False
                        )
                        return place(level, source), [move]
        for first, second in self._pairs():
            sources, targets, prices = self._pair_price((first, second))
            at = np.flatnonzero(targets == number)
            if not len(at):
                continue
            source, price = int(sources[at[0]]), int(prices[at[0]])
            for level, to in enumerate(self.onto):
                if cost(level, source) + price + int(self.singles[to]) == value:
                    moves = [
                        Move(self.slot, self.moment, first, -1, 0, self.foot, False),
                        Move(self.slot, self.moment, second, -1, 0, self.foot, True),
                    ]
                    return place(level, source), moves
        raise AssertionError("pedal search: a step has no way back")


class Close(NamedTuple):
    """A foot's time is no longer followed: its `levels` levels become one."""

    foot: int
    levels: int

    def unapply(self, rest: Ints) -> Ints:
        """Cost still to come before."""
        return np.repeat(rest, self.levels, axis=self.foot)

    def back(self, state: Ints, index: Index, value: int) -> tuple[Index, list[Move]]:
        """As `Slide.back`."""
        left, right, number = index
        for level in range(self.levels):
            source = (level, right, number) if self.foot == LEFT else (left, level, number)
            if int(state[source]) == value:
                return source, []
        raise AssertionError("pedal search: a closed level has no way back")


Operation = Slide | Step | Close


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """The least cost of reaching each setting with each foot's last move at each level.

    blocks: shape (n, 81), costs of settings that differ in the right foot's letters alone; where:
    shape (lefts * rights, 27), which of them holds the settings of a row, or -1 if no best plan can
    lead through any of these.
    """

    lefts: int
    rights: int
    where: Ints
    blocks: Ints

    @staticmethod
    def single(row: Ints) -> State:
        """From the costs of all settings, one level a foot."""
        return State(1, 1, _WHOLE, row.reshape(-1, kernel.BLOCK))

    @property
    def plain(self) -> bool:
        """Whether both feet have one level."""
        return self.lefts == self.rights == 1

    @property
    def nbytes(self) -> int:
        """Memory taken."""
        return self.where.nbytes + self.blocks.nbytes

    def at(self, index: Index) -> int:
        """One cost."""
        left, right, number = index
        block = self.where[left * self.rights + right, number // kernel.BLOCK]
        return int(FAR) if block < 0 else int(self.blocks[block, number % kernel.BLOCK])

    def dense(
        self, lefts: Sequence[int] | None = None, rights: Sequence[int] | None = None
    ) -> Ints:
        """Shape (lefts, rights, 2187): the costs of these levels, or of all."""
        if self.where is _WHOLE:
            return self.blocks.reshape(1, 1, SETTINGS)
        lefts = range(self.lefts) if lefts is None else lefts
        rights = range(self.rights) if rights is None else rights
        where = self.where.reshape(self.lefts, self.rights, -1)[np.ix_(lefts, rights)]
        out = self.blocks[where]
        out[where < 0] = FAR
        return out.reshape(len(lefts), len(rights), SETTINGS)

    def least(self) -> tuple[Index, int]:
        """Where the least cost is, and it; the first of several."""
        costs = self.dense()
        left, right, number = np.unravel_index(int(costs.argmin()), costs.shape)
        index = int(left), int(right), int(number)
        return index, int(costs[index])

    def same(self, other: State) -> bool:
        """Whether two states with one level a foot are equal."""
        if self.where is other.where:
            return np.array_equal(self.blocks, other.blocks)
        return np.array_equal(self.dense(), other.dense())


_WHOLE: Ints = np.arange(kernel.BLOCKS, dtype=np.int32).reshape(1, -1)


@dataclass(frozen=True, eq=False)
class Segment:
    """What leads from one column to the next: operations, and the column they end at.

    slot: that of the operations; costs: shape (2187,), what the column costs by setting; worst: the
    most that a foot's time can cost; alone: the slide of all letters, if there is nothing else;
    laid: the operations otherwise, None if there are none.
    """

    slot: int
    costs: Ints
    worst: int
    alone: Slide | None
    laid: Code | None

    @cached_property
    def code(self) -> Code:
        """The operations as arrays."""
        return self.laid or _coded((self.alone,) if self.alone else ())

    @cached_property
    def operations(self) -> tuple[Operation, ...]:
        """The operations one by one."""
        return _decoded(self.laid, self.slot) if self.laid else (self.alone,) if self.alone else ()

    def through(self, state: State) -> tuple[State, int]:
        """The state after the column less its least value, and that."""
        code = self.code
        rows, alive, room = _work_space(code, state.lefts, state.rights)
        where, blocks, lefts, rights, least = kernel.walk(
            state.where, state.blocks, state.lefts, state.rights, code.heads, code.letters,
            code.extras, code.leaves, code.enters, code.ladders, self.costs, kernel.doubled(),
            kernel.doubled_in_blocks(), FAR, np.int32(self.worst), rows, alive, room,
        )
        whole = lefts == rights == 1 and len(blocks) == kernel.BLOCKS
        return State(lefts, rights, _WHOLE if whole else where, blocks), int(least)


class Code(NamedTuple):
    """Operations as arrays, see `pedal_kernel.walk`; the moment of each (-1: open); the most levels
    of each foot there are at any time."""

    heads: Ints
    letters: Ints
    extras: Ints
    leaves: Ints
    enters: Ints
    ladders: Ints
    moments: Ints
    most: tuple[int, int]


def _coded(operations: Sequence[Operation]) -> Code:
    count = len(operations)
    deepest = max([
        1, *[len(o.onto) for o in operations if isinstance(o, Step)],
        *[o.levels for o in operations if isinstance(o, Close)],
    ])
    heads = np.zeros((count, 6), dtype=np.int32)
    letters, extras = (np.zeros((count, 7), dtype=np.int32) for _ in range(2))
    leaves, enters = (np.zeros((count, EXITS), dtype=np.int32) for _ in range(2))
    ladders = np.zeros((count, 3, deepest), dtype=np.int32)
    moments = np.full(count, -1, dtype=np.int32)
    most = [1, 1]
    for at, operation in enumerate(operations):
        if isinstance(operation, Close):
            heads[at] = kernel.CLOSE, operation.foot, 0, operation.levels, 0, -1
            continue
        which, further = _letters(operation.letters)
        letters[at, : len(which)], extras[at, : len(which)] = which, further
        leaves[at], enters[at] = operation.leave, operation.enter
        moments[at] = operation.moment
        if isinstance(operation, Slide):
            foot = -1 if operation.foot is None else operation.foot
            heads[at] = kernel.SLIDE, foot, len(which), 0, operation.notch, -1
            continue
        pairing = -1 if operation.pairing is None else operation.pairing
        levels, kept = len(operation.onto), len(operation.singles)
        heads[at] = kernel.STEP, operation.foot, len(which), levels, operation.notch, pairing
        ladders[at, 0, :levels] = operation.onto
        ladders[at, 1, :kept] = operation.singles
        ladders[at, 2, :kept] = operation.doubles
        ladders[at, 2, :kept] += operation.notch
        most[operation.foot] = max(most[operation.foot], levels, kept + 1)
    return Code(
        heads, letters, extras, leaves, enters, ladders, moments, (most[0], most[1])
    )


def _decoded(code: Code, slot: int) -> tuple[Operation, ...]:
    """What `_coded` makes arrays of."""
    found: list[Operation] = []
    moments = code.moments.tolist()
    for at, (kind, foot, count, levels, notch, pairing) in enumerate(code.heads.tolist()):
        if kind == kernel.CLOSE:
            found.append(Close(foot, levels))
            continue
        which = code.letters[at, :count].tolist()
        letters = tuple(zip(which, code.extras[at, :count].tolist(), strict=True))
        leave, enter = code.leaves[at], code.enters[at]
        if kind == kernel.SLIDE:
            who = None if foot < 0 else foot
            found.append(Slide(slot, moments[at], who, letters, leave, notch, enter))
            continue
        onto = code.ladders[at, 0, :levels]
        kept = int(onto[-1]) + 1
        found.append(
            Step(
                slot, moments[at], foot, letters, leave, notch, enter, onto,
                code.ladders[at, 1, :kept], code.ladders[at, 2, :kept] - np.int32(notch),
                None if pairing < 0 else pairing,
            )
        )
    return tuple(found)


def _stages(code: Code, state: Ints) -> list[Ints]:
    """A state of shape (lefts, rights, 2187), and what it is after each operation but the last."""
    stages, count = [state], len(code.heads) - 1
    if count < 1:
        return stages
    rows, alive, room = _work_space(code, state.shape[0], state.shape[1])
    out = np.empty((count, room[LEFT] * room[RIGHT], SETTINGS), dtype=np.int32)
    levels = kernel.stages(
        state.reshape(-1, SETTINGS), state.shape[0], state.shape[1], code.heads[:count],
        code.letters[:count], code.extras[:count], code.leaves[:count], code.enters[:count],
        code.ladders[:count], kernel.doubled(), kernel.doubled_in_blocks(), FAR, rows, alive, room,
        out,
    )
    for block, (lefts, rights) in zip(out, levels.tolist(), strict=True):
        stages.append(block[: lefts * rights].reshape(lefts, rights, SETTINGS))
    return stages


_SPACE = threading.local()


def _work_space(code: Code, lefts: int, rights: int) -> tuple[Ints, Bytes, tuple[int, int]]:
    """Rows for the most levels there will be of each foot, and how many those are: one array a
    thread, since fresh memory is slow to touch."""
    room = max(lefts, code.most[LEFT]), max(rights, code.most[RIGHT])
    space: tuple[Ints, Bytes] | None = getattr(_SPACE, "space", None)
    if space is None or len(space[0]) < room[0] * room[1]:
        count = room[0] * room[1]
        space = (
            np.empty((count, SETTINGS), dtype=np.int32),
            np.empty((count, kernel.BLOCKS), dtype=np.uint8),
        )
        _SPACE.space = space
    return space[0], space[1], room


@dataclass(frozen=True, slots=True)
class Program:
    """The segments of a line; the first one leads to column 0. plain: whether both feet have one
    level after each."""

    segments: tuple[Segment, ...]
    plain: tuple[bool, ...]


Tracked = frozenset[tuple[int, int]]
"""(slot, foot) pairs that are laid out moment by moment with the foot's time."""


_ACROSS = [3, 10]
"""Pitch classes whose two strings belong to different feet: D♯ or E♭, A♯ or B♭."""


def build_program(
    line: Line, start: Setting | None, tracked: Tracked, most: int, first: int = 0,
    last: int | None = None,
) -> Program:
    """The operations from column `first` (itself only if it is 0) to column `last`."""
    last = len(line.columns) - 1 if last is None else last
    costs, foot_time = line.costs, line.foot
    tier = line.player.tier
    crossing = mills(costs.cross_foot) if tier in costs.cross_tiers else None
    pairing = mills(costs.adjacent) if tier in costs.adjacent_tiers else -1
    notch = mills(costs.second_notch)
    worst = max(foot_time.unmet, foot_time.hurry)
    everything = tuple((letter, 0) for letter in range(7))
    takes = _takes((reachable(LEFT, crossing), reachable(RIGHT, crossing), everything))
    segments: list[Segment] = []
    plain: list[bool] = []
    if first == 0:
        opening: Slide | None = None
        if start is not None:
            before = np.full(EXITS, mills(costs.move), dtype=np.int32)
            opening = Slide(-1, -1, None, everything, before, notch, _NONE)
        segments.append(Segment(-1, line.emission(0), worst, opening, None))
        plain.append(True)
    never = np.array([-np.inf])
    left = right = never
    begin, end = line.first[first], line.first[last]
    slot_enters, enters = (
        _arrivals(line, held) for held in (line.slot_held[first:last], line.held[begin:end])
    )
    seconds = np.array(line.moment_seconds[begin:end])
    strokes = np.array([foot_time.stroke(now) for now in line.moment_seconds[begin:end]])
    across: Bools = np.asarray(line.held[begin:end, _ACROSS].any(axis=1))
    for slot in range(first, last):
        follow_left, follow_right = (slot, LEFT) in tracked, (slot, RIGHT) in tracked
        followed = follow_left or follow_right
        alone: Slide | None = None
        laid: Code | None = None
        if followed or len(left) > 1 or len(right) > 1:
            low, high = line.first[slot] - begin, line.first[slot + 1] - begin
            # The feet meet only in the sounds of _ACROSS: while none of them is held, a foot that
            # is not followed need not be laid out with the other.
            apart = not across[low:high].any()
            rows, left, right, most_levels = kernel.lay_out(
                left, right, follow_left, follow_right, apart, line.first[slot],
                seconds[low:high], strokes[low:high], foot_time.horizon, most, EDGE,
                foot_time.hards, foot_time.comfortable, foot_time.hurry, foot_time.unmet,
                *takes, line.slot_leave[slot], line.leave[low + begin : high + begin],
                slot_enters[slot - first], enters[low:high], notch, pairing,
            )
            laid = Code._make((*rows, most_levels))
        elif not line.blocked[slot]:
            leave, enter = line.slot_leave[slot], slot_enters[slot - first]
            alone = Slide(slot, -1, None, everything, leave, notch, enter)
        segments.append(Segment(slot, line.emission(slot + 1), worst, alone, laid))
        plain.append(len(left) == len(right) == 1)
    return Program(tuple(segments), tuple(plain))


def _arrivals(line: Line, held: Bools) -> Ints:
    """Shape (n, 42): cost of arriving at a sound that is held on another letter, by which sounds
    are, shape (n, 12)."""
    costs = np.zeros((len(held), EXITS), dtype=np.int32)
    costs[:, 21:] = held[:, EXIT_CLASS] * np.int32(mills(line.costs.unmet_held))
    return costs


@cache
def _takes(feet: tuple[tuple[tuple[int, int], ...], ...]) -> tuple[Ints, Ints, Ints]:
    """Letters and their further costs, shape (3, 7), and how many there are, of each foot and of
    both."""
    letters, extras = (np.zeros((3, 7), dtype=np.int32) for _ in range(2))
    for foot, pairs in enumerate(feet):
        which, further = _letters(pairs)
        letters[foot, : len(which)], extras[foot, : len(which)] = which, further
    return letters, extras, np.array([len(pairs) for pairs in feet], dtype=np.int32)


Back = tuple[Index, int, tuple[Move, ...]]
"""Where a path came from through a segment: the index before, its value there, its moves."""


@dataclass(frozen=True)
class Sweep:
    """A forward run: states before each segment (None where only computed on demand), the last
    state, and what was taken off so far before each segment and in all (states are kept near 0).
    sizes: bytes of the states kept before each segment and in all;
    backs: for each segment the ways back found so far, by the index after it."""

    program: Program
    states: tuple[State | None, ...]
    final: State
    taken: tuple[int, ...]
    sizes: tuple[int, ...]
    backs: tuple[dict[Index, Back], ...]

    def state(self, at: int, memory: dict[int, State]) -> State:
        """State before segment `at` (or the last); `memory` keeps what had to be computed."""
        if at == len(self.states):
            return self.final
        kept = self.states[at]
        if kept is not None:
            return kept
        if at not in memory:
            base = at
            while self.states[base] is None:
                base -= 1
            memory.clear()
            state = self.states[base]
            for i in range(base, at + 1):
                assert state is not None
                memory[i] = state
                if i < at:
                    state, _ = self.program.segments[i].through(state)
        return memory[at]


def run(program: Program, state: State, before: Sweep | None = None) -> Sweep:
    """Runs the segments on a first state with one level a foot.

    before: a run over the same columns. Where a segment is the same object and starts from the same
    state, its result is taken over. A changed segment changes the states after it, but after a
    while the best ways to all settings run through one and the same state again, and from there the
    states differ by a constant only, which is taken off: so a small change is run in small time.
    """
    states: list[State | None] = []
    backs: list[dict[Index, Back]] = []
    taken, sizes = [0], [0]
    since = at = 0
    memory: dict[int, State] = {}
    segments = program.segments
    same = before is not None and state.same(before.state(0, memory))
    others = () if before is None else before.program.segments
    pairs = zip(segments, others, strict=False)
    changes = [i for i, (new, old) in enumerate(pairs) if new is not old]
    changes.append(len(segments))
    while at < len(segments):
        if same and before is not None and segments[at] is others[at]:
            end = changes[bisect.bisect_left(changes, at)]
            states.extend(before.states[at:end])
            backs.extend(before.backs[at:end])
            off = taken[-1] - before.taken[at]
            taken.extend(off + total for total in before.taken[at + 1 : end + 1])
            off = sizes[-1] - before.sizes[at]
            sizes.extend(off + total for total in before.sizes[at + 1 : end + 1])
            at = end
            continue
        if same and before is not None:
            state = before.state(at, memory)
            same = False
        ahead = _alike(segments, at, AT_ONCE if before is None else AT_ONCE_AGAIN)
        if ahead and state.plain:
            block, offs = _slide_on(segments[at : at + ahead], state)
            following = [State.single(row) for row in block]
        else:
            after, off = segments[at].through(state)
            following, offs = [after], [off]
        for after, off in zip(following, offs, strict=True):
            full = sizes[-1] > KEEP_BYTES and not state.plain
            since = since % STRIDE + 1 if full else 0
            keep = since <= 1
            states.append(state if keep else None)
            backs.append({})
            sizes.append(sizes[-1] + (state.nbytes if keep else 0))
            taken.append(taken[-1] + off)
            state = after
            at += 1
            if before is not None and program.plain[at - 1] and before.program.plain[at - 1]:
                known = before.states[at] if at < len(before.states) else before.final
                same = known is not None and state.same(known)
                if same:
                    break
    final = before.final if same and before is not None else state
    return Sweep(program, tuple(states), final, tuple(taken), tuple(sizes), tuple(backs))


def _alike(segments: Sequence[Segment], at: int, most: int) -> int:
    """How many segments from `at` on, at most `most`, are one slide of all letters and a column."""
    end = at
    while end < min(len(segments), at + most) and segments[end].alone is not None:
        end += 1
    return end - at


def _slide_on(segments: Sequence[Segment], state: State) -> tuple[Ints, list[int]]:
    """The states after such segments, shape (n, 2187), each less its minimum, and the minima."""
    count = len(segments)
    leaves = np.empty((count, EXITS), dtype=np.int32)
    enters = np.empty((count, EXITS), dtype=np.int32)
    emissions = np.empty((count, SETTINGS), dtype=np.int32)
    notch = 0
    for at, segment in enumerate(segments):
        slide = segment.alone
        assert slide is not None
        leaves[at], emissions[at], notch = slide.leave, segment.costs, slide.notch
        enters[at] = slide.enter
    states = np.empty((count, SETTINGS), dtype=np.int32)
    taken = np.empty(count, dtype=np.int64)
    kernel.slide_run(
        state.dense().reshape(-1), leaves, enters, emissions, np.int32(notch),
        kernel.doubled_turned(), states, taken,
    )
    return states, taken.tolist()


def trace(sweep: Sweep, end: Index, at: int | None = None) -> tuple[Index, list[Move]]:
    """Back from the state before segment `at` (None: after the last) to the first: the state
    there and the moves in order. Where staying costs the same as moving, staying is taken: moves
    are prepared early."""
    memory: dict[int, State] = {}
    index = end
    moves: list[Move] = []
    at = len(sweep.program.segments) if at is None else at
    value = sweep.state(at, memory).at(end)
    for number in range(at - 1, -1, -1):
        known = sweep.backs[number].get(index)
        if known is None:
            taken = sweep.taken[number + 1] - sweep.taken[number]
            state = sweep.state(number, memory)
            known = _back(sweep.program.segments[number], state, index, value + taken)
            sweep.backs[number][index] = known
        index, value, made = known
        moves.extend(reversed(made))
    return index, moves[::-1]


def _back(segment: Segment, state: State, index: Index, value: int) -> Back:
    """The way back through a segment from `index` at `value`; state: before the segment."""
    value -= int(segment.costs[index[2]])
    stay = _stay(segment, state, index, value)
    if stay is not None:
        return stay, value, ()
    operations, code = segment.operations, segment.code
    kept: list[Sequence[int]] = [range(state.lefts), range(state.rights)]
    if not state.plain:
        for foot in (LEFT, RIGHT):
            kept[foot] = _sources(operations, foot, len(kept[foot]), index[foot])
        if len(kept[LEFT]) * len(kept[RIGHT]) < state.lefts * state.rights:
            operations, index = _narrowed(operations, kept, index)
            code = _coded(operations)
    stages = _stages(code, state.dense(kept[LEFT], kept[RIGHT]))
    moves: list[Move] = []
    for operation, stage in zip(reversed(operations), reversed(stages), strict=True):
        index, made = operation.back(stage, index, value)
        moves.extend(reversed(made))
        value = int(stage[index])
    left, right, number = index
    return (kept[LEFT][left], kept[RIGHT][right], number), value, tuple(moves[::-1])


def _sources(
    operations: Sequence[Operation], foot: int, levels: int, final: int
) -> Sequence[int]:
    """The levels of a foot from which a path through the operations may reach level `final`: those
    that become it, or all if the foot may have moved."""
    groups: list[tuple[set[int], bool]] = [({level}, False) for level in range(levels)]
    for operation in operations:
        if isinstance(operation, Close) and operation.foot == foot:
            joined = set().union(*(olds for olds, _ in groups))
            groups = [(joined, any(moved for _, moved in groups))]
        elif isinstance(operation, Step) and operation.foot == foot:
            merged: list[tuple[set[int], bool]] = [(set(), False) for _ in operation.singles]
            for (olds, moved), to in zip(groups, operation.onto, strict=True):
                merged[to] = merged[to][0] | olds, merged[to][1] or moved
            groups = [*merged, (set(), True)]
    olds, moved = groups[final]
    return range(levels) if moved else sorted(olds)


def _narrowed(
    operations: Sequence[Operation], kept: Sequence[Sequence[int]], index: Index
) -> tuple[tuple[Operation, ...], Index]:
    """The operations for the kept levels of both feet alone, and `index` after them."""
    levels = [list(kept[LEFT]), list(kept[RIGHT])]
    found: list[Operation] = []
    for operation in operations:
        if isinstance(operation, Close):
            operation = operation._replace(levels=len(levels[operation.foot]))
            levels[operation.foot] = [0]
        elif isinstance(operation, Step):
            foot, last = operation.foot, len(operation.singles)
            onto = operation.onto[levels[foot]].tolist()
            into = sorted(set(onto))
            operation = operation._replace(
                onto=np.array([into.index(level) for level in onto], dtype=np.int32),
                singles=operation.singles[into], doubles=operation.doubles[into],
            )
            levels[foot] = [*into, last]
        found.append(operation)
    left, right, number = index
    return tuple(found), (levels[LEFT].index(left), levels[RIGHT].index(right), number)


def _stay(
    segment: Segment, state: State, index: Index, value: int
) -> Index | None:
    """Where a path without a move in the segment that ends at `index` at `value` began, if one
    does."""
    if state.plain and index[0] == index[1] == 0:
        return index if state.at(index) == value else None
    code, (left, right, number) = segment.code, index
    one, other = kernel.stayed(
        state.where, state.blocks, state.lefts, state.rights, code.heads, code.ladders, left, right,
        number, value, FAR,
    )
    return None if one < 0 else (one, other, number)


# --- what a plan really costs ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Charge:
    """A place that can't be met: kind, move index or column, and the move before.

    kind: as in `Unmet`, where a move to a string whose sound is held on another ("joined") is a
    held note too.
    """

    kind: str
    at: int
    before: int = -1


@dataclass(frozen=True, slots=True)
class Account:
    """The real cost of a plan, in thousandths by cause, and the places it can't meet.

    loose: (slot, foot) whose moves cost more than the cheapest moments of the slot; close: (foot,
    earlier move, later move) that were charged for the foot's time.
    """

    costs: tuple[tuple[str, int], ...]
    charges: tuple[Charge, ...]
    loose: tuple[tuple[int, int], ...]
    close: tuple[tuple[int, int, int], ...]

    @property
    def total(self) -> int:
        """Sum over all causes."""
        return sum(amount for _, amount in self.costs)


CAUSES = (
    "moves", "two notches", "moment", "ringing", "hurry", "spelling", "first setting",
    "other foot", "two pedals at once", "unmet setting", "unmet held", "unmet time",
)


def account(line: Line, start: int, moves: Sequence[Move], given: bool) -> Account:
    """Charges a plan for everything, move by move in order, from the setting number `start`."""
    costs, foot_time, ways = line.costs, line.foot, _ways()
    total = dict.fromkeys(CAUSES, 0)
    charges: list[Charge] = []
    dearer: dict[tuple[int, int], int] = {}
    close: list[tuple[int, int, int]] = []
    number = start
    total["first setting"] = 0 if given else int(start_costs(line, None)[start])
    last: list[tuple[float, int] | None] = [None, None]
    one, two = mills(costs.move), mills(costs.second_notch)
    held_cost, missing = mills(costs.unmet_held), mills(costs.unmet_setting)
    settings = [start]
    for at, move in enumerate(moves):
        slot = move.slot
        way = int(ways[move.letter][number])
        number += (move.after - move.before) * 3 ** (6 - move.letter)
        arrival = int(ways[move.letter][number])
        notches = abs(move.after - move.before)
        total["moves"] += one
        total["two notches"] += two if notches == 2 else 0
        if slot >= 0:
            moment = move.moment
            price = int(line.moment_costs[moment])
            ring = _ring(line, moment, way)
            held = int(line.leave[moment, way]) - one - price - ring
            shared = arrival >= 21 and line.held[moment, EXIT_CLASS[arrival - 21]]
            total["moment"] += price
            total["ringing"] += ring
            total["unmet held"] += held + (held_cost if shared else 0)
            if held:
                charges.append(Charge("held", at))
            if shared:
                charges.append(Charge("joined", at))
            least = int(line.slot_leave[slot, way])
            if arrival >= 21 and line.slot_held[slot, EXIT_CLASS[arrival - 21]]:
                least += held_cost
            key = (slot, move.foot)
            real = one + price + ring + held + (held_cost if shared else 0)
            dearer[key] = dearer.get(key, 0) + real - least
            now = line.moment_seconds[moment]
            if move.foot != home(move.letter):
                total["other foot"] += mills(costs.cross_foot)
            before = last[move.foot]
            if move.paired:
                total["two pedals at once"] += mills(costs.adjacent)
            elif before is not None:
                charge = foot_time.charge(now - foot_time.stroke(before[0]), notches)
                if charge:
                    close.append((move.foot, before[1], at))
                    total["unmet time" if charge == foot_time.unmet else "hurry"] += charge
                    if charge == foot_time.unmet:
                        charges.append(Charge("time", at, before[1]))
            last[move.foot] = (now, at)
        settings.append(number)
    slots = np.array([move.slot for move in moves], dtype=np.int64)
    made = np.searchsorted(slots, np.arange(len(line.columns)), side="left")
    numbers = np.array(settings)[made]
    columns, rows = line.all_demands
    paid = line.emission_rows()[rows, numbers[columns]].astype(np.int64)
    failed = paid >= missing
    charges.extend(Charge("setting", column) for column in columns[failed].tolist())
    total["unmet setting"] = missing * int(failed.sum())
    total["spelling"] = int(paid.sum()) - total["unmet setting"]
    loose = tuple(key for key, more in dearer.items() if more)
    return Account(tuple(total.items()), tuple(charges), loose, tuple(close))


def _ring(line: Line, moment: int, way: int) -> int:
    ring = int(line.ring[moment, EXIT_CLASS[way % 21]])
    return ring if line.only_ring is None else max(ring, int(line.only_ring[moment, way % 21]))


# --- the search -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Solution:
    """A plan inside the search. path start, moves with their moments, real account, and whether
    its cost is proved least."""

    start: int
    moves: tuple[Move, ...]
    account: Account
    optimal: bool
    sweep: Sweep
    tracked: Tracked
    most: int


def first_state(line: Line, start: Setting | None) -> State:
    """The costs of the first settings."""
    return State.single(start_costs(line, start))


def solve(
    line: Line, start: Setting | None, watch: Callable[[Solution], None] | None = None
) -> Solution:
    """The optimal plan of a line with at least one column: rounds of search and refinement. watch:
    is given what each round comes to."""
    tracked: Tracked = frozenset()
    most = LEVELS
    best: Solution | None = None
    program = build_program(line, start, tracked, most)
    sweep: Sweep | None = None
    for _ in range(ROUNDS):
        sweep = run(program, first_state(line, start), sweep)
        solution = conclude(line, start, sweep, tracked, most)
        if watch is not None:
            watch(solution)
        if best is None or solution.account.total < best.account.total:
            best = solution
        if solution.optimal:
            return solution
        wider = refine(line, solution)
        if wider == tracked:
            if most >= MOST_LEVELS:
                break
            most *= 2
            program = build_program(line, start, tracked, most)
        else:
            program = extend_program(line, program, tracked, wider, most)
            tracked = wider
    assert best is not None
    return best


def extend_program(
    line: Line, old: Program, before: Tracked, tracked: Tracked, most: int
) -> Program:
    """The program with more slots laid out; segments far from these are the same objects."""
    changed = {slot for slot, _ in tracked - before}
    laid_out = {slot for slot, _ in tracked}
    segments, plain = [old.segments[0]], [old.plain[0]]
    column = 0
    while column < line.slots:
        following = column + 1
        while following < line.slots and following - 1 in laid_out:
            following += 1
        if changed.isdisjoint(range(column, following)):
            segments.extend(old.segments[column + 1 : following + 1])
            plain.extend(old.plain[column + 1 : following + 1])
        else:
            piece = build_program(line, None, tracked, most, column, following)
            skip = 1 if column == 0 else 0
            segments.extend(piece.segments[skip:])
            plain.extend(piece.plain[skip:])
        column = following
    return Program(tuple(segments), tuple(plain))


def conclude(
    line: Line, start: Setting | None, sweep: Sweep, tracked: Tracked, most: int
) -> Solution:
    """Reads the plan off a finished sweep and charges it."""
    end, rest = sweep.final.least()
    index, moves = trace(sweep, end)
    bound = sweep.taken[-1] + rest
    placed = place_moves(line, index[2], moves)
    real = account(line, index[2], placed, start is not None)
    return Solution(index[2], placed, real, real.total == bound, sweep, tracked, most)


def place_moves(line: Line, start: int, moves: Sequence[Move]) -> tuple[Move, ...]:
    """Gives moves whose moment is open their cheapest one, and orders each slot by moment."""
    number = start
    placed = []
    for move in moves:
        way = int(_ways()[move.letter][number])
        number += (move.after - move.before) * 3 ** (6 - move.letter)
        if move.moment < 0 <= move.slot:
            arrival = int(_ways()[move.letter][number])
            prices = [_price(line, moment, way, arrival) for moment in line.moments(move.slot)]
            move = move._replace(moment=line.first[move.slot] + prices.index(min(prices)))
        placed.append(move)
    placed.sort(key=lambda m: (m.slot, m.moment))  # stable: the order of one moment stays
    return tuple(placed)


def _price(line: Line, moment: int, way: int, arrival: int) -> int:
    cost = int(line.leave[moment, way])
    if arrival >= 21 and line.held[moment, EXIT_CLASS[arrival - 21]]:
        cost += mills(line.costs.unmet_held)
    return cost


def dearer_slots(
    line: Line, moves: Sequence[Move], found_dear: Account, tracked: Tracked
) -> set[tuple[int, int]]:
    """The slots that are laid out, and those where the account found more than the search."""
    found: set[tuple[int, int]] = set(tracked)
    found.update(found_dear.loose)
    pad = PAD * line.foot.horizon
    for foot, earlier, later in found_dear.close:
        low, high = moves[earlier].slot, moves[later].slot
        if all((slot, foot) in tracked for slot in range(low, high + 1)):
            continue
        begin = line.seconds[low] - pad
        end = line.seconds[high + 1] + pad
        while low > 0 and line.seconds[low - 1] >= begin:
            low -= 1
        while high + 2 < len(line.seconds) and line.seconds[high + 2] <= end:
            high += 1
        found.update((slot, foot) for slot in range(low, high + 1))
    return found


def refine(line: Line, solution: Solution) -> Tracked:
    """The slots to lay out next: where the plan's real cost was more than the search thought."""
    found = dearer_slots(line, solution.moves, solution.account, solution.tracked)
    if len(found) > MOSTLY * 2 * line.slots:
        found.update((slot, foot) for slot in range(line.slots) for foot in (LEFT, RIGHT))
    if len(found) == len(solution.tracked):  # the order of moves in a slot made the difference
        for move in solution.moves:
            if move.slot >= 0:
                found.update(((move.slot, LEFT), (move.slot, RIGHT)))
    return frozenset(found)
