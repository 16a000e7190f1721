"""The live source: opens what is asked for, loses nothing unsaid, survives what devices do.

The audio library is a double here, in real capture processes; the real library and a real audio
server are in tests/rig.
"""

import errno
import gc
import os
import signal
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from rig.watching import children, is_alive, poll

from prehowl.daemon.errors import DeviceError, DeviceFault
from prehowl.daemon.sources import capture_process, ring_memory
from prehowl.daemon.sources import device as device_module
from prehowl.daemon.sources.base import Block
from prehowl.daemon.sources.device import DeviceSource
from prehowl.daemon.sources.device_facts import LAG_S
from prehowl.daemon.sources.ring_memory import RingMemory, Text, Word

RATE_HZ = 48000
BUSY_S = 3.0
"""An idle machine takes 0.2 s for a new capture process; a busy one may take its time."""


@pytest.fixture
def opened(double):
    """Give a function that opens sources, which are closed at the end."""
    sources = []

    def open_source(*args, **options):
        sources.append(DeviceSource(*args, **options))
        return sources[-1]

    yield open_source
    for source in sources:
        source.close()


@pytest.fixture
def unkillable(monkeypatch):
    """Give a context in which processes heed no signal, like one that is stuck in a driver."""

    def wait(process, timeout=None):
        assert timeout is not None, "this would wait for ever"
        raise subprocess.TimeoutExpired(process.args, timeout)

    @contextmanager
    def stuck():
        with monkeypatch.context() as patch:
            patch.setattr(subprocess.Popen, "kill", lambda _process: None)
            patch.setattr(subprocess.Popen, "terminate", lambda _process: None)
            patch.setattr(subprocess.Popen, "wait", wait)
            yield

    return stuck


def read_for(source: DeviceSource, seconds: float) -> list[Block]:
    """Return what comes within a time."""
    deadline_s = time.monotonic() + seconds
    blocks = []
    while time.monotonic() < deadline_s:
        blocks.append(source.read())
    return blocks


def read_until(source: DeviceSource, is_it, why: str, patience_s: float = 10.0) -> Block:
    """Return the first block that `is_it`."""

    def block():
        block = source.read()
        return block if is_it(block) else None

    return poll(block, why, patience_s)


def descriptors() -> set[str]:
    """Return the open files of this process (Linux), without those that nothing refers to any more.

    What other tests left to the collector may go at any time, so a count taken later may be lower.
    """
    gc.collect()
    return set(os.listdir("/proc/self/fd"))


def _raising(*_args, **_options):
    """Stand in for what the system has no room for."""
    raise BlockingIOError(errno.EAGAIN, os.strerror(errno.EAGAIN))


def counts(blocks: list[Block]) -> np.ndarray:
    """Return the running numbers that the double wrote into the first channel."""
    return np.rint(np.concatenate([block.samples[:, 0] for block in blocks]) * 2**20).astype(int)


class TestOpening:
    """The first opening must succeed, or say why not."""

    def test_takes_all_inputs_at_the_devices_own_rate(self, opened):
        """Oracle: the double has 8 inputs on this device, at 48 kHz."""
        source = opened("box a")
        assert (source.channels, source.rate_hz) == (8, RATE_HZ)
        assert source.names == tuple(f"Ch {n}" for n in range(1, 9))
        assert source.device_name == "Stage box A"
        assert read_until(source, lambda block: len(block.samples), "audio").samples.shape[1] == 8

    def test_selects_channels_in_the_order_wanted(self, opened):
        """Oracle: channel c of the double is c / 64 above the first; 5 then 2 differ by -3 / 64."""
        source = opened(1, channels=(5, 2))
        block = read_until(source, lambda block: len(block.samples), "audio")
        assert source.channel_numbers == (5, 2)
        np.testing.assert_allclose(block.samples[:, 1] - block.samples[:, 0], -3 / 64, atol=1e-6)

    @pytest.mark.parametrize(("up_to", "taken"), [(3, 3), (20, 8)])
    def test_takes_fewer_where_there_are_fewer(self, opened, up_to, taken):
        """Oracle: definition of `up_to`."""
        assert opened(1, up_to=up_to).channels == taken

    @pytest.mark.parametrize(
        ("told", "options", "fault", "words"),
        [
            ({"missing": True}, {}, DeviceFault.LIBRARY, "libportaudio2"),
            ({"devices": []}, {}, DeviceFault.ABSENT, "no audio input at all"),
            ({}, {"device": "desk"}, DeviceFault.ABSENT, "no audio input matches 'desk'"),
            ({}, {"device": "stage"}, DeviceFault.AMBIGUOUS, "1 'Stage box A'.*2 'Stage box B'"),
            ({}, {"device": 1, "channels": (9,)}, DeviceFault.TOO_FEW_CHANNELS, "inputs 1 to 8"),
            ({}, {"rate_hz": 44100}, DeviceFault.RATE_REFUSED, "refuses 44100 Hz.*48000 Hz"),
            ({"busy": True}, {}, DeviceFault.REFUSED, "Device unavailable.*another program"),
            ({"die": "Assertion"}, {}, DeviceFault.VANISHED, "exit 134.: Assertion"),
        ],
    )
    def test_what_cannot_be_opened_is_told(self, double, told, options, fault, words):
        """Oracle: definition. One line with the reason and the way out; no process stays."""
        double.tell(**told)
        before = children(os.getpid())
        with pytest.raises(DeviceError, match=words) as caught:
            DeviceSource(**options)
        assert caught.value.fault is fault
        assert "\n" not in str(caught.value)
        assert set(children(os.getpid())) <= set(before)

    def test_a_computer_without_room_for_a_process_is_told(self, double, monkeypatch):
        """Oracle: definition. One line, and no descriptor stays open."""
        monkeypatch.setattr(subprocess, "Popen", _raising)
        before = descriptors()
        with pytest.raises(DeviceError, match=r"no capture process can be started: .*Errno 11"):
            DeviceSource(0)
        assert descriptors() <= before


class TestStream:
    """A running stream."""

    def test_nothing_is_lost_or_invented(self, opened):
        """Oracle: the double's running numbers go on without a gap over a second."""
        source = opened(0)
        numbers = counts(read_for(source, 1.0))
        assert len(numbers) > 0.8 * RATE_HZ
        np.testing.assert_array_equal(np.diff(numbers), 1)
        assert source.health().lost_samples == 0
        assert source.health().state == "running"

    def test_lost_blocks_are_told_though_the_device_says_nothing(self, double, opened):
        """Oracle: the double leaves out 30 blocks; within 2 % or 64 samples of clock jitter."""
        source = opened(0)
        double.tell(lose=30)
        block = read_until(source, lambda block: block.lost, "a loss", 15.0)
        assert block.lost == pytest.approx(30 * 512, rel=0.02, abs=64)
        assert source.health().lost_samples == block.lost
        assert source.health().overflows == 0

    def test_the_devices_own_overflows_are_counted(self, double, opened):
        """Oracle: the double flags every block."""
        source = opened(0)
        double.tell(overflow=True)
        read_for(source, 0.5)
        assert source.health().overflows > 10

    def test_a_reader_that_sleeps_loses_and_says_how_much(self, opened):
        """Oracle: the double's running numbers. The jump is exactly what `lost` says."""
        source = opened(0)
        before = read_until(source, lambda block: len(block.samples), "audio")
        time.sleep(2.5)  # longer than the ring: this is the condition under test
        after = source.read()
        assert after.lost == counts([after])[0] - counts([before])[-1] - 1
        assert after.lost > 0
        assert source.health().overflows == 1
        assert "behind" in source.health().detail
        read_for(source, 0.3)
        assert LAG_S < 1
        assert source.health().detail == ""

    def test_silence_on_every_channel_is_told(self, double, opened):
        """Oracle: definition. Exact zeros for a second are no microphone; sound ends the notice."""
        source = opened(0)
        double.tell(mode="silence")
        read_for(source, 1.4)
        assert "digital silence on every channel" in source.health().detail
        double.tell(mode="play")
        read_for(source, 0.2)
        assert source.health().detail == ""


class TestSurvival:
    """After the first opening nothing is fatal."""

    def test_a_killed_capture_process_is_soon_replaced(self, double, opened):
        """Oracle: the clock. Audio is back soon, and `lost` is the time without."""
        source = opened(0)
        read_until(source, lambda block: len(block.samples), "audio")
        killed = source.capture_pid
        began_s = time.monotonic()
        os.kill(killed, signal.SIGKILL)
        block = read_until(source, lambda block: block.lost, "audio again")
        passed_s = time.monotonic() - began_s
        assert passed_s < BUSY_S
        assert block.lost / RATE_HZ == pytest.approx(passed_s, abs=0.1)
        assert source.health().state == "running"
        assert source.capture_pid != killed
        assert not is_alive(killed)

    @pytest.mark.parametrize("mode", ["stall", "gone"])
    def test_a_stream_that_stops_is_opened_again(self, double, opened, mode):
        """Oracle: the clock. Silent death and announced death both lead to waiting, then back."""
        source = opened("box b", channels=(4, 1))
        read_until(source, lambda block: len(block.samples), "audio")
        began_s = time.monotonic()
        double.tell(mode=mode, devices=[["Built-in line", 2]])
        poll(lambda: (source.read(), source.health().state)[1] == "waiting", "waiting")
        assert "'Stage box B' lost" in source.health().detail
        blocks = read_for(source, 0.5)
        assert all(len(block.samples) == 0 for block in blocks)
        assert 4 <= len(blocks) <= 6
        double.tell(mode="play", devices=[["New thing", 9], ["Stage box B", 4]])
        block = read_until(source, lambda block: block.lost, "audio again")
        passed_s = time.monotonic() - began_s
        assert block.lost / RATE_HZ == pytest.approx(passed_s, abs=0.2)
        assert block.samples.shape[1] == 2
        np.testing.assert_allclose(block.samples[:, 1] - block.samples[:, 0], -3 / 64, atol=1e-6)
        assert source.health().detail == ""

    def test_the_rate_that_was_asked_for_is_taken_again_as_soon_as_it_can_be(self, double, opened):
        """Oracle: definition. 48 kHz asked for, refused once; the device's own stays 44.1 kHz, but
        the next time it takes both."""
        source = opened(0, rate_hz=48000, adapts=True)
        for also_hz, taken_hz in (([], 44100), ([48000], 48000)):
            double.tell(mode="gone", rate_hz=44100, also_hz=also_hz)
            poll(lambda: (source.read(), source.health().state)[1] == "waiting", "waiting")
            double.tell(mode="play")
            read_until(source, lambda block: len(block.samples), "audio again")
            assert source.rate_hz == taken_hz
        assert source.health().detail == ""

    def test_the_same_box_under_another_card_is_taken_and_named_so(self, double, opened):
        """Oracle: definition. ALSA gives the card's index to whoever comes first."""
        double.tell(devices=[["Stage Box: USB Audio (hw:1,0)", 8]])
        source = opened("stage box")
        for card in (2, 3):
            before = source.device_name
            double.tell(mode="gone", devices=[[f"Stage Box: USB Audio (hw:{card},0)", 8]])
            poll(lambda: (source.read(), source.health().state)[1] == "waiting", "waiting")
            double.tell(mode="play")
            read_until(source, lambda block: block.lost, "audio again")
            assert source.device_name == f"Stage Box: USB Audio (hw:{card},0)"
            assert f"'{source.device_name}' is taken for '{before}'" in source.health().detail

    @pytest.mark.parametrize(
        ("where", "name"),
        [(subprocess, "Popen"), (ring_memory, "nameless_file"), (RingMemory, "attach")],
        ids=["no process", "no file", "no memory"],
    )
    def test_a_computer_without_room_is_told_and_waited_for(
        self, double, opened, monkeypatch, where, name
    ):
        """Oracle: definition. What the system refuses while a lost device is opened again is one
        more try that failed: told, tried again, nothing left open."""
        source = opened(0)
        read_until(source, lambda block: len(block.samples), "audio")
        os.kill(source.capture_pid, signal.SIGKILL)
        with monkeypatch.context() as patch:
            patch.setattr(where, name, _raising)
            if where is ring_memory:
                patch.setattr(capture_process, name, _raising)
            poll(lambda: (source.read(), "Errno 11" in source.health().detail)[1], "the reason")
            poll(lambda: (source.read(), source.capture_pid)[1] is None, "given up for now")
            before = descriptors()
            read_for(source, 0.5)
            poll(lambda: (source.read(), source.capture_pid)[1] is None, "given up for now")
            assert descriptors() <= before
            assert source.health().state == "waiting"
        read_until(source, lambda block: block.lost, "audio again")
        assert source.health().detail == ""

    def test_one_that_fails_after_its_first_block_is_told(self, double, opened):
        """Oracle: definition. Block and fault may both be there at one look."""
        source = opened(0)
        read_until(source, lambda block: len(block.samples), "audio")
        before = source.capture_pid
        double.tell(blocks=1)
        poll(lambda: (source.read(), source.capture_pid)[1] not in (None, before), "a new process")
        new = source.capture_pid
        poll(lambda: not is_alive(new), "its end, unseen")
        words = "the audio stream stopped"
        poll(lambda: (source.read(), words in source.health().detail)[1], "the reason")
        double.tell(blocks=10**9)
        read_until(source, lambda block: block.lost, "audio again")

    def test_a_process_that_cannot_be_ended_holds_nothing_up(self, opened, unkillable):
        """Oracle: definition. Stuck in a driver not even SIGKILL is heeded: another is started;
        when it has gone at last, the next try clears it away."""
        source = opened(0)
        read_until(source, lambda block: len(block.samples), "audio")
        stuck = source.capture_pid
        with unkillable():
            os.kill(stuck, signal.SIGSTOP)
            read_until(source, lambda block: block.lost, "audio again")
            assert source.capture_pid != stuck
        os.kill(stuck, signal.SIGKILL)
        poll(lambda: not is_alive(stuck), "its end")
        assert Path(f"/proc/{stuck}").exists()  # until somebody asks for it
        os.kill(source.capture_pid, signal.SIGKILL)
        read_until(source, lambda block: block.lost, "audio again")
        assert not Path(f"/proc/{stuck}").exists()

    def test_stuck_processes_do_not_pile_up(self, opened, unkillable, monkeypatch):
        """Oracle: definition. With so many that hang no other is started; it is told why."""
        monkeypatch.setattr(device_module, "MOST_HANGING", 1)
        source = opened(0)
        read_until(source, lambda block: len(block.samples), "audio")
        stuck = source.capture_pid
        with unkillable():
            os.kill(stuck, signal.SIGSTOP)
            words = "capture processes hang in its driver and cannot be ended"
            poll(lambda: (source.read(), words in source.health().detail)[1], words)
            assert children(os.getpid()).count(stuck) == 1
            assert source.capture_pid is None
        os.kill(stuck, signal.SIGKILL)
        read_until(source, lambda block: block.lost, "audio again")
        assert not Path(f"/proc/{stuck}").exists()

    def test_the_end_does_not_wait_for_one_that_cannot_be_ended(self, double, unkillable):
        """Oracle: definition. A watch that is told to end ends."""
        source = DeviceSource(0)
        stuck = source._process
        with unkillable():
            os.kill(source.capture_pid, signal.SIGSTOP)
            source.close()
        assert source.health().state == "ended"
        assert stuck is not None
        poll(stuck.kill, "its end, when the driver lets it")

    def test_a_hanging_library_does_not_hang_the_end(self, double, opened):
        """Oracle: the clock. A close that never returns costs about a second."""
        source = opened(0)
        double.tell(hang_at_close_s=60)
        pid = source.capture_pid
        began_s = time.monotonic()
        source.close()
        assert time.monotonic() - began_s < 2.0
        assert not is_alive(pid)
        assert source.read() is None
        assert source.health().state == "ended"
        source.close()

    def test_the_capture_process_does_not_outlive_its_parent(self, double):
        """Oracle: the process table. SIGKILL gives the parent no chance to clean up."""
        script = (
            "import time; from prehowl.daemon.sources.device import DeviceSource\n"
            "print(DeviceSource(0).capture_pid, flush=True); time.sleep(60)"
        )
        parent = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True)
        with parent:
            pid = int(parent.stdout.readline())
            assert is_alive(pid)
            parent.kill()
        poll(lambda: not is_alive(pid), "the capture process goes", 3.0)


@pytest.fixture
def both_ends():
    """Return a shared memory twice, as its writer and its reader have it."""
    descriptor = RingMemory.create()
    writer, reader = RingMemory(descriptor), RingMemory(descriptor)
    os.close(descriptor)
    yield writer, reader
    writer.close()
    reader.close()


class TestRingMemory:
    """The shared memory."""

    def test_what_is_written_is_read_across_the_end(self, both_ends):
        """Oracle: the numbers themselves, in pieces that do not fit the ring's length."""
        writer, reader = both_ends
        writer.lay_out(channels=2, rate_hz=RATE_HZ, capacity=50, block_length=7)
        reader.attach()
        data = np.arange(400, dtype=np.float32).reshape(200, 2)
        for at in range(0, 200, 7):
            piece = data[at : at + 7]
            writer.write(piece, at + 1)
            np.testing.assert_array_equal(reader.copy(at, len(piece)), piece)
            assert reader.get(Word.WRITTEN) == at + len(piece)
            assert reader.get(Word.BLOCK_NS) == at + 1

    def test_text_passes_and_too_much_of_it_is_cut(self, both_ends):
        """Oracle: definition, with marks of several bytes."""
        writer, reader = both_ends
        writer.put_text(Text.OPENED, "Bühne 歌")
        assert reader.text(Text.OPENED) == "Bühne 歌"
        writer.put_text(Text.OPENED, "ü" * 5000)
        assert reader.text(Text.OPENED) == "ü" * 1536

    def test_a_fault_leaves_what_was_opened_to_be_read(self, both_ends):
        """Oracle: definition: two places. Both full; neither touches samples nor words."""
        writer, reader = both_ends
        writer.lay_out(channels=1, rate_hz=RATE_HZ, capacity=8, block_length=8)
        reader.attach()
        writer.write(np.full((8, 1), 0.5, np.float32), 7)
        writer.put_text(Text.OPENED, "o" * 9999)
        writer.put_text(Text.FAULT, "f" * 9999)
        assert set(reader.text(Text.OPENED)) == {"o"}
        assert set(reader.text(Text.FAULT)) == {"f"}
        assert set(reader.samples.ravel()) == {0.5}
        assert (reader.get(Word.BLOCK_NS), reader.get(Word.WRITTEN)) == (7, 8)

    @pytest.mark.parametrize("call", ["ftruncate", "dup"])
    def test_nothing_stays_open_where_it_cannot_be_made(self, monkeypatch, call):
        """Oracle: definition; the process's open files."""
        before = descriptors()
        with monkeypatch.context() as patch:
            patch.setattr(os, call, _raising)
            with pytest.raises(DeviceError, match="Errno 11"):
                DeviceSource(0)
        assert descriptors() <= before
