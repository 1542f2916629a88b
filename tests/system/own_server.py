"""An audio server of the tests' own, and the rule for what a machine may lack."""

from __future__ import annotations

import ctypes.util
import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

ANSWER_WITHIN_S = 15.0

# Names that PortAudio's ALSA host lists, and what they are joined to. A null sink plays into
# nothing, and its monitor gives what was played: "spk" stands in for a loudspeaker's input and
# "mic" for a microphone's output, with whatever a test puts between.
ALSA_DEVICES = {
    "spk": "spk",  # play to the loudspeaker
    "spk_heard": "spk.monitor",  # what arrived there
    "mic_fed": "mic",  # play into the microphone
    "mic": "mic.monitor",  # record from the microphone
}


@dataclass(frozen=True)
class AudioServer:
    """A running server of our own; give ``environment`` to every process that is to find it."""

    environment: dict[str, str]
    rate_hz: int = 48000
    process: subprocess.Popen[bytes] | None = None


def need(found: object, what: str, *, package: str) -> None:
    """Skip the test, or fail it with DISTSWEEP_REQUIRE_SYSTEM=1, where something is not found."""
    if found:
        return
    reason = f"{what} is not installed (Debian package {package})"
    if os.environ.get("DISTSWEEP_REQUIRE_SYSTEM") == "1":
        pytest.fail(reason)
    pytest.skip(reason)


def need_audio() -> None:
    """Need everything on the way from PortAudio to the audio server."""
    need(shutil.which("pulseaudio"), "PulseAudio", package="pulseaudio")
    need(shutil.which("pactl"), "pactl", package="pulseaudio-utils")
    need(ctypes.util.find_library("portaudio"), "PortAudio", package="libportaudio2")
    plugins = Path("/usr/lib").glob("**/alsa-lib/libasound_module_pcm_pulse.so")
    need(any(plugins), "ALSA's plug-in for PulseAudio", package="libasound2-plugins")


@contextmanager
def running_server() -> Iterator[AudioServer]:
    """Run PulseAudio with two null sinks, reached as the ALSA devices of ALSA_DEVICES.

    It is a child of the tests' own process, with home, configuration and socket in a folder of
    its own, and ends with the block whatever happens. The folder is short-named: a Unix
    socket's path holds 107 characters at most.
    """
    need_audio()
    with tempfile.TemporaryDirectory(prefix="ds-") as name:
        folder = Path(name)
        environment = _environment(folder)
        log = folder / "server.log"
        with log.open("wb") as log_file:
            server = subprocess.Popen(
                [
                    "pulseaudio",
                    "-n",
                    # In the foreground: a daemon would leave its parent, and could outlive it.
                    "--daemonize=no",
                    "--system=no",
                    # Should the tests be killed outright, it ends by itself when idle so long.
                    "--exit-idle-time=300",
                    "--use-pid-file=no",
                    "--log-target=stderr",
                    # Nothing may be scaled or converted between the sinks and the clients.
                    *("-L", "module-null-sink sink_name=spk rate=48000 format=float32le"),
                    *("-L", "module-null-sink sink_name=mic rate=48000 format=float32le"),
                    *("-L", "module-native-protocol-unix"),
                ],
                env=environment,
                stdin=subprocess.DEVNULL,
                stdout=log_file,
                stderr=subprocess.STDOUT,
            )
            try:
                _wait_for(server, environment, log)
                yield AudioServer(environment, process=server)
            finally:
                _end(server)


def _environment(folder: Path) -> dict[str, str]:
    """Return an environment in which neither the user's nor the system's sound is found."""
    home, runtime = folder / "home", folder / "run"
    home.mkdir()
    runtime.mkdir(mode=0o700)
    (home / ".asoundrc").write_text(
        "".join(
            f'pcm.{name} {{ type pulse device "{device}" hint {{ show on description {name} }} }}\n'
            for name, device in ALSA_DEVICES.items()
        ),
        encoding="ascii",
    )
    # PulseAudio's and D-Bus's variables would lead to the desktop's own server.
    inherited = {
        key: value
        for key, value in os.environ.items()
        if not key.startswith(("PULSE_", "XDG_", "DBUS_", "ALSA_"))
    }
    return {
        **inherited,
        "HOME": str(home),
        "XDG_RUNTIME_DIR": str(runtime),
        "XDG_CONFIG_HOME": str(home / ".config"),
        "PULSE_SERVER": f"unix:{runtime}/pulse/native",
    }


def _wait_for(server: subprocess.Popen[bytes], environment: dict[str, str], log: Path) -> None:
    wanted = {f"{name}.monitor" for name in ("spk", "mic")}
    deadline = time.monotonic() + ANSWER_WITHIN_S
    while time.monotonic() < deadline and server.poll() is None:
        listed = subprocess.run(
            ["pactl", "list", "short", "sources"],
            check=False,
            env=environment,
            capture_output=True,
            text=True,
            timeout=ANSWER_WITHIN_S,
        )
        if wanted <= set(listed.stdout.split()):
            return
        time.sleep(0.1)
    pytest.fail(f"PulseAudio did not start: {log.read_text(errors='replace')[-2000:]}")


def _end(server: subprocess.Popen[bytes]) -> None:
    server.terminate()
    try:
        server.wait(timeout=5.0)
    except subprocess.TimeoutExpired:
        server.kill()
        server.wait()
