"""The linear response of loudspeaker, room and interface, as far as a prediction needs it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import scipy.fft

from distsweep.units import BoolArray, FloatArray, db_to_ratio, power_to_db, ratio_to_db

BEFORE_S, AFTER_S = 0.01, 1.5
"""Reach of the impulse response around the marker's arrival (chosen: a resonance of Q 100 at
100 Hz has then come within 0.1 dB of its steady level: 1 − exp(−πft/Q), and the room is over)."""

REGULAR = 1e-6
"""Power added to the sweep's spectrum before dividing, re its largest (chosen: the faded
ends, 60 dB down, are then not blown up)."""

POINTS_PER_OCTAVE = 24

LEVEL_WINDOW_S = 0.125
"""A level is the RMS over this: the time constant F of IEC 61672-1 (5.8, from memory)."""

LEVEL_STEP_S = 0.005
"""Interval at which levels are taken (chosen)."""

NOISE_MEAN_S = 1.0
"""The noise in a predicted level is averaged over this time (chosen)."""

CLEAR_POWER = 10.0
"""A bin's power over the noise in it from which it may be the loudest (chosen: noise then adds
2.4 dB at the very worst)."""

NOISE_OCTAVES = 1.0 / 3.0
"""The noise in a response is averaged over this width (chosen: single bins of noise are
erratic)."""

LEAST_MATCH = 0.12
"""Normalised correlation from which the marker counts as heard: pure noise stays below 0.1
for a minute, and 0.12 is reached in noise 15 dB above the marker (as in takes/placement)."""


DRIFT_SAMPLES = 64
"""Two clocks drift apart by less between the markers of a probe (300 ppm in 4.4 s at 48 kHz)."""


@dataclass(frozen=True)
class Response:
    """A finite impulse response and the noise in it.

    Attributes
    ----------
    taps : shape ``(T,)``; sample ``before`` belongs to the marker's arrival.
    noise_taps : the same of the background alone.
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

    def corrected(self, correction_db: Callable[[FloatArray], FloatArray]) -> Response:
        """Return the response with the microphone's deviation, in dB over Hz, taken out."""
        length = scipy.fft.next_fast_len(2 * len(self.taps), real=True)
        frequency_hz = np.maximum(np.arange(length // 2 + 1) * self.rate_hz / length, 1.0)
        scale = db_to_ratio(-correction_db(frequency_hz))

        def filtered(taps: FloatArray) -> FloatArray:
            spectrum = scale * scipy.fft.rfft(taps, length)
            return np.asarray(scipy.fft.irfft(spectrum, length)[: len(taps)])

        return replace(self, taps=filtered(self.taps), noise_taps=filtered(self.noise_taps))

    def powers(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return frequencies in Hz, |H|² and the mean noise power in it, shape ``(B,)`` each."""
        length = scipy.fft.next_fast_len(2 * len(self.taps), real=True)
        frequency_hz = np.arange(length // 2 + 1) * self.rate_hz / length
        power = np.abs(scipy.fft.rfft(self.taps, length)) ** 2
        noise = np.abs(scipy.fft.rfft(self.noise_taps, length)) ** 2
        return (
            frequency_hz,
            power,
            averaged(frequency_hz, noise, frequency_hz, octaves=NOISE_OCTAVES),
        )

    def gains(self, grid_hz: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return |H| and the noise in it, averaged by power over 1/24 octave around each point."""
        frequency_hz, power, noise = self.powers()
        return (
            np.sqrt(averaged(frequency_hz, power, grid_hz)),
            np.sqrt(averaged(frequency_hz, noise, grid_hz)),
        )

    def steady_gain_db(self, frequency_hz: float) -> float:
        """Return what a steady sine of 0 dBFS gives at the input, dBFS."""
        turns = frequency_hz / self.rate_hz * np.arange(len(self.taps))
        return float(ratio_to_db(max(abs(np.dot(self.taps, np.exp(-2j * np.pi * turns))), 1e-12)))

    def highest_level_db(self, wave: FloatArray) -> float:
        """Return the highest level over 125 ms, dBFS, that ``wave`` will have at the input.

        The wave is convolved with the impulse response, so that a narrow resonance counts as
        far as the wave excites it; the noise in the response is taken off, as it is at that moment
        of the wave: rumble is in a sweep's first second.
        """
        levels = level_powers(self.predict(wave), rate_hz=self.rate_hz)
        noise = level_powers(self.predict_noise(wave), rate_hz=self.rate_hz)
        box = np.ones(min(len(noise), round(NOISE_MEAN_S / LEVEL_STEP_S)))
        mean = np.convolve(noise, box, "same") / np.convolve(np.ones(len(noise)), box, "same")
        return float(power_to_db(max(2.0 * float(np.max(levels - mean)), 1e-30)))


@dataclass(frozen=True)
class Gain:
    """What the bench makes of a 0 dBFS sine, in dBFS of the input; corrected for the microphone.

    Attributes
    ----------
    band_db : power mean over the level band, on a log-frequency grid.
    loudest_db, loudest_hz : at the loudest frequency that is swept and stands out of the noise.
    snr_db : band level over that of the noise in it.
    frequency_hz, curve_db : the response, averaged by power over 1/24 octave, shape ``(F,)``.
    """

    band_db: float
    loudest_db: float
    loudest_hz: float
    snr_db: float
    frequency_hz: FloatArray
    curve_db: FloatArray


def find_arrival(recorded: FloatArray, chirp: FloatArray) -> tuple[int, float]:
    """Return the sample at which a marker starts in a recording, and the match, 0…1."""
    correlation = _correlation(recorded, chirp)
    if not len(correlation):
        return 0, 0.0
    best = int(np.argmax(correlation))
    heard = recorded[best : best + len(chirp)]
    scale = float(np.sqrt(np.dot(heard, heard) * np.dot(chirp, chirp)))
    return best, float(correlation[best]) / scale if scale > 0.0 else 0.0


def find_delay(
    recorded: FloatArray, chirp: FloatArray, *, played_at: tuple[int, int], longest: int
) -> tuple[int, float]:
    """Find the delay at which both markers of a file arrive.

    Parameters
    ----------
    played_at : samples of the file at which the two markers start.
    longest : the longest delay looked for, in samples.

    Returns
    -------
    The delay in samples, and the match of the worse of the two markers, 0…1. A single marker
    cannot say which of the two it is, nor that the delay is longer than the recording goes on.
    """
    correlation = _correlation(recorded, chirp)
    delays = min(longest + 1, len(correlation) - played_at[1])
    if delays < 1:
        return 0, 0.0
    running = np.concatenate([[0.0], np.cumsum(recorded**2)])
    energy = running[len(chirp) :] - running[: -len(chirp)]
    scale = np.sqrt(np.maximum(energy * np.dot(chirp, chirp), 1e-30))
    first = (correlation / scale)[played_at[0] : played_at[0] + delays]
    # The clocks of player and recorder may drift apart between the two markers.
    spread = 1 + 2 * DRIFT_SAMPLES
    padded = np.pad(correlation / scale, DRIFT_SAMPLES)
    second = np.max(np.lib.stride_tricks.sliding_window_view(padded, spread), axis=1)
    match = np.minimum(first, second[played_at[1] : played_at[1] + delays])
    best = int(np.argmax(match))
    return best, float(match[best])


def _correlation(recorded: FloatArray, chirp: FloatArray) -> FloatArray:
    """Magnitude of the correlation at every lag at which the chirp lies inside the recording."""
    lags = len(recorded) - len(chirp) + 1
    if lags < 1:
        return np.zeros(0)
    length = scipy.fft.next_fast_len(len(recorded), real=True)
    spectrum = scipy.fft.rfft(recorded, length) * np.conj(scipy.fft.rfft(chirp, length))
    return np.asarray(np.abs(scipy.fft.irfft(spectrum, length)[:lags]))


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
    # The background is repeated to the recording's length, so that all of the sweep meets it.
    noise = np.resize(quiet, len(recorded)) if len(quiet) else np.zeros(len(recorded))
    return Response(
        taps=taps(recorded)[: before + after] * window,
        noise_taps=taps(noise)[: before + after] * window,
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
    frequency_hz, power, noise = response.powers()
    swept = (frequency_hz >= swept_hz[0]) & (frequency_hz <= swept_hz[1])
    frequency_hz, power, noise = frequency_hz[swept], power[swept], noise[swept]
    scale = db_to_ratio(-correction_db(frequency_hz)) * drive_ratio(frequency_hz)
    power, noise = power * scale**2, noise * scale**2
    band: BoolArray = (frequency_hz >= level_band_hz[0]) & (frequency_hz <= level_band_hz[1])
    if not np.any(band):
        band = np.ones_like(band)
    loudest = int(np.argmax(np.where(power >= CLEAR_POWER * noise, power, 0.0)))
    band_power, band_noise = (_log_mean(frequency_hz[band], p[band]) for p in (power, noise))
    octaves = float(np.log2(swept_hz[1] / swept_hz[0]))
    grid = swept_hz[0] * 2.0 ** (
        np.arange(int(octaves * POINTS_PER_OCTAVE) + 1) / POINTS_PER_OCTAVE
    )
    clean = np.maximum(power - noise, 1e-24)
    signal = max(band_power - band_noise, 1e-30)
    return Gain(
        band_db=float(power_to_db(signal)),
        loudest_db=max(float(power_to_db(max(power[loudest], 1e-30))), float(power_to_db(signal))),
        loudest_hz=float(frequency_hz[loudest]),
        snr_db=float(power_to_db(signal / max(band_noise, 1e-30))),
        frequency_hz=grid,
        curve_db=np.asarray(power_to_db(averaged(frequency_hz, clean, grid))),
    )


def level_powers(wave: FloatArray, *, rate_hz: float) -> FloatArray:
    """Return the mean square over every 125 ms of a wave, one each 5 ms, shape ``(L,)``."""
    window, step = round(LEVEL_WINDOW_S * rate_hz), round(LEVEL_STEP_S * rate_hz)
    running = np.concatenate([[0.0], np.cumsum(wave**2)])
    if len(wave) <= window:
        return np.array([running[-1] / max(window, 1)])
    starts = np.arange(0, len(wave) - window + 1, step)
    return np.asarray((running[starts + window] - running[starts]) / window)


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


def _log_mean(frequency_hz: FloatArray, power: FloatArray) -> float:
    """Mean over the logarithm of frequency."""
    return float(np.sum(power / frequency_hz) / np.sum(1.0 / frequency_hz))


def averaged(
    frequency_hz: FloatArray,
    power: FloatArray,
    grid_hz: FloatArray,
    *,
    octaves: float = 1.0 / POINTS_PER_OCTAVE,
) -> FloatArray:
    """Mean over a fraction of an octave around each point of a grid; by default its own step."""
    half = 2.0 ** (0.5 * octaves)
    first = np.searchsorted(frequency_hz, grid_hz / half)
    last = np.searchsorted(frequency_hz, grid_hz * half)
    # Where bins stand further apart than the grid, the nearest one is taken.
    first = np.minimum(first, len(power) - 1)
    last = np.maximum(last, first + 1)
    running = np.concatenate([[0.0], np.cumsum(power)])
    return np.asarray((running[last] - running[first]) / (last - first))
