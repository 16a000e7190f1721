"""`prehowl attach`: the dashboards of daemons elsewhere, on this screen."""

import argparse
import socket
from contextlib import ExitStack

from prehowl.daemon.attach.client import LOST_S, Client
from prehowl.daemon.attach.screen import AttachScreen
from prehowl.daemon.errors import OK, UsageError
from prehowl.daemon.show.in_force import target_from_words
from prehowl.daemon.show.tables import THEMES
from prehowl.daemon.stopping import stop_on_signals

HELP = f"""Show the dashboard of a prehowl that runs elsewhere, on this terminal, over OSC.

The other one must let OSC in: `prehowl watch --osc-in 9010`, or [osc_in] in its show file, with
this computer on its allow-list where it is not the same computer. Any number of screens can attach;
they cost the watch nothing that counts, and ending one ends nothing there.

With several hosts all of them share the screen, the worst first: howling, ringing, then a daemon
that is lost (no word for {LOST_S:g} seconds), suspect, calm. The keys 1 to 9 pick one, 0 goes back
to all. Acknowledging here quiets this screen only.

exit codes: 0 ended by a person; 2 wrong options, or no terminal."""

EXAMPLE = "prehowl attach 192.168.1.20 side-stage:9011"

ATTACH_PORT = 9010
MOST_HOSTS = 9


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument(
        "hosts", metavar="HOST[:PORT]", nargs="+", help=f"where it listens; port {ATTACH_PORT}"
    )
    parser.add_argument("--theme", choices=THEMES, default="dark", help="default dark")


def run(args: argparse.Namespace) -> int:
    """Show until a person ends it."""
    if len(args.hosts) > MOST_HOSTS:
        raise UsageError(f"{len(args.hosts)} hosts: one screen shows at most {MOST_HOSTS}")
    name = socket.gethostname()
    clients = [_client(words, name) for words in args.hosts]
    with stop_on_signals() as stop, ExitStack() as stack:
        screen = AttachScreen(clients, theme=args.theme)
        for client in clients:
            client.start()
            stack.callback(client.close)
        screen.run(stop)
    return OK


def _client(words: str, name: str) -> Client:
    has_port = (words.startswith("[") and "]:" in words) or words.count(":") == 1
    target = target_from_words(words if has_port else f"{_bracketed(words)}:{ATTACH_PORT}")
    return Client(words, target.host, target.port, name=name)


def _bracketed(words: str) -> str:
    """Return a bare IPv6 address in brackets, so that its last part is no port."""
    return f"[{words}]" if ":" in words and not words.startswith("[") else words
