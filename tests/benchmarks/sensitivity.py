"""How readings of corpus/ and of real music move when each constant moves by a quarter.

    python -m tests.benchmarks.sensitivity

For each number of loads.toml (but counts and windows of whole bars): how many excerpts need another
tier, how far the mean difficulty moves, and Kendall's tau-b with the intended tier, at -25 % and at
+25 %. Hand and pedal plans do not depend on these numbers and are kept; the tier is the first whose
rules the loads meet (faults do not depend on these numbers either). Prints the numbers that matter
most first.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

import music21
from scipy.stats import kendalltau

from simplify.difficulty import curve, load
from simplify.harp.player import tier_names, tier_player
from simplify.score.read import open_score, select_part
from simplify.technique.perform import perform

CORPUS = Path(__file__).resolve().parents[2] / "corpus"
REAL = ("schumann_clara/polonaise_op1n1", "mozart/k545/movement1_exposition")
BARS = 24
LEFT_OUT = {"longest_stretch", "burst_within", "low_string"}

_Cell = tuple[int, float, float]
"""Excerpts that need another tier, mean difference in difficulty, tau-b."""


def main() -> None:
    """Reads everything once, then again for each number."""
    table = tomllib.loads((CORPUS / "manifest.toml").read_text("utf-8"))["excerpt"]
    intended = [tier_names().index(e["tier"]) for e in table]
    player = tier_player("professional")
    played = [
        perform(select_part(open_score(str(CORPUS / e["file"]))).part, player) for e in table
    ]
    for name in REAL:
        part = select_part(open_score(str(music21.corpus.getWork(name)))).part
        played.append(perform(part.window(0, min(BARS, len(part.bars)) - 1), player))
    beats = [curve.grid(one.part) for one in played]
    curves = [
        {name: measure(one, grid) for name, measure in load.MEASURES.items()}
        for one, grid in zip(played, beats, strict=True)
    ]
    base = [_read(grid, row) for grid, row in zip(beats, curves, strict=True)]
    print(f"{len(played)} passages, tau-b {_tau(intended, base):.3f}")
    print(f"{'number':38} {'tiers -':>7} {'tiers +':>7} {'mean -':>7} {'mean +':>7} "
          f"{'tau -':>6} {'tau +':>6}")
    rows: list[tuple[str, str, list[_Cell]]] = []
    layers = (*load.MEASURES, "load")
    for layer in layers:
        numbers = curve.numbers(layer)
        for key in sorted(numbers.keys() - LEFT_OUT):
            kept = numbers[key]
            cells: list[_Cell] = []
            for factor in (0.75, 1.25):
                numbers[key] = kept * factor
                _forget()
                found = [
                    _read(grid, {**row, layer: load.MEASURES[layer](one, grid)})
                    if layer in load.MEASURES else _read(grid, row)
                    for one, grid, row in zip(played, beats, curves, strict=True)
                ]
                moved = sum(a[1] != b[1] for a, b in zip(base, found, strict=True))
                mean = sum(b[0] - a[0] for a, b in zip(base, found, strict=True)) / len(base)
                cells.append((moved, mean, _tau(intended, found)))
            numbers[key] = kept
            _forget()
            rows.append((layer, key, cells))
    rows.sort(key=lambda row: -sum(moved for moved, _, _ in row[2]))
    for layer, key, (less, more) in rows:
        print(f"{layer + '.' + key:38} {less[0]:7d} {more[0]:7d} {less[1]:7.1f} {more[1]:7.1f} "
              f"{less[2]:6.3f} {more[2]:6.3f}")


def _forget() -> None:
    """Drops what was worked out with other numbers."""
    for kept in (load._weights, load._stack, load._read_stretch):
        kept.cache_clear()


def _read(
    beats: tuple[curve.Beat, ...], curves: dict[str, curve.LayerCurve]
) -> tuple[float, int]:
    """Difficulty, and the index of the first tier whose rules the loads meet."""
    rows = tuple(curves[name] for name in load.MEASURES)
    bars = load.bar_loads(beats, rows)
    assessment = load.Assessment(beats, rows, bars, *load.read_bars(bars))
    for at, tier in enumerate(tier_names()):
        if load.verdict(assessment, tier_player(tier).rules).within:
            return assessment.difficulty, at
    return assessment.difficulty, len(tier_names())


def _tau(intended: list[int], found: list[tuple[float, int]]) -> float:
    return float(kendalltau(intended, [d for d, _ in found[: len(intended)]]).statistic)


if __name__ == "__main__":
    main()
