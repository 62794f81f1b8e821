"""Clear the accompaniment under a quick melody.

What it does:
    Where the melody has three and more notes in a beat, the left hand plays only on
    the beat, or waits, or rests for the bar after its first strike.

When a harpist would do this:
    To have the other hand free, to place, or to move pedals: time is made by leaving notes out
    (allow time to place: Volpe Bligh, Preparing orchestral harp parts).

What is lost:
    The accompaniment's motion for a moment.

Does not apply when:
    The melody is calm, or the accompaniment already waits.
"""

from __future__ import annotations

from collections.abc import Iterator

from simplify.harp.player import Player
from simplify.score.edits import Draft, leading, on_pulse, plain, pulse_of
from simplify.score.model import Bar, Edit, Passage, Strike
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY
QUICK = 3
"""Melody notes in a beat from which it counts as quick (estimate)."""


def _under(passage: Passage, bar: Bar) -> tuple[list[Strike], set[int]]:
    """The left hand's notes of the bar, and the beats in which the melody is quick."""
    lead = leading(passage)
    own = [s for s in passage.strikes if s.first.bar == bar.index and not s.lead]
    beats: dict[int, int] = {}
    for strike in own:
        if strike.first.id in lead:
            at = pulse_of(bar, strike.onset)
            beats[at] = beats.get(at, 0) + 1
    rest = [
        s for s in own
        if s.first.staff != 1 and s.first.id not in lead and plain(s, passage.part)
    ]
    return rest, {beat for beat, count in beats.items() if count >= QUICK}


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    edits: list[Edit | None] = []
    for bar in passage.bars:
        rest, quick = _under(passage, bar)
        if not quick or not rest:
            continue
        first = min(s.onset for s in rest)
        ways = (
            (
                [
                    s for s in rest
                    if pulse_of(bar, s.onset) in quick and not on_pulse(bar, s.onset)
                ],
                "left hand: plays only on the beat under the quick notes of the melody",
            ),
            (
                [s for s in rest if pulse_of(bar, s.onset) in quick and s.onset != first],
                "left hand: waits under the quick notes of the melody",
            ),
            (
                [s for s in rest if s.onset != first],
                "left hand: one strike for the bar, then it is free for the melody",
            ),
        )
        for gone, reason in ways:
            if gone:
                draft = Draft(passage)
                draft.drop(*gone)
                edits.append(draft.edit(reason))
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="clear_under_run",
    title="Clear the accompaniment under a quick melody",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case(
            "2/4 | C5:1/4 D5 E5 F5 G5:1 ; C3:1/2 E3 G3 E3",
            "2/4 | C5:1/4 D5 E5 F5 G5:1 ; C3:1 G3:1/2 E3",
        ),
        Case(
            "2/4 | C5:1/4 D5 E5 F5 G5 F5 E5 D5 ; C3:1/2 E3 G3 E3",
            "2/4 | C5:1/4 D5 E5 F5 G5 F5 E5 D5 ; C3:2",
        ),
        Case("2/4 | C5:1/2 D5 E5 F5 ; C3:1/2 E3 G3 E3", None),
        Case("2/4 | C5:1/4 D5 E5 F5 G5:1 ; C3:2", None),
    ),
)
