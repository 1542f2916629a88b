"""Frequencies that a cabinet's and a port's dimensions predict, as possible causes."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from distsweep.reason import Reason

ASSUMED_TEMPERATURE_C = 20.0
TEMPERATURE_UNCERTAINTY_K, UNKNOWN_TEMPERATURE_UNCERTAINTY_K = 1.0, 5.0
"""The air's temperature where none was noted; and what it is uncertain by where one was (chosen:
what a thermometer may differ from the air in the cabinet), and where none was (chosen: the range of
living rooms)."""

FLANGED_END, FREE_END = 0.8217, 0.6133
"""End corrections in radii: in an infinite baffle 0.8217 (Nomura, Yamamura, Inawashiro 1960;
Norris, Sheng 1989), in free air 0.6133 (Levine, Schwinger, Phys. Rev. 73, 1948)."""

SIZE_UNCERTAINTY_MM = 3.0
"""Of a noted inner dimension: braces, lining and rounded corners (chosen)."""

BOX_UNCERTAINTY, VOLUME_UNCERTAINTY = 0.02, 0.10
"""Lining slows sound in a cabinet by some percent; drivers, braces and lining change its volume
by a tenth or so (both chosen, from memory of published lining measurements)."""

PIPE_MODES, HIGHEST_BOX_ORDER = 3, 2
"""Modes predicted of a port, and the largest sum of a box mode's orders (chosen: with more, any
frequency lies near one)."""

CHANCE_BAND_HZ = (100.0, 3000.0)
"""The chance that a frequency matches is stated for this band (chosen: where cabinets and ports of
usual sizes have the modes that are predicted)."""

OFFERED_WITHIN = 2.0
"""A cause is offered when it lies within so many standard deviations (chosen: 95 of 100 right ones
do)."""


@dataclass(frozen=True)
class Enclosure:
    """What is known of the cabinet, its port and the air, each None where it was not noted."""

    cabinet_mm: Sequence[float] | None = None
    port_mm: Mapping[str, float] | None = None
    temperature_c: float | None = None


@dataclass(frozen=True)
class PredictedMode:
    """A frequency that a size predicts.

    Attributes
    ----------
    kind : "box", "pipe" (of the port) or "tuning" (of box and port).
    orders : half wavelengths over width, height and depth, or along the port; none of a tuning.
    frequency_hz : as predicted.
    uncertainty : its standard deviation, as a fraction.
    """

    kind: Literal["box", "pipe", "tuning"]
    orders: tuple[int, ...]
    frequency_hz: float
    uncertainty: float


@dataclass(frozen=True)
class OfferedCause:
    """A predicted mode that lies near a resonance.

    Attributes
    ----------
    mode : what is predicted.
    off_percent, uncertainty_percent, match : as in `distsweep.results.PossibleCause`.
    reason : the possibility with its values.
    """

    mode: PredictedMode
    off_percent: float
    uncertainty_percent: float
    match: float
    reason: Reason


def sound_speed_m_per_s(temperature_c: float) -> float:
    """Speed of sound in dry air, 331.3·√(1 + T/273.15), m/s.

    Source: ideal gas; Kinsler et al., Fundamentals of Acoustics, 4th ed., section 5.6.

    Raises
    ------
    ValueError
        The temperature is at or below absolute zero.
    """
    if not temperature_c > -273.15:
        raise ValueError(f"temperature_c is {temperature_c}: must be above -273.15")
    return 331.3 * math.sqrt(1.0 + temperature_c / 273.15)


def box_mode_hz(size_m: Sequence[float], orders: Sequence[int], *, speed_m_per_s: float) -> float:
    """Mode of a rigid box, c/2·√((l/Lx)² + (m/Ly)² + (n/Lz)²) (Kuttruff, Room Acoustics, ch. 3)."""
    return (
        0.5
        * speed_m_per_s
        * math.hypot(*(n / side for n, side in zip(orders, size_m, strict=True)))
    )


def pipe_mode_hz(
    length_m: float, radius_m: float, *, number: int, ends: Sequence[float], speed_m_per_s: float
) -> float:
    """Mode of a pipe open at both ends, n·c/(2·L'), L' = L + (the ends' corrections)·radius."""
    return number * speed_m_per_s / (2.0 * (length_m + sum(ends) * radius_m))


def tuning_hz(
    volume_m3: float, length_m: float, radius_m: float, *, ends: Sequence[float],
    speed_m_per_s: float,
) -> float:  # fmt: skip
    """Helmholtz tuning of a box with a port, c/2π·√(S/(V·L'))."""
    stiffness = math.pi * radius_m**2 / (volume_m3 * (length_m + sum(ends) * radius_m))
    return speed_m_per_s / (2.0 * math.pi) * math.sqrt(stiffness)


def predicted_modes(enclosure: Enclosure) -> list[PredictedMode]:
    """Every mode that the dimensions given predict; empty without dimensions."""
    cabinet_mm, port_mm = enclosure.cabinet_mm, enclosure.port_mm
    temperature_c, kelvin = enclosure.temperature_c, TEMPERATURE_UNCERTAINTY_K
    if temperature_c is None:
        temperature_c, kelvin = ASSUMED_TEMPERATURE_C, UNKNOWN_TEMPERATURE_UNCERTAINTY_K
    speed = sound_speed_m_per_s(temperature_c)
    of_speed = 0.5 * kelvin / 293.15  # c goes as the root of the absolute temperature
    modes: list[PredictedMode] = []
    if cabinet_mm is not None:
        modes += _box_modes([side / 1000.0 for side in cabinet_mm], speed, of_speed)
    if port_mm is not None:
        modes += _port_modes(port_mm, speed, of_speed)
        if cabinet_mm is not None:
            modes.append(_tuning(cabinet_mm, port_mm, speed, of_speed))
    return modes


def _box_modes(size_m: Sequence[float], speed: float, of_speed: float) -> list[PredictedMode]:
    modes = []
    for orders in itertools.product(range(HIGHEST_BOX_ORDER + 1), repeat=3):
        if not 1 <= sum(orders) <= HIGHEST_BOX_ORDER:
            continue
        frequency_hz = box_mode_hz(size_m, orders, speed_m_per_s=speed)
        shares = [
            (n / side) ** 2 * (SIZE_UNCERTAINTY_MM / 1000.0 / side)
            for n, side in zip(orders, size_m, strict=True)
        ]
        of_size = math.hypot(*shares) / sum(
            (n / side) ** 2 for n, side in zip(orders, size_m, strict=True)
        )
        uncertainty = math.hypot(of_speed, of_size, BOX_UNCERTAINTY)
        modes.append(PredictedMode("box", orders, frequency_hz, uncertainty))
    return modes


def _port_modes(port_mm: Mapping[str, float], speed: float, of_speed: float) -> list[PredictedMode]:
    length_m, radius_m = port_mm["length"] / 1000.0, port_mm["diameter"] / 2000.0
    ends = (FLANGED_END, FREE_END)
    full_m = length_m + sum(ends) * radius_m
    # An end may be flanged or free, flared or near a wall: a third of a radius either way.
    of_ends = math.hypot(radius_m / 3.0, 0.5 * SIZE_UNCERTAINTY_MM / 1000.0) / full_m
    return [
        PredictedMode(
            "pipe",
            (number,),
            pipe_mode_hz(length_m, radius_m, number=number, ends=ends, speed_m_per_s=speed),
            math.hypot(of_speed, of_ends),
        )
        for number in range(1, PIPE_MODES + 1)
    ]


def _tuning(
    cabinet_mm: Sequence[float], port_mm: Mapping[str, float], speed: float, of_speed: float
) -> PredictedMode:
    volume_m3 = math.prod(side / 1000.0 for side in cabinet_mm)
    frequency_hz = tuning_hz(
        volume_m3,
        port_mm["length"] / 1000.0,
        port_mm["diameter"] / 2000.0,
        ends=(FLANGED_END, FREE_END),
        speed_m_per_s=speed,
    )
    uncertainty = math.hypot(of_speed, VOLUME_UNCERTAINTY / 2.0)
    return PredictedMode("tuning", (), frequency_hz, uncertainty)


def possible_causes(
    frequency_hz: float, own_uncertainty: float, modes: Sequence[PredictedMode]
) -> list[OfferedCause]:
    """Offer the modes that lie near a resonance, the best match first.

    ``own_uncertainty`` is that of the resonance's frequency, as a fraction. Each reason holds the
    share of all frequencies that would match some mode by chance: with many modes it is large.
    """
    chance_percent = 100.0 * chance_of_a_match(own_uncertainty, modes, band_hz=CHANCE_BAND_HZ)
    offered = []
    for mode in modes:
        spread = math.hypot(mode.uncertainty, own_uncertainty)
        off = math.log(frequency_hz / mode.frequency_hz)
        if abs(off) > OFFERED_WITHIN * spread:
            continue
        off_percent, uncertainty_percent = 100.0 * (math.exp(off) - 1.0), 100.0 * spread
        reason = Reason(
            "possible_cause",
            kind=mode.kind,
            orders=mode.orders,
            predicted_hz=mode.frequency_hz,
            off_percent=off_percent,
            uncertainty_percent=uncertainty_percent,
            within_uncertainty=abs(off) <= spread,
            predictions=len(modes),
            chance_percent=chance_percent,
            chance_band_hz=CHANCE_BAND_HZ,
        )
        match = math.exp(-0.5 * (off / spread) ** 2)
        offered.append(OfferedCause(mode, off_percent, uncertainty_percent, match, reason))
    return sorted(offered, key=lambda cause: -cause.match)


def chance_of_a_match(
    own_uncertainty: float, modes: Sequence[PredictedMode], *, band_hz: tuple[float, float]
) -> float:
    """Share of the octaves of a band that lie within reach of some mode."""
    low, high = math.log(band_hz[0]), math.log(band_hz[1])
    covered, reached = 0.0, low
    for mode in sorted(modes, key=lambda m: m.frequency_hz):
        spread = OFFERED_WITHIN * math.hypot(mode.uncertainty, own_uncertainty)
        first = max(reached, math.log(mode.frequency_hz) - spread)
        last = min(high, math.log(mode.frequency_hz) + spread)
        if last > first:
            covered += last - first
            reached = last
    return covered / (high - low)
