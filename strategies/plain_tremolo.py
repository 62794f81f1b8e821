"""Play a tremolo plain.

What it does:
    A tremolo sign on a note or chord goes, and it is struck once; two notes in tremolo with each
    other become one chord for the time of both.

When a harpist would do this:
    When the rustling takes both hands or more time than there is; a chord rings on by itself
    (the harp's tremolo is soft and of little use in loud music: Goss, 100 More Orchestration
    Tips, no. 75).

What is lost:
    The shimmer.

Does not apply when:
    There is no tremolo.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from simplify.harp.player import Player
from simplify.score.edits import Draft, Place, all_then_each, names, whole
from simplify.score.model import Edit, Passage, Strike
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.BASS | Keeps.HARMONY
SIGNS = ("tremolo", "tremolo-start", "tremolo-stop")


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
        for first, second in pairs:
            if first[0].first.bar == bar.index:
                shown = " ".join(s.pitch.name for s in [*first, *second])
                places.append((_joined(first, second), f"the tremolo {shown} becomes one chord"))
        edits.extend(all_then_each(passage, places, "the tremolos of the bar are struck once", 2))
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="plain_tremolo",
    title="Play a tremolo plain",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("2/4 | G5:2 ; [C3 E3]:2{tremolo 2}", "2/4 | G5:2 ; [C3 E3]:2"),
        Case(
            "2/4 | E4:1{tremolo-start 3} G4:1{tremolo-stop 3} ; C3:2", "2/4 | [E4 G4]:2 ; C3:2"
        ),
        Case("2/4 | G5:2 ; [C3 E3]:2{accent}", None),
        Case("2/4 | E4:1 G4 ; C3:2", None),
    ),
)
