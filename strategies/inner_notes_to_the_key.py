"""Bring the accompaniment's accidental notes into the key.

What it does:
    Replaces notes under the melody that are foreign to the key: by the nearest note of the
    harmony that is in the key, or by the same letter as the key has it (a borrowed chord becomes
    the key's own).

When a harpist would do this:
    When a chromatic inner note costs a pedal that the feet have no time for (a diatonic line for a
    chromatic one: common practice in arranging for lever and pedal harp).

What is lost:
    The borrowed colour.

Does not apply when:
    Another note of the beat sounds the foreign note (the melody, say), or all are in the key.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from simplify.harp.player import Player
from simplify.score.edits import (
    Place,
    all_then_each,
    following,
    harmony_at,
    in_key,
    is_accidental,
    key_classes,
    leading,
    nearest_of,
    pitching,
    spelled,
    staff_bars,
)
from simplify.score.harmony import Harmony, harmonies
from simplify.score.model import Bar, Edit, Passage, Pitch, Strike
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY | Keeps.RHYTHM
NEAR = 2
"""Semitones that a note may move to reach the harmony (estimate: a step keeps its line)."""


def _in_harmony(
    strike: Strike, harmony: Harmony | None, bar: Bar, around: Sequence[int]
) -> Pitch | None:
    if harmony is None:
        return None
    tones = harmony.classes & key_classes(bar.fifths)
    midi = nearest_of(strike.pitch.midi, tones, taken=around)
    if midi is None or abs(midi - strike.pitch.midi) > NEAR:
        return None
    return spelled(midi, bar.fifths)


def _in_key(
    strike: Strike, harmony: Harmony | None, bar: Bar, around: Sequence[int]
) -> Pitch | None:
    pitch = Pitch(strike.pitch.step, in_key(bar.fifths)[strike.pitch.step], strike.pitch.octave)
    return None if pitch.midi in around else pitch


Choice = Callable[[Strike, Harmony | None, Bar, Sequence[int]], Pitch | None]


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    lead, found = leading(passage), harmonies(passage)
    edits: list[Edit | None] = []
    ways: tuple[tuple[Choice, str], ...] = (
        (_in_harmony, "move to the nearest notes of the harmony"),
        (_in_key, "are played as the key has them"),
    )
    for bar, _, cols in staff_bars(passage):
        for choose, words in ways:
            places: list[Place] = []
            for column in cols:
                sung = {
                    s.pitch.pitch_class
                    for s in passage.strikes
                    if s.first.id in lead and s.onset < column.end and s.end > column.onset
                }
                around = [s.pitch.midi for s in column.strikes]
                changes = []
                for strike in following(column, lead, passage.part):
                    if not is_accidental(strike.pitch, bar) or strike.pitch.pitch_class in sung:
                        continue
                    new = choose(strike, harmony_at(found, column.onset), bar, around)
                    if new is not None:
                        changes.append((strike, new))
                        around.append(new.midi)
                if changes:
                    pairs = ", ".join(f"{s.pitch.name} becomes {p.name}" for s, p in changes)
                    places.append((pitching(changes), f"{column.hand}: {pairs}, in the key"))
            reason = f"{cols[0].hand}: the bar's accidental notes {words}"
            edits.extend(all_then_each(passage, places, reason, 1))
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="inner_notes_to_the_key",
    title="Bring accidental inner notes into the key",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("4/4 | D5:4 ; [D3 F#3 A3]:4", "4/4 | D5:4 ; [D3 F3 A3]:4"),
        Case("4/4 | F#5:4 ; [D3 F#3 A3]:4", None),
        Case("4/4 | D5:4 ; [D3 F3 A3]:4", None),
    ),
)
