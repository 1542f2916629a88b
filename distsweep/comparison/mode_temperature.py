"""How far air's temperature moves a mode between two measurements, and how well that is known."""

from __future__ import annotations

import math
from dataclasses import dataclass

from distsweep.analysis.resonance.causes import (
    ASSUMED_TEMPERATURE_C,
    TEMPERATURE_UNCERTAINTY_K,
    UNKNOWN_TEMPERATURE_UNCERTAINTY_K,
    sound_speed_m_per_s,
)
from distsweep.results import Resonance, Results


@dataclass(frozen=True)
class AirShift:
    """What the air's temperatures do to a mode that follows the speed of sound.

    Attributes
    ----------
    shift : ln of the other's frequency over the first's, by the temperatures noted; 0 where one
        was not.
    error : its standard deviation.
    noted : whether both temperatures were.
    """

    shift: float
    error: float
    noted: bool


def air_shift(first: Results, other: Results) -> AirShift:
    """Return the shift of what follows the speed of sound: the root of absolute temperature."""
    noted = [results.conditions.temperature_c for results in (first, other)]
    kelvin = [
        UNKNOWN_TEMPERATURE_UNCERTAINTY_K if t is None else TEMPERATURE_UNCERTAINTY_K for t in noted
    ]
    error = 0.5 * math.hypot(*kelvin) / (ASSUMED_TEMPERATURE_C + 273.15)
    if noted[0] is None or noted[1] is None:
        return AirShift(0.0, error, noted=False)
    shift = math.log(sound_speed_m_per_s(noted[1]) / sound_speed_m_per_s(noted[0]))
    return AirShift(shift, error, noted=True)


def follows_air(resonance: Resonance) -> bool:
    """Tell whether a resonance may be one of the cabinet's or the port's air."""
    return bool(resonance.possible_causes)
