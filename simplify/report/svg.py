"""Small helpers to draw SVG by hand, and the ink that all drawings of the reports share."""

from __future__ import annotations

import re
from dataclasses import dataclass
from html import escape

INK, SOFT, LINE, PAPER = "#1c1917", "#57534e", "#b8b2ac", "#fffdf9"
"""Text, quiet text (7:1 on PAPER), rules, ground."""
GRADES = {"simple": "#a9bacb", "moderate": "#5f82a6", "complex": "#1b3a5c"}
"""One hue in three lightnesses, so that grey print and any colour vision keep the order."""
OVER, NEW = "#9a3412", "#0b4f8a"
"""What is too much or goes away; what is new. Each also has a shape of its own."""
FONTS = "'Libertinus Serif', Georgia, 'Times New Roman', serif"
"""The first comes with the PDF library, the others with browsers."""


@dataclass(frozen=True, slots=True)
class Drawing:
    """A complete SVG element. width, height: of its view box, in CSS pixels; words: what it shows,
    for those who don't see it."""

    svg: str
    width: float
    height: float
    words: str


def number(value: float) -> str:
    """A coordinate: two decimals at most, no trailing zeros."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def tag(name: str, *inside: str, **attributes: str | float) -> str:
    """An element. inside: markup, not escaped; attributes: `stroke_width=2` gives stroke-width."""
    given = "".join(
        f' {key.rstrip("_").replace("_", "-")}='
        f'"{escape(value) if isinstance(value, str) else number(value)}"'
        for key, value in attributes.items()
    )
    content = "".join(inside)
    return f"<{name}{given}>{content}</{name}>" if content else f"<{name}{given}/>"


def label(x: float, y: float, words: str, **attributes: str | float) -> str:
    """Text at a baseline."""
    return tag("text", escape(words, quote=False), x=x, y=y, **attributes)


def hint(words: str) -> str:
    """Words that a pointer resting on the element shows."""
    return tag("title", escape(words, quote=False))


def drawing(width: float, height: float, words: str, *inside: str, size: float = 14) -> Drawing:
    """The whole drawing. size: of its text, in pixels of the view box."""
    root = tag(
        "svg", *inside,
        xmlns="http://www.w3.org/2000/svg", viewBox=f"0 0 {number(width)} {number(height)}",
        width=width, height=height, role="img", aria_label=words, font_family=FONTS,
        font_size=size, fill=INK,
    )
    return Drawing(root, width, height, words)


def fitting(words: str, width: float, size: float) -> bool:
    """Whether a line of text of this size fits a width (a letter is half its size wide)."""
    return len(words) * size * 0.5 <= width


def without_size(svg: str) -> str:
    """The element without its width and height, so that it takes the width of its surroundings."""
    opening, rest = svg.split(">", 1)
    return re.sub(r' (width|height)="[\d.]+"', "", opening) + ">" + rest
