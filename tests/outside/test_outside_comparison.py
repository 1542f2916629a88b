"""What a comparison joins two measurements by, against handbooks and tables."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.stats

from distsweep.comparison.beyond_doubt import (
    HALF_WIDTH_DEVIATIONS,
    deviations,
    difference_ends,
    limit_deviations,
)
from distsweep.comparison.level_doubt import CALIBRATIONS_DOUBT_DB, CALIBRATOR_LIMIT_DB
from distsweep.results.rung_curves import Curves


def known(value: float, standard_uncertainty: float) -> Curves:
    """A value with its 95 % interval, that of a normal distribution."""
    half = HALF_WIDTH_DEVIATIONS * standard_uncertainty
    return Curves(*(np.array([x]) for x in (value, value - half, value + half)))


def standard_uncertainty(ends: Curves) -> float:
    """The one of an interval, which must be the same to both sides."""
    down, up = float((ends.values - ends.low)[0]), float((ends.high - ends.values)[0])
    assert up == pytest.approx(down, rel=1e-12)
    return up / HALF_WIDTH_DEVIATIONS


N, MEAN, DEVIATION = (249, 79), (20.14458, 30.48101), (6.414700, 6.107710)
"""Miles per gallon of American and Japanese cars, data set AUTO83B.DAT: NIST/SEMATECH e-Handbook
of Statistical Methods, section 1.3.5.3, "Two-Sample t-Test for Equal Means"."""


def test_the_spread_of_a_difference_of_two_averages_is_the_handbook_s() -> None:
    """T of two averages whose scatter is taken as one, by the handbook −12.62059."""
    pooled = math.sqrt(
        sum((n - 1) * s**2 for n, s in zip(N, DEVIATION, strict=True)) / (sum(N) - 2)
    )
    first, other = (known(m, pooled / math.sqrt(n)) for m, n in zip(MEAN, N, strict=True))
    for a, b, statistic in ((other, first, -12.62059), (first, other, 12.62059)):
        ends = difference_ends(a, b)
        t = float(ends.values[0]) / standard_uncertainty(ends)
        assert t == pytest.approx(statistic, abs=1e-4)  # the averages are given to 1e-5


def test_the_spread_is_that_of_another_program_where_both_scatter_their_own_way() -> None:
    """Welch's statistic by scipy: no scatter is taken as the other's."""
    first, other = (known(m, s / math.sqrt(n)) for m, s, n in zip(MEAN, DEVIATION, N, strict=True))
    ends = difference_ends(first, other)
    welch = scipy.stats.ttest_ind_from_stats(
        MEAN[1], DEVIATION[1], N[1], MEAN[0], DEVIATION[0], N[0], equal_var=False
    )
    t = float(ends.values[0]) / standard_uncertainty(ends)
    assert t == pytest.approx(welch.statistic, rel=1e-9)


def test_what_adds_to_both_sides_adds_as_the_guide_s_example_does() -> None:
    """Calibration of an end gauge, JCGM 100:2008, H.1: u = 25, 9.7, 2.9 and 16.6 nm make 32 nm."""
    others_nm = math.hypot(2.9, 16.6)
    ends = difference_ends(known(0.0, 25.0), known(215.0, 9.7), HALF_WIDTH_DEVIATIONS * others_nm)
    assert float(ends.values[0]) == pytest.approx(215.0)
    assert standard_uncertainty(ends) == pytest.approx(32.0, abs=0.5)  # given in whole nm


def test_limits_of_a_calibrator_become_an_uncertainty_as_the_guide_s_example_does() -> None:
    """Limits of ± 0.40 leave a standard uncertainty of 0.23: JCGM 100:2008, 4.3.7, example 1.

    Of the difference of two it is root two times as much (5.1.2).
    """
    assert CALIBRATOR_LIMIT_DB == 0.40
    of_two = CALIBRATIONS_DOUBT_DB / HALF_WIDTH_DEVIATIONS
    assert of_two / math.sqrt(2.0) == pytest.approx(0.23, abs=0.005)


@pytest.mark.parametrize(
    ("tests", "limit"), [(1, 1.960), (2, 2.236), (3, 2.388), (4, 2.491), (5, 2.569), (6, 2.631)]
)
def test_the_limit_for_several_statements_is_the_table_s(tests: int, limit: float) -> None:
    """The largest of so many independent normal deviates in 95 % of draws, two-sided.

    Studentized maximum modulus for infinitely many degrees of freedom, 5 %: Stoline and Ury,
    Technometrics 21, 1979; its first values, from memory.
    """
    assert limit_deviations(tests) == pytest.approx(limit, abs=0.001)


@pytest.mark.parametrize("tests", [1, 7, 40, 300])
def test_alike_measurements_pass_the_limit_in_one_family_of_twenty(
    tests: int, rng: np.random.Generator
) -> None:
    """Levels 40 dB above their noise that differ by nothing else, drawn anew on both sides."""
    families, u_db = 4000, 0.05
    drawn = rng.normal(70.0, u_db, size=(2, families, tests))
    half = HALF_WIDTH_DEVIATIONS * u_db
    sides = [Curves(levels, levels - half, levels + half) for levels in drawn]
    limit = limit_deviations(tests)
    share = np.mean(np.any(np.abs(deviations(*sides)) > limit, axis=1))
    # Of 4000 families 5 % scatter by 0.34 %; amplitudes are no decibels, but nearly, so far up.
    assert share == pytest.approx(0.05, abs=0.012)
