"""What the strategies share: places in a passage, and drafts that become clean edits.

A strategy looks at `columns` (what one staff strikes at one moment) and gathers its changes in a
`Draft`. The draft works on whole strikes, never on half a tie chain, and `Draft.edit` leaves
notation behind that a player reads at sight:

- a dropped note is covered by the note before it in its voice where a plain written value fits,
  else a rest on a clean part of the beat is left; otherwise there is no edit;
- within a voice no two notes overlap unless they are one chord;
- grace notes go or move with their main note, slurs find a new end, a one-note arpeggio sign goes;
- a note that lands on a string already struck at that moment is merged into it.

Nothing here knows a strategy. Times are ticks; string distances are in strings
(`Pitch.string`: an octave is 7).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from simplify.score.harmony import Harmony
from simplify.score.lines import melody
from simplify.score.model import (
    STEP_SEMITONES,
    TICKS,
    Bar,
    Edit,
    Mark,
    Note,
    NoteId,
    Part,
    Passage,
    Pitch,
    Strike,
    changed,
)

GRID = TICKS // 4
"""Rests that a dropped note leaves start and end on this grid (a sixteenth): finer ones read as
debris, coarser would refuse ordinary sixteenth figures (estimate)."""

SCALE_STEPS = {"F": 0, "C": 1, "G": 2, "D": 3, "A": 4, "E": 5, "B": 6}
"""Order of the sharps (common practice)."""

_PAIRED = ("tremolo", "gliss")
_OF_THE_CHORD = frozenset(
    {"fermata", "staccato", "staccatissimo", "accent", "strong-accent", "tenuto", "lyric"}
)
"""Signs that belong to a chord but stand at one of its notes."""


# Places ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Column:
    """What one staff strikes at one moment, grace notes left out; strikes low to high."""

    bar: Bar
    staff: int
    onset: int
    strikes: tuple[Strike, ...]

    @property
    def low(self) -> Strike:
        """The lowest."""
        return self.strikes[0]

    @property
    def high(self) -> Strike:
        """The highest."""
        return self.strikes[-1]

    @property
    def span(self) -> int:
        """Strings from the lowest to the highest."""
        return self.high.pitch.string - self.low.pitch.string

    @property
    def centre(self) -> float:
        """String in the middle of the column."""
        return (self.high.pitch.string + self.low.pitch.string) / 2

    @property
    def end(self) -> int:
        """Tick at which the longest written value ends."""
        return max(s.end for s in self.strikes)

    @property
    def names(self) -> str:
        """Such as ``C3 G3 C4``."""
        return names(self.strikes)

    @property
    def hand(self) -> str:
        """'right hand' or 'left hand': the staff's usual hand, for reasons."""
        return "right hand" if self.staff == 1 else "left hand"


def names(strikes: Iterable[Strike]) -> str:
    """Printed names of the strikes, in their order."""
    return " ".join(s.pitch.name for s in strikes)


def columns(passage: Passage, bar: Bar, staff: int) -> tuple[Column, ...]:
    """The columns of one staff in one bar, in time order."""
    rows: dict[int, list[Strike]] = {}
    for strike in passage.strikes:
        first = strike.first
        if first.bar == bar.index and first.staff == staff and not strike.lead:
            rows.setdefault(strike.onset, []).append(strike)
    return tuple(
        Column(
            bar, staff, onset,
            tuple(sorted(rows[onset], key=lambda s: (s.pitch.midi, s.first.id))),
        )
        for onset in sorted(rows)
    )


def staff_bars(passage: Passage) -> Iterator[tuple[Bar, int, tuple[Column, ...]]]:
    """(bar, staff, columns) for each bar and staff that strikes anything, in time order."""
    rows: dict[tuple[int, int], dict[int, list[Strike]]] = {}
    for strike in passage.strikes:
        if not strike.lead:
            key = (strike.first.bar, strike.first.staff)
            rows.setdefault(key, {}).setdefault(strike.onset, []).append(strike)
    for bar_index, staff in sorted(rows):
        found = rows[bar_index, staff]
        bar = passage.part.bars[bar_index]
        yield bar, staff, tuple(
            Column(
                bar, staff, onset,
                tuple(sorted(found[onset], key=lambda s: (s.pitch.midi, s.first.id))),
            )
            for onset in sorted(found)
        )


def lower_bars(passage: Passage) -> Iterator[tuple[Bar, tuple[Column, ...]]]:
    """(bar, columns) of the staves below the first: `staff_bars` for accompaniments."""
    return ((bar, row) for bar, staff, row in staff_bars(passage) if staff != 1)


def by_pulse(bar: Bar, row: Sequence[Column]) -> tuple[tuple[Column, ...], ...]:
    """The columns of a bar grouped by the felt beat in which they begin; empty beats left out."""
    groups: dict[int, list[Column]] = {}
    for column in row:
        groups.setdefault(pulse_of(bar, column.onset), []).append(column)
    return tuple(tuple(groups[k]) for k in sorted(groups))


def pulse_of(bar: Bar, tick: int) -> int:
    """Index of the felt beat that holds a tick (pickups count from their metre's first)."""
    return (tick - bar.onset + bar.lead) // bar.pulse_ticks


def on_pulse(bar: Bar, tick: int) -> bool:
    """True if a felt beat begins at the tick."""
    return (tick - bar.onset + bar.lead) % bar.pulse_ticks == 0


def strength(bar: Bar, tick: int) -> int:
    """Metrical weight: 3 first beat, 2 the middle beat of an even bar, 1 other beats, 0 between."""
    if not on_pulse(bar, tick):
        return 0
    at = pulse_of(bar, tick)
    count = bar.metre_ticks // bar.pulse_ticks
    if at == 0:
        return 3
    return 2 if count % 2 == 0 and at == count // 2 else 1


def leading(passage: Passage) -> frozenset[NoteId]:
    """Head-note ids of the leading line's strikes."""
    return frozenset(s.first.id for s in melody(passage))


def whole(passage: Passage, strike: Strike) -> bool:
    """True if the strike's whole tie chain lies in the passage.

    A chain that comes tied in without a note before it, or is tied on at the end of the part, may
    go on in bars that a window has cut off: it does not count as whole.
    """
    by_id = passage.part.by_id
    last = by_id[strike.notes[-1]]
    if strike.first.tie_in or (last.tie_out and last.end == passage.part.end):
        return False
    return all(passage.first <= by_id[i].bar <= passage.last for i in strike.notes)


def seconds_between(part: Part, first: int, second: int) -> float:
    """Seconds from one tick to another."""
    return part.seconds(second) - part.seconds(first)


def even_values(
    part: Part, start: int, end: int, units: Sequence[int], least: float
) -> tuple[int, ...]:
    """Of some values (ticks), those of at least so many seconds in which [start, end) can be filled
    evenly by pairs of notes, two pairs or more; in the order in which they are given."""
    return tuple(
        unit for unit in units
        if not (end - start) % (2 * unit) and end - start >= 4 * unit and is_value(unit)
        and seconds_between(part, start, start + unit) >= least
    )


def sounding(passage: Passage, onset: int, end: int) -> tuple[Strike, ...]:
    """Strikes whose written sound touches [onset, end), in order."""
    return tuple(s for s in passage.strikes if s.onset < end and max(s.end, s.onset + 1) > onset)


def row_of_sound(
    part: Part, strikes: Sequence[Strike], within: float
) -> tuple[tuple[Strike, ...], ...]:
    """Runs of two and more strikes of one sound, each less than `within` seconds after the one
    before (a few times in one moment count once), by time and sound."""
    runs: dict[int, list[list[Strike]]] = {}
    for strike in sorted(strikes, key=lambda s: (s.onset, s.first.id)):
        found = runs.setdefault(strike.pitch.midi, [[]])
        last = found[-1][-1] if found[-1] else None
        if last is not None and last.onset == strike.onset:
            continue
        if last is not None and seconds_between(part, last.onset, strike.onset) >= within:
            found.append([])
        found[-1].append(strike)
    every = [tuple(run) for found in runs.values() for run in found if len(run) > 1]
    return tuple(sorted(every, key=lambda r: (r[0].onset, r[0].pitch.midi)))


# Pitches --------------------------------------------------------------------------------------


def at_octave(pitch: Pitch, octaves: int) -> Pitch:
    """The pitch so many octaves higher."""
    return Pitch(pitch.step, pitch.alter, pitch.octave + octaves)


def in_key(fifths: int) -> dict[str, int]:
    """Alteration of each letter in a key signature."""
    alters = {}
    for letter, place in SCALE_STEPS.items():
        alters[letter] = 1 if place < fifths else -1 if 6 - place < -fifths else 0
    return alters


def key_classes(fifths: int) -> frozenset[int]:
    """Pitch classes of a key signature's scale."""
    return frozenset((STEP_SEMITONES[step] + alter) % 12 for step, alter in in_key(fifths).items())


def is_accidental(pitch: Pitch, bar: Bar) -> bool:
    """True if the sound is not in the bar's key signature, so that it asks for a pedal."""
    return pitch.pitch_class not in key_classes(bar.fifths)


def spelled(midi: int, fifths: int) -> Pitch:
    """A sound spelled for the harp: as the key has it, else with a natural, else flat, else sharp
    (flats ring best: Goss, 100 Orchestration Tips, no. 66; order: common practice)."""
    alters = in_key(fifths)
    found = []
    for octave in (midi // 12 - 2, midi // 12 - 1, midi // 12):
        for step, semitone in STEP_SEMITONES.items():
            alter = midi - (12 * (octave + 1) + semitone)
            if -1 <= alter <= 1:
                found.append(Pitch(step, alter, octave))
    return min(found, key=lambda p: (p.alter != alters[p.step], abs(p.alter), p.alter, p.step))


def nearest_of(
    midi: int, classes: Iterable[int], *, low: int = 0, high: int = 127, taken: Iterable[int] = ()
) -> int | None:
    """The sound nearest to `midi` (the lower on a tie) with one of these pitch classes, in
    low..high and not among `taken`; None if there is none."""
    wanted, used = frozenset(classes), frozenset(taken)
    candidates = [
        m
        for m in range(max(low, midi - 12), min(high, midi + 12) + 1)
        if m % 12 in wanted and m not in used
    ]
    return min(candidates, key=lambda m: (abs(m - midi), m), default=None)


# Written values -------------------------------------------------------------------------------

_VALUES = frozenset(
    value
    for power in range(-4, 4)
    for value in (Fraction(2) ** power, Fraction(3, 2) * Fraction(2) ** power)
)

PLAIN_VALUES = frozenset(int(value * TICKS) for value in _VALUES)
"""Ticks of every value that one note head has, plain or dotted, 64th to breve."""


def is_value(ticks: int, tuplet: tuple[int, int] = (1, 1)) -> bool:
    """True if one note head, plain or dotted, 64th to breve, has this length (in the tuplet)."""
    return Fraction(ticks * tuplet[0], TICKS * tuplet[1]) in _VALUES


def written_as(
    bar: Bar, onset: int, end: int, tuplet: tuple[int, int] = (1, 1)
) -> tuple[int, int] | None:
    """The tuplet ratio in which one note head can fill [onset, end) so that the beat stays
    legible, (1, 1) if none is needed; None if no single head reads well there.

    Inside a beat any value does; over beats the note starts on a beat, or is an off-beat note one
    beat long, the plain syncopation (common practice of notation).
    """
    start, length, pulse = onset - bar.onset + bar.lead, end - onset, bar.pulse_ticks
    if length <= 0 or end > bar.end:
        return None
    plain = is_value(length) and start % (TICKS // 16) == 0
    if start // pulse == (start + length - 1) // pulse:
        if plain:
            return (1, 1)
        return tuplet if tuplet != (1, 1) and is_value(length, tuplet) else None
    if not plain:
        return None
    if start % pulse == 0:
        reads = (start + length) % bar.beat_ticks == 0 or length * 2 == pulse * 3
        return (1, 1) if reads else None
    return (1, 1) if start % pulse * 2 == pulse and length == pulse else None


# Drafts ---------------------------------------------------------------------------------------


class Draft:
    """Changes to a passage, gathered and then checked and tidied as one edit."""

    def __init__(self, passage: Passage) -> None:
        self._passage = passage
        self._part = passage.part
        self._now: dict[NoteId, Note] = {}
        self._gone: dict[NoteId, Note] = {}
        self._vacant: list[Note] = []
        self._left: list[Note] = []
        self._passed_on: set[NoteId] = set()
        self._added: list[Note] = []
        self._refused = False
        self._owner = {i: s for s in passage.strikes for i in s.notes}

    # What a strategy asks for.

    def drop(self, *strikes: Strike) -> None:
        """Leaves the strikes out."""
        for strike in strikes:
            if not whole(self._passage, strike):
                self._refused = True
                return
            for i in strike.notes:
                if i in self._gone:
                    continue
                note = self._now.pop(i, self._part.by_id[i])
                self._gone[i] = note
                if not note.grace:
                    self._vacant.append(note)

    def put(self, strike: Strike, **fields: object) -> None:
        """Changes fields (pitch, hand, voice, staff ...) of every note of the strike."""
        if not whole(self._passage, strike):
            self._refused = True
            return
        for i in strike.notes:
            if i not in self._gone:
                note = self._now.get(i, self._part.by_id[i])
                self._now[i] = replace(note, **fields)  # type: ignore[arg-type]

    def mark(self, strike: Strike, marks: Iterable[Mark]) -> None:
        """Sets the marks of the strike's first note."""
        head = strike.first
        if not whole(self._passage, strike):
            self._refused = True
            return
        now = self._now.get(head.id, self._part.by_id[head.id])
        self._now[head.id] = replace(now, marks=tuple(sorted(marks)))

    def pitch(self, strike: Strike, pitch: Pitch) -> None:
        """Gives the strike another pitch, without a double accidental. A tie that led nowhere in
        the source goes."""
        if abs(pitch.alter) > 1:
            pitch = spelled(pitch.midi, self._part.bars[strike.first.bar].fifths)
        self.put(strike, pitch=pitch)
        last = self._now.get(strike.notes[-1])
        if last is not None and last.tie_out:
            self._now[last.id] = replace(last, tie_out=False)

    def move(self, strike: Strike, staff: int) -> None:
        """Writes the strike on the other staff, in a voice where it fits."""
        if not whole(self._passage, strike):
            self._refused = True
            return
        for i in strike.notes:
            note = self._now.get(i, self._part.by_id[i])
            if note.staff == staff:
                continue
            voice = self._voice_for(note, staff)
            if voice is None:
                self._refused = True
                return
            self._left.append(note)
            self._now[i] = replace(note, staff=staff, voice=voice)

    def cut(self, strike: Strike, end: int) -> bool:
        """Shortens the written sound to at most `end`, at a value that reads well; False if none
        does. The string may ring on: it is the written value that is shorter."""
        if not whole(self._passage, strike) or end <= strike.onset:
            self._refused = True
            return False
        for i in strike.notes:
            note = self._now.get(i, self._part.by_id[i])
            if note.onset >= end:
                self._gone[i] = note
                self._now.pop(i, None)
            elif note.end >= end:
                bar = self._part.bars[note.bar]
                target, tuplet = end, written_as(bar, note.onset, end, note.tuplet)
                while (tuplet is None or not self._clear(note, target)) and target > note.onset:
                    target -= (target - bar.onset + bar.lead) % GRID or GRID
                    tuplet = written_as(bar, note.onset, target, note.tuplet)
                if tuplet is None:
                    self._refused = True
                    return False
                self._now[i] = replace(
                    note, duration=target - note.onset, tie_out=False, tuplet=tuplet
                )
        return True

    def _clear(self, note: Note, end: int) -> bool:
        """True if a note that ends here leaves no rest or one on the grid."""
        bar = self._part.bars[note.bar]
        line = self._line(note.bar, note.staff, note.voice)
        after = min((n.onset for n in line if n.onset > note.onset), default=bar.end)
        # Where the rest is longer than before, its far edge was there already.
        edges = [end, after] if after == note.end else [end]
        return after == end or all((e - bar.onset + bar.lead) % GRID == 0 for e in edges)

    def retime(self, strike: Strike, onset: int, end: int) -> None:
        """Gives a strike of one note another place in its bar."""
        note = self._now.get(strike.first.id, strike.first)
        tuplet = written_as(self._part.bars[note.bar], onset, end, note.tuplet)
        signed = note.has("tremolo") or note.has("trill")
        if len(strike.notes) != 1 or note.tie_out or note.tie_in or signed or tuplet is None:
            self._refused = True
            return
        self._now[note.id] = replace(note, onset=onset, duration=end - onset, tuplet=tuplet)

    def delay(self, strike: Strike, onset: int) -> None:
        """Lets a strike begin later; its written end stays."""
        if not whole(self._passage, strike):
            self._refused = True
            return
        for i in strike.notes:
            note = self._now.get(i, self._part.by_id[i])
            if note.end <= onset:
                self._gone[i] = note
                self._passed_on.add(i)  # its signs go to the note that now begins the strike
                self._now.pop(i, None)
            elif note.onset <= onset:
                bar = self._part.bars[note.bar]
                tuplet = written_as(bar, onset, note.end, note.tuplet)
                if tuplet is None and note.onset < onset:
                    self._refused = True
                    return
                self._now[i] = replace(
                    note, onset=onset, duration=note.end - onset, tie_in=False,
                    tuplet=tuplet or note.tuplet,
                    marks=tuple(sorted({*note.marks, *strike.first.marks})),
                )

    def advance(self, strike: Strike, onset: int) -> None:
        """Lets a strike begin sooner, in its bar; its written end stays."""
        head = self._now.get(strike.first.id, strike.first)
        tuplet = written_as(self._part.bars[head.bar], onset, head.end, head.tuplet)
        if not whole(self._passage, strike) or tuplet is None:
            self._refused = True
            return
        self._now[head.id] = replace(
            head, onset=onset, duration=head.end - onset, tuplet=tuplet
        )

    def stretch(self, strike: Strike, end: int) -> None:
        """Writes a strike longer, to end here, within the bar of its last note."""
        i = strike.notes[-1]
        note = self._now.get(i, self._part.by_id[i])
        tuplet = written_as(self._part.bars[note.bar], note.onset, end, note.tuplet)
        if not whole(self._passage, strike) or note.tie_out or tuplet is None:
            self._refused = True
            return
        self._now[i] = replace(
            note, duration=end - note.onset, tuplet=tuplet,
            marks=note.without("staccato", "staccatissimo"),
        )

    def add(self, note: Note) -> None:
        """Adds a note."""
        self._added.append(note)

    # What becomes of it.

    def edit(self, reason: str) -> Edit | None:
        """The edit, or None if nothing changes or the result would not read as notation."""
        if self._refused:
            return None
        self._merge_unisons()
        self._follow_graces()
        if not self._fill():
            return None
        self._drop_covered_voices()
        if not self._sound_lines() or not self._whole_tuplets():
            return None
        self._hand_on_signs()
        self._mend_slurs()
        self._mend_arpeggios()
        if not self._paired():
            return None
        remove, add = set(self._gone), list(self._added)
        for i, note in self._now.items():
            old = self._part.by_id[i]
            if note.content() != old.content():
                remove.add(i)
                add.append(note)
        if not remove and not add:
            return None
        fresh: dict[NoteId, Note] = {}
        for note in add:
            new = changed(note)
            if new.id in fresh or (new.id in self._part.by_id and new.id not in remove):
                return None
            fresh[new.id] = new
        return Edit(frozenset(remove), tuple(fresh.values()), reason)

    def _bar(self, index: int) -> list[Note]:
        """Notes of a bar as they now stand."""
        rows = [
            self._now.get(n.id, n)
            for n in self._part.notes_by_bar[index]
            if n.id not in self._gone
        ]
        return rows + [n for n in self._added if n.bar == index]

    def _line(self, bar: int, staff: int, voice: str) -> list[Note]:
        """Main notes of one voice in one bar as they now stand, in time order."""
        row = [n for n in self._bar(bar) if (n.staff, n.voice) == (staff, voice) and not n.grace]
        return sorted(row, key=lambda n: (n.onset, n.pitch.midi))

    def _voice_for(self, note: Note, staff: int) -> str | None:
        """A voice of the staff that can take the note: one with the same chord place, then one
        that rests there, then a second voice."""
        there: dict[str, list[Note]] = {}
        names_used = set()
        for n in self._bar(note.bar):
            names_used.add(n.voice)
            if n.staff == staff and not n.grace and n.id != note.id:
                there.setdefault(n.voice, []).append(n)
        order = sorted(there, key=lambda v: (len(v), v))
        joins, rests, busy = [], [], 0
        for voice in order:
            over = [n for n in there[voice] if n.onset < note.end and note.onset < n.end]
            same = [
                n for n in over
                if (n.onset, n.end, n.tuplet) == (note.onset, note.end, note.tuplet)
            ]
            busy += bool(over)
            if over and len(same) == len(over):
                joins.append(voice)
            elif not over:
                rests.append(voice)
        if joins:
            return joins[0]
        if rests:
            return rests[0]
        if busy >= 2:
            return None
        usual = [n.voice for n in self._part.notes if n.staff == staff]
        if not order and usual and usual[0] not in names_used:
            return usual[0]
        base = 1 if staff == 1 else 5
        return next(str(k) for k in range(base, base + 40) if str(k) not in names_used)

    def _merge_unisons(self) -> None:
        """A changed or added note that meets its own sound struck at the same moment goes."""
        kept: list[Note] = []
        for note in self._added:
            clash = any(
                n is not note and n.onset == note.onset and n.pitch.midi == note.pitch.midi
                and not n.grace
                for n in [*self._bar(note.bar)]
                if n.id >= 0 or n not in self._added
            ) or any(n.onset == note.onset and n.pitch.midi == note.pitch.midi for n in kept)
            if not clash:
                kept.append(note)
        self._added = kept
        for i in sorted(self._now):
            moved = self._now.get(i)
            if moved is None or moved.grace or moved.tie_in:
                continue
            old = self._part.by_id[i]
            if moved.pitch.midi == old.pitch.midi and moved.onset == old.onset:
                continue
            if any(
                n.id != i and n.onset == moved.onset and n.pitch.midi == moved.pitch.midi
                and not n.grace and not n.tie_in
                for n in self._bar(moved.bar)
            ):
                for k in self._owner[i].notes:
                    note = self._now.pop(k, self._part.by_id[k])
                    self._gone[k] = note
                    self._vacant.append(note)

    def _follow_graces(self) -> None:
        """Grace notes leave or move with the last main note of their voice at that moment."""
        touched = sorted({n.bar for n in [*self._gone.values(), *self._now.values()]})
        for bar in touched:
            for grace in [n for n in self._bar(bar) if n.grace and n.id not in self._now]:
                before = [
                    n for n in self._part.notes_by_bar[bar]
                    if not n.grace
                    and (n.onset, n.staff, n.voice) == (grace.onset, grace.staff, grace.voice)
                ]
                if not before:
                    continue
                after = [self._now.get(n.id, n) for n in before if n.id not in self._gone]
                if any(
                    (n.onset, n.staff, n.voice) == (grace.onset, grace.staff, grace.voice)
                    for n in after
                ):
                    continue
                host = next((n for n in after if n.onset == grace.onset), None)
                if host is None:
                    self._gone[grace.id] = grace
                else:
                    self._now[grace.id] = replace(grace, staff=host.staff, voice=host.voice)

    def _fill(self) -> bool:
        """Lengthens the notes before dropped ones; False if a rest would be debris."""
        lines = sorted({(n.bar, n.staff, n.voice) for n in self._vacant})
        for bar_index, staff, voice in lines:
            bar = self._part.bars[bar_index]
            gaps = [
                n for n in self._vacant if (n.bar, n.staff, n.voice) == (bar_index, staff, voice)
            ]
            slots: dict[int, list[Note]] = {}
            for note in self._line(bar_index, staff, voice):
                slots.setdefault(note.onset, []).append(note)
            onsets = sorted(slots)
            for at, onset in enumerate(onsets):
                chord = slots[onset]
                following = onsets[at + 1] if at + 1 < len(onsets) else bar.end
                self._lengthen(bar, chord, gaps, following)
            if not self._rests_read(bar, staff, voice, gaps):
                return False
        return all(
            self._rests_read(self._part.bars[n.bar], n.staff, n.voice, [n]) for n in self._left
        )

    def _drop_covered_voices(self) -> None:
        """A voice that has lost notes goes where another voice of its staff strikes all that is
        left of it at the same moments, for as long: it would only write notes twice."""
        for index, staff, voice in sorted({(n.bar, n.staff, n.voice) for n in self._vacant}):
            lines: dict[str, list[Note]] = {}
            for note in self._bar(index):
                if note.staff == staff:
                    lines.setdefault(note.voice, []).append(note)
            for thin in sorted(lines, key=lambda v: (len(lines[v]), v != voice, v)):
                others = [n for v, row in lines.items() if v != thin for n in row]
                if lines[thin] and all(
                    not (n.grace or n.tie_in or n.tie_out or n.marks or n in self._added)
                    and any(
                        (o.onset, o.pitch.midi, o.grace, o.tie_in) == (n.onset, n.pitch.midi, 0, 0)
                        and o.end >= n.end
                        for o in others
                    )
                    for n in lines[thin]
                ):
                    for note in lines.pop(thin):
                        self._now.pop(note.id, None)
                        self._gone[note.id] = self._part.by_id[note.id]
                    break

    def _lengthen(self, bar: Bar, chord: list[Note], gaps: list[Note], following: int) -> None:
        end = max(n.end for n in chord)
        if any(n.tie_out or n.end != end for n in chord):
            return
        reach, ends = end, set()
        growing = True
        while growing:
            growing = False
            for gap in gaps:
                if gap.onset <= reach < gap.end <= following:
                    reach, growing = gap.end, True
                    ends.add(gap.end)
        for note in self._bar(bar.index):
            if chord[0].onset < note.onset < reach and any(
                n.pitch.step == note.pitch.step and n.pitch.alter != note.pitch.alter
                for n in chord
            ):
                reach = min(reach, note.onset)
        first = bar.onset - bar.lead
        ends |= set(range(first, bar.end + 1, bar.pulse_ticks)) | {reach}
        for target in sorted((t for t in ends if end < t <= reach), reverse=True):
            tuplet = written_as(bar, chord[0].onset, target, chord[0].tuplet)
            if tuplet is None:
                continue
            for note in chord:
                longer = replace(
                    note, duration=target - note.onset, tuplet=tuplet,
                    marks=note.without("staccato", "staccatissimo"),
                )
                if note in self._added:
                    self._added[self._added.index(note)] = longer
                else:
                    self._now[note.id] = longer
            return

    def _rests_read(self, bar: Bar, staff: int, voice: str, gaps: list[Note]) -> bool:
        line = self._line(bar.index, staff, voice)
        if not line:
            return True
        cursor = bar.onset
        spans = [(n.onset, n.end) for n in line] + [(bar.end, bar.end)]
        for onset, end in spans:
            if onset > cursor and any(g.onset < onset and cursor < g.end for g in gaps):
                old = {g.onset for g in gaps} | {g.end for g in gaps}
                for edge in (cursor, onset):
                    if edge in old and (edge - bar.onset + bar.lead) % GRID:
                        return False
            cursor = max(cursor, end)
        return True

    def _sound_lines(self) -> bool:
        """False if a changed note overlaps another of its voice without being its chord."""
        fresh = [n for n in [*self._now.values(), *self._added] if not n.grace]
        for note in fresh:
            bar = self._part.bars[note.bar]
            if not bar.onset <= note.onset < note.end <= bar.end:
                return False
            for other in self._line(note.bar, note.staff, note.voice):
                if other is note or other.id == note.id:
                    continue
                if other.onset < note.end and note.onset < other.end and (
                    (other.onset, other.end) != (note.onset, note.end)
                ):
                    old = self._part.by_id.get(note.id)
                    was = self._part.by_id.get(other.id)
                    unchanged = old and was and (
                        (old.onset, old.end, old.voice, was.onset, was.end, was.voice)
                        == (note.onset, note.end, note.voice, other.onset, other.end, other.voice)
                    )
                    if not unchanged:
                        return False
        return True

    def _whole_tuplets(self) -> bool:
        """False if a beat would keep a part of a tuplet that was whole."""
        notes = [*self._gone.values(), *self._now.values(), *self._added]
        originals = [self._part.by_id[n.id] for n in notes if n.id in self._part.by_id]
        for bar in sorted({n.bar for n in [*notes, *originals]}):
            before = _part_tuplets(self._part.bars[bar], self._part.notes_by_bar[bar])
            if not _part_tuplets(self._part.bars[bar], self._bar(bar)) <= before:
                return False
        return True

    def _hand_on_signs(self) -> None:
        """What stands at a dropped or moved note for its whole chord stays with the chord."""
        for old in [*self._gone.values(), *self._left]:
            signs = [m for m in old.marks if m.kind in _OF_THE_CHORD]
            mates = [
                n
                for n in self._line(old.bar, old.staff, old.voice)
                if n.onset == old.onset and n not in self._added
            ]
            if signs and mates and not old.tie_in:
                for sign in signs:
                    if not any(n.has(sign.kind) for n in mates):
                        self._remark(mates[-1].id, sign)

    def _mend_slurs(self) -> None:
        """A slur that lost an end begins or stops at the next note inward; one that would hold a
        single note goes."""
        lost = {
            i
            for i, n in self._gone.items()
            if i not in self._passed_on and (n.has("slur-start") or n.has("slur-stop"))
        }
        if not lost:
            return
        for start, stop, number in self._slurs():
            ends = [n for n in (start, stop) if n is not None]
            if not any(n.id in lost for n in ends):
                continue
            inner = self._under(start, stop)
            for end, kind in ((start, "slur-start"), (stop, "slur-stop")):
                if end is not None and end.id not in self._gone:
                    self._unmark(end.id, Mark(kind, number))
            if not inner or (start and stop and inner[0].onset == inner[-1].onset):
                continue
            if start is not None:
                self._remark(inner[0].id, Mark("slur-start", number))
            if stop is not None:
                self._remark(inner[-1].id, Mark("slur-stop", number))

    def _under(self, start: Note | None, stop: Note | None) -> list[Note]:
        """Notes that can carry the ends of a slur, in time order: those of its voice between its
        ends, else those of its staff, else the nearest outside it."""
        side = start or stop
        assert side is not None
        staff = sorted(
            (
                n
                for bar in range(self._passage.first, self._passage.last + 1)
                for n in self._bar(bar)
                if n.staff == side.staff and not n.grace and n not in self._added
            ),
            key=lambda n: (n.onset, n.voice != side.voice, n.pitch.midi),
        )
        low = start.onset if start else self._passage.onset
        high = stop.onset if stop else self._passage.end
        between = [n for n in staff if low <= n.onset <= high]
        voice = [n for n in between if n.voice == side.voice]
        if voice or between or (start and stop):
            return voice or between
        before = [n for n in staff if n.onset < low]
        after = [n for n in staff if n.onset > high]
        return before[-1:] if start else after[:1]

    def _slurs(self) -> list[tuple[Note | None, Note | None, str]]:
        """(start, stop, number) of the slurs of the passage as it was; None: end not in it."""
        open_slurs: dict[tuple[str, int], Note] = {}
        found: list[tuple[Note | None, Note | None, str]] = []
        for note in self._passage.notes:
            for mark in note.marks:
                if mark.kind == "slur-stop":
                    # Numbers may be used in both staves at once; a slur may also cross them.
                    own, other = (mark.value, note.staff), (mark.value, 3 - note.staff)
                    start = open_slurs.pop(own if own in open_slurs else other, None)
                    found.append((start, note, mark.value))
            for mark in note.marks:
                if mark.kind == "slur-start":
                    if (mark.value, note.staff) in open_slurs:
                        found.append((open_slurs[mark.value, note.staff], None, mark.value))
                    open_slurs[mark.value, note.staff] = note
        return found + [(note, None, number) for (number, _), note in open_slurs.items()]

    def _unmark(self, i: NoteId, mark: Mark) -> None:
        note = self._now.get(i, self._part.by_id[i])
        self._now[i] = replace(note, marks=tuple(m for m in note.marks if m != mark))

    def _remark(self, i: NoteId, mark: Mark) -> None:
        note = self._now.get(i, self._part.by_id[i])
        self._now[i] = replace(note, marks=tuple(sorted({*note.marks, mark})))

    def _mend_arpeggios(self) -> None:
        places = sorted({(n.bar, n.onset) for n in [*self._gone.values(), *self._now.values()]})
        for bar, onset in places:
            rolled = [
                n for n in self._bar(bar)
                if n.onset == onset and not n.grace and n.has("arpeggio")
            ]
            if len(rolled) == 1 and rolled[0] not in self._added:
                was = [
                    n for n in self._part.notes_by_bar[bar]
                    if n.onset == onset and n.has("arpeggio")
                ]
                if len(was) > 1:
                    note = rolled[0]
                    self._now[note.id] = replace(note, marks=note.without("arpeggio"))

    def _paired(self) -> bool:
        """False if a tremolo or glissando would lose one of its two ends."""
        bars = sorted({n.bar for n in [*self._gone.values(), *self._now.values(), *self._added]})
        for kind in _PAIRED:
            ends = [Mark(f"{kind}-start", ""), Mark(f"{kind}-stop", "")]
            before = [n for b in bars for n in self._part.notes_by_bar[b]]
            after = [n for b in bars for n in self._bar(b)]
            balance = [
                sum(n.has(ends[0].kind) for n in notes) - sum(n.has(ends[1].kind) for n in notes)
                for notes in (before, after)
            ]
            if balance[0] != balance[1]:
                return False
        return True


def _part_tuplets(bar: Bar, notes: Iterable[Note]) -> frozenset[tuple[object, ...]]:
    """(staff, voice, ratio, beat) of the beats whose tuplet notes do not fill a plain value."""
    spans: dict[tuple[int, str, tuple[int, int], int], set[tuple[int, int]]] = {}
    for note in notes:
        if note.tuplet != (1, 1) and not note.grace:
            key = note.staff, note.voice, note.tuplet, pulse_of(bar, note.onset)
            spans.setdefault(key, set()).add((note.onset, note.end))
    return frozenset(
        key for key, found in spans.items() if sum(b - a for a, b in found) % (GRID // 2)
    )


# Whole bars and single places -------------------------------------------------------------------

Place = tuple[Callable[[Draft], None], str]
"""One spot: what happens to the draft there, and the reason if it happens alone."""

MOST_PLACES = 3
"""Single spots offered per bar and hand beside the whole-bar edit (estimate: more only slows the
search, which composes edits itself)."""

TIED_DOWN = frozenset(
    {"gliss-start", "gliss-stop", "tremolo-start", "tremolo-stop", "cue", "harmonic"}
)
"""Signs that make a strike more than a plain note: most strategies leave it alone."""


def all_then_each(
    passage: Passage, places: Sequence[Place], reason: str, most: int = MOST_PLACES
) -> Iterator[Edit | None]:
    """One edit that does every place that can be done, then the first few alone."""
    alone: list[tuple[Place, Edit]] = []
    for act, why in places:
        draft = Draft(passage)
        act(draft)
        edit = draft.edit(why)
        if edit is not None:
            alone.append(((act, why), edit))
    if len(alone) > 1:
        draft = Draft(passage)
        for (act, _), _ in alone:
            act(draft)
        yield draft.edit(reason)
    for _, edit in alone[:most]:
        yield edit


def dropping(*strikes: Strike) -> Callable[[Draft], None]:
    """An act that leaves these strikes out."""

    def act(draft: Draft) -> None:
        draft.drop(*strikes)

    return act


def pitching(changes: Sequence[tuple[Strike, Pitch]]) -> Callable[[Draft], None]:
    """An act that gives strikes other pitches."""

    def act(draft: Draft) -> None:
        for strike, pitch in changes:
            draft.pitch(strike, pitch)

    return act


def row(passage: Passage, staff: int) -> tuple[Column, ...]:
    """Columns of one staff in the passage and in the bars next to it, in time order: a jump or a
    repeat may come from the bar before."""
    last = len(passage.part.bars) - 1
    wide = Passage(passage.part, max(0, passage.first - 1), min(last, passage.last + 1))
    return tuple(c for _, s, cols in staff_bars(wide) if s == staff for c in cols)


def inside(passage: Passage, column: Column) -> bool:
    """True if the column stands in the passage, so that it may be changed."""
    return passage.first <= column.bar.index <= passage.last


def harmony_at(found: Sequence[Harmony], tick: int) -> Harmony | None:
    """The harmony that holds a tick."""
    return next((h for h in found if h.onset <= tick < h.end), None)


def plain(strike: Strike, part: Part) -> bool:
    """True if no note of the strike carries a sign that ties it to another way of playing."""
    return not any(mark.kind in TIED_DOWN for i in strike.notes for mark in part.by_id[i].marks)


def following(column: Column, lead: frozenset[NoteId], part: Part) -> tuple[Strike, ...]:
    """The column's plain strikes that do not lead, low to high."""
    return tuple(s for s in column.strikes if s.first.id not in lead and plain(s, part))


def with_marks(strike: Strike, *extra: Mark) -> tuple[Mark, ...]:
    """The strike's marks and these."""
    return tuple(sorted({*strike.first.marks, *extra}))


def called(strikes: Iterable[Strike], most: int = 3) -> str:
    """The names of the sounds, or 'the repeated notes' when they are many."""
    found = list(dict.fromkeys(s.pitch.name for s in strikes))
    return " ".join(found) if len(found) <= most else "the repeated notes"


def names_of(strikes: Iterable[Strike]) -> str:
    """Printed names with 'and' before the last: 'C♯4 and E4'."""
    found = [s.pitch.name for s in strikes]
    return found[0] if len(found) == 1 else f"{', '.join(found[:-1])} and {found[-1]}"


def single_runs(
    passage: Passage,
    cols: Sequence[Column],
    goes_on: Callable[[Sequence[Strike], Strike], bool],
    shortest: int,
) -> list[list[Strike]]:
    """Runs of single plain notes of one voice, each following the one before without a gap, at
    least `shortest` long; `goes_on` says whether a strike continues the run so far."""
    runs: list[list[Strike]] = [[]]
    for column in cols:
        strike = column.low
        single = (
            len(column.strikes) == 1
            and len(strike.notes) == 1
            and whole(passage, strike)
            and plain(strike, passage.part)
        )
        if not single:
            runs.append([])
            continue
        run = runs[-1]
        if run and not (
            run[-1].end == strike.onset
            and run[-1].first.voice == strike.first.voice
            and goes_on(run, strike)
        ):
            runs.append([])
        runs[-1].append(strike)
    return [run for run in runs if len(run) >= shortest]
