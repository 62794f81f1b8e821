"""Searches a passage for rewrites that a player can take, and says why it stopped."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from operator import ne

from simplify.distance import distance
from simplify.figures import unlike
from simplify.harp.player import Player
from simplify.realise.bar import Basis, Rows, basis_of
from simplify.realise.edit import written_anew
from simplify.score.model import Edit, Part, Passage
from simplify.search.asked import Asked, Known, Price, Question
from simplify.search.ease import ease
from simplify.search.give_alike import give_alike
from simplify.search.give_back import give_back
from simplify.search.grow import Grown, grow_variants
from simplify.search.lattice import Lattice, Path, Settled, Way, cut_columns, moved
from simplify.search.ranking import Candidate, Choice, Worth, choose, rank_key, written_bars
from simplify.search.reading import Reading, read_bars
from simplify.search.settings import SearchSettings, settings
from simplify.search.touch import Touching
from simplify.search.trade import trade
from simplify.search.variants import Tally, Weights, views_of
from simplify.sense import slips
from simplify.strategy import Keeps, Strategy, broken_promises

Progress = Callable[[int, int], None]
"""Called with (steps done, steps in all)."""

EASINGS: tuple[tuple[Mapping[str, int], bool], ...] = (
    ({}, True), ({"tune": 0}, False), ({"pace": 3}, False)
)
"""For each easing of a passage how far dials may go, and whether bars of one figure go together."""

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
    steps = len(spans) + len(EASINGS) + 7
    done = 0

    def step() -> None:
        nonlocal done
        done += 1
        if progress is not None:
            progress(min(done, steps), steps)

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

    lattice = Lattice(inner, start, end, player, numbers, spans, keeps, until)
    basis = basis_of(inner, player.harp)
    team = _Team(lattice, tuple(strategies), basis, _share(until, 0.5))
    seeds: list[Path] = []
    even: list[Path] = []

    def taken(results: Iterator[_Result]) -> None:
        for result in results:
            step()
            if isinstance(result, _Eased):
                lattice.tally.readings += result.readings
                paths = [lattice.enter(way) for way in result.ways]
                seeds.extend(path for path in paths[-1:] if path not in seeds)
                even.extend(paths[-1:] if result.even else ())
            elif isinstance(result, Grown):
                lattice.take(result)

    eases = [_Ease(promises, even) for promises, even in EASINGS]
    taken(_side_by_side(team, eases[:2], workers))
    beside = min(seeds, key=lattice.need, default=lattice.written)
    asking = lattice.asking(seeds)
    taken(_side_by_side(team, [*eases[2:], *(_Grow(beside, at) for at in asking)], workers))
    if may_widen and any(lattice.stuck(at) for at in asking):
        return widened()
    settled = _walk(replace(team, until=_share(until, 0.5)), workers, step, seeds, even)
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


def _share(until: float | None, part: float) -> float | None:
    now = time.monotonic()
    return None if until is None else now + part * max(0.0, until - now)


def _side_by_side(team: _Team, jobs: Sequence[_Job], workers: int) -> Iterator[_Result]:
    """The jobs done, in order, in up to `workers` processes."""
    if workers <= 1 or len(jobs) <= 1:
        yield from map(replace(team, lattice=team.lattice.copy()), jobs)
        return
    pool = ProcessPoolExecutor(min(workers, len(jobs)), initializer=_adopt, initargs=(team,))
    with pool:
        yield from pool.map(_adopted, jobs)


_teams: list[_Team] = []
"""In a process of a pool: the team, which came with the process instead of with every job."""


def _adopt(team: _Team) -> None:
    _teams[:] = [team]


def _adopted(job: _Job) -> _Result:
    return _teams[0](job)


@dataclass(frozen=True, slots=True)
class _Team:
    """Does jobs on copies of a lattice as it stands; a value, so that it can be sent to another
    process, and so that it is no matter which process does which job. known: of touches, from the
    rounds before."""

    lattice: Lattice
    strategies: tuple[Strategy, ...]
    basis: Basis
    until: float | None
    known: Known = field(default_factory=dict)

    def __call__(self, job: _Job) -> _Result:
        return job.done(self)


@dataclass(frozen=True, slots=True)
class _Eased:
    """What was tried while a passage was eased; the last is how far it came. readings: of the
    whole passage; even: whether bars of one figure were eased alike."""

    ways: tuple[Way, ...]
    readings: int
    even: bool


@dataclass(frozen=True, slots=True)
class _Walked:
    """What a walk brings. paths: where it came out, as far as their variants are known to all;
    readings: of the same kind of paths; settled: what is worth showing; known: what was found out
    of touches."""

    paths: tuple[Path, ...]
    readings: dict[Path, Reading]
    settled: tuple[Settled, ...]
    tally: Tally
    ways: tuple[Way, ...]
    known: Known = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Ease:
    """Eases the passage by writing its bars anew, as much as each needs for the whole to come
    within the tier. promises: how far a dial may go at most; even: whether bars of one figure are
    eased alike."""

    promises: Mapping[str, int]
    even: bool

    def done(self, team: _Team) -> _Eased:
        """What was tried on the way."""
        lattice = team.lattice.copy()
        span, player = (lattice.first, lattice.last), lattice.player
        rows = Rows(team.basis, player, span)
        eased = ease(
            team.basis, player, promises=self.promises, keeps=lattice.keeps, span=span,
            rows=rows, until=team.until, even=self.even,
        )
        bars = range(span[0], span[1] + 1)
        final = eased.dials[span[0] : span[1] + 1]
        visited = dict(eased.visited)
        last = visited.pop(final)
        ways = []
        for dials, reading in (*visited.items(), (final, last)):
            edits = written_anew(rows, dict(zip(bars, dials, strict=True)), lattice.spans)
            way = None if edits is None else lattice.ready(
                [() if edit is None else (edit,) for edit in edits], reading
            )
            if way is not None:
                ways.append(way)
        return _Eased(tuple(ways), eased.rounds, self.even)


@dataclass(frozen=True, slots=True)
class _Grow:
    """Grows a column's variants among its neighbours as a path has them."""

    path: Path
    at: int

    def done(self, team: _Team) -> Grown:
        """The variants."""
        lattice = team.lattice
        column = lattice.column_beside(self.path, self.at)
        return grow_variants(
            column, self.at, lattice.player, team.strategies, lattice.keeps, lattice.numbers,
            team.until, lattice.effects[self.at] or None,
        )


@dataclass(frozen=True, slots=True)
class _Sweep:
    """One walk of the lattice: soften a path, trim it and touch it up; or fill the front
    with so many paths; or sweep over the strains' weights with a share of the weight of excess
    (small: the tier is only approached) and some strategies shunned. first: what the second round
    goes on from, so a path is softened only, and what a sweep finds is not; thorough: a path is
    touched up until hardly anything more can be had."""

    soften: Path | None = None
    fill: int = 0
    share: float = 1.0
    shunned: frozenset[str] = frozenset()
    shun: float = 0.0
    first: bool = False
    thorough: bool = False

    def done(self, team: _Team) -> _Walked:
        """What it comes to."""
        lattice = team.lattice.copy()
        before, sizes = lattice.known(), [len(column) for column in lattice.variants]
        found: list[Path] = []
        ways: list[Way] = []
        asked = Asked(team.known)
        if self.soften is not None:
            found = [lattice.soften(self.soften)]
            if not self.first:
                found.append(lattice.trim(found[-1]))
                ways = _touched_up(lattice, team.basis, found[-1], asked, self.thorough)
        elif self.fill:
            lattice.fill(self.fill)
        else:
            found = _sweep(lattice, self.share, self.shunned, self.shun)
            if not self.first:
                found += [lattice.soften(path) for path in _nearest(lattice, found)[:1]]

        def shared(path: Path) -> bool:
            return all(at < size for at, size in zip(path, sizes, strict=True))

        fresh = {path: r for path, r in lattice.known().items() if path not in before}
        return _Walked(
            tuple(path for path in found if shared(path)),
            {path: reading for path, reading in fresh.items() if shared(path)},
            tuple(lattice.worth_showing(found, fresh)),
            lattice.tally,
            tuple(ways),
            asked.fresh,
        )


@dataclass(frozen=True, slots=True)
class _GiveAlike:
    """Gives notes back to a path within the rules, in all bars of a figure or in none. What comes
    of it is shown, and not mixed with other paths, which would break the figures up again."""

    path: Path

    def done(self, team: _Team) -> _Walked:
        """What it comes to."""
        lattice = team.lattice.copy()
        touching = Touching(lattice, team.basis, self.path)
        give_alike(touching, lattice.numbers.gifts)
        way = touching.way()
        found = [] if way is None else [lattice.enter(way)]
        return _Walked((), {}, tuple(lattice.worth_showing(found, {})), lattice.tally, ())


_Job = _Ease | _Grow | _Sweep | _GiveAlike
_Result = _Eased | Grown | _Walked


def _walk(
    team: _Team, workers: int, step: Callable[[], None], seeds: Sequence[Path],
    even: Sequence[Path],
) -> list[Settled]:
    """Settled paths of all sweeps, softened where they are within the rules.

    Where easing did not reach the tier, columns that no variant eases enough are first grown anew
    beside the best path so far. Then come the first sweep and the softening of what was eased.
    After that the two nearest paths so far that are unlike are softened further and touched up,
    what comes of that enters the lattice, where the one is mixed with the other, and so on as long
    as that is clearly nearer; beside these rounds go the other sweeps, and notes are given back to
    those eased evenly (`even`). When that brings nothing more, a few paths that are unlike are
    touched up thoroughly, in rounds as before, each path once: where touching up comes
    out hangs on where it begins. Each job knows what was known before its round.
    """
    lattice = team.lattice
    numbers = lattice.numbers
    first = views_of(numbers)[0]
    for _ in range(numbers.regrowths):
        if any(lattice.read(path).within for path in seeds) or lattice.out_of_time():
            break
        best = lattice.settle(first)
        if lattice.read(best).within:
            break
        fresh = False
        for grown in _side_by_side(team, [_Grow(best, at) for at in lattice.over(best)], workers):
            if isinstance(grown, Grown):
                fresh |= lattice.take(grown)
        if not fresh:
            break
    found = list(dict.fromkeys(seeds))
    settled: list[Settled] = []
    ways: list[Way] = []

    known: dict[Question, Price | None] = {}
    team = replace(team, known=known)

    def walked(jobs: Sequence[_Sweep | _GiveAlike]) -> None:
        fresh: list[Known] = []
        for result in _side_by_side(team, jobs, workers):
            if isinstance(result, _Walked):
                lattice.learn(result.readings)
                lattice.tally.add(result.tally)
                found.extend(path for path in result.paths if path not in found)
                settled.extend(result.settled)
                ways.extend(result.ways)
                fresh.append(result.known)
        for one in fresh:  # only now: a job must not know what another of its round found out
            known.update(one)
        step()

    def entered() -> list[Path]:
        """What was touched up, in the lattice."""
        paths = [lattice.enter(way) for way in ways]
        found.extend(path for path in paths if path not in found)
        ways.clear()
        return paths

    eased = _nearest(lattice, found)
    walked([_Sweep(first=True), *(_Sweep(soften=path, first=True) for path in eased)])
    leaned = _leaned_on([lattice.edits(path) for path in _nearest(lattice, found) or found])
    others: list[_Sweep | _GiveAlike] = [
        _GiveAlike(path) for path in even if lattice.read(path).within and any(path)
    ]
    others += [_Sweep(share=numbers.soft), _Sweep(fill=numbers.filled)]
    others += [_Sweep(shunned=leaned, shun=shun) for shun in numbers.shuns]
    given: list[Path] = []
    spent: set[Path] = set()
    for thorough in (False, True):
        before = float("inf")
        for _ in range(numbers.returns):
            most = numbers.softened if others else numbers.softened_alone
            near = _unlike(
                _nearest(lattice, found), numbers.softened_thorough if thorough else most,
                numbers.elsewhere,
            )
            effort = min(map(lattice.effort, near), default=before)
            nearer, before = effort < before * (1.0 - numbers.nearer), effort
            if lattice.out_of_time() or not (nearer or others):
                break
            jobs = [
                _Sweep(soften=path, thorough=thorough, first=path in spent) for path in near
            ] if nearer else []
            if thorough:
                spent.update(near)
            count = numbers.beside if jobs else len(others)
            walked([*jobs, *others[:count]])
            del others[:count]
            given += entered()
    settled += lattice.worth_showing([*seeds, *given], {})
    return list({one.edits: one for one in settled}.values())


def _touched_up(
    lattice: Lattice, basis: Basis, path: Path, asked: Asked, thorough: bool
) -> list[Way]:
    """Nearer paths, from one within the rules, with notes of the source given back and traded."""
    numbers = lattice.numbers
    if not lattice.read(path).within or not any(path):
        return []
    touching = Touching(lattice, basis, path)
    give_back(touching, numbers.thorough if thorough else numbers.gifts, asked)
    given = touching.way()
    left = trade(touching, numbers.thorough if thorough else numbers.trades, asked)
    give_back(touching, left, asked)
    return list(dict.fromkeys(way for way in (given, touching.way()) if way is not None))


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


def _unlike(paths: Sequence[Path], count: int, columns: int) -> list[Path]:
    """The first of the paths, and so many that differ from those before in so many columns."""
    chosen: list[Path] = []
    for path in paths:
        if len(chosen) == count:
            break
        if all(sum(map(ne, path, other)) >= columns for other in chosen):
            chosen.append(path)
    return chosen


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
    source = written_bars(part, first, last)
    original = read_bars(part.window(first, last), lattice.player)
    pool: list[Candidate] = []
    for one in settled:
        edits = tuple(moved(edit, shift) for edit in one.edits)
        new = part.apply_all(edits)
        if broken_promises(before, before.of(new), keeps):
            continue
        pool.append(
            Candidate(
                new,
                edits,
                written_bars(new, first, last),
                one.distance,
                one.reading,
                one.reading.within,
                one.reading.faults,
                one.slips,
                unlike(before, before.of(new)),
            )
        )
    pool.sort(key=rank_key)
    numbers = lattice.numbers
    worth = Worth(numbers.slip, numbers.spotless, numbers.unlike, numbers.kinds)
    checked: set[int] = set()
    while True:
        playable = [
            c for c in pool if not c.faults and c.reading.difficulty < original.difficulty
        ]
        choices = choose(
            playable, source, count, numbers.near_copy, numbers.alike, worth
        )
        fresh = [c.candidate for c in choices if id(c.candidate.part) not in checked]
        if not fresh:
            break
        for candidate in fresh:
            reading = read_bars(candidate.part.window(first, last), lattice.player)
            at = next(i for i, c in enumerate(pool) if c is candidate)
            faults = max(candidate.faults, reading.faults)
            pool[at] = replace(
                candidate, reading=reading, within=reading.within, faults=faults,
                distance=distance(before, before.of(candidate.part)),
                slips=slips(before, before.of(candidate.part)),
            )
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
