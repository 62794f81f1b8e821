"""The hand planner: time against music21's parse, growth with size, broken rules on real music.

    python -m tests.benchmarks.bench_hands [--only NAME]

A row a keyboard work of music21's corpus: seconds to plan hands and fingers for the slowest tier as
a ratio to music21's own parse of the file in the same run; milliseconds for windows of 16 moments;
and per tier the share of what the hands pluck that stands in a fault of hand or finger, beside the
least share that any fingering has (the same programme with a broken rule dearer than all awkward
fingers of the piece together, over all divisions between the hands), and the share that breaks a
rule of the hand itself, tempo apart. Then the first piece
again and again, one to sixteen times: how time grows. All times are of the processor.
"""

from __future__ import annotations

import argparse
import math
import time
from dataclasses import replace

import music21
import numpy as np

from simplify.harp.player import Player, tier_names, tier_player
from simplify.score.model import Part, Pitch
from simplify.score.read import open_score, select_part
from simplify.technique.fingers import hand_model
from simplify.technique.hands import hand_chords, plan_hands
from simplify.technique.pedals import plan_pedals
from simplify.technique.perform import strike_seconds
from simplify.technique.plan import Performance
from simplify.technique.playability import (
    Check,
    check_bisbigliando,
    check_chord_too_fast,
    check_etouffes,
    check_hand_busy,
    check_hands_collide,
    check_harmonics,
    check_jump_too_fast,
    check_one_hand_trill,
    check_reach,
    check_repeat_too_fast,
    check_right_too_low,
    check_run_too_fast,
    check_too_many_notes,
)
from tests.benchmarks.real_music import PIECES, file_of
from tests.support_performance import followed_by

STILL = (
    check_too_many_notes, check_reach, check_right_too_low, check_harmonics, check_etouffes,
    check_hands_collide,
)
"""Rules of the hand at any tempo."""
CHECKS = (
    *STILL, check_repeat_too_fast, check_jump_too_fast, check_run_too_fast, check_chord_too_fast,
    check_one_hand_trill, check_bisbigliando, check_hand_busy,
)
DEAR = 1e6


def planned(part: Part, player: Player, played: tuple[Pitch, ...]) -> tuple[Performance, float]:
    """The performance on these strings, and the seconds that the hands took."""
    seconds, until = strike_seconds(part)
    began = time.process_time()
    plan = plan_hands(part, player, seconds, played)
    spent = time.process_time() - began
    pedals = plan_pedals(replace(part, notes=()), player)
    pedals = replace(pedals, played=played)
    return Performance(part, player, seconds, until, plan, pedals), spent


def broken(performance: Performance, checks: tuple[Check, ...] = CHECKS) -> tuple[int, int]:
    """(chords and notes of a hand that stand in a fault, all of them)."""
    bad = {i for check in checks for fault in check(performance) for i in fault.strikes}
    chords = [chord for hand in "LR" for chord in hand_chords(performance, hand)]
    return sum(any(i in bad for i in chord.strikes) for chord in chords), len(chords)


def least_broken(part: Part, player: Player, played: tuple[Pitch, ...]) -> int:
    """`broken` of a plan that breaks as few rules as can be."""
    model = hand_model(player.limits, player.harp)
    rules = model.rules
    model.rules = rules._replace(hard=DEAR, split_margin=math.inf)
    try:
        return broken(planned(part, player, played)[0])[0]
    finally:
        model.rules = rules


def copies(part: Part, count: int) -> Part:
    """The part again and again; doubling keeps this quick."""
    found = part
    for bit in bin(count)[3:]:
        found = followed_by(found, found)
        if bit == "1":
            found = followed_by(found, part)
    return found


def windows(part: Part, player: Player, size: int = 16) -> list[float]:
    """Milliseconds to plan every stretch of bars that holds about `size` moments."""
    found, first = [], 0
    for last in range(len(part.bars)):
        window = part.window(first, last)
        if len({strike.onset for strike in window.strikes}) < size:
            continue
        played = tuple(strike.pitch for strike in window.strikes)
        found.append(1000 * planned(window, player, played)[1])
        first = last + 1
    return found


def main() -> None:
    """Prints the tables."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--only", default="")
    only = parser.parse_args().only
    totals = {tier: [0, 0, 0, 0] for tier in tier_names()}
    first: tuple[Part, float] | None = None
    for name, wanted in PIECES:
        if only not in name:
            continue
        path = file_of(name)
        began = time.process_time()
        music21.converter.parse(path, forceSource=True)
        parse = time.process_time() - began
        score = open_score(str(path))
        names = [choice.name for choice in score.candidates]
        if wanted is not None:
            wanted = next((c for c in names if wanted.lower() in c.lower()), wanted)
        part = select_part(score, wanted).part
        first = first or (part, parse)
        played = plan_pedals(part, tier_player("professional")).played
        if not any(sum(row) for row in totals.values()):
            planned(part, tier_player("professional"), played)  # loads the compiled code
        slowest, shares = 0.0, []
        for tier in tier_names():
            player = tier_player(tier)
            performance, spent = planned(part, player, played)
            slowest = max(slowest, spent)
            bad, chords = broken(performance)
            least = least_broken(part, player, played)
            still = broken(performance, STILL)[0]
            for at, value in enumerate((bad, least, still, chords)):
                totals[tier][at] += value
            shares.append(
                f"{tier} {100 * bad / chords:.1f}/{100 * least / chords:.1f}/"
                f"{100 * still / chords:.1f} %"
            )
        row = sorted(windows(part, tier_player("professional")))
        middle = f"{row[len(row) // 2]:.1f} ms" if row else "-"
        print(
            f"{path.stem[:24]:24s} {len(part.bars)} bars, {len(part.strikes)} notes: "
            f"x{slowest / parse:.2f} of the parse; 16 moments {middle}; " + ", ".join(shares),
            flush=True,
        )
    print("all, broken / least that can be / tempo apart:", ", ".join(
        f"{tier} {100 * bad / n:.2f}/{100 * least / n:.2f}/{100 * still / n:.2f} % of {n}"
        for tier, (bad, least, still, n) in totals.items()
    ))
    if first is None:
        return
    part, parse = first
    times = []
    for count in (1, 2, 4, 8, 16):
        longer = copies(part, count)
        played = tuple(strike.pitch for strike in longer.strikes)
        worst = max(planned(longer, tier_player(tier), played)[1] for tier in tier_names())
        times.append((len(longer.strikes), worst))
        print(
            f"{len(longer.bars)} bars, {len(longer.strikes)} notes: {worst:.3f} s, "
            f"x{worst / (parse * count):.2f} of {count} parses"
        )
    sizes, spent_on = np.log(np.array(times)).T
    print(f"growth exponent {np.polyfit(sizes, spent_on, 1)[0]:.3f}")


if __name__ == "__main__":
    main()
