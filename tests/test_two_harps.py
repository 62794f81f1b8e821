"""Two harps in one score, beside parts that transpose: each by itself, all at concert pitch."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from simplify.arrange.gather import gather
from simplify.cli import gentler
from simplify.errors import SelectionError
from simplify.score.graft import graft, same_music
from simplify.score.model import Edit, Pitch, changed
from simplify.score.read import load_part, score_from_bytes, select_part
from tests.support_schema import faults
from tests.support_xml import attributes, backup, note, score

CLARINET = (
    "<transpose><diatonic>-1</diatonic><chromatic>-2</chromatic></transpose>"
)


def harp(high: str, low: str, more: str = "") -> list[str]:
    """Three bars of one harp."""
    row = (
        note(high, 4, kind="quarter", staff=1) * 4 + backup(16)
        + note(low, 16, voice="5", kind="whole", staff=2)
    )
    return [attributes(4, staves=2, more=more) + row, row, row]


def document(more: str = "") -> bytes:
    """Two harps and a clarinet in B flat that plays a written D5."""
    reed = note("D5", 16, kind="whole")
    return score(
        harp("C5", "C3"), harp("E5", "G2", more),
        [attributes(4, 2, more=CLARINET) + reed, reed, reed],
        names=("Harp 1", "Harp 2", "Clarinet in B♭"),
    )


def test_which_harp_has_to_be_said():
    """The error lists both by name and id."""
    opened = score_from_bytes(document(), "duet.musicxml")
    assert [c.is_harp for c in opened.candidates] == [True, True, False]
    with pytest.raises(SelectionError, match=r"P1 'Harp 1', P2 'Harp 2'.*--part"):
        select_part(opened)
    assert select_part(opened, "Harp 2").choice.id == "P2"
    with pytest.raises(SelectionError, match="2 parts are called 'harp'"):
        select_part(opened, "harp")


def test_a_rewrite_of_one_leaves_the_other_alone():
    """Every byte outside the changed bar of the second harp is the source's."""
    xml = document()
    loaded = select_part(score_from_bytes(xml, "duet.musicxml"), "Harp 2")
    old = next(n for n in loaded.part.notes if n.bar == 1)
    new = loaded.part.apply(Edit(frozenset([old.id]), (changed(old, pitch=Pitch("F", 0, 5)),), ""))
    written = graft(loaded, new)
    spot = loaded.sources[0].measures[1]
    assert written.startswith(xml[: spot.inner_start])
    assert written.endswith(xml[spot.inner_end :])
    assert faults(written) == ()


def test_everything_is_at_concert_pitch():
    """A clarinet's written D5 sounds C5 (MusicXML 4.0, `<transpose>`), also where parts merge; its
    two sharps are no signs at concert pitch."""
    opened = score_from_bytes(document(), "duet.musicxml")
    clarinet = load_part(opened, opened.candidates[2]).part
    assert {n.pitch.name for n in clarinet.notes} == {"C5"}
    assert {bar.fifths for bar in clarinet.bars} == {0}
    merged = gather(opened, "all").part
    assert {n.pitch.name for n in merged.notes} == {"C5", "C3", "E5", "G2"}
    assert {bar.fifths for bar in merged.bars} == {0}


def test_a_transposing_harp_part_is_read_and_written_in_its_own_pitch():
    """A harp written in C flat's place a semitone up: a written E5 sounds E flat 5; a new F flat 5
    is written F natural 5, and reads back."""
    up = "<transpose><diatonic>0</diatonic><chromatic>-1</chromatic></transpose>"
    loaded = select_part(score_from_bytes(document(up), "duet.musicxml"), "Harp 2")
    assert {n.pitch.name for n in loaded.part.notes} == {"E♭5", "G♭2"}
    old = next(n for n in loaded.part.notes if n.bar == 1)
    fresh = changed(old, pitch=Pitch("F", -1, 5))
    new = loaded.part.apply(Edit(frozenset([old.id]), (fresh,), ""))
    written = graft(loaded, new)
    measure = re.findall(rb'<part id="P2">.*?</part>', written, re.DOTALL)[0]
    assert measure.count(b"<step>F</step>") == 1
    assert b"<step>F</step><alter>" not in re.sub(rb"\s+", b"", measure)
    again = select_part(score_from_bytes(written, "duet.musicxml"), "Harp 2").part
    assert same_music(new, again) == ()


def test_the_commands_take_either_harp(tmp_path: Path):
    """assess and pedals of the second; without a name one line that says how to go on."""
    path = tmp_path / "duet.musicxml"
    path.write_bytes(document())
    done = CliRunner().invoke(gentler, ["assess", str(path), "--part", "Harp 2", "--json"])
    assert done.exit_code == 0, done.output
    assert json.loads(done.stdout)["score"]["part"] == "Harp 2"
    marked = tmp_path / "marked.musicxml"
    done = CliRunner().invoke(
        gentler, ["pedals", str(path), "--part", "P2", "--out", str(marked), "--quiet"]
    )
    assert done.exit_code == 0, done.output
    first, second = (
        re.findall(rb'<part id="P%d">.*?</part>' % i, marked.read_bytes(), re.DOTALL)[0]
        for i in (1, 2)
    )
    assert b"<harp-pedals>" in second
    assert b"<harp-pedals>" not in first
    assert isinstance(CliRunner().invoke(gentler, ["assess", str(path)]).exception, SelectionError)
