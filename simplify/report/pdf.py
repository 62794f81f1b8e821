"""Sets a story as PDF, and a drawing as PNG or PDF, with Typst (the only importer of it).

Typst comes as a wheel with its own fonts, so nothing has to be installed on the machine.
"""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Literal

from simplify.errors import OutputError
from simplify.report.engrave import without_fingers
from simplify.report.story import (
    Block,
    Bullets,
    Fold,
    Gallery,
    Heading,
    OnScreen,
    Paragraph,
    Picture,
    Sound,
    Story,
    Table,
)
from simplify.report.svg import OVER, SOFT, Drawing

PIXELS_PER_INCH = 96.0
"""CSS pixels (CSS Values and Units, 'absolute lengths')."""

PREAMBLE = """
#set document(title: {name}, date: none)
#set page(paper: "a4", margin: (x: 15mm, top: 16mm, bottom: 18mm),
  footer: context text(8pt, fill: rgb("{soft}"), [#{name} #h(1fr)
    #counter(page).display("1 of 1", both: true)]))
#set text(font: "Libertinus Serif", size: 10.5pt, lang: "en")
#set par(leading: 0.58em, spacing: 0.75em)
#show heading: set block(above: 1.3em, below: 0.6em, sticky: true)
#show heading.where(level: 1): set text(17pt, weight: "regular")
#show heading.where(level: 2): set text(13.5pt, weight: "regular")
#show heading.where(level: 3): set text(10.5pt)
#let quiet(body) = text(fill: rgb("{soft}"), body)
#let figure-of(body, caption) = block(breakable: false, width: 100%)[#body
  #if caption != none {{ v(-0.4em); text(9pt, fill: rgb("{soft}"), caption) }}]
"""


def _quoted(text: str) -> str:
    """A Typst string."""
    clean = "".join(c for c in text if c >= " " or c == "\t")
    return '"' + clean.replace("\\", "\\\\").replace('"', '\\"') + '"'


class _Setter:
    """Writes Typst source and the drawings it shows, in one folder."""

    def __init__(self, folder: Path, fingers: bool = True) -> None:
        self.folder = folder
        self.fingers = fingers
        self.drawings = 0

    def image(self, drawing: Drawing, width: str) -> str:
        self.drawings += 1
        name = f"{self.drawings}.svg"
        if not self.fingers:
            drawing = without_fingers(drawing)
        (self.folder / name).write_text(drawing.svg, "utf-8")
        return f"image({_quoted(name)}, width: {width}, alt: {_quoted(drawing.words)})"

    def block(self, block: Block) -> str:
        match block:
            case Heading(text, level, _, new_page):
                page = "#pagebreak(weak: true)\n" if new_page else ""
                return f"{page}#heading(level: {level}, [#{_quoted(text)}])\n"
            case Paragraph(text, quiet):
                inside = f"[#{_quoted(text)}]"
                return f"#par(quiet({inside}))\n" if quiet else f"#par({inside})\n"
            case Bullets(items, numbered):
                kind = "enum" if numbered else "list"
                inside = "".join(f"[#{_quoted(one)}]," for one in items)
                return f"#{kind}({inside})\n"
            case Table():
                return self.table(block)
            case Picture(only="phone"):
                return ""
            case Picture(drawing, caption, _, share):
                words = f"[#{_quoted(caption)}]" if caption else "none"
                return f"#figure-of({self.image(drawing, f'{100 * share:g}%')}, {words})\n"
            case Gallery(pictures):
                return self.gallery(pictures)
            case Fold(summary, blocks, printed):
                if not printed:
                    return ""
                return self.block(Heading(summary, 3)) + "".join(map(self.block, blocks))
            case Sound() | OnScreen():
                return ""

    def table(self, table: Table) -> str:
        columns = ", ".join("right" if at in table.right else "left"
                            for at in range(len(table.head)))
        head = "".join(f"quiet[#{_quoted(text)}]," for text in table.head)
        cells = "".join(f"[#{_quoted(text)}]," for row in table.rows for text in row)
        return (
            f"#text(9.5pt, table(columns: {len(table.head)}, align: ({columns},), "
            f'inset: (x: 5pt, y: 3.5pt), stroke: (bottom: 0.4pt + rgb("#d6d0c8"), rest: none), '
            f"table.header({head}), {cells}))\n"
        )

    def gallery(self, pictures: tuple[Picture, ...]) -> str:
        boxes = []
        for one in pictures:
            image = self.image(one.drawing, f"{72 * one.drawing.width / PIXELS_PER_INCH:.1f}pt")
            boxes.append(
                f"box[#{image}\n#v(-0.5em)#text(9pt, quiet[#{_quoted(one.caption)}])]"
            )
        return "#block(" + " + h(1.2em) + ".join(boxes) + ")\n"

    def story(self, story: Story) -> str:
        cautions = "".join(f"[#{_quoted(text)}]," for text in story.cautions)
        return (
            PREAMBLE.format(name=_quoted(story.name), soft=SOFT)
            + f"#heading(level: 1, [#{_quoted(story.title)}])\n"
            + "\n".join(map(self.block, story.blocks))
            + f'\n#v(1em)#block(breakable: false, stroke: (left: 2pt + rgb("{OVER}")), '
            f"inset: (left: 8pt, y: 3pt), list({cautions}))\n"
        )


def _compiled(source: str, folder: Path, kind: Literal["pdf", "png"], ppi: float = 192.0) -> bytes:
    import typst

    main = folder / "main.typ"
    main.write_text(source, "utf-8")
    try:
        done = typst.compile(str(main), root=str(folder), format=kind, ppi=ppi)
    except typst.TypstError as error:
        raise OutputError(f"the report can't be set as {kind.upper()}: {error}") from None
    pages = done if isinstance(done, list) else [done]
    return bytes(pages[0])


def pdf(story: Story) -> bytes:
    """The story on A4 pages; sounds and folded tables are left out, as on paper.

    Raises:
        OutputError: the library refuses it.
    """
    with tempfile.TemporaryDirectory(prefix="gentler-") as name:
        folder = Path(name)
        return _compiled(_Setter(folder, story.fingers_shown).story(story), folder, "pdf")


def png(drawing: Drawing) -> bytes:
    """The drawing at two device pixels a CSS pixel.

    Raises:
        OutputError: the library refuses it.
    """
    with tempfile.TemporaryDirectory(prefix="gentler-") as name:
        folder = Path(name)
        width = 72 * drawing.width / PIXELS_PER_INCH
        source = (
            f"#set page(width: {width:.2f}pt, height: auto, margin: 0pt)\n"
            f"#{_Setter(folder).image(drawing, '100%')}\n"
        )
        return _compiled(source, folder, "png", ppi=2 * PIXELS_PER_INCH)
