"""Blocks of samples that a recording lost or holds twice, and clocks that do not run evenly."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from closed_form import MILDLY_CURVED, Branch, cascade, flat, high_pass, low_pass, peak, play
from conftest import RATE_HZ, Bench, draws, ladder_recipe, long
from test_placement import recorded_by_another_clock

from distsweep.results import Take
from distsweep.takes.copies import Copy, find_copies

LEVELS = [-30, -20, -10]


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    recipe = ladder_recipe(levels_dbfs=LEVELS, pause_s=0.6)
    return Bench(tmp_path_factory.mktemp("gaps"), recipe)


@pytest.fixture(scope="module")
def heard(bench: Bench) -> np.ndarray:
    return in_noise(0.3 * play(MILDLY_CURVED, bench.waveform, RATE_HZ), seed=4)


@pytest.fixture(scope="module")
def plain(bench: Bench, heard: np.ndarray) -> Take:
    return bench.analyse(heard, name="plain.wav").take()


def in_noise(sound: np.ndarray, *, seed: int, below_db: float = 60.0) -> np.ndarray:
    noise = np.random.default_rng(seed).standard_normal(len(sound))
    return sound + np.max(np.abs(sound)) * 10.0 ** (-below_db / 20.0) * noise


def in_a_room(sound: np.ndarray, decay_s: float, seed: int) -> np.ndarray:
    """A direct sound and, from 3 ms on, as much energy that decays by 60 dB in a time."""
    time_s = np.arange(round(1.2 * decay_s * RATE_HZ)) / RATE_HZ
    response = np.random.default_rng(seed).standard_normal(len(time_s))
    response *= 10.0 ** (-3.0 * time_s / decay_s)
    response[: round(0.003 * RATE_HZ)] = 0.0
    response /= np.sqrt(np.sum(response**2))
    response[0] = 1.0
    length = len(sound) + len(response)
    spectrum = np.fft.rfft(sound, length) * np.fft.rfft(response, length)
    return np.fft.irfft(spectrum, length)[: len(sound)]


def moment(bench: Bench, rung: int, frequency_hz: float) -> int:
    """Return the sample at which a rung's sweep passes a frequency."""
    start = bench.stimulus.files[0].rungs[rung].start_sample
    return start + round(float(bench.stimulus.sweep.time_of_s(frequency_hz)) * RATE_HZ)


def lost(samples: np.ndarray, place: int, count: int) -> np.ndarray:
    return np.delete(samples, np.s_[place : place + count])


def assert_same_elsewhere(
    plain: Take, mended: Take, bench: Bench, *, rung: int, place_s: float, seconds: float
) -> None:
    """Reliable harmonics within 0.3 dB, but for what is played 100 ms around the damage."""
    start_s = bench.stimulus.files[0].rungs[rung].start_sample / RATE_HZ
    passed_s = start_s + bench.stimulus.sweep.time_of_s(plain.frequency_hz)
    near = (passed_s > place_s - 0.1) & (passed_s < place_s + seconds + 0.1)
    for number, (one, other) in enumerate(zip(plain.rungs, mended.rungs, strict=True)):
        clear = ~near | (number != rung)
        assert np.max(np.abs(one.fundamental_db - other.fundamental_db)[clear]) < 0.3
        for order, curve in one.harmonics.items():
            sure = clear & curve.reliable & (curve.level_db > -60.0)
            off_db = np.abs(other.harmonics[order].level_db - curve.level_db)[sure]
            assert np.max(off_db, initial=0.0) < 0.3, (number, order)


@pytest.mark.parametrize(
    ("rung", "frequency_hz", "count"),
    [(0, 90.0, 512), long(1, 200.0, 16), (1, 1000.0, 64), long(2, 1500.0, 4096), (2, 9000.0, 512)],
)
def test_a_lost_block_is_named_and_put_right(
    bench: Bench, heard: np.ndarray, plain: Take, rung: int, frequency_hz: float, count: int
) -> None:
    place = moment(bench, rung, frequency_hz)
    take = bench.analyse(lost(heard, place, count)).take()
    (damage,) = take.damage
    assert (damage.kind, damage.samples, damage.rung) == ("lost", count, rung)
    assert damage.bridged
    assert damage.start_s == pytest.approx(place / RATE_HZ, abs=0.001)
    assert damage.low_hz is not None and damage.high_hz is not None
    assert damage.low_hz < frequency_hz < damage.high_hz
    assert take.clock_drift_ppm == pytest.approx(0.0, abs=0.5)
    assert_same_elsewhere(
        plain, take, bench, rung=rung, place_s=place / RATE_HZ, seconds=count / RATE_HZ
    )


@pytest.mark.parametrize(
    ("frequency_hz", "count"), [(90.0, 256), (400.0, 16), (3000.0, 4096), (11000.0, 64)]
)
def test_a_block_heard_twice_is_taken_out(
    bench: Bench, heard: np.ndarray, plain: Take, frequency_hz: float, count: int
) -> None:
    place = moment(bench, 1, frequency_hz)
    twice = np.insert(heard, place, heard[place - count : place])
    take = bench.analyse(twice).take()
    (damage,) = take.damage
    assert (damage.kind, damage.samples, damage.rung) == ("repeated", count, 1)
    assert damage.start_s == pytest.approx(place / RATE_HZ, abs=0.0005)
    assert damage.end_s == pytest.approx((place + count) / RATE_HZ, abs=0.0005)
    # What is left is the recording without the block, to the last sample.
    for one, other in zip(plain.rungs, take.rungs, strict=True):
        assert np.allclose(one.fundamental_db, other.fundamental_db, atol=1e-3)


def test_a_block_repeated_in_place_of_the_next_is_named(bench: Bench, heard: np.ndarray) -> None:
    place = moment(bench, 2, 1000.0)
    damaged = heard.copy()
    damaged[place : place + 512] = heard[place - 512 : place]
    (damage,) = bench.analyse(damaged).take().damage
    assert (damage.kind, damage.samples, damage.rung) == ("repeated", 512, 2)
    assert damage.start_s == pytest.approx(place / RATE_HZ, abs=1e-6)


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
def test_copies_are_found_in_any_encoding(bench: Bench, heard: np.ndarray, subtype: str) -> None:
    step = {"PCM_16": 2.0**-15, "PCM_24": 2.0**-23, "FLOAT": 0.0}[subtype]
    samples = np.round(heard / step) * step if step else heard
    assert find_copies(samples, step=step) == []
    for place, count in ((moment(bench, 2, 300.0), 4096), (moment(bench, 2, 5000.0), 256)):
        damaged = samples.copy()
        damaged[place : place + count] = samples[place - count : place]
        assert find_copies(damaged, step=step) == [Copy(place, count)]


@pytest.mark.parametrize("step", [2.0**-7, 2.0**-15, 2.0**-23])
def test_a_sound_without_noise_holds_no_copies(bench: Bench, step: float) -> None:
    assert find_copies(np.round(0.3 * bench.waveform / step) * step, step=step) == []


def test_a_block_lost_in_a_pause(bench: Bench, heard: np.ndarray, plain: Take) -> None:
    place = bench.stimulus.files[0].rungs[1].start_sample - round(0.3 * RATE_HZ)
    take = bench.analyse(lost(heard, place, 900)).take()
    (damage,) = take.damage
    assert (damage.kind, damage.samples, damage.rung) == ("lost", 900, None)
    assert damage.start_s < place / RATE_HZ < damage.end_s
    for one, other in zip(plain.rungs, take.rungs, strict=True):
        assert np.max(np.abs(one.fundamental_db - other.fundamental_db)) < 0.01


def test_two_blocks_and_two_clocks(bench: Bench, heard: np.ndarray) -> None:
    """Lost and repeated by as much: the markers stand where 50 ppm put them."""
    first, second = moment(bench, 0, 2000.0), moment(bench, 2, 500.0)
    drifted = recorded_by_another_clock(heard, 50.0)
    damaged = lost(np.insert(drifted, second, drifted[second - 700 : second]), first, 700)
    take = bench.analyse(damaged).take()
    assert [(d.kind, d.samples, d.rung) for d in take.damage] == [
        ("lost", 700, 0),
        ("repeated", 700, 2),
    ]
    assert [d.start_s for d in take.damage] == pytest.approx(
        [first / RATE_HZ, (second - 700) / RATE_HZ], abs=0.001
    )
    assert take.clock_drift_ppm == pytest.approx(50.0, abs=1.0)


def test_a_rate_that_changes_is_put_right(bench: Bench, heard: np.ndarray, plain: Take) -> None:
    """From the middle of the second rung on the clock runs 400 ppm faster."""
    # The other clock is ahead by a whole number of samples at multiples of 2500.
    place = moment(bench, 1, 1000.0) // 2500 * 2500
    faster = recorded_by_another_clock(heard, 400.0)
    damaged = np.concatenate([heard[:place], faster[place + place // 2500 :]])
    take = bench.analyse(damaged).take()
    damage = take.damage[0]
    assert damage.kind == "clock"
    # The splice of two clocks is a click besides, where the samples of both do not meet.
    assert {one.kind for one in take.damage[1:]} <= {"click", "knock"}
    assert damage.start_s == pytest.approx(place / RATE_HZ, abs=0.3)
    assert abs(take.clock_drift_ppm or 0.0) < 20.0
    for one, other in zip(plain.rungs, take.rungs, strict=True):
        assert np.max(np.abs(one.fundamental_db - other.fundamental_db)) < 0.3


def sliding(corner_hz: float) -> list[Branch]:
    """A loudspeaker whose suspension stiffens or softens: its high-pass moves."""
    return [Branch(high_pass(corner_hz, 1.2), (1.0, 0.02, 0.02), low_pass(14000.0))]


def test_a_high_pass_that_slides_with_level_is_no_gap(bench: Bench) -> None:
    file, rest = bench.stimulus.files[0], bench.waveform.copy()
    sound = np.zeros(len(rest))
    for corner_hz, rung in zip((150.0, 110.0, 80.0), file.rungs, strict=True):
        inside = slice(rung.start_sample, rung.start_sample + bench.stimulus.sweep.samples)
        alone = np.zeros(len(sound))
        alone[inside] = bench.waveform[inside]
        rest[inside] = 0.0
        sound += play(sliding(corner_hz), alone, RATE_HZ)
    sound += play(sliding(150.0), rest, RATE_HZ)
    assert bench.analyse(in_noise(0.3 * sound, seed=2)).take().damage == []


@pytest.mark.parametrize("seed", range(draws(12, 3)))
def test_nothing_is_named_in_rooms(bench: Bench, seed: int) -> None:
    rng = np.random.default_rng([161, seed])
    colour: Callable[[np.ndarray], np.ndarray] = cascade(
        high_pass(rng.uniform(40, 120), rng.uniform(0.5, 1.3)),
        peak(10 ** rng.uniform(2.3, 3.6), rng.uniform(1, 20), rng.uniform(-6, 8)),
    )
    branches = [Branch(colour, (1.0, *rng.uniform(-0.05, 0.05, 3)), flat)]
    sound = in_a_room(play(branches, bench.waveform, RATE_HZ), rng.uniform(0.2, 0.6), seed)
    sound *= 0.3 / np.max(np.abs(sound))
    noisy = in_noise(sound, seed=seed, below_db=rng.uniform(30, 80))
    drifted = recorded_by_another_clock(noisy, rng.uniform(-100, 100)) if seed % 2 else noisy
    assert bench.analyse(drifted).take().damage == []
