"""Random scores: transposed parts, 8va lines, pickups, short, long and free bars, metre changes.

What is written must read back as the model that was written, at concert pitch; what is not changed
must be the source's own bytes. The expected sounding pitches are worked out here from the text
alone (MusicXML 4.0: `<transpose>` is what must be added to a written pitch to get the sounding
one; `<octave-shift>` moves the printed note only).
"""

from __future__ import annotations

import random
import re
import xml.etree.ElementTree as ET
from fractions import Fraction

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from simplify.score.graft import graft, same_music
from simplify.score.model import TICKS
from tests.support_schema import faults
from tests.support_xml import attributes, backup, direction, load, note, score
from tests.test_graft import edited

DIVISIONS = 4
METRES = {"2/4": 8, "3/4": 12, "4/4": 16, "6/8": 12, "5/8": 10, "7/16": 7}
"""Length of a full bar in divisions."""
TRANSPOSES = {
    "none": (0, 0, 0), "clarinet in B flat": (-1, -2, 0), "clarinet in A": (-2, -3, 0),
    "horn in F": (-4, -7, 0), "E flat": (2, 3, 0), "octave up": (0, 0, 1),
    "bass clarinet": (-1, -2, -1),
}
"""Diatonic steps, semitones, octave change."""
KINDS = {1: ("16th", 0), 2: ("eighth", 0), 3: ("eighth", 1), 4: ("quarter", 0), 6: ("quarter", 1),
         8: ("half", 0), 12: ("half", 1), 16: ("whole", 0)}
SEMITONES = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}


def run(rng: random.Random, length: int, staff: int, voice: str, shift: bool) -> str:
    """Notes, chords and rests of one voice that fill a length; with an 8va line over some."""
    found, left = [], length
    low = 2 if staff == 2 else 4
    while left:
        duration = rng.choice([d for d in KINDS if d <= left])
        kind, dots = KINDS[duration]
        where = {"voice": voice, "kind": kind, "dots": dots, "staff": staff}
        if rng.random() < 0.15:
            found.append(note("r", duration, **where))
        else:
            names = rng.sample(["C", "D", "E", "F#", "G", "A", "Bb"], rng.choice((1, 1, 2)))
            found += [
                note(f"{name}{rng.randint(low, low + 1)}", duration, chord=i > 0, **where)
                for i, name in enumerate(names)
            ]
        left -= duration
    if shift:
        line = '<octave-shift type="{}" size="8" number="{}"/>'
        found.insert(0, direction(line.format("down", staff), staff=staff))
        found.append(direction(line.format("stop", staff), staff=staff))
    return "".join(found)


def document(seed: int, transpose: str, count: int) -> bytes:
    """A part of two staves with irregular bars."""
    rng = random.Random(seed)
    steps, semitones, octave = TRANSPOSES[transpose]
    moved = (
        f"<transpose><diatonic>{steps}</diatonic><chromatic>{semitones}</chromatic>"
        + (f"<octave-change>{octave}</octave-change>" if octave else "") + "</transpose>"
        if transpose != "none" else ""
    )
    bars = []
    metre = rng.choice(list(METRES))
    for index in range(count):
        head = ""
        if not index:
            head = attributes(DIVISIONS, rng.randint(-3, 3), metre, staves=2, more=moved)
        elif rng.random() < 0.3:
            metre = rng.choice(list(METRES))
            beats, unit = metre.split("/")
            head = (f"<attributes><time><beats>{beats}</beats><beat-type>{unit}</beat-type></time>"
                    "</attributes>")
        full = METRES[metre]
        kind = rng.choice(("full", "full", "full", "short", "long", "free"))
        length = full
        tag = f'[number="{index + 1}"]'
        if kind == "short" or (not index and rng.random() < 0.5):
            length, tag = rng.randint(1, full), f'[number="{index + 1}" implicit="yes"]'
        elif kind == "long":
            length = full + rng.randint(1, 6)
        elif kind == "free" and index:
            length = rng.randint(1, 20)
            head = "<attributes><time><senza-misura/></time></attributes>"
            metre = "4/4"
        upper = run(rng, length, 1, "1", rng.random() < 0.3)
        lower = run(rng, length, 2, "5", rng.random() < 0.2)
        bars.append(tag + head + upper + backup(length) + lower)
    return score(bars, names=("Harp",))


def sounding(xml: bytes) -> list[tuple[int, Fraction, int]]:
    """(bar, onset in quarters from its start, sounding semitone) of every note, from the text."""
    found = []
    add = 0
    for index, measure in enumerate(ET.fromstring(xml).iterfind("part/measure")):
        now = head = Fraction(0)
        divisions = DIVISIONS
        for item in measure:
            if item.tag == "attributes":
                transpose = item.find("transpose")
                if transpose is not None:
                    add = int(transpose.findtext("chromatic") or 0)
                    add += 12 * int(transpose.findtext("octave-change") or 0)
                divisions = int(item.findtext("divisions") or divisions)
            length = Fraction(int(item.findtext("duration") or 0), divisions)
            if item.tag == "backup":
                now -= length
            elif item.tag in ("note", "forward"):
                if item.find("chord") is None:
                    head, now = now, now + length
                pitch = item.find("pitch")
                if pitch is not None and item.find('tie[@type="stop"]') is None:
                    midi = 12 * (1 + int(pitch.findtext("octave") or 0)) + int(
                        pitch.findtext("alter") or 0) + SEMITONES[pitch.findtext("step") or ""]
                    found.append((index, head, midi + add))
    return sorted(found)


def modelled(part) -> list[tuple[int, Fraction, int]]:
    """The same of a model."""
    return sorted(
        (n.bar, Fraction(n.onset - part.bars[n.bar].onset, TICKS), n.pitch.midi)
        for n in part.notes if not n.tie_in
    )


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.integers(0, 10**6), st.sampled_from(sorted(TRANSPOSES)), st.integers(1, 6),
       st.integers(1, 10))
def test_random_irregular_and_transposed_scores_come_back(seed, transpose, bars, edits):
    """Read at concert pitch; unchanged, its own bytes; edited, what was written."""
    xml = document(seed, transpose, bars)
    if b"<pitch>" not in xml:
        return
    loaded = load(xml)
    assert modelled(loaded.part) == sounding(xml)
    assert graft(loaded, loaded.part) == xml
    new = edited(loaded.part, random.Random(seed), edits)
    if not new.notes:
        return
    out = graft(loaded, new)
    again = load(out)
    assert same_music(new, again.part) == ()
    assert modelled(again.part) == sounding(out)
    assert set(faults(out)) <= set(faults(xml))
    lines = re.compile(rb"<octave-shift[^>]*>")
    assert lines.findall(out) == lines.findall(xml)
