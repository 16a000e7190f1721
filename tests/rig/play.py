"""Play a recording into JACK, once, every channel on a port of its own; run as a script.

python play.py FILE NAME: a client NAME with ports out_1 ..; PortAudio shows it as a device. It
plays silence until a line comes on standard input, then the file, then silence until it is ended.
Prints `ready`, and `done` at the end of the file.
"""

import sys
import threading

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
    position = 0

    @client.set_process_callback
    def process(frames: int) -> None:
        nonlocal position
        piece = planar[:, position : position + frames] if go.is_set() else planar[:, :0]
        for port, wave in zip(ports, piece, strict=True):
            out = port.get_array()
            out[: len(wave)] = wave
            out[len(wave) :] = 0
        position += piece.shape[1]
        if position >= planar.shape[1]:
            done.set()

    with client:
        print("ready", flush=True)
        sys.stdin.readline()
        go.set()
        done.wait()
        print("done", flush=True)
        sys.stdin.read()


if __name__ == "__main__":
    main()
