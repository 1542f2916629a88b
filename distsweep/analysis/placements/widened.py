"""Intervals of a ladder that hold what putting the microphone back changes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from distsweep.analysis.noise.interval import is_reliable
from distsweep.analysis.sweep.intervals import wider
from distsweep.results import HarmonicCurve, Rung, Smoothed, SmoothedLevel
from distsweep.results.reproducibility import PlaceDeviation, PlaceSpread, Reproducibility
from distsweep.units import FloatArray


def with_reproducibility(rungs: Sequence[Rung], found: Reproducibility) -> list[Rung]:
    """Return rungs of a placement whose intervals hold the mean over placements.

    Both are independent: distances from value to end add as squares with the half-width of
    `distsweep.analysis.placements.spread`. A value is reliable then where the wider interval is
    narrow enough; gain changes, which are of one placement, stay as they are.

    Parameters
    ----------
    rungs : of a take that ``found`` belongs to, with the intervals that noise leaves.
    """
    single = found.of(None)
    return list(rungs) if single is None else [_rung(rung, single, found) for rung in rungs]


def _rung(rung: Rung, single: PlaceSpread, found: Reproducibility) -> Rung:
    level = _ends(
        rung.fundamental_db, rung.fundamental_low_db, rung.fundamental_high_db, single.level
    )
    thd = _ends(rung.thd_db, rung.thd_low_db, rung.thd_high_db, single.thd)
    smoothed = [_smoothed(one, found.of(one.bands_per_octave)) for one in rung.smoothed]
    thirds = next((one.thd for one in smoothed if one.bands_per_octave == 3), None)
    averages = rung.thd_third_octave
    if averages is not None and thirds is not None:
        averages = replace(averages, low_db=thirds.low_db, high_db=thirds.high_db)
    return replace(
        rung,
        fundamental_low_db=level[0],
        fundamental_high_db=level[1],
        harmonics={n: _curve(one, single.harmonics.get(n)) for n, one in rung.harmonics.items()},
        thd_low_db=thd[0],
        thd_high_db=thd[1],
        thd_reliable=rung.thd_reliable & is_reliable(*thd),
        thd_third_octave=averages,
        smoothed=smoothed,
    )


def _curve(curve: HarmonicCurve, place: PlaceDeviation | None) -> HarmonicCurve:
    low_db, high_db = _ends(curve.level_db, curve.low_db, curve.high_db, place)
    reliable = curve.reliable & is_reliable(low_db, high_db)
    return replace(curve, low_db=low_db, high_db=high_db, reliable=reliable)


def _smoothed(smooth: Smoothed, spread: PlaceSpread | None) -> Smoothed:
    if spread is None:
        return smooth
    return replace(
        smooth,
        fundamental=_averages(smooth.fundamental, spread.level),
        thd=_averages(smooth.thd, spread.thd),
        harmonics={
            n: _averages(one, spread.harmonics.get(n)) for n, one in smooth.harmonics.items()
        },
    )


def _averages(level: SmoothedLevel, place: PlaceDeviation | None) -> SmoothedLevel:
    low_db, high_db = _ends(level.level_db, level.low_db, level.high_db, place)
    return replace(level, low_db=low_db, high_db=high_db)


def _ends(
    level_db: FloatArray, low_db: FloatArray, high_db: FloatArray, place: PlaceDeviation | None
) -> tuple[FloatArray, FloatArray]:
    """Return the ends of intervals after a placement's half-width is added, where it is known."""
    if place is None:
        return low_db, high_db
    by_db = np.nan_to_num(place.half_width_db)
    _, low_db, high_db = wider((level_db, low_db, high_db), by_db)
    return low_db, high_db
