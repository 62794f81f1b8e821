"""Repeat a note on two strings.

What it does:
    Writes every second strike of a repeated sound on its synonym string (B♯ for C, C♭ for B,
    D♭ for C♯ ...), so that no ringing string is touched.

When a harpist would do this:
    For fast repetitions of any of the nine sounds that two strings give; idiomatic even at the
    speed of a trill (the pedals give two names to nine sounds: common practice, counted from the
    pedal mechanism in Hipkins, "Harp", Grove's Dictionary).

What is lost:
    Nothing in sound.

Does not apply when:
    The sound has one string (D, G, A), another note of the bar needs the second string at another
    pedal position, the note is one of a chord, or the harp has levers.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from simplify.harp.player import Player
from simplify.score.edits import all_then_each, columns, leading, pitching, row_of_sound
from simplify.score.model import Bar, Edit, Passage, Pitch, Strike
from simplify.strategy import ALL_KEPT, Case, Strategy, promised

KEEPS = ALL_KEPT


def _free(bar_strikes: Sequence[Strike], pitch: Pitch) -> bool:
    """True if nothing in the bar needs the letter at another position."""
    return all(
        s.pitch.step != pitch.step or s.pitch.alter == pitch.alter for s in bar_strikes
    )


def _synonym(
    bar_strikes: Sequence[Strike], run: Sequence[Strike], player: Player
) -> Pitch | None:
    pitch = run[0].pitch
    for other in player.harp.strings_for(pitch):
        if other != pitch and _free(bar_strikes, other):
            return other
    return None


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    if player.harp.has_pedals:
        edits = [e for bar in passage.bars for e in _bar(passage, bar, player)]
        yield from promised(passage, KEEPS, edits)


def _bar(passage: Passage, bar: Bar, player: Player) -> Iterator[Edit | None]:
    strikes = [s for s in passage.strikes if s.first.bar == bar.index and not s.lead]
    lead = leading(passage)
    alone = {c.low.first.id for staff in (1, 2) for c in columns(passage, bar, staff) if not c.span}
    for run in row_of_sound(passage.part, strikes, player.limits.repeat_seconds):
        if len({s.pitch for s in run}) > 1 or not all(
            s.first.id in lead or s.first.id in alone for s in run
        ):
            continue
        other = _synonym(strikes, run, player)
        if other is None:
            continue
        changes = [(s, other) for s in run[1::2]]
        reason = (
            f"the repeated {run[0].pitch.name} alternates with {other.name} on the next string"
        )
        yield from all_then_each(passage, [(pitching(changes), reason)], reason)


STRATEGY = Strategy(
    name="repeat_on_two_strings",
    title="Repeat a note on two strings",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case(
            "2/4 tempo:120 | C5:1/2 C5 C5 C5 ; E3:2", "2/4 tempo:120 | C5:1/2 B#4 C5 B#4 ; E3:2"
        ),
        Case("2/4 tempo:120 | G5:1/2 G5 G5 G5 ; E3:2", None),
        Case("2/4 tempo:120 | C5:1/2 C5 C5 C5 ; B3:2", None),
        Case("2/4 tempo:40 | C5:1 C5 ; E3:2", None),
    ),
)
