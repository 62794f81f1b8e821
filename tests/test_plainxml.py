"""Kern that is only read: written by us, and the same music as music21's own MusicXML of it."""

from __future__ import annotations

import random
import xml.etree.ElementTree as ET
from fractions import Fraction

import pytest

from simplify.score import convert
from simplify.score.plainxml import plain
from simplify.score.read import load_part, score_from_bytes
from tests.support_formats import KERN

VALUES = {"4": Fraction(1), "8": Fraction(1, 2), "16": Fraction(1, 4), "2": Fraction(2),
          "4.": Fraction(3, 2), "8.": Fraction(3, 4), "4..": Fraction(7, 4), "1": Fraction(4)}
PITCHES = ("c", "cc", "e", "g#", "b-", "C", "GG", "f##", "a--", "ccc", "d")
SIGNS = ("",) * 12 + (
    ";", "'", "^", "~", "`", "T", "t", "M", "m", "W", "w", "S", "$", "v", "u", "O",
)


def tokens(r, length):
    """What fills so many quarter notes: (onset, token), grace notes before what they lean on."""
    now, found = Fraction(0), []
    while now < length:
        fit = [value for value, quarters in VALUES.items() if quarters <= length - now]
        value = r.choice(fit)
        if VALUES[value] == 1 and r.random() < 0.2:  # three in the time of two
            for _ in range(3):
                found.append((now, f"12{r.choice(PITCHES)}{r.choice(SIGNS)}"))
                now += Fraction(1, 3)
            continue
        if r.random() < 0.1:
            found.append((now, f"8{r.choice(PITCHES)}{r.choice(('q', 'qq'))}"))
        kind = r.random()
        if kind < 0.12:
            found.append((now, value + "r" + r.choice(("", ";", "yy"))))
        elif kind < 0.3:
            low, high = r.sample(PITCHES, 2)
            found.append((now, f"{value}{low}{r.choice(SIGNS)} {value}{high}"))
        elif kind < 0.4 and VALUES[value] >= 1 and now + VALUES[value] < length:
            found += [(now, f"[{value}e"), (now + VALUES[value], "16e]")]
            now += Fraction(1, 4)
        else:
            found.append((now, f"{value}{r.choice(PITCHES)}{r.choice(SIGNS)}"))
        now += VALUES[value]
    return found


def rows(columns):
    """The lines of a bar: what sounds together beside each other."""
    for onset in sorted({at for column in columns for at, _ in column}):
        cells = [[token for at, token in column if at == onset] for column in columns]
        most = max(map(len, cells))
        for line in range(most):
            yield "\t".join(
                cell[line - most + len(cell)] if line >= most - len(cell) else "."
                for cell in cells
            )


def kern(seed):
    """A piece of one to three staves and a few bars, in which every bar fills its metre."""
    r = random.Random(seed)
    staves, beats = r.randint(1, 3), r.choice((2, 3, 4))
    same = lambda what: "\t".join([what] * staves)  # noqa: E731
    any_of = lambda *what: "\t".join(r.choice(what) for _ in range(staves))  # noqa: E731
    lines = [same("**kern"), same(r.choice(("*Ipiano", "*Iharp", "*"))),
             any_of("*clefG2", "*clefF4", "*clefGv2"), same(r.choice(("*k[f#c#]", "*k[b-]", "*"))),
             same(f"*M{beats}/4"), same(r.choice(("*MM92", "*MM117.5", "*"))),
             same("=1" + r.choice(("", "-", "!|:")))]
    for bar in range(r.randint(1, 4)):
        if bar and r.random() < 0.2:
            lines.append(same("*M2/4"))
            beats = 2
        parted = r.random() < 0.4
        columns = [tokens(r, Fraction(beats)) for _ in range(staves + parted)]
        if parted:
            lines.append("\t".join(["*^"] + ["*"] * (staves - 1)))
        body = list(rows(columns))
        if r.random() < 0.3:
            body.insert(r.randrange(len(body)), "\t".join(["*clefF4"] + ["*"] * (len(columns) - 1)))
        lines += body
        if parted:
            lines.append("\t".join(["*v", "*v"] + ["*"] * (staves - 1)))
        lines.append(same(f"={bar + 2}" + r.choice(("", "", ":|!", "!|:", ":|!|:"))))
    return "\n".join([*lines, same("*-"), ""]).encode()


def music(xml):
    """All that is read of a file."""
    score = score_from_bytes(xml, "x.musicxml")
    loaded = [load_part(score, choice) for choice in score.candidates]
    return score.title, [
        (choice.name, choice.staves, choice.is_harp, one.part, one.voices, one.info.warnings)
        for choice, one in zip(score.candidates, loaded, strict=True)
    ]


def ours(xml):
    """True of what `plain` wrote: the library names itself."""
    return b"<software>" not in xml


def both(raw):
    """A kern file as the library writes it and as it is when it is only read."""
    return [convert.convert(raw, "humdrum", "x.krn", bare=bare) for bare in (False, True)]


@pytest.mark.parametrize("first", range(0, 60, 10))
def test_a_made_up_piece_is_the_same_music(first):
    """Sixty pieces with chords, ties, voices, grace notes, triplets, signs, clefs on their way and
    repeats: the library's MusicXML and ours are read alike, and nearly all of them are ours."""
    written = 0
    for seed in range(first, first + 10):
        whole, bare = both(kern(seed))
        assert music(bare) == music(whole), seed
        written += ours(bare)
    assert written >= 7


@pytest.mark.parametrize(
    "name", ["chopin/mazurka06-2", "beethoven/opus18no1/movement3.krn", "bach/bwv277.krn",
             "palestrina/Agnus_04.krn", "palestrina/Kyrie_17.krn"]
)
def test_real_pieces_are_the_same_music(name):
    """Of kern in music21's corpus every part comes out as it does when it is engraved as well; the
    text is shorter by what only a page needs."""
    import music21

    whole, bare = both(music21.corpus.getWork(name).read_bytes())
    assert ours(bare)
    assert not ours(whole)
    assert len(bare) < len(whole)
    assert music(bare) == music(whole)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b"4C\t8f#L", b"5C\t8f#L"),  # a bar that isn't full in one staff
        (b"\t4b-\n", b"\t4b-\n.\t8ccq\n"),  # a grace note at a bar's end
        (b"*M3/4\t*M3/4\n", b""),  # no metre
    ],
)
def test_what_it_does_not_know_is_left_to_the_library(old, new):
    """And still read as the library has it."""
    raw = KERN.replace(old, new)
    assert raw != KERN
    whole, bare = both(raw)
    assert not ours(bare)
    assert music(bare) == music(whole)


def test_what_the_reader_takes_and_kern_does_not_bring_is_left_to_the_library():
    """A lyric, a slur between two notes, an instrument that transposes, a chord symbol."""
    from music21 import converter, harmony, instrument, spanner

    def score():
        return converter.parseData(KERN.decode(), format="humdrum")

    assert plain(score(), ()) is not None
    sung, slurred = score(), score()
    sung.parts[0].recurse().notes.first().lyric = "la"
    notes = list(slurred.parts[0].recurse().notes)
    slurred.insert(0, spanner.Slur(notes[0], notes[1]))
    assert plain(sung, ()) is None
    assert plain(slurred, ()) is None
    transposed, named = score(), score()
    transposed.parts[0].getElementsByClass("Measure").first().insert(0, instrument.Clarinet())
    named.parts[0].getElementsByClass("Measure").first().insert(0, harmony.ChordSymbol("C"))
    assert plain(transposed, ()) is None
    assert plain(named, ()) is None


def test_a_name_with_signs_of_the_markup():
    """It is escaped, so that the text stays well-formed."""
    from music21 import converter

    score = converter.parseData(KERN.decode(), format="humdrum")
    score.parts[0].partName = 'Harp & "<lyre>"'
    root = ET.fromstring(plain(score, ()) or b"")
    assert root.findtext("part-list/score-part/part-name") == 'Harp & "<lyre>"'
