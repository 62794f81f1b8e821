"""Every passage above a tier in the keyboard works of music21's corpus, rewritten for that tier.

    python -m tests.benchmarks.rewrite_proof [--tier amateur] [--only NAME] [--every N]
                                             [--workers N]

Prints a row a passage and then the sums: share brought within the tier, median distance, faults,
share of the melody's and of the bass's notes kept, and seconds of the search as a ratio to what
music21 took to parse the file just before it: processor seconds with one process, by the clock
with more. Last, for each strategy, in how many passages it is among the alternatives shown, and in
how many it is only elsewhere in the front. --every N takes each N-th passage only, from the
--start-th on, and the sums say of how many.
"""

from __future__ import annotations

import argparse
import statistics
import time
from collections import Counter
from dataclasses import dataclass

import music21

from simplify.api import passages_over
from simplify.harp.player import Player, tier_player
from simplify.score.harmony import harmonies
from simplify.score.lines import bass, melody
from simplify.score.model import Part, Passage
from simplify.score.read import open_score, select_part
from simplify.search.search import search
from simplify.technique.perform import perform
from simplify.technique.playability import find_faults
from strategies import ALL
from tests.benchmarks.real_music import PIECES, file_of


@dataclass(frozen=True)
class Row:
    """One passage: whether it came within the tier, at what distance, and what was kept."""

    within: bool
    distance: float
    faults: int
    melody: float
    bass: float
    bars: int
    seconds: float
    parse: float
    shown: frozenset[str]
    front: frozenset[str]


def kept_melody(before: Passage, after: Passage) -> float:
    """Share of the leading line's notes that are there at their onset with their pitch."""
    line = {(s.onset, s.pitch.midi) for s in melody(before)}
    sounds = {(s.onset, s.pitch.midi) for s in after.strikes}
    return len(line & sounds) / len(line) if line else 1.0


def kept_bass(before: Passage, after: Passage) -> float:
    """Share of the harmonies whose lowest strike keeps its pitch class."""
    kept = total = 0
    for harmony in harmonies(before):
        old = bass(before, harmony.onset, harmony.end)
        new = bass(after, harmony.onset, harmony.end)
        if old is not None:
            total += 1
            kept += new is not None and new.pitch.pitch_class == old.pitch.pitch_class
    return kept / total if total else 1.0


def measure(
    part: Part, first: int, last: int, player: Player, parse: float, workers: int
) -> Row | None:
    """Rewrites one passage; None if nothing playable came out."""
    clock = time.process_time if workers == 1 else time.perf_counter
    began = clock()
    found = search(part, first, last, player, ALL, count=5, workers=workers)
    spent = clock() - began
    if not found.choices:
        return None
    best = found.choices[0].candidate
    before = Passage(part, first, last)
    after = before.of(best.part)
    return Row(
        best.within, best.distance.total, best.faults, kept_melody(before, after),
        kept_bass(before, after), last - first + 1, spent, parse,
        frozenset().union(*(choice.candidate.kinds for choice in found.choices)),
        frozenset().union(*(candidate.kinds for candidate in found.front)),
    )


def main() -> None:
    """Prints the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--tier", default="amateur")
    parser.add_argument("--only", default="")
    parser.add_argument("--every", type=int, default=1)
    parser.add_argument("--start", type=int, default=0)
    parser.add_argument("--workers", type=int, default=1)
    options = parser.parse_args()
    player = tier_player(options.tier)
    rows: list[Row | None] = []
    for name, wanted in PIECES:
        if options.only not in name:
            continue
        path = file_of(name)
        score = open_score(str(path))
        choices = [c.name for c in score.candidates]
        if wanted is not None and wanted not in choices:
            wanted = next((c for c in choices if wanted.lower() in c.lower()), wanted)
        part = select_part(score, wanted).part
        performance = perform(part, player)
        passages = passages_over(performance, find_faults(performance))
        for first, last in passages[options.start :: options.every]:
            began = time.process_time()
            music21.converter.parse(path, forceSource=True)
            parse = time.process_time() - began
            row = measure(part, first, last, player, parse, options.workers)
            rows.append(row)
            bars = f"{part.bars[first].number}-{part.bars[last].number}"
            text = "nothing playable" if row is None else (
                f"{'within' if row.within else 'above '} distance {row.distance:.3f} "
                f"melody {row.melody:.2f} bass {row.bass:.2f} faults {row.faults} "
                f"{row.seconds:.1f} s x{row.seconds / row.parse:.0f}"
            )
            print(f"{path.stem[:26]:26s} bars {bars:9s} {text}", flush=True)
    done = [row for row in rows if row is not None]
    within = [row for row in done if row.within]
    print(
        f"{options.tier}: {len(rows)} passages, {len(within)} within"
        f" ({100 * len(within) / max(1, len(rows)):.0f} %), {len(rows) - len(done)} with nothing"
        f" playable, faults {sum(row.faults for row in done)}"
    )
    if within:
        print(
            f"of those within: median distance {statistics.median(r.distance for r in within):.3f},"
            f" melody {statistics.mean(r.melody for r in within):.2f},"
            f" bass {statistics.mean(r.bass for r in within):.2f},"
            f" median x{statistics.median(r.seconds / r.parse for r in done):.0f} of parse"
        )
        short = [row.seconds / row.parse for row in done if 4 <= row.bars <= 8]
        if short:
            print(f"of 4 to 8 bars: {len(short)}, median x{statistics.median(short):.0f} of parse")
    shown = Counter(name for row in done for name in row.shown)
    front = Counter(name for row in done for name in row.front - row.shown)
    for name in sorted((s.name for s in ALL), key=lambda name: (-shown[name], -front[name], name)):
        print(f"{name:28s} shown in {shown[name]:2d}, only in the front of {front[name]:2d}")


if __name__ == "__main__":
    main()
