"""Several players at once: a class list, and one hard part divided between two harps."""

from __future__ import annotations

import bisect
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from simplify.arrange.gather import Gathered, dressed
from simplify.arrange.ladder import Ladder, Rung, ladder_of
from simplify.arrange.numbers import numbers
from simplify.errors import PlayerError
from simplify.harp.instrument import Instrument
from simplify.harp.player import Player, load_player, player_from, tier_names
from simplify.realise.bar import Basis, basis_of
from simplify.score.model import Note, NoteId, Part
from simplify.score.ties import mended
from simplify.search.ease import Eased, Progress, ease
from simplify.technique.perform import perform
from simplify.technique.playability import find_faults


def load_class(path: str) -> tuple[str, tuple[Player, ...]]:
    """Name and players of a class list (TOML): `name`, and a `[[player]]` each with what a player
    file has, or with `file`, a player file beside the list, and what differs from it.

    Raises:
        PlayerError: unreadable, without players, or a player is not usable or there twice.
    """
    try:
        data = tomllib.loads(Path(path).read_text("utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        message = f"class list {path}: can't be read ({error}); give a TOML file"
        raise PlayerError(message) from None
    unknown = sorted(data.keys() - {"name", "player"})
    if unknown:
        raise PlayerError(f"class list {path}: unknown key '{unknown[0]}'; known are name, player")
    rows = data.get("player", [])
    if not isinstance(rows, list) or not rows or not all(isinstance(r, dict) for r in rows):
        raise PlayerError(f"class list {path}: no players; add a [[player]] table for each")
    players = tuple(_player(path, at, row) for at, row in enumerate(rows, start=1))
    names = [player.name for player in players]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise PlayerError(f"class list {path}: two players are called '{twice}'; name them apart")
    return str(data.get("name", Path(path).stem)), players


def _player(path: str, at: int, row: dict[str, Any]) -> Player:
    label = f"class list {path}, player {at}"
    row = dict(row)
    file = row.pop("file", None)
    if file is not None:
        extra = sorted(row.keys() - {"name", "tier", "harp"})
        if extra:
            raise PlayerError(f"{label}: beside 'file' only name, tier and harp, not '{extra[0]}'")
        player = load_player(
            str(Path(path).parent / str(file)), tier=row.get("tier"), harp=row.get("harp")
        )
        return replace(player, name=str(row.get("name", player.name)))
    if "name" not in row:
        raise PlayerError(f"{label}: needs a name")
    return player_from(row, label)


@dataclass(frozen=True, slots=True)
class ClassParts:
    """Who plays what. ladders: one for each harp in use; rows: (player, ladder, rung) in the order
    of the list."""

    name: str
    gathered: Gathered
    ladders: tuple[Ladder, ...]
    rows: tuple[tuple[Player, Ladder, Rung], ...]

    @property
    def reached(self) -> bool:
        """True if everybody can take their part."""
        return all(rung.reached for _, _, rung in self.rows)


def class_parts(
    gathered: Gathered, name: str, players: Sequence[Player], *, progress: Progress | None = None
) -> ClassParts:
    """A part for every player: on each harp the players from the most able down, each version
    derived from the one before; players with the same abilities share one."""
    order = tier_names()
    harps: list[Instrument] = list(dict.fromkeys(player.harp for player in players))
    ladders, rows = [], {}
    for at, harp in enumerate(harps):
        group = [p for p in players if p.harp == harp]
        alike: dict[Player, list[Player]] = {}
        for player in group:
            alike.setdefault(replace(player, name=player.tier), []).append(player)
        kinds = sorted(
            alike, key=lambda p: (-order.index(p.tier), -p.rules.max_load, -p.limits.reach)
        )
        named = [replace(kind, name=alike[kind][0].name) for kind in kinds]
        ladder = ladder_of(
            gathered, named, stepping=False,
            progress=None if progress is None else _part_of(progress, at, len(harps)),
        )
        ladders.append(ladder)
        for kind, rung in zip(kinds, ladder.rungs, strict=True):
            for player in alike[kind]:
                rows[player.name] = (player, ladder, rung)
    return ClassParts(
        name, gathered, tuple(ladders), tuple(rows[player.name] for player in players)
    )


def _part_of(progress: Progress, at: int, of: int) -> Progress:
    return lambda done, total: progress(at * total + done, of * total)


# --- two harps ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Desk:
    """One of two players and what they play. before: their share as divided; eased: made
    playable for them."""

    player: Player
    basis: Basis
    eased: Eased


@dataclass(frozen=True, slots=True)
class Duo:
    """A part divided between two harps: the tune and what moves with it, and the bass with the
    harmony; or by_turns: one plays while the other sets the pedals."""

    gathered: Gathered
    desks: tuple[Desk, Desk]
    by_turns: bool

    @property
    def reached(self) -> bool:
        """True if both can take their part."""
        return all(desk.eased.reached for desk in self.desks)


def duo_of(
    gathered: Gathered, first: Player, second: Player, *, progress: Progress | None = None
) -> Duo:
    """The music divided between two players: the first has the tune with the upper staff, the
    second the rest; each spreads it over both hands, so that what one pair of hands had is shared
    by two, and each pair of feet has its own accidentals.

    Where that leaves a place without a pedal in every other bar, and turns leave fewer, they play
    by turns, as music too chromatic for one harp is written for two (from memory of
    Rimsky-Korsakov, Principles of Orchestration).
    """
    part = dressed(gathered.part, gathered.damper, first.harp)
    whole = basis_of(part, first.harp)
    players = (first, second)
    by_voice, turning = (
        _on_their_harps(shares, players) for shares in (divided(whole), by_turns(whole))
    )
    late = _without_pedals(by_voice, players)
    least = len(part.bars) * numbers("duo")["turns"]
    turns = late >= least and _without_pedals(turning, players) < late
    desks = []
    for at, (share, player) in enumerate(zip(turning if turns else by_voice, players, strict=True)):
        tune = frozenset(n.id for n in share.notes if n.id in whole.tune)
        basis = basis_of(share, player.harp, tune if at == 0 or turns else None)
        eased = ease(
            basis, player, progress=None if progress is None else _part_of(progress, at, 2)
        )
        desks.append(Desk(player, basis, eased))
    return Duo(gathered, (desks[0], desks[1]), turns)


def _on_their_harps(
    shares: tuple[Part, Part], players: tuple[Player, Player]
) -> tuple[Part, Part]:
    """The second share folded to the second player's harp where it is another one."""
    first, second = players
    if second.harp == first.harp:
        return shares
    return shares[0], dressed(shares[1], (), second.harp)


def _without_pedals(shares: tuple[Part, Part], players: tuple[Player, Player]) -> int:
    """Places of both shares that the pedals (or levers) can't serve."""
    return sum(
        fault.rule in _OF_THE_PEDALS
        for share, player in zip(shares, players, strict=True)
        for fault in find_faults(perform(share, player))
    )


_OF_THE_PEDALS = frozenset({"pedal_setting", "pedal_held", "pedal_time", "lever_under_left_hand"})


def by_turns(basis: Basis) -> tuple[Part, Part]:
    """Everything divided in time: the players change wherever, at the start of a beat, a note asks
    for another position of a letter than the turn so far; who has played out keeps ringing and has
    the other's turn to set the pedals. Tied notes stay with whom they began."""
    part = basis.part
    beats: dict[int, list[Note]] = {}
    for note in part.notes:
        if not note.tie_in:
            bar = part.bars[note.bar]
            beat = bar.onset - bar.lead + (note.onset - bar.onset + bar.lead) // (
                bar.pulse_ticks) * bar.pulse_ticks
            beats.setdefault(beat, []).append(note)
    turn, state, owner = 0, dict[str, int](), dict[int, int]()
    for beat in sorted(beats):
        asked = {(n.pitch.step, n.pitch.alter) for n in beats[beat]}
        if any(state.get(step, alter) != alter for step, alter in asked):
            turn, state = 1 - turn, {}
        state.update(asked)
        owner[beat] = turn
    starts = sorted(owner)
    holder: dict[tuple[int, int], int] = {}
    shares: tuple[list[Note], list[Note]] = ([], [])
    for note in sorted(part.notes, key=lambda n: n.onset):
        who = holder.get((note.onset, note.pitch.midi)) if note.tie_in else None
        if who is None:
            who = owner[starts[max(0, bisect.bisect_right(starts, note.onset) - 1)]]
        if note.tie_out:
            holder[note.end, note.pitch.midi] = who
        shares[who].append(note)
    return tuple(  # type: ignore[return-value]
        mended(replace(part, name=name, notes=tuple(sorted(notes, key=lambda n: n.order_key))))
        for name, notes in (("Harp 1", shares[0]), ("Harp 2", shares[1]))
    )


def divided(basis: Basis) -> tuple[Part, Part]:
    """(tune and upper staff, bass and the rest), each on two staves: of the first the tune is
    above, of the second all but the lowest note of each moment."""
    lowest: dict[int, int] = {}
    for note in basis.part.notes:
        if note.id not in basis.tune and note.staff == 2:
            lowest[note.onset] = min(lowest.get(note.onset, 999), note.pitch.midi)
    tops: set[NoteId] = set(basis.tune)
    first, second = [], []
    for note in basis.part.notes:
        if note.id in tops:
            first.append(replace(note, staff=1, voice="1"))
        elif note.staff == 1:
            first.append(replace(note, staff=2, voice="5"))
        elif note.pitch.midi == lowest[note.onset]:
            second.append(replace(note, staff=2, voice="5"))
        else:
            second.append(replace(note, staff=1, voice="1"))
    return tuple(  # type: ignore[return-value]
        mended(replace(basis.part, name=name, notes=tuple(sorted(_voiced(notes),
               key=lambda n: n.order_key))))
        for name, notes in (("Harp 1", first), ("Harp 2", second))
    )


def _voiced(notes: Sequence[Any]) -> list[Any]:
    """Notes of one staff that overlap without beginning and ending together, in voices of their
    own."""
    found = []
    for staff, names in ((1, "1234"), (2, "5678")):
        ends: dict[str, tuple[int, int]] = {}
        for note in sorted((n for n in notes if n.staff == staff), key=lambda n: (n.onset, -n.end)):
            for name in names:
                begun, until = ends.get(name, (-1, -1))
                if until <= note.onset or (begun, until) == (note.onset, note.end):
                    ends[name] = (note.onset, note.end)
                    found.append(replace(note, voice=name))
                    break
            else:
                found.append(replace(note, voice=names[-1]))
    return found
