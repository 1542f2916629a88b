"""Resonators, boxes, pipes and the speed of sound against handbook formulas.

Values are from a table computed once, outside this package, from the formulas cited.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from distsweep.analysis.resonance.causes import (
    FLANGED_END,
    FREE_END,
    box_mode_hz,
    pipe_mode_hz,
    sound_speed_m_per_s,
    tuning_hz,
)
from distsweep.analysis.resonance.curves import SearchedTake
from distsweep.analysis.resonance.decay import DECAY_DB_PER_PERIOD_OVER_Q, Ringing, decay_at
from distsweep.analysis.resonance.radiated import find_radiated
from distsweep.analysis.sweep.harmonics import ImpulseResponse, SweptHarmonics

RATE_HZ = 48000

# f₀, Q, −3 dB bandwidth in Hz, decay in dB/s (27.2875·f₀/Q; Kuttruff, Room Acoustics, ch. 3).
RESONATORS = [
    (100.0, 20.0, 5.0, 136.438),
    (250.0, 50.0, 5.0, 136.438),
    (1000.0, 10.0, 100.0, 2728.750),
]


def two_pole(frequency_hz: float, q: float, *, direct: float = 0.5) -> ImpulseResponse:
    """exp(−πft/Q)·sin(2πft) on top of a direct sound: a mode beside what drives it."""
    origin = int(0.01 * RATE_HZ)
    time_s = (np.arange(int(0.51 * RATE_HZ)) - origin) / RATE_HZ
    ring = np.exp(-np.pi * frequency_hz * np.maximum(time_s, 0.0) / q)
    ring *= np.where(time_s >= 0.0, np.sin(2.0 * np.pi * frequency_hz * time_s), 0.0)
    samples = 2.0 * np.pi * frequency_hz / q / RATE_HZ * ring
    samples[origin] += direct
    return ImpulseResponse(samples, origin, float(RATE_HZ), 0)


def test_a_period_costs_27_3_db_over_q() -> None:
    assert pytest.approx(27.28753, abs=1e-5) == DECAY_DB_PER_PERIOD_OVER_Q
    # T60 = 2.198807·Q/f₀ (from the same table).
    assert pytest.approx(60.0 / 2.198807, rel=1e-6) == DECAY_DB_PER_PERIOD_OVER_Q


@pytest.mark.parametrize(("frequency_hz", "q", "bandwidth_hz", "rate_db_per_s"), RESONATORS)
def test_decay_and_q_of_a_two_pole(
    frequency_hz: float, q: float, bandwidth_hz: float, rate_db_per_s: float
) -> None:
    assert frequency_hz / q == bandwidth_hz
    decay = decay_at(
        Ringing(two_pole(frequency_hz, q)), frequency_hz, q, free_s=None, position="axis"
    )
    assert decay.state == "rings"
    # The direct sound behind the same band-pass bends the first decibels: 2 % at most.
    assert decay.rate_db_per_s == pytest.approx(rate_db_per_s, rel=0.02)
    assert decay.q == pytest.approx(q, rel=0.02)


@pytest.mark.parametrize(("frequency_hz", "q", "_bandwidth", "rate_db_per_s"), RESONATORS)
def test_ring_time_of_a_two_pole_alone(
    frequency_hz: float, q: float, _bandwidth: float, rate_db_per_s: float
) -> None:
    ringing = Ringing(two_pole(frequency_hz, q, direct=0.0))
    decay = decay_at(ringing, frequency_hz, q, free_s=None, position="axis")
    # Counted from the envelope's top, which the band-pass (f/8 or 2f/Q wide) rounds off: that
    # costs some of its own ringing, which is less than 0.3·Q/f.
    assert decay.ring_time_s == pytest.approx(20.0 / rate_db_per_s, abs=0.3 * q / frequency_hz)


@pytest.mark.parametrize(("frequency_hz", "q", "bandwidth_hz", "_rate"), RESONATORS[1:])
def test_bandwidth_of_a_two_pole(
    frequency_hz: float, q: float, bandwidth_hz: float, _rate: float
) -> None:
    """The fitted mode has the handbook's Q = f₀/B, whatever sound comes with it.

    Damping lowers the frequency of what rings to f₀·√(1 − 1/(4Q²)) (Kinsler et al., section 1.6).
    """
    grid_hz = 40.0 * 2.0 ** (np.arange(384) / 48.0)
    nothing = np.zeros((1, 0, 384))
    swept = SweptHarmonics(grid_hz, nothing + 0j, nothing, np.ones((1, 384)) + 0j, 1.0, 6.0)
    take = SearchedTake("axis", grid_hz, (), two_pole(frequency_hz, q), 1.0, swept)
    mode = find_radiated([take])[0]
    natural_hz = frequency_hz / math.sqrt(1.0 - 0.25 / q**2)
    assert mode.frequency_hz == pytest.approx(natural_hz, rel=0.0003)
    # The window's last third, from 0.3 s on, widens a band of 5 Hz by some 5 %.
    assert mode.q == pytest.approx(frequency_hz / bandwidth_hz, rel=0.07)


@pytest.mark.parametrize(
    ("temperature_c", "speed_m_per_s"),
    [(-10, 325.179), (0, 331.300), (10, 337.310), (15, 340.275), (20, 343.215), (25, 346.129),
     (30, 349.019), (40, 354.729)],
)  # fmt: skip
def test_speed_of_sound(temperature_c: float, speed_m_per_s: float) -> None:
    # Dry air, Kinsler et al., Fundamentals of Acoustics, section 5.6: 331.3·√(1 + T/273.15).
    assert sound_speed_m_per_s(temperature_c) == pytest.approx(speed_m_per_s, abs=5e-4)
    # The linear rule of thumb 331.3 + 0.606·T agrees within 0.2 % around room temperature.
    assert sound_speed_m_per_s(temperature_c) == pytest.approx(
        331.3 + 0.606 * temperature_c, rel=0.003
    )


# 5 × 4 × 2.5 m, c = 343.2 m/s: f = c/2·√(Σ(n/L)²), Kuttruff, Room Acoustics, ch. 3.
BOX_MODES = {
    (1, 0, 0): 34.320, (0, 1, 0): 42.900, (1, 1, 0): 54.939, (0, 0, 1): 68.640,
    (2, 0, 0): 68.640, (1, 0, 1): 76.742, (0, 1, 1): 80.944, (0, 2, 0): 85.800,
    (1, 1, 1): 87.919, (1, 2, 0): 92.409, (2, 0, 1): 97.072, (2, 1, 1): 106.129,
}  # fmt: skip


@pytest.mark.parametrize(("orders", "expected_hz"), BOX_MODES.items())
def test_box_modes(orders: tuple[int, int, int], expected_hz: float) -> None:
    found = box_mode_hz((5.0, 4.0, 2.5), orders, speed_m_per_s=343.2)
    assert found == pytest.approx(expected_hz, abs=5e-4)


@pytest.mark.parametrize(
    ("ends", "expected_hz"),
    [((0.0, 0.0), 171.6), ((0.6133, 0.6133), 166.4944), ((0.848826, 0.848826), 164.6136)],
    ids=["no correction", "both free: Levine, Schwinger 1948", "both flanged: 8/3π"],
)
def test_pipe_modes(ends: tuple[float, float], expected_hz: float) -> None:
    found = pipe_mode_hz(1.0, 0.025, number=1, ends=ends, speed_m_per_s=343.2)
    assert found == pytest.approx(expected_hz, abs=5e-4)
    third = pipe_mode_hz(1.0, 0.025, number=3, ends=ends, speed_m_per_s=343.2)
    assert third == pytest.approx(3.0 * found)


def test_a_port_with_one_flanged_and_one_free_end() -> None:
    # 0.15 m, radius 35 mm, ends 0.848826 + 0.6133: L' = 0.201174 m.
    ends = (8.0 / (3.0 * math.pi), 0.6133)
    found = pipe_mode_hz(0.15, 0.035, number=1, ends=ends, speed_m_per_s=343.2)
    assert found == pytest.approx(852.991, abs=0.01)
    # With the exact correction of an infinite flange (Nomura 1960) instead of the piston's:
    ours = pipe_mode_hz(0.15, 0.035, number=1, ends=(FLANGED_END, FREE_END), speed_m_per_s=343.2)
    assert ours == pytest.approx(852.991, rel=0.006)


def test_helmholtz_tuning() -> None:
    # 20 l, radius 35 mm, 0.15 m: 53.42063 Hz, without corrections 61.86568 Hz.
    ends = (8.0 / (3.0 * math.pi), 0.6133)
    found = tuning_hz(0.02, 0.15, 0.035, ends=ends, speed_m_per_s=343.2)
    assert found == pytest.approx(53.42063, abs=1e-3)
    bare = tuning_hz(0.02, 0.15, 0.035, ends=(0.0, 0.0), speed_m_per_s=343.2)
    assert bare == pytest.approx(61.86568, abs=1e-4)
