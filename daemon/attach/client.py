"""One daemon as an attached screen hears it: a socket, a thread, and a model that they feed."""

import contextlib
import socket
import threading
import time
from collections.abc import Callable

from prehowl.daemon.attach.reader import Heard, NotUnderstood, Reader
from prehowl.daemon.attach.wire import LEAVE, SUBSCRIBE
from prehowl.daemon.sinks.dashboard.model import Model, View
from prehowl.daemon.sinks.osc_messages import CONTRACT_VERSION, datagram

LOST_S = 2.5
"""Silence after which a daemon counts as lost; it speaks five times a second."""
RENEW_S = 1.0
SUBSCRIBED_S = 5
LOOK_AGAIN_S = 5.0
"""How often the name is looked up anew while there is no answer."""
WAIT_S = 0.1


class Client:
    """Asks one daemon for its screen and keeps what it says.

    Parameters
    ----------
    label : str
        What to call it, as typed.
    host, port
        Where it listens for OSC.
    name : str
        Who is asking, for the daemon.
    clock : callable
        The reader's monotonic time in seconds.
    """

    def __init__(
        self,
        label: str,
        host: str,
        port: int,
        *,
        name: str = "attach",
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.label = label
        self._host, self._port, self._name = host, port, name
        self._clock = clock
        self._lock = threading.Lock()
        self._model = Model((), (), label)
        self._reader = Reader()
        self._began_s = clock()
        self._heard_s: float | None = None
        self._trouble = ""
        self._has_ended = False
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"attach {label}", daemon=True)

    def start(self) -> None:
        """Begin to ask."""
        self._thread.start()

    def close(self) -> None:
        """Say that nobody looks any more; may come twice."""
        self._stop.set()
        if self._thread.ident is not None:
            self._thread.join(1.0)

    def view(self) -> View:
        """Return what is to be seen of the daemon now."""
        now_s = self._clock()
        with self._lock:
            self._model.lost = self._lost_words(now_s)
            return self._model.view(now_s)

    def acknowledge(self) -> None:
        """Quiet what fills the large space, on this screen only."""
        with self._lock:
            self._model.acknowledge()

    def set_page(self, page: int) -> None:
        """Show another page of channels."""
        with self._lock:
            self._model.page = page

    @property
    def page(self) -> int:
        """Return the page of channels that is shown."""
        return self._model.page

    def worst_channel(self) -> int:
        """Return the number of the channel that matters most, 0 for none."""
        with self._lock:
            return self._model.worst_channel()

    def take(self, packet: bytes) -> None:
        """Take one packet from the daemon."""
        try:
            heard = self._reader.read(packet)
        except NotUnderstood as fault:
            self._trouble = f"not understood: {fault}"
            return
        with self._lock:
            self._take(heard, self._clock())

    def _take(self, heard: Heard, now_s: float) -> None:
        if heard.places_taken:  # no word of the stage: it stays lost, and we go on asking
            self._trouble = f"its {heard.places_taken} places for screens are taken"
            return
        self._heard_s, self._trouble = now_s, ""
        self._has_ended = heard.has_ended
        shown = heard.shown
        if shown is not None and shown.numbers != self._model.numbers:
            before, self._model = self._model, Model(shown.names, shown.numbers)
            self._model.page = before.page
        if shown is not None:
            self._model.set_title(shown.title or self.label)
        for event in heard.events:
            self._model.take_event(event, now_s)
        for note in heard.notes:
            self._model.take_note(note, now_s)
        if heard.snapshot is not None:
            self._model.take_snapshot(heard.snapshot, now_s)

    def _lost_words(self, now_s: float) -> str:
        """Return why nothing is known of the daemon now, or ''."""
        if self._has_ended:
            return f"{self.label} has ended its watch: nobody listens there"
        silent_s = now_s - (self._began_s if self._heard_s is None else self._heard_s)
        if silent_s < LOST_S:
            return ""
        if self._heard_s is None:
            why = self._trouble or "is it running there, with --osc-in or [osc_in]?"
            return f"no answer from {self.label}: {why}"
        why = f": {self._trouble}" if self._trouble else ""
        return f"no word from {self.label} for {silent_s:.0f} s{why}"

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                with self._connected() as way:
                    self._talk(way)
            except (OSError, UnicodeError) as fault:
                self._trouble = getattr(fault, "strerror", None) or str(fault)
                self._stop.wait(RENEW_S)

    def _connected(self) -> socket.socket:
        family, kind, protocol, _, address = socket.getaddrinfo(
            self._host, self._port, type=socket.SOCK_DGRAM
        )[0]
        way = socket.socket(family, kind, protocol)
        way.settimeout(WAIT_S)
        way.connect(address)
        return way

    def _talk(self, way: socket.socket) -> None:
        """Renew the subscription and listen, until closed or the daemon is silent for long."""
        ask = datagram(SUBSCRIBE, (CONTRACT_VERSION, SUBSCRIBED_S, self._name))
        began_s, renew_at_s = self._clock(), float("-inf")
        while not self._stop.is_set():
            now_s = self._clock()
            if now_s >= renew_at_s:
                renew_at_s = now_s + RENEW_S
                self._send(way, ask)
            try:
                self.take(way.recv(65536))
            except TimeoutError:
                pass
            except ConnectionRefusedError:
                self._trouble = f"nothing listens on port {self._port} there"
                self._stop.wait(WAIT_S)
            if now_s - max(began_s, self._heard_s or 0.0) > LOOK_AGAIN_S:
                return  # the name may lead elsewhere by now
        self._send(way, datagram(LEAVE, ()))

    @staticmethod
    def _send(way: socket.socket, packet: bytes) -> None:
        # A refusal of the packet before shows here as well; `recv` tells it again.
        with contextlib.suppress(ConnectionRefusedError):
            way.send(packet)
