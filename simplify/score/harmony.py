"""Harmony segments of a passage.

A segmental dynamic programme: the passage may be cut at onsets, at most one in each half beat; each
stretch between two cuts is read as the best chord by the sounds that fit it (purity), the chord's
tones that are heard (coverage) and a prior per chord kind; a cut costs more off the beat than on it
(metrical prior). The best cut is exact for these scores and takes time linear in the number of
onsets, since no segment is longer than a fixed number of beats.

Sources of the form: Pardo & Birmingham 2002, Algorithms for Chordal Analysis (Computer Music
Journal 26:2); Masada & Bunescu 2019, Chord Recognition in Symbolic Music (TISMIR 2:1). The numbers
stand in chords.toml.
"""

from __future__ import annotations

import bisect
import itertools
import tomllib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files

import numpy as np
import numpy.typing as npt

from simplify.score import harmony_kernel as kernel
from simplify.score.model import Bar, Note, Part, Passage

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Harmony:
    """One harmony: [onset, end) in ticks, root and third as pitch classes (third None when the
    chord has none), kind (such as 'major', 'minor', 'dominant seventh'), classes: its chord tones.
    """

    onset: int
    end: int
    root: int
    third: int | None
    kind: str
    classes: frozenset[int]


@dataclass(frozen=True, slots=True)
class Chords:
    """Every chord kind on every root. roots, thirds, classes: as the kinds say; scoring: (37,
    chords), the weights of a segment's features (see `scored`); constant: (chords,), what every
    segment read as that chord pays; member: (chords, 12) 0/1 by pitch class."""

    names: tuple[str, ...]
    roots: tuple[int, ...]
    thirds: tuple[int | None, ...]
    classes: tuple[frozenset[int], ...]
    scoring: Floats
    constant: Floats
    member: Floats


GRAINS = 65536.0
"""Parts of a unit that lengths in beats and weights are rounded to. Sums and products of them are
exact, so that no score hangs on the rounding of the music before and scores that are equal are."""


def _exact(value: float) -> float:
    return round(value * GRAINS) / GRAINS


def _all_exact(values: Floats) -> Floats:
    rounded: Floats = np.rint(values * GRAINS) / GRAINS
    return rounded


@cache
def table() -> tuple[Chords, dict[str, float]]:
    """The chords and the weights of chords.toml."""
    data = tomllib.loads(files("simplify.score").joinpath("chords.toml").read_text("utf-8"))
    weights = {key: float(row["value"]) for key, row in data["weights"].items()}
    names: list[str] = []
    roots: list[int] = []
    thirds: list[int | None] = []
    classes: list[frozenset[int]] = []
    prior: list[float] = []
    for name, row in data["kinds"].items():
        for root in range(12):
            names.append(name)
            roots.append(root)
            thirds.append((root + row["third"]) % 12 if "third" in row else None)
            classes.append(frozenset((root + tone) % 12 for tone in row["tones"]))
            prior.append(float(row["prior"]))
    member = np.zeros((len(names), 12))
    is_root = np.zeros((len(names), 12))
    for at, tones in enumerate(classes):
        member[at, sorted(tones)] = 1.0
        is_root[at, roots[at]] = 1.0
    outside = weights["outside"]
    scoring = np.vstack([
        ((1.0 + outside) * member).T,
        np.full((1, len(names)), -outside),
        (weights["missing"] * member + weights["missing_root"] * is_root).T,
        weights["root_in_bass"] * is_root.T,
    ])
    constant = -np.array(prior) - weights["missing"] * member.sum(axis=1) - weights["missing_root"]
    scoring, constant = _all_exact(scoring), _all_exact(constant)
    chords = Chords(
        tuple(names), tuple(roots), tuple(thirds), tuple(classes), scoring, constant, member
    )
    return chords, weights


def harmonies(passage: Passage) -> tuple[Harmony, ...]:
    """The passage's harmonies, end to end, covering it.

    Neighbours differ in root or in chord tones, unless a long silence parts them. A passage without
    a sounding note is one 'silence' with root 0 and no chord tones. The result is kept on the part,
    by first and last bar, since the search asks for the same bars of the same part again and again.
    """
    kept: dict[tuple[int, int], tuple[Harmony, ...]] = passage.part.__dict__.setdefault(
        "_harmonies", {}
    )
    key = (passage.first, passage.last)
    if key not in kept:
        kept[key] = _segments(passage)
    return kept[key]


def keep_harmonies(part: Part, known: tuple[Harmony, ...]) -> None:
    """Remembers the harmonies of all bars of a part on it."""
    part.__dict__.setdefault("_harmonies", {})[0, len(part.bars) - 1] = known


def named(passage: Passage, edges: Sequence[int]) -> tuple[Harmony, ...]:
    """The best chord of each stretch between the edges (ticks, ascending, at least two, within the
    passage), each read for itself by the scores of `harmonies`, with what other parts play there;
    'silence' where nothing sounds."""
    first, last = edges[0], edges[-1]
    notes = [
        n if n.onset >= first else replace(n, onset=first, duration=n.end - first)
        for n in (*passage.notes, *passage.part.around)
        if not n.grace and n.onset < last and n.end > first
    ]
    chords, weights = table()
    profile, lowest, _ = slices(notes, edges, passage.bars, weights)
    features = np.zeros((len(profile), 37))
    features[:, :12] = profile
    features[:, 12] = profile.sum(axis=1)
    features[:, 13:25] = profile > 0.0
    for at, low in enumerate(lowest):
        if low < 999:
            features[at, 25 + low % 12] = 1.0
    best = (features @ chords.scoring + chords.constant).argmax(axis=1).tolist()
    return tuple(
        Harmony(
            onset, end, chords.roots[label], chords.thirds[label], chords.names[label],
            chords.classes[label],
        )
        if low < 999
        else Harmony(onset, end, 0, None, "silence", frozenset())
        for (onset, end), label, low in zip(itertools.pairwise(edges), best, lowest, strict=True)
    )


@dataclass(frozen=True, slots=True)
class Cutting:
    """A passage of bars as it was cut, to be cut again where it changes (`harmony_again`).

    cuts: ticks at which a harmony may change; fresh: for each whether a long silence goes before
    it; best, back, label: for each and for the end the score up to there, the first slice and the
    chord of the segment that ends there; ends: where the segments end (numbers of cuts);
    segments: the harmony of each by itself; found: with like neighbours joined; sounds: for each
    bar the last tick at which a note of it sounds.
    """

    cuts: tuple[int, ...]
    fresh: tuple[bool, ...]
    best: tuple[float, ...]
    back: tuple[int, ...]
    label: tuple[int, ...]
    ends: tuple[int, ...]
    segments: tuple[Harmony, ...]
    found: tuple[Harmony, ...]
    sounds: tuple[int, ...]


def cutting(passage: Passage) -> Cutting | None:
    """How a passage is cut; None if it holds no sounding note."""
    notes = [n for n in passage.notes if sounding(n)]
    if not notes:
        return None
    chords, weights = table()
    bars = passage.bars
    cuts = cuts_of({n.onset for n in notes}, bars)
    profile, lowest, beats = slices(notes, [*cuts, passage.end], bars, weights)
    fresh = after_silence(notes, cuts, bars, weights)
    change = change_costs(cuts, bars, weights)
    count = len(cuts)
    best = [0.0] + [-1e18] * count
    back, label = [0] * (count + 1), [0] * (count + 1)
    for start, end, name, score in scored(profile, lowest, beats, fresh, chords, weights):
        value = best[start] + score - (change[start] if start else 0.0)
        if value > best[end]:
            best[end], back[end], label[end] = value, start, name
    ends = []
    end = count
    while end:
        ends.append(end)
        end = back[end]
    ends.reverse()
    edges = [passage.onset, *(cuts[end] for end in ends[:-1]), passage.end]
    heard = Heard(notes)
    segments = tuple([
        segment(label[end], heard, low, high, chords)
        for end, (low, high) in zip(ends, itertools.pairwise(edges), strict=True)
    ])
    starts = [0, *ends[:-1]]
    found = joined(zip(segments, (fresh[start] for start in starts), strict=True))
    last = [max([n.end for n in row if sounding(n)], default=0)
            for row in passage.part.notes_by_bar[passage.first : passage.last + 1]]
    return Cutting(
        tuple(cuts), tuple(fresh), tuple(best), tuple(back), tuple(label), tuple(ends), segments,
        found, tuple(last),
    )


def sounding(note: Note) -> bool:
    """Whether a note counts for harmony."""
    return not note.grace and note.duration > 0


def segment(label: int, heard: Heard, onset: int, end: int, chords: Chords) -> Harmony:
    """A stretch read as a chord, its root by the spelling of what sounds in it."""
    label = _by_spelling(label, heard, onset, end, chords)
    return Harmony(
        onset, end, chords.roots[label], chords.thirds[label], chords.names[label],
        chords.classes[label],
    )


def joined(segments: Iterable[tuple[Harmony, bool]]) -> tuple[Harmony, ...]:
    """Harmonies end to end, each with whether a long silence goes before it; like neighbours become
    one, unless such a silence parts them."""
    found: list[Harmony] = []
    for harmony, fresh in segments:
        if found and not fresh and alike(found[-1], harmony):
            last = found.pop()
            harmony = replace(last, end=harmony.end)
        found.append(harmony)
    return tuple(found)


def alike(one: Harmony, other: Harmony) -> bool:
    """Whether two harmonies are the same but for their time."""
    return (one.root, one.classes) == (other.root, other.classes)


def _segments(passage: Passage) -> tuple[Harmony, ...]:
    found = cutting(passage)
    if found is None:
        return (Harmony(passage.onset, passage.end, 0, None, "silence", frozenset()),)
    return found.found


def cuts_of(onsets: set[int], bars: Sequence[Bar]) -> list[int]:
    """Where a harmony may change: the first onset in each half of a felt beat (each third in
    compound metres). Harmonies don't change faster, and the bound keeps long runs cheap."""
    starts = [bar.onset for bar in bars]
    seen: set[tuple[int, int]] = set()
    cuts = []
    for onset in sorted(onsets):
        at = max(0, bisect.bisect_right(starts, onset) - 1)
        bar = bars[at]
        parts = 2 if bar.pulse_ticks == bar.beat_ticks else 3
        cell = at, (onset - bar.onset + bar.lead) * parts // bar.pulse_ticks
        if cell not in seen:
            seen.add(cell)
            cuts.append(onset)
    return cuts


def after_silence(
    notes: Sequence[Note], cuts: Sequence[int], bars: Sequence[Bar], weights: dict[str, float]
) -> list[bool]:
    """For each cut, whether a long silence goes before it: no harmony is heard across one."""
    ends = [bar.end for bar in bars]
    ordered = sorted(notes, key=lambda n: n.onset)
    found, until, at = [], cuts[0], 0
    for cut in cuts:
        while at < len(ordered) and ordered[at].onset < cut:
            until = max(until, ordered[at].end)
            at += 1
        bar = bars[min(bisect.bisect_right(ends, cut), len(bars) - 1)]
        found.append(cut - until >= weights["silence_beats"] * bar.pulse_ticks)
    return found


def slices(
    notes: Sequence[Note], edges: Sequence[int], bars: Sequence[Bar], weights: dict[str, float]
) -> tuple[Floats, list[int], list[float]]:
    """Per slice between edges: pitch-class weights in beats (slices, 12), the lowest sounding MIDI
    key (999 for silence), and the position of each edge in beats from the first."""
    pulse = bars[0].pulse_ticks
    position = [0.0]
    ends = [bar.end for bar in bars]
    for before, after in itertools.pairwise(edges):
        pulse = bars[min(bisect.bisect_right(ends, before), len(bars) - 1)].pulse_ticks
        position.append(position[-1] + _exact((after - before) / pulse))
    sounds = [(n.onset, n.onset + n.duration, n.pitch.midi) for n in notes]
    rows, lowest = kernel.heard(
        np.array(sounds, dtype=np.int64).reshape(-1, 3), np.array(edges, dtype=np.int64),
        np.array(position, dtype=np.float64), weights["density"], weights["bass_weight"],
    )
    return _all_exact(rows), lowest.tolist(), position


_LETTER_OF = {"C": 0, "D": 1, "E": 2, "F": 3, "G": 4, "A": 5, "B": 6}
_THIRD_STEPS = {0: 0, 3: 2, 4: 2, 6: 4, 7: 4, 8: 4, 9: 6, 10: 6, 11: 6}


def _spelled_roots(notes: Sequence[Note]) -> Floats:
    """(12, 12) 0/1: row r, column c: some letter of pitch class c stands a third, fifth or seventh
    above some letter of pitch class r, as a chord on r would be spelled."""
    letters: list[set[int]] = [set() for _ in range(12)]
    for note in notes:
        letters[note.pitch.pitch_class].add(_LETTER_OF[note.pitch.step])
    table = np.zeros((12, 12))
    for root in range(12):
        for semitones, steps in _THIRD_STEPS.items():
            other = (root + semitones) % 12
            if any((a + steps) % 7 in letters[other] for a in letters[root]):
                table[root, other] = 1.0
    return table


class Heard:
    """Finds the notes that sound in a stretch."""

    def __init__(self, notes: Sequence[Note]) -> None:
        self.notes = sorted(notes, key=lambda n: n.onset)
        self.onsets = [n.onset for n in self.notes]
        self.longest = max(n.duration for n in notes)

    def between(self, onset: int, end: int) -> list[Note]:
        """Those that sound in ticks [onset, end)."""
        low = bisect.bisect_left(self.onsets, onset - self.longest)
        high = bisect.bisect_left(self.onsets, end)
        return [n for n in self.notes[low:high] if n.end > onset]


def _by_spelling(label: int, heard: Heard, onset: int, end: int, chords: Chords) -> int:
    """The chord of the same tones whose root the letters of its notes speak for (augmented triads
    and diminished sevenths have three and four roots); the one given on a tie."""
    same = [at for at, tones in enumerate(chords.classes) if tones == chords.classes[label]]
    if len(same) == 1:
        return label
    spelled = _spelled_roots(heard.between(onset, end))
    return max(
        same,
        key=lambda at: (
            float((spelled[chords.roots[at]] * chords.member[at]).sum()), at == label, -at,
        ),
    )


def change_costs(
    cuts: Sequence[int], bars: Sequence[Bar], weights: dict[str, float]
) -> list[float]:
    """Cost of a change at each cut, by its place in the metre."""
    ends = [bar.end for bar in bars]
    costs = []
    for cut in cuts:
        bar = bars[min(bisect.bisect_right(ends, cut), len(bars) - 1)]
        inside = cut - bar.onset + bar.lead
        cost = weights["change"]
        if inside % bar.pulse_ticks:
            cost += weights["change_beat"] + weights["change_offbeat"]
        elif inside:
            cost += weights["change_beat"]
        costs.append(_exact(cost))
    return costs


def scored(
    profile: Floats, lowest: Sequence[int], beats: Sequence[float], fresh: Sequence[bool],
    chords: Chords, weights: dict[str, float],
) -> Iterator[tuple[int, int, int, float]]:
    """(first slice, slice after the last, best chord, its score) of every segment, by the first
    and then the second.

    A segment's features, in the order of `Chords.scoring`: pitch-class weights (12), their sum,
    which pitch classes are heard at all (12), which one is lowest (12).
    """
    found = kernel.best_chords(
        profile, np.array(lowest, dtype=np.int64), np.array(beats, dtype=np.float64),
        np.array(fresh, dtype=bool), weights["longest_beats"] + 1e-3,
        chords.scoring, chords.constant,
    )
    return zip(*(row.tolist() for row in found), strict=True)
