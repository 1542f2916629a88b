"""A ladder's gain against drive, finely: smooth between rungs, bent at a limiter's knee."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.comparison.filters.memory import lagging_db
from distsweep.comparison.filters.record import Curve
from distsweep.comparison.filters.static_family import StaticFamily, fit_family
from distsweep.results import TURNED_DOWN, Limiter
from distsweep.results.rung_curves import Curves
from distsweep.results.rung_step import cubic_between, slope_between
from distsweep.units import BoolArray, FloatArray

FINE_DB = 0.1
"""Drives stand so far apart (chosen: between two of them the gain runs straight, to 0.01 dB)."""

SAME_DB = 0.05
"""A drive that misses the lowest or highest played by no more counts as it (chosen: as
`results.between_rungs` does)."""

MISSED_DB = 0.06
"""What static curves may miss half-way between two rungs (chosen: a sweep's limiter is not quite at
rest, and no loudspeaker's detector follows the formula's knee to the letter)."""


@dataclass(frozen=True)
class GainCourse:
    """Gain (output minus drive), dB, at finely spaced drives: ``(D,)`` and ``(D, F)``.

    ``knee_known`` tells where static curves stand behind it, ``(F,)``; ``threshold_dbfs`` is what
    their thresholds are there, NaN elsewhere.
    """

    drives_dbfs: FloatArray
    gain: Curves
    knee_known: BoolArray
    threshold_dbfs: Curves

    def at(self, drive_dbfs: FloatArray) -> Curve:
        """Return the gain at one drive a frequency, ``(F,)``; NaN beyond what was played."""
        low, high = self.drives_dbfs[0], self.drives_dbfs[-1]
        inside = (drive_dbfs >= low - SAME_DB) & (drive_dbfs <= high + SAME_DB)
        at = np.clip(drive_dbfs, low, high)

        def read(part: FloatArray) -> FloatArray:
            return np.where(inside, looked_up(self.drives_dbfs, part, at), np.nan)

        return Curve(read(self.gain.values), read(self.gain.low), read(self.gain.high))


def gain_course(
    frequency_hz: FloatArray,
    drives_dbfs: FloatArray,
    level: Curves,
    limiters: Sequence[Limiter],
    *,
    held_ms: float | None = None,
) -> GainCourse:
    """Return the gain of a ladder at finely spaced drives.

    Parameters
    ----------
    frequency_hz : shape ``(F,)``.
    drives_dbfs : of two rungs or more, rising, ``(R,)``.
    level : the fundamental, ``(R, F)``.
    limiters : what holds the output back, each in its band.
    held_ms : their release, as far as it is known.

    Notes
    -----
    Inside a step the interval spans both rungs: nothing says where between them the gain falls.
    In a limiter's band it spans the static curves that fit the rungs, and upwards what the limiter
    may have been down yet as the ladder's own sweep passed.
    """
    gain = Curves(*(part - drives_dbfs[:, None] for part in (level.values, level.low, level.high)))
    count = 1 + round(float(np.ptp(drives_dbfs)) / FINE_DB)
    fine = np.linspace(drives_dbfs[0], drives_dbfs[-1], max(count, 2))
    values, low, high = _smooth(fine, drives_dbfs, gain)
    known = np.zeros(len(frequency_hz), dtype=bool)
    thresholds = np.full((3, len(frequency_hz)), np.nan)
    for limiter in limiters:
        if limiter.kind not in TURNED_DOWN or len(drives_dbfs) < 3:
            continue
        band = limiter.band_hz or [0.0, np.inf]
        inside = (frequency_hz >= band[0]) & (frequency_hz <= band[1])
        inside &= np.all(np.isfinite(gain.values), axis=0)
        if not inside.any():
            continue
        part = Curves(*(one[:, inside] for one in (gain.values, gain.low, gain.high)))
        sigma = np.maximum(part.high - part.low, 0.0) / 4.0  # an interval is four deviations wide
        family = fit_family(
            drives_dbfs, part.values - part.values[0], np.nan_to_num(sigma, posinf=10.0)
        )
        values[:, inside], low[:, inside], high[:, inside] = _bent(fine, drives_dbfs, part, family)
        lost = values[:1, inside] - values[:, inside]
        high[:, inside] += lagging_db(frequency_hz[inside], lost, held_ms)
        thresholds[:, inside] = family.thresholds()
        known |= inside
    return GainCourse(fine, Curves(values, low, high), known, Curves(*thresholds))


def _smooth(
    fine: FloatArray, drives: FloatArray, gain: Curves
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return cubics through the rungs, and what the two rungs beside each drive span."""
    values = _cubics(fine, drives, gain.values)
    below = np.clip(np.searchsorted(drives, fine, side="right") - 1, 0, len(drives) - 2)
    share = ((fine - drives[below]) / (drives[below + 1] - drives[below]))[:, None]
    low, high = (
        (1.0 - share) * part[below] + share * part[below + 1] for part in (gain.low, gain.high)
    )
    inside = (share > 0.0) & (share < 1.0)
    lower, upper = gain.low, gain.high
    spans_low = np.minimum(lower[below], lower[below + 1])
    spans_high = np.maximum(upper[below], upper[below + 1])
    return (
        values,
        np.where(inside, np.minimum(spans_low, values), low),
        np.where(inside, np.maximum(spans_high, values), high),
    )


def _bent(
    fine: FloatArray, drives: FloatArray, gain: Curves, family: StaticFamily
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the same by static curves and the smooth rest of the rungs."""
    count = gain.values.shape[1]
    at_rungs = family.change_db(np.broadcast_to(drives[:, None], gain.values.shape))
    at_fine = family.change_db(np.broadcast_to(fine[:, None], (len(fine), count)))
    courses = np.array(
        [own + _cubics(fine, drives, gain.values - rungs)
         for own, rungs in zip(at_fine, at_rungs, strict=True)]
    )  # fmt: skip
    below = np.clip(np.searchsorted(drives, fine, side="right") - 1, 0, len(drives) - 2)
    share = ((fine - drives[below]) / (drives[below + 1] - drives[below]))[:, None]
    down, up = (
        (1.0 - share) * part[below] + share * part[below + 1]
        for part in (gain.values - gain.low, gain.high - gain.values)
    )
    # Nothing is missed at the rungs, most half-way; and nothing where nothing is held back.
    loss = np.abs(gain.values[below + 1] - gain.values[0])
    missed = np.minimum(4.0 * share * (1.0 - share) * MISSED_DB, loss)
    return (
        np.tensordot(family.weights, courses, 1),
        np.min(courses, axis=0) - down - missed,
        np.max(courses, axis=0) + up + missed,
    )


def _cubics(fine: FloatArray, drives: FloatArray, values: FloatArray) -> FloatArray:
    """Return cubics through rungs that neither overshoot nor turn, ``(R, F)`` to ``(D, F)``.

    They are those of `distsweep.results.rung_step`; at both ends a curve is as steep as its step.
    """
    run = np.diff(drives)[:, None]
    slope = np.diff(values, axis=0) / run
    tangent = np.concatenate([slope[:1], slope_between(slope[:-1], slope[1:]), slope[-1:]])
    below = np.clip(np.searchsorted(drives, fine, side="right") - 1, 0, len(drives) - 2)
    share = ((fine - drives[below]) / (drives[below + 1] - drives[below]))[:, None]
    first, last = tangent[below] * run[below], tangent[below + 1] * run[below]
    return cubic_between(values[below], values[below + 1], first, last, share)


def looked_up(fine: FloatArray, values: FloatArray, at: FloatArray) -> FloatArray:
    """Return values of ``(D, F)``, at evenly spaced drives, at drives of ``(…, F)`` inside them."""
    place = (at - fine[0]) / (fine[-1] - fine[0]) * (len(fine) - 1)
    below = np.clip(np.nan_to_num(place).astype(int), 0, len(fine) - 2)
    share, columns = place - below, np.arange(values.shape[1])
    return np.asarray((1.0 - share) * values[below, columns] + share * values[below + 1, columns])
