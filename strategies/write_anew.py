"""Write the bar anew from its tune, its bass and its harmony.

What it does:
    Takes the bar apart into tune and accompaniment and writes both again, simpler: the
    accompaniment twice a bar, as one chord or one bass note a bar, the tune on half beats, beats or
    half bars, chords fitted to the hand, accidentals that cost a pedal left out. Three ways are
    offered, from the nearest to the plainest.

When a harpist would do this:
    Where a bar is so far beyond the player that mending it note by note leaves a ruin: then tune
    and harmony are kept and the rest is written for the harp (arranging from a piano score: common
    practice; the single remedies: Volpe Bligh, Writing for the Pedal Harp).

What is lost:
    The figuration, and with the plainer ways the tune's shorter notes.

Does not apply when:
    The bar is a tune over one bass as it stands, is tied to music outside the passage, or would
    need values that no single note has.
"""

from __future__ import annotations

from collections.abc import Iterator

from simplify.harp.player import Player
from simplify.realise.bar import Dials, Rows, basis_of
from simplify.realise.edit import WRITE_ANEW, written_anew
from simplify.score.model import Edit, Passage
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.NOTHING
WAYS = (
    Dials(tune=2, pace=4, chords=1, near=1, rhythm=2),
    Dials(tune=3, pace=5, chords=1, near=1, colour=2, rhythm=3),
    Dials(tune=4, pace=6, chords=4, near=2, colour=3, rhythm=3),
)
"""From the nearest to the plainest; what is nearer still, the other strategies offer one by one."""


def _anew(passage: Passage, rows: Rows, dials: Dials) -> Edit | None:
    """The passage's bars with the dials turned; None if as much is struck as before."""
    span = passage.first, passage.last
    bars = range(span[0], span[1] + 1)
    edits = written_anew(rows, dict.fromkeys(bars, dials), [span])
    if edits is None or edits[0] is None:
        return None
    after = passage.of(passage.part.apply(edits[0]))
    return edits[0] if len(after.strikes) < len(passage.strikes) else None


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    if not passage.notes:
        return
    rows = Rows(basis_of(passage.part, player.harp), player)
    yield from promised(passage, KEEPS, (_anew(passage, rows, dials) for dials in WAYS))


STRATEGY = Strategy(
    name=WRITE_ANEW,
    title="Write the bar anew from tune, bass and harmony",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case(
            "4/4 | E5:1/2 F5 G5 A5 G5:1 E5 ; C3:1/4 G3 C4 G3 C3 G3 C4 G3 C3 G3 C4 G3 C3 G3 C4 G3",
            "4/4 | E5:1/2 F5 G5 A5 G5:1 E5 ; [C3 G3]:2 G3",
        ),
        Case("4/4 | E5:4 ; C3:4", None),
        Case("4/4 | r:4 ; r:4", None),
    ),
)
