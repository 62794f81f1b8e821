"""The columns of a path touched up note by note: what each could take in or lose, and what the
whole then asks.

Notes of the source that a column has lost may come back (`gifts`), instead of what stands for them
there or beside it; notes of its accompaniment may go (`drops`). What a column becomes is written as
clean notation again, in one edit after those that it had. A whole reading of the passage tells what
every changed column costs, as long as no two neighbours change at once, so that many are tried in
one reading.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from simplify.distance import distance
from simplify.errors import EditError
from simplify.realise.bar import Basis, enriched
from simplify.realise.edit import WRITE_ANEW, rewritten
from simplify.score.model import Bar, Edit, Note, NoteId, Passage
from simplify.search.lattice import Lattice, Path, Way
from simplify.search.reading import Reading
from simplify.sense import slips
from simplify.strategy import broken_promises

GIVEN, LEFT = "some notes of the original put back", "some notes left out"
"""What is said of a bar that was touched up."""

_NEXT_STRING = 2
"""Semitones to which a bar written in one setting moves a note (`realise.bar`)."""

_Rows = tuple[tuple[Note, ...], ...]
_Place = tuple[int, int]
"""Tick and sound (MIDI key) of a note."""


TouchKey = tuple[frozenset[NoteId], frozenset[_Place]]
"""Which notes come or go, and what goes for them."""

Context = tuple[int, tuple[frozenset[NoteId] | None, ...]]
"""A column and the notes of the one before, its own and of the one after (None: as written, or
there is none)."""


@dataclass(frozen=True, slots=True)
class State:
    """A column as it stands. effort: distance, steps and slips, in bars' distance."""

    edits: tuple[Edit, ...]
    rows: _Rows
    ids: frozenset[NoteId]
    effort: float
    slips: int


@dataclass(frozen=True, slots=True)
class Touch:
    """Notes of one hand, a chord or a beat, that come back (`back`) or go. bar: counted from the
    column's first; instead: what the source does not have and stands for them (notes moved): it
    goes when they come back."""

    bar: int
    notes: tuple[Note, ...]
    back: bool
    instead: frozenset[_Place] = frozenset()

    @property
    def key(self) -> TouchKey:
        """Which notes come or go, and what goes for them."""
        return frozenset(note.id for note in self.notes), self.instead

    @property
    def places(self) -> frozenset[_Place]:
        """Of each note that comes or goes: what stays the same when a bar is written anew around
        them."""
        return self.instead | _places(self.notes)


class Touching:
    """A path that is touched up: its columns as they stand and how they read (mutable).

    Only columns that the path changes are touched: the others are the source's.
    """

    def __init__(self, lattice: Lattice, basis: Basis, path: Path) -> None:
        """basis: holds the source that the lattice was made for."""
        self.lattice, self.basis, self.columns = lattice, basis, len(path)
        self.states = {
            at: State(
                variant.edits, variant.rows, variant.ids, lattice.effort_of(variant), variant.slips
            )
            for at, choice in enumerate(path)
            if (variant := lattice.variants[at][choice]).edits
        }
        self.reading = lattice.read(path)
        self._touched: dict[int, dict[object, State | None]] = {}

    def take(self, fresh: Mapping[int, State], reading: Reading) -> None:
        """Goes on with some columns changed, as read."""
        self.states, self.reading = {**self.states, **fresh}, reading
        for at in fresh:
            self._touched.pop(at, None)

    def context(self, at: int) -> Context:
        """A column as it stands among its neighbours."""
        found = (self.states.get(near) for near in (at - 1, at, at + 1))
        return at, tuple(None if state is None else state.ids for state in found)

    def edits(self, fresh: Mapping[int, State]) -> list[tuple[Edit, ...]]:
        """Of every column, some of them changed."""
        states = {**self.states, **fresh}
        return [states[at].edits if at in states else () for at in range(self.columns)]

    def read(self, fresh: Mapping[int, State]) -> Reading | None:
        """The passage with some columns changed; None if their edits do not apply together."""
        edits = [edit for own in self.edits(fresh) for edit in own]
        try:
            return self.lattice.passage_reading(self.lattice.part.apply_all(edits))
        except EditError:
            return None

    def way(self) -> Way | None:
        """What the lattice takes in of the path as it stands."""
        return self.lattice.ready(self.edits({}), self.reading)

    def gifts(self, at: int, beats: bool = True) -> Iterator[Touch]:
        """What a column could be given back, the tune before the bass and the bass before the rest:
        the chords of a hand whole, note by note, and (beats) a beat of a hand as the source has it.
        What has been moved comes back instead of what stands for it first, then beside that."""
        low, high = self.lattice.spans[at]
        found = [
            row for bar in range(low, high + 1) for row in self._ranked_gifts(at, bar, beats)
        ]
        for _, _, gift in sorted(found, key=lambda row: row[:2]):
            yield gift

    def _ranked_gifts(
        self, at: int, bar: int, beats: bool
    ) -> list[tuple[tuple[bool, ...], int, Touch]]:
        """(rank, tick, gift) of a bar."""
        source, row = self.basis.part.notes_by_bar[bar], bar - self.lattice.spans[at][0]
        struck, places = _places(self.states[at].rows[row]), _places(source)
        # what it is tied to comes into the next bar, and isn't struck
        gone = [replace(n, tie_out=False) for n in source if _place(n) not in struck]
        strays = [
            n for n in self.states[at].rows[row]
            if _place(n) not in places and not (n.grace or n.tie_in or n.tie_out)
        ]
        lowest: dict[int, int] = {}
        for note in source:
            lowest[note.onset] = min(note.pitch.midi, lowest.get(note.onset, 128))

        def sung(notes: Iterable[Note]) -> bool:
            return any(note.id in self.basis.tune for note in notes)

        found: list[tuple[tuple[bool, ...], int, Touch]] = []
        for onset, notes in _by_hand(gone):
            bass = any(note.pitch.midi == lowest[onset] for note in notes)
            rank = (not sung(notes), not bass, len(notes) == 1)
            instead = frozenset(_moved(notes, strays))
            if instead:
                found.append((rank, onset, Touch(row, notes, True, instead)))
            found.append((rank, onset, Touch(row, notes, True)))
        by_beat = _by_beat(self.basis.part.bars[bar], gone, strays) if beats else ()
        for onset, notes, stray in by_beat:
            found.append(((not sung(notes), True, False), onset, Touch(row, notes, True, stray)))
        return found

    def drops(self, at: int) -> Iterator[Touch]:
        """What a column could lose: the chords of a hand whole, and note by note, all but the
        tune."""
        low = self.lattice.spans[at][0]
        for bar, row in enumerate(self.states[at].rows):
            source = self.basis.part.notes_by_bar[low + bar]
            tune = _places(n for n in source if n.id in self.basis.tune)
            rest = [n for n in row if _place(n) not in tune]
            for _, notes in _by_hand(rest):
                yield Touch(bar, notes, False)

    def touched(self, at: int, touches: Sequence[Touch]) -> State | None:
        """A column with these touches; None if it can't be written, breaks a promise, or makes a
        slip that it did not make before."""
        known = self._touched.setdefault(at, {})
        key = tuple((touch.back, touch.bar, *touch.key) for touch in touches)
        if key not in known:
            known[key] = self._made(at, touches)
        return known[key]

    def _made(self, at: int, touches: Sequence[Touch]) -> State | None:
        lattice, (low, high) = self.lattice, self.lattice.spans[at]
        state = self.states[at]
        rows = list(state.rows)
        for touch in touches:
            row = rows[touch.bar]
            going = touch.instead if touch.back else touch.places
            kept = [n for n in row if n.grace or _place(n) not in going]
            back = touch.notes if touch.back else ()
            rows[touch.bar] = enriched(self.basis, low + touch.bar, kept, back)
        if _ties(rows) != _ties(state.rows):
            return None
        before, said = state.edits, list[str]()
        if before and before[-1].strategy == WRITE_ANEW:
            before, said = before[:-1], [before[-1].reason]
        backs = {touch.back for touch in touches}
        said += [
            words for words, back in ((GIVEN, True), (LEFT, False))
            if back in backs and not any(words in one for one in said)
        ]
        part = lattice.part.apply_all(before)
        edit = rewritten(
            (n for row in part.notes_by_bar[low : high + 1] for n in row),
            (n for row in rows for n in row), ", ".join(said),
        )
        if edit is None:
            return None
        whole, edits = part.apply(edit), (*before, edit)
        old, new = Passage(lattice.part, low, high), Passage(whole, low, high)
        made = len(slips(old, new))
        if made > state.slips or broken_promises(old, new, lattice.keeps):
            return None
        far = distance(old, new).counted(lattice.counts[at]) * (high - low + 1)
        effort = far + lattice.numbers.step * len(edits) + lattice.numbers.slip * made
        bars = whole.notes_by_bar[low : high + 1]
        ids = frozenset(note.id for row in bars for note in row)
        return State(edits, bars, ids, effort, made)


def _place(note: Note) -> _Place:
    return note.onset, note.pitch.midi


def _places(notes: Iterable[Note]) -> set[_Place]:
    return {_place(note) for note in notes}


def _by_hand(notes: Sequence[Note]) -> list[tuple[int, tuple[Note, ...]]]:
    """(onset, notes) of every chord of a hand, and of each of its notes, as far as no tie holds
    them."""
    chords: dict[tuple[int, int], list[Note]] = defaultdict(list)
    for note in notes:
        if not (note.tie_in or note.tie_out or note.grace):
            chords[note.onset, note.staff].append(note)
    found: list[tuple[int, tuple[Note, ...]]] = []
    for (onset, _), chord in chords.items():
        if len(chord) > 1:
            found.append((onset, tuple(chord)))
        found += [(onset, (note,)) for note in chord]
    return found


def _by_beat(
    bar: Bar, gone: Sequence[Note], strays: Sequence[Note]
) -> Iterator[tuple[int, tuple[Note, ...], frozenset[_Place]]]:
    """(tick, notes, what stands for them) of each beat of a hand, where that is more than one chord
    or note."""
    for tick in range(bar.onset - bar.lead % bar.pulse_ticks, bar.end, bar.pulse_ticks):
        for staff in (1, 2):
            notes, others = (
                tuple(
                    n for n in row
                    if tick <= n.onset < tick + bar.pulse_ticks and n.staff == staff
                    and not (n.tie_in or n.grace)
                )
                for row in (gone, strays)
            )
            if notes and (len({n.onset for n in notes}) > 1 or len(others) > 1):
                yield tick, notes, frozenset(_places(others))


def _moved(notes: Sequence[Note], strays: Sequence[Note]) -> Iterator[_Place]:
    """What stands for notes of the source: the nearest in time of their sound, else another sound
    at their moment, of the same pitch class or as near as the next string."""
    for note in notes:
        midi = note.pitch.midi
        same = [(abs(n.onset - note.onset), n.onset) for n in strays if n.pitch.midi == midi]
        if same:
            yield min(same)[1], midi
            continue
        for other in strays:
            apart = abs(other.pitch.midi - midi)
            if other.onset == note.onset and (apart % 12 == 0 or apart <= _NEXT_STRING):
                yield other.onset, other.pitch.midi
                break


def _ties(rows: Sequence[Sequence[Note]]) -> set[tuple[int, int, int, bool]]:
    """(tick, sound, staff, whether it begins there) of every end of a tie."""
    notes = [note for row in rows for note in row]
    return {(n.onset, n.pitch.midi, n.staff, False) for n in notes if n.tie_in} | {
        (n.end, n.pitch.midi, n.staff, True) for n in notes if n.tie_out
    }
