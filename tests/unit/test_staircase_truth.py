"""Staircases against closed forms and invariants, and with what goes wrong in recordings."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.fft
import soundfile
from closed_form import Branch, cascade, flat, harmonic_amplitudes, high_pass, low_pass, play
from protected_loudspeaker import TrueLimiter, TrueLoudspeaker, limited, with_noise
from staircase_bench import analysed, stimulus_of

from distsweep.errors import InputError
from distsweep.pipeline import analyse, analyse_recording
from distsweep.results import Staircase, read_results, write_results
from distsweep.stimulus.bursts import render_staircase
from distsweep.stimulus.recipe import parse_recipe
from distsweep.stimulus.write import write_stimulus

RATE_HZ = 48000
SHORT: dict[str, Any] = {
    "levels_dbfs": {"from": -40, "to": -4, "step": 3},
    "hold_s": 0.4,
    "rest_s": 0.2,
    "release_s": 1.5,
    "quiet_s": 1.0,
}
LIMITER = TrueLimiter(-18.0, 8.0, 6.0, 5.0, 200.0)

LOUDSPEAKERS = {
    "memoryless": [Branch(flat, (1.0, 0.02, -0.05, 0.01, 0.02), flat)],
    "small two-way": [
        Branch(cascade(high_pass(55, 0.9)), (1.0,), low_pass(19000, 0.6)),
        Branch(low_pass(120, 0.6), (0.0, 0.04, 0.05, 0.0, 0.01), high_pass(40)),
        Branch(high_pass(2500, 0.6), (0.0, 0.008, 0.003), flat),
    ],
}


def limited_chain(waveform: np.ndarray) -> np.ndarray:
    rng = np.random.default_rng(3)
    heard = TrueLoudspeaker().play(limited(waveform, RATE_HZ, LIMITER), RATE_HZ)
    return with_noise(heard, rng, snr_db=50.0, loudest_rms=0.2)


@pytest.mark.parametrize("name", LOUDSPEAKERS)
@pytest.mark.parametrize("tone_hz", [63.0, 441.0, 2000.0])
def test_harmonics_and_thd_are_the_closed_forms(tmp_path: Path, name: str, tone_hz: float) -> None:
    branches = LOUDSPEAKERS[name]
    take = analysed(
        tmp_path,
        lambda x: play(branches, x, RATE_HZ),
        **{**SHORT, "levels_dbfs": [-22, -10, -4], "frequencies_hz": [tone_hz], "release_s": 0.3},
    ).takes[0]
    row = take.staircase[0]
    for i, drive_dbfs in enumerate(row.drive_dbfs):
        truth = harmonic_amplitudes(branches, np.array([tone_hz]), 10 ** (drive_dbfs / 20), 10)[
            :, 0
        ]
        truth = truth[: 1 + row.orders_summed]
        thd_db = 20.0 * np.log10(np.sqrt(np.sum(truth[1:] ** 2)) / truth[0])
        # The figure; a 24-bit file or a float's rounding lies far below.
        assert row.thd_db[i] == pytest.approx(thd_db, abs=0.02)
        assert row.level_db[i] == pytest.approx(20.0 * np.log10(truth[0]), abs=0.005)
        for n in (2, 3, 4, 5):
            if n in row.harmonics and truth[n - 1] > 1e-5 * truth[0]:
                level_db = 20.0 * np.log10(truth[n - 1] / truth[0])
                assert row.harmonics[n][i] == pytest.approx(level_db, abs=0.02)


@pytest.fixture(scope="module")
def reference(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, np.ndarray, Staircase]:
    folder = tmp_path_factory.mktemp("staircase")
    row = analysed(folder, limited_chain, frequencies_hz=[1000], **SHORT).takes[0].staircase[0]
    samples, _ = soundfile.read(folder / "take.wav")
    return folder, samples, row


def reanalysed(folder: Path, samples: np.ndarray, tmp_path: Path, **more: Any) -> Any:
    path = tmp_path / "other.wav"
    soundfile.write(path, samples, RATE_HZ, subtype="FLOAT")
    return analyse_recording(path, stimulus=folder / "steps.json", **more)


def test_delay_polarity_and_gain_change_nothing_but_level(
    reference: tuple[Path, np.ndarray, Staircase], tmp_path: Path
) -> None:
    folder, samples, row = reference
    other = reanalysed(folder, -0.5 * np.concatenate([np.zeros(777), samples]), tmp_path)
    found = other.takes[0].staircase[0]
    # Half the amplitude; a whole number of samples later, so that nothing else changes.
    assert found.level_db == pytest.approx(row.level_db - 20 * np.log10(2.0), abs=1e-6)
    assert found.thd_db == pytest.approx(row.thd_db, abs=1e-6, nan_ok=True)
    assert found.limiter is not None and row.limiter is not None
    assert found.limiter.kind == row.limiter.kind == "limiter"
    for name in ("ratio", "threshold_dbfs", "attack_ms", "release_ms"):
        assert getattr(found.limiter, name) == pytest.approx(getattr(row.limiter, name), rel=1e-6)


@pytest.mark.parametrize("kept", ["both markers", "no end marker"])
def test_a_recorder_with_another_clock(
    reference: tuple[Path, np.ndarray, Staircase], tmp_path: Path, kept: str
) -> None:
    folder, samples, row = reference
    scale = 1.0 + 120e-6
    length = 2 * scipy.fft.next_fast_len(len(samples) * 6 // 10)
    spectrum = np.fft.rfft(samples, length)
    # Between samples by the FFT's own interpolation: exact for a signal that ends in silence.
    time = np.arange(int(len(samples) * scale)) / scale
    fine = np.fft.irfft(np.pad(spectrum, (0, 3 * (len(spectrum) - 1)))) * 4.0
    slow = np.interp(time * 4.0, np.arange(len(fine)), fine)
    if kept == "no end marker":
        slow = slow[: -int(1.1 * RATE_HZ)]
    take = reanalysed(folder, slow, tmp_path).takes[0]
    found = take.staircase[0]
    # One marker: the tones' frequency tells the drift, here from one burst of 0.2 s.
    assert take.clock_drift_ppm == pytest.approx(120.0, abs=0.2 if kept == "both markers" else 5.0)
    assert found.gain_change_db == pytest.approx(row.gain_change_db, abs=0.01)
    assert found.limiter is not None and found.limiter.ratio == pytest.approx(8.0, rel=0.02)


def test_a_take_that_stops_half_way_is_analysed_as_far_as_it_goes(
    reference: tuple[Path, np.ndarray, Staircase], tmp_path: Path
) -> None:
    folder, samples, row = reference
    whole = stimulus_of(frequencies_hz=[1000], **SHORT).files[0]
    ninth = whole.bursts[8]
    end = 1234 + ninth.start_sample + ninth.samples + 500
    results = reanalysed(folder, samples[:end], tmp_path)
    found = results.takes[0].staircase[0]
    assert list(found.drive_dbfs) == [-40, -37, -34, -31, -28, -25, -22, -19, -16]
    assert found.level_db == pytest.approx(row.level_db[:9], abs=0.001)
    assert np.all(np.isnan(found.falling_level_db))
    (named,) = [w.message for w in results.warnings if "not recorded" in w.message]
    assert "16 of 25 bursts" in named
    assert "−13 to −4 dBFS up, −7 to −40 dBFS down" in named


def test_a_tone_whose_way_up_was_not_recorded_is_left_out(tmp_path: Path) -> None:
    recipe = {**SHORT, "levels_dbfs": [-22, -10], "frequencies_hz": [500, 1000], "release_s": 0.3}
    analysed(tmp_path / "whole", lambda x: 0.3 * x, lead=0, **recipe)
    samples, _ = soundfile.read(tmp_path / "whole" / "take.wav")
    tones = [b for b in stimulus_of(**recipe).files[0].bursts if b.level_dbfs == -10]
    begun = [samples[burst.start_sample + 500 :] for burst in tones]
    results = reanalysed(tmp_path / "whole", begun[0], tmp_path)
    assert [row.frequency_hz for row in results.takes[0].staircase] == [1000.0]
    named = " ".join(w.message for w in results.warnings if w.code == "incomplete")
    assert "at 500 Hz 2 of 3 bursts were not recorded" in named
    with pytest.raises(InputError, match="no complete burst on the way up"):
        reanalysed(tmp_path / "whole", begun[1], tmp_path)


def test_bursts_that_the_sidecar_lacks_are_named(
    reference: tuple[Path, np.ndarray, Staircase], tmp_path: Path
) -> None:
    folder, samples, _ = reference
    data = json.loads((folder / "steps.json").read_text())
    bursts = data["files"][0]["bursts"]
    data["files"][0]["bursts"] = [b for b in bursts if b["level_dbfs"] not in (-10.0, -25.0)]
    (tmp_path / "steps.json").write_text(json.dumps(data))
    results = reanalysed(tmp_path, samples, tmp_path)
    (named,) = [w.message for w in results.warnings if "sidecar lists no burst" in w.message]
    assert "−25 dBFS up, −10 dBFS up, −10 dBFS down, −25 dBFS down" in named
    limiter = results.takes[0].staircase[0].limiter
    assert limiter is not None
    assert limiter.threshold_dbfs == pytest.approx(-18.0, abs=0.25)


def test_a_drop_out_is_left_out_and_named(
    reference: tuple[Path, np.ndarray, Staircase], tmp_path: Path
) -> None:
    folder, samples, _ = reference
    seventh = stimulus_of(frequencies_hz=[1000], **SHORT).files[0].bursts[6]
    first = 1234 + seventh.start_sample + int(0.7 * seventh.samples)
    broken = samples.copy()
    broken[first : first + int(0.62 * RATE_HZ)] = 0.0
    results = reanalysed(folder, broken, tmp_path)
    row = results.takes[0].staircase[0]
    assert list(np.flatnonzero(np.isnan(row.level_db))) == [6, 7]
    (warning,) = [w for w in results.warnings if w.code == "burst_missing"]
    assert "−22 dBFS up, −19 dBFS up" in warning.message
    assert row.limiter is not None and row.limiter.ratio == pytest.approx(8.0, rel=0.05)


def test_one_level_states_no_compression_and_says_why(tmp_path: Path) -> None:
    results = analysed(
        tmp_path, limited_chain, frequencies_hz=[500], **{**SHORT, "levels_dbfs": [-10]}
    )
    row = results.takes[0].staircase[0]
    assert np.all(np.isnan(row.gain_change_db))
    assert (row.limiter, row.onset_dbfs, row.reference_drive_dbfs) == (None, None, None)
    (warning,) = [w for w in results.warnings if w.code == "one_rung"]
    assert "a gain change takes two" in warning.message
    assert row.thd_db[0] < -40.0  # the distortion of one level can be stated


def test_clipped_bursts_do_not_count(
    reference: tuple[Path, np.ndarray, Staircase], tmp_path: Path
) -> None:
    folder, samples, row = reference
    peak = 10 ** (row.level_db[-1] / 20.0)
    results = reanalysed(folder, np.clip(samples * 1.02 / peak, -1.0, 1.0), tmp_path)
    found = results.takes[0].staircase[0]
    assert found.clipped[-1] and not found.level_reliable[-1]
    assert not found.clipped[0]
    assert any(w.code == "clipped" for w in results.warnings)


def test_noise_is_refused_in_one_line(
    reference: tuple[Path, np.ndarray, Staircase], tmp_path: Path, rng: np.random.Generator
) -> None:
    folder, samples, _ = reference
    with pytest.raises(InputError, match="markers were not found"):
        reanalysed(folder, rng.normal(0.0, 0.01, len(samples)), tmp_path)


def test_results_come_back_as_they_were_written(
    reference: tuple[Path, np.ndarray, Staircase], tmp_path: Path
) -> None:
    folder, samples, _ = reference
    results = reanalysed(folder, samples, tmp_path)
    write_results(results, tmp_path / "results.json")
    first = read_results(tmp_path / "results.json")
    write_results(first, tmp_path / "again.json")
    assert (tmp_path / "again.json").read_bytes() == (tmp_path / "results.json").read_bytes()
    row = first.takes[0].staircase[0]
    assert row.limiter is not None and row.limiter.kind == "limiter"
    assert row.trace is not None and len(row.trace.time_s) == len(row.trace.level_db)
    assert first.takes[0].clean_level[0].state == results.takes[0].clean_level[0].state


def test_ladder_and_staircase_agree_on_thd(tmp_path: Path, rng: np.random.Generator) -> None:
    """Where both stand 45 dB clear of the noise: below, the noise itself moves either by 0.1."""
    branches = [Branch(high_pass(55, 0.9), (1.0, 0.02, -0.05, 0.01), low_pass(15000, 0.6))]
    ladder = {
        "kind": "ladder", "name": "rungs", "rate_hz": RATE_HZ, "band_hz": [40, 16000],
        "sweep_s": 4.0, "levels_dbfs": [-16, -10], "order": 5, "quiet_s": 1.0,
    }  # fmt: skip
    steps = {
        "kind": "staircase", "name": "steps", "rate_hz": RATE_HZ, "order": 5,
        "frequencies_hz": [80, 315, 1000, 3000], "levels_dbfs": [-22, -16, -10],
        "hold_s": 0.4, "rest_s": 0.2, "release_s": 0.4, "quiet_s": 1.0,
    }  # fmt: skip
    takes = ""
    for recipe in (ladder, steps):
        _, paths = write_stimulus(parse_recipe(recipe, "recipe"), tmp_path)
        played, _ = soundfile.read(paths[0])
        heard = play(branches, played, RATE_HZ) + rng.normal(0.0, 3e-6, len(played))
        soundfile.write(tmp_path / f"{recipe['name']}-take.wav", heard, RATE_HZ, subtype="PCM_24")
        takes += (
            f'[[takes]]\nposition = "axis"\nstimulus = "{recipe["name"]}.json"\n'
            f'recording = "{recipe["name"]}-take.wav"\n'
        )
    (tmp_path / "session.toml").write_text(takes)
    found = analyse(tmp_path).agreement
    assert {item.frequency_hz for item in found} == {80.0, 315.0, 1000.0, 3000.0}
    assert len(found) == 8
    clear = [item for item in found if item.reliable and item.thd_margin_db > 45.0]
    assert len(clear) == 8
    assert max(abs(item.thd_difference_db) for item in clear) < 0.1
    assert max(abs(item.level_difference_db) for item in found) < 0.05


def test_the_ladders_way_does_not_load_the_staircases() -> None:
    code = (
        "import sys, distsweep.pipeline\n"
        "plain = ('distsweep.results.staircase', 'distsweep.stimulus.staircase_recipe')\n"
        "print([m for m in sys.modules if 'staircase' in m and m not in plain])\n"
        "print('scipy.optimize' in sys.modules, 'scipy.signal' in sys.modules)"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.split("\n")[:2] == ["[]", "False False"]


def test_the_rendered_tone_is_whole_and_at_its_levels() -> None:
    stimulus = stimulus_of(frequencies_hz=[500], **SHORT)
    file = stimulus.files[0]
    wave = render_staircase(stimulus, file)
    assert len(wave) == file.samples
    first, last = file.bursts[0].start_sample, file.bursts[-1].start_sample
    for burst in file.bursts:
        middle = wave[burst.start_sample + burst.samples // 4 :][: burst.samples // 2]
        # 96 samples a period: peaks are hit exactly.
        assert np.max(np.abs(middle)) == pytest.approx(10 ** (burst.level_dbfs / 20), rel=1e-6)
    # Phase continuous: at any level a sine's sample over the rest's is never negative.
    sine = np.sin(2 * np.pi * 500 / RATE_HZ * np.arange(last - first))
    assert np.all(wave[first:last] * sine >= -1e-9)
    # The way is up, then down, at the lowest level in between and for release_s at the top.
    levels = [burst.level_dbfs for burst in file.bursts]
    assert levels == [*range(-40, -1, 3), *range(-7, -41, -3)]
    rest = wave[file.bursts[3].start_sample + file.bursts[3].samples + 500 :][:5000]
    assert np.max(np.abs(rest)) == pytest.approx(0.01, rel=1e-6)
