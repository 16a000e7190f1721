"""Play a recording into JACK, once, every channel on a port of its own; run as a script.

python play.py FILE NAME: a client NAME with ports out_1 ..; PortAudio shows it as a device. It
plays silence until a line comes on standard input, then the file, then silence until it is ended.
Prints `ready`, and at the end of the file `done` and, on a line of its own, when the server's cycle
with the first sample began: nanoseconds of the monotonic clock.
"""

import sys
import threading
import time

import jack
import numpy as np
import soundfile


def main() -> None:
    """Register, wait for the word, play."""
    path, name = sys.argv[1:]
    samples, _rate = soundfile.read(path, dtype="float32", always_2d=True)
    planar = np.ascontiguousarray(samples.T)
    client = jack.Client(name, no_start_server=True)
    ports = [client.outports.register(f"out_{ch + 1}") for ch in range(len(planar))]
    go, done = threading.Event(), threading.Event()
    position = began = 0

    @client.set_process_callback
    def process(frames: int) -> None:
        nonlocal position, began
        piece = planar[:, position : position + frames] if go.is_set() else planar[:, :0]
        for port, wave in zip(ports, piece, strict=True):
            out = port.get_array()
            out[: len(wave)] = wave
            out[len(wave) :] = 0
        if not position:
            began = client.last_frame_time
        position += piece.shape[1]
        if position >= planar.shape[1]:
            done.set()

    with client:
        print("ready", flush=True)
        sys.stdin.readline()
        go.set()
        done.wait()
        print("done", flush=True)
        print(monotonic_ns_of(client, began), flush=True)
        sys.stdin.read()


def monotonic_ns_of(client: jack.Client, frame: int) -> int:
    """Return when a frame was, from the server's estimate of the frame that is now."""
    pairs = []
    for _ in range(20):
        before = time.monotonic_ns()
        now = client.frame_time
        pairs.append((time.monotonic_ns() - before, before, now))
    _, at_ns, now = min(pairs)
    return at_ns - round((now - frame) * 1e9 / client.samplerate)


if __name__ == "__main__":
    main()
