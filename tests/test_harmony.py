"""Harmony segments (simplify/score/harmony.py)."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simplify.score.harmony import harmonies, named, scored, table
from simplify.score.model import TICKS, Part, Passage
from simplify.score.text import parse_passage
from tests.support_corpus import analysed, change_points, f_score, marked_points, predicted_points
from tests.support_performance import harp_parts, respelled, shifted

NAMES = ("C", "C♯", "D", "E♭", "E", "F", "F♯", "G", "A♭", "A", "B♭", "B")


def read(text: str) -> list[tuple[float, str, str]]:
    """(beat from the start, root, kind) of each harmony of one-line text."""
    return [
        (h.onset / TICKS, NAMES[h.root], h.kind) for h in harmonies(parse_passage(text))
    ]


SLICES = st.lists(
    st.tuples(
        st.lists(st.integers(0, 8), min_size=12, max_size=12), st.integers(1, 4), st.booleans()
    ),
    min_size=1, max_size=24,
)


@settings(deadline=None)  # the first call may compile
@given(SLICES)
def test_segments_score_what_their_features_say(rows: list[tuple[list[int], int, bool]]):
    """Scored slice by slice, a segment comes to the product of its features and the weights:
    pitch-class weights, their sum, which are heard, which is lowest (`Chords.scoring`)."""
    chords, weights = table()
    profile = np.array([row for row, _, _ in rows], dtype=float) / 4.0
    lowest = [36 + int(np.flatnonzero(row)[0]) if row.any() else 999 for row in profile]
    beats = np.cumsum([0.0, *(length for _, length, _ in rows)]).tolist()
    fresh = [after for _, _, after in rows]
    segments = list(scored(profile, lowest, beats, fresh, chords, weights))
    longest = weights["longest_beats"] + 1e-3
    assert [(start, end) for start, end, _, _ in segments] == [
        (start, end)
        for start in range(len(rows))
        for end in range(start + 1, len(rows) + 1)
        if end == start + 1 or (not any(fresh[start + 1 : end])
        and beats[end] - beats[start] <= longest)
    ]
    for start, end, label, score in segments:
        heard = profile[start:end].sum(axis=0)
        low = min(lowest[start:end])
        bass = np.arange(12) == (low % 12 if low < 999 else -1)
        features = np.concatenate((heard, [heard.sum()], heard > 0.0, bass))
        fit = features @ chords.scoring + chords.constant
        assert score == pytest.approx(fit.max())
        assert fit[label] == pytest.approx(fit.max())


def whole(part: Part) -> Passage:
    return Passage(part, 0, len(part.bars) - 1)


def test_stretches_without_a_note_are_silent():
    passage = parse_passage("4/4 | r:4 | r:4")
    found = named(passage, [0, 2 * TICKS, 8 * TICKS])
    assert [(h.onset, h.end, h.kind) for h in found] == [
        (0, 2 * TICKS, "silence"), (2 * TICKS, 8 * TICKS, "silence")
    ]


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        (  # broken chords, one harmony a bar
            "4/4 | C4:1/2 E4 G4 C5 E5 C5 G4 E4 ; C3:4 | F4:1/2 A4 C5 F5 A5 F5 C5 A4 ; F2:4",
            [(0, "C", "major"), (4, "F", "major")],
        ),
        (  # a waltz bass: the bass note and the chord after it are one harmony
            "3/4 | E5:3 ; C3:1 [E4 G4]:1 [E4 G4]:1 | D5:3 ; G2:1 [F4 B4]:1 [F4 B4]:1",
            [(0, "C", "major"), (3, "G", "dominant seventh")],
        ),
        (  # passing notes of a tune change nothing under a held chord
            "4/4 | G5:1 F5 E5 D5 ; [C3 E3 G3]:4 | C5:2 B4:2 ; [F3 A3]:2 [G3 B3]:2",
            [(0, "C", "major"), (4, "F", "major"), (6, "G", "major")],
        ),
        (  # chromatic triads on every beat
            "4/4 | [C4 E4 G4]:1 [D♭4 F4 A♭4] [D4 F♯4 A4] [E♭4 G4 B♭4] ; -",
            [(0, "C", "major"), (1, "C♯", "major"), (2, "D", "major"), (3, "E♭", "major")],
        ),
    ],
)
def test_textures_read_as_a_musician_would(
    text: str, wanted: list[tuple[float, str, str]]
) -> None:
    assert read(text) == wanted


def test_letters_name_the_root_of_a_diminished_seventh() -> None:
    """The four roots sound the same; the one the letters stack in thirds on is named."""
    assert read("4/4 | [F♯4 A4 C5 E♭5]:4 ; -") == [(0, "F♯", "diminished seventh")]
    assert read("4/4 | [F♯4 A4 C5 D♯5]:4 ; -") == [(0, "E♭", "diminished seventh")]


def test_a_chord_without_third_has_none() -> None:
    (harmony,) = harmonies(parse_passage("4/4 | [C4 G4]:4 ; C3:4"))
    assert (harmony.kind, harmony.third) == ("open fifth", None)
    (harmony,) = harmonies(parse_passage("4/4 | [C4 E♭4 G4]:4 ; C3:4"))
    assert (harmony.kind, harmony.third) == ("minor", 3)


def test_a_silent_passage_is_one_silence() -> None:
    (harmony,) = harmonies(parse_passage("4/4 | r:4 ; - | - "))
    assert (harmony.kind, harmony.classes) == ("silence", frozenset())
    assert (harmony.onset, harmony.end) == (0, 8 * TICKS)


@settings(max_examples=40, deadline=None)
@given(harp_parts())
def test_harmonies_cover_the_passage_end_to_end(part: Part) -> None:
    """No gap, no overlap, each with its root among its tones, neighbours unlike (but for those that
    a bar of silence parts)."""
    found = harmonies(whole(part))
    assert found[0].onset == part.bars[0].onset
    assert found[-1].end == part.end
    for before, after in pairwise(found):
        assert before.end == after.onset
        if (before.root, before.classes) == (after.root, after.classes):
            last = max(n.end for n in part.notes if n.onset < after.onset)
            assert after.onset - last >= 4 * TICKS
    for harmony in found:
        assert harmony.onset < harmony.end
        assert harmony.kind == "silence" or harmony.root in harmony.classes


@settings(max_examples=30, deadline=None)
@given(harp_parts())
def test_an_empty_bar_before_shifts_the_harmonies_and_no_more(part: Part) -> None:
    before, after = harmonies(whole(part)), harmonies(whole(shifted(part)))
    length = part.bars[0].metre_ticks
    assert [(h.end + length, h.root, h.kind) for h in before] == [
        (h.end, h.root, h.kind) for h in after
    ]


@settings(max_examples=30, deadline=None)
@given(harp_parts())
def test_spelling_does_not_move_a_harmony(part: Part) -> None:
    """Letters name the roots of symmetric chords; cuts and tones come from the sounds alone."""
    assert [(h.onset, h.classes) for h in harmonies(whole(part))] == [
        (h.onset, h.classes) for h in harmonies(whole(respelled(part)))
    ]


def test_harmonies_are_kept_per_part_and_bars() -> None:
    """The same bars of the same part give the very same tuple; another version does not."""
    passage = parse_passage("4/4 | [C4 E4 G4]:4 ; - | [D4 F4 A4]:4 ; -")
    assert harmonies(passage) is harmonies(Passage(passage.part, 0, 1))
    assert harmonies(Passage(passage.part, 1, 1))[0].root == 2
    thinned = replace(passage.part, notes=passage.part.notes[3:])
    assert harmonies(whole(thinned))[0].root == 2


BACH = tuple(
    f"bach/choraleAnalyses/riemenschneider{n:03d}" for n in (1, 3, 5, 7, 9, 12, 14, 16, 18, 20)
)
MONTEVERDI = tuple(f"monteverdi/madrigal.{n}" for n in ("3.3", "3.6", "3.10", "3.13", "4.12"))


@pytest.mark.parametrize(("names", "least"), [(BACH, 0.87), (MONTEVERDI, 0.8)])
def test_change_points_agree_with_published_analyses(
    names: tuple[str, ...], least: float
) -> None:
    """F1 of the change points against the Roman-numeral analyses that music21's corpus carries
    (chorales: A. Jones, proofread by D. Tymoczko and H. Robb; madrigals: Tymoczko). None of these
    pieces was used to fit chords.toml. A point agrees at the same bar and beat, no tolerance. The
    baselines change on every beat and at every bar."""
    totals = {"ours": [0, 0, 0], "every beat": [0, 0, 0], "every bar": [0, 0, 0]}
    for name in names:
        part, analysis = analysed(name)
        wanted = change_points(analysis, part)
        for how, found in (
            ("ours", predicted_points(part)),
            ("every beat", marked_points(part, beats=True)),
            ("every bar", marked_points(part, beats=False)),
        ):
            for at, value in enumerate((len(found & wanted), len(found), len(wanted))):
                totals[how][at] += value
    scores = {how: f_score(*row) for how, row in totals.items()}
    assert scores["ours"] >= least
    assert scores["ours"] > scores["every beat"] + 0.03
    assert scores["ours"] > scores["every bar"] + 0.3
