"""The search: exact bookkeeping, promises kept, deterministic, no worse than the obvious."""

from collections.abc import Sequence
from dataclasses import replace

import music21
import pytest

from simplify.distance import distance
from simplify.harp.player import tier_player
from simplify.score.model import Edit, Note, Part, Passage, Pitch, changed
from simplify.score.read import open_score, select_part
from simplify.score.text import parse_part
from simplify.search.grow import grow_variants
from simplify.search.lattice import Lattice, Path, cut_columns
from simplify.search.ranking import Candidate
from simplify.search.reading import crossings, excess, read_bars, split_faults, written
from simplify.search.search import EXHAUSTED, REACHED, TIME, Found, search
from simplify.search.settings import settings
from simplify.search.variants import column_of
from simplify.strategy import Keeps, broken_promises
from simplify.technique.perform import perform
from simplify.technique.playability import find_faults
from strategies import ALL

AMATEUR = tier_player("amateur")

# A melody over re-struck octaves, with tenths that an amateur's left hand does not reach.
HARD = (
    "4/4 key:-3 tempo:96"
    " | G5:1 E♭5:1 F5:1 G5:1 ; [E♭2 G3]:1 [E♭2 G3]:1 [E♭2 G3]:1 [E♭2 G3]:1"
    " | A♭5:2 F5:2 ; [B♭1 B♭2]:1/2 [B♭1 B♭2]:1/2 [B♭1 B♭2]:1/2 [B♭1 B♭2]:1/2"
    " [B♭1 B♭2]:1/2 [B♭1 B♭2]:1/2 [B♭1 B♭2]:1/2 [B♭1 B♭2]:1/2"
    " | G5:4 ; [E♭2 B♭2 E♭3]:4"
)
EASY = "4/4 key:-3 tempo:60 | E♭5:2 G5:2 ; E♭3:4 | B♭4:4 ; [E♭3 B♭3]:4"


@pytest.fixture(scope="module")
def part() -> Part:
    return parse_part(HARD)


@pytest.fixture(scope="module")
def found(part: Part) -> Found:
    return search(part, 0, 2, AMATEUR, ALL, count=4)


def test_it_brings_a_passage_within_the_tier(part: Part, found: Found):
    """Two awkward bars of a kind that handbooks give a remedy for (Volpe Bligh, Writing for the
    Pedal Harp: stretches, re-struck basses) must come within an amateur's reach."""
    assert not read_bars(part, AMATEUR).within
    assert found.original_faults > 0
    assert found.choices
    assert found.choices[0].candidate.within
    assert found.stopped == REACHED


def test_edits_replay_to_the_candidate(part: Part, found: Found):
    """A rewrite is its list of edits: applied in order to the source they give it again."""
    for choice in found.choices:
        now = part
        for edit in choice.candidate.edits:
            now = now.apply(edit)
        assert now == choice.candidate.part


def test_filling_the_front_loses_nothing(part: Part, found: Found):
    """What is read between the corners of the front can only come in beside them."""
    bare = search(part, 0, 2, AMATEUR, ALL, count=4, numbers=replace(settings(), filled=0))

    def points(one: Found) -> list[tuple[float, float]]:
        return [(c.distance.total, c.reading.difficulty) for c in one.front]

    assert all(any(x <= a and y <= b for x, y in points(found)) for a, b in points(bare))
    assert found.readings > bare.readings


def test_numbers_of_a_candidate_are_measured_on_it(part: Part, found: Found):
    """What is reported is what reading and distance say of the finished rewrite."""
    for choice in found.choices:
        candidate = choice.candidate
        again = read_bars(candidate.part, AMATEUR)
        assert again.faults == candidate.faults == 0
        assert again.difficulty == pytest.approx(candidate.reading.difficulty)
        before = Passage(part, 0, 2)
        assert distance(before, before.of(candidate.part)) == candidate.distance


def test_every_alternative_is_easier_and_ranked(found: Found):
    difficulty = found.original.difficulty
    assert all(c.candidate.reading.difficulty < difficulty for c in found.choices)
    within = [c.candidate.within for c in found.choices]
    assert within == sorted(within, reverse=True)


def test_the_same_music_is_shown_once():
    """Two ways of writing come to the same notes here: tenths folded, and the bars written anew to
    fit the hand. They are one alternative, told by what is done to which notes."""
    bar = "G5:1 A5 B5 C6 ; [C3 G3 E4]:2 [D3 A3 F4]:2"
    others = [s for s in ALL if s.name != "revoice_across_hands"]  # which is nearer still
    found = search(parse_part(f"4/4 tempo:60 | {bar} | {bar}"), 0, 1, tier_player("school"), others)
    shown = [choice.candidate for choice in found.choices]
    assert len({candidate.bars for candidate in shown}) == len(shown)
    assert shown[0].kinds == {"fold_reach"}


def test_a_trill_is_shared_rather_than_left_out():
    """A trill over a left hand that is free: the first alternative gives it to both hands in turn,
    which is what players prefer (from memory of Widor, Technique of the Modern Orchestra)."""
    found = search(parse_part("4/4 tempo:72 | C5:4{trill} ; r:4"), 0, 0, AMATEUR, ALL)
    best = found.choices[0].candidate
    assert best.kinds == {"share_trill"}
    assert best.reading.difficulty < found.original.difficulty
    assert {note.hand for note in best.part.notes} == {"L", "R"}


def test_usage_counts_every_strategy(found: Found):
    assert set(found.usage) == {s.name for s in ALL}
    assert all(calls > 0 for calls, _, _ in found.usage.values())
    used = {name for name, (_, used, _) in found.usage.items() if used}
    assert used == {e.strategy for c in found.choices for e in c.candidate.edits}


@pytest.mark.parametrize("keeps", [Keeps.MELODY, Keeps.RHYTHM, Keeps.MELODY | Keeps.BASS])
def test_promises_are_kept(part: Part, keeps: Keeps):
    """--keep is a hard promise, whatever the strategies promise of themselves."""
    result = search(part, 0, 2, AMATEUR, ALL, keeps=keeps, count=3)
    before = Passage(part, 0, 2)
    for choice in result.choices:
        after = before.of(choice.candidate.part)
        assert broken_promises(before, after, keeps) == Keeps.NOTHING


def test_same_result_with_two_processes(part: Part, found: Found):
    """Workers only share the work out."""
    again = search(part, 0, 2, AMATEUR, ALL, count=4, workers=2)
    assert [c.candidate.edits for c in again.choices] == [c.candidate.edits for c in found.choices]


@pytest.mark.parametrize(
    ("name", "first", "last"), [("chopin/mazurka06-2", 30, 35), ("joplin/maple_leaf_rag", 1, 4)]
)
def test_same_result_with_two_processes_on_real_music(name: str, first: int, last: int):
    """Where jobs learn, trim and meet ties: what one did must not reach another of its round."""
    real = select_part(open_score(str(music21.corpus.getWork(name))), None).part
    few = replace(settings(), returns=2, thorough=16, softened_thorough=2)
    one, two = (
        search(real, first, last, AMATEUR, ALL, workers=workers, numbers=few) for workers in (1, 2)
    )
    assert one.choices
    assert [c.edits for c in one.front] == [c.edits for c in two.front]
    assert [c.candidate.edits for c in one.choices] == [c.candidate.edits for c in two.choices]
    assert one.readings == two.readings


def nearest(front: Sequence[Candidate]) -> float:
    """Distance of the nearest rewrite within the tier."""
    return min(c.distance.total for c in front if c.within)


def test_touching_up_comes_nearer():
    """What is given back and traded pays."""
    name = "schumann_clara/polonaise_op1n1"
    real = select_part(open_score(str(music21.corpus.getWork(name))), None).part
    whole, untouched = (
        nearest(search(real, 0, 3, AMATEUR, ALL, numbers=numbers, workers=2).front)
        for numbers in (settings(), replace(settings(), gifts=0, trades=0, thorough=0))
    )
    assert whole < 0.95 * untouched


def test_a_front_is_not_of_the_hard_bars_only():
    """Of these two bars one by itself is over the tier. What is easier than the tier asks takes
    changes in the other as well."""
    real = select_part(
        open_score(str(music21.corpus.getWork("schoenberg/opus19/movement2"))), None
    ).part
    few, more = (
        search(real, 1, 2, AMATEUR, ALL, numbers=replace(settings(), grown=grown)).front
        for grown in (0, 2)
    )
    sounds = [{n.id for n in row} for row in real.notes_by_bar[1:3]]
    assert all(ids - {n.id for n in row} for ids, row in zip(
        sounds, more[-1].part.notes_by_bar[1:3], strict=True
    ))
    assert more[-1].reading.difficulty < 0.5 * few[-1].reading.difficulty
    assert nearest(more) <= nearest(few)


def lattice_of(part: Part, first: int, last: int) -> Lattice:
    spans = [(bar, bar) for bar in range(first, last + 1)]
    return Lattice(part, first, last, AMATEUR, settings(), spans, Keeps.NOTHING, None)


def test_a_passage_is_read_alone():
    """What the bars around it ask is not its own; what goes wrong across its edge is counted."""
    plain = "4/4 tempo:120 | C5:4 ; C3:4 | G5:1 A5 B5 C6 ; C3:2 G3"
    busy = (
        "4/4 tempo:120 | [C5 E5 A5]:1/2 [D5 F5 B5] [C5 E5 A5] [D5 F5 B5] [C5 E5 A5] [D5 F5 B5]"
        " [C5 E5 A5] [D5 F5 B5] ; C3:1 E3 C3 E3 | G5:1 A5 B5 C6 ; C3:2 G3"
    )
    struck = (
        "4/4 tempo:120 | r:15/4 G5:1/16 r:1/16 G5:1/16 G5:1/16 ; C3:4 | G5:1 A5 B5 C6 ; C3:2 G3"
    )
    alone, beside, again = (
        lattice_of(parse_part(text), 1, 1).passage_reading(parse_part(text))
        for text in (plain, busy, struck)
    )
    assert beside.layers == alone.layers
    assert beside.difficulty == alone.difficulty
    assert not alone.faults
    assert again.bars[0].excess > alone.bars[0].excess  # both notes are the source's: a join


def test_a_note_written_anew_as_it_was_stays_a_join():
    """The bar before has just struck the string. Where the rewrite strikes it as the source does,
    under another id, that is as hard as it was written; a string that only the rewrite strikes
    again is the rewrite's own fault."""
    part = parse_part(
        "4/4 tempo:120 | r:7/2 r:1/4 A5:1/8 G5:1/8 ; C3:4 | G5:1 A5 B5 C6 ; C3:2 G3"
    )
    first = part.notes_by_bar[1][0]
    source = written(part, AMATEUR, 1, 1)

    def with_first(note: Note) -> Part:
        return part.apply(Edit(frozenset({first.id}), (note,), "x"))

    same = with_first(changed(first, duration=first.duration // 2))
    assert same.notes_by_bar[1][0].id < 0
    asked = with_first(changed(first, pitch=Pitch("A", 0, 5)))
    for version, faults, joins in ((part, 0, 1), (same, 0, 1), (asked, 1, 0)):
        own, others = crossings(version, AMATEUR, 1, 1, -1, source)
        assert (len(own), len(others)) == (faults, joins)
        performance = perform(version, AMATEUR)
        bar = version.bars[1]
        own, others = split_faults(
            performance, find_faults(performance), bar.onset, bar.end, source
        )
        assert (len(own), len(others)) == (faults, joins)


def test_a_join_is_as_hard_as_it_was_written():
    """Where the hands take a string in turn over the bar line nothing goes wrong. A rewrite that
    asks one hand for both strikes the source's notes, and has a fault of its own all the same."""
    part = parse_part("4/4 tempo:120 | r:15/4 R:G5:1/4 ; - | L:G5:1 R:A5 B5 C6 ; -")
    source = written(part, AMATEUR, 1, 1)
    assert not source.hard
    first = part.notes_by_bar[1][0]
    other = part.apply(Edit(frozenset({first.id}), (changed(first, hand="R"),), "x"))
    for version, faults in ((part, 0), (other, 1)):
        own, joins = crossings(version, AMATEUR, 1, 1, -1, source)
        assert (len(own), len(joins)) == (faults, 0)
        performance, bar = perform(version, AMATEUR), version.bars[1]
        own, joins = split_faults(
            performance, find_faults(performance), bar.onset, bar.end, source
        )
        assert (len(own), len(joins)) == (faults, 0)
    hard = written(other, AMATEUR, 1, 1, perform(other, AMATEUR))
    assert hard.hard == {-1}


def test_ties_over_a_column_need_both_ends():
    """Neither end of a tie may go alone; both may."""
    part = parse_part("4/4 | C5:2 D5:2~ | D5:2 E5:2")
    first, second = part.notes_by_bar
    out, taken = first[1], second[0]
    alone = Edit(frozenset({taken.id}), (), "the end of the tie")
    begun = Edit(frozenset({out.id}), (changed(out, tie_out=False),), "its beginning")
    lattice = lattice_of(part, 0, 1)

    def entered(*edits: tuple[Edit, ...]) -> Path:
        whole = part.apply_all(edit for own in edits for edit in own)
        way = lattice.ready(edits, lattice.passage_reading(whole))
        assert way is not None
        return lattice.enter(way)

    both = entered((begun,), (alone,))
    cut, hanging = entered((begun,), ()), entered((), (alone,))
    assert lattice.fits(lattice.written)
    assert lattice.fits(both)
    assert not lattice.fits(cut)
    assert not lattice.fits(hanging)


def test_bars_outside_the_passage_are_left_alone(part: Part):
    result = search(part, 1, 1, AMATEUR, ALL, count=3)
    assert result.choices
    for choice in result.choices:
        assert choice.candidate.part.notes_by_bar[0] == part.notes_by_bar[0]
        assert choice.candidate.part.notes_by_bar[2] == part.notes_by_bar[2]


def test_a_budget_stops_the_search(part: Part):
    """Out of time it comes back with what it has, and says so."""
    result = search(part, 0, 2, AMATEUR, ALL, seconds=0.0)
    assert result.stopped == TIME


def test_nothing_to_gain_says_so():
    """Music that nothing eases further is not rewritten for the sake of it."""
    part = parse_part("4/4 tempo:60 | C5:4 ; r:4")
    result = search(part, 0, 0, AMATEUR, ALL)
    assert result.choices == ()
    assert result.stopped == EXHAUSTED


def test_variants_start_with_the_original_and_beat_it(part: Part):
    """The original is always in the comparison; nothing returned is worse than it in everything."""
    column = column_of(part, 1, 1, (0, len(part.bars) - 1))
    grown = grow_variants(column, 0, AMATEUR, ALL, Keeps.NOTHING, settings())
    variants = grown.variants
    assert variants[0].edits == ()
    assert variants[0].distance == 0.0
    assert grown.tally.readings >= len(variants)
    for variant in variants[1:]:
        assert variant.edits
        assert (
            variant.faults < variants[0].faults
            or variant.excess < variants[0].excess
            or variant.strain < variants[0].strain
        )


def test_a_column_is_read_with_its_neighbours_but_none_outside_the_passage(part: Part):
    """What lies outside asks nothing of the passage, so it must not tell which variants are
    good."""
    inner = column_of(part, 1, 1, (0, 2))
    assert (inner.at, len(inner.part.bars)) == (1, 3)
    assert inner.part.notes_by_bar == part.window(0, 2).notes_by_bar
    last = column_of(part, 1, 1, (0, 1))
    assert (last.at, len(last.part.bars)) == (1, 2)
    alone = column_of(part, 1, 1, (1, 1))
    assert (alone.at, len(alone.part.bars)) == (0, 1)
    assert read_bars(alone.part, AMATEUR) == read_bars(part.window(1, 1), AMATEUR)


def test_columns_join_tied_bars():
    part = parse_part("4/4 | C4:4~ | C4:4~ | C4:4 | D4:4")
    assert cut_columns(part, 0, 3, 2) == ((0, 1), (2, 2), (3, 3))
    assert cut_columns(part, 0, 3, 4) == ((0, 2), (3, 3))
    assert cut_columns(part, 3, 3, 2) == ((3, 3),)


def test_excess_grows_with_what_is_over():
    """Nothing over: 0. A load over its cap, one complex layer too many, a forbidden pair: more."""
    rules = tier_player("school").rules
    assert excess((0.1,) * 6, 10.0, rules) == 0.0
    one = excess((rules.caps[0] + 0.1, 0, 0, 0, 0, 0), 10.0, rules)
    two = excess((rules.caps[0] + 0.2, 0, 0, 0, 0, 0), 10.0, rules)
    assert 0 < one < two
    assert excess((0.1,) * 6, rules.max_load + 20, rules) == pytest.approx(0.2)


def test_a_reading_looks_only_at_the_bars_asked_for(part: Part):
    """Context bars shape the plan, but their faults are not counted."""
    whole = read_bars(part, AMATEUR)
    first = read_bars(part, AMATEUR, 0, 0)
    assert len(first.bars) == 1
    assert first.faults == whole.bars[0].faults


def test_easier_notes_are_read_as_easier(part: Part):
    """The remedy of the handbooks for a re-struck bass: strike it once and let it ring."""
    octaves = [n for n in part.notes_by_bar[1] if n.staff == 2]
    low = [n for n in octaves if n.onset == part.bars[1].onset]
    edit = Edit(
        frozenset(n.id for n in octaves),
        tuple(changed(n, duration=part.bars[1].duration) for n in low),
        "once",
    )
    before, after = read_bars(part, AMATEUR, 1, 1), read_bars(part.apply(edit), AMATEUR, 1, 1)
    assert after.difficulty < before.difficulty


def test_a_run_that_ends_over_the_edge_is_the_bar_before_its_own():
    """A run of bar 48 of Lindenbaum (music21's corpus) ends on the first note of bar 49 and is too
    quick for a school player: that is not held against bars 49 to 64, which leave that note."""
    score = open_score(str(music21.corpus.getWork("schubert/Lindenbaum")))
    part = select_part(score, "Piano").part
    player = tier_player("school")
    source = written(part, player, 48, 63)
    assert source.hard == {-1}
    assert crossings(part, player, 48, 63, -1, source)[0] == ()
    apart = replace(source, hard=frozenset())
    rules = {fault.rule for fault in crossings(part, player, 48, 63, -1, apart)[0]}
    assert "run_too_fast" in rules
