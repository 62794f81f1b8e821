"""A rewrite's edits told in words, one after the other and together."""

from dataclasses import replace

from simplify.counted import counted
from simplify.harp.player import tier_player
from simplify.report.steps import steps_of
from simplify.score.model import Edit, Part
from simplify.score.text import parse_passage

PART = parse_passage("3/4 | G5:3 ; [G2 D3 B3]:3 | A5:3 ; [D3 A3 F♯4]:3").part
TITLES = {"one": "One", "two": "Two"}


def without(part: Part, strategy: str, reason: str, *names: str) -> Edit:
    """Leaves notes out of the second staff."""
    gone = frozenset(n.id for n in part.notes if n.staff == 2 and n.pitch.name in names)
    return Edit(gone, (), reason, strategy)


def told(*edits: Edit) -> list[str]:
    """The words of the steps."""
    player = tier_player("amateur")
    return [step.text for step in steps_of(PART, edits, 0, 1, player, {}, TITLES)]


def test_what_comes_of_two_steps_on_one_chord_is_told_with_the_second():
    one = without(PART, "one", "left hand: takes B3 away", "B3")
    two = without(PART, "two", "left hand: G2 D3 B3 becomes G2 B3", "D3")
    assert told(one, two) == [one.reason, f"{two.reason}; in the end: G2"]
    other = without(PART, "two", "left hand: D3 A3 F♯4 becomes D3 F♯4", "A3")
    assert told(one, other) == [one.reason, other.reason]


def test_a_chord_that_two_steps_take_away_leaves_a_rest():
    one = without(PART, "one", "left hand: G2 alone goes", "G2", "B3")
    two = without(PART, "two", "left hand: D3 goes", "D3")
    assert told(one, two)[1].endswith("; in the end: a rest")


def test_credits_add_up_whatever_is_told():
    player = tier_player("amateur")
    one = without(PART, "one", "left hand: takes B3 away", "B3")
    two = replace(one, remove=without(PART, "two", "", "A3").remove, strategy="two")
    steps = steps_of(PART, (one, two), 0, 1, player, {}, TITLES)
    both = replace(one, remove=one.remove | two.remove)
    (whole,) = steps_of(PART, (both,), 0, 1, player, {}, TITLES)
    assert abs(sum(step.distance for step in steps) - whole.distance) < 1e-12
    assert abs(sum(step.difficulty_drop for step in steps) - whole.difficulty_drop) < 1e-9


def test_one_and_many():
    assert [counted(n, "bar") for n in (0, 1, 2)] == ["0 bars", "1 bar", "2 bars"]
    assert counted(1, "bar is", "bars are") == "1 bar is"
    assert counted(0, "bar is", "bars are") == "0 bars are"
