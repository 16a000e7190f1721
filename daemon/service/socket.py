"""A small local socket a watch: whoever connects is told its status and let go.

The answer comes from the process itself, so that a file left over from a killed one cannot lie,
and a process that lives but cannot answer is known by just that.
"""

import contextlib
import json
import os
import socket
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ACCEPT_S = 0.25
ANSWER_S = 2.0
MOST_BYTES = 4_000_000
PAUSE_S = 0.02
"""After each answer: who asks without end costs the analysis no more than fifty a second."""
EVERYBODY = 0o666
"""The folder is the gate, the socket is open: connecting takes the right to write (unix(7)), which
a service's umask withholds from all but its user. Who gets in can do nothing but be told: not one
byte is read from them, and one who does not take the answer is let go after `ANSWER_S`."""


def runtime_folders(environment: Mapping[str, str] | None = None) -> tuple[Path, ...]:
    """Return where sockets of watches may be, the place for one's own first.

    The service manager's folder (RUNTIME_DIRECTORY, systemd.exec(5)), the session's
    (XDG_RUNTIME_DIR), else one in the folder for temporary files that only this user can enter.
    """
    known = os.environ if environment is None else environment
    folders = [Path(told) for told in known.get("RUNTIME_DIRECTORY", "").split(":") if told]
    if known.get("XDG_RUNTIME_DIR"):
        folders.append(Path(known["XDG_RUNTIME_DIR"]) / "prehowl")
    folders.append(Path(known.get("TMPDIR", "/tmp")) / f"prehowl-{os.getuid()}")
    return (*folders, Path("/run/prehowl"))


class StatusServer:
    """Answers on `FOLDER/PID.sock` from a thread of its own."""

    def __init__(self, answer: Callable[[], dict[str, Any]], folder: Path) -> None:
        """Answer with what `answer` returns."""
        self.path = folder / f"{os.getpid()}.sock"
        self._answer = answer
        self._closing = threading.Event()
        self._socket: socket.socket | None = None
        self._thread = threading.Thread(target=self._run, name="status", daemon=True)

    def start(self) -> str:
        """Begin to answer; return what hinders it, "" if nothing does: a watch goes without."""
        try:
            self.path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            if self.path.parent.stat().st_uid != os.getuid():
                # Somebody else made it first, where everybody may make folders.
                return f"no answer to --status: {self.path.parent} belongs to another user"
            self.path.unlink(missing_ok=True)
            way = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            self._socket = way
            way.bind(str(self.path))
            self.path.chmod(EVERYBODY)
            way.listen(16)
            way.settimeout(ACCEPT_S)
        except OSError as fault:
            return f"no answer to --status: {self.path.parent} ({fault.strerror or fault})"
        self._thread.start()
        return ""

    def close(self) -> None:
        """Stop answering and take the file away."""
        self._closing.set()
        if self._thread.ident is not None:
            self._thread.join(2 * ACCEPT_S)
        if self._socket is not None:
            self._socket.close()
            with contextlib.suppress(OSError):
                self.path.unlink()

    def _run(self) -> None:
        assert self._socket is not None
        while not self._closing.wait(PAUSE_S):
            # A caller that goes away in the middle, or none within the time: on to the next.
            with contextlib.suppress(OSError):
                connection, _ = self._socket.accept()
                with connection:
                    connection.settimeout(ANSWER_S)
                    connection.sendall(json.dumps(self._answer(), allow_nan=False).encode())


@dataclass(frozen=True, slots=True)
class Asked:
    """A watch that lives, and what it says of itself."""

    pid: int
    record: dict[str, Any] | None  # None where it takes the question and does not answer


def watches(folders: tuple[Path, ...]) -> Iterator[Asked]:
    """Yield every watch that may be asked; leftovers of killed ones are none."""
    for folder in dict.fromkeys(folders):
        for path in sorted(folder.glob("*.sock")):
            if path.stem.isdecimal() and (asked := _asked(path)) is not None:
                yield asked


def _asked(path: Path) -> Asked | None:
    pid = int(path.stem)
    try:
        return Asked(pid, dict(json.loads(_told(path))))
    except TimeoutError:
        return Asked(pid, None)
    except (OSError, ValueError):
        return None  # nobody behind it, not ours to ask, or it ended while it was asked


def _told(path: Path) -> bytes:
    """Return all that is told there; `TimeoutError` if somebody is there and does not tell."""
    data = b""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as way:
        way.settimeout(ANSWER_S)
        _connect(way, path)
        while (part := way.recv(65536)) and len(data) < MOST_BYTES:
            data += part
    return data


def _connect(way: socket.socket, path: Path) -> None:
    """Connect; where the line is full, as before a watch that hangs, wait for a place in it."""
    until_s = time.monotonic() + ANSWER_S
    while True:
        try:
            way.connect(str(path))
        except BlockingIOError:
            if time.monotonic() >= until_s:
                raise TimeoutError(f"{path}: no place in the line") from None
            time.sleep(PAUSE_S)
        else:
            return
