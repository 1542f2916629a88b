"""When every sample passed the sinks "spk" and "mic": a process of its own that keeps both.

``--kept FOLDER`` gets, for each sink, its samples (NAME.raw, float32, two channels) and when they
came (NAME.stamps: frames before a block, and the monotonic clock as it was read). No block is
read before its first sample's turn, and the server plays 5 ms at once: the earliest block, of
many, gives the sink's clock.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import select
import struct
import subprocess
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

RATE_HZ = 48000
CHANNELS = 2
SINKS = ("spk", "mic")
FRAME_BYTES = 4 * CHANNELS


@dataclass(frozen=True)
class Passed:
    """What passed a sink.

    Attributes
    ----------
    samples : shape ``(frames, CHANNELS)``.
    firsts, read_s : first frame of each block and when it was read, shape ``(B,)`` both.
    """

    samples: np.ndarray
    firsts: np.ndarray
    read_s: np.ndarray

    def turn_s(self, frame: int) -> float:
        """Moment of a frame's turn on the monotonic clock: when a loudspeaker sounds it.

        By the blocks of half a second around it: a server that was held up for long goes on
        with another count.
        """
        near = np.abs(self.firsts - frame) <= RATE_HZ / 4
        began_s = np.min(self.read_s[near] - self.firsts[near] / RATE_HZ)
        return float(began_s) + frame / RATE_HZ

    def first_read_s(self, frame: int) -> float:
        """When a frame was first seen to be there: at its turn, or read before that."""
        block = int(np.searchsorted(self.firsts, frame, side="right")) - 1
        return min(self.turn_s(frame), float(self.read_s[block]))


def passed(folder: Path, sink: str) -> Passed:
    """Read what was kept so far."""
    stamps = np.frombuffer(_whole((folder / f"{sink}.stamps").read_bytes(), 16), dtype="<f8")
    samples = np.frombuffer(_whole((folder / f"{sink}.raw").read_bytes(), FRAME_BYTES), dtype="<f4")
    frames, times_s = stamps.reshape(-1, 2).T
    return Passed(samples.reshape(-1, CHANNELS).astype(float), frames, times_s)


def _whole(data: bytes, unit: int) -> bytes:
    return data[: len(data) // unit * unit]


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--kept", type=Path, required=True)
    folder = parser.parse_args().kept
    with contextlib.suppress(OSError):  # before everything else, where one may: as root
        os.setpriority(os.PRIO_PROCESS, 0, -15)
    command = ["parec", "--latency-msec=5", "--raw", "--format=float32le", f"--rate={RATE_HZ}"]
    with contextlib.ExitStack() as stack:
        kept = {}
        for sink in SINKS:
            recorder = stack.enter_context(
                subprocess.Popen(
                    [*command, f"--channels={CHANNELS}", f"--device={sink}.monitor"],
                    stdout=subprocess.PIPE,
                )
            )
            stack.callback(recorder.kill)
            assert recorder.stdout is not None
            kept[recorder.stdout.fileno()] = [
                stack.enter_context((folder / f"{sink}.raw").open("wb", buffering=0)),
                stack.enter_context((folder / f"{sink}.stamps").open("wb", buffering=0)),
                0,
            ]
        while True:
            for ready in select.select(list(kept), [], [])[0]:
                now_s = time.monotonic()
                data = os.read(ready, 1 << 16)
                if not data:
                    return
                raw, stamps, count = kept[ready]
                stamps.write(struct.pack("<dd", count / FRAME_BYTES, now_s))
                raw.write(data)
                kept[ready][2] = count + len(data)


if __name__ == "__main__":
    main()
