"""Thin chords: inner thirds.

What it does:
    Leaves out the third of the harmony inside a chord where the same third is heard elsewhere in
    the harmony (in the melody, or in the other hand).

When a harpist would do this:
    Third and last step of thinning, when octave doublings and fifths are gone and the hand is
    still too full (common practice).

What is lost:
    Warmth in the middle; the harmony keeps its third because another voice has it.

Does not apply when:
    The third is heard only here, or is an outer note of the chord.
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


def _thirds(
    column: Column, harmony: Harmony | None, offered: tuple[Strike, ...]
) -> tuple[Strike, ...]:
    if harmony is None or harmony.third is None:
        return ()
    return tuple(
        s
        for s in offered
        if s.pitch.pitch_class == harmony.third
        and s is not column.high
        and (s is not column.low or column.staff == 1)
    )


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    yield from promised(passage, KEEPS, thin_chords(passage, player, _thirds, "its inner third"))


STRATEGY = Strategy(
    name="thin_inner_thirds",
    title="Leave out inner thirds",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("4/4 | E5:4 ; [C3 E3 G3]:4", "4/4 | E5:4 ; [C3 G3]:4"),
        Case("4/4 | G5:4 ; [C3 E3 G3]:4", None),
        Case("4/4 | E5:4 ; [C3 G3 C4]:4", None),
    ),
)
