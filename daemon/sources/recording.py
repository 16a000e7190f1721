"""A recording as a source: WAV, RF64, W64, FLAC, OGG, AIFF; read block by block, never as a whole.

Any sample rate is handed on as it is; what the engine can work with is the engine's to say.
"""

import os
import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from prehowl.daemon.channel_list import channel_words
from prehowl.daemon.errors import RecordingError, UsageError
from prehowl.daemon.facts import facts_of
from prehowl.daemon.sources.base import Block, NumberedChannels, SourceHealth

BLOCK_S = 0.25
LARGEST_BLOCK_BYTES = 16_000_000
CLAIM = re.compile(r"^\s*(?:RIFF|riff|FORM|Riff size) : (\d+)", re.MULTILINE)
LENGTH = re.compile(r"^Length : (\d+)", re.MULTILINE)
"""Lines of libsndfile's log: the size that the header claims, the size that the file has."""
UNKNOWN_SIZE = 0x7FFF_0000
"""Programs that write into a pipe put a size near the greatest into the header: no claim at all."""
STRAY_BYTES = 1 << 20
"""Less than this after the audio is tags and padding, not audio that the header forgot."""


class RecordingSource(NumberedChannels):
    """Blocks from an audio file. Used by one thread."""

    def __init__(self, path: str | Path, *, channels: Sequence[int] | None = None) -> None:
        """Open a recording.

        Parameters
        ----------
        path : str or Path
            The file.
        channels : sequence of int, optional
            Channels to take, from 1, in the order wanted; None for all.

        Raises
        ------
        RecordingError
            If the file is missing, unreadable, no audio, or holds no samples.
        UsageError
            If a channel is asked for that the file does not have.
        """
        self._path = str(path)
        self._file = _opened(self._path)
        self._warnings = [f"{self._path}: {text}" for text in _size_warnings(self._file.extra_info)]
        self._promised = int(self._file.frames)
        try:
            self._numbers = _chosen(self._path, self._file.channels, channels)
            if self._promised == 0:
                raise RecordingError(
                    "; ".join((*self._warnings, f"{self._path}: holds no samples that can be read"))
                )
        except Exception:
            self._file.close()
            raise
        self._indices = [number - 1 for number in self._numbers]
        by_memory = LARGEST_BLOCK_BYTES // (4 * self._file.channels)
        self._block_length = max(1, min(round(BLOCK_S * self.rate_hz), by_memory))
        self._read = 0
        self._state = "running"

    @property
    def rate_hz(self) -> int:
        """Samples per second."""
        return int(self._file.samplerate)

    @property
    def file_channels(self) -> int:
        """Number of channels in the file, taken or not."""
        return int(self._file.channels)

    @property
    def duration_s(self) -> float:
        """Length that the file promises."""
        return self._promised / self.rate_hz

    @property
    def warnings(self) -> tuple[str, ...]:
        """What is wrong with the file though it can be read, so far; a line each."""
        return tuple(self._warnings)

    def read(self) -> Block | None:
        """Return the next block, None at the end, which a damaged file reaches early."""
        if self._state == "ended":
            return None
        samples = self._next_samples()
        self._read += len(samples)
        if len(samples) == 0:
            self._end()
            return None
        if len(self._indices) < self._file.channels or self._indices != sorted(self._indices):
            samples = np.ascontiguousarray(samples[:, self._indices])
        return Block(samples)

    def health(self) -> SourceHealth:
        """Return the present state."""
        return SourceHealth(state=self._state, facts=facts_of(self._warnings))

    def close(self) -> None:
        """Close the file. May be called twice."""
        self._state = "ended"
        self._file.close()

    def _next_samples(self) -> NDArray[np.float32]:
        block = np.empty((self._block_length, self._file.channels), np.float32)
        before = self._file.tell()
        try:
            return self._file.read(out=block)  # type: ignore[no-any-return]
        except soundfile.LibsndfileError as fault:
            # A torn FLAC: the decoder fills what it can, then gives up. `tell` knows how far.
            block = block[: max(0, self._file.tell() - before)]
            at_s = (self._read + len(block)) / self.rate_hz
            self._warn(f"is damaged after {at_s:.1f} s ({_reason(fault)})")
            self._state = "ended"
            return block

    def _end(self) -> None:
        self._state = "ended"
        if self._read < self._promised and not self._warnings:
            self._warn(
                f"ends after {self._read / self.rate_hz:.1f} s, "
                f"its header promises {self.duration_s:.1f} s"
            )

    def _warn(self, text: str) -> None:
        self._warnings.append(f"{self._path}: {text}; what is there is used")


def _opened(path: str) -> soundfile.SoundFile:
    """Open with the system's own reason where it has one: libsndfile's are often empty."""
    if not path:
        raise RecordingError("the name of the recording is empty; name a file")
    try:
        if Path(path).is_dir():
            raise RecordingError(f"{path}: is a folder; name the recordings in it")
        if Path(path).exists() and not Path(path).is_file():
            raise RecordingError(f"{path}: is a pipe or device; save the audio to a file first")
        with open(path, "rb") as file:
            is_empty = not file.read(1)
    except (OSError, ValueError) as fault:
        reason = getattr(fault, "strerror", None) or fault
        raise RecordingError(f"{path}: cannot be read ({reason})") from None
    if is_empty:
        raise RecordingError(f"{path}: the file is empty")
    try:
        # Bytes, where names are bytes: soundfile itself cannot encode a name that is no UTF-8.
        return soundfile.SoundFile(path if os.name == "nt" else os.fsencode(path))
    except (soundfile.LibsndfileError, TypeError) as fault:  # TypeError: a '.raw' wants a format
        raise RecordingError(
            f"{path}: no audio that can be read ({_reason(fault)}). "
            "WAV, RF64, W64, FLAC, OGG and AIFF work; is the header damaged?"
        ) from None


def _reason(fault: Exception) -> str:
    text = str(getattr(fault, "error_string", "") or fault)
    return text.strip().removeprefix("Error : ").rstrip(".:") or "no reason given"


def _chosen(path: str, available: int, channels: Sequence[int] | None) -> tuple[int, ...]:
    if channels is None:
        return tuple(range(1, available + 1))
    absent = [number for number in channels if not 1 <= number <= available]
    if absent:
        raise UsageError(
            f"{path}: has {available} channel{'s' * (available != 1)}, "
            f"so there is no channel {channel_words(absent)}"
        )
    return tuple(channels)


def _size_warnings(log: str) -> list[str]:
    """Return what the header's claim on the size says against the file's true size, bytes."""
    if "lacks an end-of-stream bit" in log:  # OGG knows no size, but marks its last page
        return ["has no proper end; what is there is used"]
    claim, length = CLAIM.search(log), LENGTH.search(log)
    if claim is None or length is None:
        return []
    claimed, found = int(claim[1]), int(length[1])
    is_open = "RF64" not in log and claimed >= UNKNOWN_SIZE
    if found < claimed and not is_open:
        return [f"is cut short at {found / claimed:.0%} of its length; what is there is used"]
    if found - claimed > STRAY_BYTES:
        return [
            f"holds {(found - claimed) / 1e6:.0f} MB more than its header says, which cannot be "
            "read: a plain WAV over 4 GB, or its recorder was cut off; record in RF64"
        ]
    return []
