"""Repeats of a rung: averaged, held against each other, and one that is unlike them left out."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest
from closed_form import MILDLY_CURVED, harmonic_amplitudes, play
from conftest import RATE_HZ, Bench, draws, long

from distsweep.analysis.sweep.passes import PassNoise, PassSpread, spread_of
from distsweep.results import Results, Rung

ORDER = 3


class Passes:
    """One rung, played several times through a loudspeaker with a closed form, and noise."""

    def __init__(self, bench: Bench) -> None:
        heard = play(MILDLY_CURVED, bench.waveform, RATE_HZ)
        self.bench, self.gain = bench, 0.3 / float(np.max(np.abs(heard)))
        self.heard = self.gain * heard
        self.rms = float(np.std(bench.rung_samples(self.heard)))

    def start(self, number: int) -> int:
        return self.bench.stimulus.files[0].rungs[number].start_sample

    def noise(self, rng: np.random.Generator, snr_db: float) -> np.ndarray:
        return self.rms * 10 ** (-snr_db / 20) * rng.standard_normal(len(self.heard))

    def with_gains(self, gains_db: Sequence[float]) -> np.ndarray:
        """Return the recording, each pass turned up or down; the markers stay."""
        turned = self.heard.copy()
        for number, gain_db in enumerate(gains_db):
            first = self.start(number)
            turned[first : first + self.bench.stimulus.rung_samples] *= 10 ** (gain_db / 20)
        return turned

    def analyse(self, samples: np.ndarray) -> tuple[Results, Rung]:
        results = self.bench.analyse(samples, subtype="FLOAT")
        return results, results.take().rungs[0]

    def truth_db(self, rung: Rung, frequency_hz: np.ndarray) -> np.ndarray:
        """Return the fundamental, and the harmonics re it, shape ``(ORDER, F)``."""
        truth = harmonic_amplitudes(
            MILDLY_CURVED, frequency_hz, 10 ** (rung.drive_dbfs / 20), ORDER
        )
        return 20.0 * np.log10(np.concatenate([self.gain * truth[:1], truth[1:] / truth[:1]]))


@pytest.fixture
def passes_of(make_bench: Callable[..., Bench]) -> Callable[[int], Passes]:
    def make(number: int) -> Passes:
        return Passes(
            make_bench(levels_dbfs=[-10], repeats=number, order=ORDER, quiet_s=3.0, sweep_s=4.0)
        )

    return make


def left_out(results: Results) -> list[str]:
    return [one.message for one in results.warnings if one.code == "pass_left_out"]


def differing(results: Results) -> list[str]:
    return [one.message for one in results.warnings if one.code == "passes_differ"]


def shares_held(rung: Rung, truth_db: np.ndarray) -> list[float]:
    """Return the share of intervals that hold the truth, of each order."""
    ends = [(rung.fundamental_low_db, rung.fundamental_high_db)]
    ends += [(curve.low_db, curve.high_db) for curve in rung.harmonics.values()]
    shares = []
    for (low_db, high_db), true_db in zip(ends, truth_db, strict=True):
        known = np.isfinite(high_db)
        shares.append(float(np.mean(((low_db <= true_db) & (true_db <= high_db))[known])))
    return shares


@pytest.mark.parametrize("number", [long(2), 4])
def test_noise_alone_leaves_nothing_out_and_intervals_hold(
    passes_of: Callable[[int], Passes], rng: np.random.Generator, number: int
) -> None:
    passes = passes_of(number)
    held = []
    for _ in range(draws(50, 6)):
        noise = passes.noise(rng, rng.uniform(20.0, 45.0))
        results, rung = passes.analyse(passes.heard + noise)
        assert left_out(results) == [] and differing(results) == []
        held.append(shares_held(rung, passes.truth_db(rung, results.take().frequency_hz)))
    # 95 %; a draw holds some 100 to 200 independent values an order.
    assert np.all(np.mean(held, axis=0) > 0.92)


def test_noise_alone_widens_nothing_much(
    passes_of: Callable[[int], Passes], rng: np.random.Generator
) -> None:
    passes = passes_of(4)
    _, rung = passes.analyse(passes.heard + passes.noise(rng, 40.0))
    level, floor = 10 ** (rung.fundamental_db / 20), 10 ** (rung.fundamental_floor_db / 20)
    # 1.96 deviations of a Gaussian along the amplitude, the noise's power known.
    ideal_db = 20.0 / np.log(10.0) * 1.96 * np.sqrt(0.5) * floor / level
    half_db = (rung.fundamental_high_db - rung.fundamental_low_db) / 2.0
    assert 1.0 < np.median(half_db / ideal_db) < 1.2


@pytest.mark.parametrize("number", [2, 3, 4])
def test_drift_of_a_fifth_of_a_decibel_widens_the_interval(
    passes_of: Callable[[int], Passes], rng: np.random.Generator, number: int
) -> None:
    passes = passes_of(number)
    gains_db = 0.2 * (np.arange(number) - (number - 1) / 2.0)
    results, rung = passes.analyse(passes.with_gains(gains_db) + passes.noise(rng, 50.0))
    assert left_out(results) == [] and differing(results) == []
    half_db = (rung.fundamental_high_db - rung.fundamental_low_db) / 2.0
    # The deviation of the mean times Student's quantile (tables), of N − 1 values.
    student = {2: 12.706, 3: 4.303, 4: 3.182}[number]
    expected_db = student * np.std(gains_db, ddof=1) / number**0.5
    assert np.median(half_db) == pytest.approx(expected_db, rel=0.03)
    # A gain is the same all over a band: averaging over frequency does not lessen it.
    third = rung.smoothed[-1].fundamental
    assert np.median(third.high_db - third.low_db) / 2.0 == pytest.approx(expected_db, rel=0.03)


def test_a_car_that_passes_counts_as_noise(
    passes_of: Callable[[int], Passes], rng: np.random.Generator
) -> None:
    passes = passes_of(4)
    noise = passes.noise(rng, 40.0)
    noise[passes.start(0) :] *= 2.0  # 6 dB, from after the silence on
    results, rung = passes.analyse(passes.heard + noise)
    truth_db = passes.truth_db(rung, results.take().frequency_hz)
    assert left_out(results) == [] and differing(results) == []
    assert min(shares_held(rung, truth_db)) > 0.9


@pytest.mark.parametrize("size", [long(0.1), 1.0])
def test_a_knock_in_one_of_four_passes_is_named_and_weighs_little(
    passes_of: Callable[[int], Passes], rng: np.random.Generator, size: float
) -> None:
    passes = passes_of(4)
    samples = passes.heard + passes.noise(rng, 50.0)
    first = passes.start(2) + 2 * RATE_HZ
    time_s = np.arange(RATE_HZ // 10) / RATE_HZ
    knock = size * np.exp(-time_s / 0.01) * rng.standard_normal(len(time_s))
    samples[first : first + len(knock)] += 0.3 * knock
    results, rung = passes.analyse(samples)
    (damage,) = results.take().damage
    assert (damage.kind, damage.rung) == ("knock", 0)
    assert first - 0.02 * RATE_HZ < damage.start_s * RATE_HZ < first + 0.02 * RATE_HZ
    assert left_out(results) == []
    truth_db = passes.truth_db(rung, results.take().frequency_hz)
    assert np.max(np.abs(rung.fundamental_db - truth_db[0])) < 0.1


def test_a_gain_that_moved_is_left_out_and_a_lost_buffer_put_back(
    passes_of: Callable[[int], Passes], rng: np.random.Generator
) -> None:
    passes = passes_of(3)
    noise = passes.noise(rng, 50.0)
    results, _ = passes.analyse(passes.with_gains([0.0, 1.0, 0.0]) + noise)
    assert left_out(results) == [
        "Pass 2 of 3 of the rung at −10 dBFS is unlike the others (a knock, a gain that was moved,"
        " samples that were lost?) and is left out: what is stated is the mean of the other 2."
    ]
    warning = next(one for one in results.warnings if one.code == "pass_left_out")
    assert (warning.take, warning.rung) == ("axis", 0)
    lost = passes.heard.copy()
    first, rest = passes.start(0) + RATE_HZ, passes.start(1) - RATE_HZ // 10
    lost[first : rest - 256] = passes.heard[first + 256 : rest]
    results, _ = passes.analyse(lost + noise)
    assert left_out(results) == []
    told = [(one.kind, one.samples) for one in results.take().damage]
    assert told[0] == ("lost", 256) and results.take().damage[0].start_s * RATE_HZ == pytest.approx(
        first, abs=0.02 * RATE_HZ
    )


def test_of_two_passes_none_is_left_out(
    passes_of: Callable[[int], Passes], rng: np.random.Generator
) -> None:
    passes = passes_of(2)
    results, rung = passes.analyse(passes.with_gains([0.0, 1.0]) + passes.noise(rng, 50.0))
    assert left_out(results) == []
    assert differing(results) == [
        "The 2 passes of the rung at −10 dBFS that are averaged differ by more than the noise (a"
        " knock, a gain that was moved, samples that were lost?), which widens the intervals there."
        " Measure again; of three repeats or more, one that is unlike the others is left out."
    ]
    assert results.take().thd_advice == []
    truth_db = passes.truth_db(rung, results.take().frequency_hz)
    assert min(shares_held(rung, truth_db)) > 0.95


@pytest.mark.parametrize(
    ("gains_db", "dropped", "averaged"), [([0.0, 1.0, -3.0], 0, 3), ([0.0, 0.4, -20.0], 1, 2)]
)
def test_of_three_passes_two_may_be_spoilt(
    passes_of: Callable[[int], Passes],
    rng: np.random.Generator,
    gains_db: list[float],
    dropped: int,
    averaged: int,
) -> None:
    """What three passes do not settle among themselves is said, whether one was left out or not."""
    passes = passes_of(3)
    results, _ = passes.analyse(passes.with_gains(gains_db) + passes.noise(rng, 50.0))
    assert len(left_out(results)) == dropped
    assert [one.startswith(f"The {averaged} passes of") for one in differing(results)] == [True]


@pytest.mark.parametrize("passes", [2, 3, 4])
def test_no_gain_is_read_into_noise(rng: np.random.Generator, passes: int) -> None:
    """Neither of what the silence held nor of a passing car; that adds all of its power."""
    orders, points, rungs = 3, 400, 40
    power = np.full((orders, passes, points), 2.0)
    background = PassNoise(
        power, degrees=np.full(power.shape, 100.0), windows=np.full((orders, points), 17.0)
    )

    def spread(ratio: float) -> PassSpread:
        deviation = np.sqrt(ratio * power / 2.0)
        found = spread_of(
            [
                3.0 + deviation * (rng.standard_normal(shape) + 1j * rng.standard_normal(shape))
                for shape in [(orders, passes, points)] * rungs
            ],
            [background] * rungs,
        )
        assert found is not None
        return found

    quiet, loud = spread(1.0), spread(4.0)
    # Chosen by a chance of 1e-4; neighbouring points share their noise.
    assert np.mean(quiet.gain_db > 0.0) < 2e-3
    assert np.mean(loud.gain_db > 0.0) < 2e-2
    assert np.mean(loud.noise) == pytest.approx(3.0 * 2.0 / passes, rel=0.1)


@pytest.mark.parametrize("levels_dbfs", [[-10], [-16, -10]])
def test_a_rung_whose_clipped_pass_is_left_out_did_not_clip(
    make_bench: Callable[..., Bench], rng: np.random.Generator, levels_dbfs: list[float]
) -> None:
    passes = Passes(make_bench(levels_dbfs=levels_dbfs, repeats=3, order=ORDER, quiet_s=3.0))
    samples = passes.heard + passes.noise(rng, 50.0)
    first = passes.bench.stimulus.files[0].rungs[-2].start_sample
    spoilt = slice(first, first + passes.bench.stimulus.rung_samples)
    samples[spoilt] = np.clip(8.0 * samples[spoilt], -1.0, 1.0)
    results = passes.bench.analyse(samples)
    assert len(left_out(results)) == 1
    take = results.take()
    assert not any(rung.clipped for rung in take.rungs)
    assert [one.code for one in results.warnings if one.code == "clipped"] == []
    assert not any("every level clipped" in note for note in results.resonance_notes)
    rung = take.rungs[-1]
    truth_db = passes.truth_db(rung, take.frequency_hz)
    assert np.max(np.abs(rung.fundamental_db - truth_db[0])) < 0.1
    assert np.mean(rung.thd_reliable) > 0.3
    assert rung.peak_dbfs < -6.0
