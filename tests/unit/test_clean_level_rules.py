"""Highest clean levels: crossings by hand, and nothing beyond what was played."""

from __future__ import annotations

import numpy as np
import pytest

from distsweep.analysis.clean_level import LIMITS, find_clean_levels
from distsweep.results import CleanLevel

DRIVES = np.array([-30.0, -20.0, -10.0])
NAN = float("nan")


def clean_levels(
    thd_db: list[float], change_db: list[float]
) -> dict[tuple[object, object], CleanLevel]:
    level = DRIVES + 90.0 + np.nan_to_num(np.array(change_db))
    found = find_clean_levels(
        np.array([1000.0]),
        DRIVES,
        level[:, None],
        np.array(thd_db)[:, None],
        np.array(change_db)[:, None],
    )
    return dict(zip(LIMITS, found, strict=True))


def test_between_two_levels_the_limit_is_interpolated() -> None:
    found = clean_levels([-60.0, -50.0, -30.0], [0.0, 0.0, -2.0])
    one_percent = found[1.0, None]
    # −40 dB lies half-way from −50 to −30: −15 dBFS, and the level half-way from 70 to 78.
    assert one_percent.drive_dbfs[0] == pytest.approx(-15.0)
    assert one_percent.level_db[0] == pytest.approx(74.0)
    assert (one_percent.state, one_percent.limited_by) == (["reached"], ["thd"])
    one_db = found[None, 1.0]
    assert (one_db.drive_dbfs[0], one_db.limited_by) == (pytest.approx(-15.0), ["compression"])


def test_whichever_comes_first() -> None:
    both = clean_levels([-60.0, -50.0, -38.0], [0.0, 0.0, -4.0])
    # 1 % is crossed at −20 + 10·10/12; 1 dB at −17.5.
    assert both[1.0, 1.0].limited_by == ["compression"]
    assert both[1.0, 1.0].drive_dbfs[0] == pytest.approx(-17.5)
    assert both[10.0, 3.0].drive_dbfs[0] == pytest.approx(-12.5)
    other = clean_levels([-60.0, -41.0, -21.0], [0.0, 0.0, -1.5])
    assert other[1.0, 1.0].limited_by == ["thd"]
    assert other[1.0, 1.0].drive_dbfs[0] == pytest.approx(-19.5)


def test_never_beyond_the_loudest_level() -> None:
    found = clean_levels([-60.0, -55.0, -50.0], [0.0, 0.0, -0.4])
    for limit, clean in found.items():
        assert clean.state == ["not reached"], limit
        assert clean.drive_dbfs[0] == -10.0  # at least: the loudest that was played
        assert clean.limited_by == [""]


def test_over_the_limit_from_the_start() -> None:
    found = clean_levels([-30.0, -28.0, -20.0], [0.0, 0.0, 0.0])[1.0, None]
    assert found.state == ["below"] and np.isnan(found.level_db[0])


def test_levels_hidden_by_noise_are_passed_over_and_nothing_is_made_up() -> None:
    hidden = clean_levels([NAN, -50.0, -30.0], [0.0, 0.0, 0.0])[1.0, None]
    assert hidden.drive_dbfs[0] == pytest.approx(-15.0)
    nothing = clean_levels([NAN, NAN, NAN], [0.0, 0.0, 0.0])
    assert np.isnan(nothing[1.0, None].level_db[0]) and nothing[1.0, None].state == ["unknown"]
    # Of a pair whose distortion is unknown nothing is promised, unless compression came.
    assert np.isnan(nothing[1.0, 1.0].level_db[0])
    came = clean_levels([NAN, NAN, NAN], [0.0, 0.0, -2.0])[1.0, 1.0]
    assert came.limited_by == ["compression"]


def test_no_harmonic_in_the_band_means_no_distortion_to_limit() -> None:
    found = clean_levels([-np.inf, -np.inf, -np.inf], [0.0, 0.0, -2.0])
    assert found[1.0, 1.0].limited_by == ["compression"]
    assert found[1.0, None].state != ["reached"]


@pytest.mark.parametrize(
    ("thd_db", "change_db", "by"),
    [
        ([-60.0, -30.0, -50.0], [0.0, 0.0, 0.0], "contradicted"),
        ([-10.0, -60.0, -60.0], [0.0, 0.0, 0.0], "contradicted"),  # a noise in the quietest
        ([-60.0, -60.0, -60.0], [0.0, -2.0, 0.0], "contradicted"),
        ([NAN, NAN, NAN], [0.0, -2.0, 0.0], "contradicted"),
        ([-60.0, -30.0, -42.0], [0.0, 0.0, 0.0], "thd"),  # within what noise may do
        ([-60.0, -30.0, NAN], [0.0, 0.0, 0.0], "thd"),  # nothing is known of the louder one
        ([-60.0, -30.0, -60.0], [0.0, 0.0, -4.0], "thd"),  # which is past the other limit
        ([-60.0, -60.0, -30.0], [0.0, -2.0, -3.0], "compression"),
    ],
)
def test_a_louder_level_well_within_the_limit_contradicts(
    thd_db: list[float], change_db: list[float], by: str
) -> None:
    found = clean_levels(thd_db, change_db)[1.0, 1.0]
    assert found.limited_by == ["" if by == "contradicted" else by]
    assert found.state == ["contradicted" if by == "contradicted" else "reached"]
    if by == "contradicted":
        assert np.isnan(found.level_db[0]) and np.isnan(found.drive_dbfs[0])
