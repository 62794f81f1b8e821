"""Draws the front: how hard each alternative is against how far it is from the original."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from simplify.report.svg import (
    GRADES,
    INK,
    LINE,
    OVER,
    PAPER,
    SOFT,
    Drawing,
    drawing,
    hint,
    label,
    tag,
)


@dataclass(frozen=True, slots=True)
class Point:
    """name: what is printed in the mark; distance in [0, 1]; difficulty 0-100; within: the tier
    takes it."""

    name: str
    distance: float
    difficulty: float
    within: bool


WIDTH, HEIGHT = 460.0, 310.0
LEFT, RIGHT, TOP, BOTTOM = 52.0, 18.0, 26.0, 52.0


MARK = 11.0
"""Radius of an alternative's mark."""

LETTER = 6.6
"""Width of a letter of a label, about."""

_CLEAR: Mapping[str, str | float] = {"stroke": PAPER, "stroke_width": 4, "paint_order": "stroke"}
"""Keeps lines from running through a label."""

Scale = Callable[[float], float]


def _step(top: float) -> float:
    """A round step that gives four to eight marks up to `top`."""
    raw = top / 5
    base = 10.0 ** math.floor(math.log10(raw))
    return next(base * m for m in (1, 2, 5, 10) if base * m >= raw)


def front(original: float, points: Sequence[Point], limit: float, taker: str) -> Drawing:
    """original: difficulty as written; limit: the difficulty that `taker` takes at most."""
    reach = max(0.1, 1.12 * max((p.distance for p in points), default=0.1))
    high = min(100.0, 1.1 * max(original, limit, 10.0, *(p.difficulty for p in points)))

    def x(distance: float) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * distance / reach

    def y(difficulty: float) -> float:
        return TOP + (HEIGHT - TOP - BOTTOM) * (1 - difficulty / high)

    places = _apart([(x(p.distance), y(p.difficulty)) for p in points])
    parts = [tag(
        "rect", x=LEFT, y=y(limit), width=WIDTH - LEFT - RIGHT, height=y(0) - y(limit),
        fill="#f3efe8",
    )]
    step = _step(high)
    for i in range(int(high / step) + 1):
        row = y(i * step)
        parts.append(tag(
            "line", x1=LEFT, x2=WIDTH - RIGHT, y1=row, y2=row, stroke=LINE, stroke_width=0.6
        ))
        parts.append(label(LEFT - 8, row + 5, f"{i * step:g}", text_anchor="end", fill=SOFT))
    step = _step(reach)
    for i in range(int(reach / step + 1e-9) + 1):
        column = x(i * step)
        parts.append(tag("line", x1=column, x2=column, y1=y(0), y2=y(0) + 5, stroke=SOFT))
        parts.append(label(column, y(0) + 20, f"{i * step:.2g}", text_anchor="middle", fill=SOFT))
    parts += [
        tag("line", x1=LEFT, x2=WIDTH - RIGHT, y1=y(0), y2=y(0), stroke=SOFT),
        label(WIDTH - RIGHT, HEIGHT - 8, "distance from the original →", text_anchor="end"),
        label(4, 12, "↑ difficulty"),
        tag("line", x1=LEFT, x2=WIDTH - RIGHT, y1=y(limit), y2=y(limit), stroke=OVER,
            stroke_width=1.4, stroke_dasharray="6 3"),
        _limit(f"{taker} takes up to {limit:g}", y(limit), places),
        _edge(original, points, x, y),
        tag(
            "g", hint(f"as written: difficulty {original:.0f}"),
            tag("rect", x=x(0) - 6, y=y(original) - 6, width=12, height=12, fill=INK),
            label(x(0) + 12, y(original) + 20, f"as written, {original:.0f}", **_CLEAR),
        ),
    ]
    for at, point in zip(places, points, strict=True):
        fill, ink = (GRADES["complex"], PAPER) if point.within else (PAPER, INK)
        words = f"{point.name}: difficulty {point.difficulty:.0f}, distance {point.distance:.2f}"
        words += ", within" if point.within else ", not within"
        parts.append(tag(
            "g", hint(words),
            tag("circle", cx=at[0], cy=at[1], r=MARK, fill=fill, stroke=GRADES["complex"],
                stroke_width=1.6),
            label(at[0], at[1] + 5, point.name, text_anchor="middle", fill=ink),
        ))
    told = "; ".join(
        f"{p.name}: difficulty {p.difficulty:.0f} at distance {p.distance:.2f}" for p in points
    )
    return drawing(
        WIDTH, HEIGHT, f"Difficulty against distance. As written {original:.0f}; {told}", *parts
    )


def _limit(words: str, line: float, places: Sequence[tuple[float, float]]) -> str:
    """The words above a line (below it where there is no room): at its end, its beginning or
    between, where fewest marks are in the way."""
    wide = LETTER * len(words)
    first, last = int(LEFT) + 4, int(WIDTH - RIGHT - 4 - wide)
    base = line - 7 if line > TOP + 24 else line + 17

    def covered(at: int) -> int:
        return sum(
            at - MARK < x < at + wide + MARK and base - 12 - MARK < y < base + 4 + MARK
            for x, y in places
        )

    at = min((last, first, *range(first, last, 8)), key=covered)
    return label(at, base, words, fill=OVER, **_CLEAR)


def _edge(original: float, points: Sequence[Point], x: Scale, y: Scale) -> str:
    """Steps along the points that nothing both nearer and easier beats."""
    best = original
    d = f"M{x(0):.1f} {y(original):.1f}"
    for point in sorted(points, key=lambda p: (p.distance, p.difficulty)):
        if point.difficulty < best:
            d += f"H{x(point.distance):.1f}V{y(point.difficulty):.1f}"
            best = point.difficulty
    return tag("path", d=d, fill="none", stroke=SOFT, stroke_width=1)


def _apart(places: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Marks that would cover one another, moved sideways until they touch."""
    done: list[tuple[float, float]] = []
    for x, y in places:
        while any(math.hypot(x - a, y - b) < 23 for a, b in done):
            x += 4
        done.append((min(x, WIDTH - RIGHT), y))
    return done
