"""Harmonic rhythm: how fast the harmony changes, and how far each change goes.

Each change of harmony (simplify.score.harmony) is work: more for tones that were not there before,
for tones outside the key signature, and for kinds of chord a hand has less often under it; less
where only one or two pitch classes are struck, since a lone line implies harmonies that nobody has
to grasp. A tone that the harmony has by its name alone, and that nobody strikes, is none of these.
Common tones explain perceived harmonic distance better than voice leading does: Milne & Holland
2016, Empirically testing Tonnetz, voice-leading, and spectral models of perceived triadic distance
(Journal of Mathematics and Music 10:1). Prices: loads.toml, [harmonic_rhythm].
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from simplify.difficulty.curve import Beat, LayerCurve, Work, explain, load_of, numbers, rate
from simplify.harp.instrument import key_setting, setting_pitch_classes
from simplify.harp.player import SIMPLE
from simplify.score.harmony import Harmony, harmonies
from simplify.score.model import Part, Passage
from simplify.technique.plan import Performance

NAME = "harmonic_rhythm"

_SAY = {
    "change": "{count} change{s} of harmony, {rate}",
    "foreign": "{count} change{s} of harmony with tones outside the key, {rate}",
}

_UNUSUAL = frozenset(
    ("augmented", "diminished seventh", "half-diminished seventh", "dominant ninth",
     "major seventh")
)


def measure(performance: Performance, grid: tuple[Beat, ...]) -> LayerCurve:
    """Load per beat; see the module."""
    table = numbers(NAME)
    part = performance.part
    items: list[Work] = []
    outside: dict[int, bool] = {}
    before: frozenset[int] = frozenset()
    for harmony in harmonies(Passage(part, 0, len(part.bars) - 1)):
        struck = _struck(part, harmony)
        if not harmony.classes or not struck:
            continue  # nothing is struck in it: what rings on is no new harmony
        if before and harmony.classes != before:
            bar = part.bar_at(harmony.onset)
            key = setting_pitch_classes(key_setting(bar.fifths))
            tones = harmony.classes & struck
            foreign = len(tones - key)
            new = len(tones - before) / len(harmony.classes)
            amount = table["least"] + table["new_tones"] * new
            amount += table["foreign_tone"] * min(foreign, table["foreign_most"])
            if harmony.kind in _UNUSUAL and len(tones) >= min(4, len(harmony.classes)):
                amount += table["unusual"]
            amount *= table[f"heard_{min(3, len(struck))}"]
            outside[bar.index] = outside.get(bar.index, False) or foreign > 0
            items.append(
                Work(part.seconds(harmony.onset), harmony.onset, bar.index, "", "change", amount)
            )
        before = harmony.classes
    work = rate(items, grid, table["window"])
    loads = tuple(load_of(work / table["anchor"]).tolist())
    told = [replace(item, kind="foreign" if outside[item.bar] else "change") for item in items]
    return LayerCurve(NAME, loads, partial(explain, NAME, told, grid, loads, SIMPLE, _SAY))


def _struck(part: Part, harmony: Harmony) -> frozenset[int]:
    """The pitch classes that are struck in a harmony."""
    first, last = part.bar_at(harmony.onset).index, part.bar_at(harmony.end - 1).index
    return frozenset(
        note.pitch.pitch_class
        for row in part.notes_by_bar[first : last + 1]
        for note in row
        if harmony.onset <= note.onset < harmony.end and not note.tie_in
    )
