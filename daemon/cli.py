"""The `prehowl` command: choose the sub-command, turn faults into one line and an exit code.

Only the chosen command's module is imported, so that `scan` and `demo` work on a machine
without an audio library.
"""

import difflib
import importlib
import importlib.metadata
import signal
import sys
from collections.abc import Sequence

from prehowl.daemon.command_line import CommandParser
from prehowl.daemon.errors import BAD_INPUT, OK, SYSTEM_FAILURE, PrehowlError, ShowFileError
from prehowl.daemon.output import check_streams, drop_pending, is_failed_write, write_fault

COMMANDS = {
    "demo": "watch an invented festival on a virtual stage; needs no hardware",
    "watch": "watch a live interface, or a recording at its own pace",
    "attach": "show the dashboards of daemons elsewhere on this screen",
    "scan": "find rings in recordings",
    "ringout": "ring out one wedge with one microphone, and keep the sheet",
    "sheets": "show, edit, compare, copy and print EQ sheets",
    "logbook": "read what happened in a show: list, show, report, export",
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
        return _run(words)
    except KeyboardInterrupt:
        return 128 + signal.SIGINT
    except BrokenPipeError:
        # The reader of our output went away (`| head`): not a fault.
        drop_pending()
        return OK
    except Exception as fault:
        if debug:
            raise
        return _told(fault)


def _run(words: list[str]) -> int:
    check_streams()
    try:
        return _dispatch(words)
    finally:
        sys.stdout.flush()  # here a full disk is still ours to tell, not the interpreter's


def _told(fault: Exception) -> int:
    """Tell a fault in one line; return the exit code."""
    if isinstance(fault, OSError) and is_failed_write(fault):
        fault = write_fault(fault)
    if isinstance(fault, PrehowlError):
        print(f"prehowl: {_in_one_line(fault)}", file=sys.stderr)
        return fault.exit_code
    print(
        f"prehowl: internal fault ({type(fault).__name__}: {fault}). "
        "Run again with --debug for the traceback.",
        file=sys.stderr,
    )
    return SYSTEM_FAILURE


def _in_one_line(fault: PrehowlError) -> str:
    """Return a fault as one line, whatever a file's name holds; a show file's are a list."""
    return str(fault) if isinstance(fault, ShowFileError) else " ".join(str(fault).splitlines())


def _dispatch(words: list[str]) -> int:
    if not words:
        print(_overview(), file=sys.stderr)
        return BAD_INPUT
    if words[0] in ("-h", "--help"):
        print(_overview())
        return OK
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
    args = parser_of(name).parse_args(words[1:])
    return int(module.run(args))


def parser_of(name: str) -> CommandParser:
    """Return the parser of one command."""
    module = importlib.import_module(f"prehowl.daemon.commands.{name}")
    parser = CommandParser(f"prehowl {name}", text=module.HELP, example=module.EXAMPLE)
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
