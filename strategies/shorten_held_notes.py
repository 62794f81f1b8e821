"""Shorten held notes.

What it does:
    Cuts the written value of a note that is held while the same string letter is wanted at
    another pedal position, or while its hand has to play elsewhere; or writes all notes of a hand
    only until the hand's next notes, as one voice. The string may ring on.

When a harpist would do this:
    Always with piano notation of held inner voices: the string rings anyway, the written hold only
    forbids the pedal and the finger (collapsing held inner voices: common practice; a pedal that
    moves under a sounding string buzzes: Philharmonia Orchestra, harp notes).

What is lost:
    Nothing struck; the look of the held voice.

Does not apply when:
    Nothing is held past the hand's next notes, or the melody would change.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator

from simplify.harp.player import Player
from simplify.score.edits import Draft, Place, all_then_each, plain, staff_bars, whole
from simplify.score.model import Edit, Passage, Strike
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY | Keeps.RHYTHM


def _cutting(strike: Strike, end: int) -> Callable[[Draft], None]:
    def act(draft: Draft) -> None:
        draft.cut(strike, end)

    return act


def _pedal_moves(passage: Passage, strike: Strike) -> int | None:
    """The first onset within the strike's written value that wants its letter elsewhere."""
    return min(
        (
            s.onset
            for s in passage.strikes
            if strike.onset < s.onset < strike.end
            and s.pitch.step == strike.pitch.step
            and s.pitch.alter != strike.pitch.alter
        ),
        default=None,
    )


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    held: list[Place] = []
    for strike in passage.strikes:
        if strike.lead or not plain(strike, passage.part) or not whole(passage, strike):
            continue
        moment = _pedal_moves(passage, strike)
        if moment is not None:
            reason = (
                f"{strike.pitch.name} is written shorter, so that the {strike.pitch.step} pedal "
                "can move"
            )
            held.append((_cutting(strike, moment), reason))
    reason = "held notes are written shorter, so that their pedals can move"
    edits = list(all_then_each(passage, held, reason, 2))
    for _, _, cols in staff_bars(passage):
        places: list[Place] = []
        for here, after in itertools.pairwise(cols):
            for strike in here.strikes:
                if strike.end > after.onset and plain(strike, passage.part):
                    reason = (
                        f"{here.hand}: {strike.pitch.name} is written only until the hand's next "
                        "note"
                    )
                    places.append((_cutting(strike, after.onset), reason))
        reason = f"{cols[0].hand}: each note is written only until the hand's next one"
        edits.extend(all_then_each(passage, places, reason, 1))
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="shorten_held_notes",
    title="Shorten held notes",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("4/4 | C5:2 C#5 ; C3:4", "4/4 | C5:2 C#5 ; C3:2"),
        Case("4/4 | G5:4 ; r:1 E4 G4 E4 & C3:4", "4/4 | G5:4 ; r:1 E4 G4 E4 & C3:1"),
        Case("4/4 | C5:2 D5 ; C3:4", None),
        Case("4/4 | C5:2 C5 ; C3:2 C#3", None),
    ),
)
