"""The contract of a strategy, and the laws the engine holds it to.

A strategy is one musical transformation. It looks at a passage and a player and proposes edits;
it never judges difficulty or distance and never combines edits: that is the search's job.

Laws (tested over all strategies, and enforced on every proposal by `proposals`):

- pure and deterministic: the same passage and player give the same edits in the same order, since
  a rewrite must be replayable;
- every edit applies to the passage's part and changes something, else the search would loop;
- every edit stays inside the passage's bars, else a rewrite of bars 5-8 would touch bar 9;
- the promises in `keeps` hold for every edit, since users rely on `--keep`;
- at most `EDITS_PER_NOTE` edits per note of the passage, since the search is bounded by them;
- a reason is one sentence for a musician, without a full stop, that names what becomes of what.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from enum import Flag, auto

from simplify.errors import EditError, StrategyError
from simplify.harp.player import Player
from simplify.score.harmony import harmonies
from simplify.score.lines import bass, melody
from simplify.score.model import Edit, Note, NoteId, Passage
from simplify.score.text import parse_passage

EDITS_PER_NOTE = 4
"""Bound on a strategy's edits per note of the passage (estimate; larger only slows the search)."""


class Keeps(Flag):
    """What a strategy, or a user with --keep, promises to leave as it was."""

    NOTHING = 0
    MELODY = auto()
    BASS = auto()
    HARMONY = auto()
    RHYTHM = auto()
    SOUND = auto()


ALL_KEPT = Keeps.MELODY | Keeps.BASS | Keeps.HARMONY | Keeps.RHYTHM | Keeps.SOUND
"""What a change of layout or spelling keeps."""


@dataclass(frozen=True, slots=True)
class Case:
    """A worked example in one-line text (`simplify.score.text`). after None: must not fire.

    `tier` is the player it is shown to. `after` must be the result of one of the edits.
    """

    before: str
    after: str | None
    tier: str = "amateur"


@dataclass(frozen=True, slots=True)
class Strategy:
    """One musical transformation; see the module's laws.

    title: what a musician calls it; propose: the edits it offers for a passage and a player.
    """

    name: str
    title: str
    keeps: Keeps
    propose: Callable[[Passage, Player], Iterable[Edit]]
    cases: tuple[Case, ...]

    def __post_init__(self) -> None:
        if not self.name.replace("_", "").isalnum() or self.name != self.name.lower():
            raise StrategyError(f"strategy name {self.name!r} must be lower_case words")
        if not any(case.after for case in self.cases) or all(case.after for case in self.cases):
            raise StrategyError(f"strategy {self.name} needs cases that fire and that must not")
        for case in self.cases:
            parse_passage(case.before)
            if case.after is not None:
                parse_passage(case.after)


def proposals(strategy: Strategy, passage: Passage, player: Player) -> tuple[Edit, ...]:
    """The strategy's edits, held to the laws; an edit that changes nothing is left out.

    Raises:
        StrategyError: a law is broken; the message names strategy, law and place.
    """
    edits: list[Edit] = []
    bound = EDITS_PER_NOTE * max(1, len(passage.notes))
    for edit in strategy.propose(passage, player):
        if len(edits) >= bound:
            raise StrategyError(f"strategy {strategy.name} offers more than {bound} edits")
        try:
            after = passage.of(passage.part.apply(edit))
        except EditError as error:
            raise StrategyError(f"strategy {strategy.name}: {error}") from None
        first, last = edit.bars(passage.part)
        where = f"bars {passage.part.bars[first].number}-{passage.part.bars[last].number}"
        if first < passage.first or last > passage.last:
            raise StrategyError(f"strategy {strategy.name} leaves the passage at {where}")
        if _contents(passage) == _contents(after):
            continue
        broken = broken_promises(passage, after, strategy.keeps)
        if broken:
            raise StrategyError(
                f"strategy {strategy.name} breaks {broken} in {where}: {edit.reason}"
            )
        edits.append(replace(edit, strategy=strategy.name))
    return tuple(edits)


def _contents(passage: Passage) -> list[tuple[object, ...]]:
    return sorted((note.content() for note in passage.notes), key=repr)


def broken_promises(before: Passage, after: Passage, keeps: Keeps) -> Keeps:
    """Those of `keeps` that `after` does not hold.

    MELODY: the leading line has the same onsets and sounds. BASS: each harmony of `before` keeps
    the pitch class of its lowest strike (one that is not struck again may ring on from the
    harmony before). HARMONY: no foreign pitch class comes in, and each harmony keeps its root and
    third where it had them. RHYTHM: the set of onsets is the same. SOUND: every onset has the same
    sounds for as long.
    """
    broken = Keeps.NOTHING
    if Keeps.MELODY in keeps and _line(before) != _line(after):
        broken |= Keeps.MELODY
    if Keeps.BASS in keeps and not _bass_kept(before, after):
        broken |= Keeps.BASS
    if Keeps.HARMONY in keeps and not _harmony_kept(before, after):
        broken |= Keeps.HARMONY
    if Keeps.RHYTHM in keeps and {s.onset for s in before.strikes} != {
        s.onset for s in after.strikes
    }:
        broken |= Keeps.RHYTHM
    if Keeps.SOUND in keeps and _sounds(before) != _sounds(after):
        broken |= Keeps.SOUND
    return broken


def promised(passage: Passage, keeps: Keeps, edits: Iterable[Edit | None]) -> Iterator[Edit]:
    """The edits that exist, differ from one another, and hold these promises on this passage.

    A change that keeps the melody nearly always may lose it in a corner (an inner note that ends
    sooner uncovers a voice below): the strategy then offers nothing there.
    """
    seen: set[tuple[frozenset[NoteId], tuple[NoteId, ...]]] = set()
    before = _line(passage)
    if Keeps.SOUND in keeps:
        keeps &= Keeps.SOUND | Keeps.MELODY
    rest = keeps & ~Keeps.MELODY
    for edit in edits:
        if edit is None:
            continue
        key = edit.remove, tuple(note.id for note in edit.add)
        if key in seen:
            continue
        seen.add(key)
        after = passage.of(passage.part.apply(edit))
        if Keeps.MELODY in keeps and _line(after) != before:
            continue
        if rest and broken_promises(passage, after, rest):
            continue
        yield edit


def _line(passage: Passage) -> list[tuple[int, int]]:
    return [(s.onset, s.pitch.midi) for s in melody(passage)]


def _sounds(passage: Passage) -> list[tuple[int, int, int, int]]:
    return sorted((s.onset, s.lead, s.pitch.midi, s.end) for s in passage.strikes)


def _bass_kept(before: Passage, after: Passage) -> bool:
    ringing: int | None = None
    for harmony in harmonies(before):
        old = bass(before, harmony.onset, harmony.end)
        new = bass(after, harmony.onset, harmony.end)
        if old is None:
            continue
        now = new.pitch.pitch_class if new is not None else ringing
        if now != old.pitch.pitch_class:
            return False
        ringing = now
    return True


def _harmony_kept(before: Passage, after: Passage) -> bool:
    for harmony in harmonies(before):
        old = _classes(before, harmony.onset, harmony.end)
        new = _classes(after, harmony.onset, harmony.end)
        if not new <= old:
            return False
        needed = {harmony.root, harmony.third} & old
        if not needed <= new:
            return False
    return True


def _classes(passage: Passage, onset: int, end: int) -> set[int]:
    return {
        s.pitch.pitch_class
        for s in passage.strikes
        if s.onset < end and max(s.end, s.onset + 1) > onset
    }


def hand_words(notes: Iterable[Note]) -> str:
    """'right hand', 'left hand' or 'both hands': the staves (or asked hands) of these notes."""
    sides = {note.hand or ("R" if note.staff == 1 else "L") for note in notes}
    if len(sides) != 1:
        return "both hands"
    return "right hand" if sides == {"R"} else "left hand"
