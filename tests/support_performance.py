"""Performances built by hand: hands by staff, plain fingers, moves as the accidentals come.

A deterministic stand-in for `perform` where a test needs one hand plan and one pedal plan to stay
the same while the music changes around them.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from hypothesis import strategies as st

from simplify.harp.instrument import PEDALS, foot, key_setting
from simplify.harp.player import Player, tier_player
from simplify.score.harmony import harmonies
from simplify.score.model import TICKS, Bar, Note, Part, Passage, Pitch, TempoMark, new_note
from simplify.score.text import parse_part
from simplify.technique.perform import strike_seconds
from simplify.technique.plan import HandPlan, PedalMove, PedalPlan, Performance


def by_hand(music: str | Part, tier: str | Player = "professional") -> Performance:
    """A performance: upper staff right, lower staff left; a placing goes on while the strings go
    one way and number at most four; each pedal moves with the first note that needs it."""
    part = parse_part(music) if isinstance(music, str) else music
    player = tier_player(tier) if isinstance(tier, str) else tier
    seconds, until = strike_seconds(part)
    strikes = part.strikes
    hands = tuple("R" if s.first.staff == 1 else "L" for s in strikes)
    placings = [0] * len(strikes)
    fingers = [0] * len(strikes)
    for hand in "RL":
        moments: dict[float, list[int]] = {}
        for i, at in enumerate(seconds):
            if hands[i] == hand:
                moments.setdefault(at, []).append(i)
        number, count, direction = 0, 0, 0
        back: list[int] = []
        for at in sorted(moments):
            members = sorted(moments[at], key=lambda i: strikes[i].pitch.string)
            low, high = (strikes[i].pitch.string for i in (members[0], members[-1]))
            way = 0
            if back:
                was = [strikes[i].pitch.string for i in back]
                way = 1 if low > max(was) else -1 if high < min(was) else 0
                goes_on = way != 0 and direction in (0, way) and count + len(members) <= 4
                if goes_on:
                    direction, count = way, count + len(members)
                else:
                    number, count, direction = number + 1, len(members), 0
            else:
                count = len(members)
            for finger, i in enumerate(reversed(members), start=1):
                placings[i], fingers[i] = number, min(finger, 4)
            back = members
    start = key_setting(part.bars[0].fifths)
    now = dict(zip(PEDALS, start, strict=True))
    moves = []
    for strike in sorted(strikes, key=lambda s: s.onset):
        letter, alter = strike.pitch.step, strike.pitch.alter
        if now[letter] != alter:
            moves.append(PedalMove(strike.onset, letter, now[letter], alter, foot(letter)))
            now[letter] = alter
    return Performance(
        part, player, seconds, until,
        HandPlan(hands, tuple(fingers), tuple(placings), (False,) * len(strikes), 0.0),
        PedalPlan(start, tuple(moves), tuple(s.pitch for s in strikes), 0.0, (), ()),
    )


def faster(performance: Performance, factor: float) -> Performance:
    """The same hands and pedals at a faster tempo."""
    part = performance.part
    tempo = tuple(TempoMark(t.onset, t.quarters * factor) for t in part.tempo)
    part = replace(part, tempo=tempo)
    seconds, until = strike_seconds(part)
    return replace(performance, part=part, seconds=seconds, until=until)


def without(performance: Performance, index: int) -> Performance:
    """The same plan for everything but one strike, whose notes are taken out."""
    part = performance.part
    gone = set(performance.strikes[index].notes)
    part = replace(part, notes=tuple(n for n in part.notes if n.id not in gone))
    plan = performance.hand_plan

    def cut(row: tuple[Any, ...]) -> tuple[Any, ...]:
        return row[:index] + row[index + 1 :]

    hand_plan = replace(
        plan, hands=cut(plan.hands), fingers=cut(plan.fingers), placings=cut(plan.placings),
        rolled=cut(plan.rolled),
    )
    pedal_plan = replace(performance.pedal_plan, played=cut(performance.pedal_plan.played))
    return Performance(
        part, performance.player, cut(performance.seconds), cut(performance.until),
        hand_plan, pedal_plan,
    )


def with_move(performance: Performance, move: PedalMove) -> Performance:
    """The same with one pedal move more."""
    moves = sorted([*performance.pedal_plan.moves, move], key=lambda m: (m.onset, m.letter))
    return replace(
        performance, pedal_plan=replace(performance.pedal_plan, moves=tuple(moves))
    )


def shifted(part: Part) -> Part:
    """The part after one empty bar of the same metre."""
    first = part.bars[0]
    length = first.metre_ticks
    bars = (
        Bar(0, "E", first.onset, length, first.beats, first.beat_type, first.fifths),
        *(replace(b, index=b.index + 1, onset=b.onset + length) for b in part.bars),
    )
    notes = tuple(replace(n, bar=n.bar + 1, onset=n.onset + length) for n in part.notes)
    tempo = (part.tempo[0], *(replace(t, onset=t.onset + length) for t in part.tempo[1:]))
    return replace(part, bars=bars, notes=notes, tempo=tempo)


def followed_by(part: Part, other: Part) -> Part:
    """One part after another (same metre, one steady tempo)."""
    end, count = part.end, len(part.bars)
    shift = end - other.bars[0].onset
    bars = part.bars + tuple(
        replace(b, index=b.index + count, onset=b.onset + shift) for b in other.bars
    )
    most = max((n.id for n in part.notes), default=-1) + 1
    notes = part.notes + tuple(
        replace(n, id=n.id + most, bar=n.bar + count, onset=n.onset + shift)
        for n in other.notes
    )
    return replace(
        part, bars=bars, notes=tuple(sorted(notes, key=lambda n: n.order_key))
    )


def respelled(part: Part) -> Part:
    """Every note that has another string for its sound, spelled so."""
    notes = []
    for note in part.notes:
        others = note.pitch.spellings()[1:]
        notes.append(replace(note, pitch=others[0]) if others else note)
    return replace(part, notes=tuple(sorted(notes, key=lambda n: n.order_key)))


@st.composite
def harp_parts(draw: st.DrawFn, bars: int = 2) -> Part:
    """Two staves in 4/4: a few lengths, single notes and chords, within the harp's middle."""
    fifths = draw(st.integers(-3, 3))
    tempo = draw(st.sampled_from([60, 84, 108]))
    notes: list[Note] = []
    made: list[Bar] = []
    setting = dict(zip(PEDALS, key_setting(fifths), strict=True))
    for index in range(bars):
        bar = Bar(index, str(index + 1), index * 4 * TICKS, 4 * TICKS, 4, 4, fifths)
        made.append(bar)
        for staff, lowest in ((1, 28), (2, 14)):
            cursor = bar.onset
            while cursor < bar.end:
                length = draw(st.sampled_from([TICKS // 4, TICKS // 2, TICKS, 2 * TICKS]))
                length = min(length, bar.end - cursor)
                size = draw(st.sampled_from([0, 1, 1, 1, 2, 3]))
                first = draw(st.integers(lowest, lowest + 9))
                for k in range(size):
                    string = first + 2 * k
                    letter = "CDEFGAB"[string % 7]
                    alter = setting[letter]
                    if draw(st.integers(0, 9)) == 0:
                        alter = max(-1, min(1, alter + draw(st.sampled_from([-1, 1]))))
                    notes.append(
                        new_note(
                            cursor, length, Pitch.on_string(string, alter), index, staff=staff,
                            voice=str(4 * staff - 3),
                        )
                    )
                cursor += length
    notes.sort(key=lambda n: n.order_key)
    numbered = tuple(replace(n, id=i) for i, n in enumerate(notes))
    return Part("P1", "Harp", tuple(made), numbered, (TempoMark(0, float(tempo)),))


def same_harmony_until(one: Part, other: Part) -> float:
    """Seconds up to which two parts that begin alike are heard in the same harmonies."""
    both = [harmonies(Passage(part, 0, len(part.bars) - 1)) for part in (one, other)]
    for a, b in zip(*both, strict=False):
        if (a.onset, a.classes, a.kind) != (b.onset, b.classes, b.kind):
            return one.seconds(min(a.onset, b.onset))
        if a.end != b.end:
            return one.seconds(min(a.end, b.end))
    return one.seconds(min(one.end, other.end))
