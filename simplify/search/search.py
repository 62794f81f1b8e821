"""Searches a passage for rewrites that a player can take, and says why it stopped."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from typing import TypeVar

from simplify.distance import distance
from simplify.harp.player import Player
from simplify.score.model import Edit, NoteId, Part, Passage
from simplify.search.lattice import Lattice, Path, Settled, Weights, cut_columns, moved
from simplify.search.ranking import Candidate, Choice, choose, rank_key
from simplify.search.reading import Reading, read_bars
from simplify.search.settings import SearchSettings, settings
from simplify.search.variants import Column, Tally, Variant, column_of, grow_variants
from simplify.sense import slips
from simplify.strategy import Keeps, Strategy, broken_promises

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
    steps = len(columns) + len(SWEEPS)
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
    lattice = Lattice(inner, start, end, player, numbers, spans, grown, keeps, until)
    settled = _walk(lattice, replace(task, until=until), step)
    tally.add(lattice.tally)
    choices, nearest = _select(lattice, settled, part, shift, count, keeps)
    if may_widen and not choices:
        return widened()
    original = lattice.passage_reading(inner)
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
    return Found(original, original.faults, choices, nearest, stopped, usage, tally.readings)


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


SWEEPS = ((1.0, 0.0, 1), (1.0, 0.0, 1), (0.0, 0.0, 2), (1.0, 0.12, 2), (1.0, 0.24, 2))
"""The sweeps over the weights: how much of the weight of excess counts (0: the soft share, where
the tier is only approached), what a strategy that the sweeps before lean on costs more, so that the
alternatives come to differ in kind, and of how many weights one is taken. Before the second the
columns are grown anew beside what the first has found."""


def _walk(lattice: Lattice, grow: _Task, step: Callable[[], None]) -> list[Settled]:
    """Settled paths of all sweeps, each once, and softened where they are within the rules."""
    numbers = lattice.numbers
    for _ in range(numbers.regrowths):
        best = lattice.settle(Weights(numbers.lambdas[0], numbers.excess))
        if lattice.out_of_time() or lattice.read(best).within:
            break
        if not lattice.regrow(best, grow, lattice.over(best)):
            break
    found: dict[Path, None] = {}
    for n, (share, shun, every) in enumerate(SWEEPS):
        leaned = _leaned_on([lattice.edits(path) for path in found]) if shun else frozenset()
        excess = numbers.excess * (share or numbers.soft)
        if n == 1:
            near = _nearest(lattice, found)
            if not near or not lattice.regrow(near[0], grow, lattice.changed(near[0])):
                step()
                continue
        for weight in numbers.lambdas[::every]:
            if lattice.out_of_time() and found:
                break
            path = lattice.settle(Weights(weight, excess, leaned, shun))
            found.setdefault(path)
            if lattice.read(path).within:
                found.setdefault(lattice.soften(path))
        step()
    for path in _nearest(lattice, found)[: numbers.trimmed]:
        found.setdefault(lattice.drop_steps(path))
    return [Settled(lattice.edits(path), lattice.read(path)) for path in found]


def _nearest(lattice: Lattice, paths: Iterable[Path]) -> list[Path]:
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
) -> tuple[tuple[Choice, ...], Candidate | None]:
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
        choices = choose(playable, source, count, lattice.numbers.near_copy)
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
    return choices, pool[0] if pool else None


def _bar_ids(part: Part, first: int, last: int) -> tuple[frozenset[NoteId], ...]:
    return tuple(frozenset(n.id for n in row) for row in part.notes_by_bar[first : last + 1])
