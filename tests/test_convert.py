"""Kern, ABC and MEI: read through a library in a process of its own, within stated limits."""

from __future__ import annotations

import pytest

from simplify.errors import ScoreError
from simplify.score import convert
from simplify.score.model import TICKS
from simplify.score.read import score_from_bytes, select_part
from tests.support_formats import ABC, FORMATS, KERN, MEI


def refused(raw, match):
    """Reads bytes that must be refused with one line that names the file."""
    with pytest.raises(ScoreError, match=match) as caught:
        score_from_bytes(raw, "tune.x")
    assert str(caught.value).startswith("tune.x: ")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("kind", FORMATS)
def test_the_small_piece_in_each_format(kind):
    """The first bar has the same upper staff in all three."""
    score = score_from_bytes(FORMATS[kind], "tune.x")
    assert score.source_format == kind
    part = select_part(score).part
    names = [[n.pitch.name for n in part.notes if n.bar == 0 and n.staff == 1]]
    assert names == [["A4", "C5", "F♯4", "G4", "B♭4"]]


def test_bars_that_a_repeat_splits_stay_short():
    """Chopin's mazurka of music21's corpus: bar 32 has two beats and the unnumbered one after it
    the third, as music21 reads the kern itself; no rests come in between."""
    import music21

    path = music21.corpus.getWork("chopin/mazurka06-2")
    part = select_part(score_from_bytes(path.read_bytes(), "mazurka.krn")).part
    staff = music21.converter.parse(path).parts[0].getElementsByClass("Measure")
    assert [bar.duration / TICKS for bar in part.bars] == [float(m.highestTime) for m in staff]


def test_a_text_that_is_too_large(monkeypatch):
    """Nothing is parsed then."""
    monkeypatch.setattr(convert, "MAX_TEXT", 1 << 20)
    monkeypatch.setattr(convert, "convert", None)
    refused(KERN + b"!! " + b"x" * (1 << 20), "larger than 1 MB, too much for humdrum")
    monkeypatch.setattr(convert, "MAX_MEI", 1 << 20)
    refused(MEI + b" " * (1 << 20), "larger than 1 MB, too much for mei")


def test_a_conversion_that_takes_too_long(monkeypatch):
    """The process is ended and the limit named."""
    monkeypatch.setattr(convert, "SECONDS", 0.05)
    refused(KERN, "takes more than 0.05 s to read as humdrum")


def test_a_conversion_that_takes_too_much_memory(monkeypatch, capfd):
    """So is one that fills the memory, without a word of its own: here one that asks for four times
    what it may have."""
    def hungry(*_, **__):
        return bytes(4 * convert.MEGABYTES << 20)[:0]

    monkeypatch.setattr(convert, "convert", hungry)
    refused(KERN, "takes more than 4096 MB of memory, or its reader failed")
    assert capfd.readouterr() == ("", "")


def test_hostile_mei():
    """Entities and endless nesting never reach the library."""
    entities = b"".join(
        b'<!ENTITY e%d "%s">' % (i, b"&e%d;" % (i - 1) * 10 if i else b"lol") for i in range(9)
    )
    bomb = MEI.replace(b"<mei ", b"<!DOCTYPE mei [" + entities + b"]><mei ", 1)
    refused(bomb.replace(b"A small tune", b"&e8;"), "declares the XML entity")
    refused(MEI.replace(b"<body>", b"<body>" + b"<a>" * 100 + b"</a>" * 100), "64 levels")
    refused(MEI[:-200], "damaged XML at line")


def test_mei_in_other_encodings():
    """The byte order mark and the declaration count, as for MusicXML."""
    text = MEI.decode("utf-8").replace("UTF-8", "UTF-16").replace("A small", "Žluťoučký")
    score = score_from_bytes(text.encode("utf-16"), "tune.mei")
    assert score.title.startswith("Žluťoučký")


def test_damaged_kern_and_abc():
    """Cut anywhere: read as far as it goes, or one line."""
    for raw in (KERN, ABC):
        for at in range(20, len(raw), 40):
            kind = "humdrum" if raw is KERN else "abc"
            told, xml = "", b""
            try:
                xml = convert.convert(raw[:at], kind, "tune.x")
            except ScoreError as error:
                told = str(error)
            assert b"<score-partwise" in xml or told.startswith("tune.x: ")
            assert "\n" not in told


def test_several_pieces_in_one_file():
    """A tune book is no score."""
    refused(ABC + b"\n" + ABC.replace(b"X:1", b"X:2"), "holds 2 pieces")
