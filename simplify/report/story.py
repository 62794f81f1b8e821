"""What a report says, as blocks in reading order; `html.py` and `pdf.py` set them."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from simplify.report.svg import Drawing


@dataclass(frozen=True, slots=True)
class Heading:
    """level: 2 or 3; anchor: its name for links, or ''; new_page: begins a page in print."""

    text: str
    level: int = 2
    anchor: str = ""
    new_page: bool = False


@dataclass(frozen=True, slots=True)
class Paragraph:
    """quiet: said by the way."""

    text: str
    quiet: bool = False


@dataclass(frozen=True, slots=True)
class Bullets:
    """A list; numbered where order matters."""

    items: tuple[str, ...]
    numbered: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """head: column titles; rows: as long; right: columns set to the right (numbers); links: row to
    the anchor that its first cell leads to; words: what the table is, for a screen reader."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: frozenset[int] = frozenset()
    links: tuple[str, ...] = ()
    words: str = ""


@dataclass(frozen=True, slots=True)
class Picture:
    """wide: too wide for a phone, which shows it in a frame that scrolls; share: of the width of
    the page it takes in print; caption: below it; only: 'broad' or 'phone' where there is another
    picture of the same for the other kind of screen (print takes the broad one)."""

    drawing: Drawing
    caption: str = ""
    wide: bool = False
    share: float = 1.0
    only: str = ""


def both_screens(draw: Callable[..., Iterable[Drawing]]) -> list[Block]:
    """What `draw(phone=False)` gives, for broad screens, and `draw(phone=True)`, for phones."""
    return [
        *(Picture(one, only="broad") for one in draw(phone=False)),
        *(Picture(one, only="phone") for one in draw(phone=True)),
    ]


@dataclass(frozen=True, slots=True)
class Gallery:
    """Small pictures in a row, each with its caption."""

    pictures: tuple[Picture, ...]


@dataclass(frozen=True, slots=True)
class Sound:
    """A recording to press: name, MP3 bytes, seconds."""

    name: str
    mp3: bytes
    seconds: float


@dataclass(frozen=True, slots=True)
class Fold:
    """Blocks shown on demand. printed: print shows them too."""

    summary: str
    blocks: tuple[Block, ...]
    printed: bool = False


@dataclass(frozen=True, slots=True)
class OnScreen:
    """Blocks that have no use on paper."""

    blocks: tuple[Block, ...]


Block = Heading | Paragraph | Bullets | Table | Picture | Gallery | Sound | Fold | OnScreen


@dataclass(frozen=True, slots=True)
class Story:
    """A whole report. name: of the document (window, file); cautions: at its end; fingers: whether
    its engravings carry fingers, for a switch to show; fingers_shown: they show at first."""

    title: str
    name: str
    blocks: tuple[Block, ...]
    cautions: tuple[str, ...]
    fingers: bool = False
    fingers_shown: bool = False
