"""Halve the subdivision of the accompaniment.

What it does:
    Keeps every second strike of the left hand's figures (the first of each pair), twice as long;
    in groups of three the first, or the first and the last.

When a harpist would do this:
    When a figure goes faster than the hand sounds well: fewer attacks, since the strings ring on
    (University of British Columbia, notes on harp writing; rates: estimate in tiers.toml).

What is lost:
    Motion; sometimes a tone of the harmony.

Does not apply when:
    No beat has more than one strike of the left hand.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from simplify.harp.player import Player
from simplify.score.edits import (
    Column,
    Place,
    all_then_each,
    by_pulse,
    dropping,
    following,
    leading,
    lower_bars,
)
from simplify.score.model import Bar, Edit, Passage
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY


def _second_ones(bar: Bar, group: Sequence[Column]) -> list[Column]:
    """The columns of a beat that go: those off the half beat if there are any, else those off
    the beat; in threes those off the beat."""
    start = group[0].onset - (group[0].onset - bar.onset + bar.lead) % bar.pulse_ticks
    compound = bar.pulse_ticks == 3 * bar.beat_ticks
    units = [bar.beat_ticks] if compound else [bar.pulse_ticks // 4, bar.pulse_ticks // 2]
    for unit in [*units, bar.pulse_ticks]:
        off = [c for c in group if (c.onset - start) % unit]
        if off:
            return off if len(off) < len(group) else []
    return []


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    lead = leading(passage)
    edits: list[Edit | None] = []
    for bar, cols in lower_bars(passage):
        places: list[Place] = []
        for group in by_pulse(bar, cols):
            off = _second_ones(bar, group)
            gone = [s for c in off for s in following(c, lead, passage.part)]
            if gone:
                beat = f"{bar.beat(group[0].onset):g}"
                count = len(group) - len(off)
                strikes = "one strike" if count == 1 else f"{count} strikes"
                reason = f"left hand: {strikes} instead of {len(group)} in beat {beat}"
                places.append((dropping(*gone), reason))
        reason = "left hand: every second strike of the bar's figures, twice as long"
        edits.extend(all_then_each(passage, places, reason, 2))
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="halve_subdivision",
    title="Halve the subdivision",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("2/4 | G5:2 ; C3:1/4 G3 E3 G3 C3 G3 E3 G3", "2/4 | G5:2 ; C3:1/2 E3 C3 E3"),
        Case("2/4 | G5:2 ; C3:1/2 E3 C3 E3", "2/4 | G5:2 ; C3:1 C3"),
        Case("2/4 | G5:2 ; C3:1/3t3:2 E3 G3 C3 E3 G3", "2/4 | G5:2 ; C3:1 C3"),
        Case("2/4 | G5:2 ; C3:1 G3", None),
        Case("2/4 | C5:1/2 D5 E5 F5 ; C3:2", None),
        Case("6/8 | G5:3 ; C3:3/2 G3", None),
    ),
)
