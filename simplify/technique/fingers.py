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
- `lift`: a place after a rest long enough that the hand may come from anywhere, where that is
  cheaper than to stay; after `hold_seconds` always.

Two rules share all costs: below a comfortable time the cost rises, and below the player's
`hard_share` of it the place counts as impossible. Times are rounded to milliseconds, so that equal
rhythms cost the same wherever they stand.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib.resources import files
from typing import Any

import numpy as np

from simplify.harp.instrument import Instrument
from simplify.harp.player import Limits
from simplify.score.text import parse_pitch
from simplify.technique import hand_kernel as kernel
from simplify.technique.hand_kernel import Fingers, HandRules, fingerings

__all__ = ("Fingers", "HandModel", "Move", "Strings", "fingerings", "hand_model")

Strings = tuple[int, ...]

RUNS = (-1, 0, 1)
"""Values of `run`."""
_PAIRS = ((1, 2), (1, 3), (1, 4), (2, 3), (2, 4), (3, 4))


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


def _pair_table(name: str) -> dict[tuple[int, int], int]:
    row = cost_table()[name]
    return {(int(p[0]), int(p[1])): v for p, v in zip(row["pairs"], row["values"], strict=True)}


def milliseconds(seconds: float) -> int:
    """Seconds to whole milliseconds, the grain of every cost in time."""
    return int(seconds * 1000 + 0.5)


class HandModel:
    """Costs of one hand for a player's limits and harp; every method is a pure function.

    The arithmetic is compiled (`hand_kernel`); this is the door to it for one chord or one way.
    """

    def __init__(self, limits: Limits, harp: Instrument) -> None:
        self.limits, self.harp = limits, harp
        self.rules = _rules(limits, harp)
        self.hard, self.asked = self.rules.hard, constant("asked")
        self.lift_ms = self.rules.lift_ms
        self.lift_seconds = self.lift_ms / 1000
        """A hand that has rested this long (and let a moment of the other pass) may come from
        anywhere: nothing is impossible for it any more, so to forget its place hides no fault."""
        self.hold_ms = self.rules.hold_ms

    # One hand at one moment

    def grip_cost(self, strings: Strings, fingers: Fingers) -> float:
        """Cost of holding these strings (low to high) with these fingers."""
        row, marks, n = _row(strings), _row(fingers), len(strings)
        return float(kernel.grip_cost(self.rules, row, 0, n, marks, 0))

    def over_reach(self, strings: Strings, fingers: Fingers) -> int:
        """Strings by which finger pairs exceed the player's reach, summed over pairs."""
        row, marks, n = _row(strings), _row(fingers), len(strings)
        return int(kernel.strings_over(self.rules, row, 0, n, marks, 0))

    def hand_cost(self, hand: str, strings: Strings) -> float:
        """Cost of the left ('L') or right ('R') hand being at these strings."""
        return float(kernel.hand_cost(self.rules, hand == "R", _row(strings), 0, len(strings)))

    def signs_cost(self, hand: str, harmonics: int, etouffes: int) -> float:
        """Cost of this many harmonics and damped notes struck together by one hand."""
        return float(kernel.signs_cost(self.rules, hand == "R", harmonics, etouffes))

    # Both hands at one moment

    def pair_cost(self, left: Strings, right: Strings) -> float:
        """Cost of the two hands striking together, apart from what each does."""
        if not left or not right:
            return 0.0
        n, m = len(left), len(right)
        return float(kernel.pair_cost(self.rules, _row(left + right), 0, n, n, m))

    def meeting_cost(self, hand: str, strings: Strings, other: Strings, seconds: float) -> float:
        """Cost of `hand` striking where the other hand last struck, `seconds` before.

        Nothing once the other has had `lift_seconds` to get out of the way.
        """
        if not other or not strings:
            return 0.0
        n, m, ms = len(strings), len(other), milliseconds(seconds)
        row = _row(strings + other)
        return float(kernel.meeting_cost(self.rules, hand == "R", row, 0, n, n, m, ms))

    # One hand from one moment to the next

    def jump_need(self, travel: float) -> float:
        """Comfortable seconds to travel so many strings and place anew."""
        return _jump_need(self.rules, travel)

    def move(
        self, strings: Strings, fingers: Fingers, next_strings: Strings, next_fingers: Fingers
    ) -> Move:
        """The way from one chord of a hand to its next."""
        row, marks = _row(strings + next_strings), _row(fingers + next_fingers)
        n, m = len(strings), len(next_strings)
        direction, shared = kernel.relation(row, 0, n, n, m)
        travel = abs(
            kernel.thumb_of(self.rules, row, n, m, marks, n)
            - kernel.thumb_of(self.rules, row, 0, n, marks, 0)
        )
        kind, *rest = kernel.move(
            self.rules, row, 0, n, marks, 0, n, m, n, direction, shared, travel
        )
        return Move(kernel.KINDS[kind], *rest)

    def step_cost(self, move: Move, run: int, seconds: float) -> tuple[float, int, str]:
        """Cost of a move `seconds` after a chord with this `run`; its run and kind.

        A link goes on if the placing runs its way (or has no way yet), else it turns.
        """
        cost, after, kind = kernel.step_cost(
            self.rules, kernel.KINDS.index(move.kind), move.direction, move.base, move.need, run,
            milliseconds(seconds),
        )
        return float(cost), int(after), kernel.KINDS[kind]

    def rested_cost(
        self, move: Move, run: int, seconds: float, rested: bool
    ) -> tuple[float, int, str]:
        """`step_cost` for a hand that may have rested: it is lifted where that is cheaper."""
        cost, after, kind = kernel.rested_cost(
            self.rules, kernel.KINDS.index(move.kind), move.direction, move.base, move.need, run,
            milliseconds(seconds), rested,
        )
        return float(cost), int(after), kernel.KINDS[kind]

    def lift_cost(self) -> float:
        """Cost of a placing by a hand that comes from nowhere in particular; its run is 0."""
        return self.rules.lifted


def _row(numbers: Sequence[int]) -> kernel.Ints:
    return np.array(numbers, dtype=np.int64)


def _rules(limits: Limits, harp: Instrument) -> HandRules:
    """The numbers of a player and harp as the compiled code takes them."""
    names = set(HandRules._fields)
    numbers: dict[str, Any] = {
        name: float(row["value"])
        for name, row in cost_table().items()
        if name in names and "value" in row
    }
    numbers |= {name: getattr(limits, name) for name in limits.__slots__ if name in names}
    for name in ("notes_per_hand", "right_low"):
        numbers[name] = int(numbers[name])
    for name in (
        "hand_rate", "hard_share", "repeat_seconds", "chord_seconds", "jump_seconds",
        "jump_octave_seconds", "roll_seconds",
    ):
        numbers[name] = float(numbers[name])
    reach = {pair: limits.pair_reach(*pair) for pair in _PAIRS}
    table = _pair_table("comfort")
    comfort = {p: min(table[p], reach[p]) for p in _PAIRS}
    table = _pair_table("cramped")
    cramped = {p: min(table[p], comfort[p]) for p in _PAIRS}
    numbers |= {
        "soft_low": string_constant("blur_below"),
        "left_top": harp.highest - 14,
        "note_seconds": 1.0 / limits.hand_rate,
        **{f"lone_{f}": float(cost_table()["finger"]["values"][f - 1]) for f in (1, 2, 3, 4)},
        "reach": kernel.packed_pairs(reach),
        "comfort": kernel.packed_pairs(comfort),
        "cramped": kernel.packed_pairs(cramped),
        "lift_ms": 0,
        "hold_ms": 0,
        "most_ms": 0,
    }
    rules = HandRules(**numbers)
    lift = _lift_seconds(rules, harp)
    most = max(lift, _jump_need(rules, 7.0 * 8))
    hold = max(lift, constant("hold_seconds"))
    return rules._replace(
        lift_ms=milliseconds(lift), hold_ms=milliseconds(hold), most_ms=milliseconds(most)
    )


def _jump_need(rules: HandRules, travel: float) -> float:
    return float(kernel.jump_need(rules, travel))


def _lift_seconds(rules: HandRules, harp: Instrument) -> float:
    """Comfortable for three octaves, a repeat and a chord, and possible for the whole harp."""
    whole = _jump_need(rules, harp.strings + 3 * rules.finger_width)
    longest = max(_jump_need(rules, 21.0), rules.hard_share * whole)
    longest = max(longest, rules.repeat_seconds)
    if rules.notes_per_hand >= 3:
        longest = max(longest, rules.chord_seconds)
    return math.ceil(longest * 1000) / 1000


@lru_cache(maxsize=64)
def hand_model(limits: Limits, harp: Instrument) -> HandModel:
    """The model of these limits on this harp, made once."""
    return HandModel(limits, harp)
