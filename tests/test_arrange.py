"""Arranging: where the tune is, the remedies of the trade, easing to a tier, whole reductions."""

import itertools
import json
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from music21 import corpus

from simplify.arrange.gather import (
    choose_sources,
    damper_spans,
    dressed,
    folded,
    gather,
    transposed,
)
from simplify.arrange.keys import key_costs, parse_key, semitones_to
from simplify.arrange.ladder import ladder_of
from simplify.arrange.reduce import beats_kept, reduced, retained, unchanged_bars
from simplify.cli import gentler
from simplify.errors import SelectionError
from simplify.harp.instrument import instrument
from simplify.harp.player import tier_names, tier_player
from simplify.realise.bar import Dials, Rows, assembled, basis_of, enriched, realise
from simplify.realise.tune import find_tune
from simplify.score.carry import carried
from simplify.score.edits import in_key
from simplify.score.graft import emit_part
from simplify.score.model import TICKS, Mark, Note, Part, Passage
from simplify.score.read import open_score, score_from_bytes, select_part
from simplify.score.text import parse_part
from simplify.search.ease import ease
from simplify.strategy import Keeps, broken_promises
from simplify.technique.perform import perform
from simplify.technique.playability import find_faults
from tests.support_schema import faults as schema_faults
from tests.support_xml import attributes, backup, direction, forward, note, score, voice_lengths

HARP = instrument("pedal-47")
AMATEUR = tier_player("amateur")


def names(part: Part, ids: frozenset[int]) -> list[str]:
    return [n.pitch.name for n in part.notes if n.id in ids]


def sounds(notes) -> list[tuple[float, str]]:
    return [(n.onset / TICKS, n.pitch.name) for n in notes]


# --- where the tune is ----------------------------------------------------------------------------


def test_the_tune_is_found_under_pulsing_chords():
    """A cello-register tune under off-beat chords: the pulsing right hand is not the tune."""
    part = parse_part(
        "4/4 | r:1/2 [G4 B4 D5] r [G4 B4 D5] r [G4 C5 E5] r [G4 C5 E5] ;"
        " G3:1 A3 B3:1/2 C4 D4:1 | r:1/2 [G4 B4 D5] r [G4 B4 D5] r [G4 C5 E5] r [G4 C5 E5] ;"
        " E4:2 D4:1 C4"
    )
    assert names(part, find_tune(part)) == ["G3", "A3", "B3", "C4", "D4", "E4", "D4", "C4"]


def test_the_tune_passes_between_the_hands():
    """Two bars of tune above, then two below, as in a duet texture."""
    chords = "[G4 B4]:1/2 [G4 B4] [G4 B4] [G4 B4] [G4 B4] [G4 B4] [G4 B4] [G4 B4]"
    low = chords.replace("4", "3")
    part = parse_part(
        f"4/4 | D5:1 E5 F5:1/2 E5 D5:1 ; {low} | C5:1 D5 E5:2 ; {low} |"
        f" {chords} ; D3:1 E3 F3:1/2 E3 D3:1 | {chords} ; C3:1 D3 E3:2"
    )
    tune = find_tune(part)
    assert {n.staff for n in part.notes if n.id in tune and n.bar < 2} == {1}
    assert {n.staff for n in part.notes if n.id in tune and n.bar >= 2} == {2}


def test_a_bar_of_grace_notes_only_has_no_thickness():
    """Damaged scores have them; they are no reason to divide by nothing."""
    part = parse_part("4/4 | C5:4 ; C3:4 | C5:4 ; C3:4")
    graced = [replace(n, grace=1, duration=0) if n.bar == 1 else n for n in part.notes]
    assert find_tune(replace(part, notes=tuple(graced)))


def test_an_anticipation_is_struck_on_the_beat_when_its_start_has_gone():
    """The tie over the bar line is straightened: the sound comes where the bar begins."""
    part = parse_part("4/4 | C5:1 D5 E5 F5:1/2 G5~ ; C3:4 | G5:1 E5 D5 C5 ; G2:4")
    basis = basis_of(part, HARP)
    rows = {0: realise(basis, 0, Dials(tune=3), AMATEUR)}
    tops = [n for n in assembled(basis, rows).notes if n.staff == 1]
    assert [(n.onset / TICKS, n.pitch.name) for n in tops if not n.tie_in] == [
        (0, "C5"), (1, "D5"), (2, "E5"), (3, "F5"), (4, "G5"), (5, "E5"), (6, "D5"), (7, "C5")
    ]


def test_what_is_left_of_the_tune_counts_notes_and_beats():
    """A tune in quavers thinned to crotchets keeps half its notes and all its beats; thinned to
    one note a bar, a quarter of its beats."""
    part = parse_part(
        "4/4 | C5:1/2 D5 E5 F5 G5 A5 G5 F5 ; C3:4 | E5:1/2 D5 C5 D5 E5 F5 E5 D5 ; C3:4"
    )
    basis = basis_of(part, HARP)
    for dials, notes, beats in ((Dials(tune=3), 0.5, 1.0), (Dials(tune=5), 0.125, 0.25)):
        rows = {i: realise(basis, i, dials, AMATEUR) for i in (0, 1)}
        easier = assembled(basis, rows)
        assert retained(basis, easier)[0] == notes
        assert beats_kept(basis, easier) == beats


@pytest.mark.parametrize(("written", "grid", "easier"), [
    ("4/4 | C5:1/2 D5 E5:1 r:2 ; C3:4", 4, [(0, 2, "C5")]),
    ("4/4 | C5:1 D5 r E5 ; C3:4", 5, [(0, 2, "C5")]),
    ("4/4 | C5:1 r:2 E5:1 ; C3:4", 5, [(0, 1, "C5")]),
    ("2/4 | C5:1 r:1/4 E5:3/4 ; C3:2", 1, [(0, 1, "C5"), (1.25, 0.75, "E5")]),
    ("3/4 | D6:1/2 C6 B5 A5 G5 F♯5 ; D3:3", 3, [(0, 1, "D6"), (1, 1, "B5"), (2, 1, "G5")]),
    ("2/4 | C5:1/3t3:2 D5:1/3t3:2 E5:1/3t3:2 F5:1 ; C3:2", 5, [(0, 2, "C5")]),
])
def test_a_thinned_tune_holds_its_notes_as_far_as_it_went_on(
    written: str, grid: int, easier: list[tuple[float, float, str]]
):
    """What is left out between two notes leaves no rest; a rest of the tune's own stays."""
    basis = basis_of(parse_part(written), HARP)
    row = realise(basis, 0, Dials(tune=grid), AMATEUR)
    tops = [n for n in row if n.staff == 1]
    assert [(n.onset / TICKS, n.duration / TICKS, n.pitch.name) for n in tops] == easier


def test_a_length_that_no_value_has_is_two_tied_where_it_is_tied_on():
    """Five sixteenths before a bar line over which the tune is held: a crotchet and a semiquaver,
    or the other way round, with both ties."""
    part = parse_part("2/4 | C5:3/4 E5:1/4 D5:1~ ; C3:2 | D5:1 C5:1 ; C3:2")
    basis = basis_of(part, HARP)
    (late,) = (n for n in part.notes_by_bar[0] if n.pitch.name == "D5")
    early = replace(late, onset=late.onset - TICKS // 4, duration=late.duration + TICKS // 4)
    row = enriched(basis, 0, [n for n in part.notes_by_bar[0] if n.pitch.name == "C5"], [early])
    held = [(n.duration / TICKS, n.tie_in, n.tie_out) for n in row if n.pitch.name == "D5"]
    assert held == [(1.0, False, True), (0.25, True, True)]


def test_what_is_tied_over_the_edges_of_a_passage_stays_whatever_the_dials_take():
    """Two notes of a rag are tied into a bar and two out of it. Alone it may lose them; as the
    first or last bar of what may change it keeps them: the bar beside it is not to be touched."""
    rag = select_part(open_score(str(corpus.getWork("joplin/maple_leaf_rag"))), None).part
    basis, bar = basis_of(rag, HARP), rag.bars[80]

    def ties(row: tuple[Note, ...]) -> tuple[set[tuple[int, int]], set[tuple[int, int]]]:
        into = {(n.pitch.midi, n.staff) for n in row if n.tie_in and n.onset == bar.onset}
        return into, {(n.pitch.midi, n.staff) for n in row if n.tie_out and n.end == bar.end}

    into, out = ties(rag.notes_by_bar[bar.index])
    assert len(into) == len(out) == 2
    player = tier_player("school")
    alone = Rows(basis, player)
    begins, ends = Rows(basis, player, (80, 84)), Rows(basis, player, (76, 80))
    lost = 0
    for tune, pace, chords, rhythm in itertools.product(
        range(6), range(8), range(5), range(4)
    ):
        dials = Dials(tune=tune, pace=pace, chords=chords, rhythm=rhythm)
        lost += ties(alone.row(80, dials))[0] != into
        assert ties(begins.row(80, dials))[0] == into
        assert ties(ends.row(80, dials))[1] == out
    assert lost > 0


def test_a_note_moved_onto_one_that_is_tied_over_goes_on_from_it():
    """The tie is not lost to the longer note that comes to stand at the same place."""
    part = parse_part("2/4 | r:1 [F4 A4]:1~ | [F4 A4]:1/4 B4:1/4 [F4 A4]:1/2 C5:1")
    basis = basis_of(part, HARP)
    row = realise(basis, 1, Dials(tune=3, rhythm=2), AMATEUR)
    assert {n.pitch.name for n in row if n.tie_in} == {"F4", "A4"}


def test_an_inner_voice_can_lead():
    """A held note above an inner tune (as in a song without words) does not hide it."""
    part = parse_part(
        "4/4 | G5:4 & C5:1 D5 E5:1/2 D5 C5:1 ; C3:4 | G5:4 & B4:1 C5 D5:2 ; G2:4"
    )
    assert names(part, find_tune(part))[:5] == ["C5", "D5", "E5", "D5", "C5"]


@pytest.mark.parametrize("name", ["bach/bwv255", "bach/bwv269", "bach/bwv253"])
def test_the_soprano_leads_in_chorales(name: str):
    """In a chorale the tune is the soprano's (music21's corpus, part 1). Where it only repeats one
    note, as in the last phrase of BWV 66.6, a moving alto is taken for the tune."""
    gathered = gather(open_score(str(corpus.getWork(name))))
    tune = find_tune(gathered.part)
    soprano = {(n.onset, n.pitch) for n in gathered.sources[0].part.notes}
    found = [(n.onset, n.pitch) for n in gathered.part.notes if n.id in tune]
    assert sum(note in soprano for note in found) >= 0.95 * len(found)


# --- dressing -------------------------------------------------------------------------------------


def test_lines_are_folded_as_wholes():
    """A bass below the harp goes up by octaves without breaking its line."""
    part = parse_part("4/4 | C5:4 ; C2:1 D2 E2 F2 | C5:4 ; G2:1 F2 E2 D2")
    small = instrument("lever-27")
    moved = folded(part, small)
    below = [n.pitch for n in moved.notes if n.staff == 2]
    assert all(small.lowest <= p.string <= small.highest for p in below)
    steps = [b.string - a.string for a, b in itertools.pairwise(below)]
    assert steps == [1, 1, 1, 1, -1, -1, -1]


def test_staccato_and_piano_fingers_do_not_stay():
    part = parse_part("4/4 tempo:60 | C5:1{staccato, finger 5} r r:2 ; C3:1{staccato} r r:2")
    clean = dressed(part, (), HARP)
    upper, lower = (next(n for n in clean.notes if n.staff == s) for s in (1, 2))
    assert upper.marks == ()
    assert lower.marks == (Mark("etouffe"),)


DAMPER = """<?xml version="1.0"?><score-partwise version="4.0"><part-list><score-part id="P1">
<part-name>Piano</part-name></score-part></part-list><part id="P1"><measure number="1"><attributes>
<divisions>1</divisions><time><beats>4</beats><beat-type>4</beat-type></time><staves>2</staves>
</attributes><direction><direction-type><pedal type="start"/></direction-type></direction>
<note><pitch><step>G</step><octave>5</octave></pitch><duration>4</duration><voice>1</voice>
<type>whole</type><staff>1</staff></note><backup><duration>4</duration></backup>
<note><pitch><step>C</step><octave>2</octave></pitch><duration>1</duration><voice>5</voice>
<type>quarter</type><staff>2</staff></note><note><rest/><duration>1</duration><voice>5</voice>
<staff>2</staff></note><direction><direction-type><pedal type="stop"/></direction-type></direction>
<note><pitch><step>E</step><octave>3</octave></pitch><duration>1</duration><voice>5</voice>
<type>quarter</type><staff>2</staff></note><note><rest/><duration>1</duration><voice>5</voice>
<staff>2</staff></note></measure></part></score-partwise>"""


def test_the_damper_pedal_is_read_as_ringing():
    """Under the pedal a bass is written as long as it rings; after it as it stands."""
    loaded = select_part(score_from_bytes(DAMPER.encode(), "damper.musicxml"))
    spans = damper_spans(loaded)
    assert spans == ((0, 2 * TICKS),)
    low = [n for n in dressed(loaded.part, spans, HARP).notes if n.staff == 2]
    assert [n.duration // TICKS for n in low] == [2, 1]


# --- the remedies, each before and after ----------------------------------------------------------


def eased_bar(text: str, dials: Dials, tier: str = "amateur", bar: int = 0):
    part = parse_part(text)
    return realise(basis_of(part, HARP), bar, dials, tier_player(tier))


def test_ten_note_chords_lose_octave_doublings_then_the_fifth():
    """Order of dropping: doublings, then the fifth (TRADE: Volpe Bligh; order common practice)."""
    full = "4/4 | [C4 E4 G4 C5 E5]:4 ; [C2 G2 C3 E3 G3]:4"
    hands = [n for n in eased_bar(full, Dials(chords=1), "professional") if n.staff == 2]
    assert len(hands) <= 4
    assert min(hands, key=lambda n: n.pitch.midi).pitch.name == "C2"
    thin = eased_bar("4/4 | [E4 G4 C5]:4 ; C3:4", Dials(chords=2), "school")
    assert [n.pitch.name for n in thin if n.staff == 1] == ["E4", "C5"]
    doubled = eased_bar("4/4 | [E4 G4 E5]:4 ; C3:4", Dials(chords=2), "school")
    assert [n.pitch.name for n in doubled if n.staff == 1] == ["G4", "E5"]


def test_a_bass_struck_on_every_beat_is_struck_once():
    """UBC, More on Harp Writing: strike once, it rings on."""
    bar = "4/4 | E5:1 F5 G5 E5 ; C3:1/2 C3 C3 C3 C3 C3 C3 C3"
    beats = [n for n in eased_bar(bar, Dials(pace=1)) if n.staff == 2]
    assert len(beats) == 4
    once = [n for n in eased_bar(bar, Dials(pace=5)) if n.staff == 2]
    assert sounds(once) == [(0.0, "C3")]
    assert once[0].duration == 4 * TICKS


def test_close_low_chords_are_opened():
    """Philharmonia and UBC: dense low left hand blurs."""
    low = [n for n in eased_bar("4/4 | G5:4 ; [C2 E2 G2]:4", Dials(chords=1)) if n.staff == 2]
    strings = sorted(n.pitch.string for n in low)
    assert all(b - a >= 4 for a, b in itertools.pairwise(strings))
    assert min(low, key=lambda n: n.pitch.midi).pitch.name == "C2"


def test_wide_leaps_are_brought_nearer():
    """Stride basses: the chord comes down towards the bass before anything is lost."""
    bar = "2/4 | E5:1 G5 ; A1:1/2 [C4 E4] A1 [C4 E4]"
    before = parse_part(bar).notes
    after = eased_bar(bar, Dials(near=1))

    def leap(notes) -> int:
        low = [n.pitch.string for n in notes if n.staff == 2]
        return max(abs(b - a) for a, b in itertools.pairwise(low))

    assert leap(after) < leap(before)
    assert len(after) == len(before)


def test_figures_are_gathered_on_the_beats():
    """An Alberti figure becomes a bass and then chords; the bass rings on."""
    bar = "4/4 | G5:2 E5 ; C3:1/2 G3 E3 G3 C3 G3 E3 G3"
    low = [n for n in eased_bar(bar, Dials(pace=3)) if n.staff == 2]
    assert {n.onset for n in low} <= {0, TICKS, 2 * TICKS, 3 * TICKS}
    assert low[0].pitch.name == "C3"
    assert {n.pitch.name for n in low} == {"C3", "E3", "G3"}


def test_accompanying_accidentals_are_respelled_or_left_out():
    """A sound that the home setting has on another string moves there; others go."""
    text = "4/4 | G4:4 ; [C3 E3]:4 | G4:4 ; [F♭3 C4]:4 | G4:4 ; [C3 F#3]:4 | F4:4 ; [E3 C4]:4"
    low = [n.pitch.name for n in eased_bar(text, Dials(colour=1), bar=1) if n.staff == 2]
    assert low == ["E3", "C4"]
    low = [n.pitch.name for n in eased_bar(text, Dials(colour=1), bar=2) if n.staff == 2]
    assert low == ["C3"]


def test_ornaments_go_before_notes_of_the_tune():
    tune = eased_bar("4/4 | ^D5 C5:2{trill} E5:2 ; C3:4", Dials(tune=1))
    assert sounds(n for n in tune if n.staff == 1) == [(0.0, "C5"), (2.0, "E5")]
    assert not any(n.marks for n in tune)


def test_zero_dials_change_nothing():
    part = parse_part("4/4 | ^D5 C5:2{trill} E5:2 ; [C3 E3]:4")
    assert realise(basis_of(part, HARP), 0, Dials(), AMATEUR) == part.notes


# --- easing ---------------------------------------------------------------------------------------

STRIDE = (
    "2/4 tempo:112 key:-4 | A♭4:1/4 E♭5:1/2 C5:1/4 F5:1/4 E♭5:1/2 C5:1/4 ;"
    " A♭1:1/2 [C4 E♭4 A♭4] E♭2 [C4 E♭4 A♭4] |"
    " [A♭4 C5 E♭5 A♭5]:1/2 [A♭4 C5 E♭5 A♭5] [G4 B♭4 E♭5 G5]:1 ; E♭2:1/2 [B♭3 D♭4 G4] B♭1 [D♭4 G4]"
)


@pytest.fixture(scope="module")
def stride() -> Part:
    part = parse_part(STRIDE)
    bars, notes = [], []
    for time in range(6):
        shift = time * part.end
        bars += [
            replace(b, index=b.index + 2 * time, number=str(b.index + 2 * time + 1),
                    onset=b.onset + shift)
            for b in part.bars
        ]
        notes += [
            replace(n, id=n.id + 1000 * time, bar=n.bar + 2 * time, onset=n.onset + shift)
            for n in part.notes
        ]
    return replace(part, bars=tuple(bars), notes=tuple(notes))


@pytest.mark.parametrize("tier", ["school", "amateur", "professional"])
def test_easing_reaches_the_tier_without_faults(stride: Part, tier: str):
    player = tier_player(tier)
    eased = ease(basis_of(stride, player.harp), player)
    assert eased.reached
    assert find_faults(perform(eased.part, player)) == ()


def test_equal_bars_are_treated_alike(stride: Part):
    """A passage that comes again is eased the same way everywhere."""
    eased = ease(basis_of(stride, HARP), AMATEUR)
    for first in (0, 1):
        rows = {
            tuple((n.onset - stride.bars[b].onset, n.duration, n.pitch) for n in
                  eased.part.notes_by_bar[b])
            for b in range(first, 12, 2)
        }
        assert len(rows) == 1


def test_locked_bars_stay(stride: Part):
    eased = ease(basis_of(stride, HARP), AMATEUR, locked=[2, 3])
    assert {2, 3} <= unchanged_bars(stride, eased.part)
    assert 0 not in unchanged_bars(stride, eased.part)


@pytest.mark.parametrize("keeps", [Keeps.MELODY, Keeps.BASS])
def test_promises_are_held(stride: Part, keeps: Keeps):
    eased = ease(basis_of(stride, HARP), AMATEUR, keeps=keeps)
    for bar in range(len(stride.bars)):
        before = Passage(stride, bar, bar)
        assert not broken_promises(before, before.of(eased.part), keeps)


# --- keys -----------------------------------------------------------------------------------------


def test_keys_are_read_by_name():
    assert [parse_key(k) for k in ("Gb", "F#", "c", "ebm", "f#m", "Cb")] == [-6, 6, 0, -6, 3, -7]
    with pytest.raises(SelectionError, match="key 'H'"):
        parse_key("H")


def test_transposition_keeps_sound_and_spelling():
    part = parse_part("4/4 key:5 | B4:1 D#5 F#5 A#5 ; B2:4")
    flat = transposed(part, 0, -12)
    assert [n.pitch.name for n in flat.notes] == ["C♭5", "C♭3", "E♭5", "G♭5", "B♭5"]
    assert [n.pitch.midi for n in flat.notes] == [n.pitch.midi for n in part.notes]
    assert flat.bars[0].fifths == -7
    up = transposed(part, 1, -5)
    assert [n.pitch.name for n in up.notes] == ["C5", "C3", "E5", "G5", "B5"]
    assert semitones_to(part, 0) == 1


def test_a_modulation_costs_fewer_pedals_in_the_twin_key():
    """D flat to B is seven pedals, D flat to C flat two (hornandharp.com, Enharmonic spelling
    tricks); so of the twins of a piece that does so the flat one must cost less."""
    part = parse_part(
        "4/4 tempo:60 key:5 | [B4 D#5 F#5]:4 ; [B2 F#3]:4 | [E4 G#4 C#5]:4 ; [E3 A#3]:4"
    )
    costs = {k.fifths: k for k in key_costs(part, AMATEUR, solo=False)}
    assert set(costs) == {5, -7}
    assert costs[-7].moves <= costs[5].moves


@pytest.mark.parametrize(
    ("fifths", "levers"), [(-3, 0), (-2, 1), (-1, 2), (0, 3), (1, 4), (2, 5), (3, 6), (4, 7)],
)
def test_levers_raised_in_each_key_on_a_harp_in_e_flat(fifths: int, levers: int):
    """Keys of a harp tuned in E flat: E flat 0, B flat 1 ... E 7 levers a octave (computed from the
    tuning; A flat, D flat, F sharp and B are out of reach: tumblingowl.com, 2014)."""
    harp = instrument("lever-34")
    alters = in_key(fifths)
    assert all(alters[step] in harp.positions(step) for step in alters)
    raised = sum(alters[step] != min(harp.positions(step)) for step in alters)
    assert raised == levers


@pytest.mark.parametrize("fifths", [-4, -5, 5, 6])
def test_keys_out_of_reach_in_e_flat(fifths: int):
    harp = instrument("lever-34")
    assert any(alter not in harp.positions(step) for step, alter in in_key(fifths).items())


# --- whole reductions -----------------------------------------------------------------------------


def test_a_song_gives_its_accompaniment_and_a_quartet_all():
    song = open_score(str(corpus.getWork("schubert/Lindenbaum")))
    chosen, left = choose_sources(song, None)
    assert [c.is_keyboard for c in chosen] == [True]
    assert left
    quartet = open_score(str(corpus.getWork("bach/bwv66.6")))
    assert len(choose_sources(quartet, None)[0]) == 4
    assert len(choose_sources(quartet, "Soprano,Bass")[0]) == 2


def test_a_chorale_becomes_one_playable_part():
    gathered = gather(open_score(str(corpus.getWork("bach/bwv269"))))
    result = reduced(gathered, AMATEUR, ())
    assert result.reached
    assert find_faults(perform(result.part, AMATEUR)) == ()
    assert result.tune_kept >= 0.8
    assert [b.number for b in result.part.bars] == [b.number for b in gathered.part.bars]


def test_reduce_command(tmp_path: Path):
    """Exit 0, a valid score that reads back with the source's bars, and the figures as JSON."""
    source = str(corpus.getWork("bach/bwv66.6"))
    out, page = tmp_path / "harp.musicxml", tmp_path / "harp.html"
    done = CliRunner().invoke(
        gentler,
        ["reduce", source, "--tier", "amateur", "--solo", "--out", str(out), "--report", str(page),
         "--json"],
    )
    assert done.exit_code == 0, done.output
    document = json.loads(done.stdout)
    assert document["faults"] == 0
    assert document["within_tier"]
    assert document["keys"][0]["semitones"] == 0
    assert len(document["keys"]) > 4
    again = select_part(open_score(str(out)))
    assert len(again.part.bars) == document["score"]["bars"]
    assert schema_faults(out.read_bytes()) == ()
    assert "What was lost" in page.read_text("utf-8")


def test_reduce_says_when_the_tier_is_not_reached(tmp_path: Path):
    """Locked bars can't be eased: exit 1, with the bars named."""
    source = str(corpus.getWork("bach/bwv66.6"))
    out = tmp_path / "harp.musicxml"
    done = CliRunner().invoke(
        gentler,
        ["reduce", source, "--tier", "beginner", "--lock", "1-9", "--out", str(out), "--seconds",
         "1", "--quiet"],
    )
    assert done.exit_code == 1, done.output
    assert "Bars that resist" in done.stdout
    assert out.exists()


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--tier", "amateur", "--key", "H"], "key 'H'"),
        (["--tier", "amateur", "--lock", "99"], "no bar 99"),
        (["--tier", "amateur", "--bars", "1-2"], "whole pieces"),
        ([], "for whom"),
    ],
)
def test_reduce_refuses_what_it_cannot_do(tmp_path: Path, options: list[str], message: str):
    source = str(corpus.getWork("bach/bwv66.6"))
    out = tmp_path / "harp.musicxml"
    done = CliRunner().invoke(gentler, ["reduce", source, *options, "--out", str(out)])
    assert done.exit_code != 0
    assert message in str(done.exception) + done.output
    assert not out.exists()


# --- ladders --------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def versions(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three versions of a chorale, as the command writes them."""
    out = tmp_path_factory.mktemp("ladder") / "out"
    source = str(corpus.getWork("bach/bwv269"))
    done = CliRunner().invoke(
        gentler,
        ["ladder", source, "--tiers", "school,professional,amateur", "--out", str(out), "--quiet"],
    )
    assert done.exit_code == 0, done.output
    return out


def test_versions_fall_strictly_and_meet_their_tiers(versions: Path):
    document = json.loads((versions / "result.json").read_text("utf-8"))
    rows = document["versions"]
    assert [row["tier"] for row in rows] == ["professional", "amateur", "school"]
    assert all(row["within_tier"] and row["faults"] == 0 for row in rows)
    for harder, easier in itertools.pairwise(rows):
        assert easier["difficulty"] <= 0.85 * harder["difficulty"] + 0.01
        assert 0 <= easier["share_as_harder"] <= 1


def test_versions_are_playable_when_read_again(versions: Path):
    """What a pupil opens is what was measured: 0 faults, the source's bars, a valid score."""
    count = len(gather(open_score(str(corpus.getWork("bach/bwv269")))).part.bars)
    for name, tier in (("01-school", "school"), ("03-professional", "professional")):
        path = versions / f"{name}.musicxml"
        part = select_part(open_score(str(path))).part
        assert len(part.bars) == count
        assert find_faults(perform(part, tier_player(tier))) == ()
        assert schema_faults(path.read_bytes()) == ()


def test_one_file_holds_all_levels(versions: Path):
    score = open_score(str(versions / "all.musicxml"))
    assert [c.name for c in score.candidates] == [
        "Harp (school)", "Harp (amateur)", "Harp (professional)",
    ]
    assert schema_faults((versions / "all.musicxml").read_bytes()) == ()


def test_a_pupil_who_moves_up_keeps_the_fingers_learnt():
    """What an easier version has from the harder one it fingers alike, but for a note at the edge
    where the next one is another; and a beginner's version is reached: a rag, whose tune never
    begins on the beat that a beginner needs."""
    gathered = gather(open_score(str(corpus.getWork("joplin/maple_leaf_rag"))))
    part = replace(gathered.part.window(0, 16))
    ladder = ladder_of(
        replace(gathered, part=part), [tier_player(tier) for tier in reversed(tier_names())]
    )
    assert ladder.reached
    for rung in ladder.rungs[1:]:
        assert rung.carried
        assert rung.same_fingers >= 0.75
    assert sum(rung.same_fingers == 1.0 for rung in ladder.rungs[1:]) >= 3


def test_bars_reported_as_carried_over_are_the_same(versions: Path):
    document = json.loads((versions / "result.json").read_text("utf-8"))
    amateur, school = (
        select_part(open_score(str(versions / f"{name}.musicxml"))).part
        for name in ("02-amateur", "01-school")
    )
    same = document["versions"][2]["bars_as_harder"]
    assert same
    for bar in amateur.bars:
        if bar.number in same:
            rows = [
                sorted((n.onset, n.duration, n.pitch.name) for n in part.notes_by_bar[bar.index])
                for part in (amateur, school)
            ]
            assert rows[0] == rows[1]


def test_the_booklet_tells_teacher_and_pupil_what_they_need(versions: Path):
    text = (versions / "booklet.html").read_text("utf-8")
    for words in ("For the teacher", "What it teaches", "How to practise", "the harpist's word"):
        assert words in text or words.replace("'", "&#x27;") in text


# --- what stands around the notes -----------------------------------------------------------------


def test_bars_keep_numbers_marks_repeats_and_endings():
    """Everybody rehearses from the same bar numbers and letters."""
    gathered = gather(open_score(str(corpus.getWork("joplin/maple_leaf_rag"))))
    xml = emit_part(dressed(gathered.part, gathered.damper, HARP), "rag")
    again = select_part(score_from_bytes(carried(xml, gathered.sources[0]), "rag.musicxml")).part
    for old, new in zip(gathered.part.bars, again.bars, strict=True):
        for name in ("number", "onset", "duration", "fifths", "repeat_start", "repeat_end",
                     "ending", "rehearsal"):
            assert getattr(new, name) == getattr(old, name), (old.number, name)
    assert any(bar.repeat_end for bar in again.bars)
    assert {bar.ending for bar in again.bars} == {"", "1", "2"}


def test_words_and_hairpins_are_carried_over():
    """The accompaniment's own directions (music21's corpus: Beach, Prayer of a Tired Child)."""
    gathered = gather(open_score(str(corpus.getWork("beach/prayer_of_a_tired_child"))))
    xml = emit_part(gathered.part, "song")
    with_words = carried(xml, gathered.sources[0])
    assert b"Molto tranquillo" not in xml
    for text in (b"Molto tranquillo", b"rit.", b"<wedge"):
        assert text in with_words
    assert b"<pedal " not in with_words
    assert schema_faults(with_words) == ()


def test_a_chromatic_run_is_played_in_the_pedals_of_the_key():
    """Chromatic scale: diatonic instead (Volpe Bligh, Writing for the Pedal Harp, item 8)."""
    text = (
        "4/4 key:-3 | C5:1/2 C#5 D5 E♭5 E5 F5 F#5 G5 ; [E♭3 G3]:4 | E♭5:4 ; [E♭3 B♭3]:4"
    )
    run = [n for n in eased_bar(text, Dials(colour=3)) if n.staff == 1]
    home = in_key(-3)
    assert all(home[n.pitch.step] == n.pitch.alter for n in run)
    assert (run[0].pitch.name, run[-1].pitch.name) == ("C5", "G5")
    assert len({n.onset for n in run}) == 8


def test_tremolos_and_trills_are_plain_notes_from_the_first_step():
    low = eased_bar("4/4 | E5:4{trill} ; [C3 G3]:4{tremolo 3}", Dials(tune=1, pace=1))
    assert {n.pitch.name for n in low} == {"C3", "G3", "E5"}
    assert not any(n.has("tremolo") or n.has("trill") for n in low)


def test_a_keyboard_beside_instruments_is_merged_with_them():
    """A trio sonata is no song: nobody has words."""
    score = open_score(str(corpus.getWork("corelli/opus3no1/1grave")))
    chosen, left = choose_sources(score, None)
    assert len(chosen) > 1
    assert left == ()


def test_a_part_of_one_staff_can_be_dressed():
    part = parse_part("4/4 | C5:1 D5 E5 F5 ; -")
    assert [n.pitch.name for n in dressed(part, (), HARP).notes] == ["C5", "D5", "E5", "F5"]


CUED = score(
    [
        attributes(2, staves=2) + '<print new-page="yes"/>'
        + direction("<words>(Fl.)</words>") + note("G4", 8, kind="whole", staff=1, voice="1")
        + backup(8) + note("C3", 8, voice="5", kind="whole", staff=2),
        '<print new-system="yes"/>' + direction("<rehearsal>A</rehearsal>")
        + note("R", 8, staff=1, voice="1") + backup(8)
        + note("E5", 4, kind="half", staff=1, voice="2", first="<cue/>")
        + note("G5", 1, kind="eighth", staff=1, voice="2", first="<cue/>")
        + note("B5", 1, kind="eighth", staff=1, voice="2", first="<cue/>", chord=False)
        + forward(2) + backup(8) + note("G2", 8, voice="5", kind="whole", staff=2),
        "[number=\"2a\"]" + note("C5", 8, kind="whole", staff=1)
        + backup(8) + note("C3", 8, voice="5", kind="whole", staff=2),
    ],
    names=("Piano",),
)


def test_cues_numbers_marks_and_breaks_come_through_reduce_and_ladder(tmp_path: Path):
    """The player counts by them in every version: cue notes as cues, not played, in their place;
    printed bar numbers, rehearsal marks, line and page breaks where the source had them."""
    source = tmp_path / "cued.musicxml"
    source.write_bytes(CUED)
    run = CliRunner().invoke(gentler, [
        "reduce", str(source), "--tier", "amateur", "--out", str(tmp_path / "harp.musicxml"),
        "--workers", "1",
    ])
    assert run.exit_code == 0, run.output
    run = CliRunner().invoke(gentler, [
        "ladder", str(source), "--tiers", "amateur,beginner", "--out", str(tmp_path / "versions"),
    ])
    assert run.exit_code in (0, 1), run.output
    scores = [tmp_path / "harp.musicxml", *sorted((tmp_path / "versions").glob("0*.musicxml"))]
    assert len(scores) == 3
    for path in scores:
        xml = path.read_bytes()
        assert schema_faults(xml) == ()
        loaded = select_part(score_from_bytes(xml, path.name))
        assert [bar.number for bar in loaded.part.bars] == ["1", "2", "2a"]
        assert [bar.rehearsal for bar in loaded.part.bars] == ["", "A", ""]
        assert b'new-system="yes"' in xml
        assert b"(Fl.)" in xml
        cues = [
            (child.onset / TICKS, source.measures[1].children[child.child].element.findtext(
                "pitch/step"))
            for source in loaded.sources for child in loaded.layouts[0][1].children
            if child.kind == "silent"
        ]
        assert cues == [(0, "E"), (2, "G"), (2.5, "B")]
        assert {n.pitch.name for n in loaded.part.notes} <= {"G4", "C3", "G2", "C5"}
        for ends in voice_lengths(xml).values():
            assert max(ends) == 4


def test_a_reduction_named_mxl_is_compressed(tmp_path: Path):
    """A file that ends in .mxl is what it says; its report may be a PDF."""
    source = tmp_path / "cued.musicxml"
    source.write_bytes(CUED)
    out, report = tmp_path / "harp.mxl", tmp_path / "harp.pdf"
    run = CliRunner().invoke(gentler, [
        "reduce", str(source), "--tier", "amateur", "--out", str(out), "--report", str(report),
        "--workers", "1",
    ])
    assert run.exit_code == 0, run.output
    assert out.read_bytes().startswith(b"PK")
    assert select_part(open_score(str(out))).info.source_format == "mxl"
    assert report.read_bytes().startswith(b"%PDF")
