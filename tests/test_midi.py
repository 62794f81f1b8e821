"""MIDI files: the grid, the spelling, the staves, and damage.

Files are written by music21 from scores of its corpus, whose own notation says what is right.
"""

from __future__ import annotations

import random
import struct
import warnings
from collections import Counter

import music21
import pytest

from simplify.errors import GentlerError, ScoreError
from simplify.score import midi
from simplify.score.midi import midi_score, staves_of
from simplify.score.model import TICKS
from simplify.score.read import load_part, open_score, score_from_bytes, select_part
from simplify.score.spelling import pitch_of, spell
from tests.support_xml import CORPUS


def number(value):
    """A number of variable length."""
    found = [value & 0x7F]
    while value > 0x7F:
        value >>= 7
        found.insert(0, value & 0x7F | 0x80)
    return bytes(found)


def smf(notes, *, unit=480, more=b"", form=0, program=46):
    """A file of one track. notes: (start, end, key) in ticks; more: events at its start."""
    events = [(start, 1, key) for start, _, key in notes] + [(end, 0, key) for _, end, key in notes]
    data, now = more + b"\x00" + bytes((0xC0, program)), 0
    for tick, on, key in sorted(events):
        data += number(tick - now) + bytes((0x90, key, 64 * on))
        now = tick
    data += b"\x00\xff\x2f\x00"
    return (b"MThd" + struct.pack(">IHHh", 6, form, 1, unit)
            + b"MTrk" + struct.pack(">I", len(data)) + data)


def read(raw):
    return select_part(score_from_bytes(raw, "x.mid"))


def sounded(path):
    """(onset, key, name) of all parts' strikes."""
    opened = open_score(str(path))
    return Counter(
        (s.onset, s.pitch.midi, s.pitch.name)
        for choice in opened.candidates for s in load_part(opened, choice).part.strikes
    )


@pytest.mark.parametrize("name", ["mozart/k545/movement1_exposition.mxl", "bach/bwv66.6.mxl",
                                  "bach/bwv1.6.mxl", "bach/bwv10.7.mxl"])
def test_a_score_through_midi_comes_back_with_its_spelling(tmp_path, name):
    """Onsets and keys exactly; at least 98 of 100 spelled as the composer did."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        music21.converter.parse(CORPUS / name).write("midi", tmp_path / "x.mid")
    wanted, found = sounded(CORPUS / name), sounded(tmp_path / "x.mid")
    assert {k[:2] for k in wanted} == {k[:2] for k in found}
    alike = sum(1 for k in found if k in wanted)
    assert alike >= 0.98 * len(found)


def test_played_unevenly_it_is_put_on_the_grid_and_told():
    """Within a thirtieth of a beat of the places meant, eighths, triplets and sixteenths come out
    exactly, and the report says how much was moved."""
    rng = random.Random(4)
    places = [0, 240, 480, 640, 800, 960, 1080, 1200, 1320, 1440, 1920, 2080, 2240, 2400]
    notes = [
        (max(0, p + rng.randint(-14, 14)), p + 100 + rng.randint(-14, 14), 60 + 2 * (i % 5))
        for i, p in enumerate(places)
    ]
    loaded = read(smf(notes))
    assert [s.onset for s in loaded.part.strikes] == [p * TICKS // 480 for p in places]
    told = next(w for w in loaded.info.warnings if "onsets moved" in w)
    assert f"of {len(places)} onsets" in told
    assert 0.0 < float(told.split("at most ")[1].split()[0]) <= 0.03


def test_exact_files_are_not_said_to_be_moved():
    loaded = read(smf([(0, 480, 60), (480, 960, 64)]))
    assert not any("moved" in w for w in loaded.info.warnings)
    assert any("spelling" in w for w in loaded.info.warnings)


def test_one_track_of_a_harp_gets_two_staves():
    """By register, no group wider than a tenth."""
    notes = [(i * 480, i * 480 + 480, key) for i in range(4) for key in (36, 43, 52, 64, 67, 72)]
    loaded = read(smf(notes))
    assert loaded.choice.is_harp
    assert Counter(n.staff for n in loaded.part.notes) == {1: 12, 2: 12}
    assert staves_of([(0, 1, 48), (0, 1, 76)]) == [2, 1]


def test_spelling_follows_the_notes_around():
    """A scale of E major and one of A flat major; the same key is spelled two ways."""
    def names(keys, fifths=None):
        rows = [(i * TICKS, TICKS, key) for i, key in enumerate(keys)]
        return [p.name[:-1] for p in spell(rows, [fifths] * len(rows))]

    assert names([64, 66, 68, 69, 71, 73, 75, 76]) == ["E", "F♯", "G♯", "A", "B", "C♯", "D♯", "E"]
    assert names([68, 70, 72, 73, 75, 77, 79, 80]) == ["A♭", "B♭", "C", "D♭", "E♭", "F", "G", "A♭"]
    for key in range(128):
        assert all(pitch_of(key, n).midi == key for n in range(-8, 13) if (7 * n - key) % 12 == 0)


@pytest.mark.parametrize(
    ("raw", "match"),
    [
        (smf([(0, 480, 60)], unit=-25 * 256 + 40), "film frames"),
        (smf([(0, 480, 60)], form=2), "several pieces"),
        (smf([]), "no notes"),
        (smf([(0, 480, 60)])[:30], "cut short"),
        (smf([(0, 0x0FFFFFFF, 60)], unit=1), "more than"),
    ],
)
def test_what_is_refused(raw, match):
    with pytest.raises(ScoreError, match=match):
        midi_score(raw, "x.mid")


def test_keys_below_all_notation_are_left_out():
    """Keys 0 to 11 lie below C0, where MusicXML's octaves begin; it is said, and what remains is
    read. With nothing else there are no notes."""
    loaded = read(smf([(0, 480, 11), (0, 480, 12), (480, 960, 60)]))
    assert [s.pitch.midi for s in loaded.part.strikes] == [12, 60]
    assert any("1 note below C0 left out" in line for line in loaded.score.warnings)
    with pytest.raises(ScoreError, match="no notes"):
        read(smf([(0, 480, 11)]))


def test_damaged_bytes_never_crash(monkeypatch):
    """A thousand spoilt files: read or refused in one line. (A spoilt waiting time can make
    thousands of bars, which are written out soundly, but slowly: they are refused here.)"""
    monkeypatch.setattr(midi, "MAX_BARS", 200)
    good = smf([(i * 240, i * 240 + 200, 40 + i) for i in range(40)])
    rng = random.Random(8)
    refused = 0
    for _ in range(1000):
        spoilt = bytearray(good)
        for _ in range(rng.randint(1, 4)):
            spoilt[rng.randrange(4, len(spoilt))] = rng.randrange(256)
        length = rng.choice((len(spoilt), rng.randrange(4, len(spoilt))))
        message = ""
        try:
            midi_score(bytes(spoilt[:length]), "x")
        except GentlerError as error:
            message = str(error)
        refused += bool(message)
        assert "\n" not in message
    assert 100 < refused < 900
