"""Plain text for the terminal: where, what, why, for whom; then what to write instead."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from simplify.arrange.proposals import Kind
from simplify.counted import counted
from simplify.harp.instrument import Instrument
from simplify.harp.player import LAYERS
from simplify.report.results import (
    CAUTIONS,
    AssessResult,
    PedalResult,
    RewriteResult,
    StrategyRow,
)
from simplify.report.strip import strip
from simplify.report.words import (
    LAYER_WORDS,
    bars_words,
    fault_words,
    for_whom,
    least_change_words,
    load_words,
    move_words,
    proposal_words,
    reason_words,
    setting_words,
    slip_words,
    steps_words,
    stretch_words,
)
from simplify.search.reading import excess
from simplify.technique.perform import format_plan

WIDTH = 92


def _wrapped(text: str, indent: str, first: str | None = None) -> str:
    return textwrap.fill(
        text, WIDTH, initial_indent=first if first is not None else indent,
        subsequent_indent=indent,
    )


def _cautions() -> list[str]:
    return ["", *CAUTIONS]


@dataclass(frozen=True, slots=True)
class Screen:
    """What the place of printing can show. width: in characters; plain: ASCII blocks only."""

    width: int = WIDTH
    colour: bool = False
    plain: bool = False


def screen() -> Screen:
    """Of standard output as it is: a pipe or file takes `WIDTH` columns and no colour; NO_COLOR,
    dumb terminals and encodings without block characters are respected."""
    import sys

    from rich.console import Console

    try:
        "▁█".encode(sys.stdout.encoding or "ascii")
        plain = False
    except UnicodeEncodeError:
        plain = True
    if not sys.stdout.isatty():
        return Screen(plain=plain)
    console = Console(file=sys.stdout)
    colour = console.color_system is not None and not console.no_color
    return Screen(console.width, colour, plain)


def _strip(result: AssessResult, on: Screen) -> list[str]:
    part, bars = result.part, result.assessment.bars
    over = {
        i for i, bar in enumerate(bars)
        if result.asked and excess(bar.layers, bar.difficulty, result.player.rules) > 0
    }
    stuck = {part.bar_at(fault.onset).index - part.bars[0].index for fault in result.faults}
    return strip(
        [bar.number for bar in bars], [bar.layers for bar in bars],
        width=on.width, colour=on.colour, plain=on.plain,
        marks=((f"over {result.asked}", over), ("can't be played", stuck)),
    )


def of_assessment(result: AssessResult, on: Screen | None = None) -> str:
    """The whole of `gentler assess`."""
    on = on or Screen()
    part, assessment = result.part, result.assessment
    title = f"{result.info.title}: {part.name}" if result.info.title else part.name
    span = bars_words(part.bars[0].number, part.bars[-1].number)
    lines = [
        title,
        f"{span}, quarter note = {part.tempo[0].quarters:g}, {result.player.harp.title}",
        "",
        f"Difficulty {assessment.difficulty:.0f} of 100 where it is hardest (on average"
        f" {assessment.mean_difficulty:.0f}): {for_whom(result.tier_needed)}.",
    ]
    if result.asked is not None:
        if result.verdict.within:
            lines.append(f"For {result.asked}: within.")
        else:
            lines.append(f"For {result.asked}: not within.")
            over = [one for one in result.verdict.exceeding if one.layer or not result.faults]
            lines += [
                _wrapped(f"- {bars_words(*one.bars)}: {one.text}", "    ", "  ") for one in over[:8]
            ]
        if result.remedies:
            lines.append(_wrapped(least_change_words(result), "  ", ""))
    loads = ", ".join(
        f"{LAYER_WORDS[name]} {load_words(load)}"
        for name, load in zip(LAYERS, assessment.layers, strict=True)
    )
    lines += [_wrapped(f"Layers: {loads}", "        ", ""), ""]
    lines += _strip(result, on)
    lines += ["", "Where, what and why:"]
    for stretch in result.stretches:
        lines.append(stretch_words(result, stretch))
        for reason in stretch.reasons[:5]:
            lines.append(_wrapped(reason_words(reason), "      ", "    "))
    if result.faults:
        lines += ["", f"Can't be played as written by {result.player.name} "
                  f"({counted(len(result.faults), 'place')}):"]
        for fault in result.faults[:12]:
            lines.append(_wrapped(fault_words(fault), "      ", "    "))
        if len(result.faults) > 12:
            lines.append(f"    and {len(result.faults) - 12} more (--json lists all)")
    plan = result.performance.pedal_plan
    lines += ["", f"Pedals: start {setting_words(plan.start)}, {counted(len(plan.moves), 'move')}"
              " (see: gentler pedals)"]
    return "\n".join([*lines, *_cautions()])


def of_rewrites(result: RewriteResult, folder: str, files: Sequence[str]) -> str:
    """The whole of `gentler rewrite`."""
    bars = result.part.bars
    span = bars_words(bars[result.first].number, bars[result.last].number)
    lines = [
        f"{result.info.title or result.part.name}, {span}, for {result.player.name}",
        f"As written: difficulty {result.original_difficulty:.0f}, "
        f"{for_whom(result.original_tier)}; {counted(len(result.original_faults), 'place')} "
        f"that can't be played; {counted(result.original_moves, 'pedal move')}",
    ]
    for fault in result.original_faults[:4]:
        lines.append(_wrapped(fault_words(fault), "      ", "    "))
    for one, file in zip(result.alternatives, files, strict=True):
        within = "within the tier" if one.within else "not yet within the tier"
        lines += [
            "",
            f"{one.rank}. {file}: difficulty {result.original_difficulty:.0f} → "
            f"{one.difficulty:.0f}, {within}; distance {one.distance:.2f} ("
            + ", ".join(f"{name} {value:.2f}" for name, value in one.distance_parts)
            + f"); pedal moves {result.original_moves} → {one.pedal_moves}",
        ]
        if one.note:
            lines.append(f"    {one.note}")
        for join in one.joins:
            text = f"stays as written against the bar outside: bar {join.bar}: {join.text}"
            lines.append(_wrapped(text, "      ", "    "))
        told = steps_words(result.part, one.steps)
        lines += [_wrapped(text, "      ", "    ") for text in told]
        if len(told) < len(one.steps):
            lines.append(f"    ({len(one.steps)} steps; each by itself: report.html or --json)")
        if one.slips:
            lines.append(_wrapped(slip_words(one.slips), "      ", "    "))
        if one.lost_marks:
            text = "signs without a note any more: " + "; ".join(one.lost_marks)
            lines.append(_wrapped(text, "      ", "    "))
    lines.append("")
    if not result.alternatives:
        lines.append("No alternative was found that this player could play without a fault.")
    if result.keeps:
        lines.append(f"Kept as asked: {result.keeps.replace(',', ', ')}.")
    if not result.reached:
        lines.append(f"The tier is not reached; what resists most: {result.resisting}.")
    if result.also:
        lines += ["Also possible, for the whole piece:"]
        for proposal in result.also:
            lines.append(_wrapped(proposal_words(result, proposal), "      ", "    "))
        lines.append("")
    lines.append(f"The search stopped because {result.stopped}.")
    lines.append(f"Scores, report.html and result.json are in {folder}.")
    return "\n".join([*lines, *_cautions()])


def of_pedals(result: PedalResult) -> str:
    """The whole of `gentler pedals`."""
    plan, part = result.plan, result.part
    lines = [
        result.info.title or part.name,
        f"Start: {setting_words(plan.start)}",
        f"{counted(len(plan.moves), 'move')}, cost {plan.cost:.2f} (the least there is)",
        *(f"    {move_words(part, move)}" for move in plan.moves),
    ]
    respelled = []
    for strike, played in zip(part.strikes, plan.played, strict=True):
        if played != strike.pitch:
            bar, beat = part.place(strike.onset)
            respelled.append(f"bar {bar} beat {beat:g}: {strike.pitch.name} as {played.name}")
    if respelled:
        lines += ["Played on the synonym string:", *(f"    {text}" for text in respelled[:40])]
        if len(respelled) > 40:
            lines.append(f"    and {len(respelled) - 40} more (--json lists all)")
    if plan.unmet:
        lines.append("Places that no pedalling serves:")
        for place in plan.unmet:
            bar, beat = part.place(place.onset)
            lines.append(_wrapped(f"bar {bar} beat {beat:g}: {place.text}", "      ", "    "))
    return "\n".join([*lines, "", CAUTIONS[0]])


def of_plan(result: PedalResult) -> str:
    """The whole of `gentler pedals --plan`."""
    assert result.performance is not None  # planned with hands
    return "\n".join([
        result.info.title or result.part.name,
        f"Start: {setting_words(result.plan.start)}",
        "Fingers 1 (thumb) to 4 before strings; | opens a placing, ~ is rolled, - has no finger",
        "",
        format_plan(result.performance),
        "",
        *CAUTIONS[:2],
    ])


def of_strategies(
    rows: Sequence[StrategyRow], kinds: Sequence[Kind] = (), *, whole: bool
) -> str:
    """`gentler strategies`: a line each, or one in full; kinds: of proposals for a whole piece."""
    if not whole:
        width = max((len(row.strategy.name) for row in rows), default=0) + 2
        lines = [f"{row.strategy.name.ljust(width)}{row.strategy.title}" for row in rows]
        lines += ["", "Proposals for the whole piece, beside the rewrites:"]
        lines += [f"{kind.name.ljust(width)}{kind.title}" for kind in kinds]
        return "\n".join([*lines, "", "In full, with cases: gentler strategies NAME"])
    lines = []
    for kind in kinds:
        lines += [f"{kind.name}: {kind.title}", "A proposal for the whole piece"]
        for heading, text in kind.text:
            lines += ["", heading, _wrapped(text, "    ")]
    for row in rows:
        kept = [flag.name.lower() for flag in row.strategy.keeps if flag.name]
        lines += [f"{row.strategy.name}: {row.strategy.title}",
                  f"Keeps: {', '.join(kept) or 'nothing for certain'}"]
        for heading, text in row.text:
            lines += ["", heading, _wrapped(text, "    ")]
        lines += ["", "Worked cases"]
        for case in row.strategy.cases:
            lines.append(f"    for {case.tier}: {case.before}")
            becomes = f"becomes {case.after}" if case.after else "stays as it is"
            lines.append(f"        {becomes}")
    return "\n".join(lines)


def of_harps(rows: Sequence[Instrument]) -> str:
    """`gentler harps`."""
    width = max(len(harp.name) for harp in rows) + 2
    lines = []
    for harp in rows:
        lines.append(f"{harp.name.ljust(width)}{harp.title}; {harp.range_text}")
        lines.append(_wrapped(f"source: {harp.source}", " " * (width + 4), " " * width))
    return "\n".join(lines)


def of_tiers(table: dict[str, Any]) -> str:
    """`gentler tiers`."""
    tiers = table["tiers"]
    lines = [_wrapped(f"{tier}: {table['who'][tier]}", "    ", "") for tier in tiers]
    rows = [
        *((name, row["values"], row) for name, row in table["limits"].items()),
        *((name, row["values"], row) for name, row in table["rules"].items() if "values" in row),
        *((f"cap: {LAYER_WORDS[layer]}", table["rules"]["caps"][layer], table["rules"]["caps"])
          for layer in LAYERS),
    ]
    name_width = max(len(name) for name, _, _ in rows) + 2
    lines += ["", " " * name_width + "".join(tier.rjust(13) for tier in tiers)]
    for name, values, row in rows:
        lines.append(name.ljust(name_width) + "".join(f"{value:g}".rjust(13) for value in values))
        lines.append(_wrapped(f"{row['unit']}; source: {row['source']}", "      ", "    "))
    pairs = table["rules"]["forbidden"]
    for pair in pairs["pairs"]:
        lines.append(f"never together for {', '.join(pairs['tiers'])}: {' with '.join(pair)}")
    return "\n".join([*lines, "", *CAUTIONS[:2]])


@contextmanager
def progress(label: str, quiet: bool) -> Iterator[Callable[[int, int], None] | None]:
    """A progress bar on stderr for long work; None when quiet or when stderr is no terminal."""
    import sys

    if quiet or not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    with Progress(
        TextColumn("{task.description}"), BarColumn(), TextColumn("{task.completed}/{task.total}"),
        TimeElapsedColumn(), console=Console(stderr=True), transient=True,
    ) as bars:
        task = bars.add_task(label, total=None)

        def show(done: int, total: int) -> None:
            bars.update(task, completed=done, total=total)

        yield show
