"""Engraves bars with Verovio (the only importer of it), with their changes marked.

A version and the bars as written stand as two parts of one score, so that their bars lie under one
another. What the version leaves out is struck through above, what it brings is ringed below, as
with a pencil; colour only repeats it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from html import escape

from simplify.counted import counted
from simplify.report.svg import NEW, OVER, Drawing
from simplify.report.words import bars_words
from simplify.score.graft import emit_part
from simplify.score.model import NoteId, Part

OPTIONS = {
    "adjustPageHeight": True, "adjustPageWidth": False, "breaks": "auto", "footer": "none",
    "header": "none", "pageMarginBottom": 40, "pageMarginLeft": 60, "pageMarginRight": 10,
    "pageMarginTop": 10, "pageWidth": 2100, "pageHeight": 2500, "scale": 42, "svgViewBox": True,
    "svgRemoveXlink": True, "xmlIdSeed": 7, "spacingSystem": 8, "systemDivider": "none",
}
PHONE = {"pageWidth": 960, "pageMarginLeft": 20, "spacingNonLinear": 0.5}
"""What differs for a page as narrow as a phone: the same size of notes on shorter lines."""
APART = {"pageHeight": 400}
"""A page for each system, so that long music breaks anywhere between two pages of print."""
METRONOME_SIGNS = {"\ueca3": "\U0001d15e", "\ueca5": "♩", "\ueca7": "♪"}
"""Verovio's music-font characters in a tempo mark, as characters that text fonts have."""
RING = (200.0, 160.0)
"""Half width and height of the ring round a note head, in Verovio's units (a head is 212 wide)."""


def engraved(
    part: Part, first: int, last: int, changed: frozenset[NoteId] = frozenset(), *,
    name: str = "", fingering: Mapping[NoteId, int] | None = None, key: str = "",
    phone: bool = False, apart: bool = False,
) -> tuple[Drawing, ...]:
    """Bars first..last (indices) of a part; a drawing a page, or a system if they are wanted apart.

    changed: notes to ring; name: in front of the staves; fingering: fingers to print; key: tells
    this engraving's names of shapes apart from others on the same page; phone: broken for a narrow
    screen.
    """
    shown = part.window(first, last)
    ringed = sorted(changed & shown.by_id.keys())
    words = f"Engraved music: {bars_words(part.bars[first].number, part.bars[last].number)}"
    if ringed:
        words += f", {counted(len(ringed), 'note')} ringed"
    xml = _emitted(shown, name, dict.fromkeys(ringed, NEW), fingering)
    return _pages(xml, key, words, phone, apart)


def compared(
    before: Part, after: Part, first: int, last: int, *,
    fingering: Mapping[NoteId, int] | None = None, key: str = "", phone: bool = False,
) -> tuple[Drawing, ...]:
    """Bars first..last (indices) as written, and under them as in `after`; a drawing a page.
    fingering: of the lower version; key, phone: as for `engraved`."""
    old, new = before.window(first, last), after.window(first, last)
    gone, come = old.by_id.keys() - new.by_id.keys(), new.by_id.keys() - old.by_id.keys()
    # One metronome mark, above the upper version, is enough.
    lower = replace(new, assumed_tempo=True)
    xml = _together(
        _emitted(old, "as written", dict.fromkeys(sorted(gone), OVER), None),
        _emitted(lower, "easier", dict.fromkeys(sorted(come), NEW), fingering),
    )
    words = (
        f"Engraved music: {bars_words(before.bars[first].number, before.bars[last].number)}, "
        f"as written above ({counted(len(gone), 'note')} struck through), easier below "
        f"({counted(len(come), 'note')} ringed)"
    )
    return _pages(xml, key, words, phone, False)


def _pages(xml: str, key: str, words: str, phone: bool, apart: bool) -> tuple[Drawing, ...]:
    import verovio

    verovio.enableLog(verovio.LOG_OFF)
    toolkit = verovio.toolkit()
    toolkit.setOptions({**OPTIONS, **(PHONE if phone else {}), **(APART if apart else {})})
    if not toolkit.loadData(xml):
        return ()
    return tuple(
        _drawing(toolkit.renderToSVG(page), f"{key}{'n' * phone}{page}", words)
        for page in range(1, toolkit.getPageCount() + 1)
    )


def _emitted(
    part: Part, name: str, colour: Mapping[NoteId, str], fingering: Mapping[NoteId, int] | None
) -> str:
    inside = {i: finger for i, finger in (fingering or {}).items() if i in part.by_id}
    named = replace(part, name=name)
    return emit_part(named, "", colour=colour, fingering=inside).decode("utf-8")


def _together(upper: str, lower: str) -> str:
    """Two one-part documents as one of two parts."""
    lower = lower.replace('id="P1"', 'id="P2"')
    listed, part = (
        re.search(pattern, lower, re.DOTALL)
        for pattern in (r"<score-part .*?</score-part>", r"<part id=.*</part>")
    )
    if listed is None or part is None:
        raise AssertionError("an emitted score has one part")
    both = upper.replace("</part-list>", listed[0] + "</part-list>", 1)
    at = both.rindex("</part>") + len("</part>")
    return both[:at] + part[0] + both[at:]


def _drawing(svg: str, key: str, words: str) -> Drawing:
    """Verovio's page without what a report doesn't need, with rings and strokes."""
    svg = re.sub(r"^\s*<\?xml[^>]*\?>\s*|<desc>.*?</desc>", "", svg, flags=re.DOTALL)
    svg = re.sub(r">\s+<", "><", svg)
    box = re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', svg)
    root = re.search(r'<svg[^>]* id="([^"]+)"', svg)
    if box is None or root is None:
        raise AssertionError("Verovio's page has a view box and a name")
    svg = svg.replace(f"#{root[1]} ", ".engraved ").replace(f"-{root[1]}", f"-{key}")
    svg = re.sub(r' id="(?!E[0-9A-F]{3}-)[^"]*"', "", svg)
    svg = re.sub(r'<g class="[^"]*"\s*/>|<g\s*/>', "", svg)
    for sign, text in METRONOME_SIGNS.items():
        svg = re.sub(rf'<tspan [^>]*(font-size="\w+")[^>]*>{sign}<', rf"<tspan \1>{text}<", svg)
    svg = re.sub(
        rf'(<g class="note" color="({NEW}|{OVER})"[^>]*>.*?<g class="notehead">)(.*?)</g>',
        _marked, svg, flags=re.DOTALL,
    )
    svg = svg.replace(
        "<svg ", f'<svg class="engraved" role="img" aria-label="{escape(words)}" ', 1
    )
    return Drawing(svg, float(box[1]), float(box[2]), words)


def _marked(match: re.Match[str]) -> str:
    """A coloured note's head with its ring or stroke."""
    opening, colour, head = match[1], match[2], match[3]
    place = re.search(r"translate\((-?[\d.]+),? (-?[\d.]+)\)", head)
    if place is None:
        return match[0]
    x, y = float(place[1]) + 106, float(place[2])
    if colour == NEW:
        rx, ry = RING
        shape = (
            f'<ellipse cx="{x:g}" cy="{y:g}" rx="{rx:g}" ry="{ry:g}" fill="none" '
            f'stroke="{NEW}" stroke-width="26"/>'
        )
    else:
        shape = (
            f'<path d="M{x - 190:g} {y + 150:g}L{x + 190:g} {y - 150:g}" stroke="{OVER}" '
            'stroke-width="34"/>'
        )
    return f"{opening}{head}{shape}</g>"


def without_fingers(drawing: Drawing) -> Drawing:
    """The drawing with its finger numbers taken out, for print."""
    return replace(
        drawing, svg=re.sub(r'<g class="fing">.*?</g>', "", drawing.svg, flags=re.DOTALL)
    )
