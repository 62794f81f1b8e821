"""The music as immutable values: pitch, note, bar, part, passage, edit.

Time is integer ticks, `TICKS` to the quarter note, counted from the start of the part as it is
written (repeats are not unfolded). Nothing here knows a file format, a hand or a pedal.

The order of a part's notes is `Note.order_key`; every tuple of notes that leaves this module is
in that order. Ids of source notes are 0, 1, 2 ... in source order; a note that an edit adds has a
negative id derived from its content, so that edits which touch different notes commute.
"""

from __future__ import annotations

import bisect
import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cached_property

from simplify.errors import EditError

TICKS = 10080
"""Ticks per quarter note: 2^5 * 3^2 * 5 * 7, so that every tuplet of 2 to 10 down to 32nds and
triplet 64ths is a whole number. Larger buys rarer tuplets, smaller would refuse common ones."""

STEPS = "CDEFGAB"
STEP_SEMITONES = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
ALTER_SIGNS = {-2: "𝄫", -1: "♭", 0: "♮", 1: "♯", 2: "𝄪"}

NoteId = int


@dataclass(frozen=True, slots=True)
class Pitch:
    """A spelled pitch: letter, alteration in semitones (-2..2), octave (4 starts at middle C)."""

    step: str
    alter: int
    octave: int
    midi: int = field(init=False, repr=False, compare=False)
    """MIDI key number: 60 is middle C."""

    def __post_init__(self) -> None:
        if self.step not in STEP_SEMITONES:
            raise ValueError(f"step must be one of {STEPS}, got {self.step!r}")
        if not -2 <= self.alter <= 2:
            raise ValueError(f"alter must lie in -2..2, got {self.alter!r}")
        midi = 12 * (self.octave + 1) + STEP_SEMITONES[self.step] + self.alter
        object.__setattr__(self, "midi", midi)

    @property
    def pitch_class(self) -> int:
        """0..11, C is 0."""
        return self.midi % 12

    @property
    def string(self) -> int:
        """Number of the string: 7 * octave + letter index (C is 0). C4 is 28; neighbours by 1."""
        return 7 * self.octave + STEPS.index(self.step)

    @property
    def name(self) -> str:
        """Printed name such as ``F♯4`` or ``C4`` (naturals carry no sign)."""
        return f"{self.step}{ALTER_SIGNS[self.alter] if self.alter else ''}{self.octave}"

    @staticmethod
    def on_string(string: int, alter: int) -> Pitch:
        """The pitch of a string number at a pedal or lever position (-1, 0, 1)."""
        return Pitch(STEPS[string % 7], alter, string // 7)

    def spellings(self) -> tuple[Pitch, ...]:
        """Every string of a pedal harp that gives this sound (alter -1..1), this spelling first.

        D, G and A natural have one string, the other nine pitch classes two (computed).
        """
        found = []
        for string in range(self.string - 2, self.string + 3):
            if string < 0:
                continue
            for alter in (-1, 0, 1):
                candidate = Pitch.on_string(string, alter)
                if candidate.midi == self.midi:
                    found.append(candidate)
        found.sort(key=lambda p: (p != self, abs(p.string - self.string), p.string))
        return tuple(found)


@dataclass(frozen=True, slots=True, order=True)
class Mark:
    """Something printed at a note that changes how it is played.

    Kinds in use: arpeggio (value '', up, down), non-arpeggio, trill, mordent, turn, tremolo
    (value: strokes), tremolo-start, tremolo-stop, gliss-start, gliss-stop (value: number),
    harmonic, etouffe, nail, staccato, staccatissimo, accent, strong-accent, tenuto, fermata,
    slur-start, slur-stop (value: number), let-ring, finger (value 1-4), cue, lyric.
    """

    kind: str
    value: str = ""

    @property
    def strokes(self) -> int:
        """Of a tremolo: strokes through the stem; three, which is unmeasured, if it does not say.
        """
        return int(self.value) if self.value.isdigit() else 3


@dataclass(frozen=True, slots=True)
class Note:
    """One written note (a member of a chord is a note of its own).

    onset, duration: ticks; a grace note has duration 0 and `grace` k >= 1: the k-th grace note
    from the left before the main note at the same onset. `bar` is the index in `Part.bars`.
    `staff` is 1 (upper) or 2 (lower): register, not hand. `hand` is 'L', 'R' or '': what the
    source or an edit asks for. `tuplet` is (actual, normal), (3, 2) for a triplet.
    tie_in: continues an earlier note on the same string, not struck again; tie_out: goes on.
    """

    id: NoteId
    onset: int
    duration: int
    pitch: Pitch
    bar: int
    staff: int = 1
    voice: str = "1"
    grace: int = 0
    tie_in: bool = False
    tie_out: bool = False
    tuplet: tuple[int, int] = (1, 1)
    hand: str = ""
    marks: tuple[Mark, ...] = ()

    @property
    def end(self) -> int:
        """Tick at which the written value ends."""
        return self.onset + self.duration

    @property
    def order_key(self) -> tuple[int, int, int, int, str, int]:
        """Onset, then grace notes in order before main notes, then staff, pitch, voice, id."""
        return (
            self.onset,
            -(1000 - self.grace) if self.grace else 0,
            self.staff,
            self.pitch.midi,
            self.voice,
            self.id,
        )

    def has(self, kind: str) -> bool:
        """True if a mark of this kind is printed at the note."""
        return bool(self.marks) and any(mark.kind == kind for mark in self.marks)

    def mark(self, kind: str) -> Mark | None:
        """The first mark of this kind, or None."""
        return next((mark for mark in self.marks if mark.kind == kind), None)

    def without(self, *kinds: str) -> tuple[Mark, ...]:
        """The note's marks but for these kinds."""
        return tuple(mark for mark in self.marks if mark.kind not in kinds)

    def content(self) -> tuple[object, ...]:
        """All but the id: equal contents are the same note in sound and in writing."""
        return (
            self.onset, self.duration, self.pitch.step, self.pitch.alter, self.pitch.octave,
            self.bar, self.staff, self.voice, self.grace, self.tie_in, self.tie_out,
            self.tuplet, self.hand, tuple((m.kind, m.value) for m in self.marks),
        )


def new_note(
    onset: int,
    duration: int,
    pitch: Pitch,
    bar: int,
    *,
    staff: int = 1,
    voice: str = "1",
    grace: int = 0,
    tie_in: bool = False,
    tie_out: bool = False,
    tuplet: tuple[int, int] = (1, 1),
    hand: str = "",
    marks: Iterable[Mark] = (),
) -> Note:
    """A note for `Edit.add`: its negative id is a digest of its content, so that the same note
    has the same id whatever else has been edited before."""
    kept = tuple(sorted(marks))
    # The bar index follows from the onset; leaving it out keeps the id in a `Part.window`.
    content = (
        onset, duration, pitch.step, pitch.alter, pitch.octave, 0, staff, voice, grace, tie_in,
        tie_out, tuplet, hand, tuple((mark.kind, mark.value) for mark in kept),
    )
    digest = hashlib.blake2b(repr(content).encode(), digest_size=6).digest()
    return Note(
        -1 - int.from_bytes(digest, "big"), onset, duration, pitch, bar, staff, voice, grace,
        tie_in, tie_out, tuplet, hand, kept,
    )


def _in_bar(note: Note, bar: int) -> Note:
    """The note with its bar told as another index (faster than `replace`)."""
    return Note(
        note.id, note.onset, note.duration, note.pitch, bar, note.staff, note.voice, note.grace,
        note.tie_in, note.tie_out, note.tuplet, note.hand, note.marks,
    )


def changed(note: Note, **fields: object) -> Note:
    """A copy of `note` with these fields changed, as a new note for `Edit.add`."""
    draft = replace(note, **fields)  # type: ignore[arg-type]
    return new_note(
        draft.onset, draft.duration, draft.pitch, draft.bar, staff=draft.staff,
        voice=draft.voice, grace=draft.grace, tie_in=draft.tie_in, tie_out=draft.tie_out,
        tuplet=draft.tuplet, hand=draft.hand, marks=draft.marks,
    )


@dataclass(frozen=True, slots=True)
class Bar:
    """One written bar. `number` is the printed one ('0' or 'X1' are legal in MusicXML).

    onset, duration: ticks, the real length (a pickup is shorter than its metre).
    beats, beat_type: the metre in force; fifths: the key signature in force (-7..7).
    lead: ticks by which the first beat of the metre lies before the bar's start (pickups: the
    bar ends on the bar line, so lead = metre length - duration; else 0).
    """

    index: int
    number: str
    onset: int
    duration: int
    beats: int
    beat_type: int
    fifths: int = 0
    lead: int = 0
    repeat_start: bool = False
    repeat_end: bool = False
    ending: str = ""
    rehearsal: str = ""

    @property
    def end(self) -> int:
        """Tick of the bar line that closes the bar."""
        return self.onset + self.duration

    @property
    def beat_ticks(self) -> int:
        """Ticks of the metre's beat unit (its denominator)."""
        return 4 * TICKS // self.beat_type

    @property
    def metre_ticks(self) -> int:
        """Ticks of a full bar of this metre."""
        return self.beats * self.beat_ticks

    @property
    def pulse_ticks(self) -> int:
        """Ticks of the felt beat: three units in compound metres (6/8, 9/8, 12/8), else one."""
        compound = self.beat_type >= 8 and self.beats % 3 == 0 and self.beats > 3
        return self.beat_ticks * (3 if compound else 1)

    def beat(self, tick: int) -> float:
        """1-based beat of a tick in units of the metre's denominator."""
        return float(1 + Fraction(tick - self.onset + self.lead, self.beat_ticks))


@dataclass(frozen=True, slots=True)
class TempoMark:
    """From `onset` on the music goes at `quarters` quarter notes a minute."""

    onset: int
    quarters: float


@dataclass(frozen=True, slots=True)
class Dynamic:
    """A dynamic sign (pp, mf, sfz ...) at a tick."""

    onset: int
    level: str


@dataclass(frozen=True, slots=True)
class GivenSetting:
    """A pedal setting or single move that the source prints: letter to position (-1, 0, 1).

    `full` when all seven letters are given.
    """

    onset: int
    positions: tuple[tuple[str, int], ...]

    @property
    def full(self) -> bool:
        """True when all seven pedals are named."""
        return len(self.positions) == 7


@dataclass(frozen=True)
class Part:
    """One player's music. Not slotted, so that derived tables can be cached on the value.

    `notes` are sorted by `Note.order_key`; `bars` by index; `tempo` by onset, never empty.
    `assumed_tempo` tells that the source has no tempo mark and the default was taken. `around` is
    what the other parts of the score play, where that is known: main notes sorted by onset, whose
    `voice` is the other part's name. It is context and never changes.
    """

    id: str
    name: str
    bars: tuple[Bar, ...]
    notes: tuple[Note, ...]
    tempo: tuple[TempoMark, ...]
    dynamics: tuple[Dynamic, ...] = ()
    given: tuple[GivenSetting, ...] = ()
    assumed_tempo: bool = False
    around: tuple[Note, ...] = ()

    def __post_init__(self) -> None:
        if not self.bars:
            raise ValueError("a part needs at least one bar")
        if not self.tempo:
            raise ValueError("a part needs a tempo")

    @cached_property
    def by_id(self) -> dict[NoteId, Note]:
        """Note of each id."""
        return {note.id: note for note in self.notes}

    @cached_property
    def _bar_starts(self) -> list[int]:
        return [bar.onset for bar in self.bars]

    @cached_property
    def _tempo_table(self) -> tuple[list[int], list[float]]:
        """Onset ticks of the tempo marks and the seconds at which each falls."""
        ticks, seconds = [self.tempo[0].onset], [0.0]
        for before, mark in zip(self.tempo, self.tempo[1:], strict=False):
            span = (mark.onset - before.onset) / TICKS * 60.0 / before.quarters
            ticks.append(mark.onset)
            seconds.append(seconds[-1] + span)
        return ticks, seconds

    @cached_property
    def notes_by_bar(self) -> tuple[tuple[Note, ...], ...]:
        """Notes of each bar, in order."""
        table: list[list[Note]] = [[] for _ in self.bars]
        for note in self.notes:
            table[note.bar].append(note)
        return tuple(tuple(row) for row in table)

    @cached_property
    def strikes(self) -> tuple[Strike, ...]:
        """What is really plucked: tie chains joined, grace notes placed before their note."""
        return _strikes(self)

    @property
    def end(self) -> int:
        """Tick of the final bar line."""
        return self.bars[-1].end

    def bar_at(self, tick: int) -> Bar:
        """The bar that holds a tick (the last bar for the very end)."""
        at = bisect.bisect_right(self._bar_starts, tick) - 1
        return self.bars[max(0, min(at, len(self.bars) - 1))]

    def seconds(self, tick: int) -> float:
        """Seconds from the start of the part to a tick, by the tempo map."""
        ticks, seconds = self._tempo_table
        at = max(0, bisect.bisect_right(ticks, tick) - 1)
        return seconds[at] + (tick - ticks[at]) / TICKS * 60.0 / self.tempo[at].quarters

    def place(self, tick: int) -> tuple[str, float]:
        """Printed bar number and beat of a tick."""
        bar = self.bar_at(tick)
        return bar.number, round(bar.beat(tick), 4)

    def apply(self, edit: Edit) -> Part:
        """The part with the edit's notes removed and added.

        Raises:
            EditError: a note to remove is not there, or a note to add is already there, lies
                outside its bar, or is a source id.
        """
        return self.apply_all((edit,))

    def apply_all(self, edits: Iterable[Edit]) -> Part:
        """The part with several edits applied one after the other; only the bars they touch are
        built anew.

        Raises:
            EditError: as `apply`, for the first edit that does not fit.
        """
        rows: dict[int, dict[NoteId, Note]] = {}
        home = {note_id: note.bar for note_id, note in self.by_id.items()}

        def row(bar: int) -> dict[NoteId, Note]:
            if bar not in rows:
                rows[bar] = {note.id: note for note in self.notes_by_bar[bar]}
            return rows[bar]

        for edit in edits:
            missing = sorted(edit.remove - home.keys())
            if missing:
                raise EditError(
                    f"part {self.name}: edit '{edit.reason}' removes notes {missing} that are not "
                    "there; apply edits only to the part they were proposed for"
                )
            for note_id in edit.remove:
                del row(home[note_id])[note_id]
                del home[note_id]
            for note in edit.add:
                bar = self.bars[note.bar]
                if note.id >= 0 or not bar.onset <= note.onset <= note.end <= bar.end:
                    raise EditError(
                        f"part {self.name} bar {bar.number}: edit '{edit.reason}' adds "
                        f"{note.pitch.name} outside its bar or with a source id; build it "
                        "with new_note() inside one bar"
                    )
                if note.id in home:
                    raise EditError(
                        f"part {self.name} bar {bar.number}: edit '{edit.reason}' adds "
                        f"{note.pitch.name} twice; leave out the second"
                    )
                row(note.bar)[note.id] = note
                home[note.id] = note.bar
        table = list(self.notes_by_bar)
        for bar_index, notes in rows.items():
            table[bar_index] = tuple(sorted(notes.values(), key=lambda n: n.order_key))
        new = replace(self, notes=tuple(note for notes in table for note in notes))
        new.__dict__["notes_by_bar"] = tuple(table)
        return new

    def window(self, first: int, last: int) -> Part:
        """Bars first..last as a part of their own: bar indices from 0, ticks and note ids kept."""
        bars = tuple(
            replace(bar, index=i) for i, bar in enumerate(self.bars[first : last + 1])
        )
        rows = self.notes_by_bar[first : last + 1]
        if first:
            rows = tuple(tuple(_in_bar(note, i) for note in row) for i, row in enumerate(rows))
        low, high = bars[0].onset, bars[-1].end
        around = tuple(
            _in_bar(note, note.bar - first) for note in self.around if low <= note.onset < high
        )
        new = replace(
            self, bars=bars, notes=tuple(note for row in rows for note in row), around=around
        )
        new.__dict__["notes_by_bar"] = rows
        return new

    def alone(self) -> Part:
        """The part without what the other parts play."""
        new = replace(self, around=())
        new.__dict__["notes_by_bar"] = self.notes_by_bar
        return new

    def at_tempo(self, quarters: float) -> Part:
        """The part at one steady tempo, in quarter notes a minute."""
        return replace(self, tempo=(TempoMark(0, quarters),), assumed_tempo=False)


@dataclass(frozen=True, slots=True)
class Strike:
    """One pluck of a string (or a grace note's): the notes of a tie chain seen as one.

    notes: ids in time order; onset, end: ticks of the whole written sound; `lead` is how many
    grace notes before the main note it comes (0: on the onset). `first` is the head note.
    """

    notes: tuple[NoteId, ...]
    first: Note
    onset: int
    end: int
    lead: int = 0

    @property
    def pitch(self) -> Pitch:
        """Written pitch."""
        return self.first.pitch


def _strikes(part: Part) -> tuple[Strike, ...]:
    """Joins tie chains (a tie_in note goes to the nearest open chain of its sound that ends where
    it begins, same voice preferred; without one it counts as struck)."""
    graces: dict[tuple[int, str], int] = {}
    for note in part.notes:
        if note.grace:
            key = (note.onset, note.voice)
            graces[key] = max(graces.get(key, 0), note.grace)
    open_chains: dict[tuple[int, int], list[int]] = {}
    chains: list[list[Note]] = []
    for note in part.notes:
        if note.tie_in and not note.grace:
            waiting = open_chains.get((note.onset, note.pitch.midi), [])
            if waiting:
                best = min(waiting, key=lambda c: (chains[c][-1].voice != note.voice, c))
                waiting.remove(best)
                chains[best].append(note)
                if note.tie_out:
                    open_chains.setdefault((note.end, note.pitch.midi), []).append(best)
                continue
        chains.append([note])
        if note.tie_out and not note.grace:
            open_chains.setdefault((note.end, note.pitch.midi), []).append(len(chains) - 1)
    strikes: list[Strike] = []
    for chain in chains:
        head = chain[0]
        ids = (head.id,) if len(chain) == 1 else tuple([note.id for note in chain])
        lead = graces[(head.onset, head.voice)] - head.grace + 1 if head.grace else 0
        strikes.append(Strike(ids, head, head.onset, chain[-1].end, lead))
    return tuple(strikes)


@dataclass(frozen=True, slots=True)
class Passage:
    """Bars first..last (indices, both included) of a part: what a strategy looks at."""

    part: Part
    first: int
    last: int

    def __post_init__(self) -> None:
        if not 0 <= self.first <= self.last < len(self.part.bars):
            raise ValueError(f"bars {self.first}..{self.last} of {len(self.part.bars)}")

    @property
    def bars(self) -> tuple[Bar, ...]:
        """The passage's bars."""
        return self.part.bars[self.first : self.last + 1]

    @property
    def onset(self) -> int:
        """First tick."""
        return self.part.bars[self.first].onset

    @property
    def end(self) -> int:
        """Tick after the last."""
        return self.part.bars[self.last].end

    @property
    def notes(self) -> tuple[Note, ...]:
        """Notes of these bars, in order."""
        return tuple(
            note for row in self.part.notes_by_bar[self.first : self.last + 1] for note in row
        )

    @property
    def strikes(self) -> tuple[Strike, ...]:
        """Strikes whose head lies in these bars, in order."""
        return tuple(s for s in self.part.strikes if self.first <= s.first.bar <= self.last)

    def chords(self, staff: int | None = None) -> Iterator[tuple[int, tuple[Strike, ...]]]:
        """(onset, strikes low to high) for each onset, grace notes left out, in time order."""
        rows: dict[int, list[Strike]] = {}
        for strike in self.strikes:
            if not strike.lead and (staff is None or strike.first.staff == staff):
                rows.setdefault(strike.onset, []).append(strike)
        for onset in sorted(rows):
            yield onset, tuple(sorted(rows[onset], key=lambda s: (s.pitch.midi, s.first.id)))

    def of(self, part: Part) -> Passage:
        """The same bars of another version of the part."""
        return Passage(part, self.first, self.last)


@dataclass(frozen=True, slots=True)
class Edit:
    """A change as data: notes (by id) to remove, notes to add, and a reason for a musician.

    A note that changes is removed and added again (see `changed`). `strategy` is filled in by the
    engine.
    """

    remove: frozenset[NoteId]
    add: tuple[Note, ...]
    reason: str
    strategy: str = ""

    def __post_init__(self) -> None:
        if not self.remove and not self.add:
            raise ValueError(f"edit {self.reason!r} changes nothing")
        object.__setattr__(self, "add", tuple(sorted(self.add, key=lambda n: n.order_key)))

    def clashes(self, other: Edit) -> bool:
        """True if both touch the same note (they can't both be applied as they are)."""
        return bool(
            self.remove & other.remove
            or {n.id for n in self.add} & {n.id for n in other.add}
            or self.remove & {n.id for n in other.add}
            or other.remove & {n.id for n in self.add}
        )

    def bars(self, part: Part) -> tuple[int, int]:
        """First and last bar index touched, read on the part the edit applies to."""
        touched = [part.by_id[i].bar for i in self.remove] + [n.bar for n in self.add]
        return min(touched), max(touched)


@dataclass(frozen=True, slots=True)
class ScoreInfo:
    """What the reports say of the score a part came from."""

    title: str
    path: str
    source_format: str
    warnings: tuple[str, ...] = field(default=())
