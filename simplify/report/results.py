"""What the commands bring back, before it is printed: values that all reports share."""

from __future__ import annotations

from dataclasses import dataclass

from simplify.arrange.proposals import Proposal
from simplify.difficulty.curve import Reason
from simplify.difficulty.load import Assessment, Verdict
from simplify.harp.player import Player
from simplify.score.model import Edit, Part, ScoreInfo
from simplify.score.read import LoadedPart
from simplify.sense import Slip
from simplify.strategy import Strategy
from simplify.technique.plan import Fault, PedalPlan, Performance

CAUTIONS = (
    "Difficulty is an estimate; the harpist's word decides.",
    "Reach and repeated strain can hurt: with small hands or a learner, ask the teacher first.",
    "Arranging a work may need its owner's permission.",
)
"""Shown, briefly, wherever users see results (common practice)."""


@dataclass(frozen=True, slots=True)
class StretchResult:
    """A stretch of bars that are alike. first, last: bar indices; tier: the easiest that could take
    it (None: nobody); reasons: the heaviest first."""

    first: int
    last: int
    difficulty: float
    layers: tuple[float, ...]
    complex_layers: tuple[str, ...]
    tier: str | None
    within: bool
    reasons: tuple[Reason, ...]


@dataclass(frozen=True, slots=True)
class AssessResult:
    """An assessed part, or some bars of it, for a player.

    asked: the tier or player asked about, else None; verdict: for that player (or for the easiest
    tier that could take the whole); remedies: the least that would bring it within, alternatives
    of (layer, level).
    """

    info: ScoreInfo
    part: Part
    player: Player
    asked: str | None
    performance: Performance
    assessment: Assessment
    verdict: Verdict
    remedies: tuple[tuple[tuple[str, str], ...], ...]
    stretches: tuple[StretchResult, ...]
    tier_needed: str | None
    faults: tuple[Fault, ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a rewrite in words: strategy and its title, first and last printed bar, hand,
    sentence; and what it is credited with of the alternative's difficulty drop (0-100) and distance
    (0-1): the credits of all steps add up to both."""

    strategy: str
    title: str
    first: str
    last: str
    hand: str
    text: str
    difficulty_drop: float
    distance: float


@dataclass(frozen=True, slots=True)
class Alternative:
    """A ranked rewrite. part: the whole part rewritten; performance: of the whole part, for the
    player; edits: in the order in which they apply to the source; changed: ids of the notes that
    the source does not have, nor has with another letter; pedals: moves in the passage
    before and after; joins: places between the passage and the bars around it that stay as hard as
    they were written; slips: what it does as music that the source does not, such as new parallel
    fifths; lost_marks: signs that went from the page with their notes, a line a bar,
    known once the score has been written."""

    rank: int
    part: Part
    performance: Performance
    changed: frozenset[int]
    difficulty: float
    difficulty_drop: float
    tier_needed: str | None
    within: bool
    distance: float
    distance_parts: tuple[tuple[str, float], ...]
    notes_lost: int
    notes_added: int
    layers: tuple[float, ...]
    bar_layers: tuple[tuple[float, ...], ...]
    faults: int
    joins: tuple[Fault, ...]
    steps: tuple[Step, ...]
    edits: tuple[Edit, ...]
    pedal_moves: int
    note: str
    slips: tuple[Slip, ...] = ()
    lost_marks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class RewriteResult:
    """Rewrites of some bars (indices first..last) for a player; also: what would help beside them,
    for the whole piece."""

    info: ScoreInfo
    part: Part
    player: Player
    first: int
    last: int
    original_performance: Performance
    original_difficulty: float
    original_layers: tuple[float, ...]
    original_bar_layers: tuple[tuple[float, ...], ...]
    original_tier: str | None
    original_faults: tuple[Fault, ...]
    original_moves: int
    alternatives: tuple[Alternative, ...]
    reached: bool
    resisting: str
    stopped: str
    usage: dict[str, tuple[int, int, float]]
    keeps: str
    also: tuple[Proposal, ...]
    warnings: tuple[str, ...]
    loaded: LoadedPart


@dataclass(frozen=True, slots=True)
class PedalResult:
    """A pedal (or lever) plan of a part; with the hands too where they were asked for."""

    info: ScoreInfo
    part: Part
    player: Player
    plan: PedalPlan
    warnings: tuple[str, ...]
    loaded: LoadedPart
    performance: Performance | None = None


@dataclass(frozen=True, slots=True)
class StrategyRow:
    """A strategy with the text of its file: headings to paragraphs."""

    strategy: Strategy
    text: tuple[tuple[str, str], ...]

