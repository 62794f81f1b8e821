"""Drop an inner voice.

What it does:
    Leaves out one voice of a staff that has two or more in a bar: the lower one of the right
    hand, the upper one of the left.

When a harpist would do this:
    When a hand plays two lines with different rhythms: keep the line that is heard (of two fast
    lines that are mere colour the top one is kept: common practice).

What is lost:
    The inner line; sometimes a tone of the harmony.

Does not apply when:
    A staff has one voice, or the voice leads for a while.
"""

from __future__ import annotations

from collections.abc import Iterator

from simplify.harp.player import Player
from simplify.score.edits import Draft, leading, plain, staff_bars
from simplify.score.model import Edit, Passage, Strike
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    lead = leading(passage)
    edits: list[Edit | None] = []
    for _, staff, cols in staff_bars(passage):
        voices: dict[str, list[Strike]] = {}
        for column in cols:
            for strike in column.strikes:
                voices.setdefault(strike.first.voice, []).append(strike)
        if len(voices) < 2:
            continue
        height = {
            v: sum(s.pitch.midi for s in found) / len(found) for v, found in voices.items()
        }
        order = sorted(height, key=lambda v: (height[v], v), reverse=staff != 1)
        for voice in order[:-1]:
            gone = [s for s in voices[voice] if plain(s, passage.part)]
            if any(s.first.id in lead for s in gone):
                continue
            draft = Draft(passage)
            draft.drop(*gone)
            which = "lower" if staff == 1 else "upper"
            edits.append(
                draft.edit(f"{cols[0].hand}: the {which} of its voices is left out in this bar")
            )
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="drop_inner_voice",
    title="Drop an inner voice",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("4/4 | G5:2 A5 & E5:1 D5 C5 F5 ; C3:4", "4/4 | G5:2 A5 ; C3:4"),
        Case("4/4 | G5:4 ; r:1 E4 G4 E4 & C3:4", "4/4 | G5:4 ; C3:4"),
        Case("4/4 | [E5 G5]:4 ; C3:1 E3 G3 E3", None),
        Case("4/4 | G5:4 ; C3:4", None),
    ),
)
