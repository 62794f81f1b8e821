"""How music reads: complaints about notation, and made-up passages for the property tests."""

from __future__ import annotations

from hypothesis import strategies as st

from simplify.score.edits import GRID, is_value
from simplify.score.model import Note, Part
from simplify.score.text import parse_part

Complaint = tuple[object, ...]


def complaints(part: Part, bar_index: int) -> set[Complaint]:
    """What a player would stumble over in the written bar.

    Overlaps within a voice, values that no note head has, rests off the sixteenth grid, parts of
    tuplets, grace notes without a main note, ends of ties without their other end, slurs opened
    and not closed, a sound written twice at one moment.
    """
    bar, notes = part.bars[bar_index], part.notes_by_bar[bar_index]
    found: set[Complaint] = set()
    lines: dict[tuple[int, str], list[Note]] = {}
    for note in notes:
        if not note.grace:
            lines.setdefault((note.staff, note.voice), []).append(note)
    for (staff, voice), line in lines.items():
        cursor = bar.onset
        for onset, end in [*sorted({(n.onset, n.end) for n in line}), (bar.end, bar.end)]:
            if onset < cursor:
                found.add(("overlap", staff, voice, onset))
            for edge in (cursor, onset) if onset > cursor else ():
                if (edge - bar.onset + bar.lead) % GRID:
                    found.add(("rest off the grid", staff, edge))
            cursor = max(cursor, end)
        tuplets: dict[tuple[tuple[int, int], int], set[tuple[int, int]]] = {}
        for note in line:
            if not is_value(note.duration, note.tuplet):
                found.add(("no such value", note.duration, note.tuplet))
            if note.tuplet != (1, 1):
                beat = (note.onset - bar.onset + bar.lead) // bar.pulse_ticks
                tuplets.setdefault((note.tuplet, beat), set()).add((note.onset, note.end))
        for key, spans in tuplets.items():
            if sum(b - a for a, b in spans) % (GRID // 2):
                found.add(("part of a tuplet", staff, voice, key))
    for grace in (n for n in notes if n.grace):
        if not any(
            not n.grace and (n.onset, n.staff, n.voice) == (grace.onset, grace.staff, grace.voice)
            for n in notes
        ):
            found.add(("grace note alone", grace.onset))
    kinds = [mark.kind for note in notes for mark in note.marks]
    found.add(("open slurs", kinds.count("slur-start") - kinds.count("slur-stop")))
    for strike in part.strikes:
        last = part.by_id[strike.notes[-1]]
        if strike.first.tie_in:
            found.add(("tie from nowhere", strike.onset, strike.pitch.midi))
        if last.tie_out:
            found.add(("tie to nowhere", strike.end, strike.pitch.midi))
    struck = [(n.onset, n.pitch.midi) for n in notes if not n.grace and not n.tie_in]
    found |= {("written twice", *key) for key in struck if struck.count(key) > 1}
    return found


_METRES = {"2/4": 2.0, "3/4": 3.0, "4/4": 4.0, "6/8": 3.0}
_VALUES = ("1/4", "1/2", "1", "2", "3/4", "3/2", "triplet")


@st.composite
def _pitches(draw: st.DrawFn, low: int, high: int) -> str:
    letter = draw(st.sampled_from("CDEFGAB"))
    sign = draw(st.sampled_from(["", "", "", "b", "#"]))
    return f"{letter}{sign}{draw(st.integers(low, high))}"


@st.composite
def _voices(draw: st.DrawFn, length: float, low: int, high: int) -> str:
    left, tokens = length, []
    while left > 1e-9:
        value = draw(st.sampled_from(_VALUES))
        ticks = 1.0 if value == "triplet" else _number(value)
        if ticks > left + 1e-9:
            value, ticks = "1/4", 0.25
        for k in range(3 if value == "triplet" else 1):
            count = draw(st.sampled_from([0, 1, 1, 1, 2, 3, 4]))
            chord = sorted({draw(_pitches(low, high)) for _ in range(count)})
            name = "r" if not chord else chord[0] if len(chord) == 1 else f"[{' '.join(chord)}]"
            sign = draw(st.sampled_from(["", "", "", "", "{staccato}", "{trill}", "{fermata}"]))
            if value == "triplet":
                tokens.append(f"{name}:1/3t3:2" + (sign if name != "r" else ""))
            else:
                grace = draw(st.booleans()) and k == 0 and draw(st.booleans()) and name != "r"
                if grace:
                    tokens.append(f"^{draw(_pitches(low, high))}")
                tokens.append(f"{name}:{value}" + (sign if name != "r" else ""))
        left -= ticks
    return " ".join(tokens)


def _number(value: str) -> float:
    top, _, bottom = value.partition("/")
    return int(top) / int(bottom or 1)


@st.composite
def parts(draw: st.DrawFn) -> Part:
    """A part of one or two bars on two staves, the upper with up to two voices."""
    metre = draw(st.sampled_from(sorted(_METRES)))
    length = _METRES[metre]
    bars = []
    for _ in range(draw(st.integers(1, 2))):
        upper = draw(_voices(length, 4, 6))
        if draw(st.booleans()):
            upper += " & " + draw(_voices(length, 4, 5))
        bars.append(f"{upper} ; {draw(_voices(length, 1, 4))}")
    key, tempo = draw(st.integers(-6, 6)), draw(st.sampled_from([50, 96, 144]))
    return parse_part(f"{metre} key:{key} tempo:{tempo} | " + " | ".join(bars))
