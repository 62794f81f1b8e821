"""The report of `gentler rewrite`: the passage, what to write instead, seen, heard and compared."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from simplify.counted import counted
from simplify.harp.instrument import PEDALS, Setting
from simplify.harp.player import LAYERS
from simplify.report.engrave import compared, engraved
from simplify.report.front import Point, front
from simplify.report.loads import Loads, plots
from simplify.report.pedal_chart import diagram, time_line
from simplify.report.results import CAUTIONS, Alternative, RewriteResult
from simplify.report.sound import mp3, rendered, seconds_each
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
    both_screens,
)
from simplify.report.words import (
    LAYER_WORDS,
    bars_words,
    fault_words,
    for_whom,
    move_words,
    player_words,
    proposal_words,
    setting_words,
    slip_words,
    steps_words,
)
from simplify.score.model import NoteId, Part
from simplify.technique.plan import PedalMove, Performance

WHOLE = 24
"""Passages up to so many bars are engraved whole, of longer ones the bars that change."""
ENGRAVED = 48
"""Bars of one alternative that are engraved at most; the rest is in its score."""
FAULTS = 20
"""Places told that can't be played; the JSON has all."""
LINE_BARS = 16
"""Bars of one time line of the pedals at most."""
DIAGRAMS = 16
"""Pedal diagrams of one alternative at most."""

Range = tuple[int, int]


def story(result: RewriteResult, files: Sequence[str], *, fingering: bool = False) -> Story:
    """The report as blocks; files: name of each alternative's score; fingering: whether the
    fingers show without being asked for."""
    span = _span(result, result.first, result.last)
    title = f"{result.info.title or result.part.name}, {span}"
    pairs = list(zip(result.alternatives, files, strict=True))
    blocks: list[Block] = [*_summary(result)]
    if pairs:
        blocks += [
            Heading("How hard, how far from the original"), *_comparison(result, pairs),
            OnScreen((Heading("To listen to"), *_sounds(result))),
        ]
    blocks += [Heading("As written"), *_as_written(result)]
    for one, file in pairs:
        blocks += _alternative(result, one, file)
    if result.also:
        words = tuple(proposal_words(result, one) for one in result.also)
        blocks += [Heading("Also possible, for the whole piece"), Bullets(words)]
    if result.warnings:
        blocks += [Heading("Notes on the score"), Bullets(result.warnings)]
    return Story(
        title, f"{title}: easier versions", tuple(blocks), CAUTIONS, bool(pairs), fingering
    )


def _span(result: RewriteResult, first: int, last: int) -> str:
    return bars_words(result.part.bars[first].number, result.part.bars[last].number)


def _counted(count: int, one: str, many: str) -> str:
    return counted(count, one, many) if count else f"no {many}"


def _moves(result: RewriteResult, count: int | None = None) -> str:
    """What changes the tuning on this harp, counted or named."""
    one, many = (
        ("pedal move", "pedal moves") if result.player.harp.has_pedals
        else ("lever turn", "lever turns")
    )
    return many if count is None else _counted(count, one, many)


def _summary(result: RewriteResult) -> list[Block]:
    span = _span(result, result.first, result.last)
    places = _counted(len(result.original_faults), "place", "places")
    has = "has" if result.first == result.last else "have"
    words = (
        f"For {player_words(result.player)} ({result.player.harp.title}). As written, {span} {has} "
        f"difficulty {result.original_difficulty:.0f} of 100, {for_whom(result.original_tier)}; "
        f"{places} can't be played, "
        f"{_moves(result, result.original_moves)}."
    )
    blocks: list[Block] = [Paragraph(words)]
    if result.alternatives:
        within = sum(one.within for one in result.alternatives)
        near = result.alternatives[0]
        found = _counted(len(result.alternatives), "alternative was", "alternatives were")
        total = sum(
            result.part.bars[result.first].onset <= note.onset < result.part.bars[result.last].end
            for note in result.part.notes
        )
        words = (
            f"{found[:1].upper() + found[1:]} found, {within or 'none'} within the tier. "
            f"The first brings it to {near.difficulty:.0f} at a distance of {near.distance:.2f}: "
            f"{counted(len(near.changed), 'note is', 'notes are')} new where {total} were "
            f"written, with {_moves(result, near.pedal_moves)}."
        )
        easiest = min(result.alternatives, key=lambda a: a.difficulty)
        if easiest.difficulty < near.difficulty - 0.5:
            words += (
                f" The easiest is alternative {easiest.rank}, {easiest.difficulty:.0f} at a "
                f"distance of {easiest.distance:.2f}."
            )
    else:
        words = "No alternative was found that this player could play without a fault."
    if result.keeps:
        words += f" Kept as asked: {result.keeps.replace(',', ', ')}."
    blocks.append(Paragraph(words))
    if not result.reached:
        blocks.append(Paragraph(f"The tier is not reached; what resists most: {result.resisting}."))
    blocks.append(Paragraph(f"The search stopped because {result.stopped}.", quiet=True))
    return blocks


def _comparison(result: RewriteResult, pairs: Sequence[tuple[Alternative, str]]) -> list[Block]:
    points = [
        Point(str(one.rank), one.distance, one.difficulty, one.within) for one, _ in pairs
    ]
    chart = front(
        result.original_difficulty, points, result.player.rules.max_load, result.player.name
    )
    rows = tuple(
        (
            str(one.rank), f"{one.difficulty:.0f}", f"{one.distance:.2f}",
            *(f"{value:.2f}" for _, value in one.distance_parts),
            str(one.pedal_moves), "yes" if one.within else "no", file,
        )
        for one, file in pairs
    )
    names = tuple(name for name, _ in pairs[0][0].distance_parts)
    return [
        Picture(
            chart,
            "Numbered: the alternatives; filled: within the tier. Nearer to the left is closer to "
            "the original, lower is easier.",
            share=0.62,
        ),
        Table(
            ("alternative", "difficulty", "distance", *names, _moves(result), "within", "score"),
            rows, frozenset(range(1, 4 + len(names))),
            tuple(_anchor(one) for one, _ in pairs), "the alternatives compared",
        ),
        Paragraph(
            "Distance, and its parts from melody to texture: 0 sounds the same, 1 has nothing in "
            "common.", quiet=True,
        ),
    ]


def _anchor(one: Alternative) -> str:
    return f"alternative-{one.rank}"


def _ranges(result: RewriteResult, one: Alternative) -> tuple[Range, ...]:
    """The bars (indices) that are shown of an alternative."""
    if result.last - result.first < WHOLE:
        return ((result.first, result.last),)
    part, new = result.part, one.part
    touched = {part.by_id[i].bar for i in part.by_id.keys() - new.by_id.keys()}
    touched |= {new.by_id[i].bar for i in new.by_id.keys() - part.by_id.keys()}
    ranges: list[Range] = []
    shown = 0
    for bar in sorted(touched):
        low, high = max(result.first, bar - 1), min(result.last, bar + 1)
        if ranges and low <= ranges[-1][1] + 2:
            low = ranges.pop()[0]
        ranges.append((low, high))
        shown = sum(b - a + 1 for a, b in ranges)
        if shown >= ENGRAVED:
            break
    return tuple(ranges)


def _sounds(result: RewriteResult) -> list[Block]:
    shown = [r for one in result.alternatives for r in _ranges(result, one)]
    first, last = min(low for low, _ in shown), max(high for _, high in shown)
    limit = seconds_each(1 + len(result.alternatives))
    takes = [("as written", result.original_performance)]
    takes += [(f"alternative {one.rank}", one.performance) for one in result.alternatives]
    blocks: list[Block] = []
    longest = 0.0
    for name, performance in takes:
        part = performance.part
        longest = max(
            longest, part.seconds(part.bars[last].end) - part.seconds(part.bars[first].onset)
        )
        samples = rendered(performance, first, last, limit)
        blocks.append(Sound(name, mp3(samples), min(longest, limit)))
    words = f"{_span(result, first, last)}, by a plain plucked-string synthesis"
    if longest > limit:
        words += f"; the first {limit:.0f} seconds"
    return [Paragraph(words[:1].upper() + words[1:] + ".", quiet=True), *blocks]


def _loads(
    part: Part, first: int, bar_layers: Sequence[tuple[float, ...]],
    before: Sequence[tuple[float, ...]], result: RewriteResult,
) -> list[Block]:
    numbers = tuple(part.bars[first + at].number for at in range(len(bar_layers)))
    loads = Loads(
        numbers, tuple(bar_layers), tuple(before), caps=result.player.rules.caps,
        taker=result.player.name,
    )
    wide = len(numbers) > 16
    key = "Columns: a bar's load, darker by grade"
    if before:
        key += "; outlined: as written"
    key += f"; dashed line: what {result.player.name} takes; triangle: above it."
    table = Table(
        ("bar", *(LAYER_WORDS[name] for name in LAYERS)),
        tuple(
            (number, *(f"{load:.2f}" for load in row))
            for number, row in zip(numbers, bar_layers, strict=True)
        ),
        frozenset(range(1, 1 + len(LAYERS))), words="loads bar by bar",
    )
    drawn = plots(loads, width=960 if wide else 480)
    return [
        *(Picture(block, wide=wide, share=1.0 if wide else 0.66) for block in drawn),
        Paragraph(key, quiet=True),
        Fold("The numbers, bar by bar", (table,)),
    ]


def _pedals(performance: Performance, first: int, last: int) -> list[Block]:
    """The plan of some bars: a time line, and a diagram wherever it helps to have one."""
    part, plan = performance.part, performance.pedal_plan
    low, high = part.bars[first].onset, part.bars[last].end
    if not performance.player.harp.has_pedals:
        turns = tuple(move_words(part, m) for m in plan.moves if low <= m.onset < high)
        return [Bullets(turns) if turns else Paragraph("No lever is turned in these bars.")]
    moves = [move for move in plan.moves if low < move.onset < high]
    start = plan.setting_at(low)
    pictures = [Picture(diagram(start), f"bar {part.bars[first].number}, at the start")]
    before = start
    for bar in part.bars[first + 1 : last + 1]:
        now = plan.setting_at(bar.onset)
        if now != before and len(pictures) < DIAGRAMS:
            changed = "".join(
                letter for letter, a, b in zip(PEDALS, before, now, strict=True) if a != b
            )
            pictures.append(Picture(diagram(now, changed), f"bar {bar.number}"))
        before = now
    if not moves:
        return [
            Paragraph(f"{setting_words(start)}; no pedal moves in these bars."),
            Gallery(tuple(pictures)),
        ]
    key = (
        "Each pedal over the bars: up is flat, down is sharp; a dot is a move, the right foot's "
        "above."
    )
    if last - first >= LINE_BARS:
        key += " Bars without moves are left out."
    return [
        *_time_lines(performance, start, moves, first, last),
        Paragraph(key, quiet=True),
        Gallery(tuple(pictures)),
        Paragraph(
            "Diagrams: as the pedals stand at the bar line; ringed: moved since the one before.",
            quiet=True,
        ),
    ]


def _time_lines(
    performance: Performance, start: Setting, moves: Sequence[PedalMove], first: int, last: int
) -> list[Block]:
    """A time line for every `LINE_BARS` bars in which a pedal moves."""
    part = performance.part
    charts: list[Block] = []
    for low in range(first, last + 1, LINE_BARS):
        high = min(low + LINE_BARS - 1, last)
        begin, end = part.bars[low].onset, part.bars[high].end
        inside = [move for move in moves if begin <= move.onset < end]
        if low > first:
            start = performance.pedal_plan.setting_at(begin - 1)
        if inside:
            width = 1200 if high - low >= 8 else 900
            charts.append(Picture(time_line(part, start, inside, low, high, width), wide=True))
    return charts


def _tuning(result: RewriteResult) -> Heading:
    return Heading("Pedals" if result.player.harp.has_pedals else "Levers", 3)


def _as_written(result: RewriteResult) -> list[Block]:
    blocks: list[Block] = []
    if not result.alternatives:
        low, high = result.first, min(result.last, result.first + ENGRAVED - 1)
        blocks += both_screens(
            partial(engraved, result.part, low, high, name="as written", key="w")
        )
    if result.original_faults:
        told = [fault_words(fault) for fault in result.original_faults[:FAULTS]]
        if len(result.original_faults) > FAULTS:
            told.append(f"and {len(result.original_faults) - FAULTS} more")
        blocks += [
            Heading(f"What {player_words(result.player)} can't play", 3), Bullets(tuple(told)),
        ]
    blocks += [
        Heading("Layers over the bars", 3),
        *_loads(result.part, result.first, result.original_bar_layers, (), result),
        _tuning(result),
        *_pedals(result.original_performance, result.first, result.last),
    ]
    return blocks


def _fingers(performance: Performance) -> dict[NoteId, int]:
    return {
        strike.first.id: finger
        for strike, finger in zip(
            performance.strikes, performance.hand_plan.fingers, strict=True
        )
        if finger
    }


def _alternative(result: RewriteResult, one: Alternative, file: str) -> list[Block]:
    parts = ", ".join(f"{name} {value:.2f}" for name, value in one.distance_parts)
    within = "within the tier" if one.within else "not yet within the tier"
    blocks: list[Block] = [
        Heading(f"Alternative {one.rank}: {file}", 2, _anchor(one), True),
        Paragraph(
            f"Difficulty {result.original_difficulty:.0f} → {one.difficulty:.0f}, {within}; "
            f"{_moves(result)} {result.original_moves} → {one.pedal_moves}; distance "
            f"{one.distance:.2f} ({parts})."
        ),
    ]
    if one.note:
        blocks.append(Paragraph(f"It {one.note}." if one.note.startswith("differs") else one.note))
    ranges = _ranges(result, one)
    fingers = _fingers(one.performance)
    for at, (low, high) in enumerate(ranges):
        blocks += both_screens(partial(
            compared, result.part, one.part, low, high, fingering=fingers, key=f"a{one.rank}-{at}-"
        ))
    words = "Above as written, below easier; struck through: goes; ringed: new or respelled."
    if sum(high - low + 1 for low, high in ranges) < result.last - result.first + 1:
        words += " Only bars around a change are shown; the score has all."
    blocks.append(Paragraph(words, quiet=True))
    blocks.append(Heading("What changes", 3))
    told = steps_words(result.part, one.steps)
    blocks.append(Bullets(told))
    if len(told) < len(one.steps):
        each = tuple(f"{bars_words(step.first, step.last)}, {step.text}" for step in one.steps)
        blocks.append(Fold(f"All {len(each)} steps, one by one", (Bullets(each),)))
    if one.slips:
        blocks.append(Paragraph(f"A{slip_words(one.slips)[1:]}."))
    if one.joins:
        blocks.append(Paragraph("Stays as written against the bars outside:"))
        blocks.append(Bullets(tuple(fault_words(join) for join in one.joins)))
    return [
        *blocks,
        Heading("Layers over the bars", 3),
        *_loads(one.part, result.first, one.bar_layers, result.original_bar_layers, result),
        _tuning(result),
        *_pedals(one.performance, result.first, result.last),
    ]
