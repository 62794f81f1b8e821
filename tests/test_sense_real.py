"""Rewrites of real music, written out, opened again in music21 and judged by its own analysis.

What a rewrite is said to do as music (`slips`) is checked against music21's voice-leading quartets
and chord names, and what it does not say is not there: our own reading of harmony and outer voices
has no part in these checks.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import music21
import pytest
from music21 import chord, stream, voiceLeading

from simplify import api
from simplify.report.results import Alternative, RewriteResult
from tests.support_music21 import Heard, notes_of

pytestmark = pytest.mark.xdist_group("sense_real")  # one process, so that searches are shared

WINDOWS = (
    ("schumann_clara/polonaise_op1n2", "18-20", "amateur"),
    ("chopin/mazurka06-2", "31-34", "amateur"),
    ("schumann_clara/polonaise_op1n4", "18-20", "amateur"),
    ("mozart/k545/movement1_exposition", "1-4", "amateur"),
)


@cache
def rewritten(name: str, bars: str, tier: str) -> RewriteResult:
    """Each window is searched once for all tests of this file."""
    path = str(music21.corpus.getWork(name))
    return api.rewrite_score(api.Request(path, bars=bars, tier=tier), count=4, workers=1)


def verticals(heard: list[Heard]) -> Iterator[tuple[float, int, list[Heard]]]:
    """(onset, bar, what sounds) whenever something is struck."""
    for onset in sorted({h.onset for h in heard}):
        bar = next(h.bar for h in heard if h.onset == onset)
        yield onset, bar, [h for h in heard if h.onset <= onset < h.end]


@cache
def files(window: tuple[str, str, str]) -> tuple[stream.Score, list[stream.Score]]:
    """The source and each alternative's written file, as music21 opens them."""
    result = rewritten(*window)
    with tempfile.TemporaryDirectory() as folder:
        _, names, _ = api.write_rewrites(result, Path(folder) / "out")
        new = [music21.converter.parse(Path(folder) / "out" / name) for name in names]
    return music21.converter.parse(result.info.path), new


def opened(window: tuple[str, str, str]) -> tuple[RewriteResult, list[Heard], list[list[Heard]]]:
    """The result, the source's notes, and those of each alternative's written file."""
    first, last = (int(number) for number in window[1].split("-"))
    original, new = files(window)
    source = notes_of(original, first, last)
    heard = [with_letters_of(source, notes_of(score, first, last)) for score in new]
    return rewritten(*window), source, heard


def with_letters_of(source: list[Heard], heard: list[Heard]) -> list[Heard]:
    """The same sounds, each with the letter that it has in that bar of the source: music21 names
    chords and intervals by letters, and a harp part has the letters of its strings."""
    letters = {(h.bar, h.pitch.pitchClass): h.pitch.name for h in source}
    found = []
    for h in heard:
        name = letters.get((h.bar, h.pitch.pitchClass), h.pitch.name)
        octaves = (h.pitch.implicitOctave + k for k in (-1, 0, 1))
        (pitch,) = (
            p for p in (music21.pitch.Pitch(f"{name}{octave}") for octave in octaves)
            if p.midi == h.pitch.midi
        )
        found.append(replace(h, pitch=pitch))
    return found


def outer(sounding: list[Heard]) -> tuple[Heard, Heard] | None:
    """(highest of the upper staff, lowest of all), if they are two."""
    upper = [h for h in sounding if h.staff == 1] or sounding
    top = max(upper, key=lambda h: h.pitch.midi)
    low = min(sounding, key=lambda h: h.pitch.midi)
    return (top, low) if top is not low else None


def parallel(heard: list[Heard], moments: tuple[float, float]) -> bool:
    """True if music21 hears parallel octaves or fifths of the outer voices between two moments."""
    pairs = []
    for at in moments:
        sounding = [h for h in heard if h.onset <= at < h.end]
        pairs.append(outer(sounding) if sounding else None)
    if pairs[0] is None or pairs[1] is None:
        return False
    (top, low), (top_then, low_then) = pairs
    if top_then.onset != moments[1] or low_then.onset != moments[1]:
        return False
    four = voiceLeading.VoiceLeadingQuartet(
        top.pitch, top_then.pitch, low.pitch, low_then.pitch
    )
    # music21 also reports the same intervals in contrary motion; parallel motion is meant here.
    return four.parallelMotion() and bool(
        four.parallelFifth() or four.parallelOctave() or four.parallelUnison()
    )


def told(one: Alternative, *rules: str) -> set[int]:
    """Bars in which the alternative itself says that it makes such a slip."""
    return {int(slip.bar) for slip in one.slips if slip.rule in rules}


@pytest.mark.parametrize("window", WINDOWS, ids=lambda w: w[0])
def test_no_new_parallels_by_music21(window: tuple[str, str, str]) -> None:
    """music21's voice-leading quartets of melody and bass find no parallel octave or fifth that
    the source does not have between the same moments, but in bars that are told."""
    result, source, rewrites = opened(window)
    assert len(result.alternatives) >= 2
    for one, heard in zip(result.alternatives, rewrites, strict=True):
        moments = [(onset, bar) for onset, bar, _ in verticals(heard)]
        new = {
            bar
            for (before, _), (onset, bar) in pairwise(moments)
            if parallel(heard, (before, onset)) and not parallel(source, (before, onset))
        }
        assert new <= told(one, "parallels"), f"alternative {one.rank}"


@pytest.mark.parametrize("window", WINDOWS, ids=lambda w: w[0])
def test_chords_keep_their_root_by_music21(window: tuple[str, str, str]) -> None:
    """Wherever the sounds of a beat (or of a bar) make a triad or a seventh chord to music21, in
    the source as in the rewrite, it names the same root, but in bars that are told. A beat may
    also take the root that music21 finds for the source's whole bar: B♯ D♯ F♯ after a low G♯ is
    the G♯ seventh chord, once the G♯ is written as long as the string rings."""
    result, source, rewrites = opened(window)
    before = {by_bar: roots(source, by_bar=by_bar) for by_bar in (False, True)}
    whole, compared = before[True], 0
    for one, heard in zip(result.alternatives, rewrites, strict=True):
        other = set()
        for by_bar in (False, True):
            was, now = before[by_bar], roots(heard, by_bar=by_bar)
            for at in was.keys() & now.keys():
                compared += 1
                root, bar = now[at]
                if root not in (was[at][0], whole.get(bar, (None,))[0]):
                    other.add(bar)
        assert other <= told(one, "chord_name", "cadence"), f"alternative {one.rank}"
    assert compared >= 3


def roots(heard: list[Heard], *, by_bar: bool) -> dict[int, tuple[int, int]]:
    """Number of the bar, or of the quarter note, to (pitch class of the root, bar), where music21
    takes what is struck and held there for a triad or a seventh chord."""
    found = {}
    for at in sorted({h.bar if by_bar else int(h.onset) for h in heard}):
        inside = [
            h for h in heard
            if (h.bar == at if by_bar else h.onset < at + 1 and h.end > at)
        ]
        named = chord.Chord([h.pitch for h in inside])
        if named.isTriad() or named.isSeventh():
            found[at] = int(named.root().pitchClass), inside[0].bar
    return found


def debris(measure: stream.Measure, length: float) -> set[tuple[object, ...]]:
    """What a player would stumble over in one staff's bar, as music21 reads it: rests under a
    sixteenth, two dots, tuplets of rests only, a second voice that only rests, a note written
    twice alike, a voice that does not fill the bar."""
    found: set[tuple[object, ...]] = set()
    voices = list(measure.voices) or [measure]
    written: list[tuple[float, float, int]] = []
    for voice in voices:
        rows = [e for e in voice.notesAndRests if not e.duration.isGrace]
        shown = [e for e in rows if not (e.isRest and e.style.hideObjectOnPrint)]
        if len(voices) > 1 and shown and all(e.isRest for e in shown):
            found.add(("a voice of rests",))
        end = max((float(e.offset + e.quarterLength) for e in rows), default=0.0)
        if len(voices) == 1 and abs(end - length) > 0.01:
            found.add(("not full", end))
        in_tuplets: dict[int, list[bool]] = {}
        for e in shown:
            if e.isRest and e.quarterLength < 0.24 and not e.duration.tuplets:
                found.add(("short rest", float(e.quarterLength)))
            if e.duration.dots > 1:
                found.add(("dots", e.duration.dots))
            if e.duration.tuplets:
                in_tuplets.setdefault(int(e.offset), []).append(e.isRest)
            if not e.isRest:
                for pitch in e.pitches:
                    written.append((float(e.offset), float(e.quarterLength), pitch.midi))
                    if pitch.accidental is not None and abs(pitch.accidental.alter) > 1:
                        found.add(("double accidental", pitch.nameWithOctave))
        if any(all(rests) for rests in in_tuplets.values()):
            found.add(("a tuplet of rests",))
    if len(written) != len(set(written)):
        found.add(("written twice",))
    return found


@pytest.mark.parametrize("window", WINDOWS, ids=lambda w: w[0])
def test_rewrites_read_as_notation(window: tuple[str, str, str]) -> None:
    """No rhythmic debris that the source does not have, in the bars of each rewrite."""
    first, last = (int(number) for number in window[1].split("-"))
    source, rewrites = files(window)
    for rank, score in enumerate(rewrites, start=1):
        for number in range(first, last + 1):
            old, new = (
                [one.parts[staff].measure(number) for staff in (-2, -1)]
                for one in (source, score)
            )
            length = max(float(m.duration.quarterLength) for m in new)
            for was, now in zip(old, new, strict=True):
                fresh = debris(now, length) - debris(was, length)
                assert not fresh, f"alternative {rank}, bar {number}"


@pytest.mark.parametrize("window", WINDOWS, ids=lambda w: w[0])
def test_ties_and_beams_close(window: tuple[str, str, str]) -> None:
    """Each beam that opens in a bar closes in it, and no tie leads nowhere within the bars."""
    first, last = (int(number) for number in window[1].split("-"))
    _, rewrites = files(window)
    for score in rewrites:
        for staff in (-2, -1):
            part = score.parts[staff]
            for measure in part.getElementsByClass(stream.Measure):
                if not first <= measure.number <= last:
                    continue
                for voice in list(measure.voices) or [measure]:
                    kinds = [
                        beam.type for e in voice.notes for beam in e.beams.beamsList
                    ]
                    assert kinds.count("start") == kinds.count("stop"), measure.number
            held: set[tuple[int, float]] = set()
            for h in sorted(
                (float(e.getOffsetInHierarchy(part)), float(e.quarterLength), p.midi, t)
                for e in part.recurse().notes
                for p, t in tied(e)
            ):
                onset, quarters, midi, kind = h
                if kind in ("stop", "continue"):
                    assert any(m == midi and abs(at - onset) < 0.01 for m, at in held)
                if kind in ("start", "continue"):
                    held.add((midi, onset + quarters))


def tied(element: Any) -> list[tuple[Any, str]]:
    """(pitch, kind of its tie or '') of a note or of each note of a chord."""
    members = element.notes if element.isChord else (element,)
    return [(n.pitch, n.tie.type if n.tie is not None else "") for n in members]
