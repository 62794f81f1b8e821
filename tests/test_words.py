"""What reports tell in words: bars in lists, and long lists of steps told together."""

import pytest

from simplify.report.results import Step
from simplify.report.words import MANY_STEPS, bar_list_words, steps_words
from simplify.score.text import parse_passage

PART = parse_passage("4/4 " + "| C5:4 ; C3:4 " * 24).part


def step(bar: str, text: str, strategy: str = "thin_fifths", hand: str = "left hand") -> Step:
    title = "Leave the fifths of chords out" if strategy == "thin_fifths" else "Another"
    return Step(strategy, title, bar, bar, hand, f"{hand}: {text}", 1.0, 0.01)


@pytest.mark.parametrize(("bars", "words"), [
    ([4], "bar 5"),
    ([4, 5, 6], "bars 5-7"),
    ([8, 4, 6, 9, 10], "bars 5, 7 and 9-11"),
    ([0, 2], "bars 1 and 3"),
])
def test_bars_in_a_list(bars: list[int], words: str):
    assert bar_list_words(PART, bars) == words


def test_the_same_act_is_told_once_with_all_its_bars():
    told = steps_words(PART, [step("1", "X goes"), step("2", "Y goes"), step("3", "X goes")])
    assert told == ("bars 1 and 3, left hand: X goes", "bar 2, left hand: Y goes")


def test_long_lists_are_gathered_by_strategy_and_hand():
    """Every bar of every step is still named, and nothing of another hand is mixed in."""
    steps = [step(str(n), f"chord {n} goes") for n in range(1, MANY_STEPS + 2)]
    steps += [step("20", "Z goes", hand="right hand"), step("22", "W goes", "other")]
    assert steps_words(PART, steps) == (
        f"bars 1-{MANY_STEPS + 1}, left hand: leave the fifths of chords out",
        "bar 20, right hand: Z goes",
        "bar 22, left hand: W goes",
    )


def test_short_lists_stay_as_they_are():
    steps = [step(str(n), f"chord {n} goes") for n in range(1, MANY_STEPS + 1)]
    assert steps_words(PART, steps) == tuple(f"bar {s.first}, {s.text}" for s in steps)
