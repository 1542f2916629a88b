"""Poles of a loudspeaker's linear response, told from the room's by time and place.

Without a mode, the response around a frequency is smooth S times what is reflected, 1 + R. S is a
Gaussian process over log frequency: what the loudspeaker does at once, and poles of low Q. R is
one whose covariance over frequency is the Fourier transform of the reflected power against delay,
which each take's impulse response gives. With a mode, everything passes 1 + ρT, T being the pole.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.resonance.arrivals import WINDOW_S, Spectrum
from distsweep.analysis.resonance.curves import SearchedTake
from distsweep.analysis.resonance.mode import HIGHEST_Q, LOWEST_Q, Contribution, FoundMode
from distsweep.analysis.sweep.grid import POINTS_PER_OCTAVE
from distsweep.units import ComplexArray, FloatArray, ratio_to_db

LOW_HZ, HIGH_HZ = 150.0, 3500.0
"""Modes are looked for between these (chosen: below lie the box's own resonances and a room's
lone modes; above, modes of the tweeter's dome, which are no narrow peaks)."""

REACH_OCTAVES, POINTS = 0.4, 110
"""The response is looked at so far to either side, at so many frequencies (chosen: at 1 kHz they
are 5 Hz apart, and a mode of Q 60 is 17 Hz wide)."""

BAND_STEPS = 8
"""Candidates on so many steps of the grid share one stretch of the response (chosen: a sixth of
an octave, so that none lies near its end)."""

SMOOTH_OCTAVES = 0.6
OWN_Q, OWN_ENERGY = 3.0, 0.1
"""The direct sound is like itself over so many octaves, but for poles of this Q with so much of
its energy (chosen: equalisers and crossovers of Q 4 and ±4 dB have that much)."""

ERROR = 1e-4
"""Power of what this model leaves out (chosen: −40 dB; responses are read to 0.1 dB)."""

GAINS = (1.0, 3.0, 10.0, 30.0)
"""Reflected power may be so many times what is measured, whatever suits the response best, with a
mode and without (chosen: lone reflections, and what comes while the band-passed direct sound is
still there, are up to 15 dB above the median)."""

ZERO_QS = 1.5 * 2.0 ** np.arange(6.0)
"""Dividing by 1 + ρT puts a zero where the pole was, and the pole at Q/(1 + ρ), which is tried
here (chosen: Q 8 with 15 dB has 1.4, Q 60 with 4 dB has 38)."""

STARTS = np.array([0.0, 3.0, -0.5 + 2.5j, -0.5 - 2.5j])
"""Values of ρ from which its best is looked for (chosen: 0, 6 and 14 dB)."""

LEAST_LOG_RATIO = 15.0
"""A mode less likely than e¹⁵ times no mode is not kept (chosen: 2000 places and Qs are tried,
each with four free numbers)."""

LEAST_LIFT_DB = 2.5
"""A mode that nowhere lifts by so much is not looked for (chosen: nobody hears it)."""

DIRECT_DB = 8.0
"""From this ratio of direct to reflected energy on, a take alone tells a loudspeaker's mode from
a room's (chosen: then one of the room's modes lifts by 2.5 dB at most)."""

APART_HZ = 300.0
"""Takes at other angles tell so from this frequency on (chosen: they are half a metre apart at
1 m, half a wavelength)."""

MOST_RATIO = 6.0
"""In the far field no mode is louder than so many times the direct sound (chosen: 17 dB)."""

LEAST_Q = 6.0
MOST_MODES, ROUNDS = 12, 6

PRODUCTS_ERROR = 1e-3
LEAST_POINTS = 12
HIGHEST_ORDER = 5

NEAR_FIELD = ("woofer", "port", "tweeter")
DELAYS_S = np.geomspace(5e-4, WINDOW_S, 400)


@dataclass(frozen=True)
class _Band:
    """A stretch of all takes' responses.

    Attributes
    ----------
    frequency_hz : shape ``(N,)``.
    values : responses, shape ``(P, N)``.
    whitener : inverse of the Cholesky factor of the covariance without a mode, a gain of the
        reflected power each, shape ``(P, G, N, N)``.
    determinant : ln of the covariance's, shape ``(P, G)``.
    """

    frequency_hz: FloatArray
    values: ComplexArray
    whitener: ComplexArray
    determinant: FloatArray

    def best_gains(self, values: ComplexArray) -> tuple[list[ComplexArray], FloatArray]:
        """Return each take's whitener of the gain that suits best, and its ln likelihood."""
        white = np.einsum("pgmn,pn->pgm", self.whitener, values, optimize=True)
        level = -POINTS * np.log(np.mean(np.abs(white) ** 2, axis=2)) - self.determinant
        best = np.argmax(level, axis=1)
        return [w[g] for w, g in zip(self.whitener, best, strict=True)], np.max(level, axis=1)


@dataclass(frozen=True)
class _Mode:
    """A pole.

    Attributes
    ----------
    frequency_hz, q : of it.
    ratios : ρ at every take, shape ``(P,)``.
    log_ratios : of every take, against no mode, shape ``(P,)``.
    """

    frequency_hz: float
    q: float
    ratios: ComplexArray
    log_ratios: FloatArray

    def factor(self, frequency_hz: FloatArray) -> ComplexArray:
        """Return 1 + ρT at every take, shape ``(P, F)``."""
        pole = _pole(frequency_hz, self.frequency_hz, self.q)
        return np.asarray(1.0 + self.ratios[:, None] * pole)

    @property
    def lifts_db(self) -> FloatArray:
        """The most that it lifts at every take: T runs on a circle about ½ through 0 and 1."""
        return np.asarray(
            ratio_to_db(np.abs(1.0 + 0.5 * self.ratios) + 0.5 * np.abs(self.ratios))
        )


def _pole(frequency_hz: FloatArray, centre_hz: FloatArray | float, q: FloatArray | float):  # type: ignore[no-untyped-def]
    return 1.0 / (1.0 + 1j * q * (frequency_hz / centre_hz - centre_hz / frequency_hz))


def _ways_alike(takes: Sequence[SearchedTake]) -> list[list[int]]:
    """Group the takes that hear a mode in one ratio to the direct sound: those of the far field."""
    groups: dict[str, list[int]] = {}
    for index, take in enumerate(takes):
        groups.setdefault(take.position if take.position in NEAR_FIELD else "far", []).append(index)
    return list(groups.values())


class _Response:
    """All takes' responses, from which modes are taken off one by one."""

    def __init__(self, takes: Sequence[SearchedTake]) -> None:
        self.spectra = [Spectrum(take.impulse) for take in takes if take.impulse is not None]
        self.groups = _ways_alike(takes)
        self.near = [take.position in NEAR_FIELD for take in takes]
        count = int(math.log2(HIGH_HZ / LOW_HZ) * POINTS_PER_OCTAVE / BAND_STEPS)
        places = BAND_STEPS * (np.arange(count) + 0.5) / POINTS_PER_OCTAVE
        self.centres_hz = LOW_HZ * 2.0**places
        self.bands = [self._band(float(centre)) for centre in self.centres_hz]

    def _band(self, centre_hz: float) -> _Band:
        ends = centre_hz * 2.0 ** np.array([-REACH_OCTAVES, REACH_OCTAVES])
        frequency_hz = np.linspace(*ends, POINTS)
        octave = np.log2(frequency_hz)
        direct = np.exp(-0.5 * ((octave[:, None] - octave) / SMOOTH_OCTAVES) ** 2)
        apart_hz = frequency_hz - frequency_hz[0]
        turns = np.exp(-2j * np.pi * np.outer(apart_hz, DELAYS_S))
        own = OWN_ENERGY / (1.0 + 1j * OWN_Q * apart_hz / centre_hz)
        place = np.arange(POINTS)
        apart = place[:, None] - place
        covariances = []
        for spectrum in self.spectra:
            power = spectrum.reflected_power(centre_hz, DELAYS_S) * _counted(centre_hz)
            reflected = turns @ (power * np.gradient(DELAYS_S))
            for gain in GAINS:
                beside = own + gain * reflected
                beside = np.where(apart >= 0, beside[np.abs(apart)], beside[np.abs(apart)].conj())
                whole = direct * (1.0 + beside)
                covariances.append(whole + ERROR * whole[0, 0].real * np.eye(POINTS))
        factor = np.linalg.cholesky(np.array(covariances))
        shape = (len(self.spectra), len(GAINS))
        diagonal = np.diagonal(factor, axis1=1, axis2=2).real
        return _Band(
            frequency_hz,
            np.array([spectrum.at(frequency_hz) for spectrum in self.spectra]),
            np.linalg.inv(factor).reshape(*shape, POINTS, POINTS),
            2.0 * np.sum(np.log(diagonal), axis=1).reshape(shape),
        )

    def without(self, band: _Band, modes: Sequence[_Mode]) -> ComplexArray:
        """Return the band's values without some modes, each take's about 1."""
        values = band.values / np.prod([m.factor(band.frequency_hz) for m in modes] or [1.0], axis=0)
        return np.asarray(values / np.sqrt(np.mean(np.abs(values) ** 2, axis=1, keepdims=True)))

    def band_of(self, frequency_hz: float) -> _Band:
        return self.bands[int(np.argmin(np.abs(np.log(self.centres_hz / frequency_hz))))]

    def direct_db(self, take: int, centre_hz: float) -> float:
        """Return the energy of the direct sound re what is reflected."""
        power = self.spectra[take].reflected_power(centre_hz, DELAYS_S) * _counted(centre_hz)
        return -10.0 * math.log10(float(np.sum(power * np.gradient(DELAYS_S))))

    def shared(self, mode: _Mode, others: Sequence[_Mode] = ()) -> float:
        """Return the log ratio with one ratio at all takes, as a pole in the drive has."""
        band = self.band_of(mode.frequency_hz)
        values = self.without(band, others)
        whiteners, _ = band.best_gains(values)
        pole = _pole(band.frequency_hz, mode.frequency_hz, mode.q)[None]
        pole = np.repeat(pole, len(STARTS), axis=0)
        _, ratio = _best_ratios(list(zip(whiteners, values, strict=True)), pole, STARTS.astype(np.complex128), MOST_RATIO)
        return float(np.max(ratio))

    def screened(self, row: int, modes: Sequence[_Mode]) -> FloatArray:
        """Return the log ratio of candidates, and where each has its pole, shape ``(C, 3)``.

        1/(1 + ρT) is 1 − cT′ with another Q and ρ: linear in c, whose best is a matched filter.
        """
        band = self.bands[row]
        values = self.without(band, modes)
        whiteners, _ = band.best_gains(values)
        steps = np.arange(BAND_STEPS) - 0.5 * (BAND_STEPS - 1)
        zeros_hz = self.centres_hz[row] * 2.0 ** (steps / POINTS_PER_OCTAVE)
        zero_hz, zero_q = (x.ravel() for x in np.meshgrid(zeros_hz, ZERO_QS))
        poles = _pole(band.frequency_hz, zero_hz[:, None], zero_q[:, None])
        total, best = np.zeros(len(zero_hz)), np.full(len(zero_hz), -np.inf)
        pole_hz, pole_q = zero_hz.copy(), zero_q.copy()
        for group in self.groups:
            rest = [whiteners[p] @ values[p] for p in group]
            columns = [whiteners[p] @ (poles * values[p]).T for p in group]
            power = [np.vdot(r, r).real for r in rest]
            match = sum(r @ c.conj() / s for r, c, s in zip(rest, columns, power, strict=True))
            size = sum(
                np.sum(np.abs(c) ** 2, axis=0) / s for c, s in zip(columns, power, strict=True)
            )
            share = match / size
            share *= np.minimum(1.0, 0.95 / np.maximum(np.abs(share), 1e-9))
            gain = len(group) * np.sum(np.log(np.abs(1.0 - share[:, None] * poles) ** 2), axis=1)
            for r, c, s in zip(rest, columns, power, strict=True):
                left = np.sum(np.abs(r[:, None] - share * c) ** 2, axis=0)
                gain += POINTS * np.log(s / left)
            total += gain
            here = gain > best
            best = np.where(here, gain, best)
            pole_q = np.where(here, zero_q / np.maximum(1.0 - share.real, 0.05), pole_q)
            pole_hz = np.where(here, zero_hz * np.exp(0.5 * share.imag / zero_q), pole_hz)
        return np.column_stack([total, pole_hz, pole_q])

    def refined(self, near_hz: float, q: float, others: Sequence[_Mode]) -> _Mode:
        """Return the best pole near a place."""
        band = self.band_of(near_hz)
        values = self.without(band, others)
        whiteners, none = band.best_gains(values)
        aside, ratio = 0.02, 2.5
        starts = np.outer(STARTS, np.ones(len(values))).astype(np.complex128)
        mode = _Mode(near_hz, min(q, HIGHEST_Q), np.zeros(len(values)), np.zeros(len(values)))
        for points in (9, 9, 5, 5, 5):
            tried_hz = mode.frequency_hz * np.exp(np.linspace(-aside, aside, points))
            tried_q = np.clip(mode.q * ratio ** np.linspace(-1.0, 1.0, 5), LOWEST_Q, HIGHEST_Q)
            mode = self._best(band, values, whiteners, (tried_hz, tried_q), starts)
            at_edge = mode.frequency_hz in (tried_hz[0], tried_hz[-1])
            if not (points == 9 and at_edge):
                aside, ratio = 2.0 * aside / (points - 1), ratio**0.5
            starts = mode.ratios[None]
            factor = mode.factor(band.frequency_hz)
            whiteners, with_mode = band.best_gains(values / factor)
            beyond = 2.0 * np.sum(np.log(np.abs(factor)), axis=1)
            mode = replace(mode, log_ratios=with_mode - none - beyond)
        return mode

    def _best(
        self,
        band: _Band,
        values: ComplexArray,
        whiteners: Sequence[ComplexArray],
        tried: tuple[FloatArray, FloatArray],
        starts: ComplexArray,
    ) -> _Mode:
        """Return the best pole on a grid of frequencies and Qs, from some starts of ρ, ``(S, P)``."""
        frequency_hz, q, start = (
            x.ravel() for x in np.meshgrid(*tried, np.arange(len(starts)), indexing="ij")
        )
        poles = _pole(band.frequency_hz, frequency_hz[:, None], q[:, None])
        ratios = starts[start]
        total = np.zeros(len(start))
        for group in self.groups:
            of_group = [(whiteners[p], values[p]) for p in group]
            most = math.inf if self.near[group[0]] else MOST_RATIO
            best, log_ratio = _best_ratios(of_group, poles, ratios[:, group[0]], most)
            ratios[:, group] = best[:, None]
            total += log_ratio
        found = int(np.argmax(total))
        none = np.zeros(len(values))
        return _Mode(float(frequency_hz[found]), float(q[found]), ratios[found], none)


def _best_ratios(
    takes: Sequence[tuple[ComplexArray, ComplexArray]], poles: ComplexArray, start: ComplexArray, most: float
) -> tuple[ComplexArray, FloatArray]:
    """Return the likeliest ρ that some takes share, and its log ratio against ρ = 0.

    Gauss and Newton's method: what is linear in ρ of the whitened y/(1 + ρT), each take with the
    scale that suits it best; a step that makes it worse is tried again, shorter.

    Parameters
    ----------
    takes : whitener and values of each.
    poles : T of several candidates, shape ``(C, N)``.
    start : shape ``(C,)``.
    """
    none = sum(POINTS * math.log(np.vdot(w @ y, w @ y).real) for w, y in takes)
    ratio, step = start, np.zeros_like(start)
    best, log_ratio = start, np.full(len(start), -np.inf)
    for _ in range(ROUNDS):
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


def _counted(centre_hz: float) -> FloatArray:
    """Return the share of reflected power at DELAYS_S that counts: not before a period has gone,
    and less where the window ends."""
    fade = np.clip(3.0 * DELAYS_S / WINDOW_S - 2.0, 0.0, 1.0)
    return np.where(DELAYS_S > 1.0 / centre_hz, (0.5 + 0.5 * np.cos(np.pi * fade)) ** 2, 0.0)


def _holds(modes: Sequence[_Mode]) -> bool:
    """Tell whether modes are likely, lift, are narrow, and lie apart by half a bandwidth."""
    for index, mode in enumerate(modes):
        if np.sum(mode.log_ratios) < LEAST_LOG_RATIO or mode.q < LEAST_Q:
            return False
        if np.max(mode.lifts_db) < LEAST_LIFT_DB:
            return False
        for other in modes[:index]:
            if abs(math.log(mode.frequency_hz / other.frequency_hz)) < 0.5 / min(mode.q, other.q):
                return False
    return True


def _found(response: _Response) -> list[_Mode]:
    """Take modes off, the likeliest first; each time its neighbours are fitted once more."""
    modes: list[_Mode] = []
    screens = [response.screened(row, modes) for row in range(len(response.bands))]
    tried: list[float] = []
    while len(modes) < MOST_MODES:
        candidates = np.vstack(screens)
        fresh = [not any(abs(math.log2(hz / t)) < 0.02 for t in tried) for hz in candidates[:, 1]]
        gains = np.where(fresh & (candidates[:, 2] > 0.8 * LOWEST_Q), candidates[:, 0], -np.inf)
        log_ratio, near_hz, q = candidates[int(np.argmax(gains))]
        if np.max(gains) < LEAST_LOG_RATIO:
            break
        tried.append(near_hz)
        mode = response.refined(near_hz, q, modes)
        beside = [m for m in modes if _octaves(m, mode) < REACH_OCTAVES]
        apart = [m for m in modes if _octaves(m, mode) >= REACH_OCTAVES]
        close = [*beside, mode]
        for _ in range(2 if beside else 0):
            for index, other in enumerate(close):
                rest = [*apart, *close[:index], *close[index + 1 :]]
                close[index] = response.refined(other.frequency_hz, other.q, rest)
        if not _holds(close):
            continue
        modes = [*apart, *close]
        tried = [t for t in tried if abs(math.log2(t / mode.frequency_hz)) > REACH_OCTAVES]
        for row, centre_hz in enumerate(response.centres_hz):
            if abs(math.log2(centre_hz / mode.frequency_hz)) < 2.0 * REACH_OCTAVES:
                screens[row] = response.screened(row, modes)
    return modes


def _octaves(one: _Mode, other: _Mode) -> float:
    return abs(math.log2(one.frequency_hz / other.frequency_hz))


def _flatness(
    frequency_hz: FloatArray, values: ComplexArray, floor: FloatArray, factor: ComplexArray
) -> float:
    """Return the log ratio of a curve's having a factor over its being smooth.

    Both with noise of the known floor; what is smooth is like the direct sound. Shapes ``(F,)``.
    """
    known = np.isfinite(values) & np.isfinite(floor) & (np.abs(values) > 0.0)
    if np.sum(known) < LEAST_POINTS:
        return 0.0
    frequency_hz, values, floor, factor = (
        x[known] for x in (frequency_hz, values, floor, factor)
    )
    octave = np.log2(frequency_hz)
    middle_hz = float(np.median(frequency_hz))
    smooth = np.exp(-0.5 * ((octave[:, None] - octave) / SMOOTH_OCTAVES) ** 2)
    apart = (frequency_hz[:, None] - frequency_hz) / middle_hz
    smooth = smooth * (1.0 + OWN_ENERGY / (1.0 + 1j * OWN_Q * apart))
    power = np.abs(values) ** 2
    noise = floor**2 / max(float(np.median(power - floor**2)), 1e-3 * float(np.median(power)))
    total = 0.0
    for sign, through in ((-1.0, np.ones_like(factor)), (1.0, factor)):
        covariance = through[:, None] * smooth * through.conj()
        covariance += np.diag(noise + PRODUCTS_ERROR * np.abs(through) ** 2)
        root = np.linalg.cholesky(covariance)
        rest = np.linalg.solve(root, values)
        total -= sign * len(values) * math.log(np.vdot(rest, rest).real)
        total -= sign * 2.0 * float(np.sum(np.log(np.diagonal(root).real)))
    return total


def _in_drive(take: SearchedTake, mode: _Mode, ratio: complex) -> dict[int, float]:
    """Return by order how much likelier the products are with the pole in the drive than behind.

    Of order n at n·f, the response there divided out: an equaliser's pole is missing in these.
    """
    swept = take.swept
    if swept is None or take.impulse is None:
        return {}
    row = take.impulse.rung
    ratios = {}
    for index in range(1, min(HIGHEST_ORDER, len(swept.values))):
        heard_hz = (index + 1) * swept.frequency_hz
        near = np.abs(np.log2(heard_hz / mode.frequency_hz)) < REACH_OCTAVES
        linear = swept.linear[index, near]
        factor = 1.0 + ratio * _pole(heard_hz[near], mode.frequency_hz, mode.q)
        ratios[index + 1] = _flatness(
            heard_hz[near],
            swept.values[index, row, near] / linear,
            swept.floors[index, row, near] / np.abs(linear),
            1.0 / factor,
        )
    return ratios


def _with_level(take: SearchedTake, mode: _Mode, ratio: complex) -> float:
    """Return how much likelier it is that the loudest rung alone has the pole than that all have.

    Products of odd order of something loose raise the fundamental where it is loud.
    """
    swept, clean = take.swept, [i for i, rung in enumerate(take.rungs) if not rung.clipped]
    if swept is None or take.impulse is None or not clean:
        return 0.0
    loud, quiet = take.impulse.rung, min(clean, key=lambda i: take.rungs[i].drive_dbfs)
    if loud == quiet:
        return 0.0
    near = np.abs(np.log2(swept.frequency_hz / mode.frequency_hz)) < REACH_OCTAVES
    heard_hz, least = swept.frequency_hz[near], swept.values[0, quiet, near]
    values = swept.values[0, loud, near] / least
    floor = swept.floors[0, quiet, near] / np.abs(least)
    known = np.isfinite(values) & np.isfinite(floor)
    if np.sum(known) < LEAST_POINTS:
        return 0.0
    f, values, floor = heard_hz[known], values[known], floor[known]
    octave = np.log2(f)
    K = np.exp(-0.5 * ((octave[:, None] - octave) / SMOOTH_OCTAVES) ** 2) * np.median(np.abs(values)**2)
    K = K * (1.0 + OWN_ENERGY2 / (1.0 + 1j * OWN_Q * (f[:, None] - f) / mode.frequency_hz))
    K = K + np.diag(floor**2 + E2)
    w = np.linalg.inv(np.linalg.cholesky(K))
    steps = mode.frequency_hz * 2.0 ** (np.arange(-2, 3) / POINTS_PER_OCTAVE)
    zf, zq = (x.ravel() for x in np.meshgrid(steps, ZERO_QS[1:]))
    poles = _pole(f, zf[:, None], zq[:, None])
    rest, columns = w @ values, w @ (poles * values).T
    gain = np.abs(rest @ columns.conj()) ** 2 / np.sum(np.abs(columns) ** 2, axis=0)
    return float(-POINTS * np.log(1 - np.max(gain) / np.vdot(rest, rest).real))


OWN_ENERGY2, E2 = 0.001, 1e-5


def find_radiated(takes: Sequence[SearchedTake]) -> list[FoundMode]:
    """Find the modes that the linear responses of all takes show, best first."""
    takes = [take for take in takes if take.impulse is not None]
    if not takes:
        return []
    response = _Response(takes)
    found = [_judged(takes, response, mode) for mode in _found(response)]
    return sorted(found, key=lambda mode: -strength(mode))


def strength(mode: FoundMode) -> float:
    """Return what confidence rests on: how much likelier a mode is than no mode, or than a pole in
    the drive or something loose, whichever is least."""
    return min(mode.log_ratio, mode.log_ratio - mode.other_log_ratio)


def _judged(takes: Sequence[SearchedTake], response: _Response, mode: _Mode) -> FoundMode:
    """Compare a mode with a pole in the drive, something loose, and the room."""
    contributions = [
        Contribution(take.position, 1, float(value))
        for take, value in zip(takes, mode.log_ratios, strict=True)
    ]
    in_drive, loose = 0.0, 0.0
    for take, ratio in zip(takes, mode.ratios, strict=True):
        for order, value in _in_drive(take, mode, complex(ratio)).items():
            contributions.append(Contribution(take.position, order, -value))
            in_drive += value
        loose = max(loose, _with_level(take, mode, complex(ratio)))
    log_ratio = float(np.sum(mode.log_ratios))
    shared = response.shared(mode) if any(response.near) else log_ratio
    shows = mode.lifts_db >= LEAST_LIFT_DB
    direct_db = [response.direct_db(p, mode.frequency_hz) for p in range(len(takes))]
    told = shows & (np.array(direct_db) >= DIRECT_DB)
    if mode.frequency_hz >= APART_HZ and np.sum(shows & (mode.log_ratios > 0.0)) > 1:
        told = shows
    telling = float(np.sum(mode.log_ratios[told]))
    direct = telling >= LEAST_LOG_RATIO
    return FoundMode(
        "radiated", mode.frequency_hz, mode.q,
        telling if direct else log_ratio,
        max(shared + in_drive, loose) - log_ratio + (telling if direct else log_ratio),
        tuple(contributions),
        direct=direct,
    )  # fmt: skip
