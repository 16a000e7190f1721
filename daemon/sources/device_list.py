"""The audio devices of this machine, and the choice of one by number or by words.

The query runs in a short-lived process of its own: an audio library that hangs or aborts while
it looks around must not take the command with it.
"""

import json
import re
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from types import ModuleType
from typing import Any

from prehowl.daemon.errors import DeviceError, DeviceFault

QUERY_TIMEOUT_S = 10.0

LISTED = 8
"""Devices named in an error message; a message must stay readable."""

INSTALL_HINT = (
    "the audio library PortAudio is not installed. Debian and Ubuntu: `apt install libportaudio2`; "
    "Fedora, Arch, macOS: the package `portaudio`. `prehowl demo` and `prehowl scan` work without."
)


@dataclass(frozen=True, slots=True)
class DeviceRow:
    """One audio device as PortAudio lists it."""

    number: int
    name: str
    host_api: str
    input_channels: int
    output_channels: int
    default_rate_hz: int
    is_default: bool  # the input that is taken where none is named

    def line(self) -> str:
        """Return the device in a few words for a message."""
        return f"{self.number} {self.name!r} ({self.host_api}, {self.input_channels} in)"


def import_portaudio() -> ModuleType:
    """Import the audio library here and now; say what to install where it is missing."""
    try:
        import sounddevice
    except (ImportError, OSError) as fault:
        raise DeviceError(
            f"{INSTALL_HINT} (The system says: {fault})", DeviceFault.LIBRARY
        ) from None
    return sounddevice  # type: ignore[no-any-return]


def query_here() -> list[DeviceRow]:
    """Ask PortAudio in this process. Only for processes that may hang or die."""
    portaudio = import_portaudio()
    devices: list[dict[str, Any]] = list(portaudio.query_devices())
    apis: list[dict[str, Any]] = list(portaudio.query_hostapis())
    default = _default_input(portaudio)
    return [
        DeviceRow(
            number=number,
            name=str(device["name"]),
            host_api=str(apis[int(device["hostapi"])]["name"]),
            input_channels=int(device["max_input_channels"]),
            output_channels=int(device["max_output_channels"]),
            default_rate_hz=round(float(device["default_samplerate"])),
            is_default=number == default,
        )
        for number, device in enumerate(devices)
    ]


def _default_input(portaudio: ModuleType) -> int:
    try:
        return int(portaudio.query_devices(kind="input")["index"])
    except (portaudio.PortAudioError, ValueError):
        return -1  # PortAudio's own word for: there is none


def list_devices(timeout_s: float = QUERY_TIMEOUT_S) -> list[DeviceRow]:
    """Ask PortAudio in a process of its own.

    Raises
    ------
    DeviceError
        If the library is missing, fails, or does not answer within `timeout_s`.
    """
    command = [sys.executable, "-P", "-m", "prehowl.daemon.sources.capture", "--list"]
    try:
        done = subprocess.run(
            command, stdin=subprocess.DEVNULL, capture_output=True, timeout=timeout_s, check=False
        )
    except subprocess.TimeoutExpired:
        raise DeviceError(
            f"the audio system did not answer within {timeout_s:g} s. "
            "Is an audio server hanging? Restart it (or the computer) and try again.",
            DeviceFault.REFUSED,
        ) from None
    return _answer(done)


def _answer(done: subprocess.CompletedProcess[bytes]) -> list[DeviceRow]:
    try:
        answer = json.loads(done.stdout)
    except ValueError:
        last = done.stderr.decode(errors="replace").strip().splitlines()[-1:]
        raise DeviceError(
            f"the audio library failed while listing devices (exit {done.returncode}"
            f"{': ' + last[0] if last else ''}). Restart the audio server and try again.",
            DeviceFault.REFUSED,
        ) from None
    if "fault" in answer:
        raise DeviceError(answer["message"], DeviceFault(answer["fault"]))
    return [DeviceRow(**row) for row in answer["devices"]]


def answer_json(rows: Sequence[DeviceRow]) -> str:
    """Return what the query process prints."""
    return json.dumps({"devices": [asdict(row) for row in rows]})


def choose_device(rows: Sequence[DeviceRow], wanted: str | int | None) -> DeviceRow:
    """Pick the input that `wanted` means.

    Parameters
    ----------
    rows : sequence of DeviceRow
        All devices.
    wanted : str, int or None
        A number as listed; words that must all occur in the name or host API, in any order and
        case (an exact name wins, then whole words, then parts of words); None for the system's
        default input.

    Raises
    ------
    DeviceError
        If nothing, or more than one thing, matches.
    """
    inputs = [row for row in rows if row.input_channels > 0]
    if wanted is None or wanted == "":
        found = [row for row in inputs if row.is_default]
        if not found:
            raise _absent("there is no default audio input", inputs)
        return found[0]
    if isinstance(wanted, int) or wanted.strip().isdigit():
        return _by_number(rows, inputs, int(wanted))
    return _by_words(rows, inputs, wanted)


def _by_number(rows: Sequence[DeviceRow], inputs: list[DeviceRow], number: int) -> DeviceRow:
    for row in rows:
        if row.number == number and row.input_channels > 0:
            return row
        if row.number == number:
            raise _absent(f"device {number} ({row.name}) has no inputs", inputs)
    raise _absent(f"there is no audio device number {number}", inputs)


def _by_words(rows: Sequence[DeviceRow], inputs: list[DeviceRow], words: str) -> DeviceRow:
    exact = [row for row in inputs if row.name.casefold() == words.strip().casefold()]
    whole = [row for row in inputs if _has_whole(row, words)]
    found = exact or whole or [row for row in inputs if _matches(row, words)]
    if not found:
        mute = [row for row in rows if _matches(row, words)]
        what = f"device {words!r} has outputs only" if mute else f"no audio input matches {words!r}"
        raise _absent(what, inputs)
    if len(found) > 1:
        raise DeviceError(
            f"{len(found)} audio inputs match {words!r}; name one by its number or by more "
            f"words (those of the host API count too): {_listed(found)}.",
            DeviceFault.AMBIGUOUS,
        )
    return found[0]


def _matches(row: DeviceRow, words: str) -> bool:
    text = f"{row.name} {row.host_api}".casefold()
    return all(word in text for word in words.casefold().split())


def _listed(rows: Sequence[DeviceRow]) -> str:
    more = "; and more, see `prehowl devices`" if len(rows) > LISTED else ""
    return "; ".join(row.line() for row in rows[:LISTED]) + more


def _has_whole(row: DeviceRow, words: str) -> bool:
    """Tell the 'box a' from the 'box b', although there is an 'a' in 'stage box b'."""
    there = re.findall(r"\w+", f"{row.name} {row.host_api}".casefold())
    return all(word in there for word in words.casefold().split())


def _absent(what: str, inputs: Sequence[DeviceRow]) -> DeviceError:
    if inputs:
        there = f"There are: {_listed(inputs)}."
    else:
        there = (
            "This machine shows no audio input at all: is the interface plugged in and powered, "
            "and may this user use audio (group `audio`)?"
        )
    return DeviceError(f"{what}. {there}", DeviceFault.ABSENT)
