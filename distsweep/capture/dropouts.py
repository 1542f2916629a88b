"""Drop-outs: how many a file had, how long they were as far as that is known, what would hold them.

What is measured is by how much the audio system was late when it called for the next block, or how
long the input delivered nothing. A buffer as long as the present one and that much more would have
bridged it. What a driver loses without being late has no length here: then the next larger buffer
is a try, and said to be one.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from distsweep.capture.backend import BUFFERS_S
from distsweep.units import FloatArray
from distsweep.words.wording import listed

LEAST_LATE_S = 0.001
"""Blocks less late than this are on time (chosen: a fifth of the shortest block)."""


@dataclass(frozen=True)
class Dropout:
    """One drop-out.

    Attributes
    ----------
    direction : "output" or "input".
    at_s : when, counted from the first sample handed out, or recorded.
    late_s : what the buffer was too short by; None where that is not known.
    at_least : it was that or more, as nobody waited for its end.
    """

    direction: str
    at_s: float
    late_s: float | None
    at_least: bool = False


class LostSamples:
    """What one file has lost, over all the times it was played."""

    def __init__(self, rate_hz: int) -> None:
        """Begin; nothing was lost yet."""
        self._rate_hz = rate_hz
        self._held: list[tuple[Dropout, float]] = []
        self.unreported = 0
        """Times that samples were lost and the audio system has reported nothing."""

    def add(self, dropouts: Sequence[Dropout], *, buffer_s: float) -> None:
        """Take note of a time that the file was spoilt; ``buffer_s`` is the buffer it had."""
        self._held += [(one, buffer_s) for one in dropouts]
        self.unreported += not dropouts

    def extend(self, other: LostSamples) -> None:
        """Add what another file has lost."""
        self._held += other._held
        self.unreported += other.unreported

    def __bool__(self) -> bool:
        """Tell whether anything was lost."""
        return bool(self._held) or self.unreported > 0

    def count(self, direction: str) -> int:
        """Return how many drop-outs an output or input had."""
        return sum(one.direction == direction for one, _ in self._held)

    @property
    def longest_late_s(self) -> float | None:
        """The longest that is known."""
        return max((one.late_s for one, _ in self._held if one.late_s is not None), default=None)

    @property
    def needed_s(self) -> float | None:
        """The buffer that would have held all whose length is known; None where none is."""
        known = (held_s + one.late_s for one, held_s in self._held if one.late_s is not None)
        return max(known, default=None)

    @property
    def _more(self) -> str:
        """Words for a length that was at least so much; none where all were seen to their end."""
        return " or more" if any(one.at_least for one, _ in self._held) else ""

    def words(self) -> str:
        """Say how many there were, and how long."""
        parts = [
            f"{count} at the {direction}"
            for direction in ("output", "input")
            if (count := self.count(direction))
        ]
        if self.unreported:
            parts.append(f"{self.unreported} that the audio system did not report")
        late_s = self.longest_late_s
        long = "" if late_s is None else f", up to {1000.0 * late_s:.0f} ms{self._more} too late"
        count = len(self._held) + self.unreported
        return f"{count} drop-out{'s' * (count > 1)} ({listed(parts)}{long})"

    def remedy(self) -> str:
        """Say which buffer would end them, what it rests on, or what else helps."""
        needed_s = self.needed_s
        if needed_s is None:
            largest_s = max((held_s for _, held_s in self._held), default=0.0)
            longer = [buffer_s for buffer_s in BUFFERS_S if buffer_s > largest_s]
            if not longer:
                return "how long they were is not known, and the buffer is the longest there is"
            return (
                "how long they were is not known: try a longer buffer,"
                f" --buffer-ms {self._named(longer[0])}"
            )
        whole_s = math.ceil(1000.0 * needed_s - 1e-6) / 1000.0
        if whole_s > BUFFERS_S[-1]:
            return (
                f"by how late the audio system was it would take a buffer of {1000 * whole_s:.0f}"
                f" ms{self._more}, and {1000 * BUFFERS_S[-1]:.0f} is the longest with which sound"
                " ends in time"
            )
        if self._more:
            return f"try a buffer longer than that: --buffer-ms {self._named(BUFFERS_S[-1])}"
        all_known = not self.unreported and all(one.late_s is not None for one, _ in self._held)
        which = "them" if all_known else "those whose length is known"
        return (
            f"by how late the audio system was, this would have held {which}: --buffer-ms"
            f" {self._named(whole_s)}"
        )

    def noted(self) -> dict[str, float | int | None]:
        """Return what the record holds."""
        late_s, needed_s = self.longest_late_s, self.needed_s
        return {
            "output": self.count("output"),
            "input": self.count("input"),
            "unreported": self.unreported,
            "longest_late_ms": None if late_s is None else round(1000.0 * late_s, 1),
            "buffer_needed_ms": None if needed_s is None else round(1000.0 * needed_s, 1),
        }

    def _named(self, buffer_s: float) -> str:
        return f"{1000.0 * buffer_s:.0f} ({round(buffer_s * self._rate_hz)} samples)"


def silence_around_s(mono: FloatArray, sample: int, *, rate_hz: int, peak: float) -> float:
    """Return how long nothing came in around a sample, in seconds: all below ``peak``."""
    sounding = abs(mono) >= peak
    before = int(sounding[:sample][::-1].argmax()) if sounding[:sample].any() else sample
    rest = len(mono) - sample
    after = int(sounding[sample:].argmax()) if sounding[sample:].any() else rest
    return (before + after) / rate_hz


def all_lost(each: Iterable[LostSamples], rate_hz: int) -> LostSamples:
    """Return what files have lost together."""
    together = LostSamples(rate_hz)
    for one in each:
        together.extend(one)
    return together
