"""The corpus as music files: whole, valid, readable elsewhere, and covering what it should.

Nothing here looks at this project's own judgement of the music (another test compares the two);
every check is against the files, the MusicXML 4.0 schema, other programs or a published fact.
"""

import importlib.util
import re
import tomllib
import warnings
import xml.etree.ElementTree as ET
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

import music21
import pytest
import verovio
import xmlschema

ROOT = Path(__file__).resolve().parents[1]
CORPUS = ROOT / "corpus"
EXAMPLES = ROOT / "examples"

LAYERS = ("fingers", "between_hands", "pedals", "harmonic_rhythm", "rhythm", "counterpoint")
LEVELS = ("simple", "moderate", "complex")
TIERS = ("beginner", "school", "amateur", "professional", "soloist")
KINDS = ("layer", "pair", "tier", "textbook")
FIELDS = {
    "file", "title", "kind", "focus", "shows", "key", "metre", "tempo",
    "tier", "lever", "held_back", "layers",
}  # fmt: skip

with (CORPUS / "manifest.toml").open("rb") as _stream:
    EXCERPTS: list[dict[str, Any]] = tomllib.load(_stream)["excerpt"]

FOR_HARP = [p for p in sorted(EXAMPLES.glob("*.musicxml")) if ">Harp</part-name>" in p.read_text()]
FILES = [CORPUS / e["file"] for e in EXCERPTS] + FOR_HARP
each_file = pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
each_excerpt = pytest.mark.parametrize("excerpt", EXCERPTS, ids=lambda e: Path(e["file"]).stem)


class Struck(NamedTuple):
    """A note of the harp as printed; onset in quarters from the start, tied-on notes left out."""

    onset: Fraction
    end: Fraction
    hand: str
    letter: str
    alter: int
    octave: int

    @property
    def midi(self) -> int:
        """MIDI key number, middle C = 60."""
        semitone = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}[self.letter]
        return 12 * (self.octave + 1) + semitone + self.alter


def quarters(element: ET.Element, divisions: int) -> Fraction:
    """Length of a note, backup or forward in quarters; 0 for a grace note."""
    return Fraction(int(element.findtext("duration") or 0), divisions)


def harp_part(root: ET.Element) -> ET.Element:
    """The part named Harp."""
    (ident,) = (s.get("id") for s in root.iter("score-part") if s.findtext("part-name") == "Harp")
    (part,) = (p for p in root.findall("part") if p.get("id") == ident)
    return part


def struck_notes(path: Path) -> list[Struck]:
    """Every plucked note of the harp, in time order.

    In the corpus voices 1-4 are the right hand's and 5-8 the left's, whatever the staff.
    """
    notes: list[Struck] = []
    bar_start, divisions = Fraction(0), 1
    for bar in harp_part(ET.parse(path).getroot()).findall("measure"):
        divisions = int(bar.findtext("attributes/divisions") or divisions)
        now = last = longest = Fraction(0)
        for element in bar:
            if element.tag == "backup":
                now -= quarters(element, divisions)
            elif element.tag == "forward":
                now += quarters(element, divisions)
            elif element.tag == "note":
                length = quarters(element, divisions)
                if element.find("chord") is None:
                    last, now = now, now + length
                longest = max(longest, now)
                pitch = element.find("pitch")
                tied_on = any(t.get("type") == "stop" for t in element.findall("tie"))
                if pitch is not None and not tied_on:
                    notes.append(
                        Struck(
                            bar_start + last,
                            bar_start + last + length,
                            "right" if int(element.findtext("voice") or 0) < 5 else "left",
                            pitch.findtext("step") or "",
                            int(pitch.findtext("alter") or 0),
                            int(pitch.findtext("octave") or 0),
                        )
                    )
        bar_start += longest
    return sorted(notes)


@pytest.fixture(scope="module")
def schema() -> xmlschema.XMLSchema:
    """The W3C's MusicXML 4.0 schema, as carried by the test-only package `musicxml`.

    The schema it imports (xlink, xml) come with the package `xmlschema`; nothing is fetched.
    """
    spec = importlib.util.find_spec("musicxml")
    assert spec is not None, "tests need the package musicxml"
    assert spec.submodule_search_locations, "tests need the package musicxml"
    folder = Path(spec.submodule_search_locations[0])
    return xmlschema.XMLSchema(str(folder / "generate_classes" / "musicxml_4_0.xsd"), allow="local")


def test_manifest_and_folder_agree() -> None:
    """Every file has one table and every table a file: nothing unlisted, nothing missing."""
    listed = [e["file"] for e in EXCERPTS]
    assert len(listed) == len(set(listed))
    assert sorted(listed) == sorted(p.name for p in CORPUS.glob("*.musicxml"))


def test_corpus_is_large_enough() -> None:
    """Sixty-four excerpts or more, no two with the same title."""
    titles = [e["title"] for e in EXCERPTS]
    assert len(titles) >= 64
    assert len(titles) == len(set(titles))


@each_excerpt
def test_table_is_complete_and_legal(excerpt: dict[str, Any]) -> None:
    """All fields are there with legal values, and the layers are the six, each at a level."""
    assert set(excerpt) == FIELDS
    assert excerpt["kind"] in KINDS
    assert excerpt["tier"] in TIERS
    assert tuple(excerpt["layers"]) == LAYERS
    assert set(excerpt["layers"].values()) <= set(LEVELS)
    assert isinstance(excerpt["held_back"], bool)
    assert isinstance(excerpt["lever"], bool)
    assert len(excerpt["shows"]) > 40
    wanted = {"layer": 1, "pair": 2, "tier": 0, "textbook": 0}[excerpt["kind"]]
    assert len(excerpt["focus"]) == wanted
    assert set(excerpt["focus"]) <= set(LAYERS)


@each_excerpt
def test_focus_stands_alone(excerpt: dict[str, Any]) -> None:
    """A 'layer' excerpt has nothing harder than its layer; a 'pair' has exactly its two complex."""
    layers = excerpt["layers"]
    if excerpt["kind"] == "layer":
        (focus,) = excerpt["focus"]
        rank = LEVELS.index(layers[focus])
        for layer in LAYERS:
            if layer != focus:
                assert LEVELS.index(layers[layer]) <= min(rank, LEVELS.index("moderate")), layer
    if excerpt["kind"] == "pair":
        assert [x for x in LAYERS if layers[x] == "complex"] == sorted(
            excerpt["focus"], key=LAYERS.index
        )


@pytest.mark.parametrize("level", LEVELS)
@pytest.mark.parametrize("layer", LAYERS)
def test_each_layer_alone_at_each_level(layer: str, level: str) -> None:
    """Each layer is shown by itself as simple, as moderate and as complex."""
    alone = [e for e in EXCERPTS if e["kind"] == "layer" and e["focus"] == [layer]]
    assert any(e["layers"][layer] == level for e in alone)


def test_pairs_are_various() -> None:
    """At least seven different pairs of complex layers, and every layer in at least one."""
    pairs = {frozenset(e["focus"]) for e in EXCERPTS if e["kind"] == "pair"}
    assert len(pairs) >= 7
    assert set().union(*pairs) == set(LAYERS)


@pytest.mark.parametrize("tier", TIERS)
def test_each_tier_has_music(tier: str) -> None:
    """Each tier has two excerpts meant for it, one to tune with and one held back."""
    meant = [e for e in EXCERPTS if e["kind"] == "tier" and e["tier"] == tier]
    assert len(meant) >= 2
    assert {e["held_back"] for e in meant} == {True, False}


def test_about_a_third_is_held_back() -> None:
    """Between three and four in ten are kept from tuning, some of every kind."""
    held = [e for e in EXCERPTS if e["held_back"]]
    assert 0.30 <= len(held) / len(EXCERPTS) <= 0.40
    assert {e["kind"] for e in held} == set(KINDS)


@each_excerpt
def test_table_matches_the_file(excerpt: dict[str, Any]) -> None:
    """Title, key, metre, tempo and length in the table are those of the printed music."""
    root = ET.parse(CORPUS / excerpt["file"]).getroot()
    part = harp_part(root)
    assert root.findtext("work/work-title") == excerpt["title"]
    fifths = int(part.findtext(".//key/fifths") or 99)
    mode = part.findtext(".//key/mode")
    tonic = music21.key.KeySignature(fifths).asKey(mode).tonic.name
    name = tonic.replace("-", " flat").replace("#", " sharp")
    assert excerpt["key"] == f"{name} {mode}"
    metre = f"{part.findtext('.//time/beats')}/{part.findtext('.//time/beat-type')}"
    assert excerpt["metre"] == metre
    sound = part.find(".//sound[@tempo]")
    assert sound is not None
    assert float(sound.get("tempo") or 0) == excerpt["tempo"]
    full = [m for m in part.findall("measure") if m.get("implicit") != "yes"]
    assert 4 <= len(full) <= 10


@each_file
def test_printed_tempo_is_the_played_tempo(path: Path) -> None:
    """The metronome mark and the sound element name the same speed."""
    root = ET.parse(path).getroot()
    (mark,) = root.iter("metronome")
    (sound,) = root.findall(".//sound[@tempo]")
    unit = {"eighth": 0.5, "quarter": 1.0, "half": 2.0}[mark.findtext("beat-unit") or ""]
    if mark.find("beat-unit-dot") is not None:
        unit *= 1.5
    assert float(mark.findtext("per-minute") or 0) * unit == float(sound.get("tempo") or 0)


@each_file
def test_file_is_valid_musicxml(path: Path, schema: xmlschema.XMLSchema) -> None:
    """Each file validates against the MusicXML 4.0 schema."""
    assert ET.parse(path).getroot().get("version") == "4.0"
    assert [e.reason for e in schema.iter_errors(str(path))] == []


def test_the_schema_can_refuse(schema: xmlschema.XMLSchema, tmp_path: Path) -> None:
    """The check above can fail: a note with an impossible octave is refused."""
    text = FILES[0].read_text(encoding="utf-8")
    broken = tmp_path / "broken.musicxml"
    broken.write_text(re.sub(r"<octave>\d", "<octave>12", text, count=1), encoding="utf-8")
    assert not schema.is_valid(str(broken))


@each_file
def test_every_voice_fills_every_bar(path: Path) -> None:
    """In each bar each voice adds up to the metre exactly (a pickup: to the pickup)."""
    for part in ET.parse(path).getroot().findall("part"):
        divisions, metre = 1, Fraction(0)
        staves = int(part.findtext(".//staves") or 1)
        for bar in part.findall("measure"):
            where = f"part {part.get('id')}, bar {bar.get('number')}"
            divisions = int(bar.findtext("attributes/divisions") or divisions)
            if bar.find("attributes/time") is not None:
                beats = int(bar.findtext("attributes/time/beats") or 0)
                metre = Fraction(4 * beats, int(bar.findtext("attributes/time/beat-type") or 0))
            filled: dict[str, Fraction] = {}
            now = Fraction(0)
            for element in bar:
                assert element.tag != "forward", f"{where}: a gap in a voice"
                if element.tag == "backup":
                    now -= quarters(element, divisions)
                    assert now == 0, f"{where}: backup to {now}"
                elif element.tag == "note" and element.find("chord") is None:
                    length = quarters(element, divisions)
                    voice = element.findtext("voice") or ""
                    assert filled.get(voice, Fraction(0)) == now, f"{where}: voice {voice}"
                    now += length
                    filled[voice] = now
            assert len(filled) >= staves, where
            lengths = set(filled.values())
            if bar.get("implicit") == "yes":
                assert len(lengths) == 1, where
                assert max(lengths) < metre, where
            else:
                assert lengths == {metre}, f"{where}: {filled}"


@each_file
def test_chords_ties_and_slurs_are_closed(path: Path) -> None:
    """Chord notes share a length, each tie reaches the same note, each slur and wedge ends."""
    root = ET.parse(path).getroot()
    for part in root.findall("part"):
        open_ties: set[tuple[str, str]] = set()
        open_slurs: set[str] = set()
        open_wedge = False
        length = None
        for element in part.iter():
            if element.tag == "wedge":
                assert (element.get("type") == "stop") == open_wedge
                open_wedge = not open_wedge
            if element.tag != "note":
                continue
            if element.find("chord") is not None:
                assert element.findtext("duration") == length
            length = element.findtext("duration")
            voice = element.findtext("voice") or ""
            pitch = "".join(x.text or "" for x in element.findall("pitch/*"))
            for tie in sorted((t.get("type") or "" for t in element.findall("tie")), reverse=True):
                if tie == "stop":
                    open_ties.remove((voice, pitch))
                else:
                    open_ties.add((voice, pitch))
            for slur in element.findall("notations/slur"):
                if slur.get("type") == "start":
                    assert slur.get("number") not in open_slurs
                    open_slurs.add(slur.get("number") or "")
                else:
                    open_slurs.remove(slur.get("number") or "")
        assert not open_ties
        assert not open_slurs
        assert not open_wedge


@each_file
def test_music21_reads_all_of_it(path: Path) -> None:
    """music21 opens the file without a warning and finds the same notes and bars."""
    root = ET.parse(path).getroot()
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        score = music21.converter.parse(path, forceSource=True)
    assert isinstance(score, music21.stream.Score)
    assert {p.partName for p in score.parts} == {
        s.findtext("part-name") for s in root.iter("score-part")
    }
    written = sum(n.find("pitch") is not None for n in root.iter("note"))
    assert sum(len(n.pitches) for n in score.recurse().notes) == written
    bars = len(root.findall("part")[0].findall("measure"))
    assert all(len(p.getElementsByClass("Measure")) == bars for p in score.parts)
    assert score.recurse().getElementsByClass("MetronomeMark").first() is not None


@each_file
def test_verovio_engraves_it(path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Verovio opens and draws the file; it complains of nothing but the harp pedal diagram.

    Verovio does not draw `<harp-pedals>` and says so; no other word from it is allowed, and that
    one only for a file that has a diagram.
    """
    verovio.enableLog(verovio.LOG_WARNING)
    toolkit = verovio.toolkit()
    toolkit.setOptions({"breaks": "auto"})
    opened = toolkit.loadFile(str(path))
    pages = [toolkit.renderToSVG(n + 1) for n in range(toolkit.getPageCount())]
    said = [line for line in "".join(capfd.readouterr()).splitlines() if line.strip()]
    assert opened
    root = ET.parse(path).getroot()
    assert all("harp-pedals" in line for line in said), said
    assert not said or root.find(".//harp-pedals") is not None
    heads = sum(len(re.findall(r'class="notehead', page)) for page in pages)
    assert heads == sum(n.find("pitch") is not None for n in root.iter("note"))


@each_file
def test_harp_has_every_note(path: Path) -> None:
    """No note is off a 47-string harp: C flat 1 to G sharp 7 (Widor: six octaves and a fifth)."""
    notes = struck_notes(path)
    assert notes
    assert min(n.midi for n in notes) >= 23
    assert max(n.midi for n in notes) <= 104
    assert all(abs(n.alter) <= 1 for n in notes), "a harp string has no double sharps or flats"


@each_excerpt
def test_one_position_of_each_pedal_at_a_time(excerpt: dict[str, Any]) -> None:
    """A letter never sounds in two positions at once: a pedal moves all its octaves (Grove).

    Stronger than the instrument asks: when a letter changes, its last written note has ended
    before the new one is plucked, so that there is time to move the pedal.
    """
    last: dict[str, Struck] = {}
    for note in struck_notes(CORPUS / excerpt["file"]):
        before = last.get(note.letter)
        if before is not None and before.alter != note.alter:
            assert before.end < note.onset, f"{before} then {note}"
        if before is None or note.end >= before.end or before.alter != note.alter:
            last[note.letter] = note


@each_excerpt
def test_no_more_notes_than_fingers(excerpt: dict[str, Any]) -> None:
    """At most four strings at once in a hand, fewer for the first tiers; no string asked for twice.

    Four fingers a hand: Rimsky-Korsakov, Principles of Orchestration, ch. I. Few or no chords in
    the first solo levels: American Harp Society levels and community-school rubrics.
    """
    most = {"beginner": 2, "school": 3, "amateur": 3, "professional": 4, "soloist": 4}
    together: dict[tuple[Fraction, str], list[Struck]] = {}
    both: dict[Fraction, list[tuple[str, int]]] = {}
    for note in struck_notes(CORPUS / excerpt["file"]):
        together.setdefault((note.onset, note.hand), []).append(note)
        both.setdefault(note.onset, []).append((note.letter, note.octave))
    assert max(len(chord) for chord in together.values()) <= most[excerpt["tier"]]
    assert all(len(strings) == len(set(strings)) for strings in both.values())


@each_excerpt
def test_first_tiers_keep_one_setting(excerpt: dict[str, Any]) -> None:
    """Beginners never meet a letter in two positions, school students at most two changes."""
    allowed = {"beginner": 0, "school": 2}.get(excerpt["tier"])
    by_letter: dict[str, list[int]] = {}
    for note in struck_notes(CORPUS / excerpt["file"]):
        by_letter.setdefault(note.letter, []).append(note.alter)
    changes = sum(a != b for alters in by_letter.values() for a, b in pairwise(alters))
    if allowed is not None:
        assert changes <= allowed
    if excerpt["layers"]["pedals"] == "complex":
        bars = len(ET.parse(CORPUS / excerpt["file"]).getroot().findall(".//measure"))
        assert changes >= bars, "complex pedals: at least one change a bar on average"


@each_excerpt
def test_lever_mark_is_right(excerpt: dict[str, Any]) -> None:
    """'lever' is true exactly where a lever harp tuned in E flat has all the strings.

    The exam standard is an E flat tuning and 34 strings from C2 (ABRSM harp syllabus); a lever
    raises one string by a semitone, so E, A and B strings give flat and natural, the others
    natural and sharp. At most one lever is turned on the way.
    """
    notes = struck_notes(CORPUS / excerpt["file"])
    positions = {letter: (-1, 0) if letter in "EAB" else (0, 1) for letter in "CDEFGAB"}
    by_string: dict[tuple[str, int], list[int]] = {}
    for note in notes:
        by_string.setdefault((note.letter, note.octave), []).append(note.alter)
    reachable = all(note.alter in positions[note.letter] for note in notes)
    in_range = min(n.midi for n in notes) >= 36 and max(n.midi for n in notes) <= 93
    turned = sum(a != b for alters in by_string.values() for a, b in pairwise(alters))
    # A glissando sounds the strings in between too, so a pedal diagram rules levers out.
    diagram = ET.parse(CORPUS / excerpt["file"]).getroot().find(".//harp-pedals") is not None
    assert excerpt["lever"] == (reachable and in_range and turned <= 1 and not diagram)
