"""Share a run between the hands.

What it does:
    Gives groups of up to four notes of a run to the two hands in turn, by marking the hand; the
    notes stay on their staff. The free hand takes a group only where it has nothing to strike.

When a harpist would do this:
    A fast single line in one hand is split between the hands (Volpe Bligh, Preparing orchestral
    harp parts); scales lie in groups of four strings, hand over hand (American Harp Society, Utah
    chapter, solo levels).

What is lost:
    Nothing in sound; the other hand is busy.

Does not apply when:
    The line is slow enough for one hand, or the other hand has notes of its own there.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence

from simplify.harp.hand import can_come
from simplify.harp.player import Limits, Player
from simplify.score.edits import Column, Draft, inside, plain, row, whole
from simplify.score.model import Edit, Passage
from simplify.strategy import ALL_KEPT, Case, Strategy, promised

KEEPS = ALL_KEPT
GROUP = 4
"""Fingers of a hand, so strings placed at once."""
SHORTEST = 4
"""Notes below which a line is no run."""


def _runs(passage: Passage, cols: Sequence[Column], player: Player) -> list[list[Column]]:
    """Stretches of single notes, each sooner after the one before than a hand likes."""
    part, wait = passage.part, 1.0 / player.limits.hand_rate
    runs: list[list[Column]] = [[]]
    for column in cols:
        usable = (
            inside(passage, column)
            and len(column.strikes) == 1
            and plain(column.low, part)
            and whole(passage, column.low)
        )
        if not usable:
            runs.append([])
            continue
        last = runs[-1][-1] if runs[-1] else None
        if last is not None and last.low.first.voice != column.low.first.voice:
            runs.append([])
            last = None
        if last is not None and part.seconds(column.onset) - part.seconds(last.onset) > wait:
            runs.append([])
        runs[-1].append(column)
    return [run for run in runs if len(run) >= SHORTEST]


def _groups(run: Sequence[Column], size: int) -> list[list[Column]]:
    """Cuts a run where it turns or waits, and after `size` notes."""
    groups: list[list[Column]] = [[run[0]]]
    for before, column in itertools.pairwise(run):
        group = groups[-1]
        step = column.low.pitch.string - before.low.pitch.string
        turned = len(group) > 1 and step * (
            group[-1].low.pitch.string - group[-2].low.pitch.string
        ) <= 0
        waited = len(group) > 1 and column.onset - before.onset > (
            group[1].onset - group[0].onset
        )
        if len(group) >= size or turned or waited:
            groups.append([column])
        else:
            group.append(column)
    return groups


def _shared(
    passage: Passage, run: Sequence[Column], first: str, other: Sequence[Column], limits: Limits
) -> Edit | None:
    own = "R" if run[0].staff == 1 else "L"
    free, draft, hand, count = ("L" if own == "R" else "R"), Draft(passage), first, 0
    for group in _groups(run, min(GROUP, limits.notes_per_hand)):
        low = min(c.low.pitch.string for c in group)
        takes = all(can_come(passage.part, other, c, limits) for c in group) and (
            free == "L" or low >= limits.right_low
        )
        now = hand if takes else own
        for column in group:
            if now == free or column.low.first.hand:
                draft.put(column.low, hand=now)
        count += now == free
        hand = free if now == own else own
    if not count:
        return None
    low_name, high_name = run[0].low.pitch.name, run[-1].low.pitch.name
    return draft.edit(
        f"both hands: the run {low_name} to {high_name} is shared in groups, hand over hand"
    )


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    edits: list[Edit | None] = []
    for staff in (1, 2):
        other = row(passage, 3 - staff)
        for run in _runs(passage, row(passage, staff), player)[:3]:
            for first in ("L", "R"):
                edits.append(_shared(passage, run, first, other, player.limits))
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="share_run",
    title="Share a run between the hands",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case(
            "2/4 | C5:1/4 D5 E5 F5 G5 A5 B5 C6",
            "2/4 | L:C5:1/4 L:D5 L:E5 L:F5 G5 A5 B5 C6",
        ),
        Case("2/4 tempo:40 | C5:1/2 D5 E5 F5", None),
        Case("2/4 | C5:1/4 D5 E5 F5 G5 A5 B5 C6 ; C3:1/4 E3 C3 E3 C3 E3 C3 E3", None),
    ),
)
