"""The loop's side of one capture process: start it, know whether it lives, end it for certain."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import asdict, dataclass
from typing import IO, Any

from prehowl.daemon.errors import DeviceError, DeviceFault
from prehowl.daemon.sources.ring_memory import (
    CaptureState,
    RingMemory,
    Text,
    Word,
    nameless_file,
)
from prehowl.daemon.stopping import Stop, StoppedEarly

OPEN_PATIENCE_S = 15.0
"""Opening takes 0.3 s as a rule; a network interface or a waking audio server may need seconds."""

FIRST_BLOCK_PATIENCE_S = 5.0
"""First audio comes up to 2 s after opening through a desktop sound server (measured)."""

STALE_S = 0.5
"""No block for this long: the stream is dead, whatever the library says. Bursts reach 40 ms."""

END_PATIENCE_S = 1.0

KILL_PATIENCE_S = 0.5
"""SIGKILL takes milliseconds, but a process that is stuck in a driver does not heed even that; a
watch must not be stuck with it."""


@dataclass(frozen=True, slots=True)
class Wish:
    """What to open."""

    device: str | int | None = None  # number, words of the name, or the system's default
    channels: Sequence[int] | None = None  # from 1, in the order wanted; None: all
    up_to: int | None = None  # where `channels` is None: the first so many, if there are
    rate_hz: int | None = None  # None: the device's own
    identity: dict[str, Any] | None = None  # after a loss: the device that was open
    adapts: bool = False  # take what is there of `channels`, if any is


class CaptureProcess:
    """One capture process and the memory shared with it."""

    def __init__(self, wish: Wish) -> None:
        """Start it.

        Raises
        ------
        DeviceError
            If the computer is short of what a process needs. Nothing is left open then.
        """
        self._started_s = time.monotonic()
        self._running_s: float | None = None
        try:
            self.memory, self._words, self._process = _started(wish)
        except OSError as fault:
            raise _shortage(f"no capture process can be started: {fault}") from fault

    @property
    def pid(self) -> int:
        """Process number."""
        return self._process.pid

    @property
    def state(self) -> CaptureState:
        """What the process last said of itself."""
        return CaptureState(self.memory.get(Word.STATE))

    def identity(self) -> dict[str, Any]:
        """Return what the process said of the device that it opened; see `capture`."""
        return dict(json.loads(self.memory.text(Text.OPENED)))

    def trouble(self) -> DeviceError | None:
        """Return why there is no audio from this process any more; None while all is well."""
        gone = self.is_gone  # asked first: what one that has gone told of itself is all there
        if self.state is CaptureState.FAILED:
            said = json.loads(self.memory.text(Text.FAULT))
            return DeviceError(said["message"], DeviceFault(said["fault"]))
        if gone:
            return DeviceError(self._last_words(), DeviceFault.VANISHED)
        if self._is_stale():
            return DeviceError("the device delivers no audio", DeviceFault.VANISHED)
        return None

    def _is_stale(self) -> bool:
        now_s = time.monotonic()
        if self.state is CaptureState.STARTING:
            return now_s - self._started_s > OPEN_PATIENCE_S
        self._running_s = self._running_s or now_s
        last_ns = self.memory.get(Word.BLOCK_NS)
        if last_ns == 0:
            return now_s - self._running_s > FIRST_BLOCK_PATIENCE_S
        return now_s - last_ns / 1e9 > STALE_S

    def _last_words(self) -> str:
        self._words.seek(0)
        lines = self._words.read().decode(errors="replace").strip().splitlines()
        code = self._process.returncode
        how = f"signal {signal.Signals(-code).name}" if code < 0 else f"exit {code}"
        return f"the capture process ended ({how}){': ' + lines[-1] if lines else ''}"

    def wait_for_opening(self, stop: Stop) -> None:
        """Return when the device is open and its ring attached; else leave nothing running.

        Raises
        ------
        StoppedEarly
            If `stop` was set before.
        DeviceError
            If it does not open.
        """
        try:
            while self.state is not CaptureState.RUNNING:
                if stop.is_set():
                    raise StoppedEarly
                trouble = self.trouble()
                if trouble is not None:
                    raise trouble
                time.sleep(0.005)
            self.attach()
        except BaseException:
            self.kill()
            raise

    def attach(self) -> None:
        """Attach the ring, once the device is open.

        Raises
        ------
        DeviceError
            If the computer has no room for it.
        """
        try:
            self.memory.attach()
        except OSError as fault:
            raise _shortage(f"its audio has no room in memory: {fault}") from fault

    @property
    def is_gone(self) -> bool:
        """Whether it has ended; the system then forgets it."""
        return self._process.poll() is not None

    def end(self) -> bool:
        """Ask the process to stop, and kill it if it does not; as `kill`. May be called twice."""
        if not self.is_gone:
            self._process.terminate()
            if not self._goes_within(END_PATIENCE_S):
                return self.kill()
        self._let_go()
        return True

    def kill(self) -> bool:
        """End a process that may hang in a library; nothing but SIGKILL is certain.

        Returns
        -------
        bool
            Whether it has gone. One that is stuck in a driver goes when the driver lets it:
            `is_gone` must be asked now and then, or it stays in the system's table when it has.
        """
        if not self.is_gone:
            self._process.kill()
        is_gone = self._goes_within(KILL_PATIENCE_S)
        self._let_go()
        return is_gone

    def _goes_within(self, patience_s: float) -> bool:
        try:
            self._process.wait(patience_s)
        except subprocess.TimeoutExpired:
            return False
        return True

    def _let_go(self) -> None:
        self._words.close()
        self.memory.close()


def _shortage(what: str) -> DeviceError:
    """Return the fault of a computer that has no room for one more process."""
    return DeviceError(
        f"{what}. Is the computer short of memory, processes or open files? Close other programs",
        DeviceFault.REFUSED,
    )


def _started(wish: Wish) -> tuple[RingMemory, IO[bytes], subprocess.Popen[bytes]]:
    """Return the shared memory, the file of the process's words and the process."""
    module = "prehowl.daemon.sources.capture"
    channels = None if wish.channels is None else [int(c) for c in wish.channels]
    asked = json.dumps({**asdict(wish), "channels": channels})
    with ExitStack() as brief, ExitStack() as undone:
        descriptor = RingMemory.create()
        brief.callback(os.close, descriptor)
        memory = RingMemory(descriptor)
        undone.callback(memory.close)
        words = undone.enter_context(os.fdopen(nameless_file("prehowl-words"), "w+b"))
        # A process group of its own: Ctrl-C at the terminal is for the loop, which then ends
        # this process in its own time.
        process = subprocess.Popen(
            [sys.executable, "-P", "-m", module, str(descriptor), asked, str(os.getpid())],
            pass_fds=(descriptor,),
            stdin=subprocess.DEVNULL,
            stdout=words,
            stderr=words,
            process_group=0,
        )
        undone.pop_all()
    return memory, words, process
