"""Context from the other parts of a score, beside music21's own reading of them."""

import music21

from simplify.harp.player import tier_player
from simplify.score.model import TICKS, Passage
from simplify.score.others import with_others
from simplify.score.read import open_score, select_part
from simplify.strategy import proposals
from strategies.leave_to_other_parts import STRATEGY

SONG = str(music21.corpus.getWork("schubert/Lindenbaum"))


def test_the_singer_stands_around_the_piano() -> None:
    """Schubert's song: what music21 reads in the voice's part is around the piano, at its place."""
    score = open_score(SONG)
    piano = next(c.name for c in score.candidates if "piano" in c.name.lower())
    loaded = with_others(select_part(score, piano))
    sung = [
        (round(float(n.getOffsetInHierarchy(part)) * TICKS), n.pitch.midi)
        for part in music21.converter.parse(SONG).parts[:1]
        for n in part.recurse().notes
        if not n.duration.isGrace
    ]
    found = [(n.onset, n.pitch.midi) for n in loaded.part.around]
    assert [midi for _, midi in found] == [midi for _, midi in sorted(sung)]
    # The file counts triplets in whole divisions, which are not exact thirds.
    for (mine, _), (theirs, _) in zip(found, sorted(sung), strict=True):
        assert abs(mine - theirs) < TICKS // 100
    assert {n.voice for n in loaded.part.around} == {
        c.name for c in score.candidates if c.name != piano
    }


def test_windows_and_edits_keep_the_context() -> None:
    """A window holds just what is sung in its bars; an edit leaves it as it was."""
    score = open_score(SONG)
    piano = next(c.name for c in score.candidates if "piano" in c.name.lower())
    part = with_others(select_part(score, piano)).part
    first = part.bar_at(part.around[0].onset).index
    window = part.window(first, first + 3)
    low, high = window.bars[0].onset, window.end
    assert window.around
    assert [n.onset for n in window.around] == [
        n.onset for n in part.around if low <= n.onset < high
    ]
    edits = proposals(STRATEGY, Passage(window, 0, 3), tier_player("amateur"))
    for edit in edits:
        assert window.apply(edit).around == window.around


def test_a_score_for_one_player_has_no_context() -> None:
    path = str(music21.corpus.getWork("schumann_clara/polonaise_op1n2"))
    assert with_others(select_part(open_score(path))).part.around == ()
