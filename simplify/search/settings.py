"""Reads search.toml."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files


@dataclass(frozen=True, slots=True)
class SearchSettings:
    """The numbers of search.toml; units stand there."""

    fault: float
    excess: float
    join: float
    step: float
    slip: float
    soft: float
    near: float
    width: int
    depth: int
    trials: int
    variants: int
    other_kinds: int
    column_bars: int
    widest: int
    context_beats: int
    rounds: int
    trimmed: int
    hope: float
    regrowths: int
    lambdas: tuple[float, ...]
    distance: float
    near_copy: float


@cache
def settings() -> SearchSettings:
    """The settings as shipped."""
    data = tomllib.loads(files("simplify.search").joinpath("search.toml").read_text("utf-8"))
    rows = {**data["weights"], **data["breadth"], **data["limits"]}
    values = {name: row["value"] for name, row in rows.items()}
    return SearchSettings(lambdas=tuple(data["lambdas"]["values"]), **values)
