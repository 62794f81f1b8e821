"""One-line text <-> passage, for cases, tests, docs and error messages.

    3/4 key:-3 tempo:96 | E♭5:1 [G4 B♭4]:2 ; [E♭3 B♭3]:3 | ...

A header (metre, optional `key:` fifths, optional `tempo:` quarter notes a minute), then a bar
after each `|`. In a bar `;` parts the upper staff from the lower, `&` the voices of a staff.
A token is a pitch, a chord in square brackets, or `r` for a rest; `:` and the length in quarter
notes (`1`, `1/2`, `2/3`); without a length the one before holds on. Accidentals are absolute:
`#` or `♯`, `b` or `♭`, `x` or `𝄪`, `bb` or `𝄫`. After the length: `~` ties on to the next
bar's or token's same pitch, `t` + ratio sets a tuplet (`1/3t3:2`), and marks stand in braces:
`{trill}`, `{arpeggio up, finger 2}`. A `^` before a pitch makes it a grace note. `L:` or `R:`
before a token asks for a hand. `-` for a whole staff leaves it empty. After a second `;` stands
what another part of the score plays (`Part.around`); `format_passage` leaves it out.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from fractions import Fraction

from simplify.errors import ScoreError
from simplify.score.model import (
    ALTER_SIGNS,
    TICKS,
    Bar,
    Mark,
    Note,
    Part,
    Passage,
    Pitch,
    TempoMark,
    new_note,
)

ANOTHER = "another part"
"""Name of the part after the second `;`."""

_ALTERS = {
    "": 0, "n": 0, "♮": 0, "#": 1, "♯": 1, "b": -1, "♭": -1, "x": 2, "##": 2, "𝄪": 2,
    "bb": -2, "𝄫": -2,
}
_PITCH = re.compile(r"([A-G])(##|bb|[n♮#♯b♭x𝄪𝄫]?)(-?\d)$")
_TOKEN = re.compile(
    r"(?:(?P<hand>[LR]):)?(?P<grace>\^)?(?P<what>\[[^\]]*\]|[A-G][^\s:{~\[\]]*|r)"
    r"(?::(?P<length>\d+(?:/\d+)?)(?:t(?P<actual>\d+):(?P<normal>\d+))?)?"
    r"(?P<tie>~)?(?:\{(?P<marks>[^}]*)\})?(?=\s|$)"
)


def parse_pitch(text: str) -> Pitch:
    """`E♭5` or `Eb5` as a Pitch.

    Raises:
        ScoreError: not a pitch.
    """
    match = _PITCH.match(text.strip())
    if not match:
        raise ScoreError(f"text: '{text}' is not a pitch; write a letter, accidental, octave: E♭5")
    return Pitch(match[1], _ALTERS[match[2]], int(match[3]))


def parse_part(text: str, name: str = "Harp") -> Part:
    """A part from one line of text (see the module's grammar). Source ids run from 0.

    Raises:
        ScoreError: a token can't be read, or a voice overfills its bar.
    """
    head, *bodies = text.split("|")
    words = head.split()
    if not bodies or not words or not re.fullmatch(r"\d+/\d+", words[0]):
        raise ScoreError(f"text: '{head.strip()}' must open with a metre and a bar: 4/4 | C4:4")
    beats, beat_type = (int(n) for n in words[0].split("/"))
    options = dict(word.split(":", 1) for word in words[1:])
    fifths, quarters = int(options.get("key", "0")), float(options.get("tempo", "96"))
    bars: list[Bar] = []
    notes: list[Note] = []
    around: list[Note] = []
    length = 4 * TICKS * beats // beat_type
    carried: dict[str, set[int]] = {}
    for index, body in enumerate(bodies):
        bar = Bar(index, str(index + 1), index * length, length, beats, beat_type, fifths)
        bars.append(bar)
        for staff, staff_text in enumerate(body.split(";"), start=1):
            if staff_text.strip() in ("", "-"):
                continue
            for layer, voice_text in enumerate(staff_text.split("&"), start=1):
                other = staff > 2
                voice = ANOTHER if other else str(layer + 4 * (staff - 1))
                (around if other else notes).extend(
                    _voice(voice_text, bar, staff, voice, carried.setdefault(voice, set()))
                )
    notes.sort(key=lambda n: n.order_key)
    numbered = tuple(
        Note(i, *(getattr(n, f) for f in n.__slots__[1:])) for i, n in enumerate(notes)
    )
    around.sort(key=lambda n: (n.onset, n.pitch.midi))
    return Part(
        "P1", name, tuple(bars), numbered, (TempoMark(0, quarters),), around=tuple(around)
    )


def parse_passage(text: str) -> Passage:
    """The whole of `parse_part(text)` as a passage."""
    part = parse_part(text)
    return Passage(part, 0, len(part.bars) - 1)


def _voice(text: str, bar: Bar, staff: int, voice: str, carried: set[int]) -> Iterable[Note]:
    """Notes of one voice in one bar; `carried` holds the sounds tied in and is kept up to date."""
    cursor, ticks, tuplet, graces = bar.onset, TICKS, (1, 1), 0
    rest = text.strip()
    while rest:
        match = _TOKEN.match(rest)
        if not match:
            raise ScoreError(f"text: bar {bar.number} can't be read at '{rest[:24]}'; see text.py")
        rest = rest[match.end() :].lstrip()
        if match["length"] is not None:
            exact = Fraction(match["length"]) * TICKS
            if exact.denominator != 1 or exact <= 0:
                raise ScoreError(
                    f"text: bar {bar.number}: length {match['length']} is not a whole number of"
                    f" ticks ({TICKS} to the quarter); use a shorter fraction"
                )
            ticks = int(exact)
            tuplet = (int(match["actual"]), int(match["normal"])) if match["actual"] else (1, 1)
        grace = bool(match["grace"])
        graces = graces + 1 if grace else 0
        duration = 0 if grace else ticks
        if cursor + duration > bar.end:
            raise ScoreError(f"text: bar {bar.number} staff {staff} voice {voice} is too long")
        if match["what"] != "r":
            words = (match["marks"] or "").split(",")
            marks = tuple(Mark(*word.strip().split(None, 1)) for word in words if word.strip())
            tied_on: set[int] = set()
            for spelled in match["what"].strip("[]").split():
                pitch = parse_pitch(spelled)
                tie_in = pitch.midi in carried and not grace
                yield new_note(
                    cursor, duration, pitch, bar.index, staff=staff, voice=voice, grace=graces,
                    tie_in=tie_in, tie_out=bool(match["tie"]), tuplet=tuplet,
                    hand=match["hand"] or "", marks=marks,
                )
                if match["tie"]:
                    tied_on.add(pitch.midi)
            if not grace:
                carried.clear()
                carried.update(tied_on)
        cursor += duration


def format_passage(passage: Passage) -> str:
    """The passage as one line that `parse_part` reads back (marks, ties and hands included)."""
    first = passage.bars[0]
    head = f"{first.beats}/{first.beat_type} key:{first.fifths}"
    head += f" tempo:{passage.part.tempo[0].quarters:g}"
    return " | ".join([head, *(_format_bar(passage.part, bar) for bar in passage.bars)])


def _format_bar(part: Part, bar: Bar) -> str:
    notes = part.notes_by_bar[bar.index]
    staves = []
    for staff in range(1, max((n.staff for n in notes), default=1) + 1):
        voices = sorted({n.voice for n in notes if n.staff == staff}, key=lambda v: (len(v), v))
        texts = [
            _format_voice([n for n in notes if n.staff == staff and n.voice == voice], bar)
            for voice in voices
        ]
        staves.append(" & ".join(texts) if texts else "-")
    return " ; ".join(staves)


def _format_voice(notes: list[Note], bar: Bar) -> str:
    tokens: list[str] = []
    cursor = bar.onset
    groups: dict[tuple[int, int], list[Note]] = {}
    for note in notes:
        groups.setdefault((note.onset, note.grace or 1000), []).append(note)
    for (onset, _), chord in sorted(groups.items()):
        if onset > cursor:
            tokens.append(f"r:{Fraction(onset - cursor, TICKS)}")
        head = chord[0]
        names = " ".join(n.pitch.name for n in sorted(chord, key=lambda n: n.pitch.midi))
        token = f"[{names}]" if len(chord) > 1 else names
        token = ("^" if head.grace else "") + token
        if head.hand:
            token = f"{head.hand}:{token}"
        if not head.grace:
            token += f":{Fraction(head.duration, TICKS)}"
            if head.tuplet != (1, 1):
                token += f"t{head.tuplet[0]}:{head.tuplet[1]}"
            cursor = head.end
        if any(n.tie_out for n in chord):
            token += "~"
        if head.marks:
            token += "{" + ", ".join(f"{m.kind} {m.value}".strip() for m in head.marks) + "}"
        tokens.append(token)
    return " ".join(tokens)


def sign(alter: int) -> str:
    """The accidental sign of an alteration, naturals included: ♭ ♮ ♯."""
    return ALTER_SIGNS[alter]
