"""Reads the tables of numbers that lie beside the code: every row a value, a unit and a source."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files


@cache
def table(package: str, file: str, name: str) -> dict[str, float]:
    """One table of a package's TOML file: name to value."""
    text = files(package).joinpath(file).read_text("utf-8")
    return {row: float(field["value"]) for row, field in tomllib.loads(text)[name].items()}
