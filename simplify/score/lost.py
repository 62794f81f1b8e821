"""What went from the page together with notes that went: told, never lost in silence.

A slur, accent or lyric on a note that a rewrite takes away has no owner any more. The graft takes
it off; this module compares source and result, bar by bar, and says what that was.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections import Counter

from simplify.score.read import LoadedPart
from simplify.score.source import SourcePart, load_document

_GROUPS = ("ornaments", "technical", "articulations")
_SKIPPED = frozenset({"tied", "tuplet", "harp-pedals", "words", "symbol"})
"""Ties and brackets are written anew; pedal marks and words give way to the new ones on purpose."""

_NAMES = {
    "arpeggiate": "arpeggio sign", "non-arpeggiate": "bracket", "strong-accent": "strong accent",
    "trill-mark": "trill", "wavy-line": "trill line", "inverted-mordent": "mordent",
    "fingering": "finger number", "fingernails": "nail sign", "other-technical": "sign",
    "other-notation": "sign", "other-articulation": "sign", "other-ornament": "ornament",
    "accidental-mark": "accidental on an ornament", "wedge": "hairpin", "octave-shift": "8va line",
    "breath-mark": "breath mark", "detached-legato": "portato",
}


def _signs(measure: ET.Element) -> Counter[str]:
    """What stands on the notes of a measure and in its directions, by name."""
    found: Counter[str] = Counter()
    for item in measure:
        if item.tag == "note":
            for element in item.iterfind("notations/*"):
                for one in element if element.tag in _GROUPS else (element,):
                    found[one.tag] += one.tag not in _SKIPPED
            found["lyric"] += len(item.findall("lyric"))
        elif item.tag == "direction":
            for one in item.iterfind("direction-type/*"):
                found[one.tag] += one.tag not in _SKIPPED
    return found


def lost_marks(loaded: LoadedPart, written: bytes) -> tuple[str, ...]:
    """Signs of the source that `written`, its rewrite, no longer has, a line a bar: ``bar 3: slur,
    staccato (2)``. Each end of a slur or line counts in its own bar.

    Raises:
        ScoreError: `written` is no score.
    """
    document = load_document(written, loaded.score.document.path)
    lines = []
    for bar in loaded.part.bars:
        gone: Counter[str] = Counter()
        for source in loaded.sources:
            new: SourcePart = document.part(source.id)
            old_text = source.measures[bar.index].element
            gone += _signs(old_text) - _signs(new.measures[bar.index].element)
        if gone:
            names: Counter[str] = Counter()
            for tag, count in gone.items():
                names[_NAMES.get(tag, tag.replace("-", " "))] += count
            told = ", ".join(
                name if count == 1 else f"{name} ({count})" for name, count in sorted(names.items())
            )
            lines.append(f"bar {bar.number}: {told}")
    return tuple(lines)
