"""Play harmonics as plain notes.

What it does:
    Takes the harmonic sign away and writes the note an octave higher, where the harmonic sounds.

When a harpist would do this:
    When harmonics come too fast, two at a time in the right hand, outside their good register, or
    would not be heard (in a tutti play ordinary notes an octave higher: common practice; harmonics
    sound an octave above the string: Sibelius Academy, harp notation manual).

What is lost:
    The colour.

Does not apply when:
    There is no harmonic, or the octave lies off the harp.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from simplify.harp.player import Player
from simplify.score.edits import Draft, Place, all_then_each, at_octave, whole
from simplify.score.model import Edit, Passage, Strike
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.HARMONY | Keeps.RHYTHM


def _act(strike: Strike) -> Callable[[Draft], None]:
    def act(draft: Draft) -> None:
        draft.pitch(strike, at_octave(strike.pitch, 1))
        draft.mark(strike, strike.first.without("harmonic"))

    return act


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    edits: list[Edit | None] = []
    for bar in passage.bars:
        places: list[Place] = []
        for strike in passage.strikes:
            if strike.first.bar != bar.index or not strike.first.has("harmonic"):
                continue
            higher = at_octave(strike.pitch, 1)
            if whole(passage, strike) and player.harp.strings_for(higher):
                reason = f"the harmonic on {strike.pitch.name} becomes a plain {higher.name}"
                places.append((_act(strike), reason))
        reason = "the harmonics of the bar become plain notes an octave higher"
        edits.extend(all_then_each(passage, places, reason, 2))
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="plain_harmonics",
    title="Play harmonics as plain notes",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("2/4 | G4:1{harmonic} A4{harmonic} ; C3:2", "2/4 | G5:1 A5 ; C3:2"),
        Case("2/4 | G4:1 A4 ; C3:2", None),
        Case("2/4 | G4:1{accent} A4 ; C3:2", None),
    ),
)
