"""A small local socket a watch: whoever connects is told its status and let go.

The answer comes from the process itself, so that a file left over from a killed one cannot lie.
"""

import contextlib
import json
import os
import socket
import threading
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

ACCEPT_S = 0.25
ANSWER_S = 2.0
MOST_BYTES = 4_000_000


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
        self._is_closing = False
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
            way.listen(4)
            way.settimeout(ACCEPT_S)
        except OSError as fault:
            return f"no answer to --status: {self.path.parent} ({fault.strerror or fault})"
        self._thread.start()
        return ""

    def close(self) -> None:
        """Stop answering and take the file away."""
        self._is_closing = True
        if self._thread.ident is not None:
            self._thread.join(2 * ACCEPT_S)
        if self._socket is not None:
            self._socket.close()
            with contextlib.suppress(OSError):
                self.path.unlink()

    def _run(self) -> None:
        assert self._socket is not None
        while not self._is_closing:
            # A caller that goes away in the middle, or none within the time: on to the next.
            with contextlib.suppress(OSError):
                connection, _ = self._socket.accept()
                with connection:
                    connection.settimeout(ANSWER_S)
                    connection.sendall(json.dumps(self._answer(), allow_nan=False).encode())


def watches(folders: tuple[Path, ...]) -> Iterator[dict[str, Any]]:
    """Yield the record of every watch that answers; leftovers of killed ones do not."""
    for folder in dict.fromkeys(folders):
        for path in sorted(folder.glob("*.sock")):
            record = _asked(path)
            if record is not None:
                yield record


def _asked(path: Path) -> dict[str, Any] | None:
    data = b""
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as way:
            way.settimeout(ANSWER_S)
            way.connect(str(path))
            while (part := way.recv(65536)) and len(data) < MOST_BYTES:
                data += part
        return dict(json.loads(data))
    except (OSError, ValueError):
        return None
