"""Each harmonic's amplitude against frequency, at every rung of a ladder."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.cut import CutLadder, CutRung
from distsweep.analysis.noise.background import NoiseSpectrum, noise_spectrum
from distsweep.analysis.settings import TakeSettings
from distsweep.analysis.sweep.arrivals import Arrivals, find_arrivals
from distsweep.analysis.sweep.deconvolution import ARRIVAL_SEARCH_S, Deconvolver, Responses
from distsweep.analysis.sweep.high_orders import HighOrders
from distsweep.analysis.sweep.passes import (
    POOLED_POINTS,
    PassNoise,
    PassSpread,
    spread_of,
    unlike_pass,
)
from distsweep.analysis.sweep.side_by_side import side_by_side
from distsweep.analysis.sweep.windows import HarmonicWindow
from distsweep.stimulus.sweep import Sweep
from distsweep.units import BoolArray, ComplexArray, FloatArray, IntArray, db_to_ratio

POINTS_PER_OCTAVE = 48
"""Grid of excitation frequencies (chosen: its steps of 1.5 % are about as wide as a mode of Q 60 is
at half its power)."""

LEAKING_ORDERS = 4
"""Highest order whose leak through the method itself is computed (chosen: beyond it the leak lies
below −130 dB even in the shortest sweep allowed, and below −200 dB in one of 8 s)."""

LEAK_RATE_OF_BAND = 200.0
"""Sampling rate, over the band's lower end, at which the method's own leak is computed
(chosen: at 20 Hz that is 4 kHz; above 36 times the band's lower end the leak of the shortest
sweep allowed lies below −140 dB)."""


IMPULSE_BEFORE_S, IMPULSE_AFTER_S = 0.01, 0.5
"""What is kept of the fundamental's impulse response around the direct sound (chosen: a mode of
Q 60 at 150 Hz falls by 34 dB in half a second)."""


@dataclass(frozen=True)
class ImpulseResponse:
    """The fundamental's impulse response around the direct sound.

    Attributes
    ----------
    samples : amplitude over that of the sweep, per sample, shape ``(S,)``.
    origin : the sample of the direct sound.
    rate_hz : sampling rate.
    rung : the row of the ladder's rungs that it was taken from.
    """

    samples: FloatArray
    origin: int
    rate_hz: float
    rung: int


@dataclass(frozen=True)
class Amplitudes:
    """Amplitudes (full scale 1, corrected for the microphone) on the grid.

    Attributes
    ----------
    frequency_hz : excitation frequency, shape ``(F,)``.
    orders : shape ``(order, R, F)``; row 0 is the fundamental; NaN above the band. Each is the mean
        of a rung's passes, but for those left out.
    floors : what the background alone shows there, shape ``(order, R, F)``; NaN if unknown.
    degrees : degrees of freedom of the floors, shape ``(order, F)``.
    independent_hz : a band's noise is worth as many independent values as it holds of these, in
        radiated frequency, shape ``(order, F)``.
    leaks : what a perfect loudspeaker shows there re its fundamental, shape ``(order, F)``.
    high_orders, high_order_floors : root of the energy above the highest order, ``(R, F)``.
    usable : False where the recording was clipped or the window resolves nothing,
        shape ``(order, R, F)``.
    spread : what the passes differ by beyond the floors; None where there is one a rung.
    left_out : rung and pass of each that was unlike the others of its rung.
    noise : of the silences; None where they were not recorded.
    rate_constant_s : of the sweep as played.
    arrivals : when each rung's sound arrives.
    impulse : the fundamental's impulse response at the loudest rung that did not clip, not
        corrected for the microphone; None where every rung clipped.
    """

    frequency_hz: FloatArray
    orders: FloatArray
    floors: FloatArray
    degrees: FloatArray
    independent_hz: FloatArray
    leaks: FloatArray
    high_orders: FloatArray
    high_order_floors: FloatArray
    usable: BoolArray
    spread: PassSpread | None
    left_out: list[tuple[int, int]]
    noise: NoiseSpectrum | None
    rate_constant_s: float
    arrivals: Arrivals
    impulse: ImpulseResponse | None


def frequency_grid(band_hz: tuple[float, float]) -> FloatArray:
    """Return excitation frequencies, 48 an octave from the band's lower end on, in Hz."""
    octaves = math.log2(band_hz[1] / band_hz[0])
    steps = np.arange(int(octaves * POINTS_PER_OCTAVE + 1e-9) + 1)
    return np.asarray(band_hz[0] * 2.0 ** (steps / POINTS_PER_OCTAVE))


def measure_harmonics(cut: CutLadder, settings: TakeSettings) -> Amplitudes:
    """Deconvolve every rung of a take and read its harmonics off.

    The rungs of the result are those of ``cut.rungs``, in that order.
    """
    grid = frequency_grid(settings.band_hz)
    longest = max(len(signal) for rung in cut.rungs for signal in rung.signals)
    recorded = cut.sweep.as_recorded(cut.scale)
    deconvolver = Deconvolver(recorded, samples=longest, order=settings.order)
    responses = deconvolver.responses(
        [rung.signals for rung in cut.rungs], [rung.late_samples for rung in cut.rungs]
    )
    arrival = _arrival(responses)
    noise = noise_spectrum(cut.quiet, rate_hz=deconvolver.rate_hz, step=cut.step)
    passes = _read_passes(deconvolver, responses, cut, settings, grid, arrival=arrival, noise=noise)
    separated = _averaged(passes, [len(rung.signals) for rung in cut.rungs])
    responses = responses.averaged(separated.kept)
    high = HighOrders(
        deconvolver,
        grid,
        order=settings.order,
        upper_hz=settings.band_hz[1],
        scale=cut.scale,
    )
    drive = cut.sweep.drive_ratio(grid)
    return Amplitudes(
        frequency_hz=grid,
        orders=separated.orders,
        floors=separated.floors,
        degrees=passes.degrees,
        independent_hz=passes.independent_hz,
        leaks=_leaks(recorded, settings, grid / cut.scale),
        high_orders=high.amplitude(_first_kept(cut.rungs, separated.left_out)) / drive,
        high_order_floors=np.tile(high.floor(noise) / drive, (len(cut.rungs), 1)),
        usable=separated.usable,
        spread=separated.spread,
        left_out=separated.left_out,
        noise=noise,
        rate_constant_s=cut.sweep.rate_constant_s,
        arrivals=find_arrivals(responses, settings.band_hz),
        impulse=_impulse_response(responses, arrival, cut.rungs),
    )


@dataclass(frozen=True)
class _Passes:
    """What is read off the windows of every order, pass by pass; see `Amplitudes`.

    ``values`` and ``usable`` have the shape ``(order, P, F)`` over the passes of all rungs, one
    rung's after the other's; ``floors`` are those of a single pass, ``(order, F)``.
    """

    values: ComplexArray
    usable: BoolArray
    floors: FloatArray
    degrees: FloatArray
    independent_hz: FloatArray
    frequency_hz: FloatArray


def _read_passes(
    deconvolver: Deconvolver,
    responses: Responses,
    cut: CutLadder,
    settings: TakeSettings,
    grid: FloatArray,
    *,
    arrival: int,
    noise: NoiseSpectrum | None,
) -> _Passes:
    """Read every order's amplitudes, their floors, and what is usable."""
    drive = cut.sweep.drive_ratio(grid)
    clipped_samples = [samples for rung in cut.rungs for samples in rung.clipped_samples]
    shape = (settings.order, len(responses.full), len(grid))
    values, usable = np.full(shape, np.nan, dtype=complex), np.zeros(shape, dtype=bool)
    floors, degrees, independent_hz = (np.full((shape[0], shape[2]), np.nan) for _ in range(3))

    def separate(order: int) -> None:
        index = order - 1
        radiated_hz = order * grid[order * grid <= settings.band_hz[1] * (1.0 + 1e-9)]
        if not len(radiated_hz):
            return
        held = slice(0, len(radiated_hz))
        window = HarmonicWindow(deconvolver, order, radiated_hz / cut.scale)
        scaling = db_to_ratio(-settings.correction_db(radiated_hz)) / drive[held]
        values[index, :, held] = window.spectrum(responses, arrival) * scaling
        independent_hz[index, held] = window.independent_hz * cut.scale
        if noise is not None:
            degrees[index, held] = noise.degrees_around(window.energy_s / window.sum_s**2)
            floors[index, held] = _floor(deconvolver, window, noise) * scaling
        usable[index, :, held] = window.resolves & ~_clipped(
            deconvolver, window, clipped_samples, grid[held] / cut.scale
        )

    side_by_side(separate, range(1, settings.order + 1))
    return _Passes(values, usable, floors, degrees, independent_hz, grid)


@dataclass(frozen=True)
class _Averaged:
    """The means of rungs' passes: see `Amplitudes`; ``kept`` are each rung's, of all passes."""

    orders: FloatArray
    floors: FloatArray
    usable: BoolArray
    spread: PassSpread | None
    left_out: list[tuple[int, int]]
    kept: list[list[int]]


def _averaged(passes: _Passes, counts: Sequence[int]) -> _Averaged:
    """Average the passes of each rung, of which there are ``counts``, but for one unlike them."""
    width_hz = np.arange(1.0, len(passes.values) + 1.0)[:, None] * passes.frequency_hz
    width_hz *= POOLED_POINTS * math.log(2.0) / POINTS_PER_OCTAVE
    background = PassNoise(
        power=passes.floors**2,
        degrees=passes.degrees,
        windows=np.clip(width_hz / passes.independent_hz, 1.0, POOLED_POINTS),
    )
    kept, left_out, first = [], [], 0
    for rung, count in enumerate(counts):
        own = list(range(first, first + count))
        first += count
        unlike = unlike_pass(passes.values[:, own], background)
        if unlike is not None:
            left_out.append((rung, unlike))
            del own[unlike]
        kept.append(own)
    values = [passes.values[:, own] for own in kept]
    number = np.array([len(own) for own in kept])[:, None]
    return _Averaged(
        orders=np.stack([np.abs(np.mean(one, axis=1)) for one in values], axis=1),
        floors=passes.floors[:, None] / number**0.5,
        usable=np.stack([np.all(passes.usable[:, own], axis=1) for own in kept], axis=1),
        spread=spread_of(values, background),
        left_out=left_out,
        kept=kept,
    )


def _first_kept(rungs: Sequence[CutRung], left_out: Sequence[tuple[int, int]]) -> list[FloatArray]:
    """Return of each rung the first pass that was not left out."""
    return [rung.signals[(row, 0) in left_out] for row, rung in enumerate(rungs)]


def _impulse_response(
    responses: Responses, arrival: int, rungs: Sequence[CutRung]
) -> ImpulseResponse | None:
    """Keep the loudest clean rung's fundamental: noise is farthest away there."""
    clean = [row for row, rung in enumerate(rungs) if rung.role == "rung" and not rung.clipped]
    if not clean:
        return None
    row = max(clean, key=lambda index: rungs[index].drive_dbfs)
    origin = int(IMPULSE_BEFORE_S * responses.rate_hz)
    first = responses.origin + arrival - origin
    last = first + origin + int(IMPULSE_AFTER_S * responses.rate_hz)
    return ImpulseResponse(responses.full[row, first:last].copy(), origin, responses.rate_hz, row)


def _arrival(responses: Responses) -> int:
    """Return the sample of the direct sound: the largest of all rungs' summed energies."""
    reach = int(ARRIVAL_SEARCH_S * responses.rate_hz)
    around = responses.full[:, responses.origin - reach : responses.origin + reach + 1]
    return int(np.argmax(np.sum(around**2, axis=0))) - reach


def _leaks(recorded: Sweep, settings: TakeSettings, grid: FloatArray) -> FloatArray:
    """Return what a perfect loudspeaker shows at each harmonic, re its fundamental.

    That is the sweep's lower end seen through the windows: a matter of low frequencies, so
    it is computed on the same sweep sampled at a low rate and stopped early, and taken as
    nothing above. Shape ``(order, F)``.
    """
    leaks = np.where(np.arange(settings.order)[:, None] == 0, 1.0, np.zeros(len(grid)))
    rate_hz = min(recorded.rate_hz, round(LEAK_RATE_OF_BAND * settings.band_hz[0]))
    stop_hz = min(recorded.stop_hz, 0.45 * rate_hz)
    low = replace(
        recorded,
        rate_hz=rate_hz,
        stop_hz=stop_hz,
        full_to_hz=min(recorded.full_to_hz, 0.8 * stop_hz),
        samples=int(recorded.time_of_s(stop_hz) * rate_hz),
    )
    pause_s = 0.2
    samples = low.samples + int(pause_s * rate_hz)
    deconvolver = Deconvolver(low, samples=samples, order=settings.order)
    response = deconvolver.responses([[low.waveform()]], [[0.0]])
    fundamental = np.ones(len(grid))
    for index in range(min(settings.order, LEAKING_ORDERS)):
        order = index + 1
        held = order * grid <= 0.5 * low.full_to_hz
        if not np.any(held):
            break
        window = HarmonicWindow(deconvolver, order, order * grid[held])
        seen = np.abs(window.spectrum(response, 0)[0])
        if order == 1:
            fundamental[held] = seen
        leaks[index, held] = seen / fundamental[held]
    return leaks


def _floor(deconvolver: Deconvolver, window: HarmonicWindow, noise: NoiseSpectrum) -> FloatArray:
    """Return the RMS amplitude that the background shows through a window, shape ``(G,)``.

    White noise of two-sided density S, weighted by the inverse and windowed, has the mean
    squared spectrum S·|X̃|²·∫w² dt.
    """
    bandwidth_hz = window.energy_s / window.sum_s**2
    density = noise.mean_around(window.radiated_hz, bandwidth_hz) / 2.0
    gain = deconvolver.inverse_gain(window.radiated_hz)
    return np.asarray(gain * np.sqrt(density * window.energy_s))


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
