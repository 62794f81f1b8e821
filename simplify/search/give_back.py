"""Gives notes of the source back to a path, as long as it stays within the rules.

A bar written anew loses what its dials take, whether the rules ask for every note of it or not. So
of a path within the rules, notes that the source has and the path has not are tried again, one gift
a column and no two in neighbouring columns at a time. Where that is too much, the reading tells
what each cost, and those that can be had together are read once more.
"""

from __future__ import annotations

from collections.abc import Mapping

from simplify.search.asked import Asked, has_room, may_hold, price
from simplify.search.reading import Reading
from simplify.search.touch import State, Touch, Touching


def give_back(touching: Touching, readings: int, asked: Asked) -> int:
    """Gives back what the rules allow, in up to so many readings; says how many are left. What is
    found out of gifts goes in there."""
    turn, idle = 0, 0
    lattice = touching.lattice
    while idle < 2 and readings > 0 and not lattice.out_of_time():
        offered: dict[int, tuple[Touch, State]] = {}
        for at in sorted(touching.states, key=lambda at: ((at + turn) % 2, at)):
            if not {at - 1, at + 1} & offered.keys():
                gift = _gift(touching, at, asked)
                if gift is not None:
                    offered[at] = gift
        readings = _taken(touching, offered, readings, asked)
        idle = 0 if offered else idle + 1
        turn += 1
    return readings


def _gift(touching: Touching, at: int, asked: Asked) -> tuple[Touch, State] | None:
    """The first gift to a column that brings it nearer, and for which there may be room."""
    for gift in touching.gifts(at):
        if (at, gift.key) in asked.refused:
            continue
        known = asked.knows(touching, at, gift)
        one = asked.of(touching, at, gift) if known else None
        if not known or (one is not None and has_room(touching, one)):
            state = touching.touched(at, [gift])
            worth = touching.lattice.numbers.gift_worth
            if state is not None and touching.states[at].effort - state.effort > worth:
                return gift, state
            asked.note(touching, at, gift, None)
        asked.refused[at, gift.key] = one
    return None


def _taken(
    touching: Touching, offered: Mapping[int, tuple[Touch, State]], readings: int, asked: Asked
) -> int:
    """Takes as many of the gifts as the rules allow; the readings left."""
    waiting = {at: state for at, (_, state) in offered.items()}
    while waiting and readings > 0:
        reading, before = touching.read(waiting), touching.reading
        readings -= 1
        if reading is not None and reading.within:
            touching.take(waiting, reading)
            break
        kept: dict[int, State] = {}
        if reading is not None:
            kept = affordable(touching, waiting, reading)
            if len(kept) == len(waiting):
                kept.pop(touching.lattice.to_blame(before, reading, sorted(kept)))
        for at in waiting.keys() - kept.keys():
            gift, found = offered[at][0], None
            if reading is not None:
                found = price(touching, at, gift, waiting[at].effort, reading)
                asked.note(touching, at, gift, found)
            asked.refused[at, gift.key] = found
        waiting = kept
    return readings


def affordable(
    touching: Touching, waiting: Mapping[int, State], after: Reading
) -> dict[int, State]:
    """Those of the columns waiting which, as they came out beside each other, the rules would take
    together; the best bargains first."""
    lattice, before = touching.lattice, touching.reading

    def bargain(at: int) -> float:
        low, high = lattice.inside(at)
        more = after.over(low, high)[2] - before.over(low, high)[2]
        saved = touching.states[at].effort - waiting[at].effort
        return saved / (max(more, 0.0) + 0.05)

    kept: list[int] = []
    for at in sorted(waiting, key=lambda at: (-bargain(at), at)):
        if may_hold(touching, after, [*kept, at]):
            kept.append(at)
    return {at: waiting[at] for at in kept}
