"""Exponential sweeps as other programs write them, in closed form, with what is true of them.

s(t) = A·sin(2π·f₁·L·(e^{t/L} − 1) + start phase), L = T/ln(f₂/f₁) (Farina, AES 108th Convention,
2000), or without the "−1", with f₁·L a whole number or not (Novak, Lotton, Simon, JAES 63(10),
2015); faded in and out by half a cosine in time, or by nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np


@dataclass(frozen=True)
class ForeignSweep:
    """One sweep of another program; ``minus_one`` is that of Farina's formula."""

    rate_hz: int
    start_hz: float
    stop_hz: float
    duration_s: float
    minus_one: bool = True
    start_rad: float = 0.0
    fade_in_s: float = 0.0
    fade_out_s: float = 0.0

    @property
    def rate_constant_s(self) -> float:
        return self.duration_s / np.log(self.stop_hz / self.start_hz)

    @property
    def samples(self) -> int:
        return round(self.duration_s * self.rate_hz)

    def frequency_at_hz(self, time_s: np.ndarray) -> np.ndarray:
        return self.start_hz * np.exp(time_s / self.rate_constant_s)

    @property
    def full_hz(self) -> tuple[float, float]:
        """Instantaneous frequency where the fade-in ends, and where the fade-out begins."""
        low, high = self.frequency_at_hz(
            np.array([self.fade_in_s, self.duration_s - self.fade_out_s])
        )
        return float(low), float(high)

    def waveform(self) -> np.ndarray:
        time_s = np.arange(self.samples) / self.rate_hz
        grown = np.exp(time_s / self.rate_constant_s) - float(self.minus_one)
        wave = np.sin(2.0 * np.pi * self.start_hz * self.rate_constant_s * grown + self.start_rad)
        for fade_s, place_s in (
            (self.fade_in_s, time_s), (self.fade_out_s, self.duration_s - time_s)
        ):  # fmt: skip
            if fade_s > 0.0:
                wave *= 0.5 - 0.5 * np.cos(np.pi * np.clip(place_s / fade_s, 0.0, 1.0))
        return wave


@dataclass(frozen=True)
class ForeignFile:
    """A sound file with one sweep at one level after the other, and silence around."""

    sweep: ForeignSweep
    levels_dbfs: list[float]
    lead_s: float = 0.5
    gap_s: float = 1.0
    tail_s: float = 1.0
    starts: list[int] = field(init=False)

    def __post_init__(self) -> None:
        spacing = self.sweep.samples + round(self.gap_s * self.sweep.rate_hz)
        first = round(self.lead_s * self.sweep.rate_hz)
        starts = [first + number * spacing for number in range(len(self.levels_dbfs))]
        object.__setattr__(self, "starts", starts)

    def waveform(self) -> np.ndarray:
        wave = self.sweep.waveform()
        whole = np.zeros(self.starts[-1] + len(wave) + round(self.tail_s * self.sweep.rate_hz))
        for start, level_dbfs in zip(self.starts, self.levels_dbfs, strict=True):
            whole[start : start + len(wave)] += 10.0 ** (level_dbfs / 20.0) * wave
        return whole


def drawn_file(rng: np.random.Generator) -> ForeignFile:
    """Draw one of 2 to 30 s from 5…50 Hz to 15…24 kHz, of one to five sweeps."""
    rate_hz = int(rng.choice([44100, 48000, 96000]))
    start_hz, duration_s = 5.0 * 10.0 ** rng.uniform(), 2.0 * 15.0 ** rng.uniform()
    stop_hz = rng.uniform(15e3, min(24e3, 0.499 * rate_hz))
    minus_one = bool(rng.uniform() < 0.5)
    if not minus_one and rng.uniform() < 0.5:
        # Novak's: f₁·L rounded to a whole number, and the length that follows.
        periods = max(1.0, round(start_hz * duration_s / np.log(stop_hz / start_hz)))
        duration_s = periods / start_hz * np.log(stop_hz / start_hz)
    sweep = ForeignSweep(
        rate_hz, start_hz, stop_hz, duration_s, minus_one,
        start_rad=float(rng.choice([0.0, 0.5 * np.pi, np.pi], p=[0.7, 0.15, 0.15])),
        fade_in_s=float(rng.choice([0.0, rng.uniform(0.005, 0.1)])),
        fade_out_s=float(rng.choice([0.0, rng.uniform(0.001, 0.05)])),
    )  # fmt: skip
    count = int(rng.integers(1, 6))
    step_db = float(rng.choice([0.0, rng.uniform(3.0, 8.0)]))
    levels = [round(-rng.uniform(0.5, 8.0) - step_db * k, 2) for k in range(count)][::-1]
    if step_db == 0.0:
        levels = [levels[-1]] * count
    return ForeignFile(
        sweep, levels, lead_s=rng.choice([0.0, rng.uniform(0.0, 2.0)]),
        gap_s=rng.uniform(0.3, 2.0), tail_s=rng.choice([0.0, rng.uniform(0.0, 2.0)]),
    )  # fmt: skip
