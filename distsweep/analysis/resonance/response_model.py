"""The responses of all takes around a pole, as they would be without it, and the pole's best fit.

Without a mode, the response around a frequency is smooth S times what is reflected, 1 + R. S is a
Gaussian process over log frequency: what the loudspeaker does at once, and poles of low Q. R is
one whose covariance over frequency is the Fourier transform of the reflected power against delay,
which each take's impulse response gives. With a mode, everything passes 1 + ρT, T being the pole:
divided by that, a response looks as without one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from distsweep.analysis.resonance.arrivals import WINDOW_S, Spectrum, counted_share
from distsweep.analysis.resonance.mode import HIGHEST_HZ
from distsweep.analysis.resonance.pole_fit import MOST_RATIO, PoleFit
from distsweep.analysis.resonance.response_band import (
    POINTS,
    REACH_OCTAVES,
    Band,
    Mode,
    pole,
    smooth_covariance,
)
from distsweep.analysis.sweep.grid import POINTS_PER_OCTAVE
from distsweep.units import ComplexArray, FloatArray, db_to_ratio

ERROR = 1e-4
"""Power of what this model leaves out: −40 dB (chosen: responses are read to 0.1 dB)."""

GAINS = (1.0, 8.0, 64.0)
"""Reflected power may be so many times what is measured, whatever suits the response best, with a
mode and without (chosen: lone reflections are up to 12 dB above the median over bands, lone modes
of a room up to 18 dB)."""

BAND_STEPS = 8
"""Candidates on so many steps of the grid share one stretch of the response (chosen: a sixth of
an octave, so that none lies near its end)."""

ZERO_QS = 1.5 * 2.0 ** np.arange(6.0)
"""Dividing by 1 + ρT puts a zero where the pole was, and the pole at Q/(1 + ρ), which is tried
here (chosen: Q 8 with 15 dB has 1.4, Q 60 with 4 dB has 38)."""

STARTS = np.array([0.0, 3.0, -0.5 + 2.5j, -0.5 - 2.5j])
"""Values of ρ from which its best is looked for (chosen: a mode turned by a quarter of a period to
either side makes a null beside its peak, another valley)."""

START_WIDTHS, START_QS = np.array([-0.3, 0.0, 0.3]), np.array([0.6, 1.3])
"""A fit starts from frequencies so many bandwidths aside and Qs so many times a candidate's, the
likeliest of these (chosen: a fit reaches from one to the next)."""

_ROUNDS = 6
"""Steps of Gauss and Newton's method (chosen: more move no ρ by a hundredth)."""

DELAYS_PERIODS = np.geomspace(1.0, WINDOW_S * HIGHEST_HZ, 400)
"""Where reflected power is summed up, in periods (chosen: 1.9 % apart; sooner it is the
loudspeaker's)."""

_RATIOS = np.linspace(2.0**-REACH_OCTAVES, 2.0**REACH_OCTAVES, POINTS)
"""Frequencies of a stretch re its middle: as far as that goes, all stretches are alike."""

_TURNS = np.exp(-2j * np.pi * np.outer(_RATIOS - _RATIOS[0], DELAYS_PERIODS))
"""What turns reflected energies into covariances over frequency (formula of Fourier's)."""


class Responses:
    """All takes' responses, in which poles are looked for.

    Parameters
    ----------
    spectra : of the takes.
    groups : takes that hear a mode in one ratio to the direct sound: those of the far field.
    far : whether a group is in the far field.
    band_hz : ends of what is searched.
    """

    def __init__(
        self,
        spectra: Sequence[Spectrum],
        groups: Sequence[Sequence[int]],
        far: Sequence[bool],
        band_hz: tuple[float, float],
    ) -> None:
        """Lay the bands out."""
        self.spectra, self.groups, self.far = spectra, groups, far
        count = int(math.log2(band_hz[1] / band_hz[0]) * POINTS_PER_OCTAVE / BAND_STEPS)
        places = BAND_STEPS * (np.arange(count) + 0.5) / POINTS_PER_OCTAVE
        self.centres_hz: FloatArray = band_hz[0] * 2.0**places
        self._bands = [self._band(float(centre)) for centre in self.centres_hz]

    def _band(self, centre_hz: float) -> Band:
        from scipy.linalg import solve_triangular, toeplitz

        frequency_hz = centre_hz * _RATIOS
        direct = smooth_covariance(frequency_hz, centre_hz)
        alike = smooth_covariance(frequency_hz, centre_hz, 0.0)
        covariances = []
        for spectrum in self.spectra:
            reflected = alike * toeplitz(_TURNS @ self._energies(spectrum, centre_hz))
            for gain in GAINS:
                whole = direct + gain * reflected
                covariances.append(whole + ERROR * whole[0, 0].real * np.eye(POINTS))
        factors = np.linalg.cholesky(np.array(covariances))
        whiteners = [solve_triangular(f, np.eye(POINTS), lower=True) for f in factors]
        diagonals = np.diagonal(factors, axis1=1, axis2=2).real
        shape = (len(self.spectra), len(GAINS))
        return Band(
            frequency_hz,
            np.array([spectrum.at(frequency_hz) for spectrum in self.spectra]),
            np.array(whiteners).reshape(*shape, POINTS, POINTS),
            2.0 * np.sum(np.log(diagonals), axis=1).reshape(shape),
        )

    @staticmethod
    def _energies(spectrum: Spectrum, centre_hz: float) -> FloatArray:
        """Return the energy reflected at each delay re the direct sound's, in the window."""
        delay_s = DELAYS_PERIODS / centre_hz
        power = spectrum.reflected_power(centre_hz, delay_s)
        return np.asarray(power * counted_share(delay_s) * np.gradient(delay_s))

    def direct_db(self, centre_hz: float) -> FloatArray:
        """Return each take's energy of the direct sound re what is reflected, shape ``(P,)``."""
        sums = [np.sum(self._energies(spectrum, centre_hz)) for spectrum in self.spectra]
        return np.asarray(-10.0 * np.log10(sums))

    def band_of(self, frequency_hz: float) -> Band:
        """Return the stretch around a frequency."""
        return self._bands[int(np.argmin(np.abs(np.log(self.centres_hz / frequency_hz))))]

    def screened(self, row: int, modes: Sequence[Mode]) -> FloatArray:
        """Return log ratios of candidates in a band, and frequency and Q of each, ``(C, 3)``.

        1/(1 + ρT) is 1 − cT′ with another Q and ρ: linear in c, whose best is a matched filter.
        """
        band = self._bands[row]
        values = band.without(modes)
        whiteners, _ = band.best_gains(values)
        steps = np.arange(BAND_STEPS) - 0.5 * (BAND_STEPS - 1)
        zeros_hz = self.centres_hz[row] * 2.0 ** (steps / POINTS_PER_OCTAVE)
        zero_hz, zero_q = (x.ravel() for x in np.meshgrid(zeros_hz, ZERO_QS))
        poles = pole(band.frequency_hz, zero_hz[:, None], zero_q[:, None])
        total, best = np.zeros(len(zero_hz)), np.full(len(zero_hz), -np.inf)
        found = np.column_stack([total, zero_hz, zero_q])
        for group in self.groups:
            rests = np.array([whiteners[p] @ values[p] for p in group])
            columns = np.array([whiteners[p] @ (poles * values[p]).T for p in group])
            power = np.sum(np.abs(rests) ** 2, axis=1)
            weighted = columns.conj() / power[:, None, None]
            match = np.sum(rests[:, :, None] * weighted, axis=(0, 1))
            share = match / np.sum(weighted * columns, axis=(0, 1)).real
            share *= np.minimum(1.0, 0.95 / np.maximum(np.abs(share), 1e-9))
            left = np.sum(np.abs(rests[:, :, None] - share * columns) ** 2, axis=1)
            gain = POINTS * np.sum(np.log(power[:, None] / left), axis=0)
            gain += len(group) * np.sum(np.log(np.abs(1.0 - share[:, None] * poles) ** 2), axis=1)
            found[:, 0] += gain
            here = gain > best
            best = np.where(here, gain, best)
            found[here, 1] = (zero_hz * np.exp(0.5 * share.imag / zero_q))[here]
            found[here, 2] = (zero_q / np.maximum(1.0 - share.real, 0.05))[here]
        return found

    def started(self, near_hz: float, near_q: float, others: Sequence[Mode]) -> Mode:
        """Return the best pole around a candidate of the screening, beside others."""
        band = self.band_of(near_hz)
        values = band.without(others)
        whiteners, _ = band.best_gains(values)
        tried = np.meshgrid(near_hz * np.exp(START_WIDTHS / near_q), near_q * START_QS)
        frequency_hz, q = (x.ravel() for x in tried)
        poles = np.repeat(pole(band.frequency_hz, frequency_hz[:, None], q[:, None]), len(STARTS), 0)
        ratios = np.zeros((len(q), len(values)), dtype=np.complex128)
        total, each = np.zeros(len(q)), np.arange(len(q))
        for group, far in zip(self.groups, self.far, strict=True):
            of_group = [(whiteners[p], values[p]) for p in group]
            most = MOST_RATIO if far else math.inf
            best, log_ratio = _best_ratios(of_group, poles, np.tile(STARTS, len(q)), most)
            log_ratio = log_ratio.reshape(len(q), -1)
            chosen = np.argmax(log_ratio, axis=1)
            ratios[:, group] = best.reshape(len(q), -1)[each, chosen][:, None]
            total += log_ratio[each, chosen]
        at = int(np.argmax(total))
        return Mode(float(frequency_hz[at]), float(q[at]), ratios[at], np.zeros(len(values)))

    def fitted(self, modes: Sequence[Mode], others: Sequence[Mode], near_hz: float) -> list[Mode]:
        """Return the likeliest poles near some, all at once, beside others; what each adds."""
        band = self.band_of(near_hz)
        values = band.without(others)
        found, level = PoleFit(band, values, self.groups, self.far).fitted(modes)
        factors = np.array([mode.factor(band.frequency_hz) for mode in found])
        rated = []
        for index, mode in enumerate(found):
            rest = np.prod(np.delete(factors, index, axis=0), axis=0)
            without = band.best_gains(values / rest)[1] - 2.0 * np.sum(np.log(np.abs(rest)), axis=1)
            rated.append(replace(mode, log_ratios=level - without))
        return rated

    def together(self, modes: Sequence[Mode], others: Sequence[Mode], near_hz: float) -> float:
        """Return the log ratio of some modes together against none, beside others."""
        band = self.band_of(near_hz)
        values = band.without(others)
        if not modes:
            return 0.0
        factor = np.prod([mode.factor(band.frequency_hz) for mode in modes], axis=0)
        change = band.best_gains(values / factor)[1] - band.best_gains(values)[1]
        return float(np.sum(change) - 2.0 * np.sum(np.log(np.abs(factor))))

    def lifted_by(self, mode: Mode, others: Sequence[Mode], lift_db: float) -> FloatArray:
        """Return each take's log ratio if the mode lifted by so much there, however turned."""
        band = self.band_of(mode.frequency_hz)
        values = band.without(others)
        none = band.best_gains(values)[1]
        found = np.full(len(values), -np.inf)
        for turn in np.exp(0.25j * np.pi * np.arange(8)) * (db_to_ratio(lift_db) - 1.0):
            factor = replace(mode, ratios=np.full(len(values), turn)).factor(band.frequency_hz)
            change = band.best_gains(values / factor)[1] - none
            change -= 2.0 * np.sum(np.log(np.abs(factor)), axis=1)
            found = np.maximum(found, change)
        return found

    def shared(self, mode: Mode, others: Sequence[Mode]) -> float:
        """Return the log ratio with one ρ at all takes, near field and far, as in the drive."""
        band = self.band_of(mode.frequency_hz)
        values = band.without(others)
        takes = list(zip(band.best_gains(values)[0], values, strict=True))
        poles = np.repeat(pole(band.frequency_hz, mode.frequency_hz, mode.q)[None], len(STARTS), 0)
        return float(np.max(_best_ratios(takes, poles, STARTS, MOST_RATIO)[1]))


def _best_ratios(
    takes: Sequence[tuple[ComplexArray, ComplexArray]],
    poles: ComplexArray,
    start: ComplexArray,
    most: float,
) -> tuple[ComplexArray, FloatArray]:
    """Return the likeliest ρ that some takes share, and its log ratio against ρ = 0.

    Gauss and Newton's method: what is linear in ρ of the whitened y/(1 + ρT), each take with the
    scale that suits it best; a step that makes it worse is tried again, shorter.

    Parameters
    ----------
    takes : whitener and values of each.
    poles : T of several candidates, shape ``(C, N)``.
    start : shape ``(C,)``.
    most : of the size of ρ.
    """
    none = sum(POINTS * math.log(np.vdot(w @ y, w @ y).real) for w, y in takes)
    ratio, step = start, np.zeros_like(start)
    best, log_ratio = start, np.full(len(start), -np.inf)
    for _ in range(_ROUNDS):
        factor = 1.0 + ratio[:, None] * poles
        slope = len(takes) * np.sum(poles / factor, axis=1).conj()
        level = none - 2.0 * len(takes) * np.sum(np.log(np.abs(factor)), axis=1)
        curvature = np.zeros(len(start))
        for whitener, values in takes:
            both = whitener @ np.vstack([values / factor, -values * poles / factor**2]).T
            rest, change = both[:, : len(start)], both[:, len(start) :]
            power = np.sum(np.abs(rest) ** 2, axis=0)
            level -= POINTS * np.log(power)
            slope += POINTS * np.sum(change.conj() * rest, axis=0) / power
            curvature += POINTS * np.sum(np.abs(change) ** 2, axis=0) / power
        better = level >= log_ratio
        best, log_ratio = np.where(better, ratio, best), np.where(better, level, log_ratio)
        step = np.where(better, -slope / curvature, 0.4 * step)
        step *= np.minimum(1.0, (1.0 + np.abs(best)) / np.maximum(np.abs(step), 1e-12))
        ratio = best + step
        ratio *= np.minimum(1.0, most / np.maximum(np.abs(ratio), 1e-12))
    return best, log_ratio
