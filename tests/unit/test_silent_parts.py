"""Right recordings of loudspeakers that keep silent in parts, and recordings of lost samples."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.fft
import scipy.signal
import soundfile
from closed_form import Branch, cascade, flat, high_pass, low_pass, play
from conftest import RATE_HZ, short_ladder, short_staircase

from distsweep.errors import InputError
from distsweep.pipeline import analyse_recording
from distsweep.results import Results
from distsweep.stimulus.recipe import parse_recipe
from distsweep.stimulus.write import write_stimulus
from distsweep.units import FloatArray

TONES = short_staircase(
    frequencies_hz=[63, 400, 1600], levels_dbfs=[-24, -14, -4], release_s=0.4, pause_s=0.5
)
RUNGS = short_ladder(levels_dbfs=[-40, -34, -28, -22, -16])
CURVE = (1.0, 0.03, -0.05)
FULL_RANGE = Branch(high_pass(60, 0.9), CURVE, low_pass(15000))
SMALL = Branch(cascade(*[high_pass(160.0)] * 8), CURVE, low_pass(15000))
SPLIT_OR_NOT = pytest.mark.parametrize("split", [False, True], ids=["joined", "split"])


def muted_past(waveform: FloatArray, threshold_dbfs: float, mute_s: float) -> FloatArray:
    """Mute a drive 20 ms after it passes a threshold; re-armed afterwards."""
    passed = np.flatnonzero(np.abs(waveform) > 10.0 ** (threshold_dbfs / 20.0))
    heard, armed = waveform.copy(), 0
    for place in passed:
        if place >= armed:
            first = place + RATE_HZ // 50
            armed = first + int(mute_s * RATE_HZ)
            heard[first:armed] = 0.0
    return heard


class Recorded:
    """A stimulus, and what a loudspeaker gives of each of its files: 0.wav, 1.wav, …"""

    def __init__(
        self,
        folder: Path,
        recipe: dict[str, Any],
        loudspeaker: Callable[[FloatArray], FloatArray],
        *,
        split: bool = False,
    ) -> None:
        self.stimulus, paths = write_stimulus(
            parse_recipe(recipe, "recipe"), folder, split=split, sample_format="float"
        )
        self.sidecar, self.paths = paths[-1], []
        rng = np.random.default_rng(5)
        for number, path in enumerate(paths[:-1]):
            heard = 0.5 * loudspeaker(soundfile.read(path)[0])
            heard += 3e-4 * rng.standard_normal(len(heard))
            self.paths.append(folder / f"{number}.wav")
            soundfile.write(self.paths[-1], heard, RATE_HZ, subtype="FLOAT")

    def change(self, number: int, by: Callable[[FloatArray], FloatArray]) -> None:
        path = self.paths[number]
        soundfile.write(path, by(soundfile.read(path)[0]), RATE_HZ, subtype="FLOAT")

    def analyse(self) -> Results:
        return analyse_recording(self.paths, stimulus=self.sidecar)


def small(waveform: FloatArray) -> FloatArray:
    return play([SMALL], waveform, RATE_HZ)


def bent_and_small(waveform: FloatArray) -> FloatArray:
    """Of 63 Hz the third harmonic alone is left."""
    steep = cascade(*[high_pass(120.0)] * 8, low_pass(15000))
    return play([Branch(flat, (1.0, 0.0, -0.3), steep)], waveform, RATE_HZ)


def told(results: Results, code: str) -> list[str]:
    return [warning.message for warning in results.warnings if warning.code == code]


@SPLIT_OR_NOT
def test_a_tone_that_is_not_heard(tmp_path: Path, split: bool) -> None:
    results = Recorded(tmp_path, TONES, small, split=split).analyse()
    (message,) = told(results, "no_reference")
    assert message.startswith("At 63 Hz 0 of 3 levels")


def test_no_tone_of_any_file_is_heard(tmp_path: Path) -> None:
    """The markers are, as they reach 3 kHz."""
    recorded = Recorded(tmp_path, {**TONES, "frequencies_hz": [63, 80]}, small, split=True)
    with pytest.raises(InputError, match=r"0\.wav: .* are not this stimulus's, or drown in noise"):
        recorded.analyse()


@SPLIT_OR_NOT
def test_a_staircase_muted_at_its_loud_bursts(tmp_path: Path, split: bool) -> None:
    recipe = {**TONES, "frequencies_hz": [160, 1000], "levels_dbfs": [-20, -16, -12, -8, -4]}

    def protected(waveform: FloatArray) -> FloatArray:
        return play([FULL_RANGE], muted_past(waveform, -11.0, 1.2), RATE_HZ)

    results = Recorded(tmp_path, recipe, protected, split=split).analyse()
    assert [row.frequency_hz for row in results.take().staircase] == [160.0, 1000.0]


@SPLIT_OR_NOT
def test_a_ladder_muted_at_its_louder_half(tmp_path: Path, split: bool) -> None:
    def protected(waveform: FloatArray) -> FloatArray:
        return play([FULL_RANGE], muted_past(waveform, -31.0, 2.05), RATE_HZ)

    recorded = Recorded(tmp_path, RUNGS, protected, split=split)
    (message,) = told(recorded.analyse(), "silent_rungs")
    if split:
        assert message.startswith("2.wav is silent where this stimulus has its rung at −28 dBFS; 3")
    else:
        assert message.startswith("0.wav is silent where this stimulus has its rungs at −28, −22, ")


def test_a_rung_that_is_silent_to_the_last_bit_has_no_numbers(tmp_path: Path) -> None:
    recorded = Recorded(tmp_path, {**RUNGS, "levels_dbfs": [-28, -22, -16, -10]}, lambda x: x)
    rungs = recorded.stimulus.files[0].rungs
    heard, _ = soundfile.read(recorded.paths[0])
    heard[rungs[2].start_sample - 4800 : rungs[3].start_sample] = 0.0
    soundfile.write(recorded.paths[0], heard, RATE_HZ, subtype="FLOAT")
    results = recorded.analyse()
    silent = results.takes[0].rungs[2]
    assert np.all(np.isnan(silent.fundamental_db)) and np.all(
        np.isneginf(silent.fundamental_low_db)
    )
    assert not np.any(silent.thd_reliable)
    assert "silent_rungs" in [warning.code for warning in results.warnings]


def test_a_silent_level_is_listed_once(tmp_path: Path) -> None:
    def gated(waveform: FloatArray) -> FloatArray:
        """Mute what stays below −37 dBFS: the first rung and the return rung."""
        loud = scipy.signal.oaconvolve(waveform**2, np.ones(4800) / 4800, "same")
        return play([FULL_RANGE], waveform * (loud > 0.5 * 10.0**-3.7), RATE_HZ)

    (message,) = told(Recorded(tmp_path, RUNGS, gated).analyse(), "silent_rungs")
    assert "has its rung at −40 dBFS, while others are clear" in message


def test_samples_lost_in_one_file_of_a_ladder(tmp_path: Path) -> None:
    """After the sweep, so that it arrives with the markers as nearly as at another speed."""
    recipe = {**RUNGS, "levels_dbfs": [-28, -22, -16], "return_rung": False}
    recorded = Recorded(tmp_path, recipe, lambda x: play([FULL_RANGE], x, RATE_HZ), split=True)
    recorded.change(1, lambda heard: np.delete(heard, slice(-RATE_HZ, -RATE_HZ + 60)))
    take = recorded.analyse().take()
    # In a pause 60 samples are put back without a word: a change of rate would explain as much.
    assert take.damage == [] and len(take.rungs) == 3
    assert abs(take.clock_drift_ppm or 0.0) < 5.0


def test_every_file_of_a_ladder_at_another_speed(tmp_path: Path) -> None:
    recipe = {**RUNGS, "levels_dbfs": [-22, -16], "return_rung": False}
    recorded = Recorded(tmp_path, recipe, lambda x: play([FULL_RANGE], x, RATE_HZ), split=True)
    for number in range(2):
        recorded.change(number, lambda heard: _slower(heard, 300.0))
    results = recorded.analyse()
    assert results.take().clock_drift_ppm == pytest.approx(300.0, abs=3.0)
    assert "ppm slower than what was to be played" in told(results, "clock_drift")[0]


def test_one_sweep_does_not_tell_a_speed_from_lost_samples(tmp_path: Path) -> None:
    recipe = {**RUNGS, "levels_dbfs": [-16], "return_rung": False}
    recorded = Recorded(tmp_path, recipe, lambda x: play([FULL_RANGE], x, RATE_HZ))
    recorded.change(0, lambda heard: np.delete(heard, slice(-RATE_HZ, -RATE_HZ + 60)))
    (message,) = told(recorded.analyse(), "clock_drift")
    assert "or samples were lost: one sweep cannot tell" in message


def test_the_file_of_another_sweep_is_named(tmp_path: Path) -> None:
    """The two louder ones are played backwards."""
    recipe = {**RUNGS, "levels_dbfs": [-28, -22, -16], "return_rung": False}
    recorded = Recorded(tmp_path, recipe, lambda x: play([FULL_RANGE], x, RATE_HZ), split=True)
    start = recorded.stimulus.files[1].rungs[0].start_sample
    sweep = slice(start, start + 2 * RATE_HZ)
    for number in (1, 2):
        recorded.change(
            number, lambda heard: np.r_[heard[:start], heard[sweep][::-1], heard[sweep.stop :]]
        )
    with pytest.raises(InputError, match=r"2\.wav: the markers are there"):
        recorded.analyse()


@SPLIT_OR_NOT
def test_a_tone_of_which_a_harmonic_alone_is_heard(tmp_path: Path, split: bool) -> None:
    recorded = Recorded(tmp_path, TONES, bent_and_small, split=split)
    assert len(recorded.analyse().take().staircase) == 3


def test_a_harmonic_that_is_another_tone_of_the_stimulus(tmp_path: Path) -> None:
    """The file of 300 Hz is listed for that of 100 Hz as well, from another recording."""
    recipe = {**TONES, "frequencies_hz": [100, 300, 1000]}
    recorded = Recorded(tmp_path, recipe, small, split=True)
    recorded.paths[0].write_bytes(recorded.paths[1].read_bytes())
    recorded.change(0, lambda heard: 0.8 * heard)
    with pytest.raises(InputError, match=r"0\.wav and 1\.wav both hold the tone of 300 Hz"):
        recorded.analyse()


def _slower(heard: FloatArray, ppm: float) -> FloatArray:
    heard = np.pad(heard, (0, scipy.fft.next_fast_len(len(heard)) - len(heard)))
    return np.asarray(scipy.signal.resample(heard, round(len(heard) * (1.0 + 1e-6 * ppm))))
