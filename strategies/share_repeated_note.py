"""Repeat a note with the hands in turn.

What it does:
    Marks every second strike of a fast repeated note or chord for the other hand, where that is
    free and near.

When a harpist would do this:
    When a repeated melody note has to stay: two hands leave each finger twice the time to come
    back (alternating hands on one string: common practice).

What is lost:
    Nothing in sound.

Does not apply when:
    There is time for one hand, or the other hand plays at those moments.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from simplify.harp.hand import can_come
from simplify.harp.player import Player
from simplify.score.edits import Column, Draft, inside, plain, row, seconds_between, whole
from simplify.score.model import Edit, Passage
from simplify.strategy import ALL_KEPT, Case, Strategy, promised

KEEPS = ALL_KEPT


def _runs(passage: Passage, cols: Sequence[Column], wait: float) -> list[list[Column]]:
    """Runs of columns with the same top sound, each struck again sooner than is comfortable;
    other notes may come between."""
    open_runs: dict[int, list[Column]] = {}
    closed: list[list[Column]] = []
    for column in cols:
        run = open_runs.get(column.high.pitch.midi)
        if run and seconds_between(passage.part, run[-1].onset, column.onset) >= wait:
            closed.append(open_runs.pop(column.high.pitch.midi))
        open_runs.setdefault(column.high.pitch.midi, []).append(column)
    closed.extend(open_runs.values())
    return sorted((run for run in closed if len(run) > 1), key=lambda run: run[0].onset)


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    edits: list[Edit | None] = []
    part, limits = passage.part, player.limits
    for staff in (1, 2):
        theirs, other = row(passage, 3 - staff), "L" if staff == 1 else "R"
        for run in _runs(passage, row(passage, staff), limits.repeat_seconds):
            draft, count = Draft(passage), 0
            for column in run[1::2]:
                usable = (
                    inside(passage, column)
                    and (other == "L" or column.low.pitch.string >= limits.right_low)
                    and can_come(part, theirs, column, limits)
                )
                for strike in column.strikes if usable else ():
                    if plain(strike, part) and whole(passage, strike) and (
                        strike.first.hand != other
                    ):
                        draft.put(strike, hand=other)
                        count += 1
            if count:
                reason = f"both hands: the repeated {run[0].high.pitch.name} is struck in turn"
                edits.append(draft.edit(reason))
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="share_repeated_note",
    title="Repeat a note with the hands in turn",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("2/4 | G4:1/2 G4 G4 G4 ; -", "2/4 | G4:1/2 L:G4 G4 L:G4 ; -"),
        Case("2/4 tempo:40 | G5:1/2 G5 G5 G5 ; C3:2", None),
        Case("2/4 | G5:1/2 G5 G5 G5 ; C3:1/2 C3 E3 C3", None, "professional"),
        Case("2/4 tempo:120 | G5:1/4 G5 G5:3/2 ; C2:2", None),
    ),
)
