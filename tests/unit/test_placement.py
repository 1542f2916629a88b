"""Finding the stimulus in a recording: offset, gain, polarity, noise, clocks, cut-off takes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from closed_form import MILDLY_CURVED, Branch, flat, play
from conftest import RATE_HZ, Bench, ladder_recipe, long
from scipy.special import i0

from distsweep.errors import InputError
from distsweep.pipeline import analyse_recording
from distsweep.results import Take


def recorded_by_another_clock(samples: np.ndarray, ppm: float) -> np.ndarray:
    """What a recorder takes down whose clock runs fast: a 96-point Kaiser-windowed sinc.

    The kernel is looked up between 4096 values a sample, which errs by some 1e-7 of a noise.
    """
    scale = 1.0 + 1e-6 * ppm
    place = np.arange(int(len(samples) * scale)) / scale
    whole = np.floor(place).astype(int)
    part, half, beta, fine = place - whole, 48, 14.0, 4096
    distance = np.arange(-half * fine, half * fine + 1) / fine
    kernel = np.sinc(distance) * i0(beta * np.sqrt(1.0 - (distance / half) ** 2)) / i0(beta)
    row, share = np.divmod(part * fine, 1.0)
    at = row.astype(int) + half * fine
    padded = np.pad(samples, (half, half + 2))
    result = np.zeros(len(place))
    for k in range(1 - half, half + 1):
        below = at - k * fine
        weight = (1.0 - share) * kernel[below] + share * kernel[below + 1]
        result += padded[whole + k + half] * weight
    return result


@dataclass(frozen=True)
class Plain:
    """A bench, what is heard on it, and what the analysis makes of that."""

    bench: Bench
    heard: np.ndarray
    take: Take


def heard_on(bench: Bench) -> Plain:
    heard = 0.5 * play(MILDLY_CURVED, bench.waveform, RATE_HZ)
    return Plain(bench, heard, bench.analyse(heard, name="plain.wav", subtype="FLOAT").take())


@pytest.fixture(scope="module")
def long_rung(tmp_path_factory: pytest.TempPathFactory) -> Plain:
    recipe = ladder_recipe(levels_dbfs=[-10], sweep_s=8.0, band_hz=[20, 20000])
    return heard_on(Bench(tmp_path_factory.mktemp("rung"), recipe))


@pytest.fixture(scope="module")
def two_rungs(tmp_path_factory: pytest.TempPathFactory) -> Plain:
    return heard_on(Bench(tmp_path_factory.mktemp("rungs"), ladder_recipe()))


@pytest.mark.parametrize("ppm", [300.0, long(-300.0), long(41.5)])
def test_drift_is_found_and_taken_out(long_rung: Plain, ppm: float) -> None:
    bench, heard, same = long_rung.bench, long_rung.heard, long_rung.take
    drifted = bench.analyse(recorded_by_another_clock(heard, ppm), name="drifted.wav").take()
    assert same.clock_drift_ppm == pytest.approx(0.0, abs=0.05)
    assert drifted.clock_drift_ppm == pytest.approx(ppm, abs=2.0)
    for order in (2, 3):
        before, after = (t.rungs[0].harmonics[order].level_db for t in (same, drifted))
        real = before > -90.0
        assert np.max(np.abs(after - before)[real]) < 0.05
    moved_db = drifted.rungs[0].fundamental_db - same.rungs[0].fundamental_db
    assert np.max(np.abs(moved_db)) < 0.02


def test_drift_in_noise(make_bench, rng: np.random.Generator) -> None:
    """±300 ppm within 2 ppm even where the noise equals the marker."""
    bench = make_bench(levels_dbfs=[-10])
    heard = recorded_by_another_clock(play(MILDLY_CURVED, bench.waveform, RATE_HZ), 300.0)
    marker_rms = 10.0 ** (-10.0 / 20.0) / np.sqrt(2.0)
    noisy = heard + marker_rms * rng.standard_normal(len(heard))
    take = bench.analyse(0.2 * noisy).take()
    assert take.clock_drift_ppm == pytest.approx(300.0, abs=2.0)


@pytest.mark.parametrize("gain", [1.0, -1.0, 0.003])
def test_gain_polarity_and_place_do_not_matter(two_rungs: Plain, gain: float) -> None:
    bench, heard, plain = two_rungs.bench, two_rungs.heard, two_rungs.take
    moved = np.concatenate([np.zeros(98765), gain * heard, np.zeros(4321)])
    take = bench.analyse(moved, name="moved.wav", subtype="FLOAT").take()
    for a, b in zip(plain.rungs, take.rungs, strict=True):
        shift_db = 20.0 * np.log10(abs(gain))
        assert np.allclose(b.fundamental_db, a.fundamental_db + shift_db, atol=1e-3)
        real = a.harmonics[2].level_db > -90.0
        assert np.allclose(b.harmonics[2].level_db[real], a.harmonics[2].level_db[real], atol=0.01)


def test_something_else_around_the_take_does_not_matter(make_bench, rng) -> None:
    """Talking before and after: louder than the take, and not like a marker."""
    bench = make_bench()
    heard = 0.1 * play(MILDLY_CURVED, bench.waveform, RATE_HZ)
    talk = np.cumsum(rng.standard_normal(3 * RATE_HZ))
    talk = 0.7 * talk / np.max(np.abs(talk))
    take = bench.analyse(np.concatenate([talk, heard, talk[::-1]])).take()
    assert take.clock_drift_ppm == pytest.approx(0.0, abs=1.0)
    assert len(take.rungs) == 2


def test_a_faint_late_copy_does_not_matter(make_bench, rng: np.random.Generator) -> None:
    """Half a second later and 80 dB down, but in silence, where the markers themselves drown."""
    bench = make_bench(levels_dbfs=[-10], pause_s=1.2)
    heard = np.pad(0.3 * play(MILDLY_CURVED, bench.waveform, RATE_HZ), (0, RATE_HZ))
    late = RATE_HZ // 2
    file = bench.stimulus.files[0]
    disturbed = heard + 1e-4 * np.pad(bench.waveform, (late, RATE_HZ - late))
    for first in (file.start_marker_sample, file.end_marker_sample):
        disturbed[first : first + late] += 0.1 * rng.standard_normal(late)
    plain = bench.analyse(heard, subtype="FLOAT").take()
    take = bench.analyse(disturbed, name="disturbed.wav", subtype="FLOAT").take()
    moved_db = take.rungs[0].fundamental_db - plain.rungs[0].fundamental_db
    assert np.max(np.abs(moved_db)) < 0.1


def test_one_file_a_rung(make_bench, tmp_path) -> None:
    whole = make_bench(return_rung=True)
    together = whole.analyse(0.5 * play(MILDLY_CURVED, whole.waveform, RATE_HZ)).take()
    split = make_bench(name="split", split=True, return_rung=True)
    assert len(split.waveforms) == 3
    paths = [
        split.record(0.5 * play(MILDLY_CURVED, samples, RATE_HZ), name=f"rung-{i}.wav")
        for i, samples in enumerate(split.waveforms)
    ]
    take = analyse_recording(paths, stimulus=split.sidecar).take()
    assert [r.drive_dbfs for r in take.rungs] == [-20.0, -10.0]
    assert take.return_check_db == pytest.approx(0.0, abs=1e-3)
    for a, b in zip(together.rungs, take.rungs, strict=True):
        assert np.allclose(a.fundamental_db, b.fundamental_db, atol=2e-3)
        real = a.harmonics[2].level_db > -90.0
        assert np.allclose(a.harmonics[2].level_db[real], b.harmonics[2].level_db[real], atol=0.02)
    with pytest.raises(InputError, match=r"2 recording\(s\) given.*3 file"):
        analyse_recording(paths[:2], stimulus=split.sidecar)
    with pytest.raises(InputError, match="listed twice"):
        analyse_recording([paths[0], paths[0], paths[2]], stimulus=split.sidecar)
    with pytest.raises(InputError, match="in the wrong order"):
        analyse_recording([paths[1], paths[0], paths[2]], stimulus=split.sidecar)


def test_a_take_that_stops_early_gives_what_is_complete(make_bench) -> None:
    bench = make_bench(levels_dbfs=[-30, -20, -10])
    heard = 0.5 * play(MILDLY_CURVED, bench.waveform, RATE_HZ)
    third = bench.stimulus.files[0].rungs[2].start_sample
    results = bench.analyse(heard[: third + RATE_HZ])
    take = results.take()
    assert [r.drive_dbfs for r in take.rungs] == [-30.0, -20.0]
    assert take.clock_drift_ppm is None
    told = [w.message for w in results.warnings if w.code == "incomplete"]
    assert any("−10 dBFS" in text and "left out" in text for text in told)
    assert any("only the start marker" in text for text in told)


def test_a_take_that_starts_late_has_no_floors(make_bench) -> None:
    bench = make_bench(levels_dbfs=[-30, -20, -10])
    heard = 0.5 * play(MILDLY_CURVED, bench.waveform, RATE_HZ)
    second = bench.stimulus.files[0].rungs[1].start_sample
    results = bench.analyse(heard[second - 5000 :])
    take = results.take()
    assert [r.drive_dbfs for r in take.rungs] == [-20.0, -10.0]
    assert {"incomplete", "no_background"} <= {w.code for w in results.warnings}
    assert not take.rungs[0].thd_reliable.any()


def test_another_stimulus_is_refused(make_bench, tmp_path) -> None:
    bench = make_bench()
    path = bench.record(0.5 * bench.waveform)
    longer = make_bench(name="longer", sweep_s=2.5)
    with pytest.raises(InputError, match=r"markers stand .* apart"):
        analyse_recording(path, stimulus=longer.sidecar)
    # The same length, another band: the markers fit, the sweeps do not.
    for low_hz in (82, 90, 110, 160):
        other = make_bench(name=f"other-{low_hz}", band_hz=[low_hz, 16000])
        with pytest.raises(InputError, match="not this stimulus's"):
            analyse_recording(path, stimulus=other.sidecar)


def test_noise_alone_is_refused(make_bench, rng) -> None:
    bench = make_bench()
    with pytest.raises(InputError, match="markers were not found"):
        bench.analyse(0.1 * rng.standard_normal(len(bench.waveform)))


def test_noise_of_a_loud_room_is_survived(make_bench, rng) -> None:
    """The stimulus is found when the noise is 10 dB above the quietest rung."""
    bench = make_bench(levels_dbfs=[-40, -30, -20])
    level = 10.0 ** (-40.0 / 20.0) / np.sqrt(2.0) * 10.0 ** (10.0 / 20.0)
    noise = level * rng.standard_normal(len(bench.waveform))
    take = bench.analyse(bench.waveform + noise).take()
    assert len(take.rungs) == 3
    assert take.clock_drift_ppm == pytest.approx(0.0, abs=2.0)


def test_a_flat_loudspeaker_is_flat(make_bench) -> None:
    bench = make_bench()
    take = bench.analyse(play([Branch(flat, (1.0,), flat)], bench.waveform, RATE_HZ)).take()
    for rung in take.rungs:
        assert np.max(np.abs(rung.fundamental_db - rung.drive_dbfs)) < 0.01
