"""The strip across bars in the terminal: one row a layer, a column a bar.

Each cell is a column of type whose height grows with the load; the three grades take different
heights, so that the strip reads without colour, and colour only repeats what the height says.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

from simplify.harp.player import LAYERS, MODERATE, SIMPLE
from simplify.report.words import LAYER_WORDS

BLOCKS = (" ▁▂▃", "▄▅", "▆▇█")
PLAIN = (" .:-", "=+", "*#@")
"""Cells of a simple, a moderate and a complex load; the second for terminals without blocks."""
COLOURS = ("2", "", "1;35")
"""ANSI style of the three grades: faint, plain, bold magenta; reads on light and dark grounds."""
WIDEST = 3
"""Characters a bar takes at most: two of load, one of space."""


def cell(load: float, cells: tuple[str, str, str]) -> tuple[int, str]:
    """(grade 0 to 2, character) of a load in [0, 1]."""
    edges = (0.0, SIMPLE, MODERATE, 1.0)
    grade = 0 if load <= SIMPLE else 1 if load <= MODERATE else 2
    share = (load - edges[grade]) / (edges[grade + 1] - edges[grade])
    kinds = cells[grade]
    if grade == 0:
        return 0, kinds[0] if load < 0.01 else kinds[1 + min(2, int(3 * share))]
    return grade, kinds[min(len(kinds) - 1, int(len(kinds) * share))]


def _painted(text: str, grade: int, colour: bool) -> str:
    code = COLOURS[grade]
    return f"\x1b[{code}m{text}\x1b[0m" if colour and code and text.strip() else text


def _ruler(numbers: Sequence[str], step: int, room: int) -> str:
    """Printed bar numbers above every fourth column, where they have room."""
    row = [" "] * room
    free = 0
    for i in range(0, len(numbers), 4):
        at = i * step
        if free <= at <= room - len(numbers[i]):
            row[at : at + len(numbers[i])] = list(numbers[i])
            free = at + len(numbers[i]) + 1
    return "".join(row).rstrip()


def _marks(bars: range, marked: Collection[int], sign: str, step: int) -> str:
    return "".join((sign if bar in marked else " ").ljust(step) for bar in bars)


def strip(
    numbers: Sequence[str],
    bar_layers: Sequence[Sequence[float]],
    *,
    width: int,
    colour: bool = False,
    plain: bool = False,
    marks: Sequence[tuple[str, Collection[int]]] = (),
) -> list[str]:
    """The rows, cut into blocks that fit the width.

    numbers: printed bar numbers; bar_layers: loads in [0, 1] per bar in the order of `LAYERS`;
    width: of the terminal in characters; colour: ANSI colours; plain: ASCII only; marks: further
    rows of (label, positions of the bars it marks), left out where no bar is marked.
    """
    marks = [(words, bars) for words, bars in marks if bars]
    names = [*(LAYER_WORDS[name] for name in LAYERS), *(words for words, _ in marks)]
    margin = max(len(name) for name in names) + 2
    room = max(8, width - margin - 1)
    step = max(1, min(WIDEST, room // max(1, len(numbers))))
    block = room // step
    cells = PLAIN if plain else BLOCKS
    fill = max(1, step - 1)
    rows: list[str] = []
    for start in range(0, len(numbers), block):
        bars = range(start, min(start + block, len(numbers)))
        rows.append(" " * margin + _ruler(numbers[start : bars.stop], step, room))
        for at, name in enumerate(LAYERS):
            row = LAYER_WORDS[name].ljust(margin)
            for bar in bars:
                grade, sign = cell(bar_layers[bar][at], cells)
                row += _painted(sign * fill, grade, colour) + " " * (step - fill)
            rows.append(row.rstrip())
        rows += [
            (words.ljust(margin) + _marks(bars, marked, "x", step)).rstrip()
            for words, marked in marks
        ]
        rows.append("")
    legend = "   ".join(
        _painted(" ".join(kinds.strip()), grade, colour) + " " + words
        for grade, (kinds, words) in enumerate(
            zip(cells, ("simple", "moderate", "complex"), strict=True)
        )
    )
    rows[-1] = " " * margin + legend
    return rows
