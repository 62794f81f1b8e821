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
  hand in between it may be lifted, at a price of its own, if that is cheaper; after `hold_seconds`
  it is, and all its last chords become one. These are rules of the costs, not an approximation;
- a rolled chord lasts `roll_seconds` for every note after the first, upwards from the left hand to
  the right; the way to the next chord begins at its end.

State: (last chord of the left, last chord of the right). One of the two is always the latest
moment's, so the states after a moment are a few dense tables: the left hand struck alone (against
every place where the right may still be), the right alone, and each division between both. A
moment updates each table in two min-plus steps, left then right, since the ways of the two hands
add. Time is linear in moments; tables hold tens of states a side. The arithmetic is compiled
(`hand_kernel`).
"""

from __future__ import annotations

import bisect
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from simplify.harp.player import Player
from simplify.score.model import Part, Pitch, Strike
from simplify.technique import hand_kernel as kernel
from simplify.technique import hand_search
from simplify.technique.fingers import Fingers, HandModel, Strings, hand_model
from simplify.technique.hand_kernel import EPSILON
from simplify.technique.hand_search import HandPath
from simplify.technique.plan import HandPlan, Performance

BUSY_MARKS = ("trill", "tremolo", "tremolo-start")
"""Marks that keep a hand at its note for the note's whole written value."""


class Moment(NamedTuple):
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
    etouffe: tuple[bool, ...]
    rolled: tuple[bool, ...]
    trill: tuple[bool, ...]
    busy: tuple[float, ...]
    sweep: tuple[int, ...]
    asked: tuple[str, ...]
    upper: tuple[bool, ...]


@dataclass(frozen=True, slots=True)
class HandChord:
    """What one hand strikes at one moment, as planned.

    index: number of the moment; at: seconds; end: seconds when its last note is struck (later than
    `at` if the chord is rolled); strings low to high with their fingers (0: none);
    sweep: number of its glissando (0: none); busy: second until which it keeps the hand (0: not);
    strikes: indices, low to high (two on one string if voices meet).
    """

    index: int
    at: float
    end: float
    strings: Strings
    fingers: Fingers
    sweep: int
    busy: float
    strikes: tuple[int, ...]


class HandStep(NamedTuple):
    """One hand from chord to chord as planned.

    before, after: strike indices, low to high; seconds from the last note of the one to the other;
    kind: the way taken (module `fingers`; also 'sweep' along a glissando); travel in strings; need:
    seconds that would be comfortable, 0 where time is no matter.
    """

    hand: str
    before: tuple[int, ...]
    after: tuple[int, ...]
    seconds: float
    kind: str
    travel: float
    need: float


Learnt = Mapping[tuple[int, int, int], tuple[str, int]]
"""Hand and finger by `learnt_key`."""


def learnt_key(strike: Strike) -> tuple[int, int, int]:
    """What a strike is recognised by in another version of a part."""
    return strike.onset, strike.lead, strike.pitch.midi


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
    return plan_with_tables(part, player, seconds, played, left_busy=left_busy)[0]


def plan_with_tables(
    part: Part,
    player: Player,
    seconds: Sequence[float],
    played: Sequence[Pitch],
    *,
    left_busy: Sequence[tuple[float, float]] = (),
    learnt: Learnt | None = None,
) -> tuple[HandPlan, HandTables, HandPath]:
    """As `plan_hands`, with the chords and steps of each hand, and the path of the search. learnt:
    hand and finger that strikes are known with, kept unless something else forbids it."""
    model = hand_model(player.limits, player.harp)
    moments = moments_of(part, player, seconds, played)
    away = [
        any(a - EPSILON <= moment.at <= b + EPSILON for a, b in left_busy) for moment in moments
    ]
    known = [0] * len(part.strikes)
    for i, strike in enumerate(part.strikes):
        hand, finger = learnt.get(learnt_key(strike), ("", 0)) if learnt else ("", 0)
        known[i] = finger + 4 * (hand == "R") if finger else 0
    onsets = [part.strikes[moment.members[0][0]].onset for moment in moments]
    hands, fingers, path = hand_search.plan(
        model.rules, flat_moments(moments, away, known),
        [bisect.bisect_left(onsets, bar.onset) for bar in part.bars],
    )
    plan, tables = _plan(
        part.strikes, model, moments, hands.tolist(), fingers.tolist(), path.cost
    )
    return plan, tables, path


HandTables = dict[str, tuple[tuple[HandChord, ...], tuple[HandStep, ...]]]
"""Chords and steps of the left ('L') and the right ('R') hand, in time order."""


def flat_moments(
    moments: Sequence[Moment], away: Sequence[bool], known: Sequence[int]
) -> kernel.Moments:
    """The moments as the compiled code takes them."""
    first = np.zeros(len(moments) + 1, dtype=np.int64)
    np.cumsum([len(m.strings) for m in moments], out=first[1:])

    def row(name: str, kind: type) -> NDArray[Any]:
        values = [value for moment in moments for value in getattr(moment, name)]
        return np.array(values, dtype=kind)

    asked = [" LR".index(hand or " ") for moment in moments for hand in moment.asked]
    return kernel.Moments(
        np.array([m.at for m in moments], dtype=np.float64), np.array(away, dtype=np.int64), first,
        row("strings", np.int64), row("left", np.float64), row("right", np.float64),
        row("harmonic", np.int64), row("etouffe", np.int64), row("rolled", np.int64),
        row("trill", np.int64), row("busy", np.float64),
        row("sweep", np.int64), np.array(asked, dtype=np.int64), row("upper", np.int64),
        np.array([known[g[0]] for m in moments for g in m.members], dtype=np.int64),
    )


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
        harmonic, etouffe, rolled, trill, busy, sweep = [], [], [], [], [], []
        for group in members:
            head = strikes[group[0]].first
            if len(group) == 1 and not head.marks and group[0] not in sweeps:
                upper_staff, ask = head.staff == 1, head.hand
                asked.append(ask)
                upper.append(upper_staff)
                if ask:
                    left.append(model.asked if ask == "R" else 0.0)
                    right.append(model.asked if ask == "L" else 0.0)
                else:
                    left.append(player.limits.staff_cost if upper_staff else 0.0)
                    right.append(0.0 if upper_staff else player.limits.staff_cost)
                harmonic.append(False)
                etouffe.append(False)
                rolled.append(False)
                trill.append(False)
                busy.append(0.0)
                sweep.append(0)
                continue
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
            etouffe.append("etouffe" in kinds)
            rolled.append("arpeggio" in kinds)
            trill.append("trill" in kinds)
            until = [tails[i] for i in marked if i in tails]
            swept = [sweeps[i] for i in group if i in sweeps]
            busy.append(max([*until, *(end for _, end in swept)], default=0.0))
            sweep.append(max((number for number, _ in swept), default=0))
        found.append(
            Moment(
                at, strings, members, tuple(left), tuple(right), tuple(harmonic), tuple(etouffe),
                tuple(rolled), tuple(trill), tuple(busy), tuple(sweep), tuple(asked), tuple(upper),
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


def _plan(
    strikes: tuple[Strike, ...], model: HandModel, moments: tuple[Moment, ...],
    taken: list[int], given: list[int], cost: float,
) -> tuple[HandPlan, HandTables]:
    """The plan per strike: hands, fingers, placings and rolls of the chosen states; and by hand."""
    hands, fingers = [""] * len(strikes), [0] * len(strikes)
    placings, rolled = [0] * len(strikes), [False] * len(strikes)
    place = 0
    for moment in moments:
        for group in moment.members:
            for i in group:
                hands[i], fingers[i] = "LR"[taken[place]], given[place]
            place += 1
    tables: HandTables = {}
    for hand in "LR":
        chords = chords_of(model, moments, hands, fingers, hand)
        steps = _walk(model, hand, chords)
        tables[hand] = tuple(chords), tuple(steps)
        for chord in chords:
            wide = len(chord.strings) > 1 and too_wide(model, chord)
            for i in chord.strikes:
                rolled[i] = wide or strikes[i].first.has("arpeggio")
        number = 0
        for chord, step in zip(chords[1:], steps, strict=True):
            number += step.kind not in ("go on", "sweep")
            for i in chord.strikes:
                placings[i] = number
    plan = HandPlan(tuple(hands), tuple(fingers), tuple(placings), tuple(rolled), cost)
    return plan, tables


def too_wide(model: HandModel, chord: HandChord) -> bool:
    """Whether two fingers lie further apart than the player reaches."""
    used = [(s, f) for s, f in zip(chord.strings, chord.fingers, strict=True) if f]
    return any(
        t - s > model.limits.pair_reach(g, f) for (s, f), (t, g) in combinations(used, 2)
    )


def _walk(model: HandModel, hand: str, chords: list[HandChord]) -> list[HandStep]:
    """The ways of one hand from each of its chords to the next."""
    kinds, travels, needs, _ = walk_from(model, chords, 0)
    return [
        HandStep(hand, a.strikes, b.strikes, b.at - a.end, kernel.KINDS[kind], travel, need)
        for (a, b), kind, travel, need in zip(
            pairwise(chords), kinds.tolist(), travels.tolist(), needs.tolist(), strict=True
        )
    ]


def walk_from(
    model: HandModel, chords: Sequence[HandChord], run: int
) -> tuple[kernel.Ints, kernel.Floats, kernel.Floats, kernel.Ints]:
    """`hand_kernel.walk` over chords of one hand that come with this run."""
    first = np.zeros(len(chords) + 1, dtype=np.int64)
    np.cumsum([len(c.strings) for c in chords], out=first[1:])

    def row(values: Iterable[int]) -> kernel.Ints:
        return np.array(list(values), dtype=np.int64)

    ways: tuple[kernel.Ints, kernel.Floats, kernel.Floats, kernel.Ints] = kernel.walk(
        model.rules, np.array([c.at for c in chords], dtype=np.float64),
        np.array([c.end for c in chords], dtype=np.float64), row(c.index for c in chords), first,
        row(s for c in chords for s in c.strings), row(f for c in chords for f in c.fingers),
        row(c.sweep for c in chords), np.array([c.busy for c in chords], dtype=np.float64), run,
    )
    return ways


def hand_steps(performance: Performance, hand: str) -> tuple[HandStep, ...]:
    """Every way of the left ('L') or right ('R') hand from chord to chord, in time order."""
    return _planned(performance)[hand][1]


def hand_chords(performance: Performance, hand: str) -> tuple[HandChord, ...]:
    """Everything that the left ('L') or right ('R') hand strikes, in time order."""
    return _planned(performance)[hand][0]


def keep_tables(performance: Performance, tables: HandTables) -> None:
    """Remembers the tables that came with a performance's hand plan on it (it is not slotted so
    that tables can be kept on it)."""
    vars(performance)["hand_tables"] = tables


def _planned(performance: Performance) -> HandTables:
    """Chords and steps of each hand."""
    memory = vars(performance)
    if "hand_tables" not in memory:
        model = hand_model(performance.player.limits, performance.player.harp)
        moments = moments_of(
            performance.part, performance.player, performance.seconds,
            performance.pedal_plan.played,
        )
        table: HandTables = {}
        plan = performance.hand_plan
        for hand in "LR":
            chords = chords_of(model, moments, plan.hands, plan.fingers, hand)
            table[hand] = tuple(chords), tuple(_walk(model, hand, chords))
        keep_tables(performance, table)
    planned: HandTables = memory["hand_tables"]
    return planned


def chords_of(
    model: HandModel, moments: tuple[Moment, ...], hands: Sequence[str], fingers: Sequence[int],
    hand: str,
) -> list[HandChord]:
    """What one hand strikes, in time order."""
    chords = []
    for index, moment in enumerate(moments):
        own = [p for p, m in enumerate(moment.members) if hands[m[0]] == hand]
        if own:
            struck = range(len(moment.members)) if hand == "R" else own
            rolled = sum(moment.rolled[p] for p in struck)
            chords.append(
                HandChord(
                    index,
                    moment.at,
                    moment.at + model.limits.roll_seconds * max(0, rolled - 1),
                    tuple([moment.strings[p] for p in own]),
                    tuple([fingers[moment.members[p][0]] for p in own]),
                    max([moment.sweep[p] for p in own]),
                    max([moment.busy[p] for p in own]),
                    tuple([i for p in own for i in moment.members[p]]),
                )
            )
    return chords
