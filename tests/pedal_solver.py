"""The pedal problem once more, as a constraint model for a general solver (CP-SAT of ortools).

The amounts come from `pedal_oracle`; what is to be minimised is stated as variables and linear
constraints, with no dynamic programme anywhere. Pairs of pedals and crossing feet are left out:
use costs whose `adjacent_tiers` and `cross_tiers` are empty.
"""

from __future__ import annotations

from itertools import product

from ortools.sat.python import cp_model

from simplify.harp.instrument import PEDALS, key_setting
from tests.pedal_oracle import Oracle, sound, strings

POSITIONS = (-1, 0, 1)


def _whole(cost: float) -> int:
    return round(1000 * cost)


class PedalModel:
    """The model of one oracle's problem."""

    def __init__(self, oracle: Oracle, start: tuple[int, ...] | None) -> None:
        self.oracle = oracle
        self.model = cp_model.CpModel()
        self.terms: list[tuple[int, cp_model.IntVar]] = []
        self.moved: dict[int, list[tuple[float, dict[int, cp_model.IntVar]]]] = {0: [], 1: []}
        self.now = self._setting()
        self._first(start)
        self._strike(0)
        for slot in range(len(oracle.ticks) - 1):
            sounding = oracle.sounding(slot)
            for tick in oracle.moments(slot):
                for foot in (0, 1):
                    self._moment(slot, tick, foot, sounding)
            self._strike(slot + 1)
        self.model.minimize(sum(cost * var for cost, var in self.terms))

    def solve(self, seconds: float) -> tuple[float, float, bool]:
        """(cost found, bound proved, whether they meet)."""
        solver = cp_model.CpSolver()
        solver.parameters.max_time_in_seconds = seconds
        solver.parameters.num_workers = 1
        solver.parameters.random_seed = 1
        status = solver.solve(self.model)
        assert status in (cp_model.OPTIMAL, cp_model.FEASIBLE), solver.status_name(status)
        proved = status == cp_model.OPTIMAL
        return solver.objective_value / 1000, solver.best_objective_bound / 1000, proved

    def _flag(self) -> cp_model.IntVar:
        return self.model.new_bool_var("")

    def _cost(self, amount: float, var: cp_model.IntVar) -> None:
        if _whole(amount):
            self.terms.append((_whole(amount), var))

    def _setting(self) -> dict[tuple[str, int], cp_model.IntVar]:
        table = {(letter, p): self._flag() for letter in PEDALS for p in POSITIONS}
        for letter in PEDALS:
            self.model.add_exactly_one(table[letter, p] for p in POSITIONS)
        return table

    def _first(self, start: tuple[int, ...] | None) -> None:
        costs = self.oracle.costs
        key = key_setting(self.oracle.part.bars[0].fifths)
        for at, letter in enumerate(PEDALS):
            for p in POSITIONS:
                if start is None:
                    self._cost(costs.start * abs(p - key[at]), self.now[letter, p])
                elif p != start[at]:
                    far = costs.second_notch if abs(p - start[at]) == 2 else 0.0
                    self._cost(costs.move + far, self.now[letter, p])

    def _strike(self, column: int) -> None:
        costs, seen = self.oracle.costs, set()
        for strike in self.oracle.columns[column]:
            options = strings(self.oracle.player, strike.pitch)
            if not options:
                continue
            there = [self.now[p.step, p.alter] for p in options]
            if strike.pitch.midi not in seen:
                missing = self._flag()
                self.model.add_bool_or([missing, *there])
                self._cost(costs.unmet_setting, missing)
            seen.add(strike.pitch.midi)
            if options[0] == strike.pitch and len(options) > 1:
                other = self._flag()
                self.model.add_bool_or([other, there[0], there[1].negated()])
                self._cost(costs.respelled, other)

    def _moment(self, slot, tick, foot, sounding) -> None:  # type: ignore[no-untyped-def]
        oracle, before, after = self.oracle, self.now, self._setting()
        price = oracle.costs.move + oracle.price(slot, tick)
        made: dict[int, list[cp_model.IntVar]] = {1: [], 2: []}
        letters = "DCB" if foot == 0 else "EFGA"
        for letter in PEDALS:
            if letter not in letters:
                for p in POSITIONS:
                    self.model.add(after[letter, p] == before[letter, p])
                continue
            flows = {(a, b): self._flag() for a, b in product(POSITIONS, repeat=2)}
            for p in POSITIONS:
                self.model.add(sum(flows[p, b] for b in POSITIONS) == before[letter, p])
                self.model.add(sum(flows[a, p] for a in POSITIONS) == after[letter, p])
            for (a, b), flow in flows.items():
                if a == b:
                    continue
                made[abs(a - b)].append(flow)
                single = oracle.leaving(slot, tick, letter, a, False, sounding)
                double = oracle.leaving(slot, tick, letter, a, True, sounding)
                far = oracle.costs.second_notch if abs(a - b) == 2 else 0.0
                self._cost(price + double + far, flow)
                if _whole(single - double):
                    alone = self._flag()
                    others = self._givers(before, letter, a)
                    self.model.add_bool_or([alone, flow.negated(), *others])
                    self._cost(single - double, alone)
                held = oracle.arriving(slot, tick, letter, b, True, sounding)
                for other in self._givers(before, letter, b) if held else ():
                    joined = self._flag()
                    self.model.add_bool_or([joined, flow.negated(), other.negated()])
                    self._cost(held, joined)
        every = [*made[1], *made[2]]
        self.model.add_at_most_one(every)
        moved = {n: self._flag() for n in (1, 2)}
        for n in (1, 2):
            self.model.add(sum(made[n]) == moved[n])
        self._hurry(foot, oracle.part.seconds(tick), moved)
        self.now = after

    def _givers(
        self, table: dict[tuple[str, int], cp_model.IntVar], letter: str, position: int
    ) -> list[cp_model.IntVar]:
        """Flags of the other letters that give the sound of a letter at a position."""
        mine = sound(letter, position)
        return [
            table[other, p]
            for other in PEDALS
            for p in POSITIONS
            if other != letter and sound(other, p) == mine
        ]

    def _hurry(self, foot: int, now: float, moved: dict[int, cp_model.IntVar]) -> None:
        earlier = self.moved[foot]
        between: list[cp_model.IntVar] = []
        for then, flags in reversed(earlier):
            for n in (1, 2):
                charge = self.oracle.hurry(now - self.oracle.counts_at(then), n)
                if not charge:
                    continue
                for first in flags.values():
                    hurried = self._flag()
                    self.model.add_bool_or(
                        [hurried, moved[n].negated(), first.negated(), *between]
                    )
                    self._cost(charge, hurried)
            between.extend(flags.values())
        earlier.append((now, moved))
