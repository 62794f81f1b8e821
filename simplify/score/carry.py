"""What stands around the notes of a source, carried over into a new score of the same bars.

Words, hairpins, dashes, segno and coda signs, chord symbols, cue notes, and the places where the
source breaks its lines and pages. Dynamics, tempo and rehearsal marks are not carried: `blank.py`
writes them from the part. What belongs to the source's instrument alone (damper pedal, pedal marks
of a harp) stays there.
"""

from __future__ import annotations

import copy
import math
import re
import xml.etree.ElementTree as ET
from collections.abc import Sequence
from fractions import Fraction

from simplify.score.marks import only_pedals
from simplify.score.measures import PlacedChild, in_ticks, integer, shift_of, transposed
from simplify.score.model import TICKS, Bar, Pitch
from simplify.score.notexml import Style, insert_child, number_text, text_element
from simplify.score.read import BarLayout, LoadedPart
from simplify.score.source import SourceMeasure, load_document

_CARRIED = ("words", "wedge", "dashes", "bracket", "segno", "coda")
_TIMED = ("note", "backup", "forward")
_BREAKS = ("new-system", "new-page")


def carried(xml: bytes, loaded: LoadedPart, texts: Sequence[tuple[int, str]] = ()) -> bytes:
    """The new score (one part, the same bars as `loaded`, UTF-8) with what stood around the notes.

    texts: (tick, words) to print besides, below the staves.
    """
    document = load_document(xml, loaded.part.name)
    part = document.parts[0]
    divisions = 1
    style = Style("\n", "      ", "  ")
    changes: list[tuple[int, int, bytes]] = []
    for bar, measure in zip(loaded.part.bars, part.measures, strict=True):
        for child in measure.children:
            if child.element.tag == "attributes":
                divisions = max(1, integer(child.element.findtext("divisions"), divisions))
        head = [c for c in measure.children if c.element.tag == "attributes"]
        rest = [c for c in measure.children if c.element.tag in _TIMED]
        place = head[0].end if head else rest[0].start if rest else measure.inner_end
        blocks = [
            style.render(element) for element in _directions(loaded, bar.index, divisions)
        ]
        for tick, words in texts:
            if bar.onset <= tick < bar.end:
                blocks.append(style.render(_words(words, tick - bar.onset, divisions)))
        if blocks:
            if head or not rest:
                text = "".join("\n      " + block for block in blocks)
            else:
                text = "".join(block + "\n      " for block in blocks)
            changes.append((place, place, text.encode("utf-8")))
        cues = _cues(loaded, bar, measure, divisions)
        if cues:
            timed = [c for c in measure.children if c.element.tag in _TIMED]
            end = timed[-1].end if timed else place
            text = "".join("\n      " + style.render(element) for element in cues)
            changes.append((end, end, text.encode("utf-8")))
        breaks = _breaks(loaded, bar.index)
        if breaks and bar.index:
            text = f"\n      <print {breaks}/>"
            changes.append((measure.inner_start, measure.inner_start, text.encode("utf-8")))
    return document.encoded(document.splice(changes))


def _breaks(loaded: LoadedPart, bar: int) -> str:
    """Attributes of the source's line or page break before a bar."""
    for child in loaded.sources[0].measures[bar].children:
        if child.element.tag == "print":
            found = [f'{name}="yes"' for name in _BREAKS if child.element.get(name) == "yes"]
            if found:
                return " ".join(found[-1:])
    return ""


def _directions(loaded: LoadedPart, bar: int, divisions: int) -> list[ET.Element]:
    found = []
    layout = loaded.layouts[0][bar]
    for child in layout.children:
        if child.kind != "other":
            continue
        source = loaded.sources[0].measures[bar].children[child.child].element
        tick = child.onset + round(shift_of(source, layout.divisions))
        if source.tag == "harmony":
            found.append(_placed(copy.deepcopy(source), tick, divisions))
        elif source.tag == "direction" and not only_pedals(source):
            kept = _kept(source, loaded.choice.upside_down)
            if kept is not None:
                found.append(_placed(kept, tick, divisions))
    return found


def _cues(
    loaded: LoadedPart, bar: Bar, measure: SourceMeasure, divisions: int
) -> list[ET.Element]:
    """The source's cue notes and their rests in a bar, as voices of their own after all others,
    with the backups and forwards that lead there."""
    layout = loaded.layouts[0][bar.index]
    children = loaded.sources[0].measures[bar.index].children
    rows: dict[tuple[int, str], list[PlacedChild]] = {}
    for child in layout.children:
        if children[child.child].element.find("cue") is not None:
            rows.setdefault((child.staff, child.voice), []).append(child)
    if not rows:
        return []
    at = Fraction(0)
    for item in measure.children:
        amount = in_ticks(item.element.findtext("duration") or "0", divisions)
        if item.element.tag == "backup":
            at -= amount
        elif item.element.tag in _TIMED and item.element.find("chord") is None:
            at += amount
    taken = {item.element.findtext("voice") for item in measure.children}
    found: list[ET.Element] = []
    for (staff, _), cues in sorted(rows.items()):
        here = 3 - min(staff, 2) if loaded.choice.upside_down else min(staff, 2)
        voice = next(v for v in map(str, range(4 * here, 4 * here + 90)) if v not in taken)
        taken.add(voice)
        for cue in cues:
            if not cue.chord:
                found += _moved(at, Fraction(cue.onset))
                at = Fraction(cue.end)
            found.append(_cue(children[cue.child].element, cue, voice, here, layout))
    found += _moved(at, Fraction(bar.duration))
    return _counted(found, divisions)


def _moved(at: Fraction, to: Fraction) -> list[ET.Element]:
    """A backup or forward, with its length in ticks."""
    if at == to:
        return []
    element = ET.Element("backup" if to < at else "forward")
    ET.SubElement(element, "duration").text = str(abs(to - at))
    return [element]


def _cue(
    source: ET.Element, cue: PlacedChild, voice: str, staff: int, layout: BarLayout
) -> ET.Element:
    """A copy of a cue note at sounding pitch, with its length in ticks."""
    note = copy.deepcopy(source)
    for tag in ("instrument", "voice", "staff", "duration"):
        for old in note.findall(tag):
            note.remove(old)
    for element in note.iter():
        element.attrib.pop("id", None)
        element.tail = None
        if element.text is not None and not element.text.strip():
            element.text = None
    moved = layout.transposes.get(cue.staff, layout.transposes.get(0, (0, 0)))
    pitch = note.find("pitch")
    if pitch is not None and moved != (0, 0):
        written = Pitch(
            (pitch.findtext("step") or "C").strip(),
            integer(pitch.findtext("alter"), 0), integer(pitch.findtext("octave"), 4),
        )
        sounding = transposed(written, *moved)
        pitch[:] = [text_element("step", sounding.step)]
        if sounding.alter:
            pitch.append(text_element("alter", str(sounding.alter)))
        pitch.append(text_element("octave", str(sounding.octave)))
    if note.find("grace") is None:
        insert_child(note, text_element("duration", str(cue.end - cue.onset)))
    insert_child(note, text_element("voice", voice))
    insert_child(note, text_element("staff", str(staff)))
    return note


def _counted(elements: list[ET.Element], divisions: int) -> list[ET.Element]:
    """The elements with their lengths, given in ticks, in divisions; finer ones where the score's
    own don't say them."""
    lengths = [e for element in elements for e in element.iter("duration")]
    amounts = [Fraction(e.text or 0) * divisions / TICKS for e in lengths]
    finer = math.lcm(1, *(amount.denominator for amount in amounts))
    for element, amount in zip(lengths, amounts, strict=True):
        element.text = str(amount * finer)
    if finer == 1:
        return elements
    heads = []
    for unit in (divisions * finer, divisions):
        head = ET.Element("attributes")
        ET.SubElement(head, "divisions").text = str(unit)
        heads.append(head)
    return [heads[0], *elements, heads[1]]


def _kept(direction: ET.Element, upside_down: bool) -> ET.Element | None:
    """A copy of a direction with the kinds that are carried, or None if nothing is left."""
    new = ET.Element("direction", {
        key: value for key, value in direction.attrib.items() if key in ("placement", "directive")
    })
    for kind in direction.findall("direction-type"):
        content = [child for child in kind if child.tag in _CARRIED]
        if content and len(content) == len(kind):
            new.append(copy.deepcopy(kind))
    if not len(new):
        return None
    staff = min(2, integer(direction.findtext("staff"), 1))
    ET.SubElement(new, "staff").text = str(3 - staff if upside_down else staff)
    sound = direction.find("sound")
    if sound is not None:
        jumps = {k: v for k, v in sound.attrib.items() if k not in ("tempo", "dynamics")}
        if jumps and not {"damper-pedal", "soft-pedal", "sostenuto-pedal"} & jumps.keys():
            ET.SubElement(new, "sound", jumps)
    return new


def _placed(element: ET.Element, tick: int, divisions: int) -> ET.Element:
    """The element with its place written as an offset from the start of the bar."""
    for old in element.findall("offset"):
        element.remove(old)
    staff = element.find("staff")
    if staff is not None and integer(staff.text, 1) > 2:
        staff.text = "2"
    for node in element.iter():
        node.tail = None
        if node.text is not None and not node.text.strip():
            node.text = None
    if tick:
        offset = ET.Element("offset")
        offset.text = number_text(Fraction(tick * divisions, TICKS))
        last = [i for i, c in enumerate(element) if c.tag in ("staff", "sound")]
        element.insert(last[0] if last else len(element), offset)
    return element


def _words(text: str, tick: int, divisions: int) -> ET.Element:
    direction = ET.Element("direction", {"placement": "below"})
    kind = ET.SubElement(direction, "direction-type")
    ET.SubElement(kind, "words", {"font-style": "normal"}).text = text
    ET.SubElement(direction, "staff").text = "2"
    return _placed(direction, tick, divisions)


def together(scores: Sequence[bytes]) -> bytes:
    """One score of several of one part each (UTF-8, as `emit_part` writes them), as its parts."""
    texts = [score.decode("utf-8") for score in scores]
    entries, parts = [], []
    for number, text in enumerate(texts, start=1):
        listed = re.search(r"<score-part id=.*?</score-part>", text, re.DOTALL)
        music = re.search(r"<part id=.*</part>", text, re.DOTALL)
        assert listed is not None
        assert music is not None
        name = f'"P{number}"'
        entries.append(listed[0].replace('"P1"', name, 1))
        parts.append(music[0].replace('"P1"', name, 1))
    head = texts[0][: texts[0].index("<score-part id=")]
    return (
        head + "\n    ".join(entries) + "\n  </part-list>\n  " + "\n  ".join(parts)
        + "\n</score-partwise>\n"
    ).encode()
