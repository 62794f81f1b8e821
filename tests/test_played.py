"""What is written is what is played: notes on their synonym strings get those strings' letters
(Canton & Overlach, Composing for Harp: a harpist may read enharmonically; write what is played)."""

import json

import music21
import pytest

from simplify import api
from simplify.difficulty.load import assess
from simplify.distance import distance
from simplify.harp.player import tier_player
from simplify.report.replay import replay
from simplify.score.graft import emit_part
from simplify.score.model import Part, Passage
from simplify.score.read import load_part, open_score, select_part
from simplify.score.text import parse_passage
from simplify.search.played import as_played
from simplify.sense import slips
from simplify.strategy import ALL_KEPT, Keeps, broken_promises
from simplify.technique.perform import perform

NEAR = "3/4 key:2 tempo:120 | D5:1/2 D#5 D5 D#5 D5 D#5 ; - | D5:1/2 D#5:5/2 ; D3:3"
"""D and D sharp in turn: the E string as E flat spares the D pedal its moves."""


def written(part: Part) -> list[str]:
    """Names of what is struck, in order."""
    return [strike.pitch.name for strike in part.strikes]


def played(part: Part) -> tuple[tuple[str, ...], int, float]:
    """Names of the strings it is played on, the moves and the cost."""
    plan = perform(part, tier_player("amateur")).pedal_plan
    return tuple(pitch.name for pitch in plan.played), len(plan.moves), plan.cost


def test_each_bar_gets_the_letters_of_its_strings():
    part = parse_passage(NEAR).part
    performance = perform(part, tier_player("amateur"))
    edits = as_played(Passage(part, 0, 1), performance)
    assert [edit.reason for edit in edits] == ["right hand: D♯ as E♭, as the pedals stand"] * 2
    new = part.apply_all(edits)
    assert written(new) == [name.replace("D♯", "E♭") for name in written(part)]
    before, after = played(part), played(new)
    assert after[:2] == (tuple(written(new)), before[1])
    assert after[2] < before[2]
    assert as_played(Passage(new, 0, 1), perform(new, tier_player("amateur"))) == ()


def test_only_the_bars_asked_for_and_no_half_of_a_tie():
    part = parse_passage(
        "3/4 key:2 tempo:120 | D5:1/2 D#5 D5 D#5 D5 D#5~ ; - | D#5:3 ; D3:3"
    ).part
    performance = perform(part, tier_player("amateur"))
    assert as_played(Passage(part, 1, 1), performance) == ()
    (first,) = as_played(Passage(part, 0, 0), performance)
    letters = ["D5", "E♭5", "D5", "E♭5", "D5", "D♯5", "D3"]
    assert written(part.apply(first)) == letters


@pytest.mark.parametrize(
    "name", ["chopin/mazurka06-2", "schumann_clara/polonaise_op1n4", "cpebach/h186"]
)
def test_real_music_written_so_is_the_same_music(name):
    """Sixteen bars of music21's corpus: no distance, no slip, no promise broken; as hard, the same
    moves, and nothing on a synonym string any more."""
    path = str(music21.corpus.getWork(name))
    part = select_part(open_score(path, bare=True)).part.window(0, 15)
    player, source = tier_player("amateur"), Passage(part, 0, 15)
    before = perform(part, player)
    new = part.apply_all(as_played(source, before))
    after = perform(new, player)
    assert new.notes != part.notes
    assert distance(source, source.of(new)).total == 0.0
    assert slips(source, source.of(new)) == ()
    assert broken_promises(source, source.of(new), ALL_KEPT) == Keeps.NOTHING
    assert assess(after).difficulty == pytest.approx(assess(before).difficulty, abs=1e-9)
    assert after.pedal_plan.moves == before.pedal_plan.moves
    assert written(new) == [pitch.name for pitch in after.pedal_plan.played]


def test_rewrites_are_written_as_they_are_played(tmp_path):
    """A bass of D and D sharp under quick notes: every alternative says that the E string gives the
    D sharp, by a step of its own, and the files that come out are read so."""
    bar = "D5:1/4 F#5 A5 D6 A5 F#5 D5 F#5 A5 D6 A5 F#5 ; D3:1/2 A3 D#3 A3 D3 A3"
    source = tmp_path / "bass.musicxml"
    part = parse_passage(f"3/4 key:2 tempo:132 | {bar} | {bar}").part
    source.write_bytes(emit_part(part, "Bass"))
    request = api.Request(str(source), tier="school")
    result = api.rewrite_score(request, count=3, workers=1)
    told, names, _ = api.write_rewrites(result, tmp_path / "easier")
    assert any("D♯ as E♭" in step.text for one in told.alternatives for step in one.steps)
    quick = {(n.onset, n.staff, n.pitch.midi, n.duration) for n in result.part.notes}
    for one in told.alternatives:
        for note in one.part.notes:
            if (note.onset, note.staff, note.pitch.midi, note.duration) in quick:
                assert note.id not in one.changed  # another letter is no new note
    document = json.loads((tmp_path / "easier" / "result.json").read_text())
    rows, counts = document["alternatives"], document["statistics"]
    steps = [{step["strategy"] for step in row["steps"]} for row in rows]
    for name, count in counts.items():
        assert count["used"] == sum(name in row for row in steps)
    for one, name, row in zip(told.alternatives, names, rows, strict=True):
        part = select_part(open_score(str(tmp_path / "easier" / name))).part
        plan = perform(part, result.player).pedal_plan
        assert written(part) == [pitch.name for pitch in plan.played]
        assert "D♯3" not in written(part)
        assert replay(result.part, row["edits"]).notes == one.part.notes


def test_arrangements_are_written_so_too(tmp_path):
    """The score of a part and its plan has the strings' letters, the same moves and fingers."""
    source = tmp_path / "near.musicxml"
    part = parse_passage(NEAR).part
    source.write_bytes(emit_part(part, "Near"))
    score = open_score(str(source))
    loaded = load_part(score, score.candidates[0])
    performance = perform(loaded.part, tier_player("amateur"))
    out = tmp_path / "out.musicxml"
    out.write_bytes(api.harp_score(loaded.part, performance, loaded, "Near", fingering=True))
    again = select_part(open_score(str(out))).part
    assert written(again) == [pitch.name for pitch in performance.pedal_plan.played]
    fingers = [
        int(mark.value) for note in again.notes for mark in note.marks if mark.kind == "finger"
    ]
    assert fingers == [finger for finger in performance.hand_plan.fingers if finger]
