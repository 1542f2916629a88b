"""The loudspeaker of the rig, a process of its own between two null sinks of PulseAudio.

It reads what was sent to the sink "spk", makes of it what a loudspeaker, the air and a
microphone would, and plays that into the sink "mic". It shares no code with distsweep.

    y = limiter(c + second·c² + third·c³), filtered, delayed, resampled, plus noise

where c is x, or what a limiter with a static curve makes of it.

Where the model has an ``interface``, the output distorts what it sends to x + interface·x³, and
that comes back unheard in the microphone's second channel, a loop-back.

Faults are armed beforehand and strike at a sample: ``delay`` samples after the input first
exceeds ``threshold``. Every sample that came in is written to ``--kept`` as raw float32.

Where the machine stood still, which is no fault of the program, standard error says so
(``standstill.SIGNS``): blocks came late by more than LATE_S, or the server ran out of samples.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import scipy.signal

RATE_HZ = 48000
BLOCK = 240
HALF_TAPS = 24

LATE_S = 0.1
"""A block that comes so late has used up most of what is kept ready (chosen: two thirds)."""


class Resampler:
    """Samples the signal at positions ``scale`` apart by a Kaiser-windowed sinc of 48 taps.

    Up to 16 kHz its images lie below −80 dB, far under what the tests look at.
    """

    def __init__(self, ppm: float) -> None:
        self.step = 1.0 / (1.0 + ppm * 1e-6)
        self.kept = np.zeros(2 * HALF_TAPS)
        self.place = float(HALF_TAPS)

    def __call__(self, x: np.ndarray) -> np.ndarray:
        self.kept = np.concatenate([self.kept, x])
        count = int((len(self.kept) - HALF_TAPS - 1 - self.place) / self.step)
        places = self.place + self.step * np.arange(max(count, 0))
        first = np.floor(places).astype(int)
        taps = first[:, None] + np.arange(-HALF_TAPS + 1, HALF_TAPS + 1)
        away = places[:, None] - taps
        weights = (
            np.sinc(away)
            * np.i0(8.0 * np.sqrt(np.clip(1.0 - (away / HALF_TAPS) ** 2, 0.0, None)))
            / np.i0(8.0)
        )
        y = np.sum(weights * self.kept[taps], axis=1)
        drop = max(0, int(places[-1] + self.step) - HALF_TAPS) if count > 0 else 0
        self.kept = self.kept[drop:]
        self.place += self.step * max(count, 0) - drop
        return y


class Limiter:
    """Holds the peak of each block under a threshold; the gain glides over the block."""

    def __init__(self, threshold: float) -> None:
        self.threshold = threshold
        self.gain = 1.0

    def __call__(self, x: np.ndarray) -> np.ndarray:
        wanted = min(1.0, self.threshold / max(float(np.max(np.abs(x))), 1e-12))
        gain = np.linspace(self.gain, wanted, len(x))
        self.gain = wanted
        return x * gain


class CurveLimiter:
    """A feed-forward limiter with a static curve: threshold, ratio, hard knee, attack, release.

    The level is that of the analytic signal, by a Hilbert transformer of 255 taps (right within
    0.001 dB from 500 Hz on), in dBFS of a sine; the gain in dB follows the curve through a
    one-pole smoother, every four samples, and the signal is as late as the transformer.
    """

    TAPS, STEP = 255, 4

    def __init__(
        self, *, threshold_dbfs: float, ratio: float, attack_ms: float, release_ms: float
    ) -> None:
        self.threshold_dbfs, self.slope = threshold_dbfs, 1.0 / ratio - 1.0
        step_ms = 1e3 * self.STEP / RATE_HZ
        self.attack, self.release = np.exp(-step_ms / attack_ms), np.exp(-step_ms / release_ms)
        band = [500.0, RATE_HZ / 2.0 - 500.0]
        self.taps = scipy.signal.remez(self.TAPS, band, [1.0], type="hilbert", fs=RATE_HZ)
        self.kept = np.zeros(self.TAPS - 1)
        self.gain_db = 0.0

    def __call__(self, x: np.ndarray) -> np.ndarray:
        line = np.concatenate([self.kept, x])
        self.kept = line[len(x) :]
        quadrature = np.convolve(line, self.taps, "valid")
        late = line[self.TAPS // 2 :][: len(x)]
        level_db = 20.0 * np.log10(np.maximum(np.hypot(late, quadrature), 1e-9))
        wanted = self.slope * np.maximum(level_db[:: self.STEP] - self.threshold_dbfs, 0.0)
        gains_db = []
        for goal in wanted.tolist():
            keep = self.attack if goal < self.gain_db else self.release
            self.gain_db = goal + keep * (self.gain_db - goal)
            gains_db.append(self.gain_db)
        at = np.arange(len(wanted)) * self.STEP
        return late * 10.0 ** (np.interp(np.arange(len(x)), at, gains_db) / 20.0)


class Loudspeaker:
    """Block by block, from what was sent to what the microphone hears."""

    def __init__(self, model: dict) -> None:
        self.model = model
        self.sos = np.array(model["sos"])
        self.state = np.zeros((len(self.sos), 2))
        self.delayed = np.zeros(model.get("delay", 240))
        self.limiter = Limiter(model["limit"]) if model.get("limit") else None
        self.curve = CurveLimiter(**model["curve"]) if model.get("curve") else None
        self.resampler = Resampler(model["ppm"]) if model.get("ppm") else None
        self.gain = np.full(1, 10.0 ** (model.get("gain_db", 0.0) / 20.0))
        self.noise = 10.0 ** (model.get("noise_dbfs", -95.0) / 20.0) / np.sqrt(2.0)
        self.rng = np.random.default_rng(1)
        self.fault = model.get("fault")
        self.until_fault: int | None = 0 if self.fault and self.fault["threshold"] < 0 else None
        self.struck = False

    def __call__(self, x: np.ndarray) -> np.ndarray:
        x_in = x
        if self.curve is not None:
            x = self.curve(x)
        second = self.model["second"]
        if self.struck and self.fault["does"] == "distort":
            second = self.fault["second"]
        y = x + second * x**2 + self.model["third"] * x**3
        if self.limiter is not None:
            y = self.limiter(y)
        y, self.state = scipy.signal.sosfilt(self.sos, y, zi=self.state)
        line = np.concatenate([self.delayed, y])
        y, self.delayed = line[: len(x)], line[len(x) :]
        y = self._strike(x_in, self.gain * y)
        if self.resampler is not None:
            y = self.resampler(y)
        if self.struck and self.fault["does"] == "mute":
            return np.zeros(len(y))
        return np.clip(y + self.noise * self.rng.standard_normal(len(y)), -1.0, 1.0)

    def _strike(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Let the fault strike; the gain jumps inside the block, at its sample."""
        if self.fault is None:
            return y
        if self.until_fault is None:
            over = np.flatnonzero(np.abs(x) > self.fault["threshold"])
            if not len(over):
                return y
            self.until_fault = int(over[0]) + self.fault["delay"]
        at, self.until_fault = self.until_fault, self.until_fault - len(x)
        if at >= len(x):
            return y
        factor = 10.0 ** (self.fault.get("gain_db", 0.0) / 20.0)
        y = np.concatenate([y[: max(at, 0)], factor * y[max(at, 0) :]])
        if not self.struck and self.fault["does"] == "die":
            sys.exit(0)
        self.struck = True
        return y


class Lateness:
    """Says on standard error when a block comes late re the earliest of those before it."""

    def __init__(self) -> None:
        self.frames = 0
        self.began_s = np.inf

    def came(self, frames: int) -> None:
        self.frames += frames
        began_s = time.monotonic() - self.frames / RATE_HZ
        if began_s > self.began_s + LATE_S:
            print(f"LATE by {began_s - self.began_s:.2f} s", file=sys.stderr, flush=True)
            self.began_s = np.inf
        self.began_s = min(self.began_s, began_s)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--model", required=True)
    parser.add_argument("--kept", type=Path, required=True)
    given = parser.parse_args()
    with contextlib.suppress(OSError):  # before everything else, where one may: as root
        os.setpriority(os.PRIO_PROCESS, 0, -15)
    model = json.loads(given.model)
    speaker, interface = Loudspeaker(model), model.get("interface")
    channels = 1 if interface is None else 2
    format_ = ["--raw", "--format=float32le", f"--rate={RATE_HZ}"]
    # Both channels, of which it is wired to the first: of one, the server makes a mean of both.
    hears = subprocess.Popen(
        ["parec", "--device=spk.monitor", "--latency-msec=10", "--channels=2", *format_],
        stdout=subprocess.PIPE,
    )
    # Of 250 ms the server keeps 145 ready: the machine may be busy, a real loudspeaker is not.
    ready = ["--latency-msec=250", "--verbose"]  # says when it ran out of samples
    speaks = subprocess.Popen(
        ["pacat", "--playback", "--device=mic", *ready, f"--channels={channels}", *format_],
        stdin=subprocess.PIPE,
    )
    lateness = Lateness()
    assert hears.stdout is not None and speaks.stdin is not None
    try:
        with given.kept.open("wb") as kept:
            while True:
                data = hears.stdout.read(8 * BLOCK)
                if len(data) < 8 * BLOCK:
                    return
                lateness.came(BLOCK)
                sent = np.frombuffer(data, dtype="<f4")[::2]
                kept.write(sent.tobytes())
                kept.flush()
                out = sent.astype(float)
                if interface is None:
                    heard = speaker(out)
                else:
                    out += interface * out**3
                    heard = np.stack([speaker(out), out], axis=1)
                speaks.stdin.write(heard.astype("<f4").tobytes())
                speaks.stdin.flush()
    except BrokenPipeError:
        return
    finally:
        hears.kill()
        speaks.kill()


if __name__ == "__main__":
    main()
