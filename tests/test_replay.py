"""result.json holds what made each alternative: its edits replayed, its credits added up."""

import json
from pathlib import Path

import pytest

from simplify import api
from simplify.report import document
from simplify.report.replay import replay
from simplify.report.results import RewriteResult
from simplify.score.model import Passage
from simplify.strategy import Keeps, broken_promises

LAMP = Path(__file__).resolve().parent.parent / "examples" / "the_lamp_relit.musicxml"


@pytest.fixture(scope="module")
def result() -> RewriteResult:
    request = api.Request(str(LAMP), bars="11-14", tier="amateur")
    return api.rewrite_score(request, keep="melody", count=3, workers=1)


@pytest.fixture(scope="module")
def written(result: RewriteResult) -> dict:
    names = [f"{one.rank}.musicxml" for one in result.alternatives]
    return json.loads(json.dumps(document.of_rewrites(result, names)))


def test_edits_replay_to_the_alternative(result: RewriteResult, written: dict):
    """From the source and the document alone, note for note."""
    assert written["alternatives"]
    for one, row in zip(result.alternatives, written["alternatives"], strict=True):
        assert replay(result.part, row["edits"]).notes == one.part.notes


def test_credits_add_up(written: dict):
    """What the steps are credited with is the whole drop and the whole distance."""
    for row in written["alternatives"]:
        drops = sum(step["difficulty_drop"] for step in row["steps"])
        assert drops == pytest.approx(row["difficulty_drop"], abs=0.01)
        far = sum(step["distance"] for step in row["steps"])
        assert far == pytest.approx(row["distance"], abs=0.001)


def test_kept_whatever_the_strategies_say(result: RewriteResult):
    """--keep melody, read off the finished alternatives."""
    source = Passage(result.part, result.first, result.last)
    for one in result.alternatives:
        assert broken_promises(source, source.of(one.part), Keeps.MELODY) == Keeps.NOTHING


def test_a_claimed_tier_has_no_stretch_above_it(result: RewriteResult):
    """Minimax: every run of bars of an alternative within the tier is within it too."""
    from simplify.difficulty.load import read_for

    for one in result.alternatives:
        if not one.within:
            continue
        bars = one.part.window(result.first, result.last)
        assessment = read_for(bars, result.player).assessment
        assert assessment.difficulty <= result.player.rules.max_load + 1e-6
        assert all(
            stretch.difficulty <= result.player.rules.max_load + 1e-6
            for stretch in assessment.stretches
        )
