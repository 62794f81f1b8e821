"""Scores and Roman-numeral analyses from music21's corpus, as parts and change points."""

from __future__ import annotations

import bisect
from dataclasses import replace
from fractions import Fraction
from functools import cache
from typing import Any

import numpy as np
from scipy.optimize import linear_sum_assignment

from simplify.difficulty.contigs import separate
from simplify.score.harmony import harmonies
from simplify.score.model import TICKS, Bar, Note, Part, Passage, Pitch, TempoMark

Point = tuple[int, float]
"""Bar number and beat (in felt beats from 1)."""


@cache
def analysed(name: str) -> tuple[Part, dict[Point, tuple[int, frozenset[int]]]]:
    """The score that an analysis of the corpus belongs to, as a part of two staves, and the
    analysis: (bar, beat) to root and pitch classes, in the analyst's key."""
    from music21 import corpus
    from music21.corpus.chorales import ChoraleListRKBWV

    analysis: dict[Point, tuple[int, frozenset[int]]] = {}
    for numeral in corpus.parse(name + ".rntxt").recurse().getElementsByClass("RomanNumeral"):
        classes = frozenset(p.pitchClass for p in numeral.pitches)
        place = (numeral.measureNumber, round(float(numeral.beat), 3))
        analysis[place] = (numeral.root().pitchClass, classes)
    if "riemenschneider" in name:
        chorales = ChoraleListRKBWV()  # type: ignore[no-untyped-call]
        number = chorales.byRiemenschneider[int(name[-3:])]["bwv"]
        score = corpus.parse(f"bach/bwv{number}")
    else:
        score = corpus.parse(name + ".mxl")
    return two_staves(score, name), analysis


def two_staves(score: Any, name: str) -> Part:
    """Voices of the upper half of the score on the upper staff, the others on the lower."""
    bars: list[Bar] = []
    metre, fifths = (4, 4), 0
    for measure in score.parts[0].getElementsByClass("Measure"):
        if measure.timeSignature is not None:
            metre = (measure.timeSignature.numerator, measure.timeSignature.denominator)
        if measure.keySignature is not None:
            fifths = measure.keySignature.sharps
        length = _ticks(measure.duration.quarterLength)
        full = 4 * TICKS * metre[0] // metre[1]
        lead = _ticks(measure.paddingLeft or 0)
        if not bars and length < full:
            lead = full - length
        number, onset = str(measure.number), _ticks(measure.offset)
        bars.append(Bar(len(bars), number, onset, length, *metre, fifths, lead))
    starts = [bar.onset for bar in bars]
    notes = []
    half = (len(score.parts) + 1) // 2
    for voice, source in enumerate(score.parts, start=1):
        for note in source.recurse().notes:
            onset = _ticks(note.getOffsetInHierarchy(source))
            tie = note.tie.type if note.tie else ""
            for pitch in note.pitches:
                notes.append(
                    Note(
                        0, onset, _ticks(note.duration.quarterLength),
                        Pitch(pitch.step, int(pitch.alter), pitch.octave),
                        max(0, bisect.bisect_right(starts, onset) - 1),
                        1 if voice <= half else 2, str(voice),
                        tie_in=tie in ("stop", "continue"), tie_out=tie in ("start", "continue"),
                    )
                )
    notes.sort(key=lambda n: n.order_key)
    numbered = tuple(replace(note, id=i) for i, note in enumerate(notes))
    return Part("P1", name, tuple(bars), numbered, (TempoMark(0, 72.0),))


def _ticks(quarters: Any) -> int:
    return int(Fraction(quarters).limit_denominator(1000) * TICKS)


def alignment(part: Part, analysis: dict[Point, tuple[int, frozenset[int]]]) -> float:
    """How well score and analysis lie on each other: the share of the sounds at the analysed
    moments that belong to the chord named there, in the best transposition (some chorales stand in
    another key than their analysis). Low where editions number their bars differently."""
    first = _first_bars(part)
    rows = []
    for (number, beat), (_, classes) in sorted(analysis.items()):
        bar = first.get(number)
        if bar is None:
            continue
        tick = bar.onset - bar.lead + round((beat - 1) * bar.pulse_ticks)
        sounds = {
            n.pitch.pitch_class
            for row in part.notes_by_bar[bar.index : bar.index + 2]
            for n in row
            if n.onset <= tick < n.end
        }
        if sounds:
            rows.append((sounds, classes))

    def fit(up: int) -> float:
        shares = [len({(s + up) % 12 for s in row} & classes) / len(row) for row, classes in rows]
        return sum(shares) / len(shares)

    return max(fit(up) for up in range(12))


def change_points(
    analysis: dict[Point, tuple[int, frozenset[int]]], part: Part
) -> set[Point]:
    """Where root or tones change in the analysis, but for its first chord (which is no change)."""
    numbers = _first_bars(part)
    found: set[Point] = set()
    before = None
    for place, chord in sorted(analysis.items()):
        if before is not None and chord != before and place[0] in numbers:
            found.add(place)
        before = chord
    return found - {min(analysis)}


def predicted_points(part: Part) -> set[Point]:
    """Where our harmonies change."""
    found = harmonies(Passage(part, 0, len(part.bars) - 1))
    return _points(part, [h.onset for h in found[1:]])


def marked_points(part: Part, *, beats: bool) -> set[Point]:
    """Every felt beat, or every bar line, but the first."""
    ticks = [
        tick
        for bar in part.bars
        for tick in (
            range(bar.onset - bar.lead, bar.end, bar.pulse_ticks) if beats else [bar.onset]
        )
        if tick >= bar.onset
    ]
    return _points(part, sorted(ticks)[1:])


def f_score(agree: int, found: int, wanted: int) -> float:
    """Harmonic mean of precision and recall."""
    return 2 * agree / (found + wanted)


def _first_bars(part: Part) -> dict[int, Bar]:
    """The first bar of each printed number (a bar parted by a repeat sign has its number twice)."""
    first: dict[int, Bar] = {}
    for bar in part.bars:
        if bar.number.isdigit():
            first.setdefault(int(bar.number), bar)
    return first


def _points(part: Part, ticks: list[int]) -> set[Point]:
    first = _first_bars(part)
    found = set()
    for tick in ticks:
        bar = part.bar_at(tick)
        if bar.number.isdigit():
            start = first[int(bar.number)]
            beat = (tick - start.onset + start.lead) / start.pulse_ticks + 1
            found.add((int(bar.number), round(beat, 3)))
    return found


def note_accuracy(part: Part, staff: int | None) -> tuple[int, int]:
    """How many notes of a staff (None: of both laid together) `contigs.separate` gives to the voice
    they are written in, and how many there are. Voices found are named after written ones at best;
    notes that sound as one are interchangeable."""
    rows = [s for s in part.strikes if staff in (None, s.first.staff)]
    found = separate([(s.onset, s.end, s.pitch.midi) for s in rows])
    names = sorted({s.first.voice for s in rows}, reverse=True)
    alike: dict[tuple[int, int, int], list[tuple[int, int]]] = {}
    for strike, voice in zip(rows, found, strict=True):
        sound = strike.onset, strike.end, strike.pitch.midi
        alike.setdefault(sound, []).append((voice, names.index(strike.first.voice)))
    agree = np.zeros((max(found) + 1, len(names)))
    for pairs in alike.values():
        ours, theirs = (sorted(side) for side in zip(*pairs, strict=True))
        for one, other in zip(ours, theirs, strict=True):
            agree[one, other] += 1
    one, other = linear_sum_assignment(-agree)
    return int(agree[one, other].sum()), len(rows)
