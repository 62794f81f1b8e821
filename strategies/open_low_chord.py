"""Open a dense low chord.

What it does:
    Spreads a close chord of the low left hand: the bass, its fifth and its octave (1-5-8), or the
    bass, fifth and tenth (1-5-10) where the hand reaches it, with the tones the chord has.

When a harpist would do this:
    Close chords in the low strings sound thick and are awkward; 1-5-8 is the left hand's natural
    chord (Philharmonia Orchestra, harp notes).

What is lost:
    The close spacing; the third moves up or is left to the other hand.

Does not apply when:
    The chord lies above C3 or is open already.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from simplify.harp.hand import blurred
from simplify.harp.player import Player
from simplify.score.edits import (
    Column,
    Place,
    all_then_each,
    dropping,
    following,
    leading,
    pitching,
    staff_bars,
)
from simplify.score.model import Edit, Passage, Pitch, Strike
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY | Keeps.BASS | Keeps.RHYTHM
FIFTH, OCTAVE, TENTH = 4, 7, 9
"""Strings above the bass."""


def _raised(pitch: Pitch, bass: Pitch, least: int) -> Pitch:
    """The pitch in the first octave where it lies at least so many strings above the bass."""
    while pitch.string - bass.string < least:
        pitch = Pitch(pitch.step, pitch.alter, pitch.octave + 1)
    return pitch


def _opened(strikes: Sequence[Strike], reach: int) -> list[tuple[Strike, Pitch]] | None:
    """Each note above the bass in the first octave in which no close low interval is left."""
    bass, placed = strikes[0].pitch, [strikes[0].pitch]
    changes = []
    for strike in sorted(strikes[1:], key=lambda s: (s.pitch.string - bass.string) % 7 or 7):
        least = FIFTH
        new = _raised(strike.pitch, bass, least)
        while blurred([*placed, new]) or any(p.string == new.string for p in placed):
            new = Pitch(new.step, new.alter, new.octave + 1)
            if new.string - bass.string > reach:
                return None
        if new.string - bass.string > reach:
            return None
        placed.append(new)
        if new != strike.pitch:
            changes.append((strike, new))
    return changes


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    lead = leading(passage)
    edits: list[Edit | None] = []
    for _, staff, cols in staff_bars(passage):
        opened: list[Place] = []
        bare: list[Place] = []
        for column in cols:
            if staff == 1 or not _close(column):
                continue
            free = following(column, lead, passage.part)
            if len(free) < len(column.strikes):
                continue
            changes = _opened(column.strikes, player.limits.reach)
            if changes:
                moved = {s.first.id: p for s, p in changes}
                shown = sorted(
                    (moved.get(s.first.id, s.pitch) for s in column.strikes), key=lambda p: p.midi
                )
                words = " ".join(p.name for p in shown)
                reason = f"left hand: {column.names} opens to {words}"
                opened.append((pitching(changes), reason))
            floor = column.low.pitch.string
            inner = [s for s in column.strikes if 0 < s.pitch.string - floor < FIFTH]
            if inner:
                reason = f"left hand: {column.names} without its close low notes"
                bare.append((dropping(*inner), reason))
        reason = "left hand: the low chords of the bar open out"
        edits.extend(all_then_each(passage, opened, reason, 1))
        reason = "left hand: the low chords of the bar without their close notes"
        edits.extend(all_then_each(passage, bare, reason, 1))
    yield from promised(passage, KEEPS, edits)


def _close(column: Column) -> bool:
    return blurred(s.pitch for s in column.strikes)


STRATEGY = Strategy(
    name="open_low_chord",
    title="Open a dense low chord",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("4/4 | E5:4 ; [C2 E2 G2]:4", "4/4 | E5:4 ; [C2 G2 E3]:4", "professional"),
        Case("4/4 | E5:4 ; [C2 E2 G2]:4", "4/4 | E5:4 ; [C2 G2]:4"),
        Case("4/4 | E5:4 ; [C2 G2 C3]:4", None),
        Case("4/4 | E5:4 ; [C4 E4 G4]:4", None),
    ),
)
