"""A double of the audio library, found in its place by a capture process on PYTHONPATH.

AUDIO_DOUBLE names a JSON file that says how it behaves; a running stream looks at it again all
the time, so that a test can pull the cable. Keys: `missing`, `hang_s` (while listing), `devices`
(list of [name, inputs]), `rate_hz` (its own; it takes those of `also_hz`, too), `mode` ("play",
"silence", "stall": no callbacks, "gone": stream inactive), `blocks` (inactive after so many),
`lose` (blocks left out, once), `overflow` (flag every block), `busy` (refuse to open), `die` (last
words while listing), `hang_at_close_s`. Samples count up: sample n of channel c (from 0) is
n / 2**20 + c / 64, so that a test can see what is missing.
"""

import json
import math
import os
import sys
import threading
import time
from pathlib import Path
from types import SimpleNamespace

import numpy as np


def _told() -> dict:
    return json.loads(Path(os.environ["AUDIO_DOUBLE"]).read_text())


if _told().get("missing"):
    raise OSError("PortAudio library not found")


class PortAudioError(Exception):
    """What the library raises: a text and a code."""


def query_hostapis() -> list[dict]:
    """Return the one host API."""
    return [{"name": "Double"}]


def query_devices(kind: str | None = None):
    """Return the devices, or the default input."""
    time.sleep(_told().get("hang_s", 0))
    if "die" in _told():
        sys.stderr.write(_told()["die"])
        sys.stderr.flush()
        os._exit(134)
    rows = [
        {
            "name": name,
            "index": number,
            "hostapi": 0,
            "max_input_channels": inputs,
            "max_output_channels": 2,
            "default_samplerate": float(_told()["rate_hz"]),
        }
        for number, (name, inputs) in enumerate(_told()["devices"])
    ]
    if kind is None:
        return rows
    with_inputs = [row for row in rows if row["max_input_channels"]]
    if not with_inputs:
        raise PortAudioError("Error querying device -1")
    return with_inputs[0]


class InputStream:
    """Calls back in real time from a thread of its own."""

    def __init__(self, *, device, channels, samplerate, blocksize, dtype, latency, callback):
        assert (dtype, latency) == ("float32", "high")
        if samplerate not in (_told()["rate_hz"], *_told().get("also_hz", [])):
            raise PortAudioError("Error opening InputStream: Invalid sample rate", -9997)
        if _told().get("busy"):
            raise PortAudioError("Error opening InputStream: Device unavailable", -9985)
        self._shape = (blocksize, channels)
        self._rate_hz = samplerate
        self._callback = callback
        self.active = False

    def start(self) -> None:
        """Begin to call back."""
        self.active = True
        threading.Thread(target=self._run, daemon=True).start()

    def abort(self) -> None:
        """Stop; hang if told to."""
        time.sleep(_told().get("hang_at_close_s", 0))
        self.active = False

    def close(self) -> None:
        """Do nothing more."""

    def _run(self) -> None:
        length, channels = self._shape
        offsets = np.arange(channels, dtype=np.float32) / 64
        start_s = time.monotonic()
        block, lost = 0, 0
        while True:
            told = _told()
            if told["mode"] == "gone" or block >= told.get("blocks", math.inf):
                self.active = False
                return
            if told.get("lose") and not lost and block > 150:
                lost = told["lose"]
                block += lost
            time.sleep(max(0.0, start_s + (block + 1) * length / self._rate_hz - time.monotonic()))
            if told["mode"] == "stall":
                start_s += length / self._rate_hz
                time.sleep(length / self._rate_hz)
                continue
            at = np.arange(block * length, (block + 1) * length, dtype=np.float32) / 2**20
            data = at[:, np.newaxis] + offsets
            if told["mode"] == "silence":
                data[:] = 0
            flag = SimpleNamespace(input_overflow=bool(told.get("overflow")))
            self._callback(data.astype(np.float32), length, None, flag)
            block += 1
