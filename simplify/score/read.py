"""From a score file to the music of one player, with the place of every note in the source.

`open_score` finds out what the file is and lists the parts that could be meant; `select_part`
reads one of them (or two one-staff parts that are one instrument) into a `Part`. MusicXML is read
by us from the source bytes (see `source.py`), so that every note keeps its identity with its own
bytes; any other format is first turned into MusicXML by music21, which is imported here only, and
only then.

How the written text is understood:

* Time is exact. Where a duration is an exporter's rounding of the value that type, dots and tuplet
  spell out, that value holds. A length that is no whole number of ticks and not what is printed
  is refused with its bar; one that is printed so but lies between two ticks (13 notes in the time
  of 8, a 256th) is placed at the nearest tick, never more than half a tick (25 microseconds at
  120 quarter notes a minute) from its place. Each is told in a warning.
* A note of a chord lasts no longer than the chord's first note, which alone moves the time on.
* A bar lasts as long as its longest voice. One that is shorter than its metre is filled up to the
  metre, unless it is marked implicit, opens the piece (a pickup), closes a piece that has a
  pickup, or is one of two neighbours that make one full bar together. A whole-bar rest never
  makes a bar longer. In a part that rests there, the other parts tell how long a pickup is.
* Pitch is sounding pitch. `<transpose>` is applied; `<octave-shift>` changes nothing, because the
  MusicXML 4.0 reference defines it as a shift of the printed note from the performed value that
  `<pitch>` holds.
* Cue notes, unpitched notes and notes that are not printed are no music of this player; they stay
  in the source.
"""

from __future__ import annotations

import math
import os
import re
import sys
import xml.etree.ElementTree as ET
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction

from simplify.errors import ScoreError, SelectionError
from simplify.score.marks import given_setting
from simplify.score.model import (
    STEP_SEMITONES,
    STEPS,
    TICKS,
    Bar,
    Dynamic,
    GivenSetting,
    Mark,
    Note,
    NoteId,
    Part,
    Pitch,
    ScoreInfo,
    TempoMark,
)
from simplify.score.source import (
    MAX_BYTES,
    SourceChild,
    SourceDocument,
    SourceMeasure,
    SourcePart,
    load_document,
    unpack_mxl,
)

DEFAULT_TEMPO = 96.0
"""Quarter notes a minute of a score without a tempo mark (estimate: a middling moderato; larger
makes every unmarked score look harder, smaller easier). Always told in a warning."""

MAX_NOTES = 200_000
"""Most notes of one part (estimate: the longest concert part has about a tenth of it)."""

MAX_BARS = 20_000
"""Most bars of one part."""

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

_HARP = re.compile(
    r"(?<!jaw )(?<!mouth )(?<!jew's )\b(?:harps?|harpes?|harfen?|arp[ae]|harpa|harfa|hrp|hp)\b",
    re.IGNORECASE,
)
_KEYBOARD = re.compile(
    r"\b(?:piano(?:forte)?|klavier|clavier|organ|orgel|orgue|organo|keyboards?|celest[ae]|"
    r"harpsichord|cembalo|clavecin|clavicembalo|spinet|virginal|harmonium|pno|kl)\b",
    re.IGNORECASE,
)
_HAND = re.compile(
    r"[\s,\-–_(\[]*\b(?:(?P<upper>r\.?\s?h|right(?:\s?hand)?|m\.?\s?d|main droite|"
    r"mano destra|rechte hand|upper|treble|hi(?:gh)?)|"
    r"(?P<lower>l\.?\s?h|left(?:\s?hand)?|m\.?\s?[gs]|main gauche|"
    r"mano sinistra|linke hand|lower|bass|lo(?:w)?))\b\.?[)\]]?\s*$",
    re.IGNORECASE,
)
_GENERIC = re.compile(r"(?:musicxml )?(?:part|staff|track|spine|stave)?[\s_#]*\d*$", re.IGNORECASE)
_HAND_WORD = {
    "L": re.compile(
        r"\(?(?:l\.?\s?h\.?|m\.?\s?[gs]\.?|left hand|main gauche|mano sinistra|linke hand)\)?$",
        re.IGNORECASE,
    ),
    "R": re.compile(
        r"\(?(?:r\.?\s?h\.?|m\.?\s?d\.?|right hand|main droite|mano destra|rechte hand)\)?$",
        re.IGNORECASE,
    ),
}
_NUMBER = re.compile(r"\d{1,12}(?:\.\d{1,9})?$")
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
class PartChoice:
    """A player that could be meant. ids: one part element, or two one-staff ones that are one
    instrument (upper staff first). notes: pitched notes that are printed full size."""

    ids: tuple[str, ...]
    name: str
    staves: int
    notes: int
    is_harp: bool
    is_keyboard: bool

    @property
    def id(self) -> str:
        """The part id, for two parts both joined by a plus sign."""
        return "+".join(self.ids)

    @property
    def label(self) -> str:
        """What error messages and listings call it."""
        return f"{self.id} '{self.name}'" if self.name else self.id


@dataclass(frozen=True, slots=True)
class Score:
    """An opened score: what it is called, where it came from, and its players."""

    title: str
    path: str
    source_format: str
    document: SourceDocument
    candidates: tuple[PartChoice, ...]
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class NotePlace:
    """Where a note stands: indices into `LoadedPart.sources`, its measures and their children."""

    source: int
    bar: int
    child: int


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


@dataclass(frozen=True, slots=True)
class BarLayout:
    """What a measure of one source part holds, for writing into it.

    divisions: in force at its start and at its end. keys: (tick in the bar, staff or 0 for all,
    written fifths), those in force at the start first. transposes: staff (0: all) to (letter
    steps, semitones) from written to sounding.
    """

    divisions: int
    end_divisions: int
    keys: tuple[tuple[int, int, int], ...]
    transposes: Mapping[int, tuple[int, int]]
    children: tuple[PlacedChild, ...]


@dataclass(frozen=True, slots=True)
class LoadedPart:
    """A part with its source. `layouts[source][bar]` belongs to `sources[source].measures[bar]`;
    `places` tells where each note of `part` stands; `voices` gives the (source, label) that each
    voice name of the model has in the file."""

    part: Part
    score: Score
    choice: PartChoice
    sources: tuple[SourcePart, ...]
    layouts: tuple[tuple[BarLayout, ...], ...]
    places: Mapping[NoteId, NotePlace]
    voices: Mapping[str, tuple[int, str]]
    info: ScoreInfo

    def element(self, note_id: NoteId) -> ET.Element:
        """The `<note>` a source note was read from."""
        return self.child(note_id).element

    def child(self, note_id: NoteId) -> SourceChild:
        """Element and byte span of a source note."""
        place = self.places[note_id]
        return self.sources[place.source].measures[place.bar].children[place.child]

    def measures(self, bar: int) -> tuple[SourceMeasure, ...]:
        """The measure elements of a bar, one for each source part."""
        return tuple(source.measures[bar] for source in self.sources)


# Opening


def open_score(path: str) -> Score:
    """Opens a score file, or standard input for ``-``.

    Raises:
        ScoreError: missing, a directory, empty, not a score, damaged, over a limit, without
            notes, or percussion only.
    """
    name, raw = _read_bytes(path)
    return score_from_bytes(raw, name)


def score_from_bytes(raw: bytes, path: str) -> Score:
    """The score that these bytes of a file are. `path` is used in messages and for its ending.

    Raises:
        ScoreError: see `open_score`.
    """
    if not raw.strip():
        raise ScoreError(f"{path}: is empty; give a score file")
    kind = sniff(raw, path)
    if kind == "mxl":
        member, xml = unpack_mxl(raw, path)
        document = load_document(xml, path, source_format="mxl", archive=raw, member=member)
    elif kind == "musicxml":
        document = load_document(raw, path)
    else:
        document = load_document(_convert(raw, kind, path), path, source_format=kind)
    return _describe(document)


def _read_bytes(path: str) -> tuple[str, bytes]:
    if path == "-":
        raw = sys.stdin.buffer.read(MAX_BYTES + 1)
        name = "standard input"
    else:
        name = path
        if os.path.isdir(path):
            raise ScoreError(f"{path}: is a folder; give one score file")
        try:
            with open(path, "rb") as stream:
                raw = stream.read(MAX_BYTES + 1)
        except FileNotFoundError:
            raise ScoreError(f"{path}: no such file; check the path") from None
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            raise ScoreError(f"{path!r}: can't be read ({reason})") from None
    if len(raw) > MAX_BYTES:
        raise ScoreError(f"{name}: larger than {MAX_BYTES >> 20} MB; give a single movement")
    return name, raw


_ENDINGS = {
    ".mid": "midi", ".midi": "midi", ".krn": "humdrum", ".abc": "abc", ".mei": "mei",
    ".rntxt": "romantext", ".tntxt": "tinynotation", ".capx": "capella", ".mxl": "mxl",
    ".musicxml": "musicxml", ".xml": "musicxml", ".mus": "", ".musx": "", ".sib": "",
    ".mscz": "", ".mscx": "", ".pdf": "", ".ly": "",
}


def sniff(raw: bytes, path: str) -> str:
    """The format of a file from its first bytes, or else from its ending.

    Raises:
        ScoreError: nothing that can be read.
    """
    head = raw[:4096]
    if head.startswith(b"PK"):
        return "mxl"
    if head.startswith(b"MThd"):
        return "midi"
    for bom, codec in ((b"\xef\xbb\xbf", "utf-8"), (b"\xff\xfe", "utf-16-le"),
                       (b"\xfe\xff", "utf-16-be"), (b"<\0", "utf-16-le"), (b"\0<", "utf-16-be")):
        if head.startswith(bom):
            text = head.decode(codec, "ignore")
            break
    else:
        text = head.decode("latin-1")
    text = text.lstrip("\ufeff \t\r\n")
    if text.startswith("<"):
        root = re.search(r"<(?:\w+:)?([A-Za-z][\w\-]*)", re.sub(r"<[!?][^>]*>", "", text))
        return "mei" if root and root[1] in ("mei", "music", "meiHead") else "musicxml"
    if text.startswith(("!!!", "**", "!!")) or re.search(r"^\*\*kern", text, re.MULTILINE):
        return "humdrum"
    if re.match(r"(?:%[^\n]*\n\s*)*(?:X:|T:\s*\S.*\n(?:.*\n)*?X:)", text):
        return "abc"
    ending = os.path.splitext(path)[1].lower()
    kind = _ENDINGS.get(ending, "")
    if kind in ("romantext", "tinynotation", "capella", "abc", "humdrum"):
        return kind
    if kind in ("musicxml", "mxl", "midi", "mei"):
        raise ScoreError(f"{path}: ends in {ending} but holds no such score; export it again")
    raise ScoreError(
        f"{path}: is not a score that can be read; give MusicXML (.musicxml, .xml, .mxl), "
        "MIDI, Humdrum (.krn), ABC or MEI"
    )


def _describe(document: SourceDocument) -> Score:
    choices = _choices(document)
    if not any(choice.notes for choice in choices):
        unpitched = any(e.element.find("unpitched") is not None for e in _all_notes(document))
        if unpitched:
            raise ScoreError(f"{document.path}: holds percussion only; give a pitched part")
        raise ScoreError(f"{document.path}: holds no notes; give a score with music in it")
    title = ""
    for where in ("work/work-title", "movement-title", "credit/credit-words"):
        title = " ".join((document.root.findtext(where) or "").split())
        if title:
            break
    if not title:
        title = os.path.splitext(os.path.basename(document.path))[0]
    return Score(
        title, document.path, document.source_format, document, choices, document.warnings
    )


def _all_notes(document: SourceDocument) -> Iterator[SourceChild]:
    for part in document.parts:
        for measure in part.measures:
            for child in measure.children:
                if child.element.tag == "note":
                    yield child


# Who plays: the part list


@dataclass(frozen=True, slots=True)
class _Listed:
    """One entry of the part list that has music."""

    id: str
    name: str
    is_harp: bool
    staves: int
    notes: int
    mean_pitch: float
    brace: tuple[int, int] | None

    @property
    def is_keyboard(self) -> bool:
        return self.staves >= 2 or bool(_KEYBOARD.search(self.name))

    @property
    def base(self) -> str:
        return _HAND.sub("", self.name).strip().casefold()

    @property
    def side(self) -> str:
        match = _HAND.search(self.name)
        return "" if not match else "upper" if match["upper"] else "lower"


def _choices(document: SourceDocument) -> tuple[PartChoice, ...]:
    return _paired(_listed(document))


def _paired(listed: list[_Listed]) -> tuple[PartChoice, ...]:
    """The players of a part list: two neighbouring staves of one instrument are one."""
    choices: list[PartChoice] = []
    at = 0
    while at < len(listed):
        first = listed[at]
        second = listed[at + 1] if at + 1 < len(listed) else None
        if second is not None and _one_instrument(first, second, at, len(listed)):
            upper, lower = (second, first) if first.side == "lower" else (first, second)
            name = _HAND.sub("", first.name).strip() or first.name or second.name
            choices.append(
                PartChoice(
                    (upper.id, lower.id), name, 2, first.notes + second.notes,
                    first.is_harp or second.is_harp, True,
                )
            )
            at += 2
            continue
        choices.append(
            PartChoice(
                (first.id,), first.name, first.staves, first.notes, first.is_harp,
                first.is_keyboard,
            )
        )
        at += 1
    return tuple(choices)


def _one_instrument(first: _Listed, second: _Listed, at: int, count: int) -> bool:
    """True if two neighbouring one-staff parts are the two staves of one player: hands in their
    names ("Harp RH", "Harp LH"), one harp or keyboard name for both, a brace around just these
    two, or nothing else in a score whose part names say nothing."""
    if first.staves != 1 or second.staves != 1:
        return False
    if first.side and second.side and first.side != second.side and first.base == second.base:
        return True
    named = first.is_harp or first.is_keyboard or second.is_harp or second.is_keyboard
    generic = all(_GENERIC.match(p.name) for p in (first, second))
    if first.name and first.name.casefold() == second.name.casefold() and named:
        return True
    if first.brace == second.brace == (at, at + 1) and (
        named or generic or first.base == second.base
    ):
        alike = (first.is_harp, first.is_keyboard) == (second.is_harp, second.is_keyboard)
        return alike or generic or not first.name or not second.name
    return generic and count == 2 and second.mean_pitch < 60 < first.mean_pitch


def _listed(document: SourceDocument) -> list[_Listed]:
    part_list = document.root.find("part-list")
    entries: list[ET.Element] = []
    open_groups: dict[str, int] = {}
    braces: dict[int, tuple[int, int]] = {}
    known = {part.id for part in document.parts}
    for element in part_list if part_list is not None else ():
        if element.tag == "score-part" and element.get("id", "") in known:
            entries.append(element)
        elif element.tag == "part-group":
            number = element.get("number", "1")
            if element.get("type") == "start":
                if (element.findtext("group-symbol") or "").strip() == "brace":
                    open_groups[number] = len(entries)
            elif number in open_groups:
                span = (open_groups.pop(number), len(entries) - 1)
                for index in range(span[0], span[1] + 1):
                    braces.setdefault(index, span)
    listed_ids = {entry.get("id", "") for entry in entries}
    for part in document.parts:  # music without an entry in the part list is still music
        if part.id not in listed_ids:
            entries.append(ET.Element("score-part", {"id": part.id}))
    found = []
    for index, entry in enumerate(entries):
        part = document.part(entry.get("id", ""))
        name = " ".join((entry.findtext("part-name") or "").split())
        instruments = [e.text or "" for e in entry.iterfind("score-instrument/instrument-name")]
        programs = [(e.text or "").strip() for e in entry.iterfind("midi-instrument/midi-program")]
        sounds = [
            (e.text or "") for e in entry.iterfind("score-instrument/instrument-sound")
        ]
        # General MIDI level 1: program 47 counted from 1 is the orchestral harp.
        harp = "47" in programs or any(s.strip().startswith("pluck.harp") for s in sounds)
        harp = harp or any(_HARP.search(i) for i in instruments)
        staves, notes, height = 1, 0, 0
        for measure in part.measures:
            for child in measure.children:
                element = child.element
                if element.tag == "note":
                    pitch = element.find("pitch")
                    if pitch is not None and _is_music(element):
                        notes += 1
                        height += 12 * (1 + _integer(pitch.findtext("octave"), 4))
                        height += STEP_SEMITONES.get((pitch.findtext("step") or "").strip(), 0)
                elif element.tag == "attributes":
                    staves = max(staves, _integer(element.findtext("staves"), 1))
        if not name and instruments:
            name = " ".join(instruments[0].split())
        found.append(
            _Listed(
                entry.get("id", ""), name, harp, staves, notes,
                height / notes if notes else 0.0, braces.get(index),
            )
        )
    # The printed name decides; a harp's sound counts where no name says harp.
    named = any(_HARP.search(one.name) for one in found)
    return [
        replace(one, is_harp=bool(_HARP.search(one.name))) if named else one for one in found
    ]


def select_part(score: Score, name_or_id: str | None = None) -> LoadedPart:
    """One player's part. Without a name: the harp if there is exactly one, else the only
    keyboard-like part (two staves, or so named), else the only part.

    Raises:
        SelectionError: no such part, or the choice is open; lists the parts.
        ScoreError: the part has no notes, or its notation can't be counted.
    """
    choice = _choose(score, name_or_id)
    if not choice.notes:
        raise ScoreError(f"{score.path}: part {choice.label} has no notes; choose another part")
    return load_part(score, choice)


def _choose(score: Score, wanted: str | None) -> PartChoice:
    choices = score.candidates
    listing = ", ".join(choice.label for choice in choices)
    if wanted is not None:
        key = " ".join(wanted.split()).casefold()
        tests = (
            lambda c: key == c.id.casefold(),
            lambda c: key in [i.casefold() for i in c.ids],
            lambda c: key == c.name.casefold(),
            lambda c: bool(key) and key in c.name.casefold(),
        )
        for test in tests:
            hits = [choice for choice in choices if test(choice)]
            if len(hits) == 1:
                return hits[0]
            if hits:
                some = ", ".join(choice.label for choice in hits)
                raise SelectionError(
                    f"{score.path}: {len(hits)} parts are called '{wanted}' ({some}); "
                    "name one by its id"
                )
        raise SelectionError(f"{score.path}: no part '{wanted}'; the parts are {listing}")
    full = [choice for choice in choices if choice.notes]
    for group in (
        [c for c in full if c.is_harp],
        [c for c in full if c.is_keyboard],
        full,
    ):
        if len(group) == 1:
            return group[0]
        if group:
            some = ", ".join(choice.label for choice in group)
            raise SelectionError(
                f"{score.path}: more than one part could be meant ({some}); name one with --part"
            )
    raise SelectionError(f"{score.path}: no part to choose; the parts are {listing}")


def bar_range(part: Part, text: str) -> tuple[int, int]:
    """(first, last) bar indices of ``A-B`` or ``A``, by printed numbers.

    Numbers may repeat (movements, endings, bars cut by a repeat sign). A is the first bar with
    its number. B is the first bar from A on with its number, and the bars that directly follow it
    with the same number belong to it.

    Raises:
        SelectionError: malformed, no such bar, or A after B.
    """
    match = re.fullmatch(r"\s*([^\s\-–]+)\s*(?:[\-–]\s*([^\s\-–]+)\s*)?", text)
    if not match:
        raise SelectionError(f"bars '{text}' can't be read; write one number or a range: 5-8")
    numbers = [bar.number for bar in part.bars]
    for number in (match[1], match[2] or match[1]):
        if number not in numbers:
            raise SelectionError(
                f"part {part.name}: no bar {number}; bars go from {numbers[0]} to {numbers[-1]}"
            )
    first = numbers.index(match[1])
    wanted = match[2] or match[1]
    if wanted not in numbers[first:]:
        raise SelectionError(f"bars '{text}': bar {match[1]} comes after bar {wanted}; swap them")
    last = numbers.index(wanted, first)
    while last + 1 < len(numbers) and numbers[last + 1] == wanted:
        last += 1
    return first, last


# Small readings of single elements


def _integer(text: str | None, default: int) -> int:
    """A whole number of sane size, else the default."""
    text = (text or "").strip()
    return int(float(text)) if _SIGNED.match(text) else default


def _tick(place: Fraction) -> int:
    """The nearest whole tick (halves go up)."""
    return math.floor(place + Fraction(1, 2))


def _is_music(note: ET.Element) -> bool:
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
        return f"a pitch that can't be read (step '{step}', alter '{alter}', octave '{octave}')"
    value = Fraction(alter)
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
    chromatic = _integer(element.findtext("chromatic"), 0)
    octaves = _integer(element.findtext("octave-change"), 0)
    double = element.find("double")
    if double is not None:
        octaves += 1 if double.get("above") == "yes" else -1
    sign = -1 if chromatic < 0 else 1
    size = abs(chromatic)
    usual = sign * (7 * (size // 12) + _STEPS_OF_SEMITONES[size % 12])
    diatonic = _integer(element.findtext("diatonic"), usual)
    natural = [0, 2, 4, 5, 7, 9, 11]
    nearest = 12 * (abs(diatonic) // 7) + natural[abs(diatonic) % 7]
    if abs(nearest - size) > 2 or (diatonic and diatonic * sign < 0 and chromatic):
        diatonic = usual  # letter steps that can't belong to the semitones are a slip
    return diatonic + 7 * octaves, chromatic + 12 * octaves


def _marks(note: ET.Element) -> tuple[Mark, ...]:
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
                        strokes = str(_integer(child.text, 3))
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


def _tempo(element: ET.Element) -> float | None:
    """Quarter notes a minute of a `<direction>` or `<sound>`, or None."""
    sound = element if element.tag == "sound" else element.find("sound")
    if sound is not None and _NUMBER.match(sound.get("tempo", "").strip()):
        value = float(sound.get("tempo", ""))
        if TEMPO_RANGE[0] <= value <= TEMPO_RANGE[1]:
            return value
    for metronome in element.iterfind("direction-type/metronome"):
        unit = TYPE_QUARTERS.get((metronome.findtext("beat-unit") or "").strip())
        minute = re.search(r"\d{1,4}(?:\.\d{1,6})?", metronome.findtext("per-minute") or "")
        if unit is None or minute is None or len(metronome.findall("beat-unit")) != 1:
            continue
        dots = len(metronome.findall("beat-unit-dot"))
        value = float(minute[0]) * float(unit * (2 - Fraction(1, 2**min(dots, 4))))
        if TEMPO_RANGE[0] <= value <= TEMPO_RANGE[1]:
            return value
    return None


def _shift(element: ET.Element, divisions: int) -> Fraction:
    """Ticks of a direction's `<offset>`."""
    text = (element.findtext("offset") or "").strip()
    return Fraction(text) * TICKS / divisions if _SIGNED.match(text) else Fraction(0)


# Reading one source part, measure by measure, in its own time


@dataclass(slots=True)
class _RawNote:
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
class _RawBar:
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
    notes: list[_RawNote] = field(default_factory=list)
    placed: list[PlacedChild] = field(default_factory=list)


class _Reader:
    """Reads the measures of one source part in order; the running state is its own."""

    def __init__(self, source: SourcePart, path: str, label: str) -> None:
        self.source, self.path, self.label = source, path, label
        self.divisions = 1
        self.beats, self.beat_type, self.free, self.timed = 4, 4, False, False
        self.keys: dict[int, int] = {0: 0}
        self.transposes: dict[int, tuple[int, int]] = {}
        self.rounded: list[str] = []
        self.between: list[str] = []
        self.warnings: list[str] = []
        self.silent = {"cue": 0, "unpitched": 0, "hidden": 0}
        self.number = ""

    def fail(self, what: str) -> ScoreError:
        return ScoreError(f"{self.path}: part {self.label} bar {self.number}: {what}")

    def bars(self) -> list[_RawBar]:
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

    def measure(self, measure: SourceMeasure, index: int) -> _RawBar:
        element = measure.element
        self.number = (element.get("number") or "").strip() or str(index + 1)
        bar = _RawBar(self.number, element.get("implicit") == "yes")
        bar.divisions = self.divisions
        bar.keys = [(0, staff, fifths) for staff, fifths in sorted(self.keys.items())]
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
                    if length > head_length[1]:
                        length_said, length = head_length
                else:
                    start_said, start = said, exact
                if not chord:
                    head_said, head_exact = said, exact
                    head_length = (length_said, length)
                staff = max(1, _integer(item.findtext("staff"), 1))
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
                    bar.extent = max(bar.extent, _tick(exact))
                head_said, head_exact = said, exact
            else:
                if tag == "attributes":
                    self.attributes(bar, item, _tick(exact))
                elif tag == "barline":
                    self.barline(bar, item)
                own = _integer(item.findtext("staff"), staff if run else 1)
                bar.placed.append(
                    PlacedChild(at, "other", _tick(exact), _tick(exact), run, own, said, said)
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
        if not _NUMBER.match(text):
            raise self.fail(f"a note without a usable duration ('{text[:20]}'); export it again")
        said = Fraction(text) * TICKS / self.divisions
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
        if said.denominator != 1 and _is_music(note):
            raise self.fail(
                f"a {'rest' if rest is not None else 'note'} of {said / TICKS} quarter notes can't "
                f"be counted ({TICKS} ticks to the quarter); write it with a common tuplet"
            )
        return said, said

    def amount(self, element: ET.Element) -> Fraction:
        text = (element.findtext("duration") or "").strip()
        if not _NUMBER.match(text):
            raise self.fail(f"a <{element.tag}> without a usable duration; export it again")
        return Fraction(text) * TICKS / self.divisions

    def note(
        self, bar: _RawBar, at: int, item: ET.Element,
        places: tuple[Fraction, Fraction, Fraction, Fraction],
        staff: int, voice: str, run: int, chord: bool, grace: bool,
    ) -> None:
        rest = item.find("rest")
        whole = rest is not None and rest.get("measure") == "yes"
        start, end, said, said_end = places
        onset, ticks = _tick(start), _tick(end) - _tick(start)
        kind = "note"
        if rest is not None:
            kind = "rest"
        elif item.find("pitch") is None or not _is_music(item):
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
            _RawNote(
                at, item, onset, ticks, pitch, staff, voice, run, grace, chord, _tuplet(item)
            )
        )

    def attributes(self, bar: _RawBar, item: ET.Element, tick: int) -> None:
        text = (item.findtext("divisions") or "").strip()
        if text:
            value = _integer(text, 0)
            if value <= 0 or not _NUMBER.match(text) or value != float(text):
                raise self.fail(f"divisions of '{text[:20]}'; export the score again")
            self.divisions = value
            if not bar.placed or tick == 0:
                bar.divisions = value
        for transpose in item.iterfind("transpose"):
            self.transposes[_integer(transpose.get("number"), 0)] = _transpose(transpose)
        for key in item.iterfind("key"):
            staff = _integer(key.get("number"), 0)
            if key.find("fifths") is None:
                self.warnings.append(f"bar {self.number}: unusual key signature read as none")
            fifths = max(-7, min(7, _integer(key.findtext("fifths"), 0)))
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
            metre = _metre(time)
            if metre is None:
                self.warnings.append(f"bar {self.number}: time signature can't be read; kept on")
            elif _integer(time.get("number"), 1) == 1:
                self.beats, self.beat_type = metre
                self.free, self.timed = False, True

    def barline(self, bar: _RawBar, item: ET.Element) -> None:
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


def _tuplet(note: ET.Element) -> tuple[int, int]:
    """(actual, normal) of a note's time modification."""
    change = note.find("time-modification")
    if change is None:
        return 1, 1
    actual = _integer(change.findtext("actual-notes"), 1)
    normal = _integer(change.findtext("normal-notes"), 1)
    return (actual, normal) if 0 < actual < 1000 and 0 < normal < 1000 else (1, 1)


def _metre(time: ET.Element) -> tuple[int, int] | None:
    """Beats and beat type of a time signature; composite ones are added up."""
    total, smallest = Fraction(0), 1
    pairs = list(zip(time.findall("beats"), time.findall("beat-type"), strict=False))
    for beats, beat_type in pairs:
        unit = _integer(beat_type.text, 0)
        numbers = [_integer(n, 0) for n in (beats.text or "").split("+")]
        if unit not in (1, 2, 4, 8, 16, 32, 64, 128) or not numbers or min(numbers) <= 0:
            return None
        total += Fraction(sum(numbers), unit)
        smallest = max(smallest, unit)
    if not pairs or total * smallest > 512:
        return None
    return int(total * smallest), smallest


# Putting bars together


def load_part(score: Score, choice: PartChoice, *, empty: bool = False) -> LoadedPart:
    document = score.document
    label = f"'{choice.name}'" if choice.name else choice.id
    sources = tuple(document.part(part_id) for part_id in choice.ids)
    readers = [_Reader(source, score.path, label) for source in sources]
    rows = [reader.bars() for reader in readers]
    warnings = list(score.warnings)
    count = min(len(row) for row in rows)
    if not count:
        raise ScoreError(f"{score.path}: part {label} has no bars; choose another part")
    if any(len(row) != count for row in rows):
        warnings.append(f"the staves of {label} differ in length; read to bar {count}")
        rows = [row[:count] for row in rows]
    for reader in readers:
        warnings += reader.warnings
        if reader.rounded:
            warnings.append(
                f"{len(reader.rounded)} lengths are rounded in the source (first in bar "
                f"{reader.rounded[0]}); read as printed"
            )
        if reader.between:
            warnings.append(
                f"{len(reader.between)} lengths lie between two ticks (first in bar "
                f"{reader.between[0]}); placed at the nearest"
            )
        if reader.silent["hidden"]:
            warnings.append(f"{reader.silent['hidden']} notes that are not printed are left out")
    bars = _bars(score, choice, rows, warnings)
    notes, places, voices, layouts, staves = _notes(rows, bars)
    if staves > 2:
        warnings.append(f"{label} has {staves} staves; the lower ones are read as one")
    if not notes and not empty:
        raise ScoreError(f"{score.path}: part {label} has no notes; choose another part")
    found = _directions(sources, layouts, bars, readers)
    tempo, rehearsals = _tempi(document, choice, found, bars)
    bars = tuple(
        replace(bar, rehearsal=rehearsals.get(bar.index, "")) for bar in bars
    )
    hands = {(tick, staff): hand for tick, staff, hand in found.hands}
    notes = [
        replace(note, hand=hands.get((note.onset, note.staff), "")) if hands else note
        for note in notes
    ]
    notes.sort(key=lambda n: n.order_key)
    assumed = not tempo
    if assumed:
        tempo = [TempoMark(0, DEFAULT_TEMPO)]
        warnings.append(
            f"no tempo mark; {DEFAULT_TEMPO:g} quarter notes a minute assumed (set it with --tempo)"
        )
    elif tempo[0].onset > 0:
        tempo.insert(0, TempoMark(0, tempo[0].quarters))
    part = Part(
        choice.id, choice.name or choice.id, bars, tuple(notes), tuple(tempo),
        found.dynamics, found.given, assumed,
    )
    info = ScoreInfo(score.title, score.path, score.source_format, tuple(warnings))
    return LoadedPart(part, score, choice, sources, layouts, places, voices, info)


def _bars(
    score: Score, choice: PartChoice, rows: list[list[_RawBar]], warnings: list[str]
) -> tuple[Bar, ...]:
    """Real lengths, leads and metres. The rules are in the module's docstring."""
    count = len(rows[0])
    metres = [_bar_metre(rows, i) for i in range(count)]
    if not any(bar.timed for row in rows for bar in row):
        metres = _metres_elsewhere(score, count) or metres
    extents = [max(row[i].extent for row in rows) for i in range(count)]
    silent = [not any(row[i].real for row in rows) for i in range(count)]
    implicit = [rows[0][i].implicit for i in range(count)]
    unsure = {
        i for i in range(count) if silent[i] and (implicit[i] or i in (0, count - 1))
    }
    elsewhere = _extents_elsewhere(score, choice, unsure) if unsure else {}
    for i in range(count):
        if silent[i]:
            full = metres[i][0]
            rest = max(row[i].rest_extent for row in rows)
            known = elsewhere.get(i) or (rest if implicit[i] and rest < full else full)
            extents[i] = min(known, full) if known else full
    lengths: list[int] = []
    leads: list[int] = []
    overfull: list[str] = []
    for i, (full, _, _, free) in enumerate(metres):
        extent = extents[i]
        after = extents[i + 1] if i + 1 < count else 0
        short = 0 < extent < full
        halves = short and i + 1 < count and metres[i + 1][0] == full and extent + after == full
        continues = bool(lengths) and leads[-1] == 0 and lengths[-1] < metres[i - 1][0]
        closes = (
            i == count - 1 and short and bool(lengths) and leads[0] > 0 and extent <= leads[0]
        )
        lead = 0
        if extent == 0:
            length = full
        elif free or extent >= full:
            length = extent
            if extent > full and not free:
                overfull.append(rows[0][i].number)
        elif continues and lengths[-1] + extent <= full:
            length, lead = extent, lengths[-1]
        elif i == 0 and count > 1 and (implicit[i] or not halves or rows[0][i].number == "0"):
            length, lead = extent, full - extent
        elif halves:
            length = extent
        elif implicit[i]:
            length, lead = extent, full - extent
        elif closes:
            length = extent
        else:
            length = full
        lengths.append(length)
        leads.append(lead)
    if overfull:
        warnings.append(
            f"{len(overfull)} bars are longer than their metre (first: bar {overfull[0]}); "
            "read at their real length"
        )
    bars, onset, ending = [], 0, ""
    for i in range(count):
        here = [row[i] for row in rows]
        ending = next((bar.ending for bar in here if bar.ending), ending)
        _, beats, beat_type, _ = metres[i]
        bars.append(
            Bar(
                i, here[0].number, onset, lengths[i], beats, beat_type, _concert_key(here[0]),
                leads[i], any(b.repeat_start for b in here), any(b.repeat_end for b in here),
                ending,
            )
        )
        if any(bar.ending_stops for bar in here):
            ending = ""
        onset += lengths[i]
    return tuple(bars)


def _bar_metre(rows: list[list[_RawBar]], index: int) -> tuple[int, int, int, bool]:
    """(ticks of a full bar, beats, beat type, without metre)."""
    bar = next((row[index] for row in rows if row[index].timed), rows[0][index])
    return 4 * TICKS * bar.beats // bar.beat_type, bar.beats, bar.beat_type, bar.free


def _concert_key(bar: _RawBar) -> int:
    """Fifths of the sounding key: the written ones moved by the transposition."""
    fifths = next((f for tick, staff, f in bar.keys if tick == 0 and staff in (0, 1)), 0)
    steps, semitones = bar.transposes.get(1, bar.transposes.get(0, (0, 0)))
    # On the line of fifths a letter step up weighs 2 without its semitones: fifths moved
    # = 7 * semitones - 12 * steps (a fifth up: 4 steps, 7 semitones, moves by 1).
    moved = fifths + 7 * semitones - 12 * steps
    return moved if -7 <= moved <= 7 else (moved + 6) % 12 - 6


def _walk(measure: SourceMeasure, divisions: int) -> Iterator[tuple[ET.Element, int, Fraction]]:
    """(child, divisions in force, its tick in the bar) of a measure that is not read closely."""
    now = head = Fraction(0)
    for child in measure.children:
        item = child.element
        if item.tag == "attributes":
            divisions = max(1, _integer(item.findtext("divisions"), divisions))
            yield item, divisions, now
        elif item.tag in ("note", "backup", "forward"):
            text = (item.findtext("duration") or "0").strip()
            amount = Fraction(text) * TICKS / divisions if _NUMBER.match(text) else Fraction(0)
            if item.tag == "backup":
                now = max(Fraction(0), now - amount)
            elif item.find("chord") is None:
                head = now
                yield item, divisions, head
                now += amount
        else:
            yield item, divisions, now


def _extents_elsewhere(
    score: Score, choice: PartChoice, wanted: set[int]
) -> dict[int, int]:
    """Real length of some bars, from the other parts of the score."""
    found: dict[int, int] = {}
    for source in score.document.parts:
        if source.id in choice.ids:
            continue
        divisions = 1
        for index, measure in enumerate(source.measures):
            for item, now, tick in _walk(measure, divisions):
                divisions = now
                if index in wanted and item.tag == "note":
                    rest = item.find("rest")
                    if rest is not None and rest.get("measure") == "yes":
                        continue
                    text = (item.findtext("duration") or "0").strip()
                    if _NUMBER.match(text):
                        end = tick + Fraction(text) * TICKS / divisions
                        found[index] = max(found.get(index, 0), round(end))
    return found


def _metres_elsewhere(score: Score, count: int) -> list[tuple[int, int, int, bool]] | None:
    """Metres by bar from the first part of the score that has time signatures."""
    for source in score.document.parts:
        now, found, any_time = (4, 4), [], False
        for measure in source.measures[:count]:
            for child in measure.children:
                if child.element.tag == "attributes":
                    for time in child.element.iterfind("time"):
                        metre = _metre(time)
                        if metre:
                            now, any_time = metre, True
            found.append((4 * TICKS * now[0] // now[1], now[0], now[1], False))
        if any_time and len(found) == count:
            return found
    return None


def _runs(raw: _RawBar) -> dict[str, list[tuple[int, int, int, int]]]:
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


def _doubled(row: list[_RawBar]) -> set[str]:
    """Voice labels that a part uses on two staves at once: a voice each."""
    found = set()
    for raw in row:
        for label, runs in _runs(raw).items():
            for _, staff, low, high in runs:
                if any(s != staff and low < b and a < high for _, s, a, b in runs):
                    found.add(label)
    return found


def _lanes(raw: _RawBar, doubled: set[str]) -> dict[tuple[str, int], int]:
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


def _notes(
    rows: list[list[_RawBar]], bars: tuple[Bar, ...]
) -> tuple[
    list[Note], dict[NoteId, NotePlace], dict[str, tuple[int, str]],
    tuple[tuple[BarLayout, ...], ...], int,
]:
    """Notes in document order with ids 0, 1, 2 ..., their places, and the layout of each bar."""
    names: dict[tuple[int, str, int], str] = {}
    taken: set[str] = set()

    def name(source: int, label: str, lane: int) -> str:
        """The model's voice of a label: the label itself if it is free, else the next number."""
        key = (source, label, lane)
        if key not in names:
            wanted = label
            if source or lane:
                number = int(label) if label.isdigit() and len(label) < 6 else 1
                wanted = str(number + 4 * source + 4 * min(lane, 10))
            while wanted in taken:
                wanted = str(int(wanted) + 4) if wanted.isdigit() else f"{wanted}'"
            taken.add(wanted)
            names[key] = wanted
        return names[key]

    for source, row in enumerate(rows):  # labels of the first lanes keep their own names
        for label in sorted({c.voice for raw in row for c in raw.placed if c.voice}):
            name(source, label, 0)
    notes: list[Note] = []
    places: dict[NoteId, NotePlace] = {}
    layouts: list[list[BarLayout]] = [[] for _ in rows]
    graces: dict[tuple[int, str], int] = {}
    doubled = [_doubled(row) for row in rows]
    staves = 1
    for bar in bars:
        for source, row in enumerate(rows):
            raw = row[bar.index]
            lanes = _lanes(raw, doubled[source])
            ids: dict[int, NoteId] = {}
            for item in raw.notes:
                voice = name(source, item.voice, lanes.get((item.voice, item.run), 0))
                staff = 2 if source else item.staff
                staves = max(staves, staff)
                onset = bar.onset + min(item.onset, bar.duration)
                grace = 0
                if item.grace:
                    grace = graces.get((onset, voice), 0)
                    if not item.chord or not grace:
                        grace += 1
                    graces[onset, voice] = grace
                tie_in, tie_out = _ties(item.element)
                ids[item.child] = len(notes)
                places[len(notes)] = NotePlace(source, bar.index, item.child)
                notes.append(
                    Note(
                        len(notes), onset, item.length, item.pitch, bar.index, min(staff, 2),
                        voice, grace, tie_in, tie_out, item.tuplet, "", _marks(item.element),
                    )
                )
            children = []
            for child in raw.placed:
                voice = (
                    name(source, child.voice, lanes.get((child.voice, child.run), 0))
                    if child.voice else ""
                )
                end = max(bar.duration, child.onset) if child.whole_bar else child.end
                staves = max(staves, child.staff)
                children.append(
                    replace(
                        child, voice=voice, end=end, id=ids.get(child.child, -1),
                    )
                )
            layouts[source].append(
                BarLayout(
                    raw.divisions, raw.end_divisions, tuple(raw.keys), raw.transposes,
                    tuple(children),
                )
            )
    voices = {model: (source, label) for (source, label, _), model in names.items()}
    return notes, places, voices, tuple(tuple(row) for row in layouts), staves


def _ties(note: ET.Element) -> tuple[bool, bool]:
    """(continues an earlier note, goes on) from `<tie>` and `<tied>`."""
    kinds = {e.get("type") for e in note.iterfind("tie")}
    kinds |= {e.get("type") for e in note.iterfind("notations/tied")}
    both = "continue" in kinds
    return both or "stop" in kinds, both or "start" in kinds


@dataclass(frozen=True, slots=True)
class _Found:
    """What the directions of a part say."""

    tempo: tuple[TempoMark, ...]
    rehearsals: tuple[tuple[int, str], ...]
    dynamics: tuple[Dynamic, ...]
    given: tuple[GivenSetting, ...]
    hands: tuple[tuple[int, int, str], ...]


def _directions(
    sources: tuple[SourcePart, ...], layouts: tuple[tuple[BarLayout, ...], ...],
    bars: tuple[Bar, ...], readers: list[_Reader],
) -> _Found:
    """Tempo, rehearsal marks, dynamics, pedals and hands of the selected source parts."""
    tempo: list[TempoMark] = []
    rehearsals: list[tuple[int, str]] = []
    dynamics: set[tuple[int, str]] = set()
    given: list[GivenSetting] = []
    hands: list[tuple[int, int, str]] = []
    for which, source in enumerate(sources):
        for bar in bars:
            layout = layouts[which][bar.index]
            for child in layout.children:
                item = source.measures[bar.index].children[child.child].element
                if child.kind == "note":
                    for level in item.iterfind("notations/dynamics/*"):
                        dynamics.add((bar.onset + child.onset, _level(level)))
                    continue
                if item.tag not in ("direction", "sound"):
                    continue
                tick = bar.onset + child.onset + round(_shift(item, layout.divisions))
                tick = max(bar.onset, min(tick, bar.end))
                quarters = _tempo(item)
                if quarters is not None:
                    tempo.append(TempoMark(tick, quarters))
                if item.tag == "sound":
                    continue
                rehearsal = _rehearsal(item)
                if rehearsal:
                    rehearsals.append((bar.index, rehearsal))
                for level in item.iterfind("direction-type/dynamics/*"):
                    dynamics.add((tick, _level(level)))
                setting = given_setting(item, tick)
                if setting is not None:
                    given.append(setting)
                words = " ".join(
                    (e.text or "").strip() for e in item.iterfind("direction-type/words")
                ).strip()
                for hand, pattern in _HAND_WORD.items():
                    if pattern.match(words):
                        hands.append((tick, 2 if which else child.staff, hand))
    return _Found(
        tuple(tempo), tuple(rehearsals),
        tuple(Dynamic(tick, level) for tick, level in sorted(dynamics) if level),
        tuple(sorted(set(given), key=lambda g: (g.onset, g.positions))),
        tuple(hands),
    )


def _level(element: ET.Element) -> str:
    """A dynamic sign's letters."""
    if element.tag == "other-dynamics":
        return (element.text or "").strip()
    return str(element.tag)


def _rehearsal(direction: ET.Element) -> str:
    return " ".join(
        (e.text or "").strip() for e in direction.iterfind("direction-type/rehearsal")
    ).strip()


def _tempi(
    document: SourceDocument, choice: PartChoice, found: _Found, bars: tuple[Bar, ...]
) -> tuple[list[TempoMark], dict[int, str]]:
    """Tempo marks and rehearsal marks of the whole score: a conductor's marks are often printed
    in the top part only. At one tick the selected part's own mark wins, then the topmost."""
    tempo: dict[int, float] = {}
    rehearsals: dict[int, str] = {}
    for mark in found.tempo:
        tempo.setdefault(mark.onset, mark.quarters)
    for index, text in found.rehearsals:
        rehearsals.setdefault(index, text)
    for source in document.parts:
        if source.id in choice.ids:
            continue
        divisions = 1
        for bar, measure in zip(bars, source.measures, strict=False):
            wanted = any(
                c.element.tag == "sound" or (
                    c.element.tag == "direction" and (
                        c.element.find("sound") is not None
                        or c.element.find("direction-type/metronome") is not None
                        or c.element.find("direction-type/rehearsal") is not None
                    )
                )
                for c in measure.children
            )
            if not wanted:
                for child in measure.children:
                    if child.element.tag == "attributes":
                        stated = child.element.findtext("divisions")
                        divisions = max(1, _integer(stated, divisions))
                continue
            for item, now, tick in _walk(measure, divisions):
                divisions = now
                if item.tag not in ("sound", "direction"):
                    continue
                if item.tag == "direction":
                    text = _rehearsal(item)
                    if text:
                        rehearsals.setdefault(bar.index, text)
                quarters = _tempo(item)
                if quarters is not None:
                    at = bar.onset + round(tick + _shift(item, now))
                    tempo.setdefault(max(bar.onset, min(at, bar.end)), quarters)
    marks = [TempoMark(tick, tempo[tick]) for tick in sorted(tempo)]
    return marks, rehearsals


# Other formats, through music21


def _convert(raw: bytes, kind: str, path: str) -> bytes:
    """MusicXML bytes of a file in another format."""
    import contextlib
    import io
    import warnings

    with warnings.catch_warnings(), contextlib.redirect_stdout(io.StringIO()), \
            contextlib.redirect_stderr(io.StringIO()):
        warnings.simplefilter("ignore")
        try:
            return _through_music21(raw, kind, path)
        except ScoreError:
            raise
        except Exception as error:
            reason = " ".join(str(error).split())[:120] or type(error).__name__
            raise ScoreError(
                f"{path}: can't be read as {kind} ({reason}); export it as MusicXML"
            ) from None


def _through_music21(raw: bytes, kind: str, path: str) -> bytes:
    """The file as MusicXML with two neighbouring one-staff parts of one keyboard or harp joined
    to one part of two staves, the same bytes every time."""
    from music21 import converter, layout, stream
    from music21.musicxml.m21ToXml import GeneralObjectExporter

    if kind == "midi":
        parsed = converter.parseData(raw, format="midi")
    else:
        try:
            text = raw.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = raw.decode("latin-1")
        parsed = converter.parseData(text, format=kind)
    if isinstance(parsed, stream.Opus):
        pieces = list(parsed.scores)
        if len(pieces) != 1:
            raise ScoreError(f"{path}: holds {len(pieces)} pieces; give a file with one")
        parsed = pieces[0]
    parts = list(parsed.parts) if isinstance(parsed, stream.Score) else []
    listed = []
    for index, part in enumerate(parts):
        pitches = [p.midi for p in part.pitches]
        name = " ".join((part.partName or "").split())
        listed.append(
            _Listed(
                str(index), name, bool(_HARP.search(name)), 1, len(pitches),
                sum(pitches) / max(1, len(pitches)), None,
            )
        )
    for choice in _paired(listed):
        if len(choice.ids) == 2:
            staves = [parts[int(part_id)] for part_id in choice.ids]
            for staff in staves:
                staff.__class__ = stream.PartStaff  # the exporter joins PartStaffs only
                staff.partName = choice.name
            parsed.insert(0, layout.StaffGroup(staves, name=choice.name, symbol="brace"))
    xml = GeneralObjectExporter(parsed).parse()
    return _steady(bytes(xml))


def _steady(xml: bytes) -> bytes:
    """The exporter's XML without what differs from run to run: random ids and the date."""
    text = xml.decode("utf-8")
    for tag, letter in (("score-part", "P"), ("score-instrument", "I")):
        ids = dict.fromkeys(re.findall(rf'<{tag} id="([^"]+)"', text))
        for number, old in enumerate(ids, start=1):
            text = text.replace(f'id="{old}"', f'id="{letter}{number}"')
    text = re.sub(r"[ \t]*<encoding-date>[^<]*</encoding-date>\r?\n?", "", text)
    return text.encode("utf-8")
