"""Join bass and after-beat into one chord.

What it does:
    A left hand of bass and after-beat chord (march, waltz, rag) becomes one chord on the beat: the
    bass with as many of the chord's notes above it as the hand takes and reaches, the bass an
    octave higher if it lies too low; or the after-beats shrink to their top note.

When a harpist would do this:
    When the stride from bass to chord is too wide or too fast to place; the harp rings through the
    after-beat by itself (common practice in piano transcriptions for harp).

What is lost:
    The after-beats.

Does not apply when:
    The left hand does not alternate a low note and higher ones.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from simplify.harp.hand import blurred
from simplify.harp.player import Limits, Player
from simplify.score.edits import (
    Column,
    Draft,
    Place,
    all_then_each,
    at_octave,
    dropping,
    following,
    leading,
    lower_bars,
    strength,
)
from simplify.score.model import Edit, NoteId, Passage, Pitch, Strike
from simplify.strategy import Case, Keeps, Strategy, promised

KEEPS = Keeps.MELODY


def _groups(cols: Sequence[Column], weight: Callable[[Column], int]) -> list[list[Column]]:
    """Each stronger column with the weaker, higher ones that follow it."""
    groups: list[list[Column]] = []
    for column in cols:
        head = groups[-1][0] if groups else None
        if (
            head is not None
            and weight(column) < weight(head)
            and column.low.pitch.midi > head.low.pitch.midi
        ):
            groups[-1].append(column)
        else:
            groups.append([column])
    return [g for g in groups if len(g) > 1]


def _on_beat(column: Column) -> int:
    return min(1, strength(column.bar, column.onset))


def _weight(column: Column) -> int:
    return strength(column.bar, column.onset)


def _joined(
    group: Sequence[Column], limits: Limits
) -> tuple[Pitch, list[tuple[Strike, Pitch]]] | None:
    """The bass's pitch and the after-beat's notes with theirs, in one hand."""
    head, after = group[0].low, group[1].strikes
    chosen: list[tuple[Strike, Pitch]] = []
    bass = head.pitch
    while after[-1].pitch.string - bass.string > limits.reach + 7:
        bass = at_octave(bass, 1)
    for strike in after:
        if len(chosen) + 1 == limits.notes_per_hand:
            break
        pitch = strike.pitch
        while pitch.string - bass.string > limits.reach:
            pitch = at_octave(pitch, -1)
        taken = [bass, *(p for _, p in chosen)]
        if pitch.string > bass.string and not blurred([*taken, pitch]) and all(
            p.string != pitch.string and p.pitch_class != pitch.pitch_class for p in taken
        ):
            chosen.append((strike, pitch))
    return (bass, chosen) if chosen else None


def _act(
    group: Sequence[Column], bass: Pitch, chosen: Sequence[tuple[Strike, Pitch]]
) -> Callable[[Draft], None]:
    head, end = group[0].low, group[-1].end
    kept = {head.first.id, *(s.first.id for s, _ in chosen)}

    def act(draft: Draft) -> None:
        draft.drop(*(s for c in group for s in c.strikes if s.first.id not in kept))
        draft.retime(head, head.onset, end)
        if bass != head.pitch:
            draft.pitch(head, bass)
        for strike, pitch in chosen:
            draft.retime(strike, head.onset, end)
            draft.put(strike, voice=head.first.voice)
            if pitch != strike.pitch:
                draft.pitch(strike, pitch)

    return act


def _usable(group: Sequence[Column], lead: frozenset[NoteId], passage: Passage) -> bool:
    strikes = [s for c in group for s in c.strikes]
    free = [s for c in group for s in following(c, lead, passage.part)]
    return len(free) == len(strikes) and all(len(s.notes) == 1 for s in strikes)


def _propose(passage: Passage, player: Player) -> Iterator[Edit]:
    lead, limits = leading(passage), player.limits
    edits: list[Edit | None] = []
    for bar, cols in lower_bars(passage):
        weights = ((_on_beat, "each after-beat joins"), (_weight, "the weak beats join"))
        for weight, words in weights:
            joined: list[Place] = []
            for group in _groups(cols, weight):
                found = _joined(group, limits) if _usable(group, lead, passage) else None
                if found is not None:
                    shown = " ".join(p.name for p in [found[0], *(p for _, p in found[1])])
                    beat = f"{bar.beat(group[0].onset):g}"
                    reason = f"left hand: the bass of beat {beat} and what follows become {shown}"
                    joined.append((_act(group, *found), reason))
            reason = f"left hand: {words} the bass in one chord"
            edits.extend(all_then_each(passage, joined, reason, 1))
        tops: list[Place] = []
        for group in _groups(cols, _weight):
            for column in group[1:]:
                gone = [
                    s for s in following(column, lead, passage.part) if s is not column.high
                ]
                if gone:
                    reason = f"left hand: {column.names} becomes {column.high.pitch.name}"
                    tops.append((dropping(*gone), reason))
        reason = "left hand: the after-beats keep only their top note"
        edits.extend(all_then_each(passage, tops, reason, 1))
    yield from promised(passage, KEEPS, edits)


STRATEGY = Strategy(
    name="gather_after_beats",
    title="Join bass and after-beats",
    keeps=KEEPS,
    propose=_propose,
    cases=(
        Case("2/4 | E5:2 ; C3:1/2 [E4 G4] G2 [F4 B4]", "2/4 | E5:2 ; [C3 E3 G3]:1 [G3 B3 F4]"),
        Case("3/4 | E5:3 ; C3:1 [E4 G4] [E4 G4]", "3/4 | E5:3 ; [C3 E3 G3]:3"),
        Case("3/4 | E5:3 ; C3:1 [E4 G4] [E4 G4]", "3/4 | E5:3 ; C3:1 G4 G4"),
        Case("3/4 | E5:3 ; C3:3", None),
        Case("2/4 | E5:2 ; C4:1/2 G3 C4 G3", None),
        Case("2/4 | C5:1/2 [E5 G5] C5 [E5 G5] ; C3:2", None),
    ),
)
