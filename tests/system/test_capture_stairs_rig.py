"""Staircases on the rig: a limiter found as it was made, and a volume turned up in mid-tone."""

from __future__ import annotations

import datetime
import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from rig import RATE_HZ, Rig, loudspeaker_model
from rig_loudspeaker import Loudspeaker

from distsweep.pipeline import analyse_recording
from distsweep.results import Limiter
from distsweep.stimulus.recipe import parse_recipe
from distsweep.stimulus.write import write_stimulus

pytest_plugins = ["audio_fixtures"]
pytestmark = [pytest.mark.system, pytest.mark.long, pytest.mark.real_time]

RECIPE = {
    "kind": "staircase",
    "name": "steps",
    "rate_hz": RATE_HZ,
    "frequencies_hz": [1000],
    "levels_dbfs": {"from": -51, "to": -27, "step": 3},
    "hold_s": 0.35,
    "rest_s": 0.25,
    "release_s": 0.8,
    "order": 5,
    "quiet_s": 1.0,
    "pause_s": 0.3,
}

LIMITERS = {
    "a limiter": (
        1000.0,
        {"threshold_dbfs": -39.4, "ratio": 6.0, "attack_ms": 5.0, "release_ms": 60.0},
    ),
    "a compressor": (
        630.0,
        {"threshold_dbfs": -43.1, "ratio": 2.5, "attack_ms": 12.0, "release_ms": 100.0},
    ),
}
MILD = {"second": 0.5, "third": 2.0, "gain_db": 10.0, "noise_dbfs": -100.0}
"""Full scale gives 120 dB SPL at the microphone: −27 dBFS are 93 without the limiter."""

SPL_AT_0DBFS_IN_DB = 110.0
ACCEPT = ("--accept-level", "100")


@pytest.fixture
def session(tmp_path: Path) -> Path:
    folder = tmp_path / "session"
    folder.mkdir()
    (folder / "session.toml").write_text('[calibration]\nfile = "calibration.json"\n')
    note = {
        "schema": "distsweep.calibration/1",
        "pascal_per_fs": 20e-6 * 10 ** (SPL_AT_0DBFS_IN_DB / 20),
        "method": "calibrator",
        "date": datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
        "device": "mic",
        "channel": 1,
        "rate_hz": RATE_HZ,
        "input_gain": "12 dB",
    }
    (folder / "calibration.json").write_text(json.dumps(note))
    return folder


def stimulus(folder: Path, **changes: object) -> Path:
    return write_stimulus(parse_recipe({**RECIPE, **changes}, "test"), folder)[1][-1]


def arguments(session: Path, sidecar: Path, *more: str) -> list[str]:
    route = ("--input", "mic", "--output", "spk")
    return ["capture", str(session), "--stimulus", str(sidecar), *route, *ACCEPT, *more]


def events(session: Path, kind: str) -> list[dict]:
    lines = (session / "capture-log.jsonl").read_text().splitlines()
    return [event for event in map(json.loads, lines) if event["event"] == kind]


def limiter_from_the_file(sidecar: Path, model: dict, folder: Path) -> Limiter:
    """Play the stimulus's own WAV through the same loudspeaker, without the audio system."""
    wave, _ = soundfile.read(sidecar.with_suffix(".wav"))
    wave = np.concatenate([wave, np.zeros(RATE_HZ // 2 - len(wave) % 240)])
    wave = wave[: len(wave) // 240 * 240]
    speaker = Loudspeaker(model)
    heard = np.concatenate([speaker(block) for block in wave.reshape(-1, 240)])
    soundfile.write(folder / "file.wav", heard, RATE_HZ, subtype="FLOAT")
    found = analyse_recording(folder / "file.wav", stimulus=sidecar)
    limiter = found.takes[0].staircase[0].limiter
    assert limiter is not None
    return limiter


@pytest.mark.parametrize("name", LIMITERS)
def test_a_limiter_is_found_as_it_was_made_and_as_from_the_file(
    name: str, rig: Rig, session: Path, tmp_path: Path
) -> None:
    frequency_hz, curve = LIMITERS[name]
    sidecar = stimulus(tmp_path, frequencies_hz=[frequency_hz])
    model = loudspeaker_model(**MILD, curve=curve)
    rig.start_loudspeaker(model)
    done = rig.run(*arguments(session, sidecar))
    assert done.exit_code == 0, done.stderr[-3000:]
    analysed = rig.run("analyse", str(session), "--no-report", "--json", "-")
    assert analysed.exit_code == 0, analysed.stderr
    (row,) = json.loads(analysed.stdout)["takes"][0]["staircase"]
    found, filed = row["limiter"], limiter_from_the_file(sidecar, model, tmp_path)
    assert filed.threshold_dbfs is not None and filed.ratio is not None
    print(
        f"threshold {found['threshold_dbfs']:.2f} dBFS, ratio {found['ratio']:.2f}; from the file"
        f" {filed.threshold_dbfs:.2f} and {filed.ratio:.2f}; made {curve['threshold_dbfs']} and"
        f" {curve['ratio']}; attack {found['attack_ms']} ms, release {found['release_ms']} ms;"
        f" it took {done.seconds:.0f} s"
    )
    for threshold_dbfs, ratio in (
        (found["threshold_dbfs"], found["ratio"]),
        (filed.threshold_dbfs, filed.ratio),
    ):
        assert threshold_dbfs == pytest.approx(curve["threshold_dbfs"], abs=0.3)  # issue: capture
        assert ratio == pytest.approx(curve["ratio"], rel=0.05)
    # What reached the loudspeaker was never louder than what was confirmed.
    confirmed = events(session, "confirmed")[-1]["drives_dbfs"]
    assert 20 * np.log10(np.max(np.abs(rig.sent()))) <= max(confirmed) + 0.001


def test_a_volume_raised_in_mid_tone_ends_within_100_ms(
    rig: Rig, session: Path, tmp_path: Path
) -> None:
    """20 dB more, 0.15 s after the bursts have first come above −36 dBFS."""
    fault = {
        "does": "gain",
        "gain_db": 20.0,
        "threshold": 10 ** (-35.0 / 20),
        "delay": round(0.15 * RATE_HZ),
    }
    rig.start_loudspeaker(loudspeaker_model(**MILD, fault=fault))
    done = rig.run(*arguments(session, stimulus(tmp_path)))
    last = events(session, "recorded")[-1]
    assert (done.exit_code, last["stop"]) == (4, "loud"), done.stderr[-3000:]
    recorded = np.abs(soundfile.read(session / last["file"], always_2d=True)[0][:, 0])
    before = np.max(recorded[: last["stop_sample"] - RATE_HZ // 5])
    loud = np.flatnonzero(recorded > 2.0 * before)
    round_trip = last["delay_samples"] + last["lead_samples"]
    loud_s = (loud[-1] - loud[0] - round_trip) / RATE_HZ
    noticed_s = (last["stop_sample"] - loud[0]) / RATE_HZ
    print(f"noticed after {noticed_s:.3f} s, silent {loud_s:.3f} s after it was heard")
    assert loud_s <= 0.1  # issue: capture
    confirmed = events(session, "confirmed")[-1]["drives_dbfs"]
    assert 20 * np.log10(np.max(np.abs(rig.sent()))) <= max(confirmed) + 0.001
