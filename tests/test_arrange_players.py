"""Lever harps, small harps, class lists and two harps."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from music21 import corpus

from simplify.arrange.classes import divided, duo_of, load_class
from simplify.arrange.gather import Gathered, dressed, gather
from simplify.arrange.levers import TUNINGS, lever_marks, tuned, tunings
from simplify.arrange.reduce import reduced
from simplify.cli import gentler
from simplify.errors import PlayerError
from simplify.harp.instrument import instrument
from simplify.harp.player import tier_player
from simplify.realise.bar import Dials, assembled, basis_of, realise
from simplify.score.edits import in_key
from simplify.score.model import TICKS
from simplify.score.read import open_score, select_part
from simplify.score.text import parse_part
from simplify.search.ease import ease
from simplify.technique.levers import plan_levers
from simplify.technique.perform import perform
from simplify.technique.playability import find_faults
from tests.support_schema import faults as schema_faults

CHORALE = str(corpus.getWork("bach/bwv269"))


# --- tunings --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("tuning", "fifths"), [("C", range(0, 8)), ("F", range(-1, 7)), ("Eb", range(-3, 5))],
)
def test_keys_of_each_tuning(tuning: str, fifths: range):
    """C-tuned: C to C sharp, F-tuned: F to F sharp, E flat-tuned: E flat to E (computed; A flat,
    D flat, F sharp and B are out of reach in E flat: tumblingowl.com, Modal structure of the lever
    harp, 2014)."""
    harp = tuned(instrument("lever-34"), tuning)
    reachable = [
        key for key in range(-7, 8)
        if all(alter in harp.positions(step) for step, alter in in_key(key).items())
    ]
    assert reachable == list(fifths)


def test_the_best_tuning_is_the_one_with_the_fewest_turns():
    """In F nothing is to be turned in F major; in E flat levers are up for A and E; in C the B flat
    is the A string's sharp, which takes a turn from A each time."""
    part = parse_part("4/4 tempo:60 key:-1 | F4:1 A4 C5 E5 ; F3:4 | B♭4:2 A4 ; D3:4")
    rows = tunings(part, tier_player("school", "lever-34"))
    assert {row.name for row in rows} == set(TUNINGS)
    assert rows[0].name == "F"
    assert (rows[0].turns, rows[0].raised, rows[0].unmet) == (0, 0, 0)
    assert rows[1].name == "Eb"
    assert (rows[1].turns, rows[1].unmet) == (0, 0)
    assert rows[1].raised > 0
    assert rows[2].turns > 0


def test_a_pedal_harp_has_no_tunings():
    part = parse_part("4/4 | C5:4 ; C3:4")
    assert tunings(part, tier_player("school")) == ()


def test_lever_marks_name_the_levers_up_and_each_turn():
    player = tier_player("school", "lever-34")
    part = parse_part(
        "4/4 tempo:60 key:0 | C5:4 ; C3:1 r r:2 | F5:4 ; C3:1 r r:2 | F#5:4 ; C3:1 r r:2"
    )
    plan = plan_levers(part, player)
    marks = lever_marks(player.harp, plan, 0, part.end)
    assert marks[0].text.startswith("Levers ")
    assert [m.text for m in marks[1:]] == ["F♯5"]
    assert 4 * TICKS < marks[1].onset <= 8 * TICKS


def test_accidentals_no_lever_gives_are_respelled_or_left_out():
    """D flat on a harp in E flat is its C sharp; against C natural in the same chord the home
    setting decides and the other goes (AC 2016: leave out, revoice or transpose)."""
    harp = instrument("lever-34")
    part = dressed(parse_part("4/4 key:-3 | E♭5:4 ; [D♭4 G4]:4 | E♭5:4 ; [C4 G4]:4"), (), harp)
    assert [n.pitch.name for n in part.notes_by_bar[0] if n.staff == 2] == ["C♯4", "G4"]
    row = realise(basis_of(part, harp), 0, Dials(colour=1), tier_player("school", "lever-34"))
    assert "C♯4" not in [n.pitch.name for n in row]


@pytest.mark.parametrize("harp", ["lever-38", "lever-34", "lever-26", "lever-22", "pedal-40"])
def test_reduced_for_small_harps(harp: str):
    """Everything on the harp's strings, playable, the tune's line kept."""
    player = tier_player("school", harp)
    result = reduced(gather(open_score(CHORALE)), player, ())
    assert result.reached
    assert find_faults(perform(result.part, player)) == ()
    lowest, highest = player.harp.lowest, player.harp.highest
    assert all(lowest <= n.pitch.string <= highest for n in result.part.notes)
    assert result.tune_kept >= 0.7


def test_reduce_prints_levers(tmp_path: Path):
    out = tmp_path / "lever.musicxml"
    done = CliRunner().invoke(
        gentler,
        ["reduce", CHORALE, "--tier", "school", "--harp", "lever-34", "--tuning", "best", "--out",
         str(out), "--json"],
    )
    assert done.exit_code == 0, done.output
    document = json.loads(done.stdout)
    assert {t["tuning"] for t in document["tunings"]} == set(TUNINGS)
    assert "Levers" in out.read_text("utf-8")
    assert schema_faults(out.read_bytes()) == ()


def test_tuning_is_refused_for_pedals(tmp_path: Path):
    done = CliRunner().invoke(gentler, ["assess", CHORALE, "--part", "Soprano", "--tuning", "C"])
    assert "lever harps" in str(done.exception)


# --- class lists ----------------------------------------------------------------------------------

CLASS = """
name = "Tuesday class"
[[player]]
name = "Ana"
tier = "amateur"
[[player]]
name = "Bo"
tier = "school"
harp = "lever-34"
[[player]]
name = "Cy"
tier = "school"
harp = "lever-34"
[[player]]
name = "Dee"
tier = "beginner"
harp = "lever-22"
small_hands = true
"""


def test_a_class_gets_its_parts(tmp_path: Path):
    """Everybody a playable part on their own harp; equal abilities share one version."""
    listed, out = tmp_path / "class.toml", tmp_path / "out"
    listed.write_text(CLASS, "utf-8")
    done = CliRunner().invoke(
        gentler, ["class", CHORALE, "--list", str(listed), "--out", str(out), "--quiet"]
    )
    assert done.exit_code == 0, done.output
    rows = json.loads((out / "result.json").read_text("utf-8"))["players"]
    assert [row["player"] for row in rows] == ["Ana", "Bo", "Cy", "Dee"]
    _, players = load_class(str(listed))
    for row, player in zip(rows, players, strict=True):
        part = select_part(open_score(str(out / row["file"]))).part
        assert find_faults(perform(part, player)) == (), player.name
    bo, cy = ((out / rows[k]["file"]).read_text("utf-8") for k in (1, 2))
    assert bo.replace("(Bo)", "") == cy.replace("(Cy)", "")
    assert len(open_score(str(out / "all.musicxml")).candidates) == 4
    assert "Dee" in (out / "summary.html").read_text("utf-8")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("name = 'x'", "no players"),
        ("[[player]]\ntier = 'school'", "needs a name"),
        ("[[player]]\nname = 'A'\ntier = 'king'", "no tier 'king'"),
        ("[[player]]\nname = 'A'\n[[player]]\nname = 'A'", "two players"),
        ("[[player]]\nname = 'A'\nhat = 1", "unknown key 'hat'"),
        ("teacher = 'x'", "unknown key 'teacher'"),
        ("[[player", "can't be read"),
    ],
)
def test_class_lists_are_held_to_their_form(tmp_path: Path, text: str, message: str):
    path = tmp_path / "class.toml"
    path.write_text(text, "utf-8")
    with pytest.raises(PlayerError, match=message):
        load_class(str(path))


# --- two harps ------------------------------------------------------------------------------------


def test_nothing_is_lost_by_dividing():
    """Before anything is eased the two shares are the whole."""
    part = gather(open_score(CHORALE)).part
    first, second = divided(basis_of(part, instrument("pedal-47")))
    both = sorted((s.onset, s.pitch.midi) for share in (first, second) for s in share.strikes)
    assert both == sorted((s.onset, s.pitch.midi) for s in part.strikes)


def test_two_harps_share_a_part(tmp_path: Path):
    """Each playable for its own tier, and easier than the whole."""
    out = tmp_path / "duo"
    done = CliRunner().invoke(
        gentler,
        ["duo", CHORALE, "--tiers", "amateur,school", "--out", str(out), "--quiet", "--json"],
    )
    assert done.exit_code == 0, done.output
    rows = json.loads(done.stdout)["players"]
    for row in rows:
        part = select_part(open_score(str(out / row["file"]))).part
        assert find_faults(perform(part, tier_player(row["tier"]))) == ()
        assert row["within_tier"]
    whole = perform(gather(open_score(CHORALE)).part, tier_player("amateur"))
    assert len(whole.strikes) > max(row["notes"][1] for row in rows)
    assert schema_faults((out / "all.musicxml").read_bytes()) == ()


def test_chromatic_chords_go_to_two_harps_by_turns():
    """Major triads a semitone apart (a chain of them through one octave costs 20 pedals, computed),
    two a second: too fast for an amateur's feet, and for two pairs that share every chord; by turns
    no pedal is late, and nothing is lost."""
    chords = [
        "[C4 E4 G4]", "[D♭4 F4 A♭4]", "[D4 F♯4 A4]", "[E♭4 G4 B♭4]", "[E4 G♯4 B4]", "[F4 A4 C5]",
        "[G♭4 B♭4 D♭5]", "[G4 B4 D5]",
    ]
    bars = " | ".join(f"{' '.join(c + ':1' for c in chords[i:i + 4])} ; r:4" for i in (0, 4))
    part = parse_part(f"4/4 tempo:120 | {bars} | [C4 E4 G4]:4 ; C3:4")
    player = tier_player("amateur")
    duo = duo_of(Gathered(part, (), (), (), ()), player, player)

    def late(one):
        return [f.rule for f in find_faults(perform(one, player)) if f.rule.startswith("pedal")]

    assert late(part)
    assert duo.by_turns
    assert not any(late(desk.basis.part) for desk in duo.desks)
    both = sorted((s.onset, s.pitch.midi) for d in duo.desks for s in d.basis.part.strikes)
    assert both == sorted((s.onset, s.pitch.midi) for s in part.strikes)


def test_diatonic_music_is_not_played_by_turns():
    """One harp would wait for the other for nothing."""
    part = gather(open_score(CHORALE)).part
    assert not duo_of(
        Gathered(part, (), (), (), ()), tier_player("amateur"), tier_player("school")
    ).by_turns


def test_the_left_hand_is_freed_for_a_lever():
    """One rolled chord in the right hand frees the left for the lever: before, the B natural of a
    harp in E flat comes too soon; after, its lever is turned in time and it stays."""
    player = tier_player("amateur", "lever-34")
    part = parse_part(
        "4/4 tempo:72 key:-3 | G4:1 B♭4 A♭4 G4 ; E♭3:1 G3 B♭3 G3 |"
        " G4:1 A♭4 G4 B4 ; E♭3:1 E♭4 D4 D4 | C5:4 ; C3:4"
    )
    basis = basis_of(part, player.harp)
    freed = assembled(basis, {1: realise(basis, 1, Dials(free=1), player)})
    faults = [[f.rule for f in find_faults(perform(one, player))] for one in (part, freed)]
    assert faults == [["pedal_time"], []]
    assert sorted(n.pitch.midi for n in part.notes) == sorted(n.pitch.midi for n in freed.notes)
    assert {n.pitch.name for n in freed.notes if n.has("arpeggio")} == {"D4", "G4"}
    eased = ease(basis, player)
    assert eased.reached
    assert eased.dials[1] == Dials(free=1)
