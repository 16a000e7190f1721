"""`prehowl check`: levels in words, receivers as far as UDP can tell, and the exit codes."""

import json
import math
import socket
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from audio_rig import AudioDouble
from fakes import FakeSource, chopped
from hypothesis import given
from hypothesis import strategies as st
from osc_receiver import Receiver

from prehowl.daemon import osc_check
from prehowl.daemon.cli import main
from prehowl.daemon.commands import check
from prehowl.daemon.errors import DeviceError, DeviceFault
from prehowl.daemon.levels import LevelMeter, listen, verdict
from prehowl.daemon.osc_check import look_at, look_at_targets
from prehowl.daemon.show import OscTarget
from prehowl.daemon.sources import device as device_module

RATE_HZ = 48000
ROOT = Path(__file__).parents[2]


def sine(peak: float, seconds: float = 1.0, frequency_hz: float = 1000.0) -> np.ndarray:
    t_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return (peak * np.sin(2 * np.pi * frequency_hz * t_s)).astype(np.float32)


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    made = Receiver()
    yield made
    made.socket.close()


@pytest.fixture
def closed_port() -> int:
    made = Receiver()
    made.socket.close()
    return made.port


@pytest.fixture
def club(tmp_path: Path) -> Path:
    """Return a recording of four lines: fine, low, clipping and silent."""
    path = tmp_path / "club.wav"
    lines = [sine(0.25), sine(0.003), np.clip(sine(1.5), -1, 1), np.zeros(RATE_HZ, np.float32)]
    soundfile.write(path, np.stack(lines, axis=1), RATE_HZ, subtype="FLOAT")
    return path


def record(capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


class TestLevels:
    def test_full_scale_sine_is_0_dbfs(self) -> None:
        """Oracle: definition in AES17 (from memory): a full-scale sine reads 0 dBFS RMS."""
        meter = LevelMeter(1)
        meter.add(sine(1.0)[:, None])
        (level,) = meter.levels([1], ["a"])
        assert level.level_dbfs == pytest.approx(0.0, abs=0.05)
        assert level.peak_dbfs == pytest.approx(0.0, abs=0.05)

    def test_half_scale_square_wave(self) -> None:
        """Oracle: closed form: RMS 0.5 is 20 log10(0.5 sqrt 2) = -3.0 dBFS, its peak -6.0."""
        meter = LevelMeter(1)
        meter.add(np.tile(np.array([[0.5], [-0.5]], np.float32), (100, 1)))
        (level,) = meter.levels([1], ["a"])
        assert (level.level_dbfs, level.peak_dbfs) == (-3.0, -6.0)

    @pytest.mark.parametrize(
        ("peak_dbfs", "clips", "word"),
        [
            (-144.0, 0, "silent"),
            (-80.1, 0, "silent"),
            (-79.9, 0, "low"),
            (-40.1, 0, "low"),
            (-39.9, 0, "fine"),
            (-6.1, 0, "fine"),
            (-5.9, 0, "hot"),
            (0.0, 2, "hot"),
            (0.0, 3, "clipping"),
        ],
    )
    def test_verdict_in_words(self, peak_dbfs: float, clips: int, word: str) -> None:
        """Oracle: the limits told in the module; common practice, no source."""
        assert verdict(peak_dbfs, clips) == word

    @given(st.lists(st.integers(1, 700), max_size=8))
    def test_any_chopping_gives_the_same_levels(self, lengths: list[int]) -> None:
        """Oracle: invariance. How the source cuts its blocks changes nothing."""
        samples = np.stack([sine(0.5, 0.05), np.clip(sine(2, 0.05), -1, 1)], axis=1)
        whole, parts = LevelMeter(2), LevelMeter(2)
        whole.add(samples)
        for block in chopped(samples, lengths):
            parts.add(block.samples)
        names = ["a", "b"]
        assert parts.levels([1, 2], names) == whole.levels([1, 2], names)
        assert whole.levels([1, 2], names)[0] != whole.levels([1, 2], names)[1]

    def test_damaged_samples_are_counted_not_spread(self) -> None:
        """Oracle: definition. One NaN must not make a level NaN."""
        samples = sine(0.5)[:, None].copy()
        samples[100], samples[200] = np.nan, np.inf
        meter = LevelMeter(1)
        meter.add(samples)
        (level,) = meter.levels([1], ["a"])
        assert meter.damaged == 2
        assert level.level_dbfs == pytest.approx(-6.0, abs=0.1)

    def test_listens_for_so_long_and_no_longer(self) -> None:
        """Oracle: sample count."""
        source = FakeSource(chopped(np.zeros((RATE_HZ, 2), np.float32), [1000] * 48), channels=2)
        assert listen(source, 0.25).samples == RATE_HZ // 4

    def test_stops_at_the_end_of_a_short_source(self) -> None:
        """Oracle: sample count."""
        source = FakeSource(chopped(np.zeros((500, 1), np.float32), []))
        assert listen(source, 3.0).samples == 500


class TestReceivers:
    def test_receiver_that_is_there(self, receiver: Receiver) -> None:
        """Oracle: a bound socket refuses nothing and gets `/prehowl/check`."""
        found = look_at(receiver.target(name="tablet"))
        assert (found.ok, found.address, found.name) == (True, "127.0.0.1", "tablet")
        receiver.until(lambda: bool(receiver.got))
        assert receiver.got == [("/prehowl/check", ",", [])]

    def test_port_that_nobody_listens_on(self, closed_port: int) -> None:
        """Oracle: loopback answers a closed UDP port with ICMP 'port unreachable' (RFC 1122)."""
        found = look_at(OscTarget(host="127.0.0.1", port=closed_port))
        assert not found.ok
        assert "nothing listens" in found.text

    def test_name_that_does_not_resolve(self) -> None:
        """Oracle: a resolver that says so; no name server is asked."""

        def resolver(*_: object, **__: object) -> Any:
            raise socket.gaierror(-2, "Name or service not known")

        found = look_at(OscTarget(host="tablet.invalid", port=9), resolve=resolver)
        assert not found.ok
        assert found.text == (
            "host name 'tablet.invalid' does not resolve (Name or service not known)"
        )

    def test_hanging_name_server_does_not_hang_the_check(
        self, receiver: Receiver, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Oracle: a resolver that hangs; the others are told all the same."""
        monkeypatch.setattr(osc_check, "LOOK_UP_S", 0.2)
        release = threading.Event()

        def resolver(host: str, port: int, **more: Any) -> Any:
            if host == "slow.invalid":
                release.wait(30)
            return socket.getaddrinfo("127.0.0.1", port, **more)

        targets = (OscTarget(host="slow.invalid", port=9), receiver.target())
        slow, quick = look_at_targets(targets, resolve=resolver)
        release.set()
        assert (slow.ok, quick.ok) == (False, True)
        assert "no answer within 0.2 s" in slow.text


class TestCommand:
    def test_recording_with_all_verdicts(
        self, club: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """Oracle: the recording made here: fine, low, clipping, silent; two are problems."""
        show = tmp_path / "show.toml"
        show.write_text("".join(f"[[channels]]\nnumber = {n}\nname = 'V{n}'\n" for n in (1, 3, 4)))
        words = ["check", "--show", str(show), "--recording", str(club), "--format", "json"]
        assert main(words) == 1
        found = record(capsys)
        assert [level["verdict"] for level in found["levels"]] == [
            "fine",
            "low",
            "clipping",
            "silent",
        ]
        assert [level["name"] for level in found["levels"]] == ["V1", "Ch 2", "V3", "V4"]
        assert len(found["problems"]) == 2
        assert "channel 3 (V3) clips" in found["problems"][0]
        assert "channel 4 (V4) is a mic and silent" in found["problems"][1]
        assert found["source"]["kind"] == "recording"
        assert found["source"]["listened_s"] == 1.0

    def test_all_fine_is_0(
        self, tmp_path: Path, receiver: Receiver, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """Oracle: documented exit codes: 0 where nothing is wrong."""
        path = tmp_path / "a.wav"
        soundfile.write(path, sine(0.25), RATE_HZ)
        words = ["check", "--recording", str(path), "--osc", f"127.0.0.1:{receiver.port}"]
        assert main(words) == 0
        text = capsys.readouterr().out
        assert text.splitlines()[-1] == "all fine"
        assert f"osc ok      127.0.0.1:{receiver.port}" in text

    def test_settings_tell_their_origin(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """Oracle: what is set here in the file and on the command line."""
        show = tmp_path / "show.toml"
        show.write_text("[device]\nrate_hz = 44100\n[[channels]]\nnumber = 1\ndistance_m = 1.5\n")
        words = ["check", "--show", str(show), "--no-device", "--rate", "48000"]
        assert main([*words, "--format", "json"]) == 0
        found = record(capsys)
        origins = {item["path"]: (item["value"], item["origin"]) for item in found["settings"]}
        assert origins["device.rate_hz"] == (48000, "command line")
        assert origins["channels[1].distance_m"] == (1.5, "file")
        assert origins["screen.theme"] == ("dark", "default")
        assert found["channels"][0]["loop_delay_ms"] == pytest.approx(1500 / 343.2 + 3, abs=0.01)
        assert main(words) == 0
        assert "device.rate_hz           48000                    command line" in (
            capsys.readouterr().out
        )

    def test_refusing_receiver_is_a_problem(
        self, closed_port: int, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """Oracle: documented exit codes: 1 where a problem is found."""
        assert main(["check", "--no-device", "--osc", f"127.0.0.1:{closed_port}"]) == 1
        assert "PROBLEM: OSC target" in capsys.readouterr().out

    def test_fewer_channels_than_the_show_names(
        self, club: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """Oracle: the example of 28 channels against a recording of four at another rate."""
        show = ROOT / "configs" / "festival.toml"
        words = ["check", "--show", str(show), "--recording", str(club), "--format", "json"]
        assert main(words) == 1
        problems = " ".join(record(capsys)["problems"])
        assert "the source has 4 channels; the show file also names channels 5-28" in problems
        assert "runs at 48000 Hz, asked: 96000 Hz" in problems

    def test_a_recording_that_is_cut_short_is_told_once(
        self, club: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """Oracle: definition: one fault, one note."""
        club.write_bytes(club.read_bytes()[: club.stat().st_size // 2])
        main(["check", "--recording", str(club), "--format", "json"])
        assert [note for note in record(capsys)["notes"] if "cut short" in note] == [
            f"recording: {club}: is cut short at 50% of its length; what is there is used"
        ]

    @pytest.mark.parametrize(
        ("words", "said"),
        [
            (["--show", "/nowhere/show.toml"], "no such show file"),
            (["--recording", "/nowhere/a.wav"], "/nowhere/a.wav"),
            (["--no-device", "--osc", "a:b"], "HOST:PORT"),
            (["--no-device", "--seconds", "0"], "must be above 0"),
            (["--no-device", "--seconds", "nan"], "must be above 0"),
            (["--no-device", "--rate", "8000"], "device.rate_hz is 8000"),
            (["--no-device", "--test-alert"], "nobody to tell"),
            (["--recording", "a.wav", "--rate", "48000"], "its own rate"),
        ],
    )
    def test_bad_input_is_2_and_one_line(
        self, words: list[str], said: str, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """Oracle: documented exit codes: 2 for bad input, one readable line on stderr."""
        assert main(["check", *words]) == 2
        out, err = capsys.readouterr()
        assert said in err
        assert out == ""
        assert err.count("\n") == 1

    def test_the_example_of_the_help_passes_on_a_fresh_machine(
        self,
        tmp_path: Path,
        capsys: pytest.CaptureFixture[str],
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        """Oracle: the documented code 0, away from the checkout, with no device or receiver."""
        monkeypatch.chdir(tmp_path)
        assert main(check.EXAMPLE.split()[1:]) == 0
        out, err = capsys.readouterr()
        assert out.endswith("\nall fine\n")
        assert err == ""

    def test_the_readmes_show_file_is_looked_over(self, capsys: pytest.CaptureFixture[str]) -> None:
        """Oracle: README. The tablet of the copied file need not be there: 0 or 1."""
        words = ["check", "--no-device", "--show", str(ROOT / "configs" / "small-club.toml")]
        assert main(words) in (0, 1)
        assert "Vox Lead" in capsys.readouterr().out

    def test_documented_keys_are_those_of_the_record(
        self, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """Oracle: `check --help`, which tells every key of the JSON object."""
        assert main(["check", "--no-device", "--format", "json"]) == 0
        for key in record(capsys):
            assert key == "type" or key in check.HELP


class TestTestAlert:
    def test_marked_shown_and_cleared(
        self,
        receiver: Receiver,
        capsys: pytest.CaptureFixture[str],
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        """Oracle: an independent receiver: a ring marked TEST on the first mic, then calm again."""
        monkeypatch.setattr(osc_check, "TEST_HOLD_S", 0.1)
        words = ["check", "--no-device", "--osc", f"127.0.0.1:{receiver.port}", "--test-alert", "3"]
        assert main(words) == 0
        receiver.until_bye()
        rings = [values for address, _, values in receiver.got if address == "/prehowl/ring"]
        assert [(ring[1], ring[2], ring[3], ring[4]) for ring in rings] == [
            (0, 3, "TEST Ch 3", "ringing"),
            (0, 3, "TEST Ch 3", "cleared"),
        ]
        assert receiver.values("/prehowl/channel/3/label")[0] == "TEST 1 kHz -3 dB"
        assert receiver.values("/prehowl/channel/3/state")[-1] == 0
        assert receiver.values("/prehowl/worst/state")[-1] == 0
        assert "test alert on channel 3" in capsys.readouterr().out

    def test_goes_only_when_asked_for(self, receiver: Receiver) -> None:
        """Oracle: a plain check sends nothing but `/prehowl/check`."""
        assert main(["check", "--no-device", "--osc", f"127.0.0.1:{receiver.port}"]) == 0
        receiver.until(lambda: bool(receiver.got))
        receiver.socket.settimeout(0.2)
        with pytest.raises(TimeoutError):
            receiver.socket.recv(1)
        assert [address for address, _, _ in receiver.got] == ["/prehowl/check"]


class FakeDevice(FakeSource):
    """A device as the command sees it: opened by name, with numbered channels."""

    device_name = "fake box"
    channel_numbers = (1, 2)


class TestDevice:
    @pytest.fixture
    def no_device(self, monkeypatch: pytest.MonkeyPatch) -> None:
        def refuse(*_: object, **__: object) -> None:
            raise DeviceError("there is no audio input", DeviceFault.ABSENT)

        monkeypatch.setattr(device_module, "DeviceSource", refuse)

    @pytest.mark.usefixtures("no_device")
    def test_named_device_that_is_absent_is_3(self, capsys: pytest.CaptureFixture[str]) -> None:
        """Oracle: documented exit codes: 3 where the device fails; the rest is still reported."""
        assert main(["check", "--device", "box", "--format", "json"]) == 3
        found = record(capsys)
        assert found["problems"] == ["device: there is no audio input"]
        assert (found["exit_code"], found["ok"]) == (3, False)

    @pytest.mark.usefixtures("no_device")
    def test_no_device_and_none_named_is_told_and_no_failure(
        self, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """Oracle: `check --help`: a laptop at home can look over its show file."""
        assert main(["check"]) == 0
        assert "no device was looked at" in capsys.readouterr().out

    def test_busy_default_device_is_a_failure(
        self, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """Oracle: definition. A device that is there but does not open is a failure."""

        def refuse(*_: object, **__: object) -> None:
            raise DeviceError("the device is busy", DeviceFault.REFUSED)

        monkeypatch.setattr(device_module, "DeviceSource", refuse)
        assert main(["check"]) == 3
        assert "PROBLEM: device: the device is busy" in capsys.readouterr().out

    def test_device_is_opened_as_a_watch_would(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """Oracle: the show file made here; the device is closed again."""
        asked: list[tuple[Any, ...]] = []
        samples = np.stack([sine(0.25), sine(0.7)], axis=1)
        made = FakeDevice(chopped(samples, [4800] * 10), channels=2)

        def opened(name: Any, *, channels: Any, up_to: Any, rate_hz: Any) -> FakeDevice:
            asked.append((name, channels, up_to, rate_hz))
            return made

        monkeypatch.setattr(device_module, "DeviceSource", opened)
        show = tmp_path / "show.toml"
        show.write_text("[device]\nname = 'box'\nrate_hz = 48000\n[[channels]]\nnumber = 2\n")
        words = ["check", "--show", str(show), "--seconds", "0.5", "--format", "json"]
        assert main(words) == 0
        assert asked == [("box", None, 2, 48000)]
        assert made.close_count == 1
        found = record(capsys)
        assert [level["verdict"] for level in found["levels"]] == ["fine", "hot"]
        assert found["source"] == {
            "kind": "device",
            "name": "fake box",
            "rate_hz": 48000,
            "channels": 2,
            "listened_s": 0.5,
            "text": "",
        }

    def test_real_device_source(
        self, double: AudioDouble, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """Oracle: the double of the audio library, which has 8 inputs on 'Stage box A'."""
        words = ["check", "--device", "stage a", "--seconds", "0.3", "--format", "json"]
        assert main(words) == 0
        found = record(capsys)
        assert found["source"]["name"] == "Stage box A"
        assert (found["source"]["channels"], len(found["levels"])) == (8, 8)
        assert main(["check", "--device", "stage", "--format", "json"]) == 3
        assert "2 audio inputs match 'stage'" in record(capsys)["problems"][0]

    def test_device_that_delivers_nothing_is_a_failure(
        self, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """Oracle: definition: an open device without samples is as good as none."""
        made = FakeDevice([], channels=2)
        monkeypatch.setattr(device_module, "DeviceSource", lambda *_, **__: made)
        assert main(["check", "--seconds", "0.1"]) == 3
        assert "no audio came" in capsys.readouterr().out


def test_levels_are_finite_for_json(club: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Oracle: strict JSON has no infinity; digital silence is at the floor."""
    main(["check", "--recording", str(club), "--format", "json"])
    levels = record(capsys)["levels"]
    assert all(math.isfinite(level["level_dbfs"]) for level in levels)
    assert levels[3]["peak_dbfs"] == -144.0
