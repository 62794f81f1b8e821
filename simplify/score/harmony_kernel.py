"""The inner loops of `harmony`, compiled: what sounds in each slice, and how each chord fits."""

from __future__ import annotations

import numpy as np
from numba import njit

SILENT = 999
"""The lowest sound of a slice in which nothing sounds."""


@njit(cache=True, nogil=True)
def heard(sounds, edges, position, density, bass):  # type: ignore[no-untyped-def]
    """Per slice between edges (ticks): pitch-class weights in beats (slices, 12), and the lowest
    sound. sounds: onset, end (ticks) and sound (MIDI) of each note, (notes, 3); position: beats of
    each edge; density, bass: as in chords.toml."""
    count = len(edges) - 1
    rows, lowest, lasting = np.zeros((count, 12)), np.full(count, SILENT), np.zeros(count)
    for n in range(len(sounds)):
        begin, end, sound = sounds[n]
        at = np.searchsorted(edges, begin, side="right") - 1
        while at < count and edges[at] < end:
            span = edges[at + 1] - edges[at]
            length = position[at + 1] - position[at]
            until = min(edges[at + 1], end)
            rows[at, sound % 12] += length * (until - max(edges[at], begin)) / span
            lasting[at] = max(lasting[at], length * (until - edges[at]) / span)
            lowest[at] = min(lowest[at], sound)
            at += 1
    for at in range(count):
        total = rows[at].sum()
        if total > 0.0:
            # A struck string rings on into a rest, but not for bars.
            length = min(position[at + 1] - position[at], lasting[at] + 1.0)
            rows[at] *= (total / length) ** (density - 1.0)
            rows[at, lowest[at] % 12] += bass * min(length, total)
    return rows, lowest


@njit(cache=True, nogil=True)
def best_chords(profile, lowest, beats, fresh, longest, scoring, constant):  # type: ignore[no-untyped-def]
    """(first slice, slice after the last, best chord, its score) of every segment of up to
    `longest` beats that no fresh slice parts, by the first and then the second. scoring: (37,
    chords), as `harmony.Chords` has it. Sums are exact, so each segment is scored by what its last
    slice adds to the one before."""
    count, chords = len(lowest), len(constant)
    alone = np.zeros((count, chords))
    for k in range(count):
        for p in range(12):
            if profile[k, p] > 0.0:
                alone[k] += profile[k, p] * (scoring[p] + scoring[12])
    until = np.empty(count, np.int64)  # the last slice of the longest segment from each, and one
    for start in range(count):
        end = start + 1
        while end < count and not fresh[end] and beats[end + 1] - beats[start] <= longest:
            end += 1
        until[start] = end
    room = (until - np.arange(count)).sum()
    starts, stops = np.empty(room, np.int64), np.empty(room, np.int64)
    labels, scores = np.empty(room, np.int64), np.empty(room)
    found = 0
    for start in range(count):
        fit = constant.copy()
        sounding = np.zeros(12, np.bool_)
        low = SILENT
        for end in range(start + 1, until[start] + 1):
            fit += alone[end - 1]
            for p in range(12):
                if profile[end - 1, p] > 0.0 and not sounding[p]:
                    sounding[p] = True
                    fit += scoring[13 + p]
            if lowest[end - 1] < low:
                if low < SILENT:
                    fit -= scoring[25 + low % 12]
                low = lowest[end - 1]
                fit += scoring[25 + low % 12]
            best = 0
            for chord in range(1, chords):
                if fit[chord] > fit[best]:
                    best = chord
            starts[found], stops[found], labels[found] = start, end, best
            scores[found] = fit[best]
            found += 1
    return starts, stops, labels, scores
