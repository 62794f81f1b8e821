"""Written scores as music21 hears them: the outside reader of finished rewrites."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from music21 import stream


@dataclass(frozen=True)
class Heard:
    """A note as music21 reads it, ties joined: quarter notes from the start, bar, staff, pitch."""

    onset: float
    end: float
    bar: int
    staff: int
    pitch: Any


def notes_of(score: stream.Score, first: int, last: int) -> list[Heard]:
    """The last two staves of a score (the keyboard's) in some bars."""
    found = []
    for staff, part in enumerate(list(score.parts)[-2:], start=1):
        for measure in part.stripTies().getElementsByClass(stream.Measure):
            if not first <= measure.number <= last:
                continue
            for one in measure.recurse().notes:
                if one.duration.isGrace:
                    continue
                at = float(measure.offset + one.getOffsetInHierarchy(measure))
                end = at + float(one.quarterLength)
                found += [Heard(at, end, measure.number, staff, p) for p in one.pitches]
    return found
