"""Reduction reports: what became of the music on its way to the harp, bar by bar."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from functools import partial
from typing import Any

from simplify.arrange.classes import ClassParts, Duo
from simplify.arrange.keys import KeyCost
from simplify.arrange.ladder import Ladder, Rung
from simplify.arrange.levers import TuningCost
from simplify.arrange.reduce import BarLoss, Reduced, changed_ids
from simplify.counted import counted
from simplify.report.document import layers_of
from simplify.report.engrave import engraved
from simplify.report.results import CAUTIONS
from simplify.report.story import (
    Block,
    Bullets,
    Heading,
    Paragraph,
    Picture,
    Story,
    Table,
    both_screens,
)
from simplify.report.words import bars_words, for_whom, player_words
from simplify.score.model import NoteId, Part
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
    return counted(abs(fifths), kind)


def key_words(key: KeyCost, levers: bool) -> str:
    """A key with its figures."""
    where = "as written" if not key.semitones else (
        f"{counted(abs(key.semitones), 'semitone')} "
        f"{'up' if key.semitones > 0 else 'down'}"
    )
    what = "lever turn" if levers else "pedal move"
    unmet = f", {counted(key.unmet, 'place')} that can't be served" if key.unmet else ""
    return f"{key.name} ({signs(key.fifths)}, {where}): {counted(key.moves, what)}{unmet}"


def tuning_words(tuning: TuningCost) -> str:
    """A lever harp's tuning with its figures."""
    unmet = f", {counted(tuning.unmet, 'place')} that can't be served" if tuning.unmet else ""
    return (
        f"{tuning.name.replace('b', '♭')}: {counted(tuning.turns, 'lever turn')} in the music as "
        f"merged, {counted(tuning.raised, 'lever')} up at the start{unmet}"
    )


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
        f"{counted(len(result.original.faults), 'place')} that can't be played.",
        f"Reduced: difficulty {result.reading.assessment.difficulty:.0f}, "
        f"{counted(len(result.reading.faults), 'place')} that can't be played; "
        + ("within the tier." if result.reached else "not within the tier."),
        f"Kept: {100 * result.tune_kept:.0f} % of the tune's notes, "
        f"{100 * result.beats_kept:.0f} % of its beats, "
        f"{100 * result.bass_kept:.0f} % of the basses; distance {result.distance.total:.2f}.",
    ]
    if not result.reached:
        lines += ["", f"Bars that resist: {resisting_words(result)}"]
        lines += [f"    {row.text}" for row in result.reading.verdict.exceeding[:8]]
    if result.keys:
        levers = not player.harp.has_pedals
        lines += ["", "Keys:"]
        lines += [f"    {key_words(key, levers)}" for key in result.keys[:6]]
    if result.tunings:
        lines += ["", "Tunings:"]
        lines += [f"    {tuning_words(one)}" for one in result.tunings]
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
    return resisting_bars(result.part, result.resisting)


def resisting_bars(part: Part, resisting: Sequence[int]) -> str:
    """Printed numbers of bars (indices)."""
    runs: list[list[int]] = []
    for bar in resisting:
        if runs and runs[-1][1] + 1 == bar:
            runs[-1][1] = bar
        else:
            runs.append([bar, bar])
    bars = part.bars
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
        "melody_beats_kept": round(result.beats_kept, 4),
        "bass_kept": round(result.bass_kept, 4),
        "keys": [
            {
                "key": key.name, "fifths": key.fifths, "semitones": key.semitones,
                "moves": key.moves, "unmet": key.unmet, "cost": round(key.cost, 3),
            }
            for key in result.keys
        ],
        "tunings": [
            {"tuning": t.name, "turns": t.turns, "raised": t.raised, "unmet": t.unmet}
            for t in result.tunings
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


PHONE_BARS = 120
"""Bars on a page up to which its music is engraved for phones too (estimate: beyond them the page
passes five million bytes; there the broad engraving scrolls)."""


def _music(part: Part, changed: frozenset[NoteId], key: str, shown: int) -> list[Block]:
    """The whole part engraved, changed notes ringed. shown: bars that the page engraves in all."""
    draw = partial(engraved, part, 0, len(part.bars) - 1, changed, key=key, apart=True)
    if shown > PHONE_BARS:
        return [Picture(drawing, wide=True) for drawing in draw()]
    return both_screens(draw)


def reduction_story(result: Reduced) -> Story:
    """The reduction as a page: figures, what was lost by bar, and the part engraved, with what the
    source does not have so ringed."""
    loaded = result.gathered.sources[0]
    part = result.part
    title = f"{loaded.info.title or part.name}: reduction for harp"
    state = "within the tier" if result.reached else (
        f"not within the tier; bars that resist: {resisting_words(result)}"
    )
    blocks: list[Block] = [Paragraph(
        f"For {player_words(result.player)} ({result.player.harp.title}). Difficulty "
        f"{result.original.assessment.difficulty:.0f} → {result.reading.assessment.difficulty:.0f},"
        f" {for_whom(result.tier_needed) if result.reached else state}. "
        f"{counted(len(result.reading.faults), 'place')} that can't be played (as merged: "
        f"{len(result.original.faults)}). Kept: {100 * result.tune_kept:.0f} % of the tune's notes,"
        f" {100 * result.beats_kept:.0f} % of its beats, {100 * result.bass_kept:.0f} % of the "
        f"basses; distance {result.distance.total:.2f}."
    )]
    if result.keys:
        levers = not result.player.harp.has_pedals
        blocks += [
            Heading("Keys"), Bullets(tuple(key_words(key, levers) for key in result.keys)),
        ]
    rows = tuple(
        (bars_words(first.number, last.number), "; ".join(first.remedies))
        for first, last in merged_losses(result.losses)
    )
    blocks += [
        Heading("What was lost, by bar"),
        Table(("bars", "remedy"), rows, words="what was lost, by bar")
        if rows else Paragraph("Nothing."),
        Heading("The part"), Paragraph("Ringed: new.", quiet=True),
        *_music(part, changed_ids(result.basis.part, part), "r", len(part.bars)),
    ]
    return Story(title, title, tuple(blocks), CAUTIONS)


# --- ladders --------------------------------------------------------------------------------------


def share_words(rung: Rung) -> str:
    """Bars carried over unchanged, in words."""
    total = len(rung.part.bars)
    return f"{len(rung.carried)} of {total} bars ({100 * len(rung.carried) / total:.0f} %)"


def of_ladder(result: Ladder, out: str) -> str:
    """What is printed on stdout."""
    loaded = result.gathered.sources[0]
    lines = [
        f"{loaded.info.title or 'Score'}: {len(result.rungs)} versions for harp, bars "
        f"{result.basis.part.bars[0].number}-{result.basis.part.bars[-1].number}",
        f"As merged: difficulty {result.source.assessment.difficulty:.0f}.",
        "",
        "                                          kept of the tune's",
        "version        difficulty  faults  moves   notes  beats   bass  as the harder version",
    ]
    for rung in result.rungs:
        lines.append(
            f"{rung.player.name:<14} {rung.reading.assessment.difficulty:>10.1f}"
            f"  {len(rung.reading.faults):>6}  {moves_of(rung):>5}  {100 * rung.tune_kept:>4.0f} %"
            f" {100 * rung.beats_kept:>4.0f} % {100 * rung.bass_kept:>4.0f} %  {share_words(rung)}"
        )
    for rung in result.rungs:
        if not rung.reached:
            lines.append(f"{rung.player.name}: the tier is not reached; bars that resist: "
                         f"{resisting_bars(rung.part, rung.resisting)}")
        elif not rung.stepped:
            lines.append(
                f"{rung.player.name}: not easier than the version before by a useful step"
            )
    lines += [
        "", f"Scores, all.musicxml, the booklet (.html, .pdf) and result.json are in {out}.", "",
        *CAUTIONS,
    ]
    return "\n".join(lines)


def moves_of(rung: Rung) -> int:
    """Pedal moves or lever turns after the first note."""
    performance = rung.reading.performance
    first = min((s.onset for s in performance.strikes), default=0)
    return sum(move.onset > first for move in performance.pedal_plan.moves)


def ladder_document(result: Ladder, files: Sequence[str]) -> Document:
    """`gentler ladder --json`, and result.json."""
    loaded = result.gathered.sources[0]
    part = result.basis.part
    return {
        "version": VERSION,
        "score": {
            "title": loaded.info.title, "part": part.name, "bars": len(part.bars),
            "tempo": part.tempo[0].quarters, "source_format": loaded.info.source_format,
        },
        "sources": [one.choice.label for one in result.gathered.sources],
        "original": {"difficulty": round(result.source.assessment.difficulty, 2)},
        "versions": [
            {
                "player": rung.player.name,
                "tier": rung.player.tier,
                "harp": rung.player.harp.name,
                "difficulty": round(rung.reading.assessment.difficulty, 2),
                "step": round(rung.step, 2),
                "within_tier": rung.reached,
                "easier_by_a_step": rung.stepped,
                "resisting_bars": [rung.part.bars[i].number for i in rung.resisting],
                "layers": layers_of(rung.reading.assessment.layers),
                "faults": len(rung.reading.faults),
                "moves": moves_of(rung),
                "bars_as_harder": [rung.part.bars[i].number for i in sorted(rung.carried)],
                "bars_takeable_as_harder": [
                    rung.part.bars[i].number for i in sorted(rung.takeable)
                ],
                "share_as_harder": round(len(rung.carried) / len(rung.part.bars), 4),
                "same_fingering": round(rung.same_fingers, 4),
                "melody_kept": round(rung.tune_kept, 4),
                "melody_beats_kept": round(rung.beats_kept, 4),
                "bass_kept": round(rung.bass_kept, 4),
                "distance": round(rung.distance, 4),
                "teaches": list(rung.teaches),
                "hints": [
                    {"bars": [hint.first, hint.last], "text": hint.text} for hint in rung.hints
                ],
                "file": file,
            }
            for rung, file in zip(result.rungs, files, strict=True)
        ],
        "warnings": list(result.gathered.warnings),
    }


def ladder_story(result: Ladder, files: Sequence[str]) -> Story:
    """The booklet: the teacher's table, then each version, the easiest first, with what it teaches,
    how to practise it, and the music (notes that differ from the harder version ringed)."""
    loaded = result.gathered.sources[0]
    title = f"{loaded.info.title or 'Score'}: {len(result.rungs)} versions for harp"
    easiest = list(reversed(list(zip(result.rungs, files, strict=True))))
    harps = list(dict.fromkeys(rung.player.harp.title for rung in result.rungs))
    several = len(harps) > 1
    rows = tuple(
        (
            rung.player.name, *((rung.player.harp.title,) if several else ()),
            f"{rung.reading.assessment.difficulty:.0f}", f"{moves_of(rung)}",
            f"{100 * rung.tune_kept:.0f} %", f"{100 * rung.beats_kept:.0f} %",
            share_words(rung), f"{100 * rung.same_fingers:.0f} %",
            "yes" if rung.reached else "no",
        )
        for rung, _ in easiest
    )
    blocks: list[Block] = [
        Heading("For the teacher"),
        *(() if several else (Paragraph(f"All for {harps[0]}."),)),
        Table(
            ("version", *(("harp",) if several else ()), "difficulty", "moves", "tune kept: notes",
             "beats", "bars as in the harder version", "same fingers there", "within its tier"),
            rows, frozenset(at + several for at in (1, 2, 3, 4, 6)),
            tuple(f"version-{i}" for i in range(len(rows))), "the versions compared",
        ),
    ]
    harder = {id(r): h for h, r in itertools.pairwise(result.rungs)}
    for at, (rung, file) in enumerate(easiest):
        above = harder.get(id(rung))
        before = above.part if above is not None else result.basis.part
        blocks += [
            Heading(f"{rung.player.name}: {file}", 2, f"version-{at}", True),
            Paragraph(f"What it teaches: {'; '.join(rung.teaches)}."),
        ]
        if rung.hints:
            blocks += [
                Heading("How to practise", 3),
                Bullets(tuple(f"{bars_words(h.first, h.last)}: {h.text}" for h in rung.hints)),
            ]
        blocks += [
            Heading("The music", 3),
            Paragraph("Ringed: other than in the harder version.", quiet=True),
            *_music(
                rung.part, changed_ids(before, rung.part), f"v{at}-",
                len(rung.part.bars) * len(result.rungs),
            ),
        ]
    return Story(title, title, tuple(blocks), CAUTIONS)


# --- several players ------------------------------------------------------------------------------


def version_of(ladder: Ladder, rung: Rung) -> str:
    """Which version a player has: 'version 2 of 3 for lever harp, 34 strings'."""
    at = len(ladder.rungs) - next(i for i, one in enumerate(ladder.rungs) if one is rung)
    return f"version {at} of {len(ladder.rungs)} for {rung.player.harp.title}"


def of_class(result: ClassParts, out: str, files: Sequence[str]) -> str:
    """What is printed on stdout."""
    loaded = result.gathered.sources[0]
    lines = [f"{loaded.info.title or 'Score'}: {len(result.rows)} players, {result.name}", ""]
    for (player, ladder, rung), file in zip(result.rows, files, strict=True):
        state = "" if rung.reached else "; NOT within reach, bars that resist: " + resisting_bars(
            rung.part, rung.resisting
        )
        lines += [
            f"{player.name} ({player.tier}): {file}",
            f"    {version_of(ladder, rung)}; difficulty "
            f"{rung.reading.assessment.difficulty:.0f}, {100 * rung.beats_kept:.0f} % of the "
            f"tune's beats kept{state}",
        ]
    lines += [
        "", f"Parts, all.musicxml, the summary (.html, .pdf) and result.json are in {out}.", "",
        *CAUTIONS,
    ]
    return "\n".join(lines)


def class_document(result: ClassParts, files: Sequence[str]) -> Document:
    """`gentler class --json`, and result.json."""
    return {
        "version": VERSION,
        "class": result.name,
        "title": result.gathered.sources[0].info.title,
        "players": [
            {
                "player": player.name, "tier": player.tier, "harp": player.harp.name,
                "plays": version_of(ladder, rung),
                "difficulty": round(rung.reading.assessment.difficulty, 2),
                "faults": len(rung.reading.faults), "within_reach": rung.reached,
                "resisting_bars": [rung.part.bars[i].number for i in rung.resisting],
                "melody_kept": round(rung.tune_kept, 4),
                "melody_beats_kept": round(rung.beats_kept, 4),
                "bass_kept": round(rung.bass_kept, 4),
                "distance": round(rung.distance, 4), "file": file,
            }
            for (player, ladder, rung), file in zip(result.rows, files, strict=True)
        ],
        "warnings": list(result.gathered.warnings),
    }


def class_story(result: ClassParts, files: Sequence[str]) -> Story:
    """Who plays what, with what each part teaches and how to practise it."""
    title = f"{result.gathered.sources[0].info.title or 'Score'}: {result.name}"
    rows = tuple(
        (
            player.name, player.tier, version_of(ladder, rung),
            f"{rung.reading.assessment.difficulty:.0f}", f"{100 * rung.beats_kept:.0f} %",
            "yes" if rung.reached else "no", file,
        )
        for (player, ladder, rung), file in zip(result.rows, files, strict=True)
    )
    blocks: list[Block] = [Table(
        ("player", "tier", "plays", "difficulty", "tune's beats kept", "within reach", "score"),
        rows, frozenset({3, 4}), words="who plays what",
    )]
    for player, _, rung in result.rows:
        blocks += [
            Heading(player.name), Paragraph(f"What it teaches: {'; '.join(rung.teaches)}."),
            Bullets(tuple(f"{bars_words(h.first, h.last)}: {h.text}" for h in rung.hints)),
        ]
    return Story(title, title, tuple(blocks), CAUTIONS)


def of_duo(result: Duo, out: str, files: Sequence[str]) -> str:
    """What is printed on stdout."""
    loaded = result.gathered.sources[0]
    lines = [f"{loaded.info.title or 'Score'}: divided between two harps", ""]
    what = ("the tune and its voices", "the bass and the harmony")
    if result.by_turns:
        lines[0] += ", by turns: one plays while the other sets the pedals"
        what = ("the first turn, and every other one", "the turns in between")
    for desk, share, file in zip(result.desks, what, files, strict=True):
        eased = desk.eased
        lines.append(
            f"{file}: {share}, for {desk.player.name}; difficulty "
            f"{eased.reading.assessment.difficulty:.0f}, "
            f"{counted(len(eased.reading.faults), 'place')} that can't be played"
            + ("" if eased.reached else "; not within the tier, bars that "
            f"resist: {resisting_bars(eased.part, eased.resisting)}")
        )
    lines += ["", f"Parts, all.musicxml and result.json are in {out}.", "", *CAUTIONS]
    return "\n".join(lines)


def duo_document(result: Duo, files: Sequence[str]) -> Document:
    """`gentler duo --json`, and result.json."""
    return {
        "version": VERSION,
        "title": result.gathered.sources[0].info.title,
        "by_turns": result.by_turns,
        "players": [
            {
                "tier": desk.player.tier, "harp": desk.player.harp.name,
                "difficulty": round(desk.eased.reading.assessment.difficulty, 2),
                "faults": len(desk.eased.reading.faults), "within_tier": desk.eased.reached,
                "resisting_bars": [
                    desk.eased.part.bars[i].number for i in desk.eased.resisting
                ],
                "notes": [len(desk.basis.part.notes), len(desk.eased.part.notes)],
                "file": file,
            }
            for desk, file in zip(result.desks, files, strict=True)
        ],
        "warnings": list(result.gathered.warnings),
    }
