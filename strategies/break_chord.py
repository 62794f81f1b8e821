"""Break a chord upward.

What it does:
    Plays a chord of the left hand (or the inner notes of the right) note by note from the bass
    up: the low note on the beat and the rest after it, or all notes one by one.

When a harpist would do this:
    When a chord has more notes than the hand, or is wider: a chord wider than the hand is broken
    (Sibelius Academy, harp notation manual); "turn it into a broken chord": common practice.

What is lost:
    The chord's single stroke.

Does not apply when:
    The chord is short, leads, or has one note.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from simplify.harp.hand import hurried, over_full, over_wide
from simplify.harp.player import Limits, Player
from simplify.score.edits import (
    GRID,
    Column,
    Draft,
    Place,
    all_then_each,
    following,
    leading,
    lower_bars,
    seconds_between,
    written_as,
)
from simplify.score.model import Edit, Passage, Strike
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY | Keeps.BASS | Keeps.HARMONY


def _one_chord(column: Column, strikes: Sequence[Strike]) -> bool:
    """True if the notes are one written chord, untied."""
    return (
        len(strikes) > 1
        and len(strikes) == len(column.strikes)
        and all(len(s.notes) == 1 and not s.first.tie_out and not s.first.tie_in for s in strikes)
        and len({(s.end, s.first.voice) for s in strikes}) == 1
    )


def _steps(
    passage: Passage, column: Column, parts: int, limits: Limits
) -> list[tuple[int, int]] | None:
    """Spans that break the chord's time: `parts` - 1 equal short ones, the last long, where the
    hand has time for each; the short unit is the chord's time divided by a power of two."""
    bar = column.bar
    length = column.end - column.onset
    unit = length
    while unit * parts > length:
        unit //= 2
    starts = [column.onset + k * unit for k in range(parts)]
    spans = list(zip(starts, [*starts[1:], column.end], strict=True))
    if unit < GRID or any(written_as(bar, a, b) is None for a, b in spans):
        return None
    if seconds_between(passage.part, column.onset, column.onset + unit) < 1 / limits.hand_rate:
        return None
    return spans


def _act(groups: Sequence[Sequence[Strike]], spans: Sequence[tuple[int, int]]) -> (
    Callable[[Draft], None]
):
    def act(draft: Draft) -> None:
        for group, (start, end) in zip(groups, spans, strict=True):
            for strike in group:
                draft.retime(strike, start, end)

    return act


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    lead, limits = leading(passage), player.limits
    edits: list[Edit | None] = []
    for _, cols in lower_bars(passage):
        two: list[Place] = []
        each: list[Place] = []
        for at, column in enumerate(cols):
            strikes = following(column, lead, passage.part)
            needed = (
                over_full(column, limits)
                or over_wide(column, limits)
                or hurried(passage.part, cols, at, limits)
            )
            if not needed or not _one_chord(column, strikes):
                continue
            spans = _steps(passage, column, 2, limits)
            if spans is not None:
                reason = f"left hand: {column.low.pitch.name} first, the rest of the chord after it"
                two.append((_act([strikes[:1], strikes[1:]], spans), reason))
            spans = _steps(passage, column, len(strikes), limits)
            if spans is not None and len(strikes) > 2:
                reason = f"left hand: {column.names} is broken upward"
                each.append((_act([[s] for s in strikes], spans), reason))
        reason = "left hand: the bass first and the rest of each chord after it"
        edits.extend(all_then_each(passage, two, reason, 1))
        edits.extend(all_then_each(passage, each, "left hand: the chords are broken upward", 1))
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="break_chord",
    title="Break a chord upward",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("4/4 | G5:4 ; [C3 G3 C4 E4]:4", "4/4 | G5:4 ; C3:1 G3 C4 E4"),
        Case("2/4 | G5:2 ; [C3 E4]:1 [D3 F4]", "2/4 | G5:2 ; C3:1/2 E4 D3 F4"),
        Case("4/4 | G5:4 ; [C3 E3 G3]:4", None),
        Case("4/4 | [C4 E4 G4 C5 E5]:4", None),
    ),
)
