"""A live audio interface as a source: survives what cables, drivers and servers do.

Owns the life of the capture process. The first opening must succeed; after that no loss is
fatal: the source waits, opens the same device again, and says how many samples are missing, so
that stream time keeps step with the clock on the wall.
"""

import time
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.errors import DeviceError, DeviceFault
from prehowl.daemon.facts import Fact
from prehowl.daemon.sleep import SleepMeter
from prehowl.daemon.sources.base import Block, NumberedChannels, SourceHealth
from prehowl.daemon.sources.capture_process import CaptureProcess, Wish
from prehowl.daemon.sources.device_facts import lag_or_silence, lost, moved, not_as_asked, woken
from prehowl.daemon.sources.losses import LossMeter
from prehowl.daemon.sources.reopening import Reopening
from prehowl.daemon.sources.ring_memory import Word
from prehowl.daemon.stopping import Stop, StopFlag
from prehowl.detectors.framing import HIGHEST_RATE_HZ, LOWEST_RATE_HZ

PATIENCE_S = 0.1
LARGEST_BLOCK_S = 0.1

MOST_HANGING = 3
"""Processes that are stuck in a driver; with so many, another would only be stuck as well."""

GUARD_S = 0.25
"""The part of the ring next to the writer that is not read: it may be overwritten meanwhile."""


class DeviceSource(NumberedChannels):
    """Blocks from a live audio interface. Used by one thread; `health` from any."""

    def __init__(
        self,
        device: str | int | None = None,
        *,
        channels: Sequence[int] | None = None,
        up_to: int | None = None,
        rate_hz: int | None = None,
        adapts: bool = False,
        stop: Stop | None = None,
        sleep: SleepMeter | None = None,
    ) -> None:
        """Open the device.

        Parameters
        ----------
        device : str, int or None
            Number as `prehowl devices` shows it, words of its name, None for the default input.
        channels : sequence of int or None
            Inputs to take, from 1, in the order wanted; None for all.
        up_to : int or None
            Where no channels are named: take the first so many, or fewer if there are fewer.
        rate_hz : int or None
            Samples per second; None for the device's own rate.
        adapts : bool
            Whether a device that comes back with another rate or without some of its inputs is
            taken as it is. `rate_hz` then changes between two blocks, and what is not there reads
            silence. Else it is waited for until it is as before.
        stop : Stop, optional
            Looked at while the device opens, which can take seconds.
        sleep : SleepMeter, optional
            In place of the computer's, for tests.

        Raises
        ------
        StoppedEarly
            If `stop` was set before the device was open; nothing is left running.
        DeviceError
            If the library is missing or the device is unknown, ambiguous, too small, refuses
            the rate or does not open, or the computer cannot start a process for it.
        """
        process = CaptureProcess(Wish(device, channels, up_to, rate_hz))
        process.wait_for_opening(stop or StopFlag())
        memory = process.memory
        self._process: CaptureProcess | None = process
        self._hanging: list[CaptureProcess] = []  # killed, not gone yet
        self._rate_hz = memory.get(Word.RATE_HZ)
        self._numbers = tuple(channels or range(1, memory.samples.shape[1] + 1))
        self._identity = process.identity()
        self._name_before = self.device_name
        self._asked_hz = rate_hz
        wish = Wish(device, self._numbers, None, self._rate_hz, self._identity, adapts)
        self._reopening = Reopening(wish, rate_hz)
        self._there: NDArray[np.intp] | None = None  # rows that are delivered; None: all
        self._meter = LossMeter(self._rate_hz, memory.get(Word.BLOCK_LENGTH))
        self._is_adopted = True  # False while a new process has not delivered yet
        self._position = 0  # next sample to read, in the present process's count
        # When the last sample handed out was delivered; before the first, when the stream began.
        self._end_ns = time.monotonic_ns()
        self._sleep = sleep or SleepMeter()
        self._slept = (0.0, float("-inf"))  # for how long, and when it woke
        self._lost = 0
        self._overflows = 0  # our own and those of ended processes
        self._device_overflows = 0  # as the present process counts them
        self._zeros = 0
        self._lag = 0  # samples that wait in the ring
        self._fault = ""
        self._is_closed = False

    @property
    def rate_hz(self) -> int:
        """Samples per second; what the next block has, where the device adapts."""
        return self._rate_hz

    @property
    def device_name(self) -> str:
        """Name of the device that is open, as PortAudio lists it."""
        return str(self._identity["name"])

    @property
    def capture_pid(self) -> int | None:
        """Process number of the present capture process, for tests and the curious."""
        process = self._process
        return None if process is None else process.pid

    def read(self) -> Block | None:
        """Return what is new; an empty block after 0.1 s without news; None only when closed."""
        if self._is_closed:
            return None
        deadline_s = time.monotonic() + PATIENCE_S
        while True:
            block = self._take()
            if block is not None:
                return block
            if time.monotonic() >= deadline_s:
                return Block(np.zeros((0, self.channels), np.float32))
            time.sleep(self._pause_s())

    def health(self) -> SourceHealth:
        """Return the present state."""
        if self._is_closed:
            return SourceHealth("ended", self._overflows, self._lost)
        process = self._process  # the reading thread may replace it meanwhile
        is_running = process is not None and self._is_adopted
        return SourceHealth(
            state="running" if is_running else "waiting",
            overflows=self._overflows + self._device_overflows,
            lost_samples=self._lost,
            facts=self._facts() if is_running else (lost(self.device_name, self._fault),),
            backlog_s=self._backlog_s(process) if process is not None and is_running else 0.0,
        )

    def close(self) -> None:
        """End the capture process. May be called twice."""
        if self._process is not None:
            self._process.end()
            self._process = None
        self._overflows += self._device_overflows
        self._device_overflows = 0
        self._is_closed = True

    def _backlog_s(self, process: CaptureProcess) -> float:
        """Return how much sound waits in the ring."""
        written = process.memory.get(Word.WRITTEN)
        return max(0, written - self._position) / self._rate_hz

    def _facts(self) -> tuple[Fact, ...]:
        there, (slept_s, woke_s) = self._there, self._slept
        gone = [] if there is None else np.delete(self._numbers, there).tolist()
        rate_hz = self._rate_hz
        return (
            *woken(slept_s, time.monotonic() - woke_s),
            *moved(self.device_name, self._name_before, self._position / rate_hz),
            *not_as_asked(self.device_name, self._asked_hz, rate_hz, gone),
            *lag_or_silence(self.device_name, self._lag / rate_hz, self._zeros / rate_hz),
        )

    def _pause_s(self) -> float:
        """Return the time until the next block is due: two wake-ups a block, not hundreds."""
        if self._process is None or not self._is_adopted:
            return 0.02
        memory = self._process.memory
        period_s = memory.get(Word.BLOCK_LENGTH) / self._rate_hz
        due_s = memory.get(Word.BLOCK_NS) / 1e9 + period_s - time.monotonic()
        return min(max(due_s, 0.001), period_s)

    def _take(self) -> Block | None:
        process = self._process
        if process is None:
            if self._reopening.is_due(time.monotonic()):
                self._try_again()
            return None
        waiting = process.memory.get(Word.WRITTEN) - self._position
        if waiting > 0 and self._is_adopted:
            return self._copy_out(process, waiting)
        # Asked before the first block is taken: what fails right after it is a try that failed,
        # and such tries become rarer.
        trouble = process.trouble()
        if trouble is not None:
            self._lose(process, trouble)
        elif waiting > 0:
            try:
                return self._adopt(process, waiting)
            except DeviceError as fault:
                self._lose(process, fault)
        return None

    def _try_again(self) -> None:
        """Start another process; where the computer cannot, that is a try that failed."""
        self._is_adopted = False
        self._hanging = [process for process in self._hanging if not process.is_gone]
        try:
            if len(self._hanging) >= MOST_HANGING:
                raise DeviceError(
                    "capture processes hang in its driver and cannot be ended; unplug it, else "
                    "restart the computer",
                    DeviceFault.REFUSED,
                )
            self._process = CaptureProcess(self._reopening.wish)
        except DeviceError as trouble:
            self._note_failure(trouble)

    def _adopt(self, process: CaptureProcess, waiting: int) -> Block:
        """Take over a new process that delivers; the gap since the old one goes with its block."""
        memory = process.memory
        _refuse_strange_rate(memory.get(Word.RATE_HZ))
        process.attach()
        self._rate_hz = memory.get(Word.RATE_HZ)
        self._name_before, self._identity = self.device_name, process.identity()
        self._reopening.delivers(self._rate_hz, self._identity)
        inputs = self._identity["inputs"]
        there = [row for row, number in enumerate(self._numbers) if number <= inputs]
        self._there = None if len(there) == self.channels else np.array(there)
        self._meter = LossMeter(self._rate_hz, memory.get(Word.BLOCK_LENGTH))
        self._is_adopted = True
        passed_s = (memory.get(Word.BLOCK_NS) - self._end_ns) / 1e9
        gap = max(0, round(passed_s * self._rate_hz) - waiting)
        return self._copy_out(process, waiting, gap)

    def _copy_out(self, process: CaptureProcess, waiting: int, gap: int = 0) -> Block:
        memory = process.memory
        room = len(memory.samples) - round(GUARD_S * self._rate_hz)
        skipped = 0
        if waiting > room:
            skipped, waiting = waiting - room // 2, room // 2
            self._overflows += 1
        first = self._position + skipped
        count = min(waiting, round(LARGEST_BLOCK_S * self._rate_hz))
        samples = memory.copy(first, count)
        self._position = first + count
        self._lag = waiting - count
        self._end_ns = memory.get(Word.BLOCK_NS)
        missing = self._meter.update(memory.get(Word.WRITTEN), self._end_ns)
        self._device_overflows = memory.get(Word.OVERFLOWS)
        self._zeros = 0 if samples.any() else self._zeros + count
        absent = gap + skipped + missing + self._slept_through()
        self._lost += absent
        return Block(self._with_all_rows(samples), absent)

    def _slept_through(self) -> int:
        """Return the samples of a sleep: no other clock here knows of it."""
        slept_s = self._sleep.news_s()
        if slept_s:
            self._slept = (slept_s, time.monotonic())
        return round(slept_s * self._rate_hz)

    def _with_all_rows(self, samples: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return samples of all channels; those that are gone are silent."""
        if self._there is None:
            return samples
        every = np.zeros((len(samples), self.channels), np.float32)
        every[:, self._there] = samples
        return every

    def _lose(self, process: CaptureProcess, trouble: DeviceError) -> None:
        """Give up the present process. It may hang in a dead server: only SIGKILL is certain."""
        self._process = None
        if not process.kill():
            self._hanging.append(process)
        self._position = 0
        self._overflows += self._device_overflows
        self._device_overflows = self._zeros = self._lag = 0
        self._note_failure(trouble)

    def _note_failure(self, trouble: DeviceError) -> None:
        now_s = time.monotonic()
        if self._reopening.lost(trouble.fault, now_s, has_delivered=self._is_adopted):
            self._fault = str(trouble)


def _refuse_strange_rate(rate_hz: int) -> None:
    """Raise DeviceError where a device has come back at a rate that nobody can analyse."""
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        words = f"{LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz can be analysed"
        raise DeviceError(f"it came back at {rate_hz} Hz; {words}", DeviceFault.REFUSED)
