"""The loop's side of one capture process: start it, know whether it lives, end it for certain."""

import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from prehowl.daemon.errors import DeviceError, DeviceFault
from prehowl.daemon.sources.ring_memory import CaptureState, RingMemory, Word

OPEN_PATIENCE_S = 15.0
"""Opening takes 0.3 s as a rule; a network interface or a waking audio server may need seconds."""

FIRST_BLOCK_PATIENCE_S = 5.0
"""First audio comes up to 2 s after opening through a desktop sound server (measured)."""

STALE_S = 0.5
"""No block for this long: the stream is dead, whatever the library says. Bursts reach 40 ms."""

END_PATIENCE_S = 1.0


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
        descriptor = RingMemory.create()
        self._words = tempfile.TemporaryFile()  # noqa: SIM115 (lives as long as the process)
        self._started_s = time.monotonic()
        self._running_s: float | None = None
        asked = json.dumps(
            {
                "device": wish.device,
                "channels": None if wish.channels is None else [int(c) for c in wish.channels],
                "up_to": wish.up_to,
                "rate_hz": wish.rate_hz,
                "identity": wish.identity,
                "adapts": wish.adapts,
            }
        )
        module = "prehowl.daemon.sources.capture"
        try:
            # A process group of its own: Ctrl-C at the terminal is for the loop, which then ends
            # this process in its own time.
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-m", module, str(descriptor), asked, str(os.getpid())],
                pass_fds=(descriptor,),
                stdin=subprocess.DEVNULL,
                stdout=self._words,
                stderr=self._words,
                process_group=0,
            )
            self.memory = RingMemory(descriptor)
        finally:
            os.close(descriptor)

    @property
    def pid(self) -> int:
        """Process number."""
        return self._process.pid

    @property
    def state(self) -> CaptureState:
        """What the process last said of itself."""
        return CaptureState(self.memory.get(Word.STATE))

    def identity(self) -> dict[str, Any]:
        """Return number, name, host API and count of inputs of the device that is open."""
        return dict(json.loads(self.memory.text()))

    def trouble(self) -> DeviceError | None:
        """Return why there is no audio from this process any more; None while all is well."""
        gone = self._process.poll() is not None
        if self.state is CaptureState.FAILED:
            said = json.loads(self.memory.text())
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

    def end(self) -> None:
        """Ask the process to stop, and kill it if it does not. May be called twice."""
        if self._process.poll() is None:
            self._process.terminate()
            try:
                self._process.wait(END_PATIENCE_S)
            except subprocess.TimeoutExpired:
                self.kill()
        self._let_go()

    def kill(self) -> None:
        """End a process that may hang in a library; nothing but SIGKILL is certain."""
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait()
        self._let_go()

    def _let_go(self) -> None:
        self._words.close()
        self.memory.close()
