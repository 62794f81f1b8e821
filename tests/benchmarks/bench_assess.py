"""Assess: time against music21's parse on real music, and growth from 50 to 2000 bars.

    python -m tests.benchmarks.bench_assess [--bars 50,100,200,500,1000,2000] [--only NAME]

First a row a keyboard work of music21's corpus: processor seconds of the whole assess, own reading
of the file included, as a ratio to music21's parse of the same file in the same run (the least of
25 turns of each, the two in turn, since a machine with neighbours has fast and slow seconds;
beside it the ratio of the medians; numba's cache warm). A file that music21 has to convert is also
measured as the MusicXML it was converted to. Then those works one after the other, again and again,
cut into pieces of so many bars, so that every length is measured on the same music: milliseconds a
bar of a reading and of the whole assess with all its tiers, and the exponent of a power law fitted
over all lengths (1 is flat a bar).
"""

from __future__ import annotations

import argparse
import gc
import statistics
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path

import music21
import numpy as np

from simplify import api
from simplify.difficulty.load import read_for
from simplify.harp.player import tier_player
from simplify.score.convert import converted
from simplify.score.model import Bar, Note, Part, ScoreInfo, TempoMark
from simplify.score.read import open_score, select_part
from simplify.technique.hand_search import forget
from tests.benchmarks.real_music import PIECES, file_of, part_named

TURNS = 25
SIZES = "50,100,200,500,1000,2000"


def spent(act: Callable[[], object]) -> float:
    """Processor seconds of one call, of this process and those it starts."""
    gc.collect()
    forget()  # or a second turn would know the first one's hands
    began = sum(_clock())
    act()
    return sum(_clock()) - began


def _clock() -> tuple[float, float]:
    import os

    now = os.times()
    return time.process_time(), now.children_user + now.children_system


def ratio(path: Path, part: str | None) -> tuple[float, float, float]:
    """Least processor seconds of music21's parse and of our assess, and the medians' ratio."""
    request = api.Request(str(path), part=part_named(path, part))
    api.assess_score(request)
    rows = [
        (
            spent(lambda: music21.converter.parse(path, forceSource=True)),
            spent(lambda: api.assess_score(request)),
        )
        for _ in range(TURNS)
    ]
    parses, assesses = zip(*rows, strict=True)
    return min(parses), min(assesses), statistics.median(assesses) / statistics.median(parses)


def _row(name: str, parse: float, assess: float, medians: float) -> None:
    print(f"{name:26s} parse {parse:.3f} s  assess {assess:.3f} s  x{assess / parse:.2f}"
          f"  (medians x{medians:.2f})", flush=True)


def joined(parts: list[Part], bars: int) -> Part:
    """So many bars of the parts one after the other, again and again, each at its own tempo."""
    rows: list[Bar] = []
    notes: list[Note] = []
    tempo: list[TempoMark] = []
    tick = 0
    while len(rows) < bars:
        for part in parts:
            shift, first, ids = tick - part.bars[0].onset, len(rows), len(notes)
            rows += [
                replace(b, index=b.index + first, number=str(b.index + first + 1),
                        onset=b.onset + shift)
                for b in part.bars
            ]
            notes += [
                replace(n, id=ids + k, bar=n.bar + first, onset=n.onset + shift)
                for k, n in enumerate(part.notes)
            ]
            tempo += [TempoMark(max(t.onset + shift, tick), t.quarters) for t in part.tempo]
            tick = rows[-1].end
    whole = replace(
        parts[0], bars=tuple(rows), notes=tuple(sorted(notes, key=lambda n: n.order_key)),
        tempo=tuple({mark.onset: mark for mark in tempo}.values()), dynamics=(), given=(),
    )
    return whole.window(0, bars - 1)


def exponent(sizes: list[int], seconds: list[float]) -> float:
    """Of the power law through all the points, by least squares of the logarithms."""
    return float(np.polyfit(np.log(sizes), np.log(seconds), 1)[0])


def main() -> None:
    """Prints both tables."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--bars", default=SIZES)
    parser.add_argument("--only", default="")
    options = parser.parse_args()
    chosen = [(file_of(name), part) for name, part in PIECES if options.only in name]
    for path, part in chosen:
        _row(path.stem, *ratio(path, part))
        if path.suffix not in (".xml", ".mxl", ".musicxml"):
            with tempfile.TemporaryDirectory() as folder:
                file = Path(folder) / f"{path.stem}.musicxml"
                kind = {"krn": "humdrum"}.get(path.suffix[1:], path.suffix[1:])
                file.write_bytes(converted(path.read_bytes(), kind, path.name))
                _row("  the same as MusicXML", *ratio(file, part))
    sizes = [int(size) for size in options.bars.split(",") if size]
    if not sizes:
        return
    pieces = [
        select_part(open_score(str(path)), part_named(path, part)).part for path, part in chosen
    ]
    player, info = tier_player("professional"), ScoreInfo("", "", "")
    longest = joined(pieces, max(sizes))
    readings, wholes = [], []
    for size in sizes:
        cuts = [
            longest.window(low, low + size - 1) for low in range(0, max(sizes) - size + 1, size)
        ]
        read_for(longest.window(0, 1), player)
        bars = size * len(cuts)
        readings.append(sum(spent(partial(read_for, replace(c), player)) for c in cuts) / bars)
        wholes.append(
            sum(spent(partial(api.assess_part, replace(c), player, info)) for c in cuts) / bars
        )
        print(
            f"{size:5d} bars, {len(cuts):2d} times  reading {1000 * readings[-1]:.2f} ms a bar"
            f"  assess {1000 * wholes[-1]:.2f} ms a bar", flush=True,
        )
    if len(sizes) > 1:
        print(f"exponent of a whole piece: reading {1 + exponent(sizes, readings):.3f}, assess"
              f" {1 + exponent(sizes, wholes):.3f}")


if __name__ == "__main__":
    main()
