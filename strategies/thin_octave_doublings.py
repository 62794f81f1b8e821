"""Thin chords: octave doublings first.

What it does:
    Leaves out notes that double another note of the same hand's chord at the octave. The right
    hand keeps the upper one; in the left hand either the lower one stays (the bass) or the upper
    one (nearer to the rest, so that the hand jumps less).

When a harpist would do this:
    When a hand is asked for more than its four fingers, or full chords follow one another: the
    first thing to go is a doubling (chord notes close together and no fifth finger:
    Rimsky-Korsakov, Principles of Orchestration, ch. I; the order of dropping: common practice).

What is lost:
    Weight and brightness; no pitch class and no onset.

Does not apply when:
    No note of the chord is doubled within the hand, or the doubled note leads the melody.
"""

from __future__ import annotations

from collections.abc import Iterator

from simplify.harp.hand import thin_chords
from simplify.harp.player import Player
from simplify.score.edits import Column
from simplify.score.harmony import Harmony
from simplify.score.model import Edit, Passage, Strike
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY | Keeps.HARMONY | Keeps.RHYTHM


def _doublings(
    column: Column, offered: tuple[Strike, ...], *, keep_low: bool
) -> tuple[Strike, ...]:
    kept: dict[int, int] = {}
    gone = []
    order = column.strikes if keep_low else tuple(reversed(column.strikes))
    for strike in order:
        first = kept.setdefault(strike.pitch.pitch_class, strike.pitch.midi)
        if first != strike.pitch.midi and strike in offered:
            gone.append(strike)
    return tuple(gone)


def _upper_stays(
    column: Column, harmony: Harmony | None, offered: tuple[Strike, ...]
) -> tuple[Strike, ...]:
    return _doublings(column, offered, keep_low=False)


def _lower_stays(
    column: Column, harmony: Harmony | None, offered: tuple[Strike, ...]
) -> tuple[Strike, ...]:
    return _doublings(column, offered, keep_low=True) if column.staff != 1 else ()


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    edits = [
        *thin_chords(passage, player, _lower_stays, "the upper octave doubling", at_least=2),
        *thin_chords(passage, player, _upper_stays, "the lower octave doubling", at_least=2),
    ]
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="thin_octave_doublings",
    title="Leave out octave doublings",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("4/4 | [E4 C5 E5]:4 ; [C3 G3 C4]:4", "4/4 | [C5 E5]:4 ; [C3 G3 C4]:4"),
        Case("4/4 | G5:4 ; [C3 C4]:1 [D3 D4] [E3 E4] [C3 C4]", "4/4 | G5:4 ; C3:1 D3 E3 C3"),
        Case("4/4 | G5:4 ; [C3 C4]:1 [D3 D4] [E3 E4] [C3 C4]", "4/4 | G5:4 ; C4:1 D4 E4 C4"),
        Case("4/4 | [E5 G5]:4 ; [C3 G3 E4]:4", None),
        Case("4/4 | C5:4 ; C3:4", None),
        Case("4/4 | C4:2 C5 ; -", None),
    ),
)
