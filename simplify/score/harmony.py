"""Harmony segments of a passage."""

from __future__ import annotations

from dataclasses import dataclass

from simplify.score.model import Passage


@dataclass(frozen=True, slots=True)
class Harmony:
    """One harmony: [onset, end) in ticks, root and third as pitch classes (third None when the
    chord has none), kind (such as 'major', 'minor', 'dominant seventh'), classes: its chord tones.
    """

    onset: int
    end: int
    root: int
    third: int | None
    kind: str
    classes: frozenset[int]


def harmonies(passage: Passage) -> tuple[Harmony, ...]:
    """The passage's harmonies, end to end, covering it."""
    raise NotImplementedError
