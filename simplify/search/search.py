"""Searches a passage for rewrites that a player can take, and says why it stopped."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace

from simplify.distance import distance
from simplify.harp.player import Player
from simplify.score.model import NoteId, Part, Passage
from simplify.search.lattice import Lattice, Path, Settled, cut_columns, moved
from simplify.search.ranking import Candidate, Choice, choose, rank_key
from simplify.search.reading import Reading, split_faults
from simplify.search.settings import SearchSettings, settings
from simplify.search.variants import Column, Tally, Variant, column_of, grow_variants
from simplify.strategy import Keeps, Strategy
from simplify.technique.perform import perform
from simplify.technique.playability import find_faults

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
    steps = len(columns) + len(SWEEPS) * len(numbers.lambdas)
    done = 0

    def step() -> None:
        nonlocal done
        done += 1
        if progress is not None:
            progress(min(done, steps), steps)

    tally = Tally()
    grown: list[tuple[Variant, ...]] = []
    for variants, counts in _grow_all(task, columns, workers):
        grown.append(variants)
        tally.add(counts)
        step()
    lattice = Lattice(inner, start, end, player, numbers, spans, grown, task, keeps, until)
    candidates = _walk(lattice, step)
    tally.add(lattice.tally)
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


def _grow_all(
    task: _Task, columns: Sequence[Column], workers: int
) -> Iterator[tuple[tuple[Variant, ...], Tally]]:
    """Variants of every column, in order."""
    if workers <= 1 or len(columns) <= 1:
        yield from map(task, columns)
        return
    with ProcessPoolExecutor(max_workers=min(workers, len(columns))) as pool:
        yield from pool.map(task, columns)


SWEEPS = ((False, 0.0), (True, 0.0), (False, 0.12), (False, 0.24))
"""The sweeps over the weights, in order: whether the tier is only approached, and what a strategy
that the paths so far lean on costs more, so that the alternatives come to differ in kind."""


def _walk(lattice: Lattice, step: Callable[[], None]) -> list[Settled]:
    """Settled paths of all sweeps, each once."""
    strict = lattice.numbers
    soft = replace(strict, excess=strict.excess * strict.soft)
    settled: dict[Path, Settled] = {}
    starts: set[tuple[bool, Path]] = set()
    for approached, shun in SWEEPS:
        shunned = _leaned_on(lattice, list(settled.values())) if shun else frozenset()
        lattice.numbers = soft if approached else strict
        for weight in strict.lambdas:
            start = lattice.cheapest(weight, shunned, shun)
            if not lattice.out_of_time() and (approached, start) not in starts:
                starts.add((approached, start))
                found = lattice.settle(start, weight, approached)
                settled.setdefault(found.path, found)
            step()
    lattice.numbers = strict
    return list(settled.values())


def _leaned_on(lattice: Lattice, paths: Sequence[Settled]) -> frozenset[str]:
    """Strategies used in most of the paths."""
    counts: dict[str, int] = {}
    for one in paths:
        for name in {edit.strategy for edit in lattice.edits(one.path)}:
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
        edits = tuple(moved(edit, shift) for edit in lattice.edits(one.path))
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
        if (c.faults == 0 and c.reading.difficulty < original.difficulty and c.distance.total > 0)
        or (c.faults == 0 and c.reading.difficulty < original.difficulty)
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
