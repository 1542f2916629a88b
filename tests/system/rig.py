"""A rig with a real audio server: PulseAudio, two null sinks, and a loudspeaker between them.

The sink "spk" is the loudspeaker's input, the sink "mic" what the microphone hears. A rig
ends only what it started.
"""

from __future__ import annotations

import contextlib
import datetime
import json
import os
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import scipy.signal
from own_server import AudioServer
from rig_monitor import Passed, passed
from standstill import logs

RATE_HZ = 48000
# One PortAudio device with both directions, beside those of ``own_server``.
BENCH = 'pcm.bench { type asym playback.pcm "spk" capture.pcm "mic" hint { show on } }'


# Drop-outs are the machine's, not the program's: where one may, it goes before others.
NICE = ["nice", "-n", "-10"] if os.geteuid() == 0 else []


def loudspeaker_model(**changes: object) -> dict:
    """A small two-way's manners: a high-pass at 150 Hz, a peak at 2 kHz, some H2 and H3."""
    high_pass = scipy.signal.butter(2, 150.0, "highpass", fs=RATE_HZ, output="sos")
    return {
        "second": 0.2,
        "third": 0.4,
        "sos": np.vstack([high_pass, _bump(2000.0, 3.0, 1.5)]).tolist(),
        "gain_db": -10.0,
        **changes,
    }


def write_session(folder: Path, *, spl_at_0dbfs_in_db: float, device: str = "mic") -> Path:
    """Make a session that a calibrator's tone on an input of the rig has calibrated."""
    folder.mkdir(parents=True, exist_ok=True)
    note = {
        "schema": "distsweep.calibration/1",
        "pascal_per_fs": 20e-6 * 10 ** (spl_at_0dbfs_in_db / 20),
        "method": "calibrator",
        "date": datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
        "device": device,
        "channel": 1,
        "rate_hz": RATE_HZ,
        "input_gain": "12 dB",
    }
    (folder / "calibration.json").write_text(json.dumps(note))
    (folder / "session.toml").write_text('[calibration]\nfile = "calibration.json"\n')
    return folder


def _bump(frequency_hz: float, gain_db: float, q: float) -> np.ndarray:
    """A peaking section (Bristow-Johnson, Audio EQ Cookbook)."""
    a = 10.0 ** (gain_db / 40.0)
    w = 2.0 * np.pi * frequency_hz / RATE_HZ
    alpha = np.sin(w) / (2.0 * q)
    b = np.array([1.0 + alpha * a, -2.0 * np.cos(w), 1.0 - alpha * a])
    d = np.array([1.0 + alpha / a, -2.0 * np.cos(w), 1.0 - alpha / a])
    return np.concatenate([b, d]) / d[0]


@dataclass
class Finished:
    """How a command line ended."""

    exit_code: int
    stdout: str
    stderr: str
    seconds: float


class Rig:
    """A loudspeaker between the sinks of a server, and the command line beside it."""

    def __init__(self, server: AudioServer, folder: Path) -> None:
        self.server = server
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self.environment = {**server.environment, "PYTHONUNBUFFERED": "1"}
        settings = Path(server.environment["HOME"]) / ".asoundrc"
        if BENCH not in settings.read_text():
            settings.write_text(f"{settings.read_text()}{BENCH}\n")
        self._speaker: subprocess.Popen | None = None
        self._monitor: subprocess.Popen | None = None
        self.kept = folder / "sent.raw"

    def start_loudspeaker(self, model: dict) -> None:
        """Start the loudspeaker and wait until what it makes arrives at the microphone."""
        script = Path(__file__).with_name("rig_loudspeaker.py")
        arguments = [sys.executable, str(script), "--model", json.dumps(model)]
        arguments += ["--kept", str(self.kept)]
        said = self.folder / "speaker.log"
        logs.append(said)
        with said.open("ab") as log:
            self._speaker = subprocess.Popen(
                arguments, env=self.environment, stdout=log, stderr=log, start_new_session=True
            )
        self._hurry()
        for _ in range(200):
            if self.kept.exists() and self.kept.stat().st_size > 4 * RATE_HZ // 2:
                return
            time.sleep(0.05)
        raise RuntimeError(f"the loudspeaker did not start: {self.folder / 'speaker.log'}")

    def _hurry(self) -> None:
        """Put the server before everything else, where one may: as root.

        It stands in for hardware, which a busy machine does not slow down.
        """
        process = self.server.process
        if process is not None and process.poll() is None:
            for thread in Path(f"/proc/{process.pid}/task").iterdir():
                with contextlib.suppress(OSError):
                    os.setpriority(os.PRIO_PROCESS, int(thread.name), -15)

    def start_monitor(self) -> None:
        """Keep what passes both sinks, both channels, and when: see ``rig_monitor``."""
        script = Path(__file__).with_name("rig_monitor.py")
        self._monitor = subprocess.Popen(
            [sys.executable, str(script), "--kept", str(self.folder)],
            env=self.environment,
            start_new_session=True,
        )
        deadline = time.monotonic() + 10.0
        while not all(
            (self.folder / f"{sink}.raw").exists()
            and (self.folder / f"{sink}.raw").stat().st_size > 8 * RATE_HZ
            for sink in ("spk", "mic")
        ):
            if time.monotonic() > deadline:
                raise RuntimeError("the monitors did not start")
            time.sleep(0.05)

    def stop_monitor(self) -> None:
        if self._monitor is not None and self._monitor.poll() is None:
            os.killpg(self._monitor.pid, signal.SIGKILL)
            self._monitor.wait(10)

    def passed(self, sink: str) -> Passed:
        """What passed a sink since the monitors started."""
        return passed(self.folder, sink)

    def kill_server(self) -> None:
        assert self.server.process is not None
        self.server.process.kill()
        self.server.process.wait(10)

    def stop_loudspeaker(self) -> None:
        if self._speaker is not None and self._speaker.poll() is None:
            os.killpg(self._speaker.pid, signal.SIGKILL)
            self._speaker.wait(10)

    def sent(self) -> np.ndarray:
        """Every sample that reached the loudspeaker's input so far."""
        data = self.kept.read_bytes()
        return np.frombuffer(data[: len(data) // 4 * 4], dtype="<f4").astype(float)

    def popen(self, *arguments: str) -> subprocess.Popen:
        """Start the command line; it has nobody at a terminal."""
        return subprocess.Popen(
            [*NICE, sys.executable, "-m", "distsweep", *arguments],
            env=self.environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def popen_at_terminal(self, *arguments: str) -> tuple[subprocess.Popen, int]:
        """Start the command line at a terminal; return also the terminal's other end."""
        ours, theirs = os.openpty()
        process = subprocess.Popen(
            [*NICE, sys.executable, "-m", "distsweep", *arguments],
            env=self.environment,
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
        )
        os.close(theirs)
        return process, ours

    def run(self, *arguments: str, timeout_s: float = 90.0) -> Finished:
        began = time.monotonic()
        process = self.popen(*arguments)
        try:
            out, err = process.communicate(timeout=timeout_s)
        except subprocess.TimeoutExpired:
            process.kill()
            raise
        return Finished(process.returncode, out, err, time.monotonic() - began)
