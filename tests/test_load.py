"""How layers stack, how length counts, what a tier takes (simplify/difficulty/load.py)."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simplify.difficulty.curve import numbers
from simplify.difficulty.load import (
    LENGTHS,
    Assessment,
    BarLoad,
    assess,
    change_points,
    difficulty_of,
    least_changes,
    level,
    part_of,
    read_bars,
    read_for,
    stack,
    sustained,
    verdict,
)
from simplify.difficulty.tiers import tier_needed
from simplify.harp.player import LAYERS, MODERATE, SIMPLE, tier_names, tier_player
from simplify.score.model import Part
from simplify.score.text import parse_part
from simplify.technique.plan import Fault
from tests.support_performance import (
    by_hand,
    faster,
    followed_by,
    harp_parts,
    same_harmony_until,
    shifted,
)

LOADS = st.lists(st.floats(0.0, 1.0), min_size=6, max_size=6)
EASY = parse_part("4/4 tempo:60 | C5:4 ; C3:4")
HARD = parse_part(
    "4/4 tempo:96 | C5:1/4 E5 D5 F5 E5 G5 F5 A5 G5 B5 A5 C6 B5 D6 C6 E6"
    " ; [C3 G3]:3/4 [E♭3 B♭3] [C♯3 G♯3] [F3 C4] [E3 B3]:1"
)


def made(*bars: tuple[float, ...]) -> Assessment:
    """An assessment of bars with these loads, without music."""
    rows = tuple(
        BarLoad(i, str(i + 1), row, difficulty_of(stack(row)), 2.0)  # type: ignore[arg-type]
        for i, row in enumerate(bars)
    )
    layers, difficulty = read_bars(rows)
    return Assessment((), (), rows, layers, difficulty)


def bar(**layers: float) -> tuple[float, ...]:
    """Six loads, 0.1 where nothing else is said."""
    return tuple(layers.get(name, 0.1) for name in LAYERS)


def fault(text: str = "too wide") -> Fault:
    return Fault("reach", 0, "1", 1.0, "left", text, (0,))


# Stacking


@given(LOADS, LOADS)
def test_layers_stack_more_than_they_add_up(one: list[float], other: list[float]) -> None:
    """Super-additive: layers apart never weigh more than the same layers together."""
    apart = [x if k < 3 else 0.0 for k, x in enumerate(one)]
    rest = [0.0 if k < 3 else x for k, x in enumerate(other)]
    together = [x + y for x, y in zip(apart, rest, strict=True)]
    assert stack(together) >= stack(apart) + stack(rest) - 1e-12


def test_two_complex_layers_are_more_than_twice_one() -> None:
    one, two = bar(fingers=0.8), bar(fingers=0.8, rhythm=0.8)
    none = stack(bar())
    assert stack(two) - none > 2 * (stack(one) - none)


@given(LOADS, st.integers(0, 5), st.floats(0.0, 1.0))
def test_a_greater_load_never_lowers_the_stack(
    loads: list[float], layer: int, more: float
) -> None:
    greater = list(loads)
    greater[layer] = max(loads[layer], more)
    assert stack(greater) >= stack(loads)
    assert 0.0 <= difficulty_of(stack(loads)) <= difficulty_of(stack(greater)) < 100.0


def test_levels() -> None:
    assert [level(x) for x in (0.0, SIMPLE, SIMPLE + 1e-6, MODERATE, MODERATE + 1e-6)] == [
        "simple", "simple", "moderate", "moderate", "complex",
    ]


# Length


@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=24), st.floats(0.0, 1.0))
def test_a_bar_more_never_eases(values: list[float], more: float) -> None:
    """Neither after nor before: the worst stretch stays in the piece."""
    assert sustained([*values, more]) >= sustained(values)
    assert sustained([more, *values]) >= sustained(values)


@given(st.floats(0.01, 1.0))
def test_a_hard_page_reads_harder_than_a_hard_bar(value: float) -> None:
    readings = [sustained([0.0, *[value] * length, 0.0]) for length in LENGTHS]
    assert readings == sorted(readings)
    assert readings[0] < readings[-1] == pytest.approx(value)


@settings(max_examples=40, deadline=None)
@given(harp_parts())
def test_an_easy_bar_at_the_end_does_not_ease_a_hard_one(part: Part) -> None:
    """No layer of the bars before it falls, nor the difficulty that the layers make; but for
    harmonic rhythm: what follows can show that a harmony was not yet over, and the bars within
    the layer's window of there feel it."""
    harmonic = LAYERS.index("harmonic_rhythm")
    whole = by_hand(followed_by(part, replace(EASY, tempo=part.tempo)))
    alone, longer = assess(by_hand(part)), assess(whole)
    felt_from = same_harmony_until(part, whole.part) - numbers("harmonic_rhythm")["window"]
    for before, after in zip(alone.bars, longer.bars, strict=False):
        for k, (low, high) in enumerate(zip(before.layers, after.layers, strict=True)):
            if k != harmonic or part.seconds(part.bars[before.index].end) <= felt_from:
                assert high >= low - 1e-9, LAYERS[k]

    def others(assessment: Assessment) -> float:
        rows = [
            [0.0 if k == harmonic else x for k, x in enumerate(b.layers)] for b in assessment.bars
        ]
        return sustained([stack(row) for row in rows])

    assert others(longer) >= others(alone) - 1e-9


def test_a_repeat_is_never_easier_and_length_counts() -> None:
    once, twice = assess(by_hand(HARD)), assess(by_hand(followed_by(HARD, HARD)))
    assert twice.difficulty > once.difficulty
    assert twice.bars[0].layers == pytest.approx(once.bars[0].layers, abs=0.1)


@settings(max_examples=15, deadline=None)
@given(harp_parts(), st.sampled_from([1.1, 1.7, 2.5]))
def test_a_faster_tempo_never_lowers_difficulty(part: Part, factor: float) -> None:
    slow = by_hand(part)
    assert assess(faster(slow, factor)).difficulty >= assess(slow).difficulty - 1e-9


@settings(max_examples=15, deadline=None)
@given(harp_parts())
def test_an_empty_bar_before_moves_nothing(part: Part) -> None:
    assert assess(by_hand(shifted(part))).difficulty == pytest.approx(
        assess(by_hand(part)).difficulty, abs=1e-7
    )


# Stretches


def test_change_points_find_the_stretches() -> None:
    """Six bars alike, three of another kind, five as at first."""
    calm, busy = bar(), bar(fingers=0.9, pedals=0.7)
    assert change_points([calm] * 6 + [busy] * 3 + [calm] * 5) == ((0, 5), (6, 8), (9, 13))
    assert change_points([calm]) == ((0, 0),)


@given(st.lists(LOADS, min_size=1, max_size=40))
def test_stretches_cover_the_bars_in_order(rows: list[list[float]]) -> None:
    runs = change_points(rows)
    assert [at for first, last in runs for at in range(first, last + 1)] == list(range(len(rows)))


def test_the_cut_is_the_best_there_is() -> None:
    """Against every way to cut seven bars, by the price in the docstring."""
    from itertools import combinations, pairwise

    from simplify.difficulty.curve import numbers

    rows = [bar(fingers=x) for x in (0.1, 0.15, 0.6, 0.7, 0.65, 0.2, 0.1)]

    def price(cuts: tuple[int, ...]) -> float:
        edges, total = (0, *cuts, 7), 0.0
        for first, end in pairwise(edges):
            inside = [row[0] for row in rows[first:end]]
            mean = sum(inside) / len(inside)
            total += sum((x - mean) ** 2 for x in inside) + numbers("load")["cut"]
        return total

    every = [c for n in range(7) for c in combinations(range(1, 7), n)]
    found = tuple(first for first, _ in change_points(rows)[1:])
    assert price(found) == pytest.approx(min(price(c) for c in every))


def test_the_piece_is_explained_by_its_stretches() -> None:
    """No stretch reads harder than the piece, and its worst bars lie in the worst stretch."""
    found = made(*[bar()] * 4, *[bar(fingers=0.9, rhythm=0.8)] * 4, *[bar()] * 4)
    worst = max(found.stretches, key=lambda s: s.difficulty)
    assert (worst.first, worst.last) == (4, 7)
    assert all(s.difficulty <= found.difficulty + 1e-9 for s in found.stretches)
    assert found.mean_difficulty < found.difficulty
    assert found.complex_layers == ("fingers", "rhythm")


def test_the_average_is_taken_over_time() -> None:
    """A pickup of a beat weighs a quarter of a bar of four; bars that are alike read as their worst
    stretch does."""
    found = made(bar(fingers=0.9), bar())
    hard, easy = found.bars
    short = replace(found, bars=(replace(hard, seconds=0.5), easy))
    long = replace(found, bars=(hard, replace(easy, seconds=0.5)))
    assert short.mean_difficulty < found.mean_difficulty < long.mean_difficulty < hard.difficulty
    mean = (0.5 * stack(hard.layers) + 2.0 * stack(easy.layers)) / 2.5
    assert short.mean_difficulty == pytest.approx(difficulty_of(mean * 0.9))
    same = made(*[bar(fingers=0.9)] * 6)
    assert same.mean_difficulty == pytest.approx(same.difficulty)


def test_part_of_an_assessment_reads_its_own_bars() -> None:
    whole = assess(by_hand(followed_by(HARD, followed_by(EASY, EASY))))
    inside = part_of(whole, 1, 2)
    assert [b.number for b in inside.bars] == [b.number for b in whole.bars[1:]]
    assert len(inside.curves[0].loads) == len(inside.grid) == 8
    assert inside.difficulty < whole.difficulty
    assert all(b.onset >= inside.grid[0].onset for b in inside.grid)


# What a tier takes


def test_a_simple_piece_is_within_every_tier() -> None:
    for tier in tier_names():
        assert verdict(made(*[bar(pedals=0.0)] * 4), tier_player(tier).rules).within


def test_a_layer_over_its_cap_is_named_with_its_bars() -> None:
    rules = tier_player("school").rules
    found = verdict(made(*[bar()] * 2, *[bar(rhythm=0.9)] * 4, *[bar()] * 2), rules)
    assert not found.within
    over = [e for e in found.exceeding if e.layer == "rhythm"]
    assert [(e.bars, e.text) for e in over] == [
        (("3", "6"), f"rhythm complex (0.90), the tier takes {rules.caps[4]:.2f}"),
    ]


def test_a_burst_passes_and_the_same_sustained_does_not() -> None:
    """A bar or two a little over a limit are let pass; a longer run, a higher peak or bursts that
    crowd together are not."""
    rules = replace(tier_player("amateur").rules, max_load=100.0)
    cap = rules.caps[0]
    over = bar(fingers=cap + rules.burst_margin / 2)
    peak = bar(fingers=cap + rules.burst_margin + 0.02)
    assert rules.burst_bars == 2
    assert verdict(made(*[bar()] * 3, over, over, *[bar()] * 3), rules).within
    assert not verdict(made(*[bar()] * 3, over, over, over, *[bar()] * 3), rules).within
    assert not verdict(made(*[bar()] * 3, peak, *[bar()] * 3), rules).within
    assert not verdict(made(over, over, bar(), over, bar()), rules).within
    assert verdict(made(over, over, *[bar()] * 8, over), rules).within


def test_school_never_takes_tricky_rhythm_with_many_pedals() -> None:
    """Common practice; each of the two alone would be a matter of its cap."""
    rules = replace(
        tier_player("school").rules, caps=(1.0,) * 6, burst_bars=0, max_load=100.0
    )
    together = verdict(made(*[bar(rhythm=0.55, pedals=0.55)] * 3), rules)
    assert [e.text for e in together.exceeding] == [
        "rhythm and pedals together, which the tier does not take"
    ]
    assert verdict(made(*[bar(rhythm=0.55)] * 3), rules).within
    assert verdict(made(*[bar(pedals=0.55)] * 3), rules).within


def test_too_many_complex_layers_at_once() -> None:
    """School about two, professionals more: common practice."""
    rules = replace(tier_player("school").rules, caps=(1.0,) * 6, max_load=100.0)
    three = bar(fingers=0.7, harmonic_rhythm=0.7, counterpoint=0.7)
    found = verdict(made(*[three] * 8), rules)
    assert [e.text for e in found.exceeding] == [
        "three layers complex at once, the tier takes two"
    ]
    assert verdict(made(*[bar(fingers=0.7, harmonic_rhythm=0.7)] * 8), rules).within


def test_a_fault_is_too_much() -> None:
    found = verdict(made(*[bar(pedals=0.0)] * 2), tier_player("soloist").rules, (fault(),))
    assert [e.text for e in found.exceeding] == ["too wide"]
    assert not found.within


def test_the_least_change_that_helps() -> None:
    rules = replace(tier_player("school").rules, max_load=100.0, burst_bars=0)
    one = made(*[bar(rhythm=0.9)] * 4)
    assert least_changes(one, replace(rules, caps=(0.4,) * 6)) == ((("rhythm", "simple"),),)
    loose = replace(rules, caps=(0.7,) * 6)
    assert least_changes(made(*[bar(fingers=0.9)] * 4), loose) == ((("fingers", "moderate"),),)
    either = replace(rules, caps=(1.0,) * 6)
    pair = made(*[bar(rhythm=0.55, pedals=0.55)] * 4)
    assert set(least_changes(pair, either)) == {
        (("rhythm", "simple"),), (("pedals", "simple"),),
    }
    assert least_changes(made(*[bar(pedals=0.0)] * 4), rules) == ()
    assert least_changes(one, loose, (fault(),)) == ()


def test_the_least_change_goes_down_to_the_tiers_own_cap() -> None:
    """A school player takes less of the pedals than the end of simple: easing them helps all the
    same."""
    rules = replace(tier_player("school").rules, burst_bars=0)
    assert rules.caps[LAYERS.index("pedals")] < SIMPLE
    busy = made(*[bar(pedals=0.7)] * 4)
    assert least_changes(busy, rules) == ((("pedals", "simple"),),)


def test_the_least_change_of_more_than_two_layers() -> None:
    """Four layers over a cap: exactly these four are named."""
    rules = replace(
        tier_player("school").rules, caps=(0.7,) * 6, max_load=100.0, max_complex=6, burst_bars=0,
        forbidden=(),
    )
    full = made(*[bar(fingers=0.9, between_hands=0.9, rhythm=0.9, pedals=0.9)] * 4)
    (choice,) = least_changes(full, rules)
    assert dict(choice) == dict.fromkeys(
        ("fingers", "between_hands", "rhythm", "pedals"), "moderate"
    )


# Tiers of music


def test_the_tier_needed_rises_with_the_music() -> None:
    tune = "4/4 tempo:66 | C5:1 D5 E5:2 ; C3:4 | F5:1 E5 D5:2 ; G3:4 | E5:1 D5 C5:2 ; C3:4"
    chords = (
        "4/4 tempo:96 | [C4 E4 G4 C5]:1 [D4 F4 B4 D5] [E4 G4 C5 E5] [F4 A4 C5 F5]"
        " ; [C3 G3 C4]:1 [B2 G3 D4] [C3 G3 C4] [F2 C3 F3]"
    )
    names = tier_names()
    easy, hard = tier_needed(parse_part(tune)), tier_needed(parse_part(chords))
    assert easy == "beginner"
    assert hard in ("professional", "soloist")
    assert tier_needed(parse_part("4/4 | [G4 G♯4 A4]:4 ; -")) is None
    assert names.index(easy) < names.index(hard)


@pytest.mark.parametrize("tune", [
    "4/4 | C5:1 C5:1 C5:1 D5:1 | E5:2 D5:2 | C5:1 E5:1 D5:1 D5:1 | C5:4",
    "4/4 | C5:1 C5:1 G5:1 G5:1 | A5:1 A5:1 G5:2 | F5:1 F5:1 E5:1 E5:1 | D5:1 D5:1 C5:2",
    "4/4 | C5:1 D5:1 E5:1 C5:1 | C5:1 D5:1 E5:1 C5:1 | E5:1 F5:1 G5:2 | E5:1 F5:1 G5:2",
    "4/4 | G4:3/2 A4:1/2 G4:1 F4:1 | E4:1 F4:1 G4:2 | D4:1 E4:1 F4:2 | E4:1 F4:1 G4:2",
    "4/4 | C5:1 D5:1 E5:1 F5:1 | G5:1 F5:1 E5:1 D5:1 | C5:1 D5:1 E5:1 D5:1 | C5:4",
], ids=["by the light of the moon", "star", "brother", "bridge", "five fingers"])
def test_a_first_tune_is_for_beginners(tune: str) -> None:
    """Traditional children's tunes, from memory, in one hand and at the tempo of a score without a
    mark; with one long bass note a bar too. (What first lessons are made of: common practice.)"""
    assert tier_needed(parse_part(tune)) == "beginner"
    with_bass = " | ".join(f"{bar} ; C3:4" if i else bar for i, bar in enumerate(tune.split(" | ")))
    assert tier_needed(parse_part(with_bass)) == "beginner"


def test_the_tier_needed_is_the_first_that_is_within() -> None:
    """The shortcuts change nothing: the same as asking every tier in turn."""
    for text in (
        "4/4 tempo:72 | C5:1/2 D5 E5 F5 G5 F5 E5 D5 ; C3:2 G3:2 | E5:1 C5:3 ; C3:4",
        "4/4 tempo:84 | [C4 E♭4 G4]:1 [D♭4 F4 A♭4] [C4 E4 G4] [B3 D♯4 F♯4] ; C3:4",
    ):
        part = parse_part(text)
        readings = [read_for(part, tier_player(tier)) for tier in tier_names()]
        wanted = next((r.player.tier for r in readings if r.verdict.within), None)
        assert tier_needed(part) == wanted
        assert tier_needed(part, known=readings) == wanted


def test_a_sharp_is_no_trouble_for_a_lever_harp_that_has_it() -> None:
    """A harp is the user's to say: the tier is read on that harp."""
    part = parse_part("4/4 key:-3 tempo:60 | E♭5:1 F5 G5:2 ; E♭3:4")
    assert tier_needed(part, "lever-34") == "beginner"
