"""An empty score for a part that has no source: its bars with everything but the notes."""

from __future__ import annotations

import math
import re
from collections import Counter
from fractions import Fraction
from xml.sax.saxutils import escape, quoteattr

from simplify.score.marks import diagram_xml, move_words
from simplify.score.model import TICKS, Bar, Part
from simplify.score.notexml import number_text


def empty_score(part: Part, title: str, staves: int = 2) -> str:
    """The part's bars with everything but its notes: a rest for every voice."""
    first = part.bars[0]
    places = [n.onset - first.onset for n in part.notes] + [n.duration for n in part.notes]
    places += [b.duration for b in part.bars]
    unit = 1
    for place in places:
        unit = math.lcm(unit, Fraction(place, TICKS).denominator)
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" '
        '"http://www.musicxml.org/dtds/partwise.dtd">',
        '<score-partwise version="4.0">',
    ]
    if title:
        lines += ["  <work>", f"    <work-title>{escape(title)}</work-title>", "  </work>"]
    lines += [
        "  <part-list>", '    <score-part id="P1">',
        f"      <part-name>{escape(part.name)}</part-name>", "    </score-part>",
        "  </part-list>", '  <part id="P1">',
    ]
    before: Bar | None = None
    for bar in part.bars:
        lines += _empty_bar(part, bar, before, unit, staves)
        before = bar
    return "\n".join([*lines, "  </part>", "</score-partwise>", ""])


def _empty_bar(
    part: Part, bar: Bar, before: Bar | None, unit: int, staves: int
) -> list[str]:
    short = bar.duration < bar.metre_ticks
    implicit = ' implicit="yes"' if short or bar.lead else ""
    lines = [f"    <measure number={quoteattr(bar.number)}{implicit}>"]
    lines += _bar_lines(part, bar, left=True)
    inner: list[str] = []
    if before is None:
        inner.append(f"<divisions>{unit}</divisions>")
    if before is None or before.fifths != bar.fifths:
        inner += ["<key>", f"  <fifths>{bar.fifths}</fifths>", "</key>"]
    if before is None or (before.beats, before.beat_type) != (bar.beats, bar.beat_type):
        inner += [
            "<time>", f"  <beats>{bar.beats}</beats>",
            f"  <beat-type>{bar.beat_type}</beat-type>", "</time>",
        ]
    if before is None:
        inner.append(f"<staves>{staves}</staves>")
        for staff in range(1, staves + 1):
            sign, line = _clef(part, staff)
            inner += [
                f'<clef number="{staff}">', f"  <sign>{sign}</sign>", f"  <line>{line}</line>",
                "</clef>",
            ]
    if inner:
        lines += ["      <attributes>", *(f"        {t}" for t in inner), "      </attributes>"]
    lines += _bar_directions(part, bar, before is None, unit)
    length = bar.duration * unit // TICKS
    whole = "" if bar.duration > bar.metre_ticks else ' measure="yes"'
    for number, (voice, staff) in enumerate(_voices(part, bar, staves)):
        if number:
            lines += [
                "      <backup>", f"        <duration>{length}</duration>", "      </backup>"
            ]
        lines += [
            "      <note>", f"        <rest{whole}/>", f"        <duration>{length}</duration>",
            f"        <voice>{escape(voice)}</voice>", f"        <staff>{staff}</staff>",
            "      </note>",
        ]
    lines += _bar_lines(part, bar, left=False)
    return [*lines, "    </measure>"]


def _voices(part: Part, bar: Bar, staves: int) -> list[tuple[str, int]]:
    """The voices of a bar with the staff each is mostly on; one at least for each staff."""
    found: dict[str, Counter[int]] = {}
    for note in part.notes_by_bar[bar.index]:
        found.setdefault(note.voice, Counter())[min(note.staff, 2)] += 1
    rows = [
        (voice, min(on, key=lambda s: (-on[s], s))) for voice, on in found.items()
    ]
    for staff, usual in ((1, "1"), (2, "5"))[:staves]:
        if not any(row[1] == staff for row in rows):
            names = {row[0] for row in rows}
            free = (n for n in (usual, *map(str, range(4 * staff - 3, 99))) if n not in names)
            rows.append((next(free), staff))
    return sorted(rows, key=lambda r: (r[1], len(r[0]), r[0]))


def _clef(part: Part, staff: int) -> tuple[str, int]:
    """Treble above and bass below, unless a staff lies wholly in the other's register."""
    pitches = sorted(n.pitch.midi for n in part.notes if n.staff == staff)
    middle = pitches[len(pitches) // 2] if pitches else 0
    if staff == 1:
        return ("F", 4) if pitches and middle < 52 else ("G", 2)
    return ("G", 2) if pitches and middle >= 62 else ("F", 4)


def _bar_lines(part: Part, bar: Bar, *, left: bool) -> list[str]:
    """The bar line with repeats and endings, if it is not a plain one."""
    around = part.bars[max(0, bar.index - 1) : bar.index + 2]
    before = around[0] if bar.index else None
    after = around[-1] if bar.index + 1 < len(part.bars) else None
    parts: list[str] = []
    number = quoteattr(bar.ending) if re.fullmatch(r"[1-9]\d*(, ?[1-9]\d*)*", bar.ending) else '"1"'
    if left:
        if bar.repeat_start:
            parts.append("<bar-style>heavy-light</bar-style>")
        if bar.ending and (before is None or before.ending != bar.ending):
            parts.append(f'<ending number={number} type="start"/>')
        if bar.repeat_start:
            parts.append('<repeat direction="forward"/>')
    else:
        if bar.repeat_end or after is None:
            parts.append("<bar-style>light-heavy</bar-style>")
        if bar.ending and (after is None or after.ending != bar.ending):
            parts.append(f'<ending number={number} type="stop"/>')
        if bar.repeat_end:
            parts.append('<repeat direction="backward"/>')
    if not parts:
        return []
    side = "left" if left else "right"
    return [
        f'      <barline location="{side}">', *(f"        {p}" for p in parts), "      </barline>"
    ]


def _bar_directions(part: Part, bar: Bar, first: bool, unit: int) -> list[str]:
    """Rehearsal mark, tempo, dynamics and given pedals of a bar, all at its start with offsets."""
    rows: list[tuple[int, int, list[str], str]] = []
    if bar.rehearsal:
        rows.append((0, 1, [f"<rehearsal>{escape(bar.rehearsal)}</rehearsal>"], ""))
    tempi = [(m.onset, m.quarters) for m in part.tempo if bar.onset < m.onset < bar.end]
    at_start = [m.quarters for m in part.tempo if m.onset <= bar.onset]
    here = any(m.onset == bar.onset for m in part.tempo)
    if (first or here) and at_start:
        tempi.insert(0, (bar.onset, at_start[-1]))
    for tick, quarters in tempi if not part.assumed_tempo else ():
        text = f"{quarters:.6g}"
        rows.append((
            tick - bar.onset, 1,
            ["<metronome>", "  <beat-unit>quarter</beat-unit>",
             f"  <per-minute>{text}</per-minute>", "</metronome>"],
            f'<sound tempo="{text}"/>',
        ))
    for dynamic in part.dynamics:
        if bar.onset <= dynamic.onset < bar.end:
            name = dynamic.level
            inner = f"<{name}/>" if name in _DYNAMICS else (
                f"<other-dynamics>{escape(name)}</other-dynamics>"
            )
            rows.append((
                dynamic.onset - bar.onset, 2, ["<dynamics>", f"  {inner}", "</dynamics>"], ""
            ))
    for given in part.given:
        if bar.onset <= given.onset < bar.end:
            content = list(diagram_xml(given.positions)) if given.full else [
                f"<words>{' '.join(move_words(given.positions))}</words>"
            ]
            rows.append((given.onset - bar.onset, 3, content, ""))
    lines: list[str] = []
    for tick, order, content, sound in sorted(rows, key=lambda r: (r[0], r[1])):
        placement = "above" if order == 1 else "below"
        lines += [f'      <direction placement="{placement}">', "        <direction-type>"]
        lines += [f"          {line}" for line in content]
        lines.append("        </direction-type>")
        if tick:
            lines.append(f"        <offset>{number_text(Fraction(tick * unit, TICKS))}</offset>")
        lines.append("        <staff>1</staff>")
        if sound:
            lines.append(f"        {sound}")
        lines.append("      </direction>")
    return lines


_DYNAMICS = frozenset({
    "p", "pp", "ppp", "pppp", "ppppp", "pppppp", "f", "ff", "fff", "ffff", "fffff", "ffffff", "mp",
    "mf", "sf", "sfp", "sfpp", "fp", "rf", "rfz", "sfz", "sffz", "fz", "n", "pf", "sfzp",
})
"""Dynamic signs that have an element of their own (MusicXML 4.0, type dynamics)."""
