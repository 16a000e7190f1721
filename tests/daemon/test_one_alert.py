"""One howl on many channels from the recording to lines, summary and datagrams: one alert."""

import json

import numpy as np
import pytest
import soundfile
from osc_receiver import Receiver

from prehowl.daemon import cli
from prehowl.daemon.bench.one_alert import AUDIO, HOWL_S, SHOW

RATE_HZ = 48000


@pytest.fixture(scope="module")
def example(tmp_path_factory):
    """Give the folder of the worked example."""
    return tmp_path_factory.mktemp("example")


@pytest.fixture(scope="module")
def figures(example):
    """Give what `bench alerts` tells, as it fills that folder."""
    told: list[str] = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("builtins.print", lambda *words, **_: told.extend(map(str, words)))
        words = ["bench", "alerts", "--keep", str(example), "--format", "json"]
        assert cli.main(words) == 0
    return json.loads(told[-1])


@pytest.fixture
def receiver():
    """Give an independent receiver."""
    made = Receiver()
    yield made
    made.socket.close()


def run(capsys, *words):
    """Run a command in this process; return exit code, stdout, stderr."""
    code = cli.main([str(word) for word in words])
    return (code, *capsys.readouterr())


def test_the_howl_is_one_alert_with_names_and_the_music_none_with_its_reference(figures):
    """Oracle: the stage's own loop. Without its reference the music alarms, as it must."""
    truth = figures["truth"]
    heard, deaf = figures["with_reference"], figures["without_reference"]
    assert heard["music"] == {"rings": 0, "alerts": 0}
    assert deaf["music"]["rings"] > deaf["music"]["alerts"] > 0
    for told in (heard["howl"], deaf["howl"]):
        assert (told["rings"], told["alerts"]) == (3, 1)
        assert told["named"] == f"mic {truth['mic']}, mix {truth['mix']}, centre wedge"
        assert told["error_hz"] < 1.3


def test_scan_watch_and_osc_tell_the_same_one_alert(figures, example, receiver, capsys):
    """Oracles: the truth of the stage; oscpy, a second OSC implementation; one with the other."""
    words = (example / AUDIO, "--show", example / SHOW, "--format", "jsonl")
    code, scanned, err = run(capsys, "scan", *words)
    assert code == 0
    assert err.startswith("prehowl: 1 alarm (1 on Vox);")
    rings = [json.loads(line) for line in scanned.splitlines()]
    alarms = [ring for ring in rings if ring["state"] == "ringing"]
    assert {ring["channel_name"] for ring in alarms} == {"Vox", "Choir", "Mix 1"}
    assert {ring["alert"]["id"] for ring in alarms} == {alarms[0]["alert"]["id"]}
    assert all(ring["time_s"] > HOWL_S for ring in alarms)
    code, watched, err = run(
        capsys, "watch", "--pace", "fast", "--osc", f"127.0.0.1:{receiver.port}",
        "--recording", *words,
    )  # fmt: skip
    assert (code, watched) == (0, scanned)
    assert "1 alarm on channel 1" in err
    receiver.until_bye()
    sent = [arguments for address, _, arguments in receiver.got if address == "/prehowl/ring"]
    assert len(sent) == len(rings)
    assert [ring[18] for ring in sent] == [ring["alert"]["channel"] for ring in rings]
    alerts = [
        dict(zip(NAMES, arguments, strict=True))
        for address, _, arguments in receiver.got
        if address == "/prehowl/alert"
    ]
    (first,) = [alert for alert in alerts if alert["announces"]]
    assert (first["state"], first["channel"], first["mix_channel"]) == ("ringing", 1, 3)
    assert (first["mic"], first["mix"], first["wedge"]) == ("Vox", "Mix 1", "centre wedge")
    assert abs(first["frequency_hz"] - figures["truth"]["frequency_hz"]) < 1.3
    assert (alerts[-1]["state"], alerts[-1]["heard"]) == ("cleared", 0)


NAMES = (
    *("version", "id", "announces", "channel", "channel_name", "mic_channel", "mix_channel"),
    *("mic", "mix", "wedge", "state", "heard", "time_ms", "frequency_hz", "band_hz"),
    *("level_dbfs", "growth_db_per_s", "cut_db", "label", "act"),
)
"""The values of /prehowl/alert in the documented order."""


def test_two_wedges_that_ring_41_cents_apart_are_two_alerts(tmp_path, capsys):
    """Oracle: two tones of 2500 and 2560 Hz, 60 dB/s, each on its own microphone and mix."""
    time_s = np.arange(round(2.5 * RATE_HZ)) / RATE_HZ
    sound = np.random.default_rng(5).normal(0, 0.003, (len(time_s), 4))
    rise = np.where(time_s > 0.5, np.minimum(1e-3 * 10 ** (3 * (time_s - 0.5)), 0.1), 0)
    for first, hertz in ((0, 2500.0), (1, 2560.0)):
        sound[:, first::2] += (rise * np.sin(2 * np.pi * hertz * time_s))[:, None]
    soundfile.write(tmp_path / "two.wav", sound, RATE_HZ, subtype="PCM_24")
    show = tmp_path / "show.toml"
    show.write_text(
        'channels = [{number = 1, name = "A", mix = 3}, {number = 2, name = "B", mix = 4}, '
        '{number = 3, name = "Mix A", kind = "mix"}, {number = 4, name = "Mix B", kind = "mix"}]'
    )
    code, out, err = run(capsys, "scan", tmp_path / "two.wav", "--show", show, "--format", "jsonl")
    assert code == 0
    assert "prehowl: 2 alarms (1 on A, 1 on B);" in err
    alerts = {ring["alert"]["id"]: ring["alert"] for ring in map(json.loads, out.splitlines())}
    assert {(alert["mic"], alert["mix"]) for alert in alerts.values()} == {
        ("A", "Mix A"),
        ("B", "Mix B"),
    }
