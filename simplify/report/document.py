"""The JSON documents, key by key (printed with --json and written as result.json)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from simplify.arrange.proposals import Kind
from simplify.difficulty.curve import Reason
from simplify.harp.instrument import PEDALS, Instrument, Setting
from simplify.harp.player import LAYERS
from simplify.report.replay import edit_document
from simplify.report.results import (
    AssessResult,
    PedalResult,
    RewriteResult,
    StrategyRow,
)
from simplify.score.model import Part, ScoreInfo
from simplify.technique.plan import Fault, PedalMove, PedalPlan, Performance
from simplify.version import VERSION

Document = dict[str, Any]


def layers_of(values: Sequence[float]) -> dict[str, float]:
    """Layer name to load, rounded for print."""
    return {name: round(value, 4) for name, value in zip(LAYERS, values, strict=True)}


def _score(info: ScoreInfo, part: Part) -> Document:
    return {
        "title": info.title,
        "part": part.name,
        "bars": len(part.bars),
        "tempo": part.tempo[0].quarters,
        "source_format": info.source_format,
    }


def _setting(setting: Setting) -> dict[str, int]:
    return dict(zip(PEDALS, setting, strict=True))


def _moves(part: Part, moves: Sequence[PedalMove]) -> list[Document]:
    rows = []
    for move in moves:
        bar, beat = part.place(move.onset)
        row: Document = {
            "bar": bar, "beat": beat, "pedal": move.letter, "from": move.before,
            "to": move.after, "foot": move.foot,
        }
        if move.string is not None:
            row["string"] = f"{move.letter}{move.string // 7}"
        rows.append(row)
    return rows


def _unmet(part: Part, plan: PedalPlan) -> list[Document]:
    rows = []
    for place in plan.unmet:
        bar, beat = part.place(place.onset)
        rows.append({"bar": bar, "beat": beat, "kind": place.kind, "text": place.text})
    return rows


def _reason(reason: Reason) -> Document:
    return {
        "bar": reason.bar, "beat": round(reason.beat, 4), "hand": reason.hand,
        "layer": reason.layer, "text": reason.text, "value": round(reason.value, 4),
    }


def _fault(fault: Fault) -> Document:
    return {
        "rule": fault.rule, "bar": fault.bar, "beat": fault.beat, "hand": fault.hand,
        "text": fault.text,
    }


def of_assessment(result: AssessResult) -> Document:
    """`gentler assess --json`."""
    part, assessment = result.part, result.assessment
    passages = [
        {
            "bars": [part.bars[stretch.first].number, part.bars[stretch.last].number],
            "difficulty": round(stretch.difficulty, 2),
            "tier_needed": stretch.tier,
            "layers": layers_of(stretch.layers),
            "complex_layers": list(stretch.complex_layers),
            "within_tier": stretch.within,
            "reasons": [_reason(reason) for reason in stretch.reasons],
        }
        for stretch in result.stretches
    ]
    return {
        "version": VERSION,
        "score": _score(result.info, part),
        "harp": result.player.harp.name,
        "tier": result.asked,
        "difficulty": round(assessment.difficulty, 2),
        "mean_difficulty": round(assessment.mean_difficulty, 2),
        "tier_needed": result.tier_needed,
        "layers": layers_of(assessment.layers),
        "within_tier": result.verdict.within,
        "exceeding": [
            {
                "layer": one.layer, "bars": list(one.bars), "text": one.text,
                "amount": round(one.amount, 4),
            }
            for one in result.verdict.exceeding
        ],
        "would_bring_within": [dict(choice) for choice in result.remedies],
        "passages": passages,
        "per_bar": [
            {
                "bar": bar.number, "difficulty": round(bar.difficulty, 2),
                "layers": layers_of(bar.layers),
            }
            for bar in assessment.bars
        ],
        "faults": [_fault(fault) for fault in result.faults],
        "pedals": {
            "start": _setting(result.performance.pedal_plan.start),
            "moves": _moves(part, result.performance.pedal_plan.moves),
            "unmet": _unmet(part, result.performance.pedal_plan),
        },
        "warnings": list(result.warnings),
    }


def of_rewrites(
    result: RewriteResult, files: Sequence[str], proposed: Sequence[Sequence[str]] = ()
) -> Document:
    """`result.json`, and `gentler rewrite --json`; files: name of each alternative's score;
    proposed: names of the scores of each proposal for the whole piece, if they were written."""
    bars = result.part.bars
    return {
        "version": VERSION,
        "score": _score(result.info, result.part),
        "tier": result.player.tier,
        "player": result.player.name,
        "harp": result.player.harp.name,
        "bars": [bars[result.first].number, bars[result.last].number],
        "keep": result.keeps,
        "original": {
            "difficulty": round(result.original_difficulty, 2),
            "tier_needed": result.original_tier,
            "layers": layers_of(result.original_layers),
            "faults": len(result.original_faults),
            "pedal_moves": result.original_moves,
        },
        "alternatives": [
            {
                "rank": one.rank,
                "difficulty": round(one.difficulty, 2),
                "difficulty_drop": round(one.difficulty_drop, 2),
                "tier_needed": one.tier_needed,
                "within_tier": one.within,
                "distance": round(one.distance, 4),
                "distance_parts": {name: round(v, 4) for name, v in one.distance_parts},
                "notes_lost": one.notes_lost,
                "notes_added": one.notes_added,
                "layers": layers_of(one.layers),
                "faults": one.faults,
                "joins": [_fault(join) for join in one.joins],
                "pedal_moves": one.pedal_moves,
                "steps": [
                    {
                        "strategy": step.strategy, "bars": [step.first, step.last],
                        "hand": step.hand, "text": step.text,
                        "difficulty_drop": round(step.difficulty_drop, 6),
                        "distance": round(step.distance, 6),
                    }
                    for step in one.steps
                ],
                "edits": [edit_document(edit) for edit in one.edits],
                "note": one.note,
                "slips": [
                    {"rule": slip.rule, "bar": slip.bar, "text": slip.text} for slip in one.slips
                ],
                "lost_marks": list(one.lost_marks),
                "file": file,
            }
            for one, file in zip(result.alternatives, files, strict=True)
        ],
        "also_possible": [
            {
                "name": one.kind.name, "title": one.kind.title, "text": one.text,
                "difficulty": round(one.difficulty, 2), "tier_needed": one.tier_needed,
                "within_tier": one.within, "faults": one.faults, "files": list(proposed[at])
                if proposed else [],
            }
            for at, one in enumerate(result.also)
        ],
        "resisting_layer": result.resisting,
        "stopped": result.stopped,
        "statistics": {
            name: {"calls": calls, "used": used, "seconds": round(seconds, 4)}
            for name, (calls, used, seconds) in result.usage.items()
        },
        "warnings": list(result.warnings),
    }


def of_pedals(result: PedalResult) -> Document:
    """`gentler pedals --json`."""
    plan, part = result.plan, result.part
    spelling = []
    for strike, played in zip(part.strikes, plan.played, strict=True):
        if played != strike.pitch:
            bar, beat = part.place(strike.onset)
            spelling.append({
                "bar": bar, "beat": beat, "written": strike.pitch.name, "played": played.name,
            })
    hands = {} if result.performance is None else {"hands": _hands(result.performance)}
    return {
        "version": VERSION,
        "score": _score(result.info, part),
        "harp": result.player.harp.name,
        "tier": result.player.tier,
        **hands,
        "start": _setting(plan.start),
        "moves": _moves(part, plan.moves),
        "spelling": spelling,
        "cost": round(plan.cost, 4),
        "costs": {cause: round(amount, 4) for cause, amount in plan.costs},
        "optimal": plan.optimal,
        "unmet": _unmet(part, plan),
        "warnings": list(result.warnings),
    }


def _hands(performance: Performance) -> list[Document]:
    """What each hand plucks at each moment; `placing` counts per hand, finger 0 is none."""
    plan, played, rows = performance.hand_plan, performance.pedal_plan.played, []
    for hand, _, members in performance.chords:
        bar, beat = performance.part.place(performance.strikes[members[0]].onset)
        rows.append({
            "bar": bar, "beat": beat, "hand": hand, "placing": plan.placings[members[0]],
            "rolled": any(plan.rolled[i] for i in members),
            "notes": [{"string": played[i].name, "finger": plan.fingers[i]} for i in members],
        })
    return rows


def of_strategies(rows: Sequence[StrategyRow], kinds: Sequence[Kind] = ()) -> Document:
    """`gentler strategies --json`."""
    return {
        "version": VERSION,
        "strategies": [
            {
                "name": row.strategy.name,
                "title": row.strategy.title,
                "keeps": [flag.name.lower() for flag in row.strategy.keeps if flag.name],
                "text": dict(row.text),
                "cases": [
                    {"before": case.before, "after": case.after, "tier": case.tier}
                    for case in row.strategy.cases
                ],
            }
            for row in rows
        ],
        "proposals": [
            {"name": kind.name, "title": kind.title, "text": dict(kind.text)} for kind in kinds
        ],
    }


def of_harps(rows: Sequence[Instrument]) -> Document:
    """`gentler harps --json`."""
    return {
        "version": VERSION,
        "harps": [
            {
                "name": harp.name, "title": harp.title, "kind": harp.kind,
                "strings": harp.strings, "range": harp.range_text,
                "tuning": _setting(harp.tuning) if not harp.has_pedals else None,
                "source": harp.source,
            }
            for harp in rows
        ],
    }


def of_tiers(table: Document) -> Document:
    """`gentler tiers --json`: each tier with its limits and rules, then units and sources."""
    rules = {k: v for k, v in table["rules"].items() if "values" in v}
    tiers = []
    for at, name in enumerate(table["tiers"]):
        tiers.append({
            "name": name,
            "who": table["who"][name],
            "limits": {key: row["values"][at] for key, row in table["limits"].items()},
            "rules": {key: row["values"][at] for key, row in rules.items()},
            "layer_caps": {layer: table["rules"]["caps"][layer][at] for layer in LAYERS},
            "never_together": [
                pair
                for pair in table["rules"]["forbidden"]["pairs"]
                if name in table["rules"]["forbidden"]["tiers"]
            ],
        })
    rows = {**table["limits"], **table["rules"]}
    return {
        "version": VERSION,
        "tiers": tiers,
        "units": {key: row["unit"] for key, row in rows.items()},
        "sources": {key: row["source"] for key, row in rows.items()},
        "strengths": table["strengths"],
    }
