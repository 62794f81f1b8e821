"""Redistribute notes between the hands.

What it does:
    Writes notes of a full or wide chord on the other staff, next to the other hand's notes, so
    that both hands share; or gives an after-beat chord that the left hand would have to jump to
    to the right hand, when that is near. Sounds, values and voices of the rest stay.

When a harpist would do this:
    When one hand has more than its fingers or its reach and the other is free ("split between
    hands": Volpe Bligh, Writing for the Pedal Harp; staves show register, not hands: Sibelius
    Academy, harp notation manual).

What is lost:
    Nothing in sound; the page looks less like the source.

Does not apply when:
    The other hand is full, too far away, or the note leads the melody.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator

from simplify.harp.hand import past_the_hand
from simplify.harp.player import Limits, Player
from simplify.score.edits import (
    Column,
    Draft,
    Place,
    all_then_each,
    following,
    inside,
    leading,
    names,
    row,
)
from simplify.score.model import TICKS, Edit, NoteId, Passage, Strike
from simplify.strategy import ALL_KEPT, Case, Strategy, promised

KEEPS = ALL_KEPT
JUMP = 7
"""Strings (an octave) beyond which the left hand's move to a chord counts as a jump
(estimate, as tiers.toml: time to place up to an octave)."""
SHORTEST = TICKS // 2
"""Written value (an eighth) below which an after-beat is part of a figure and stays."""


def _offered(
    column: Column, other: Column | None, lead: frozenset[NoteId], passage: Passage, limits: Limits
) -> tuple[Strike, ...]:
    """Strikes of a full or wide column that the other hand can take, the nearest to it first."""
    own = list(column.strikes)
    theirs = list(other.strikes) if other else []
    free = {s.first.id for s in following(column, lead, passage.part)}
    taken: list[Strike] = []
    while len(own) > limits.notes_per_hand or (
        own[-1].pitch.string - own[0].pitch.string > limits.reach
    ):
        strike = own[0] if column.staff == 1 else own[-1]
        strings = [s.pitch.string for s in [*theirs, strike]]
        apart = all(
            (s.pitch.string < strike.pitch.string) == (column.staff == 1)
            and s.pitch.string != strike.pitch.string
            for s in theirs
        )
        if (
            strike.first.id not in free
            or len(own) == 1
            or len(strings) > limits.notes_per_hand
            or max(strings) - min(strings) > limits.reach
            or not apart
        ):
            break
        own.remove(strike)
        theirs.append(strike)
        taken.append(strike)
    return tuple(taken)


def _shared_chords(passage: Passage, player: Player) -> Iterator[Edit | None]:
    lead, limits = leading(passage), player.limits
    for giver, taker, columns in past_the_hand(passage, limits):
        places = [
            _place(column, taken)
            for column, other in columns
            if (taken := _offered(column, other, lead, passage, limits))
        ]
        yield from all_then_each(
            passage, places, f"{taker}: takes the notes that the {giver} can't hold in this bar"
        )


def _place(column: Column, taken: tuple[Strike, ...]) -> Place:
    target = 3 - column.staff
    taker = "left hand" if target == 2 else "right hand"

    def act(draft: Draft) -> None:
        for strike in taken:
            draft.move(strike, target)

    return act, f"{taker}: takes {names(taken)} from the {column.hand}'s {column.names}"


def _after_beats(passage: Passage, player: Player) -> Iterator[Edit | None]:
    """Chords after a low bass note go to the right hand if it is near."""
    limits, lower, upper = player.limits, row(passage, 2), row(passage, 1)
    lead = leading(passage)
    places: dict[int, list[Place]] = {}
    for before, column in itertools.pairwise(lower):
        strikes = following(column, lead, passage.part)
        if not inside(passage, column) or len(strikes) < len(column.strikes):
            continue
        if column.end - column.onset < SHORTEST:
            continue
        if column.centre - before.centre <= JUMP:
            continue
        near = [c for c in upper if c.onset <= column.onset]
        if not near:
            continue
        host = near[-1]
        both = [*strikes, *host.strikes] if host.onset == column.onset else [*strikes]
        strings = [s.pitch.string for s in [*strikes, *host.strikes]]
        if (
            len(both) > limits.notes_per_hand
            or max(strings) - min(strings) > limits.reach
            or column.high.pitch.string >= host.low.pitch.string
        ):
            continue
        places.setdefault(column.bar.index, []).append(_place(column, strikes))
    for found in places.values():
        yield from all_then_each(
            passage, found, "right hand: takes the after-beat chords, the left hand keeps the bass"
        )


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    if max((n.staff for n in passage.part.notes), default=1) < 2:
        return
    yield from promised(
        passage, KEEPS, [*_shared_chords(passage, player), *_after_beats(passage, player)]
    )


STRATEGY = Strategy(
    name="redistribute_hands",
    title="Share the notes between the hands",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("4/4 | [G4 C5 E5 G5]:4 ; C4:4", "4/4 | [C5 E5 G5]:4 ; [C4 G4]:4", "school"),
        Case(
            "4/4 | C5:2 E5 ; C3:1 [G4 B4] C3 [G4 B4]",
            "4/4 | C5:2 E5 & r:1 [G4 B4]:1 r:1 [G4 B4] ; C3:1 r C3 r",
        ),
        Case("4/4 | [G4 C5 E5 G5]:4 ; C2:4", None),
        Case("4/4 | [C5 E5]:4 ; [C3 G3]:4", None),
        Case("4/4 | [G4 C5 E5 G5]:4", None),
    ),
)
