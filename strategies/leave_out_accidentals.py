"""Leave out accidental notes in the accompaniment.

What it does:
    Leaves out the notes under the melody that are foreign to the key, since each asks for a
    pedal: first those that are foreign to the harmony as well (passing and neighbour notes), then
    all of them. The note before rings on.

When a harpist would do this:
    When the accompaniment slides in semitones and the feet have no time (a line too chromatic is
    left to others or thinned: Volpe Bligh, Writing for the Pedal Harp).

What is lost:
    Chromatic colour; with all of them, sometimes the third of a borrowed chord.

Does not apply when:
    The accompaniment stays in the key.
"""

from __future__ import annotations

from collections.abc import Iterator

from simplify.harp.player import Player
from simplify.score.edits import (
    Place,
    all_then_each,
    dropping,
    following,
    harmony_at,
    is_accidental,
    leading,
    names_of,
    staff_bars,
)
from simplify.score.harmony import harmonies
from simplify.score.model import Edit, Passage
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    lead, found = leading(passage), harmonies(passage)
    edits: list[Edit | None] = []
    for bar, _, cols in staff_bars(passage):
        passing: list[Place] = []
        every: list[Place] = []
        for column in cols:
            gone = [
                s
                for s in following(column, lead, passage.part)
                if is_accidental(s.pitch, bar)
            ]
            if not gone:
                continue
            harmony = harmony_at(found, column.onset)
            foreign = [
                s for s in gone if harmony is None or s.pitch.pitch_class not in harmony.classes
            ]
            if foreign:
                reason = f"{column.hand}: {names_of(foreign)} is left out, which saves a pedal"
                passing.append((dropping(*foreign), reason))
            reason = f"{column.hand}: {names_of(gone)} is left out, which saves a pedal"
            every.append((dropping(*gone), reason))
        hand = cols[0].hand
        reason = f"{hand}: the bar without its chromatic passing notes"
        edits.extend(all_then_each(passage, passing, reason, 1))
        reason = f"{hand}: the bar without the notes foreign to the key"
        edits.extend(all_then_each(passage, every, reason, 1))
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="leave_out_accidentals",
    title="Leave out accidental notes under the melody",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("2/4 | G5:2 ; C3:1/2 C#3 D3 E3", "2/4 | G5:2 ; C3:1 D3:1/2 E3"),
        Case("4/4 | D5:4 ; [D3 F#3 A3]:4", "4/4 | D5:4 ; [D3 A3]:4"),
        Case("2/4 | G5:2 ; C3:1/2 D3 E3 F3", None),
        Case("2/4 | C5:1/2 C#5 D5 E5 ; C3:2", None),
    ),
)
