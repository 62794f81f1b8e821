"""A rewrite written as it is played: where the plan takes a sound on its synonym string, the note
gets that string's letter, since a harpist reads letters as strings (Canton & Overlach, Composing
for Harp: write what is played)."""

from __future__ import annotations

from dataclasses import replace

from simplify.score.edits import Draft, whole
from simplify.score.model import Edit, Passage
from simplify.strategy import hand_words
from simplify.technique.plan import Performance

RESPELL = "respell_for_pedals"
"""Name of the strategy that these edits are steps of."""


def as_played(passage: Passage, performance: Performance) -> tuple[Edit, ...]:
    """An edit for each bar of the passage that is written otherwise than its part's performance
    plays it. The plan stands as well for what comes of it: written so, it costs less by what each
    synonym costs, and no other plan costs less by more."""
    stand = "pedals" if performance.player.harp.has_pedals else "levers"
    played = performance.pedal_plan.played
    edits = []
    for bar in passage.bars:
        draft, pairs, touched = Draft(passage), dict[str, None](), []
        for strike, pitch in zip(performance.part.strikes, played, strict=True):
            first = strike.first
            if first.bar != bar.index or strike.pitch == pitch or not whole(passage, strike):
                continue
            draft.pitch(strike, pitch)
            touched.append(first)
            pairs[f"{strike.pitch.name[:-1]} as {pitch.name[:-1]}"] = None
        edit = draft.edit(
            f"{hand_words(touched)}: {', '.join(pairs)}, as the {stand} stand"
        ) if touched else None
        if edit is not None:
            edits.append(replace(edit, strategy=RESPELL))
    return tuple(edits)
