"""The source document: its own bytes, its tree, and where in the bytes everything of a bar stands.

A score is not converted through a music library and written out again. The MusicXML text is
parsed here with the standard expat parser, which feeds an element tree and tells at every tag the
byte it stands at. So each measure and each child of a measure (note, attributes, direction ...)
keeps the span of its own bytes, and writing back is splicing new text between old bytes: what is
not changed stays as it was, byte for byte, with its layout, comments and other parts.

Spans count in UTF-8: a document in another encoding is decoded once and encoded again on the way
out. Nothing outside the given bytes is ever opened: entity declarations are refused and external
ones are not fetched.
"""

from __future__ import annotations

import codecs
import io
import re
import struct
import xml.etree.ElementTree as ET
import zipfile
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from xml.parsers import expat

from simplify.errors import OutputError, ScoreError

MAX_BYTES = 64 * 1024 * 1024
"""Largest score text, unpacked (estimate: an orchestral score of 200 bars takes 8 MB). Larger
lets a small archive fill the memory, smaller refuses operas."""

MAX_ELEMENTS = 4_000_000
"""Most XML elements (estimate: 64 MB of ordinary MusicXML hold 2.5 million)."""

MAX_DEPTH = 64
"""Deepest nesting (MusicXML itself needs about 12)."""

MAX_MEMBERS = 2_000
"""Most files in a compressed score (estimate: images and sounds of a very rich one)."""

MXL_MIMETYPE = b"application/vnd.recordare.musicxml"
"""Media type of compressed MusicXML (MusicXML 4.0, "Compressed .MXL files")."""

_DECLARED = re.compile(rb"""^\s*<\?xml[^>]*?encoding\s*=\s*["']([A-Za-z0-9._\-]+)["']""")
_START_TAG = re.compile(rb"""<[^\s/>]+(?:\s+[^\s=]+\s*=\s*(?:"[^"]*"|'[^']*'))*\s*(/?)>""")
_BOMS = ((b"\xef\xbb\xbf", "utf-8"), (b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be"))


@dataclass(frozen=True, slots=True)
class SourceChild:
    """A direct child of a measure and the half-open span of its bytes."""

    element: ET.Element
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class SourceMeasure:
    """A measure of one part: span of the whole element, of its content, and its children in order.

    In a score-timewise the span is that of the `<part>` inside the measure; `element` has the
    measure's attributes and the part's children all the same."""

    element: ET.Element
    start: int
    inner_start: int
    inner_end: int
    end: int
    children: tuple[SourceChild, ...]


@dataclass(frozen=True, slots=True)
class SourcePart:
    """A part: its id, its measures and the span of its bytes (empty in a score-timewise)."""

    id: str
    measures: tuple[SourceMeasure, ...]
    start: int = 0
    end: int = 0


@dataclass(frozen=True, slots=True)
class SourceDocument:
    """A parsed score with its bytes. The tree is for reading only; change the text by `splice`.

    text: the document in UTF-8, without byte order mark; every span counts in it. listed: the
    children of the part list. encoding, bom:
    how it is written out. archive, member: the compressed score it came from and its file there.
    """

    path: str
    source_format: str
    text: bytes
    root: ET.Element
    parts: tuple[SourcePart, ...]
    listed: tuple[SourceChild, ...] = ()
    encoding: str = "utf-8"
    bom: bytes = b""
    archive: bytes | None = None
    member: str = ""
    warnings: tuple[str, ...] = ()

    @property
    def timewise(self) -> bool:
        """True for score-timewise: measures that hold parts, and not parts that hold measures."""
        return self.root.tag == "score-timewise"

    @property
    def closing(self) -> bytes:
        """The closing tag of what a `SourceMeasure` spans."""
        return b"</part>" if self.timewise else b"</measure>"

    def part(self, part_id: str) -> SourcePart:
        """The part element of this id.

        Raises:
            ScoreError: the part list names a part that has no music.
        """
        for part in self.parts:
            if part.id == part_id:
                return part
        raise ScoreError(
            f"{self.path}: part '{part_id}' is in the part list but has no music; export it again"
        )

    def raw(self, child: SourceChild) -> bytes:
        """The bytes of one child of a measure."""
        return self.text[child.start : child.end]

    @property
    def newline(self) -> bytes:
        """The document's line end."""
        return b"\r\n" if b"\r\n" in self.text[:2000] else b"\n"

    def splice(self, changes: Iterable[tuple[int, int, bytes]]) -> bytes:
        """The text with each span (start, end) replaced; changes at one place keep their order.

        Raises:
            OutputError: two changes overlap.
        """
        pieces: list[bytes] = []
        at = 0
        for start, end, new in sorted(changes, key=lambda c: (c[0], c[1])):
            if start < at:
                raise OutputError(f"{self.path}: two changes at byte {start} overlap")
            pieces += [self.text[at:start], new]
            at = end
        pieces.append(self.text[at:])
        return b"".join(pieces)

    def encoded(self, text: bytes) -> bytes:
        """UTF-8 text in the document's own encoding; what it lacks becomes character references."""
        if self.encoding == "utf-8":
            return self.bom + text
        return self.bom + text.decode("utf-8").encode(self.encoding, "xmlcharrefreplace")


class _Recorder:
    """Feeds a tree builder from expat and notes the spans of measures and their children."""

    def __init__(self, text: bytes, path: str) -> None:
        self.text, self.path = text, path
        self.builder = ET.TreeBuilder()
        self.depth = 0
        self.elements = 0
        self.inside = False
        self.listing = False
        self.parts: list[SourcePart] = []
        self.listed: list[SourceChild] = []
        self.open_part = (0, False)
        self.timewise = False
        self.time_measure: dict[str, str] = {}
        self.time_parts: list[dict[str, SourceMeasure]] = []
        self.measures: list[SourceMeasure] = []
        self.children: list[SourceChild] = []
        self.part_id = ""
        self.open_measure: tuple[ET.Element, int, int, bool] | None = None
        self.open_child: tuple[ET.Element, int, bool] | None = None
        parser = expat.ParserCreate("utf-8")
        parser.buffer_text = True
        parser.SetParamEntityParsing(expat.XML_PARAM_ENTITY_PARSING_NEVER)
        parser.StartElementHandler = self.start
        parser.EndElementHandler = self.end
        parser.CharacterDataHandler = self.builder.data
        parser.EntityDeclHandler = self.entity
        self.parser = parser

    def run(self) -> ET.Element:
        try:
            self.parser.Parse(self.text, True)
        except expat.ExpatError as error:
            raise ScoreError(
                f"{self.path}: damaged XML at line {error.lineno}, column {error.offset + 1}: "
                f"{expat.ErrorString(error.code)}; export the score again"
            ) from None
        root = self.builder.close()
        if self.timewise:
            self.gather_parts()
        return root

    def gather_parts(self) -> None:
        """Makes parts of the measures of a score-timewise."""
        for part_id in dict.fromkeys(name for row in self.time_parts for name in row):
            gap = next((i for i, row in enumerate(self.time_parts) if part_id not in row), None)
            if gap is not None:
                raise ScoreError(
                    f"{self.path}: part '{part_id}' is missing in measure {gap + 1} of the "
                    "score-timewise; export the score again"
                )
            rows = tuple(row[part_id] for row in self.time_parts)
            self.parts.append(SourcePart(part_id, rows))

    def entity(self, name: str, *_: object) -> None:
        raise ScoreError(
            f"{self.path}: declares the XML entity '{name}', which no score needs; "
            "export it again from a notation program"
        )

    def tag(self, at: int) -> tuple[int, bool]:
        """End of the start tag at a byte, and whether it closes itself."""
        match = _START_TAG.match(self.text, at)
        if match is None:  # expat has accepted the tag, so only an odd byte can bring us here
            raise ScoreError(f"{self.path}: can't follow the XML tag at byte {at}")
        return match.end(), bool(match[1])

    def start(self, name: str, attributes: dict[str, str]) -> None:
        self.depth += 1
        self.elements += 1
        if self.depth > MAX_DEPTH or self.elements > MAX_ELEMENTS:
            raise ScoreError(
                f"{self.path}: more than {MAX_DEPTH} levels or {MAX_ELEMENTS} elements of XML; "
                "this is no score that can be read here"
            )
        element = self.builder.start(name, attributes)
        if self.depth == 1:
            self.timewise = name == "score-timewise"
        elif self.depth == 2:
            self.inside = name == ("measure" if self.timewise else "part")
            self.listing = name == "part-list"
            if self.inside and self.timewise:
                self.time_measure = attributes
                self.time_parts.append({})
            elif self.inside:
                at = self.parser.CurrentByteIndex
                self.open_part = (at, self.tag(at)[1])
                self.part_id = attributes.get("id", "")
                self.measures = []
        elif self.inside and self.depth == 3 and name == ("part" if self.timewise else "measure"):
            at = self.parser.CurrentByteIndex
            if self.timewise:
                self.part_id = attributes.get("id", "")
            self.open_measure = (element, at, *self.tag(at))
            self.children = []
        elif (self.inside and self.depth == 4 and self.open_measure is not None) or (
            self.listing and self.depth == 3
        ):
            at = self.parser.CurrentByteIndex
            self.open_child = (element, at, self.tag(at)[1])

    def close(self, alone: bool) -> tuple[int, int]:
        """Start and end of the closing tag expat is at (both its end if the tag stands alone)."""
        at = self.parser.CurrentByteIndex
        return (at, at) if alone else (at, self.text.index(b">", at) + 1)

    def end(self, name: str) -> None:
        self.builder.end(name)
        if self.inside:
            if self.depth == 4 and self.open_child is not None:
                element, start, alone = self.open_child
                self.children.append(SourceChild(element, start, self.close(alone)[1]))
                self.open_child = None
            elif self.depth == 3 and self.open_measure is not None:
                element, start, inner, alone = self.open_measure
                inner_end, end = self.close(alone)
                if self.timewise:
                    whole = ET.Element("measure", self.time_measure)
                    whole.extend(list(element))
                    element = whole
                measure = SourceMeasure(
                    element, start, inner, inner_end, end, tuple(self.children)
                )
                if self.timewise:
                    self.time_parts[-1].setdefault(self.part_id, measure)
                else:
                    self.measures.append(measure)
                self.open_measure = None
            elif self.depth == 2:
                if not self.timewise:
                    start, alone = self.open_part
                    self.parts.append(
                        SourcePart(self.part_id, tuple(self.measures), start, self.close(alone)[1])
                    )
                self.inside = False
        elif self.listing:
            if self.depth == 3 and self.open_child is not None:
                element, start, alone = self.open_child
                self.listed.append(SourceChild(element, start, self.close(alone)[1]))
                self.open_child = None
            elif self.depth == 2:
                self.listing = False
        self.depth -= 1


def parse_xml(
    text: bytes, path: str
) -> tuple[ET.Element, tuple[SourcePart, ...], tuple[SourceChild, ...]]:
    """(tree, parts with their spans, children of the part list) of a UTF-8 document.

    Raises:
        ScoreError: not well-formed, entities, too deep or too large.
    """
    recorder = _Recorder(text, path)
    root = recorder.run()
    return root, tuple(recorder.parts), tuple(recorder.listed)


def _decoded(raw: bytes, name: str) -> str | None:
    """The text if the bytes are of this encoding and come out the same again, else None."""
    try:
        text = raw.decode(name)
        return text if text.encode(name) == raw else None
    except (LookupError, UnicodeError):
        return None


def decode_xml(raw: bytes, path: str) -> tuple[bytes, str, bytes, tuple[str, ...]]:
    """(UTF-8 text, encoding to write with, byte order mark, warnings) of an XML file's bytes.

    The byte order mark counts first, then the declaration, then what the bytes are. A document
    that is not what it declares is read as UTF-8 or else Windows-1252, said in a warning, and
    written out in the encoding that it declares.

    Raises:
        ScoreError: no known encoding fits.
    """
    for bom, name in _BOMS:
        if raw.startswith(bom):
            text = _decoded(raw[len(bom) :], name)
            if text is None:
                raise ScoreError(f"{path}: is not the {name.upper()} it says it is; save it again")
            return text.encode("utf-8"), name, bom, ()
    for start, name in ((b"<\0", "utf-16-le"), (b"\0<", "utf-16-be")):
        if raw.startswith(start):
            text = _decoded(raw, name)
            if text is None:
                raise ScoreError(f"{path}: is damaged UTF-16; save it again")
            return text.encode("utf-8"), name, b"", ()
    match = _DECLARED.match(raw[:1000])
    declared = match[1].decode("ascii").lower() if match else "utf-8"
    if not declared.startswith(("utf-16", "utf16", "utf-32", "ucs")):
        text = _decoded(raw, declared)
        if text is not None:
            try:
                name = codecs.lookup(declared).name
            except LookupError:
                name = "utf-8"
            return text.encode("utf-8"), name, b"", ()
    for name in ("utf-8", "cp1252", "latin-1"):
        text = _decoded(raw, name)
        if text is not None:
            warning = f"declares the encoding {declared.upper()}; read as the {name.upper()} it is"
            target, mark = declared, b""
            if declared.startswith(("utf-32", "utf32", "ucs")):
                target = "utf-8"
            elif declared.startswith(("utf-16", "utf16")):
                target, mark = "utf-16-le", codecs.BOM_UTF16_LE
            try:
                target = codecs.lookup(target).name
                "♯".encode(target, "xmlcharrefreplace")
            except (LookupError, UnicodeError):
                target = "utf-8"
            return text.encode("utf-8"), target, mark, (warning,)
    raise ScoreError(f"{path}: its text encoding can't be told; save it as UTF-8")


def load_document(
    raw: bytes,
    path: str,
    *,
    source_format: str = "musicxml",
    archive: bytes | None = None,
    member: str = "",
) -> SourceDocument:
    """A MusicXML document from its bytes.

    Raises:
        ScoreError: not MusicXML, damaged, or over a limit.
    """
    if len(raw) > MAX_BYTES:
        raise ScoreError(f"{path}: larger than {MAX_BYTES >> 20} MB; read a single movement")
    text, encoding, bom, warnings = decode_xml(raw, path)
    root, parts, listed = parse_xml(text, path)
    if root.tag not in ("score-partwise", "score-timewise"):
        raise ScoreError(
            f"{path}: is XML but not a MusicXML score (its root is <{root.tag[:40]}>); "
            "export it as MusicXML"
        )
    return SourceDocument(
        path, source_format, text, root, parts, listed, encoding, bom, archive, member, warnings
    )


def _member(bundle: zipfile.ZipFile, name: str, path: str, limit: int) -> bytes:
    """One file of an archive, at most `limit` bytes unpacked."""
    if bundle.getinfo(name).file_size > limit:
        raise ScoreError(f"{path}: '{name}' unpacks to more than {limit >> 20} MB")
    with bundle.open(name) as stream:
        data = stream.read(limit + 1)
    if len(data) > limit:
        raise ScoreError(f"{path}: '{name}' unpacks to more than {limit >> 20} MB")
    return data


def unpack_mxl(archive: bytes, path: str) -> tuple[str, bytes]:
    """(name, bytes) of the score in a compressed MusicXML file: the first rootfile of
    META-INF/container.xml that is MusicXML, without one the first .xml or .musicxml file.

    Raises:
        ScoreError: truncated or damaged archive, no score in it, or over a limit.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(archive)) as bundle:
            names = bundle.namelist()
            if len(names) > MAX_MEMBERS:
                raise ScoreError(f"{path}: an archive of {len(names)} files is no score")
            wanted = ""
            if "META-INF/container.xml" in names:
                raw = _member(bundle, "META-INF/container.xml", path, 1 << 20)
                root, _, _ = parse_xml(decode_xml(raw, path)[0], f"{path} (META-INF/container.xml)")
                for rootfile in root.iter():
                    kind = rootfile.get("media-type", "")
                    full = rootfile.get("full-path", "")
                    if rootfile.tag.rpartition("}")[2] == "rootfile" and full in names and (
                        not kind or "musicxml" in kind or kind.endswith("/xml")
                    ):
                        wanted = full
                        break
            if not wanted:
                scores = [
                    n for n in names
                    if n.lower().endswith((".xml", ".musicxml")) and not n.startswith("META-INF/")
                ]
                if not scores:
                    raise ScoreError(f"{path}: the archive holds no MusicXML score")
                wanted = scores[0]
            return wanted, _member(bundle, wanted, path, MAX_BYTES)
    except (
        zipfile.BadZipFile, zlib.error, EOFError, OSError, RuntimeError, KeyError, ValueError,
        struct.error,
    ) as error:
        raise ScoreError(
            f"{path}: truncated or damaged archive ({str(error)[:80]}); fetch or export it again"
        ) from None


def repack_mxl(document: SourceDocument, xml: bytes) -> bytes:
    """A compressed score with `xml` in it. One that came from an archive keeps its other files;
    otherwise the archive is a new one. The same input gives the same bytes."""
    target = io.BytesIO()
    stamp = (1980, 1, 1, 0, 0, 0)
    if document.archive is None:
        container = (
            '<?xml version="1.0" encoding="UTF-8"?>\n<container>\n  <rootfiles>\n'
            '    <rootfile full-path="score.musicxml" '
            f'media-type="{MXL_MIMETYPE.decode()}+xml"/>\n'
            "  </rootfiles>\n</container>\n"
        ).encode()
        files: Sequence[tuple[str, bytes, int]] = (
            ("mimetype", MXL_MIMETYPE, zipfile.ZIP_STORED),
            ("META-INF/container.xml", container, zipfile.ZIP_DEFLATED),
            ("score.musicxml", xml, zipfile.ZIP_DEFLATED),
        )
        with zipfile.ZipFile(target, "w") as bundle:
            for name, data, method in files:
                entry = zipfile.ZipInfo(name, stamp)
                entry.compress_type = method
                bundle.writestr(entry, data)
        return target.getvalue()
    try:
        with (
            zipfile.ZipFile(io.BytesIO(document.archive)) as old,
            zipfile.ZipFile(target, "w") as bundle,
        ):
            for info in old.infolist():
                data = (
                    xml if info.filename == document.member
                    else _member(old, info.filename, document.path, MAX_BYTES)
                )
                entry = zipfile.ZipInfo(info.filename, info.date_time)
                entry.compress_type = info.compress_type
                entry.external_attr = info.external_attr
                bundle.writestr(entry, data)
    except (zipfile.BadZipFile, zlib.error, EOFError, RuntimeError, KeyError) as error:
        raise ScoreError(f"{document.path}: damaged archive ({str(error)[:80]})") from None
    return target.getvalue()
