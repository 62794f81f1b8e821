"""Bars written anew, as edits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from simplify.realise.bar import Dials, Rows, assembled
from simplify.score.edits import is_value
from simplify.score.model import Edit, changed

WRITE_ANEW = "write_anew"
"""Name of the strategy that these edits are steps of."""


def written_anew(
    rows: Rows, dials: Mapping[int, Dials], spans: Sequence[tuple[int, int]]
) -> tuple[Edit | None, ...] | None:
    """The bars (indices) with their dials turned: an edit for each span (first, last) of them, None
    where nothing changes. They belong together, since notes may be tied from one span to the next.
    None if music in other bars would change (a tie is cut), or a value can't be written."""
    part = rows.basis.part
    plain = assembled(rows.basis, {})
    whole = assembled(rows.basis, {bar: rows.row(bar, own) for bar, own in dials.items()})
    if any(
        row != plain.notes_by_bar[bar]
        for bar, row in enumerate(whole.notes_by_bar) if bar not in dials
    ):
        return None
    edits: list[Edit | None] = []
    for first, last in spans:
        bars = range(first, last + 1)
        before = {note.id: note for bar in bars for note in part.notes_by_bar[bar]}
        after = {note.id: note for bar in bars for note in whole.notes_by_bar[bar]}
        kept = {i for i, note in after.items() if before.get(i) == note}
        add = tuple(changed(note) for i, note in after.items() if i not in kept)
        if not all(note.grace or is_value(note.duration, note.tuplet) for note in add):
            return None
        words = {
            word: None
            for bar in bars if part.notes_by_bar[bar]
            for word in rows.words(bar, dials[bar])
        }
        remove = frozenset(before.keys() - kept)
        reason = ", ".join(words) or "ties taken off"
        edits.append(Edit(remove, add, reason, WRITE_ANEW) if remove or add else None)
    return tuple(edits)
