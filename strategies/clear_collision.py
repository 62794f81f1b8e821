"""Clear a collision of the hands.

What it does:
    Where the left hand strikes strings that the right hand is on or above it, the left hand of
    the bar goes an octave down, or the colliding left-hand notes are left out.

When a harpist would do this:
    Both hands can't share a string, and crossing is safe only for a moment in the middle register
    (Sibelius Academy, harp notation manual).

What is lost:
    The register of the left hand, or a doubled note.

Does not apply when:
    The left hand stays below the right.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from simplify.harp.hand import blurred
from simplify.harp.player import Player
from simplify.score.edits import Draft, at_octave, dropping, following, leading, lower_bars
from simplify.score.model import Edit, Passage, Strike
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY


def _colliding(passage: Passage, low: Sequence[Strike], bar: int) -> list[Strike]:
    """Lower-staff strikes at or above an upper-staff string that sounds at that moment."""
    upper = [s for s in passage.strikes if s.first.staff == 1 and s.first.bar == bar]
    return [
        s
        for s in low
        if any(
            u.onset <= s.onset < max(u.end, u.onset + 1) and s.pitch.string >= u.pitch.string
            for u in upper
        )
    ]


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    lead = leading(passage)
    edits: list[Edit | None] = []
    for bar, cols in lower_bars(passage):
        low = [s for c in cols for s in following(c, lead, passage.part)]
        met = _colliding(passage, low, bar.index)
        if not met:
            continue
        lowered = {s.first.id: at_octave(s.pitch, -1) for s in low}
        if all(player.harp.strings_for(p) for p in lowered.values()) and not any(
            blurred(lowered[s.first.id] for s in c.strikes if s.first.id in lowered) for c in cols
        ):
            draft = Draft(passage)
            for strike in low:
                draft.pitch(strike, lowered[strike.first.id])
            edits.append(draft.edit("left hand: an octave lower in this bar, clear of the right"))
        draft = Draft(passage)
        dropping(*met)(draft)
        edits.append(draft.edit("left hand: the notes that meet the right hand's are left out"))
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="clear_collision",
    title="Clear a collision of the hands",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("2/4 | E4:1 F4 ; C4:1/2 G4 C4 A4", "2/4 | E4:1 F4 ; C3:1/2 G3 C3 A3"),
        Case("2/4 | E4:1 F4 ; C4:1/2 G4 C4 A4", "2/4 | E4:1 F4 ; C4:1 C4"),
        Case("2/4 | E5:1 F5 ; C4:1/2 G4 C4 A4", None),
        Case("2/4 | E5:1 F5 ; C4:2", None),
    ),
)
