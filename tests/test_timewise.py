"""Score-timewise: read as it stands, and edited in its own bytes."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
import zipfile

import pytest

from simplify.errors import ScoreError
from simplify.score.beside import beside
from simplify.score.graft import graft, same_music
from simplify.score.lost import lost_marks
from simplify.score.model import Edit, Pitch, changed
from simplify.score.read import load_part, score_from_bytes, select_part
from tests.support_schema import faults
from tests.support_xml import CORPUS, attributes, load, note, partwise, score, timewise

SMALL = score(
    [attributes(1) + note("C5", 4, kind="whole"), note("D5", 4, kind="whole")],
    [attributes(1) + note("E4", 4, kind="whole"), "[number=\"2\"]" + note("G4", 4, kind="whole")],
    names=("Harp", "Flute"),
)


def corpus(name):
    """MusicXML bytes of a corpus file."""
    path = CORPUS / name
    if path.suffix != ".mxl":
        return path.read_bytes()
    with zipfile.ZipFile(path) as bundle:
        name = next(n for n in bundle.namelist() if n.endswith("xml") and "META-INF" not in n)
        return bundle.read(name)


@pytest.mark.parametrize(
    "name", ["schumann_clara/polonaise_op1n1.mxl", "bach/bwv66.6.mxl", "mozart/k155/movement2.mxl"]
)
def test_reads_the_same_music_as_partwise(name):
    """Every part of real scores, rearranged as the standard says."""
    xml = corpus(name)
    one, other = score_from_bytes(xml, "a.xml"), score_from_bytes(timewise(xml), "b.xml")
    assert one.candidates == other.candidates
    for choice in one.candidates:
        first, second = load_part(one, choice), load_part(other, choice)
        assert first.part == second.part
        assert graft(second, second.part) == timewise(xml)


def moved(loaded):
    """The part with the middle note a step higher."""
    old = loaded.part.notes[len(loaded.part.notes) // 2]
    new = changed(old, pitch=Pitch("A" if old.pitch.step != "A" else "B", 0, old.pitch.octave))
    return old, loaded.part.apply(Edit(frozenset([old.id]), (new,), "moved"))


@pytest.mark.parametrize("name", ["bach/bwv66.6.mxl", "mozart/k155/movement2.mxl"])
def test_an_edit_changes_its_own_measure_and_part_only(name):
    """The same edit gives the same bar as in score-partwise; all else is byte for byte the same."""
    xml = corpus(name)
    results = []
    for text in (xml, timewise(xml)):
        opened = score_from_bytes(text, "a.xml")
        loaded = load_part(opened, opened.candidates[1])
        old, new = moved(loaded)
        results.append((loaded, old, graft(loaded, new)))
    (_, _, plain), (loaded, old, written) = results
    assert partwise(written) == partwise(timewise(plain))
    measure = loaded.sources[0].measures[old.bar]
    text = loaded.score.document.text
    assert written.startswith(text[: measure.start])
    assert written.endswith(text[measure.end :])
    assert written != text


def test_every_element_that_is_alone_is_opened():
    """`<part id="P1"/>` in a measure gets a content and the right closing tag."""
    xml = timewise(SMALL).replace(
        re.search(rb'<part id="P1">(?:(?!</part>).)*<step>D.*?</part>', timewise(SMALL), re.S)[0],
        b'<part id="P1"/>',
    )
    loaded = load(xml, "Harp")
    new = changed(loaded.part.notes[0], onset=loaded.part.bars[1].onset, bar=1)
    written = graft(loaded, loaded.part.apply(Edit(frozenset(), (new,), "added")))
    assert not faults(written)
    assert len(load(written, "Harp").part.notes) == 2


def test_beside_adds_a_part_to_every_measure():
    """And what it has is the rewrite; the schema has nothing against it."""
    loaded = load(timewise(SMALL), "Harp")
    _, new = moved(loaded)
    written = beside(loaded, new, 1, 1, label="alternative 1")
    assert faults(written) == faults(timewise(SMALL)) == ()
    measures = ET.fromstring(written).findall("measure")
    assert [[p.get("id") for p in m] for m in measures] == [["P1", "P1-alt", "P2"]] * 2
    added = load(written, "P1-alt").part
    assert [n.pitch.name for n in added.notes] == ["A5"]
    assert same_music(loaded.part, select_part(score_from_bytes(written, "x"), "P1").part) == ()


def test_lost_signs_are_found():
    """The comparison of source and result reads both by parts."""
    xml = timewise(SMALL.replace(
        b"<type>whole</type>", b"<type>whole</type><notations><fermata/></notations>", 1))
    loaded = load(xml, "Harp")
    gone = loaded.part.notes[0].id
    written = graft(loaded, loaded.part.apply(Edit(frozenset([gone]), (), "out")))
    assert lost_marks(loaded, written) == ("bar 1: fermata",)


def test_a_part_that_is_missing_in_a_measure():
    """Nobody could say what it does there."""
    xml = re.sub(rb'<part id="P2">(?:(?!</part>).)*<step>G.*?</part>', b"", timewise(SMALL),
                 flags=re.S)
    with pytest.raises(ScoreError, match="part 'P2' is missing in measure 2 of the score-timewise"):
        score_from_bytes(xml, "x.xml")
