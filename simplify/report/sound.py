"""Lets bars be heard: plucked strings by modal synthesis, encoded as MP3.

A string plucked at the share p of its length sounds as the sum of its modes k = 1, 2, ... with
amplitudes sin(pi k p) / k^2 (the ideal plucked string: Fletcher & Rossing, The Physics of Musical
Instruments, chapter 2). Each mode is the impulse response of a two-pole resonator. A string rings
until it is struck again, damped, or has died away, as the technique model has it.
"""

from __future__ import annotations

import io
import math
from functools import cache

import numpy as np
import numpy.typing as npt

from simplify.technique.plan import Performance
from simplify.technique.ringing import ring_seconds, rings

Samples = npt.NDArray[np.float64]

RATE = 22_050
"""Samples a second: enough for the harp's highest string, 3.1 kHz, and two modes above it."""
PLUCK = 0.4
"""Where a string is plucked, as a share of its length (common practice: near the middle)."""
MODES = 24
"""Modes of a string at most (estimate: those above are not heard)."""
MODE_DAMPING = 0.35
"""How much faster each mode dies than the one below it (estimate)."""
LONGEST = 4.0
"""Seconds that one string is drawn at most (estimate: what is left is below the others)."""
RELEASE = 0.06
"""Seconds in which a stopped string falls silent (estimate: a finger laid on it)."""
ROLL = 0.05
"""Seconds from note to note of a rolled chord (estimate)."""
TAIL = 1.5
"""Seconds after the last bar."""
BYTES_PER_SECOND = 6_000.0
"""What a second takes as MP3, about."""
BUDGET = 3_000_000
"""Bytes of all recordings of a page together, so that the page stays below five million."""


@cache
def _string(midi: int, ring: float) -> Samples:
    """A plucked string: one value a sample, peak 1."""
    from scipy.signal import lfilter

    frequency = 440.0 * 2.0 ** ((midi - 69) / 12)
    count = int(RATE * min(LONGEST, ring))
    impulse = np.zeros(count)
    impulse[0] = 1.0
    total = np.zeros(count)
    for k in range(1, MODES + 1):
        if k * frequency > 0.45 * RATE:
            break
        loss = math.log(1000.0) / (ring * RATE) * (1 + MODE_DAMPING * (k - 1))
        radius, angle = math.exp(-loss), 2 * math.pi * k * frequency / RATE
        amplitude = math.sin(math.pi * k * PLUCK) / k**2
        total += amplitude * lfilter(
            [0.0, radius * math.sin(angle)], [1.0, -2 * radius * math.cos(angle), radius**2],
            impulse,
        )
    fade = min(count, int(0.3 * RATE))
    total[-fade:] *= np.linspace(1.0, 0.0, fade)
    peak = float(np.max(np.abs(total)))
    return total / peak if peak else total


def _delays(performance: Performance) -> list[float]:
    """How much later than its moment each strike sounds, as chords are rolled, upwards unless
    the sign says down."""
    chords: dict[float, list[int]] = {}
    rolled = performance.hand_plan.rolled
    for i, strike in enumerate(performance.strikes):
        if rolled[i] or strike.first.has("arpeggio"):
            chords.setdefault(performance.seconds[i], []).append(i)
    delays = [0.0] * len(performance.strikes)
    for members in chords.values():
        first = performance.strikes[members[0]].first.mark("arpeggio")
        down = first is not None and first.value == "down"
        members.sort(key=lambda i: performance.strings[i], reverse=down)
        for rank, i in enumerate(members):
            delays[i] = ROLL * rank
    return delays


def rendered(performance: Performance, first: int, last: int, limit: float) -> Samples:
    """Bars first..last (indices) as samples in [-1, 1] at `RATE`, cut after `limit` seconds."""
    part = performance.part
    start = part.seconds(part.bars[first].onset)
    stop = part.seconds(part.bars[last].end)
    low, high = part.bars[first].onset, part.bars[last].end
    length = min(stop - start + TAIL, limit)
    out = np.zeros(int(RATE * length) + 1)
    delays = _delays(performance)
    for ring, strike in zip(rings(performance), performance.strikes, strict=True):
        if not low <= strike.onset < high:
            continue
        at = performance.seconds[ring.strike] + delays[ring.strike]
        begin = max(0, int(RATE * (at - start)))
        if begin >= len(out):
            continue
        octave = 12 if strike.first.has("harmonic") else 0
        tone = _string(strike.pitch.midi + octave, ring_seconds(ring.string))
        until = int(RATE * (ring.end - at + RELEASE))
        tone = tone[: min(len(tone), max(until, int(RATE * RELEASE)), len(out) - begin)].copy()
        fade = min(len(tone), int(RELEASE * RATE))
        tone[-fade:] *= np.linspace(1.0, 0.0, fade)
        out[begin : begin + len(tone)] += tone
    fade = min(len(out), int(0.5 * RATE))
    out[-fade:] *= np.linspace(1.0, 0.0, fade)
    peak = float(np.max(np.abs(out)))
    return 0.9 * out / peak if peak else out


def mp3(samples: Samples) -> bytes:
    """One channel at about 48 kilobits a second."""
    import soundfile

    buffer = io.BytesIO()
    soundfile.write(
        buffer, samples, RATE, format="MP3", subtype="MPEG_LAYER_III",
        bitrate_mode="CONSTANT", compression_level=0.75,
    )
    return buffer.getvalue()


def seconds_each(versions: int) -> float:
    """How long each of so many recordings may be."""
    return BUDGET / BYTES_PER_SECOND / max(1, versions)
