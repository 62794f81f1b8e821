"""Arranging: how the time grows with the bars, a whole rag laddered, and the corpus reduced.

    python -m tests.benchmarks.bench_arrange growth [--tier amateur] [--most 512]
    python -m tests.benchmarks.bench_arrange ladder [SCORE]
    python -m tests.benchmarks.bench_arrange corpus [--tiers professional,amateur,school] [NAME ...]

Seconds are of the processor, so that what else the machine does matters less. `growth` prints the
slope of log time against log bars (1 is linear). `ladder` prints the ratio to music21's own parse
of the same file in the same run. `corpus` prints a row for each piece and tier: difficulty and
faults before and after, shares of the tune's notes and of the basses kept, distance, seconds.
"""

from __future__ import annotations

import argparse
import math
import time
from dataclasses import replace
from pathlib import Path

import music21

from simplify.arrange.gather import gather
from simplify.arrange.ladder import ladder_of
from simplify.arrange.reduce import reduced
from simplify.errors import GentlerError
from simplify.harp.player import tier_player
from simplify.score.graft import emit_part
from simplify.score.model import Part
from simplify.score.read import open_score, score_from_bytes
from simplify.score.text import parse_part

KEYBOARD = (
    "joplin/maple_leaf_rag", "chopin/mazurka06-2", "cpebach/h186",
    "schumann_clara/polonaise_op1n1", "schumann_clara/polonaise_op1n2",
    "schumann_clara/polonaise_op1n3", "schumann_clara/polonaise_op1n4", "schubert/Lindenbaum",
    "beach/prayer_of_a_tired_child", "schoenberg/opus19/movement2", "schoenberg/opus19/movement6",
    "mozart/k545/movement1_exposition",
)
QUARTETS = (
    "haydn/opus74no1/movement3", "mozart/k155/movement2", "mozart/k156/movement2",
    "mozart/k458/movement2",
)
CHORALES = ("bach/bwv66.6", "bach/bwv253", "bach/bwv255", "bach/bwv269", "bach/bwv277")
LADDER = ("soloist", "professional", "amateur", "school", "beginner")

BARS = (
    "A♭4:1/4 E♭5:1/2 C5:1/4 F5:1/4 E♭5:1/2 C5:1/4 ; A♭1:1/2 [C4 E♭4 A♭4] E♭2 [C4 E♭4 A♭4]",
    "[A♭4 C5 E♭5 A♭5]:1/2 [A♭4 C5 E♭5 A♭5] [G4 B♭4 E♭5 G5]:1 ;"
    " E♭2:1/2 [B♭3 D♭4 G4] B♭1 [D♭4 G4]",
    "C5:1/4 D♭5 D5 E♭5 F5:1 ; F2:1/2 [A♭3 C4 F4] F2 [A♭3 C4 F4]",
    "B♭4:1/2 D♭5 [G4 E♭5]:1 ; [E♭2 B♭2 G3]:1 [E♭2 D♭3 G3]",
)


def piece(bars: int) -> Part:
    """A rag-like piece in which no two bars of sixteen are equal (every fourth bar is shifted)."""
    rows = []
    for at in range(bars):
        text = BARS[at % 4]
        if at // 4 % 4 % 2:
            text = text.replace("E♭5", "F5")
        if at // 8 % 2:
            text = text.replace("C4", "D♭4")
        rows.append(text)
    return parse_part("2/4 tempo:100 key:-4 | " + " | ".join(rows), "Piano")


def growth(tier: str, most: int) -> None:
    """Seconds of reduce and ladder for 16, 32, 64 ... bars."""
    rows = []
    bars = 16
    ladder_of(  # compiles what is compiled
        gather(score_from_bytes(emit_part(piece(8), "growth"), "growth.musicxml")),
        [tier_player(name) for name in LADDER],
    )
    print(f"{'bars':>6} {'reduce s':>9} {'ladder s':>9}")
    while bars <= most:
        score = score_from_bytes(emit_part(piece(bars), "growth"), "growth.musicxml")
        gathered = gather(score)
        began = time.process_time()
        reduced(gathered, tier_player(tier), ())
        middle = time.process_time()
        ladder_of(gathered, [tier_player(name) for name in LADDER])
        rows.append((bars, middle - began, time.process_time() - middle))
        print(f"{bars:>6} {rows[-1][1]:>9.1f} {rows[-1][2]:>9.1f}", flush=True)
        bars *= 2
    for name, column in (("reduce", 1), ("ladder", 2)):
        print(f"slope of {name}: {slope([(row[0], row[column]) for row in rows]):.2f}")


def slope(points: list[tuple[int, float]]) -> float:
    """Least squares of log time against log bars."""
    logs = [(math.log(x), math.log(max(1e-9, y))) for x, y in points]
    mx, my = (sum(row[k] for row in logs) / len(logs) for k in (0, 1))
    return sum((x - mx) * (y - my) for x, y in logs) / sum((x - mx) ** 2 for x, _ in logs)


def whole_ladder(name: str) -> None:
    """All five tiers of one piece, against the parse of its file."""
    path = file_of(name)
    began = time.process_time()
    music21.converter.parse(path, forceSource=True)
    parse = time.process_time() - began
    gathered = gather(open_score(str(path)))
    ladder_of(
        replace(gathered, part=replace(gathered.part)), [tier_player("professional")]
    )  # compiles what is compiled
    began = time.process_time()
    ladder = ladder_of(gathered, [tier_player(tier) for tier in LADDER])
    spent = time.process_time() - began
    for rung in ladder.rungs:
        print(
            f"{rung.player.name:14s} difficulty {rung.reading.assessment.difficulty:5.1f} faults "
            f"{len(rung.reading.faults)} within {rung.reached} carried {len(rung.carried)} of "
            f"{len(rung.part.bars)} tune {rung.tune_kept:.2f} of its beats {rung.beats_kept:.2f} "
            f"bass {rung.bass_kept:.2f} same fingers {rung.same_fingers:.2f} "
            f"takeable {len(rung.takeable)}, of these as they were "
            f"{len(rung.takeable & rung.carried)}"
        )
    print(f"parse {parse:.2f} s, ladder {spent:.1f} s: {spent / parse:.0f} times")


def file_of(name: str) -> Path:
    """A score file as named, or of music21's corpus (the first where it has several)."""
    if Path(name).exists():
        return Path(name)
    found = music21.corpus.getWork(name)
    return Path(str(found[-1] if isinstance(found, list) else found))


def corpus(names: list[str], tiers: list[str]) -> None:
    """A row for each piece and tier, and what they come to."""
    print(
        f"{'piece':34s} {'tier':13s} {'bars':>4s} {'parts':>5s} {'before':>10s} {'after':>7s} "
        f"{'within':>6s} {'tune':>5s} {'beats':>5s} {'bass':>5s} {'dist':>5s} {'s':>6s}"
    )
    within = faults = total = 0
    for name in names:
        try:
            gathered = gather(open_score(str(file_of(name))))
        except GentlerError as error:
            print(f"{name:34s} not read: {error}")
            continue
        for tier in tiers:
            began = time.process_time()
            result = reduced(gathered, tier_player(tier), ())
            seconds = time.process_time() - began
            total += 1
            within += result.reached
            faults += len(result.reading.faults)
            print(
                f"{name:34s} {tier:13s} {len(result.part.bars):4d} {len(gathered.sources):5d} "
                f"{result.original.assessment.difficulty:5.0f}/{len(result.original.faults):4d} "
                f"{result.reading.assessment.difficulty:5.0f}/{len(result.reading.faults)} "
                f"{'yes' if result.reached else 'no':>6s} {result.tune_kept:5.2f} "
                f"{result.beats_kept:5.2f} {result.bass_kept:5.2f} {result.distance.total:5.2f} "
                f"{seconds:6.1f}",
                flush=True,
            )
    print(f"{within} of {total} within the tier, {faults} faults in all")


def main() -> None:
    """Parses the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=("growth", "ladder", "corpus"))
    parser.add_argument("names", nargs="*")
    parser.add_argument("--tier", default="amateur")
    parser.add_argument("--tiers", default="professional,amateur,school")
    parser.add_argument("--most", type=int, default=512)
    asked = parser.parse_intermixed_args()
    if asked.what == "growth":
        growth(asked.tier, asked.most)
    elif asked.what == "ladder":
        whole_ladder(*(asked.names or ["joplin/maple_leaf_rag"]))
    else:
        corpus(asked.names or [*KEYBOARD, *QUARTETS, *CHORALES], asked.tiers.split(","))


if __name__ == "__main__":
    main()
