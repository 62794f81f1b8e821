"""Write a glissando out as a short arpeggio.

What it does:
    Replaces a glissando sign by a few notes of the harmony between its two ends, in a value the
    player's hand can keep; or leaves only the two ends.

When a harpist would do this:
    When the pedals for a glissando setting can't be set in time, or the strings between do not
    give the harmony (few chords have a setting of their own, as a count over all pedal positions
    shows; the arpeggio in its place: common practice).

What is lost:
    The sweep; the chord stays clear.

Does not apply when:
    The first note does not reach to the last, or they stand in different bars.
"""

from __future__ import annotations

from collections.abc import Iterator

from simplify.harp.player import Player
from simplify.score.edits import Draft, harmony_at, is_value, seconds_between, spelled, whole
from simplify.score.harmony import harmonies
from simplify.score.model import Bar, Edit, Mark, Passage, Strike, new_note
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.BASS
FEWEST = 3
"""Notes below which a run is no arpeggio (the two ends are then offered alone)."""


def _pairs(passage: Passage) -> Iterator[tuple[Strike, Strike]]:
    open_ends: dict[str, Strike] = {}
    for strike in passage.strikes:
        stop, start = strike.first.mark("gliss-stop"), strike.first.mark("gliss-start")
        if stop is not None and stop.value in open_ends:
            first = open_ends.pop(stop.value)
            if first.onset < strike.onset:
                yield first, strike
        if start is not None and not strike.lead:
            open_ends[start.value] = strike


def _without_sign(strike: Strike, kind: str) -> tuple[Mark, ...]:
    return strike.first.without(kind)


def _written_out(
    passage: Passage, bar: Bar, start: Strike, stop: Strike, player: Player
) -> Edit | None:
    head, span = start.first, stop.onset - start.onset
    if len(start.notes) > 1 or start.end != stop.onset or stop.first.bar != bar.index:
        return None
    harmony = harmony_at(harmonies(passage), start.onset)
    if harmony is None:
        return None
    low, high = sorted((start.pitch.midi, stop.pitch.midi))
    tones = [m for m in range(low + 1, high) if m % 12 in harmony.classes]
    if start.pitch.midi > stop.pitch.midi:
        tones.reverse()
    for count in range(8, FEWEST - 1, -1):
        unit, rest = divmod(span, count)
        if rest or not is_value(unit) or len(tones) < count - 1:
            continue
        if seconds_between(passage.part, start.onset, start.onset + unit) < (
            1.0 / player.limits.hand_rate
        ):
            continue
        draft = Draft(passage)
        draft.mark(start, _without_sign(start, "gliss-start"))
        draft.mark(stop, _without_sign(stop, "gliss-stop"))
        draft.retime(start, start.onset, start.onset + unit)
        for k in range(1, count):
            midi = tones[(2 * k - 1) * len(tones) // (2 * (count - 1))]
            draft.add(
                new_note(
                    start.onset + k * unit, unit, spelled(midi, bar.fifths), bar.index,
                    staff=head.staff, voice=head.voice, hand=head.hand,
                )
            )
        return draft.edit(
            f"the glissando from {start.pitch.name} to {stop.pitch.name} becomes an arpeggio "
            f"of {count} notes"
        )
    return None


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    edits: list[Edit | None] = []
    for start, stop in _pairs(passage):
        if not whole(passage, start) or not whole(passage, stop):
            continue
        bar = passage.part.bars[start.first.bar]
        edits.append(_written_out(passage, bar, start, stop, player))
        draft = Draft(passage)
        draft.mark(start, _without_sign(start, "gliss-start"))
        draft.mark(stop, _without_sign(stop, "gliss-stop"))
        edits.append(
            draft.edit(
                f"the glissando from {start.pitch.name} to {stop.pitch.name} goes, "
                "its two ends stay"
            )
        )
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="glissando_to_arpeggio",
    title="Write a glissando out as an arpeggio",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case(
            "4/4 tempo:60 | C4:2{gliss-start 1} C6:2{gliss-stop 1} ; [C3 E3 G3]:4",
            "4/4 tempo:60 | C4:1/2 E4 C5 G5 C6:2 ; [C3 E3 G3]:4",
        ),
        Case(
            "4/4 tempo:60 | C4:2{gliss-start 1} C6:2{gliss-stop 1} ; [C3 E3 G3]:4",
            "4/4 tempo:60 | C4:2 C6 ; [C3 E3 G3]:4",
        ),
        Case("4/4 | C4:2 C6 ; [C3 E3 G3]:4", None),
        Case("4/4 | C4:2{gliss-start 1} C6 ; [C3 E3 G3]:4", None),
    ),
)
