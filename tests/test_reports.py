"""The strip in the terminal and the reports of `gentler assess`, as files and as drawings."""

import io
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from music21 import corpus

from simplify import api
from simplify.harp.player import LAYERS, MODERATE, SIMPLE
from simplify.report import html, overview, terminal
from simplify.report.loads import Loads, plot
from simplify.report.results import CAUTIONS, AssessResult
from simplify.report.strip import BLOCKS, PLAIN, cell, strip
from simplify.report.svg import GRADES, INK, NEW, OVER, PAPER, SOFT
from simplify.report.words import LAYER_WORDS

ROOT = Path(__file__).resolve().parent.parent
EXAMPLE = ROOT / "examples" / "the_lamp_relit.musicxml"


def run(*words: object) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [sys.executable, "-m", "simplify.cli", *map(str, words)],
        cwd=ROOT, capture_output=True, check=False,
    )


@pytest.fixture(scope="module")
def result() -> AssessResult:
    return api.assess_score(api.Request(str(EXAMPLE), tier="amateur"))


# --- the strip ----------------------------------------------------------------------------------


@pytest.mark.parametrize("cells", [BLOCKS, PLAIN])
def test_a_higher_load_never_prints_a_lower_cell(cells: tuple[str, str, str]):
    """Without colour the characters alone must keep the order, and part the grades."""
    order = "".join(cells)
    prints = [cell(i / 1000, cells)[1] for i in range(1000)]
    ranks = [order.index(sign) for sign in prints]
    assert ranks == sorted(ranks)
    assert set(prints) == set(order)
    assert cell(SIMPLE, cells)[1] in cells[0]
    assert cell(SIMPLE + 1e-6, cells)[1] in cells[1]
    assert cell(MODERATE, cells)[1] in cells[1]
    assert cell(MODERATE + 1e-6, cells)[1] in cells[2]


def test_a_stretch_names_what_weighs_and_not_every_trifle():
    """Real music (music21's corpus): the heaviest reason is told, one far below it is not."""
    path = corpus.getWork("joplin/maple_leaf_rag")
    result = api.assess_score(api.Request(str(path), bars="1-16"))
    faint = 0
    for stretch in result.stretches:
        told = [reason.value for reason in stretch.reasons]
        assert told == sorted(told, reverse=True)
        assert min(told) >= api.FAINT * max(told)
        begin, end = result.part.bars[stretch.first].onset, result.part.bars[stretch.last].end
        known = [r.value for r in result.assessment.reasons if begin <= r.onset < end]
        assert max(told) == max(known)
        faint += min(known) < api.FAINT * max(known)
    assert faint


@pytest.mark.parametrize("width", [30, 60, 92, 200])
@pytest.mark.parametrize("bars", [1, 7, 24, 61, 300])
def test_the_strip_fits_the_width_and_shows_every_bar(width: int, bars: int):
    layers = [[0.9, 0.5, 0.2, 0.9, 0.5, 0.2]] * bars
    rows = strip([str(i + 1) for i in range(bars)], layers, width=width)
    assert all(len(row) < width for row in rows[:-1])
    fingers = [row for row in rows if row.startswith(LAYER_WORDS["fingers"] + " ")]
    cells = "".join(fingers).count("█") + "".join(fingers).count("▇")
    per_bar = cells / bars
    assert per_bar in (1, 2)
    assert len(rows) == len(fingers) * (len(LAYERS) + 2)
    assert rows[0].split()[0] == "1"


def test_colour_changes_nothing_but_colour():
    layers = [[i / 24] * 6 for i in range(24)]
    numbers = [str(i) for i in range(24)]
    coloured = strip(numbers, layers, width=92, colour=True)
    bare = [re.sub(r"\x1b\[[\d;]*m", "", row) for row in coloured]
    assert bare == strip(numbers, layers, width=92)
    assert any("\x1b" in row for row in coloured)


def test_marks_stand_under_their_bars():
    rows = strip(["1", "2", "3"], [[0.5] * 6] * 3, width=60, marks=(("over", {1}), ("none", set())))
    row = next(row for row in rows if row.startswith("over"))
    ruler = rows[0]
    assert row.rstrip().endswith("x")
    assert ruler.index("1") + 3 == row.index("x")
    assert not any(row.startswith("none") for row in rows)


def test_a_pipe_gets_no_colour_and_ascii_gets_plain_cells(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(io.BytesIO(), "ascii"))
    assert terminal.screen() == terminal.Screen(terminal.WIDTH, False, True)
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(io.BytesIO(), "utf-8"))
    assert terminal.screen() == terminal.Screen(terminal.WIDTH, False, False)


# --- the plot -----------------------------------------------------------------------------------


def test_the_plot_has_every_number(result: AssessResult):
    """Numbers on demand: each bar of each layer can be pointed at."""
    root = ET.fromstring(overview.plotted(result).svg)
    titles = [t.text or "" for t in root.iter("{http://www.w3.org/2000/svg}title")]
    for bar in result.assessment.bars:
        for name, load in zip(LAYERS, bar.layers, strict=True):
            start = f"bar {bar.number}, {LAYER_WORDS[name]}: {load:.2f}"
            assert any(title.startswith(start) for title in titles)
    for fault in result.faults:
        assert any(fault.text in title for title in titles)
    words = "".join(root.itertext())
    assert CAUTIONS[0] in words
    for stretch in result.stretches:
        assert f": {stretch.difficulty:.0f}, {stretch.tier}" in words


def test_columns_are_as_high_as_the_loads():
    """Read back from the drawing: heights in the ratio of the loads."""
    loads = Loads(("1", "2", "3"), ((0.1,) * 6, (0.5,) * 6, (0.9,) * 6))
    root = ET.fromstring(plot(loads).svg)
    heights = [
        (float(rect.get("height", 0)), rect.get("fill"))
        for rect in root.iter("{http://www.w3.org/2000/svg}rect")
        if rect.get("fill") in GRADES.values()
    ]
    assert len(heights) == 18
    for at in range(0, 18, 3):
        (a, low), (b, middle), (c, high) = heights[at : at + 3]
        assert (low, middle, high) == tuple(GRADES.values())
        assert b / a == pytest.approx(5, rel=0.02)
        assert c / a == pytest.approx(9, rel=0.02)


def test_the_drawing_stays_inside_its_box(result: AssessResult):
    """A long passage is cut into rows; nothing may stick out at the side."""
    for count in (1, 5, 24, 73, 200):
        loads = Loads(tuple(map(str, range(count))), ((0.5,) * 6,) * count)
        shown = plot(loads)
        root = ET.fromstring(shown.svg)
        for rect in root.iter("{http://www.w3.org/2000/svg}rect"):
            right = float(rect.get("x", 0)) + float(rect.get("width", 0))
            assert right <= shown.width - 11.9


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2, 'relative luminance')."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio (WCAG 2.2, success criterion 1.4.3)."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_inks_have_contrast_and_grades_read_in_grey():
    """4.5:1 for all text (WCAG 2.2, 1.4.3); the three grades keep 1.5:1 between neighbours in
    lightness alone, so any colour vision and grey print keep them apart."""
    for ground in (PAPER, "#ffffff", "#f3efe8"):
        for ink in (INK, SOFT, OVER, NEW):
            assert contrast(ink, ground) >= 4.5, (ink, ground)
    simple, moderate, complex_ = GRADES.values()
    assert contrast(simple, moderate) >= 1.5
    assert contrast(moderate, complex_) >= 1.5
    style = (ROOT / "simplify" / "report" / "page.css").read_text("utf-8")
    declared = dict(re.findall(r"--(\w+): (#\w{6})", style))
    assert declared == declared | {"ink": INK, "soft": SOFT, "paper": PAPER, "over": OVER,
                                   "new": NEW}


# --- the files ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "starts"),
    [("svg", b"<svg"), ("png", b"\x89PNG"), ("html", b"<!doctype html>"), ("pdf", b"%PDF")],
)
def test_report_files(kind: str, starts: bytes, tmp_path: Path):
    target = tmp_path / f"loads.{kind}"
    done = run("assess", EXAMPLE, "--tier", "school", "--bars", "9-12", "--report", target)
    assert done.returncode == 0, done.stderr
    content = target.read_bytes()
    assert content.startswith(starts)
    assert len(content) > 5_000
    again = run("assess", EXAMPLE, "--report", target)
    assert again.returncode == 2
    assert b"--force" in again.stderr
    assert target.read_bytes() == content


@pytest.mark.parametrize(
    ("out", "says"), [("loads.gif", ".svg"), ("nowhere/loads.svg", "nowhere"), ("loads", ".svg")]
)
def test_bad_report_names_get_one_line(out: str, says: str, tmp_path: Path):
    done = run("assess", EXAMPLE, "--report", tmp_path / out)
    assert done.returncode == 2
    assert done.stderr.startswith(b"Error: ")
    assert len(done.stderr.splitlines()) == 1
    assert says.encode() in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_the_page_is_one_file_without_script(result: AssessResult):
    text = html.page(overview.story(result))
    assert "<script" not in text
    addresses = re.findall(r'(?:src|href)="([^"#][^"]*)"|url\(([^)]*)\)', text)
    assert all((a or b).startswith("data:") for a, b in addresses)
    for caution in CAUTIONS:
        assert caution.replace("'", "&#x27;") in text
