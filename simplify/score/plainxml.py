"""MusicXML of what music21 parsed, only what it takes to read the music: for a file that nobody
engraves or writes into, in a tenth or so of the time of the library's own writer.

It knows what Humdrum kern brings (notes, rests, voices, ties, dots, single tuplets, grace notes,
common articulations and ornaments, dynamics, tempo, clefs, keys, metres, repeats, two staves of one
player). Of anything else `plain` says no, and the library's writer takes the file. What comes out
reads as the library's MusicXML of the same stream does; the tests compare both, part by part.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any
from xml.sax.saxutils import escape, quoteattr

DIVISIONS = 10080
"""To the quarter note: what music21 itself writes, so that lengths round alike."""

_ARTICULATIONS = {
    "Staccato": "staccato", "Staccatissimo": "staccatissimo", "Spiccato": "spiccato",
    "Accent": "accent", "StrongAccent": "strong-accent", "Tenuto": "tenuto",
}

_ORNAMENTS = {
    "Trill": "trill-mark", "Mordent": "mordent", "InvertedMordent": "inverted-mordent",
    "Turn": "turn", "InvertedTurn": "inverted-turn",
}

_BOWS = ("UpBow", "DownBow")
"""Articulations that no harp part says anything with."""

_TYPES = {name: name for name in ("1024th", "512th", "256th", "128th", "64th", "32nd", "16th",
                                  "eighth", "quarter", "half", "whole", "breve", "maxima")}
_TYPES["longa"] = "long"

_TIES = {
    "start": '<tie type="start"/>', "stop": '<tie type="stop"/>',
    "continue": '<tie type="stop"/><tie type="start"/>',
}

_REPEATS = {"start": "forward", "end": "backward"}

_UNREAD = ("Barline", "Instrument", "MiscTandem", "SpineComment", "GlobalComment")
"""Classes that are not read where they stand (bar lines and instruments are asked for)."""


class _UnknownError(Exception):
    """The stream holds something that this writer has no word for."""


def plain(score: Any, pairs: Sequence[Sequence[Any]]) -> bytes | None:
    """The score as MusicXML, or None if it holds what this doesn't write.

    Args:
        score: a music21 Score of Parts of Measures, not changed.
        pairs: (upper, lower) of its parts that are two staves of one player.
    """
    if any("StaffGroup" not in spanner.classSet for spanner in score.spannerBundle):
        return None
    lower = {id(pair[1]) for pair in pairs}
    both = {id(pair[0]): pair for pair in pairs}
    parts = [part for part in score.parts if id(part) not in lower]
    try:
        _regular(score.parts)
        players = [
            _Player(f"P{index}", both.get(id(part), (part,)))
            for index, part in enumerate(parts, start=1)
        ]
        entries = [player.entry() for player in players]
    except _UnknownError:
        return None
    said = score.metadata
    titles = [*said["title"], *said["movementName"]] if said is not None else []
    work = f"<work><work-title>{escape(str(titles[0]))}</work-title></work>" if titles else ""
    lines = (
        '<score-partwise version="4.0">', work,
        "<part-list>", *entries, "</part-list>",
        *(line for player in players for line in player.lines), "</score-partwise>",
    )
    return "".join(lines).encode()


def _regular(parts: Iterable[Any]) -> None:
    """Checks that all parts have the same bars, each as long in one as in another and no longer
    than its metre: elsewhere the library fills up with rests, by rules of its own."""
    rows = [list(part.getElementsByClass("Measure")) for part in parts]
    if len({len(row) for row in rows}) != 1:
        raise _UnknownError
    if not rows[0] or rows[0][0].timeSignature is None:
        raise _UnknownError
    metre = 0.0
    for bars in zip(*rows, strict=True):
        if bars[0].timeSignature is not None:
            metre = bars[0].barDuration.quarterLength
        lengths = {bar.highestTime for bar in bars}
        if len(lengths) != 1 or lengths.pop() > metre or len({bar.offset for bar in bars}) != 1:
            raise _UnknownError


class _Player:
    """One part of one or two staves, written as it is made: `lines` holds its `<part>`."""

    def __init__(self, name: str, staves: Sequence[Any]) -> None:
        self.name = name
        self.title = staves[0].partName or ""
        self.instruments: dict[type, Any] = {}
        self.lines = [f'<part id="{name}">']
        self.now: Any = 0  # quarter notes from the start of the bar
        self.length: Any = 0  # quarter notes of the bar as it is
        self.staff = ""
        self.metres: list[Any] = [None] * len(staves)  # quarter notes of each staff's bar
        rows = [self.bars(staff) for staff in staves]
        for index, bars in enumerate(zip(*rows, strict=True)):
            self.measure(index, bars)
        self.lines.append("</part>")

    def entry(self) -> str:
        """The part's line of the part list, with the first instrument of each kind."""
        said = []
        for one in self.instruments.values():
            if one.transposition is not None:
                raise _UnknownError
            if one.instrumentName is not None:
                said.append(
                    f"<score-instrument><instrument-name>{escape(one.instrumentName)}"
                    "</instrument-name></score-instrument>"
                )
        said += [
            f"<midi-instrument><midi-program>{one.midiProgram + 1}</midi-program>"
            "</midi-instrument>"
            for one in self.instruments.values() if one.midiProgram is not None
        ]
        return (
            f'<score-part id="{self.name}"><part-name>{escape(self.title)}</part-name>'
            f'{"".join(said)}</score-part>'
        )

    def bars(self, staff: Any) -> list[Any]:
        """A staff's Measures, if there is nothing else that would have to be read."""
        found = []
        for element in staff:
            if "Measure" in element.classSet:
                found.append(element)
            else:
                self.unread(element)
        return found

    def unread(self, element: Any) -> None:
        """Passes what is not read, and takes in instruments."""
        kinds = element.classSet
        if not any(kind in kinds for kind in _UNREAD):
            raise _UnknownError
        if "Instrument" in kinds:
            self.instruments.setdefault(type(element), element)

    def measure(self, index: int, bars: Sequence[Any]) -> None:
        """One bar of all staves, the upper one first."""
        number = bars[0].measureNumberWithSuffix()
        if any(bar.measureNumberWithSuffix() != number for bar in bars[1:]):
            raise _UnknownError
        hidden = "yes" if bars[0].showNumber.name == "NEVER" else "no"
        self.lines.append(f'<measure number={quoteattr(number)} implicit="{hidden}">')
        self.length = bars[0].highestTime
        used = 0  # voices that the staff above has in this bar
        for which, bar in enumerate(bars):
            self.back()
            self.staff = f"<staff>{which + 1}</staff>" if len(bars) > 1 else ""
            if not which:
                first = f"<divisions>{DIVISIONS}</divisions>" if not index else ""
                count = f"<staves>{len(bars)}</staves>" if len(bars) > 1 and first else ""
                self.head(which, bar, first, count)
            else:
                self.head(which, bar, "", "", above=bars[0])
            voices = list(bar.voices)
            self.flat(bar, which, "" if voices else str(used + 1))
            for voice_number, voice in enumerate(voices, start=used + 1):
                if bar.elementOffset(voice):
                    raise _UnknownError
                self.back()
                self.flat(voice, which, str(voice_number))
            used += max(1, len(voices))
        self.repeat([bar.leftBarline for bar in bars], "left")
        self.repeat([bar.rightBarline for bar in bars], "right")
        self.lines.append("</measure>")
        self.now = 0

    def head(
        self, which: int, bar: Any, divisions: str, staves: str, above: Any = None
    ) -> None:
        """The attributes that stand at a bar's start. above: the upper staff's bar, whose key and
        metre hold for this one too."""
        key, metre, clef = bar.keySignature, bar.timeSignature, bar.clef
        if metre is not None:
            self.metres[which] = metre.barDuration.quarterLength
        said = [divisions]
        if above is not None:
            if (key is not None and key != above.keySignature) or (
                metre is not None
                and not (above.timeSignature and metre.ratioEqual(above.timeSignature))
            ):
                raise _UnknownError
        else:
            if key is not None:
                if key.isNonTraditional:
                    raise _UnknownError
                said.append(f"<key><fifths>{key.sharps}</fifths></key>")
            if metre is not None:
                said.append("<time>")
                said += [
                    f"<beats>{one.numerator}</beats><beat-type>{one.denominator}</beat-type>"
                    for one in metre.displaySequence.flatten()
                ]
                said.append("</time>")
        said += [staves, self.clef(which, clef) if clef is not None else ""]
        if any(said):
            self.lines.append(f'<attributes>{"".join(said)}</attributes>')

    def clef(self, which: int, clef: Any) -> str:
        """A clef of a staff."""
        line = f"<line>{clef.line}</line>" if clef.line is not None else ""
        octave = (
            f"<clef-octave-change>{clef.octaveChange}</clef-octave-change>"
            if clef.octaveChange else ""
        )
        return f'<clef number="{which + 1}"><sign>{clef.sign or "G"}</sign>{line}{octave}</clef>'

    def repeat(self, found: Sequence[Any], side: str) -> None:
        """The lowest staff's bar line on a side, if it repeats."""
        lines = [line for line in found if line is not None]
        if lines and "Repeat" in lines[-1].classSet:
            way = _REPEATS.get(lines[-1].direction)
            if way is None:
                raise _UnknownError
            self.lines.append(f'<barline location="{side}"><repeat direction="{way}"/></barline>')

    def back(self) -> None:
        """Back to the start of the bar."""
        self.step("backup", self.now)
        self.now = 0

    def step(self, tag: str, amount: Any) -> None:
        """A backup or forward by quarter notes, unless it is none."""
        ticks = round(amount * DIVISIONS)
        if ticks:
            self.lines.append(f"<{tag}><duration>{ticks}</duration></{tag}>")

    def flat(self, stream: Any, which: int, voice: str) -> None:
        """What stands in a bar or voice itself, in time; of one moment the notes come last.
        voice: a number, or nothing where the notes stand in voices of their own."""
        moments: dict[Any, tuple[list[Any], list[Any]]] = {}
        for element in stream:
            kinds = element.classSet
            if "Voice" not in kinds:
                here = moments.setdefault(stream.elementOffset(element), ([], []))
                here["GeneralNote" in kinds].append(element)
        for place in sorted(moments):
            others, notes = moments[place]
            if notes and place >= self.length:
                raise _UnknownError  # grace notes at the end of a bar, which may be filled up
            if place > self.now and (notes or any("Clef" in one.classSet for one in others)):
                self.step("forward", place - self.now)
                self.now = place
            for element in others:
                self.mark(element, which, place)
            for element in notes:
                if not voice:
                    raise _UnknownError
                self.note(element, which, voice)

    def mark(self, element: Any, which: int, place: Any) -> None:
        """What takes no time: dynamics, tempo, and attributes on their way."""
        kinds = element.classSet
        if "Dynamic" in kinds:
            level = f"<other-dynamics>{escape(str(element.value))}</other-dynamics>"
            self.direction(f"<dynamics>{level}</dynamics>", place, "")
        elif "MetronomeMark" in kinds:
            quarters = element.getQuarterBPM()
            if not quarters or element.getTextExpression(returnImplicit=False) is not None:
                raise _UnknownError
            self.direction("<words/>", place, f'<sound tempo="{quarters:.6f}"/>')
        elif "Clef" in kinds:
            if self.now:
                self.lines.append(f"<attributes>{self.clef(which, element)}</attributes>")
        elif "KeySignature" in kinds or "TimeSignature" in kinds:
            if self.now:
                raise _UnknownError
        else:
            self.unread(element)

    def direction(self, what: str, place: Any, sound: str) -> None:
        """A direction where it stands, with an offset if the notes are not there yet."""
        ticks = int((place - self.now) * DIVISIONS)
        offset = f"<offset>{ticks}</offset>" if ticks else ""
        self.lines.append(
            f"<direction><direction-type>{what}</direction-type>{offset}{self.staff}{sound}"
            "</direction>"
        )

    def note(self, element: Any, which: int, voice: str) -> None:
        """A note, chord or rest, after which its length has passed."""
        what, length = type(element).__name__, element.duration
        if length.type in ("complex", "inexpressible") or len(length.dotGroups) > 1 or (
            len(length.tuplets) > 1 or element.lyrics
        ):
            raise _UnknownError
        grace = length.isGrace
        quarters = length.quarterLength
        ticks = "" if grace else f"<duration>{round(quarters * DIVISIONS)}</duration>"
        kind = "eighth" if grace and length.type == "zero" else length.type
        printed = "".join(self.printed(kind, length))
        marks = _marks(element)
        if what == "Rest":
            full = element.fullMeasure
            if full is True or full == "always" or (
                full == "auto" and quarters == self.metres[which]
            ):
                members = [('<rest measure="yes"/>', "", "")]
                printed = ""
            else:
                members = [("<rest/>", "", "")]
        elif what in ("Note", "Chord"):
            tones = [element] if what == "Note" else element.notes
            members = [(*_tone(one), _hidden(one)) for one in tones]
        else:
            raise _UnknownError
        before = "<grace/>" if grace else ""
        for at, (sound, tie, hidden) in enumerate(members):
            chord = "<chord/>" if at else ""
            self.lines.append(
                f"<note{hidden or _hidden(element)}>{before}{chord}{sound}{ticks}{tie}"
                f"<voice>{voice}</voice>{printed}{self.staff}{'' if at else marks}</note>"
            )
        self.now += quarters

    def printed(self, kind: str, length: Any) -> Sequence[str]:
        """A note's value as it is printed."""
        if kind not in _TYPES:
            raise _UnknownError
        said = [f"<type>{_TYPES[kind]}</type>", "<dot/>" * length.dots]
        said += [
            f"<time-modification><actual-notes>{one.numberNotesActual}</actual-notes>"
            f"<normal-notes>{one.numberNotesNormal}</normal-notes></time-modification>"
            for one in length.tuplets
        ]
        return said


def _tone(note: Any) -> tuple[str, str]:
    """A note's pitch, and its ties."""
    pitch, tie = note.pitch, note.tie
    alter = pitch.accidental.alter if pitch.accidental is not None else 0
    altered = f"<alter>{int(alter) if alter == int(alter) else alter}</alter>" if alter else ""
    sound = (
        f"<pitch><step>{pitch.step}</step>{altered}<octave>{pitch.implicitOctave}</octave></pitch>"
    )
    if tie is None:
        return sound, ""
    if tie.type not in _TIES:
        raise _UnknownError
    return sound, _TIES[tie.type]


def _hidden(note: Any) -> str:
    """The attribute of a note that is not printed."""
    hidden = note.hasStyleInformation and note.style.hideObjectOnPrint
    return ' print-object="no"' if hidden else ""


def _marks(note: Any) -> str:
    """The signs that are printed at a note or chord."""
    if not note.articulations and not note.expressions:
        return ""
    signs, ornaments, holds = "", "", ""
    for one in note.articulations:
        name = type(one).__name__
        if name in _ARTICULATIONS:
            signs += f"<{_ARTICULATIONS[name]}/>"
        elif name not in _BOWS:
            raise _UnknownError
    for one in note.expressions:
        name = type(one).__name__.removeprefix("HalfStep").removeprefix("WholeStep")
        if name == "Fermata":
            holds += "<fermata/>"
        elif name == "Ornament":
            continue  # one that kern doesn't name
        elif name in _ORNAMENTS:
            ornaments += f"<{_ORNAMENTS[name]}/>"
        else:
            raise _UnknownError
    signs = f"<articulations>{signs}</articulations>" if signs else ""
    ornaments = f"<ornaments>{ornaments}</ornaments>" if ornaments else ""
    return f"<notations>{holds}{signs}{ornaments}</notations>" if holds + signs + ornaments else ""
