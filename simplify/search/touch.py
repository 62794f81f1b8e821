"""The columns of a path touched up note by note: what each could take in or lose, and what the
whole then asks.

Notes of the source that a column has lost may come back (`gifts`), notes of its accompaniment may
go (`drops`). What a column becomes is written as clean notation again, in one edit after those that
it had. A whole reading of the passage tells what every changed column costs, as long as no two
neighbours change at once, so that many are tried in one reading.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from simplify.distance import distance
from simplify.errors import EditError
from simplify.realise.bar import Basis, enriched
from simplify.realise.edit import WRITE_ANEW, rewritten
from simplify.score.model import Edit, Note, NoteId, Passage
from simplify.search.lattice import Lattice, Path, Way
from simplify.search.reading import Reading
from simplify.sense import slips
from simplify.strategy import broken_promises

GIVEN, LEFT = "some notes of the original put back", "some notes left out"
"""What is said of a bar that was touched up."""

_Rows = tuple[tuple[Note, ...], ...]


@dataclass(frozen=True, slots=True)
class State:
    """A column as it stands. effort: distance, steps and slips, in bars' distance."""

    edits: tuple[Edit, ...]
    rows: _Rows
    effort: float
    slips: int


@dataclass(frozen=True, slots=True)
class Touch:
    """Notes of one hand, struck together, that come back (`back`) or go. bar: counted from the
    column's first."""

    bar: int
    notes: tuple[Note, ...]
    back: bool

    @property
    def ids(self) -> frozenset[NoteId]:
        """Which notes they are."""
        return frozenset(note.id for note in self.notes)

    @property
    def places(self) -> frozenset[tuple[int, int]]:
        """(tick, sound) of each: what stays the same when a bar is written anew around them."""
        return frozenset((note.onset, note.pitch.midi) for note in self.notes)


class Touching:
    """A path that is touched up: its columns as they stand and how they read (mutable).

    Only columns that the path changes are touched: the others are the source's.
    """

    def __init__(self, lattice: Lattice, basis: Basis, path: Path) -> None:
        """basis: holds the source that the lattice was made for."""
        self.lattice, self.basis, self.columns = lattice, basis, len(path)
        self.states = {
            at: State(variant.edits, variant.rows, lattice.effort_of(variant), variant.slips)
            for at, choice in enumerate(path)
            if (variant := lattice.variants[at][choice]).edits
        }
        self.reading = lattice.read(path)

    def take(self, fresh: Mapping[int, State], reading: Reading) -> None:
        """Goes on with some columns changed, as read."""
        self.states, self.reading = {**self.states, **fresh}, reading

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

    def gifts(self, at: int) -> Iterator[Touch]:
        """What a column could be given back: the chords of a hand whole, then note by note, the
        tune before the bass and the bass before the rest."""
        low, high = self.lattice.spans[at]
        found: list[tuple[tuple[bool, ...], int, Touch]] = []
        for bar in range(low, high + 1):
            source = self.basis.part.notes_by_bar[bar]
            struck = {(n.onset, n.pitch.midi) for n in self.states[at].rows[bar - low]}
            lowest: dict[int, int] = {}
            for note in source:
                lowest[note.onset] = min(note.pitch.midi, lowest.get(note.onset, 128))
            gone = [n for n in source if (n.onset, n.pitch.midi) not in struck]
            for onset, notes in _by_hand(gone):
                sung = any(note.id in self.basis.tune for note in notes)
                bass = any(note.pitch.midi == lowest[onset] for note in notes)
                rank = (not sung, not bass, len(notes) == 1)
                found.append((rank, onset, Touch(bar - low, notes, True)))
        found.sort(key=lambda row: row[:2])
        for _, _, gift in found:
            yield gift

    def drops(self, at: int) -> Iterator[Touch]:
        """What a column could lose: the chords of a hand whole, and note by note, all but the
        tune."""
        low = self.lattice.spans[at][0]
        for bar, row in enumerate(self.states[at].rows):
            source = self.basis.part.notes_by_bar[low + bar]
            tune = {(n.onset, n.pitch.midi) for n in source if n.id in self.basis.tune}
            rest = [n for n in row if (n.onset, n.pitch.midi) not in tune]
            for _, notes in _by_hand(rest):
                yield Touch(bar, notes, False)

    def touched(self, at: int, touches: Sequence[Touch]) -> State | None:
        """A column with these touches; None if it can't be written, breaks a promise, or makes a
        slip that it did not make before."""
        lattice, (low, high) = self.lattice, self.lattice.spans[at]
        state = self.states[at]
        rows = list(state.rows)
        for touch in touches:
            row = rows[touch.bar]
            kept = row if touch.back else [
                n for n in row if n.grace or (n.onset, n.pitch.midi) not in touch.places
            ]
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
        return State(edits, whole.notes_by_bar[low : high + 1], effort, made)


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


def _ties(rows: Sequence[Sequence[Note]]) -> set[tuple[int, int, int, bool]]:
    """(tick, sound, staff, whether it begins there) of every end of a tie."""
    notes = [note for row in rows for note in row]
    return {(n.onset, n.pitch.midi, n.staff, False) for n in notes if n.tie_in} | {
        (n.end, n.pitch.midi, n.staff, True) for n in notes if n.tie_out
    }
