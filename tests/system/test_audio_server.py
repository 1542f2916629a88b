"""The main job over a real audio server: a stimulus played and recorded by PortAudio.

Null sink and monitor hand the samples on as they are, so that what is measured is the way:
the stimulus's file, the players, the recorder and the analysis, each a process of its own.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from own_server import AudioServer, need

import distsweep

pytest_plugins = ["audio_fixtures"]
pytestmark = [pytest.mark.system, pytest.mark.real_time]

RECIPE = """\
kind = "ladder"
name = "short"
rate_hz = 48000
band_hz = [100, 16000]
sweep_s = 2.0
levels_dbfs = [-20, -8]
order = 5
quiet_s = 1.0
pause_s = 0.4
return_rung = false
"""

SQUARE, CUBE = 0.02, -0.05

# The server hands float samples on as they are, and the recording's 24-bit steps leave −136 dB
# under the quiet rung: a gain or a format that is converted anywhere costs more than 20 dB.
FLOOR_DB = -115.0
# The sweep's own error at the band's lower end; a resampler's ripple would be larger.
FLAT_WITHIN_DB = 0.01


def run(server: AudioServer, *command: str | Path) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(
        [sys.executable, *map(str, command)],
        check=False,
        env=server.environment,
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    return done


@pytest.fixture(scope="module")
def stimulus(audio_server: AudioServer, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("stimulus")
    (folder / "short.toml").write_text(RECIPE, encoding="utf-8")
    run(audio_server, "-m", "distsweep", "stimulus", folder / "short.toml", "-o", folder)
    return folder / "short.wav"


def played_and_analysed(
    server: AudioServer, stimulus: Path, folder: Path, *bend: str
) -> distsweep.Take:
    recording, results = folder / "take.wav", folder / "results.json"
    player = Path(__file__).with_name("play_and_record.py")
    run(server, player, stimulus, recording, *bend)
    sidecar = stimulus.with_suffix(".json")
    analyse = ("-m", "distsweep", "analyse", recording, "--stimulus", sidecar)
    run(server, *analyse, "--json", results, "--no-report")
    return distsweep.read_results(results).take("axis")


@pytest.mark.long
def test_audio_server_hands_a_ladder_on(
    audio_server: AudioServer, stimulus: Path, tmp_path: Path
) -> None:
    take = played_and_analysed(audio_server, stimulus, tmp_path)
    assert [rung.drive_dbfs for rung in take.rungs] == [-20.0, -8.0]
    # Player and recorder hang on one clock; a lost or doubled block would show as drift.
    assert take.clock_drift_ppm == pytest.approx(0.0, abs=0.1)
    for rung in take.rungs:
        assert not rung.clipped
        assert rung.peak_dbfs == pytest.approx(rung.drive_dbfs, abs=0.01)
        assert np.max(np.abs(rung.fundamental_db - rung.drive_dbfs)) < FLAT_WITHIN_DB
        inside = rung.orders_summed > 0
        assert np.max(rung.thd_high_db[inside]) < FLOOR_DB
        for curve in rung.harmonics.values():
            assert np.nanmax(curve.level_db) < FLOOR_DB
    gain_change_db = take.compression.gain_change_db[1]
    assert np.max(np.abs(gain_change_db)) < 0.001  # nothing on the way knows levels


@pytest.mark.long
def test_audio_server_with_a_bent_stream(
    audio_server: AudioServer, stimulus: Path, tmp_path: Path
) -> None:
    take = played_and_analysed(
        audio_server, stimulus, tmp_path, f"--square={SQUARE}", f"--cube={CUBE}"
    )
    for rung in take.rungs:
        # Of y = x + a₂x² + a₃x³ at amplitude A: A + ¾a₃A³, ½a₂A², ¼a₃A³ (expansion of powers).
        a = 10.0 ** (rung.drive_dbfs / 20.0)
        first = a + 0.75 * CUBE * a**3
        expected = {2: 0.5 * SQUARE * a**2 / first, 3: 0.25 * abs(CUBE) * a**3 / first}
        # The stream is bent at 48 kHz: above 16 kHz the square, and above 10.7 kHz the cube, fold
        # back into the band. The sweep makes that a falling tone, which the inverse smears.
        # An octave above the lower end what is left of that is 0.011 dB at the quiet rung's H3,
        # 78 dB down (measured), and 0.001 dB for all others.
        for order, ratio in expected.items():
            here = (take.frequency_hz >= 200.0) & (order * take.frequency_hz <= 16000.0)
            error_db = rung.harmonics[order].level_db[here] - 20.0 * np.log10(ratio)
            assert np.max(np.abs(error_db)) < 0.02, (rung.drive_dbfs, order)
        for order in (4, 5):
            here = (take.frequency_hz >= 200.0) & (order * take.frequency_hz <= 16000.0)
            assert np.max(rung.harmonics[order].high_db[here]) < -100.0, order
    # The loud rung's gain change is that of ¾a₃A² between the two drives.
    quiet, loud = (10.0 ** (rung.drive_dbfs / 20.0) for rung in take.rungs)
    expected_db = 20.0 * np.log10((1 + 0.75 * CUBE * loud**2) / (1 + 0.75 * CUBE * quiet**2))
    middle = (take.frequency_hz >= 200.0) & (take.frequency_hz <= 8000.0)
    gain_change_db = take.compression.gain_change_db[1][middle]
    assert np.max(np.abs(gain_change_db - expected_db)) < 0.001


def test_what_is_missing_is_skipped_or_failed(monkeypatch: pytest.MonkeyPatch) -> None:
    need("found", "something", package="some-package")
    monkeypatch.setenv("DISTSWEEP_REQUIRE_SYSTEM", "1")
    with pytest.raises(pytest.fail.Exception, match=r"something .*Debian package some-package"):
        need(None, "something", package="some-package")
    monkeypatch.delenv("DISTSWEEP_REQUIRE_SYSTEM")
    with pytest.raises(pytest.skip.Exception, match=r"something .*Debian package some-package"):
        need(None, "something", package="some-package")
