"""Slow the harmonic rhythm.

What it does:
    Keeps the chord of the stronger beat through a weaker beat's change, in the left hand and the
    inner notes: the notes of the weaker chord move to the nearest notes of the stronger one, or
    are left out and the strings ring on. The melody stays.

When a harpist would do this:
    When the harmony changes faster than feet and hands can follow (drop to the skeleton of a
    chord sequence with several pedals a beat: Volpe Bligh, Writing for the Pedal Harp; Prout, The
    Orchestra I, p. 75, shows the opposite as how not to write).

What is lost:
    A passing chord.

Does not apply when:
    The harmony changes only on equally strong beats, or a melody note would clash by a semitone
    with the chord that is held.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator

from simplify.harp.player import Player
from simplify.score.edits import Draft, leading, nearest_of, on_pulse, plain, spelled, strength
from simplify.score.harmony import Harmony, harmonies
from simplify.score.model import Bar, Edit, Note, Passage, Strike
from simplify.strategy import Case, Keeps, Strategy, hand_words, promised

KEEPS = Keeps.MELODY


def _clash(passage: Passage, stays: Harmony, goes: Harmony) -> bool:
    """True if a melody note of the weaker harmony lies a semitone from the held chord."""
    lead = leading(passage)
    for strike in passage.strikes:
        if strike.first.id not in lead or not goes.onset <= strike.onset < goes.end:
            continue
        pitch = strike.pitch.pitch_class
        if pitch not in stays.classes and any(
            (pitch - c) % 12 in (1, 11) for c in stays.classes
        ):
            return True
    return False


def _accompaniment(passage: Passage, harmony: Harmony, bar: Bar) -> tuple[Strike, ...]:
    lead = leading(passage)
    return tuple(
        s
        for s in passage.strikes
        if harmony.onset <= s.onset < harmony.end
        and s.first.bar == bar.index
        and s.first.id not in lead
        and not s.lead
        and plain(s, passage.part)
    )


def _revoiced(draft: Draft, strikes: tuple[Strike, ...], stays: Harmony, bar: Bar) -> None:
    taken: dict[int, set[int]] = {}
    for strike in strikes:
        used = taken.setdefault(strike.onset, set())
        midi = strike.pitch.midi
        if midi % 12 not in stays.classes or midi in used:
            target = nearest_of(midi, stays.classes, taken=used)
            if target is not None and abs(target - midi) <= 4:
                draft.pitch(strike, spelled(target, bar.fifths))
                used.add(target)
            else:
                draft.drop(strike)
        else:
            used.add(midi)


def _place(passage: Passage, bar: Bar, found: list[Harmony]) -> Iterator[Edit | None]:
    for stays, goes in itertools.pairwise(found):
        onset = max(stays.onset, bar.onset)
        if not on_pulse(bar, goes.onset) or strength(bar, goes.onset) >= strength(bar, onset):
            continue
        if goes.classes <= stays.classes:
            continue
        strikes = _accompaniment(passage, goes, bar)
        if not strikes:
            continue
        beat = f"{bar.beat(onset):g}"
        until = f"{bar.beat(goes.onset):g}"
        if not _clash(passage, stays, goes):
            draft = Draft(passage)
            _revoiced(draft, strikes, stays, bar)
            yield draft.edit(
                f"{hand_words(s.first for s in strikes)}: the chord of beat {beat} stays through "
                f"the change on beat {until}"
            )
        draft = Draft(passage)
        draft.drop(*(s for s in strikes if s.first.staff != 1))
        yield draft.edit(
            f"left hand: the chord of beat {beat} rings on, the one on beat {until} is left out"
        )


def _whole_bar(passage: Passage, bar: Bar, found: list[Harmony]) -> Iterator[Edit | None]:
    if len(found) < 3:
        return
    first, draft = found[0], Draft(passage)
    touched: list[Note] = []
    if any(_clash(passage, first, h) for h in found[1:]):
        return
    for harmony in found[1:]:
        strikes = _accompaniment(passage, harmony, bar)
        touched.extend(s.first for s in strikes)
        _revoiced(draft, strikes, first, bar)
    if touched:
        hand = hand_words(touched)
        yield draft.edit(f"{hand}: one chord for the whole bar instead of {len(found)}")


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    segments = harmonies(passage)
    edits: list[Edit | None] = []
    for bar in passage.bars:
        found = [h for h in segments if h.onset < bar.end and h.end > bar.onset]
        edits.extend(_whole_bar(passage, bar, found))
        edits.extend(list(_place(passage, bar, found))[:4])
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="slow_harmonic_rhythm",
    title="Slow the harmonic rhythm",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case(
            "4/4 | E5:2 D5 ; [C3 G3 C4]:2 [D3 A3 D4]",
            "4/4 | E5:2 D5 ; [C3 G3 C4]:4",
        ),
        Case("4/4 | E5:2 G5 ; [C3 E3 G3]:4", None),
        Case("4/4 | E5:4 | D5 ; - | [D3 A3]:4", None),
    ),
)
