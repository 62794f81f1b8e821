"""The words that terminal, page and print share: layers, grades, bars, players, pedals."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence

from simplify.arrange.proposals import Proposal
from simplify.counted import counted
from simplify.difficulty.curve import Reason, count_words, demand_of
from simplify.harp.instrument import LEFT_FOOT, PEDALS, Setting
from simplify.harp.player import MODERATE, SIMPLE, Player
from simplify.report.results import AssessResult, RewriteResult, Step, StretchResult
from simplify.score.model import ALTER_SIGNS, Part
from simplify.sense import Slip
from simplify.technique.plan import Fault, PedalMove

LAYER_WORDS = {
    "fingers": "fingers",
    "between_hands": "between the hands",
    "pedals": "pedals",
    "harmonic_rhythm": "harmonic rhythm",
    "rhythm": "rhythm",
    "counterpoint": "counterpoint",
}


def grade(load: float) -> str:
    """simple, moderate or complex."""
    return "simple" if load <= SIMPLE else "moderate" if load <= MODERATE else "complex"


FAR = 2.5
"""Demand from which a load is shown as so many times over (estimate: above it loads look alike)."""


def load_words(load: float) -> str:
    """Such as '0.42 (moderate)' or '0.98 (complex, 3.7 times over)'."""
    demand = demand_of(load)
    over = f", {demand:.1f} times over" if demand >= FAR else ""
    return f"{load:.2f} ({grade(load)}{over})"


MANY_STEPS = 8
"""Lines from which steps of one strategy are told together (estimate: what is read at a glance)."""


def bars_words(first: str, last: str) -> str:
    """'bar 5' or 'bars 5-8'."""
    return f"bar {first}" if first == last else f"bars {first}-{last}"


def bar_list_words(part: Part, bars: Iterable[int]) -> str:
    """'bar 5', 'bars 5-8' or 'bars 5, 7 and 9-11': of bar indices of the part."""
    runs: list[list[int]] = []
    for bar in sorted(set(bars)):
        if runs and bar == runs[-1][1] + 1:
            runs[-1][1] = bar
        else:
            runs.append([bar, bar])
    names = [
        part.bars[low].number if low == high
        else f"{part.bars[low].number}-{part.bars[high].number}"
        for low, high in runs
    ]
    many = "bar" if len(runs) == 1 and runs[0][0] == runs[0][1] else "bars"
    return f"{many} {', '.join(names[:-1])} and {names[-1]}" if names[1:] else f"{many} {names[0]}"


def steps_words(part: Part, steps: Sequence[Step]) -> tuple[str, ...]:
    """What changes, a line an act, in the order of the bars: the same act in several bars is told
    once. More than `MANY_STEPS` lines are gathered further, by strategy and hand."""
    index = {bar.number: bar.index for bar in reversed(part.bars)}
    lines = _gathered(steps, index, lambda step: (step.strategy, step.hand, step.text))
    if len(lines) > MANY_STEPS:
        lines = _gathered(steps, index, lambda step: (step.strategy, step.hand))
    return tuple(f"{bar_list_words(part, bars)}, {text}" for bars, text in lines)


def _gathered(
    steps: Sequence[Step], index: Mapping[str, int], key: Callable[[Step], tuple[str, ...]]
) -> list[tuple[frozenset[int], str]]:
    """(bar indices, words) of each set of steps that share a key: their words, or their strategy's
    title if they differ; the earliest first."""
    rows: dict[tuple[str, ...], list[Step]] = {}
    for step in steps:
        rows.setdefault(key(step), []).append(step)
    found = []
    for same in rows.values():
        one = same[0]
        bars = frozenset(
            bar for step in same for bar in range(index[step.first], index[step.last] + 1)
        )
        title = f"{one.hand}: {one.title[:1].lower()}{one.title[1:]}"
        found.append((bars, one.text if len({step.text for step in same}) == 1 else title))
    return sorted(found, key=lambda row: (min(row[0]), max(row[0])))


def setting_words(setting: Setting) -> str:
    """Such as ``D♮ C♮ B♭ | E♭ F♮ G♮ A♭``: left foot, then right foot."""
    names = [
        f"{letter}{ALTER_SIGNS[position]}"
        for letter, position in zip(PEDALS, setting, strict=True)
    ]
    return " ".join(names[: len(LEFT_FOOT)]) + " | " + " ".join(names[len(LEFT_FOOT) :])


def for_whom(tier: str | None) -> str:
    """The tier in a sentence's end."""
    if tier is None:
        return "more than a soloist could prepare as it stands"
    return f"within reach of {_one(tier)}"


def _one(tier: str) -> str:
    """'an amateur player', 'a soloist'."""
    who = tier if tier in ("beginner", "soloist") else f"{tier} player"
    return f"{'an' if tier == 'amateur' else 'a'} {who}"


def stretch_words(result: AssessResult, stretch: StretchResult) -> str:
    """A stretch in one line: bars, difficulty, for whom, what can't be played, complex layers.

    What two stretches ask for together at their join is neither one's (as in `tiers.Readings`)."""
    bars = result.part.bars[stretch.first : stretch.last + 1]
    words = f"{bars_words(bars[0].number, bars[-1].number)}: {stretch.difficulty:.0f}, "
    words += for_whom(stretch.tier)
    strikes, low, high = result.performance.strikes, bars[0].onset, bars[-1].end
    stuck = sum(
        low <= fault.onset < high
        and all(low <= strikes[i].onset < high for i in fault.strikes)
        for fault in result.faults
    )
    if stuck:
        words += f"; {count_words(stuck)} {'place' if stuck == 1 else 'places'} can't be played"
    if stretch.complex_layers:
        words += "; complex: " + ", ".join(LAYER_WORDS[name] for name in stretch.complex_layers)
    return words


def player_words(player: Player) -> str:
    """A person by name, a tier as 'an amateur player'."""
    if player.name != player.tier:
        return player.name
    return _one(player.tier)


def reason_words(reason: Reason) -> str:
    """Where, which hand, what."""
    hand = {"left": ", left hand", "right": ", right hand", "both": ", both hands"}
    where = f"bar {reason.bar} beat {reason.beat:g}{hand.get(reason.hand, '')}"
    return f"{where}: {reason.text}"


def fault_words(fault: Fault) -> str:
    """Where and what."""
    return f"bar {fault.bar} beat {fault.beat:g}: {fault.text}"


def move_words(part: Part, move: PedalMove) -> str:
    """Where, from what to what, with which foot."""
    bar, beat = part.place(move.onset)
    letter = move.letter if move.string is None else f"{move.letter}{move.string // 7}"
    limb = move.foot if " " in move.foot else f"{move.foot} foot"
    return (
        f"bar {bar} beat {beat:g}: {letter}{ALTER_SIGNS[move.before]} → "
        f"{letter}{ALTER_SIGNS[move.after]} ({limb})"
    )


def least_change_words(result: AssessResult) -> str:
    """The least that would bring it within the tier, as a sentence."""
    choices = [
        " and ".join(f"{LAYER_WORDS[layer]} to {level}" for layer, level in choice)
        for choice in result.remedies[:4]
    ]
    which = choices[0] if len(choices) == 1 else f"any one of: {'; '.join(choices)}"
    if result.faults:
        return f"Once the places that can't be played are mended, it would be within with {which}."
    return f"It would be within with {which}."


def slip_words(slips: Sequence[Slip]) -> str:
    """What a teacher of harmony would mark: 'a teacher would mark: bar 5, ...'."""
    found = dict.fromkeys(f"bar {slip.bar}, {slip.text}" for slip in slips)
    return "a teacher of harmony would mark: " + "; ".join(found)


def proposal_words(result: RewriteResult, one: Proposal) -> str:
    """A proposal for the whole piece and what it does to the bars asked for."""
    bars = result.part.bars
    span = bars_words(bars[result.first].number, bars[result.last].number)
    stuck = f", {counted(one.faults, 'place')} that can't be played" if one.faults else ""
    within = "within the tier" if one.within else "not yet within the tier"
    return (
        f"{one.kind.title[:1].lower()}{one.kind.title[1:]}: {one.text}; difficulty of {span} "
        f"{result.original_difficulty:.0f} → {one.difficulty:.0f}{stuck}, {within}"
    )
