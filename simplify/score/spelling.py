"""Spells MIDI keys: which letter and sign each sounding pitch is written with.

Letters and signs lie on the line of fifths (... B♭ F C G D A E B F♯ ...), where the notes of a key
are neighbours. Each pitch is written so that it lies as near as possible to the notes around it on
that line: the pitch variance rule of D. Temperley, The Cognition of Basic Musical Structures
(2001), ch. 5 (from memory). Here: the centre of the notes within `REACH` on both sides, nearer ones
weighing more, and of the key signature; repeated until nothing changes. Double sharps and flats are
not used: a harp has none.
"""

from __future__ import annotations

from collections.abc import Sequence

from simplify.score.model import TICKS, Pitch

LINE = "FCGDAEB"
"""Letters along the line of fifths, C at 0."""

LOWEST, HIGHEST = -8, 12
"""F♭ and B♯ on the line of fifths."""

REACH = 12
"""Quarter notes on either side that are looked at (estimate: three bars; much less loses the key in
rests, much more is slow to follow a modulation)."""

KEY_WEIGHT = 2.0
"""Weight of the key signature against the notes around, in quarter notes of sounding music at that
very moment (estimate)."""

ROUNDS = 6
"""Most repetitions; real music settles in two or three."""


def pitch_of(key: int, fifth: int) -> Pitch:
    """The pitch of a MIDI key at a place on the line of fifths (C is 0, G is 1)."""
    step = LINE[(fifth + 1) % 7]
    alter = (fifth + 1) // 7
    natural = Pitch(step, 0, 4).midi - 60
    return Pitch(step, alter, (key - alter - natural) // 12 - 1)


def _places(key: int) -> tuple[int, ...]:
    """Places on the line of fifths that sound as a MIDI key."""
    return tuple(n for n in range(LOWEST, HIGHEST + 1) if (7 * n - key) % 12 == 0)


def spell(notes: Sequence[tuple[int, int, int]], fifths: Sequence[int | None]) -> list[Pitch]:
    """Pitches of notes given as (onset in ticks, length in ticks, MIDI key) in time order.

    fifths: the key signature at each note, or None if nothing says one.
    """
    if not notes:
        return []
    choices = [_places(key) for _, _, key in notes]
    # The notes of a major key lie from one below to five above its tonic: two above on average.
    known = [None if f is None else f + 2.0 for f in fifths]
    start = _first_centre(choices) if any(k is None for k in known) else 0.0
    centres = [start if k is None else k for k in known]
    now = [min(c, key=lambda n: (abs(n - m), n)) for c, m in zip(choices, centres, strict=True)]
    weights = [min(max(length, TICKS // 4), 2 * TICKS) / TICKS for _, length, _ in notes]
    for _ in range(ROUNDS):
        moved = False
        low = 0
        for i, (onset, _, _) in enumerate(notes):
            while notes[low][0] < onset - REACH * TICKS:
                low += 1
            mass = KEY_WEIGHT if known[i] is not None else 0.0
            total = mass * (known[i] or 0.0)
            j = low
            while j < len(notes) and notes[j][0] <= onset + REACH * TICKS:
                if j != i:
                    far = abs(notes[j][0] - onset) / (REACH * TICKS)
                    weight = weights[j] * (1.0 - far) ** 2
                    mass += weight
                    total += weight * now[j]
                j += 1
            if mass:
                centre = total / mass
                best = min(choices[i], key=lambda n: (abs(n - centre), n))
                moved = moved or best != now[i]
                now[i] = best
        if not moved:
            break
    return [pitch_of(key, fifth) for (_, _, key), fifth in zip(notes, now, strict=True)]


def _first_centre(choices: Sequence[tuple[int, ...]]) -> float:
    """The centre that all notes together lie nearest to."""
    best = min(
        range(LOWEST, HIGHEST + 1),
        key=lambda c: (sum(min((n - c) ** 2 for n in places) for places in choices), abs(c - 2)),
    )
    return float(best)
