"""Draws pedals: the diagram that players pencil in, and a time line of both feet.

The diagram has a stroke a pedal in the order D C B | E F G A: above the line flat, on it natural,
below it sharp, as the pedals stand; a long stroke parts the feet (common practice).
"""

from __future__ import annotations

from collections.abc import Sequence

from simplify.harp.instrument import LEFT_FOOT, PEDALS, RIGHT_FOOT, Setting
from simplify.report.svg import INK, LINE, NEW, SOFT, Drawing, drawing, hint, label, tag
from simplify.report.words import move_words, setting_words
from simplify.score.model import ALTER_SIGNS, Part
from simplify.technique.plan import PedalMove

SPACE, STROKE = 16.0, 16.0


def diagram(setting: Setting, changed: str = "") -> Drawing:
    """One setting; the strokes of the letters in `changed` are ringed."""
    middle, left = 24.0, 14.0
    width = 2 * left + SPACE * len(PEDALS)
    parts = [tag("line", x1=left - 8, x2=width - left + 8, y1=middle, y2=middle, stroke=INK,
                 stroke_width=1.4)]
    for at, (letter, position) in enumerate(zip(PEDALS, setting, strict=True)):
        x = left + SPACE * (at + (0 if at < len(LEFT_FOOT) else 1))
        top = middle + {-1: -STROKE, 0: -STROKE / 2, 1: 0.0}[position]
        parts.append(tag("line", x1=x, x2=x, y1=top, y2=top + STROKE, stroke=INK, stroke_width=3.4))
        if letter in changed:
            parts.append(tag("ellipse", cx=x, cy=top + STROKE / 2, rx=6.5, ry=12, fill="none",
                             stroke=NEW, stroke_width=1.3))
        parts.append(label(x, 60, letter, text_anchor="middle", font_size=12, fill=SOFT))
    x = left + SPACE * len(LEFT_FOOT)
    parts.append(tag("line", x1=x, x2=x, y1=middle - 21, y2=middle + 21, stroke=INK,
                     stroke_width=1.4))
    return drawing(width, 64, f"Pedal diagram: {setting_words(setting)}", *parts)


ROWS = (*reversed(RIGHT_FOOT), *LEFT_FOOT)
"""Right foot above left, as marks in a part stand."""
HIGH, BETWEEN, LABELS = 24.0, 16.0, 66.0
NAME = 24.0
"""Room that a position's name takes beside a trace."""


def time_line(
    part: Part, start: Setting, moves: Sequence[PedalMove], first: int, last: int,
    width: float = 900,
) -> Drawing:
    """Where each pedal stands over bars first..last (indices): a trace a pedal, up for flat and
    down for sharp, with the new position's name where it moves.

    start: at the beginning of the bars; moves: those in the bars, in time order.
    """
    low, high = part.bars[first].onset, part.bars[last].end
    scale = (width - LABELS - 8) / (high - low)

    def x(tick: int) -> float:
        return LABELS + (tick - low) * scale

    tops = {
        letter: 26 + HIGH * at + (BETWEEN if letter in LEFT_FOOT else 0)
        for at, letter in enumerate(ROWS)
    }
    bottom = 26 + HIGH * len(ROWS) + BETWEEN
    parts: list[str] = []
    free = 0.0
    for bar in part.bars[first : last + 1]:
        at = x(bar.onset)
        parts.append(tag("line", x1=at, x2=at, y1=20, y2=bottom, stroke=LINE))
        if at >= free:
            parts.append(label(at + 2, 15, bar.number, fill=SOFT))
            free = at + 9 * len(bar.number) + 8
    parts.append(tag("line", x1=x(high), x2=x(high), y1=20, y2=bottom, stroke=LINE))
    for foot, letters in (("right", RIGHT_FOOT), ("left", LEFT_FOOT)):
        edges = [tops[letter] for letter in letters]
        middle = (min(edges) + max(edges) + HIGH) / 2
        parts.append(label(0, middle + 5, foot))
        parts.append(tag("path", d=f"M42 {min(edges) + 3:g}h-4V{max(edges) + HIGH - 3:g}h4",
                         fill="none", stroke=SOFT))
    for letter in ROWS:
        position = start[PEDALS.index(letter)]
        middle = tops[letter] + HIGH / 2
        parts.append(label(48, middle + 5, letter))
        mine = [move for move in moves if move.letter == letter]
        trace = f"M{LABELS:g} {middle + 6 * position:g}"
        for move in mine:
            at = x(move.onset)
            trace += f"H{at:.1f}V{middle + 6 * move.after:g}"
        parts.append(tag(
            "line", x1=LABELS, x2=x(high), y1=middle, y2=middle, stroke=LINE, stroke_width=0.6
        ))
        parts.append(tag(
            "path", d=f"{trace}H{x(high):.1f}", fill="none", stroke=INK if mine else SOFT,
            stroke_width=1.8 if mine else 1,
        ))
        for i, move in enumerate(mine):
            at = x(move.onset)
            shape = [
                hint(move_words(part, move)),
                tag("circle", cx=at, cy=middle + 6 * move.after, r=3.2, fill=NEW),
            ]
            name = f"{letter}{ALTER_SIGNS[move.after]}"
            after = x(mine[i + 1].onset if i + 1 < len(mine) else high) - at
            before = at - x(mine[i - 1].onset if i else low)
            # Beside the trace, on the side it has left free.
            y = middle + 6 * move.after
            if after >= NAME:
                y += -3 if move.after > move.before else 12
                shape.append(label(at + 4, y, name, font_size=12, fill=NEW))
            elif before >= 2 * NAME:
                y += 12 if move.after > move.before else 2
                shape.append(
                    label(at - 5, y, name, font_size=12, fill=NEW, text_anchor="end")
                )
            parts.append(tag("g", *shape))
    told = ", ".join(
        f"bar {part.place(m.onset)[0]} beat {part.place(m.onset)[1]:g} "
        f"{m.letter}{ALTER_SIGNS[m.after]}" for m in moves
    )
    return drawing(
        width, bottom + 4, f"Pedals over the bars. At the start {setting_words(start)}; "
        f"{told or 'no moves'}", *parts,
    )
