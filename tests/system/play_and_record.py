"""Play a WAV to one PortAudio device while recording another: run as a process of its own.

PortAudio reads its devices once a process, from the environment: a process of its own finds the
tests' audio server and nothing else.
"""

from __future__ import annotations

import argparse
import sys
import threading

import numpy as np
import sounddevice
import soundfile

START_WITHIN_S = 10.0
LATENCY_S = 0.5  # the stimulus does not care, and a busy machine then causes no drop-outs
BLOCK = 4096


class Chain:
    """The two streams' callbacks: a static curve on the way out, blocks kept on the way in."""

    def __init__(self, samples: np.ndarray, square: float, cube: float) -> None:
        self.samples, self.square, self.cube = samples, square, cube
        self.place = 0
        self.blocks: list[np.ndarray] = []
        self.faults: list[str] = []
        self.heard_first, self.done = threading.Event(), threading.Event()

    def play(self, out: np.ndarray, frames: int, _time: object, status: object) -> None:
        if status:
            self.faults.append(f"output at sample {self.place}: {status}")
        block = self.samples[self.place : self.place + frames]
        self.place += frames
        out.fill(0.0)
        out[: len(block)] = (block + self.square * block**2 + self.cube * block**3)[:, None]
        if self.place > len(self.samples):
            self.done.set()

    def hear(self, block: np.ndarray, _frames: int, _time: object, status: object) -> None:
        if status:
            self.faults.append(f"input at block {len(self.blocks)}: {status}")
        self.blocks.append(block[:, 0].copy())
        self.heard_first.set()


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("stimulus")
    parser.add_argument("recording")
    parser.add_argument("--output", default="spk")
    parser.add_argument("--input", default="spk_heard")
    parser.add_argument("--square", type=float, default=0.0)
    parser.add_argument("--cube", type=float, default=0.0)
    options = parser.parse_args()
    samples, rate_hz = soundfile.read(options.stimulus, dtype="float32")
    chain = Chain(samples, options.square, options.cube)
    common = {
        "samplerate": rate_hz,
        "dtype": "float32",
        "latency": LATENCY_S,
        "blocksize": BLOCK,
    }
    with sounddevice.InputStream(device=options.input, channels=1, callback=chain.hear, **common):
        # What is played before the recording runs would be lost.
        if not chain.heard_first.wait(START_WITHIN_S):
            sys.exit("nothing was recorded")
        with sounddevice.OutputStream(
            device=options.output, channels=2, callback=chain.play, **common
        ):
            chain.done.wait(len(samples) / rate_hz + START_WITHIN_S)
            # What lies in the buffers still has to be played and recorded.
            sounddevice.sleep(int(2500 * LATENCY_S))
    if chain.faults:
        sys.exit("; ".join(chain.faults))
    soundfile.write(options.recording, np.concatenate(chain.blocks), rate_hz, subtype="PCM_24")


if __name__ == "__main__":
    main()
