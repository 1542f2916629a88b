"""Distortion while a sweep still plays: stop a rung in which the loudspeaker is in distress.

The sweep's frequency f rises, and what is heard at any moment above it can only be harmonics
or noise: reverberation of what was played earlier lies below f. So every few hundredths of a
second the latest stretch of the recording is parted in power from 0.67·f to 1.5·f, the
fundamental's, and from 1.5·f to order·f (or the end of the band), the harmonics' and the
background's. A stretch is at most 0.26·L long, L being the sweep's rate constant: f then moves
by at most 30 %, so that the second harmonic of the stretch's start still lies above 1.5 times
the frequency of its end. It is at least six periods long, so that a Hann window parts the two:
where six periods take longer than 0.26·L or a quarter of a second (below 24 Hz in a slow sweep,
below 92 Hz in 2 s from 20 Hz to 20 kHz), only the analysis of the whole rung looks.

Noise that was not there before the rung differs from harmonics by where it lies. Sampled at
equal steps of the sweep's phase instead of time, each harmonic of a stretch is a line; what
arrives late lies just below its line, and between a line and half-way to the next there is only
noise. At least half of what is over the limit must be left when that is taken off.

THD = sqrt(harmonics/fundamental) counts where it counts in the analysis of the whole rung
(``judge``): where the fundamental is within 10 dB of the rung's level. The rung stops when THD
stays over the limit for a third of an octave, or half a second if that is less, and over two
stretches that do not overlap: a narrow dip of the fundamental does not last so long. Nor does a
peak of THD narrower than that, which is left to the analysis. Arithmetic on arrays: no device, no
clock.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
import scipy.fft

from distsweep.capture.judge import EFFECTIVE_RANGE_DB
from distsweep.capture.watch import Stop
from distsweep.stimulus.sweep import Sweep
from distsweep.units import FloatArray, db_to_power

STRETCH_OF_L, LONGEST_STRETCH_S = 0.26, 0.25
"""Length of a stretch re the sweep's rate constant, and at most (chosen: exp(0.26) = 1.3 keeps
the orders apart; a quarter of a second leaves time for two of them within 1 s)."""

LEAST_PERIODS = 6.0
"""Least number of periods of the fundamental in a stretch (chosen: the window's main lobe then
reaches a third of f to either side)."""

BELOW, ABOVE = 0.67, 1.5
"""Bounds of the fundamental re the frequency at the stretch's start and end: half-way, on a log
scale, to an octave below and to the second harmonic of the stretch's start."""

STEP_S = 0.05
"""Stretches are judged at this step, or four times in their own length if that is sooner
(chosen)."""

LASTS_OCTAVES, LASTS_S = 1.0 / 3.0, 0.5
"""THD is over the limit for this long before the rung stops, whichever is shorter (chosen)."""

NOISE_MARGIN = 2.0
"""The background counts as twice the power it had before the rung (chosen: the power of room
noise in a quarter of a second differs by 3 dB from moment to moment, most of it at low
frequencies)."""

LINE_REACHES, LINE_REACHES_BINS = 0.2, 2.0
"""How far a harmonic reaches above its line: the first, in orders, but no less than the window's
main lobe, the second, in bins (chosen: clocks, and a marker found by a reflection, shift lines by
less)."""

BETWEEN_MARGIN = 1.5
"""Factor on the noise between the lines (chosen: few bins lie there, so it is known badly)."""

HARMONIC_SHARE = 0.5
"""Share of the limit's power that must be left when the noise between the lines is taken
off (chosen)."""


class Distress:
    """Follows the THD of one rung as it is recorded; see the module for the rule."""

    def __init__(
        self,
        sweep: Sweep,
        *,
        starts: Sequence[int],
        band_hz: tuple[float, float],
        order: int,
        limit_percent: float,
        predicted: FloatArray,
        level_band_hz: tuple[float, float],
        quiet: FloatArray,
        correction_db: Callable[[FloatArray], FloatArray],
    ) -> None:
        """Prepare everything that does not depend on the recording.

        Parameters
        ----------
        starts : samples at which the sweeps of the rung start, the first at 0.
        band_hz, order : harmonics 2 to ``order`` count as far as they lie inside the band.
        limit_percent : of the fundamental.
        predicted : what the microphone should hear from the first sweep's start on, ``(S,)``.
        level_band_hz : band over whose mean level a rung's level is taken.
        quiet : the background alone, ``(samples,)``.
        correction_db : the microphone's deviation against frequency in Hz, subtracted.
        """
        self._sweep = sweep
        self._starts = list(starts)
        self._band_hz = band_hz
        self._order = order
        self._limit_percent = limit_percent
        rate_hz = sweep.rate_hz
        stretch_s = min(STRETCH_OF_L * sweep.rate_constant_s, LONGEST_STRETCH_S)
        self._length = max(2, round(stretch_s * rate_hz))
        self._step = round(min(STEP_S, 0.25 * stretch_s) * rate_hz)
        lasts_s = min(LASTS_OCTAVES * math.log(2.0) * sweep.rate_constant_s, LASTS_S)
        self._lasts = max(round(lasts_s * rate_hz), self._length)
        self._window = _hann(self._length)
        self._points = scipy.fft.next_fast_len(self._length, real=True)
        self._bin_hz = rate_hz / self._points
        bins_hz = self._bin_hz * np.arange(self._points // 2 + 1)
        self._weight = np.asarray(db_to_power(-correction_db(np.maximum(bins_hz, band_hz[0]))))
        self._noise = self._summed_noise(quiet)
        self._equal_phases = _equal_phases(self._length, sweep)
        self._least_power = db_to_power(-EFFECTIVE_RANGE_DB) * self._mean_power(
            predicted, level_band_hz
        )
        self._next = 0
        self._since: int | None = None
        self._worst = 0.0
        self._worst_hz = 0.0

    def look(self, recorded: FloatArray, end: int, sweep_at: int | None) -> Stop | None:
        """Judge the latest stretch if it is time.

        Parameters
        ----------
        recorded : the recording; ``recorded[:end]`` is valid.
        sweep_at : recorded sample at which the first sweep starts; None while not known.
        """
        if sweep_at is None or end < self._next:
            return None
        self._next = end + self._step
        thd = self._thd(recorded, end, sweep_at)
        if thd is None:
            return None
        ratio, frequency_hz = thd
        if 100.0 * ratio <= self._limit_percent:
            self._since = None
            self._worst = 0.0
            return None
        if self._since is None:
            self._since = end
        if ratio > self._worst:
            self._worst, self._worst_hz = ratio, frequency_hz
        if end - self._since < self._lasts:
            return None
        return Stop(
            "distorted",
            f"THD is {100.0 * self._worst:.0f} % around {self._worst_hz:.0f} Hz, the limit"
            f" {self._limit_percent:g} %: the rung was faded out, and no louder one is played"
            " (--thd-limit-percent)",
            end,
        )

    def _thd(self, recorded: FloatArray, end: int, sweep_at: int) -> tuple[float, float] | None:
        """Return the THD of the latest stretch and its frequency; None where it does not count."""
        first = end - self._length
        start = max((s for s in self._starts if sweep_at + s <= first), default=None)
        if start is None or end > sweep_at + start + self._sweep.samples:
            return None
        low_hz, high_hz = (self._frequency_hz(at - sweep_at - start) for at in (first, end))
        long_enough = low_hz * self._length >= LEAST_PERIODS * self._sweep.rate_hz
        top_hz = min(self._order * high_hz, self._band_hz[1])
        if not long_enough or high_hz < self._band_hz[0] or top_hz <= 2.0 * high_hz:
            return None
        summed = np.cumsum(self._weight * _power(recorded[first:end], self._window, self._points))
        fundamental = self._between(summed, BELOW * low_hz, ABOVE * high_hz)
        if fundamental < self._least_power:
            return None
        harmonics = self._between(summed, ABOVE * high_hz, top_hz)
        noise = self._between(self._noise, ABOVE * high_hz, top_hz)
        ratio = math.sqrt(max(harmonics - NOISE_MARGIN * noise, 0.0) / fundamental)
        middle_hz = math.sqrt(low_hz * high_hz)
        if 100.0 * ratio > self._limit_percent:
            power = self._harmonic_power(recorded[first:end], high_hz - low_hz, top_hz / middle_hz)
            if power < HARMONIC_SHARE * (0.01 * self._limit_percent) ** 2 * fundamental:
                ratio = 0.0
        return ratio, middle_hz

    def _harmonic_power(self, stretch: FloatArray, swept_hz: float, top_order: float) -> float:
        """Return the power of the harmonics' lines less that of the noise between them.

        Parameters
        ----------
        stretch : the latest one, ``(length,)``.
        swept_hz : frequency at its end less that at its start: times the rate constant, the
            periods of the fundamental in it.
        top_order : harmonics up to this order count.
        """
        periods = swept_hz * self._sweep.rate_constant_s
        by_phase = np.interp(self._equal_phases, np.arange(len(stretch)), stretch)
        summed = np.cumsum(_power(by_phase, self._window, self._points))
        bins_per_order = periods * self._points / self._length
        reach = max(LINE_REACHES, LINE_REACHES_BINS / periods)
        power = 0.0
        for order in range(2, math.floor(top_order) + 1):
            bins = [round(bins_per_order * (order + off)) for off in (-0.5, reach, 0.5)]
            low, line, high = (min(place, len(summed) - 1) for place in bins)
            if line < high:
                noise = float(summed[high] - summed[line]) * (line - low) / (high - line)
                power += float(summed[line] - summed[low]) - BETWEEN_MARGIN * noise
        return power

    def _frequency_hz(self, sample: int) -> float:
        return float(self._sweep.frequency_at_hz(sample / self._sweep.rate_hz))

    def _between(self, summed: FloatArray, low_hz: float, high_hz: float) -> float:
        """Return the power between two frequencies, from cumulated powers of the bins."""
        low, high = (
            min(max(round(f / self._bin_hz), 0), len(summed) - 1) for f in (low_hz, high_hz)
        )
        return float(summed[high] - summed[low])

    def _summed_noise(self, quiet: FloatArray) -> FloatArray:
        """Return the cumulated background power of the bins, averaged over stretches."""
        length = min(self._length, len(quiet))
        if length < 2:
            return np.zeros(len(self._weight))
        window, step = _hann(length), max(1, length // 2)
        starts = range(0, len(quiet) - length + 1, step)
        powers = [_power(quiet[at : at + length], window, self._points) for at in starts]
        return np.asarray(np.cumsum(self._weight * np.mean(powers, axis=0)))

    def _mean_power(self, predicted: FloatArray, level_band_hz: tuple[float, float]) -> float:
        """Return the mean square predicted while the sweep is inside the level band.

        An exponential sweep spends the same time in every octave, so that this is the mean
        over a log-frequency grid.
        """
        low_hz = max(level_band_hz[0], self._sweep.full_from_hz)
        high_hz = min(level_band_hz[1], self._sweep.full_to_hz)
        if low_hz >= high_hz:
            low_hz, high_hz = self._sweep.full_from_hz, self._sweep.full_to_hz
        first, last = (
            round(float(self._sweep.time_of_s(f)) * self._sweep.rate_hz) for f in (low_hz, high_hz)
        )
        return float(np.mean(predicted[first:last] ** 2)) if last > first else 0.0


def _equal_phases(length: int, sweep: Sweep) -> FloatArray:
    """Return the samples of a stretch at which its sweep has turned by equal phases."""
    rate_constant = sweep.rate_constant_s * sweep.rate_hz
    grown = math.expm1(length / rate_constant)
    return np.asarray(rate_constant * np.log1p(grown * np.arange(length) / length))


def _hann(length: int) -> FloatArray:
    return 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(length) + 0.5) / length)


def _power(stretch: FloatArray, window: FloatArray, points: int) -> FloatArray:
    """Return the power of each bin; all together they make the stretch's weighted mean square."""
    spectrum = scipy.fft.rfft(stretch * window, points)
    power = spectrum.real**2 + spectrum.imag**2
    return np.asarray(2.0 * power / (points * float(np.dot(window, window))))
