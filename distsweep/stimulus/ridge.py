"""What a sound file holds: where sweeps rise in it, roughly, and what else it is if none does.

Short-time spectra give, frame by frame, the power, the mean frequency and the spread around it. An
exponential sweep is a stretch of narrow frames whose mean frequency's logarithm rises along a
straight line.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.units import BoolArray, FloatArray, IntArray, power_to_db

FRAME_S = 0.01
"""Length of a frame (chosen: a sweep of 2 s over 5 Hz to 24 kHz passes 4 % of its frequency in it,
and 500 Hz has five periods in it)."""

HEARD_SHARE = 1e-6
"""Power of a frame re the loudest from which it is looked at (chosen: rungs of a file lie within
60 dB)."""

OF_PEAK = 1e-3
"""Power of a spectrum's line re the largest of its frame from which it counts (chosen: below it
rounding and noise would draw the mean frequency upwards)."""

NARROW = 0.12
"""Spread of a frame's frequencies re their mean up to which it is narrow (chosen: a sweep passes
4 % within a frame, the frame's window adds as much at 500 Hz; a chord or a noise spreads over its
mean)."""

LEAST_FRAME_PERIODS = 5.0
"""Periods in a frame from which its mean frequency is used (chosen with FRAME_S)."""

HIGHEST_OF_RATE = 0.45
"""Highest frequency that is used, over the rate (chosen: near half the rate a frame's lines are cut
off, and their mean lies too low)."""

JUMP = 0.35
"""Change of a mean frequency's logarithm from frame to frame that ends a stretch (chosen: a sweep
of 2 s moves it by 0.02 a frame, the next sweep begins octaves lower)."""

LEAST_S, LEAST_OCTAVES = 0.3, 2.0
"""Shortest stretch, and least rise within it, that may be a sweep (chosen: a marker of this
program's own rises by nothing, and a measured band has two octaves)."""

STRAIGHT = 0.01
"""RMS departure of a logarithm of frequency, or of a frequency re its mean, from its line (chosen:
frames of an exponential sweep depart by 0.002, those of a linear one by 0.2 from an exponential
line)."""

STEADY = 0.01
"""Spread of the logarithm of frequency within which a stretch is a tone (chosen)."""

EVEN_DB, EVEN_LOG = 3.0, -1.0
"""Standard deviation of the frames' levels up to which a sound is called a noise, and mean
logarithm of a line's power over its average (chosen: frames of 10 ms of white noise differ by
0.5 dB, of pink noise by 2, of music and talk by 5 to 15; a Gaussian noise's lines have −0.58, which
is Euler's constant, tones that come and go −2 and less)."""

LEAST_FRAMES, MOST_FRAMES = 20, 500
"""Fewest frames by which a noise is told, and so many are looked at (chosen: a fifth of a second,
and what takes a hundredth of one)."""

RISING = 0.9
"""Share of steps that go one way in a sweep of another law (chosen: notes and talk turn about)."""

TONE_FRAME_S, TONAL_SHARE = 0.1, 0.7
"""Longer frames in which low tones are looked for, and the share of them that is narrow where a
file holds tones (chosen: 50 Hz has five periods in one, a step between two tones spoils one or
two)."""


@dataclass(frozen=True)
class Frames:
    """Frames of a signal; arrays of shape ``(M,)``.

    ``heard`` tells which are loud enough, ``narrow`` which of these hold a single frequency.
    """

    time_s: FloatArray
    power: FloatArray
    mean_hz: FloatArray
    heard: BoolArray
    narrow: BoolArray


@dataclass(frozen=True)
class RoughSweep:
    """A rising sweep: f(t) = reference_hz·exp((t − reference_s)/rate_constant_s), between times."""

    reference_hz: float
    reference_s: float
    rate_constant_s: float
    first_s: float
    last_s: float


@dataclass(frozen=True)
class Heard:
    """What a signal holds: its exponential sweeps, and ``kind`` of what else there is if none."""

    sweeps: list[RoughSweep]
    kind: str


def look(samples: FloatArray, rate_hz: int) -> Heard:
    """Find rising exponential sweeps in a signal, or say what it is.

    ``kind`` is "sweep", "linear sweep", "falling sweep", "other sweep", "tones", "noise" or
    "sound".
    """
    frames = frames_of(samples, rate_hz)
    stretches = _stretches(frames)
    sweeps, kinds = [], []
    for stretch in stretches:
        kind, sweep = _judged(frames, stretch)
        kinds.append(kind)
        if sweep is not None:
            sweeps.append(sweep)
    if sweeps:
        return Heard(sweeps, "sweep")
    for kind in ("linear sweep", "falling sweep", "other sweep"):
        alike = sum(len(one) for one, own in zip(stretches, kinds, strict=True) if own == kind)
        if 2 * alike > np.sum(frames.heard):
            return Heard([], kind)
    tones = frames_of(samples, rate_hz, frame_s=TONE_FRAME_S)
    if np.any(tones.narrow) and np.sum(tones.narrow) > TONAL_SHARE * np.sum(tones.heard):
        return Heard([], "tones")
    return Heard([], "noise" if _is_noise(samples, rate_hz, frames) else "sound")


def _is_noise(samples: FloatArray, rate_hz: int, frames: Frames) -> bool:
    """Tell whether a signal is even in time, and its lines fluctuate as those of noise do."""
    heard = np.flatnonzero(frames.heard)
    if 2 * len(heard) < len(frames.heard) or len(heard) < LEAST_FRAMES:
        return False
    if np.std(power_to_db(frames.power[heard])) > EVEN_DB:
        return False
    length = round(FRAME_S * rate_hz)
    some = heard[:: max(1, len(heard) // MOST_FRAMES)]
    firsts = np.round(frames.time_s[some] * rate_hz - 0.5 * length)
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(length) / length)
    spectra = [np.fft.rfft(window * samples[int(at) : int(at) + length]) for at in firsts[:-1]]
    lines = np.abs(np.array(spectra)[:, 2:]) ** 2
    lines /= np.maximum(np.mean(lines, axis=0), 1e-300)
    return bool(np.mean(np.log(np.maximum(lines, 1e-30))) > EVEN_LOG)


def frames_of(samples: FloatArray, rate_hz: int, *, frame_s: float = FRAME_S) -> Frames:
    """Return power, mean frequency and narrowness of Hann-windowed frames that overlap by half."""
    length = int(frame_s * rate_hz) // 2 * 2
    hop = length // 2
    count = max(0, (len(samples) - length) // hop + 1)
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(length) / length)
    bins_hz = np.arange(length // 2 + 1) * (rate_hz / length)
    framed = np.lib.stride_tricks.sliding_window_view(samples, length)[::hop][:count]
    power, mean_hz, spread_hz = (np.zeros(count) for _ in range(3))
    for first in range(0, count, 256):
        some = slice(first, first + 256)
        spectra = np.fft.rfft(framed[some] * window, axis=1)
        lines = spectra.real**2 + spectra.imag**2
        power[some] = np.sum(lines, axis=1)
        lines *= lines >= OF_PEAK * np.max(lines, axis=1, keepdims=True)
        total = np.maximum(np.sum(lines, axis=1), 1e-300)
        mean_hz[some] = lines @ bins_hz / total
        spread_hz[some] = np.sqrt(np.maximum(lines @ bins_hz**2 / total - mean_hz[some] ** 2, 0.0))
    heard = power > HEARD_SHARE * np.max(power, initial=0.0)
    narrow = heard & (mean_hz > LEAST_FRAME_PERIODS / frame_s * 0.99)
    narrow &= (spread_hz < NARROW * mean_hz) & (mean_hz < HIGHEST_OF_RATE * rate_hz)
    time_s = (hop * np.arange(count) + 0.5 * length) / rate_hz
    return Frames(time_s, power, mean_hz, heard, narrow)


def _stretches(frames: Frames) -> list[IntArray]:
    """Return the indices of narrow frames that follow each other without a jump of frequency."""
    rows = np.flatnonzero(frames.narrow)
    if not len(rows):
        return []
    jumps = np.abs(np.diff(np.log(frames.mean_hz[rows]))) > JUMP
    apart = np.flatnonzero((np.diff(rows) > 1) | jumps) + 1
    step_s = frames.time_s[1] - frames.time_s[0] if len(frames.time_s) > 1 else FRAME_S
    return [part for part in np.split(rows, apart) if len(part) * step_s >= LEAST_S]


def _judged(frames: Frames, rows: IntArray) -> tuple[str, RoughSweep | None]:
    """Tell what a stretch is, and its sweep if it is an exponential one that rises."""
    time_s, log_hz = frames.time_s[rows], np.log(frames.mean_hz[rows])
    if np.ptp(log_hz) < STEADY:
        return "tones", None
    slope, at_middle, off = _line(time_s, log_hz)
    wide = np.ptp(log_hz) >= LEAST_OCTAVES * np.log(2.0)
    if wide and off < STRAIGHT:
        if slope < 0.0:
            return "falling sweep", None
        middle_s = float(np.mean(time_s))
        return "sweep", RoughSweep(
            float(np.exp(at_middle)), middle_s, 1.0 / slope, float(time_s[0]), float(time_s[-1])
        )
    mean_hz = float(np.mean(frames.mean_hz[rows]))
    slope, _, off_hz = _line(time_s, frames.mean_hz[rows])
    if off_hz < STRAIGHT * mean_hz:
        return ("linear sweep" if slope > 0.0 else "falling sweep"), None
    rising = np.mean(np.diff(log_hz) > 0.0)
    return ("other sweep" if wide and max(rising, 1.0 - rising) > RISING else "sound"), None


def _line(time_s: FloatArray, values: FloatArray) -> tuple[float, float, float]:
    """Return slope, value at the mean time, and RMS misfit of a straight line, ends left out."""
    kept = slice(2, -2) if len(values) > 20 else slice(None)
    x, y = time_s[kept] - np.mean(time_s), values[kept]
    slope, offset = np.polyfit(x, y, 1)
    return float(slope), float(offset), float(np.sqrt(np.mean((y - slope * x - offset) ** 2)))
