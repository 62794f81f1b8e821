"""Other formats turned into MusicXML by music21, which is imported here only, and only then.

The work is done in a process of its own, which is ended when it takes too long or too much memory:
a library's parser has no limits that could be asked of it. The limits are stated below, each with
its message; those on notes and bars are `measures.py`'s own, since what comes out is read as any
MusicXML is.
"""

from __future__ import annotations

import contextlib
import gc
import io
import multiprocessing
import re
import warnings
from collections.abc import Sequence
from multiprocessing.connection import Connection
from typing import Any

from simplify.errors import ScoreError
from simplify.score.plainxml import plain
from simplify.score.players import HARP, Listed, paired
from simplify.score.source import MAX_BYTES, decode_xml, parse_xml

MAX_TEXT = 2 * 1024 * 1024
"""Largest kern, ABC or MEI text in bytes (estimate: a symphony's movement in kern takes half a
megabyte; MEI is wordier and gets `MAX_MEI`). Larger runs into the time limit anyway."""

MAX_MEI = 8 * 1024 * 1024
"""Largest MEI text in bytes (estimate: four times as wordy as kern)."""

SECONDS = 120.0
"""Longest conversion (estimate: 200 pages of kern take a minute)."""

MEGABYTES = 4096
"""Most memory of a conversion (estimate: a score at the size limit takes 2 GB)."""

ALLOCATIONS = 100_000
"""New objects between two searches for cyclic garbage in a conversion (estimate: rare enough to
save time, often enough that memory does not grow)."""


def converted(raw: bytes, kind: str, path: str, *, bare: bool = False) -> bytes:
    """MusicXML bytes of a file in another format, the same bytes every time. bare: of kern only
    what it takes to read the music, in a third of the time.

    Raises:
        ScoreError: too large, too long, damaged, or no music in it.
    """
    checked(raw, kind, path)
    ours, theirs = multiprocessing.Pipe(duplex=False)
    process = multiprocessing.Process(
        target=_work, args=(theirs, raw, kind, path, bare), daemon=True
    )
    process.start()
    theirs.close()
    try:
        if not ours.poll(SECONDS):
            raise ScoreError(
                f"{path}: takes more than {SECONDS:g} s to read as {kind}; give a single movement, "
                "or export it as MusicXML"
            )
        done: bytes | ScoreError = ours.recv()
    except EOFError:
        raise ScoreError(
            f"{path}: can't be read as {kind} (it takes more than {MEGABYTES} MB of memory, or its "
            "reader failed); export it as MusicXML"
        ) from None
    finally:
        process.kill()
        process.join()
        ours.close()
    if isinstance(done, ScoreError):
        raise done
    return done


def _work(answer: Connection, raw: bytes, kind: str, path: str, bare: bool) -> None:
    """The conversion's own process: answers with MusicXML, or with what is wrong."""
    with contextlib.suppress(ImportError, ValueError, OSError):
        import resource

        limit = MEGABYTES << 20
        resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    gc.freeze()
    gc.set_threshold(ALLOCATIONS)
    try:
        answer.send(convert(raw, kind, path, bare=bare))
    except ScoreError as error:
        answer.send(error)
    except Exception:
        return  # no answer says enough


def checked(raw: bytes, kind: str, path: str) -> None:
    """Refuses what is over a limit before anything is converted.

    Raises:
        ScoreError: too large; as MEI also not well-formed, too deep, or with entities.
    """
    most = MAX_MEI if kind == "mei" else MAX_TEXT
    if len(raw) > min(most, MAX_BYTES):
        raise ScoreError(
            f"{path}: larger than {most >> 20} MB, too much for {kind}; give a single movement, or "
            "export it as MusicXML"
        )
    if kind == "mei":
        parse_xml(decode_xml(raw, path)[0], path)


def convert(raw: bytes, kind: str, path: str, *, bare: bool = False) -> bytes:
    """What `converted` does, in this process and without its limits.

    Raises:
        ScoreError: damaged, or not one piece of music.
    """
    with warnings.catch_warnings(), contextlib.redirect_stdout(io.StringIO()), \
            contextlib.redirect_stderr(io.StringIO()):
        warnings.simplefilter("ignore")
        try:
            return _through_music21(raw, kind, path, bare)
        except ScoreError:
            raise
        except Exception as error:
            objects = r"[,;:]?[^,;:]*<[^<>]*>(?:, id\(\)=\d+)?\)?"  # the library's own
            said = re.sub(objects, "", str(error))
            reason = " ".join(said.split())[:120] or type(error).__name__
            raise ScoreError(
                f"{path}: can't be read as {kind} ({reason}); export it as MusicXML"
            ) from None


def _through_music21(raw: bytes, kind: str, path: str, bare: bool) -> bytes:
    """The file as MusicXML with two neighbouring one-staff parts of one keyboard or harp joined
    to one part of two staves, the same bytes every time."""
    from music21 import converter, layout, stream

    if kind == "mei":
        text = re.sub(r"^\s*<\?xml[^>]*\?>", "", decode_xml(raw, path)[0].decode("utf-8"))
    else:
        try:
            text = raw.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = raw.decode("latin-1")
    parsed = converter.parseData(text, format=kind)
    if isinstance(parsed, stream.Opus):
        pieces = list(parsed.scores)
        if len(pieces) != 1:
            raise ScoreError(f"{path}: holds {len(pieces)} pieces; give a file with one")
        parsed = pieces[0]
    parts = list(parsed.parts) if isinstance(parsed, stream.Score) else []
    listed = []
    for index, part in enumerate(parts):
        pitches = [p.midi for p in part.pitches]
        name = " ".join((part.partName or "").split())
        listed.append(
            Listed(
                str(index), name, bool(HARP.search(name)), 1, len(pitches),
                sum(pitches) / max(1, len(pitches)), None,
            )
        )
    pairs = []
    for choice in paired(listed):
        if len(choice.ids) == 2:
            staves = [parts[int(part_id)] for part_id in choice.ids]
            pairs.append(staves)
            for staff in staves:
                staff.__class__ = stream.PartStaff  # the exporter joins PartStaffs only
                staff.partName = choice.name
            parsed.insert(0, layout.StaffGroup(staves, name=choice.name, symbol="brace"))
    if bare and kind == "humdrum" and parts:
        read = plain(parsed, pairs)
        if read is not None:
            return read
    _keep_short_bars(parts)
    return _steady(_exported(parsed), _mei_title(text) if kind == "mei" else "")


def _exported(parsed: Any) -> bytes:
    """The library's MusicXML of what it parsed. A score, which nobody else holds, is completed in
    place as `GeneralObjectExporter` completes a copy, which takes time."""
    from music21.musicxml.m21ToXml import GeneralObjectExporter, ScoreExporter

    if "Score" not in parsed.classes:
        return bytes(GeneralObjectExporter(parsed).parse())
    parsed.makeRests(
        refStreamOrTimeRange=[0.0, parsed.highestTime], fillGaps=True, inPlace=True,
        hideRests=True, timeRangeFromBarDuration=True,
    )
    parsed.makeNotation(inPlace=True)
    exporter = ScoreExporter(parsed, makeNotation=True)
    exporter.parse()
    return bytes(exporter.asBytes())


def _keep_short_bars(parts: Sequence[Any]) -> None:
    """A bar that is short in every part (an upbeat, or one that a repeat sign splits) is marked as
    short, else the exporter fills it with rests and the music stands still there."""
    rows = [list(part.getElementsByClass("Measure")) for part in parts]
    if len({len(row) for row in rows}) != 1:
        return
    metres = [0.0] * len(rows)  # quarter notes of a bar; asking each bar anew takes long
    for bars in zip(*rows, strict=True):
        gaps = []
        for which, bar in enumerate(bars):
            if bar.timeSignature is not None or not metres[which]:
                metres[which] = bar.barDuration.quarterLength
            gaps.append(metres[which] - bar.paddingLeft - bar.paddingRight - bar.highestTime)
        if min(gaps) > 0:
            for bar in bars:
                bar.paddingRight += min(gaps)


def _mei_title(text: str) -> str:
    """The main title that an MEI header states, which the library looks for elsewhere."""
    match = re.search(r"<titleStmt\b.*?<title\b[^>]*>(.*?)</title>", text, re.DOTALL)
    return " ".join(re.sub(r"<[^>]*>", " ", match[1]).split()) if match else ""


def _steady(xml: bytes, title: str) -> bytes:
    """The exporter's XML without what differs from run to run (random ids and the date), and with
    this title, or none, where the exporter made one up."""
    text = xml.decode("utf-8")
    for tag, letter in (("score-part", "P"), ("score-instrument", "I")):
        ids = dict.fromkeys(re.findall(rf'<{tag} id="([^"]+)"', text))
        for number, old in enumerate(ids, start=1):
            text = text.replace(f'id="{old}"', f'id="{letter}{number}"')
    text = re.sub(
        r"[ \t]*<movement-title>Music21(?: Fragment)?</movement-title>\r?\n?",
        lambda _: f"  <movement-title>{title}</movement-title>\n" if title else "", text,
    )
    text = re.sub(r"[ \t]*<creator[^>]*>Music21</creator>\r?\n?", "", text)
    text = re.sub(r"[ \t]*<encoding-date>[^<]*</encoding-date>\r?\n?", "", text)
    return text.encode("utf-8")
