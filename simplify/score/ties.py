"""Ties with both ends."""

from __future__ import annotations

from dataclasses import replace

from simplify.score.model import Part


def mended(part: Part) -> Part:
    """Ties with both ends: a tie into nothing is taken off, a note tied from nothing goes (its
    string was not to be struck)."""
    notes = list(part.notes)
    while True:
        starts = {(n.onset, n.pitch.midi, n.staff) for n in notes if n.tie_in and not n.grace}
        ends = {(n.end, n.pitch.midi, n.staff) for n in notes if n.tie_out and not n.grace}
        kept = [
            replace(n, tie_out=False)
            if n.tie_out and (n.end, n.pitch.midi, n.staff) not in starts else n
            for n in notes
            if not n.tie_in or n.grace or (n.onset, n.pitch.midi, n.staff) in ends
        ]
        if kept == notes:
            return replace(part, notes=tuple(sorted(notes, key=lambda n: n.order_key)))
        notes = kept
