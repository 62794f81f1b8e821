"""The XML of single notes: layout of the text, order of the children, changes, accidentals."""

from __future__ import annotations

import copy
import re
import xml.etree.ElementTree as ET
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from xml.sax.saxutils import escape, quoteattr

from simplify.score.measures import marks_of
from simplify.score.read import BarLayout
from simplify.score.source import SourceMeasure

_ORDER = {
    tag: rank
    for rank, tag in enumerate((
        "grace", "cue", "chord", "pitch", "unpitched", "rest", "duration", "tie", "instrument",
        "footnote", "level", "voice", "type", "dot", "accidental", "time-modification", "stem",
        "notehead", "notehead-text", "staff", "beam", "notations", "lyric", "play", "listen",
    ))
}
"""Order of a note's children (MusicXML 4.0, type note)."""

ACCIDENTALS = {-2: "flat-flat", -1: "flat", 0: "natural", 1: "sharp", 2: "double-sharp"}

_SHARPS, _FLATS = "FCGDAEB", "BEADGCF"


@dataclass(frozen=True, slots=True)
class Style:
    """How the source lays out its XML: line end, indentation of a measure's children, one step.
    Without a line end everything stands on one line."""

    newline: str
    base: str
    step: str

    def render(self, element: ET.Element) -> str:
        """An element as text; its first line is not indented."""
        return self._text(element, self.base)

    def _text(self, element: ET.Element, indent: str) -> str:
        opening = "".join(f" {key}={quoteattr(value)}" for key, value in element.attrib.items())
        if len(element) == 0:
            text = element.text or ""
            if not text:
                return f"<{element.tag}{opening}/>"
            return f"<{element.tag}{opening}>{escape(text)}</{element.tag}>"
        inner = indent + self.step
        glue = self.newline + (inner if self.newline else "")
        body = "".join(glue + self._text(child, inner) for child in element)
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


def style_of(text: bytes, measure: SourceMeasure) -> Style:
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
                return Style(newline, base, inner[1].decode()[len(base):])
        outer = re.search(rb"\n([ \t]*)$", text[max(0, measure.start - 80) : measure.start])
        indent = outer[1].decode() if outer else ""
        step = base[len(indent):] if base.startswith(indent) and base != indent else "  "
        return Style(newline, base, step)
    return Style("", "", "")


def insert_child(note: ET.Element, child: ET.Element) -> ET.Element:
    """Puts a child at its place in the order of a note's children."""
    rank = _ORDER[child.tag]
    at = len(note)
    for index, other in enumerate(note):
        if _ORDER.get(other.tag, 0) > rank:
            at = index
            break
    note.insert(at, child)
    return child


def text_element(tag: str, text: str, **attributes: str) -> ET.Element:
    """An element with text."""
    element = ET.Element(tag, attributes)
    element.text = text
    return element


def remove_children(note: ET.Element, tag: str) -> None:
    """Takes away all direct children of a name."""
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


def notations_of(note: ET.Element, group: str = "") -> ET.Element:
    """A note's notations, or a group within them (technical, ornaments ...); made if missing."""
    notations = note.find("notations")
    if notations is None:
        notations = insert_child(note, ET.Element("notations"))
    if not group:
        return notations
    found = notations.find(group)
    return found if found is not None else ET.SubElement(notations, group)


def number_text(value: Fraction) -> str:
    """A number as MusicXML writes it, whole or with six decimals at most."""
    return str(value.numerator) if value.denominator == 1 else f"{float(value):.6f}".rstrip("0")


def ratio_of(note: ET.Element) -> tuple[int, int]:
    """(actual, normal) of a note as its time modification says."""
    change = note.find("time-modification")
    if change is None:
        return 1, 1
    try:
        return int(change.findtext("actual-notes") or 1), int(change.findtext("normal-notes") or 1)
    except ValueError:
        return 1, 1


def bare_copy(element: ET.Element) -> ET.Element:
    """A copy without its position on the page, which belonged to another note."""
    twin = copy.deepcopy(element)
    twin.tail = None
    for name in list(twin.attrib):
        if name.startswith(("default-", "relative-", "bezier-")):
            del twin.attrib[name]
    return twin


_OWN_LINES = frozenset({"tied", "slur", "tuplet", "glissando", "slide", "tremolo", "wavy-line"})
"""Notations that the graft follows from note to note; none is handed on as it stands."""


def _modelled(group: str, element: ET.Element) -> bool:
    """True if a mark of the model stands for a notation."""
    note = ET.Element("note")
    notations_of(note, group).append(element)
    return bool(marks_of(note))


def inherit(note: ET.Element, lost: ET.Element, *, first: bool, last: bool) -> None:
    """Gives a new note what stood on the note in whose place it is: the marks they share as they
    were printed, those that no mark of the model stands for, and the whole lyric of shared words.

    first, last: whether this is the first, the last of the tied values that write the new note.
    """
    for notations in lost.findall("notations"):
        for element in notations:
            group = element.tag in ("ornaments", "technical", "articulations")
            for one in list(element) if group else [element]:
                if one.tag in _OWN_LINES or not (last if one.tag == "fermata" else first):
                    continue
                home = notations_of(note, element.tag if group else "")
                own = home.find(one.tag)
                if own is not None:
                    home[list(home).index(own)] = bare_copy(one)
                elif not _modelled(element.tag if group else "", one):
                    home.append(bare_copy(one))
    words = {"".join(t.text or "" for t in e.iterfind("text")).strip(): e
             for e in lost.findall("lyric")}
    for lyric in note.findall("lyric"):
        printed = words.get((lyric.findtext("text") or "").strip())
        if printed is not None:
            note[list(note).index(lyric)] = bare_copy(printed)
    _prune(note)


@dataclass(slots=True)
class Fix:
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
            insert_child(note, ET.Element("chord"))
        elif self.chord is False:
            remove_children(note, "chord")
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
            remove_children(note, "time-modification")
            remove_children(note, "type")
            remove_children(note, "dot")
            insert_child(note, text_element("type", self.plain[0]))
            for _ in range(self.plain[1]):
                insert_child(note, ET.Element("dot"))
        if self.accidental is not None:
            remove_children(note, "accidental")
            insert_child(note, text_element("accidental", self.accidental))
        if self.beams is not None:
            remove_children(note, "beam")
            for level, value in enumerate(self.beams, start=1):
                insert_child(note, text_element("beam", value, number=str(level)))
        if self.edges is not None:
            for notations in note.findall("notations"):
                for tuplet in notations.findall("tuplet"):
                    notations.remove(tuplet)
            for wanted, kind in zip(self.edges, ("start", "stop"), strict=True):
                if wanted:
                    notations_of(note).append(ET.Element("tuplet", {"type": kind, "number": "1"}))
        for element in self.notations:
            group = "ornaments" if element.tag in ("wavy-line", "tremolo") else ""
            notations_of(note, group).append(copy.deepcopy(element))
        for lyric in self.lyrics:
            insert_child(note, copy.deepcopy(lyric))
        if self.finger is not None:
            for technical in note.findall("notations/technical"):
                for finger in technical.findall("fingering"):
                    technical.remove(finger)
            notations_of(note, "technical").append(text_element("fingering", str(self.finger)))
        if self.colour is not None:
            note.set("color", self.colour)
        _prune(note)
        return note


@dataclass(frozen=True, slots=True)
class Sign:
    """A written pitch in time, for working out accidentals. key: child index, or a new note."""

    order: tuple[int, float, int]
    key: int | str
    staff: int
    step: str
    alter: int
    octave: str
    tied: bool
    printed: bool


def written_pitch(pitch: ET.Element) -> tuple[str, int, str]:
    """(letter, alteration, octave) of a `<pitch>`, as written."""
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


def signs_missing(rows: list[Sign], layout: BarLayout) -> list[tuple[int | str, int]]:
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
