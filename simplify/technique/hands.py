"""Who plays what, with which finger: one exact dynamic programme over both hands.

Time runs over moments (everything struck together). At a moment the notes are divided between the
hands, each hand takes a fingering, and pays for the chord it holds, the way from its own last
chord, and where the other hand has just been (costs: `fingers.HandModel`). The sum is minimised
exactly over all divisions considered and all fingerings:

- divisions: the lower strings to the left, the rest to the right, at every place between; besides,
  what the notes ask for (`Note.hand`), and crossed single notes where the staves cross; of these
  only those that four fingers a hand suffice for, if there are any, and that cost by themselves at
  most `split_margin` more than the cheapest of their moment;
- a hand at rest keeps its last chord; after `lift_seconds` with at least one moment of the other
  hand in between it counts as lifted, and all its last chords become one. This is a rule of the
  costs, not an approximation.

State: (last chord of the left, last chord of the right). One of the two is always the latest
moment's, so the states after a moment are a few dense tables: the left hand struck alone (against
every place where the right may still be), the right alone, and each division between both. A
moment updates each table in two min-plus steps, left then right, since the ways of the two hands
add. Time is linear in moments; tables hold tens of states a side.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from simplify.harp.player import Player
from simplify.score.model import Part, Pitch, Strike
from simplify.technique.fingers import (
    Fingers,
    FloatArray,
    HandModel,
    Strings,
    fingerings,
    hand_model,
    milliseconds,
)
from simplify.technique.plan import HandPlan, Performance

BUSY_MARKS = ("trill", "tremolo", "tremolo-start")
"""Marks that keep a hand at its note for the note's whole written value."""
_EPSILON = 1e-6


@dataclass(frozen=True, slots=True)
class Moment:
    """What is struck together, per string from low to high.

    members: the strikes on the string (more than one if voices meet); left, right: cost of giving
    it to that hand; busy: second until which it keeps a hand (0: not at all); sweep: number of its
    glissando (0: none); asked: 'L', 'R' or ''; upper: True if a note of it stands on staff 1.
    """

    at: float
    strings: Strings
    members: tuple[tuple[int, ...], ...]
    left: tuple[float, ...]
    right: tuple[float, ...]
    harmonic: tuple[bool, ...]
    trill: tuple[bool, ...]
    busy: tuple[float, ...]
    sweep: tuple[int, ...]
    asked: tuple[str, ...]
    upper: tuple[bool, ...]


@dataclass(frozen=True, slots=True)
class HandChord:
    """What one hand strikes at one moment, as planned.

    index: number of the moment; at: seconds; strings low to high with their fingers (0: none);
    sweep: number of its glissando (0: none); busy: second until which it keeps the hand (0: not);
    strikes: indices, low to high (two on one string if voices meet).
    """

    index: int
    at: float
    strings: Strings
    fingers: Fingers
    sweep: int
    busy: float
    strikes: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class HandStep:
    """One hand from chord to chord as planned.

    before, after: strike indices, low to high; seconds between the two; kind: the way taken
    (module `fingers`; also 'sweep' along a glissando); travel in strings; need: seconds that would
    be comfortable, 0 where time is no matter.
    """

    hand: str
    before: tuple[int, ...]
    after: tuple[int, ...]
    seconds: float
    kind: str
    travel: float
    need: float


class _Block:
    """What one hand may strike at one moment. Its states are (fingering, run), run fastest."""

    __slots__ = ("at", "busy", "index", "options", "places", "shape", "size", "strings", "sweep")

    def __init__(
        self, model: HandModel, moment: Moment, index: int, places: tuple[int, ...]
    ) -> None:
        self.index, self.at, self.places = index, moment.at, places
        self.strings = tuple(moment.strings[p] for p in places)
        self.busy = max(moment.busy[p] for p in places)
        self.sweep = max(moment.sweep[p] for p in places)
        self.options = (
            _sweep_fingerings(tuple(moment.sweep[p] > 0 for p in places))
            if self.sweep
            else fingerings(len(places))
        )
        self.size = 3 * len(self.options)
        self.shape = model.shape(self.strings, self.options)


class _Lifted:
    """A hand that may come from anywhere: one state."""

    size = 1


_LIFTED = _Lifted()
_Side = list[_Block | _Lifted]


@dataclass(frozen=True, slots=True)
class _Table:
    """Least cost of each pair of states; rows run through the blocks of `left`, columns `right`."""

    left: _Side
    right: _Side
    values: FloatArray


@dataclass(frozen=True, slots=True)
class _Division:
    """A way to divide a moment: blocks (None: the hand rests), what each state costs by itself,
    and the least that the whole can cost by itself."""

    left: _Block | None
    right: _Block | None
    left_costs: FloatArray
    right_costs: FloatArray
    least: float


@dataclass(frozen=True, slots=True)
class _Step:
    """One moment of the programme: tables before it, the same with resting hands lifted, and the
    divisions, in the order of the tables after it."""

    tables: list[_Table]
    sources: list[_Table]
    divisions: list[_Division]


@dataclass(frozen=True, slots=True)
class _Grip:
    """A chosen block (None: the hand rests) and the state in it."""

    block: _Block | None
    state: int


_NO_COSTS: FloatArray = np.zeros(0)


def plan_hands(
    part: Part,
    player: Player,
    seconds: Sequence[float],
    played: Sequence[Pitch],
    *,
    left_busy: Sequence[tuple[float, float]] = (),
) -> HandPlan:
    """The cheapest division between the hands with its fingering.

    seconds: when each strike of `part.strikes` sounds; played: the spelling, so the string, of
    each. left_busy: stretches in seconds in which the left hand turns a lever.
    """
    model = hand_model(player.limits, player.harp)
    moments = moments_of(part, player, seconds, played)
    tables = [_Table([_LIFTED], [_LIFTED], np.zeros((1, 1)))]
    steps: list[_Step] = []
    for index, moment in enumerate(moments):
        away = any(a - _EPSILON <= moment.at <= b + _EPSILON for a, b in left_busy)
        step = _Step(
            tables,
            [_lift(model, table, moment.at, index) for table in tables],
            _divisions(model, moment, index, away),
        )
        steps.append(step)
        tables = [_advance(model, step.sources, division) for division in step.divisions]
    choice, cost = _trace(model, steps, tables)
    return _plan(part.strikes, model, moments, choice, cost)


def moments_of(
    part: Part, player: Player, seconds: Sequence[float], played: Sequence[Pitch]
) -> tuple[Moment, ...]:
    """The moments of a part, in time order (arguments as for `plan_hands`)."""
    model = hand_model(player.limits, player.harp)
    strikes, sweeps = part.strikes, glissandi(part, seconds)
    tails = busy_until(part, seconds)
    rows: dict[float, dict[int, list[int]]] = {}
    for i, at in enumerate(seconds):
        rows.setdefault(round(at, 6), {}).setdefault(played[i].string, []).append(i)
    found = []
    for at in sorted(rows):
        strings = tuple(sorted(rows[at]))
        members = tuple(tuple(rows[at][s]) for s in strings)
        asked, upper, left, right = [], [], [], []
        harmonic, trill, busy, sweep = [], [], [], []
        for group in members:
            heads = [strikes[i].first for i in group]
            asks = {head.hand for head in heads} - {""}
            ask = asks.pop() if len(asks) == 1 else ""
            staves = {head.staff == 1 for head in heads}
            asked.append(ask)
            upper.append(True in staves)
            if ask:
                left.append(model.asked if ask == "R" else 0.0)
                right.append(model.asked if ask == "L" else 0.0)
            else:
                left.append(player.limits.staff_cost if staves == {True} else 0.0)
                right.append(player.limits.staff_cost if staves == {False} else 0.0)
            marked = [i for i in group if strikes[i].first.marks]
            kinds = {mark.kind for i in marked for mark in strikes[i].first.marks}
            harmonic.append("harmonic" in kinds)
            trill.append("trill" in kinds)
            until = [tails[i] for i in marked if i in tails]
            swept = [sweeps[i] for i in group if i in sweeps]
            busy.append(max([*until, *(end for _, end in swept)], default=0.0))
            sweep.append(max((number for number, _ in swept), default=0))
        found.append(
            Moment(
                at, strings, members, tuple(left), tuple(right), tuple(harmonic), tuple(trill),
                tuple(busy), tuple(sweep), tuple(asked), tuple(upper),
            )
        )
    return tuple(found)


def busy_until(part: Part, seconds: Sequence[float]) -> dict[int, float]:
    """Strike index to the second until which its trill or tremolo keeps a hand.

    That is the end of its written value, or the grace notes at that end in its staff (the turn
    that closes a trill), whichever comes first.
    """
    strikes = part.strikes
    marked = [
        i
        for i, s in enumerate(strikes)
        if s.first.marks and any(mark.kind in BUSY_MARKS for mark in s.first.marks)
    ]
    if not marked:
        return {}
    closing: dict[tuple[int, int], float] = {}
    for i, s in enumerate(strikes):
        if s.lead:
            key = (s.onset, s.first.staff)
            closing[key] = min(closing.get(key, seconds[i]), seconds[i])
    found = {}
    for i in marked:
        end = part.seconds(strikes[i].end)
        found[i] = min(end, closing.get((strikes[i].end, strikes[i].first.staff), end))
    return found


def glissandi(part: Part, seconds: Sequence[float]) -> dict[int, tuple[int, float]]:
    """Strike index to (number of its sweep from 1, second at which the sweep ends).

    A sweep runs from a `gliss-start` to the next `gliss-stop` of the same number (same staff
    preferred) with everything that its voice strikes in between; without a stop it lasts as long
    as its note.
    """
    strikes = part.strikes
    starts = [i for i, s in enumerate(strikes) if s.first.marks and s.first.has("gliss-start")]
    found: dict[int, tuple[int, float]] = {}
    for number, start in enumerate(starts, start=1):
        head = strikes[start].first
        label = next(mark.value for mark in head.marks if mark.kind == "gliss-start")
        stops = [
            i
            for i, s in enumerate(strikes)
            if seconds[i] > seconds[start]
            and any(m.kind == "gliss-stop" and m.value == label for m in s.first.marks)
        ]
        if not stops:
            found[start] = (number, part.seconds(strikes[start].end))
            continue
        stop = min(stops, key=lambda i: (strikes[i].first.staff != head.staff, seconds[i], i))
        for i, s in enumerate(strikes):
            same_voice = (s.first.staff, s.first.voice) == (head.staff, head.voice)
            inside = seconds[start] < seconds[i] < seconds[stop]
            if i in (start, stop) or (same_voice and inside):
                found[i] = (number, seconds[stop])
    return found


def _sweep_fingerings(swept: tuple[bool, ...]) -> tuple[Fingers, ...]:
    """Fingerings of a chord some of whose strings are swept (finger 0)."""
    found = []
    for fingers in fingerings(swept.count(False)) if not all(swept) else ((),):
        free = iter(fingers)
        found.append(tuple(0 if s else next(free) for s in swept))
    return tuple(found)


def _divisions(model: HandModel, moment: Moment, index: int, away: bool) -> list[_Division]:
    """The divisions considered at a moment; `away`: the left hand turns a lever."""
    count = len(moment.strings)
    every = tuple(range(count))
    excess = [max(0, k - 4) + max(0, count - k - 4) for k in range(count + 1)]
    fewest = min(excess)
    lefts = [every[:k] for k in range(count + 1) if excess[k] == fewest]
    if any(moment.asked):
        asked = tuple(i for i in every if (moment.asked[i] or "RL"[not moment.upper[i]]) == "L")
        if asked not in lefts:
            lefts.append(asked)
    elif moment.upper == (True, False):
        lefts.append((1,))
    found = [_division(model, moment, index, left, away) for left in lefts]
    cheapest = min(division.least for division in found)
    return [d for d in found if d.least <= cheapest + model.split_margin]


def _division(
    model: HandModel, moment: Moment, index: int, places: tuple[int, ...], away: bool
) -> _Division:
    """The left hand takes these strings of the moment, the right the others."""
    others = tuple(i for i in range(len(moment.strings)) if i not in places)
    left = _Block(model, moment, index, places) if places else None
    right = _Block(model, moment, index, others) if others else None
    left_costs = right_costs = _NO_COSTS
    least = 0.0
    if left is not None:
        fixed = sum(moment.left[i] for i in places) + (model.hard if away else 0.0)
        if right is not None:
            fixed += model.pair_cost(left.strings, right.strings)
        left_costs = model.grips(left.shape) + (fixed + _side_cost(model, moment, "L", left))
        least += float(left_costs.min())
    if right is not None:
        fixed = sum(moment.right[i] for i in others)
        right_costs = model.grips(right.shape) + (fixed + _side_cost(model, moment, "R", right))
        least += float(right_costs.min())
    return _Division(left, right, left_costs, right_costs, least)


def _side_cost(model: HandModel, moment: Moment, hand: str, block: _Block) -> float:
    cost = model.hand_cost(hand, block.strings)
    harmonics = sum(moment.harmonic[p] for p in block.places)
    if harmonics:
        cost += model.harmonic_cost(hand, harmonics)
    if block.busy:
        cost += model.hard * max(0, sum(moment.trill[p] for p in block.places) - 1)
    return cost


def _lift(model: HandModel, table: _Table, at: float, index: int) -> _Table:
    """The table with every hand that has rested long enough taken as lifted."""
    left, right, values = table.left, table.right, table.values
    keep = _resting(model, left, at, index)
    if keep is not None:
        left, values = _merge(left, keep, values)
    keep = _resting(model, right, at, index)
    if keep is not None:
        right, turned = _merge(right, keep, values.T)
        values = turned.T
    return _Table(left, right, values)


def _resting(model: HandModel, side: _Side, at: float, index: int) -> list[bool] | None:
    """For each block of a side whether it stays apart; None if all stay as they are."""
    keep = [
        isinstance(block, _Block)
        and (
            block.index >= index - 1
            or milliseconds(at - block.at) < model.lift_ms
            or block.busy > at + _EPSILON
        )
        for block in side
    ]
    fresh = any(isinstance(b, _Block) and not k for b, k in zip(side, keep, strict=True))
    return keep if fresh else None


def _merge(side: _Side, keep: list[bool], values: FloatArray) -> tuple[_Side, FloatArray]:
    """Rows of the blocks not kept become one row, their minimum, which comes first."""
    mask = np.repeat(np.array(keep), [block.size for block in side])
    lifted = values[~mask].min(axis=0, keepdims=True)
    kept = [block for block, k in zip(side, keep, strict=True) if k]
    return [_LIFTED, *kept], np.concatenate([lifted, values[mask]])


def _ways(model: HandModel, side: _Side, block: _Block) -> FloatArray:
    """Cost from every state of a side to every state of a block."""
    rows = []
    for old in side:
        if not isinstance(old, _Block):
            rows.append(model.lifts(block.size))
            continue
        if old.sweep and old.sweep == block.sweep:
            rows.append(_swept(old.size, block.size))
            continue
        shift = block.strings[0] - old.strings[0]
        row = model.steps(old.shape, block.shape, shift, block.at - old.at)
        if old.busy > block.at + _EPSILON:
            row = row + model.hard
        rows.append(row)
    return rows[0] if len(rows) == 1 else np.concatenate(rows)


def _swept(states: int, next_states: int) -> FloatArray:
    """The way along a glissando costs nothing; its run is 0."""
    free = np.full((states, next_states), np.inf)
    free[:, 1::3] = 0.0
    return free


def _meeting(model: HandModel, hand: str, block: _Block, others: _Side) -> FloatArray | None:
    """`meeting_cost` against every state of the other hand's side; None if all are 0."""
    costs = [
        model.meeting_cost(hand, block.strings, other.strings, block.at - other.at)
        if isinstance(other, _Block)
        else 0.0
        for other in others
    ]
    if not any(costs):
        return None
    return np.repeat(np.array(costs), [other.size for other in others])


def _advance(model: HandModel, sources: list[_Table], division: _Division) -> _Table:
    """The table after a moment divided so: every source, both hands' ways, least first."""
    left, right = division.left, division.right
    if left is not None and right is not None:
        values = _both(model, sources[0], left, right)
        for table in sources[1:]:
            values = np.minimum(values, _both(model, table, left, right))
        values = values + division.left_costs[:, None] + division.right_costs
        return _Table([left], [right], values)
    if left is not None:
        parts = [_alone(model, t.left, t.right, t.values, "L", left) for t in sources]
        values = np.concatenate(parts, axis=1) + division.left_costs[:, None]
        return _Table([left], [b for t in sources for b in t.right], values)
    assert right is not None  # a moment has at least one note, so one hand has it
    parts = [_alone(model, t.right, t.left, t.values.T, "R", right) for t in sources]
    values = np.concatenate(parts, axis=1) + division.right_costs[:, None]
    return _Table([b for t in sources for b in t.left], [right], values.T)


def _alone(
    model: HandModel, own: _Side, other: _Side, values: FloatArray, hand: str, block: _Block
) -> FloatArray:
    """Least cost with `block` for one hand (rows), the other hand (columns) as it was."""
    ways = _ways(model, own, block)
    result: FloatArray = (ways[:, :, None] + values[:, None, :]).min(axis=0)
    meeting = _meeting(model, hand, block, other)
    return result if meeting is None else result + meeting


def _both(model: HandModel, table: _Table, left: _Block, right: _Block) -> FloatArray:
    """Least cost with a block for each hand, over all states of a table."""
    values = _with_meetings(model, table, left, right)
    left_ways, right_ways = _ways(model, table.left, left), _ways(model, table.right, right)
    result: FloatArray
    if values.shape[0] >= values.shape[1]:  # the longer side first leaves less to do
        half = (left_ways[:, :, None] + values[:, None, :]).min(axis=0)
        result = (half[:, :, None] + right_ways[None, :, :]).min(axis=1)
    else:
        half = (values[:, :, None] + right_ways[None, :, :]).min(axis=1)
        result = (left_ways[:, :, None] + half[:, None, :]).min(axis=0)
    return result


def _with_meetings(model: HandModel, table: _Table, left: _Block, right: _Block) -> FloatArray:
    """A table with what it costs both hands to strike where the other has just been."""
    values = table.values
    meeting = _meeting(model, "R", right, table.left)
    if meeting is not None:
        values = values + meeting[:, None]
    meeting = _meeting(model, "L", left, table.right)
    return values if meeting is None else values + meeting


def _trace(
    model: HandModel, steps: list[_Step], tables: list[_Table]
) -> tuple[list[tuple[_Grip, _Grip]], float]:
    """The cheapest way back from the last tables: left and right grip at every moment."""
    ends = [float(table.values.min()) for table in tables]
    cost = min(ends)
    which = ends.index(cost)
    row, column = divmod(int(tables[which].values.argmin()), tables[which].values.shape[1])
    choice: list[tuple[_Grip, _Grip]] = []
    for index in range(len(steps) - 1, -1, -1):
        step = steps[index]
        left, right = step.divisions[which].left, step.divisions[which].right
        choice.append((_Grip(left, row), _Grip(right, column)))
        sources = step.sources
        if left is not None and right is not None:
            at = left.at
            which, row, column = _back_both(model, sources, left, right, row, column)
        elif left is not None:
            at = left.at
            which, column = _locate(column, [t.values.shape[1] for t in sources])
            own = sources[which]
            row = int((_ways(model, own.left, left)[:, row] + own.values[:, column]).argmin())
        else:
            assert right is not None
            at = right.at
            which, row = _locate(row, [t.values.shape[0] for t in sources])
            own = sources[which]
            column = int((_ways(model, own.right, right)[:, column] + own.values[row]).argmin())
        row, column = _unlift(model, step.tables[which], at, index, row, column)
    choice.reverse()
    return choice, cost


def _locate(at: int, sizes: list[int]) -> tuple[int, int]:
    """Which of the tables laid end to end holds a row or column, and where in it."""
    which = 0
    while at >= sizes[which]:
        at -= sizes[which]
        which += 1
    return which, at


def _back_both(
    model: HandModel, sources: list[_Table], left: _Block, right: _Block, row: int, column: int
) -> tuple[int, int, int]:
    """Source table and state from which both hands came to these states most cheaply."""
    best, found = np.inf, (0, 0, 0)
    for which, table in enumerate(sources):
        values = _with_meetings(model, table, left, right)
        values = values + _ways(model, table.left, left)[:, row][:, None]
        values = values + _ways(model, table.right, right)[:, column]
        least = float(values.min())
        if least < best:
            best = least
            found = (which, *divmod(int(values.argmin()), values.shape[1]))
    return found


def _unlift(
    model: HandModel, table: _Table, at: float, index: int, row: int, column: int
) -> tuple[int, int]:
    """Row and column of a lifted table, in the table that it was made from."""
    rows = _origins(model, table.left, at, index, row)
    columns = _origins(model, table.right, at, index, column)
    values = table.values[np.ix_(rows, columns)]
    i, j = divmod(int(values.argmin()), values.shape[1])
    return int(rows[i]), int(columns[j])


def _origins(model: HandModel, side: _Side, at: float, index: int, state: int) -> NDArray[np.intp]:
    """The states of a side that became this one when resting hands were lifted."""
    keep = _resting(model, side, at, index)
    if keep is None:
        return np.array([state])
    mask = np.repeat(np.array(keep), [block.size for block in side])
    return np.flatnonzero(~mask) if state == 0 else np.flatnonzero(mask)[state - 1 : state]


def _plan(
    strikes: tuple[Strike, ...], model: HandModel, moments: tuple[Moment, ...],
    choice: list[tuple[_Grip, _Grip]], cost: float,
) -> HandPlan:
    """The plan per strike: hands, fingers, placings and rolls of the chosen states."""
    hands, fingers = [""] * len(strikes), [0] * len(strikes)
    placings, rolled = [0] * len(strikes), [False] * len(strikes)
    for hand, side in (("L", 0), ("R", 1)):
        chords = []
        for index, (moment, grips) in enumerate(zip(moments, choice, strict=True)):
            block = grips[side].block
            if block is None:
                continue
            chosen = block.options[grips[side].state // 3]
            members = [moment.members[place] for place in block.places]
            wide = model.over_reach(block.strings, chosen) > 0
            for group, finger in zip(members, chosen, strict=True):
                for i in group:
                    hands[i], fingers[i] = hand, finger
                    rolled[i] = wide or strikes[i].first.has("arpeggio")
            every = tuple(i for group in members for i in group)
            chords.append(
                HandChord(
                    index, moment.at, block.strings, chosen, block.sweep, block.busy, every
                )
            )
        number = 0
        for chord, step in zip(chords[1:], _walk(model, hand, chords), strict=True):
            number += step.kind not in ("go on", "sweep")
            for i in chord.strikes:
                placings[i] = number
    return HandPlan(tuple(hands), tuple(fingers), tuple(placings), tuple(rolled), cost)


def _walk(model: HandModel, hand: str, chords: list[HandChord]) -> list[HandStep]:
    """The ways of one hand from each of its chords to the next."""
    found, run = [], 0
    for a, b in pairwise(chords):
        seconds = b.at - a.at
        rested = milliseconds(seconds) >= model.lift_ms
        travel = need = 0.0
        if a.sweep and a.sweep == b.sweep:
            kind, run = "sweep", 0
        elif b.index > a.index + 1 and rested:
            kind, run = "lift", 0
        else:
            move = model.move(a.strings, a.fingers, b.strings, b.fingers)
            _, run, kind = model.step_cost(move, run, seconds)
            travel, need = move.travel, move.need
            if kind == "go on":
                need = model.limits.roll_seconds
        found.append(HandStep(hand, a.strikes, b.strikes, seconds, kind, travel, need))
    return found


def hand_steps(performance: Performance, hand: str) -> tuple[HandStep, ...]:
    """Every way of the left ('L') or right ('R') hand from chord to chord, in time order."""
    return _planned(performance)[hand][1]


def hand_chords(performance: Performance, hand: str) -> tuple[HandChord, ...]:
    """Everything that the left ('L') or right ('R') hand strikes, in time order."""
    return _planned(performance)[hand][0]


_Planned = dict[str, tuple[tuple[HandChord, ...], tuple[HandStep, ...]]]


def _planned(performance: Performance) -> _Planned:
    """Chords and steps of each hand, remembered on the performance (which is not slotted so that
    tables can be kept on it)."""
    memory = vars(performance)
    if "hand_tables" not in memory:
        model = hand_model(performance.player.limits, performance.player.harp)
        moments = moments_of(
            performance.part, performance.player, performance.seconds,
            performance.pedal_plan.played,
        )
        table: _Planned = {}
        for hand in "LR":
            chords = _chords_of(performance, moments, hand)
            table[hand] = tuple(chords), tuple(_walk(model, hand, chords))
        memory["hand_tables"] = table
    planned: _Planned = memory["hand_tables"]
    return planned


def _chords_of(
    performance: Performance, moments: tuple[Moment, ...], hand: str
) -> list[HandChord]:
    plan, chords = performance.hand_plan, []
    for index, moment in enumerate(moments):
        own = [p for p, m in enumerate(moment.members) if plan.hands[m[0]] == hand]
        if own:
            chords.append(
                HandChord(
                    index,
                    moment.at,
                    tuple(moment.strings[p] for p in own),
                    tuple(plan.fingers[moment.members[p][0]] for p in own),
                    max(moment.sweep[p] for p in own),
                    max(moment.busy[p] for p in own),
                    tuple(i for p in own for i in moment.members[p]),
                )
            )
    return chords
