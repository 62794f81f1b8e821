"""Where a pedal setting is printed again: rehearsal marks and glissandi."""

from __future__ import annotations

from simplify.api import pedal_marks
from simplify.harp.player import tier_player
from simplify.technique.pedals import plan_pedals
from tests.support_xml import attributes, direction, load, note, score

REHEARSAL = direction("<rehearsal>A</rehearsal>")


def shown(*bars):
    """(bar, beat, kind) of the marks of a harp part."""
    part = load(score([attributes(1) + bars[0], *bars[1:]])).part
    player = tier_player("soloist")
    plan = plan_pedals(part, player)
    marks = pedal_marks(player.harp, plan, part, part.bars[0].onset, part.end)
    for mark in marks:
        if mark.kind == "setting":
            assert dict(mark.positions) == dict(
                zip("DCBEFGA", plan.setting_at(mark.onset), strict=True)
            )
    return [(*part.place(mark.onset), mark.kind) for mark in marks]


def slide(pitch, kind):
    return note(pitch, 2, notations=f'<glissando type="{kind}" number="1"/>')


def test_a_rehearsal_mark_shows_the_setting_again():
    """Players start there (common practice), whether a pedal has moved or not."""
    bars = [note("C4", 4), note("F#4", 4), note("F4", 4), REHEARSAL + note("C4", 4)]
    settings = [row for row in shown(*bars) if row[2] == "setting"]
    assert settings == [("1", 1.0, "setting"), ("4", 1.0, "setting")]


def test_a_glissando_shows_the_setting_it_sweeps():
    """Every string sounds, so every pedal counts; a second one in the same setting next to it says
    nothing new."""
    sweep = slide("C4", "start") + slide("C6", "stop")
    bars = [note("C4", 4), note("F#4", 4), note("F4", 4), sweep, sweep, note("C4", 4)]
    settings = [row for row in shown(*bars) if row[2] == "setting"]
    assert settings == [("1", 1.0, "setting"), ("4", 1.0, "setting")]


def test_moves_at_that_place_are_still_said():
    """The setting is that after the moves; each move has its word beside it or before."""
    quarters = [note(name, 1) for name in ("E4", "F#4", "G4", "A4", "E4", "F4", "G4", "A4")]
    bars = ["".join(quarters[:4]), note("r", 4), REHEARSAL + "".join(quarters[4:])]
    rows = shown(*bars)
    assert ("3", 1.0, "setting") in rows
    assert [kind for _, _, kind in rows].count("move") == 1
