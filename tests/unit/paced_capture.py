"""Run the command line on a bench that takes its time, in a process that may be killed.

    paced_capture.py SPEED HEARD -- capture SESSION --stimulus …

SPEED is re real time. HEARD is a file to which the bench itself writes, synchronised, the
peak of each exchange in dBFS once its last sample has come in.
"""

from __future__ import annotations

import fcntl
import os
import sys
import termios
import time
from pathlib import Path
from unittest import mock

import numpy as np
from capture_bench import BLOCK, RATE_HZ, FakeBench

from distsweep.capture import devices, journal
from distsweep.cli import main


class PacedBench(FakeBench):
    """A bench whose blocks come SPEED times as fast as real ones."""

    def __init__(self, speed: float, heard: Path) -> None:
        super().__init__(fault=self._wait)
        self._block_s = BLOCK / RATE_HZ / speed
        self._heard = heard
        self._next = 0.0

    def _wait(self, number: int, count: int, block: np.ndarray) -> np.ndarray:
        now = time.monotonic()
        self._next = now if count == 0 else self._next + self._block_s
        time.sleep(max(0.0, self._next - now))
        return block

    def _exchange(self, route, conversation, tick, chunks) -> None:
        super()._exchange(route, conversation, tick, chunks)
        if conversation.stop is None:
            peak_dbfs = 20 * np.log10(np.max(np.abs(np.concatenate(chunks))))
            line = f"{self.exchanges} {peak_dbfs:.3f}\n"
            handle = os.open(self._heard, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o644)
            os.write(handle, line.encode())
            os.fsync(handle)
            os.close(handle)


if __name__ == "__main__":
    if sys.stdin.isatty():  # of a session of its own: its end hangs up on this process
        fcntl.ioctl(sys.stdin, termios.TIOCSCTTY, 0)
    speed, heard = float(sys.argv[1]), Path(sys.argv[2])
    bench = PacedBench(speed, heard)
    journal.WRITTEN_EVERY_S /= speed  # as often in the recording's own time
    with (
        mock.patch.object(devices, "open_backend", lambda: bench),
        mock.patch.object(sys, "argv", ["distsweep", *sys.argv[4:]]),
    ):
        main()
