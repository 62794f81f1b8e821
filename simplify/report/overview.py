"""The report of `gentler assess`: what is hard, where, why, for whom, drawn and in numbers."""

from __future__ import annotations

from simplify.counted import counted
from simplify.harp.player import LAYERS
from simplify.report.loads import Loads, Span, plot, plots
from simplify.report.results import CAUTIONS, AssessResult
from simplify.report.story import (
    Block,
    Bullets,
    Fold,
    Heading,
    Paragraph,
    Picture,
    Story,
    Table,
)
from simplify.report.svg import SOFT, Drawing, drawing, label, tag
from simplify.report.words import (
    LAYER_WORDS,
    bars_words,
    fault_words,
    for_whom,
    grade,
    least_change_words,
    player_words,
    reason_words,
    setting_words,
    stretch_words,
)

REASONS = 6
"""Reasons told of each stretch; the JSON has more."""
FAULTS = 40
"""Places told that can't be played; the JSON has all."""


def _loads(result: AssessResult) -> Loads:
    part, assessment = result.part, result.assessment
    beats = tuple(
        tuple(
            (
                beat.bar + (beat.onset - part.bars[beat.bar].onset) / part.bars[beat.bar].duration,
                (beat.end - beat.onset) / part.bars[beat.bar].duration,
                load,
            )
            for beat, load in zip(assessment.grid, curve.loads, strict=True)
        )
        for curve in assessment.curves
    )
    spans = []
    for stretch in result.stretches:
        bars = bars_words(part.bars[stretch.first].number, part.bars[stretch.last].number)
        tier = stretch.tier or "nobody"
        spans.append(Span(
            stretch.first, stretch.last, f"{bars}: {stretch.difficulty:.0f}, {tier}",
            f"{stretch.difficulty:.0f}",
        ))
    stuck: dict[int, list[str]] = {}
    for fault in result.faults:
        stuck.setdefault(part.bar_at(fault.onset).index, []).append(fault_words(fault))
    return Loads(
        numbers=tuple(bar.number for bar in assessment.bars),
        layers=tuple(bar.layers for bar in assessment.bars),
        beats=beats,
        caps=result.player.rules.caps if result.asked else (),
        taker=result.asked or "",
        spans=tuple(spans),
        stuck=tuple((bar, "\n".join(words)) for bar, words in sorted(stuck.items())),
    )


def _title(result: AssessResult) -> str:
    part = result.part
    name = f"{result.info.title}: {part.name}" if result.info.title else part.name
    return f"{name}, {bars_words(part.bars[0].number, part.bars[-1].number)}"


def _verdict(result: AssessResult) -> str:
    words = (
        f"Difficulty {result.assessment.difficulty:.0f} of 100 where it is hardest (on average"
        f" {result.assessment.mean_difficulty:.0f}): {for_whom(result.tier_needed)}."
    )
    if result.asked:
        words += f" For {result.asked}: {'within' if result.verdict.within else 'not within'}."
    return words


KEY = (
    "Columns: a bar's load, darker by grade; thin line: beat by beat; the two rules part simple, "
    "moderate and complex."
)


def _key(result: AssessResult) -> str:
    words = KEY
    if result.asked:
        words += f" Dashed: what {result.asked} takes; triangle: above it."
    return words + " Above the rows: stretches of bars that are alike, with their difficulty."


def plotted(result: AssessResult) -> Drawing:
    """The plot alone, with a title above and its key and the first caution below."""
    inner = plot(_loads(result))
    width, top = inner.width, 70.0
    lines = [*_broken(_key(result), 130), CAUTIONS[0]]
    body = tag("g", inner.svg, transform=f"translate(0 {top:g})")
    below = top + inner.height + 18
    return drawing(
        width, below + 18 * len(lines), f"{_title(result)}. {_verdict(result)} {inner.words}",
        tag("rect", width=width, height=below + 18 * len(lines), fill="#fff"),
        label(6, 28, _title(result), font_size=20),
        label(6, 52, _verdict(result)),
        body,
        *(
            label(6, below + 18 * at, line, fill=SOFT, font_size=13)
            for at, line in enumerate(lines)
        ),
    )


def _broken(text: str, width: int) -> list[str]:
    import textwrap

    return textwrap.wrap(text, width)


def story(result: AssessResult) -> Story:
    """The report as blocks."""
    part = result.part
    blocks: list[Block] = [
        Paragraph(_verdict(result)),
        Paragraph(
            f"Quarter note = {part.tempo[0].quarters:g}, {result.player.harp.title}.", quiet=True
        ),
    ]
    if result.asked and not result.verdict.within:
        over = [one for one in result.verdict.exceeding if one.layer or not result.faults]
        blocks.append(Bullets(tuple(f"{bars_words(*one.bars)}: {one.text}" for one in over)))
    if result.remedies:
        blocks.append(Paragraph(least_change_words(result)))
    blocks += [
        Heading("Layers over the bars"),
        *(Picture(block, wide=True) for block in plots(_loads(result))),
        Paragraph(_key(result), quiet=True),
        Fold("The numbers, bar by bar", (_numbers(result),)),
        Heading("Where, what and why"),
    ]
    for stretch in result.stretches:
        words = stretch_words(result, stretch)
        blocks.append(Heading(words[:1].upper() + words[1:], 3))
        blocks.append(Bullets(tuple(map(reason_words, stretch.reasons[:REASONS]))))
    if result.faults:
        told = [fault_words(fault) for fault in result.faults[:FAULTS]]
        if len(result.faults) > FAULTS:
            told.append(f"and {len(result.faults) - FAULTS} more")
        blocks += [
            Heading(f"What {player_words(result.player)} can't play as written"),
            Bullets(tuple(told)),
        ]
    plan = result.performance.pedal_plan
    if result.player.harp.has_pedals:
        words = f"At the start {setting_words(plan.start)}; {counted(len(plan.moves), 'move')}."
        blocks += [Heading("Pedals"), Paragraph(words)]
    else:
        blocks += [Heading("Levers"), Paragraph(f"{counted(len(plan.moves), 'is', 'are')} turned.")]
    if result.warnings:
        blocks += [Heading("Notes on the score"), Bullets(result.warnings)]
    return Story(_title(result), f"{_title(result)}: what is hard", tuple(blocks), CAUTIONS)


def _numbers(result: AssessResult) -> Table:
    rows = [
        (
            bar.number, f"{bar.difficulty:.0f}",
            *(f"{load:.2f} {grade(load)}" for load in bar.layers),
        )
        for bar in result.assessment.bars
    ]
    return Table(
        ("bar", "difficulty", *(LAYER_WORDS[name] for name in LAYERS)), tuple(rows),
        frozenset({1}), words="loads bar by bar",
    )
