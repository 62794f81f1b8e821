"""One playable harp part from keyboard or ensemble music, and what was lost on the way."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from simplify.arrange.gather import Gathered, dressed
from simplify.arrange.keys import KeyCost, in_key_of, key_costs, semitones_to
from simplify.arrange.levers import TuningCost, tunings
from simplify.difficulty.load import Reading, read_for
from simplify.difficulty.tiers import tier_needed
from simplify.distance import Distance, distance
from simplify.errors import SelectionError
from simplify.harp.player import Player
from simplify.realise.bar import Basis, Dials, Rows, basis_of, in_cells, strongest
from simplify.score.lines import bass
from simplify.score.model import Note, NoteId, Part, Passage
from simplify.score.read import bar_range
from simplify.search.ease import Eased, Progress, ease
from simplify.search.search import search
from simplify.strategy import Keeps, Strategy

SEARCHED = 8
"""Bars of a stretch that is searched at once where easing by dials was not enough (estimate)."""


@dataclass(frozen=True, slots=True)
class BarLoss:
    """What became of a bar. index: of the bar; remedies: in words; lost: notes fewer; tune: struck
    notes of the tune that are gone or moved; bass: True if a bass changed."""

    index: int
    number: str
    remedies: tuple[str, ...]
    lost: int
    tune: int
    bass: bool


@dataclass(frozen=True, slots=True)
class Reduced:
    """A harp part made of other music. basis: the music dressed for the harp, before easing;
    resisting: bars (indices) still too much; tune_kept, beats_kept, bass_kept: shares of the
    basis' tune notes, of its beats' strongest ones, and of its basses that are there; keys: the key
    it stands in and the others, with costs; tunings: of a lever harp, likewise."""

    gathered: Gathered
    basis: Basis
    part: Part
    player: Player
    reading: Reading
    original: Reading
    dials: tuple[Dials, ...]
    reached: bool
    resisting: tuple[int, ...]
    losses: tuple[BarLoss, ...]
    distance: Distance
    tune_kept: float
    beats_kept: float
    bass_kept: float
    keys: tuple[KeyCost, ...]
    tunings: tuple[TuningCost, ...]
    tier_needed: str | None
    searched: int


def promised_limits(keeps: Keeps) -> dict[str, int]:
    """How far dials may be turned: the tune found may lie under the top line that promises read."""
    return {"tune": 1, "rhythm": 1, "colour": 1} if Keeps.MELODY in keeps else {}


def bars_locked(part: Part, text: str) -> frozenset[int]:
    """Indices of the bars of `5-8,12`.

    Raises:
        SelectionError: no such bar.
    """
    found: set[int] = set()
    for piece in filter(None, (p.strip() for p in text.split(","))):
        first, last = bar_range(part, piece)
        found.update(range(first, last + 1))
    return frozenset(found)


def reduced(
    gathered: Gathered, player: Player, strategies: Sequence[Strategy], *,
    keeps: Keeps = Keeps.NOTHING, locked: str = "", fifths: int | None = None, solo: bool = False,
    seconds: float = 60.0, workers: int = 1, progress: Progress | None = None,
) -> Reduced:
    """The gathered music as one part that the player can take.

    keeps: promises; locked: bars left as dressed; fifths: signature to put it in (the nearest way
    there); solo: cost the neighbouring keys too; seconds: budget of the search over stretches where
    easing is not enough.

    Raises:
        SelectionError: no such bar, or a key out of reach.
    """
    part = gathered.part
    keys = key_costs(part, player, solo=solo)
    if fifths is not None:
        moved = in_key_of(part, semitones_to(part, fifths), fifths)
        if moved is None:
            raise SelectionError(
                "in that key a later section would have more than seven signs; choose another"
            )
        part = moved
    part = dressed(part, gathered.damper, player.harp)
    basis = basis_of(part, player.harp)
    held = bars_locked(part, locked)
    original = read_for(part, player)
    eased = ease(
        basis, player, locked=held, promises=promised_limits(keeps), keeps=keeps,
        progress=progress
    )
    now, reading, searched = eased.part, eased.reading, 0
    if not eased.reached and strategies:
        now, reading, searched = _searched(eased, player, strategies, keeps, held, seconds, workers)
    return described(
        gathered, basis, now, player, reading, original, eased, keys=keys, searched=searched
    )


def described(
    gathered: Gathered, basis: Basis, part: Part, player: Player, reading: Reading,
    original: Reading, eased: Eased, *, keys: tuple[KeyCost, ...] = (), searched: int = 0,
) -> Reduced:
    """The finished part with what was lost by bar."""
    reached = reading.verdict.within and not reading.faults
    whole = Passage(basis.part, 0, len(basis.part.bars) - 1)
    tune_kept, bass_kept = retained(basis, part)
    return Reduced(
        gathered, basis, part, player, reading, original, eased.dials, reached,
        () if reached else eased.resisting, losses(basis, part, eased.dials, player),
        distance(whole, whole.of(part)), tune_kept, beats_kept(basis, part), bass_kept, keys,
        tunings(basis.part, player),
        tier_needed(part, player.harp.name, [reading]) if reached else None, searched,
    )


def _searched(
    eased: Eased, player: Player, strategies: Sequence[Strategy], keeps: Keeps,
    locked: Iterable[int], seconds: float, workers: int,
) -> tuple[Part, Reading, int]:
    """The part with the best rewrite of each stretch still too much, and how many helped."""
    part, reading, helped = eased.part, eased.reading, 0
    held = set(locked)
    runs: list[tuple[int, int]] = []
    for bar in (b for b in eased.resisting if b not in held):
        if runs and bar - runs[-1][1] <= 1 and bar - runs[-1][0] < SEARCHED:
            runs[-1] = (runs[-1][0], bar)
        else:
            runs.append((bar, bar))
    for first, last in runs:
        found = search(
            part, first, last, player, strategies, keeps=keeps, count=1,
            seconds=max(1.0, seconds / len(runs)), workers=workers,
        )
        if not found.choices:
            continue
        new = part.apply_all(found.choices[0].candidate.edits)
        again = read_for(new, player)
        if len(again.faults) <= len(reading.faults) and (
            again.verdict.within or again.assessment.difficulty <= reading.assessment.difficulty
        ):
            part, reading, helped = new, again, helped + 1
    return part, reading, helped


def retained(basis: Basis, part: Part) -> tuple[float, float]:
    """Share of the struck tune notes that are struck at their moment in the same pitch class, and
    share of the harmonies whose lowest pitch class is the same (or rings on)."""
    heard: dict[int, set[int]] = {}
    for strike in part.strikes:
        if not strike.lead:
            heard.setdefault(strike.onset, set()).add(strike.pitch.pitch_class)
    wanted = [
        s for s in basis.part.strikes if not s.lead and s.first.id in basis.tune
    ]
    kept = sum(s.pitch.pitch_class in heard.get(s.onset, ()) for s in wanted)
    before = Passage(basis.part, 0, len(part.bars) - 1)
    after = before.of(part)
    lows = held = 0
    ringing: int | None = None
    for harmony in basis.harmonies:
        old = bass(before, harmony.onset, harmony.end)
        if old is None:
            continue
        new = bass(after, harmony.onset, harmony.end)
        lows += 1
        ringing = new.pitch.pitch_class if new is not None else ringing
        held += ringing == old.pitch.pitch_class
    return kept / max(1, len(wanted)), held / max(1, lows)


def tune_in(basis: Basis, part: Part) -> frozenset[NoteId]:
    """The tune's notes in an eased version: those of its sounds in each bar, one at a moment."""
    sung: dict[int, set[int]] = {}
    onsets: dict[int, set[int]] = {}
    for note in basis.part.notes:
        if note.id in basis.tune:
            sung.setdefault(note.bar, set()).add(note.pitch.midi % 12)
            onsets.setdefault(note.bar, set()).add(note.onset)
    found: dict[tuple[int, int], tuple[tuple[bool, int], NoteId]] = {}
    staves: dict[int, int] = {}
    for note in basis.part.notes:
        if note.id in basis.tune:
            staves[note.bar] = note.staff
    for note in part.notes:
        if note.pitch.midi % 12 not in sung.get(note.bar, ()) or note.staff != staves[note.bar]:
            continue
        key = (note.onset, note.grace)
        rank = (note.onset in onsets[note.bar], note.pitch.midi)
        if key not in found or rank > found[key][0]:
            found[key] = (rank, note.id)
    return frozenset(note_id for _, note_id in found.values())


def beats_kept(basis: Basis, part: Part) -> float:
    """Share of the beats in which the tune strikes whose strongest note (`realise.strongest`) is
    there within the beat as a note of the new tune, in the same pitch class: what is left of the
    tune when its figuration has gone."""
    tune = tune_in(basis, part)
    wanted = kept = 0
    for bar in basis.part.bars:
        lead = [n for n in basis.part.notes_by_bar[bar.index] if n.id in basis.tune and not n.grace]
        new = in_cells(
            bar, (n for n in part.notes_by_bar[bar.index] if n.id in tune), bar.pulse_ticks
        )
        for cell, notes in in_cells(bar, lead, bar.pulse_ticks).items():
            if all(n.tie_in for n in notes):
                continue
            wanted += 1
            sung = strongest(cell, notes).pitch.pitch_class
            kept += any(n.pitch.pitch_class == sung for n in new.get(cell, ()))
    return kept / max(1, wanted)


def losses(
    basis: Basis, part: Part, dials: Sequence[Dials], player: Player
) -> tuple[BarLoss, ...]:
    """Bars that are not as the basis has them, in order."""
    found = []
    rows = Rows(basis, player)
    tunes: dict[int, set[tuple[int, int]]] = {}
    for note in basis.part.notes:
        if note.id in basis.tune and not note.tie_in and not note.grace:
            tunes.setdefault(note.bar, set()).add((note.onset, note.pitch.pitch_class))
    for bar, now in zip(basis.part.bars, dials, strict=True):
        old, new = basis.part.notes_by_bar[bar.index], part.notes_by_bar[bar.index]
        if _sounds(old) == _sounds(new):
            continue
        have = {(n.onset, n.pitch.pitch_class) for n in new}
        low_old = min((n.pitch for n in old), key=lambda p: p.midi, default=None)
        low_new = min((n.pitch for n in new), key=lambda p: p.midi, default=None)
        changed = (low_old is None) != (low_new is None) or (
            low_old is not None and low_new is not None
            and low_old.pitch_class != low_new.pitch_class
        )
        words = rows.words(bar.index, now)
        found.append(
            BarLoss(
                bar.index, bar.number, words or ("rewritten by search",),
                max(0, len(old) - len(new)), len(tunes.get(bar.index, set()) - have), changed,
            )
        )
    return tuple(found)


def _sounds(notes: Iterable[Note]) -> list[tuple[object, ...]]:
    """Contents of notes, without ids."""
    return sorted((replace(n, id=0).content() for n in notes), key=repr)


def unchanged_bars(old: Part, new: Part) -> frozenset[int]:
    """Bars (indices) in which both parts have the same notes to play: onsets, lengths, pitches,
    staves and grace notes, in whatever voices they are written."""

    def played(notes: Iterable[Note]) -> set[tuple[object, ...]]:
        return {(n.onset, n.duration, n.pitch, n.staff, n.grace, n.tie_in) for n in notes}

    return frozenset(
        bar.index for bar in old.bars
        if played(old.notes_by_bar[bar.index]) == played(new.notes_by_bar[bar.index])
    )


def changed_ids(old: Part, new: Part) -> frozenset[NoteId]:
    """Notes of `new` that `old` does not have at their place and sound."""
    have = {(n.onset, n.pitch.midi, n.duration) for n in old.notes}
    return frozenset(
        n.id for n in new.notes if (n.onset, n.pitch.midi, n.duration) not in have
    )
