"""Notes parted into voices: contig mapping.

Chew & Wu 2004, Separating Voices in Polyphonic Music: A Contig Mapping Approach (Computer Music
Modeling and Retrieval, LNCS 3310). Time is cut wherever the number of sounding notes changes; in
between (a *contig*) voices are told by their order in pitch, since voices seldom cross. Where most
voices sound at once all of them are there, so each is known there; from these contigs outwards the
voices of a contig are joined to those of its neighbour at the least cost: a note that goes on keeps
its voice, others pay the distance in pitch, and voices never cross at a cut. A voice that rests is
remembered by its nearest note.

Free of parameters but for the cost of breaking a held note, which only has to be large.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

Sound = tuple[int, int, int]
"""Onset and end (ticks) and pitch (any scale that grows upwards)."""

_HELD = -1_000_000
"""Cost of joining a note to itself across a cut."""


@dataclass(slots=True)
class _Contig:
    """Rows of sounds (indices), low to high, at each moment of the contig."""

    moments: list[list[int]]

    @property
    def voices(self) -> int:
        return len(self.moments[0])


@dataclass(frozen=True, slots=True)
class _Given:
    """The voices of a contig's sounds, low to high, and the nearest sounds of those that rest."""

    voices: tuple[int, ...]
    resting: dict[int, int]


def separate(sounds: Sequence[Sound]) -> tuple[int, ...]:
    """The voice of each sound, 0 the lowest; of a sound that different moments put into different
    voices the one that has it at most of them."""
    ordered = sorted(sounds)
    if all(one[1] <= other[0] for one, other in pairwise(ordered)):
        return (0,) * len(sounds)
    contigs = _contigs(sounds)
    most = max(contig.voices for contig in contigs)
    given: list[_Given | None] = [None] * len(contigs)
    for at, contig in enumerate(contigs):
        if contig.voices == most:
            given[at] = _Given(tuple(range(most)), {})
    for at, side in _outwards([one is not None for one in given]):
        near = given[at + side]
        assert near is not None
        edge = contigs[at + side].moments[-1 if side < 0 else 0]
        # A voice that rests there is known by its last sound before.
        known = {**near.resting, **dict(zip(near.voices, edge, strict=True))}
        row = contigs[at].moments[0 if side < 0 else -1]
        voices = _joined(sounds, row, known, most)
        resting = {voice: sound for voice, sound in known.items() if voice not in voices}
        given[at] = _Given(voices, resting)
    return _votes(sounds, contigs, [one.voices for one in given if one is not None])


def _outwards(full: Sequence[bool]) -> list[tuple[int, int]]:
    """Every other place in order of its distance from the nearest full one, with the side (-1 or 1)
    on which that lies, the earlier on a tie."""
    far = len(full)
    distance = [0 if one else far for one in full]
    side = [0] * far
    for at in range(1, far):
        if distance[at - 1] + 1 < distance[at]:
            distance[at], side[at] = distance[at - 1] + 1, -1
    for at in range(far - 2, -1, -1):
        if distance[at + 1] + 1 < distance[at]:
            distance[at], side[at] = distance[at + 1] + 1, 1
    places = sorted((distance[at], at) for at in range(far) if side[at])
    return [(at, side[at]) for _, at in places]


def _contigs(sounds: Sequence[Sound]) -> list[_Contig]:
    """The contigs in time order, silences left out."""
    edges = sorted({tick for onset, end, _ in sounds for tick in (onset, end)})
    starting: dict[int, list[int]] = {}
    for at, (onset, _, _) in enumerate(sounds):
        starting.setdefault(onset, []).append(at)
    found: list[_Contig] = []
    open_now: list[int] = []
    joined = False
    for tick in edges:
        open_now = [at for at in open_now if sounds[at][1] > tick] + starting.get(tick, [])
        row = sorted(open_now, key=lambda at: (sounds[at][2], at))
        if row and joined and found[-1].voices == len(row) and _same_order(found[-1], row):
            found[-1].moments.append(row)
        elif row:
            found.append(_Contig([row]))
        joined = bool(row)
    return found


def _same_order(contig: _Contig, row: Sequence[int]) -> bool:
    """True if the notes that go on keep their place in the order."""
    last = contig.moments[-1]
    return all(one == other for one, other in zip(last, row, strict=True) if one in row)


def _joined(
    sounds: Sequence[Sound], row: Sequence[int], known: dict[int, int], most: int
) -> tuple[int, ...]:
    """The voices of a row of sounds, low to high, by the sounds that the voices were last known by:
    in order, at the least cost."""

    def cost(place: int, voice: int) -> int:
        if voice not in known:
            return 0
        if known[voice] == row[place]:
            return _HELD
        return abs(sounds[known[voice]][2] - sounds[row[place]][2])

    @cache
    def best(place: int, voice: int) -> tuple[int, tuple[int, ...]]:
        """Least cost of giving the sounds from `place` on to voices from `voice` on."""
        if place == len(row):
            return 0, ()
        options = []
        for one in range(voice, most - (len(row) - place) + 1):
            rest, voices = best(place + 1, one + 1)
            options.append((cost(place, one) + rest, (one, *voices)))
        return min(options)

    return best(0, 0)[1]


def _votes(
    sounds: Sequence[Sound], contigs: Sequence[_Contig], given: Sequence[tuple[int, ...]]
) -> tuple[int, ...]:
    votes: list[dict[int, int]] = [{} for _ in sounds]
    for contig, voices in zip(contigs, given, strict=True):
        for row in contig.moments:
            for voice, sound in zip(voices, row, strict=True):
                votes[sound][voice] = votes[sound].get(voice, 0) + 1
    return tuple(max(row, key=lambda voice: (row[voice], -voice), default=0) for row in votes)
