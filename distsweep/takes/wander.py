"""A recorder's clock that does not run evenly, told from when the sweeps arrive, and put right.

Two clocks whose rates differ are a drift, which the markers give. A clock whose rate changes makes
all frequencies of a sweep arrive later, or earlier, than those of the sweep before, by an amount
that grows or falls smoothly with time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.takes.lags import Lags
from distsweep.units import FloatArray

LEAST_WANDER_S = 60e-6
"""Least change of lags along a sweep that is a wander (chosen: three samples at 48 kHz; lags
between sweeps of one loudspeaker change by less above 300 Hz)."""

FROM_HZ, TO_HZ = 300.0, 4000.0
"""Lags between these tell of the clock (chosen: below, a loudspeaker's delay depends on level;
above, a clock that wanders within a frame makes one period look like the next)."""

LAG_DOUBT, LAG_DOUBT_PERIODS = 0.2, 0.005
"""Doubt of a lag: the larger of the first, in samples, and the second, in periods (chosen)."""

FAR = 5.0
"""A lag that is off by so many times its doubt counts no more than that (chosen)."""

STEP_S = 0.1
"""Distance of the moments that are tried for a change of rate (chosen: 500 ppm make two samples of
it)."""

MARKER_DOUBT = 1.0
"""Doubt of the distance of the markers, in samples (chosen: a wander blurs their correlation)."""

WITHOUT_ENDS = (0.1, 0.9)
"""Lags are spread as far as these quantiles (chosen: two of twenty may be wrong)."""

FIT_ROUNDS = 5
"""Rounds in which what lies far off loses weight (chosen: two unknowns settle in three)."""

EXPLAINED = 0.15
"""A change of rate explains the lags if it leaves so small a part of their wander (chosen)."""

TAPS, BETA, STEPS = 48, 10.0, 4096
"""Length of the interpolating sinc, its Kaiser window's β, and steps a sample in which it is
tabulated (Kaiser, 1974: 100 dB, flat up to 0.43 of the rate)."""


@dataclass(frozen=True)
class Wander:
    """A clock that did not run evenly.

    Attributes
    ----------
    changes : the sample at which its rate changed once; None where it did more than that.
    rate : by how much more samples it took down from there on, per sample.
    """

    changes: float | None
    rate: float

    def straightened(self, samples: FloatArray) -> FloatArray:
        """Return a recording as the clock would have taken it down at its first rate."""
        if self.changes is None:
            return samples
        count = np.arange(len(samples), dtype=float)
        return resampled(samples, count + self.rate * np.maximum(count - self.changes, 0.0))


def find_wander(
    lags: Lags, file: int, ends: tuple[float, float], marker_lag: float | None
) -> Wander | None:
    """Return how a file's clock departs from an even one; None if it does not, or cannot be told.

    What all sweeps show alike at the same frequency is not seen.

    Parameters
    ----------
    ends : places of the start and the end marker in the recording, in samples.
    marker_lag : by how much further apart they were recorded than played; None if not known.
    """
    rows = [
        row
        for row, one in enumerate(lags.passes)
        if row and one.file == file == lags.passes[row - 1].file
    ]
    chosen = (lags.frequency_hz >= FROM_HZ) & (lags.frequency_hz <= TO_HZ)
    if not rows or np.sum(chosen) < 4:
        return None
    wander = max(float(np.ptp(np.quantile(lags.lags[row, chosen], WITHOUT_ENDS))) for row in rows)
    if wander < LEAST_WANDER_S * lags.rate_hz:
        return None
    centres = (lags.places + lags.widths // 2)[:, chosen]
    later, earlier = centres[rows].reshape(-1), centres[[row - 1 for row in rows]].reshape(-1)
    lag = lags.lags[rows][:, chosen].reshape(-1)
    of_frames = np.maximum(LAG_DOUBT, LAG_DOUBT_PERIODS * lags.rate_hz / lags.frequency_hz[chosen])
    doubt = np.tile(of_frames, len(rows))
    if marker_lag is not None:
        later, earlier = np.append(later, ends[1]), np.append(earlier, ends[0])
        lag, doubt = np.append(lag, marker_lag), np.append(doubt, MARKER_DOUBT)
    best, change = np.inf, Wander(None, 0.0)
    for place in np.arange(*ends, STEP_S * lags.rate_hz)[1:]:
        after = np.maximum(later - place, 0.0) - np.maximum(earlier - place, 0.0)
        matrix = np.stack([later - earlier, after], axis=1)
        rates, off = _fitted(matrix, lag, doubt)
        misfit = float(np.sum(np.minimum(off / doubt, FAR)))
        if misfit < best:
            # The other doubt is a lag's own: what it is off by, where most are right.
            best, most = misfit, float(np.median(off))
            explains = most < EXPLAINED * wander
            change = Wander(float(place), float(rates[1])) if explains else Wander(None, 0.0)
    return change


def _fitted(
    matrix: FloatArray, wanted: FloatArray, doubt: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the least absolute deviations' solution, by weights, and the deviations."""
    solution: FloatArray = np.zeros(matrix.shape[1])
    off: FloatArray = doubt
    for _ in range(FIT_ROUNDS):
        weights = 1.0 / np.sqrt(doubt * np.maximum(off, 0.5 * doubt))
        solution = np.asarray(
            np.linalg.lstsq(matrix * weights[:, None], wanted * weights, rcond=None)[0]
        )
        off = np.abs(wanted - matrix @ solution)
    return solution, off


def resampled(samples: FloatArray, places: FloatArray) -> FloatArray:
    """Return a signal at places between its samples, by a windowed sinc; zeros lie beyond it."""
    half = TAPS // 2
    distance = np.arange(1 - half, half + 1)[:, None] - np.linspace(0.0, 1.0, STEPS + 1)
    inside = np.sqrt(np.maximum(1.0 - (distance / half) ** 2, 0.0))
    table = np.sinc(distance) * np.i0(BETA * inside) / np.i0(BETA)
    padded = np.concatenate([np.zeros(half), samples, np.zeros(half + 1)])
    result = np.zeros(len(places))
    block = 1 << 16
    for start in range(0, len(places), block):
        part = places[start : start + block]
        whole = np.floor(part)
        within = STEPS * (part - whole)
        row = np.minimum(within.astype(np.int64), STEPS - 1)
        share = within - row
        first = np.clip(whole.astype(np.int64) + 1, 0, len(samples))
        total = result[start : start + block]
        for tap in range(TAPS):
            kernel = table[tap, row] + share * (table[tap, row + 1] - table[tap, row])
            total += kernel * padded[first + tap]
    return result
