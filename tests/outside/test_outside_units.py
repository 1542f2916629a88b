"""Decibels, percent, pascals and frequency weightings against printed tables."""

from __future__ import annotations

import numpy as np
import pytest

from distsweep.analysis.weighting import a_weighting_db, c_weighting_db
from distsweep.units import (
    db_to_percent,
    pascal_to_spl_db,
    percent_to_db,
    ratio_to_db,
    spl_db_to_pascal,
)

# Derived, 20·log10: the trade prints both side by side (common practice, no source).
PERCENT_AND_DB = [
    (0.001, -100.0),
    (0.003, -90.4576),
    (0.01, -80.0),
    (0.03, -70.4576),
    (0.05, -66.0206),
    (0.1, -60.0),
    (0.3, -50.4576),
    (0.5, -46.0206),
    (1.0, -40.0),
    (2.0, -33.9794),
    (3.0, -30.4576),
    (5.0, -26.0206),
    (10.0, -20.0),
    (20.0, -13.9794),
    (30.0, -10.4576),
    (50.0, -6.0206),
    (100.0, 0.0),
]

# IEC 61672-1:2013, table 3 (A and C to 0.1 dB at the exact frequencies 1000·10^(n/10) of
# ISO 266), confirmed from a package's copy of the table; nominal frequencies, −20 ≤ n ≤ 13.
NOMINAL_HZ = (
    *(10, 12.5, 16, 20, 25, 31.5, 40, 50, 63, 80),
    *(100, 125, 160, 200, 250, 315, 400, 500, 630, 800),
    *(1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000),
    *(10000, 12500, 16000, 20000),
)
A_DB = (
    *(-70.4, -63.4, -56.7, -50.5, -44.7, -39.4, -34.6, -30.2, -26.2, -22.5),
    *(-19.1, -16.1, -13.4, -10.9, -8.6, -6.6, -4.8, -3.2, -1.9, -0.8),
    *(0.0, 0.6, 1.0, 1.2, 1.3, 1.2, 1.0, 0.5, -0.1, -1.1),
    *(-2.5, -4.3, -6.6, -9.3),
)
C_DB = (
    *(-14.3, -11.2, -8.5, -6.2, -4.4, -3.0, -2.0, -1.3, -0.8, -0.5),
    *(-0.3, -0.2, -0.1, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0),
    *(0.0, 0.0, -0.1, -0.2, -0.3, -0.5, -0.8, -1.3, -2.0, -3.0),
    *(-4.4, -6.2, -8.5, -11.2),
)
# The analytic form of annex E at the same places, to six decimals (derived): a selection.
A_FORMULA_DB = {20: -50.452160, 31.5: -39.439966, 100: -19.142777, 4000: 0.969877, 20000: -9.316925}
C_FORMULA_DB = {20: -6.240056, 31.5: -3.010300, 100: -0.299636, 4000: -0.818019, 20000: -11.248617}

# Sound calibrators: p = 20 µPa·10^(L/20) (ISO 1683:2015), RMS; derived.
CALIBRATOR_PA = {94.0: 1.0023745, 104.0: 3.1697864, 114.0: 10.0237447, 124.0: 31.6978638}

# Sensitivities in mV/Pa and dB re 1 V/Pa; derived.
SENSITIVITY = {1.0: -60.0, 6.3: -44.0132, 12.5: -38.0618, 50.0: -26.0206}


def exact_hz() -> np.ndarray:
    """The exact frequencies behind the nominal ones: 1000·10^(n/10) (ISO 266:1997)."""
    return 1000.0 * 10.0 ** (np.arange(-20, 14) / 10.0)


@pytest.mark.parametrize(("percent", "level_db"), PERCENT_AND_DB)
def test_percent_and_decibels(percent: float, level_db: float) -> None:
    assert percent_to_db(percent) == pytest.approx(level_db, abs=5e-5)  # four printed decimals
    assert db_to_percent(percent_to_db(percent)) == pytest.approx(percent, rel=1e-12)
    assert db_to_percent(level_db) == pytest.approx(percent, rel=6e-6)  # 5e-5 dB


@pytest.mark.parametrize(
    ("level_db", "percent"), [(-30.0, 3.16228), (-50.0, 0.316228), (-36.0, 1.58489)]
)
def test_decibels_to_percent(level_db: float, percent: float) -> None:
    assert db_to_percent(level_db) == pytest.approx(percent, rel=3.2e-6)  # six printed digits


@pytest.mark.parametrize(
    ("weighting", "table"),
    [(a_weighting_db, A_DB), (c_weighting_db, C_DB)],
    ids=["A", "C"],
)
def test_weighting_table(weighting, table) -> None:
    frequency_hz = exact_hz()
    # Each exact frequency is within 1 % of its nominal one: the rows are the right rows.
    assert frequency_hz == pytest.approx(np.array(NOMINAL_HZ), rel=0.01)
    assert np.round(weighting(frequency_hz), 1) == pytest.approx(np.array(table), abs=1e-9)


@pytest.mark.parametrize(
    ("weighting", "values"),
    [(a_weighting_db, A_FORMULA_DB), (c_weighting_db, C_FORMULA_DB)],
    ids=["A", "C"],
)
def test_weighting_formula(weighting, values) -> None:
    for nominal_hz, level_db in values.items():
        frequency_hz = exact_hz()[NOMINAL_HZ.index(nominal_hz)]
        assert float(weighting(np.array(frequency_hz))) == pytest.approx(level_db, abs=1e-6)


@pytest.mark.parametrize(("spl_db", "pressure_pa"), CALIBRATOR_PA.items())
def test_calibrator_levels(spl_db: float, pressure_pa: float) -> None:
    assert spl_db_to_pascal(spl_db) == pytest.approx(pressure_pa, abs=6e-8)  # as printed
    assert pascal_to_spl_db(pressure_pa) == pytest.approx(spl_db, abs=1e-6)


def test_94_db_is_not_one_pascal() -> None:
    # "94 dB = 1 Pa" is common practice and 0.0206 dB wrong (derived).
    assert pascal_to_spl_db(1.0) == pytest.approx(93.979400, abs=5e-7)


@pytest.mark.parametrize(("millivolt_per_pa", "level_db"), SENSITIVITY.items())
def test_microphone_sensitivity(millivolt_per_pa: float, level_db: float) -> None:
    assert ratio_to_db(millivolt_per_pa / 1000.0) == pytest.approx(level_db, abs=5e-5)
