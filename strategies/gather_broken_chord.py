"""Gather a broken chord into a chord.

What it does:
    The left hand's figure of a beat, a half bar or a bar becomes one chord at its start, of as
    many of its notes as the hand takes and reaches; the lowest stays the bass.

When a harpist would do this:
    When a figure goes too fast or turns awkwardly: a harp chord rings as long as the figure would
    (turning figuration into chords and back: common practice).

What is lost:
    Motion.

Does not apply when:
    The figure is the melody, or has one note.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence

from simplify.harp.hand import blurred
from simplify.harp.player import Limits, Player
from simplify.score.edits import (
    Column,
    Draft,
    Place,
    all_then_each,
    at_octave,
    by_pulse,
    following,
    harmony_at,
    leading,
    lower_bars,
    pulse_of,
)
from simplify.score.harmony import Harmony, harmonies
from simplify.score.model import Bar, Edit, NoteId, Passage, Pitch, Strike
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY


def _chord(
    strikes: Sequence[Strike], harmony: Harmony | None, limits: Limits
) -> list[tuple[Strike, Pitch]]:
    """The notes that make the chord, with their pitches: the lowest, then tones of the harmony,
    its third first, the others upward; no pitch class twice; those too far an octave down where
    that does not blur."""
    third = harmony.third if harmony else None
    tones = harmony.classes if harmony else frozenset(s.pitch.pitch_class for s in strikes)
    order = sorted(strikes, key=lambda s: (s.pitch.midi, s.onset))
    order[1:] = sorted(
        (s for s in order[1:] if s.pitch.pitch_class in tones),
        key=lambda s: (s.pitch.pitch_class != third, s.pitch.midi, s.onset),
    )
    chosen: list[tuple[Strike, Pitch]] = [(order[0], order[0].pitch)]
    bottom = order[0].pitch.string
    for strike in order[1:]:
        if len(chosen) == limits.notes_per_hand:
            break
        pitch = strike.pitch
        while pitch.string - bottom > limits.reach:
            pitch = at_octave(pitch, -1)
        taken = [p for _, p in chosen]
        if (
            pitch.string > bottom
            and all(p.pitch_class != pitch.pitch_class for p in taken)
            and not blurred([*taken, pitch])
        ):
            chosen.append((strike, pitch))
    return chosen


def _act(
    group: Sequence[Column], start: int, end: int, chosen: Sequence[tuple[Strike, Pitch]]
) -> Callable[[Draft], None]:
    keep = {s.first.id for s, _ in chosen}

    def act(draft: Draft) -> None:
        draft.drop(*(s for c in group for s in c.strikes if s.first.id not in keep))
        for strike, pitch in chosen:
            draft.retime(strike, start, end)
            if pitch != strike.pitch:
                draft.pitch(strike, pitch)

    return act


def _gathered(
    group: Sequence[Column], lead: frozenset[NoteId], passage: Passage, limits: Limits,
    harmony: Harmony | None,
) -> tuple[Callable[[Draft], None], str] | None:
    strikes = [s for c in group for s in following(c, lead, passage.part)]
    if len(group) < 2 or len(strikes) != sum(len(c.strikes) for c in group):
        return None
    if any(len(s.notes) != 1 for s in strikes) or len({s.first.voice for s in strikes}) > 1:
        return None
    if any(b.onset != a.end for a, b in itertools.pairwise(group)):
        return None
    chosen = _chord(strikes, harmony, limits)
    if len(chosen) < 2:
        return None
    shown = " ".join(p.name for p in sorted((p for _, p in chosen), key=lambda p: p.midi))
    return _act(group, group[0].onset, group[-1].end, chosen), shown


def _halves(bar: Bar, cols: Sequence[Column]) -> list[list[Column]]:
    beats = bar.metre_ticks // bar.pulse_ticks
    if beats % 2:
        return []
    groups: dict[int, list[Column]] = {}
    for column in cols:
        groups.setdefault(pulse_of(bar, column.onset) * 2 // beats, []).append(column)
    return [groups[k] for k in sorted(groups)]


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    lead, limits, segments = leading(passage), player.limits, harmonies(passage)
    edits: list[Edit | None] = []
    for bar, cols in lower_bars(passage):
        cuts: tuple[tuple[Sequence[Sequence[Column]], str], ...] = (
            (by_pulse(bar, cols), "beat"),
            (_halves(bar, cols), "half bar"),
            ([cols], "bar"),
        )
        for groups, words in cuts:
            places: list[Place] = []
            for group in groups:
                found = _gathered(
                    group, lead, passage, limits, harmony_at(segments, group[0].onset)
                )
                if found is not None:
                    beat = f"{bar.beat(group[0].onset):g}"
                    reason = f"left hand: the figure from beat {beat} becomes the chord {found[1]}"
                    places.append((found[0], reason))
            reason = f"left hand: each figure of a {words} becomes one chord"
            edits.extend(all_then_each(passage, places, reason, 1))
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="gather_broken_chord",
    title="Gather a broken chord into a chord",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("2/4 | G5:2 ; C3:1/2 E3 G3 E3", "2/4 | G5:2 ; [C3 E3]:1 [E3 G3]"),
        Case("2/4 | G5:2 ; C3:1/2 E3 G3 E3", "2/4 | G5:2 ; [C3 E3 G3]:2"),
        Case("2/4 | G5:2 ; C3:1/2 [E4 G4] C3 [E4 G4]", "2/4 | G5:2 ; [C3 E3 G3]:1 [C3 E3 G3]"),
        Case("2/4 | G5:2 ; C3:2", None),
        Case("2/4 | G5:2 ; r:2", None),
        Case("2/4 | C5:1/2 E5 G5 E5 ; C3:2", None),
    ),
)
