"""The capture process: copies what the audio interface delivers into shared memory, nothing else.

It is a process of its own because a dead audio server cannot be recovered inside the process
that used it (PortAudio then hangs or aborts), and because analysis in the same interpreter would
starve the callback. It leaves by `os._exit`: the library's own clean-up at exit aborts after the
server has died. Started by `capture_process`; not meant for people.
"""

import gc
import json
import os
import signal
import sys
import threading
import time
from collections.abc import Callable
from types import FrameType, ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from prehowl.daemon.errors import DeviceError, DeviceFault
from prehowl.daemon.sources.device_list import (
    DeviceRow,
    answer_json,
    choose_device,
    import_portaudio,
    query_here,
)
from prehowl.daemon.sources.ring_memory import CaptureState, RingMemory, Text, Word
from prehowl.daemon.sources.same_device import other_cards, same_device

BLOCK_LENGTH = 512
"""10.7 ms at 48 kHz: small against the analysis frames, large against scheduling jitter."""

RING_S = 2.0
"""How far the loop may lag before audio is lost: a hiccup is caught up with, but an alarm that is
seconds late is none, so a machine that is too slow for good had better skip."""

POLL_S = 0.05
CLOSE_PATIENCE_S = 0.5

INVALID_RATE = -9997
INVALID_CHANNELS = -9998
"""PortAudio's error codes, portaudio.h."""


def main() -> None:
    """Do what the command line says and leave without the interpreter's own clean-up."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if sys.argv[1] == "--list":
        print(_list_answer(), flush=True)  # noqa: T201 (the answer to the asking process)
        os._exit(0)
    _leave_with_parent(int(sys.argv[3]))
    os._exit(_capture(int(sys.argv[1]), json.loads(sys.argv[2])))


def _list_answer() -> str:
    try:
        return answer_json(query_here())
    except DeviceError as fault:
        return _fault_json(str(fault), fault.fault)


def _fault_json(message: str, fault: DeviceFault) -> str:
    return json.dumps({"fault": str(fault), "message": message})


def _leave_with_parent(parent: int) -> None:
    """End this process soon after its parent, also when a library call hangs in the main thread."""

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(0.25)
        os._exit(0)

    threading.Thread(target=watch, name="parent-watch", daemon=True).start()


def _capture(descriptor: int, wish: dict[str, Any]) -> int:
    memory = RingMemory(descriptor)
    stop = _stop_flag()
    try:
        stream = _open(memory, wish)
    except DeviceError as fault:
        return _failed(memory, fault)
    _quiet_libraries()
    # Nothing here makes reference cycles: the collector could only hold up a callback.
    gc.disable()
    while not stop() and stream.active:
        time.sleep(POLL_S)
    if stop():
        _close_in_time(stream)
        return 0
    return _failed(memory, DeviceError("the audio stream stopped", DeviceFault.VANISHED))


def _failed(memory: RingMemory, fault: DeviceError) -> int:
    """Tell the other side; return the exit code."""
    memory.put_text(Text.FAULT, _fault_json(str(fault), fault.fault))
    memory.put(Word.STATE, CaptureState.FAILED)
    return 1


def _stop_flag() -> Callable[[], bool]:
    asked: list[int] = []

    def note(number: int, _frame: FrameType | None) -> None:
        asked.append(number)

    signal.signal(signal.SIGTERM, note)
    return lambda: bool(asked)


def _quiet_libraries() -> None:
    """Drop what C libraries write from now on; until here the parent keeps it for its message."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)


def _close_in_time(stream: Any) -> None:
    """Close the stream, but leave anyway when the library hangs in it."""
    deadline = threading.Timer(CLOSE_PATIENCE_S, os._exit, (0,))
    deadline.daemon = True
    deadline.start()
    stream.abort()
    stream.close()


def _open(memory: RingMemory, wish: dict[str, Any]) -> Any:
    """Open the device as wished, lay out the ring, start the stream; return it."""
    portaudio = import_portaudio()
    rows, before = query_here(), wish["identity"]
    if before is None:
        row = choose_device(rows, wish["device"])
    else:  # after a loss: the very device that was open, whatever else is there now
        row = same_device(rows, before, wish["device"])
    selection = _selection(row, wish)
    rate_hz = int(wish["rate_hz"] or row.default_rate_hz)
    stream = _open_stream(portaudio, row, max(selection) + 1, rate_hz, _callback(memory, selection))
    memory.lay_out(len(selection), rate_hz, _capacity(rate_hz), BLOCK_LENGTH)
    opened = {"number": row.number, "name": row.name, "host_api": row.host_api}
    more = {"inputs": row.input_channels, "others": other_cards(rows, row, before)}
    memory.put_text(Text.OPENED, json.dumps({**opened, **more}))
    _start(portaudio, row, stream)
    memory.put(Word.STATE, CaptureState.RUNNING)
    return stream


def _selection(row: DeviceRow, wish: dict[str, Any]) -> list[int]:
    """Return the indices of the wanted inputs, from 0."""
    if wish["channels"] is None:
        return list(range(min(wish["up_to"] or row.input_channels, row.input_channels)))
    highest = max(wish["channels"])
    there = [int(channel) - 1 for channel in wish["channels"] if channel <= row.input_channels]
    if wish["adapts"] and there:
        return there
    if highest > row.input_channels:
        raise DeviceError(
            f"channel {highest} was asked for, but {row.line()} has inputs 1 to "
            f"{row.input_channels} only. Name fewer channels or another device.",
            DeviceFault.TOO_FEW_CHANNELS,
        )
    return [int(channel) - 1 for channel in wish["channels"]]


def _capacity(rate_hz: int) -> int:
    """Return whole blocks only, so that no block is split at the end of the ring."""
    return max(4, round(RING_S * rate_hz / BLOCK_LENGTH)) * BLOCK_LENGTH


def _callback(memory: RingMemory, selection: list[int]) -> Callable[..., None]:
    """Return the function that PortAudio calls with each block: it copies and counts."""
    every = selection == list(range(len(selection)))
    width = len(selection)
    index = np.array(selection)
    scratch = np.empty((BLOCK_LENGTH, width), np.float32)
    clock = time.monotonic_ns

    def on_block(indata: NDArray[np.float32], count: int, _time: Any, status: Any) -> None:
        if every:
            memory.write(indata[:, :width], clock())
        else:
            np.take(indata, index, axis=1, out=scratch[:count], mode="clip")
            memory.write(scratch[:count], clock())
        if status.input_overflow:
            memory.put(Word.OVERFLOWS, memory.get(Word.OVERFLOWS) + 1)

    return on_block


def _open_stream(
    portaudio: ModuleType,
    row: DeviceRow,
    channels: int,
    rate_hz: int,
    callback: Callable[..., None],
) -> Any:
    try:
        return portaudio.InputStream(
            device=row.number,
            channels=channels,
            samplerate=rate_hz,
            blocksize=BLOCK_LENGTH,
            dtype="float32",
            latency="high",
            callback=callback,
        )
    except portaudio.PortAudioError as fault:
        raise _refusal(fault, row, channels, rate_hz) from None


def _start(portaudio: ModuleType, row: DeviceRow, stream: Any) -> None:
    try:
        stream.start()
    except portaudio.PortAudioError as fault:
        raise DeviceError(
            f"audio device {row.line()} opens but does not start: {fault.args[0]}. "
            "Is another program holding it?",
            DeviceFault.REFUSED,
        ) from None


def _refusal(fault: Exception, row: DeviceRow, channels: int, rate_hz: int) -> DeviceError:
    code = fault.args[1] if len(fault.args) > 1 else None
    if code == INVALID_RATE:
        return DeviceError(
            f"audio device {row.line()} refuses {rate_hz} Hz; its own rate is "
            f"{row.default_rate_hz} Hz. Leave --rate (show file: rate_hz) away, or set the "
            "interface or audio server to the rate you want.",
            DeviceFault.RATE_REFUSED,
        )
    if code == INVALID_CHANNELS:
        return DeviceError(
            f"audio device {row.line()} does not give {channels} "
            f"input{'s' * (channels != 1)} at once. Name fewer channels with --channels.",
            DeviceFault.TOO_FEW_CHANNELS,
        )
    return DeviceError(
        f"audio device {row.line()} cannot be opened with {channels} "
        f"channel{'s' * (channels != 1)} at {rate_hz} Hz: "
        f"{fault.args[0] if fault.args else fault}. Is another program holding it?",
        DeviceFault.REFUSED,
    )


if __name__ == "__main__":
    main()
