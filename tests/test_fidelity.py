"""What stands around a changed note stays: one kind of notation after another, then all mixed.

Each bar of `BARS` is 4/4 in divisions of 4 on two staves (voices 1 and 5) and holds a free C5 to be
changed; `keeps` are pieces of its XML that must still be there. Facts from MusicXML 4.0.
"""

from __future__ import annotations

import random
import re
import xml.etree.ElementTree as ET

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from simplify.score.graft import graft, same_music
from simplify.score.model import Edit, Pitch, changed
from tests.support_schema import faults
from tests.support_xml import (
    attributes,
    backup,
    direction,
    forward,
    load,
    note,
    score,
    voice_lengths,
)
from tests.test_graft import edited

HEAD = attributes(4, staves=2, more='<clef number="1"><sign>G</sign><line>2</line></clef>'
                  '<clef number="2"><sign>F</sign><line>4</line></clef>')
LOW = backup(16) + note("C3", 16, voice="5", kind="whole", staff=2)
FREE = note("C5", 4, kind="quarter", staff=1)


def quarters(*names, **fields):
    return "".join(note(n, 4, kind="quarter", staff=1, **fields) for n in names)


def whole(pitch, **fields):
    return note(pitch, 16, kind="whole", staff=1, **fields)


BARS = {
    "voices": (
        FREE + quarters("D5", "E5", "F5") + backup(16)
        + note("A4", 8, voice="2", kind="half", staff=1) + forward(4)
        + note("B4", 4, voice="2", kind="quarter", staff=1) + LOW,
        ["<step>A</step>", "<step>B</step>"]),
    "beams and stems": (
        FREE + note("D5", 2, kind="eighth", staff=1, beams=("begin",))
        + note("E5", 2, kind="eighth", staff=1, beams=("end",))
        + note("F5", 8, kind="half", staff=1) + LOW,
        ['<beam number="1">begin</beam>', '<beam number="1">end</beam>']),
    "accidentals as printed": (
        FREE + note("F#5", 4, kind="quarter", staff=1).replace(
            "</type>", '</type><accidental cautionary="yes">sharp</accidental>')
        + note("G5", 8, kind="half", staff=1) + LOW,
        ['<accidental cautionary="yes">sharp</accidental>']),
    "slur": (
        FREE + note("D5", 4, kind="quarter", staff=1, notations='<slur type="start" number="2"/>')
        + note("E5", 8, kind="half", staff=1, notations='<slur type="stop" number="2"/>') + LOW,
        ['<slur type="start" number="2"', '<slur type="stop" number="2"']),
    "dynamics, hairpin and words": (
        direction('<dynamics><mf/></dynamics>') + FREE + direction('<wedge type="crescendo"/>')
        + quarters("D5") + direction('<wedge type="stop"/>', offset="2")
        + direction("<words>dolce</words>") + note("E5", 8, kind="half", staff=1) + LOW,
        ["<mf", 'type="crescendo"', 'type="stop"', "<offset>2</offset>", "dolce"]),
    "pedal line": (
        direction('<pedal type="start" line="yes"/>', staff=2) + FREE + quarters("D5")
        + note("E5", 8, kind="half", staff=1)
        + direction('<pedal type="stop" line="yes"/>', staff=2) + LOW,
        ['<pedal type="start"', '<pedal type="stop"']),
    "lyrics": (
        FREE + note("D5", 4, kind="quarter", staff=1, after='<lyric number="1"><syllabic>begin'
                    '</syllabic><text>lu</text></lyric>')
        + note("E5", 8, kind="half", staff=1, after="<lyric><text>na</text></lyric>") + LOW,
        ["<syllabic>begin</syllabic>", "<text>lu</text>", "<text>na</text>"]),
    "cross-staff": (
        FREE + note("G3", 4, kind="quarter", staff=2) + note("E5", 8, kind="half", staff=1) + LOW,
        ["<step>G</step>"]),
    "grace note": (
        FREE + note("E5", None, grace=True, kind="16th", staff=1)
        + note("D5", 12, kind="half", dots=1, staff=1) + LOW, ["<grace", "<type>16th</type>"]),
    "fermata": (
        FREE + note("D5", 12, kind="half", dots=1, staff=1, notations='<fermata type="upright"/>')
        + LOW, ['<fermata type="upright"']),
    "arpeggio over both staves": (
        FREE + note("D5", 12, kind="half", dots=1, staff=1, notations='<arpeggiate number="4"/>')
        + backup(12) + note("D3", 12, voice="5", kind="half", dots=1, staff=2,
                            notations='<arpeggiate number="4"/>'),
        ['<arpeggiate number="4"']),
    "cue note": (
        FREE + note("D5", 12, kind="half", dots=1, staff=1) + backup(16) + forward(4)
        + note("G5", 12, voice="3", kind="half", dots=1, staff=1, first="<cue/>") + LOW, ["<cue"]),
    "repeat and ending": (
        '<barline location="left"><ending number="1" type="start"/><repeat direction="forward"/>'
        "</barline>" + FREE + note("D5", 12, kind="half", dots=1, staff=1) + LOW
        + '<barline location="right"><bar-style>light-heavy</bar-style><ending number="1" '
        'type="stop"/><repeat direction="backward"/></barline>',
        ['type="start"', 'direction="forward"', "light-heavy", 'direction="backward"']),
    "clef and key in the bar": (
        FREE + quarters("D5") + '<attributes><key><fifths>2</fifths></key><clef number="1"><sign>C'
        "</sign><line>3</line></clef></attributes>" + note("E4", 8, kind="half", staff=1) + LOW
        + '<attributes><key><fifths>0</fifths></key><clef number="1"><sign>G</sign><line>2</line>'
        "</clef></attributes>",
        ["<fifths>2</fifths>", "<sign>C</sign>", "<fifths>0</fifths>", "<sign>G</sign>"]),
    "8va line": (
        FREE + direction('<octave-shift type="down" size="8" number="1"/>', staff=1)
        + quarters("D6") + note("E6", 8, kind="half", staff=1)
        + direction('<octave-shift type="stop" size="8" number="1"/>', staff=1) + LOW,
        ['<octave-shift type="down"', '<octave-shift type="stop"']),
    "tie to the neighbour": (
        FREE + note("D5", 12, kind="half", dots=1, staff=1) + backup(16)
        + note("C3", 16, voice="5", kind="whole", staff=2, ties="let-ring").replace(
            '<tie type="let-ring"/>', ""), ['<tied type="let-ring"']),
    "comment and processing instruction": (
        FREE + "<!-- ask the harpist --><?layout keep?>"
        + note("D5", 12, kind="half", dots=1, staff=1) + LOW,
        ["<!-- ask the harpist -->", "<?layout keep?>"]),
    "chord symbol and figured bass": (
        '<harmony><root><root-step>C</root-step></root><kind>major</kind></harmony>' + FREE
        + "<figured-bass><figure><figure-number>6</figure-number></figure></figured-bass>"
        + note("D5", 12, kind="half", dots=1, staff=1) + LOW,
        ["<root-step>C</root-step>", "<figure-number>6</figure-number>"]),
}
TRIPLET = "".join(
    note(name, 8, kind="quarter", staff=1, ratio="3:2", notations=bracket)
    for name, bracket in (
        ("E5", '<tuplet type="start" bracket="yes"/>'), ("F5", ""), ("G5", '<tuplet type="stop"/>')
    )
)
BARS["triplet bracket"] = (
    note("C5", 12, kind="quarter", staff=1) + note("D5", 12, kind="quarter", staff=1) + TRIPLET
    + backup(48) + note("C3", 48, voice="5", kind="whole", staff=2),
    ['<tuplet type="start" bracket="yes"', '<tuplet type="stop"', "<actual-notes>3</actual-notes>"],
)


def document(*names):
    """A harp part of these bars; the triplet bar counts in divisions of its own."""
    bars = []
    for i, name in enumerate(names):
        content = BARS[name][0]
        if name == "triplet bracket":
            content = (
                "<attributes><divisions>12</divisions></attributes>" + content
                + "<attributes><divisions>4</divisions></attributes>"
            )
        bars.append((HEAD if i == 0 else "") + content)
    return score(bars)


def inside(xml, index):
    """The text of one measure."""
    return re.findall(rb"<measure .*?</measure>", xml, re.S)[index].decode()


@pytest.mark.parametrize("name", BARS)
@pytest.mark.parametrize("way", ["move", "leave out", "shorten"])
def test_what_stands_around_a_changed_note_stays(name, way):
    """In the bar it is all there; before and after it every byte is the source's; the schema finds
    no new fault; every voice still fills the bar."""
    xml = document("slur", name, "slur")
    loaded = load(xml)
    assert faults(xml) == ()
    old = next(n for n in loaded.part.notes if n.pitch.name == "C5" and n.bar == 1)
    add = {
        "move": (changed(old, pitch=Pitch("D", 0, 4)),),
        "leave out": (),
        "shorten": (changed(old, duration=old.duration // 2),),
    }[way]
    new = loaded.part.apply(Edit(frozenset([old.id]), add, way))
    out = graft(loaded, new)
    spot = loaded.sources[0].measures[1]
    assert out.startswith(xml[: spot.inner_start])
    assert out.endswith(xml[spot.inner_end :])
    text = inside(out, 1)
    for piece in BARS[name][1]:
        assert inside(xml, 1).count(piece) == text.count(piece), piece
    assert faults(out) == ()
    before, after = voice_lengths(xml)["P1", 1], voice_lengths(out)["P1", 1]
    assert max(before) == max(after)


def test_metre_changes_and_multi_bar_rests():
    """`<measure-style>` and `<time>` of the bars around, and of the bar itself, stay."""
    rests = "".join(
        (HEAD + '<attributes><measure-style><multiple-rest>2</multiple-rest></measure-style>'
         "</attributes>" if i == 0 else "")
        + note("R", 16, staff=1) + backup(16) + note("R", 16, voice="5", staff=2) + "|"
        for i in range(2)
    ).split("|")[:2]
    three = (
        "<attributes><time><beats>3</beats><beat-type>4</beat-type></time></attributes>" + FREE
        + note("D5", 8, kind="half", staff=1) + backup(12) + note("R", 12, voice="5", staff=2)
    )
    xml = score([*rests, three])
    loaded = load(xml)
    old = next(n for n in loaded.part.notes if n.pitch.name == "C5")
    out = graft(loaded, loaded.part.apply(Edit(frozenset([old.id]), (), "out")))
    assert b"<multiple-rest>2</multiple-rest>" in out
    assert b"<beats>3</beats>" in out
    assert ET.fromstring(out).find("part/measure[3]/note/rest") is not None
    assert faults(out) == ()


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.sampled_from(sorted(BARS)), min_size=1, max_size=5), st.integers(0, 10**6),
       st.integers(1, 12))
def test_random_scores_come_back(names, seed, count):
    """Any row of these bars: unchanged it is its own bytes; with random edits it reads back as the
    model that was written, and the schema finds nothing new."""
    xml = document(*names)
    loaded = load(xml)
    assert graft(loaded, loaded.part) == xml
    new = edited(loaded.part, random.Random(seed), count)
    if new.notes:
        out = graft(loaded, new)
        assert same_music(new, load(out).part) == ()
        assert set(faults(out)) <= set(faults(xml))
