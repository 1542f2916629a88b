"""The measuring bench: room, microphone, interface, and where things stand."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.rehearsal.air import Air


@dataclass(frozen=True)
class Reflection:
    """One hard surface below or above the loudspeaker: floor, table or ceiling.

    Parameters
    ----------
    height_m
        Between it and the loudspeaker's axis.
    level_db
        What the surface does to a low tone's level, dB.
    loss_corner_hz
        Above this the surface swallows another 6 dB an octave.
    overhead
        True for a ceiling.
    """

    height_m: float = 1.2
    level_db: float = -6.0
    loss_corner_hz: float = 4000.0
    overhead: bool = False

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        if not (self.height_m > 0.3 and self.loss_corner_hz > 0.0):
            raise ValueError(
                f"the reflection has height_m {self.height_m} and loss_corner_hz "
                f"{self.loss_corner_hz}: the first must be above 0.3, the second above 0"
            )


@dataclass(frozen=True)
class Bench:
    """Room, microphone and interface.

    Parameters
    ----------
    temperature_c
        Of the air, °C.
    distance_m
        From the loudspeaker to the microphone, for positions on the axis.
    near_field_mm
        From the middle of a cone, dome or mouth to the microphone, for near-field positions.
    reflections
        Each is heard once; what bounces between two surfaces is left out. None: a free field.
    noise_spl_db
        RMS level of room and microphone noise between 20 Hz and 20 kHz, dB re 20 µPa; -inf for
        none. Its spectral density is white above `noise_corner_hz` and rises as 1/f below.
    hum_spl_db
        Mains lines as pairs of frequency, Hz, and RMS level, dB re 20 µPa.
    pascal_per_fs
        RMS pressure, Pa, of a recorded sine of peak 1.0.
    clips
        Whether the interface cuts a recording off at ±1.0.
    clock_offset_ppm
        How much faster the recorder's clock runs than the player's. 0 costs nothing.
    starts_early_s
        How long before the waveform the recording begins; negative loses its beginning.
    tail_s
        How long it goes on after the waveform.
    """

    temperature_c: float = 20.0
    distance_m: float = 1.0
    near_field_mm: float = 15.0
    reflections: tuple[Reflection, ...] = ()
    noise_spl_db: float = -np.inf
    noise_corner_hz: float = 200.0
    hum_spl_db: tuple[tuple[float, float], ...] = ()
    pascal_per_fs: float = 20.0
    clips: bool = True
    clock_offset_ppm: float = 0.0
    starts_early_s: float = 0.0
    tail_s: float = 0.5

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        for name in ("distance_m", "near_field_mm", "noise_corner_hz", "pascal_per_fs"):
            if not getattr(self, name) > 0.0:
                raise ValueError(f"{name} is {getattr(self, name)}: it must be above zero")
        if not self.tail_s >= 0.0:
            raise ValueError(f"tail_s is {self.tail_s}: it must not be negative")
        if not abs(self.clock_offset_ppm) <= 1000.0:
            raise ValueError(
                f"clock_offset_ppm is {self.clock_offset_ppm}: no crystal is off by over 1000"
            )

    @property
    def air(self) -> Air:
        """The air in the room."""
        return Air(self.temperature_c)
