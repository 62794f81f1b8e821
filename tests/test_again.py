"""A changed part assessed again (simplify.difficulty.again): equal to reading it as a whole.

Equal is `==` of the whole reading: performance with every hand, finger, placing and pedal move,
curves, reasons, bars, stretches, faults and verdict. The long form of these checks, with times, is
tests/benchmarks/bench_again.py.
"""

from __future__ import annotations

import random
from dataclasses import replace
from functools import cache
from pathlib import Path

import music21
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from simplify.difficulty import again
from simplify.difficulty.load import read_for
from simplify.harp.player import tier_player
from simplify.score.model import Edit, Part, TempoMark
from simplify.score.read import open_score, select_part
from simplify.score.text import parse_part
from simplify.technique.perform_again import Changed, perform_again
from tests.support_edits import one_bar_edit

REAL = ("joplin/maple_leaf_rag", "chopin/mazurka06-2", "cpebach/h186")


@cache
def piece(name: str) -> Part:
    """The first forty bars of a keyboard work of music21's corpus."""
    path = Path(str(music21.corpus.getWork(name)))
    part = select_part(open_score(str(path))).part
    return replace(part.window(0, min(len(part.bars), 40) - 1), around=())


@cache
def kept(name: str, tier: str) -> again.Kept:
    """Its reading."""
    return again.read_to_change(piece(name), tier_player(tier))


def check(was: again.Kept, part: Part) -> again.Kept:
    """Reads a changed part again, and from the beginning."""
    found = again.reassess(was, part)
    whole = read_for(replace(part), was.reading.player)
    assert found.reading == whole
    assert found.reading.assessment.stretches == whole.assessment.stretches
    return found


@pytest.mark.parametrize("tier", ["professional", "amateur"])
@pytest.mark.parametrize("name", REAL)
def test_one_edit_after_another_in_real_music(name: str, tier: str) -> None:
    """Four edits, each of one bar, each upon the last."""
    now, choose = kept(name, tier), random.Random(name + tier)
    assert now.reading == read_for(piece(name), tier_player(tier))
    part = piece(name)
    for _ in range(4):
        part = part.apply(one_bar_edit(part, choose))
        now = check(now, part)


@settings(max_examples=6, deadline=None)
@given(st.sampled_from(REAL), st.randoms(use_true_random=False))
def test_any_edit_of_a_bar_in_real_music(name: str, choose: random.Random) -> None:
    """Pitch, spelling, length changed, a note taken out or two notes made of one."""
    part = piece(name)
    check(kept(name, "professional"), part.apply(one_bar_edit(part, choose)))


@st.composite
def generated(draw: st.DrawFn) -> Part:
    """Bars of two staves with chords, accidentals, rests, long notes and signs."""
    rows = []
    for _ in range(draw(st.integers(6, 20))):
        staves = []
        for centre in (37, 24):
            beats = draw(st.sampled_from([["1", "1"], ["1/2", "1/2", "1"], ["2"], ["1/2"] * 4]))
            cells = []
            for beat in beats:
                tones = draw(st.lists(
                    st.tuples(st.integers(-6, 6), st.sampled_from(["", "", "", "#", "b"])),
                    max_size=3, unique_by=lambda tone: tone[0],
                ))
                names = [
                    f"{'CDEFGAB'[(centre + s) % 7]}{a}{(centre + s) // 7}" for s, a in tones
                ]
                cells.append(f"[{' '.join(names)}]:{beat}" if names else f"r:{beat}")
            staves.append(" ".join(cells))
        rows.append(" ; ".join(staves))
    text = "2/4 | " + " | ".join(rows)
    part = parse_part(text)
    assume(len(part.strikes) > 8)
    tempo = draw(st.sampled_from([40.0, 80.0, 140.0]))
    return replace(part, tempo=(TempoMark(part.bars[0].onset, tempo),))


@settings(max_examples=8, deadline=None)
@given(
    generated(), st.sampled_from(["soloist", "professional", "amateur", "school"]),
    st.randoms(use_true_random=False),
)
def test_edits_of_generated_music(part: Part, tier: str, choose: random.Random) -> None:
    """Two edits, the second upon the first."""
    now = again.read_to_change(part, tier_player(tier))
    for _ in range(2):
        part = part.apply(one_bar_edit(part, choose))
        now = check(now, part)


def test_a_change_is_not_read_as_a_whole() -> None:
    """An edit in the middle of a piece is found in part, so the tests above try what they say."""
    name = "joplin/maple_leaf_rag"
    traced, choose = kept(name, "professional").traced, random.Random(5)
    assert traced is not None
    part = piece(name)
    edits = [one_bar_edit(part, choose) for _ in range(6)]
    found = [perform_again(traced, part.apply(edit)) for edit in edits]
    assert sum(isinstance(one, Changed) for one in found) >= 5


def test_an_edit_that_changes_nothing_played_is_read_again() -> None:
    """A hand asked for that takes the note anyway."""
    name = "chopin/mazurka06-2"
    part, was = piece(name), kept("chopin/mazurka06-2", "professional")
    note = next(n for n in part.notes_by_bar[20] if n.staff == 1 and not n.tie_in)
    edit = Edit(frozenset([note.id]), (replace(note, id=-7, hand="R"),), "ask for a hand")
    check(was, part.apply(edit))


def test_a_lever_harp_is_read_as_a_whole() -> None:
    """Levers are planned together with the hands; there is nothing to be kept."""
    part = parse_part("2/4 | C5:1 E5:1 ; C4:2 | F#5:1 G5:1 ; r:2")
    player = tier_player("school", "lever-38")
    now = again.read_to_change(part, player)
    assert now.traced is None
    check(now, part.apply(one_bar_edit(part, random.Random(1))))
