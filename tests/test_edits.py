"""Drafts: what a change leaves behind reads as notation; and the small facts strategies rest on."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simplify.harp.instrument import PEDALS, key_setting
from simplify.score.edits import (
    Column,
    Draft,
    at_octave,
    by_pulse,
    columns,
    in_key,
    is_accidental,
    is_value,
    key_classes,
    leading,
    nearest_of,
    on_pulse,
    row_of_sound,
    spelled,
    staff_bars,
    strength,
    whole,
    written_as,
)
from simplify.score.model import TICKS, Mark, Passage, Pitch, new_note
from simplify.score.text import format_passage, parse_passage, parse_pitch


def struck(passage: Passage, name: str, nth: int = 0):
    """The nth strike of a printed pitch."""
    return [s for s in passage.strikes if s.pitch.name == name][nth]


def after(passage: Passage, draft: Draft) -> str | None:
    """What the draft makes of the passage, as text; None if it makes nothing."""
    edit = draft.edit("test")
    return None if edit is None else format_passage(passage.of(passage.part.apply(edit)))


def same(passage: Passage, draft: Draft, expected: str) -> bool:
    """True if the draft's result is this text."""
    return after(passage, draft) == format_passage(parse_passage(expected))


DROPS = [
    # what, note left out, result
    ("2/4 | C5:1/2 D5 E5:1", "D5", "2/4 | C5:1 E5"),
    ("2/4 | C5:1/2 D5 E5:1", "C5", "2/4 | r:1/2 D5 E5:1"),
    ("2/4 | C5:1/4 D5 E5 F5 G5:1", "F5", "2/4 | C5:1/4 D5 E5:1/2 G5:1"),
    ("2/4 | C5:1/3t3:2 D5 E5 F5:1", "D5", "2/4 | C5:2/3t3:2 E5:1/3t3:2 F5:1"),
    ("2/4 | C5:1/2{staccato} D5 E5:1", "D5", "2/4 | C5:1 E5"),
    ("4/4 | C5:2~ C5:1/2 D5:1/2 E5:1", "C5", "4/4 | r:5/2 D5:1/2 E5:1"),
    ("2/4 | [C5 E5]:1 D5:1", "E5", "2/4 | C5:1 D5"),
    ("2/4 | [C5 E5]:1{fermata} D5:1", "C5", "2/4 | E5:1{fermata} D5"),
    ("2/4 | [C5 E5]:1{arpeggio} D5:1", "E5", "2/4 | C5:1 D5"),
    ("2/4 | ^D5 C5:1 E5", "C5", "2/4 | r:1 E5"),
    ("2/4 | C5:1/2{slur-start 1} D5 E5{slur-stop 1} F5", "C5",
     "2/4 | r:1/2 D5{slur-start 1} E5{slur-stop 1} F5"),
    ("2/4 | C5:1/2{slur-start 1} D5{slur-stop 1} E5 F5", "D5", "2/4 | C5:1 E5:1/2 F5"),
    ("2/4 | C♯5:1/2 D5 E5 C5", "D5", "2/4 | C♯5:1 E5:1/2 C5"),
]


@pytest.mark.parametrize(("text", "name", "expected"), DROPS)
def test_dropped_note_leaves_clean_notation(text, name, expected):
    """The note before covers the gap in one legible value, signs find a new place."""
    passage = parse_passage(text)
    draft = Draft(passage)
    draft.drop(struck(passage, name))
    assert same(passage, draft, expected), after(passage, draft)


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("2/4 | C5:1/3t3:2 D5 E5 F5:1", "C5"),  # a rest of a third of a beat
        ("2/4 | C5:1/8 D5 E5 F5 G5:3/2", "C5"),  # a rest of a 32nd
        ("2/4 | C5:1{tremolo-start 3} E5{tremolo-stop 3}", "C5"),  # half a tremolo
        ("2/4 | C5:2~", "C5"),  # tied on to what is not shown
    ],
)
def test_draft_refuses_debris(text, name):
    """Where no clean notation is left there is no edit."""
    passage = parse_passage(text)
    draft = Draft(passage)
    draft.drop(struck(passage, name))
    assert draft.edit("test") is None


def test_a_voice_that_only_repeats_another_goes():
    """What is left of a thinned voice is written once, where the other voice holds it."""
    passage = parse_passage("3/4 | C6:3 ; A2:1 [C4 F4] [C4 F4] & A2:3")
    draft = Draft(passage)
    draft.drop(*(s for s in passage.strikes if s.pitch.name in ("C4", "F4")))
    edit = draft.edit("test")
    left = passage.part.apply(edit).notes_by_bar[0]
    assert [(n.pitch.name, n.duration) for n in left if n.staff == 2] == [("A2", 3 * TICKS)]


def test_tie_chain_is_one():
    """A chain is dropped, moved and respelled whole; one that leaves the passage is left alone."""
    passage = parse_passage("2/4 | G5:2 ; C3:2~ | G5:2 ; C3:2")
    draft = Draft(passage)
    draft.pitch(struck(passage, "C3"), parse_pitch("D3"))
    assert same(passage, draft, "2/4 | G5:2 ; D3:2~ | G5:2 ; D3:2")
    first = Passage(passage.part, 0, 0)
    assert not whole(first, struck(first, "C3"))
    draft = Draft(first)
    draft.drop(struck(first, "C3"))
    assert draft.edit("test") is None


def test_filling_does_not_hold_a_string_against_its_pedal():
    """A note is not lengthened over a moment that wants its letter at another position."""
    passage = parse_passage("2/4 | G5:1/2 C♯5 A5:1 ; C3:1/2 D3 E3:1")
    draft = Draft(passage)
    draft.drop(struck(passage, "D3"))
    assert same(passage, draft, "2/4 | G5:1/2 C♯5 A5:1 ; C3:1/2 r E3:1")


def test_moved_note_finds_a_voice():
    """Chord place first, then a resting voice, then a second voice; never a third."""
    passage = parse_passage("2/4 | [E4 G5]:2 ; C3:2")
    draft = Draft(passage)
    draft.move(struck(passage, "E4"), 2)
    assert same(passage, draft, "2/4 | G5:2 ; [C3 E4]:2")
    passage = parse_passage("2/4 | [E4 G5]:2 ; C3:1 D3")
    draft = Draft(passage)
    draft.move(struck(passage, "E4"), 2)
    assert same(passage, draft, "2/4 | G5:2 ; C3:1 D3 & E4:2")
    passage = parse_passage("2/4 | [E4 G5]:2 ; C3:1 D3 & G3:1/2 A3:3/2")
    draft = Draft(passage)
    draft.move(struck(passage, "E4"), 2)
    assert draft.edit("test") is None


def test_moved_note_keeps_its_tuplet_whole():
    """One note of a triplet does not go to the other staff alone."""
    passage = parse_passage("2/4 | C4:1/3t3:2 E4 G4 C5:1 ; C3:2")
    draft = Draft(passage)
    draft.move(struck(passage, "C4"), 2)
    assert draft.edit("test") is None


def test_meeting_a_struck_string_merges():
    """A note that lands on a sound struck at the same moment goes."""
    passage = parse_passage("2/4 | G5:2 ; [C3 C4]:2")
    draft = Draft(passage)
    draft.pitch(struck(passage, "C3"), parse_pitch("C4"))
    assert same(passage, draft, "2/4 | G5:2 ; C4:2")


def test_pitch_has_no_double_accidental():
    """The harp has none: C𝄪 an octave up is written D."""
    passage = parse_passage("2/4 key:4 | C𝄪5:2")
    draft = Draft(passage)
    draft.pitch(struck(passage, "C𝄪5"), at_octave(parse_pitch("C𝄪5"), 1))
    assert same(passage, draft, "2/4 key:4 | D6:2")


def test_cut():
    """Cutting shortens a chain at a legible place, and refuses where there is none."""
    passage = parse_passage("4/4 | C5:2~ C5:1 D5")
    draft = Draft(passage)
    assert draft.cut(struck(passage, "C5"), 2 * TICKS)
    assert same(passage, draft, "4/4 | C5:2 r:1 D5")
    passage = parse_passage("2/4 | C5:2")
    draft = Draft(passage)
    assert draft.cut(struck(passage, "C5"), TICKS * 4 // 3)
    assert same(passage, draft, "2/4 | C5:1")
    passage = parse_passage("2/4 | C5:1/4 D5:7/4")
    draft = Draft(passage)
    assert not draft.cut(struck(passage, "C5"), TICKS // 7)
    assert draft.edit("test") is None


def test_retime_and_add():
    """A retimed note must read in its new place; added notes meet no neighbour of their voice."""
    passage = parse_passage("2/4 | C5:1/2 D5 E5:1")
    draft = Draft(passage)
    draft.drop(struck(passage, "D5"))
    draft.retime(struck(passage, "C5"), TICKS // 2, TICKS)
    assert same(passage, draft, "2/4 | r:1/2 C5:1/2 E5:1")
    draft = Draft(passage)
    draft.retime(struck(passage, "C5"), 0, 2 * TICKS)
    assert draft.edit("test") is None, "overlaps D5 and E5 of its voice"
    draft = Draft(passage)
    draft.add(new_note(0, TICKS // 2, parse_pitch("G5"), 0))
    assert same(passage, draft, "2/4 | [C5 G5]:1/2 D5 E5:1")
    draft = Draft(passage)
    draft.add(new_note(0, TICKS, parse_pitch("G5"), 0))
    assert draft.edit("test") is None


def test_delay_advance_stretch():
    """Moving a start keeps the end; a tie chain that begins later loses the part before, and its
    slur begins where it now does."""
    passage = parse_passage("2/4 | C5:3/4 E5:1/4~{slur-start 1} E5:1/2 G5:1/2{slur-stop 1}")
    draft = Draft(passage)
    draft.delay(struck(passage, "E5"), TICKS)
    draft.stretch(struck(passage, "C5"), TICKS)
    assert same(passage, draft, "2/4 | C5:1 E5:1/2{slur-start 1} G5:1/2{slur-stop 1}")
    passage = parse_passage("2/4 | C5:3/4 E5:1/4 G5:1")
    draft = Draft(passage)
    draft.cut(struck(passage, "C5"), TICKS // 2)
    draft.advance(struck(passage, "E5"), TICKS // 2)
    assert same(passage, draft, "2/4 | C5:1/2 E5:1/2 G5:1")
    draft = Draft(passage)
    draft.advance(struck(passage, "E5"), TICKS // 2)
    assert draft.edit("test") is None, "overlaps C5 of its voice"


def test_nothing_changed_is_no_edit():
    """An edit that changes nothing would make the search loop."""
    passage = parse_passage("2/4 | C5:1/2{accent} D5 E5:1")
    draft = Draft(passage)
    draft.put(struck(passage, "C5"), hand="")
    draft.mark(struck(passage, "C5"), [Mark("accent")])
    assert draft.edit("test") is None


def test_same_change_has_the_same_ids():
    """Ids of changed notes come from their content: an edit can be replayed."""
    passage = parse_passage("2/4 | [C5 E5]:1 D5 ; C3:2")
    edits = []
    for _ in range(2):
        draft = Draft(passage)
        draft.drop(struck(passage, "C5"))
        draft.pitch(struck(passage, "C3"), parse_pitch("C4"))
        edits.append(draft.edit("test"))
    assert edits[0] == edits[1]


# Places


def test_columns_and_beats():
    """A column is what one staff strikes at once, low to high, without grace notes."""
    passage = parse_passage("6/8 | ^D5 [G4 C5]:1/2 D5 E5 F5:3/2 ; C3:3/2 G3")
    bar = passage.bars[0]
    upper = columns(passage, bar, 1)
    assert [c.names for c in upper] == ["G4 C5", "D5", "E5", "F5"]
    assert upper[0].span == 3
    assert upper[0].hand == "right hand"
    assert [len(group) for group in by_pulse(bar, upper)] == [3, 1]
    assert [(b.index, s) for b, s, _ in staff_bars(passage)] == [(0, 1), (0, 2)]
    assert isinstance(upper[0], Column)
    assert {s.pitch.name for s in passage.strikes if s.first.id in leading(passage)} == {
        "C5", "D5", "E5", "F5",
    }


@pytest.mark.parametrize(
    ("metre", "weights"),
    [("4/4", [3, 1, 2, 1]), ("3/4", [3, 1, 1]), ("2/4", [3, 2]), ("6/8", [3, 0, 0, 2, 0, 0])],
)
def test_strength_of_beats(metre, weights):
    """Common practice: the first beat is strongest, the middle of an even bar next; in compound
    metres the beat is dotted."""
    bar = parse_passage(f"{metre} | C5:1").bars[0]
    ticks = [bar.onset + k * bar.beat_ticks for k in range(len(weights))]
    assert [strength(bar, t) for t in ticks] == weights
    assert not on_pulse(bar, bar.onset + TICKS // 4)


def test_row_of_sound():
    """Repetitions within the time make a run, whoever strikes between."""
    passage = parse_passage("4/4 tempo:60 | C5:1/2 D5 C5 D5 E5:1 C5 ; C4:4")
    runs = row_of_sound(passage.part, passage.strikes, 1.5)
    assert [(r[0].pitch.name, len(r)) for r in runs] == [("C5", 2), ("D5", 2)]
    assert [len(r) for r in row_of_sound(passage.part, passage.strikes, 2.5)] == [3, 2]


# Pitches


@pytest.mark.parametrize("fifths", range(-7, 8))
def test_key_agrees_with_the_pedals(fifths):
    """The key's alterations are the pedal setting of the key: two ways to the same table (order of
    sharps, common practice; setting: Hipkins, "Harp", Grove's Dictionary)."""
    assert tuple(in_key(fifths)[letter] for letter in PEDALS) == key_setting(fifths)
    assert len(key_classes(fifths)) == 7


@given(st.integers(24, 103), st.integers(-7, 7))
def test_spelling_keeps_the_sound(midi, fifths):
    """Every sound of the harp has a spelling on a string, the key's own where the key has it."""
    pitch = spelled(midi, fifths)
    assert pitch.midi == midi
    assert abs(pitch.alter) <= 1
    if midi % 12 in key_classes(fifths):
        assert in_key(fifths)[pitch.step] == pitch.alter


def test_accidentals_and_flats():
    """Outside the key flats are preferred (they ring best: Goss, 100 Orchestration Tips)."""
    bar = parse_passage("4/4 key:1 | C5:1").bars[0]
    assert is_accidental(parse_pitch("F5"), bar)
    assert not is_accidental(parse_pitch("G♭5"), bar), "G♭ sounds as the key's F♯"
    assert spelled(70, 0).name == "B♭4"
    assert spelled(66, 1).name == "F♯4"


def test_nearest_of():
    """The nearest sound of a chord, the lower on a tie, not one that is taken."""
    assert nearest_of(62, {0, 4, 7}) == 60
    assert nearest_of(62, {0, 4, 7}, taken=[60]) == 64
    assert nearest_of(62, {0}, low=61, high=66) is None


# Written values


def test_values():
    """Plain and dotted note heads, and tuplet ones by their nominal value."""
    assert all(is_value(TICKS * k) for k in (1, 2, 3, 4, 6, 8))
    assert not is_value(TICKS * 5)
    assert not is_value(TICKS * 7 // 4)
    assert is_value(TICKS // 3, (3, 2))
    assert not is_value(TICKS // 3)


@pytest.mark.parametrize(
    ("metre", "start", "end", "reads"),
    [
        ("4/4", "0", "4", True),
        ("4/4", "1", "3", True),
        ("4/4", "1/2", "3/2", True),  # the plain syncopation
        ("4/4", "1/2", "5/2", False),  # a half note from off the beat
        ("4/4", "0", "5/2", False),  # five eighths are no single value
        ("4/4", "0", "3/2", True),
        ("4/4", "1/4", "1", True),
        ("4/4", "3/4", "5/4", False),  # a sixteenth before to a sixteenth after the beat
        ("6/8", "0", "3/2", True),
        ("6/8", "1", "2", False),  # over the middle of the bar
        ("3/4", "2", "3", True),
        ("3/4", "2", "4", False),  # over the bar line
    ],
)
def test_written_as(metre, start, end, reads):
    """One head reads inside a beat or from a beat on; else the beat is hidden (common practice of
    notation)."""
    bar = parse_passage(f"{metre} | C5:1").bars[0]
    spans = [int(Fraction(x) * TICKS) for x in (start, end)]
    assert (written_as(bar, *spans) is not None) == reads


def test_written_as_finds_the_tuplet():
    """Two thirds of a beat need the tuplet; the whole beat does not."""
    bar = parse_passage("2/4 | C5:1").bars[0]
    assert written_as(bar, 0, 2 * TICKS // 3, (3, 2)) == (3, 2)
    assert written_as(bar, 0, TICKS, (3, 2)) == (1, 1)
    assert written_as(bar, 0, 2 * TICKS // 3) is None


def test_octave_keeps_the_string_letter():
    """An octave is seven strings."""
    pitch = Pitch("B", -1, 3)
    assert at_octave(pitch, 1).string - pitch.string == 7
    assert at_octave(pitch, -2).midi == pitch.midi - 24
