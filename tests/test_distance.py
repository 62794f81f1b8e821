"""How far a rewrite is from the original (simplify/distance.py)."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from importlib.resources import files

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from simplify.distance import PARTS, SOUNDING_SIGNS, Distance, distance
from simplify.score.model import Mark, Part, Passage
from simplify.score.text import parse_passage
from tests.support_performance import harp_parts, respelled

BASE = "4/4 | G5:1 F5 E5 D5 ; [C3 E3 G3]:4 | C5:2 B4:2 ; [F2 F3 A3]:2 [G2 G3 B3]:2"


def away(after: str, before: str = BASE) -> Distance:
    return distance(parse_passage(before), parse_passage(after))


def whole(part: Part) -> Passage:
    return Passage(part, 0, len(part.bars) - 1)


def sound(part: Part) -> set[tuple[object, ...]]:
    """What is heard, read off the part independently of the module under test."""
    ends: dict[tuple[int, int, int], int] = {}
    signs: dict[tuple[int, int, int], set[tuple[str, str]]] = {}
    for s in part.strikes:
        place = (s.onset, s.lead, s.pitch.midi)
        ends[place] = max(ends.get(place, 0), s.end)
        heard = {(m.kind, m.value) for m in s.first.marks if m.kind in SOUNDING_SIGNS}
        signs.setdefault(place, set()).update(heard)
    return {(*place, ends[place], tuple(sorted(signs[place]))) for place in ends}


# Laws


@settings(max_examples=60, deadline=None)
@given(harp_parts())
def test_the_same_sound_is_at_distance_zero(part: Part) -> None:
    """Also on the other staff, in other voices, and spelled otherwise: that is notation."""
    assert distance(whole(part), whole(part)) == Distance(0, 0, 0, 0, 0, 0, 0, 0, 0)
    renamed = respelled(part)
    found = distance(whole(part), whole(renamed))
    assert (found.total, found.notes_lost, found.notes_added) == (0.0, 0, 0)
    changed = any(a.pitch != b.pitch for a, b in zip(
        sorted(part.notes, key=lambda n: n.id), sorted(renamed.notes, key=lambda n: n.id),
        strict=True,
    ))
    assert (found.notation > 0.0) == changed
    swapped = replace(part, notes=tuple(
        sorted((replace(n, staff=3 - n.staff) for n in part.notes), key=lambda n: n.order_key)
    ))
    assert distance(whole(part), whole(swapped)).total == 0.0


@settings(max_examples=80, deadline=None)
@given(harp_parts(), st.data())
def test_another_sound_is_never_at_distance_zero(part: Part, data: st.DataObject) -> None:
    """Whatever one note is changed in: gone, an octave or a step away, later, shorter, signed."""
    assume(part.notes)
    note = data.draw(st.sampled_from(part.notes))
    how = data.draw(st.sampled_from(["gone", "octave", "step", "later", "shorter", "signed"]))
    half = note.duration // 2
    other = {
        "gone": None,
        "octave": replace(note, pitch=replace(note.pitch, octave=note.pitch.octave + 1)),
        "step": replace(note, pitch=note.pitch.on_string(note.pitch.string + 1, 0)),
        "later": replace(note, onset=note.onset + half, duration=half),
        "shorter": replace(note, duration=half),
        "signed": replace(note, marks=(Mark("staccato"),)),
    }[how]
    notes = [n for n in part.notes if n.id != note.id] + ([other] if other else [])
    after = replace(part, notes=tuple(sorted(notes, key=lambda n: n.order_key)))
    assume(sound(after) != sound(part))
    found = distance(whole(part), whole(after))
    assert found.total > 0.0
    assert all(0.0 <= value <= 1.0 for _, value in found.parts)


@settings(max_examples=60, deadline=None)
@given(harp_parts(), harp_parts())
def test_every_part_lies_in_zero_to_one_and_makes_up_the_total(one: Part, other: Part) -> None:
    found = distance(whole(one), whole(replace(other, bars=one.bars)))
    text = files("simplify").joinpath("distance.toml").read_text("utf-8")
    weights, total = tomllib.loads(text)["weights"], 0.0
    for name, value in found.parts:
        assert 0.0 <= value <= 1.0, name
        total += weights[name]["value"] * value
    assert found.total == pytest.approx(total)
    assert 0.0 <= found.notation <= 1.0


@settings(max_examples=40, deadline=None)
@given(harp_parts(), harp_parts())
def test_melody_rhythm_and_texture_are_symmetric(one: Part, other: Part) -> None:
    """Bass and harmony are read by the original's harmonies, so they need not be."""
    other = replace(other, bars=one.bars)
    there, back = distance(whole(one), whole(other)), distance(whole(other), whole(one))
    assert there.melody == pytest.approx(back.melody, abs=1e-4)
    assert there.rhythm == pytest.approx(back.rhythm, abs=1e-4)
    assert there.texture == pytest.approx(back.texture, abs=1e-4)


@settings(max_examples=40, deadline=None)
@given(harp_parts(), st.data())
def test_losing_more_is_further(part: Part, data: st.DataObject) -> None:
    """Notes taken out one after another: counted exactly, and texture only grows."""
    assume(len(part.strikes) >= 3 and len(sound(part)) == len(part.strikes))
    order = data.draw(st.permutations([n.id for n in part.notes]))
    last = 0.0
    for count in (1, 2):
        gone = set(order[:count])
        after = replace(part, notes=tuple(n for n in part.notes if n.id not in gone))
        found = distance(whole(part), whole(after))
        assert (found.notes_lost, found.notes_added) == (count, 0)
        assert found.total > 0.0
        assert found.texture >= last - 0.2 * count  # the figure may come nearer, density may not
        last = found.texture


def test_nothing_left_is_the_furthest() -> None:
    found = away("4/4 | - | -")
    assert (found.total, found.notes_lost, found.notes_added) == (1.0, 15, 0)
    assert away(BASE, "4/4 | - | -").total == 1.0
    assert away("4/4 | - | -", "4/4 | - | -").total == 0.0


def test_two_voices_on_one_key_are_one_sound() -> None:
    doubled = "4/4 | G5:4 & G5:4 ; C3:4"
    assert away("4/4 | G5:4 ; C3:4", doubled).total == 0.0


# What each part hears


def test_each_part_hears_its_own() -> None:
    """A change of one kind shows where it belongs and leaves the parts it does not touch at 0."""
    tune = away("4/4 | G5:1 F5 E5 F5 ; [C3 E3 G3]:4 | C5:2 B4:2 ; [F2 F3 A3]:2 [G2 G3 B3]:2")
    assert tune.melody > 0.05
    assert tune.bass == tune.rhythm == 0.0
    bass = away("4/4 | G5:1 F5 E5 D5 ; [E3 G3 C4]:4 | C5:2 B4:2 ; [F2 F3 A3]:2 [G2 G3 B3]:2")
    assert bass.bass > 0.3
    assert bass.melody == 0.0
    inner = away("4/4 | G5:1 F5 E5 D5 ; [C3 G3]:4 | C5:2 B4:2 ; [F2 F3 A3]:2 [G2 G3 B3]:2")
    assert inner.harmony > 0.0
    assert (inner.melody, inner.bass, inner.notes_lost) == (0.0, 0.0, 1)
    late = away("4/4 | G5:1 F5 E5 D5 ; r:1 [C3 E3 G3]:3 | C5:2 B4:2 ; [F2 F3 A3]:2 [G2 G3 B3]:2")
    assert late.melody == late.bass == 0.0
    assert late.rhythm > 0.0
    rolled = away(
        "4/4 | G5:1 F5 E5 D5 ; [C3 E3 G3]:4{arpeggio} | C5:2 B4:2 ; [F2 F3 A3]:2 [G2 G3 B3]:2"
    )
    assert rolled.texture > 0.0
    assert rolled.melody == rolled.bass == rolled.harmony == rolled.rhythm == 0.0


def test_what_musicians_call_nearer_is_nearer() -> None:
    """Order tests of common practice: what to give up first when a texture is thinned."""
    chord = "4/4 | G5:2 E5:2 ; [C3 G3 C4 E4]:4"
    no_doubling = away("4/4 | G5:2 E5:2 ; [C3 G3 E4]:4", chord).total
    no_fifth = away("4/4 | E5:2 C5:2 ; [C3 C4 E4]:4", "4/4 | E5:2 C5:2 ; [C3 G3 C4 E4]:4").total
    no_third = away("4/4 | G5:2 C5:2 ; [C3 G3 C4]:4", "4/4 | G5:2 C5:2 ; [C3 G3 C4 E4]:4").total
    no_root = away("4/4 | G5:2 E5:2 ; [G3 E4]:4", chord).total
    assert no_doubling < no_fifth < no_third < no_root
    octave = away("4/4 | G5:1 F5 E5 D5 ; C2:4", "4/4 | G5:1 F5 E5 D5 ; C3:4").total
    other = away("4/4 | G5:1 F5 E5 D5 ; D3:4", "4/4 | G5:1 F5 E5 D5 ; C3:4").total
    assert octave < other
    struck = "4/4 | G5:4 ; C3:1 C3 C3 C3"
    assert away("4/4 | G5:4 ; C3:4", struck).total < away("4/4 | G5:4 ; -", struck).total
    thin = away("4/4 | G5:1 F5 E5 D5 ; [C3 G3]:4", "4/4 | G5:1 F5 E5 D5 ; [C3 E3 G3]:4").total
    bare = away("4/4 | [C3 E3 G3]:4 ; -", "4/4 | G5:1 F5 E5 D5 ; [C3 E3 G3]:4").total
    assert thin < bare


def test_a_bass_that_rings_on_is_nearly_kept() -> None:
    """Struck once and ringing into the next harmony of the same bass: a little, not a lost bass."""
    before = "4/4 | [E4 G4]:4 ; C3:4 | [F4 A4]:4 ; C3:4"
    ringing = away("4/4 | [E4 G4]:4 ; C3:4 | [F4 A4]:4 ; -", before)
    other = away("4/4 | [E4 G4]:4 ; C3:4 | [F4 A4]:4 ; F2:4", before)
    assert 0.0 < ringing.bass < other.bass


@pytest.mark.parametrize(
    ("before", "written_out", "plain"),
    [
        (
            "2/4 | C5:2{trill} ; C3:2", "2/4 | C5:1/4 D5 C5 D5 C5 D5 C5 D5 ; C3:2",
            "2/4 | C5:2 ; C3:2",
        ),
        (
            "2/4 | C5:2 ; [C3 E3]:2{tremolo 2}", "2/4 | C5:2 ; C3:1/4 E3 C3 E3 C3 E3 C3 E3",
            "2/4 | C5:2 ; [C3 E3]:2",
        ),
        (
            "2/4 | E4:1{tremolo-start 3} G4:1{tremolo-stop 3} ; C3:2",
            "2/4 | E4:1/4 G4 E4 G4 E4 G4 E4 G4 ; C3:2", "2/4 | [E4 G4]:2 ; C3:2",
        ),
        ("2/4 | G5:2{tremolo 3} ; C3:2", "2/4 | G5:1/2 G5 G5 G5 ; C3:2", "2/4 | G5:2 ; C3:2"),
    ],
    ids=["trill", "tremolo of a chord", "of two notes", "of one note"],
)
def test_a_trill_or_tremolo_is_heard_as_one_sound_that_moves(
    before: str, written_out: str, plain: str
) -> None:
    """Written out it is heard as it still, and no note is added; without it its motion is lost.
    Either way it is the same from both sides."""
    out, still = away(written_out, before), away(plain, before)
    assert out.melody == out.bass == out.rhythm == 0.0
    assert (out.notes_lost, out.notes_added) == (0, 0)
    assert 0.0 < out.total < 0.05 < still.total
    assert still.melody == still.bass == still.harmony == 0.0
    assert away(before, written_out).texture == pytest.approx(out.texture)
    assert away(before, plain).texture == pytest.approx(still.texture)


def test_a_sweep_is_more_than_its_two_ends() -> None:
    """Without its sign a glissando's motion is lost; a longer one is the greater loss."""
    swept = "4/4 | C4:2{gliss-start 1} C6:2{gliss-stop 1} ; C3:4"
    ends = away("4/4 | C4:2 C6:2 ; C3:4", swept)
    assert ends.melody == ends.rhythm == 0.0
    assert ends.total > 0.05
    brief = away("4/4 | C4:1 C6:3 ; C3:4", "4/4 | C4:1{gliss-start 1} C6:3{gliss-stop 1} ; C3:4")
    assert 0.0 < brief.total < ends.total


def test_notes_on_the_way_of_a_sweep() -> None:
    """A glissando passes every string, so an arpeggio in its place brings no new notes and is
    nearer than its bare ends, and a scale that becomes one loses its beat and not its notes; what
    lies beside its way is new."""
    swept = "4/4 | C4:2{gliss-start 1} C6:2{gliss-stop 1} ; C3:4"
    ends = away("4/4 | C4:2 C6:2 ; C3:4", swept)
    notes = "4/4 | C4:1/2 G4 C5 G5 C6:2 ; C3:4"
    arpeggio = away(notes, swept)
    assert arpeggio.notes_added == 0
    assert arpeggio.texture < ends.texture
    assert arpeggio.total < ends.total
    assert away(swept, notes).texture == pytest.approx(arpeggio.texture)
    more = away("4/4 | C4:1/2 E4 G4 C5 E5 G5 C6:1 ; C3:4",
                "4/4 | C4:3{gliss-start 1} C6:1{gliss-stop 1} ; C3:4")
    fewer = away("4/4 | C4:3/2 G4 C6:1 ; C3:4",
                 "4/4 | C4:3{gliss-start 1} C6:1{gliss-stop 1} ; C3:4")
    assert more.texture < fewer.texture
    scale = "3/4 | C5:1/4 D5 E5 F5 G5 A5 B5 C6 D6:1 ; C3:3"
    sweep = away("3/4 | C5:2{gliss-start 1} D6:1{gliss-stop 1} ; C3:3", scale)
    assert sweep.notes_lost == 0
    assert 0.0 < sweep.rhythm < away("3/4 | C5:2 D6:1 ; C3:3", scale).rhythm
    beside = away("4/4 | C4:1/2 G3 A3 D7 C6:2 ; C3:4", swept)
    assert beside.notes_added == 3


@pytest.mark.parametrize(
    ("signed", "bare"),
    [
        (
            "4/4 | C4:2{gliss-start 1} C6:2{gliss-stop 1} ; E4:1/2 G4 E4 G4 r:2",
            "4/4 | C4:2 C6:2 ; E4:1/2 G4 E4 G4 r:2",
        ),
        ("2/4 | C5:2{trill} & r:1/2 D5:1/2 C5 D5", "2/4 | C5:2 & r:1/2 D5:1/2 C5 D5"),
    ],
    ids=["sweep", "trill"],
)
def test_what_another_voice_plays_meanwhile_makes_up_for_nothing(signed: str, bare: str) -> None:
    """Notes that were there beside the sign do not write it out when it goes."""
    lost = away(bare, signed)
    assert lost.texture > 0.2
    assert lost.melody == lost.harmony == lost.rhythm == 0.0


def test_a_trill_counts_by_its_length() -> None:
    """A trill lost for a beat of two bars is a smaller loss than one lost for a whole bar."""
    rest = " ; C3:4 | G4:4 ; C3:4"
    short = away("4/4 | E5:3 C5:1" + rest, "4/4 | E5:3 C5:1{trill}" + rest)
    long = away("4/4 | C5:4" + rest, "4/4 | C5:4{trill}" + rest)
    assert 0.0 < short.total < long.total


def test_a_moved_note_is_neither_lost_nor_added() -> None:
    found = away("4/4 | G5:1 F5 E5 D5 ; [C3 E4 G3]:4 | C5:2 B4:2 ; [F2 F3 A3]:2 [G2 G3 B3]:2")
    assert (found.notes_lost, found.notes_added) == (0, 0)
    assert found.texture > 0.0


def test_names_units_and_sources() -> None:
    """Every number says its unit and where it comes from; the shares are shares."""
    table = tomllib.loads(files("simplify").joinpath("distance.toml").read_text("utf-8"))
    for rows in table.values():
        for row in rows.values():
            assert set(row) == {"value", "unit", "source"}
            assert row["source"]
    assert tuple(table["weights"]) == PARTS
    assert sum(row["value"] for row in table["weights"].values()) == pytest.approx(1.0)
