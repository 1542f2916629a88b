"""The population of random loudspeakers, and the truth that comes with each."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from distsweep.rehearsal import Bench, Loudspeaker, measure
from distsweep.rehearsal.population import RandomLoudspeaker, random_loudspeaker

RATE_HZ = 48000
FREE = Bench(tail_s=0.0, pascal_per_fs=100.0)


@pytest.fixture(scope="module")
def population() -> list[RandomLoudspeaker]:
    return [random_loudspeaker(np.random.default_rng(seed)) for seed in range(25)]


def test_every_truth_is_in_its_range(population: list[RandomLoudspeaker]) -> None:
    for one in population:
        assert len(one.resonances) <= 3
        assert one.resonances == one.loudspeaker.resonances
        assert 20.0 <= one.bench.noise_spl_db <= 40.0
        for mode in one.resonances:
            assert 150.0 <= mode.frequency_hz <= 2500.0
            assert 8.0 <= mode.q <= 60.0
            assert 4.0 <= mode.lift_db <= 15.0
        frequencies = sorted(mode.frequency_hz for mode in one.resonances)
        assert all(b / a > 2 ** (1 / 3) for a, b in itertools.pairwise(frequencies))


def test_the_population_has_both_kinds_none_and_decoys(
    population: list[RandomLoudspeaker],
) -> None:
    kinds = [mode.kind for one in population for mode in one.resonances]
    assert {"radiated", "excited"} == set(kinds)
    assert any(not one.resonances for one in population)
    names = {decoy.name for one in population for decoy in one.decoys}
    assert names == {"crossover ripple", "equaliser boost", "equaliser cut", "reflection", "hum"}
    excited = [m for one in population for m in one.resonances if m.kind == "excited"]
    assert {bool(np.isfinite(mode.fourth_db)) for mode in excited} == {True, False}


def test_a_seed_draws_the_same_loudspeaker(population: list[RandomLoudspeaker]) -> None:
    assert random_loudspeaker(np.random.default_rng(3)) == population[3]
    assert population[3] != population[4]


def lines(frequency_hz: float, drive: float, loudspeaker: Loudspeaker) -> np.ndarray:
    """Complex lines of the first two orders of a tone, by least squares over settled samples."""
    angle = 2 * np.pi * frequency_hz * np.arange(RATE_HZ) / RATE_HZ
    recorded = measure(drive * np.sin(angle), rate_hz=RATE_HZ, loudspeaker=loudspeaker, bench=FREE)
    orders = np.arange(1, 5)
    kept = slice(RATE_HZ // 2, -2000)
    basis = np.exp(1j * np.outer(angle[kept], orders))
    fit, *_ = np.linalg.lstsq(
        np.hstack((basis.real, basis.imag, np.ones((basis.shape[0], 1)))),
        recorded[kept],
        rcond=None,
    )
    return fit[:2] - 1j * fit[4:6]


def test_an_excited_mode_adds_what_the_truth_says(population: list[RandomLoudspeaker]) -> None:
    """At 86 dB SPL its own second harmonic is `lift_db` above the loudspeaker's."""
    one, mode = next((o, m) for o in population for m in o.resonances if m.kind == "excited")
    plain = replace(one.loudspeaker, resonances=())
    wanted = 20e-6 * 10 ** (86 / 20) / 100
    drive = 0.01 * wanted / abs(lines(mode.frequency_hz, 0.01, plain)[0])
    own = lines(mode.frequency_hz, drive, plain)
    both = lines(mode.frequency_hz, drive, replace(plain, resonances=(mode,)))
    lift_db = 20 * np.log10(abs(both[1] - own[1]) / abs(own[1]))
    # The truth refers to the whole loudspeaker's level, the mode follows the cone's: the port and
    # the tweeter are worth some tenths of a dB, twice.
    assert lift_db == pytest.approx(mode.lift_db, abs=1.5)


def test_a_radiated_mode_adds_what_the_truth_says(population: list[RandomLoudspeaker]) -> None:
    """Relative to the cone alone, so below the crossover."""
    one, mode = next(
        (o, m)
        for o in population
        for m in o.resonances
        if m.kind == "radiated" and m.frequency_hz < 700
    )
    plain = replace(one.loudspeaker, resonances=()).linear()
    own = lines(mode.frequency_hz, 0.01, plain)[0]
    added = lines(mode.frequency_hz, 0.01, replace(plain, resonances=(mode,)))[0] - own
    share_db = 20 * np.log10(abs(added) / abs(own))
    # The port and a hint of tweeter are in the sound as a whole, and the mouth is a little farther.
    assert share_db == pytest.approx(20 * np.log10(10 ** (mode.lift_db / 20) - 1), abs=0.5)


def test_an_equaliser_s_cut_takes_off_what_a_radiated_mode_lifts(
    population: list[RandomLoudspeaker],
) -> None:
    """By as much as the truth says, at the mode's frequency, which is half a percent off."""
    one, cut = next((o, d) for o in population for d in o.decoys if d.name == "equaliser cut")
    (mode,) = (m for m in one.resonances if abs(m.frequency_hz / cut.frequency_hz - 1) <= 0.0051)
    assert mode.kind == "radiated" and 0.3 <= -cut.level_db / mode.lift_db <= 1.0
    speaker = replace(one.loudspeaker, resonances=()).linear()
    bells = tuple(b for b in speaker.crossover.equaliser if b.gain_db != cut.level_db)
    uncut = replace(speaker, crossover=replace(speaker.crossover, equaliser=bells))
    at_cut = [abs(lines(cut.frequency_hz, 0.01, s)[0]) for s in (speaker, uncut)]
    assert 20 * np.log10(at_cut[0] / at_cut[1]) == pytest.approx(cut.level_db, abs=0.01)
