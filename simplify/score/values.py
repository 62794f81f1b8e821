"""Writable note values: how a length of time at its place in a bar is spelt with notes and rests.

Common practice of engraving: a note is one value if one value says it; otherwise it is cut where
the metre is strongest and tied; rests never hide a stronger beat than the one they start on; beams
join the notes of one beat. The levels of the metre are bar, half bar (in bars of an even number of
beats), beat, and its halves; the beat of compound metres is three units, then one unit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from simplify.score.model import TICKS, Bar

TYPES = (
    ("breve", 8 * TICKS), ("whole", 4 * TICKS), ("half", 2 * TICKS), ("quarter", TICKS),
    ("eighth", TICKS // 2), ("16th", TICKS // 4), ("32nd", TICKS // 8), ("64th", TICKS // 16),
    ("128th", Fraction(TICKS, 64) * 2), ("256th", Fraction(TICKS, 64)),
)
"""Names of the values and their ticks (MusicXML 4.0, note-type-value), longest first."""

FLAGS = {"eighth": 1, "16th": 2, "32nd": 3, "64th": 4, "128th": 5, "256th": 6}
"""Beams or flags of each value."""

RATIOS = (
    (3, 2), (5, 4), (6, 4), (7, 4), (9, 8), (10, 8), (7, 8), (11, 8), (13, 8), (15, 8),
    (2, 3), (4, 3), (5, 3), (7, 6), (8, 6), (5, 6), (4, 6), (11, 12), (13, 12),
)
"""Tuplets tried, commonest first, when a length is not plain: (notes, in the time of)."""

NEAR = Fraction(1, 100)
"""Relative error within which a length in a tuplet that has no whole ticks (11, 13 notes) is taken
for the value it stands for."""

FINEST = TICKS // 32
"""The finest grid lengths are cut on (a 128th)."""


@dataclass(frozen=True, slots=True)
class Piece:
    """One written value. start, end: ticks from the start of the bar."""

    start: int
    end: int
    type: str
    dots: int
    tuplet: tuple[int, int] = (1, 1)


@dataclass(frozen=True, slots=True)
class Zone:
    """A stretch of a voice that is in a tuplet; its first tick is where the tuplet starts."""

    start: int
    end: int
    tuplet: tuple[int, int]


def spelt(length: Fraction | int, near: Fraction = Fraction(0)) -> tuple[str, int] | None:
    """(type, dots) of a length in ticks, or None. near: relative error allowed."""
    for dots in (0, 1, 2):
        for name, ticks in TYPES:
            value = ticks * (2 - Fraction(1, 2**dots))
            if abs(value - length) <= near * value:
                return name, dots
    return None


def place(bar: Bar, tick: int) -> int:
    """Ticks from the first beat of the metre; `tick` counts from the start of the bar."""
    return tick + bar.lead


def levels(bar: Bar) -> tuple[int, ...]:
    """Spacing in ticks of each level of the metre, strongest first, down to `FINEST`."""
    pulse, unit, full = bar.pulse_ticks, bar.beat_ticks, bar.metre_ticks
    found = [full]
    pulses = full // pulse
    if pulses % 2 == 0 and pulses > 2:
        found.append(full // 2)
    found.append(pulse)
    if unit != pulse:
        found.append(unit)
    while found[-1] % 2 == 0 and found[-1] // 2 >= FINEST:
        found.append(found[-1] // 2)
    return tuple(dict.fromkeys(found))


def strength(bar: Bar, tick: int) -> int:
    """Index of the strongest level a tick lies on (0: the bar); one more than the last if none."""
    spacings = levels(bar)
    at = place(bar, tick)
    return next((i for i, spacing in enumerate(spacings) if at % spacing == 0), len(spacings))


def _cut(bar: Bar, start: int, end: int) -> int | None:
    """The tick inside (start, end) where the metre is strongest; the last of several if the value
    starts on that level itself, else the first."""
    for spacing in levels(bar):
        first = (place(bar, start) // spacing + 1) * spacing - bar.lead
        if first < end:
            if place(bar, start) % spacing == 0:
                last = (place(bar, end - 1) // spacing) * spacing - bar.lead
                return last if last > start else first
            return first
    return None


def _rest_fits(bar: Bar, start: int, end: int, dots: int) -> bool:
    """True if one rest may stand here."""
    own = strength(bar, start)
    compound = bar.pulse_ticks != bar.beat_ticks
    if dots and not (
        compound and dots == 1 and place(bar, start) % bar.pulse_ticks == 0
        and (end - start) % bar.pulse_ticks == 0
    ):
        return False
    spacings = levels(bar)
    for index, spacing in enumerate(spacings):
        first = (place(bar, start) // spacing + 1) * spacing - bar.lead
        beat = spacing == bar.pulse_ticks or (compound and spacing == bar.beat_ticks)
        if first < end and (index < own or (beat and index == own > 0)):
            return False
    pulses = bar.metre_ticks // bar.pulse_ticks
    return not (
        pulses % 2 and end - start > bar.pulse_ticks and end - start != bar.metre_ticks
    )


def _plain(bar: Bar, start: int, end: int, rest: bool) -> tuple[Piece, ...] | None:
    """Plain values that fill a stretch, or None if it is off the grid."""
    value = spelt(end - start)
    if value is not None and (not rest or _rest_fits(bar, start, end, value[1])):
        return (Piece(start, end, *value),)
    at = _cut(bar, start, end)
    if at is None:
        return None
    left, right = _plain(bar, start, at, rest), _plain(bar, at, end, rest)
    return None if left is None or right is None else (*left, *right)


def _in_tuplet(
    start: int, end: int, tuplet: tuple[int, int], anchor: int, rest: bool
) -> tuple[Piece, ...] | None:
    """Values of one tuplet that fill a stretch: in the tuplet's own time, from its first note,
    the binary grid holds."""
    actual, normal = tuplet
    length = Fraction((end - start) * actual, normal)
    value = spelt(length, NEAR)
    if value is not None and (not rest or value[1] == 0):
        return (Piece(start, end, *value, tuplet),)
    grid = Fraction(TICKS, 16)
    low = round(Fraction((start - anchor) * actual, normal) / grid)
    high = round(Fraction((end - anchor) * actual, normal) / grid)
    pieces: list[Piece] = []
    at, tick = low, start
    while at < high:
        size = 1
        while at % (2 * size) == 0 and at + 2 * size <= high and size < 64:
            size *= 2
        value = spelt(size * grid)
        stop = end if at + size == high else anchor + round((at + size) * grid * normal / actual)
        if value is None or stop <= tick:
            return None
        pieces.append(Piece(tick, stop, *value, tuplet))
        at, tick = at + size, stop
    return tuple(pieces) if pieces and pieces[-1].end == end else None


def _fits(start: int, end: int, tuplet: tuple[int, int], anchor: int) -> bool:
    """True if both ends lie on the binary grid of the tuplet's own time."""
    actual, normal = tuplet
    grid = Fraction(TICKS, 8)
    for tick in (start, end):
        own = Fraction((tick - anchor) * actual, normal)
        if abs(own - round(own / grid) * grid) > Fraction(2 * actual, normal):
            return False
    return True


def _off_grid(bar: Bar, start: int, end: int, rest: bool) -> tuple[Piece, ...] | None:
    """Values of a stretch that is not plain: cut at the beats, then the commonest tuplet."""
    at = _cut(bar, start, end)
    spacings = levels(bar)
    if at is not None and strength(bar, at) < len(spacings) and (
        spacings[strength(bar, at)] >= bar.beat_ticks
    ):
        left = _plain(bar, start, at, rest) or _off_grid(bar, start, at, rest)
        right = _plain(bar, at, end, rest) or _off_grid(bar, at, end, rest)
        return None if left is None or right is None else (*left, *right)
    for spacing in (bar.pulse_ticks, bar.beat_ticks, bar.beat_ticks // 2, bar.beat_ticks // 4):
        anchor = place(bar, start) // spacing * spacing - bar.lead
        if end > anchor + spacing:
            continue
        for tuplet in RATIOS:
            if _fits(start, end, tuplet, anchor):
                pieces = _in_tuplet(start, end, tuplet, anchor, rest)
                if pieces is not None:
                    return pieces
    return None


def _zoned(
    bar: Bar, start: int, end: int, zones: Sequence[Zone], rest: bool
) -> tuple[Piece, ...] | None:
    """Values of a stretch, tuplet where the voice is in one, plain elsewhere."""
    for zone in zones:
        if zone.start < end and start < zone.end:
            low, high = max(start, zone.start), min(end, zone.end)
            inside = _in_tuplet(low, high, zone.tuplet, zone.start, rest)
            if inside is None:
                continue
            before = _zoned(bar, start, low, zones, rest) if start < low else ()
            after = _zoned(bar, high, end, zones, rest) if high < end else ()
            if before is not None and after is not None:
                return (*before, *inside, *after)
    plain = _plain(bar, start, end, rest)
    return plain if plain is not None else _off_grid(bar, start, end, rest)


def split_rest(
    bar: Bar, start: int, end: int, zones: Sequence[Zone] = ()
) -> tuple[Piece, ...] | None:
    """The rests that fill a stretch of a bar, or None if no common tuplet says it."""
    return _zoned(bar, start, end, zones, True)


def split_note(
    bar: Bar, start: int, end: int, tuplet: tuple[int, int] = (1, 1), zones: Sequence[Zone] = ()
) -> tuple[Piece, ...] | None:
    """The values, to be tied, of one note. tuplet: the one the note says it is in."""
    value = spelt(end - start)
    if tuplet == (1, 1) and value is not None:
        return (Piece(start, end, *value),)
    if tuplet != (1, 1):
        length = Fraction((end - start) * tuplet[0], tuplet[1])
        named = spelt(length, NEAR)
        if named is not None:
            return (Piece(start, end, *named, tuplet),)
        anchor = next((z.start for z in zones if z.start <= start < z.end), start)
        pieces = _in_tuplet(start, end, tuplet, anchor, False)
        if pieces is not None:
            return pieces
    pieces = _zoned(bar, start, end, zones, False)
    if pieces is None:  # part of a tuplet that starts off the beat
        for ratio in RATIOS:
            named = spelt(Fraction((end - start) * ratio[0], ratio[1]))
            if named is not None:
                return (Piece(start, end, *named, ratio),)
    return pieces


def beam_window(bar: Bar, tick: int) -> int:
    """Which stretch of the bar a note's beam belongs to: the beat, but never less than a quarter;
    bars of three eighths or less are one stretch."""
    if bar.metre_ticks <= 3 * TICKS // 2:
        return 0
    return place(bar, tick) // max(TICKS, bar.pulse_ticks)


def beams(flags: Sequence[int]) -> tuple[tuple[str, ...], ...]:
    """Beam values by level (1, 2, ...) for each note of a beamed group of two or more notes.

    flags: how many beams each note has. A beam that no neighbour shares is a hook towards the
    neighbour within the group that has more beams, backward if both are alike (MusicXML 4.0,
    beam-value).
    """
    rows = []
    for index, count in enumerate(flags):
        left = flags[index - 1] if index else 0
        right = flags[index + 1] if index + 1 < len(flags) else 0
        row = []
        for level in range(1, count + 1):
            if left >= level and right >= level:
                row.append("continue")
            elif right >= level:
                row.append("begin")
            elif left >= level:
                row.append("end")
            else:
                row.append("forward hook" if right > left or not left else "backward hook")
        rows.append(tuple(row))
    return tuple(rows)
