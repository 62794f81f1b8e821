"""What several strategies share: the promise guard, whole-bar and single-place edits, harmony.

Not a strategy itself.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator, Sequence

from simplify.harp.player import Limits, Player
from simplify.score.edits import Column, Draft, leading, names, staff_bars
from simplify.score.harmony import Harmony, harmonies
from simplify.score.lines import melody
from simplify.score.model import Edit, Mark, NoteId, Part, Passage, Pitch, Strike
from simplify.strategy import Keeps, broken_promises

Place = tuple[Callable[[Draft], None], str]
"""One spot: what happens to the draft there, and the reason if it happens alone."""

MOST_PLACES = 3
"""Single spots offered per bar and hand beside the whole-bar edit (estimate: more only slows the
search, which composes edits itself)."""

ALL_KEPT = Keeps.MELODY | Keeps.BASS | Keeps.HARMONY | Keeps.RHYTHM | Keeps.SOUND
"""What a change of layout or spelling keeps."""

TIED_DOWN = frozenset(
    {"gliss-start", "gliss-stop", "tremolo-start", "tremolo-stop", "cue", "harmonic"}
)
"""Signs that make a strike more than a plain note: most strategies leave it alone."""


def promised(passage: Passage, keeps: Keeps, edits: Iterable[Edit | None]) -> Iterator[Edit]:
    """The edits that exist, differ from one another, and hold these promises on this passage.

    A change that keeps the melody nearly always may lose it in a corner (an inner note that ends
    sooner uncovers a voice below): the strategy then offers nothing there.
    """
    seen: set[tuple[frozenset[NoteId], tuple[NoteId, ...]]] = set()
    before = [(s.onset, s.pitch.midi) for s in melody(passage)]
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
        if Keeps.MELODY in keeps:
            line = [(s.onset, s.pitch.midi) for s in melody(after)]
            if line != before:
                continue
        if rest and broken_promises(passage, after, rest):
            continue
        yield edit


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


def over_full(column: Column, limits: Limits) -> bool:
    """True if the column has more notes than the hand has fingers to give."""
    return len(column.strikes) > limits.notes_per_hand


def over_wide(column: Column, limits: Limits) -> bool:
    """True if the column spans more than the hand reaches."""
    return column.span > limits.reach


def hurried(part: Part, cols: Sequence[Column], at: int, limits: Limits) -> bool:
    """True if the column is a chord of three or more that follows another in less time than is
    comfortable."""
    if at == 0 or len(cols[at].strikes) < 3:
        return False
    gap = part.seconds(cols[at].onset) - part.seconds(cols[at - 1].onset)
    return gap < limits.chord_seconds


OCTAVE = 7
"""Strings to the octave; a move up to it is no jump (tiers.toml, jump_seconds)."""


def placing_seconds(strings: float, limits: Limits) -> float:
    """Seconds that a hand comfortably needs to place after a move of so many strings
    (tiers.toml: jump_seconds up to an octave, jump_octave_seconds for each further one)."""
    return limits.jump_seconds + limits.jump_octave_seconds * max(0.0, strings / OCTAVE - 1)


def can_come(part: Part, cols: Sequence[Column], column: Column, limits: Limits) -> bool:
    """True if the hand that plays `cols` has time to come to a column of the other hand and to
    go back, at the edge of what is possible for the player."""
    for other in cols:
        time = abs(part.seconds(other.onset) - part.seconds(column.onset))
        need = limits.hard_share * placing_seconds(abs(other.centre - column.centre), limits)
        if other.onset == column.onset or time < need:
            return False
    return True


def plural(count: int, one: str, many: str) -> str:
    """'1 note', '3 notes'."""
    return f"{count} {one if count == 1 else many}"


def with_marks(strike: Strike, *extra: Mark) -> tuple[Mark, ...]:
    """The strike's marks and these."""
    return tuple(sorted({*strike.first.marks, *extra}))


def thin_chords(
    passage: Passage,
    player: Player,
    choose: Callable[[Column, Harmony | None, tuple[Strike, ...]], tuple[Strike, ...]],
    what: str,
    *,
    at_least: int = 3,
    whole_bar: str = "",
) -> Iterator[Edit | None]:
    """Edits that thin chords: a whole hand's bar, then single chords that are over-full, too wide
    (the whole bar covers those that come in a hurry).

    choose: which strikes of a column go, out of those offered (never the leading note).
    what: the lost notes in words, such as 'the octave doubling'.
    whole_bar: what the bar's chords become, instead of 'all chords of the bar without <what>'.
    """
    lead, limits, found = leading(passage), player.limits, harmonies(passage)
    for _, _, cols in staff_bars(passage):
        places, needed = [], []
        for column in cols:
            if len(column.strikes) < at_least:
                continue
            offered = following(column, lead, passage.part)
            gone = choose(column, harmony_at(found, column.onset), offered)
            if not gone or len(gone) >= len(column.strikes):
                continue
            left = [s for s in column.strikes if s not in gone]
            reason = f"{column.hand}: {column.names} becomes {names(left)}, without {what}"
            places.append((dropping(*gone), reason))
            if over_full(column, limits) or over_wide(column, limits):
                needed.append(places[-1])
        if len(places) > 1:
            words = whole_bar or f"all chords of the bar without {what}"
            yield next(iter(all_then_each(passage, places, f"{cols[0].hand}: {words}", 1)), None)
        else:
            needed = places
        for act, reason in needed[:2]:
            draft = Draft(passage)
            act(draft)
            yield draft.edit(reason)


LOW_LINE = 21
"""String C3: below it close intervals blur (low registers are slow to clear: Rimsky-Korsakov,
Principles of Orchestration, ch. I; the line: estimate)."""

OPEN_LOW = 4
"""Strings of a fifth: closer intervals below `LOW_LINE` blur (estimate)."""


def blurred(pitches: Iterable[Pitch]) -> bool:
    """True if two of these sound together below C3 less than a fifth apart."""
    strings = sorted(p.string for p in pitches)
    return any(
        low < LOW_LINE and high - low < OPEN_LOW
        for low, high in itertools.pairwise(strings)
    )


def called(strikes: Iterable[Strike], most: int = 3) -> str:
    """The names of the sounds, or 'the repeated notes' when they are many."""
    found = list(dict.fromkeys(s.pitch.name for s in strikes))
    return " ".join(found) if len(found) <= most else "the repeated notes"


def names_of(strikes: Iterable[Strike]) -> str:
    """Printed names with 'and' before the last: 'C♯4 and E4'."""
    found = [s.pitch.name for s in strikes]
    return found[0] if len(found) == 1 else f"{', '.join(found[:-1])} and {found[-1]}"
