"""Sweeps of other programs: found in their sound files, and recordings of them analysed."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner
from closed_form import Branch, cascade, flat, harmonic_amplitudes, high_pass, low_pass, play
from conftest import RATE_HZ, Bench, ladder_recipe, long
from foreign_sweeps import ForeignFile, ForeignSweep
from test_placement import recorded_by_another_clock
from test_rates import at_rate

from distsweep.cli import group
from distsweep.errors import InputError
from distsweep.pipeline import analyse, analyse_recording
from distsweep.results import Results
from distsweep.stimulus.found_sidecar import found_sidecar_text, read_stimulus
from distsweep.stimulus.found_sweep import FoundStimulus, find_stimulus
from distsweep.stimulus.sidecar import read_sidecar

LOUDSPEAKER = [
    Branch(flat, (1.0, 0.03, -0.05), cascade(high_pass(60.0, 0.9), low_pass(12000.0))),
]
"""Filters behind the curvature: a sweep shows it as a steady tone does."""

PLAIN = ForeignSweep(RATE_HZ, 15.0, 21000.0, 4.0, fade_in_s=0.02, fade_out_s=0.01)


def found_in(samples: np.ndarray, rate_hz: int) -> FoundStimulus:
    return find_stimulus(samples, rate_hz, name="a.wav", sha256="", where="a.wav")


@pytest.mark.parametrize(
    "file",
    [
        ForeignFile(PLAIN, [-3.0]),
        ForeignFile(ForeignSweep(RATE_HZ, 5.0, 23900.0, 2.0), [-6.0], lead_s=0.0, tail_s=0.0),
        ForeignFile(
            ForeignSweep(96000, 20.0, 20000.0, 5.0, minus_one=False), [-30.0, -20.0, -10.0]
        ),
        ForeignFile(
            ForeignSweep(44100, 50.0, 15000.0, 3.0, start_rad=1.5, fade_in_s=0.1), [-9.0] * 4
        ),
        long(ForeignFile(ForeignSweep(RATE_HZ, 10.0, 20000.0, 30.0), [-20.0, -1.0], gap_s=0.3)),
    ],
    ids=["plain", "abrupt", "ladder", "repeats", "long"],
)
@pytest.mark.parametrize("bits", [16, 24])
def test_a_sweep_is_found_exactly(file: ForeignFile, bits: int) -> None:
    """Rate constant and frequency at the full level within 0.01 %, whatever convention."""
    own = file.sweep
    steps = 2.0 ** (bits - 1)
    found = found_in(np.round(file.waveform() * steps) / steps, own.rate_hz)
    assert found.sweep.rate_constant_s == pytest.approx(own.rate_constant_s, rel=1e-4)
    assert [rung.drive_dbfs for rung in found.file.rungs] == pytest.approx(
        file.levels_dbfs, abs=0.02
    )
    assert found.recipe.levels_dbfs == tuple(sorted({r.drive_dbfs for r in found.file.rungs}))
    times_s = np.array([own.fade_in_s, own.duration_s / 2.0, own.duration_s - own.fade_out_s])
    for rung, start in zip(found.file.rungs, file.starts, strict=True):
        here_s = times_s + (start - rung.start_sample) / own.rate_hz
        true_hz = own.frequency_at_hz(times_s)
        assert found.sweep.frequency_at_hz(here_s) == pytest.approx(true_hz, rel=1e-4)
    low_hz, high_hz = own.full_hz
    assert low_hz * 0.9 < found.sweep.full_from_hz < low_hz * 1.1 + 1.0
    assert high_hz * 0.95 < found.sweep.full_to_hz < high_hz * 1.03
    # The waveform that is described is the file's, away from its fades.
    middle = slice(found.sweep.samples // 4, found.sweep.samples // 2)
    start = found.file.rungs[-1].start_sample
    heard = file.waveform()[start : start + found.sweep.samples][middle]
    gain = 10.0 ** (file.levels_dbfs[-1] / 20.0)
    assert np.max(np.abs(heard / gain - found.sweep.waveform()[middle])) < 0.02


def test_repeats_and_the_return_of_the_first_are_told() -> None:
    sweep = dataclasses.replace(PLAIN, duration_s=2.0)
    rungs = found_in(ForeignFile(sweep, [-20, -20, -10, -10]).waveform(), RATE_HZ).file.rungs
    assert [(rung.role, rung.repeat) for rung in rungs] == [("rung", 0), ("rung", 1)] * 2
    rungs = found_in(ForeignFile(sweep, [-20, -10, -20]).waveform(), RATE_HZ).file.rungs
    assert [rung.role for rung in rungs] == ["rung", "rung", "return"]


TIME_S = np.arange(6 * RATE_HZ) / RATE_HZ


def notes(rng: np.random.Generator) -> np.ndarray:
    """Decaying notes of eight partials, one each fifth of a second."""
    music = np.zeros(len(TIME_S))
    for start in range(0, len(music) - RATE_HZ, RATE_HZ // 5):
        note_hz = 220.0 * 2.0 ** (rng.integers(0, 36) / 12.0)
        time_s = TIME_S[: RATE_HZ // 2]
        for partial in range(1, 9):
            wave = np.sin(2.0 * np.pi * partial * note_hz * time_s) / partial
            music[start : start + len(wave)] += wave * np.exp(-6.0 * time_s)
    return 0.1 * music


OTHERS: dict[str, tuple[Callable[[np.random.Generator], np.ndarray], str]] = {
    "linear": (lambda _: np.sin(2.0 * np.pi * (20.0 + 1600.0 * TIME_S) * TIME_S), "a linear sweep"),
    "falling": (lambda _: PLAIN.waveform()[::-1], "a falling sweep"),
    "power": (
        lambda _: np.sin(2.0 * np.pi * (20.0 * TIME_S + 23.0 * TIME_S**4)),
        "rises neither exponentially nor linearly",
    ),
    "tone": (lambda _: np.sin(2.0 * np.pi * 1000.0 * TIME_S), "tones"),
    "low tone": (lambda _: np.sin(2.0 * np.pi * 60.0 * TIME_S), "tones"),
    "noise": (lambda rng: 0.1 * rng.standard_normal(len(TIME_S)), "noise"),
    "music": (notes, "music, talk or another sound"),
    "click": (lambda _: (TIME_S == 1.0) * 0.5, "music, talk or another sound"),
    "steps": (
        lambda _: np.concatenate(
            [np.sin(2 * np.pi * f * TIME_S[:2400]) for f in 20.0 * 2.0 ** (np.arange(200) / 20.0)]
        ),
        "not exactly, exponentially",
    ),
    "two sweeps": (
        lambda _: np.concatenate(
            [
                np.pad(dataclasses.replace(PLAIN, duration_s=s).waveform(), (0, RATE_HZ))
                for s in (2.0, 3.0)
            ]
        ),
        "sweeps that differ",
    ),
    "silence": (lambda _: np.zeros(len(TIME_S)), "silent"),
}


@pytest.mark.parametrize("name", OTHERS)
def test_what_is_no_exponential_sweep_is_named_and_refused(
    name: str, tmp_path: Path, rng: np.random.Generator
) -> None:
    make, words = OTHERS[name]
    samples = make(rng)
    for path in (tmp_path / "played.wav", tmp_path / "take.wav"):
        soundfile.write(path, samples, RATE_HZ, subtype="PCM_24")
    result = CliRunner().invoke(
        group, ["analyse", str(tmp_path / "take.wav"), "--stimulus", str(tmp_path / "played.wav")]
    )
    assert result.exit_code == 3
    (line,) = [line for line in result.output.splitlines() if "played.wav" in line]
    assert words in line
    assert "Traceback" not in result.output


class Foreign:
    """A folder with a foreign sound file, and a way to analyse a recording of it."""

    def __init__(self, folder: Path, file: ForeignFile) -> None:
        self.folder, self.file = folder, file
        self.played = folder / "played.wav"
        soundfile.write(self.played, file.waveform(), file.sweep.rate_hz, subtype="PCM_24")

    def heard(self, *, before_s: float = 1.5, after_s: float = 1.0) -> np.ndarray:
        rate_hz = self.file.sweep.rate_hz
        wave = np.pad(self.file.waveform(), (round(before_s * rate_hz), round(after_s * rate_hz)))
        return 0.4 * play(LOUDSPEAKER, wave, rate_hz)

    def analyse(self, samples: np.ndarray, rate_hz: int = 0, **more: Any) -> Results:
        path = self.folder / "take.wav"
        soundfile.write(path, samples, rate_hz or self.file.sweep.rate_hz, subtype="DOUBLE")
        return analyse_recording(path, stimulus=more.pop("stimulus", self.played), **more)

    def worst_db(self, results: Results, orders: tuple[int, ...] = (2, 3)) -> float:
        """Return how far harmonics are off, from 2.5·f₁ to 0.8·f₂/n."""
        take, sweep = results.take(), self.file.sweep
        f, worst = take.frequency_hz, 0.0
        for rung in take.rungs:
            truth = harmonic_amplitudes(LOUDSPEAKER, f, 10.0 ** (rung.drive_dbfs / 20.0), 3)
            for n in orders:
                inside = (f >= 2.5 * sweep.start_hz) & (
                    f <= 0.8 * min(sweep.stop_hz, take.band_hz[1] / 0.8) / n
                )
                true_db = 20.0 * np.log10(truth[n - 1] / truth[0])
                off = np.abs(rung.harmonics[n].level_db - true_db)[inside & (true_db > -80.0)]
                assert len(off) > 100
                worst = max(worst, float(np.max(off)))
        return worst


@pytest.fixture
def one(tmp_path: Path) -> Foreign:
    return Foreign(tmp_path, ForeignFile(PLAIN, [-6.0]))


@pytest.fixture
def three(tmp_path: Path) -> Foreign:
    return Foreign(tmp_path, ForeignFile(PLAIN, [-26.0, -16.0, -6.0], gap_s=0.8))


def codes(results: Results) -> list[str]:
    return [warning.code for warning in results.warnings]


def test_harmonics_are_the_closed_forms(three: Foreign, rng: np.random.Generator) -> None:
    heard = three.heard()
    results = three.analyse(heard + 2e-7 * rng.standard_normal(len(heard)))
    take = results.take()
    assert [rung.drive_dbfs for rung in take.rungs] == pytest.approx([-26.0, -16.0, -6.0], abs=0.01)
    assert take.clock_drift_ppm == pytest.approx(0.0, abs=0.5)
    assert three.worst_db(results, (2,)) < 0.1
    assert codes(results) == ["uncalibrated"]
    assert take.background is not None
    f = take.frequency_hz
    truth = harmonic_amplitudes(LOUDSPEAKER, f, 10.0 ** (-6.0 / 20.0), 1)[0]
    off_db = take.rungs[-1].fundamental_db - 20.0 * np.log10(0.4 * truth)
    assert np.max(np.abs(off_db)[(f > 37.5) & (f < 16800.0)]) < 0.02


@pytest.mark.parametrize("ppm", [80.0, long(-1500.0)])
def test_several_sweeps_tell_the_drift(three: Foreign, ppm: float) -> None:
    results = three.analyse(recorded_by_another_clock(three.heard(), ppm))
    assert results.take().clock_drift_ppm == pytest.approx(ppm, abs=1.0)
    assert three.worst_db(results, (2,)) < 0.1


def test_of_one_sweep_the_drift_is_not_known_and_that_is_said(one: Foreign) -> None:
    results = one.analyse(one.heard())
    assert results.take().clock_drift_ppm is None
    assert "one_sweep" in codes(results) and "no_background" not in codes(results)
    assert one.worst_db(results) < 0.1


def test_without_a_silence_there_are_no_intervals(one: Foreign) -> None:
    heard = one.heard(before_s=0.0, after_s=0.0)
    results = one.analyse(heard[round(0.4 * RATE_HZ) : -round(0.6 * RATE_HZ)])
    assert "no_background" in codes(results)
    rung = results.take().rungs[0]
    assert np.all(np.isnan(rung.harmonics[2].low_db)) and not np.any(rung.harmonics[2].reliable)
    assert one.worst_db(results) < 0.1


@pytest.mark.parametrize("rate_hz", [44100, long(96000)])
def test_a_foreign_sweep_recorded_at_another_rate(three: Foreign, rate_hz: int) -> None:
    results = three.analyse(at_rate(three.heard(), rate_hz), rate_hz)
    assert results.take().clock_drift_ppm == pytest.approx(0.0, abs=0.5)
    assert three.worst_db(results, (2,)) < 0.1


def test_the_channel_of_a_foreign_sweep_is_found(three: Foreign, tmp_path: Path) -> None:
    heard = three.heard()
    path = tmp_path / "stereo.wav"
    soundfile.write(path, np.stack([np.zeros(len(heard)), heard], axis=1), RATE_HZ, "DOUBLE")
    results = analyse_recording(path, stimulus=three.played)
    assert three.worst_db(results, (2,)) < 0.1
    told = [w.message for w in results.warnings if w.code == "other_channel"]
    assert len(told) == 1 and "channel 2 holds it" in told[0]
    with pytest.raises(InputError, match="channel 1 is silent"):
        analyse_recording(path, stimulus=three.played, channel=1)


@pytest.mark.parametrize("levels_dbfs", [[-6.0], long([-26.0, -16.0, -6.0])])
def test_of_several_runs_the_strongest_is_taken_and_others_are_named(
    tmp_path: Path, rng: np.random.Generator, levels_dbfs: list[float]
) -> None:
    bench = Foreign(tmp_path, ForeignFile(PLAIN, levels_dbfs, gap_s=0.8))
    heard = bench.heard()
    talk = 0.2 * rng.standard_normal(6 * RATE_HZ) * np.repeat(rng.uniform(size=60) ** 4, 4800)
    results = bench.analyse(np.concatenate([0.3 * heard, talk, heard, talk, 0.5 * heard]))
    assert bench.worst_db(results, (2,)) < 0.1
    assert results.take().rungs[-1].fundamental_db[200] == pytest.approx(
        bench.analyse(heard).take().rungs[-1].fundamental_db[200], abs=0.02
    )
    (named,) = [w.message for w in results.warnings if w.code == "other_sweeps"]
    loudest_s = (round(1.5 * RATE_HZ) + bench.file.starts[-1]) / RATE_HZ
    for earlier in (0, 2 * (len(heard) + len(talk))):
        time_s = int(earlier / RATE_HZ + loudest_s)
        assert f"{time_s // 60}:{time_s % 60:02}" in named
    assert "other_sweeps" not in codes(bench.analyse(np.concatenate([heard, talk])))


def test_a_recording_too_long_to_search_whole_is_refused(
    three: Foreign, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("distsweep.takes.foreign.LONGEST_SAMPLES", 10 * RATE_HZ)
    with pytest.raises(InputError, match="minutes long, sweeps without markers are sought in"):
        three.analyse(three.heard())


@pytest.mark.parametrize("rate_hz", [RATE_HZ, 44100])
def test_inspect_finds_a_foreign_sweep(three: Foreign, tmp_path: Path, rate_hz: int) -> None:
    heard = at_rate(three.heard(), rate_hz)
    path = tmp_path / "stereo.wav"
    soundfile.write(path, np.stack([np.zeros(len(heard)), heard], axis=1), rate_hz, "DOUBLE")
    done = CliRunner().invoke(group, ["inspect", str(path), "--stimulus", str(three.played)])
    assert done.exit_code == 0, done.output
    assert "stimulus 'played' was found once" in done.output
    assert "by its sweeps" in done.output and "channel 2, holds the signal" in done.output
    noise = tmp_path / "noise.wav"
    soundfile.write(noise, 0.1 * np.random.default_rng(1).standard_normal(20 * rate_hz), rate_hz)
    done = CliRunner().invoke(group, ["inspect", str(noise), "--stimulus", str(three.played)])
    assert done.exit_code == 0 and "'played' was not found" in done.output


def test_a_recording_that_ends_early_keeps_its_whole_sweeps(three: Foreign) -> None:
    heard = three.heard()
    results = three.analyse(heard[: -round(3.0 * RATE_HZ)])
    assert len(results.take().rungs) == 2
    assert "incomplete" in codes(results)
    late = three.analyse(heard[round(2.5 * RATE_HZ) :]).take()
    assert [rung.drive_dbfs for rung in late.rungs] == pytest.approx([-16.0, -6.0], abs=0.01)
    with pytest.raises(InputError, match="shorter than the sweep"):
        three.analyse(heard[: round(3.0 * RATE_HZ)])


@pytest.mark.parametrize("what", ["noise", "another sweep"])
def test_a_recording_of_something_else_is_refused(
    three: Foreign, what: str, rng: np.random.Generator
) -> None:
    count = len(three.heard())
    samples = 0.1 * rng.standard_normal(count)
    if what == "another sweep":
        other = dataclasses.replace(PLAIN, duration_s=5.0, start_hz=30.0)
        samples = 1e-4 * samples
        samples[RATE_HZ : RATE_HZ + other.samples] += 0.3 * other.waveform()
    with pytest.raises(InputError, match=r"not found|not this stimulus's"):
        three.analyse(samples)


def test_harmonic_phases_do_not_depend_on_the_convention(tmp_path: Path) -> None:
    """With the "−1" harmonic n comes out turned by −360°·(n − 1)·f₁·L, and is turned back."""
    from distsweep.analysis.ladder import MeasuredLadder
    from distsweep.analysis.take import measure_take
    from distsweep.results import Conditions
    from distsweep.takes.session_calibration import Calibration
    from distsweep.takes.session_takes import TakeEntry
    from distsweep.takes.take import find_take, take_settings

    phases = []
    for minus_one in (False, True):
        folder = tmp_path / str(minus_one)
        folder.mkdir()
        bench = Foreign(
            folder, ForeignFile(dataclasses.replace(PLAIN, minus_one=minus_one), [-6.0])
        )
        soundfile.write(folder / "take.wav", bench.heard(), RATE_HZ, subtype="DOUBLE")
        take = find_take(TakeEntry("axis", bench.played, (folder / "take.wav",)))
        settings = take_settings(take.stimulus.recipe, Calibration(), Conditions())
        measured = measure_take(take.cut, settings)
        assert isinstance(measured, MeasuredLadder)
        f = np.geomspace(100.0, 2000.0, 20)
        values = measured.swept.values
        phases.append(
            [np.interp(f, measured.frequency_hz, np.unwrap(np.angle(values[n, 0]))) for n in (1, 2)]
        )
    apart = np.angle(np.exp(1j * (np.array(phases[0]) - np.array(phases[1]))))
    assert np.max(np.abs(apart)) < 0.02


def test_the_sidecar_that_is_written_serves_again(three: Foreign, tmp_path: Path) -> None:
    soundfile.write(tmp_path / "take.wav", three.heard(), RATE_HZ, subtype="DOUBLE")
    out = tmp_path / "out"
    arguments = ["analyse", str(tmp_path / "take.wav"), "--no-report", "-o", str(out)]
    first = CliRunner().invoke(group, [*arguments, "--stimulus", str(three.played)])
    assert first.exit_code == 0, first.output
    sidecar = out / "played-sweep.json"
    assert json.loads(sidecar.read_text())["found_in"] == "played.wav"
    results = [json.loads((out / "results.json").read_text())]
    kept = tmp_path / "kept.json"
    kept.write_text(sidecar.read_text())
    second = CliRunner().invoke(group, [*arguments, "--stimulus", str(kept)])
    assert second.exit_code == 0, second.output
    results.append(json.loads((out / "results.json").read_text()))
    assert results[0]["takes"][0]["rungs"] == results[1]["takes"][0]["rungs"]
    assert found_sidecar_text(read_stimulus(kept)) == kept.read_text()
    with pytest.raises(InputError, match=r"found in played\.wav, which have no markers"):
        read_sidecar(kept)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"sweep": None}, "Sweep is None"),
        ({"files": []}, "not enough values"),
        ({"band_hz": [1.0, 20000.0]}, "band_hz"),
        ({"order": 100}, "order is 100"),
        ({"levels_dbfs": "loud"}, "could not convert"),
    ],
)
def test_a_damaged_found_sidecar_is_refused_in_one_line(
    one: Foreign, change: dict[str, Any], words: str
) -> None:
    found = found_in(one.file.waveform(), RATE_HZ)
    data = {**json.loads(found_sidecar_text(found)), **change}
    path = one.folder / "found.json"
    path.write_text(json.dumps(data))
    with pytest.raises(InputError, match=f"damaged.*{words}"):
        read_stimulus(path)


def test_a_session_may_name_the_sound_file(one: Foreign) -> None:
    soundfile.write(one.folder / "take.wav", one.heard(), RATE_HZ, subtype="DOUBLE")
    (one.folder / "session.toml").write_text(
        '[[takes]]\nposition = "axis"\nstimulus = "played.wav"\nrecording = "take.wav"\n'
    )
    kept: list[FoundStimulus] = []
    results = analyse(one.folder, found=kept.append)
    assert results.take().stimulus == "played.wav" and len(kept) == 1


def test_the_louder_channel_of_a_stereo_file_is_taken(one: Foreign) -> None:
    wave = one.file.waveform()
    soundfile.write(one.played, np.stack([0.0 * wave, wave], axis=1), RATE_HZ, subtype="PCM_24")
    assert one.worst_db(one.analyse(one.heard())) < 0.1


def test_this_programs_own_file_serves_with_and_without_its_sidecar(tmp_path: Path) -> None:
    bench = Bench(tmp_path, ladder_recipe(levels_dbfs=[-20, -10], sweep_s=3.0, return_rung=True))
    recording = bench.record(0.5 * play(LOUDSPEAKER, bench.waveform, RATE_HZ), subtype="DOUBLE")
    stimulus = tmp_path / bench.stimulus.files[0].name
    beside, by_sidecar = (
        analyse_recording(recording, stimulus=path).take() for path in (stimulus, bench.sidecar)
    )
    assert np.array_equal(beside.rungs[0].fundamental_db, by_sidecar.rungs[0].fundamental_db)
    bench.sidecar.unlink()
    kept: list[FoundStimulus] = []
    alone = analyse_recording(recording, stimulus=stimulus, found=kept.append).take()
    assert [rung.role for rung in kept[0].file.rungs] == ["rung", "rung", "return"]
    assert kept[0].sweep.phase_rad == pytest.approx(0.0, abs=1e-3) or kept[
        0
    ].sweep.phase_rad == pytest.approx(2.0 * np.pi, abs=1e-3)
    assert alone.return_check_db == pytest.approx(0.0, abs=0.01)
    f = np.geomspace(100.0, 5000.0, 30)
    for one, other in zip(alone.rungs, by_sidecar.rungs, strict=True):
        levels = [
            np.interp(f, take.frequency_hz, rung.harmonics[2].level_db)
            for take, rung in ((alone, one), (by_sidecar, other))
        ]
        assert levels[0] == pytest.approx(levels[1], abs=0.02)
