"""Who plays: the part list of a score as the players that could be meant.

Two neighbouring one-staff parts that are one instrument (a harp written as "Harp RH" and "Harp
LH", a keyboard whose staves were exported as two parts) are one player.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import dataclass, replace

from simplify.errors import SelectionError
from simplify.score.measures import integer, is_music
from simplify.score.model import STEP_SEMITONES
from simplify.score.source import SourceDocument

HARP = re.compile(
    r"(?<!jaw )(?<!mouth )(?<!jew's )(?<!jaw's )(?<!blues )(?<!glass )\b(?:harps?|harpes?|harfen?|"
    r"arp[aei]|harpa|harpor|harfa|hárfa|harppu|hrp|hrf|hfe|hp|арфа|άρπα|ハープ|竖琴|하프)\b"
    r"(?!\s+guitar)",
    re.IGNORECASE,
)

KEYBOARD = re.compile(
    r"\b(?:piano(?:forte)?|klavier|clavier|organ|orgel|orgue|organo|keyboards?|celest[ae]|"
    r"harpsichord|cembalo|clavecin|clavicembalo|spinet|virginal|harmonium|pno|kl)\b",
    re.IGNORECASE,
)

_HAND = re.compile(
    r"[\s,\-–_(\[]*\b(?:(?P<upper>r\.?\s?h|right(?:\s?hand)?|m\.?\s?d|main droite|"
    r"mano destra|rechte hand|upper|treble|hi(?:gh)?)|"
    r"(?P<lower>l\.?\s?h|left(?:\s?hand)?|m\.?\s?[gs]|main gauche|"
    r"mano sinistra|linke hand|lower|bass|lo(?:w)?))\b\.?[)\]]?\s*$",
    re.IGNORECASE,
)

UPSIDE_DOWN = 5
"""Semitones by which the first of two staves lies below the second, on average, where the lower
staff has been written first (estimate: hands that cross for a while stay well above)."""

UPSIDE_DOWN_LEAST = 4
"""Bars in which both staves sound, from which that is judged: fewer may just cross."""
UPSIDE_DOWN_BARS = 0.9
"""Share of the bars with both staves in which that must be so (estimate)."""

_GENERIC = re.compile(r"(?:musicxml )?(?:part|staff|track|spine|stave)?[\s_#]*\d*$", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class PartChoice:
    """A player that could be meant. ids: one part element, or two one-staff ones that are one
    instrument (upper staff first). notes: pitched notes that are printed full size. upside_down:
    the lower staff comes first in a part of two staves."""

    ids: tuple[str, ...]
    name: str
    staves: int
    notes: int
    is_harp: bool
    is_keyboard: bool
    upside_down: bool = False

    @property
    def id(self) -> str:
        """The part id, for two parts both joined by a plus sign."""
        return "+".join(self.ids)

    @property
    def label(self) -> str:
        """What error messages and listings call it."""
        return f"{self.id} '{self.name}'" if self.name else self.id


@dataclass(frozen=True, slots=True)
class Listed:
    """One entry of the part list that has music."""

    id: str
    name: str
    is_harp: bool
    staves: int
    notes: int
    mean_pitch: float
    brace: tuple[int, int] | None
    upside_down: bool = False

    @property
    def is_keyboard(self) -> bool:
        """Two staves, or a keyboard's name."""
        return self.staves >= 2 or bool(KEYBOARD.search(self.name))

    @property
    def base(self) -> str:
        """The name without the hand, for comparing."""
        return _HAND.sub("", self.name).strip().casefold()

    @property
    def side(self) -> str:
        """Which staff the name says: upper, lower or empty."""
        match = _HAND.search(self.name)
        return "" if not match else "upper" if match["upper"] else "lower"


def choices_of(document: SourceDocument) -> tuple[PartChoice, ...]:
    """The players of a document, in the order of its part list."""
    return paired(_listed(document))


def paired(listed: list[Listed]) -> tuple[PartChoice, ...]:
    """The players of a part list: two neighbouring staves of one instrument are one."""
    choices: list[PartChoice] = []
    at = 0
    while at < len(listed):
        first = listed[at]
        second = listed[at + 1] if at + 1 < len(listed) else None
        if second is not None and _one_instrument(first, second, at, len(listed)):
            unsaid = not first.side and not second.side
            swapped = unsaid and first.mean_pitch + UPSIDE_DOWN < second.mean_pitch
            swapped = swapped or first.side == "lower"
            upper, lower = (second, first) if swapped else (first, second)
            name = _HAND.sub("", first.name).strip() or first.name or second.name
            choices.append(
                PartChoice(
                    (upper.id, lower.id), name, 2, first.notes + second.notes,
                    first.is_harp or second.is_harp, True,
                )
            )
            at += 2
            continue
        choices.append(
            PartChoice(
                (first.id,), first.name, first.staves, first.notes, first.is_harp,
                first.is_keyboard, first.upside_down,
            )
        )
        at += 1
    return tuple(choices)


def _one_instrument(first: Listed, second: Listed, at: int, count: int) -> bool:
    """True if two neighbouring one-staff parts are the two staves of one player: hands in their
    names ("Harp RH", "Harp LH"), one harp or keyboard name for both, a brace around just these
    two, or nothing else in a score whose part names say nothing."""
    if first.staves != 1 or second.staves != 1:
        return False
    if first.side and second.side and first.side != second.side and first.base == second.base:
        return True
    named = first.is_harp or first.is_keyboard or second.is_harp or second.is_keyboard
    generic = all(_GENERIC.match(p.name) for p in (first, second))
    if first.name and first.name.casefold() == second.name.casefold() and named:
        return True
    if first.brace == second.brace == (at, at + 1) and (
        named or generic or first.base == second.base
    ):
        alike = (first.is_harp, first.is_keyboard) == (second.is_harp, second.is_keyboard)
        return alike or generic or not first.name or not second.name
    return generic and count == 2 and second.mean_pitch < 60 < first.mean_pitch


def _listed(document: SourceDocument) -> list[Listed]:
    part_list = document.root.find("part-list")
    entries: list[ET.Element] = []
    open_groups: dict[str, int] = {}
    braces: dict[int, tuple[int, int]] = {}
    known = {part.id for part in document.parts}
    for element in part_list if part_list is not None else ():
        if element.tag == "score-part" and element.get("id", "") in known:
            entries.append(element)
        elif element.tag == "part-group":
            number = element.get("number", "1")
            if element.get("type") == "start":
                if (element.findtext("group-symbol") or "").strip() == "brace":
                    open_groups[number] = len(entries)
            elif number in open_groups:
                span = (open_groups.pop(number), len(entries) - 1)
                for index in range(span[0], span[1] + 1):
                    braces.setdefault(index, span)
    listed_ids = {entry.get("id", "") for entry in entries}
    for part in document.parts:  # music without an entry in the part list is still music
        if part.id not in listed_ids:
            entries.append(ET.Element("score-part", {"id": part.id}))
    found = []
    for index, entry in enumerate(entries):
        part = document.part(entry.get("id", ""))
        name = " ".join((entry.findtext("part-name") or "").split())
        instruments = [e.text or "" for e in entry.iterfind("score-instrument/instrument-name")]
        programs = [(e.text or "").strip() for e in entry.iterfind("midi-instrument/midi-program")]
        sounds = [
            (e.text or "") for e in entry.iterfind("score-instrument/instrument-sound")
        ]
        # General MIDI level 1: program 47 counted from 1 is the orchestral harp.
        harp = "47" in programs or any(s.strip().startswith("pluck.harp") for s in sounds)
        harp = harp or any(HARP.search(i) for i in instruments)
        staves, notes, height = 1, 0, 0
        registers: list[tuple[list[int], list[int]]] = []
        for measure in part.measures:
            registers.append(([], []))
            for child in measure.children:
                element = child.element
                if element.tag == "note":
                    pitch = element.find("pitch")
                    if pitch is not None and is_music(element):
                        notes += 1
                        midi = 12 * (1 + integer(pitch.findtext("octave"), 4))
                        midi += STEP_SEMITONES.get((pitch.findtext("step") or "").strip(), 0)
                        height += midi
                        lower = integer(element.findtext("staff"), 1) > 1
                        registers[-1][lower].append(midi)
                elif element.tag == "attributes":
                    staves = max(staves, integer(element.findtext("staves"), 1))
        if not name and instruments:
            name = " ".join(instruments[0].split())
        found.append(
            Listed(
                entry.get("id", ""), name, harp, staves, notes,
                height / notes if notes else 0.0, braces.get(index),
                staves == 2 and _upside_down(registers),
            )
        )
    # The printed name decides; a harp's sound counts where no name says harp.
    named = any(HARP.search(one.name) for one in found)
    return [
        replace(one, is_harp=bool(HARP.search(one.name))) if named else one for one in found
    ]


def _upside_down(bars: list[tuple[list[int], list[int]]]) -> bool:
    """True if of two staves (semitones by bar) the first is the lower one."""
    means = [
        (sum(first) / len(first), sum(second) / len(second))
        for first, second in bars if first and second
    ]
    if len(means) < UPSIDE_DOWN_LEAST:
        return False
    below = sum(first < second for first, second in means)
    apart = sum(second - first for first, second in means) / len(means)
    return below >= UPSIDE_DOWN_BARS * len(means) and apart > UPSIDE_DOWN


def choose(choices: tuple[PartChoice, ...], path: str, wanted: str | None) -> PartChoice:
    """The player of a name or id; without one the harp ("Piano (or Harp)" only where no part is a
    harp's alone), else the only keyboard, else the only part with notes.

    Raises:
        SelectionError: no such part, or the choice is open; lists the parts.
    """
    listing = ", ".join(choice.label for choice in choices)
    if wanted is not None:
        key = " ".join(wanted.split()).casefold()
        for hits in (
            [c for c in choices if key == c.id.casefold()],
            [c for c in choices if key in [i.casefold() for i in c.ids]],
            [c for c in choices if key == c.name.casefold()],
            [c for c in choices if key and key in c.name.casefold()],
        ):
            if len(hits) == 1:
                return hits[0]
            if hits:
                some = ", ".join(choice.label for choice in hits)
                raise SelectionError(
                    f"{path}: {len(hits)} parts are called '{wanted}' ({some}); "
                    "name one by its id"
                )
        raise SelectionError(f"{path}: no part '{wanted}'; the parts are {listing}")
    full = [choice for choice in choices if choice.notes]
    for group in (
        [c for c in full if c.is_harp and not KEYBOARD.search(c.name)],
        [c for c in full if c.is_harp],
        [c for c in full if c.is_keyboard],
        full,
    ):
        if len(group) == 1:
            return group[0]
        if group:
            some = ", ".join(choice.label for choice in group)
            raise SelectionError(
                f"{path}: more than one part could be meant ({some}); name one with --part"
            )
    raise SelectionError(f"{path}: no part to choose; the parts are {listing}")
