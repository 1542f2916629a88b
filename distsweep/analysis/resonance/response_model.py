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
from distsweep.analysis.resonance.mode import HIGHEST_HZ, HIGHEST_Q, LOWEST_Q
from distsweep.analysis.resonance.pole_fit import (
    POINTS,
    REACH_OCTAVES,
    Band,
    Mode,
    PoleFit,
    pole,
    smooth_covariance,
)
from distsweep.analysis.sweep.grid import POINTS_PER_OCTAVE
from distsweep.units import ComplexArray, FloatArray, db_to_ratio

ERROR = 1e-4
"""Power of what this model leaves out: −40 dB (chosen: responses are read to 0.1 dB)."""

GAINS = (1.0, 8.0, 64.0)
"""Reflected power may be so many times what is measured, whatever suits the response best, with a
mode and without (chosen: lone reflections are up to 12 dB above the median over bands; 18 dB leave
fewer of a room's lone modes in simulated near fields than 12 or 15 do)."""

BAND_STEPS = 8
"""Candidates on so many steps of the grid share one stretch of the response (chosen: a sixth of
an octave, so that none lies near its end)."""

ZERO_QS = 1.5 * 2.0 ** np.arange(6.0)
"""Dividing by 1 + ρT puts a zero where the pole was, and the pole at Q/(1 + ρ), which is tried
here (chosen: Q 8 with 15 dB has 1.4, Q 60 with 4 dB has 38)."""

STARTS = np.outer([0.7, 3.0], np.exp(0.25j * np.pi * np.arange(8))).ravel()
"""Values of ρ from the likeliest of which a fit starts (chosen: a mode turned by a quarter of a
period makes a null beside its peak, another valley)."""

START_WIDTHS, START_QS = np.array([-0.4, -0.2, 0.0, 0.2, 0.4]), np.array([0.6, 1.0, 1.7])
"""A fit starts from so many bandwidths beside a candidate and so many times its Q, the likeliest
of these (chosen: what is found moves from one to the next)."""

DELAYS_PERIODS = np.geomspace(1.0, WINDOW_S * HIGHEST_HZ, 400)
"""Where reflected power is summed up, in periods (chosen: 1.9 % apart; sooner it is the
loudspeaker's)."""


class Responses:
    """All takes' responses, in which poles are looked for.

    Parameters
    ----------
    spectra : of the takes.
    groups : takes that hear a mode in one ratio to the direct sound: those of the far field.
    bounded : whether a group's ρ is: not that before a port, whose own sound is weak.
    band_hz : ends of what is searched.
    """

    def __init__(
        self,
        spectra: Sequence[Spectrum],
        groups: Sequence[Sequence[int]],
        bounded: Sequence[bool],
        band_hz: tuple[float, float],
    ) -> None:
        """Lay the bands out."""
        self.spectra, self.groups, self.bounded = spectra, groups, bounded
        count = int(math.log2(band_hz[1] / band_hz[0]) * POINTS_PER_OCTAVE / BAND_STEPS)
        places = BAND_STEPS * (np.arange(count) + 0.5) / POINTS_PER_OCTAVE
        self.centres_hz: FloatArray = band_hz[0] * 2.0**places
        # As far as frequencies re the middle and delays in periods go, all stretches are alike.
        ratios = np.linspace(2.0**-REACH_OCTAVES, 2.0**REACH_OCTAVES, POINTS)
        turns = np.exp(-2j * np.pi * np.outer(ratios - ratios[0], DELAYS_PERIODS))
        self._bands = [self._band(float(centre), ratios, turns) for centre in self.centres_hz]

    def _band(self, centre_hz: float, ratios: FloatArray, turns: ComplexArray) -> Band:
        from scipy.linalg import solve_triangular, toeplitz

        frequency_hz = centre_hz * ratios
        direct = smooth_covariance(frequency_hz, centre_hz)
        alike = smooth_covariance(frequency_hz, centre_hz, 0.0)
        covariances = []
        for spectrum in self.spectra:
            reflected = alike * toeplitz(turns @ self._energies(spectrum, centre_hz))
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

    def started(
        self, near_hz: float, near_q: float, others: Sequence[Mode], *, shared: bool = False
    ) -> Mode:
        """Return the likeliest pole around a candidate, of some places, Qs and each group's STARTS.

        ``shared``: with one ρ at all takes.
        """
        band = self.band_of(near_hz)
        tried = np.meshgrid(near_hz * np.exp(START_WIDTHS / near_q), near_q * START_QS)
        frequency_hz, q = (x.ravel() for x in tried)
        levels = _levels(band, band.without(others), frequency_hz, q, STARTS)
        groups = [range(len(levels))] if shared else self.groups
        of_groups = np.array([np.sum(levels[group], axis=0) for group in groups])
        at = int(np.argmax(np.sum(np.max(of_groups, axis=1), axis=0)))
        ratios = np.zeros(len(levels), dtype=np.complex128)
        for group, level in zip(groups, of_groups, strict=True):
            ratios[group] = STARTS[np.argmax(level[:, at])]
        chosen_q = min(max(float(q[at]), LOWEST_Q), HIGHEST_Q)
        return Mode(float(frequency_hz[at]), chosen_q, ratios, np.zeros(len(levels)))

    def fitted(
        self,
        modes: Sequence[Mode],
        others: Sequence[Mode],
        near_hz: float,
        *,
        shared: bool = False,
    ) -> list[Mode]:
        """Return the likeliest poles near some, all at once, beside others; what each adds.

        ``shared``: with one ρ at all takes, near field and far, as of what is in the drive.
        """
        band = self.band_of(near_hz)
        values = band.without(others)
        groups = [range(len(values))] if shared else self.groups
        found = PoleFit(band, values, groups, [True] if shared else self.bounded).fitted(modes)
        return [
            replace(mode, log_ratios=band.level(values, found) - band.level(values, rest))
            for mode, rest in ((m, [o for o in found if o is not m]) for m in found)
        ]

    def lifted_by(self, mode: Mode, others: Sequence[Mode], lift_db: float) -> FloatArray:
        """Return each take's log ratio if the mode lifted by so much there, however turned."""
        band = self.band_of(mode.frequency_hz)
        values = band.without(others)
        turns = np.exp(0.25j * np.pi * np.arange(8))
        ratios = np.append((db_to_ratio(lift_db) - 1.0) * turns, 0.0)
        place, q = np.array([mode.frequency_hz]), np.array([mode.q])
        levels = _levels(band, values, place, q, ratios)[..., 0]
        return np.asarray(np.max(levels[:, :-1], axis=1) - levels[:, -1])


def _levels(
    band: Band, values: ComplexArray, frequency_hz: FloatArray, q: FloatArray, ratios: ComplexArray
) -> FloatArray:
    """Return ln likelihoods with poles of some ratios, ``(takes, ratios, poles)``.

    The reflected power is what suits each take best without a mode.
    """
    poles = pole(band.frequency_hz, frequency_hz[:, None], q[:, None])
    factors = 1.0 + ratios[:, None, None] * poles
    beyond = 2.0 * np.sum(np.log(np.abs(factors)), axis=2)
    whiteners, _ = band.best_gains(values)
    return np.array(
        [
            -POINTS * np.log(np.sum(np.abs((of_take / factors) @ whitener.T) ** 2, axis=2)) - beyond
            for whitener, of_take in zip(whiteners, values, strict=True)
        ]
    )
