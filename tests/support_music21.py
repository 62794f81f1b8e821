"""Written scores as music21 hears them: the outside reader of finished rewrites."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from music21 import stream


@dataclass(frozen=True)
class Heard:
    """A note as music21 reads it, ties joined: quarter notes from the start of the first bar asked
    for, bar, staff, pitch. Counted from there, since a file whose bars are split at a repeat may
    be written back with other lengths before it."""

    onset: float
    end: float
    bar: int
    staff: int
    pitch: Any


def notes_of(score: stream.Score, first: int, last: int) -> list[Heard]:
    """The last two staves of a score (the keyboard's) in some bars, and in the unnumbered ones
    between. A bar is as long as what is in it, whatever its metre: a bar that a repeat sign splits
    may be written back as two full ones."""
    staves, written = (
        [list(part.getElementsByClass(stream.Measure)) for part in parts]
        for parts in ([p.stripTies() for p in score.parts[-2:]], score.parts[-2:])
    )
    numbers = [measure.number for measure in staves[0]]
    start, end = numbers.index(first), len(numbers) - 1 - numbers[::-1].index(last)
    found, bar_at = [], 0.0
    for at in range(start, end + 1):
        for staff, bars in enumerate(staves, start=1):
            for one in bars[at].recurse().notes:
                if one.duration.isGrace:
                    continue
                onset = bar_at + float(one.getOffsetInHierarchy(bars[at]))
                length = float(one.quarterLength)
                found += [
                    Heard(onset, onset + length, numbers[at], staff, p) for p in one.pitches
                ]
        bar_at += max(float(bars[at].highestTime) for bars in written)
    return found
