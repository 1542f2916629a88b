"""The limiters that a ladder shows: one a band whose static curve is its own."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from distsweep.analysis.limits.bands import (
    HOLLOW_OCTAVES,
    SMOOTHED_POINTS,
    Band,
    broad_loss_db,
    find_bands,
    smoothed,
)
from distsweep.analysis.limits.limiter_kind import (
    LEAST_LOSS_DB,
    Classified,
    FoundLimiter,
    SteadyLevels,
    classify,
    known_within_db,
    uncertainty_db,
)
from distsweep.analysis.noise.certainty import DEVIATION_OF_MEDIAN
from distsweep.reason import Reason
from distsweep.results import Compression, Rung
from distsweep.units import BoolArray, FloatArray, IntArray, db_to_power, power_to_db

LEAST_SIGMA_DB = 0.02
"""Least uncertainty of a band's gain change (chosen: what a loudspeaker repeats itself to)."""

INDEPENDENT_POINTS = 3.0
"""Of the points that are smoothed together about so many are independent (chosen: a third of them;
a rung's impulse response is cut to a window, which smooths its response already)."""

FEW_POINTS_SIGMA_DB = 0.1
"""Uncertainty of a median over one or two points (chosen: they tell nothing of their spread)."""

LEAST_POINTS = 5
"""Of fewer frequencies nothing is said (chosen: they are half of what is smoothed together)."""

NO_LOSS_DB = 0.05
"""A loss below this is none (chosen: a tenth of an onset)."""


def find_limiters(
    frequency_hz: FloatArray, rungs: Sequence[Rung], compression: Compression, kept: Sequence[int]
) -> list[FoundLimiter]:
    """Judge each band of a ladder by its curve of gain change against drive.

    Parameters
    ----------
    frequency_hz : shape ``(F,)``.
    rungs : rising in drive.
    kept : indices of the rungs that count.

    Returns
    -------
    One entry a band that is held back, low frequencies first; a single one of kind "none" where
    nothing is; none at all where nothing can be said.
    """
    if compression.reference_drive_dbfs is None:
        return []
    least_dbfs = compression.reference_drive_dbfs - 1e-9
    rows = np.array([i for i in kept if rungs[i].drive_dbfs >= least_dbfs], dtype=int)
    if len(rows) < 2:
        return []
    change = np.array([compression.gain_change_db[i] for i in rows])
    smooth, sigma = smoothed(change), _sigma_db(rungs, rows)
    if not np.any(np.isfinite(smooth[-1])):
        return [FoundLimiter("none", reasons=(Reason("no_gain_change_clear"),))]
    bands = find_bands(frequency_hz, smooth, sigma)
    judged = [(band, classify(_levels(rungs, rows, smooth, sigma, band))) for band in bands]
    acting = [(band, one.limiter) for band, one in judged if one.limiter.kind != "none"]
    if not acting:
        return [FoundLimiter("none", reasons=_nothing(frequency_hz, smooth, sigma, judged))]
    limited = [band for band, _ in acting]
    more: list[list[Reason]] = [[] for _ in acting]
    more[0].append(_bands_fall(frequency_hz, smooth, limited))
    for place, (below, above) in enumerate(itertools.pairwise(limited)):
        more[place].append(_between(frequency_hz, smooth, below, above))
    return [
        replace(
            limiter,
            band_hz=[float(frequency_hz[band.first]), float(frequency_hz[band.last])],
            reasons=(*limiter.reasons, *added),
        )
        for (band, limiter), added in zip(acting, more, strict=True)
    ]


def _sigma_db(rungs: Sequence[Rung], rows: IntArray) -> FloatArray:
    """Return what the background moves the smoothed levels by, one standard deviation."""
    clear = np.array([rungs[i].fundamental_db - rungs[i].fundamental_floor_db for i in rows])
    return np.asarray(uncertainty_db(clear) / np.sqrt(INDEPENDENT_POINTS))


def _levels(
    rungs: Sequence[Rung], rows: IntArray, smooth: FloatArray, sigma: FloatArray, band: Band
) -> SteadyLevels:
    """Return a band's gain change rung by rung, with the odd distortion that comes with it."""
    known = np.isfinite(band.change_db)
    core = smooth[:, band.core]
    odd = np.array([_odd_db(rungs[i], band.core) for i in rows])
    spread = np.array([_spread(*row) for row in zip(core, sigma[:, band.core], strict=True)])
    return SteadyLevels(
        drive_dbfs=np.array([rungs[i].drive_dbfs for i in rows])[known],
        gain_change_db=band.change_db[known],
        sigma_db=np.maximum(spread[known], LEAST_SIGMA_DB),
        odd_db=odd[known],
        crest_db=np.full(int(np.sum(known)), np.nan),
        order=max((n for i in rows for n in rungs[i].harmonics), default=1),
        claimed_db=smooth[known, band.first : band.last + 1],
    )


def _spread(values: FloatArray, noise_db: FloatArray) -> float:
    """Return the median's uncertainty from the spread over frequency, or from the noise."""
    known = values[np.isfinite(values)]
    if len(known) < 3:
        return max(FEW_POINTS_SIGMA_DB, float(np.max(noise_db)))
    spread = DEVIATION_OF_MEDIAN * float(np.median(np.abs(known - np.median(known))))
    return spread / float(np.sqrt(max(len(known) / SMOOTHED_POINTS, 1.0)))


def _odd_db(rung: Rung, core: BoolArray) -> float:
    """Return the median odd distortion of a rung, re the fundamental; −inf where none shows."""
    power = np.zeros(int(np.sum(core)))
    for order, curve in rung.harmonics.items():
        if order % 2:
            heard = curve.reliable[core]
            power += np.where(heard, db_to_power(curve.level_db[core]), 0.0)
    return float(power_to_db(np.median(power)))


def _nothing(
    frequency_hz: FloatArray,
    smooth: FloatArray,
    sigma: FloatArray,
    pairs: list[tuple[Band, Classified]],
) -> tuple[Reason, ...]:
    """Say why nothing acts: no loss, a narrow one, or one that comes with a bent waveform."""
    bent = tuple(
        Reason(
            "in_band",
            band_low_hz=float(frequency_hz[band.first]),
            band_high_hz=float(frequency_hz[band.last]),
            of=reason.code,
            **reason.values,
        )
        for band, found in pairs
        if found.bent
        for reason in found.limiter.reasons
    )
    if bent:
        return bent
    loss = broad_loss_db(frequency_hz, smooth)
    row, at = np.unravel_index(int(np.argmax(loss)), loss.shape)
    most_db = float(loss[row, at])
    if most_db < NO_LOSS_DB:
        return (Reason("no_loss", least_db=NO_LOSS_DB),)
    code = "no_onset" if most_db < LEAST_LOSS_DB else "no_band_falls_together"
    at_hz = float(frequency_hz[at])
    within_db = float(known_within_db(sigma[row, at], sigma[0, at]))
    return (
        Reason(code, loss_db=most_db, within_db=within_db, at_hz=at_hz, onset_db=LEAST_LOSS_DB),
    )


def _bands_fall(frequency_hz: FloatArray, smooth: FloatArray, bands: list[Band]) -> Reason:
    """Say how far the limited bands reach, and what the other frequencies do."""
    top = smooth[-1]
    inside = np.zeros(len(frequency_hz), dtype=bool)
    for band in bands:
        inside[band.first : band.last + 1] = True
    spanned = np.zeros(len(frequency_hz), dtype=bool)
    spanned[bands[0].first : bands[-1].last + 1] = True
    rest = top[np.isfinite(top) & ~inside & ~spanned]
    half = [_half_left_hz(frequency_hz, top, band) for band in bands]
    return Reason(
        "bands_fall",
        low_hz=[float(frequency_hz[band.first]) for band in bands],
        high_hz=[float(frequency_hz[band.last]) for band in bands],
        loss_db=[-float(band.change_db[-1]) for band in bands],
        half_left_below_hz=[below for below, _ in half],
        half_left_above_hz=[above for _, above in half],
        covers_all=bool(np.sum(np.isfinite(top) & ~inside) < LEAST_POINTS),
        rest_change_db=float(np.median(rest)) if len(rest) >= LEAST_POINTS else None,
    )


def _half_left_hz(frequency_hz: FloatArray, top: FloatArray, band: Band) -> tuple[float, float]:
    """Return the frequencies below and above a band at which half of its loss is left, or NaN."""
    half = 0.5 * float(band.change_db[-1])
    below = np.flatnonzero(top[: band.first] > half)
    above = np.flatnonzero(top[band.last + 1 :] > half)
    return (
        float(frequency_hz[below[-1]]) if len(below) else np.nan,
        float(frequency_hz[band.last + 1 + above[0]]) if len(above) else np.nan,
    )


def _between(frequency_hz: FloatArray, smooth: FloatArray, below: Band, above: Band) -> Reason:
    """Say what lies between two bands; a crossover's blend loses gain all over, if less."""
    low_hz, high_hz = float(frequency_hz[below.last]), float(frequency_hz[above.first])
    top = smooth[-1, below.last : above.first + 1]
    known = top[np.isfinite(top)]
    code = "between_bands_blend"
    if np.max(known) > -LEAST_LOSS_DB:
        code = "between_bands_no_loss"
    elif np.log2(high_hz / low_hz) >= HOLLOW_OCTAVES:
        code = "between_bands_wide_blend"
    return Reason(
        code,
        low_hz=low_hz,
        high_hz=high_hz,
        lowest_db=float(np.min(known)),
        highest_db=float(np.max(known)),
    )
