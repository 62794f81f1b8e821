"""The report of `gentler rewrite`: what it holds, what it weighs, and how a browser takes it.

The browser tests drive a Chromium of the machine and are skipped where there is none.
"""

import io
import re
import shutil
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from simplify import api
from simplify.harp.instrument import PEDALS
from simplify.harp.player import tier_player
from simplify.report import html, page, pdf, sound
from simplify.report.engrave import RING, compared
from simplify.report.front import Point, front
from simplify.report.pedal_chart import diagram, time_line
from simplify.report.results import CAUTIONS, RewriteResult
from simplify.report.story import Fold, OnScreen, Sound, Story
from simplify.report.svg import NEW, OVER
from simplify.score.text import parse_passage
from simplify.technique.perform import perform
from simplify.technique.plan import PedalMove

ROOT = Path(__file__).resolve().parent.parent
EXAMPLE = ROOT / "examples" / "the_lamp_relit.musicxml"
SVG = "{http://www.w3.org/2000/svg}"
CHROMIUM = next(
    filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None
)


@pytest.fixture(scope="module")
def result() -> RewriteResult:
    request = api.Request(str(EXAMPLE), bars="13-14", tier="amateur")
    return api.rewrite_score(request, keep="melody", count=3, workers=1)


@pytest.fixture(scope="module")
def story(result: RewriteResult) -> Story:
    return page.story(result, [f"{one.rank:02d}.musicxml" for one in result.alternatives])


@pytest.fixture(scope="module")
def text(story: Story) -> str:
    return html.page(story)


# --- what it holds ------------------------------------------------------------------------------


def test_one_file_that_needs_nothing_else(text: str):
    """Opens offline: no script, and no address but inside the file."""
    assert "<script" not in text
    addresses = re.findall(r'(?:src|href)="([^"#][^"]*)"|url\(([^)]*)\)', text)
    assert addresses
    assert all((a or b).startswith("data:") for a, b in addresses)
    assert "http:" not in text.replace("http://www.w3.org/", "")


def test_names_are_unique_and_links_lead_somewhere(text: str):
    names = re.findall(r'\sid="([^"]+)"', text)
    assert len(names) == len(set(names))
    targets = set(re.findall(r'href="#([^"]+)"', text))
    assert targets
    assert targets <= set(names)


def test_every_alternative_is_told(result: RewriteResult, text: str):
    assert result.alternatives
    plain = text.replace("&#x27;", "'")
    for one in result.alternatives:
        assert f'id="alternative-{one.rank}"' in text
        for step in one.steps:
            assert step.text in plain
    for caution in CAUTIONS:
        assert caution in plain
    assert "Kept as asked: melody." in text


def test_a_title_cannot_break_the_page(result: RewriteResult):
    """Titles come from files of strangers."""
    from dataclasses import replace

    nasty = '</title><script>x</script> #eval("1") $x$ \\ *a* "q"'
    told = page.story(
        replace(result, info=replace(result.info, title=nasty), alternatives=()), []
    )
    assert "<script" not in html.page(told)
    assert pdf.pdf(told).startswith(b"%PDF")


def test_weight(result: RewriteResult, story: Story):
    """The budget of sound leaves room below five megabytes for eight bars, five alternatives."""
    recordings = [b for b in _flat(story.blocks) if isinstance(b, Sound)]
    assert len(recordings) == 1 + len(result.alternatives)
    for one in recordings:
        assert len(one.mp3) <= 1.1 * sound.BYTES_PER_SECOND * (one.seconds + sound.TAIL) + 2_000
    assert sound.BUDGET * 4 / 3 < 4_100_000


def _flat(blocks: Any) -> Iterator[Any]:
    for block in blocks:
        yield block
        if isinstance(block, OnScreen | Fold):
            yield from _flat(block.blocks)


def test_of_a_long_passage_the_changed_bars_are_shown(
    result: RewriteResult, monkeypatch: pytest.MonkeyPatch
):
    """Each touched bar with a neighbour, and no bar twice."""
    from dataclasses import replace

    monkeypatch.setattr(page, "WHOLE", 2)
    whole = replace(result, first=0, last=len(result.part.bars) - 1)
    for one in result.alternatives:
        ranges = page._ranges(whole, one)
        shown = [bar for low, high in ranges for bar in range(low, high + 1)]
        assert len(shown) == len(set(shown)) < len(result.part.bars)
        touched = {note.bar for note in one.part.notes if note.id in one.changed}
        assert touched <= set(shown)
        assert all(low == 0 or low + 1 in touched for low, _ in ranges)


def test_the_command_writes_the_report_where_it_is_told(tmp_path: Path):
    """As PDF beside the folder; never over a file that is there; another ending is refused."""
    import subprocess
    import sys

    def run(*words: object) -> subprocess.CompletedProcess[bytes]:
        command = ("rewrite", EXAMPLE, "--bars", "13", "--tier", "amateur", "-n", "1", *words)
        return subprocess.run(
            [sys.executable, "-m", "simplify.cli", *map(str, command)],
            cwd=ROOT, capture_output=True, check=False,
        )

    out, sheet = tmp_path / "easier", tmp_path / "sheet.pdf"
    done = run("--out", out, "--report", sheet)
    assert done.returncode in (0, 1), done.stderr
    assert sheet.read_bytes().startswith(b"%PDF")
    assert (out / "report.html").read_bytes().startswith(b"<!doctype html>")
    for words, says in (
        (("--out", tmp_path / "other", "--report", sheet), b"--force"),
        (("--out", tmp_path / "other", "--report", tmp_path / "sheet.doc"), b".pdf"),
    ):
        refused = run(*words)
        assert refused.returncode == 2
        assert refused.stderr.startswith(b"Error: ")
        assert says in refused.stderr
        assert not (tmp_path / "other").exists()


# --- drawings -----------------------------------------------------------------------------------


def test_changed_notes_have_a_shape(result: RewriteResult):
    """A ring for each note that comes, a stroke for each that goes: grey print shows both."""
    one = result.alternatives[0]
    old = result.part.window(result.first, result.last).by_id.keys()
    new = one.part.window(result.first, result.last).by_id.keys()
    svg = "".join(
        page.svg for page in compared(result.part, one.part, result.first, result.last)
    )
    root = ET.fromstring(f"<all>{svg}</all>")
    rings = [e for e in root.iter(f"{SVG}ellipse") if e.get("rx") == f"{RING[0]:g}"]
    strokes = [e for e in root.iter(f"{SVG}path") if e.get("stroke") == OVER]
    # A note tied or dotted over a rest's place may be written as several heads.
    assert len(rings) >= len(new - old) > 0
    assert len(strokes) >= len(old - new) > 0
    assert all(ring.get("stroke") == NEW for ring in rings)


def test_diagram_strokes_stand_as_the_pedals_do():
    """Flat above the line, natural across it, sharp below it; three strokes left of the divider
    (common practice of printed harp parts)."""
    root = ET.fromstring(diagram((-1, 0, 1, -1, 0, 1, 0)).svg)
    lines = [
        {key: float(e.get(key, 0)) for key in ("x1", "x2", "y1", "y2", "stroke-width")}
        for e in root.iter(f"{SVG}line")
    ]
    level = next(one["y1"] for one in lines if one["y1"] == one["y2"])
    strokes = sorted((one for one in lines if one["stroke-width"] > 3), key=lambda o: o["x1"])
    divider = next(o for o in lines if o["x1"] == o["x2"] and o["stroke-width"] < 2)
    assert len(strokes) == len(PEDALS)
    assert sum(one["x1"] < divider["x1"] for one in strokes) == 3
    middles = [(one["y1"] + one["y2"]) / 2 - level for one in strokes]
    assert [(m > 0) - (m < 0) for m in middles] == [-1, 0, 1, -1, 0, 1, 0]
    assert all(one["y2"] == level for one, m in zip(strokes, middles, strict=True) if m < 0)


def test_the_time_line_names_every_move(result: RewriteResult):
    part = result.part
    plan = result.original_performance.pedal_plan
    moves = [m for m in plan.moves if m.onset > 0]
    shown = time_line(part, plan.start, moves, 0, len(part.bars) - 1)
    root = ET.fromstring(shown.svg)
    titles = [t.text or "" for t in root.iter(f"{SVG}title")]
    assert len(titles) == len(moves) > 0
    for circle in root.iter(f"{SVG}circle"):
        assert 0 < float(circle.get("cx", 0)) < shown.width


def test_a_move_at_the_end_of_the_line_is_named_before_its_dot():
    """There is no room after it: the name ends where the dot begins, within the drawing."""
    part = parse_passage("3/4 tempo:60 | C5:2 D5:1/2 F#5 ; -").part
    plan = perform(part, tier_player("amateur")).pedal_plan
    move = PedalMove(part.end - 1, "F", 0, 1, "right")
    root = ET.fromstring(time_line(part, plan.start, [move], 0, 0).svg)
    (name,) = (t for t in root.iter(f"{SVG}text") if t.text == "F♯")
    (dot,) = root.iter(f"{SVG}circle")
    assert name.get("text-anchor") == "end"
    assert float(name.get("x", 0)) < float(dot.get("cx", 0))


def test_the_front_keeps_the_order_of_its_numbers():
    points = [Point("1", 0.05, 30, True), Point("2", 0.1, 20, True), Point("3", 0.3, 10, False)]
    root = ET.fromstring(front(45, points, 28, "amateur").svg)
    marks = [(float(c.get("cx", 0)), float(c.get("cy", 0))) for c in root.iter(f"{SVG}circle")]
    assert [x for x, _ in marks] == sorted(x for x, _ in marks)
    assert [y for _, y in marks] == sorted(y for _, y in marks)
    (x1, y1), (x2, y2), (x3, y3) = marks
    assert (x3 - x2) / (x2 - x1) == pytest.approx(4, rel=0.02)
    assert (y3 - y2) / (y2 - y1) == pytest.approx(1, rel=0.02)


# --- sound --------------------------------------------------------------------------------------


@pytest.mark.parametrize("midi", [26, 45, 60, 69, 84, 100])
def test_a_string_sounds_at_its_pitch(midi: int):
    """Equal temperament, A4 = 440 Hz (ISO 16): within 5 cents, the fundamental the strongest."""
    tone = sound._string(midi, 4.0)
    spectrum = np.abs(np.fft.rfft(tone * np.hanning(len(tone)), 8 * len(tone)))
    heard = np.argmax(spectrum) * sound.RATE / (8 * len(tone))
    cents = 1200 * np.log2(heard / (440 * 2 ** ((midi - 69) / 12)))
    assert abs(cents) < 5
    late = np.abs(tone[2 * sound.RATE :]).max()
    assert late < 0.5 * np.abs(tone[: sound.RATE // 10]).max()


def test_recordings_decode_to_the_length_of_the_bars(result: RewriteResult, story: Story):
    """Read back with libsndfile; the onset of the second bar is where the tempo puts it."""
    import soundfile

    part = result.part
    seconds = part.seconds(part.bars[result.last].end) - part.seconds(part.bars[result.first].onset)
    for one in (b for b in _flat(story.blocks) if isinstance(b, Sound)):
        samples, rate = soundfile.read(io.BytesIO(one.mp3))
        assert rate == sound.RATE
        assert len(samples) / rate == pytest.approx(seconds + sound.TAIL, abs=0.3)
        assert 0.3 < np.abs(samples).max() <= 1.05
        assert one.seconds == pytest.approx(seconds)


def test_rolled_chords_are_rolled_from_below(result: RewriteResult):
    """Bars 13 and 14 of the example have rolled tenths on beats 1 and 3."""
    performance = result.original_performance
    delays = sound._delays(performance)
    rolled = [
        i for i, strike in enumerate(performance.strikes)
        if strike.first.has("arpeggio") and strike.first.bar == result.first
    ]
    assert rolled
    moments = {performance.strikes[i].onset for i in rolled}
    for onset in moments:
        chord = [i for i in rolled if performance.strikes[i].onset == onset]
        chord.sort(key=lambda i: performance.strings[i])
        assert [delays[i] for i in chord] == pytest.approx(
            [sound.ROLL * rank for rank in range(len(chord))]
        )


def test_a_long_passage_is_cut_to_its_share():
    cut = sound.seconds_each(6)
    assert cut * 6 * sound.BYTES_PER_SECOND <= sound.BUDGET


# --- PDF ----------------------------------------------------------------------------------------


def test_pdf_has_the_words(story: Story, result: RewriteResult):
    """Read back with another library."""
    pypdfium2 = pytest.importorskip("pypdfium2")
    document = pypdfium2.PdfDocument(pdf.pdf(story))
    words = " ".join(
        document[i].get_textpage().get_text_range() for i in range(len(document))
    ).replace("\r\n", " ").replace("ﬁ", "fi").replace("ﬀ", "ff")
    assert story.title in words
    assert len(document) >= 1 + len(result.alternatives)
    for one in result.alternatives:
        assert f"Alternative {one.rank}" in words
    for caution in CAUTIONS:
        assert caution.split(";")[0].replace("'", "’") in words.replace("'", "’")
    assert "To listen to" not in words


# --- in a browser -------------------------------------------------------------------------------


class Opened:
    """A page in a browser, with what its console said."""

    def __init__(self, tab: Any) -> None:
        self.tab = tab
        self.said: list[str] = []
        tab.on("console", lambda message: self.said.append(message.text))
        tab.on("pageerror", lambda error: self.said.append(str(error)))


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    if CHROMIUM is None:
        pytest.skip("no Chromium on this machine")
    driver = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with driver.sync_playwright() as running:
        program = running.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"]
        )
        yield program
        program.close()


@pytest.fixture
def opened(
    browser: Any, text: str, tmp_path: Path, request: pytest.FixtureRequest
) -> Iterator[Opened]:
    width = getattr(request, "param", 1100)
    target = tmp_path / "report.html"
    target.write_text(text, "utf-8")
    context = browser.new_context(viewport={"width": width, "height": 800}, offline=True)
    shown = Opened(context.new_page())
    shown.tab.goto(target.as_uri())
    yield shown
    context.close()


@pytest.mark.parametrize("opened", [320, 360, 768, 1100], indirect=True)
def test_no_sideways_scroll_and_nothing_on_the_console(opened: Opened):
    """320 CSS pixels is what WCAG 2.2, 1.4.10 (reflow) asks for."""
    wide = opened.tab.evaluate("document.documentElement.scrollWidth - window.innerWidth")
    assert wide <= 0
    assert opened.said == []


@pytest.mark.parametrize("opened", [320, 390, 1100], indirect=True)
def test_engraved_music_fits_the_screen(opened: Opened):
    """Broken anew for a phone: none scrolls sideways, each is there once, its heads large enough
    to read (five pixels at least between two lines of a staff)."""
    width, shown, hidden = opened.tab.evaluate(
        """(() => { const all = [...document.querySelectorAll('svg.engraved')];
             const seen = all.filter(e => e.checkVisibility());
             return [Math.max(...seen.map(e => e.getBoundingClientRect().right)), seen.length,
                     all.length - seen.length]; })()"""
    )
    assert 0 < width <= opened.tab.evaluate("window.innerWidth")
    assert shown
    assert hidden
    head = opened.tab.evaluate(
        """Math.min(...[...document.querySelectorAll('svg.engraved .notehead')]
             .filter(e => e.checkVisibility()).map(e => e.getBoundingClientRect().height))"""
    )
    assert head >= 5


def test_sound_plays(opened: Opened):
    """Every recording decodes; a pressed one moves on."""
    lengths = opened.tab.evaluate(
        """Promise.all([...document.querySelectorAll('audio')].map(a => new Promise((done) => {
             if (a.readyState > 0) return done(a.duration);
             a.onloadedmetadata = () => done(a.duration);
             a.onerror = () => done(-1);
             a.load();
           })))"""
    )
    assert lengths
    assert all(length > 1 for length in lengths)
    at = opened.tab.evaluate(
        """(async () => {
             const a = document.querySelector('audio');
             a.muted = true;
             await a.play();
             await new Promise(done => setTimeout(done, 600));
             return a.currentTime;
           })()"""
    )
    assert at > 0.1
    assert opened.said == []


def test_the_keyboard_reaches_everything_in_order(opened: Opened):
    """Tab goes down the page through the switch, links, frames, recordings and folded tables."""
    wanted = opened.tab.evaluate(
        "document.querySelectorAll('input, a[href], audio, summary, [tabindex=\"0\"]').length"
    )
    # A screen of recordings inside a frame may hold several stops; each element is met in order.
    opened.tab.evaluate("window.met = []")
    for _ in range(40 * wanted):
        opened.tab.keyboard.press("Tab")
        more = opened.tab.evaluate(
            """(() => { const e = document.activeElement;
                 if (e === document.body) return false;
                 if (window.met.at(-1) !== e) window.met.push(e);
                 return true; })()"""
        )
        if not more:
            break
    places = opened.tab.evaluate(
        """window.met.map((e, i) => i === 0 ||
             !!(window.met[i - 1].compareDocumentPosition(e) & Node.DOCUMENT_POSITION_FOLLOWING))"""
    )
    hidden = opened.tab.evaluate(
        "[...document.querySelectorAll('details:not([open]) [tabindex=\"0\"]')].length"
    )
    assert len(places) == wanted - hidden
    assert all(places)
    opened.tab.evaluate("document.querySelector('summary').focus()")
    opened.tab.keyboard.press("Enter")
    assert opened.tab.evaluate("document.querySelector('summary').parentElement.open")


def test_fingers_show_on_demand(opened: Opened):
    count = "[...document.querySelectorAll('.fing')].filter(e => e.checkVisibility({%s})).length"
    seen = count % "visibilityProperty: true"
    assert opened.tab.evaluate("document.querySelectorAll('.fing').length") > 0
    assert opened.tab.evaluate(seen) == 0
    opened.tab.keyboard.press("Tab")
    opened.tab.keyboard.press("Space")
    assert opened.tab.evaluate(seen) == opened.tab.evaluate(
        "document.querySelectorAll('.broad .fing').length"
    )


def test_text_has_contrast(opened: Opened):
    """4.5:1 at least for every text as the browser computes its colours (WCAG 2.2, 1.4.3)."""
    faint = opened.tab.evaluate(
        """(() => {
             const parse = c => c.match(/[\\d.]+/g).map(Number);
             const light = ([r, g, b]) => [r, g, b].map(v => v / 255)
               .map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
               .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
             const ground = e => {
               for (; e; e = e.parentElement) {
                 const c = parse(getComputedStyle(e).backgroundColor);
                 if (c.length === 3 || c[3] > 0) return c;
               }
               return [255, 255, 255];
             };
             const faint = [];
             const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
             while (walk.nextNode()) {
               const e = walk.currentNode.parentElement;
               if (!walk.currentNode.data.trim() || e.closest('style, title, .engraved')) continue;
               const style = getComputedStyle(e);
               const ink = e.closest('svg') ? style.fill : style.color;
               let back = ground(e);
               const mark = e.parentElement.querySelector(':scope > circle');
               if (mark) back = parse(getComputedStyle(mark).fill);
               const [a, b] = [light(parse(ink)), light(back)].sort((x, y) => y - x);
               if ((a + 0.05) / (b + 0.05) < 4.5) faint.push(walk.currentNode.data);
             }
             return faint;
           })()"""
    )
    assert faint == []


def test_prints_without_what_only_a_screen_can_do(opened: Opened):
    pypdfium2 = pytest.importorskip("pypdfium2")
    document = pypdfium2.PdfDocument(opened.tab.pdf(prefer_css_page_size=True))
    words = " ".join(document[i].get_textpage().get_text_range() for i in range(len(document)))
    assert "Alternative 1" in words
    assert "To listen to" not in words
    assert "show the fingers" not in words
    width, height = document[0].get_size()
    assert (round(width), round(height)) == (595, 842)


def test_the_words_at_the_limit_are_clear_of_the_marks():
    """Wherever the alternatives lie, as long as one place along the line is free."""
    for rows in (
        [(0.18, 4.4), (0.2, 3.7), (0.22, 3.0), (0.24, 4.1), (0.33, 2.3)],
        [(0.02, 4.4), (0.05, 3.7), (0.22, 3.0), (0.3, 4.1), (0.33, 2.3)],
    ):
        points = [Point(str(i), x, y, True) for i, (x, y) in enumerate(rows)]
        root = ET.fromstring(front(17.0, points, 4.5, "beginner").svg)
        words = next(e for e in root.iter() if (e.text or "").startswith("beginner takes"))
        x, y = float(words.get("x")), float(words.get("y"))
        for mark in (e for e in root.iter() if e.tag.endswith("circle")):
            at, r = (float(mark.get("cx")), float(mark.get("cy"))), float(mark.get("r"))
            assert not (x - r < at[0] < x + 130 + r and y - 12 - r < at[1] < y + r)
