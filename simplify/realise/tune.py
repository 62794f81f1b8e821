"""Where the tune is: the leading line of merged music, wherever it lies.

Every voice of every staff is a candidate, half bar by half bar. A line is salient when it moves
rather than repeats, goes by step, is single notes, lasts, is high, is sung or slurred, and fills
its time; the weights stand in realise.toml. The tune is the path through the half bars that is most
salient, less what its going from one line to another costs (an exact dynamic programme), so that
it may sit in an inner voice for a phrase or pass between the hands.
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Sequence

from simplify.score.model import Note, NoteId, Part
from simplify.tables import table

Line = tuple[int, str]
"""Staff and voice."""


def find_tune(part: Part) -> frozenset[NoteId]:
    """Ids of the notes of the leading line: at each onset the highest note of the line that leads
    there; grace notes before it and tied continuations belong to it."""
    cells = _cells(part)
    leading: list[Line | None] = _path(part, cells)
    tune: set[NoteId] = set()
    for (start, end, rows), line in zip(cells, leading, strict=True):
        if line is None:
            continue
        tops: dict[int, Note] = {}
        for note in rows[line]:
            if note.grace:
                tune.add(note.id)
            elif note.onset not in tops or note.pitch.midi > tops[note.onset].pitch.midi:
                tops[note.onset] = note
        assert all(start <= onset < end for onset in tops)
        tune.update(note.id for note in tops.values())
    return frozenset(tune)


Cell = tuple[int, int, dict[Line, list[Note]]]
"""First tick, end, and the notes of each line that begin in between."""


def _cells(part: Part) -> list[Cell]:
    """Half bars (whole bars where the metre has an odd number of beats)."""
    cells: list[Cell] = []
    for bar in part.bars:
        pulses = bar.metre_ticks // bar.pulse_ticks
        halves = pulses % 2 == 0 and bar.duration == bar.metre_ticks
        cuts = [bar.onset, bar.onset + bar.duration // 2] if halves else [bar.onset]
        for start, end in zip(cuts, [*cuts[1:], bar.end], strict=True):
            rows: dict[Line, list[Note]] = defaultdict(list)
            for note in part.notes_by_bar[bar.index]:
                if start <= note.onset < end:
                    rows[note.staff, note.voice].append(note)
            cells.append((start, end, dict(rows)))
    return cells


def _path(part: Part, cells: Sequence[Cell]) -> list[Line | None]:
    weights = table("simplify.realise", "realise.toml", "melody")
    starts = {bar.onset for bar in part.bars}
    best: dict[Line, tuple[float, list[Line | None]]] = {}
    for at, (start, end, rows) in enumerate(cells):
        if not rows:
            for line, (value, path) in best.items():
                best[line] = (value, [*path, None])
            if not best:
                best = {(1, "1"): (0.0, [None])}
            continue
        around: dict[Line, list[Note]] = defaultdict(list)
        for near in cells[max(0, at - 1) : at + 2]:
            if part.bar_at(near[0]).index == part.bar_at(start).index:
                for line, notes in near[2].items():
                    around[line] += notes
        price = weights["stay"] * (weights["bar_line"] if start in starts else 1.0)
        found: dict[Line, tuple[float, list[Line | None]]] = {}
        for line, notes in rows.items():
            own = salience(notes, around, line, end - start)
            if not best:
                found[line] = (own, [line])
                continue
            value, path = max(
                ((v - (price if other != line else 0.0), p) for other, (v, p) in best.items()),
                key=lambda row: row[0],
            )
            found[line] = (value + own, [*path, line])
        best = found
    return max(best.values(), key=lambda row: row[0])[1] if best else []


def salience(
    here: Sequence[Note], around: dict[Line, list[Note]], line: Line, length: int
) -> float:
    """How much a line leads in a stretch of `length` ticks. here: its notes there; around: all
    lines' notes in the bar."""
    weights = table("simplify.realise", "realise.toml", "melody")
    own = _tops(around[line])
    heights = {other: _mean_height(notes) for other, notes in around.items()}
    low, high = min(heights.values()), max(heights.values())
    height = (heights[line] - low) / (high - low) if high > low else 1.0
    total, variety = 0.0, 1.0
    pairs = list(itertools.pairwise(own))
    if pairs:
        moves = [abs(b.pitch.midi - a.pitch.midi) for a, b in pairs]
        variety = sum(m > 0 for m in moves) / len(moves)
        total += weights["variety"] * variety
        total += weights["steps"] * sum(0 < m <= 2 for m in moves) / len(moves)
    pulsing = weights["pulsing"]
    total += weights["height"] * height * (pulsing + (1.0 - pulsing) * variety)
    thick = max(1.0, sum(not n.grace for n in around[line]) / max(1, len(own)))
    total += weights["single"] / thick
    mine = sum(n.duration for n in own) / max(1, len(own))
    others = [n.duration for other, notes in around.items() if other != line for n in _tops(notes)]
    if others:
        ratio = mine / max(1.0, sum(others) / len(others))
        total += weights["length"] * max(-1.0, min(1.0, ratio - 1.0))
    signs = ("lyric", "slur-start", "slur-stop", "accent", "strong-accent", "tenuto")
    marked = any(n.has(sign) for n in around[line] for sign in signs)
    total += weights["sung"] * marked
    filled = sum(n.duration for n in _tops(here)) / length
    return total + weights["filled"] * min(1.0, filled)


def _tops(notes: Sequence[Note]) -> list[Note]:
    """The highest note of each onset, in time order, grace notes and continuations left out."""
    tops: dict[int, Note] = {}
    for note in notes:
        if note.grace or note.tie_in:
            continue
        if note.onset not in tops or note.pitch.midi > tops[note.onset].pitch.midi:
            tops[note.onset] = note
    return [tops[onset] for onset in sorted(tops)]


def _mean_height(notes: Sequence[Note]) -> float:
    return sum(n.pitch.midi for n in notes) / len(notes)
