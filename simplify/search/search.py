"""Searches a passage for rewrites that a player can take, and says why it stopped."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from typing import TypeVar

from simplify.distance import distance
from simplify.harp.player import Player
from simplify.score.model import Edit, NoteId, Part, Passage
from simplify.search.lattice import Lattice, Path, Settled, cut_columns, moved
from simplify.search.ranking import Candidate, Choice, choose, rank_key
from simplify.search.reading import Reading, split_faults
from simplify.search.settings import SearchSettings, settings
from simplify.search.variants import Column, Tally, Variant, column_of, grow_variants
from simplify.strategy import Keeps, Strategy
from simplify.technique.perform import perform
from simplify.technique.playability import find_faults

Job = TypeVar("Job")
Result = TypeVar("Result")

Progress = Callable[[int, int], None]
"""Called with (steps done, steps in all)."""

TIME, REACHED, EXHAUSTED = (
    "the time given ran out",
    "the tier is reached at the least distance found",
    "nothing further helps",
)


@dataclass(frozen=True, slots=True)
class Found:
    """What a search brings back.

    choices: the alternatives, best first, each playable; nearest: the best candidate when none is
    playable or within the tier; usage: strategy to (calls, used, seconds).
    """

    original: Reading
    original_faults: int
    choices: tuple[Choice, ...]
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
    task = _Task(player, tuple(strategies), keeps, numbers, _share(until, 0.6))
    steps = len(columns) + sum(len(row) for row in SWEEPS)
    done = 0

    def step() -> None:
        nonlocal done
        done += 1
        if progress is not None:
            progress(min(done, steps), steps)

    tally = Tally()
    grown: list[tuple[Variant, ...]] = []
    for variants, counts in _side_by_side(task, columns, workers):
        grown.append(variants)
        tally.add(counts)
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

    if may_widen and any(min((v.faults for v in column), default=0) for column in grown):
        return widened()
    lattice = Lattice(inner, start, end, player, numbers, spans, grown, task, keeps, until)
    candidates, counts = _walk(lattice, workers, step)
    tally.add(counts)
    whole = _faults_inside(part, player, first, last)
    choices, nearest = _select(lattice, candidates, part, shift, count, numbers)
    original = lattice.passage_reading(inner)
    used: dict[str, int] = {}
    for choice in choices:
        for name in sorted(choice.candidate.kinds):
            used[name] = used.get(name, 0) + 1
    usage = {
        s.name: (tally.calls.get(s.name, 0), used.get(s.name, 0), tally.seconds.get(s.name, 0.0))
        for s in strategies
    }
    if may_widen and not choices:
        return widened()
    if lattice.out_of_time():
        stopped = TIME
    elif choices and choices[0].candidate.within:
        stopped = REACHED
    else:
        stopped = EXHAUSTED
    return Found(original, whole, choices, nearest, stopped, usage, tally.readings)


@dataclass(frozen=True, slots=True)
class _Task:
    """Grows a column; a value, so that it can be sent to another process."""

    player: Player
    strategies: tuple[Strategy, ...]
    keeps: Keeps
    numbers: SearchSettings
    until: float | None

    def __call__(self, column: Column) -> tuple[tuple[Variant, ...], Tally]:
        return grow_variants(
            column, self.player, self.strategies, self.keeps, self.numbers, self.until
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
    with ProcessPoolExecutor(max_workers=min(workers, len(jobs))) as pool:
        yield from pool.map(task, jobs)


SWEEPS = (((False, 0.0), (True, 0.0)), ((False, 0.12), (False, 0.24)))
"""The sweeps over the weights, those of a row side by side: whether the tier is only approached,
and what a strategy that the rows before lean on costs more, so that the alternatives come to differ
in kind."""


@dataclass(frozen=True, slots=True)
class _Sweep:
    """Settles a path for every weight; a value, so that it can be sent to another process."""

    lattice: Lattice
    approached: bool
    shunned: frozenset[str]
    shun: float

    def __call__(self) -> tuple[tuple[Settled, ...], Tally]:
        numbers = self.lattice.numbers
        if self.approached:
            numbers = replace(numbers, excess=numbers.excess * numbers.soft)
        lattice = self.lattice.fresh(numbers)
        settled: list[Settled] = []
        starts: set[Path] = set()
        for weight in numbers.lambdas:
            start = lattice.cheapest(weight, self.shunned, self.shun)
            if not lattice.out_of_time() and start not in starts:
                starts.add(start)
                settled.append(lattice.settle(start, weight, self.approached))
        return tuple(settled), lattice.tally


def _run_sweep(sweep: _Sweep) -> tuple[tuple[Settled, ...], Tally]:
    return sweep()


def _walk(lattice: Lattice, workers: int, step: Callable[[], None]) -> tuple[list[Settled], Tally]:
    """Settled paths of all sweeps, each once."""
    tally = Tally()
    found: dict[tuple[Edit, ...], Settled] = {}
    for row in SWEEPS:
        leaned = _leaned_on(list(found.values()))
        sweeps = [
            _Sweep(lattice, approached, leaned if shun else frozenset(), shun)
            for approached, shun in row
        ]
        for settled, counts in _side_by_side(_run_sweep, sweeps, workers):
            tally.add(counts)
            for one in settled:
                found.setdefault(one.edits, one)
            step()
    return list(found.values()), tally


def _leaned_on(paths: Sequence[Settled]) -> frozenset[str]:
    """Strategies used in most of the paths."""
    counts: dict[str, int] = {}
    for one in paths:
        for name in {edit.strategy for edit in one.edits}:
            counts[name] = counts.get(name, 0) + 1
    return frozenset(name for name, n in counts.items() if n * 2 > len(paths))


def _select(
    lattice: Lattice,
    settled: Sequence[Settled],
    part: Part,
    shift: int,
    count: int,
    numbers: SearchSettings,
) -> tuple[tuple[Choice, ...], Candidate | None]:
    """Chooses among the settled paths; faults are counted once more with the whole part performed
    for those chosen, and one that turns out to have some is replaced by the next."""
    first, last = lattice.first + shift, lattice.last + shift
    before = Passage(part, first, last)
    source = _bar_ids(part, first, last)
    original = lattice.passage_reading(lattice.part)
    pool: list[Candidate] = []
    for one in settled:
        edits = tuple(moved(edit, shift) for edit in one.edits)
        if not edits:
            continue
        new = part.apply_all(edits)
        pool.append(
            Candidate(
                new,
                edits,
                _bar_ids(new, first, last),
                distance(before, before.of(new)),
                one.reading,
                one.reading.within,
                one.reading.faults,
            )
        )
    pool.sort(key=rank_key)
    checked: dict[int, int] = {}
    playable = [
        c
        for c in pool
        if c.faults == 0 and c.reading.difficulty < original.difficulty
    ]
    while True:
        choices = choose(playable, source, count, numbers.near_copy)
        bad = None
        for choice in choices:
            key = id(choice.candidate.part)
            if key not in checked:
                checked[key] = _faults_inside(
                    choice.candidate.part, lattice.player, first, last
                )
            if checked[key]:
                bad = choice.candidate
                break
        if bad is None:
            break
        playable = [c for c in playable if c is not bad]
    nearest = pool[0] if pool else None
    return choices, nearest


def _bar_ids(part: Part, first: int, last: int) -> tuple[frozenset[NoteId], ...]:
    return tuple(frozenset(n.id for n in row) for row in part.notes_by_bar[first : last + 1])


def _faults_inside(part: Part, player: Player, first: int, last: int) -> int:
    """Faults of bars first..last when the whole part is performed, joins left out."""
    low, high = part.bars[first].onset, part.bars[last].end
    performance = perform(part, player)
    return len(split_faults(performance, find_faults(performance), low, high)[0])
