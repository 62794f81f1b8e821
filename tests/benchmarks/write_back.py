"""Writing back over music21's corpus and test suite: does a one-note edit stay in its bar?

    python -m tests.benchmarks.write_back [--every N] [--first N] [--fast] [FILE ...]

For every MusicXML file that music21 ships and that loads here, one part of it (another one for
each file) is written back

1. unchanged: must be the source byte for byte, a compressed file with its container,
2. with one free note an octave away, and with that note left out: every byte outside the note's own
   measure must be the source's,

and, unless `--fast`, the first of the two edits is judged from outside: by the MusicXML 4.0 schema
(no fault that the source does not have), by music21 and by Verovio (reading source and result must
differ by exactly the note that the model moved). Prints a line for each thing that does not hold,
and the counts.
"""

from __future__ import annotations

import argparse
import io
import os
import re
import sys
import tempfile
import time
import warnings
import zipfile
from collections import Counter
from dataclasses import replace
from functools import cache
from pathlib import Path

import music21
import verovio
from lxml import etree

from simplify.errors import GentlerError
from simplify.score.graft import graft, to_mxl
from simplify.score.model import TICKS, Edit, Note, changed
from simplify.score.read import LoadedPart, load_part, open_score
from tests.support_schema import schema_folder

HOME = Path(music21.__file__).parent
ENDINGS = (".mxl", ".xml", ".musicxml")


def files() -> list[Path]:
    """Every MusicXML file of the installed package, in a steady order."""
    return sorted(p for p in HOME.rglob("*") if p.suffix.lower() in ENDINGS)


@cache
def schema() -> etree.XMLSchema:
    """MusicXML 4.0, built once; nothing is fetched."""
    folder, known = schema_folder()
    text = (folder / "musicxml_4_0.xsd").read_text(encoding="utf-8")
    for uri, path in known.items():
        text = text.replace(uri, path.as_uri())
    return etree.XMLSchema(etree.fromstring(text.encode()))


def faults(xml: bytes) -> Counter[str]:
    """What the schema says, without line numbers."""
    parser = etree.XMLParser(load_dtd=False, no_network=True, resolve_entities=False)
    checker = schema()
    checker.validate(etree.parse(io.BytesIO(xml), parser))
    return Counter(str(error.message) for error in checker.error_log)


def by_music21(xml: str) -> Counter[tuple[object, ...]]:
    """(part, measure, offset, MIDI key) of every note that starts a sound."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        parsed = music21.converter.parseData(xml, format="musicxml").toSoundingPitch()
    found: Counter[tuple[object, ...]] = Counter()
    for number, part in enumerate(parsed.parts):
        for at, bar in enumerate(part.getElementsByClass(music21.stream.Measure)):
            for element in bar.recurse().notes:
                where = str(element.getOffsetInHierarchy(bar))
                inner = getattr(element, "notes", (element,))
                for one in inner:
                    tied = one.tie is not None and one.tie.type in ("stop", "continue")
                    for pitch in () if tied else one.pitches:
                        found[number, at, where, int(pitch.ps)] += 1
    return found


def by_verovio(xml: str) -> Counter[tuple[object, ...]]:
    """(quarter notes from the start, MIDI key) of every note that Verovio sounds."""
    toolkit = verovio.toolkit()
    saved = os.dup(2)
    with tempfile.TemporaryFile() as log:
        os.dup2(log.fileno(), 2)
        try:
            if not toolkit.loadData(xml):
                return Counter()
            events = toolkit.renderToTimemap({"includeMeasures": False, "includeRests": False})
            return Counter(
                (round(event["qstamp"], 3), toolkit.getMIDIValuesForElement(name)["pitch"])
                for event in events for name in event.get("on", ())
            )
        finally:
            os.dup2(saved, 2)
            os.close(saved)


def free_note(loaded: LoadedPart) -> Note | None:
    """The note in the middle of the part that nothing ties or draws to another bar."""
    free = [
        n for n in loaded.part.notes
        if not (n.tie_in or n.tie_out or n.grace or n.duration < TICKS // 64)
        and not any("-st" in mark.kind for mark in n.marks)
    ]
    rows = loaded.part.notes_by_bar
    alone = [n for n in free if sum(m.onset == n.onset for m in rows[n.bar]) == 1]
    pick = alone or free
    return pick[len(pick) // 2] if pick else None


def outside(loaded: LoadedPart, target: Note, written: bytes) -> str:
    """What a one-note edit changed outside its measure, or nothing."""
    document = loaded.score.document
    place = loaded.places[target.id]
    spot = loaded.sources[place.source].measures[place.bar]
    head = document.encoded(document.text[: spot.inner_start])
    tail = document.text[spot.inner_end :]
    if written == document.encoded(document.text):
        return "nothing changed"
    if not written.startswith(head):
        return "a byte before its measure changed"
    if not written.endswith(document.encoded(tail)[len(document.bom) :]):
        return "a byte after its measure changed"
    return ""


def judged(loaded: LoadedPart, target: Note, moved: Note, written: bytes) -> list[str]:
    """What the schema, music21 and Verovio say against the octave move."""
    document = loaded.score.document
    found = []
    new_faults = faults(written) - faults(document.encoded(document.text))
    if new_faults:
        found.append(f"schema: {next(iter(new_faults))[:160]}")
    before = document.text.decode()
    after = written[len(document.bom) :].decode(document.encoding)
    before = re.sub(r"^\s*<\?xml[^>]*\?>", "", before)
    after = re.sub(r"^\s*<\?xml[^>]*\?>", "", after)
    keys = (target.pitch.midi, moved.pitch.midi)
    for name, read in (("music21", by_music21), ("verovio", by_verovio)):
        try:
            old = read(before)
        except Exception:
            continue  # it does not read the source either
        new = read(after)
        gone, come = old - new, new - old
        want = ([keys[0]], [keys[1]])
        got = ([k[-1] for k in gone.elements()], [k[-1] for k in come.elements()])
        places = [k[:-1] for k in (*gone, *come)]
        if name == "verovio" and not old:
            continue
        if got != want or len(set(places)) != 1:
            found.append(f"{name}: {dict(gone)} became {dict(come)}, wanted {keys}")
    return found


def container(path: Path, loaded: LoadedPart, written: bytes) -> str:
    """What a compressed score lost on its way back, or nothing."""
    packed = to_mxl(loaded, written)
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(io.BytesIO(packed)) as new:
        if old.namelist() != new.namelist():
            return f"container: {old.namelist()} became {new.namelist()}"
        for name in old.namelist():
            wanted = written if name == loaded.score.document.member else old.read(name)
            if new.read(name) != wanted:
                return f"container: {name} changed"
    return ""


def check(path: Path, index: int, fast: bool) -> tuple[str, list[str]]:
    """(what happened, what does not hold) for one file."""
    score = open_score(str(path))
    choices = [c for c in score.candidates if c.notes]
    loaded = load_part(score, choices[index % len(choices)])
    document = loaded.score.document
    found = []
    same = graft(loaded, loaded.part)
    if same != document.encoded(document.text):
        found.append("identity: not the source's bytes")
    if document.archive is not None:
        found += filter(None, [container(path, loaded, same)])
    target = free_note(loaded)
    if target is None:
        return "no free note", found
    octave = target.pitch.octave + (-1 if target.pitch.octave > 1 else 1)
    moved = changed(target, pitch=replace(target.pitch, octave=octave))
    edits = (
        ("move", Edit(frozenset([target.id]), (moved,), "an octave away")),
        ("leave out", Edit(frozenset([target.id]), (), "left out")),
    )
    for name, edit in edits:
        try:
            written = graft(loaded, loaded.part.apply(edit))
        except GentlerError as error:
            found.append(f"{name}: {error}")
            continue
        found += [f"{name}: {text}" for text in filter(None, [outside(loaded, target, written)])]
        if name == "move" and not fast:
            found += judged(loaded, target, moved, written)
        if name == "move" and document.archive is not None:
            found += filter(None, [container(path, loaded, written)])
    return "edited", found


def main() -> None:
    """Runs over the files and prints what does not hold."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("files", nargs="*", type=Path)
    parser.add_argument("--every", type=int, default=1, help="only every N-th file")
    parser.add_argument("--first", type=int, default=0, help="begin with this one")
    parser.add_argument("--fast", action="store_true", help="bytes only")
    options = parser.parse_args()
    count: Counter[str] = Counter()
    began = time.perf_counter()
    rows = options.files or files()
    for index, path in enumerate(rows):
        if index % options.every or index < options.first:
            continue
        name = str(path).removeprefix(str(HOME)).lstrip("/")
        try:
            what, found = check(path, index, options.fast)
        except GentlerError as error:
            count["does not load"] += 1
            print(f"{index:4d} {name}: does not load: {str(error).rpartition('/')[2]}", flush=True)
            continue
        except Exception as error:
            count["CRASHED"] += 1
            print(f"{index:4d} {name}: CRASHED {type(error).__name__}: {error}", flush=True)
            continue
        count[what] += 1
        count["all holds"] += not found
        for line in found:
            count[f"not: {line.partition(':')[0]}"] += 1
            print(f"{index:4d} {name}: {line}", flush=True)
    print(dict(count), f"{time.perf_counter() - began:.0f} s", file=sys.stdout)


if __name__ == "__main__":
    main()
