"""The attached screen: draws what the clients hear, obeys keys, until a person has enough."""

import time
from collections.abc import Callable, Sequence

from rich.console import Console

from prehowl.daemon.attach.client import Client
from prehowl.daemon.attach.wall import Stage, shown_layout, wall, worst_first
from prehowl.daemon.errors import UsageError
from prehowl.daemon.sinks.dashboard.frame import Frame
from prehowl.daemon.sinks.dashboard.glyphs import signs_for
from prehowl.daemon.sinks.dashboard.model import CONFIRM_S
from prehowl.daemon.sinks.dashboard.terminal import Terminal, is_usable, standard_console
from prehowl.daemon.sinks.dashboard.themes import BY_NAME, PLAIN, after
from prehowl.daemon.stopping import Stop

FRAMES_PER_S = 6


class AttachScreen:
    """One screen for any number of daemons.

    Parameters
    ----------
    clients : sequence of Client
        In the order they were named; started and closed by the caller.
    theme : str
        'dark', 'light' or 'plain'. Where NO_COLOR is set, 'plain' is taken.
    console : Console, optional
        Where to draw; standard output by default.
    clock : callable
        The reader's monotonic time in seconds, the same as the clients'.
    """

    def __init__(
        self,
        clients: Sequence[Client],
        *,
        theme: str = "dark",
        console: Console | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._clients = tuple(clients)
        self._console = standard_console() if console is None else console
        self._terminal = Terminal(self._console)
        self._theme = PLAIN if self._console.no_color else BY_NAME[theme]
        self._signs = signs_for(self._console)
        self._clock = clock
        self._picked = ""
        self._quit_asked_s = float("-inf")

    def run(self, stop: Stop) -> None:
        """Draw until asked to stop, or until `q` was pressed twice.

        Raises
        ------
        UsageError
            If there is no terminal that can be drawn on.
        """
        if not is_usable(self._console):
            raise UsageError(
                "attach draws a screen and needs a terminal; standard output is none "
                "(or TERM is 'dumb'). For scripts, let the daemon send OSC to you (docs/osc.md)."
            )
        self._terminal.enter()
        try:
            while not stop.is_set():
                self._terminal.draw(self.frame(*self._console.size))
                for action in self._terminal.wait_for_keys(1 / FRAMES_PER_S):
                    if self.obey(action):
                        return
        finally:
            self._terminal.leave()

    def frame(self, width: int, height: int) -> Frame:
        """Return what is to be seen now."""
        now_s = self._clock()
        return wall(
            self._stages(),
            width,
            height,
            self._theme,
            now_s,
            self._signs,
            picked=self._picked,
            asked_to_quit=now_s - self._quit_asked_s <= CONFIRM_S,
        )

    def obey(self, action: str) -> bool:
        """Do what a key asks for; tell whether it was the last one."""
        if action == "theme":
            self._theme = after(self._theme)
        elif action == "quit":
            now_s = self._clock()
            is_second = now_s - self._quit_asked_s <= CONFIRM_S
            self._quit_asked_s = now_s
            return is_second
        elif action.startswith("pick"):
            key = action.removeprefix("pick ")
            known = key in {stage.key for stage in self._stages()}
            self._picked = key if known and len(self._clients) > 1 else ""
        elif action == "acknowledge":
            self._shown().acknowledge()
        elif action in ("next", "back", "worst"):
            self._turn(action)
        return False

    def _stages(self) -> list[Stage]:
        return [
            Stage(str(i), client.label, client.view())
            for i, client in enumerate(self._clients, start=1)
        ]

    def _shown(self) -> Client:
        """Return the daemon whose dashboard is shown."""
        stages = self._stages()
        key = self._picked or worst_first(stages, self._clock())[0].key
        return self._clients[int(key) - 1]

    def _turn(self, action: str) -> None:
        """Show the page of channels that a key asks for."""
        client = self._shown()
        numbers, worst = client.view().numbers, client.worst_channel()
        row = numbers.index(worst) if worst in numbers else 0
        size, now_s = self._console.size, self._clock()
        layout = shown_layout(self._stages(), *size, self._theme, now_s, self._picked)
        client.set_page(layout.page_after(action, client.page, len(numbers), row))
