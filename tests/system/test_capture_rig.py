"""Capture on a real audio server, with a loudspeaker process between two null sinks.

The loudspeaker's harmonics have a closed form: of x + a·x² + b·x³ with x = A·sin, H2 is
a·A²/2 and H3 is b·A³/4 over A + 3/4·b·A³, and the filter behind it weighs each by its gain at
n·f over that at f.
"""

from __future__ import annotations

import json
import signal
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import scipy.signal
from own_server import AudioServer, running_server
from rig import RATE_HZ, Finished, Rig, loudspeaker_model

from distsweep.stimulus.recipe import parse_recipe
from distsweep.stimulus.write import write_stimulus

pytestmark = pytest.mark.system

RECIPE = {
    "kind": "ladder",
    "name": "short",
    "rate_hz": RATE_HZ,
    "band_hz": [200, 8000],
    "sweep_s": 1.0,
    "levels_dbfs": [-40],
    "order": 4,
    "quiet_s": 0.8,
    "pause_s": 0.3,
    "return_rung": False,
}

SPL_AT_0DBFS_IN_DB = 112.0
"""With the model's gain of +14 dB the probe at −60 dBFS gives 67 dB SPL at its loudest, so that
one probe will do: these tests run in real time."""

STRONG = {"second": 10.0, "third": 400.0, "gain_db": 14.0}
"""A loudspeaker that distorts by some per cent at the low drives that these tests use."""

CLEAR_DB = 45.0
"""What is compared stands so far above its floor: noise that exceeds its RMS threefold (one
value in ten thousand) then moves it by 0.15 dB."""


@pytest.fixture
def rig(audio_server: AudioServer, tmp_path: Path) -> Iterator[Rig]:
    made = Rig(audio_server, tmp_path / "rig")
    yield made
    made.stop_loudspeaker()


@pytest.fixture(scope="module")
def sidecar(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("stimulus")
    return write_stimulus(parse_recipe(dict(RECIPE), "test"), folder)[1][-1]


@pytest.fixture
def session(tmp_path: Path) -> Path:
    folder = tmp_path / "session"
    folder.mkdir()
    pascal = 20e-6 * 10 ** (SPL_AT_0DBFS_IN_DB / 20)
    (folder / "session.toml").write_text(f"[calibration]\npascal_per_fs = {pascal!r}\n")
    return folder


def arguments(session: Path, sidecar: Path, *more: str) -> list[str]:
    return ["capture", str(session), "--stimulus", str(sidecar), *more]


SEPARATE = ("--input", "mic", "--output", "spk")
DUPLEX = ("--input", "bench", "--output", "bench")
LEVELS = ("--levels-spl", "75 and 84", "--accept-level", "90")


def events(session: Path, kind: str) -> list[dict]:
    lines = (session / "capture-log.jsonl").read_text().splitlines()
    return [e for e in map(json.loads, lines) if e["event"] == kind]


def confirmed_dbfs(session: Path) -> float:
    return max(events(session, "confirmed")[-1]["drives_dbfs"])


def assert_never_louder_than_confirmed(rig: Rig, session: Path) -> None:
    """Look at what came in at the loudspeaker, sample by sample, as the loudspeaker saw it."""
    loudest_dbfs = 20 * np.log10(np.max(np.abs(rig.sent())))
    # The record has three decimals; single precision is far finer.
    assert loudest_dbfs <= max(confirmed_dbfs(session), -60.0) + 0.001


def expected_harmonics_db(
    model: dict, drive_dbfs: float, f: np.ndarray
) -> dict[int, np.ndarray]:
    """The closed form at the top of this file."""
    a = 10 ** (drive_dbfs / 20)
    first = a + 0.75 * model["third"] * a**3
    parts = {2: model["second"] * a**2 / 2, 3: model["third"] * a**3 / 4}

    def gain(frequency_hz: np.ndarray) -> np.ndarray:
        sos = np.array(model["sos"])
        return np.abs(scipy.signal.sosfreqz(sos, frequency_hz, fs=RATE_HZ)[1])

    return {n: 20 * np.log10(part / first * gain(n * f) / gain(f)) for n, part in parts.items()}


@pytest.mark.parametrize(
    ("ppm", "route"),
    [(0.0, DUPLEX), (100.0, SEPARATE), (-100.0, SEPARATE)],
    ids=["one device", "recorder fast", "recorder slow"],
)
def test_capture_then_analyse_gives_the_loudspeakers_harmonics(
    rig: Rig, session: Path, sidecar: Path, ppm: float, route: tuple[str, ...]
) -> None:
    model = loudspeaker_model(**STRONG, ppm=ppm, noise_dbfs=-110.0)
    rig.start_loudspeaker(model)
    done = rig.run(*arguments(session, sidecar, *route, *LEVELS))
    assert done.exit_code == 0, done.stderr[-3000:]
    analysed = rig.run("analyse", str(session), "--no-report", "--json", "-")
    assert analysed.exit_code == 0, analysed.stderr
    take = json.loads(analysed.stdout)["takes"][0]
    # 5 ppm: the rounding of two markers, 3 s apart, to a quarter of a sample is 2 ppm.
    assert take["clock_drift_ppm"] == pytest.approx(ppm, abs=5.0)
    assert take["rungs"][-1]["spl_db"] == pytest.approx(84.0, abs=1.0)
    f = np.array(take["frequency_hz"])
    worst_db = 0.0
    for rung in take["rungs"]:
        for n, expected_db in expected_harmonics_db(model, rung["drive_dbfs"], f).items():
            measured_db = np.array(rung["harmonics"][str(n)]["level_db"], dtype=float)
            floor_db = np.array(rung["harmonics"][str(n)]["floor_db"], dtype=float)
            sure = measured_db - floor_db >= CLEAR_DB
            if rung is take["rungs"][-1]:
                assert np.mean(sure[n * f < 8000]) > 0.8, f"H{n} is mostly noise"
            if np.any(sure):
                off_db = np.abs(measured_db - expected_db)[sure]
                worst_db = max(worst_db, float(np.max(off_db)))
    print(f"{ppm:+.0f} ppm: harmonics within {worst_db:.3f} dB")
    assert worst_db < 0.2  # issue: capture
    assert_never_louder_than_confirmed(rig, session)
