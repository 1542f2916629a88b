"""Peaks: how far they stand out, how wide they are, and what is none."""

from __future__ import annotations

import math

import numpy as np
import pytest

from distsweep.analysis.resonance.peaks import (
    find_spikes,
    prominences_db,
    refined_hz,
    surprise,
    width_octaves,
)
from distsweep.analysis.sweep.grid import POINTS_PER_OCTAVE

GRID = 100.0 * 2.0 ** (np.arange(5 * POINTS_PER_OCTAVE) / POINTS_PER_OCTAVE)


def mode_db(centre_hz: float, q: float, lift_db: float, grid: np.ndarray = GRID) -> np.ndarray:
    """|1 + s/(1 + jQ(f/f₀ − f₀/f))| in dB: what a mode adds to a flat level."""
    share = 10.0 ** (lift_db / 20.0) - 1.0
    return 20.0 * np.log10(
        np.abs(1.0 + share / (1.0 + 1j * q * (grid / centre_hz - centre_hz / grid)))
    )


def spikes(level: np.ndarray, floor: float = -200.0) -> list:
    height = prominences_db(level)
    odds = surprise(level, height, np.full_like(level, floor))
    with np.errstate(invalid="ignore"):
        usable = level - floor >= 6.0
    return find_spikes(GRID, level, height, odds, usable)


@pytest.mark.parametrize("q", [8.0, 20.0, 40.0])
@pytest.mark.parametrize("lift_db", [6.0, 12.0])
def test_a_mode_is_a_spike_of_its_height_and_width(q: float, lift_db: float) -> None:
    centre = float(GRID[120])
    (spike,) = spikes(mode_db(centre, q, lift_db))
    # The median of an octave around a symmetric peak is its level a quarter of an octave away;
    # every third point is looked at, which is off by a point at most.
    surroundings_db = mode_db(centre, q, lift_db)[120 + np.array([11, 13])]
    assert lift_db - surroundings_db[0] - 0.1 <= spike.prominence_db
    assert spike.prominence_db <= lift_db - surroundings_db[1] + 0.1
    assert spike.frequency_hz == pytest.approx(centre, rel=1e-4)
    # |1 + s/(1 + jx)|² = 10^(d/10) at the half height d, with x = 2Q·(f − f₀)/f₀.
    half = 10.0 ** ((lift_db - 0.5 * spike.prominence_db) / 10.0)
    x = math.sqrt((10.0 ** (lift_db / 10.0) - half) / (half - 1.0))
    expected = 2.0 * math.asinh(x / (2.0 * q)) / math.log(2.0)
    # Straight lines between grid points cut the narrowest corners.
    assert spike.width_octaves == pytest.approx(expected, rel=0.08)


@pytest.mark.parametrize("offset", [-0.4, -0.1, 0.25, 0.5])
def test_the_top_is_refined_between_grid_points(offset: float) -> None:
    centre = float(GRID[120] * 2.0 ** (offset / POINTS_PER_OCTAVE))
    level = mode_db(centre, 25.0, 9.0)
    index = int(np.argmax(level))
    # Within a tenth of a step of 1.5 %: a Lorentzian is no parabola.
    assert refined_hz(GRID, level, index) == pytest.approx(centre, rel=0.0015)


def test_a_level_moves_nothing_else() -> None:
    level = mode_db(400.0, 20.0, 9.0) - 3.0 * np.log2(GRID)
    a, b = spikes(level)[0], spikes(level - 37.0)[0]
    assert (a.frequency_hz, a.prominence_db) == pytest.approx((b.frequency_hz, b.prominence_db))
    assert b.level_db == pytest.approx(a.level_db - 37.0)


@pytest.mark.parametrize(
    "level",
    [
        20.0 / (1.0 + (GRID / 250.0) ** 3),
        -12.0 * np.log2(GRID / 100.0),
        15.0 * np.exp(-((np.log2(GRID / 600.0) / 0.6) ** 2)),
        -20.0 * np.exp(-((np.log2(GRID / 600.0) / 0.05) ** 2)),
    ],
    ids=["the end of a woofer's rise", "a slope", "a broad hump", "a dip"],
)
def test_what_is_no_spike(level: np.ndarray) -> None:
    assert spikes(level) == []


def test_nothing_is_made_of_the_ends_and_of_gaps() -> None:
    rising = np.linspace(0.0, 30.0, len(GRID))
    assert spikes(rising) == []
    level = mode_db(400.0, 20.0, 9.0)
    level[:90] = np.nan
    assert len(spikes(level)) == 1
    assert spikes(np.full_like(GRID, np.nan)) == []


def test_noise_alone_makes_no_spikes(rng: np.random.Generator) -> None:
    """Rayleigh amplitudes about their floor: 200 curves, some 48 000 independent points."""
    count = 0
    for _ in range(200):
        noise = rng.standard_normal((2, len(GRID)))
        level = 10.0 * np.log10(0.5 * np.sum(noise**2, axis=0))
        count += len(spikes(level, floor=0.0))
    # exp(−10) of 48 000 points is 2 in step with what is there; five times that is left to chance.
    assert count <= 10


def test_surprise_is_the_rayleigh_tail() -> None:
    level, height, floor = np.array([20.0]), np.array([6.0]), np.array([0.0])
    raised = 10.0 - 10.0 ** (14.0 / 20.0)
    assert surprise(level, height, floor) == pytest.approx(raised**2)
    assert surprise(level, height, np.array([-np.inf])) == np.inf
    assert surprise(level, height, np.array([np.nan])) == 0.0
    assert surprise(level, -height, floor) == 0.0


def test_a_peak_without_a_far_side_has_no_width() -> None:
    assert width_octaves(np.array([0.0, 5.0, 9.0, 10.0]), 3, 9.0) == math.inf
