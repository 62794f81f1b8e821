"""The performance of a changed part, the same as from the beginning, at the price of the change.

A window of bars around the change is performed anew, pedals (`pedal_again`) and hands
(`hand_search.plan_again`) beginning and ending where the whole piece's plans stood before; what
lies outside is taken over. A window begins and ends where no tie and no glissando crosses and lets
everything before it ring out; it is widened until both plans are as they were at its ends. Where
that can't be told in part (levers, strings without discs, a glissando changed, a pedal search that
looked at the whole piece) there is no result and the caller performs the whole.
"""

from __future__ import annotations

import bisect
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import accumulate
from typing import NamedTuple

import numpy as np

from simplify.harp.player import Player
from simplify.harp.synonyms import setting_at
from simplify.score.model import Note, Part, Pitch, Strike
from simplify.technique import hand_search
from simplify.technique.fingers import hand_model
from simplify.technique.hand_kernel import KINDS
from simplify.technique.hand_search import HandPath
from simplify.technique.hands import (
    HandChord,
    Moment,
    chords_of,
    flat_moments,
    glissandi,
    keep_tables,
    moments_of,
    plan_with_tables,
    too_wide,
    walk_from,
)
from simplify.technique.pedal_again import Resolved, Trail, Window, solve_again
from simplify.technique.pedal_line import build_line, standard_costs
from simplify.technique.pedals import in_common, plan_of, plan_with_trail, priced
from simplify.technique.perform import strike_seconds
from simplify.technique.plan import HandPlan, PedalPlan, Performance

MARGIN = 5.0
"""Seconds on either side of a change that are performed anew at first."""
WIDER = 2
"""A window that does not suffice is made so many times as wide."""
_SWEPT = ("gliss-start", "gliss-stop")


@dataclass(frozen=True)
class Traced:
    """A performance and what both searches left behind. moments: seconds of each; first: per bar
    the number of its first strike, and at the end of how many there are; starts: seconds of the
    bars; rings: per bar the second until which what is struck in it is held or rings for a pedal;
    sweeps: first and last tick of each glissando."""

    performance: Performance
    pedals: Trail
    hands: HandPath
    moments: tuple[float, ...]
    first: tuple[int, ...]
    starts: tuple[float, ...]
    rings: tuple[float, ...]
    sweeps: tuple[tuple[int, int], ...]


@dataclass(frozen=True)
class Changed:
    """A changed part performed; bars: the first and the last whose notes changed; low, high: the
    first and the last tick at which something is played otherwise than before, or sounds on."""

    traced: Traced
    bars: tuple[int, int]
    low: int
    high: int


def perform_traced(part: Part, player: Player) -> tuple[Performance, Traced | None] | None:
    """`perform` with what it takes to perform a changed version in part (None if that can't be
    done); None for a harp with levers or a part without notes."""
    strikes = part.strikes
    if not player.harp.has_pedals or not strikes:
        return None
    pedal_plan, trail = plan_with_trail(part, player)
    seconds, until = strike_seconds(part)
    hand_plan, tables, path = plan_with_tables(part, player, seconds, pedal_plan.played)
    performance = Performance(part, player, seconds, until, hand_plan, pedal_plan)
    keep_tables(performance, tables)
    bars = [strike.first.bar for strike in strikes]
    if trail is None or bars != sorted(bars):
        return performance, None
    first = [bisect.bisect_left(bars, bar.index) for bar in part.bars]
    marked = any(_sweeping(s.first) for s in strikes)
    traced = Traced(
        performance, trail, path, tuple(sorted({round(at, 6) for at in seconds})),
        (*first, len(strikes)), tuple([part.seconds(bar.onset) for bar in part.bars]),
        _rings(part, strikes, seconds, range(len(part.bars))),
        _sweeps(part, seconds) if marked else (),
    )
    return performance, traced


def _without_disc(was: Traced, note: Note) -> bool:
    harp = was.performance.player.harp
    return any(p.string in harp.discless for p in harp.strings_for(note.pitch))


def _sweeping(note: Note) -> bool:
    return bool(note.marks) and any(note.has(kind) for kind in _SWEPT)


def _sweeps(part: Part, seconds: Sequence[float]) -> tuple[tuple[int, int], ...]:
    strikes = part.strikes
    rows: dict[int, list[int]] = {}
    for i, (number, _) in glissandi(part, seconds).items():
        rows.setdefault(number, []).extend((strikes[i].onset, strikes[i].end))
    return tuple(sorted((min(row), max(row)) for row in rows.values()))


def _rings(
    part: Part, strikes: Sequence[Strike], seconds: Sequence[float], bars: range
) -> tuple[float, ...]:
    costs = standard_costs()
    rings = [-np.inf] * len(bars)
    octaves = len(costs.ring_seconds)
    for strike, at in zip(strikes, seconds, strict=True):
        octave = min(octaves - 1, max(0, strike.pitch.midi // 12 - 1))
        ring = at + costs.ring_seconds[octave] * costs.ring_share
        place = strike.first.bar - bars.start
        rings[place] = max(rings[place], ring, part.seconds(strike.end))
    return tuple(rings)


class _Bars(NamedTuple):
    """A window: bars first to last; sure: the bar from which on nothing before the window sounds.
    """

    first: int
    sure: int
    last: int


def perform_again(was: Traced, part: Part) -> Changed | None:
    """The performance of a changed version of the part: the same bars with other notes in some.
    None where it can't be told in part."""
    old = was.performance.part
    if part.bars != old.bars or part.tempo != old.tempo:
        return None
    rows = zip(old.notes_by_bar, part.notes_by_bar, strict=True)
    edited = [i for i, (one, two) in enumerate(rows) if one is not two and one != two]
    if not edited:
        return None
    first, last = edited[0], edited[-1]
    for row in (*old.notes_by_bar[first : last + 1], *part.notes_by_bar[first : last + 1]):
        if any((note.marks and _sweeping(note)) or _without_disc(was, note) for note in row):
            return None
    margin = MARGIN
    while True:
        bars = _window(was, first, last, margin)
        found = _Again(was, part, bars, first, last).found()
        if found is not None:
            return found
        if bars.first == 0 and bars.last == len(part.bars) - 1:
            return None
        margin *= WIDER


def _window(was: Traced, first: int, last: int, margin: float) -> _Bars:
    part, starts, count = was.performance.part, was.starts, len(was.starts)
    rows = part.notes_by_bar

    def clean(bar: int) -> bool:
        onset = part.bars[bar].onset
        return (
            not any(note.tie_in for note in rows[bar])
            and not any(low < onset <= high for low, high in was.sweeps)
            and not any(note.onset >= onset for note in rows[bar - 1])
        )

    sure = max(0, bisect.bisect_right(starts, starts[first] - margin) - 1)
    rings = list(accumulate(was.rings[:sure], max))
    begin = max(0, sure - 1)
    while begin and not (rings[begin - 1] <= starts[sure] and clean(begin)):
        begin -= 1
    end = last + 2
    while end < count and not (starts[end] >= starts[last] + margin and clean(end)):
        end += 1
    end = min(end, count)
    return _Bars(begin, sure if begin else 0, end - 1)


_Local = tuple[tuple[Pitch, ...], list[float], list[float], list[Moment]]


class _Again:
    """One attempt at performing a window of bars anew."""

    def __init__(self, was: Traced, part: Part, bars: _Bars, first: int, last: int) -> None:
        self.was, self.part, self.bars = was, part, bars
        self.player = was.performance.player
        self.old = was.performance.part.alone().window(bars.first, bars.last)
        self.new = part.alone().window(bars.first, bars.last)
        self.begin, self.end = was.first[bars.first], was.first[bars.last + 1]
        self.edited = first - bars.first, last - bars.first
        self.begins, self.ends = bars.first == 0, bars.last == len(part.bars) - 1

    def found(self) -> Changed | None:
        """The whole performance; None if the window is too narrow."""
        if self.end - self.begin != len(self.old.strikes) or not self.new.strikes:
            return None
        window = self._lines()
        if window is None:
            return None
        resolved = solve_again(self.was.pedals, window)
        if resolved is None:
            return None
        cut = self._cut(window, resolved)
        if cut is None:
            return None
        pedal_plan, played = self._pedals(window, resolved, cut)
        return self._hands(resolved, pedal_plan, played)

    # Pedals

    def _lines(self) -> Window | None:
        costs = standard_costs()
        old, new = (
            build_line(part, self.player, costs, self.was.pedals.tuning)
            for part in (self.old, self.new)
        )
        if not old.columns or not new.columns:
            return None
        head, tail = in_common(old, new)
        shorter = min(len(old.columns), len(new.columns))
        if head == shorter:
            head = min(head, bisect.bisect_left(old.ticks, self.old.bars[self.edited[0]].onset))
        tail = min(tail, shorter - head)
        onset = self.part.bars[self.bars.sure].onset
        sure = 0 if self.begins else bisect.bisect_left(new.ticks, onset)
        at = bisect.bisect_left(self.was.pedals.ticks, old.ticks[0])
        return Window(
            old, new, at, head, tail, (sure, len(new.columns) - 1), self.begins, self.ends
        )

    def _cut(self, window: Window, resolved: Resolved) -> tuple[float, float] | None:
        """Ticks between which the pedal plan is read off the window."""
        line = window.new
        ticks = line.ticks
        low, high = ticks[max(0, resolved.low - 1)], ticks[min(resolved.high + 1, len(ticks) - 1)]
        low = min(low, self.old.bars[self.edited[0]].onset)
        both = (*self.old.strikes, *self.new.strikes)
        begin: float = min([low, *(s.onset for s in both if s.onset < low < s.end)])
        high = max([high, *(s.end for s in both if low <= s.onset <= high)])
        high = max(high, self.old.bars[self.edited[1]].end)
        later = self.part.seconds(high) + line.foot.horizon + line.foot.clock
        at = bisect.bisect_right(line.seconds, later)
        if begin <= self.part.bars[self.bars.sure].onset:
            if not self.begins:
                return None
            begin = -np.inf
        if at < len(ticks):
            return begin, ticks[at]
        return (begin, np.inf) if self.ends else None

    def _pedals(
        self, window: Window, resolved: Resolved, cut: tuple[float, float]
    ) -> tuple[PedalPlan, tuple[Pitch, ...]]:
        """The pedal plan of the whole, and what the window's strikes are played as."""
        before, line = self.was.performance.pedal_plan, window.new
        local = plan_of(line, setting_at(resolved.start), resolved.moves, resolved.account)
        low, high = cut
        moves = (
            *(m for m in before.moves if m.onset < low),
            *(m for m in local.moves if low <= m.onset < high),
            *(m for m in before.moves if m.onset >= high),
        )
        more = len(self.new.strikes) - len(self.old.strikes)
        unmet = (
            *(u for u in before.unmet if u.onset < low),
            *(replace(u, strikes=tuple([i + self.begin for i in u.strikes]))
              for u in local.unmet if low <= u.onset < high),
            *(replace(u, strikes=tuple([i + more for i in u.strikes]))
              for u in before.unmet if u.onset >= high),
        )
        here = before.played[self.begin : self.end]
        head = bisect.bisect_left(self.new.strikes, low, key=lambda s: s.onset)
        new_tail = bisect.bisect_left(self.new.strikes, high, key=lambda s: s.onset)
        old_tail = bisect.bisect_left(self.old.strikes, high, key=lambda s: s.onset)
        played = (*here[:head], *local.played[head:new_tail], *here[old_tail:])
        last = resolved.trail.rounds[-1]
        lost = sum(u.kind in ("range", "discless") for u in unmet)
        cost, costs = priced(last.costs, lost, line.costs)
        plan = PedalPlan(
            setting_at(last.path[0][2]), moves,
            (*before.played[: self.begin], *played, *before.played[self.end :]),
            cost, costs, unmet,
        )
        return plan, played

    # Hands

    def _hands(
        self, resolved: Resolved, pedal_plan: PedalPlan, played: tuple[Pitch, ...]
    ) -> Changed | None:
        was, before, old, new = self.was, self.was.performance, self.old, self.new
        span = slice(self.begin, self.end)
        kept = bisect.bisect_left(
            new.strikes, self.edited[0], key=lambda s: s.first.bar
        )
        seconds, until = strike_seconds(new)
        seconds = (*before.seconds[span][:kept], *seconds[kept:])
        until = (*before.until[span][:kept], *until[kept:])
        old_moments = moments_of(
            old, self.player, before.seconds[span], before.pedal_plan.played[span]
        )
        new_moments = moments_of(new, self.player, seconds, played)
        head, tail = _ends_alike(old_moments, new_moments)
        more = len(new_moments) - len(old_moments)
        trusted = 0
        if not self.begins:
            trusted = bisect.bisect_left(
                new_moments, was.starts[self.bars.sure], key=lambda moment: moment.at
            )
        if trusted >= head and not self.begins:
            return None
        offset = bisect.bisect_left(was.moments, old_moments[trusted].at) - trusted
        model = hand_model(self.player.limits, self.player.harp)
        if head == len(old_moments) == len(new_moments):
            begin = was.starts[self.bars.first + self.edited[0]]
            head = bisect.bisect_left(new_moments, begin, key=lambda moment: moment.at)
            tail = len(new_moments) - head
            nothing = np.zeros(0, np.int64)
            again: hand_search.Replanned | None = hand_search.Replanned(
                was.hands, offset + head, offset + head, nothing, nothing
            )
        else:
            flat = flat_moments(
                new_moments[trusted:], [False] * (len(new_moments) - trusted),
                [0] * len(new.strikes),
            )
            again = hand_search.plan_again(
                model.rules, was.hands, flat, offset + trusted, offset + head,
                offset + len(old_moments) - tail, more,
            )
        if again is None:
            return None
        low, high = again.low - offset, again.high - offset
        hands, fingers = [""] * len(new.strikes), [0] * len(new.strikes)
        place = 0
        for at, moment in enumerate(new_moments):
            if low <= at < high:
                for group in moment.members:
                    for i in group:
                        hands[i] = "LR"[again.hands[place]]
                        fingers[i] = int(again.fingers[place])
                    place += 1
                continue
            other = old_moments[at if at < low else at - more]
            for group, known in zip(moment.members, other.members, strict=True):
                for i in group:
                    hands[i] = before.hand_plan.hands[self.begin + known[0]]
                    fingers[i] = before.hand_plan.fingers[self.begin + known[0]]
        placings: list[int | None] = [None] * len(new.strikes)
        rolled = [False] * len(new.strikes)
        shift: dict[str, int] = {}
        apart = min(head, low), max(len(new_moments) - tail, high)
        for hand in "LR":
            chords = chords_of(model, new_moments[trusted:], hands, fingers, hand)
            for chord in chords:
                wide = len(chord.strings) > 1 and too_wide(model, chord)
                for i in chord.strikes:
                    rolled[i] = wide or new.strikes[i].first.has("arpeggio")
            numbered = self._number(hand, chords, old_moments, new_moments, trusted, apart, more)
            if numbered is None:
                return None
            numbers, shift[hand] = numbered
            for chord, number in zip(chords, numbers, strict=True):
                for i in chord.strikes:
                    placings[i] = number
        for moment, other in zip(new_moments[:trusted], old_moments[:trusted], strict=True):
            for group, known in zip(moment.members, other.members, strict=True):
                for i in group:
                    placings[i] = before.hand_plan.placings[self.begin + known[0]]
                    rolled[i] = before.hand_plan.rolled[self.begin + known[0]]
        return self._whole(
            resolved, pedal_plan, again.path, shift, _Columns(
                seconds, until, played, tuple(hands), tuple(fingers),
                tuple([number for number in placings if number is not None]), tuple(rolled),
            ), new_moments,
        )

    def _number(
        self, hand: str, chords: Sequence[HandChord], old_moments: Sequence[Moment],
        new_moments: Sequence[Moment], trusted: int, apart: tuple[int, int], more: int,
    ) -> tuple[list[int], int] | None:
        """The placings of one hand's chords, and how many more there are than before."""
        plan, begin = self.was.performance.hand_plan, self.begin

        def known(chord: HandChord) -> int:
            """The placing as it was."""
            at = chord.index + trusted
            other = old_moments[at if at < apart[0] else at - more]
            string = new_moments[at].strings.index(chord.strings[0])
            return plan.placings[begin + other.members[string][0]]

        if not chords:
            hands = plan.hands[begin + old_moments[trusted].members[0][0] : self.end]
            return None if hand in hands else ([], 0)
        starts = (0,) if self.begins else (0, 1, -1)
        base, fresh = self._settled(chords, starts)
        after = bisect.bisect_left(chords, apart[1] - trusted, key=lambda chord: chord.index)
        if self.begins:
            number = 0
        elif base is None or base >= len(chords) or chords[base].index + trusted >= apart[0]:
            return None
        else:
            number = known(chords[base])
        base = base or 0
        numbers = [known(chord) for chord in chords[:base]]
        numbers.append(number)
        for at in range(base, len(chords) - 1):
            number += fresh[at]
            numbers.append(number)
        if self.ends:
            return numbers, 0
        same, _ = self._settled(chords[after:], (0, 1, -1))
        if same is None or after + same >= len(chords):
            return None
        at = after + same
        return numbers, numbers[at] - known(chords[at])

    def _settled(
        self, chords: Sequence[HandChord], starts: Sequence[int]
    ) -> tuple[int | None, list[int]]:
        """The first chord that any way up to it comes to alike, and per step whether it opens a
        placing."""
        model = hand_model(self.player.limits, self.player.harp)
        ways = [walk_from(model, chords, run) for run in starts]
        fresh = [
            int(KINDS[kind] not in ("go on", "sweep"))
            for kind in ways[0][0].tolist()
        ]
        if len(ways) == 1:
            return 0, fresh
        alike = np.all([way[3] == ways[0][3] for way in ways[1:]], axis=0)
        return (int(alike.argmax()) + 1 if alike.any() else None), fresh

    def _whole(
        self, resolved: Resolved, pedal_plan: PedalPlan, path: HandPath, shift: dict[str, int],
        here: _Columns, moments: Sequence[Moment],
    ) -> Changed:
        was, before, begin, end = self.was, self.was.performance, self.begin, self.end
        plan = before.hand_plan
        own = {note.id: note for row in self.part.notes_by_bar[
            self.bars.first : self.bars.last + 1] for note in row}
        strikes = tuple([replace(s, first=own[s.first.id]) for s in self.new.strikes])
        rest = plan.placings[end:]
        if any(shift.values()):
            rest = tuple([
                number + shift[hand]
                for number, hand in zip(rest, plan.hands[end:], strict=True)
            ])
        hand_plan = HandPlan(
            (*plan.hands[:begin], *here.hands, *plan.hands[end:]),
            (*plan.fingers[:begin], *here.fingers, *plan.fingers[end:]),
            (*plan.placings[:begin], *here.placings, *rest),
            (*plan.rolled[:begin], *here.rolled, *plan.rolled[end:]),
            path.cost,
        )
        self.part.__dict__["strikes"] = (
            *before.strikes[:begin], *strikes, *before.strikes[end:]
        )
        performance = Performance(
            self.part, self.player,
            (*before.seconds[:begin], *here.seconds, *before.seconds[end:]),
            (*before.until[:begin], *here.until, *before.until[end:]),
            hand_plan, pedal_plan,
        )
        low, high = self.bars.first, self.bars.last + 1
        counts = [begin]
        for bar in range(high - low):
            counts.append(begin + bisect.bisect_right(
                self.new.strikes, bar, key=lambda s: s.first.bar
            ))
        more = counts[-1] - was.first[high]
        left = bisect.bisect_left(was.moments, min(before.seconds[begin:end], default=0.0) - 5e-7)
        right = bisect.bisect_right(was.moments, max(before.seconds[begin:end], default=0.0) + 5e-7)
        traced = Traced(
            performance, resolved.trail, path,
            (*was.moments[:left], *(m.at for m in moments), *was.moments[right:]),
            (*was.first[:low], *counts[:-1], *(n + more for n in was.first[high:])),
            was.starts,
            (*was.rings[:low],
             *_rings(self.new, self.new.strikes, here.seconds, range(high - low)),
             *was.rings[high:]),
            was.sweeps,
        )
        bars = self.edited[0] + self.bars.first, self.edited[1] + self.bars.first
        return Changed(traced, bars, *self._span(here, shift, pedal_plan))

    def _span(
        self, here: _Columns, shift: dict[str, int], pedal_plan: PedalPlan
    ) -> tuple[int, int]:
        """First and last tick of what is played otherwise."""
        before, plan = self.was.performance, self.was.performance.hand_plan
        span = slice(self.begin, self.end)
        old = list(zip(
            self.old.strikes, before.seconds[span], before.until[span],
            before.pedal_plan.played[span], plan.hands[span], plan.fingers[span],
            plan.placings[span], plan.rolled[span], strict=True,
        ))
        new = list(zip(
            self.new.strikes, here.seconds, here.until, here.played, here.hands, here.fingers,
            here.placings, here.rolled, strict=True,
        ))
        shifted = [(*row[:6], row[6] + shift[row[4]], row[7]) for row in old]
        shorter = min(len(old), len(new))
        head = next((i for i in range(shorter) if old[i] != new[i]), shorter)
        tail = next((i for i in range(shorter - head) if shifted[-1 - i] != new[-1 - i]),
                    shorter - head)
        bars = self.part.bars
        ticks = [bars[self.edited[0] + self.bars.first].onset,
                 bars[self.edited[1] + self.bars.first].end]
        for rows in (old, new):
            for row in rows[head : len(rows) - tail]:
                ticks += row[0].onset, row[0].end
        earlier, later = set(before.pedal_plan.moves), set(pedal_plan.moves)
        ticks += [move.onset for move in earlier ^ later]
        faults = {(u.onset, u.kind, u.text) for u in before.pedal_plan.unmet}
        ticks += [
            onset for onset, _, _ in
            faults ^ {(u.onset, u.kind, u.text) for u in pedal_plan.unmet}
        ]
        return min(ticks), max(ticks)


class _Columns(NamedTuple):
    """The window's strikes as performed now."""

    seconds: tuple[float, ...]
    until: tuple[float, ...]
    played: tuple[Pitch, ...]
    hands: tuple[str, ...]
    fingers: tuple[int, ...]
    placings: tuple[int, ...]
    rolled: tuple[bool, ...]


def _same_sounds(one: Moment, two: Moment) -> bool:
    """Whether two moments differ at most in the numbers of their strikes."""
    return one._replace(members=()) == two._replace(members=())


def _ends_alike(old: Sequence[Moment], new: Sequence[Moment]) -> tuple[int, int]:
    """How many moments are the same at the beginning and at the end."""
    shorter = min(len(old), len(new))
    head = tail = 0
    while head < shorter and _same_sounds(old[head], new[head]):
        head += 1
    while tail < shorter - head and _same_sounds(old[-1 - tail], new[-1 - tail]):
        tail += 1
    return head, tail
