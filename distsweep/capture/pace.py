"""How long a capture takes besides the sound itself, as this very run has shown.

Around the samples of every file streams are opened and closed, a tail is recorded, and the file is
kept; then a rung is judged before the next. Both are measured: the first on the probes, the second
on the last probe's recording, and later on the rungs.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from typing import ClassVar


def now_s() -> float:
    """Return the time that the durations here go by, in seconds."""
    return time.monotonic()


class Pace:
    """What one capture's sendings and verdicts have taken so far."""

    judged_s_a_second: ClassVar[float | None] = None
    """What judging a second of a recording takes on this computer, as once measured."""

    def __init__(self) -> None:
        """Begin; nothing was measured yet."""
        self._around_s = 0.0
        self._rungs_around_s: list[float] = []
        self.probe_s = 0.0
        """How long the last probe has taken, all in all."""
        self._began_s: float | None = None
        self._announced_s: float | None = None

    def note_sending(self, *, sound_s: float, tail_s: float, took_s: float) -> None:
        """Take note of a sending that went to its end; ``tail_s`` was recorded after it."""
        self._around_s = max(0.0, took_s - sound_s - tail_s)

    def note_rung(self, *, sound_s: float, took_s: float) -> None:
        """Take note of a rung, from before it was sent until it was judged."""
        self._rungs_around_s.append(took_s - sound_s)

    def ahead_s(self, sounds_s: Sequence[float], *, tail_s: float, judged: bool) -> float:
        """Return how long files of so many seconds each will take, verdicts included."""
        if self._rungs_around_s:
            around_s = sorted(self._rungs_around_s)[len(self._rungs_around_s) // 2]
            return sum(sounds_s) + len(sounds_s) * around_s
        verdict_s = (Pace.judged_s_a_second or 0.0) * sum(sounds_s) if judged else 0.0
        return sum(sounds_s) + len(sounds_s) * (tail_s + self._around_s) + verdict_s

    def begin(self, announced_s: float) -> None:
        """Count from now; so long was announced."""
        self._began_s, self._announced_s = now_s(), announced_s

    def taken(self) -> dict[str, float]:
        """Return what was announced last, and what has passed since, in seconds."""
        if self._began_s is None or self._announced_s is None:
            return {}
        return {
            "announced_s": round(self._announced_s, 1),
            "took_s": round(now_s() - self._began_s, 1),
        }
