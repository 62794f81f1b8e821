"""The values that technique computes: pedal plan, hand plan, performance, faults.

Every per-strike tuple is aligned with `Performance.strikes` (= `part.strikes`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

from simplify.harp.instrument import PEDALS, Setting
from simplify.harp.player import Player
from simplify.score.model import Part, Pitch, Strike


@dataclass(frozen=True, slots=True)
class PedalMove:
    """One pedal moved (or lever turned) at a tick: letter, position before and after, foot.

    `string` is the string number for a lever, None for a pedal (all octaves move).
    `foot` is 'left', 'right', or 'left hand' for a lever.
    """

    onset: int
    letter: str
    before: int
    after: int
    foot: str
    string: int | None = None


@dataclass(frozen=True, slots=True)
class Unmet:
    """A place the pedals can't serve. kind: 'setting' (no setting gives these notes), 'held' (a
    string of the pedal is held), 'time' (the foot has no time), 'discless', 'range'."""

    onset: int
    kind: str
    strikes: tuple[int, ...]
    text: str


@dataclass(frozen=True, slots=True)
class PedalPlan:
    """The optimum over settings, strings and moments.

    start: positions in the order of `PEDALS`; played: the spelling each strike is played in
    (its string); costs: cause to amount, summing to cost.
    """

    start: Setting
    moves: tuple[PedalMove, ...]
    played: tuple[Pitch, ...]
    cost: float
    costs: tuple[tuple[str, float], ...]
    unmet: tuple[Unmet, ...]
    optimal: bool = True

    def setting_at(self, tick: int) -> Setting:
        """Positions in force at a tick, moves at that tick done."""
        now = dict(zip(PEDALS, self.start, strict=True))
        for move in self.moves:
            if move.onset > tick:
                break
            now[move.letter] = move.after
        d, c, b, e, f, g, a = (now[letter] for letter in PEDALS)
        return d, c, b, e, f, g, a


@dataclass(frozen=True, slots=True)
class HandPlan:
    """Who plays what with which finger.

    hands: 'L' or 'R' per strike; fingers: 1 (thumb) to 4, or 0 where no finger is free (the strike
    then stands in a fault) or the strike is part of a glissando sweep; placings: number of the
    placing (group of strings placed ahead together) per strike, counted per hand from 0;
    rolled: True where the strike belongs to a chord that has to be rolled.
    """

    hands: tuple[str, ...]
    fingers: tuple[int, ...]
    placings: tuple[int, ...]
    rolled: tuple[bool, ...]
    cost: float


@dataclass(frozen=True, slots=True)
class Fault:
    """Something the player can't do. rule: name of the check; strikes: indices of the offenders."""

    rule: str
    onset: int
    bar: str
    beat: float
    hand: str
    text: str
    strikes: tuple[int, ...]


@dataclass(frozen=True)
class Performance:
    """Everything a player adds to a part. Not slotted, so that tables can be cached on it.

    seconds, until: when each strike sounds and when its written value ends, in seconds (grace
    notes come before their main note).
    """

    part: Part
    player: Player
    seconds: tuple[float, ...]
    until: tuple[float, ...]
    hand_plan: HandPlan
    pedal_plan: PedalPlan

    @property
    def strikes(self) -> tuple[Strike, ...]:
        """What is plucked, in order."""
        return self.part.strikes

    @cached_property
    def strings(self) -> tuple[int, ...]:
        """String number of each strike as played."""
        return tuple(p.string for p in self.pedal_plan.played)

    @cached_property
    def chords(self) -> tuple[tuple[str, float, tuple[int, ...]], ...]:
        """(hand, seconds, strike indices low to high) for everything one hand plucks at one
        moment, in time order; right before left at one moment."""
        rows: dict[tuple[float, str], list[int]] = {}
        for i, (hand, at) in enumerate(zip(self.hand_plan.hands, self.seconds, strict=True)):
            rows.setdefault((round(at, 6), hand), []).append(i)
        strings = self.strings
        ordered = sorted(rows.items(), key=lambda row: (row[0][0], row[0][1] == "L"))
        return tuple(
            (hand, at, tuple(sorted(members, key=lambda i: (strings[i], i))))
            for (at, hand), members in ordered
        )

    def of_hand(self, hand: str) -> Iterator[tuple[float, tuple[int, ...]]]:
        """The chords of one hand, in time order."""
        return ((at, members) for h, at, members in self.chords if h == hand)
