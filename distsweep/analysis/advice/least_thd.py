"""Before anything is measured: the least THD that background and levels would leave known.

What the analysis would know of a ladder is computed with its own windows, floors, bands and
intervals, of a background that was listened to and levels that are expected. Only the harmonics
are not there: they are taken to be a second and a third of equal power, as far as the band holds
both. Most of a loudspeaker's THD is in these two, and noise in higher ones adds to what is measured
all the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.advice.advise import ADVISED_HZ, enough_of
from distsweep.analysis.advice.chances import least_known
from distsweep.analysis.noise.background import (
    SEGMENT_S,
    independent_segments,
    noise_spectrum,
    stretches_in,
)
from distsweep.analysis.noise.hum import line_power, lines_in
from distsweep.analysis.noise.interval import NoisySum
from distsweep.analysis.settings import TakeSettings
from distsweep.analysis.sweep.deconvolution import Deconvolver
from distsweep.analysis.sweep.grid import frequency_grid
from distsweep.analysis.sweep.intervals import Bands, averaged, shift_by_speed_db
from distsweep.analysis.sweep.separation import floor_of_noise
from distsweep.analysis.sweep.windows import HarmonicWindow
from distsweep.stimulus.sweep import Sweep
from distsweep.units import BoolArray, FloatArray, db_to_power, ratio_to_db

SPOKEN_OF_PERCENT = (1.0, 0.1)
"""THD of which a forecast speaks (chosen: about what a woofer has at a good level, and what a clean
loudspeaker has in the midrange; what this one has is not known yet)."""

MORE_TIMES = 4
"""Times the repeats of which it is said what they would bring (chosen: half the noise)."""

SIGNAL_ORDERS = 2
"""Harmonics that THD is taken to be of, from the second on (chosen: see above)."""


@dataclass(frozen=True)
class PlannedLadder:
    """What a measurement's noise goes by besides the background.

    Attributes
    ----------
    pause_s : silence after each sweep.
    silences, silence_s : how many silences the recordings will hold, and how long each is.
    repeats : sweeps a rung.
    """

    sweep: Sweep
    pause_s: float
    silences: int
    silence_s: float
    repeats: int


@dataclass(frozen=True)
class LeastThd:
    """The least THD known within 1.5 dB over thirds of an octave; NaN where none ever is.

    Attributes
    ----------
    frequency_hz : nominal midband frequencies of all bands with a harmonic in the measured band,
        shape ``(B,)``.
    percent : of the fundamental, shape ``(L, B)`` of so many levels.
    """

    frequency_hz: FloatArray
    percent: FloatArray

    @property
    def highest_asked_hz(self) -> float:
        """The highest band up to the upper end of `ADVISED_HZ`."""
        return float(np.max(self.frequency_hz[self.frequency_hz <= ADVISED_HZ[1]], initial=0.0))

    def in_most(self, level: int) -> float | None:
        """Return the THD, in percent, known in nine tenths of the bands in `ADVISED_HZ`."""
        hz = self.frequency_hz
        values = np.sort(self.percent[level, (hz >= ADVISED_HZ[0]) & (hz <= ADVISED_HZ[1])])
        return float(values[enough_of(len(values)) - 1]) if len(values) else None

    def edges_hz(self, level: int, thd_percent: float) -> tuple[float, float] | None:
        """Return from where to where a THD is known; None where it is in no band asked about.

        Of the bands up to the upper end of `ADVISED_HZ` it is the longest range of which nine
        tenths are known, its own ends as well.
        """
        asked = self.frequency_hz <= ADVISED_HZ[1]
        return known_range(self.frequency_hz[asked], self.percent[level, asked] <= thd_percent)


def known_range(frequency_hz: FloatArray, known: BoolArray) -> tuple[float, float] | None:
    """Return the ends of the longest range with known ends of which nine tenths are known."""
    best: tuple[int, int] | None = None
    places = np.flatnonzero(known)
    count = np.concatenate([[0], np.cumsum(known)])
    for first in places:
        for last in places[places >= first]:
            bands = int(last - first + 1)
            enough = count[last + 1] - count[first] >= enough_of(bands)
            if enough and (best is None or bands > best[1] - best[0] + 1):
                best = int(first), int(last)
    return None if best is None else (float(frequency_hz[best[0]]), float(frequency_hz[best[1]]))


class Forecast:
    """What a background leaves known of a planned ladder, at whatever level its rungs come out."""

    def __init__(
        self, backgrounds: Sequence[FloatArray], planned: PlannedLadder, settings: TakeSettings
    ) -> None:
        """Compute the noise that every order's windows will see.

        Parameters
        ----------
        backgrounds : the input while nothing plays, full scale 1, each of shape ``(samples,)``.
        settings : band, order, and the microphone's correction.

        Raises
        ------
        ValueError
            All are shorter than `SEGMENT_S`.
        """
        rate_hz = float(planned.sweep.rate_hz)
        noise = noise_spectrum(backgrounds, rate_hz=rate_hz)
        if noise is None:
            raise ValueError(f"no background lasts {SEGMENT_S:g} s: must be longer")
        stretches = max(1, planned.silences * stretches_in(planned.silence_s))
        self._noise = replace(noise, segments=independent_segments(stretches))
        self._planned, self._settings = planned, settings
        self.frequency_hz = frequency_grid(settings.band_hz)
        """The grid of excitation frequencies, shape ``(F,)``."""
        self._read_windows(np.max([lines_in(one, rate_hz) for one in backgrounds], axis=0))
        self._bands = Bands(3, self.frequency_hz, self._independent_hz, self._noise)

    def _read_windows(self, lines: FloatArray) -> None:
        """Keep what the windows see of one sweep, mean squares, as `read_passes` reads them."""
        grid, planned, settings = self.frequency_hz, self._planned, self._settings
        samples = planned.sweep.samples + round(planned.pause_s * planned.sweep.rate_hz)
        deconvolver = Deconvolver(planned.sweep, samples=samples, order=settings.order)
        shape = (settings.order, len(grid))
        self._floors, self._degrees = np.full(shape, np.nan), np.full(shape, np.inf)
        self._independent_hz, self._resolved = np.full(shape, np.nan), np.zeros(shape, dtype=bool)
        for index in range(settings.order):
            order = index + 1
            radiated_hz = order * grid[order * grid <= settings.band_hz[1] * (1.0 + 1e-9)]
            held = len(radiated_hz)
            if not held:
                break
            window = HarmonicWindow(deconvolver, order, radiated_hz)
            floor = floor_of_noise(deconvolver, window, self._noise) ** 2
            hum = line_power(lines[None], radiated_hz, window.energy_s, window.sum_s)[0]
            floor = np.maximum(floor, deconvolver.inverse_gain(radiated_hz) ** 2 * hum)
            self._floors[index, :held] = floor * db_to_power(-settings.correction_db(radiated_hz))
            width_hz = window.energy_s / window.sum_s**2
            self._degrees[index, :held] = self._noise.degrees_around(width_hz)
            self._independent_hz[index, :held] = window.independent_hz
            self._resolved[index, :held] = window.resolves

    def flat_db(self, level_dbfs: float) -> FloatArray:
        """Return the fundamental of a rung that is flat but for the sweep's own drive, ``(F,)``."""
        ratio = self._planned.sweep.drive_ratio(self.frequency_hz)
        return np.asarray(level_dbfs + ratio_to_db(ratio))

    def least_thd(self, fundamental_db: FloatArray, *, times: float = 1.0) -> LeastThd:
        """Return the least THD known of rungs.

        Parameters
        ----------
        fundamental_db : their fundamentals as played, dBFS at the input, shape ``(L, F)``.
        times : how many times the planned repeats there were.
        """
        shape = (len(self._floors), *fundamental_db.shape)
        noises = np.broadcast_to(self._floors[:, None] / (self._planned.repeats * times), shape)
        power = db_to_power(fundamental_db)
        powers = noises.copy()
        powers[0] += power
        # Whatever its power, a signal in these orders lies where the noise beside it is so much.
        powers[1 : 1 + SIGNAL_ORDERS] += power
        leaks = np.zeros(shape)
        degrees = np.broadcast_to(self._degrees[:, None], shape)
        usable = np.broadcast_to(self._resolved[:, None], shape)
        harmonics = NoisySum.ratios(powers, noises, degrees, leaks)
        bands = averaged(harmonics, usable, self._bands)
        shift_db = np.broadcast_to(self._shift_db(), bands.total.shape)
        thd = bands.summed()
        least = np.where(
            np.isfinite(thd.total),
            least_known(thd, np.nan_to_num(bands.weighted(shift_db))),
            np.nan,
        )
        there = 2.0 * self._bands.middle_hz <= self._settings.band_hz[1]
        percent = 100.0 * np.sqrt(least[:, there])
        return LeastThd(self._bands.middle_hz[there], percent)

    def _shift_db(self) -> FloatArray:
        """Return by how much the sweep's speed leaves bands open, ``(order − 1, 1, B)``."""
        inside = self._bands.inside
        shift_db = shift_by_speed_db(
            self.frequency_hz, self._planned.sweep.rate_constant_s, order=len(self._floors)
        )
        return np.asarray((shift_db @ inside.T.astype(float)) / np.sum(inside, axis=1))
