"""Turn a chromatic run into whole tones.

What it does:
    Every second note of a run in semitones is left out and what stays sounds twice as long, spelled
    for one setting of the pedals: the run at half the speed in whole tones.

When a harpist would do this:
    A chromatic run costs a pedal at nearly every note (Volpe Bligh, Writing for the Pedal Harp);
    one setting holds the whole-tone scale, and the run keeps a colour foreign to the key (common
    practice).

What is lost:
    The semitones between and half the speed.

Does not apply when:
    The run is short, does not move by semitone throughout, or the harp has levers.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from simplify.harp.player import Player
from simplify.score.edits import Draft, single_runs, staff_bars, written_as
from simplify.score.model import STEP_SEMITONES, Bar, Edit, Passage, Pitch, Strike
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.NOTHING
SHORTEST = 6
"""Notes from which a chromatic run leaves three whole tones (estimate: fewer are no scale)."""
SCALES = (
    (("C", 0), ("D", 0), ("E", 0), ("G", -1), ("A", -1), ("B", -1)),
    (("D", -1), ("E", -1), ("F", 0), ("G", 0), ("A", 0), ("B", 0)),
    (("C", 0), ("D", 0), ("E", 0), ("F", 1), ("G", 1), ("A", 1)),
    (("C", 1), ("D", 1), ("F", 0), ("G", 0), ("A", 0), ("B", 0)),
)
"""Step and alteration of each whole-tone scale on six of the seven letters, with flats and with
sharps (counted from the pedal mechanism: Hipkins, "Harp", Grove's Dictionary)."""


def _goes_on(run: Sequence[Strike], strike: Strike) -> bool:
    """The next semitone the same way, of the same length."""
    step = strike.pitch.midi - run[-1].pitch.midi
    way = run[1].pitch.midi - run[0].pitch.midi if len(run) > 1 else step
    alike = run[-1].end - run[-1].onset == strike.end - strike.onset
    return abs(step) == 1 and step == way and alike


def _spelled(midi: int, bar: Bar) -> Pitch:
    """The sound in its whole-tone scale, with sharps in sharp keys."""
    scales = SCALES[2:] if bar.fifths > 0 else SCALES[:2]
    for step, alter in (row for scale in scales for row in scale):
        octave, rest = divmod(midi - alter - STEP_SEMITONES[step], 12)
        if rest == 0 and (step, alter) in scales[midi % 2]:
            return Pitch(step, alter, octave - 1)
    raise AssertionError(midi)


def _halved(passage: Passage, bar: Bar, run: Sequence[Strike]) -> Edit | None:
    kept = run[::2]
    ends = [*(s.onset for s in kept[1:]), run[-1].end]
    if any(written_as(bar, s.onset, end) is None for s, end in zip(kept, ends, strict=True)):
        return None
    draft = Draft(passage)
    draft.drop(*run[1::2])
    for strike, end in zip(kept, ends, strict=True):
        draft.retime(strike, strike.onset, end)
        pitch = _spelled(strike.pitch.midi, bar)
        if pitch != strike.pitch:
            draft.pitch(strike, pitch)
    return draft.edit(
        f"the chromatic run {run[0].pitch.name} to {run[-1].pitch.name} goes in whole tones, "
        "with one setting of the pedals"
    )


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    if not player.harp.has_pedals:
        return
    edits: list[Edit | None] = []
    for bar, _, cols in staff_bars(passage):
        runs = single_runs(passage, cols, _goes_on, SHORTEST)
        edits.extend(_halved(passage, bar, run) for run in runs)
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="run_in_whole_tones",
    title="Turn a chromatic run into whole tones",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case(
            "2/4 | G5:1/4 F#5 F5 E5 D#5 D5 C#5 C5 ; C3:2",
            "2/4 | G5:1/2 F5 Eb5 Db5 ; C3:2",
        ),
        Case(
            "2/4 key:2 | C5:1/4 C#5 D5 D#5 E5 F5 F#5 G5 ; C3:2",
            "2/4 key:2 | C5:1/2 D5 E5 F#5 ; C3:2",
        ),
        Case("2/4 | G5:1/4 F#5 F5 E5 D#5:1 ; C3:2", None),
        Case("2/4 | G5:1/4 F5 E5 D5 C5 D5 E5 F5 ; C3:2", None),
    ),
)
