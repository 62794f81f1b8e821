"""Trades notes of a path for others: what strains much and counts little for what counts more.

Once no note can be given back as the rules stand (`give_back`), strain is what is scarce: every
note costs some and brings the music nearer by some. So what single notes and chords of the
accompaniment would free is read, many columns at a time, and the dearest gifts that were refused
are paid for with the cheapest of these, as long as that brings the whole nearer: the exchange of a
knapsack that is filled by value for weight (Dantzig 1957, Discrete-Variable Extremum Problems), but
with a limit on every run of bars. What is expected of all trades together is read at last.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from simplify.difficulty.load import sustained_each
from simplify.search.asked import Asked, Price, may_hold, price
from simplify.search.reading import Reading
from simplify.search.touch import State, Touch, Touching


@dataclass(frozen=True, slots=True)
class Deal:
    """A gift and the drops that pay for it."""

    gift: Price
    paid: tuple[Price, ...]

    @property
    def columns(self) -> frozenset[int]:
        """That it touches."""
        return frozenset(one.at for one in (self.gift, *self.paid))


def trade(touching: Touching, readings: int, asked: Asked) -> int:
    """Trades notes for those refused, in up to so many readings; says how many are left. Of what is
    refused, what concerns columns that change may be asked again; what is dropped goes in."""
    numbers = touching.lattice.numbers
    drops, left = _priced_drops(touching, int(readings * numbers.trade_share), asked)
    readings -= int(readings * numbers.trade_share) - left
    gifts = [
        one for one in asked.refused.values() if one is not None and one.saved > numbers.gift_worth
    ]
    while readings > 0 and not touching.lattice.out_of_time():
        deals = _apart(_deals(touching, gifts, drops))
        if not deals:
            break
        tried = [deal.gift for deal in deals]
        while deals and readings > 0:
            fresh = _composed(touching, deals)
            reading = touching.read(fresh)
            readings -= 1
            if reading is None:
                break
            if reading.within:
                touching.take(fresh, reading)
                _forget(touching, deals, asked)
                spent = [one for deal in deals for one in deal.paid]
                drops = [one for one in drops if one not in spent]
                break
            kept = _affordable(touching, deals, reading)
            deals = kept if len(kept) < len(deals) else deals[:-1]
        gifts = [one for one in gifts if one not in tried]
    return readings


def _apart(deals: Sequence[Deal]) -> list[Deal]:
    """Of deals, the best first, those that touch no column of an earlier one nor one beside it."""
    taken: set[int] = set()
    found = []
    for deal in deals:
        if not any({at - 1, at, at + 1} & taken for at in deal.columns):
            found.append(deal)
            taken |= deal.columns
    return found


def _affordable(touching: Touching, deals: Sequence[Deal], after: Reading) -> list[Deal]:
    """Those of the deals which, as they came out beside each other, the rules would take."""
    kept: list[Deal] = []
    for deal in deals:
        columns = {at for one in (*kept, deal) for at in one.columns}
        if may_hold(touching, after, columns):
            kept.append(deal)
    return kept


def _priced_drops(
    touching: Touching, readings: int, asked: Asked
) -> tuple[list[Price], int]:
    """What drops were read to free, the cheapest tried first; and the readings left."""
    lattice = touching.lattice
    waiting: dict[int, list[tuple[float, Touch, State]]] = {}
    prices: list[Price] = []
    for at, state in touching.states.items():
        found = []
        for drop in touching.drops(at):
            if asked.knows(touching, at, drop):
                one = asked.of(touching, at, drop)
                if one is not None:
                    prices.append(one)
                continue
            without = touching.touched(at, [drop])
            if without is not None and without.effort - state.effort < lattice.numbers.drop_cost:
                found.append((without.effort - state.effort, drop, without))
            else:
                asked.note(touching, at, drop, None)
        found.sort(key=lambda row: row[0], reverse=True)
        waiting[at] = found
    turn = 0
    while any(waiting.values()) and readings > 0 and not lattice.out_of_time():
        tried: dict[int, tuple[Touch, State]] = {}
        for at in sorted(waiting, key=lambda at: ((at + turn) % 2, at)):
            if waiting[at] and not {at - 1, at + 1} & tried.keys():
                tried[at] = waiting[at].pop()[1:]
        turn += 1
        readings -= 1
        reading = touching.read({at: state for at, (_, state) in tried.items()})
        if reading is None:
            continue
        for at, (drop, without) in tried.items():
            one = price(touching, at, drop, without.effort, reading)
            if one is not None and one.added >= 0.0:
                one = None
            asked.note(touching, at, drop, one)
            if one is not None:
                prices.append(one)
    return prices, readings


def _deals(
    touching: Touching, gifts: Sequence[Price], drops: Sequence[Price]
) -> list[Deal]:
    """The gifts that can be paid for, the best bargains first, with the drops that pay for each;
    each deal by itself brings the whole nearer."""
    dear = sorted(gifts, key=lambda one: -one.saved / max(one.added, 0.01))
    cheap = sorted(drops, key=lambda one: one.saved / one.added)
    strains = np.array([bar.strain for bar in touching.reading.bars])
    eased = np.zeros((len(strains), len(cheap)))
    for k, drop in enumerate(cheap):
        for bar, value in drop.strains:
            eased[bar, k] = value
    deals: list[Deal] = []
    chosen: list[Price] = []
    for gift in dear:
        if _meets(gift, chosen):
            continue
        now, paid, cost, tried = strains.copy(), list[Price](), 0.0, 0
        for bar, value in gift.strains:
            now[bar] += value
        over = float(sustained_each(now))
        while over > 1.0 and tried < len(cheap):
            after = sustained_each(now[:, None] + eased[:, tried:])
            for k in (tried + np.flatnonzero(after < over - 1e-6)).tolist():
                if cost - cheap[k].saved < gift.saved and not _meets(
                    cheap[k], [gift, *chosen, *paid]
                ):
                    now, cost, over = now + eased[:, k], cost - cheap[k].saved, after[k - tried]
                    paid.append(cheap[k])
                    tried = k + 1
                    break
            else:
                break
        if over <= 1.0:
            strains = now
            chosen += [gift, *paid]
            deals.append(Deal(gift, tuple(paid)))
    return deals


def _meets(one: Price, others: Iterable[Price]) -> bool:
    return any(one.at == other.at and one.touch.places & other.touch.places for other in others)


def _composed(touching: Touching, deals: Sequence[Deal]) -> dict[int, State]:
    """The columns with all that was dealt for them; deals that can't be written, or do not bring
    the whole nearer, are left out."""
    found: dict[int, State] = {}
    for deal in deals:
        own: dict[int, State] = {}
        for at in sorted(deal.columns):
            touches = [one.touch for one in (*deal.paid, deal.gift) if one.at == at]
            state = touching.touched(at, touches)
            if state is None:
                break
            own[at] = state
        else:
            saved = sum(touching.states[at].effort - state.effort for at, state in own.items())
            if saved > touching.lattice.numbers.gift_worth:
                found |= own
    return found


def _forget(touching: Touching, deals: Iterable[Deal], asked: Asked) -> None:
    """What was refused beside columns that are others now may be asked again, but for what was
    just dropped."""
    near = {at + side for deal in deals for at in deal.columns for side in (-1, 0, 1)}
    refused = asked.refused
    for key in [key for key, one in refused.items() if one is not None and key[0] in near]:
        del refused[key]
    for one in (one for deal in deals for one in deal.paid):
        bar = touching.lattice.spans[one.at][0] + one.touch.bar
        for note in touching.basis.part.notes_by_bar[bar]:
            if (note.onset, note.pitch.midi) in one.touch.places:
                refused[one.at, (frozenset({note.id}), frozenset())] = None
