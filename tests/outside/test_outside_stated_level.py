"""THD between rungs, through the whole path, against closed forms of static curves."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from test_outside_compression import clipped_sine
from whole_path import analysed, level_db, memoryless, write_ladder

import distsweep

CLIP = 0.2
"""Level of the hard clip: −14 dBFS, between two rungs."""

LEVELS_DBFS = (-36.0, -30.0, -24.0, -18.0, -12.0, -6.0)
ORDER = 9
AT_HZ = (200.0, 500.0, 1000.0)


def bent(folder: Path, curve) -> distsweep.Take:  # type: ignore[no-untyped-def]
    played = write_ladder(folder, levels_dbfs=LEVELS_DBFS, order=ORDER)
    rungs = [
        memoryless(played.rung(index), curve, oversampling=8) for index in range(len(LEVELS_DBFS))
    ]
    return analysed(played, played.with_rungs(rungs))


@pytest.fixture(scope="module")
def clipped(tmp_path_factory: pytest.TempPathFactory) -> distsweep.Take:
    # A little of the square: without it there would be nothing at all below the clip.
    return bent(tmp_path_factory.mktemp("clip"), lambda x: np.clip(x, -CLIP, CLIP) + 2e-4 * x**2)


@pytest.mark.parametrize("drive_dbfs", [-17.5, -15.0, -14.0, -13.9, -13.0, -12.5, -9.0])
@pytest.mark.parametrize("frequency_hz", AT_HZ)
def test_the_interval_holds_a_clip_inside_a_step(
    clipped: distsweep.Take, drive_dbfs: float, frequency_hz: float
) -> None:
    """Its coefficients are published (Fourier series of a clipped sine)."""
    amplitude = 10.0 ** (drive_dbfs / 20.0)
    # Below the clip the sine is whole; the square adds an in-quadrature 2nd of 1e-4·A²/A.
    made = clipped_sine(CLIP / amplitude, order=ORDER) if amplitude > CLIP else np.eye(ORDER)[0]
    made = made.copy()
    made[1] += 1e-4 * amplitude
    truth_db = level_db(np.sqrt(np.sum(made[1:] ** 2)) / made[0])
    found = clipped.thd_at(frequency_hz, drive_dbfs=drive_dbfs)
    assert found.low_db <= truth_db + 0.05 <= found.high_db + 0.1
    assert found.low_db < found.high_db


def test_a_polynomial_is_read_between_rungs(tmp_path: Path) -> None:
    """y = x + a₂x² + a₃x³: H1 = A + ¾a₃A³, H2 = a₂A²/2, H3 = a₃A³/4 (expansion of cosines)."""
    a2, a3 = 0.04, -0.08
    take = bent(tmp_path, lambda x: x + a2 * x**2 + a3 * x**3)
    for drive_dbfs in (-27.0, -21.5, -16.0):
        amplitude = 10.0 ** (drive_dbfs / 20.0)
        first = amplitude + 0.75 * a3 * amplitude**3
        rest = np.hypot(a2 * amplitude**2 / 2.0, a3 * amplitude**3 / 4.0)
        truth_db = level_db(rest / first)
        for frequency_hz in AT_HZ:
            found = take.thd_at(frequency_hz, drive_dbfs=drive_dbfs)
            assert found.thd_db == pytest.approx(truth_db, abs=0.1)
            assert found.low_db - 0.01 <= truth_db <= found.high_db + 0.01
