"""The score model: strings, spellings, ties, grace notes, time, edits as data."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simplify.errors import EditError, ScoreError
from simplify.score.model import TICKS, Bar, Edit, Part, Pitch, TempoMark, changed, new_note
from simplify.score.text import format_passage, parse_part, parse_passage, parse_pitch

PITCHES = st.builds(
    Pitch, st.sampled_from("CDEFGAB"), st.integers(-1, 1), st.integers(1, 7)
)


def test_pitch_numbers_against_the_midi_standard():
    """Middle C is key 60; MusicXML's C flat 1 is key 23 (octaves start at C in spelling)."""
    assert parse_pitch("C4").midi == 60
    assert parse_pitch("Cb1").midi == 23
    assert parse_pitch("B#3").midi == 60
    assert parse_pitch("G#7").midi == 104
    assert parse_pitch("C4").string == 28


@given(PITCHES)
def test_spellings_sound_the_same(pitch: Pitch):
    """Synonyms: D, G and A natural have one string, all others two (common practice)."""
    found = pitch.spellings()
    assert found[0] == pitch
    assert {p.midi for p in found} == {pitch.midi}
    assert len(found) == (1 if pitch.pitch_class in (2, 7, 9) else 2)


def test_double_accidentals_are_respelled_on_pedals():
    """A harp has no double sharps: F double sharp is played on the G string."""
    assert [p.name for p in parse_pitch("Fx4").spellings()] == ["G4"]


@pytest.mark.parametrize(("step", "alter"), [("H", 0), ("C", 3)])
def test_pitch_refuses_nonsense(step: str, alter: int):
    with pytest.raises(ValueError, match="must"):
        Pitch(step, alter, 4)


def test_a_tie_chain_is_one_strike():
    """A tied note is not plucked again; the written sound is as long as the chain."""
    part = parse_part("4/4 | r:2 C4:2~ | C4:1 C4:1 r:2")
    assert [(s.onset // TICKS, s.end // TICKS, len(s.notes)) for s in part.strikes] == [
        (2, 5, 2), (5, 6, 1)
    ]


def test_a_tie_from_nowhere_is_struck():
    """A dangling tie (a repeat's second ending) still has to be played."""
    part = parse_part("4/4 | C4:4")
    note = part.notes[0]
    dangling = part.apply(Edit(frozenset({note.id}), (changed(note, tie_in=True),), "tie"))
    assert len(dangling.strikes) == 1


def test_grace_notes_lead_their_note():
    part = parse_part("4/4 | C4:1 ^D4 ^E4 F4:3")
    assert [(s.pitch.name, s.lead) for s in part.strikes] == [
        ("C4", 0), ("D4", 2), ("E4", 1), ("F4", 0)
    ]


def test_seconds_follow_the_tempo_map():
    """60 quarters a minute for one bar, then 120."""
    bars = tuple(Bar(i, str(i + 1), i * 4 * TICKS, 4 * TICKS, 4, 4) for i in range(2))
    part = Part("P1", "Harp", bars, (), (TempoMark(0, 60.0), TempoMark(4 * TICKS, 120.0)))
    assert part.seconds(4 * TICKS) == pytest.approx(4.0)
    assert part.seconds(8 * TICKS) == pytest.approx(6.0)


def test_beats_of_a_pickup_count_from_the_metre():
    """A one-beat pickup to 3/4 falls on beat 3."""
    bar = Bar(0, "0", 0, TICKS, 3, 4, lead=2 * TICKS)
    assert bar.beat(0) == 3.0


@pytest.mark.parametrize(
    ("metre", "quarters"), [((4, 4), 1.0), ((6, 8), 1.5), ((3, 8), 0.5), ((2, 2), 2.0)]
)
def test_felt_pulse(metre: tuple[int, int], quarters: float):
    """Compound metres are felt in threes of their unit (Gehrkens, Music Notation, 1914)."""
    assert Bar(0, "1", 0, 4 * TICKS, *metre).pulse_ticks == quarters * TICKS


def test_apply_refuses_what_does_not_fit():
    part = parse_part("4/4 | C4:4 | D4:4")
    with pytest.raises(EditError, match="not there"):
        part.apply(Edit(frozenset({99}), (), "gone"))
    with pytest.raises(EditError, match="outside its bar"):
        part.apply(Edit(frozenset(), (new_note(0, 5 * TICKS, parse_pitch("C4"), 0),), "long"))
    once = Edit(frozenset(), (new_note(0, TICKS, parse_pitch("E4"), 0),), "in")
    with pytest.raises(EditError, match="twice"):
        part.apply_all((once, once))
    with pytest.raises(ValueError, match="changes nothing"):
        Edit(frozenset(), (), "idle")


@given(st.data())
def test_edits_on_different_notes_commute(data: st.DataObject):
    """The search combines edits in any order: the result must not depend on it."""
    part = parse_part("4/4 | C4:1 D4:1 E4:1 F4:1 | G4:1 A4:1 B4:1 C5:1")
    order = data.draw(st.permutations(range(8)))
    one, other = (part.notes[order[0]], part.notes[order[1]])
    shift = data.draw(st.integers(-1, 1))
    edits = [
        Edit(
            frozenset({n.id}),
            (changed(n, pitch=Pitch(n.pitch.step, shift, n.pitch.octave)),) if shift else (),
            "alter",
        )
        for n in (one, other)
    ]
    assert not edits[0].clashes(edits[1])
    assert part.apply(edits[0]).apply(edits[1]) == part.apply(edits[1]).apply(edits[0])


def test_window_keeps_ids_ticks_and_added_ids():
    """A window is the same music: an edit made in it applies, ids and all, to the whole."""
    part = parse_part("4/4 | C4:4 | D4:4 | E4:4")
    window = part.window(1, 2)
    assert [n.id for n in window.notes] == [1, 2]
    note = window.notes[0]
    inside = changed(note, duration=2 * TICKS)
    whole = changed(part.notes[1], duration=2 * TICKS)
    assert (inside.id, inside.onset) == (whole.id, whole.onset)
    assert (inside.bar, whole.bar) == (0, 1)


TEXTS = (
    "3/4 key:-3 tempo:96 | E♭5:1 [G4 B♭4]:2~ ; [E♭3 B♭3]:3 | [G4 B♭4]:1 C5:2 ; C3:3",
    "6/8 key:1 tempo:120 | G4:1/2 ^F♯4 G4:1/2 A4:1/2 B4:3/2 & D4:3",
    "4/4 key:0 tempo:72 | C5:2/3t3:2 D5:2/3t3:2 E5:2/3t3:2 F5:2{trill} ; L:C3:4{arpeggio up}",
)


@pytest.mark.parametrize("text", TEXTS)
def test_text_round_trip(text: str):
    """Cases print as they are read."""
    assert format_passage(parse_passage(text)) == text


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("C4:4", "must open with a metre"),
        ("4/4 | H4:1", "can't be read"),
        ("4/4 | C4:5", "too long"),
        ("4/4 | C4:1/11", "not a whole number"),
        ("4/4 | C:1", "not a pitch"),
    ],
)
def test_text_errors(text: str, says: str):
    with pytest.raises(ScoreError, match=says):
        parse_part(text)
