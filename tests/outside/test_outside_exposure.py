"""Noise exposure, calibrator levels and weightings against published values.

Sources: NIOSH 98-126 (1998), table 1-1; 29 CFR 1910.95 table G-16 and appendix A; 2003/10/EC
article 3; IEC 61672-1:2013 table 3 (A and C) and, for the tolerances, IEC 61672-1:2002
table 2 (as in GOST 17187-2010, its national adoption); ISO 1683:2015 (20 µPa); IEC 60942.
"""

from __future__ import annotations

import numpy as np
import pytest

from distsweep.analysis.weighting import a_weighting_db, c_weighting_db
from distsweep.capture.calibration import from_data_sheet
from distsweep.capture.calibrator_tone import FREQUENCY_TOLERANCE, PRINCIPAL_HZ
from distsweep.capture.exposure import (
    EU_LIMIT,
    EU_LOWER,
    EU_UPPER,
    NIOSH,
    OSHA_CONSERVATION,
    OSHA_LIMIT,
    Exposure,
)
from distsweep.units import pascal_to_spl_db, spl_db_to_pascal

# NIOSH 98-126, table 1-1: minutes at dBA; every 3 dB halves.
NIOSH_MINUTES = {
    80.0: 1523.91,
    82.0: 960.0,
    85.0: 480.0,
    88.0: 240.0,
    91.0: 120.0,
    94.0: 60.0,
    97.0: 30.0,
    100.0: 15.0,
    103.0: 7.5,
    106.0: 3.75,
    109.0: 1.875,
    112.0: 0.9375,
    115.0: 0.46875,
    130.0: 0.0146484,
}

# 29 CFR 1910.95, table G-16: hours at dBA, slow response.
OSHA_HOURS = {
    90.0: 8.0,
    92.0: 6.0,
    95.0: 4.0,
    97.0: 3.0,
    100.0: 2.0,
    102.0: 1.5,
    105.0: 1.0,
    110.0: 0.5,
    115.0: 0.25,
}


@pytest.mark.parametrize(("level_dba", "minutes"), NIOSH_MINUTES.items())
def test_niosh_times(level_dba: float, minutes: float) -> None:
    # The printed values have six digits at most.
    assert NIOSH.allowed_minutes(level_dba) == pytest.approx(minutes, rel=5e-6)


@pytest.mark.parametrize(("level_dba", "hours"), OSHA_HOURS.items())
def test_osha_times(level_dba: float, hours: float) -> None:
    # The table is rounded to half hours between the 5 dB steps: 6.06 h at 92 dBA is printed 6,
    # 3.03 h at 97 is 3, 1.52 h at 102 is 1.5. That is 1.1 % at most.
    assert OSHA_LIMIT.allowed_minutes(level_dba) / 60.0 == pytest.approx(hours, rel=0.011)


def test_a_mixed_exposure() -> None:
    """2 h at 90, 4 h at 85 and a quarter of an hour at 100 dBA, worked by hand.

    NIOSH: 2/2.519842 + 4/8 + 0.25/0.25 = 2.293701. OSHA's limit counts 2/8 + 0.25/2, its
    hearing conservation 4/16 more. L_EX,8h by equal energy: 10·lg Σ t/8·10^(L/10).
    """
    day = [Exposure(90.0, 120.0), Exposure(85.0, 240.0), Exposure(100.0, 15.0)]
    assert NIOSH.dose_percent(day) == pytest.approx(229.3701, abs=1e-4)
    assert NIOSH.eight_hour_level_dba(229.3701) == pytest.approx(88.5930, abs=1e-4)
    # NIOSH prints TWA = 10.0·lg(D/100) + 85, the rounded inverse: 0.0124 dB more here.
    assert NIOSH.eight_hour_level_dba(229.3701) == pytest.approx(88.6054, abs=0.013)
    assert OSHA_LIMIT.dose_percent(day) == pytest.approx(37.5)
    assert OSHA_CONSERVATION.dose_percent(day) == pytest.approx(62.5)
    # OSHA appendix A prints TWA = 16.61·lg(D/100) + 90; the factor is rounded from 16.6096.
    assert OSHA_LIMIT.eight_hour_level_dba(37.5) == pytest.approx(82.9247, abs=1e-3)
    assert OSHA_CONSERVATION.eight_hour_level_dba(62.5) == pytest.approx(86.6096, abs=1e-3)
    for regime in (EU_LIMIT, EU_UPPER, EU_LOWER):
        level_dba = regime.eight_hour_level_dba(regime.dose_percent(day))
        assert level_dba == pytest.approx(88.5770, abs=1e-4)


def test_the_directives_levels() -> None:
    """2003/10/EC article 3: limit 87, upper action 85, lower action 80 dB(A) over 8 h."""
    for regime, level_dba in ((EU_LIMIT, 87.0), (EU_UPPER, 85.0), (EU_LOWER, 80.0)):
        assert regime.dose_percent([Exposure(level_dba, 480.0)]) == pytest.approx(100.0)


def test_osha_counts_from_its_thresholds() -> None:
    assert OSHA_LIMIT.dose_percent([Exposure(89.9, 480.0)]) == 0.0
    assert OSHA_CONSERVATION.dose_percent([Exposure(85.0, 480.0)]) == pytest.approx(50.0)
    assert OSHA_CONSERVATION.dose_percent([Exposure(79.9, 480.0)]) == 0.0


# nominal Hz: A, C (table 3), and class 1's limits above and below (2002, table 2).
WEIGHTINGS = {
    20.0: (-50.5, -6.2, 2.5, -2.5),
    25.0: (-44.7, -4.4, 2.5, -2.0),
    31.5: (-39.4, -3.0, 2.0, -2.0),
    40.0: (-34.6, -2.0, 1.5, -1.5),
    50.0: (-30.2, -1.3, 1.5, -1.5),
    63.0: (-26.2, -0.8, 1.5, -1.5),
    80.0: (-22.5, -0.5, 1.5, -1.5),
    100.0: (-19.1, -0.3, 1.5, -1.5),
    125.0: (-16.1, -0.2, 1.5, -1.5),
    160.0: (-13.4, -0.1, 1.5, -1.5),
    200.0: (-10.9, 0.0, 1.5, -1.5),
    250.0: (-8.6, 0.0, 1.4, -1.4),
    315.0: (-6.6, 0.0, 1.4, -1.4),
    400.0: (-4.8, 0.0, 1.4, -1.4),
    500.0: (-3.2, 0.0, 1.4, -1.4),
    630.0: (-1.9, 0.0, 1.4, -1.4),
    800.0: (-0.8, 0.0, 1.4, -1.4),
    1000.0: (0.0, 0.0, 1.1, -1.1),
    1250.0: (0.6, 0.0, 1.4, -1.4),
    1600.0: (1.0, -0.1, 1.6, -1.6),
    2000.0: (1.2, -0.2, 1.6, -1.6),
    2500.0: (1.3, -0.3, 1.6, -1.6),
    3150.0: (1.2, -0.5, 1.6, -1.6),
    4000.0: (1.0, -0.8, 1.6, -1.6),
    5000.0: (0.5, -1.3, 2.1, -2.1),
    6300.0: (-0.1, -2.0, 2.1, -2.6),
    8000.0: (-1.1, -3.0, 2.1, -3.1),
    10000.0: (-2.5, -4.4, 2.6, -3.6),
    12500.0: (-4.3, -6.2, 3.0, -6.0),
    16000.0: (-6.6, -8.5, 3.5, -17.0),
    20000.0: (-9.3, -11.2, 4.0, -np.inf),
}


@pytest.mark.parametrize("nominal_hz", WEIGHTINGS)
def test_weightings(nominal_hz: float) -> None:
    """At the exact third-octave frequency to the table's 0.1 dB; at the nominal, to class 1."""
    a_db, c_db, above_db, below_db = WEIGHTINGS[nominal_hz]
    exact_hz = np.array([1000.0 * 10.0 ** (round(10.0 * np.log10(nominal_hz / 1000.0)) / 10.0)])
    # 0.05 dB is the rounding of the table, and the last digit of a value that ends in 5.
    assert a_weighting_db(exact_hz)[0] == pytest.approx(a_db, abs=0.0501)
    assert c_weighting_db(exact_hz)[0] == pytest.approx(c_db, abs=0.0501)
    nominal = np.array([nominal_hz])
    for found_db, table_db in ((a_weighting_db(nominal), a_db), (c_weighting_db(nominal), c_db)):
        assert below_db <= found_db[0] - table_db <= above_db


@pytest.mark.parametrize(
    ("level_spl_db", "pressure_pa"),
    [(94.0, 1.0023745), (104.0, 3.1697864), (114.0, 10.0237447), (124.0, 31.6978638)],
)
def test_calibrator_levels_in_pascal(level_spl_db: float, pressure_pa: float) -> None:
    assert spl_db_to_pascal(level_spl_db) == pytest.approx(pressure_pa, rel=1e-7)
    assert pascal_to_spl_db(pressure_pa) == pytest.approx(level_spl_db, abs=1e-6)


def test_one_pascal_is_not_quite_94_db() -> None:
    assert pascal_to_spl_db(1.0) == pytest.approx(93.979400, abs=1e-6)


def test_a_data_sheets_chain() -> None:
    """12.5 mV/Pa gives 12.5297 mV at 94 dB; where that reads −26 dBFS, full scale is 120 dB."""
    full_scale_v = 12.5297e-3 * 10 ** (26.0 / 20.0)
    pascal = from_data_sheet(millivolt_per_pascal=12.5, full_scale_volt_rms=full_scale_v)
    assert pascal_to_spl_db(pascal) == pytest.approx(120.0, abs=1e-4)


def test_iec_60942_frequencies() -> None:
    """IEC 60942:2003, 5.3: principal frequency 160 to 1250 Hz, class 2 within 2 %."""
    assert PRINCIPAL_HZ == (160.0, 1250.0)
    assert FREQUENCY_TOLERANCE == 0.02
