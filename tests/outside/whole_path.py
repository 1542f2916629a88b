"""From a stimulus on disk to results, with a device under test that is made here.

The sweep is rebuilt from the numbers of the sidecar, read as plain JSON: nothing of the
package's signal processing is used to make what the package then analyses.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import scipy.fft
import soundfile

import distsweep

HALF_RATE_GUARD_HZ = (17_500.0, 23_900.0)
"""A synthesised harmonic fades out here, between the band's end and half the rate: cut off
abruptly it would click, and the click would be heard all over the impulse response."""


@dataclass(frozen=True)
class PlayedLadder:
    """A stimulus as it lies on disk: its sidecar's path and content, and its WAV's samples."""

    sidecar: Path
    data: dict[str, Any]
    samples: np.ndarray

    @property
    def rate_hz(self) -> int:
        return int(self.data["rate_hz"])

    @property
    def starts(self) -> list[int]:
        return [int(rung["start_sample"]) for rung in self.data["files"][0]["rungs"]]

    @property
    def rung_samples(self) -> int:
        """Length of a sweep and the pause after it."""
        return int(self.data["sweep"]["samples"] + self.data["pause_s"] * self.rate_hz)

    def sweep_frequency_hz(self) -> np.ndarray:
        """Instantaneous frequency of each sample of the sweep, f₁·exp(t/L)."""
        sweep = self.data["sweep"]
        time_s = np.arange(sweep["samples"]) / self.rate_hz
        return sweep["start_hz"] * np.exp(time_s / sweep["rate_constant_s"])

    def sweep_phase(self) -> np.ndarray:
        """Phase of the synchronised sweep, 2π·f(t)·L (Novak, Lotton, Simon, JAES 63(10), 2015)."""
        return 2.0 * np.pi * self.sweep_frequency_hz() * self.data["sweep"]["rate_constant_s"]

    def with_rungs(self, rungs: Sequence[np.ndarray]) -> np.ndarray:
        """Return the file's samples with the rungs replaced; the markers stay."""
        samples = self.samples.copy()
        for start, rung in zip(self.starts, rungs, strict=True):
            samples[start : start + len(rung)] = rung
        return samples

    def rung(self, index: int) -> np.ndarray:
        start = self.starts[index]
        return self.samples[start : start + self.rung_samples]


def write_ladder(
    folder: Path,
    *,
    levels_dbfs: Sequence[float],
    order: int,
    band_hz: tuple[float, float] = (40.0, 16000.0),
    sweep_s: float = 3.0,
) -> PlayedLadder:
    """Write a recipe and its stimulus as 32-bit float WAV, and read both back from disk."""
    recipe = folder / "recipe.toml"
    recipe.write_text(
        f"""kind = "ladder"
name = "played"
rate_hz = 48000
band_hz = {list(band_hz)}
sweep_s = {sweep_s}
levels_dbfs = {[float(level) for level in levels_dbfs]}
order = {order}
quiet_s = 1.0
pause_s = 0.4
return_rung = false
""",
        encoding="utf-8",
    )
    distsweep.write_stimulus(
        distsweep.read_recipe(str(recipe)), folder / "stimulus", sample_format="float"
    )
    sidecar = folder / "stimulus" / "played.json"
    samples, _ = soundfile.read(sidecar.with_suffix(".wav"), dtype="float64")
    return PlayedLadder(sidecar, json.loads(sidecar.read_text(encoding="utf-8")), samples)


def analysed(played: PlayedLadder, samples: np.ndarray) -> distsweep.Take:
    """Write samples as a recording beside the stimulus and analyse it the way a user would."""
    recording = played.sidecar.with_name("recording.wav")
    # 32-bit float rounds at −150 dB of each sample's own size: it hides nothing looked at here.
    soundfile.write(recording, samples, played.rate_hz, subtype="FLOAT")
    return distsweep.analyse_recording(recording, stimulus=played.sidecar).take("axis")


def harmonic_series(played: PlayedLadder, coefficients: Sequence[float]) -> np.ndarray:
    """Return Σ cₙ·sin(n·φ(t)), n from 1 on, for one rung: a wave without aliasing.

    Each term is there as long as n·f stays under half the rate. The fade-in is a half-cosine
    of the test's own over the guard band below the measured band.
    """
    sweep = played.data["sweep"]
    frequency_hz, phase = played.sweep_frequency_hz(), played.sweep_phase()
    position = np.log(frequency_hz / sweep["start_hz"])
    fade_in = half_cosine(position / math.log(sweep["full_from_hz"] / sweep["start_hz"]))
    low, high = HALF_RATE_GUARD_HZ
    wave = np.zeros(len(phase))
    for n, coefficient in enumerate(coefficients, start=1):
        if coefficient == 0.0:
            continue
        here = n * frequency_hz < high
        fade_out = half_cosine(np.log(high / (n * frequency_hz[here])) / math.log(high / low))
        wave[here] += coefficient * np.sin(n * phase[here]) * fade_out
    return wave * fade_in


def half_cosine(position: np.ndarray) -> np.ndarray:
    return 0.5 - 0.5 * np.cos(np.pi * np.clip(position, 0.0, 1.0))


def memoryless(
    samples: np.ndarray, curve: Callable[[np.ndarray], np.ndarray], *, oversampling: int
) -> np.ndarray:
    """Bend samples by a static curve at a multiple of the rate, and come back band-limited."""
    length = scipy.fft.next_fast_len(len(samples) + 4800, real=True)
    length += length % 2
    fine = oversampling * length
    spectrum = np.zeros(fine // 2 + 1, dtype=complex)
    spectrum[: length // 2 + 1] = scipy.fft.rfft(samples, length) * oversampling
    bent = scipy.fft.rfft(curve(scipy.fft.irfft(spectrum, fine)))[: length // 2 + 1]
    bent[-1] = 0.0
    return scipy.fft.irfft(bent / oversampling, length)[: len(samples)]


def level_db(amplitude: float | np.ndarray) -> Any:
    """20·log10, written out here so that the package's own is not trusted."""
    return 20.0 * np.log10(np.abs(amplitude))
