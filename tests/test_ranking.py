"""Ranking: one key, no dominated or near-copied alternative unless it differs in kind."""

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simplify.score.model import Edit
from simplify.score.text import parse_part
from simplify.search.ranking import (
    Candidate,
    Worth,
    bars_apart,
    choose,
    difference_in_kind,
    dominates,
    rank_key,
)
from simplify.sense import Slip

PART = parse_part("4/4 | C4:4 | D4:4 | E4:4 | F4:4")
SOURCE = tuple(frozenset({n.id}) for n in PART.notes)


def candidate(
    distance: float, difficulty: float, bars: tuple[int, ...] = (0,), kind: str = "thin",
    within: bool = True, faults: int = 0, mark: int = 1,
) -> Any:
    """A finished rewrite that changed `bars` in a way told by `mark`."""
    ids = tuple(
        frozenset({-(100 * mark + i)}) if i in bars else SOURCE[i] for i in range(len(SOURCE))
    )
    edits = tuple(Edit(frozenset({i}), (), "gone", kind) for i in bars)
    return Candidate(
        PART, edits, ids, SimpleNamespace(total=distance),  # type: ignore[arg-type]
        SimpleNamespace(difficulty=difficulty), within, faults,  # type: ignore[arg-type]
    )


def test_rank_order_is_playable_within_near_easy():
    """The order that the docstring of rank_key gives."""
    best = candidate(0.3, 40.0)
    assert rank_key(best) < rank_key(candidate(0.1, 20.0, faults=1))
    assert rank_key(best) < rank_key(candidate(0.1, 20.0, within=False))
    assert rank_key(best) < rank_key(candidate(0.4, 10.0))
    assert rank_key(best) < rank_key(candidate(0.3, 41.0))


def test_a_dominated_candidate_of_the_same_kind_is_left_out():
    near, worse = candidate(0.1, 30.0, mark=1), candidate(0.2, 35.0, mark=2)
    assert dominates(near, worse)
    assert [c.candidate for c in choose([near, worse], SOURCE, 5, 0.3)] == [near]


def test_a_dominated_candidate_of_another_kind_says_so():
    near = candidate(0.1, 30.0, mark=1)
    other = candidate(0.2, 35.0, bars=(1, 2), kind="respell", mark=2)
    chosen = choose([near, other], SOURCE, 5, 0.3)
    assert [c.candidate for c in chosen] == [near, other]
    assert "kind" in chosen[1].note


def test_near_copies_wait_for_room():
    """Two that differ in one bar of four are near copies: the second comes last, if at all."""
    one = candidate(0.10, 40.0, bars=(0, 1, 2, 3), mark=1)
    copy = replace(
        one, bars=(*one.bars[:3], frozenset({-999})), distance=SimpleNamespace(total=0.12),
        reading=SimpleNamespace(difficulty=39.0),
    )
    far = candidate(0.3, 20.0, bars=(0, 1, 2, 3), mark=3)
    assert bars_apart(one, copy, SOURCE) == 0.25
    chosen = [c.candidate for c in choose([one, copy, far], SOURCE, 2, 0.3)]
    assert chosen == [one, far]


def test_a_note_here_and_there_makes_no_other_version():
    """Every bar has one note of eight of its own: told apart note by note, not by who plays it."""
    eight = tuple(frozenset(range(10 * i, 10 * i + 8)) for i in range(4))
    one = replace(candidate(0.1, 40.0), bars=eight)
    copy = replace(one, bars=tuple(bar ^ {min(bar), -min(bar) - 1000} for bar in eight))
    other = replace(one, bars=tuple(frozenset(-1 - i for i in bar) for bar in eight))
    assert bars_apart(one, copy, SOURCE) == 1.0
    assert bars_apart(one, copy, SOURCE, 0.34) == 0.0
    assert bars_apart(one, other, SOURCE, 0.34) == 1.0
    assert bars_apart(one, one, SOURCE) == 0.0


def test_of_two_near_copies_the_one_with_fewer_slips_is_shown():
    """It is a little further from the source, by less than the slip is worth."""
    slip = Slip("parallels", 0, "1", "melody and bass move in parallel fifths")
    near = replace(candidate(0.20, 20.0, (0, 1, 2, 3)), slips=(slip, slip))
    far = replace(near, distance=SimpleNamespace(total=0.21), slips=(slip,), edits=near.edits[:3])
    for slip_worth, shown in ((0.1, far), (0.01, near)):
        (first,) = choose([near, far], SOURCE, 1, 0.34, worth=Worth(slip=slip_worth))
        assert first.candidate is shown


@pytest.mark.parametrize(("further", "shown"), [(0.025, "none"), (0.035, "one")])
def test_to_make_no_slip_is_worth_some_distance_and_not_any(further: float, shown: str):
    """A rewrite that is much nearer comes first although it makes a slip, which it says."""
    slip = Slip("parallels", 0, "1", "melody and bass move in parallel fifths")
    one = replace(candidate(0.20, 20.0, (0, 1, 2, 3)), slips=(slip,))
    none = candidate(0.20 + further, 21.0, (0, 1, 2, 3), mark=2)
    (first,) = choose([one, none], SOURCE, 1, 0.34, worth=Worth(spotless=0.03))
    assert first.candidate is (none if shown == "none" else one)


def test_one_that_keeps_figures_is_shown_beside_nearer_ones():
    """The nearest comes first whatever it breaks up; after it, like bars kept alike are worth
    distance, and one that is beaten in everything else says what it has for it."""
    near = replace(candidate(0.20, 20.0, mark=1), unlike=1.0)
    second = replace(candidate(0.22, 19.5, bars=(1, 2), mark=2), unlike=1.0)
    even = candidate(0.30, 21.0, mark=3)
    pool = [near, second, even]
    assert [c.candidate for c in choose(pool, SOURCE, 2, 0.3)] == [near, second]
    chosen = choose(pool, SOURCE, 2, 0.3, worth=Worth(unlike=0.15))
    assert [c.candidate for c in chosen] == [near, even]
    assert "alike" in chosen[1].note
    patchy = replace(even, unlike=0.6)
    chosen = choose([near, patchy], SOURCE, 2, 0.3, worth=Worth(unlike=0.15))
    assert [c.candidate for c in chosen] == [near]


def test_one_of_another_kind_is_shown_before_a_nearer_one_like_the_first():
    """What is worth distance is likeness to any of those chosen, in bars and in what was done."""
    first = candidate(0.10, 23.0, bars=(0, 1, 2), mark=1)
    like = candidate(0.12, 22.0, bars=(0, 1, 2), mark=2)
    other = candidate(0.15, 21.0, bars=(1, 2, 3), kind="respell", mark=3)
    again = candidate(0.16, 20.0, bars=(1, 2, 3), kind="respell", mark=4)
    pool = [first, like, other, again]
    assert difference_in_kind(first, like) == difference_in_kind(other, again) == 0.0

    def shown(count: int, kinds: float) -> list[Candidate]:
        return [c.candidate for c in choose(pool, SOURCE, count, 0.3, worth=Worth(kinds=kinds))]

    assert shown(2, 0.0) == [first, like]
    assert shown(2, 0.2) == [first, other]
    assert shown(3, 0.2) == [first, like, other]
    assert shown(2, 0.02) == [first, like]


def test_difference_in_kind_is_zero_to_itself():
    one = candidate(0.1, 30.0)
    assert difference_in_kind(one, one) == 0.0
    assert difference_in_kind(one, candidate(0.1, 30.0, kind="respell")) == 1.0


@given(st.lists(st.tuples(st.floats(0, 1), st.floats(0, 100), st.booleans()), max_size=12))
def test_choice_is_sorted_and_undominated_without_a_note(rows: list[tuple[float, float, bool]]):
    """Whatever comes in, what is shown is in rank order, and an alternative without a note is
    not dominated by another."""
    pool = [
        candidate(d, e, within=w, mark=i + 1, bars=(i % 4,)) for i, (d, e, w) in enumerate(rows)
    ]
    chosen = choose(pool, SOURCE, 5, 0.3)
    keys = [rank_key(c.candidate) for c in chosen]
    assert keys == sorted(keys)
    for c in chosen:
        if not c.note:
            assert not any(
                dominates(o.candidate, c.candidate)
                for o in chosen
                if rank_key(o.candidate) < rank_key(c.candidate)
            )
