"""Recordings that hold a stimulus several times, or on another channel; read block by block."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
import soundfile
from closed_form import MILDLY_CURVED, play
from conftest import RATE_HZ, Bench, ladder_recipe, long
from test_placement import recorded_by_another_clock
from test_rates import at_rate

from distsweep.cli import _printing as printing
from distsweep.errors import InputError, NoSignalError
from distsweep.pipeline import analyse, analyse_recording
from distsweep.results import Damage
from distsweep.takes import runs, sound_file, survey
from distsweep.takes.inspected_runs import LookedFor
from distsweep.takes.inspection import inspect_recording
from distsweep.takes.marker_search import marker_pairs, marker_places
from distsweep.takes.recording import read_recording
from distsweep.takes.runs import Search, find_runs
from distsweep.takes.session_takes import TakeEntry
from distsweep.takes.sound_file import blocks, open_sound, read_channel
from distsweep.takes.take import find_take

GAINS = (0.5, 0.3, 0.1)


@pytest.fixture(scope="module")
def several(tmp_path_factory: pytest.TempPathFactory) -> tuple[Bench, Path, list[int]]:
    """Three runs on the second of two channels, talk between them, one begun and given up."""
    bench = Bench(tmp_path_factory.mktemp("several"), ladder_recipe())
    rng = np.random.default_rng(5)
    heard = play(MILDLY_CURVED, bench.waveform, RATE_HZ)
    given_up = heard[: len(heard) // 2]
    parts: list[np.ndarray] = []
    starts = []
    for gain, silence_s in zip(GAINS, (1.3, 2.0, 4.0), strict=True):
        talk = np.cumsum(rng.standard_normal(int(silence_s * RATE_HZ)))
        parts.append(0.1 * talk / np.max(np.abs(talk)))
        if gain == GAINS[1]:
            parts += [0.4 * given_up, np.zeros(RATE_HZ)]
        starts.append(sum(map(len, parts)))
        parts.append(gain * heard)
    samples = np.concatenate([*parts, np.zeros(RATE_HZ)])
    both = 1e-5 * rng.standard_normal((len(samples), 2))
    both[:, 1] += samples
    return bench, bench.record(both, name="all.wav"), starts


def levels(bench: Bench, gain: float) -> np.ndarray:
    heard = gain * play(MILDLY_CURVED, bench.waveform, RATE_HZ)
    take = bench.analyse(heard, name=f"alone-{gain:g}.wav").take()
    return np.array([rung.fundamental_db for rung in take.rungs])


@pytest.mark.long
def test_each_run_is_a_take_and_its_channel_is_found(several) -> None:
    bench, path, _ = several
    shares: list[float] = []
    results = analyse_recording(
        path, stimulus=bench.sidecar, searching=lambda _name, share: shares.append(share)
    )
    assert [take.position for take in results.takes] == ["axis", "axis 2", "axis 3"]
    for take, gain in zip(results.takes, GAINS, strict=True):
        fundamental_db = np.array([rung.fundamental_db for rung in take.rungs])
        # Noise of 1e-5 lies 70 dB below the softest rung.
        assert np.max(np.abs(fundamental_db - levels(bench, gain))) < 0.02
    told = {warning.code: warning.message for warning in results.warnings}
    assert "channel 2 holds it" in told["other_channel"]
    assert "3 times" in told["several_runs"]
    assert shares[-1] == 1.0 and all(0.0 <= share <= 1.0 for share in shares)


@pytest.mark.parametrize("rate_hz", [44100, long(96000)])
def test_runs_at_another_rate_are_found_on_any_channel(several, rate_hz: int) -> None:
    bench, path, starts = several
    quiet, loud = (
        at_rate(read_recording(path, channel=channel).samples, rate_hz) for channel in (1, 2)
    )
    other = bench.record(np.stack([quiet, loud], axis=1), name="other.wav", rate_hz=rate_hz)
    results = analyse_recording(other, stimulus=bench.sidecar)
    assert [take.position for take in results.takes] == ["axis", "axis 2", "axis 3"]
    for take, gain in zip(results.takes, GAINS, strict=True):
        assert take.clock_drift_ppm == pytest.approx(0.0, abs=0.5)
        fundamental_db = np.array([rung.fundamental_db for rung in take.rungs])
        same_db = levels(bench, gain)[:, : fundamental_db.shape[1]]
        assert np.max(np.abs(fundamental_db - same_db)) < 0.02
    seen = inspect_recording(other, LookedFor(bench.sidecar, bench.stimulus))
    assert seen.signal_channel == 2
    starts_s = np.array(starts) / RATE_HZ
    assert [run.start_s for run in seen.runs] == pytest.approx(starts_s, abs=0.0005)


@pytest.mark.parametrize("speed", [1.01, long(0.985)])
def test_runs_at_another_speed_are_found(make_bench, speed: float) -> None:
    bench = make_bench()
    heard = 0.5 * play(MILDLY_CURVED, bench.waveform, RATE_HZ)
    alone = bench.analyse(heard, name="alone.wav").take()
    slow = recorded_by_another_clock(np.tile(heard, 3), 1e6 * (speed - 1.0))
    results = bench.analyse(slow)
    assert len(results.takes) == 3
    for take in results.takes:
        assert take.clock_drift_ppm == pytest.approx(1e6 * (speed - 1.0), abs=2.0)
        off_db = take.rungs[-1].fundamental_db - alone.rungs[-1].fundamental_db
        assert np.max(np.abs(off_db)) < 0.05


def test_a_long_recording_at_too_low_a_rate_is_refused(several) -> None:
    bench, path, _ = several
    low = at_rate(read_recording(path, channel=2).samples, 6000)
    with pytest.raises(InputError, match=r"6000 Hz, too low for the stimulus's markers"):
        bench.analyse(low, name="low.wav", rate_hz=6000)


def test_a_session_names_the_run(several) -> None:
    bench, _path, _ = several
    take = (
        '[[takes]]\nposition = "{}"\nstimulus = "short.json"\nrecording = "all.wav"\nchannel = 2\n'
    )
    session = bench.folder / "session.toml"
    session.write_text(take.format("axis") + "number = 3\n" + take.format("port"))
    results = analyse(session)
    third, first = (take.rungs[0].fundamental_db for take in results.takes)
    ratio_db = 20.0 * np.log10(GAINS[0] / GAINS[2])
    assert np.max(np.abs(first - third - ratio_db)) < 0.02
    told = [(warning.take, warning.message) for warning in results.warnings
            if warning.code == "several_runs"]  # fmt: skip
    assert len(told) == 1 and told[0][0] == "port" and "The first was taken" in told[0][1]
    session.write_text(take.format("axis") + "number = 4\n")
    with pytest.raises(InputError, match=r"holds 3 run\(s\) .* number 4 was asked for"):
        analyse(session)


def test_a_channel_that_was_named_is_kept(several) -> None:
    bench, path, _ = several
    with pytest.raises(NoSignalError, match="markers were not found"):
        analyse_recording(path, stimulus=bench.sidecar, channel=1)


def test_a_short_recording_s_channel_is_found(make_bench) -> None:
    bench = make_bench()
    heard = 0.5 * play(MILDLY_CURVED, bench.waveform, RATE_HZ)
    silent = np.zeros(len(heard))
    path = bench.record(np.stack([silent, silent, heard], axis=1))
    results = analyse_recording(path, stimulus=bench.sidecar)
    told = [warning.message for warning in results.warnings if warning.code == "other_channel"]
    assert len(told) == 1 and "channel 3 holds it" in told[0]
    with pytest.raises(InputError, match="channel 1 is silent"):
        analyse_recording(path, stimulus=bench.sidecar, channel=1)
    nowhere = bench.record(np.stack([silent, silent], axis=1), name="nowhere.wav")
    with pytest.raises(InputError, match="channel 1 is silent"):
        analyse_recording(nowhere, stimulus=bench.sidecar)


def test_only_the_run_s_stretch_is_kept(several) -> None:
    bench, path, starts = several
    entry = TakeEntry("axis", bench.sidecar, (path,), channel=2, number=3)
    found = find_take(entry)
    (recording,) = found.recordings
    assert recording.first_sample > starts[1]
    assert len(recording.samples) < 2 * len(bench.waveform)
    whole = read_recording(path, channel=2).samples
    stretch = whole[recording.first_sample :][: len(recording.samples)]
    assert np.array_equal(stretch, recording.samples)
    (damage,) = found.in_file_time([Damage("click", 1.0, 1.5, recording="all.wav")])
    assert damage.start_s == pytest.approx(1.0 + recording.first_sample / RATE_HZ)
    assert damage.end_s - damage.start_s == pytest.approx(0.5)


def test_a_run_that_cannot_be_analysed_is_left_out(make_bench) -> None:
    """Its markers are there, but another sweep between them."""
    bench = make_bench()
    heard = 0.5 * play(MILDLY_CURVED, bench.waveform, RATE_HZ)
    spoilt = heard.copy()
    rungs = bench.stimulus.files[0].rungs
    first, last = rungs[0].start_sample, rungs[-1].start_sample + bench.stimulus.sweep.samples
    spoilt[first:last] = spoilt[first:last][::-1]
    results = bench.analyse(np.concatenate([spoilt, heard, heard]))
    assert [take.position for take in results.takes] == ["axis 2", "axis 3"]
    told = [warning.message for warning in results.warnings if warning.code == "run_left_out"]
    assert len(told) == 1 and told[0].startswith("axis could not be analysed")
    with pytest.raises(InputError, match="not this stimulus's"):
        bench.analyse(np.concatenate([spoilt, spoilt]))


def test_places_do_not_depend_on_the_blocks(several, monkeypatch: pytest.MonkeyPatch) -> None:
    bench, path, starts = several
    sound, marker = open_sound(path), bench.stimulus.marker
    found = []
    for length in (4001, 50_000, 2**21):
        monkeypatch.setattr(
            "distsweep.takes.marker_search.blocks",
            lambda sound, *, length, wanted=length: blocks(sound, length=wanted // 6 * 6),
        )
        places, matches = marker_places(sound, marker, channel=2, mean_power=1e-3)
        clear = matches > 0.5
        found.append(places[clear])
    file = bench.stimulus.files[0]
    for start in starts:
        for marker_sample in (file.start_marker_sample, file.end_marker_sample):
            # The loudspeaker is nearer than a step of the copy in which they are sought.
            assert all(np.min(np.abs(p - start - marker_sample)) < 100 for p in found)
    assert len(found[0]) == len(found[1]) == len(found[2]) == 7


def test_pairs_do_not_reach_into_each_other() -> None:
    places = np.array([0.0, 1000.0, 1500.0, 2500.0, 4000.0, 9000.0, 10003.0])
    matches = np.array([0.9, 0.9, 0.8, 0.8, 0.9, 0.2, 0.2])
    # 1500 and 2500 are a pair as well; 9000 and 10003 stand too far apart.
    assert marker_pairs(places, matches, spacing=1000.0, chirp=20.0) == [(0, 1), (2, 3)]
    assert marker_pairs(places, matches, spacing=1010.0, chirp=20.0) == []
    # 1000 and 2500 cross the clearer 0 and 1500.
    assert marker_pairs(places, matches, spacing=1500.0, chirp=20.0) == [(0, 2), (3, 4)]


def test_a_search_is_made_once(several, monkeypatch: pytest.MonkeyPatch) -> None:
    bench, path, _ = several
    search = Search(bench.stimulus.marker, bench.stimulus.files[0], channel=2)
    find_runs(open_sound(path), search)

    def again(*_: object, **__: object) -> None:
        raise AssertionError("searched again")

    monkeypatch.setattr(runs, "marker_places", again)
    monkeypatch.setattr(runs, "survey", again)
    assert len(find_runs(open_sound(path), search)) == 3


@pytest.mark.parametrize("name", ["a.wav", "a.flac", "a.aiff"])
def test_a_stretch_is_that_of_the_whole(tmp_path: Path, rng: np.random.Generator, name) -> None:
    samples = 0.1 * rng.standard_normal((5000, 3))
    soundfile.write(tmp_path / name, samples, RATE_HZ, subtype="PCM_24")
    sound = open_sound(tmp_path / name)
    assert (sound.channels, sound.samples, sound.encoding) == (3, 5000, "PCM_24")
    whole = read_channel(sound, 2)
    assert np.max(np.abs(whole - samples[:, 1])) <= 2.0**-23
    assert np.array_equal(read_channel(sound, 2, first=777, last=3210), whole[777:3210])
    parts = [block[:, 1] for _, block in sound_file.blocks(sound, length=333)]
    assert np.array_equal(np.concatenate(parts), whole)
    part = read_recording(tmp_path / name, channel=2, first=777, last=3210)
    assert part.first_sample == 777 and len(part.samples) == 3210 - 777


def test_levels_of_all_channels(tmp_path: Path) -> None:
    """A sine of amplitude ½ has the power ⅛; direct current of 0.1 has 0.01."""
    seconds = 60.0
    time_s = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    sine = 0.5 * np.sin(2.0 * np.pi * 440.0 * time_s)
    steady = np.full(len(sine), 0.1)
    steady[RATE_HZ : 2 * RATE_HZ] = 0.0
    loud = sine.copy()
    loud[77] = -1.0
    soundfile.write(tmp_path / "a.wav", np.stack([sine, steady, loud], axis=1), RATE_HZ, "FLOAT")
    first, second, third = survey.survey(open_sound(tmp_path / "a.wav"))
    assert first.mean_power == pytest.approx(0.125, rel=1e-6)
    assert first.peak == pytest.approx(0.5, abs=1e-4)
    assert second.mean == pytest.approx(0.1 * 59.0 / 60.0, rel=1e-6)
    assert np.all(second.zeros[10:20] == 1.0) and np.sum(second.zeros) == 10.0
    assert len(first.powers) == 600
    assert (first.at_full_scale, third.at_full_scale) == (0, 1)


def test_what_is_not_a_number_is_found_in_any_block(make_bench) -> None:
    bench = make_bench()
    heard = 0.5 * np.tile(bench.waveform, 3)
    heard[-7] = np.nan
    with pytest.raises(InputError, match=f"sample {len(heard) - 7} of channel 1 is not a number"):
        bench.analyse(heard, subtype="FLOAT")


def test_a_long_recording_of_another_stimulus_is_refused(make_bench) -> None:
    bench = make_bench()
    path = bench.record(0.5 * np.tile(bench.waveform, 3))
    other = make_bench(name="other", sweep_s=1.7)
    with pytest.raises(InputError, match=r"markers stand .* apart"):
        analyse_recording(path, stimulus=other.sidecar)


def test_a_long_recording_with_one_marker(make_bench, rng: np.random.Generator) -> None:
    """The take stops early, and an hour of talk may follow."""
    bench = make_bench(levels_dbfs=[-30, -20, -10])
    heard = 0.5 * play(MILDLY_CURVED, bench.waveform, RATE_HZ)
    third = bench.stimulus.files[0].rungs[2].start_sample
    before = 1e-4 * rng.standard_normal(2 * len(heard))
    results = bench.analyse(np.concatenate([before, heard[:third], before]))
    alone = bench.analyse(heard, name="alone.wav").take()
    for rung, same in zip(results.take().rungs[:2], alone.rungs[:2], strict=True):
        assert np.max(np.abs(rung.fundamental_db - same.fundamental_db)) < 0.05
    told = {warning.code: warning.message for warning in results.warnings}
    assert "only the start marker" in told["incomplete"]
    assert "−10 dBFS" in told["silent_rungs"]


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(("stream", "shown"), [(Terminal(), True), (io.StringIO(), False)])
def test_a_bar_is_shown_on_a_terminal_only(
    monkeypatch: pytest.MonkeyPatch, stream: io.StringIO, shown: bool
) -> None:
    monkeypatch.setattr("sys.stderr", stream)
    for share in (0.0, 0.5, 1.0):
        printing.show_share("all.wav", share)
    text = stream.getvalue()
    assert ("searching all.wav" in text) == shown
    if shown:
        half = text.split("\r")[2]
        assert half.count("█") == half.count("░") == printing.BAR_WIDTH / 2 and "50 %" in half
