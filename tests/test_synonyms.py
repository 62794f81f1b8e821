"""Strings, settings and sets of sounds, held to plain enumeration and to published examples.

Counts named "brute force" are counted here a second way, from the 3^7 combinations of positions.
"""

from __future__ import annotations

from itertools import combinations, product

import pytest

from simplify.harp.instrument import PEDALS, Setting, key_setting, setting_pitch_classes
from simplify.harp.synonyms import (
    SETTINGS,
    availability,
    exact_settings,
    glissando_setting,
    pedals_between,
    pitch_class_table,
    setting_at,
    setting_number,
    setting_text,
    settings_table,
    simultaneity_possible,
    strings_of,
)

SIGNS = {"b": -1, "n": 0, "#": 1}
NATURALS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
C, CS, D, DS, E, F, FS, G, GS, A, AS, B = range(12)
EVERY = [frozenset((NATURALS[n] + p) % 12 for n, p in zip(PEDALS, s, strict=True))
         for s in product((-1, 0, 1), repeat=7)]


def setting(text: str) -> Setting:
    """`Dn Cb Bn / E# Fn G# Ab` as a setting."""
    words = text.replace("/", " ").split()
    assert [word[0] for word in words] == list(PEDALS)
    d, c, b, e, f, g, a = (SIGNS[word[1]] for word in words)
    return d, c, b, e, f, g, a


def chord(root: int, *steps: int) -> frozenset[int]:
    return frozenset((root + step) % 12 for step in steps)


DOM7, DOM9, DOM7B9 = (0, 4, 7, 10), (0, 4, 7, 10, 2), (0, 4, 7, 10, 1)
HALF_DIM, DIM7, MINOR7, MAJOR7 = (0, 3, 6, 10), (0, 3, 6, 9), (0, 3, 7, 10), (0, 4, 7, 11)
PENTATONIC = (0, 2, 4, 7, 9)
WHOLE_TONE = (0, 2, 4, 6, 8, 10)
ROOTS = {"C": 0, "C#": 1, "Db": 1, "D": 2, "Eb": 3, "E": 4, "F": 5, "F#": 6, "G": 7, "Ab": 8,
         "A": 9, "Bb": 10, "B": 11}


class TestSettings:
    def test_there_are_2187_settings(self) -> None:
        """Three positions of seven pedals (Hipkins in Grove's Dictionary, Harp): 3^7."""
        assert SETTINGS == 2187
        assert len({tuple(row) for row in settings_table().tolist()}) == 2187

    def test_numbers_and_settings_are_each_other_s_inverse(self) -> None:
        for number in range(SETTINGS):
            assert setting_number(setting_at(number)) == number
        assert [tuple(row) for row in settings_table().tolist()] == list(
            product((-1, 0, 1), repeat=7)
        )

    @pytest.mark.parametrize("bad", [(0, 0), (0, 0, 0, 0, 0, 0, 2)])
    def test_not_a_setting(self, bad: tuple[int, ...]) -> None:
        with pytest.raises(ValueError, match="seven positions"):
            setting_number(bad)  # type: ignore[arg-type]

    def test_tables_give_what_the_strings_give(self) -> None:
        for number, classes in enumerate(EVERY):
            assert set(pitch_class_table()[number].tolist()) == classes
            assert {p for p in range(12) if availability()[p, number]} == classes

    def test_three_tunings(self) -> None:
        """All up C flat major, all in the middle C major, all down C sharp major (Hipkins in
        Grove's Dictionary; Gehrkens, Music Notation and Terminology, App. B)."""
        assert setting_pitch_classes((-1,) * 7) == chord(B, 0, 2, 4, 5, 7, 9, 11)
        assert setting_pitch_classes((0,) * 7) == chord(C, 0, 2, 4, 5, 7, 9, 11)
        assert setting_pitch_classes((1,) * 7) == chord(CS, 0, 2, 4, 5, 7, 9, 11)
        assert key_setting(-7) == (-1,) * 7
        assert key_setting(0) == (0,) * 7
        assert key_setting(7) == (1,) * 7

    def test_size_of_settings(self) -> None:
        """Four to seven different sounds: never more than three doubled (brute force)."""
        sizes = [len(setting_pitch_classes(setting_at(n))) for n in range(SETTINGS)]
        assert {n: sizes.count(n) for n in set(sizes)} == {4: 42, 5: 495, 6: 1071, 7: 579}

    def test_distinct_sets(self) -> None:
        """977 pitch-class sets, as counted by Gotham & Gunn, Music Theory Online 22.4 (2016)."""
        distinct = {setting_pitch_classes(setting_at(n)) for n in range(SETTINGS)}
        assert len(distinct) == 977
        by_size = [sum(1 for s in distinct if len(s) == n) for n in (4, 5, 6, 7)]
        assert by_size == [25, 178, 415, 359]

    def test_text(self) -> None:
        """Order of MusicXML 4.0, harp-pedals: D C B, E F G A."""
        example = setting("Db Cn Bn / En Fn Gn Ab")
        assert setting_text(example) == "D♭ C♮ B♮ | E♮ F♮ G♮ A♭"


class TestStrings:
    @pytest.mark.parametrize(
        ("pitch_class", "names"),
        [
            (C, "C0 B1"), (CS, "D-1 C1"), (D, "D0"), (DS, "D1 E-1"), (E, "E0 F-1"),
            (F, "E1 F0"), (FS, "F1 G-1"), (G, "G0"), (GS, "G1 A-1"), (A, "A0"),
            (AS, "B-1 A1"), (B, "C-1 B0"),
        ],
    )
    def test_nine_sounds_have_two_strings_and_d_g_a_one(
        self, pitch_class: int, names: str
    ) -> None:
        """All notes but D, G and A natural have a synonym: common practice; the strings are
        computed by brute force."""
        found = {f"{letter}{position}" for letter, position in strings_of(pitch_class)}
        assert found == set(names.split())


class TestSimultaneity:
    @pytest.mark.parametrize(
        ("size", "possible"),
        [(2, 66), (3, 219), (4, 482), (5, 718), (6, 691), (7, 359), (8, 0)],
    )
    def test_how_many_sets_one_setting_holds(self, size: int, possible: int) -> None:
        """Counted by brute force over all settings."""
        ours = {s for s in combinations(range(12), size) if simultaneity_possible(s)}
        plain = {s for s in combinations(range(12), size) if any(set(s) <= e for e in EVERY)}
        assert ours == plain
        assert len(ours) == possible

    def test_g_g_sharp_a_is_the_only_impossible_triple(self) -> None:
        """C C♯ D can be had as B♯ C♯ D, but not G G♯ A: Canton & Overlach, Composing for Harp."""
        assert simultaneity_possible([C, CS, D])
        assert not simultaneity_possible([G, GS, A])
        impossible = [s for s in combinations(range(12), 3) if not simultaneity_possible(s)]
        assert impossible == [(G, GS, A)]

    def test_thirteen_impossible_quadruples(self) -> None:
        """Brute force: four of their own kind, and G G♯ A with any other sound."""
        impossible = {s for s in combinations(range(12), 4) if not simultaneity_possible(s)}
        own = [(B, C, CS, D), (A, AS, B, C), (D, DS, E, F), (E, F, FS, G), (G, GS, A, AS)]
        with_triple = [(G, GS, A, other) for other in range(12) if other not in (G, GS, A)]
        assert impossible == {tuple(sorted(s)) for s in (*own, *with_triple)}
        assert len(impossible) == 13


class TestExactSettings:
    """Seven strings that give just the notes of a chord: for sweeps over all strings."""

    def exact_roots(self, *steps: int) -> list[int]:
        return [root for root in range(12) if exact_settings(chord(root, *steps))]

    def counts(self, *steps: int) -> list[int]:
        return [len(exact_settings(chord(root, *steps))) for root in range(12)]

    @pytest.mark.parametrize("steps", [(0, 4, 7), (0, 3, 7), (0, 3, 6), (0, 4, 8)])
    def test_no_triad(self, steps: tuple[int, ...]) -> None:
        """Seven strings never give only three sounds (brute force)."""
        assert self.exact_roots(*steps) == []

    def test_enumeration_agrees(self) -> None:
        """`exact_settings` against plain enumeration, over every set of four to seven sounds."""
        for size in (4, 7):
            for classes in combinations(range(12), size):
                plain = sum(1 for e in EVERY if e == set(classes))
                assert len(exact_settings(classes)) == plain

    @pytest.mark.parametrize(
        ("root", "text"),
        [
            (C, "D# Cn B# / Eb F# Gb An"),  # Berlioz after Parish-Alvars, from memory
            (CS, "Db C# Bb / En Fb Gn A#"),
            (D, "Dn Cb Bn / E# Fn G# Ab"),
        ],
    )
    def test_diminished_sevenths(self, root: int, text: str) -> None:
        """Three chords, one setting each (brute force)."""
        assert exact_settings(chord(root, *DIM7)) == (setting(text),)

    def test_diminished_seventh_of_the_musicxml_standard(self) -> None:
        """The example in MusicXML 4.0's page on harp-pedals: D♭ C♯ B♭ E♮ F♭ G♮ A♯."""
        example = (-1, 1, -1, 0, -1, 0, 1)
        assert exact_settings(setting_pitch_classes(example)) == (example,)
        assert setting_pitch_classes(example) == chord(CS, *DIM7)

    def test_dominant_sevenths(self) -> None:
        """Five of twelve (brute force), with the settings of each."""
        assert self.exact_roots(*DOM7) == [CS, E, FS, GS, B]
        for root, text in [
            ("Db", "Db Cb Bn / E# Fn G# Ab"), ("E", "Dn Cb Bn / En Fb G# Ab"),
            ("F#", "Db C# Bb / En Fb Gb A#"), ("Ab", "D# Cn B# / Eb F# Gb Ab"),
            ("B", "D# Cb Bn / Eb F# Gb An"),
        ]:
            assert setting(text) in exact_settings(chord(ROOTS[root], *DOM7))

    def test_dominant_ninths(self) -> None:
        """All twelve (brute force), which is why sweeps in ninths are the usual ones."""
        assert self.counts(*DOM9) == [2, 4, 2, 3, 3, 2, 4, 1, 4, 2, 3, 3]
        for root, text in [
            ("C", "Dn Cn Bb / En Fb Gn A#"), ("D", "Dn Cn B# / En F# Gb An"),
            ("Eb", "Db C# Bb / Eb Fn Gn A#"), ("F", "D# Cn B# / Eb Fn Gn An"),
            ("G", "Dn Cb Bn / E# Fn Gn An"), ("A", "Db C# Bn / En Fb Gn An"),
            ("Bb", "Dn Cn Bb / E# Fn G# Ab"),
        ]:
            assert setting(text) in exact_settings(chord(ROOTS[root], *DOM9))

    def test_dominant_minor_ninths(self) -> None:
        """All twelve (brute force)."""
        assert self.counts(*DOM7B9) == [3, 1, 1, 3, 2, 3, 1, 1, 1, 1, 3, 2]
        assert setting("Dn Cb Bn / E# Fn Gn Ab") in exact_settings(chord(G, *DOM7B9))
        assert setting("Db Cn Bb / En Fb Gn A#") in exact_settings(chord(C, *DOM7B9))

    def test_half_diminished_sevenths(self) -> None:
        """Five of twelve (brute force)."""
        assert self.exact_roots(*HALF_DIM) == [C, D, F, G, AS]
        for root, text in [
            ("C", "D# Cn Bb / Eb F# Gb A#"), ("D", "Dn Cn B# / E# Fn G# Ab"),
            ("F", "D# Cb Bn / Eb Fn G# Ab"), ("G", "Db C# Bb / E# Fn Gn A#"),
            ("Bb", "Db C# Bb / En Fb G# Ab"),
        ]:
            assert setting(text) in exact_settings(chord(ROOTS[root], *HALF_DIM))

    def test_minor_and_major_sevenths(self) -> None:
        """Five minor sevenths (which are major sixths) and four major sevenths (brute force)."""
        assert self.exact_roots(*MINOR7) == [CS, DS, F, GS, AS]
        assert self.exact_roots(0, 4, 7, 9) == [CS, E, FS, GS, B]
        assert self.exact_roots(*MAJOR7) == [CS, E, FS, B]

    def test_pentatonic(self) -> None:
        """All twelve (brute force); C, F, G and the black keys by name."""
        assert len(self.exact_roots(*PENTATONIC)) == 12
        assert exact_settings(chord(C, *PENTATONIC)) == (setting("Dn Cn B# / En Fb Gn An"),)
        for root, text in [
            (F, "Dn Cn B# / E# Fn Gn An"), (G, "Dn Cb Bn / En Fb Gn An"),
            (FS, "Db C# Bb / Eb F# Gb Ab"),
        ]:
            assert setting(text) in exact_settings(chord(root, *PENTATONIC))

    def test_whole_tone(self) -> None:
        """Both scales (brute force)."""
        assert len(exact_settings(chord(C, *WHOLE_TONE))) == 5
        assert len(exact_settings(chord(CS, *WHOLE_TONE))) == 4
        assert setting("Dn Cn Bb / En F# G# A#") in exact_settings(chord(C, *WHOLE_TONE))
        assert setting("Db Cb Bn / Eb Fn Gn An") in exact_settings(chord(CS, *WHOLE_TONE))

    @pytest.mark.parametrize(
        ("steps", "roots"),
        [
            ((0, 2, 4, 5, 7, 9, 11), 12), ((0, 2, 3, 5, 7, 8, 11), 12),
            ((0, 2, 3, 5, 7, 9, 11), 12), ((0, 2, 4, 5, 7, 8, 11), 12),
            ((0, 2, 3, 5, 6, 8, 9, 11), 0),
        ],
        ids=["major", "harmonic minor", "melodic minor", "harmonic major", "octatonic"],
    )
    def test_scales(self, steps: tuple[int, ...], roots: int) -> None:
        """Every seven-note scale of common practice has its setting; eight notes never do (brute
        force)."""
        assert len(self.exact_roots(*steps)) == roots

    def test_c_major_has_four_settings(self) -> None:
        """Brute force, and never more than four for a major scale."""
        counts = self.counts(0, 2, 4, 5, 7, 9, 11)
        assert counts[C] == 4
        assert min(counts) >= 1
        assert max(counts) == 4

    @pytest.mark.parametrize(
        ("steps", "roots"),
        [
            ((0, 4, 6, 10), []), ((0, 5, 7, 10), []), ((0, 4, 8, 10), [E]),
            ((0, 3, 7, 11), [CS]), ((0, 4, 8, 11), [E]),
        ],
        ids=["7b5", "7sus4", "augmented 7", "minor-major 7", "augmented-major 7"],
    )
    def test_rarer_sevenths(self, steps: tuple[int, ...], roots: list[int]) -> None:
        """None or one (brute force)."""
        assert self.exact_roots(*steps) == roots

    def test_e_major_leaves_the_d_string_over(self) -> None:
        """E, G♯ and B doubled take six strings; D♮ on the seventh makes it E7 (brute force)."""
        assert exact_settings(chord(E, 0, 4, 7)) == ()
        assert setting("Dn Cb Bn / En Fb G# Ab") in exact_settings(chord(E, *DOM7))


class TestGlissando:
    def test_exact(self) -> None:
        """G9 has one setting only, and a sweep over it is exact."""
        assert glissando_setting(chord(G, *DOM9)) == (setting("Dn Cb Bn / E# Fn Gn An"), True)

    def test_plain_scale_is_set_plainly(self) -> None:
        assert glissando_setting(chord(C, 0, 2, 4, 5, 7, 9, 11)) == ((0,) * 7, True)

    def test_nearest_has_the_fewest_wrong_sounds(self) -> None:
        """For every triad and dominant seventh: no setting has fewer missing and foreign sounds
        (brute force)."""
        for root in range(12):
            for steps in ((0, 4, 7), (0, 3, 7), DOM7):
                wanted = chord(root, *steps)
                found, exact = glissando_setting(wanted)
                wrong = len(setting_pitch_classes(found) ^ wanted)
                assert wrong == min(len(e ^ wanted) for e in EVERY)
                assert exact == (wrong == 0)

    def test_nothing_missing_where_it_can_be_helped(self) -> None:
        """A triad comes out with foreign sounds, never with one of its own left out."""
        for root in range(12):
            found, exact = glissando_setting(chord(root, 0, 4, 7))
            assert not exact
            assert chord(root, 0, 4, 7) <= setting_pitch_classes(found)

    def test_near_setting_breaks_ties(self) -> None:
        """Of the settings of a chord the one with the fewest pedals to move."""
        wanted = chord(CS, *DOM9)
        for near in exact_settings(wanted):
            assert glissando_setting(wanted, near) == (near, True)

    def test_empty(self) -> None:
        with pytest.raises(ValueError, match="at least one"):
            glissando_setting([])


class TestKeyDistances:
    @pytest.mark.parametrize(
        ("fifths", "notches"),
        [(-7, 0), (-6, 1), (-5, 2), (-4, 3), (-3, 4), (-2, 5), (-1, 6), (0, 7), (1, 8), (2, 9),
         (3, 10), (4, 11), (5, 12), (6, 13), (7, 14)],
    )
    def test_notches_above_c_flat(self, fifths: int, notches: int) -> None:
        """Pedals go down in the order F C G D A E B (Gehrkens, App. B; Hipkins in Grove)."""
        assert pedals_between(key_setting(-7), key_setting(fifths))[1] == notches

    @pytest.mark.parametrize(
        ("one", "other", "pedals", "notches"),
        [
            (0, 1, 1, 1), (0, -3, 3, 3), (0, 4, 4, 4), (2, -1, 3, 3), (0, -5, 5, 5),
            (1, -4, 5, 5), (-1, 4, 5, 5), (4, -4, 7, 8), (6, -6, 7, 12), (0, 7, 7, 7),
            (-7, 7, 7, 14), (-5, 5, 7, 10), (-5, -7, 2, 2),
        ],
        ids=["C-G", "C-Eb", "C-E", "D-F", "C-Db", "G-Ab", "F-E", "E-Ab", "F#-Gb", "C-C#",
             "Cb-C#", "Db-B", "Db-Cb"],
    )
    def test_modulations(self, one: int, other: int, pedals: int, notches: int) -> None:
        """Counted from the key signatures. That D flat to B major takes all seven pedals, and to
        C flat two, is the stock example for respelling (hornandharp.com, Enharmonic spelling
        tricks)."""
        assert pedals_between(key_setting(one), key_setting(other)) == (pedals, notches)
        assert pedals_between(key_setting(other), key_setting(one)) == (pedals, notches)

    def test_c_and_d_flat_major_in_one_setting(self) -> None:
        """Both triads, no pedal moved (brute force)."""
        both = setting_pitch_classes(setting("Db Cn Bn / En Fn Gn Ab"))
        assert chord(C, 0, 4, 7) | chord(CS, 0, 4, 7) <= both
