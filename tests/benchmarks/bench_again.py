"""Assess a changed part again: time and memory an edit as pieces grow, and how many are equal.

    python -m tests.benchmarks.bench_again [--bars 50,100,200,500,1000] [--edits 40] [--tier T]
                                           [--check N]

The pieces are those of bench_assess, one after the other, cut to so many bars. Each is read once
(`read_to_change`), then changed in one random bar at a time and read again; `--check` compares that
many of these readings with reading the whole. Milliseconds are the median and the mean of processor
time an edit, and of a whole reading; the exponents are those of a power law through the lengths (0
is flat). Kept: memory that a reading kept for changes takes beside the reading, in megabytes.
"""

from __future__ import annotations

import argparse
import gc
import random
import statistics
import time
import tracemalloc
from dataclasses import replace

import numpy as np

from simplify.difficulty.again import read_to_change, reassess
from simplify.difficulty.load import read_for
from simplify.harp.player import tier_player
from simplify.score.model import Part
from simplify.score.read import open_score, select_part
from simplify.technique.perform_again import perform_again
from tests.benchmarks.bench_assess import joined
from tests.benchmarks.real_music import PIECES, file_of, part_named
from tests.support_edits import one_bar_edit

SIZES = "50,100,200,500,1000"


def edited(part: Part, edits: int, choose: random.Random) -> list[Part]:
    """The part with one edit, in bars evenly spread."""
    rows = []
    for k in range(edits):
        bar = (2 * k + 1) * len(part.bars) // (2 * edits)
        while True:
            try:
                rows.append(part.apply(one_bar_edit(part, choose, bar % len(part.bars))))
                break
            except (ValueError, IndexError):
                bar += 1
    return rows


def main() -> None:
    """Prints a row for each length."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--bars", default=SIZES)
    parser.add_argument("--edits", type=int, default=40)
    parser.add_argument("--tier", default="professional")
    parser.add_argument("--check", type=int, default=0)
    options = parser.parse_args()
    sizes = [int(size) for size in options.bars.split(",")]
    player, choose = tier_player(options.tier), random.Random(1)
    pieces = [
        select_part(open_score(str(file_of(name))), part_named(file_of(name), part)).part
        for name, part in PIECES
    ]
    longest = joined(pieces, max(sizes))
    warm = longest.window(0, 7)
    reassess(read_to_change(warm, player), edited(warm, 1, choose)[0])
    medians, means = [], []
    for size in sizes:
        part = longest.window(0, size - 1)
        gc.collect()
        began = time.process_time()
        read_for(replace(part), player)
        whole = time.process_time() - began
        tracemalloc.start()
        kept = read_to_change(part, player)
        both = tracemalloc.get_traced_memory()[0]
        tracemalloc.stop()
        if kept.traced is None:
            print(f"{size:5d} bars  can't be read again in part ({options.tier})", flush=True)
            continue
        changed = edited(part, options.edits, choose)
        spent, alike, in_part = [], 0, 0
        gc.disable()
        for number, other in enumerate(changed):
            began = time.process_time()
            found = reassess(kept, other)
            spent.append(time.process_time() - began)
            in_part += perform_again(kept.traced, replace(other)) is not None
            if number < options.check:
                alike += found.reading == read_for(replace(other), player)
        gc.enable()
        medians.append(statistics.median(spent))
        means.append(statistics.fmean(spent))
        equal = f"  equal {alike} of {options.check}" if options.check else ""
        print(
            f"{size:5d} bars  whole {1000 * whole:7.0f} ms  again median {1000 * medians[-1]:6.1f}"
            f"  mean {1000 * means[-1]:6.1f}  most {1000 * max(spent):6.0f} ms"
            f"  in part {in_part} of {len(changed)}  with what is kept {both / 1e6:.0f} MB{equal}",
            flush=True,
        )
    if len(medians) > 1:
        median, mean = (
            np.polyfit(np.log(sizes[: len(row)]), np.log(row), 1)[0] for row in (medians, means)
        )
        print(f"exponent of an edit's time: median {median:.2f}, mean {mean:.2f}")


if __name__ == "__main__":
    main()
