"""Draws the six layers over the bars: how loaded, where it is too much, where it changes.

A row a layer; a column a bar, as high as its load, darker by grade; over it the load beat by beat
as a thin line. A dashed line marks what the player takes, a triangle the bars above it, a cross
below the rows the bars with something that can't be played. Numbers show where a pointer rests.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from simplify.harp.player import LAYERS, MODERATE, SIMPLE
from simplify.report.svg import (
    GRADES,
    INK,
    LINE,
    OVER,
    PAPER,
    SOFT,
    Drawing,
    drawing,
    fitting,
    hint,
    label,
    tag,
)
from simplify.report.words import LAYER_WORDS, bars_words, grade


@dataclass(frozen=True, slots=True)
class Span:
    """Bars first..last (positions) under one heading. short: for a narrow place."""

    first: int
    last: int
    words: str
    short: str


@dataclass(frozen=True, slots=True)
class Loads:
    """What is drawn. numbers: printed bar numbers; layers: loads per bar, in the order of
    `LAYERS`; before: the same as they stood before, drawn as outlines; beats: per layer (position
    in bars, length in bars, load); caps: what `taker` takes of each layer; spans: headings above;
    stuck: position of a bar to what can't be played there."""

    numbers: tuple[str, ...]
    layers: tuple[tuple[float, ...], ...]
    before: tuple[tuple[float, ...], ...] = ()
    beats: tuple[tuple[tuple[float, float, float], ...], ...] = ()
    caps: tuple[float, ...] = ()
    taker: str = ""
    spans: tuple[Span, ...] = ()
    stuck: tuple[tuple[int, str], ...] = ()


SIZE = 14
ROW, GAP = 46.0, 26.0
MARGIN = 6.0


def plots(loads: Loads, *, width: float = 960, row_bars: int = 72) -> tuple[Drawing, ...]:
    """The drawing, in blocks of at most `row_bars` bars."""
    count = len(loads.numbers)
    shown = -(-count // -(-count // row_bars))
    step = (width - 2 * MARGIN) / shown
    blocks = []
    for start in range(0, count, shown):
        stop = min(start + shown, count)
        block, height = _block(loads, start, stop, step)
        bars = bars_words(loads.numbers[start], loads.numbers[stop - 1])
        words = f"Loads of the six layers over {bars}. " + ". ".join(
            f"{LAYER_WORDS[name]} at most {max(row[at] for row in loads.layers[start:stop]):.2f}"
            for at, name in enumerate(LAYERS)
        )
        blocks.append(drawing(
            width, height + 10, words,
            tag("g", block, transform=f"translate({MARGIN:g} 4)"), size=SIZE,
        ))
    return tuple(blocks)


def plot(loads: Loads, *, width: float = 960, row_bars: int = 72) -> Drawing:
    """All blocks below one another."""
    parts, y, words = [], 0.0, []
    for block in plots(loads, width=width, row_bars=row_bars):
        parts.append(tag("g", block.svg, transform=f"translate(0 {y:g})"))
        words.append(block.words)
        y += block.height + 10
    return drawing(width, y, ". ".join(words), *parts, size=SIZE)


def _block(loads: Loads, start: int, stop: int, step: float) -> tuple[str, float]:
    """One block's markup and height."""
    parts: list[str] = []
    y = 0.0
    if loads.spans:
        parts.append(_spans(loads.spans, start, stop, step))
        y += 30
    for at in range(len(LAYERS)):
        y += GAP
        parts.append(tag("g", _layer(loads, at, start, stop, step), transform=f"translate(0 {y})"))
        y += ROW
    parts.append(_axis(loads.numbers, start, stop, step, y))
    y += 20
    stuck = [(bar, words) for bar, words in loads.stuck if start <= bar < stop]
    if stuck:
        y += 18
        parts.append(label(0, y, "can't be played as written", fill=OVER, font_size=SIZE - 1))
        y += 14
        for bar, words in stuck:
            parts.append(_cross((bar - start + 0.5) * step, y - 3, words))
        y += 4
    return "".join(parts), y


def _cross(x: float, y: float, words: str) -> str:
    d = f"M{x - 4:.1f} {y - 4:.1f}l8 8m0 -8l-8 8"
    return tag("path", hint(words), d=d, stroke=OVER, stroke_width=2, fill="none")


def _spans(spans: Sequence[Span], start: int, stop: int, step: float) -> str:
    parts = []
    for span in spans:
        low, high = max(span.first, start), min(span.last + 1, stop)
        if low >= high:
            continue
        x, wide = (low - start) * step, (high - low) * step
        words = next((w for w in (span.words, span.short) if fitting(w, wide - 6, SIZE)), "")
        parts.append(tag(
            "g", hint(span.words),
            tag("path", d=f"M{x + 1:.1f} 28v-5h{wide - 2:.1f}v5", fill="none", stroke=SOFT),
            label(x + 3, 17, words) if words else "",
        ))
    return "".join(parts)


def _axis(numbers: Sequence[str], start: int, stop: int, step: float, y: float) -> str:
    """Bar numbers under their columns, as many as have room."""
    parts, free = [], 0.0
    every = next(
        n for n in (1, 2, 4, 5, 10, 20, 50, 10_000) if n * step >= 26 or n >= stop - start
    )
    for bar in range(start, stop):
        x = (bar - start + 0.5) * step
        if (bar - start) % every == 0 and x - 10 >= free:
            parts.append(label(x, y + 16, numbers[bar], text_anchor="middle", fill=SOFT))
            free = x + 4.0 * len(numbers[bar])
    return "".join(parts)


def _heading(loads: Loads, at: int, start: int, stop: int) -> str:
    values = [row[at] for row in loads.layers[start:stop]]
    top = max(values)
    words = f": at most {top:.2f}, {grade(top)}"
    if loads.before:
        words += f" (was {max(row[at] for row in loads.before[start:stop]):.2f})"
    if loads.caps:
        words += f"; {loads.taker} takes {loads.caps[at]:.2f}"
    name = tag("tspan", LAYER_WORDS[LAYERS[at]], font_weight="bold")
    return tag("text", name, tag("tspan", words, fill=SOFT), x=0, y=-6)


def _layer(loads: Loads, at: int, start: int, stop: int, step: float) -> str:
    """One row: its words, its ground lines, its columns."""
    wide = (stop - start) * step
    parts = [_heading(loads, at, start, stop), tag("rect", width=wide, height=ROW, fill="#f3efe8")]
    cap = loads.caps[at] if loads.caps else None
    gap = min(3.0, 0.12 * step)
    columns: list[str] = []
    for bar in range(start, stop):
        value, x = loads.layers[bar][at], (bar - start) * step
        words = f"bar {loads.numbers[bar]}, {LAYER_WORDS[LAYERS[at]]}: {value:.2f}, {grade(value)}"
        shapes = [tag(
            "rect", x=x + gap, y=ROW * (1 - value), width=step - 2 * gap, height=ROW * value,
            fill=GRADES[grade(value)],
        )]
        if loads.before:
            old = loads.before[bar][at]
            words += f"; as written {old:.2f}"
            if abs(old - value) > 0.01:
                shapes.append(tag(
                    "rect", x=x + gap, y=ROW * (1 - old), width=step - 2 * gap, height=ROW * old,
                    fill="none", stroke=INK, stroke_width=1,
                ))
        if cap is not None and value > cap + 1e-9:
            words += f"; over what {loads.taker} takes"
            half, middle = min(5.0, 0.45 * step), x + step / 2
            peak = max(1.0, ROW * (1 - value) - 9)
            shapes.append(tag(
                "path", fill=OVER, stroke=PAPER, stroke_width=0.8,
                d=f"M{middle - half:.1f} {peak + 8:.1f}h{2 * half:.1f}l{-half:.1f} -8z",
            ))
        # A whole-height cell, so that a low column is as easy to point at as a high one.
        shapes.insert(0, tag("rect", x=x, width=step, height=ROW, fill="#fff", fill_opacity=0))
        columns.append(tag("g", hint(words), *shapes))
    parts += columns
    for level in (SIMPLE, MODERATE):
        y = ROW * (1 - level)
        parts.append(tag(
            "line", x1=0, x2=wide, y1=y, y2=y, stroke=LINE, stroke_width=0.7, pointer_events="none"
        ))
    for span in loads.spans:
        if start < span.first < stop:
            x = (span.first - start) * step
            parts.append(tag("line", x1=x, x2=x, y1=0, y2=ROW, stroke=SOFT, stroke_dasharray="1 3"))
    if loads.beats:
        parts.append(_beat_line(loads.beats[at], start, stop, step))
    if cap is not None:
        y = ROW * (1 - cap)
        parts.append(tag(
            "line", x1=0, x2=wide, y1=y, y2=y, stroke=OVER, stroke_width=1.3,
            stroke_dasharray="6 3", pointer_events="none",
        ))
    parts.append(tag("line", x1=0, x2=wide, y1=ROW, y2=ROW, stroke=SOFT))
    return "".join(parts)


def _beat_line(
    beats: Sequence[tuple[float, float, float]], start: int, stop: int, step: float
) -> str:
    points = []
    for x, long, load in beats:
        if start <= x < stop:
            low, high = (x - start) * step, (x + long - start) * step
            y = ROW * (1 - load)
            points += [f"{low:.1f},{y:.1f}", f"{min(high, (stop - start) * step):.1f},{y:.1f}"]
    return tag(
        "polyline", points=" ".join(points), fill="none", stroke=INK, stroke_width=0.9,
        stroke_opacity=0.75, pointer_events="none",
    )
