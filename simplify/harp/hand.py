"""What a hand finds on its staff, held against a player's limits; thinning of chords.

Strategies ask these to find the places worth an edit; whether a player can do something is decided
in `simplify.technique`.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator, Sequence

from simplify.harp.player import Limits, Player
from simplify.score.edits import (
    Column,
    Draft,
    all_then_each,
    dropping,
    following,
    harmony_at,
    leading,
    names,
    staff_bars,
)
from simplify.score.harmony import Harmony, harmonies
from simplify.score.model import Edit, Part, Passage, Pitch, Strike

LOW_LINE = 21
"""String C3: below it close intervals blur (low registers are slow to clear: Rimsky-Korsakov,
Principles of Orchestration, ch. I; the line: estimate)."""

OPEN_LOW = 4
"""Strings of a fifth: closer intervals below `LOW_LINE` blur (estimate)."""

OCTAVE = 7
"""Strings to the octave; a move up to it is no jump (tiers.toml, jump_seconds)."""


def over_full(column: Column, limits: Limits) -> bool:
    """True if the column has more notes than the hand has fingers to give."""
    return len(column.strikes) > limits.notes_per_hand


def over_wide(column: Column, limits: Limits) -> bool:
    """True if the column spans more than the hand reaches."""
    return column.span > limits.reach


def past_the_hand(
    passage: Passage, limits: Limits
) -> Iterator[tuple[str, str, list[tuple[Column, Column | None]]]]:
    """For each hand in each bar its name, the other hand's, and its columns that are full or wide,
    each with what the other hand strikes at that moment."""
    table = {(bar.index, staff): cols for bar, staff, cols in staff_bars(passage)}
    for (bar, staff), cols in table.items():
        if staff > 2:
            continue
        across = {c.onset: c for c in table.get((bar, 3 - staff), ())}
        yield cols[0].hand, "left hand" if staff == 1 else "right hand", [
            (column, across.get(column.onset))
            for column in cols if over_full(column, limits) or over_wide(column, limits)
        ]


def hurried(part: Part, cols: Sequence[Column], at: int, limits: Limits) -> bool:
    """True if the column is a chord of three or more that follows another in less time than is
    comfortable."""
    if at == 0 or len(cols[at].strikes) < 3:
        return False
    gap = part.seconds(cols[at].onset) - part.seconds(cols[at - 1].onset)
    return gap < limits.chord_seconds


def placing_seconds(strings: float, limits: Limits) -> float:
    """Seconds that a hand comfortably needs to place after a move of so many strings
    (tiers.toml: jump_seconds up to an octave, jump_octave_seconds for each further one)."""
    return limits.jump_seconds + limits.jump_octave_seconds * max(0.0, strings / OCTAVE - 1)


def can_come(part: Part, cols: Sequence[Column], column: Column, limits: Limits) -> bool:
    """True if the hand that plays `cols` has time to come to a column of the other hand and to
    go back, at the edge of what is possible for the player."""
    for other in cols:
        time = abs(part.seconds(other.onset) - part.seconds(column.onset))
        need = limits.hard_share * placing_seconds(abs(other.centre - column.centre), limits)
        if other.onset == column.onset or time < need:
            return False
    return True


def blurred(pitches: Iterable[Pitch]) -> bool:
    """True if two of these sound together below C3 less than a fifth apart."""
    strings = sorted({p.string for p in pitches})
    return any(
        low < LOW_LINE and high - low < OPEN_LOW
        for low, high in itertools.pairwise(strings)
    )


def thin_chords(
    passage: Passage,
    player: Player,
    choose: Callable[[Column, Harmony | None, tuple[Strike, ...]], tuple[Strike, ...]],
    what: str,
    *,
    at_least: int = 3,
    whole_bar: str = "",
) -> Iterator[Edit | None]:
    """Edits that thin chords: a whole hand's bar, then single chords that are over-full, too wide
    (the whole bar covers those that come in a hurry).

    choose: which strikes of a column go, out of those offered (never the leading note).
    what: the lost notes in words, such as 'the octave doubling'; empty: one note is left.
    whole_bar: what the bar's chords become, instead of 'all chords of the bar without <what>'.
    """
    lead, limits, found = leading(passage), player.limits, harmonies(passage)
    for _, _, cols in staff_bars(passage):
        places, needed = [], []
        for column in cols:
            if len(column.strikes) < at_least:
                continue
            offered = following(column, lead, passage.part)
            gone = choose(column, harmony_at(found, column.onset), offered)
            if not gone or len(gone) >= len(column.strikes):
                continue
            left = [s for s in column.strikes if s not in gone]
            reason = f"{column.hand}: {column.names} becomes {names(left)}"
            reason += f", without {what}" if what else " alone"
            places.append((dropping(*gone), reason))
            if over_full(column, limits) or over_wide(column, limits):
                needed.append(places[-1])
        if len(places) > 1:
            words = whole_bar or f"all chords of the bar without {what}"
            yield next(iter(all_then_each(passage, places, f"{cols[0].hand}: {words}", 1)), None)
        else:
            needed = places
        for act, reason in needed[:2]:
            draft = Draft(passage)
            act(draft)
            yield draft.edit(reason)
