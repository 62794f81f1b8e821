"""One piece in versions for several players, each derived from the next harder one.

Bars that an easier player can take stay as the harder version has them, so that a pupil who moves
up keeps what was learnt; the others are eased further. Each version is easier than the one before
by a useful step, also where the tier alone would not ask for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from simplify.arrange.gather import Gathered, dressed
from simplify.arrange.numbers import numbers
from simplify.arrange.reduce import beats_kept, retained, tune_in, unchanged_bars
from simplify.counted import counted
from simplify.difficulty.load import Reading, read_for
from simplify.distance import distance
from simplify.harp.player import LAYERS, MODERATE, SIMPLE, Player
from simplify.realise.bar import Basis, Dials, basis_of
from simplify.score.model import Part, Passage
from simplify.search.ease import Progress, ease
from simplify.technique.hands import Learnt, learnt_key
from simplify.technique.plan import Performance


@dataclass(frozen=True, slots=True)
class Hint:
    """How to practise bars first..last (printed numbers)."""

    first: str
    last: str
    text: str


@dataclass(frozen=True, slots=True)
class Rung:
    """One version. carried: bars (indices) the same as in the harder version (for the hardest: as
    in the source); same_fingers: share of the notes in them that the plans finger alike; step:
    difficulty less than the harder version's; reached: within the player's measure; stepped: easier
    by the useful step; tune_kept (notes), beats_kept (the
    tune's strongest note of each beat), bass_kept, distance: against the source."""

    player: Player
    part: Part
    reading: Reading
    dials: tuple[Dials, ...]
    carried: frozenset[int]
    takeable: frozenset[int]
    same_fingers: float
    step: float
    reached: bool
    stepped: bool
    resisting: tuple[int, ...]
    tune_kept: float
    beats_kept: float
    bass_kept: float
    distance: float
    teaches: tuple[str, ...]
    hints: tuple[Hint, ...]


@dataclass(frozen=True, slots=True)
class Ladder:
    """All versions, the hardest first. source: reading of the music as merged and dressed."""

    gathered: Gathered
    basis: Basis
    source: Reading
    rungs: tuple[Rung, ...]

    @property
    def reached(self) -> bool:
        """True if every version is within its player's measure and easier than the one before."""
        return all(rung.reached and rung.stepped for rung in self.rungs)


def ladder_of(
    gathered: Gathered, players: Sequence[Player], *, stepping: bool = True,
    progress: Progress | None = None,
) -> Ladder:
    """Versions for the players, who come hardest first. stepping: each is to be easier than the one
    before, also where its player could take the same."""
    limits = numbers("ladder")
    start = dressed(gathered.part, gathered.damper, players[0].harp)
    basis = basis_of(start, players[0].harp)
    source = read_for(start, players[0])
    rungs: list[Rung] = []
    harder, harder_reading = basis, source
    for at, player in enumerate(players):
        here = harder
        if player.harp != harder.harp:
            part = dressed(harder.part, (), player.harp)
            here = basis_of(part, player.harp, tune_in(harder, part))
        before = harder_reading.assessment.difficulty
        most = before * limits["step"] if at and stepping else None
        eased = ease(
            here, player, most=most,
            progress=None if progress is None else _part_of(progress, at, len(players)),
        )
        if not eased.reached:
            again = ease(basis_of(here.part, player.harp), player, most=most)
            eased = again if again.reached else eased
        carried = unchanged_bars(harder.part, eased.part)
        reading = _as_learnt(eased.reading, harder_reading.performance, carried, most)
        difficulty = reading.assessment.difficulty
        tune, low = retained(basis, eased.part)
        whole = Passage(basis.part, 0, len(basis.part.bars) - 1)
        within = reading.verdict.within and not reading.faults
        rungs.append(
            Rung(
                player, eased.part, reading, eased.dials, carried,
                frozenset(range(len(basis.part.bars))) - eased.asking,
                _same_fingers(harder_reading.performance, reading.performance, carried),
                before - difficulty, within, most is None or difficulty <= most + 1e-6,
                () if within else eased.resisting, tune, beats_kept(basis, eased.part), low,
                distance(whole, whole.of(eased.part)).total,
                _teaches(reading), _hints(reading),
            )
        )
        harder = basis_of(eased.part, player.harp, tune_in(here, eased.part))
        harder_reading = reading
    return Ladder(gathered, basis, source, tuple(rungs))


def _part_of(progress: Progress, at: int, of: int) -> Progress:
    return lambda done, total: progress(at * total + done, of * total)


def _as_learnt(
    reading: Reading, harder: Performance, bars: frozenset[int], most: float | None
) -> Reading:
    """The reading with the harder version's hands and fingers in the bars that are its own, unless
    the version would be too hard, or have more faults, with them."""
    player, part = reading.player, reading.performance.part
    if harder.player.harp.has_pedals != player.harp.has_pedals:
        return reading
    learnt = _fingers(harder, bars)
    known = read_for(part, player, learnt) if learnt else reading
    worse = len(known.faults) > len(reading.faults)
    worse |= reading.verdict.within and not known.verdict.within
    return reading if worse or known.assessment.difficulty > (most or 100.0) + 1e-6 else known


def _fingers(performance: Performance, bars: frozenset[int]) -> Learnt:
    """Hand and finger of every strike in these bars."""
    plan = performance.hand_plan
    return {
        learnt_key(strike): (hand, finger)
        for strike, hand, finger in zip(performance.strikes, plan.hands, plan.fingers, strict=True)
        if strike.first.bar in bars
    }


def _same_fingers(old: Performance, new: Performance, bars: frozenset[int]) -> float:
    """Share of the strikes of these bars that both plans give to the same finger of the same hand
    (1 if there are none)."""
    before, after = _fingers(old, bars), _fingers(new, bars)
    rows = [before.get(key) == taken for key, taken in after.items()]
    return sum(rows) / len(rows) if rows else 1.0


_MARKS = {
    "trill": "trills", "harmonic": "harmonics", "etouffe": "damped notes", "arpeggio": "rolls",
    "tremolo": "tremolos", "gliss-start": "glissandi", "mordent": "mordents", "turn": "turns",
}


def _teaches(reading: Reading) -> tuple[str, ...]:
    """What a version asks for, in words."""
    performance, part = reading.performance, reading.performance.part
    found: list[str] = []
    for layer, load in zip(LAYERS, reading.assessment.layers, strict=True):
        if load > SIMPLE:
            grade = "complex" if load > MODERATE else "moderate"
            found.append(f"{layer.replace('_', ' ')} ({grade})")
    chords = {"L": 0, "R": 0}
    span = 0
    for hand, _, members in performance.chords:
        strings = [performance.strings[i] for i in members]
        chords[hand] = max(chords[hand], len(set(strings)))
        span = max(span, max(strings) - min(strings))
    if max(chords.values()) < 2:
        found.append("one note at a time in each hand")
    else:
        right, left = (
            "one note at a time" if chords[hand] < 2 else f"up to {chords[hand]} notes at once"
            for hand in "RL"
        )
        found.append(f"{right} in the right hand, {left} in the left")
    if span:
        found.append(f"a reach of {span + 1} strings")
    first = min((s.onset for s in performance.strikes), default=0)
    moves = [m for m in performance.pedal_plan.moves if m.onset > first]
    what = "lever" if any(m.string is not None for m in moves) else "pedal"
    if moves:
        found.append(f"{counted(len(moves), f'{what} change')} on the way")
    else:
        found.append("nothing to change after the first setting")
    signs = {mark.kind for note in part.notes for mark in note.marks}
    found += [word for kind, word in _MARKS.items() if kind in signs]
    if any(n.grace for n in part.notes):
        found.append("grace notes")
    return tuple(found)


HINTS = 6
"""Hints printed for a version (estimate: what fits beside the music)."""


def _hints(reading: Reading) -> tuple[Hint, ...]:
    """Practice hints for the hardest stretches, from what the plan asks for there."""
    part, assessment = reading.performance.part, reading.assessment
    first = min((s.onset for s in reading.performance.strikes), default=0)
    found: list[tuple[float, Hint]] = []
    for stretch in assessment.stretches:
        start, end = part.bars[stretch.first], part.bars[stretch.last]
        load = dict(zip(LAYERS, stretch.layers, strict=True))
        texts = []
        if load["fingers"] > SIMPLE:
            reasons = [
                r for r in assessment.reasons
                if r.layer == "fingers" and start.onset <= r.onset < end.end
            ]
            worst = max(reasons, key=lambda r: r.value, default=None)
            more = f" (bar {worst.bar}: {worst.text})" if worst else ""
            texts.append((load["fingers"], f"place slowly, group by group{more}"))
        if load["between_hands"] > SIMPLE:
            texts.append((load["between_hands"], "hands apart, then together at half the tempo"))
        moves = [
            m for m in reading.performance.pedal_plan.moves
            if start.onset <= m.onset < end.end and m.onset > first
        ]
        if moves and load["pedals"] > 0:
            what = "levers" if moves[0].string is not None else "pedals"
            texts.append((
                load["pedals"], f"{what} alone, counting aloud: {len(moves)} to change",
            ))
        if load["rhythm"] > SIMPLE:
            texts.append((load["rhythm"], "clap the rhythm before playing"))
        if load["counterpoint"] > SIMPLE:
            texts.append((load["counterpoint"], "play one line, sing the other"))
        for weight, text in texts:
            found.append((weight * stretch.difficulty, Hint(start.number, end.number, text)))
    found.sort(key=lambda row: -row[0])
    order = {bar.number: bar.index for bar in part.bars}
    chosen = [hint for _, hint in found[:HINTS]]
    return tuple(sorted(chosen, key=lambda h: order[h.first]))
