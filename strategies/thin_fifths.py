"""Thin chords: the fifths.

What it does:
    Leaves out the fifth of the harmony in chords of three and more notes, since the root and the
    third tell the chord.

When a harpist would do this:
    After the octave doublings, when a hand is still too full or full chords come in a hurry
    (dropping the fifth before the third: common practice).

What is lost:
    Some fullness; the chord keeps its name.

Does not apply when:
    The fifth is the lowest or the leading note, or is not a perfect, diminished or augmented fifth
    over the root of the harmony.
"""

from __future__ import annotations

from collections.abc import Iterator

from simplify.harp.hand import thin_chords
from simplify.harp.player import Player
from simplify.score.edits import Column
from simplify.score.harmony import Harmony
from simplify.score.model import Edit, Passage, Strike
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY | Keeps.BASS | Keeps.HARMONY | Keeps.RHYTHM
FIFTHS = (6, 7, 8)
"""Semitones of a diminished, perfect and augmented fifth."""


def _fifths(
    column: Column, harmony: Harmony | None, offered: tuple[Strike, ...]
) -> tuple[Strike, ...]:
    if harmony is None:
        return ()
    return tuple(
        s
        for s in offered
        if (s.pitch.pitch_class - harmony.root) % 12 in FIFTHS
        and s.pitch.pitch_class in harmony.classes
        and s.pitch.pitch_class != harmony.third
        and (s is not column.low or column.staff == 1)
    )


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    yield from promised(passage, KEEPS, thin_chords(passage, player, _fifths, "the fifth"))


STRATEGY = Strategy(
    name="thin_fifths",
    title="Leave out the fifth",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("4/4 | E5:4 ; [C3 G3 E4]:4", "4/4 | E5:4 ; [C3 E4]:4"),
        Case(
            "4/4 | C6:2 B5 ; [C3 E3 G3]:1 [C3 E3 G3] [G2 B2 D3] [G2 B2 D3]",
            "4/4 | C6:2 B5 ; [C3 E3]:1 [C3 E3] [G2 B2] [G2 B2]",
        ),
        Case("4/4 | E5:4 ; [C3 G3]:4", None),
        Case("4/4 | E5:4 ; [G2 C3 E3]:4", None),
    ),
)
