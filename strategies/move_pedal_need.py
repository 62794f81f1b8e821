"""Move a pedal's need earlier or later.

What it does:
    Where a string is wanted at another pedal position sooner than the foot can move: the
    accompaniment's note that wants the new position comes half its value after the rest of its
    chord (the need later), or the last note on the old position is left out (the need can be met
    earlier).

When a harpist would do this:
    When a pedal has no room where the composer's note puts it: pedals are changed on rests, on long
    notes, or a beat early wherever the letter is free (Volpe Bligh, Writing for the Pedal Harp).

What is lost:
    A chord struck as one, or a repeated inner note.

Does not apply when:
    The foot has time, the harp has levers, or the melody holds both notes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from simplify.harp.instrument import LEFT_FOOT, PEDALS, key_setting
from simplify.harp.player import Player
from simplify.score.edits import (
    GRID,
    Column,
    Draft,
    Place,
    all_then_each,
    dropping,
    following,
    leading,
    seconds_between,
    staff_bars,
    written_as,
)
from simplify.score.model import Edit, NoteId, Passage, Strike
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY


@dataclass(frozen=True, slots=True)
class _Need:
    """A strike that wants its letter's pedal moved, and the last strike on the old position (None:
    the key's own)."""

    strike: Strike
    before: Strike | None


def _tight(passage: Passage, player: Player) -> list[_Need]:
    """Needs that leave the foot less time than the player's, since the old position was last
    struck or since the same foot was last needed."""
    now = dict(zip(PEDALS, key_setting(passage.bars[0].fifths), strict=True))
    last: dict[str, Strike] = {}
    foot_at: dict[bool, int] = {}
    found = []
    for strike in sorted(passage.strikes, key=lambda s: (s.onset, s.pitch.midi)):
        letter = strike.pitch.step
        if strike.pitch.alter != now[letter]:
            before = last.get(letter)
            starts = [foot_at.get(letter in LEFT_FOOT), before.onset if before else None]
            gaps = [
                seconds_between(passage.part, start, strike.onset)
                for start in starts if start is not None
            ]
            if gaps and min(gaps) < player.limits.foot_seconds:
                found.append(_Need(strike, before))
            now[letter] = strike.pitch.alter
            foot_at[letter in LEFT_FOOT] = strike.onset
        last[letter] = strike
    return found


def _later(column: Column, strike: Strike) -> Callable[[Draft], None] | None:
    """Delays one note of a written chord to the middle of its value; None if it is none, or the
    half does not read well."""
    middle = column.onset + (strike.end - column.onset) // 2
    one_chord = len(column.strikes) > 1 and all(
        len(s.notes) == 1 and (s.end, s.first.voice) == (strike.end, strike.first.voice)
        for s in column.strikes
    )
    halves = ((column.onset, middle), (middle, strike.end))
    off_grid = (middle - column.bar.onset + column.bar.lead) % GRID
    if not one_chord or off_grid or any(
        written_as(column.bar, a, b) != (1, 1) for a, b in halves
    ):
        return None

    def act(draft: Draft) -> None:
        for other in column.strikes:
            if other is not strike:
                draft.cut(other, middle)
        draft.delay(strike, middle)

    return act


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    if not player.harp.has_pedals:
        return
    lead = leading(passage)
    at: dict[NoteId, Column] = {
        s.first.id: column
        for _, _, cols in staff_bars(passage) for column in cols
        for s in following(column, lead, passage.part)
    }
    later: list[Place] = []
    earlier: list[Place] = []
    for need in _tight(passage, player):
        strike, before = need.strike, need.before
        home = at.get(strike.first.id)
        act = _later(home, strike) if home is not None else None
        if home is not None and act is not None:
            reason = f"{home.hand}: {strike.pitch.name} comes after its chord, its pedal being set"
            later.append((act, reason))
        if before is not None and before.first.id in at and before.onset < strike.onset:
            home = at[before.first.id]
            reason = (
                f"{home.hand}: {before.pitch.name} is left out, so that the {strike.pitch.step} "
                "pedal can move earlier"
            )
            earlier.append((dropping(before), reason))
    edits: list[Edit | None] = []
    for places, words in (
        (later, "notes that need a pedal come after their chords"),
        (earlier, "the last notes on the old pedals are left out, so that the feet can go earlier"),
    ):
        edits.extend(all_then_each(passage, places, words, 2))
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="move_pedal_need",
    title="Move a pedal's need earlier or later",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case(
            "4/4 tempo:120 | A5:4 ; [C3 F3 A3]:1 [C3 F#3 A3]:1 [B2 G3]:2",
            "4/4 tempo:120 | A5:4 ; [C3 F3 A3]:1 [C3 A3]:1/2 F#3 [B2 G3]:2",
        ),
        Case(
            "4/4 tempo:120 | A5:4 ; [C3 F3 A3]:1 [C3 F#3 A3]:1 [B2 G3]:2",
            "4/4 tempo:120 | A5:4 ; [C3 A3]:1 [C3 F#3 A3] [B2 G3]:2",
        ),
        Case("4/4 tempo:60 | A5:4 ; [C3 F3 A3]:2 [C3 F#3 A3]", None),
        Case("4/4 tempo:120 key:1 | A5:4 ; [C3 F#3 A3]:1 [C3 F#3 A3]:1 [B2 G3]:2", None),
        Case("4/4 tempo:120 | F5:1 F#5 G5:2 ; C3:4", None),
    ),
)
