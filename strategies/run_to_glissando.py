"""Turn a scale run into a glissando.

What it does:
    A quick run by step over five strings and more, all in one pedal setting, becomes a glissando
    from its first note to its last.

When a harpist would do this:
    When every string in between belongs to the setting, the glissando is the harp's own run:
    a long one is resonant and brilliant (Rimsky-Korsakov, Principles of Orchestration, ch. IV).

What is lost:
    The even rhythm of the run; the notes stay.

Does not apply when:
    The run skips a string, turns, needs two positions of a letter, or is slow.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from simplify.harp.player import Player
from simplify.score.edits import (
    Draft,
    seconds_between,
    single_runs,
    staff_bars,
    with_marks,
    written_as,
)
from simplify.score.model import Edit, Mark, Passage, Strike
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.NOTHING
SHORTEST = 6
"""Notes from which a run is worth a glissando (estimate)."""


def _goes_on(run: Sequence[Strike], strike: Strike) -> bool:
    """The next string the same way, each letter always at one position."""
    step = strike.pitch.string - run[-1].pitch.string
    way = run[1].pitch.string - run[0].pitch.string if len(run) > 1 else step
    letters = {s.pitch.step: s.pitch.alter for s in run}
    fits = letters.get(strike.pitch.step, strike.pitch.alter) == strike.pitch.alter
    return abs(step) == 1 and step == way and fits


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    edits: list[Edit | None] = []
    for _, _, cols in staff_bars(passage):
        for run in single_runs(passage, cols, _goes_on, SHORTEST):
            wait = seconds_between(passage.part, run[0].onset, run[1].onset)
            if wait > 1.0 / player.limits.hand_rate or any(
                abs(s.pitch.alter) > 1 for s in run
            ):
                continue
            # The sweep starts where its written value is one note head; before that, plain notes.
            starts = [
                k
                for k in range(len(run) - SHORTEST + 1)
                if written_as(cols[0].bar, run[k].onset, run[-1].onset) is not None
            ]
            if not starts:
                continue
            first, last, between = run[starts[0]], run[-1], run[starts[0] + 1 : -1]
            draft = Draft(passage)
            draft.drop(*between)
            draft.retime(first, first.onset, last.onset)
            draft.mark(first, with_marks(first, Mark("gliss-start", "1")))
            draft.mark(last, with_marks(last, Mark("gliss-stop", "1")))
            edits.append(
                draft.edit(
                    f"{cols[0].hand}: the run {first.pitch.name} to {last.pitch.name} becomes a "
                    "glissando"
                )
            )
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="run_to_glissando",
    title="Turn a scale run into a glissando",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case(
            "3/4 | C5:1/4 D5 E5 F5 G5 A5 B5 C6 D6:1 ; C3:3",
            "3/4 | C5:2{gliss-start 1} D6:1{gliss-stop 1} ; C3:3",
        ),
        Case("3/4 | C5:1/4 D5 E5 F5 G5 F5 E5 D5 C5:1 ; C3:3", None),
        Case("3/4 tempo:40 | C5:1/2 D5 E5 F5 G5 A5 ; C3:3", None),
    ),
)
