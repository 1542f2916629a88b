"""Voice-coil heating: slow sagging of the gain, and the temperature that it implies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.analysis.narrowing import Axis, narrowed_minimum
from distsweep.analysis.tone.gain_in_time import GainHistory
from distsweep.units import BoolArray, FloatArray, db_to_ratio, ratio_to_db

COPPER_PER_K = 0.00393
"""Temperature coefficient of copper's resistance at 20 °C (IACS annealed; IEC 60028)."""

REFERENCE_C = 20.0
"""Temperature that the coefficient is stated at (IEC 60028)."""

SLOWEST_S, FASTEST_S = 60.0, 0.7
"""Time constants looked for (chosen around what voice coils show, 1 to 30 s)."""

FIRST_GRID, LATER_GRIDS = 41, (9, 9, 9)
"""Values of the time constant that are tried, ever closer together (chosen: the last step is
0.2 %)."""

RIDGE = 1e-11
"""Where two columns of the fit say the same, this share of all shares between them (chosen: far
above rounding, far below what a measured level tells)."""

LEAST_RATIO = 1e-3
"""Least ratio of resistances that is turned into decibels (chosen: no coil comes near it)."""

LEAST_PIECES = 8
"""So many pieces of a recording show a sag (chosen: a few more than the numbers fitted)."""


def resistance_ratio(temperature_rise_k: float, *, from_c: float = REFERENCE_C) -> float:
    """Return how much a copper coil's resistance grows with its temperature.

    R(T) = R₂₀·(1 + α₂₀·(T − 20 °C)), so from T₁ the ratio is 1 + α₂₀·ΔT/(1 + α₂₀·(T₁ − 20)).
    """
    alpha = COPPER_PER_K / (1.0 + COPPER_PER_K * (from_c - REFERENCE_C))
    return 1.0 + alpha * temperature_rise_k


def thermal_loss_db(temperature_rise_k: float, *, from_c: float = REFERENCE_C) -> float:
    """Return the loss of level at constant voltage where the impedance is the coil's resistance.

    20·log10 of the resistance ratio. Where the motion's impedance adds to it, near a
    resonance, less is lost.
    """
    return float(ratio_to_db(resistance_ratio(temperature_rise_k, from_c=from_c)))


def temperature_rise_k(loss_db: float, *, from_c: float = REFERENCE_C) -> float:
    """Return the rise of a copper coil's temperature that a loss of level implies.

    The inverse of ``thermal_loss_db``, with its assumption: an estimate, and near a resonance
    too low.
    """
    alpha = COPPER_PER_K / (1.0 + COPPER_PER_K * (from_c - REFERENCE_C))
    return (float(db_to_ratio(loss_db)) - 1.0) / alpha


@dataclass(frozen=True)
class ThermalFit:
    """A sag that follows the power with one time constant.

    Attributes
    ----------
    depth_db : what the loudest level takes in the long run, positive.
    seen_db : the largest sag that was reached in the recording.
    time_constant_s : of the sag.
    rms_db, plain_rms_db : misfit with and without the sag.
    sag_db : fitted sag in each piece, negative, shape ``(P,)``.
    middle_s : the pieces' middles.
    """

    depth_db: float
    seen_db: float
    time_constant_s: float
    rms_db: float
    plain_rms_db: float
    sag_db: FloatArray
    middle_s: FloatArray


def fit_thermal(history: GainHistory) -> ThermalFit | None:
    """Fit the sag of a coil that is heated by the power of the tone.

    The heat follows the power with one time constant. Three shapes are tried, and the best
    kept: the gain in dB falls with the heat; or the resistance, the inverse of the gain,
    grows with it; or that, and the power falls as the resistance grows. A gain that follows
    the level at once, as a driver's stiffening does, stands beside it in the fit as a term
    in the power, and what heat was there at the start as a decaying one. For any time
    constant the rest is linear least squares; so only that is searched.

    Returns
    -------
    None where there are fewer than `LEAST_PIECES` pieces.

    Notes
    -----
    ``depth_db`` is where the fitted exponential leads. From a hold shorter than the time
    constant it is mostly extrapolated: compare it with ``seen_db``.
    """
    known = np.isfinite(history.gain_db)
    if np.sum(known) < LEAST_PIECES:
        return None
    instant = _power(history, known, feeds_back=False)
    fits = []
    for in_db, feeds_back in ((True, False), (False, False), (False, True)):
        power = _power(history, known, feeds_back=feeds_back)
        law = _Law(history, known, instant[:, None], in_db=in_db, power=power)
        fits.append(law.fit(feeds_back=feeds_back))
    return min(fits, key=lambda fit: fit.rms_db)


def fit_thermal_behind_limiter(history: GainHistory) -> ThermalFit | None:
    """Fit the sag of a coil behind a limiter, from pieces in which the limiter has settled.

    Every drive has an instant gain of its own, whatever the limiter makes of it; the sag is
    what moves beside it. The coil is heated by the output, which the limiter has reduced;
    the sag is taken to be in dB. ``depth_db`` belongs to the loudest output.

    Returns
    -------
    None when there are too few pieces, or no drive was held in two of them.
    """
    known = np.isfinite(history.gain_db)
    drives, counts = np.unique(history.drive_dbfs[known], return_counts=True)
    if np.sum(known) < len(drives) + LEAST_PIECES or np.max(counts) < 2:
        return None
    instant = (history.drive_dbfs[:, None] == drives[1:]).astype(float)
    filled_db = np.interp(np.arange(len(known)), np.flatnonzero(known), history.gain_db[known])
    # A drive's own pieces tell its gain best: those of a burst stand for its unsettled start.
    for drive in drives:
        same = known & (history.drive_dbfs == drive)
        filled_db[history.drive_dbfs == drive] = np.mean(history.gain_db[same])
    output_db = history.drive_dbfs + filled_db
    power = db_to_ratio(2.0 * (output_db - np.max(output_db)))
    return _Law(history, known, instant, in_db=True, power=power).fit()


def _power(history: GainHistory, known: BoolArray, *, feeds_back: bool) -> FloatArray:
    """Return the heating power re that of the loudest drive into the cold coil."""
    power = db_to_ratio(2.0 * (history.drive_dbfs - np.max(history.drive_dbfs)))
    if feeds_back:
        gain_db = np.interp(np.arange(len(known)), np.flatnonzero(known), history.gain_db[known])
        power = power * db_to_ratio(gain_db - gain_db[0])
    return np.asarray(power)


class _Law:
    """One law from heat to gain, ready to be fitted for any time constant."""

    def __init__(
        self,
        history: GainHistory,
        known: BoolArray,
        instant: FloatArray,
        *,
        in_db: bool,
        power: FloatArray,
    ) -> None:
        """Take what the gain follows at once, ``(P, I)``, and the heating power, ``(P,)``."""
        self._history, self._known, self._in_db = history, known, in_db
        self._instant, self._power = instant, power
        gain_db = history.gain_db[known]
        change_db = gain_db - gain_db[0]
        # The quantity that the heat adds to: the loss in dB, or the resistance ratio.
        self._values = -change_db if in_db else db_to_ratio(-change_db)
        slope = 1.0 if in_db else np.log(10.0) / 20.0 * self._values
        self._sigma = history.sigma_db[known] * slope
        self._middle_s = 0.5 * (history.start_s + history.end_s)

    def fit(self, *, feeds_back: bool = False) -> ThermalFit:
        """Search the time constant, and describe the sag in decibels."""

        def misfits(logarithms: FloatArray) -> FloatArray:
            return self._solved(self._columns(np.exp(logarithms)))[1]

        ends = np.log(FASTEST_S), np.log(SLOWEST_S)
        axis = Axis(np.linspace(*ends, FIRST_GRID), LATER_GRIDS, lowest=ends[0], highest=ends[1])
        time_constant_s = float(np.exp(narrowed_minimum(misfits, axis).place[0]))
        tried = self._columns(np.array([time_constant_s]))
        columns, found = tried[0], self._solved(tried)[0][0]
        sag_db, depth_db, misfit_db = self._in_decibels(columns, found, feeds_back=feeds_back)
        _, plain_misfit = self._solved(tried[:, :, :-2])
        weight = 1.0 / self._history.sigma_db[self._known] ** 2
        return ThermalFit(
            depth_db=depth_db,
            seen_db=-float(np.min(sag_db[self._known])),
            time_constant_s=time_constant_s,
            rms_db=float(np.sqrt(np.sum(weight * misfit_db**2) / np.sum(weight))),
            plain_rms_db=float(np.sqrt(plain_misfit[0] / np.sum(weight))),
            sag_db=sag_db,
            middle_s=self._middle_s,
        )

    def _in_decibels(
        self, columns: FloatArray, found: FloatArray, *, feeds_back: bool
    ) -> tuple[FloatArray, float, FloatArray]:
        """Return the sag of each piece, where it leads, and what the fit misses."""
        cold, deep = float(found[0]), float(found[-2])
        fitted = (columns @ found)[self._known]
        sag = columns[:, -2:] @ found[-2:]
        if self._in_db:
            return -sag, deep, fitted - self._values
        ratio = 1.0 + deep / cold
        if feeds_back:  # ratio = 1 + deep/ratio: the power falls as it grows
            ratio = 0.5 + 0.5 * float(np.sqrt(max(1.0 + 4.0 * deep / cold, 0.0)))
        return (
            -np.asarray(ratio_to_db(np.maximum(1.0 + sag / cold, LEAST_RATIO))),
            float(ratio_to_db(max(ratio, LEAST_RATIO))),
            np.asarray(ratio_to_db(np.maximum(fitted, LEAST_RATIO) / self._values)),
        )

    def _solved(self, columns: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return coefficients, one row a time constant, and the squared misfits."""
        basis = columns[:, self._known] / self._sigma[:, None]
        values = self._values / self._sigma
        normal = basis.transpose(0, 2, 1) @ basis
        count = basis.shape[2]
        ridge = RIDGE * np.trace(normal, axis1=1, axis2=2)
        normal += ridge[:, None, None] * np.eye(count)
        found = np.linalg.solve(normal, (basis.transpose(0, 2, 1) @ values)[..., None])[..., 0]
        miss = (basis @ found[..., None])[..., 0] - values
        return found, np.sum(miss**2, axis=1)

    def _columns(self, taus: FloatArray) -> FloatArray:
        """Return [1, instant …, heat, cooling] for each time constant, ``(T, P, I + 3)``."""
        duration = self._history.end_s - self._history.start_s
        keep = np.exp(-duration[:, None] / taus)
        share = (1.0 - keep) * taus / duration[:, None]
        columns = np.ones((len(taus), len(duration), self._instant.shape[1] + 3))
        columns[:, :, 1:-2] = self._instant
        level = np.zeros(len(taus))
        for i, power in enumerate(self._power):
            # The mean over the piece of an exponential that starts at the level reached.
            columns[:, i, -2] = power + (level - power) * share[i]
            level = power + (level - power) * keep[i]
        columns[:, :, -1] = np.exp(-self._middle_s / taus[:, None])
        return columns
