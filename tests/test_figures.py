"""Figures: bars that were alike are eased alike, given back alike, and shown to be so.

That a pattern is thinned as a pattern is common practice of arranging (no source); the music is
real (music21's corpus).
"""

from __future__ import annotations

from functools import cache

import music21
import pytest

from simplify.figures import rhythm, unlike
from simplify.harp.player import tier_player
from simplify.realise.bar import Dials, Rows, basis_of
from simplify.realise.edit import written_anew
from simplify.score.model import Part, Passage
from simplify.score.read import open_score, select_part
from simplify.score.text import parse_part
from simplify.search.ease import ease
from simplify.search.give_alike import give_alike
from simplify.search.lattice import Lattice, cut_columns
from simplify.search.settings import settings
from simplify.search.touch import Touching
from simplify.strategy import Keeps, broken_promises

AMATEUR = tier_player("amateur")
NUMBERS = settings()
CASES = [("schumann_clara/polonaise_op1n1", 16, 23), ("mozart/k545/movement1_exposition", 4, 11)]

WALTZ = "3/4 | C5:3 ; C3:1 E3 G3 | D5:3 ; D3:1 F3 A3 | E5:3 ; E3:1 G3 B3"


def passage(text: str) -> Passage:
    part = parse_part(text)
    return Passage(part, 0, len(part.bars) - 1)


def test_rhythm_tells_onsets_only():
    """Lengths and pitches do not matter, a tied note is not struck again."""
    part = parse_part("3/4 | C5:2 D5:1~ | D5:1 E5:2")
    quarter = part.bars[0].duration // 3
    assert rhythm(part.bars[0], part.notes_by_bar[0]) == (0, 2 * quarter)
    assert rhythm(part.bars[1], part.notes_by_bar[1]) == (quarter,)


@pytest.mark.parametrize(
    ("after", "share"),
    [
        (WALTZ, 0.0),
        ("3/4 | C5:3 ; C3:3 | D5:3 ; D3:3 | E5:3 ; E3:3", 0.0),
        ("3/4 | C5:3 ; C3:3 | D5:3 ; D3:3 | E5:3 ; E3:1 G3 B3", 0.5),
        ("3/4 | C5:3 ; C3:3 | D5:3 ; D3:2 F3:1 | E5:3 ; E3:1 G3 B3", 1.0),
        ("3/4 | C5:3 ; C3:1 G3 E3 | D5:3 ; D3:1 F3 A3 | E5:3 ; E3:1 G3 B3", 0.0),
    ],
)
def test_unlike_counts_bars_that_leave_the_figure(after: str, share: float):
    """Changed together they stay alike; one by one they do not. A single long note is no figure."""
    assert unlike(passage(WALTZ), passage(after)) == share


def test_music_without_a_figure_has_none_to_lose():
    assert unlike(passage("3/4 | C5:3 | D5:1 E5:2"), passage("3/4 | C5:3 | D5:3")) == 0.0


@cache
def lattice_of(name: str, first: int, last: int) -> tuple[Lattice, Part]:
    whole = select_part(open_score(str(music21.corpus.getWork(name))), None).part
    part = whole.window(first - 1, last + 1)
    low, high = 1, last - first + 1
    spans = cut_columns(part, low, high, NUMBERS.column_bars)
    return Lattice(part, low, high, AMATEUR, NUMBERS, spans, Keeps.NOTHING, None), part


@pytest.fixture(scope="module", params=CASES, ids=[case[0] for case in CASES])
def evenly(request: pytest.FixtureRequest) -> Touching:
    """A passage eased with bars of one figure alike, to be touched up."""
    lattice, part = lattice_of(*request.param)
    basis = basis_of(part, AMATEUR.harp)
    rows = Rows(basis, AMATEUR)
    span = lattice.first, lattice.last
    found = ease(basis, AMATEUR, span=span, rows=rows, even=True)
    assert found.reached
    dials = dict(zip(range(span[0], span[1] + 1), found.dials[span[0] : span[1] + 1], strict=True))
    edits = written_anew(rows, dials, lattice.spans)
    assert edits is not None
    own = [() if edit is None else (edit,) for edit in edits]
    way = lattice.ready(
        own, lattice.passage_reading(part.apply_all(edit for row in own for edit in row))
    )
    assert way is not None
    return Touching(lattice, basis, lattice.enter(way))


def music(touching: Touching) -> Passage:
    lattice = touching.lattice
    edits = [edit for own in touching.edits({}) for edit in own]
    return Passage(lattice.part.apply_all(edits), lattice.first, lattice.last)


def source(touching: Touching) -> Passage:
    return Passage(touching.lattice.part, touching.lattice.first, touching.lattice.last)


def test_bars_of_a_figure_are_eased_alike(evenly: Touching):
    """Bar by bar the same passage comes out as a patchwork."""
    alone = ease(evenly.basis, AMATEUR, span=(evenly.lattice.first, evenly.lattice.last))
    own = Passage(alone.part, evenly.lattice.first, evenly.lattice.last)
    assert unlike(source(evenly), music(evenly)) < unlike(source(evenly), own)


def test_what_comes_back_comes_back_everywhere(evenly: Touching):
    """Nearer, within the rules as a fresh reading says, and no figure broken up for it."""
    touching = Touching(evenly.lattice, evenly.basis, _path(evenly))
    was, before = sum(s.effort for s in touching.states.values()), music(touching)
    left = give_alike(touching, NUMBERS.gifts)
    after = music(touching)
    assert 0 <= left < NUMBERS.gifts
    assert sum(s.effort for s in touching.states.values()) < was
    again = touching.lattice.copy().passage_reading(after.part)
    assert again.within
    assert again == touching.reading
    assert unlike(source(evenly), after) <= unlike(source(evenly), before)
    struck = [
        {(n.onset, n.pitch.midi) for n in p.notes} for p in (before, after, source(evenly))
    ]
    came, went = struck[1] - struck[0], struck[0] - struck[1]
    assert came
    assert came <= struck[2]
    assert not went & struck[2]  # only what stood for what came back


def _path(touching: Touching) -> tuple[int, ...]:
    lattice = touching.lattice
    return tuple(len(column) - 1 if at in touching.states else 0
                 for at, column in enumerate(lattice.variants))


def test_promises_hold_in_every_bar_that_is_turned_along():
    """A dial that goes along with another bar's may not break what its own bar is held to."""
    _, part = lattice_of(*CASES[0])
    basis = basis_of(part, AMATEUR.harp)
    keeps = Keeps.MELODY | Keeps.BASS
    found = ease(basis, AMATEUR, keeps=keeps, even=True)
    turned = [bar for bar, dials in enumerate(found.dials) if dials != Dials()]
    assert turned
    for bar in turned:
        before, after = Passage(part, bar, bar), Passage(found.part, bar, bar)
        assert not broken_promises(before, after, keeps)
