"""Hold common tones through a change of chord.

What it does:
    Notes that a chord of the accompaniment shares with the chord before are not struck again:
    only the notes that change are.

When a harpist would do this:
    To strike and place fewer strings, and since a ringing string should not be touched
    (Philharmonia Orchestra, harp notes); holding common tones is the first rule of joining chords
    (common practice of harmony).

What is lost:
    Weight on the second chord.

Does not apply when:
    The chords share nothing, follow across a rest, or would lose their root or third.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator

from simplify.harp.player import Player
from simplify.score.edits import (
    Place,
    all_then_each,
    dropping,
    following,
    leading,
    names,
    staff_bars,
)
from simplify.score.model import Edit, Passage
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY | Keeps.RHYTHM


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    lead = leading(passage)
    edits: list[Edit | None] = []
    for _, _, cols in staff_bars(passage):
        places: list[Place] = []
        for before, column in itertools.pairwise(cols):
            if len(column.strikes) < 2 or before.end < column.onset:
                continue
            rung = {s.pitch.midi for s in before.strikes}
            held = [
                s for s in following(column, lead, passage.part) if s.pitch.midi in rung
            ]
            fresh = [s for s in column.strikes if s not in held]
            if held and fresh:
                reason = (
                    f"{column.hand}: {names(held)} is held over, only {names(fresh)} is struck"
                )
                places.append((dropping(*held), reason))
        reason = f"{cols[0].hand}: common tones are held, only what changes is struck"
        edits.extend(all_then_each(passage, places, reason, 2))
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="hold_common_tones",
    title="Hold common tones",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("2/4 | G5:2 ; [C3 E3 G3]:1 [C3 F3 A3]", "2/4 | G5:2 ; [C3 E3 G3]:1 [F3 A3]"),
        Case("2/4 | G5:2 ; [C3 E3 G3]:1 [D3 F3 A3]", None),
        Case("2/4 | G5:2 ; [C3 E3 G3]:1 [C3 E3 G3]", None),
    ),
)
