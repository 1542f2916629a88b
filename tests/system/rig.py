"""A rig with a real audio server: PulseAudio, two null sinks, and a loudspeaker between them.

The sink "spk" is the loudspeaker's input, the sink "mic" what the microphone hears. Every
rig has a server of its own, with its own home and socket, and ends only what it started.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import scipy.signal

RATE_HZ = 48000
NEEDED = {"pulseaudio": "pulseaudio", "parec": "pulseaudio-utils", "pacat": "pulseaudio-utils"}
ALSA_PLUGIN = "libasound_module_pcm_pulse.so"

ASOUNDRC = """
pcm.spk { type pulse device "spk" hint { show on description "loudspeaker's input" } }
pcm.mic { type pulse device "mic.monitor" hint { show on description "microphone" } }
pcm.bench { type asym playback.pcm "spk" capture.pcm "mic" hint { show on description "both" } }
pcm.!default { type pulse }
ctl.!default { type pulse }
"""

SERVER = """
load-module module-native-protocol-unix socket={socket} auth-anonymous=1
load-module module-null-sink sink_name=spk rate=48000 channels=2 format=float32le
load-module module-null-sink sink_name=mic rate=48000 channels=2 format=float32le
"""


def require_rig() -> None:
    """Skip, or with DISTSWEEP_REQUIRE_SYSTEM=1 fail, where a Debian package is missing."""
    missing = [package for tool, package in NEEDED.items() if shutil.which(tool) is None]
    if not any(Path("/usr/lib").glob(f"*/alsa-lib/{ALSA_PLUGIN}")):
        missing.append("libasound2-plugins")
    try:
        import sounddevice  # noqa: F401
    except OSError:
        missing.append("libportaudio2")
    if missing:
        text = f"the rig needs Debian's {', '.join(sorted(set(missing)))}"
        if os.environ.get("DISTSWEEP_REQUIRE_SYSTEM") == "1":
            pytest.fail(text)
        pytest.skip(text)


def loudspeaker_model(**changes: object) -> dict:
    """A small two-way's manners: a high-pass at 150 Hz, a bump at 2 kHz, some H2 and H3."""
    high_pass = scipy.signal.butter(2, 150.0, "highpass", fs=RATE_HZ, output="sos")
    return {
        "second": 0.2,
        "third": 0.4,
        "sos": np.vstack([high_pass, _bump(2000.0, 3.0, 1.5)]).tolist(),
        "gain_db": -10.0,
        **changes,
    }


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
    """A server with a loudspeaker between its sinks."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        (folder / ".asoundrc").write_text(ASOUNDRC)
        self.environment = {
            **os.environ,
            "HOME": str(folder),
            "XDG_RUNTIME_DIR": str(folder),
            "PULSE_SERVER": f"unix:{folder}/socket",
            "PYTHONUNBUFFERED": "1",
        }
        self._server: subprocess.Popen | None = None
        self._speaker: subprocess.Popen | None = None
        self.kept = folder / "sent.raw"

    def start_server(self) -> None:
        (self.folder / "server.pa").write_text(SERVER.format(socket=self.folder / "socket"))
        arguments = ["pulseaudio", "-n", "--daemonize=no", "--use-pid-file=no"]
        arguments += ["--exit-idle-time=-1", "--disable-shm=yes", "-F", "server.pa"]
        with (self.folder / "server.log").open("ab") as log:
            self._server = subprocess.Popen(
                arguments, cwd=self.folder, env=self.environment, stdout=log, stderr=log
            )
        for _ in range(200):
            done = subprocess.run(
                ["pactl", "list", "short", "sinks"],
                env=self.environment,
                capture_output=True,
                text=True,
                check=False,
            )
            if "mic" in done.stdout:
                return
            time.sleep(0.05)
        raise RuntimeError(f"PulseAudio did not start: {self.folder / 'server.log'}")

    def start_loudspeaker(self, model: dict) -> None:
        """Start the loudspeaker and wait until what it makes arrives at the microphone."""
        script = Path(__file__).with_name("rig_loudspeaker.py")
        arguments = [sys.executable, str(script), "--model", json.dumps(model)]
        arguments += ["--kept", str(self.kept)]
        with (self.folder / "speaker.log").open("ab") as log:
            self._speaker = subprocess.Popen(
                arguments, env=self.environment, stdout=log, stderr=log, start_new_session=True
            )
        for _ in range(200):
            if self.kept.exists() and self.kept.stat().st_size > 4 * RATE_HZ // 2:
                return
            time.sleep(0.05)
        raise RuntimeError(f"the loudspeaker did not start: {self.folder / 'speaker.log'}")

    def kill_server(self) -> None:
        assert self._server is not None
        self._server.kill()
        self._server.wait(10)

    def stop_loudspeaker(self) -> None:
        if self._speaker is not None and self._speaker.poll() is None:
            os.killpg(self._speaker.pid, signal.SIGKILL)
            self._speaker.wait(10)

    def close(self) -> None:
        self.stop_loudspeaker()
        if self._server is not None and self._server.poll() is None:
            self._server.kill()
            self._server.wait(10)

    def sent(self) -> np.ndarray:
        """Every sample that reached the loudspeaker's input so far."""
        data = self.kept.read_bytes()
        return np.frombuffer(data[: len(data) // 4 * 4], dtype="<f4").astype(float)

    def popen(self, *arguments: str) -> subprocess.Popen:
        """Start the command line; it has nobody at a terminal."""
        return subprocess.Popen(
            [sys.executable, "-m", "distsweep", *arguments],
            env=self.environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def run(self, *arguments: str, timeout_s: float = 90.0) -> Finished:
        began = time.monotonic()
        process = self.popen(*arguments)
        try:
            out, err = process.communicate(timeout=timeout_s)
        except subprocess.TimeoutExpired:
            process.kill()
            raise
        return Finished(process.returncode, out, err, time.monotonic() - began)
