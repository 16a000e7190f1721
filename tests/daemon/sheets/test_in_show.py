"""Sheets in a show: named in the file, checked before doors, told with every ring."""

import json
from dataclasses import replace
from pathlib import Path

import fakes
import numpy as np
import pytest
import soundfile

from prehowl.daemon.cli import main
from prehowl.daemon.desk.desk import Desk
from prehowl.daemon.desk.running_order import RunningOrder
from prehowl.daemon.errors import ShowFileError
from prehowl.daemon.loop import run_loop
from prehowl.daemon.osc_in.verbs import Command, Verb
from prehowl.daemon.sheets.in_show import folder_of, named_sheets, with_sheets
from prehowl.daemon.sheets.sheet import Sheet, ring_of
from prehowl.daemon.sheets.store import Store, default_folder
from prehowl.daemon.show import default_show, load_show
from prehowl.daemon.sinks.dashboard import examples
from prehowl.daemon.sinks.dashboard.glyphs import UNICODE
from prehowl.daemon.sinks.dashboard.model import Model
from prehowl.daemon.sinks.dashboard.render import render
from prehowl.daemon.sinks.dashboard.themes import PLAIN
from prehowl.daemon.sinks.dashboard.wording import band_and_cut, sheet_words
from prehowl.daemon.sinks.osc_messages import label
from prehowl.daemon.sinks.table import table_line
from prehowl.daemon.sinks.words import advice_words
from prehowl.daemon.sources.base import Block
from prehowl.daemon.weak_bands import WeakBands, with_sheet
from prehowl.detectors.bands import NOMINAL_HZ
from prehowl.detectors.rings import RingState

AT = "2026-07-04T14:30:00+02:00"
SHEET = Sheet(
    "Wedge 12", "Vocal", "Mix 1", fader_cap_db=6.0, rings=(ring_of(800, 3, AT),)
).with_faders({21: -6, 5: -2, 28: 1})
SHOW = """
[sheets]
folder = "mine"

[[channels]]
number = 1
name = "Vox 1"
mix = "Mix 1"

[[channels]]
number = 2
name = "Mix 1"
kind = "mix"
sheet = "vocal"

[[channels]]
number = 3
name = "Vox 2"
"""


@pytest.fixture
def show_file(tmp_path: Path) -> Path:
    """Return a show file beside a folder `mine` with one sheet."""
    Store(tmp_path / "mine").save(SHEET, "rung out", AT)
    path = tmp_path / "show.toml"
    path.write_text(SHOW)
    return path


def test_the_folder_counts_from_the_show_file(show_file, tmp_path, monkeypatch):
    """Oracle: documented: relative to the show file, absolute as it is, else the data folder."""
    monkeypatch.chdir("/")
    assert folder_of(load_show(show_file)) == tmp_path / "mine"
    show_file.write_text(f'[sheets]\nfolder = "{tmp_path}/there"\n')
    assert folder_of(load_show(show_file)) == tmp_path / "there"
    assert folder_of(default_show()) == default_folder()


def test_a_home_that_is_none_is_told(show_file):
    """Oracle: documented."""
    show_file.write_text('[sheets]\nfolder = "~nobody-of-that-name/x"\n')
    with pytest.raises(ShowFileError, match="nobody of that name"):
        load_show(show_file)


def test_the_show_carries_the_weak_bands_of_a_mix_and_its_mic(show_file):
    """Oracle: the sheet: cut bands, those at the cap, those that rang; one loop, one sheet."""
    show, faults = with_sheets(load_show(show_file))
    assert faults == ()
    assert set(show.weak_bands) == {1, 2}
    assert show.weak_bands[1] == show.weak_bands[2]
    weak = show.weak_bands[1]
    assert dict(weak.cut_db) == {63: 2, 2500: 6}
    assert weak.capped == {2500}
    assert {NOMINAL_HZ[n] for n in weak.indices} == {63, 800, 2500}


def test_a_sheet_that_is_not_there_is_told_and_left_out(show_file):
    """Oracle: documented: a show must start."""
    show_file.write_text(SHOW.replace('sheet = "vocal"', 'sheet = "drums"'))
    show, faults = with_sheets(load_show(show_file))
    assert show.weak_bands == {}
    assert len(faults) == 1
    assert faults[0].startswith("channel 2 (Mix 1): sheet 'drums': not in ")
    (named,) = named_sheets(load_show(show_file))
    assert named.sheet is None


def test_a_reference_has_no_sheet(show_file):
    """Oracle: docs/show-file.md: a reference is in no loop."""
    show_file.write_text(SHOW.replace('kind = "mix"', 'kind = "reference"').replace("mix =", "#"))
    with pytest.raises(ShowFileError, match="sheet does not go with kind = 'reference'"):
        load_show(show_file)


def test_check_reads_every_sheet(show_file, capsys):
    """Oracle: exit code 0 with the sheet, 1 without; `check --help` names the keys."""
    words = ["check", "--show", str(show_file), "--no-device", "--format", "json"]
    assert main(words) == 0
    report = json.loads(capsys.readouterr().out)
    assert report["sheets"] == [
        {"channel": 2, "sheet": "vocal", "title": SHEET.title, "version": 1, "fault": None}
    ]
    (show_file.parent / "mine" / "wedge-12--vocal--mix-1.v1.toml").write_text("half")
    assert main(words) == 1
    report = json.loads(capsys.readouterr().out)
    assert report["sheets"][0]["title"] is None
    assert "Half written" in report["problems"][0]
    assert main(words[:-2]) == 1
    assert "sheet of channel 2: PROBLEM" in capsys.readouterr().out


WEAK = WeakBands("x", {2500.0: 6.0, 63.0: 2.0}, frozenset({2500.0}), frozenset({800.0}))
AT_CAP = with_sheet(fakes.event(RingState.RINGING), WEAK)


def test_an_event_tells_what_the_sheet_says_of_its_band():
    """Oracle: docs/events.md: two keys at the end, there only where the sheet cuts the band."""
    plain = fakes.event(RingState.RINGING)
    record = AT_CAP.record()
    assert {**plain.record(), "sheet_cut_db": 6.0, "sheet_at_cap": True} == record
    assert list(record)[-2:] == ["sheet_cut_db", "sheet_at_cap"]
    low = with_sheet(fakes.event(RingState.RINGING, band_hz=63.0), WEAK)
    assert (low.sheet_cut_db, low.sheet_at_cap) == (2.0, False)
    other = fakes.event(RingState.RINGING, band_hz=800.0)
    assert with_sheet(other, WEAK) is other
    assert with_sheet(other, None) is other


@pytest.mark.parametrize("band_hz", [31.5, 2500.0, 3150.0, 12_500.0])
def test_a_fader_at_its_cap_is_never_advised_to_be_pulled(band_hz):
    """Oracle: docs/sheets.md: the words for people, on every output."""
    event = replace(AT_CAP, band_hz=band_hz)
    assert "pull" not in advice_words(event)
    assert advice_words(event).startswith("send down (")
    assert len(table_line(event)) <= 80
    assert label(event).endswith(" at cap")
    assert "dB" not in band_and_cut(event)
    cleared = replace(event, state=RingState.CLEARED)
    assert advice_words(cleared).endswith("calm")
    suspect = replace(event, state=RingState.SUSPECT)
    assert advice_words(suspect).startswith("watch")


def test_the_loop_tells_it_of_the_right_channel():
    """Oracle: definition: by channel number, not by row."""
    sink = fakes.FakeSink()
    source = fakes.FakeSource([Block(np.zeros((9600, 2), np.float32))], channels=2)
    script = [fakes.change(ch=0, id=1), fakes.change(ch=1, id=2)]
    run_loop(
        source,
        fakes.FakeEngine(script, channels=2),
        [sink],
        names=["a", "b"],
        channel_numbers=[5, 7],
        weak_bands={7: WEAK, 1: WEAK},
    )
    assert [event.sheet_at_cap for event in sink.events] == [False, True]


def test_a_scan_tells_it_end_to_end(show_file, capsys):
    """Oracle: the recording's own ring at 2513 Hz, the sheet's 2.5 kHz fader at its cap of 6 dB."""
    rate = 48_000
    t = np.arange(2 * rate) / rate
    rise = np.minimum(1e-3 * 10 ** (60 * (t - 0.5) / 20), 0.1)
    noise = np.random.default_rng(3).normal(0, 0.003, len(t))
    howl = noise + np.where(t < 0.5, 0, rise) * np.sin(2 * np.pi * 2513.4 * t)
    recording = show_file.parent / "howl.wav"
    soundfile.write(recording, np.stack([howl, noise, noise], axis=1), rate, subtype="PCM_24")
    words = ["scan", str(recording), "--show", str(show_file)]
    assert main([*words, "--format", "jsonl"]) == 0
    events = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    alarms = [event for event in events if event["state"] in ("ringing", "howling")]
    assert alarms
    assert all(event["sheet_at_cap"] and event["sheet_cut_db"] == 6 for event in alarms)
    assert main(words) == 0
    assert "send down (2.5 kHz cap)" in capsys.readouterr().out
    show_file.write_text(SHOW.replace('sheet = "vocal"', 'sheet = "drums"'))
    assert main([*words, "--format", "jsonl"]) == 0
    captured = capsys.readouterr()
    assert "sheet 'drums'" in captured.err
    assert "sheet_at_cap" not in captured.out


def frame(model: Model, width: int = 80, height: int = 24) -> str:
    return render(model.view(100.0), width, height, PLAIN, 100.0, UNICODE).text()


def test_the_dashboard_marks_weak_bands():
    """Oracle: docs/dashboard.md: `v` in a calm band that the sheet knows, rows without are bare."""
    model = Model(examples.names(3), channel_numbers=[4, 5, 6], weak_bands={5: WEAK})
    snapshot = examples.snapshot(3)
    model.take_snapshot(replace(snapshot, suspicion=np.zeros((3, 31), np.float32)), 100.0)
    rows = [line for line in frame(model).splitlines() if "····" in line]
    marked = [[n for n, mark in enumerate(row[-56:]) if mark == "v"] for row in rows]
    assert [len(marks) for marks in marked] == [0, 3, 0]
    bands = next(row for row in rows if "v" in row).split()[-1]
    assert [NOMINAL_HZ[n] for n, mark in enumerate(bands) if mark == "v"] == [63, 800, 2500]


@pytest.mark.parametrize(
    ("width", "height", "words"),
    [
        (80, 24, "RINGING Vox 1: send down"),
        (120, 40, "RINGING Vox 1: send down"),
        (40, 12, "RINGING send down"),  # the name is in large words above
    ],
)
def test_the_dashboard_says_at_cap_in_place_of_a_cut(width, height, words):
    """Oracle: docs/dashboard.md."""
    text = frame(examples.moment("at-cap", 8), width, height)
    assert words in text
    assert "pull" not in text
    assert "-3 dB" not in text.split("8 channels")[0]


def test_what_the_sheet_says_is_told_beside_the_ring():
    """Oracle: docs/dashboard.md."""
    assert sheet_words(AT_CAP) == "known weak, -6 dB on the sheet"
    assert sheet_words(fakes.event()) == ""


def test_weak_bands_differ_per_act(show_file):
    """Act 2 has a sheet of its own on the mix, shared by its mic; act 1 keeps the usual one."""
    other = Sheet("Wedge 12", "Choir", "Mix 1", fader_cap_db=6.0).with_faders({10: -3})
    Store(show_file.parent / "mine").save(other, "rung out", AT)
    acts = '[[acts]]\nname = "A"\n[[acts]]\nname = "B"\nchannels = [{number = 2, sheet = "choir"}]'
    show_file.write_text(f"{SHOW}{acts}\n")
    show, faults = with_sheets(load_show(show_file))
    assert faults == ()
    assert set(show.act_weak_bands) == {"B"}
    desk = Desk(
        ("Vox 1", "Mix 1", "Vox 2"),
        (1, 2, 3),
        order=RunningOrder(show.acts),
        weak_bands=show.act_weak_bands,
    )
    assert desk.weak_bands(show.weak_bands) is show.weak_bands
    desk.put(Command(Verb.NEXT_ACT, "key"))
    desk.obey(0.0, lambda: fakes.snapshot(3))
    weak = desk.weak_bands(show.weak_bands)
    assert weak[1].indices == weak[2].indices == {10}
    assert 3 not in weak


def test_the_engine_is_told_where_a_channel_rang_at_its_ring_out(show_file):
    """Oracle: the sheet's one ring, shared by the mic of that mix; the third has no sheet."""
    show, _ = with_sheets(load_show(show_file))
    assert [setup.rang_hz for setup in show.setups(3)] == [(800.0,), (800.0,), ()]


def test_a_missing_sheet_of_an_act_names_the_act(show_file):
    """What is wrong is told with act and channel, and the rest of the show stays."""
    acts = '[[acts]]\nname = "B"\nchannels = [{number = 2, sheet = "nowhere"}]'
    show_file.write_text(f"{SHOW}{acts}\n")
    show, (fault,) = with_sheets(load_show(show_file))
    assert fault.startswith("act B, channel 2 (Mix 1): ")
    assert show.act_weak_bands == {}
    assert show.weak_bands[2].indices


def test_the_dashboard_follows_the_weak_bands_of_the_act():
    """Oracle: the snapshot's own bands, by row."""
    weak = WeakBands("x", {400.0: 3.0}, frozenset(), frozenset())
    model = Model(("Vox 1", "Vox 2"), (1, 2), weak_bands={1: weak})
    model.take_snapshot(replace(fakes.snapshot(2), weak_bands={2: weak}), 0.0)
    view = model.view(0.0)
    assert view.weak[0] == frozenset()
    assert len(view.weak[1]) == 1
