"""Capture on a real audio server, with a loudspeaker process between two null sinks.

The loudspeaker's harmonics have a closed form: of x + a·x² + b·x³ with x = A·sin, H2 is
a·A²/2 and H3 is b·A³/4 over A + 3/4·b·A³, and the filter behind it weighs each by its gain at
n·f over that at f.
"""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import time
from pathlib import Path

import numpy as np
import pytest
import scipy.signal
from own_server import running_server
from rig import RATE_HZ, Finished, Rig, loudspeaker_model, write_session

from distsweep.stimulus.recipe import parse_recipe
from distsweep.stimulus.write import write_stimulus

pytest_plugins = ["audio_fixtures"]
pytestmark = [pytest.mark.system, pytest.mark.real_time]

RECIPE = {
    "kind": "ladder",
    "name": "short",
    "rate_hz": RATE_HZ,
    "band_hz": [200, 8000],
    "sweep_s": 0.8,
    "levels_dbfs": [-40],
    "order": 4,
    "quiet_s": 0.7,
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


@pytest.fixture(scope="module")
def sidecar(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("stimulus")
    return write_stimulus(parse_recipe(dict(RECIPE), "test"), folder)[1][-1]


@pytest.fixture
def session(tmp_path: Path) -> Path:
    return write_session(tmp_path / "session", spl_at_0dbfs_in_db=SPL_AT_0DBFS_IN_DB)


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


def expected_harmonics_db(model: dict, drive_dbfs: float, f: np.ndarray) -> dict[int, np.ndarray]:
    """The closed form at the top of this file."""
    a = 10 ** (drive_dbfs / 20)
    first = a + 0.75 * model["third"] * a**3
    parts = {2: model["second"] * a**2 / 2, 3: model["third"] * a**3 / 4}

    def gain(frequency_hz: np.ndarray) -> np.ndarray:
        sos = np.array(model["sos"])
        return np.abs(scipy.signal.sosfreqz(sos, frequency_hz, fs=RATE_HZ)[1])

    return {n: 20 * np.log10(part / first * gain(n * f) / gain(f)) for n, part in parts.items()}


@pytest.mark.long
@pytest.mark.parametrize(
    ("ppm", "route"),
    [(0.0, DUPLEX), (100.0, SEPARATE), (-100.0, SEPARATE)],
    ids=["one device", "recorder fast", "recorder slow"],
)
def test_capture_then_analyse_gives_the_loudspeakers_harmonics(
    rig: Rig, session: Path, sidecar: Path, ppm: float, route: tuple[str, ...]
) -> None:
    # Background noise of 6 dB SPL: less is no microphone's.
    model = loudspeaker_model(**STRONG, ppm=ppm, noise_dbfs=-106.0)
    if route is DUPLEX:
        write_session(session, spl_at_0dbfs_in_db=SPL_AT_0DBFS_IN_DB, device="bench")
    rig.start_loudspeaker(model)
    levels = ("--levels-spl", "75 and 84 and 88", "--accept-level", "95")
    # The longest buffer: what a busy machine drops is no matter here.
    done = rig.run(*arguments(session, sidecar, *route, *levels, "--buffer-ms", "80"))
    assert done.exit_code == 0, done.stderr[-3000:]
    analysed = rig.run("analyse", str(session), "--no-report", "--json", "-")
    assert analysed.exit_code == 0, analysed.stderr
    take = json.loads(analysed.stdout)["takes"][0]
    # 5 ppm: the rounding of two markers, 3 s apart, to a quarter of a sample is 2 ppm.
    assert take["clock_drift_ppm"] == pytest.approx(ppm, abs=5.0)
    assert take["rungs"][-1]["spl_db"] == pytest.approx(88.0, abs=1.0)
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


# ── faults ─────────────────────────────────────────────────────────────────────────────────

FIRST_RUNG, SECOND_RUNG = 10 ** (-54.0 / 20), 10 ** (-50.0 / 20)
"""The rungs, at −52 and −43 dBFS, are the first to come so far; the first rung's marker is as
loud as its sweep, and 1.6 s before that."""

STRIKES_AFTER = round(0.4 * RATE_HZ)
"""0.4 s into the sweep: past the 0.2 s in which nothing is compared."""

STOP_WITHIN_S = 0.05
"""Issue: capture."""


def fault(does: str, *, first: bool = False, **more: object) -> dict:
    """Arm a fault for the second rung's sweep, or (sooner done) for the first's."""
    delay = STRIKES_AFTER + (round(1.6 * RATE_HZ) if first else 0)
    threshold = FIRST_RUNG if first else SECOND_RUNG
    return {"does": does, "threshold": threshold, "delay": delay, **more}


def strike(
    rig: Rig, session: Path, sidecar: Path, what: dict | None, *route: str
) -> tuple[Finished, dict]:
    """Capture with a fault armed; return how it ended and the record's last recording."""
    rig.start_loudspeaker(loudspeaker_model(**STRONG, fault=what))
    if route == DUPLEX:
        write_session(session, spl_at_0dbfs_in_db=SPL_AT_0DBFS_IN_DB, device="bench")
    done = rig.run(*arguments(session, sidecar, *(route or SEPARATE), *LEVELS))
    return done, events(session, "recorded")[-1]


def assert_kept_and_analysable(rig: Rig, session: Path) -> None:
    """The rung that was complete is in the session, the partial one beside it, and named so."""
    assert list(session.glob("axis-02-partial*.wav")), "the partial recording was lost"
    analysed = rig.run("analyse", str(session), "--no-report", "--json", "-")
    assert analysed.exit_code == 0, analysed.stderr
    take = json.loads(analysed.stdout)["takes"][0]
    assert [round(rung["spl_db"]) for rung in take["rungs"]] == [75]


def read(session: Path, name: str) -> np.ndarray:
    import soundfile

    return soundfile.read(session / name, always_2d=True)[0][:, 0]


@pytest.mark.long
def test_a_gain_raised_by_20_db_is_faded_out_within_50_ms_of_audio(
    rig: Rig, session: Path, sidecar: Path
) -> None:
    done, last = strike(rig, session, sidecar, fault("gain", gain_db=20.0))
    assert (done.exit_code, last["stop"]) == (4, "loud"), done.stderr
    assert "dB re the prediction" in done.stderr or "more than was confirmed" in done.stderr
    # In the recording: from where it got loud to where the last of it is, less the round trip
    # that the audio was under way for after the fade.
    recorded = np.abs(read(session, last["file"]))
    before = np.max(recorded[: last["stop_sample"] - RATE_HZ // 4])
    loud = np.flatnonzero(recorded > 2.0 * before)
    loud_s = (loud[-1] - loud[0]) / RATE_HZ
    round_trip_s = (last["delay_samples"] + last["lead_samples"]) / RATE_HZ
    handed_s = (last["silent_sample"] - loud[0]) / RATE_HZ
    print(
        f"loud for {loud_s:.3f} s, round trip {round_trip_s:.3f} s: stopped"
        f" {loud_s - round_trip_s:.3f} s after it was heard (by the record {handed_s:.3f} s,"
        f" noticed after {(last['stop_sample'] - loud[0]) / RATE_HZ:.3f} s)"
    )
    assert loud_s - round_trip_s <= STOP_WITHIN_S
    assert handed_s <= STOP_WITHIN_S
    assert_never_louder_than_confirmed(rig, session)
    assert_kept_and_analysable(rig, session)


@pytest.mark.long
def test_a_loudspeaker_process_that_stops_is_noticed(
    rig: Rig, session: Path, sidecar: Path
) -> None:
    done, last = strike(rig, session, sidecar, fault("die", first=True))
    # On a busy machine the output may run dry just before: the rung is then repeated for a
    # loudspeaker that is gone already, and it is its marker that is missed.
    assert done.exit_code == 5, done.stderr
    assert last["stop"] in ("silent", "unheard"), done.stderr
    assert (session / "axis-01-partial.wav").exists()
    assert_never_louder_than_confirmed(rig, session)


@pytest.mark.long
def test_an_input_that_clips_stops_the_rung(rig: Rig, session: Path, sidecar: Path) -> None:
    # Into the microphone's full scale at once: +40 dB.
    done, last = strike(rig, session, sidecar, fault("gain", first=True, gain_db=40.0), *DUPLEX)
    assert (done.exit_code, last["stop"]) == (4, "clipped"), done.stderr
    assert "lower its gain" in done.stderr
    assert (session / "axis-01-partial.wav").exists()
    assert_never_louder_than_confirmed(rig, session)


@pytest.mark.long
def test_an_unplugged_microphone_is_found_by_the_probe(
    rig: Rig, session: Path, sidecar: Path
) -> None:
    rig.start_loudspeaker(
        loudspeaker_model(**STRONG, fault={"does": "mute", "threshold": -1.0, "delay": 0})
    )
    done = rig.run(*arguments(session, sidecar, *SEPARATE, *LEVELS))
    assert done.exit_code == 5
    assert "dead silent" in done.stderr
    # Nothing but the first probe has left.
    assert 20 * np.log10(np.max(np.abs(rig.sent()))) <= -60.0 + 1e-3
    assert not events(session, "confirmed")


@pytest.mark.long
def test_a_server_killed_in_mid_rung_ends_it_and_the_next_start_works(
    tmp_path: Path, session: Path, sidecar: Path
) -> None:
    with running_server() as server:
        rig = Rig(server, tmp_path / "rig")
        rig.start_loudspeaker(loudspeaker_model(**STRONG))
        process = rig.popen(*arguments(session, sidecar, *SEPARATE, *LEVELS))
        wait_for(lambda: bool(events_so_far(session, "confirmed")), 40.0)
        time.sleep(2.2)  # into the first rung's sweep
        rig.kill_server()
        _out, err = process.communicate(timeout=20)
        rig.stop_loudspeaker()
        assert process.returncode == 5, err
        assert events(session, "recorded")[-1]["stop"] == "device"
        assert (session / "axis-01-partial.wav").exists()
        assert_never_louder_than_confirmed(rig, session)
    with running_server() as server:
        rig = Rig(server, tmp_path / "rig2")
        rig.start_loudspeaker(loudspeaker_model(**STRONG))
        done = rig.run(*arguments(session, sidecar, *SEPARATE, "--levels-spl", "66"))
        rig.stop_loudspeaker()
        assert done.exit_code == 0, done.stderr
        assert (session / "axis_2-01.wav").exists()


@pytest.mark.long
@pytest.mark.parametrize("stage", ["probe", "rung"])
def test_ctrl_c_fades_out_and_keeps_what_was_recorded(
    rig: Rig, session: Path, sidecar: Path, stage: str
) -> None:
    rig.start_loudspeaker(loudspeaker_model(**STRONG))
    process = rig.popen(*arguments(session, sidecar, *SEPARATE, *LEVELS))
    awaited = "listened" if stage == "probe" else "rung"
    wait_for(lambda: bool(events_so_far(session, awaited)), 40.0)
    time.sleep(2.3)  # into the sweep
    process.send_signal(signal.SIGINT)
    _out, err = process.communicate(timeout=20)
    assert process.returncode == 130, err
    last = events(session, "recorded")[-1]
    assert last["stop"] == "interrupted"
    assert (session / last["file"]).exists() and "-partial" in last["file"]
    if stage == "rung":
        assert_never_louder_than_confirmed(rig, session)
        assert_kept_and_analysable(rig, session)
        faded = last["silent_sample"] - last["stop_sample"]
        # From the signal's arrival to silence: a tick of 20 ms, a block, the fade of 10 ms.
        assert faded / RATE_HZ <= STOP_WITHIN_S


def read_until(terminal: int, text: str, timeout_s: float) -> str:
    """Read a terminal until it shows a text, or its other end is closed."""
    shown, deadline = "", time.monotonic() + timeout_s
    while text not in shown:
        ready = select.select([terminal], [], [], max(0.0, deadline - time.monotonic()))[0]
        assert ready, f"{text!r} was not shown: {shown}"
        try:
            shown += os.read(terminal, 4096).decode(errors="replace")
        except OSError:  # what a terminal says once nobody is at its other end
            break
    return shown


@pytest.mark.long
@pytest.mark.parametrize(
    ("answers", "code"), [(True, 0), (False, 130)], ids=["the level", "Ctrl-C"]
)
def test_at_a_real_terminal_the_level_is_typed_and_progress_shown(
    rig: Rig, session: Path, sidecar: Path, answers: bool, code: int
) -> None:
    """75 dB SPL at 3 m are asked for; at the listener's 1 m that is 84.5, and 86.5 at the peak."""
    rig.start_loudspeaker(loudspeaker_model(**STRONG))
    options = ("--levels-spl", "75", "--distance-m", "3", "--listener-distance-m", "1")
    process, terminal = rig.popen_at_terminal(*arguments(session, sidecar, *SEPARATE, *options))
    # What is typed ahead is no answer: it would be a wrong one.
    shown = read_until(terminal, "s to go", 40.0)
    os.write(terminal, b"nonsense\n")
    shown += read_until(terminal, "gain stand? ", 40.0)
    os.write(terminal, b"12 dB\n")
    shown += read_until(terminal, "Type yes: ", 10.0)
    os.write(terminal, b"yes\n")
    shown += read_until(terminal, "Type 88 ", 10.0)
    if answers:
        os.write(terminal, b"88\n")
    else:
        process.send_signal(signal.SIGINT)
    shown += read_until(terminal, "\0", 30.0)
    os.close(terminal)
    assert process.wait(10) == code, shown
    assert "s to go, measured" in shown
    assert "never lift a protective earth" in shown
    assert bool(events(session, "rung")) == (code == 0)


def events_so_far(session: Path, kind: str) -> list[dict]:
    return events(session, kind) if (session / "capture-log.jsonl").exists() else []


def wait_for(condition, timeout_s: float) -> None:
    deadline = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < deadline, "it did not come to pass"
        time.sleep(0.05)


@pytest.mark.long
def test_a_calibrators_tone_is_recorded_and_found(rig: Rig, tmp_path: Path) -> None:
    """94 dB at −20 dBFS: a 0 dBFS sine is 114 dB SPL."""
    tone = 0.1 * np.sin(2 * np.pi * 1000 * np.arange(8 * RATE_HZ) / RATE_HZ)
    (tmp_path / "tone.raw").write_bytes(tone.astype("<f4").tobytes())
    with subprocess.Popen(
        [
            *("pacat", "--playback", "--device=mic", "--raw", "--format=float32le"),
            *(f"--rate={RATE_HZ}", "--channels=1", str(tmp_path / "tone.raw")),
        ],
        env=rig.environment,
    ) as player:
        done = rig.run("calibrate", str(tmp_path / "s"), "--input", "mic", "--seconds", "3")
        player.kill()
    assert done.exit_code == 0, done.stderr
    assert "0 dBFS is 114.0 dB SPL" in done.stderr
