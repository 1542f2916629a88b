"""From the three sources to the microphone: distances, reflections, directivity."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from distsweep.rehearsal.arrays import ComplexArray, FloatArray, imaginary, phasor
from distsweep.rehearsal.bench import Bench
from distsweep.rehearsal.loudspeaker import Loudspeaker
from distsweep.rehearsal.radiation import Radiation
from distsweep.units import db_to_ratio

_ANGLE = re.compile(r"axis@(-?\d+(?:\.\d+)?)")


@dataclass(frozen=True)
class _Source:
    """One radiating disc on the baffle."""

    spectrum: ComplexArray
    below_axis_m: float
    radius_m: float


@dataclass(frozen=True)
class _Microphone:
    """Where it stands, seen from the axis; and before which source it is near, if any."""

    forward_m: float
    below_axis_m: float
    angle_rad: float
    near: str | None


def parse_position(position: str, loudspeaker: Loudspeaker, bench: Bench) -> _Microphone:
    """Where the microphone stands for a position's name.

    Raises
    ------
    ValueError
        If the name is none of "axis", "axis@DEGREES", "woofer", "port", "tweeter", or the angle is
        behind the loudspeaker.
    """
    near_m = bench.near_field_mm / 1000.0
    below_mm = {
        "woofer": loudspeaker.woofer.below_axis_mm,
        "port": loudspeaker.box.port_below_axis_mm,
        "tweeter": 0.0,
    }
    if position in below_mm:
        return _Microphone(near_m, below_mm[position] / 1000.0, 0.0, position)
    angle = 0.0
    if position != "axis":
        match = _ANGLE.fullmatch(position)
        if match is None:
            raise ValueError(
                f"position is {position!r}: choose 'axis', 'axis@30' (degrees), 'woofer', 'port' "
                "or 'tweeter'"
            )
        angle = float(np.deg2rad(float(match[1])))
        if abs(angle) > np.pi / 2.0:
            raise ValueError(f"position is {position!r}: angles go from -90 to 90 degrees")
    return _Microphone(bench.distance_m, 0.0, angle, None)


def at_microphone(
    loudspeaker: Loudspeaker,
    radiation: Radiation,
    bench: Bench,
    *,
    position: str,
    frequency_hz: FloatArray,
) -> ComplexArray:
    """Spectrum of sound pressure at the microphone, Pa, [shape=(bins,)]."""
    microphone = parse_position(position, loudspeaker, bench)
    sources = {
        "woofer": _Source(
            radiation.woofer_pa_m,
            loudspeaker.woofer.below_axis_mm / 1000.0,
            loudspeaker.woofer.radius_m,
        ),
        "port": _Source(
            radiation.port_pa_m,
            loudspeaker.box.port_below_axis_mm / 1000.0,
            loudspeaker.box.port_diameter_mm / 2000.0,
        ),
        "tweeter": _Source(radiation.tweeter_pa_m, 0.0, loudspeaker.tweeter.radius_mm / 1000.0),
    }
    total = np.zeros(frequency_hz.size, dtype=np.complex128)
    for name, source in sources.items():
        total += source.spectrum * _paths(source, microphone, bench, frequency_hz, name)
    return total


def _paths(
    source: _Source, microphone: _Microphone, bench: Bench, frequency_hz: FloatArray, name: str
) -> ComplexArray:
    """Response from a source to the microphone, per metre: direct way and mirrored way."""
    wave_number = 2.0 * np.pi * frequency_hz / bench.air.sound_speed_m_per_s
    apart_m = source.below_axis_m - microphone.below_axis_m
    distance_m = float(np.hypot(microphone.forward_m, apart_m))
    effective_m = distance_m
    if microphone.near == name:
        effective_m = near_field_distance_m(source.radius_m, microphone.forward_m)
    # All sources stand above each other and the angle is horizontal: it changes no distance.
    result = phasor(-wave_number * distance_m) / effective_m
    for surface in bench.reflections:
        below_m = source.below_axis_m + microphone.below_axis_m
        drop_m = 2.0 * surface.height_m + (below_m if surface.overhead else -below_m)
        mirrored_m = float(np.hypot(microphone.forward_m, drop_m))
        loss = db_to_ratio(surface.level_db) / (
            1.0 + imaginary(frequency_hz / surface.loss_corner_hz)
        )
        result += loss * phasor(-wave_number * mirrored_m) / mirrored_m
    if microphone.angle_rad != 0.0:
        result *= piston_directivity(wave_number * source.radius_m * np.sin(microphone.angle_rad))
    return result


def near_field_distance_m(radius_m: float, forward_m: float) -> float:
    """Distance at which a point source of the same output is as loud as a piston close by.

    On the axis of a baffled piston at low frequencies p = ρ·a·(√(z² + r²) − z), with the piston's
    acceleration a, radius r and distance z; this is r²/2 over the bracket. At z = 0 it is r/2.

    References
    ----------
    D. B. Keele, "Low-frequency loudspeaker assessment by nearfield sound-pressure measurement",
    JAES 22(3), 1974.
    """
    return float(radius_m**2 / 2.0 / (np.hypot(forward_m, radius_m) - forward_m))


def piston_directivity(argument: FloatArray) -> FloatArray:
    """Baffled piston off its axis, 2·J₁(x)/x with x = k·r·sin θ (Kinsler et al., Fundamentals of
    Acoustics, 4th ed., section 7.4)."""
    from scipy.special import j1

    small = np.abs(argument) < 1e-8
    safe = np.where(small, 1.0, argument)
    pattern: FloatArray = np.where(small, 1.0, 2.0 * j1(safe) / safe)
    return pattern
