"""Ladders whose gain and distortion are formulas, for the tests of filters."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from distsweep.analysis.limits.gain_change import gain_changes
from distsweep.results import (
    CleanLevel,
    Conditions,
    Device,
    HarmonicCurve,
    Limiter,
    RecordedCalibration,
    Results,
    Rung,
    Take,
)

GRID_HZ = np.geomspace(20.0, 20000.0, 241)
DRIVES_DBFS = (-40.0, -34.0, -28.0, -22.0, -16.0, -10.0)
BAND_HZ = (300.0, 3000.0)

Law = Callable[[np.ndarray], np.ndarray]
"""What holds at a drive for each frequency, ``(F,)`` to ``(F,)``."""


def linear(_drive_dbfs: np.ndarray) -> np.ndarray:
    return np.zeros(len(GRID_HZ))


def limited(threshold_dbfs: float, ratio: float) -> Law:
    """The gain change of a hard-kneed limiter."""

    def law(drive_dbfs: np.ndarray) -> np.ndarray:
        return np.minimum((1.0 / ratio - 1.0) * (drive_dbfs - threshold_dbfs), 0.0)

    return law


def output_db(gain: Law, drive_dbfs: np.ndarray) -> np.ndarray:
    """110 dB SPL at full scale, falling by 12 dB an octave below 50 Hz."""
    box = -10.0 * np.log10(1.0 + (50.0 / GRID_HZ) ** 4)
    return 110.0 + box + drive_dbfs + gain(drive_dbfs)


def harmonic_db(gain: Law, drive_dbfs: np.ndarray, order: int) -> np.ndarray:
    """Grows by order − 1 dB a dB of what the limiter lets through, and towards the bass."""
    let_through = drive_dbfs + gain(drive_dbfs)
    bass = 20.0 / (1.0 + GRID_HZ / 100.0)
    return -45.0 - 10.0 * (order - 2) + bass + (order - 1) * (let_through + 10.0)


def thd_db(gain: Law, drive_dbfs: np.ndarray) -> np.ndarray:
    parts = [10.0 ** (harmonic_db(gain, drive_dbfs, order) / 10.0) for order in (2, 3)]
    return 10.0 * np.log10(np.sum(parts, axis=0))


def ladder(
    gain: Law = linear,
    *,
    drives: Sequence[float] = DRIVES_DBFS,
    limiters: Sequence[Limiter] = (),
    position: str = "axis",
    **changes: Any,
) -> Take:
    rungs = [_rung(gain, drive) for drive in drives]
    change = gain_changes([one.fundamental_db for one in rungs], list(drives), reference=0)
    return Take(
        position, "ladder.json", "ladder", 0.0, "dB SPL", GRID_HZ, [20.0, 20000.0],
        np.zeros(len(GRID_HZ)), rungs, compression=change, limiters=list(limiters), **changes,
    )  # fmt: skip


def _rung(gain: Law, drive: float) -> Rung:
    at, nothing = np.full(len(GRID_HZ), drive), np.zeros(len(GRID_HZ))
    yes = np.ones(len(GRID_HZ), dtype=bool)
    level = output_db(gain, at)
    band = (BAND_HZ[0] <= GRID_HZ) & (BAND_HZ[1] >= GRID_HZ)
    spl = float(10.0 * np.log10(np.mean(10.0 ** (level[band] / 10.0))))
    harmonics = {
        order: HarmonicCurve(harmonic_db(gain, at, order), nothing, yes, nothing)
        for order in (2, 3)
    }
    return Rung(
        drive, spl, 0.0, False, level, nothing, harmonics, thd_db(gain, at), nothing, nothing,
        nothing, yes, np.full(len(GRID_HZ), 2, dtype=np.int64), nothing, nothing,
    )  # fmt: skip


def clean_level(drive_dbfs: float, state: str) -> CleanLevel:
    """A limit of 1 % THD that is passed at one drive everywhere."""
    at = np.full(len(GRID_HZ), drive_dbfs)
    count = len(GRID_HZ)
    return CleanLevel(
        1.0, None, GRID_HZ, at + 110.0, at + 109.0, at + 111.0, at, at - 1.0, at + 1.0,
        [state] * count, ["thd"] * count,
    )  # fmt: skip


def results(*takes: Take) -> Results:
    return Results(
        device=Device(name="Ostrel Fen 3"),
        conditions=Conditions(distance_m=1.0, level_band_hz=BAND_HZ),
        calibration=RecordedCalibration(),
        takes=list(takes),
        resonances=[],
        background=None,
        warnings=[],
    )
