"""Properties of air that the box, the port and the room share."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Air:
    """Dry air at ordinary pressure.

    Parameters
    ----------
    temperature_c
        Temperature, °C.
    """

    temperature_c: float = 20.0

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        if not -40.0 <= self.temperature_c <= 60.0:
            raise ValueError(
                f"temperature_c is {self.temperature_c}, outside -40 to 60: give the room's"
            )

    @property
    def sound_speed_m_per_s(self) -> float:
        """Ideal-gas speed of sound, 331.3·√(T/273.15 K), m/s (Kinsler et al., Fundamentals of
        Acoustics, 4th ed., section 5.6; the constant from memory)."""
        return float(331.3 * np.sqrt(1.0 + self.temperature_c / 273.15))

    @property
    def density_kg_per_m3(self) -> float:
        """Ideal-gas density at 101.325 kPa, 1.293 kg/m³ at 0 °C."""
        return 1.293 * 273.15 / (273.15 + self.temperature_c)
