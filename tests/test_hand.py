"""Columns held against a player's limits."""

import pytest

from simplify.harp.hand import (
    blurred,
    can_come,
    hurried,
    over_full,
    over_wide,
    placing_seconds,
    thin_chords,
)
from simplify.harp.player import tier_player
from simplify.score.edits import columns, row
from simplify.score.text import format_passage, parse_passage, parse_pitch

AMATEUR = tier_player("amateur").limits
SCHOOL = tier_player("school").limits


def test_full_and_wide_follow_the_tier():
    """Four fingers at most (Rimsky-Korsakov, Principles of Orchestration, ch. I); a pupil's
    three notes and an octave stand in tiers.toml."""
    passage = parse_passage("4/4 | [C4 E4 G4 C5]:2 [C4 D5] ; C3:4")
    full, wide = columns(passage, passage.bars[0], 1)
    assert over_full(full, SCHOOL)
    assert not over_full(full, AMATEUR)
    assert not over_full(full, tier_player("professional").limits)
    assert not over_wide(full, AMATEUR)
    assert not over_wide(wide, AMATEUR)
    assert over_wide(wide, SCHOOL)


def test_hurried_chords():
    """A chord is hurried by the time since the hand's last notes, not by its value."""
    passage = parse_passage("4/4 tempo:60 | [C5 E5 G5]:1/2 [C5 E5 G5]:1 [C5 E5]:1/2 ; C3:4")
    cols = columns(passage, passage.bars[0], 1)
    assert [hurried(passage.part, cols, k, AMATEUR) for k in range(3)] == [False, True, False]


def test_placing_takes_longer_the_further():
    """Time to place never falls with distance, and is flat up to an octave."""
    times = [placing_seconds(k, AMATEUR) for k in range(30)]
    assert times == sorted(times)
    assert times[0] == times[7] == AMATEUR.jump_seconds
    assert times[14] == pytest.approx(AMATEUR.jump_seconds + AMATEUR.jump_octave_seconds)


def test_the_other_hand_must_have_time_to_come():
    """A hand that strikes at the same moment, or far away just before, can't help."""
    passage = parse_passage("4/4 tempo:60 | G4:1 G4 G4:1/4 G4:7/4 ; C4:1 r r:1/8 C1:1/8 r:1/4")
    upper, lower = row(passage, 1), row(passage, 2)
    assert [can_come(passage.part, lower, c, AMATEUR) for c in upper] == [
        False, True, False, False,
    ]


def test_low_close_intervals_blur():
    """Low registers are slow to clear (Rimsky-Korsakov, Principles of Orchestration, ch. I)."""
    notes = {name: parse_pitch(name) for name in ("C2", "E2", "G2", "C3", "E3")}
    assert blurred([notes["C2"], notes["E2"]])
    assert not blurred([notes["C2"], notes["G2"]])
    assert not blurred([notes["C3"], notes["E3"]])
    assert not blurred([notes["C2"], notes["C2"]])


def test_thinning_offers_the_bar_first():
    """The whole bar comes before single chords, and only those past a limit come alone."""
    text = "4/4 | G5:4 ; [C3 E3 G3]:1 [C3 E3 G3] [C3 E3 G3 C4] [C3 E3 G3]"
    passage = parse_passage(text)
    edits = list(
        thin_chords(
            passage, tier_player("school"), lambda column, harmony, offered: offered[1:2],
            "its second note",
        )
    )
    results = [format_passage(passage.of(passage.part.apply(e))) for e in edits if e]
    expected = [
        "4/4 | G5:4 ; [C3 G3]:1 [C3 G3] [C3 G3 C4] [C3 G3]",
        "4/4 | G5:4 ; [C3 E3 G3]:1 [C3 E3 G3] [C3 G3 C4] [C3 E3 G3]",
    ]
    assert results == [format_passage(parse_passage(text)) for text in expected]
