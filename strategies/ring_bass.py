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

from collections.abc import Iterator

from simplify.harp.player import Player
from simplify.score.edits import leading, pulse_of, staff_bars
from simplify.score.model import Bar, Edit, Passage, Strike
from simplify.strategy import Case, Keeps, Strategy
from strategies._shared import all_then_each, dropping, plain, promised

KEEPS = Keeps.MELODY | Keeps.BASS


def _again(bar: Bar, low: list[Strike], *, half: bool) -> list[Strike]:
    beats = bar.metre_ticks // bar.pulse_ticks
    last: tuple[int, int] | None = None
    gone = []
    for strike in low:
        part_of_bar = pulse_of(bar, strike.onset) * 2 // beats if half and beats > 1 else 0
        key = strike.pitch.pitch_class, part_of_bar
        if key == last:
            gone.append(strike)
        last = key
    return gone


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    lead = leading(passage)
    edits: list[Edit | None] = []
    for bar, staff, cols in staff_bars(passage):
        if staff == 1:
            continue
        first = cols[0].low.pitch
        low = [
            s
            for c in cols
            for s in c.strikes
            if s.pitch.string <= first.string + 2 and plain(s, passage.part)
            and s.first.id not in lead
        ]
        for half, words in ((True, "each half bar"), (False, "and rings through the bar")):
            gone = _again(bar, low, half=half)
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
        Case("4/4 | G5:4 ; C3:1 [E4 G4] C3 [E4 G4]", "4/4 | G5:4 ; C3:1 [E4 G4]:2 [E4 G4]:1"),
        Case("4/4 | G5:4 ; C3:1 G2 C3 G2", None),
        Case("4/4 | G5:4 ; C3:4", None),
        Case("4/4 | C5:1 C5 C5 C5 ; C3:4", None),
    ),
)
