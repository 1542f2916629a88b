"""Record of a take's impulse response."""

from __future__ import annotations

from dataclasses import dataclass

from distsweep.results.record import Record
from distsweep.units import FloatArray


@dataclass(frozen=True, repr=False)
class ImpulseResponse(Record):
    """The linear impulse response of one rung, around the direct sound.

    ``time_s`` is from the direct sound's arrival, ``pressure`` re the largest magnitude (1),
    ``(T,)`` each; the step response is its running sum. ``window_s`` is how far the window that
    cut it out reaches before and after; ``free_s`` the time to the first reflection that was found,
    None where none was.
    """

    drive_dbfs: float
    rate_hz: float
    time_s: FloatArray
    pressure: FloatArray
    window_s: tuple[float, float]
    free_s: float | None = None
