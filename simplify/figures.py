"""Whether bars that share a figure are still alike in a rewrite.

Music goes on in patterns, and an arranger who thins one bar of a pattern thins its fellows in the
same way (common practice): a figure that changes from bar to bar sounds like a slip of the pen.
"""

from __future__ import annotations

from collections.abc import Iterable

from simplify.score.model import Bar, Note, Passage


def rhythm(bar: Bar, notes: Iterable[Note]) -> tuple[int, ...]:
    """Ticks from the start of the bar at which any of its notes is struck, ornaments aside."""
    return tuple(sorted({n.onset - bar.onset for n in notes if not (n.tie_in or n.grace)}))


def unlike(before: Passage, after: Passage) -> float:
    """Share of the bars with a figure that was there before, hand by hand, which differ from the
    one before in rhythm where the source's do not (0: none, or no figure comes twice). A figure is
    a rhythm of two onsets or more."""
    pairs = differ = 0
    for staff in (1, 2):
        latest: dict[tuple[int, tuple[int, ...]], int] = {}
        for at in range(before.first, before.last + 1):
            own = _rhythm(before, at, staff)
            if len(own) < 2:
                continue
            key = before.part.bars[at].duration, own
            if key in latest:
                pairs += 1
                differ += _rhythm(after, latest[key], staff) != _rhythm(after, at, staff)
            latest[key] = at
    return differ / pairs if pairs else 0.0


def _rhythm(passage: Passage, at: int, staff: int) -> tuple[int, ...]:
    notes = passage.part.notes_by_bar[at]
    return rhythm(passage.part.bars[at], (n for n in notes if n.staff == staff))
