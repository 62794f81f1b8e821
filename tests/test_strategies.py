"""The catalogue: every strategy's own cases, and the laws over all of them."""

import ast
import inspect
import re
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from simplify.harp.player import Player, tier_names, tier_player
from simplify.score.model import Part, Passage
from simplify.score.read import open_score, select_part
from simplify.score.text import format_passage, parse_passage
from simplify.strategy import (
    EDITS_PER_NOTE,
    Keeps,
    Strategy,
    broken_promises,
    proposals,
)
from strategies import ALL
from tests.support_notation import complaints, parts

HEADINGS = (
    "What it does:", "When a harpist would do this:", "What is lost:", "Does not apply when:",
)
CASES = [
    pytest.param(strategy, case, id=f"{strategy.name}-{k}")
    for strategy in ALL
    for k, case in enumerate(strategy.cases)
]
ASKED = {
    # The list that the catalogue has to cover, in words, and the strategies that do.
    "redistribute notes between the hands": ["redistribute_hands", "share_run"],
    "thin chords in three grades": [
        "thin_octave_doublings", "thin_fifths", "thin_inner_thirds",
    ],
    "respell to save pedals": ["respell_for_pedals"],
    "slow the harmonic rhythm": ["slow_harmonic_rhythm"],
    "glissando to arpeggio": ["glissando_to_arpeggio"],
    "fold a reach": ["fold_reach"],
    "bridge a jump": ["bridge_jump", "close_position"],
    "relieve repeated strings": ["let_repeats_ring", "repeat_on_two_strings", "ring_bass"],
    "string order": ["string_order"],
    "align the hands": ["align_hands"],
    "one-hand trill to two hands or a plain note": ["share_trill"],
}


@pytest.mark.parametrize(("strategy", "case"), CASES)
def test_case(strategy, case):
    """Each worked example holds: it prints in the catalogue, so it must be true."""
    passage = parse_passage(case.before)
    offered = [
        format_passage(passage.of(passage.part.apply(edit)))
        for edit in proposals(strategy, passage, tier_player(case.tier))
    ]
    if case.after is None:
        assert offered == []
    else:
        assert format_passage(parse_passage(case.after)) in offered


@pytest.mark.parametrize("strategy", ALL, ids=lambda s: s.name)
def test_documented(strategy):
    """A musician reads the docstring: it has its four headings, and names a source or says that
    the practice is common; cases that must not fire are as many as those that must."""
    module = sys.modules[strategy.propose.__module__]
    doc = inspect.getdoc(module) or ""
    places = [doc.find(heading) for heading in HEADINGS]
    assert -1 not in places
    assert places == sorted(places)
    source = doc[places[1] : places[2]]
    assert "common practice" in source or re.search(r"[A-Z][a-z]+.*(,|:)", source, re.S)
    fires = sum(case.after is not None for case in strategy.cases)
    assert 2 <= len(strategy.cases) - fires >= fires
    assert Path(inspect.getfile(module)).stem == strategy.name


def test_catalogue_covers_what_was_asked():
    """The transformations that were asked for exist under these names, and none twice."""
    names = [strategy.name for strategy in ALL]
    assert len(names) == len(set(names)) >= 26
    assert [n for wanted in ASKED.values() for n in wanted if n not in names] == []


def test_sound_keeping_strategies_come_first():
    """The catalogue's order is that of its losses: what keeps the sound stands before what may
    change the melody."""
    keeps = [strategy.keeps for strategy in ALL]
    last_sound = max(k for k, kept in enumerate(keeps) if Keeps.SOUND in kept)
    first_free = min(k for k, kept in enumerate(keeps) if Keeps.MELODY not in kept)
    assert last_sound < first_free


def check_laws(strategy: Strategy, passage: Passage, player: Player) -> int:
    """Runs the strategy twice and holds every edit to the laws of `simplify.strategy` and to
    legible notation; the number of edits."""
    edits = proposals(strategy, passage, player)
    assert edits == proposals(strategy, passage, player)
    assert len(edits) <= EDITS_PER_NOTE * max(1, len(passage.notes))
    before = {k: complaints(passage.part, k) for k in range(len(passage.part.bars))}
    for edit in edits:
        after = passage.part.apply(edit)
        first, last = edit.bars(passage.part)
        assert passage.first <= first <= last <= passage.last
        assert not broken_promises(passage, passage.of(after), strategy.keeps)
        assert edit.reason
        assert not edit.reason.endswith(".")
        assert "\n" not in edit.reason
        for k, old in before.items():
            new = complaints(after, k) - old
            assert {c for c in new if c[0] != "open slurs"} == set(), edit.reason
            assert ("open slurs", 0) not in old or ("open slurs", 0) in complaints(after, k)
    return len(edits)


@pytest.mark.parametrize("tier", ["school", "amateur", "professional"])
@settings(
    max_examples=10,
    deadline=None,
    derandomize=True,
    phases=[Phase.explicit, Phase.generate],  # a failing part prints whole; shrinking takes hours
    suppress_health_check=list(HealthCheck),
)
@given(data=st.data())
def test_laws_on_made_up_music(tier, data):
    """Pure, deterministic, bounded, inside the passage, true to their promises and legible, on
    music that no one would write."""
    part: Part = data.draw(parts())
    last = len(part.bars) - 1
    first = data.draw(st.integers(0, last))
    passage = Passage(part, first, data.draw(st.integers(first, last)))
    for strategy in ALL:
        check_laws(strategy, passage, tier_player(tier))


def corpus(name: str) -> Part:
    """A keyboard piece of music21's own corpus."""
    import music21

    root = Path(music21.__file__).parent / "corpus"
    return select_part(open_score(str(root / name))).part


SCORES = {
    "joplin/maple_leaf_rag.mxl": ("amateur", range(2, 62, 12)),
    "schumann_clara/polonaise_op1n3.mxl": ("school", range(0, 46, 9)),
    "cpebach/h186.mxl": ("amateur", range(1, 31, 7)),
    "schoenberg/opus19/movement2.mxl": ("school", range(0, 9, 3)),
}


@pytest.mark.parametrize("name", SCORES)
def test_laws_on_real_scores(name):
    """The same laws on piano music as it was written: voices, ties over bar lines, tuplets,
    slurs; and every passage that is looked at gets offers."""
    tier, bars = SCORES[name]
    part = corpus(name)
    for at in bars:
        start = max(0, at - 1)
        window = part.window(start, min(at + 2, len(part.bars) - 1))
        passage = Passage(window, at - start, min(at - start + 1, len(window.bars) - 1))
        offered = [check_laws(strategy, passage, tier_player(tier)) for strategy in ALL]
        assert sum(offered) >= 5


def test_window_edges_are_left_alone():
    """A tie that comes from, or goes on, beyond what a passage shows is never broken: the other
    end stands in a bar that the rewrite does not touch."""
    tied = parse_passage("2/4 | G5:2 ; [C2 E2 G2 C3]:2~ | G5:2 ; [C2 E2 G2 C3]:2")
    inner = Passage(tied.part, 0, 0)
    for strategy in ALL:
        for tier in tier_names():
            for edit in proposals(strategy, inner, tier_player(tier)):
                assert all(not tied.part.by_id[i].tie_out for i in edit.remove)
    thinned = next(s for s in ALL if s.name == "thin_octave_doublings")
    both = Passage(tied.part, 0, 1)
    assert proposals(thinned, both, tier_player("amateur")), "whole chains are free to go"
    assert not proposals(thinned, inner, tier_player("amateur"))


@pytest.mark.parametrize("strategy", ALL, ids=lambda s: s.name)
def test_empty_and_tiny_passages(strategy):
    """A bar of rest, or of one note, is no reason to stumble."""
    for text in ("4/4 | -", "4/4 | C5:4", "4/4 | - ; C3:4", "4/4 | ^D5 C5:4 ; -"):
        for tier in tier_names():
            proposals(strategy, parse_passage(text), tier_player(tier))


def test_no_strategy_reads_difficulty():
    """A strategy proposes and never judges: nothing in its file speaks of difficulty or distance
    as a module."""
    for strategy in ALL:
        source = inspect.getsource(sys.modules[strategy.propose.__module__])
        modules = {
            node.module for node in ast.walk(ast.parse(source)) if isinstance(node, ast.ImportFrom)
        }
        assert not {m for m in modules if m and re.search("difficulty|distance|search", m)}
