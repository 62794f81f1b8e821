"""Players: a tier's limits and rules, a player's own strengths, reach and harp."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, fields, replace
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from simplify.errors import PlayerError, SelectionError
from simplify.harp.instrument import Instrument, instrument

LAYERS = (
    "fingers", "between_hands", "pedals", "harmonic_rhythm", "rhythm", "counterpoint",
)
"""The six layers, in the order in which they are always shown."""
SIMPLE, MODERATE = 0.35, 0.65
"""A layer up to SIMPLE is simple, up to MODERATE moderate, above it complex (estimate)."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What a player's hands and feet can do; units and sources stand in tiers.toml."""

    notes_per_hand: int
    reach: int
    reach_12: int
    reach_13: int
    reach_23: int
    reach_24: int
    reach_34: int
    hard_share: float
    hand_rate: float
    repeat_seconds: float
    chord_seconds: float
    jump_seconds: float
    jump_octave_seconds: float
    foot_seconds: float
    roll_seconds: float
    trill_rate: float
    staff_cost: float
    right_low: int

    def pair_reach(self, upper: int, lower: int) -> int:
        """Strings that two fingers of one hand span (upper finger number < lower)."""
        return {
            (1, 2): self.reach_12, (1, 3): self.reach_13, (1, 4): self.reach,
            (2, 3): self.reach_23, (2, 4): self.reach_24, (3, 4): self.reach_34,
        }[(upper, lower)]


@dataclass(frozen=True, slots=True)
class Rules:
    """What a tier takes of the layers; see tiers.toml. caps are in the order of `LAYERS`."""

    max_complex: int
    max_load: float
    burst_bars: int
    burst_margin: float
    caps: tuple[float, ...]
    forbidden: tuple[tuple[str, str, float, float], ...]


@dataclass(frozen=True, slots=True)
class Player:
    """A tier, or one person."""

    name: str
    tier: str
    harp: Instrument
    limits: Limits
    rules: Rules
    strengths: tuple[str, ...] = ()
    small_hands: bool = False


@cache
def tier_table() -> dict[str, Any]:
    """tiers.toml as it stands."""
    text = files("simplify.harp").joinpath("tiers.toml").read_text("utf-8")
    return tomllib.loads(text)


def tier_names() -> tuple[str, ...]:
    """The five tiers, easiest first."""
    return tuple(tier_table()["tiers"])


@cache
def tier_player(tier: str, harp: str | None = None) -> Player:
    """The typical player of a tier, on the tier's usual harp or another.

    Raises:
        SelectionError: no such tier or harp.
    """
    table, names = tier_table(), tier_names()
    if tier not in names:
        raise SelectionError(f"no tier '{tier}'; choose one of: {', '.join(names)}")
    at = names.index(tier)
    limits = Limits(**{name: row["values"][at] for name, row in table["limits"].items()})
    rows = table["rules"]
    forbidden = tuple(
        (pair[0], pair[1], rows["forbidden"]["threshold"][0], rows["forbidden"]["threshold"][1])
        for pair in rows["forbidden"]["pairs"]
        if tier in rows["forbidden"]["tiers"]
    )
    rules = Rules(
        max_complex=rows["max_complex"]["values"][at],
        max_load=rows["max_load"]["values"][at],
        burst_bars=rows["burst_bars"]["values"][at],
        burst_margin=rows["burst_margin"]["values"][at],
        caps=tuple(rows["caps"][layer][at] for layer in LAYERS),
        forbidden=forbidden,
    )
    return Player(tier, tier, instrument(harp or table["harp"][tier]), limits, rules)


def load_player(path: str, *, tier: str | None = None, harp: str | None = None) -> Player:
    """A player file (TOML): `name`, `tier`, `harp`, `strengths`, `small_hands`, and tables
    `[limits]` and `[rules]` whose keys override the tier's. `tier` and `harp` given here win.

    Raises:
        PlayerError: unreadable, or a key, value or strength that is not known.
    """
    try:
        data = tomllib.loads(Path(path).read_text("utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        message = f"player file {path}: can't be read ({error}); give a TOML file"
        raise PlayerError(message) from None
    return player_from(data, f"player file {path}", tier=tier, harp=harp)


def player_from(
    data: dict[str, Any], path: str, *, tier: str | None = None, harp: str | None = None
) -> Player:
    """A player as the table of a player file says (see `load_player`). path: what errors call it.

    Raises:
        PlayerError: a key, value or strength that is not known.
    """
    known = {"name", "tier", "harp", "strengths", "small_hands", "limits", "rules"}
    unknown = sorted(data.keys() - known)
    if unknown:
        raise PlayerError(
            f"{path}: unknown key '{unknown[0]}'; known are {', '.join(sorted(known))}"
        )
    try:
        base = tier_player(tier or data.get("tier", "professional"), harp or data.get("harp"))
    except SelectionError as error:
        raise PlayerError(f"{path}: {error}") from None
    table = tier_table()
    limits, strengths = base.limits, tuple(data.get("strengths", ()))
    for strength in strengths:
        row = table["strengths"].get(strength)
        if row is None:
            raise PlayerError(
                f"{path}: unknown strength '{strength}'; "
                f"known are {', '.join(table['strengths'])}"
            )
        limits = _merged(path, limits, row.get("limits", {}), better=True)
        limits = _reaching(limits, row.get("reach", 0))
    if data.get("small_hands", False):
        limits = _reaching(limits, table["small_hands"]["reach"])
    limits = _merged(path, limits, data.get("limits", {}))
    rules: Rules = base.rules
    for key, value in data.get("rules", {}).items():
        if key not in {"max_complex", "max_load", "burst_bars", "burst_margin"}:
            raise PlayerError(f"{path}: [rules] has no '{key}'")
        if isinstance(value, bool) or not isinstance(value, int | float) or value < 0:
            raise PlayerError(f"{path}: [rules] {key} = {value!r} must be a number")
        rules = replace(rules, **{key: value})  # type: ignore[arg-type]
    return Player(
        str(data.get("name", base.name)), base.tier, base.harp, limits, rules, strengths,
        bool(data.get("small_hands", False)),
    )


_MORE_IS_BETTER = {"notes_per_hand", "hand_rate", "trill_rate"}


def _merged(path: str, limits: Limits, values: dict[str, Any], *, better: bool = False) -> Limits:
    """`limits` with these values; `better`: only where the value is the stronger one."""
    names = {f.name for f in fields(Limits)}
    for key, value in values.items():
        if key not in names:
            raise PlayerError(
                f"{path}: [limits] has no '{key}'; known are {', '.join(sorted(names))}"
            )
        if isinstance(value, bool) or not isinstance(value, int | float) or value < 0:
            raise PlayerError(f"{path}: [limits] {key} = {value!r} must be a number")
        old = getattr(limits, key)
        if better:
            value = max(old, value) if key in _MORE_IS_BETTER else min(old, value)
        limits = replace(limits, **{key: value})
    return limits


def _reaching(limits: Limits, strings: int) -> Limits:
    """`limits` with every finger pair reaching `strings` further."""
    reaches = [f.name for f in fields(Limits) if f.name.startswith("reach")]
    return replace(limits, **{name: max(1, getattr(limits, name) + strings) for name in reaches})
