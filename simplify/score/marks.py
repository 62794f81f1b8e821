"""Harp pedal marks: reading those a source prints, building the XML of those that are added.

Read: `<harp-pedals>` diagrams, diagrams set in a music font, and words such as ``F♯``, ``E♭ A♮``,
``B flat``, ``Mi ♮ Fa ♯ Sol ♮``, ``fa dièse``, ``prepare D♮`` or a whole setting, in English or
German letters and in French, Italian or Spanish syllables. A word counts only with an accidental on
a letter, so that a rehearsal ``A`` or ``D.C.`` is never a pedal.

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
    "flat": -1, "bémol": -1, "bemol": -1, "bemolle": -1, "natural": 0, "nat": 0, "bécarre": 0,
    "becarre": 0, "bequadro": 0, "becuadro": 0, "sharp": 1, "dièse": 1, "diese": 1, "diesis": 1,
    "sostenido": 1,
}
_SYMBOLS = {
    "accidentalFlat": "♭", "accidentalNatural": "♮", "accidentalSharp": "♯",
    "harpPedalRaised": "\ue680", "harpPedalCentered": "\ue681", "harpPedalLowered": "\ue682",
    "harpPedalDivider": "\ue683",
}
_DRAWN = {"\ue680": -1, "\ue681": 0, "\ue682": 1}
"""Characters of a diagram set in a music font (SMuFL, "Harp techniques": raised, centred,
lowered); they stand in the order of the pedals."""
_TOKEN = re.compile(
    r"(?<![\w.])(?P<letter>do|ut|r[eé]|mi|fa|sol|la|si|[A-H])"
    r"(?:(?P<spaced>\s?[♭♮♯\ue260\ue261\ue262])|(?P<plain>[#b])(?![\w])"
    r"|[\s-]?(?P<word>flat|natural|nat(?=\.)|sharp|b[ée]mol|b[ée]carre|di[èe]se|bemolle|bequadro"
    r"|diesis|becuadro|sostenido)(?![\w]))",
    re.IGNORECASE,
)
_NOT_A_PEDAL_BEFORE = re.compile(r"\b(?:in|en|auf)\s*$", re.IGNORECASE)
_NOT_A_PEDAL_AFTER = re.compile(
    r"^[\s-]*(?:major|minor|maj|min|dur|moll|majeur|mineur|maggiore|minore|clar|trum|horn)",
    re.IGNORECASE,
)
_GERMAN = re.compile(r"(?P<letter>[CDEFGAH])(?P<end>is|es|s)?$")
_PREPARE = re.compile(
    r"\b(?:prep(?:are|arare|arate|ara|arar)?|pr[ée]p(?:arez|arer|are)?|vorbereiten|vorber|"
    r"einstellen|umstellen|stellen|set|change|changez|cambia(?:re)?|wechseln)\b\.?",
    re.IGNORECASE,
)
_ABOUT_PEDALS = re.compile(r"\b(?:p[ée]dal(?:e|es|en|i|s)?|ped|harp|harpe|harfe|arpa)\b\.?", re.I)
_TURNS_INTO = re.compile(r"→|->|=>|\b(?:to|nach|zu|a|en|in)\b")
_BETWEEN = re.compile(r"[\s,;.+/|:\-–—()\[\]→>=\ue683]+")


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

    A sign in plain letters (``Eb``, ``F#``) or spelt out (``B flat``, ``fa dièse``) counts where
    the text says nothing else than pedals and that they are to be prepared; a letter after "in" or
    before "major" names a key or an instrument. Of ``F♮ → F♯`` the last holds.
    """
    return in_pedal_order(dict(_named(text)))


def _named(text: str) -> tuple[tuple[str, int], ...]:
    """(letter, position) of every pedal a text names, in its order."""
    drawn = [_DRAWN[sign] for sign in text if sign in _DRAWN]
    if len(drawn) == len(PEDAL_ORDER):
        return tuple(zip(PEDAL_ORDER, drawn, strict=True))
    found: list[tuple[str, int]] = []
    strict = False
    for match in _TOKEN.finditer(text):
        letter = match["letter"]
        if len(letter) == 1 and letter.islower():
            continue
        if _NOT_A_PEDAL_BEFORE.search(text[: match.start()]) or _NOT_A_PEDAL_AFTER.match(
            text[match.end() :]
        ):
            return ()
        strict = strict or match["spaced"] is None
        sign = (match["spaced"] or match["plain"] or match["word"]).strip().lower()
        found.append((_SYLLABLES.get(letter.lower(), letter.upper()), _SIGNS[sign]))
    if strict and _BETWEEN.sub("", _without_helpers(_TOKEN.sub(" ", text))):
        return ()
    return tuple(found) if found else _german_names(text)


def _without_helpers(text: str) -> str:
    """The text without the words that only say that it is about pedals to be set."""
    for pattern in (_PREPARE, _ABOUT_PEDALS, _TURNS_INTO):
        text = pattern.sub(" ", text)
    return text


def _german_names(text: str) -> tuple[tuple[str, int], ...]:
    """``Des Es As`` and the like: nothing but German note names, two of them altered; one
    is enough if it can be no other word (``Fis``, ``Ges``) or is to be prepared (``Es
    vorbereiten``)."""
    words = [word for word in _BETWEEN.split(_without_helpers(text)) if word]
    found: list[tuple[str, int]] = []
    altered, sure = 0, bool(_PREPARE.search(text))
    for word in words:
        match = _GERMAN.match(word)
        if word == "B":
            found.append(("B", -1))
            altered += 1
        elif match and (match["end"] != "s" or match["letter"] in "EA") and not (
            match["end"] == "es" and match["letter"] in "EA"
        ):
            step = "B" if match["letter"] == "H" else match["letter"]
            found.append((step, {"is": 1, "es": -1, "s": -1, None: 0}[match["end"]]))
            altered += match["end"] is not None
            sure = sure or match["end"] in ("is", "es")
        else:
            return ()
    return tuple(found) if altered >= 2 or (altered and sure) else ()


def flaws(direction: ET.Element) -> tuple[str, ...]:
    """What is wrong with a pedal mark as it is printed: a diagram without all its pedals or with a
    position that no pedal has, one pedal in two positions at once."""
    found = []
    for diagram in direction.iterfind("direction-type/harp-pedals"):
        seen: dict[str, str] = {}
        for tuning in diagram.findall("pedal-tuning"):
            step = (tuning.findtext("pedal-step") or "").strip()
            alter = (tuning.findtext("pedal-alter") or "").strip()
            if step in seen and seen[step] != alter:
                found.append(f"the pedal diagram gives {step} twice")
            seen[step] = alter
        usable = {letter for letter, _ in _diagram(diagram)}
        odd = [s for s in seen if s not in usable]
        missing = [letter for letter in PEDAL_ORDER if letter not in seen]
        if odd:
            found.append(f"the pedal diagram has no usable position for {', '.join(odd)}")
        if missing and usable:
            found.append(f"the pedal diagram leaves out {', '.join(missing)}")
    text = _words(direction)
    table: dict[str, set[int]] = {}
    for letter, position in _named(text):
        table.setdefault(letter, set()).add(position)
    if not re.search(r"→|->|=>|\bto\b|\bnach\b", text):
        found += [
            f"{letter} is asked for in {len(where)} positions at once ('{' '.join(text.split())}')"
            for letter, where in sorted(table.items()) if len(where) > 1
        ]
    return tuple(found)


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
    rest = _without_helpers(_TOKEN.sub(" ", _words(direction)))
    left = _BETWEEN.sub("", rest).strip("".join(_DRAWN))
    return not left or bool(_german_names(_words(direction)))


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
