"""The lever planner: what levers give (computed from the tuning), and when the left hand turns
them."""

from __future__ import annotations

import random
from dataclasses import replace
from itertools import pairwise, product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simplify.harp.instrument import (
    PEDALS,
    Instrument,
    Setting,
    instrument,
    instruments,
    key_setting,
)
from simplify.harp.player import Player, tier_names, tier_player
from simplify.score.model import TICKS, Part, Pitch, TempoMark
from simplify.score.text import parse_part
from simplify.technique.levers import lever_gap, plan_levers
from simplify.technique.pedal_line import held_until, standard_costs
from simplify.technique.pedals import plan_pedals
from simplify.technique.plan import PedalPlan
from tests.pedal_oracle import random_part

MAJOR = {"C": 0, "G": 1, "D": 2, "A": 3, "E": 4, "B": 5, "F♯": 6, "C♯": 7, "F": -1, "B♭": -2,
         "E♭": -3, "A♭": -4, "D♭": -5, "G♭": -6, "C♭": -7}


def levers_up(harp: Instrument, fifths: int) -> int | None:
    """How many letters stand with the lever up in a major key, None if the harp can't have it."""
    key = key_setting(fifths)
    steps = [wanted - base for wanted, base in zip(key, harp.tuning, strict=True)]
    return sum(steps) if set(steps) <= {0, 1} else None


class TestTuning:
    @pytest.mark.parametrize(
        ("key", "up"),
        [("E♭", 0), ("B♭", 1), ("F", 2), ("C", 3), ("G", 4), ("D", 5), ("A", 6), ("E", 7),
         ("A♭", None), ("D♭", None), ("F♯", None), ("G♭", None), ("B", None)],
    )
    def test_keys_of_a_harp_in_e_flat(self, key: str, up: int | None) -> None:
        """Computed from the tuning; that A flat, D flat, F sharp and B major can't be had is common
        practice. Harps in E flat are standard in the ABRSM syllabus."""
        harp = instrument("lever-34")
        assert levers_up(harp, MAJOR[key]) == up
        alters = dict(zip(PEDALS, key_setting(MAJOR[key]), strict=True))
        playable = all(alters[letter] in harp.positions(letter) for letter in PEDALS)
        assert playable == (up is not None)

    @pytest.mark.parametrize(
        ("harp", "keys"),
        [
            ("lever-34-c", ["C", "G", "D", "A", "E", "B", "F♯", "C♯"]),
            ("lever-34-f", ["F", "C", "G", "D", "A", "E", "B", "F♯"]),
        ],
    )
    def test_keys_of_harps_in_c_and_f(self, harp: str, keys: list[str]) -> None:
        """None to seven levers, one more for each fifth (computed)."""
        assert [levers_up(instrument(harp), MAJOR[key]) for key in keys] == list(range(8))
        others = [k for k in MAJOR if k not in keys]
        assert all(levers_up(instrument(harp), MAJOR[k]) is None for k in others)

    def test_sounds_of_each_string_in_e_flat(self) -> None:
        """C C♯, D D♯, E♭ E, F F♯, G G♯, A♭ A, B♭ B: so no A♯ on the A string (computed)."""
        harp = instrument("lever-34")
        names = {
            letter: [Pitch(letter, p, 4).name for p in harp.positions(letter)] for letter in PEDALS
        }
        assert names == {
            "C": ["C4", "C♯4"], "D": ["D4", "D♯4"], "E": ["E♭4", "E4"], "F": ["F4", "F♯4"],
            "G": ["G4", "G♯4"], "A": ["A♭4", "A4"], "B": ["B♭4", "B4"],
        }
        assert [p.name for p in harp.strings_for(Pitch("A", 1, 4))] == ["B♭4"]

    @pytest.mark.parametrize("key", ["E♭", "B♭", "F", "C", "G", "D", "A", "E"])
    def test_a_scale_needs_no_turn(self, key: str) -> None:
        """Every key of the harp is set before the piece and played without a lever turned."""
        alters = dict(zip(PEDALS, key_setting(MAJOR[key]), strict=True))
        notes = " ".join(f"{x}{'♭♮♯'[alters[x] + 1].strip('♮')}4:1/2" for x in "CDEFGAB")
        part = parse_part(f"4/4 key:{MAJOR[key]} | {notes} ; -")
        plan = plan_pedals(part, tier_player("school", "lever-34"))
        assert plan.start == key_setting(MAJOR[key])
        assert plan.moves == ()
        assert plan.unmet == ()
        assert plan.cost == 0.0


class TestTurns:
    def test_one_lever_moves_one_string(self) -> None:
        """A lever raises its own string, not the octaves (Hipkins in Grove's Dictionary, Harp, on
        the hooks before pedals): C♯5 and C4 stand side by side."""
        part = parse_part("4/4 key:0 | [C4 C♯5]:4 ; -")
        plan = plan_pedals(part, tier_player("school", "lever-34"))
        assert plan.unmet == ()
        assert [p.name for p in plan.played] == ["C4", "C♯5"]
        (move,) = plan.moves
        assert (move.letter, move.string, move.foot) == ("C", 35, "left hand")
        assert move.onset == part.bars[0].onset  # set before the piece

    def test_left_hand_turns_while_it_rests(self) -> None:
        """The lever is turned by the left hand, which then can't play (common practice)."""
        part = parse_part("4/4 tempo:60 | C5:1 r:2 C♯5:1 ; C3:1 r:3")
        plan = plan_pedals(part, tier_player("amateur", "lever-34"))
        turns = [m for m in plan.moves if m.onset > 0]
        assert plan.unmet == ()
        assert [(m.string, m.before, m.after) for m in turns] == [(35, 0, 1)]
        assert 0 < turns[0].onset < 3 * TICKS

    def test_no_time_under_a_busy_left_hand(self) -> None:
        part = parse_part("4/4 tempo:120 | C5:1 r:1 C♯5:2 ; C3:1/2 G3 C4 G3 C3 G3 C4 G3")
        plan = plan_pedals(part, tier_player("amateur", "lever-34"))
        (unmet,) = plan.unmet
        assert unmet.kind == "time"
        assert unmet.text == "the left hand has no time to turn the lever of C5 to C♯"
        assert [part.strikes[i].pitch.name for i in unmet.strikes] == ["C♯5"]

    def test_hands_say_who_is_busy(self) -> None:
        """The same notes with the lower staff taken by the right hand leave the left one free."""
        part = parse_part("4/4 tempo:60 | C5:1 r:1 C♯5:2 ; C3:1/2 G3 C4 G3 C3 G3 C4 G3")
        player = tier_player("amateur", "lever-34")
        assert plan_levers(part, player).unmet
        free = plan_levers(part, player, hands=["R"] * len(part.strikes))
        assert free.unmet == ()

    def test_synonym_saves_a_turn(self) -> None:
        """On a harp in E flat D♯ is E flat: no lever for it."""
        part = parse_part("4/4 tempo:60 key:-3 | E♭4:2 D4 | D♯4:4 ; C3:1 C3 C3 C3 | C3:4")
        plan = plan_pedals(part, tier_player("amateur", "lever-34"))
        assert plan.moves == ()
        assert [p.name for p in plan.played if p.octave == 4] == ["E♭4", "D4", "E♭4"]

    def test_two_sounds_of_one_string(self) -> None:
        part = parse_part("4/4 | [C5 C♯5]:4 ; -")
        (unmet,) = plan_pedals(part, tier_player("soloist", "lever-34")).unmet
        assert unmet.kind == "setting"
        assert unmet.text == "C♮5 and C♯5 together: no lever setting holds them"

    def test_range(self) -> None:
        part = parse_part("4/4 | B1:2 B6:2 ; -")
        plan = plan_pedals(part, tier_player("school", "lever-34"))
        assert [(u.kind, u.text) for u in plan.unmet] == [
            ("range", "B♮1 lies below this harp (C2 to A6)"),
            ("range", "B♮6 lies above this harp (C2 to A6)"),
        ]

    def test_given_start(self) -> None:
        """Given levers are kept; what the first note needs otherwise is turned before it."""
        part = parse_part("4/4 tempo:60 | F♯4:4 ; -")
        start: Setting = (0, 0, -1, -1, 0, 0, -1)
        plan = plan_pedals(part, tier_player("school", "lever-34"), start=start)
        assert plan.start == start
        assert [(m.letter, m.after, m.onset) for m in plan.moves] == [("F", 1, 0)]
        assert plan.cost == 1.0

    def test_two_levers_one_hand(self) -> None:
        """Two levers in one gap follow one another."""
        part = parse_part("4/4 tempo:60 | [C5 F5]:1 r:2 [C♯5 F♯5]:1 ; C3:1 r:3")
        plan = plan_pedals(part, tier_player("amateur", "lever-34"))
        times = [part.seconds(m.onset) for m in plan.moves if m.onset > 0]
        assert plan.unmet == ()
        assert len(times) == 2
        assert times[1] - times[0] >= lever_gap(tier_player("amateur")) - 1e-6


def brute(part: Part, player: Player, free: bool = True) -> float:
    """Least cost with every gap of the left hand free for any number of levers: each string's
    levers enumerated over all its events. A lower bound, attained where time is plenty."""
    costs, harp = standard_costs(), player.harp
    total = 0.0
    strings = range(harp.lowest, harp.highest + 1)
    done: set[int] = set()
    for string in strings:
        if string in done:
            continue
        group = [string]
        base = {s: harp.tuning[PEDALS.index("CDEFGAB"[s % 7])] for s in (string, string + 1)}
        here = Pitch.on_string(string, base[string]).midi
        above = Pitch.on_string(string + 1, base[string + 1]).midi
        if string + 1 in strings and above <= here + 1:
            group.append(string + 1)
        done.update(group)
        sounds = {s: Pitch.on_string(s, base[s]).midi for s in group}
        events: dict[int, set[Pitch]] = {}
        for strike in part.strikes:
            if any(strike.pitch.midi in (sounds[s], sounds[s] + 1) for s in group):
                events.setdefault(strike.onset, set()).add(strike.pitch)
        if not events:
            continue
        best = float("inf")
        for path in product(product((0, 1), repeat=len(group)), repeat=len(events)):
            cost = 0.0
            for state, onset in zip(path, sorted(events), strict=True):
                given_now = {sounds[s] + up: s for s, up in zip(group, state, strict=True)}
                for midi in {p.midi for p in events[onset]}:
                    if midi not in given_now:
                        cost += costs.unmet_setting
                        continue
                    written = next(p for p in sorted(events[onset], key=lambda p: p.name)
                                   if p.midi == midi)
                    own = written.string in group and written.alter in harp.positions(written.step)
                    now = dict(zip(group, state, strict=True))
                    if own and base.get(written.string, 9) + now.get(written.string, 0) != (
                        written.alter
                    ):
                        cost += costs.respelled
            cost += sum(
                one != two for a, b in pairwise(path) for one, two in zip(a, b, strict=True)
            )
            best = min(best, cost)
        total += best
    return total


class TestExact:
    @pytest.mark.parametrize("seed", range(60))
    def test_turns_and_spellings_by_enumeration(self, seed: int) -> None:
        """With all the time in the world the cost is that of the best of all lever sequences,
        enumerated string by string, but for the small price of the moments and of the first
        setting."""
        rng = random.Random(seed)
        harp = rng.choice(["lever-34", "lever-34-c", "lever-34-f"])
        player = tier_player("soloist", harp)
        part = random_part(rng, rng.randint(1, 5))
        tempo = (TempoMark(0, 1.0),)
        short = tuple(
            replace(n, duration=min(n.duration, 200), pitch=replace(n.pitch, octave=4))
            for n in part.notes
        )
        distinct = {(n.onset, n.pitch.midi): n for n in short}
        notes = tuple(sorted(distinct.values(), key=lambda n: n.order_key))
        part = replace(part, tempo=tempo, notes=notes)
        plan = plan_levers(part, player, hands=["R"] * len(part.strikes))
        aside = {"moment", "first setting", "unmet range"}
        cost = sum(amount for cause, amount in plan.costs if cause not in aside)
        assert cost == pytest.approx(brute(part, player))
        assert plan.optimal


def faults(part: Part, player: Player, plan: PedalPlan, hands: list[str]) -> list[str]:
    """What goes wrong when a plan is played."""
    found, harp = [], player.harp
    now = {
        string: plan.start[PEDALS.index("CDEFGAB"[string % 7])]
        for string in range(harp.lowest, harp.highest + 1)
    }
    busy = sorted({s.onset for s, hand in zip(part.strikes, hands, strict=True) if hand == "L"})
    made = sorted(plan.moves, key=lambda m: m.onset)
    for strike, pitch in zip(part.strikes, plan.played, strict=True):
        state = dict(now)
        for move in made:
            if move.onset <= strike.onset and move.string is not None:
                state[move.string] = move.after
        if pitch.midi != strike.pitch.midi or state[pitch.string] != pitch.alter:
            found.append(f"{pitch.name} at {strike.onset}: the lever stands otherwise")
    for move in made:
        if move.onset == part.bars[0].onset:
            continue
        after = [t for t in busy if t > move.onset]
        before = [t for t in busy if t <= move.onset]
        low = part.seconds(before[-1] if before else part.bars[0].onset)
        high = part.seconds(after[0] if after else part.end)
        if high - low < lever_gap(player) - 1e-6 or move.onset in busy:
            found.append(f"{move}: the left hand is busy")
        for strike, pitch in zip(part.strikes, plan.played, strict=True):
            until = held_until(part, strike, standard_costs())
            if pitch.string == move.string and strike.onset < move.onset < until:
                found.append(f"{move}: {pitch.name} is held")
    return found


def gentle_part(rng: random.Random, harp: Instrument) -> Part:
    """Quarter and half notes in a key the harp has, now and then one altered, over a left hand with
    a note or two in a bar: music a lever harpist might be given."""
    keys = [f for f in range(-7, 8) if levers_up(harp, f) is not None]
    fifths = rng.choice(keys)
    key = dict(zip(PEDALS, key_setting(fifths), strict=True))
    bars = []
    for _ in range(rng.randint(2, 6)):
        upper, left = [], 4
        while left:
            length = rng.choice([n for n in (1, 1, 2) if n <= left])
            letter = rng.choice("CDEFGAB")
            alter = key[letter]
            if rng.random() < 0.2:
                alter = rng.choice(harp.positions(letter))
            name = f"{letter}{'♭♮♯'[alter + 1].strip('♮')}{rng.choice('45')}"
            upper.append(f"{name if rng.random() < 0.9 else 'r'}:{length}")
            left -= length
        letter = rng.choice("CDEFGAB")
        name = f"{letter}{'♭♮♯'[key[letter] + 1].strip('♮')}3"
        lower = rng.choice([f"{name}:1 r:3", f"{name}:2 {name}:2", f"{name}:4", "r:4"])
        bars.append(" ".join(upper) + " ; " + lower)
    return parse_part(f"4/4 key:{fifths} tempo:{rng.choice([50, 72, 100])} | " + " | ".join(bars))


LEVER_HARPS = sorted(name for name, harp in instruments().items() if harp.kind == "lever")


class TestProperties:
    @settings(max_examples=150, deadline=None)
    @given(
        st.integers(0, 10**6),
        st.sampled_from(LEVER_HARPS),
        st.sampled_from(tier_names()),
        st.booleans(),
    )
    def test_plan_is_sound(self, seed: int, harp: str, tier: str, gentle: bool) -> None:
        """Every plan: the same again, aligned, costs adding up; without unmet places every note
        sounds and no lever is turned by a busy hand or under a held note."""
        rng = random.Random(seed)
        player = tier_player(tier, harp)
        part = gentle_part(rng, player.harp) if gentle else random_part(rng, rng.randint(1, 10))
        hands = ["L" if s.first.staff == 2 else "R" for s in part.strikes]
        plan = plan_levers(part, player, hands=hands)
        assert plan == plan_levers(part, player)
        assert len(plan.played) == len(part.strikes)
        assert sum(amount for _, amount in plan.costs) == pytest.approx(plan.cost)
        assert all(m.foot == "left hand" and m.string is not None for m in plan.moves)
        if not plan.unmet:
            assert faults(part, player, plan, hands) == []

    def test_most_gentle_music_is_planned_to_the_optimum(self) -> None:
        """The lower bound is attained wherever the left hand has time enough, which is nearly
        always in such music; and much of it needs levers turned and gets them in time."""
        proved = turned = 0
        for seed in range(200):
            rng = random.Random(seed)
            player = tier_player("professional", rng.choice(LEVER_HARPS))
            plan = plan_levers(gentle_part(rng, player.harp), player)
            proved += plan.optimal
            turned += not plan.unmet and any(m.onset > 0 for m in plan.moves)
        assert proved >= 190
        assert turned >= 40
