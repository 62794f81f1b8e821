"""Writing a changed part back into its source, note by note.

Bars that hold the same notes as the source stay as they are, byte for byte. In a changed bar the
kept notes keep their own XML, what is not a note stays at its place in time, and the bar is laid
out again voice by voice: new notes in writable values (tied where one value does not say it),
rests where a note has gone, chords split over two voices where their notes differ in length,
accidentals, beams, tuplet brackets and ties put right. Ties, slurs and other lines whose other end
has gone are taken off.

Every result is read again and compared with what was asked for (`same_music`): music that would
not come back is an error that names the bar, never a file.

`emit_part` writes a part that has no source on the same path: an empty score, then the graft.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from fractions import Fraction

from simplify.errors import GentlerError, OutputError
from simplify.score.barwriter import BarWriter, Clef
from simplify.score.blank import empty_score
from simplify.score.graftplan import Plan, source_signs
from simplify.score.marks import PedalMark, directions_xml
from simplify.score.measures import PlacedChild
from simplify.score.model import TICKS, Bar, Note, NoteId, Part
from simplify.score.notexml import ACCIDENTALS, Fix, Style, signs_missing
from simplify.score.players import PartChoice
from simplify.score.read import BarLayout, LoadedPart, Score, load_part
from simplify.score.source import SourceMeasure, load_document, repack_mxl

CHANGED_COLOUR = "#9A3412"
"""Colour of new notes when asked for: a dark rust that prints as a clear grey."""


def same_music(one: Part, other: Part) -> tuple[str, ...]:
    """What differs in sound between two parts, as lines that name the bar; empty if nothing.

    Compared are the bars' lengths and every strike: onset, end, spelled pitch, staff, and whether
    it is a grace note. A long value and the tied values that write it are the same. One tick
    is allowed for: the places of 11 or 13 notes in a beat are rounded to whole ticks.
    """
    lines: list[str] = []
    if len(one.bars) != len(other.bars):
        return (f"{len(one.bars)} bars against {len(other.bars)}",)
    for a, b in zip(one.bars, other.bars, strict=True):
        if (a.onset, a.duration) != (b.onset, b.duration):
            lines.append(
                f"bar {a.number}: {Fraction(a.duration, TICKS)} quarter notes long against "
                f"{Fraction(b.duration, TICKS)}"
            )
    first, second = _sounds(one), _sounds(other)
    left, right = sorted((first - second).elements()), sorted((second - first).elements())
    for row in list(left):
        twin = next(
            (
                r for r in right
                if r[2:] == row[2:] and abs(r[0] - row[0]) <= 1 and abs(r[1] - row[1]) <= 1
            ),
            None,
        )
        if twin is not None:
            left.remove(row)
            right.remove(twin)
    for rows, where in ((left, "only in the first"), (right, "only in the second")):
        for onset, end, pitch, staff, lead in rows:
            bar = one.bar_at(onset)
            what = "grace note" if lead else f"{Fraction(end - onset, TICKS)} quarter notes"
            lines.append(
                f"bar {bar.number} beat {bar.beat(onset):g}: {pitch} ({what}, staff {staff}) "
                f"{where}"
            )
    return tuple(lines)


def _sounds(part: Part) -> Counter[tuple[int, int, str, int, int]]:
    """(onset, end, pitch, staff, place among the grace notes from the right) of every strike.

    Places are counted anew, so that a grace note left out of a row leaves no hole.
    """
    leads: dict[tuple[int, str], set[int]] = {}
    for strike in part.strikes:
        if strike.lead:
            leads.setdefault((strike.onset, strike.first.voice), set()).add(strike.lead)
    ranks = {
        (*key, lead): rank
        for key, found in leads.items() for rank, lead in enumerate(sorted(found), start=1)
    }
    return Counter(
        (
            s.onset, s.end, s.pitch.name, s.first.staff,
            ranks.get((s.onset, s.first.voice, s.lead), 0),
        )
        for s in part.strikes
    )


class _Changes:
    """The changes to the source text that a plan asks for."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan

    def all(self) -> list[tuple[int, int, bytes]]:
        """Spans of the source text and what takes their place."""
        found: list[tuple[int, int, bytes]] = []
        added: dict[tuple[int, int], list[Note]] = {}
        for note in self.plan.added:
            added.setdefault((self.plan.source_of(note), note.bar), []).append(note)
        bars = self.plan.loaded.part.bars
        for source, part in enumerate(self.plan.loaded.sources):
            running: Mapping[int, Clef] = {}
            for bar in bars:
                key = (source, bar.index)
                children = self.plan.loaded.layouts[source][bar.index].children
                lost = any(c.id >= 0 and c.id not in self.plan.kept for c in children)
                last = source + 1 == len(self.plan.loaded.sources)
                marks = self.plan.marks.get(bar.index, []) if last else []
                if not lost and key not in added:
                    found += self.small(source, bar, marks)
                    running = {}
                    continue
                renewed = self.renewed(source, bar.index + 1, added)
                writer = BarWriter(
                    self.plan, source, bar, self.plan.fixes.get(key, {}), running, renewed
                )
                content = writer.write(added.get(key, []), marks)
                running = writer.left
                measure = part.measures[bar.index]
                if measure.inner_end == measure.end:  # <measure .../>: open it
                    tag = self.plan.document.text[measure.start : measure.end - 2].rstrip() + b">"
                    content = tag + content + self.plan.document.closing
                    found.append((measure.start, measure.end, content))
                else:
                    found.append((measure.inner_start, measure.inner_end, content))
        return found

    def renewed(
        self, source: int, index: int, added: Mapping[tuple[int, int], Sequence[Note]]
    ) -> frozenset[int]:
        """Staves whose notes in a bar are all new; every staff after the last bar."""
        if index == len(self.plan.loaded.part.bars):
            return frozenset((1, 2))
        kept: set[int] = set()
        changed: set[int] = set()
        for child in self.plan.loaded.layouts[source][index].children:
            if child.id >= 0:
                (kept if child.id in self.plan.kept else changed).add(child.staff)
        changed |= {self.plan.xml_staff(note) for note in added.get((source, index), ())}
        return frozenset(changed - kept)

    def small(
        self, source: int, bar: Bar, marks: Sequence[tuple[int, PedalMark]]
    ) -> list[tuple[int, int, bytes]]:
        """Changes within single notes and inserted directions; the rest of the bar stays."""
        measure = self.plan.loaded.sources[source].measures[bar.index]
        layout = self.plan.loaded.layouts[source][bar.index]
        style = self.plan.style(source, bar.index)
        fixes = self.plan.fixes.get((source, bar.index), {})
        if any(fix.drop_ties for fix in fixes.values()):
            self.tied_accidentals(source, bar, layout, fixes)
        found = []
        for child, fix in sorted(fixes.items()):
            if fix.any():
                spot = measure.children[child]
                text = style.render(fix.applied(spot.element))
                found.append((spot.start, spot.end, text.encode("utf-8")))
        for child in sorted(self.plan.dropped[source, bar.index]):
            spot = measure.children[child]
            start = measure.children[child - 1].end if child else measure.inner_start
            gap = self.plan.document.text[start : spot.start]
            found.append((start if not gap.strip() else spot.start, spot.end, b""))
        for tick, mark in marks:
            found.append(self.mark(source, bar, measure, layout, style, tick, mark))
        return found

    def tied_accidentals(
        self, source: int, bar: Bar, layout: BarLayout, fixes: dict[int, Fix]
    ) -> None:
        """A note that is struck now where it was tied before may need its accidental."""
        before = {k for k, _ in signs_missing(
            source_signs(self.plan.loaded, source, bar, self.plan.old_in), layout)}
        for key, alter in signs_missing(
            source_signs(self.plan.loaded, source, bar, self.plan.tied_in), layout
        ):
            if isinstance(key, int) and key not in before:
                fixes.setdefault(key, Fix()).accidental = ACCIDENTALS[alter]

    def mark(
        self, source: int, bar: Bar, measure: SourceMeasure, layout: BarLayout, style: Style,
        tick: int, mark: PedalMark,
    ) -> tuple[int, int, bytes]:
        """A pedal mark put into an unchanged bar: before the note that starts with it, or before
        the one that is sounding then, with an offset."""
        row = [
            c for c in layout.children
            if c.kind != "other" and c.run == 0 and not c.chord
        ]
        at: PlacedChild | None = None
        for child in row:
            if child.onset <= tick and (at is None or child.onset > at.onset):
                at = child
        offset = tick - (at.onset if at is not None else 0)
        staff = self.plan.mark_staff(source)
        blocks = [
            style.block(lines)
            for lines in directions_xml(
                mark, staff=staff, offset=offset, divisions=layout.divisions
            )
        ]
        glue = style.newline + style.base
        if at is not None:
            start = measure.children[at.child].start
            return start, start, "".join(block + glue for block in blocks).encode("utf-8")
        head = [
            c for c in layout.children
            if c.kind == "other"
            and measure.children[c.child].element.tag in ("print", "attributes")
        ]
        start = measure.children[head[-1].child].end if head else measure.inner_start
        return start, start, "".join(glue + block for block in blocks).encode("utf-8")


def graft(
    loaded: LoadedPart,
    new: Part,
    *,
    pedal_marks: Sequence[PedalMark] = (),
    fingering: Mapping[NoteId, int] | None = None,
    colour_changed: bool = False,
    colour: Mapping[NoteId, str] | None = None,
    keep_given: bool = False,
    pedal_span: tuple[int, int] | None = None,
) -> bytes:
    """The source document with `new` in place of the loaded part, in the source's encoding.

    pedal_marks: settings and moves to print; the source's own pedal marks are taken off where the
    new ones hold (ticks `pedal_span`, or from the first mark to the end of the last one's bar)
    unless `keep_given`. fingering: note id to finger (1 is the thumb). colour_changed: new notes
    get `CHANGED_COLOUR`; colour: note id to a colour of its own.

    Raises:
        OutputError: the bars differ from the source's, a length can't be written, or what was
            written does not read back as `new`.
    """
    old = loaded.part
    if [(b.onset, b.duration) for b in new.bars] != [(b.onset, b.duration) for b in old.bars]:
        raise OutputError(
            f"{loaded.info.path}: the new version has other bars than the source; "
            "graft the whole part, not a window of it"
        )
    if len(loaded.sources) == 1 and loaded.choice.staves == 1:
        # A part of one staff has no second one to write on: the staff is only a register.
        new = replace(new, notes=tuple(
            note if note.staff == 1 or note == old.by_id.get(note.id) else replace(note, staff=1)
            for note in new.notes
        ))
    colours = dict(colour or {})
    plan = Plan(loaded, new, pedal_marks, dict(fingering or {}), colours, keep_given, pedal_span)
    if colour_changed:
        for note in plan.added:
            colours.setdefault(note.id, CHANGED_COLOUR)
    for note_id in sorted(plan.kept & colours.keys()):
        plan.fix(note_id).colour = colours[note_id]
    text = plan.document.splice(_Changes(plan).all())
    encoded = loaded.score.document.encoded(text)
    if text != loaded.score.document.text:
        _check(loaded, new, encoded)
    return encoded




def _check(loaded: LoadedPart, new: Part, encoded: bytes) -> None:
    """Reads the result again; raises OutputError if it is not the music that was asked for."""
    document = loaded.score.document
    try:
        again = load_document(encoded, document.path, source_format=document.source_format)
        read = load_part(
            replace(loaded.score, document=again), loaded.choice, empty=not new.notes
        )
    except GentlerError as error:
        raise OutputError(
            f"{document.path}: what was written can't be read again: {error}"
        ) from None
    differences = same_music(new, read.part)
    if differences:
        more = f" (and {len(differences) - 1} more)" if len(differences) > 1 else ""
        raise OutputError(
            f"{document.path}: what was written does not read back the same: "
            f"{differences[0]}{more}; nothing was written"
        )


def to_mxl(loaded: LoadedPart, xml: bytes) -> bytes:
    """A compressed score with this document; one that came compressed keeps its other files."""
    return repack_mxl(loaded.score.document, xml)


def emit_part(
    part: Part,
    title: str,
    *,
    colour: Mapping[NoteId, str] | None = None,
    fingering: Mapping[NoteId, int] | None = None,
    pedal_marks: Sequence[PedalMark] = (),
    staves: int = 2,
) -> bytes:
    """A complete MusicXML document (UTF-8, version 4.0) of a part on two staves (or one).

    The part may be a window whose first bar starts later than tick 0; pedal marks are given in
    the part's own ticks.

    Raises:
        OutputError: a length can't be written.
    """
    start = part.bars[0].onset
    moved = replace(
        part,
        bars=tuple(replace(bar, onset=bar.onset - start) for bar in part.bars),
        notes=tuple(replace(note, onset=note.onset - start) for note in part.notes),
    )
    document = load_document(empty_score(part, title, staves).encode("utf-8"), part.name)
    choice = PartChoice(("P1",), part.name, staves, 0, False, True)
    loaded = load_part(Score(title, part.name, "musicxml", document, (choice,)), choice, empty=True)
    return graft(
        loaded, moved, colour=colour, fingering=fingering, keep_given=True,
        pedal_marks=[replace(mark, onset=mark.onset - start) for mark in pedal_marks],
    )


def emit_parts(parts: Sequence[tuple[Part, int]], title: str) -> bytes:
    """A complete document of several parts with the same bars, each with its number of staves.

    Raises:
        OutputError: a length can't be written.
    """
    pages = [emit_part(part, title, staves=staves).decode("utf-8") for part, staves in parts]
    entries, music = [], []
    for number, page in enumerate(pages, start=1):
        page = page.replace('id="P1"', f'id="P{number}"')
        head, _, rest = page.partition("  </part-list>\n")
        entries.append(head[head.index("    <score-part "):])
        music.append(rest[: rest.index("</score-partwise>")])
    opening = pages[0][: pages[0].index("    <score-part ")]
    return "".join(
        [opening, *entries, "  </part-list>\n", *music, "</score-partwise>\n"]
    ).encode("utf-8")
