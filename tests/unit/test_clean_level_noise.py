"""Highest clean levels on the whole path, from a recording with noise to what is stated.

Noise is Gaussian; its RMS over the whole band lies so many decibels below that of the loudest
rung's, or burst's, samples. What is said with noise is held against what is said without.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from closed_form import Branch, cascade, high_pass, low_pass, peak, play
from conftest import RATE_HZ, Bench, ladder_recipe
from staircase_bench import analysed

from distsweep.report.clean_level.levels import headline
from distsweep.results import CleanLevel, Take

STEP_DB = 6.0
BOX = cascade(high_pass(160, 0.8), peak(900, 3, 4))
# 1 % of second order at −28 dBFS and of third at −22 in the bass, and at −19 in the treble.
BRANCHES = [
    Branch(BOX, (1.0,), low_pass(15000)),
    Branch(low_pass(500, 0.6), (0.0, 0.5, -4.0), BOX),
    Branch(high_pass(2000, 0.6), (0.0, 0.18), BOX),
]


def with_noise(heard: np.ndarray, loudest: np.ndarray, seed: int, snr_db: float) -> np.ndarray:
    rms = np.sqrt(np.mean(loudest**2)) * 10.0 ** (-snr_db / 20.0)
    return heard + np.random.default_rng(seed).normal(0.0, rms, len(heard))


@pytest.fixture(scope="module")
def takes(tmp_path_factory: pytest.TempPathFactory) -> list[Take]:
    """The same loudspeaker without noise, and three times with noise 50 dB down."""
    recipe = ladder_recipe(levels_dbfs=[-40, -34, -28, -22, -16, -10], sweep_s=1.5)
    bench = Bench(tmp_path_factory.mktemp("clean"), recipe)
    heard = play(BRANCHES, bench.waveform, RATE_HZ)
    heard *= 0.5 / np.max(np.abs(heard))
    loudest = bench.rung_samples(heard, -1)
    noisy = [with_noise(heard, loudest, seed, 50.0) for seed in (1, 2, 3)]
    return [bench.analyse(one).take() for one in (heard, *noisy)]


def of_limit(found: list[CleanLevel], *limit: float | None) -> CleanLevel:
    def same(a: float | None, b: float | None) -> bool:
        return a == b or (b is None and a is not None and np.isnan(a))

    return next(c for c in found if same(c.thd_percent, limit[0]) and c.compression_db == limit[1])


def in_state(clean: CleanLevel, *states: str) -> np.ndarray:
    return np.isin(clean.state, states)


LIMITS = [(1.0, None), (3.0, None), (1.0, 1.0)]


@pytest.mark.parametrize("which", ["clean_level", "clean_level_third_octave"])
@pytest.mark.parametrize("limit", LIMITS, ids=str)
def test_what_is_stated_in_noise_is_what_is_stated_without(
    takes: list[Take], limit: tuple[float, float | None], which: str
) -> None:
    quiet = of_limit(getattr(takes[0], which), *limit)
    errors, brackets = [], []
    for take in takes[1:]:
        noisy = of_limit(getattr(take, which), *limit)
        both = in_state(noisy, "reached") & in_state(quiet, "reached")
        errors.append((noisy.drive_dbfs - quiet.drive_dbfs)[both])
        # Nothing is stated where the same recording without noise states nothing.
        assert np.sum(in_state(noisy, "reached") & ~both) <= 0.05 * np.sum(both)
        box = in_state(noisy, "bracketed")
        assert np.all((noisy.drive_high_dbfs - noisy.drive_low_dbfs)[box] <= STEP_DB + 1e-6)
        holds = (noisy.drive_low_dbfs <= quiet.drive_dbfs) & (
            quiet.drive_dbfs <= noisy.drive_high_dbfs
        )
        brackets.append(holds[box & in_state(quiet, "reached")])
        denied = noisy.drive_high_dbfs < quiet.drive_dbfs - 0.05
        below = in_state(noisy, "below")
        assert np.sum(denied & below) <= 0.05 * np.sum(below)
        denied = noisy.drive_low_dbfs > quiet.drive_dbfs + 0.05
        least = in_state(noisy, "not reached")
        assert np.sum(denied & least) <= 0.05 * np.sum(least)
    off = np.abs(np.concatenate(errors))
    # So fast a sweep leaves much in the noise, but a fifth and more are stated with it, too.
    assert len(off) >= 0.2 * 3 * np.sum(in_state(quiet, "reached"))
    assert np.mean(off <= 1.0) >= 0.95
    inside = np.concatenate(brackets)
    assert len(inside) < 20 or np.mean(inside) >= 0.9


def test_nothing_happened_to_these_recordings(takes: list[Take]) -> None:
    """Without noise the silence holds what dies away of the marker: no hiss that a gain moved."""
    assert [take.damage for take in takes] == [[]] * 4


def test_a_thd_that_is_its_floor_gives_no_crossing(takes: list[Take]) -> None:
    """A THD of −40.3 dB that is its floor is not known to be under 1 %, and starts no line."""
    stated = 0
    for take in takes[1:]:
        clean = of_limit(take.clean_level, 1.0, None)
        drives = np.array([rung.drive_dbfs for rung in take.rungs])
        for i in np.flatnonzero(in_state(clean, "reached")):
            lower = take.rungs[np.flatnonzero(drives <= clean.drive_dbfs[i])[-1]]
            at_floor = abs(lower.thd_db[i] - lower.thd_floor_db[i]) < 1.0
            assert not (at_floor and lower.thd_floor_db[i] > -41.0)
            stated += 1
    assert stated > 100


def test_neighbouring_points_do_not_jump(takes: list[Take]) -> None:
    """The loudspeaker is smooth: so are the values stated of it."""
    for take in takes[1:]:
        for clean in take.clean_level:
            stated = np.where(in_state(clean, "reached"), clean.drive_dbfs, np.nan)
            jumps = np.abs(np.diff(stated))
            jumps = jumps[np.isfinite(jumps)]
            assert np.all(jumps < 3.0), (clean.thd_percent, clean.compression_db)


def test_fresh_noise_leaves_the_headline(takes: list[Take]) -> None:
    quiet = headline(takes[0])
    assert quiet is not None and quiet.state == ["reached"]
    stated = []
    for take in takes[1:]:
        noisy = headline(take)
        assert noisy is not None
        low, high = noisy.drive_low_dbfs[0], noisy.drive_high_dbfs[0]
        if noisy.state == ["reached"]:
            stated.append(float(noisy.drive_dbfs[0]))
            assert noisy.drive_dbfs[0] == pytest.approx(quiet.drive_dbfs[0], abs=1.0)
        else:
            assert not high < quiet.drive_dbfs[0] and not low > quiet.drive_dbfs[0]
    assert not stated or np.ptp(stated) <= 1.0


def test_a_ladder_without_distortion_has_no_crossing(tmp_path: Path) -> None:
    bench = Bench(tmp_path, ladder_recipe(levels_dbfs=[-30, -20, -10], sweep_s=1.5, order=3))
    heard = 0.3 * play([Branch(BOX, (1.0,), low_pass(15000))], bench.waveform, RATE_HZ)
    noise = with_noise(heard, bench.rung_samples(heard, -1), 5, 40.0)
    take = bench.analyse(noise).take()
    for clean in [*take.clean_level, *take.clean_level_third_octave]:
        wrong = in_state(clean, "reached", "bracketed", "below", "contradicted")
        assert np.mean(wrong) <= 0.01
    # The loudest level hides nothing: it is known to keep within.
    assert np.mean(in_state(of_limit(take.clean_level, 1.0, 1.0), "not reached")) > 0.5


def test_a_staircase_goes_by_the_same_rule(tmp_path: Path) -> None:
    """1 % of second order at −22 dBFS; the noise's floor comes near it on the way."""

    def chain(waveform: np.ndarray) -> np.ndarray:
        return 0.4 * (waveform + 0.25 * waveform**2)

    levels = list(range(-46, -3, 6))
    told = {}
    for snr_db in (120.0, 38.0, 26.0):

        def noisy(waveform: np.ndarray, snr_db: float = snr_db) -> np.ndarray:
            return with_noise(chain(waveform), 0.4 * 10 ** (-4 / 20) / np.sqrt(2) * np.ones(1),
                              7, snr_db)  # fmt: skip

        take = analysed(
            tmp_path / f"{snr_db:g}", noisy, frequencies_hz=[315, 1250], levels_dbfs=levels,
            hold_s=0.4, rest_s=0.2, release_s=0.6,
        ).takes[0]  # fmt: skip
        told[snr_db] = of_limit(take.clean_level, 1.0, None)
        assert take.clean_level_third_octave == []  # a tone has no neighbours to average
    # c₂·A/2 = 1 %: A = 0.08, −21.9 dBFS.
    assert told[120.0].drive_dbfs == pytest.approx([-21.94] * 2, abs=0.05)
    assert told[120.0].state == ["reached"] * 2
    for snr_db in (38.0, 26.0):
        clean = told[snr_db]
        for i, state in enumerate(clean.state):
            if state == "reached":
                assert clean.drive_dbfs[i] == pytest.approx(-21.94, abs=1.0)
            assert not clean.drive_low_dbfs[i] > -21.94
            assert not clean.drive_high_dbfs[i] < -21.94
    assert "reached" not in told[26.0].state
