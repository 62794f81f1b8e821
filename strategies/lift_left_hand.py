"""Lift the left hand an octave.

What it does:
    Plays the left hand of a bar an octave higher, or only its notes below C3, where they lie close
    together or move in the blurred low register.

When a harpist would do this:
    Low strings ring long and blur; quick or close figures are clean only higher (Rimsky-Korsakov,
    Principles of Orchestration, ch. I; a dense low left hand goes an octave up: common practice).

What is lost:
    Depth.

Does not apply when:
    The left hand lies above C3, has single slow notes, or would run into the right hand.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence

from simplify.harp.hand import LOW_LINE, blurred
from simplify.harp.player import Player
from simplify.score.edits import Column, Draft, at_octave, following, leading, sounding, staff_bars
from simplify.score.model import Edit, NoteId, Passage, Strike
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY | Keeps.HARMONY | Keeps.RHYTHM
SLOW = 1.0
"""Seconds between low strikes from which they are clear (estimate)."""


def _muddy(passage: Passage, cols: Sequence[Column]) -> bool:
    low = [c for c in cols if c.low.pitch.string < LOW_LINE]
    if any(blurred(s.pitch for s in c.strikes) for c in low):
        return True
    times = [passage.part.seconds(c.onset) for c in low]
    return any(b - a < SLOW for a, b in itertools.pairwise(times))


def _room(passage: Passage, strikes: Sequence[Strike]) -> bool:
    """True if nothing of the upper staff sounds at or below the lifted notes."""
    for strike in strikes:
        new = strike.pitch.string + 7
        for other in sounding(passage, strike.onset, strike.end):
            if other.first.staff == 1 and other.pitch.string <= new:
                return False
    return True


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    lead: frozenset[NoteId] = leading(passage)
    edits: list[Edit | None] = []
    for _, staff, cols in staff_bars(passage):
        if staff == 1 or not _muddy(passage, cols):
            continue
        strikes = [s for c in cols for s in following(c, lead, passage.part)]
        low = [s for s in strikes if s.pitch.string < LOW_LINE]
        for chosen, words in ((strikes, "the bar"), (low, "the notes below C3")):
            if chosen and _room(passage, chosen):
                draft = Draft(passage)
                for strike in chosen:
                    draft.pitch(strike, at_octave(strike.pitch, 1))
                edits.append(
                    draft.edit(f"left hand: {words} an octave higher, out of the blurred strings")
                )
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="lift_left_hand",
    title="Lift the left hand an octave",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("2/4 | G5:2 ; [C2 E2]:1 [D2 F2]", "2/4 | G5:2 ; [C3 E3]:1 [D3 F3]"),
        Case("2/4 | G5:2 ; C2:1/2 G3 C2 G3", "2/4 | G5:2 ; C3:1/2 G3 C3 G3"),
        Case("2/4 | G5:2 ; [C3 E3]:1 [D3 F3]", None),
        Case("2/4 tempo:50 | G5:2 ; C2:2", None),
    ),
)
