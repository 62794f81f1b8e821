"""Put a figure in string order.

What it does:
    Reorders the notes of an accompaniment figure within a beat (or a pair of beats) so that they
    follow the strings in one direction, upward or downward; a note that the figure has twice
    becomes its octave or the next note of the chord, so that no string is struck twice.

When a harpist would do this:
    When a pianist's figure turns to and fro (Alberti bass): fingers are placed in groups in one
    direction, and a figure in string order plays itself (placing in groups of up to four:
    common practice; chords and arpeggios "close together": Rimsky-Korsakov, Principles of
    Orchestration, ch. I).

What is lost:
    The contour of the accompaniment; harmony and rhythm stay.

Does not apply when:
    The figure is the melody, is in order already, or its values differ.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence

from simplify.harp.player import Player
from simplify.score.edits import (
    Column,
    Draft,
    Place,
    all_then_each,
    at_octave,
    by_pulse,
    following,
    leading,
    staff_bars,
)
from simplify.score.model import Edit, NoteId, Passage, Pitch, Strike
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY | Keeps.HARMONY | Keeps.RHYTHM


def _singles(
    group: Sequence[Column], lead: frozenset[NoteId], passage: Passage
) -> list[Strike] | None:
    """The strikes of a figure of single notes of one value in one voice, or None."""
    strikes = []
    for column in group:
        free = following(column, lead, passage.part)
        if len(column.strikes) != 1 or len(free) != 1 or len(free[0].notes) != 1:
            return None
        strikes.append(free[0])
    if len({s.first.voice for s in strikes}) > 1:
        return None
    if len({s.end - s.onset for s in strikes}) > 1:
        return None
    return strikes


def _turns(strings: Sequence[int]) -> bool:
    """True if the figure changes direction or strikes a string twice running."""
    steps = [b - a for a, b in itertools.pairwise(strings)]
    return not (all(s > 0 for s in steps) or all(s < 0 for s in steps))


def _ordered(pitches: Sequence[Pitch], reach: int) -> list[Pitch] | None:
    """As many pitches upward, none twice: a double becomes the octave of the lowest note, else of
    another, within reach; None if that can't be done."""
    found = sorted({p.string: p for p in pitches}.values(), key=lambda p: p.string)
    spare = [at_octave(p, k) for k in (1, -1) for p in found]
    while len(found) < len(pitches):
        strings = [p.string for p in found]
        for choice in spare:
            wide = [*strings, choice.string]
            if choice.string not in strings and max(wide) - min(wide) <= reach:
                found.append(choice)
                break
        else:
            return None
    return sorted(found, key=lambda p: p.string)


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    lead = leading(passage)
    edits: list[Edit | None] = []
    for bar, _, cols in staff_bars(passage):
        up: list[Place] = []
        down: list[Place] = []
        for group in by_pulse(bar, cols):
            strikes = _singles(group, lead, passage)
            if strikes is None or len(strikes) < 3:
                continue
            if not _turns([s.pitch.string for s in strikes]):
                continue
            order = _ordered([s.pitch for s in strikes], player.limits.reach)
            if order is None:
                continue
            beat = f"{bar.beat(strikes[0].onset):g}"
            for places, way, line in ((up, "upward", order), (down, "downward", order[::-1])):
                shown = " ".join(p.name for p in line)
                places.append(
                    (
                        _act(strikes, line),
                        f"{group[0].hand}: the figure on beat {beat} runs {way}, {shown}",
                    )
                )
        for places, way in ((up, "upward"), (down, "downward")):
            reason = f"{cols[0].hand}: the figures of the bar run {way} in string order"
            edits.extend(all_then_each(passage, places, reason, 1))
    yield from promised(passage, KEEPS, edits)


def _act(strikes: Sequence[Strike], line: Sequence[Pitch]) -> Callable[[Draft], None]:
    pairs = list(zip(strikes, line, strict=True))

    def act(draft: Draft) -> None:
        for strike, pitch in pairs:
            if strike.pitch != pitch:
                draft.pitch(strike, pitch)

    return act


STRATEGY = Strategy(
    name="string_order",
    title="Put a figure in string order",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case(
            "2/4 | G5:2 ; C3:1/4 G3 E3 G3 C3 G3 E3 G3", "2/4 | G5:2 ; C3:1/4 E3 G3 C4 C3 E3 G3 C4"
        ),
        Case("2/4 | G5:2 ; C3:1/3t3:2 G3 E3 C3 G3 E3", "2/4 | G5:2 ; C3:1/3t3:2 E3 G3 C3 E3 G3"),
        Case("2/4 | G5:2 ; C3:1/4 E3 G3 C4 C3:1", None),
        Case("2/4 | C5:1/4 G5 E5 G5 C5 G5 E5 G5 ; C3:2", None),
        Case("2/4 | G5:2 ; C3:1/2 E3 C3 E3", None),
    ),
)
