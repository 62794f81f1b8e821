"""Voices parted by contig mapping (simplify/difficulty/contigs.py)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simplify.difficulty.contigs import separate
from tests.support_corpus import note_accuracy, two_staves


def test_one_line_is_one_voice() -> None:
    assert separate([]) == ()
    assert separate([(0, 1, 60), (1, 3, 72), (5, 6, 48)]) == (0, 0, 0)


def test_a_tune_over_a_held_note() -> None:
    """The held note keeps its voice although the tune dips towards it."""
    sounds = [(0, 8, 48), (0, 2, 72), (2, 4, 62), (4, 8, 55)]
    assert separate(sounds) == (0, 1, 1, 1)


def test_a_voice_that_rests_comes_back() -> None:
    """Two voices, then the lower one alone, then two: the lone notes are the lower voice's, to
    which they are near, and the upper voice goes on where it left off."""
    sounds = [(0, 2, 72), (0, 2, 55), (2, 3, 57), (3, 4, 53), (4, 6, 71), (4, 6, 52)]
    assert separate(sounds) == (1, 0, 0, 0, 1, 0)


def test_lines_outwards_from_where_all_voices_sound() -> None:
    """A fugue's entries: the first voice is the middle one, as shows when all three are there."""
    sounds = [
        (0, 2, 60), (2, 4, 62),
        (4, 6, 60), (4, 6, 67), (6, 8, 59), (6, 8, 69),
        (8, 10, 60), (8, 10, 67), (8, 10, 48),
    ]
    assert separate(sounds) == (1, 1, 1, 2, 1, 2, 1, 2, 0)


@given(st.lists(st.integers(0, 6), min_size=1, max_size=12), st.integers(0, 20), st.integers(1, 9))
def test_moving_in_time_and_pitch_changes_nothing(
    steps: list[int], up: int, later: int
) -> None:
    """Only distances in pitch and the order of events matter."""
    sounds = [(k, k + 1, 60 + step) for k, step in enumerate(steps)]
    sounds += [(2 * k, 2 * k + 2, 50 - step) for k, step in enumerate(steps)]
    moved = [(a * 3 + later, b * 3 + later, pitch + up) for a, b, pitch in sounds]
    assert separate(moved) == separate(sounds)


@pytest.mark.parametrize("name", ["bach/bwv66.6", "bach/bwv269", "bach/bwv347", "bach/bwv10.7"])
def test_chorales_laid_on_two_staves_come_apart_again(name: str) -> None:
    """Note by note against the written voices. Chew & Wu 2004 report an average voice consistency
    of 88.98 % (and 94.50 % of connections right) on Bach's inventions and fugues, which are denser;
    all chorales: tests/benchmarks/voices.py."""
    from music21 import corpus

    part = two_staves(corpus.parse(name), name)
    rows = [note_accuracy(part, staff) for staff in (1, 2)]
    assert sum(agree for agree, _ in rows) >= 0.93 * sum(count for _, count in rows)
    agree, count = note_accuracy(part, None)
    assert agree >= 0.88 * count
