"""The six layers of difficulty (simplify/difficulty/): what they count, order and never do."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.stats import spearmanr

from simplify.difficulty import counterpoint, pedals, rhythm
from simplify.difficulty.curve import (
    Beat,
    LayerCurve,
    Work,
    count_words,
    demand_of,
    explain,
    grid,
    load_of,
    numbers,
    plucks,
    rate,
    rate_words,
    relief,
)
from simplify.difficulty.load import MEASURES, assess
from simplify.difficulty.voices import lines
from simplify.harp.instrument import PEDALS, foot
from simplify.harp.player import LAYERS, MODERATE, SIMPLE, load_player, tier_names, tier_player
from simplify.score.harmony import harmonies
from simplify.score.model import TICKS, Bar, Part, TempoMark
from simplify.score.text import parse_part, parse_passage
from simplify.technique.perform import perform
from simplify.technique.plan import PedalMove, Performance
from tests.support_performance import (
    by_hand,
    faster,
    followed_by,
    harp_parts,
    respelled,
    shifted,
    with_move,
    without,
)

TINY = 1e-9


def curve(layer: str, performance: Performance) -> LayerCurve:
    return MEASURES[layer](performance, grid(performance.part))


def loads(layer: str, performance: Performance) -> tuple[float, ...]:
    return curve(layer, performance).loads


def played(layer: str, text: str, tier: str = "professional") -> float:
    """The layer of one-line text as a player of the tier plays it."""
    assessment = assess(perform(parse_part(text), tier_player(tier)))
    return assessment.layers[LAYERS.index(layer)]


# The common ground: beats, rates, words


def test_beats_of_simple_compound_and_pickup_bars() -> None:
    part = parse_part("6/8 tempo:90 | C4:3 ; -")
    assert [(b.beat, b.end - b.onset) for b in grid(part)] == [
        (1.0, 3 * TICKS // 2), (4.0, 3 * TICKS // 2),
    ]
    assert grid(part)[0].seconds == pytest.approx(1.0)
    pickup = Bar(0, "0", 0, TICKS // 2, 4, 4, 0, lead=4 * TICKS - TICKS // 2)
    (beat,) = grid(replace(part, bars=(pickup,), notes=()))
    assert (beat.number, beat.beat, beat.onset, beat.end) == ("0", 4.5, 0, TICKS // 2)


def test_a_rate_is_what_comes_in_a_second() -> None:
    """Steady work of r a second reads as r wherever the window is full, by the triangle's area."""
    beats = [Beat(0, "1", 1.0 + k, k, k + 1, 0.5 * k, 0.5 * k + 0.5) for k in range(12)]
    items = [Work(0.01 * k, 0, 0, "R", "x", 0.04) for k in range(600)]
    middle = rate(items, beats, 1.0)[3:9]
    assert middle == pytest.approx([4.0] * 6, rel=0.02)
    assert rate([], beats, 1.0).tolist() == [0.0] * 12


def test_load_is_moderate_where_demand_is_one() -> None:
    """Demand 1 is by definition where complex begins; load stays below 1."""
    low, one, high = load_of(np.array([0.0, 1.0, 9.0])).tolist()
    assert (low, one) == (0.0, pytest.approx(MODERATE))
    assert high < 1.0


@pytest.mark.parametrize("demand", [0.0, 0.4, 1.0, 2.5, 7.0])
def test_demand_is_load_the_other_way_round(demand: float) -> None:
    """Seven times over the start of complex still differs from three times over."""
    assert demand_of(float(load_of(np.array([demand]))[0])) == pytest.approx(demand)


@pytest.mark.parametrize(
    ("value", "words"),
    [(8.2, "8 a second"), (1.5, "1.5 a second"), (2.0, "2 a second"), (0.4, "one in 2.5 seconds")],
)
def test_rates_in_words(value: float, words: str) -> None:
    assert rate_words(value) == words


def test_counts_in_words() -> None:
    assert (count_words(5), count_words(14)) == ("five", "14")


def test_reasons_name_what_weighs_most_at_the_fullest_beat() -> None:
    """Two kinds at most, heaviest first; ordinary work only where there is nothing else; bars below
    the threshold stay silent."""
    beats = [Beat(b, str(b + 1), 1.0, b, b + 1, b, b + 1.0) for b in range(2)]
    items = [
        Work(0.1, 0, 0, "R", "jump", 3.0), Work(0.2, 0, 0, "R", "jump", 3.0),
        Work(0.3, 0, 0, "R", "pluck", 9.0), Work(1.1, 1, 1, "L", "pluck", 9.0),
    ]
    say = {"jump": "{count} jump{s}, {rate}", "pluck": "{count} pluck{s}, {rate}"}
    (first,) = explain("fingers", items, beats, [0.5, 0.2], SIMPLE, say, "pluck")
    assert (first.bar, first.hand, first.text) == ("1", "right", "two jumps, 2 a second")
    _, second = explain("fingers", items, beats, [0.5, 0.4], SIMPLE, say, "pluck")
    assert (second.bar, second.hand, second.text) == ("2", "left", "one pluck")


def test_reasons_of_the_corpus_kind_are_sentences_for_a_composer() -> None:
    """Every layer, driven hard, gives reasons that name bar, beat and hand and end without a full
    stop; no name of ours shows (no underscore, no brace)."""
    text = (
        "4/4 key:0 tempo:132 | C5:1/4 E5 D5 F5 E5 G5 F5 A5 G5 B5 A5 C6 B5 D6 C6 E6"
        " ; [C3 G3]:3/4 [E♭3 B♭3] [C♯3 G♯3] [F3 C4] [E3 B3]:1"
        " | E5:1/3t3:2 F♯5 G5 A5 B5 C♯6 D6 C6 B♭5 A♭5 G5 F5 & r:1/2 G4:1 F4 G4 F4:1/2"
        " ; [C2 C3]:1/2 [A♭3 C4] [D2 D3] [B3 D4] [E♭2 E♭3] [G3 C4] [F♯2 F♯3] [A3 C♯4]"
    )
    assessment = assess(perform(parse_part(text), tier_player("soloist")))
    assert {r.layer for r in assessment.reasons} == set(LAYERS)
    for reason in assessment.reasons:
        assert reason.bar in ("1", "2")
        assert reason.beat >= 1.0
        assert reason.hand in ("left", "right", "both", "")
        assert reason.value >= SIMPLE
        assert not reason.text.endswith(".")
        assert not set("_{}") & set(reason.text)


# Syncopation and metre


@pytest.mark.parametrize(
    ("metre", "gaps", "strengths"),
    [
        ((4, 4), (1, 3), [1]),          # crotchet, dotted minim
        ((4, 4), (3, 1), []),
        ((3, 4), (2, 1), []),
        ((3, 4), (1, 2), []),           # weights are equal: strength 0
        ((8, 8), (2, 1, 3, 2), [2]),
    ],
)
def test_syncopation_strengths_of_longuet_higgins_and_lee(
    metre: tuple[int, int], gaps: tuple[int, ...], strengths: list[int]
) -> None:
    """The examples of figure 9 of Longuet-Higgins & Lee 1984 (as reproduced by H. Honing in his
    published implementation of the measure, 2002): gaps between onsets in the smallest unit."""
    unit = 4 * TICKS // metre[1]
    beats, beat_type = (4, 4) if metre == (8, 8) else metre
    bars = [Bar(i, str(i + 1), i * metre[0] * unit, metre[0] * unit, beats, beat_type)
            for i in range(2)]
    onsets, now = [], 0
    for gap in gaps:
        onsets.append(now * unit)
        now += gap
    found = rhythm.syncopations(onsets, bars[0].end, bars)
    assert [strength for _, _, strength in found] == strengths


def test_metrical_weights() -> None:
    """Levels of 4/4, 3/4 and 6/8 (Longuet-Higgins & Lee 1984: a bar, then its divisions)."""
    common = Bar(0, "1", 0, 4 * TICKS, 4, 4)
    assert [rhythm.weight(common, k * TICKS // 2) for k in range(8)] == [
        0, -3, -2, -3, -1, -3, -2, -3,
    ]
    waltz = Bar(0, "1", 0, 3 * TICKS, 3, 4)
    assert [rhythm.weight(waltz, k * TICKS // 2) for k in range(6)] == [0, -2, -1, -2, -1, -2]
    jig = Bar(0, "1", 0, 3 * TICKS, 6, 8)
    assert [rhythm.weight(jig, k * TICKS // 2) for k in range(6)] == [0, -2, -2, -1, -2, -2]


CLAVES = {
    "shiko": (0, 4, 6, 10, 12), "son": (0, 3, 6, 10, 12), "soukous": (0, 3, 6, 10, 11),
    "rumba": (0, 3, 7, 10, 12), "bossa": (0, 3, 6, 10, 13), "gahu": (0, 3, 6, 10, 14),
}
"""Onsets in sixteenths of the six timelines of Toussaint, The Geometry of Musical Rhythm, ch. 7."""


def strengths_of(onsets: Sequence[int], metre: tuple[int, int] = (4, 4)) -> list[int]:
    """Strengths of a bar of onsets in sixteenths, the next bar's first beat struck again."""
    length = 4 * TICKS * metre[0] // metre[1]
    bars = [Bar(i, str(i + 1), i * length, length, *metre) for i in range(2)]
    line = [*(TICKS // 4 * n for n in onsets), length]
    return [s for _, _, s in rhythm.syncopations(line, length + 1, bars)]


def test_syncopation_of_clave_patterns() -> None:
    """Strengths summed over one cycle by the definition above, by hand."""
    sums = {name: sum(strengths_of(onsets)) for name, onsets in CLAVES.items()}
    assert sums == {"shiko": 2, "son": 4, "soukous": 6, "rumba": 5, "bossa": 6, "gahu": 5}


def test_metrical_complexity_of_the_clave_patterns() -> None:
    """How much less metrical weight five onsets carry than the heaviest five places. The son's
    17 - 13 = 4 is printed in expositions of Toussaint, The Geometry of Musical Rhythm, ch. 17; the
    others are from memory of the table in Toussaint 2002, A Mathematical Analysis of African,
    Brazilian and Cuban Clave Rhythms (Bridges, pp. 157-168)."""
    bar = Bar(0, "1", 0, 4 * TICKS, 4, 4)
    weights = [5 + rhythm.weight(bar, k * TICKS // 4) for k in range(16)]
    most = sum(sorted(weights)[-5:])
    assert most == 17
    found = {name: most - sum(weights[k] for k in onsets) for name, onsets in CLAVES.items()}
    assert found == {"shiko": 2, "son": 4, "soukous": 6, "rumba": 5, "bossa": 6, "gahu": 5}


def test_a_worked_bar_of_ragtime() -> None:
    """11010001 in eighths before a held bar line: 1 + 2 + 3 = 6, as worked in the code published
    with a study of syncopation in ragtime (presented at ISMIR) for Longuet-Higgins & Lee's rule."""
    bars = [Bar(i, str(i + 1), i * 4 * TICKS, 4 * TICKS, 4, 4) for i in range(2)]
    line = [TICKS // 2 * k for k, struck in enumerate("11010001") if struck == "1"]
    found = rhythm.syncopations(line, bars[1].end, bars)
    assert [strength for _, _, strength in found] == [1, 2, 3]


PATTERNS = """
1.56 1111100110101000  2.12 1110101110011000  2.08 1011101110011000  1.88 1010111110011000
1.80 1001101011111000  2.44 1110111011001000  2.20 1011110110011000  2.56 1100111110101000
3.00 1100101110111000  2.04 1011101111001000  2.76 1110110011011000  2.72 1101111010011000
3.00 1101101111001000  3.16 1100110110111000  2.04 1001110111011000  2.88 1101111011001000
2.60 1101110111001000  2.60 1101110011011000  2.64 1100110111101000  3.24 1100110111101000
3.08 1111101101001000  3.04 1111010011101000  3.04 1110011011101000  2.56 1011100101111000
2.56 1010011110111000  2.84 1111010100111000  3.60 1101110100111000  2.68 1101001110111000
3.28 1011110100111000  3.08 1001111101101000  3.52 1111011100101000  3.60 1111001101101000
3.04 1101111001101000  2.88 1101001111101000  3.08 1010011101111000
"""
"""Mean complexity (1 to 5) that listeners gave 35 patterns of sixteen places, and the patterns:
Shmulevich & Povel 2000, Measures of Temporal Pattern Complexity (Journal of New Music Research
29:1), as restated by L. M. Smith with his published implementations of syncopation measures."""


def test_syncopation_ranks_rhythms_as_listeners_do() -> None:
    """The comparison of Thul & Toussaint 2008, Rhythm Complexity Measures (ISMIR), and Gomez, Thul
    & Toussaint 2007: a measure's rank correlation with the listeners' complexity of these 35
    patterns. Smith works one of them: 1111010100111000 has the strengths 2, 1, 3 (he adds one)."""
    cells = PATTERNS.split()
    ratings = [float(cell) for cell in cells[::2]]
    rows = [[k for k, struck in enumerate(cell) if struck == "1"] for cell in cells[1::2]]
    assert len(rows) == 35
    assert strengths_of([k for k, struck in enumerate("1111010100111000") if struck == "1"]) == [
        2, 1, 3,
    ]
    assert spearmanr(ratings, [sum(strengths_of(row)) for row in rows]).statistic > 0.7


@pytest.mark.parametrize("metre", ["2/4", "3/4", "4/4", "6/8", "12/8", "2/2"])
def test_metrical_weights_order_beats_as_music21_does(metre: str) -> None:
    """Heavier and lighter eighths of a bar against music21's beat strengths, which follow Lerdahl &
    Jackendoff 1983: wherever music21 puts one place above another, so do we or we call them alike.
    """
    from music21.meter import TimeSignature

    beats, beat_type = (int(number) for number in metre.split("/"))
    bar = Bar(0, "1", 0, 4 * TICKS * beats // beat_type, beats, beat_type)
    signature = TimeSignature(metre)
    count = bar.duration * 2 // TICKS
    ours = [rhythm.weight(bar, k * TICKS // 2) for k in range(count)]
    theirs = [signature.getAccentWeight(k / 2, forcePositionMatch=True) for k in range(count)]
    for i in range(count):
        for j in range(count):
            if theirs[i] > theirs[j]:
                assert ours[i] >= ours[j], (i, j)
    assert len(set(ours)) > 1


def test_cross_rhythms_count_by_their_numbers() -> None:
    """Three against two is less than five against four; two against four is none."""
    two = "C3:1/2 E3 G3 E3 C3 E3 G3 E3"
    four = "C3:1/4 E3 G3 E3 C3 E3 G3 E3 C3 E3 G3 E3 C3 E3 G3 E3"
    three = "C5:1/3t3:2 D5 E5 F5 E5 D5 C5 D5 E5 F5 E5 D5"
    five = "C5:1/5t5:4 D5 E5 F5 G5 F5 E5 D5 C5 D5 E5 F5 G5 A5 G5 F5 E5 D5 C5 D5"
    plain = "C5:1/2 D5 E5 F5 E5 D5 C5 D5"
    value = {
        name: max(loads("rhythm", by_hand(f"4/4 tempo:66 | {upper} ; {lower}")))
        for name, upper, lower in (
            ("2:2", plain, two), ("2:4", plain, four), ("3:2", three, two), ("5:4", five, four),
        )
    }
    assert value["2:2"] == value["2:4"] == 0.0
    assert 0.3 < value["3:2"] < value["5:4"]


def test_afterbeats_are_easier_than_syncopes() -> None:
    """A chord on each half beat over a bass on the beat is an accompaniment; the same onsets held
    over the beat are syncopes."""
    bass = "C3:1/2 r G3 r C3 r G3 r"
    after = f"4/4 | r:1/2 E5 r E5 r E5 r E5 ; {bass}"
    held = f"4/4 | r:1/2 E5:1 E5 E5 E5:1/2 ; {bass}"
    assert max(loads("rhythm", by_hand(after))) < max(loads("rhythm", by_hand(held)))


def test_a_rest_on_the_next_bar_line_does_not_ease_a_syncope() -> None:
    """A note off the beat, then silence over the third beat, which nobody strikes, is a syncope
    whatever follows: that the other hand strikes the next bar's first beat gives something to lean
    on there only."""
    bar = "r:3/2 C5:1/2 r:2 ; C3:4"
    once, twice = by_hand(f"4/4 | {bar}"), by_hand(f"4/4 | {bar} | {bar}")
    assert max(loads("rhythm", once)) > 0.1
    for before, after in zip(loads("rhythm", once), loads("rhythm", twice), strict=False):
        assert after >= before - TINY


# Lines


def test_chords_are_one_line_and_written_voices_are_lines() -> None:
    chords = by_hand("4/4 | [C5 E5 G5]:1 [D5 F5 A5] [C5 E5 G5]:2 ; C3:4")
    assert len(lines(chords)) == 2
    voices = by_hand("4/4 | G5:1 A5 G5 E5 & C5:2 B4:2 ; C3:4 & E3:1/2 F3 G3 A3 B3 A3 G3 F3")
    assert len(lines(voices)) == 4


def test_a_voice_that_overlaps_itself_is_parted_by_register() -> None:
    """As from MIDI: a held bass and a tune in one voice are two lines."""
    part = parse_part("4/4 | C4:4 ; -")
    (bass,) = part.notes
    tune = tuple(
        replace(bass, id=k, onset=k * TICKS, duration=TICKS, pitch=replace(bass.pitch, octave=5))
        for k in range(1, 4)
    )
    found = lines(by_hand(replace(part, notes=(bass, *tune))))
    assert [line.ticks for line in found] == [(0,), (TICKS, 2 * TICKS, 3 * TICKS)]


def test_more_real_voices_ask_for_more() -> None:
    """Melody and accompaniment stay simple, two lines that answer each other are more, four lines
    of their own rhythm most (three to four real voices are complex: common practice)."""
    texts = {
        "tune and chords": "4/4 | G5:1 A5 G5 E5 ; [C3 E3 G3]:2 [C3 E3 G3]:2",
        "tune and figure": "4/4 | G5:2 E5:2 ; C3:1/2 G3 E4 G3 C3 G3 E4 G3",
        "two voices": "4/4 | G5:3/2 A5:1/2 G5 F5 E5:1 ; C4:1/2 D4 E4 F4 G4:1 F4:1/2 E4",
        "four voices": (
            "4/4 | G5:3/2 A5:1/2 G5:1 F5 & E5:1 D5 E5:1/2 C5 D5:1"
            " ; G4:1/2 F4 E4:1 C4:1/2 E4 B3:1 & C3:1 D3:1/2 E3 F3:1 G3"
        ),
    }
    value = {name: max(loads("counterpoint", by_hand(text))) for name, text in texts.items()}
    assert max(value["tune and chords"], value["tune and figure"]) <= SIMPLE
    assert value["two voices"] > max(value["tune and chords"], value["tune and figure"])
    assert value["four voices"] > MODERATE
    assert value["four voices"] > value["two voices"]


# Order tests: what treatises and players call awkward, against its remedy


@pytest.mark.parametrize(
    ("layer", "awkward", "remedy", "source"),
    [
        (
            "fingers",
            "4/4 | C5:4 ; L:C3:1 L:C3 L:C3 L:C3 | D5:4 ; L:G2:1 L:G2 L:G2 L:G2",
            "4/4 | C5:4 ; L:C3:4 | D5:4 ; L:G2:4",
            "bass struck once rings on: common practice",
        ),
        (
            "fingers",
            "4/4 tempo:72 | - ; [C3 E3 G3 E4]:1 [D3 F3 A3 F4] [E3 G3 B3 G4] [F3 A3 C4 A4]",
            "4/4 tempo:72 | - ; [C3 E4]:1 [D3 F4] [E3 G4] [F3 A4]",
            "filled against bare tenths: Philharmonia Orchestra, harp notes",
        ),
        (
            "fingers",
            "4/4 | R:C5:1/4 R:E5 R:D5 R:F5 R:E5 R:G5 R:F5 R:A5 R:G5:1/4 R:B5 R:A5 R:C6 R:B5 R:G5"
            " R:A5 R:F5 ; -",
            "4/4 | R:C5:1/4 R:D5 R:E5 R:F5 R:G5 R:A5 R:B5 R:C6 R:C6:1/4 R:B5 R:A5 R:G5 R:F5 R:E5"
            " R:D5 R:C5 ; -",
            "strings in order against out of order: common practice",
        ),
        (
            "fingers",
            "4/4 tempo:90 | R:C6:1/8 R:D6 R:C6 R:D6 R:C6 R:D6 R:C6 R:D6 ; L:C3:2 L:G3:2",
            "4/4 tempo:90 | R:D6:1/8 L:C6 R:D6 L:C6 R:D6 L:C6 R:D6 L:C6 ; -",
            "two-hand trills preferred: from memory of Widor, Technique of the Modern Orchestra",
        ),
        (
            "fingers",
            "4/4 tempo:120 | R:C4:1/4 R:D4 R:E4 R:F4 R:G4 R:A4 R:B4 R:C5 R:D5 R:E5 R:F5 R:G5 R:A5"
            " R:B5 R:C6 R:D6 ; -",
            "4/4 tempo:120 | L:C4:1/4 L:D4 L:E4 L:F4 R:G4 R:A4 R:B4 R:C5 L:D5 L:E5 L:F5 L:G5 R:A5"
            " R:B5 R:C6 R:D6 ; -",
            "fast lines split between the hands: Volpe Bligh, Preparing Orchestral Harp Parts",
        ),
        (
            "fingers",
            "4/4 tempo:66 | - ; L:C2:1/2 L:C4 L:C2 L:C4 L:C2 L:C4 L:C2 L:C4",
            "4/4 tempo:66 | - ; L:C3:1/2 L:G3 L:C4 L:G3 L:C3 L:G3 L:C4 L:G3",
            "leaps against a figure under one hand: common practice",
        ),
        (
            "fingers",
            "4/4 tempo:66 | G5:4 ; [C2 E2 G2 B2]:1 [D2 F2 A2 C3] [C2 E2 G2 B2] [D2 F2 A2 C3]",
            "4/4 tempo:66 | G5:4 ; [C2 G2 C3]:2 [D2 A2 D3]:2",
            "low left hand opened and fewer attacks: Philharmonia Orchestra, harp notes",
        ),
        (
            "fingers",
            "4/4 tempo:72 | R:[C4 G4 A4 B4]:1 r R:[F4 C5 D5 E5] r ; -",
            "4/4 tempo:72 | R:[C4 D4 E4 B4]:1 r R:[F4 G4 A4 E5] r ; -",
            "the wide gap between 3 and 4 against between 1 and 2: Freund & Cutler, Extreme"
            " Orchestration, Harp",
        ),
        (
            "fingers",
            "4/4 tempo:72 | - ; L:[C3 G3 A3 B3]:2 L:[D4 A4 B4 C5]:2",
            "4/4 tempo:72 | - ; L:[C3 D3 E3 B3]:2 L:[D4 E4 F4 C5]:2",
            "the same in the left hand",
        ),
        (
            "fingers",
            "4/4 tempo:90 | E♭5:1/4 E♭5 E♭5 E♭5 E♭5 E♭5 E♭5 E♭5 ; -",
            "4/4 tempo:90 | E♭5:1/4 D♯5 E♭5 D♯5 E♭5 D♯5 E♭5 D♯5 ; -",
            "a repeated note on two strings: common practice (Parish-Alvars, La Mandoline, from"
            " memory)",
        ),
        (
            "fingers",
            "4/4 tempo:80 | R:C5:1/4 L:C5 R:C5 L:C5 R:C5 L:C5 R:C5 L:C5 ; -",
            "4/4 tempo:80 | R:C5:1/4 L:B♯4 R:C5 L:B♯4 R:C5 L:B♯4 R:C5 L:B♯4 ; -",
            "the same by two hands: common practice",
        ),
        (
            "pedals",
            "4/4 tempo:96 | [C4 E4 G4]:1 [C♯4 E♯4 G♯4] [C♭4 E♭4 G♭4] [C4 E4 G4] ; -",
            "4/4 tempo:96 | [C4 E4 G4]:2 [C♯4 E4 A4]:2 ; -",
            "two or three moves on every beat: Prout, The Orchestra, vol. I, p. 75",
        ),
        (
            "harmonic_rhythm",
            "4/4 | [C4 E4 G4]:1 [D♭4 F4 A♭4] [D4 F♯4 A4] [E♭4 G4 B♭4] ; C3:4",
            "4/4 | [C4 E4 G4]:1 [F4 A4 C5] [D4 F4 A4] [G4 B4 D5] ; C3:4",
            "chromatic chords: Prout, The Orchestra, vol. I, p. 75",
        ),
        (
            "harmonic_rhythm",
            "4/4 | [C4 E4 G4]:1 [F4 A4 C5] [D4 F4 A4] [G4 B4 D5] ; C3:4",
            "4/4 | [C4 E4 G4]:4 ; C3:4",
            "one harmony held: common practice",
        ),
        (
            "between_hands",
            "4/4 tempo:76 | C5:1/3t3:2 D5 E5 F5 E5 D5 C5 D5 E5 F5 E5 D5"
            " ; C3:1/2 E3 G3 E3 C3 E3 G3 E3",
            "4/4 tempo:76 | E4:1/2 G4 B4 G4 E4 G4 B4 G4 ; C3:1/2 E3 G3 E3 C3 E3 G3 E3",
            "hands in parallel against hands apart: common practice",
        ),
    ],
)
def test_awkward_writing_scores_above_its_remedy(
    layer: str, awkward: str, remedy: str, source: str
) -> None:
    assert played(layer, awkward) > played(layer, remedy) + 0.02, source


def test_a_tone_that_only_the_name_of_a_harmony_holds_is_no_work() -> None:
    """Under a tune by step the chord that fits best may hold a B flat that nobody plays: whether it
    is in the key makes no odds. One that is played does."""
    tune = "C5:1 D5:1 E5:1 F5:1 | G5:1 F5:1 E5:1 D5:1 | C5:1 D5:1 E5:1 D5:1 | C5:4"
    inside, outside = (f"4/4 key:{fifths} tempo:100 | " for fifths in (-1, 0))
    assert any(
        10 in harmony.classes and harmony.kind == "dominant ninth"
        for harmony in harmonies(parse_passage(outside + tune))
    )
    assert played("harmonic_rhythm", inside + tune) == played("harmonic_rhythm", outside + tune)
    heard = tune.replace("C5:1 D5:1 E5:1 D5:1", "C5:1 B♭4:1 E5:1 G4:1")
    assert played("harmonic_rhythm", inside + heard) < played("harmonic_rhythm", outside + heard)


def test_a_trill_sign_weighs_less_when_the_hands_can_share_it() -> None:
    alone = by_hand("4/4 | C6:4{trill} ; C3:1 E3 G3 E3")
    shared = by_hand("4/4 | C6:4{trill} ; -")
    assert max(loads("fingers", alone)) > MODERATE > max(loads("fingers", shared)) > SIMPLE


def test_hands_that_take_turns_are_simple_between_them() -> None:
    """A single line handed on, however fast, asks nothing of the hands together."""
    assert max(
        loads("between_hands", by_hand("4/4 tempo:120 | r:1 G4:1/4 A4 B4 C5 r:1 D5:1/4 E5 F5 G5"
                                       " ; C4:1/4 D4 E4 F4 r:1 D4:1/4 E4 F4 G4 r:1"))
    ) <= SIMPLE


def test_what_the_pedals_cannot_serve_weighs() -> None:
    """G, G sharp and A at once is impossible (computed by brute force in test_pedals)."""
    performance = perform(parse_part("4/4 | [G4 G♯4 A4]:4 ; -"), tier_player("soloist"))
    assert performance.pedal_plan.unmet
    assert max(loads("pedals", performance)) > MODERATE


# A player's own strengths


def test_a_strength_buys_load_back(tmp_path: object) -> None:
    """A professional who plays one-hand trills reads the trill as lighter; tiers without strengths
    read the same plan alike, since loads are absolute."""
    file = tmp_path / "player.toml"  # type: ignore[operator]
    file.write_text('tier = "amateur"\nstrengths = ["one_hand_trill", "fast_pedals"]\n', "utf-8")
    player = load_player(str(file))
    plain = by_hand("4/4 | C6:4{trill} ; C3:1 E3 G3 E3")
    assert max(loads("fingers", replace(plain, player=player))) < max(loads("fingers", plain))
    assert relief(player, "trill_rate") == pytest.approx(6.0 / 8.0)
    assert relief(player, "foot_seconds") == pytest.approx(0.33 / 0.5)
    assert relief(tier_player("amateur"), "foot_seconds") == 1.0
    for tier in tier_names():
        assert loads("fingers", replace(plain, player=tier_player(tier))) == loads(
            "fingers", plain
        )


# Laws


@settings(max_examples=60, deadline=None)
@given(harp_parts(), st.sampled_from([1.05, 1.4, 2.0, 3.0]))
def test_a_faster_tempo_lowers_no_layer(part: Part, factor: float) -> None:
    """With the same hands and pedals, at every beat: times shrink, rates grow."""
    slow = by_hand(part)
    quick = faster(slow, factor)
    for layer in LAYERS:
        for before, after in zip(loads(layer, slow), loads(layer, quick), strict=True):
            assert after >= before - TINY, layer


@settings(max_examples=60, deadline=None)
@given(harp_parts(), st.data())
def test_a_note_less_in_a_chord_never_raises_fingers(part: Part, data: st.DataObject) -> None:
    """With the hand plan as it is, at every beat."""
    performance = by_hand(part)
    chords = [p for row in plucks(performance).values() for p in row if len(p.strikes) > 1]
    assume(chords)
    chord = data.draw(st.sampled_from(chords))
    gone = data.draw(st.sampled_from(chord.strikes))
    thinner = without(performance, gone)
    for before, after in zip(
        loads("fingers", performance), loads("fingers", thinner), strict=True
    ):
        assert after <= before + TINY


@settings(max_examples=60, deadline=None)
@given(harp_parts(), st.data())
def test_a_pedal_move_more_never_lowers_pedals(part: Part, data: st.DataObject) -> None:
    performance = by_hand(part)
    letter = data.draw(st.sampled_from(PEDALS))
    before, after = data.draw(st.sampled_from([(-1, 0), (0, 1), (1, -1)]))
    tick = data.draw(st.integers(0, 4 * len(part.bars) - 1)) * TICKS
    more = with_move(performance, PedalMove(tick, letter, before, after, foot(letter)))
    for less, greater in zip(loads("pedals", performance), loads("pedals", more), strict=True):
        assert greater >= less - TINY
    assert max(loads("pedals", more)) > 0.0


@settings(max_examples=40, deadline=None)
@given(harp_parts())
def test_respelling_leaves_all_but_pedals_alone(part: Part) -> None:
    """Other letters on the page, the same strings under the hands: only the pedals may change."""
    performance = by_hand(part)
    renamed = replace(performance, part=respelled(part))
    order = {s.first.id: i for i, s in enumerate(performance.strikes)}
    moved = [order[s.first.id] for s in renamed.strikes]
    assume(moved == list(range(len(moved))))
    for layer in LAYERS:
        if layer != pedals.NAME:
            assert loads(layer, renamed) == pytest.approx(loads(layer, performance), abs=TINY)


@settings(max_examples=40, deadline=None)
@given(harp_parts())
def test_an_empty_bar_before_changes_nothing(part: Part) -> None:
    """The loads of the music stay, beat for beat; the empty bar has none of its own but what it
    lends to the bar that follows (a hand that gets ready)."""
    one, two = by_hand(part), by_hand(shifted(part))
    for layer in LAYERS:
        later = loads(layer, two)[4:]
        assert later == pytest.approx(loads(layer, one), abs=TINY), layer


@settings(max_examples=25, deadline=None)
@given(harp_parts())
def test_music_two_bars_away_does_not_matter(part: Part) -> None:
    """Loads are local: what stands two bars further on changes nothing here (plans as by hand)."""
    rest = parse_part("4/4 | - | -")
    other = parse_part("4/4 | - | - | C6:1/4 E6 D6 F6 E6 G6 F6 A6 C6 E6 D6 F6 E6 G6 F6 A6 ; -")
    tempo = (TempoMark(0, 84.0),)
    quiet = by_hand(replace(followed_by(part, rest), tempo=tempo))
    busy = by_hand(replace(followed_by(part, other), tempo=tempo))
    for layer in LAYERS:
        count = len(loads(layer, by_hand(replace(part, tempo=tempo))))
        assert loads(layer, busy)[:count] == pytest.approx(
            loads(layer, quiet)[:count], abs=TINY
        ), layer


@settings(max_examples=25, deadline=None)
@given(harp_parts())
def test_loads_lie_in_zero_to_one(part: Part) -> None:
    for layer in LAYERS:
        for value in loads(layer, by_hand(part)):
            assert 0.0 <= value < 1.0


@settings(max_examples=25, deadline=None)
@given(harp_parts())
def test_an_octave_up_changes_no_rhythm_no_harmony_no_lines(part: Part) -> None:
    """Transposing everything by an octave keeps time, pitch classes and intervals: rhythm, harmonic
    rhythm, counterpoint and the work between the hands stay; fingers may differ, since low strings
    ring longer, and pedals don't, since a pedal moves its letter in all octaves."""
    up = replace(
        part,
        notes=tuple(
            replace(n, pitch=replace(n.pitch, octave=n.pitch.octave + 1)) for n in part.notes
        ),
    )
    for layer in LAYERS:
        if layer != "fingers":
            assert loads(layer, by_hand(up)) == pytest.approx(
                loads(layer, by_hand(part)), abs=TINY
            ), layer


def test_numbers_have_units_and_sources() -> None:
    """Every number of loads.toml says its unit and where it comes from."""
    import tomllib
    from importlib.resources import files

    text = files("simplify.difficulty").joinpath("loads.toml").read_text("utf-8")
    for table, rows in tomllib.loads(text).items():
        for name, row in rows.items():
            assert set(row) == {"value", "unit", "source"}, (table, name)
            assert row["unit"], (table, name)
            assert row["source"], (table, name)
            assert math.isfinite(row["value"]), (table, name)
    assert numbers("fingers")["anchor"] > 0


def test_counterpoint_reason_counts_lines_and_hands() -> None:
    found = counterpoint.measure(
        by_hand(
            "4/4 | G5:3/2 A5:1/2 G5:1 F5 & E5:1 D5 E5:1/2 C5 D5:1"
            " ; G4:1/2 F4 E4:1 C4:1/2 E4 B3:1 & C3:1 D3:1/2 E3 F3:1 G3"
        ),
        grid(parse_part("4/4 | C4:4 ; -")),
    )
    (reason,) = found.reasons
    assert reason.hand == "both"
    assert reason.text.startswith(("three", "four"))
    assert "independent lines at once" in reason.text
