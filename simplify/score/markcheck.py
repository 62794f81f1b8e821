"""Checks the pedal marks that a source prints against its notes.

The marks are read as the harpist would: a setting or move holds from its place on. A note whose
pedal stands elsewhere is a mistake of the marks unless another string sounds it (an F♯ on the G
string at flat); so is a pedal that is to move while one of its strings is held, because it would
buzz (common practice). Pedals that no mark has named yet are not judged. Of one slip only the first
note is told: from there on the pedal counts as moved. Where the marks stop for good and the pedals
would have to go on moving (as around a few bars that were marked), that is told once.
"""

from __future__ import annotations

from dataclasses import dataclass

from simplify.score.model import ALTER_SIGNS, Part, Pitch

STOPPED = 4
"""Mistakes after the bar of the last mark from which the marks are taken to have stopped there
(estimate)."""


@dataclass(frozen=True, slots=True)
class MarkMistake:
    """A pedal mark that does not agree with the notes. onset: tick of the note or mark."""

    onset: int
    text: str


def mark_mistakes(part: Part) -> tuple[MarkMistake, ...]:
    """Where the source's pedal marks and its notes disagree, in time order."""
    found: list[MarkMistake] = []
    now: dict[str, int] = {}
    since: dict[str, int] = {}
    before: dict[str, int] = {}
    marks = sorted(part.given, key=lambda g: g.onset)
    at = 0
    for strike in part.strikes:
        while at < len(marks) and marks[at].onset <= strike.onset:
            mark = marks[at]
            at += 1
            for letter, position in mark.positions:
                old = now.get(letter)
                if old == position:
                    continue
                if old is not None:
                    found += _held(part, letter, old, position, mark.onset)
                    before[letter] = position if mark.full else old
                now[letter], since[letter] = position, mark.onset
        pitch = strike.pitch
        position = now.get(pitch.step, pitch.alter)
        if position == pitch.alter or _elsewhere(pitch, now):
            continue
        # A move under a note may be meant for just after it.
        if since[pitch.step] == strike.onset and before.get(pitch.step) == pitch.alter:
            continue
        bar, beat = part.place(since[pitch.step])
        found.append(
            MarkMistake(
                strike.onset,
                f"{pitch.name} is written, but the pedal marks leave {pitch.step} at "
                f"{ALTER_SIGNS[position]} (bar {bar} beat {beat:g})",
            )
        )
        if pitch.alter in (-1, 0, 1):
            now[pitch.step], since[pitch.step] = pitch.alter, strike.onset
    found.sort(key=lambda m: (m.onset, m.text))
    if marks:
        last = part.bar_at(marks[-1].onset)
        after = [mistake for mistake in found if mistake.onset >= last.end]
        if len(after) >= STOPPED:
            stop = f"the pedal marks stop in bar {last.number}"
            text = f"{stop}; from here on other settings are needed"
            found[-len(after) :] = [MarkMistake(after[0].onset, text)]
    return tuple(found)


def _elsewhere(pitch: Pitch, now: dict[str, int]) -> bool:
    """True if another string sounds the pitch, or could: its pedal has not been named."""
    return any(
        now.get(other.step, other.alter) == other.alter
        for other in pitch.spellings() if other.step != pitch.step
    )


def _held(part: Part, letter: str, old: int, new: int, tick: int) -> list[MarkMistake]:
    """A string of the pedal that is held when the pedal is to move."""
    for strike in part.strikes:
        if strike.onset >= tick:
            break
        pitch = strike.pitch
        if strike.end > tick and (pitch.step, pitch.alter) == (letter, old):
            return [
                MarkMistake(
                    tick,
                    f"{letter} is to move to {ALTER_SIGNS[new]} while {pitch.name} is held",
                )
            ]
    return []
