"""Proposals for the whole piece: they keep the notes, do what they say, and open elsewhere."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import music21
import pytest

from simplify import api
from simplify.arrange.numbers import numbers
from simplify.arrange.proposals import KINDS, Proposal, proposals_for
from simplify.difficulty.load import read_for
from simplify.harp.player import tier_player
from simplify.score.model import Part
from simplify.score.others import with_others
from simplify.score.read import LoadedPart, open_score, select_part
from simplify.technique.pedals import plan_pedals

AMATEUR = tier_player("amateur")
BARS = 17, 20  # indices; two passages of a song whose piano part is fast and chromatic


@pytest.fixture(scope="module")
def song() -> LoadedPart:
    score = open_score(str(music21.corpus.getWork("beach/prayer_of_a_tired_child")))
    return with_others(select_part(score, "Piano"))


@pytest.fixture(scope="module")
def solo(song: LoadedPart) -> LoadedPart:
    """The same piano part as if nobody sang."""
    return replace(song, part=replace(song.part, around=()))


@pytest.fixture(scope="module")
def found(solo: LoadedPart) -> dict[str, Proposal]:
    before = read_for(solo.part.window(*BARS), AMATEUR)
    rows = proposals_for(solo, *BARS, AMATEUR, before, keys=True)
    return {one.kind.name: one for one in rows}


def sounds(part: Part, up: int = 0) -> list[tuple[int, int]]:
    return sorted((s.onset, s.pitch.midi + up) for s in part.strikes if not s.lead)


def test_every_kind_is_documented_and_found(found: dict[str, Proposal]) -> None:
    assert set(found) == {kind.name for kind in KINDS}
    for kind in KINDS:
        assert [heading for heading, _ in kind.text] == list(api.HEADINGS)


def test_a_slower_tempo_is_the_fastest_that_serves(
    solo: LoadedPart, found: dict[str, Proposal]
) -> None:
    """No note changes; all marks fall by one share; a step faster would not be within the tier."""
    one = found["slower_tempo"]
    (slow,) = one.parts
    assert slow.notes == solo.part.notes
    shares = [a.quarters / b.quarters for a, b in zip(slow.tempo, solo.part.tempo, strict=True)]
    assert max(shares) - min(shares) < 0.02
    reading = read_for(slow.window(*BARS), AMATEUR)
    assert one.within
    assert reading.verdict.within
    assert not reading.faults
    share = shares[0] + numbers("proposals")["step"]
    marks = tuple(replace(m, quarters=m.quarters * share) for m in solo.part.tempo)
    faster = read_for(replace(solo.part, tempo=marks).window(*BARS), AMATEUR)
    assert not faster.verdict.within or faster.faults


def test_another_key_moves_every_note_alike_and_saves_moves(
    solo: LoadedPart, found: dict[str, Proposal]
) -> None:
    """Intervals stay (but for notes folded back onto the harp), and the pedal planner itself
    confirms that the piece needs fewer moves there, or leaves fewer needs unmet."""
    (moved,) = found["another_key"].parts
    shifts = {
        (b.pitch.midi - a.pitch.midi) % 12
        for a, b in zip(solo.part.notes, moved.notes, strict=True)
    }
    assert len(shifts) == 1
    plans = [plan_pedals(part, AMATEUR) for part in (solo.part, moved)]
    before, after = ((len(plan.unmet), len(plan.moves)) for plan in plans)
    assert after < before


def test_two_harps_share_every_note_out(solo: LoadedPart, found: dict[str, Proposal]) -> None:
    """Each pluck of the piece is one player's."""
    one, two = found["two_harps"].parts
    together = {*sounds(one), *sounds(two)}
    assert not {*sounds(one)} & {*sounds(two)}
    assert together == {*sounds(solo.part)}


def test_where_others_play_the_key_stays(song: LoadedPart) -> None:
    before = read_for(song.part.window(*BARS), AMATEUR)
    rows = proposals_for(song, *BARS, AMATEUR, before, keys=True)
    assert "another_key" not in {one.kind.name for one in rows}


def test_nothing_is_proposed_for_what_is_within(solo: LoadedPart) -> None:
    soloist = tier_player("soloist")
    easy = replace(solo.part, notes=solo.part.notes[:2])
    before = read_for(easy.window(*BARS), soloist)
    assert proposals_for(replace(solo, part=easy), *BARS, soloist, before, keys=True) == ()


def test_they_are_written_and_open_elsewhere(tmp_path: Path) -> None:
    """--also: a score each, that music21 reads, with the tempo it names; result.json lists them."""
    path = str(music21.corpus.getWork("schoenberg/opus19/movement2"))
    result = api.rewrite_score(
        api.Request(path, bars="3-4", tier="amateur"), count=1, keys=True, workers=1
    )
    assert result.also
    _, _, proposed = api.write_rewrites(result, tmp_path / "out", also=True)
    told = json.loads((tmp_path / "out" / "result.json").read_text("utf-8"))["also_possible"]
    assert [tuple(row["files"]) for row in told] == list(proposed)
    for one, names in zip(result.also, proposed, strict=True):
        assert len(names) == len(one.parts)
        for part, name in zip(one.parts, names, strict=True):
            opened = music21.converter.parse(tmp_path / "out" / name)
            marks = list(opened.recurse().getElementsByClass(music21.tempo.MetronomeMark))
            if one.kind.name == "slower_tempo":
                assert marks[0].getQuarterBPM() == pytest.approx(part.tempo[0].quarters)
            plucked = [
                n.pitch.midi for member in opened.recurse().notes
                if not member.duration.isGrace
                for n in (member.notes if member.isChord else (member,))
                if n.tie is None or n.tie.type == "start"
            ]
            assert sorted(plucked) == sorted(midi for _, midi in sounds(part))
