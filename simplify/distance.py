"""How far a rewrite is from the original, in parts.

Melody, bass, harmony, rhythm and texture, each in [0, 1], and their weighted sum. All are 0, and
so is the total, exactly when both sound the same: the same strings struck at the same moments for
the same written time with the same signs of playing (two voices on one key are one sound). Another
spelling, staff or hand of the same sound is counted apart, as notation.

Notes are matched by optimal assignment (the Hungarian method; scipy) with a price for a note that
finds no partner, after the weighted-note distances of Typke 2007, Music Retrieval Based on Melodic
Similarity: there weights are transported, here a note stays whole, and what is deleted costs. A
trill, tremolo or sweep moves as long as it lasts, and without it that motion is lost; a trill or
tremolo that is written out in notes is heard as one sound still, and notes struck on the way of a
sweep as strings that it passes (how they are set is not told, so any key counts). Harmony is
compared harmony by harmony of the original, by pitch-class content (weighted by length and
register) and by spectral pitch-class distance (Milne & Holland 2016, Journal of Mathematics and
Music 10:1), which fits perceived harmonic distance better than voice leading does. Numbers stand in
distance.toml.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from simplify.score.harmony import Harmony, harmonies
from simplify.score.lines import melody
from simplify.score.model import TICKS, Bar, Mark, Passage, Strike
from simplify.tables import table

PARTS = ("melody", "bass", "harmony", "rhythm", "texture")
"""The parts, in the order in which they are always shown."""

SOUNDING_SIGNS = frozenset((
    "arpeggio", "gliss-start", "gliss-stop", "trill", "mordent", "turn", "tremolo",
    "tremolo-start", "tremolo-stop", "harmonic", "etouffe", "nail", "staccato", "staccatissimo",
))
"""Marks that change what is heard of the notes themselves."""

SHAKEN = frozenset(("trill", "tremolo", "tremolo-start", "tremolo-stop", "gliss-start"))
"""Marks of a sound that moves as long as it lasts."""

_PAIRED = ("tremolo-start", "tremolo-stop")

_SWEPT = (Mark("gliss-start", ""),)
"""The sign of a string that a sweep passes."""

_STRINGS = 7 / 12
"""Strings of a semitone: seven in an octave, one a letter."""

TIE = 1e-7
"""Weight that settles ties between matchings; far below any difference one could hear."""

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Distance:
    """melody .. texture, total: in [0, 1]; notes_lost, notes_added: sounds without a partner on the
    other side; notation: share of the kept sounds written otherwise, in [0, 1], not in the total.
    """

    melody: float
    bass: float
    harmony: float
    rhythm: float
    texture: float
    total: float
    notes_lost: int
    notes_added: int
    notation: float

    @property
    def parts(self) -> tuple[tuple[str, float], ...]:
        """(name, value) of each part, in the order of `PARTS`."""
        values = (self.melody, self.bass, self.harmony, self.rhythm, self.texture)
        return tuple(zip(PARTS, values, strict=True))

    def counted(self, counts: Sequence[float]) -> float:
        """The total with each part (in the order of `PARTS`) counted so many times over."""
        weights = _numbers("weights")
        total = sum(
            weights[name] * value * count
            for (name, value), count in zip(self.parts, counts, strict=True)
        )
        return total / sum(weights.values())


@dataclass(frozen=True, slots=True)
class _Sound:
    """A pluck as heard: tick, grace notes before the main note, MIDI key, end, signs; strike."""

    onset: int
    lead: int
    midi: int
    end: int
    signs: tuple[Mark, ...]
    strike: Strike


@dataclass(frozen=True, slots=True)
class _Read:
    """What is read off a passage once. sounds: by (onset, lead, midi), in order; plain: sounds that
    are no grace notes; ticks: their onsets, ascending, each once; line: the leading line; shaken:
    those of the plain ones with a trill, a tremolo or the beginning of a sweep."""

    sounds: dict[tuple[int, int, int], _Sound]
    plain: tuple[_Sound, ...]
    ticks: tuple[int, ...]
    line: tuple[_Sound, ...]
    shaken: tuple[_Sound, ...]

    @staticmethod
    def of(sounds: dict[tuple[int, int, int], _Sound], line: tuple[_Sound, ...]) -> _Read:
        """What the sounds and the line of some bars come to."""
        plain = tuple(s for s in sounds.values() if not s.lead)
        return _Read(
            sounds, plain, tuple(sorted({s.onset for s in plain})), line,
            tuple(s for s in plain if any(mark.kind in SHAKEN for mark in s.signs)),
        )


def _numbers(name: str) -> dict[str, float]:
    return table("simplify", "distance.toml", name)


def distance(before: Passage, after: Passage) -> Distance:
    """The distance of `after` from `before`: the same bars of two versions of a part.

    Symmetric but for bass and harmony, which are read by the harmonies of `before`.
    """
    old, new = _read(before), _read(after)
    if old.sounds.keys() == new.sounds.keys() and all(
        (a.end, a.signs) == (new.sounds[key].end, new.sounds[key].signs)
        for key, a in old.sounds.items()
    ):
        return Distance(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0, 0, _notation(old, new))
    bars = before.bars
    notation = _notation(old, new)
    still = 0.0
    if old.shaken or new.shaken:
        still = _still(old, new, bars)
        old, new = _joined(old, new), _joined(new, old)
    pairs, lost, added = _partners(old, new, bars)
    found = harmonies(before)
    values = (
        _melody(old, new, bars),
        _bass(old, new, found),
        _harmony(old, new, found),
        _rhythm(old, new, pairs, bars),
        _texture(old, new, pairs, still),
    )
    weights = _numbers("weights")
    total = sum(weights[name] * value for name, value in zip(PARTS, values, strict=True))
    return Distance(
        *values, min(1.0, total / sum(weights.values())), lost, added, notation
    )


def masses(passage: Passage) -> tuple[float, ...]:
    """How much there is of what each part (in the order of `PARTS`) is a share of: the distance of
    a passage is, nearly, the mean of its bars' distances, each part weighted by its mass there."""
    read, bars = _read(passage), passage.bars
    beats = _beats(bars)
    line = sum(max(1.0, _length(s)) ** 0.5 for s in read.line)
    length = float(sum(bar.duration for bar in bars))
    onsets = sum(
        _beat_weight(beats(tick)) for tick, _ in {(s.onset, s.lead) for s in read.sounds.values()}
    )
    return line, length, length, onsets, float(len(read.sounds))


def _read(passage: Passage) -> _Read:
    """The passage as heard; kept on its part by bars, since the original is compared again and
    again."""
    kept: dict[tuple[int, int], _Read] = passage.part.__dict__.setdefault("_heard", {})
    key = (passage.first, passage.last)
    if key not in kept:
        sounds: dict[tuple[int, int, int], _Sound] = {}
        by_strike: dict[int, _Sound] = {}
        for strike in passage.strikes:
            note = strike.first
            place = (strike.onset, strike.lead, note.pitch.midi)
            signs = tuple(sorted(m for m in note.marks if m.kind in SOUNDING_SIGNS))
            same = sounds.get(place)
            if same is not None:
                signs = tuple(sorted({*same.signs, *signs}))
            sound = _Sound(
                *place, max(strike.end, same.end if same is not None else 0), signs,
                same.strike if same is not None else strike,
            )
            sounds[place] = sound
            by_strike[note.id] = sound
        line = tuple(by_strike[s.first.id] for s in melody(passage))
        kept[key] = _Read.of(sounds, line)
    return kept[key]


@dataclass(frozen=True, slots=True)
class _Shake:
    """A trill, tremolo or sweep: ticks, MIDI keys, and how many semitones above them it goes, too.
    """

    begin: int
    end: int
    keys: frozenset[int]
    reach: int
    sweep: bool

    def strokes(self, other: _Read, own: _Read) -> list[_Sound]:
        """The sounds of its keys that another version strikes while it lasts, and its own does not
        but where it begins."""
        return [
            sound for sound in other.plain
            if self.begin <= sound.onset < self.end
            and any(0 <= sound.midi - key <= self.reach for key in self.keys)
            and (sound.onset == self.begin or (sound.onset, 0, sound.midi) not in own.sounds)
        ]

    def passed(self, other: _Read, own: _Read) -> list[_Sound]:
        """The same without those at its beginning: of a sweep what another version strikes on its
        way."""
        return [sound for sound in self.strokes(other, own) if sound.onset > self.begin]

    def written_out(self, other: _Read, own: _Read) -> float:
        """How far another version writes it out, in [0, 1]: a trill or tremolo by striking it again
        and again, a sweep by some of the strings that it passes (the root of their share: few show
        its way)."""
        struck = len(self.passed(other, own))
        if self.sweep:
            return min(1.0, math.sqrt(struck / max(1.0, _STRINGS * len(self.keys) - 2.0)))
        return float(struck > 1)


def _shakes(read: _Read) -> list[_Shake]:
    """The trills, tremolos and sweeps of a version; two chords in tremolo are one."""
    found: dict[tuple[int, int, int, bool], set[int]] = {}
    for sound in read.shaken:
        kinds = {mark.kind for mark in sound.signs}
        end, keys = sound.end, {sound.midi}
        if "tremolo-start" in kinds:
            others = [
                s for s in read.shaken
                if s.onset == sound.end and any(m.kind == "tremolo-stop" for m in s.signs)
            ]
            end = max((s.end for s in others), default=end)
            keys |= {s.midi for s in others}
        elif "tremolo-stop" in kinds:
            continue
        sweep = "gliss-start" in kinds
        if sweep:
            last = _swept_to(read, sound)
            if last is None:
                continue
            low, high = sorted((sound.midi, last.midi))
            end, keys = last.onset, set(range(low, high + 1))
        reach = 2 if "trill" in kinds else 0
        found.setdefault((sound.onset, end, reach, sweep), set()).update(keys)
    return [
        _Shake(begin, end, frozenset(keys), reach, sweep)
        for (begin, end, reach, sweep), keys in found.items()
    ]


def _swept_to(read: _Read, start: _Sound) -> _Sound | None:
    """The sound that a sweep ends on, None if it is not in the passage."""
    names = {mark.value for mark in start.signs if mark.kind == "gliss-start"}
    return next(
        (
            sound for sound in read.plain
            if sound.onset > start.onset
            and any(m.kind == "gliss-stop" and m.value in names for m in sound.signs)
        ),
        None,
    )


def _still(old: _Read, new: _Read, bars: Sequence[Bar]) -> float:
    """What is lost where one version trills, shakes or sweeps and the other does not move: it has
    no such sign at that moment, and does not write it out, or not all of it; by its share of the
    bars."""
    k = _numbers("texture")
    lost: dict[int, float] = {}
    for one, other in ((old, new), (new, old)):
        moved = {(s.onset, s.midi) for s in other.shaken}
        for shake in _shakes(one):
            if not any((shake.begin, key) in moved for key in shake.keys):
                time = (shake.end - shake.begin) * (1.0 - shake.written_out(other, one))
                time *= k["sweep"] if shake.sweep else k["still"]
                lost[shake.begin] = max(lost.get(shake.begin, 0.0), time)
    return min(1.0, sum(lost.values()) / sum(bar.duration for bar in bars))


def _joined(read: _Read, other: _Read) -> _Read:
    """A version with what another trills or shakes and it writes out as one sound a key; so are two
    chords that it has in tremolo. A sweep of its own sounds what another strikes on its way."""
    sounds, place_of = dict(read.sounds), dict[tuple[int, int, int], tuple[int, int, int]]()
    swept = {
        (sound.onset, sound.lead, sound.midi): replace(sound, signs=_SWEPT)
        for shake in _shakes(read) if shake.sweep
        for sound in shake.passed(other, read)
    }
    sounds |= swept
    chords = [s for s in read.plain if any(mark.kind in _PAIRED for mark in s.signs)]
    todo = [
        (shake, [s for s in chords if shake.begin <= s.onset < shake.end])
        for shake in _shakes(read) if not shake.sweep
    ]
    todo += [
        (shake, shake.strokes(read, other))
        for shake in _shakes(other) if not shake.sweep and shake.written_out(read, other)
    ]
    for shake, struck in todo:
        for key in sorted(shake.keys & {sound.midi for sound in struck}):
            first = next(sound for sound in struck if sound.midi == key)
            whole = (shake.begin, 0, key)
            for sound in struck:
                place = (sound.onset, 0, sound.midi)
                if sound.midi == key or shake.reach:
                    sounds.pop(place, None)
                    place_of[place] = whole
            sounds[whole] = replace(first, onset=shake.begin, end=shake.end)
    if not place_of and not swept:
        return read
    line: dict[tuple[int, int], _Sound] = {}  # of keys that are one sound now the upper one leads
    leads = {(sound.onset, sound.lead, sound.midi) for sound in other.line}
    for sound in (*read.line, *(sound for place, sound in swept.items() if place in leads)):
        at = sound.onset, sound.lead, sound.midi
        now = sounds.get(place_of.get(at, at))
        if now is not None and now.midi >= line.get((now.onset, now.lead), now).midi:
            line[now.onset, now.lead] = now
    return _Read.of(
        dict(sorted(sounds.items())), tuple(sound for _, sound in sorted(line.items()))
    )


def _beats(bars: Sequence[Bar]) -> Callable[[int], float]:
    """Ticks to felt beats from the first bar's start."""
    starts, total, table = [], 0.0, []
    for bar in bars:
        starts.append(bar.onset)
        table.append((total, bar.onset, bar.pulse_ticks))
        total += bar.duration / bar.pulse_ticks

    def place(tick: int) -> float:
        beats, onset, pulse = table[max(0, bisect.bisect_right(starts, tick) - 1)]
        return beats + (tick - onset) / pulse

    return place


def _beat_weight(beat: float) -> float:
    """What an onset weighs: on a felt beat 1, off it less."""
    return 1.0 if abs(beat - round(beat)) < 1e-9 else _numbers("rhythm")["off_beat"]


# Matching


def _costs(
    old: Sequence[_Sound], new: Sequence[_Sound], beats: Callable[[int], float]
) -> Floats:
    """Cost of taking each new sound for each old one (old, new), at most 1."""
    k = _numbers("match")
    a = np.array([(beats(s.onset), s.midi, _length(s), s.lead) for s in old], dtype=np.float64)
    b = np.array([(beats(s.onset), s.midi, _length(s), s.lead) for s in new], dtype=np.float64)
    gap = np.abs(a[:, None, 1] - b[None, :, 1])
    octaves = gap / 12.0
    pitch = np.where(
        gap == 0,
        0.0,
        np.where(
            gap % 12 == 0,
            k["octave"] + k["further_octave"] * (octaves - 1.0),
            k["other"] + k["semitone"] * gap,
        ),
    )
    onset = k["beat"] * np.abs(a[:, None, 0] - b[None, :, 0])
    longer = np.maximum(a[:, None, 2], b[None, :, 2])
    length = k["length"] * np.abs(a[:, None, 2] - b[None, :, 2]) / np.maximum(longer, 1.0)
    grace = k["length"] * (a[:, None, 3] != b[None, :, 3])
    # Of equally dear matchings the one with the fewer wide shifts: the choice must not hang on the
    # order of the notes.
    wide = TIE * (gap * gap + np.abs(a[:, None, 0] - b[None, :, 0]) ** 2)
    cost: Floats = np.minimum(1.0, pitch + onset + length + grace) + wide
    return cost


def _length(sound: _Sound) -> float:
    return float(sound.end - sound.onset)


def _assign(
    costs: Floats, old_weights: Floats, new_weights: Floats
) -> tuple[float, list[tuple[int, int]]]:
    """Least cost of matching with deletions, and the pairs: a pair costs its cost times the mean of
    its weights, a note without partner `gone` times its weight."""
    from scipy.optimize import linear_sum_assignment  # here: it takes a third of a second to load

    gone = _numbers("match")["gone"]
    left, right = costs.shape
    mean = (old_weights[:, None] + new_weights[None, :]) / 2.0
    # What a pair saves against leaving both alone; a pair that saves nothing is not made.
    saved = gone * (old_weights[:, None] + new_weights[None, :]) - costs * mean
    rows, columns = linear_sum_assignment(np.maximum(saved, 0.0), maximize=True)
    total = gone * float(old_weights.sum() + new_weights.sum())
    pairs = []
    for i, j in zip(rows.tolist(), columns.tolist(), strict=True):
        if i < left and j < right and saved[i, j] > 1e-12:
            total -= float(saved[i, j])
            pairs.append((i, j))
    return max(0.0, total), pairs


def _partners(
    old: _Read, new: _Read, bars: Sequence[Bar]
) -> tuple[list[tuple[_Sound, _Sound]], int, int]:
    """Pairs of old and new sounds, and how many have no partner on either side.

    Sounds at the same place with the same key are partners; the rest are assigned.
    """
    pairs = [(a, new.sounds[key]) for key, a in old.sounds.items() if key in new.sounds]
    left = [a for key, a in old.sounds.items() if key not in new.sounds]
    right = [b for key, b in new.sounds.items() if key not in old.sounds]
    if left and right:
        _, found = _assign(
            _costs(left, right, _beats(bars)), np.ones(len(left)), np.ones(len(right))
        )
        pairs += [(left[i], right[j]) for i, j in found]
        return pairs, len(left) - len(found), len(right) - len(found)
    return pairs, len(left), len(right)


# The parts


def _melody(old: _Read, new: _Read, bars: Sequence[Bar]) -> float:
    """Cost of the leading line's notes, weighted by the root of their length, and the share of its
    directions that change."""
    a, b = old.line, new.line
    if not a and not b:
        return 0.0
    if not a or not b:
        return 1.0
    k = _numbers("melody")
    if [(s.onset, s.midi, s.end) for s in a] == [(s.onset, s.midi, s.end) for s in b]:
        return 0.0
    weights = [np.sqrt(np.array([max(1.0, _length(s)) for s in line])) for line in (a, b)]
    cost, pairs = _assign(_costs(a, b, _beats(bars)), *weights)
    notes = cost / (float(weights[0].sum() + weights[1].sum()) / 2.0)
    steps = changed = 0
    for (i, j), (m, n) in pairwise(pairs):
        if m == i + 1 and n == j + 1:
            steps += 1
            changed += _sign(a[m].midi - a[i].midi) != _sign(b[n].midi - b[j].midi)
    longest = max(len(a), len(b)) - 1
    broken = 0.0 if longest < 1 else (longest - steps + changed) / longest
    return min(1.0, k["notes"] * notes + k["contour"] * broken)


def _sign(value: int) -> int:
    return (value > 0) - (value < 0)


def _bass(old: _Read, new: _Read, found: Sequence[Harmony]) -> float:
    """Harmony by harmony of the original: whether the lowest sound keeps its pitch class and
    octave, weighted by the harmony's length."""
    k = _numbers("bass")
    total = weight = 0.0
    ringing: int | None = None
    for harmony in found:
        was, now = _lowest(old, harmony), _lowest(new, harmony)
        length = harmony.end - harmony.onset
        if was is None and now is None:
            continue
        weight += length
        if was is not None and now is not None and now % 12 == was % 12:
            total += length * min(1.0, k["octave"] * abs(now - was) / 12.0)
        elif (
            was is not None
            and ringing is not None
            and ringing % 12 == was % 12
            and (now is None or ringing < now)
        ):
            total += length * k["rings"]  # the bass of the harmony before, under what is struck
            continue
        else:
            total += length
        ringing = now
    return total / weight if weight else 0.0


def _lowest(read: _Read, harmony: Harmony) -> int | None:
    return min(
        (s.midi for s in read.plain if harmony.onset <= s.onset < harmony.end), default=None
    )


def _harmony(old: _Read, new: _Read, found: Sequence[Harmony]) -> float:
    """Change of pitch-class content in each harmony of the original, weighted by its length."""
    k = _numbers("harmony")
    total = weight = 0.0
    for harmony in found:
        a, b = _content(old, harmony, k), _content(new, harmony, k)
        sums = sum(a) + sum(b)
        if sums <= 0.0:
            continue
        length = harmony.end - harmony.onset
        weight += length
        if a == b:
            continue
        more = sum(max(x, y) for x, y in zip(a, b, strict=True))
        content = sum(abs(x - y) for x, y in zip(a, b, strict=True)) / more
        value = k["content"] * content + k["spectrum"] * _spectral(a, b, k)
        if a[harmony.root] > 0.0 and b[harmony.root] <= 0.0:
            value += k["root_lost"]
        third = harmony.third
        if third is not None and a[third] > 0.0 and b[third] <= 0.0:
            value += k["third_lost"]
        total += length * min(1.0, value)
    return total / weight if weight else 0.0


def _content(read: _Read, harmony: Harmony, k: dict[str, float]) -> list[float]:
    """Pitch-class weights (12) of what sounds in a harmony: the root of length in quarter notes
    times a weight that grows downwards, so that a doubling adds less than a new tone."""
    sums = [0.0] * 12
    for sound in read.plain:
        if sound.onset >= harmony.end or sound.end <= harmony.onset:
            continue
        length = (min(sound.end, harmony.end) - max(sound.onset, harmony.onset)) / TICKS
        low = max(0.0, (72 - sound.midi) / 12.0)
        sums[sound.midi % 12] += length * (1.0 + k["low_octave"] * low)
    return [math.sqrt(value) for value in sums]


def _spectral(a: Sequence[float], b: Sequence[float], k: dict[str, float]) -> float:
    """1 - cosine of the two contents with their fifth and third partials; 1 if one is silent."""
    x, y = ([_smeared(row, c, k) for c in range(12)] for row in (a, b))
    norm = math.sqrt(sum(v * v for v in x) * sum(v * v for v in y))
    if norm <= 0.0:
        return 1.0
    return max(0.0, 1.0 - sum(p * q for p, q in zip(x, y, strict=True)) / norm)


def _smeared(row: Sequence[float], c: int, k: dict[str, float]) -> float:
    return row[c] + k["fifth"] * row[(c - 7) % 12] + k["third"] * row[(c - 4) % 12]


def _rhythm(
    old: _Read, new: _Read, pairs: Sequence[tuple[_Sound, _Sound]], bars: Sequence[Bar]
) -> float:
    """Change of the onset pattern (any hand; moved onsets cost by how far), and of the written
    lengths of the notes that are still struck at their place."""
    k, match = _numbers("rhythm"), _numbers("match")
    beats = _beats(bars)
    a, b = sorted({(s.onset, s.lead) for s in old.sounds.values()}), sorted(
        {(s.onset, s.lead) for s in new.sounds.values()}
    )
    weight = {place: _beat_weight(beats(place[0])) for place in {*a, *b}}
    both = {*a} & {*b}
    left, right = [p for p in a if p not in both], [p for p in b if p not in both]
    cost = match["gone"] * sum(weight[p] for p in (*left, *right))
    passed = _passed(old) ^ _passed(new)
    unmeasured = k["swept"] * sum(weight[p] for p in both & passed)
    if left and right:
        far = np.abs(
            np.array([beats(t) for t, _ in left])[:, None]
            - np.array([beats(t) for t, _ in right])[None, :]
        )
        lead = np.array([n for _, n in left])[:, None] != np.array([n for _, n in right])[None, :]
        cost, _ = _assign(
            np.minimum(1.0, match["beat"] * far + match["length"] * lead),
            np.array([weight[p] for p in left]), np.array([weight[p] for p in right]),
        )
    whole = (sum(weight[p] for p in a) + sum(weight[p] for p in b)) / 2.0
    onsets = (cost + unmeasured) / whole if whole else 0.0
    kept = [(x, y) for x, y in pairs if x.onset == y.onset and not x.lead]
    lengths = sum(
        abs(_length(x) - _length(y)) / max(_length(x), _length(y), 1.0) for x, y in kept
    )
    gone = max(len(old.plain), len(new.plain)) - len(kept)
    most = max(len(old.plain), len(new.plain), 1)
    return min(1.0, k["onsets"] * onsets + k["lengths"] * (lengths + max(0, gone)) / most)


def _passed(read: _Read) -> set[tuple[int, int]]:
    """Where nothing is struck but what a sweep passes."""
    struck = {(s.onset, s.lead) for s in read.sounds.values() if s.signs != _SWEPT}
    return {(s.onset, s.lead) for s in read.sounds.values()} - struck


def _texture(
    old: _Read, new: _Read, pairs: Sequence[tuple[_Sound, _Sound]], still: float
) -> float:
    """Change of the number of notes, of register (of the notes that stay), of how many are struck
    together, and of the signs that say how they sound; still: what lost (or new) trills, tremolos
    and sweeps count."""
    k = _numbers("texture")
    n, m = len(old.sounds), len(new.sounds)
    density = abs(n - m) / max(n, m) if n or m else 0.0
    if not n or not m:
        return 1.0 if n != m else 0.0
    shifts = sum(abs(a.midi - b.midi) for a, b in pairs) / k["register_semitones"]
    strangers = max(n, m) - len(pairs)
    register = min(1.0, (shifts + strangers) / max(n, m))
    was, now = _together(old), _together(new)
    figure = abs(was - now) / max(was, now)
    signs = sum(a.signs != b.signs for a, b in pairs) + strangers
    share = signs / max(n, m)
    value = k["density"] * density + k["register"] * register + k["figure"] * figure
    return min(1.0, value + k["signs"] * share + still)


def _together(read: _Read) -> float:
    """Mean number of notes struck at one moment (grace notes apart)."""
    return max(1.0, len(read.plain) / max(1, len(read.ticks)))


def _notation(old: _Read, new: _Read) -> float:
    """Share of the sounds on both sides that are spelled, placed or handed otherwise."""
    k = _numbers("notation")
    total = count = 0.0
    for key, a in old.sounds.items():
        b = new.sounds.get(key)
        if b is None:
            continue
        count += 1
        x, y = a.strike.first, b.strike.first
        cost = k["spelling"] * (x.pitch != y.pitch)
        cost += k["staff"] * ((x.staff, x.hand) != (y.staff, y.hand))
        total += min(1.0, cost)
    return total / count if count else 0.0
