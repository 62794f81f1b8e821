"""Lever harps: which tuning suits the music, and what is printed for the player."""

from __future__ import annotations

from dataclasses import dataclass, replace

from simplify.harp.instrument import PEDALS, Instrument, Setting, key_setting
from simplify.harp.player import Player
from simplify.score.marks import PedalMark
from simplify.score.model import ALTER_SIGNS, STEPS, Part, Pitch
from simplify.technique.levers import plan_levers
from simplify.technique.plan import PedalPlan

TUNINGS = {"Eb": -3, "C": 0, "F": -1}
"""Usual tunings with the levers down, as key signatures (ABRSM harp syllabus information)."""


@dataclass(frozen=True, slots=True)
class TuningCost:
    """What a piece asks of a lever harp in a tuning. turns: levers turned while playing; raised:
    levers up before it begins; unmet: places that levers can't serve."""

    name: str
    harp: Instrument
    turns: int
    raised: int
    unmet: int


def tuned(harp: Instrument, name: str) -> Instrument:
    """The harp in another tuning (`Eb`, `C` or `F`)."""
    tuning = key_setting(TUNINGS[name])
    if tuning == harp.tuning:
        return harp
    size = harp.title.split(", tuned")[0]
    words = {"Eb": "E flat", "C": "C", "F": "F"}[name]
    return replace(harp, tuning=tuning, title=f"{size}, tuned in {words}")


def tunings(part: Part, player: Player) -> tuple[TuningCost, ...]:
    """The usual tunings, the one that asks for least first; () for a pedal harp."""
    if player.harp.has_pedals:
        return ()
    first = part.bars[0].onset
    found = []
    for name in TUNINGS:
        harp = tuned(player.harp, name)
        plan = plan_levers(part, replace(player, harp=harp))
        turns = sum(move.onset > first for move in plan.moves)
        found.append(TuningCost(name, harp, turns, len(_raised(harp, plan)), len(plan.unmet)))
    return tuple(sorted(found, key=lambda t: (t.unmet, t.turns, t.raised, t.name != "Eb")))


def _raised(harp: Instrument, plan: PedalPlan) -> list[Pitch]:
    """Strings whose lever is up when the piece begins."""
    begin: dict[int, int] = {
        string: plan.start[PEDALS.index(STEPS[string % 7])]
        for string in range(harp.lowest, harp.highest + 1)
    }
    first = min((move.onset for move in plan.moves), default=0)
    for move in plan.moves:
        if move.string is not None and move.onset == first == _start(plan):
            begin[move.string] = move.after
    return [
        Pitch.on_string(string, alter)
        for string, alter in sorted(begin.items())
        if alter > harp.tuning[PEDALS.index(STEPS[string % 7])]
    ]


def _start(plan: PedalPlan) -> int:
    """The first tick of a plan: moves there are set before the piece."""
    return min((move.onset for move in plan.moves), default=0)


def lever_marks(harp: Instrument, plan: PedalPlan, onset: int, end: int) -> tuple[PedalMark, ...]:
    """The levers that are up at `onset`, as words, and each turn in (onset, end) at its moment as
    the note that the string then gives, such as F♯4."""
    state: dict[int, int] = {
        string: plan.start[PEDALS.index(STEPS[string % 7])]
        for string in range(harp.lowest, harp.highest + 1)
    }
    turns: dict[int, list[str]] = {}
    for move in plan.moves:
        if move.string is None:
            continue
        if move.onset <= onset:
            state[move.string] = move.after
        elif move.onset < end:
            name = f"{move.letter}{ALTER_SIGNS[move.after]}{move.string // 7}"
            turns.setdefault(move.onset, []).append(name)
    return (
        PedalMark(onset, "words", (), setting_words(harp.tuning, state)),
        *(PedalMark(tick, "words", (), " ".join(names)) for tick, names in sorted(turns.items())),
    )


def setting_words(tuning: Setting, state: dict[int, int]) -> str:
    """'Levers up: F♯ C♯, G♯4': whole letters first, then single strings; 'Levers down' if none."""
    up = {
        string: alter for string, alter in state.items()
        if alter > tuning[PEDALS.index(STEPS[string % 7])]
    }
    whole, single = [], []
    for letter in "FCGDAEB":
        strings = [s for s in state if STEPS[s % 7] == letter]
        raised = [s for s in strings if s in up]
        if raised and len(raised) == len(strings):
            whole.append(f"{letter}{ALTER_SIGNS[up[raised[0]]]}")
        else:
            single += [f"{letter}{ALTER_SIGNS[up[s]]}{s // 7}" for s in raised]
    both = ", ".join(filter(None, [" ".join(whole), " ".join(single)]))
    return f"Levers up: {both}" if both else "Levers down"
