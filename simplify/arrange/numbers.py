"""The numbers of arranging; units and sources stand in arrange.toml."""

from __future__ import annotations

from simplify.tables import table


def numbers(name: str) -> dict[str, float]:
    """One table of arrange.toml: name to value."""
    return table("simplify.arrange", "arrange.toml", name)
