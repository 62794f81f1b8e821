"""Damaged score files: each is read, or refused in one line; never a traceback, never a hang.

    python -m tests.benchmarks.fuzz_scores [--count N] [--seed N] [--seconds N] [--megabytes N]
        [--formats]


Takes MusicXML of `corpus/`, a score with all kinds of notation (by parts and by measures), all
compressed too, and a small piece in kern, ABC and MEI; spoils each file in one of the ways of
`DAMAGE` or `TEXT_DAMAGE`; reads every part of what comes out, writes it back unchanged
(which must give its own bytes) and with a note left out. Kern, ABC and MEI are converted in this
process, after the program's own checks. A file that takes longer than `--seconds`,
raises anything but a `GentlerError`, or has a message of more than one line, is printed. The
process may not use more than `--megabytes` of memory.
"""

from __future__ import annotations

import argparse
import io
import random
import re
import resource
import signal
import time
import zipfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from unittest import mock

from simplify.errors import GentlerError
from simplify.score import convert, read
from simplify.score.graft import graft
from simplify.score.model import Edit
from simplify.score.read import load_part, score_from_bytes
from tests.support_formats import FORMATS
from tests.support_xml import (
    attributes,
    backup,
    direction,
    forward,
    note,
    packed,
    score,
    timewise,
)

CORPUS = Path(__file__).resolve().parents[2] / "corpus"

EVERYTHING = score(
    [
        '[number="0" implicit="yes"]' + attributes(12, 2, "6/8", staves=2)
        + note("D5", 6, kind="eighth", staff=1),
        '<barline location="left"><repeat direction="forward"/></barline>'
        + direction("<harp-pedals><pedal-tuning><pedal-step>D</pedal-step><pedal-alter>0"
                    "</pedal-alter></pedal-tuning></harp-pedals>")
        + direction('<wedge type="crescendo"/>', offset="3")
        + note("G5", None, grace=True, kind="eighth")
        + note("E5", 4, kind="eighth", ratio="3:2", staff=1, beams=("begin",),
               notations='<tuplet type="start"/><slur type="start" number="1"/>')
        + note("F#5", 4, kind="eighth", ratio="3:2", staff=1, beams=("continue",))
        + note("G5", 4, kind="eighth", ratio="3:2", staff=1, beams=("end",),
               notations='<tuplet type="stop"/><slur type="stop" number="1"/>')
        + note("A5", 24, kind="half", staff=1, ties="start", notations="<arpeggiate/>")
        + note("C#5", 24, kind="half", staff=1, chord=True) + backup(36)
        + note("D3", 12, voice="5", kind="quarter", staff=2) + forward(12)
        + note("A3", 12, voice="5", kind="quarter", staff=2, accidental="natural"),
        "<attributes><key><fifths>-3</fifths></key><clef number=\"2\"><sign>G</sign><line>2</line>"
        "</clef></attributes>" + note("A5", 36, kind="half", dots=1, staff=1, ties="stop",
                                      notations="<fermata/>",
                                      after="<lyric><text>la</text></lyric>")
        + backup(36) + note("R", 36, voice="5", staff=2)
        + '<barline location="right"><ending number="1" type="stop"/>'
        '<repeat direction="backward"/></barline>',
    ],
    [attributes(2) + note("C5", 1), note("D5", 6, kind="half", dots=1), note("R", 6)],
    names=("Harp", "Flute in &#xE9;"),
)


def seeds() -> list[bytes]:
    """The files that are spoilt."""
    graded = [path.read_bytes() for path in sorted(CORPUS.glob("*.musicxml"))[::4]]
    plain = [EVERYTHING, timewise(EVERYTHING), *graded]
    return [*plain, packed(EVERYTHING), packed(plain[1], more={"images/a.png": b"x" * 99})]


HUGE = (b"99999999999999999999", b"-1", b"0", b"1e308", b"NaN", b"", b"0.0000001", b"x", b"1/0",
        b"4294967296", "٣".encode(), b"1" * 5000)


def _tags(raw: bytes) -> list[re.Match[bytes]]:
    return list(re.finditer(rb"<(/?)([a-z][\w-]*)([^<>]*)>", raw))


def cut(raw: bytes, rng: random.Random) -> bytes:
    """Ends too early."""
    return raw[: rng.randrange(len(raw))]


def flip(raw: bytes, rng: random.Random) -> bytes:
    """Some bytes are others."""
    spoilt = bytearray(raw)
    for _ in range(rng.randint(1, 8)):
        spoilt[rng.randrange(len(spoilt))] = rng.randrange(256)
    return bytes(spoilt)


def swap(raw: bytes, rng: random.Random) -> bytes:
    """Two elements change places."""
    found = list(re.finditer(rb"<(note|attributes|direction|backup|forward)\b.*?</\1>", raw, re.S))
    if len(found) < 2:
        return flip(raw, rng)
    a, b = sorted(rng.sample(found, 2), key=lambda m: m.start())
    return raw[: a.start()] + b[0] + raw[a.end() : b.start()] + a[0] + raw[b.end() :]


def double(raw: bytes, rng: random.Random) -> bytes:
    """An element stands there many times, or a stretch of bytes twice."""
    found = list(re.finditer(rb"<([a-z][\w-]*)\b[^<>]*>[^<>]*</\1>", raw))
    if found and rng.random() < 0.7:
        m = rng.choice(found)
        return raw[: m.end()] + m[0] * rng.choice((1, 2, 50)) + raw[m.end() :]
    at = rng.randrange(len(raw))
    return raw[:at] + raw[at : at + rng.randint(1, 400)] + raw[at:]


def remove(raw: bytes, rng: random.Random) -> bytes:
    """An element is missing."""
    names = {m[2] for m in _tags(raw)} - {b"score-partwise", b"score-timewise"}
    if not names:
        return cut(raw, rng)
    name = rng.choice(sorted(names))
    found = list(re.finditer(rb"<%s\b[^<>]*(?:/>|>.*?</%s>)" % (name, name), raw, re.S))
    if not found:
        return cut(raw, rng)
    m = rng.choice(found)
    return raw[: m.start()] + raw[m.end() :]


def rename(raw: bytes, rng: random.Random) -> bytes:
    """A tag is another one, with its closing tag or without."""
    found = _tags(raw)
    if not found:
        return flip(raw, rng)
    one, other = rng.choice(found), rng.choice(found)
    if rng.random() < 0.3:
        return raw[: one.start(2)] + other[2] + raw[one.end(2) :]
    return re.sub(rb"(</?)" + one[2] + rb"\b", lambda m: m[1] + other[2], raw, count=2)


def number(raw: bytes, rng: random.Random) -> bytes:
    """A number is huge, negative, missing or none."""
    found = list(re.finditer(rb"(?<=>)-?\d+(?=<)|(?<=\")\d+(?=\")", raw))
    if not found:
        return flip(raw, rng)
    some = rng.sample(found, min(len(found), rng.randint(1, 3)))
    for m in sorted(some, key=lambda m: -m.start()):
        raw = raw[: m.start()] + rng.choice(HUGE) + raw[m.end() :]
    return raw


def encoding(raw: bytes, rng: random.Random) -> bytes:
    """Is not in the encoding it declares, or in one that nobody knows."""
    name = rng.choice((b"UTF-16", b"ISO-8859-1", b"x-unknown", b"UTF-32", b"utf-7", b"ascii",
                       b"punycode", b"base64", b"idna"))
    declared = re.sub(rb'encoding="[^"]*"', b'encoding="' + name + b'"', raw, count=1)
    codec = rng.choice(("utf-8", "utf-16", "utf-16-be", "utf-32", "latin-1", "cp500"))
    text = declared.decode("utf-8", "replace")
    return text.encode(codec, "replace") if rng.random() < 0.7 else declared


def nest(raw: bytes, rng: random.Random) -> bytes:
    """Nests deeply, or defines entities that grow."""
    if rng.random() < 0.5:
        at = rng.choice([tag.start() for tag in _tags(raw)] or [0])
        depth = rng.choice((70, 5_000, 100_000))
        return raw[:at] + b"<a>" * depth + b"</a>" * depth + raw[at:]
    entities = b"".join(
        b'<!ENTITY e%d "%s">' % (i, b"&e%d;" % (i - 1) * 10 if i else b"lol") for i in range(9)
    )
    return raw.replace(
        b"<score-", b"<!DOCTYPE score [" + entities + b"]><score-", 1
    ).replace(b"<part-name>", b"<part-name>&e8;", 1)


def bomb(raw: bytes, rng: random.Random) -> bytes:
    """An archive that unpacks to far too much, lies about it, or points out of itself."""
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as bundle:
        path = rng.choice(("a.xml", "../../a.xml", "/etc/a.xml", "META-INF/../a.xml", "a.xml/"))
        bundle.writestr(
            "META-INF/container.xml",
            f'<container><rootfiles><rootfile full-path="{path}"/></rootfiles></container>',
        )
        if rng.random() < 0.1:
            bundle.writestr(path, b" " * (80 << 20))
        else:
            bundle.writestr(path, raw if raw.startswith(b"<") else EVERYTHING)
        for i in range(rng.choice((0, 3, 2_500))):
            bundle.writestr(f"x{i}", b"")
    packed_raw = bytearray(target.getvalue())
    for _ in range(rng.choice((0, 0, 1, 4))):
        packed_raw[rng.randrange(len(packed_raw))] = rng.randrange(256)
    return bytes(packed_raw)


DAMAGE: tuple[Callable[[bytes, random.Random], bytes], ...] = (
    cut, flip, swap, double, remove, rename, number, number, encoding, nest, bomb,
)


def lines(raw: bytes, rng: random.Random) -> bytes:
    """Lines are missing, doubled or out of order."""
    rows = raw.splitlines(keepends=True)
    at = rng.randrange(len(rows))
    some = rng.choice(([], [rows[at]] * rng.choice((2, 60)), rng.sample(rows, min(3, len(rows)))))
    return b"".join([*rows[:at], *some, *rows[at + 1 :]])


def tokens(raw: bytes, rng: random.Random) -> bytes:
    """Words and figures change places, or are huge, or something that no score has."""
    found = list(re.finditer(rb"[^\s<>]+", raw))
    for m in sorted(rng.sample(found, min(len(found), 2)), key=lambda m: -m.start()):
        new = rng.choice((*HUGE, b"*^", b"*v", b"*-", b"=", b"((((", b"[[", b"(9999", b"|:", b"\t",
                          b"%", b"\"", b"4" * 40 + b"c", b"c" * 3000, rng.choice(found)[0]))
        raw = raw[: m.start()] + new + raw[m.end() :]
    return raw


TEXT_DAMAGE: tuple[Callable[[bytes, random.Random], bytes], ...] = (
    cut, flip, lines, tokens, tokens, encoding,
)
"""For kern and ABC, and for MEI together with `DAMAGE`."""


def spoilt(index: int, seed: int, files: list[bytes], formats: bool) -> tuple[str, bytes]:
    """(way of damage, bytes) of damaged file number `index`."""
    rng = random.Random(seed * 1_000_003 + index)
    if formats:
        kind = list(FORMATS)[index % len(FORMATS)]
        ways = (*TEXT_DAMAGE, *DAMAGE[:-1]) if kind == "mei" else TEXT_DAMAGE
        damage = ways[index // len(FORMATS) % len(ways)]
        return f"{kind} {damage.__name__}", damage(FORMATS[kind], rng)
    damage = DAMAGE[index % len(DAMAGE)]
    return damage.__name__, damage(files[rng.randrange(len(files))], rng)


def in_process(raw: bytes, kind: str, path: str, *, bare: bool = False) -> bytes:
    """`convert.converted` without a process of its own for each of thousands of files."""
    convert.checked(raw, kind, path)
    return convert.convert(raw, kind, path, bare=bare)


def use(raw: bytes) -> str:
    """Reads and writes back; gives what happened."""
    opened = score_from_bytes(raw, "spoilt.musicxml")
    happened = "read"
    for choice in opened.candidates:
        if not choice.notes:
            continue
        loaded = load_part(opened, choice)
        document = loaded.score.document
        if graft(loaded, loaded.part) != document.encoded(document.text):
            raise AssertionError("written back unchanged, it is not its own bytes")
        middle = loaded.part.notes[len(loaded.part.notes) // 2]
        try:
            graft(loaded, loaded.part.apply(Edit(frozenset([middle.id]), (), "left out")))
        except GentlerError as error:
            happened = "read, but an edit is refused"
            check(str(error))
    return happened


def check(message: str) -> None:
    """A message is one line that names the file."""
    if not message.strip() or "\n" in message or len(message) > 600:
        raise AssertionError(f"not one clear line: {message[:200]!r}")


def _too_long(*_: object) -> None:
    raise TimeoutError("took too long")


def main() -> None:
    """Spoils files and counts what happens."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=int, default=20, help="of processor time for one file")
    parser.add_argument("--megabytes", type=int, default=2048)
    parser.add_argument("--formats", action="store_true", help="kern, ABC and MEI")
    options = parser.parse_args()
    mock.patch.object(read, "converted", in_process).start()
    limit = options.megabytes << 20
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    signal.signal(signal.SIGVTALRM, _too_long)
    files = seeds()
    seen: Counter[str] = Counter()
    by_damage: Counter[tuple[str, str]] = Counter()
    slowest = (0.0, -1, "")
    for index in range(options.count):
        name, raw = spoilt(index, options.seed, files, options.formats)
        began = time.process_time()
        signal.setitimer(signal.ITIMER_VIRTUAL, options.seconds)
        try:
            what = use(raw)
        except GentlerError as error:
            what = "refused"
            try:
                check(str(error))
            except AssertionError as wrong:
                what = "BAD"
                print(f"{index} {name}: {wrong}", flush=True)
        except BaseException as error:
            if isinstance(error, KeyboardInterrupt):
                raise
            what = "BAD"
            said = f"{type(error).__name__}: {str(error)[:200]}"
            print(f"{index} {name}: {said}", flush=True)
        finally:
            signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        slowest = max(slowest, (time.process_time() - began, index, name))
        seen[what] += 1
        by_damage[name, what] += 1
    for (name, what), count in sorted(by_damage.items()):
        print(f"{name:18s} {what:30s} {count}")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    print(dict(seen), f"slowest {slowest[0]:.1f} s ({slowest[2]}, number {slowest[1]}), "
          f"peak memory {peak} MB")


if __name__ == "__main__":
    main()
