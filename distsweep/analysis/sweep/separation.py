"""Harmonics read off their windows, pass by pass, and the means over a rung's passes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.cut import CutLadder, CutRung
from distsweep.analysis.noise.background import NoiseSpectrum
from distsweep.analysis.noise.hum import Hum, line_power
from distsweep.analysis.settings import TakeSettings
from distsweep.analysis.sweep.deconvolution import Deconvolver, Responses
from distsweep.analysis.sweep.grid import POINTS_PER_OCTAVE
from distsweep.analysis.sweep.passes import (
    POOLED_POINTS,
    PassNoise,
    PassSpread,
    passes_differ,
    spread_of,
    unlike_pass,
)
from distsweep.analysis.sweep.side_by_side import side_by_side
from distsweep.analysis.sweep.windows import HarmonicWindow
from distsweep.units import BoolArray, ComplexArray, FloatArray, IntArray, db_to_ratio

OUT_OF_STEP = 0.15
"""Phase in radians by which the fundamental of a pass must differ from the first's, over a third of
an octave, to be turned (chosen: its mean would be 0.1 dB too low; 2 µs at 12 kHz)."""


@dataclass(frozen=True)
class Passes:
    """What is read off the windows of every order, pass by pass; see `Amplitudes`.

    All but ``independent_hz``, ``(order, F)``, have the shape ``(order, P, F)`` over the passes of
    all rungs, one rung's after the other's. ``windows`` are those of every order, None where its
    frequencies lie above the band; ``scaling`` is what their spectra were multiplied by, shape
    ``(order, F)``.
    """

    values: ComplexArray
    windows: list[HarmonicWindow | None]
    usable: BoolArray
    floors: FloatArray
    degrees: FloatArray
    independent_hz: FloatArray
    scaling: FloatArray


def read_passes(
    deconvolver: Deconvolver,
    responses: Responses,
    cut: CutLadder,
    settings: TakeSettings,
    grid: FloatArray,
    *,
    arrival: int,
    noise: NoiseSpectrum | None,
    hum: Hum,
) -> Passes:
    """Read every order's amplitudes on the grid, their floors, and what is usable."""
    drive = cut.sweep.drive_ratio(grid)
    clipped_samples = [samples for rung in cut.rungs for samples in rung.clipped_samples]
    shape = (settings.order, len(responses.full), len(grid))
    values, usable = np.full(shape, np.nan, dtype=complex), np.zeros(shape, dtype=bool)
    windows: list[HarmonicWindow | None] = [None] * settings.order
    floors, degrees = np.full(shape, np.nan), np.full(shape, np.nan)
    independent_hz, scalings = (np.full((shape[0], shape[2]), np.nan) for _ in range(2))

    def separate(order: int) -> None:
        index = order - 1
        radiated_hz = order * grid[order * grid <= settings.band_hz[1] * (1.0 + 1e-9)]
        if not len(radiated_hz):
            return
        held = slice(0, len(radiated_hz))
        window = HarmonicWindow(deconvolver, order, radiated_hz / cut.scale)
        scaling = db_to_ratio(-settings.correction_db(radiated_hz)) / drive[held]
        turned_back = np.exp(-1j * index * cut.sweep.phase_rad)
        values[index, :, held] = window.spectrum(responses, arrival) * (turned_back * scaling)
        windows[index], scalings[index, held] = window, scaling
        independent_hz[index, held] = window.independent_hz * cut.scale
        if noise is not None:
            degrees[index, :, held] = noise.degrees_around(window.energy_s / window.sum_s**2)
            # The silence holds the lines that stood in it: the larger counts.
            floor = np.maximum(
                floor_of_noise(deconvolver, window, noise), _floor_of_hum(deconvolver, window, hum)
            )
            floors[index, :, held] = floor * scaling
        usable[index, :, held] = window.resolves & ~_clipped(
            deconvolver, window, clipped_samples, grid[held] / cut.scale
        )

    side_by_side(separate, range(1, settings.order + 1))
    return Passes(values, windows, usable, floors, degrees, independent_hz, scalings)


@dataclass(frozen=True)
class Averages:
    """The means of rungs' passes: see `Amplitudes`; ``kept`` are the places of each rung's.

    ``out_of_step`` tells where a pass arrived at another time than its rung's first, ``(P, F)``.
    """

    orders: ComplexArray
    floors: FloatArray
    degrees: FloatArray
    usable: BoolArray
    spread: PassSpread | None
    left_out: list[tuple[int, int]]
    differing: list[int]
    kept: list[list[int]]
    out_of_step: BoolArray


def averaged(passes: Passes, rungs: Sequence[CutRung], grid: FloatArray) -> Averages:
    """Average the passes of each rung, but for one unlike the others of three or more."""
    width_hz = np.arange(1.0, len(passes.values) + 1.0)[:, None] * grid
    width_hz *= POOLED_POINTS * math.log(2.0) / POINTS_PER_OCTAVE
    windows = np.clip(width_hz / passes.independent_hz, 1.0, POOLED_POINTS)

    def noise_of(places: list[int]) -> PassNoise:
        return PassNoise(passes.floors[:, places] ** 2, passes.degrees[:, places], windows)

    values, apart = _in_step(passes.values, rungs)
    passes = replace(passes, values=values)
    left_out, kept = [], []
    for row in range(len(rungs)):
        own = _passes_of(rungs, row)
        unlike = unlike_pass(passes.values[:, own], noise_of(own))
        if unlike is not None:
            left_out.append((row, unlike))
            del own[unlike]
        kept.append(own)
    means = [_weighted_mean(passes, own) for own in kept]
    every, noises = [passes.values[:, own] for own in kept], [noise_of(own) for own in kept]
    differ = [passes_differ(*rung) for rung in zip(every, noises, strict=True)]
    orders, floors, degrees = (np.stack(part, axis=1) for part in zip(*means, strict=True))
    return Averages(
        orders=orders,
        floors=floors,
        degrees=degrees,
        usable=np.stack([np.any(passes.usable[:, own], axis=1) for own in kept], axis=1),
        spread=spread_of(every, noises),
        left_out=left_out,
        differing=[row for row, one in enumerate(differ) if one],
        kept=kept,
        out_of_step=apart,
    )


def _in_step(values: ComplexArray, rungs: Sequence[CutRung]) -> tuple[ComplexArray, BoolArray]:
    """Return passes turned so that each arrives when the first of its rung does.

    A delay turns order n by n times as much as the fundamental at the same excitation frequency, as
    both are heard at the same moment. The second is where a pass was out of step, ``(P, F)``.
    """
    turned, apart = values, np.zeros(values.shape[1:], dtype=bool)
    for row in range(len(rungs)):
        first, *others = _passes_of(rungs, row)
        for other in others:
            product = np.nan_to_num(np.conj(values[0, first]) * values[0, other])
            late = np.angle(np.convolve(product, np.ones(POOLED_POINTS), mode="same"))
            out_of_step = np.abs(late) > OUT_OF_STEP
            if np.sum(out_of_step) < POOLED_POINTS:
                continue
            apart[other] = out_of_step
            turned = turned.copy() if turned is values else turned
            orders = np.arange(1.0, len(values) + 1.0)[:, None]
            turned[:, other] *= np.exp(-1j * orders * late)
    return turned, apart


def _weighted_mean(passes: Passes, own: list[int]) -> tuple[ComplexArray, FloatArray, FloatArray]:
    """Return the mean of passes, its floor, and that one's degrees, shape ``(order, F)`` each.

    Each counts by the reciprocal of its noise's power, so that one that was disturbed counts less;
    one that is not usable counts where none is.
    """
    values, floors, degrees, usable = (
        part[:, own] for part in (passes.values, passes.floors, passes.degrees, passes.usable)
    )
    counts = usable | ~np.any(usable, axis=1, keepdims=True)
    with np.errstate(invalid="ignore", divide="ignore"):
        part = np.where(np.isfinite(floors) & (floors > 0.0), floors**-2.0, 1.0) * counts
        weight = part / np.sum(part, axis=1, keepdims=True)
    return (
        np.sum(weight * values, axis=1),
        np.sqrt(np.sum((weight * floors) ** 2, axis=1)),
        np.sum(weight * degrees, axis=1),
    )


def fundamental_at_multiples(
    passes: Passes, responses: Responses, arrival: int, row: int | None
) -> ComplexArray:
    """Return a response's fundamental at n·f through order n's windows, shape ``(order, F)``.

    NaN above the band, and everywhere where ``row`` is None.
    """
    heard = np.full(passes.independent_hz.shape, np.nan, dtype=complex)
    if row is None:
        return heard
    response = responses.of_rows([row])

    def look(order: int) -> None:
        window = passes.windows[order - 1]
        if window is not None:
            spectrum = window.spectrum(response, arrival, of_order=1)[0]
            heard[order - 1, : len(spectrum)] = spectrum

    side_by_side(look, range(1, len(heard) + 1))
    return heard


def _passes_of(rungs: Sequence[CutRung], row: int) -> list[int]:
    """Return the places of a rung's passes among those of all rungs."""
    first = sum(len(rung.signals) for rung in rungs[:row])
    return list(range(first, first + len(rungs[row].signals)))


def loudest_clean(rungs: Sequence[CutRung]) -> int | None:
    """Return the row of the loudest rung that did not clip; None where there is none."""
    clean = [row for row, rung in enumerate(rungs) if rung.role == "rung" and not rung.clipped]
    return max(clean, key=lambda index: rungs[index].drive_dbfs, default=None)


def floor_of_noise(
    deconvolver: Deconvolver, window: HarmonicWindow, noise: NoiseSpectrum
) -> FloatArray:
    """Return the RMS amplitude that the background shows through a window, shape ``(G,)``.

    White noise of two-sided density S, weighted by the inverse and windowed, has the mean
    squared spectrum S·|X̃|²·∫w² dt.
    """
    bandwidth_hz = window.energy_s / window.sum_s**2
    density = noise.mean_around(window.radiated_hz, bandwidth_hz) / 2.0
    gain = deconvolver.inverse_gain(window.radiated_hz)
    return np.asarray(gain * np.sqrt(density * window.energy_s))


def _floor_of_hum(deconvolver: Deconvolver, window: HarmonicWindow, hum: Hum) -> FloatArray:
    """Return the RMS amplitude that lines of hum show through a window, shape ``(P, G)``."""
    power = line_power(hum.during, window.radiated_hz, window.energy_s, window.sum_s)
    return np.asarray(deconvolver.inverse_gain(window.radiated_hz) * np.sqrt(power))


def _clipped(
    deconvolver: Deconvolver,
    window: HarmonicWindow,
    clipped_samples: Sequence[IntArray],
    excitation_hz: FloatArray,
) -> BoolArray:
    """Tell where a clipped sample fell into the time that a window looks at, ``(P, G)``."""
    passed_s = deconvolver.rate_constant_s * np.log(excitation_hz / deconvolver.start_hz)
    spoilt = np.zeros((len(clipped_samples), len(excitation_hz)), dtype=bool)
    for row, samples in enumerate(clipped_samples):
        times_s = samples / deconvolver.rate_hz
        spoilt[row] = np.searchsorted(times_s, passed_s + window.after_s) > np.searchsorted(
            times_s, passed_s - window.before_s
        )
    return spoilt
