"""A recording analysed with the sidecar of another stimulus, as long as its own or nearly."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.fft
import scipy.signal
import soundfile
from capture_bench import run_main
from closed_form import MILDLY_CURVED, play
from conftest import RATE_HZ, short_staircase

from distsweep.errors import InputError
from distsweep.pipeline import analyse_recording
from distsweep.results import Results
from distsweep.stimulus.recipe import parse_recipe
from distsweep.stimulus.sidecar import Stimulus
from distsweep.stimulus.write import write_stimulus

TONES = short_staircase(hold_s=0.4, quiet_s=1.0, pause_s=0.5)
SWEEPS: dict[str, Any] = {
    "kind": "ladder",
    "name": "sweeps",
    "rate_hz": RATE_HZ,
    "band_hz": [80, 16000],
    "sweep_s": 2.0,
    "levels_dbfs": [-20, -10],
    "order": 5,
    "quiet_s": 2.0,
    "pause_s": 0.5,
    "return_rung": False,
}


def spacing(stimulus: Stimulus) -> int:
    file = stimulus.files[0]
    return file.end_marker_sample - file.start_marker_sample


class Pair:
    """A sidecar, and a recording of the same stimulus or of another one."""

    def __init__(self, folder: Path, named: dict[str, Any]) -> None:
        self.folder = folder
        self.named, paths = write_stimulus(parse_recipe(named, "recipe"), folder)
        self.sidecar = paths[-1]

    def record(
        self,
        played: dict[str, Any],
        *,
        longer_ppm: float = 0.0,
        speed_ppm: float = 0.0,
        noise_db: float = -60.0,
    ) -> Path:
        """Record a stimulus whose silence is such that the markers stand as far apart.

        ``noise_db`` is white noise re the loudest moment of the recording.
        """
        folder = self.folder / "played"
        stimulus, _ = write_stimulus(parse_recipe(played, "recipe"), folder)
        wanted = spacing(self.named) * (1.0 + 1e-6 * longer_ppm)
        quiet_s = played["quiet_s"] + (wanted - spacing(stimulus)) / RATE_HZ
        fitted = {**played, "name": "fitted", "quiet_s": quiet_s}
        stimulus, paths = write_stimulus(
            parse_recipe(fitted, "recipe"), folder, sample_format="float"
        )
        assert abs(spacing(stimulus) - wanted) <= 2.0
        heard = 0.5 * play(MILDLY_CURVED, soundfile.read(paths[0])[0], RATE_HZ)
        if speed_ppm:
            heard = np.pad(heard, (0, scipy.fft.next_fast_len(len(heard)) - len(heard)))
            heard = scipy.signal.resample(heard, round(len(heard) * (1.0 + 1e-6 * speed_ppm)))
        noise = np.random.default_rng(7).standard_normal(len(heard))
        heard = heard + np.max(np.abs(heard)) * 10.0 ** (noise_db / 20.0) * noise
        path = self.folder / "take.wav"
        soundfile.write(path, heard / np.max(np.abs(heard)) * 0.5, RATE_HZ, subtype="FLOAT")
        return path

    def analyse(self, played: dict[str, Any], **more: float) -> Results:
        return analyse_recording(self.record(played, **more), stimulus=self.sidecar)


@pytest.mark.parametrize("longer_ppm", [0.0, -1192.0])
def test_a_ladder_with_the_sidecar_of_a_staircase(tmp_path: Path, longer_ppm: float) -> None:
    pair = Pair(tmp_path, TONES)
    path = pair.record(SWEEPS, longer_ppm=longer_ppm)
    ran = run_main("analyse", str(path), "--stimulus", str(pair.sidecar), "-o", str(tmp_path / "r"))
    assert ran.exit_code == 3
    (line,) = (line for line in ran.stderr.splitlines() if line.startswith("distsweep: "))
    assert line == ran.stderr.splitlines()[-1]
    assert str(path) in line
    assert "give the sidecar of the stimulus that was played" in line
    assert not (tmp_path / "r").exists()


OTHERS = {
    "another tone": ({"frequencies_hz": [100, 400, 3000]}, "a tone of 3000 Hz .* has 4000 Hz"),
    "tones in another order": ({"frequencies_hz": [400, 4000, 100]}, "where this stimulus has"),
    "shorter bursts": ({"hold_s": 0.3, "rest_s": 0.3, "release_s": 0.4}, "start and stop where"),
    "longer bursts": ({"hold_s": 0.5, "rest_s": 0.1, "release_s": 0.2}, "start and stop where"),
    "fewer levels": ({"levels_dbfs": [-20, -8]}, "give the sidecar"),
}


@pytest.mark.parametrize(("changes", "message"), OTHERS.values(), ids=OTHERS)
def test_another_staircase_as_long(tmp_path: Path, changes: dict[str, Any], message: str) -> None:
    with pytest.raises(InputError, match=message):
        Pair(tmp_path, TONES).analyse({**TONES, **changes})


def test_another_ladder_as_long(tmp_path: Path) -> None:
    """Its sweeps pass the middle of the band when the named ones do."""
    named = {**SWEEPS, "band_hz": [60, 8000], "sweep_s": 4.0, "levels_dbfs": [-16, -6]}
    named |= {"quiet_s": 1.0, "pause_s": 0.8}
    played = {**named, "band_hz": [80, 20000], "sweep_s": 3.0, "levels_dbfs": [-26, -16]}
    with pytest.raises(InputError, match="sweeps between them are not this stimulus's"):
        Pair(tmp_path, named).analyse(played)


def test_a_ladder_with_a_rung_less_and_more_silence(tmp_path: Path) -> None:
    """Its two rungs stand where the second and third of the one named do: a loudspeaker that mutes
    itself at low levels gives the same, so that it is said, not refused."""
    named = {**SWEEPS, "levels_dbfs": [-30, -20, -10]}
    results = Pair(tmp_path, named).analyse(SWEEPS)
    (told,) = [w.message for w in results.warnings if w.code == "silent_rungs"]
    assert "is silent where this stimulus has its rung at −30 dBFS" in told


@pytest.mark.parametrize(
    ("named", "speed_ppm"), [(TONES, 1000.0), (SWEEPS, -700.0)], ids=["staircase", "ladder"]
)
def test_another_speed_is_analysed_and_said(
    tmp_path: Path, named: dict[str, Any], speed_ppm: float
) -> None:
    results = Pair(tmp_path, named).analyse(named, speed_ppm=speed_ppm)
    take = results.take()
    assert take.clock_drift_ppm == pytest.approx(speed_ppm, abs=5.0)
    (told,) = [w.message for w in results.warnings if w.code == "clock_drift"]
    assert f"runs {abs(take.clock_drift_ppm):.0f} ppm" in told
    assert ("slower" if speed_ppm > 0.0 else "faster") in told
    assert "more than two clocks differ (200 ppm)" in told


def test_markers_too_far_apart_for_two_clocks(tmp_path: Path) -> None:
    """The tones are those named, at their own speed: samples too many."""
    message = "150[01] ppm .* more than two clocks differ|start and stop where"
    with pytest.raises(InputError, match=message):
        Pair(tmp_path, TONES).analyse(TONES, longer_ppm=1500.0)


def test_a_pause_that_is_too_short_is_a_lost_block(tmp_path: Path) -> None:
    """The sweeps run at their own speed, and prove that they are those named."""
    pair = Pair(tmp_path, SWEEPS)
    take = pair.analyse(SWEEPS, longer_ppm=-1500.0).take()
    (damage,) = take.damage
    assert (damage.kind, damage.rung) == ("lost", None)
    assert damage.samples == pytest.approx(1.5e-3 * spacing(pair.named), abs=2.0)
    assert take.clock_drift_ppm == pytest.approx(0.0, abs=2.0)


@pytest.mark.parametrize("named", [TONES, SWEEPS], ids=["staircase", "ladder"])
def test_noise_does_not_refuse_the_right_sidecar(tmp_path: Path, named: dict[str, Any]) -> None:
    """Noise 3 dB above the loudest tone's RMS, at clocks 150 ppm apart."""
    take = Pair(tmp_path, named).analyse(named, speed_ppm=150.0, noise_db=0.0).take()
    assert take.clock_drift_ppm == pytest.approx(150.0, abs=60.0)
