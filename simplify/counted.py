"""Things counted in words, one or many."""

from __future__ import annotations


def counted(count: int, one: str, many: str = "") -> str:
    """Such as '1 bar' or '3 bars'. many: what more than one, or none, are called, if that is not
    `one` with an s."""
    return f"{count} {one if count == 1 else many or f'{one}s'}"
