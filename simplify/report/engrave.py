"""Engraves some bars of a part as SVG with Verovio."""

from __future__ import annotations

import re

from simplify.score.graft import emit_part
from simplify.score.model import NoteId, Part

OPTIONS = {
    "adjustPageHeight": True, "adjustPageWidth": False, "breaks": "auto", "footer": "none",
    "header": "none", "pageMarginBottom": 30, "pageMarginLeft": 30, "pageMarginRight": 30,
    "pageMarginTop": 30, "pageWidth": 2100, "scale": 42, "svgViewBox": True,
    "svgRemoveXlink": True, "xmlIdSeed": 7,
}
COLOUR = "#9a3412"
"""Colour of changed notes: dark enough to read in print and in grey."""


def engraved(part: Part, first: int, last: int, changed: frozenset[NoteId]) -> tuple[str, ...]:
    """One SVG element per page of bars first..last (indices), changed notes in `COLOUR`."""
    import verovio

    xml = emit_part(part.window(first, last), "", colour=dict.fromkeys(sorted(changed), COLOUR))
    toolkit = verovio.toolkit()
    toolkit.setOptions(OPTIONS)
    if not toolkit.loadData(xml.decode("utf-8")):
        return ()
    pages = []
    for page in range(1, toolkit.getPageCount() + 1):
        svg = toolkit.renderToSVG(page)
        pages.append(re.sub(r"^<\?xml[^>]*\?>\s*", "", svg))
    return tuple(pages)
