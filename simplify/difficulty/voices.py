"""Lines: what runs as one voice.

Lines are the written voices; where one voice holds notes that begin at different moments it is
parted by contig mapping (`contigs`). A chord is one event of one line. A line is a matter of the
music: which hand takes an event stands beside it, but does not part lines.
"""

from __future__ import annotations

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


def _voices(performance: Performance) -> Voices:
    strikes, strings = performance.strikes, performance.strings
    hands = performance.hand_plan.hands
    rows: dict[tuple[int, str], dict[int, list[int]]] = {}
    for i, strike in enumerate(strikes):
        if not strike.lead:
            key = (strike.first.staff, strike.first.voice)
            rows.setdefault(key, {}).setdefault(strike.onset, []).append(i)
    found: Voices = {}
    for (staff, voice), at_tick in sorted(rows.items()):
        events = []
        sounds: list[Sound] = []
        ticks = sorted(at_tick)
        for k, tick in enumerate(ticks):
            members = at_tick[tick]
            held = [strings[i] for i in members]
            end = max(strikes[i].end for i in members)
            outer = max(held) if staff == 1 else min(held)
            takers = {hands[i] for i in members}
            hand = takers.pop() if len(takers) == 1 else "B"
            head = members[0]
            events.append(
                (tick, end, outer, hand, performance.seconds[head], strikes[head].first.bar)
            )
            # A note may overlap its successor a little (legato in MIDI) and still be one line.
            after = ticks[k + 1] if k + 1 < len(ticks) else end
            over = 0 < end - after <= (end - tick) // 4
            sounds.append((tick, after if over else end, sum(held) // len(held)))
        parted: dict[int, list[int]] = {}
        for k, number in enumerate(separate(sounds)):
            parted.setdefault(number, []).append(k)
        # In order of pitch: the order must not hang on how the piece begins.
        found[staff, voice] = tuple([
            Line(*zip(*(events[k] for k in row), strict=True)) for _, row in sorted(parted.items())
        ])
    return found
