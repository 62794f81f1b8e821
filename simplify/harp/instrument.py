"""Harps: strings, range, pedals or levers, and the synonyms that pedals give.

Pedal positions are -1 (flat, pedal up), 0 (natural, middle), 1 (sharp, down): Hipkins, "Harp", in
Grove's Dictionary. The left foot has D C B, the right E F G A, left to right in that order
(MusicXML 4.0, harp-pedals).
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from simplify.errors import SelectionError
from simplify.score.model import STEP_SEMITONES, STEPS, Pitch
from simplify.score.text import parse_pitch

PEDALS = "DCBEFGA"
"""The seven pedals from left to right."""
LEFT_FOOT = "DCB"
RIGHT_FOOT = "EFGA"

Setting = tuple[int, int, int, int, int, int, int]
"""Positions in the order of `PEDALS`."""

SHARP_ORDER = "FCGDAEB"


@dataclass(frozen=True, slots=True)
class Instrument:
    """A harp. lowest, highest: string numbers (`Pitch.string`); discless: strings no pedal moves;
    tuning: position of each letter (in `PEDALS` order) with its lever down (lever harps)."""

    name: str
    title: str
    kind: str
    lowest: int
    highest: int
    discless: tuple[int, ...]
    tuning: Setting
    source: str

    @property
    def strings(self) -> int:
        """How many strings."""
        return self.highest - self.lowest + 1

    @property
    def has_pedals(self) -> bool:
        """True for a pedal harp."""
        return self.kind == "pedal"

    def positions(self, letter: str) -> tuple[int, ...]:
        """Alterations that a string of this letter can take."""
        if self.has_pedals:
            return (-1, 0, 1)
        base = self.tuning[PEDALS.index(letter)]
        return (base, base + 1)

    def strings_for(self, pitch: Pitch) -> tuple[Pitch, ...]:
        """Strings of this harp that can give the sound, the written spelling first; empty if
        none. A double accidental always comes back respelled."""
        found = [
            p
            for p in pitch.spellings()
            if self.lowest <= p.string <= self.highest and p.alter in self.positions(p.step)
        ]
        return tuple(found)

    @property
    def range_text(self) -> str:
        """Such as ``C♭1 to G♯7``."""
        low, high = STEPS[self.lowest % 7], STEPS[self.highest % 7]
        first = Pitch(low, self.positions(low)[0], self.lowest // 7)
        last = Pitch(high, self.positions(high)[-1], self.highest // 7)
        return f"{first.name} to {last.name}"


@cache
def instruments() -> dict[str, Instrument]:
    """All built-in harps by name, in the order of harps.toml."""
    data = tomllib.loads(files("simplify.harp").joinpath("harps.toml").read_text("utf-8"))
    table = {}
    for name, row in data.items():
        flats = row.get("tuning", [])
        table[name] = Instrument(
            name,
            row["title"],
            row["kind"],
            parse_pitch(row["lowest"]).string,
            parse_pitch(row["highest"]).string,
            tuple(parse_pitch(p).string for p in row.get("discless", [])),
            _setting([-1 if letter in flats else 0 for letter in PEDALS]),
            row["source"],
        )
    return table


def instrument(name: str) -> Instrument:
    """The harp of this name.

    Raises:
        SelectionError: no such harp; the message lists those there are.
    """
    table = instruments()
    if name not in table:
        raise SelectionError(f"no harp '{name}'; choose one of: {', '.join(table)}")
    return table[name]


def _setting(values: list[int]) -> Setting:
    d, c, b, e, f, g, a = values
    return d, c, b, e, f, g, a


def key_setting(fifths: int) -> Setting:
    """Pedal setting of a key signature (-7..7): Cb major all flat, C# major all sharp."""
    alters = dict.fromkeys(PEDALS, 0)
    for letter in SHARP_ORDER[: max(0, fifths)]:
        alters[letter] = 1
    for letter in SHARP_ORDER[::-1][: max(0, -fifths)]:
        alters[letter] = -1
    return _setting([alters[letter] for letter in PEDALS])


def setting_pitch_classes(setting: Setting) -> frozenset[int]:
    """Pitch classes that the seven strings give at this setting (4 to 7 of them)."""
    return frozenset(
        (STEP_SEMITONES[letter] + position) % 12
        for letter, position in zip(PEDALS, setting, strict=True)
    )


def foot(letter: str) -> str:
    """'left' or 'right'."""
    return "left" if letter in LEFT_FOOT else "right"
