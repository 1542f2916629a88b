"""Takes in several files whose recordings are listed in another order, or twice."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from capture_bench import run_main
from closed_form import MILDLY_CURVED, play
from conftest import RATE_HZ, short_ladder, short_staircase

from distsweep.errors import InputError
from distsweep.pipeline import analyse_recording
from distsweep.stimulus.recipe import parse_recipe
from distsweep.stimulus.write import write_stimulus

TONES = short_staircase()
RUNGS = short_ladder(return_rung=True)
GAINS = (0.5, 0.1, -0.7, 0.3, 0.2)


class Split:
    """A stimulus in several files, and their recordings a.wav, b.wav, …, each at its own gain."""

    def __init__(self, folder: Path, recipe: dict[str, Any], loudest: float = 1.0) -> None:
        """``loudest`` is where an instantaneous clipper ahead of the loudspeaker acts."""
        _, paths = write_stimulus(
            parse_recipe(recipe, "recipe"), folder, split=True, sample_format="float"
        )
        self.sidecar = paths[-1]
        self.paths: dict[str, Path] = {}
        rng = np.random.default_rng(11)
        for name, path, gain in zip("abcde", paths[:-1], GAINS, strict=False):
            waveform = np.clip(soundfile.read(path)[0], -loudest, loudest)
            heard = gain * play(MILDLY_CURVED, waveform, RATE_HZ)
            heard += 1e-5 * rng.standard_normal(len(heard))
            self.paths[name] = folder / f"{name}.wav"
            soundfile.write(self.paths[name], heard, RATE_HZ, subtype="FLOAT")

    def listed(self, names: str) -> list[Path]:
        return [self.paths[name] for name in names]

    def again(self, name: str, called: str) -> None:
        """Record a file once more, softer and in other noise."""
        heard = 0.8 * soundfile.read(self.paths[name])[0]
        heard += 1e-5 * np.random.default_rng(12).standard_normal(len(heard))
        self.paths[called] = self.paths[name].with_name(f"{called}.wav")
        soundfile.write(self.paths[called], heard, RATE_HZ, subtype="FLOAT")

    def refusal(self, names: str) -> str:
        with pytest.raises(InputError) as caught:
            analyse_recording(self.listed(names), stimulus=self.sidecar)
        assert "\n" not in str(caught.value)
        return str(caught.value)


@pytest.fixture(scope="module")
def tones(tmp_path_factory: pytest.TempPathFactory) -> Split:
    return Split(tmp_path_factory.mktemp("tones"), TONES)


@pytest.fixture(scope="module")
def rungs(tmp_path_factory: pytest.TempPathFactory) -> Split:
    return Split(tmp_path_factory.mktemp("rungs"), RUNGS)


def test_tones_in_the_wrong_order_are_one_line(tones: Split, tmp_path: Path) -> None:
    text = '[[takes]]\nposition = "axis"\nstimulus = "tones.json"\nrecording = '
    session = tones.sidecar.parent / "session.toml"
    session.write_text(text + '["b.wav", "a.wav", "c.wav"]\n', encoding="utf-8")
    ran = run_main("analyse", str(session), "-o", str(tmp_path / "results"))
    assert ran.exit_code == 3
    line = ran.stderr.splitlines()[-1]
    assert line.startswith("distsweep: ") and ran.stderr.count("distsweep: ") == 1
    assert line.endswith(
        "b.wav: the recordings are in the wrong order: b.wav holds the tone of 400 Hz,"
        " a.wav holds the tone of 100 Hz: list a.wav, b.wav, c.wav"
    )


def test_a_tone_listed_twice(tones: Split) -> None:
    tones.again("a", "x")
    told = tones.refusal("axc")
    assert "a.wav and x.wav both hold the tone of 100 Hz" in told
    assert "none holds the tone of 400 Hz" in told
    assert "is listed twice" in tones.refusal("aac")


def test_a_copy_under_another_name(tones: Split) -> None:
    copy = tones.paths["a"].with_name("copy.wav")
    copy.write_bytes(tones.paths["a"].read_bytes())
    with pytest.raises(InputError, match=r"copy\.wav: is a copy of a\.wav"):
        analyse_recording([tones.paths["a"], copy, tones.paths["c"]], stimulus=tones.sidecar)


@pytest.mark.parametrize("names", ["bacde", "dcbae", "abced"])
def test_rungs_in_the_wrong_order(rungs: Split, names: str) -> None:
    """Each file was recorded at another gain; the markers tell."""
    told = rungs.refusal(names)
    assert "the recordings are in the wrong order" in told
    # The first and the return rung are the same sound: either may stand for either.
    assert told.endswith(
        ("list a.wav, b.wav, c.wav, d.wav, e.wav", "list e.wav, b.wav, c.wav, d.wav, a.wav")
    )


def test_a_rung_listed_twice(rungs: Split) -> None:
    rungs.again("b", "y")
    told = rungs.refusal("abyde")
    assert "b.wav and y.wav both hold the rung at −28 dBFS" in told
    assert "none holds the rung at −22 dBFS" in told


def test_rungs_that_a_clipper_makes_alike_are_not_refused(tmp_path: Path) -> None:
    """It acts below the markers: from the second rung on all are equally loud."""
    split = Split(tmp_path, {**RUNGS, "return_rung": False}, loudest=0.03)
    results = analyse_recording(split.listed("abcd"), stimulus=split.sidecar)
    assert [rung.drive_dbfs for rung in results.take().rungs] == [-34.0, -28.0, -22.0, -16.0]
