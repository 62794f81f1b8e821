"""Make a tuplet of the accompaniment plain.

What it does:
    A beat of three (or five to seven) in the left hand becomes two plain halves of the beat, with
    the first note and the one nearest the middle; or the first note alone for the beat.

When a harpist would do this:
    When the tuplet runs against the right hand's plain division, or is too quick to place (common
    practice in school arrangements).

What is lost:
    The flow of the tuplet.

Does not apply when:
    The tuplet is the melody's, or leaves its beat.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from simplify.harp.player import Player
from simplify.score.edits import (
    Column,
    Draft,
    Place,
    all_then_each,
    by_pulse,
    following,
    leading,
    lower_bars,
)
from simplify.score.model import Bar, Edit, NoteId, Passage, Strike
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY


def _members(
    bar: Bar, group: Sequence[Column], lead: frozenset[NoteId], passage: Passage
) -> list[list[Strike]] | None:
    """The beat's strikes, column by column, if all are plain tuplet notes that fill the beat."""
    found = [list(following(c, lead, passage.part)) for c in group]
    whole_group = [s for strikes in found for s in strikes]
    if len(whole_group) != sum(len(c.strikes) for c in group) or len(group) < 3:
        return None
    if any(s.first.tuplet == (1, 1) or len(s.notes) > 1 for s in whole_group):
        return None
    if len({s.first.voice for s in whole_group}) > 1:
        return None
    full = group[-1].end - group[0].onset == bar.pulse_ticks
    return found if full else None


def _two(found: list[list[Strike]], start: int, pulse: int) -> Callable[[Draft], None]:
    middle = min(found[1:], key=lambda s: (abs(s[0].onset - start - pulse // 2), -s[0].onset))

    def act(draft: Draft) -> None:
        draft.drop(*(s for f in found[1:] if f is not middle for s in f))
        for strike in found[0]:
            draft.retime(strike, start, start + pulse // 2)
        for strike in middle:
            draft.retime(strike, start + pulse // 2, start + pulse)

    return act


def _one(found: list[list[Strike]], start: int, pulse: int) -> Callable[[Draft], None]:
    def act(draft: Draft) -> None:
        draft.drop(*(s for f in found[1:] for s in f))
        for strike in found[0]:
            draft.retime(strike, start, start + pulse)

    return act


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    lead = leading(passage)
    edits: list[Edit | None] = []
    for bar, cols in lower_bars(passage):
        halves: list[Place] = []
        ones: list[Place] = []
        for group in by_pulse(bar, cols):
            found = _members(bar, group, lead, passage)
            if found is None:
                continue
            beat, start = f"{bar.beat(group[0].onset):g}", group[0].onset
            reason = f"left hand: the {len(group)} notes of beat {beat} become two plain ones"
            halves.append((_two(found, start, bar.pulse_ticks), reason))
            reason = f"left hand: the {len(group)} notes of beat {beat} become one"
            ones.append((_one(found, start, bar.pulse_ticks), reason))
        reason = "left hand: the tuplets of the bar become plain halves of the beat"
        edits.extend(all_then_each(passage, halves, reason, 1))
        reason = "left hand: the tuplets of the bar become one note a beat"
        edits.extend(all_then_each(passage, ones, reason, 1))
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="plain_tuplet",
    title="Make a tuplet plain",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("2/4 | G5:2 ; C3:1/3t3:2 E3 G3 C3 E3 G3", "2/4 | G5:2 ; C3:1/2 G3 C3 G3"),
        Case("2/4 | G5:2 ; C3:1/3t3:2 E3 G3 C3:1", "2/4 | G5:2 ; C3:1 C3"),
        Case("2/4 | G5:2 ; C3:1/2 E3 C3 E3", None),
        Case("2/4 | C5:1/3t3:2 E5 G5 C6:1 ; C3:2", None),
    ),
)
