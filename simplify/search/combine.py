"""What moves on one column would do together, guessed from what each did alone.

A load is 1 - exp(-c * demand), and demands add up over items of work (`difficulty.curve`), so in
demands the effects of moves on different notes nearly add; loads, excess and strain follow from the
sums. A guess decides only what is read next, never what is shown.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simplify.difficulty.curve import numbers
from simplify.harp.player import LAYERS, MODERATE, Rules
from simplify.score.model import Edit, NoteId
from simplify.search.reading import bar_excess, most_strain
from simplify.search.settings import SearchSettings
from simplify.search.variants import Variant, Weights

Floats = npt.NDArray[np.float64]

Move = tuple[Edit, ...]
"""One step of growth: an edit, or a strategy's edits as one sweep."""

MoveKey = tuple[frozenset[NoteId], frozenset[NoteId]]
"""The notes that a move takes and gives: the same move in another growth of the same bars."""


def key_of(move: Move) -> MoveKey:
    """The move's key."""
    return (
        frozenset(i for edit in move for i in edit.remove),
        frozenset(note.id for edit in move for note in edit.add),
    )


@dataclass(frozen=True, slots=True)
class Effect:
    """What a move changed when it was read: effort (with steps and slips), faults, excess that no
    load is to blame for (joins), and the demand of each layer in each bar."""

    move: Move
    effort: float
    faults: float
    joins: float
    demands: tuple[float, ...]


def effect_of(
    move: Move, before: Variant, after: Variant, given: SearchSettings, rules: Rules
) -> Effect:
    """The effect of a move that made one variant of another."""
    weights = Weights(0.0, 0.0, 0.0, given.step, given.slip)
    return Effect(
        move,
        weights.effort(after) - weights.effort(before),
        float(after.faults - before.faults),
        _joins(after, rules) - _joins(before, rules),
        tuple(b - a for a, b in zip(_demands(before), _demands(after), strict=True)),
    )


def _demands(variant: Variant) -> list[float]:
    return [-math.log(max(1e-9, 1.0 - load)) for bar in variant.bars for load in bar.layers]


def _joins(variant: Variant, rules: Rules) -> float:
    return variant.excess - sum(bar_excess(bar.layers, rules) for bar in variant.bars)


Combo = tuple[int, ...]
"""Indices of the effects whose moves are taken together, ascending."""


class Guess:
    """What sets of moves are expected to make of one variant (`base`).

    Rows are (effort, faults, joins, demands of all bars and layers).
    """

    def __init__(
        self, base: Variant, effects: Sequence[Effect], given: SearchSettings, rules: Rules
    ) -> None:
        self.effects = [effect for effect in effects if _fits(effect.move, base)]
        self.rules, self.bars = rules, len(base.bars)
        effort = Weights(0.0, 0.0, 0.0, given.step, given.slip).effort(base)
        self.base = np.array([effort, base.faults, _joins(base, rules), *_demands(base)])
        self.rows = np.array([[e.effort, e.faults, e.joins, *e.demands] for e in self.effects])
        keys = [key_of(effect.move) for effect in self.effects]
        touched = [removed | added for removed, added in keys]
        self.free = np.array(
            [[not one & other for other in touched] for one in touched], dtype=bool
        )

    def combos(
        self, views: Sequence[Weights], goals: Sequence[Weights], width: int, depth: int
    ) -> list[Combo]:
        """Sets of moves, grown by beams, one a view; of all that were met the best for each goal,
        in the order of the goals, then the second best, then the third."""
        if not self.effects:
            return []
        met: dict[Combo, Floats] = {}
        for view in views:
            beam: list[Combo] = [()]
            for _ in range(depth):
                beam = self._wider(beam, view, width, met)
                if not beam:
                    break
        combos = list(met)
        rows = np.array([met[combo] for combo in combos])
        found: dict[Combo, None] = {}
        ranked = [np.argsort(self._costs(rows, goal), kind="stable")[:3] for goal in goals]
        for places in zip(*(row.tolist() for row in ranked), strict=True):
            for at in places:
                found.setdefault(combos[at])
        return list(found)

    def _wider(
        self, beam: list[Combo], view: Weights, width: int, met: dict[Combo, Floats]
    ) -> list[Combo]:
        """The best sets that are one move larger than those of the beam."""
        grown: dict[Combo, Floats] = {}
        for combo in beam:
            free = self.free[list(combo)].all(axis=0)
            sums = self.base + self.rows[list(combo)].sum(axis=0)
            for at in np.flatnonzero(free).tolist():
                wider = tuple(sorted((*combo, at)))
                if wider not in grown:
                    grown[wider] = sums + self.rows[at]
        if not grown:
            return []
        combos = list(grown)
        costs = self._costs(np.array([grown[combo] for combo in combos]), view)
        best = [combos[i] for i in np.argsort(costs, kind="stable")[:width].tolist()]
        met.update({combo: grown[combo] for combo in best})
        return best

    def _costs(self, rows: Floats, view: Weights) -> Floats:
        """Shape (n, 3 + bars * 6) to (n,): the cost of each row in a view."""
        table, rules = numbers("load"), self.rules
        demands = np.maximum(rows[:, 3:], 0.0).reshape(len(rows), self.bars, len(LAYERS))
        loads = 1.0 - np.exp(-demands)
        weights = np.array([table[f"weight_{layer}"] for layer in LAYERS])
        heavy = weights * loads ** table["power"]
        total = heavy.sum(axis=2)
        stacked = total + table["pair"] * (total**2 - (heavy**2).sum(axis=2)) / 2.0
        scaled = table["length_1"] * stacked / table["scale"]
        alone = 100.0 * (1.0 - np.exp(-(scaled ** table["spread"])))
        over = np.maximum(loads - np.array(rules.caps), 0.0).sum(axis=2)
        over += np.maximum(alone - rules.max_load, 0.0) / 100.0
        ranked = -np.sort(-loads, axis=2)[:, :, rules.max_complex :]
        over += np.maximum(ranked - MODERATE, 0.0).sum(axis=2)
        for one, other, at_one, at_other in rules.forbidden:
            a, b = loads[:, :, LAYERS.index(one)], loads[:, :, LAYERS.index(other)]
            over += np.maximum(np.minimum(a - at_one, b - at_other), 0.0)
        costs: Floats = (
            rows[:, 0]
            + view.fault * np.maximum(rows[:, 1], 0.0)
            + view.excess * (over.sum(axis=1) + np.maximum(rows[:, 2], 0.0))
            + view.strain * stacked.sum(axis=1) / most_strain(rules)
        )
        return costs


def _fits(move: Move, base: Variant) -> bool:
    removed, added = key_of(move)
    return removed <= base.ids and not added & base.ids
