"""An exponential sweep in a sound file, exactly: phase by least squares, ends, and level."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.fast_length import fast_length
from distsweep.stimulus.ridge import FRAME_S, RoughSweep
from distsweep.units import BoolArray, ComplexArray, FloatArray, IntArray

BLOCK_PERIODS = 16
"""Periods of the sweep over which its phase is averaged (chosen: a rate constant that is 1 % off
turns the phase by a sixth of a period from block to block, so that it can be followed)."""

ROUNDS = 6
"""Steps of the least squares (chosen: linear but for the exponential, they settle in three)."""

STRAIGHT_RAD = 0.2
"""Largest RMS departure of the blocks' phases from an exponential sweep's (chosen: 24 bits leave
0.001, lossy coding or a converted rate some hundredths; a sweep of another law departs by
turns)."""

FULL_WITHIN = 0.012
"""Departure from the full level within which the drive is not faded (chosen: a tenth of a decibel,
by which a harmonic may be off)."""

SOUNDS_FROM, SILENT_S = 1e-3, 0.02
"""A sweep ends where its samples stay below this share of its amplitude for so long (chosen:
−60 dB; a sine of 5 Hz passes zero a hundred times faster)."""

GROUP_SAMPLES = 32
"""Least samples of a group of whole periods whose amplitude is fitted (chosen: a sine and a cosine
near half the rate are told apart over some ten samples more than a beat of theirs)."""

LEAST_HZ = 1.0
"""Lowest frequency at which a sweep is followed (chosen: loudspeakers radiate nothing there)."""


@dataclass(frozen=True)
class FittedSweep:
    """A sweep A·sin(2π·f(t)·L + φ₀), f(t) = reference_hz·exp((t − reference_s)/L), in a file.

    Attributes
    ----------
    reference_s, reference_hz : a time from the file's first sample, and its frequency.
    rate_constant_s, phase_rad : L and φ₀.
    amplitude : A, at the full level.
    first, last : the first sample that sounds, and the one after the last.
    full_first, full_last : between these the level is full.
    misfit_rad : RMS departure of the phase.
    """

    reference_s: float
    reference_hz: float
    rate_constant_s: float
    phase_rad: float
    amplitude: float = 0.0
    first: int = 0
    last: int = 0
    full_first: int = 0
    full_last: int = 0
    misfit_rad: float = 0.0

    def frequency_at_hz(self, time_s: FloatArray | float) -> FloatArray:
        """Return the frequency at a time from the file's first sample."""
        since = (np.asarray(time_s) - self.reference_s) / self.rate_constant_s
        return np.asarray(self.reference_hz * np.exp(since))

    def time_of_s(self, frequency_hz: float) -> float:
        """Return the time from the file's first sample at which the sweep passes a frequency."""
        return self.reference_s + self.rate_constant_s * float(
            np.log(frequency_hz / self.reference_hz)
        )

    def phase_at(self, time_s: FloatArray) -> FloatArray:
        """Return the sine's phase, in rad."""
        turns = self.frequency_at_hz(time_s) * self.rate_constant_s
        return np.asarray(2.0 * np.pi * turns + self.phase_rad)


def fit_sweep(
    samples: FloatArray, rate_hz: int, rough: RoughSweep, *, earliest: int, latest: int
) -> FittedSweep:
    """Fit a sweep that was found roughly; its ends are looked for between two samples."""
    fitted = _fit_phase(samples, rate_hz, rough)
    return _with_ends(samples, rate_hz, fitted, rough, earliest=earliest, latest=latest)


def _fit_phase(samples: FloatArray, rate_hz: int, rough: RoughSweep) -> FittedSweep:
    """Fit rate constant, frequency and phase where short-time spectra show the sweep.

    The phase is φ(t) = 2π·f_r·L·e^u + φ₀, u = (t − t_r)/L. Over blocks of periods it is compared
    with that of the analytic signal; ∂φ/∂ln f_r = 2π·f_r·L·e^u, ∂φ/∂L = 2π·f_r·e^u·(1 − u).
    """
    # The first and the last frame may reach past the sweep's ends.
    first = round((rough.first_s + FRAME_S) * rate_hz)
    last = round((rough.last_s - FRAME_S) * rate_hz)
    analytic = _analytic(samples[first:last])
    time_s = np.arange(first, last) / rate_hz
    model = FittedSweep(rough.reference_s, rough.reference_hz, rough.rate_constant_s, 0.0)
    misfit = 0.0
    for _ in range(ROUNDS):
        phase = model.phase_at(time_s)
        edges = _period_edges(phase, BLOCK_PERIODS)
        sums = np.add.reduceat(analytic * np.exp(-1j * phase), edges)[:-1]
        sums = sums[1:-1]  # the analytic signal of a stretch is not right at its ends
        middle_s = 0.5 * (time_s[edges[1:-2]] + time_s[edges[2:-1]])
        off = np.unwrap(np.angle(sums)) + 0.5 * np.pi  # a sine is e^{jφ} turned back by 90°
        constant_s = model.rate_constant_s
        u = (middle_s - model.reference_s) / constant_s
        grown = 2.0 * np.pi * model.reference_hz * np.exp(u)
        columns = np.stack([np.ones_like(u), grown * constant_s, grown * (1.0 - u)], axis=1)
        sizes = np.max(np.abs(columns), axis=0)
        step = np.linalg.lstsq(columns / sizes, off, rcond=None)[0] / sizes
        misfit = float(np.sqrt(np.mean((off - columns @ step) ** 2)))
        model = FittedSweep(
            model.reference_s,
            model.reference_hz * float(np.exp(step[1])),
            constant_s + float(step[2]),
            model.phase_rad + float(step[0]),
            misfit_rad=misfit,
        )
    return model


def _analytic(signal: FloatArray) -> ComplexArray:
    """Return a stretch without its negative frequencies."""
    length = fast_length(len(signal))
    spectrum = np.fft.fft(signal, length)
    spectrum[length // 2 + 1 :] = 0.0
    return np.asarray(np.fft.ifft(spectrum)[: len(signal)])


def _period_edges(phase: FloatArray, periods: float) -> IntArray:
    """Return the samples at which a rising phase has passed so many periods more."""
    turns = phase / (2.0 * np.pi * periods)
    whole = np.arange(np.ceil(turns[0]), np.floor(turns[-1]) + 1.0)
    return np.asarray(np.searchsorted(turns, whole), dtype=np.int64)


def _with_ends(
    samples: FloatArray,
    rate_hz: int,
    fitted: FittedSweep,
    rough: RoughSweep,
    *,
    earliest: int,
    latest: int,
) -> FittedSweep:
    """Add amplitude, ends and the stretch of full level to a fitted sweep."""
    first = max(earliest, round(fitted.time_of_s(LEAST_HZ) * rate_hz))
    last = min(latest, int(fitted.time_of_s(0.5 * rate_hz) * rate_hz))
    time_s = np.arange(first, last) / rate_hz
    phase = fitted.phase_at(time_s)
    edges = _groups(phase)
    found = _amplitudes(samples[first:last], phase, edges)
    edges_s = time_s[np.minimum(edges, len(time_s) - 1)]
    middle_s = 0.5 * (edges_s[:-1] + edges_s[1:])
    shown = (middle_s > rough.first_s) & (middle_s < rough.last_s)
    # An even weight to every octave: the groups' number grows with frequency.
    weight = np.diff(edges_s) * shown
    amplitude = _weighted_median(found, weight)
    full = np.abs(found / amplitude - 1.0) < FULL_WITHIN
    anchor = int(np.searchsorted(middle_s, np.median(middle_s[shown & full])))
    low, high = _run_around(full, anchor)
    full_first, full_last = first + int(edges[low]), first + int(edges[high])
    quiet = round(SILENT_S * rate_hz)
    # What lies outside the file is silent.
    outside = (quiet + 1) * (earliest <= 0), (quiet + 1) * (latest >= len(samples))
    before = np.pad(samples[earliest:full_first][::-1], (0, outside[0]))
    behind = np.pad(samples[full_last:latest], (0, outside[1]))
    return FittedSweep(
        fitted.reference_s,
        fitted.reference_hz,
        fitted.rate_constant_s,
        float(np.remainder(fitted.phase_rad, 2.0 * np.pi)),
        amplitude=amplitude,
        first=full_first - _silence_after(before, amplitude, quiet),
        last=full_last + _silence_after(behind, amplitude, quiet),
        full_first=full_first,
        full_last=full_last,
        misfit_rad=fitted.misfit_rad,
    )


def _silence_after(fade: FloatArray, amplitude: float, quiet: int) -> int:
    """Return after how many samples a fade is silent for ``quiet`` ones; 0 where it never is."""
    heard = np.flatnonzero(np.abs(fade) > SOUNDS_FROM * amplitude)
    begins = np.concatenate([[0], heard + 1])
    lasts = np.diff(np.concatenate([begins, [len(fade)]])) > quiet
    return int(begins[np.argmax(lasts)]) if np.any(lasts) else 0


def _groups(phase: FloatArray) -> IntArray:
    """Return where groups of whole half periods, of GROUP_SAMPLES or more, begin and end."""
    edges = _period_edges(phase, 0.5)
    kept = [int(edges[0])]
    slow = edges[:-1][np.diff(edges) >= GROUP_SAMPLES]
    kept += [int(edge) for edge in slow[1:]]
    start = int(slow[-1]) if len(slow) else kept[0]
    rest = edges[edges >= start + GROUP_SAMPLES]
    places = np.searchsorted(rest, np.arange(start + GROUP_SAMPLES, edges[-1], GROUP_SAMPLES))
    return np.unique(np.concatenate([kept, rest[places[places < len(rest)]]]).astype(np.int64))


def _amplitudes(signal: FloatArray, phase: FloatArray, edges: IntArray) -> FloatArray:
    """Return, per group, the amplitude of the sine fitted to it in phase, the cosine taken out."""
    sine, cosine = np.sin(phase), np.cos(phase)
    products = (sine * sine, cosine * cosine, sine * cosine, signal * sine, signal * cosine)
    ss, cc, sc, xs, xc = (np.add.reduceat(part, edges)[: len(edges) - 1] for part in products)
    return np.asarray((xs * cc - xc * sc) / np.maximum(ss * cc - sc * sc, 1e-12))


def _weighted_median(values: FloatArray, weight: FloatArray) -> float:
    order = np.argsort(values)
    running = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(running, 0.5 * running[-1])])


def _run_around(flags: BoolArray, anchor: int) -> tuple[int, int]:
    """Return where the run of True around a place begins, and the place after it."""
    low = high = anchor
    while low > 0 and flags[low - 1]:
        low -= 1
    while high < len(flags) and flags[high]:
        high += 1
    return low, high
