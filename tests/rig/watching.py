"""A real `prehowl watch` as a user starts it, with its output gathered."""

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

PATIENCE_S = 20.0


def prehowl(*words: str) -> list[str]:
    """Return the command line that runs this checkout's prehowl."""
    return [sys.executable, "-P", "-m", "prehowl.daemon", *words]


def poll(what: Callable[[], Any], why: str, patience_s: float = PATIENCE_S) -> Any:
    """Return the first true answer; fail after the patience."""
    deadline_s = time.monotonic() + patience_s
    while not (answer := what()):
        if time.monotonic() > deadline_s:
            raise AssertionError(f"not within {patience_s:g} s: {why}")
        time.sleep(0.01)
    return answer


class Watching:
    """One running watch; use as a context manager, which kills it if a test forgot."""

    def __init__(self, options: Sequence[str], environment: Mapping[str, str]) -> None:
        self.process = subprocess.Popen(
            prehowl("watch", *options),
            env=dict(environment),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self.out: list[str] = []
        self.err: list[str] = []
        self._threads = [
            threading.Thread(target=self._gather, args=pair)
            for pair in ((self.process.stdout, self.out), (self.process.stderr, self.err))
        ]
        for thread in self._threads:
            thread.start()

    @staticmethod
    def _gather(stream: Any, lines: list[str]) -> None:
        for line in stream:
            lines.append(line)

    def __enter__(self) -> "Watching":
        return self

    def __exit__(self, *_: object) -> None:
        self.process.kill()
        self._finish()

    def _finish(self) -> None:
        self.process.wait()
        for thread in self._threads:
            thread.join()
        for stream in (self.process.stdout, self.process.stderr):
            assert stream is not None
            stream.close()

    def wait_for_line(self, words: str, patience_s: float = PATIENCE_S) -> str:
        """Return the first line on stderr that holds `words`."""

        def found() -> str | None:
            if self.process.poll() is not None and not any(words in line for line in self.err):
                raise AssertionError(f"watch ended: {''.join(self.err)}")
            return next((line for line in list(self.err) if words in line), None)

        return str(poll(found, f"{words!r} on stderr", patience_s))

    def stop(self, number: int = signal.SIGTERM) -> int:
        """Send a signal and return the exit code."""
        self.process.send_signal(number)
        code = self.process.wait(PATIENCE_S)
        self._finish()
        return code

    def events(self) -> list[dict[str, Any]]:
        """Return the events printed so far with --format jsonl."""
        return [json.loads(line) for line in list(self.out)]

    def capture_pid(self) -> int:
        """Return the process number of the capture process of this watch.

        Not of any other child: at its start Python's libraries look for others by helpers.
        """

        def found() -> int:
            for pid in children(self.process.pid):
                with contextlib.suppress(OSError):  # it has gone
                    if b"sources.capture" in Path(f"/proc/{pid}/cmdline").read_bytes():
                        return pid
            return 0

        return int(poll(found, "a capture process"))


def children(pid: int) -> list[int]:
    """Return the living child processes of a process (Linux)."""
    found: list[int] = []
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        found += [int(word) for word in task.read_text().split()]
    return found


def is_alive(pid: int) -> bool:
    """Tell whether a process is there and no zombie."""
    try:
        os.kill(pid, 0)
        state = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
    except (ProcessLookupError, FileNotFoundError):
        return False
    return state != "Z"
