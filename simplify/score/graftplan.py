"""What a new version of a part changes: which notes stay, and what that does to their neighbours.

Ties, slurs, glissandi, trill lines and two-note tremolos reach over bars; when a note goes, the
other end is taken off or handed on. Layout of single bars is `barwriter.py`.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from simplify.errors import OutputError
from simplify.score.marks import PedalMark, only_pedals
from simplify.score.measures import PlacedChild, transposed
from simplify.score.model import Bar, Note, NoteId, Part, Pitch
from simplify.score.notexml import (
    Fix,
    Sign,
    Style,
    bare_copy,
    style_of,
    text_element,
    written_pitch,
)
from simplify.score.read import BarLayout, LoadedPart
from simplify.score.values import split_note

LINES = {"slur": "slur", "glissando": "gliss", "slide": "gliss", "tremolo": "tremolo",
          "wavy-line": "trill"}


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
                    if element.tag in LINES and kind in ("start", "stop"):
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


def tie_flags(part: Part) -> tuple[set[NoteId], set[NoteId]]:
    """(notes that continue a struck note, notes that go on) by the part's own strikes."""
    into: set[NoteId] = set()
    out: set[NoteId] = set()
    for strike in part.strikes:
        out.update(strike.notes[:-1])
        into.update(strike.notes[1:])
    return into, out


def same_note(one: Note, other: Note) -> bool:
    """True if nothing that is written differs (which hand plays is not written)."""
    return one is other or replace(one, hand="").content() == replace(other, hand="").content()


def source_signs(
    loaded: LoadedPart, source: int, bar: Bar, tied: set[NoteId]
) -> list[Sign]:
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
            Sign(
                (child.onset, grace or 1e9, child.run), child.child, child.staff,
                *written_pitch(pitch), child.id in tied, element.find("accidental") is not None,
            )
        )
    return rows


class Plan:
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
            if note.id in old.by_id and same_note(note, old.by_id[note.id])
        }
        self.added = [note for note in new.notes if note.id not in self.kept]
        self.old_in, self.old_out = tie_flags(old)
        self.tied_in, self.tied_out = tie_flags(new)
        self.heirs = self._heirs()
        self.fixes: dict[tuple[int, int], dict[int, Fix]] = {}
        self.new_ends: dict[NoteId, list[ET.Element]] = {}
        self._styles: dict[tuple[int, int], Style] = {}
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

    def _heirs(self) -> dict[NoteId, ET.Element]:
        """New notes that stand where a lost one stood, with the XML of that one: the nearest in
        pitch of those with its onset, its own voice first."""
        old = self.loaded.part.by_id
        lost: dict[tuple[int, int, bool], list[Note]] = {}
        for note in self.loaded.part.notes:
            if note.id not in self.kept:
                lost.setdefault((note.onset, note.staff, note.grace > 0), []).append(note)
        pairs = sorted(
            (
                (new.voice != note.voice, abs(new.pitch.midi - note.pitch.midi), note.id, new.id)
                for new in self.added
                for note in lost.get((new.onset, new.staff, new.grace > 0), ())
            ),
        )
        found: dict[NoteId, ET.Element] = {}
        taken: set[NoteId] = set()
        for _, _, note_id, new_id in pairs:
            if note_id not in taken and new_id not in found:
                taken.add(note_id)
                found[new_id] = self.loaded.element(old[note_id].id)
        return found

    # Facts about the source

    def xml_staff(self, note: Note) -> int:
        """The staff number a note has in its own source part."""
        if len(self.loaded.sources) > 1:
            return 1
        return 3 - note.staff if self.loaded.choice.upside_down else note.staff

    def source_of(self, note: Note) -> int:
        """Which source part a new note belongs to."""
        return note.staff - 1 if len(self.loaded.sources) > 1 else 0

    def many_staves(self, source: int) -> bool:
        """True if notes of this source need a staff number."""
        return len(self.loaded.sources) == 1 and self.loaded.choice.staves > 1

    def register(self, source: int, xml_staff: int) -> int:
        """1 for an upper staff, 2 for a lower one, of a staff number in a source part."""
        if len(self.loaded.sources) > 1:
            return source + 1
        staff = min(xml_staff, 2)
        return 3 - staff if self.loaded.choice.upside_down else staff

    def mark_staff(self, source: int) -> int | None:
        """The staff below which pedal marks stand: the lowest, if notes need a staff number."""
        return self.loaded.choice.staves if self.many_staves(source) else None

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
        """True if the source writes stems (or has no note to tell by)."""
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

    def style(self, source: int, bar: int) -> Style:
        """How a measure is laid out; an empty one is laid out as its neighbours are."""
        if (source, bar) not in self._styles:
            measures = self.loaded.sources[source].measures
            near = range(max(0, bar - 100), min(len(measures), bar + 101))
            found = next(
                (
                    style for i in sorted(near, key=lambda i: (abs(i - bar), i))
                    for style in [style_of(self.document.text, measures[i])] if style.newline
                ),
                Style("", "", ""),
            )
            self._styles[source, bar] = found
        return self._styles[source, bar]

    def written_pitch(self, note: Note, layout: BarLayout) -> Pitch:
        """The pitch as the part writes it (transposing parts)."""
        moved = layout.transposes.get(self.xml_staff(note), layout.transposes.get(0, (0, 0)))
        return transposed(note.pitch, -moved[0], -moved[1])

    def fix(self, note_id: NoteId) -> Fix:
        """What is to be done to a kept note, to be filled in."""
        place = self.loaded.places[note_id]
        bar = self.fixes.setdefault((place.source, place.bar), {})
        return bar.setdefault(place.child, Fix())

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
        self.loose_ties()
        for note_id in sorted(self.kept):
            if note_id in self.old_in and note_id not in self.tied_in:
                self.fix(note_id).drop_ties.add("stop")
            if note_id in self.old_out and note_id not in self.tied_out:
                self.fix(note_id).drop_ties.add("start")

    def loose_ties(self) -> None:
        """Ties of the source that do not meet in time (a slip in one of the bars) still belong to
        the nearest note of their pitch; when that goes, they go."""
        old = self.loaded.part
        outs = [n for n in old.notes if n.tie_out and n.id not in self.old_out]
        ins = [n for n in old.notes if n.tie_in and n.id not in self.old_in]
        for first in outs:
            later = [n for n in ins if n.pitch == first.pitch and n.onset > first.onset]
            if not later or later[0].bar > first.bar + 1:
                continue
            second = later[0]
            if first.id in self.kept and second.id not in self.kept:
                self.fix(first.id).drop_ties.add("start")
            elif second.id in self.kept and first.id not in self.kept:
                self.fix(second.id).drop_ties.add("stop")

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
                            self.fix(carrier).notations.append(bare_copy(end.element))
                        else:
                            self.new_ends.setdefault(carrier, []).append(bare_copy(end.element))
        self.new_lines(claimed)

    def carrier(
        self, source: int, end: _End, by_place: Mapping[tuple[int, int, int], list[Note]],
        claimed: set[tuple[NoteId, str, str, str]],
    ) -> NoteId | None:
        """The note that takes over a line's end from a lost note."""
        mark = LINES[end.tag]
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
        """Takes a line off its kept end; a lone tremolo note gets its plain value."""
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
        used = {(note_id, LINES[tag], number, kind) for note_id, tag, number, kind in claimed}
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
        """A line between two new notes."""
        for note_id, kind in ((start, "start"), (stop, "stop")):
            if tag == "tremolo":
                strokes = value if value.isdigit() and 0 < int(value) <= 8 else "3"
                element = text_element("tremolo", strokes, type=kind)
            else:
                level = number if number.isdigit() and 1 <= int(number) <= 16 else "1"
                element = ET.Element(tag, {"type": kind, "number": level})
            self.new_ends.setdefault(note_id, []).append(element)
