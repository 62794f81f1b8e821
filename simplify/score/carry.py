"""What stands around the notes of a source, carried over into a new score of the same bars.

Words, hairpins, dashes, segno and coda signs, chord symbols, and the places where the source breaks
its lines and pages. Dynamics, tempo and rehearsal marks are not carried: `blank.py` writes them
from the part. What belongs to the source's instrument alone (damper pedal, pedal marks of a harp)
stays there.
"""

from __future__ import annotations

import copy
import re
import xml.etree.ElementTree as ET
from collections.abc import Sequence
from fractions import Fraction

from simplify.score.marks import only_pedals
from simplify.score.measures import integer, shift_of
from simplify.score.model import TICKS
from simplify.score.notexml import Style, number_text
from simplify.score.read import LoadedPart
from simplify.score.source import load_document

_CARRIED = ("words", "wedge", "dashes", "bracket", "segno", "coda")
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
        rest = [c for c in measure.children if c.element.tag in ("note", "backup", "forward")]
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
