"""From the line input to the voltages at the two drivers: filters, limiter, clipping."""

from __future__ import annotations

import numpy as np

from distsweep.rehearsal.arrays import (
    ComplexArray,
    FloatArray,
    fast_length,
    imaginary,
    phasor,
    resample_spectrum,
)
from distsweep.rehearsal.loudspeaker import Crossover, Limiter
from distsweep.rehearsal.resonances import band_pass
from distsweep.units import db_to_ratio, ratio_to_db

# Chosen because half a millisecond is short beside any attack that spares a woofer, and leaves a
# loop of 120 000 steps for a minute of signal: a few hundredths of a second in plain Python.
CONTROL_PERIOD_S = 0.0005

# Chosen because it is half a period at 20 Hz: the detector then sees every crest of any audible
# sine in time, and the static curve holds down to there.
HOLD_S = 0.025

# Chosen because hard clipping has harmonics without end, and four times the rate takes what folds
# back from −39 to −72 dB for a 3.7 kHz sine that is clipped by 1 dB at 48 kHz.
CLIP_OVERSAMPLING = 4


def low_pass_2(frequency_hz: FloatArray, *, corner_hz: float, q: float) -> ComplexArray:
    """Second-order low-pass, 1/(1 + s/Q + s²) with s = jf/f₀."""
    ratio = imaginary(frequency_hz / corner_hz)
    result: ComplexArray = 1.0 / (1.0 + ratio / q + ratio**2)
    return result


def high_pass_2(frequency_hz: FloatArray, *, corner_hz: float, q: float) -> ComplexArray:
    """Second-order high-pass, s²/(1 + s/Q + s²) with s = jf/f₀."""
    ratio = imaginary(frequency_hz / corner_hz)
    result: ComplexArray = ratio**2 / (1.0 + ratio / q + ratio**2)
    return result


def woofer_filter(crossover: Crossover, frequency_hz: FloatArray) -> ComplexArray:
    """Line input to the woofer's limiter: equaliser, low cut, and two Butterworth low-passes."""
    section = low_pass_2(frequency_hz, corner_hz=crossover.frequency_hz, q=np.sqrt(0.5))
    result = section**2 * _equaliser(crossover, frequency_hz)
    if crossover.low_cut_hz > 0.0:
        result *= high_pass_2(frequency_hz, corner_hz=crossover.low_cut_hz, q=crossover.low_cut_q)
    return result


def tweeter_filter(crossover: Crossover, frequency_hz: FloatArray) -> ComplexArray:
    """Line input to the tweeter's amplifier: equaliser, delay, and two Butterworth high-passes."""
    section = high_pass_2(frequency_hz, corner_hz=crossover.frequency_hz, q=np.sqrt(0.5))
    delay = phasor(-2.0 * np.pi * frequency_hz * crossover.tweeter_delay_ms / 1000.0)
    result: ComplexArray = section**2 * delay * _equaliser(crossover, frequency_hz)
    return result


def _equaliser(crossover: Crossover, frequency_hz: FloatArray) -> ComplexArray:
    response = np.ones(frequency_hz.size, dtype=np.complex128)
    for bell in crossover.equaliser:
        gain = float(db_to_ratio(bell.gain_db)) - 1.0
        response *= 1.0 + gain * band_pass(frequency_hz, centre_hz=bell.frequency_hz, q=bell.q)
    return response


def static_gain_db(limiter: Limiter, level_dbfs: FloatArray) -> FloatArray:
    """Gain of the limiter at rest for a steady sine, dB, never above zero.

    References
    ----------
    D. Giannoulis, M. Massberg, J. Reiss, "Digital dynamic range compressor design - a tutorial and
    analysis", JAES 60(6), 2012, eq. 4.
    """
    slope = 1.0 / limiter.ratio - 1.0
    over_db = level_dbfs - limiter.threshold_dbfs
    half_knee_db = limiter.knee_db / 2.0
    gain_db = np.where(over_db > half_knee_db, slope * over_db, 0.0)
    if limiter.knee_db > 0.0:
        inside = np.abs(over_db) <= half_knee_db
        gain_db[inside] = slope * (over_db[inside] + half_knee_db) ** 2 / (2.0 * limiter.knee_db)
    return gain_db


def limiter_gain(limiter: Limiter, feed: FloatArray, *, rate_hz: float) -> FloatArray:
    """Gain factor of the limiter at every sample of its feed, [shape=(n,)], for its feed in FS.

    The side chain runs at a control rate: the crest of each half millisecond, held for 25 ms, sets
    the gain wanted; a one-pole follower in decibels approaches it with the attack's or the
    release's time constant. The gain is interpolated back, a control period late, so that no sample
    is turned down before it has been seen.
    """
    from scipy.ndimage import maximum_filter1d

    period = max(1, round(CONTROL_PERIOD_S * rate_hz))
    periods = -(-feed.size // period)
    padded = np.zeros(periods * period)
    padded[: feed.size] = np.abs(feed)
    crest = padded.reshape(periods, period).max(axis=1)
    hold = max(1, round(HOLD_S * rate_hz / period))
    # The filter's origin moves its window wholly into the past.
    held = maximum_filter1d(crest, hold, mode="constant", cval=0.0, origin=(hold - 1) // 2)
    wanted_db = static_gain_db(limiter, ratio_to_db(held))
    gain_db = _follow(limiter, wanted_db, control_rate_hz=rate_hz / period)
    # The crest of period k is known at its end, sample (k + 1)·period.
    known_at = np.arange(1, periods + 1) * period
    gain: FloatArray = db_to_ratio(gain_db)
    return np.interp(np.arange(feed.size), known_at + period, gain, left=1.0)


def _follow(limiter: Limiter, wanted_db: FloatArray, *, control_rate_hz: float) -> FloatArray:
    attack = 1.0 - float(np.exp(-1000.0 / (limiter.attack_ms * control_rate_hz)))
    release = 1.0 - float(np.exp(-1000.0 / (limiter.release_ms * control_rate_hz)))
    gain_db = 0.0
    followed: list[float] = []
    for wanted in wanted_db.tolist():
        gain_db += (attack if wanted < gain_db else release) * (wanted - gain_db)
        followed.append(gain_db)
    return np.array(followed)


def clip(voltage_v: FloatArray, *, clip_v: float) -> FloatArray:
    """Voltage behind an amplifier that clips hard at ±`clip_v`, [shape=(n,)].

    It clips at four times the rate. A signal that stays below is returned as it came.

    Notes
    -----
    What still folds back of a sine clipped by 1 dB at 48 kHz: −72 dB at 3.7 kHz, −56 dB at 10 kHz.
    """
    count = voltage_v.size
    if not np.max(np.abs(voltage_v), initial=0.0) > clip_v:
        return voltage_v
    length = fast_length(count)
    fine = CLIP_OVERSAMPLING * length
    spectrum = resample_spectrum(np.fft.rfft(voltage_v, length), count=length, new_count=fine)
    clipped = np.clip(np.fft.irfft(spectrum, fine), -clip_v, clip_v)
    coarse = resample_spectrum(np.fft.rfft(clipped), count=fine, new_count=length)
    return np.fft.irfft(coarse, length)[:count]
