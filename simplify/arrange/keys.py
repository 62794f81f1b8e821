"""Which key suits the harp: neighbouring keys and enharmonic twins, with what they cost in pedals.

Flats ring best, open strings more than stopped ones (Goss, 100 Orchestration Tips, no. 66; Prout,
The Orchestra, p. 74, notates the harp in G flat against an orchestra in F sharp).
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from simplify.arrange.gather import folded, transposed
from simplify.arrange.numbers import numbers
from simplify.errors import SelectionError
from simplify.harp.player import Player
from simplify.score.model import Part
from simplify.technique.pedals import plan_pedals

_NAMES = ("C♭", "G♭", "D♭", "A♭", "E♭", "B♭", "F", "C", "G", "D", "A", "E", "B", "F♯", "C♯")


def key_name(fifths: int) -> str:
    """The major key of a signature: -6 is G♭."""
    return _NAMES[fifths + 7]


@dataclass(frozen=True, slots=True)
class KeyCost:
    """The music in another key. semitones: moved up; fifths: signature of the first bar; moves:
    pedal moves (or lever turns) in the piece; unmet: places that pedals or levers can't serve;
    cost: of the plan; sounds: True if the music sounds the same as in the source's key."""

    semitones: int
    fifths: int
    moves: int
    unmet: int
    cost: float

    @property
    def name(self) -> str:
        """Major key of the signature."""
        return key_name(self.fifths)


def parse_key(text: str) -> int:
    """Signature (fifths) of a key such as `Gb`, `F#`, `ebm`.

    Raises:
        SelectionError: no such key.
    """
    match = re.fullmatch(r"([A-Ga-g])([#♯b♭]?)(m?)(?:in(?:or)?|aj(?:or)?)?", text.strip())
    if match:
        name = match[1].upper() + match[2].replace("#", "♯").replace("b", "♭")
        if name in _NAMES:
            fifths = _NAMES.index(name) - 7 - (3 if match[3] else 0)
            if -7 <= fifths <= 7:
                return fifths
        elif match[3] and name in ("G♯", "D♯", "A♯"):
            return {"G♯": 5, "D♯": 6, "A♯": 7}[name]
    raise SelectionError(f"key '{text}' is not one with up to seven signs; write such as Gb or F#")


def in_key_of(part: Part, semitones: int, fifths: int) -> Part | None:
    """The part moved so that its first signature becomes `fifths`; None if a later signature would
    have more than seven signs."""
    change = fifths - part.bars[0].fifths
    if any(not -7 <= bar.fifths + change <= 7 for bar in part.bars):
        return None
    return transposed(part, semitones, change)


def key_costs(part: Part, player: Player, *, solo: bool) -> tuple[KeyCost, ...]:
    """The source's own key first, then the others by moves, flats first: its enharmonic twin, and
    with `solo` the keys up to a few semitones away."""
    reach = int(numbers("keys")["reach"]) if solo else 0
    home = part.bars[0].fifths
    found: list[KeyCost] = []
    for semitones in range(-reach, reach + 1):
        for fifths in range(-7, 8):
            if (7 * semitones - (fifths - home)) % 12:
                continue
            moved = in_key_of(part, semitones, fifths)
            if moved is None:
                continue
            plan = plan_pedals(folded(moved, player.harp), player)
            start = part.bars[0].onset
            moves = sum(move.onset > start for move in plan.moves)
            found.append(KeyCost(semitones, fifths, moves, len(plan.unmet), plan.cost))
    own = [k for k in found if k.semitones == 0 and k.fifths == home]
    rest = [k for k in found if k not in own]
    rest.sort(key=lambda k: (k.unmet, k.moves, k.fifths, abs(k.semitones)))
    return (*own, *rest)


def semitones_to(part: Part, fifths: int) -> int:
    """The nearest way, in semitones, from the part's first key to another; 0 to its twin."""
    # One fifth up is 7 semitones; 7 * 7 = 49 is 1 modulo 12, so semitones = 7 * fifths.
    distance = 7 * (fifths - part.bars[0].fifths) % 12
    return distance if distance <= 6 else distance - 12
