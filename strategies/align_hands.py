"""Align the left hand with the right.

What it does:
    Where the left hand strikes between the right hand's notes within a beat, only what coincides
    (or opens the beat) stays; in a cross-rhythm (two against three and the like) the left hand's
    notes move to the right hand's moments, so that one common rhythm is left.

When a harpist would do this:
    When the hands' rhythms interlock and the attention is needed elsewhere; both hands placing
    together is the easiest coordination (common practice).

What is lost:
    The left hand's own rhythm.

Does not apply when:
    The hands already coincide, or the right hand rests in the beat.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from simplify.harp.player import Player
from simplify.score.edits import (
    Column,
    Draft,
    Place,
    all_then_each,
    by_pulse,
    dropping,
    following,
    leading,
    on_pulse,
    pulse_of,
    staff_bars,
)
from simplify.score.model import Bar, Edit, NoteId, Passage
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY


def _odd(group: Sequence[Column], onsets: frozenset[int]) -> list[Column]:
    return [c for c in group if c.onset not in onsets]


def _moved(
    bar: Bar, group: Sequence[Column], onsets: Sequence[int], lead: frozenset[NoteId],
    passage: Passage,
) -> Callable[[Draft], None] | None:
    """The beat's left-hand notes on the right hand's moments: each moment takes the note that
    sounds there; None if the beat's notes are not plain, of one voice, within the beat."""
    pulse = pulse_of(bar, group[0].onset)
    end = min(bar.end, bar.onset - bar.lead + (pulse + 1) * bar.pulse_ticks)
    strikes = [s for c in group for s in following(c, lead, passage.part)]
    if len(strikes) != sum(len(c.strikes) for c in group):
        return None
    if any(len(s.notes) != 1 or s.end > end or s.first.tie_out for s in strikes):
        return None
    if len({s.first.voice for s in strikes}) > 1 or group[-1].end != end:
        return None
    chosen: dict[int, Column] = {}
    for k, moment in enumerate(onsets):
        best = min(group, key=lambda c: (abs(c.onset - moment), c.onset))
        if best not in chosen.values():
            chosen[onsets[k]] = best
    moments = sorted(chosen)
    if not moments or (moments[0] != group[0].onset and moments[0] not in onsets):
        return None
    spans = list(zip(moments, [*moments[1:], end], strict=True))

    def act(draft: Draft) -> None:
        kept = list(chosen.values())
        draft.drop(*(s for c in group if c not in kept for s in c.strikes))
        for moment, until in spans:
            for strike in chosen[moment].strikes:
                draft.retime(strike, moment, until)

    return act


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    lead = leading(passage)
    table = {(bar.index, staff): (bar, cols) for bar, staff, cols in staff_bars(passage)}
    edits: list[Edit | None] = []
    for (index, staff), (bar, cols) in table.items():
        if staff == 1 or (index, 1) not in table:
            continue
        upper = [c.onset for c in table[index, 1][1]]
        moved: list[Place] = []
        only: list[Place] = []
        for group in by_pulse(bar, cols):
            at = pulse_of(bar, group[0].onset)
            onsets = [o for o in upper if pulse_of(bar, o) == at]
            if not onsets:
                continue
            if on_pulse(bar, group[0].onset):
                onsets = sorted({*onsets, group[0].onset})
            odd = _odd(group, frozenset(onsets))
            if not odd:
                continue
            beat = f"{bar.beat(group[0].onset):g}"
            crosses = any((c.onset - bar.onset + bar.lead) % (bar.pulse_ticks // 2) for c in odd)
            act = _moved(bar, group, onsets, lead, passage) if crosses else None
            if act is not None:
                moved.append(
                    (act, f"left hand: beat {beat} takes the rhythm of the right hand")
                )
            gone = [s for c in odd for s in following(c, lead, passage.part)]
            if gone and len(odd) < len(group):
                only.append(
                    (
                        dropping(*gone),
                        f"left hand: in beat {beat} only what falls together with the right hand",
                    )
                )
        reason = "left hand: the bar takes the rhythm of the right hand"
        edits.extend(all_then_each(passage, moved, reason, 2))
        reason = (
            "left hand: in beats that the right hand strikes only what falls together with it"
        )
        edits.extend(all_then_each(passage, only, reason, 2))
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="align_hands",
    title="Align the hands' rhythms",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case(
            "2/4 | G5:1/2 A5 B5:1 ; C3:1/3t3:2 E3 G3 G3:1",
            "2/4 | G5:1/2 A5 B5:1 ; C3:1/2 E3 G3:1",
        ),
        Case(
            "2/4 | G5:1 B5:1 ; C3:1/2 E3 D3 F3",
            "2/4 | G5:1 B5:1 ; C3:1 D3",
        ),
        Case("2/4 | G5:1/2 A5 B5:1 ; C3:1/2 E3 G3:1", None),
        Case("2/4 | G5:2 ; C3:1 G3", None),
    ),
)
