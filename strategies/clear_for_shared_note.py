"""Clear the other hand for a repeated note.

What it does:
    Where a melody note comes again too soon for one hand and the other hand has no time for it,
    the other hand leaves out what keeps it away, and takes the second note, its top alone.

When a harpist would do this:
    When a repeated note of the melody has to stay: two hands leave each finger twice the time to
    come back (alternating hands on one string: common practice); time to place is made by leaving
    notes out (allow time to place: Volpe Bligh, Preparing orchestral harp parts).

What is lost:
    The accompaniment around the repeated note, and what doubled the note below.

Does not apply when:
    There is time for one hand, the other hand is free already, or its notes lead.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from simplify.harp.hand import placing_seconds
from simplify.harp.player import Limits, Player
from simplify.score.edits import (
    Column,
    Draft,
    inside,
    leading,
    plain,
    row,
    seconds_between,
    whole,
)
from simplify.score.model import Edit, NoteId, Passage, Strike
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY


def _in_the_way(passage: Passage, theirs: Sequence[Column], top: Strike, limits: Limits) -> list[
    Column
]:
    """The other hand's columns that leave it no time to come to a strike and go back, at the edge
    of what is possible."""
    return [
        column
        for column in theirs
        if abs(seconds_between(passage.part, column.onset, top.onset))
        < limits.hard_share * placing_seconds(abs(column.centre - top.pitch.string), limits)
    ]


def _shared(
    passage: Passage, column: Column, theirs: Sequence[Column], lead: frozenset[NoteId],
    limits: Limits,
) -> Edit | None:
    """The column's top alone for the left hand, the left hand cleared for it."""
    part, top = passage.part, column.high
    below = [s for s in column.strikes if s is not top]
    gone = [s for c in _in_the_way(passage, theirs, top, limits) for s in c.strikes]
    free = all(
        plain(s, part) and whole(passage, s) and s.first.id not in lead for s in (*below, *gone)
    )
    if not gone or not free or not plain(top, part) or not whole(passage, top):
        return None
    draft = Draft(passage)
    draft.drop(*below, *gone)
    draft.put(top, hand="L")
    return draft.edit(
        f"both hands: the repeated {top.pitch.name} is struck in turn, the left hand cleared for it"
    )


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    limits, lead = player.limits, leading(passage)
    cols, theirs = row(passage, 1), row(passage, 2)
    edits: list[Edit | None] = []
    last: dict[int, Column] = {}
    for column in cols:
        sound = column.high.pitch.midi
        before = last.get(sound)
        last[sound] = column
        if before is None or not inside(passage, column) or column.high.first.hand == "L":
            continue
        gap = seconds_between(passage.part, before.onset, column.onset)
        if gap < limits.hard_share * limits.repeat_seconds:
            edits.append(_shared(passage, column, theirs, lead, limits))
            del last[sound]  # the next strike is the right hand's again
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="clear_for_shared_note",
    title="Clear the other hand for a repeated note",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case(
            "2/4 tempo:120 | G4:1/4 [G3 G4]:1/4 A4:3/2 ; C3:1/2 E3 C3:1",
            "2/4 tempo:120 | G4:1/4 L:G4:1/4 A4:3/2 ; r:1 C3:1",
        ),
        Case("2/4 tempo:40 | G4:1/2 G4 A4:1 ; C3:1/2 E3 C3:1", None),
        Case("2/4 tempo:120 | G4:1/4 A4 G4:3/2 ; r:2", None),
        Case("2/4 tempo:120 | G4:1/4 G4 A4:3/2 ; r:2", None),
    ),
)
