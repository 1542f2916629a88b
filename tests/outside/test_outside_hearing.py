"""The threshold of hearing against published tables, and sound that falls with distance."""

from __future__ import annotations

import numpy as np
import pytest

from distsweep.analysis.noise.hearing import THRESHOLD_SPL_DB, at_distance_db, audible_to

ISO_226_2003_TF = (
    78.5, 68.7, 59.5, 51.1, 44.0, 37.5, 31.5, 26.5, 22.1, 17.9, 14.4, 11.4, 8.6, 6.2, 4.4, 3.0,
    2.2, 2.4, 3.5, 1.7, -1.3, -4.2, -6.0, -5.4, -1.5, 6.0, 12.6, 13.9, 12.3,
)  # fmt: skip
"""T_f from 20 Hz to 12.5 kHz, ISO 226:2003, table 1, as public source files have it."""


def test_thresholds_are_those_of_iso_226() -> None:
    """The edition of 2023, like ISO 389-7:2019, changed 20 Hz alone: from 78.5 to 78.1 dB."""
    ours = list(THRESHOLD_SPL_DB.values())[:29]
    assert ours[0] == 78.1
    assert ours[1:] == list(ISO_226_2003_TF[1:])
    assert THRESHOLD_SPL_DB[16000.0] == 40.2  # ISO 389-7


def test_ears_are_keenest_between_3_and_4_kilohertz() -> None:
    """Fletcher and Munson, JASA 5, 1933, and every measurement since."""
    assert min(THRESHOLD_SPL_DB, key=lambda f: THRESHOLD_SPL_DB[f]) in (3150.0, 4000.0)


@pytest.mark.parametrize(
    ("measured_m", "distance_m", "lost_db"), [(1.0, 2.0, 6.02), (0.05, 2.5, 33.98), (1.0, 0.1, -20)]
)
def test_direct_sound_loses_6_decibels_a_doubling(
    measured_m: float, distance_m: float, lost_db: float
) -> None:
    """The spherical wave's p ~ 1/r (Beranek, Acoustics, 1954, chapter 2)."""
    level_db = at_distance_db(40.0, measured_m=measured_m, distance_m=distance_m)
    assert level_db == pytest.approx(40.0 - lost_db, abs=0.005)


def test_at_the_distance_found_the_level_is_the_threshold() -> None:
    thirds_hz = np.array(list(THRESHOLD_SPL_DB))
    level_db = np.full(len(thirds_hz), 20.0)
    found = audible_to(
        thirds_hz, level_db=level_db, low_db=level_db, high_db=level_db, measured_m=0.05,
        room_db=np.full(len(thirds_hz), -np.inf), room_spread_db=np.zeros(len(thirds_hz)),
    )  # fmt: skip
    assert found.frequency_hz == 3150.0
    assert found.distance_m is not None
    there_db = at_distance_db(20.0, measured_m=0.05, distance_m=found.distance_m)
    assert there_db == pytest.approx(-6.0)
