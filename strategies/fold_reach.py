"""Fold a reach that is too wide.

What it does:
    Moves the far note of a chord by octaves until the hand reaches all of it: the bass of the
    left hand up, or the top of a left-hand chord down; in the right hand the lowest note up.
    The leading note stays. Or leaves the far note out.

When a harpist would do this:
    When a chord spans more than the hand (a tenth is comfortable, an octave and a fifth
    impossible: Freund & Cutler, Extreme Orchestration; Volpe Bligh on Stravinsky's Symphony in
    Three Movements; inverting or moving a note: common practice).

What is lost:
    The spacing of one chord; its notes stay.

Does not apply when:
    The chord lies in the hand, or only the leading note is far.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from simplify.harp.hand import over_wide
from simplify.harp.player import Limits, Player
from simplify.score.edits import (
    Column,
    Place,
    all_then_each,
    at_octave,
    dropping,
    following,
    leading,
    names,
    pitching,
    staff_bars,
)
from simplify.score.model import Edit, Passage, Pitch, Strike
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY | Keeps.HARMONY | Keeps.RHYTHM
STEP = 1
"""Strings of a step."""


def _moves_by_step(cols: Sequence[Column], strike: Strike) -> bool:
    """True if the note goes on by step in its own voice: an octave would tear its line."""
    return any(
        s.first.voice == strike.first.voice
        and s.onset == strike.end
        and 0 < abs(s.pitch.string - strike.pitch.string) <= STEP
        and sum(m.first.voice == s.first.voice for m in column.strikes) == 1
        for column in cols
        for s in column.strikes
    )


def _folded(
    column: Column, cols: Sequence[Column], free: tuple[Strike, ...], limits: Limits, *,
    from_low: bool,
) -> list[tuple[Strike, Pitch]]:
    """Octave moves of outer notes, from one side, until the rest is in reach; empty if none."""
    pitches = {s.first.id: s.pitch for s in column.strikes}
    order = column.strikes if from_low else tuple(reversed(column.strikes))
    moved = []
    for strike in order[:-1]:
        strings = sorted(p.string for p in pitches.values())
        if strings[-1] - strings[0] <= limits.reach:
            break
        if strike not in free or _moves_by_step(cols, strike):
            return []
        pitch = pitches[strike.first.id]
        edge = strings[-1] if from_low else strings[0]
        while abs(pitch.string - edge) > limits.reach:
            pitch = at_octave(pitch, 1 if from_low else -1)
        pitches[strike.first.id] = pitch
        moved.append((strike, pitch))
    strings = sorted(p.string for p in pitches.values())
    return moved if strings[-1] - strings[0] <= limits.reach else []


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    lead = leading(passage)
    edits: list[Edit | None] = []
    for _, _, cols in staff_bars(passage):
        up: list[Place] = []
        down: list[Place] = []
        out: list[Place] = []
        for column in cols:
            if not over_wide(column, player.limits):
                continue
            free = following(column, lead, passage.part)
            for places, from_low in ((up, True), (down, False)):
                moved = _folded(column, cols, free, player.limits, from_low=from_low)
                if moved:
                    words = ", ".join(f"{s.pitch.name} becomes {p.name}" for s, p in moved)
                    places.append(
                        (pitching(moved), f"{column.hand}: {words}, inside the hand's reach")
                    )
            far = column.low if column.low in free else None
            rest = [s for s in column.strikes if s is not far]
            if far is not None and rest[-1].pitch.string - rest[0].pitch.string <= (
                player.limits.reach
            ):
                out.append(
                    (dropping(far), f"{column.hand}: {column.names} becomes {names(rest)}")
                )
        hand = cols[0].hand
        whole_bar = (
            (up, f"{hand}: the far low notes of the bar an octave up, inside the reach"),
            (down, f"{hand}: the far high notes of the bar an octave down, inside the reach"),
            (out, f"{hand}: the far low notes of the bar left out"),
        )
        for places, reason in whole_bar:
            edits.extend(all_then_each(passage, places, reason, 1 if len(places) > 1 else 2))
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="fold_reach",
    title="Fold a wide reach into the hand",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("4/4 | C6:4 ; [C3 G3 E4]:4", "4/4 | C6:4 ; [G3 C4 E4]:4"),
        Case("4/4 | C6:4 ; [C3 G3 E4]:4", "4/4 | C6:4 ; [C3 E3 G3]:4"),
        Case("4/4 | [C4 E5]:4 ; C3:4", "4/4 | [C5 E5]:4 ; C3:4"),
        Case("4/4 | C6:4 ; [C3 G3 C4]:4", None),
        Case("4/4 | C6:4 ; C3:2 E4", None),
        Case("4/4 | C6:4 ; [C3 G3 E4]:4", None, "professional"),
    ),
)
