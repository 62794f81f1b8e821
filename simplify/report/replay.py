"""Edits as JSON and back: result.json holds every edit of an alternative, in the order in which
they apply to the source, so that a rewrite can be made again from the source alone."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from simplify.score.model import Edit, Mark, Note, Part, Pitch


def edit_document(edit: Edit) -> dict[str, Any]:
    """One edit as JSON: ids to remove, whole notes to add (ticks; bar as index in the part)."""
    return {
        "strategy": edit.strategy,
        "reason": edit.reason,
        "remove": sorted(edit.remove),
        "add": [_note_document(note) for note in edit.add],
    }


def _note_document(note: Note) -> dict[str, Any]:
    return {
        "id": note.id, "onset": note.onset, "duration": note.duration,
        "pitch": [note.pitch.step, note.pitch.alter, note.pitch.octave],
        "bar": note.bar, "staff": note.staff, "voice": note.voice, "grace": note.grace,
        "tie_in": note.tie_in, "tie_out": note.tie_out, "tuplet": list(note.tuplet),
        "hand": note.hand, "marks": [[mark.kind, mark.value] for mark in note.marks],
    }


def edit_from(document: dict[str, Any]) -> Edit:
    """The edit that `edit_document` wrote."""
    notes = []
    for row in document["add"]:
        fields = dict(row)
        fields["pitch"] = Pitch(*row["pitch"])
        fields["tuplet"] = tuple(row["tuplet"])
        fields["marks"] = tuple(Mark(kind, value) for kind, value in row["marks"])
        notes.append(Note(**fields))
    return Edit(
        frozenset(document["remove"]), tuple(notes), document["reason"], document["strategy"]
    )


def replay(source: Part, edits: Iterable[dict[str, Any]]) -> Part:
    """The source with the edits of an alternative in result.json applied again.

    Raises:
        EditError: the source is not the one the edits were made for.
    """
    return source.apply_all(edit_from(edit) for edit in edits)
