"""The `prehowl` command: choose the sub-command, turn faults into one line and an exit code.

Only the chosen command's module is imported, so that `scan` and `demo` work on a machine
without an audio library.
"""

import argparse
import difflib
import importlib
import importlib.metadata
import os
import signal
import sys
from collections.abc import Sequence
from types import ModuleType

from prehowl.daemon.errors import BAD_INPUT, OK, SYSTEM_FAILURE, PrehowlError

COMMANDS = {
    "demo": "watch an invented festival on a virtual stage; needs no hardware",
    "watch": "watch a live interface, or a recording at its own pace",
    "attach": "show the dashboards of daemons elsewhere on this screen",
    "scan": "find rings in recordings",
    "ringout": "ring out one wedge with one microphone, and keep the sheet",
    "devices": "list audio devices with numbers and channels",
    "check": "look over show file, device, channel levels and OSC before doors",
    "bench": "measure detection quality and load",
}
"""Name and one line of help; the module of the same name in `commands` does the work."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command line and return its exit code."""
    words = list(sys.argv[1:] if argv is None else argv)
    debug = "--debug" in words
    words = [word for word in words if word != "--debug"]
    try:
        return _dispatch(words)
    except PrehowlError as fault:
        if debug:
            raise
        print(f"prehowl: {fault}", file=sys.stderr)
        return fault.exit_code
    except KeyboardInterrupt:
        return 128 + signal.SIGINT
    except BrokenPipeError:
        # The reader of our output went away (`| head`): not a fault. Point stdout elsewhere so
        # that the interpreter's last flush does not complain.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return OK
    except Exception as fault:
        if debug:
            raise
        print(
            f"prehowl: internal fault ({type(fault).__name__}: {fault}). "
            "Run again with --debug for the traceback.",
            file=sys.stderr,
        )
        return SYSTEM_FAILURE


def _dispatch(words: list[str]) -> int:
    if not words or words[0] in ("-h", "--help"):
        print(_overview())
        return OK if words else BAD_INPUT
    if words[0] in ("-V", "--version"):
        print(f"prehowl {importlib.metadata.version('prehowl')}")
        return OK
    name = words[0]
    if name not in COMMANDS:
        near = difflib.get_close_matches(name, COMMANDS, n=1)
        hint = f"Did you mean {near[0]!r}?" if near else f"There are: {', '.join(COMMANDS)}."
        print(f"prehowl: unknown command {name!r}. {hint}", file=sys.stderr)
        return BAD_INPUT
    module = importlib.import_module(f"prehowl.daemon.commands.{name}")
    args = _parser(name, module).parse_args(words[1:])
    return int(module.run(args))


def _parser(name: str, module: ModuleType) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog=f"prehowl {name}",
        description=module.HELP,
        epilog=f"example: {module.EXAMPLE}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    module.add_arguments(parser)
    parser.add_argument("--debug", action="store_true", help="show tracebacks")
    return parser


def _overview() -> str:
    rows = "\n".join(f"  {name:<10}{line}" for name, line in COMMANDS.items())
    return (
        "usage: prehowl COMMAND [options]\n\n"
        "Sees a howl coming on stage monitors and says which band to pull.\n\n"
        f"commands:\n{rows}\n\n"
        "`prehowl COMMAND --help` shows options and an example.\n"
        "--version tells the version, --debug shows tracebacks.\n"
        "example: prehowl demo"
    )
