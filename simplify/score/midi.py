"""MIDI files as scores: read, put on a grid, spelled, given to two staves.

A MIDI file (Standard MIDI Files 1.0, MIDI Manufacturers Association) says when keys go down and up,
not what is written. Here each quarter note gets the grid that its onsets fit best, everything is
moved to it, and how much was moved is told. Spelling is `spelling.py`'s; what the pedals make of it
is the planner's. The keys of a harp or keyboard in one track are given to two staves by register.
"""

from __future__ import annotations

import re
import struct
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from simplify.counted import counted
from simplify.errors import OutputError, ScoreError
from simplify.score.measures import MAX_BARS, MAX_NOTES
from simplify.score.model import TICKS, Bar, Note, Part, Pitch, TempoMark, new_note
from simplify.score.players import HARP, KEYBOARD, Listed, paired
from simplify.score.spelling import spell

GRIDS = ((4, 0.0), (3, 0.012), (8, 0.03), (6, 0.035), (5, 0.045), (7, 0.05))
"""Parts of a quarter note that onsets may fall on, with what a grid must gain in fit (in quarter
notes) before it is taken instead of sixteenths (estimate: 0.01 is 6 ms at 96 beats a minute)."""

GAP = TICKS // 2
"""Shortest rest that is believed between a note that was let go off the grid and the next one of
its staff, in ticks (estimate: an eighth; players let go early)."""

STEADY = 0.04
"""Tempo changes smaller than this share are not written down (estimate: below what listeners notice
as a change of tempo)."""

DRUMS = 9
"""Channel of percussion, counted from 0 (General MIDI level 1)."""

LOWEST = 12
"""Lowest key that notation writes: C0 (MusicXML 4.0, octave 0 to 9, 4 begins on middle C)."""

_PROGRAMS = ((range(46, 47), "Harp"), (range(8), "Piano"), (range(8, 9), "Celesta"),
             (range(16, 21), "Organ"))
"""Sounds with two staves, counted from 0 (General MIDI level 1)."""


@dataclass(slots=True)
class _Track:
    """What one track plays on one channel. notes: (start, end, key) in file ticks."""

    name: str = ""
    channel: int = 0
    program: int | None = None
    notes: list[tuple[int, int, int]] = field(default_factory=list)


@dataclass(slots=True)
class _File:
    """A MIDI file. unit: file ticks of a quarter note."""

    unit: int
    tracks: list[_Track]
    tempi: list[tuple[int, float]]
    metres: list[tuple[int, int, int]]
    keys: list[tuple[int, int]]
    drums: int = 0
    low: int = 0
    title: str = ""


# --- the bytes ------------------------------------------------------------------------------------


class _Bytes:
    """Reads numbers from the bytes of a track."""

    def __init__(self, data: bytes, path: str) -> None:
        self.data, self.path, self.at = data, path, 0

    def take(self, count: int) -> bytes:
        """The next bytes."""
        if self.at + count > len(self.data):
            raise ScoreError(f"{self.path}: the MIDI file is cut short; export it again")
        self.at += count
        return self.data[self.at - count : self.at]

    def byte(self) -> int:
        """The next byte."""
        return self.take(1)[0]

    def number(self) -> int:
        """A number of variable length, at most four bytes."""
        value = 0
        for _ in range(4):
            byte = self.byte()
            value = value << 7 | byte & 0x7F
            if byte < 0x80:
                return value
        raise ScoreError(f"{self.path}: the MIDI file is damaged; export it again")


def _events(data: bytes, path: str) -> Iterator[tuple[int, int, int, bytes]]:
    """(tick, status, kind of meta event, data) of a track's events."""
    source = _Bytes(data, path)
    tick = status = 0
    while source.at < len(data):
        tick += source.number()
        first = source.byte()
        if first == 0xFF:
            kind = source.byte()
            yield tick, first, kind, source.take(source.number())
            if kind == 0x2F:
                return
        elif first in (0xF0, 0xF7):
            source.take(source.number())
        elif first >= 0xF0:
            raise ScoreError(f"{path}: the MIDI file is damaged; export it again")
        else:
            if first >= 0x80:
                status = first
                rest = b""
            elif status:
                rest = bytes((first,))
            else:
                raise ScoreError(f"{path}: the MIDI file is damaged; export it again")
            wanted = 1 if status & 0xF0 in (0xC0, 0xD0) else 2
            yield tick, status, 0, rest + source.take(wanted - len(rest))


def _read(raw: bytes, path: str) -> _File:
    """The file's events, sorted out."""
    source = _Bytes(raw, path)
    if source.take(4) != b"MThd":
        raise ScoreError(f"{path}: is no MIDI file")
    length = struct.unpack(">I", source.take(4))[0]
    header = source.take(length)
    if len(header) < 6:
        raise ScoreError(f"{path}: the MIDI file is cut short; export it again")
    form, _, unit = struct.unpack(">HHh", header[:6])
    if unit <= 0:
        raise ScoreError(
            f"{path}: counts in film frames, not in beats; export it with ticks per quarter note"
        )
    if form == 2:
        raise ScoreError(f"{path}: holds several pieces (MIDI format 2); give one of them")
    found = _File(unit, [], [], [], [])
    count = 0
    while source.at + 8 <= len(raw):
        kind, size = source.take(4), struct.unpack(">I", source.take(4))[0]
        data = source.take(size)
        if kind == b"MTrk":
            count += _track(found, data, path)
        if count > MAX_NOTES:
            raise ScoreError(f"{path}: more than {MAX_NOTES} notes; give a single movement")
    return found


def _track(found: _File, data: bytes, path: str) -> int:
    """Adds a track's notes, channel by channel, and its marks; gives how many notes."""
    name = ""
    players: dict[int, _Track] = {}
    sounding: dict[tuple[int, int], list[int]] = {}
    tick = count = 0
    for tick, status, kind, content in _events(data, path):
        if status == 0xFF:
            if kind == 0x03:
                name = " ".join(content.decode("utf-8", "replace").split())[:80]
                found.title = found.title or name
            elif kind == 0x51 and len(content) == 3:
                micros = int.from_bytes(content, "big")
                if micros:
                    found.tempi.append((tick, 60e6 / micros))
            elif kind == 0x58 and len(content) >= 2 and content[0] and content[1] <= 6:
                found.metres.append((tick, content[0], 2 ** content[1]))
            elif kind == 0x59 and len(content) == 2:
                fifths = struct.unpack("b", content[:1])[0]
                if -7 <= fifths <= 7:
                    found.keys.append((tick, fifths))
            continue
        channel, what = status & 0x0F, status & 0xF0
        if what == 0xC0:
            players.setdefault(channel, _Track()).program = content[0] & 0x7F
        elif what in (0x80, 0x90):
            key, force = content[0] & 0x7F, content[1]
            if what == 0x90 and force:
                count += 1
                sounding.setdefault((channel, key), []).append(tick)
            elif sounding.get((channel, key)):
                start = sounding[channel, key].pop(0)
                players.setdefault(channel, _Track()).notes.append((start, tick, key))
    for (channel, key), starts in sounding.items():
        for start in starts:
            players.setdefault(channel, _Track()).notes.append((start, max(tick, start), key))
    for channel, player in sorted(players.items()):
        if channel == DRUMS:
            found.drums += len(player.notes)
            continue
        pitched = [note for note in player.notes if note[2] >= LOWEST]
        found.low += len(player.notes) - len(pitched)
        player.notes = pitched
        if player.notes:
            player.name, player.channel = name, channel
            player.notes.sort()
            found.tracks.append(player)
    return count


# --- the grid -------------------------------------------------------------------------------------


@dataclass(slots=True)
class Moved:
    """How far onsets were moved to the grid. most: in quarter notes."""

    notes: int = 0
    moved: int = 0
    most: float = 0.0
    ends: int = 0


class _Grid:
    """The grid of each quarter note, from all onsets in it."""

    def __init__(self, file: _File) -> None:
        self.unit = file.unit
        beats: dict[int, set[float]] = {}
        for track in file.tracks:
            for start, _, _ in track.notes:
                whole, rest = divmod(start, file.unit)
                beats.setdefault(whole, set()).add(rest / file.unit)
        self.parts = {beat: self._best(places) for beat, places in beats.items()}

    @staticmethod
    def _best(places: set[float]) -> int:
        def badness(grid: tuple[int, float]) -> tuple[float, int]:
            parts, price = grid
            return max(abs(p * parts - round(p * parts)) / parts for p in places) + price, parts

        return min(GRIDS, key=badness)[0]

    def tick(self, at: int) -> int:
        """Model ticks of a place in file ticks."""
        beat, rest = divmod(at, self.unit)
        parts = self.parts.get(beat, 4)
        return beat * TICKS + round(rest * parts / self.unit) * TICKS // parts

    def step(self, at: int) -> int:
        """Model ticks of one step of the grid at a place in file ticks."""
        return TICKS // self.parts.get(at // self.unit, 4)

    def away(self, at: int, tick: int) -> float:
        """How far a place is from a tick, in quarter notes."""
        return abs(at / self.unit - tick / TICKS)


# --- hands ----------------------------------------------------------------------------------------

SPAN = 16
"""Semitones that a hand takes without a stretch on the harp: a tenth (common practice)."""


def staves_of(notes: Sequence[tuple[int, int, int]]) -> list[int]:
    """Staff 1 or 2 of each note (onset, length, key), sorted: at every onset the keys are cut into
    an upper and a lower group so that no group is wider than `SPAN`, each stays near where it was,
    and the lower group lies below the upper staff's register."""
    rows: list[list[int]] = []
    for index, note in enumerate(notes):
        if rows and notes[rows[-1][0]][0] == note[0]:
            rows[-1].append(index)
        else:
            rows.append([index])
    # best[k] for k lower notes: (cost, centre of the lower, centre of the upper group)
    best: list[tuple[float, float, float]] = [(0.0, 48.0, 72.0)]
    back: list[list[int]] = []
    for row in rows:
        keys = sorted(notes[i][2] for i in row)
        new, came = [], []
        for cut in range(len(keys) + 1):
            lower, upper = keys[:cut], keys[cut:]
            cost = 0.0
            for group in (lower, upper):
                if group:
                    cost += 3.0 * max(0, group[-1] - group[0] - SPAN) + max(0, len(group) - 4) * 20
            cost += sum(max(0, key - 64) for key in lower) * 0.4
            cost += sum(max(0, 55 - key) for key in upper) * 0.4
            options = []
            for which, (before, low, high) in enumerate(best):
                move = 0.0
                new_low, new_high = low, high
                if lower:
                    middle = sum(lower) / len(lower)
                    move, new_low = move + abs(middle - low), 0.5 * (low + middle)
                if upper:
                    middle = sum(upper) / len(upper)
                    move, new_high = move + abs(middle - high), 0.5 * (high + middle)
                options.append((before + cost + 0.25 * move, which, new_low, new_high))
            total, which, new_low, new_high = min(options)
            new.append((total, new_low, new_high))
            came.append(which)
        best = new
        back.append(came)
    staves = [1] * len(notes)
    at = min(range(len(best)), key=lambda k: (best[k][0], k)) if rows else 0
    for row, came in zip(reversed(rows), reversed(back), strict=True):
        ordered = sorted(row, key=lambda i: notes[i][2])
        for index in ordered[:at]:
            staves[index] = 2
        at = came[at]
    return staves


_Struck = tuple[int, int, int, bool, Pitch, int]
"""Onset, length, key, let go on the grid, pitch, number of its track in the part."""


# --- the score ------------------------------------------------------------------------------------


def _bars(file: _File, end: int) -> tuple[Bar, ...]:
    """Bars up to a tick, metres and keys as the file says, 4/4 where it says nothing."""
    metres = {round(t * TICKS / file.unit): (beats, kind) for t, beats, kind in file.metres}
    keys = {round(t * TICKS / file.unit): fifths for t, fifths in file.keys}
    starts, key_starts = sorted(metres), sorted(keys)
    bars: list[Bar] = []
    at = 0
    while at < end or not bars:
        place = bisect_right(starts, at)
        beats, kind = metres[starts[place - 1]] if place else (4, 4)
        length = 4 * TICKS * beats // kind
        if place < len(starts) and starts[place] < at + length:
            length = starts[place] - at
        where = bisect_right(key_starts, at + length // 2)
        fifths = keys[key_starts[where - 1]] if where else 0
        bars.append(Bar(len(bars), str(len(bars) + 1), at, length, beats, kind, fifths))
        at += length
    return tuple(bars)


def _tempo(file: _File) -> tuple[TempoMark, ...]:
    marks: list[TempoMark] = []
    for tick, quarters in sorted(dict(file.tempi).items()):
        if not 5 <= quarters <= 600:
            continue
        if not marks or abs(quarters / marks[-1].quarters - 1) > STEADY:
            marks.append(TempoMark(round(tick * TICKS / file.unit), round(quarters, 2)))
    return tuple(marks)


def _pieces(
    onset: int, end: int, bars: Sequence[Bar], starts: Sequence[int]
) -> Iterator[tuple[int, int, int]]:
    """(onset, length, bar) of a sound cut at the bar lines."""
    at = onset
    while at < end:
        bar = bars[bisect_right(starts, at) - 1]
        until = min(end, bar.end)
        yield at, until - at, bar.index
        at = until


def midi_score(raw: bytes, path: str) -> tuple[bytes, tuple[str, ...]]:
    """(MusicXML, what was decided on the way) of a MIDI file.

    Raises:
        ScoreError: damaged, without notes, or over a limit.
    """
    from simplify.score.graft import emit_parts

    file = _read(raw, path)
    if not file.tracks:
        what = "percussion only; give a pitched part" if file.drums else "no notes"
        raise ScoreError(f"{path}: holds {what}")
    last = max(end for track in file.tracks for _, end, _ in track.notes)
    quickest = min([2 ** 31, *(4 * beats // kind or 1 for _, beats, kind in file.metres), 4])
    if last / file.unit > MAX_BARS * quickest:
        raise ScoreError(f"{path}: more than {MAX_BARS} bars; give a single movement")
    grid, moved = _Grid(file), Moved()
    rows = [_placed(track, grid, moved) for track in file.tracks]
    bars = _bars(file, max(onset + length for row in rows for onset, length, _, _ in row))
    if len(bars) > MAX_BARS:
        raise ScoreError(f"{path}: more than {MAX_BARS} bars; give a single movement")
    pitches = _spelled(file, rows, bars)
    tempo = _tempo(file)
    parts = []
    for choice in paired([_listed(i, track) for i, track in enumerate(file.tracks)]):
        ids = [int(i) for i in choice.ids]
        group = sorted(
            (
                (onset, length, key, exact, pitch, which)
                for which, i in enumerate(ids, start=1)
                for (onset, length, key, exact), pitch in zip(rows[i], pitches[i], strict=True)
            ),
            key=lambda g: (g[0], g[1], g[2], g[5]),
        )
        two = len(ids) == 2 or choice.is_keyboard or choice.is_harp or len(file.tracks) == 1
        staves = [g[5] for g in group] if len(ids) == 2 or not two else staves_of(
            [g[:3] for g in group]
        )
        parts.append((_part(choice.name or f"Part {ids[0] + 1}", group, staves, bars, tempo),
                      2 if two else 1))
    title = file.title if not any(file.title == t.name for t in file.tracks) else ""
    try:
        xml = emit_parts(parts, title)
    except OutputError as error:
        raise ScoreError(f"{path}: can't be written as notes ({error})") from None
    return xml, _told(file, moved)


def _listed(index: int, track: _Track) -> Listed:
    """A track as an entry of a part list; without a name it is called after its sound."""
    empty = re.fullmatch(r"(?i)(?:track|staff|untitled)?[\s\d]*", track.name)
    name = "" if empty else track.name
    if not name and track.program is not None:
        name = next((n for programs, n in _PROGRAMS if track.program in programs), "")
    harp = bool(HARP.search(name)) or track.program == 46
    mean = sum(key for _, _, key in track.notes) / len(track.notes)
    keys = bool(KEYBOARD.search(name)) or (track.program is not None and any(
        track.program in programs for programs, _ in _PROGRAMS
    ))
    return Listed(str(index), name or ("Keyboard" if keys else ""), harp, 1, len(track.notes),
                  mean, None)


def _placed(track: _Track, grid: _Grid, moved: Moved) -> list[tuple[int, int, int, bool]]:
    """(onset, length, key, let go on the grid) of a track's notes, one of each at a time."""
    found: dict[tuple[int, int], tuple[int, bool]] = {}
    for start, end, key in track.notes:
        onset, until = grid.tick(start), grid.tick(end)
        away = grid.away(start, onset)
        moved.notes += 1
        moved.moved += away > 0.51 / grid.unit + 0.001
        moved.most = max(moved.most, away)
        exact = grid.away(end, until) <= 0.51 / grid.unit + 0.001
        moved.ends += not exact
        length = max(until - onset, grid.step(start))
        old = found.get((onset, key))
        if old is None or old[0] < length:
            found[onset, key] = (length, exact)
    rows = sorted((onset, length, key, exact) for (onset, key), (length, exact) in found.items())
    # A key can't go down again while it is down.
    following: dict[int, int] = {}
    for at in range(len(rows) - 1, -1, -1):
        onset, length, key, exact = rows[at]
        length = min(length, following.get(key, onset + length) - onset)
        rows[at] = (onset, length, key, exact)
        following[key] = onset
    return rows


def _spelled(
    file: _File, rows: Sequence[Sequence[tuple[int, int, int, bool]]], bars: Sequence[Bar]
) -> list[list[Pitch]]:
    """Pitches of all tracks' notes, spelled together."""
    everything = sorted(
        (onset, length, key, track, at)
        for track, row in enumerate(rows) for at, (onset, length, key, _) in enumerate(row)
    )
    starts = [bar.onset for bar in bars]
    fifths = [
        bars[bisect_right(starts, row[0]) - 1].fifths if file.keys else None for row in everything
    ]
    pitches: list[dict[int, Pitch]] = [{} for _ in rows]
    for row, pitch in zip(everything, spell([r[:3] for r in everything], fifths), strict=True):
        pitches[row[3]][row[4]] = pitch
    return [[found[at] for at in sorted(found)] for found in pitches]


def _part(
    name: str, group: Sequence[_Struck], staves: Sequence[int], bars: tuple[Bar, ...],
    tempo: tuple[TempoMark, ...],
) -> Part:
    """A part of notes (onset, length, key, exact, pitch, which) with their staves."""
    onsets = {staff: sorted({g[0] for g, s in zip(group, staves, strict=True) if s == staff})
              for staff in (1, 2)}
    starts = [bar.onset for bar in bars]
    notes: list[Note] = []
    for (onset, length, _, exact, pitch, _), staff in zip(group, staves, strict=True):
        end = onset + length
        if not exact:
            row = onsets[staff]
            at = bisect_right(row, onset)
            following = row[at] if at < len(row) else None
            if following is not None and abs(following - end) < GAP:
                end = following
        end = min(end, bars[-1].end)
        pieces = list(_pieces(onset, end, bars, starts))
        for number, (at, size, bar) in enumerate(pieces):
            notes.append(
                new_note(
                    at, size, pitch, bar, staff=staff, voice="1" if staff == 1 else "5",
                    tie_in=number > 0, tie_out=number + 1 < len(pieces),
                )
            )
    notes.sort(key=lambda n: n.order_key)
    return Part("P1", name, bars, tuple(dict.fromkeys(notes)), tempo or (TempoMark(0, 96.0),),
                assumed_tempo=not tempo)


def _told(file: _File, moved: Moved) -> tuple[str, ...]:
    """What was decided, in sentences."""
    lines = []
    if moved.moved or moved.ends:
        lines.append(
            f"MIDI: {moved.moved} of {moved.notes} onsets moved to the nearest place of the grid, "
            f"at most {moved.most:.2f} of a quarter note; {moved.ends} note ends too"
        )
    lines.append("MIDI: spelling, staves and note values are ours; the file does not say them")
    if not file.metres:
        lines.append("MIDI: no time signature in the file; 4/4 assumed")
    if file.drums:
        lines.append(f"MIDI: {counted(file.drums, 'drum note')} left out")
    if file.low:
        lines.append(
            f"MIDI: {counted(file.low, 'note')} below C0 left out; no instrument plays them, "
            "samplers are switched by such keys"
        )
    return tuple(lines)
