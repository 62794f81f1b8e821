"""The time line that pedal planning runs along: columns, slots, moments and what each costs.

A *column* is a moment at which strings are struck (grace notes belong to the column of their
note: no pedal is moved between them). A *slot* is the time from one column to the next; in it a
pedal can be moved at any of the slot's *moments*: together with the struck column, where silence
begins, on bar lines, on a metrical grid, or just before the next column. Everything is held in
numpy arrays of whole thousandths of a cost unit, so that sums are exact and ties are real ties.

What a move costs at a moment (amounts in pedal_costs.toml):

- one notch, or two (flat to sharp passes natural);
- the moment itself (rest, bar line, between notes, with or just before a note, busy passages);
- leaving a position whose pitch class still rings: `ring` right after the pluck, falling to 0 in a
  straight line at `ring_share` of the audible ring of the string's octave, never more than
  `muffle`; the string that rings longest counts;
- leaving a position whose pitch class is still held by a written value: `unmet_held`, twice that
  at the tick at which it is struck. A value is held until its written end less what may be let go
  (`release_seconds`, `release_share`); between the two leaving costs `let_go`.

Ringing and holding go by pitch class. While a sound is held a letter is free to leave it if another
letter gives the same sound (the note is then played on that one), and no other letter may move to
it (that costs `unmet_held` too), so that there is always one string that holds it throughout. A
sound that only one string of the harp can give (at the ends of the range) goes by its letter.
"""

from __future__ import annotations

import math
import tomllib
from bisect import bisect_left, bisect_right
from collections.abc import Iterable
from dataclasses import dataclass, fields
from functools import cache, cached_property, lru_cache
from importlib.resources import files

import numpy as np
import numpy.typing as npt

from simplify.harp.instrument import PEDALS, Instrument, Setting, key_setting
from simplify.harp.player import Player
from simplify.harp.synonyms import (
    SETTINGS,
    availability,
    pitch_class_table,
    settings_table,
    strings_of,
)
from simplify.score.model import ALTER_SIGNS, STEP_SEMITONES, TICKS, Part, Pitch, Strike

Ints = npt.NDArray[np.int32]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

SCALE = 1000
"""Whole units per unit of cost: costs are kept to a thousandth."""
EXITS = 42
"""Ways to leave a position: 21 (letter, position) pairs whose pitch class no other letter gives at
the setting (3 * letter + position + 1), then the same 21 with another letter giving it."""
GRID_LIMIT = 3
"""Grid moments kept at each end of a long slot: four letters of one foot need no more."""
EDGE = 1e-6
"""Seconds by which an interval may miss a limit through rounding."""


@dataclass(frozen=True, slots=True)
class PedalCosts:
    """The numbers of pedal_costs.toml, in cost units or as stated there."""

    move: float
    second_notch: float
    respelled: float
    start: float
    rest: float
    bar_line: float
    during: float
    with_note: float
    before_note: float
    off_beat: float
    busy: float
    ring: float
    muffle: float
    ring_share: float
    ring_seconds: tuple[float, ...]
    release_seconds: float
    release_share: float
    let_go: float
    two_notch_time: float
    hurry: float
    clock_from: float
    clock_strokes: int
    adjacent: float
    adjacent_tiers: tuple[str, ...]
    cross_foot: float
    cross_tiers: tuple[str, ...]
    unmet_setting: float
    unmet_time: float
    unmet_held: float


@cache
def cost_table() -> dict[str, dict[str, object]]:
    """pedal_costs.toml as it stands: value, unit and source by name."""
    text = files("simplify.technique").joinpath("pedal_costs.toml").read_text("utf-8")
    return tomllib.loads(text)


@cache
def standard_costs() -> PedalCosts:
    """The costs of pedal_costs.toml."""
    table = cost_table()
    values = {}
    for field in fields(PedalCosts):
        value = table[field.name]["value"]
        values[field.name] = tuple(value) if isinstance(value, list) else value
    return PedalCosts(**values)  # type: ignore[arg-type]


def mills(cost: float) -> int:
    """A cost in whole thousandths."""
    return round(cost * SCALE)


@dataclass(frozen=True, slots=True)
class FootTime:
    """How fast a foot is: `hard` and `comfortable` seconds between two of its moves, and what a
    shorter interval costs.

    clock: seconds between the strokes of the clock by which a slow foot's last move is timed (0:
    exact times). A move counts as made at the next stroke, so a foot is never thought faster than
    it is; without it a beginner's eight seconds would keep dozens of moments apart.
    """

    hard: float
    comfortable: float
    factor: float
    hurry: int
    unmet: int
    clock: float

    @staticmethod
    def of(player: Player, costs: PedalCosts) -> FootTime:
        """The foot times of a player."""
        seconds = player.limits.foot_seconds
        return FootTime(
            seconds * player.limits.hard_share, seconds, max(1.0, costs.two_notch_time),
            mills(costs.hurry), mills(costs.unmet_time),
            seconds / costs.clock_strokes if seconds >= costs.clock_from else 0.0,
        )

    def stroke(self, seconds: float) -> float:
        """The time at which a move made then counts as made."""
        return math.ceil(seconds / self.clock - EDGE) * self.clock if self.clock else seconds

    @property
    def horizon(self) -> float:
        """Seconds after which an earlier move of the foot no longer matters."""
        return max(self.comfortable, self.hard * self.factor)

    @property
    def hards(self) -> tuple[float, float]:
        """Hard limits for a move of one notch and of two."""
        return self.hard, self.hard * self.factor

    def charge(self, seconds: float, notches: int) -> int:
        """Cost of a move of `notches` made `seconds` after the foot's last one: `unmet` below
        the hard limit, then `hurry` falling in a straight line to 0 at the comfortable time. For a
        move of two notches the hard limit is `factor` times as long."""
        hard = self.hards[notches - 1]
        if seconds < hard - EDGE:
            return self.unmet
        if seconds < self.comfortable - EDGE:
            return round(self.hurry * (self.comfortable - seconds) / (self.comfortable - hard))
        return 0


# --- strings of a sound on a harp ---------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Sound:
    """How one written pitch lies on a harp.

    pitches: strings that can give it, the one preferred first (written spelling if it has a
    string); row: which row of `emission_rows` demands it; again: the row for a second note of the
    same sound; only: 3 * letter + position + 1 if one string alone gives a pitch class that
    usually has two, else -1; fixed: among the pitches some lie on a string without a disc.
    """

    pitches: tuple[Pitch, ...]
    pitch_class: int
    row: int
    again: int
    only: int
    octave: int
    fixed: bool


def _exit(pitch: Pitch) -> int:
    return 3 * PEDALS.index(pitch.step) + pitch.alter + 1


def _sound(pitch: Pitch, pitches: tuple[Pitch, ...], fixed: bool) -> Sound:
    pitch_class = pitch.pitch_class
    octave = min(8, max(0, pitch.midi // 12 - 1))
    if len(pitches) < len(strings_of(pitch_class)):
        only = _exit(pitches[0]) if pitches else -1
        return Sound(pitches, pitch_class, 33 + only, -1, only, octave, fixed)
    if pitches[0] == pitch:
        at = _exit(pitch)
        return Sound(pitches, pitch_class, 12 + at, 54 + at, -1, octave, fixed)
    return Sound(pitches, pitch_class, pitch_class, -1, -1, octave, fixed)


def off_the_harp(harp: Instrument, pitch: Pitch) -> str:
    """That a pitch has no string: a sentence for musicians."""
    where = "below" if pitch.string < harp.lowest + 2 else "above"
    name = f"{pitch.step}{ALTER_SIGNS[pitch.alter]}{pitch.octave}"
    return f"{name} lies {where} this harp ({harp.range_text})"


class _Sounds(dict[Pitch, Sound]):
    """Sounds of a harp by written pitch, filled as they are asked for."""

    def __init__(self, harp: Instrument) -> None:
        super().__init__()
        self.harp = harp

    def __missing__(self, pitch: Pitch) -> Sound:
        pitches = self.harp.strings_for(pitch)
        fixed = any(p.string in self.harp.discless for p in pitches)
        sound = _sound(pitch, pitches, fixed)
        self[pitch] = sound
        return sound


@lru_cache(maxsize=64)
def sounds_of(harp: Instrument) -> dict[Pitch, Sound]:
    """How each written pitch lies on a harp; filled as pitches are asked for."""
    return _Sounds(harp)


@lru_cache(maxsize=8)
def emission_rows(unmet: int, respelled: int) -> Ints:
    """Shape (75, 2187): what a struck sound costs at each setting.

    Rows 0-11: a pitch class without a preferred string; 12-32: written as (letter, position);
    33-53: only on (letter, position); 54-74: a second note of the same sound, spelling alone.
    `unmet` where no string gives it, `respelled` where only the other string does.
    """
    table, there = settings_table(), availability()
    rows = np.zeros((75, SETTINGS), dtype=np.int32)
    rows[:12] = np.where(there, 0, unmet)
    for index in range(21):
        letter, position = divmod(index, 3)
        on = table[:, letter] == position - 1
        pitch_class = (STEP_SEMITONES[PEDALS[letter]] + position - 1) % 12
        again = np.where(~on & there[pitch_class], respelled, 0)
        rows[12 + index] = rows[pitch_class] + again
        rows[33 + index] = np.where(on, 0, unmet)
        rows[54 + index] = again
    rows.flags.writeable = False
    return rows


@lru_cache(maxsize=2048)
def emission(unmet: int, respelled: int, demands: tuple[int, ...]) -> Ints:
    """Shape (2187,): what a column's demands (rows of `emission_rows`) cost at each setting."""
    rows: Ints = emission_rows(unmet, respelled)
    total: Ints = rows[list(demands)].sum(axis=0, dtype=np.int32)
    total.flags.writeable = False
    return total


@cache
def exits() -> npt.NDArray[np.intp]:
    """Shape (7, 2187): for each letter and setting its way out (see `EXITS`)."""
    classes, positions = pitch_class_table(), settings_table()
    table = np.empty((7, SETTINGS), dtype=np.intp)
    for letter in range(7):
        others = np.delete(classes, letter, axis=1)
        doubled = (others == classes[:, letter : letter + 1]).any(axis=1)
        table[letter] = 3 * letter + positions[:, letter] + 1 + 21 * doubled
    table.flags.writeable = False
    return table


EXIT_CLASS = np.array(
    [(STEP_SEMITONES[letter] + p) % 12 for letter in PEDALS for p in (-1, 0, 1)], dtype=np.intp
)
"""Shape (21,): pitch class of each (letter, position)."""


# --- the line -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Line:
    """A part laid out for planning. K columns, K - 1 slots, M moments in all.

    columns: strike indices; demands: rows of `emission_rows`; ticks, seconds: of the columns;
    first: shape (K,), slot k has moments first[k] up to first[k + 1] - 1 (none: no move there);
    moment_ticks, moment_seconds, moment_costs: shape (M,); leave: shape (M, 42), cost of a
    one-notch move by way out; ring (letting go included), held: shape (M, 12) by pitch class;
    only_ring, only_held: shape (M, 21) for sounds with one string, or None; slot_leave: shape
    (K - 1, 42), the least of a slot's moments; slot_held: shape (K - 1, 12), True where a sound is
    held at all of them.
    sounds, strings: per strike, its Sound and the strings left to it by the disc-less strings.
    fixed: tuning chosen for the disc-less strings.
    """

    part: Part
    player: Player
    costs: PedalCosts
    foot: FootTime
    columns: tuple[tuple[int, ...], ...]
    demands: tuple[tuple[int, ...], ...]
    ticks: tuple[int, ...]
    seconds: tuple[float, ...]
    first: tuple[int, ...]
    moment_ticks: tuple[int, ...]
    moment_seconds: tuple[float, ...]
    moment_costs: Ints
    leave: Ints
    ring: Ints
    held: Bools
    only_ring: Ints | None
    only_held: Bools | None
    slot_leave: Ints
    slot_held: Bools
    sounds: tuple[Sound, ...]
    strings: tuple[tuple[Pitch, ...], ...]
    fixed: tuple[tuple[int, int], ...]
    blocked: tuple[bool, ...]

    @cached_property
    def all_demands(self) -> tuple[Ints, Ints]:
        """Every demand as its column and its row of `emission_rows`, in order of columns."""
        sizes = [len(rows) for rows in self.demands]
        columns = np.repeat(np.arange(len(sizes), dtype=np.int32), sizes)
        rows = np.fromiter((row for each in self.demands for row in each), np.int32, sum(sizes))
        return columns, rows

    @cached_property
    def longest(self) -> int:
        """Ticks for which the longest note is held."""
        strikes, costs = self.part.strikes, self.costs
        return max((held_until(self.part, s, costs) - s.onset for s in strikes), default=0)

    @property
    def slots(self) -> int:
        """How many slots."""
        return max(0, len(self.columns) - 1)

    def emission(self, column: int) -> Ints:
        """What a column costs at each setting."""
        costs = self.costs
        return emission(mills(costs.unmet_setting), mills(costs.respelled), self.demands[column])

    def emission_rows(self) -> Ints:
        """Shape (75, 2187): the table of what each demand costs at each setting."""
        rows: Ints = emission_rows(mills(self.costs.unmet_setting), mills(self.costs.respelled))
        return rows

    def moments(self, slot: int) -> range:
        """Indices of a slot's moments."""
        return range(self.first[slot], self.first[slot + 1])


def _fixed_tuning(
    part: Part, harp: Instrument, sounds: list[Sound], known: Tuning | None
) -> tuple[tuple[tuple[int, int], ...], dict[Pitch, Sound]]:
    """Tuning of the disc-less strings for the whole piece, and the sounds it leaves.

    Over all tunings: fewest notes that no string can give, then fewest that must go to a pedalled
    string, then the key signature's alterations, then flats first. known: a tuning to be taken.
    """
    asked: dict[Pitch, int] = {}
    for sound, strike in zip(sounds, part.strikes, strict=True):
        if sound.fixed:
            asked[strike.pitch] = asked.get(strike.pitch, 0) + 1
    if not asked:
        return (), {}
    if known is not None:
        return _tuned(harp, asked, tuple(alter for _, alter in known))
    key = dict(zip(PEDALS, key_setting(part.bars[0].fifths), strict=True))
    letters = [Pitch.on_string(string, 0).step for string in harp.discless]
    best: tuple[tuple[int, ...], tuple[int, ...]] | None = None
    for number in range(3 ** len(harp.discless)):
        tuning = tuple(number // 3**i % 3 - 1 for i in range(len(harp.discless)))
        lost = moved = 0
        for pitch, times in asked.items():
            options = _with_tuning(harp, pitch, tuning)
            lost += times * (not options)
            moved += times * bool(options and options[0].string not in harp.discless)
        off = sum(abs(t - key[letter]) for t, letter in zip(tuning, letters, strict=True))
        rank = (lost, moved, off, *tuning)
        if best is None or rank < best[0]:
            best = (rank, tuning)
    assert best is not None
    return _tuned(harp, asked, best[1])


def _tuned(
    harp: Instrument, asked: Iterable[Pitch], tuning: tuple[int, ...]
) -> tuple[tuple[tuple[int, int], ...], dict[Pitch, Sound]]:
    table = {}
    for pitch in asked:
        options = _with_tuning(harp, pitch, tuning)
        table[pitch] = _sound(pitch, options, bool(options) and options[0].string in harp.discless)
    return tuple(zip(harp.discless, tuning, strict=True)), table


def _with_tuning(harp: Instrument, pitch: Pitch, tuning: tuple[int, ...]) -> tuple[Pitch, ...]:
    """Strings for a sound when the disc-less strings are tuned so; a disc-less string that gives
    it needs no pedal and comes first."""
    given = dict(zip(harp.discless, tuning, strict=True))
    options = harp.strings_for(pitch)
    free = tuple(p for p in options if given.get(p.string) == p.alter)
    return free or tuple(p for p in options if p.string not in given)


def _sweeps(part: Part) -> list[tuple[int, int, bool]]:
    """(from tick, to tick, ends on a struck note) of every glissando."""
    open_ends: dict[str, list[int]] = {}
    sweeps: list[tuple[int, int, bool]] = []
    for index, strike in enumerate(part.strikes):
        if not strike.first.marks:
            continue
        for mark in strike.first.marks:
            if mark.kind == "gliss-stop" and open_ends.get(mark.value):
                start = open_ends[mark.value].pop()
                sweeps.append((part.strikes[start].onset, strike.onset, True))
            elif mark.kind == "gliss-start":
                open_ends.setdefault(mark.value, []).append(index)
    for waiting in open_ends.values():
        sweeps.extend((part.strikes[i].onset, part.strikes[i].end, False) for i in waiting)
    return sorted(sweeps)


def _swept(tick: int, opening: bool, closing: bool, sweeps: list[tuple[int, int, bool]]) -> bool:
    """True if a moment lies in a sweep; opening / closing: it is its slot's first or last."""
    for start, stop, struck in sweeps:
        begun = tick > start or (tick == start and not closing)
        going = tick < stop or (tick == stop and struck and closing and not opening)
        if begun and going:
            return True
    return False


Tuning = tuple[tuple[int, int], ...]
"""String and alteration of each disc-less string; () if none is asked for."""


def build_line(
    part: Part, player: Player, costs: PedalCosts, tuning: Tuning | None = None
) -> Line:
    """Lays a part out for planning: shapes as in `Line`. tuning: of the disc-less strings, if it is
    known; where none of them is asked for it is left out."""
    harp, strikes = player.harp, part.strikes
    foot = FootTime.of(player, costs)
    known = sounds_of(harp)
    sounds = [known[strike.first.pitch] for strike in strikes]
    fixed, retuned = _fixed_tuning(part, harp, sounds, tuning)
    if retuned:
        sounds = [retuned.get(s.first.pitch, o) for s, o in zip(strikes, sounds, strict=True)]
    rows: dict[int, list[int]] = {}
    for index, strike in enumerate(strikes):
        rows.setdefault(strike.onset, []).append(index)
    ticks = tuple(sorted(rows))
    columns = tuple(tuple(rows[tick]) for tick in ticks)
    seconds = tuple(part.seconds(tick) for tick in ticks)
    demands = []
    for column in columns:
        seen: set[int] = set()
        rows_here = []
        for index in column:
            sound = sounds[index]
            if not sound.pitches or sound.fixed:
                continue
            midi = sound.pitches[0].midi
            row = sound.again if midi in seen else sound.row
            seen.add(midi)
            if row >= 0:
                rows_here.append(row)
        demands.append(tuple(sorted(rows_here)))
    sweeps = _sweeps(part)
    moments, first, blocked = _moments(part, ticks, seconds, foot, costs, sweeps)
    arrays = _burdens(part, columns, ticks, seconds, sounds, moments, first, costs)
    return Line(
        part, player, costs, foot, columns, tuple(demands), ticks, seconds, first,
        tuple(m[0] for m in moments), tuple(m[1] for m in moments), *arrays,
        tuple(sounds), tuple(s.pitches for s in sounds), fixed, blocked,
    )


def _moments(
    part: Part,
    ticks: tuple[int, ...],
    seconds: tuple[float, ...],
    foot: FootTime,
    costs: PedalCosts,
    sweeps: list[tuple[int, int, bool]],
) -> tuple[list[tuple[int, float, int]], tuple[int, ...], tuple[bool, ...]]:
    """(tick, seconds, cost in thousandths) of every moment, the index of each slot's first
    moment (shape (K,)), and whether a sweep blocks each slot."""
    bar_starts = [bar.onset for bar in part.bars]
    lines = set(bar_starts)
    rest, bar_line = mills(costs.rest), mills(costs.bar_line)
    during, with_note = mills(costs.during), mills(costs.with_note)
    before_note, off_beat = mills(costs.before_note), mills(costs.off_beat)
    ends: dict[int, int] = {}
    for strike in part.strikes:
        ends[strike.onset] = max(ends.get(strike.onset, 0), strike.end)
    found: list[tuple[int, float, int]] = []
    first, blocked = [0], []
    quiet = 0
    for slot in range(len(ticks) - 1):
        start, stop, began, stopped = ticks[slot], ticks[slot + 1], seconds[slot], seconds[slot + 1]
        quiet = max(quiet, ends[start])
        length = stopped - began
        inner: set[int] = set()
        if start < quiet < stop:
            inner.add(quiet)
        after, until = bisect_right(bar_starts, start), bisect_left(bar_starts, stop)
        if after < until:
            inner.update((bar_starts[after], bar_starts[until - 1]))
        if length > foot.hard:
            inner.update(_grid(part, start, stop, length, foot.hard))
        busy = mills(costs.busy * min(1.0, foot.comfortable / length))
        for tick in (start, *sorted(inner), stop):
            if sweeps and _swept(tick, tick == start, tick == stop, sweeps):
                continue
            if quiet <= tick < stop:
                cost = rest
            elif tick == stop:
                cost = before_note + busy
            elif tick in lines:
                cost = bar_line + busy
            else:
                bar = part.bar_at(tick)
                price = with_note if tick == start else during
                if (tick - bar.onset + bar.lead) % bar.beat_ticks:
                    price += off_beat
                cost = price + busy
            at = began if tick == start else stopped if tick == stop else part.seconds(tick)
            found.append((tick, at, cost))
        blocked.append(len(found) == first[-1])
        first.append(len(found))
    return found, tuple(first), tuple(blocked)


def _grid(part: Part, start: int, stop: int, length: float, hard: float) -> list[int]:
    """Ticks inside a slot on the coarsest division of the beat that is not slower than the foot's
    hard limit; at most `GRID_LIMIT` from each end."""
    bar = part.bar_at(start)
    step, share = bar.pulse_ticks, length / (stop - start)
    if bar.pulse_ticks > bar.beat_ticks and step * share > hard:
        step = bar.beat_ticks
    while step * share > hard and step % 2 == 0 and step > TICKS // 16:
        step //= 2
    origin = bar.onset - bar.lead
    low, high = (start - origin) // step + 1, -((origin - stop) // step) - 1
    numbers = range(low, high + 1)
    if len(numbers) > 2 * GRID_LIMIT:
        numbers = [*numbers[:GRID_LIMIT], *numbers[-GRID_LIMIT:]]  # type: ignore[assignment]
    return [origin + step * number for number in numbers]


def held_until(part: Part, strike: Strike, costs: PedalCosts) -> int:
    """Tick from which a strike's string may be let go for a pedal: its written end less
    `release_seconds`, but no more than `release_share` of its value, and never its own onset."""
    length = strike.end - strike.onset
    if not length:
        return strike.onset + 1
    if len(part.tempo) == 1:
        let_go = costs.release_seconds * part.tempo[0].quarters / 60.0 * TICKS
    else:
        spent = part.seconds(strike.end) - part.seconds(strike.onset)
        let_go = costs.release_seconds / spent * length
    release = min(round(let_go), int(length * costs.release_share))
    return max(strike.end - release, strike.onset + 1)


def _burdens(
    part: Part,
    columns: tuple[tuple[int, ...], ...],
    ticks: tuple[int, ...],
    seconds: tuple[float, ...],
    sounds: list[Sound],
    moments: list[tuple[int, float, int]],
    first: tuple[int, ...],
    costs: PedalCosts,
) -> tuple[Ints, Ints, Ints, Bools, Ints | None, Bools | None, Ints, Bools]:
    """moment_costs, leave, ring, held, only_ring, only_held, slot_leave, slot_held of a `Line`."""
    strikes, count = part.strikes, len(columns)
    fades = np.array(costs.ring_seconds) * costs.ring_share
    octaves = len(costs.ring_seconds)
    # Rows 0-11: pitch classes; rows 12-32: sounds with one string, by letter and position.
    wide = any(s.only >= 0 for s in sounds)
    width = 33 if wide else 12
    plucked = np.full((count, width, octaves), -np.inf)
    until = np.full((count, width), -1, dtype=np.int64)
    written = np.full((count, width), -1, dtype=np.int64)
    struck = np.zeros((count, width), dtype=bool)
    rings: list[tuple[int, int, int]] = []
    lasts: dict[tuple[int, int], tuple[int, int]] = {}
    for k, column in enumerate(columns):
        for index in column:
            sound = sounds[index]
            if not sound.pitches or sound.fixed:
                continue
            row = 12 + sound.only if sound.only >= 0 else sound.pitch_class
            strike = strikes[index]
            octave = min(sound.octave, octaves - 1)
            if not strike.first.has("etouffe"):
                rings.append((k, row, octave))
            held_to, end = held_until(part, strike, costs), strike.end
            before = lasts.get((k, row), (held_to, end))
            lasts[k, row] = max(before[0], held_to), max(before[1], end)
    if rings:
        at, rows, octave_of = np.array(rings).T
        plucked[at, rows, octave_of] = np.array(seconds)[at]
    if lasts:
        at, rows = np.array(list(lasts)).T
        struck[at, rows] = True
        until[at, rows], written[at, rows] = np.array(list(lasts.values())).T
    np.maximum.accumulate(plucked, axis=0, out=plucked)
    np.maximum.accumulate(until, axis=0, out=until)
    np.maximum.accumulate(written, axis=0, out=written)
    total = len(moments)
    starts = np.array(first, dtype=np.intp)
    slot_of = np.repeat(np.arange(max(0, count - 1)), np.diff(starts))
    ticks_at = np.array([m[0] for m in moments], dtype=np.int64)
    seconds_at = np.array([m[1] for m in moments])
    costs_at = np.array([m[2] for m in moments], dtype=np.int32)
    ring = np.zeros((total, width), dtype=np.int32)
    for low in range(0, total, 4096):  # in blocks: memory stays linear with a small constant
        part_of = slice(low, low + 4096)
        since = seconds_at[part_of, None, None] - plucked[slot_of[part_of]]
        fresh = np.maximum(0.0, 1.0 - since / fades).max(axis=2)
        ring[part_of] = np.rint(SCALE * np.minimum(costs.muffle, costs.ring * fresh))
    held = ticks_at[:, None] < until[slot_of]
    early = ~held & (ticks_at[:, None] < written[slot_of])
    ring += mills(costs.let_go) * early.astype(np.int32)
    # A letter never leaves at the very tick at which it is plucked while a later moment will do.
    at_once = held & struck[slot_of] & (ticks_at == np.array(ticks)[slot_of])[:, None]
    pinned = mills(costs.unmet_held) * (held.astype(np.int32) + at_once)
    leave = np.empty((total, EXITS), dtype=np.int32)
    if wide:
        np.maximum(pinned[:, EXIT_CLASS], pinned[:, 12:], out=leave[:, :21])
        leave[:, 21:] = pinned[:, 12:]
        buzz = np.maximum(ring[:, EXIT_CLASS], ring[:, 12:])
    else:
        leave[:, :21] = pinned[:, EXIT_CLASS]
        leave[:, 21:] = 0
        buzz = ring[:, EXIT_CLASS]
    leave[:, :21] += buzz
    leave[:, 21:] += buzz
    leave += (costs_at + mills(costs.move))[:, None]
    open_slots = np.flatnonzero(np.diff(starts))
    slot_leave = np.zeros((max(0, count - 1), EXITS), dtype=np.int32)
    slot_held = np.zeros((max(0, count - 1), 12), dtype=bool)
    if len(open_slots):
        slot_leave[open_slots] = np.minimum.reduceat(leave, starts[open_slots], axis=0)
        slot_held[open_slots] = np.logical_and.reduceat(held[:, :12], starts[open_slots], axis=0)
    return (
        costs_at, leave, ring[:, :12], held[:, :12],
        ring[:, 12:] if wide else None, held[:, 12:] if wide else None,
        slot_leave, slot_held,
    )


def start_costs(line: Line, start: Setting | None) -> Ints:
    """Shape (2187,): cost of each first setting: how far it is from the key signature's."""
    key = np.array(key_setting(line.part.bars[0].fifths), dtype=np.int8)
    notches = np.abs(settings_table() - key).sum(axis=1).astype(np.int32)
    costs: Ints = notches * np.int32(mills(line.costs.start))
    if start is not None:
        allowed = (settings_table() == np.array(start, dtype=np.int8)).all(axis=1)
        costs = np.where(allowed, 0, np.int32(1 << 29)).astype(np.int32)
    return costs
