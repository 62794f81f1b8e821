"""One hand's fingerings and their costs (simplify/technique/fingers.py)."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simplify.harp.player import Player, tier_names, tier_player
from simplify.score.text import parse_pitch
from simplify.technique.fingers import (
    RUNS,
    HandModel,
    cost_table,
    fingerings,
    hand_model,
    milliseconds,
)
from simplify.technique.hand_kernel import FARTHEST, KINDS, lone_moves

TIERS = tier_names()


def model_of(tier: str) -> HandModel:
    player: Player = tier_player(tier)
    return hand_model(player.limits, player.harp)


def strings(*names: str) -> tuple[int, ...]:
    return tuple(parse_pitch(name).string for name in names)


def best(model: HandModel, *names: str) -> set[tuple[int, ...]]:
    """The cheapest fingerings of a chord by itself."""
    chord = strings(*names)
    costs = {f: model.grip_cost(chord, f) for f in fingerings(len(chord))}
    least = min(costs.values())
    return {f for f, cost in costs.items() if cost < least + 1e-9}


def test_every_number_has_a_unit_and_a_source() -> None:
    """A number without unit and source can't be argued with."""
    for name, row in cost_table().items():
        assert row["unit"], name
        assert row["source"], name


def test_fingerings_are_all_choices_of_four_fingers() -> None:
    """Four fingers (Rimsky-Korsakov, Principles of Orchestration, ch. I): 4, 6, 4 and 1 ways."""
    assert [len(fingerings(n)) for n in (1, 2, 3, 4)] == [4, 6, 4, 1]
    assert fingerings(4) == ((4, 3, 2, 1),)


@pytest.mark.parametrize("count", range(1, 9))
def test_the_thumb_is_above(count: int) -> None:
    """The thumb takes the upper string and 4 the lower in both hands (Freund & Cutler, Extreme
    Orchestration): fingers fall as strings rise."""
    for fingers in fingerings(count):
        used = [f for f in fingers if f]
        assert all(a > b for a, b in pairwise(used))
        assert len(fingers) == count


@pytest.mark.parametrize(
    ("chord", "wanted"),
    [
        (("C3", "G3", "C4"), {(4, 2, 1)}),
        (("C3", "G3", "E4"), {(4, 2, 1)}),
        (("C4", "E4", "G4", "C5"), {(4, 3, 2, 1)}),
        (("C4", "E4", "G4"), {(3, 2, 1)}),
        (("C4", "C5"), {(4, 1)}),
        (("C4", "E4"), {(2, 1)}),
        (("C4", "E5"), {(4, 1)}),
    ],
)
def test_chords_finger_as_a_harpist_would(
    chord: tuple[str, ...], wanted: set[tuple[int, ...]]
) -> None:
    """1-5-8 and 1-5-10 with 4 2 1, the octave with 4 1, close triads with 3 2 1: common
    practice."""
    assert best(model_of("professional"), *chord) == wanted


def test_the_widest_gap_belongs_under_the_thumb() -> None:
    """Gap 1-2 wide is cheap, gap 3-4 wide is dear (Freund & Cutler, Extreme Orchestration)."""
    model = model_of("professional")
    above = model.grip_cost(strings("C4", "D4", "E4", "C5"), (4, 3, 2, 1))
    below = model.grip_cost(strings("C4", "G4", "A4", "C5"), (4, 3, 2, 1))
    assert above + 1 < below


@pytest.mark.parametrize("tier", TIERS)
def test_the_fourth_finger_and_the_thumb_reach_what_the_tier_says(tier: str) -> None:
    """A chord within reach breaks no limit, one string more does."""
    model = model_of(tier)
    reach = model.limits.reach
    assert model.over_reach((20, 20 + reach), (4, 1)) == 0
    assert model.over_reach((20, 21 + reach), (4, 1)) == 1
    assert model.grip_cost((20, 21 + reach), (4, 1)) >= model.hard
    assert model.grip_cost((20, 20 + reach), (4, 1)) < model.hard


@pytest.mark.parametrize("tier", TIERS)
def test_notes_beyond_the_tiers_hand_are_impossible(tier: str) -> None:
    """One note more than the tier takes costs one impossible place."""
    model = model_of(tier)
    most = model.limits.notes_per_hand
    chord = tuple(range(28, 28 + most + 1))
    least = min(model.grip_cost(chord, f) for f in fingerings(len(chord)))
    assert model.hard <= least < 2 * model.hard


@pytest.mark.parametrize(
    ("a", "b", "kind"),
    [
        (("F4", 1), ("G4", 4), "under"),
        (("G4", 4), ("F4", 1), "over"),
        (("F4", 1), ("E4", 1), "slide"),
        (("F4", 4), ("G4", 4), "slide"),
        (("F4", 1), ("F4", 2), "repeat"),
        (("C4", 4), ("E4", 2), "link"),
        (("E4", 2), ("C4", 4), "link"),
        (("C4", 2), ("D4", 2), "place"),
        (("C4", 1), ("C5", 4), "place"),
        (("C4", 4), ("C6", 1), "place"),
    ],
)
def test_the_way_from_note_to_note(a: tuple[str, int], b: tuple[str, int], kind: str) -> None:
    """Ascending 4 crosses under the thumb, descending the thumb crosses over (common practice);
    the thumb slides to the next lower string (Volpe Bligh, Writing for the Pedal Harp)."""
    move = model_of("professional").move(strings(a[0]), (a[1],), strings(b[0]), (b[1],))
    assert move.kind == kind


def test_crossing_at_the_thumb_is_the_cheapest_crossing() -> None:
    """Going up, 4 under 1; going down, 1 over 4: common practice."""
    model = model_of("professional")
    up = {
        (f, g): model.move((30,), (f,), (31,), (g,)).base
        for f in (1, 2, 3)
        for g in range(f + 1, 5)
    }
    down = {
        (f, g): model.move((31,), (f,), (30,), (g,)).base
        for f in (2, 3, 4)
        for g in range(1, f)
    }
    assert min(up, key=lambda pair: up[pair]) == (1, 4)
    assert min(down, key=lambda pair: down[pair]) == (4, 1)
    assert min(down.values()) < min(up.values())


def test_a_figure_in_one_direction_is_free_and_a_turn_is_not() -> None:
    """Placed ahead in one direction costs nothing given time; against it it costs."""
    model = model_of("professional")
    up = model.move(strings("C4"), (4,), strings("E4"), (2,))
    assert model.step_cost(up, 0, 1.0) == (0.0, 1, "go on")
    assert model.step_cost(up, 1, 1.0) == (0.0, 1, "go on")
    cost, run, kind = model.step_cost(up, -1, 1.0)
    assert cost > 0
    assert (run, kind) == (1, "turn")


def test_the_bass_and_its_chord_lie_under_one_placing() -> None:
    """C3, then E3 and G3 together: 4, then 2 and 1, placed at once."""
    move = model_of("professional").move(strings("C3"), (4,), strings("E3", "G3"), (2, 1))
    assert (move.kind, move.direction) == ("link", 1)


chords = st.lists(st.integers(8, 50), min_size=1, max_size=4, unique=True).map(
    lambda s: tuple(sorted(s))
)


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(TIERS), chords, st.integers(0, 3), chords, st.integers(0, 3),
    st.sampled_from(RUNS), st.integers(10, 2500), st.integers(10, 2500),
)
def test_more_time_never_costs_more(
    tier: str, a: tuple[int, ...], i: int, b: tuple[int, ...], j: int, run: int, t: int, u: int
) -> None:
    """A slower tempo must never make a passage harder."""
    model = model_of(tier)
    f, g = fingerings(len(a)), fingerings(len(b))
    move = model.move(a, f[i % len(f)], b, g[j % len(g)])
    slow, quick = max(t, u) / 1000, min(t, u) / 1000
    assert model.step_cost(move, run, slow)[0] <= model.step_cost(move, run, quick)[0] + 1e-9


@settings(max_examples=80, deadline=None)
@given(
    st.sampled_from(TIERS), st.integers(-FARTHEST, FARTHEST), st.integers(1, 4), st.integers(1, 4)
)
def test_the_table_of_lone_notes_says_what_move_says(
    tier: str, step: int, finger: int, following: int
) -> None:
    """The programme reads the way from note to note from a table."""
    model = model_of(tier)
    lone = lone_moves(model.rules)
    at = step + FARTHEST, 4 * finger + following - 5
    move = model.move((0,), (finger,), (step,), (following,))
    assert (KINDS[lone.kind[at]], lone.way[at]) == (move.kind, move.direction)
    assert (lone.base[at], lone.need[at]) == (move.base, move.need)


@settings(max_examples=80, deadline=None)
@given(st.sampled_from(TIERS), chords, chords, st.integers(-9, 9), st.integers(1, 2000))
def test_both_hands_and_all_registers_move_alike(
    tier: str, a: tuple[int, ...], b: tuple[int, ...], shift: int, ms: int
) -> None:
    """Strings are evenly spaced for the hand, so a move costs the same wherever it stands."""
    model = model_of(tier)
    for fingers in fingerings(len(a)):
        for following in fingerings(len(b)):
            here = model.move(a, fingers, b, following)
            there = model.move(
                tuple(s + shift for s in a), fingers, tuple(s + shift for s in b), following
            )
            assert model.step_cost(here, 0, ms / 1000) == pytest.approx(
                model.step_cost(there, 0, ms / 1000)
            )


@pytest.mark.parametrize("tier", TIERS)
def test_a_lifted_hand_is_never_short_of_time(tier: str) -> None:
    """After `lift_seconds` no way at all is impossible: to forget where the hand was hides no
    fault."""
    model = model_of(tier)
    harp = model.harp
    low, high = (harp.lowest,), (harp.highest,)
    ways = [(low, high), (high, low), (low, low)]
    if model.limits.notes_per_hand >= 3:
        ways.append(((20, 22, 24), (40, 42, 44)))
        ways.append(((20, 22, 24), (20, 22, 24)))
    for a, b in ways:
        for f in fingerings(len(a)):
            for g in fingerings(len(b)):
                move = model.move(a, f, b, g)
                assert model.step_cost(move, 0, model.lift_seconds)[0] < model.hard


def test_the_better_player_never_pays_more() -> None:
    """Limits ease from tier to tier, so costs of the same chord and move fall or stay."""
    a, b = strings("C3", "G3", "C4"), strings("F3", "A3", "D4")
    for lower, higher in pairwise(TIERS):
        low, high = model_of(lower), model_of(higher)
        for f in fingerings(3):
            assert high.grip_cost(a, f) <= low.grip_cost(a, f) + 1e-9
            move_low, move_high = low.move(a, f, b, f), high.move(a, f, b, f)
            for seconds in (0.1, 0.2, 0.4, 0.8, 1.6):
                cheap = high.step_cost(move_high, 0, seconds)[0]
                assert cheap <= low.step_cost(move_low, 0, seconds)[0] + 1e-9


def test_harmonics_are_counted_per_hand() -> None:
    """Two or three in the left hand, one in the right (Goss, 100 Orchestration Tips, no. 68)."""
    model = model_of("soloist")
    assert [model.signs_cost("R", n, 0) > 0 for n in (1, 2)] == [False, True]
    assert [model.signs_cost("L", n, 0) > 0 for n in (1, 2, 3, 4)] == [False, False, False, True]


def test_damped_notes_are_counted_per_hand() -> None:
    """Easy in the left hand (flat palm; method on olhos.it), limited in the right (from memory of
    Widor, Technique of the Modern Orchestra)."""
    model = model_of("soloist")
    assert [model.signs_cost("R", 0, n) > 0 for n in (1, 2)] == [False, True]
    assert [model.signs_cost("L", 0, n) > 0 for n in (1, 2, 3, 4)] == [False] * 4


def test_hands_pay_for_their_registers() -> None:
    """The right hand not below its limit (G2: Freund & Cutler, Extreme Orchestration), the left
    weak in the top two octaves."""
    model = model_of("professional")
    assert model.hand_cost("R", strings("G2")) < model.hard <= model.hand_cost("R", strings("F2"))
    assert model.hand_cost("L", strings("C2")) == 0 < model.hand_cost("L", strings("C7"))


def test_hands_striking_together() -> None:
    """Crossed single notes are possible, hands through each other are not."""
    model = model_of("professional")
    assert model.pair_cost(strings("C3"), strings("E4")) == 0
    assert 0 < model.pair_cost(strings("D4"), strings("E4")) < model.hard
    assert 0 < model.pair_cost(strings("E4"), strings("C4")) < model.hard
    assert model.pair_cost(strings("C4", "G4"), strings("E4", "C5")) >= model.hard
    assert model.pair_cost(strings("C4"), strings("C4")) >= model.hard


@settings(max_examples=50, deadline=None)
@given(chords, chords, st.floats(0.0, 4.0))
def test_a_hand_out_of_the_way_costs_nothing(
    a: tuple[int, ...], b: tuple[int, ...], seconds: float
) -> None:
    """Once the other hand may be anywhere its last place must not matter: lifted hands are one
    state."""
    model = model_of("professional")
    cost = model.meeting_cost("L", a, b, seconds)
    assert cost >= 0
    if milliseconds(seconds) >= model.lift_ms:
        assert cost == 0


def test_taking_over_a_string_at_once_is_impossible() -> None:
    """Two hands may share a string only if there is time between them."""
    model = model_of("professional")
    assert model.meeting_cost("R", (30,), (30,), 0.05) >= model.hard
    assert 0 < model.meeting_cost("R", (30,), (30,), 0.2) < model.hard
