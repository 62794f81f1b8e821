"""The search beside plainer ways of rewriting, on short passages of music21's corpus.

    python -m tests.benchmarks.rewrite_rivals [--tier amateur] [--bars 2] [--only NAME]
        [--what exhaustive,plain,random,nsga,ablation] [--passages N]
        [--corpus FOLDER] [--cases] [--strategies NAME,NAME]

exhaustive: every combination of the best edits of one bar, read in full, against the search on that
bar; plain: only leaving notes out and shifting octaves, with the same search: its hypervolume as a
share of ours, and the share of its front that ours is at least as near and as easy as; random: the
same for random thinnings; nsga: NSGA-II (pymoo; Deb et al. 2002) over the same edits with ten times
our processor time; ablation: hypervolume lost when a strategy that the front uses is taken away,
of those named only. With --corpus the passages are the excerpts in that folder, each for the tier
below the one that its manifest gives; with --cases they are the strategies' own worked examples,
each for its tier or the next lower that it is too much for.

Everything is compared by front: distance against difficulty, each rewrite read by itself, the
original as the worst point, faults counted as no rewrite. Hypervolume is the area between a front
and (0.75, difficulty of the original). Prints a row a passage, then medians with their numbers.
"""

from __future__ import annotations

import argparse
import random
import statistics
import time
import tomllib
from collections.abc import Iterator, Sequence
from itertools import combinations
from pathlib import Path

import numpy as np

from simplify.api import passages_over
from simplify.distance import distance
from simplify.errors import EditError
from simplify.harp.player import Player, tier_names, tier_player
from simplify.score.model import Edit, Part, Passage, changed
from simplify.score.read import open_score, select_part
from simplify.score.text import parse_passage
from simplify.search.reading import read_bars
from simplify.search.search import Found, search
from simplify.strategy import Case, Keeps, Strategy, proposals
from simplify.technique.perform import perform
from simplify.technique.playability import find_faults
from strategies import ALL
from tests.benchmarks.real_music import PIECES, file_of

Point = tuple[float, float]
"""(distance, difficulty / 100)."""


def hypervolume(points: Sequence[Point], worst: Point) -> float:
    """Area between the front of the points and the worst point."""
    total, ceiling = 0.0, worst[1]
    for x, y in sorted(points):
        if x < worst[0] and y < ceiling:
            total += (worst[0] - x) * (ceiling - y)
            ceiling = y
    return total


def points_of(found: Found, part: Part, first: int, last: int, player: Player) -> list[Point]:
    """The front that a search found, each rewrite read by itself."""
    points = []
    for candidate in found.front:
        reading = read_bars(candidate.part.window(first, last), player)
        if not reading.faults:
            points.append((candidate.distance.total, reading.difficulty / 100.0))
    return points


def _leave_out(passage: Passage, player: Player) -> list[Edit]:
    return [
        Edit(frozenset(strike.notes), (), "left out")
        for strike in passage.strikes
        if all(passage.first <= passage.part.by_id[i].bar <= passage.last for i in strike.notes)
    ]


def _octaves(passage: Passage, player: Player) -> list[Edit]:
    found = []
    for note in passage.notes:
        if note.tie_in or note.tie_out:
            continue
        for shift in (-1, 1):
            moved = note.pitch.__class__(
                note.pitch.step, note.pitch.alter, note.pitch.octave + shift
            )
            if player.harp.strings_for(moved):
                new = changed(note, pitch=moved)
                if new.id in passage.part.by_id:
                    continue
                found.append(Edit(frozenset({note.id}), (new,), "an octave away"))
    return found


_CASES = (Case("4/4 | C5:4", "4/4 | -"), Case("4/4 | -", None))
PLAIN = (
    Strategy("leave_out", "a note left out", Keeps.NOTHING, _leave_out, _CASES),
    Strategy("octave", "a note an octave away", Keeps.NOTHING, _octaves, _CASES),
)


def point(part: Part, passage: Passage, edits: Sequence[Edit], player: Player) -> Point | None:
    """What these edits make of a passage; None if they don't fit together or leave a fault."""
    try:
        new = part.apply_all(edits)
    except EditError:
        return None
    reading = read_bars(new.window(passage.first, passage.last), player)
    if reading.faults:
        return None
    return distance(passage, passage.of(new)).total, reading.difficulty / 100.0


def offered(passage: Passage, player: Player) -> list[Edit]:
    """Every edit that a strategy offers for a passage."""
    return [edit for strategy in ALL for edit in proposals(strategy, passage, player)]


def exhaustive(part: Part, bar: int, player: Player, most: int, size: int) -> list[Point]:
    """All playable combinations of up to `size` of the `most` edits that ease the bar most, taken
    one by one."""
    passage = Passage(part, bar, bar)
    rated = []
    for i, edit in enumerate(offered(passage, player)):
        reading = read_bars(part.apply(edit).window(bar, bar), player)
        rated.append((reading.difficulty + 100.0 * reading.faults, i, edit))
    best = [edit for _, _, edit in sorted(rated, key=lambda row: row[:2])[:most]]
    found: list[Point] = []
    for n in range(1, size + 1):
        for chosen in combinations(best, n):
            if not any(a.clashes(b) for a, b in combinations(chosen, 2)):
                made = point(part, passage, chosen, player)
                found += [made] if made is not None else []
    return found


def nsga(part: Part, passage: Passage, player: Player, seconds: float, seed: int) -> list[Point]:
    """What NSGA-II finds in so many processor seconds: a bit for every edit that is offered bar by
    bar; of edits that clash the first counts."""
    from pymoo.algorithms.moo.nsga2 import NSGA2
    from pymoo.core.problem import ElementwiseProblem
    from pymoo.operators.crossover.pntx import TwoPointCrossover
    from pymoo.operators.mutation.bitflip import BitflipMutation

    began = time.process_time()
    edits = [
        edit
        for bar in range(passage.first, passage.last + 1)
        for edit in offered(Passage(part, bar, bar), player)
    ]
    if not edits:
        return []
    found: list[Point] = []
    hard = read_bars(part.window(passage.first, passage.last), player).difficulty / 100.0

    class Rewriting(ElementwiseProblem):  # type: ignore[misc]
        def __init__(self) -> None:
            super().__init__(n_var=len(edits), n_obj=2, xl=0, xu=1, vtype=bool)

        def _evaluate(self, x: object, out: dict[str, object], *args: object, **_: object) -> None:
            chosen: list[Edit] = []
            for at in np.flatnonzero(np.asarray(x)).tolist():
                if not any(edits[at].clashes(other) for other in chosen):
                    chosen.append(edits[at])
            made = point(part, passage, chosen, player) if chosen else (0.0, hard)
            if made is not None and chosen:
                found.append(made)
            out["F"] = made or (1.0, 1.0)

    shares = np.linspace(0.02, 0.3, 40)[:, None]
    start = np.random.default_rng(seed).random((40, len(edits))) < shares
    algorithm = NSGA2(
        pop_size=40, sampling=start, crossover=TwoPointCrossover(), mutation=BitflipMutation(),
        eliminate_duplicates=True,
    )
    algorithm.setup(Rewriting(), termination=("n_gen", 10_000), seed=seed, verbose=False)
    while algorithm.has_next() and time.process_time() - began < seconds:
        algorithm.next()
    return found


def thinned(part: Part, passage: Passage, player: Player, count: int, seed: int) -> list[Point]:
    """Random thinnings of a passage: a random share of its strikes left out; those with faults are
    counted as no easier than the original."""
    generator = random.Random(seed)
    points = []
    hard = read_bars(part.window(passage.first, passage.last), player).difficulty / 100.0
    for _ in range(count):
        share = generator.uniform(0.05, 0.7)
        gone = frozenset(
            i
            for strike in passage.strikes
            if generator.random() < share
            for i in strike.notes
            if passage.first <= part.by_id[i].bar <= passage.last
        )
        if not gone:
            continue
        new = part.apply(Edit(gone, (), "random"))
        reading = read_bars(new.window(passage.first, passage.last), player)
        easier = hard if reading.faults else reading.difficulty / 100.0
        points.append((distance(passage, passage.of(new)).total, easier))
    return points


def dominated(points: Sequence[Point], ours: Sequence[Point]) -> float:
    """Share of the points that one of ours is at least as good as in both ways."""
    beaten = sum(any(x <= a and y <= b for x, y in ours) for a, b in points)
    return beaten / len(points) if points else 1.0


def passages(
    options: argparse.Namespace
) -> Iterator[tuple[str, Part, int, int, Player]]:
    """(piece, part, first bar, last bar, player): the first passages of every piece that are over
    the tier, cut to the first bars, as many as asked for, that by themselves are over it, too; with
    --corpus the excerpts of that folder whole, each for the tier below the one it is meant for;
    with --cases the strategies' worked examples that fire, by the name of the strategy."""
    if options.cases:
        for strategy in ALL:
            for case in strategy.cases:
                if case.after is not None and options.only in strategy.name:
                    shown = parse_passage(case.before)
                    bars = shown.part.window(shown.first, shown.last)
                    tiers = tier_names()[: tier_names().index(case.tier) + 1]
                    hard = [t for t in tiers if not read_bars(bars, tier_player(t)).within]
                    if hard:
                        player = tier_player(hard[-1])
                        yield strategy.name, shown.part, shown.first, shown.last, player
        return
    if options.corpus:
        manifest = Path(options.corpus) / "manifest.toml"
        for row in tomllib.loads(manifest.read_text("utf-8"))["excerpt"]:
            below = tier_names().index(row["tier"]) - 1
            if options.only in row["file"] and below >= 0:
                part = select_part(open_score(str(manifest.with_name(row["file"]))), None).part
                yield row["file"], part, 0, len(part.bars) - 1, tier_player(tier_names()[below])
        return
    player = tier_player(options.tier)
    for name, wanted in PIECES:
        if options.only not in name:
            continue
        score = open_score(str(file_of(name)))
        choices = [c.name for c in score.candidates]
        if wanted is not None and wanted not in choices:
            wanted = next((c for c in choices if wanted.lower() in c.lower()), wanted)
        part = select_part(score, wanted).part
        performance = perform(part, player)
        found = passages_over(performance, find_faults(performance))
        for first, last in found[: options.passages]:
            for at in range(first, max(first, last - options.bars + 1) + 1):
                end = min(last, at + options.bars - 1)
                if not read_bars(part.window(at, end), player).within:
                    yield name, part, at, end, player
                    break


def main() -> None:
    """Prints the comparison."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--tier", default="amateur")
    parser.add_argument("--bars", type=int, default=2)
    parser.add_argument("--only", default="")
    parser.add_argument("--what", default="exhaustive,plain,random,nsga,ablation")
    parser.add_argument("--passages", type=int, default=1)
    parser.add_argument("--random", type=int, default=60)
    parser.add_argument("--edits", type=int, default=20)
    parser.add_argument("--size", type=int, default=4)
    parser.add_argument("--corpus", default="")
    parser.add_argument("--cases", action="store_true")
    parser.add_argument("--strategies", default="")
    options = parser.parse_args()
    asked = set(filter(None, options.strategies.split(",")))
    sums: dict[str, list[float]] = {what: [] for what in options.what.split(",")}
    areas: dict[str, list[float]] = {"plain": [], "random": []}
    lost: dict[str, list[float]] = {}
    for name, part, first, last, player in passages(options):
        passage = Passage(part, first, last)
        worst = (0.75, read_bars(part.window(first, last), player).difficulty / 100.0)
        began = time.process_time()
        ours = points_of(search(part, first, last, player, ALL), part, first, last, player)
        spent = time.process_time() - began
        area = hypervolume(ours, worst)
        words = [f"hypervolume {area:.3f} in {spent:.1f} s"]
        if "exhaustive" in sums:
            bar = (0.75, read_bars(part.window(first, first), player).difficulty / 100.0)
            every = exhaustive(part, first, player, options.edits, options.size)
            best = hypervolume(every, bar)
            if len(every) >= 50 and best > 0.0:
                found = search(part, first, first, player, ALL)
                one = hypervolume(points_of(found, part, first, first, player), bar)
                sums["exhaustive"].append(one / best)
                words.append(f"one bar against all {len(every)} combinations {one / best:.3f}")
        if "plain" in sums:
            plain = points_of(search(part, first, last, player, PLAIN), part, first, last, player)
            if plain and area > 0.0:
                sums["plain"].append(dominated(plain, ours))
                areas["plain"].append(hypervolume(plain, worst) / area)
                words.append(
                    f"plain {areas['plain'][-1]:.3f} of ours, dominated {sums['plain'][-1]:.2f}"
                )
        if "random" in sums:
            chance = thinned(part, passage, player, options.random, seed=1)
            if area > 0.0:
                sums["random"].append(dominated(chance, [*ours, (0.0, worst[1])]))
                areas["random"].append(hypervolume(chance, worst) / area)
                words.append(
                    f"random {areas['random'][-1]:.3f} of ours, dominated {sums['random'][-1]:.2f}"
                )
        if "nsga" in sums:
            other = hypervolume(nsga(part, passage, player, 10.0 * spent, seed=1), worst)
            if area > 0.0 or other > 0.0:
                sums["nsga"].append(other / area if area else 2.0)
                words.append(f"NSGA-II {other:.3f}, of ours {sums['nsga'][-1]:.3f}")
        if "ablation" in sums and area > 0.0:
            used = {edit.strategy for c in search(part, first, last, player, ALL).front
                    for edit in c.edits}
            for taken in sorted(used & asked if asked else used):
                rest = [s for s in ALL if s.name != taken]
                found = search(part, first, last, player, rest)
                left = hypervolume(points_of(found, part, first, last, player), worst)
                lost.setdefault(taken, []).append(1.0 - left / area)
        bars = f"{part.bars[first].number}-{part.bars[last].number}"
        print(f"{name:34s} bars {bars}: {'; '.join(words)}", flush=True)
    for what, values in sums.items():
        if values:
            print(
                f"{what}: {len(values)} passages, median {statistics.median(values):.3f}, mean"
                f" {statistics.mean(values):.3f}, least {min(values):.3f}, most {max(values):.3f}"
            )
    for what, values in areas.items():
        if values:
            less = sum(value < 1.0 for value in values)
            print(
                f"{what}: less hypervolume than ours on {less} of {len(values)} passages, of ours"
                f" median {statistics.median(values):.3f}, most {max(values):.3f}"
            )
    for taken, losses in sorted(lost.items(), key=lambda row: -statistics.mean(row[1])):
        print(
            f"without {taken}: {statistics.mean(losses):+.3f} lost on {len(losses)} passages,"
            f" most {max(losses):+.3f}"
        )


if __name__ == "__main__":
    main()
