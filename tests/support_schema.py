"""The MusicXML 4.0 schema for tests: W3C's musicxml.xsd as the package `musicxml` carries it.

Nothing is fetched: the two schemas that it imports (XML and XLink) come with `xmlschema`.
"""

from __future__ import annotations

import importlib.util
import io
import re
from functools import cache
from pathlib import Path

import xmlschema

_IMPORTED = {
    "http://www.musicxml.org/xsd/xml.xsd": "XML/xml.xsd",
    "http://www.musicxml.org/xsd/xlink.xsd": "XLINK/xlink.xsd",
}


def schema_folder() -> tuple[Path, dict[str, Path]]:
    """(folder of musicxml_4_0.xsd, files of the schemas that it imports by their addresses)."""
    package = importlib.util.find_spec("musicxml")
    assert package is not None
    assert package.submodule_search_locations
    folder = Path(package.submodule_search_locations[0]) / "generate_classes"
    known = Path(xmlschema.__file__).parent / "schemas"
    return folder, {uri: known / name for uri, name in _IMPORTED.items()}


@cache
def schema() -> xmlschema.XMLSchema:
    """The schema, built once (some seconds)."""
    folder, imported = schema_folder()

    def local(uri: str) -> str:
        return str(imported.get(uri, uri))

    return xmlschema.XMLSchema(
        str(folder / "musicxml_4_0.xsd"), uri_mapper=local, allow="local"
    )


def faults(xml: bytes) -> tuple[str, ...]:
    """What the schema says against a document, without positions, so that a source and what was
    written from it can be compared."""
    text = re.sub(rb"<!DOCTYPE[^>]*>", b"", xml, count=1)
    number = re.compile(r"\[[0-9]+\]")
    return tuple(
        f"{number.sub('', error.path or '')}: {error.reason}"
        for error in schema().iter_errors(io.BytesIO(text))
    )
