"""The numbers of writing bars anew; units and sources stand in realise.toml."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files


@cache
def numbers(table: str) -> dict[str, float]:
    """One table of realise.toml: name to value."""
    text = files("simplify.realise").joinpath("realise.toml").read_text("utf-8")
    return {name: float(row["value"]) for name, row in tomllib.loads(text)[table].items()}
