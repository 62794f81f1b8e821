"""From a part and a player to a performance: seconds, pedals, hands, fingers; and back to text."""

from __future__ import annotations

from simplify.harp.instrument import Setting
from simplify.harp.player import Player
from simplify.score.model import ALTER_SIGNS, Part
from simplify.technique.fingers import constant
from simplify.technique.hands import Learnt, keep_tables, plan_with_tables
from simplify.technique.levers import plan_levers
from simplify.technique.pedals import plan_pedals
from simplify.technique.plan import PedalPlan, Performance

_GRAIN = 5e-4
"""Half a millisecond, the grain of all costs in time."""


def perform(
    part: Part, player: Player, *, start: Setting | None = None, learnt: Learnt | None = None
) -> Performance:
    """Everything the player adds to the part: strings and pedals first, then hands on the strings.

    start: the pedal setting to begin with, if it is given (order of `instrument.PEDALS`). learnt:
    hands and fingers known from another version.

    Levers are turned by the left hand, so on a lever harp each plan needs the other: levers are
    planned for the hands of the staves first; where that leaves trouble, once more for the hands
    as fingered, and the plan with less trouble is taken.
    """
    pedal_plan = plan_pedals(part, player, start=start)
    performance = _with_hands(part, player, pedal_plan, learnt)
    trouble = 0 if player.harp.has_pedals else _lever_trouble(performance)
    if not trouble:
        return performance
    hands = performance.hand_plan.hands
    levers = plan_levers(part, player, start=start, hands=hands)
    again = _with_hands(part, player, levers, learnt)
    return again if _lever_trouble(again) < trouble else performance


def _with_hands(
    part: Part, player: Player, pedal_plan: PedalPlan, learnt: Learnt | None
) -> Performance:
    """The performance on these strings, the left hand kept from where it turns levers."""
    seconds, until = strike_seconds(part)
    turns = lever_turns(part, pedal_plan)
    hand_plan, tables, _ = plan_with_tables(
        part, player, seconds, pedal_plan.played, left_busy=turns, learnt=learnt
    )
    performance = Performance(part, player, seconds, until, hand_plan, pedal_plan)
    keep_tables(performance, tables)
    return performance


def _lever_trouble(performance: Performance) -> int:
    """Places unmet by the levers, and turns during which the left hand strikes."""
    hands, seconds = performance.hand_plan.hands, performance.seconds
    lefts = [at for at, hand in zip(seconds, hands, strict=True) if hand == "L"]
    turns = lever_turns(performance.part, performance.pedal_plan)
    clashes = sum(any(a - _GRAIN <= at <= b + _GRAIN for at in lefts) for a, b in turns)
    return len(performance.pedal_plan.unmet) + clashes


def strike_seconds(part: Part) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """When each strike sounds and when its written value ends, in seconds from tick 0.

    A grace note comes `grace_seconds` (finger_costs.toml) per grace note before its main note, but
    keeps after the onset before: where there is less room the grace notes share it evenly. Before
    the first onset of a part seconds are negative. A grace note ends at its main note's onset.
    """
    grace = constant("grace_seconds")
    strikes = part.strikes
    groups: dict[int, int] = {}
    for strike in strikes:
        groups[strike.onset] = max(groups.get(strike.onset, 0), strike.lead)
    before: dict[int, int] = {}
    last: int | None = None
    for onset in sorted(groups):
        if last is not None:
            before[onset] = last
        last = onset
    seconds, until = [], []
    for strike in strikes:
        main = part.seconds(strike.onset)
        if not strike.lead:
            seconds.append(main)
            until.append(part.seconds(strike.end))
            continue
        step = grace
        if strike.onset in before:
            room = main - part.seconds(before[strike.onset])
            step = min(step, room / (groups[strike.onset] + 1))
        seconds.append(main - strike.lead * step)
        until.append(main)
    return tuple(seconds), tuple(until)


def lever_turns(part: Part, plan: PedalPlan) -> tuple[tuple[float, float], ...]:
    """Stretches (begin, end) in seconds in which the left hand turns a lever.

    () for pedals; what is set by the first onset is set before the piece.
    """
    away = constant("lever_seconds")
    first = min((strike.onset for strike in part.strikes), default=0)
    ends = [
        part.seconds(move.onset)
        for move in plan.moves
        if move.string is not None and move.onset > first
    ]
    return tuple((end - away, end) for end in ends)


def format_plan(performance: Performance) -> str:
    """The plan as text, a line for each moment: bar, beat, left hand, right hand, pedals.

    A hand reads from low to high, finger before string as played (`4 C3 2 G3`); `|` opens a new
    placing, `~` is a rolled chord, finger `-` none (a sweep, or no finger free). A grace note's
    beat is its main note's. Pedals or levers moved at the moment stand last, as letter and sign
    (with the octave for a lever).
    """
    part, strikes = performance.part, performance.strikes
    moves: dict[int, list[str]] = {}
    for move in performance.pedal_plan.moves:
        octave = "" if move.string is None else str(move.string // 7)
        moves.setdefault(move.onset, []).append(f"{move.letter}{ALTER_SIGNS[move.after]}{octave}")
    cells: dict[float, dict[str, str]] = {}
    onsets: dict[float, int] = {}
    last: dict[str, int] = {}
    for hand, at, members in performance.chords:
        key, number = round(at, 6), performance.hand_plan.placings[members[0]]
        opening = "  " if last.get(hand) == number else "| "
        last[hand] = number
        cells.setdefault(key, {})[hand] = opening + _hand_text(performance, members)
        onsets[key] = strikes[members[0]].onset
    struck = set(onsets.values())
    for onset in moves:
        if onset not in struck:
            key = round(part.seconds(onset), 6)
            onsets[key] = onset
    rows = [("bar", "beat", "left", "right", "pedals")]
    for key in sorted(onsets):
        bar, beat = part.place(onsets[key])
        row = cells.get(key, {})
        moved = " ".join(moves.pop(onsets[key], []))
        rows.append((bar, f"{beat:g}", row.get("L", ""), row.get("R", ""), moved))
    widths = [max(len(row[i]) for row in rows) for i in range(5)]
    return "\n".join(
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    )


def _hand_text(performance: Performance, members: tuple[int, ...]) -> str:
    plan, played = performance.hand_plan, performance.pedal_plan.played
    seen: dict[str, str] = {}
    for i in members:
        seen.setdefault(played[i].name, f"{plan.fingers[i] or '-'} {played[i].name}")
    return ("~" if any(plan.rolled[i] for i in members) else "") + " ".join(seen.values())
