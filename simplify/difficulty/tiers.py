"""For whom: the easiest tier that takes a part, or a stretch of it.

Tiers are asked outwards from the middle, downwards while they take the music, else upwards until
one does: a tier is said to take music only if the tiers above take it too. Most music is beyond the
easiest tiers, whose pedals are the slowest to plan, so these are seldom asked.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

from simplify.difficulty import harmonic_rhythm, rhythm
from simplify.difficulty.load import (
    Assessment,
    Reading,
    assess,
    between,
    part_of,
    plainly_over,
    verdict,
)
from simplify.harp.player import LAYERS, Player, tier_names, tier_player
from simplify.score.model import Part
from simplify.technique.perform import perform
from simplify.technique.plan import Fault, Performance
from simplify.technique.playability import find_faults

Bars = tuple[int, int]
"""Positions of the first and last bar."""

MIDDLE = "professional"
"""Where the asking begins if no reading is known."""
MOST = 0.5
"""Share of a part's bars from which a tier reads all of it at once rather than piece by piece."""
_PLAN_FREE = tuple(LAYERS.index(layer) for layer in (rhythm.NAME, harmonic_rhythm.NAME))
"""Layers that no hand or pedal plan changes."""


@dataclass(frozen=True)
class _Performed:
    """A part as a player performs it; its loads are measured when they are asked for."""

    performance: Performance
    faults: tuple[Fault, ...]

    @cached_property
    def assessment(self) -> Assessment:
        return assess(self.performance)


def _performed(part: Part, player: Player) -> _Performed:
    performance = perform(part, player)
    return _Performed(performance, find_faults(performance))


def tier_needed(
    part: Part, harp: str | None = None, known: Iterable[Reading] = ()
) -> str | None:
    """The easiest tier whose typical player has no fault and is within the rules, on this harp (or
    each tier's usual one); None if not even the last tier takes the part. known: see `Readings`."""
    return Readings(part, harp, known).needed()


class Readings:
    """A part as the typical players of the tiers read it on one harp (None: each tier's usual one),
    each reading made when it is first asked for.

    known: readings of the same part, used again where their player is a typical one on this harp.
    """

    def __init__(
        self, part: Part, harp: str | None = None, known: Iterable[Reading] = ()
    ) -> None:
        self._part, self._harp = part, harp
        self._together = _most_together(part)
        self._whole: dict[str, _Performed | Reading] = {}
        self._plain: _Performed | Reading | None = None
        for reading in known:
            self._plain = reading
            if reading.player == self._player(reading.player.tier):
                self._whole[reading.player.tier] = reading

    def needed(self) -> str | None:
        """The easiest tier that takes the whole part, None if not even the last one does."""
        return self.needed_by([(0, len(self._part.bars) - 1)])[0]

    def needed_by(self, stretches: Sequence[Bars]) -> tuple[str | None, ...]:
        """The easiest tier that takes each stretch, read among its neighbours."""
        names = tier_names()
        at = names.index(next(iter(self._whole), MIDDLE))
        taken, rest = self._parted(names[at], stretches)
        found = dict.fromkeys(taken, names[at])
        for tier in reversed(names[:at]):
            taken, _ = self._parted(tier, taken)
            found |= dict.fromkeys(taken, tier)
        for tier in names[at + 1 :]:
            taken, rest = self._parted(tier, rest)
            found |= dict.fromkeys(taken, tier)
        return tuple(found.get(bars) for bars in stretches)

    def takes(self, tier: str, stretches: Sequence[Bars]) -> frozenset[Bars]:
        """The stretches that a tier takes, each read among its neighbours."""
        return frozenset(self._parted(tier, stretches)[0])

    def _parted(
        self, tier: str, stretches: Sequence[Bars]
    ) -> tuple[list[Bars], list[Bars]]:
        """The stretches that the tier takes, and the others."""
        open_to = [bars for bars in stretches if not self._plainly_beyond(tier, bars)]
        asked = sum(last - first + 1 for first, last in open_to)
        if asked >= MOST * len(self._part.bars):
            self._read_all(tier)
        taken = [bars for bars in open_to if self._within(tier, bars)]
        return taken, [bars for bars in stretches if bars not in taken]

    def _plainly_beyond(self, tier: str, bars: Bars) -> bool:
        """True where no performance need be read: more notes together than the player has fingers
        for, or loads that no plan changes above the tier's caps beyond any burst."""
        player, (first, last) = self._player(tier), bars
        if max(self._together[first : last + 1]) > 2 * player.limits.notes_per_hand:
            return True
        if self._plain is None:
            return False
        inside = self._plain.assessment.bars[first : last + 1]
        return any(plainly_over(inside, player.rules, layer) for layer in _PLAN_FREE)

    def _within(self, tier: str, bars: Bars) -> bool:
        first, last = bars
        reading, start = self._whole.get(tier), 0
        if reading is None:
            # Loads look a bar to either side.
            start, end = max(0, first - 1), min(len(self._part.bars) - 1, last + 1)
            reading = _performed(self._part.window(start, end), self._player(tier))
        low, high = self._part.bars[first].onset, self._part.bars[last].end
        strikes = reading.performance.strikes
        # What two stretches ask for together at their join is neither one's.
        faults = tuple(
            fault for fault in between(reading.faults, low, high)
            if all(low <= strikes[i].onset < high for i in fault.strikes)
        )
        if faults:
            return False
        inside = part_of(reading.assessment, first - start, last - start)
        return verdict(inside, self._player(tier).rules).within

    def _read_all(self, tier: str) -> None:
        if tier not in self._whole:
            self._whole[tier] = _performed(self._part, self._player(tier))
            self._plain = self._plain or self._whole[tier]

    def _player(self, tier: str) -> Player:
        return tier_player(tier, self._harp)


def _most_together(part: Part) -> list[int]:
    """For each bar the most sounds struck at one moment (grace notes and sweeps left out)."""
    together: dict[tuple[int, int], set[int]] = {}
    for strike in part.strikes:
        note = strike.first
        free = note.marks and (note.has("gliss-start") or note.has("gliss-stop"))
        if not strike.lead and not free:
            together.setdefault((note.bar, strike.onset), set()).add(note.pitch.midi)
    most = [0] * len(part.bars)
    for (bar, _), sounds in together.items():
        most[bar] = max(most[bar], len(sounds))
    return most
