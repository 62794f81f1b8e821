"""The catalogue: one musical transformation a file, listed here in order."""

from __future__ import annotations

from simplify.strategy import Strategy

ALL: tuple[Strategy, ...] = ()
"""Every strategy, in the order in which the catalogue prints and the search tries them."""
