"""Reads search.toml."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any


@dataclass(frozen=True, slots=True)
class SearchSettings:
    """The numbers of search.toml; units stand there."""

    fault: float
    excess: float
    join: float
    step: float
    slip: float
    soft: float
    width: int
    depth: int
    sets: int
    carried: int
    again: int
    contenders: int
    trials: int
    variants: int
    apart: float
    other_kinds: int
    column_bars: int
    widest: int
    grown: int
    context_beats: int
    rounds: int
    halvings: int
    filled: int
    softenings: int
    softened: int
    softened_alone: int
    softened_thorough: int
    elsewhere: int
    returns: int
    nearer: float
    beside: int
    hope: float
    surely: float
    gifts: int
    trades: int
    thorough: int
    trade_share: float
    drop_cost: float
    gift_worth: float
    swaps: int
    regrowths: int
    ease_rounds: int
    ease_give_back: int
    ease_apart: int
    view_strains: tuple[float, ...]
    view_shares: tuple[float, ...]
    strains: tuple[float, ...]
    shuns: tuple[float, ...]
    distance: float
    near_copy: float
    alike: float
    spotless: float
    unlike: float
    kinds: float


@cache
def settings() -> SearchSettings:
    """The settings as shipped."""
    data = tomllib.loads(files("simplify.search").joinpath("search.toml").read_text("utf-8"))
    values: dict[str, Any] = {
        name: tuple(row["value"]) if isinstance(row["value"], list) else row["value"]
        for table in data.values()
        for name, row in table.items()
    }
    return SearchSettings(**values)
