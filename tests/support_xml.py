"""Small MusicXML documents for tests, written out by hand."""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ET
import zipfile
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path

import music21

from simplify.score.read import LoadedPart, score_from_bytes, select_part

CORPUS = Path(music21.__file__).parent / "corpus"
"""Music21's own corpus, read from the installed package."""

KEYBOARD = (
    "joplin/maple_leaf_rag.mxl", "cpebach/h186.mxl", "schumann_clara/polonaise_op1n1.mxl",
    "schumann_clara/polonaise_op1n2.mxl", "schumann_clara/polonaise_op1n3.mxl",
    "schumann_clara/polonaise_op1n4.mxl", "schubert/Lindenbaum.xml",
    "beach/prayer_of_a_tired_child.musicxml", "schoenberg/opus19/movement2.mxl",
    "schoenberg/opus19/movement6.mxl", "mozart/k545/movement1_exposition.mxl",
)
"""Keyboard scores of the corpus."""

OTHERS = (
    "bach/bwv1.6.mxl", "bach/bwv10.7.mxl", "bach/bwv101.7.mxl", "bach/bwv102.7.mxl",
    "bach/bwv103.6.mxl", "bach/bwv104.6.mxl", "bach/bwv108.6.mxl", "bach/bwv11.6.mxl",
    "bach/bwv110.7.mxl", "bach/bwv111.6.mxl", "bach/bwv112.5.mxl", "bach/bwv66.6.mxl",
    "bach/bwv248.23-2.mxl", "bach/bwv248.9-1.mxl", "mozart/k80/movement3.mxl",
    "mozart/k155/movement2.mxl", "handel/rinaldo/Lascia_chio_pianga.mxl",
    "haydn/opus1no1/movement3.mxl", "corelli/opus3no1/1grave.xml",
    "demos/nested_tuplet_finale_test.xml", "demos/voices_with_chords.xml",
    "weber/concertino_clarinet.mxl", "demos/two-voices.xml",
    "demos/incorrect_time_signature_pv.mxl",
)
"""Scores of several parts: chorales, quartets, a song with transposing winds."""


def attributes(
    divisions: int = 4, fifths: int = 0, metre: str = "4/4", staves: int = 1, more: str = ""
) -> str:
    """An `<attributes>` element."""
    beats, beat_type = metre.split("/")
    return (
        f"<attributes><divisions>{divisions}</divisions><key><fifths>{fifths}</fifths></key>"
        f"<time><beats>{beats}</beats><beat-type>{beat_type}</beat-type></time>"
        f"<staves>{staves}</staves>{more}</attributes>"
    )


def note(
    pitch: str, duration: int | None, *, voice: str = "1", kind: str = "", dots: int = 0,
    staff: int = 0, chord: bool = False, grace: bool = False, ratio: str = "", ties: str = "",
    accidental: str = "", beams: Sequence[str] = (), notations: str = "", first: str = "",
    after: str = "", attributes: str = "",
) -> str:
    """A `<note>`. pitch: ``C4``, ``F#5``, ``Bb3`` or ``r``; ratio: ``3:2``; ties: start, stop."""
    parts = [first]
    if grace:
        parts.append("<grace/>")
    if chord:
        parts.append("<chord/>")
    if pitch == "r":
        parts.append("<rest/>")
    elif pitch == "R":
        parts.append('<rest measure="yes"/>')
    else:
        match = re.fullmatch(r"([A-G])(#|b|##|bb)?(\d)", pitch)
        assert match, pitch
        alter = {"#": 1, "b": -1, "##": 2, "bb": -2, None: 0}[match[2]]
        altered = f"<alter>{alter}</alter>" if alter else ""
        parts.append(
            f"<pitch><step>{match[1]}</step>{altered}<octave>{match[3]}</octave></pitch>"
        )
    if duration is not None:
        parts.append(f"<duration>{duration}</duration>")
    parts += [f'<tie type="{tie}"/>' for tie in ties.split()]
    if voice:
        parts.append(f"<voice>{voice}</voice>")
    if kind:
        parts.append(f"<type>{kind}</type>")
    parts += ["<dot/>"] * dots
    if accidental:
        parts.append(f"<accidental>{accidental}</accidental>")
    if ratio:
        actual, normal = ratio.split(":")
        parts.append(
            f"<time-modification><actual-notes>{actual}</actual-notes>"
            f"<normal-notes>{normal}</normal-notes></time-modification>"
        )
    if staff:
        parts.append(f"<staff>{staff}</staff>")
    parts += [f'<beam number="{i}">{b}</beam>' for i, b in enumerate(beams, start=1)]
    tied = "".join(f'<tied type="{tie}"/>' for tie in ties.split())
    if tied or notations:
        parts.append(f"<notations>{tied}{notations}</notations>")
    return f"<note{attributes}>{''.join(parts)}{after}</note>"


def backup(duration: int) -> str:
    """A `<backup>`."""
    return f"<backup><duration>{duration}</duration></backup>"


def forward(duration: int) -> str:
    """A `<forward>`."""
    return f"<forward><duration>{duration}</duration></forward>"


def direction(content: str, *, sound: str = "", offset: str = "", staff: int = 0) -> str:
    """A `<direction>` with one direction type."""
    return (
        f"<direction><direction-type>{content}</direction-type>"
        + (f"<offset>{offset}</offset>" if offset else "")
        + (f"<staff>{staff}</staff>" if staff else "") + sound + "</direction>"
    )


def score(
    *parts: Sequence[str], names: Sequence[str] = ("Harp",), group: str = "", extra: str = "",
    head: str = '<?xml version="1.0" encoding="UTF-8"?>', instruments: Sequence[str] = (),
) -> bytes:
    """A document. Each part is a row of measure contents; one may start with attributes for its
    `<measure>` tag in square brackets, as in ``[number="0" implicit="yes"]``."""
    names = [*names, *("Part" for _ in range(len(parts) - len(names)))]
    listed = "".join(
        f'<score-part id="P{i}"><part-name>{name}</part-name>'
        f"{instruments[i - 1] if i <= len(instruments) else ''}</score-part>"
        for i, name in enumerate(names[: len(parts)], start=1)
    )
    if group:
        listed = (
            f'<part-group type="start" number="1"><group-symbol>{group}</group-symbol>'
            f'</part-group>{listed}<part-group type="stop" number="1"/>'
        )
    body = []
    for i, measures in enumerate(parts, start=1):
        rows = []
        for number, content in enumerate(measures, start=1):
            tag = f'number="{number}"'
            if content.startswith("["):
                tag, content = content[1:].split("]", 1)
            items = re.sub(
                r"(?<=>)(?=<(?:note|backup|forward|direction|attributes|barline|harmony|sound)\b)",
                "\n      ", content,
            )
            rows.append(f"    <measure {tag}>\n      {items}\n    </measure>\n")
        body.append(f'  <part id="P{i}">\n{"".join(rows)}  </part>\n')
    return (
        f'{head}\n<score-partwise version="4.0">\n  {extra}<part-list>{listed}</part-list>\n'
        f"{''.join(body)}</score-partwise>\n"
    ).encode()


def load(xml: bytes, part: str | None = None) -> LoadedPart:
    """The selected part of a document's bytes."""
    return select_part(score_from_bytes(xml, "test.musicxml"), part)


def packed(xml: bytes, *, container: bool = True, more: dict[str, bytes] | None = None) -> bytes:
    """A compressed score."""
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as bundle:
        if container:
            bundle.writestr(
                "META-INF/container.xml",
                '<?xml version="1.0"?><container><rootfiles><rootfile full-path="in/score.xml"/>'
                "</rootfiles></container>",
            )
        for name, data in (more or {}).items():
            bundle.writestr(name, data)
        bundle.writestr("in/score.xml", xml)
    return target.getvalue()


def voice_lengths(xml: bytes) -> dict[tuple[str, int], set[Fraction]]:
    """Where each run of a measure ends, in quarter notes from its start: (part id, measure index)
    to the ends. Worked out from the text alone, apart from the reader under test."""
    root = ET.fromstring(re.sub(rb"<!DOCTYPE[^>]*>", b"", xml, count=1))
    found: dict[tuple[str, int], set[Fraction]] = {}
    for part in root.findall("part"):
        divisions = 1
        for index, measure in enumerate(part.findall("measure")):
            now = Fraction(0)
            ends: set[Fraction] = set()
            for item in measure:
                if item.tag == "attributes":
                    divisions = int(item.findtext("divisions") or divisions)
                length = Fraction(item.findtext("duration") or 0) / divisions
                if item.tag == "backup":
                    ends.add(now)
                    now -= length
                elif item.tag == "forward" or (
                    item.tag == "note" and item.find("chord") is None
                ):
                    now += length
            ends.add(now)
            found[part.get("id", ""), index] = ends
    return found


def timewise(xml: bytes) -> bytes:
    """The document as score-timewise, every measure's content unchanged: the rearrangement that
    the MusicXML standard defines as its parttime transformation."""
    head, body = re.split(rb"(?<=</part-list>)", xml, maxsplit=1)
    parts = [
        (match[1], re.findall(rb"<measure\b([^>]*?)(?:/>|>(.*?)</measure>)", match[2], re.DOTALL))
        for match in re.finditer(rb'<part id="([^"]*)"[^>]*>(.*?)</part>', body, re.DOTALL)
    ]
    rows = []
    for measures in zip(*(measures for _, measures in parts), strict=True):
        inner = b"".join(
            b'    <part id="%s">%s</part>\n' % (part_id, content)
            for (part_id, _), (_, content) in zip(parts, measures, strict=True)
        )
        rows.append(b"  <measure%s>\n%s  </measure>\n" % (measures[0][0], inner))
    text = head + b"\n" + b"".join(rows) + b"</score-partwise>\n"
    return text.replace(b"score-partwise", b"score-timewise").replace(
        b"partwise.dtd", b"timewise.dtd").replace(b"Partwise//EN", b"Timewise//EN")


def partwise(xml: bytes) -> dict[str, list[str]]:
    """A score-timewise as its parts again: id to the canonical text of each measure's content."""
    found: dict[str, list[str]] = {}
    root = ET.fromstring(re.sub(rb"<!DOCTYPE[^>]*>", b"", xml, count=1))
    for measure in root.findall("measure"):
        for part in measure.findall("part"):
            content = "".join(ET.tostring(child, encoding="unicode").strip() for child in part)
            found.setdefault(part.get("id", ""), []).append(re.sub(r">\s+<", "><", content))
    return found
