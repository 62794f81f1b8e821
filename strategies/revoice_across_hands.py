"""Give a note of a chord to the other hand in another octave.

What it does:
    A note that a full or wide chord has too much goes to the other hand, which strikes at the same
    time, in the octave that lies in that hand: under the right hand's top note or above the left
    hand's bass.

When a harpist would do this:
    When one hand has more than its fingers or its reach and the other has room, but lies too far
    away to take the note where it is ("split between hands": Volpe Bligh, Writing for the Pedal
    Harp; the chord voiced anew between the hands: common practice).

What is lost:
    The spacing of the chord; tune, bass and every chord tone stay.

Does not apply when:
    The other hand strikes nothing then, is full, or has that tone already.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from simplify.harp.hand import past_the_hand
from simplify.harp.player import Limits, Player
from simplify.score.edits import (
    Column,
    Draft,
    Place,
    all_then_each,
    at_octave,
    following,
    leading,
)
from simplify.score.model import Edit, NoteId, Passage, Pitch, Strike
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY | Keeps.BASS | Keeps.HARMONY | Keeps.RHYTHM
OCTAVES = (1, 2, 3)
"""How far a note may go, the nearest first."""

_Lent = tuple[Strike, Pitch]


def _fits(pitch: Pitch, column: Column, rest: Sequence[int], theirs: Sequence[int]) -> bool:
    """True if a note lies between the other hand's outer note and this hand's other notes. rest,
    theirs: strings of both hands."""
    if column.staff == 1:
        return min(theirs) < pitch.string < min(rest) and pitch.string not in theirs
    return max(rest) < pitch.string < max(theirs) and pitch.string not in theirs


def _lent(
    column: Column, other: Column, free: frozenset[NoteId], limits: Limits
) -> list[_Lent]:
    """Notes of a full or wide column with the pitch that each has in the other hand; empty if that
    does not bring the column into the hand."""
    own, given = list(column.strikes), list[_Lent]()
    theirs = [s.pitch.string for s in other.strikes]
    sounds = {s.pitch.midi % 12 for s in other.strikes}
    way = 1 if column.staff == 2 else -1
    while len(own) > limits.notes_per_hand or (
        own[-1].pitch.string - own[0].pitch.string > limits.reach
    ):
        inner = own[1:] if column.staff == 2 else own[:-1]
        if not inner or len(theirs) == limits.notes_per_hand:
            return []
        strike = inner[-1] if column.staff == 2 else inner[0]
        rest = [s.pitch.string for s in own if s is not strike]
        pitches = [at_octave(strike.pitch, way * octaves) for octaves in OCTAVES]
        pitch = next(
            (
                p for p in pitches
                if _fits(p, column, rest, theirs)
                and max(*theirs, p.string) - min(*theirs, p.string) <= limits.reach
            ),
            None,
        )
        if pitch is None or strike.first.id not in free or strike.pitch.midi % 12 in sounds:
            return []
        own.remove(strike)
        given.append((strike, pitch))
        theirs.append(pitch.string)
        sounds.add(pitch.midi % 12)
    return given


def _place(column: Column, given: Sequence[_Lent]) -> Place:
    target = 3 - column.staff
    taker = "left hand" if target == 2 else "right hand"
    told = " ".join(f"{strike.pitch.name} as {pitch.name}" for strike, pitch in given)

    def act(draft: Draft) -> None:
        for strike, pitch in given:
            draft.pitch(strike, pitch)
            draft.move(strike, target)

    return act, f"{taker}: takes {told} from the {column.hand}'s {column.names}"


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    lead, limits = leading(passage), player.limits
    edits: list[Edit | None] = []
    for giver, taker, columns in past_the_hand(passage, limits):
        places: list[Place] = []
        for column, other in columns:
            free = frozenset(s.first.id for s in following(column, lead, passage.part))
            given = _lent(column, other, free, limits) if other is not None else []
            if given:
                places.append(_place(column, given))
        reason = f"{taker}: takes chord tones that the {giver} can't hold, in an octave of its own"
        edits.extend(all_then_each(passage, places, reason))
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="revoice_across_hands",
    title="Give a chord tone to the other hand in its octave",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("4/4 | G5:4 ; [G2 D3 B3]:4", "4/4 | [B4 G5]:4 ; [G2 D3]:4", "beginner"),
        Case("2/4 | E6:2 ; [C3 C4 G4]:2", "2/4 | [G5 E6]:2 ; [C3 C4]:2"),
        Case("4/4 | G5:4 ; [G2 D3]:4", None, "beginner"),
        Case("4/4 | [B4 G5]:4 ; [G2 D3 B3]:4", None, "beginner"),
        Case("4/4 | r:4 ; [G2 D3 B3]:4", None, "beginner"),
        Case("4/4 | E5:1/4 F5 G5:7/2 ; r:1 [G2 D3 B3]:3", None, "beginner"),
    ),
)
