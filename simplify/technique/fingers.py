"""One hand: the fingerings of what it plucks at a moment, and what they cost.

The thumb (1) takes the upper string and finger 4 the lower in both hands (Freund & Cutler,
Extreme Orchestration, "Harp"), so fingers fall as strings rise, and the two hands have the same
moves. A cost of 1 is one awkward finger; numbers, units and sources stand in finger_costs.toml.

What a hand remembers is the strings and fingers of its last chord and the `run`: +1 or -1 if that
chord goes on a placing upward or downward, 0 if it opens one. A placing is up to four strings,
placed ahead together and plucked in one direction (or a chord). The ways to the next chord:

- `go on`: the next strings lie under free fingers of the placing, in its direction;
- `turn`: they lie under free fingers, but the direction goes back: a new placing on the spot;
- `under`, `over`: 4 crosses under the thumb going up, the thumb crosses over going down;
- `slide`: the thumb to the next lower string (4 to the next higher is tricky);
- `repeat`: the same strings again;
- `place`: anything else: the hand travels and places anew;
- `lift`: a place after a rest long enough that the hand may come from anywhere.

Two rules share all costs: below a comfortable time the cost rises, and below the player's
`hard_share` of it the place counts as impossible. Times are rounded to milliseconds, so that equal
rhythms cost the same wherever they stand.
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib.resources import files
from itertools import combinations, pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simplify.harp.instrument import Instrument
from simplify.harp.player import Limits
from simplify.score.text import parse_pitch

FloatArray = NDArray[np.float64]

Strings = tuple[int, ...]
Fingers = tuple[int, ...]

RUNS = (-1, 0, 1)
"""Values of `run`, in the order in which states are laid out."""
_PAIRS = ((1, 2), (1, 3), (1, 4), (2, 3), (2, 4), (3, 4))
_MEMO_LIMIT = 60_000
"""Tables kept per player before the memory is emptied (about 1 KB each); smaller only slows."""


@cache
def cost_table() -> dict[str, Any]:
    """finger_costs.toml as it stands."""
    text = files("simplify.technique").joinpath("finger_costs.toml").read_text("utf-8")
    return tomllib.loads(text)


def constant(name: str) -> float:
    """The single value of a row of finger_costs.toml."""
    return float(cost_table()[name]["value"])


def string_constant(name: str) -> int:
    """The string number of a row of finger_costs.toml that names a string."""
    return parse_pitch(cost_table()[name]["string"]).string


@dataclass(frozen=True, slots=True)
class Move:
    """The way of one hand from a chord to its next, time left aside.

    kind: see the module; direction: +1 if the next strings all lie above, -1 below, else 0;
    base: cost given time enough; need: seconds for it to be comfortable; travel: strings the hand
    travels.
    """

    kind: str
    direction: int
    base: float
    need: float
    travel: float


@cache
def fingerings(count: int) -> tuple[Fingers, ...]:
    """Every fingering of `count` strings, low to high: fingers fall strictly.

    Beyond four strings the outer ones and those under the thumb have fingers, the rest have 0.
    """
    if count > 4:
        return ((4, *([0] * (count - 4)), 3, 2, 1),)
    return tuple(combinations((4, 3, 2, 1), count))


def _pair_table(name: str) -> dict[tuple[int, int], int]:
    row = cost_table()[name]
    return {(int(p[0]), int(p[1])): v for p, v in zip(row["pairs"], row["values"], strict=True)}


def milliseconds(seconds: float) -> int:
    """Seconds to whole milliseconds, the grain of every cost in time."""
    return int(seconds * 1000 + 0.5)


class HandModel:
    """Costs of one hand for a player's limits and harp; the numbers are read once.

    The memory of tables inside is an implementation matter: every method is a pure function.
    """

    def __init__(self, limits: Limits, harp: Instrument) -> None:
        k = {name: float(r["value"]) for name, r in cost_table().items() if "value" in r}
        self._k = k
        self.limits, self.harp = limits, harp
        self.hard, self.split_margin, self.asked = k["hard"], k["split_margin"], k["asked"]
        self._lone: list[float] = [0.0, *cost_table()["finger"]["values"]]
        comfort, cramped = _pair_table("comfort"), _pair_table("cramped")
        self._reach = {pair: limits.pair_reach(*pair) for pair in _PAIRS}
        self._comfort = {p: min(comfort[p], self._reach[p]) for p in _PAIRS}
        self._cramped = {p: min(cramped[p], self._comfort[p]) for p in _PAIRS}
        self._soft_low = string_constant("blur_below")
        self._left_top = harp.highest - 14
        self._note_seconds = 1.0 / limits.hand_rate
        self.lift_seconds = self._lift_seconds()
        """A hand that has rested this long (and let a moment of the other pass) may come from
        anywhere: nothing is impossible for it any more, so to forget its place hides no fault."""
        self.lift_ms = milliseconds(self.lift_seconds)
        self._most_ms = milliseconds(max(self.lift_seconds, self.jump_need(7.0 * 8)))
        self._shapes: dict[tuple[Strings, tuple[Fingers, ...]], int] = {}
        self._shape_list: list[tuple[Strings, tuple[Fingers, ...]]] = []
        self._grips: dict[int, FloatArray] = {}
        self._ways: dict[tuple[int, int, int], tuple[FloatArray, FloatArray, FloatArray]] = {}
        self._steps: dict[tuple[int, int, int, int], FloatArray] = {}
        self._lifts: dict[int, FloatArray] = {}

    def _lift_seconds(self) -> float:
        """Comfortable for three octaves, a repeat and a chord, and possible for the whole harp."""
        harp = self.jump_need(self.harp.strings + 3 * self._k["finger_width"])
        longest = max(self.jump_need(21.0), self.limits.hard_share * harp)
        longest = max(longest, self.limits.repeat_seconds)
        if self.limits.notes_per_hand >= 3:
            longest = max(longest, self.limits.chord_seconds)
        return math.ceil(longest * 1000) / 1000

    # One hand at one moment

    def grip_cost(self, strings: Strings, fingers: Fingers) -> float:
        """Cost of holding these strings (low to high) with these fingers."""
        k, count = self._k, len(strings)
        cost = self.hard * max(0, count - self.limits.notes_per_hand)
        cost += k["crowd"] * max(0, count - 2)
        cost += self._lone[fingers[0]]
        if count == 1:
            return cost
        if fingers[-1] not in (0, 1):
            cost += k["no_thumb"]
        over = self.over_reach(strings, fingers)
        if over:
            cost += self.hard + k["over_reach"] * over
        used = [(s, f) for s, f in zip(strings, fingers, strict=True) if f]
        for (low, f_low), (high, f_high) in pairwise(used):
            cost += self._pair_cost(high - low, (f_high, f_low))
        if len(used) > 2:
            cost += self._pair_cost(used[-1][0] - used[0][0], (used[-1][1], used[0][1]))
            top = used[-1][0] - used[-2][0]
            for (low, _), (high, _) in pairwise(used[:-1]):
                cost += k["low_gap"] * max(0, high - low - top)
        return cost

    def over_reach(self, strings: Strings, fingers: Fingers) -> int:
        """Strings by which finger pairs exceed the player's reach, summed over pairs."""
        over = 0
        for i in range(len(strings)):
            for j in range(i + 1, len(strings)):
                if fingers[i] and fingers[j]:
                    pair = (fingers[j], fingers[i])
                    over += max(0, strings[j] - strings[i] - self._reach[pair])
        return over

    def _pair_cost(self, gap: int, pair: tuple[int, int]) -> float:
        wide, narrow = gap - self._comfort[pair], self._cramped[pair] - gap
        return self._k["stretch"] * max(0, wide) + self._k["squeeze"] * max(0, narrow)

    def hand_cost(self, hand: str, strings: Strings) -> float:
        """Cost of the left ('L') or right ('R') hand being at these strings."""
        if hand == "L":
            return self._k["left_high"] * sum(s > self._left_top for s in strings)
        low = strings[0]
        cost = self._k["right_deep"] * max(0, self._soft_low - low)
        return cost + (self.hard if low < self.limits.right_low else 0.0)

    def harmonic_cost(self, hand: str, count: int) -> float:
        """Cost of this many harmonics struck together by one hand."""
        most = self._k["left_harmonics" if hand == "L" else "right_harmonics"]
        return self.hard * max(0.0, count - most)

    # Both hands at one moment

    def pair_cost(self, left: Strings, right: Strings) -> float:
        """Cost of the two hands striking together, apart from what each does."""
        if not left or not right:
            return 0.0
        gap = right[0] - left[-1]
        if gap > 0:
            return self._k["close"] if gap == 1 else 0.0
        if len(left) == len(right) == 1 and gap < 0:
            return self._k["crossed"]
        return self.hard

    def meeting_cost(self, hand: str, strings: Strings, other: Strings, seconds: float) -> float:
        """Cost of `hand` striking where the other hand last struck, `seconds` before.

        Nothing once the other has had `lift_seconds` to get out of the way.
        """
        if not other or not strings or milliseconds(seconds) >= self.lift_ms:
            return 0.0
        if (strings[0] > other[-1]) if hand == "L" else (strings[-1] < other[0]):
            return self._k["over_hand"]
        if set(strings).isdisjoint(other):
            return 0.0
        need = self.limits.repeat_seconds * self._k["other_hand_share"]
        return self._k["takeover"] + self._short(milliseconds(seconds) / 1000, need)

    # One hand from one moment to the next

    def jump_need(self, travel: float) -> float:
        """Comfortable seconds to travel so many strings and place anew."""
        share = self._k["near_share"]
        near = self.limits.jump_seconds * (share + (1.0 - share) * min(travel, 7.0) / 7.0)
        return near + self.limits.jump_octave_seconds * max(0.0, travel - 7.0) / 7.0

    def move(
        self, strings: Strings, fingers: Fingers, next_strings: Strings, next_fingers: Fingers
    ) -> Move:
        """The way from one chord of a hand to its next."""
        if strings == next_strings:
            return self._repeat(strings, fingers, next_fingers)
        direction = 0
        if next_strings[0] > strings[-1]:
            direction = 1
        elif next_strings[-1] < strings[0]:
            direction = -1
        linked = self._link(strings, fingers, next_strings, next_fingers)
        if linked is not None:
            return Move("link", direction, linked, self._note_seconds, 0.0)
        if len(strings) == len(next_strings) == 1 and fingers[0] and next_fingers[0]:
            passing = self._passing(
                next_strings[0] - strings[0], fingers[0], next_fingers[0]
            )
            if passing is not None:
                return passing
        return self._place(strings, fingers, next_strings, next_fingers, direction)

    def _repeat(self, strings: Strings, fingers: Fingers, next_fingers: Fingers) -> Move:
        # a lone string is better taken with another finger, a chord with the same ones
        awkward = (fingers == next_fingers) == (len(strings) == 1)
        base = self._k["repeat"] + (self._k["same_finger"] if awkward else 0.0)
        need = self.limits.repeat_seconds
        if len(strings) >= 3:
            need = max(need, self.limits.chord_seconds)
        return Move("repeat", 0, base, need, 0.0)

    def _link(
        self, strings: Strings, fingers: Fingers, next_strings: Strings, next_fingers: Fingers
    ) -> float | None:
        """Cost if both chords lie under one placed hand, else None."""
        if 0 in fingers or 0 in next_fingers or len(fingers) + len(next_fingers) > 4:
            return None
        nearest, cost = 99, 0.0
        for s, f in zip(strings, fingers, strict=True):
            for t, g in zip(next_strings, next_fingers, strict=True):
                # fingers fall as strings rise: of the higher string, the lower number
                if s == t or f == g or (t > s) != (g < f):
                    return None
                gap, pair = (t - s, (g, f)) if t > s else (s - t, (f, g))
                if gap > self._reach[pair]:
                    return None
                if gap < nearest:
                    nearest, cost = gap, self._pair_cost(gap, pair)
        return cost / 2

    def _passing(self, step: int, finger: int, next_finger: int) -> Move | None:
        """A crossing or a slide from one note to the next, or None."""
        k = self._k
        if finger == next_finger:
            if finger == 1 and step == -1:
                return Move("slide", -1, k["slide"], self._note_seconds, 1.0)
            if finger == 4 and step == 1:
                return Move("slide", 1, k["slide_up"], self._note_seconds, 1.0)
            return None
        if abs(step) > k["cross_reach"] or (step > 0) != (next_finger > finger):
            return None
        beyond = k["cross_string"] * (abs(step) - 1)
        if step > 0:
            off = k["cross_finger"] * ((finger - 1) + (4 - next_finger))
            return Move("under", 1, k["under"] + off + beyond, self._note_seconds, abs(step))
        off = k["cross_finger"] * ((4 - finger) + (next_finger - 1))
        return Move("over", -1, k["over"] + off + beyond, self._note_seconds, abs(step))

    def _place(
        self, strings: Strings, fingers: Fingers, next_strings: Strings, next_fingers: Fingers,
        direction: int,
    ) -> Move:
        k = self._k
        travel = abs(self._thumb(next_strings, next_fingers) - self._thumb(strings, fingers))
        base = k["place"] + k["place_string"] * min(travel, k["place_most"])
        need = self.jump_need(travel)
        shared = len(set(strings) & set(next_strings))
        if shared:
            base += k["repeat"] / 2 * shared
            need = max(need, self.limits.repeat_seconds)
        if len(strings) >= 3 and len(next_strings) >= 3:
            need = max(need, self.limits.chord_seconds)
        return Move("place", direction, base, need, travel)

    def _thumb(self, strings: Strings, fingers: Fingers) -> float:
        """Where the thumb of the hand at ease would be."""
        width, total = self._k["finger_width"], 0.0
        for s, f in zip(strings, fingers, strict=True):
            total += s + width * max(0, f - 1)
        return total / len(strings)

    def step_cost(self, move: Move, run: int, seconds: float) -> tuple[float, int, str]:
        """Cost of a move `seconds` after a chord with this `run`; its run and kind.

        A link goes on if the placing runs its way (or has no way yet), else it turns.
        """
        seconds = min(milliseconds(seconds), self._most_ms) / 1000
        if move.kind != "link":
            return move.base + self._short(seconds, move.need), 0, move.kind
        if move.direction and run in (0, move.direction):
            pace = self._k["pace"] * max(0.0, 1.0 - seconds * self.limits.hand_rate)
            cost = move.base + pace + self._short(seconds, self.limits.roll_seconds)
            return cost, move.direction, "go on"
        cost = move.base + self._k["turn"] + self._short(seconds, move.need)
        return cost, move.direction, "turn"

    def lift_cost(self) -> float:
        """Cost of a placing by a hand that comes from nowhere in particular; its run is 0."""
        return self._k["lifted"]

    def _short(self, seconds: float, need: float) -> float:
        """0 with time enough, rising to `hurry` at the hard share, impossible below."""
        share = seconds / need if need > 0 else 1.0
        if share >= 1.0:
            return 0.0
        hard_share = self.limits.hard_share
        if share >= hard_share - 1e-9:
            return self._k["hurry"] * (1.0 - share) / max(1e-9, 1.0 - hard_share)
        return self._k["hurry"] + self.hard + self._k["hurry"] * (hard_share - share) / hard_share

    # The same as tables: states of a chord are (fingering, run), run fastest

    def shape(self, strings: Strings, options: tuple[Fingers, ...]) -> int:
        """Number of a chord's shape: strings counted from the lowest, and its fingerings."""
        low = strings[0]
        key = (tuple(s - low for s in strings), options)
        found = self._shapes.get(key)
        if found is None:
            found = self._shapes[key] = len(self._shape_list)
            self._shape_list.append(key)
        return found

    def grips(self, shape: int) -> FloatArray:
        """`grip_cost` of each state of a shape, length 3 * fingerings."""
        found = self._grips.get(shape)
        if found is None:
            strings, options = self._shape_list[shape]
            costs = [self.grip_cost(strings, f) for f in options]
            found = self._grips[shape] = np.repeat(np.array(costs), 3)
        return found

    def steps(self, shape: int, next_shape: int, shift: int, seconds: float) -> FloatArray:
        """`step_cost` from each state to each, inf where the run does not follow.

        shift: strings from the lowest of the first chord to the lowest of the second.
        """
        ms = min(milliseconds(seconds), self._most_ms)
        key = (shape, next_shape, shift, ms)
        found = self._steps.get(key)
        if found is None:
            if len(self._steps) > _MEMO_LIMIT:
                self._steps.clear()
            base, need, pace = self._way(shape, next_shape, shift)
            share = np.minimum(ms / 1000 / need, 1.0)
            hard_share, hurry = self.limits.hard_share, self._k["hurry"]
            slow = hurry * (1.0 - share) / max(1e-9, 1.0 - hard_share)
            hard = hurry + self.hard + hurry * (hard_share - share) / hard_share
            found = base + np.where(share >= hard_share - 1e-9, slow, hard)
            found += pace * max(0.0, 1.0 - ms / 1000 * self.limits.hand_rate)
            self._steps[key] = found
        return found

    def _way(
        self, shape: int, next_shape: int, shift: int
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """base, need and pace of every pair of states, time left aside."""
        key = (shape, next_shape, shift)
        found = self._ways.get(key)
        if found is not None:
            return found
        if len(self._ways) > _MEMO_LIMIT // 4:
            self._ways.clear()
        strings, options = self._shape_list[shape]
        relative, next_options = self._shape_list[next_shape]
        next_strings = tuple(s + shift for s in relative)
        size = (3 * len(options), 3 * len(next_options))
        base, need, pace = np.full(size, np.inf), np.ones(size), np.zeros(size)
        for i, fingers in enumerate(options):
            for j, next_fingers in enumerate(next_options):
                move = self.move(strings, fingers, next_strings, next_fingers)
                column = 3 * j + 1
                if move.kind != "link":
                    base[3 * i : 3 * i + 3, column] = move.base
                    need[3 * i : 3 * i + 3, column] = move.need
                    continue
                column += move.direction
                for at, run in enumerate(RUNS):
                    row = 3 * i + at
                    if move.direction and run in (0, move.direction):
                        base[row, column] = move.base
                        need[row, column] = self.limits.roll_seconds
                        pace[row, column] = self._k["pace"]
                    else:
                        base[row, column] = move.base + self._k["turn"]
                        need[row, column] = move.need
        self._ways[key] = base, need, pace
        return base, need, pace

    def lifts(self, states: int) -> FloatArray:
        """`lift_cost` as a table of one row: only run 0 is open."""
        found = self._lifts.get(states)
        if found is None:
            found = np.full((1, states), np.inf)
            found[0, 1::3] = self.lift_cost()
            self._lifts[states] = found
        return found


@lru_cache(maxsize=64)
def hand_model(limits: Limits, harp: Instrument) -> HandModel:
    """The model of these limits on this harp, made once."""
    return HandModel(limits, harp)
