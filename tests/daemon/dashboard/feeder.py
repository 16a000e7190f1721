"""A small program that runs the dashboard on invented snapshots: for the tests, and to look at.

    python feeder.py MOMENT [fault | no-close]

`fault` breaks the drawing after a few frames; `no-close` ends by an exception without `close`.
"""

import sys
import threading
import time

from prehowl.daemon.sinks.dashboard import Dashboard, examples
from prehowl.detectors.rings import RingState

LONGEST_S = 60.0


class BreakingConsole:
    """Stands in for `Console.update_screen` and fails at the third frame."""

    def __init__(self, console):
        self.draw, self.frames = console.update_screen, 0

    def __call__(self, frame):
        self.frames += 1
        if self.frames == 3:
            raise RuntimeError("broken on purpose")
        self.draw(frame)


def main(moment, mode=""):
    quitting = threading.Event()
    channels = 32
    dashboard = Dashboard(examples.names(channels), title=examples.TITLE, on_quit=quitting.set)
    if mode == "fault":
        dashboard._screen.console.update_screen = BreakingConsole(dashboard._screen.console)
    dashboard.start()
    story = [told for told in examples.stories(channels)[moment] if told.state != "cleared"]
    for told in story:
        dashboard.on_event(told)
    living = tuple({told.id: told for told in story}.values())
    began = time.monotonic()
    while not quitting.is_set() and time.monotonic() - began < LONGEST_S:
        now = 755 + time.monotonic() - began
        dashboard.on_snapshot(examples.snapshot(channels, living, time_s=now))
        if mode == "fault" and dashboard.faults:
            dashboard.on_event(examples.event(RingState.HOWLING, 2, id_=9))
            mode = ""
        if mode == "no-close" and now > 756:
            raise SystemExit(5)
        time.sleep(0.05)
    dashboard.close()


if __name__ == "__main__":
    main(*sys.argv[1:])
