"""Input that is no score, damaged or hostile: one clear line, no traceback, nothing fetched."""

from __future__ import annotations

import io
import struct
import zipfile

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simplify.errors import GentlerError, OutputError, ScoreError
from simplify.score import measures, source
from simplify.score.graft import graft
from simplify.score.read import open_score, score_from_bytes, select_part
from tests.support_xml import CORPUS, attributes, backup, load, note, packed, score

GOOD = score([attributes(1) + note("C4", 4)])


def refused(raw, match, path="x.musicxml"):
    """Reads bytes that must be refused with one line."""
    with pytest.raises(ScoreError, match=match) as caught:
        select_part(score_from_bytes(raw, path))
    text = str(caught.value)
    assert path in text
    assert "\n" not in text
    assert len(text) < 400


def test_the_good_one_is_good():
    """Else the refusals below would prove nothing."""
    assert len(load(GOOD).part.notes) == 1


@pytest.mark.parametrize(
    ("raw", "match"),
    [
        (b"", "is empty"), (b"  \n ", "is empty"), (b"%PDF-1.7 ...", "is not a score"),
        (b"hello", "is not a score"), (bytes(range(256)), "is not a score"),
        (b"\x89PNG\r\n\x1a\n", "is not a score"), (b"MThd", "MIDI file is cut short"),
        (b"<html><body/></html>", "root is <html>"), (b"<score-partwise", "damaged XML at line 1"),
        (b"<score-timewise version='4.0'/>", "holds no notes"),
        (b"<opus/>", "root is <opus>"),
        (b"<museScore version='4.0'/>", "root is <museScore>"),
        (b"<score-partwise/>", "holds no notes"),
        (GOOD[: len(GOOD) // 2], "damaged XML"),
        (b"<a>" * 100 + b"</a>" * 100, "64 levels"),
    ],
)
def test_what_is_no_score(raw, match):
    """Each says what it is instead."""
    refused(raw, match, "x")


def test_endings_that_promise_too_much():
    """A MIDI or MusicXML ending on something else."""
    refused(b"garbage", "ends in .mid but", "x.mid")
    refused(b"garbage", "ends in .musicxml but", "x.musicxml")


def test_no_notes_and_percussion_only():
    """Rests only, and unpitched only."""
    refused(score([attributes(1) + note("R", 4)]), "holds no notes")
    drum = (
        "<note><unpitched><display-step>E</display-step><display-octave>4</display-octave>"
        "</unpitched><duration>4</duration></note>"
    )
    refused(score([attributes(1) + drum]), "percussion only")
    refused((CORPUS / "demos/drum_sample.xml").read_bytes(), "percussion only")


def test_a_bar_number_of_thousands_of_digits():
    """It would fill the message that names the bar."""
    bar = attributes(1) + note("C4", 4)
    loaded = load(score([f'[number="{"1" * 5000}"]{bar}']))
    assert loaded.part.bars[0].number == "1" * 20


def test_lengths_that_nobody_plays(monkeypatch):
    """A length that says billions of quarter notes would be counted through beat by beat."""
    bar = attributes(1) + note("C4", 4)
    refused(score([bar, note("C4", 4294967296)]), "bar 2 lasts longer than 2000 quarter notes")
    monkeypatch.setattr("simplify.score.read.MAX_QUARTERS", 10)
    refused(score([bar] * 3), "lasts longer than 10 quarter notes")


def test_a_chosen_part_without_notes():
    """The other part has some."""
    xml = score([attributes(1) + note("C4", 4)], [attributes(1) + note("R", 4)],
                names=("Flute", "Harp"))
    with pytest.raises(ScoreError, match="part P2 'Harp' has no notes"):
        load(xml, "Harp")


def test_files_that_are_not_there(tmp_path):
    """A missing file, a folder, a name that no system takes."""
    for path, match in (
        (tmp_path / "none.xml", "no such file"), (tmp_path, "is a folder"),
        ("a\0b", "can't be read"),
    ):
        with pytest.raises(ScoreError, match=match):
            open_score(str(path))


ENTITIES = (
    '<!DOCTYPE score-partwise [<!ENTITY a "x">]>',
    '<!DOCTYPE score-partwise [<!ENTITY a SYSTEM "file:///etc/hostname">]>',
    '<!DOCTYPE score-partwise [<!ENTITY % a SYSTEM "http://localhost/x.dtd"> %a;]>',
    '<!DOCTYPE score-partwise [<!ENTITY a "xx"><!ENTITY b "&a;&a;&a;&a;&a;&a;"><!ENTITY c '
    '"&b;&b;&b;&b;&b;&b;">]>',
)


@pytest.mark.parametrize("doctype", ENTITIES)
def test_entities_are_refused(doctype):
    """Expansion bombs and files read through entities, before anything is expanded."""
    head = f'<?xml version="1.0"?>\n{doctype}'
    refused(score([attributes(1) + note("C4", 4)], names=("&a;",), head=head), "XML entity")


def test_external_dtd_is_never_fetched(monkeypatch):
    """Real scores name the DTD by its address; nothing may open a socket for it."""
    import socket

    def never(*_args, **_kwargs):
        raise AssertionError("a socket was opened")

    monkeypatch.setattr(socket, "socket", never)
    head = (
        '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" '
        '"http://www.musicxml.org/dtds/partwise.dtd">'
    )
    assert load(score([attributes(1) + note("C4", 4)], head=head)).part.notes


@pytest.mark.parametrize("share", [0.02, 0.3, 0.6, 0.95, 0.999])
def test_truncated_archives(share):
    """A download that broke off at any place."""
    raw = packed(GOOD, more={"images/a.png": bytes(4000)})
    refused(raw[: max(4, int(len(raw) * share))], "damaged archive", "x.mxl")


def test_archives_with_damage_inside():
    """A flipped byte in the data, a wrong sum, a container that points nowhere, no score."""
    raw = packed(GOOD)
    at = raw.index(b"in/score.xml") + 60
    broken = raw[:at] + bytes(b ^ 0xFF for b in raw[at : at + 20]) + raw[at + 20 :]
    refused(broken, "damaged archive", "x.mxl")
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w") as bundle:
        bundle.writestr("readme.txt", "x")
    refused(target.getvalue(), "holds no MusicXML", "x.mxl")
    encrypted = bytearray(packed(GOOD))
    for name in (b"PK\x03\x04", b"PK\x01\x02"):
        start = 0
        while (start := encrypted.find(name, start)) >= 0:
            offset = start + (6 if name == b"PK\x03\x04" else 8)
            struct.pack_into("<H", encrypted, offset, 1)
            start += 4
    refused(bytes(encrypted), "damaged archive", "x.mxl")


def test_archives_that_unpack_to_too_much(monkeypatch):
    """Size is checked before and while unpacking; so is the number of files."""
    monkeypatch.setattr(source, "MAX_BYTES", 1 << 20)
    refused(packed(b"<a>" + b" " * (2 << 20)), "unpacks to more than 1 MB", "x.mxl")
    lying = bytearray(packed(b"<a>" + b" " * (2 << 20)))
    size = struct.pack("<L", (2 << 20) + 3)
    start = 0
    while (start := lying.find(size, start)) >= 0:
        struct.pack_into("<L", lying, start, 100)
        start += 4
    refused(bytes(lying), "damaged archive|unpacks to more", "x.mxl")
    monkeypatch.setattr(source, "MAX_MEMBERS", 3)
    refused(packed(GOOD, more={f"{i}.png": b"" for i in range(5)}), "archive of 7 files", "x.mxl")


def test_limits(monkeypatch):
    """Bytes, elements, notes and bars."""
    monkeypatch.setattr(source, "MAX_ELEMENTS", 30)
    refused(score([attributes(1) + note("C4", 4)] * 5), "30 elements")
    monkeypatch.undo()
    monkeypatch.setattr(measures, "MAX_BARS", 3)
    refused(score([attributes(1) + note("C4", 4)] * 4), "more than 3 bars")
    monkeypatch.undo()
    monkeypatch.setattr(measures, "MAX_NOTES", 3)
    refused(score([attributes(4) + note("C4", 4) * 4]), "more than 3 notes")


@pytest.mark.parametrize(
    ("content", "match"),
    [
        ("<note><pitch><step>C</step><octave>4</octave></pitch></note>", "usable duration"),
        (note("C4", 4).replace(">4<", ">x<"), "pitch that can't be read|usable duration"),
        ("<note><pitch><step>C</step><octave>4</octave></pitch>"
         "<duration>1e9999999</duration></note>", "usable duration"),
        ("<note><pitch><step>C</step><octave>4</octave></pitch><duration>-4</duration></note>",
         "usable duration"),
        ("<note><pitch><step>X</step><octave>4</octave></pitch><duration>4</duration></note>",
         "pitch that can't be read"),
        ("<note><pitch><step>C</step><octave>44</octave></pitch><duration>4</duration></note>",
         "pitch that can't be read"),
        ("<note><pitch><step>C</step><alter>0.5</alter><octave>4</octave></pitch>"
         "<duration>4</duration></note>", "quarter tone"),
        ("<note><pitch><step>C</step><alter>3</alter><octave>4</octave></pitch>"
         "<duration>4</duration></note>", "altered by 3"),
        ("<attributes><divisions>0</divisions></attributes>" + note("C4", 4), "divisions of '0'"),
        ("<attributes><divisions>-2</divisions></attributes>" + note("C4", 4), "divisions of"),
        ("<attributes><divisions>11</divisions></attributes>" + note("C4", 1),
         "1/11 quarter notes"),
        ("<backup><duration>oops</duration></backup>" + note("C4", 4), "<backup> without"),
    ],
)
def test_notation_that_cannot_be_counted(content, match):
    """The bar and the part are named."""
    xml = score([attributes(1) + note("C4", 4), content])
    with pytest.raises(ScoreError, match=match) as caught:
        load(xml)
    assert "part 'Harp' bar 2" in str(caught.value)


def test_odd_but_harmless():
    """What other programs get wrong is read all the same."""
    empty = "<metronome><beat-unit></beat-unit><per-minute></per-minute></metronome>"
    loaded = load(score([
        '[number=""]' + attributes(1).replace("<fifths>0", "<fifths>99")
        + f"<direction><direction-type>{empty}</direction-type></direction>"
        + "<harmony><numeral><numeral-root>2</numeral-root></numeral><kind>none</kind></harmony>"
        + backup(7) + note("C4", 4, chord=True) + note("E4", 4, voice="", kind="nonsense")
    ]))
    assert loaded.part.bars[0].number == "1"
    assert loaded.part.bars[0].fifths == 7
    assert [n.pitch.name for n in loaded.part.notes] == ["C4", "E4"]


def test_a_window_is_no_version_of_the_whole():
    """Writing back needs all the bars."""
    loaded = load(score([attributes(1) + note("C4", 4), note("D4", 4)]))
    with pytest.raises(OutputError, match="other bars than the source"):
        graft(loaded, loaded.part.window(0, 0))


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_damaged_bytes_never_crash(data):
    """Bytes flipped, cut or doubled anywhere: read, or refused in one line."""
    raw = score([
        attributes(4, staves=2, more="<transpose><chromatic>2</chromatic></transpose>")
        + note("C4", 4, kind="quarter", ratio="3:2", ties="start", staff=1) + backup(4)
        + note("E4", 4, voice="2", staff=2) + note("r", 8), note("F4", 16, ties="stop"),
    ])
    if data.draw(st.booleans()):
        raw = packed(raw)
    spoilt = bytearray(raw)
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(spoilt) - 1))
        match data.draw(st.integers(0, 3)):
            case 0:
                spoilt[at] = data.draw(st.integers(0, 255))
            case 1:
                del spoilt[at : at + data.draw(st.integers(1, 40))]
            case 2:
                spoilt[at:at] = spoilt[at : at + 20]
            case _:
                spoilt[at : at + 1] = data.draw(st.sampled_from([b"<", b">", b"9", b"-", b"&"]))
        if not spoilt:
            break
    message = ""
    try:
        loaded = select_part(score_from_bytes(bytes(spoilt), "x"))
        graft(loaded, loaded.part)
    except GentlerError as error:
        message = str(error)
    assert "\n" not in message
