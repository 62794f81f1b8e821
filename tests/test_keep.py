"""--keep on real music: each promise read off the written files by music21, whatever the
strategies say of themselves; and alternatives that differ in kind."""

from __future__ import annotations

import tempfile
from functools import cache
from itertools import combinations, pairwise
from pathlib import Path

import music21
import pytest

from simplify import api
from simplify.report.results import RewriteResult
from simplify.report.terminal import of_rewrites
from simplify.score.harmony import Harmony, harmonies
from simplify.score.model import TICKS, Passage
from simplify.technique.fingers import constant
from tests.support_music21 import Heard, notes_of

WINDOWS = (
    ("schumann_clara/polonaise_op1n2", "19-20", "amateur"),
    ("chopin/mazurka06-2", "31-32", "amateur"),
    ("mozart/k545/movement1_exposition", "3-4", "amateur"),
)
HARD = ("chopin/mazurka06-2", "35-37", "school")
Window = tuple[str, str, str]


@cache
def kept(window: Window, keep: str) -> tuple[RewriteResult, list[Heard], list[list[Heard]]]:
    """The result, and what music21 reads in the bars of the source and of each written rewrite."""
    name, bars, tier = window
    path = str(music21.corpus.getWork(name))
    result = api.rewrite_score(
        api.Request(path, bars=bars, tier=tier), keep=keep, count=3, workers=1
    )
    first, last = (int(number) for number in bars.split("-"))
    with tempfile.TemporaryDirectory() as folder:
        _, names, _ = api.write_rewrites(result, Path(folder) / "out")
        new = [
            notes_of(music21.converter.parse(Path(folder) / "out" / name), first, last)
            for name in names
        ]
    return result, notes_of(music21.converter.parse(path), first, last), new


def line(heard: list[Heard]) -> set[tuple[float, int]]:
    """Onset and pitch of what is struck on top of the upper staff."""
    upper = [h for h in heard if h.staff == 1]
    return {
        (h.onset, h.pitch.midi) for h in upper
        if h.pitch.midi == max(o.pitch.midi for o in upper if o.onset <= h.onset < o.end)
    }


def spans(result: RewriteResult, source: list[Heard]) -> list[tuple[float, float, Harmony]]:
    """The source's harmonies in quarter notes as music21 counts them."""
    passage = Passage(result.part, result.first, result.last)
    shift = -passage.bars[0].onset / TICKS
    return [(h.onset / TICKS + shift, h.end / TICKS + shift, h) for h in harmonies(passage)]


def struck(heard: list[Heard], low: float, high: float) -> list[int]:
    return [h.pitch.midi for h in heard if low - 0.01 <= h.onset < high - 0.01]


@pytest.mark.xdist_group("keep_melody")  # one process, so that searches are shared
@pytest.mark.parametrize("window", WINDOWS, ids=lambda w: w[0])
def test_melody(window: Window) -> None:
    _, source, rewrites = kept(window, "melody")
    assert rewrites
    for heard in rewrites:
        assert line(heard) == line(source)


@pytest.mark.parametrize("window", WINDOWS, ids=lambda w: w[0])
def test_rhythm(window: Window) -> None:
    _, source, rewrites = kept(window, "rhythm")
    assert rewrites
    for heard in rewrites:
        assert {h.onset for h in heard} == {h.onset for h in source}


@pytest.mark.parametrize("window", [*WINDOWS, HARD], ids=lambda w: f"{w[0]}:{w[1]}")
def test_bass(window: Window) -> None:
    """Harmony by harmony the lowest strike has the pitch class it had, or the one before rings."""
    result, source, rewrites = kept(window, "bass")
    assert rewrites
    for heard in rewrites:
        ringing = None
        for low, high, _ in spans(result, source):
            old, new = struck(source, low, high), struck(heard, low, high)
            if old:
                now = min(new) % 12 if new else ringing
                assert now == min(old) % 12
                ringing = now


@pytest.mark.parametrize("window", [*WINDOWS, HARD], ids=lambda w: f"{w[0]}:{w[1]}")
def test_harmony(window: Window) -> None:
    """No foreign pitch class comes into a harmony; root and third stay where they were."""
    result, source, rewrites = kept(window, "harmony")
    assert rewrites
    for heard in rewrites:
        for low, high, harmony in spans(result, source):
            old, new = (
                {h.pitch.pitchClass for h in one if h.onset < high - 0.01 and h.end > low + 0.01}
                for one in (source, heard)
            )
            assert new <= old
            assert {harmony.root, harmony.third} & old <= new


def test_a_promise_that_cannot_be_kept_is_said_not_broken() -> None:
    """The kept melody itself strikes a string that has no synonym (D, G or A: common practice)
    again sooner than two hands in turn can: no file is written, the tier is not reached, and the
    report names what was to be kept."""
    window = ("schumann_clara/polonaise_op1n3", "9-10", "school")
    result, source, rewrites = kept(window, "melody")
    quarter = result.part.seconds(TICKS) - result.part.seconds(0)
    tune, limits = sorted(line(source)), result.player.limits
    need = limits.hard_share * constant("other_hand_share") * limits.repeat_seconds
    assert any(
        one[1] == two[1] and one[1] % 12 in (2, 7, 9) and (two[0] - one[0]) * quarter < need
        for one, two in pairwise(tune)
    )
    assert not rewrites
    assert not result.reached
    assert "Kept as asked: melody" in of_rewrites(result, "out", [])


@pytest.mark.xdist_group("keep_melody")
@pytest.mark.parametrize("window", WINDOWS, ids=lambda w: w[0])
def test_alternatives_are_not_copies(window: Window) -> None:
    """By the notes of the written files: at most one pair of alternatives agrees in more than two
    thirds of the bars that either changes, and none in all; one that is beaten in both distance
    and difficulty says that it differs in kind."""
    result, source, rewrites = kept(window, "melody")
    near = 0
    for one, other in combinations(rewrites, 2):
        changed = [
            bar for bar in {h.bar for h in source}
            if sounds(one, bar) != sounds(source, bar) or sounds(other, bar) != sounds(source, bar)
        ]
        apart = sum(sounds(one, bar) != sounds(other, bar) for bar in changed)
        near += apart < len(changed) / 3
    assert near <= 1
    for worse in result.alternatives:
        for better in result.alternatives:
            if (
                better.distance < worse.distance - 1e-9
                and better.difficulty < worse.difficulty - 1e-9
            ):
                assert "differs in kind" in worse.note


def sounds(heard: list[Heard], bar: int) -> set[tuple[float, float, int, int]]:
    return {(h.onset, h.end, h.staff, h.pitch.midi) for h in heard if h.bar == bar}
