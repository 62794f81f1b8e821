"""What else would help, outside the notes of the bars: proposals for the whole piece.

A proposal is no rewrite: it keeps every note (or, for two harps, gives each to one of two players)
and changes how the piece is set. Each is measured on the bars asked for, like the alternatives, and
named apart from them, since only the composer can decide it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from simplify.arrange.classes import divided
from simplify.arrange.gather import damper_spans, dressed, folded
from simplify.arrange.keys import in_key_of, key_costs, key_name
from simplify.arrange.numbers import numbers
from simplify.difficulty.load import Reading, read_for
from simplify.difficulty.tiers import tier_needed
from simplify.harp.player import Player
from simplify.realise.bar import basis_of
from simplify.score.model import Part, TempoMark
from simplify.score.read import LoadedPart


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of proposal, as the catalogue prints it."""

    name: str
    title: str
    text: tuple[tuple[str, str], ...]


SLOWER = Kind(
    "slower_tempo", "Play the piece slower",
    (
        ("What it does", "Lowers every tempo mark of the piece by the same share, to the fastest "
         "tempo at which the bars come within the tier."),
        ("When a harpist would do this", "Always while learning, and in concert where the tempo "
         "mark asks for more than the strings and feet allow: a slower tempo is the first thing a "
         "player asks the composer for (common practice)."),
        ("What is lost", "The tempo; no note."),
        ("Does not apply when", "Not even six tenths of the tempo bring the bars within the tier."),
    ),
)
OTHER_KEY = Kind(
    "another_key", "Put the piece in a key that suits the harp",
    (
        ("What it does", "Transposes the whole piece to the key near by that needs the fewest "
         "pedal moves (lever turns), flats first."),
        ("When a harpist would do this", "In solo music, where nobody else has to follow: flats "
         "ring best, and awkward keys are put in flats (Goss, 100 Orchestration Tips, no. 66; "
         "Prout, The Orchestra, p. 74)."),
        ("What is lost", "The key; no interval."),
        ("Does not apply when", "Another part plays too, or no key near by needs fewer moves."),
    ),
)
TWO_HARPS = Kind(
    "two_harps", "Divide the piece between two harps",
    (
        ("What it does", "Gives the tune and the upper staff to a first harp, the bass and the "
         "rest to a second; each spreads its share over both hands."),
        ("When a harpist would do this", "Where a passage is too chromatic or too full for one "
         "harp and two are at hand (alternating harps: Prout, The Orchestra; Rimsky-Korsakov, "
         "Principles of Orchestration)."),
        ("What is lost", "Nothing, if there is a second harp."),
        ("Does not apply when", "Neither share is easier than the whole."),
    ),
)
KINDS = (SLOWER, OTHER_KEY, TWO_HARPS)


@dataclass(frozen=True, slots=True)
class Proposal:
    """One proposal. text: what it is, in words; difficulty, tier_needed, within, faults: of the
    bars asked for (of two players' parts: the harder); parts: the whole piece so set, one part a
    player."""

    kind: Kind
    text: str
    difficulty: float
    tier_needed: str | None
    within: bool
    faults: int
    parts: tuple[Part, ...]


def proposals_for(
    loaded: LoadedPart, first: int, last: int, player: Player, before: Reading, *, keys: bool
) -> tuple[Proposal, ...]:
    """The proposals that ease bars first..last (indices) of a part for a player.

    before: those bars as written; keys: look at other keys too, which takes a plan of the whole
    piece for each.
    """
    if before.verdict.within and not before.faults:
        return ()
    found = [*_slower(loaded.part, first, last, player)]
    if keys and not loaded.part.around:
        found += _other_key(loaded.part, first, last, player, before)
    found += _two_harps(loaded, first, last, player, before)
    return tuple(found)


def _measured(
    kind: Kind, text: str, parts: tuple[Part, ...], readings: tuple[Reading, ...],
    first: int, last: int,
) -> Proposal:
    hardest = max(readings, key=lambda r: (len(r.faults), r.assessment.difficulty))
    part = parts[readings.index(hardest)]
    harp = hardest.player.harp.name
    return Proposal(
        kind, text, max(r.assessment.difficulty for r in readings),
        tier_needed(part.window(first, last), harp, [hardest]),
        all(r.verdict.within and not r.faults for r in readings),
        sum(len(r.faults) for r in readings), parts,
    )


def _eases(reading: Reading, before: Reading) -> bool:
    """True if it is within the tier, or enough easier to be worth saying."""
    least = numbers("proposals")["worth_saying"]
    if reading.verdict.within and not reading.faults:
        return True
    return (
        len(reading.faults) <= len(before.faults)
        and reading.assessment.difficulty <= before.assessment.difficulty - least
    )


def _at_share(part: Part, share: float) -> Part:
    marks = tuple(TempoMark(m.onset, float(round(m.quarters * share))) for m in part.tempo)
    return replace(part, tempo=marks, assumed_tempo=False)


def _slower(
    part: Part, first: int, last: int, player: Player
) -> Iterator[Proposal]:
    """The fastest tempo within the tier."""
    k = numbers("proposals")
    share, best = k["slowest"], None
    while share < 1.0 - 1e-9:
        slow = _at_share(part, share)
        reading = read_for(slow.window(first, last), player)
        if reading.faults or not reading.verdict.within:
            break
        best = slow, reading
        share += k["step"]
    if best is None:
        return
    slow, reading = best
    low = part.bars[first].onset
    was, now = (
        next(m.quarters for m in reversed(p.tempo) if m.onset <= low or m is p.tempo[0])
        for p in (part, slow)
    )
    text = f"at quarter note = {now:g} instead of {was:g}"
    yield _measured(SLOWER, text, (slow,), (reading,), first, last)


def _other_key(
    part: Part, first: int, last: int, player: Player, before: Reading
) -> Iterator[Proposal]:
    home, *others = key_costs(part, player, solo=True)
    best = min(
        (k for k in others if k.semitones), key=lambda k: (k.unmet, k.moves, abs(k.semitones)),
        default=None,
    )
    if best is None or (best.unmet, best.moves) >= (home.unmet, home.moves):
        return
    moved = in_key_of(part, best.semitones, best.fifths)
    if moved is None:
        return
    moved = folded(moved, player.harp)
    reading = read_for(moved.window(first, last), player)
    many = "pedal moves" if player.harp.has_pedals else "lever turns"
    far = abs(best.semitones)
    way = f"{far} semitone{'s' * (far > 1)} {'higher' if best.semitones > 0 else 'lower'}"
    text = (
        f"with the signature of {key_name(best.fifths)} instead of {key_name(home.fifths)} ({way}):"
        f" {best.moves} {many} in the piece instead of {home.moves}"
    )
    yield _measured(OTHER_KEY, text, (moved,), (reading,), first, last)


def _two_harps(
    loaded: LoadedPart, first: int, last: int, player: Player, before: Reading
) -> Iterator[Proposal]:
    part = dressed(loaded.part, damper_spans(loaded), player.harp)
    shares = divided(basis_of(part, player.harp))
    if any(not any(share.notes_by_bar[first : last + 1]) for share in shares):
        return
    readings = tuple(read_for(share.window(first, last), player) for share in shares)
    if not all(_eases(reading, before) for reading in readings):
        return
    one, two = (round(reading.assessment.difficulty) for reading in readings)
    text = f"the first harp's share has difficulty {one}, the second's {two}"
    yield _measured(TWO_HARPS, text, shares, readings, first, last)
