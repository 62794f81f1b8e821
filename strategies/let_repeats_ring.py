"""Let a repeated string ring instead of striking it again.

What it does:
    Where a hand strikes the same strings again sooner than is comfortable, every second strike is
    left out, or all but the first of the beat or of the bar, and the note before is written long;
    or every second one sounds an octave away. Only notes that do not lead.

When a harpist would do this:
    Always when it can be done: touching a ringing string buzzes and stops it (Philharmonia
    Orchestra, harp notes; Goss, 100 Orchestration Tips). Halve the rate and let ring, or
    alternate octaves: common practice.

What is lost:
    The pulse of the repetition.

Does not apply when:
    There is time for the string to be placed again, or the repeated note is the melody.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from simplify.harp.player import Player
from simplify.score.edits import (
    Column,
    Place,
    all_then_each,
    at_octave,
    called,
    dropping,
    following,
    inside,
    leading,
    pitching,
    pulse_of,
    row,
)
from simplify.score.model import Bar, Edit, Passage, Strike
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY


def _runs(passage: Passage, cols: Sequence[Column], player: Player) -> list[list[Strike]]:
    """Runs of one sound struck again within the comfortable time, at least two strikes long and
    with a strike in the passage; leading strikes break a run."""
    part, lead = passage.part, leading(passage)
    wait = player.limits.repeat_seconds
    open_runs: dict[int, list[Strike]] = {}
    closed: list[list[Strike]] = []
    for column in cols:
        free = following(column, lead, part)
        for strike in column.strikes:
            key = strike.pitch.midi
            run = open_runs.get(key)
            if run and part.seconds(strike.onset) - part.seconds(run[-1].onset) >= wait:
                closed.append(open_runs.pop(key))
                run = None
            if strike not in free:
                if run:
                    closed.append(open_runs.pop(key))
                continue
            open_runs.setdefault(key, []).append(strike)
    closed.extend(open_runs.values())
    here = [
        run for run in closed
        if len(run) > 1 and any(passage.first <= s.first.bar <= passage.last for s in run)
    ]
    return sorted(here, key=lambda r: (r[0].onset, r[0].pitch.midi))


def _by_bar(
    runs: Sequence[Sequence[Strike]], passage: Passage
) -> Iterator[tuple[Bar, list[list[Strike]]]]:
    """For each bar of the passage the runs as far as they lie in it; the first strike of a run
    that began in the bar before counts as already struck there."""
    for bar in passage.bars:
        found = []
        for run in runs:
            if any(s.first.bar == bar.index for s in run):
                found.append([s for s in run if bar.index - 1 <= s.first.bar <= bar.index])
        if found:
            yield bar, found


def _again(run: Sequence[Strike], bar: Bar, how: str) -> list[Strike]:
    """The strikes of a run in this bar that go. across: what already rings from the bar before."""
    own = [s for s in run if s.first.bar == bar.index]
    if how == "across":
        return own[:1] if run[0].first.bar < bar.index else []
    if how == "second":
        return [s for k, s in enumerate(own) if k % 2]
    if how == "beat":
        beats: set[int] = set()
        gone = []
        for strike in own:
            beat = pulse_of(bar, strike.onset)
            if beat in beats:
                gone.append(strike)
            beats.add(beat)
        return gone
    return own[1:]


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    edits: list[Edit | None] = []
    for staff in (2, 1):
        cols = row(passage, staff)
        if not any(inside(passage, c) for c in cols):
            continue
        hand = "right hand" if staff == 1 else "left hand"
        for bar, runs in _by_bar(_runs(passage, cols, player), passage):
            sound = called(r[-1] for r in runs)
            ways = (
                ("second", f"{hand}: {sound}: every second strike is left out, the first rings on"),
                ("beat", f"{hand}: {sound}: struck once a beat and left to ring"),
                ("bar", f"{hand}: {sound}: struck once and left to ring through the bar"),
                ("across", f"{hand}: {sound}: rings on from the bar before"),
            )
            for how, reason in ways:
                gone = [s for run in runs for s in _again(run, bar, how)]
                if gone:
                    edits.extend(all_then_each(passage, [(dropping(*gone), reason)], reason))
            edits.extend(_octaves(passage, bar, runs, cols, hand))
    yield from promised(passage, KEEPS, edits)


def _octaves(
    passage: Passage,
    bar: Bar,
    runs: Sequence[Sequence[Strike]],
    cols: Sequence[Column],
    hand: str,
) -> Iterator[Edit | None]:
    single = {c.low.first.id for c in cols if len(c.strikes) == 1}
    places: list[Place] = []
    for run in runs:
        again = [s for s in _again(run, bar, "second") if s.first.id in single]
        if again and hand == "left hand":
            moves = [(s, at_octave(s.pitch, 1)) for s in again]
            name = again[0].pitch.name
            reason = f"{hand}: every second {name} sounds an octave higher, on another string"
            places.append((pitching(moves), reason))
    yield from all_then_each(
        passage, places, f"{hand}: every second strike of a repeated note an octave higher", 1
    )


STRATEGY = Strategy(
    name="let_repeats_ring",
    title="Let repeated strings ring",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case(
            "4/4 | G5:2 A5 ; [C3 E3 G3]:1/2 [C3 E3 G3] [C3 E3 G3] [C3 E3 G3] [C3 F3 A3] "
            "[C3 F3 A3] [C3 F3 A3] [C3 F3 A3]",
            "4/4 | G5:2 A5 ; [C3 E3 G3]:1 [C3 E3 G3] [C3 F3 A3] [C3 F3 A3]",
            "school",
        ),
        Case(
            "2/4 tempo:120 | G5:2 ; C3:1/2 C3 C3 C3",
            "2/4 tempo:120 | G5:2 ; C3:1/2 C4 C3 C4",
        ),
        Case("2/4 tempo:120 | G5:2 ; C3:1/2 C3 C3 C3", "2/4 tempo:120 | G5:2 ; C3:2"),
        Case("2/4 tempo:40 | G5:2 ; C3:1/2 C3 C3 C3", None),
        Case("2/4 tempo:120 | G5:1/2 G5 G5 G5 ; C3:2", None),
        Case("2/4 tempo:120 | G5:2 ; C3:1/2 D3 E3 F3", None),
    ),
)
