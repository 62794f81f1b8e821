"""A rewrite beside the original: an added part in the same score, for comparing the two.

The source stays as it is, byte for byte; a part is added below the one that was rewritten, like an
ossia: it has the rewritten music in the bars of the passage and rests in all others. What belongs
to the whole score (tempo, rehearsal marks, chord symbols) is not said twice.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from xml.sax.saxutils import escape

from simplify.errors import GentlerError, OutputError
from simplify.score.graft import graft, same_music
from simplify.score.marks import PedalMark
from simplify.score.model import TICKS, Bar, NoteId, Part
from simplify.score.notexml import number_text
from simplify.score.read import LoadedPart, load_part
from simplify.score.source import (
    SourceChild,
    SourceDocument,
    SourceMeasure,
    SourcePart,
    load_document,
)

_TAG = re.compile(rb"""<[A-Za-z](?:[^<>"']|"[^"]*"|'[^']*')*>""")
_ID = re.compile(rb"""\s+id\s*=\s*(?:"([^"]*)"|'([^']*)')""")
_SPANNERS = ("wedge", "octave-shift", "dashes", "bracket", "pedal", "principal-voice")
_OPENS = frozenset({"start", "crescendo", "diminuendo", "up", "down", "sostenuto", "resume"})


def beside(
    loaded: LoadedPart,
    new: Part,
    first: int,
    last: int,
    *,
    label: str,
    short: str = "",
    pedal_marks: Sequence[PedalMark] = (),
    fingering: Mapping[NoteId, int] | None = None,
    colour_changed: bool = False,
) -> bytes:
    """The source document, in its own encoding, with bars first..last (indices) of `new` as a part
    of its own below the loaded one. label: what the added part's name says after the
    instrument; short: the same for its abbreviation.

    Raises:
        OutputError: the bars can't be written, or the added part does not read back as `new`.
    """
    low, high = new.bars[first].onset, new.bars[last].end
    inside = replace(
        new, notes=tuple(note for note in new.notes if first <= note.bar <= last)
    )
    changed = graft(
        loaded, inside, pedal_marks=pedal_marks, pedal_span=(low, high), fingering=fingering,
        colour_changed=colour_changed,
    )
    document = loaded.score.document
    rewritten = load_document(changed, document.path)
    taken = {e.get("id", "") for e in document.root.iter() if e.get("id")}
    names = {source.id: _free(f"{source.id}-alt", taken) for source in loaded.sources}
    splices = [
        _entries(document, loaded, names, (label, short or label), taken),
        *_music(document, rewritten, loaded, names, first, last),
    ]
    encoded = document.encoded(document.splice(splices))
    _check(loaded, inside, encoded, names)
    return encoded


def _free(wanted: str, taken: set[str]) -> str:
    """An id that the document does not have yet; it is taken from now on."""
    name, number = wanted, 1
    while name in taken:
        number += 1
        name = f"{wanted}{number}"
    taken.add(name)
    return name


# --- the part list ------------------------------------------------------------------------------


def _entries(
    document: SourceDocument, loaded: LoadedPart, names: dict[str, str],
    labels: tuple[str, str], taken: set[str],
) -> tuple[int, int, bytes]:
    """The new entries of the part list and where they go: after the rewritten part's own, or after
    the group that holds nothing but it."""
    rows = list(document.listed)
    wanted = {source.id for source in loaded.sources}
    own = [i for i, row in enumerate(rows) if row.element.get("id") in wanted]
    if not own:
        raise OutputError(
            f"{document.path}: part {loaded.part.name} is not in the part list, so no part can be "
            "put beside it; export the score again"
        )
    before, after = own[0], own[-1]
    grouped = ""
    while (
        before > 0 and after + 1 < len(rows)
        and _group(rows[before - 1], "start") and _group(rows[after + 1], "stop")
        and rows[before - 1].element.get("number") == rows[after + 1].element.get("number")
    ):
        before, after = before - 1, after + 1
        grouped = rows[before].element.findtext("group-symbol") or grouped
    glue = _space_before(document, rows[own[0]])
    chunks = [_entry(document, rows[index], loaded, names, labels, taken) for index in own]
    if grouped and len(own) > 1:
        numbers = {row.element.get("number", "1") for row in rows}
        free = next(str(n) for n in range(1, 100) if str(n) not in numbers)
        chunks.insert(0, (
            f'<part-group type="start" number="{free}">'
            f"<group-symbol>{escape(grouped)}</group-symbol></part-group>"
        ).encode())
        chunks.append(f'<part-group type="stop" number="{free}"/>'.encode())
    return rows[after].end, rows[after].end, b"".join(glue + chunk for chunk in chunks)


def _group(row: SourceChild, kind: str) -> bool:
    return row.element.tag == "part-group" and row.element.get("type") == kind


def _space_before(document: SourceDocument, child: SourceChild) -> bytes:
    """The white space before an element."""
    match = re.search(rb"\s*$", document.text[: child.start])
    return match[0] if match else b""


def _entry(
    document: SourceDocument, row: SourceChild, loaded: LoadedPart, names: dict[str, str],
    labels: tuple[str, str], taken: set[str],
) -> bytes:
    """A score-part like the rewritten part's, with a name and ids of its own."""
    entry = row.element
    part_id = entry.get("id", "")
    for item in entry.iterfind("score-instrument"):
        old = item.get("id", "")
        names[old] = _free(f"{old}-alt", taken)
    twin = ET.fromstring(document.raw(row))
    twin.set("id", names[part_id])
    kept = [e for e in twin if e.tag not in (
        "identification", "part-link", "part-name", "part-name-display", "part-abbreviation",
        "part-abbreviation-display", "group",
    )]
    short = (entry.findtext("part-abbreviation") or "").strip()
    name = ET.Element("part-name")
    name.text = f"{loaded.choice.name or 'Harp'} ({labels[0]})"
    head = [name]
    if short:
        abbreviation = ET.Element("part-abbreviation")
        abbreviation.text = f"{short} ({labels[1]})"
        head.append(abbreviation)
    for element in head:
        element.tail = twin.text
    twin[:] = [*head, *kept]
    if len(twin) and not kept:
        twin[-1].tail = entry[-1].tail if len(entry) else None
    for element in twin.iter():
        if element is not twin and element.get("id") in names:
            element.set("id", names[element.get("id", "")])
    twin.tail = None
    return ET.tostring(twin, encoding="unicode").encode("utf-8")


# --- the music ----------------------------------------------------------------------------------


def _music(
    document: SourceDocument, rewritten: SourceDocument, loaded: LoadedPart,
    names: Mapping[str, str], first: int, last: int,
) -> list[tuple[int, int, bytes]]:
    """The new part elements and where they go: after the rewritten part's own, in a score-timewise
    in every measure."""
    own = [document.part(source.id) for source in loaded.sources]
    written: list[list[bytes]] = []
    for number, old in enumerate(own):
        source = rewritten.part(old.id)
        rows = []
        for bar in loaded.part.bars:
            measure = source.measures[bar.index]
            rows.append(
                _copied(rewritten, source, measure, names, first, last)
                if first <= bar.index <= last
                else _resting(rewritten, loaded, number, bar, measure, names)
            )
        written.append(rows)
    if document.timewise:
        spots = [max(part.measures[i].end for part in own) for i in range(len(written[0]))]
        return [
            (spot, spot, b"".join(rows[i] for rows in written)) for i, spot in enumerate(spots)
        ]
    at = max(part.end for part in own)
    chunks = []
    for old, rows in zip(own, written, strict=True):
        lead = re.search(rb"\s*$", document.text[: old.start])
        tag = f'<part id="{names[old.id]}">'.encode()
        ends = re.search(rb"\s*$", document.text[: old.end - len(b"</part>")])
        chunks.append(
            (lead[0] if lead else b"") + tag + b"".join(rows) + (ends[0] if ends else b"")
            + b"</part>"
        )
    return [(at, at, b"".join(chunks))]


def _lead(document: SourceDocument, measure: SourceMeasure) -> bytes:
    match = re.search(rb"\s*$", document.text[: measure.start])
    return match[0] if match else b""


def _copied(
    document: SourceDocument, source: SourcePart, measure: SourceMeasure,
    names: Mapping[str, str], first: int, last: int,
) -> bytes:
    """A measure of the passage without what belongs to the whole score, ids of its own."""
    lost = _half_lines(source, first, last)
    pieces, at = [], measure.start
    for child in measure.children:
        if _of_the_score(child.element) or id(child.element) in lost:
            start = child.start - len(_space_before(document, child))
            pieces.append(document.text[at : max(at, start)])
            at = child.end
    pieces.append(document.text[at : measure.end])
    return _lead(document, measure) + _own_ids(b"".join(pieces), names)


def _of_the_score(element: ET.Element) -> bool:
    """True for what a score says once: tempo, rehearsal marks, chord symbols, sounds."""
    if element.tag in ("harmony", "sound"):
        return True
    return element.tag == "direction" and (
        element.find("sound[@tempo]") is not None
        or element.find("direction-type/metronome") is not None
        or element.find("direction-type/rehearsal") is not None
    )


def _half_lines(source: SourcePart, first: int, last: int) -> set[int]:
    """ids of the directions in the passage whose hairpin, pedal or other line has its other end
    outside."""
    waiting: dict[tuple[str, str], list[ET.Element]] = {}
    lost: set[int] = set()
    for measure in source.measures[first : last + 1]:
        for child in measure.children:
            for item in child.element.iterfind("direction-type/*"):
                if item.tag not in _SPANNERS:
                    continue
                key = (item.tag, item.get("number", "1"))
                kind = item.get("type", "")
                if kind in _OPENS:
                    waiting.setdefault(key, []).append(child.element)
                elif kind == "stop" and waiting.get(key):
                    waiting[key] = []
                elif not waiting.get(key):
                    lost.add(id(child.element))
                else:
                    waiting[key].append(child.element)
    return lost | {id(element) for rows in waiting.values() for element in rows}


def _own_ids(text: bytes, names: Mapping[str, str]) -> bytes:
    """The text with instruments renamed and every other id taken off: an id must be unique."""

    def renamed(match: re.Match[bytes]) -> bytes:
        old = (match[1] if match[1] is not None else match[2]).decode("utf-8")
        return f' id="{names[old]}"'.encode() if old in names else b""

    return _TAG.sub(lambda tag: _ID.sub(renamed, tag[0]), text)


def _resting(
    document: SourceDocument, loaded: LoadedPart, number: int, bar: Bar, measure: SourceMeasure,
    names: Mapping[str, str],
) -> bytes:
    """A measure outside the passage: its attributes and barlines, and rests."""
    text = document.text
    tag = _own_ids(text[measure.start : measure.inner_start], names)
    if measure.inner_end == measure.end:  # <measure .../>
        tag = tag.rstrip()[:-2].rstrip() + b">"
    glue = re.search(rb"^\s*", text[measure.inner_start : measure.inner_end])
    space = glue[0] if glue and measure.children else b""
    closing = re.search(rb"\s*$", text[measure.inner_start : measure.inner_end])
    layout = loaded.layouts[number][bar.index]
    unit = layout.divisions
    kept: list[bytes] = []
    tail: list[bytes] = []
    for child in measure.children:
        element = child.element
        if element.tag == "attributes":
            unit = int(float(element.findtext("divisions") or unit))
            kept.append(_own_ids(document.raw(child), {}))
        elif element.tag == "barline":
            right = element.get("location", "right") == "right"
            (tail if right else kept).append(_own_ids(document.raw(child), {}))
    duration = Fraction(bar.duration * unit, TICKS)
    if duration.denominator != 1:
        kept.append(
            f"<attributes><divisions>{unit * duration.denominator}</divisions></attributes>"
            .encode()
        )
        tail.append(f"<attributes><divisions>{unit}</divisions></attributes>".encode())
        duration *= duration.denominator
    length = f"<duration>{number_text(duration)}</duration>"
    whole = ' measure="yes"' if bar.duration == bar.metre_ticks else ""
    several = len(loaded.sources) == 1 and loaded.choice.staves > 1
    for staff in range(1, loaded.choice.staves + 1) if several else (1,):
        if staff > 1:
            kept.append(f"<backup>{length}</backup>".encode())
        where = f"<staff>{staff}</staff>" if several else ""
        voice = f"<voice>{4 * (staff - 1) + 1}</voice>"
        kept.append(f"<note><rest{whole}/>{length}{voice}{where}</note>".encode())
    body = b"".join(space + chunk for chunk in (*kept, *tail))
    end = (closing[0] if closing else b"") + document.closing
    return _lead(document, measure) + tag + body + end


def _check(
    loaded: LoadedPart, inside: Part, encoded: bytes, names: Mapping[str, str]
) -> None:
    """Reads both parts again; raises OutputError if one is not the music it should be."""
    path = loaded.score.document.path
    try:
        again = replace(loaded.score, document=load_document(encoded, path))
        original = load_part(again, loaded.choice)
        added = load_part(
            again, replace(loaded.choice, ids=tuple(names[i] for i in loaded.choice.ids)),
            empty=True,
        )
    except GentlerError as error:
        raise OutputError(f"{path}: the added part can't be read again: {error}") from None
    for wanted, found, which in (
        (loaded.part, original.part, "original"), (inside, added.part, "added")
    ):
        differences = same_music(wanted, found)
        if differences:
            raise OutputError(
                f"{path}: beside each other, the {which} part does not read back the same: "
                f"{differences[0]}; nothing was written"
            )
