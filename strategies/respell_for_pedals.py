"""Respell to save pedals.

What it does:
    Writes notes on the string that costs fewer pedal moves: chromatic neighbours that share a
    letter get a string each (C–C♯ as C–D♭), a key with many sharps becomes its flat synonym
    (F♯ major as G♭ major), double accidentals go.

When a harpist would do this:
    At once, in pencil: the harp plays sounds, not letters (Canton & Overlach, Composing for Harp:
    write what is played; Prout, The Orchestra I, p. 74, writes the harp in G♭ against F♯).

What is lost:
    Nothing in sound; other players' parts are spelled differently.

Does not apply when:
    The harp has levers, the sound has only one string (D, G, A), or no move is saved.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence

from simplify.harp.instrument import PEDALS, key_setting
from simplify.harp.player import Player
from simplify.score.edits import Draft, whole
from simplify.score.model import Bar, Edit, Passage, Pitch, Strike
from simplify.strategy import ALL_KEPT, Case, Strategy, promised

KEEPS = ALL_KEPT
MANY_SHARPS = 5
"""Sharps from which the flat synonym key is offered (B major has five: Prout and common practice
rewrite from there)."""


def _moves(spelling: Sequence[Pitch], start: dict[str, int]) -> tuple[int, int, int]:
    """Pedal moves along these notes from a setting, then double accidentals, then sharps used."""
    now, count = dict(start), 0
    for pitch in spelling:
        if now[pitch.step] != pitch.alter:
            now[pitch.step] = pitch.alter
            count += 1
    doubles = sum(abs(p.alter) > 1 for p in spelling)
    return doubles, count, sum(p.alter > 0 for p in spelling)


def _best(strikes: Sequence[Strike], bar: Bar, player: Player) -> dict[int, Pitch]:
    """For each sound (midi modulo 12) one spelling, so that the bar needs fewest moves; empty if
    the source's spelling is as good. Exact over all choices (at most 2^9)."""
    start = dict(zip(PEDALS, key_setting(bar.fifths), strict=True))
    old = [s.pitch for s in strikes]
    classes: dict[int, list[tuple[str, int]]] = {}
    for pitch in old:
        found = classes.setdefault(pitch.pitch_class, [])
        for choice in player.harp.strings_for(pitch):
            if (choice.step, choice.alter) not in found:
                found.append((choice.step, choice.alter))
        if not found:
            return {}
    best, chosen = _moves(old, start), {}
    kinds = sorted(classes)
    for combination in itertools.product(*(classes[k] for k in kinds)):
        table = dict(zip(kinds, combination, strict=True))
        spelling = [_on(p, *table[p.pitch_class]) for p in old]
        cost = _moves(spelling, start)
        if cost[:2] < best[:2]:
            best, chosen = cost, {k: _on(Pitch("C", 0, 4), *table[k]) for k in kinds}
    return chosen


def _on(pitch: Pitch, step: str, alter: int) -> Pitch:
    """The sound of `pitch` on the string of this letter and position."""
    return min(
        (Pitch(step, alter, pitch.octave + k) for k in (-1, 0, 1)),
        key=lambda p: abs(p.midi - pitch.midi),
    )


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    if player.harp.has_pedals:
        yield from promised(passage, KEEPS, [*_by_bar(passage, player), *_flat_key(passage)])


def _by_bar(passage: Passage, player: Player) -> Iterator[Edit | None]:
    for bar in passage.bars:
        strikes = [
            s for s in passage.strikes if s.first.bar == bar.index and whole(passage, s)
        ]
        table = _best(strikes, bar, player)
        draft, pairs = Draft(passage), []
        for strike in strikes:
            target = table.get(strike.pitch.pitch_class)
            if target is None or (target.step, target.alter) == (
                strike.pitch.step, strike.pitch.alter
            ):
                continue
            new = _on(strike.pitch, target.step, target.alter)
            draft.pitch(strike, new)
            pair = f"{strike.pitch.name[:-1]} as {new.name[:-1]}"
            if pair not in pairs:
                pairs.append(pair)
        if pairs:
            yield draft.edit(f"both hands: {', '.join(pairs)}, which saves pedal moves")


def _flat_key(passage: Passage) -> Iterator[Edit | None]:
    """Bars in keys of many sharps, each letter one up: F♯ as G♭, E as F♭, B as C♭."""
    for bar in passage.bars:
        if bar.fifths < MANY_SHARPS:
            continue
        draft = Draft(passage)
        strikes = [s for s in passage.strikes if s.first.bar == bar.index and whole(passage, s)]
        for strike in strikes:
            flats = [p for p in strike.pitch.spellings() if p.alter < 0]
            naturals = [p for p in strike.pitch.spellings() if p.alter == 0]
            draft.pitch(strike, (flats or naturals)[0])
        yield draft.edit("both hands: the sharps are written as the flats of the synonym key")


STRATEGY = Strategy(
    name="respell_for_pedals",
    title="Respell to save pedals",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("4/4 | C5:1 C#5 C5 C#5 ; -", "4/4 | C5:1 D♭5 C5 D♭5 ; -"),
        Case("4/4 key:6 | F#5:2 A#5 ; [F#3 C#4]:4", "4/4 key:6 | G♭5:2 B♭5 ; [G♭3 D♭4]:4"),
        Case("4/4 | G5:2 Abb5 ; -", "4/4 | G5:2 G5 ; -"),
        Case("4/4 | C5:1 D5 E5 F5 ; C3:4", None),
        Case("4/4 | G4:1 A4 D5 G4 ; D3:4", None),
        Case("4/4 key:-5 | D♭5:2 G♭5 ; [D♭3 A♭3]:4", None),
    ),
)
