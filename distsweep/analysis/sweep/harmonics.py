"""Each harmonic's amplitude against frequency, at every rung of a ladder."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.cut import CutLadder
from distsweep.analysis.noise.background import NoiseSpectrum
from distsweep.analysis.settings import TakeSettings
from distsweep.analysis.sweep.arrivals import Arrivals, find_arrivals
from distsweep.analysis.sweep.deconvolution import Deconvolver, Responses
from distsweep.analysis.sweep.grid import frequency_grid
from distsweep.analysis.sweep.high_orders import HighOrders, mean_of_passes
from distsweep.analysis.sweep.mended import read_mended
from distsweep.analysis.sweep.passes import PassSpread
from distsweep.analysis.sweep.separation import (
    averaged,
    fundamental_at_multiples,
    loudest_clean,
)
from distsweep.analysis.sweep.spoilt import LeftOver, clock_damage
from distsweep.analysis.sweep.windows import HarmonicWindow
from distsweep.results import Damage
from distsweep.stimulus.sweep import Sweep
from distsweep.units import BoolArray, ComplexArray, FloatArray

LEAKING_ORDERS = 4
"""Highest order whose leak through the method itself is computed (chosen: beyond it the leak lies
below −130 dB even in the shortest sweep allowed, and below −200 dB in one of 8 s)."""

LEAK_RATE_OF_BAND = 200.0
"""Sampling rate, over the band's lower end, at which the method's own leak is computed
(chosen: at 20 Hz that is 4 kHz; above 36 times the band's lower end the leak of the shortest
sweep allowed lies below −140 dB)."""


GUARDED = 1.5
"""Frequency at which a sweep's fade-in ends, over that of its start, from which the two constants
above hold (chosen: this program's sweeps have 1.75). What begins more abruptly leaks into all
orders, far up, and the more, the better the loudspeaker radiates at n·f than at f."""

ABRUPT_LEAK_RATE_OF_BAND = 2000.0
"""The sampling rate in place of LEAK_RATE_OF_BAND then (chosen: 2 s from 5 Hz leak −80 dB at 80
times their start)."""

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
class SweptHarmonics:
    """Complex harmonics on the grid, phase re the arrival; full scale 1, corrected.

    Attributes
    ----------
    frequency_hz : excitation frequency, shape ``(F,)``.
    values : shape ``(order, R, F)``; row 0 is the fundamental; NaN above the band.
    floors : RMS of the background there, shape ``(order, R, F)``; NaN if unknown.
    linear : the fundamental of the loudest clean rung, heard at n·f through order n's windows,
        shape ``(order, F)``; NaN where no rung is clean.
    rate_constant_s, sweep_s : of the sweep as played: L, and its length.
    """

    frequency_hz: FloatArray
    values: ComplexArray
    floors: FloatArray
    linear: ComplexArray
    rate_constant_s: float
    sweep_s: float

    def of_rows(self, rows: Sequence[int]) -> SweptHarmonics:
        """Return those of some rungs."""
        chosen = list(rows)
        return replace(self, values=self.values[:, chosen], floors=self.floors[:, chosen])


@dataclass(frozen=True)
class Amplitudes:
    """Amplitudes (full scale 1, corrected for the microphone) on the grid.

    Attributes
    ----------
    frequency_hz : excitation frequency, shape ``(F,)``.
    orders : shape ``(order, R, F)``; row 0 is the fundamental; NaN above the band. Each is the mean
        of a rung's passes, but for those left out.
    floors : what the background alone shows there, shape ``(order, R, F)``; NaN if unknown.
    degrees : degrees of freedom of the floors, shape ``(order, R, F)``.
    independent_hz : a band's noise is worth as many independent values as it holds of these, in
        radiated frequency, shape ``(order, F)``.
    leaks : what a perfect loudspeaker shows there re its fundamental, shape ``(order, F)``.
    high_orders, high_order_floors : root of the energy above the highest order, ``(R, F)``.
    impulses : the first of these where the loudspeaker makes it at the same moments of several
        passes, without the floors, ``(R, F)``; NaN elsewhere.
    usable : False where the recording was clipped or the window resolves nothing,
        shape ``(order, R, F)``.
    gain_doubt_db : half-width of the 95 % interval of the recorder's gain, shape ``(R,)``; NaN
        where an automatic gain was at work.
    spread : what the passes differ by beyond the floors; None where there is one a rung.
    left_out : rung and pass of each that was unlike the others of its rung.
    differing : rungs whose passes, as far as they are averaged, differ beyond the floors.
    noise : of the silences; None where they were not recorded.
    damage : what happened to the recording in its sweeps; ``rung`` is the row.
    rate_constant_s : of the sweep as played.
    arrivals : when each rung's sound arrives.
    impulse : the fundamental's impulse response at the loudest rung that did not clip, not
        corrected for the microphone; None where every rung clipped.
    swept : the same harmonics, complex.
    """

    frequency_hz: FloatArray
    orders: FloatArray
    floors: FloatArray
    degrees: FloatArray
    independent_hz: FloatArray
    leaks: FloatArray
    high_orders: FloatArray
    high_order_floors: FloatArray
    impulses: FloatArray
    usable: BoolArray
    gain_doubt_db: FloatArray
    spread: PassSpread | None
    left_out: list[tuple[int, int]]
    differing: list[int]
    noise: NoiseSpectrum | None
    damage: list[Damage]
    rate_constant_s: float
    arrivals: Arrivals
    impulse: ImpulseResponse | None
    swept: SweptHarmonics


def measure_harmonics(cut: CutLadder, settings: TakeSettings) -> Amplitudes:
    """Deconvolve every rung of a take and read its harmonics off.

    The rungs of the result are those of ``cut.rungs``, in that order.
    """
    grid = frequency_grid(settings.band_hz)
    longest = max(len(signal) for rung in cut.rungs for signal in rung.signals)
    recorded = cut.sweep.as_recorded(cut.scale)
    deconvolver = Deconvolver(recorded, samples=longest, order=settings.order)
    read = read_mended(deconvolver, cut, settings, grid, sweep=recorded)
    cut, arrival, passes = read.cut, read.arrival, read.passes
    separated = averaged(passes, cut.rungs, grid)
    responses = read.responses.averaged(separated.kept)
    rungs = cut.without(separated.left_out)
    loudest = loudest_clean(rungs)
    high = _high_orders(read.left, separated.kept, cut, settings, grid)
    multiples = fundamental_at_multiples(passes, responses, arrival, loudest)
    return Amplitudes(
        frequency_hz=grid,
        orders=np.abs(separated.orders),
        floors=separated.floors,
        degrees=separated.degrees,
        independent_hz=passes.independent_hz,
        leaks=_leaks(recorded, settings, grid / cut.scale, multiples),
        high_orders=high[0],
        high_order_floors=high[1],
        impulses=high[2],
        usable=separated.usable,
        gain_doubt_db=np.array(
            [rung.gain_doubt_db if cut.gain_known else np.nan for rung in cut.rungs]
        ),
        spread=separated.spread,
        left_out=separated.left_out,
        differing=separated.differing,
        noise=read.left.noise,
        damage=[
            *read.damage,
            *clock_damage(
                separated.out_of_step, read.left, cut, deconvolver, grid / cut.scale
            ),
        ],
        rate_constant_s=cut.sweep.rate_constant_s,
        arrivals=find_arrivals(responses, settings.band_hz),
        impulse=_impulse_response(responses, arrival, loudest),
        swept=SweptHarmonics(
            grid, separated.orders, separated.floors,
            multiples,
            cut.sweep.rate_constant_s, cut.sweep.duration_s,
        ),
    )  # fmt: skip


def _high_orders(
    left: LeftOver,
    kept: Sequence[Sequence[int]],
    cut: CutLadder,
    settings: TakeSettings,
    grid: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return what is above the highest order, its floors, and impulses; see `Amplitudes`."""
    upper_hz = settings.band_hz[1] / cut.scale
    high = HighOrders(left.layout, grid / cut.scale, order=settings.order, upper_hz=upper_hz)
    drive = cut.sweep.drive_ratio(grid)
    amplitudes = mean_of_passes(high.amplitude(left.density, left.damaged), kept) / drive
    floors = np.tile(high.floor(left.background) / drive, (len(cut.rungs), 1))
    own = left.own
    if not np.any(own):
        return amplitudes, floors, np.full_like(amplitudes, np.nan)
    impulses = mean_of_passes(high.amplitude(left.density, ~own), kept) / drive
    power = impulses**2 - floors**2
    return amplitudes, floors, np.sqrt(np.where(power > 0.0, power, np.nan))


def _impulse_response(
    responses: Responses, arrival: int, row: int | None
) -> ImpulseResponse | None:
    """Keep the loudest clean rung's fundamental: noise is farthest away there."""
    if row is None:
        return None
    origin = int(IMPULSE_BEFORE_S * responses.rate_hz)
    first = responses.origin + arrival - origin
    last = first + origin + int(IMPULSE_AFTER_S * responses.rate_hz)
    return ImpulseResponse(responses.full[row, first:last].copy(), origin, responses.rate_hz, row)


def _is_abrupt(sweep: Sweep) -> bool:
    """Tell whether a sweep of another program begins without a guard band below its fade-in."""
    return sweep.full_from_hz < GUARDED * sweep.start_hz


def _leaks(
    recorded: Sweep, settings: TakeSettings, grid: FloatArray, multiples: ComplexArray
) -> FloatArray:
    """Return what a perfect loudspeaker shows at each harmonic, re its fundamental.

    That is the sweep's lower end seen through the windows: a matter of low frequencies, so
    it is computed on the same sweep sampled at a low rate and stopped early, and taken as
    nothing above. Shape ``(order, F)``. What an abrupt sweep leaks is taken times what the
    loudspeaker radiates at n·f (``multiples``, of that shape) re f, where that is more.
    """
    leaks = np.where(np.arange(settings.order)[:, None] == 0, 1.0, np.zeros(len(grid)))
    abrupt = _is_abrupt(recorded)
    of_band = ABRUPT_LEAK_RATE_OF_BAND if abrupt else LEAK_RATE_OF_BAND
    rate_hz = min(recorded.rate_hz, round(of_band * settings.band_hz[0]))
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
    for index in range(settings.order if abrupt else min(settings.order, LEAKING_ORDERS)):
        order = index + 1
        held = order * grid <= 0.5 * low.full_to_hz
        if not np.any(held):
            break
        window = HarmonicWindow(deconvolver, order, order * grid[held])
        seen = np.abs(window.spectrum(response, 0)[0])
        if order == 1:
            fundamental[held] = seen
        leaks[index, held] = seen / fundamental[held]
    if abrupt:
        with np.errstate(invalid="ignore", divide="ignore"):
            radiated = np.abs(multiples[1:] / multiples[0])
        leaks[1:] *= np.nan_to_num(np.maximum(radiated, 1.0), nan=1.0, posinf=1.0)
    return leaks
