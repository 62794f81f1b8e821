"""Gives notes of the source back to all bars of one figure at once, so that they stay alike.

What was taken from an accompaniment or a tune at one place of the bar comes back at that place in
every bar that has the figure, or in none: a listener hears the pattern go on; where it was moved,
what stands for it goes. One gift is one reading.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

from simplify.search.touch import State, Touch, Touching


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a figure has lost something. leading: whether in the tune; figure: number of the
    figure; onset: ticks from the start of the bar; staff; whole: whether all of a chord; note: its
    number in the chord from below; instead: whether what stands for it goes."""

    leading: bool
    figure: int
    onset: int
    staff: int
    whole: bool
    note: int
    instead: bool


def give_alike(touching: Touching, readings: int) -> int:
    """Gives back what the rules allow in all bars of a figure, in up to so many readings; says how
    many are left."""
    refused: set[_Place] = set()
    while readings > 0 and not touching.lattice.out_of_time():
        found = _next(touching, refused)
        if found is None:
            break
        place, fresh = found
        reading = touching.read(fresh)
        readings -= 1
        if reading is not None and reading.within:
            touching.take(fresh, reading)
        else:
            refused.add(place)
    return readings


def _next(touching: Touching, refused: set[_Place]) -> tuple[_Place, dict[int, State]] | None:
    """The first gift that brings the passage nearer: the tune's before the others, what comes back
    in many bars before what comes back in few, the bass before the rest."""
    table = _places(touching)
    for place in sorted(
        table.keys() - refused,
        key=lambda p: (
            not p.leading, -sum(map(len, table[p].values())), p.note, not p.whole, p.onset, p.staff,
            p.figure, not p.instead,
        ),
    ):
        fresh: dict[int, State] = {}
        for at, touches in table[place].items():
            state = touching.touched(at, touches)
            if state is None:
                break
            fresh[at] = state
        else:
            saved = sum(touching.states[at].effort - state.effort for at, state in fresh.items())
            if saved > touching.lattice.numbers.gift_worth:
                return place, fresh
        refused.add(place)
    return None


def _places(touching: Touching) -> dict[_Place, dict[int, list[Touch]]]:
    """What could come back, by place and column."""
    basis = touching.basis
    figures = {
        (leading, bar): number
        for leading, name in ((True, "tune"), (False, "pace"))
        for number, row in enumerate(basis.figures[name]) for bar in row
    }
    table: dict[_Place, dict[int, list[Touch]]] = defaultdict(dict)
    for at in touching.states:
        low = touching.lattice.spans[at][0]
        for gift in touching.gifts(at, beats=False):
            bar, first = basis.part.bars[low + gift.bar], gift.notes[0]
            leading = any(note.id in basis.tune for note in gift.notes)
            chord = sorted(
                note.pitch.midi for note in basis.part.notes_by_bar[bar.index]
                if note.onset == first.onset and note.staff == first.staff
            )
            place = _Place(
                leading, figures[leading, bar.index], first.onset - bar.onset, first.staff,
                len(gift.notes) > 1, chord.index(first.pitch.midi) if len(gift.notes) == 1 else 0,
                bool(gift.instead),
            )
            table[place].setdefault(at, []).append(gift)
    return table
