"""Turn a chromatic run into one of the key.

What it does:
    A run in semitones becomes the scale of the key between the same two ends: the run's own
    notes that are in the key, evenly spread in slower values over the same time.

When a harpist would do this:
    A chromatic run costs a pedal at nearly every note, about two a second for a foot is the limit;
    the diatonic scale needs none (Volpe Bligh, Writing for the Pedal Harp).

What is lost:
    The semitones between and some speed.

Does not apply when:
    The run is in the key, or does not move by semitone throughout.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from simplify.harp.player import Player
from simplify.score.edits import (
    Draft,
    is_accidental,
    single_runs,
    spelled,
    staff_bars,
    written_as,
)
from simplify.score.model import Bar, Edit, Passage, Strike
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.NOTHING
SHORTEST = 4
"""Notes from which a chromatic line counts as a run."""


def _goes_on(run: Sequence[Strike], strike: Strike) -> bool:
    """The next semitone the same way, of the same length."""
    step = strike.pitch.midi - run[-1].pitch.midi
    way = run[1].pitch.midi - run[0].pitch.midi if len(run) > 1 else step
    alike = run[-1].end - run[-1].onset == strike.end - strike.onset
    return abs(step) == 1 and step == way and alike


def _in_key(passage: Passage, bar: Bar, run: Sequence[Strike]) -> Edit | None:
    tones = [s for s in run if not is_accidental(s.pitch, bar)]
    if len(tones) == len(run) or len(tones) < 2:
        return None
    unit = run[0].end - run[0].onset
    start, end = run[0].onset, run[-1].end
    for longer in (2, 3, 4):
        count = (end - start) // (unit * longer)
        if (end - start) % (unit * longer) or count < 2 or count > len(tones):
            continue
        chosen = [tones[k * (len(tones) - 1) // (count - 1)] for k in range(count)]
        spans = [
            (start + k * unit * longer, start + (k + 1) * unit * longer) for k in range(count)
        ]
        if any(written_as(bar, a, b) is None for a, b in spans):
            continue
        draft = Draft(passage)
        draft.drop(*(s for s in run if s not in chosen))
        for strike, (onset, until) in zip(chosen, spans, strict=True):
            draft.retime(strike, onset, until)
            plain_pitch = spelled(strike.pitch.midi, bar.fifths)
            if plain_pitch != strike.pitch:
                draft.pitch(strike, plain_pitch)
        return draft.edit(
            f"the chromatic run {run[0].pitch.name} to {run[-1].pitch.name} becomes the scale of "
            "the key"
        )
    return None


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    edits: list[Edit | None] = []
    for bar, _, cols in staff_bars(passage):
        runs = single_runs(passage, cols, _goes_on, SHORTEST)
        edits.extend(_in_key(passage, bar, run) for run in runs)
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="run_in_the_key",
    title="Turn a chromatic run into one of the key",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("2/4 | G5:1/4 F#5 F5 E5 D#5 D5 C#5 C5 ; C3:2", "2/4 | G5:1/2 F5 E5 C5 ; C3:2"),
        Case("2/4 | G5:1/4 F5 E5 D5 C5:1 ; C3:2", None),
        Case("2/4 | G5:1/2 F#5 G5 E5 ; C3:2", None),
    ),
)
