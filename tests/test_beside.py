"""A rewrite as a part of its own beside the original; what went from the page with its notes."""

from __future__ import annotations

import random
import re
import xml.etree.ElementTree as ET
from collections import Counter

import pytest

from simplify.score.beside import beside
from simplify.score.graft import CHANGED_COLOUR, graft, same_music
from simplify.score.lost import lost_marks
from simplify.score.marks import PedalMark
from simplify.score.model import Edit, Pitch, changed
from simplify.score.read import score_from_bytes, select_part
from tests.support_schema import faults
from tests.support_xml import attributes, backup, direction, load, note, score
from tests.test_graft import KEYBOARD, edited, log_of_verovio, opened, swap, without

SETTING = PedalMark(0, "setting", tuple((letter, 0) for letter in "DCBEFGA"))


def complaints(xml):
    """What Verovio says, without how often and its own random ids."""
    return {re.sub("[0-9]+|'[^']*'", "N", line) for line in log_of_verovio(xml)}


def added(xml):
    """The added part as an element."""
    root = ET.fromstring(xml)
    return next(p for p in root.findall("part") if p.get("id", "").endswith("-alt"))


@pytest.mark.parametrize("name", KEYBOARD)
def test_the_source_stays_and_a_part_is_added(name):
    """Byte for byte the source around two insertions; the added part holds the rewritten bars and
    rests elsewhere; the schema and Verovio find nothing new."""
    loaded = opened(name)
    count = len(loaded.part.bars)
    first, last = count // 4, min(count // 4 + 5, count - 1)
    new = edited(loaded.part, random.Random(3), 20)
    xml = beside(loaded, new, first, last, label="alternative 1")
    text = loaded.score.document.text
    head = tail = 0
    while xml[head : head + 1] == text[head : head + 1]:
        head += 1
    while xml[-1 - tail :][:1] == text[-1 - tail :][:1]:
        tail += 1
    inserted = xml[head : len(xml) - tail]
    assert text[head : len(text) - tail] in inserted
    again = score_from_bytes(xml, "x.xml")
    assert same_music(loaded.part, select_part(again, loaded.choice.id).part) == ()
    other = select_part(again, f"{loaded.choice.name or 'Harp'} (alternative 1)").part
    wanted = Counter((n.onset, n.pitch) for n in new.notes if first <= n.bar <= last)
    assert Counter((n.onset, n.pitch) for n in other.notes) == wanted
    assert set(faults(xml)) <= set(faults(text))
    assert complaints(xml) <= complaints(text) | complaints(graft(loaded, new))


def test_what_a_score_says_once_is_not_said_twice():
    """Tempo, rehearsal marks and chord symbols stay with the original; hairpins that lead out of
    the passage go; dynamics and words come along; ids are the added part's own."""
    tempo = direction(
        "<metronome><beat-unit>quarter</beat-unit><per-minute>60</per-minute></metronome>",
        sound='<sound tempo="60"/>',
    )
    loaded = load(score(
        [
            attributes(1) + note("C4", 4),
            tempo + direction("<rehearsal>A</rehearsal>") + direction("<dynamics><p/></dynamics>")
            + direction('<wedge type="crescendo"/>') + direction("<words>dolce</words>")
            + note("D4", 4, attributes=' id="n1"'),
            direction('<wedge type="stop"/>') + note("E4", 4),
        ],
        instruments=('<score-instrument id="I1"><instrument-name>Harp</instrument-name>'
                     '</score-instrument><midi-instrument id="I1"><midi-channel>1</midi-channel>'
                     "</midi-instrument>",),
    ))
    new = swap(loaded.part, "D4", pitch=Pitch("G", 0, 4))
    xml = beside(loaded, new, 1, 1, label="alternative 2")
    part = added(xml)
    bars = part.findall("measure")
    assert [b.findtext("note/pitch/step") for b in bars] == [None, "G", None]
    assert [d.tag for d in bars[1].iterfind("direction/direction-type/*")] == ["dynamics", "words"]
    ids = re.findall(rb'<(?:note|score-part|score-instrument)[^>]* id="([^"]*)"', xml)
    assert len(ids) == len(set(ids))
    assert faults(xml) == ()
    names = [e.text for e in ET.fromstring(xml).iter("part-name")]
    assert names == ["Harp", "Harp (alternative 2)"]


def test_pickups_metres_and_two_parts_of_one_harp():
    """Bars outside the passage keep their real lengths; a harp on two parts gets two more, in a
    brace of their own."""
    upper = ['[number="0" implicit="yes"]' + attributes(2) + note("G4", 2), note("C5", 8),
             attributes(2, metre="3/4") + note("D5", 6)]
    lower = ['[number="0" implicit="yes"]' + attributes(2) + note("r", 2), note("C3", 8),
             attributes(2, metre="3/4") + note("D3", 6)]
    loaded = load(score(upper, lower, names=("Harp RH", "Harp LH"), group="brace"))
    xml = beside(loaded, loaded.part, 1, 1, label="alternative 1")
    assert faults(xml) == ()
    again = score_from_bytes(xml, "x.xml")
    assert [c.ids for c in again.candidates] == [("P1", "P2"), ("P1-alt", "P2-alt")]
    other = select_part(again, "P1-alt").part
    assert [b.duration for b in other.bars] == [b.duration for b in loaded.part.bars]
    assert [(n.pitch.name, n.staff) for n in other.notes] == [("C5", 1), ("C3", 2)]


def test_pedals_fingers_and_colour_stand_in_the_added_part_only():
    """The composer's part is not touched."""
    loaded = load(score([attributes(1) + note("C4", 2) + note("D4", 2)]))
    new = swap(loaded.part, "D4", pitch=Pitch("E", 0, 4))
    fingers = {n.id: 1 for n in new.notes}
    xml = beside(loaded, new, 0, 0, label="alternative 1", pedal_marks=[SETTING],
                 fingering=fingers, colour_changed=True)
    one, two = ET.fromstring(xml).findall("part")
    assert ET.tostring(one).count(b"<note>") == 2
    assert one.find(".//harp-pedals") is None
    assert two.find(".//harp-pedals") is not None
    assert [n.get("color") for n in two.iter("note")] == [None, CHANGED_COLOUR]
    assert len(list(two.iter("fingering"))) == 2


# --- what went from the page ----------------------------------------------------------------------


def test_lost_signs_are_told_by_bar():
    """Each end of a slur in its bar; what a new note takes over is not lost."""
    loaded = load(score([
        attributes(1)
        + note("C4", 1, notations='<slur type="start" number="1"/>')
        + note("D4", 1, notations="<articulations><staccato/></articulations>")
        + note("E4", 1, notations="<fermata/>", after="<lyric><text>la</text></lyric>")
        + note("F4", 1),
        note("G4", 4, notations='<slur type="stop" number="1"/>'),
    ]))
    assert lost_marks(loaded, graft(loaded, loaded.part)) == ()
    assert lost_marks(loaded, graft(loaded, without(loaded.part, "C4", "D4"))) == (
        "bar 1: slur, staccato", "bar 2: slur",
    )
    assert lost_marks(loaded, graft(loaded, without(loaded.part, "E4"))) == (
        "bar 1: fermata, lyric",
    )
    moved = loaded.part
    for name in ("C4", "D4", "E4", "G4"):
        old = next(n for n in moved.notes if n.pitch.name == name)
        lower = changed(old, pitch=Pitch(old.pitch.step, 0, 3))
        moved = moved.apply(Edit(frozenset([old.id]), (lower,), "lower"))
    assert lost_marks(loaded, graft(loaded, moved)) == ()


def test_a_new_note_takes_over_what_stood_in_its_place():
    """Dynamics, breath marks, placement, verses of a lyric; not what its marks leave out."""
    printed = (
        '<dynamics placement="below"><sfz/></dynamics>'
        '<articulations><accent placement="above"/><breath-mark>comma</breath-mark></articulations>'
        "<ornaments><trill-mark/></ornaments>"
    )
    verse = '<lyric number="2"><syllabic>begin</syllabic><text>Hal</text></lyric>'
    loaded = load(score([attributes(1) + note("C4", 4, notations=printed, after=verse)]))
    old = loaded.part.notes[0]
    marks = tuple(mark for mark in old.marks if mark.kind != "trill")
    new = loaded.part.apply(
        Edit(frozenset([old.id]), (changed(old, pitch=Pitch("G", 0, 3), marks=marks),), "plain")
    )
    xml = graft(loaded, new)
    element = ET.fromstring(xml).find("part/measure/note")
    assert element.find("notations/dynamics/sfz") is not None
    assert element.find("notations/articulations/accent").get("placement") == "above"
    assert element.findtext("notations/articulations/breath-mark") == "comma"
    assert element.find("notations/ornaments") is None
    assert element.find("lyric").get("number") == "2"
    assert element.findtext("lyric/syllabic") == "begin"
    assert lost_marks(loaded, xml) == ("bar 1: trill",)
    assert faults(xml) == ()


def test_a_roll_over_both_staves_stays_one():
    """MusicXML: arpeggiates of one number are one sign."""
    roll = '<arpeggiate number="3"/>'
    loaded = load(score([
        attributes(1, staves=2) + note("C5", 4, staff=1, notations=roll) + backup(4)
        + note("C3", 4, voice="5", staff=2, notations=roll)
    ]))
    xml = graft(loaded, swap(loaded.part, "C5", pitch=Pitch("E", 0, 5)))
    assert [a.get("number") for a in ET.fromstring(xml).iter("arpeggiate")] == ["3", "3"]
