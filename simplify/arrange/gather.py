"""From one or several source parts to the music that one harpist is to play.

The parts are merged on two staves by register, doubled notes once. What belongs to the other
instrument goes: piano fingering, the damper pedal (the strings ring by themselves: notes under it
are written as long as they ring on), short staccato. Lines that leave the harp's range are moved by
octaves, a bar's line as a whole where that will do.
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

from simplify.arrange.numbers import numbers
from simplify.errors import ScoreError, SelectionError
from simplify.harp.instrument import Instrument
from simplify.score.edits import at_octave
from simplify.score.measures import transposed as moved
from simplify.score.model import Mark, Note, Part
from simplify.score.players import PartChoice, choose
from simplify.score.read import LoadedPart, Score, load_part
from simplify.score.ties import mended

Span = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Gathered:
    """The merged music. sources: the parts it comes from; left_out: parts that were not taken;
    damper: ticks (from, to) under the piano's damper pedal; warnings: for the user."""

    part: Part
    sources: tuple[LoadedPart, ...]
    left_out: tuple[PartChoice, ...]
    damper: tuple[Span, ...]
    warnings: tuple[str, ...]


def choose_sources(
    score: Score, wanted: str | None
) -> tuple[tuple[PartChoice, ...], tuple[PartChoice, ...]]:
    """The parts to merge and those left out.

    Without a name: a song's accompaniment alone (the only keyboard or harp beside parts with
    words), else all parts with notes: two pianos, a quartet, a chorale. `all` takes everything;
    names or ids may be several, with commas.

    Raises:
        SelectionError: no such part.
    """
    full = tuple(choice for choice in score.candidates if choice.notes)
    if wanted is None:
        keyed = [c for c in full if c.is_keyboard or c.is_harp]
        others = [c for c in full if c not in keyed]
        song = len(keyed) == 1 and all(_sung(score, c) for c in others)
        chosen = tuple(keyed) if song else full
    elif wanted.strip().casefold() == "all":
        chosen = full
    else:
        try:
            chosen = (choose(score.candidates, score.path, wanted),)
        except SelectionError:
            if "," not in wanted:
                raise
            named = [choose(score.candidates, score.path, w) for w in wanted.split(",")]
            chosen = tuple(c for c in full if c in named)
    return chosen, tuple(choice for choice in full if choice not in chosen)


def _sung(score: Score, choice: PartChoice) -> bool:
    """True if a part has words under its notes."""
    return any(
        child.element.find("lyric") is not None
        for part_id in choice.ids
        for measure in score.document.part(part_id).measures
        for child in measure.children
        if child.element.tag == "note"
    )


def gather(score: Score, wanted: str | None = None) -> Gathered:
    """The music to arrange, on two staves, with ids 0, 1, 2 ...

    Raises:
        SelectionError: no such part.
        ScoreError: a part can't be read, or the parts differ in their bars.
    """
    chosen, left_out = choose_sources(score, wanted)
    loaded = tuple(load_part(score, choice) for choice in chosen)
    loaded, uneven = _aligned(score, loaded)
    first = loaded[0].part
    warnings = list(dict.fromkeys(w for one in loaded for w in one.info.warnings))
    warnings += uneven
    if left_out and wanted is None:
        names = ", ".join(choice.label for choice in left_out)
        warnings.append(f"left out: {names} (take everything with --part all)")
    bars = tuple(
        replace(
            bar,
            repeat_start=any(one.part.bars[bar.index].repeat_start for one in loaded),
            repeat_end=any(one.part.bars[bar.index].repeat_end for one in loaded),
        )
        for bar in first.bars
    )
    timed = next((one.part for one in loaded if not one.part.assumed_tempo), first)
    dynamics = next((one.part.dynamics for one in loaded if one.part.dynamics), ())
    part = Part(
        "P1", "Harp", bars, _merged(loaded), timed.tempo, dynamics, (), timed.assumed_tempo
    )
    damper = tuple(sorted(span for one in loaded for span in damper_spans(one)))
    return Gathered(part, loaded, left_out, damper, tuple(warnings))


def _aligned(
    score: Score, loaded: tuple[LoadedPart, ...]
) -> tuple[tuple[LoadedPart, ...], list[str]]:
    """The parts with the same bars: where a bar's length differs between parts, the longest holds
    for all, and it is told."""
    counts = {len(one.part.bars) for one in loaded}
    if len(counts) > 1:
        some = ", ".join(f"{one.choice.label} {len(one.part.bars)}" for one in loaded)
        raise ScoreError(
            f"{score.path}: the parts differ in their number of bars ({some}); name those to merge "
            "with --part"
        )
    lengths = [[bar.duration for bar in one.part.bars] for one in loaded]
    longest = [max(row) for row in zip(*lengths, strict=True)]
    if all(row == longest for row in lengths):
        return loaded, []
    onsets = [sum(longest[:at]) for at in range(len(longest))]
    told = next(
        bar.number for bar, long, *rest in zip(
            loaded[0].part.bars, longest, *lengths, strict=True
        ) if any(x != long for x in rest)
    )
    moved = []
    for one in loaded:
        part = one.part
        shift = [new - bar.onset for new, bar in zip(onsets, part.bars, strict=True)]

        def at(tick: int, part: Part = part, shift: list[int] = shift) -> int:
            return tick + shift[part.bar_at(tick).index]

        bars = tuple(
            replace(bar, onset=onset, duration=long,
                    lead=0 if long == bar.metre_ticks else bar.lead)
            for bar, onset, long in zip(part.bars, onsets, longest, strict=True)
        )
        new = replace(
            part, bars=bars,
            notes=tuple(replace(n, onset=n.onset + shift[n.bar]) for n in part.notes),
            tempo=tuple(replace(m, onset=at(m.onset)) for m in part.tempo),
            dynamics=tuple(replace(d, onset=at(d.onset)) for d in part.dynamics),
            given=(),
        )
        moved.append(replace(one, part=new))
    text = f"the parts' bars differ in length (first: bar {told}); the longest holds for all"
    return tuple(moved), [text]


def _merged(loaded: Sequence[LoadedPart]) -> tuple[Note, ...]:
    """All notes on two staves: a single part as it is written, several by the mean height of
    each part's staves, doubled notes once (the longest)."""
    streams: dict[tuple[int, int], list[Note]] = defaultdict(list)
    for at, one in enumerate(loaded):
        for note in one.part.notes:
            streams[at, note.staff].append(note)
    if len(streams) <= 2 and len(loaded) == 1:
        notes = list(loaded[0].part.notes)
        return tuple(replace(n, id=i) for i, n in enumerate(sorted(notes, key=lambda n: n.id)))
    height = {
        key: sum(n.pitch.midi for n in notes) / len(notes) for key, notes in streams.items()
    }
    order = sorted(streams, key=lambda key: -height[key])
    upper = set(order[: (len(order) + 1) // 2])
    names: dict[tuple[int, int, str], str] = {}
    counts = {1: 0, 2: 0}
    found: list[Note] = []
    for key in order:
        staff = 1 if key in upper else 2
        for note in streams[key]:
            label = (*key, note.voice)
            if label not in names:
                counts[staff] += 1
                names[label] = _voice(staff, counts[staff])
            found.append(replace(note, staff=staff, voice=names[label], hand=""))
    kept: dict[tuple[int, int, int], Note] = {}
    for note in sorted(found, key=lambda n: (-n.duration, n.tie_in, n.staff, n.voice)):
        kept.setdefault((note.onset, note.pitch.midi, note.grace), note)
    ordered = sorted(kept.values(), key=lambda n: n.order_key)
    return tuple(replace(note, id=i) for i, note in enumerate(ordered))


def _voice(staff: int, count: int) -> str:
    """Name of a staff's voice number `count`: 1 to 4 above, 5 to 8 below, then 9 to 12 ..."""
    group, place = divmod(count - 1, 4)
    return str(8 * group + 4 * (staff - 1) + place + 1)


def damper_spans(loaded: LoadedPart) -> tuple[Span, ...]:
    """Ticks (from, to) during which the source holds the damper pedal down."""
    spans: list[Span] = []
    down: int | None = None
    for source, measures in zip(loaded.sources, loaded.layouts, strict=True):
        for bar, layout in zip(loaded.part.bars, measures, strict=True):
            for child in layout.children:
                if child.kind != "other":
                    continue
                element = source.measures[bar.index].children[child.child].element
                for pedal in element.iterfind("direction-type/pedal"):
                    tick = bar.onset + child.onset
                    kind = pedal.get("type", "")
                    if kind in ("stop", "discontinue", "change") and down is not None:
                        if tick > down:
                            spans.append((down, tick))
                        down = None
                    if kind in ("start", "resume", "change", "sostenuto"):
                        down = tick
        if down is not None:
            spans.append((down, loaded.part.end))
            down = None
    return tuple(sorted(spans))


# --- dressing for the harp ----------------------------------------------------------------------


def dressed(part: Part, damper: Sequence[Span], harp: Instrument) -> Part:
    """The part without what belongs to another instrument, inside the harp's range."""
    notes = list(part.notes)
    seconds = part.seconds
    follows: dict[int, int] = {}
    for staff in (1, 2):
        onsets = sorted({n.onset for n in notes if n.staff == staff})
        follows.update({
            (onset * 2 + staff): after
            for onset, after in itertools.pairwise([*onsets, part.end])
        })
    changed = []
    for note in notes:
        after = follows[note.onset * 2 + note.staff]
        under = any(low <= note.onset < high for low, high in damper)
        marks = list(note.without("finger", "staccato", "staccatissimo", "cue"))
        dry = note.has("staccato") or note.has("staccatissimo")
        slow = seconds(after) - seconds(note.onset) >= numbers("basis")["dry_seconds"]
        if dry and note.staff == 2 and not under and slow:
            marks.append(Mark("etouffe"))
        end = note.end
        if under and not note.grace and not note.tie_out and note.tuplet == (1, 1):
            end = max(end, min(after, part.bars[note.bar].end))
        changed.append(
            replace(note, duration=end - note.onset if not note.grace else 0,
                    marks=tuple(sorted(marks)))
        )
    return folded(with_notes(part, [_on_the_harp(note, harp) for note in changed]), harp)


def _on_the_harp(note: Note, harp: Instrument) -> Note:
    """The note on a string that can give its sound: a flat that no lever gives is its sharp."""
    if note.pitch.alter in harp.positions(note.pitch.step):
        return note
    for pitch in note.pitch.spellings():
        if pitch.alter in harp.positions(pitch.step):
            return replace(note, pitch=pitch)
    return note


def with_notes(part: Part, notes: Sequence[Note]) -> Part:
    """The part with other notes, in order, with source ids anew."""
    ordered = sorted(notes, key=lambda n: replace(n, id=0).order_key)
    fresh = tuple(replace(note, id=i) for i, note in enumerate(ordered))
    return replace(part, notes=fresh)


def folded(part: Part, harp: Instrument) -> Part:
    """Every note on a string of the harp: the line of a voice in a bar is moved by the octaves
    that leave the fewest notes outside and change least from bar to bar (an exact path), and what
    is still outside goes by itself to the nearest octave."""
    outside = [n for n in part.notes if not harp.lowest <= n.pitch.string <= harp.highest]
    if not outside:
        return part
    costs = numbers("basis")
    lines: dict[tuple[int, str], dict[int, list[Note]]] = defaultdict(lambda: defaultdict(list))
    for note in part.notes:
        lines[note.staff, note.voice][note.bar].append(note)
    moved: list[Note] = []
    for bars in lines.values():
        shifts = _octaves(bars, harp, costs)
        for bar, notes in bars.items():
            for note in notes:
                pitch = at_octave(note.pitch, shifts[bar])
                while pitch.string < harp.lowest:
                    pitch = at_octave(pitch, 1)
                while pitch.string > harp.highest:
                    pitch = at_octave(pitch, -1)
                moved.append(replace(note, pitch=pitch))
    kept: dict[tuple[int, int, int], Note] = {}
    for note in sorted(moved, key=lambda n: (-n.duration, n.staff, n.voice)):
        kept.setdefault((note.onset, note.pitch.midi, note.grace), note)
    return mended(with_notes(part, list(kept.values())))


def _octaves(
    bars: dict[int, list[Note]], harp: Instrument, costs: dict[str, float]
) -> dict[int, int]:
    """The octave shift of each bar of a line."""
    shifts = range(-3, 4)
    order = sorted(bars)
    best: dict[int, tuple[float, tuple[int, ...]]] = {}
    for bar in order:
        strings = [n.pitch.string for n in bars[bar]]
        here = {}
        for shift in shifts:
            off = sum(not harp.lowest <= s + 7 * shift <= harp.highest for s in strings)
            cost = costs["off"] * off + costs["fold"] * abs(shift)
            if best:
                cost, path = min(
                    (c + cost + costs["unfold"] * abs(shift - path[-1]), path)
                    for c, path in best.values()
                )
                here[shift] = (cost, (*path, shift))
            else:
                here[shift] = (cost, (shift,))
        best = here
    return dict(zip(order, min(best.values())[1], strict=True))


def transposed(part: Part, semitones: int, fifths: int) -> Part:
    """The part moved by semitones and spelled for keys that lie `fifths` further (sharps
    positive) on the circle."""
    # On the line of fifths a semitone up is 7 fifths less 12 per enharmonic change; the letter
    # steps follow from both: fifths = 7 * semitones - 12 * steps.
    steps = (7 * semitones - fifths) // 12
    notes = []
    for note in part.notes:
        notes.append(replace(note, pitch=moved(note.pitch, steps, semitones)))
    bars = tuple(replace(bar, fifths=_key(bar.fifths + fifths)) for bar in part.bars)
    return replace(part, notes=tuple(notes), bars=bars)


def _key(fifths: int) -> int:
    """A signature of at most seven signs."""
    while fifths > 7:
        fifths -= 12
    while fifths < -7:
        fifths += 12
    return fifths

