"""Whether a rewrite still makes sense as music: what a teacher of harmony would mark in it.

A slip is something that the rewrite does and its source did not. Each rule is a `check_<slip>` that
compares the same bars of two versions of a part and returns the slips, so that what was in the
source (parallels of a bagpipe fifth, a seventh left hanging) is never held against the rewrite.
Nothing here knows a strategy: the search weighs slips, and an alternative that has one says so.

The rules are those of common practice in harmony (melody and bass are the outer voices; parallel
octaves and fifths, a doubled leading note and an unresolved seventh are its classical faults:
Rimsky-Korsakov, Practical Manual of Harmony, from memory). Where a chord's place is taken by the
chord before or after it the harmonic rhythm is slower, which the distance counts: it is no slip,
but for a cadence.
"""

from __future__ import annotations

import bisect
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from simplify.score.edits import spelled
from simplify.score.harmony import Harmony, harmonies, named
from simplify.score.lines import melody
from simplify.score.model import TICKS, Bar, Passage, Strike

SEVENTHS = {
    "dominant seventh": 10, "dominant ninth": 10, "minor seventh": 10, "major seventh": 11,
    "half-diminished seventh": 10, "diminished seventh": 9,
}
"""Semitones from the root to the seventh, by kind of chord (common practice)."""
DOMINANTS = ("major", "dominant seventh", "dominant ninth")
"""Chords that lead to the chord a fifth below (common practice)."""
LONG = 2 * TICKS
"""Ticks of a melody note that closes a phrase: a half note (estimate; shorter would call every
quarter a close, longer would miss the half closes of songs)."""


@dataclass(frozen=True, slots=True)
class Slip:
    """One thing that the rewrite does and its source does not: rule, place, a few words."""

    rule: str
    onset: int
    bar: str
    text: str


@dataclass(frozen=True, slots=True)
class _Moment:
    """The outer voices when something is struck: what sings and what lies lowest (None: nothing),
    and whether each is struck here."""

    onset: int
    top: int
    low: int
    both_struck: bool


@dataclass(frozen=True, slots=True)
class _Heard:
    """What the checks read off one version. line: the melody; moments: with a melody note and a
    lower bass, in time order; strikes: grace notes left out, by onset."""

    line: tuple[Strike, ...]
    strikes: tuple[Strike, ...]
    moments: tuple[_Moment, ...]


def _heard(passage: Passage) -> _Heard:
    """Kept on the part by bars, since the original is compared again and again."""
    kept: dict[tuple[int, int], _Heard] = passage.part.__dict__.setdefault("_sense", {})
    key = (passage.first, passage.last)
    if key not in kept:
        strikes = tuple(s for s in passage.strikes if not s.lead)
        line = melody(passage)
        kept[key] = _Heard(line, strikes, tuple(_moments(strikes, line)))
    return kept[key]


def _moments(strikes: Sequence[Strike], line: Sequence[Strike]) -> Iterator[_Moment]:
    sung = {s.onset: s for s in line}
    rows: dict[int, list[Strike]] = {}
    for strike in strikes:
        rows.setdefault(strike.onset, []).append(strike)
    top: Strike | None = None
    sounding: list[Strike] = []
    for onset in sorted(rows):
        sounding = [s for s in sounding if s.end > onset] + rows[onset]
        top = sung.get(onset, top)
        if top is None or (top.end <= onset and top.onset != onset):
            continue
        low = min(sounding, key=lambda s: (s.pitch.midi, -s.onset))
        if low.pitch.midi < top.pitch.midi:
            yield _Moment(
                onset, top.pitch.midi, low.pitch.midi, top.onset == onset == low.onset
            )


def _at(passage: Passage, rule: str, onset: int, text: str) -> Slip:
    return Slip(rule, onset, passage.part.bar_at(onset).number, text)


# The rules


def check_melody_skeleton(before: Passage, after: Passage) -> Iterator[Slip]:
    """The melody's notes on the strong beats (first and middle) still lead there, at their
    pitch; a repeated one may ring on."""
    old, new = _heard(before), _heard(after)
    now = {s.onset: s.pitch.midi for s in new.line}
    onsets = sorted(now)
    for strike in old.line:
        if not _strong(before.part.bar_at(strike.onset), strike.onset):
            continue
        at = bisect.bisect_right(onsets, strike.onset) - 1
        if at < 0 or now[onsets[at]] != strike.pitch.midi:
            yield _at(
                before, "melody_skeleton", strike.onset,
                f"the melody's {strike.pitch.name} on a strong beat is gone",
            )


def _strong(bar: Bar, tick: int) -> bool:
    """True on the first felt beat and on the middle one of an even bar."""
    inside = tick - bar.onset + bar.lead
    if inside % bar.pulse_ticks:
        return False
    count = bar.metre_ticks // bar.pulse_ticks
    at = inside // bar.pulse_ticks
    return at == 0 or (count % 2 == 0 and at == count // 2)


def check_melody_on_top(before: Passage, after: Passage) -> Iterator[Slip]:
    """Nothing is struck above the melody, where in the source nothing is in that bar."""
    crossed = {before.part.bar_at(s.onset).index for s in _above(_heard(before))}
    for strike in _above(_heard(after)):
        bar = before.part.bar_at(strike.onset)
        if bar.index not in crossed:
            crossed.add(bar.index)
            yield _at(
                before, "melody_on_top", strike.onset, f"{strike.pitch.name} lies over the melody"
            )


def _above(heard: _Heard) -> list[Strike]:
    """Strikes above the melody note that sounds then."""
    line = heard.line
    onsets = [s.onset for s in line]
    found = []
    for strike in heard.strikes:
        at = bisect.bisect_right(onsets, strike.onset) - 1
        if at >= 0 and line[at].end > strike.onset and strike.pitch.midi > line[at].pitch.midi:
            found.append(strike)
    return found


def check_parallels(before: Passage, after: Passage) -> Iterator[Slip]:
    """Melody and bass do not move together from octave to octave or from fifth to fifth.

    Counts where both are struck anew. The source has the parallel too if its outer voices stand so
    at the same two moments, whatever it plays between them.
    """
    old = {m.onset: m for m in _heard(before).moments}
    for one, two in pairwise(_heard(after).moments):
        width = _parallel(one, two)
        if width is None:
            continue
        was, then = old.get(one.onset), old.get(two.onset)
        if was is not None and then is not None and _parallel(was, then) == width:
            continue
        kind = "octaves" if width == 0 else "fifths"
        yield _at(
            before, "parallels", two.onset, f"melody and bass move in parallel {kind}"
        )


def _parallel(one: _Moment, two: _Moment) -> int | None:
    """0 for parallel octaves, 7 for fifths, else None."""
    if not two.both_struck or one.top == two.top or one.low == two.low:
        return None
    if (two.top > one.top) != (two.low > one.low):
        return None
    width = (two.top - two.low) % 12
    return width if width in (0, 7) and (one.top - one.low) % 12 == width else None


def check_leading_note(before: Passage, after: Passage) -> Iterator[Slip]:
    """The third of a dominant that goes to its tonic is not doubled where it was single."""
    for harmony, following in pairwise(harmonies(before)):
        if not _leads(before, harmony, following):
            continue
        allowed = max(_times_struck(_heard(before).strikes, harmony).values(), default=1)
        for onset, times in _times_struck(_heard(after).strikes, harmony).items():
            if times > allowed:
                yield _at(before, "leading_note", onset, "the leading note is doubled")
                break


def _leads(passage: Passage, harmony: Harmony, following: Harmony) -> bool:
    """True for a dominant and its tonic: the signature's keys, or any with the dominant's seventh
    (a plain major chord that falls a fifth elsewhere is only a step of the harmony)."""
    tonic = 7 * passage.part.bar_at(following.onset).fifths % 12
    return (
        harmony.kind in DOMINANTS
        and (harmony.root - following.root) % 12 == 7
        and following.kind in ("major", "minor")
        and (harmony.kind != "major" or following.root in (tonic, (tonic + 9) % 12))
    )


def _times_struck(strikes: Sequence[Strike], harmony: Harmony) -> dict[int, int]:
    """Onset to the number of strings that strike the harmony's third there."""
    found: dict[int, set[int]] = {}
    for strike in strikes:
        inside = harmony.onset <= strike.onset < harmony.end
        if inside and strike.pitch.pitch_class == harmony.third:
            found.setdefault(strike.onset, set()).add(strike.pitch.midi)
    return {onset: len(row) for onset, row in sorted(found.items())}


def check_sevenths(before: Passage, after: Passage) -> Iterator[Slip]:
    """A chord's seventh that the source resolves (a step down, or held into the next chord) is
    resolved if it is still there."""
    old, new = _heard(before).strikes, _heard(after).strikes
    for harmony, following in pairwise(harmonies(before)):
        seventh = SEVENTHS.get(harmony.kind)
        if seventh is None:
            continue
        sound = (harmony.root + seventh) % 12
        resolved = _resolved(old, harmony, following, sound)
        if not resolved:
            continue
        for midi, good in _resolved(new, harmony, following, sound).items():
            if not good and resolved.get(midi, False):
                yield _at(
                    before, "seventh", following.onset, "a seventh is left without its resolution"
                )


def _resolved(
    strikes: Sequence[Strike], harmony: Harmony, following: Harmony, sound: int
) -> dict[int, bool]:
    """Each sounding seventh of a harmony (MIDI key), and whether it resolves at its place."""
    there = {
        s.pitch.midi
        for s in strikes
        if s.pitch.pitch_class == sound and s.onset < harmony.end and s.end > harmony.onset
    }
    if not there:
        return {}
    then = {
        s.pitch.midi
        for s in strikes
        if s.onset < following.end and s.end > following.onset and s.onset >= harmony.onset
    }
    return {midi: bool({midi, midi - 1, midi - 2} & then) for midi in there}


def check_harmony(before: Passage, after: Passage) -> Iterator[Slip]:
    """Each chord is still named the same, over the same bass; at a cadence without exception,
    elsewhere unless the chord before or after has taken its place."""
    source = _source(before)
    found, edges, old, low_old = source.found, source.edges, source.names, source.lows
    new, low_new = named(after, edges), _basses(after, edges)
    ringing: int | None = None
    for at, harmony in enumerate(found):
        was, now = old[at], new[at]
        lows = low_old[at], low_new[at] if low_new[at] is not None else ringing
        ringing = lows[1]
        if was.kind == "silence" or lows[0] is None:
            continue
        same = _same(was, now)
        taken = not same and any(
            _same(old[k], now) for k in (at - 1, at + 1) if 0 <= k < len(found)
        )
        if at in source.closes:
            if not same or lows[0] != lows[1]:
                words = "has another bass note" if same else f"becomes {_called(before, now)}"
                text = f"in a cadence, {_called(before, was)} {words}"
                yield _at(before, "cadence", harmony.onset, text)
        elif not same and not taken:
            text = f"{_called(before, was)} becomes {_called(before, now)}"
            yield _at(before, "chord_name", harmony.onset, text)
        elif same and lows[0] != lows[1]:
            text = f"{_called(before, was)} stands on another bass note"
            yield _at(before, "bass", harmony.onset, text)


@dataclass(frozen=True, slots=True)
class _Source:
    """The harmonies of an original, their edges, what each is called when read for itself, the
    pitch class of its lowest strike, and the indices of those that make a cadence."""

    found: tuple[Harmony, ...]
    edges: tuple[int, ...]
    names: tuple[Harmony, ...]
    lows: tuple[int | None, ...]
    closes: frozenset[int]


def _source(passage: Passage) -> _Source:
    """Kept as `_heard` is."""
    kept: dict[tuple[int, int], _Source] = passage.part.__dict__.setdefault("_sense_source", {})
    key = (passage.first, passage.last)
    if key not in kept:
        found = harmonies(passage)
        edges = (*(h.onset for h in found), found[-1].end)
        kept[key] = _Source(
            found, edges, named(passage, edges), _basses(passage, edges), _cadences(passage, found)
        )
    return kept[key]


def _called(passage: Passage, harmony: Harmony) -> str:
    """'A♭ major', or 'a single A♭', with the root as the key has it."""
    if harmony.kind == "silence":
        return "silence"
    root = spelled(60 + harmony.root, passage.part.bar_at(harmony.onset).fifths).name[:-1]
    return f"a single {root}" if harmony.kind == "single tone" else f"{root} {harmony.kind}"


def _same(one: Harmony, other: Harmony) -> bool:
    """True if both are called by the same root and third, or sound the same tones; a diminished
    seventh, whose every tone may be the root, also if it has lost one."""
    if other.kind == "silence":
        return False
    if one.kind == "diminished seventh" and other.kind == "diminished":
        return other.classes <= one.classes
    return (one.root, one.third) == (other.root, other.third) or one.classes == other.classes


def _basses(passage: Passage, edges: Sequence[int]) -> tuple[int | None, ...]:
    """Pitch class of the lowest strike between each two edges."""
    lows: list[int | None] = [None] * (len(edges) - 1)
    for strike in _heard(passage).strikes:
        at = bisect.bisect_right(edges, strike.onset) - 1
        if 0 <= at < len(lows):
            low, midi = lows[at], strike.pitch.midi
            lows[at] = midi if low is None else min(low, midi)
    return tuple(None if low is None else low % 12 for low in lows)


def _cadences(passage: Passage, found: Sequence[Harmony]) -> frozenset[int]:
    """Indices of the harmonies that make a cadence: a dominant and its tonic, which begins on a
    strong beat under a long melody note, before a rest or under a fermata."""
    line = _heard(passage).line
    closes: set[int] = set()
    for at, (one, two) in enumerate(pairwise(found)):
        bar = passage.part.bar_at(two.onset)
        if not _leads(passage, one, two) or not _strong(bar, two.onset):
            continue
        over = [s for s in line if two.onset <= s.onset < two.end]
        if not over:
            continue
        last = over[-1]
        after = next((s.onset for s in line if s.onset > last.onset), passage.end)
        if (
            last.end - last.onset >= LONG
            or after > last.end
            or any(s.first.has("fermata") for s in over)
        ):
            closes |= {at, at + 1}
    return frozenset(closes)


Check = Callable[[Passage, Passage], Iterator[Slip]]

ALL_CHECKS: tuple[Check, ...] = (
    check_melody_skeleton, check_melody_on_top, check_parallels, check_leading_note,
    check_sevenths, check_harmony,
)
"""Every rule, in the order in which a teacher would mark them."""


def slips(before: Passage, after: Passage) -> tuple[Slip, ...]:
    """Every slip of `after` against `before`, rule by rule."""
    return tuple(slip for check in ALL_CHECKS for slip in check(before, after))
