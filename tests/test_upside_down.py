"""Staves written the wrong way up (the lower one first), as some converters leave them."""

from __future__ import annotations

import re

import pytest

from simplify.arrange.gather import gather
from simplify.score.graft import graft, same_music
from simplify.score.model import Edit, Pitch, changed
from simplify.score.read import open_score, score_from_bytes, select_part
from tests.support_xml import CORPUS, attributes, backup, direction, load, note, score


def bars(upper, lower):
    """Four bars of 4/4 with these staff numbers for the high and the low notes."""
    rows = []
    for high, low in (("C5", "C3"), ("E5", "G2"), ("E5", "A2"), ("F5", "F2")):
        rows.append(
            note(high, 4, kind="whole", staff=upper) + backup(4)
            + note(low, 4, voice="5", kind="whole", staff=lower)
        )
    rows[0] = attributes(1, staves=2) + direction("<words>r.h.</words>", staff=upper) + rows[0]
    return score(rows, names=("Piano",))


def test_the_model_has_the_upper_staff_above():
    """The same music as from the score the right way up, told in a warning."""
    plain, turned = load(bars(1, 2)), load(bars(2, 1))
    assert turned.choice.upside_down
    assert not plain.choice.upside_down
    assert same_music(plain.part, turned.part) == ()
    assert [n.hand for n in turned.part.notes] == [n.hand for n in plain.part.notes]
    assert any("lower staff first" in w for w in turned.info.warnings)


def test_what_is_written_stays_on_the_sources_staves():
    """A new upper note goes to the staff on which the source has its high notes."""
    loaded = load(bars(2, 1))
    old = next(n for n in loaded.part.notes if n.pitch.octave == 5)
    new = changed(old, pitch=Pitch("D", 0, 5))
    written = graft(loaded, loaded.part.apply(Edit(frozenset([old.id]), (new,), "moved")))
    found = re.search(rb"<step>D</step>.*?<staff>(\d)</staff>", written, re.DOTALL)
    assert found is not None
    assert found[1] == b"2"
    assert load(written).choice.upside_down
    assert graft(loaded, loaded.part) == bars(2, 1)


def test_two_one_staff_parts_without_hands_in_their_names():
    """Where the lower of two staves of one piano comes first, the higher is the upper one."""
    low, high = ([attributes(1) + note(p, 4, kind="whole")] * 2 for p in ("C3", "C5"))
    loaded = load(score(low, high, names=("Piano", "Piano")))
    assert loaded.choice.ids == ("P2", "P1")
    assert {(n.pitch.octave, n.staff) for n in loaded.part.notes} == {(5, 1), (3, 2)}


@pytest.mark.parametrize("name", ["joplin/maple_leaf_rag.mxl", "chopin/mazurka06-2.krn",
                                  "mozart/k545/movement1_exposition.mxl"])
def test_real_keyboard_music_is_the_right_way_up(name):
    """Hands that cross for some bars are no reason to turn a score."""
    assert not select_part(open_score(str(CORPUS / name))).choice.upside_down


def test_a_reduction_of_it_is_the_right_way_up():
    """The new score has the high notes on its first staff."""
    part = gather(score_from_bytes(bars(2, 1), "x.xml")).part
    assert {(n.pitch.octave, n.staff) for n in part.notes} == {(5, 1), (3, 2), (2, 2)}
