"""The limiters that a ladder shows: one a band whose static curve is its own."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from distsweep.analysis.limits.bands import (
    HOLLOW_OCTAVES,
    SMOOTHED_POINTS,
    Band,
    broad_loss_db,
    find_bands,
    smoothed,
)
from distsweep.analysis.limits.kind import LEAST_LOSS_DB, SteadyLevels, Verdict, judge
from distsweep.analysis.noise.certainty import level_deviation_db
from distsweep.results import Compression, Limiter, Rung
from distsweep.units import BoolArray, FloatArray, IntArray, db_to_power, power_to_db

LEAST_SIGMA_DB = 0.02
"""Least uncertainty of a band's gain change (chosen: what a loudspeaker repeats itself to)."""

INDEPENDENT_POINTS = 3.0
"""Of the points that are smoothed together about so many are independent: a rung's impulse
response is cut to a window, which smooths its response already."""


def find_limiters(
    frequency_hz: FloatArray, rungs: Sequence[Rung], compression: Compression, kept: Sequence[int]
) -> list[Limiter]:
    """Judge each band of a ladder by its curve of gain change against drive.

    Parameters
    ----------
    frequency_hz : shape ``(F,)``.
    rungs : rising in drive.
    kept : indices of the rungs that count.

    Returns
    -------
    One entry a band that is held back, low frequencies first; a single one of kind "none" where
    nothing is; none at all where nothing can be told.
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
        return [Limiter("none", evidence=["no gain change stands clear of the background"])]
    bands = find_bands(frequency_hz, smooth, sigma)
    verdicts = [judge(_levels(rungs, rows, smooth, sigma, band)) for band in bands]
    pairs = list(zip(bands, verdicts, strict=True))
    acting = [(band, verdict) for band, verdict in pairs if verdict.limiter.kind != "none"]
    if not acting:
        return [Limiter("none", evidence=_nothing(frequency_hz, smooth, pairs))]
    for band, verdict in acting:
        ends = [float(frequency_hz[band.first]), float(frequency_hz[band.last])]
        verdict.limiter.band_hz = ends
    acting[0][1].limiter.evidence.append(_rest(frequency_hz, smooth, [b for b, _ in acting]))
    for (below, one), (above, _) in itertools.pairwise(acting):
        one.limiter.evidence.append(_between(frequency_hz, smooth, below, above))
    return [verdict.limiter for _, verdict in acting]


def _sigma_db(rungs: Sequence[Rung], rows: IntArray) -> FloatArray:
    """Return what the background moves the smoothed levels by, one standard deviation."""
    clear = np.array([rungs[i].fundamental_db - rungs[i].fundamental_floor_db for i in rows])
    one = level_deviation_db(np.nan_to_num(clear, nan=60.0))
    return np.asarray(one / np.sqrt(INDEPENDENT_POINTS))


def _levels(
    rungs: Sequence[Rung], rows: IntArray, smooth: FloatArray, sigma: FloatArray, band: Band
) -> SteadyLevels:
    """Return a band's gain change rung by rung, with the odd distortion that comes with it."""
    known = np.isfinite(band.change_db)
    core = smooth[:, band.core]
    odd = np.array([_odd_db(rungs[i], band.core) for i in rows])
    spread = np.array([_spread(row, noise) for row, noise in zip(core, sigma[:, band.core],
                                                                  strict=True)])  # fmt: skip
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
        return max(0.1, float(np.max(noise_db)))
    spread = 1.4826 * float(np.median(np.abs(known - np.median(known))))
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
    frequency_hz: FloatArray, smooth: FloatArray, pairs: list[tuple[Band, Verdict]]
) -> list[str]:
    """Say why nothing acts: no loss, a narrow one, or one that comes with a bent waveform."""
    texts = []
    for band, verdict in pairs:
        if verdict.bent:
            here = f"from {_ends(frequency_hz, band.first, band.last)} "
            texts += [here + text for text in verdict.limiter.evidence]
    if texts:
        return texts
    loss = broad_loss_db(frequency_hz, smooth)
    row, at = np.unravel_index(int(np.argmax(loss)), loss.shape)
    most = float(loss[row, at])
    if most < 0.05:
        return ["no third of an octave loses as much as 0.05 dB of gain at any level"]
    if most < LEAST_LOSS_DB:
        first = f"no third of an octave loses {LEAST_LOSS_DB:g} dB of gain or more"
    else:
        first = "no band loses gain together"
    return [f"{first}: the most is {most:.2f} dB, around {frequency_hz[at]:.3g} Hz"]


def _rest(frequency_hz: FloatArray, smooth: FloatArray, bands: list[Band]) -> str:
    """Say how far the limited bands reach, and what the other frequencies do."""
    top = smooth[-1]
    inside = np.zeros(len(frequency_hz), dtype=bool)
    parts = []
    for band in bands:
        inside[band.first : band.last + 1] = True
        ends = _ends(frequency_hz, band.first, band.last)
        half = _half_left(frequency_hz, top, band)
        left = "" if not half else f" (half of it is left at {' and '.join(half)})"
        parts.append(f"{ends} together, by {_change(-float(band.change_db[-1]))}{left}")
    between = np.zeros(len(frequency_hz), dtype=bool)
    between[bands[0].first : bands[-1].last + 1] = True
    rest = top[np.isfinite(top) & ~inside & ~between]
    text = f"the gain falls from {' and from '.join(parts)} at the highest drive"
    if np.sum(np.isfinite(top) & ~inside) < 5:
        return f"{text}: that is the whole band that can be judged"
    if len(rest) < 5:
        return text
    return f"{text}; the rest changes by {_change(float(np.median(rest)))} in the median"


def _half_left(frequency_hz: FloatArray, top: FloatArray, band: Band) -> list[str]:
    """Return the frequencies beside a band at which half of its loss is left, if any."""
    half = 0.5 * float(band.change_db[-1])
    below = np.flatnonzero(top[: band.first] > half)
    above = np.flatnonzero(top[band.last + 1 :] > half)
    at = ([int(below[-1])] if len(below) else []) + (
        [band.last + 1 + int(above[0])] if len(above) else []
    )
    return [f"{frequency_hz[i]:.0f} Hz" for i in at]


def _between(frequency_hz: FloatArray, smooth: FloatArray, below: Band, above: Band) -> str:
    """Say what lies between two bands; a crossover's blend loses gain all over, if less."""
    ends = _ends(frequency_hz, below.last, above.first)
    top = smooth[-1, below.last : above.first + 1]
    known = top[np.isfinite(top)]
    low, high = _change(float(np.min(known))), _change(float(np.max(known)))
    text = f"from {ends} the gain changes by {low} to {high} at the highest drive"
    if np.max(known) > -LEAST_LOSS_DB:
        return f"{text}: some of it loses next to nothing, and it is given to neither"
    text += ": where the outputs of two bands add it is a blend of both, and it is given to neither"
    if np.log2(frequency_hz[above.first] / frequency_hz[below.last]) >= HOLLOW_OCTAVES:
        text += "; a further limiter between them would not be told apart from that"
    return text


def _ends(frequency_hz: FloatArray, first: int, last: int) -> str:
    return f"{frequency_hz[first]:.0f} to {frequency_hz[last]:.0f} Hz"


def _change(value_db: float) -> str:
    return f"{round(value_db, 1) + 0.0:.1f} dB".replace("-", "−")  # no negative zero
