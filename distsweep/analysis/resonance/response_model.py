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
from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.resonance.arrivals import Spectrum, counted_share
from distsweep.analysis.resonance.mode import HIGHEST_Q, LOWEST_Q
from distsweep.analysis.sweep.grid import POINTS_PER_OCTAVE
from distsweep.units import ComplexArray, FloatArray, db_to_ratio, ratio_to_db

REACH_OCTAVES, POINTS = 0.4, 90
"""The response is looked at so far to either side, at so many frequencies (chosen: at 1 kHz they
are 6 Hz apart, and a mode of Q 60 is 17 Hz wide)."""

SMOOTH_OCTAVES, OWN_Q, OWN_ENERGY = 0.6, 3.0, 0.1
"""The direct sound is like itself over so many octaves, but for poles of this Q with so much of
its energy (chosen: equalisers and crossovers of Q 4 and ±4 dB have that much)."""

ERROR = 1e-4
"""Power of what this model leaves out: −40 dB (chosen: responses are read to 0.1 dB)."""

GAINS = (1.0, 4.0, 16.0)
"""Reflected power may be so many times what is measured, whatever suits the response best, with a
mode and without (chosen: lone reflections are up to 12 dB above the median over bands)."""

BAND_STEPS = 8
"""Candidates on so many steps of the grid share one stretch of the response (chosen: a sixth of
an octave, so that none lies near its end)."""

ZERO_QS = 1.5 * 2.0 ** np.arange(6.0)
"""Dividing by 1 + ρT puts a zero where the pole was, and the pole at Q/(1 + ρ), which is tried
here (chosen: Q 8 with 15 dB has 1.4, Q 60 with 4 dB has 38)."""

STARTS = np.array([0.0, 3.0, -0.5 + 2.5j, -0.5 - 2.5j])
"""Values of ρ from which its best is looked for (chosen: a mode turned by a quarter of a period to
either side makes a null beside its peak, another valley)."""

MOST_RATIO = 6.0
"""In the far field no mode is louder than so many times the direct sound (chosen: 17 dB)."""

_ROUNDS = 6
"""Steps of Gauss and Newton's method (chosen: more move no ρ by a hundredth)."""

DELAYS_S = np.geomspace(5e-4, 0.45, 400)
"""Where reflected power is summed up (chosen: 1.7 % apart)."""


@dataclass(frozen=True)
class Mode:
    """A pole: its frequency and Q, and at every take ρ and the log ratio against none, ``(P,)``."""

    frequency_hz: float
    q: float
    ratios: ComplexArray
    log_ratios: FloatArray

    def factor(self, frequency_hz: FloatArray) -> ComplexArray:
        """Return 1 + ρT at every take, shape ``(P, F)``."""
        return 1.0 + self.ratios[:, None] * pole(frequency_hz, self.frequency_hz, self.q)

    @property
    def lifts_db(self) -> FloatArray:
        """The most that it lifts at every take: T runs on a circle about ½ through 0 and 1."""
        half = 0.5 * self.ratios
        return np.asarray(ratio_to_db(np.abs(1.0 + half) + np.abs(half)))

    def octaves_from(self, other: Mode) -> float:
        """Return how far another lies away."""
        return abs(math.log2(self.frequency_hz / other.frequency_hz))


def pole(
    frequency_hz: FloatArray, centre_hz: FloatArray | float, q: FloatArray | float
) -> ComplexArray:
    """Return T = 1/(1 + jQ(f/f₀ − f₀/f))."""
    return np.asarray(1.0 / (1.0 + 1j * q * (frequency_hz / centre_hz - centre_hz / frequency_hz)))


def smooth_covariance(
    frequency_hz: FloatArray, centre_hz: float, own_energy: float = OWN_ENERGY
) -> ComplexArray:
    """Return the covariance of what is smooth, shape ``(F, F)``, its power about 1."""
    octave = np.log2(frequency_hz)
    apart = (frequency_hz[:, None] - frequency_hz) / centre_hz
    direct = np.exp(-0.5 * ((octave[:, None] - octave) / SMOOTH_OCTAVES) ** 2)
    return np.asarray(direct * (1.0 + own_energy / (1.0 + 1j * OWN_Q * apart)))


@dataclass(frozen=True)
class _Band:
    """A stretch of all takes' responses.

    Attributes
    ----------
    frequency_hz : shape ``(N,)``.
    values : responses, shape ``(P, N)``.
    whiteners : inverse of the Cholesky factor of the covariance without a mode, one a gain of the
        reflected power, shape ``(P, G, N, N)``.
    determinants : ln of the covariances', shape ``(P, G)``.
    """

    frequency_hz: FloatArray
    values: ComplexArray
    whiteners: ComplexArray
    determinants: FloatArray

    def without(self, modes: Sequence[Mode]) -> ComplexArray:
        """Return the values without some modes, each take's about 1."""
        factors = [mode.factor(self.frequency_hz) for mode in modes]
        values = self.values / (np.prod(factors, axis=0) if factors else 1.0)
        return np.asarray(values / np.sqrt(np.mean(np.abs(values) ** 2, axis=1, keepdims=True)))

    def best_gains(self, values: ComplexArray) -> tuple[list[ComplexArray], FloatArray]:
        """Return each take's whitener of the gain that suits best, and its ln likelihood."""
        white = np.einsum("pgmn,pn->pgm", self.whiteners, values)
        level = -POINTS * np.log(np.mean(np.abs(white) ** 2, axis=2)) - self.determinants
        best = np.argmax(level, axis=1)
        return [w[g] for w, g in zip(self.whiteners, best, strict=True)], np.max(level, axis=1)


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

    def _band(self, centre_hz: float) -> _Band:
        from scipy.linalg import solve_triangular

        low_hz, high_hz = centre_hz * 2.0**-REACH_OCTAVES, centre_hz * 2.0**REACH_OCTAVES
        frequency_hz = np.linspace(low_hz, high_hz, POINTS)
        direct = smooth_covariance(frequency_hz, centre_hz)
        alike = smooth_covariance(frequency_hz, centre_hz, 0.0)
        apart_hz = frequency_hz - frequency_hz[0]
        turns = np.exp(-2j * np.pi * np.outer(apart_hz, DELAYS_S))
        apart = np.arange(POINTS)[:, None] - np.arange(POINTS)
        covariances = []
        for spectrum in self.spectra:
            reflected = turns @ (self._energies(spectrum, centre_hz))
            reflected = np.where(
                apart >= 0, reflected[np.abs(apart)], reflected[np.abs(apart)].conj()
            )
            for gain in GAINS:
                whole = direct + gain * alike * reflected
                covariances.append(whole + ERROR * whole[0, 0].real * np.eye(POINTS))
        factors = np.linalg.cholesky(np.array(covariances))
        whiteners = [solve_triangular(f, np.eye(POINTS), lower=True) for f in factors]
        diagonals = np.diagonal(factors, axis1=1, axis2=2).real
        shape = (len(self.spectra), len(GAINS))
        return _Band(
            frequency_hz,
            np.array([spectrum.at(frequency_hz) for spectrum in self.spectra]),
            np.array(whiteners).reshape(*shape, POINTS, POINTS),
            2.0 * np.sum(np.log(diagonals), axis=1).reshape(shape),
        )

    @staticmethod
    def _energies(spectrum: Spectrum, centre_hz: float) -> FloatArray:
        """Return the energy reflected at each of DELAYS_S re the direct sound's, in the window."""
        power = spectrum.reflected_power(centre_hz, DELAYS_S)
        counted = np.where(DELAYS_S * centre_hz > 1.0, counted_share(DELAYS_S), 0.0)
        return np.asarray(power * counted * np.gradient(DELAYS_S))

    def direct_db(self, centre_hz: float) -> FloatArray:
        """Return each take's energy of the direct sound re what is reflected, shape ``(P,)``."""
        sums = [np.sum(self._energies(spectrum, centre_hz)) for spectrum in self.spectra]
        return np.asarray(-10.0 * np.log10(sums))

    def band_of(self, frequency_hz: float) -> _Band:
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
            match = np.einsum("pm,pmc,p->c", rests, columns.conj(), 1.0 / power)
            share = match / np.einsum("pmc,p->c", np.abs(columns) ** 2, 1.0 / power)
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

    def refined(self, start: Mode, others: Sequence[Mode]) -> Mode:
        """Return the best pole near another; that has ratios if it was fitted before."""
        band = self.band_of(start.frequency_hz)
        values = band.without(others)
        whiteners, none = band.best_gains(values)
        known = bool(np.any(start.ratios))
        starts = start.ratios[None] if known else np.repeat(STARTS[:, None], len(values), axis=1)
        mode, aside, ratio = start, 0.01 if known else 0.02, 1.5 if known else 2.5
        for points in (5, 5, 5) if known else (7, 7, 5, 5, 5):
            tried_hz = mode.frequency_hz * np.exp(np.linspace(-aside, aside, points))
            tried_q = np.clip(mode.q * ratio ** np.linspace(-1.0, 1.0, 5), LOWEST_Q, HIGHEST_Q)
            mode = self._best(band, values, whiteners, (tried_hz, tried_q), starts)
            if not (points == 7 and mode.frequency_hz in (tried_hz[0], tried_hz[-1])):
                aside, ratio = 2.0 * aside / (points - 1), ratio**0.5
            starts = mode.ratios[None]
            factor = mode.factor(band.frequency_hz)
            whiteners, with_mode = band.best_gains(values / factor)
            beyond = 2.0 * np.sum(np.log(np.abs(factor)), axis=1)
            mode = replace(mode, log_ratios=with_mode - none - beyond)
        return mode

    def together(self, modes: Sequence[Mode], others: Sequence[Mode], near_hz: float) -> float:
        """Return the log ratio of some modes together against none, beside others."""
        band = self.band_of(near_hz)
        values = band.without(others)
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

    def _best(
        self,
        band: _Band,
        values: ComplexArray,
        whiteners: Sequence[ComplexArray],
        tried: tuple[FloatArray, FloatArray],
        starts: ComplexArray,
    ) -> Mode:
        """Return the best pole on a grid of frequencies and Qs, from starts of ρ, ``(S, P)``."""
        frequency_hz, q = (x.ravel() for x in np.meshgrid(*tried, indexing="ij"))
        start = np.tile(np.arange(len(starts)), len(q))
        frequency_hz, q = np.repeat(frequency_hz, len(starts)), np.repeat(q, len(starts))
        poles = pole(band.frequency_hz, frequency_hz[:, None], q[:, None])
        ratios = starts[start].astype(np.complex128)
        total = np.zeros(len(start))
        for group, far in zip(self.groups, self.far, strict=True):
            of_group = [(whiteners[p], values[p]) for p in group]
            most = MOST_RATIO if far else math.inf
            best, log_ratio = _best_ratios(of_group, poles, ratios[:, group[0]], most)
            ratios[:, group] = best[:, None]
            total += log_ratio
        at = int(np.argmax(total))
        return Mode(float(frequency_hz[at]), float(q[at]), ratios[at], np.zeros(len(values)))

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
