"""The steps of a rewrite: its edits in words, each with its share of what the whole does."""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set

from simplify.difficulty.load import assess
from simplify.distance import distance
from simplify.harp.player import Player
from simplify.report.results import Step
from simplify.score.edits import names
from simplify.score.model import Edit, Note, NoteId, Part, Passage, Strike
from simplify.strategy import hand_words
from simplify.technique.perform import perform


def content_of(part: Part, first: int, last: int) -> frozenset[NoteId]:
    """The notes of some bars of one source's versions, which tell those bars apart."""
    return frozenset(note.id for row in part.notes_by_bar[first : last + 1] for note in row)


def steps_of(
    part: Part,
    edits: Sequence[Edit],
    first: int,
    last: int,
    player: Player,
    read: dict[frozenset[NoteId], float],
    titles: Mapping[str, str],
) -> tuple[Step, ...]:
    """Edits in words, in bar order; the same act in neighbouring bars is told once, and where a
    second one changes a chord, what comes of both. Each edit is credited with what difficulty and
    distance of bars first..last do as it comes in, in the order in which the edits apply, so that
    the credits add up to the whole. read: the difficulty of versions of these bars by content,
    which what is read here is added to; titles: of the strategies."""
    source = Passage(part, first, last)
    rows: list[tuple[int, int, Edit, list[Note], float, float]] = []
    now, far = part, 0.0

    def difficulty(version: Part) -> float:
        content = content_of(version, first, last)
        if content not in read:
            read[content] = assess(perform(version.window(first, last), player)).difficulty
        return read[content]

    hard = difficulty(part)
    for edit in edits:
        low, high = edit.bars(now)
        touched = [now.by_id[i] for i in sorted(edit.remove)] + list(edit.add)
        now = now.apply(edit)
        eased = difficulty(now)
        further = distance(source, source.of(now)).total
        rows.append((low, high, edit, touched, hard - eased, further - far))
        hard, far = eased, further
    rows.sort(key=lambda row: (row[0], row[1], row[2].strategy, row[2].reason))
    merged: list[tuple[int, int, str, str, str, float, float]] = []
    told: set[tuple[int, int]] = set()
    for low, high, edit, touched, drop, away in rows:
        chords = {(note.onset, note.staff) for note in touched}
        words = edit.reason
        if any(note.pitch.name in words for note in touched):
            words += _in_the_end(now, chords & told)
        act = edit.strategy, hand_words(touched), words
        told |= chords
        for i, (start, end, *known, sum_drop, sum_away) in enumerate(merged):
            if tuple(known) == act and low <= end + 1:
                merged[i] = (start, max(end, high), *act, sum_drop + drop, sum_away + away)
                break
        else:
            merged.append((low, high, *act, drop, away))
    return tuple(
        Step(
            strategy, titles[strategy], part.bars[low].number, part.bars[high].number, hand, text,
            drop, away,
        )
        for low, high, strategy, hand, text, drop, away in merged
    )


def _in_the_end(part: Part, chords: Set[tuple[int, int]]) -> str:
    """What a part has where more than one edit changed a chord (onset, staff): words to follow
    those of the last edit, which name the notes as they were before any. None for more than two
    chords, which are a line."""
    if not 0 < len(chords) <= 2:
        return ""
    rows: dict[tuple[int, int], list[Strike]] = {chord: [] for chord in sorted(chords)}
    for strike in part.strikes:
        if not strike.lead:
            rows.get((strike.onset, strike.first.staff), []).append(strike)
    return "; in the end: " + ", then ".join(names(row) or "a rest" for row in rows.values())
