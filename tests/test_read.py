"""Reading scores: by hand for every rule, and note for note against music21 on real scores."""

from __future__ import annotations

import io
import sys
import warnings
from collections import Counter
from fractions import Fraction

import music21
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simplify.errors import SelectionError
from simplify.score.graft import graft, to_mxl
from simplify.score.model import TICKS, Dynamic, Mark, Pitch, TempoMark
from simplify.score.read import bar_range, open_score, score_from_bytes, select_part
from simplify.score.source import load_document, unpack_mxl
from simplify.score.text import parse_part
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
    packed,
    score,
)

WHOLE = note("R", 16)


def rows(loaded, bar=0):
    """(onset in the bar, length, name) in quarter notes of a bar."""
    part = loaded.part
    start = part.bars[bar].onset
    return [
        (Fraction(n.onset - start, TICKS), Fraction(n.duration, TICKS), n.pitch.name)
        for n in part.notes_by_bar[bar]
    ]


# --- against music21 ------------------------------------------------------------------------------


def theirs(part):
    """(bar, onset, MIDI key, length) of music21's notes. Left out: grace notes, chord symbols,
    and notes that are not printed, none of which our `Note`s with a length are."""
    found: Counter = Counter()
    sounding = part if part.atSoundingPitch is True else part.toSoundingPitch()
    for index, measure in enumerate(sounding.getElementsByClass(music21.stream.Measure)):
        for element in measure.recurse().notes:
            if element.duration.isGrace or isinstance(element, music21.harmony.Harmony):
                continue
            if isinstance(element, music21.note.Unpitched) or element.style.hideObjectOnPrint:
                continue
            onset = Fraction(element.getOffsetInHierarchy(measure)).limit_denominator(1 << 14)
            length = Fraction(element.duration.quarterLength).limit_denominator(1 << 14)
            members = element.notes if isinstance(element, music21.chord.Chord) else (element,)
            for member in members:
                if not member.style.hideObjectOnPrint:
                    found[index, onset, member.pitch.midi, length] += 1
    return found


def ours(loaded):
    found: Counter = Counter()
    for n in loaded.part.notes:
        if not n.grace:
            onset = Fraction(n.onset - loaded.part.bars[n.bar].onset, TICKS)
            found[n.bar, onset, n.pitch.midi, Fraction(n.duration, TICKS)] += 1
    return found


def without_rounding(mine, other):
    """What is left of both sides when notes that differ by an exporter's rounding are paired."""
    left, right = mine - other, other - mine
    for key in sorted(left.elements()):
        twin = next(
            (
                k for k in sorted(right)
                if right[k] and k[0] == key[0] and k[2] == key[2]
                and abs(k[1] - key[1]) < Fraction(1, 40) and abs(k[3] - key[3]) < Fraction(1, 40)
            ),
            None,
        )
        if twin is not None:
            left[key] -= 1
            right[twin] -= 1
    return +left, +right


ROUNDED = {"cpebach/h186.mxl", "schubert/Lindenbaum.xml", "weber/concertino_clarinet.mxl"}
"""Scores whose exporter rounds triplets (256 or 1024 divisions): there we read the printed value,
a third, where music21 keeps 85/256."""


@pytest.mark.parametrize("name", [*KEYBOARD, *OTHERS])
def test_same_notes_as_music21(name):
    """Every note of every part has the bar, onset, pitch and length that music21 reads."""
    opened = open_score(str(CORPUS / name))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        parts = list(music21.converter.parse(CORPUS / name, forceSource=True).parts)
    checked, rounded = 0, False
    for choice in opened.candidates:
        count = choice.staves if len(choice.ids) == 1 else 2
        staves, parts = parts[:count], parts[count:]
        if not choice.notes:
            continue
        mine = ours(select_part(opened, choice.id))
        other: Counter = Counter()
        for staff in staves:
            other += theirs(staff)
        if name in ROUNDED:
            rounded = rounded or mine != other
            mine, other = without_rounding(mine, other)
        assert mine == other, choice.label
        checked += choice.notes
    assert checked >= 10
    assert rounded == (name in ROUNDED)


def test_kern_comes_out_as_one_part_of_two_staves():
    """The Humdrum file has two spines; the harpist needs one grand staff."""
    loaded = select_part(open_score(str(CORPUS / "chopin/mazurka06-2.krn")))
    assert loaded.choice.staves == 2
    assert loaded.choice.name == "Piano"
    assert {n.staff for n in loaded.part.notes} == {1, 2}
    assert loaded.part.tempo[0].quarters == 189  # *MM189 in the file
    assert (loaded.part.bars[0].beats, loaded.part.bars[0].fifths) == (3, 4)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        parsed = music21.converter.parse(CORPUS / "chopin/mazurka06-2.krn", forceSource=True)
    wanted: Counter = Counter()
    for part in parsed.parts:
        wanted += theirs(part)
    assert ours(loaded) == wanted


def test_midi_of_a_piano_is_one_part(tmp_path):
    """Two tracks of one piano are its two staves."""
    parsed = music21.converter.parse(CORPUS / "mozart/k545/movement1_exposition.mxl")
    path = tmp_path / "k545.mid"
    parsed.write("midi", path)
    loaded = select_part(open_score(str(path)))
    assert loaded.info.source_format == "midi"
    assert {n.staff for n in loaded.part.notes} == {1, 2}
    source = select_part(open_score(str(CORPUS / "mozart/k545/movement1_exposition.mxl")))
    midis = [{s.pitch.midi for s in one.part.strikes} for one in (loaded, source)]
    assert midis[0] == midis[1]


def test_conversion_is_the_same_every_time():
    """music21 makes up random ids and writes today's date; neither may reach the score."""
    path = str(CORPUS / "bach/bwv277.krn")
    first, second = open_score(path), open_score(path)
    assert first.document.text == second.document.text
    assert b"encoding-date" not in first.document.text
    assert first.candidates[0].ids == ("P1",)


def test_standard_input(monkeypatch):
    """``-`` reads bytes and finds out the format."""
    raw = (CORPUS / "schoenberg/opus19/movement6.mxl").read_bytes()

    class Stdin:
        buffer = io.BytesIO(raw)

    monkeypatch.setattr(sys, "stdin", Stdin)
    opened = open_score("-")
    assert opened.path == "standard input"
    assert opened.source_format == "mxl"


# --- time -----------------------------------------------------------------------------------------


def test_divisions_may_change():
    """Lengths count in the divisions in force, also within a bar."""
    change = "<attributes><divisions>6</divisions></attributes>"
    loaded = load(score([
        attributes(4, metre="2/4") + note("C4", 4) + change + note("D4", 6), note("E4", 12)
    ]))
    assert rows(loaded) == [(0, 1, "C4"), (1, 1, "D4")]
    assert rows(loaded, 1) == [(0, 2, "E4")]
    assert [bar.duration for bar in loaded.part.bars] == [2 * TICKS, 2 * TICKS]


def test_backup_forward_and_voices():
    """Two voices of a staff and a second staff start together."""
    loaded = load(score([
        attributes(2, staves=2)
        + note("C5", 4, staff=1) + note("D5", 4, staff=1) + backup(8)
        + forward(2) + note("A4", 2, voice="2", staff=1) + backup(4)
        + note("C3", 8, voice="5", staff=2)
    ]))
    assert rows(loaded) == [(0, 2, "C5"), (0, 4, "C3"), (1, 1, "A4"), (2, 2, "D5")]
    assert [(n.staff, n.voice) for n in loaded.part.notes] == [
        (1, "1"), (2, "5"), (1, "2"), (1, "1")
    ]


def test_chord_notes_take_the_first_notes_voice_and_length():
    """MusicXML 4.0, `<chord>`: the first note alone moves the musical position, and "the duration
    of a chord note cannot be longer than the preceding note". Shorter ones are slips (music21
    reads them so too): a keyboard's chord is one event."""
    loaded = load(score([
        attributes(4) + note("C4", 4, voice="3") + note("E4", 8, chord=True, voice="")
        + note("G4", 2, chord=True, voice="") + note("D4", 12, voice="3")
    ]))
    assert rows(loaded) == [(0, 1, "C4"), (0, 1, "E4"), (0, 1, "G4"), (1, 3, "D4")]
    assert {n.voice for n in loaded.part.notes} == {"3"}


def test_rounded_triplets_are_read_as_printed():
    """An exporter with 256 divisions writes 85, 85, 86 for a triplet; it means thirds."""
    triplet = "".join(
        note("C4", d, kind="eighth", ratio="3:2") for d in (85, 85, 86)
    )
    loaded = load(score([
        attributes(256, metre="2/4") + triplet + note("D4", 256, kind="quarter") + backup(512)
        + note("C3", 171, kind="quarter", ratio="3:2", voice="2")
        + note("D3", 85, kind="eighth", ratio="3:2", voice="2") + note("E3", 256, voice="2")
    ]))
    third = Fraction(1, 3)
    assert rows(loaded) == [
        (0, 2 * third, "C3"), (0, third, "C4"), (third, third, "C4"), (2 * third, third, "D3"),
        (2 * third, third, "C4"), (1, 1, "E3"), (1, 1, "D4"),
    ]
    assert any("rounded" in w for w in loaded.info.warnings)


def test_thirteen_in_the_time_of_eight_go_to_the_nearest_tick():
    """A tuplet that no whole tick counts is placed with less than a tick's error and a warning."""
    run = "".join(note("C4", 8, kind="16th", ratio="13:8") for _ in range(13))
    loaded = load(score([attributes(52, metre="2/4") + run]))
    onsets = [n.onset for n in loaded.part.notes]
    assert onsets == [round(Fraction(k * 2 * TICKS, 13)) for k in range(13)]
    assert loaded.part.notes[-1].end == 2 * TICKS
    assert any("between two ticks" in w for w in loaded.info.warnings)


def test_grace_notes_count_from_the_left_and_share_a_number_in_a_chord():
    """The k-th grace note; a trailing one at the end of a bar keeps its bar, and the numbers go
    on over the bar line."""
    loaded = load(score([
        attributes(1, metre="2/4") + note("C5", None, grace=True) + note("D5", None, grace=True)
        + note("F5", None, grace=True, chord=True) + note("E5", 2)
        + note("F5", None, grace=True),
        note("G5", None, grace=True) + note("A5", 2),
    ]))
    found = [
        (n.pitch.name, n.grace, n.bar, n.onset // TICKS, n.duration) for n in loaded.part.notes
    ]
    assert found == [
        ("C5", 1, 0, 0, 0), ("D5", 2, 0, 0, 0), ("F5", 2, 0, 0, 0), ("E5", 0, 0, 0, 2 * TICKS),
        ("F5", 1, 0, 2, 0), ("G5", 2, 1, 2, 0), ("A5", 0, 1, 2, 2 * TICKS),
    ]
    assert [s.lead for s in loaded.part.strikes if s.lead] == [2, 1, 1, 2, 1]


def test_ties_from_either_element():
    """`<tie>` and `<tied>` both join; a let-ring tie is a mark."""
    loaded = load(score([
        attributes(1, metre="2/4")
        + note("C4", 2, ties="start") + "", note("C4", 1, ties="stop")
        + note("E4", 1, notations='<tied type="start"/>'),
        note("E4", 1, notations='<tied type="stop"/><tied type="let-ring"/>') + note("F4", 1),
    ]))
    strikes = [(s.pitch.name, s.onset // TICKS, s.end // TICKS) for s in loaded.part.strikes]
    assert strikes == [("C4", 0, 3), ("E4", 3, 5), ("F4", 5, 6)]
    assert loaded.part.notes[3].has("let-ring")


def test_what_is_not_this_players_music_takes_time_only():
    """Cue notes, unpitched notes and notes that are not printed."""
    cue = note("C6", 1, first="<cue/>")
    unpitched = (
        "<note><unpitched><display-step>E</display-step><display-octave>4</display-octave>"
        "</unpitched><duration>1</duration></note>"
    )
    hidden = note("D6", 1, attributes=' print-object="no"')
    loaded = load(score([attributes(1) + cue + unpitched + hidden + note("E4", 1)]))
    assert rows(loaded) == [(3, 1, "E4")]
    assert any("not printed" in w for w in loaded.info.warnings)
    kinds = [c.kind for c in loaded.layouts[0][0].children]
    assert kinds == ["other", "silent", "silent", "silent", "note"]


# --- bars -----------------------------------------------------------------------------------------


def test_pickup_ends_on_the_bar_line():
    """An implicit first bar of one beat lacks the first three beats of its metre."""
    loaded = load(score(['[number="0" implicit="yes"]' + attributes(1) + note("C4", 1),
                         note("D4", 4)]))
    first, second = loaded.part.bars
    assert (first.number, first.duration, first.lead) == ("0", TICKS, 3 * TICKS)
    assert first.beat(first.onset) == 4
    assert (second.onset, second.duration, second.lead) == (TICKS, 4 * TICKS, 0)


def test_whole_bar_rest_in_a_pickup_takes_the_length_of_the_other_parts():
    """The trap: the resting harp's pickup is written as a whole-bar rest of four beats."""
    loaded = load(
        score(
            ['[number="0" implicit="yes"]' + attributes(1) + note("E5", 1), note("D4", 4)],
            ['[number="0" implicit="yes"]' + attributes(1) + note("R", 4), note("C3", 4)],
            names=("Flute", "Harp"),
        )
    )
    assert loaded.choice.name == "Harp"
    assert [bar.duration for bar in loaded.part.bars] == [TICKS, 4 * TICKS]
    assert loaded.part.notes[0].onset == TICKS


def test_bar_cut_by_a_repeat_is_two_short_bars():
    """Three beats before the repeat sign and one after make one bar."""
    loaded = load(score([
        attributes(1) + note("C4", 4),
        note("D4", 3) + '<barline location="right"><repeat direction="backward"/></barline>',
        '[number="X1" implicit="yes"]<barline location="left"><repeat direction="forward"/>'
        "</barline>" + note("E4", 1),
        '[number="3"]' + note("F4", 4),
    ]))
    bars = loaded.part.bars
    assert [bar.duration // TICKS for bar in bars] == [4, 3, 1, 4]
    assert [bar.lead // TICKS for bar in bars] == [0, 0, 3, 0]
    assert [bar.number for bar in bars] == ["1", "2", "X1", "3"]
    assert (bars[1].repeat_end, bars[2].repeat_start) == (True, True)


def test_bar_lengths_otherwise():
    """Too little is filled up, too much is kept and told, a last bar may complete a pickup."""
    loaded = load(score([
        attributes(1, metre="3/4") + note("C4", 1), note("D4", 1), note("E4", 5), note("F4", 2)
    ]))
    bars = loaded.part.bars
    assert [bar.duration // TICKS for bar in bars] == [1, 3, 5, 2]
    assert any("longer than the metre (first: bar 3)" in w for w in loaded.info.warnings)


def test_key_metre_repeats_and_endings():
    """What a bar carries, kept as written."""
    left = '<barline location="left"><ending number="{n}" type="start"/></barline>'
    right = '<barline location="right"><ending number="{n}" type="stop"/>{r}</barline>'
    back = '<repeat direction="backward"/>'
    loaded = load(score([
        attributes(2, fifths=-3, metre="6/8") + note("C4", 6),
        left.format(n=1) + note("C4", 6) + right.format(n=1, r=back),
        left.format(n=2) + "<attributes><key><fifths>2</fifths></key><time><beats>2+3</beats>"
        "<beat-type>8</beat-type></time></attributes>" + note("C4", 5) + right.format(n=2, r=""),
    ]))
    bars = loaded.part.bars
    assert [(b.beats, b.beat_type, b.fifths) for b in bars] == [(6, 8, -3), (6, 8, -3), (5, 8, 2)]
    assert [b.ending for b in bars] == ["", "1", "2"]
    assert [b.repeat_end for b in bars] == [False, True, False]
    assert bars[0].pulse_ticks == 3 * TICKS // 2


# --- tempo, dynamics, words -----------------------------------------------------------------------


def metronome(unit, minute, dots=0):
    dotted = "<beat-unit-dot/>" * dots
    return direction(
        f"<metronome><beat-unit>{unit}</beat-unit>{dotted}<per-minute>{minute}</per-minute>"
        "</metronome>"
    )


@pytest.mark.parametrize(
    ("mark", "quarters"),
    [
        (metronome("quarter", "72"), 72), (metronome("quarter", "60", 1), 90),
        (metronome("eighth", "ca. 100"), 50), (metronome("half", "44", 0), 88),
        (direction("<words>Lento</words>", sound='<sound tempo="52.5"/>'), 52.5),
        ('<sound tempo="52"/>', 52),
    ],
)
def test_tempo_marks(mark, quarters):
    """Metronome marks in any beat unit and sounds, as quarter notes a minute."""
    loaded = load(score([attributes(1) + mark + note("C4", 4)]))
    assert loaded.part.tempo == (TempoMark(0, quarters),)
    assert not loaded.part.assumed_tempo


@pytest.mark.parametrize("mark", ["", metronome("", "72"), '<sound tempo="0"/>'])
def test_without_a_usable_tempo_a_default_is_taken_and_told(mark):
    """An empty beat unit (some exporters write it) and tempo 0 say nothing."""
    loaded = load(score([attributes(1) + mark + note("C4", 4)]))
    assert loaded.part.tempo == (TempoMark(0, 96.0),)
    assert loaded.part.assumed_tempo
    assert any("no tempo mark" in w for w in loaded.info.warnings)


def test_tempo_and_rehearsal_marks_of_the_top_part_hold_for_all():
    """Conductors' marks are often in the first part only; an offset counts."""
    loaded = load(score(
        [attributes(2) + direction("<rehearsal>B</rehearsal>") + metronome("quarter", 80)
         + note("C5", 4) + direction("<words>più</words>", offset="2", sound='<sound tempo="90"/>')
         + note("D5", 4)],
        [attributes(4) + note("C3", 16)],
        names=("Flute", "Arpa"),
    ))
    assert loaded.part.tempo == (TempoMark(0, 80), TempoMark(3 * TICKS, 90))
    assert loaded.part.bars[0].rehearsal == "B"


def test_dynamics_and_hands():
    """Dynamics at their tick, and which hand a word asks for."""
    loaded = load(score([
        attributes(2) + direction("<dynamics><mf/></dynamics>") + direction("<words>m.g.</words>")
        + note("C4", 4) + direction("<words>R.H.</words>")
        + note("D4", 2, notations="<dynamics><sfz/></dynamics>")
        + direction("<dynamics><pp/></dynamics>", offset="1") + note("E4", 2)
    ]))
    assert loaded.part.dynamics == (
        Dynamic(0, "mf"), Dynamic(2 * TICKS, "sfz"), Dynamic(7 * TICKS // 2, "pp")
    )
    assert [n.hand for n in loaded.part.notes] == ["L", "R", ""]


@pytest.mark.parametrize(
    ("notation", "mark"),
    [
        ("<arpeggiate/>", Mark("arpeggio")),
        ('<arpeggiate direction="down"/>', Mark("arpeggio", "down")),
        ('<non-arpeggiate type="top"/>', Mark("non-arpeggio")),
        ("<ornaments><trill-mark/></ornaments>", Mark("trill")),
        ("<ornaments><mordent/></ornaments>", Mark("mordent")),
        ("<ornaments><inverted-mordent/></ornaments>", Mark("mordent", "inverted")),
        ("<ornaments><turn/></ornaments>", Mark("turn")),
        ("<ornaments><tremolo>2</tremolo></ornaments>", Mark("tremolo", "2")),
        ('<ornaments><tremolo type="start">3</tremolo></ornaments>', Mark("tremolo-start", "3")),
        ('<ornaments><tremolo type="stop">3</tremolo></ornaments>', Mark("tremolo-stop", "3")),
        ('<glissando type="start" number="2"/>', Mark("gliss-start", "2")),
        ('<slide type="stop"/>', Mark("gliss-stop", "1")),
        ("<technical><harmonic><natural/></harmonic></technical>", Mark("harmonic")),
        ('<technical><other-technical smufl="pluckedDamp"/></technical>', Mark("etouffe")),
        ("<technical><fingernails/></technical>", Mark("nail")),
        ("<technical><fingering>3</fingering></technical>", Mark("finger", "3")),
        ("<articulations><staccato/></articulations>", Mark("staccato")),
        ("<articulations><staccatissimo/></articulations>", Mark("staccatissimo")),
        ("<articulations><accent/></articulations>", Mark("accent")),
        ("<articulations><strong-accent/></articulations>", Mark("strong-accent")),
        ("<articulations><tenuto/></articulations>", Mark("tenuto")),
        ("<fermata/>", Mark("fermata")),
        ('<slur type="start" number="3"/>', Mark("slur-start", "3")),
        ('<slur type="stop"/>', Mark("slur-stop", "1")),
        ('<tied type="let-ring"/>', Mark("let-ring")),
    ],
)
def test_marks(notation, mark):
    """Each notation that changes how a note is played."""
    loaded = load(score([attributes(1) + note("C4", 4, notations=notation)]))
    assert loaded.part.notes[0].marks == (mark,)


def test_lyrics_are_marks():
    """Song parts keep their words."""
    loaded = load(score([
        attributes(1)
        + note("C4", 4, after="<lyric><syllabic>begin</syllabic><text>Ho</text></lyric>")
    ]))
    assert loaded.part.notes[0].marks == (Mark("lyric", "Ho"),)


# --- pitch ----------------------------------------------------------------------------------------


def test_transposing_parts_are_read_at_sounding_pitch():
    """A part in B flat: written D is sounding C, written G major is sounding F major. One octave
    down with a double octave change."""
    transpose = "<transpose><diatonic>-1</diatonic><chromatic>-2</chromatic></transpose>"
    loaded = load(score([attributes(1, fifths=1, more=transpose) + note("F#4", 2) + note("C5", 2)]))
    assert [n.pitch.name for n in loaded.part.notes] == ["E4", "B♭4"]
    assert loaded.part.bars[0].fifths == -1
    down = "<transpose><chromatic>0</chromatic><octave-change>-1</octave-change></transpose>"
    lower = load(score([attributes(1, more=down) + note("C5", 4)]))
    assert lower.part.notes[0].pitch == Pitch("C", 0, 4)


def test_transposition_without_letter_steps_is_spelt_as_usual():
    """`<diatonic>` may be missing: three semitones down are a minor third."""
    more = "<transpose><chromatic>-3</chromatic></transpose>"
    loaded = load(score([attributes(1, more=more) + note("C5", 4)]))
    assert loaded.part.notes[0].pitch.name == "A4"


def test_octave_lines_do_not_move_the_pitch():
    """MusicXML 4.0, `<octave-shift>`: "where notes are shifted up or down from their performed
    values", so that `<pitch>` is what sounds."""
    loaded = load(score([
        attributes(1) + direction('<octave-shift type="down" size="8"/>') + note("C6", 4)
    ]))
    assert loaded.part.notes[0].pitch == Pitch("C", 0, 6)


# --- players --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    ["Harp", "Harps", "harp", "Arpa", "Harfe", "Harpe", "Harp 1", "Piano (or Harp)", "Arpa I",
     "Hrp.", "Harfen", "Arpe", "Harpes", "Hrf.", "Hfe.", "Harpa", "Harppu", "Hárfa", "Арфа",
     "ハープ", "Pedal Harp", "Harp (or Piano)"],
)
def test_harp_names(name):
    """English, Italian, German and French names are the harp even beside other keyboards."""
    loaded = load(score([attributes(1) + note("C5", 4)], [attributes(1) + note("C4", 4)],
                        names=("Celesta", name)))
    assert loaded.choice.is_harp
    assert loaded.choice.ids == ("P2",)


@pytest.mark.parametrize(
    "name", ["Harpsichord", "Autoharp", "Violin", "Harp Guitar", "Blues Harp", "Jew's Harp"]
)
def test_names_that_only_look_like_it(name):
    """A harpsichord is a keyboard."""
    opened = score_from_bytes(score([attributes(1) + note("C5", 4)], names=(name,)), "x.xml")
    assert not opened.candidates[0].is_harp


def test_a_part_for_either_gives_way_to_the_harps_own():
    """A song "for piano (or harp)" with a harp beside it."""
    loaded = load(score([attributes(1) + note("C5", 4)], [attributes(1) + note("C4", 4)],
                        names=("Piano (or Harp)", "Harp")))
    assert loaded.choice.ids == ("P2",)


def test_harp_by_its_sound():
    """General MIDI program 47 and the MusicXML sound ``pluck.harp`` tell a nameless harp."""
    sound = (
        '<score-instrument id="I1"><instrument-name>x</instrument-name>'
        "<instrument-sound>pluck.harp</instrument-sound></score-instrument>"
    )
    program = '<midi-instrument id="I2"><midi-program>47</midi-program></midi-instrument>'
    for instrument in (sound, program):
        opened = score_from_bytes(
            score([attributes(1) + note("C5", 4)], names=("Solo",), instruments=(instrument,)),
            "x.xml",
        )
        assert opened.candidates[0].is_harp


@pytest.mark.parametrize(
    ("names", "group"),
    [
        (("Harp RH", "Harp LH"), ""), (("Harp (r.h.)", "Harp (l.h.)"), ""), (("Harp", "Harp"), ""),
        (("Arpa", ""), "brace"), (("", ""), "brace"), (("Piano right hand", "Piano left hand"), ""),
        (("Staff 1", "Staff 2"), ""),
    ],
)
def test_two_parts_of_one_player_are_joined(names, group):
    """Two one-staff parts: by hands in the names, the same name, a brace, or nothing else in the
    score. The upper one is staff 1; voices don't collide."""
    xml = score([attributes(1) + note("C5", 4)], [attributes(1) + note("C3", 4)],
                names=names, group=group)
    loaded = load(xml)
    assert loaded.choice.ids == ("P1", "P2")
    assert [(n.pitch.name, n.staff, n.voice) for n in loaded.part.notes] == [
        ("C5", 1, "1"), ("C3", 2, "5")
    ]
    assert loaded.voices == {"1": (0, "1"), "5": (1, "1")}


def test_left_hand_named_first_is_still_the_lower_staff():
    """The names decide, not the order."""
    loaded = load(score([attributes(1) + note("C3", 4)], [attributes(1) + note("C5", 4)],
                        names=("Harp LH", "Harp RH")))
    assert loaded.choice.ids == ("P2", "P1")
    assert [(n.pitch.name, n.staff) for n in loaded.part.notes] == [("C5", 1), ("C3", 2)]


@pytest.mark.parametrize("names", [("Harp 1", "Harp 2"), ("Violin", "Violin"), ("Alto", "Bass")])
def test_two_players_stay_two(names):
    """Two harps, two violins, two singers."""
    xml = score([attributes(1) + note("C5", 4)], [attributes(1) + note("C3", 4)], names=names)
    assert len(score_from_bytes(xml, "x.xml").candidates) == 2
    with pytest.raises(SelectionError, match=r"P1 .*P2 "):
        load(xml)


def test_selecting():
    """By id, by name, by part of a name; the error lists what there is."""
    xml = score([attributes(1) + note("C5", 4)], [attributes(1, staves=2) + note("C4", 4, staff=1)],
                [attributes(1) + WHOLE], names=("Flute", "Piano", "Harmonica"))
    assert load(xml).choice.name == "Piano"
    assert load(xml, "p1").choice.name == "Flute"
    assert load(xml, "FLUTE").choice.name == "Flute"
    assert load(xml, "pian").choice.name == "Piano"
    with pytest.raises(SelectionError, match=r"no part 'Harp'.*P1 'Flute', P2 'Piano'"):
        load(xml, "Harp")


def test_bar_ranges():
    """By printed numbers; numbers that repeat: the first A, the last of the first run of B."""
    bar = note("C4", 4)
    loaded = load(score([
        '[number="1"]' + attributes(1) + bar, '[number="2"]' + bar, '[number="2"]' + bar,
        '[number="3"]' + bar, '[number="1"]' + bar, '[number="X1"]' + bar,
    ]))
    part = loaded.part
    assert bar_range(part, "1-2") == (0, 2)
    assert bar_range(part, " 2 - 3 ") == (1, 3)
    assert bar_range(part, "3") == (3, 3)
    assert bar_range(part, "3-1") == (3, 4)
    assert bar_range(part, "X1") == (5, 5)
    for wrong, message in (
        ("3-2", "comes after"), ("9", "no bar 9"), ("1-9", "no bar 9"), ("", "can't be read"),
        ("1-2-3", "can't be read"), ("a b", "can't be read"),
    ):
        with pytest.raises(SelectionError, match=message):
            bar_range(part, wrong)


# --- bytes ----------------------------------------------------------------------------------------


def test_spans_are_the_childrens_own_bytes():
    """Each span cuts out exactly the element, self-closing tags and quoted angles included."""
    xml = score([
        attributes(1) + '<print new-page="yes"/><?pi x?><!-- a > b --><note dynamics="5" '
        'color="&lt;>"><rest/><duration>4</duration></note><forward><duration>1</duration></forward>'
        + note("C4", 3)
    ])
    document = load_document(xml, "x")
    measure = document.parts[0].measures[0]
    texts = [document.raw(child) for child in measure.children]
    assert [t[:6] for t in texts] == [b"<attri", b"<print", b"<note ", b"<forwa", b"<note>"]
    assert texts[1] == b'<print new-page="yes"/>'
    assert all(t.endswith((b"/>", b"</attributes>", b"</note>", b"</forward>")) for t in texts)
    assert document.text[measure.start :].startswith(b"<measure")
    assert document.text[: measure.end].endswith(b"</measure>")


@pytest.mark.parametrize(
    ("codec", "bom", "declared"),
    [
        ("utf-8", b"", "UTF-8"), ("utf-8", b"\xef\xbb\xbf", "UTF-8"),
        ("latin-1", b"", "ISO-8859-1"),
        ("utf-16-le", b"\xff\xfe", "UTF-16"), ("utf-16-be", b"\xfe\xff", "UTF-16"),
        ("utf-16-le", b"", "UTF-16"), ("cp1252", b"", "windows-1252"), ("utf-8", b"", ""),
    ],
)
def test_encodings_are_read_and_written_back(codec, bom, declared):
    """What is not changed comes back byte for byte in each encoding, with its mark."""
    head = f'<?xml version="1.0" encoding="{declared}"?>' if declared else '<?xml version="1.0"?>'
    text = score([attributes(1) + note("C4", 4)], names=("Härfe",), head=head).decode()
    raw = bom + text.encode(codec)
    loaded = select_part(score_from_bytes(raw, "x.xml"))
    assert loaded.choice.name == "Härfe"
    assert graft(loaded, loaded.part) == raw


@pytest.mark.parametrize(
    ("declared", "codec"), [("UTF-16", "utf-8"), ("UTF-8", "latin-1"), ("no-such", "utf-8")]
)
def test_a_wrong_declaration_is_told_and_put_right(declared, codec):
    """Read as what it is; written so that the declaration holds."""
    head = f'<?xml version="1.0" encoding="{declared}"?>'
    text = score([attributes(1) + note("C4", 4)], names=("Härfe",), head=head).decode()
    loaded = select_part(score_from_bytes(text.encode(codec), "x.xml"))
    assert loaded.choice.name == "Härfe"
    assert any(declared.upper() in w for w in loaded.info.warnings)
    if declared != "no-such":
        again = graft(loaded, loaded.part)
        assert again.decode("utf-16" if declared == "UTF-16" else "utf-8") == text


def test_compressed_scores():
    """With a container, without one, and written back with the other files intact."""
    xml = score([attributes(1) + note("C4", 4)])
    for container in (True, False):
        raw = packed(xml, container=container, more={"images/a.png": b"\x89PNG"})
        assert unpack_mxl(raw, "x") == ("in/score.xml", xml)
        loaded = select_part(score_from_bytes(raw, "x.mxl"))
        assert loaded.info.source_format == "mxl"
        again = to_mxl(loaded, graft(loaded, loaded.part))
        assert unpack_mxl(again, "x") == ("in/score.xml", xml)
        assert b"images/a.png" in again
    plain = load(xml)
    fresh = to_mxl(plain, xml)
    assert unpack_mxl(fresh, "x") == ("score.musicxml", xml)
    assert fresh == to_mxl(plain, xml)
    assert fresh[30:38] == b"mimetype"  # MusicXML 4.0: the first file, uncompressed


def test_notes_know_their_place():
    """The element of each note's place is the note itself."""
    loaded = select_part(open_score(str(CORPUS / "schumann_clara/polonaise_op1n1.mxl")))
    for n in loaded.part.notes:
        element = loaded.element(n.id)
        assert element.findtext("pitch/step") == n.pitch.step
        assert int(element.findtext("pitch/octave")) == n.pitch.octave
        assert loaded.score.document.raw(loaded.child(n.id)).startswith(b"<note")
    assert [n.id for n in loaded.part.notes] != sorted(n.id for n in loaded.part.notes)
    assert sorted(n.id for n in loaded.part.notes) == list(range(len(loaded.part.notes)))


@settings(max_examples=60, deadline=None)
@given(
    lengths=st.lists(st.sampled_from([1, 2, 3, 4, 6]), min_size=1, max_size=6),
    backs=st.integers(0, 3),
)
def test_the_longest_voice_makes_the_bar(lengths, backs):
    """An implicit bar lasts as long as the farthest point that a voice reaches."""
    content = attributes(2, metre="64/8") + "".join(note("C4", n) for n in lengths)
    reached = total = sum(lengths)
    for voice in range(backs):
        size = (voice * 5) % 7 + 1
        content += backup(total) + note("E4", size, voice=str(voice + 2))
        reached, total = max(reached, size), size
    loaded = load(score(['[implicit="yes" number="1"]' + content, note("C4", 1)]))
    assert loaded.part.bars[0].duration == reached * TICKS // 2


def test_text_and_reader_agree_on_the_model():
    """The same music as text and as MusicXML has the same notes."""
    text = parse_part("4/4 | C4:1 [E4 G4]:1 r:1 B♭3:1 ; C3:4")
    loaded = load(score([
        attributes(2, staves=2) + note("C4", 2, staff=1) + note("E4", 2, staff=1)
        + note("G4", 2, staff=1, chord=True) + note("r", 2, staff=1) + note("Bb3", 2, staff=1)
        + backup(8) + note("C3", 8, voice="5", staff=2)
    ]))
    assert [n.content() for n in loaded.part.notes] == [n.content() for n in text.notes]
