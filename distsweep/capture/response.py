"""The linear response of loudspeaker, room and interface, as far as a prediction needs it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy.fft

from distsweep.units import BoolArray, FloatArray, db_to_ratio, power_to_db, ratio_to_db

BEFORE_S, AFTER_S = 0.01, 0.3
"""Reach of the impulse response around the marker's arrival (chosen: direct sound, box and
port, and the room's first third of a second; what comes later is 20 dB down in a room that
one measures in)."""

REGULAR = 1e-6
"""Power added to the sweep's spectrum before dividing, re its largest (chosen: the faded
ends, 60 dB down, are then not blown up)."""

POINTS_PER_OCTAVE = 24

LEAST_MATCH = 0.12
"""Normalised correlation from which the marker counts as heard: pure noise stays below 0.1
for a minute, and 0.12 is reached in noise 15 dB above the marker (as in takes/placement)."""


@dataclass(frozen=True)
class Response:
    """A finite impulse response and the noise in it.

    Attributes
    ----------
    taps : shape ``(T,)``; sample ``before`` belongs to the marker's arrival.
    noise_taps : the same of the background alone, scaled to the sweep's length.
    rate_hz : sampling rate.
    """

    taps: FloatArray
    noise_taps: FloatArray
    before: int
    rate_hz: float

    def predict(self, wave: FloatArray) -> FloatArray:
        """Return the recording of ``wave``, from the arrival of its first sample on."""
        return _convolved(wave, self.taps, self.before)

    def predict_noise(self, wave: FloatArray) -> FloatArray:
        """Return the part of a prediction that may be no more than background."""
        return _convolved(wave, self.noise_taps, self.before)

    def gains(self, frequency_hz: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return |H| and the noise in it at frequencies in Hz, amplitude in over out."""
        return (
            _magnitude(self.taps, frequency_hz, self.rate_hz),
            _magnitude(self.noise_taps, frequency_hz, self.rate_hz),
        )


@dataclass(frozen=True)
class Gain:
    """What the bench makes of a 0 dBFS sine, in dBFS of the input; corrected for the microphone.

    Attributes
    ----------
    band_db : power mean over the level band, on a log-frequency grid.
    loudest_db, loudest_hz : at the loudest frequency that is swept and stands out of the noise.
    snr_db : band level over that of the noise in it.
    frequency_hz, curve_db : the response, shape ``(F,)``.
    """

    band_db: float
    loudest_db: float
    loudest_hz: float
    snr_db: float
    frequency_hz: FloatArray
    curve_db: FloatArray


def find_arrival(recorded: FloatArray, chirp: FloatArray) -> tuple[int, float]:
    """Return the sample at which a marker starts in a recording, and the match, 0…1."""
    lags = len(recorded) - len(chirp) + 1
    if lags < 1:
        return 0, 0.0
    length = scipy.fft.next_fast_len(len(recorded), real=True)
    spectrum = scipy.fft.rfft(recorded, length) * np.conj(scipy.fft.rfft(chirp, length))
    correlation = np.abs(scipy.fft.irfft(spectrum, length)[:lags])
    best = int(np.argmax(correlation))
    there = recorded[best : best + len(chirp)]
    scale = float(np.sqrt(np.dot(there, there) * np.dot(chirp, chirp)))
    return best, float(correlation[best]) / scale if scale > 0.0 else 0.0


def measure_response(
    recorded: FloatArray, quiet: FloatArray, wave: FloatArray, *, rate_hz: float
) -> Response:
    """Divide a recorded sweep by the sweep.

    Parameters
    ----------
    recorded : from the arrival of the sweep's first sample on, BEFORE_S earlier, shape ``(S,)``.
    quiet : the background alone.
    wave : the sweep as played.
    """
    before, after = round(BEFORE_S * rate_hz), round(AFTER_S * rate_hz)
    length = scipy.fft.next_fast_len(max(len(recorded), len(quiet)) + len(wave) + after, real=True)
    spectrum = scipy.fft.rfft(wave, length)
    power = np.abs(spectrum) ** 2
    inverse = np.conj(spectrum) / (power + REGULAR * float(np.max(power)))

    def taps(signal: FloatArray) -> FloatArray:
        return np.asarray(scipy.fft.irfft(scipy.fft.rfft(signal, length) * inverse, length))

    window = _window(before, after)
    noise = taps(quiet)
    share = np.sqrt(len(wave) / max(len(quiet), 1))
    return Response(
        taps=taps(recorded)[: before + after] * window,
        noise_taps=share * noise[: before + after] * window,
        before=before,
        rate_hz=rate_hz,
    )


def measure_gain(
    response: Response,
    *,
    swept_hz: tuple[float, float],
    level_band_hz: tuple[float, float],
    correction_db: Callable[[FloatArray], FloatArray],
    drive_ratio: Callable[[FloatArray], FloatArray],
) -> Gain:
    """Read levels off a response.

    Parameters
    ----------
    swept_hz : where the sweep sounds at full drive.
    level_band_hz : band of a rung's level; the part of it that is swept is used.
    correction_db : the microphone's deviation, subtracted.
    drive_ratio : the sweep's own drive against frequency.
    """
    octaves = float(np.log2(swept_hz[1] / swept_hz[0]))
    steps = np.arange(int(octaves * POINTS_PER_OCTAVE) + 1)
    grid = np.asarray(swept_hz[0] * 2.0 ** (steps / POINTS_PER_OCTAVE))
    heard, noise = response.gains(grid)
    scale = db_to_ratio(-correction_db(grid)) * drive_ratio(grid)
    heard, noise = heard * scale, noise * scale
    band: BoolArray = (grid >= level_band_hz[0]) & (grid <= level_band_hz[1])
    if not np.any(band):
        band = np.ones_like(band)
    clear = (heard >= 2.0 * noise) | band
    loudest = int(np.argmax(np.where(clear, heard, 0.0)))
    curve = np.asarray(ratio_to_db(np.maximum(heard, 1e-12)))
    band_db = float(power_to_db(np.mean(heard[band] ** 2)))
    noise_db = float(power_to_db(max(float(np.mean(noise[band] ** 2)), 1e-30)))
    return Gain(
        band_db=band_db,
        loudest_db=float(curve[loudest]),
        loudest_hz=float(grid[loudest]),
        snr_db=band_db - noise_db,
        frequency_hz=grid,
        curve_db=curve,
    )


def _window(before: int, after: int) -> FloatArray:
    """One, with soft ends: a fifth of each side is half a cosine."""
    rise, fall = max(before // 5, 1), max(after // 5, 1)
    window = np.ones(before + after)
    window[:rise] = 0.5 - 0.5 * np.cos(np.pi * np.arange(rise) / rise)
    window[-fall:] = 0.5 + 0.5 * np.cos(np.pi * np.arange(fall) / fall)
    return window


def _convolved(wave: FloatArray, taps: FloatArray, before: int) -> FloatArray:
    length = scipy.fft.next_fast_len(len(wave) + len(taps), real=True)
    product = scipy.fft.rfft(wave, length) * scipy.fft.rfft(taps, length)
    return np.asarray(scipy.fft.irfft(product, length)[before : before + len(wave)])


def _magnitude(taps: FloatArray, frequency_hz: FloatArray, rate_hz: float) -> FloatArray:
    length = scipy.fft.next_fast_len(4 * len(taps), real=True)
    spectrum = np.abs(scipy.fft.rfft(taps, length))
    return np.asarray(
        np.interp(frequency_hz, np.arange(len(spectrum)) * rate_hz / length, spectrum)
    )
