"""A private JACK server without hardware, for tests that want a real audio path.

Its dummy back-end runs on the computer's clock; samples pass through it bit for bit.
"""

import os
import shutil
import signal
import subprocess
import time
import uuid
from pathlib import Path

RATE_HZ = 48000
PERIOD = 1024  # 21 ms: a player written in Python needs some slack on a busy machine
CHANNELS = 32
START_PATIENCE_S = 15.0
END_PATIENCE_S = 10.0  # a server whose client was killed takes up to 6 s to go


def is_here() -> bool:
    """Tell whether a JACK server can be started on this machine."""
    return shutil.which("jackd") is not None


class JackServer:
    """One server under a name of its own, so that tests disturb nobody and each other neither."""

    def __init__(self, folder: Path) -> None:
        self.name = f"prehowl-{uuid.uuid4().hex[:8]}"
        self._log_path = folder / f"{self.name}.log"
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def environment(self) -> dict[str, str]:
        """Return the environment in which every client finds this server and no other."""
        return {
            **os.environ,
            "JACK_DEFAULT_SERVER": self.name,
            "JACK_NO_AUDIO_RESERVATION": "1",
            "JACK_NO_START_SERVER": "1",
        }

    def start(self, rate_hz: int = RATE_HZ) -> None:
        """Start the server at a rate and wait until it runs.

        With real-time scheduling where the system allows it. A name whose server was killed is
        refused for about 2 s: try again until it works.
        """
        deadline_s = time.monotonic() + START_PATIENCE_S
        while time.monotonic() < deadline_s:
            for scheduling in (["-R", "-P", "70"], ["-r"]):
                if self._try(scheduling, rate_hz):
                    return
            time.sleep(0.2)
        raise RuntimeError(f"jackd does not start: {self._log_path.read_text()}")

    def _try(self, scheduling: list[str], rate_hz: int) -> bool:
        shape = ["-r", str(rate_hz), "-p", str(PERIOD), "-C", str(CHANNELS), "-P", str(CHANNELS)]
        with self._log_path.open("ab") as log:
            self._process = subprocess.Popen(
                ["jackd", "-n", self.name, "-p", "512", *scheduling, "-d", "dummy", *shape],
                env=self.environment,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
            )
        while self._process.poll() is None:
            if self._runs():
                return True
            time.sleep(0.05)
        return False

    def _runs(self) -> bool:
        said = subprocess.run(
            ["jack_wait", "-s", self.name, "-c"],
            env=self.environment,
            capture_output=True,
            check=False,
        )
        return said.stdout.startswith(b"running")

    def overruns(self) -> int:
        """Return how often the server says it was late: audio was lost before it reached us."""
        return self._log_path.read_text(errors="replace").count("XRun")

    def kill(self) -> None:
        """End the server without warning, as a crash does."""
        assert self._process is not None
        self._process.send_signal(signal.SIGKILL)
        self._process.wait()

    def freeze(self) -> None:
        """Stop the server from doing anything, without its death."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Let a frozen server go on."""
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    def stop(self) -> None:
        """End the server as its owner would, and wait until it has gone."""
        if self._process is None or self._process.poll() is not None:
            return
        self.thaw()
        self._process.terminate()
        try:
            self._process.wait(END_PATIENCE_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
