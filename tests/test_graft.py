"""Writing back: what stays, what changes, and that nothing else does.

Judged from outside: by the bytes, by music21 reading the result, by the MusicXML 4.0 schema, and by
Verovio loading it.
"""

from __future__ import annotations

import os
import random
import re
import tempfile
import warnings
import xml.etree.ElementTree as ET
from collections import Counter
from dataclasses import replace
from fractions import Fraction

import music21
import pytest
import verovio
from hypothesis import given, settings
from hypothesis import strategies as st

from simplify.errors import OutputError
from simplify.score import barwriter
from simplify.score.graft import CHANGED_COLOUR, emit_part, graft, same_music
from simplify.score.marks import PedalMark
from simplify.score.model import (
    TICKS,
    Bar,
    Dynamic,
    Edit,
    GivenSetting,
    Mark,
    Part,
    Pitch,
    TempoMark,
    changed,
    new_note,
)
from simplify.score.read import open_score, select_part
from simplify.score.text import parse_part, parse_pitch
from tests.support_schema import faults
from tests.support_xml import (
    CORPUS,
    KEYBOARD,
    OTHERS,
    attributes,
    backup,
    direction,
    forward,
    load,
    note,
    score,
    voice_lengths,
)

QUARTER = TICKS


def opened(name):
    """The keyboard (or last) part of a corpus score."""
    found = open_score(str(CORPUS / name))
    keyboards = [c for c in found.candidates if c.notes and c.is_keyboard]
    return select_part(found, (keyboards or [c for c in found.candidates if c.notes])[-1].id)


def measure(xml, index, part=0):
    """A measure of written bytes, as an element."""
    root = ET.fromstring(re.sub(rb"<!DOCTYPE[^>]*>", b"", xml, count=1))
    return root.findall("part")[part].findall("measure")[index]


def spelt(element):
    """A measure's notes in order: pitch (or r), duration, type with dots; + in a chord."""
    found = []
    for item in element.findall("note"):
        pitch = item.find("pitch")
        name = "r" if pitch is None else "".join(
            [pitch.findtext("step") or "", {"1": "#", "-1": "b"}.get(pitch.findtext("alter"), ""),
             pitch.findtext("octave") or ""]
        )
        found.append(
            ("+" if item.find("chord") is not None else "") + name + ":"
            + (item.findtext("duration") or "g") + ":" + (item.findtext("type") or "")
            + "." * len(item.findall("dot"))
        )
    return found


def named(part, name, bar=None):
    """The first note of a name."""
    return next(
        n for n in part.notes if n.pitch.name == name and (bar is None or n.bar == bar)
    )


def without(part, *names):
    """The part without the notes of these names."""
    return part.apply(Edit(frozenset(named(part, n).id for n in names), (), "leave out"))


def swap(part, name, **fields):
    """The part with one note changed."""
    old = named(part, name)
    return part.apply(Edit(frozenset([old.id]), (changed(old, **fields),), "change"))


def plus(part, *notes):
    """The part with notes added."""
    return part.apply(Edit(frozenset(), notes, "add"))


# --- what stays -----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", [*KEYBOARD, *OTHERS])
def test_nothing_changed_is_the_source_byte_for_byte(name):
    """Whatever the exporter, layout and oddities."""
    loaded = opened(name)
    assert graft(loaded, loaded.part) == loaded.score.document.encoded(loaded.score.document.text)


@pytest.mark.parametrize("name", KEYBOARD)
def test_one_note_changes_one_bar(name):
    """Before and after the changed measure every byte is the source's."""
    loaded = opened(name)
    part = loaded.part
    free = [
        n for n in part.notes
        if not (n.tie_in or n.tie_out or n.grace) and not any("-st" in m.kind for m in n.marks)
    ]
    target = free[len(free) // 2]
    moved = changed(target, pitch=replace(target.pitch, octave=target.pitch.octave - 1))
    xml = graft(loaded, part.apply(Edit(frozenset([target.id]), (moved,), "an octave down")))
    text = loaded.score.document.text
    place = loaded.places[target.id]
    spot = loaded.sources[place.source].measures[place.bar]
    assert xml.startswith(text[: spot.inner_start])
    assert xml.endswith(text[spot.inner_end :])
    assert xml != text


def test_comments_layout_and_words_of_a_changed_bar_stay():
    """Comments, directions, harmony and the right bar line keep their place in time."""
    content = (
        attributes(2) + "<!-- here --><direction><direction-type><words>a</words></direction-type>"
        "</direction>" + note("C4", 4) + direction("<words>b</words>") + note("D4", 4)
        + '<barline location="right"><bar-style>light-light</bar-style></barline>'
    )
    loaded = load(score([content]))
    xml = graft(loaded, without(loaded.part, "C4"))
    tags = [e.tag for e in measure(xml, 0)]
    assert tags == ["attributes", "direction", "note", "direction", "note", "barline"]
    assert b"<!-- here -->" in xml
    assert spelt(measure(xml, 0)) == ["r:4:half", "D4:4:"]


@pytest.mark.parametrize("layout", ["one line", "crlf", "tabs"])
def test_new_text_is_laid_out_as_the_source_is(layout):
    """Line ends, tabs, or no line ends at all."""
    xml = score([attributes(1) + note("C4", 2) + note("D4", 2), note("E4", 4)])
    if layout == "one line":
        xml = re.sub(rb">\s+<", b"><", xml).replace(b"?><", b"?>\n<")
    elif layout == "crlf":
        xml = xml.replace(b"\n", b"\r\n")
    else:
        xml = re.sub(rb"(?m)^ +", lambda m: b"\t" * (len(m[0]) // 2), xml)
    loaded = load(xml)
    out = graft(loaded, swap(loaded.part, "D4", pitch=Pitch("G", 0, 4)), pedal_marks=[SETTING])
    start = loaded.sources[0].measures[0].inner_start
    new = out[start : out.index(b"</measure>")]
    assert spelt(measure(out, 0)) == ["C4:2:", "G4:2:half"]
    if layout == "one line":
        assert b"\n" not in new
    elif layout == "crlf":
        assert new.count(b"\n") == new.count(b"\r\n") > 10
    else:
        assert b"\n\t\t\t\t<pitch>" in new
        assert b"  " not in new


# --- rests and voices -----------------------------------------------------------------------------


def test_a_lost_note_leaves_rests_that_show_the_beats():
    """Three beats from the second on: a quarter and a half rest, not a dotted half."""
    loaded = load(score([attributes(1) + note("C4", 1, kind="quarter") + note("D4", 3)]))
    xml = graft(loaded, without(loaded.part, "D4"))
    assert spelt(measure(xml, 0)) == ["C4:1:quarter", "r:1:quarter", "r:2:half"]


def test_rests_that_grow_together_are_written_anew():
    """Two sixteenths of silence are one eighth rest; a rest that nothing joins keeps its bytes."""
    loaded = load(score([
        attributes(4) + note("C4", 1, kind="16th") + note("D4", 1, kind="16th")
        + note("r", 2, kind="eighth") + note("E4", 4, kind="quarter")
        + note("r", 4, kind="quarter") + note("F4", 2) + note("r", 2)
    ]))
    whole = without(loaded.part, "C4", "D4")
    assert spelt(measure(graft(loaded, whole), 0))[:2] == ["r:4:quarter", "E4:4:quarter"]
    half = graft(loaded, without(loaded.part, "D4", "F4"))
    assert spelt(measure(half, 0)) == [
        "C4:1:16th", "r:1:16th", "r:2:eighth", "E4:4:quarter", "r:8:half"
    ]


def test_a_lost_second_voice_goes_altogether():
    """The first voice fills the bar: no rests for a voice that is no more."""
    loaded = load(score([
        attributes(1) + note("C5", 4) + backup(4) + note("E4", 2, voice="2")
        + note("F4", 2, voice="2")
    ]))
    xml = graft(loaded, without(loaded.part, "E4", "F4"))
    assert spelt(measure(xml, 0)) == ["C5:4:"]
    one = graft(loaded, without(loaded.part, "E4"))
    assert spelt(measure(one, 0)) == ["C5:4:", "r:2:half", "F4:2:"]


def test_an_emptied_staff_rests_for_the_whole_bar():
    """A whole-bar rest in the staff's own voice."""
    loaded = load(score([
        attributes(1, staves=2) + note("C5", 4, staff=1) + backup(4)
        + note("C3", 2, voice="5", staff=2) + note("D3", 2, voice="5", staff=2)
    ]))
    xml = graft(loaded, without(loaded.part, "C3", "D3"))
    rest = measure(xml, 0).findall("note")[1]
    assert rest.find("rest").get("measure") == "yes"
    assert (rest.findtext("duration"), rest.findtext("voice"), rest.findtext("staff")) == (
        "4", "5", "2"
    )


def test_notes_that_cannot_share_a_chord_go_to_a_voice_of_their_own():
    """One note of a chord held longer: two voices, each filling the bar."""
    loaded = load(score([
        attributes(1) + note("C4", 1) + note("E4", 1, chord=True) + note("D4", 3)
    ]))
    xml = graft(loaded, swap(loaded.part, "E4", duration=2 * QUARTER))
    voices = {n.findtext("voice") for n in measure(xml, 0).findall("note")}
    assert voices == {"1", "2"}
    assert all(ends == {Fraction(4)} for ends in voice_lengths(xml).values())
    assert spelt(measure(xml, 0)) == ["C4:1:", "D4:3:", "E4:2:half"]


def test_silence_of_a_second_voice_stays_silence():
    """Where the source moves forward without a rest, so do we."""
    loaded = load(score([
        attributes(1) + note("C5", 4) + backup(4) + forward(1) + note("E4", 1, voice="2")
        + note("F4", 1, voice="2") + forward(1)
    ]))
    xml = graft(loaded, without(loaded.part, "F4"))
    tags = [e.tag for e in measure(xml, 0)]
    assert tags == ["attributes", "note", "backup", "forward", "note", "note", "forward"]
    assert spelt(measure(xml, 0)) == ["C5:4:", "E4:1:", "r:1:quarter"]


# --- chords ---------------------------------------------------------------------------------------


def test_the_head_of_a_chord_goes():
    """The next note takes its beams, slur end, dynamics and words; its `<chord/>` goes."""
    loaded = load(score([
        attributes(2) + note("C4", 1, kind="eighth", beams=("begin",),
                             notations='<slur type="start"/><fermata/>', after="<lyric>"
                             "<text>la</text></lyric>")
        + note("E4", 1, kind="eighth", chord=True)
        + note("D4", 1, kind="eighth", beams=("end",), notations='<slur type="stop"/>')
        + note("r", 6)
    ]))
    xml = graft(loaded, without(loaded.part, "C4"))
    head = measure(xml, 0).findall("note")[0]
    assert head.find("chord") is None
    assert head.findtext("pitch/step") == "E"
    assert head.findtext("beam") == "begin"
    assert head.find("notations/slur").get("type") == "start"
    assert head.find("notations/fermata") is not None
    assert head.findtext("lyric/text") == "la"


def test_a_note_added_to_a_chord_is_written_like_it():
    """Value, dots, voice and stem of the chord; the kept note's bytes stay."""
    kept = note("C4", 6, kind="quarter", dots=1).replace("</type>", "</type>")
    kept = kept.replace("<dot/>", "<dot/><stem>up</stem>")
    loaded = load(score([attributes(4) + kept + note("r", 10)]))
    extra = new_note(0, 3 * QUARTER // 2, Pitch("G", 0, 4), 0)
    xml = graft(loaded, plus(loaded.part, extra))
    assert kept.encode() in xml
    added = measure(xml, 0).findall("note")[1]
    assert [c.tag for c in added] == [
        "chord", "pitch", "duration", "voice", "type", "dot", "stem"
    ]


# --- values ---------------------------------------------------------------------------------------


def test_a_length_that_is_no_single_value_is_tied():
    """Five sixteenths from the second eighth of 4/4: cut at the beat."""
    loaded = load(score([attributes(4) + note("C4", 16)]))
    part = without(loaded.part, "C4")
    xml = graft(loaded, plus(part, new_note(QUARTER // 2, 5 * QUARTER // 4, Pitch("E", 0, 4), 0)))
    assert spelt(measure(xml, 0))[:3] == ["r:2:eighth", "E4:2:eighth", "E4:3:eighth."]
    first, second = measure(xml, 0).findall("note")[1:3]
    assert [t.get("type") for t in first.findall("tie")] == ["start"]
    assert [t.get("type") for t in second.findall("notations/tied")] == ["stop"]


def test_divisions_that_do_not_suffice_are_raised_for_the_bar_alone():
    """Triplets in a source that counts quarters: its own unit is back before the next bar, whose
    bytes stay, and music21 reads all lengths right."""
    loaded = load(score([
        attributes(1) + direction("<words>x</words>", offset="1") + note("C4", 2) + note("D4", 2),
        note("E4", 4),
    ]))
    third = QUARTER // 3
    run = [
        new_note(k * third, third, Pitch(step, 0, 5), 0, tuplet=(3, 2))
        for k, step in enumerate("GAB")
    ]
    xml = graft(loaded, plus(without(loaded.part, "C4"), *run))
    bar = measure(xml, 0)
    assert [d.text for d in bar.iter("divisions")] == ["3", "1"]
    assert bar.findtext("direction/offset") == "3"
    assert spelt(bar) == [
        "G5:1:eighth", "A5:1:eighth", "B5:1:eighth", "r:3:quarter", "D4:6:"
    ]
    edges = [n.find("notations/tuplet") for n in bar.findall("note")[:3]]
    assert [e.get("type") if e is not None else "" for e in edges] == ["start", "", "stop"]
    text = loaded.score.document.text
    second = loaded.sources[0].measures[1]
    assert xml.endswith(text[second.start :])
    assert read_by_music21(xml) == sounds(loaded, plus(without(loaded.part, "C4"), *run))


def test_divisions_that_change_within_the_bar():
    """The whole bar is written in one unit and ends in the source's last one."""
    change = "<attributes><divisions>6</divisions></attributes>"
    loaded = load(score([
        attributes(4, metre="2/4") + note("C4", 4) + change + note("D4", 6), note("E4", 12)
    ]))
    new = without(loaded.part, "C4")
    xml = graft(loaded, new)
    assert [d.text for d in measure(xml, 0).iter("divisions")] == ["12", "12", "6"]
    assert read_by_music21(xml) == sounds(loaded, new)


def test_rests_in_a_broken_triplet_stay_in_it():
    """The bracket goes on over a rest of its own value."""
    triplet = (
        note("C4", 2, kind="eighth", ratio="3:2", notations='<tuplet type="start"/>')
        + note("D4", 2, kind="eighth", ratio="3:2")
        + note("E4", 2, kind="eighth", ratio="3:2", notations='<tuplet type="stop"/>')
    )
    loaded = load(score([attributes(6, metre="2/4") + triplet + note("r", 6)]))
    bar = measure(graft(loaded, without(loaded.part, "E4")), 0)
    assert spelt(bar)[:3] == ["C4:2:eighth", "D4:2:eighth", "r:2:eighth"]
    rest = bar.findall("note")[2]
    assert rest.findtext("time-modification/actual-notes") == "3"
    assert rest.find("notations/tuplet").get("type") == "stop"
    middle = measure(graft(loaded, without(loaded.part, "D4")), 0)
    assert spelt(middle)[:3] == ["C4:2:eighth", "r:2:eighth", "E4:2:eighth"]


def test_a_silent_triplet_is_a_plain_rest():
    """A bracket over rests alone says nothing."""
    triplet = (
        note("C4", 2, kind="eighth", ratio="3:2", notations='<tuplet type="start"/>')
        + note("D4", 2, kind="eighth", ratio="3:2")
        + note("E4", 2, kind="eighth", ratio="3:2", notations='<tuplet type="stop"/>')
    )
    loaded = load(score([attributes(6, metre="2/4") + triplet + note("G4", 6, kind="quarter")]))
    xml = graft(loaded, without(loaded.part, "C4", "D4", "E4"))
    assert spelt(measure(xml, 0)) == ["r:6:quarter", "G4:6:quarter"]
    assert measure(xml, 0).find("note/time-modification") is None


def test_a_lost_second_voice_goes_under_one_that_is_to_be_filled():
    """The first voice loses a note as well: its rest is enough."""
    loaded = load(score([
        attributes(1) + note("C5", 3) + note("D5", 1) + backup(4) + note("E4", 2, voice="2")
        + note("F4", 2, voice="2")
    ]))
    xml = graft(loaded, without(loaded.part, "D5", "E4", "F4"))
    assert spelt(measure(xml, 0)) == ["C5:3:", "r:1:quarter"]


def test_a_source_that_rounds_its_triplets_still_adds_up():
    """85 + 85 + 86 with 256 divisions: rests take the same places."""
    triplet = "".join(
        note(p, d, kind="eighth", ratio="3:2") for p, d in (("C4", 85), ("D4", 85), ("E4", 86))
    )
    loaded = load(score([attributes(256, metre="2/4") + triplet + note("F4", 256)]))
    xml = graft(loaded, without(loaded.part, "D4"))
    assert spelt(measure(xml, 0)) == [
        "C4:85:eighth", "r:85:eighth", "E4:86:eighth", "F4:256:"
    ]


# --- beams, accidentals ---------------------------------------------------------------------------


def eighths(*names):
    marks = ("begin", *["continue"] * (len(names) - 2), "end")
    return "".join(
        note(n, 1, kind="eighth", beams=(m,)) for n, m in zip(names, marks, strict=True)
    )


def beams_of(bar):
    return [[b.text for b in n.findall("beam")] for n in bar.findall("note")]


def test_a_broken_beam_is_drawn_anew_within_the_beat():
    """Eight eighths under two beams: what is left of a broken one is beamed by beats, the other
    keeps its bytes."""
    loaded = load(score([
        attributes(2) + eighths("C4", "D4", "E4", "F4") + eighths("G4", "A4", "B4", "C5")
    ]))
    bar = measure(graft(loaded, without(loaded.part, "D4")), 0)
    assert beams_of(bar) == [
        [], [], ["begin"], ["end"], ["begin"], ["continue"], ["continue"], ["end"]
    ]


def test_a_changed_pitch_keeps_the_figure_beamed():
    """The new note joins its neighbours of the beat."""
    loaded = load(score([
        attributes(2) + eighths("C4", "D4", "E4", "F4") + note("r", 4)
    ]))
    bar = measure(graft(loaded, swap(loaded.part, "D4", pitch=Pitch("B", 0, 3))), 0)
    assert beams_of(bar)[:4] == [["begin"], ["end"], ["begin"], ["end"]]


def test_sources_without_beams_get_none():
    """Some exporters leave beaming to the reader."""
    loaded = load(score([attributes(2) + note("C4", 1, kind="eighth") * 8]))
    xml = graft(loaded, swap(loaded.part, "C4", pitch=Pitch("B", 0, 3)))
    assert b"<beam" not in xml


def accidentals(bar):
    return [(s.split(":")[0], n.findtext("accidental"))
            for s, n in zip(spelt(bar), bar.findall("note"), strict=True)]


def test_accidentals_of_new_notes_follow_key_and_bar():
    """In D major: F sharp is in the key, F natural needs a sign, the next F sharp too; another
    octave is not affected."""
    loaded = load(score([attributes(1, fifths=2) + note("D4", 4)]))
    part = without(loaded.part, "D4")
    new = [
        new_note(k * QUARTER, QUARTER, parse_pitch(p), 0)
        for k, p in enumerate(("F#4", "F4", "F#5", "F#4"))
    ]
    bar = measure(graft(loaded, plus(part, *new)), 0)
    assert accidentals(bar) == [
        ("F#4", None), ("F4", "natural"), ("F#5", None), ("F#4", "sharp")
    ]


def test_a_kept_note_gets_the_sign_that_went_with_another():
    """The first F sharp carried the sign for both; a later natural needs one after a new sharp."""
    loaded = load(score([
        attributes(1) + note("F#4", 1, accidental="sharp") + note("F#4", 1) + note("G4", 1)
        + note("G4", 1)
    ]))
    first = loaded.part.notes[0]
    bar = measure(graft(loaded, loaded.part.apply(Edit(frozenset([first.id]), (), "x"))), 0)
    assert accidentals(bar) == [("r", None), ("F#4", "sharp"), ("G4", None), ("G4", None)]
    third = loaded.part.notes[2]
    sharper = changed(third, pitch=Pitch("G", 1, 4))
    bar = measure(graft(loaded, loaded.part.apply(Edit(frozenset([third.id]), (sharper,), "x"))), 0)
    assert accidentals(bar)[2:] == [("G#4", "sharp"), ("G4", "natural")]


def clef(sign, line, staff=2):
    return (
        f'<attributes><clef number="{staff}"><sign>{sign}</sign><line>{line}</line></clef>'
        "</attributes>"
    )


def test_clefs_that_nothing_stands_under_go():
    """The left hand leaps up under a treble clef and back; when only its first bass note is left,
    both clef changes are idle. A clef that a kept note needs stays. Where all notes are new they
    get the clef they lie in, and the next bar its own again."""
    figure = (
        note("C3", 1, voice="5", staff=2) + clef("G", 2) + note("E5", 1, voice="5", staff=2)
        + note("G5", 1, voice="5", staff=2) + clef("F", 4) + note("D3", 1, voice="5", staff=2)
    )
    first = attributes(1, staves=2, more='<clef number="1"><sign>G</sign><line>2</line></clef>'
                       '<clef number="2"><sign>F</sign><line>4</line></clef>')
    second = note("C5", 4, staff=1) + backup(4) + note("F3", 4, voice="5", staff=2)
    loaded = load(score([first + note("C5", 4, staff=1) + backup(4) + figure, second]))

    def signs(xml, bar=0):
        return [
            e.findtext("sign") or e.findtext("pitch/step") for e in measure(xml, bar).iter()
            if e.tag == "clef" or (e.tag == "note" and e.findtext("staff") == "2"
                                   and e.find("pitch") is not None)
        ]

    assert signs(graft(loaded, without(loaded.part, "E5", "G5"))) == ["G", "F", "C", "D"]
    assert signs(graft(loaded, without(loaded.part, "E5"))) == ["G", "F", "C", "G", "G", "F", "D"]
    high = swap(loaded.part, "C3", pitch=Pitch("C", 0, 5))
    assert signs(graft(loaded, high)) == ["G", "F", "C", "G", "E", "G", "F", "D"]
    bass = without(loaded.part, "C3", "E5", "G5", "D3")
    chord = new_note(0, 4 * QUARTER, Pitch("E", 0, 5), 0, staff=2, voice="5")
    assert signs(graft(loaded, plus(bass, chord))) == ["G", "G", "E", "F"]
    low = new_note(0, 4 * QUARTER, Pitch("E", 0, 3), 0, staff=2, voice="5")
    assert signs(graft(loaded, plus(bass, low))) == ["G", "F", "E"]
    assert signs(graft(loaded, bass)) == ["G", "F"]
    both = plus(without(bass, "F3"), chord)
    for name, rest in (("G4", ["G"]), ("F3", ["F", "F"]), ("C4", ["C"])):
        pitch = Pitch(name[0], 0, int(name[1]))
        after = new_note(4 * QUARTER, 4 * QUARTER, pitch, 1, staff=2, voice="5")
        xml = graft(loaded, plus(both, after))
        assert signs(xml) == ["G", "G", "E"]  # no clef is put back for a bar that needs another
        assert signs(xml, 1) == rest  # nor changed for a note or two, nor at the end


def test_a_clef_stays_under_which_the_source_writes_as_high():
    """A composer who writes D5 to E5 under a bass clef wants it so; only what goes further gets the
    clef that it lies in."""
    first = attributes(1, staves=2, more='<clef number="1"><sign>G</sign><line>2</line></clef>'
                       '<clef number="2"><sign>F</sign><line>4</line></clef>')
    high = note("D5", 2, voice="5", staff=2) + note("E5", 2, voice="5", staff=2)
    second = note("C5", 4, staff=1) + backup(4) + note("F3", 4, voice="5", staff=2)
    loaded = load(score([first + note("C5", 4, staff=1) + backup(4) + high, second]))
    rest = without(loaded.part, "D5", "E5")
    for step, clefs in (("D", ["G", "F"]), ("G", ["G", "G", "F"])):
        one = new_note(0, 4 * QUARTER, Pitch(step, 0, 5), 0, staff=2, voice="5")
        xml = graft(loaded, plus(rest, one))
        assert [e.findtext("sign") for e in measure(xml, 0).iter("clef")] == clefs


# --- ties and lines -------------------------------------------------------------------------------


def ties_of(xml):
    return [
        [(t.get("type")) for t in n.findall("tie")]
        for index in range(len(voice_lengths(xml)))
        for n in measure(xml, index).findall("note") if n.find("pitch") is not None
    ]


def test_a_broken_tie_chain_loses_its_loose_ends():
    """Three tied bars; the middle goes: the outer two are struck, and the last, whose flat came
    over the tie, gets its sign."""
    loaded = load(score([
        attributes(1) + note("Eb4", 4, accidental="flat", ties="start"),
        note("Eb4", 4, ties="stop start"), note("Eb4", 4, ties="stop"),
    ]))
    middle = loaded.part.notes[1]
    new = loaded.part.apply(Edit(frozenset([middle.id]), (), "x"))
    xml = graft(loaded, new)
    assert ties_of(xml) == [[], []]
    assert b"tied" not in xml
    assert measure(xml, 2).find("note/accidental").text == "flat"
    assert len(load(xml).part.strikes) == 2


def test_a_changed_note_in_a_chain_keeps_it_whole():
    """Shortening the end of a chain leaves the tie before it alone."""
    loaded = load(score([
        attributes(1) + note("E4", 4, ties="start"), note("E4", 4, ties="stop")
    ]))
    last = loaded.part.notes[1]
    short = changed(last, duration=2 * QUARTER)
    xml = graft(loaded, loaded.part.apply(Edit(frozenset([last.id]), (short,), "x")))
    assert ties_of(xml) == [["start"], ["stop"]]


@pytest.mark.parametrize(
    ("start", "stop", "tag"),
    [
        ('<slur type="start" number="2"/>', '<slur type="stop" number="2"/>', "slur"),
        ('<glissando type="start"/>', '<glissando type="stop"/>', "glissando"),
        ('<slide type="start"/>', '<slide type="stop"/>', "slide"),
        ('<ornaments><trill-mark/><wavy-line type="start"/></ornaments>',
         '<ornaments><wavy-line type="stop"/></ornaments>', "wavy-line"),
    ],
)
def test_lines_lose_their_other_end(start, stop, tag):
    """The end of a slur, glissando or trill line in another bar goes with the beginning; a line
    that a changed note takes along stays whole."""
    loaded = load(score([
        attributes(1) + note("C5", 4, notations=start), note("D5", 4),
        note("E5", 4, notations=stop),
    ]))
    xml = graft(loaded, without(loaded.part, "C5"))
    assert f"<{tag}".encode() not in xml
    kept = graft(loaded, swap(loaded.part, "C5", pitch=Pitch("A", 0, 5)))
    assert kept.count(f"<{tag} ".encode()) == 2
    untouched = graft(loaded, swap(loaded.part, "D5", pitch=Pitch("A", 0, 5)))
    assert untouched.count(f"<{tag} ".encode()) == 2


def test_a_lone_tremolo_note_gets_its_plain_value():
    """Two-note tremolos are written at double value; half of one is a plain note."""
    def one(pitch, kind):
        return note(pitch, 2, kind="half", ratio="2:1",
                    notations=f'<ornaments><tremolo type="{kind}">3</tremolo></ornaments>')

    loaded = load(score([attributes(2) + note("C4", 4) + one("D4", "start") + one("F4", "stop")]))
    assert named(loaded.part, "D4").duration == QUARTER
    bar = measure(graft(loaded, without(loaded.part, "F4")), 0)
    assert spelt(bar) == ["C4:4:", "D4:2:quarter", "r:2:quarter"]
    assert bar.find("note/time-modification") is None
    assert bar.find(".//tremolo") is None


def test_marks_of_new_notes_are_written():
    """Each kind is read back as the same mark."""
    marks = tuple(sorted((
        Mark("arpeggio", "up"), Mark("trill"), Mark("mordent", "inverted"),
        Mark("turn", "delayed inverted"), Mark("tremolo", "2"), Mark("harmonic"), Mark("etouffe"),
        Mark("nail"), Mark("staccato"), Mark("staccatissimo"), Mark("accent"),
        Mark("strong-accent"), Mark("tenuto"), Mark("fermata"), Mark("let-ring"),
        Mark("finger", "2"), Mark("lyric", "ah"),
    )))
    loaded = load(score([attributes(1) + note("C4", 4)]))
    new = swap(loaded.part, "C4", marks=marks)
    xml = graft(loaded, new)
    assert load(xml).part.notes[0].marks == marks
    assert not faults(xml)


# --- pedals, fingers, colours ---------------------------------------------------------------------

SETTING = PedalMark(0, "setting", (("D", 0), ("C", 1), ("B", 0), ("E", 0), ("F", 1), ("G", 1),
                                   ("A", 0)))


def test_pedal_marks_in_bars_that_stay():
    """Before the note they belong to, or with an offset before the one that sounds; every other
    byte stays."""
    loaded = load(score([
        attributes(2, staves=2) + note("C4", 2, staff=1) + note("D4", 6, staff=1) + backup(8)
        + note("C3", 8, voice="5", staff=2)
    ]))
    marks = [
        SETTING, PedalMark(QUARTER, "move", (("B", -1), ("G", 0))),
        PedalMark(5 * QUARTER // 2, "move", (("F", 0),)),
    ]
    xml = graft(loaded, loaded.part, pedal_marks=marks)
    tags = [e.tag for e in measure(xml, 0)]
    assert tags == ["attributes", "direction", "note", "direction", "direction", "direction",
                    "note", "backup", "note"]
    found = measure(xml, 0).findall("direction")
    assert found[0].find("direction-type/harp-pedals") is not None
    assert [d.findtext("direction-type/words") for d in found[1:]] == ["G♮", "B♭", "F♮"]
    assert [d.findtext("offset") for d in found] == [None, None, None, "3"]
    assert {d.findtext("staff") for d in found} == {"2"}
    bare = re.sub(rb"<direction .*?</direction>\s*", b"", xml, flags=re.DOTALL)
    assert bare == loaded.score.document.text
    given_ = load(xml).part.given
    assert given_ == (
        GivenSetting(0, SETTING.positions), GivenSetting(QUARTER, (("B", -1),)),
        GivenSetting(QUARTER, (("G", 0),)), GivenSetting(5 * QUARTER // 2, (("F", 0),)),
    )
    assert not faults(xml)


def test_pedal_marks_in_a_changed_bar():
    """The same, where the bar is laid out again."""
    loaded = load(score([
        attributes(2, staves=2) + note("C4", 2, staff=1) + note("D4", 6, staff=1) + backup(8)
        + note("C3", 8, voice="5", staff=2)
    ]))
    marks = [SETTING, PedalMark(5 * QUARTER // 2, "move", (("F", 0),))]
    xml = graft(loaded, without(loaded.part, "C4"), pedal_marks=marks)
    assert [g.onset for g in load(xml).part.given] == [0, 5 * QUARTER // 2]
    assert not faults(xml)


def test_the_sources_own_pedals_give_way():
    """Two plans on one page contradict each other. Words that say more stay; so does all outside
    the span, and everything if asked for."""
    loaded = load(score([
        attributes(1) + direction("<words>E♭</words>") + note("C4", 4)
        + direction("<words>dolce F♯</words>"),
        direction("<words>A♭</words>") + note("D4", 4),
    ]))
    mark = PedalMark(0, "move", (("G", 1),))

    def words(xml):
        root = ET.fromstring(xml)
        return [w.text for w in root.iter("words")]

    assert words(graft(loaded, loaded.part, pedal_marks=[mark])) == ["G♯", "dolce F♯", "A♭"]
    wide = graft(loaded, loaded.part, pedal_marks=[mark], pedal_span=(0, loaded.part.end))
    assert words(wide) == ["G♯", "dolce F♯"]
    kept = graft(loaded, loaded.part, pedal_marks=[mark], keep_given=True)
    assert words(kept) == ["E♭", "G♯", "dolce F♯", "A♭"]
    both = graft(loaded, without(loaded.part, "C4"), pedal_marks=[mark])
    assert words(both) == ["G♯", "dolce F♯", "A♭"]


def test_a_pedal_mark_outside_the_part():
    """A tick after the end is a slip of the caller's."""
    loaded = load(score([attributes(1) + note("C4", 4)]))
    with pytest.raises(OutputError, match="outside the part"):
        graft(loaded, loaded.part, pedal_marks=[replace(SETTING, onset=99 * QUARTER)])


def test_fingers_and_colours():
    """Fingers on kept and new notes (an old one is replaced), colour on new notes only."""
    loaded = load(score([
        attributes(1) + note("C4", 2, notations="<technical><fingering>4</fingering></technical>")
        + note("D4", 2)
    ]))
    new = swap(loaded.part, "D4", pitch=Pitch("E", 0, 4))
    fingers = {named(new, "C4").id: 2, named(new, "E4").id: 1}
    xml = graft(loaded, new, fingering=fingers, colour_changed=True)
    first, second = measure(xml, 0).findall("note")
    assert [f.text for f in first.iter("fingering")] == ["2"]
    assert [f.text for f in second.iter("fingering")] == ["1"]
    assert (first.get("color"), second.get("color")) == (None, CHANGED_COLOUR)
    assert not faults(xml)


def test_hands_that_notes_ask_for_are_named():
    """A trill shared by both hands: the first two words tell; a run split between the hands: one
    word where the other hand comes in. Nothing where each staff has its usual hand."""
    loaded = load(score([attributes(4, staves=2) + note("C5", 16, staff=1)]))

    def played(hands):
        run = [
            new_note(k * QUARTER // 2, QUARTER // 2, Pitch("DE"[k % 2], 0, 5), 0, hand=hand)
            for k, hand in enumerate(hands)
        ]
        xml = graft(loaded, plus(without(loaded.part, "C5"), *run))
        assert not faults(xml)
        first = [n.hand for n in load(xml).part.notes]
        return [w.text for w in ET.fromstring(xml).iter("words")], first

    assert played("RLRLRLRL") == (["R.H.", "L.H."], ["R", "L", "", "", "", "", "", ""])
    assert played("LLLLRRRR") == (["L.H.", "R.H."], ["L", "", "", "", "R", "", "", ""])
    assert played("RRRRRRRR") == ([], [""] * 8)


# --- parts and staves -----------------------------------------------------------------------------


def test_two_source_parts_of_one_harp():
    """New notes go to the part of their staff; the other part stays byte for byte; pedal marks
    stand below the lower part."""
    loaded = load(score([attributes(1) + note("C5", 4)], [attributes(1) + note("C3", 4)],
                        names=("Harp RH", "Harp LH")))
    new = swap(loaded.part, "C3", pitch=Pitch("G", 0, 2))
    xml = graft(loaded, new, pedal_marks=[SETTING])
    upper = loaded.sources[0].measures[0]
    assert loaded.score.document.text[upper.start : upper.end] in xml
    lower = measure(xml, 0, 1)
    assert spelt(lower) == ["G2:4:whole"]
    assert lower.find("note/staff") is None
    assert lower.find("direction/direction-type/harp-pedals") is not None
    moved = changed(named(loaded.part, "C5"), staff=2, duration=2 * QUARTER)
    both = loaded.part.apply(Edit(frozenset([named(loaded.part, "C5").id]), (moved,), "x"))
    xml = graft(loaded, both)
    assert measure(xml, 0).find("note/rest") is not None
    assert same_music(load(xml).part, both) == ()


def test_a_transposing_part_is_written_as_it_is_read():
    """Sounding C is written D in a part in B flat; accidentals follow the written key."""
    transpose = "<transpose><diatonic>-1</diatonic><chromatic>-2</chromatic></transpose>"
    loaded = load(score([attributes(1, fifths=2, more=transpose) + note("D5", 4)]))
    assert loaded.part.notes[0].pitch.name == "C5"
    bar = measure(graft(loaded, swap(loaded.part, "C5", pitch=Pitch("E", 0, 5))), 0)
    assert accidentals(bar) == [("F#5", None)]


def test_a_part_of_one_staff_has_no_second_one():
    """A note that an edit puts on the lower staff stays on the only one."""
    loaded = load(score([attributes(1) + note("C4", 4)]))
    xml = graft(loaded, swap(loaded.part, "C4", staff=2, pitch=Pitch("G", 0, 3)))
    assert measure(xml, 0).find("note/staff") is None
    assert load(xml).part.notes[0].pitch.name == "G3"


def test_a_note_on_the_other_staff_joins_that_staffs_voice():
    """Handed from one hand to the other: into the chord that is there at that time."""
    loaded = load(score([
        attributes(1, staves=2) + note("C5", 2, staff=1) + note("E4", 2, staff=1) + backup(4)
        + note("C3", 2, voice="5", staff=2) + note("G3", 2, voice="5", staff=2)
    ]))
    bar = measure(graft(loaded, swap(loaded.part, "E4", staff=2)), 0)
    rows = [(n.findtext("voice"), n.findtext("staff"), s)
            for s, n in zip(spelt(bar), bar.findall("note"), strict=True)]
    assert rows == [
        ("1", "1", "C5:2:"), ("1", "1", "r:2:half"), ("5", "2", "C3:2:"), ("5", "2", "G3:2:"),
        ("5", "2", "+E4:2:"),
    ]


def test_an_empty_measure_is_opened():
    """A self-closing measure takes notes."""
    xml = score([attributes(1) + note("C4", 4), "[]"])
    xml = re.sub(rb"<measure >\s*</measure>", b'<measure number="2"/>', xml)
    loaded = load(xml)
    extra = new_note(loaded.part.bars[1].onset, 4 * QUARTER, Pitch("G", 0, 4), 1)
    assert spelt(measure(graft(loaded, plus(loaded.part, extra)), 1)) == ["G4:4:whole"]


# --- the gate -------------------------------------------------------------------------------------


def test_what_does_not_read_back_is_never_given_out(monkeypatch):
    """A writer that loses a note is stopped, and the bar is named."""
    loaded = load(score([attributes(1) + note("C4", 2) + note("D4", 2), note("E4", 4)]))
    new = swap(loaded.part, "C4", pitch=Pitch("G", 0, 4))
    real = barwriter.BarWriter.write

    def lossy(self, notes, pedal):
        return real(self, notes, pedal).replace(b"<step>G</step>", b"<step>A</step>")

    monkeypatch.setattr(barwriter.BarWriter, "write", lossy)
    with pytest.raises(OutputError, match="bar 1 beat 1: G4"):
        graft(loaded, new)


def test_a_length_nothing_says_is_refused():
    """One eleventh of a bar less a tick is no value."""
    loaded = load(score([attributes(1) + note("C4", 4)]))
    odd = new_note(1, 3847, Pitch("G", 0, 4), 0)
    with pytest.raises(OutputError, match="bar 1 beat 1"):
        graft(loaded, plus(without(loaded.part, "C4"), odd))


def test_same_music_tells_what_differs():
    """Pitch, spelling, length, staff, grace and bars; not how a length is written."""
    base = parse_part("4/4 | C4:2~ C4:2 ; C3:4")
    assert same_music(base, parse_part("4/4 | C4:4 ; C3:4")) == ()
    for other, word in (
        ("4/4 | D4:4 ; C3:4", "C4 (4 quarter notes, staff 1) only in the first"),
        ("4/4 | B#3:4 ; C3:4", "B♯3"), ("4/4 | C4:3 ; C3:4", "(3 quarter notes"),
        ("4/4 | - ; C4:4 & C3:4", "staff 2) only in the second"),
        ("4/4 | ^C4 C4:4 ; C3:4", "grace note"),
        ("4/4 | C4:4 ; C3:4 | r:4", "bars against"), ("3/4 | C4:3 ; C3:3", "quarter notes long"),
    ):
        assert any(word in line for line in same_music(base, parse_part(other))), other


# --- a part without a source ----------------------------------------------------------------------


def test_text_parts_become_complete_scores():
    """Metre, key, tempo, voices, triplets, grace notes, ties, marks; valid, and read back."""
    part = parse_part(
        "3/4 key:-3 tempo:84 | E♭5:1 [G4 B♭4]:2{arpeggio} & r:1 C5:1~ C5:1/2 ; [E♭3 B♭3]:3 "
        "| ^D5 C5:1/3t3:2 D5 E♭5 F5:1/2 ^B4 A♮4 G4:1{trill} ; L:C3:3/2 D3 | - ; C3:3 "
        "| r:1/2 F#4:5/4 G4:1/4 r:1 ; -"
    )
    xml = emit_part(part, "Two < three & four")
    assert not faults(xml)
    again = load(xml)
    assert again.info.title == "Two < three & four"
    assert same_music(part, again.part) == ()
    assert again.part.tempo == (TempoMark(0, 84.0),)
    assert [(b.beats, b.beat_type, b.fifths) for b in again.part.bars] == [(3, 4, -3)] * 4
    assert {n.voice for n in again.part.notes_by_bar[0]} == {"1", "2", "5"}
    assert all(ends == {Fraction(3)} for ends in voice_lengths(xml).values())


def test_everything_a_part_carries_is_written():
    """Pickup, metre and key changes, repeats, endings, rehearsal marks, dynamics, pedals."""
    bars = (
        Bar(0, "0", 0, QUARTER, 4, 4, 1, 3 * QUARTER),
        Bar(1, "1", QUARTER, 4 * QUARTER, 4, 4, 1, 0, True, False, "", "A"),
        Bar(2, "2", 5 * QUARTER, 4 * QUARTER, 4, 4, 1, 0, False, True, "1"),
        Bar(3, "3", 9 * QUARTER, 3 * QUARTER, 6, 8, -2, 0, False, False, "2"),
        Bar(4, "4", 12 * QUARTER, 5 * QUARTER, 6, 8, -2),
    )
    notes = tuple(
        new_note(bar.onset, QUARTER, Pitch("G", 0, 4), bar.index, voice="1") for bar in bars
    )
    part = Part(
        "P1", "Arpa", bars, notes, (TempoMark(0, 60.0), TempoMark(7 * QUARTER, 66.0)),
        (Dynamic(0, "mf"), Dynamic(6 * QUARTER, "sffz"), Dynamic(9 * QUARTER, "quasi niente")),
        (GivenSetting(QUARTER, SETTING.positions), GivenSetting(9 * QUARTER, (("B", -1),))),
    )
    xml = emit_part(part, "")
    assert not faults(xml)
    again = load(xml).part
    assert again.bars == part.bars
    assert (again.tempo, again.dynamics, again.given) == (part.tempo, part.dynamics, part.given)
    assert same_music(part, again) == ()


def test_a_window_can_be_written_too():
    """Bars from the middle, with the tempo in force there, colours and fingers by id."""
    loaded = opened("schumann_clara/polonaise_op1n4.mxl")
    window = loaded.part.window(20, 23)
    some = window.notes[3].id
    xml = emit_part(window, "", colour={some: "#123456"}, fingering={some: 3})
    again = load(xml).part
    assert [b.number for b in again.bars] == [b.number for b in window.bars]
    assert len(again.strikes) == len(window.strikes)
    (start, second) = loaded.part.tempo[:2]
    assert start.quarters != second.quarters
    assert second.onset < window.bars[0].onset
    assert again.tempo == (TempoMark(0, second.quarters),)
    assert xml.count(b'color="#123456"') == 1
    assert xml.count(b"<fingering>3</fingering>") >= 1
    assert not faults(xml)


# --- random edits ---------------------------------------------------------------------------------


def edited(part, rng, count):
    """The part after `count` random edits: notes taken out, moved, shortened, held, handed to the
    other staff, respelt, added; single ones, many in a bar, a whole staff."""
    for _ in range(count):
        bars = [b for b in part.bars if part.notes_by_bar[b.index]]
        if not bars:
            return part
        bar = rng.choice(bars)
        notes = part.notes_by_bar[bar.index]
        one = rng.choice(notes)
        remove, add = frozenset([one.id]), ()
        match rng.randrange(9):
            case 0:
                remove = frozenset(n.id for n in notes if rng.random() < 0.5) or remove
            case 1:
                remove = frozenset(n.id for n in notes if n.staff == one.staff)
            case 2:
                pitch = Pitch(rng.choice("CDEFGAB"), rng.randint(-1, 1), one.pitch.octave)
                add = (changed(one, pitch=pitch, tie_in=False, tie_out=False),)
            case 3 if not (one.tie_in or one.tie_out):
                add = (changed(one, staff=3 - one.staff),)
            case 4 if one.duration > 3:
                add = (changed(one, duration=one.duration // 2, tie_out=False),)
            case 5 if not one.grace and (one.onset - bar.onset) % (TICKS // 4) == 0:
                length = rng.choice([2, 3, 4, 5, 6, 8]) * TICKS // 4
                if one.onset + length <= bar.end:
                    add = (changed(one, duration=length, tuplet=(1, 1), tie_out=False),)
            case 6:
                other = one.pitch.spellings()
                if len(other) > 1 and not (one.tie_in or one.tie_out):
                    add = (changed(one, pitch=other[1]),)
            case 7:
                onset = bar.onset + rng.randrange(max(1, 4 * bar.duration // TICKS)) * TICKS // 4
                length = rng.choice([1, 2, 4, 6, 8]) * TICKS // 4
                if onset + length <= bar.end:
                    voice = rng.choice([one.voice, "1", "2", "5", "6"])
                    pitch = Pitch(rng.choice("CDEFGAB"), rng.randint(-1, 1), rng.randint(2, 6))
                    remove = frozenset()
                    add = (
                        new_note(onset, length, pitch, bar.index, staff=one.staff, voice=voice),
                    )
            case _:
                pass
        if {n.id for n in add} & (part.by_id.keys() - remove):
            continue
        part = part.apply(Edit(remove, add, "random"))
    return part


LOADED = {
    name: opened(name)
    for name in (
        "mozart/k545/movement1_exposition.mxl", "schoenberg/opus19/movement6.mxl",
        "schoenberg/opus19/movement2.mxl", "schumann_clara/polonaise_op1n4.mxl",
        "bach/bwv66.6.mxl", "cpebach/h186.mxl",
    )
}


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(sorted(LOADED)), st.integers(0, 2**32), st.integers(1, 20))
def test_random_edits_come_back(name, seed, count):
    """Whatever is done to a real score is read back as it was asked for, every voice adds up to
    where the source's did or to the bar, and bars without a change stay."""
    loaded = LOADED[name]
    new = edited(loaded.part, random.Random(seed), count)
    xml = graft(loaded, new)
    if loaded.choice.staves == 1:
        new = replace(new, notes=tuple(replace(n, staff=1) for n in new.notes))
    again = select_part(
        replace(loaded.score, document=load(xml, loaded.choice.id).score.document),
        loaded.choice.id,
    ) if new.notes else None
    if again is not None:
        assert same_music(new, again.part) == ()
    before, after = voice_lengths(loaded.score.document.text), voice_lengths(xml)
    part_id = loaded.choice.ids[0]
    for key, ends in after.items():
        bar = Fraction(loaded.part.bars[key[1]].duration, TICKS)
        full = ends == {bar} or ends == before[key]
        assert full or (key[0] == part_id and max(ends) == bar), key


@st.composite
def text_parts(draw):
    """Two staves of one or two voices of random values in a random metre."""
    beats, beat_type = draw(st.sampled_from([(4, 4), (3, 4), (6, 8), (2, 2), (5, 8)]))
    lengths = ["1", "1/2", "1/4", "3/2", "3/4", "2", "5/4", "1/3t3:2", "2/3t3:2"]

    def voice():
        left, tokens = Fraction(4 * beats, beat_type), []
        while left > 0:
            text = draw(st.sampled_from(lengths))
            size = Fraction(text.split("t")[0])
            if size > left:
                break
            names = draw(st.lists(st.sampled_from(
                ["C4", "E♭4", "F#4", "G4", "B3", "D5"]), min_size=0, max_size=3, unique=True))
            body = "r" if not names else names[0] if len(names) == 1 else f"[{' '.join(names)}]"
            tokens.append(f"{body}:{text}" + ("~" if names and draw(st.booleans()) else ""))
            left -= size
        return " ".join(tokens) or "r:1/4"

    bars = []
    for _ in range(draw(st.integers(1, 3))):
        staves = [
            " & ".join(voice() for _ in range(draw(st.integers(1, 2)))) for _ in range(2)
        ]
        bars.append(" ; ".join(staves))
    key = draw(st.integers(-7, 7))
    return parse_part(f"{beats}/{beat_type} key:{key} | " + " | ".join(bars))


@settings(max_examples=60, deadline=None)
@given(text_parts(), st.integers(0, 2**32))
def test_random_text_parts_come_back(part, seed):
    """Written from nothing, then edited and written into that."""
    if not part.notes:
        return
    xml = emit_part(part, "Study")
    loaded = load(xml)
    assert same_music(part, loaded.part) == ()
    for ends in voice_lengths(xml).values():
        assert ends == {Fraction(part.bars[0].duration, TICKS)}
    new = edited(loaded.part, random.Random(seed), 3)
    if new.notes:
        assert same_music(new, load(graft(loaded, new)).part) == ()


# --- other readers --------------------------------------------------------------------------------


def read_by_music21(xml, index=0):
    """(bar, onset, MIDI key, tied in, length) of every note with a length, by music21."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        parsed = music21.converter.parseData(xml.decode("utf-8"), format="musicxml")
    found: Counter = Counter()
    for part in parsed.parts:
        for number, bar in enumerate(part.getElementsByClass(music21.stream.Measure)):
            for element in bar.recurse().notes:
                if element.duration.isGrace:
                    continue
                onset = Fraction(element.getOffsetInHierarchy(bar)).limit_denominator(5040)
                length = Fraction(element.duration.quarterLength).limit_denominator(5040)
                for p in element.pitches:
                    found[number, onset, p.midi, length] += 1
    return found


def sounds(loaded, part):
    """The same of a part, after writing: long values as they were split."""
    again = load(graft(loaded, part), loaded.choice.id).part
    assert same_music(part, again) == ()
    return Counter(
        (n.bar, Fraction(n.onset - again.bars[n.bar].onset, TICKS), n.pitch.midi,
         Fraction(n.duration, TICKS))
        for n in again.notes if not n.grace
    )


EDITED = (
    "mozart/k545/movement1_exposition.mxl", "schumann_clara/polonaise_op1n4.mxl",
    "schoenberg/opus19/movement6.mxl", "joplin/maple_leaf_rag.mxl",
)


@pytest.mark.parametrize("name", EDITED)
def test_music21_reads_what_was_written(name):
    """Note for note what we read, so that our reader does not just agree with our writer."""
    loaded = opened(name)
    new = edited(loaded.part, random.Random(11), 25)
    assert read_by_music21(graft(loaded, new)) == sounds(loaded, new)


@pytest.mark.parametrize("name", [*EDITED, "cpebach/h186.mxl", "schubert/Lindenbaum.xml"])
def test_the_schema_finds_no_new_fault(name):
    """MusicXML 4.0: valid where the source is, and nothing new where it is not."""
    loaded = opened(name)
    known = set(faults(loaded.score.document.text))
    for seed in range(2):
        new = edited(loaded.part, random.Random(seed), 25)
        marks = [SETTING, PedalMark(QUARTER // 2, "move", (("B", -1), ("G", 0)))]
        fingers = {n.id: 1 for n in new.notes[::7]}
        xml = graft(loaded, new, pedal_marks=marks, fingering=fingers, colour_changed=True)
        assert set(faults(xml)) <= known


def log_of_verovio(xml):
    """What Verovio complains of when it loads and lays out a score."""
    toolkit = verovio.toolkit()
    verovio.enableLog(verovio.LOG_WARNING)  # our own engraving turns it off
    with tempfile.TemporaryFile() as log:
        saved = os.dup(2)
        os.dup2(log.fileno(), 2)
        try:
            assert toolkit.loadData(xml.decode("utf-8"))
            assert toolkit.getPageCount() > 0
        finally:
            os.dup2(saved, 2)
            os.close(saved)
        log.seek(0)
        return Counter(line for line in log.read().decode().splitlines() if line.strip())


@pytest.mark.parametrize("name", [*EDITED, "cpebach/h186.mxl", "schubert/Lindenbaum.xml"])
def test_verovio_has_no_new_complaint(name):
    """Loose ties and slurs, broken beams and tuplets would be logged. (It draws no
    `<harp-pedals>` and says so; that is the only line of ours.)"""
    loaded = opened(name)
    before = log_of_verovio(loaded.score.document.text)
    new = edited(loaded.part, random.Random(5), 25)
    assert log_of_verovio(graft(loaded, new)) - before == Counter()
    marked = log_of_verovio(graft(loaded, new, pedal_marks=[SETTING])) - before
    assert set(marked) == {"[Warning] MusicXML import: Unsupported direction-type 'harp-pedals'"}


def test_verovio_is_content_with_text_parts():
    """The excerpts of reports and examples."""
    part = parse_part("4/4 key:2 | C#5:1/3t3:2 D5 E5 [F#4 A4]:5/4 ^G4 A4:1/4 B4:3/2 ; D3:4")
    assert log_of_verovio(emit_part(part, "x")) == Counter()
