"""The harmonies of a changed part, the same as read from the beginning, at the price of the change.

Scores of segments are exact sums (`harmony.GRAINS`), so behind the change the scores of all cuts
are after a while those of before plus a constant; from there on every segment ends as it did. Read
back from there, the segments are new until one begins where one did before the change.
"""

from __future__ import annotations

import bisect
from collections.abc import Sequence
from dataclasses import replace
from itertools import accumulate, pairwise

from simplify.score.harmony import (
    Cutting,
    Harmony,
    Heard,
    after_silence,
    alike,
    change_costs,
    cuts_of,
    joined,
    scored,
    segment,
    slices,
    sounding,
    table,
)
from simplify.score.model import Note, Part

WINDOW = 4
"""Bars on either side of a change that are cut anew at first."""


def cut_again(was: Cutting, part: Part, first: int, last: int) -> Cutting | None:
    """The cutting of all bars of a part of which only bars first to last are others than before;
    None where that can't be told in part."""
    bars = WINDOW
    while True:
        low, high = max(0, first - bars), min(len(part.bars) - 1, last + bars)
        found = _again(was, part, first, last, low, high)
        if found is not None or (low == 0 and high == len(part.bars) - 1):
            return found
        bars *= 2


def _again(
    was: Cutting, part: Part, first: int, last: int, low: int, high: int
) -> Cutting | None:
    """`cut_again` with the bars from `low` to `high` cut anew."""
    chords, weights = table()
    rows, bars = part.notes_by_bar, part.bars
    sounds = list(was.sounds)
    for bar in range(first, last + 1):
        sounds[bar] = max([n.end for n in rows[bar] if sounding(n)], default=0)
    onsets = {n.onset for row in rows[low : high + 1] for n in row if sounding(n)}
    # Numbers of cuts: `at` of the first here, `after` of the first behind in the old, which has
    # `more` fewer before it than the new.
    at = bisect.bisect_left(was.cuts, bars[low].onset)
    after = bisect.bisect_left(was.cuts, bars[high].end)
    if not onsets or (low and not at) or min(onsets) < bars[low].onset:
        return None
    cuts = cuts_of(onsets, bars)
    more = at + len(cuts) - after
    edge = was.cuts[after] if after < len(was.cuts) else part.end
    notes = _heard(part, sounds, cuts[0], high)
    profile, lowest, beats = slices(notes, [*cuts, edge], bars, weights)
    # Scores up to the last cut before the changed bars are as they were.
    same = bisect.bisect_left(cuts, bars[first].onset) if at else 0
    reach = weights["longest_beats"] + 1.0
    if at and (not same or beats[same - 1] - beats[0] < reach):
        return None
    fresh = after_silence(notes, cuts, bars, weights)
    fresh[:same] = was.fresh[at : at + same]
    change = change_costs(cuts, bars, weights)
    count = len(cuts)
    best = [*was.best[at : at + same], *([-1e18] * (count + 1 - same))]
    back = [*was.back[at : at + same], *([0] * (count + 1 - same))]
    label = [*was.label[at : at + same], *([0] * (count + 1 - same))]
    if not at:
        best[0] = 0.0
    for start, end, name, score in scored(profile, lowest, beats, fresh, chords, weights):
        value = best[start] + score - (change[start] if start or at else 0.0)
        if end >= same and value > best[end]:
            best[end], back[end], label[end] = value, start + at, name
    changed_until = max(bars[last].end, *sounds[first : last + 1], *was.sounds[first : last + 1])
    steady = bisect.bisect_left(cuts, changed_until)
    old = was.best[at + steady - more : after + 1]
    join = _joint(best[steady:], old, beats[steady:], reach)
    if join is not None:
        join += steady
    elif after < len(was.cuts):
        return None
    else:
        join = count
    rest = at + join - more + 1
    shift = best[join] - was.best[rest - 1]
    whole = Cutting(
        (*was.cuts[:at], *cuts, *was.cuts[after:]), (*was.fresh[:at], *fresh, *was.fresh[after:]),
        (*was.best[:at], *best[: join + 1], *[value + shift for value in was.best[rest:]]),
        (*was.back[:at], *back[: join + 1], *[value + more for value in was.back[rest:]]),
        (*was.label[:at], *label[: join + 1], *was.label[rest:]), (), (), (), tuple(sounds),
    )
    return _read(was, whole, part, at + same, at + join, more)


def _joint(
    new: Sequence[float], old: Sequence[float], beats: Sequence[float], reach: float
) -> int | None:
    """The first place up to which, for the length of a segment, scores differ by one amount."""
    since = 0
    for k in range(len(old)):
        if new[k] - old[k] != new[since] - old[since]:
            since = k
        elif beats[k] - beats[since] >= reach:
            return k
    return None


def _heard(part: Part, sounds: Sequence[int], tick: int, last: int) -> list[Note]:
    """What sounds from a tick to the end of bar `last`, the notes before cut off there."""
    bar = part.bar_at(tick).index
    until = list(accumulate(sounds[:bar], max))
    while bar and until[bar - 1] > tick:
        bar -= 1
    return [
        n if n.onset >= tick else replace(n, onset=tick, duration=n.end - tick)
        for row in part.notes_by_bar[bar : last + 1] for n in row
        if sounding(n) and n.end > tick
    ]


def _read(
    was: Cutting, whole: Cutting, part: Part, settled: int, join: int, more: int
) -> Cutting:
    """The cutting with its segments: those that end up to a cut before `settled`, and after cut
    `join`, are as they were."""
    known = bisect.bisect_left(was.ends, join - more)
    later = [end + more for end in was.ends[known:]]
    nodes = [later[0] if later else len(whole.cuts)]
    while True:
        start = whole.back[nodes[-1]]
        at = bisect.bisect_left(was.ends, start)
        if not start or (start < settled and at < len(was.ends) and was.ends[at] == start):
            break
        nodes.append(start)
    nodes.reverse()
    kept = at + 1 if start else 0
    chords, _ = table()
    ticks = (*whole.cuts, part.end)
    begin = ticks[start] if start else part.bars[0].onset
    notes = _heard(part, whole.sounds, begin, part.bar_at(ticks[nodes[-1]] - 1).index)
    heard = Heard(notes)
    edges = [begin, *(ticks[node] for node in nodes)]
    middle = [
        segment(whole.label[node], heard, low, high, chords)
        for node, (low, high) in zip(nodes, pairwise(edges), strict=True)
    ]
    ends = (*was.ends[:kept], *nodes, *later[1:])
    segments = (*was.segments[:kept], *middle, *was.segments[known + 1 :])
    return replace(
        whole, ends=ends, segments=segments,
        found=_joined_again(was, whole.fresh, ends, segments, kept, kept + len(middle)),
    )


def _joined_again(
    was: Cutting, fresh: Sequence[bool], ends: Sequence[int], segments: Sequence[Harmony],
    low: int, high: int,
) -> tuple[Harmony, ...]:
    """Like neighbours of the segments joined; low, high: those between are new."""

    def opens(at: int) -> int | None:
        """Which harmony as it was the segment opened, if it did."""
        place = bisect.bisect_left(was.found, segments[at].onset, key=lambda one: one.onset)
        there = place < len(was.found) and was.found[place].onset == segments[at].onset
        return place if there else None

    def after_rest(at: int) -> bool:
        return bool(fresh[ends[at - 1]]) if at else bool(fresh[0])

    first, before = low, 0
    while first:
        first -= 1
        place = opens(first)
        if place is not None:
            before = place
            break
    last, rest = high, len(was.found)
    while last < len(segments):
        place = opens(last)
        if place is not None and (
            after_rest(last) or not alike(segments[last - 1], segments[last])
        ):
            rest = place
            break
        last += 1
    new = joined([(segments[at], after_rest(at)) for at in range(first, last)])
    return (*was.found[:before], *new, *was.found[rest:])
