"""Hold a repeated note of the melody.

What it does:
    Where the upper line strikes one sound again sooner than is comfortable, every second strike is
    left out, or all but the first of the bar; the note before is written as long as both.

When a harpist would do this:
    A string that is touched while it rings buzzes and stops (Philharmonia Orchestra, harp notes);
    a quickly repeated note is struck at half the rate, or once and left to ring (common practice).

What is lost:
    The pulse of the repetition; pitch and contour of the melody stay.

Does not apply when:
    There is time to place the string again, or other notes are struck with the repeated one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from simplify.harp.player import Player
from simplify.score.edits import (
    Place,
    all_then_each,
    called,
    dropping,
    leading,
    single_runs,
    staff_bars,
)
from simplify.score.model import Edit, Passage, Strike
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.BASS | Keeps.HARMONY


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    part, lead, wait = passage.part, leading(passage), player.limits.repeat_seconds

    def goes_on(run: Sequence[Strike], strike: Strike) -> bool:
        apart = part.seconds(strike.onset) - part.seconds(run[-1].onset)
        return strike.pitch.midi == run[-1].pitch.midi and apart < wait

    edits: list[Edit | None] = []
    for _, staff, cols in staff_bars(passage):
        if staff != 1:
            continue
        runs = [
            run for run in single_runs(passage, cols, goes_on, 2)
            if all(s.first.id in lead for s in run)
        ]
        second: list[Place] = []
        once: list[Place] = []
        for run in runs:
            reason = f"right hand: {called(run)} is struck at half the rate and rings"
            second.append((dropping(*run[1::2]), reason))
            if len(run) > 2:
                reason = f"right hand: {called(run)} is struck once and held"
                once.append((dropping(*run[1:]), reason))
        reason = "right hand: the repeated notes of the melody at half the rate"
        edits.extend(all_then_each(passage, second, reason, 2))
        reason = "right hand: the repeated notes of the melody are struck once and held"
        edits.extend(all_then_each(passage, once, reason, 2))
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="hold_repeated_note",
    title="Hold a repeated note of the melody",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("2/4 tempo:120 | G5:1/2 G5 G5 G5 ; C3:2", "2/4 tempo:120 | G5:2 ; C3:2"),
        Case("2/4 tempo:120 | G5:1/2 G5 A5 B5 ; C3:2", "2/4 tempo:120 | G5:1 A5:1/2 B5 ; C3:2"),
        Case("2/4 tempo:120 | G5:1/2 G5 G5 G5 ; C3:2", "2/4 tempo:120 | G5:1 G5 ; C3:2"),
        Case("2/4 tempo:40 | G5:1 G5 ; C3:2", None),
        Case("2/4 tempo:120 | G5:1/2 A5 G5 A5 ; C3:2", None),
        Case("2/4 tempo:120 | G5:2 ; C3:1/2 C3 C3 C3", None),
    ),
)
