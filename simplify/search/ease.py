"""Eases music to a player's measure: bars are read, those that are too much are realised easier.

All bars are read together (the whole piece performed once a round); each bar in trouble has one
dial turned by a step, the one that its trouble asks for: a jump brings chords nearer, pedals cost
accidentals, run-over chords lose notes. Bars with the same notes are turned together. When the
player's measure holds, dials are turned back, bar by bar, wherever that costs nothing. The number
of rounds does not depend on the length of the piece, so the time grows with it linearly.
"""

from __future__ import annotations

import bisect
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from simplify.difficulty.load import Reading, read_for
from simplify.harp.player import LAYERS, MODERATE, Player
from simplify.realise.bar import MOST, Basis, Dials, Rows, assembled
from simplify.score.model import Bar, Note, Part, Passage, Pitch
from simplify.search.reading import Reading as PassageReading
from simplify.search.reading import bars_of, crossings, excess, written
from simplify.search.settings import settings
from simplify.strategy import Keeps, broken_promises
from simplify.technique.plan import Fault, Performance

Progress = Callable[[int, int], None]

Crossed = tuple[tuple[Fault, ...], tuple[Fault, ...]]
"""Faults and joins over an edge, as `crossings` tells them."""

_TAIL = (
    ("near", 1), ("pace", 1), ("chords", 1), ("near", 2), ("rhythm", 1), ("pace", 2),
    ("chords", 2), ("tune", 1), ("pace", 3), ("colour", 1), ("chords", 3), ("tune", 2), ("pace", 4),
    ("colour", 2), ("rhythm", 2), ("pace", 5), ("chords", 4), ("tune", 3), ("colour", 3),
    ("pace", 6), ("rhythm", 3), ("pace", 7), ("tune", 4), ("colour", 4), ("tune", 5),
)
"""Every step there is, the kindest first: what follows when a trouble's own steps are used up."""

_STEPS: Mapping[str, tuple[tuple[str, int], ...]] = {
    "fingers": (("pace", 1), ("near", 1), ("chords", 1), ("pace", 2), ("chords", 2), ("near", 2),
                ("pace", 3), ("tune", 1), ("chords", 3), ("pace", 4), ("tune", 2)),
    "between_hands": (("rhythm", 1), ("pace", 1), ("chords", 1), ("pace", 3), ("chords", 2),
                      ("pace", 4), ("pace", 5), ("tune", 2)),
    "pedals": (("free", 1), ("colour", 1), ("colour", 2), ("pace", 3), ("colour", 3), ("pace", 4),
               ("colour", 4)),
    "harmonic_rhythm": (("pace", 3), ("colour", 1), ("pace", 4), ("colour", 2), ("pace", 5),
                        ("pace", 6), ("colour", 3), ("pace", 7)),
    "rhythm": (("rhythm", 1), ("pace", 3), ("tune", 1), ("rhythm", 2), ("pace", 4), ("tune", 2),
               ("rhythm", 3), ("pace", 5), ("tune", 3)),
    "counterpoint": (("pace", 1), ("chords", 2), ("pace", 3), ("pace", 4), ("chords", 3),
                     ("pace", 5)),
    "hand": (("chords", 1), ("near", 1), ("pace", 3), ("chords", 2), ("pace", 4), ("chords", 3),
             ("pace", 6), ("chords", 4)),
    "again": (("pace", 1), ("chords", 1), ("pace", 2), ("tune", 1), ("pace", 3), ("chords", 2),
              ("pace", 4)),
    "jump": (("near", 1), ("chords", 1), ("near", 2), ("pace", 2), ("pace", 3), ("chords", 2),
             ("pace", 4), ("pace", 5)),
    "ornament": (("tune", 1), ("pace", 1), ("pace", 3)),
    "leading": (("tune", 1), ("tune", 2), ("rhythm", 2), ("tune", 3), ("pace", 3), ("tune", 4),
                ("pace", 5), ("tune", 5)),
    "chord": (("chords", 1), ("pace", 2), ("chords", 2), ("pace", 3), ("pace", 4), ("chords", 3)),
}

_CAUSE_OF_FAULT = {
    "too_many_notes": "hand", "reach": "hand", "right_too_low": "hand", "hands_collide": "hand",
    "string_clash": "again", "repeat_too_fast": "again", "jump_too_fast": "jump",
    "run_too_fast": "again", "chord_too_fast": "chord", "one_hand_trill": "ornament",
    "hand_busy": "ornament", "pedal_setting": "pedals", "pedal_held": "pedals",
    "pedal_time": "pedals", "discless": "pedals", "lever_under_left_hand": "pedals",
    "off_range": "pedals", "harmonics": "ornament",
}
_OF_THE_TUNE = frozenset({"again", "jump", "chord"})


@dataclass(frozen=True, slots=True)
class Eased:
    """What easing brings. dials: of each bar; resisting: bars (indices) still too much; asking:
    bars that were too much to begin with; rounds: how often the whole was read; visited: where only
    a span was eased, the dials of its bars and how it read at every round."""

    part: Part
    dials: tuple[Dials, ...]
    reading: Reading
    reached: bool
    resisting: tuple[int, ...]
    asking: frozenset[int]
    rounds: int
    visited: tuple[tuple[tuple[Dials, ...], PassageReading], ...] = ()


class Easing:
    """The state of easing one piece for one player (mutable: dials turn)."""

    def __init__(
        self, basis: Basis, player: Player, *, most: float | None = None,
        start: Sequence[Dials] | None = None, locked: Iterable[int] = (),
        least: Dials = Dials(),  # noqa: B008 - an immutable value
        promises: Mapping[str, int] | None = None, keeps: Keeps = Keeps.NOTHING,
        span: tuple[int, int] | None = None, rows: Rows | None = None,
        until: float | None = None, even: bool = False,
    ) -> None:
        """most: difficulty that must not be exceeded, besides the player's rules; start: dials to
        begin with; locked: bars (indices) that stay; promises: how far a dial may go at most;
        keeps: what every bar is held to; span: the bars (first, last) that are read, by
        themselves; those outside it stay; rows: where bars as realised are kept;
        until: `time.monotonic()` at which to stop; even: whether bars that share a figure are
        thinned alike."""
        self.basis, self.player, self.most, self.keeps = basis, player, most, keeps
        self.until = until
        self._allowed: dict[tuple[int, Dials], bool] = {}
        count = len(basis.part.bars)
        self.dials = list(start) if start is not None else [least] * count
        self.whole, self.span = span is None, span or (0, count - 1)
        self.low = self.span[0]
        outside = set(range(count)) - set(range(self.span[0], self.span[1] + 1))
        self.locked = frozenset(locked) | outside
        self.limits = {**MOST, **(promises or {})}
        self.group = {bar: row for row in basis.groups for bar in row}
        self._figures = {
            (name, bar): row
            for name, rows in (basis.figures.items() if even else ())
            for row in rows for bar in row
        }
        self.rounds = 0
        self._across: list[Crossed] = [((), ())] * 2  # of the last reading, over the edges
        self.visited: dict[tuple[Dials, ...], PassageReading] = {}
        self._crossed: dict[tuple[int, Dials], Crossed] = {}
        self._written = written(basis.part, player, *self.span)
        self._asked: tuple[Reading | None, dict[int, set[int]]] = (None, {})
        self.rows = rows or Rows(basis, player, span)
        for bar in self.locked:
            self.dials[bar] = Dials()

    def out_of_time(self) -> bool:
        """True once the budget is spent."""
        return self.until is not None and time.monotonic() > self.until

    def row(self, bar: int, dials: Dials) -> tuple[Note, ...]:
        """A bar realised."""
        return self.rows.row(bar, dials)

    def allowed(self, bar: int, dials: Dials) -> bool:
        """True if the bar so realised holds the promises, and the ties over the span's edges."""
        if dials == Dials():
            return True
        key = (bar, dials)
        if key not in self._allowed:
            self._allowed[key] = self._ties_hold(bar, dials) and not self._breaks(bar, dials)
        return self._allowed[key]

    def _ties_hold(self, bar: int, dials: Dials) -> bool:
        source, row = self.basis.part.notes_by_bar[bar], self.row(bar, dials)
        edges = self.basis.part.bars[bar]
        return all(
            _tied(source, edges, into) == _tied(row, edges, into)
            for edge, into in zip(self.span, (True, False), strict=True) if bar == edge
        )

    def _breaks(self, bar: int, dials: Dials) -> bool:
        if self.keeps == Keeps.NOTHING:
            return False
        alone = self.basis.part.window(bar, bar)
        new = replace(alone, notes=tuple(replace(n, bar=0) for n in self.row(bar, dials)))
        return bool(broken_promises(Passage(alone, 0, 0), Passage(new, 0, 0), self.keeps))

    def part(self) -> Part:
        """The whole as the dials stand."""
        return assembled(self.basis, {i: self.row(i, d) for i, d in enumerate(self.dials)})

    def read(self) -> tuple[Part, Reading]:
        """The whole as the dials stand, and the span performed and measured; the reading counts
        bars from the span's first."""
        self.rounds += 1
        part = self.part()
        if self.whole:
            return part, read_for(part, self.player)
        self._across = [self._crossing(part, side) for side in (-1, 1)]
        reading = read_for(part.window(*self.span), self.player)
        found = alone(reading)
        for at, (faults, joins) in zip((0, -1), self._across, strict=True):
            found = found.burdened(at, len(faults), len(joins))
        self.visited[tuple(self.dials[self.span[0] : self.span[1] + 1])] = found
        return part, reading

    def _crossing(self, part: Part, side: int) -> Crossed:
        """Faults and joins between the span and the bar before or after it, each edge realised
        once."""
        key = side, self.dials[self.span[side > 0]]
        if key not in self._crossed:
            self._crossed[key] = crossings(part, self.player, *self.span, side, self._written)
        return self._crossed[key]

    def within(self, reading: Reading) -> bool:
        """True if the player's measure, and the difficulty asked for, hold."""
        easy = self.most is None or reading.assessment.difficulty <= self.most
        return reading.verdict.within and easy and not any(own for own, _ in self._across)

    def trouble(self, reading: Reading) -> dict[int, list[str]]:
        """Causes of trouble by bar, the worst first; empty if all holds."""
        if self.within(reading):
            return {}
        found: dict[int, list[str]] = {}

        def blame(bar: int, cause: str) -> None:
            bars = self._asking(reading, bar) if cause == "pedals" else ()
            for at in bars or (bar,):
                found.setdefault(at, []).append(cause)

        for fault in reading.faults:
            blame(*self._fault(reading, fault))
        for at, (faults, _) in zip(self.span, self._across, strict=True):
            for fault in faults:
                blame(at - self.low, _CAUSE_OF_FAULT.get(fault.rule, "fingers"))
        rules = self.player.rules
        for load in reading.assessment.bars:
            if not reading.verdict.within and excess(load.layers, load.difficulty, rules) > 0:
                for cause in self._layers(load.layers):
                    blame(load.index, cause)
        most = min(rules.max_load, self.most if self.most is not None else 100.0)
        if reading.assessment.difficulty > most:
            bars = reading.assessment.bars
            hardest = max(load.difficulty for load in bars)
            for load in bars:
                if load.difficulty >= 0.9 * hardest or load.difficulty > most:
                    causes = sorted(
                        range(len(LAYERS)), key=lambda k, row=load.layers: -row[k]  # type: ignore[misc]
                    )
                    blame(load.index, LAYERS[causes[0]])
        return {bar + self.low: causes for bar, causes in found.items()}

    def _asking(self, reading: Reading, bar: int) -> tuple[int, ...]:
        """Bars whose notes ask for the pedal (or lever) moves made in and around a bar: for a move
        away from the piece's home setting the next note that uses it, for one back home the last
        note that was away."""
        if reading is not self._asked[0]:
            self._asked = reading, _askers(reading.performance, self.basis.home)
        return tuple(sorted(
            asker for near in (bar - 1, bar, bar + 1) for asker in self._asked[1].get(near, ())
        ))

    def _fault(self, reading: Reading, fault: Fault) -> tuple[int, str]:
        strikes = [reading.performance.strikes[i] for i in fault.strikes]
        cause = _CAUSE_OF_FAULT.get(fault.rule, "fingers")
        if strikes and cause in _OF_THE_TUNE:
            last = max(strikes, key=lambda s: s.onset).first
            bar = self.basis.part.notes_by_bar[last.bar + self.low]
            tune = {
                (n.pitch.midi, n.onset) for n in bar if n.id in self.basis.tune
            }
            if all((s.first.pitch.midi, s.onset) in tune for s in strikes
                   if s.first.bar == last.bar):
                cause = "leading"
        played = reading.performance.part
        at = max((s.first.bar for s in strikes), default=played.bar_at(fault.onset).index)
        return at, cause

    def _layers(self, layers: Sequence[float]) -> list[str]:
        """Layers over their caps, the furthest first; else the heaviest."""
        over = [
            (load - cap, name)
            for load, cap, name in zip(layers, self.player.rules.caps, LAYERS, strict=True)
            if load > cap
        ]
        if over:
            return [name for _, name in sorted(over, reverse=True)]
        ranked = sorted(zip(layers, LAYERS, strict=True), reverse=True)
        heavy = [name for load, name in ranked if load > MODERATE]
        return heavy[-1:] or [ranked[0][1]]

    def turn(self, bar: int, causes: Sequence[str]) -> bool:
        """Turns the next dial for the first cause that still has one; False if none has."""
        if bar in self.locked:
            return False
        own = self.dials[bar]
        for steps in (*(_STEPS[cause] for cause in dict.fromkeys(causes)), _TAIL):
            for name, value in steps:
                now = self.dials[bar]
                if now.at(name) >= value or value > self.limits[name]:
                    continue
                turned = now.turned(name, value)
                if not self.allowed(bar, turned):
                    continue
                same = self.row(bar, turned) == self.row(bar, own)
                self._set(bar, turned)
                if not same:
                    return True
        return False

    def together(self, name: str, bar: int) -> list[int]:
        """Bars in which a dial is turned with a bar's: those with the same notes, and where bars of
        one figure are eased alike, those; none that is locked."""
        bars = {*self.group[bar], *self._figures.get((name, bar), ())}
        return sorted(bars - self.locked)

    def _set(self, bar: int, dials: Dials) -> None:
        for name in MOST:
            value = dials.at(name)
            for other in self.together(name, bar):
                turned = self.dials[other].turned(name, value)
                same = other in self.group[bar]
                if self.dials[other].at(name) < value and (same or self.allowed(other, turned)):
                    self.dials[other] = turned


def alone(reading: Reading) -> PassageReading:
    """A reading of bars as the search keeps it."""
    rows = list(bars_of(reading.assessment, reading.player))
    for fault in reading.faults:
        at = reading.performance.part.bar_at(fault.onset).index
        rows[at] = replace(rows[at], faults=rows[at].faults + 1)
    assessment = reading.assessment
    return PassageReading(
        assessment.difficulty, assessment.layers, tuple(rows), reading.verdict.within
    )


def _tied(notes: Iterable[Note], bar: Bar, into: bool) -> set[tuple[int, int]]:
    """(sound, staff) of notes tied into the bar, or else out of it."""
    return {
        (n.pitch.midi, n.staff)
        for n in notes
        if (n.tie_in and n.onset == bar.onset if into else n.tie_out and n.end == bar.end)
    }


def _askers(performance: Performance, home: Mapping[str, int]) -> dict[int, set[int]]:
    """Bar in which a pedal or lever moves to the bars whose notes ask for it."""
    part, played = performance.part, performance.pedal_plan.played
    rows: dict[str, list[tuple[int, Pitch, int]]] = {}
    for strike, pitch in zip(performance.strikes, played, strict=True):
        rows.setdefault(pitch.step, []).append((strike.onset, pitch, strike.first.bar))
    found: dict[int, set[int]] = {}
    for move in performance.pedal_plan.moves:
        row = rows.get(move.letter, [])
        away = move.after != home[move.letter]
        at = bisect.bisect_left(row, move.onset, key=lambda r: r[0])
        near = row[at:] if away else reversed(row[:at])
        asker = next(
            (
                bar for _, pitch, bar in near
                if move.string in (None, pitch.string) and (pitch.alter == move.after) == away
            ),
            None,
        )
        if asker is not None:
            found.setdefault(part.bar_at(move.onset).index, set()).add(asker)
    return found


def ease(
    basis: Basis, player: Player, *, most: float | None = None, locked: Iterable[int] = (),
    start: Sequence[Dials] | None = None, promises: Mapping[str, int] | None = None,
    keeps: Keeps = Keeps.NOTHING, span: tuple[int, int] | None = None,
    rows: Rows | None = None, until: float | None = None, progress: Progress | None = None,
    even: bool = False,
) -> Eased:
    """The basis eased until the player's measure holds, or nothing further helps. Arguments as in
    `Easing`."""
    easing = Easing(
        basis, player, most=most, locked=locked, start=start, promises=promises,
        keeps=keeps, span=span, rows=rows, until=until, even=even,
    )
    rounds = settings().ease_rounds
    asking, part, reading, trouble = _turned_up(easing, rounds, progress)
    part, reading = _give_back(easing, part, reading)
    trouble = easing.trouble(reading)
    if trouble:  # what was given back elsewhere may have made room
        _, part, reading, trouble = _turned_up(easing, easing.rounds + rounds, progress)
    if span is not None and tuple(easing.dials[span[0] : span[1] + 1]) not in easing.visited:
        part, reading = easing.read()  # what turned out to be idle was turned back since
        trouble = easing.trouble(reading)
    return Eased(
        part, tuple(easing.dials), reading, easing.within(reading), tuple(sorted(trouble)),
        asking, easing.rounds, tuple(easing.visited.items()),
    )


def _turned_up(
    easing: Easing, rounds: int, progress: Progress | None
) -> tuple[frozenset[int], Part, Reading, dict[int, list[str]]]:
    """Turns dials up, one a round in each bar in trouble, until there is none or none helps. The
    bars in trouble to begin with come first."""
    part, reading = easing.read()
    trouble = easing.trouble(reading)
    asking = frozenset(trouble)
    while trouble and easing.rounds < rounds and not easing.out_of_time():
        turned: set[int] = set()
        for bar in sorted(trouble):
            first = easing.group[bar][0]
            if first in turned:
                continue
            if easing.turn(bar, trouble[bar]):
                turned.add(first)
            else:
                for near in (bar - 1, bar + 1):
                    if 0 <= near < len(easing.dials) and easing.turn(near, trouble[bar]):
                        turned.add(first)
                        break
        if not turned:
            break
        part, reading = easing.read()
        trouble = easing.trouble(reading)
        if progress is not None:
            progress(min(easing.rounds, rounds), rounds)
    return asking, part, reading, trouble


def _give_back(easing: Easing, part: Part, reading: Reading) -> tuple[Part, Reading]:
    """Turns dials back where nothing is lost by it, the tune's first: one dial a group of equal
    bars at a time, a few groups apart from one another together. No bar may come into trouble that
    was in none; where one does, what was turned near it goes up again and stays."""
    apart, most = settings().ease_apart, easing.rounds + settings().ease_give_back
    stuck: set[tuple[int, str, int]] = set()
    known = easing.trouble(reading)
    resting = 0
    turn = 0
    _without_idle(easing)
    while resting < apart and easing.rounds < most and not easing.out_of_time():
        kept = list(easing.dials)
        tried = _lowered(easing, turn % apart, apart, stuck)
        turn += 1
        resting += 1
        for attempt in (0, 1):
            if not tried:
                break
            new_part, new_reading = easing.read()
            bad = easing.trouble(new_reading).keys() - known.keys()
            if not bad:
                part, reading, resting = new_part, new_reading, 0
                break
            left = []
            for group, name, value in tried:
                near = any(at + k in bad for at in group for k in (-2, -1, 0, 1, 2))
                if attempt or near:
                    if near:
                        stuck.add((group[0], name, value))
                        resting = 0
                    for bar in group:
                        easing.dials[bar] = kept[bar]
                else:
                    left.append((group, name, value))
            if len(left) == len(tried):  # far from all that was turned: let go
                stuck.update((group[0], name, value) for group, name, value in tried)
            tried = left
        else:
            easing.dials[:] = kept
    return part, reading


def _without_idle(easing: Easing) -> None:
    """Turns back what changes nothing in its bar."""
    for group in easing.basis.groups:
        first = group[0]
        now = easing.dials[first]
        for name in MOST:
            for value in range(now.at(name)):
                idle = now.turned(name, value)
                if easing.allowed(first, idle) and easing.row(first, idle) == easing.row(
                    first, now
                ):
                    now = idle
                    break
        for bar in group:
            if bar not in easing.locked:
                easing.dials[bar] = now


def _lowered(
    easing: Easing, phase: int, apart: int, stuck: set[tuple[int, str, int]]
) -> list[tuple[tuple[int, ...], str, int]]:
    """Every `apart`-th group of equal bars with one dial turned back a step: (group, dial, where it
    stands now)."""
    tried = []
    turned: set[int] = set()
    for group in easing.basis.groups[phase::apart]:
        first = group[0]
        now = easing.dials[first]
        if first in easing.locked:
            continue
        for name in ("tune", "colour", "rhythm", "chords", "pace", "near", "free"):
            value = now.at(name) - 1
            bars = [
                bar for bar in easing.together(name, first) if easing.dials[bar].at(name) > value
            ]
            if value < 0 or turned & set(bars) or (bars[0], name, value) in stuck:
                continue
            lower = {bar: easing.dials[bar].turned(name, value) for bar in bars}
            if not all(easing.allowed(bar, dials) for bar, dials in lower.items()):
                continue
            for bar, dials in lower.items():
                easing.dials[bar] = dials
            turned |= set(bars)
            tried.append((tuple(bars), name, value))
            break
    return tried
