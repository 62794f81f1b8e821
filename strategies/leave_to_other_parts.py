"""Leave to other parts what they double.

What it does:
    With the full score at hand: leaves out notes of the accompaniment that another part strikes
    at the same moment at the same pitch. The lowest note of each chord stays, and the melody.

When a harpist would do this:
    In an orchestra, without being asked: the harp lights up what others play and need not carry
    all of it (Berg, a harpist's article on writing for harp; doubled notes are the first that an
    arranger takes from a crowded part: common practice).

What is lost:
    Weight of the harp alone; no sound of the whole.

Does not apply when:
    No other part is in the score, or it plays other notes, or doubles them at the octave only.
"""

from __future__ import annotations

from collections.abc import Iterator

from simplify.harp.player import Player
from simplify.score.edits import (
    Place,
    all_then_each,
    dropping,
    following,
    leading,
    names_of,
    staff_bars,
)
from simplify.score.model import Edit, Passage
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY | Keeps.BASS | Keeps.RHYTHM


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    struck = {
        (n.onset, n.pitch.midi): n.voice for n in passage.part.around if not n.tie_in
    }
    if not struck:
        return
    lead = leading(passage)
    edits: list[Edit | None] = []
    for _, _, cols in staff_bars(passage):
        places: list[Place] = []
        for column in cols:
            gone = [
                s for s in following(column, lead, passage.part)
                if (s.onset, s.pitch.midi) in struck and s is not column.low
            ]
            if gone:
                who = struck[gone[0].onset, gone[0].pitch.midi]
                reason = f"{column.hand}: {names_of(gone)} is left to {who}, which has it too"
                places.append((dropping(*gone), reason))
        reason = f"{cols[0].hand}: what other parts double is left to them"
        edits.extend(all_then_each(passage, places, reason, 2))
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="leave_to_other_parts",
    title="Leave to other parts what they double",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("4/4 | G5:4 ; [C3 G3 E4]:2 [C3 A3 F4] ; E4:2 F4", "4/4 | G5:4 ; [C3 G3]:2 [C3 A3]"),
        Case("4/4 | [C5 E5 G5]:4 ; C3:4 ; [C5 E5]:4", "4/4 | [C5 G5]:4 ; C3:4"),
        Case("4/4 | G5:4 ; [C3 G3 E4]:4 ; E5:4", None),
        Case("4/4 | G5:4 ; C3:4 ; [C3 G5]:4", None),
        Case("4/4 | G5:4 ; [C3 G3 E4]:4", None),
        Case("4/4 | G5:4 ; [C3 G3 E4]:4 ; r:1 E4:3", None),
    ),
)
