"""What would make THD known: computed as the intervals are, and right on closed forms."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from capture_bench import FakeBench, calibrated_session, log_events, run_capture
from closed_form import MILDLY_CURVED, play
from conftest import RATE_HZ, Bench, ladder_recipe, long

from distsweep.analysis.advice import advise as advising
from distsweep.analysis.advice.advise import LONGEST_S
from distsweep.analysis.advice.chances import least_known
from distsweep.analysis.advice.least_thd import Forecast, PlannedLadder, known_range
from distsweep.analysis.sweep.harmonics import Amplitudes, measure_harmonics
from distsweep.analysis.sweep.intervals import third_octave_harmonics
from distsweep.results import ThdAdvice
from distsweep.results.session import Conditions
from distsweep.takes.session_calibration import Calibration
from distsweep.takes.session_takes import TakeEntry
from distsweep.takes.take import find_take, take_settings
from distsweep.words.advice import advice_sentence
from distsweep.words.forecast import ForetoldLevel, forecast_lines

RECIPE = {"levels_dbfs": [-10], "sweep_s": 3.0, "quiet_s": 3.0, "order": 3}


@pytest.fixture
def bench_of(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Bench]:
    def make(**changes: Any) -> Bench:
        return Bench(tmp_path_factory.mktemp("bench"), ladder_recipe(**(RECIPE | changes)))

    return make


def noisy(bench: Bench, rng: np.random.Generator, noise_rms: float) -> np.ndarray:
    heard = 0.5 * play(MILDLY_CURVED, bench.waveform, RATE_HZ)
    return heard + noise_rms * rng.standard_normal(len(heard))


def known_share(bench: Bench, rng: np.random.Generator, noise_rms: float) -> float:
    """Return the share of thirds of an octave, 100 Hz to 5 kHz, whose THD is known."""
    thd = bench.analyse(noisy(bench, rng, noise_rms), subtype="FLOAT").take().rungs[0]
    thirds = thd.thd_third_octave
    assert thirds is not None
    asked = (thirds.frequency_hz >= 100.0) & (thirds.frequency_hz <= 5000.0)
    return float(np.mean((thirds.high_db - thirds.low_db)[asked] <= 3.0))


def test_what_is_recommended_is_enough(
    bench_of: Callable[..., Bench], rng: np.random.Generator
) -> None:
    noise_rms = 4e-3
    once = bench_of()
    [advice] = once.analyse(noisy(once, rng, noise_rms), subtype="FLOAT").take().thd_advice
    assert (advice.low_hz, advice.high_hz, advice.bands) == (100.0, 5000.0, 18)
    assert advice.bands_known < 17 and not advice.at_least
    assert advice.repeats is not None and advice.sweep_s is not None
    for changes in ({"repeats": advice.repeats}, {"sweep_s": advice.sweep_s}):
        assert known_share(bench_of(**changes), rng, noise_rms) >= 0.9
    # With a quarter of it, which is what was measured or hardly more, it is not.
    assert advice.repeats <= 8
    assert known_share(once, rng, noise_rms) < 0.9


def test_nothing_is_recommended_where_all_is_known(
    bench_of: Callable[..., Bench], rng: np.random.Generator
) -> None:
    bench = bench_of()
    assert bench.analyse(noisy(bench, rng, 1e-4), subtype="FLOAT").take().thd_advice == []


def test_nothing_is_recommended_for_a_rung_that_clipped(
    bench_of: Callable[..., Bench], rng: np.random.Generator
) -> None:
    bench = bench_of(levels_dbfs=[-16, -10])
    samples = noisy(bench, rng, 4e-3)
    middle = bench.stimulus.files[0].rungs[1].start_sample + RATE_HZ
    samples[middle : middle + 6] = 1.0
    take = bench.analyse(samples).take()
    assert [rung.clipped for rung in take.rungs] == [False, True]
    assert [advice.drive_dbfs for advice in take.thd_advice] == [-16.0]


@pytest.mark.long
def test_a_room_too_noisy_is_said_by_how_much(
    bench_of: Callable[..., Bench], rng: np.random.Generator
) -> None:
    bench = bench_of(levels_dbfs=[-13, -12, -11, -10])
    for noise_rms in (0.1, 0.15):
        samples = noisy(bench, rng, noise_rms)
        advice = bench.analyse(samples, subtype="FLOAT").take().thd_advice[0]
        assert advice.repeats is None and advice.sweep_s is None and advice.at_least
        assert advice.noise_fall_db is not None
        # At least so much, so with less noise by a lesser amount THD is not known.
        less = noise_rms * 10 ** (-(advice.noise_fall_db - 3.0) / 20)
        assert known_share(bench, rng, less) < 0.9


def test_ten_minutes_of_sweeps_are_the_most(
    bench_of: Callable[..., Bench], rng: np.random.Generator
) -> None:
    bench = bench_of()
    for noise_rms in (4e-3, 8e-3, 1.6e-2, 3.2e-2):
        [advice] = bench.analyse(noisy(bench, rng, noise_rms), subtype="FLOAT").take().thd_advice
        assert (advice.repeats or 0) * 3.0 <= LONGEST_S
        assert (advice.sweep_s or 0.0) <= 300.0


def amplitudes_of(bench: Bench, samples: np.ndarray) -> tuple[Amplitudes, float]:
    """Return a recording's amplitudes, and its sweep's length in seconds."""
    entry = TakeEntry("axis", bench.sidecar, (bench.record(samples, subtype="FLOAT"),), 1)
    found = find_take(entry)
    settings = take_settings(found.stimulus.recipe, Calibration(), Conditions())
    return measure_harmonics(found.cut, settings), found.cut.sweep.duration_s


@pytest.mark.parametrize("longer", [long(2.0), 6.0])
def test_noise_of_a_longer_sweep_is_foretold(
    bench_of: Callable[..., Bench], rng: np.random.Generator, longer: float
) -> None:
    """Windows as long in periods see 1/k of the noise; those that gaps limit, more often."""
    changes: dict[str, Any] = {"band_hz": [20, 8000], "order": 6, "sweep_s": 5.0}
    benches = [bench_of(**(changes | {"sweep_s": 5.0 * times})) for times in (1.0, longer)]
    first, later = (amplitudes_of(one, noisy(one, rng, 1e-3)) for one in benches)
    now, then = (third_octave_harmonics(one, [0]) for one, _ in (first, later))
    others = advising._longer(first[0], now, np.array([later[1]]), first[1])
    power = others.power[:, 0, 0]
    held = np.isfinite(now.powers.total[:, 0]) & np.isfinite(then.powers.total[:, 0])
    before, after = (one.powers.noise[:, 0][held] for one in (now, then))
    # Two silences of 3 s: in the bass a few bins each, so the medians are compared.
    assert np.median(before * power[held] / after) == pytest.approx(1.0, abs=0.05)
    worths = [one.powers.spread[:, 0][held] for one in (now, then)]
    fewer = others.fewer[:, 0, 0][held]
    ratio = worths[0] / before**2 * fewer / (worths[1] / after**2)
    assert np.median(ratio) == pytest.approx(1.0, abs=0.05)
    assert np.max(power[0]) > 1.2 / longer  # the bass, where gaps limit the windows
    assert np.min(power) == pytest.approx(1.0 / longer, rel=0.02)


@pytest.mark.parametrize("repeats", [1, long(4)])
def test_least_thd_is_foretold_before_the_measurement(
    bench_of: Callable[..., Bench], rng: np.random.Generator, repeats: int
) -> None:
    """It is what the intervals of a measurement say whose harmonics are a second and a third."""
    bench = bench_of(sweep_s=4.0, order=5, repeats=repeats)
    noise_rms = 2e-3
    amplitudes, _ = amplitudes_of(bench, noisy(bench, rng, noise_rms))
    planned = PlannedLadder(bench.stimulus.sweep, 1.0, 1, 3.0, repeats)
    settings = take_settings(bench.stimulus.recipe, Calibration(), Conditions())
    forecast = Forecast([noise_rms * rng.standard_normal(5 * RATE_HZ)], planned, settings)
    assert forecast.frequency_hz == pytest.approx(amplitudes.frequency_hz)
    foretold = forecast.least_thd(20.0 * np.log10(amplitudes.orders[0, :1]))
    thirds = third_octave_harmonics(amplitudes, [0])
    held = np.isin(thirds.middle_hz, foretold.frequency_hz)
    signal = np.zeros((len(thirds.powers.total), 1, 1))
    signal[:2] = 1.0  # far above the noise: then it alone says where THD is
    there, noise = np.isfinite(thirds.powers.total), thirds.powers.noise
    worth = np.clip(0.9 * thirds.independent, 1.0, thirds.points)
    total = np.where(there, noise + signal, np.nan)
    pure = replace(thirds.powers, total=total, cross=noise / worth)
    shift_db = np.nan_to_num(pure.weighted(thirds.shift_db))
    least = 100.0 * np.sqrt(least_known(pure.summed(), shift_db)[0, held])
    ratio = foretold.percent[0] / least
    # Silences of 3 and 5 s: in the bass a band of noise holds a few bins of each.
    assert np.median(ratio) == pytest.approx(1.0, abs=0.03)
    assert np.max(np.abs(ratio - 1.0)) < 0.35


def test_four_times_the_repeats_halve_the_least_thd(bench_of: Callable[..., Bench]) -> None:
    """Noise of a quarter of the power: exactly, where the fundamental has hardly any in it."""
    bench = bench_of()
    settings = take_settings(bench.stimulus.recipe, Calibration(), Conditions())
    planned = PlannedLadder(bench.stimulus.sweep, 1.0, 1, 3.0, 1)
    noise = 1e-4 * np.random.default_rng(2).standard_normal(3 * RATE_HZ)
    forecast = Forecast([noise], planned, settings)
    flat = np.stack([forecast.flat_db(-10.0), forecast.flat_db(-30.0)])
    once, four = (forecast.least_thd(flat, times=times).percent for times in (1.0, 4.0))
    high = forecast.least_thd(flat).frequency_hz > 200.0  # below, the sweep's speed counts as well
    assert four[:, high] == pytest.approx(once[:, high] / 2.0, rel=0.01)
    assert once[1, high] == pytest.approx(10.0 * once[0, high], rel=0.01)


def test_the_range_that_is_known() -> None:
    hz = np.arange(1.0, 13.0)
    assert known_range(hz, np.zeros(12, bool)) is None
    for signs, ends in (
        ("..##########", (3.0, 12.0)),
        ("#..#######..", (4.0, 10.0)),  # eight of ten are not nine tenths
        ("###.########", (1.0, 12.0)),
        ("##...#......", (1.0, 2.0)),
    ):
        known = np.array([sign == "#" for sign in signs])
        assert known_range(hz, known) == ends, signs


def test_sentences_before_the_measurement() -> None:
    def lines(now: object, more: object, **changes: Any) -> list[str]:
        level = ForetoldLevel("75 dB SPL", (now, None), (more, None), 0.27)  # type: ignore[arg-type]
        given: dict[str, Any] = {"repeats": 4, "flat": True, "highest_hz": 5000.0}
        made = forecast_lines([level], (1.0, 0.1), **(given | changes))
        assert all(len(line) <= 80 for line in made[1:])
        return [line.replace("\N{NO-BREAK SPACE}", " ") for line in made]

    known = "known within 1.5 dB (1/3 octave)"
    for now, more, end in (
        ((160.0, 5e3), (80.0, 5e3),
         f"be {known} from 160 Hz up; 4 repeats would bring it to 80 Hz."),
        ((160.0, 5e3), (160.0, 5e3), f"be {known} from 160 Hz up."),
        ((160.0, 2e3), (80.0, 4e3),
         f"be {known} from 160 Hz to 2 kHz; with 4 repeats it would be from 80 Hz to 4 kHz."),
        (None, (400.0, 400.0), f"nowhere be {known}; with 4 repeats it would be at 400 Hz."),
        (None, None, f"nowhere be {known}, nor would it with 4 repeats."),
    ):  # fmt: skip
        assert lines(now, more)[0] == f"THD of 1 % at 75 dB SPL will {end}"
    assert lines((160.0, 2e3), (80.0, 5e3), flat=False)[1:] == [
        "Where THD will be known, in Hz (as the probe shows it):",
        "             THD of 1 %   4 repeats    THD of 0.1 % 4 repeats    least THD",
        "  75 dB SPL  160–2k       80 up        nowhere      nowhere      0.27 %",
    ]


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        (
            {"repeats": 4, "sweep_s": 30.0},
            "THD from 100 Hz to 5 kHz at 82.0 dB SPL (−22 dBFS) is known within 1.5 dB in 7 of 18"
            " thirds of an octave; with 4 repeats or sweeps of 30 s it would be in nine tenths of"
            " them.",
        ),
        (
            {"repeats": 9, "at_least": True, "spl_db": None},
            "THD from 100 Hz to 5 kHz at −22 dBFS is known within 1.5 dB in 7 of 18 thirds of an"
            " octave; nine tenths of them take at least 9 repeats, and may take more.",
        ),
        (
            {"noise_fall_db": 12.0, "at_least": True},
            "THD from 100 Hz to 5 kHz at 82.0 dB SPL (−22 dBFS) is known within 1.5 dB in 7 of 18"
            " thirds of an octave; ten minutes of sweeps would not do: there is too much noise for"
            " this level, by at least 12 dB.",
        ),
    ],
    ids=["surely", "at least", "too noisy"],
)
def test_sentences(changes: dict[str, Any], sentence: str) -> None:
    given: dict[str, Any] = {
        "drive_dbfs": -22.0, "spl_db": 82.0, "low_hz": 100.0, "high_hz": 5000.0, "bands": 18,
        "bands_known": 7, "repeats": None, "sweep_s": None, "noise_fall_db": None,
    }  # fmt: skip
    made = advice_sentence(ThdAdvice(**(given | changes)))
    assert made.replace("\N{NO-BREAK SPACE}", " ") == sentence


def test_a_capture_says_beforehand_which_thd_will_be_known(tmp_path: Path, sidecar: Path) -> None:
    """Before the probe from levels taken as flat, after it again; the record holds both."""
    least = []
    for noise_dbfs in (-100.0, -80.0):
        session = calibrated_session(tmp_path / str(noise_dbfs), 135.0)
        ran = run_capture(
            FakeBench(noise_dbfs=noise_dbfs), session, sidecar,
            "--levels-spl", "72 and 82", "--accept-level", "85",
        )  # fmt: skip
        assert ran.exit_code == 0, ran.stderr
        said = ran.stderr.splitlines()
        told = [number for number, line in enumerate(said) if "THD of 1 % at 72" in line]
        probe = next(number for number, line in enumerate(said) if line.startswith("probe at"))
        assert told[0] < probe
        foretold = [event for event in log_events(session) if event["event"] == "forecast"]
        assert [one["by"] for one in foretold] == ["levels taken as flat", "probe"]
        assert [one["level"] for one in foretold[0]["levels"]] == ["72 dB SPL", "82 dB SPL"]
        least.append([[x["least_thd_percent"] for x in one["levels"]] for one in foretold])
    flat, shown = np.array(least).swapaxes(0, 1)
    # 10 dB between the rungs, and 20 dB between the noises, but for what is not noise.
    assert np.median(flat[1, 0] / flat[1, 1]) == pytest.approx(10**0.5, rel=0.1)
    assert np.median(flat[1, 0] / flat[0, 0]) == pytest.approx(10.0, rel=0.3)
    # The bench ripples by ±1.7 dB, and its noise is drawn anew.
    assert np.max(np.abs(np.log(shown / flat))) < np.log(1.5)


def test_drives_are_no_levels_until_the_probe_has_shown_them(tmp_path: Path, sidecar: Path) -> None:
    session = calibrated_session(tmp_path, 120.0)
    ran = run_capture(FakeBench(), session, sidecar, "--levels-dbfs", "-50 and -44")
    assert ran.exit_code == 0, ran.stderr
    assert [e["by"] for e in log_events(session) if e["event"] == "forecast"] == ["probe"]
