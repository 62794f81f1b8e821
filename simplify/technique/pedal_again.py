"""The pedal plan of a changed part, the same as planned from the beginning, at the price of the
change.

The search (`pedal_search.solve`) goes in rounds, and which plan of least cost it finds depends on
all of them. So all of them are kept, thinned out (`Trail`), and gone through again where they come
out otherwise: from the last kept state before the change up to a column behind it where the state
is as it was, then back until the path is as it was. What a round finds too dear is told by what the
moves around the change cost now less what they cost then.

The search is told of the surroundings by a line built from a window of bars. Nothing is found where
that is too narrow, or where a round looks at the whole piece: then the caller plans a wider window,
or all.
"""

from __future__ import annotations

import bisect
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from simplify.technique.pedal_line import Line, Tuning
from simplify.technique.pedal_search import (
    LEFT,
    LEVELS,
    MOSTLY,
    PAD,
    RIGHT,
    ROUNDS,
    Account,
    Index,
    Move,
    Solution,
    State,
    Sweep,
    account,
    build_program,
    dearer_slots,
    first_state,
    place_moves,
    run,
    trace,
)

KEPT = 8
"""Columns from one kept state to the next at least."""
Made = tuple[Move, ...]


@dataclass(frozen=True, slots=True)
class Round:
    """One round over the K columns of a line. feet: per slot which feet are laid out (bit 1 left,
    bit 2 right); states: per column the state after it, where it is kept and has one level a foot;
    taken: per column what was taken off; path: per column where the round's plan stands after it;
    moves: per column those of the plan before it, moments counted from the slot's first (before
    the first column: as they are); costs: by cause; gap: the plan's real cost less the bound."""

    feet: tuple[int, ...]
    states: tuple[State | None, ...]
    taken: tuple[int, ...]
    path: tuple[Index, ...]
    moves: tuple[Made, ...]
    costs: tuple[tuple[str, int], ...]
    gap: int


@dataclass(frozen=True, slots=True)
class Trail:
    """All rounds of a search that ended with a proof; ticks: of the columns; tuning: of the
    disc-less strings."""

    tuning: Tuning
    ticks: tuple[int, ...]
    rounds: tuple[Round, ...]


class Watch:
    """Follows a search round by round (`solve(..., watch=)`) and keeps its trail."""

    def __init__(self, line: Line) -> None:
        self._line = line
        self._rounds: list[Round] = []
        self._plain = True
        self._proved = False

    def __call__(self, solution: Solution) -> None:
        """Takes in one round."""
        line = self._line
        feet = [0] * line.slots
        for slot, foot in solution.tracked:
            feet[slot] |= 1 << foot
        if solution.most != LEVELS or _widened(feet):
            self._plain = False
        self._proved = solution.optimal
        if not solution.optimal:
            found = dearer_slots(line, solution.moves, solution.account, solution.tracked)
            self._plain = self._plain and len(found) > len(solution.tracked)
        if not self._plain:
            return
        sweep = solution.sweep
        path = _path(sweep)
        states = [sweep.state(at + 1, {}) if sweep.program.plain[at] and (
            at + 1 == len(sweep.states) or sweep.states[at + 1] is not None
        ) else None for at in range(len(line.columns))]
        bound = sweep.taken[-1] + sweep.final.least()[1]
        self._rounds.append(Round(
            tuple(feet), _thinned(states),
            tuple([b - a for a, b in pairwise(sweep.taken)]), path,
            _by_column(line, solution.moves), solution.account.costs,
            solution.account.total - bound,
        ))

    @property
    def trail(self) -> Trail | None:
        """What it came to; None if rounds went beyond what can be gone through again in part."""
        if not self._plain or not self._proved:
            return None
        return Trail(self._line.fixed, self._line.ticks, tuple(self._rounds))


def _widened(feet: Sequence[int]) -> bool:
    return sum(map(int.bit_count, feet)) > MOSTLY * 2 * len(feet)


def _thinned(states: Sequence[State | None]) -> tuple[State | None, ...]:
    kept: list[State | None] = []
    since = KEPT
    for state in states:
        keep = state is not None and since >= KEPT
        kept.append(state if keep else None)
        since = 1 if keep else since + 1
    return tuple(kept)


def _path(sweep: Sweep, end: Index | None = None) -> tuple[Index, ...]:
    """Where the way that ends in `end` (None: the cheapest) stands after each segment."""
    index = sweep.final.least()[0] if end is None else end
    trace(sweep, index)
    found = []
    for backs in reversed(sweep.backs):
        found.append(index)
        index = backs[index][0]
    return tuple(found[::-1])


def _by_column(line: Line, moves: Sequence[Move]) -> tuple[Made, ...]:
    rows: list[list[Move]] = [[] for _ in line.columns]
    for move in moves:
        moment = move.moment - line.first[move.slot] if move.slot >= 0 else -1
        rows[move.slot + 1].append(move._replace(slot=0, moment=moment))
    return tuple([tuple(row) for row in rows])


def _in_line(line: Line, rows: Sequence[Made]) -> Iterator[Move]:
    """Moves by column, after the first, as moves of a line."""
    for column, row in enumerate(rows):
        for move in row if column else ():
            yield move._replace(slot=column - 1, moment=line.first[column - 1] + move.moment)


@dataclass(frozen=True, slots=True)
class Window:
    """The old and the new music of a window of bars, laid out. at: number of its first column in
    the whole; head, tail: columns at either end that are the same in both, with the slots between
    them; sure: columns (of the new line, first and last) at which the whole piece's line is the
    same as this; begins, ends: it begins or ends with the piece."""

    old: Line
    new: Line
    at: int
    head: int
    tail: int
    sure: tuple[int, int]
    begins: bool
    ends: bool

    @property
    def more(self) -> int:
        """Columns more than before."""
        return len(self.new.columns) - len(self.old.columns)


@dataclass(frozen=True, slots=True)
class Resolved:
    """The trail of the changed piece; in the window's new line the last round's start, moves and
    account, and the columns from and up to which the plan came out otherwise."""

    trail: Trail
    start: int
    moves: tuple[Move, ...]
    account: Account
    low: int
    high: int


def solve_again(trail: Trail, window: Window) -> Resolved | None:
    """The search over the changed piece; None if it has to look beyond the window."""
    old, new = window.old, window.new
    if not old.columns or not new.columns:
        return None
    first, last = window.at, window.at + len(old.columns)
    feet: list[int] = [0] * new.slots
    rounds: list[Round] = []
    for number in range(ROUNDS):
        before = trail.rounds[min(number, len(trail.rounds) - 1)]
        was = _part(before, first, last)
        stretch = _search(window, was, feet)
        if stretch is None:
            return None
        states, taken, path, rows = stretch
        moves, start = tuple(_in_line(new, rows)), path[0][2]
        real = account(new, start, moves, False)
        old_real = account(old, was.path[0][2], tuple(_in_line(old, was.moves)), False)
        value = sum(taken) - sum(was.taken)
        gap = before.gap + real.total - old_real.total - value
        earlier = dict(old_real.costs)
        here = dict(real.costs)
        costs = tuple([
            (cause, amount + here[cause] - earlier[cause]) for cause, amount in before.costs
        ])
        a, b = first, last
        rounds.append(Round(
            (*before.feet[:a], *feet, *before.feet[b - 1 :]),
            (*before.states[:a], *states, *before.states[b:]),
            (*before.taken[:a], *taken, *before.taken[b:]),
            (*before.path[:a], *path, *before.path[b:]),
            (*before.moves[:a], *rows, *before.moves[b:]),
            costs, gap,
        ))
        if gap == 0:
            ticks = (*trail.ticks[:a], *new.ticks, *trail.ticks[b:])
            span = _otherwise(window, was, path, rows)
            return Resolved(Trail(trail.tuning, ticks, tuple(rounds)), start, moves, real, *span)
        following = trail.rounds[min(number + 1, len(trail.rounds) - 1)]
        wider = _wider(window, _part(following, first, last), was, path, rows, moves, real, feet)
        if wider is None:
            return None
        whole = (*following.feet[:a], *wider, *following.feet[b - 1 :])
        if whole == rounds[-1].feet or _widened(whole):
            return None
        feet = wider
    return None


def _part(whole: Round, first: int, last: int) -> Round:
    return Round(
        whole.feet[first : last - 1], whole.states[first:last], whole.taken[first:last],
        whole.path[first:last], whole.moves[first:last], whole.costs, whole.gap,
    )


def _old_column(window: Window, column: int) -> int | None:
    """The old column that a new one is, if it is the same."""
    if column < window.head:
        return column
    if column >= len(window.new.columns) - window.tail:
        return column - window.more
    return None


def _changed_columns(window: Window, was: Round, feet: Sequence[int]) -> tuple[int, int]:
    """First and last column of the new line whose segment is another than before."""
    count = len(window.new.columns)
    low, high = window.head, count - window.tail - 1
    # Behind the change the first column's slot may be another.
    high = max(high, low) if window.tail == 0 else max(high, count - window.tail)
    for slot, mask in enumerate(feet):
        one, two = _old_column(window, slot), _old_column(window, slot + 1)
        same = one is not None and two == one + 1 and was.feet[one] == mask
        if not same:
            low, high = min(low, slot + 1), max(high, slot + 1)
    return low, min(high, count - 1)


_Lists = tuple[list[State | None], list[int], list[Index], list[Made]]


def _search(window: Window, was: Round, feet: Sequence[int]) -> _Lists | None:
    """One round over the window: its states, taken, path and moves by column."""
    new, more = window.new, window.more
    count = len(new.columns)
    tracked = frozenset(
        (slot, foot) for slot, mask in enumerate(feet) for foot in (LEFT, RIGHT)
        if mask >> foot & 1
    )
    changed, until = _changed_columns(window, was, feet)
    low = _kept_before(window, was, changed)
    if low is None:
        return None
    pieces: list[tuple[int, Sweep]] = []
    state = first_state(new, None) if low < 0 else was.states[low]
    assert state is not None
    begin, join = low, None
    ahead = 1
    while join is None:
        stop = until
        for _ in range(ahead):
            stop = next((
                k for k in range(stop + 1, count)
                if was.states[k - more] is not None and k > until
            ), count - 1)
        if stop > window.sure[1] or begin >= stop:
            return None
        program = build_program(new, None, tracked, LEVELS, max(0, begin), stop)
        sweep = run(program, state)
        known = was.states[stop - more] if stop > until else None
        if known is not None and program.plain[-1] and sweep.final.same(known):
            join = stop
        elif stop == count - 1:
            if not window.ends:
                return None
            join = count
        elif not program.plain[-1]:
            ahead += 1
            continue
        else:
            until = stop
            ahead = 1
        pieces.append((begin, sweep))
        begin, state = stop, sweep.final
    index = pieces[-1][1].final.least()[0] if join == count else was.path[join - more]
    path: list[Index] = []
    moves: list[Move] = []
    for _, sweep in reversed(pieces):
        path[:0] = _path(sweep, index)
        index, made = trace(sweep, index)
        moves[:0] = made
    while low >= 0 and index != was.path[low]:
        lower = _kept_before(window, was, low)
        if lower is None:
            return None
        state = first_state(new, None) if lower < 0 else was.states[lower]
        assert state is not None
        sweep = run(build_program(new, None, tracked, LEVELS, max(0, lower), low), state)
        pieces.insert(0, (lower, sweep))
        path[:0] = _path(sweep, index)
        index, made = trace(sweep, index)
        moves[:0] = made
        low = lower
    start = index[2]
    placed = place_moves(new, start, moves)
    rows: list[list[Move]] = [[] for _ in range(count)]
    for move in placed:
        moment = move.moment - new.first[move.slot] if move.slot >= 0 else -1
        rows[move.slot + 1].append(move._replace(slot=0, moment=moment))
    taken: list[int] = []
    states: list[State | None] = []
    for _, sweep in pieces:
        taken.extend(b - a for a, b in pairwise(sweep.taken))
        plain = sweep.program.plain
        states.extend(
            sweep.state(at + 1, {}) if plain[at] else None for at in range(len(plain))
        )
    end = len(path) + low + 1
    rest = end - more
    return (
        [*was.states[: low + 1], *_thinned(states), *was.states[rest:]],
        [*was.taken[: low + 1], *taken, *was.taken[rest:]],
        [*was.path[: low + 1], *path, *was.path[rest:]],
        [*was.moves[: low + 1], *map(tuple, rows[low + 1 : end]), *was.moves[rest:]],
    )


def _kept_before(window: Window, was: Round, column: int) -> int | None:
    """The last column before one whose state is kept, -1 for the piece's beginning; None if that
    lies outside the window."""
    for at in range(min(column, window.head) - 1, 0, -1):
        if at < window.sure[0]:
            break
        if was.states[at] is not None:
            return at
    return -1 if window.begins else None


def _otherwise(
    window: Window, was: Round, path: Sequence[Index], rows: Sequence[Made]
) -> tuple[int, int]:
    """First and last column of the new line at which the music or the plan is another."""
    low, high = window.head, len(window.new.columns) - window.tail
    for column in range(len(path)):
        old = _old_column(window, column)
        if old is None or path[column] != was.path[old] or rows[column] != was.moves[old]:
            low, high = min(low, column), max(high, column)
    return low, min(high, len(path) - 1)


def _wider(
    window: Window, following: Round, was: Round, path: Sequence[Index], rows: Sequence[Made],
    moves: tuple[Move, ...], real: Account, feet: Sequence[int],
) -> list[int] | None:
    """The feet to lay out in the next round; following: the old one. None if what decides lies
    outside the window."""
    new = window.new
    low, high = _otherwise(window, was, path, rows)
    foot, seconds, count = new.foot, new.seconds, len(new.seconds)

    def back(column: int, span: float) -> int:
        return bisect.bisect_left(seconds, seconds[max(0, column)] - span) - 1

    def on(column: int, span: float) -> int:
        return bisect.bisect_right(seconds, seconds[min(column, count - 1)] + span)

    # A pair of moves lies within a foot's time, and what it lays out a pad further on; whatever
    # else lays out a slot in there lies within as much again.
    near, pad = foot.horizon + foot.clock, PAD * foot.horizon
    begin, end = back(back(low - 1, near), pad), on(on(high + 1, near), pad)
    outer, beyond = back(back(begin, pad), near), on(on(end, pad), near)
    if outer < window.sure[0] and not window.begins:
        return None
    if beyond > window.sure[1] and not window.ends:
        return None
    tracked = frozenset(
        (slot, foot) for slot, mask in enumerate(feet) for foot in (LEFT, RIGHT)
        if mask >> foot & 1
    )
    local = [0] * new.slots
    for slot, side in dearer_slots(new, moves, real, tracked):
        local[slot] |= 1 << side
    found = []
    for slot in range(new.slots):
        one, two = _old_column(window, slot), _old_column(window, slot + 1)
        kept = one is not None and two == one + 1
        if kept and one is not None and not begin <= slot <= end:
            found.append(following.feet[one])
        else:
            found.append(local[slot])
    return found
