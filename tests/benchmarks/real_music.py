"""The keyboard works of music21's corpus: assess each, rewrite its hardest eight bars for a tier.

    python -m tests.benchmarks.real_music [--tier amateur] [--keep melody] [--only NAME] [SCORE ...]

Prints a row a piece: difficulty before and after, tier needed, distance, alternatives, and seconds
as a ratio to music21's own parse of the same file in the same run.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

import music21

from simplify import api
from simplify.score.lines import melody
from simplify.score.model import Passage
from simplify.score.read import open_score

PIECES = (
    ("joplin/maple_leaf_rag", None),
    ("chopin/mazurka06-2", None),
    ("cpebach/h186", None),
    ("schumann_clara/polonaise_op1n1", None),
    ("schumann_clara/polonaise_op1n2", None),
    ("schumann_clara/polonaise_op1n3", None),
    ("schumann_clara/polonaise_op1n4", None),
    ("schubert/Lindenbaum", "Piano"),
    ("beach/prayer_of_a_tired_child", "Piano"),
    ("schoenberg/opus19/movement2", None),
    ("schoenberg/opus19/movement6", None),
    ("mozart/k545/movement1_exposition", None),
)


def file_of(name: str) -> Path:
    """The corpus file of a piece, from the installed package."""
    return Path(str(music21.corpus.getWork(name)))


def part_named(path: Path, name: str | None) -> str | None:
    """The full name of the file's part that has `name` in its own."""
    choices = [c.name for c in open_score(str(path)).candidates]
    if name is None or name in choices:
        return name
    return next((c for c in choices if name.lower() in c.lower()), name)


def hardest(part_loads: tuple[float, ...], bars: int) -> tuple[int, int]:
    """First and last index of the `bars` bars with the highest mean difficulty."""
    span = min(bars, len(part_loads))
    means = [sum(part_loads[i : i + span]) for i in range(len(part_loads) - span + 1)]
    at = max(range(len(means)), key=lambda i: (means[i], -i))
    return at, at + span - 1


def row(path: Path, part: str | None, tier: str, keep: str, bars: int) -> str:
    """Measures one piece and returns its line of the table."""
    began = time.perf_counter()
    music21.converter.parse(path, forceSource=True)
    parse = time.perf_counter() - began
    part = part_named(path, part)
    began = time.perf_counter()
    result = api.assess_score(api.Request(str(path), part=part))
    assess = time.perf_counter() - began
    first, last = hardest(tuple(b.difficulty for b in result.assessment.bars), bars)
    numbers = result.part.bars[first].number, result.part.bars[last].number
    began = time.perf_counter()
    rewrite = api.rewrite_score(
        api.Request(str(path), part=part, bars=f"{numbers[0]}-{numbers[1]}", tier=tier), keep=keep
    )
    spent = time.perf_counter() - began
    with tempfile.TemporaryDirectory() as folder:
        api.write_rewrites(rewrite, Path(folder) / "out")
    source = Passage(rewrite.part, rewrite.first, rewrite.last)
    line = [(s.onset, s.pitch.midi) for s in melody(source)]
    kept = all(
        [(s.onset, s.pitch.midi) for s in melody(source.of(one.part))] == line
        for one in rewrite.alternatives
    )
    afters = " ".join(
        f"{one.difficulty:.0f}/{one.distance:.2f}{'' if one.within else '!'}"
        for one in rewrite.alternatives
    )
    whole = result.assessment.difficulty
    return "  ".join((
        f"{path.stem[:26]:26s}",
        f"{len(result.part.bars)} bars, whole {whole:.0f} {result.tier_needed or '-'},",
        f"faults {len(result.faults)};",
        f"bars {numbers[0]}-{numbers[1]}: {rewrite.original_difficulty:.0f}",
        f"{rewrite.original_tier or '-'}, faults {len(rewrite.original_faults)}",
        f"-> [{afters}] melody {'kept' if kept else 'changed'};",
        f"parse {parse:.2f} s, assess x{assess / parse:.1f},",
        f"rewrite {spent:.1f} s x{spent / parse:.0f};",
        rewrite.stopped,
    ))


def main() -> None:
    """Prints the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--tier", default="amateur")
    parser.add_argument("--keep", default="")
    parser.add_argument("--bars", type=int, default=8)
    parser.add_argument("--only", default="")
    parser.add_argument("scores", nargs="*")
    options = parser.parse_args()
    pieces: list[tuple[Path, str | None]] = [(Path(s), None) for s in options.scores] or [
        (file_of(name), part) for name, part in PIECES if options.only in name
    ]
    for path, part in pieces:
        print(row(path, part, options.tier, options.keep, options.bars), flush=True)


if __name__ == "__main__":
    main()
