"""Where intervals say nothing: ratios to what noise hides, and bounds beyond all loudspeakers."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
import pytest
from closed_form import MILDLY_CURVED, play
from conftest import RATE_HZ, Bench

from distsweep.analysis.noise.interval import LEAST_REFERENCE, NoisySum
from distsweep.analysis.sweep.intervals import wider
from distsweep.report.content import Table
from distsweep.report.distortion.table import thd_table
from distsweep.results import ThdAdvice
from distsweep.words.advice import advice_sentence


def _ratios(
    rng: np.random.Generator, reference_db: float, harmonic_db: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return ratios of 1 with their ends: both powers at a distance from their noises of 1."""
    shape = (2, 20000)
    noises = np.array([[1.0], [10.0 ** ((reference_db - harmonic_db) / 10.0)]]) * np.ones(shape)
    size = 10.0 ** (reference_db / 20.0)
    error = rng.standard_normal(shape) + 1j * rng.standard_normal(shape)
    powers = np.abs(size + np.sqrt(noises / 2.0) * error) ** 2
    found = NoisySum.ratios(powers, noises, np.full(shape, 200.0), np.zeros((2, 1)))
    level_db, low_db, high_db = found.interval()
    return level_db[0], low_db[0], high_db[0]


@pytest.mark.parametrize("harmonic_db", [-10.0, 0.0, 10.0, 20.0])
@pytest.mark.parametrize("above_db", [1.0, 3.0, 10.0])
def test_ratios_to_what_stands_clear_of_noise_hold_the_truth(
    rng: np.random.Generator, above_db: float, harmonic_db: float
) -> None:
    reference_db = 10.0 * np.log10(LEAST_REFERENCE) + above_db
    _, low_db, high_db = _ratios(rng, reference_db, harmonic_db)
    known = np.isfinite(high_db)
    assert np.mean(known) > 0.5
    assert np.mean(((low_db <= 0.0) & (high_db >= 0.0))[known]) > 0.93


def test_a_ratio_to_what_noise_hides_is_not_known(rng: np.random.Generator) -> None:
    level_db, low_db, high_db = _ratios(rng, 0.0, 10.0)
    assert np.mean(np.isfinite(high_db)) < 0.01
    assert np.array_equal(np.isnan(high_db), np.isnan(low_db))
    assert np.all(np.isnan(level_db[np.isnan(high_db)]))


def test_no_distortion_is_stated_of_a_fundamental_that_noise_hides(
    make_bench: Callable[..., Bench], rng: np.random.Generator
) -> None:
    bench = make_bench(levels_dbfs=[-40, -10], quiet_s=3.0)
    heard = play(MILDLY_CURVED, bench.waveform, RATE_HZ)
    heard *= 0.1 / np.max(np.abs(heard))
    noise = 0.5 * float(np.std(bench.rung_samples(heard, 1)))
    take = bench.analyse(heard + noise * rng.standard_normal(len(heard)), subtype="FLOAT").take()
    hidden = take.rungs[0]
    unknown = np.isnan(hidden.thd_high_db)
    assert np.mean(unknown) > 0.9
    # What was measured there is noise over noise: it is not written as a THD either.
    assert np.all(np.isnan(hidden.thd_db[unknown]))
    assert np.all(np.isnan(hidden.harmonics[2].level_db[unknown]))
    table = thd_table(take)
    assert isinstance(table, Table)
    bounds = [cell.text for row in table.rows for cell in row[1:] if "%" in cell.text]
    assert bounds
    for text in bounds:
        assert float(text.removesuffix("\N{NO-BREAK SPACE}%").split()[-1]) < 100.0


def test_what_noise_has_no_part_in_moves_a_high_end_that_stands_alone() -> None:
    nothing, value = (np.nan, -np.inf, -60.0), (-60.0, -63.0, -58.0)
    level_db, low_db, high_db = (np.array(part) for part in zip(nothing, value, strict=True))
    _, low_db, high_db = wider((level_db, low_db, high_db), np.array([4.0, 4.0]))
    np.testing.assert_allclose(low_db, [-np.inf, -65.0])
    np.testing.assert_allclose(high_db, [-56.0, -60.0 + np.hypot(2.0, 4.0)])


def test_a_room_is_not_blamed_for_what_less_noise_would_not_mend() -> None:
    advice = ThdAdvice(-20.0, None, 100.0, 5000.0, 18, 2, None, None, noise_fall_db=None)
    sentence = advice_sentence(advice)
    assert sentence.endswith("ten minutes of sweeps would not do, nor would a far quieter room.")
    noisy = advice_sentence(dataclasses.replace(advice, noise_fall_db=12.0))
    assert noisy.endswith("there is too much noise for this level, by 12\N{NO-BREAK SPACE}dB.")


def test_a_rung_silent_to_the_last_bit_has_neither_level_nor_distortion(
    make_bench: Callable[..., Bench],
) -> None:
    bench = make_bench(levels_dbfs=[-30, -20, -10])
    heard = play(MILDLY_CURVED, bench.waveform, RATE_HZ)
    heard *= 0.3 / np.max(np.abs(heard))
    first = bench.stimulus.files[0].rungs[0].start_sample
    heard[first : first + bench.stimulus.rung_samples] = 0.0  # the pause after it, too
    silent = bench.analyse(heard).take().rungs[0]
    assert not np.any(np.isfinite(silent.fundamental_low_db))
    assert not np.any(silent.thd_reliable)
    assert not np.any(np.isfinite(silent.thd_low_db))
