"""Lines: what runs as one voice.

Lines are the written voices; where one voice holds notes that begin at different moments it is
parted by contig mapping (`contigs`). A chord is one event of one line. A line is a matter of the
music: which hand takes an event stands beside it, but does not part lines.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

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


def voices_again(
    known: Voices, performance: Performance, first: int, last: int, low: int, high: int
) -> Voices:
    """The lines of a changed performance. known: those of before; strikes from number `first` to
    `last` - 1 begin in ticks low to high, outside of which nothing has changed.

    A voice that never holds one note against another is one line, which is mended; others are
    parted again as a whole where they have changed.
    """
    rows: dict[tuple[int, str], dict[int, list[int]]] = {}
    for i in range(first, last):
        strike = performance.strikes[i]
        if not strike.lead and low <= strike.onset <= high:
            key = (strike.first.staff, strike.first.voice)
            rows.setdefault(key, {}).setdefault(strike.onset, []).append(i)
    found = dict(known)
    whole: dict[tuple[int, str], dict[int, list[int]]] | None = None
    for key in sorted(known.keys() | rows.keys()):
        at_tick = rows.get(key, {})
        events = [_event(performance, key[0], tick, at_tick[tick]) for tick in sorted(at_tick)]
        lines_now = known.get(key, ())
        before = sorted(
            event for line in lines_now
            for event in _rows(line, bisect_left(line.ticks, low), bisect_right(line.ticks, high))
        )
        if events == before:
            continue
        mended = _mended(lines_now[0], events, low, high) if len(lines_now) == 1 else None
        if mended is not None:
            found[key] = (mended,)
            continue
        if whole is None:
            whole = _struck(performance)
        if key in whole:
            found[key] = _parted(performance, key[0], whole[key])
        else:
            del found[key]
    return dict(sorted(found.items()))


def _rows(line: Line, first: int, last: int) -> Iterator[_Event]:
    span = slice(first, last)
    return zip(
        line.ticks[span], line.ends[span], line.strings[span], line.hands[span],
        line.seconds[span], line.bars[span], strict=True,
    )


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


_Event = tuple[int, int, int, str, float, int]


def _event(performance: Performance, staff: int, tick: int, members: Sequence[int]) -> _Event:
    """A line's event: tick, end, string, hand, seconds, bar."""
    strikes, strings = performance.strikes, performance.strings
    held = [strings[i] for i in members]
    takers = {performance.hand_plan.hands[i] for i in members}
    hand = takers.pop() if len(takers) == 1 else "B"
    return (
        tick, max(strikes[i].end for i in members), max(held) if staff == 1 else min(held), hand,
        performance.seconds[members[0]], strikes[members[0]].first.bar,
    )


def _struck(performance: Performance) -> dict[tuple[int, str], dict[int, list[int]]]:
    """Strikes by staff and written voice and by tick."""
    rows: dict[tuple[int, str], dict[int, list[int]]] = {}
    for i, strike in enumerate(performance.strikes):
        if not strike.lead:
            key = (strike.first.staff, strike.first.voice)
            rows.setdefault(key, {}).setdefault(strike.onset, []).append(i)
    return rows


def _voices(performance: Performance) -> Voices:
    return {
        key: _parted(performance, key[0], at_tick)
        for key, at_tick in sorted(_struck(performance).items())
    }


def _parted(
    performance: Performance, staff: int, at_tick: dict[int, list[int]]
) -> tuple[Line, ...]:
    """The lines of one written voice."""
    strings = performance.strings
    ticks = sorted(at_tick)
    events = [_event(performance, staff, tick, at_tick[tick]) for tick in ticks]
    sounds: list[Sound] = []
    for k, (tick, end, *_) in enumerate(events):
        held = [strings[i] for i in at_tick[tick]]
        after = ticks[k + 1] if k + 1 < len(ticks) else end
        sounds.append((tick, _until(tick, end, after), sum(held) // len(held)))
    parted: dict[int, list[int]] = {}
    for k, number in enumerate(separate(sounds)):
        parted.setdefault(number, []).append(k)
    # In order of pitch: the order must not hang on how the piece begins.
    return tuple([
        Line(*zip(*(events[k] for k in row), strict=True)) for _, row in sorted(parted.items())
    ])
