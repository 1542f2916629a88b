"""What is left over between the orders: clicks, knocks, noise, rooms, crackling loudspeakers."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import scipy.signal
from closed_form import MILDLY_CURVED, harmonic_amplitudes, play
from conftest import RATE_HZ, Bench, long
from crackling import a_click, clicks_at, excursion, passings

from distsweep.results import Results, Take

LEVELS_DBFS = [-26, -18, -10]
NOISE_DB = -66.0
"""RMS of the noise re that of the loudest rung."""


class Heard:
    """A ladder of three rungs that a mildly curved loudspeaker plays, in noise."""

    def __init__(self, bench: Bench, rng: np.random.Generator) -> None:
        self.bench = bench
        heard = play(MILDLY_CURVED, bench.waveform, RATE_HZ)
        self.rms = float(np.std(bench.rung_samples(heard, 2)))
        self.noise = self.rms * 10 ** (NOISE_DB / 20) * rng.standard_normal(len(heard))
        self.samples = heard + self.noise

    def place(self, rung: int, after_s: float) -> int:
        played = self.bench.stimulus.files[0].rungs[rung]
        return int(played.start_sample + round(after_s * RATE_HZ))

    def with_sound(self, sound: np.ndarray, rung: int, after_s: float) -> np.ndarray:
        samples, first = self.samples.copy(), self.place(rung, after_s)
        samples[first : first + len(sound)] += sound
        return samples

    def analyse(self, samples: np.ndarray) -> Results:
        return self.bench.analyse(samples, subtype="FLOAT")

    def off_db(self, take: Take, *, order: int) -> list[np.ndarray]:
        """Return by how much reliable harmonics of each rung are off."""
        off = []
        for rung in take.rungs:
            amplitude = 10 ** (rung.drive_dbfs / 20)
            truth = harmonic_amplitudes(MILDLY_CURVED, take.frequency_hz, amplitude, order)
            curve = rung.harmonics[order]
            true_db = 20 * np.log10(truth[order - 1] / truth[0])
            off.append(np.where(curve.reliable, np.abs(curve.level_db - true_db), np.nan))
        return off


@pytest.fixture
def heard(make_bench: Callable[..., Bench], rng: np.random.Generator) -> Heard:
    return Heard(
        make_bench(levels_dbfs=LEVELS_DBFS, sweep_s=4.0, quiet_s=3.0, pause_s=0.8, order=5), rng
    )


def click(rng: np.random.Generator, size: float) -> np.ndarray:
    return size * rng.standard_normal(12)


def knock(rng: np.random.Generator, size: float) -> np.ndarray:
    time_s = np.arange(RATE_HZ // 8) / RATE_HZ
    return size * np.exp(-time_s / 0.015) * np.sin(2 * np.pi * 700.0 * time_s)


def talk(rng: np.random.Generator, size: float) -> np.ndarray:
    sos = scipy.signal.butter(2, [300.0, 3000.0], "band", fs=RATE_HZ, output="sos")
    return size * scipy.signal.sosfilt(sos, rng.standard_normal(RATE_HZ))


def test_nothing_is_found_where_nothing_happened(heard: Heard) -> None:
    take = heard.analyse(heard.samples).take()
    assert take.damage == []
    assert all(np.all(np.isnan(rung.impulsive_db)) for rung in take.rungs)


@pytest.mark.parametrize(
    ("sound", "size", "kinds"),
    [(click, 0.3, {"click"}), (knock, 0.1, {"knock"}), (talk, 0.05, {"noise", "knock"})],
)
@pytest.mark.parametrize("rung", [long(0), 1, long(2)])
def test_what_happened_is_named_at_its_time(
    heard: Heard,
    rng: np.random.Generator,
    sound: Callable[..., np.ndarray],
    size: float,
    kinds: set[str],
    rung: int,
) -> None:
    rms = heard.rms * 10 ** ((LEVELS_DBFS[rung] - LEVELS_DBFS[2]) / 20)
    samples = heard.with_sound(sound(rng, size * rms), rung, 1.7)
    damage = heard.analyse(samples).take().damage
    if sound is talk and rung == 2:  # no louder rung denies that the loudspeaker did it
        return
    assert {one.kind for one in damage} <= kinds and damage
    assert {one.rung for one in damage} == {rung}
    at_s = heard.place(rung, 1.7) / RATE_HZ
    assert damage[0].start_s == pytest.approx(at_s, abs={click: 0.02, knock: 0.1, talk: 0.2}[sound])


def test_a_click_widens_what_it_touches_and_nothing_else(
    heard: Heard, rng: np.random.Generator
) -> None:
    clean = heard.analyse(heard.samples).take()
    take = heard.analyse(heard.with_sound(click(rng, 1.0 * heard.rms), 1, 2.2)).take()
    (damage,) = take.damage
    for order in (2, 3):
        for rung, (off, before) in enumerate(
            zip(heard.off_db(take, order=order), clean.rungs, strict=True)
        ):
            assert np.max(np.nan_to_num(off)) < 3.0
            kept = take.rungs[rung].harmonics[order].reliable
            away = (take.frequency_hz < 0.97 * damage.low_hz) | (
                take.frequency_hz > 1.03 * damage.high_hz
            )
            away |= rung != 1
            assert np.array_equal(kept[away], before.harmonics[order].reliable[away])


def test_a_room_is_no_damage(heard: Heard, rng: np.random.Generator) -> None:
    time_s = np.arange(RATE_HZ // 2) / RATE_HZ
    decay = rng.standard_normal(len(time_s)) * 10 ** (-3.0 * time_s / 0.5)
    decay[: RATE_HZ // 300] = 0.0
    decay /= np.sqrt(np.sum(decay**2))
    decay[0] = 1.0
    samples = scipy.signal.oaconvolve(heard.samples - heard.noise, decay)[: len(heard.samples)]
    assert heard.analyse(samples + heard.noise).take().damage == []


def test_impulses_that_come_again_are_the_loudspeakers(
    heard: Heard, rng: np.random.Generator
) -> None:
    moved = excursion(heard.bench.waveform, RATE_HZ, resonance_hz=120.0, q=0.8)
    places = passings(moved, 10 ** (-20 / 20))  # of the two louder rungs
    train = clicks_at(
        places, np.full(len(places), 0.05 * heard.rms), a_click(rng, RATE_HZ), len(moved)
    )
    take = heard.analyse(heard.samples + train).take()
    assert take.damage == []
    assert np.all(np.isnan(take.rungs[0].impulsive_db))
    for rung in take.rungs[1:]:
        shown_hz = take.frequency_hz[np.isfinite(rung.impulsive_db)]
        assert len(shown_hz) and np.max(shown_hz) < 400.0
