"""What the analysis of a take is told besides the signals."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from distsweep.units import FloatArray


@dataclass(frozen=True)
class TakeSettings:
    """What the analysis of a ladder or a staircase is told.

    Attributes
    ----------
    band_hz : measured band; no harmonic above it is followed.
    order : highest harmonic to separate.
    correction_db : the microphone's deviation at frequencies in Hz, subtracted.
    level_offset_db : level of a 0 dBFS sine in the take's unit.
    level_band_hz : a rung's level is the power mean of the fundamental over this band.
    """

    band_hz: tuple[float, float]
    order: int
    correction_db: Callable[[FloatArray], FloatArray]
    level_offset_db: float = 0.0
    level_band_hz: tuple[float, float] = (300.0, 3000.0)
