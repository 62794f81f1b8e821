"""Giving notes back and trading them: only the source's own, within the rules, always nearer.

The music is real (music21's corpus); what is held is what the trade asks of a lighter part: no note
that the composer did not write, the tune untouched, nothing unplayable gained by it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import music21
import numpy as np
import pytest

from simplify.difficulty.load import assess, within, would_hold
from simplify.distance import PARTS, distance, masses
from simplify.harp.player import tier_player
from simplify.realise.bar import Basis, Dials, Rows, basis_of, enriched
from simplify.realise.edit import rewritten, written_anew
from simplify.score.model import Part, Passage, changed
from simplify.score.read import open_score, select_part
from simplify.score.text import parse_part
from simplify.search.asked import Asked, Known, Price, Question, has_room, price
from simplify.search.ease import ease
from simplify.search.give_back import affordable, give_back
from simplify.search.lattice import Lattice, Path, cut_columns
from simplify.search.search import search
from simplify.search.settings import settings
from simplify.search.touch import LEFT, Touching
from simplify.search.trade import trade
from simplify.sense import slips
from simplify.strategy import Keeps, broken_promises
from simplify.technique.perform import perform
from strategies import ALL

AMATEUR = tier_player("amateur")
NUMBERS = settings()
CASES = [("joplin/maple_leaf_rag", 1, 6), ("chopin/mazurka06-2", 28, 35)]


@cache
def piece(name: str) -> Part:
    return select_part(open_score(str(music21.corpus.getWork(name))), None).part


@dataclass(frozen=True)
class Eased:
    """A passage, its lattice, and the path on which easing brought it within the tier."""

    lattice: Lattice
    basis: Basis
    path: Path

    def touching(self) -> Touching:
        return Touching(self.lattice.copy(), self.basis, self.path)


def eased(name: str, first: int, last: int, keeps: Keeps = Keeps.NOTHING) -> Eased:
    part = piece(name).window(first - 1, last + 1)
    low, high = 1, last - first + 1
    spans = cut_columns(part, low, high, NUMBERS.column_bars)
    lattice = Lattice(part, low, high, AMATEUR, NUMBERS, spans, keeps, None)
    basis = basis_of(part, AMATEUR.harp)
    rows = Rows(basis, AMATEUR, (low, high))  # as the search has them
    found = ease(
        basis, AMATEUR, promises={}, keeps=keeps, span=(low, high), rows=rows, until=None
    )
    bars = range(low, high + 1)
    dials = found.dials[low : high + 1]
    edits = written_anew(rows, dict(zip(bars, dials, strict=True)), spans)
    assert edits is not None
    own = [() if edit is None else (edit,) for edit in edits]
    whole = part.apply_all(edit for row in own for edit in row)
    way = lattice.ready(own, lattice.passage_reading(whole))
    assert way is not None
    path = lattice.enter(way)
    assert lattice.read(path).within
    return Eased(lattice, basis, path)


@pytest.mark.parametrize(("name", "first", "last"), [
    ("cpebach/h186", 16, 31), ("chopin/mazurka06-2", 1, 15),
])
def test_every_state_of_easing_can_be_written(name: str, first: int, last: int):
    """What easing tries comes into the lattice whole or not at all. In a bar of C. P. E. Bach a
    note would fill five sixteenths once its figures go; bars of Chopin come out as they were."""
    part = piece(name).window(first - 1, min(last + 1, len(piece(name).bars) - 1))
    basis, span = basis_of(part, AMATEUR.harp), (1, last - first + 1)
    rows = Rows(basis, AMATEUR, span)
    found = ease(basis, AMATEUR, span=span, rows=rows, even=True)
    assert found.reached
    bars, spans = range(span[0], span[1] + 1), cut_columns(part, *span, NUMBERS.column_bars)
    assert len(found.visited) > 15
    for dials, _ in found.visited:
        assert written_anew(rows, dict(zip(bars, dials, strict=True)), spans) is not None


@pytest.fixture(scope="module", params=CASES, ids=[case[0] for case in CASES])
def case(request: pytest.FixtureRequest) -> Eased:
    return eased(*request.param)


def places(part: Part) -> set[tuple[int, int]]:
    return {(note.onset, note.pitch.midi) for note in part.notes}


def finished(touching: Touching) -> Part:
    edits = [edit for own in touching.edits({}) for edit in own]
    return touching.lattice.part.apply_all(edits)


def effort(touching: Touching) -> float:
    return sum(state.effort for state in touching.states.values())


def test_what_comes_back_is_the_sources(case: Eased):
    """Every sound that the path gains is one that the source has, at its onset; what goes for it
    is none of the source's."""
    touching = case.touching()
    before, source = places(finished(touching)), places(touching.lattice.part)
    give_back(touching, NUMBERS.gifts, Asked())
    after = places(finished(touching))
    assert after - before
    assert after - before <= source
    assert not (before - after) & source


def test_it_stays_within_the_rules_and_comes_nearer(case: Eased):
    """The reading that is kept is the one that a fresh reading of the finished music gives."""
    touching = case.touching()
    was, old = effort(touching), finished(touching)
    give_back(touching, NUMBERS.gifts, Asked())
    new = finished(touching)
    again = case.lattice.copy().passage_reading(new)
    assert again.within
    assert not again.faults
    assert again == touching.reading
    assert effort(touching) < was
    whole = Passage(case.lattice.part, case.lattice.first, case.lattice.last)
    assert distance(whole, whole.of(new)).total < distance(whole, whole.of(old)).total


def test_no_slip_comes_in(case: Eased):
    """A seventh that stays unresolved or a parallel octave is not the price of a note."""
    touching = case.touching()
    made = {at: state.slips for at, state in touching.states.items()}
    left = give_back(touching, NUMBERS.gifts, Asked())
    trade(touching, left + 10, Asked())
    part = finished(touching)
    for at, (low, high) in enumerate(case.lattice.spans):
        old = Passage(case.lattice.part, low, high)
        assert len(slips(old, old.of(part))) <= made.get(at, 0)


def test_trades_bring_it_nearer_still(case: Eased):
    """After the gifts run out, dear notes are had for cheap ones; tune notes are never the coin."""
    touching, asked = case.touching(), Asked()
    give_back(touching, NUMBERS.gifts, asked)
    was, before = effort(touching), finished(touching)
    tune = {(n.onset, n.pitch.midi) for n in case.lattice.part.notes if n.id in case.basis.tune}
    trade(touching, NUMBERS.trades, asked)
    after = finished(touching)
    assert touching.reading == case.lattice.copy().passage_reading(after)
    assert touching.reading.within
    assert effort(touching) < was
    assert places(before) & tune <= places(after)
    assert places(before) - places(after)
    assert any(LEFT in edit.reason for own in touching.edits({}) for edit in own)


def test_what_is_left_out_can_be_asked_for_and_what_is_there_cannot(case: Eased):
    touching = case.touching()
    for at, state in touching.states.items():
        low, high = case.lattice.spans[at]
        now = {(n.onset, n.pitch.midi) for row in state.rows for n in row}
        source = {
            (n.onset, n.pitch.midi)
            for bar in range(low, high + 1) for n in case.lattice.part.notes_by_bar[bar]
        }
        for gift in touching.gifts(at):
            assert gift.instead <= now - source
            assert gift.places - gift.instead <= source - now
        offered = set().union(*(drop.places for drop in touching.drops(at)))
        assert offered <= now


def moved_tune(name: str, first: int, last: int) -> Touching:
    """Some bars with the tune straightened to half beats, and nothing else changed."""
    part = piece(name).window(first - 1, last + 1)
    low, high = 1, last - first + 1
    spans = cut_columns(part, low, high, NUMBERS.column_bars)
    lattice = Lattice(part, low, high, AMATEUR, NUMBERS, spans, Keeps.NOTHING, None)
    basis = basis_of(part, AMATEUR.harp)
    dials = dict.fromkeys(range(low, high + 1), Dials(rhythm=2))
    edits = written_anew(Rows(basis, AMATEUR, (low, high)), dials, spans)
    assert edits is not None
    own = [() if edit is None else (edit,) for edit in edits]
    whole = part.apply_all(edit for row in own for edit in row)
    way = lattice.ready(own, lattice.passage_reading(whole))
    assert way is not None
    return Touching(lattice, basis, lattice.enter(way))


def test_a_note_that_was_moved_comes_back_in_its_place():
    """A dotted tune of Chopin's that was made even: the short note goes where it was written, and
    is not struck twice."""
    touching = moved_tune("chopin/mazurka06-2", 60, 61)
    source = places(touching.lattice.part)
    count = 0
    for at in touching.states:
        moved = {
            (n.onset, n.pitch.midi) for row in touching.states[at].rows for n in row
        } - source
        gifts = [gift for gift in touching.gifts(at) if gift.instead]
        assert set().union(*(gift.instead for gift in gifts)) == moved
        for gift in gifts:
            state = touching.touched(at, [gift])
            assert state is not None
            now = {(n.onset, n.pitch.midi) for row in state.rows for n in row}
            assert gift.places - gift.instead <= now
            assert not gift.instead & now
            assert state.effort < touching.states[at].effort
            count += 1
    assert count > 1


def test_a_beat_of_a_hand_comes_back_at_once():
    """All of it that is lost, in one staff, within one felt beat: of triplets made even."""
    touching, found = moved_tune("chopin/mazurka06-2", 57, 58), 0
    for at in touching.states:
        alone = list(touching.gifts(at, beats=False))
        assert all(len({n.onset for n in gift.notes}) == 1 for gift in alone)
        for gift in (g for g in touching.gifts(at) if g not in alone):
            bar = touching.lattice.part.bars[touching.lattice.spans[at][0] + gift.bar]
            beats = {(n.onset - bar.onset + bar.lead) // bar.pulse_ticks for n in gift.notes}
            assert len(beats) == 1
            assert len({n.staff for n in gift.notes}) == 1
            assert len({n.onset for n in gift.notes}) > 1 or len(gift.instead) > 1
            found += 1
    assert found


def test_a_note_tied_over_the_bar_line_comes_back_without_the_tie():
    """What it is tied to is gone; the string rings all the same."""
    case = eased("schoenberg/opus19/movement6", 4, 7)
    touching, found = case.touching(), 0
    for at, (low, high) in enumerate(case.lattice.spans):
        if at not in touching.states:
            continue
        tied = {
            note.id for row in case.lattice.part.notes_by_bar[low : high + 1] for note in row
            if note.tie_out and not note.tie_in and not note.grace
        }
        for gift in touching.gifts(at):
            assert not any(note.tie_in or note.tie_out for note in gift.notes)
            if tied & {note.id for note in gift.notes}:
                found += touching.touched(at, [gift]) is not None
    assert found


def test_what_was_refused_is_not_tried_again(case: Eased):
    """A second pass with the same refusals finds nothing to read."""
    touching, asked = case.touching(), Asked()
    left = give_back(touching, 10 * NUMBERS.gifts, asked)
    assert left > 0
    assert give_back(touching, left, asked) == left
    assert any(isinstance(one, Price) for one in asked.refused.values())


def test_what_is_known_is_not_read_again(case: Eased):
    """Where a walk came out and was gone on from in vain, all was asked that can be: with that
    known, nothing is read but what trades come to together."""

    def walk(touching: Touching, known: Known) -> tuple[int, dict[Question, Price | None]]:
        asked, before = Asked(known), touching.lattice.tally.readings
        give_back(touching, 10 * NUMBERS.gifts, asked)
        trade(touching, 10 * NUMBERS.trades, asked)
        assert touching.reading == case.lattice.copy().passage_reading(finished(touching))
        assert touching.reading.within
        assert not asked.fresh.keys() & known.keys()
        return touching.lattice.tally.readings - before, asked.fresh

    touching, known = case.touching(), dict[Question, Price | None]()
    for _ in range(10):
        was = effort(touching)
        walk(touching, {})
        way = touching.way()
        assert way is not None
        lattice = case.lattice.copy()
        touching = Touching(lattice, case.basis, lattice.enter(way))
        if effort(touching) == was:
            break
    readings, known = walk(touching, {})
    assert effort(touching) == was
    again, fresh = walk(touching, known)
    assert again < 0.2 * readings
    assert not fresh


def test_a_price_says_whether_there_is_room(case: Eased):
    """Each gift by itself: what its price promises is what a reading of the whole says."""
    touching, right, wrong = case.touching(), 0, 0
    give_back(touching, 10 * NUMBERS.gifts, Asked())
    for at in touching.states:
        for gift in touching.gifts(at):
            state = touching.touched(at, [gift])
            reading = None if state is None else touching.read({at: state})
            if state is None or reading is None:
                continue
            one = price(touching, at, gift, state.effort, reading)
            if (one is not None and has_room(touching, one)) == reading.within:
                right += 1
            else:
                wrong += 1
    assert right > 20 * wrong
    assert right > 20


def test_not_all_of_the_source_can_be_had_at_once(case: Eased):
    """Columns read as the source has them ask more than an amateur takes: some must be left."""
    touching = case.touching()
    source = touching.lattice.part
    reading = touching.lattice.passage_reading(source)
    assert not reading.within
    waiting = {}
    for at in touching.states:
        gifts = [one for one in touching.gifts(at) if len(one.notes) == 1]
        state = touching.touched(at, gifts)
        if state is not None:
            waiting[at] = state
    assert waiting
    assert len(affordable(touching, waiting, reading)) < len(waiting)


@pytest.mark.parametrize(
    ("name", "first", "last", "keeps"),
    [(*CASES[0], Keeps.BASS), ("chopin/mazurka06-2", 32, 35, Keeps.MELODY)],
)
def test_promises_hold(name: str, first: int, last: int, keeps: Keeps):
    one = eased(name, first, last, keeps)
    touching, asked = one.touching(), Asked()
    left = give_back(touching, NUMBERS.gifts, asked)
    trade(touching, left, asked)
    whole = Passage(one.lattice.part, one.lattice.first, one.lattice.last)
    assert broken_promises(whole, whole.of(finished(touching)), keeps) == Keeps.NOTHING


def test_a_bar_with_all_its_notes_back_sounds_as_the_source():
    part = piece("schumann_clara/polonaise_op1n3")
    basis = basis_of(part, AMATEUR.harp)
    for index in range(1, 9):
        source = part.notes_by_bar[index]
        if any(note.tie_in or note.tie_out or note.grace for note in source):
            continue
        half = [note for i, note in enumerate(source) if i % 2]
        row = enriched(basis, index, half, source)
        assert {(n.onset, n.pitch.midi) for n in row} == {
            (n.onset, n.pitch.midi) for n in source
        }


def test_bars_add_up_to_the_passage():
    """A whole's distance, near enough, is the mean of its bars', each part by its mass there: of
    real alternatives, and better than if every bar counted for the same."""
    off: list[tuple[float, float]] = []
    quick = replace(settings(), returns=1, softenings=4, gifts=4, trades=0, thorough=4, variants=8)
    for name, first, last in CASES:
        part, bars = piece(name), range(first, last + 1)
        before = Passage(part, first, last)
        rows = np.array([masses(Passage(part, bar, bar)) for bar in bars])
        counts = (rows / rows.mean(axis=0)).tolist()
        for one in search(part, first, last, AMATEUR, ALL, count=5, numbers=quick).front:
            whole = distance(before, before.of(one.part)).total
            each = [distance(old, old.of(one.part)) for old in (Passage(part, b, b) for b in bars)]
            assert each[0].counted((1.0,) * len(PARTS)) == pytest.approx(each[0].total)
            counted = np.mean([far.counted(own) for far, own in zip(each, counts, strict=True)])
            plain = np.mean([far.total for far in each])
            off.append((abs(float(counted) - whole), abs(float(plain) - whole)))
    ours, naive = np.mean(off, axis=0)
    assert ours < min(0.01, naive)


@pytest.mark.parametrize("tier", ["school", "amateur", "soloist"])
def test_rows_of_loads_are_judged_as_an_assessment_is(tier: str):
    """One rule, asked in two ways."""
    player = tier_player(tier)
    for name, first, last in CASES:
        for end in range(first, last + 1):
            found = assess(perform(piece(name).window(first, end), player))
            rows = [bar.layers for bar in found.bars]
            assert would_hold(rows, player.rules) == within(found, player.rules)


def test_a_note_that_comes_out_as_it_was_stays():
    """Written anew with the same content it is the source's note still, so nothing is written back
    for it; of two that are alike one may go."""
    part = parse_part("4/4 | C5:1 E5 G5 C6 ; C3:4")
    first, *rest = part.notes_by_bar[0]
    again = changed(first)
    assert again.id != first.id
    assert rewritten(part.notes, (again, *rest), "x") is None
    edit = rewritten(part.notes, (again, *rest[:-1]), "x")
    assert edit is not None
    assert (edit.remove, edit.add) == (frozenset({rest[-1].id}), ())
    twin = replace(first, id=99)
    edit = rewritten((*part.notes, twin), (again, *rest), "x")
    assert edit is not None
    assert len(edit.remove) == 1
    assert edit.remove < {first.id, 99}
    assert not edit.add
