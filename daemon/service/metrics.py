"""The status of a watch as OpenMetrics text, over HTTP on loopback, for those who run many stages.

Source of the form: OpenMetrics 1.0 (openmetrics.io, from memory): families with TYPE and HELP,
counters end in `_total`, label values escape backslash, quote and line feed, `# EOF` at the end.
"""

import sys
import threading
from collections.abc import Callable, Iterator, Mapping
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from prehowl.daemon.errors import OutputError

CONTENT_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"
LOOPBACK = "127.0.0.1"
STATES = ("suspect", "ringing", "howling")

Samples = list[tuple[dict[str, str], float]]


def metrics_text(record: Mapping[str, Any]) -> str:
    """Return the record of a `StatusBoard` as OpenMetrics text."""
    lines = [line for family in _families(record) for line in _lines(*family)]
    return "\n".join([*lines, "# EOF", ""])


def _families(record: Mapping[str, Any]) -> Iterator[tuple[str, str, str, Samples]]:
    names = record["channels"]
    counts = record["alarms_by_channel"]
    rings = [alert["state"] for alert in record["alerts"]]
    alarms: Samples = [
        ({"channel": number, "name": name}, counts.get(number, 0)) for number, name in names.items()
    ]
    states: Samples = [({"state": state}, rings.count(state)) for state in STATES]
    targets: Samples = [
        ({"target": name}, float(state == "ok"))
        for name, state in record.get("targets", {}).items()
    ]
    is_running = float(record["device_state"] == "running")
    yield "prehowl", "info", "The program.", [({"version": record["version"]}, 1)]
    yield (
        "prehowl_alarms",
        "counter",
        "Howls since the start, by the channel they belong to.",
        alarms,
    )
    yield "prehowl_rings", "gauge", "Howls that are alive, by state; on many channels once.", states
    yield "prehowl_input_running", "gauge", "1 while the audio device delivers.", [({}, is_running)]
    yield (
        "prehowl_news_age_seconds",
        "gauge",
        "Time since the loop last went round; above 2 it hangs.",
        [({}, record["news_age_s"])],
    )
    yield "prehowl_up_seconds", "gauge", "Time since the start.", [({}, record["up_s"])]
    yield (
        "prehowl_load_ratio",
        "gauge",
        "Seconds of work for a second of sound.",
        [({}, record.get("load", 0.0))],
    )
    yield (
        "prehowl_shed_level",
        "gauge",
        "How many things are left out because the computer cannot keep up; 0: none.",
        [({}, record.get("shed_level", 0))],
    )
    for name, key, text in (
        ("prehowl_lost_samples", "lost_samples", "Samples a channel that never arrived."),
        ("prehowl_overflows", "overflows", "Times that input was lost."),
        ("prehowl_dropped_blocks", "dropped_blocks", "Blocks left out because analysis lagged."),
    ):
        yield name, "counter", text, [({}, record.get(key, 0))]
    asked = record.get("osc_in")
    if asked is not None:
        taken, refused = "Messages of OSC in that were taken.", "What OSC in has refused."
        yield "prehowl_osc_in_taken", "counter", taken, [({}, asked["taken"])]
        yield "prehowl_osc_in_refused", "counter", refused, [({}, asked["refused"])]
    yield "prehowl_osc_target_ok", "gauge", "1 while an OSC receiver is well.", targets
    yield "prehowl_troubles", "gauge", "What else is wrong.", [({}, len(record["troubles"]))]


def _lines(name: str, kind: str, text: str, samples: Samples) -> Iterator[str]:
    yield f"# TYPE {name} {kind}"
    yield f"# HELP {name} {text}"
    tail = {"counter": "_total", "info": "_info"}.get(kind, "")
    for labels, value in samples:
        inside = ",".join(f'{key}="{_escaped(told)}"' for key, told in labels.items())
        figure = _figure(value)
        yield f"{name}{tail}{{{inside}}} {figure}" if inside else f"{name}{tail} {figure}"


def _figure(value: float) -> str:
    """Return a value with all its digits: a counter that moves in steps of ten says too little."""
    return str(int(value)) if float(value).is_integer() else repr(value)


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")


class MetricsServer:
    """Serves `/metrics` on a port of loopback from threads of its own."""

    def __init__(self, port: int, record: Callable[[], Mapping[str, Any]]) -> None:
        """Open the port.

        Raises
        ------
        OutputError
            If it cannot be opened.
        """
        try:
            self._server = _Server((LOOPBACK, port), _handler(record))
        except OSError as fault:
            raise OutputError(
                f"--metrics {port}: port {port} of {LOOPBACK} cannot be opened ({fault.strerror}). "
                "Take another one"
            ) from None
        self._thread = threading.Thread(
            target=self._server.serve_forever, kwargs={"poll_interval": 0.1}, daemon=True
        )

    @property
    def port(self) -> int:
        """Port that is open."""
        return int(self._server.server_address[1])

    def start(self) -> None:
        """Begin to answer."""
        self._thread.start()

    def trouble(self) -> str:
        """Return what went wrong with an answer, for a person; "" while all is well."""
        return self._server.trouble

    def close(self) -> None:
        """Stop answering."""
        if self._thread.ident is not None:
            self._server.shutdown()
        self._server.server_close()


class _Server(ThreadingHTTPServer):
    """Says nothing on stderr: the library's traceback would lie over the dashboard."""

    daemon_threads = True
    trouble = ""

    def handle_error(self, request: object, client_address: object) -> None:
        """Keep what is a fault of ours; a client that goes away in the middle is none."""
        fault = sys.exception()
        if not isinstance(fault, OSError):
            self.trouble = f"--metrics: an answer failed ({type(fault).__name__}: {fault})"


def _handler(record: Callable[[], Mapping[str, Any]]) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        timeout = 5  # a client that says nothing holds its thread no longer

        def do_GET(self) -> None:
            if self.path.split("?")[0] != "/metrics":
                self.send_error(404, "only /metrics is here")
                return
            body = metrics_text(record()).encode()
            self.send_response(200)
            self.send_header("Content-Type", CONTENT_TYPE)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, format: str, *args: Any) -> None:
            """Say nothing: a scrape every few seconds is no news."""

    return Handler
