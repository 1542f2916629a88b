"""Record of a take's impulse response."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.results.record import Record
from distsweep.units import FloatArray


@dataclass(frozen=True, repr=False)
class ImpulseResponse(Record):
    """The linear impulse response of one rung, around the direct sound.

    ``pressure`` is re its largest magnitude (1), shape ``(T,)``, a value a sample;
    ``samples_before`` of them lie before the direct sound's arrival. The microphone's correction is
    not in it. ``window_s`` is how far the window that cut it out, which is rectangular, reaches
    before and after; ``free_s`` the time to the first reflection that was found, None where none
    was.
    """

    drive_dbfs: float
    rate_hz: float
    samples_before: int
    pressure: FloatArray
    window_s: tuple[float, float]
    free_s: float | None = None

    @property
    def time_s(self) -> FloatArray:
        """Time from the direct sound's arrival, shape ``(T,)``."""
        return np.asarray((np.arange(len(self.pressure)) - self.samples_before) / self.rate_hz)

    @property
    def step(self) -> FloatArray:
        """The step response, re its largest magnitude (1): the pressure's running sum, ``(T,)``.

        It begins at the window's start; each value is the integral up to half a sample later. What
        the window cuts off behind its end is not missing here: it adds to later values only.
        """
        summed = np.cumsum(self.pressure)
        largest = float(np.max(np.abs(summed)))
        return np.asarray(summed / largest if largest > 0.0 else summed)
