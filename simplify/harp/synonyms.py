"""Synonyms: the strings of a sound, the 2187 pedal settings, and what a setting can hold.

A pedal harp has seven strings an octave, each in one of three positions, so 3^7 = 2187 settings.
Nine of the twelve pitch classes lie on two strings (C♮ is B♯), D, G and A natural on one. All
tables are computed once from the positions, nothing is listed by hand.

Numbering of settings: base-3 digits (position + 1) in the order of `PEDALS`, D first; so the left
foot's three letters are the number divided by 81, the right foot's four the remainder.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache

import numpy as np
import numpy.typing as npt

from simplify.harp.instrument import PEDALS, Setting
from simplify.score.model import ALTER_SIGNS, STEP_SEMITONES

SETTINGS = 3 ** len(PEDALS)
"""How many pedal settings there are: 2187."""


@cache
def settings_table() -> npt.NDArray[np.int8]:
    """Shape (2187, 7): positions (-1, 0, 1) of every setting, columns in the order of `PEDALS`."""
    digits = np.indices((3,) * len(PEDALS), dtype=np.int8).reshape(len(PEDALS), -1).T - 1
    table = np.ascontiguousarray(digits)
    table.flags.writeable = False
    return table


@cache
def pitch_class_table() -> npt.NDArray[np.int8]:
    """Shape (2187, 7): pitch class (C is 0) that each letter's strings give at each setting."""
    naturals = np.array([STEP_SEMITONES[letter] for letter in PEDALS], dtype=np.int8)
    table = (settings_table() + naturals) % 12
    table.flags.writeable = False
    return table


@cache
def availability() -> npt.NDArray[np.bool_]:
    """Shape (12, 2187): True where some string gives the pitch class at the setting."""
    classes = pitch_class_table()
    table = np.stack([(classes == pitch_class).any(axis=1) for pitch_class in range(12)])
    table.flags.writeable = False
    return table


@cache
def _masks() -> npt.NDArray[np.int64]:
    """Shape (2187,): the pitch classes of every setting as a 12-bit mask."""
    table: npt.NDArray[np.int64] = (availability().T.astype(np.int64) << np.arange(12)).sum(axis=1)
    table.flags.writeable = False
    return table


@cache
def _possible() -> npt.NDArray[np.bool_]:
    """Shape (4096,): True for every set of pitch classes that lies inside some setting's."""
    table = np.zeros(1 << 12, dtype=bool)
    table[_masks()] = True
    numbers = np.arange(1 << 12)
    for bit in range(12):  # a subset of a possible set is possible: pass it on bit by bit
        without = numbers[(numbers >> bit) & 1 == 0]
        table[without] |= table[without | (1 << bit)]
    table.flags.writeable = False
    return table


def setting_number(setting: Setting) -> int:
    """Index of a setting in the tables, 0..2186.

    Raises:
        ValueError: not seven positions of -1, 0, 1.
    """
    if len(setting) != len(PEDALS) or any(p not in (-1, 0, 1) for p in setting):
        raise ValueError(f"a setting has seven positions of -1, 0 or 1, got {setting!r}")
    number = 0
    for position in setting:
        number = 3 * number + position + 1
    return number


def setting_at(number: int) -> Setting:
    """The setting of an index 0..2186."""
    d, c, b, e, f, g, a = (int(p) for p in settings_table()[number])
    return d, c, b, e, f, g, a


def strings_of(pitch_class: int) -> tuple[tuple[str, int], ...]:
    """(letter, position) of every string that gives a pitch class, in the order of `PEDALS`."""
    return tuple(
        (letter, position)
        for letter in PEDALS
        for position in (-1, 0, 1)
        if (STEP_SEMITONES[letter] + position - pitch_class) % 12 == 0
    )


def _mask(pitch_classes: Iterable[int]) -> int:
    mask = 0
    for pitch_class in pitch_classes:
        mask |= 1 << pitch_class % 12
    return mask


def simultaneity_possible(pitch_classes: Iterable[int]) -> bool:
    """True if one setting holds all these pitch classes at once (other strings don't matter)."""
    return bool(_possible()[_mask(pitch_classes)])


def exact_settings(pitch_classes: Iterable[int]) -> tuple[Setting, ...]:
    """All settings whose seven strings give these pitch classes and no other, by number."""
    return tuple(setting_at(int(n)) for n in np.flatnonzero(_masks() == _mask(pitch_classes)))


def glissando_setting(
    pitch_classes: Iterable[int], near: Setting | None = None
) -> tuple[Setting, bool]:
    """The seven-string setting for a sweep over these pitch classes, and whether it is exact.

    Where no setting is exact, the one with the fewest wrong sounds (missing plus foreign), a
    foreign sound before a missing one. Ties: fewest pedals moved from `near`, then fewest notches
    off natural, then flats before sharps, since flats ring best (Philharmonia Orchestra, harp
    notes), then the table's order.

    Raises:
        ValueError: no pitch class given.
    """
    wanted = _mask(pitch_classes)
    if not wanted:
        raise ValueError("a glissando needs at least one pitch class")
    bits = np.array([number.bit_count() for number in range(1 << 12)])
    missing = bits[wanted & ~_masks()]
    foreign = bits[~wanted & _masks()]
    table = settings_table()
    moved = (table != np.array(near, dtype=np.int8)).sum(axis=1) if near else np.zeros(SETTINGS)
    notches = np.abs(table).sum(axis=1)
    sharps = (table == 1).sum(axis=1)
    order = np.lexsort((sharps, notches, moved, missing, missing + foreign))
    best = int(order[0])
    return setting_at(best), bool(missing[best] + foreign[best] == 0)


def pedals_between(before: Setting, after: Setting) -> tuple[int, int]:
    """(pedals moved, notches) from one setting to another."""
    steps = [abs(b - a) for a, b in zip(before, after, strict=True)]
    return sum(1 for step in steps if step), sum(steps)


def setting_text(setting: Setting) -> str:
    """The setting in the order of the pedals, such as ``D♮ C♮ B♭ | E♮ F♯ G♮ A♭``."""
    words = [f"{letter}{ALTER_SIGNS[p]}" for letter, p in zip(PEDALS, setting, strict=True)]
    return f"{' '.join(words[:3])} | {' '.join(words[3:])}"
