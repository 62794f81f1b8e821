"""Grows the variants of one column, by combining edits.

Every edit that a strategy proposes for the original is read in full, and so is every sweep: all
edits of one strategy that do not clash, in both staves or in one, as one move. What sets of moves
would do together is guessed from that (`combine`), and the sets that promise most are read. From
the best variants so far further sets are read, since a guess goes wrong the further it reaches;
where a column is grown anew the strategies propose anew for them, too. What comes back is a small
set of variants (`variants.thinned`).
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass

from simplify.distance import distance
from simplify.errors import EditError
from simplify.harp.player import Player
from simplify.score.model import Edit, NoteId, Part, Passage
from simplify.search.combine import Effect, Guess, Move, MoveKey, effect_of, key_of
from simplify.search.reading import read_bars
from simplify.search.settings import SearchSettings
from simplify.search.variants import (
    Column,
    Tally,
    Variant,
    Weights,
    lattice_views,
    thinned,
    views_of,
)
from simplify.sense import slips
from simplify.strategy import ALL_KEPT, Keeps, Strategy, broken_promises, proposals


@dataclass(frozen=True, slots=True)
class Grown:
    """What growing a column (its number in the lattice) brings: variants (the original first),
    counts, effects of the moves."""

    at: int
    variants: tuple[Variant, ...]
    tally: Tally
    effects: dict[MoveKey, Effect]


@dataclass(frozen=True, slots=True)
class _Node:
    """A variant while it grows, with the column's part rewritten."""

    variant: Variant
    part: Part


class _Grower:
    """Grows the variants of one column (mutable builder of an immutable result)."""

    def __init__(
        self,
        column: Column,
        player: Player,
        strategies: Sequence[Strategy],
        keeps: Keeps,
        numbers: SearchSettings,
        until: float | None,
        effects: dict[MoveKey, Effect] | None,
    ) -> None:
        self.column, self.player, self.strategies = column, player, strategies
        self.keeps, self.numbers, self.until = keeps, numbers, until
        self.promises = {strategy.name: strategy.keeps for strategy in strategies}
        self.before = column.passage(column.part)
        self.around = Passage(column.part, 0, len(column.part.bars) - 1)
        self.views = views_of(numbers)
        self.goals = (*self.views, *lattice_views(numbers))
        self.tally = Tally()
        self.seen: set[frozenset[NoteId]] = set()
        self.again = effects is not None
        self.effects: dict[MoveKey, Effect] = dict(effects or {})
        self.everything: list[_Node] = []

    def out_of_time(self) -> bool:
        return self.until is not None and time.monotonic() > self.until

    def read(self, part: Part, edits: tuple[Edit, ...]) -> _Node | None:
        """The variant, or None when it breaks a promise or goes too far; each content once. What
        all of its strategies promise, their edits together have to hold too."""
        passage = self.column.passage(part)
        ids = frozenset(note.id for note in passage.notes)
        if ids in self.seen:
            return None
        self.seen.add(ids)
        shared = ALL_KEPT
        for edit in edits:
            shared &= self.promises[edit.strategy]
        if edits and broken_promises(self.before, passage, self.keeps | shared):
            return None
        far = 0.0
        if edits:
            found = distance(self.before, passage)
            if found.total > self.numbers.distance:
                return None
            far = found.counted(self.column.counts)
        made = len(slips(self.around, self.around.of(part))) if edits else 0
        self.tally.readings += 1
        at, last = self.column.at, self.column.last_at
        bars = read_bars(part, self.player, at, last).bars
        rows = part.notes_by_bar[at : last + 1]
        node = _Node(Variant(edits, at, rows, ids, far, made, bars), part)
        self.everything.append(node)
        return node

    def offers(self, node: _Node) -> list[Move]:
        """All proposals for a variant, in the order of the catalogue, and after those of each
        strategy its sweeps."""
        passage = self.column.passage(node.part)
        found: list[Move] = []
        for strategy in self.strategies:
            began = time.perf_counter()
            edits = proposals(strategy, passage, self.player)
            self.tally.count(strategy.name, len(edits), time.perf_counter() - began)
            found.extend((edit,) for edit in edits)
            found.extend(_sweeps(edits))
        return found

    def move(self, node: _Node, move: Move) -> _Node | None:
        """The variant that a move makes of another, read; None if it is none or was seen."""
        removed, added = key_of(move)
        if (node.variant.ids - removed) | added in self.seen:
            return None
        try:
            part = node.part.apply_all(move)
        except EditError:
            return None  # an edit that needs a note the ones before took
        return self.read(part, (*node.variant.edits, *move))

    def single_moves(self, node: _Node, moves: Sequence[Move], most: int | None) -> None:
        """Reads a variant's moves by themselves, up to `most`, and notes their effects."""
        count = 0
        for move in moves:
            if self.out_of_time() or count == most:
                break
            child = self.move(node, move)
            if child is not None:
                count += 1
                self.effects[key_of(move)] = effect_of(
                    move, node.variant, child.variant, self.numbers, self.player.rules
                )

    def sets_of_moves(self, node: _Node, most: int) -> None:
        """Reads the sets of moves that promise most, up to `most`."""
        guess = Guess(node.variant, list(self.effects.values()), self.numbers, self.player.rules)
        count = 0
        for combo in guess.combos(self.views, self.goals, self.numbers.width, self.numbers.depth):
            if self.out_of_time() or count == most:
                break
            moves = tuple(edit for at in combo for edit in guess.effects[at].move)
            count += self.move(node, moves) is not None

    def grow(self) -> tuple[Variant, ...]:
        original = self.read(self.column.part, ())
        if original is None:
            return ()
        numbers = self.numbers
        if not self.again:
            self.single_moves(original, self.offers(original), None)
        self.sets_of_moves(original, numbers.sets)
        done = {id(original)}
        for goal in self.goals:
            node = self._most_promising(goal, done)
            if node is not None and not self.out_of_time():
                done.add(id(node))
                self.sets_of_moves(node, numbers.carried)
        for _ in range(numbers.again if self.again else 0):
            if self.out_of_time():
                break
            for view in self.views:
                node = self._most_promising(view, done)
                if node is None:
                    continue
                done.add(id(node))
                fresh = [m for m in self.offers(node) if key_of(m) not in self.effects]
                self.single_moves(node, sorted(fresh, key=self._expected), numbers.trials)
                self.sets_of_moves(node, numbers.trials)
        kept = [n.variant for n in self.everything if n is original or _eases(n, original)]
        return thinned(kept, numbers)

    def _most_promising(self, view: Weights, done: set[int]) -> _Node | None:
        """The best variant in a view that was not carried on, if it is among the best few."""
        ranked = sorted(
            self.everything, key=lambda n: (view.cost(n.variant), sorted(n.variant.ids))
        )
        return next((n for n in ranked[: self.numbers.contenders] if id(n) not in done), None)

    def _expected(self, move: Move) -> float:
        """Sort key: the least demand that a move of this strategy has left, in sum."""
        name = move[0].strategy
        known = [e for e in self.effects.values() if e.move[0].strategy == name]
        return min((sum(e.demands) + e.faults for e in known), default=0.0)


def _eases(node: _Node, original: _Node) -> bool:
    """True if the variant is easier than the original in anything: one that is not is noise."""
    child, parent = node.variant, original.variant
    return (
        child.faults < parent.faults
        or child.excess < parent.excess - 1e-9
        or child.strain < parent.strain - 1e-9
    )


def _sweeps(edits: Sequence[Edit]) -> list[Move]:
    """The edits of one strategy together, as far as they do not clash: all of them, and those on
    either staff; each set once, none of a single edit."""
    found: list[Move] = []
    for staff in (0, 1, 2):
        chosen: list[Edit] = []
        for edit in edits:
            if staff and any(note.staff != staff for note in edit.add):
                continue
            if not any(edit.clashes(other) for other in chosen):
                chosen.append(edit)
        if len(chosen) > 1 and tuple(chosen) not in found:
            found.append(tuple(chosen))
    return found


def grow_variants(
    column: Column,
    at: int,
    player: Player,
    strategies: Sequence[Strategy],
    keeps: Keeps,
    numbers: SearchSettings,
    until: float | None = None,
    effects: dict[MoveKey, Effect] | None = None,
) -> Grown:
    """Variants of a column. `until`: `time.monotonic()` at which to stop with the best so far;
    `effects`: of an earlier growth of the same bars among other neighbours, so that this time only
    the sets of moves that promise most are read."""
    grower = _Grower(column, player, strategies, keeps, numbers, until, effects)
    variants = grower.grow()
    return Grown(at, variants, grower.tally, grower.effects)
