"""How rewrites are ordered, thinned and kept apart in kind.

Ranking orders and never edits: everything here is a pure function of finished candidates.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass

from simplify.distance import Distance
from simplify.realise.edit import WRITE_ANEW
from simplify.score.model import Edit, Part
from simplify.search.reading import Reading
from simplify.sense import Slip

Bars = tuple[frozenset[Hashable], ...]
"""For each of some bars what tells its notes apart."""


def written_bars(part: Part, first: int, last: int) -> Bars:
    """The notes of bars first..last (indices) as a player reads them: where, what, how long, with
    which signs, on which staff and for which hand."""
    return tuple(
        frozenset(
            (n.onset, n.grace, n.pitch, n.duration, n.tie_in, n.tie_out, n.staff, n.hand, n.marks)
            for n in row
        )
        for row in part.notes_by_bar[first : last + 1]
    )


@dataclass(frozen=True, slots=True)
class Candidate:
    """A finished rewrite of a passage. part: the whole part rewritten; edits: in the order in
    which they apply to the source part; bars: for each bar of the passage its notes as written,
    whatever edit wrote them and in whatever voice (`written_bars`);
    faults: counted in the passage when the whole part is performed; slips: what it does as music
    that the source does not; unlike: share of the bars with a repeated figure that no longer match
    (see `figures.unlike`)."""

    part: Part
    edits: tuple[Edit, ...]
    bars: Bars
    distance: Distance
    reading: Reading
    within: bool
    faults: int
    slips: tuple[Slip, ...] = ()
    unlike: float = 0.0

    @property
    def kinds(self) -> frozenset[str]:
        """Names of the strategies used."""
        return frozenset(edit.strategy for edit in self.edits)

    @property
    def bar_kinds(self) -> frozenset[tuple[int, str]]:
        """(bar, strategy) for every edit."""
        return frozenset((n.bar, e.strategy) for e in self.edits for n in e.add) | frozenset(
            (-1, e.strategy) for e in self.edits
        )


@dataclass(frozen=True, slots=True)
class Worth:
    """What is worth distance when alternatives are chosen. slip: that one slip less is made, in one
    bar's distance; spotless: that none is made at all; unlike: that all bars of a figure stay
    alike; kinds: to be quite unlike those chosen before, in bars and in kind."""

    slip: float = 0.0
    spotless: float = 0.0
    unlike: float = 0.0
    kinds: float = 0.0


def rank_key(candidate: Candidate) -> tuple[int, bool, float, float, int, int]:
    """Playable first, since a rewrite with a fault is none; then within the tier, since that was
    asked for; then the least distance, since the music is the composer's; then the lower
    difficulty; then the fewer steps, since they are easier to follow; then steps that say what they
    do to which notes rather than bars written anew."""
    return (
        candidate.faults,
        not candidate.within,
        round(candidate.distance.total, 6),
        round(candidate.reading.difficulty, 6),
        len(candidate.edits),
        sum(edit.strategy == WRITE_ANEW for edit in candidate.edits),
    )


def _entry_key(
    candidate: Candidate, worth: Worth, more: float = 0.0, first: bool = False
) -> tuple[object, ...]:
    """The order in which candidates are looked at: `rank_key`, with what each lacks counted as
    distance, and `more` of it. first: whether it is the first alternative that is looked for, which
    comes first whatever figures it breaks up."""
    faults, above, far, *rest = rank_key(candidate)
    slips = len(candidate.slips)
    far += worth.slip * slips / len(candidate.bars) + worth.spotless * bool(slips) + more
    if not first:
        far += worth.unlike * candidate.unlike
    return faults, above, far, *rest


def difference_in_kind(one: Candidate, other: Candidate) -> float:
    """0 to 1: one minus the share (Jaccard) of (bar, strategy) pairs that both use."""
    union = one.bar_kinds | other.bar_kinds
    return 1.0 - len(one.bar_kinds & other.bar_kinds) / len(union) if union else 0.0


def bars_apart(
    one: Candidate, other: Candidate, source: Bars, alike: float = 0.0
) -> float:
    """Share of the bars that either changes in which the two differ (0: the same music). alike:
    share of a bar's notes (of both) that may be in only one of them."""
    changed = [i for i, ids in enumerate(source) if one.bars[i] != ids or other.bars[i] != ids]
    if not changed:
        return 0.0

    def differ(at: int) -> bool:
        mine, theirs = one.bars[at], other.bars[at]
        return len(mine ^ theirs) > alike * len(mine | theirs)

    return sum(differ(i) for i in changed) / len(changed)


def dominates(one: Candidate, other: Candidate) -> bool:
    """True if `one` is no worse in distance and difficulty, and better in one of them."""
    mine = (one.distance.total, one.reading.difficulty)
    theirs = (other.distance.total, other.reading.difficulty)
    return mine[0] <= theirs[0] and mine[1] <= theirs[1] and mine != theirs


@dataclass(frozen=True, slots=True)
class Choice:
    """A ranked alternative; `note` says why a dominated one is shown all the same."""

    candidate: Candidate
    note: str = ""


def choose(
    candidates: Iterable[Candidate],
    source: Bars,
    count: int,
    near_copy: float,
    alike: float = 0.0,
    worth: Worth = Worth(),
) -> tuple[Choice, ...]:
    """The alternatives to show, best first.

    The first in rank order comes first, slips counted as distance, and then one after the other
    what is best beside those chosen, with all that is worth distance counted (`Worth`; likeness is
    that to the most similar of those chosen). A candidate enters if it is not a near copy of one
    already in (it must differ in at least `near_copy` of the changed bars, where bars that share
    all but a share of `alike` of their notes do not) and if, of it and any one in that dominates it
    or is dominated by it, the worse differs in kind and then says so: more than half of its steps
    are of other strategies or in other bars, or it makes no slip where the better does, or keeps
    figures that the better breaks up. Room that is left goes to undominated ones, at most one near
    copy among them.
    """
    pool = sorted(candidates, key=lambda c: _entry_key(c, worth, first=True))
    chosen = pool[: min(1, count)]
    waiting: list[Candidate] = []
    rest = sorted(pool[1:], key=lambda c: _entry_key(c, worth))
    close = dict.fromkeys(map(id, rest), 0.0)
    while rest and len(chosen) < count:
        last, open_to = chosen[-1], []
        for candidate in rest:
            apart = bars_apart(candidate, last, source, alike)
            if apart < near_copy or not _both_stand(candidate, last):
                waiting.append(candidate)
                continue
            near = 1.0 - (difference_in_kind(candidate, last) + apart) / 2.0
            close[id(candidate)] = max(close[id(candidate)], near)
            open_to.append(candidate)
        if open_to:
            best = min(open_to, key=lambda c: _entry_key(c, worth, worth.kinds * close[id(c)]))
            chosen.append(best)
            open_to = [c for c in open_to if c is not best]
        rest = open_to
    waiting.sort(key=lambda c: _entry_key(c, worth))
    copies = 0
    for candidate in waiting:  # rather than show too few: the rest of the front, one near copy
        if len(chosen) >= count:
            break
        if any(candidate.bars == c.bars for c in chosen):
            continue
        apart = min((bars_apart(candidate, c, source, alike) for c in chosen), default=1.0)
        if apart < near_copy and copies:
            continue
        if not any(dominates(c, candidate) or dominates(candidate, c) for c in chosen):
            chosen.append(candidate)
            copies += apart < near_copy
    return tuple(
        Choice(candidate, _note(candidate, chosen)) for candidate in sorted(chosen, key=rank_key)
    )


def _both_stand(one: Candidate, other: Candidate) -> bool:
    """True if neither dominates the other, or the one that is worse differs in kind."""
    if dominates(one, other):
        one, other = other, one
    elif not dominates(other, one):
        return True
    return (
        difference_in_kind(one, other) > 0.5
        or bool(other.slips and not one.slips)
        or keeps_figures(one, other)
    )


def keeps_figures(one: Candidate, other: Candidate) -> bool:
    """True if one treats like bars alike where the other does not: in half of them at least."""
    return other.unlike - one.unlike >= 0.5


def _note(candidate: Candidate, chosen: Sequence[Candidate]) -> str:
    """Why a dominated candidate is shown all the same."""
    beaten = [c for c in chosen if dominates(c, candidate)]
    if not beaten:
        return ""
    if all(keeps_figures(candidate, c) for c in beaten):
        return "differs in kind from the closer ones: bars that were alike are still alike"
    if all(c.slips for c in beaten) and not candidate.slips:
        return "differs in kind from the closer ones: it keeps the harmony and its voice leading"
    return "differs in kind from the closer ones"
