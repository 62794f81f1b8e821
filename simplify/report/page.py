"""report.html: one self-contained page about a rewrite. Plain HTML and SVG, no script."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from simplify.harp.player import LAYERS, MODERATE, SIMPLE
from simplify.report.engrave import engraved
from simplify.report.results import CAUTIONS, Alternative, RewriteResult
from simplify.report.terminal import LAYER_WORDS, bars_words, for_whom, grade, setting_words
from simplify.score.model import ALTER_SIGNS, Part
from simplify.technique.plan import Performance

STYLE = """
:root { --ink: #1c1917; --soft: #57534e; --line: #d6d3d1; --paper: #fffdf9; --mark: #9a3412; }
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 62rem; padding: 2rem 1.2rem 4rem; background: var(--paper);
  color: var(--ink); font: 1rem/1.55 Georgia, "Times New Roman", serif; }
h1 { font-size: 1.7rem; line-height: 1.2; margin: 0 0 .3rem; }
h2 { font-size: 1.25rem; margin: 2.6rem 0 .4rem; border-top: 1px solid var(--line);
  padding-top: 1rem; }
h3 { font-size: 1rem; margin: 1.2rem 0 .3rem; }
p { margin: .4rem 0; }
.soft { color: var(--soft); }
table { border-collapse: collapse; width: 100%; margin: .6rem 0; font-size: .95rem; }
th, td { text-align: left; padding: .3rem .6rem .3rem 0; border-bottom: 1px solid var(--line);
  vertical-align: top; }
td.number, th.number { text-align: right; font-variant-numeric: tabular-nums; }
.scroll { overflow-x: auto; }
.music svg { width: 100%; height: auto; display: block; }
.loads { display: grid; grid-template-columns: repeat(auto-fill, minmax(15rem, 1fr)); gap: .8rem; }
.loads figure { margin: 0; }
.loads figcaption { font-size: .85rem; color: var(--soft); }
.loads svg { width: 100%; height: 3.4rem; display: block; }
ul { padding-left: 1.2rem; margin: .3rem 0; }
.cautions { border-left: 3px solid var(--mark); padding-left: .8rem; margin-top: 2.5rem; }
@media print { body { max-width: none; padding: 0; font-size: 10.5pt; } h2 { break-after: avoid; }
  .music, .loads figure { break-inside: avoid; } }
"""


def _bars_of_load(values: Sequence[float], before: Sequence[float] | None) -> str:
    """A layer over the bars: solid columns now, an outline where it stood before."""
    width = 100.0 / max(1, len(values))
    shapes = [
        f'<line x1="0" x2="100" y1="{100 - 100 * level:.1f}" y2="{100 - 100 * level:.1f}" '
        'stroke="#a8a29e" stroke-width=".6" stroke-dasharray="2 2" '
        'vector-effect="non-scaling-stroke"/>'
        for level in (SIMPLE, MODERATE)
    ]
    for i, value in enumerate(values):
        x = i * width
        shapes.append(
            f'<rect x="{x + .12 * width:.2f}" y="{100 - 100 * value:.2f}" '
            f'width="{.76 * width:.2f}" height="{100 * value:.2f}" fill="#57534e"/>'
        )
        if before is not None:
            shapes.append(
                f'<rect x="{x + .12 * width:.2f}" y="{100 - 100 * before[i]:.2f}" '
                f'width="{.76 * width:.2f}" height="{100 * before[i]:.2f}" fill="none" '
                'stroke="#9a3412" stroke-width="1" vector-effect="non-scaling-stroke"/>'
            )
    return (
        '<svg viewBox="0 0 100 100" preserveAspectRatio="none" aria-hidden="true">'
        + "".join(shapes) + "</svg>"
    )


def _loads(
    bar_layers: Sequence[Sequence[float]], before: Sequence[Sequence[float]] | None
) -> str:
    figures = []
    for at, name in enumerate(LAYERS):
        values = [row[at] for row in bar_layers]
        old = [row[at] for row in before] if before is not None else None
        top = max(values)
        words = f"{LAYER_WORDS[name]}: at most {top:.2f}, {grade(top)}"
        if old is not None:
            words += f" (was {max(old):.2f})"
        figures.append(
            f"<figure>{_bars_of_load(values, old)}<figcaption>{escape(words)}</figcaption></figure>"
        )
    return f'<div class="loads">{"".join(figures)}</div>'


def _music(part: Part, first: int, last: int, changed: frozenset[int]) -> str:
    pages = engraved(part, first, last, changed)
    return "".join(f'<div class="music">{svg}</div>' for svg in pages)


def _pedals(performance: Performance, first: int, last: int) -> str:
    part, plan = performance.part, performance.pedal_plan
    low, high = part.bars[first].onset, part.bars[last].end
    rows = [
        "<tr><td>{}</td><td class=number>{:g}</td><td>{}</td><td>{}</td></tr>".format(
            escape(part.place(move.onset)[0]), part.place(move.onset)[1],
            f"{move.letter}{ALTER_SIGNS[move.before]} → {move.letter}{ALTER_SIGNS[move.after]}",
            move.foot,
        )
        for move in plan.moves
        if low < move.onset < high
    ]
    start = f"<p>At the start: {setting_words(plan.setting_at(low))}</p>"
    if not rows:
        return start + "<p>No pedal moves in these bars.</p>"
    return (
        start + '<div class="scroll"><table><tr><th>bar</th><th class=number>beat</th>'
        "<th>pedal</th><th>foot</th></tr>" + "".join(rows) + "</table></div>"
    )


def _alternative(result: RewriteResult, one: Alternative, file: str) -> str:
    steps = "".join(
        f"<li>{escape(bars_words(step.first, step.last))}, {escape(step.text)}</li>"
        for step in one.steps
    )
    parts = ", ".join(f"{name} {value:.2f}" for name, value in one.distance_parts)
    within = "within the tier" if one.within else "not yet within the tier"
    joins = "".join(
        f"<p class=soft>Stays as written against the bar outside: bar {escape(join.bar)}: "
        f"{escape(join.text)}</p>"
        for join in one.joins
    )
    note = joins + f"<p class=soft>{escape(one.note)}</p>" if one.note else joins
    return (
        f"<h2>{one.rank}. {escape(file)}</h2>"
        f"<p>Difficulty {result.original_difficulty:.0f} → {one.difficulty:.0f}, {within}; "
        f"pedal moves {result.original_moves} → {one.pedal_moves}; distance {one.distance:.2f} "
        f"<span class=soft>({escape(parts)})</span></p>{note}"
        f"{_music(one.part, result.first, result.last, one.changed)}"
        f"<h3>What changes</h3><ul>{steps}</ul>"
        "<h3>Layers over the bars (outlined: as written)</h3>"
        f"{_loads(one.bar_layers, result.original_bar_layers)}"
        f"<h3>Pedals</h3>{_pedals(one.performance, result.first, result.last)}"
    )


def of_rewrites(result: RewriteResult, files: Sequence[str]) -> str:
    """The page as HTML text; `files`: name of each alternative's score."""
    bars = result.part.bars
    span = bars_words(bars[result.first].number, bars[result.last].number)
    title = f"{result.info.title or result.part.name}, {span}"
    rows = "".join(
        f"<tr><td class=number>{one.rank}</td><td>{escape(file)}</td>"
        f"<td class=number>{one.difficulty:.0f}</td><td class=number>{one.distance:.2f}</td>"
        f"<td>{'yes' if one.within else 'no'}</td><td>{one.pedal_moves}</td>"
        f"<td>{escape(', '.join(sorted({s.strategy.replace('_', ' ') for s in one.steps})))}</td>"
        "</tr>"
        for one, file in zip(result.alternatives, files, strict=True)
    )
    faults = "".join(
        f"<li>bar {escape(fault.bar)} beat {fault.beat:g}: {escape(fault.text)}</li>"
        for fault in result.original_faults
    )
    head = (
        f"<p>For {escape(result.player.name)} ({result.player.harp.title}). As written: difficulty "
        f"{result.original_difficulty:.0f} of 100, {for_whom(result.original_tier)}. "
        f"{escape(result.stopped[:1].upper() + result.stopped[1:])}.</p>"
    )
    if not result.reached:
        head += f"<p>The tier is not reached; what resists most: {escape(result.resisting)}.</p>"
    table = (
        '<div class="scroll"><table><tr><th class=number>rank</th><th>score</th>'
        "<th class=number>difficulty</th><th class=number>distance</th><th>within tier</th>"
        f"<th>pedal moves</th><th>how</th></tr>{rows}</table></div>"
        if rows else "<p>No alternative was found that this player could play without a fault.</p>"
    )
    body = "".join(
        _alternative(result, one, file)
        for one, file in zip(result.alternatives, files, strict=True)
    )
    cautions = "".join(f"<li>{escape(text)}</li>" for text in CAUTIONS)
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}: easier versions</title><style>{STYLE}</style></head><body>"
        f"<h1>{escape(title)}</h1>{head}{table}"
        "<h2>As written</h2>"
        f"{_music(result.part, result.first, result.last, frozenset())}"
        + (f"<h3>Can't be played as written</h3><ul>{faults}</ul>" if faults else "")
        + f"<h3>Layers over the bars</h3>{_loads(result.original_bar_layers, None)}"
        f"<h3>Pedals</h3>{_pedals(result.original_performance, result.first, result.last)}"
        f'{body}<div class="cautions"><ul>{cautions}</ul></div></body></html>\n'
    )
