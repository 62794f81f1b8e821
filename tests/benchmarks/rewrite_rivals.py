"""The search beside plainer ways of rewriting, on short passages of music21's corpus.

    python -m tests.benchmarks.rewrite_rivals [--tier amateur] [--bars 4] [--only NAME] [--random N]

(a) small windows: every combination of the best edits of one bar, read in full, against the search
    on that bar (hypervolume of distance and difficulty, the original as the worst point);
(b) the plain way: only leaving notes out and shifting octaves, with the same search;
(c) random note-dropping: the share of random thinnings that some alternative of ours dominates.

Prints a row a passage, then medians and shares with the number of passages.
"""

from __future__ import annotations

import argparse
import random
import statistics
from collections.abc import Sequence
from itertools import combinations

from simplify.api import passages_over
from simplify.distance import distance
from simplify.errors import EditError
from simplify.harp.player import Player, tier_player
from simplify.score.model import Edit, Part, Passage, changed
from simplify.score.read import open_score, select_part
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


def points_of(found: Found) -> list[Point]:
    """The alternatives of a search."""
    return [
        (c.candidate.distance.total, c.candidate.reading.difficulty / 100.0) for c in found.choices
    ]


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
                found.append(Edit(frozenset({note.id}), (new,), "an octave away"))
    return found


_CASES = (Case("4/4 | C5:4", "4/4 | -"), Case("4/4 | -", None))
PLAIN = (
    Strategy("leave_out", "a note left out", Keeps.NOTHING, _leave_out, _CASES),
    Strategy("octave", "a note an octave away", Keeps.NOTHING, _octaves, _CASES),
)


def exhaustive(part: Part, bar: int, player: Player, most: int, size: int) -> list[Point]:
    """(distance, difficulty) of all playable combinations of up to `size` of the `most` edits that
    ease the bar most, taken one by one."""
    window = part.window(max(0, bar - 1), min(len(part.bars) - 1, bar + 1))
    at = bar - max(0, bar - 1)
    passage = Passage(window, at, at)
    offered: list[tuple[float, Edit]] = []
    for strategy in ALL:
        for edit in proposals(strategy, passage, player):
            reading = read_bars(window.apply(edit).window(at, at), player)
            offered.append((reading.difficulty + 100.0 * reading.faults, edit))
    best = [edit for _, edit in sorted(offered, key=lambda row: row[0])[:most]]
    points: list[Point] = []
    for n in range(1, size + 1):
        for chosen in combinations(best, n):
            if any(a.clashes(b) for a, b in combinations(chosen, 2)):
                continue
            try:
                new = window.apply_all(chosen)
            except EditError:
                continue
            reading = read_bars(new.window(at, at), player)
            if not reading.faults:
                far = distance(passage, passage.of(new)).total
                points.append((far, reading.difficulty / 100.0))
    return points


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


def main() -> None:
    """Prints the comparison."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--tier", default="amateur")
    parser.add_argument("--bars", type=int, default=4)
    parser.add_argument("--only", default="")
    parser.add_argument("--random", type=int, default=60)
    parser.add_argument("--edits", type=int, default=9)
    parser.add_argument("--size", type=int, default=4)
    options = parser.parse_args()
    player = tier_player(options.tier)
    ratios, plain, chance = [], [], []
    for name, wanted in PIECES:
        if options.only not in name:
            continue
        score = open_score(str(file_of(name)))
        choices = [c.name for c in score.candidates]
        if wanted is not None and wanted not in choices:
            wanted = next((c for c in choices if wanted.lower() in c.lower()), wanted)
        part = select_part(score, wanted).part
        performance = perform(part, player)
        passages = passages_over(performance, find_faults(performance))
        if not passages:
            continue
        first = passages[0][0]
        last = min(passages[0][1], first + options.bars - 1)
        passage = Passage(part, first, last)
        original = read_bars(part.window(first, last), player)
        worst = (0.75, original.difficulty / 100.0)
        ours = points_of(search(part, first, last, player, ALL, count=12))
        simple = points_of(search(part, first, last, player, PLAIN, count=12))
        plain.append(dominated(simple, ours))
        random_points = thinned(part, passage, player, options.random, seed=1)
        chance.append(dominated(random_points, ours))
        one = points_of(search(part, first, first, player, ALL, count=12))
        every = exhaustive(part, first, player, options.edits, options.size)
        bar = read_bars(part.window(first, first), player).difficulty / 100.0
        best = hypervolume(every, (0.75, bar))
        ratios.append(hypervolume(one, (0.75, bar)) / best if best else 1.0)
        print(
            f"{name:34s} bars {part.bars[first].number}-{part.bars[last].number}:"
            f" hypervolume {hypervolume(ours, worst):.3f}, plain {hypervolume(simple, worst):.3f},"
            f" plain dominated {plain[-1]:.2f}, random dominated {chance[-1]:.2f};"
            f" one bar against all {len(every)} combinations {ratios[-1]:.3f}",
            flush=True,
        )
    if ratios:
        print(
            f"{len(ratios)} passages: exhaustive ratio median {statistics.median(ratios):.3f} worst"
            f" {min(ratios):.3f}; plain dominated {statistics.mean(plain):.2f}; random dominated"
            f" {statistics.mean(chance):.2f}"
        )


if __name__ == "__main__":
    main()
