"""Play a tremolo measured, or plain.

What it does:
    A tremolo is written out in even notes that the player has time for: two chords in turn, a
    chord's lowest note and the rest in turn, a single note again and again. Or the sign goes and
    the chord is struck once; two chords in tremolo with each other become one chord for the time of
    both.

When a harpist would do this:
    When the rustling takes both hands or more time than there is; a chord rings on by itself
    (the harp's tremolo is soft and of little use in loud music: Goss, 100 More Orchestration
    Tips, no. 75). Measured: common practice.

What is lost:
    The shimmer; measured, its quickness.

Does not apply when:
    There is no tremolo.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from simplify.harp.player import Player
from simplify.score.edits import (
    Draft,
    Place,
    all_then_each,
    even_values,
    names,
    whole,
)
from simplify.score.model import TICKS, Edit, Passage, Strike, new_note
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.BASS | Keeps.HARMONY
SIGNS = ("tremolo", "tremolo-start", "tremolo-stop")
UNITS = (TICKS // 8, TICKS // 4, TICKS // 2, TICKS)
"""Values tried, quickest first: 32nd to quarter."""


def _struck_once(chord: list[Strike]) -> Callable[[Draft], None]:
    def act(draft: Draft) -> None:
        for strike in chord:
            draft.mark(strike, strike.first.without("tremolo"))

    return act


def _pairs(passage: Passage) -> Iterator[tuple[list[Strike], list[Strike]]]:
    """The two chords of each tremolo of two, in time order."""
    starts = [s for s in passage.strikes if s.first.has("tremolo-start")]
    for start in starts:
        stops = [
            s
            for s in passage.strikes
            if s.first.has("tremolo-stop")
            and s.onset == start.end
            and (s.first.staff, s.first.voice) == (start.first.staff, start.first.voice)
        ]
        if stops:
            yield _chord(passage, start), _chord(passage, stops[0])


def _chord(passage: Passage, strike: Strike) -> list[Strike]:
    return [
        s
        for s in passage.strikes
        if s.onset == strike.onset
        and not s.lead
        and (s.first.staff, s.first.voice) == (strike.first.staff, strike.first.voice)
    ]


def _joined(first: list[Strike], second: list[Strike]) -> Callable[[Draft], None]:
    start, end = first[0].onset, second[0].end

    def act(draft: Draft) -> None:
        for strike in [*first, *second]:
            draft.mark(strike, strike.first.without(*SIGNS))
            draft.retime(strike, start, end)

    return act


def _measured(
    passage: Passage, player: Player, low: list[Strike], high: list[Strike], end: int
) -> Iterator[Edit | None]:
    """Two chords in turn, or one again and again, until a tick: in the two quickest values that the
    player has time for and that are no quicker than the sign says."""
    start, limits = low[0].onset, player.limits
    again = limits.hard_share * limits.repeat_seconds
    least = max(limits.hard_share / limits.hand_rate, again / 2) if high else again
    chords = [*low, *high]
    if not all(len(strike.notes) == 1 and whole(passage, strike) for strike in chords):
        return
    marks = [mark for s in chords for kind in SIGNS if (mark := s.first.mark(kind))]
    units = [unit for unit in UNITS if unit >= TICKS >> min(mark.strokes for mark in marks)]
    for unit in even_values(passage.part, start, end, units, least)[:2]:
        draft = Draft(passage)
        for chord, at in ((low, start), (high, start + unit)):
            for strike in chord:
                draft.mark(strike, strike.first.without(*SIGNS))
                draft.retime(strike, at, at + unit)
        for k in range(1 + bool(high), (end - start) // unit):
            for strike in high if high and k % 2 else low:
                head = strike.first
                draft.add(
                    new_note(
                        start + k * unit, unit, strike.pitch, head.bar, staff=head.staff,
                        voice=head.voice, hand=head.hand,
                    )
                )
        yield draft.edit(f"the tremolo on {names(chords)} in even notes")


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    edits: list[Edit | None] = []
    pairs = list(_pairs(passage))
    for bar in passage.bars:
        places: list[Place] = []
        done: set[int] = set()
        for strike in passage.strikes:
            here = strike.first.bar == bar.index and strike.first.has("tremolo")
            if here and whole(passage, strike) and strike.first.id not in done:
                chord = [s for s in _chord(passage, strike) if whole(passage, s)]
                done |= {s.first.id for s in chord}
                reason = f"the tremolo on {names(chord)} is struck once and rings"
                places.append((_struck_once(chord), reason))
                chord.sort(key=lambda s: s.pitch.midi)
                edits += _measured(passage, player, chord[:1], chord[1:], chord[0].end)
        for first, second in pairs:
            if first[0].first.bar == bar.index:
                shown = " ".join(s.pitch.name for s in [*first, *second])
                places.append((_joined(first, second), f"the tremolo {shown} becomes one chord"))
                edits += _measured(passage, player, first, second, second[0].end)
        edits.extend(all_then_each(passage, places, "the tremolos of the bar are struck once", 2))
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="plain_tremolo",
    title="Play a tremolo measured, or plain",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("2/4 | G5:2 ; [C3 E3]:2{tremolo 2}", "2/4 | G5:2 ; [C3 E3]:2"),
        Case(
            "2/4 | E4:1{tremolo-start 3} G4:1{tremolo-stop 3} ; C3:2", "2/4 | [E4 G4]:2 ; C3:2"
        ),
        Case(
            "2/4 | E4:1{tremolo-start 3} G4:1{tremolo-stop 3} ; C3:2",
            "2/4 | E4:1/4 G4 E4 G4 E4 G4 E4 G4 ; C3:2",
        ),
        Case("2/4 | G5:2 ; [C3 E3]:2{tremolo 2}", "2/4 | G5:2 ; C3:1/4 E3 C3 E3 C3 E3 C3 E3"),
        Case("2/4 tempo:60 | G5:2{tremolo 1} ; C3:2", "2/4 tempo:60 | G5:1/2 G5 G5 G5 ; C3:2"),
        Case("2/4 | G5:2 ; [C3 E3]:2{accent}", None),
        Case("2/4 | E4:1 G4 ; C3:2", None),
        Case("2/4 | E4:1/4 G4 E4 G4 E4 G4 E4 G4 ; C3:2", None),
        Case("2/4 | G5:1/2 G5 G5 G5 ; C3:2", None),
        Case("2/4 | G5:2{trill} ; C3:2", None),
    ),
)
