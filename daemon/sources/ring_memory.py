"""The shared memory between the capture process and the loop: a header and a ring of samples.

One writer, one reader, two processes, no lock: the writer stores samples first and the count of
samples after them, the reader takes only what the count covers. Every header field is one
aligned 64-bit word, which the processors we run on store in one piece. The memory is a nameless
file handed down by descriptor, so it is gone when both processes are, however they ended.
"""

import mmap
import os
import tempfile
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

HEADER_BYTES = 8192
TEXT_OFFSET = 1024
TEXT_BYTES = 3072
SAMPLE_BYTES = 4


class CaptureState(IntEnum):
    """What the capture process says of itself."""

    STARTING = 0
    RUNNING = 1
    FAILED = 2


class Word(IntEnum):
    """Place of each 64-bit word in the header."""

    STATE = 0
    WRITTEN = 1  # samples per channel since the stream was opened
    BLOCK_NS = 2  # monotonic clock at the end of the newest block
    OVERFLOWS = 3  # times that the device itself owned up to a loss
    CHANNELS = 4
    RATE_HZ = 5
    CAPACITY = 6  # samples per channel that the ring holds
    BLOCK_LENGTH = 7
    OPENED_BYTES = 8  # length of each text
    FAULT_BYTES = 9


class Text(IntEnum):
    """The texts, each in a place of its own.

    What was opened must stay to be read when a fault is told: a process may deliver and fail
    between two looks of the reader.
    """

    OPENED = 0
    FAULT = 1

    @property
    def length(self) -> Word:
        """The word that holds its length."""
        return Word(Word.OPENED_BYTES + self)

    @property
    def offset(self) -> int:
        """Where it begins."""
        return TEXT_OFFSET + self * TEXT_BYTES


def nameless_file(name: str) -> int:
    """Return the descriptor of a new file without a name; in memory where the system has such.

    A disc that is full, or a folder for temporary files that is gone, must not keep a lost device
    from being opened again.
    """
    if hasattr(os, "memfd_create"):
        return os.memfd_create(name, os.MFD_CLOEXEC)
    with tempfile.TemporaryFile() as file:  # not Linux
        return os.dup(file.fileno())


class RingMemory:
    """One mapping of the shared memory; both sides use this class on the same descriptor."""

    def __init__(self, descriptor: int) -> None:
        self._header_map = mmap.mmap(descriptor, HEADER_BYTES)
        try:
            self._descriptor = os.dup(descriptor)
        except OSError:
            self._header_map.close()  # it holds a descriptor of its own
            raise
        self._words: NDArray[np.int64] = np.frombuffer(
            self._header_map, np.int64, count=TEXT_OFFSET // 8
        )
        self._ring_map: mmap.mmap | None = None
        self.samples: NDArray[np.float32] = np.zeros((0, 0), np.float32)
        """The ring, shape (capacity, channels); empty until `lay_out` or `attach`."""

    @staticmethod
    def create() -> int:
        """Return the descriptor of a new nameless memory file with room for the header."""
        descriptor = nameless_file("prehowl-capture")
        try:
            os.ftruncate(descriptor, HEADER_BYTES)
        except OSError:
            os.close(descriptor)
            raise
        return descriptor

    def lay_out(self, channels: int, rate_hz: int, capacity: int, block_length: int) -> None:
        """Writer: give the ring its size, once the device has said what it can do."""
        os.ftruncate(self._descriptor, HEADER_BYTES + capacity * channels * SAMPLE_BYTES)
        self.put(Word.CHANNELS, channels)
        self.put(Word.RATE_HZ, rate_hz)
        self.put(Word.CAPACITY, capacity)
        self.put(Word.BLOCK_LENGTH, block_length)
        self.attach()

    def attach(self) -> None:
        """Map the ring in the size that the header tells."""
        shape = (self.get(Word.CAPACITY), self.get(Word.CHANNELS))
        count = shape[0] * shape[1]
        self._ring_map = mmap.mmap(self._descriptor, HEADER_BYTES + count * SAMPLE_BYTES)
        self.close()
        self.samples = np.frombuffer(
            self._ring_map, np.float32, count=count, offset=HEADER_BYTES
        ).reshape(shape)

    def close(self) -> None:
        """Let go of the descriptor; the mappings stay as long as this object."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1

    def get(self, word: Word) -> int:
        """Return one header word."""
        return int(self._words[word])

    def put(self, word: Word, value: int) -> None:
        """Store one header word."""
        self._words[word] = value

    def put_text(self, which: Text, text: str) -> None:
        """Store a message for the other side; what does not fit is cut off."""
        data = text.encode()[:TEXT_BYTES]
        self._header_map[which.offset : which.offset + len(data)] = data
        self.put(which.length, len(data))

    def text(self, which: Text) -> str:
        """Return the other side's message."""
        end = which.offset + min(self.get(which.length), TEXT_BYTES)
        return self._header_map[which.offset : end].decode(errors="replace")

    def write(self, block: NDArray[np.float32], now_ns: int) -> None:
        """Writer: append samples of shape (samples, channels) and say when their last one came.

        Called in the audio callback: it copies, makes a few views and stores two words.
        """
        capacity = len(self.samples)
        at = int(self._words[Word.WRITTEN])
        start = at % capacity
        room = capacity - start
        if len(block) <= room:
            self.samples[start : start + len(block)] = block
        else:
            self.samples[start:] = block[:room]
            self.samples[: len(block) - room] = block[room:]
        self._words[Word.BLOCK_NS] = now_ns
        self._words[Word.WRITTEN] = at + len(block)

    def copy(self, first: int, count: int) -> NDArray[np.float32]:
        """Reader: return `count` samples from stream position `first` on, as its own array."""
        where = np.arange(first, first + count) % len(self.samples)
        return self.samples[where]
