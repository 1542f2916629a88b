"""The woofer in its vented box, solved in time with its nonlinear parameters.

The equations, with x the excursion outward, v = dx/dt, i the current, p the pressure in the box
and U the volume velocity out of the port::

    d(λ)/dt + R·i + Bl(x)·v = e                    λ = Le(x)·i + Le(0)·(c₁i² + c₂i³ …)
    M·dv/dt + Rms·v + K(x)·x = Bl(x)·i + ½·dLe/dx·i² + S·p
    C·dp/dt + p/R_leak = −S·v − U
    M_port·dU/dt + R_port·U + k·U|U| = p

Their linear part is solved exactly, by transfer functions over the whole stretch. What is left
over stands as three sources beside it (a voltage, a force, a pressure in the port), which depend on
the motion; they are found by fixed-point iteration, quickened after Anderson (1965).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from distsweep.rehearsal.air import Air
from distsweep.rehearsal.arrays import ComplexArray, FloatArray, fast_length, frequencies_hz
from distsweep.rehearsal.circuit import Circuit, circuit
from distsweep.rehearsal.iteration import NotConvergedError, fixed_point
from distsweep.rehearsal.loudspeaker import Box, Loudspeaker, Woofer

# Chosen because the woofer's feed is 60 dB down at half of it, and its products further: nothing
# of the woofer that can be heard is made above 10 kHz.
LOWEST_SOLVER_RATE_HZ = 20000.0

# Chosen because the box rings out by more than 140 dB in a second at any Q under 10 or so.
WARM_UP_S = 0.8

# Chosen because the cut-off spectrum rings for about this long around a fade this slow.
GUARD_S = 0.1

# Chosen because about ten seconds make transforms that are quick and mostly not warm-up.
STRETCH_S = 2.4


def polynomial(coefficients: Sequence[float], value: FloatArray) -> FloatArray:
    """c₁x + c₂x² + …, [shape=(n,)]: a relative change, without the constant."""
    result = np.zeros_like(value)
    for coefficient in reversed(coefficients):
        result = (result + coefficient) * value
    return result


def slope(coefficients: Sequence[float], value: FloatArray) -> FloatArray:
    """Derivative of `polynomial` by its argument."""
    result = np.zeros_like(value)
    for power in range(len(coefficients), 0, -1):
        result = result * value + power * coefficients[power - 1]
    return result


@dataclass(frozen=True)
class Secant:
    """Relative changes of force factor and stiffness that the linear circuit already has in it.

    The iteration may start from any linear circuit; one drawn half-way between the parameters at
    rest and at the largest excursion leaves the smallest remainder, and settles soonest.
    """

    force_factor: float = 0.0
    stiffness: float = 0.0

    def applied(self, woofer: Woofer) -> Woofer:
        """The woofer whose parameters at rest are the secant's."""
        return replace(
            woofer,
            force_factor_n_per_a=woofer.force_factor_n_per_a * (1.0 + self.force_factor),
            stiffness_n_per_m=woofer.stiffness_n_per_m * (1.0 + self.stiffness),
        )


AT_REST = Secant()


def secant_for(woofer: Woofer, linear_mm: float) -> Secant:
    """A secant that suits a stretch whose linear solution would move by `linear_mm`."""
    reach = np.linspace(0.0, min(linear_mm, woofer.excursion_range_mm), 200)
    stiffness = 0.5 * (
        polynomial(woofer.stiffness_curve, reach) + polynomial(woofer.stiffness_curve, -reach)
    )
    # A stiffening suspension keeps the cone from where the linear one would go.
    held = np.searchsorted(reach * (1.0 + 0.75 * np.maximum(stiffness, 0.0)), linear_mm)
    index = min(int(held), reach.size - 1)
    peak_mm = reach[: index + 1]
    force_factor = 0.5 * (
        polynomial(woofer.force_factor_curve, peak_mm)
        + polynomial(woofer.force_factor_curve, -peak_mm)
    )
    return Secant(
        max(-0.5, 0.5 * float(np.min(force_factor))), max(0.0, 0.5 * float(stiffness[index]))
    )


@dataclass(frozen=True)
class Sources:
    """What the nonlinear parameters add, in time, [shape=(n,)]: V, N and Pa."""

    voltage_v: FloatArray
    force_n: FloatArray
    port_pa: FloatArray


@dataclass(frozen=True)
class Trace:
    """The motion in time, [shape=(n,)]."""

    current_a: FloatArray
    excursion_mm: FloatArray
    velocity_m_per_s: FloatArray
    port_flow_m3_per_s: FloatArray


def trace(
    linear: Circuit, drive: ComplexArray, sources: Sources | None = None, *, count: int
) -> Trace:
    """Motion in time that the drive and the sources make in the linear circuit."""
    if sources is None:
        motion = linear.solve(drive, np.zeros_like(drive))
    else:
        motion = linear.solve(
            drive + np.fft.rfft(sources.voltage_v),
            np.fft.rfft(sources.force_n),
            np.fft.rfft(sources.port_pa),
        )
    return Trace(
        np.fft.irfft(motion.current, count),
        1000.0 * np.fft.irfft(motion.excursion, count),
        np.fft.irfft(motion.velocity, count),
        np.fft.irfft(motion.port_flow, count),
    )


@dataclass(frozen=True)
class Conditions:
    """What the sources depend on beside the motion: slow resistance and the port's turbulence."""

    s_per_s: ComplexArray
    extra_ohm: FloatArray
    turbulence: float


def nonlinear_sources(
    woofer: Woofer, moved: Trace, conditions: Conditions, secant: Secant = AT_REST
) -> Sources:
    """The sources that belong to a motion, beside a linear circuit drawn through `secant`."""
    current, excursion_mm, count = moved.current_a, moved.excursion_mm, moved.current_a.size
    force_factor = woofer.force_factor_n_per_a * (
        polynomial(woofer.force_factor_curve, excursion_mm) - secant.force_factor
    )
    stiffness = woofer.stiffness_n_per_m * (
        polynomial(woofer.stiffness_curve, excursion_mm) - secant.stiffness
    )
    force = force_factor * current - stiffness * (excursion_mm / 1000.0)
    voltage = -force_factor * moved.velocity_m_per_s - conditions.extra_ohm * current
    if woofer.inductance_curve or woofer.inductance_current_curve:
        # The reluctance force, ½·i²·dLe/dx, with the curve's derivative taken per metre.
        per_m = 1000.0 * woofer.inductance_h * slope(woofer.inductance_curve, excursion_mm)
        force += 0.5 * per_m * current**2
        linkage = polynomial(woofer.inductance_curve, excursion_mm)
        linkage += polynomial(woofer.inductance_current_curve, current)
        linkage_vs = np.fft.rfft(woofer.inductance_h * linkage * current)
        voltage -= np.fft.irfft(conditions.s_per_s * linkage_vs, count)
    flow = moved.port_flow_m3_per_s
    return Sources(voltage, force, -conditions.turbulence * flow * np.abs(flow))


def turbulence_coefficient(box: Box, air: Air) -> float:
    """k in the port's pressure loss k·U|U|, Pa per (m³/s)²: ξ·ρ/(2·S²)."""
    return box.port_turbulence * air.density_kg_per_m3 / (2.0 * box.port_area_m2**2)


def solve_stretch(
    loudspeaker: Loudspeaker,
    voltage_v: FloatArray,
    *,
    rate_hz: float,
    air: Air,
    extra_ohm: FloatArray,
) -> Sources:
    """Nonlinear sources of one periodic stretch of the woofer's voltage, beside the one at rest.

    Raises
    ------
    NotConvergedError
        If the iteration finds no motion, or one beyond the range of the woofer's polynomials.
    """
    woofer, box, count = loudspeaker.woofer, loudspeaker.box, voltage_v.size
    drive, grid_hz = np.fft.rfft(voltage_v), frequencies_hz(count, rate_hz)
    at_rest = trace(circuit(woofer, box, air, grid_hz), drive, count=count)
    secant = secant_for(woofer, float(np.max(np.abs(at_rest.excursion_mm))))
    linear = circuit(secant.applied(woofer), box, air, grid_hz)
    conditions = Conditions(linear.s_per_s, extra_ohm, turbulence_coefficient(box, air))
    # All three sources are iterated in volts at the coil, so that one criterion fits them.
    volt_per_n = woofer.resistance_ohm / woofer.force_factor_n_per_a
    scales = np.array([[1.0], [volt_per_n], [volt_per_n * woofer.area_m2]])

    def moved(stacked_v: FloatArray) -> Trace:
        return trace(linear, drive, Sources(*(stacked_v.reshape(3, count) / scales)), count=count)

    def update(stacked_v: FloatArray) -> FloatArray:
        after = nonlinear_sources(woofer, moved(stacked_v), conditions, secant)
        parts: FloatArray = np.stack((after.voltage_v, after.force_n, after.port_pa)) * scales
        return parts.ravel()

    motion = moved(
        fixed_point(
            update, np.zeros(3 * count), scale=float(np.max(np.abs(voltage_v))), what="the woofer"
        )
    )
    excursion_mm = float(np.max(np.abs(motion.excursion_mm)))
    if excursion_mm > woofer.excursion_range_mm:
        raise NotConvergedError(
            f"the woofer would move {excursion_mm:.1f} mm, beyond the {woofer.excursion_range_mm} "
            "mm its parameters hold for: lower the drive"
        )
    return nonlinear_sources(woofer, motion, conditions)


def solve(
    loudspeaker: Loudspeaker,
    voltage_v: FloatArray,
    *,
    rate_hz: float,
    air: Air,
    extra_ohm: FloatArray,
) -> Sources:
    """Nonlinear sources over a whole signal, from rest, [shape=(n,)].

    It is worked on in overlapping stretches: the woofer forgets where it was within a fraction of
    a second, so each begins a second early and that second is thrown away.
    """
    count = voltage_v.size
    warm_up, guard = round(WARM_UP_S * rate_hz), round(GUARD_S * rate_hz)
    length = fast_length(warm_up + min(round(STRETCH_S * rate_hz), count) + guard)
    length += length % 2
    hop = length - warm_up - guard
    result = Sources(np.zeros(count), np.zeros(count), np.zeros(count))
    for begin in range(0, count, hop):
        piece = _cut(voltage_v, begin - warm_up, length, fade=guard)
        if not np.max(np.abs(piece)) > 0.0:
            continue
        sources = solve_stretch(
            loudspeaker,
            piece,
            rate_hz=rate_hz,
            air=air,
            extra_ohm=_cut(extra_ohm, begin - warm_up, length),
        )
        end = min(begin + hop, count)
        kept = slice(warm_up, warm_up + end - begin)
        result.voltage_v[begin:end] = sources.voltage_v[kept]
        result.force_n[begin:end] = sources.force_n[kept]
        result.port_pa[begin:end] = sources.port_pa[kept]
    return result


def _cut(signal: FloatArray, begin: int, length: int, *, fade: int = 0) -> FloatArray:
    """`length` samples from `begin`, zero outside the signal, faded where the signal goes on."""
    piece = np.zeros(length)
    first, last = max(begin, 0), min(begin + length, signal.size)
    piece[first - begin : last - begin] = signal[first:last]
    ramp = 0.5 - 0.5 * np.cos(np.pi * np.arange(fade) / max(fade, 1))
    if begin > 0:
        piece[:fade] *= ramp
    if begin + length < signal.size and fade:
        piece[-fade:] *= ramp[::-1]
    return piece
