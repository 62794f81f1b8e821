"""Writing a changed part back into its source, note by note.

Bars that hold the same notes as the source stay as they are, byte for byte. In a changed bar the
kept notes keep their own XML, what is not a note stays at its place in time, and the bar is laid
out again voice by voice: new notes in writable values (tied where one value does not say it),
rests where a note has gone, chords split over two voices where their notes differ in length,
accidentals, beams, tuplet brackets and ties put right. Ties, slurs and other lines whose other end
has gone are taken off.

Every result is read again and compared with what was asked for (`same_music`): music that would
not come back is an error that names the bar, never a file.

`emit_part` writes a part that has no source on the same path: an empty score, then the graft.
"""

from __future__ import annotations

import copy
import math
import re
import xml.etree.ElementTree as ET
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from xml.sax.saxutils import escape, quoteattr

from simplify.errors import GentlerError, OutputError
from simplify.score.marks import PedalMark, diagram_xml, directions_xml, move_words, only_pedals
from simplify.score.model import TICKS, Bar, Mark, Note, NoteId, Part, Pitch, Strike
from simplify.score.read import (
    BarLayout,
    LoadedPart,
    PartChoice,
    PlacedChild,
    Score,
    load_part,
    transposed,
)
from simplify.score.source import SourceMeasure, load_document, repack_mxl
from simplify.score.values import FLAGS, Piece, Zone, beam_window, beams, split_note, split_rest

CHANGED_COLOUR = "#9A3412"
"""Colour of new notes when asked for: a dark rust that prints as a clear grey."""

_ORDER = {
    tag: rank
    for rank, tag in enumerate((
        "grace", "cue", "chord", "pitch", "unpitched", "rest", "duration", "tie", "instrument",
        "footnote", "level", "voice", "type", "dot", "accidental", "time-modification", "stem",
        "notehead", "notehead-text", "staff", "beam", "notations", "lyric", "play", "listen",
    ))
}
"""Order of a note's children (MusicXML 4.0, type note)."""

_ACCIDENTALS = {-2: "flat-flat", -1: "flat", 0: "natural", 1: "sharp", 2: "double-sharp"}
_SHARPS, _FLATS = "FCGDAEB", "BEADGCF"
_LINES = {"slur": "slur", "glissando": "gliss", "slide": "gliss", "tremolo": "tremolo",
          "wavy-line": "trill"}
_ARTICULATION_MARKS = ("accent", "strong-accent", "staccato", "tenuto", "staccatissimo")


# Comparing


def same_music(one: Part, other: Part) -> tuple[str, ...]:
    """What differs in sound between two parts, as lines that name the bar; empty if nothing.

    Compared are the bars' lengths and every strike: onset, end, spelled pitch, staff, and whether
    it is a grace note. A long value and the tied values that write it are the same. One tick
    is allowed for: the places of 11 or 13 notes in a beat are rounded to whole ticks.
    """
    lines: list[str] = []
    if len(one.bars) != len(other.bars):
        return (f"{len(one.bars)} bars against {len(other.bars)}",)
    for a, b in zip(one.bars, other.bars, strict=True):
        if (a.onset, a.duration) != (b.onset, b.duration):
            lines.append(
                f"bar {a.number}: {Fraction(a.duration, TICKS)} quarter notes long against "
                f"{Fraction(b.duration, TICKS)}"
            )
    first, second = Counter(map(_sound, one.strikes)), Counter(map(_sound, other.strikes))
    left, right = sorted((first - second).elements()), sorted((second - first).elements())
    for row in list(left):
        twin = next(
            (
                r for r in right
                if r[2:] == row[2:] and abs(r[0] - row[0]) <= 1 and abs(r[1] - row[1]) <= 1
            ),
            None,
        )
        if twin is not None:
            left.remove(row)
            right.remove(twin)
    for rows, where in ((left, "only in the first"), (right, "only in the second")):
        for onset, end, pitch, staff, lead in rows:
            bar = one.bar_at(onset)
            what = "grace note" if lead else f"{Fraction(end - onset, TICKS)} quarter notes"
            lines.append(
                f"bar {bar.number} beat {bar.beat(onset):g}: {pitch} ({what}, staff {staff}) "
                f"{where}"
            )
    return tuple(lines)


def _sound(strike: Strike) -> tuple[int, int, str, int, int]:
    return strike.onset, strike.end, strike.pitch.name, strike.first.staff, strike.lead


# XML text


@dataclass(frozen=True, slots=True)
class _Style:
    """How the source lays out its XML: line end, indentation of a measure's children, one step.
    Without a line end everything stands on one line."""

    newline: str
    base: str
    step: str

    def render(self, element: ET.Element) -> str:
        """An element as text; its first line is not indented."""
        return self._walk(element, self.base)

    def _walk(self, element: ET.Element, indent: str) -> str:
        opening = "".join(f" {key}={quoteattr(value)}" for key, value in element.attrib.items())
        if len(element) == 0:
            text = element.text or ""
            if not text:
                return f"<{element.tag}{opening}/>"
            return f"<{element.tag}{opening}>{escape(text)}</{element.tag}>"
        inner = indent + self.step
        glue = self.newline + (inner if self.newline else "")
        body = "".join(glue + self._walk(child, inner) for child in element)
        close = self.newline + (indent if self.newline else "")
        return f"<{element.tag}{opening}>{body}{close}</{element.tag}>"

    def block(self, lines: Sequence[str]) -> str:
        """Lines that are indented by two spaces a level, in the source's own way."""
        if not self.newline:
            return "".join(line.strip() for line in lines)
        rows = []
        for index, line in enumerate(lines):
            body = line.lstrip(" ")
            depth = (len(line) - len(body)) // 2
            rows.append((self.base if index else "") + self.step * depth + body)
        return self.newline.join(rows)


def _style(text: bytes, measure: SourceMeasure) -> _Style:
    """The layout of a measure's text."""
    for child in measure.children:
        before = text[measure.inner_start : child.start]
        gap = re.search(rb"(\r?\n)([ \t]*)$", before)
        if gap is None:
            continue
        newline, base = gap[1].decode(), gap[2].decode()
        for other in measure.children:
            inner = re.search(rb">\s*?\r?\n([ \t]*)<", text[other.start : other.end])
            if inner is not None and len(inner[1]) > len(gap[2]):
                return _Style(newline, base, inner[1].decode()[len(base):])
        return _Style(newline, base, "  ")
    return _Style("", "", "")


def _insert(note: ET.Element, child: ET.Element) -> ET.Element:
    """Puts a child at its place in the order of a note's children."""
    rank = _ORDER[child.tag]
    at = len(note)
    for index, other in enumerate(note):
        if _ORDER.get(other.tag, 0) > rank:
            at = index
            break
    note.insert(at, child)
    return child


def _text(tag: str, text: str, **attributes: str) -> ET.Element:
    element = ET.Element(tag, attributes)
    element.text = text
    return element


def _remove(note: ET.Element, tag: str) -> None:
    for child in note.findall(tag):
        note.remove(child)


def _prune(note: ET.Element) -> None:
    """Takes away notations that hold nothing any more."""
    for notations in note.findall("notations"):
        for group in list(notations):
            if group.tag in ("ornaments", "technical", "articulations") and len(group) == 0:
                notations.remove(group)
        if len(notations) == 0:
            note.remove(notations)


def _notations(note: ET.Element, group: str = "") -> ET.Element:
    """A note's notations, or a group within them (technical, ornaments ...); made if missing."""
    notations = note.find("notations")
    if notations is None:
        notations = _insert(note, ET.Element("notations"))
    if not group:
        return notations
    found = notations.find(group)
    return found if found is not None else ET.SubElement(notations, group)


# What is to be done to one written note


@dataclass(slots=True)
class _Fix:
    """Changes to a note's XML. None leaves a thing as it is."""

    chord: bool | None = None
    drop_ties: set[str] = field(default_factory=set)
    drop_lines: set[tuple[str, str, str]] = field(default_factory=set)
    notations: list[ET.Element] = field(default_factory=list)
    beams: tuple[str, ...] | None = None
    accidental: str | None = None
    edges: tuple[bool, bool] | None = None
    finger: int | None = None
    colour: str | None = None
    plain: tuple[str, int] | None = None
    lyrics: list[ET.Element] = field(default_factory=list)

    def any(self) -> bool:
        """True if there is something to do."""
        return any((
            self.chord is not None, self.drop_ties, self.drop_lines, self.notations,
            self.beams is not None, self.accidental is not None, self.edges is not None,
            self.finger is not None, self.colour is not None, self.plain is not None, self.lyrics,
        ))

    def applied(self, source: ET.Element) -> ET.Element:
        """A changed copy of a note element."""
        note = copy.deepcopy(source)
        note.tail = None
        if self.chord is True and note.find("chord") is None:
            _insert(note, ET.Element("chord"))
        elif self.chord is False:
            _remove(note, "chord")
        for kind in sorted(self.drop_ties):
            for tie in note.findall("tie"):
                if tie.get("type") == kind:
                    note.remove(tie)
            for notations in note.findall("notations"):
                for tied in notations.findall("tied"):
                    if tied.get("type") == kind:
                        notations.remove(tied)
        for tag, number, kind in sorted(self.drop_lines):
            for parent in (*note.findall("notations"), *note.findall("notations/ornaments")):
                for line in parent.findall(tag):
                    if (line.get("number", "1"), line.get("type")) == (number, kind):
                        parent.remove(line)
        if self.plain is not None:
            _remove(note, "time-modification")
            _remove(note, "type")
            _remove(note, "dot")
            _insert(note, _text("type", self.plain[0]))
            for _ in range(self.plain[1]):
                _insert(note, ET.Element("dot"))
        if self.accidental is not None:
            _remove(note, "accidental")
            _insert(note, _text("accidental", self.accidental))
        if self.beams is not None:
            _remove(note, "beam")
            for level, value in enumerate(self.beams, start=1):
                _insert(note, _text("beam", value, number=str(level)))
        if self.edges is not None:
            for notations in note.findall("notations"):
                for tuplet in notations.findall("tuplet"):
                    notations.remove(tuplet)
            for wanted, kind in zip(self.edges, ("start", "stop"), strict=True):
                if wanted:
                    _notations(note).append(ET.Element("tuplet", {"type": kind, "number": "1"}))
        for element in self.notations:
            group = "ornaments" if element.tag in ("wavy-line", "tremolo") else ""
            _notations(note, group).append(copy.deepcopy(element))
        for lyric in self.lyrics:
            _insert(note, copy.deepcopy(lyric))
        if self.finger is not None:
            for technical in note.findall("notations/technical"):
                for finger in technical.findall("fingering"):
                    technical.remove(finger)
            _notations(note, "technical").append(_text("fingering", str(self.finger)))
        if self.colour is not None:
            note.set("color", self.colour)
        _prune(note)
        return note


# Lines (slurs, glissandi ...) and ties over the whole part


@dataclass(frozen=True, slots=True)
class _End:
    """One end of a line in the source."""

    bar: int
    child: int
    id: NoteId
    voice: str
    onset: int
    tag: str
    number: str
    kind: str
    element: ET.Element


def _line_ends(loaded: LoadedPart, source: int) -> list[_End]:
    """Ends of all lines of a source part in document order."""
    found = []
    for bar in loaded.part.bars:
        measure = loaded.sources[source].measures[bar.index]
        for child in loaded.layouts[source][bar.index].children:
            if child.kind == "other":
                continue
            note = measure.children[child.child].element
            for notations in note.iterfind("notations"):
                for element in (*notations, *notations.findall("ornaments/*")):
                    kind = element.get("type", "")
                    if element.tag in _LINES and kind in ("start", "stop"):
                        found.append(
                            _End(
                                bar.index, child.child, child.id, child.voice,
                                bar.onset + child.onset, element.tag, element.get("number", "1"),
                                kind, element,
                            )
                        )
    return found


def _lines(loaded: LoadedPart, source: int) -> list[tuple[_End, _End]]:
    """The lines of a source part: each start with the stop that belongs to it."""
    waiting: dict[tuple[str, str], list[_End]] = {}
    early: dict[tuple[str, str], list[_End]] = {}
    pairs = []
    for end in _line_ends(loaded, source):
        key = (end.tag, end.number)
        if end.kind == "start":
            # A stop in another voice may stand earlier in the same bar's text.
            stops = [
                e for e in early.get(key, []) if e.bar == end.bar and e.onset >= end.onset
                and e.child != end.child
            ]
            if stops:
                early[key].remove(stops[0])
                pairs.append((end, stops[0]))
            else:
                waiting.setdefault(key, []).append(end)
        else:
            starts = [e for e in waiting.get(key, []) if e.child != end.child or e.bar != end.bar]
            if starts:
                best = max(starts, key=lambda e: (e.voice == end.voice, e.bar, e.child))
                waiting[key].remove(best)
                pairs.append((best, end))
            else:
                early.setdefault(key, []).append(end)
    return pairs


def _tie_flags(part: Part) -> tuple[set[NoteId], set[NoteId]]:
    """(notes that continue a struck note, notes that go on) by the part's own strikes."""
    into: set[NoteId] = set()
    out: set[NoteId] = set()
    for strike in part.strikes:
        out.update(strike.notes[:-1])
        into.update(strike.notes[1:])
    return into, out


# The layout of one changed bar


@dataclass(slots=True)
class _Written:
    """One note of a written chord: a source child, or a new note."""

    note: Note | None
    child: PlacedChild | None
    base: ET.Element
    fix: _Fix


@dataclass(slots=True)
class _Slot:
    """One chord, rest or stretch of silence in a voice. start, end: ticks in the bar; said,
    said_end: the same as the source's durations add them up (None: not yet placed)."""

    start: int
    end: int
    kind: str
    members: list[_Written]
    said: Fraction | None = None
    said_end: Fraction | None = None
    grace: float = 0
    tuplet: tuple[int, int] = (1, 1)
    piece: Piece | None = None
    origin: tuple[int, ...] = ()
    hidden: bool = False

    @property
    def kept(self) -> bool:
        """True if a source child is in it."""
        return any(member.child is not None for member in self.members)

    @property
    def clock(self) -> tuple[Fraction, Fraction]:
        """Start and end on the source's clock."""
        if self.said is None or self.said_end is None:
            raise OutputError(f"a value at tick {self.start} has no place in its bar")
        return self.said, self.said_end

    @property
    def order(self) -> tuple[int, float, int]:
        """Time, grace notes before the note they lead to."""
        return self.start, self.grace or 1e9, self.end


@dataclass(slots=True)
class _Stream:
    """A voice of the bar. label: its name in the file; cover: where the source has notes or rests
    in it; other: (tick, place on the source's clock, child) of what is not a note."""

    voice: str
    label: str
    slots: list[_Slot] = field(default_factory=list)
    cover: list[tuple[int, int]] = field(default_factory=list)
    zones: list[Zone] = field(default_factory=list)
    source: bool = True
    other: list[tuple[int, Fraction, PlacedChild]] = field(default_factory=list)
    staff: int = 1

    def notes(self) -> list[_Slot]:
        """Slots that sound and take time."""
        return [s for s in self.slots if s.kind in ("note", "silent") and not s.grace]

    def free(self, start: int, end: int) -> bool:
        """True if nothing sounds in a stretch."""
        return all(slot.end <= start or slot.start >= end for slot in self.notes())


class _BarWriter:
    """Lays out one measure of one source part again."""

    def __init__(
        self, grafter: _Grafter, source: int, bar: Bar, fixes: dict[int, _Fix],
    ) -> None:
        self.grafter, self.loaded, self.source, self.bar = grafter, grafter.loaded, source, bar
        self.measure = self.loaded.sources[source].measures[bar.index]
        self.layout: BarLayout = self.loaded.layouts[source][bar.index]
        self.fixes = fixes
        self.text = self.loaded.score.document.text
        self.style = grafter.style(source, bar.index)
        self.streams: list[_Stream] = []
        self.rescaled = False
        self.said_at: dict[int, Fraction] = {0: Fraction(0)}
        for child in self.layout.children:
            if child.kind != "other" and not child.whole_bar:
                self.said_at.setdefault(child.onset, child.said)
                self.said_at.setdefault(child.end, child.said_end)
        self.rounded = any(tick != said for tick, said in self.said_at.items())

    # Reading the source bar into streams

    def element(self, child: PlacedChild) -> ET.Element:
        return self.measure.children[child.child].element

    def written(self, child: PlacedChild) -> _Written:
        fix = self.fixes.setdefault(child.child, _Fix())
        note = self.loaded.part.by_id.get(child.id) if child.id >= 0 else None
        return _Written(note, child, self.element(child), fix)

    def gather(self) -> None:
        """Source chords and rests, voice by voice, without the notes that have gone."""
        groups: list[list[PlacedChild]] = []
        for child in self.layout.children:
            if child.kind == "other":
                continue
            grace = self.element(child).find("grace") is not None
            last = groups[-1] if groups else []
            if child.chord and last and (
                (self.element(last[0]).find("grace") is not None) == grace
            ):
                last.append(child)
            else:
                groups.append([child])
        by_voice: dict[str, _Stream] = {}
        order = 0.0
        for group in groups:
            head = group[0]
            stream = by_voice.get(head.voice)
            if stream is None:
                label = self.loaded.voices[head.voice][1]
                stream = by_voice[head.voice] = _Stream(head.voice, label)
                self.streams.append(stream)
            grace = self.element(head).find("grace") is not None
            end = max(child.end for child in group)
            if not grace:
                stream.cover.append((head.onset, end))
            tuplet = _ratio(self.element(head))
            if tuplet != (1, 1) and not grace:
                self.zone(stream, head, end, tuplet)
            members = [
                self.written(child) for child in group
                if child.id < 0 or child.id in self.grafter.kept
            ]
            if not members:
                continue
            order += 1
            number = 0.0
            if grace:
                notes = [m.note.grace for m in members if m.note is not None]
                number = float(notes[0]) if notes else order / 1000 + 0.5
            kind = "note" if any(m.note is not None for m in members) else head.kind
            slot = _Slot(
                head.onset, end, kind, members, head.said,
                max(child.said_end for child in group), number, tuplet, None,
                tuple(child.child for child in group),
            )
            if not grace and kind == "note" and members[0].child is not head:
                slot.end = max(m.child.end for m in members if m.child is not None)
                slot.said_end = max(m.child.said_end for m in members if m.child is not None)
            stream.slots.append(slot)
            self.rehead(group, members)
        for stream in self.streams:
            stream.staff = self.home(stream)

    def zone(
        self, stream: _Stream, head: PlacedChild, end: int, tuplet: tuple[int, int]
    ) -> None:
        """Adds a source value to the tuplet it belongs to."""
        starts = any(
            t.get("type") == "start" for t in self.element(head).iterfind("notations/tuplet")
        )
        if stream.zones and not starts:
            last = stream.zones[-1]
            done = (last.end + self.bar.lead) % self.bar.beat_ticks == 0 and (
                last.start + self.bar.lead) % self.bar.beat_ticks == 0
            if last.end == head.onset and last.tuplet == tuplet and not done:
                stream.zones[-1] = Zone(last.start, end, tuplet)
                return
        stream.zones.append(Zone(head.onset, end, tuplet))

    def rehead(self, group: list[PlacedChild], members: list[_Written]) -> None:
        """Hands what stood on a chord's lost first note over to its new first note."""
        if members[0].child is group[0]:
            return
        first, lost = members[0], self.element(group[0])
        first.fix.chord = False
        if lost.find("beam") is not None and first.base.find("beam") is None:
            first.fix.beams = tuple((b.text or "").strip() for b in lost.findall("beam"))
        for notations in lost.iterfind("notations"):
            for element in notations:
                if element.tag in ("fermata", "dynamics", "articulations", "tuplet") and (
                    first.base.find(f"notations/{element.tag}") is None
                ):
                    first.fix.notations.append(element)
                elif element.tag == "ornaments":
                    bare = ET.Element("ornaments")
                    bare.extend(e for e in element if e.tag not in _LINES or not e.get("type"))
                    if len(bare) and first.base.find("notations/ornaments") is None:
                        first.fix.notations.append(bare)
        if first.base.find("lyric") is None:
            first.fix.lyrics += lost.findall("lyric")

    def home(self, stream: _Stream) -> int:
        """The staff most of a stream's notes and rests are on."""
        staves = Counter(
            self.xml_staff(m) for slot in stream.slots for m in slot.members
        )
        if not staves:
            staves = Counter(
                c.staff for c in self.layout.children if c.voice == stream.voice
            )
        return min(staves, key=lambda s: (-staves[s], s)) if staves else 1

    def xml_staff(self, member: _Written) -> int:
        if member.child is not None:
            return member.child.staff
        assert member.note is not None
        return self.grafter.xml_staff(member.note)

    # Placing the new notes

    def add(self, notes: Sequence[Note]) -> None:
        """Puts new notes into the streams: as part of a chord that starts and ends with them,
        else where their voice is free, else in another voice of their staff, else in a new one."""
        groups: dict[tuple[str, int, int, int, tuple[int, int]], list[Note]] = {}
        for note in notes:
            key = (note.voice, note.onset, note.end, note.grace, note.tuplet)
            groups.setdefault(key, []).append(note)
        rows = sorted(
            groups.items(), key=lambda g: (g[0][3] != 0, g[0][1], -g[0][2], g[0][0], g[0][3:])
        )
        for (voice, onset, end, grace, tuplet), group in rows:
            for staff in sorted({self.grafter.xml_staff(n) for n in group}):
                mine = [n for n in group if self.grafter.xml_staff(n) == staff]
                self.add_chord(voice, onset, end, grace, tuplet, staff, mine)

    def add_chord(
        self, voice: str, onset: int, end: int, grace: int, tuplet: tuple[int, int], staff: int,
        notes: list[Note],
    ) -> None:
        start, stop = onset - self.bar.onset, end - self.bar.onset
        members = [self.new_member(note) for note in notes]
        own = next((s for s in self.streams if s.voice == voice), None)
        if own is None and voice in self.loaded.voices:
            own = self.new_stream(voice, staff)
        at_home = own is not None and (own.staff == staff or staff in self.staves(own))
        others = [s for s in self.streams if s.staff == staff and s is not own]
        wishes: list[list[_Stream]] = [others]
        if own is not None:
            wishes.insert(0 if at_home else 1, [own])
        if grace:
            here = [*([own] if own else []), *others]
            stream = next(
                (s for s in here if any(x.start == start for x in s.notes())), None
            ) or next(
                (s for s in here if not any(x.start < start < x.end for x in s.notes())), None
            ) or self.new_stream("" if own else voice, staff)
            slot = next((s for s in stream.slots if s.grace == grace and s.start == start), None)
            if slot is not None:
                slot.members += members
            else:
                stream.slots.append(_Slot(start, start, "note", members, grace=float(grace)))
            return
        for streams in wishes:
            for stream in streams:
                for slot in stream.notes():
                    if (slot.start, slot.end, slot.kind) == (start, stop, "note"):
                        slot.members += members
                        if slot.tuplet == (1, 1) and not slot.kept:
                            slot.tuplet = tuplet
                        return
            for stream in streams:
                if stream.free(start, stop):
                    stream.slots.append(_Slot(start, stop, "note", members, tuplet=tuplet))
                    return
        stream = self.new_stream("" if own is not None else voice, staff)
        stream.slots.append(_Slot(start, stop, "note", members, tuplet=tuplet))

    def staves(self, stream: _Stream) -> set[int]:
        """Staves on which the source writes this voice in this bar."""
        return {c.staff for c in self.layout.children if c.voice == stream.voice}

    def new_stream(self, voice: str, staff: int) -> _Stream:
        """A voice that the source bar does not have, after the others of its staff."""
        labels = {s.label for s in self.streams}
        label = self.loaded.voices.get(voice, (self.source, voice))[1] if voice else ""
        if not label or label in labels:
            first = 4 * (staff - 1) + 1
            label = next(str(n) for n in (*range(first, first + 4), *range(1, 100))
                         if str(n) not in labels)
        stream = _Stream(voice or f"+{label}", label, source=False, staff=staff)
        at = max((i + 1 for i, s in enumerate(self.streams) if s.staff <= staff), default=0)
        self.streams.insert(at, stream)
        return stream

    def new_member(self, note: Note) -> _Written:
        fix = _Fix(
            finger=self.grafter.fingering.get(note.id), colour=self.grafter.colours.get(note.id)
        )
        return _Written(note, None, ET.Element("note"), fix)

    # Filling the time

    def fill(self) -> None:
        """Makes every stream last exactly the bar."""
        length = self.bar.duration
        for stream in self.streams:
            stream.slots.sort(key=lambda s: s.order)
            taken = stream.notes()
            stream.slots = [
                s for s in stream.slots
                if s.kind != "rest" or all(n.end <= s.start or n.start >= s.end for n in taken)
            ]
        sounding = [s for s in self.streams if s.notes() or any(x.grace for x in s.slots)]
        for stream in list(self.streams):
            if stream in sounding or not any(
                c.kind != "rest" for c in self.layout.children if c.voice == stream.voice
            ):
                continue
            others = [s for s in self.streams if s is not stream and s.staff == stream.staff]
            if any(self.covers(s) for s in others):
                self.streams.remove(stream)
            elif not others:
                stream.slots = []
        for stream in self.streams:
            pieces: list[_Slot] = []
            at = 0
            for slot in [*stream.slots, None]:
                start = length if slot is None else min(slot.start, length)
                if at < start:
                    pieces += self.gap(stream, at, start)
                if slot is not None:
                    pieces += self.pieces(stream, slot)
                    at = max(at, slot.end)
            stream.slots = pieces
            self.place(stream)

    def covers(self, stream: _Stream) -> bool:
        """True if a stream's notes and rests leave no time open."""
        at = 0
        for slot in stream.slots:
            if slot.start > at:
                return False
            at = max(at, slot.end)
        return at >= self.bar.duration

    def whole_rest(self, stream: _Stream) -> _Slot:
        note = ET.Element("note")
        ET.SubElement(note, "rest", {"measure": "yes"})
        self.head(note, stream, stream.staff)
        return _Slot(
            0, self.bar.duration, "rest", [_Written(None, None, note, _Fix())], piece=None
        )

    def gap(self, stream: _Stream, start: int, end: int) -> list[_Slot]:
        """Rests where the source voice sounded or rested, silence where it did not exist."""
        if not stream.source:
            company = any(
                s is not stream and s.staff == stream.staff and s.notes() for s in self.streams
            )
            visible = [] if company else [(start, end)]
        else:
            visible = _overlap(stream.cover, start, end)
        slots: list[_Slot] = []
        at = start
        for low, high in visible:
            if at < low:
                slots.append(_Slot(at, low, "gap", [], hidden=True))
            slots += self.rests(stream, low, high)
            at = high
        if at < end:
            slots.append(_Slot(at, end, "gap", [], hidden=True))
        return slots

    def rests(self, stream: _Stream, start: int, end: int) -> list[_Slot]:
        if (start, end) == (0, self.bar.duration) == (0, self.bar.metre_ticks):
            return [self.whole_rest(stream)]
        pieces = split_rest(self.bar, start, end, stream.zones)
        if pieces is None:
            return [_Slot(start, end, "gap", [], hidden=True)]
        slots = []
        for piece in pieces:
            note = ET.Element("note")
            ET.SubElement(note, "rest")
            self.head(note, stream, stream.staff, piece)
            slots.append(
                _Slot(
                    piece.start, piece.end, "rest", [_Written(None, None, note, _Fix())],
                    tuplet=piece.tuplet, piece=piece,
                )
            )
        return slots

    def head(
        self, note: ET.Element, stream: _Stream, staff: int, piece: Piece | None = None
    ) -> None:
        """Duration (set later), voice, value and staff of a new note or rest."""
        ET.SubElement(note, "duration")
        instrument = self.grafter.instrument(self.source)
        if instrument and note.find("rest") is None:
            ET.SubElement(note, "instrument", {"id": instrument})
        ET.SubElement(note, "voice").text = stream.label
        if piece is not None:
            ET.SubElement(note, "type").text = piece.type
            for _ in range(piece.dots):
                ET.SubElement(note, "dot")
            if piece.tuplet != (1, 1):
                change = ET.SubElement(note, "time-modification")
                ET.SubElement(change, "actual-notes").text = str(piece.tuplet[0])
                ET.SubElement(change, "normal-notes").text = str(piece.tuplet[1])
        if self.grafter.many_staves(self.source):
            ET.SubElement(note, "staff").text = str(staff)

    def pieces(self, stream: _Stream, slot: _Slot) -> list[_Slot]:
        """A slot as written values: a kept one is itself, a new note may be several tied ones."""
        new = [m for m in slot.members if m.child is None and m.note is not None]
        if not new:
            return [slot]
        if slot.kept:
            model = next(m for m in slot.members if m.child is not None)
            for member in new:
                member.base = self.like(stream, member, model)
                member.fix.chord = True
            return [slot]
        new.sort(key=lambda m: (m.note.pitch.midi, m.note.id) if m.note else (0, 0))
        if slot.grace:
            for index, member in enumerate(new):
                member.base = self.grace(stream, member)
                member.fix.chord = True if index else None
            return [slot]
        pieces = split_note(self.bar, slot.start, slot.end, slot.tuplet, stream.zones)
        if pieces is None:
            raise OutputError(
                f"{self.loaded.info.path}: bar {self.bar.number} beat "
                f"{self.bar.beat(self.bar.onset + slot.start):g}: a note of "
                f"{Fraction(slot.end - slot.start, TICKS)} quarter notes can't be written"
            )
        slots = []
        for at, piece in enumerate(pieces):
            members = []
            for index, member in enumerate(new):
                assert member.note is not None
                base = self.fresh(stream, member, piece, at, len(pieces), new)
                fix = replace(
                    member.fix, chord=True if index else None,
                    notations=list(member.fix.notations),
                    finger=None if at else member.fix.finger,
                )
                members.append(_Written(member.note, None, base, fix))
            slots.append(
                _Slot(
                    piece.start, piece.end, "note", members, tuplet=piece.tuplet, piece=piece
                )
            )
        return slots

    # XML of new notes

    def pitch(self, note: ET.Element, pitch: Pitch) -> None:
        element = ET.SubElement(note, "pitch")
        ET.SubElement(element, "step").text = pitch.step
        if pitch.alter:
            ET.SubElement(element, "alter").text = str(pitch.alter)
        ET.SubElement(element, "octave").text = str(pitch.octave)

    def fresh(
        self, stream: _Stream, member: _Written, piece: Piece, at: int, count: int,
        chord: list[_Written],
    ) -> ET.Element:
        """A new note in one value. at, count: which of the tied values this is."""
        note = member.note
        assert note is not None
        element = ET.Element("note")
        written = self.grafter.written_pitch(note, self.layout)
        self.pitch(element, written)
        into = at > 0 or note.id in self.grafter.tied_in
        out = at + 1 < count or note.id in self.grafter.tied_out
        self.head(element, stream, self.grafter.xml_staff(note), piece)
        self.ties(element, into, out)
        self.marks(element, note, at == 0, at + 1 == count, chord)
        return element

    def like(self, stream: _Stream, member: _Written, model: _Written) -> ET.Element:
        """A new note for a kept chord: value, stem and voice as the chord's own notes."""
        note = member.note
        assert note is not None
        element = ET.Element("note")
        if model.base.find("grace") is not None:
            element.append(copy.deepcopy(model.base.find("grace")))  # type: ignore[arg-type]
        self.pitch(element, self.grafter.written_pitch(note, self.layout))
        for tag in ("duration", "instrument", "voice", "type", "dot", "time-modification", "stem"):
            for child in model.base.findall(tag):
                twin = copy.deepcopy(child)
                twin.tail = None
                for name in ("default-x", "default-y", "relative-x", "relative-y"):
                    twin.attrib.pop(name, None)
                element.append(twin)
        if element.find("voice") is None:
            _insert(element, _text("voice", stream.label))
        if self.grafter.many_staves(self.source):
            _insert(element, _text("staff", str(self.grafter.xml_staff(note))))
        if model.base.find("grace") is None:
            self.ties(
                element, note.id in self.grafter.tied_in, note.id in self.grafter.tied_out
            )
        self.marks(element, note, True, True, [member])
        return element

    def grace(self, stream: _Stream, member: _Written) -> ET.Element:
        """A new grace note: an eighth with a stroke, as common practice writes a short one."""
        note = member.note
        assert note is not None
        element = ET.Element("note")
        ET.SubElement(element, "grace", {"slash": "yes"})
        self.pitch(element, self.grafter.written_pitch(note, self.layout))
        ET.SubElement(element, "voice").text = stream.label
        ET.SubElement(element, "type").text = "eighth"
        if self.grafter.many_staves(self.source):
            ET.SubElement(element, "staff").text = str(self.grafter.xml_staff(note))
        self.marks(element, note, True, True, [member])
        return element

    def ties(self, element: ET.Element, into: bool, out: bool) -> None:
        for wanted, kind in ((into, "stop"), (out, "start")):
            if wanted:
                _insert(element, ET.Element("tie", {"type": kind}))
                _notations(element).append(ET.Element("tied", {"type": kind}))

    def marks(
        self, element: ET.Element, note: Note, first: bool, last: bool, chord: list[_Written]
    ) -> None:
        """Notations and words of a new note; of tied values the first has the attack, the last
        what belongs to the end."""
        for mark in note.marks:
            if first:
                self.attack(element, mark, note, chord)
            if last and mark.kind == "fermata":
                _notations(element).append(ET.Element("fermata"))
            if last and mark.kind == "let-ring":
                _notations(element).append(ET.Element("tied", {"type": "let-ring"}))
        for end in self.grafter.new_ends.get(note.id, ()):
            late = end.tag in ("glissando", "slide") if end.get("type") == "start" else (
                end.tag in ("slur", "wavy-line")
            )
            if last if late else first:
                group = "ornaments" if end.tag in ("wavy-line", "tremolo") else ""
                _notations(element, group).append(copy.deepcopy(end))

    def attack(self, element: ET.Element, mark: Mark, note: Note, chord: list[_Written]) -> None:
        kind, value = mark.kind, mark.value
        if kind == "arpeggio":
            way = {"direction": value} if value in ("up", "down") else {}
            _notations(element).append(ET.Element("arpeggiate", way))
        elif kind == "non-arpeggio":
            midis = [m.note.pitch.midi for m in chord if m.note is not None]
            end = "bottom" if note.pitch.midi == min(midis) else "top"
            if note.pitch.midi in (min(midis), max(midis)):
                _notations(element).append(ET.Element("non-arpeggiate", {"type": end}))
        elif kind == "trill":
            _notations(element, "ornaments").append(ET.Element("trill-mark"))
        elif kind == "mordent":
            tag = "inverted-mordent" if value == "inverted" else "mordent"
            _notations(element, "ornaments").append(ET.Element(tag))
        elif kind == "turn":
            tag = "-".join([*value.split(), "turn"])
            _notations(element, "ornaments").append(ET.Element(tag))
        elif kind == "tremolo":
            strokes = value if value.isdigit() and 0 < int(value) <= 8 else "3"
            _notations(element, "ornaments").append(_text("tremolo", strokes, type="single"))
        elif kind == "harmonic":
            harmonic = ET.SubElement(_notations(element, "technical"), "harmonic")
            ET.SubElement(harmonic, "natural")
            ET.SubElement(harmonic, "base-pitch")
        elif kind == "etouffe":
            _notations(element, "technical").append(
                _text("other-technical", "étouffé", smufl="pluckedDamp")
            )
        elif kind == "nail":
            _notations(element, "technical").append(ET.Element("fingernails"))
        elif kind == "finger":
            _notations(element, "technical").append(_text("fingering", value))
        elif kind in _ARTICULATION_MARKS:
            _notations(element, "articulations").append(ET.Element(kind))
        elif kind == "lyric":
            lyric = _insert(element, ET.Element("lyric"))
            ET.SubElement(lyric, "text").text = value

    # Putting right what depends on the neighbours

    def place(self, stream: _Stream) -> None:
        """Gives every slot its place on the source's own clock."""
        at = Fraction(0)
        for index, slot in enumerate(stream.slots):
            if slot.said is None:
                slot.said = at
                following = stream.slots[index + 1] if index + 1 < len(stream.slots) else None
                if slot.start == slot.end:
                    slot.said_end = slot.said
                elif following is not None and following.said is not None:
                    slot.said_end = following.said
                else:
                    slot.said_end = self.clock(slot.end)
            at = slot.clock[1]

    def clock(self, tick: int) -> Fraction:
        """A tick on the source's clock. Where the source rounds its lengths, a place that it does
        not have itself is rounded to its divisions too, so that all of the bar adds up."""
        if tick in self.said_at:
            return self.said_at[tick]
        if self.rounded and TICKS % self.layout.divisions:
            step = Fraction(TICKS, self.layout.divisions)
            return round(tick / step) * step
        return Fraction(tick)

    def tuplets(self) -> None:
        """Brackets: a group that still has all its source values keeps its own, others get new
        ones if the source writes brackets at all or the group is new."""
        for stream in self.streams:
            run: list[_Slot] = []
            for slot in [*stream.slots, None]:
                if slot is not None and slot.grace:
                    continue
                joins = (
                    slot is not None and slot.kind != "gap" and slot.tuplet != (1, 1)
                    and not self.two_note_tremolo(slot)
                    and (not run or (run[-1].tuplet == slot.tuplet and run[-1].end == slot.start))
                )
                if run and (slot is None or not joins or self.full(stream, run)):
                    self.bracket(stream, run)
                    run = []
                    joins = joins or (
                        slot is not None and slot.kind != "gap" and slot.tuplet != (1, 1)
                        and not self.two_note_tremolo(slot)
                    )
                if slot is not None and joins:
                    run.append(slot)

    @staticmethod
    def two_note_tremolo(slot: _Slot) -> bool:
        """Tremolos between two notes are written at double value in the ratio 2:1."""
        return slot.tuplet == (2, 1) and slot.kind == "note"

    def full(self, stream: _Stream, run: list[_Slot]) -> bool:
        """True if a run of tuplet values makes a whole tuplet."""
        start, end = run[0].start, run[-1].end
        for zone in stream.zones:
            if zone.tuplet == run[0].tuplet and (zone.start, zone.end) == (start, end):
                return True
            if zone.tuplet == run[0].tuplet and zone.start <= start and end < zone.end:
                return False
        actual, normal = run[0].tuplet
        own = Fraction((end - start) * actual, normal)
        unit = min(Fraction((s.end - s.start) * actual, normal) for s in run)
        value = Fraction(1)
        for size in (TICKS * 2, TICKS, TICKS // 2, TICKS // 4, TICKS // 8, TICKS // 16):
            if size <= unit * Fraction(101, 100):
                value = Fraction(size)
                break
        whole = own / (value * actual)
        return whole >= 1 and abs(whole - round(whole)) < Fraction(1, 100)

    def bracket(self, stream: _Stream, run: list[_Slot]) -> None:
        intact = all(
            s.kept and len(s.members) == len([m for m in s.members if m.child is not None])
            for s in run
        )
        starts = [
            any(t.get("type") == "start" for t in s.members[0].base.iterfind("notations/tuplet"))
            for s in run
        ]
        stops = [
            any(t.get("type") == "stop" for t in s.members[0].base.iterfind("notations/tuplet"))
            for s in run
        ]
        closed = sum(starts) == sum(stops) and (not any(starts) or (starts[0] and stops[-1]))
        headed = all(s.members[0].fix.chord is None for s in run) or not any(starts)
        if intact and closed and headed:
            return
        bare = all(s.kept for s in run) and not any(starts) and not any(stops)
        if bare:
            return
        for index, slot in enumerate(run):
            head = slot.members[0]
            first, last = index == 0, index + 1 == len(run)
            has = head.base.find("notations/tuplet") is not None
            head.fix.notations = [e for e in head.fix.notations if e.tag != "tuplet"]
            if first or last or has:
                head.fix.edges = (first and len(run) > 1, last and len(run) > 1)

    def beam(self) -> None:
        """Beams: groups that are untouched keep theirs, all other flagged notes are beamed anew
        within the beat."""
        if not self.grafter.has_beams(self.source):
            return
        for stream in self.streams:
            intact = self.intact_beams(stream)
            run: list[_Slot] = []
            for slot in [*(s for s in stream.slots if not s.grace), None]:
                flags = 0 if slot is None or slot.kind != "note" else FLAGS.get(_type(slot), 0)
                open_for = slot is not None and flags > 0 and id(slot) not in intact
                if run and slot is not None and open_for and (
                    run[-1].end == slot.start
                    and beam_window(self.bar, run[-1].start) == beam_window(self.bar, slot.start)
                ):
                    run.append(slot)
                    continue
                self.join(run)
                run = [slot] if slot is not None and open_for else []
                if slot is not None and flags == 0 and id(slot) not in intact:
                    for member in slot.members:
                        if member.base.find("beam") is not None or member.fix.beams:
                            member.fix.beams = ()
            run = []
            for slot in [*(s for s in stream.slots), None]:
                if slot is not None and slot.grace and slot.kind == "note" and (
                    id(slot) not in intact and FLAGS.get(_type(slot), 0)
                ):
                    run.append(slot)
                    continue
                self.join(run)
                run = []

    def join(self, run: list[_Slot]) -> None:
        """New beams for a run of slots (none for a single one)."""
        if not run:
            return
        rows = beams([FLAGS[_type(slot)] for slot in run]) if len(run) > 1 else ((),)
        for slot, row in zip(run, rows, strict=True):
            for index, member in enumerate(slot.members):
                wanted = row if index == 0 else ()
                now = member.fix.beams
                if now is None:
                    now = tuple((b.text or "").strip() for b in member.base.findall("beam"))
                if now != wanted or len(member.base.findall("beam")) != len(wanted):
                    member.fix.beams = wanted
        stems = [
            s for slot in run for m in slot.members
            for s in [(m.base.findtext("stem") or "").strip()] if s in ("up", "down")
        ]
        if stems and len(run) > 1:
            for slot in run:
                for member in slot.members:
                    if member.child is None and member.base.find("stem") is None:
                        _insert(member.base, _text("stem", stems[0]))

    def intact_beams(self, stream: _Stream) -> set[int]:
        """ids of the slots whose source beam group is as it was."""
        where: dict[int, _Slot] = {}
        for slot in stream.slots:
            for number in slot.origin:
                where[number] = slot
        groups: list[list[int]] = []
        open_group: list[int] | None = None
        graces: list[int] | None = None
        for child in self.layout.children:
            if child.kind == "other" or child.voice != stream.voice or child.chord:
                continue
            element = self.element(child)
            value = next(
                (
                    (b.text or "").strip() for b in element.findall("beam")
                    if b.get("number", "1") == "1"
                ),
                "",
            )
            if element.find("grace") is not None:
                if value == "begin":
                    graces = [child.child]
                elif value and graces is not None:
                    graces.append(child.child)
                    if value == "end":
                        groups.append(graces)
                        graces = None
                continue
            if value == "begin":
                open_group = [child.child]
            elif value == "continue" and open_group is not None:
                open_group.append(child.child)
            elif value == "end" and open_group is not None:
                groups.append([*open_group, child.child])
                open_group = None
            elif open_group is not None:  # a rest under the beam
                open_group.append(child.child)
            elif not value and FLAGS.get((element.findtext("type") or "").strip(), 0):
                groups.append([child.child])  # flagged on purpose: leave it so
        kept: set[int] = set()
        slots = stream.slots
        for group in groups:
            found = [where.get(number) for number in group]
            if any(slot is None for slot in found):
                continue
            ids = [id(slot) for slot in found]
            order = [id(s) for s in slots if s.grace or s.kind != "gap"]
            at = order.index(ids[0])
            grace = found[0] is not None and bool(found[0].grace)
            if not grace:
                order = [id(s) for s in slots if not s.grace]
                at = order.index(ids[0])
            if order[at : at + len(ids)] == ids:
                kept.update(ids)
        return kept

    def stems(self) -> None:
        """Stems of new notes where two voices share a staff and the source writes stems."""
        if not self.grafter.has_stems(self.source):
            return
        for stream in self.streams:
            company = [
                s for s in self.streams if s.staff == stream.staff and s.notes()
            ]
            known = Counter(
                (m.base.findtext("stem") or "").strip()
                for slot in stream.slots for m in slot.members if m.child is not None
            )
            way = "up" if known["up"] >= known["down"] else "down"
            if not known["up"] and not known["down"]:
                way = "up" if company and company[0] is stream else "down"
            for slot in stream.slots:
                for member in slot.members:
                    if member.child is not None or member.note is None:
                        continue
                    if len(company) > 1 and member.base.find("stem") is None and (
                        (member.base.findtext("type") or "") not in ("whole", "breve")
                    ):
                        _insert(member.base, _text("stem", way))

    def accidentals(self) -> None:
        """Accidentals that new notes need, and those that kept notes have come to need."""
        old = _signs_missing(self.source_signs(), self.layout)
        wrong = _signs_missing(self.new_signs(), self.layout)
        before = {key for key, _ in old}
        for key, alter in wrong:
            if isinstance(key, int) and key in before:
                continue
            member = self.by_key[key]
            member.fix.accidental = _ACCIDENTALS[alter]

    def source_signs(self) -> list[_Sign]:
        return source_signs(self.loaded, self.source, self.bar, self.grafter.old_in)

    def new_signs(self) -> list[_Sign]:
        rows = []
        self.by_key: dict[int | str, _Written] = {}
        fresh = 0
        for number, stream in enumerate(self.streams):
            for slot in stream.slots:
                for member in slot.members:
                    pitch = member.base.find("pitch")
                    if pitch is None:
                        continue
                    if member.child is not None:
                        key: int | str = member.child.child
                        tied = member.child.id in self.grafter.tied_in
                    else:
                        fresh += 1
                        key = f"new {fresh}"
                        tied = any(t.get("type") == "stop" for t in member.base.findall("tie"))
                    self.by_key[key] = member
                    rows.append(
                        _Sign(
                            (slot.start, slot.grace or 1e9, number), key,
                            self.xml_staff(member), *_written(pitch), tied,
                            member.base.find("accidental") is not None,
                        )
                    )
        return rows

    # Text

    def write(self, notes: Sequence[Note], pedal: Sequence[tuple[int, PedalMark]]) -> bytes:
        """The measure's content. pedal: (tick in the bar, mark)."""
        self.gather()
        self.add(notes)
        self.fill()
        self.tuplets()
        self.beam()
        self.stems()
        self.accidentals()
        head, tail = self.others()
        unit = self.unit()
        self.rescaled = unit != self.layout.divisions or (
            self.layout.divisions != self.layout.end_divisions
        )
        chunks: list[str] = []
        if unit != self.layout.divisions and not any(
            self.element(child).find("divisions") is not None for child in head
        ):
            chunks.append(self.divisions(unit))
        chunks += [self.verbatim(child, unit) for child in head]
        marks = sorted(pedal, key=lambda p: p[0])
        lead = next(
            (s for s in self.streams if s.staff == 1 and s.slots),
            self.streams[0] if self.streams else None,
        )
        end = Fraction(0)
        for stream in self.streams:
            if end:
                chunks.append(self.move("backup", end, unit))
            text, end = self.stream(stream, unit, marks if stream is lead else [])
            chunks += text
        if lead is None:
            for tick, mark in marks:
                chunks += self.pedal(mark, tick, unit)
        if unit != self.layout.end_divisions:
            chunks.append(self.divisions(self.layout.end_divisions))
        chunks += [self.verbatim(child, unit) for child in tail]
        glue = self.style.newline + (self.style.base if self.style.newline else "")
        ending = re.search(rb"\s*$", self.text[self.measure.inner_start : self.measure.inner_end])
        last = ending[0].decode() if ending and self.style.newline else ""
        return ("".join(glue + chunk for chunk in chunks) + last).encode("utf-8")

    def others(self) -> tuple[list[PlacedChild], list[PlacedChild]]:
        """What stands before the first and after the last note; the rest goes into streams."""
        dropped = self.grafter.dropped[self.source, self.bar.index]
        children = [
            c for c in self.layout.children if not (c.kind == "other" and c.child in dropped)
        ]
        sounding = [i for i, c in enumerate(children) if c.kind != "other"]
        first = sounding[0] if sounding else len(children)
        last = sounding[-1] if sounding else len(children) - 1
        head = [c for c in children[:first] if c.kind == "other" and c.onset == 0]
        tail: list[PlacedChild] = []
        streams = {s.voice: s for s in self.streams}
        for index, child in enumerate(children):
            if child.kind != "other" or child in head:
                continue
            tag = self.element(child).tag
            if index > last and (child.onset >= self.bar.duration or not self.streams):
                tail.append(child)
                continue
            if tag == "barline" and self.element(child).get("location", "right") == "right":
                tail.append(child)
                continue
            here = [c for c in children if c.kind != "other" and c.run == child.run]
            near = next((c.voice for c in here if c.child > child.child), "") or next(
                (c.voice for c in reversed(here) if c.child < child.child), ""
            )
            stream = streams.get(near) or (self.streams[0] if self.streams else None)
            if stream is None:
                tail.append(child)
            else:
                stream.other.append((child.onset, child.said, child))
        return head, tail

    def unit(self) -> int:
        """Divisions of the quarter note in which every new length of the bar is whole."""
        base = self.layout.divisions
        if self.layout.end_divisions != base:
            base = math.lcm(base, self.layout.end_divisions)
        factor = 1
        for stream in self.streams:
            for slot in stream.slots:
                for place in slot.clock:
                    factor = math.lcm(factor, (place * base / TICKS).denominator)
            for _, said, _ in stream.other:
                factor = math.lcm(factor, (said * base / TICKS).denominator)
        return base * factor

    def divisions(self, value: int) -> str:
        attributes = ET.Element("attributes")
        ET.SubElement(attributes, "divisions").text = str(value)
        return self.style.render(attributes)

    def move(self, tag: str, amount: Fraction, unit: int, stream: _Stream | None = None) -> str:
        element = ET.Element(tag)
        ET.SubElement(element, "duration").text = str(_whole(amount * unit / TICKS))
        if stream is not None and tag == "forward":
            ET.SubElement(element, "voice").text = stream.label
            if self.grafter.many_staves(self.source):
                ET.SubElement(element, "staff").text = str(stream.staff)
        return self.style.render(element)

    def verbatim(self, child: PlacedChild, unit: int) -> str:
        """A source child as it stands, with the comment before it; rewritten in other divisions."""
        source = self.measure.children[child.child]
        at = source.start
        previous = (
            self.measure.children[child.child - 1].end if child.child else self.measure.inner_start
        )
        before = self.text[previous:at].decode("utf-8").strip()
        comment = before + self.style.newline + self.style.base if before else ""
        element = source.element
        scaled = self.rescaled and (
            element.find("divisions") is not None or element.find("offset") is not None
        )
        if not scaled:
            return comment + self.text[at : source.end].decode("utf-8")
        twin = copy.deepcopy(element)
        twin.tail = None
        for divisions in twin.findall("divisions"):
            divisions.text = str(unit)
        for offset in twin.findall("offset"):
            value = Fraction((offset.text or "0").strip()) * unit / self.layout.divisions
            offset.text = _number(value)
        return comment + self.style.render(twin)

    def stream(
        self, stream: _Stream, unit: int, marks: Sequence[tuple[int, PedalMark]]
    ) -> tuple[list[str], Fraction]:
        """(text, where its clock ends) of one voice."""
        chunks: list[str] = []
        at = Fraction(0)
        others = sorted(stream.other, key=lambda o: o[0])
        marks = list(marks)
        for slot in stream.slots:
            start, end = slot.clock
            if at < start:
                chunks.append(self.move("forward", start - at, unit, stream))
            elif at > start:
                chunks.append(self.move("backup", at - start, unit))
            while others and others[0][0] <= slot.start:
                chunks.append(self.verbatim(others.pop(0)[2], unit))
            while marks and marks[0][0] <= slot.start:
                chunks += self.pedal(marks.pop(0)[1], 0, unit)
            while marks and slot.start < marks[0][0] < slot.end:
                tick, mark = marks.pop(0)
                chunks += self.pedal(mark, tick - slot.start, unit)
            if slot.kind == "gap":
                chunks.append(self.move("forward", end - start, unit, stream))
            else:
                chunks += [self.note(member, slot, unit) for member in slot.members]
            at = end
            while others and slot.start < others[0][0] < slot.end:
                _, place, child = others.pop(0)
                chunks.append(self.move("backup", at - place, unit))
                chunks.append(self.verbatim(child, unit))
                chunks.append(self.move("forward", at - place, unit, stream))
        chunks += [self.verbatim(child, unit) for _, _, child in others]
        for _, mark in marks:
            chunks += self.pedal(mark, 0, unit)
        return chunks, at

    def pedal(self, mark: PedalMark, offset: int, unit: int) -> list[str]:
        staff = 1 if self.grafter.many_staves(self.source) else None
        blocks = directions_xml(mark, staff=staff, offset=offset, divisions=unit)
        return [self.style.block(lines) for lines in blocks]

    def note(self, member: _Written, slot: _Slot, unit: int) -> str:
        """A note or rest: the source's own text if nothing about it changes."""
        said, said_end = slot.clock
        rescaled = member.child is not None and self.rescaled
        if member.child is not None and not member.fix.any() and not rescaled:
            return self.verbatim(member.child, unit)
        element = member.fix.applied(member.base)
        duration = element.find("duration")
        headed = member.fix.chord is False  # its length moves the time on now
        if duration is not None and (rescaled or headed or member.child is None):
            if member.child is not None and not headed:
                length = member.child.said_end - member.child.said
                if member.child.whole_bar:
                    stated = Fraction((duration.text or "0").strip())
                    length = stated * TICKS / self.layout.divisions
            else:
                length = said_end - said
            duration.text = str(_whole(length * unit / TICKS))
        if rescaled:
            for name in ("attack", "release"):
                if name in element.attrib:
                    value = Fraction(element.attrib[name]) * unit / self.layout.divisions
                    element.set(name, _number(value))
        return self.style.render(element)


def _whole(value: Fraction) -> int:
    """A length in divisions, which `_BarWriter.unit` has made whole."""
    if value.denominator != 1 or value < 0:
        raise OutputError(f"a length of {value} divisions can't be written")
    return int(value)


def _number(value: Fraction) -> str:
    return str(value.numerator) if value.denominator == 1 else f"{float(value):.6f}".rstrip("0")


def _overlap(spans: Iterable[tuple[int, int]], start: int, end: int) -> list[tuple[int, int]]:
    """The parts of (start, end) that the spans cover, joined where they touch."""
    found: list[tuple[int, int]] = []
    for low, high in sorted(spans):
        low, high = max(low, start), min(high, end)
        if low >= high:
            continue
        if found and low <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], high))
        else:
            found.append((low, high))
    return found


def _ratio(note: ET.Element) -> tuple[int, int]:
    change = note.find("time-modification")
    if change is None:
        return 1, 1
    try:
        return int(change.findtext("actual-notes") or 1), int(change.findtext("normal-notes") or 1)
    except ValueError:
        return 1, 1


def _type(slot: _Slot) -> str:
    return (slot.members[0].base.findtext("type") or "").strip()


# Accidentals


@dataclass(frozen=True, slots=True)
class _Sign:
    """A written pitch in time, for working out accidentals. key: child index, or a new note."""

    order: tuple[int, float, int]
    key: int | str
    staff: int
    step: str
    alter: int
    octave: str
    tied: bool
    printed: bool


def _written(pitch: ET.Element) -> tuple[str, int, str]:
    try:
        alter = int(float(pitch.findtext("alter") or 0))
    except ValueError:
        alter = 0
    return (
        (pitch.findtext("step") or "").strip(), alter, (pitch.findtext("octave") or "").strip()
    )


def _key_alter(fifths: int, step: str) -> int:
    """What the key signature does to a letter."""
    if fifths > 0:
        return 1 if step in _SHARPS[:fifths] else 0
    return -1 if fifths < 0 and step in _FLATS[:-fifths] else 0


def source_signs(
    loaded: LoadedPart, source: int, bar: Bar, tied: set[NoteId]
) -> list[_Sign]:
    """The pitches of a source bar as they are written."""
    rows = []
    measure = loaded.sources[source].measures[bar.index]
    for child in loaded.layouts[source][bar.index].children:
        if child.kind not in ("note", "silent"):
            continue
        element = measure.children[child.child].element
        pitch = element.find("pitch")
        if pitch is None:
            continue
        grace = loaded.part.by_id[child.id].grace if child.id >= 0 else 0
        rows.append(
            _Sign(
                (child.onset, grace or 1e9, child.run), child.child, child.staff,
                *_written(pitch), child.id in tied, element.find("accidental") is not None,
            )
        )
    return rows


def _signs_missing(rows: list[_Sign], layout: BarLayout) -> list[tuple[int | str, int]]:
    """(key, alteration) of the notes whose line, by key signature and the accidentals before
    them in the bar, would be read otherwise. A note tied over from before needs no sign, and its
    own does not hold for the rest of the bar (common practice)."""
    state: dict[tuple[int, str, str], int] = {}
    missing = []
    for row in sorted(rows, key=lambda r: (r.order, str(r.key))):
        line = (row.staff, row.step, row.octave)
        fifths = 0
        for tick, staff, value in layout.keys:
            if tick <= row.order[0] and staff in (0, row.staff):
                fifths = value
        implied = state.get(line, _key_alter(fifths, row.step))
        if row.tied:
            continue
        if implied != row.alter and not row.printed:
            missing.append((row.key, row.alter))
        if implied != row.alter or row.printed:
            state[line] = row.alter
    return missing


# The whole part


class _Grafter:
    """Works out every change to the source text that a new version of a part asks for."""

    def __init__(
        self, loaded: LoadedPart, new: Part, pedal_marks: Sequence[PedalMark],
        fingering: Mapping[NoteId, int], colours: Mapping[NoteId, str], keep_given: bool,
        pedal_span: tuple[int, int] | None,
    ) -> None:
        self.loaded, self.new = loaded, new
        self.document = loaded.score.document
        self.fingering, self.colours = fingering, colours
        old = loaded.part
        self.kept = {
            note.id for note in new.notes
            if note.id in old.by_id and _same_note(note, old.by_id[note.id])
        }
        self.added = [note for note in new.notes if note.id not in self.kept]
        self.old_in, self.old_out = _tie_flags(old)
        self.tied_in, self.tied_out = _tie_flags(new)
        self.fixes: dict[tuple[int, int], dict[int, _Fix]] = {}
        self.new_ends: dict[NoteId, list[ET.Element]] = {}
        self._styles: dict[tuple[int, int], _Style] = {}
        self._traits: dict[tuple[int, str], bool] = {}
        self.dropped: dict[tuple[int, int], set[int]] = {
            (s, b.index): set() for s in range(len(loaded.sources)) for b in old.bars
        }
        self.marks: dict[int, list[tuple[int, PedalMark]]] = {}
        for mark in pedal_marks:
            bar = old.bar_at(mark.onset)
            if not bar.onset <= mark.onset <= bar.end:
                raise OutputError(
                    f"{loaded.info.path}: a pedal mark at tick {mark.onset} lies outside the part"
                )
            self.marks.setdefault(bar.index, []).append((mark.onset - bar.onset, mark))
        if pedal_marks and not keep_given:
            self.drop_given(pedal_marks, pedal_span)
        self.tie_fixes()
        self.line_fixes()
        for note_id, finger in sorted(fingering.items()):
            if note_id in self.kept:
                self.fix(note_id).finger = finger

    # Facts about the source

    def xml_staff(self, note: Note) -> int:
        """The staff number a note has in its own source part."""
        return 1 if len(self.loaded.sources) > 1 else note.staff

    def source_of(self, note: Note) -> int:
        """Which source part a new note belongs to."""
        return note.staff - 1 if len(self.loaded.sources) > 1 else 0

    def many_staves(self, source: int) -> bool:
        return len(self.loaded.sources) == 1 and self.loaded.choice.staves > 1

    def _trait(self, source: int, tag: str) -> bool:
        key = (source, tag)
        if key not in self._traits:
            self._traits[key] = any(
                child.element.find(tag) is not None
                for measure in self.loaded.sources[source].measures
                for child in measure.children if child.element.tag == "note"
            )
        return self._traits[key]

    def has_beams(self, source: int) -> bool:
        """True if the source writes beams at all (or has no note to tell by)."""
        return self._trait(source, "beam") or not self._trait(source, "pitch")

    def has_stems(self, source: int) -> bool:
        return self._trait(source, "stem") or not self._trait(source, "pitch")

    def instrument(self, source: int) -> str:
        """The instrument that the part's first note names, if notes name one."""
        if not self._trait(source, "instrument"):
            return ""
        for measure in self.loaded.sources[source].measures:
            for child in measure.children:
                named = child.element.find("instrument") if child.element.tag == "note" else None
                if named is not None:
                    return named.get("id", "")
        return ""

    def style(self, source: int, bar: int) -> _Style:
        """How a measure is laid out; an empty one is laid out as its neighbours are."""
        if (source, bar) not in self._styles:
            measures = self.loaded.sources[source].measures
            order = sorted(range(len(measures)), key=lambda i: (abs(i - bar), i))
            found = next(
                (
                    style for i in order[:200]
                    for style in [_style(self.document.text, measures[i])] if style.newline
                ),
                _Style("", "", ""),
            )
            self._styles[source, bar] = found
        return self._styles[source, bar]

    def written_pitch(self, note: Note, layout: BarLayout) -> Pitch:
        """The pitch as the part writes it (transposing parts)."""
        moved = layout.transposes.get(self.xml_staff(note), layout.transposes.get(0, (0, 0)))
        return transposed(note.pitch, -moved[0], -moved[1])

    def fix(self, note_id: NoteId) -> _Fix:
        place = self.loaded.places[note_id]
        bar = self.fixes.setdefault((place.source, place.bar), {})
        return bar.setdefault(place.child, _Fix())

    # Things that reach over bar lines

    def drop_given(
        self, marks: Sequence[PedalMark], span: tuple[int, int] | None
    ) -> None:
        """Takes off the source's pedal marks where the new ones hold."""
        first = min(mark.onset for mark in marks)
        last = self.loaded.part.bar_at(max(mark.onset for mark in marks)).end
        low, high = span or (first, last)
        for source in range(len(self.loaded.sources)):
            for bar in self.loaded.part.bars:
                if bar.end <= low or bar.onset >= high:
                    continue
                measure = self.loaded.sources[source].measures[bar.index]
                for child in self.loaded.layouts[source][bar.index].children:
                    element = measure.children[child.child].element
                    if element.tag == "direction" and low <= bar.onset + child.onset < high and (
                        only_pedals(element)
                    ):
                        self.dropped[source, bar.index].add(child.child)

    def tie_fixes(self) -> None:
        """Kept notes lose ties whose other end has gone, and loose ones that could be taken for a
        new note's."""
        rivals = {(n.end, n.pitch.midi) for n in self.added if n.id in self.tied_out}
        rivals |= {(n.onset, n.pitch.midi) for n in self.added if n.id in self.tied_in}
        for note in self.new.notes:
            if note.id not in self.kept:
                continue
            if note.tie_out and note.id not in self.tied_out and (
                (note.end, note.pitch.midi) in rivals
            ):
                self.fix(note.id).drop_ties.add("start")
            if note.tie_in and note.id not in self.tied_in and (
                (note.onset, note.pitch.midi) in rivals
            ):
                self.fix(note.id).drop_ties.add("stop")
        for note_id in sorted(self.kept):
            if note_id in self.old_in and note_id not in self.tied_in:
                self.fix(note_id).drop_ties.add("stop")
            if note_id in self.old_out and note_id not in self.tied_out:
                self.fix(note_id).drop_ties.add("start")

    def line_fixes(self) -> None:
        """Follows every slur, glissando, trill line and two-note tremolo to its ends: an end on a
        lost note goes to the rest of its chord or to the new note that carries its mark; a line
        that has lost an end is taken off."""
        claimed: set[tuple[NoteId, str, str, str]] = set()
        by_place: dict[tuple[int, int, int], list[Note]] = {}
        for note in self.added:
            key = (self.source_of(note), note.bar, note.onset)
            by_place.setdefault(key, []).append(note)
        for source in range(len(self.loaded.sources)):
            for pair in _lines(self.loaded, source):
                gone = [end.id >= 0 and end.id not in self.kept for end in pair]
                if not any(gone):
                    continue
                carriers = [
                    end.id if not lost else self.carrier(source, end, by_place, claimed)
                    for end, lost in zip(pair, gone, strict=True)
                ]
                whole = all(carrier is not None for carrier in carriers)
                for end, lost, carrier in zip(pair, gone, carriers, strict=True):
                    if not whole:
                        if not lost and end.id >= 0:
                            self.take_off(end)
                    elif lost and carrier is not None:
                        claimed.add((carrier, end.tag, end.number, end.kind))
                        if carrier in self.kept:
                            self.fix(carrier).notations.append(_bare(end.element))
                        else:
                            self.new_ends.setdefault(carrier, []).append(_bare(end.element))
        self.new_lines(claimed)

    def carrier(
        self, source: int, end: _End, by_place: Mapping[tuple[int, int, int], list[Note]],
        claimed: set[tuple[NoteId, str, str, str]],
    ) -> NoteId | None:
        """The note that takes over a line's end from a lost note."""
        mark = _LINES[end.tag]
        for note in by_place.get((source, end.bar, end.onset), ()):
            if (note.id, end.tag, end.number, end.kind) in claimed:
                continue
            for own in note.marks:
                exact = own.kind == f"{mark}-{end.kind}" and (
                    mark == "tremolo" or own.value in ("", end.number)
                )
                if exact or (end.tag == "wavy-line" and own.kind == "trill"):
                    return note.id
        if end.tag in ("slur", "wavy-line", "tremolo"):
            return self.chord_mate(source, end)
        return None

    def chord_mate(self, source: int, end: _End) -> NoteId | None:
        """The first note that is left of a lost note's chord."""
        group: list[PlacedChild] = []
        found = False
        for child in self.loaded.layouts[source][end.bar].children:
            if child.kind == "other":
                continue
            if not child.chord:
                if found:
                    break
                group = []
            group.append(child)
            found = found or child.child == end.child
        return next((c.id for c in group if c.id >= 0 and c.id in self.kept), None)

    def take_off(self, end: _End) -> None:
        fix = self.fix(end.id)
        fix.drop_lines.add((end.tag, end.number, end.kind))
        if end.tag == "tremolo":
            place = self.loaded.places[end.id]
            bar = self.loaded.part.bars[place.bar]
            note = self.loaded.part.by_id[end.id]
            pieces = split_note(bar, note.onset - bar.onset, note.end - bar.onset)
            if pieces is not None and len(pieces) == 1:
                fix.plain = (pieces[0].type, pieces[0].dots)

    def new_lines(self, claimed: set[tuple[NoteId, str, str, str]]) -> None:
        """Lines that lie between new notes only: each start with the next stop of its number."""
        used = {(note_id, _LINES[tag], number, kind) for note_id, tag, number, kind in claimed}
        for mark, tag in (("slur", "slur"), ("gliss", "glissando"), ("tremolo", "tremolo")):
            waiting: dict[str, tuple[Note, str]] = {}
            for note in sorted(self.added, key=lambda n: n.order_key):
                for own in note.marks:
                    number = "1" if mark == "tremolo" else own.value or "1"
                    if any(
                        (note.id, mark, n, own.kind.rpartition("-")[2]) in used
                        for n in (number, "1")
                    ):
                        continue
                    if own.kind == f"{mark}-stop" and number in waiting:
                        start, value = waiting.pop(number)
                        if start.onset < note.onset or start.grace:
                            self.new_line(tag, number, value, start.id, note.id)
                    elif own.kind == f"{mark}-start":
                        waiting[number] = (note, own.value)

    def new_line(
        self, tag: str, number: str, value: str, start: NoteId, stop: NoteId
    ) -> None:
        for note_id, kind in ((start, "start"), (stop, "stop")):
            if tag == "tremolo":
                strokes = value if value.isdigit() and 0 < int(value) <= 8 else "3"
                element = _text("tremolo", strokes, type=kind)
            else:
                level = number if number.isdigit() and 1 <= int(number) <= 16 else "1"
                element = ET.Element(tag, {"type": kind, "number": level})
            self.new_ends.setdefault(note_id, []).append(element)

    # The changes

    def changes(self) -> list[tuple[int, int, bytes]]:
        """Spans of the source text and what takes their place."""
        found: list[tuple[int, int, bytes]] = []
        added: dict[tuple[int, int], list[Note]] = {}
        for note in self.added:
            added.setdefault((self.source_of(note), note.bar), []).append(note)
        for source, part in enumerate(self.loaded.sources):
            for bar in self.loaded.part.bars:
                key = (source, bar.index)
                children = self.loaded.layouts[source][bar.index].children
                lost = any(c.id >= 0 and c.id not in self.kept for c in children)
                marks = self.marks.get(bar.index, []) if source == 0 else []
                if not lost and key not in added:
                    found += self.small_changes(source, bar, marks)
                    continue
                writer = _BarWriter(self, source, bar, self.fixes.get(key, {}))
                content = writer.write(added.get(key, []), marks)
                measure = part.measures[bar.index]
                if measure.inner_end == measure.end:  # <measure .../>: open it
                    tag = self.document.text[measure.start : measure.end - 2].rstrip() + b">"
                    content = tag + content + b"</measure>"
                    found.append((measure.start, measure.end, content))
                else:
                    found.append((measure.inner_start, measure.inner_end, content))
        return found

    def small_changes(
        self, source: int, bar: Bar, marks: Sequence[tuple[int, PedalMark]]
    ) -> list[tuple[int, int, bytes]]:
        """Changes within single notes and inserted directions; the rest of the bar stays."""
        measure = self.loaded.sources[source].measures[bar.index]
        layout = self.loaded.layouts[source][bar.index]
        style = self.style(source, bar.index)
        fixes = self.fixes.get((source, bar.index), {})
        if any(fix.drop_ties for fix in fixes.values()):
            self.tied_accidentals(source, bar, layout, fixes)
        found = []
        for child, fix in sorted(fixes.items()):
            if fix.any():
                spot = measure.children[child]
                text = style.render(fix.applied(spot.element))
                found.append((spot.start, spot.end, text.encode("utf-8")))
        for child in sorted(self.dropped[source, bar.index]):
            spot = measure.children[child]
            start = measure.children[child - 1].end if child else measure.inner_start
            gap = self.document.text[start : spot.start]
            found.append((start if not gap.strip() else spot.start, spot.end, b""))
        for tick, mark in marks:
            found.append(self.mark_change(source, bar, measure, layout, style, tick, mark))
        return found

    def tied_accidentals(
        self, source: int, bar: Bar, layout: BarLayout, fixes: dict[int, _Fix]
    ) -> None:
        """A note that is struck now where it was tied before may need its accidental."""
        before = {k for k, _ in _signs_missing(
            source_signs(self.loaded, source, bar, self.old_in), layout)}
        for key, alter in _signs_missing(
            source_signs(self.loaded, source, bar, self.tied_in), layout
        ):
            if isinstance(key, int) and key not in before:
                fixes.setdefault(key, _Fix()).accidental = _ACCIDENTALS[alter]

    def mark_change(
        self, source: int, bar: Bar, measure: SourceMeasure, layout: BarLayout, style: _Style,
        tick: int, mark: PedalMark,
    ) -> tuple[int, int, bytes]:
        """A pedal mark put into an unchanged bar: before the note that starts with it, or before
        the one that is sounding then, with an offset."""
        row = [
            c for c in layout.children
            if c.kind != "other" and c.run == 0 and not c.chord
        ]
        at: PlacedChild | None = None
        for child in row:
            if child.onset <= tick and (at is None or child.onset > at.onset):
                at = child
        offset = tick - (at.onset if at is not None else 0)
        staff = 1 if self.many_staves(source) else None
        blocks = [
            style.block(lines)
            for lines in directions_xml(
                mark, staff=staff, offset=offset, divisions=layout.divisions
            )
        ]
        glue = style.newline + style.base
        if at is not None:
            start = measure.children[at.child].start
            return start, start, "".join(block + glue for block in blocks).encode("utf-8")
        head = [
            c for c in layout.children
            if c.kind == "other"
            and measure.children[c.child].element.tag in ("print", "attributes")
        ]
        start = measure.children[head[-1].child].end if head else measure.inner_start
        return start, start, "".join(glue + block for block in blocks).encode("utf-8")


def _same_note(one: Note, other: Note) -> bool:
    """True if nothing that is written differs (which hand plays is not written)."""
    return one is other or replace(one, hand="").content() == replace(other, hand="").content()


def _bare(element: ET.Element) -> ET.Element:
    """A copy without its position on the page, which belonged to another note."""
    twin = copy.deepcopy(element)
    twin.tail = None
    for name in list(twin.attrib):
        if name.startswith(("default-", "relative-", "bezier-")):
            del twin.attrib[name]
    return twin


def graft(
    loaded: LoadedPart,
    new: Part,
    *,
    pedal_marks: Sequence[PedalMark] = (),
    fingering: Mapping[NoteId, int] | None = None,
    colour_changed: bool = False,
    colour: Mapping[NoteId, str] | None = None,
    keep_given: bool = False,
    pedal_span: tuple[int, int] | None = None,
) -> bytes:
    """The source document with `new` in place of the loaded part, in the source's encoding.

    pedal_marks: settings and moves to print; the source's own pedal marks are taken off where the
    new ones hold (ticks `pedal_span`, or from the first mark to the end of the last one's bar)
    unless `keep_given`. fingering: note id to finger (1 is the thumb). colour_changed: new notes
    get `CHANGED_COLOUR`; colour: note id to a colour of its own.

    Raises:
        OutputError: the bars differ from the source's, a length can't be written, or what was
            written does not read back as `new`.
    """
    old = loaded.part
    if [(b.onset, b.duration) for b in new.bars] != [(b.onset, b.duration) for b in old.bars]:
        raise OutputError(
            f"{loaded.info.path}: the new version has other bars than the source; "
            "graft the whole part, not a window of it"
        )
    if len(loaded.sources) == 1 and loaded.choice.staves == 1:
        # A part of one staff has no second one to write on: the staff is only a register.
        new = replace(new, notes=tuple(
            note if note.staff == 1 else replace(note, staff=1) for note in new.notes
        ))
    colours = dict(colour or {})
    grafter = _Grafter(
        loaded, new, pedal_marks, dict(fingering or {}), colours, keep_given, pedal_span
    )
    if colour_changed:
        for note in grafter.added:
            colours.setdefault(note.id, CHANGED_COLOUR)
    text = _apply(grafter)
    encoded = loaded.score.document.encoded(text)
    if text != loaded.score.document.text:
        _check(loaded, new, encoded)
    return encoded


def _apply(grafter: _Grafter) -> bytes:
    for note_id in sorted(grafter.kept & grafter.colours.keys()):
        grafter.fix(note_id).colour = grafter.colours[note_id]
    return grafter.document.splice(grafter.changes())


def _check(loaded: LoadedPart, new: Part, encoded: bytes) -> None:
    """Reads the result again; raises OutputError if it is not the music that was asked for."""
    document = loaded.score.document
    try:
        again = load_document(encoded, document.path, source_format=document.source_format)
        read = load_part(replace(loaded.score, document=again), loaded.choice)
    except GentlerError as error:
        raise OutputError(
            f"{document.path}: what was written can't be read again: {error}"
        ) from None
    differences = same_music(new, read.part)
    if differences:
        more = f" (and {len(differences) - 1} more)" if len(differences) > 1 else ""
        raise OutputError(
            f"{document.path}: what was written does not read back the same: "
            f"{differences[0]}{more}; nothing was written"
        )


def to_mxl(loaded: LoadedPart, xml: bytes) -> bytes:
    """A compressed score with this document; one that came compressed keeps its other files."""
    return repack_mxl(loaded.score.document, xml)


# A part without a source


def emit_part(
    part: Part,
    title: str,
    *,
    colour: Mapping[NoteId, str] | None = None,
    fingering: Mapping[NoteId, int] | None = None,
    pedal_marks: Sequence[PedalMark] = (),
) -> bytes:
    """A complete MusicXML document (UTF-8, version 4.0) of a part on two staves.

    The part may be a window whose first bar starts later than tick 0; pedal marks are given in
    the part's own ticks.

    Raises:
        OutputError: a length can't be written.
    """
    start = part.bars[0].onset
    moved = replace(
        part,
        bars=tuple(replace(bar, onset=bar.onset - start) for bar in part.bars),
        notes=tuple(replace(note, onset=note.onset - start) for note in part.notes),
    )
    document = load_document(_empty_score(part, title).encode("utf-8"), part.name)
    choice = PartChoice(("P1",), part.name, 2, 0, False, True)
    loaded = load_part(Score(title, part.name, "musicxml", document, (choice,)), choice, empty=True)
    return graft(
        loaded, moved, colour=colour, fingering=fingering, keep_given=True,
        pedal_marks=[replace(mark, onset=mark.onset - start) for mark in pedal_marks],
    )


def _empty_score(part: Part, title: str) -> str:
    """The part's bars with everything but its notes: a rest for every voice."""
    first = part.bars[0]
    places = [n.onset - first.onset for n in part.notes] + [n.duration for n in part.notes]
    places += [b.duration for b in part.bars]
    unit = 1
    for place in places:
        unit = math.lcm(unit, Fraction(place, TICKS).denominator)
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" '
        '"http://www.musicxml.org/dtds/partwise.dtd">',
        '<score-partwise version="4.0">',
    ]
    if title:
        lines += ["  <work>", f"    <work-title>{escape(title)}</work-title>", "  </work>"]
    lines += [
        "  <part-list>", '    <score-part id="P1">',
        f"      <part-name>{escape(part.name)}</part-name>", "    </score-part>",
        "  </part-list>", '  <part id="P1">',
    ]
    before: Bar | None = None
    for bar in part.bars:
        lines += _empty_bar(part, bar, before, unit)
        before = bar
    return "\n".join([*lines, "  </part>", "</score-partwise>", ""])


def _empty_bar(part: Part, bar: Bar, before: Bar | None, unit: int) -> list[str]:
    short = bar.duration < bar.metre_ticks
    implicit = ' implicit="yes"' if short or bar.lead else ""
    lines = [f"    <measure number={quoteattr(bar.number)}{implicit}>"]
    lines += _bar_lines(part, bar, left=True)
    inner: list[str] = []
    if before is None:
        inner.append(f"<divisions>{unit}</divisions>")
    if before is None or before.fifths != bar.fifths:
        inner += ["<key>", f"  <fifths>{bar.fifths}</fifths>", "</key>"]
    if before is None or (before.beats, before.beat_type) != (bar.beats, bar.beat_type):
        inner += [
            "<time>", f"  <beats>{bar.beats}</beats>",
            f"  <beat-type>{bar.beat_type}</beat-type>", "</time>",
        ]
    if before is None:
        inner.append("<staves>2</staves>")
        for staff in (1, 2):
            sign, line = _clef(part, staff)
            inner += [
                f'<clef number="{staff}">', f"  <sign>{sign}</sign>", f"  <line>{line}</line>",
                "</clef>",
            ]
    if inner:
        lines += ["      <attributes>", *(f"        {t}" for t in inner), "      </attributes>"]
    lines += _bar_directions(part, bar, before is None, unit)
    length = bar.duration * unit // TICKS
    whole = "" if bar.duration > bar.metre_ticks else ' measure="yes"'
    for number, (voice, staff) in enumerate(_voices(part, bar)):
        if number:
            lines += [
                "      <backup>", f"        <duration>{length}</duration>", "      </backup>"
            ]
        lines += [
            "      <note>", f"        <rest{whole}/>", f"        <duration>{length}</duration>",
            f"        <voice>{escape(voice)}</voice>", f"        <staff>{staff}</staff>",
            "      </note>",
        ]
    lines += _bar_lines(part, bar, left=False)
    return [*lines, "    </measure>"]


def _voices(part: Part, bar: Bar) -> list[tuple[str, int]]:
    """The voices of a bar with the staff each is mostly on; one at least for each staff."""
    found: dict[str, Counter[int]] = {}
    for note in part.notes_by_bar[bar.index]:
        found.setdefault(note.voice, Counter())[min(note.staff, 2)] += 1
    rows = [
        (voice, min(staves, key=lambda s: (-staves[s], s))) for voice, staves in found.items()
    ]
    for staff, usual in ((1, "1"), (2, "5")):
        if not any(row[1] == staff for row in rows):
            names = {row[0] for row in rows}
            free = (n for n in (usual, *map(str, range(4 * staff - 3, 99))) if n not in names)
            rows.append((next(free), staff))
    return sorted(rows, key=lambda r: (r[1], len(r[0]), r[0]))


def _clef(part: Part, staff: int) -> tuple[str, int]:
    """Treble above and bass below, unless a staff lies wholly in the other's register."""
    pitches = sorted(n.pitch.midi for n in part.notes if n.staff == staff)
    middle = pitches[len(pitches) // 2] if pitches else 0
    if staff == 1:
        return ("F", 4) if pitches and middle < 52 else ("G", 2)
    return ("G", 2) if pitches and middle > 67 else ("F", 4)


def _bar_lines(part: Part, bar: Bar, *, left: bool) -> list[str]:
    """The bar line with repeats and endings, if it is not a plain one."""
    around = part.bars[max(0, bar.index - 1) : bar.index + 2]
    before = around[0] if bar.index else None
    after = around[-1] if bar.index + 1 < len(part.bars) else None
    parts: list[str] = []
    number = quoteattr(bar.ending) if re.fullmatch(r"[1-9]\d*(, ?[1-9]\d*)*", bar.ending) else '"1"'
    if left:
        if bar.repeat_start:
            parts.append("<bar-style>heavy-light</bar-style>")
        if bar.ending and (before is None or before.ending != bar.ending):
            parts.append(f'<ending number={number} type="start"/>')
        if bar.repeat_start:
            parts.append('<repeat direction="forward"/>')
    else:
        if bar.repeat_end or after is None:
            parts.append("<bar-style>light-heavy</bar-style>")
        if bar.ending and (after is None or after.ending != bar.ending):
            parts.append(f'<ending number={number} type="stop"/>')
        if bar.repeat_end:
            parts.append('<repeat direction="backward"/>')
    if not parts:
        return []
    side = "left" if left else "right"
    return [
        f'      <barline location="{side}">', *(f"        {p}" for p in parts), "      </barline>"
    ]


def _bar_directions(part: Part, bar: Bar, first: bool, unit: int) -> list[str]:
    """Rehearsal mark, tempo, dynamics and given pedals of a bar, all at its start with offsets."""
    rows: list[tuple[int, int, list[str], str]] = []
    if bar.rehearsal:
        rows.append((0, 1, [f"<rehearsal>{escape(bar.rehearsal)}</rehearsal>"], ""))
    tempi = [(m.onset, m.quarters) for m in part.tempo if bar.onset < m.onset < bar.end]
    at_start = [m.quarters for m in part.tempo if m.onset <= bar.onset]
    here = any(m.onset == bar.onset for m in part.tempo)
    if (first or here) and at_start:
        tempi.insert(0, (bar.onset, at_start[-1]))
    for tick, quarters in tempi if not part.assumed_tempo else ():
        text = f"{quarters:.6g}"
        rows.append((
            tick - bar.onset, 1,
            ["<metronome>", "  <beat-unit>quarter</beat-unit>",
             f"  <per-minute>{text}</per-minute>", "</metronome>"],
            f'<sound tempo="{text}"/>',
        ))
    for dynamic in part.dynamics:
        if bar.onset <= dynamic.onset < bar.end:
            name = dynamic.level
            inner = f"<{name}/>" if name in _DYNAMICS else (
                f"<other-dynamics>{escape(name)}</other-dynamics>"
            )
            rows.append((
                dynamic.onset - bar.onset, 2, ["<dynamics>", f"  {inner}", "</dynamics>"], ""
            ))
    for given in part.given:
        if bar.onset <= given.onset < bar.end:
            content = list(diagram_xml(given.positions)) if given.full else [
                f"<words>{' '.join(move_words(given.positions))}</words>"
            ]
            rows.append((given.onset - bar.onset, 3, content, ""))
    lines: list[str] = []
    for tick, order, content, sound in sorted(rows, key=lambda r: (r[0], r[1])):
        placement = "above" if order == 1 else "below"
        lines += [f'      <direction placement="{placement}">', "        <direction-type>"]
        lines += [f"          {line}" for line in content]
        lines.append("        </direction-type>")
        if tick:
            lines.append(f"        <offset>{_number(Fraction(tick * unit, TICKS))}</offset>")
        lines.append("        <staff>1</staff>")
        if sound:
            lines.append(f"        {sound}")
        lines.append("      </direction>")
    return lines


_DYNAMICS = frozenset({
    "p", "pp", "ppp", "pppp", "ppppp", "pppppp", "f", "ff", "fff", "ffff", "fffff", "ffffff", "mp",
    "mf", "sf", "sfp", "sfpp", "fp", "rf", "rfz", "sfz", "sffz", "fz", "n", "pf", "sfzp",
})
"""Dynamic signs that have an element of their own (MusicXML 4.0, type dynamics)."""
