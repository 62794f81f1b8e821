"""Speed and exactness of the pedal planner. Run: python -m tests.benchmarks.bench_pedals

Prints, for this machine and run:
- planning 1000 onsets against music21's parse of the same 1000 onsets, per tier, and the same for
  real keyboard music;
- how time and memory grow from 100 to 20,000 onsets (fitted exponent, bytes per onset);
- planning a window of two bars;
- costing an edit in context against planning anew;
- CP-SAT (ortools) on the same problems: cost and time;
- random cases against the plain statement of the problem in tests/pedal_oracle.py.
Not a test: nothing here passes or fails.
"""

from __future__ import annotations

import argparse
import gc
import math
import random
import statistics
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TypeVar

from simplify.harp.instrument import PEDALS, key_setting
from simplify.harp.player import tier_names, tier_player
from simplify.score.model import Edit, Part, Pitch, changed
from simplify.score.read import open_score, select_part
from simplify.score.text import parse_part
from simplify.technique.pedals import PedalTrellis, plan_pedals
from tests.benchmarks.real_music import PIECES, file_of
from tests.pedal_oracle import Oracle, faults, random_problem

T = TypeVar("T")


def timed(work: Callable[[], T], *, collecting: bool = True) -> tuple[float, T]:
    """Seconds of processor time, so that a busy machine tells the same, with Python's search for
    garbage or, as the program plans, without."""
    gc.collect()
    if not collecting:
        gc.disable()
    try:
        begun = time.process_time()
        result = work()
        return time.process_time() - begun, result
    finally:
        gc.enable()


def usual(work: Callable[[], T], *, collecting: bool = True) -> tuple[float, T]:
    """The median of three times, and the result."""
    runs = [timed(work, collecting=collecting) for _ in range(3)]
    return statistics.median(seconds for seconds, _ in runs), runs[0][1]


def keyboard_music(onsets: int, seed: int, tempo: int = 96, foreign: float = 0.1) -> Part:
    """Eighth notes over chords, eight onsets a bar, another key every four bars, a share of
    notes foreign to it."""
    rng = random.Random(seed)
    bars, fifths = [], 0
    for bar in range(math.ceil(onsets / 8)):
        if bar % 4 == 0:
            fifths = max(-6, min(6, fifths + rng.choice([-3, -1, 1, 2, 4])))
        key = dict(zip(PEDALS, key_setting(fifths), strict=True))

        def name(octaves: str, key: dict[str, int] = key) -> str:
            letter = rng.choice("CDEFGAB")
            alter = key[letter] if rng.random() >= foreign else rng.choice([-1, 0, 1])
            return f"{letter}{'♭♮♯'[alter + 1].strip('♮')}{rng.choice(octaves)}"

        upper = " ".join(f"{name('45')}:1/2" for _ in range(8))
        lower = " ".join(f"[{name('2')} {name('3')} {name('3')}]:2" for _ in range(2))
        bars.append(f"{upper} ; {lower}")
    return parse_part(f"4/4 tempo:{tempo} | " + " | ".join(bars))


def parse_seconds(part: Part) -> float:
    """music21's parse of a MusicXML file with the same notes."""
    from music21 import converter, note, stream

    score, staves = stream.Score(), [stream.Part() for _ in (0, 1)]  # type: ignore[no-untyped-call]
    for each in part.notes:
        made = note.Note(each.pitch.name.replace("♭", "-").replace("♯", "#"))
        made.quarterLength = each.duration / 10080
        staves[each.staff - 1].insert(each.onset / 10080, made)
    for staff in staves:
        score.insert(0, staff)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "music.musicxml"
        score.write("musicxml", fp=path)  # type: ignore[no-untyped-call]
        converter.parse(path, forceSource=True)  # the first parse loads modules
        return usual(lambda: converter.parse(path, forceSource=True))[0]


def speed() -> None:
    """1000 onsets against music21."""
    part = keyboard_music(1000, 1)
    parse = parse_seconds(part)
    print(f"  music21 parse of the same music ({len(part.notes)} notes): {parse:.2f} s")
    for tier in tier_names():
        work = partial(plan_pedals, part, tier_player(tier))
        seconds, plan = usual(work, collecting=False)
        print(
            f"  {tier:12} 1000 onsets {seconds:.2f} s = {seconds / parse:.2f} x parse; "
            f"{len(plan.moves)} moves, {len(plan.unmet)} unmet, optimal {plan.optimal}"
        )


def real() -> None:
    """Real keyboard music, per tier, against music21's parse of its file."""
    from music21 import converter

    for piece, name in PIECES:
        file = file_of(piece)
        converter.parse(file, forceSource=True)
        parse = usual(partial(converter.parse, file, forceSource=True))[0]
        part = select_part(open_score(str(file)), name).part
        words = []
        for tier in tier_names():
            work = partial(plan_pedals, part, tier_player(tier))
            seconds, plan = timed(work, collecting=False)
            words.append(f"{tier} {seconds / parse:.2f} ({len(plan.unmet)} unmet)")
        print(f"  {piece}: {len(part.strikes)} notes; x parse: {', '.join(words)}")


def growth() -> None:
    """100 to 20,000 onsets. How many feet come too close differs from piece to piece, so each
    size is the mean over pieces of 10,000 onsets together, one at least."""
    player = tier_player("professional")
    sizes = [100, 300, 1000, 3000, 10000, 20000]
    rows = []
    for size in sizes:
        parts = [keyboard_music(size, seed) for seed in range(2, 2 + max(1, 10000 // size))]
        spent = [timed(partial(plan_pedals, part, player), collecting=False) for part in parts]
        seconds = statistics.mean(each for each, _ in spent)
        tracemalloc.start()
        plan_pedals(parts[0], player)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        rows.append((size, seconds, peak))
        print(
            f"  {size:6} onsets, {len(parts):3} pieces: {seconds:7.3f} s, "
            f"{1000 * seconds / size:.3f} ms an onset, peak {peak / 2**20:.0f} MB, "
            f"{peak / size / 1024:.1f} kB an onset, all optimal "
            f"{all(plan.optimal for _, plan in spent)}"
        )
    xs, ys = [math.log(r[0]) for r in rows], [math.log(r[1]) for r in rows]
    slope = statistics.linear_regression(xs, ys).slope
    memory = statistics.linear_regression(xs, [math.log(r[2]) for r in rows]).slope
    print(f"  fitted exponent: time {slope:.3f}, memory {memory:.3f}")


def windows() -> None:
    """Two bars at a time."""
    part = keyboard_music(800, 3)
    for tier in tier_names():
        player = tier_player(tier)
        spent = [
            timed(partial(plan_pedals, part.window(bar, bar + 1), player))[0]
            for bar in range(0, len(part.bars) - 1)
        ]
        print(
            f"  {tier:12} two bars (16 onsets): median {1000 * statistics.median(spent):.1f} ms, "
            f"mean {1000 * statistics.mean(spent):.1f} ms, worst {1000 * max(spent):.1f} ms"
        )


def edits() -> None:
    """An edit costed in context against a plan from nothing."""
    part = keyboard_music(1000, 4)
    rng = random.Random(4)
    for tier in ("amateur", "professional"):
        player = tier_player(tier)
        seconds, trellis = timed(partial(PedalTrellis, part, player))
        local, whole, wrong = [], [], 0
        for _ in range(20):
            note = rng.choice(part.notes)
            pitch = Pitch(note.pitch.step, rng.choice([-1, 0, 1]), note.pitch.octave)
            if pitch == note.pitch:
                continue
            other = part.apply(Edit(frozenset([note.id]), (changed(note, pitch=pitch),), "other"))
            spent, cost = timed(partial(trellis.cost_with, other))
            local.append(spent)
            spent, plan = timed(partial(plan_pedals, other, player))
            whole.append(spent)
            wrong += abs(cost - plan.cost) > 1e-6
        here, anew = 1000 * statistics.median(local), 1000 * statistics.median(whole)
        print(
            f"  {tier:12} trellis {seconds:.2f} s; an edit in context {here:.0f} ms against "
            f"{anew:.0f} ms anew ({len(local)} edits, {wrong} with another cost)"
        )


def solver(limit: float) -> None:
    """CP-SAT on the same problems, with pairs of pedals and crossing feet left out."""
    from simplify.technique.pedal_line import standard_costs
    from tests.pedal_solver import PedalModel

    costs = replace(standard_costs(), adjacent_tiers=(), cross_tiers=())
    player = tier_player("professional")
    for onsets, seeds in ((8, 9), (16, 5), (32, 1), (64, 1)):
        ratios, apart, unproved, times = [], [], 0, []
        for seed in range(5, 5 + seeds):
            part = keyboard_music(onsets, seed)
            ours, plan = usual(partial(plan_pedals, part, player, costs=costs))
            begun = time.perf_counter()
            found, _, proved = PedalModel(Oracle(part, player, costs), None).solve(limit)
            theirs = time.perf_counter() - begun
            ratios.append(theirs / max(ours, 1e-4))
            times.append((1000 * ours, theirs))
            apart.append(plan.cost - found)
            unproved += not proved
        mine, its = (statistics.median(column) for column in zip(*times, strict=True))
        print(
            f"  {onsets:4} onsets, {seeds} cases: ours {mine:.1f} ms, CP-SAT {its:.2f} s "
            f"({unproved} not proved); ratio {statistics.median(ratios):.0f} "
            f"({min(ratios):.0f} to {max(ratios):.0f}); our cost less its cost "
            f"{min(apart):.3f} to {max(apart):.3f}",
            flush=True,
        )


def cases(count: int) -> None:
    """Random cases against the plain statement."""
    wrong = unsound = unproved = unmet = 0
    for seed in range(count):
        case = random_problem(seed, 12)
        plan = plan_pedals(case.part, case.player, start=case.start, costs=case.costs)
        best = Oracle(case.part, case.player, case.costs).optimum(case.start)
        cost = plan.cost - dict(plan.costs).get("unmet range", 0.0)
        wrong += abs(cost - best) > 1e-6
        unproved += not plan.optimal
        unmet += bool(plan.unmet)
        if not plan.unmet:
            given = case.start is not None
            unsound += bool(faults(case.part, case.player, case.costs, plan, given))
    print(
        f"  {count} cases: {wrong} with another cost, {unproved} not proved optimal, "
        f"{unmet} with unmet places, {unsound} of the others with a fault when replayed"
    )


def main() -> None:
    """Runs all parts."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--cases", type=int, default=10000, help="random cases")
    options.add_argument("--solver-seconds", type=float, default=30.0, help="limit for CP-SAT")
    options.add_argument("--only", help="the one section to run")
    chosen = options.parse_args()
    for tier in tier_names():  # compiled code is loaded, or made, at its first use
        plan_pedals(keyboard_music(100, 0), tier_player(tier))
    for title, work in (
        ("speed", speed),
        ("real music", real),
        ("growth", growth),
        ("windows", windows),
        ("edits in context", edits),
        ("general solver", lambda: solver(chosen.solver_seconds)),
        ("random cases", lambda: cases(chosen.cases)),
    ):
        if chosen.only in (None, title):
            print(title, flush=True)
            work()


if __name__ == "__main__":
    main()
