"""Lines: what runs as one voice.

Lines are the written voices; where one voice holds notes that begin at different moments it is
parted by contig mapping (`contigs`). A chord is one event of one line. A line is a matter of the
music: which hand takes an event stands beside it, but does not part lines.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

from simplify.difficulty.contigs import Sound, separate
from simplify.technique.plan import Performance


@dataclass(frozen=True, slots=True)
class Line:
    """One line. Aligned tuples, in time order: ticks (onsets), ends (ticks), strings (the outer
    one: upper on the upper staff, lower on the lower), hands ('R', 'L', or 'B' where both take part
    of the event), seconds, bars (indices)."""

    ticks: tuple[int, ...]
    ends: tuple[int, ...]
    strings: tuple[int, ...]
    hands: tuple[str, ...]
    seconds: tuple[float, ...]
    bars: tuple[int, ...]


Voices = dict[tuple[int, str], tuple[Line, ...]]
"""Lines by staff and written voice."""

_Event = tuple[int, int, int, str, float, int]
"""A line's event: tick, end, string, hand, seconds, bar."""

_Struck = tuple[tuple[_Event, ...], tuple[int, ...]]
"""Of one written voice the events in time order, whichever line each is in, and the mean string of
each."""


def lines(performance: Performance) -> tuple[Line, ...]:
    """The lines, upper staff first; grace notes left out."""
    return tuple(line for row in voices(performance).values() for line in row)


def voices(performance: Performance) -> Voices:
    """The lines of each staff and written voice, in order. Kept on the performance, since three
    layers read them."""
    kept: Voices | None = performance.__dict__.get("_voices")
    if kept is None:
        kept = _voices(performance)
        keep_voices(performance, kept)
    return kept


def keep_voices(performance: Performance, known: Voices) -> None:
    """Remembers the lines of a performance on it."""
    performance.__dict__["_voices"] = known


def carry_voices(
    old: Performance, new: Performance, first: int, last: int, low: int, high: int
) -> None:
    """Remembers the lines of a changed performance on it, those of `old` where they are the same.
    The new one's strikes from number `first` to `last` - 1 begin in ticks low to high, outside of
    which nothing has changed.

    A voice that never holds one note against another is one line, which is mended; others are
    parted again as a whole where they have changed.
    """
    known, struck = voices(old), _struck(old)
    fresh = _events_by_voice(new, range(first, last), low, high)
    found, events = dict(known), dict(struck)
    for key in sorted(known.keys() | fresh.keys()):
        here = fresh.get(key, ((), ()))
        before = struck.get(key, ((), ()))
        begin, end = _span(before, low, high)
        if here == (before[0][begin:end], before[1][begin:end]):
            continue
        own = events[key] = (
            (*before[0][:begin], *here[0], *before[0][end:]),
            (*before[1][:begin], *here[1], *before[1][end:]),
        )
        lines_now = known.get(key, ())
        mended = _mended(lines_now[0], here[0], low, high) if len(lines_now) == 1 else None
        if mended is not None:
            found[key] = (mended,)
        elif own[0]:
            found[key] = _parted(own)
        else:
            del found[key], events[key]
    keep_voices(new, dict(sorted(found.items())))
    new.__dict__["_struck"] = events


def _span(struck: _Struck, low: int, high: int) -> tuple[int, int]:
    """The places of the events in ticks low to high, from the first to behind the last."""
    ticks = [event[0] for event in struck[0]]
    return bisect_left(ticks, low), bisect_right(ticks, high)


def _mended(line: Line, events: Sequence[_Event], low: int, high: int) -> Line | None:
    """A line with its events in ticks low to high replaced; None if it is not surely one line."""
    begin, end = bisect_left(line.ticks, low), bisect_right(line.ticks, high)
    count = begin + len(events) + len(line.ticks) - end
    if not count:
        return None
    columns = list(zip(*events, strict=True)) or [()] * 6
    mended = Line(*(
        (*getattr(line, name)[:begin], *column, *getattr(line, name)[end:])
        for name, column in zip(Line.__slots__, columns, strict=True)
    ))
    here = range(max(0, begin - 1), min(count - 1, begin + len(events) + 1))
    if not all(_apart(line.ticks, line.ends, k) for k in range(len(line.ticks) - 1)):
        return None
    return mended if all(_apart(mended.ticks, mended.ends, k) for k in here) else None


def _apart(ticks: Sequence[int], ends: Sequence[int], k: int) -> bool:
    """Whether an event is over, or as good as over, when the next one begins."""
    return _until(ticks[k], ends[k], ticks[k + 1]) <= ticks[k + 1]


def _until(tick: int, end: int, after: int) -> int:
    """When an event ends for parting lines: a note may overlap its successor a little (legato in
    MIDI) and still be one line."""
    return after if 0 < end - after <= (end - tick) // 4 else end


def _struck(performance: Performance) -> dict[tuple[int, str], _Struck]:
    """What is struck, by staff and written voice. Kept on the performance."""
    kept: dict[tuple[int, str], _Struck] | None = performance.__dict__.get("_struck")
    if kept is None:
        every = range(len(performance.strikes))
        kept = performance.__dict__["_struck"] = _events_by_voice(performance, every)
    return kept


def _events_by_voice(
    performance: Performance, numbers: range, low: float = -inf, high: float = inf
) -> dict[tuple[int, str], _Struck]:
    """What some strikes are, as far as they begin in ticks low to high, by staff and written
    voice."""
    rows: dict[tuple[int, str], dict[int, list[int]]] = {}
    for i in numbers:
        strike = performance.strikes[i]
        if not strike.lead and low <= strike.onset <= high:
            key = (strike.first.staff, strike.first.voice)
            rows.setdefault(key, {}).setdefault(strike.onset, []).append(i)
    found, played = {}, performance.pedal_plan.played
    for key, at_tick in rows.items():
        ticks = sorted(at_tick)
        held = [[played[i].string for i in at_tick[tick]] for tick in ticks]
        found[key] = (
            tuple([_event(performance, key[0], tick, at_tick[tick]) for tick in ticks]),
            tuple([sum(strings) // len(strings) for strings in held]),
        )
    return found


def _event(performance: Performance, staff: int, tick: int, members: Sequence[int]) -> _Event:
    strikes, played = performance.strikes, performance.pedal_plan.played
    held = [played[i].string for i in members]
    takers = {performance.hand_plan.hands[i] for i in members}
    hand = takers.pop() if len(takers) == 1 else "B"
    return (
        tick, max(strikes[i].end for i in members), max(held) if staff == 1 else min(held), hand,
        performance.seconds[members[0]], strikes[members[0]].first.bar,
    )


def _voices(performance: Performance) -> Voices:
    return {key: _parted(own) for key, own in sorted(_struck(performance).items())}


def _parted(struck: _Struck) -> tuple[Line, ...]:
    """The lines of one written voice."""
    events, strings = struck
    sounds: list[Sound] = []
    for k, (tick, end, *_) in enumerate(events):
        after = events[k + 1][0] if k + 1 < len(events) else end
        sounds.append((tick, _until(tick, end, after), strings[k]))
    parted: dict[int, list[int]] = {}
    for k, number in enumerate(separate(sounds)):
        parted.setdefault(number, []).append(k)
    # In order of pitch: the order must not hang on how the piece begins.
    return tuple([
        Line(*zip(*(events[k] for k in row), strict=True)) for _, row in sorted(parted.items())
    ])
