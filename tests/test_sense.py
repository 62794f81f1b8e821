"""Musical sense: each rule fires where it must and not where it must not, and music21's own
voice-leading and chord analysis agree on real rewrites."""

import pytest

from simplify.score.text import parse_passage
from simplify.sense import slips


def rules(before: str, after: str) -> list[str]:
    """The rules that `after` breaks against `before`, in order."""
    one, two = parse_passage(before), parse_passage(after)
    return sorted({slip.rule for slip in slips(one, one.of(two.part))})


# (before, after, rules broken). The faults are the ones every harmony primer names: parallel
# octaves and fifths of the outer voices, a doubled leading note, a seventh that does not fall.
CASES = [
    pytest.param(
        "4/4 | E5:1 D5 C5 B4 ; [C3 G3]:2 [A2 E3]",
        "4/4 | E5:2 C5 ; [C3 G3]:2 [A2 E3]",
        [], id="an outline keeps the strong beats",
    ),
    pytest.param(
        "4/4 | E5:2 C5:1 G5 ; [C3 G3]:2 [A2 E3]",
        "4/4 | E5:3 G5:1 ; [C3 G3]:2 [A2 E3]",
        ["chord_name", "melody_skeleton"], id="a note of the middle beat is gone",
    ),
    pytest.param(
        "4/4 | C5:1 C5 C5 C5 ; C3:4", "4/4 | C5:4 ; C3:4", [], id="repeated notes may ring on",
    ),
    pytest.param(
        "4/4 | C5:4 ; C4:1 E4 G4 E4", "4/4 | C5:4 ; C4:1 E4 G5 E4",
        ["melody_on_top"], id="an inner note thrown over the melody",
    ),
    pytest.param(
        "4/4 | C5:4 ; C4:1 E4 G5 E4", "4/4 | C5:4 ; C4:1 E5 G5 E4",
        [], id="hands that cross in the source",
    ),
    pytest.param(
        "4/4 | E5:2 F5 ; [C3 G3]:2 [D3 A3]", "4/4 | G5:2 A5 ; [C3 E3]:2 [D3 F3]",
        ["melody_skeleton", "parallels"], id="parallel fifths that are new",
    ),
    pytest.param(
        "4/4 | G5:2 A5 ; [C3 E3 G3]:2 [D3 F3 A3]", "4/4 | G5:2 A5 ; [C3 E3]:2 [D3 F3]",
        [], id="parallel fifths that the source has",
    ),
    pytest.param(
        "4/4 | G5:1 E5 A5 F5 ; [C3 E3]:2 [D3 F3]", "4/4 | G5:2 A5 ; [C3 E3]:2 [D3 F3]",
        [], id="fifths that the source only decorates",
    ),
    pytest.param(
        "4/4 | E5:2 F5 ; [C3 G3 E4]:2 [F3 A3 C4]", "4/4 | E5:2 F5 ; [E3 G3 C4]:2 [F3 A3 C4]",
        ["bass", "parallels"], id="a bass moved under the same chord",
    ),
    pytest.param(
        "4/4 | D5:2 C5 ; [G2 B3 F4]:2 [C3 E4]", "4/4 | [B4 D5]:2 C5 ; [G2 B3 F4]:2 [C3 E4]",
        ["leading_note"], id="a doubled leading note",
    ),
    pytest.param(
        "4/4 | D5:2 C5 ; [G2 B3 F4]:2 [C3 E4]", "4/4 | D5:2 C5 ; [G2 B3 F4]:2 [C3 G4]",
        ["cadence", "seventh"], id="a seventh that no longer falls",
    ),
    pytest.param(
        "4/4 | D5:2 C5 ; [G2 B3 F4]:2 [C3 E4]", "4/4 | D5:2 C5 ; [G2 B3]:2 [C3 E4]",
        [], id="a seventh that is left out",
    ),
    pytest.param(
        "4/4 | G5:4 ; [C3 E3 G3 C4]:4 | A5:4 ; [F2 A3 C4]:4",
        "4/4 | G5:4 ; [C3 E3]:4 | A5:4 ; [F2 C4]:4",
        [], id="doublings and fifths may go",
    ),
    pytest.param(
        "4/4 | G5:4 ; [C3 E3 G3]:4 | A5:4 ; [F2 A3 C4]:4 | G5:4 ; [C3 E4]:4",
        "4/4 | G5:4 ; [C3 E♭3 G3]:4 | A5:4 ; [F2 A3 C4]:4 | G5:4 ; [C3 E4]:4",
        ["chord_name"], id="major becomes minor",
    ),
    pytest.param(
        "4/4 | G5:2 F5 ; [C3 E3]:2 [G2 B3 F4] | E5:4 ; [C3 G3]:4",
        "4/4 | G5:2 F5 ; [C3 E3]:2 [D3 F3 A3] | E5:4 ; [C3 G3]:4",
        ["cadence"], id="another chord in a cadence",
    ),
    pytest.param(
        "4/4 | G5:2 C6 ; [C3 E3]:2 [F2 A2 C3] | G5:4 ; [C3 E4]:4",
        "4/4 | G5:2 C6 ; [C3 E3]:4 | G5:4 ; [C3 E4]:4",
        [], id="a passing chord gives way to the one before",
    ),
]


@pytest.mark.parametrize(("before", "after", "broken"), CASES)
def test_rule(before: str, after: str, broken: list[str]) -> None:
    assert rules(before, after) == broken
