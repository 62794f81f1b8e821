"""What the recordings of the report sound like, measured after decoding them: nobody listens here.

Pitches against equal temperament (a' = 440 Hz, ISO 16), onsets against the score's tempo, levels
against full scale, decay against what a plucked string does: it dies away evenly on a logarithmic
scale, the bass longest, and its upper partials before the fundamental (Fletcher & Rossing, The
Physics of Musical Instruments, chapter 2; Volpe Bligh on the shorter ring of shorter strings).
"""

from __future__ import annotations

import io
import itertools

import numpy as np
import pytest
import soundfile

from simplify.harp.player import tier_player
from simplify.report import sound
from simplify.score.text import parse_part
from simplify.technique.perform import perform

SOLOIST = tier_player("soloist")


def heard(text: str) -> tuple[np.ndarray, int]:
    """(samples, rate) of music as a reader of the page gets it: rendered, encoded, decoded."""
    part = parse_part(text)
    samples = sound.rendered(perform(part, SOLOIST), 0, len(part.bars) - 1, 60.0)
    return soundfile.read(io.BytesIO(sound.mp3(samples)))


def frequency(samples: np.ndarray, rate: int, near: float) -> float:
    """The strongest frequency within a third of `near`: a parabola through the peak of a
    logarithmic spectrum."""
    size = 1 << 19
    spectrum = np.log(np.abs(np.fft.rfft(samples * np.hanning(len(samples)), size)) + 1e-12)
    low, high = (int(near * ratio * size / rate) for ratio in (0.8, 1.25))
    at = low + int(np.argmax(spectrum[low:high]))
    a, b, c = spectrum[at - 1 : at + 2]
    return (at + 0.5 * (a - c) / (a - 2 * b + c)) * rate / size


@pytest.mark.parametrize(
    ("name", "midi"),
    [("C2", 36), ("E♭3", 51), ("C4", 60), ("A4", 69), ("F♯5", 78), ("C6", 84), ("G6", 91)],
)
def test_pitches_are_right_within_five_cents(name: str, midi: int):
    samples, rate = heard(f"4/4 tempo:60 | {name}:4 ; r:4")
    wanted = 440.0 * 2.0 ** ((midi - 69) / 12)
    found = frequency(samples[int(0.1 * rate) : int(1.4 * rate)], rate, wanted)
    assert abs(1200 * np.log2(found / wanted)) < 5


def test_onsets_are_in_time():
    """Eight crotchets at 120: each begins within 20 ms of its half second, after the lead that the
    encoder puts before everything (about 50 ms, the same for all)."""
    samples, rate = heard("4/4 tempo:120 | C4:1 G4 E5 C5 ; r:4 | A4:1 F5 D5 G4 ; r:4")
    hop = rate // 200
    frames = np.lib.stride_tricks.sliding_window_view(samples, 4 * hop)[::hop]
    spectra = np.abs(np.fft.rfft(frames * np.hanning(4 * hop), axis=1))
    flux = np.maximum(0.0, np.diff(np.log1p(50 * spectra), axis=0)).sum(axis=1)
    found = []
    for beat in range(8):
        low, high = (max(0, int((0.5 * beat + shift) * rate / hop)) for shift in (-0.15, 0.25))
        found.append((low + int(np.argmax(flux[low:high])) + 1) * hop / rate - 0.5 * beat)
    lead = float(np.median(found))
    assert 0.0 <= lead < 0.07
    assert max(abs(at - lead) for at in found) < 0.02


def test_nothing_is_clipped():
    """Eight-note chords at once stay below full scale, and no top is cut flat."""
    samples, _ = heard("4/4 tempo:100 | [C5 E5 G5 C6]:1 [D5 F5 A5 D6] [E5 G5 B5 E6]:2 ;"
                       " [C2 G2 C3 E3]:1 [D2 A2 D3 F3] [C2 G2 C3 E3]:2")
    peak = np.abs(samples).max()
    assert 0.5 < peak <= 0.99
    top = np.abs(samples) >= 0.999 * peak
    assert not np.any(top[:-2] & top[1:-1] & top[2:])


def decibels(samples: np.ndarray, rate: int) -> np.ndarray:
    """Level in frames of 50 ms."""
    frame = rate // 20
    count = len(samples) // frame
    rows = samples[: count * frame].reshape(count, frame)
    return 20 * np.log10(np.sqrt((rows**2).mean(axis=1)) + 1e-9)


def fall(name: str) -> float:
    """Decibels a second that a free string loses, in the second after 0.15 s; it must be even."""
    samples, rate = heard(f"4/4 tempo:40 | {name}:4 ; r:4")
    level = decibels(samples, rate)[3:13]
    times = np.arange(len(level)) / 20
    slope, start = np.polyfit(times, level, 1)
    assert np.abs(level - (start + slope * times)).max() < 3
    return float(-slope)


def test_strings_die_away_evenly_and_the_bass_longest():
    """C2 to C6, and each octave up at least as fast."""
    falls = [fall(name) for name in ("C2", "C3", "C4", "C5", "C6")]
    assert all(a < b for a, b in itertools.pairwise(falls))
    assert falls[0] < 8
    assert falls[-1] > 20


def test_upper_partials_die_before_the_fundamental():
    """The third partial of C3 loses more in a second than the first."""
    samples, rate = heard("4/4 tempo:40 | C3:4 ; r:4")
    base = 440.0 * 2.0 ** ((48 - 69) / 12)

    def level(partial: int, start: float) -> float:
        cut = samples[int(start * rate) : int((start + 0.4) * rate)]
        at = np.arange(len(cut)) / rate
        wave = np.exp(-2j * np.pi * partial * base * at) * np.hanning(len(cut))
        return float(20 * np.log10(np.abs((cut * wave).sum())))

    lost = [level(partial, 0.1) - level(partial, 1.1) for partial in (1, 3)]
    assert 0 < lost[0] < lost[1]
