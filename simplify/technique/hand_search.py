"""The programme over both hands, stretch by stretch, and again for a changed stretch alone.

`hand_kernel.forward` runs over a stretch of moments and keeps all its tables, `backward` reads the
cheapest way through it. Between stretches stands a fringe: little, and enough to run the next one.
A short piece (`KEPT` moments) keeps all tables until it is read back. In a longer one they are
kept for two stretches only, or it would touch much fresh memory. So there the way back through a
stretch is read early, from where the next one ends cheapest; almost always the piece's cheapest
plan goes the same way, and where it does not the stretch is run again.

Stretches end at bar lines, and what came of the last ones is remembered: of two versions of a
passage those bars are run once that begin with the same fringe.

A changed piece is run from the last fringe before the change until a fringe is the same as before
(`Fringe.same`; costs are exact), and read back until a state is the same as before: what lies
outside would come out as it was.
"""

from __future__ import annotations

import bisect
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np

from simplify.technique import hand_kernel as kernel
from simplify.technique.hand_kernel import Fringe, HandRules, Ints, Moments, Run

KEPT = 2048
"""Moments whose tables are all kept until the whole is read back."""
STRETCH = 32
"""Most moments in a stretch: longer ones keep more tables, shorter ones cost more between them."""
REMEMBERED = 512
"""Stretches of which is known what came of them."""

End = tuple[int, int, int]
"""A state of a fringe: table, row, column."""
START: End = (0, 0, 0)


@dataclass(frozen=True, slots=True)
class HandPath:
    """What a plan went through. bounds: moments before which the fringes stand, from 0 to their
    number; states: where the plan stands in each fringe."""

    bounds: tuple[int, ...]
    fringes: tuple[Fringe, ...]
    states: tuple[End, ...]

    @property
    def cost(self) -> float:
        """Of the whole plan."""
        return sum(fringe.taken for fringe in self.fringes)


@dataclass(frozen=True, slots=True)
class Read:
    """The way through a stretch: the states it ends in and begins in; per place of its moments the
    hand (0 left, 1 right) and the finger."""

    end: End
    begin: End
    hands: Ints
    fingers: Ints


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Moments low to high - 1, their arrays with those before that the fringe still knows of, and
    the tables once it has been run."""

    low: int
    high: int
    fringe: Fringe
    moments: Moments

    def known(self, rules: HandRules) -> _Known:
        """What has come of such a stretch so far."""
        rows = *self.moments, *self.fringe[:4]
        sizes = tuple([len(row) for row in rows])
        return _known(rules, self.high - self.low, sizes, b"".join([row.tobytes() for row in rows]))

    def run(self, rules: HandRules) -> tuple[Run, Fringe]:
        """All tables, and the fringe after them."""
        known = len(self.moments.at) - (self.high - self.low)
        found: tuple[Run, Fringe] = kernel.forward(
            rules, _lone(rules), self.moments, known, self.fringe
        )
        return found[0], Fringe(*found[1])

    def read(self, rules: HandRules, run: Run, end: End) -> Read:
        """The way that ends in a state."""
        hands, fingers, begin = kernel.backward(rules, _lone(rules), self.moments, run, *end)
        known = len(self.moments.at) - (self.high - self.low)
        place = self.moments.first[known]
        which, row, column = begin
        return Read(end, (int(which), int(row), int(column)), hands[place:], fingers[place:])


@dataclass(slots=True)
class _Known:
    """What has come of a stretch: the fringe after it, and the ways that were read, by their end.
    The tables are not kept, for they are large."""

    fringe: Fringe | None
    reads: dict[End, Read]

    def read(self, stretch: _Stretch, rules: HandRules, run: Run | None, end: End) -> Read:
        """The way through the stretch that ends in a state, from its tables if they are there."""
        if end not in self.reads:
            self.reads[end] = stretch.read(rules, run or stretch.run(rules)[0], end)
        return self.reads[end]


@lru_cache(maxsize=REMEMBERED)
def _known(rules: HandRules, count: int, sizes: tuple[int, ...], content: bytes) -> _Known:
    """The record of a stretch of so many moments, empty at first. sizes, content: of the arrays of
    its moments, those before it that its fringe still knows of, and its fringe, which say all that
    it is run on."""
    return _Known(None, {})


def forget() -> None:
    """Forgets what came of stretches, so that a measurement begins with nothing."""
    _known.cache_clear()


@lru_cache(maxsize=64)
def _lone(rules: HandRules) -> kernel.Lone:
    lone: kernel.Lone = kernel.lone_moves(rules)
    return lone


def _stretch(moments: Moments, offset: int, low: int, high: int, fringe: Fringe) -> _Stretch | None:
    """The stretch from moment low to high; moments: those from number `offset` on, None if that is
    too late for it."""
    begin, end = low - int(fringe.back.max()) - offset, high - offset
    if begin < 0 or end > len(moments.at):
        return None
    first = moments.first[begin : end + 1]
    places = slice(int(first[0]), int(first[-1]))
    return _Stretch(
        low, high, fringe,
        Moments._make((
            moments.at[begin:end], moments.away[begin:end], first - first[0],
            *(row[places] for row in moments[3:]),
        )),
    )


def _cheapest(fringe: Fringe) -> End:
    which, row, column = kernel.cheapest(fringe)
    return int(which), int(row), int(column)


def plan(
    rules: HandRules, moments: Moments, bars: Sequence[int] = ()
) -> tuple[Ints, Ints, HandPath]:
    """The cheapest plan: per place the hand (0 left, 1 right) and the finger, and its path. bars:
    for each bar the first moment in it or after it."""
    count = len(moments.at)
    if not count:
        nothing = np.zeros(0, np.int64)
        return nothing, nothing, HandPath((0,), (kernel.opening(),), (START,))
    bounds = _bounds(count, bars)
    fringes = [kernel.opening()]
    stretches: list[tuple[_Stretch, _Known]] = []
    runs: list[Run | None] = []
    reads: list[Read | None] = []
    early = count > KEPT  # a longer piece is read on the way, its tables are not kept
    for low, high in pairwise(bounds):
        stretch = _stretch(moments, 0, low, high, fringes[-1])
        assert stretch is not None
        known = stretch.known(rules)
        run: Run | None = None
        read: Read | None = None
        if known.fringe is None:
            run, known.fringe = stretch.run(rules)
        if early:
            end = _cheapest(known.fringe)
            read = known.read(stretch, rules, run, end)
            if stretches:
                before, told = stretches[-1]
                reads[-1] = told.read(before, rules, runs[-1], read.begin)
                runs[-1] = None
        fringes.append(known.fringe)
        stretches.append((stretch, known))
        runs.append(run)
        reads.append(read)
    end = _cheapest(fringes[-1])
    states, found = [end], list[Read]()
    for (stretch, known), run, way in zip(
        stretches[::-1], runs[::-1], reads[::-1], strict=True
    ):
        if way is None or way.end != end:
            way = known.read(stretch, rules, run, end)
        found.append(way)
        end = way.begin
        states.append(end)
    found.reverse()
    return (
        np.concatenate([read.hands for read in found]),
        np.concatenate([read.fingers for read in found]),
        HandPath(bounds, tuple(fringes), tuple(states[::-1])),
    )


def _bounds(count: int, bars: Sequence[int]) -> tuple[int, ...]:
    """The moments before which stretches begin, and their number at the end."""
    bounds = [0]
    for bar in (*bars, count):
        bounds.extend(range(bounds[-1] + STRETCH, bar, STRETCH))
        if bar > bounds[-1]:
            bounds.append(bar)
    return tuple(bounds)


@dataclass(frozen=True, slots=True)
class Replanned:
    """A path of changed music, and what is new of its plan: per place of moments low to high - 1
    (numbers of the changed music) the hand and the finger."""

    path: HandPath
    low: int
    high: int
    hands: Ints
    fingers: Ints


def plan_again(
    rules: HandRules, path: HandPath, moments: Moments, offset: int, head: int, tail: int, more: int
) -> Replanned | None:
    """The plan of changed music, the same as planning it from the beginning.

    path: of the music before; its moments from `head` to `tail` - 1 are those that changed, and
    there are `more` of them now. moments: some of the changed music's around there, from number
    `offset` on; None if these are too few to tell.
    """
    at = bisect.bisect_right(path.bounds, head) - 1
    bounds, fringes = [path.bounds[at]], [path.fringes[at]]
    runs: list[tuple[_Stretch, Run]] = []
    join = bisect.bisect_left(path.bounds, tail + 2)
    while True:
        last = join >= len(path.bounds)
        high = (path.bounds[-1] if last else path.bounds[join]) + more
        if high > bounds[-1]:
            stretch = _stretch(moments, offset, bounds[-1], high, fringes[-1])
            if stretch is None:
                return None
            run, fringe = stretch.run(rules)
            runs.append((stretch, run))
            bounds.append(high)
            fringes.append(fringe)
        if last:
            break
        if _agree(
            (fringes[-1], high, tail + more), (path.fringes[join], path.bounds[join], tail), head
        ):
            break
        join += 1
    states = [_cheapest(fringes[-1]) if last else path.states[join]]
    reads: list[Read] = []
    for stretch, run in reversed(runs):
        reads.append(stretch.read(rules, run, states[-1]))
        states.append(reads[-1].begin)
    while states[-1] != path.states[at]:
        at -= 1
        stretch = _stretch(moments, offset, path.bounds[at], path.bounds[at + 1], path.fringes[at])
        if stretch is None:
            return None
        reads.append(stretch.read(rules, stretch.run(rules)[0], states[-1]))
        states.append(reads[-1].begin)
        bounds.insert(0, path.bounds[at])
        fringes.insert(0, path.fringes[at])
    rest = slice(join + 1, None)
    found = HandPath(
        (*path.bounds[:at], *bounds, *(bound + more for bound in path.bounds[rest])),
        (*path.fringes[:at], *fringes, *path.fringes[rest]),
        (*path.states[:at], *states[::-1], *path.states[rest]),
    )
    nothing = [np.zeros(0, np.int64)]
    return Replanned(
        found, bounds[0], bounds[-1],
        np.concatenate([read.hands for read in reads[::-1]] or nothing),
        np.concatenate([read.fingers for read in reads[::-1]] or nothing),
    )


def _agree(one: tuple[Fringe, int, int], other: tuple[Fringe, int, int], head: int) -> bool:
    """Whether fringes (each with its moment, and the first moment after the change) of two versions
    mean the same: moments before the change are told by their number, those after it by how far
    back they are; those in it are not the same."""
    found = []
    for fringe, at, tail in (one, other):
        moment = at - fringe.back
        struck = fringe.back > 0
        if (struck & (moment >= head) & (moment < tail)).any():
            return False
        back = np.where(struck & (moment < head), -1 - moment, fringe.back)
        found.append(fringe._replace(back=back))
    return found[0].same(found[1])
