"""Lines: what runs as one voice.

Lines are the written voices; where one voice holds notes that begin at different moments it is
parted by register (a simple form of contig mapping: Chew & Wu 2004, Separating Voices in Polyphonic
Music: A Contig Mapping Approach). A chord is one event of one line. A line is a matter of the
music: which hand takes an event stands beside it, but does not part lines.
"""

from __future__ import annotations

from dataclasses import dataclass

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


@dataclass(slots=True)
class _Open:
    """A line that is being built; middle: mean string of its last event."""

    events: list[tuple[int, int, int, str, float, int]]
    middle: float

    @property
    def end(self) -> int:
        return self.events[-1][1]


def lines(performance: Performance) -> tuple[Line, ...]:
    """The lines, upper staff first; grace notes left out. Kept on the performance, since three
    layers read them."""
    kept: tuple[Line, ...] | None = performance.__dict__.get("_lines")
    if kept is None:
        kept = performance.__dict__["_lines"] = _lines(performance)
    return kept


def _lines(performance: Performance) -> tuple[Line, ...]:
    strikes, strings = performance.strikes, performance.strings
    hands = performance.hand_plan.hands
    voices: dict[tuple[int, str], dict[int, list[int]]] = {}
    for i, strike in enumerate(strikes):
        if not strike.lead:
            key = (strike.first.staff, strike.first.voice)
            voices.setdefault(key, {}).setdefault(strike.onset, []).append(i)
    found: list[Line] = []
    for (staff, _), events in sorted(voices.items()):
        streams: list[_Open] = []
        for tick, members in sorted(events.items()):
            held = [strings[i] for i in members]
            end = max(strikes[i].end for i in members)
            outer = max(held) if staff == 1 else min(held)
            takers = {hands[i] for i in members}
            hand = takers.pop() if len(takers) == 1 else "B"
            head = members[0]
            event = (tick, end, outer, hand, performance.seconds[head], strikes[head].first.bar)
            middle = sum(held) / len(held)
            # A note may overlap its successor a little (legato in MIDI) and still be one line.
            free = [s for s in streams if s.end - tick <= (end - tick) // 4]
            if free:
                stream = min(free, key=lambda s: (abs(s.middle - middle), -s.events[-1][0]))
                stream.events.append(event)
                stream.middle = middle
            else:
                streams.append(_Open([event], middle))
        for stream in streams:
            ticks, ends, outers, takes, seconds, bars = zip(*stream.events, strict=True)
            found.append(Line(ticks, ends, outers, takes, seconds, bars))
    return tuple(found)
