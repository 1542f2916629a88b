"""Stretches of a sweep's recording that were lost, their places, and what is put there."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from closed_form import Branch, cascade, high_pass, low_pass, peak, play
from conftest import RATE_HZ, long

from distsweep.analysis.cut import CutLadder, CutRung
from distsweep.analysis.settings import TakeSettings
from distsweep.analysis.sweep.bridging import Bridged, bridge, bridge_ladder
from distsweep.analysis.sweep.harmonics import measure_harmonics
from distsweep.analysis.sweep.holes import Hole, find_holes, muted_runs
from distsweep.stimulus.sweep import Sweep, design_sweep

BAND_HZ, ORDER, STEP = (40.0, 16000.0), 5, 2.0**-23

SPEAKER = [
    Branch(cascade(high_pass(60, 0.9), peak(900, 5, 5)), (1.0, 0.03, -0.05), low_pass(15000)),
    Branch(low_pass(300), (0.0, 0.02, 0.02, 0.01), peak(1500, 4, 6)),
]


@cache
def recording() -> tuple[Sweep, np.ndarray, np.ndarray]:
    """Return a sweep of 6 s, what is heard of it, and the same with noise 70 dB below."""
    sweep = design_sweep(rate_hz=RATE_HZ, band_hz=BAND_HZ, sweep_s=6.0)
    played = np.concatenate([0.3 * sweep.waveform(), np.zeros(RATE_HZ // 2)])
    heard = play(SPEAKER, played, RATE_HZ)
    noise = np.random.default_rng(1).standard_normal(len(heard))
    noisy = heard + 10 ** (-70 / 20) * np.std(heard) * noise
    return sweep, heard, np.round(noisy / STEP) * STEP


def at_sample(frequency_hz: float) -> int:
    sweep = recording()[0]
    return int(sweep.time_of_s(frequency_hz) * sweep.rate_hz)


def rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(values**2)))


def bridged(first: int, last: int) -> tuple[Bridged, float]:
    """Return the recording without some samples, bridged, and the bridge's true error."""
    sweep, heard, noisy = recording()
    spoilt = noisy.copy()
    spoilt[first:last] = 0.7  # what stands in a hole must not matter
    result = bridge(spoilt, [(first, last)], sweep=sweep, order=ORDER)
    assert np.array_equal(np.flatnonzero(result.inside), np.arange(first, last))
    outside = ~result.inside
    assert np.array_equal(result.signal[outside], noisy[outside])
    return result, rms(result.signal[first:last] - heard[first:last])


@pytest.mark.parametrize("frequency_hz", [long(60), 700, long(6000)])
@pytest.mark.parametrize("samples", [long(8), 64, 512])
def test_a_bridge_is_as_right_as_it_says(frequency_hz: float, samples: int) -> None:
    """What is put in a hole errs by no more than twice what it is said to err by.

    Twice: eight draws of a correlated error, and the true one is a single such draw. Up to 64
    samples the error stays below the noise that covers the rest.
    """
    _, heard, noisy = recording()
    first = at_sample(frequency_hz)
    result, error = bridged(first, first + samples)
    assert error < 2.0 * result.error_rms((first, first + samples))
    if samples <= 64:
        assert error < rms(noisy - heard)
    assert error < 0.01 * rms(heard[first - 2000 : first + 2000])


def test_a_hole_at_the_very_beginning_and_one_in_the_pause_are_bridged() -> None:
    sweep, heard, noisy = recording()
    holes = [(0, 40), (len(noisy) - 60, len(noisy) - 2)]
    spoilt = noisy.copy()
    for first, last in holes:
        spoilt[first:last] = 0.7
    result = bridge(spoilt, holes, sweep=sweep, order=ORDER)
    for first, last in holes:
        assert rms(result.signal[first:last] - heard[first:last]) < 3.0 * rms(noisy - heard)


def ladder(signal: np.ndarray, holes: list[tuple[int, int]]) -> tuple[CutLadder, TakeSettings]:
    sweep, heard, noisy = recording()
    none = np.array([], dtype=np.int64)
    rung = CutRung(-10.0, "rung", [signal], [0.0], [none], holes=[holes] if holes else [])
    quiet = rms(noisy - heard) * np.random.default_rng(2).standard_normal(2 * RATE_HZ)
    settings = TakeSettings(order=ORDER, band_hz=BAND_HZ, correction_db=np.zeros_like)
    return CutLadder(sweep, [rung], [quiet], 1.0, STEP), settings


@pytest.mark.parametrize("frequency_hz", [long(60), long(700), 6000])
def test_harmonics_of_a_bridged_pass_are_those_of_the_undamaged_one(frequency_hz: float) -> None:
    """Where values stand three times above their floors they move by less than 1 dB, whether the
    hole was known or is found."""
    _, _, noisy = recording()
    first = at_sample(frequency_hz)
    spoilt = noisy.copy()
    spoilt[first : first + 256] = 0.0
    whole, found_out, known = (
        measure_harmonics(*ladder(signal, holes))
        for signal, holes in (
            (noisy, []), (spoilt, []), (spoilt, [(first, first + 256)]),
        )
    )  # fmt: skip
    clear = whole.usable & (whole.orders > 3.0 * whole.floors)
    for mended in (found_out, known):
        moved = np.abs(20 * np.log10(mended.orders / whole.orders))
        usable = clear & mended.usable
        assert np.max(moved[usable]) < 1.0
        assert np.sum(usable) > 0.98 * np.sum(clear)
    ((damage,), nothing) = found_out.damage, known.damage
    assert (damage.kind, damage.samples, damage.bridged) == ("muted", 256, True)
    assert nothing == []


@pytest.mark.long
def test_a_window_of_which_most_is_bridged_reads_nothing() -> None:
    """85 ms are longer than what windows see of the treble, shorter than what they see below."""
    sweep, _, noisy = recording()
    first = at_sample(7000)
    cut, settings = ladder(noisy, [(first, first + 4096)])
    measured = measure_harmonics(cut, settings)
    passed = np.round(sweep.time_of_s(measured.frequency_hz) * RATE_HZ)
    within = (passed > first + 400) & (passed < first + 3000)
    assert np.any(within)
    assert not np.any(measured.usable[0, 0, within])
    assert np.all(measured.usable[0, 0, measured.frequency_hz < 3000])


def test_nothing_is_done_where_there_are_no_holes() -> None:
    _, _, noisy = recording()
    cut, _ = ladder(noisy, [])
    mended, bridges = bridge_ladder(cut, sweep=cut.sweep, order=ORDER)
    assert mended.rungs[0].signals[0] is noisy
    assert not bridges.passes


def found(signal: np.ndarray, at: int) -> list[Hole]:
    """Look where a map would send one, 15 ms beside it."""
    sweep = recording()[0]
    moments = [at / RATE_HZ + 0.015]
    return find_holes(signal, moments, sweep=sweep, order=ORDER, step=STEP, clicked=moments)


@pytest.mark.parametrize("frequency_hz", [long(60), 700, long(6000)])
def test_muted_held_and_repeated_blocks_are_found_to_the_sample(frequency_hz: float) -> None:
    noisy, at = recording()[2], at_sample(frequency_hz)
    muted, held, repeated = noisy.copy(), noisy.copy(), noisy.copy()
    muted[at : at + 64] = 0.0
    held[at : at + 64] = held[at - 1]
    repeated[at : at + 256] = noisy[at - 256 : at]
    assert found(muted, at) == [Hole("muted", at, at + 64)]
    assert found(held, at) == [Hole("muted", at, at + 64)]
    assert found(repeated, at) == [Hole("repeated", at, at + 256, 256)]


@pytest.mark.parametrize("frequency_hz", [long(60), 6000])
@pytest.mark.parametrize(("samples", "size"), [(1, 0.05), long(5, 10.0), long(20, 0.5)])
def test_a_click_is_found_and_leaves_nothing(
    frequency_hz: float, samples: int, size: float, rng: np.random.Generator
) -> None:
    """Its samples lie in what is marked, and the bridge errs by no more than the noise does."""
    sweep, heard, noisy = recording()
    at = at_sample(frequency_hz)
    around = slice(at - 1000, at + 1000)
    clicked = noisy.copy()
    shape = np.sign(rng.standard_normal(samples))
    clicked[at : at + samples] += size * rms(heard[around]) * shape
    holes = found(clicked, at)
    assert {hole.kind for hole in holes} == {"click"}
    assert holes[0].first <= at and holes[-1].last >= at + samples
    assert holes[-1].last - holes[0].first < 200
    spans = [(hole.first, hole.last) for hole in holes]
    result = bridge(clicked, spans, sweep=sweep, order=ORDER)
    assert rms((result.signal - heard)[around]) < 1.1 * rms((noisy - heard)[around])


def test_nothing_is_found_in_an_undamaged_pass() -> None:
    _, heard, noisy = recording()
    for at in (700, 6000):
        assert found(noisy, at_sample(at)) == []
    for bits in (8, 12, 16):
        step = 2.0 ** (1 - bits)
        for signal in (heard, noisy, np.clip(noisy, -0.1, 0.1)):
            assert muted_runs(np.round(signal / step) * step, step=step) == []
