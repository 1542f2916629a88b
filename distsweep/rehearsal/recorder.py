"""Microphone noise, mains hum, and the recorder with a clock of its own."""

from __future__ import annotations

import numpy as np

from distsweep.rehearsal.arrays import (
    ComplexArray,
    FloatArray,
    fast_length,
    frequencies_hz,
    phasor,
)
from distsweep.rehearsal.bench import Bench
from distsweep.units import spl_db_to_pascal


def noise_pa(
    bench: Bench, count: int, *, rate_hz: float, generator: np.random.Generator
) -> FloatArray:
    """Gaussian noise of density 1 + f_c/f, at the bench's level between 20 Hz and 20 kHz.

    Below 1 Hz the density stays constant, so that there is no drift without bound.
    """
    if bench.noise_spl_db == -np.inf:
        return np.zeros(count)
    length = fast_length(count)
    grid_hz = frequencies_hz(length, rate_hz)
    power = 1.0 + bench.noise_corner_hz / np.maximum(grid_hz, 1.0)
    upper_hz = min(20000.0, rate_hz / 2.0)
    # Integral of the density over the band in which the level is stated, by 1 Hz of white noise.
    in_band = (upper_hz - 20.0) + bench.noise_corner_hz * np.log(upper_hz / 20.0)
    rms_pa = spl_db_to_pascal(bench.noise_spl_db)
    # White noise of unit variance has the density 1/(rate/2) per Hz.
    shape = rms_pa * np.sqrt(power * (rate_hz / 2.0) / in_band)
    spectrum = np.fft.rfft(generator.standard_normal(length)) * shape
    return np.fft.irfft(spectrum, length)[:count]


def hum_pa(bench: Bench, time_s: FloatArray, *, generator: np.random.Generator) -> FloatArray:
    """Mains lines at their stated levels and random phases, [shape=(n,)]."""
    result = np.zeros(time_s.size)
    for frequency_hz, level_db in bench.hum_spl_db:
        phase = generator.uniform(0.0, 2.0 * np.pi)
        amplitude_pa = np.sqrt(2.0) * spl_db_to_pascal(level_db)
        result += amplitude_pa * np.sin(2.0 * np.pi * frequency_hz * time_s + phase)
    return result


def sample_at(spectrum: ComplexArray, *, count: int, step: float, points: int) -> FloatArray:
    """Values of a periodic band-limited signal at 0, step, 2·step … samples, [shape=(points,)].

    The sum of its Fourier series at evenly spaced instants, by Bluestein's convolution: exact, also
    where the instants fall between samples.

    References
    ----------
    L. Bluestein, "A linear filtering approach to the computation of discrete Fourier transform",
    IEEE Trans. AU-18(4), 1970.
    """
    bins = spectrum.size
    weighted = spectrum * 2.0
    weighted[0] = spectrum[0]
    if count % 2 == 0:
        weighted[-1] = spectrum[-1]

    def chirp(index: FloatArray) -> ComplexArray:
        # n·k = (n² + k² − (n − k)²)/2. Whole turns are taken off before the exponential, as the
        # squares exceed what it resolves.
        turns = np.remainder(index**2 * (step / (2.0 * count)), 1.0)
        return phasor(2.0 * np.pi * turns)

    length = fast_length(bins + points - 1)
    kernel = np.zeros(length, dtype=np.complex128)
    kernel[:points] = np.conj(chirp(np.arange(points, dtype=np.float64)))
    kernel[length - bins + 1 :] = np.conj(chirp(np.arange(bins - 1, 0, -1, dtype=np.float64)))
    signal = np.fft.fft(weighted * chirp(np.arange(bins, dtype=np.float64)), length)
    convolved = np.fft.ifft(signal * np.fft.fft(kernel))[:points]
    result: FloatArray = np.real(convolved * np.conj(kernel[:points])) / count
    return result


def record(
    spectrum_pa: ComplexArray,
    bench: Bench,
    *,
    count: int,
    waveform_samples: int,
    rate_hz: float,
    generator: np.random.Generator,
) -> FloatArray:
    """The recording in full scale, [shape=(n,)], for the spectrum of pressure at the microphone.

    `count` is the length of the spectrum's signal, of which the waveform's time is the first
    `waveform_samples`.
    """
    early = round(bench.starts_early_s * rate_hz)
    speed = 1.0 + bench.clock_offset_ppm * 1e-6
    late = max(0, -early)
    heard = round((waveform_samples + bench.tail_s * rate_hz) * speed)
    if late >= heard:
        raise ValueError(
            f"starts_early_s is {bench.starts_early_s}: the recording would begin after its end"
        )
    if speed == 1.0:
        sound_pa = np.fft.irfft(spectrum_pa, count)[:heard]
    else:
        sound_pa = sample_at(spectrum_pa, count=count, step=1.0 / speed, points=heard)
    recorded_pa = np.concatenate((np.zeros(max(0, early)), sound_pa[late:]))
    time_s = np.arange(recorded_pa.size) / (rate_hz * speed)
    recorded_pa += hum_pa(bench, time_s, generator=generator)
    recorded_pa += noise_pa(bench, recorded_pa.size, rate_hz=rate_hz, generator=generator)
    recording: FloatArray = recorded_pa / (np.sqrt(2.0) * bench.pascal_per_fs)
    if bench.clips:
        np.clip(recording, -1.0, 1.0, out=recording)
    return recording
