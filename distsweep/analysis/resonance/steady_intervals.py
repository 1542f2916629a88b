"""Intervals of a ladder's harmonics that hold what a steady tone would show beside a mode."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from distsweep.analysis.noise.interval import is_reliable
from distsweep.analysis.resonance.steady import SteadyChange
from distsweep.analysis.sweep.harmonics import SweptHarmonics
from distsweep.analysis.sweep.intervals import with_ends
from distsweep.analysis.third_octave import octave_bands
from distsweep.results import HarmonicCurve, Rung, Smoothed, SmoothedLevel
from distsweep.units import BoolArray, FloatArray, db_to_power, power_to_db


def holding_steady(
    rungs: Sequence[Rung], harmonics: SweptHarmonics, change: SteadyChange
) -> list[Rung]:
    """Return rungs whose intervals of harmonics and THD reach as far as steady tones may lie.

    Powers add: each end moves by what a steady tone's power may lie beyond the swept one. Levels
    stay what the sweep shows.

    Parameters
    ----------
    rungs : with the intervals that noise leaves.
    harmonics : of these rungs.
    change : what a steady tone may change.
    """
    fundamental = np.abs(harmonics.values[0]) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):  # a rung may be silent to the last bit
        lower = np.minimum(change.low, 0.0) / fundamental
        higher = np.maximum(change.high, 0.0) / fundamental
    return [
        _rung(rung, lower[:, row], higher[:, row], harmonics.frequency_hz)
        for row, rung in enumerate(rungs)
    ]


def _rung(rung: Rung, lower: FloatArray, higher: FloatArray, frequency_hz: FloatArray) -> Rung:
    """Widen one rung's intervals; ``lower`` and ``higher`` are powers, shape ``(order, F)``."""
    curves = {n: _curve(curve, lower[n - 1], higher[n - 1]) for n, curve in rung.harmonics.items()}
    known = [n - 1 for n, curve in curves.items() if np.any(np.isfinite(curve.level_db))]
    total_low, total_high = np.sum(lower[known], axis=0), np.sum(higher[known], axis=0)
    thd_low_db, thd_high_db = _moved(rung.thd_low_db, rung.thd_high_db, total_low, total_high)
    smoothed = [
        _smoothed(one, lower, higher, known, octave_bands(frequency_hz, one.bands_per_octave)[1])
        for one in rung.smoothed
    ]
    return with_ends(
        rung,
        harmonics=curves,
        thd_low_db=thd_low_db,
        thd_high_db=thd_high_db,
        smoothed=smoothed,
    )


def _curve(curve: HarmonicCurve, lower: FloatArray, higher: FloatArray) -> HarmonicCurve:
    low_db, high_db = _moved(curve.low_db, curve.high_db, lower, higher)
    reliable = curve.reliable & is_reliable(low_db, high_db)
    return replace(curve, low_db=low_db, high_db=high_db, reliable=reliable)


def _smoothed(
    smooth: Smoothed, lower: FloatArray, higher: FloatArray, known: list[int], bands: BoolArray
) -> Smoothed:
    """Widen a smoothed rung's intervals by the means over its bands."""
    share = bands.T / np.sum(bands, axis=1)
    low, high = lower @ share, higher @ share
    return replace(
        smooth,
        thd=_level(smooth.thd, np.sum(low[known], axis=0), np.sum(high[known], axis=0)),
        harmonics={n: _level(one, low[n - 1], high[n - 1]) for n, one in smooth.harmonics.items()},
    )


def _level(level: SmoothedLevel, lower: FloatArray, higher: FloatArray) -> SmoothedLevel:
    low_db, high_db = _moved(level.low_db, level.high_db, lower, higher)
    return replace(level, low_db=low_db, high_db=high_db)


def _moved(
    low_db: FloatArray, high_db: FloatArray, lower: FloatArray, higher: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the ends of an interval after a power is added to each; nothing at least."""
    return (
        np.where(lower < 0.0, power_to_db(np.maximum(db_to_power(low_db) + lower, 0.0)), low_db),
        np.where(higher > 0.0, power_to_db(db_to_power(high_db) + higher), high_db),
    )
