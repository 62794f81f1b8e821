"""Harp pedal marks: what counts as one, and the XML that is written."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simplify.score.marks import (
    PEDAL_ORDER,
    PedalMark,
    diagram_xml,
    directions_xml,
    given_setting,
    in_pedal_order,
    move_words,
    only_pedals,
    pedals_in_words,
)
from simplify.score.model import TICKS, GivenSetting
from tests.support_xml import attributes, direction, load, note, score


def positions(text):
    return {letter: int(value) for letter, value in (w.split(":") for w in text.split())}


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("F♯", "F:1"), ("E♭ A♮", "E:-1 A:0"), ("E♭, A♮", "E:-1 A:0"), ("Eb, F#", "E:-1 F:1"),
        ("D♮ C♯ B♭ | E♮ F♯ G♯ A♮", "D:0 C:1 B:-1 E:0 F:1 G:1 A:0"),
        # As L. Boulanger's harp part has them, D'un matin de printemps (bars 175, 180, 199).
        ("Mi ♮  Fa ♯  Sol ♮  La ♮  Si ♮  Do ♮  Ré ♮", "E:0 F:1 G:0 A:0 B:0 C:0 D:0"),
        ("sol ♮  ré ♮", "G:0 D:0"),
        ("préparez mi ♮ fa ♮ sol ♭ la ♮ si ♭ do ♮ ré ♯", "E:0 F:0 G:-1 A:0 B:-1 C:0 D:1"),
        ("H♮ C♯", "B:0 C:1"), ("Des Es As B", "D:-1 E:-1 A:-1 B:-1"), ("Cis Fis", "C:1 F:1"),
        ("\ue262F", ""), ("F\ue262", "F:1"),
        # Words as scores in other languages spell them.
        ("B flat", "B:-1"), ("E-flat, A natural", "E:-1 A:0"), ("prepare D♮ C♯", "D:0 C:1"),
        ("Prep. Eb Ab", "E:-1 A:-1"), ("fa dièse, si bémol", "F:1 B:-1"),
        ("préparez si bécarre", "B:0"), ("fa diesis, si bemolle", "F:1 B:-1"),
        ("mi bequadro", "E:0"), ("fa sostenido si bemol", "F:1 B:-1"), ("Sib, Fa#", "B:-1 F:1"),
        ("mi ♮ fa ♯", "E:0 F:1"), ("H", ""), ("B vorbereiten", "B:-1"), ("Fis", "F:1"),
        ("Es vorbereiten", "E:-1"), ("Fis nach F", "F:0"), ("H♮ C♯ vorbereiten", "B:0 C:1"),
        ("F♮ → F♯", "F:1"), ("E♭ to E♮", "E:0"), ("Ped. F# G#", "F:1 G:1"),
        # SMuFL: a diagram set in a music font.
        ("\ue681\ue682\ue680\ue683\ue681\ue682\ue682\ue681",
         "D:0 C:1 B:-1 E:0 F:1 G:1 A:0"),
    ],
)
def test_words_that_are_pedals(text, wanted):
    """English, German, French and Italian names with a sign; SMuFL signs; whole settings."""
    assert dict(pedals_in_words(text)) == positions(wanted)


@pytest.mark.parametrize(
    "text",
    ["A", "B", "D.C.", "D.S. al Fine", "dolce", "a tempo", "E", "Clarinet in B♭", "Cor en fa ♯",
     "E♭ major", "A♭-Dur", "Bb clarinet", "As", "Es", "C D", "senza Ped.", "", "♯", "e♭",
     "3. Satz", "Trumpet in B flat", "Clarinet in B flat, harp", "a flat", "in A flat major",
     "un poco sostenuto", "La mer", "si", "E natural horn call", "Ces dames"],
)
def test_words_that_are_not(text):
    """Letters without a sign, keys, instruments in a key, single German words."""
    assert pedals_in_words(text) == ()


def given_marks(*bars):
    """Warnings about the pedal marks of a harp part in these bars."""
    found = load(score(list(bars)))
    return [w for w in found.info.warnings if w.startswith("pedal marks")]


def words(text):
    return direction(f"<words>{text}</words>")


FULL = "D♮ C♮ B♭ E♭ F♮ G♮ A♮"


@pytest.mark.parametrize(
    ("bars", "wanted"),
    [
        # right, by the strings named and by their synonyms (G♭ is the F string at sharp)
        ((words(FULL) + note("Bb4", 4), note("Eb4", 4)), []),
        ((words("D♮ C♮ B♭ E♭ F♯ G♮ A♮") + note("Gb4", 4),), []),
        # a pedal that no mark has named is not judged
        ((words("F♯") + note("Bb4", 4),), []),
        # the note before the mark is not judged either
        ((note("F4", 2) + words("F♯") + note("F#4", 2),), []),
        # a mark below the last note before the change
        ((words("F♮") + note("F4", 2) + words("F♯") + note("F4", 1) + note("F#4", 1),), []),
        ((words(FULL) + note("C4", 4), note("B4", 2) + note("B4", 2)),
         ["bar 2 beat 1: B4 is written, but the pedal marks leave B at ♭ (bar 1 beat 1)"]),
        ((words(FULL) + note("C4", 4), note("r", 2) + words("F♯") + note("r", 2), note("F4", 4)),
         ["bar 3 beat 1: F4 is written, but the pedal marks leave F at ♯ (bar 2 beat 3)"]),
        ((words("F♮") + note("F4", 4), direction("<words>F♯</words>", offset="2")
          + note("F4", 4), note("F#4", 4)),
         ["bar 2 beat 3: F is to move to ♯ while F4 is held"]),
        ((words("F♮ F♯") + note("F#4", 4),),
         ["bar 1 beat 1: F is asked for in 2 positions at once ('F♮ F♯')"]),
        ((direction("<harp-pedals><pedal-tuning><pedal-step>D</pedal-step><pedal-alter>0"
                    "</pedal-alter></pedal-tuning></harp-pedals>") + note("D4", 4),),
         ["bar 1 beat 1: the pedal diagram leaves out C, B, E, F, G, A"]),
    ],
)
def test_marks_are_checked_against_the_notes(bars, wanted):
    """A mistake is told once, by its bar."""
    bars = (attributes(1) + bars[0], *bars[1:])
    assert given_marks(*bars) == [f"pedal marks, {line}" for line in wanted]


def test_many_mistakes_are_counted():
    """A part that contradicts its setting all along does not drown the other warnings."""
    bars = [words(FULL) + note("B4", 4)] * 20
    told = given_marks(attributes(1) + bars[0], *bars[1:])
    assert len(told) == 12


def test_marks_that_stop_are_told_once():
    """A few bars were marked, the music goes on in other keys: one line, not one a note. A slip or
    two after the last mark is told as such."""
    later = [note("B4", 4), note("E4", 4), note("F#4", 4), note("C#4", 4)]
    marked = attributes(1) + words(FULL) + note("Bb4", 4)
    assert given_marks(marked, note("Eb4", 4), *later) == [
        "pedal marks, bar 3 beat 1: the pedal marks stop in bar 1; from here on other settings are "
        "needed"
    ]
    assert given_marks(marked, *later[:2]) == [
        "pedal marks, bar 2 beat 1: B4 is written, but the pedal marks leave B at ♭ (bar 1 beat 1)",
        "pedal marks, bar 3 beat 1: E4 is written, but the pedal marks leave E at ♭ (bar 1 beat 1)",
    ]


def test_diagrams_are_read():
    """`<harp-pedals>` gives its letters; entries that say nothing usable are left out."""
    tuning = (
        "<pedal-tuning><pedal-step>{}</pedal-step><pedal-alter>{}</pedal-alter></pedal-tuning>"
    )
    content = "".join(
        tuning.format(*p) for p in (("D", "0"), ("C", "-1"), ("B", "-1.0"), ("X", 1), ("G", "0.5"))
    )
    element = ET.fromstring(direction(f"<harp-pedals>{content}</harp-pedals>"))
    assert given_setting(element, 7) == GivenSetting(7, (("D", 0), ("C", -1), ("B", -1)))
    assert only_pedals(element)


def test_symbols_beside_words():
    """A letter as words and its sign as a SMuFL symbol."""
    element = ET.fromstring(direction("<words>F</words><symbol>accidentalSharp</symbol>"))
    assert given_setting(element, 0) == GivenSetting(0, (("F", 1),))


@pytest.mark.parametrize(
    ("content", "alone"),
    [
        ("<words>F♯</words>", True), ("<words>Mi ♮ Fa ♯</words>", True),
        ("<words>préparez mi ♮</words>", True), ("<words>dolce</words>", False),
        ("<words>F♯</words><dynamics><p/></dynamics>", False),
    ],
)
def test_only_pedals(content, alone):
    """New marks may replace a direction only if it says nothing else."""
    assert only_pedals(ET.fromstring(direction(content))) == alone


def test_given_marks_reach_the_part():
    """With tick and offset, in order."""
    loaded = load(score([
        attributes(2) + direction("<words>F♯ G♮</words>") + note("C4", 4)
        + direction("<words>B♭</words>", offset="2") + note("D4", 4)
    ]))
    assert loaded.part.given == (
        GivenSetting(0, (("F", 1), ("G", 0))), GivenSetting(3 * TICKS, (("B", -1),))
    )


def test_the_diagram_of_the_standard():
    """MusicXML 4.0's example for `<harp-pedals>` sets D C B E F G A to -1 1 -1 0 -1 0 1; ours has
    the same elements in the same order."""
    setting = {"A": 1, "B": -1, "C": 1, "D": -1, "E": 0, "F": -1, "G": 0}
    element = ET.fromstring("".join(diagram_xml(tuple(setting.items()))))
    steps = [t.findtext("pedal-step") for t in element]
    alters = [t.findtext("pedal-alter") for t in element]
    assert "".join(steps) == "DCBEFGA"
    assert alters == ["-1", "1", "-1", "0", "-1", "0", "1"]


def test_right_foot_above_left_foot():
    """Moves of one moment: E F G A first (above), then D C B: pedal changes stand on two lines,
    right foot above left (E. Volpe Bligh, Preparing orchestral harp parts; G. Einarsdottir, harp
    notation manual of the Sibelius Academy)."""
    assert move_words((("B", -1), ("G", 1), ("D", 0), ("F", 0))) == ("F♮", "G♯", "D♮", "B♭")
    blocks = directions_xml(PedalMark(0, "move", (("C", 1), ("A", -1))), staff=1)
    words = [ET.fromstring("".join(b)).findtext("direction-type/words") for b in blocks]
    assert words == ["A♭", "C♯"]


def test_offsets_count_in_divisions():
    """Half a quarter note is 0.5 in divisions of 1 and 2 in divisions of 4."""
    mark = PedalMark(0, "move", (("F", 1),))
    for divisions, text in ((1, "0.5"), (4, "2"), (3, "1.5")):
        (lines,) = directions_xml(mark, offset=TICKS // 2, divisions=divisions)
        element = ET.fromstring("".join(lines))
        assert element.findtext("offset") == text
        assert element.find("staff") is None


@given(st.dictionaries(st.sampled_from(PEDAL_ORDER), st.integers(-1, 1), min_size=1))
def test_what_is_written_is_read_again(setting):
    """Diagram and words both give back the pedals they were made of."""
    ordered = in_pedal_order(setting)
    (diagram,) = directions_xml(PedalMark(3, "setting", ordered), staff=1)
    assert given_setting(ET.fromstring("".join(diagram)), 3) == GivenSetting(3, ordered)
    moves = directions_xml(PedalMark(3, "move", ordered))
    found = [given_setting(ET.fromstring("".join(m)), 3) for m in moves]
    assert in_pedal_order({k: v for g in found if g for k, v in g.positions}) == ordered
    assert all(only_pedals(ET.fromstring("".join(m))) for m in moves)


@pytest.mark.parametrize(
    "wrong",
    [("setting", ()), ("turn", (("A", 0),)), ("move", (("H", 0),)), ("move", (("A", 2),)),
     ("move", (("", 0),)), ("move", (("DC", 0),))],
)
def test_marks_that_make_no_sense(wrong):
    """Kind, letters and positions are checked when the mark is made."""
    with pytest.raises(ValueError, match=r"pedal"):
        PedalMark(0, *wrong)
