"""The leading line and the bass of a passage, read off the notes alone."""

from __future__ import annotations

from simplify.score.model import Passage, Strike


def melody(passage: Passage) -> tuple[Strike, ...]:
    """The leading line: the top line of the upper staff, in time order, grace notes left out.

    A strike leads if no higher one of the staff is struck with it or still written as sounding
    when it begins (skyline with durations). In bars whose upper staff is empty the lower staff is
    read instead. The result is kept on the part, by first and last bar.
    """
    kept: dict[tuple[int, int], tuple[Strike, ...]] = passage.part.__dict__.setdefault(
        "_melodies", {}
    )
    key = (passage.first, passage.last)
    if key not in kept:
        kept[key] = _skyline(passage)
    return kept[key]


def _skyline(passage: Passage) -> tuple[Strike, ...]:
    upper_bars = {n.bar for n in passage.notes if n.staff == 1 and not n.grace}
    pool = [
        s
        for s in passage.strikes
        if not s.lead and (s.first.staff == 1 or s.first.bar not in upper_bars)
    ]
    pool.sort(key=lambda s: (s.onset, -s.pitch.midi, s.first.id))
    line: list[Strike] = []
    sounding: list[Strike] = []
    for strike in pool:
        sounding = [s for s in sounding if s.end > strike.onset]
        if line and line[-1].onset == strike.onset:
            sounding.append(strike)
            continue
        if all(s.pitch.midi < strike.pitch.midi for s in sounding):
            line.append(strike)
        sounding.append(strike)
    return tuple(line)


def bass(passage: Passage, onset: int, end: int) -> Strike | None:
    """The lowest strike that begins in [onset, end), the earlier on a tie; None if none does."""
    inside = [s for s in passage.strikes if onset <= s.onset < end and not s.lead]
    return min(inside, key=lambda s: (s.pitch.midi, s.onset, s.first.id), default=None)
