"""A bar of music as an easier bar, by dials: each is one kind of remedy, turned up step by step.

`Dials()` (all zero) is the bar as it stands. The tune is protected as long as may be: its own dial
is the last that other troubles turn. A bar is realised from its own notes alone (and the harmony
and home pedals there), so that equal bars come out equal.

The remedies are the trade's: strike the bass once and let it ring; gather figures on the beat; drop
octave doublings, then the fifth; move a chord towards the bass; leave out or respell accidentals
that cost a pedal; straighten what runs across the beat (Volpe Bligh, Writing for the Pedal Harp;
Goss, 100 Orchestration Tips; Philharmonia Orchestra, harp notes; the order of dropping: common
practice).
"""

from __future__ import annotations

import bisect
import itertools
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from simplify.figures import rhythm
from simplify.harp.hand import LOW_LINE, OPEN_LOW
from simplify.harp.instrument import Instrument
from simplify.harp.player import Player
from simplify.realise.tune import find_tune
from simplify.score.edits import PLAIN_VALUES, at_octave, in_key, is_value
from simplify.score.harmony import Harmony, harmonies
from simplify.score.model import (
    TICKS,
    Bar,
    Mark,
    Note,
    NoteId,
    Part,
    Passage,
    Pitch,
    new_note,
)
from simplify.score.ties import mended
from simplify.technique.levers import lever_gap

MOST = {"tune": 5, "pace": 7, "chords": 4, "colour": 4, "rhythm": 3, "near": 2, "free": 1}
"""How far each dial goes."""

WORDS = {
    "tune": (
        "", "ornaments left out", "the tune in half beats", "the tune in beats",
        "the tune in half bars", "one note of the tune a bar",
    ),
    "pace": (
        "", "repeated notes ring on", "the accompaniment in half beats",
        "the accompaniment gathered on the beats", "the accompaniment twice a bar",
        "one chord a bar", "one bass note a bar", "the tune alone",
    ),
    "chords": (
        "", "chords fitted to the hand", "chords a note thinner", "chords two notes thinner",
        "single notes in each hand",
    ),
    "colour": (
        "", "accompanying accidentals left out or respelled", "passing accidentals left out",
        "all notes in the pedals of the section", "all notes in one pedal setting",
    ),
    "rhythm": (
        "", "the accompaniment set on the beat", "the tune straightened to half beats",
        "the tune straightened to the beats it keeps",
    ),
    "near": ("", "chords moved towards the bass", "low basses moved up an octave"),
    "free": ("", "the left hand freed to turn a lever"),
}
"""What each step does, for the report."""


@dataclass(frozen=True, slots=True, order=True)
class Dials:
    """How far each remedy is turned up in a bar; 0: not at all."""

    tune: int = 0
    pace: int = 0
    chords: int = 0
    colour: int = 0
    rhythm: int = 0
    near: int = 0
    free: int = 0

    def at(self, name: str) -> int:
        """Position of a dial."""
        value: int = getattr(self, name)
        return value

    def turned(self, name: str, value: int) -> Dials:
        """With one dial at another position."""
        return replace(self, **{name: value})

    def words(self) -> tuple[str, ...]:
        """What is done, in words."""
        return tuple(
            word for name in MOST for word in [WORDS[name][self.at(name)]] if word
        )


@dataclass(frozen=True)
class Basis:
    """The music that bars are realised from. tune: ids of the leading line's notes. Not slotted:
    tables are computed once when asked for."""

    part: Part
    tune: frozenset[NoteId]
    harp: Instrument

    @cached_property
    def harmonies(self) -> tuple[Harmony, ...]:
        """The harmonies of the whole."""
        return harmonies(Passage(self.part, 0, len(self.part.bars) - 1))

    @cached_property
    def _harmony_starts(self) -> list[int]:
        return [h.onset for h in self.harmonies]

    def harmony(self, tick: int) -> Harmony:
        """The harmony at a tick."""
        return self.harmonies[max(0, bisect.bisect_right(self._harmony_starts, tick) - 1)]

    @cached_property
    def homes(self) -> tuple[Mapping[str, int], ...]:
        """For each bar, the alteration of each letter that its section has most: the setting a
        player would leave the pedals in."""
        rows: list[Mapping[str, int]] = []
        for first, last in sections(self.part):
            rows += [_home(self.part, first, last, self.harp)] * (last - first + 1)
        return tuple(rows)

    @cached_property
    def home(self) -> Mapping[str, int]:
        """One setting for the whole piece."""
        return _home(self.part, 0, len(self.part.bars) - 1, self.harp)

    @cached_property
    def groups(self) -> tuple[tuple[int, ...], ...]:
        """Bars (indices) with the same notes, in order of their first: a passage that comes again
        is treated the same way everywhere."""
        rows: dict[tuple[object, ...], list[int]] = {}
        for bar in self.part.bars:
            key = (
                bar.duration, bar.beats, bar.beat_type,
                tuple(sorted(self.homes[bar.index].items())),
                tuple(
                    (n.onset - bar.onset, n.duration, n.pitch, n.staff, n.voice, n.grace, n.tie_in,
                     n.tie_out, n.id in self.tune, n.marks)
                    for n in self.part.notes_by_bar[bar.index]
                ),
            )
            rows.setdefault(key, []).append(bar.index)
        return tuple(tuple(row) for row in rows.values())


    @cached_property
    def figures(self) -> Mapping[str, tuple[tuple[int, ...], ...]]:
        """Bars (indices) with the same rhythm, in order of their first: that of the tune, for the
        dial that thins it, and that of what accompanies it, for those that thin that."""
        return {
            "tune": self._with_one_rhythm(True),
            **dict.fromkeys(("pace", "chords"), self._with_one_rhythm(False)),
        }

    def _with_one_rhythm(self, leading: bool) -> tuple[tuple[int, ...], ...]:
        rows: dict[tuple[object, ...], list[int]] = {}
        for bar in self.part.bars:
            notes = [
                note for note in self.part.notes_by_bar[bar.index]
                if (note.id in self.tune) == leading
            ]
            key = bar.duration, bar.beat_type, rhythm(bar, notes)
            rows.setdefault(key, []).append(bar.index)
        return tuple(tuple(row) for row in rows.values())


def basis_of(part: Part, harp: Instrument, tune: frozenset[NoteId] | None = None) -> Basis:
    """The basis of a part whose leading line is `tune` (found if not given)."""
    return Basis(part, find_tune(part) if tune is None else tune, harp)


def sections(part: Part) -> tuple[tuple[int, int], ...]:
    """Runs of bars (first, last) under one key signature."""
    runs: list[tuple[int, int]] = []
    for bar in part.bars:
        if runs and part.bars[runs[-1][0]].fifths == bar.fifths:
            runs[-1] = (runs[-1][0], bar.index)
        else:
            runs.append((bar.index, bar.index))
    return tuple(runs)


def _home(part: Part, first: int, last: int, harp: Instrument) -> Mapping[str, int]:
    """Most frequent alteration of each letter by written length; where none is written, the key's
    or the nearest the harp has."""
    weight: Counter[tuple[str, int]] = Counter()
    for row in part.notes_by_bar[first : last + 1]:
        for note in row:
            if note.pitch.alter in harp.positions(note.pitch.step):
                weight[note.pitch.step, note.pitch.alter] += note.duration
    key = in_key(part.bars[first].fifths)
    found = {}
    for letter, usual in key.items():
        options = harp.positions(letter)
        near = min(options, key=lambda alter, u=usual: abs(alter - u))  # type: ignore[misc]
        found[letter] = max(options, key=lambda a: (weight[letter, a], a == near))
    return found


# --- one bar ------------------------------------------------------------------------------------


def realise(basis: Basis, index: int, dials: Dials, player: Player) -> tuple[Note, ...]:
    """The notes of a bar with its dials turned so far."""
    part = basis.part
    notes = part.notes_by_bar[index]
    if dials == Dials() or not notes:
        return notes
    bar = part.bars[index]
    lead = [n for n in notes if n.id in basis.tune]
    rest = [n for n in notes if n.id not in basis.tune]
    lead, rest = _plain(lead, dials.tune), _plain(rest, max(dials.pace, dials.tune - 1))
    if dials.colour:
        rest = _in_home(basis, bar, rest, dials.colour, leading=False)
        lead = _in_home(basis, bar, lead, dials.colour, leading=True)
    lead = _tune(bar, lead, dials)
    rest = _accompaniment(basis, bar, lead, rest, dials, player)
    if dials.near:
        rest = _nearer(part, bar, rest, dials.near, player)
    if dials.chords:
        rest = _fitted(basis, lead, rest, dials.chords, player)
    if dials.free and not basis.harp.has_pedals:
        lead, rest = _freed(basis, bar, lead, rest, player)
    moved = [*lead, *rest]
    lowest = player.limits.right_low
    sided = [
        replace(n, staff=2, voice="5") if n.staff == 1 and n.pitch.string < lowest else n
        for n in moved
    ]
    return _written(bar, sided, {id(n) for n in sided[: len(lead)]}, notes)


class Rows:
    """The bars of a basis realised for a player, each bar with each setting of the dials once
    (mutable: what was realised is kept). span: the bars (first, last) that may change; what is tied
    into the first and out of the last of them stays, whatever the dials take."""

    def __init__(
        self, basis: Basis, player: Player, span: tuple[int, int] | None = None
    ) -> None:
        self.basis, self.player, self.span = basis, player, span
        self._rows: dict[tuple[int, Dials], tuple[Note, ...]] = {}
        self._words: dict[tuple[int, Dials], tuple[str, ...]] = {}

    def row(self, bar: int, dials: Dials) -> tuple[Note, ...]:
        """A bar's notes."""
        key = bar, dials
        if key not in self._rows:
            row = realise(self.basis, bar, dials, self.player)
            self._rows[key] = self._with_ties(bar, row)
        return self._rows[key]

    def _with_ties(self, bar: int, row: tuple[Note, ...]) -> tuple[Note, ...]:
        """A bar with what is tied over the edges of the bars that may change."""
        first, last = self.span or (-1, -1)
        part = self.basis.part
        start, end = part.bars[bar].onset, part.bars[bar].end

        def tied(notes: Iterable[Note]) -> dict[tuple[bool, int, int], Note]:
            found = {}
            for note in notes:
                if bar == first and note.tie_in and note.onset == start:
                    found[True, note.pitch.midi, note.staff] = note
                if bar == last and note.tie_out and note.end == end:
                    found[False, note.pitch.midi, note.staff] = note
            return found

        have, wanted = tied(row), tied(part.notes_by_bar[bar])
        if have.keys() == wanted.keys():
            return row
        kept = [note for note in row if note not in have.values()]
        places = {(note.onset, note.pitch.midi) for note in wanted.values()}
        others = [note for note in kept if (note.onset, note.pitch.midi) not in places]
        return enriched(self.basis, bar, others, wanted.values())

    def words(self, bar: int, dials: Dials) -> tuple[str, ...]:
        """What is done in a bar, without the dials that change nothing in it."""
        key = bar, dials
        if key not in self._words:
            goal, left = self.row(bar, dials), dials
            for name in WORDS:
                plain = left.turned(name, 0)
                if plain not in (left, Dials()) and self.row(bar, plain) == goal:
                    left = plain
            self._words[key] = left.words()
        return self._words[key]


def _plain(notes: Sequence[Note], far: int) -> list[Note]:
    """Without ornaments and tremolos from the first step on."""
    if not far:
        return list(notes)
    signs = ("trill", "mordent", "turn", "tremolo", "tremolo-start", "tremolo-stop", "slur-start",
             "slur-stop", "gliss-start", "gliss-stop")
    return [replace(n, marks=n.without(*signs)) for n in notes if not n.grace]


def _in_home(
    basis: Basis, bar: Bar, notes: Sequence[Note], far: int, *, leading: bool
) -> list[Note]:
    """Notes brought into the home setting: on another string of it with the same sound; else an
    accompanying one is left out (from step 3 on altered where it is alone), and one of the tune is
    left out where it passes off the beat, and altered from step 3 on."""
    home = basis.home if far >= 4 else basis.homes[bar.index]
    counts = Counter(n.onset for n in notes)
    found = []
    for note in notes:
        pitch = note.pitch
        if home[pitch.step] == pitch.alter:
            found.append(note)
            continue
        twin = next((p for p in pitch.spellings() if p.alter == home[p.step]), None)
        if twin is not None:
            found.append(replace(note, pitch=twin))
            continue
        if leading:
            if far < 2 or (far == 2 and (note.onset - bar.onset + bar.lead) % bar.pulse_ticks == 0):
                found.append(note)
            elif far >= 3:
                found.append(replace(note, pitch=_altered(pitch, home)))
        elif counts[note.onset] == 1 and far >= 3:
            found.append(replace(note, pitch=_altered(pitch, home)))
    return found


def _altered(pitch: Pitch, home: Mapping[str, int]) -> Pitch:
    """The sound of the home setting nearest to a pitch, its own string on a tie."""
    strings = [
        Pitch.on_string(string, home["CDEFGAB"[string % 7]])
        for string in range(pitch.string - 1, pitch.string + 2)
    ]
    return min(strings, key=lambda p: (abs(p.midi - pitch.midi), p.string != pitch.string))


def _grid(bar: Bar, step: int) -> int:
    """Ticks of a grid: 2 half beats, 3 beats, 4 half bars, 5 the bar."""
    pulses = max(1, bar.metre_ticks // bar.pulse_ticks)
    half = bar.metre_ticks // 2 if pulses % 2 == 0 else bar.metre_ticks
    compound = bar.pulse_ticks != bar.beat_ticks
    small = bar.beat_ticks if compound else bar.pulse_ticks // 2
    return {2: small, 3: bar.pulse_ticks, 4: half, 5: bar.metre_ticks}[step]


def _cell(bar: Bar, tick: int, grid: int) -> int:
    """Start of the grid's cell in which a tick lies, never before the bar."""
    place = tick - bar.onset + bar.lead
    return max(bar.onset, bar.onset - bar.lead + place // grid * grid)


def in_cells(bar: Bar, notes: Iterable[Note], grid: int) -> dict[int, list[Note]]:
    """Notes by the start of the grid's cell in which each begins."""
    cells: dict[int, list[Note]] = {}
    for note in notes:
        cells.setdefault(_cell(bar, note.onset, grid), []).append(note)
    return cells


def strongest(cell: int, notes: Sequence[Note]) -> Note:
    """The note of a cell that carries the line: the one on its start (struck there, or tied over
    into it: an anticipation), else the longest, else the first."""
    return min(notes, key=lambda n: (n.onset != cell, -n.duration, n.onset))


def _tune(bar: Bar, lead: Sequence[Note], dials: Dials) -> list[Note]:
    """The tune thinned to a grid and straightened."""
    kept = sorted(lead, key=lambda n: n.onset)
    if dials.tune >= 2:
        cells = in_cells(bar, kept, _grid(bar, dials.tune))
        kept = _held(kept, [strongest(cell, cells[cell]) for cell in sorted(cells)])
    if dials.rhythm >= 2:
        grid = _grid(bar, dials.rhythm)
        if dials.rhythm == MOST["rhythm"] and dials.tune >= 4:  # fewer notes than beats: on theirs
            grid = max(grid, _grid(bar, dials.tune))
        snapped: dict[int, Note] = {}
        for note in kept:
            cell = note.onset if note.tie_in else _cell(bar, note.onset, grid)
            if cell not in snapped:
                snapped[cell] = replace(note, onset=cell, duration=note.end - cell)
        kept = [snapped[cell] for cell in sorted(snapped)]
    return kept


def _held(tune: Sequence[Note], kept: Sequence[Note]) -> list[Note]:
    """The notes kept of a tune, each held through those after it that are gone, as far as the tune
    went on without a rest."""
    found: list[Note] = []
    ends = [note.onset for note in kept[1:]] + [max(note.end for note in tune)]
    for note, until in zip(kept, ends, strict=True):
        end = note.end
        for other in tune:
            if note.onset < other.onset < until and other.onset <= end:
                end = max(end, min(other.end, until))
        found.append(note if end == note.end else replace(note, duration=end - note.onset))
    return found


def _accompaniment(
    basis: Basis, bar: Bar, lead: Sequence[Note], rest: Sequence[Note], dials: Dials, player: Player
) -> list[Note]:
    """The rest of the music at its pace."""
    rest = sorted(rest, key=lambda n: (n.onset, n.pitch.midi))
    if dials.rhythm and dials.pace < 3:
        strong = {n.onset for n in lead}
        rest = [
            n if n.onset in strong or n.tie_in
            else replace(n, onset=(cell := _cell(bar, n.onset, bar.pulse_ticks)),
                         duration=n.end - cell)
            for n in rest
        ]
        rest = _once(rest)
    if not dials.pace:
        return list(rest)
    if dials.pace >= 3:
        return _gathered(basis, bar, lead, rest, dials.pace)
    pulse = bar.pulse_ticks
    if dials.pace == 2:
        grid = _grid(bar, 2)
        rest = [n for n in rest if _cell(bar, n.onset, grid) == n.onset or n.tie_in]
    tops: dict[int, list[int]] = defaultdict(list)
    for note in lead:
        tops[note.pitch.midi].append(note.onset)
    struck: dict[int, int] = {}
    found = []
    for note in rest:
        midi = note.pitch.midi
        again = midi in struck and note.onset - struck[midi] < pulse and not note.tie_in
        doubled = any(abs(at - note.onset) < pulse for at in tops[midi])
        if again or doubled:
            continue
        struck[midi] = note.onset
        found.append(note)
    return found


def _once(notes: Iterable[Note]) -> list[Note]:
    """Each sound of a moment once, the longest; one that is tied over into it goes on."""
    kept: dict[tuple[int, int], Note] = {}
    for note in sorted(notes, key=lambda n: (-n.duration, n.staff)):
        first = kept.setdefault((note.onset, note.pitch.midi), note)
        if note.tie_in and not first.tie_in:
            kept[note.onset, note.pitch.midi] = replace(note, duration=first.duration)
    return sorted(kept.values(), key=lambda n: (n.onset, n.pitch.midi))


def _gathered(
    basis: Basis, bar: Bar, lead: Sequence[Note], rest: Sequence[Note], pace: int
) -> list[Note]:
    """Chords once a beat (3), half bar (4) or bar (5), a bass once a bar (6), or nothing (7).

    A chord is the lowest note of its stretch (the first low one if that only passes) with the tones
    of the harmony there that are
    struck, each pitch class once; where the bass does not change it rings on, and only the chord is
    struck.
    """
    fresh = [n for n in rest if not n.tie_in]
    if pace >= 7 and lead:
        return []
    grid = _grid(bar, min(pace, 5))
    rows: dict[int, list[Note]] = defaultdict(list)
    for note in fresh:
        rows[_cell(bar, note.onset, grid)].append(note)
    found: list[Note] = []
    before: Note | None = None
    for cell in sorted(rows):
        own = sorted(rows[cell], key=lambda n: n.pitch.midi)
        first = min(n.onset for n in own)
        tones = basis.harmony(cell).classes
        low = own[0]
        if tones and low.pitch.pitch_class not in tones:  # a passing bass
            low = next(n for n in own if n.onset == first)
        end = min(bar.end, cell + grid)
        ring = before is not None and before.pitch.midi == low.pitch.midi
        chord: dict[int, Note] = {}
        sung = {n.pitch.midi for n in lead if cell <= n.onset < end}
        for note in own:
            if note is low or note.pitch.midi in sung or note.pitch.midi <= low.pitch.midi:
                continue
            if note.pitch.pitch_class == low.pitch.pitch_class:
                continue
            if tones and note.pitch.pitch_class not in tones:
                continue
            chord.setdefault(note.pitch.pitch_class, note)
        voices = list(chord.values())
        if pace >= 6:
            voices, ring = [], False
        if not (ring and voices and pace < 5):
            voices = [low, *voices]
        low_staff = 2 if any(n.staff == 2 for n in own) else 1
        for note in voices:
            staff = 2 if note is low else note.staff
            found.append(
                replace(
                    note, onset=cell, duration=end - cell, staff=max(staff, low_staff),
                    tuplet=(1, 1), tie_in=False, tie_out=False,
                    marks=note.without("slur-start", "slur-stop", "arpeggio", "tremolo"),
                )
            )
        before = low
    return found


def _nearer(
    part: Part, bar: Bar, rest: Sequence[Note], far: int, player: Player
) -> list[Note]:
    """The left hand's leaps of more than an octave made shorter: its chords an octave down
    towards the bass, then low basses an octave up."""
    rows: dict[int, list[Note]] = defaultdict(list)
    for note in rest:
        if note.staff == 2:
            rows[note.onset].append(note)
    moved: dict[int, Note] = {}
    before: list[Note] = []
    for onset in sorted(rows):
        own = rows[onset]
        if before:
            gap = min(n.pitch.string for n in own) - max(n.pitch.string for n in before)
            wide = max(n.pitch.string for n in own) - min(n.pitch.string for n in before)
            if wide > player.limits.reach and gap > 2 and not any(n.tie_in for n in own):
                down = [replace(n, pitch=at_octave(n.pitch, -1)) for n in own]
                lowest = min(n.pitch.string for n in down)
                if lowest > min(n.pitch.string for n in before) and lowest >= LOW_LINE - 4:
                    for old, new in zip(own, down, strict=True):
                        moved[id(old)] = new
                    own = down
                elif far >= 2 and len(before) == 1 and not before[0].tie_in:
                    first = before[0]
                    if min(n.pitch.string for n in own) - first.pitch.string > 7:
                        raised = replace(first, pitch=at_octave(first.pitch, 1))
                        for old in rest:
                            if moved.get(id(old), old) is first:
                                moved[id(old)] = raised
        before = own
    return [moved.get(id(note), note) for note in rest]


def _fitted(
    basis: Basis, lead: Sequence[Note], rest: Sequence[Note], far: int, player: Player
) -> list[Note]:
    """Chords that the two hands can hold: too many notes or too wide a hand loses octave
    doublings first, then the fifth, then inner notes; the tune stays, the bass goes last."""
    most = max(1, player.limits.notes_per_hand - (far - 1))
    if far >= MOST["chords"]:
        most = 1
    reach = player.limits.reach
    rows: dict[int, list[Note]] = defaultdict(list)
    for note in rest:
        rows[note.onset].append(note)
    sung: dict[int, list[Note]] = defaultdict(list)
    for note in lead:
        sung[note.onset].append(note)
    found: list[Note] = []
    for onset in sorted(rows):
        tops = sung[onset]
        own = _once(n for n in rows[onset] if n.pitch.midi not in {t.pitch.midi for t in tops})
        harmony = basis.harmony(onset)
        for staff in (1, 2):
            hand = [n for n in own if n.staff == staff]
            held = [t for t in tops if t.staff == staff]
            found += _one_hand(hand, held, tops, own, harmony, staff, most, reach)
    return _apart(found, sung)


def _one_hand(
    hand: list[Note], held: Sequence[Note], tops: Sequence[Note], every: Sequence[Note],
    harmony: Harmony, staff: int, most: int, reach: int,
) -> list[Note]:
    """The accompanying notes that stay in a hand which also holds `held` of the tune."""
    hand = list(hand)
    low = min(every, key=lambda n: n.pitch.midi, default=None)

    def worth(note: Note) -> tuple[int, ...]:
        """Who goes first: the smallest."""
        others = [*every, *tops]
        doubled = any(
            o is not note and o.pitch.pitch_class == note.pitch.pitch_class for o in others
        )
        fifth = (note.pitch.pitch_class - harmony.root) % 12 == 7
        third = note.pitch.pitch_class == harmony.third
        return (note is low, not doubled, third, not fifth, -abs(note.pitch.midi - 57))

    def strings() -> list[int]:
        return sorted(n.pitch.string for n in (*hand, *held))

    while hand:
        row = strings()
        wide = row[-1] - row[0] > reach
        muddy = any(a < LOW_LINE and b - a < OPEN_LOW for a, b in itertools.pairwise(row))
        if len(row) <= most and not wide and not (muddy and staff == 2):
            return hand
        if wide and len(row) == 2 and len(held) == 1 and hand[0] is low and staff == 1:
            return [replace(hand[0], staff=2, voice="5")]
        if wide and len(row) <= most:
            middle = held[0].pitch.string if held else (low or hand[0]).pitch.string
            far = max(hand, key=lambda n: (n is not low, abs(n.pitch.string - middle)))
            back = -1 if far.pitch.string > middle else 1
            folded = replace(far, pitch=at_octave(far.pitch, back))
            hand = [n for n in hand if n is not far]
            if folded.pitch.string not in strings() and _span([*hand, *held, folded]) <= reach:
                hand.append(folded)
            continue
        hand.remove(min(hand, key=worth))
    return hand


def _span(notes: Sequence[Note]) -> int:
    strings = [n.pitch.string for n in notes]
    return max(strings) - min(strings)


def _apart(found: Sequence[Note], sung: Mapping[int, Sequence[Note]]) -> list[Note]:
    """Hands that do not reach through each other: notes of the lower staff at or above the lowest
    of the upper one go, and the other way round where the tune lies below."""
    rows: dict[int, list[Note]] = defaultdict(list)
    for note in found:
        rows[note.onset].append(note)
    kept: list[Note] = []
    for onset, own in rows.items():
        tops = list(sung.get(onset, ()))
        upper = [n.pitch.string for n in (*own, *tops) if n.staff == 1]
        for note in own:
            if note.staff == 2 and upper and note.pitch.string >= min(upper):
                continue
            if any(t.staff == 2 and note.staff == 1 and note.pitch.string <= t.pitch.string
                   for t in tops):
                continue
            kept.append(note)
    return kept


def _freed(
    basis: Basis, bar: Bar, lead: Sequence[Note], rest: Sequence[Note], player: Player
) -> tuple[list[Note], list[Note]]:
    """(tune, accompaniment) with the left hand free before each note whose lever has to be turned:
    what it struck in that time goes into a chord that the right hand rolls, if there is one within
    its reach, else it is left out (place one big rolled chord to free the left hand for the lever:
    Trotter and Coursen, as harpists' practice)."""
    seconds, needed = basis.part.seconds, lever_gap(player)
    state: dict[int, int] = {}
    turns = []
    for note in sorted((*lead, *rest), key=lambda n: n.onset):
        before = state.get(note.pitch.string, basis.homes[bar.index][note.pitch.step])
        if note.pitch.alter != before and not note.tie_in:
            turns.append(note.onset)
        state[note.pitch.string] = note.pitch.alter
    rolled: set[int] = set()
    kept: list[Note] = []
    for note in rest:
        begins = seconds(note.onset)
        late = any(
            note.onset < turn and seconds(turn) - begins < needed - 1e-6 for turn in turns
        )
        if note.staff == 1 or note.tie_in or not late:
            kept.append(note)
            continue
        hand = [n for n in (*lead, *rest) if n.staff == 1 and n.onset == note.onset]
        hand += [n for n in kept if n.onset == note.onset and n not in hand and n.staff == 1]
        if (
            hand and len(hand) < player.limits.notes_per_hand
            and _span([*hand, note]) <= player.limits.reach
            and min(n.pitch.string for n in (*hand, note)) >= player.limits.right_low
        ):
            rolled.add(note.onset)
            kept.append(replace(note, staff=1, voice="1", duration=max(n.duration for n in hand)))
    return _rolled(lead, rolled), _rolled(kept, rolled)


def _rolled(notes: Iterable[Note], onsets: set[int]) -> list[Note]:
    """The notes with those of the upper staff at these onsets under a sign to roll them."""
    return [
        replace(n, marks=tuple(sorted({*n.marks, Mark("arpeggio")})))
        if n.staff == 1 and n.onset in onsets and not n.grace and not n.has("arpeggio") else n
        for n in notes
    ]


# --- notation -----------------------------------------------------------------------------------

_TUPLETS = ((3, 2), (5, 4), (6, 4), (7, 4), (9, 8))


def _written(
    bar: Bar, notes: Sequence[Note], lead: set[int], source: Sequence[Note]
) -> tuple[Note, ...]:
    """The notes as clean notation: on each staff the tune in the first voice with the chord that
    goes with it, the rest in a second voice where it moves against a held note, values up to the
    next note where no more than a beat lies between."""
    graces = [n for n in notes if n.grace]
    found: list[Note] = []
    for staff, first, second in ((1, "1", "2"), (2, "5", "6")):
        own = [n for n in notes if n.staff == staff and not n.grace]
        if not own:
            continue
        tops = sorted({n.onset for n in own if id(n) in lead})
        if tops:
            main = [n for n in own if n.onset in tops]
            rest = [n for n in own if n.onset not in tops]
            held = {
                at: max(n.end for n in main if n.onset == at and id(n) in lead) for at in tops
            }
            if rest and not any(at < n.onset < held[at] for n in rest for at in tops):
                main, rest = own, []
        else:
            main, rest = own, []
        for voice, members in ((first, main), (second, rest)):
            if members:
                found += _voice(bar, members, voice, source)
    for note in graces:
        voice = "1" if note.staff == 1 else "5"
        if any(n.onset == note.onset and n.staff == note.staff for n in found):
            found.append(replace(note, voice=voice))
    unique: dict[tuple[int, int, int], Note] = {}
    for note in found:
        unique.setdefault((note.onset, note.pitch.midi, note.grace), note)
    taken = {(n.onset, n.pitch.midi, n.staff) for n in unique.values() if n.tie_in}
    return tuple(
        sorted(
            (
                new_note(
                    n.onset, n.duration, n.pitch, n.bar, staff=n.staff, voice=n.voice,
                    grace=n.grace, tie_in=n.tie_in,
                    tie_out=n.tie_out
                    and (n.end == bar.end or (n.end, n.pitch.midi, n.staff) in taken),
                    tuplet=n.tuplet, hand=n.hand, marks=n.marks,
                )
                for n in unique.values()
            ),
            key=lambda n: n.order_key,
        )
    )


def enriched(
    basis: Basis, index: int, row: Sequence[Note], back: Iterable[Note]
) -> tuple[Note, ...]:
    """A bar's notes (`row`) and besides them some of the source's, as clean notation; what sounds
    in the row already stays as it is there."""
    bar, source = basis.part.bars[index], basis.part.notes_by_bar[index]
    sung = {(n.onset, n.pitch.midi) for n in source if n.id in basis.tune}
    struck = {(n.onset, n.pitch.midi) for n in row if not n.grace}
    every = [*row, *(n for n in back if (n.onset, n.pitch.midi) not in struck)]
    lead = {id(n) for n in every if (n.onset, n.pitch.midi) in sung}
    return _written(bar, every, lead, source)


def _voice(
    bar: Bar, members: Sequence[Note], voice: str, source: Sequence[Note]
) -> list[Note]:
    """One voice: every chord one value, up to the next chord or a written rest, as far as one value
    has that length (see `_cuts`)."""
    rows: dict[int, list[Note]] = defaultdict(list)
    for note in members:
        rows[note.onset].append(note)
    onsets = sorted(rows)
    found = []
    for onset, after in zip(onsets, [*onsets[1:], bar.end], strict=True):
        own = rows[onset]
        end = min(after, max(n.end for n in own))
        if after - end <= bar.pulse_ticks:
            end = after
        else:
            cell = _cell(bar, end + bar.pulse_ticks - 1, bar.pulse_ticks)
            end = min(after, max(end, cell))
        cuts = _cuts(bar, onset, end, own, source)
        for start, stop in itertools.pairwise((onset, *cuts)):
            tuplet = _tuplet_of(bar, start, stop, own, source)
            for note in own:
                found.append(
                    replace(
                        note, onset=start, duration=stop - start, voice=voice, tuplet=tuplet,
                        tie_in=note.tie_in if start == onset else True,
                        tie_out=note.tie_out if stop == cuts[-1] else True,
                        marks=note.marks if start == onset else (),
                    )
                )
    return found


def _cuts(
    bar: Bar, onset: int, end: int, own: Sequence[Note], source: Sequence[Note]
) -> tuple[int, ...]:
    """Where the values end that say a chord: one, if one has that length. Else the longest that is
    shorter, and a rest after it, or two tied together if the chord is tied on."""

    def one(start: int, stop: int) -> bool:
        return is_value(stop - start, _tuplet_of(bar, start, stop, own, source))

    if one(onset, end):
        return (end,)
    ends = {onset + ticks for ticks in PLAIN_VALUES} | {n.end for n in own}
    shorter = sorted((at for at in ends if onset < at < end and one(onset, at)), reverse=True)
    if not any(n.tie_out for n in own):
        return (shorter[0] if shorter else end,)
    return next(((at, end) for at in shorter if one(at, end)), (end,))


def _tuplet_of(
    bar: Bar, onset: int, end: int, own: Sequence[Note], source: Sequence[Note]
) -> tuple[int, int]:
    """The ratio that says this stretch of time, (1, 1) if plain values do."""
    if (onset - bar.onset) % (TICKS // 16) == 0 and (end - bar.onset) % (TICKS // 16) == 0:
        return (1, 1)
    tried = [n.tuplet for n in own if n.tuplet != (1, 1)]
    tried += [n.tuplet for n in source if n.tuplet != (1, 1) and n.onset <= onset < n.end]
    for ratio in (*tried, *_TUPLETS):
        if is_value(end - onset, ratio):
            return ratio
    return tried[0] if tried else (3, 2)


def assembled(basis: Basis, rows: Mapping[int, tuple[Note, ...]]) -> Part:
    """The whole part from its bars' notes, every tie with both ends. A note of the tune whose
    anticipation before the bar line has gone is struck where it was tied over."""
    notes = [
        note for bar in basis.part.bars
        for note in rows.get(bar.index, basis.part.notes_by_bar[bar.index])
    ]
    ends = {(n.end, n.pitch.midi, n.staff) for n in notes if n.tie_out}
    sung = {
        (n.onset, n.pitch.midi) for n in basis.part.notes if n.id in basis.tune and n.tie_in
    }
    notes = [
        new_note(
            n.onset, n.duration, n.pitch, n.bar, staff=n.staff, voice=n.voice, grace=n.grace,
            tie_out=n.tie_out, tuplet=n.tuplet, hand=n.hand, marks=n.marks,
        )
        if n.tie_in and (n.onset, n.pitch.midi) in sung
        and (n.onset, n.pitch.midi, n.staff) not in ends else n
        for n in notes
    ]
    notes.sort(key=lambda n: n.order_key)
    return mended(replace(basis.part, notes=tuple(notes)))
