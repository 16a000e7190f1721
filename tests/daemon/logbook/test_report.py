"""The report: complete, safe against names, self-contained, and right in a real browser."""

import base64
import io
import json
import math
import os
import re
import shutil
import subprocess
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import ClassVar

import pytest
import soundfile
from logbook.books import howl, written

from prehowl.daemon.events import Alert
from prehowl.daemon.logbook.reader import LogbookReader
from prehowl.daemon.logbook.report.clock import STEPS_S, mark_step
from prehowl.daemon.logbook.report.data import gather
from prehowl.daemon.logbook.report.page import page
from prehowl.daemon.logbook.report.pdf import advice_lines
from prehowl.daemon.logbook.report.timeline import (
    BOTTOM,
    HEIGHT,
    HIGH_HZ,
    LOW_HZ,
    TOP,
    height_of,
)

HOWL = Alert(1, 1, "Vox 1", 1, 5, "Vox 1", "Mix 1")
VOID = {"meta", "line", "rect", "circle", "polyline"}
"""Elements without a closing tag: HTML's own, and SVG's as they are written here."""
BROWSERS = ("chromium", "chromium-browser")
BROWSER_PATIENCE_S = 60


class Elements(HTMLParser):
    """Collects elements with their attributes, and checks that tags nest."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[str, dict]] = []
        self.open: list[str] = []
        self.texts: list[str] = []

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.texts.append(data)

    def of(self, tag: str) -> list[dict]:
        return [attrs for name, attrs in self.found if name == tag]


@pytest.fixture(scope="module")
def logbook(tmp_path_factory) -> Path:
    """Give a logbook of two acts, a howl that three channels hear, and hostile names."""
    path = tmp_path_factory.mktemp("report") / "saturday.logbook"
    events = [
        *howl(1, 1, 4.0, dbfs=-12.0, alert=HOWL),
        *howl(2, 5, 4.1, dbfs=-6.0, alert=HOWL),
        *howl(3, 2, 30.0, hz=640.0, name="<script>alert('x')</script>"),
        *howl(4, 1, 40.0),
        *howl(5, 2, 50.0, hz=1000.0)[:1],
    ]
    return written(path, events, acts=[(0.0, "Otter & Otter"), (20.0, "<b>Second</b>")])


@pytest.fixture(scope="module")
def html(logbook) -> str:
    """Give its page."""
    with LogbookReader(logbook) as reader:
        return page(gather(reader))


@pytest.fixture(scope="module")
def elements(html) -> Elements:
    """Give its elements."""
    parser = Elements()
    parser.feed(html)
    assert parser.open == []
    return parser


def test_the_page_is_self_contained(elements):
    """Oracle: definition. Nothing is fetched: every address is data, no script, no link."""
    addresses = [a[k] for _, a in elements.found for k in ("src", "href", "data") if k in a]
    assert addresses
    assert all(address.startswith("data:") for address in addresses)
    assert not elements.of("script") + elements.of("link") + elements.of("iframe")


def test_names_cannot_become_markup(html, elements):
    """Oracle: HTML's own parser: the hostile names are text, and no element came of them."""
    assert not elements.of("script")
    texts = " ".join(elements.texts)
    assert "<script>alert('x')</script>" in texts
    assert "<b>Second</b>" in texts
    assert "Quarry Meadow <Saturday>" in html.replace("&lt;", "<").replace("&gt;", ">")


def test_every_ring_is_in_the_timeline_of_its_act_and_channel(elements):
    """Oracle: counted by hand: 1 and 2 in the first act; 3, 4, 5 in the second."""
    bars = [a["class"] for a in elements.of("g")]
    assert bars == ["howling"] * 4 + ["suspect"]
    assert len([a for a in elements.of("svg") if a.get("class") == "timeline"]) == 4


def test_what_to_change_names_sheet_band_and_cut(elements):
    """Oracle: by hand. Vox 1 rang twice at 2.5 kHz, heard on Mix 1; 630 Hz rang once."""
    texts = " ".join(elements.texts)
    assert "Pull 2.5 kHz by 3 dB on Mix 1." in texts
    assert "It rang 2 times, at Vox 1." in texts
    assert "keep an eye on: 630 Hz on the mix that feeds the wedge of <script>" in texts


def test_the_worst_moments_bring_their_clips(elements):
    """Oracle: libsndfile reads what the page carries; three incidents, the loudest first."""
    clips = [audio["src"].split(",", 1)[1] for audio in elements.of("audio")]
    assert len(clips) == 3
    info = soundfile.info(io.BytesIO(base64.b64decode(clips[0])))
    assert (info.format, info.channels, info.samplerate) == ("FLAC", 1, 48000)


def test_a_moment_without_a_clip_says_so(tmp_path):
    """Oracle: definition."""
    path = written(tmp_path / "a.logbook", howl(1, 1, 4.0), clips=False)
    with LogbookReader(path) as reader:
        text = page(gather(reader))
    assert "no clip kept" in text
    assert "<audio" not in text


def test_a_show_without_any_ring_is_a_page_too(tmp_path):
    """Oracle: definition. A quiet evening is good news, not a fault."""
    path = written(tmp_path / "a.logbook", [])
    with LogbookReader(path) as reader:
        text = page(gather(reader))
    assert "Nothing: no band rang more than once" in text
    assert "0 alarms, heard 0 times on all channels" in text


def test_a_fader_at_its_cap_is_answered_as_on_the_night(tmp_path):
    """Oracle: docs/sheets.md: no more to pull, send down; in advice, moment and counts."""
    events = [
        replace(one, sheet_cut_db=12.0, sheet_at_cap=True)
        for one in (*howl(1, 1, 4.0, alert=HOWL), *howl(2, 1, 40.0))
    ]
    with LogbookReader(written(tmp_path / "a.logbook", events, clips=False)) as reader:
        report = gather(reader)
    text = page(report)
    assert "Pull" not in text
    assert "2.5 kHz on Mix 1 rang 2 times, and its fader is at its cap on the sheet" in text
    assert text.count("advised: send down, 2.5 kHz is at its cap on Mix 1") == 2
    assert "<td>send down</td>" in text
    assert "-3 dB" not in text
    lines = advice_lines(report.advice)
    assert [line for line in lines if "Pull" in line] == []
    assert any("at its cap on the sheet: no more to pull" in line for line in lines)


def test_frequency_is_logarithmic_upwards():
    """Oracle: closed form. An octave is the same height everywhere; the ends are the ends."""
    assert height_of(LOW_HZ) == HEIGHT - BOTTOM
    assert height_of(HIGH_HZ) == pytest.approx(TOP)
    octave = (HEIGHT - TOP - BOTTOM) / math.log2(HIGH_HZ / LOW_HZ)
    for hz in (100.0, 1000.0, 4000.0):
        assert height_of(hz) - height_of(2 * hz) == pytest.approx(octave)


@pytest.mark.parametrize("span_s", [1, 8, 33, 300, 5000, 43200])
def test_marks_of_time_are_round_and_few(span_s):
    """Oracle: definition."""
    step = mark_step(span_s)
    assert 1 <= span_s / step <= 10
    assert step in STEPS_S


def browser() -> str:
    """Return a browser, or skip; where CI says that it must be here, fail."""
    found = next(filter(None, map(shutil.which, BROWSERS)), None)
    if found is None:
        if os.environ.get("PREHOWL_REQUIRE_BROWSER") == "1":
            pytest.fail("no browser, and PREHOWL_REQUIRE_BROWSER=1 says it must be here")
        pytest.skip("needs a browser (Debian: chromium)")
    return found


class TestInABrowser:
    """What a person would see."""

    OPTIONS: ClassVar = [
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-background-networking",
        "--disable-component-update",
        "--disable-sync",
        "--window-size=1000,4000",
        "--virtual-time-budget=5000",
    ]

    def run(self, tmp_path: Path, *options: str) -> str:
        """Return what the browser prints."""
        done = subprocess.run(
            [browser(), *self.OPTIONS, f"--user-data-dir={tmp_path / 'profile'}", *options],
            capture_output=True,
            text=True,
            timeout=BROWSER_PATIENCE_S,
            check=False,
        )
        return done.stdout

    def test_everything_is_laid_out_and_the_clips_can_be_played(self, tmp_path, html):
        """Oracle: the browser. Every timeline and bar has a size, every clip its length.

        A script is added to a copy of the page, which asks the browser and writes down its answer.
        """
        probe = """<script>
        const all = words => [...document.querySelectorAll(words)];
        const audios = all('audio');
        const whole = new Promise(done => setTimeout(done, 3000));
        whole.then(() => {
          const box = e => e.getBoundingClientRect();
          const said = {
            timelines: all('svg.timeline').map(e => Math.round(box(e).width)),
            bars: all('svg.timeline rect').filter(e => box(e).width < 1).length,
            clips: audios.map(a => a.error ? -1 : Math.round(a.duration * 100)),
            wide: document.documentElement.scrollWidth - window.innerWidth,
          };
          document.title = JSON.stringify(said);
        });</script>"""
        path = tmp_path / "page.html"
        path.write_text(html.replace("</body>", f"{probe}</body>"), encoding="utf-8")
        dom = self.run(tmp_path, "--dump-dom", path.as_uri())
        said = re.search(r"<title>(\{.*?\})</title>", dom)
        assert said is not None, dom[:500]
        told = json.loads(said[1])
        assert len(told["timelines"]) == 4
        assert min(told["timelines"]) > 500
        assert told["bars"] == 0
        assert told["clips"] == [30, 30, 30]  # 0.2 s before and 0.1 s after
        assert told["wide"] <= 0

    def test_it_prints(self, tmp_path, html):
        """Oracle: the browser makes a PDF of it that has pages."""
        path, out = tmp_path / "page.html", tmp_path / "page.pdf"
        path.write_text(html, encoding="utf-8")
        self.run(tmp_path, f"--print-to-pdf={out}", path.as_uri())
        assert out.read_bytes().startswith(b"%PDF-")
        assert len(re.findall(rb"/Type\s*/Page\b", out.read_bytes())) >= 1
