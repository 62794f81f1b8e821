"""Drop ornaments.

What it does:
    Leaves out grace notes, mordents, turns and trill signs of a bar: all of them, only the grace
    notes, or only the signs.

When a harpist would do this:
    For pupils, or when the ornament asks for a finger or a pedal that is not free (common
    practice).

What is lost:
    Decoration; every main note stays.

Does not apply when:
    The bar has no ornament.
"""

from __future__ import annotations

from collections.abc import Iterator

from simplify.harp.player import Player
from simplify.score.edits import Draft, whole
from simplify.score.model import Edit, Passage, Strike
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY | Keeps.RHYTHM
SIGNS = ("mordent", "turn", "trill")
"""Mark kinds that stand for extra notes."""


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    edits: list[Edit | None] = []
    for bar in passage.bars:
        own = [s for s in passage.strikes if s.first.bar == bar.index and whole(passage, s)]
        graces = [s for s in own if s.lead]
        signed = [s for s in own if any(s.first.has(kind) for kind in SIGNS)]
        ways: tuple[tuple[list[Strike], list[Strike], str], ...] = (
            (graces, signed, "the ornaments of the bar go, the main notes stay"),
            (graces, [], "the grace notes of the bar go"),
            ([], signed, "the ornament signs of the bar go, the notes are played plain"),
        )
        for notes, signs, reason in ways:
            if not notes and not signs:
                continue
            draft = Draft(passage)
            for strike in signs:
                draft.mark(strike, strike.first.without(*SIGNS))
            draft.drop(*notes)
            edits.append(draft.edit(reason))
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="drop_ornaments",
    title="Drop ornaments",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("2/4 | ^D5 C5:1{mordent} E5 ; C3:2", "2/4 | C5:1 E5 ; C3:2"),
        Case("2/4 | ^D5 C5:1{mordent} E5 ; C3:2", "2/4 | C5:1{mordent} E5 ; C3:2"),
        Case("2/4 | C5:1 E5 ; C3:2", None),
        Case("2/4 | C5:1{accent} E5{arpeggio} ; C3:2", None),
    ),
)
