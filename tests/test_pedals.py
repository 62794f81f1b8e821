"""The pedal planner, held to a plain statement of the problem, to a general solver, to counts and
to published examples.

`pedal_oracle` states the problem a second time without any of the planner's shortcuts. More cases
than here are run by tests/benchmarks/bench_pedals.py; GENTLER_PEDAL_CASES raises the number here.
"""

from __future__ import annotations

import os
import random
from dataclasses import fields, replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simplify.harp.instrument import PEDALS, Setting, key_setting
from simplify.harp.player import Player, tier_names, tier_player
from simplify.harp.synonyms import setting_at
from simplify.score.model import (
    Bar,
    Edit,
    GivenSetting,
    Note,
    Part,
    Pitch,
    TempoMark,
    changed,
)
from simplify.score.text import parse_part, parse_pitch
from simplify.technique.pedal_line import SCALE, PedalCosts, build_line, cost_table, standard_costs
from simplify.technique.pedal_search import build_program, conclude, first_state, run, solve
from simplify.technique.pedals import PedalTrellis, given_start, plan_pedals
from simplify.technique.plan import PedalPlan
from tests.pedal_oracle import Oracle, faults, random_part, random_problem
from tests.pedal_solver import PedalModel

CASES = int(os.environ.get("GENTLER_PEDAL_CASES", "500"))
NAMES = ["C", "C♯", "D", "D♯", "E", "F", "F♯", "G", "G♯", "A", "A♯", "B"]
BARE = replace(
    standard_costs(), ring=0.0, muffle=0.0, let_go=0.0, rest=0.0, bar_line=0.0, during=0.0,
    with_note=0.0, before_note=0.0, off_beat=0.0, busy=0.0, hurry=0.0, respelled=0.0, start=0.0,
    second_notch=0.0,
)
"""Costs that count pedals moved and nothing else."""


def quick(tier: str = "amateur", seconds: float = 0.05) -> Player:
    """A player whose feet are no hindrance."""
    player = tier_player(tier)
    return replace(player, limits=replace(player.limits, foot_seconds=seconds))


def music_cost(plan: PedalPlan) -> float:
    """A plan's cost without the notes that lie off the harp."""
    return plan.cost - dict(plan.costs).get("unmet range", 0.0)


def chords(midi: list[list[int]]) -> Part:
    """Chords (MIDI numbers, spelled in sharps), one a bar, short, with time between them."""
    bars = [
        "[" + " ".join(f"{NAMES[m % 12]}{m // 12 - 1}" for m in chord) + "]:1 r:3" for chord in midi
    ]
    return parse_part("4/4 tempo:60 | " + " | ".join(bars))


def changed_at(plan: PedalPlan) -> list[tuple[str, int]]:
    return [(f"{m.letter}{m.before:+d}{m.after:+d}", m.onset) for m in plan.moves]


ADDED = (
    "move", "second_notch", "respelled", "start", "rest", "bar_line", "during", "with_note",
    "before_note", "off_beat", "busy", "ring", "muffle", "let_go", "hurry", "adjacent",
    "cross_foot", "unmet_setting", "unmet_time", "unmet_held",
)
"""Costs that are simply added up."""


class TestAgainstPlainStatement:
    @pytest.mark.parametrize("block", range(10))
    def test_random_cases(self, block: int) -> None:
        """Least cost equals that of a dynamic programme over every setting and every pair of last
        moments of the feet, nothing merged or left out: several tables of cost, feet, gaps, tempi
        and first settings. Where nothing is unmet, the plan replayed shows no fault."""
        for seed in range(block, CASES, 10):
            case = random_problem(seed, 12)
            plan = plan_pedals(case.part, case.player, start=case.start, costs=case.costs)
            best = Oracle(case.part, case.player, case.costs).optimum(case.start)
            assert music_cost(plan) == pytest.approx(best, abs=1e-6), f"case {seed}"
            assert plan.optimal
            assert sum(amount for _, amount in plan.costs) == pytest.approx(plan.cost)
            if not plan.unmet:
                given_first = case.start is not None
                assert faults(case.part, case.player, case.costs, plan, given_first) == []

    @pytest.mark.parametrize("seed", range(1000, 1010))
    def test_longer_cases(self, seed: int) -> None:
        """Two dozen moments, so that the search has to be refined in several places."""
        case = random_problem(seed, 26)
        plan = plan_pedals(case.part, case.player, start=case.start, costs=case.costs)
        best = Oracle(case.part, case.player, case.costs).optimum(case.start)
        assert music_cost(plan) == pytest.approx(best, abs=1e-6)
        assert plan.optimal

    def test_enumerated_plans(self) -> None:
        """Every sequence of settings for three columns of a small case, costed one by one (2187 x
        2187 pairs for each slot, moves counted pedal by pedal)."""
        part = chords([[60, 64, 67], [61, 65, 68], [62, 66, 69]])
        oracle = Oracle(part, quick(), BARE)
        table = np.array(list(np.ndindex(*(3,) * 7)))
        value = oracle.strike_costs(0)
        for column in (1, 2):
            pairs = (table[:, None, :] != table[None, :, :]).sum(axis=2)
            value = (value[:, None] + pairs).min(axis=0) + oracle.strike_costs(column)
        assert plan_pedals(part, quick(), costs=BARE).cost == pytest.approx(float(value.min()))


class TestAgainstGeneralSolver:
    @pytest.mark.parametrize("seed", range(5000, 5036))
    def test_same_optimum(self, seed: int) -> None:
        """CP-SAT (ortools) proves the same least cost on a constraint model of the same amounts."""
        case = random_problem(seed, 10)
        costs = replace(case.costs, adjacent_tiers=(), cross_tiers=())
        plan = plan_pedals(case.part, case.player, start=case.start, costs=costs)
        found, _, proved = PedalModel(Oracle(case.part, case.player, costs), case.start).solve(60)
        assert proved
        assert music_cost(plan) == pytest.approx(found, abs=1e-6)


class TestCounts:
    """Pedals moved in stock progressions: computed by brute force over settings."""

    @pytest.mark.parametrize("step", [1, -1], ids=["up", "down"])
    @pytest.mark.parametrize("root", range(12))
    def test_chromatic_octave(self, root: int, step: int) -> None:
        """Five pedals for the thirteen notes from any note but G♯, six from there, up or down."""
        first = 60 + root + (12 if step < 0 else 0)
        plan = plan_pedals(chords([[first + step * i] for i in range(13)]), quick(), costs=BARE)
        assert plan.cost == (6.0 if root == 8 else 5.0)
        assert len(plan.moves) == plan.cost
        assert not plan.unmet

    def test_chromatic_triads(self) -> None:
        """Major triads from C up to C by semitones: 20 pedals."""
        part = chords([[60 + i, 64 + i, 67 + i] for i in range(13)])
        assert plan_pedals(part, quick(), costs=BARE).cost == 20.0

    def test_circle_of_fifths(self) -> None:
        """Thirteen major triads round the circle: 8 pedals."""
        roots = [7 * i % 12 for i in range(13)]
        part = chords([[48 + r, 48 + (r + 4) % 12, 48 + (r + 7) % 12] for r in roots])
        assert plan_pedals(part, quick(), costs=BARE).cost == 8.0

    def test_diminished_sevenths(self) -> None:
        """Four diminished sevenths by semitones: 6 pedals."""
        part = chords([[60 + i, 63 + i, 66 + i, 69 + i] for i in range(4)])
        assert plan_pedals(part, quick(), costs=BARE).cost == 6.0

    def test_c_and_d_flat_major_take_turns(self) -> None:
        """With synonyms not a pedal moves between C and D flat major (one setting holds both
        triads, brute force), however C♯ is spelled."""
        part = chords([[60, 64, 67], [61, 65, 68]] * 3)
        plan = plan_pedals(part, quick(), costs=BARE)
        assert plan.moves == ()
        assert plan.cost == 0.0

    @pytest.mark.parametrize(
        ("one", "other", "pedals"),
        [(0, 1, 1), (0, -3, 3), (0, 4, 4), (2, -1, 3), (0, -5, 5), (4, -4, 7), (-7, 7, 7)],
        ids=["C-G", "C-Eb", "C-E", "D-F", "C-Db", "E-Ab", "Cb-C#"],
    )
    def test_whole_scales_as_written(self, one: int, other: int, pedals: int) -> None:
        """A scale of one key, a rest, a scale of the other: counted from the key signatures, with
        respelling made dearer than any number of pedals."""

        def scale(fifths: int) -> str:
            alters = dict(zip(PEDALS, key_setting(fifths), strict=True))
            return " ".join(f"{x}{'♭♮♯'[alters[x] + 1].strip('♮')}4:1/4" for x in "CDEFGAB")

        part = parse_part(f"4/4 tempo:60 | {scale(one)} r:9/4 | {scale(other)} r:9/4")
        costs = replace(BARE, respelled=50.0)
        plan = plan_pedals(part, quick(), costs=costs)
        assert len(plan.moves) == pedals
        assert plan.start == key_setting(one)
        assert plan.setting_at(part.end) == key_setting(other)


class TestSpelling:
    def test_written_spelling_is_kept_where_it_costs_nothing(self) -> None:
        part = parse_part("4/4 key:-4 tempo:60 | A♭4:1 D♭5 E♭5 C5 | [F4 A♭4 D♭5]:4")
        plan = plan_pedals(part, tier_player("professional"))
        assert plan.played == tuple(s.pitch for s in part.strikes)
        assert plan.moves == ()
        assert plan.start == key_setting(-4)

    def test_synonym_saves_a_move(self) -> None:
        """C C♯ D at once is B♯ C♯ D or C D♭..: C♯ D together with C needs B♯ (Canton & Overlach,
        Composing for Harp: possible as B♯ C♯ D)."""
        part = parse_part("4/4 | [C4 C♯4 D4]:4")
        plan = plan_pedals(part, tier_player("professional"))
        assert [p.name for p in plan.played] == ["B♯3", "C♯4", "D4"]
        assert not plan.unmet

    def test_double_accidentals_are_respelled_free_of_cost(self) -> None:
        part = parse_part("4/4 | Fx4:1 B♭♭4 C4 D4".replace("B♭♭", "Bbb"))
        plan = plan_pedals(part, tier_player("professional"))
        assert [p.name for p in plan.played] == ["G4", "A4", "C4", "D4"]
        assert plan.cost == 0.0

    def test_two_voices_share_a_string(self) -> None:
        """One sound in two voices is one string; spelled two ways it is two strings in unison, an
        idiom of the instrument (common practice), if both can be set."""
        player = tier_player("professional")
        alike = plan_pedals(parse_part("4/4 | G♯4:4 & G♯4:2 G♯4"), player)
        assert {p.name for p in alike.played} == {"G♯4"}
        unison = plan_pedals(parse_part("4/4 | [G♯4 B4]:4 & A♭4:4"), player)
        assert [p.name for p in unison.played] == ["G♯4", "A♭4", "B4"]
        shared = plan_pedals(parse_part("4/4 | [G♯4 A4]:4 & A♭4:4"), player)
        assert [p.name for p in shared.played] == ["G♯4", "G♯4", "A4"]
        for plan in (alike, unison, shared):
            assert plan.unmet == ()
            assert plan.moves == ()

    def test_held_note_is_played_on_the_string_that_stays(self) -> None:
        """B natural is written and could be had on either string, but the B pedal must go to B
        flat while it sounds: it is played as C flat."""
        part = parse_part("4/4 key:-7 tempo:60 | [C♭4 B3]:1 B4:3~ & r:2 B♭2:2 | B4:4 & B♭2:4")
        start: Setting = (0, -1, 0, 0, 0, 0, 0)
        plan = plan_pedals(part, tier_player("professional"), start=start)
        assert plan.unmet == ()
        strike = next(i for i, s in enumerate(part.strikes) if s.end > part.bars[1].onset)
        assert plan.played[strike].name == "C♭5"

    def test_ties_hold_the_string_through(self) -> None:
        """The same music with the note tied over may not move its letter under it."""
        loose = parse_part("4/4 tempo:60 | G4:4 | r:4 | G♯3:4")
        tied = parse_part("4/4 tempo:60 | G4:4~ | G4:4~ & r:2 G♯3:2 | G4:4")
        player = tier_player("professional")
        assert plan_pedals(loose, player).unmet == ()
        plan = plan_pedals(tied, player)
        assert plan.unmet == ()  # G♯ is had on the A string
        assert [p.name for p in plan.played] == ["G4", "A♭3"]

    def test_grace_notes_belong_to_their_column(self) -> None:
        """No pedal is moved between a grace note and its note."""
        part = parse_part("4/4 | r:1 ^F♯4 F4:3")
        plan = plan_pedals(part, tier_player("professional"))
        assert plan.moves == ()
        assert [p.name for p in plan.played] in (["F♯4", "E♯4"], ["G♭4", "F4"])
        clash = parse_part("4/4 | r:1 ^G4 ^G♯4 A4:3")
        assert [u.kind for u in plan_pedals(clash, tier_player("professional")).unmet] == [
            "setting"
        ]


class TestMoves:
    def test_moves_go_into_rests(self) -> None:
        """Common practice: of all moments a rest is the best."""
        part = parse_part("4/4 tempo:60 | F4:1 A4 r:1 F♯4:1 | [F♯4 A4 G♯4 B♭4]:4")
        plan = plan_pedals(part, tier_player("professional"), start=(0,) * 7)
        rest = part.bars[0].onset + 2 * part.bars[0].beat_ticks
        assert ("F+0+1", rest) in changed_at(plan)

    def test_feet(self) -> None:
        """Left foot D C B, right foot E F G A (MusicXML 4.0, harp-pedals; Volpe Bligh)."""
        part = parse_part("4/4 tempo:60 | C4:1 r:3 | [D♭4 C♭4 B♭4 E♭4 F♭4 G♭4 A♭4]:4")
        plan = plan_pedals(part, quick(), start=(0,) * 7)
        assert {m.letter: m.foot for m in plan.moves} == {
            **dict.fromkeys("DCB", "left"), **dict.fromkeys("EFGA", "right"),
        } or len(plan.moves) < 7
        assert all(m.foot == ("left" if m.letter in "DCB" else "right") for m in plan.moves)
        assert plan.moves

    def test_one_foot_makes_one_move_at_a_time(self) -> None:
        """Two a second for each foot (Volpe Bligh, Writing for the Pedal Harp, item 6): three
        pedals of one foot take their time, one of each foot may go together."""
        part = parse_part("4/4 tempo:60 | [E4 F4 G4]:1 r:3 | [E♭4 F♯4 G♯4 A4 D4]:4")
        player = tier_player("professional")
        plan = plan_pedals(part, player, start=(0,) * 7)
        assert plan.unmet == ()
        times = [part.seconds(m.onset) for m in plan.moves]
        assert len(times) == 3
        gaps = [b - a for a, b in pairwise(times)]
        assert min(gaps) >= player.limits.foot_seconds
        both = parse_part("4/4 tempo:240 | [D4 E4]:1/4 r:1/4 [D♭4 E♭4 C4 F4 G4 A4]:1 r:5/2")
        quickly = plan_pedals(both, player, start=(0,) * 7)
        assert {m.foot for m in quickly.moves} == {"left", "right"}
        assert quickly.unmet == ()

    def test_two_notches_pass_natural_and_cost_more(self) -> None:
        """Hipkins in Grove's Dictionary, Harp: flat above, natural in the middle, sharp below."""
        one = parse_part("4/4 | [D♭4 C4 E♭4]:1 r:3 | [D4 C4 E♭4]:4")
        two = parse_part("4/4 | [A♭4 G4 B4]:1 r:3 | [A♯4 B4 C4 G4]:4")
        player = tier_player("professional")
        first = plan_pedals(one, player, costs=replace(standard_costs(), respelled=9.0))
        second = plan_pedals(two, player, costs=replace(standard_costs(), respelled=9.0))
        assert changed_at(first)[0][0] == "D-1+0"
        assert changed_at(second)[0][0] == "A-1+1"
        assert dict(second.costs)["two notches"] == standard_costs().second_notch
        assert "two notches" not in dict(first.costs)

    def test_ringing_delays_a_move(self) -> None:
        """A low string rings long, a high one briefly (Sibelius Academy harp notation manual):
        leaving it at the same moment costs more in the bass."""

        def ringing(octave: int) -> float:
            part = parse_part(f"4/4 tempo:60 | D{octave}:1 r:3 | D♭{octave}:4")
            costs = replace(standard_costs(), respelled=9.0)
            plan = plan_pedals(part, tier_player("professional"), costs=costs)
            assert len(plan.moves) == 1
            return dict(plan.costs).get("ringing", 0.0)

        assert ringing(2) > ringing(4) >= ringing(6) == 0.0

    def test_unused_pedals_rest_where_the_key_has_them(self) -> None:
        for fifths in range(-7, 8):
            part = parse_part(f"4/4 key:{fifths} | D4:4" if abs(fifths) < 3 else f"4/4 key:{fifths}"
                              " | r:4")
            assert plan_pedals(part, tier_player("professional")).start == key_setting(fifths)

    def test_setting_at(self) -> None:
        part = parse_part("4/4 tempo:60 | F4:1 r:3 | [F♯4 G4 A4 E4]:4")
        costs = replace(standard_costs(), respelled=9.0)
        plan = plan_pedals(part, tier_player("professional"), costs=costs)
        (move,) = plan.moves
        assert plan.setting_at(move.onset - 1) == plan.start == (0,) * 7
        assert plan.setting_at(move.onset) == (0, 0, 0, 0, 1, 0, 0)

    def test_adjacent_pedals_with_one_foot_are_for_soloists(self) -> None:
        """Two neighbouring pedals from flat to natural at once: possible, not for most (harpists'
        discussion naming Stickney, American Harp Journal 29/4: common practice)."""
        first = "[D♭4 C♭4 B♭4 E♭4 F♭4 G♭4 A♭4]:1/4"
        then = "[D♭4 C♭4 B♭4 E♭4 F4 G4 A♭4]:1/4"
        part = parse_part(f"2/4 key:-7 tempo:240 | {first} r:1/4 {then}")
        soloist = plan_pedals(part, tier_player("soloist"), start=(-1,) * 7)
        assert soloist.unmet == ()
        assert {m.letter for m in soloist.moves} == {"F", "G"}
        assert len({m.onset for m in soloist.moves}) == 1
        assert dict(soloist.costs)["two pedals at once"] == standard_costs().adjacent
        amateur = plan_pedals(part, tier_player("amateur"), start=(-1,) * 7)
        assert amateur.unmet

    def test_other_foot_takes_its_neighbour_in_an_emergency(self) -> None:
        """B and E lie side by side: the right foot takes B while the left is busy, for players
        who may be asked, and only to save a place (common practice, from memory)."""
        first = "[D♭4 C4 B♭4 E♭4 F♭4 G♭4 A♭4]:1/4"
        then = "[D4 C4 B4 E♭4 F♭4 G♭4 A♭4]:1/4"
        part = parse_part(f"2/4 key:-7 tempo:240 | {first} r:1/4 {then}")
        start: Setting = (-1, 0, -1, -1, -1, -1, -1)
        plan = plan_pedals(part, tier_player("professional"), start=start)
        assert plan.unmet == ()
        assert {(m.letter, m.foot) for m in plan.moves} == {("D", "left"), ("B", "right")}
        school = plan_pedals(part, tier_player("school"), start=start)
        assert [u.kind for u in school.unmet] == ["time"]


class TestStart:
    def test_given_start_is_kept(self) -> None:
        part = parse_part("4/4 | C4:1 r:3 | C♯4:4")
        start: Setting = (1, 1, 1, 1, 1, 1, 1)
        plan = plan_pedals(part, tier_player("professional"), start=start)
        assert plan.start == start

    def test_printed_setting_only_when_asked_for(self) -> None:
        printed = tuple((letter, 1) for letter in PEDALS)
        part = replace(
            parse_part("4/4 | C♯4:1 r:3 | D♯4:4"),
            given=(GivenSetting(0, (("F", -1),)), GivenSetting(0, printed)),
        )
        player = tier_player("professional")
        assert given_start(part) == (1,) * 7
        assert plan_pedals(part, player, use_given=True).start == (1,) * 7
        assert plan_pedals(part, player).start != (1,) * 7

    def test_printed_setting_after_the_first_note_is_not_the_start(self) -> None:
        printed = tuple((letter, 1) for letter in PEDALS)
        part = replace(parse_part("4/4 | C4:4 | D4:4"), given=(GivenSetting(40320, printed),))
        assert given_start(part) is None

    def test_no_notes(self) -> None:
        part = parse_part("4/4 key:3 | r:4")
        plan = plan_pedals(part, tier_player("professional"))
        assert plan == PedalPlan(key_setting(3), (), (), 0.0, (), (), True)


class TestUnmet:
    def test_impossible_triple(self) -> None:
        """G G♯ A: Canton & Overlach, Composing for Harp. One of the three is given up, not more."""
        part = parse_part("4/4 | C4:4 | C4:2 [G4 G♯4 A4]:2")
        (unmet,) = plan_pedals(part, tier_player("professional")).unmet
        assert unmet.kind == "setting"
        assert part.place(unmet.onset) == ("2", 3.0)
        assert unmet.text == "G♮, G♯ and A♮ together: no setting holds all three"
        assert len(unmet.strikes) == 1

    def test_impossible_quadruple_names_just_the_clash(self) -> None:
        """B C C♯ D can't be had at once (brute force); the E and F with them can."""
        part = parse_part("4/4 | [B3 C4 C♯4 D4 E5 F♯5]:4")
        (unmet,) = plan_pedals(part, tier_player("professional")).unmet
        assert unmet.text == "B♮, C♮, C♯ and D♮ together: no setting holds all four"

    @pytest.mark.parametrize("seed", range(40))
    def test_fewest_sounds_given_up(self, seed: int) -> None:
        """For a lone chord: as many sounds as the best of all 2187 settings leaves out, counted
        plainly."""
        rng = random.Random(seed)
        midi = sorted(rng.sample(range(55, 80), rng.randint(3, 8)))
        part = chords([midi])
        oracle = Oracle(part, tier_player("professional"), BARE)
        least = oracle.strike_costs(0).min() / BARE.unmet_setting
        plan = plan_pedals(part, tier_player("professional"), costs=BARE)
        assert sum(len(u.strikes) for u in plan.unmet) == least

    def test_foot_without_time(self) -> None:
        """Too many pedals of one foot in no time: the place is named with both moves."""
        first, then = "[D4 C4 B4 E4 F4 G4 A4]:1/4", "[D4 C4 B4 E4 F♯4 G♯4 A4]:1/4"
        part = parse_part(f"2/4 tempo:240 | {first} r:1/4 {then}")
        plan = plan_pedals(part, tier_player("amateur"), start=(0,) * 7)
        (unmet,) = plan.unmet
        assert unmet.kind == "time"
        assert {part.strikes[i].pitch.name for i in unmet.strikes} <= {"F♯4", "G♯4"}
        orders = (("F♯", "G♯"), ("G♯", "F♯"))
        assert unmet.text in [
            f"right foot: {a} and then {b} 0.06 s later; it needs 0.60 s" for a, b in orders
        ]

    def test_held_string(self) -> None:
        """A held G and a G♯ with an A: no way but to leave the G early, or a sound."""
        part = parse_part("4/4 tempo:60 | G3:4~ & r:2 [G♯4 A4]:1 r:1 | G3:4 & r:4")
        costs = replace(standard_costs(), unmet_setting=5000.0)
        (unmet,) = plan_pedals(part, tier_player("professional"), costs=costs).unmet
        assert unmet.kind == "held"
        assert unmet.strikes == (0,)
        assert unmet.text == "G♮3 is still held when the G pedal has to go from ♮ to ♯"

    def test_both_notes_are_named_that_one_move_spoils(self) -> None:
        """B♮ and B♭ (as A♯) struck together and both pedals taken away at once: the B pedal leaves
        the one and comes to the sound of the other, whose string then goes too."""
        struck = {
            13440: "B♯4:20160", 16800: "B♭4:1680 B5:10080", 36960: "D♯4:6720 B♯4:10080 C𝄪6:1680",
            43680: "E♯4:1680", 53760: "D♭4:20160 F♯4:1680", 63840: "D♯2:1680",
            67200: "A♭4:1680 G♭4:1680 G4:1680 A♯4:1680", 70560: "B♯4:1680",
        }
        found = [
            (onset, parse_pitch(name), int(length))
            for onset, chord in struck.items()
            for name, length in (note.split(":") for note in chord.split())
        ]
        bars = tuple(Bar(i, str(i + 1), i * 30240, 30240, 6, 8, 6) for i in range(3))
        notes = tuple(Note(i, o, d, p, o // 30240) for i, (o, p, d) in enumerate(found))
        part = Part("P1", "Harp", bars, notes, (TempoMark(0, 30),))
        plan = plan_pedals(part, tier_player("beginner"))
        assert {(m.letter, m.before, m.after) for m in plan.moves if m.onset == 16800} == {
            ("B", 0, -1), ("A", 1, -1)
        }
        assert plan.played[1].name == "A♯4"
        assert [(u.kind, u.strikes, u.text) for u in plan.unmet] == [
            ("held", (1,), "B♭4 is held on another string when the B pedal has to go to ♭"),
            ("held", (2,), "B♮5 is still held when the B pedal has to go from ♮ to ♭"),
        ]

    def test_long_held_values_of_piano_music_are_reported_not_refused(self) -> None:
        """The whole remains playable on paper: notes have strings, one place is named."""
        part = parse_part("4/4 tempo:60 | G3:4~ & [G♯4 A4]:4 | G3:4 & r:4")
        plan = plan_pedals(part, tier_player("professional"))
        assert len(plan.unmet) == 1
        assert len(plan.played) == len(part.strikes)

    def test_range(self) -> None:
        """C♭1 to G♯7 on 47 strings; what lies beyond is named and costs as much as a lost sound."""
        part = parse_part("4/4 | A7:1 C♭1 B♭0 C4".replace("B♭0", "B♭0"))
        plan = plan_pedals(part, tier_player("professional"))
        assert [(u.kind, u.strikes, u.text) for u in plan.unmet] == [
            ("range", (0,), "A♮7 lies above this harp (C♭1 to G♯7)"),
            ("range", (2,), "B♭0 lies below this harp (C♭1 to G♯7)"),
        ]
        assert dict(plan.costs)["unmet range"] == 2 * standard_costs().unmet_setting

    def test_edge_of_the_range_has_one_string(self) -> None:
        """A♭7 has no string on 47, so the top sound must be G♯7."""
        part = parse_part("4/4 key:-3 | A♭7:1 G7 A♭7:2")
        plan = plan_pedals(part, tier_player("professional"))
        assert [p.name for p in plan.played] == ["G♯7", "G7", "G♯7"]
        assert plan.unmet == ()


class TestDiscless:
    """The lowest C and D have no discs and are tuned by hand for the whole piece: Volpe Bligh,
    Writing for the Pedal Harp."""

    def test_no_pedal_is_moved_for_them(self) -> None:
        part = parse_part("4/4 | C1:2 [C♯4 C♯5]:2 | C1:4")
        plan = plan_pedals(part, tier_player("professional"))
        assert plan.unmet == ()
        assert [p.name for p in plan.played] == ["C1", "C♯4", "C♯5", "C1"]
        assert plan.moves == ()

    def test_c_flat_and_c_sharp_in_one_piece(self) -> None:
        """Never both (Goss, 100 Orchestration Tips, no. 65); the one asked for oftener wins."""
        part = parse_part("4/4 | C♭1:1 C4 C♭1 C4 | B♯0:1 C4:3")
        plan = plan_pedals(part, tier_player("professional"))
        (unmet,) = plan.unmet
        assert unmet.kind == "discless"
        assert unmet.strikes == (4,)
        assert unmet.text.endswith("no pedal and is tuned to C♭ for the whole piece")

    def test_d_sharp_goes_to_the_e_string(self) -> None:
        """The E string has its disc: a D♯1 beside a D1 is played as E flat."""
        part = parse_part("4/4 tempo:60 | D1:2 r:2 | D♯1:4")
        plan = plan_pedals(part, tier_player("professional"))
        assert plan.unmet == ()
        assert [p.name for p in plan.played] == ["D1", "E♭1"]


class TestGlissandi:
    def test_setting_holds_through_the_sweep(self) -> None:
        """No pedal moves from the first to the last note of a sweep, though a note of the other
        hand in it would like one."""
        sweep = "C4:3{gliss-start 1} C6:1{gliss-stop 1} ; r:1 F♯3:2 r:1"
        part = parse_part(f"4/4 tempo:60 | F3:4 | {sweep} | F3:4")
        plan = plan_pedals(part, tier_player("professional"))
        begin, end = part.bars[1].onset, part.bars[1].onset + 3 * 10080
        assert plan.unmet == ()
        assert not [m for m in plan.moves if begin < m.onset <= end]
        plain = parse_part("4/4 tempo:60 | F3:4 | C4:3 C6:1 ; r:1 F♯3:2 r:1 | F3:4")
        free = plan_pedals(plain, tier_player("professional"), start=(0,) * 7)
        held = plan_pedals(part, tier_player("professional"), start=(0,) * 7)
        assert any(begin < m.onset <= end for m in free.moves) or free.cost <= held.cost

    def test_sweep_without_an_end_lasts_as_long_as_its_note(self) -> None:
        part = parse_part(
            "4/4 tempo:60 | [G4 A4]:1{gliss-start 1} r:3 ; r:1/2 [G♯2 A2]:1/2 r:3 | C4:4"
        )
        plan = plan_pedals(part, tier_player("professional"), start=(0,) * 7)
        assert [u.kind for u in plan.unmet] == ["setting"]


class TestTrellis:
    def test_every_column_carries_the_optimum(self) -> None:
        """Cost so far plus cost to come, least over settings, is the optimum at every column, also
        where feet are short of time."""
        rng = random.Random(7)
        for tier in ("soloist", "amateur", "beginner"):
            part = random_part(rng, 12)
            trellis = PedalTrellis(part, tier_player(tier))
            for column in range(len(trellis.onsets)):
                assert trellis.through(column).min() == pytest.approx(trellis.cost)
                lower = trellis.prefix_values(column) + trellis.suffix_values(column)
                assert lower.min() <= trellis.cost + 1e-6
            assert trellis.prefix_values(len(trellis.onsets) - 1).min() == pytest.approx(
                trellis.cost
            )

    @pytest.mark.parametrize("seed", range(40))
    def test_edit_costed_in_context_equals_planning_anew(self, seed: int) -> None:
        """A note respelled, removed, or a bar shaken: the same cost as a plan from nothing."""
        rng = random.Random(seed)
        part = random_part(rng, rng.randint(4, 14))
        player = quick(rng.choice(tier_names()), rng.choice([0.2, 0.5, 1.0, 2.0]))
        trellis = PedalTrellis(part, player)
        note = rng.choice(part.notes)
        if rng.random() < 0.5 and len(part.notes) > 1:
            edit = Edit(frozenset([note.id]), (), "leave it out")
        else:
            pitch = Pitch(rng.choice("CDEFGAB"), rng.choice([-1, 0, 1]), 4)
            end = min(note.end, part.bars[note.bar].end)
            moved = changed(note, pitch=pitch, duration=end - note.onset)
            edit = Edit(frozenset([note.id]), (moved,), "another note")
        other = part.apply(edit)
        full = plan_pedals(other, player)
        assert trellis.cost_with(other) == pytest.approx(music_cost(full))
        assert trellis.plan_with(other).cost == pytest.approx(full.cost)

    def test_long_part(self) -> None:
        """Edits in a part of some hundred columns, most of which is not searched again."""
        rng = random.Random(3)
        bars = []
        for _ in range(30):
            notes = [rng.choice(["C", "C♯", "D", "E♭", "E", "F", "F♯", "G", "A♭", "A", "B♭", "B"])
                     + rng.choice("345") for _ in range(4)]
            bars.append(" ".join(f"{n}:1" for n in notes))
        part = parse_part("4/4 tempo:100 | " + " | ".join(bars))
        player = tier_player("professional")
        trellis = PedalTrellis(part, player)
        for at in (0, 5, 60, 118, 119):
            note = part.notes[at]
            pitch = Pitch(note.pitch.step, -1 if note.pitch.alter == 1 else 1, note.pitch.octave)
            other = part.apply(Edit(frozenset([note.id]), (changed(note, pitch=pitch),), "x"))
            assert trellis.cost_with(other) == pytest.approx(plan_pedals(other, player).cost)

    def test_needs_pedals_and_notes(self) -> None:
        with pytest.raises(ValueError, match="pedal harp"):
            PedalTrellis(parse_part("4/4 | C4:4"), tier_player("amateur", "lever-34"))
        with pytest.raises(ValueError, match="note"):
            PedalTrellis(parse_part("4/4 | r:4"), tier_player("amateur"))


class TestLazyLayout:
    @pytest.mark.parametrize("seed", range(12))
    def test_laying_out_everything_changes_nothing(self, seed: int) -> None:
        """The search lays slots out moment by moment only where feet are short of time; with all
        of them laid out from the beginning the optimum is the same."""
        rng = random.Random(seed)
        part = random_part(rng, 14)
        line = build_line(part, tier_player(rng.choice(tier_names())), standard_costs())
        everywhere = frozenset((slot, foot) for slot in range(line.slots) for foot in (0, 1))
        program = build_program(line, None, everywhere, 200)
        whole = conclude(line, None, run(program, first_state(line, None)), everywhere, 200)
        lazy = solve(line, None)
        assert whole.optimal
        assert lazy.optimal
        assert whole.account.total == lazy.account.total


@st.composite
def parts(draw: st.DrawFn) -> tuple[Part, Player]:
    """Random music and any tier."""
    seed = draw(st.integers(0, 10**6))
    columns = draw(st.integers(1, 16))
    part = random_part(random.Random(seed), columns)
    tempo = draw(st.sampled_from([30.0, 66.0, 120.0, 240.0]))
    tier = draw(st.sampled_from(tier_names()))
    return replace(part, tempo=(TempoMark(0, tempo),)), tier_player(tier)


class TestProperties:
    @settings(max_examples=150, deadline=None)
    @given(parts())
    def test_plan_is_sound(self, case: tuple[Part, Player]) -> None:
        """Every plan: aligned, in order, costs adding up, the same again. Strikes that no unmet
        place names sound right; without unmet places the replay shows no fault."""
        part, player = case
        plan = plan_pedals(part, player)
        assert plan == plan_pedals(part, player)
        assert len(plan.played) == len(part.strikes)
        assert list(plan.moves) == sorted(
            plan.moves, key=lambda m: (m.onset, PEDALS.index(m.letter))
        )
        assert sum(amount for _, amount in plan.costs) == pytest.approx(plan.cost)
        assert plan.optimal
        found = faults(part, player, standard_costs(), plan)
        if not plan.unmet:
            assert found == []
        lost = {i for u in plan.unmet for i in u.strikes}
        for index, (strike, pitch) in enumerate(zip(part.strikes, plan.played, strict=True)):
            if index not in lost:
                at = dict(zip(PEDALS, plan.setting_at(strike.onset), strict=True))
                assert pitch.midi == strike.pitch.midi
                assert at[pitch.step] == pitch.alter

    @settings(max_examples=100, deadline=None)
    @given(parts(), st.sampled_from(ADDED), st.sampled_from([1.5, 3.0]))
    def test_nothing_gets_cheaper_when_a_cost_rises(
        self, case: tuple[Part, Player], name: str, factor: float
    ) -> None:
        """Each amount is paid for something, so the least cost can only rise with it."""
        part, player = case
        costs = standard_costs()
        dearer = replace(costs, **{name: factor * getattr(costs, name) + 0.01})
        before = plan_pedals(part, player, costs=costs)
        after = plan_pedals(part, player, costs=dearer)
        assert after.cost >= before.cost - 1e-6

    @settings(max_examples=60, deadline=None)
    @given(parts(), st.integers(0, 2186))
    def test_a_given_start_never_costs_less_than_a_free_one(
        self, case: tuple[Part, Player], number: int
    ) -> None:
        part, player = case
        start = tuple(number // 3**i % 3 - 1 for i in range(7))
        costs = replace(standard_costs(), start=0.0)
        free = plan_pedals(part, player, costs=costs)
        fixed = plan_pedals(part, player, start=start, costs=costs)  # type: ignore[arg-type]
        assert fixed.start == start
        assert free.cost <= fixed.cost + 1e-6


class TestCosts:
    def test_every_number_has_unit_and_source(self) -> None:
        for name, row in cost_table().items():
            assert set(row) == {"value", "unit", "source"}, name
            assert row["unit"]
            assert row["source"]

    def test_every_field_is_in_the_table(self) -> None:
        assert {f.name for f in fields(PedalCosts)} <= set(cost_table())

    def test_order_of_magnitude(self) -> None:
        """A place that can't be met outweighs all awkwardness of a passage, and keeping a spelling
        less than a move."""
        costs = standard_costs()
        assert costs.respelled < costs.move
        assert costs.unmet_held > 20 * costs.move
        assert costs.unmet_setting > costs.unmet_time > costs.unmet_held
        assert costs.muffle < costs.move


def test_a_part_of_one_setting_is_planned_as_the_search_would() -> None:
    """Random parts drawn from one setting, with and without a given start, against the search."""
    rng = random.Random(5)
    seen = 0
    for _ in range(150):
        setting = [rng.randint(-1, 1) for _ in PEDALS]
        fifths = rng.randint(-7, 7)
        tier = rng.choice(tier_names())
        rows = []
        for _ in range(rng.randint(1, 8)):
            letters = rng.sample(range(7), rng.randint(1, 4))
            names = [
                f"{PEDALS[at]}{('', '#', 'b')[setting[at]]}{rng.randint(2, 5)}" for at in letters
            ]
            rows.append(f"[{' '.join(names)}]:4")
        part = parse_part(f"4/4 key:{fifths} tempo:60 | " + " | ".join(rows))
        start: Setting | None = None
        if rng.random() < 0.3:
            d, c, b, e, f, g, a = setting
            start = d, c, b, e, f, g, a
        player = tier_player(tier)
        solution = solve(build_line(part, player, standard_costs()), start)
        plan = plan_pedals(part, player, start=start)
        assert plan.start == setting_at(solution.start)
        assert not plan.moves
        assert not solution.moves
        assert plan.optimal
        assert plan.cost == pytest.approx(solution.account.total / SCALE)
        assert plan.played == tuple(strike.pitch for strike in part.strikes)
        seen += plan.cost > 0
    assert seen > 50
