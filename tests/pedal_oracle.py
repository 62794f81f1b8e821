"""A second, plain statement of the pedal problem, to hold the planner to.

Written from the documented rules alone (pedal_line's docstring and pedal_costs.toml), with none of
the planner's tables, tricks or shortcuts: every setting is a tuple out of `product`, every cost a
sum over the notes, and `optimum` is a dynamic programme over every setting and every pair of last
moments of the two feet, with nothing merged, split by letter or left out. `faults` replays a plan
as a player would and says what does not sound, what is pulled from under a finger, and which foot
would have to be too quick.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise, product

import numpy as np

from simplify.harp.instrument import PEDALS, Setting, key_setting
from simplify.harp.player import Player, tier_names, tier_player
from simplify.score.model import (
    STEP_SEMITONES,
    TICKS,
    Bar,
    Note,
    Part,
    Pitch,
    Strike,
    TempoMark,
)
from simplify.technique.pedal_line import PedalCosts, standard_costs
from simplify.technique.plan import PedalPlan

SETTINGS: list[Setting] = list(product((-1, 0, 1), repeat=7))  # type: ignore[arg-type]
"""Every setting in the order D C B E F G A."""
LEFT = "DCB"
RIGHT = "EFGA"
FAR = 1e12
POSITIONS = {letter: np.array([s[i] for s in SETTINGS]) for i, letter in enumerate(PEDALS)}
"""Position of a letter at every setting."""


def sound(letter: str, position: int) -> int:
    """Pitch class of a letter's strings at a position."""
    return (STEP_SEMITONES[letter] + position) % 12


def thousandths(cost: float) -> float:
    """Costs are kept to a thousandth."""
    return round(1000 * cost) / 1000


@cache
def _doubled(letter: str) -> np.ndarray:
    """At which settings another letter gives the same sound as this one."""
    others = [other for other in PEDALS if other != letter]
    rows = [
        any(
            sound(other, s[PEDALS.index(other)]) == sound(letter, s[PEDALS.index(letter)])
            for other in others
        )
        for s in SETTINGS
    ]
    return np.array(rows)


@cache
def strings(player: Player, pitch: Pitch) -> tuple[Pitch, ...]:
    """Every string of the harp that gives a pitch, the written one first."""
    harp = player.harp
    found = [
        Pitch(letter, alter, octave)
        for octave in range(0, 9)
        for letter in "CDEFGAB"
        for alter in (-1, 0, 1)
        if Pitch(letter, alter, octave).midi == pitch.midi
        and harp.lowest <= Pitch(letter, alter, octave).string <= harp.highest
    ]
    return tuple(sorted(found, key=lambda p: p != pitch))


def held_until(part: Part, strike: Strike, costs: PedalCosts) -> int:
    """Tick from which a strike may be let go."""
    length = strike.end - strike.onset
    if length == 0:
        return strike.onset + 1
    seconds = part.seconds(strike.end) - part.seconds(strike.onset)
    early = min(round(costs.release_seconds / seconds * length), int(costs.release_share * length))
    return max(strike.end - early, strike.onset + 1)


@dataclass
class Oracle:
    """The problem of one part, player and table of costs (pedal harps, no glissandi, no notes on
    disc-less strings)."""

    part: Part
    player: Player
    costs: PedalCosts

    def __post_init__(self) -> None:
        self.ticks = sorted({s.onset for s in self.part.strikes})
        self.columns = [[s for s in self.part.strikes if s.onset == t] for t in self.ticks]
        self.hard = self.player.limits.foot_seconds * self.player.limits.hard_share
        self.comfortable = self.player.limits.foot_seconds

    # moments -------------------------------------------------------------------------------------

    def moments(self, slot: int) -> list[int]:
        """Ticks at which a pedal may be moved between a column and the next."""
        part, start, stop = self.part, self.ticks[slot], self.ticks[slot + 1]
        seconds = part.seconds(stop) - part.seconds(start)
        ticks = {start, stop}
        quiet = self.quiet(slot)
        if start < quiet < stop:
            ticks.add(quiet)
        lines = [bar.onset for bar in part.bars if start < bar.onset < stop]
        ticks.update(lines[:1] + lines[-1:])
        if seconds > self.hard:
            bar = part.bar_at(start)
            step = bar.pulse_ticks
            per_tick = seconds / (stop - start)
            if step > bar.beat_ticks and step * per_tick > self.hard:
                step = bar.beat_ticks
            while step * per_tick > self.hard and step % 2 == 0 and step > TICKS // 16:
                step //= 2
            origin = bar.onset - bar.lead
            grid = [
                t for t in range(start + 1, stop) if (t - origin) % step == 0
            ]
            if len(grid) > 6:
                grid = grid[:3] + grid[-3:]
            ticks.update(grid)
        return sorted(ticks)

    def quiet(self, slot: int) -> int:
        """Tick at which everything struck so far has come to its written end."""
        return max(s.end for column in self.columns[: slot + 1] for s in column)

    def price(self, slot: int, tick: int) -> float:
        """What the moment itself costs."""
        c, start, stop = self.costs, self.ticks[slot], self.ticks[slot + 1]
        seconds = self.part.seconds(stop) - self.part.seconds(start)
        busy = thousandths(c.busy * min(1.0, self.comfortable / seconds))
        if self.quiet(slot) <= tick < stop:
            return c.rest
        if tick == stop:
            return c.before_note + busy
        if any(bar.onset == tick for bar in self.part.bars):
            return c.bar_line + busy
        bar = self.part.bar_at(tick)
        off = (tick - bar.onset + bar.lead) % bar.beat_ticks != 0
        return (c.with_note if tick == start else c.during) + busy + (c.off_beat if off else 0.0)

    # moves ---------------------------------------------------------------------------------------

    def ringing(self, tick: int, strikes: list[Strike]) -> float:
        """What it costs to leave a sound that rings, or is let go early, at a tick."""
        c, now = self.costs, self.part.seconds(tick)
        ring = 0.0
        for strike in strikes:
            since = now - self.part.seconds(strike.onset)
            fade = c.ring_share * c.ring_seconds[min(8, max(0, strike.pitch.midi // 12 - 1))]
            if not strike.first.has("etouffe"):
                ring = max(ring, min(c.muffle, c.ring * max(0.0, 1.0 - since / fade)))
        held = any(tick < held_until(self.part, s, c) for s in strikes)
        written = any(tick < s.end for s in strikes)
        return thousandths(ring) + (c.let_go if written and not held else 0.0)

    def held(self, slot: int, tick: int, strikes: list[Strike]) -> float:
        """What it costs to take a held sound away at a tick."""
        c = self.costs
        if not any(tick < held_until(self.part, s, c) for s in strikes):
            return 0.0
        at_once = tick == self.ticks[slot] and any(s.onset == tick for s in strikes)
        return c.unmet_held * (2 if at_once else 1)

    def sounding(self, slot: int) -> tuple[dict[int, list[Strike]], dict[Pitch, list[Strike]]]:
        """Strikes so far by pitch class; those that only one string of two can give, by letter and
        position (octave 0)."""
        shared: dict[int, list[Strike]] = {}
        alone: dict[Pitch, list[Strike]] = {}
        for column in self.columns[: slot + 1]:
            for strike in column:
                options = strings(self.player, strike.pitch)
                if not options:
                    continue
                usual = 1 if strike.pitch.pitch_class in (2, 7, 9) else 2
                if len(options) < usual:
                    key = Pitch(options[0].step, options[0].alter, 0)
                    alone.setdefault(key, []).append(strike)
                else:
                    shared.setdefault(strike.pitch.pitch_class, []).append(strike)
        return shared, alone

    def leaving(
        self, slot: int, tick: int, letter: str, position: int, doubled: bool,
        sounding: tuple[dict[int, list[Strike]], dict[Pitch, list[Strike]]],
    ) -> float:
        """What it costs to leave a position; doubled: another letter gives the same sound."""
        shared = sounding[0].get(sound(letter, position), [])
        alone = sounding[1].get(Pitch(letter, position, 0), [])
        ring = max(self.ringing(tick, shared), self.ringing(tick, alone))
        held = self.held(slot, tick, alone)
        if not doubled:
            held = max(held, self.held(slot, tick, shared))
        return ring + held

    def arriving(
        self, slot: int, tick: int, letter: str, position: int, doubled: bool,
        sounding: tuple[dict[int, list[Strike]], dict[Pitch, list[Strike]]],
    ) -> float:
        """What it costs to come to a sound that is held on another letter."""
        if not doubled:
            return 0.0
        strikes = sounding[0].get(sound(letter, position), [])
        held = any(tick < held_until(self.part, s, self.costs) for s in strikes)
        return self.costs.unmet_held if held else 0.0

    def hurry(self, seconds: float, notches: int) -> float:
        """What a move costs so soon after the foot's last."""
        hard = self.hard * (self.costs.two_notch_time if notches == 2 else 1.0)
        if seconds < hard - 1e-6:
            return self.costs.unmet_time
        if seconds < self.comfortable - 1e-6:
            short, width = self.comfortable - seconds, self.comfortable - hard
            return round(round(1000 * self.costs.hurry) * short / width) / 1000
        return 0.0

    def counts_at(self, seconds: float) -> float:
        """The time at which a move counts as made (the clock of a slow foot)."""
        if self.comfortable < self.costs.clock_from:
            return seconds
        stroke = self.comfortable / self.costs.clock_strokes
        return math.ceil(seconds / stroke - 1e-6) * stroke

    # columns -------------------------------------------------------------------------------------

    def strike_costs(self, column: int) -> np.ndarray:
        """What a column costs at every setting."""
        total, seen = np.zeros(len(SETTINGS)), set()
        for strike in self.columns[column]:
            options = strings(self.player, strike.pitch)
            if not options:
                continue
            there = np.zeros(len(SETTINGS), dtype=bool)
            for p in options:
                there |= POSITIONS[p.step] == p.alter
            if strike.pitch.midi not in seen:
                total += np.where(there, 0.0, self.costs.unmet_setting)
            if options[0] == strike.pitch and len(options) > 1:
                written = POSITIONS[strike.pitch.step] == strike.pitch.alter
                total += np.where(there & ~written, self.costs.respelled, 0.0)
            seen.add(strike.pitch.midi)
        return total

    def first_cost(self, setting: tuple[int, ...]) -> float:
        """What the first setting costs."""
        key = key_setting(self.part.bars[0].fifths)
        return self.costs.start * sum(abs(a - b) for a, b in zip(setting, key, strict=True))

    # the whole -----------------------------------------------------------------------------------

    def optimum(self, start: Setting | None = None) -> float:
        """Least cost over first settings, strings, moves and moments. One foot makes at most one
        move at a moment, or two adjacent ones together where the tier allows it."""
        number = {setting: i for i, setting in enumerate(SETTINGS)}
        first = np.array([self.first_cost(s) for s in SETTINGS])
        if start is not None:
            first = np.full(len(SETTINGS), FAR)
            first[number[start]] = 0.0
            for axis in range(7):  # before the first note there is time for any move
                grid = first.reshape(3**axis, 3, -1)
                old = grid.copy()
                for a, b in product(range(3), repeat=2):
                    if a != b:
                        step = self.costs.move + (abs(a - b) == 2) * self.costs.second_notch
                        grid[:, b] = np.minimum(grid[:, b], old[:, a] + step)
        value = (first + self.strike_costs(0))[None, None, :]
        times: tuple[list[float], list[float]] = ([-np.inf], [-np.inf])
        for slot in range(len(self.ticks) - 1):
            sounding = self.sounding(slot)
            for tick in self.moments(slot):
                now = self.part.seconds(tick)
                leave, arrive = self._tables(slot, tick, sounding)
                for foot, letters in enumerate((LEFT, RIGHT)):
                    value = self._one_move(value, foot, letters, times[foot], now, leave, arrive)
                    times[foot].append(self.counts_at(now))
            value = value + self.strike_costs(slot + 1)
        return float(value.min())

    def _tables(
        self, slot: int, tick: int,
        sounding: tuple[dict[int, list[Strike]], dict[Pitch, list[Strike]]],
    ) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
        """What it costs each letter to leave, and to come to, its place in every setting."""
        leave, arrive = {}, {}
        price = self.costs.move + self.price(slot, tick)
        for letter in PEDALS:
            leave[letter], arrive[letter] = np.zeros(len(SETTINGS)), np.zeros(len(SETTINGS))
            for position, doubled in product((-1, 0, 1), (False, True)):
                here = (POSITIONS[letter] == position) & (_doubled(letter) == doubled)
                out = self.leaving(slot, tick, letter, position, doubled, sounding)
                leave[letter][here] = price + out
                come = self.arriving(slot, tick, letter, position, doubled, sounding)
                arrive[letter][here] = come
        return leave, arrive

    def _one_move(
        self, value: np.ndarray, foot: int, letters: str, times: list[float], now: float,
        leave: dict[str, np.ndarray], arrive: dict[str, np.ndarray],
    ) -> np.ndarray:
        """The values with a further last-move level for one foot."""
        ready = {}
        for notches in (1, 2):
            charge = np.array([self.hurry(now - t, notches) for t in times])
            shape = (-1, 1, 1) if foot == 0 else (1, -1, 1)
            ready[notches] = (value + charge.reshape(shape)).min(axis=foot)
        fresh = np.full(ready[1].shape, FAR)
        crossing = "EB"[foot] if self.player.tier in self.costs.cross_tiers else ""
        for letter in letters + crossing:
            at = PEDALS.index(letter)
            extra = self.costs.cross_foot if letter == crossing else 0.0
            for a, b in product((-1, 0, 1), repeat=2):
                if a == b:
                    continue
                source = np.flatnonzero(POSITIONS[letter] == a)
                target = source + (b - a) * 3 ** (6 - at)
                notches = abs(b - a)
                cost = leave[letter][source] + arrive[letter][target] + extra
                cost = cost + (self.costs.second_notch if notches == 2 else 0.0)
                fresh[:, target] = np.minimum(fresh[:, target], ready[notches][:, source] + cost)
        if self.player.tier in self.costs.adjacent_tiers:
            for one, two in pairwise(letters):
                source = np.flatnonzero((POSITIONS[one] == -1) & (POSITIONS[two] == -1))
                between = source + 3 ** (6 - PEDALS.index(one))
                target = between + 3 ** (6 - PEDALS.index(two))
                cost = leave[one][source] + arrive[one][between] + self.costs.adjacent
                cost = cost + leave[two][between] + arrive[two][target]
                fresh[:, target] = np.minimum(fresh[:, target], ready[1][:, source] + cost)
        return np.concatenate([value, np.expand_dims(fresh, foot)], axis=foot)


def faults(
    part: Part, player: Player, costs: PedalCosts, plan: PedalPlan, given: bool = False
) -> list[str]:
    """What goes wrong when a plan is played: nothing, if it has no unmet place. given: the first
    setting was given, so moves at the first tick are made at leisure before the music begins."""
    found = []
    now = dict(zip(PEDALS, plan.start, strict=True))
    last: dict[str, float] = {}
    for move in plan.moves:
        if now[move.letter] != move.before or move.before == move.after:
            found.append(f"{move}: the pedal is at {now[move.letter]}")
        now[move.letter] = move.after
        at = part.seconds(move.onset)
        limit = player.limits.foot_seconds * player.limits.hard_share
        if abs(move.after - move.before) == 2:
            limit *= costs.two_notch_time
        before_piece = given and move.onset == part.bars[0].onset
        together = (
            player.tier in costs.adjacent_tiers
            and any(abs(PEDALS.index(move.letter) - PEDALS.index(m.letter)) == 1
                    for m in plan.moves if m.onset == move.onset and m.foot == move.foot)
            and (move.before, move.after) == (-1, 0)
        )
        quick = move.foot in last and at - last[move.foot] < limit - 1e-6
        if quick and not before_piece and not (together and at == last[move.foot]):
            found.append(f"{move}: {at - last[move.foot]:.3f} s after the foot's last move")
        if not before_piece:
            last[move.foot] = at
        home = "left" if move.letter in LEFT else "right"
        if move.foot != home and not (move.letter in "BE" and player.tier in costs.cross_tiers):
            found.append(f"{move}: other foot's pedal")
        for strike, pitch in zip(part.strikes, plan.played, strict=True):
            held = strike.onset <= move.onset < held_until(part, strike, costs)
            arrived = move.onset == strike.onset and pitch.alter == move.after
            if held and not arrived and (pitch.step, pitch.alter) == (move.letter, move.before):
                found.append(f"{move}: {pitch.name} of {strike.onset} is held")
    for strike, pitch in zip(part.strikes, plan.played, strict=True):
        if pitch.midi != strike.pitch.midi:
            found.append(f"{strike.pitch.name} is played as {pitch.name}")
        if not player.harp.lowest <= pitch.string <= player.harp.highest:
            found.append(f"{pitch.name} is not on the harp")
        setting = dict(zip(PEDALS, plan.setting_at(strike.onset), strict=True))
        if setting[pitch.step] != pitch.alter and pitch.string not in player.harp.discless:
            found.append(f"{pitch.name} at {strike.onset}: the pedal stands at {setting}")
    return found


# --- random cases ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Problem:
    """One random case."""

    part: Part
    player: Player
    costs: PedalCosts
    start: Setting | None


def random_part(rng: random.Random, columns: int) -> Part:
    """A few struck moments of one to five notes, chromatic or nearly in a key, close together or
    far apart, with short notes, long held notes, unisons, grace notes and double accidentals."""
    beats, beat_type = rng.choice([(2, 4), (3, 4), (4, 4), (6, 8), (5, 8)])
    length = 4 * TICKS * beats // beat_type
    fifths = rng.randint(-7, 7)
    count = rng.randint(1, 3)
    bars = tuple(
        Bar(i, str(i + 1), i * length, length, beats, beat_type, fifths) for i in range(count)
    )
    grid = rng.choice([TICKS // 4, TICKS // 3, TICKS // 2, TICKS])
    places = range(0, count * length, grid)
    onsets = sorted(rng.sample(places, min(columns, len(places))))
    chromatic = rng.random() < 0.6
    key = dict(zip(PEDALS, key_setting(fifths), strict=True))
    notes = []
    for at, onset in enumerate(onsets):
        following = onsets[at + 1] if at + 1 < len(onsets) else count * length
        for _ in range(rng.choice([1, 1, 2, 3, 3, 4, 5])):
            letter = rng.choice("CDEFGAB")
            alter = rng.choice([-1, 0, 1]) if chromatic else key[letter]
            if rng.random() < 0.04:
                alter = rng.choice([-2, 2])
            octave = rng.choice([1, 2, 3, 4, 4, 5, 6, 7]) if rng.random() < 0.2 else 4
            pitch = Pitch(letter, alter, octave)
            if pitch.midi < 29:  # C1 and D1 have no discs: a matter of its own
                pitch = replace(pitch, octave=2)
            span = rng.choice([following - onset, following - onset, grid // 2, 3 * grid, 6 * grid])
            grace = int(rng.random() < 0.05)
            notes.append(
                Note(
                    0, onset, 0 if grace else max(1, span), pitch, min(onset // length, count - 1),
                    staff=rng.choice([1, 2]), voice=str(rng.randint(1, 3)), grace=grace,
                )
            )
    notes.sort(key=lambda n: n.order_key)
    numbered = tuple(replace(note, id=i) for i, note in enumerate(notes))
    return Part("P1", "Harp", bars, numbered, (TempoMark(0, rng.choice([40, 60, 90, 132, 200])),))


def random_problem(seed: int, most_moments: int) -> Problem:
    """A case with at most so many moments: tables of cost, feet, gaps and first settings vary."""
    rng = random.Random(seed)
    standard = standard_costs()
    tables = (
        standard,
        standard,
        replace(
            standard, respelled=0.3, second_notch=0.9, hurry=1.3, ring=0.5, muffle=0.5, busy=0.0,
            let_go=0.05, two_notch_time=1.0,
        ),
        replace(
            standard, unmet_held=3.0, unmet_time=2.0, unmet_setting=5.0, start=0.02, move=0.7,
            cross_foot=0.4, adjacent=0.3, cross_tiers=("amateur", "soloist"),
        ),
        replace(
            standard, ring=0.0, muffle=0.0, rest=0.0, bar_line=0.0, during=0.0, with_note=0.0,
            before_note=0.0, off_beat=0.0, busy=0.0, hurry=0.0, second_notch=0.0,
        ),
    )
    while True:
        part = random_part(rng, rng.randint(1, 6))
        player = tier_player(rng.choice(tier_names()))
        seconds = rng.choice([player.limits.foot_seconds, 0.15, 0.3, 0.5, 0.8, 1.2])
        player = replace(player, limits=replace(player.limits, foot_seconds=seconds))
        costs = rng.choice(tables)
        start = rng.choice(SETTINGS) if rng.random() < 0.4 else None
        oracle = Oracle(part, player, costs)
        slots = range(len(oracle.ticks) - 1)
        if sum(len(oracle.moments(slot)) for slot in slots) <= most_moments:
            return Problem(part, player, costs, start)
