"""`prehowl ringout` through its real entry: recording, virtual stage, resume, verify, bad input."""

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import sosfilt

from prehowl.daemon.cli import main
from prehowl.daemon.ringout.journal import recall
from prehowl.daemon.sheets.sheet import Sheet
from prehowl.daemon.sheets.store import Store
from prehowl.daemon.stage.closed_loop import PathChange, simulate_loops
from prehowl.daemon.stage.truth import dominant_mode, stability_limit_db
from prehowl.detectors.bands import nominal_hz
from prehowl.detectors.graphic_eq import graphic_sections

RATE_HZ = 48000
NAMES = ["--mix", "Mix 1", "--monitor", "Wedge 12", "--mic", "Vocal mic"]


@pytest.fixture(autouse=True)
def _own_data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))


def path_with(gains: dict[int, float]) -> np.ndarray:
    """Return a loop of 8 ms whose response is that of raised or cut faders (0..30)."""
    taps = np.zeros(2400)
    taps[384] = 1.0
    faders = np.zeros(31)
    for fader, gain in gains.items():
        faders[fader] = gain
    return np.asarray(sosfilt(graphic_sections(faders, RATE_HZ), taps))


PEAKED = path_with({17: 7.0, 22: 5.0})  # 1 kHz and 3.15 kHz stand out
AFTER = path_with({17: 3.0, 22: 5.0})  # the engineer has pulled 1 kHz by 4 dB


def a_recorded_ring_out(path: Path) -> list[float]:
    """Write a ring-out of a mix: quiet, 1 kHz rings, is pulled, quiet, 3.15 kHz rings, send down.

    Returns the two true frequencies, from the loops' own poles.
    """
    seconds = 16
    time_s = np.arange(seconds * RATE_HZ) / RATE_HZ
    noise = 0.001 * np.random.default_rng(4).standard_normal((1, time_s.size))
    first, second = stability_limit_db(PEAKED), stability_limit_db(AFTER)
    at_s = [0, 3, 3.5, 9.5, 10, 12, 12.2, 16]
    over_one, over_two, down = first + 0.5, second + 0.5, second - 6
    gains = [first - 4, first - 4, over_one, over_one, over_two, over_two, down, down]
    gain = np.interp(time_s, at_s, gains)
    change = PathChange(AFTER[None], 5 * RATE_HZ)
    _, mix = simulate_loops(noise, PEAKED, gain[None], changes=(change,))
    soundfile.write(path, np.clip(mix[0], -1, 1).astype(np.float32), RATE_HZ, subtype="FLOAT")
    loops = ((PEAKED, first), (AFTER, second))
    return [dominant_mode(loop, limit + 0.5, RATE_HZ).frequency_hz for loop, limit in loops]


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = main(["ringout", *words])
    said = capsys.readouterr()
    return code, said.out, said.err


def test_a_recorded_ring_out_is_told_ring_by_ring_and_its_sheet_kept(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Oracle: the poles of the loops that made the recording: both rings, in order, within 1 Hz, in
    the right band; the sheet holds those faders; the journal is complete.
    """
    wav = tmp_path / "ring-out.wav"
    truth = a_recorded_ring_out(wav)
    code, out, _ = run(capsys, "--recording", str(wav), "--format", "json", *NAMES)
    assert code == 0
    record = json.loads(out)
    rings = [ring["frequency_hz"] for ring in record["order"]]
    assert rings == pytest.approx(truth, abs=1.0)
    assert [ring["band_hz"] for ring in record["order"]] == [nominal_hz(hz) for hz in truth]
    assert all(ring["has_cleared"] for ring in record["order"])
    store = Store(tmp_path / "data" / "prehowl" / "sheets")
    (name,) = store.names()
    sheet = store.load(name)
    assert -sheet.faders_db[17] == record["cuts_db"]["1000"]
    assert -sheet.faders_db[22] == record["cuts_db"]["3150"]
    assert [ring.band_hz for ring in sheet.rings] == [1000, 3150]
    (journal,) = (tmp_path / "data" / "prehowl" / "ringout").glob("*.jsonl")
    assert recall(journal).is_finished


def test_cut_short_anywhere_it_is_resumed_to_the_same_sheet(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Oracle: equivalence: a journal that ends after the first cut, with half a line, is resumed on
    the same recording to the same faders.
    """
    wav, journal = tmp_path / "ring-out.wav", tmp_path / "j.jsonl"
    a_recorded_ring_out(wav)
    words = ("--recording", str(wav), "--format", "json", "--journal", str(journal), *NAMES)
    whole = json.loads(run(capsys, *words)[1])
    lines = journal.read_bytes().splitlines(keepends=True)
    first_cut = next(n for n, line in enumerate(lines) if b'"time-up"' in line)
    journal.write_bytes(b"".join(lines[: first_cut + 1]) + lines[first_cut + 1][:9])
    code, out, err = run(capsys, "--resume", str(journal), "--format", "json")
    assert code == 0
    assert "1 rings so far" in err
    assert json.loads(out)["cuts_db"] == whole["cuts_db"]
    code, _, err = run(capsys, "--resume", str(journal))
    assert code == 2
    assert "finished" in err


def test_the_virtual_stage_rings_itself_out(capsys: pytest.CaptureFixture[str]) -> None:
    """Oracle: the loop's own Nyquist truth; and the published reach of a manual ring-out, 5-8 dB
    (Mapp & Ellis, AES preprint 4850, 1998; second hand through van Waterschoot & Moonen 2011),
    10 dB at the very most (Schroeder 1964, through the same), a few cuts of about 3 dB.
    """
    code, out, err = run(capsys, "--virtual", "--auto", "--seed", "4", "--format", "json")
    assert code == 0
    assert out.count("\n") == 1
    record = json.loads(out)
    truth = record["truth"]
    assert record["seed"] == 4
    assert 4.0 <= truth["gain_won_db"] <= 10.0
    won = truth["gain_before_feedback_after_db"] - truth["gain_before_feedback_before_db"]
    assert won == pytest.approx(truth["gain_won_db"], abs=0.02)
    assert truth["best_won_db"] >= truth["best_won_same_cut_db"] - 0.05
    assert truth["best_won_db"] >= truth["gain_won_db"] - 0.05
    assert record["pink_loss_db"] <= 1.6
    assert truth["instructions"] > 0
    assert truth["instructions_true"] >= 0.9 * truth["instructions"]
    assert max(record["cuts_db"].values()) <= 6.5
    assert record["send_back_db"] == 6.0
    assert "seed 4" in err


def test_a_sheet_is_verified_on_its_own_stage(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Oracle: the loop. Brought up to 12 dB over the flat limit, where no sheet holds, it rings and
    the exit code is 1; brought up less far than the flat limit, all holds.
    """
    from dataclasses import replace

    store = Store(tmp_path / "data" / "prehowl" / "sheets")
    sheet = Sheet("Wedge 12", "Vocal mic", "Mix 1", temperature_c=10.0, gain_won_db=12.0)
    store.save(sheet.with_faders({17: -3.0, 22: -3.0}), "made", "2026-01-01T00:00:00+00:00")
    words = ("--virtual", "--seed", "4", "--seconds", "12", "--verify", "Wedge 12")
    code, out, _ = run(capsys, *words, "--format", "json")
    record = json.loads(out)
    assert code == 1
    assert not record["holds"]
    assert [band["band_hz"] for band in record["bands"]] == [1000, 3150]
    assert record["shift_percent"] > 0
    gentle = replace(store.load(store.names()[0]), gain_won_db=-2.0)
    store.save(gentle, "less", "2026-01-02T00:00:00+00:00")
    code, out, err = run(capsys, *words)
    assert code == 0
    assert "all holds" in out
    assert "1 of 2: 1 kHz" in err


def a_kept_sheet(tmp_path: Path, **values: float | str) -> Store:
    """Keep a sheet with cuts at 63 Hz, 1 kHz and 2.5 kHz."""
    store = Store(tmp_path / "data" / "prehowl" / "sheets")
    sheet = Sheet("Wedge 12", "Vocal mic", "Mix 1", **values)  # type: ignore[arg-type]
    moved = sheet.with_faders({5: -2.0, 17: -3.0, 21: -4.0})
    store.save(moved, "made", "2026-01-01T00:00:00+00:00")
    return store


def test_silence_proves_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Oracle: definition: nothing was heard, so nothing is known to hold, and the check fails."""
    a_kept_sheet(tmp_path)
    wav = tmp_path / "silence.wav"
    soundfile.write(wav, np.zeros(3 * RATE_HZ, np.float32), RATE_HZ, subtype="FLOAT")
    for seconds in ("3", "60"):
        words = ("--verify", "Wedge 12", "--recording", str(wav), "--seconds", seconds)
        code, out, _ = run(capsys, *words)
        assert code == 1
        assert out.count("NOT HEARD") == 3
        assert "holds" not in out


@pytest.mark.parametrize("kind", ["mic", "reference"])
def test_a_ring_is_found_whatever_the_show_file_calls_the_channel(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], kind: str
) -> None:
    """Oracle: closed form: a tone that rises by 30 dB/s out of noise is what a loop over its limit
    does; 1 kHz is on the sheet, and the channel that was named is the one that is tried.
    """
    a_kept_sheet(tmp_path)
    time_s = np.arange(4 * RATE_HZ) / RATE_HZ
    tone = 10 ** ((np.minimum(30.0 * time_s, 90.0) - 90.0) / 20) * np.sin(2000 * np.pi * time_s)
    noise = 1e-3 * np.random.default_rng(1).standard_normal(time_s.size)
    wav, show = tmp_path / "rise.wav", tmp_path / "show.toml"
    soundfile.write(wav, (0.9 * tone + noise).astype(np.float32), RATE_HZ, subtype="FLOAT")
    show.write_text(f'[[channels]]\nnumber = 1\nname = "Mix 1"\nkind = "{kind}"\n')
    words = ("--verify", "Wedge 12", "--recording", str(wav), "--seconds", "4")
    code, out, _ = run(capsys, *words, "--show", str(show), "--format", "json")
    found = {band["band_hz"]: band["found"] for band in json.loads(out)["bands"]}
    assert code == 1
    assert found == {63: "holds", 1000: "rings", 2500: "holds"}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--virtual", "--recording", "x.wav"], "one source at a time"),
        (["--auto", "--recording", "x.wav", *NAMES], "add --virtual"),
        (["--recording", "x.wav"], "name --mix, --monitor and --mic"),
        (["--recording", "not-there.wav", *NAMES], "not-there.wav"),
        (["--virtual", "--seed", "-1"], "--seed"),
        (["--virtual", "--send-back", "nan"], "--send-back"),
        (["--virtual", "--cap", "100"], "--cap 100: must be 1 to 24"),
        (["--virtual", "--channel", "0"], "--channel 0"),
        (["--resume"], "no ring-out to resume"),
        (["--resume", "not-there.jsonl"], "not-there.jsonl"),
        (["--resume", "--virtual"], "leave the others away"),
        (["--verify", "nothing", "--virtual"], "nothing"),
        (["--virtual", "--from-sheet", "nothing"], "nothing"),
    ],
)
def test_bad_input_is_one_clear_line(
    words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Oracle: exit code 2 and one line, without a traceback."""
    code, out, err = run(capsys, *words)
    assert code == 2
    assert out == ""
    assert said in err.splitlines()[-1]
    assert "Traceback" not in err
