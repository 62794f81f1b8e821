"""The lever plan of a part: how the levers stand at first, and when the left hand turns which.

A lever raises one string by a semitone, so a string has two positions and every string its own.
The left hand turns them, one at a time, between two of its own strikes that lie far enough apart
(`lever_gap` in pedal_costs.toml), while the lever's string is neither struck nor held.

Strings hang together only where two neighbours give the same sound (D♯ and E♭ on a harp in E flat),
so each group of one or two strings has its own small exact dynamic programme, with every turn in
its cheapest gap. Then the turns are laid out in the left hand's time one after another, earliest
deadline first. The groups' optima together are a lower bound of the whole; the plan says `optimal`
where it attains that bound, as it does unless the left hand has more levers to turn than time.
"""

from __future__ import annotations

import math
from bisect import bisect_right, insort
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise, product

from simplify.harp.instrument import PEDALS, Instrument, Setting, key_setting
from simplify.harp.player import Player
from simplify.score.model import STEPS, Part, Pitch
from simplify.score.text import sign
from simplify.technique.fingers import constant
from simplify.technique.pedal_line import (
    SCALE,
    PedalCosts,
    cost_table,
    held_until,
    mills,
    off_the_harp,
    standard_costs,
)
from simplify.technique.plan import PedalMove, PedalPlan, Unmet

_GRID = 4
"""A turn is named at a quarter of a beat where one lies in its time."""
_CAUSES = (
    "moves", "moment", "spelling", "first setting",
    "unmet setting", "unmet held", "unmet time", "unmet range",
)


@dataclass(frozen=True, slots=True)
class _Gap:
    """Time between two strikes of the left hand, ticks from `low` to `high`; a lever takes
    `length` of them and costs `cost` thousandths."""

    low: int
    high: int
    length: int
    cost: int


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a turn may go: a gap (index), first and last tick at which it may begin."""

    gap: int
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class _Turn:
    """A turn wanted: string, new state (0 lever down, 1 up), ticks of the events it comes between,
    where it may go, and whether it cuts off a sound that is still held."""

    string: int
    state: int
    after: int
    before: int
    places: tuple[_Place, ...]
    cut: bool


@dataclass(frozen=True, slots=True)
class _Work:
    """What all groups share. options: strings per strike; rows: strikes by tick; usual: state of
    every string by the given setting or the key; free: the first states may be chosen."""

    part: Part
    harp: Instrument
    costs: PedalCosts
    options: tuple[tuple[Pitch, ...], ...]
    rows: dict[int, list[int]]
    gaps: tuple[_Gap, ...]
    usual: dict[int, int]
    free: bool

    def sound(self, string: int, state: int) -> int:
        """MIDI number that a string gives in a state."""
        return Pitch.on_string(string, _base(self.harp, string)).midi + state


@dataclass(frozen=True, slots=True)
class _Outcome:
    """A group's optimum: its cost, first states, state of each string at each tick, and turns."""

    cost: int
    begin: dict[int, int]
    states: dict[tuple[int, int], int]
    turns: list[_Turn]


def plan_levers(
    part: Part,
    player: Player,
    *,
    start: Setting | None = None,
    hands: Sequence[str] | None = None,
) -> PedalPlan:
    """The lever plan of least cost. start: every string's first position by letter (a position the
    tuning can't give is taken as lever down). hands: 'L' or 'R' per strike, else the hand a note
    asks for, else staff 2 is the left hand.

    Levers that stand otherwise than their letter in `PedalPlan.start` are moves at the first tick
    of the part: set before it begins, and free of cost unless `start` was given.
    """
    costs, harp, strikes = standard_costs(), player.harp, part.strikes
    options = tuple(harp.strings_for(strike.pitch) for strike in strikes)
    rows: dict[int, list[int]] = {}
    for index, strike in enumerate(strikes):
        if options[index]:
            rows.setdefault(strike.onset, []).append(index)
    usual = _usual_states(part, harp, start)
    work = _Work(
        part, harp, costs, options, rows, _gaps(part, player, hands), usual, start is None
    )
    outcomes = [o for group in _groups(harp) if (o := _plan_group(work, group)) is not None]
    begin = {string: state for o in outcomes for string, state in o.begin.items()}
    states = {key: state for o in outcomes for key, state in o.states.items()}
    made, late = _laid_out(work, [turn for o in outcomes for turn in o.turns])

    total = dict.fromkeys(_CAUSES, 0)
    turn_cost = _amount("lever_turn")
    setting = _letters(part, harp, begin, usual, start)
    before = {s: int(setting[PEDALS.index(STEPS[s % 7])] > _base(harp, s)) for s in begin}
    moves = [
        _move(harp, string, state, part.bars[0].onset)
        for string, state in begin.items()
        if state != before[string]
    ]
    for string, state in begin.items():
        if state != usual[string]:
            total["first setting" if work.free else "moves"] += _first_cost(work)
    unmet: list[Unmet] = []
    for turn, gap, begun in made:
        total["moves"] += turn_cost
        total["moment"] += gap.cost - turn_cost
        moves.append(_move(harp, turn.string, turn.state, _moment(part, gap, begun)))
    for turn in late:
        total["moves"] += turn_cost
        total["unmet time"] += mills(costs.unmet_time)
        moves.append(_move(harp, turn.string, turn.state, turn.before))
        unmet.append(_no_time(work, turn))
    for turn in (*(turn for turn, _, _ in made), *late):
        if turn.cut:
            total["unmet held"] += mills(costs.unmet_held)
            unmet.append(_held(work, turn))
    played, missed, respelled = _played(work, states, moves)
    total["spelling"] = respelled * mills(costs.respelled)
    for onset, members in missed.items():
        sounds = {strikes[i].pitch.midi for i in members}
        total["unmet setting"] += mills(costs.unmet_setting) * len(sounds)
        unmet.append(Unmet(onset, "setting", tuple(members), _conflict(work, onset, members)))
    for index, strike in enumerate(strikes):
        if not options[index]:
            total["unmet range"] += mills(costs.unmet_setting)
            text = off_the_harp(harp, strike.pitch)
            unmet.append(Unmet(strike.onset, "range", (index,), text))
    moves.sort(key=lambda m: (m.onset, PEDALS.index(m.letter), m.string or 0))
    unmet.sort(key=lambda u: (u.onset, u.kind, u.strikes))
    real = sum(total.values()) - total["unmet range"]
    return PedalPlan(
        setting, tuple(moves), played, sum(total.values()) / SCALE,
        tuple((cause, amount / SCALE) for cause, amount in total.items() if amount),
        tuple(unmet), real == sum(o.cost for o in outcomes),
    )


# --- numbers and strings --------------------------------------------------------------------------


@cache
def _amount(name: str) -> int:
    value = cost_table()[name]["value"]
    assert isinstance(value, int | float)
    return mills(value)


def lever_gap(player: Player) -> float:
    """Seconds between two strikes of the left hand that it needs for one lever in between."""
    table = cost_table()["lever_gap"]["value"]
    assert isinstance(table, dict)
    return float(table[player.tier])


def _base(harp: Instrument, string: int) -> int:
    return harp.tuning[PEDALS.index(STEPS[string % 7])]


@cache
def _groups(harp: Instrument) -> tuple[tuple[int, ...], ...]:
    """Strings that share a sound, low to high: single strings and pairs of neighbours."""
    groups: list[list[int]] = []
    for string in range(harp.lowest, harp.highest + 1):
        low = Pitch.on_string(string, _base(harp, string)).midi
        if groups:
            last = groups[-1][-1]
            if Pitch.on_string(last, _base(harp, last)).midi + 1 >= low:
                groups[-1].append(string)
                continue
        groups.append([string])
    return tuple(tuple(group) for group in groups)


def _usual_states(part: Part, harp: Instrument, start: Setting | None) -> dict[int, int]:
    """State of every string by the given setting, else by the key signature."""
    wanted = start or key_setting(part.bars[0].fifths)
    return {
        string: int(wanted[PEDALS.index(STEPS[string % 7])] > _base(harp, string))
        for string in range(harp.lowest, harp.highest + 1)
    }


def _letters(
    part: Part,
    harp: Instrument,
    begin: dict[int, int],
    usual: dict[int, int],
    start: Setting | None,
) -> Setting:
    """First position by letter: as given, else that of most of the letter's strings in use, else
    the key signature's."""
    positions = []
    for at, letter in enumerate(PEDALS):
        base = harp.tuning[at]
        key = int((start or key_setting(part.bars[0].fifths))[at] > base)
        votes = [s for string, s in begin.items() if STEPS[string % 7] == letter]
        up = sum(votes)
        if start is None and 2 * up != len(votes):
            key = int(2 * up > len(votes))
        positions.append(base + key)
    d, c, b, e, f, g, a = positions
    return d, c, b, e, f, g, a


def _first_cost(work: _Work) -> int:
    return _amount("lever_start") if work.free else _amount("lever_turn")


def _move(harp: Instrument, string: int, state: int, tick: int) -> PedalMove:
    base = _base(harp, string)
    return PedalMove(tick, STEPS[string % 7], base + 1 - state, base + state, "left hand", string)


# --- the left hand's time -------------------------------------------------------------------------


def _gaps(part: Part, player: Player, hands: Sequence[str] | None) -> tuple[_Gap, ...]:
    """The gaps of the left hand that are long enough for a lever, in order."""
    busy: set[int] = set()
    for index, strike in enumerate(part.strikes):
        hand = hands[index] if hands else strike.first.hand
        if (hand or ("R" if strike.first.staff == 1 else "L")) == "L":
            busy.add(strike.onset)
    edges = sorted({part.bars[0].onset, part.end, *busy})
    gaps: list[_Gap] = []
    needed = lever_gap(player)
    for low, high in pairwise(edges):
        seconds = part.seconds(high) - part.seconds(low)
        if seconds < needed - 1e-6:
            continue
        length = min(high - low, math.ceil(needed / seconds * (high - low) - 1e-6))
        cost = _amount("lever_turn") + round(_amount("lever_busy") * length / (high - low))
        gaps.append(_Gap(low, high, length, cost))
    return tuple(gaps)


def _moment(part: Part, gap: _Gap, begun: int) -> int:
    """The tick at which a turn that begins at `begun` is done: the first quarter of a beat that
    leaves the hand its way to the lever, else late in its time."""
    away = constant("lever_seconds")
    bar = part.bar_at(begun)
    step = max(1, bar.beat_ticks // _GRID)
    origin = bar.onset - bar.lead
    for tick in range(begun + step - (begun - origin) % step, begun + gap.length, step):
        if part.seconds(tick) - part.seconds(begun) > away + 1e-3:
            return tick
    return begun + 7 * gap.length // 8


_Layout = tuple[list[tuple[_Turn, _Gap, int]], list[_Turn]]


def _laid_out(work: _Work, turns: list[_Turn]) -> _Layout:
    """Every turn with its gap and the tick it begins at, none overlapping, and the turns for which
    there is no time: the better of earliest deadline first and fewest places first."""

    def deadline(turn: _Turn) -> tuple[int, int, int]:
        return max((p.last for p in turn.places), default=0), turn.before, turn.string

    def scarcity(turn: _Turn) -> tuple[int, int, int]:
        return sum(p.last - p.first for p in turn.places), turn.before, turn.string

    layouts = [_greedy(work, sorted(turns, key=key)) for key in (deadline, scarcity)]
    return min(layouts, key=lambda made: (len(made[1]), sum(gap.cost for _, gap, _ in made[0])))


def _greedy(work: _Work, turns: list[_Turn]) -> _Layout:
    taken: dict[int, list[tuple[int, int]]] = {}
    made, late = [], []
    for turn in turns:
        for place in sorted(turn.places, key=lambda p: (work.gaps[p.gap].cost, p.first)):
            gap, begun = work.gaps[place.gap], place.first
            busy = taken.setdefault(place.gap, [])
            for start, stop in busy:
                if begun + gap.length > start and begun < stop:
                    begun = stop
            if begun <= place.last:
                insort(busy, (begun, begun + gap.length))
                made.append((turn, gap, begun))
                break
        else:
            late.append(turn)
    return made, late


# --- one group of strings -------------------------------------------------------------------------


def _plan_group(work: _Work, group: tuple[int, ...]) -> _Outcome | None:
    """The exact plan of one group, or None if none of its strings is asked for."""
    mine = set(group)
    events = [
        (tick, members)
        for tick in sorted(work.rows)
        if (members := [i for i in work.rows[tick] if work.options[i][0].string in mine])
    ]
    if not events:
        return None
    choices = tuple(product((0, 1), repeat=len(group)))
    struck = {
        string: [
            tick
            for tick, members in events
            if any(p.string == string for i in members for p in work.options[i])
        ]
        for string in group
    }
    held: dict[int, int] = {}
    best = [
        _event_cost(work, group, choice, events[0][1])
        + sum(
            _first_cost(work)
            for string, state in zip(group, choice, strict=True)
            if state != work.usual[string]
        )
        for choice in choices
    ]
    came: list[list[int]] = []
    windows: list[list[list[_Change]]] = []
    for (tick, members), (following, arriving) in pairwise(events):
        for i in members:
            strike = work.part.strikes[i]
            until = held_until(work.part, strike, work.costs)
            held[strike.pitch.midi] = max(held.get(strike.pitch.midi, 0), until)
        change = [
            [_change(work, group, old, new, struck, tick, following, held) for new in choices]
            for old in choices
        ]
        fresh, back = [], []
        for new, choice in enumerate(choices):
            prices = [best[old] + change[old][new].cost for old in range(len(choices))]
            least = min(prices)
            back.append(new if prices[new] == least else prices.index(least))
            fresh.append(least + _event_cost(work, group, choice, arriving))
        best = fresh
        came.append(back)
        windows.append(change)
    at = best.index(min(best))
    cost = best[at]
    states: dict[tuple[int, int], int] = {}
    turns: list[_Turn] = []
    for number in range(len(events) - 1, -1, -1):
        for slot, string in enumerate(group):
            states[string, events[number][0]] = choices[at][slot]
        if not number:
            break
        old = came[number - 1][at]
        turns.extend(windows[number - 1][old][at].turns)
        at = old
    begin = {string: choices[at][slot] for slot, string in enumerate(group)}
    return _Outcome(cost, begin, states, turns[::-1])


def _giving(work: _Work, group: tuple[int, ...], choice: tuple[int, ...]) -> list[int]:
    return [work.sound(string, state) for string, state in zip(group, choice, strict=True)]


def _event_cost(
    work: _Work, group: tuple[int, ...], choice: tuple[int, ...], members: list[int]
) -> int:
    """What the struck sounds cost with the strings in these states, each sound counted once."""
    given = set(_giving(work, group, choice))
    total = 0
    seen: set[int] = set()
    for i in members:
        pitch = work.part.strikes[i].pitch
        if pitch.midi in seen:
            continue
        seen.add(pitch.midi)
        if pitch.midi not in given:
            total += mills(work.costs.unmet_setting)
        elif _respelled(work, group, choice, i):
            total += mills(work.costs.respelled)
    return total


def _respelled(work: _Work, group: tuple[int, ...], choice: tuple[int, ...], i: int) -> bool:
    """True if a strike has a string as it is written but sounds on another."""
    written = work.part.strikes[i].pitch
    if work.options[i][0] != written:
        return False
    state = choice[group.index(written.string)]
    return _base(work.harp, written.string) + state != written.alter


@dataclass(frozen=True, slots=True)
class _Change:
    """A group's strings going from one choice of states to another between two events."""

    cost: int
    turns: tuple[_Turn, ...]


def _change(
    work: _Work,
    group: tuple[int, ...],
    old: tuple[int, ...],
    new: tuple[int, ...],
    struck: dict[int, list[int]],
    tick: int,
    following: int,
    held: dict[int, int],
) -> _Change:
    """The cheapest way. A string may leave a held sound that another string of the group gives
    too, unless that one leaves as well: then one of them has to wait."""
    given = _giving(work, group, old)
    moving = [slot for slot in range(len(group)) if old[slot] != new[slot]]
    best: _Change | None = None
    for holder in moving or [-1]:
        cost, turns = 0, []
        for slot in moving:
            shared = any(
                given[other] == given[slot]
                for other in range(len(group))
                if other != slot and not (other in moving and slot == holder)
            )
            until = 0 if shared else held.get(given[slot], 0)
            price, places, cut = _window(work, struck[group[slot]], tick, following, until)
            cost += price
            turns.append(_Turn(group[slot], new[slot], tick, following, places, cut))
        if best is None or cost < best.cost:
            best = _Change(cost, tuple(turns))
    assert best is not None
    return best


def _window(
    work: _Work, struck: list[int], tick: int, following: int, until: int
) -> tuple[int, tuple[_Place, ...], bool]:
    """Turning one string between two events, not before `until` if its sound is held: least cost,
    where it may go, and whether it cuts off a sound still held."""
    # A turn may begin before the event if that doesn't strike this string.
    at = bisect_right(struck, tick)
    low = struck[at - 1] if at else work.part.bars[0].onset
    places = _places(work.gaps, max(low, until), following, tick)
    if places:
        return min(work.gaps[p.gap].cost for p in places), places, False
    late = _amount("lever_turn") + mills(work.costs.unmet_time)
    if until > low:
        penalty = mills(work.costs.unmet_held)
        places = _places(work.gaps, low, following, tick)
        if places:
            return min(work.gaps[p.gap].cost for p in places) + penalty, places, True
        if until >= following:
            return late + penalty, (), True
    return late, (), False


def _places(gaps: Sequence[_Gap], low: int, high: int, after: int) -> tuple[_Place, ...]:
    """Where a turn can begin at `low` or later and be done after `after` and by `high`."""
    found = []
    at = max(0, bisect_right(gaps, low, key=lambda g: g.low) - 1)
    while at < len(gaps) and gaps[at].low < high:
        gap = gaps[at]
        first = max(gap.low, low, after - gap.length + 1)
        last = min(gap.high, high) - gap.length
        if first <= last:
            found.append(_Place(at, first, last))
        at += 1
    return tuple(found)


# --- reading the plan -----------------------------------------------------------------------------


def _played(
    work: _Work, states: dict[tuple[int, int], int], moves: Sequence[PedalMove]
) -> tuple[tuple[Pitch, ...], dict[int, list[int]], int]:
    """The string of every strike, strikes that no string gives by onset, and how many sounds are
    not played as written."""
    played: list[Pitch] = []
    missed: dict[int, list[int]] = {}
    respelled = 0
    seen: set[tuple[int, int]] = set()
    for index, strike in enumerate(work.part.strikes):
        options = work.options[index]
        if not options:
            nominal = strike.pitch.spellings()
            played.append(nominal[0] if nominal else strike.pitch)
            continue
        there = [
            p
            for p in options
            if _base(work.harp, p.string) + states[p.string, strike.onset] == p.alter
        ]
        if not there:
            missed.setdefault(strike.onset, []).append(index)
        key = (strike.onset, strike.pitch.midi)
        if there and key not in seen and options[0] == strike.pitch != there[0]:
            respelled += 1
        seen.add(key)
        if len(there) > 1:  # of two strings the one that stays as long as the note is held
            until = held_until(work.part, strike, work.costs)
            leaving = {m.string for m in moves if strike.onset < m.onset < until}
            there = [p for p in there if p.string not in leaving] or there
        played.append((there or options)[0])
    return tuple(played), missed, respelled


def _named(pitch: Pitch) -> str:
    return f"{pitch.step}{sign(pitch.alter)}{pitch.octave}"


def _string_name(string: int) -> str:
    return f"{STEPS[string % 7]}{string // 7}"


def _conflict(work: _Work, onset: int, members: list[int]) -> str:
    """Why these strikes have no string: usually the same string is asked for another sound."""
    wanted = {p.string for i in members for p in work.options[i]}
    rivals = [
        i
        for i in work.rows[onset]
        if i not in members and any(p.string in wanted for p in work.options[i])
    ]
    pitches = sorted(
        {work.part.strikes[i].pitch for i in (*members, *rivals)}, key=lambda p: (p.midi, p.step)
    )
    names = [_named(p) for p in pitches]
    if rivals:
        return f"{', '.join(names[:-1])} and {names[-1]} together: no lever setting holds them"
    return f"{' and '.join(names)}: the lever can't be set in time"


def _no_time(work: _Work, turn: _Turn) -> Unmet:
    letter = STEPS[turn.string % 7]
    after = _base(work.harp, turn.string) + turn.state
    needy = tuple(
        i
        for i in work.rows.get(turn.before, ())
        if any(p.string == turn.string for p in work.options[i])
    )
    text = (
        f"the left hand has no time to turn the lever of {_string_name(turn.string)} to "
        f"{letter}{sign(after)}"
    )
    return Unmet(turn.before, "time", needy, text)


def _held(work: _Work, turn: _Turn) -> Unmet:
    sound = work.sound(turn.string, 1 - turn.state)
    holders = tuple(
        i
        for i, strike in enumerate(work.part.strikes)
        if strike.pitch.midi == sound and strike.onset <= turn.after < strike.end
    )
    name = _named(Pitch.on_string(turn.string, _base(work.harp, turn.string) + 1 - turn.state))
    return Unmet(turn.after, "held", holders, f"{name} is still held when its lever has to turn")
