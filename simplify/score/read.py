"""From a score file to the music of one player, with the place of every note in the source.

`open_score` finds out what the file is and lists the parts that could be meant; `select_part`
reads one of them (or two one-staff parts that are one instrument) into a `Part`. MusicXML is read
by us from the source bytes (see `source.py`), so that every note keeps its identity with its own
bytes; MIDI goes through `midi.py`; any other format is first turned into MusicXML (`convert.py`).

How the written text is understood:

* Time is exact. Where a duration is an exporter's rounding of the value that type, dots and tuplet
  spell out, that value holds. A length that is no whole number of ticks and not what is printed
  is refused with its bar; one that is printed so but lies between two ticks (13 notes in the time
  of 8, a 256th) is placed at the nearest tick, never more than half a tick (25 microseconds at
  120 quarter notes a minute) from its place. Each is told in a warning.
* A chord is one event: all its notes last as long as its first, which alone moves the time on.
  (MusicXML allows shorter ones for the stopped strings of a violin; in keyboard scores they are
  exporters' slips, and music21 reads them so too.)
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

import os
import re
import sys
import xml.etree.ElementTree as ET
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from simplify.counted import counted
from simplify.errors import ScoreError, SelectionError
from simplify.score.convert import converted
from simplify.score.markcheck import mark_mistakes
from simplify.score.marks import flaws, given_setting
from simplify.score.measures import (
    MAX_BAR,
    MAX_QUARTERS,
    NUMBER,
    PlacedChild,
    RawBar,
    Reader,
    doubled_labels,
    in_ticks,
    integer,
    lanes_of,
    level_of,
    marks_of,
    metre_of,
    rehearsal_of,
    shift_of,
    tempo_of,
    ties_of,
    walk,
)
from simplify.score.midi import midi_score
from simplify.score.model import (
    TICKS,
    Bar,
    Dynamic,
    GivenSetting,
    Note,
    NoteId,
    Part,
    ScoreInfo,
    TempoMark,
)
from simplify.score.players import PartChoice, choices_of, choose
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

MARK_MISTAKES_TOLD = 12
"""Most mistakes of the source's pedal marks that are told one by one (estimate: a page of them)."""

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
class BarLayout:
    """What a measure of one source part holds, for writing into it.

    divisions: in force at its start and at its end. keys: (tick in the bar, staff or 0 for all,
    written fifths), those in force at the start first. transposes: staff (0: all) to (letter
    steps, semitones) from written to sounding. clefs: staff to (sign, line, octaves up) in force
    before the measure's own.
    """

    divisions: int
    end_divisions: int
    keys: tuple[tuple[int, int, int], ...]
    transposes: Mapping[int, tuple[int, int]]
    clefs: Mapping[int, tuple[str, int, int]]
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


def open_score(path: str, *, bare: bool = False) -> Score:
    """Opens a score file, or standard input for ``-``. bare: only to be read, neither engraved nor
    written into, so that a file in another format is converted in less time.

    Raises:
        ScoreError: missing, a directory, empty, not a score, damaged, over a limit, without
            notes, or percussion only.
    """
    name, raw = _read_bytes(path)
    return score_from_bytes(raw, name, bare=bare)


def score_from_bytes(raw: bytes, path: str, *, bare: bool = False) -> Score:
    """The score that these bytes of a file are. `path` is used in messages and for its ending;
    bare: as for `open_score`.

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
    elif kind == "midi":
        xml, told = midi_score(raw, path)
        document = replace(load_document(xml, path, source_format=kind), warnings=told)
    else:
        document = load_document(
            converted(raw, kind, path, bare=bare), path, source_format=kind
        )
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
    choices = choices_of(document)
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


def select_part(score: Score, name_or_id: str | None = None) -> LoadedPart:
    """One player's part. Without a name: the harp if there is exactly one, else the only
    keyboard-like part (two staves, or so named), else the only part.

    Raises:
        SelectionError: no such part, or the choice is open; lists the parts.
        ScoreError: the part has no notes, or its notation can't be counted.
    """
    choice = choose(score.candidates, score.path, name_or_id)
    if not choice.notes:
        raise ScoreError(f"{score.path}: part {choice.label} has no notes; choose another part")
    return load_part(score, choice)


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


def load_part(score: Score, choice: PartChoice, *, empty: bool = False) -> LoadedPart:
    """Reads a player. empty: a part without notes is no error (for writing into it).

    Raises:
        ScoreError: no notes, no bars, or notation that can't be counted.
    """
    document = score.document
    label = f"'{choice.name}'" if choice.name else choice.id
    sources = tuple(document.part(part_id) for part_id in choice.ids)
    readers = [Reader(source, score.path, label) for source in sources]
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
                f"{counted(len(reader.rounded), 'length is', 'lengths are')} rounded in the source "
                f"(first in bar {reader.rounded[0]}); read as printed"
            )
        if reader.between:
            warnings.append(
                f"{counted(len(reader.between), 'length lies', 'lengths lie')} between two ticks "
                f"(first in bar {reader.between[0]}); placed at the nearest"
            )
        if reader.silent["hidden"]:
            hidden = counted(
                reader.silent["hidden"], "note that is not printed is",
                "notes that are not printed are",
            )
            warnings.append(f"{hidden} left out")
    bars = _bars(score, choice, rows, warnings)
    notes, places, voices, layouts, staves = _notes(rows, bars, choice.upside_down)
    if choice.upside_down:
        warnings.append(f"{label} has its lower staff first; read the right way up")
    if staves > 2:
        warnings.append(f"{label} has {staves} staves; the lower ones are read as one")
    if not notes and not empty:
        raise ScoreError(f"{score.path}: part {label} has no notes; choose another part")
    found = _directions(sources, layouts, bars, choice.upside_down)
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
    mistakes = [(tick, text) for tick, text in found.flaws]
    mistakes += [(mistake.onset, mistake.text) for mistake in mark_mistakes(part)]
    for tick, text in sorted(mistakes)[:MARK_MISTAKES_TOLD]:
        bar, beat = part.place(tick)
        warnings.append(f"pedal marks, bar {bar} beat {beat:g}: {text}")
    if len(mistakes) > MARK_MISTAKES_TOLD:
        more = counted(len(mistakes) - MARK_MISTAKES_TOLD, "more mistake")
        warnings.append(f"{more} in the pedal marks")
    info = ScoreInfo(score.title, score.path, score.source_format, tuple(warnings))
    return LoadedPart(part, score, choice, sources, layouts, places, voices, info)


def _bars(
    score: Score, choice: PartChoice, rows: list[list[RawBar]], warnings: list[str]
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
    long = next((i for i, length in enumerate(lengths) if length > MAX_BAR * TICKS), None)
    if long is not None or sum(lengths) > MAX_QUARTERS * TICKS:
        where, most = (
            (f" bar {rows[0][long].number}", MAX_BAR) if long is not None else ("", MAX_QUARTERS)
        )
        raise ScoreError(
            f"{score.path}: part {choice.label}{where} lasts longer than {most} quarter notes; "
            "correct its lengths, or give a single movement"
        )
    if overfull:
        warnings.append(
            f"{counted(len(overfull), 'bar is', 'bars are')} longer than the metre (first: bar "
            f"{overfull[0]}); read at the real length"
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


def _bar_metre(rows: list[list[RawBar]], index: int) -> tuple[int, int, int, bool]:
    """(ticks of a full bar, beats, beat type, without metre)."""
    bar = next((row[index] for row in rows if row[index].timed), rows[0][index])
    return 4 * TICKS * bar.beats // bar.beat_type, bar.beats, bar.beat_type, bar.free


def _concert_key(bar: RawBar) -> int:
    """Fifths of the sounding key: the written ones moved by the transposition."""
    fifths = next((f for tick, staff, f in bar.keys if tick == 0 and staff in (0, 1)), 0)
    steps, semitones = bar.transposes.get(1, bar.transposes.get(0, (0, 0)))
    # On the line of fifths a letter step up weighs 2 without its semitones: fifths moved
    # = 7 * semitones - 12 * steps (a fifth up: 4 steps, 7 semitones, moves by 1).
    moved = fifths + 7 * semitones - 12 * steps
    return moved if -7 <= moved <= 7 else (moved + 6) % 12 - 6


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
            for item, now, tick in walk(measure, divisions):
                divisions = now
                if index in wanted and item.tag == "note":
                    rest = item.find("rest")
                    if rest is not None and rest.get("measure") == "yes":
                        continue
                    text = (item.findtext("duration") or "0").strip()
                    if NUMBER.match(text):
                        end = tick + in_ticks(text, divisions)
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
                        metre = metre_of(time)
                        if metre:
                            now, any_time = metre, True
            found.append((4 * TICKS * now[0] // now[1], now[0], now[1], False))
        if any_time and len(found) == count:
            return found
    return None


def _notes(
    rows: list[list[RawBar]], bars: tuple[Bar, ...], upside_down: bool
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
    doubled = [doubled_labels(row) for row in rows]
    staves = 1
    for bar in bars:
        for source, row in enumerate(rows):
            raw = row[bar.index]
            lanes = lanes_of(raw, doubled[source])
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
                tie_in, tie_out = ties_of(item.element)
                ids[item.child] = len(notes)
                places[len(notes)] = NotePlace(source, bar.index, item.child)
                notes.append(
                    Note(
                        len(notes), onset, item.length, item.pitch, bar.index,
                        3 - min(staff, 2) if upside_down else min(staff, 2),
                        voice, grace, tie_in, tie_out, item.tuplet, "", marks_of(item.element),
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
                    raw.clefs, tuple(children),
                )
            )
    voices = {model: (source, label) for (source, label, _), model in names.items()}
    return notes, places, voices, tuple(tuple(row) for row in layouts), staves


@dataclass(frozen=True, slots=True)
class _Found:
    """What the directions of a part say."""

    tempo: tuple[TempoMark, ...]
    rehearsals: tuple[tuple[int, str], ...]
    dynamics: tuple[Dynamic, ...]
    given: tuple[GivenSetting, ...]
    hands: tuple[tuple[int, int, str], ...]
    flaws: tuple[tuple[int, str], ...]


def _directions(
    sources: tuple[SourcePart, ...], layouts: tuple[tuple[BarLayout, ...], ...],
    bars: tuple[Bar, ...], upside_down: bool,
) -> _Found:
    """Tempo, rehearsal marks, dynamics, pedals and hands of the selected source parts."""
    tempo: list[TempoMark] = []
    rehearsals: list[tuple[int, str]] = []
    dynamics: set[tuple[int, str]] = set()
    given: list[GivenSetting] = []
    hands: list[tuple[int, int, str]] = []
    wrong: list[tuple[int, str]] = []
    for which, source in enumerate(sources):
        for bar in bars:
            layout = layouts[which][bar.index]
            for child in layout.children:
                item = source.measures[bar.index].children[child.child].element
                if child.kind == "note":
                    for level in item.iterfind("notations/dynamics/*"):
                        dynamics.add((bar.onset + child.onset, level_of(level)))
                    continue
                if item.tag not in ("direction", "sound"):
                    continue
                tick = bar.onset + child.onset + round(shift_of(item, layout.divisions))
                tick = max(bar.onset, min(tick, bar.end))
                quarters = tempo_of(item)
                if quarters is not None:
                    tempo.append(TempoMark(tick, quarters))
                if item.tag == "sound":
                    continue
                rehearsal = rehearsal_of(item)
                if rehearsal:
                    rehearsals.append((bar.index, rehearsal))
                for level in item.iterfind("direction-type/dynamics/*"):
                    dynamics.add((tick, level_of(level)))
                setting = given_setting(item, tick)
                if setting is not None:
                    given.append(setting)
                    wrong += [(tick, text) for text in flaws(item)]
                words = " ".join(
                    (e.text or "").strip() for e in item.iterfind("direction-type/words")
                ).strip()
                for hand, pattern in _HAND_WORD.items():
                    if pattern.match(words):
                        staff = 2 if which else child.staff
                        hands.append((tick, 3 - min(staff, 2) if upside_down else staff, hand))
    return _Found(
        tuple(tempo), tuple(rehearsals),
        tuple(Dynamic(tick, level) for tick, level in sorted(dynamics) if level),
        tuple(sorted(set(given), key=lambda g: (g.onset, g.positions))),
        tuple(hands), tuple(wrong),
    )


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
                        divisions = max(1, integer(stated, divisions))
                continue
            for item, now, tick in walk(measure, divisions):
                divisions = now
                if item.tag not in ("sound", "direction"):
                    continue
                if item.tag == "direction":
                    text = rehearsal_of(item)
                    if text:
                        rehearsals.setdefault(bar.index, text)
                quarters = tempo_of(item)
                if quarters is not None:
                    at = bar.onset + round(tick + shift_of(item, now))
                    tempo.setdefault(max(bar.onset, min(at, bar.end)), quarters)
    marks = [TempoMark(tick, tempo[tick]) for tick in sorted(tempo)]
    return marks, rehearsals
