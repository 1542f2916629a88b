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
from dataclasses import dataclass

import numpy as np

from distsweep.rehearsal.air import Air
from distsweep.rehearsal.arrays import ComplexArray, FloatArray, fast_length, frequencies_hz
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


@dataclass(frozen=True)
class Circuit:
    """The linear part on a grid of frequencies, every array [shape=(bins,)]."""

    s_per_s: ComplexArray
    compliance_admittance: ComplexArray
    coil_admittance: ComplexArray
    port_admittance: ComplexArray
    box_impedance: ComplexArray
    excursion_per_force: ComplexArray
    force_factor_n_per_a: float
    area_m2: float

    def solve(
        self, voltage: ComplexArray, force: ComplexArray, port: ComplexArray | None = None
    ) -> Motion:
        """Spectra of the motion for the spectra of voltage, force and port pressure."""
        push = self.force_factor_n_per_a * self.coil_admittance * voltage + force
        if port is not None:
            push = push - self.area_m2 * self.box_impedance * self.port_admittance * port
        excursion = self.excursion_per_force * push
        velocity = self.s_per_s * excursion
        current = self.coil_admittance * (voltage - self.force_factor_n_per_a * velocity)
        inflow = -self.area_m2 * velocity
        if port is not None:
            inflow = inflow - self.port_admittance * port
        pressure = self.box_impedance * inflow
        port_flow = self.port_admittance * (pressure if port is None else pressure + port)
        return Motion(current, excursion, velocity, pressure, port_flow)


@dataclass(frozen=True)
class Motion:
    """Spectra of coil current (A), excursion (m), velocity (m/s), box pressure (Pa) and the
    port's volume velocity (m³/s)."""

    current: ComplexArray
    excursion: ComplexArray
    velocity: ComplexArray
    pressure: ComplexArray
    port_flow: ComplexArray


def circuit(woofer: Woofer, box: Box, air: Air, frequency_hz: FloatArray) -> Circuit:
    """The linear woofer in its box as impedances (Small 1973, with coil inductance added).

    References
    ----------
    R. H. Small, "Vented-box loudspeaker systems, part I", JAES 21(5), 1973.
    """
    s: ComplexArray = 2j * np.pi * frequency_hz
    speed, density = air.sound_speed_m_per_s, air.density_kg_per_m3
    compliance = box.volume_l / 1000.0 / (density * speed**2)
    port_mass = density * box.port_effective_length_m / box.port_area_m2
    tuning = 2.0 * np.pi * box.tuning_hz(speed)
    port_admittance = 1.0 / (s * port_mass + tuning * port_mass / box.port_q)
    leak_admittance = tuning * compliance / box.leakage_q
    box_impedance = 1.0 / (s * compliance + leak_admittance + port_admittance)
    coil_admittance = 1.0 / (woofer.resistance_ohm + s * woofer.inductance_h)
    damping = (
        woofer.mechanical_resistance_ns_per_m
        + woofer.area_m2**2 * box_impedance
        + woofer.force_factor_n_per_a**2 * coil_admittance
    )
    stiffness = woofer.stiffness_n_per_m + s * damping + s**2 * woofer.mass_kg
    return Circuit(
        s_per_s=s,
        compliance_admittance=s * compliance,
        coil_admittance=coil_admittance,
        port_admittance=port_admittance,
        box_impedance=box_impedance,
        excursion_per_force=1.0 / stiffness,
        force_factor_n_per_a=woofer.force_factor_n_per_a,
        area_m2=woofer.area_m2,
    )


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
class Sources:
    """What the nonlinear parameters add, in time, [shape=(n,)]: V, N and Pa."""

    voltage_v: FloatArray
    force_n: FloatArray
    port_pa: FloatArray


def nonlinear_sources(
    loudspeaker: Loudspeaker,
    linear: Circuit,
    drive: ComplexArray,
    sources: Sources,
    *,
    extra_ohm: FloatArray,
    turbulence: float,
) -> tuple[Sources, float]:
    """The sources that belong to the motion which `sources` and the drive make together.

    Returns them, and the largest excursion in millimetres.
    """
    woofer, count = loudspeaker.woofer, sources.force_n.size
    motion = linear.solve(
        drive + np.fft.rfft(sources.voltage_v),
        np.fft.rfft(sources.force_n),
        np.fft.rfft(sources.port_pa) if turbulence > 0.0 else None,
    )
    current = np.fft.irfft(motion.current, count)
    excursion_mm = 1000.0 * np.fft.irfft(motion.excursion, count)
    velocity = np.fft.irfft(motion.velocity, count)
    force_factor = woofer.force_factor_n_per_a * polynomial(woofer.force_factor_curve, excursion_mm)
    force = force_factor * current
    force -= (
        woofer.stiffness_n_per_m
        * polynomial(woofer.stiffness_curve, excursion_mm)
        * (excursion_mm / 1000.0)
    )
    voltage = -force_factor * velocity - extra_ohm * current
    if woofer.inductance_curve or woofer.inductance_current_curve:
        # The reluctance force, ½·i²·dLe/dx, with the curve's derivative taken per metre.
        per_m = 1000.0 * woofer.inductance_h * slope(woofer.inductance_curve, excursion_mm)
        force += 0.5 * per_m * current**2
        linkage = polynomial(woofer.inductance_curve, excursion_mm)
        linkage += polynomial(woofer.inductance_current_curve, current)
        linkage_vs = np.fft.rfft(woofer.inductance_h * linkage * current)
        voltage -= np.fft.irfft(linear.s_per_s * linkage_vs, count)
    port = np.zeros(count)
    if turbulence > 0.0:
        flow = np.fft.irfft(motion.port_flow, count)
        port = -turbulence * flow * np.abs(flow)
    return Sources(voltage, force, port), float(np.max(np.abs(excursion_mm)))


def turbulence_coefficient(box: Box, air: Air) -> float:
    """k in the port's pressure loss k·U|U|, Pa per (m³/s)²: ξ·ρ/(2·S²)."""
    return box.port_turbulence * air.density_kg_per_m3 / (2.0 * box.port_area_m2**2)


def solve_stretch(
    loudspeaker: Loudspeaker,
    linear: Circuit,
    voltage_v: FloatArray,
    *,
    air: Air,
    extra_ohm: FloatArray,
) -> Sources:
    """Nonlinear sources of one periodic stretch of the woofer's voltage.

    Raises
    ------
    NotConvergedError
        If the iteration finds no motion, or one beyond the range of the woofer's polynomials.
    """
    woofer = loudspeaker.woofer
    count = voltage_v.size
    drive = np.fft.rfft(voltage_v)
    turbulence = turbulence_coefficient(loudspeaker.box, air)
    # All three sources are iterated in volts at the coil, so that one criterion fits them.
    volt_per_n = woofer.resistance_ohm / woofer.force_factor_n_per_a
    volt_per_pa = volt_per_n * woofer.area_m2
    excursion_mm = 0.0

    def update(stacked_v: FloatArray) -> FloatArray:
        nonlocal excursion_mm
        before = Sources(
            stacked_v[:count],
            stacked_v[count : 2 * count] / volt_per_n,
            stacked_v[2 * count :] / volt_per_pa,
        )
        after, excursion_mm = nonlinear_sources(
            loudspeaker, linear, drive, before, extra_ohm=extra_ohm, turbulence=turbulence
        )
        return np.concatenate(
            (after.voltage_v, after.force_n * volt_per_n, after.port_pa * volt_per_pa)
        )

    found = fixed_point(
        update, np.zeros(3 * count), scale=float(np.max(np.abs(voltage_v))), what="the woofer"
    )
    if excursion_mm > woofer.excursion_range_mm:
        raise NotConvergedError(
            f"the woofer would move {excursion_mm:.1f} mm, beyond the {woofer.excursion_range_mm} "
            "mm its parameters hold for: lower the drive"
        )
    return Sources(
        found[:count],
        found[count : 2 * count] / volt_per_n,
        found[2 * count :] / volt_per_pa,
    )


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
    linear = circuit(
        loudspeaker.woofer, loudspeaker.box, air, frequencies_hz(length, rate_hz)
    )
    result = Sources(np.zeros(count), np.zeros(count), np.zeros(count))
    for begin in range(0, count, hop):
        piece = _cut(voltage_v, begin - warm_up, length, fade=guard)
        if not np.max(np.abs(piece)) > 0.0:
            continue
        found = solve_stretch(
            loudspeaker, linear, piece, air=air, extra_ohm=_cut(extra_ohm, begin - warm_up, length)
        )
        end = min(begin + hop, count)
        kept = slice(warm_up, warm_up + end - begin)
        result.voltage_v[begin:end] = found.voltage_v[kept]
        result.force_n[begin:end] = found.force_n[kept]
        result.port_pa[begin:end] = found.port_pa[kept]
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
