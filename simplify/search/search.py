"""Searches a passage for rewrites that a player can take, and says why it stopped."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

from simplify.distance import distance
from simplify.harp.player import Player
from simplify.realise.bar import Basis, Rows, basis_of
from simplify.realise.edit import written_anew
from simplify.score.model import Edit, NoteId, Part, Passage
from simplify.search.combine import Effect, MoveKey
from simplify.search.ease import Eased, ease
from simplify.search.grow import Grown, grow_variants
from simplify.search.lattice import Lattice, Path, Settled, cut_columns, moved
from simplify.search.ranking import Candidate, Choice, choose, rank_key
from simplify.search.reading import Reading, read_bars
from simplify.search.settings import SearchSettings, settings
from simplify.search.variants import Column, Tally, Weights, column_of, views_of
from simplify.sense import slips
from simplify.strategy import Keeps, Strategy, broken_promises

Job = TypeVar("Job")
Result = TypeVar("Result")

Progress = Callable[[int, int], None]
"""Called with (steps done, steps in all)."""

PROMISES: tuple[Mapping[str, int], ...] = ({}, {"tune": 0}, {"pace": 3})
"""How far dials may go in each easing of a passage."""

TIME, REACHED, EXHAUSTED = (
    "the time given ran out",
    "the tier is reached at the least distance found",
    "nothing further helps",
)


@dataclass(frozen=True, slots=True)
class Found:
    """What a search brings back.

    choices: the alternatives, best first, each playable; front: of all playable rewrites found
    those that no other beats in distance and difficulty, the nearest first; nearest: the best
    candidate when none is playable or within the tier; usage: strategy to (calls, used, seconds).
    """

    original: Reading
    original_faults: int
    choices: tuple[Choice, ...]
    front: tuple[Candidate, ...]
    nearest: Candidate | None
    stopped: str
    usage: dict[str, tuple[int, int, float]] = field(default_factory=dict)
    readings: int = 0


def search(
    part: Part,
    first: int,
    last: int,
    player: Player,
    strategies: Sequence[Strategy],
    *,
    keeps: Keeps = Keeps.NOTHING,
    count: int = 5,
    seconds: float | None = None,
    workers: int = 1,
    progress: Progress | None = None,
    numbers: SearchSettings | None = None,
) -> Found:
    """Ranked rewrites of bars first..last (indices) of a part for a player.

    keeps: promises that every candidate is held to; seconds: a budget, after which the best so far
    comes back; workers: processes that grow columns. Deterministic unless the budget runs out.
    """
    numbers = numbers or settings()
    until = time.monotonic() + seconds if seconds is not None else None
    shift = max(0, first - 2)  # the search works on a window: the passage and two bars around it
    inner = part.window(shift, min(len(part.bars) - 1, last + 2))
    start, end = first - shift, last - shift
    spans = cut_columns(inner, start, end, numbers.column_bars)
    edges = part.bars[first].onset, part.bars[last].end
    columns = [column_of(inner, low, high, numbers.context_beats, edges) for low, high in spans]
    grow = _Grow(player, tuple(strategies), keeps, numbers, _share(until, 0.5))
    steps = len(columns) + 2 + numbers.regrowths
    done = 0

    def step() -> None:
        nonlocal done
        done += 1
        if progress is not None:
            progress(min(done, steps), steps)

    grown: list[Grown] = []
    for one in _side_by_side(grow, [(column, None) for column in columns], workers):
        grown.append(one)
        step()
    wider = cut_columns(inner, start, end, 2 * numbers.column_bars)
    may_widen = wider != spans and 2 * numbers.column_bars <= numbers.widest

    def widened() -> Found:
        """The search with more bars joined: a tie across a column's edge can hold a fault."""
        return search(
            part, first, last, player, strategies, keeps=keeps, count=count,
            seconds=None if until is None else max(0.0, until - time.monotonic()),
            workers=workers, progress=progress,
            numbers=replace(numbers, column_bars=2 * numbers.column_bars),
        )

    if may_widen and any(min((v.faults for v in one.variants), default=0) for one in grown):
        return widened()
    lattice = Lattice(inner, start, end, player, numbers, spans, grown, keeps, until)
    for one in grown:
        lattice.tally.add(one.tally)
    seeds = _eased(lattice, workers)
    settled = _walk(lattice, replace(grow, until=_share(until, 0.5)), workers, step, seeds)
    choices, front, nearest = _select(lattice, settled, part, shift, count, keeps)
    if may_widen and not choices:
        return widened()
    original, tally = lattice.passage_reading(inner), lattice.tally
    used: dict[str, int] = {}
    for choice in choices:
        for name in sorted(choice.candidate.kinds):
            used[name] = used.get(name, 0) + 1
    usage = {
        s.name: (tally.calls.get(s.name, 0), used.get(s.name, 0), tally.seconds.get(s.name, 0.0))
        for s in strategies
    }
    if lattice.out_of_time():
        stopped = TIME
    elif choices and choices[0].candidate.within:
        stopped = REACHED
    else:
        stopped = EXHAUSTED
    return Found(original, original.faults, choices, front, nearest, stopped, usage, tally.readings)


@dataclass(frozen=True, slots=True)
class _Grow:
    """Grows a column; a value, so that it can be sent to another process."""

    player: Player
    strategies: tuple[Strategy, ...]
    keeps: Keeps
    numbers: SearchSettings
    until: float | None

    def __call__(self, job: tuple[Column, dict[MoveKey, Effect] | None]) -> Grown:
        column, effects = job
        return grow_variants(
            column, self.player, self.strategies, self.keeps, self.numbers, self.until, effects
        )


def _share(until: float | None, part: float) -> float | None:
    now = time.monotonic()
    return None if until is None else now + part * max(0.0, until - now)


def _side_by_side(
    task: Callable[[Job], Result], jobs: Sequence[Job], workers: int
) -> Iterator[Result]:
    """The task done for every job, in order, in up to `workers` processes."""
    if workers <= 1 or len(jobs) <= 1:
        yield from map(task, jobs)
        return
    pool = ProcessPoolExecutor(min(workers, len(jobs)), initializer=_adopt, initargs=(task,))
    with pool:
        yield from pool.map(_adopted, jobs)


_task: list[Callable[[Any], Any]] = []
"""In a process of a pool: the task, which came with the process instead of with every job."""


def _adopt(task: Callable[[Any], Any]) -> None:
    _task[:] = [task]


def _adopted(job: Any) -> Any:
    return _task[0](job)


@dataclass(frozen=True, slots=True)
class _Ease:
    """Eases a passage by writing its bars anew; a value, so that it can be sent to another
    process. The job says how far a dial may go at most."""

    basis: Basis
    span: tuple[int, int]
    player: Player
    keeps: Keeps

    def __call__(self, promises: Mapping[str, int]) -> Eased:
        return ease(
            self.basis, self.player, promises=promises, keeps=self.keeps, span=self.span
        )


def _eased(lattice: Lattice, workers: int) -> list[Path]:
    """Paths that write bars anew, as much as each needs for the whole to come within the tier:
    freely, with the tune kept whole, and with the accompaniment's motion kept. What was tried on
    the way goes into the lattice."""
    span = lattice.first, lattice.last
    basis = basis_of(lattice.part, lattice.player.harp)
    rows = Rows(basis, lattice.player)
    ease_one = _Ease(basis, span, lattice.player, lattice.keeps)
    paths: list[Path] = []
    bars = range(span[0], span[1] + 1)
    for eased in _side_by_side(ease_one, PROMISES, workers):
        final = eased.dials[span[0] : span[1] + 1]
        for dials, reading in (*eased.visited, (final, dict(eased.visited).get(final))):
            edits = written_anew(rows, dict(zip(bars, dials, strict=True)), lattice.spans)
            path = None if edits is None else lattice.adopt(edits, reading)
        if path is not None and path not in paths:
            paths.append(path)
    return paths


def _walk(
    lattice: Lattice, grow: _Grow, workers: int, step: Callable[[], None], seeds: Sequence[Path]
) -> list[Settled]:
    """Settled paths of all sweeps, softened where they are within the rules.

    First columns that no variant eases enough are grown anew beside the best path so far, then all
    that the nearest path within the rules changes, then come the sweeps, each apart from the others
    and with what was known before them, so that it is no matter which process walks which.
    """
    numbers = lattice.numbers
    first = views_of(numbers)[0]

    def regrow(path: Path, columns: Sequence[int]) -> bool:
        jobs = [(lattice.column_beside(path, at), lattice.effects[at]) for at in columns]
        fresh = False
        for at, grown in zip(columns, list(_side_by_side(grow, jobs, workers)), strict=True):
            fresh |= lattice.take(at, grown)
        return fresh

    for _ in range(numbers.regrowths):
        best = lattice.settle(first)
        step()
        if lattice.out_of_time() or lattice.read(best).within:
            break
        if not regrow(best, lattice.over(best)):
            break
    found = list(dict.fromkeys([*seeds, *_sweep(lattice, 1.0)]))
    near = _nearest(lattice, found)
    if near and not lattice.out_of_time() and regrow(near[0], lattice.changed(near[0])):
        found = list(dict.fromkeys([*_sweep(lattice, 1.0), *found]))
        near = _nearest(lattice, found)
    step()
    leaned = _leaned_on([lattice.edits(path) for path in near or found])
    soft = [path for path in near if path in seeds or path in near[: numbers.softened]]
    jobs: list[_Sweep] = [_Sweep(soften=path) for path in soft]
    jobs += [_Sweep(share=numbers.soft), _Sweep(fill=numbers.filled)]
    jobs += [_Sweep(shunned=leaned, shun=shun) for shun in numbers.shuns]
    settled = lattice.worth_showing(found)
    for more, tally in _side_by_side(_Walker(lattice), jobs, workers):
        settled += more
        lattice.tally.add(tally)
    step()
    return list({one.edits: one for one in settled}.values())


@dataclass(frozen=True, slots=True)
class _Sweep:
    """One walk of the lattice: soften a path and trim it, or fill the front with so many paths, or
    sweep over the strains' weights with a share of the weight of excess (small: the tier is only
    approached) and some strategies shunned."""

    soften: Path | None = None
    fill: int = 0
    share: float = 1.0
    shunned: frozenset[str] = frozenset()
    shun: float = 0.0


@dataclass(frozen=True, slots=True)
class _Walker:
    """Does one sweep on a copy of the lattice."""

    lattice: Lattice

    def __call__(self, job: _Sweep) -> tuple[list[Settled], Tally]:
        lattice = self.lattice.copy()
        if job.soften is not None:
            soft = lattice.soften(job.soften)
            found = [soft, lattice.trim(soft)]
        elif job.fill:
            found = []
            lattice.fill(job.fill)
        else:
            found = _sweep(lattice, job.share, job.shunned, job.shun)
            found += [lattice.soften(path) for path in _nearest(lattice, found)[:1]]
        return lattice.worth_showing(found), lattice.tally


def _sweep(
    lattice: Lattice, share: float, shunned: frozenset[str] = frozenset(), shun: float = 0.0
) -> list[Path]:
    """Settled paths for all weights of strain, and between the last that misses the tier and the
    first that reaches it for two more."""
    numbers = lattice.numbers

    def settle(strain: float) -> Path:
        weights = Weights(
            strain, share * numbers.excess, numbers.fault, numbers.step, numbers.slip, shunned, shun
        )
        return lattice.settle(weights)

    found: dict[float, Path] = {}
    for strain in numbers.strains:
        if found and lattice.out_of_time():
            break
        found[strain] = settle(strain)
    for _ in range(numbers.halvings):
        reached = [s for s in sorted(found) if lattice.read(found[s]).within]
        missed = [s for s in sorted(found) if s < min(reached, default=0.0)]
        if not reached or not missed or lattice.out_of_time():
            break
        middle = (missed[-1] * reached[0]) ** 0.5
        found[middle] = settle(middle)
    return list(dict.fromkeys(found[s] for s in sorted(found)))


def _nearest(lattice: Lattice, paths: Sequence[Path]) -> list[Path]:
    """The paths within the rules, the least effort first."""
    within = [path for path in paths if lattice.read(path).within]
    return sorted(within, key=lambda p: (lattice.effort(p), p))


def _leaned_on(paths: Sequence[tuple[Edit, ...]]) -> frozenset[str]:
    """Strategies used in most of the paths."""
    counts: dict[str, int] = {}
    for edits in paths:
        for name in {edit.strategy for edit in edits}:
            counts[name] = counts.get(name, 0) + 1
    return frozenset(name for name, n in counts.items() if n * 2 > len(paths))


def _select(
    lattice: Lattice,
    settled: Sequence[Settled],
    part: Part,
    shift: int,
    count: int,
    keeps: Keeps,
) -> tuple[tuple[Choice, ...], tuple[Candidate, ...], Candidate | None]:
    """Chooses among the settled paths. Those chosen are read once more, as they will be reported,
    and the choice is made again with what that says, until it stands."""
    first, last = lattice.first + shift, lattice.last + shift
    before = Passage(part, first, last)
    source = _bar_ids(part, first, last)
    original = read_bars(part.window(first, last), lattice.player)
    pool: list[Candidate] = []
    for one in settled:
        edits = tuple(moved(edit, shift) for edit in one.edits)
        if not edits:
            continue
        new = part.apply_all(edits)
        if broken_promises(before, before.of(new), keeps):
            continue
        pool.append(
            Candidate(
                new,
                edits,
                _bar_ids(new, first, last),
                distance(before, before.of(new)),
                one.reading,
                one.reading.within,
                one.reading.faults,
                slips(before, before.of(new)),
            )
        )
    pool.sort(key=rank_key)
    checked: set[int] = set()
    while True:
        playable = [
            c for c in pool if not c.faults and c.reading.difficulty < original.difficulty
        ]
        choices = choose(
            playable, source, count, lattice.numbers.near_copy, lattice.numbers.slip
        )
        fresh = [c.candidate for c in choices if id(c.candidate.part) not in checked]
        if not fresh:
            break
        for candidate in fresh:
            reading = read_bars(candidate.part.window(first, last), lattice.player)
            at = next(i for i, c in enumerate(pool) if c is candidate)
            faults = max(candidate.faults, reading.faults)
            pool[at] = replace(candidate, reading=reading, within=reading.within, faults=faults)
            checked.add(id(candidate.part))
    pool.sort(key=rank_key)
    return choices, front_of(playable), pool[0] if pool else None


def front_of(candidates: Sequence[Candidate]) -> tuple[Candidate, ...]:
    """Those that no other is at least as near and as easy as, the nearest first."""
    front: list[Candidate] = []
    ranked = sorted(candidates, key=lambda c: (c.distance.total, c.reading.difficulty))
    for candidate in ranked:
        if not front or candidate.reading.difficulty < front[-1].reading.difficulty:
            front.append(candidate)
    return tuple(front)


def _bar_ids(part: Part, first: int, last: int) -> tuple[frozenset[NoteId], ...]:
    return tuple(frozenset(n.id for n in row) for row in part.notes_by_bar[first : last + 1])
