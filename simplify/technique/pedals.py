"""The pedal plan of a part: first setting, string of every note, moment and foot of every move.

`plan_pedals` gives the plan of least cost over all of these together; the model is laid out in
`pedal_line`, the exact search in `pedal_search`, every number with its source in pedal_costs.toml.
`PedalTrellis` keeps what the search knows at every column, so that a changed version of a part is
costed exactly without planning all of it again. Lever harps go to `levers`.
"""

from __future__ import annotations

import bisect
from collections.abc import Sequence
from functools import cached_property
from itertools import combinations

import numpy as np

from simplify.harp.instrument import PEDALS, Setting, key_setting
from simplify.harp.player import Player
from simplify.harp.synonyms import SETTINGS, setting_at, simultaneity_possible
from simplify.score.model import STEP_SEMITONES, Part, Pitch
from simplify.score.text import sign
from simplify.technique.levers import plan_levers
from simplify.technique.pedal_again import Trail, Watch
from simplify.technique.pedal_line import (
    SCALE,
    Floats,
    Ints,
    Line,
    PedalCosts,
    build_line,
    held_until,
    mills,
    off_the_harp,
    sounds_of,
    standard_costs,
)
from simplify.technique.pedal_search import (
    FAR,
    MOST_LEVELS,
    ROUNDS,
    Account,
    Index,
    Move,
    Solution,
    State,
    Tracked,
    account,
    build_program,
    first_state,
    place_moves,
    refine,
    run,
    solve,
    trace,
)
from simplify.technique.plan import PedalMove, PedalPlan, Unmet


def plan_pedals(
    part: Part,
    player: Player,
    *,
    start: Setting | None = None,
    use_given: bool = False,
    costs: PedalCosts | None = None,
    hands: Sequence[str] | None = None,
) -> PedalPlan:
    """The plan of least cost, or of the lever moves if the player's harp has levers.

    start: the first setting (None: free). use_given: take the first full setting the source
    prints at or before the first note as the start. costs: other numbers than pedal_costs.toml
    (pedals only). hands: 'L' or 'R' per strike, for levers (None: staff 2 is the left hand).
    """
    if start is None and use_given:
        start = given_start(part)
    if not player.harp.has_pedals:
        return plan_levers(part, player, start=start, hands=hands)
    costs = costs or standard_costs()
    still = _unmoved(part, player, start, costs)
    if still is not None:
        return still
    line = build_line(part, player, costs)
    if not line.columns:
        setting = start or key_setting(part.bars[0].fifths)
        return plan_of(line, setting, (), None)
    solution = solve(line, start)
    return _plan(line, solution)


def _unmoved(
    part: Part, player: Player, start: Setting | None, costs: PedalCosts
) -> PedalPlan | None:
    """The plan of a part that one setting gives as it is written; None for every other.

    Each letter struck stands as it is written, the others as the key signature has them. Any other
    plan costs more: it moves a pedal or plays a sound on another string than the written one, each
    of which costs more than all notches of a first setting, or it sets a letter off the key that
    nothing asks for.
    """
    dearest = 2 * len(PEDALS) * costs.start
    if not 0.0 < dearest < min(costs.move, costs.respelled) or not part.strikes:
        return None
    key = key_setting(part.bars[0].fifths)
    positions: dict[str, int] = dict(zip(PEDALS, start, strict=True)) if start else {}
    known = sounds_of(player.harp)
    for pitch in {strike.first.pitch for strike in part.strikes}:
        sound = known[pitch]
        if sound.fixed or not sound.pitches or sound.pitches[0] != pitch:
            return None
        if positions.setdefault(pitch.step, pitch.alter) != pitch.alter:
            return None
    d, c, b, e, f, g, a = (
        positions.get(letter, own) for letter, own in zip(PEDALS, key, strict=True)
    )
    setting = d, c, b, e, f, g, a
    notches = 0 if start else sum(abs(x - y) for x, y in zip(setting, key, strict=True))
    cost = notches * mills(costs.start) / SCALE
    played = tuple(strike.first.pitch for strike in part.strikes)
    return PedalPlan(setting, (), played, cost, (("first setting", cost),) if notches else (), ())


def given_start(part: Part) -> Setting | None:
    """The first full setting that the source prints at or before the first note, or None."""
    first = part.strikes[0].onset if part.strikes else part.end
    for given in sorted(part.given, key=lambda g: g.onset):
        if given.full and given.onset <= first:
            table = dict(given.positions)
            d, c, b, e, f, g, a = (table[letter] for letter in PEDALS)
            return d, c, b, e, f, g, a
    return None


# --- reading the plan -----------------------------------------------------------------------------


def _plan(line: Line, solution: Solution) -> PedalPlan:
    start = setting_at(solution.start)
    return plan_of(line, start, solution.moves, solution.account, solution.optimal)


def plan_with_trail(part: Part, player: Player) -> tuple[PedalPlan, Trail | None]:
    """As `plan_pedals` for a pedal harp and a part with notes, with the trail of the search, if it
    can be gone through again."""
    line = build_line(part, player, standard_costs())
    watch = Watch(line)
    return _plan(line, solve(line, None, watch)), watch.trail


def plan_of(
    line: Line, start: Setting, moves: tuple[Move, ...], charged: Account | None,
    optimal: bool = True,
) -> PedalPlan:
    """The plan that the search's moves come to. charged: what they cost, None if nothing is struck.
    """
    opening = line.part.bars[0].onset
    made = [
        PedalMove(
            opening if move.moment < 0 else line.moment_ticks[move.moment],
            PEDALS[move.letter], move.before, move.after, ("left", "right")[move.foot],
        )
        for move in moves
    ]
    settings = _settings(line, start, moves)
    played, unset = _played(line, settings, made)
    unmet = _off_the_harp(line)
    lost = len(unmet)
    unmet += _not_set(line, unset)
    if charged:
        unmet += _not_moved(line, moves, made, played, charged)
    unmet.sort(key=lambda u: (u.onset, u.kind, u.strikes))
    made.sort(key=lambda m: (m.onset, PEDALS.index(m.letter)))
    causes = charged.costs if charged else ()
    cost, costs = priced(causes, lost, line.costs)
    return PedalPlan(start, tuple(made), tuple(played), cost, costs, tuple(unmet), optimal)


def priced(
    causes: Sequence[tuple[str, int]], lost: int, costs: PedalCosts
) -> tuple[float, tuple[tuple[str, float], ...]]:
    """Cost of a plan, and by cause, from thousandths by cause and how many notes have no string."""
    table = dict(causes)
    table["unmet range"] = lost * mills(costs.unmet_setting)
    by_cause = tuple((cause, amount / SCALE) for cause, amount in table.items() if amount)
    return sum(table.values()) / SCALE, by_cause


def _settings(line: Line, start: Setting, moves: Sequence[Move]) -> list[list[int]]:
    """The setting at each column."""
    now, at, rows = list(start), 0, []
    for column in range(len(line.columns)):
        while at < len(moves) and moves[at].slot < column:
            now[moves[at].letter] = moves[at].after
            at += 1
        rows.append(list(now))
    return rows


def _played(
    line: Line, settings: list[list[int]], made: Sequence[PedalMove]
) -> tuple[list[Pitch], dict[int, list[int]]]:
    """The spelling each strike is played in, and by column the strikes no string can give."""
    leaving: dict[tuple[str, int], list[int]] = {}
    for move in made:
        leaving.setdefault((move.letter, move.before), []).append(move.onset)
    strikes = line.part.strikes
    played: list[Pitch] = []
    for strike, options in zip(strikes, line.strings, strict=True):
        nominal = options or strike.pitch.spellings()
        played.append(nominal[0] if nominal else strike.pitch)
    unset: dict[int, list[int]] = {}
    for column, members in enumerate(line.columns):
        positions = dict(zip(PEDALS, settings[column], strict=True))
        for index in members:
            options = line.strings[index]
            if not options or line.sounds[index].fixed:
                continue
            there = [p for p in options if positions[p.step] == p.alter]
            if not there:
                unset.setdefault(column, []).append(index)
                continue
            if len(there) > 1:  # of two strings the one that stays as long as the note is held
                onset = strikes[index].onset
                until = held_until(line.part, strikes[index], line.costs)
                steady = [
                    p for p in there
                    if not any(onset <= t < until for t in leaving.get((p.step, p.alter), ()))
                ]
                there = steady or there
            played[index] = there[0]
    return played, unset


def _off_the_harp(line: Line) -> list[Unmet]:
    """Notes outside the harp's range, and those that the disc-less strings' tuning leaves out."""
    found = []
    harp = line.player.harp
    for index, (strike, options) in enumerate(zip(line.part.strikes, line.strings, strict=True)):
        if options:
            continue
        lowest = harp.strings_for(strike.pitch)
        if lowest:
            letter = lowest[0].step
            tuned = next(sign(a) for s, a in line.fixed if Pitch.on_string(s, 0).step == letter)
            name = _named(strike.pitch)
            text = (
                f"{name}: the lowest {letter} string has no pedal and is tuned to "
                f"{letter}{tuned} for the whole piece"
            )
            found.append(Unmet(strike.onset, "discless", (index,), text))
        else:
            text = off_the_harp(harp, strike.pitch)
            found.append(Unmet(strike.onset, "range", (index,), text))
    return found


def _named(pitch: Pitch) -> str:
    return f"{pitch.step}{sign(pitch.alter)}{pitch.octave}"


def _sound_name(pitch: Pitch) -> str:
    return f"{pitch.step}{sign(pitch.alter)}"


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


_COUNT = {2: "both", 3: "all three", 4: "all four", 5: "all five"}


def _not_set(line: Line, unset: dict[int, list[int]]) -> list[Unmet]:
    found = []
    for column, missing in unset.items():
        members = [
            i for i in line.columns[column] if line.strings[i] and not line.sounds[i].fixed
        ]
        names: dict[int, str] = {}
        for index in members:
            pitch = line.part.strikes[index].pitch
            names.setdefault(pitch.pitch_class, _sound_name(pitch))
        wanted = {line.part.strikes[i].pitch.pitch_class for i in missing}
        clash = _clash(list(names), wanted)
        if clash:
            words = _listed([names[p] for p in clash])
            text = f"{words} together: no setting holds {_COUNT.get(len(clash), 'all of them')}"
        else:
            lost = list(dict.fromkeys(_sound_name(line.part.strikes[i].pitch) for i in missing))
            text = f"{_listed(lost)} can't be set here: no foot is free, or the string is in use"
        onset = line.ticks[column]
        found.append(Unmet(onset, "setting", tuple(missing), text))
    return found


def _clash(classes: list[int], wanted: set[int]) -> tuple[int, ...]:
    """The smallest group of these pitch classes with a wanted one that no setting holds; empty if
    one setting holds them all."""
    for size in range(2, len(classes) + 1):
        for group in combinations(classes, size):
            if wanted & set(group) and not simultaneity_possible(group):
                return group
    return ()


def _not_moved(
    line: Line,
    moves: tuple[Move, ...],
    made: Sequence[PedalMove],
    played: Sequence[Pitch],
    charged: Account,
) -> list[Unmet]:
    found = []
    strikes = line.part.strikes
    for charge in charged.charges:
        if charge.kind == "setting":
            continue
        move, pedal = moves[charge.at], made[charge.at]
        tick, letter = pedal.onset, pedal.letter
        if charge.kind == "time":
            before = made[charge.before]
            now = line.moment_seconds[move.moment]
            gap = now - line.moment_seconds[moves[charge.before].moment]
            needed = line.foot.hard * (
                line.foot.factor if abs(move.after - move.before) == 2 else 1.0
            )
            how = f"it needs {needed:.2f} s" if gap < needed - 0.005 else "too soon for this player"
            text = (
                f"{pedal.foot} foot: {before.letter}{sign(before.after)} and then "
                f"{letter}{sign(pedal.after)} {gap:.2f} s later; {how}"
            )
            needy = tuple(
                i for i in line.columns[move.slot + 1] if played[i].step == letter
            ) or line.columns[move.slot + 1]
            found.append(Unmet(tick, "time", needy, text))
            continue
        joined = charge.kind == "joined"
        position = pedal.after if joined else pedal.before
        holders = _held_sounds(line, tick, (STEP_SEMITONES[letter] + position) % 12)
        words = _listed(list(dict.fromkeys(_named(strikes[i].pitch) for i in holders)) or [letter])
        verb = "are" if len(holders) > 1 else "is"
        if joined:
            text = (
                f"{words} {verb} held on another string when the {letter} pedal has to go to "
                f"{sign(pedal.after)}"
            )
        else:
            text = (
                f"{words} {verb} still held when the {letter} pedal has to go from "
                f"{sign(pedal.before)} to {sign(pedal.after)}"
            )
        found.append(Unmet(tick, "held", holders, text))
    return found


def _held_sounds(line: Line, tick: int, pitch_class: int) -> tuple[int, ...]:
    """Strikes of a pitch class that are held at a tick."""
    found = []
    strikes = line.part.strikes
    first = bisect.bisect_left(strikes, tick - line.longest, key=lambda strike: strike.onset)
    for index in range(first, len(strikes)):
        strike = strikes[index]
        if strike.onset > tick:
            break
        if (
            line.sounds[index].pitch_class == pitch_class
            and (strike.end > tick or strike.onset == tick)
            and line.strings[index]
            and held_until(line.part, strike, line.costs) > tick
        ):
            found.append(index)
    return tuple(found)


# --- potentials -----------------------------------------------------------------------------------


class PedalTrellis:
    """What the search knows of a part at every column, to cost changed versions of it.

    plan: the optimum. Columns are the distinct onsets, in order. Only for pedal harps.
    """

    def __init__(
        self,
        part: Part,
        player: Player,
        *,
        start: Setting | None = None,
        costs: PedalCosts | None = None,
    ) -> None:
        self._costs = costs or standard_costs()
        self._line = build_line(part, player, self._costs)
        if not player.harp.has_pedals or not self._line.columns:
            raise ValueError("a pedal trellis needs a pedal harp and at least one note")
        self._start = start
        self._solution = solve(self._line, start)
        self.plan = _plan(self._line, self._solution)

    @property
    def onsets(self) -> tuple[int, ...]:
        """Tick of each column."""
        return self._line.ticks

    @property
    def cost(self) -> float:
        """Cost of the optimum, notes off the harp left out."""
        return self._solution.account.total / SCALE

    @cached_property
    def _rest(self) -> tuple[tuple[Ints, ...], tuple[Ints, ...], tuple[int, ...]]:
        """For each column the cost still to come with feet as they are (least over levels, joined
        with the cost so far), with both feet free, and what was taken off the second."""
        sweep = self._solution.sweep
        ahead = np.zeros((sweep.final.lefts, sweep.final.rights, SETTINGS), dtype=np.int32)
        taken = 0
        through: list[Ints] = []
        free: list[Ints] = []
        shifts: list[int] = []
        memory: dict[int, State] = {}
        for at in range(len(sweep.program.segments), 0, -1):
            through.append((sweep.state(at, memory).dense() + ahead).min(axis=(0, 1)))
            free.append(ahead[0, 0].copy())
            shifts.append(taken)
            segment = sweep.program.segments[at - 1]
            ahead = ahead + segment.costs
            for operation in reversed(segment.operations):
                ahead = operation.unapply(ahead)
            off = int(ahead.min())
            ahead = ahead - np.int32(off)
            taken += off
        return tuple(through[::-1]), tuple(free[::-1]), tuple(shifts[::-1])

    def prefix_values(self, column: int) -> Floats:
        """Shape (2187,): least cost of everything up to and with a column, by its setting."""
        sweep = self._solution.sweep
        state = sweep.state(column + 1, {}).dense().min(axis=(0, 1))
        values: Floats = (state.astype(np.float64) + sweep.taken[column + 1]) / SCALE
        return values

    def suffix_values(self, column: int) -> Floats:
        """Shape (2187,): least cost of everything after a column, by its setting, when no foot has
        moved lately."""
        _, free, shifts = self._rest
        values: Floats = (free[column].astype(np.float64) + shifts[column]) / SCALE
        return values

    def through(self, column: int) -> Floats:
        """Shape (2187,): least cost of the whole part with each setting at a column. Its minimum is
        `cost` at every column."""
        whole, _, shifts = self._rest
        taken = self._solution.sweep.taken[column + 1] + shifts[column]
        values: Floats = (whole[column].astype(np.float64) + taken) / SCALE
        return values

    def cost_with(self, part: Part) -> float:
        """Least cost of another version of the part, the same as planning it from the beginning;
        only the columns that differ, and those they ring into, are searched again."""
        line = build_line(part, self._line.player, self._costs)
        if not line.columns:
            return 0.0
        solution = self._local(line) or solve(line, self._start)
        return solution.account.total / SCALE

    def plan_with(self, part: Part) -> PedalPlan:
        """The plan of another version of the part, as `cost_with`."""
        line = build_line(part, self._line.player, self._costs)
        if not line.columns:
            return plan_pedals(part, line.player, start=self._start, costs=self._costs)
        solution = self._local(line) or solve(line, self._start)
        return _plan(line, solution)

    def _local(self, line: Line) -> Solution | None:
        """The optimum of a changed line by joining what is known before and after the change, or
        None where that can't be proved optimal."""
        old, program = self._line, self._solution.sweep.program
        if old.part.bars[0].fifths != line.part.bars[0].fifths:
            return None
        head, tail = in_common(old, line)
        shift = len(line.columns) - len(old.columns)
        pad = line.foot.horizon
        # The searched stretch begins and ends a little outside the change.
        early = old.seconds[min(head, old.slots)] - pad
        late = old.seconds[min(len(old.columns) - tail, old.slots)] + pad
        low, high = head - 1, len(old.columns) - tail
        while low > 0 and old.seconds[low] > early:
            low -= 1
        while high < old.slots and old.seconds[high] < late:
            high += 1
        most, added = self._solution.most, Tracked()
        for _ in range(ROUNDS):
            # Join at columns where no foot's time is being followed.
            while low > 0 and not program.plain[low]:
                low -= 1
            while high < old.slots and not program.plain[high]:
                high += 1
            if low < 0 and high >= old.slots:
                return None
            join = min(high, old.slots)
            last = join + shift
            if last <= max(low, 0):
                return None
            tracked = self._moved_tracking(low, join, shift) | added
            inner: Tracked = frozenset((s, f) for s, f in tracked if max(low, 0) <= s < last)
            solution = self._joined(line, low, last, inner, tracked, most, join)
            if solution.optimal:
                return solution
            wider = refine(line, solution)
            if wider == tracked:
                if most >= MOST_LEVELS:
                    return None
                most *= 2
            added |= wider - tracked
            for slot, _foot in wider - tracked:
                low = min(low, slot if slot < last else low)
                high = max(high, slot - shift + 1 if slot >= last else high)
        return None

    def _moved_tracking(self, low: int, join: int, shift: int) -> Tracked:
        """The slots laid out for the old line, where they lie outside the change in the new."""
        return frozenset(
            (slot if slot < join else slot + shift, foot)
            for slot, foot in self._solution.tracked
            if slot <= low or slot >= join
        )

    def _joined(
        self,
        line: Line,
        low: int,
        last: int,
        inner: Tracked,
        tracked: Tracked,
        most: int,
        join: int,
    ) -> Solution:
        """The best plan of a changed line with the stretch from column `low` to `last` searched
        anew, up to an old column `join` beyond which it is as before."""
        old = self._solution.sweep
        ahead = None if join >= self._line.slots else self._rest[1][join]
        if low < 0:
            program = build_program(line, self._start, inner, most, 0, last)
            state, base = first_state(line, self._start), 0
        else:
            program = build_program(line, self._start, inner, most, low, last)
            state, base = old.state(low + 1, {}), old.taken[low + 1]
        sweep = run(program, state)
        total = sweep.final.dense() if ahead is None else sweep.final.dense() + ahead
        left, right, number = _least(total)
        bound = base + sweep.taken[-1] + int(total[left, right, number])
        index, moves = trace(sweep, (left, right, number))
        if low >= 0:
            index, earlier = self._hither(index, low)
            moves = [*earlier, *moves]
        if ahead is not None:
            bound += self._rest[2][join]
            moves = [*moves, *self._onward(line, number, join, last - join, tracked)]
        placed = place_moves(line, index[2], moves)
        real = account(line, index[2], placed, self._start is not None)
        return Solution(index[2], placed, real, real.total == bound, sweep, tracked, most)

    @cached_property
    def _path(self) -> tuple[int, ...]:
        """The optimum's setting at each column, as a number."""
        numbers, number, at = [], self._solution.start, 0
        moves = self._solution.moves
        for column in range(len(self._line.columns)):
            while at < len(moves) and moves[at].slot < column:
                number += (moves[at].after - moves[at].before) * 3 ** (6 - moves[at].letter)
                at += 1
            numbers.append(number)
        return tuple(numbers)

    def _hither(self, index: Index, column: int) -> tuple[Index, list[Move]]:
        """The best way from the beginning to a state at a column without levels."""
        if index[2] == self._path[column]:
            made = [move for move in self._solution.moves if move.slot < column]
            return (0, 0, self._solution.start), made
        return trace(self._solution.sweep, index, column + 1)

    def _onward(
        self, line: Line, number: int, column: int, shift: int, tracked: Tracked
    ) -> list[Move]:
        """The best way on from a setting at an old column without levels to the end, as moves of
        the new line, whose columns are `shift` further on."""
        sweep, most = self._solution.sweep, self._solution.most
        plain, segments = sweep.program.plain, sweep.program.segments
        free, shifts = self._rest[1], self._rest[2]
        moves: list[Move] = []
        end = len(segments) - 1
        while column < end:
            if number == self._path[column]:
                moments = line.first[column + shift] - self._line.first[column]
                moves.extend(
                    move._replace(slot=move.slot + shift, moment=move.moment + moments)
                    for move in self._solution.moves
                    if move.slot >= column
                )
                break
            following, struck = column + 1, 0
            while following < end and not plain[following]:
                following += 1
            for segment in segments[column + 1 : following + 1]:
                struck += int(segment.costs[number])
            here = int(free[column][number]) + shifts[column]
            stay = int(free[following][number]) + shifts[following] + struck
            if stay != here:
                costs = np.full(SETTINGS, FAR, dtype=np.int32)
                costs[number] = 0
                piece = build_program(
                    line, None, tracked, most, column + shift, following + shift
                )
                run_on = run(piece, State.single(costs))
                total = run_on.final.dense() + free[following]
                left, right, number = _least(total)
                moves.extend(trace(run_on, (left, right, number))[1])
            column = following
        return moves


def _least(state: Ints) -> Index:
    left, right, number = np.unravel_index(int(state.argmin()), state.shape)
    return int(left), int(right), int(number)


def in_common(old: Line, new: Line) -> tuple[int, int]:
    """How many columns at the beginning and at the end are the same in two lines, with the slots
    between them."""
    return _agreeing(old, new, False), _agreeing(old, new, True)


def _agreeing(old: Line, new: Line, from_end: bool) -> int:
    count = min(len(old.columns), len(new.columns))
    moments = min(len(old.moment_ticks), len(new.moment_ticks))

    def ends(array: Ints | np.ndarray[tuple[int, ...], np.dtype[np.generic]]) -> object:
        return array[len(array) - moments :][::-1] if from_end else array[:moments]

    same = np.ones(moments, dtype=bool)
    pairs = [
        (np.array(old.moment_ticks), np.array(new.moment_ticks)),
        (np.array(old.moment_seconds), np.array(new.moment_seconds)),
        (old.moment_costs, new.moment_costs),
        (old.leave, new.leave),
        (old.held, new.held),
    ]
    for one, other in pairs:
        equal = np.equal(ends(one), ends(other))  # type: ignore[call-overload]
        same &= equal if equal.ndim == 1 else equal.all(axis=1)
    agreeing_moments = int(same.argmin()) if not same.all() else moments
    agreed = used = 0
    for i in range(count):
        a = len(old.columns) - 1 - i if from_end else i
        b = len(new.columns) - 1 - i if from_end else i
        if i:
            slot_a, slot_b = (a, b) if from_end else (a - 1, b - 1)
            size_a = old.first[slot_a + 1] - old.first[slot_a]
            size_b = new.first[slot_b + 1] - new.first[slot_b]
            used += size_a
            if size_a != size_b or used > agreeing_moments:
                break
        if old.ticks[a] != new.ticks[b] or old.demands[a] != new.demands[b]:
            break
        agreed = i + 1
    return agreed
