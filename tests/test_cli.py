"""The command line as outside scripts see it: exit codes, one error line, JSON alone on stdout."""

import contextlib
import io
import json
import subprocess
import sys
import zipfile
from pathlib import Path
from unittest import mock

import pytest

from simplify import cli

ROOT = Path(__file__).resolve().parent.parent
EXAMPLE = next((ROOT / "examples").glob("*.musicxml"), None)
LAYERS = {"fingers", "between_hands", "pedals", "harmonic_rhythm", "rhythm", "counterpoint"}
TIERS = {"beginner", "school", "amateur", "professional", "soloist"}
COMMANDS = ("assess", "rewrite", "pedals", "strategies", "harps", "tiers")


def run(*words: object, data: bytes | None = None) -> subprocess.CompletedProcess[bytes]:
    """Runs the command in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "simplify.cli", *map(str, words)],
        cwd=ROOT, input=data, capture_output=True, check=False,
    )


def run_here(*words: object) -> subprocess.CompletedProcess[bytes]:
    """Runs the command in this process, without the seconds that a new one takes to start."""
    out, err = (io.TextIOWrapper(io.BytesIO(), "utf-8", write_through=True) for _ in range(2))
    code = 0
    with (
        mock.patch.object(sys, "argv", ["gentler", *map(str, words)]), contextlib.chdir(ROOT),
        contextlib.redirect_stdout(out), contextlib.redirect_stderr(err),
    ):
        try:
            cli.main()
        except SystemExit as end:
            code = int(end.code or 0)
    written = (one.buffer.getvalue() for one in (out, err))  # type: ignore[attr-defined]
    return subprocess.CompletedProcess(words, code, *written)


@pytest.fixture(scope="module")
def excerpt() -> Path:
    """A short score of the corpus, for commands that should be quick."""
    import tomllib

    manifest = tomllib.loads((ROOT / "corpus" / "manifest.toml").read_text("utf-8"))
    rows = manifest["excerpt"]
    row = next(r for r in rows if r["tier"] == "professional")
    return ROOT / "corpus" / row["file"]


@pytest.mark.parametrize("command", COMMANDS)
def test_help_has_an_example(command: str):
    """A user who asks for help is shown a line to copy."""
    done = run_here(command, "--help")
    assert done.returncode == 0
    assert f"Example: gentler {command}".encode() in done.stdout


def test_help_lists_the_commands():
    done = run("--help")
    assert done.returncode == 0
    assert all(command.encode() in done.stdout for command in COMMANDS)


def test_assess_json(excerpt: Path):
    """The keys and ranges that outside scripts rely on."""
    done = run("assess", excerpt, "--json", "--tier", "school")
    assert done.returncode == 0, done.stderr
    result = json.loads(done.stdout)
    assert set(result) >= {
        "version", "score", "harp", "tier", "difficulty", "tier_needed", "layers", "passages",
        "per_bar", "faults", "pedals", "warnings",
    }
    assert set(result["score"]) >= {"title", "part", "bars", "tempo", "source_format"}
    assert set(result["layers"]) == LAYERS
    assert all(0 <= load <= 1 for load in result["layers"].values())
    assert 0 <= result["difficulty"] <= 100
    assert result["tier_needed"] in TIERS | {None}
    assert len(result["per_bar"]) == result["score"]["bars"]
    assert set(result["pedals"]["start"]) == set("DCBEFGA")
    for passage in result["passages"]:
        assert set(passage) >= {
            "bars", "difficulty", "tier_needed", "layers", "complex_layers", "within_tier",
            "reasons",
        }
        assert set(passage["layers"]) == LAYERS
        for reason in passage["reasons"]:
            assert set(reason) == {"bar", "beat", "hand", "layer", "text", "value"}
            assert reason["layer"] in LAYERS


def test_assess_from_stdin_is_the_same(excerpt: Path):
    """`-` reads the score from stdin."""
    piped = run("assess", "-", "--json", "--quiet", data=excerpt.read_bytes())
    named = run("assess", excerpt, "--json", "--quiet")
    assert piped.returncode == 0, piped.stderr
    one, other = json.loads(piped.stdout), json.loads(named.stdout)
    assert one["per_bar"] == other["per_bar"]


def test_assess_text_says_where_what_why_for_whom(excerpt: Path):
    done = run("assess", excerpt)
    text = done.stdout.decode()
    assert done.returncode == 0
    for words in ("Difficulty", "of 100", "Layers:", "Where, what and why:", "Pedals: start",
                  "the harpist's word decides"):
        assert words in text


def test_pedals_json_and_marked_score(excerpt: Path, tmp_path: Path):
    """The plan and the marked score agree, and the input is left alone."""
    before = excerpt.read_bytes()
    target = tmp_path / "marked.musicxml"
    done = run("pedals", excerpt, "--json", "--out", target)
    assert done.returncode == 0, done.stderr
    result = json.loads(done.stdout)
    assert set(result) >= {"start", "moves", "spelling", "cost", "optimal", "unmet"}
    assert result["optimal"] is True
    for move in result["moves"]:
        assert set(move) >= {"bar", "beat", "pedal", "from", "to", "foot"}
        assert move["foot"] == ("left" if move["pedal"] in "DCB" else "right")
    written = target.read_text("utf-8")
    assert written.count("<harp-pedals>") >= 1
    assert excerpt.read_bytes() == before
    again = run("pedals", excerpt, "--out", target)
    assert again.returncode == 2
    assert again.stderr.startswith(b"Error: ")
    assert run("pedals", excerpt, "--out", target, "--force").returncode == 0
    packed = tmp_path / "marked.mxl"
    assert run("pedals", excerpt, "--out", packed).returncode == 0
    with zipfile.ZipFile(packed) as bundle:
        assert any(bundle.read(name) == target.read_bytes() for name in bundle.namelist())


def test_fingers_are_printed_and_the_plan_is_shown(excerpt: Path, tmp_path: Path):
    """The score's finger numbers, read by music21, are those of the plan; on the page every finger
    is 1 (thumb) to 4; the text view has a line a moment."""
    from music21 import articulations, converter

    target = tmp_path / "fingered.musicxml"
    done = run("pedals", excerpt, "--fingering", "--json", "--out", target)
    assert done.returncode == 0, done.stderr
    rows = json.loads(done.stdout)["hands"]
    wanted = sorted(n["finger"] for row in rows for n in row["notes"] if n["finger"])
    printed = [
        mark.fingerNumber
        for element in converter.parse(target).recurse().notes
        for mark in element.articulations
        if isinstance(mark, articulations.Fingering)
    ]
    assert sorted(printed) == wanted
    assert set(printed) <= {1, 2, 3, 4}
    assert all(row["hand"] in ("L", "R") for row in rows)
    text = run("pedals", excerpt, "--plan").stdout.decode()
    assert "bar  beat  left" in text
    moments = {(row["bar"], row["beat"]) for row in rows}
    lines = {tuple(line.split()[:2]) for line in text.splitlines() if line}
    assert {(bar, f"{beat:g}") for bar, beat in moments} <= lines
    alone = run("pedals", excerpt, "--fingering")
    assert alone.returncode == 2
    assert b"--out" in alone.stderr


def test_rewrite_writes_scores_page_and_json(excerpt: Path, tmp_path: Path):
    """Every alternative is a complete score without faults; the JSON names each file."""
    out = tmp_path / "easier"
    done = run("rewrite", excerpt, "--tier", "school", "--json", "--out", out, "-n", "3",
               "--beside", "--colour")
    assert done.returncode in (0, 1), done.stderr
    result = json.loads(done.stdout)
    assert json.loads((out / "result.json").read_text("utf-8")) == result
    assert (out / "report.html").read_text("utf-8").startswith("<!doctype html>")
    assert result["alternatives"], result["stopped"]
    assert [a["rank"] for a in result["alternatives"]] == list(
        range(1, len(result["alternatives"]) + 1)
    )
    for one in result["alternatives"]:
        assert one["faults"] == 0
        assert one["difficulty"] < result["original"]["difficulty"]
        assert set(one["distance_parts"]) == {"melody", "bass", "harmony", "rhythm", "texture"}
        assert one["steps"]
        alone = (out / one["file"]).read_bytes()
        assert alone.startswith(b"<?xml")
        both = (out / one["file"].replace(".", "-beside.")).read_bytes()
        assert both.count(b"<part id=") == alone.count(b"<part id=") + 1
        assert f"(alternative {one['rank']})</part-name>".encode() in both
        assert both.count(b"<note color=") == alone.count(b"<note color=") < alone.count(b"<note")
    assert done.returncode == (0 if result["alternatives"][0]["within_tier"] else 1)
    assert set(result["statistics"]) == {s["name"] for s in json.loads(
        run("strategies", "--json").stdout)["strategies"]}
    assert run("rewrite", excerpt, "--tier", "school", "--out", out).returncode == 2


def test_catalogues():
    """Every row of a catalogue has a source or a case."""
    strategies = json.loads(run("strategies", "--json").stdout)["strategies"]
    assert len(strategies) >= 11
    assert all(row["cases"] and len(row["text"]) == 4 for row in strategies)
    harps = json.loads(run("harps", "--json").stdout)["harps"]
    wanted = {"pedal-47", "pedal-46", "pedal-40", "lever-34", "lever-36"}
    assert wanted <= {h["name"] for h in harps}
    assert all(h["source"] for h in harps)
    tiers = json.loads(run("tiers", "--json").stdout)
    assert [t["name"] for t in tiers["tiers"]] == [
        "beginner", "school", "amateur", "professional", "soloist"
    ]
    for command in ("strategies", "harps", "tiers"):
        assert run(command).returncode == 0
    name = strategies[0]["name"]
    assert name.encode() in run("strategies", name).stdout


PERCUSSION = b"""<?xml version="1.0"?><score-partwise version="4.0"><part-list>
<score-part id="P1"><part-name>Drum</part-name></score-part></part-list><part id="P1">
<measure number="1"><attributes><divisions>1</divisions></attributes><note><unpitched/>
<duration>4</duration></note></measure></part></score-partwise>"""
EMPTY = b"""<?xml version="1.0"?><score-partwise version="4.0"><part-list>
<score-part id="P1"><part-name>Harp</part-name></score-part></part-list><part id="P1">
<measure number="1"><attributes><divisions>1</divisions></attributes><note><rest/>
<duration>4</duration></note></measure></part></score-partwise>"""
ENTITY = b"""<?xml version="1.0"?><!DOCTYPE score-partwise [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]>
<score-partwise version="4.0"><part-list><score-part id="P1"><part-name>&b;</part-name></score-part>
</part-list><part id="P1"><measure number="1"/></part></score-partwise>"""
FETCH = b"""<?xml version="1.0"?><!DOCTYPE score-partwise [<!ENTITY a SYSTEM "file:///etc/passwd">]>
<score-partwise version="4.0"><part-list><score-part id="P1"><part-name>&a;</part-name></score-part>
</part-list><part id="P1"><measure number="1"/></part></score-partwise>"""


def _truncated(excerpt: Path) -> bytes:
    import io

    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as bundle:
        bundle.writestr("META-INF/container.xml", '<container><rootfiles><rootfile '
                        'full-path="a.xml"/></rootfiles></container>')
        bundle.writestr("a.xml", excerpt.read_bytes())
    return buffer.getvalue()[: len(buffer.getvalue()) // 2]


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("prose.musicxml", b"Dear Sir, the harp part is too hard."),
        ("empty.musicxml", b""),
        ("rests.musicxml", EMPTY),
        ("drum.musicxml", PERCUSSION),
        ("entity.musicxml", ENTITY),
        ("fetch.musicxml", FETCH),
        ("binary.mid", b"MThd\x00\x00\x00\x06\x00\x01"),
        ("half.musicxml", b"<?xml version='1.0'?><score-partwise><part-list>"),
        ("page.xml", b"<html><body>no score</body></html>"),
    ],
)
def test_bad_scores_get_one_line(name: str, content: bytes, tmp_path: Path):
    """Bad input: one `Error:` line that names the file, exit 2, nothing written."""
    path = tmp_path / name
    path.write_bytes(content)
    out = tmp_path / "out"
    for start, words in (
        (run, ("assess", path)),
        (run_here, ("pedals", path, "--out", tmp_path / "o.musicxml")),
        (run_here, ("rewrite", path, "--tier", "school", "--out", out)),
    ):
        done = start(*words)
        lines = done.stderr.decode().splitlines()
        assert done.returncode == 2, (words, done.stdout, done.stderr)
        assert len(lines) == 1
        assert lines[0].startswith("Error: ")
        assert name in lines[0]
        assert done.stdout == b""
    assert sorted(p.name for p in tmp_path.iterdir()) == [name]


def test_truncated_archive(excerpt: Path, tmp_path: Path):
    path = tmp_path / "cut.mxl"
    path.write_bytes(_truncated(excerpt))
    done = run("assess", path)
    assert done.returncode == 2
    assert done.stderr.decode().startswith("Error: ")
    assert len(done.stderr.decode().splitlines()) == 1


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("assess", "no-such-file.musicxml"), "no-such-file.musicxml"),
        (("assess", "{score}", "--part", "Ophicleide"), "Ophicleide"),
        (("assess", "{score}", "--bars", "900-901"), "900"),
        (("assess", "{score}", "--bars", "4-2"), "4-2"),
        (("assess", "{score}", "--bars", "x"), "x"),
        (("assess", "{score}", "--tier", "virtuoso"), "virtuoso"),
        (("assess", "{score}", "--harp", "pedal-99"), "pedal-99"),
        (("assess", "{score}", "--tempo", "0"), "tempo"),
        (("assess", "{score}", "--player", "nobody.toml"), "nobody.toml"),
        (("rewrite", "{score}", "--out", "{tmp}/o"), "--tier"),
        (("rewrite", "{score}", "--tier", "school", "--keep", "soul", "--out", "{tmp}/o"), "soul"),
        (("rewrite", "{score}", "--tier", "school", "--out", "{score}"), "folder"),
        (("pedals", "{score}", "--out", "{score}", "--force"), "never overwritten"),
        (("strategies", "wish_harder"), "wish_harder"),
        (("assess",), "SCORE"),
        (("polish", "{score}"), "polish"),
        (("assess", "{score}", "--loud"), "--loud"),
    ],
)
def test_bad_requests_get_one_line(
    words: tuple[str, ...], says: str, excerpt: Path, tmp_path: Path
):
    """Usage errors look like every other: one line, exit 2, the offending word in it."""
    before = excerpt.read_bytes()
    done = run_here(*(w.format(score=excerpt, tmp=tmp_path) for w in words))
    lines = done.stderr.decode().splitlines()
    assert done.returncode == 2, (done.stdout, done.stderr)
    assert len(lines) == 1
    assert lines[0].startswith("Error: ")
    assert says in lines[0]
    assert list(tmp_path.iterdir()) == []
    assert excerpt.read_bytes() == before


def test_example_is_there():
    """The README's first command needs it."""
    assert EXAMPLE is not None
