"""The composition root: puts reading, performing, measuring, searching and writing together.

The only module that knows the catalogue of strategies. Everything a command does is a function
here that takes a `Request` and gives a value of `simplify.report.results`; writing files is apart.
"""

from __future__ import annotations

import gc
import json
import os
import re
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from importlib import import_module
from pathlib import Path

from simplify.arrange.classes import ClassParts, Duo, class_parts, duo_of, load_class
from simplify.arrange.gather import Gathered, gather
from simplify.arrange.keys import parse_key
from simplify.arrange.ladder import Ladder, ladder_of
from simplify.arrange.levers import TUNINGS, lever_marks, tuned, tunings
from simplify.arrange.proposals import KINDS, Kind, Proposal, proposals_for
from simplify.arrange.reduce import Reduced, reduced
from simplify.difficulty.curve import Reason
from simplify.difficulty.load import (
    Assessment,
    Reading,
    Stretch,
    Verdict,
    assess,
    between,
    least_changes,
    part_of,
    read_for,
    verdict,
)
from simplify.difficulty.tiers import Bars, Readings, tier_needed
from simplify.distance import distance
from simplify.errors import OutputError, SelectionError
from simplify.harp.instrument import PEDALS, Instrument
from simplify.harp.player import LAYERS, Player, load_player, tier_names, tier_player
from simplify.report import arranged, document, overview, page
from simplify.report.results import (
    Alternative,
    AssessResult,
    PedalResult,
    RewriteResult,
    StrategyRow,
    StretchResult,
)
from simplify.report.steps import content_of, steps_of
from simplify.report.story import Story
from simplify.score.beside import beside as beside_original
from simplify.score.carry import carried, together
from simplify.score.graft import emit_part, graft, to_mxl
from simplify.score.lost import lost_marks
from simplify.score.marks import PedalMark
from simplify.score.model import Note, NoteId, Part, Passage, ScoreInfo
from simplify.score.others import with_others
from simplify.score.read import LoadedPart, bar_range, open_score, select_part
from simplify.score.source import repack_mxl
from simplify.search.played import as_played
from simplify.search.reading import excess, split_faults, written
from simplify.search.search import EXHAUSTED, REACHED, TIME, Found, search
from simplify.sense import slips
from simplify.strategy import Keeps
from simplify.technique.pedals import plan_pedals
from simplify.technique.perform import perform
from simplify.technique.plan import Fault, PedalPlan, Performance
from simplify.technique.playability import find_faults
from strategies import ALL

DEFAULT_TIER = "professional"
"""Whose hands and feet measure the music when nobody is named."""
PASSAGE_BARS = 16
"""Longest passage searched at once when no bars are given (estimate: longer only costs time)."""
SPARE = 2
"""Alternatives searched beyond those asked for, since the whole part may hold a fault for some."""


@dataclass(frozen=True, slots=True)
class Request:
    """What every command is asked: the music, the bars, the player."""

    score: str
    part: str | None = None
    bars: str | None = None
    tier: str | None = None
    player_file: str | None = None
    harp: str | None = None
    tempo: float | None = None
    tuning: str | None = None


def player_for(request: Request, default: str = DEFAULT_TIER) -> Player:
    """The player asked for: a file, a tier, or the default tier; `--harp` wins over both."""
    if request.player_file is not None:
        return load_player(request.player_file, tier=request.tier, harp=request.harp)
    return tier_player(request.tier or default, request.harp)


def in_tuning(player: Player, part: Part, request: Request) -> Player:
    """The player with the lever harp in the tuning asked for; 'best' is the one that asks for the
    fewest lever turns in this part.

    Raises:
        SelectionError: no such tuning, or not a lever harp.
    """
    if request.tuning is None:
        return player
    if player.harp.has_pedals:
        raise SelectionError(
            f"--tuning is for lever harps, and {player.harp.name} has pedals; leave it out or "
            "name a lever harp with --harp"
        )
    if request.tuning == "best":
        return replace(player, harp=tunings(part, player)[0].harp)
    if request.tuning not in TUNINGS:
        raise SelectionError(
            f"no tuning '{request.tuning}'; choose one of: {', '.join(TUNINGS)}, best"
        )
    return replace(player, harp=tuned(player.harp, request.tuning))


def load(request: Request, *, bare: bool = False) -> LoadedPart:
    """The part asked for, at the tempo asked for. bare: as for `open_score`."""
    loaded = select_part(open_score(request.score, bare=bare), request.part)
    if request.tempo is not None:
        loaded = replace(loaded, part=loaded.part.at_tempo(_tempo(request.tempo)))
    return loaded


def _tempo(quarters: float) -> float:
    """A tempo asked for, if it is one.

    Raises:
        SelectionError: out of reason.
    """
    if not 5 <= quarters <= 600:
        raise SelectionError(f"--tempo {quarters:g}: give 5 to 600 quarter notes a minute")
    return quarters


def _bars(loaded: LoadedPart, request: Request) -> tuple[int, int]:
    if request.bars is None:
        return 0, len(loaded.part.bars) - 1
    first, last = bar_range(loaded.part, request.bars)
    if not any(loaded.part.notes_by_bar[first : last + 1]):
        raise SelectionError(
            f"{loaded.info.path}: part {loaded.part.name} has no notes in bars {request.bars}; "
            "choose other bars"
        )
    return first, last


def _music(request: Request, *, bare: bool = False) -> tuple[LoadedPart, Part]:
    """The part as loaded, and the bars of it that were asked for as a part of their own."""
    loaded = load(request, bare=bare)
    first, last = _bars(loaded, request)
    part = loaded.part
    if (first, last) != (0, len(part.bars) - 1):
        part = part.window(first, last)
    return loaded, part


# --- assess -------------------------------------------------------------------------------------


def assess_score(request: Request) -> AssessResult:
    """What is hard, where, why and for whom."""
    player = player_for(request)
    with _uncollected():
        loaded, part = _music(request, bare=True)
        player = in_tuning(player, part, request)
        asked = request.tier or (player.name if request.player_file is not None else None)
        return assess_part(part, player, loaded.info, asked)


@contextmanager
def _uncollected() -> Iterator[None]:
    """Without the search for cyclic garbage, a tenth of the time of an assess and a quarter of a
    pedal plan's: the values are immutable and hold no cycles."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


def assess_part(
    part: Part, player: Player, info: ScoreInfo, asked: str | None = None
) -> AssessResult:
    """What is hard in a part. asked: the tier or player asked about, if one is."""
    reading = read_for(part, player)
    assessment = reading.assessment
    harp = player.harp.name
    readings = Readings(part, harp, [reading])
    needed = readings.needed()
    judge = player if asked else tier_player(needed or tier_names()[-1], harp)
    whole = reading.verdict if asked else Verdict(needed is not None, ())
    remedies = least_changes(assessment, player.rules) if asked else ()
    spans = [(stretch.first, stretch.last) for stretch in assessment.stretches]
    tiers = readings.needed_by(spans)
    taken = frozenset[Bars]() if judge == player else readings.takes(judge.tier, spans)
    stretches = tuple(
        _stretch(part, reading, stretch, tier, judge, taken)
        for stretch, tier in zip(assessment.stretches, tiers, strict=True)
    )
    return AssessResult(
        info, part, player, asked, reading.performance, assessment, whole, remedies, stretches,
        needed, reading.faults, info.warnings,
    )


REPORT_KINDS = ("svg", "png", "html", "pdf")
"""What `gentler assess --report` can write."""
PAGE_KINDS = ("html", "pdf")
"""What `gentler rewrite --report` can write."""


def check_report(out: str, score: str, force: bool, kinds: tuple[str, ...]) -> Path:
    """The report's file, if it may be written.

    Raises:
        OutputError: its ending is none of `kinds`, or as `check_file`.
    """
    ending = Path(out).suffix.lower().lstrip(".")
    if ending not in kinds:
        raise OutputError(
            f"--report {out}: end the name in {', '.join(f'.{kind}' for kind in kinds)}"
        )
    return check_file(out, score, force)


def write_assessment(result: AssessResult, target: Path) -> None:
    """Writes the plot (.svg, .png) or the whole report (.html, .pdf) of an assessment."""
    from simplify.report import html, pdf

    match target.suffix.lower():
        case ".svg":
            content = overview.plotted(result).svg.encode()
        case ".png":
            content = pdf.png(overview.plotted(result))
        case ".html":
            content = html.page(overview.story(result)).encode()
        case _:
            content = pdf.pdf(overview.story(result))
    _write_files({target: content})


REASONS_PER_STRETCH = 12
FAINT = 0.6
"""Share of a stretch's heaviest reason below which another is not worth naming (estimate)."""


def _stretch(
    part: Part, reading: Reading, stretch: Stretch, tier: str | None, judge: Player,
    taken: frozenset[Bars],
) -> StretchResult:
    """A stretch with its tier, its verdict for `judge` and its heaviest reasons, one a text.

    taken: what `judge` takes, if that is another player than the reading's.
    """
    inside = part_of(reading.assessment, stretch.first, stretch.last)
    faults = _inside(reading.faults, part, stretch.first, stretch.last)
    within = (stretch.first, stretch.last) in taken
    if reading.player == judge:
        within = verdict(inside, judge.rules, faults).within
    heaviest = sorted(inside.reasons, key=lambda r: (-r.value, r.onset))
    reasons: dict[tuple[str, str], Reason] = {}
    for reason in heaviest:
        if reason.value >= FAINT * heaviest[0].value:
            reasons.setdefault((reason.layer, reason.text), reason)
    return StretchResult(
        stretch.first, stretch.last, stretch.difficulty, stretch.layers, inside.complex_layers,
        tier, within, tuple(reasons.values())[:REASONS_PER_STRETCH],
    )


# --- pedals -------------------------------------------------------------------------------------


def plan_score(request: Request, *, hands: bool = False) -> PedalResult:
    """The pedal plan of a part, or of some bars of it; `hands`: with hands and fingers."""
    player = player_for(request)
    with _uncollected():
        loaded, part = _music(request)
        player = in_tuning(player, part, request)
        performance = perform(part, player) if hands else None
        plan = performance.pedal_plan if performance else plan_pedals(part, player)
    return PedalResult(loaded.info, part, player, plan, loaded.info.warnings, loaded, performance)


def write_pedals(result: PedalResult, target: Path, *, fingering: bool = False) -> None:
    """Writes the score with the plan's setting and moves marked, compressed if it is named so;
    `fingering`: fingers too, of a result with hands."""
    low, high = result.part.bars[0].onset, result.part.end
    fingers = {}
    if fingering and result.performance is not None:
        fingers = finger_marks(result.performance, low, high)
    marks = pedal_marks(result.player.harp, result.plan, result.part, low, high)
    xml = graft(result.loaded, result.loaded.part, pedal_marks=marks, fingering=fingers)
    _write_files({
        target: to_mxl(result.loaded, xml) if target.suffix.lower() == ".mxl" else xml
    })


def finger_marks(performance: Performance, onset: int, end: int) -> dict[NoteId, int]:
    """Note id to finger (1 is the thumb) for what is struck in [onset, end)."""
    fingers = performance.hand_plan.fingers
    return {
        strike.first.id: finger
        for strike, finger in zip(performance.strikes, fingers, strict=True)
        if finger and onset <= strike.onset < end
    }


def pedal_marks(
    harp: Instrument, plan: PedalPlan, part: Part, onset: int, end: int
) -> tuple[PedalMark, ...]:
    """The setting at `onset` and each moment's moves in (onset, end), ready to print; the setting
    again at rehearsal marks, where players start, and before glissandi, which sound every string.
    Levers are printed as words."""
    if not harp.has_pedals:
        return lever_marks(harp, plan, onset, end)
    moments: dict[int, list[tuple[str, int]]] = {}
    for move in plan.moves:
        if onset < move.onset < end:
            moments.setdefault(move.onset, []).append((move.letter, move.after))
    marks = [PedalMark(tick, "move", tuple(moves)) for tick, moves in moments.items()]
    starts = {bar.onset for bar in part.bars if bar.rehearsal}
    sweeps = {
        note.onset for note in part.notes for mark in note.marks if mark.kind == "gliss-start"
    }
    shown, at = plan.setting_at(onset), part.bar_at(onset).index
    marks.append(PedalMark(onset, "setting", tuple(zip(PEDALS, shown, strict=True))))
    for tick in sorted(t for t in starts | sweeps if onset < t < end):
        now, bar = plan.setting_at(tick), part.bar_at(tick).index
        if tick in starts or now != shown or bar - at > 1:
            marks.append(PedalMark(tick, "setting", tuple(zip(PEDALS, now, strict=True))))
        shown, at = now, bar
    return tuple(sorted(marks, key=lambda mark: (mark.onset, mark.kind != "setting")))


# --- rewrite ------------------------------------------------------------------------------------

KEEP_WORDS = {
    "melody": Keeps.MELODY, "bass": Keeps.BASS, "harmony": Keeps.HARMONY, "rhythm": Keeps.RHYTHM,
}


def keeps_from(text: str) -> Keeps:
    """`melody,bass` as flags.

    Raises:
        SelectionError: a word that is no promise.
    """
    flags = Keeps.NOTHING
    for word in filter(None, (part.strip().lower() for part in text.split(","))):
        if word not in KEEP_WORDS:
            raise SelectionError(
                f"--keep {word}: choose among {', '.join(KEEP_WORDS)}, several with commas"
            )
        flags |= KEEP_WORDS[word]
    return flags


@_uncollected()
def rewrite_score(
    request: Request,
    *,
    keep: str = "",
    count: int = 5,
    seconds: float | None = None,
    workers: int | None = None,
    keys: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> RewriteResult:
    """Ranked easier alternatives of the bars asked for, or of every passage over the tier.

    keys: other keys are looked at too, among what would help the whole piece.
    """
    keeps = keeps_from(keep)
    player = player_for(request)
    loaded = with_others(load(request))
    part = loaded.part
    player = in_tuning(player, part, request)
    first, last = _bars(loaded, request)
    warnings = list(loaded.info.warnings)
    performance = perform(part, player)
    faults = find_faults(performance)
    if request.bars is not None:
        passages = [(first, last)]
    else:
        passages = passages_over(performance, faults)
    at_once = workers or max(1, os.cpu_count() or 1)
    found: list[Found] = []
    for i, (low, high) in enumerate(passages):
        found.append(
            search(
                part, low, high, player, ALL,
                keeps=keeps, count=count + SPARE, workers=at_once,
                seconds=None if seconds is None else seconds / len(passages),
                progress=_part_of(progress, i, len(passages)),
            )
        )
    window = part.window(first, last)
    reading = read_for(window, player)
    assessment = reading.assessment
    inside = _inside(faults, part, first, last)
    original_tier = tier_needed(window, player.harp.name, [reading])
    alternatives = _alternatives(
        part, performance, first, last, passages, found, player, count, assessment.difficulty
    )
    reached = bool(alternatives) and alternatives[0].within
    if not passages:
        reached = True
        warnings.append(f"every bar is within the tier {player.tier} already; nothing to rewrite")
    usage: dict[str, tuple[int, int, float]] = {}
    for one in found:
        for name, row in one.usage.items():
            old = usage.get(name, (0, 0, 0.0))
            shown = sum(any(e.strategy == name for e in a.edits) for a in alternatives)
            usage[name] = (old[0] + row[0], shown, old[2] + row[2])
    return RewriteResult(
        info=loaded.info,
        part=part,
        player=player,
        first=first,
        last=last,
        original_performance=performance,
        original_difficulty=assessment.difficulty,
        original_layers=assessment.layers,
        original_bar_layers=_bar_layers(assessment),
        original_tier=original_tier,
        original_faults=inside,
        original_moves=_moves_inside(performance, first, last),
        alternatives=alternatives,
        reached=reached,
        resisting="" if reached else _resisting(found, player),
        stopped=_stopped(found),
        usage=usage,
        keeps=keep,
        also=proposals_for(loaded, first, last, player, reading, keys=keys),
        warnings=tuple(warnings),
        loaded=loaded,
    )


def _stopped(found: Sequence[Found]) -> str:
    """Why the search stopped, over all passages: what kept it from more comes first."""
    reasons = {one.stopped for one in found}
    for reason in (TIME, EXHAUSTED, REACHED):
        if reason in reasons:
            return reason
    return "there was nothing to do"


def _part_of(
    progress: Callable[[int, int], None] | None, at: int, of: int
) -> Callable[[int, int], None] | None:
    """Progress of one passage among several."""
    if progress is None:
        return None
    return lambda done, total: progress(at * total + done, of * total)


def passages_over(
    performance: Performance, faults: tuple[Fault, ...]
) -> list[tuple[int, int]]:
    """Runs of bars (indices) that hold faults or exceed the player's rules, one bar of calm
    between two of them bridged, cut to at most `PASSAGE_BARS`."""
    part, rules = performance.part, performance.player.rules
    assessment = assess(performance)
    over = {part.bar_at(fault.onset).index for fault in faults}
    if not verdict(assessment, rules, faults).within:
        over.update(
            bar.index
            for bar in assessment.bars
            if excess(bar.layers, bar.difficulty, rules) > 0
        )
    runs: list[tuple[int, int]] = []
    for bar in sorted(over):
        if runs and bar - runs[-1][1] <= 2 and bar - runs[-1][0] < PASSAGE_BARS:
            runs[-1] = (runs[-1][0], bar)
        else:
            runs.append((bar, bar))
    return runs


def _inside(faults: tuple[Fault, ...], part: Part, first: int, last: int) -> tuple[Fault, ...]:
    return between(faults, part.bars[first].onset, part.bars[last].end)


def _moves_inside(performance: Performance, first: int, last: int) -> int:
    low, high = performance.part.bars[first].onset, performance.part.bars[last].end
    return sum(low <= move.onset < high for move in performance.pedal_plan.moves)


def _alternatives(
    part: Part,
    original: Performance,
    first: int,
    last: int,
    passages: Sequence[tuple[int, int]],
    found: Sequence[Found],
    player: Player,
    count: int,
    before: float,
) -> tuple[Alternative, ...]:
    """The k-th choices of all passages together make the k-th alternative; those with a fault in
    the bars asked for are left out."""
    if not found or any(not one.choices for one in found):
        return ()
    source = Passage(part, first, last)
    asked = written(part, player, first, last, original)
    rows: list[Alternative] = []
    for k in range(max(len(one.choices) for one in found)):
        picks = [one.choices[min(k, len(one.choices) - 1)] for one in found]
        edits = [edit for pick in picks for edit in pick.candidate.edits]
        new = part.apply_all(edits)
        performance = perform(new, player)
        respelled = as_played(source.of(new), performance)
        if respelled and _as_easy(new, new.apply_all(respelled), first, last, player):
            edits += respelled
            new = part.apply_all(edits)
            performance = perform(new, player)
        low, high = part.bars[first].onset, part.bars[last].end
        faults, joins = split_faults(performance, find_faults(performance), low, high, asked)
        if faults:
            continue
        window = new.window(first, last)
        reading = read_for(window, player)
        assessment = reading.assessment
        away = distance(source, source.of(new))
        rows.append(
            Alternative(
                rank=0,
                part=new,
                performance=performance,
                changed=_new_notes(part, new),
                difficulty=assessment.difficulty,
                difficulty_drop=before - assessment.difficulty,
                tier_needed=tier_needed(window, player.harp.name, [reading]),
                within=reading.verdict.within,
                distance=away.total,
                distance_parts=away.parts,
                notes_lost=away.notes_lost,
                notes_added=away.notes_added,
                layers=assessment.layers,
                bar_layers=_bar_layers(assessment),
                faults=len(faults),
                joins=joins,
                steps=(),
                edits=tuple(edits),
                pedal_moves=_moves_inside(performance, first, last),
                note="; ".join(sorted({pick.note for pick in picks if pick.note})),
                slips=slips(source, source.of(new)),
            )
        )
    rows.sort(key=lambda a: (not a.within, round(a.distance, 6), round(a.difficulty, 6)))
    kept: list[Alternative] = []
    for row in rows:
        beaten = any(
            other.distance <= row.distance and other.difficulty <= row.difficulty for other in kept
        )
        if row.note or not beaten:
            kept.append(row)
    ends = {content_of(part, first, last): before}
    ends |= {content_of(row.part, first, last): row.difficulty for row in kept[:count]}
    titles = {strategy.name: strategy.title for strategy in ALL}
    return tuple(
        replace(row, rank=i, steps=steps_of(part, row.edits, first, last, player, ends, titles))
        for i, row in enumerate(kept[:count], start=1)
    )


def _new_notes(before: Part, after: Part) -> frozenset[NoteId]:
    """The notes that are not in the source, but for those that only have another letter there."""
    letters = {_but_for_its_letter(note): note.pitch for note in before.notes}
    return frozenset(
        note.id for note in after.notes
        if note.id not in before.by_id
        and letters.get(_but_for_its_letter(note), note.pitch) == note.pitch
    )


def _but_for_its_letter(note: Note) -> tuple[int, int, int, int, int]:
    return note.onset, note.duration, note.grace, note.staff, note.pitch.midi


def _as_easy(before: Part, after: Part, first: int, last: int, player: Player) -> bool:
    """Whether some bars, read by themselves as rewrites are, are within the rules and playable if
    they were before."""
    was, now = (read_for(part.window(first, last), player) for part in (before, after))
    return (now.verdict.within or not was.verdict.within) and len(now.faults) <= len(was.faults)


def _bar_layers(assessment: Assessment) -> tuple[tuple[float, ...], ...]:
    return tuple(bar.layers for bar in assessment.bars)


def _resisting(found: Sequence[Found], player: Player) -> str:
    """The layer furthest over the player's cap in the nearest candidates; 'faults' if places that
    can't be played are what is left."""
    worst, name = 0.0, "faults"
    for one in found:
        near = one.choices[0].candidate if one.choices else one.nearest
        reading = near.reading if near is not None else one.original
        for bar in reading.bars:
            for layer, load, cap in zip(LAYERS, bar.layers, player.rules.caps, strict=True):
                if load - cap > worst:
                    worst, name = load - cap, layer
    return name


def write_rewrites(
    result: RewriteResult,
    folder: Path,
    *,
    fingering: bool = False,
    colour: bool = False,
    beside: bool = False,
    compressed: bool = False,
    also: bool = False,
    report: Path | None = None,
) -> tuple[RewriteResult, tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Writes one complete score per alternative, report.html and result.json, and the report once
    more as `report` (.html or .pdf); all or nothing.

    colour: new notes in colour. beside: for each alternative one more score, in which it stands as
    a part of its own below the original. compressed: .mxl instead of .musicxml. also: the proposals
    for the whole piece as scores too. Returns the result with what each alternative's page has
    lost, the names of the scores, and those of each proposal.
    """
    loaded = result.loaded
    low, high = result.part.bars[result.first].onset, result.part.bars[result.last].end
    ending = ".mxl" if compressed else ".musicxml"
    files: dict[Path, bytes] = {}
    names: list[str] = []
    rows: list[Alternative] = []
    for one in result.alternatives:
        fingers = finger_marks(one.performance, low, high) if fingering else {}
        marks = pedal_marks(result.player.harp, one.performance.pedal_plan, one.part, low, high)
        xml = graft(
            loaded, one.part, pedal_marks=marks, pedal_span=(low, high), fingering=fingers,
            colour_changed=colour,
        )
        scores = {f"{one.rank:02d}{ending}": xml}
        names += scores
        if beside:
            scores[f"{one.rank:02d}-beside{ending}"] = beside_original(
                loaded, one.part, result.first, result.last, label=f"alternative {one.rank}",
                short=f"alt. {one.rank}", pedal_marks=marks, fingering=fingers,
                colour_changed=colour,
            )
        for name, score in scores.items():
            files[folder / name] = to_mxl(loaded, score) if compressed else score
        rows.append(replace(one, lost_marks=lost_marks(loaded, xml)))
    told = replace(result, alternatives=tuple(rows))
    proposed: list[tuple[str, ...]] = []
    for proposal in result.also if also else ():
        scores = _proposed(proposal, result, ending, fingering=fingering)
        proposed.append(tuple(scores))
        for name, score in scores.items():
            files[folder / name] = to_mxl(loaded, score) if compressed else score
    text = json.dumps(document.of_rewrites(told, names, proposed), ensure_ascii=False, indent=2)
    files[folder / "result.json"] = (text + "\n").encode()
    story = page.story(told, names, fingering=fingering)
    for sheet in filter(None, (folder / "report.html", report)):
        files[sheet] = _set(story, sheet)
    _write_files(files)
    return told, tuple(names), tuple(proposed)


def _proposed(
    proposal: Proposal, result: RewriteResult, ending: str, *, fingering: bool
) -> dict[str, bytes]:
    """File name to score for each player of a proposal."""
    loaded, player = result.loaded, result.player
    title = loaded.info.title or result.part.name
    name = "also-" + proposal.kind.name.replace("_", "-")
    several = len(proposal.parts) > 1
    return {
        f"{name}-{at}{ending}" if several else f"{name}{ending}": harp_score(
            replace(part, name=f"Harp {at}" if several else "Harp"), perform(part, player), loaded,
            f"{title} ({proposal.kind.title[:1].lower()}{proposal.kind.title[1:]})",
            fingering=fingering,
        )
        for at, part in enumerate(proposal.parts, start=1)
    }


# --- reduce -------------------------------------------------------------------------------------


def reduce_score(
    request: Request, *, keep: str = "", lock: str = "", solo: bool = False, key: str | None = None,
    seconds: float = 60.0, workers: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Reduced:
    """Keyboard or ensemble music as one harp part for a player."""
    keeps = keeps_from(keep)
    player = player_for(request)
    fifths = None if key is None else parse_key(key)
    gathered = _gathered(request)
    player = in_tuning(player, gathered.part, request)
    return reduced(
        gathered, player, ALL, keeps=keeps, locked=lock, fifths=fifths, solo=solo,
        seconds=seconds, workers=workers or max(1, os.cpu_count() or 1), progress=progress,
    )


def _gathered(request: Request) -> Gathered:
    """The parts of a score merged, at the tempo asked for."""
    gathered = gather(open_score(request.score), request.part)
    if request.tempo is not None:
        gathered = replace(gathered, part=gathered.part.at_tempo(_tempo(request.tempo)))
    return gathered


def harp_score(
    part: Part, performance: Performance, loaded: LoadedPart, title: str, *, fingering: bool = False
) -> bytes:
    """A harp part as a complete score, written as it is played: its pedals or levers marked, and
    what stood around the notes of the source."""
    part, performance = _spelled(part, performance)
    low, high = part.bars[0].onset, part.end
    fingers = finger_marks(performance, low, high) if fingering else {}
    plan = performance.pedal_plan
    part = replace(
        part, notes=tuple(replace(note, marks=note.without("lyric")) for note in part.notes)
    )
    marks = pedal_marks(performance.player.harp, plan, part, low, high)
    xml = emit_part(part, title, fingering=fingers, pedal_marks=marks)
    return carried(xml, loaded)


def _spelled(part: Part, performance: Performance) -> tuple[Part, Performance]:
    """A part with the letters of the strings that it is played on, and the performance with it."""
    written = part.apply_all(as_played(Passage(part, 0, len(part.bars) - 1), performance))
    before, after = (
        [(strike.onset, strike.pitch.midi) for strike in one.strikes] for one in (part, written)
    )
    if before != after:  # two letters of one sound, struck together, have become one note
        return part, performance
    return written, replace(performance, part=written)


def _set(story: Story, target: Path) -> bytes:
    """A story as the kind of page that the file's name asks for."""
    from simplify.report import html, pdf

    return pdf.pdf(story) if target.suffix.lower() == ".pdf" else html.page(story).encode()


def write_reduction(
    result: Reduced, target: Path, *, report: Path | None = None, fingering: bool = False
) -> None:
    """Writes the part, compressed if it is named so, and the report page if asked for; all or
    nothing."""
    loaded = result.gathered.sources[0]
    title = loaded.info.title or result.part.name
    xml = harp_score(
        result.part, result.reading.performance, loaded, title, fingering=fingering
    )
    if target.suffix.lower() == ".mxl":  # a new archive: the source's has another score's pictures
        xml = repack_mxl(replace(loaded.score.document, archive=None), xml)
    files = {target: xml}
    if report is not None:
        files[report] = _set(arranged.reduction_story(result), report)
    _write_files(files)


# --- ladder -------------------------------------------------------------------------------------

LADDER = ("soloist", "professional", "amateur", "school", "beginner")
"""The versions of a ladder if none are named, hardest first."""


def ladder_score(
    request: Request, *, tiers: Sequence[str] = (),
    progress: Callable[[int, int], None] | None = None,
) -> Ladder:
    """Versions of a score for several tiers, each derived from the next harder.

    Raises:
        SelectionError: no such tier.
    """
    order = tier_names()
    for tier in tiers:
        tier_player(tier)
    wanted = sorted(set(tiers or LADDER), key=order.index, reverse=True)
    gathered = _gathered(request)
    players = [
        in_tuning(tier_player(tier, request.harp), gathered.part, request) for tier in wanted
    ]
    return ladder_of(gathered, players, progress=progress)


def write_ladder(result: Ladder, folder: Path, *, fingering: bool = False) -> tuple[str, ...]:
    """Writes one score a version, one with all of them as parts, booklet.html, booklet.pdf and
    result.json."""
    loaded = result.gathered.sources[0]
    title = loaded.info.title or result.basis.part.name
    files: dict[Path, bytes] = {}
    names: list[str] = []
    scores: list[tuple[str, bytes]] = []
    for at, rung in enumerate(reversed(result.rungs), start=1):
        name = f"{at:02d}-{_file_name(rung.player.name)}.musicxml"
        part = replace(rung.part, name=f"Harp ({rung.player.name})")
        xml = harp_score(part, rung.reading.performance, loaded, title, fingering=fingering)
        names.append(name)
        scores.append((part.name, xml))
        files[folder / name] = xml
    names.reverse()
    files[folder / "all.musicxml"] = together([xml for _, xml in scores])
    text = json.dumps(arranged.ladder_document(result, names), ensure_ascii=False, indent=2)
    story = arranged.ladder_story(result, names)
    for name in ("booklet.html", "booklet.pdf"):
        files[folder / name] = _set(story, folder / name)
    files[folder / "result.json"] = (text + "\n").encode()
    _write_files(files)
    return tuple(names)


# --- several players ----------------------------------------------------------------------------


def class_score(
    request: Request, class_file: str, *, progress: Callable[[int, int], None] | None = None
) -> ClassParts:
    """A part for every player of a class list."""
    name, players = load_class(class_file)
    return class_parts(_gathered(request), name, players, progress=progress)


def write_class(result: ClassParts, folder: Path, *, fingering: bool = False) -> tuple[str, ...]:
    """Writes a part for each player, all of them as one score, summary.html, summary.pdf and
    result.json."""
    loaded = result.gathered.sources[0]
    title = loaded.info.title or result.gathered.part.name
    files: dict[Path, bytes] = {}
    names: list[str] = []
    scores: list[bytes] = []
    for at, (player, _, rung) in enumerate(result.rows, start=1):
        names.append(f"{at:02d}-{_file_name(player.name)}.musicxml")
        part = replace(rung.part, name=f"Harp ({player.name})")
        scores.append(
            harp_score(part, rung.reading.performance, loaded, title, fingering=fingering)
        )
        files[folder / names[-1]] = scores[-1]
    files[folder / "all.musicxml"] = together(scores)
    text = json.dumps(arranged.class_document(result, names), ensure_ascii=False, indent=2)
    story = arranged.class_story(result, names)
    for name in ("summary.html", "summary.pdf"):
        files[folder / name] = _set(story, folder / name)
    files[folder / "result.json"] = (text + "\n").encode()
    _write_files(files)
    return tuple(names)


def duo_score(
    request: Request, tiers: Sequence[str], *,
    progress: Callable[[int, int], None] | None = None,
) -> Duo:
    """A score divided between two harps. tiers: of the first player and of the second.

    Raises:
        SelectionError: not two tiers, or no such tier.
    """
    if len(tiers) != 2:
        raise SelectionError("--tiers: name two, such as professional,amateur")
    gathered = _gathered(request)
    first, second = (
        in_tuning(tier_player(tier, request.harp), gathered.part, request) for tier in tiers
    )
    return duo_of(gathered, first, second, progress=progress)


def write_duo(result: Duo, folder: Path, *, fingering: bool = False) -> tuple[str, ...]:
    """Writes both parts, both as one score, and result.json."""
    loaded = result.gathered.sources[0]
    title = loaded.info.title or result.gathered.part.name
    names = ("01-harp-1.musicxml", "02-harp-2.musicxml")
    scores = [
        harp_score(
            replace(desk.eased.part, name=f"Harp {at}"), desk.eased.reading.performance, loaded,
            title, fingering=fingering,
        )
        for at, desk in enumerate(result.desks, start=1)
    ]
    files = {folder / name: xml for name, xml in zip(names, scores, strict=True)}
    files[folder / "all.musicxml"] = together(scores)
    text = json.dumps(arranged.duo_document(result, names), ensure_ascii=False, indent=2)
    files[folder / "result.json"] = (text + "\n").encode()
    _write_files(files)
    return names


def _file_name(name: str) -> str:
    """A name fit for a file."""
    return re.sub(r"[^\w]+", "-", name).strip("-").lower() or "player"


# --- files --------------------------------------------------------------------------------------


def _same_file(one: Path, other: str) -> bool:
    try:
        return one.samefile(other)
    except OSError:
        return False


def check_file(out: str, score: str, force: bool) -> Path:
    """The output file, if it may be written.

    Raises:
        OutputError: it is the input, exists without --force, or has no folder.
    """
    target = Path(out)
    if _same_file(target, score):
        raise OutputError(f"{out} is the input file, which is never overwritten; name another")
    if target.is_dir():
        raise OutputError(f"{out} is a folder; name a file")
    if target.exists() and not force:
        raise OutputError(f"{out} exists; give another name, or --force to replace it")
    if not target.parent.is_dir():
        raise OutputError(f"{out}: the folder {target.parent} does not exist; make it first")
    return target


def check_folder(out: str, score: str, force: bool) -> Path:
    """The output folder, if the alternatives may be written into it.

    Raises:
        OutputError: a file is in the way, or earlier results without --force, or the input.
    """
    folder = Path(out)
    if folder.exists() and not folder.is_dir():
        raise OutputError(f"{out} is a file; name a folder")
    if not folder.exists() and not folder.parent.is_dir():
        raise OutputError(f"{out}: the folder {folder.parent} does not exist; make it first")
    ours = [folder / "result.json", folder / "report.html", *_numbered(folder)]
    for path in ours:
        if _same_file(path, score):
            raise OutputError(f"{path} is the input file, which is never overwritten; use another")
    there = [path for path in ours if path.exists()]
    if there and not force:
        raise OutputError(
            f"{out} holds results already ({there[0].name}); name another folder, or --force"
        )
    return folder


def _numbered(folder: Path) -> list[Path]:
    """Scores that a run of `rewrite` writes."""
    return sorted(
        path for path in folder.iterdir()
        if re.fullmatch(r"(?:\d\d(?:-beside)?|also-[-a-z\d]+)\.(?:musicxml|mxl)", path.name)
    ) if folder.is_dir() else []


def _write_files(files: dict[Path, bytes]) -> None:
    """Writes all the files or none: each appears whole, by renaming; leftovers of an earlier run
    (numbered scores beside a new result.json) are removed."""
    made: list[tuple[str, Path]] = []
    folders = {path.parent for path in files}
    try:
        for folder in sorted(folders):
            folder.mkdir(exist_ok=True)
        for path, content in files.items():
            handle, name = tempfile.mkstemp(prefix=".gentler-", dir=path.parent)
            made.append((name, path))
            with os.fdopen(handle, "wb") as stream:
                stream.write(content)
            os.chmod(name, 0o644)
        for folder in sorted(folders):
            if folder / "result.json" in files:
                for old in _numbered(folder):
                    if old not in files:
                        old.unlink()
        for name, path in made:
            os.replace(name, path)
        made.clear()
    except OSError as error:
        raise OutputError(f"{error.filename}: can't be written ({error.strerror})") from None
    finally:
        for name, _ in made:
            Path(name).unlink(missing_ok=True)


# --- catalogue ----------------------------------------------------------------------------------


def strategy_catalogue(name: str | None = None) -> tuple[StrategyRow, ...]:
    """Every strategy, or the one named, with the text of its file.

    Raises:
        SelectionError: no strategy of this name.
    """
    wanted = [s for s in ALL if name is None or s.name == name]
    if not wanted and not proposal_kinds(name):
        names = [*(s.name for s in ALL), *(kind.name for kind in KINDS)]
        raise SelectionError(f"no strategy '{name}'; choose one of: {', '.join(names)}")
    return tuple(
        StrategyRow(s, _headed(import_module(f"strategies.{s.name}").__doc__ or ""))
        for s in wanted
    )


def proposal_kinds(name: str | None = None) -> tuple[Kind, ...]:
    """The kinds of proposals for a whole piece, or the one named."""
    return tuple(kind for kind in KINDS if name is None or kind.name == name)


HEADINGS = (
    "What it does", "When a harpist would do this", "What is lost", "Does not apply when",
)


def _headed(doc: str) -> tuple[tuple[str, str], ...]:
    """A strategy file's docstring as (heading, paragraph) rows."""
    rows: list[tuple[str, list[str]]] = []
    for line in doc.splitlines():
        heading = next((h for h in HEADINGS if line.strip().rstrip(":") == h), None)
        if heading:
            rows.append((heading, []))
        elif rows and line.strip() and set(line.strip()) - {"-", "="}:
            rows[-1][1].append(line.strip())
    return tuple((heading, " ".join(lines)) for heading, lines in rows)
