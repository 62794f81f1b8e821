"""Turn a repeated chord into a tremolo between its notes.

What it does:
    A chord that a hand strikes again and again sounds as a measured tremolo: the lower notes and
    the highest take turns at the speed of the repetition.

When a harpist would do this:
    A repeated chord becomes a broken one (common practice): each string is touched half as often,
    and has time to ring (touching it too soon buzzes: Philharmonia Orchestra, harp notes).

What is lost:
    The full chord at every stroke.

Does not apply when:
    There is time to place the chord again, it leads, or it is struck fewer than four times.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from simplify.harp.player import Player
from simplify.score.edits import (
    Column,
    Place,
    all_then_each,
    dropping,
    following,
    leading,
    staff_bars,
    whole,
)
from simplify.score.model import Edit, Passage
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY | Keeps.BASS | Keeps.HARMONY | Keeps.RHYTHM
FEWEST = 4
"""Strokes from which a repeated chord reads as a tremolo once it is divided (estimate)."""


def _rows(passage: Passage, cols: Sequence[Column], wait: float) -> Iterator[list[Column]]:
    """Strokes of one chord that follow one another within the comfortable time."""
    part, lead = passage.part, leading(passage)
    run: list[Column] = []
    for column in cols:
        free = len(following(column, lead, part)) == len(column.strikes) > 1
        usable = free and all(whole(passage, s) for s in column.strikes)
        if run and not (
            usable
            and [s.pitch for s in column.strikes] == [s.pitch for s in run[-1].strikes]
            and run[-1].end == column.onset
            and part.seconds(column.onset) - part.seconds(run[-1].onset) < wait
        ):
            yield run
            run = []
        if usable:
            run.append(column)
    yield run


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    edits: list[Edit | None] = []
    for _, _, cols in staff_bars(passage):
        places: list[Place] = []
        for run in _rows(passage, cols, player.limits.repeat_seconds):
            if len(run) < FEWEST:
                continue
            gone = [
                strike
                for k, column in enumerate(run)
                for strike in (column.strikes[:-1] if k % 2 else column.strikes[-1:])
            ]
            reason = f"{run[0].hand}: the repeated {run[0].names} rocks between its notes"
            places.append((dropping(*gone), reason))
        reason = f"{cols[0].hand}: the repeated chords rock between their notes" if cols else ""
        edits.extend(all_then_each(passage, places, reason, 2))
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="rock_repeated_chord",
    title="Turn a repeated chord into a tremolo between its notes",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case(
            "2/4 tempo:120 | G5:2 ; [C3 E3 G3]:1/2 [C3 E3 G3] [C3 E3 G3] [C3 E3 G3]",
            "2/4 tempo:120 | G5:2 ; [C3 E3]:1/2 G3 [C3 E3] G3",
        ),
        Case("2/4 tempo:40 | G5:2 ; [C3 E3 G3]:1 [C3 E3 G3]", None),
        Case("2/4 tempo:120 | G5:2 ; C3:1/2 C3 C3 C3", None),
    ),
)
