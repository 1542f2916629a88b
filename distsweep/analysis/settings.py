"""What the analysis of a take goes by besides the signals."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from distsweep.results.session import DEFAULT_LEVEL_BAND_HZ
from distsweep.units import FloatArray


@dataclass(frozen=True)
class TakeSettings:
    """What the analysis of a ladder or a staircase goes by.

    Attributes
    ----------
    band_hz : measured band; no harmonic above it is followed.
    order : highest harmonic to separate.
    correction_db : the microphone's deviation at frequencies in Hz, subtracted.
    level_offset_db : level of a 0 dBFS sine in the take's unit.
    level_band_hz : a rung's level is the power mean of the fundamental over this band.
    calibrated : whether that unit is dB SPL; without, levels are in dBFS and no rung states an SPL.
    """

    band_hz: tuple[float, float]
    order: int
    correction_db: Callable[[FloatArray], FloatArray]
    level_offset_db: float = 0.0
    level_band_hz: tuple[float, float] = DEFAULT_LEVEL_BAND_HZ
    calibrated: bool = False
