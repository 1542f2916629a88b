"""What `inspect` tells of recordings: levels, background, hum, clipping, damage, markers, runs."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result
from closed_form import MILDLY_CURVED, play
from conftest import RATE_HZ

from distsweep.cli import group
from distsweep.results.inspection import Inspection
from distsweep.stimulus.sidecar import read_sidecar
from distsweep.takes.inspected_runs import LookedFor
from distsweep.takes.inspection import inspect_recording
from distsweep.takes.muted import muted_blocks
from distsweep.words.inspection import inspection_page, time_of


def inspected(tmp_path: Path, samples: np.ndarray, **how: Any) -> Inspection:
    path = tmp_path / how.pop("name", "a.wav")
    soundfile.write(path, samples, how.pop("rate_hz", RATE_HZ), **how)
    return inspect_recording(path)


def run(*arguments: object) -> Result:
    return CliRunner().invoke(group, ["inspect", *map(str, arguments)])


def sine(level_dbfs: float, frequency_hz: float, seconds: float) -> np.ndarray:
    time_s = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    return 10.0 ** (level_dbfs / 20.0) * np.sin(2.0 * np.pi * frequency_hz * time_s)


def test_levels_background_and_hum(tmp_path: Path, rng: np.random.Generator) -> None:
    """A sine is as many dBFS as its peak; white noise of RMS σ is 20·log10(σ·√2) over all bands."""
    background = 1e-4 * rng.standard_normal(20 * RATE_HZ) + sine(-70.0, 50.0, 20.0)
    background += sine(-80.0, 150.0, 20.0)
    signal = background.copy()
    signal[: 10 * RATE_HZ] += sine(-6.0, 997.0, 10.0)
    found = inspected(tmp_path, np.stack([background, signal], axis=1), subtype="PCM_24")
    assert (found.rate_hz, found.samples, found.length_s) == (RATE_HZ, 20 * RATE_HZ, 20.0)
    assert (found.container, found.encoding, found.lossy) == ("WAV", "PCM_24", False)
    assert found.signal_channel == 2
    _, loud = found.channels
    assert loud.rms_dbfs == pytest.approx(-6.0 - 3.01, abs=0.02)
    assert loud.peak_dbfs == pytest.approx(-6.0, abs=0.05)
    assert loud.background_start_s is not None and loud.background_start_s >= 10.0
    in_band_db = 20.0 * np.log10(1e-4 * np.sqrt(2.0 * 20000.0 / 24000.0))
    hum_db = [-70.0, -80.0]
    power = sum(10.0 ** (level / 10.0) for level in [in_band_db, *hum_db])
    for channel in found.channels:
        assert channel.background is not None
        level_db = channel.background.level_db
        # Three seconds hold some 100000 independent samples; the quietest are a little quieter.
        assert level_db == pytest.approx(10.0 * np.log10(power), abs=0.1)
        lines = {tone.frequency_hz: tone.level_db for tone in channel.background.hum}
        assert list(lines) == [50.0, 150.0]
        assert list(lines.values()) == pytest.approx(hum_db, abs=0.3)
    page = inspection_page(found)
    assert "channel 2, holds the signal: peak −6.0 dBFS" in page.replace("\N{NO-BREAK SPACE}", " ")
    assert "hum: 50 Hz at −70 and 150 Hz at −80 dBFS" in page
    assert "no markers of a stimulus" in page and "damage" not in page


def test_noise_alone_holds_no_signal(tmp_path: Path, rng: np.random.Generator) -> None:
    found = inspected(tmp_path, 0.01 * rng.standard_normal(10 * RATE_HZ))
    assert found.signal_channel is None and not found.markers


@pytest.mark.parametrize(
    ("name", "how", "lossy"),
    [
        ("a.flac", {}, False),
        ("a.wav", {"subtype": "FLOAT"}, False),
        ("a.ogg", {}, True),
        ("a.wav", {"subtype": "ULAW"}, True),
    ],
)
def test_what_codes_with_loss(tmp_path: Path, name: str, how: dict[str, Any], lossy) -> None:
    found = inspected(tmp_path, sine(-20.0, 440.0, 2.0), name=name, **how)
    assert found.lossy == lossy
    assert ("with loss" in inspection_page(found)) == lossy


def test_clipping_direct_current_and_what_is_no_number(tmp_path: Path) -> None:
    clipped = np.clip(sine(0.0, 100.0, 3.0), -0.5, 0.5)
    clipped[:RATE_HZ] *= 0.1
    steady = sine(-20.0, 440.0, 3.0) + 0.02
    broken = sine(-20.0, 440.0, 3.0)
    broken[[777, 999]] = np.nan, np.inf
    silent = np.zeros(len(broken))
    samples = np.stack([clipped, steady, broken, silent], axis=1)
    found = inspected(tmp_path, samples, subtype="FLOAT")
    first, second, third, fourth = found.channels
    # A sine that is clipped at half its peak stays there for 1 − 2/π·asin(½) = ⅔ of the time.
    assert first.clipped_samples == pytest.approx(2 * RATE_HZ * 2.0 / 3.0, rel=0.01)
    assert first.clipped_at_dbfs == pytest.approx(-6.02, abs=0.01)
    assert first.first_clipped_s == pytest.approx(1.0 + 1.0 / 1200.0, abs=1e-4)
    assert second.direct_current == pytest.approx(0.02, abs=1e-6)
    assert third.not_a_number == 777
    assert fourth.silent
    page = inspection_page(found)
    for words in ("direct current of 2 %", "sample 777 is not a number", "channel 4: silent"):
        assert words in page
    json_text = run(tmp_path / "a.wav", "--json", "-").stdout
    assert json.loads(json_text)["recordings"][0]["channels"][3]["peak_dbfs"] is None


def test_muted_blocks_are_found_where_they_are(tmp_path: Path, rng: np.random.Generator) -> None:
    """One lies across two blocks of the file; one is in both channels."""
    samples = 0.01 * rng.standard_normal((2**21, 2))
    for first, length, channels in ((2**20 - 200, 512, [0]), (5000, 128, [0, 1])):
        samples[first : first + length, channels] = 0.0
    found = inspected(tmp_path, samples, subtype="PCM_16")
    assert [(one.kind, one.samples) for one in found.damage] == [("muted", 128), ("muted", 512)]
    assert found.damage[1].start_s == pytest.approx((2**20 - 200) / RATE_HZ, abs=1e-9)
    assert "muted at 0:00.104, 128 samples" in inspection_page(found)


def test_a_quiet_tone_s_zeros_are_not_muted() -> None:
    step = 2.0**-15
    for steps in (1.0, 3.0, 10.0, 100.0):
        quiet = np.round(steps * sine(0.0, 20.0, 2.0)) * step
        assert muted_blocks(quiet, rate_hz=RATE_HZ, step=step) == []
    at_the_ends = np.concatenate([np.zeros(9999), sine(-20.0, 440.0, 1.0), np.zeros(9999)])
    assert muted_blocks(at_the_ends, rate_hz=RATE_HZ, step=step) == []


def test_where_a_stimulus_was_played(make_bench, rng: np.random.Generator) -> None:
    bench = make_bench()
    file, marker = bench.stimulus.files[0], bench.stimulus.marker
    heard = 0.5 * play(MILDLY_CURVED, bench.waveform, RATE_HZ)
    between = 1e-5 * rng.standard_normal(3 * RATE_HZ)
    samples = np.concatenate([between, heard, between, heard, between])
    path = bench.record(np.stack([np.zeros(len(samples)), samples], axis=1))
    found = inspect_recording(path)
    starts_s = np.array([3.0, 6.0 + len(heard) / RATE_HZ])
    markers_s = [
        (start_s + sample / RATE_HZ)
        for start_s in starts_s
        for sample in (file.start_marker_sample, file.end_marker_sample)
    ]
    assert marker.start_hz == 3000.0  # the one that is looked for without a sidecar
    assert found.signal_channel == 2
    assert [one.start_s for one in found.markers] == pytest.approx(markers_s, abs=0.002)
    known = inspect_recording(path, LookedFor(bench.sidecar, read_sidecar(bench.sidecar)))
    assert [one.start_s for one in known.runs] == pytest.approx(starts_s, abs=0.0005)
    assert all(one.markers == "both" and abs(one.clock_drift_ppm) < 0.1 for one in known.runs)
    assert known.signal_channel == 2 and not known.not_found
    assert "'short' was found 2 times" in inspection_page(known)


def test_another_stimulus_is_not_found(make_bench) -> None:
    bench = make_bench()
    path = bench.record(0.5 * bench.waveform)
    other = make_bench(name="other", sweep_s=2.5)
    found = inspect_recording(path, LookedFor(other.sidecar, read_sidecar(other.sidecar)))
    assert "apart" in found.not_found and not found.runs
    assert len(found.markers) == 2
    assert "stimulus 'other' was not found: the markers stand" in inspection_page(found)


def test_the_command(make_bench, tmp_path: Path) -> None:
    bench = make_bench()
    path = bench.record(0.5 * bench.waveform)
    other = bench.record(sine(-20.0, 440.0, 0.5), name="b.wav")
    place = tmp_path / "found.json"
    done = run(path, other, "--stimulus", bench.sidecar, "--json", place)
    assert done.exit_code == 0
    assert "take.wav\n" in done.stdout and "b.wav\n" in done.stdout
    assert "too short to tell a background" in done.stdout
    data = json.loads(place.read_text())
    assert data["schema"] == "distsweep.inspection/1"
    assert [one["recording"] for one in data["recordings"]] == ["take.wav", "b.wav"]
    assert len(data["recordings"][0]["runs"]) == 1
    assert run(path, "--json", place).exit_code == 0  # one of our own is replaced
    assert run(path, "--json", bench.sidecar).exit_code == 3
    (tmp_path / "words.wav").write_text("these are words\n" * 99)
    for bad in (tmp_path / "none.wav", tmp_path, tmp_path / "words.wav"):
        refused = run(bad)
        assert refused.exit_code == 3
        assert len(refused.output.strip().splitlines()) == 1 and str(bad) in refused.output
    assert run(path, "--stimulus", tmp_path / "words.wav").exit_code == 3
    assert run().exit_code == 2


@pytest.mark.parametrize(
    ("time_s", "text"),
    [(0.0, "0:00.0"), (59.96, "1:00.0"), (3723.45, "1:02:03.4"), (-0.3, "−0:00.3")],
)
def test_times_are_written_as_players_do(time_s: float, text: str) -> None:
    assert time_of(time_s) == text


def test_sweeps_of_another_program(tmp_path: Path, rng: np.random.Generator) -> None:
    """Two exponential sweeps over 20 Hz to 20 kHz, 5 s each, found with and without their file."""
    time_s = np.arange(5 * RATE_HZ) / RATE_HZ
    constant_s = 5.0 / np.log(1000.0)
    sweep = 0.5 * np.sin(2.0 * np.pi * 20.0 * constant_s * np.expm1(time_s / constant_s))
    quiet = np.zeros(RATE_HZ)
    played = np.concatenate([quiet, sweep, quiet, sweep, quiet])
    soundfile.write(tmp_path / "played.wav", played, RATE_HZ, subtype="PCM_24")
    heard = np.concatenate([quiet, 0.3 * played, quiet])
    heard += 1e-5 * rng.standard_normal(len(heard))
    soundfile.write(tmp_path / "heard.wav", heard, RATE_HZ, subtype="PCM_24")
    alone = inspect_recording(tmp_path / "heard.wav")
    assert alone.signal_channel == 1 and not alone.markers
    for one, start_s in zip(alone.sweeps, (2.0, 8.0), strict=True):
        assert one.low_hz < 1000.0 and one.high_hz > 15000.0
        ends = (one.start_s, one.low_hz), (one.end_s, one.high_hz)
        for at_s, frequency_hz in ends:
            assert at_s == pytest.approx(
                start_s + constant_s * np.log(frequency_hz / 20.0), abs=0.01
            )
    assert inspection_page(alone).count("a sweep, seen from") == 2
    page = run(tmp_path / "heard.wav", "--stimulus", tmp_path / "played.wav").stdout
    assert "found once" in page and "from 0:01.0 to 0:14.0, by its sweeps" in page
