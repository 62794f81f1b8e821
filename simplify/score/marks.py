"""Harp pedal marks: reading those a source prints, building the XML of those that are added.

Read: `<harp-pedals>` diagrams and words such as ``F♯``, ``E♭ A♮``, ``Mi ♮ Fa ♯ Sol ♮`` or a whole
setting, in English or German letters and in French or Italian syllables. A word counts only with
an accidental sign on a letter, so that a rehearsal ``A`` or ``D.C.`` is never a pedal.

Built: diagrams in the order D C B E F G A (MusicXML 4.0, `<harp-pedals>`: "for easiest reading,
the pedal-tuning elements should follow standard harp pedal order, with pedal-step values of D, C,
B, E, F, G, and A") and one line of words for each move, right foot (E F G A) above left foot
(D C B), the two-line form (E. Volpe Bligh, Preparing orchestral harp parts; G. Einarsdottir, harp
notation manual of the Sibelius Academy). They stand below the lower staff: the same manual puts
them outside the two staves, and harpists write their own between them.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal
from xml.sax.saxutils import escape

from simplify.score.model import ALTER_SIGNS, TICKS, GivenSetting

PEDAL_ORDER = "DCBEFGA"
"""Pedals from the left: three of the left foot, four of the right (MusicXML `<harp-pedals>`)."""

LEFT_FOOT = "DCB"
"""Pedals of the left foot; the others are the right's."""

Positions = tuple[tuple[str, int], ...]

_SYLLABLES = {
    "do": "C", "ut": "C", "re": "D", "ré": "D", "mi": "E", "fa": "F", "sol": "G", "la": "A",
    "si": "B", "h": "B",
}
_SIGNS = {
    "♭": -1, "\ue260": -1, "b": -1, "♮": 0, "\ue261": 0, "♯": 1, "\ue262": 1, "#": 1,
}
_SYMBOLS = {"accidentalFlat": "♭", "accidentalNatural": "♮", "accidentalSharp": "♯"}
_TOKEN = re.compile(
    r"(?<![\w.])(?P<letter>do|ut|r[eé]|mi|fa|sol|la|si|[A-H])"
    r"(?:(?P<spaced>\s?[♭♮♯\ue260\ue261\ue262])|(?P<plain>[#b])(?![\w]))",
    re.IGNORECASE,
)
_NOT_A_PEDAL_BEFORE = re.compile(r"\b(?:in|en|auf)\s*$", re.IGNORECASE)
_NOT_A_PEDAL_AFTER = re.compile(
    r"^[\s-]*(?:major|minor|maj|min|dur|moll|majeur|mineur|maggiore|minore|clar|trum|horn)",
    re.IGNORECASE,
)
_GERMAN = re.compile(r"(?P<letter>[CDEFGAH])(?P<end>is|es|s)?$")
_BETWEEN = re.compile(r"[\s,;/|:\-–—()\[\]]+")


@dataclass(frozen=True, slots=True)
class PedalMark:
    """A pedal mark to print at a tick: a whole setting as a diagram, moves as words, or levers.

    positions: letter to position (-1 flat, 0 natural, 1 sharp). text: of levers (kind 'words').
    """

    onset: int
    kind: Literal["setting", "move", "words"]
    positions: Positions
    text: str = ""

    def __post_init__(self) -> None:
        if self.kind == "words":
            if self.positions or not self.text:
                raise ValueError(f"lever words have a text and no pedals, got {self!r}")
            return
        if self.kind not in ("setting", "move") or not self.positions:
            raise ValueError(f"a pedal mark is a 'setting' or 'move' with pedals, got {self!r}")
        for letter, position in self.positions:
            if len(letter) != 1 or letter not in PEDAL_ORDER or position not in (-1, 0, 1):
                raise ValueError(f"pedal {letter!r} at {position!r}: want A..G at -1, 0 or 1")


def in_pedal_order(positions: Mapping[str, int]) -> Positions:
    """The pedals as (letter, position) pairs in the order D C B E F G A."""
    return tuple((letter, positions[letter]) for letter in PEDAL_ORDER if letter in positions)


def pedals_in_words(text: str) -> Positions:
    """Pedals named in a text, in pedal order; empty if it names none.

    A sign that only looks like one in plain letters (``Eb``, ``F#``) counts where nothing but
    pedals stands in the text; a letter after "in" or before "major" names a key or an instrument.
    """
    found: dict[str, int] = {}
    rest = text
    plain = False
    for match in _TOKEN.finditer(text):
        letter = match["letter"]
        if len(letter) == 1 and letter.islower():
            continue
        if _NOT_A_PEDAL_BEFORE.search(text[: match.start()]) or _NOT_A_PEDAL_AFTER.match(
            text[match.end() :]
        ):
            return ()
        plain = plain or match["plain"] is not None
        sign = (match["spaced"] or match["plain"]).strip()
        step = _SYLLABLES.get(letter.lower(), letter.upper())
        found[step] = _SIGNS[sign]
        rest = rest.replace(match[0], " ", 1)
    if plain and _BETWEEN.sub("", rest):
        return ()
    return in_pedal_order(found) if found else _german_names(text)


def _german_names(text: str) -> Positions:
    """``Des Es As`` and the like: nothing but German note names, two of them altered."""
    words = [word for word in _BETWEEN.split(text) if word]
    found: dict[str, int] = {}
    altered = 0
    for word in words:
        match = _GERMAN.match(word)
        if word == "B":
            found["B"], altered = -1, altered + 1
        elif match and (match["end"] != "s" or match["letter"] in "EA"):
            step = "B" if match["letter"] == "H" else match["letter"]
            found[step] = {"is": 1, "es": -1, "s": -1, None: 0}[match["end"]]
            altered += match["end"] is not None
        else:
            return ()
    return in_pedal_order(found) if altered >= 2 else ()


def _diagram(element: ET.Element) -> Positions:
    """Positions of a `<harp-pedals>`; odd entries (no step, quarter tones) are left out."""
    found: dict[str, int] = {}
    for tuning in element.findall("pedal-tuning"):
        step = (tuning.findtext("pedal-step") or "").strip()
        try:
            alter = float(tuning.findtext("pedal-alter") or "x")
        except ValueError:
            continue
        if step in PEDAL_ORDER and len(step) == 1 and alter in (-1.0, 0.0, 1.0):
            found[step] = int(alter)
    return in_pedal_order(found)


def _words(direction: ET.Element) -> str:
    """The direction's words with SMuFL symbols as signs."""
    pieces = []
    for kind in direction.findall("direction-type"):
        for child in kind:
            if child.tag == "words":
                pieces.append(child.text or "")
            elif child.tag == "symbol":
                pieces.append(_SYMBOLS.get((child.text or "").strip(), " "))
    return " ".join(pieces) if any(p.strip() for p in pieces) else ""


def given_setting(direction: ET.Element, onset: int) -> GivenSetting | None:
    """The pedal setting or move a `<direction>` prints, or None. onset: its tick."""
    for diagram in direction.iterfind("direction-type/harp-pedals"):
        positions = _diagram(diagram)
        if positions:
            return GivenSetting(onset, positions)
    positions = pedals_in_words(_words(direction))
    return GivenSetting(onset, positions) if positions else None


def only_pedals(direction: ET.Element) -> bool:
    """True if a `<direction>` prints pedals and nothing else, so that new marks may replace it."""
    if given_setting(direction, 0) is None or direction.find("sound") is not None:
        return False
    for kind in direction.findall("direction-type"):
        for child in kind:
            if child.tag not in ("harp-pedals", "words", "symbol"):
                return False
    if direction.find("direction-type/harp-pedals") is not None:
        return not _words(direction) or bool(pedals_in_words(_words(direction)))
    rest = _TOKEN.sub(" ", _words(direction))
    return not _BETWEEN.sub("", rest) or bool(_german_names(_words(direction)))


def diagram_xml(positions: Positions) -> tuple[str, ...]:
    """Lines of a `<harp-pedals>` element, unindented but for its own depth (two spaces)."""
    lines = ["<harp-pedals>"]
    for letter, position in in_pedal_order(dict(positions)):
        lines += [
            "  <pedal-tuning>",
            f"    <pedal-step>{letter}</pedal-step>",
            f"    <pedal-alter>{position}</pedal-alter>",
            "  </pedal-tuning>",
        ]
    return (*lines, "</harp-pedals>")


def move_words(positions: Positions) -> tuple[str, ...]:
    """Words of each move, from top to bottom: the right foot's first, then the left foot's."""
    ordered = in_pedal_order(dict(positions))
    return tuple(
        f"{letter}{ALTER_SIGNS[position]}"
        for foot in (False, True)
        for letter, position in ordered
        if (letter in LEFT_FOOT) == foot
    )


def directions_xml(
    mark: PedalMark, *, staff: int | None = None, offset: int = 0, divisions: int = 1
) -> tuple[tuple[str, ...], ...]:
    """The `<direction>` elements of a pedal mark, each as lines with two spaces a level.

    staff: written where the part has more than one. offset: ticks after the place in the bar
    where the direction is put, written in divisions of the quarter note.
    """
    contents: list[tuple[str, ...]]
    if mark.kind == "setting":
        contents = [diagram_xml(mark.positions)]
    elif mark.kind == "words":
        contents = [(f"<words font-style=\"normal\">{escape(mark.text)}</words>",)]
    else:
        words = move_words(mark.positions)
        contents = [(f"<words font-style=\"normal\">{escape(word)}</words>",) for word in words]
    built = []
    for content in contents:
        lines = ['<direction placement="below">', "  <direction-type>"]
        lines += [f"    {line}" for line in content]
        lines.append("  </direction-type>")
        if offset:
            lines.append(f"  <offset>{_decimal(offset * divisions, TICKS)}</offset>")
        if staff is not None:
            lines.append(f"  <staff>{staff}</staff>")
        lines.append("</direction>")
        built.append(tuple(lines))
    return tuple(built)


def _decimal(numerator: int, denominator: int) -> str:
    """A quotient as MusicXML writes it: whole if it is, else with six decimals at most."""
    whole, rest = divmod(numerator, denominator)
    return str(whole) if rest == 0 else f"{numerator / denominator:.6f}".rstrip("0")
