"""Share a trill between the hands, or play it plain.

What it does:
    Writes a trill out as even notes for the two hands in turn (the right hand the note, the left
    hand its upper neighbour), as quick as the player can and a step slower, when the left hand is
    free; or takes the trill sign away and leaves the note.

When a harpist would do this:
    A trill in one hand is weak and most players lack it; two hands in turn are preferred (from
    memory of Widor, Technique of the Modern Orchestra).

What is lost:
    Speed of the trill, or the trill.

Does not apply when:
    There is no trill. The two-hand form needs a left hand that has nothing to strike meanwhile.
"""

from __future__ import annotations

from collections.abc import Iterator

from simplify.harp.player import Player
from simplify.score.edits import Draft, even_values, in_key, whole
from simplify.score.model import TICKS, Bar, Edit, Passage, Pitch, Strike, new_note
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.BASS
UNITS = (TICKS // 8, TICKS // 6, TICKS // 4, TICKS // 2)
"""Values tried, quickest first: 32nd, triplet sixteenth, sixteenth, eighth."""
TWO_HAND_SHARE = 0.5
"""Each hand plays every second note, so the pair may go twice as fast as a hand (common
practice), as long as a string is not plucked again too soon: each hand keeps to one."""


def _neighbour(pitch: Pitch, bar: Bar) -> Pitch:
    """The upper neighbour in the key, on the next string."""
    letter = Pitch.on_string(pitch.string + 1, 0)
    return Pitch(letter.step, in_key(bar.fifths)[letter.step], letter.octave)


def _shared(passage: Passage, strike: Strike, player: Player) -> Iterator[Edit | None]:
    """The trill as the two hands can play it, at the two quickest speeds."""
    head, bar, limits = strike.first, passage.part.bars[strike.first.bar], player.limits
    upper = _neighbour(strike.pitch, bar)
    if len(strike.notes) != 1 or upper.midi <= strike.pitch.midi or any(
        s is not strike and strike.onset <= s.onset < strike.end for s in passage.strikes
    ):
        return
    least = max(TWO_HAND_SHARE / limits.hand_rate, limits.hard_share * limits.repeat_seconds / 2)
    for unit in even_values(passage.part, strike.onset, strike.end, UNITS, least)[:2]:
        draft = Draft(passage)
        draft.mark(strike, head.without("trill"))
        draft.retime(strike, strike.onset, strike.onset + unit)
        draft.put(strike, hand="R")
        for k in range(1, (strike.end - strike.onset) // unit):
            draft.add(
                new_note(
                    strike.onset + k * unit, unit, upper if k % 2 else strike.pitch, bar.index,
                    staff=head.staff, voice=head.voice, hand="L" if k % 2 else "R",
                )
            )
        yield draft.edit(
            f"both hands: the trill on {strike.pitch.name} is shared in turn, "
            f"{strike.pitch.name} right and {upper.name} left"
        )


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    edits: list[Edit | None] = []
    for strike in passage.strikes:
        if strike.lead or not strike.first.has("trill") or not whole(passage, strike):
            continue
        edits += _shared(passage, strike, player)
        draft = Draft(passage)
        draft.mark(strike, strike.first.without("trill"))
        edits.append(draft.edit(f"the trill on {strike.pitch.name} becomes a plain note"))
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="share_trill",
    title="Share a trill between the hands, or play it plain",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case(
            "2/4 tempo:60 | C5:2{trill}",
            "2/4 tempo:60 | R:C5:1/8 L:D5 R:C5 L:D5 R:C5 L:D5 R:C5 L:D5 "
            "R:C5 L:D5 R:C5 L:D5 R:C5 L:D5 R:C5 L:D5",
        ),
        Case("2/4 tempo:60 | C5:2{trill} ; r:1 [C3 E3]", "2/4 tempo:60 | C5:2 ; r:1 [C3 E3]"),
        Case("2/4 tempo:60 | C5:2 ; C3:2", None),
        Case("2/4 tempo:60 | C5:2{mordent} ; C3:2", None),
    ),
)
