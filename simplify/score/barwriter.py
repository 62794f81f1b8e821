"""Laying out one changed bar again, voice by voice.

Kept notes keep their XML, what is not a note its place in time. Every voice lasts exactly the bar:
rests where a note has gone, silence (`<forward>`) where the voice did not exist before.
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

from simplify.errors import OutputError
from simplify.score.graftplan import LINES, Plan, source_signs
from simplify.score.marks import PedalMark, directions_xml
from simplify.score.measures import PlacedChild, clef_of, integer
from simplify.score.model import TICKS, Bar, Mark, Note, Pitch
from simplify.score.notexml import (
    ACCIDENTALS,
    Fix,
    Sign,
    bare_copy,
    inherit,
    insert_child,
    notations_of,
    number_text,
    ratio_of,
    signs_missing,
    text_element,
    written_pitch,
)
from simplify.score.read import BarLayout
from simplify.score.values import FLAGS, Piece, Zone, beam_window, beams, split_note, split_rest

Clef = tuple[str, int, int]
"""Sign, line, octave change."""

CLEF_GAIN = 4
"""Steps nearer to the middle line that are worth a change of clef (estimate: two ledger lines
fewer; smaller litters the page with clefs, larger leaves notes high on ledger lines)."""

_ARTICULATION_MARKS = ("accent", "strong-accent", "staccato", "tenuto", "staccatissimo")


@dataclass(slots=True, eq=False)
class _Written:
    """One note of a written chord: a source child, or a new note."""

    note: Note | None
    child: PlacedChild | None
    base: ET.Element
    fix: Fix


@dataclass(slots=True, eq=False)
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


@dataclass(slots=True, eq=False)
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


class BarWriter:
    """Lays out one measure of one source part again."""

    def __init__(
        self, plan: Plan, source: int, bar: Bar, fixes: dict[int, Fix],
        running: Mapping[int, Clef], renewed: frozenset[int],
    ) -> None:
        """running: clefs in force on staves that the bar before has left in another one than the
        source's; renewed: staves whose notes are all new in the next bar too, or has none."""
        self.plan, self.loaded, self.source, self.bar = plan, plan.loaded, source, bar
        self.measure = self.loaded.sources[source].measures[bar.index]
        self.layout: BarLayout = self.loaded.layouts[source][bar.index]
        self.fixes = fixes
        self.text = self.loaded.score.document.text
        self.style = plan.style(source, bar.index)
        self.streams: list[_Stream] = []
        self.rescaled = False
        self.running, self.renewed = running, renewed
        self.left: dict[int, Clef] = {}
        self.lost_clefs: set[int] = set()
        self.said_at: dict[int, Fraction] = {0: Fraction(0)}
        for child in self.layout.children:
            if child.kind != "other" and not child.whole_bar:
                self.said_at.setdefault(child.onset, child.said)
                self.said_at.setdefault(child.end, child.said_end)
        self.rounded = any(tick != said for tick, said in self.said_at.items())

    # Reading the source bar into streams

    def element(self, child: PlacedChild) -> ET.Element:
        """The XML of a source child."""
        return self.measure.children[child.child].element

    def written(self, child: PlacedChild) -> _Written:
        """A source child as a member of a chord."""
        fix = self.fixes.setdefault(child.child, Fix())
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
            tuplet = ratio_of(self.element(head))
            if tuplet not in ((1, 1), (2, 1)) and not grace:  # 2:1 is a two-note tremolo
                self.zone(stream, head, end, tuplet)
            members = [
                self.written(child) for child in group
                if child.id < 0 or child.id in self.plan.kept
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
                    bare.extend(e for e in element if e.tag not in LINES or not e.get("type"))
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
        """The staff number in the source part."""
        if member.child is not None:
            return member.child.staff
        assert member.note is not None
        return self.plan.xml_staff(member.note)

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
            for staff in sorted({self.plan.xml_staff(n) for n in group}):
                mine = [n for n in group if self.plan.xml_staff(n) == staff]
                self.add_chord(voice, onset, end, grace, tuplet, staff, mine)

    def add_chord(
        self, voice: str, onset: int, end: int, grace: int, tuplet: tuple[int, int], staff: int,
        notes: list[Note],
    ) -> None:
        """Finds a voice for new notes of one onset, end and staff."""
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
        """A new note, its XML still to be made."""
        fix = Fix(
            finger=self.plan.fingering.get(note.id), colour=self.plan.colours.get(note.id)
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
            self.drop_rests(stream)
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

    def drop_rests(self, stream: _Stream) -> None:
        """Takes away the source's rests from stretches of silence that have grown, so that each
        stretch is written with as few rests as the beats allow."""
        rests = [s for s in stream.slots if s.kind == "rest"]
        at = 0
        for slot in [*stream.notes(), None]:
            until = self.bar.duration if slot is None else slot.start
            for low, high in _overlap(stream.cover, at, until):
                inside = [s for s in rests if low <= s.start and s.end <= high]
                if sum(s.end - s.start for s in inside) != high - low:
                    stream.slots = [s for s in stream.slots if s not in inside]
            at = max(at, until if slot is None else slot.end)

    def covers(self, stream: _Stream) -> bool:
        """True if a stream's notes and rests, and the rests it is still to be filled with, leave
        no time open."""
        spans = [(slot.start, slot.end) for slot in stream.slots]
        if stream.source:
            spans += stream.cover
        at = 0
        for start, end in sorted(spans):
            if start > at:
                return False
            at = max(at, end)
        return at >= self.bar.duration

    def whole_rest(self, stream: _Stream) -> _Slot:
        """A rest for the whole bar."""
        note = ET.Element("note")
        ET.SubElement(note, "rest", {"measure": "yes"})
        self.head(note, stream, stream.staff)
        return _Slot(
            0, self.bar.duration, "rest", [_Written(None, None, note, Fix())], piece=None
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
        """Rests that fill a stretch, or silence where no common value does."""
        if (start, end) == (0, self.bar.duration) == (0, self.bar.metre_ticks):
            return [self.whole_rest(stream)]
        # A tuplet that is silent throughout needs no bracket.
        zones = [z for z in stream.zones if z.start < start or end < z.end]
        pieces = split_rest(self.bar, start, end, zones)
        if pieces is None:
            return [_Slot(start, end, "gap", [], hidden=True)]
        slots = []
        for piece in pieces:
            note = ET.Element("note")
            ET.SubElement(note, "rest")
            self.head(note, stream, stream.staff, piece)
            slots.append(
                _Slot(
                    piece.start, piece.end, "rest", [_Written(None, None, note, Fix())],
                    tuplet=piece.tuplet, piece=piece,
                )
            )
        return slots

    def head(
        self, note: ET.Element, stream: _Stream, staff: int, piece: Piece | None = None
    ) -> None:
        """Duration (set later), voice, value and staff of a new note or rest."""
        ET.SubElement(note, "duration")
        instrument = self.plan.instrument(self.source)
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
        if self.plan.many_staves(self.source):
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
            pieces = self.as_printed(slot, new)
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

    def as_printed(self, slot: _Slot, new: list[_Written]) -> tuple[Piece, ...] | None:
        """The value of the note in whose place a new one stands, if it is as long: what the source
        could print can be printed again."""
        for member in new:
            lost = self.plan.heirs.get(member.note.id) if member.note is not None else None
            child = next(
                (
                    c for c in self.layout.children
                    if lost is not None and self.element(c) is lost
                    and (c.onset, c.end) == (slot.start, slot.end)
                ), None,
            )
            kind = (lost.findtext("type") or "").strip() if lost is not None else ""
            if child is not None and lost is not None and kind:
                dots = len(lost.findall("dot"))
                return (Piece(slot.start, slot.end, kind, dots, ratio_of(lost)),)
        return None

    # XML of new notes

    def pitch(self, note: ET.Element, pitch: Pitch) -> None:
        """Adds a `<pitch>`."""
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
        written = self.plan.written_pitch(note, self.layout)
        self.pitch(element, written)
        into = at > 0 or note.id in self.plan.tied_in
        out = at + 1 < count or note.id in self.plan.tied_out
        self.head(element, stream, self.plan.xml_staff(note), piece)
        self.ties(element, into, out)
        self.marks(element, note, at == 0, at + 1 == count, chord)
        self.inherit(element, note, at == 0, at + 1 == count)
        return element

    def inherit(self, element: ET.Element, note: Note, first: bool, last: bool) -> None:
        """What a new note takes over from the one in whose place it stands."""
        lost = self.plan.heirs.get(note.id)
        if lost is not None:
            inherit(element, lost, first=first, last=last)

    def like(self, stream: _Stream, member: _Written, model: _Written) -> ET.Element:
        """A new note for a kept chord: value, stem and voice as the chord's own notes."""
        note = member.note
        assert note is not None
        element = ET.Element("note")
        if model.base.find("grace") is not None:
            element.append(copy.deepcopy(model.base.find("grace")))  # type: ignore[arg-type]
        self.pitch(element, self.plan.written_pitch(note, self.layout))
        for tag in ("duration", "instrument", "voice", "type", "dot", "time-modification", "stem"):
            for child in model.base.findall(tag):
                twin = copy.deepcopy(child)
                twin.tail = None
                for name in ("default-x", "default-y", "relative-x", "relative-y"):
                    twin.attrib.pop(name, None)
                element.append(twin)
        if element.find("voice") is None:
            insert_child(element, text_element("voice", stream.label))
        if self.plan.many_staves(self.source):
            insert_child(element, text_element("staff", str(self.plan.xml_staff(note))))
        if model.base.find("grace") is None:
            self.ties(
                element, note.id in self.plan.tied_in, note.id in self.plan.tied_out
            )
        self.marks(element, note, True, True, [member])
        self.inherit(element, note, True, True)
        return element

    def grace(self, stream: _Stream, member: _Written) -> ET.Element:
        """A new grace note: as the one in whose place it stands, else an eighth with a stroke, as
        common practice writes a short one."""
        note = member.note
        assert note is not None
        lost = self.plan.heirs.get(note.id)
        element = ET.Element("note")
        before = lost.find("grace") if lost is not None else None
        if before is not None:
            element.append(bare_copy(before))
        else:
            ET.SubElement(element, "grace", {"slash": "yes"})
        self.pitch(element, self.plan.written_pitch(note, self.layout))
        ET.SubElement(element, "voice").text = stream.label
        kind = lost.findtext("type") if lost is not None else None
        ET.SubElement(element, "type").text = kind or "eighth"
        if self.plan.many_staves(self.source):
            ET.SubElement(element, "staff").text = str(self.plan.xml_staff(note))
        self.marks(element, note, True, True, [member])
        self.inherit(element, note, True, True)
        return element

    def ties(self, element: ET.Element, into: bool, out: bool) -> None:
        """Adds ties, sounded and printed."""
        for wanted, kind in ((into, "stop"), (out, "start")):
            if wanted:
                insert_child(element, ET.Element("tie", {"type": kind}))
                notations_of(element).append(ET.Element("tied", {"type": kind}))

    def marks(
        self, element: ET.Element, note: Note, first: bool, last: bool, chord: list[_Written]
    ) -> None:
        """Notations and words of a new note; of tied values the first has the attack, the last
        what belongs to the end."""
        for mark in note.marks:
            if first:
                self.attack(element, mark, note, chord)
            if last and mark.kind == "fermata":
                notations_of(element).append(ET.Element("fermata"))
            if last and mark.kind == "let-ring":
                notations_of(element).append(ET.Element("tied", {"type": "let-ring"}))
        for end in self.plan.new_ends.get(note.id, ()):
            late = end.tag in ("glissando", "slide") if end.get("type") == "start" else (
                end.tag in ("slur", "wavy-line")
            )
            if last if late else first:
                group = "ornaments" if end.tag in ("wavy-line", "tremolo") else ""
                notations_of(element, group).append(copy.deepcopy(end))

    def attack(self, element: ET.Element, mark: Mark, note: Note, chord: list[_Written]) -> None:
        """Adds what a mark prints at the start of a note."""
        kind, value = mark.kind, mark.value
        if kind == "arpeggio":
            way = {"direction": value} if value in ("up", "down") else {}
            notations_of(element).append(ET.Element("arpeggiate", way))
        elif kind == "non-arpeggio":
            midis = [m.note.pitch.midi for m in chord if m.note is not None]
            end = "bottom" if note.pitch.midi == min(midis) else "top"
            if note.pitch.midi in (min(midis), max(midis)):
                notations_of(element).append(ET.Element("non-arpeggiate", {"type": end}))
        elif kind == "trill":
            notations_of(element, "ornaments").append(ET.Element("trill-mark"))
        elif kind == "mordent":
            tag = "inverted-mordent" if value == "inverted" else "mordent"
            notations_of(element, "ornaments").append(ET.Element(tag))
        elif kind == "turn":
            tag = "-".join([*value.split(), "turn"])
            notations_of(element, "ornaments").append(ET.Element(tag))
        elif kind == "tremolo":
            strokes = value if value.isdigit() and 0 < int(value) <= 8 else "3"
            tremolo = text_element("tremolo", strokes, type="single")
            notations_of(element, "ornaments").append(tremolo)
        elif kind == "harmonic":
            harmonic = ET.SubElement(notations_of(element, "technical"), "harmonic")
            ET.SubElement(harmonic, "natural")
            ET.SubElement(harmonic, "base-pitch")
        elif kind == "etouffe":
            notations_of(element, "technical").append(
                text_element("other-technical", "étouffé", smufl="pluckedDamp")
            )
        elif kind == "nail":
            notations_of(element, "technical").append(ET.Element("fingernails"))
        elif kind == "finger":
            notations_of(element, "technical").append(text_element("fingering", value))
        elif kind in _ARTICULATION_MARKS:
            notations_of(element, "articulations").append(ET.Element(kind))
        elif kind == "lyric":
            lyric = insert_child(element, ET.Element("lyric"))
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
        """New tuplet brackets for a run, unless its own still stand."""
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
        if not self.plan.has_beams(self.source):
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
                        insert_child(member.base, text_element("stem", stems[0]))

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
        if not self.plan.has_stems(self.source):
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
                        insert_child(member.base, text_element("stem", way))

    def accidentals(self) -> None:
        """Accidentals that new notes need, and those that kept notes have come to need."""
        source = source_signs(self.loaded, self.source, self.bar, self.plan.old_in)
        old = signs_missing(source, self.layout)
        wrong = signs_missing(self.new_signs(), self.layout)
        before = {key for key, _ in old}
        for key, alter in wrong:
            if isinstance(key, int) and key in before:
                continue
            member = self.by_key[key]
            member.fix.accidental = ACCIDENTALS[alter]

    def new_signs(self) -> list[Sign]:
        """The pitches of the new layout as they will be written."""
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
                        tied = member.child.id in self.plan.tied_in
                    else:
                        fresh += 1
                        key = f"new {fresh}"
                        tied = any(t.get("type") == "stop" for t in member.base.findall("tie"))
                    self.by_key[key] = member
                    rows.append(
                        Sign(
                            (slot.start, slot.grace or 1e9, number), key,
                            self.xml_staff(member), *written_pitch(pitch), tied,
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
        early, late = self.clefs()
        head, tail = self.others()
        unit = self.unit()
        self.rescaled = unit != self.layout.divisions or (
            self.layout.divisions != self.layout.end_divisions
        )
        chunks: list[str] = []
        if unit != self.layout.divisions and not any(
            self.states_divisions(child) for child in head
        ):
            chunks.append(self.divisions(unit))
        chunks += [self.verbatim(child, unit) for child in head]
        if early:
            attributes = ET.Element("attributes")
            attributes.extend(early)
            chunks.append(self.style.render(attributes))
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
        if late:
            attributes = ET.Element("attributes")
            attributes.extend(late)
            chunks.append(self.style.render(attributes))
        final = self.layout.end_divisions
        if unit != final and not any(self.states_divisions(child) for child in tail):
            chunks.append(self.divisions(final))
        chunks += [
            self.verbatim(child, final if self.states_divisions(child) else unit)
            for child in tail
        ]
        glue = self.style.newline + (self.style.base if self.style.newline else "")
        ending = re.search(rb"\s*$", self.text[self.measure.inner_start : self.measure.inner_end])
        last = ending[0].decode() if ending and self.style.newline else ""
        return ("".join(glue + chunk for chunk in chunks if chunk) + last).encode("utf-8")

    def clefs(self) -> tuple[list[ET.Element], list[ET.Element]]:
        """Puts the clefs of staves with changed notes right; gives those that now stand at the
        start and at the end of the bar. The next bar finds the clef it had, unless its own notes
        are all new too.

        A clef that no note stands under goes, and so does one that changes nothing. A staff whose
        notes are all new gets the clef that they lie best in, unless the source has notes as high
        and as low under its own.
        """
        starts: dict[int, list[tuple[int, int, bool]]] = {}
        for stream in self.streams:
            for slot in stream.slots:
                for member in slot.members:
                    if member.note is not None and slot.kind == "note":
                        starts.setdefault(self.xml_staff(member), []).append(
                            (slot.start, member.note.pitch.string, member.child is None)
                        )
        changed = {staff for staff, rows in starts.items() if any(new for _, _, new in rows)}
        changed |= {
            c.staff for c in self.layout.children if c.id >= 0 and c.id not in self.plan.kept
        }
        early: list[ET.Element] = []
        late: list[ET.Element] = []
        for staff in sorted(changed):
            events = [
                (child.onset, clef)
                for child in self.layout.children if child.kind == "other"
                for clef in self.element(child).findall("clef")
                if integer(clef.get("number"), 1) == staff
            ]
            events.sort(key=lambda e: e[0])
            notes = starts.get(staff, [])
            before = self.layout.clefs.get(staff) if self.bar.index else None  # none is printed yet
            force = next(
                (clef_of(c) for tick, c in reversed(events) if not tick), before or ("G", 2, 0)
            )
            inner = [(tick, clef) for tick, clef in events if tick]
            if any(not new for _, _, new in notes):
                self.thin_clefs(inner, [start for start, _, _ in notes], force)
                continue
            self.lost_clefs.update(id(clef) for _, clef in inner)
            running = self.running.get(staff, before)
            strings = [string for _, string, _ in notes]
            wanted = _best_clef(self.running.get(staff, force), strings)
            if not inner and running in (None, force) and self.reached(staff, strings):
                wanted = force
            if wanted != force or wanted == running:
                self.lost_clefs.update(id(clef) for tick, clef in events if not tick)
                if wanted != running:
                    early.append(self.new_clef(wanted, staff))
            elif not any(not tick for tick, _ in events):
                early.append(self.new_clef(wanted, staff))
            final = clef_of(inner[-1][1]) if inner else force
            if staff in self.renewed:
                self.left[staff] = wanted
            elif final != wanted:
                late.append(self.new_clef(final, staff))
        return early, late

    def reached(self, staff: int, strings: list[int]) -> bool:
        """Whether the source's notes on a staff of this bar reach as high and as low."""
        known = self.loaded.part.by_id
        old = [known[c.id].pitch.string for c in self.layout.children if c.staff == staff
               and c.id in known]
        return bool(old and strings) and min(old) <= min(strings) and max(strings) <= max(old)

    def thin_clefs(
        self, events: list[tuple[int, ET.Element]], starts: list[int], force: Clef
    ) -> None:
        """Takes away idle clefs of a staff. starts: ticks at which its notes start."""
        for index, (tick, clef) in enumerate(events):
            until = events[index + 1][0] if index + 1 < len(events) else None
            idle = until is not None and not any(tick <= start < until for start in starts)
            if idle or clef_of(clef) == force:
                self.lost_clefs.add(id(clef))
            else:
                force = clef_of(clef)

    def new_clef(self, clef: Clef, staff: int) -> ET.Element:
        """A `<clef>`."""
        element = ET.Element("clef")
        if self.plan.many_staves(self.source):
            element.set("number", str(staff))
        ET.SubElement(element, "sign").text = clef[0]
        ET.SubElement(element, "line").text = str(clef[1])
        if clef[2]:
            ET.SubElement(element, "clef-octave-change").text = str(clef[2])
        return element

    def others(self) -> tuple[list[PlacedChild], list[PlacedChild]]:
        """What stands before the first and after the last note; the rest goes into streams."""
        dropped = self.plan.dropped[self.source, self.bar.index]
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

    def states_divisions(self, child: PlacedChild) -> bool:
        """True for an `<attributes>` that sets the divisions."""
        return self.element(child).find("divisions") is not None

    def divisions(self, value: int) -> str:
        """An `<attributes>` that only sets the divisions."""
        attributes = ET.Element("attributes")
        ET.SubElement(attributes, "divisions").text = str(value)
        return self.style.render(attributes)

    def move(self, tag: str, amount: Fraction, unit: int, stream: _Stream | None = None) -> str:
        """A backup or forward."""
        element = ET.Element(tag)
        ET.SubElement(element, "duration").text = str(_whole(amount * unit / TICKS))
        if stream is not None and tag == "forward":
            ET.SubElement(element, "voice").text = stream.label
            if self.plan.many_staves(self.source):
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
        clefs = [clef for clef in element.findall("clef") if id(clef) in self.lost_clefs]
        if clefs and len(clefs) == len(element):
            return before
        if not scaled and not clefs:
            return comment + self.text[at : source.end].decode("utf-8")
        twin = copy.copy(element)
        twin[:] = [copy.deepcopy(e) for e in element if not any(e is clef for clef in clefs)]
        twin.tail = None
        for divisions in twin.findall("divisions"):
            divisions.text = str(unit)
        for offset in twin.findall("offset"):
            value = Fraction((offset.text or "0").strip()) * unit / self.layout.divisions
            offset.text = number_text(value)
        return comment + self.style.render(twin)

    def stream(
        self, stream: _Stream, unit: int, marks: Sequence[tuple[int, PedalMark]]
    ) -> tuple[list[str], Fraction]:
        """(text, where its clock ends) of one voice."""
        chunks: list[str] = []
        at = Fraction(0)
        others = sorted(stream.other, key=lambda o: o[0])
        marks = list(marks)
        hands = self.hand_changes(stream)
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
            if id(slot) in hands:
                chunks.append(self.hand_word(slot, hands[id(slot)]))
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

    def hand_changes(self, stream: _Stream) -> dict[int, str]:
        """Where a word tells which hand plays: id of the slot to 'L' or 'R'.

        Only new notes that ask for a hand count, and only where one is not the usual hand of its
        staff. A word stands where the hand changes; when the hands go on to alternate note by
        note, the first two words say so.
        """
        runs: list[tuple[str, int, _Slot]] = []
        contrary = False
        for slot in stream.slots:
            asked = [
                m.note for m in slot.members
                if m.note is not None and m.child is None and m.note.hand
            ]
            if slot.kind != "note":
                continue
            hand = asked[0].hand if asked else ""
            contrary = contrary or any(n.hand != "RL"[n.staff - 1] for n in asked)
            if not hand and runs and runs[-1][0]:
                staff = self.plan.register(self.source, self.xml_staff(slot.members[0]))
                hand = usual = "RL"[staff - 1]
                hand = hand if contrary and runs[-1][0] != usual else ""
            if runs and runs[-1][0] == hand:
                runs[-1] = (hand, runs[-1][1] + 1, runs[-1][2])
            else:
                runs.append((hand, 1, slot))
        found: dict[int, str] = {}
        for index, (hand, _, slot) in enumerate(runs):
            row = runs[max(0, index - 2) : index + 1]
            simile = len(row) == 3 and all(h and length == 1 for h, length, _ in row)
            if contrary and hand and not simile:
                found[id(slot)] = hand
        return found

    def hand_word(self, slot: _Slot, hand: str) -> str:
        """A direction that names the hand, above the upper staff or below the lower."""
        staff = next((self.xml_staff(m) for m in slot.members), 1)
        direction = ET.Element("direction", {"placement": "below" if staff > 1 else "above"})
        kind = ET.SubElement(direction, "direction-type")
        ET.SubElement(kind, "words", {"font-style": "normal"}).text = f"{hand}.H."
        if self.plan.many_staves(self.source):
            ET.SubElement(direction, "staff").text = str(staff)
        return self.style.render(direction)

    def pedal(self, mark: PedalMark, offset: int, unit: int) -> list[str]:
        """The directions of a pedal mark."""
        staff = self.plan.mark_staff(self.source)
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
                    element.set(name, number_text(value))
        return self.style.render(element)


def _middle(clef: Clef) -> int:
    """String number of a staff's middle line under a clef."""
    sign, line, octaves = clef
    named = {"G": Pitch("G", 0, 4), "F": Pitch("F", 0, 3), "C": Pitch("C", 0, 4)}
    return named.get(sign, named["G"]).string + 2 * (3 - line) + 7 * octaves


def _best_clef(force: Clef, strings: list[int]) -> Clef:
    """The clef in force, unless the notes lie nearer to the middle line of the treble or bass clef
    by `CLEF_GAIN` steps on average."""
    if not strings:
        return force

    def distance(clef: Clef) -> int:
        return sum(abs(string - _middle(clef)) for string in strings)

    other = min((("G", 2, 0), ("F", 4, 0)), key=distance)
    return other if distance(force) - distance(other) >= CLEF_GAIN * len(strings) else force


def _whole(value: Fraction) -> int:
    """A length in divisions, which `BarWriter.unit` has made whole."""
    if value.denominator != 1 or value < 0:
        raise OutputError(f"a length of {value} divisions can't be written")
    return int(value)


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


def _type(slot: _Slot) -> str:
    return (slot.members[0].base.findtext("type") or "").strip()
