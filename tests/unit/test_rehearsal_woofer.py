"""The simulated woofer against textbook formulas and against a general integrator."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from distsweep.rehearsal import (
    Bench,
    Loudspeaker,
    NotConvergedError,
    demo_loudspeaker,
    measure,
)

RATE_HZ = 48000
DENSITY = 1.293 * 273.15 / 293.15
SPEED = 331.3 * np.sqrt(293.15 / 273.15)


def lone_woofer() -> Loudspeaker:
    """The demonstration's woofer and port on the axis, with next to no tweeter and no leak."""
    loudspeaker = demo_loudspeaker()
    return replace(
        loudspeaker,
        woofer=replace(loudspeaker.woofer, below_axis_mm=0.0),
        box=replace(loudspeaker.box, port_below_axis_mm=0.0, leakage_q=1e9),
        tweeter=replace(
            loudspeaker.tweeter, sensitivity_pa_m_per_v=1e-15, second_db=-np.inf, third_db=-np.inf
        ),
        crossover=replace(loudspeaker.crossover, low_cut_hz=0.0),
        limiter=None,
        heating=None,
        resonances=(),
    )


def bench() -> Bench:
    return Bench(tail_s=0.0, pascal_per_fs=1000.0)


def response_pa(loudspeaker: Loudspeaker) -> tuple[np.ndarray, np.ndarray]:
    """Peak pressure at 1 m for a full-scale sine, with the crossover's textbook level removed."""
    impulse = np.zeros(4 * RATE_HZ)
    impulse[0] = 1.0
    recorded = measure(impulse, rate_hz=RATE_HZ, loudspeaker=loudspeaker, bench=bench())
    frequency_hz = np.fft.rfftfreq(impulse.size, 1 / RATE_HZ)
    crossover = 1.0 / (1.0 + (frequency_hz / loudspeaker.crossover.frequency_hz) ** 4)
    pressure = np.abs(np.fft.rfft(recorded)) * 1000.0 * np.sqrt(2.0) / crossover
    band = (frequency_hz >= 20.0) & (frequency_hz <= 1000.0)
    return frequency_hz[band], pressure[band]


@pytest.mark.parametrize("leakage_q", [5.0, 12.0, 1e6], ids=["leaky", "usual", "tight"])
def test_small_signal_response_is_smalls_fourth_order_high_pass(leakage_q: float) -> None:
    """R. H. Small, JAES 21(5), 1973, part I: G(s) with its coefficients a1 to a3.

    It has neither coil inductance nor port friction, so these are off. 0.02 dB leaves room for
    the half second after which the impulse response is cut.
    """
    loudspeaker = lone_woofer().linear()
    woofer = replace(loudspeaker.woofer, inductance_h=0.0)
    box = replace(loudspeaker.box, port_q=1e9, leakage_q=leakage_q)
    frequency_hz, pressure_pa = response_pa(replace(loudspeaker, woofer=woofer, box=box))

    omega_s = np.sqrt(woofer.stiffness_n_per_m / woofer.mass_kg)
    q_e = omega_s * woofer.mass_kg * woofer.resistance_ohm / woofer.force_factor_n_per_a**2
    q_m = omega_s * woofer.mass_kg / woofer.mechanical_resistance_ns_per_m
    q_t = q_e * q_m / (q_e + q_m)
    volume = box.volume_l / 1000
    alpha = DENSITY * SPEED**2 * woofer.area_m2**2 / woofer.stiffness_n_per_m / volume
    radius = box.port_diameter_mm / 2000
    length = box.port_length_mm / 1000 + 1.46 * radius
    omega_b = SPEED * np.sqrt(np.pi * radius**2 / (volume * length))
    h = omega_b / omega_s
    a1 = (leakage_q + h * q_t) / (np.sqrt(h) * leakage_q * q_t)
    a2 = (h + (alpha + 1 + h**2) * leakage_q * q_t) / (h * leakage_q * q_t)
    a3 = (h * leakage_q + q_t) / (np.sqrt(h) * leakage_q * q_t)
    s = 2j * np.pi * frequency_hz / np.sqrt(omega_b * omega_s)
    small = s**4 / (s**4 + a1 * s**3 + a2 * s**2 + a3 * s + 1)
    volt = 30.0 * np.sqrt(2.0)
    reference_pa = DENSITY * woofer.force_factor_n_per_a * woofer.area_m2 * volt
    reference_pa /= 2 * np.pi * woofer.resistance_ohm * woofer.mass_kg

    difference_db = 20 * np.log10(pressure_pa / (reference_pa * np.abs(small)))
    assert np.max(np.abs(difference_db)) < 0.02


def test_small_signal_response_solves_the_circuit_with_every_loss() -> None:
    """One linear system a frequency, in the unknowns current, velocity, pressure, port flow."""
    loudspeaker = lone_woofer().linear()
    loudspeaker = replace(loudspeaker, box=replace(loudspeaker.box, leakage_q=8.0, port_q=20.0))
    frequency_hz, pressure_pa = response_pa(loudspeaker)
    woofer, box = loudspeaker.woofer, loudspeaker.box
    compliance = box.volume_l / 1000 / (DENSITY * SPEED**2)
    area = np.pi * (box.port_diameter_mm / 2000) ** 2
    mass = DENSITY * (box.port_length_mm + 1.46 * box.port_diameter_mm / 2) / 1000 / area
    omega_b = 1 / np.sqrt(mass * compliance)
    bl, sd = woofer.force_factor_n_per_a, woofer.area_m2
    chosen = slice(0, None, 40)
    expected = []
    for frequency in frequency_hz[chosen]:
        s = 2j * np.pi * frequency
        electric = woofer.resistance_ohm + s * woofer.inductance_h
        mechanic = (
            s * woofer.mass_kg
            + woofer.mechanical_resistance_ns_per_m
            + woofer.stiffness_n_per_m / s
        )
        air = s * compliance + omega_b * compliance / box.leakage_q
        port = s * mass + omega_b * mass / box.port_q
        equations = np.array(
            [
                [electric, bl, 0, 0],
                [-bl, mechanic, -sd, 0],
                [0, sd, air, 1],
                [0, 0, -1, port],
            ]
        )
        unknown = np.linalg.solve(equations, np.array([30 * np.sqrt(2), 0, 0, 0]))
        leak = unknown[2] * omega_b * compliance / box.leakage_q
        flow = sd * unknown[1] + unknown[3] + leak
        expected.append(abs(DENSITY / (2 * np.pi) * s * flow))
    difference_db = 20 * np.log10(pressure_pa[chosen] / np.array(expected))
    assert np.max(np.abs(difference_db)) < 0.02


def integrated_pressure_pa(loudspeaker: Loudspeaker, frequency_hz: float, volt: float):
    """Pressure at 1 m over four settled periods of 256 samples, by Runge and Kutta."""
    woofer, box = loudspeaker.woofer, loudspeaker.box
    compliance = box.volume_l / 1000 / (DENSITY * SPEED**2)
    area = np.pi * (box.port_diameter_mm / 2000) ** 2
    mass = DENSITY * (box.port_length_mm + 1.46 * box.port_diameter_mm / 2) / 1000 / area
    friction = mass / np.sqrt(mass * compliance) / box.port_q
    turbulence = box.port_turbulence * DENSITY / 2 / area**2
    per_mm = 1000.0
    bl = np.polynomial.Polynomial([1, *woofer.force_factor_curve])
    stiffness = np.polynomial.Polynomial([1, *woofer.stiffness_curve])
    inductance = np.polynomial.Polynomial([1, *woofer.inductance_curve])
    inductance_slope = inductance.deriv()
    # Flux linkage is L0·(curve of x·i + c1·i² + c2·i³ …); this is its part by i, by i.
    iron = np.polynomial.Polynomial([0, 0, *woofer.inductance_current_curve]).deriv()

    def rates(time: float, state: np.ndarray) -> list[float]:
        current, excursion, velocity, pressure, flow = state
        mm = excursion * per_mm
        force_factor = woofer.force_factor_n_per_a * bl(mm)
        by_excursion = woofer.inductance_h * inductance_slope(mm) * per_mm
        by_current = woofer.inductance_h * (inductance(mm) + iron(current))
        drive = volt * np.sin(2 * np.pi * frequency_hz * time)
        force = force_factor * current + 0.5 * by_excursion * current**2 + woofer.area_m2 * pressure
        force -= woofer.stiffness_n_per_m * stiffness(mm) * excursion
        force -= woofer.mechanical_resistance_ns_per_m * velocity
        return [
            (
                drive
                - woofer.resistance_ohm * current
                - (force_factor + by_excursion * current) * velocity
            )
            / by_current,
            velocity,
            force / woofer.mass_kg,
            (-woofer.area_m2 * velocity - flow) / compliance,
            (pressure - friction * flow - turbulence * flow * abs(flow)) / mass,
        ]

    settled = np.ceil(0.7 * frequency_hz) / frequency_hz
    times = settled + np.arange(4 * 256) / (256 * frequency_hz)
    solution = solve_ivp(
        rates,
        (0.0, times[-1]),
        np.zeros(5),
        method="LSODA",
        t_eval=times,
        rtol=1e-9,
        atol=1e-12,
    )
    changes = np.array([rates(t, y) for t, y in zip(times, solution.y.T, strict=True)])
    return DENSITY / (2 * np.pi) * (woofer.area_m2 * changes[:, 2] + changes[:, 4])


@pytest.mark.parametrize(
    ("frequency_hz", "drive_dbfs"),
    [
        *((45, -12.0), (130, -22.0)),
        *(pytest.param(*at, marks=pytest.mark.long) for at in ((45, -22.0), (130, -12.0))),
    ],
)
def test_harmonics_of_a_steady_sine_agree_with_a_general_integrator(
    frequency_hz: int, drive_dbfs: float
) -> None:
    """Orders 1 to 4 within 0.01 dB: both routes are told to be good to a millionth or better."""
    loudspeaker = lone_woofer()
    amplitude = 10 ** (drive_dbfs / 20)
    time_s = np.arange(RATE_HZ) / RATE_HZ
    tone = amplitude * np.sin(2 * np.pi * frequency_hz * time_s)
    recorded = measure(tone, rate_hz=RATE_HZ, loudspeaker=loudspeaker, bench=bench())
    # A fifth of a second holds whole periods of either frequency.
    settled = recorded[-RATE_HZ // 5 :]
    lines = np.abs(np.fft.rfft(settled)) * 2 / settled.size * 1000 * np.sqrt(2)
    simulated_db = 20 * np.log10(lines[frequency_hz // 5 * np.arange(1, 6)])

    # The feed's level behind the crossover is the textbook's 1/(1 + (f/fc)⁴).
    volt = amplitude * 30 * np.sqrt(2) / (1 + (frequency_hz / 2000) ** 4)
    pressure_pa = integrated_pressure_pa(loudspeaker, frequency_hz, volt)
    integrated_db = 20 * np.log10(np.abs(np.fft.rfft(pressure_pa))[4 * np.arange(1, 6)] / 512)
    # The crossover takes the drive's level, not the products', so they compare as they are.
    assert simulated_db[:4] == pytest.approx(integrated_db[:4], abs=0.01)
    # The test means something only where distortion is plain to see.
    assert np.max(simulated_db[1:3]) - simulated_db[0] > -60


def test_a_drive_beyond_the_polynomials_is_refused() -> None:
    loudspeaker = replace(lone_woofer(), volt_per_fs=300.0)
    tone = np.sin(2 * np.pi * 30 * np.arange(RATE_HZ) / RATE_HZ)
    with pytest.raises(NotConvergedError, match=r"woofer .* lower"):
        measure(tone, rate_hz=RATE_HZ, loudspeaker=loudspeaker, bench=bench())


def test_a_long_signal_is_the_same_however_it_falls_into_stretches() -> None:
    """A tone's start is moved by 1.7 s: the stretches then cut it elsewhere.

    The iteration stops at −140 dB of the drive, so no better may be asked.
    """
    loudspeaker = lone_woofer()
    time_s = np.arange(4 * RATE_HZ) / RATE_HZ
    tone = 0.2 * np.sin(2 * np.pi * 47 * time_s) + 0.05 * np.sin(2 * np.pi * 411 * time_s)
    shift = round(1.7 * RATE_HZ)
    plain = measure(tone, rate_hz=RATE_HZ, loudspeaker=loudspeaker, bench=bench())
    moved = measure(
        np.concatenate((np.zeros(shift), tone)),
        rate_hz=RATE_HZ,
        loudspeaker=loudspeaker,
        bench=bench(),
    )
    difference = np.max(np.abs(moved[shift:] - plain))
    assert difference < 10 ** (-140 / 20) * np.max(np.abs(plain))
