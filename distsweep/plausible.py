"""What levels, places and sizes can be: shared by what reads sessions, captures and analyses.

Outside the first pair of bounds a number cannot be what its name says, and is refused; outside
the second it is improbable, and doubted in one line.
"""

from __future__ import annotations

from dataclasses import dataclass

FULL_SCALE_SPL_DB = (90.0, 160.0)
"""Full scale of an input with a microphone lies between these (chosen: below 90 dB SPL speech
close by would clip, above 160 dB a room's noise would drown in the converter's)."""

POSSIBLE_FULL_SCALE_SPL_DB = (40.0, 194.0)
"""No input's full scale lies outside (chosen: a quiet room's 40 dB SPL would clip it; an RMS
pressure of one atmosphere is 194 dB SPL)."""

LEAST_BACKGROUND_SPL_DB = 5.0
"""No background is lower over the whole band (chosen: the quietest measurement microphones have
own noise of 5 to 7 dB(A); from memory)."""

STATED_SPL_DB = (20.0, 160.0)
"""Levels at which distortion may be asked for (chosen: below the first no room is quiet enough to
hear a loudspeaker's, above the second nothing but a shock tube plays)."""

LARGEST_CORRECTION_DB = 20.0
"""A microphone that deviates by more at some frequency is none to measure with (chosen)."""

AUDIBLE_HZ, LEAST_BAND_HZ = (20.0, 20000.0), 1.0
"""A band over which a level is taken is a slip where it has nothing in common with the first, or
begins below the second: it is in kHz then (chosen)."""


@dataclass(frozen=True)
class Range:
    """Bounds of a quantity: possible, and probable."""

    possible: tuple[float, float]
    probable: tuple[float, float]

    def holds(self, value: float) -> bool:
        """Tell whether a value is possible."""
        return self.possible[0] <= value <= self.possible[1]

    def expects(self, value: float) -> bool:
        """Tell whether a value is probable."""
        return self.probable[0] <= value <= self.probable[1]


TEMPERATURE_C = Range((-40.0, 60.0), (0.0, 40.0))
"""Of the air: what people, microphones and interfaces stand; and where people measure (chosen)."""

DISTANCE_M = Range((0.001, 30.0), (0.002, 10.0))
"""From loudspeaker to microphone. It stands no nearer than a millimetre; at 30 m a loudspeaker is
30 dB quieter than at 1 m, and most numbers above are centimetres (chosen)."""

LISTENER_DISTANCE_M = Range((0.001, 100.0), (0.1, 20.0))
"""From loudspeaker to a listener, who may be a neighbour (chosen)."""

CABINET_MM = Range((40.0, 5000.0), (40.0, 2000.0))
"""An inner length of a cabinet; smaller ones are most likely in another unit (chosen)."""

LEAST_CABINET_L = 0.5
"""Inner volume below which lengths are more likely centimetres (chosen: a large cabinet's 60 by
100 by 50 cm, read as mm, is 0.3 litres)."""

PORT_DIAMETER_MM = Range((5.0, 1000.0), (10.0, 300.0))
PORT_LENGTH_MM = Range((1.0, 5000.0), (5.0, 1000.0))
"""Of a port; smaller sizes are most likely in another unit (chosen: a hole through a thin wall is
5 mm long)."""


def temperature_hint(value: float) -> str:
    """Say what a temperature that is none in °C may be; "" where nothing fits."""
    if TEMPERATURE_C.expects(value - 273.15):
        return f"in kelvin? write {value - 273.15:.0f}"
    if TEMPERATURE_C.expects((value - 32.0) / 1.8):
        return f"in Fahrenheit? write {(value - 32.0) / 1.8:.0f}"
    return ""


def distance_hint(value: float) -> str:
    """Say what a distance that is too large for metres may be; "" where nothing fits."""
    for unit, factor in (("centimetres", 0.01), ("millimetres", 0.001)):
        if 0.1 <= factor * value <= 5.0:
            return f"in {unit}? write {factor * value:g}"
    return ""


def lengths_in_mm(*values: float) -> str:
    """Write lengths that are too small for mm as what they are in mm; "" where nothing fits."""
    for factor in (10.0, 1000.0):  # centimetres, metres
        converted = [factor * value for value in values]
        if min(converted) >= CABINET_MM.probable[0] and max(converted) <= CABINET_MM.probable[1]:
            return f" write [{', '.join(f'{value:g}' for value in converted)}]"
    return ""
