"""The few exception types. Every message says what is wrong, where, and what to do next."""

from __future__ import annotations


class GentlerError(Exception):
    """Base of every error a user can cause; its text is one line, fit to print after ``Error:``."""


class ScoreError(GentlerError):
    """The score can't be used: not a score, damaged, empty, unsupported, or over a stated limit."""


class SelectionError(GentlerError):
    """The part, bars, tier, harp or strategy asked for does not exist, or the choice is open."""


class EditError(GentlerError):
    """An edit does not fit the part it is applied to."""


class PlayerError(GentlerError):
    """A player file or a tier table is not usable."""


class StrategyError(GentlerError):
    """A strategy breaks its contract; the message names the strategy and the law."""


class OutputError(GentlerError):
    """The output can't be written: it exists, its folder is missing, or it is the input file."""
