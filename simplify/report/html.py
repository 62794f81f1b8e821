"""Sets a story as one self-contained HTML page: no script, no outside file, opens offline."""

from __future__ import annotations

import base64
from functools import cache
from html import escape
from importlib.resources import files

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
from simplify.report.svg import without_size


@cache
def _style() -> str:
    return files("simplify.report").joinpath("page.css").read_text("utf-8")


def page(story: Story) -> str:
    """The whole document as text."""
    cautions = "".join(f"<li>{escape(text)}</li>" for text in story.cautions)
    checked = " checked" if story.fingers_shown else ""
    switch = (
        f'<p class="switch"><label><input type="checkbox" id="fingers"{checked}> '
        "show the fingers in the engraved music</label></p>"
        if story.fingers else ""
    )
    body = "".join(_block(block) for block in story.blocks)
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<link rel="icon" href="data:,">'
        f"<title>{escape(story.name)}</title>\n<style>\n{_style()}</style></head>\n<body>\n<main>\n"
        f"<h1>{escape(story.title)}</h1>\n{switch}{body}"
        f'<aside class="cautions" aria-label="cautions"><ul>{cautions}</ul></aside>\n'
        "</main>\n</body></html>\n"
    )


def _block(block: Block) -> str:
    match block:
        case Heading(text, level, anchor, new_page):
            named = f' id="{escape(anchor)}"' if anchor else ""
            named += ' class="new-page"' if new_page else ""
            return f"<h{level}{named}>{escape(text)}</h{level}>\n"
        case Paragraph(text, quiet):
            return f"<p{' class=quiet' if quiet else ''}>{escape(text)}</p>\n"
        case Bullets(items, numbered):
            kind = "ol" if numbered else "ul"
            return f"<{kind}>{''.join(f'<li>{escape(one)}</li>' for one in items)}</{kind}>\n"
        case Table():
            return _table(block)
        case Picture():
            return _picture(block)
        case Gallery(pictures):
            return f'<div class="gallery">{"".join(map(_small, pictures))}</div>\n'
        case Sound(name, mp3, seconds):
            data = base64.b64encode(mp3).decode("ascii")
            words = f"{name}, {seconds:.0f} seconds"
            return (
                f'<div class="sound"><span>{escape(name)}</span><audio controls preload="metadata" '
                f'aria-label="{escape(words)}" src="data:audio/mpeg;base64,{data}"></audio></div>\n'
            )
        case OnScreen(blocks):
            return f'<div class="screen">{"".join(map(_block, blocks))}</div>\n'
        case Fold(summary, blocks, printed):
            kind = ' class="printed"' if printed else ""
            inside = "".join(_block(one) for one in blocks)
            return f"<details{kind}><summary>{escape(summary)}</summary>{inside}</details>\n"


def _frame(inside: str, words: str) -> str:
    """A frame that scrolls sideways where the page is narrow; the keyboard can reach it."""
    return (
        f'<div class="frame" tabindex="0" role="region" aria-label="{escape(words)}">{inside}</div>'
    )


def _table(table: Table) -> str:
    def row(cells: tuple[str, ...], kind: str, link: str = "") -> str:
        out = []
        for at, text in enumerate(cells):
            inside = escape(text)
            if link and at == 0:
                inside = f'<a href="#{escape(link)}">{inside}</a>'
            right = ' class="right"' if at in table.right else ""
            out.append(f"<{kind}{right}>{inside}</{kind}>")
        return f"<tr>{''.join(out)}</tr>"

    links = table.links or ("",) * len(table.rows)
    rows = "".join(row(r, "td", link) for r, link in zip(table.rows, links, strict=True))
    return _frame(
        f"<table><thead>{row(table.head, 'th')}</thead><tbody>{rows}</tbody></table>",
        table.words or "table",
    ) + "\n"


def _picture(picture: Picture) -> str:
    caption = f"<figcaption>{escape(picture.caption)}</figcaption>" if picture.caption else ""
    svg = without_size(picture.drawing.svg)
    if picture.only:
        return f'<figure class="{picture.only}">{svg}{caption}</figure>\n'
    if picture.wide:
        return (
            f'<figure class="wide">{_frame(svg, picture.drawing.words)}{caption}</figure>\n'
        )
    widest = f' style="max-width:{picture.drawing.width:g}px"'
    return f"<figure{widest}>{svg}{caption}</figure>\n"


def _small(picture: Picture) -> str:
    caption = f"<figcaption>{escape(picture.caption)}</figcaption>" if picture.caption else ""
    widest = f' style="width:{picture.drawing.width:g}px;max-width:100%"'
    return f"<figure{widest}>{without_size(picture.drawing.svg)}{caption}</figure>"
