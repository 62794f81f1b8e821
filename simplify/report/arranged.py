"""Reduction reports: what became of the music on its way to the harp, bar by bar."""

from __future__ import annotations

from html import escape
from typing import Any

from simplify.arrange.keys import KeyCost
from simplify.arrange.reduce import BarLoss, Reduced, changed_ids
from simplify.report.document import layers_of
from simplify.report.engrave import engraved
from simplify.report.page import STYLE
from simplify.report.results import CAUTIONS
from simplify.report.terminal import bars_words, for_whom
from simplify.version import VERSION

Document = dict[str, Any]


def merged_losses(losses: tuple[BarLoss, ...]) -> list[tuple[BarLoss, BarLoss]]:
    """Neighbouring bars that were treated alike, as (first, last)."""
    runs: list[tuple[BarLoss, BarLoss]] = []
    for one in losses:
        if runs and runs[-1][1].index + 1 == one.index and runs[-1][1].remedies == one.remedies:
            runs[-1] = (runs[-1][0], one)
        else:
            runs.append((one, one))
    return runs


def signs(fifths: int) -> str:
    """'4 flats', 'no signs'."""
    if not fifths:
        return "no signs"
    kind = "sharp" if fifths > 0 else "flat"
    return f"{abs(fifths)} {kind}{'s' if abs(fifths) > 1 else ''}"


def key_words(key: KeyCost, levers: bool) -> str:
    """A key with its figures."""
    where = "as written" if not key.semitones else (
        f"{abs(key.semitones)} semitone{'s' if abs(key.semitones) > 1 else ''} "
        f"{'up' if key.semitones > 0 else 'down'}"
    )
    what = "lever turns" if levers else "pedal moves"
    unmet = f", {key.unmet} places that can't be served" if key.unmet else ""
    return f"{key.name} ({signs(key.fifths)}, {where}): {key.moves} {what}{unmet}"


def of_reduction(result: Reduced, out: str) -> str:
    """What is printed on stdout."""
    part, player = result.part, result.player
    sources = ", ".join(choice.name or choice.id for choice in
                        (one.choice for one in result.gathered.sources))
    loaded = result.gathered.sources[0]
    lines = [
        f"{loaded.info.title or part.name}: {sources} → harp ({player.harp.title})",
        f"bars {part.bars[0].number}-{part.bars[-1].number}, for {player.name}",
        "",
        f"As merged: difficulty {result.original.assessment.difficulty:.0f}, "
        f"{len(result.original.faults)} places that can't be played.",
        f"Reduced: difficulty {result.reading.assessment.difficulty:.0f}, "
        f"{len(result.reading.faults)} places that can't be played; "
        + ("within the tier." if result.reached else "not within the tier."),
        f"Kept: {100 * result.tune_kept:.0f} % of the tune's notes, "
        f"{100 * result.bass_kept:.0f} % of the basses; distance {result.distance.total:.2f}.",
    ]
    if not result.reached:
        lines += ["", f"Bars that resist: {resisting_words(result)}"]
        lines += [f"    {row.text}" for row in result.reading.verdict.exceeding[:8]]
    if result.keys:
        levers = not player.harp.has_pedals
        lines += ["", "Keys:"]
        lines += [f"    {key_words(key, levers)}" for key in result.keys[:6]]
    lines += ["", "What was lost, by bar (object with --keep or --lock BARS):"]
    for first, last in merged_losses(result.losses):
        where = bars_words(first.number, last.number)
        lines.append(f"    {where}: {'; '.join(first.remedies)}")
    if not result.losses:
        lines.append("    nothing")
    lines += ["", f"The part is in {out}.", "", *CAUTIONS]
    return "\n".join(lines)


def resisting_words(result: Reduced) -> str:
    """Printed numbers of the bars still too much."""
    runs: list[list[int]] = []
    for bar in result.resisting:
        if runs and runs[-1][1] + 1 == bar:
            runs[-1][1] = bar
        else:
            runs.append([bar, bar])
    bars = result.part.bars
    return ", ".join(
        bars[a].number if a == b else f"{bars[a].number}-{bars[b].number}" for a, b in runs
    ) or "none alone; the whole is too much"


def reduction_document(result: Reduced, file: str) -> Document:
    """`gentler reduce --json`."""
    part = result.part
    loaded = result.gathered.sources[0]
    return {
        "version": VERSION,
        "score": {
            "title": loaded.info.title, "part": part.name, "bars": len(part.bars),
            "tempo": part.tempo[0].quarters, "source_format": loaded.info.source_format,
        },
        "sources": [one.choice.label for one in result.gathered.sources],
        "tier": result.player.tier,
        "player": result.player.name,
        "harp": result.player.harp.name,
        "within_tier": result.reached,
        "resisting_bars": [part.bars[i].number for i in result.resisting],
        "original": {
            "difficulty": round(result.original.assessment.difficulty, 2),
            "faults": len(result.original.faults),
            "layers": layers_of(result.original.assessment.layers),
        },
        "difficulty": round(result.reading.assessment.difficulty, 2),
        "tier_needed": result.tier_needed,
        "layers": layers_of(result.reading.assessment.layers),
        "faults": len(result.reading.faults),
        "distance": round(result.distance.total, 4),
        "distance_parts": {name: round(value, 4) for name, value in result.distance.parts},
        "melody_kept": round(result.tune_kept, 4),
        "bass_kept": round(result.bass_kept, 4),
        "keys": [
            {
                "key": key.name, "fifths": key.fifths, "semitones": key.semitones,
                "moves": key.moves, "unmet": key.unmet, "cost": round(key.cost, 3),
            }
            for key in result.keys
        ],
        "lost": [
            {
                "bar": one.number, "remedies": list(one.remedies), "notes": one.lost,
                "melody_notes": one.tune, "bass_changed": one.bass,
            }
            for one in result.losses
        ],
        "file": file,
        "warnings": list(result.gathered.warnings),
    }


PAGE_BARS = 12
"""Bars engraved at once in the report."""


def page_head(title: str) -> str:
    """The beginning of a self-contained page."""
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{STYLE}</style></head><body>"
        f"<h1>{escape(title)}</h1>"
    )


def page_foot() -> str:
    """Cautions and the end of a page."""
    cautions = "".join(f"<li>{escape(text)}</li>" for text in CAUTIONS)
    return f'<div class="cautions"><ul>{cautions}</ul></div></body></html>\n'


def reduction_page(result: Reduced) -> str:
    """The reduction as a page: figures, what was lost by bar, and the part engraved, with what the
    source does not have so in colour."""
    loaded = result.gathered.sources[0]
    part = result.part
    title = f"{loaded.info.title or part.name}: reduction for harp"
    rows = "".join(
        f"<tr><td>{escape(bars_words(first.number, last.number))}</td>"
        f"<td>{escape('; '.join(first.remedies))}</td></tr>"
        for first, last in merged_losses(result.losses)
    )
    keys = "".join(
        f"<li>{escape(key_words(key, not result.player.harp.has_pedals))}</li>"
        for key in result.keys
    )
    state = "within the tier" if result.reached else (
        f"not within the tier; bars that resist: {resisting_words(result)}"
    )
    changed = changed_ids(result.basis.part, part)
    music = "".join(
        f'<div class="music">{svg}</div>'
        for first in range(0, len(part.bars), PAGE_BARS)
        for svg in engraved(part, first, min(len(part.bars), first + PAGE_BARS) - 1, changed)
    )
    return (
        page_head(title)
        + f"<p>For {escape(result.player.name)} ({escape(result.player.harp.title)}). Difficulty "
        f"{result.original.assessment.difficulty:.0f} → {result.reading.assessment.difficulty:.0f},"
        f" {for_whom(result.tier_needed) if result.reached else escape(state)}. "
        f"{len(result.reading.faults)} places that can't be played (as merged: "
        f"{len(result.original.faults)}). Kept: {100 * result.tune_kept:.0f} % of the tune's notes,"
        f" {100 * result.bass_kept:.0f} % of the basses; distance {result.distance.total:.2f}.</p>"
        + (f"<h2>Keys</h2><ul>{keys}</ul>" if keys else "")
        + "<h2>What was lost, by bar</h2>"
        + (f'<div class="scroll"><table><tr><th>bars</th><th>remedy</th></tr>{rows}</table></div>'
           if rows else "<p>Nothing.</p>")
        + f"<h2>The part (coloured: new)</h2>{music}" + page_foot()
    )
