"""Reduce the accompaniment to its beats.

What it does:
    The left hand strikes only on the beats, only on the first and the middle beat, or once a bar;
    what it struck between is left out and the strings ring on.

When a harpist would do this:
    For a pupil, or when the right hand needs the attention: drop to the skeleton and let it ring
    ("one a bar rings best": Philharmonia Orchestra, harp notes).

What is lost:
    The figure of the accompaniment; sometimes a tone of the harmony.

Does not apply when:
    The left hand strikes only there already.
"""

from __future__ import annotations

from collections.abc import Iterator

from simplify.harp.player import Player
from simplify.score.edits import Draft, following, leading, lower_bars, on_pulse, strength
from simplify.score.model import Edit, Passage
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    lead = leading(passage)
    edits: list[Edit | None] = []
    for bar, cols in lower_bars(passage):
        first = cols[0].onset
        ways = (
            (lambda o, b=bar: on_pulse(b, o), "plays only on the beats of the bar"),
            (
                lambda o, b=bar, f=first: strength(b, o) >= 2 or o == f,
                "plays on the strong beats of the bar only",
            ),
            (lambda o, f=first: o == f, "strikes once in the bar and rings on"),
        )
        for keep, words in ways:
            gone = [
                s for c in cols if not keep(c.onset) for s in following(c, lead, passage.part)
            ]
            if gone and any(keep(c.onset) for c in cols):
                draft = Draft(passage)
                draft.drop(*gone)
                edits.append(draft.edit(f"left hand: {words}"))
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="accompany_on_beats",
    title="Accompany on the beats only",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("4/4 | G5:4 ; C3:1/2 E3 G3 E3 D3 F3 A3 F3", "4/4 | G5:4 ; C3:1 G3 D3 A3"),
        Case("4/4 | G5:4 ; C3:1/2 E3 G3 E3 D3 F3 A3 F3", "4/4 | G5:4 ; C3:2 D3"),
        Case("3/4 | G5:3 ; C3:1 [E3 G3] [E3 G3]", "3/4 | G5:3 ; C3:3"),
        Case("4/4 | G5:4 ; C3:4", None),
        Case("4/4 | G5:1 A5 B5 C6 ; C3:4", None),
        Case("4/4 | G5:1 A5 B5 C6", None),
    ),
)
