"""The rule by which a recording is watched, and what becomes of natural loudspeakers."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal
from numpy.typing import NDArray

from distsweep.capture.response import (
    AFTER_S,
    BEFORE_S,
    find_arrival,
    measure_gain,
    measure_response,
)
from distsweep.capture.watch import HOP_S, WINDOW_HOPS, Watch, bounds
from distsweep.stimulus.sweep import design_sweep
from distsweep.takes.correction import no_correction

RATE_HZ = 48000
SWEEP = design_sweep(rate_hz=RATE_HZ, band_hz=(50.0, 16000.0), sweep_s=2.0)
WAVE = SWEEP.waveform()
WINDOW = WINDOW_HOPS * HOP_S


def speaker(x: NDArray) -> NDArray:
    """A small box in a room: fourth-order high-pass at 90 Hz, a notch, an echo 3 ms later."""
    high = scipy.signal.butter(4, 90.0, "highpass", fs=RATE_HZ, output="sos")
    notch = np.hstack(scipy.signal.iirnotch(1200.0, 3.0, fs=RATE_HZ))
    y = scipy.signal.sosfilt(np.vstack([high, notch]), x)
    echo = np.concatenate([np.zeros(144), 0.7 * y[:-144]])
    return y + echo


def recorded(drive: float, *, noise: float = 1e-5, seed: int = 1) -> NDArray:
    """A sweep at a drive, from BEFORE_S before its arrival to AFTER_S past its end."""
    before, after = round(BEFORE_S * RATE_HZ), round(AFTER_S * RATE_HZ)
    wave = np.concatenate([np.zeros(before), drive * WAVE, np.zeros(after)])
    rng = np.random.default_rng(seed)
    return speaker(wave) + noise * rng.standard_normal(len(wave))


def noisy(signal: NDArray) -> NDArray:
    """A microphone's own noise: without it an input counts as dead."""
    return signal + 1e-5 * np.random.default_rng(7).standard_normal(len(signal))


def response(drive: float = 0.01, noise: float = 1e-5):
    quiet = noise * np.random.default_rng(9).standard_normal(RATE_HZ)
    return measure_response(recorded(drive, noise=noise), quiet, drive * WAVE, rate_hz=RATE_HZ)


def watch_over(signal: NDArray, expected, *, loudest_power: float = np.inf) -> Watch:
    watch = Watch(
        rate_hz=RATE_HZ, loudest_power=loudest_power, level_power=np.inf, expected=expected
    )
    watch.sweep_at = round(BEFORE_S * RATE_HZ)
    for count in range(0, len(signal), 333):
        if watch.look(signal, count) is not None:
            break
    return watch


def expected(drive: float, *, lower_drive: float | None = None):
    heard = response()
    upper = heard.predict(drive * WAVE)
    lower = heard.predict((lower_drive or drive) * WAVE)
    return bounds(upper, lower, rate_hz=RATE_HZ, noise_power=1e-10)


def test_a_response_predicts_the_recording() -> None:
    """Linear and 10 dB louder: the prediction is within 1 % where the level is high."""
    predicted = response().predict(0.03 * WAVE)
    actual = recorded(0.03)[round(BEFORE_S * RATE_HZ) :][: len(WAVE)]
    error = np.sqrt(np.mean((predicted - actual) ** 2) / np.mean(actual**2))
    assert error < 0.01


def test_gain_is_read_off_a_flat_bench() -> None:
    """A plain gain of 0.5: −6.02 dB everywhere."""
    before = round(BEFORE_S * RATE_HZ)
    wave = np.concatenate([np.zeros(before), WAVE, np.zeros(RATE_HZ // 2)])
    flat = measure_response(0.5 * wave, np.zeros(100), WAVE, rate_hz=RATE_HZ)
    gain = measure_gain(
        flat,
        swept_hz=(SWEEP.full_from_hz, SWEEP.full_to_hz),
        level_band_hz=(300.0, 3000.0),
        correction_db=no_correction,
        drive_ratio=SWEEP.drive_ratio,
    )
    assert gain.band_db == pytest.approx(-6.0206, abs=0.01)
    # The loudest frequency is found on a truncated response: its ripple counts as level.
    assert gain.loudest_db == pytest.approx(-6.0206, abs=0.2)


def test_a_natural_loudspeaker_stops_nothing() -> None:
    """Roll-off, notch, comb filter, noise of its own; 10 dB above the rung that predicts it."""
    watch = watch_over(recorded(0.03, seed=2), expected(0.03))
    assert watch.stop is None, watch.stop


def test_two_clocks_and_a_late_marker_stop_nothing() -> None:
    """100 ppm and 2 ms off."""
    fast = SWEEP.as_recorded(1.0 + 1e-4).waveform()
    late = np.zeros(round((BEFORE_S + 0.002) * RATE_HZ))
    signal = speaker(np.concatenate([late, 0.03 * fast, np.zeros(RATE_HZ // 3)]))
    assert watch_over(noisy(signal), expected(0.03)).stop is None


def test_harmonics_that_outgrow_a_rolled_off_fundamental_stop_nothing() -> None:
    """At 30 Hz the box gives 38 dB less; its third harmonic may be louder than that."""
    x = 0.03 * WAVE
    t = np.arange(len(x)) / RATE_HZ
    low = (SWEEP.start_hz * np.exp(t / SWEEP.rate_constant_s) < 60.0) * 1.0
    before = round(BEFORE_S * RATE_HZ)
    padded = np.concatenate([np.zeros(before), x + 50.0 * low * x**3, np.zeros(RATE_HZ // 3)])
    assert watch_over(noisy(speaker(padded)), expected(0.03)).stop is None


CHANGES = [(20.0, "loud"), (8.0, "loud"), (-8.0, "quiet"), (-60.0, "quiet")]


@pytest.mark.parametrize(("change_db", "kind"), CHANGES)
@pytest.mark.parametrize("moment_s", [0.6, 1.2, 1.9])
def test_a_change_of_level_is_noticed_within_30_ms(
    change_db: float, kind: str, moment_s: float
) -> None:
    """20 ms of window, 5 ms of hop, 5 ms because neighbours count as well."""
    signal = recorded(0.03, seed=2)
    at = round((BEFORE_S + moment_s) * RATE_HZ)
    signal[at:] *= 10 ** (change_db / 20)
    stop = watch_over(signal, expected(0.03)).stop
    assert stop is not None and stop.kind == kind
    assert 0 <= stop.sample - at <= 0.030 * RATE_HZ


@pytest.mark.parametrize("change_db", [4.0, -4.0])
def test_4_db_is_not_6_db(change_db: float) -> None:
    signal = recorded(0.03, seed=2)
    signal[RATE_HZ:] *= 10 ** (change_db / 20)
    assert watch_over(signal, expected(0.03)).stop is None


def test_nothing_is_compared_in_the_first_moments() -> None:
    signal = recorded(0.03, seed=2)
    signal[: round((BEFORE_S + 0.19) * RATE_HZ)] *= 30.0
    assert watch_over(signal, expected(0.03)).stop is None


def test_a_limiter_may_hold_a_rung_where_the_one_before_was() -> None:
    """10 dB more drive, no more level: allowed. 7 dB less than the softer rung: not."""
    limits = expected(0.03, lower_drive=0.03 / 10**0.5)
    held = recorded(0.03 / 10**0.5, seed=2)
    assert watch_over(held, limits).stop is None
    stop = watch_over(held / 10 ** (7 / 20), limits).stop
    assert stop is not None and stop.kind == "quiet"


def test_clipping_needs_two_samples() -> None:
    signal = recorded(0.03, seed=2)
    signal[30000] = 1.0
    assert watch_over(signal, None).stop is None
    signal[30001] = 1.0
    stop = watch_over(signal, None).stop
    assert stop is not None and stop.kind == "clipped" and stop.sample - 30001 <= 240


def test_a_dead_input_is_noticed_within_35_ms() -> None:
    signal = recorded(0.03, seed=2)
    signal[30000:] = 0.0
    stop = watch_over(signal, None).stop
    assert stop is not None and stop.kind == "silent"
    assert stop.sample - 30000 <= 0.035 * RATE_HZ


def test_louder_than_confirmed_is_noticed_before_the_sweep_too() -> None:
    signal = 1e-3 * np.random.default_rng(1).standard_normal(RATE_HZ)
    signal[20000:] *= 100.0
    watch = Watch(rate_hz=RATE_HZ, loudest_power=1e-4, level_power=np.inf, expected=None)
    stop = watch.look(signal, len(signal))
    assert stop is not None and stop.kind == "loud"
    # The hundredfold power fills the window's threshold within its first hop.
    assert stop.sample - 20000 <= 2 * HOP_S * RATE_HZ


def test_the_verdict_does_not_depend_on_the_blocks() -> None:
    signal = recorded(0.03, seed=2)
    signal[RATE_HZ:] *= 5.0
    stops = []
    for block in (1, 64, 480, 100000):
        watch = Watch(
            rate_hz=RATE_HZ, loudest_power=np.inf, level_power=np.inf, expected=expected(0.03)
        )
        watch.sweep_at = round(BEFORE_S * RATE_HZ)
        for count in range(0, len(signal) + block, max(block, 7)):
            if watch.look(signal, min(count, len(signal))):
                break
        stops.append(watch.stop)
    assert len({(stop.kind, stop.sample) for stop in stops}) == 1


def test_a_marker_is_found_to_the_sample_and_noise_is_not_one() -> None:
    rng = np.random.default_rng(6)
    chirp = WAVE[30000:50000]
    heard = 1e-3 * rng.standard_normal(RATE_HZ)
    heard[12345 : 12345 + len(chirp)] += 1e-2 * chirp
    place, match = find_arrival(heard, chirp)
    assert place == 12345 and match > 0.9
    assert find_arrival(1e-3 * rng.standard_normal(RATE_HZ), chirp)[1] < 0.12
    assert find_arrival(np.zeros(RATE_HZ), chirp)[1] == 0.0
    assert find_arrival(np.zeros(10), chirp) == (0, 0.0)
