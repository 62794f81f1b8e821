"""Keep bass octaves on the strong beats only.

What it does:
    In a row of left-hand octaves (also within fuller chords) the octave stays on the strong beats
    and rings on; between them one of its two notes is struck: the upper one, near the hand, or on
    a repeated bass the two in turn.

When a harpist would do this:
    In marches and rags written for the piano's left hand: a row of octaves at speed asks for a
    fresh placing each time and the low strings cannot be struck so often without a buzz (fewer
    attacks and alternating octaves in the bass: Goss, 100 Orchestration Tips, and the University of
    British Columbia's notes on harp writing).

What is lost:
    Weight on the weak beats; no pitch class and no onset.

Does not apply when:
    The hand has no octaves, or none off the strong beats.
"""

from __future__ import annotations

from collections.abc import Iterator

from simplify.harp.player import Player
from simplify.score.edits import (
    Column,
    Draft,
    following,
    leading,
    lower_bars,
    strength,
)
from simplify.score.model import Edit, NoteId, Part, Passage, Strike
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY | Keeps.HARMONY | Keeps.RHYTHM
STRONG = 2
"""`strength` from which an octave stays: the first and the middle beat (estimate)."""


def _octave(
    column: Column, lead: frozenset[NoteId], part: Part
) -> tuple[Strike, Strike] | None:
    """The lowest note and its octave in the column, if neither leads."""
    free = following(column, lead, part)
    above = [s for s in free if s.pitch.midi == column.low.pitch.midi + 12]
    return (column.low, above[0]) if above and column.low in free else None


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    lead = leading(passage)
    edits: list[Edit | None] = []
    for bar, cols in lower_bars(passage):
        found = [(c, _octave(c, lead, passage.part)) for c in cols]
        octaves = [(c, pair) for c, pair in found if pair is not None]
        weak = [pair for c, pair in octaves if strength(bar, c.onset) < STRONG]
        if not weak or len(octaves) < 2:
            continue
        upper = Draft(passage)
        upper.drop(*(low for low, _ in weak))
        edits.append(upper.edit(
            "left hand: octaves on the strong beats only, between them the upper note"
        ))
        if len({low.pitch.midi for _, (low, _) in octaves}) == 1:
            turn = Draft(passage)
            for at, (_, (low, high)) in enumerate(octaves):
                turn.drop(high if at % 2 == 0 else low)
            edits.append(turn.edit("left hand: the two notes of the octave in turn"))
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="octaves_on_strong_beats",
    title="Keep bass octaves on the strong beats",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case(
            "4/4 | G5:4 ; [C2 C3]:1 [D2 D3] [E2 E3] [F2 F3]",
            "4/4 | G5:4 ; [C2 C3]:1 D3 [E2 E3] F3",
        ),
        Case("2/4 | G5:2 ; [C2 C3]:1/2 [C2 C3] [C2 C3] [C2 C3]", "2/4 | G5:2 ; C2:1/2 C3 C2 C3"),
        Case(
            "2/4 | G5:2 ; [C2 C3]:1/2 [E3 G3] [G2 G3] [E3 G3]", None,
        ),
        Case("4/4 | G5:4 ; [C2 C3]:2 [G2 G3]", None),
        Case("4/4 | G5:4 ; C2:1 D2 E2 F2", None),
        Case("4/4 | [G4 G5]:1 [A4 A5] [G4 G5] [F4 F5] ; C3:4", None),
    ),
)
