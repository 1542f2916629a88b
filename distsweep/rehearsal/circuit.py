"""The linear part of the woofer in its vented box, as impedances on a grid of frequencies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.rehearsal.air import Air
from distsweep.rehearsal.arrays import ComplexArray, FloatArray, imaginary
from distsweep.rehearsal.loudspeaker import Box, Woofer


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
    s = imaginary(2.0 * np.pi * frequency_hz)
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
