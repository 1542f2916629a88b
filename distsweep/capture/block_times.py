"""When the blocks of one direction of a stream came, how late, and what latency they had."""

from __future__ import annotations

import time

import numpy as np


class BlockTimes:
    """The blocks of an output or an input."""

    def __init__(self, rate_hz: float) -> None:
        """Begin; no block has come yet."""
        self._rate_hz = rate_hz
        self._frames = 0
        self._latencies_s: list[float] = []
        self.latest_s: float | None = None
        """When the last one came, by ``time.monotonic``; None before the first."""

    def came(self, frames: int, latency_s: float) -> float:
        """Take note of a block; return by how much it came later than the one before lasted."""
        now_s, before_s = time.monotonic(), self.latest_s
        late_s = 0.0 if before_s is None else now_s - before_s - self._frames / self._rate_hz
        self.latest_s, self._frames = now_s, frames
        self._latencies_s.append(latency_s)
        return max(0.0, late_s)

    def excess_s(self, allowed_s: float) -> float:
        """Return by how much the latency is usually larger than what is allowed for."""
        if not self._latencies_s:
            return 0.0
        return max(0.0, float(np.median(self._latencies_s)) - allowed_s)
