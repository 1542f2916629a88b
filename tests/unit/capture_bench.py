"""A bench without devices: a backend that keeps every sample sent, and a loudspeaker in it.

It stands in for PortAudio only: the whole command line, gate and watch included, runs on it.
"""

from __future__ import annotations

import contextlib
import io
import json
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from unittest import mock

import numpy as np
from numpy.typing import NDArray

from distsweep.capture import backend as audio
from distsweep.capture import devices
from distsweep.capture.calibration import now_text
from distsweep.cli import main
from distsweep.errors import DeviceError
from distsweep.stimulus.recipe import parse_recipe
from distsweep.stimulus.write import write_stimulus

RATE_HZ = 48000
BLOCK = 480
TICK_BLOCKS = 2

SHORT_RECIPE = {
    "kind": "ladder",
    "name": "short",
    "rate_hz": RATE_HZ,
    "band_hz": [200, 8000],
    "sweep_s": 0.6,
    "levels_dbfs": [-40, -34],
    "order": 4,
    "quiet_s": 0.7,
    "pause_s": 0.3,
    "return_rung": False,
}
"""The shortest ladder that still parts its orders: tests are many."""


ECHO, ECHO_SAMPLES = 0.2, 240
"""What makes a room of the bench: one reflection, 14 dB down and 5 ms late. It ripples the response
by ±1.7 dB; without it the bench would be a cable."""


VOUCHED = "12 dB\nyes\n"


class FakeBench:
    """A backend whose loudspeaker is ``gain`` times a cubic, heard ``delay`` samples later.

    Attributes
    ----------
    sent : every sample that left, one array an exchange.
    gain_db : from output to input.
    fault : called with the exchange's number, its sample count and the block on its way to
        the microphone; returns the block that arrives. It may raise DeviceError.
    """

    def __init__(
        self,
        *,
        gain_db: float = -10.0,
        noise_dbfs: float = -100.0,
        delay: int = 600,
        third: float = 0.0,
        fault: Callable[[int, int, NDArray], NDArray] | None = None,
    ) -> None:
        self.gain_db = gain_db
        self.noise_dbfs = noise_dbfs
        self.delay = delay
        self.third = third
        self.fault = fault
        self.sent: list[NDArray] = []
        self.exchanges = 0
        self.stop_s = 0.05
        self._buffer_s = 0.01
        self.late_s: float | None = None
        self.dropped_at: set[tuple[int, int]] = set()
        self._rng = np.random.default_rng(5)

    def devices(self) -> list[audio.AudioDevice]:
        return [
            audio.AudioDevice(0, "bench", "fake", 2, 2, 48000.0),
            audio.AudioDevice(1, "other in", "fake", 1, 0, 48000.0),
        ]

    def check(self, route: audio.Route) -> None:
        if route.rate_hz not in (44100, 48000, 96000):
            raise DeviceError("rate")

    def exchange(self, route, conversation, tick) -> None:
        chunks: list[NDArray] = []
        try:
            self._exchange(route, conversation, tick, chunks)
        finally:
            self.sent.append(np.concatenate([np.zeros(0), *chunks]))

    def _exchange(self, route, conversation, tick, chunks) -> None:
        self.exchanges += 1
        number = self.exchanges
        # The input starts first, as it does with most drivers.
        conversation.hear(self._noise((BLOCK, route.input_channels)), dropped=False)
        waiting = np.zeros(self.delay)
        self._echo = np.zeros(ECHO_SAMPLES)
        count = 0
        while True:
            out = np.full(BLOCK, 7.0, dtype=np.float32)  # a backend promises no clean block
            conversation.fill(out)
            chunks.append(out.astype(float))
            x = out.astype(float)
            waiting = np.concatenate([waiting, self._speak(x)])
            heard, waiting = waiting[:BLOCK], waiting[BLOCK:]
            heard = heard + self._noise(BLOCK)
            if self.fault is not None:
                heard = self.fault(number, count, heard)
            count += BLOCK
            block = np.zeros((BLOCK, route.input_channels), dtype=np.float32)
            block[:, 0] = heard
            dropped = (number, count // BLOCK) in self.dropped_at
            late = {"late_s": self.late_s} if dropped else {}
            enough = conversation.hear(block, dropped=dropped, **late)
            if enough:
                break
            if count // BLOCK % TICK_BLOCKS == 0:
                tick()
            assert count < 60 * RATE_HZ, "the exchange does not end"

    def ease(self) -> None:
        self.eased = True
        self._buffer_s *= 2.0

    def use_buffer(self, buffer_s: float) -> None:
        self._buffer_s = buffer_s

    def buffer_s(self) -> float:
        return self._buffer_s

    def stop_within_s(self) -> float:
        return self.stop_s

    def record(self, device, *, channels, rate_hz, seconds, heard=None, dropped=None):
        recorded = np.zeros((round(seconds * rate_hz), channels))
        noise = np.random.default_rng(6).standard_normal(len(recorded))
        recorded[:, 0] = 10 ** (self.noise_dbfs / 20) / np.sqrt(2.0) * noise
        for last in range(2 * rate_hz, len(recorded) + 1, 3 * rate_hz):
            if heard is not None:
                heard(recorded[:last])
        return recorded

    def _noise(self, shape) -> NDArray:
        return 10 ** (self.noise_dbfs / 20) / np.sqrt(2.0) * self._rng.standard_normal(shape)

    def _speak(self, x: NDArray) -> NDArray:
        y = 10 ** (self.gain_db / 20) * (x + self.third * x * x * x if self.third else x)
        line = np.concatenate([self._echo, y])
        self._echo = line[len(y) :]
        return y + ECHO * line[: len(y)]

    @property
    def loudest(self) -> float:
        return max((float(np.max(np.abs(s))) for s in self.sent if len(s)), default=0.0)


def write_short_stimulus(folder: Path, **changes: object) -> Path:
    recipe = parse_recipe({**SHORT_RECIPE, **changes}, "test")
    return write_stimulus(recipe, folder)[1][-1]


def calibrated_session(
    folder: Path, spl_at_0dbfs_in_db: float | None = 120.0, **changes: object
) -> Path:
    """Make a session whose input's full scale is so loud; None leaves it uncalibrated.

    ``changes`` are made to what ``calibration.json`` says of a calibrator's tone on the bench.
    """
    folder.mkdir(parents=True, exist_ok=True)
    text = '[device]\nname = "bench"  # a remark that must stay\n'
    if spl_at_0dbfs_in_db is not None:
        text += '\n[calibration]\nfile = "calibration.json"\n'
        note = {
            "schema": "distsweep.calibration/1",
            "pascal_per_fs": 20e-6 * 10 ** (spl_at_0dbfs_in_db / 20),
            "method": "calibrator",
            "date": now_text(),
            "device": "bench",
            "channel": 1,
            "rate_hz": RATE_HZ,
            "input_gain": "12 dB",
            **changes,
        }
        (folder / "calibration.json").write_text(json.dumps(note))
    (folder / "session.toml").write_text(text)
    return folder


@dataclass(frozen=True)
class Ran:
    """How a command line ended and what it said."""

    exit_code: int
    stdout: str
    stderr: str


def run_main(*arguments: str) -> Ran:
    """Run the command line as the console script does, exit codes and all."""
    out, err = io.StringIO(), io.StringIO()
    code = 0
    with (
        mock.patch.object(sys, "argv", ["distsweep", *arguments]),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        try:
            main()
        except SystemExit as done:
            code = done.code if isinstance(done.code, int) else 1
    return Ran(code, out.getvalue(), err.getvalue())


def run_capture(
    bench: FakeBench, session: Path, sidecar: Path, *options: str, typed: str | None = None
) -> Ran:
    """Run ``capture`` on a bench.

    ``typed`` is what somebody at a terminal types when asked for a level (None: nobody sits
    there), after having said where the gain stands and that the probe was as loud as speech.
    """
    said = VOUCHED if "--input-gain" not in options else VOUCHED.split("\n", 1)[1]
    stdin = _Terminal(said + typed) if typed is not None else io.StringIO("")
    with (
        mock.patch.object(devices, "open_backend", lambda: bench),
        mock.patch.object(sys, "stdin", stdin),
    ):
        return run_main(
            *("capture", str(session), "--stimulus", str(sidecar)),
            *("--input", "0", "--output", "bench", *options),
        )


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def log_events(session: Path) -> list[dict]:
    lines = (session / "capture-log.jsonl").read_text().splitlines()
    return [json.loads(line) for line in lines]
