"""Intervals of a ladder that hold what putting the microphone back changes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from distsweep.analysis.noise.interval import is_reliable
from distsweep.analysis.sweep.intervals import wider, with_ends
from distsweep.results import CleanLevel, HarmonicCurve, Rung, Smoothed, SmoothedLevel
from distsweep.results.reproducibility import THIRDS, PlaceDeviation, PlaceSpread, Reproducibility
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
    return [_rung(rung, found, wider) for rung in rungs]


def clean_levels_with_reproducibility(
    each: Sequence[CleanLevel], thirds: Sequence[CleanLevel], found: Reproducibility
) -> tuple[list[CleanLevel], list[CleanLevel]]:
    """Return clean levels, at single frequencies and over thirds, with their levels' placements.

    What placements leave open of THD is in them already: they were read off wider intervals. Levels
    that were not reached are known as far as the level played is.
    """
    spreads = found.of(None), found.of(THIRDS)
    moved = [
        [one if spread is None else _clean_level(one, spread.level) for one in levels]
        for levels, spread in zip((each, thirds), spreads, strict=True)
    ]
    return moved[0], moved[1]


def _clean_level(clean: CleanLevel, place: PlaceDeviation) -> CleanLevel:
    by_db = np.nan_to_num(place.half_width_db)
    ends = clean.level_db - clean.low_db, clean.high_db - clean.level_db
    down, up = (np.where(np.isfinite(away), np.hypot(away, by_db) - away, by_db) for away in ends)
    return replace(clean, low_db=clean.low_db - down, high_db=clean.high_db + up)


def in_one_placement(rungs: Sequence[Rung], found: Reproducibility) -> list[Rung]:
    """Return rungs with the intervals that noise leaves: what `with_reproducibility` undone gives.

    Of results read from a file they are right to 0.05 dB (√(2·10·1e-4): a file holds 1e-4 dB, and
    no half-width that matters is above 10 dB). What is reliable stays as it was found.
    """
    return [_rung(rung, found, _narrower) for rung in rungs]


Curve = tuple[FloatArray, FloatArray, FloatArray]
"""Values and the ends of their intervals, dB."""

Change = Callable[[Curve, FloatArray], Curve]
"""Makes intervals of others, by a half-width."""


def _narrower(interval: Curve, by_db: FloatArray) -> Curve:
    level, low, high = interval
    with np.errstate(invalid="ignore"):
        down, up = (
            np.sqrt(np.maximum(away**2 - by_db**2, 0.0)) for away in (level - low, high - level)
        )
        return (
            level,
            np.where(np.isfinite(low), level - down, low),
            np.where(np.isfinite(level), level + up, high - by_db),
        )


def _rung(rung: Rung, found: Reproducibility, change: Change) -> Rung:
    single = found.of(None)
    if single is None:
        return rung
    level = _ends(
        (rung.fundamental_db, rung.fundamental_low_db, rung.fundamental_high_db),
        single.level,
        change,
    )
    thd = _ends((rung.thd_db, rung.thd_low_db, rung.thd_high_db), single.thd, change)
    smoothed = [_smoothed(one, found.of(one.bands_per_octave), change) for one in rung.smoothed]
    curves = {n: _curve(one, single.harmonics.get(n), change) for n, one in rung.harmonics.items()}
    changed = with_ends(
        rung, harmonics=curves, thd_low_db=thd[0], thd_high_db=thd[1], smoothed=smoothed
    )
    return replace(changed, fundamental_low_db=level[0], fundamental_high_db=level[1])


def _curve(curve: HarmonicCurve, place: PlaceDeviation | None, change: Change) -> HarmonicCurve:
    low_db, high_db = _ends((curve.level_db, curve.low_db, curve.high_db), place, change)
    reliable = curve.reliable & is_reliable(low_db, high_db)
    return replace(curve, low_db=low_db, high_db=high_db, reliable=reliable)


def _smoothed(smooth: Smoothed, spread: PlaceSpread | None, change: Change) -> Smoothed:
    if spread is None:
        return smooth

    def averages(level: SmoothedLevel, place: PlaceDeviation | None) -> SmoothedLevel:
        ends = _ends((level.level_db, level.low_db, level.high_db), place, change)
        return replace(level, low_db=ends[0], high_db=ends[1])

    return replace(
        smooth,
        fundamental=averages(smooth.fundamental, spread.level),
        thd=averages(smooth.thd, spread.thd),
        harmonics={
            n: averages(one, spread.harmonics.get(n)) for n, one in smooth.harmonics.items()
        },
    )


def _ends(
    curve: Curve, place: PlaceDeviation | None, change: Change
) -> tuple[FloatArray, FloatArray]:
    """Return the ends of intervals changed by a placement's half-width, where that is known."""
    if place is None:
        return curve[1:]
    _, low_db, high_db = change(curve, np.nan_to_num(place.half_width_db))
    return low_db, high_db
