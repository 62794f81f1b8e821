"""Reading the measures of one source part, in its own time.

`Reader` walks the children of each measure with two clocks, what the durations say and what the
printed values mean, and gives each bar on its own (`RawBar`): notes, everything else in its place,
and what is needed to join bars and parts, which `read.py` does. The rules are told there.
"""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from functools import lru_cache

from simplify.errors import ScoreError
from simplify.score.model import STEP_SEMITONES, STEPS, TICKS, Mark, NoteId, Pitch
from simplify.score.source import SourceMeasure, SourcePart

MAX_NOTES = 200_000
"""Most notes of one part (estimate: the longest concert part has about a tenth of it)."""

MAX_BARS = 20_000
"""Most bars of one part."""

MAX_BAR = 2_000
"""Longest bar in quarter notes (estimate: a whole piece written without bar lines has hundreds)."""

MAX_QUARTERS = 200_000
"""Longest part in quarter notes (estimate: thirty hours at a middling tempo)."""

LONGEST_NUMBER = 20
"""Characters of a printed bar number at most; the rest of a longer one is damage."""

ROUNDING = Fraction(1, 50)
"""Relative error up to which a length counts as an exporter's rounding of its printed value."""

TEMPO_RANGE = (5.0, 1000.0)
"""Quarter notes a minute that can be meant as a tempo; marks outside are ignored."""

TYPE_QUARTERS = {
    "1024th": Fraction(1, 256), "512th": Fraction(1, 128), "256th": Fraction(1, 64),
    "128th": Fraction(1, 32), "64th": Fraction(1, 16), "32nd": Fraction(1, 8),
    "16th": Fraction(1, 4), "eighth": Fraction(1, 2), "quarter": Fraction(1),
    "half": Fraction(2), "whole": Fraction(4), "breve": Fraction(8), "long": Fraction(16),
    "maxima": Fraction(32),
}
"""Quarter notes in each `<type>` (MusicXML 4.0, note-type-value)."""

NUMBER = re.compile(r"\d{1,12}(?:\.\d{1,20})?$")

_SIGNED = re.compile(r"[+-]?\d{1,9}(?:\.\d{1,9})?$")

_ARTICULATIONS = {
    "staccato": ("staccato",), "staccatissimo": ("staccatissimo",), "accent": ("accent",),
    "strong-accent": ("strong-accent",), "tenuto": ("tenuto",), "spiccato": ("staccatissimo",),
    "detached-legato": ("staccato", "tenuto"),
}

_ORNAMENTS = {
    "trill-mark": ("trill", ""), "mordent": ("mordent", ""),
    "inverted-mordent": ("mordent", "inverted"), "turn": ("turn", ""),
    "inverted-turn": ("turn", "inverted"), "delayed-turn": ("turn", "delayed"),
    "delayed-inverted-turn": ("turn", "delayed inverted"), "shake": ("trill", ""),
}


@dataclass(frozen=True, slots=True)
class PlacedChild:
    """A child of a measure in time. onset, end: ticks from the start of the bar.

    kind: 'note' (in the model), 'rest', 'silent' (takes time but is not in the model: cue,
    unpitched, not printed), 'other' (directions, attributes, bar lines ...). run: how many
    backups stand before it. said, said_end: the same places in ticks as the source's durations
    add them up, which may be rounded. voice: the model's voice name. chord: shares an onset.
    """

    child: int
    kind: str
    onset: int
    end: int
    run: int
    staff: int
    said: Fraction
    said_end: Fraction
    voice: str = ""
    chord: bool = False
    whole_bar: bool = False
    id: NoteId = -1


def integer(text: str | None, default: int) -> int:
    """A whole number of sane size, else the default."""
    text = (text or "").strip()
    return int(float(text)) if _SIGNED.match(text) else default


def tick_of(place: Fraction) -> int:
    """The nearest whole tick (halves go up)."""
    return int(place) if place.denominator == 1 else math.floor(place + Fraction(1, 2))


@lru_cache(maxsize=1 << 12)
def in_ticks(duration: str, divisions: int) -> Fraction:
    """Ticks of a duration in divisions of the quarter note."""
    return Fraction(duration) * TICKS / divisions


def is_music(note: ET.Element) -> bool:
    """False for cue notes and notes that are not printed."""
    return note.find("cue") is None and note.get("print-object") != "no"


def _pitch(note: ET.Element, transpose: tuple[int, int]) -> Pitch | str:
    """The sounding pitch, or a text saying what is wrong with it."""
    element = note.find("pitch")
    assert element is not None
    step = (element.findtext("step") or "").strip()
    octave = (element.findtext("octave") or "").strip()
    alter = (element.findtext("alter") or "0").strip()
    if step not in STEP_SEMITONES or not re.fullmatch(r"\d", octave) or not _SIGNED.match(alter):
        said = (text[:20] for text in (step, alter, octave))
        return "a pitch that can't be read (step '{}', alter '{}', octave '{}')".format(*said)
    value = int(alter) if alter in ("0", "1", "-1") else Fraction(alter)
    if value.denominator != 1:
        return f"a quarter tone ({step} altered by {alter}), which no pedal gives"
    if not -2 <= value <= 2:
        return f"{step} altered by {alter} semitones"
    return transposed(Pitch(step, int(value), int(octave)), *transpose)


def transposed(pitch: Pitch, steps: int, semitones: int) -> Pitch:
    """The pitch moved by letter steps and semitones; respelled if that asks for more than a
    double accidental."""
    if not steps and not semitones:
        return pitch
    midi = pitch.midi + semitones
    string = pitch.string + steps
    for shift in (0, 1, -1, 2, -2):
        natural = Pitch(STEPS[(string + shift) % 7], 0, (string + shift) // 7)
        if -2 <= midi - natural.midi <= 2:
            return Pitch(natural.step, midi - natural.midi, natural.octave)
    raise ValueError(f"{steps} steps and {semitones} semitones don't belong together")


# Letter steps of a transposition that gives semitones only: the usual spelling of each interval.
_STEPS_OF_SEMITONES = (0, 1, 1, 2, 2, 3, 3, 4, 5, 5, 6, 6)


def _transpose(element: ET.Element) -> tuple[int, int]:
    """(letter steps, semitones) from written to sounding pitch."""
    chromatic = integer(element.findtext("chromatic"), 0)
    octaves = integer(element.findtext("octave-change"), 0)
    double = element.find("double")
    if double is not None:
        octaves += 1 if double.get("above") == "yes" else -1
    sign = -1 if chromatic < 0 else 1
    size = abs(chromatic)
    usual = sign * (7 * (size // 12) + _STEPS_OF_SEMITONES[size % 12])
    diatonic = integer(element.findtext("diatonic"), usual)
    natural = [0, 2, 4, 5, 7, 9, 11]
    nearest = 12 * (abs(diatonic) // 7) + natural[abs(diatonic) % 7]
    if abs(nearest - size) > 2 or (diatonic and diatonic * sign < 0 and chromatic):
        diatonic = usual  # letter steps that can't belong to the semitones are a slip
    return diatonic + 7 * octaves, chromatic + 12 * octaves


def marks_of(note: ET.Element) -> tuple[Mark, ...]:
    """The marks printed at a note, sorted."""
    found: list[Mark] = []
    for notations in note.iterfind("notations"):
        if notations.get("print-object") == "no":
            continue
        for element in notations:
            tag, kind = element.tag, element.get("type", "")
            number = element.get("number", "1")
            if tag == "arpeggiate":
                found.append(Mark("arpeggio", element.get("direction", "")))
            elif tag == "non-arpeggiate":
                found.append(Mark("non-arpeggio"))
            elif tag == "slur" and kind in ("start", "stop"):
                found.append(Mark(f"slur-{kind}", number))
            elif tag in ("glissando", "slide") and kind in ("start", "stop"):
                found.append(Mark(f"gliss-{kind}", number))
            elif tag == "tied" and kind == "let-ring":
                found.append(Mark("let-ring"))
            elif tag == "fermata":
                found.append(Mark("fermata"))
            elif tag == "articulations":
                for child in element:
                    found += [Mark(k) for k in _ARTICULATIONS.get(child.tag, ())]
            elif tag == "ornaments":
                for child in element:
                    if child.tag in _ORNAMENTS:
                        found.append(Mark(*_ORNAMENTS[child.tag]))
                    elif child.tag == "tremolo":
                        strokes = str(integer(child.text, 3))
                        way = child.get("type", "single")
                        if way in ("start", "stop"):
                            found.append(Mark(f"tremolo-{way}", strokes))
                        elif way in ("single", "unmeasured"):
                            found.append(Mark("tremolo", strokes))
            elif tag == "technical":
                found += _technical(element)
    for lyric in note.iterfind("lyric"):
        text = "".join(e.text or "" for e in lyric.iterfind("text")).strip()
        if text:
            found.append(Mark("lyric", text))
    return tuple(sorted(set(found)))


def _technical(element: ET.Element) -> list[Mark]:
    found = []
    for child in element:
        text = (child.text or "").strip()
        if child.tag == "harmonic":
            found.append(Mark("harmonic"))
        elif child.tag == "fingering" and re.fullmatch(r"[1-5]", text):
            found.append(Mark("finger", text))
        elif child.tag == "fingernails":
            found.append(Mark("nail"))
        elif child.tag == "other-technical" and (
            child.get("smufl", "").startswith(("pluckedDamp", "harpStringNoise"))
            or "touff" in text.casefold()
        ):
            found.append(Mark("etouffe"))
    return found


def tempo_of(element: ET.Element) -> float | None:
    """Quarter notes a minute of a `<direction>` or `<sound>`, or None."""
    sound = element if element.tag == "sound" else element.find("sound")
    if sound is not None and NUMBER.match(sound.get("tempo", "").strip()):
        value = round(float(sound.get("tempo", "")), 6)
        if TEMPO_RANGE[0] <= value <= TEMPO_RANGE[1]:
            return value
    for metronome in element.iterfind("direction-type/metronome"):
        unit = TYPE_QUARTERS.get((metronome.findtext("beat-unit") or "").strip())
        minute = re.search(r"\d{1,4}(?:\.\d{1,6})?", metronome.findtext("per-minute") or "")
        if unit is None or minute is None or len(metronome.findall("beat-unit")) != 1:
            continue
        dots = len(metronome.findall("beat-unit-dot"))
        value = round(float(minute[0]) * float(unit * (2 - Fraction(1, 2**min(dots, 4)))), 6)
        if TEMPO_RANGE[0] <= value <= TEMPO_RANGE[1]:
            return value
    return None


def shift_of(element: ET.Element, divisions: int) -> Fraction:
    """Ticks of a direction's `<offset>`."""
    text = (element.findtext("offset") or "").strip()
    return in_ticks(text, divisions) if _SIGNED.match(text) else Fraction(0)


def level_of(element: ET.Element) -> str:
    """A dynamic sign's letters."""
    if element.tag == "other-dynamics":
        return (element.text or "").strip()
    return str(element.tag)


def rehearsal_of(direction: ET.Element) -> str:
    """The rehearsal mark of a direction, or an empty text."""
    return " ".join(
        (e.text or "").strip() for e in direction.iterfind("direction-type/rehearsal")
    ).strip()


def ties_of(note: ET.Element) -> tuple[bool, bool]:
    """(continues an earlier note, goes on) from `<tie>` and `<tied>`."""
    kinds = {e.get("type") for e in note.iterfind("tie")}
    kinds |= {e.get("type") for e in note.iterfind("notations/tied")}
    both = "continue" in kinds
    return both or "stop" in kinds, both or "start" in kinds


def clef_of(element: ET.Element) -> tuple[str, int, int]:
    """(sign, line, octaves up) of a `<clef>`; without a line the usual one of its sign."""
    sign = (element.findtext("sign") or "").strip()
    line = integer(element.findtext("line"), {"G": 2, "F": 4, "C": 3}.get(sign, 3))
    return sign, line, integer(element.findtext("clef-octave-change"), 0)


def _tuplet(note: ET.Element) -> tuple[int, int]:
    """(actual, normal) of a note's time modification."""
    change = note.find("time-modification")
    if change is None:
        return 1, 1
    actual = integer(change.findtext("actual-notes"), 1)
    normal = integer(change.findtext("normal-notes"), 1)
    return (actual, normal) if 0 < actual < 1000 and 0 < normal < 1000 else (1, 1)


def metre_of(time: ET.Element) -> tuple[int, int] | None:
    """Beats and beat type of a time signature; composite ones are added up."""
    total, smallest = Fraction(0), 1
    pairs = list(zip(time.findall("beats"), time.findall("beat-type"), strict=False))
    for beats, beat_type in pairs:
        unit = integer(beat_type.text, 0)
        numbers = [integer(n, 0) for n in (beats.text or "").split("+")]
        if unit not in (1, 2, 4, 8, 16, 32, 64, 128) or not numbers or min(numbers) <= 0:
            return None
        total += Fraction(sum(numbers), unit)
        smallest = max(smallest, unit)
    if not pairs or total * smallest > 512:
        return None
    return int(total * smallest), smallest


@dataclass(slots=True)
class RawNote:
    """A note of the music before the bars are known. onset, length: ticks in the bar."""

    child: int
    element: ET.Element
    onset: int
    length: int
    pitch: Pitch
    staff: int
    voice: str
    run: int
    grace: bool
    chord: bool
    tuplet: tuple[int, int]


@dataclass(slots=True)
class RawBar:
    """A measure read on its own."""

    number: str
    implicit: bool
    extent: int = 0
    real: bool = False
    rest_extent: int = 0
    beats: int = 4
    beat_type: int = 4
    free: bool = False
    timed: bool = False
    fifths: int = 0
    repeat_start: bool = False
    repeat_end: bool = False
    ending: str = ""
    ending_stops: bool = False
    divisions: int = 1
    end_divisions: int = 1
    keys: list[tuple[int, int, int]] = field(default_factory=list)
    transposes: dict[int, tuple[int, int]] = field(default_factory=dict)
    clefs: dict[int, tuple[str, int, int]] = field(default_factory=dict)
    notes: list[RawNote] = field(default_factory=list)
    placed: list[PlacedChild] = field(default_factory=list)


class Reader:
    """Reads the measures of one source part in order; the running state is its own."""

    def __init__(self, source: SourcePart, path: str, label: str) -> None:
        self.source, self.path, self.label = source, path, label
        self.divisions = 1
        self.beats, self.beat_type, self.free, self.timed = 4, 4, False, False
        self.keys: dict[int, int] = {0: 0}
        self.clefs: dict[int, tuple[str, int, int]] = {}
        self.transposes: dict[int, tuple[int, int]] = {}
        self.rounded: list[str] = []
        self.between: list[str] = []
        self.warnings: list[str] = []
        self.silent = {"cue": 0, "unpitched": 0, "hidden": 0}
        self.number = ""

    def fail(self, what: str) -> ScoreError:
        """An error that names file, part and bar."""
        return ScoreError(f"{self.path}: part {self.label} bar {self.number}: {what}")

    def bars(self) -> list[RawBar]:
        """All measures in order.

        Raises:
            ScoreError: over a limit, or notation that can't be counted.
        """
        if len(self.source.measures) > MAX_BARS:
            raise ScoreError(
                f"{self.path}: part {self.label} has more than {MAX_BARS} bars; "
                "give a single movement"
            )
        count, found = 0, []
        for index, measure in enumerate(self.source.measures):
            bar = self.measure(measure, index)
            count += len(bar.notes)
            if count > MAX_NOTES:
                raise ScoreError(
                    f"{self.path}: part {self.label} has more than {MAX_NOTES} notes; "
                    "give a single movement"
                )
            found.append(bar)
        return found

    def measure(self, measure: SourceMeasure, index: int) -> RawBar:
        """One measure; the running state goes on."""
        element = measure.element
        self.number = (element.get("number") or "").strip()[:LONGEST_NUMBER] or str(index + 1)
        bar = RawBar(self.number, element.get("implicit") == "yes")
        bar.divisions = self.divisions
        bar.keys = [(0, staff, fifths) for staff, fifths in sorted(self.keys.items())]
        bar.clefs = dict(self.clefs)
        voice = "1"
        head_length = (Fraction(0), Fraction(0))
        # Two clocks: what the durations say and what the printed values say. A backup names a
        # place by the first; `known` gives the second for every place already passed.
        said = exact = Fraction(0)
        head_said = head_exact = Fraction(0)
        known: dict[Fraction, Fraction] = {Fraction(0): Fraction(0)}
        run, staff = 0, 1
        for at, child in enumerate(measure.children):
            item = child.element
            tag = item.tag
            if tag == "note":
                chord = item.find("chord") is not None
                grace = item.find("grace") is not None
                length_said, length = (
                    (Fraction(0), Fraction(0)) if grace else self.length(item)
                )
                if chord and not grace:
                    start_said, start = head_said, head_exact
                    if head_length[1]:
                        length_said, length = head_length
                else:
                    start_said, start = said, exact
                if not chord:
                    head_said, head_exact = said, exact
                    head_length = (length_said, length)
                staff = max(1, integer(item.findtext("staff"), 1))
                if not chord or item.find("voice") is not None:
                    voice = (item.findtext("voice") or "").strip() or "1"
                places = (start, start + length, start_said, start_said + length_said)
                self.note(bar, at, item, places, staff, voice, run, chord, grace)
                if not chord and not grace:
                    said, exact = start_said + length_said, start + length
                    known.setdefault(said, exact)
            elif tag in ("backup", "forward"):
                amount = self.amount(item)
                if tag == "backup":
                    run += 1
                    said = max(Fraction(0), said - amount)
                else:
                    said += amount
                before = exact
                exact = known.get(said, said)
                if tag == "forward" and said not in known:
                    exact = before + amount
                    known[said] = exact
                    bar.extent = max(bar.extent, tick_of(exact))
                head_said, head_exact = said, exact
            else:
                if tag == "attributes":
                    self.attributes(bar, item, tick_of(exact))
                elif tag == "barline":
                    self.barline(bar, item)
                own = integer(item.findtext("staff"), staff if run else 1)
                bar.placed.append(
                    PlacedChild(at, "other", tick_of(exact), tick_of(exact), run, own, said, said)
                )
        bar.beats, bar.beat_type = self.beats, self.beat_type
        bar.free, bar.timed = self.free, self.timed
        bar.end_divisions = self.divisions
        bar.transposes = dict(self.transposes)
        return bar

    def length(self, note: ET.Element) -> tuple[Fraction, Fraction]:
        """(as its duration says, as it is meant) in ticks.

        Raises:
            ScoreError: no duration, or one that is neither whole ticks nor what is printed.
        """
        text = (note.findtext("duration") or "").strip()
        if not NUMBER.match(text):
            raise self.fail(f"a note without a usable duration ('{text[:20]}'); export it again")
        said = in_ticks(text, self.divisions)
        kind = (note.findtext("type") or "").strip()
        rest = note.find("rest")
        whole = rest is not None and rest.get("measure") == "yes"
        tuplet = note.find("time-modification") is not None
        if whole or (said.denominator == 1 and (not tuplet or kind not in TYPE_QUARTERS)):
            return said, said
        if kind in TYPE_QUARTERS:
            dots = min(len(note.findall("dot")), 4)
            actual, normal = _tuplet(note)
            printed = TYPE_QUARTERS[kind] * (2 - Fraction(1, 2**dots)) * normal / actual * TICKS
            error = abs(printed - said)
            unit = Fraction(TICKS, self.divisions)
            if error <= ROUNDING * printed or (
                (actual, normal) != (1, 1) and error < unit and self.divisions >= 4
            ):
                if error:
                    self.rounded.append(self.number)
                if printed.denominator != 1:
                    self.between.append(self.number)
                return said, printed
        if said.denominator != 1 and rest is None and is_music(note):
            raise self.fail(
                f"a note of {said / TICKS} quarter notes can't be counted ({TICKS} ticks to the "
                "quarter); write it with a common tuplet"
            )
        if said.denominator != 1:
            self.between.append(self.number)
        return said, said

    def amount(self, element: ET.Element) -> Fraction:
        """Ticks of a backup or forward."""
        text = (element.findtext("duration") or "").strip()
        if not NUMBER.match(text):
            raise self.fail(f"a <{element.tag}> without a usable duration; export it again")
        return in_ticks(text, self.divisions)

    def note(
        self, bar: RawBar, at: int, item: ET.Element,
        places: tuple[Fraction, Fraction, Fraction, Fraction],
        staff: int, voice: str, run: int, chord: bool, grace: bool,
    ) -> None:
        """Adds a note or rest. places: start and end as meant, start and end as said."""
        rest = item.find("rest")
        whole = rest is not None and rest.get("measure") == "yes"
        start, end, said, said_end = places
        onset = tick_of(start)
        ticks = tick_of(end) - onset
        kind = "note"
        if rest is not None:
            kind = "rest"
        elif item.find("pitch") is None or not is_music(item):
            kind = "silent"
            which = (
                "cue" if item.find("cue") is not None
                else "unpitched" if item.find("pitch") is None else "hidden"
            )
            self.silent[which] += 1
        elif not grace and ticks == 0:
            kind = "silent"
        if whole:
            bar.rest_extent = max(bar.rest_extent, onset + ticks)
        else:
            bar.real = True
            bar.extent = max(bar.extent, onset + ticks)
        bar.placed.append(
            PlacedChild(
                at, kind, onset, onset + ticks, run, staff, said, said_end, voice, chord, whole
            )
        )
        if kind != "note":
            return
        pitch = _pitch(item, self.transposes.get(staff, self.transposes.get(0, (0, 0))))
        if isinstance(pitch, str):
            raise self.fail(f"{pitch}; correct it in the score")
        bar.notes.append(
            RawNote(
                at, item, onset, ticks, pitch, staff, voice, run, grace, chord, _tuplet(item)
            )
        )

    def attributes(self, bar: RawBar, item: ET.Element, tick: int) -> None:
        """Takes in divisions, transposition, key and metre."""
        text = (item.findtext("divisions") or "").strip()
        if text:
            value = integer(text, 0)
            if value <= 0 or not NUMBER.match(text) or value != float(text):
                raise self.fail(f"divisions of '{text[:20]}'; export the score again")
            self.divisions = value
            if not bar.placed or tick == 0:
                bar.divisions = value
        for clef in item.iterfind("clef"):
            self.clefs[integer(clef.get("number"), 1)] = clef_of(clef)
        for transpose in item.iterfind("transpose"):
            self.transposes[integer(transpose.get("number"), 0)] = _transpose(transpose)
        for key in item.iterfind("key"):
            staff = integer(key.get("number"), 0)
            if key.find("fifths") is None:
                self.warnings.append(f"bar {self.number}: unusual key signature read as none")
            fifths = max(-7, min(7, integer(key.findtext("fifths"), 0)))
            if not staff:
                self.keys = {0: fifths}
            else:
                self.keys[staff] = fifths
            if tick == 0:
                bar.keys = [(0, s, f) for s, f in sorted(self.keys.items())]
            else:
                bar.keys.append((tick, staff, fifths))
        for time in item.iterfind("time"):
            if time.find("senza-misura") is not None:
                self.free = True
                continue
            metre = metre_of(time)
            if metre is None:
                self.warnings.append(f"bar {self.number}: time signature can't be read; kept on")
            elif integer(time.get("number"), 1) == 1:
                self.beats, self.beat_type = metre
                self.free, self.timed = False, True

    def barline(self, bar: RawBar, item: ET.Element) -> None:
        """Takes in repeats and endings."""
        repeat = item.find("repeat")
        if repeat is not None:
            if repeat.get("direction") == "forward":
                bar.repeat_start = True
            elif repeat.get("direction") == "backward":
                bar.repeat_end = True
        ending = item.find("ending")
        if ending is not None:
            if ending.get("type") == "start":
                bar.ending = (ending.get("number") or "1").strip() or "1"
            elif ending.get("type") in ("stop", "discontinue"):
                bar.ending_stops = True


def walk(measure: SourceMeasure, divisions: int) -> Iterator[tuple[ET.Element, int, Fraction]]:
    """(child, divisions in force, its tick in the bar) of a measure that is not read closely."""
    now = head = Fraction(0)
    for child in measure.children:
        item = child.element
        if item.tag == "attributes":
            divisions = max(1, integer(item.findtext("divisions"), divisions))
            yield item, divisions, now
        elif item.tag in ("note", "backup", "forward"):
            text = (item.findtext("duration") or "0").strip()
            amount = in_ticks(text, divisions) if NUMBER.match(text) else Fraction(0)
            if item.tag == "backup":
                now = max(Fraction(0), now - amount)
            elif item.find("chord") is None:
                head = now
                yield item, divisions, head
                now += amount
        else:
            yield item, divisions, now


def _runs(raw: RawBar) -> dict[str, list[tuple[int, int, int, int]]]:
    """(run, staff, start, end) of the notes of each voice label of a bar, run by run."""
    spans: dict[str, list[tuple[int, int, int, int]]] = {}
    for child in raw.placed:
        if child.kind in ("note", "silent") and child.end > child.onset:
            runs = spans.setdefault(child.voice, [])
            if runs and runs[-1][0] == child.run:
                _, staff, low, high = runs[-1]
                runs[-1] = (child.run, staff, min(low, child.onset), max(high, child.end))
            else:
                runs.append((child.run, child.staff, child.onset, child.end))
    return spans


def doubled_labels(row: list[RawBar]) -> set[str]:
    """Voice labels that a part uses on two staves at once: a voice each."""
    found = set()
    for raw in row:
        for label, runs in _runs(raw).items():
            for _, staff, low, high in runs:
                if any(s != staff and low < b and a < high for _, s, a, b in runs):
                    found.add(label)
    return found


def lanes_of(raw: RawBar, doubled: set[str]) -> dict[tuple[str, int], int]:
    """Which run of a bar belongs to which lane of its voice label.

    A voice is one line in time. A label that is used again after a backup for music that overlaps
    the earlier run in time is a second line that merely lacks a label of its own. Labels that the
    part uses on two staves at once have a lane for each staff; lanes 10, 11 ... are further ones.
    """
    lanes: dict[tuple[str, int], int] = {}
    for label, runs in _runs(raw).items():
        taken: dict[int, list[tuple[int, int]]] = {}
        for run, staff, low, high in runs:
            home = staff - 1 if label in doubled else 0
            lane = home
            while any(low < b and a < high for a, b in taken.get(lane, ())):
                lane = max(lane, 9) + 1
            taken.setdefault(lane, []).append((low, high))
            lanes[label, run] = lane
    if doubled:  # rests and grace notes without a note beside them
        for child in raw.placed:
            if child.voice in doubled:
                lanes.setdefault((child.voice, child.run), child.staff - 1)
    return lanes
