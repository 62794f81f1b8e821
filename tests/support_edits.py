"""Random edits of one bar, for tests and benchmarks of what changes with them."""

from __future__ import annotations

from random import Random

from simplify.score.model import Edit, Note, Part, Pitch, changed


def one_bar_edit(part: Part, choose: Random, bar: int | None = None) -> Edit:
    """An edit of one note of a bar (any bar by default): another pitch, another alteration, taken
    out, shorter, or struck twice in its time."""
    rows = [part.notes_by_bar[bar]] if bar is not None else part.notes_by_bar
    notes = [
        note for row in rows for note in row
        if not (note.grace or note.tie_in or note.tie_out or note.marks) and note.duration > 1
    ]
    for _ in range(100):
        note = choose.choice(notes)
        kind = choose.choice(("pitch", "alter", "out", "short", "twice"))
        if kind == "out":
            return Edit(frozenset([note.id]), (), "take a note out")
        added = _instead(note, kind, choose)
        known = {other.id for other in part.notes_by_bar[note.bar]}
        if added and known.isdisjoint(new.id for new in added):
            return Edit(frozenset([note.id]), added, f"change a note: {kind}")
    raise ValueError("no note of the part can be changed")


def _instead(note: Note, kind: str, choose: Random) -> tuple[Note, ...]:
    if kind == "pitch":
        string = note.pitch.string + choose.choice((-4, -2, -1, 1, 2, 4))
        return (changed(note, pitch=Pitch.on_string(string, choose.choice((-1, 0, 0, 1)))),)
    if kind == "alter":
        alter = choose.choice((-1, 0, 1))
        return (changed(note, pitch=Pitch(note.pitch.step, alter, note.pitch.octave)),)
    half = note.duration // 2
    first = changed(note, duration=half)
    if kind == "short":
        return (first,)
    return first, changed(note, onset=note.onset + half, duration=note.duration - half)
