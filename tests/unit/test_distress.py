"""THD while a sweep plays: no false stop, no missed one, and within a second.

The loudspeaker is a sum of harmonics whose levels against frequency are given, behind a random
box and room. Its THD has a closed form, sqrt(Σ (a_n(f)·|H(n·f)|)²) / |H(f)|, H being the
transfer function behind the harmonics; what is looked at below is its median over a third of
an octave, where the fundamental is within 10 dB of the rung's level.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pytest
import scipy.signal
from conftest import draws
from numpy.typing import NDArray

from distsweep.capture.distress import Distress
from distsweep.capture.watch import Stop, Watch
from distsweep.stimulus.sweep import Sweep, design_sweep
from distsweep.takes.correction import no_correction

RATE_HZ = 48000
ORDER = 6
LEVEL_BAND_HZ = (300.0, 3000.0)
GAIN = 0.02
"""From the loudspeaker to the input: nothing here clips."""

LEAD = RATE_HZ // 2
"""Recorded samples before the sweep starts: the background."""

WITHIN_S = 1.0
"""Issue: capture."""

Curve = Callable[[NDArray], NDArray]


@dataclass
class Case:
    """One sweep through one loudspeaker in one room."""

    sweep: Sweep
    band_hz: tuple[float, float]
    impulse: NDArray
    shares: dict[int, float]

    def heard(self, amount: Curve | None) -> NDArray:
        """What is recorded from the sweep's start on; ``amount`` scales the harmonics."""
        sweep = self.sweep
        t = np.arange(sweep.samples) / RATE_HZ
        f = sweep.start_hz * np.exp(t / sweep.rate_constant_s)
        y = sweep.waveform()
        if amount is not None:
            faded = np.clip(np.log(f / sweep.start_hz) / np.log(2.5 * 0.7), 0.0, 1.0)
            phase = 2.0 * np.pi * f * sweep.rate_constant_s
            for n, share in self.shares.items():
                sounds = (n * f < 0.45 * RATE_HZ) * faded * share * amount(f)
                y = y + sounds * np.sin(n * phase + n)
        return np.asarray(GAIN * scipy.signal.fftconvolve(y, self.impulse)[: len(y)])

    def grid_hz(self) -> NDArray:
        octaves = np.log2(self.band_hz[1] / self.band_hz[0])
        return np.asarray(self.band_hz[0] * 2.0 ** (np.arange(int(48 * octaves)) / 48.0))

    def true_thd(self, amount: Curve) -> NDArray:
        """Third-octave medians on the grid; −inf where THD does not count."""
        grid = self.grid_hz()
        spectrum = np.abs(np.fft.rfft(self.impulse))
        bins = np.arange(len(spectrum)) * RATE_HZ / len(self.impulse)
        power = np.zeros(len(grid))
        for n, share in self.shares.items():
            gain = np.interp(n * grid, bins, spectrum) * (n * grid <= self.band_hz[1])
            power += (share * amount(grid) * gain) ** 2
        fundamental = np.interp(grid, bins, spectrum)
        inside = (grid >= LEVEL_BAND_HZ[0]) & (grid <= LEVEL_BAND_HZ[1])
        counts = fundamental**2 >= 0.1 * np.mean(fundamental[inside] ** 2)
        thd = np.where(counts, np.sqrt(power) / fundamental, np.nan)
        found = np.full(len(grid), -np.inf)
        for i in range(8, len(grid) - 8):
            around = thd[i - 8 : i + 9]
            if np.sum(np.isfinite(around)) > 8:
                found[i] = np.nanmedian(around)
        return found

    def level(self) -> float:
        return float(np.sqrt(np.mean(self.heard(None) ** 2)))


def draw(rng: np.random.Generator, *, longest_s: float = 12.0) -> Case:
    """A box that rolls off, its resonances and notches, and up to as much room as direct sound."""
    band_hz = [(20.0, 20000.0), (50.0, 16000.0), (100.0, 10000.0)][rng.integers(3)]
    sweep = design_sweep(
        rate_hz=RATE_HZ, band_hz=band_hz, sweep_s=float(rng.uniform(3.0, longest_s))
    )
    order = int(rng.choice([2, 4]))
    sections = [
        scipy.signal.butter(order, rng.uniform(40, 140), "highpass", fs=RATE_HZ, output="sos")
    ]
    for _ in range(rng.integers(0, 4)):  # port, box, break-up: peaks of 6 dB, dips of 12
        sections.append(
            _bump(float(np.exp(rng.uniform(4.2, 8.5))), rng.uniform(-12, 6), rng.uniform(1, 12))
        )
    tail = rng.standard_normal(RATE_HZ)
    tail *= 10.0 ** (-3.0 * np.arange(RATE_HZ) / RATE_HZ / rng.uniform(0.2, 0.7))
    tail *= rng.uniform(0.0, 1.0) / np.sqrt(np.sum(tail**2))
    tail[:150] = 0.0
    tail[0] = 1.0
    impulse = np.asarray(scipy.signal.sosfilt(np.vstack(sections), tail))
    shares = {n: float(rng.uniform(0.1, 1.0)) / n for n in range(2, ORDER + 1)}
    return Case(sweep, band_hz, impulse, shares)


def _bump(frequency_hz: float, gain_db: float, q: float) -> NDArray:
    """A peaking section (Bristow-Johnson, Audio EQ Cookbook)."""
    a, w = 10.0 ** (gain_db / 40.0), 2.0 * np.pi * frequency_hz / RATE_HZ
    alpha = np.sin(w) / (2.0 * q)
    b = np.array([1.0 + alpha * a, -2.0 * np.cos(w), 1.0 - alpha * a])
    d = np.array([1.0 + alpha / a, -2.0 * np.cos(w), 1.0 - alpha / a])
    return np.asarray(np.concatenate([b, d]) / d[0])[None]


def distress_for(case: Case, quiet: NDArray, *, limit_percent: float) -> Distress:
    return Distress(
        case.sweep,
        starts=[0],
        band_hz=case.band_hz,
        order=ORDER,
        limit_percent=limit_percent,
        predicted=case.heard(None),
        level_band_hz=LEVEL_BAND_HZ,
        quiet=quiet,
        correction_db=no_correction,
    )


def follow(case: Case, heard: NDArray, quiet: NDArray, *, limit_percent: float) -> Stop | None:
    distress = distress_for(case, quiet, limit_percent=limit_percent)
    watch = Watch(
        rate_hz=RATE_HZ,
        loudest_power=np.inf,
        level_power=np.inf,
        expected=None,
        distress=distress,
    )
    watch.sweep_at = LEAD
    for count in range(0, len(heard), 480):
        if watch.look(heard, count) is not None:
            break
    return watch.stop


def recorded(
    case: Case, amount: Curve, rng: np.random.Generator, noise_db: float
) -> tuple[NDArray, NDArray]:
    """The whole recording, and another stretch of its background; noise re the sweep's level."""
    signal = np.concatenate([np.zeros(LEAD), case.heard(amount)])
    noise = rng.standard_normal(len(signal) + RATE_HZ)
    if rng.random() < 0.5:  # a room's
        low = scipy.signal.butter(1, 100.0, fs=RATE_HZ, output="sos")
        noise = scipy.signal.sosfilt(low, noise)
    noise *= case.level() * 10.0 ** (noise_db / 20.0) / np.sqrt(np.mean(noise**2))
    return signal + noise[RATE_HZ:], noise[:RATE_HZ]


def scaled(case: Case, limit_percent: float) -> float:
    """The amount at which the highest THD that counts is just the limit."""
    return 0.01 * limit_percent / float(np.max(case.true_thd(np.ones_like)))


@pytest.mark.parametrize("limit_percent", [5.0, 30.0])
def test_half_the_limit_stops_nothing(limit_percent: float) -> None:
    """Rooms, notches, resonances, and a background as little as 20 dB below the sweep."""
    for seed in range(draws(8, 4)):
        rng = np.random.default_rng([seed, 1])
        case = draw(rng)
        amount = 0.5 * scaled(case, limit_percent)
        given = recorded(case, lambda f, a=amount: a * np.ones_like(f), rng, rng.uniform(-60, -20))
        stop = follow(case, *given, limit_percent=limit_percent)
        assert stop is None, (seed, stop)


def test_over_the_limit_it_stops_within_a_second() -> None:
    """From a random frequency on THD rises within an octave to 1.5 … 4 times the limit."""
    delays = []
    for seed in range(draws(24, 10)):
        rng = np.random.default_rng([seed, 2])
        case = draw(rng)
        limit_percent = float(rng.choice([5.0, 10.0, 30.0]))
        full = scaled(case, limit_percent)
        from_hz = float(np.exp(rng.uniform(*np.log([1.5 * case.band_hz[0], 2000.0]))))
        times, octaves = rng.uniform(1.5, 4.0), rng.uniform(0.02, 1.0)

        def amount(f: NDArray, full=full, at=from_hz, times=times, octaves=octaves) -> NDArray:
            return full * (0.4 + times * np.clip(np.log2(f / at) / octaves, 0.0, 1.0))

        grid_s = case.sweep.time_of_s(case.grid_hz())
        over = case.true_thd(amount) > 0.01 * limit_percent
        # "For good": over for a second from here on.
        since = [i for i in np.flatnonzero(over) if np.all(over[i:][grid_s[i:] <= grid_s[i] + 1.0])]
        if not since or grid_s[since[0]] > grid_s[-1] - 1.0:
            continue
        given = recorded(case, amount, rng, rng.uniform(-60, -30))
        stop = follow(case, *given, limit_percent=limit_percent)
        assert stop is not None and stop.kind == "distorted", seed
        assert "THD is" in stop.message
        delays.append((stop.sample - LEAD) / RATE_HZ - float(grid_s[since[0]]))
    print(
        f"{len(delays)} cases: stopped after {np.median(delays):.2f} s, {max(delays):.2f} at most"
    )
    assert len(delays) >= draws(12, 5)
    assert max(delays) <= WITHIN_S


def test_noise_that_comes_up_in_mid_rung_is_no_distortion() -> None:
    """It was not there before the rung: only its place between the lines tells."""
    for seed in range(draws(8, 4)):
        rng = np.random.default_rng([seed, 3])
        case = draw(rng, longest_s=6.0)
        heard, quiet = recorded(case, np.zeros_like, rng, -60.0)
        at = LEAD + round(rng.uniform(0.3, 0.7) * case.sweep.samples)
        noise = rng.standard_normal(len(heard) - at)
        heard[at:] += case.level() * 10.0 ** (rng.uniform(-20, 0) / 20.0) * noise
        assert follow(case, heard, quiet, limit_percent=10.0) is None, seed


def test_a_dip_of_the_fundamental_stops_nothing() -> None:
    """10 dB deep and a sixth of an octave wide: THD is three times as high in it."""
    rng = np.random.default_rng(4)
    case = draw(rng)
    case.impulse = np.zeros(RATE_HZ)
    case.impulse[0] = 1.0
    case.impulse = scipy.signal.sosfilt(_bump(500.0, -10.0, 8.0), case.impulse)
    amount = 0.2 / np.sqrt(sum(share**2 for share in case.shares.values()))
    given = recorded(case, lambda f: amount * np.ones_like(f), rng, -50.0)
    assert follow(case, *given, limit_percent=30.0) is None


def test_the_second_sweep_of_a_rung_is_followed_too() -> None:
    case = draw(np.random.default_rng(5), longest_s=4.0)
    full = scaled(case, 30.0)
    clean = case.heard(lambda f: 0.1 * full * np.ones_like(f))
    bad = case.heard(lambda f: 3.0 * full * np.ones_like(f))
    second = len(clean) + 7000
    noise = 1e-7 * np.random.default_rng(6).standard_normal(LEAD + second + len(bad))
    heard = noise.copy()
    heard[LEAD : LEAD + len(clean)] += clean
    heard[LEAD + second :] += bad
    distress = Distress(
        case.sweep,
        starts=[0, second],
        band_hz=case.band_hz,
        order=ORDER,
        limit_percent=30.0,
        predicted=np.concatenate([case.heard(None), np.zeros(7000), case.heard(None)]),
        level_band_hz=LEVEL_BAND_HZ,
        quiet=noise[:LEAD],
        correction_db=no_correction,
    )
    ends = range(240, len(heard), 240)
    stop = next(filter(None, (distress.look(heard, end, LEAD) for end in ends)), None)
    assert stop is not None and stop.sample > LEAD + second


def test_a_microphones_deviation_is_taken_off() -> None:
    """A capsule 12 dB too sensitive above 1 kHz makes 10 % look like 40 below 1 kHz."""
    case = draw(np.random.default_rng(7), longest_s=5.0)
    case.impulse = np.zeros(RATE_HZ)
    case.impulse[0] = 1.0
    case.shares = {3: 0.1}
    heard, quiet = recorded(case, np.ones_like, np.random.default_rng(8), -70.0)
    spectrum = np.fft.rfft(heard)
    lift_db = np.where(np.fft.rfftfreq(len(heard), 1.0 / RATE_HZ) > 1000.0, 12.0, 0.0)
    heard = np.fft.irfft(spectrum * 10.0 ** (lift_db / 20.0), len(heard))
    assert follow(case, heard, quiet, limit_percent=20.0) is not None
    distress = Distress(
        case.sweep,
        starts=[0],
        band_hz=case.band_hz,
        order=ORDER,
        limit_percent=20.0,
        predicted=case.heard(None),
        level_band_hz=LEVEL_BAND_HZ,
        quiet=quiet,
        correction_db=lambda f: np.where(f > 1000.0, 12.0, 0.0),
    )
    ends = range(240, len(heard), 240)
    assert not any(distress.look(heard, end, LEAD) for end in ends)
