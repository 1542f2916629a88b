"""Stops, channels and resampling on a real audio server, measured at the loudspeaker's input."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from rig import NICE, RATE_HZ, Rig, loudspeaker_model
from stop_latency import Stopped, stop_by_gain, stop_by_signal

from distsweep.stimulus.recipe import parse_recipe
from distsweep.stimulus.write import write_stimulus

pytest_plugins = ["audio_fixtures"]
pytestmark = [pytest.mark.system, pytest.mark.real_time]

WITHIN_S = 0.05
"""Issue: capture."""

TRIES = 4
"""A busy machine lets a stream run dry before the stop that is meant: it is tried again."""


def stopped(rig: Rig, how: str, eases: int) -> Stopped:
    for _ in range(TRIES):
        if how == "signal":
            done = stop_by_signal(rig, eases=eases, after_s=0.8)
        else:
            done = stop_by_gain(rig, eases=eases, after_s=0.8, gain_db=float(how))
        rig.kept.unlink()
        if done.kind != "dropout":
            break
    print(f"{how} after {eases} drop-outs: {done.kind}, {1e3 * done.latency_s:.1f} ms")
    return done


@pytest.mark.parametrize(
    ("how", "eases"),
    [
        # In real time: a machine that is busy elsewhere makes it fail.
        pytest.param("10", 3, marks=pytest.mark.long),
        pytest.param("signal", 0, marks=pytest.mark.long),
        pytest.param("signal", 1, marks=pytest.mark.long),
        pytest.param("signal", 3, marks=pytest.mark.long),
        pytest.param("8", 0, marks=pytest.mark.long),
        pytest.param("30", 2, marks=pytest.mark.long),
    ],
)
def test_sound_ends_within_50_ms_whatever_drop_outs_came_before(
    rig: Rig, how: str, eases: int
) -> None:
    done = stopped(rig, how, eases)
    assert done.kind == ("interrupted" if how == "signal" else "loud")
    assert done.latency_s <= WITHIN_S


# ── whole command lines ────────────────────────────────────────────────────────────────────

RECIPE = {
    "kind": "ladder",
    "name": "short",
    "rate_hz": RATE_HZ,
    "band_hz": [200, 8000],
    "sweep_s": 0.8,
    "levels_dbfs": [-52],
    "order": 4,
    "quiet_s": 0.7,
    "pause_s": 0.3,
    "return_rung": False,
}
CONFIRMED = ("--accept-level", "100")


def arguments(folder: Path, *more: str, **recipe: object) -> list[str]:
    sidecar = write_stimulus(parse_recipe({**RECIPE, **recipe}, "test"), folder)[1][-1]
    session = folder / "session"
    session.mkdir()
    return [
        *("capture", str(session), "--stimulus", str(sidecar)),
        *("--input", "mic", "--output", "spk", *CONFIRMED, *more),
    ]


@pytest.mark.long
@pytest.mark.parametrize("channel", [1, 2])
def test_only_the_channel_that_was_asked_for_sounds(rig: Rig, tmp_path: Path, channel: int) -> None:
    # The loudspeaker is wired to channel 1: for channel 2 nothing is heard, and that is said.
    rig.start_loudspeaker(loudspeaker_model(second=0.0, third=0.0, gain_db=14.0))
    rig.start_monitor()
    done = rig.run(*arguments(tmp_path, "--output-channel", str(channel)))
    assert done.exit_code == (0 if channel == 1 else 5), done.stderr
    played = rig.passed("spk").samples
    asked, other = played[:, channel - 1], played[:, 2 - channel]
    assert np.max(np.abs(asked)) > 0.9 * 10 ** (-60.0 / 20)
    assert not np.any(other)
    assert "sound server" in done.stderr


def fill(terminal: int) -> None:
    """Write into a terminal until it takes no more."""
    os.set_blocking(terminal, False)
    try:
        while True:
            os.write(terminal, b"x" * 64)
    except BlockingIOError:
        os.set_blocking(terminal, True)


@pytest.mark.long
def test_a_terminal_that_nobody_reads_delays_no_stop_and_hangs_nothing(
    rig: Rig, tmp_path: Path
) -> None:
    rig.start_loudspeaker(loudspeaker_model(second=0.0, third=0.0, gain_db=14.0))
    rig.start_monitor()
    ours, theirs = os.openpty()
    fill(theirs)
    process = subprocess.Popen(
        [*NICE, sys.executable, "-m", "distsweep", *arguments(tmp_path, sweep_s=6.0)],
        env=rig.environment,
        stdin=subprocess.DEVNULL,
        stdout=theirs,
        stderr=theirs,
    )
    os.close(theirs)
    log = tmp_path / "session" / "capture-log.jsonl"
    deadline = time.monotonic() + 60.0
    while not log.exists() or '"confirmed"' not in log.read_text():
        assert time.monotonic() < deadline and process.poll() is None
        time.sleep(0.05)
    time.sleep(3.0)  # into the rung's sweep
    sent_s = time.monotonic()
    process.send_signal(signal.SIGINT)
    assert process.wait(10) == 130
    ended_s = time.monotonic()
    os.close(ours)
    time.sleep(0.2)
    last = [json.loads(line) for line in log.read_text().splitlines()][-1]
    assert last["event"] == "stopped"
    played = rig.passed("spk")
    sounding = np.flatnonzero(np.abs(played.samples[:, 0]) > 10 ** (-110.0 / 20))
    silent_s = played.turn_s(int(sounding[-1])) - sent_s
    print(f"silent after {1e3 * silent_s:.1f} ms, ended after {ended_s - sent_s:.2f} s")
    assert silent_s > -1.0, "it was silent before"
    assert silent_s <= WITHIN_S
    assert ended_s - sent_s <= 2.0


@pytest.mark.long
@pytest.mark.parametrize("rate_hz", [44100, 48000])
def test_resampling_by_the_server_is_told_from_what_is_heard(rig: Rig, rate_hz: int) -> None:
    """The server runs at 48 kHz; what PortAudio records at 44.1 kHz has a wall."""
    rig.start_loudspeaker(loudspeaker_model(noise_dbfs=-80.0))
    script = (
        "from distsweep.capture.devices import choose_device, open_backend\n"
        "from distsweep.capture.resampled import find_wall\n"
        "backend = open_backend()\n"
        "mic = choose_device(backend.devices(), 'mic', kind='input')\n"
        f"heard = backend.record(mic, channels=1, rate_hz={rate_hz}, seconds=1.5)[-{rate_hz}:, 0]\n"
        f"print(find_wall(heard, rate_hz={rate_hz}).drop_db)\n"
    )
    done = subprocess.run(
        [*NICE, sys.executable, "-c", script],
        check=True,
        env=rig.environment,
        capture_output=True,
        text=True,
        timeout=30,
    )
    drop_db = float(done.stdout.splitlines()[-1])
    print(f"{rate_hz} Hz: {drop_db:.1f} dB")
    assert drop_db > 18.0 if rate_hz == 44100 else drop_db < 4.0


@pytest.mark.long
def test_a_stereo_source_is_not_averaged(rig: Rig) -> None:
    """A tone on the left of a pair is recorded at its own level, not 6.02 dB under it."""
    tone = 0.1 * np.sin(2 * np.pi * 1000 * np.arange(8 * RATE_HZ) / RATE_HZ)
    pair = np.stack([tone, np.zeros_like(tone)], axis=1).astype("<f4")
    raw = rig.folder / "tone.raw"
    raw.write_bytes(pair.tobytes())
    script = (
        "import numpy as np\n"
        "from distsweep.capture.devices import choose_device, open_backend\n"
        "backend = open_backend()\n"
        "mic = choose_device(backend.devices(), 'mic', kind='input')\n"
        "heard = backend.record(mic, channels=1, rate_hz=48000, seconds=2.0)[-48000:, 0]\n"
        "print(np.sqrt(2.0 * np.mean(heard**2)))\n"
    )
    player = ("pacat", "--playback", "--device=mic", "--raw", "--format=float32le")
    with subprocess.Popen(
        [*player, f"--rate={RATE_HZ}", "--channels=2", str(raw)], env=rig.environment
    ) as playing:
        done = subprocess.run(
            [*NICE, sys.executable, "-c", script],
            check=True,
            env=rig.environment,
            capture_output=True,
            text=True,
            timeout=30,
        )
        playing.kill()
    assert float(done.stdout.splitlines()[-1]) == pytest.approx(0.1, rel=0.01)
