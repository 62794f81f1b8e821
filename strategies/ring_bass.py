"""Strike a repeated bass once and let it ring.

What it does:
    Where the lowest note of the left hand comes again in the bar (also at the octave), it is
    struck once, or once each half bar, and rings on; the notes between stay.

When a harpist would do this:
    Nearly always with a pedal point or a repeated bass: the low strings ring for many bars' worth
    and sound muddy when struck again (University of British Columbia, notes on harp writing).

What is lost:
    The bass's pulse.

Does not apply when:
    The bass moves at every strike.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from simplify.harp.player import Player
from simplify.score.edits import (
    Column,
    all_then_each,
    dropping,
    following,
    leading,
    lower_bars,
    pulse_of,
)
from simplify.score.model import Edit, NoteId, Passage, Strike
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY | Keeps.BASS
NEAR = 2
"""Strings above the bar's first bass up to which a left-hand note counts as bass (estimate)."""


def _again(
    cols: Sequence[Column], lead: frozenset[NoteId], passage: Passage, *, half: bool
) -> list[Strike]:
    """The bass and its octaves in columns whose bass has been struck just before."""
    bar = cols[0].bar
    beats = bar.metre_ticks // bar.pulse_ticks
    top = cols[0].low.pitch.string + NEAR
    last: tuple[int, int] | None = None
    gone: list[Strike] = []
    for column in cols:
        if column.low.pitch.string > top:
            continue
        sound = column.low.pitch.pitch_class
        key = sound, pulse_of(bar, column.onset) * 2 // beats if half else 0
        if key == last:
            free = following(column, lead, passage.part)
            gone.extend(s for s in free if s.pitch.pitch_class == sound)
        last = key
    return gone


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    lead = leading(passage)
    edits: list[Edit | None] = []
    for bar, cols in lower_bars(passage):
        first = cols[0].low.pitch
        even = bar.metre_ticks // bar.pulse_ticks % 2 == 0
        ways = [(True, "each half bar")] if even else []
        for half, words in [*ways, (False, "and rings through the bar")]:
            gone = _again(cols, lead, passage, half=half)
            if gone:
                reason = f"left hand: the repeated bass {first.name} is struck once {words}"
                edits.extend(all_then_each(passage, [(dropping(*gone), reason)], reason))
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="ring_bass",
    title="Strike the bass once and let it ring",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("4/4 | G5:4 ; C3:1 C3 C3 C3", "4/4 | G5:4 ; C3:2 C3"),
        Case("4/4 | G5:4 ; C3:1 C3 C3 C3", "4/4 | G5:4 ; C3:4"),
        Case("3/4 | G5:3 ; [C2 C3]:1 [C2 C3] [C2 C3]", "3/4 | G5:3 ; [C2 C3]:3"),
        Case("4/4 | G5:4 ; C3:1 [E4 G4] C3 [E4 G4]", "4/4 | G5:4 ; C3:1 [E4 G4]:2 [E4 G4]:1"),
        Case("4/4 | G5:4 ; C3:1 G2 C3 G2", None),
        Case("4/4 | G5:4 ; C3:4", None),
        Case("4/4 | C5:1 C5 C5 C5 ; C3:4", None),
        Case("4/4 | G5:4 ; C3:1 & C3:2", None),
    ),
)
