"""Leave only the outer notes of full chords.

What it does:
    Each chord of three or more notes in a hand becomes its top and bottom note; or each chord
    becomes one note: the top one in the right hand, the bass in the left.

When a harpist would do this:
    When full chords follow one another faster than a hand can place them: "one a bar rings best"
    (Philharmonia Orchestra, harp notes); pupils play one or two notes a hand (American Harp
    Society, Utah chapter, solo levels 1 and 2).

What is lost:
    The filling of the harmony, sometimes its third.

Does not apply when:
    The hand plays single notes, or the inner note leads the melody.
"""

from __future__ import annotations

from collections.abc import Iterator

from simplify.harp.hand import thin_chords
from simplify.harp.player import Player
from simplify.score.edits import Column
from simplify.score.harmony import Harmony
from simplify.score.model import Edit, Passage, Strike
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY | Keeps.RHYTHM


def _inner(
    column: Column, harmony: Harmony | None, offered: tuple[Strike, ...]
) -> tuple[Strike, ...]:
    return tuple(s for s in offered if s is not column.low and s is not column.high)


def _all_but_one(
    column: Column, harmony: Harmony | None, offered: tuple[Strike, ...]
) -> tuple[Strike, ...]:
    kept = column.high if column.staff == 1 else column.low
    gone = tuple(s for s in offered if s is not kept)
    return gone if len(gone) == len(column.strikes) - 1 else ()


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    edits = [
        *thin_chords(passage, player, _inner, "its inner notes"),
        *thin_chords(
            passage, player, _all_but_one, "", at_least=2,
            whole_bar="of each chord of the bar only the outer note",
        ),
    ]
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="leave_outer_notes",
    title="Leave the outer notes of chords",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("4/4 | [C5 E5 G5]:2 [B4 D5 G5] ; C3:4", "4/4 | [C5 G5]:2 [B4 G5] ; C3:4"),
        Case("4/4 | G5:4 ; [C3 E3 G3]:2 [D3 F3 G3]", "4/4 | G5:4 ; C3:2 D3"),
        Case("4/4 | C5:4 ; C3:4", None),
        Case("4/4 | E5:1 D5 C5 B4 ; G3:2 F3", None),
    ),
)
