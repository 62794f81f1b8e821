"""What the other players of a score play beside one of them."""

from __future__ import annotations

from dataclasses import replace

from simplify.errors import GentlerError
from simplify.score.model import Note
from simplify.score.read import LoadedPart, load_part


def with_others(loaded: LoadedPart) -> LoadedPart:
    """The part with what every other part of its score plays as context (`Part.around`), told in
    the bars and ticks of this part.

    A part that can't be read, or whose bars are not this part's, is left out: it is context only.
    Cue notes don't sound and are left out as well.
    """
    around: list[Note] = []
    bars = loaded.part.bars
    for choice in loaded.score.candidates:
        if not choice.notes or set(choice.ids) & set(loaded.choice.ids):
            continue
        try:
            other = load_part(loaded.score, choice).part
        except GentlerError:
            continue
        if len(other.bars) != len(bars):
            continue
        for note in other.notes:
            bar, home = other.bars[note.bar], bars[note.bar]
            onset = home.onset + note.onset - bar.onset
            if not note.grace and not note.has("cue") and onset < home.end:
                around.append(replace(note, onset=onset, voice=choice.name or choice.id))
    around.sort(key=lambda n: (n.onset, n.pitch.midi, n.voice))
    part = replace(loaded.part, around=tuple(around))
    return replace(loaded, part=part)
