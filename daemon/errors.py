"""The faults that prehowl reports to a person: one readable line, never a traceback.

Each message says what was found, where, and how to mend it. `cli.main` prints it on stderr and
leaves with the exit code of its class.
"""

from enum import StrEnum

OK = 0
FOUND_A_PROBLEM = 1
BAD_INPUT = 2
SYSTEM_FAILURE = 3


class PrehowlError(Exception):
    """Base of all faults meant for a person's eyes; its class carries the exit code."""

    exit_code = BAD_INPUT


class UsageError(PrehowlError):
    """The command line asks for something that cannot be."""


class ShowFileError(PrehowlError):
    """The show file cannot be read or holds impossible values; lists all of them at once."""


class SheetError(PrehowlError):
    """An EQ sheet is missing, ambiguous, damaged or impossible."""


class RecordingError(PrehowlError):
    """A recording is missing, empty, truncated or no audio."""


class OutputError(PrehowlError):
    """A result cannot be written where it was asked for."""

    exit_code = SYSTEM_FAILURE


class NetworkError(PrehowlError):
    """A port cannot be opened."""

    exit_code = SYSTEM_FAILURE


class DeviceFault(StrEnum):
    """Why a device cannot be used."""

    LIBRARY = "audio library missing"
    ABSENT = "absent"
    AMBIGUOUS = "ambiguous"
    TOO_FEW_CHANNELS = "too few channels"
    RATE_REFUSED = "rate refused"
    REFUSED = "refused"
    VANISHED = "vanished"


class DeviceError(PrehowlError):
    """An audio device cannot be opened or has gone."""

    exit_code = SYSTEM_FAILURE

    def __init__(self, message: str, fault: DeviceFault) -> None:
        super().__init__(message)
        self.fault = fault
