"""Bring the left hand's figure into one position.

What it does:
    Moves the notes of the left hand in a bar by octaves so that all lie within one hand's reach,
    from the bar's bass upward (or from the octave above it), and the hand need not travel.

When a harpist would do this:
    When a piano left hand strides between bass and chord: the harpist keeps the hand placed
    (keep chord notes close together: Rimsky-Korsakov, Principles of Orchestration, ch. I;
    placing ahead: common practice).

What is lost:
    The low octave or the spread; every pitch class and onset stays.

Does not apply when:
    The hand already lies in one position.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from simplify.harp.hand import blurred
from simplify.harp.player import Player
from simplify.score.edits import Column, Draft, at_octave, following, leading, staff_bars
from simplify.score.model import Edit, NoteId, Passage
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY | Keeps.HARMONY | Keeps.RHYTHM


def _folded(
    passage: Passage, cols: Sequence[Column], bottom: int, reach: int, lead: frozenset[NoteId]
) -> Draft | None:
    draft = Draft(passage)
    for column in cols:
        free = following(column, lead, passage.part)
        if len(free) < len(column.strikes):
            return None
        now = []
        for strike in free:
            pitch = strike.pitch
            while pitch.string > bottom + reach:
                pitch = at_octave(pitch, -1)
            while pitch.string < bottom:
                pitch = at_octave(pitch, 1)
            if pitch != strike.pitch:
                draft.pitch(strike, pitch)
            now.append(pitch)
        if blurred(now) and not blurred(s.pitch for s in free):
            return None
    return draft


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    lead, reach = leading(passage), player.limits.reach
    edits: list[Edit | None] = []
    for bar, staff, cols in staff_bars(passage):
        strings = [s.pitch.string for c in cols for s in c.strikes]
        if staff == 1 or len(cols) < 2 or max(strings) - min(strings) <= reach:
            continue
        above = [
            s.pitch.string
            for s in passage.strikes
            if s.first.staff == 1 and s.first.bar == bar.index
        ]
        for octaves in (0, 1, 2):
            bottom = cols[0].low.pitch.string + 7 * octaves
            if bottom > max(strings) or (above and bottom + 4 > min(above)):
                continue
            draft = _folded(passage, cols, bottom, reach, lead)
            if draft is not None:
                start = at_octave(cols[0].low.pitch, octaves).name
                edits.append(
                    draft.edit(f"left hand: the bar's figure within one reach, from {start} up")
                )
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="close_position",
    title="Bring the left hand into one position",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("3/4 | E6:3 ; C2:1 [E4 G4] [E4 G4]", "3/4 | E6:3 ; C4:1 [E4 G4] [E4 G4]"),
        Case("3/4 | E6:3 ; C2:1 [E4 G4] [E4 G4]", "3/4 | E6:3 ; C3:1 [E3 G3] [E3 G3]"),
        Case("3/4 | E6:3 ; C3:1 [E3 G3] [E3 G3]", None),
        Case("3/4 | E6:3 ; [C3 G3 C4]:3", None),
    ),
)
