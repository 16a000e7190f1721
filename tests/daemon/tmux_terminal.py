"""A terminal of its own for a test: tmux on a private socket, read as text, typed into."""

import os
import re
import shlex
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import pytest

PATIENCE_S = 120.0
LOOK_S = 0.05


def require_tmux() -> None:
    """Skip where tmux is missing; fail where CI says that it must be here."""
    if shutil.which("tmux"):
        return
    if os.environ.get("PREHOWL_REQUIRE_TMUX") == "1":
        pytest.fail("tmux is missing, and PREHOWL_REQUIRE_TMUX=1 says it must be here")
    pytest.skip("needs tmux (Debian: tmux), a terminal that can be typed into")


class Terminal:
    """A command in a pane of 80x24, under a shell that stays and tells its exit code.

    Were the command the pane's own process, tmux could close the pane before it has read the last
    words.
    """

    def __init__(self, command: list[str], folder: Path, **environment: str) -> None:
        self._home = tempfile.mkdtemp(prefix="t")  # short: a socket's path is limited
        self._socket = f"{self._home}/s"
        settings = [f"{name}={shlex.quote(value)}" for name, value in environment.items()]
        line = f"env -u NO_COLOR {' '.join(settings)} {shlex.join(command)}; "
        line += 'echo "[ended with $?]"; read -r nothing'
        # Empty configuration; UTF-8 whatever the locale.
        self._run(
            "-f", "/dev/null", "-u",
            "new-session", "-d", "-s", "t", "-x", "80", "-y", "24", "-c", str(folder), line,
        )  # fmt: skip

    def _run(self, *words: str) -> str:
        done = subprocess.run(
            ["tmux", "-S", self._socket, *words], capture_output=True, text=True, check=True
        )
        return done.stdout

    def screen(self) -> str:
        """Return what is to be seen now; a line that the terminal has wrapped is one line."""
        return self._run("capture-pane", "-p", "-J", "-t", "t")

    def type(self, *keys: str) -> None:
        """Press keys, in tmux's names: 'Enter', 'Down', 'g'."""
        self._run("send-keys", "-t", "t", *keys)

    def wait_for(
        self, is_so: Callable[[str], bool], what: str, patience_s: float = PATIENCE_S
    ) -> str:
        """Look at the screen until it is as wanted; return it."""
        until_s = time.monotonic() + patience_s
        while True:
            seen = self.screen()
            if is_so(seen):
                return seen
            assert time.monotonic() < until_s, f"{what} never came; the screen:\n{seen}"
            time.sleep(LOOK_S)

    def exit_code(self) -> int | None:
        """Return the command's exit code, None while it runs."""
        ended = re.search(r"\[ended with (\d+)\]", self.screen())
        return int(ended[1]) if ended else None

    def is_alternate(self) -> bool:
        """Tell whether the full screen is up (the alternate screen of the terminal)."""
        return self._run("display-message", "-p", "-t", "t", "#{alternate_on}").strip() == "1"

    def kill_command(self) -> None:
        """Kill the command without a chance to say goodbye."""
        shell = self._run("display-message", "-p", "-t", "t", "#{pane_pid}").strip()
        children = Path(f"/proc/{shell}/task/{shell}/children").read_text().split()
        assert len(children) == 1, "the shell has other children than the command"
        os.kill(int(children[0]), signal.SIGKILL)

    def close(self) -> None:
        """End the private server and leave nothing behind."""
        subprocess.run(["tmux", "-S", self._socket, "kill-server"], check=False)
        shutil.rmtree(self._home, ignore_errors=True)
