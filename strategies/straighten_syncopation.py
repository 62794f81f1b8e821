"""Straighten a syncopation in the accompaniment.

What it does:
    A left-hand strike that comes off the beat and is held over the next beat moves to a beat: to
    the one it is held over, or to the one before if that is free.

When a harpist would do this:
    When a syncopated accompaniment fights the other hand's rhythm (hands together first: common
    practice in teaching).

What is lost:
    The syncopation.

Does not apply when:
    The syncopation is the melody's, or the beat is taken by the same voice.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from simplify.harp.player import Player
from simplify.score.edits import (
    Column,
    Draft,
    Place,
    all_then_each,
    following,
    leading,
    lower_bars,
    on_pulse,
)
from simplify.score.model import Bar, Edit, Passage
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY


def _beat_inside(bar: Bar, column: Column) -> int | None:
    """The first beat that the column is held over, or None."""
    start = column.onset - (column.onset - bar.onset + bar.lead) % bar.pulse_ticks
    beat = start + bar.pulse_ticks
    return beat if start < column.onset < beat < column.end else None


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    lead = leading(passage)
    edits: list[Edit | None] = []
    for bar, cols in lower_bars(passage):
        later: list[Place] = []
        sooner: list[Place] = []
        for at, column in enumerate(cols):
            beat = _beat_inside(bar, column)
            strikes = following(column, lead, passage.part)
            if beat is None or len(strikes) < len(column.strikes):
                continue
            if any(len(s.notes) > 1 or s.end != column.end for s in strikes):
                continue
            shown = f"{bar.beat(beat):g}"
            reason = f"left hand: {column.names} comes on beat {shown} instead of before it"
            later.append((_moving(column, beat, column.end, cols[:at]), reason))
            before = beat - bar.pulse_ticks
            clear = before >= bar.onset and (at == 0 or cols[at - 1].end <= before)
            if clear and not on_pulse(bar, column.onset):
                shown = f"{bar.beat(before):g}"
                reason = f"left hand: {column.names} comes on beat {shown} instead of after it"
                sooner.append((_moving(column, before, column.end, ()), reason))
        reason = "left hand: the syncopations of the bar come on the beat"
        edits.extend(all_then_each(passage, later, reason, 1))
        edits.extend(all_then_each(passage, sooner, reason, 1))
    yield from promised(passage, KEEPS, edits)


def _moving(column: Column, onset: int, end: int, earlier: Sequence[Column]) -> (
    Callable[[Draft], None]
):
    def act(draft: Draft) -> None:
        for strike in column.strikes:
            draft.retime(strike, onset, end)
        if earlier and earlier[-1].end == column.onset < onset:
            for strike in earlier[-1].strikes:
                if len(strike.notes) == 1 and strike.end == column.onset:
                    draft.retime(strike, strike.onset, onset)

    return act


STRATEGY = Strategy(
    name="straighten_syncopation",
    title="Straighten a syncopated accompaniment",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("2/4 | G5:2 ; C3:1/2 [E3 G3]:1 [E3 G3]:1/2", "2/4 | G5:2 ; C3:1 [E3 G3]:1/2 [E3 G3]"),
        Case("2/4 | G5:2 ; r:1/2 [E3 G3]:1 r:1/2", "2/4 | G5:2 ; r:1 [E3 G3]:1/2 r:1/2"),
        Case("2/4 | G5:2 ; C3:1 [E3 G3]", None),
        Case("2/4 | G5:1/2 A5:1 B5:1/2 ; C3:2", None),
    ),
)
