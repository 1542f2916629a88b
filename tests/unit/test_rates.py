"""Recordings at other rates than their stimulus: analysed at their own, with the same result."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import scipy.fft
import soundfile
from closed_form import MILDLY_CURVED, play
from conftest import RATE_HZ, Bench, ladder_recipe, long
from staircase_bench import stimulus_of
from test_placement import recorded_by_another_clock

from distsweep.errors import InputError
from distsweep.pipeline import analyse_recording
from distsweep.results import Take
from distsweep.stimulus.bursts import render_staircase
from distsweep.stimulus.sidecar import sidecar_text

TOP_OF_BAND = 0.43
"""Where a recording's band ends, over its rate."""

CLEAR_DB = 40.0
"""Distance from the floor above which noise moves a harmonic by less than the bound."""


def at_rate(samples: np.ndarray, rate_hz: int) -> np.ndarray:
    """Return what a recorder at another rate takes down of a signal at 48 kHz.

    Its spectrum is cut off or lengthened, which is exact where the length is a whole number of
    samples at both rates. A converter's filter falls over the last 7 % below half the lower rate.
    """
    length = -(-len(samples) // 480) * 480
    spectrum = scipy.fft.rfft(samples, length)
    top_hz = 0.5 * min(rate_hz, RATE_HZ)
    fall = np.clip((np.arange(len(spectrum)) * (RATE_HZ / length) / top_hz - 0.93) / 0.07, 0.0, 1.0)
    spectrum *= 0.5 + 0.5 * np.cos(np.pi * fall)
    count = length * rate_hz // RATE_HZ
    return scipy.fft.irfft(spectrum[: count // 2 + 1], count) * (count / length)


@dataclass(frozen=True)
class Heard:
    """A loudspeaker with noise in the room, and what a recording at the stimulus's rate shows."""

    bench: Bench
    samples: np.ndarray
    take: Take


@pytest.fixture(scope="module")
def heard(tmp_path_factory: pytest.TempPathFactory) -> Heard:
    bench = Bench(
        tmp_path_factory.mktemp("rates"), ladder_recipe(levels_dbfs=[-20, -10], sweep_s=4.0)
    )
    samples = 0.5 * play(MILDLY_CURVED, bench.waveform, RATE_HZ)
    samples += 1e-6 * np.random.default_rng(16).standard_normal(len(samples))
    take = bench.analyse(samples, name="same.wav", subtype="DOUBLE").take()
    return Heard(bench, samples, take)


@pytest.mark.parametrize("rate_hz", [44100, long(88200), 96000, long(192000), long(32000)])
def test_levels_are_those_of_the_stimulus_rate(heard: Heard, rate_hz: int) -> None:
    """Within 0.02 dB where both bands reach; above, nothing is stated."""
    recorded = at_rate(heard.samples, rate_hz)
    results = heard.bench.analyse(recorded, name="other.wav", rate_hz=rate_hz, subtype="DOUBLE")
    take, same = results.take(), heard.take
    reach = len(take.frequency_hz)
    assert np.array_equal(take.frequency_hz, same.frequency_hz[:reach])
    top_hz = min(same.band_hz[1], TOP_OF_BAND * rate_hz)
    assert take.band_hz == [same.band_hz[0], pytest.approx(top_hz)]
    assert take.frequency_hz[-1] * 2.0 ** (1.0 / 48.0) > top_hz * 0.9999
    assert ("recorded_band" in [w.code for w in results.warnings]) == (top_hz < same.band_hz[1])
    assert take.clock_drift_ppm == pytest.approx(0.0, abs=0.1)
    for rung, other in zip(same.rungs, take.rungs, strict=True):
        assert np.max(np.abs(other.fundamental_db - rung.fundamental_db[:reach])) < 0.02
        for order in (2, 3):
            one, two = rung.harmonics[order], other.harmonics[order]
            clear = (one.level_db - one.floor_db > CLEAR_DB)[:reach] & np.isfinite(two.level_db)
            assert np.sum(clear) > 50
            assert np.max(np.abs(two.level_db - one.level_db[:reach])[clear]) < 0.02


def test_a_tone_above_the_recordings_band_is_named(tmp_path: Path) -> None:
    """5 kHz in a recording at 8 kHz; and where no other tone is left, that is an error."""
    stimulus = stimulus_of(levels_dbfs=[-22, -10], frequencies_hz=[441, 5000], release_s=0.3)
    wave = render_staircase(stimulus, stimulus.files[0])
    (tmp_path / "steps.json").write_text(sidecar_text(stimulus), encoding="utf-8")
    path = tmp_path / "take.wav"
    soundfile.write(path, 0.5 * at_rate(wave, 8000), 8000, subtype="DOUBLE")
    results = analyse_recording(path, stimulus=tmp_path / "steps.json")
    assert [row.frequency_hz for row in results.take().staircase] == [441.0]
    named = [w.message for w in results.warnings if w.code in ("incomplete", "recorded_band")]
    assert len(named) == 2 and "5000 Hz" in named[0] and "up to 3440 Hz" in named[1]
    alone = stimulus_of(levels_dbfs=[-22, -10], frequencies_hz=[5000], release_s=0.3)
    wave = render_staircase(alone, alone.files[0])
    (tmp_path / "steps.json").write_text(sidecar_text(alone), encoding="utf-8")
    soundfile.write(path, 0.5 * at_rate(wave, 8000), 8000, subtype="DOUBLE")
    with pytest.raises(InputError, match="8000 Hz, too low for a stimulus that starts at 5000 Hz"):
        analyse_recording(path, stimulus=tmp_path / "steps.json")


@pytest.mark.parametrize("ppm", [-20000.0, long(4200.0), long(10000.0)])
def test_a_recording_at_another_speed_is_one_with_a_drift(heard: Heard, ppm: float) -> None:
    """Up to 2 %: the markers ran at that speed as well as the sweeps between them."""
    slow = recorded_by_another_clock(heard.samples, ppm)
    results = heard.bench.analyse(slow, name="slow.wav", subtype="DOUBLE")
    take, same = results.take(), heard.take
    assert take.clock_drift_ppm == pytest.approx(ppm, abs=1.0)
    assert "clock_drift" in [w.code for w in results.warnings]
    assert take.rungs[1].fundamental_db == pytest.approx(same.rungs[1].fundamental_db, abs=0.02)
    one, two = same.rungs[1].harmonics[2], take.rungs[1].harmonics[2]
    clear = one.level_db - one.floor_db > CLEAR_DB
    assert np.max(np.abs(two.level_db - one.level_db)[clear]) < 0.02


@pytest.mark.parametrize("longer", [1.01, long(0.985)])
def test_a_sweep_of_another_length_is_no_other_speed(
    heard: Heard, tmp_path: Path, longer: float
) -> None:
    recipe = ladder_recipe(levels_dbfs=[-20, -10], sweep_s=4.0 * longer)
    other = Bench(tmp_path, recipe)
    path = other.record(heard.samples)
    with pytest.raises(InputError, match="give the sidecar of the stimulus that was played"):
        analyse_recording(path, stimulus=other.sidecar)


def test_a_rate_below_the_stimulus_is_refused(heard: Heard) -> None:
    with pytest.raises(InputError, match=r"6000 Hz, too low"):
        heard.bench.analyse(at_rate(heard.samples, 6000), name="low.wav", rate_hz=6000)


def test_files_at_different_rates_are_refused(tmp_path: Path) -> None:
    bench = Bench(tmp_path, ladder_recipe(levels_dbfs=[-20, -10], return_rung=False), split=True)
    paths = [
        bench.record(at_rate(0.5 * wave, rate), name=f"{rate}.wav", rate_hz=rate)
        for wave, rate in zip(bench.waveforms, (48000, 96000), strict=True)
    ]
    with pytest.raises(InputError, match=r"96000 Hz.*48000 Hz.*one rate"):
        analyse_recording(paths, stimulus=bench.sidecar)


@pytest.mark.parametrize("kept", ["both markers", "no end marker"])
@pytest.mark.parametrize("rate_hz", [44100, 96000])
def test_a_staircase_is_fitted_at_the_rate_of_its_recording(
    tmp_path: Path, rate_hz: int, kept: str
) -> None:
    recipe = {"levels_dbfs": [-22, -10, -4], "frequencies_hz": [441], "release_s": 0.3}
    stimulus = stimulus_of(**recipe)
    heard = play(MILDLY_CURVED, render_staircase(stimulus, stimulus.files[0]), RATE_HZ)
    (tmp_path / "steps.json").write_text(sidecar_text(stimulus), encoding="utf-8")
    takes = []
    for rate in (RATE_HZ, rate_hz):
        samples = 0.5 * at_rate(heard, rate)
        if kept == "no end marker":
            samples = samples[: -int(1.1 * rate)]
        path = tmp_path / f"{rate}.wav"
        soundfile.write(path, samples, rate, subtype="DOUBLE")
        takes.append(analyse_recording(path, stimulus=tmp_path / "steps.json").take())
    same, other = takes
    assert other.clock_drift_ppm == pytest.approx(same.clock_drift_ppm, abs=0.5)
    one, two = same.staircase[0], other.staircase[0]
    assert two.level_db == pytest.approx(one.level_db, abs=0.005)
    assert two.thd_db == pytest.approx(one.thd_db, abs=0.02)
    for n in (2, 3):
        assert two.harmonics[n] == pytest.approx(one.harmonics[n], abs=0.02)
