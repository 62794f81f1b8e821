"""Bridge a jump that leaves no time to place.

What it does:
    Where the hand has to be an octave or more away in less time than it needs, the landing notes
    or the notes before move by octaves toward each other, or the weaker of the two is left out so
    that the hand has time. Per bar: all low notes up, all high ones down, or all weaker ones out.

When a harpist would do this:
    Always, since strings are placed before they are played and an unprepared leap is unsafe
    (Volpe Bligh, Preparing orchestral harp parts: allow time to place; octave choice: common
    practice).

What is lost:
    Register, or an after-beat.

Does not apply when:
    The jump is in the leading line, or there is time.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator

from simplify.harp.hand import OCTAVE, blurred, placing_seconds
from simplify.harp.player import Limits, Player
from simplify.score.edits import (
    Column,
    Place,
    all_then_each,
    at_octave,
    dropping,
    following,
    inside,
    leading,
    pitching,
    row,
    strength,
)
from simplify.score.model import Edit, NoteId, Part, Passage, Pitch, Strike
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY


def _hasty(part: Part, one: Column, two: Column, limits: Limits) -> bool:
    """True if the move between two columns takes longer than there is time (tiers.toml)."""
    far = abs(two.centre - one.centre)
    if far <= OCTAVE:
        return False
    return part.seconds(two.onset) - part.seconds(one.onset) < placing_seconds(far, limits)


def _nearer(
    part: Part, column: Column, goal: Column, free: tuple[Strike, ...], limits: Limits
) -> list[tuple[Strike, Pitch]]:
    """The column moved by as few octaves as give time for the jump, not past the other; empty if
    it may not move, or would blur in the low register."""
    if len(free) < len(column.strikes):
        return []
    gap = goal.centre - column.centre
    time = abs(part.seconds(goal.onset) - part.seconds(column.onset))
    for octaves in range(1, int(abs(gap) // OCTAVE) + 1):
        left = abs(gap) - octaves * OCTAVE
        if left <= OCTAVE or time >= placing_seconds(left, limits):
            moved = [(s, at_octave(s.pitch, octaves if gap > 0 else -octaves)) for s in free]
            return [] if blurred(p for _, p in moved) else moved
    return []


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    part, lead = passage.part, leading(passage)
    edits: list[Edit | None] = []
    for staff in (2, 1):
        cols = row(passage, staff)
        per_bar: dict[int, dict[str, list[Place]]] = {}
        for one, two in itertools.pairwise(cols):
            if _hasty(part, one, two, player.limits):
                for column, kind, place in _ways(one, two, lead, passage, player.limits):
                    kinds = per_bar.setdefault(column.bar.index, {})
                    kinds.setdefault(kind, []).append(place)
        for index in sorted(per_bar):
            hand = "right hand" if staff == 1 else "left hand"
            words = {
                "up": f"{hand}: the low notes of the bar an octave nearer, so that no jump is left",
                "down": f"{hand}: the high notes of the bar an octave nearer to the low ones",
                "out": f"{hand}: the notes after each jump are left out, the others ring on",
            }
            for kind in ("up", "down", "out"):
                places = per_bar[index].get(kind, [])
                edits.extend(
                    all_then_each(passage, places, words[kind], 1 if len(places) > 1 else 2)
                )
    yield from promised(passage, KEEPS, edits)


def _ways(
    one: Column, two: Column, lead: frozenset[NoteId], passage: Passage, limits: Limits
) -> Iterator[tuple[Column, str, Place]]:
    for column, other in ((two, one), (one, two)):
        if not inside(passage, column):
            continue
        free = following(column, lead, passage.part)
        moved = _nearer(passage.part, column, other, free, limits)
        if moved:
            kind = "up" if moved[0][1].octave > moved[0][0].pitch.octave else "down"
            near = " ".join(p.name for _, p in moved)
            reason = f"{column.hand}: {column.names} becomes {near}, near the notes around it"
            yield column, kind, (pitching(moved), reason)
    weak = two if strength(two.bar, two.onset) <= strength(one.bar, one.onset) else one
    if inside(passage, weak):
        gone = following(weak, lead, passage.part)
        if gone:
            reason = f"{weak.hand}: {weak.names} is left out, which gives time for the jump"
            yield weak, "out", (dropping(*gone), reason)


STRATEGY = Strategy(
    name="bridge_jump",
    title="Bridge a jump",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case(
            "2/4 tempo:120 | C6:2 ; C2:1/2 [E4 G4] G2 [E4 G4]",
            "2/4 tempo:120 | C6:2 ; C4:1/2 [E4 G4] G3 [E4 G4]",
        ),
        Case(
            "2/4 tempo:120 | C6:2 ; C2:1/2 [E4 G4] G2 [E4 G4]",
            "2/4 tempo:120 | C6:2 ; C2:1 G2",
        ),
        Case("2/4 tempo:40 | C6:2 ; C2:1 [E4 G4]", None),
        Case("2/4 tempo:120 | C6:2 ; C3:1/2 [E3 G3] C3 [E3 G3]", None),
    ),
)
