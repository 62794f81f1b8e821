"""Bars written anew, as edits."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from simplify.realise.bar import Dials, Rows, assembled
from simplify.score.edits import is_value
from simplify.score.model import Edit, Note, NoteId, changed

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
        before = [note for bar in bars for note in part.notes_by_bar[bar]]
        after = [note for bar in bars for note in whole.notes_by_bar[bar]]
        words = {
            word: None
            for bar in bars if part.notes_by_bar[bar]
            for word in rows.words(bar, dials[bar])
        }
        if not any(_difference(before, after)):
            edits.append(None)
            continue
        edit = rewritten(before, after, ", ".join(words) or "ties taken off")
        if edit is None:
            return None
        edits.append(edit)
    return tuple(edits)


def rewritten(before: Iterable[Note], after: Iterable[Note], reason: str) -> Edit | None:
    """The edit that makes some notes into others; None if a value can't be written or nothing
    changes. A note that comes out as it was stays, so that nothing is written back for it."""
    remove, add = _difference(before, after)
    if not (remove or add):
        return None
    if not all(note.grace or is_value(note.duration, note.tuplet) for note in add):
        return None
    return Edit(remove, add, reason, WRITE_ANEW)


def _difference(
    before: Iterable[Note], after: Iterable[Note]
) -> tuple[frozenset[NoteId], tuple[Note, ...]]:
    """What is to be taken and given to make some notes into others."""
    old = {note.id: note for note in before}
    new = {note.id: note for note in after}
    kept = {i for i, note in new.items() if old.get(i) == note}
    fresh = {note.id: note for i, note in new.items() if i not in kept for note in (changed(note),)}
    for i, note in old.items():
        if i not in kept and fresh.pop(changed(note).id, None) is not None:
            kept.add(i)
    return frozenset(old.keys() - kept), tuple(fresh.values())
