"""Cutting one harmonic out of the impulse response, and its spectrum on the grid.

The window has about a constant number of periods, so that the noise falls where resolution
is not needed, and reaches at most half-way to the neighbouring harmonics.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from distsweep.analysis.sweep.deconvolution import LOW_STEP, Deconvolver, Responses
from distsweep.fast_length import fast_length
from distsweep.units import BoolArray, ComplexArray, FloatArray, IntArray

CYCLES_BEFORE = 24.0
"""Periods kept before the arrival, at an octave's lower end (chosen: with 16 the sweep's
upper end moves the fundamental at 20 kHz by 0.010 dB, with 24 by 0.004 dB)."""

CYCLES_AFTER = 64.0
"""Periods kept after the arrival, at an octave's lower end (chosen: a resonance of Q 60 has
lost 29 dB by then; twice as many would raise the floor by 3 dB)."""

FLAT_BEFORE, FLAT_AFTER = 0.1, 0.5
"""Share of each side on which the window is 1; the rest is half a cosine (chosen: what comes
just after the arrival counts whole; before it there is only the next order's tail)."""

MEAN_SQUARES = tuple(flat + 0.375 * (1.0 - flat) for flat in (FLAT_BEFORE, FLAT_AFTER))
"""Mean square of a window's two sides (by the definition of half a cosine, whose own is 3/8)."""

MEAN_FOURTHS = np.array([flat + 35.0 / 128.0 * (1.0 - flat) for flat in (FLAT_BEFORE, FLAT_AFTER)])
"""Mean fourth power of the two sides (by the definition of half a cosine, whose own is 35/128)."""

IN_STEP = float(
    (CYCLES_BEFORE * MEAN_FOURTHS[0] + CYCLES_AFTER * MEAN_FOURTHS[1])
    / (CYCLES_BEFORE * MEAN_SQUARES[0] + CYCLES_AFTER * MEAN_SQUARES[1])
)
"""∫w⁴/∫w² of a window in full (by its definition 0.90; 0.87 to 0.93 where neighbours cut it short).

A band's noise is worth B·(∫w²)²/∫w⁴ independent values in power, and B·∫w²/w(0)² in step with what
arrives at time zero, where w is 1: so many times fewer."""

LEAST_CYCLES = 4.0
"""A window shorter than this many periods does not resolve its frequency (chosen: neighbours a
quarter of an octave away, which its main lobe then reaches, are mixed in)."""

TAPS = 8
"""Points of the Lagrange interpolation between Fourier bins (chosen: with twofold
zero-padding the error is below 1e-5 of the response)."""


LAGRANGE_SCALE = np.array(
    [
        (-1.0) ** (TAPS - 1 - i) * math.factorial(i) * math.factorial(TAPS - 1 - i)
        for i in range(TAPS)
    ]
)
"""Π (i − j) over the other points j: the divisor of each Lagrange polynomial (its definition)."""

MEASURED_POINTS = 1000
"""Points over which a window is integrated (chosen: right to 0.1 %, 0.005 dB of a floor)."""

LOW_BELOW = 0.2
"""The low-rate copy serves frequencies below this fraction of its rate (chosen: two fifths of the
way to half that rate, clear of the edge at which it was cut off)."""


@dataclass(frozen=True)
class _Piece:
    """One window and the grid points that it serves, at the full rate or the low one."""

    low: bool
    before: int
    window: FloatArray
    length: int
    points: IntArray
    share: FloatArray
    bins: IntArray
    weights: FloatArray
    cycles_per_sample: FloatArray

    def seen(self, signals: FloatArray, centre: float) -> ComplexArray:
        """Return the windowed spectrum at the points, times their share, shape ``(R, P)``.

        The phase refers to ``centre``, which need not be a whole sample.
        """
        first = round(centre)
        after = len(self.window) - self.before
        padded = np.zeros((len(signals), self.length))
        # Another order's place may have less behind it than these windows reach.
        behind = signals[:, first : first + after]
        held = behind.shape[1]
        padded[:, :held] = behind * self.window[self.before : self.before + held]
        padded[:, self.length - self.before :] = (
            signals[:, first - self.before : first] * self.window[: self.before]
        )
        spectra = np.fft.rfft(padded, axis=1)
        at_points = np.einsum("rgt,gt->rg", spectra[:, self.bins], self.weights)
        turn = np.exp(-2j * np.pi * (first - centre) * self.cycles_per_sample)
        return np.asarray(self.share * turn * at_points)


@dataclass(frozen=True)
class WindowSpans:
    """The windows of one order, one an octave of radiated frequency.

    Attributes
    ----------
    order : counted from 1.
    lowest_hz : radiated frequency at the grid's lower end.
    rate_constant_s : the sweep's L; for the spans and energies of several, shape ``(…, 1)``.
    free_s : length of the impulse response's causal part, which limits the first order only.
    """

    order: int
    lowest_hz: float
    rate_constant_s: float | FloatArray
    free_s: float = math.inf

    def span_s(self, octave: int | IntArray) -> tuple[Any, Any]:
        """Return how far the windows of octaves reach before their centres, and after."""
        order, constant_s = self.order, self.rate_constant_s
        gap_before = 0.5 * constant_s * math.log((order + 1) / order)
        gap_after = 0.5 * constant_s * math.log(order / (order - 1)) if order > 1 else self.free_s
        nominal_hz = self.lowest_hz * 2.0**octave
        before_s, after_s = CYCLES_BEFORE / nominal_hz, CYCLES_AFTER / nominal_hz
        return np.minimum(gap_before, before_s), np.minimum(gap_after, after_s)

    def places(self, radiated_hz: FloatArray) -> tuple[IntArray, FloatArray]:
        """Return the lower of the two octaves that a frequency's window blends, and the share of
        the upper."""
        octave = np.log2(radiated_hz / self.lowest_hz)
        lower = np.floor(octave).astype(np.int64)
        return lower, octave - lower

    def energy_s(self, radiated_hz: FloatArray) -> FloatArray:
        """Return ∫w² dt of the windows that frequencies see, in seconds, shape ``(…, F)``.

        The product of the two windows that a frequency blends is taken for the mean of their
        squares, which is right to some percent.
        """
        lower, upper_share = self.places(np.maximum(radiated_hz, self.lowest_hz))
        low, high = (
            sum(square * side_s for square, side_s in zip(MEAN_SQUARES, sides_s, strict=True))
            for sides_s in (self.span_s(lower), self.span_s(lower + 1))
        )
        return np.asarray(low + upper_share * (high - low))

    def window(self, octave: int, place_s: FloatArray) -> FloatArray:
        """Return the window of an octave at times re its centre."""
        before_s, after_s = self.span_s(octave)
        inside = (place_s > -before_s) & (place_s < after_s)
        return np.where(inside, _shape(place_s, before_s, after_s), 0.0)


class HarmonicWindow:
    """The windows of one order over a grid of radiated frequencies.

    Attributes
    ----------
    radiated_hz : n·f in the recorder's clock, shape ``(G,)``.
    energy_s : ∫w² dt of the window that each point sees, shape ``(G,)``.
    sum_s : ∫w dt, shape ``(G,)``; energy over its square is the noise bandwidth.
    independent_hz : ∫w⁴ dt/(∫w² dt)²: over a wider band the noise seen through the window is
        worth so many independent values as that band holds of these, shape ``(G,)``.
    resolves : whether the window holds enough periods, shape ``(G,)``.
    before_s, after_s : reach of the longer of the two windows that each point sees, ``(G,)``.
    """

    def __init__(self, deconvolver: Deconvolver, order: int, radiated_hz: FloatArray) -> None:
        """Lay the windows out; ``radiated_hz`` must rise, shape ``(G,)``."""
        rate_hz, constant_s = deconvolver.rate_hz, deconvolver.rate_constant_s
        self.radiated_hz = radiated_hz
        self._constant_samples = constant_s * rate_hz
        self.centre_samples = -self._constant_samples * math.log(order)
        laid = WindowSpans(order, float(radiated_hz[0]), constant_s, deconvolver.free_s)
        octave = np.log2(radiated_hz / radiated_hz[0])
        self._lower = np.minimum(octave.astype(int), max(0, math.ceil(octave[-1]) - 1))
        self._blend = octave - self._lower
        spans = [laid.span_s(k) for k in range(int(self._lower[-1]) + 2)]
        self._pieces = self._lay(spans, rate_hz)
        self.before_s, self.after_s = np.array(spans)[self._lower].T
        self._measure(spans)

    def _lay(self, spans: list[tuple[float, float]], rate_hz: float) -> list[_Piece]:
        """Give each window its grid points: a point blends the windows of two octaves.

        Windows that the gaps have made alike are computed once.
        """
        first_alike = [spans.index(span) for span in spans]
        served = np.array(first_alike)
        pieces = []
        for k in sorted(set(first_alike)):
            share = (served[self._lower] == k) * (1.0 - self._blend)
            share += (served[self._lower + 1] == k) * self._blend
            points = np.flatnonzero(share)
            if not len(points):
                continue
            low = bool(self.radiated_hz[points[-1]] * LOW_STEP < LOW_BELOW * rate_hz)
            piece_rate_hz = rate_hz / LOW_STEP if low else rate_hz
            before, window = _window(*(span * piece_rate_hz for span in spans[k]))
            cycles_per_sample = self.radiated_hz[points] / piece_rate_hz
            pieces.append(_piece(low, before, window, points, share[points], cycles_per_sample))
        return pieces

    def _measure(self, spans: list[tuple[float, float]]) -> None:
        """Integrate what the points see: windows, their squares, and neighbours' products."""
        alone, sums, crossed, fourth = [], [], [], []
        for (before_s, after_s), following in zip(spans, [*spans[1:], spans[-1]], strict=True):
            step_s = (before_s + after_s) / MEASURED_POINTS
            place_s = np.arange(-before_s, after_s, step_s)
            window, narrower = (
                _shape(place_s, before_s, after_s),
                _shape(place_s, *following),
            )
            sums.append(np.sum(window) * step_s)
            alone.append(np.sum(window**2) * step_s)
            crossed.append(np.sum(window * narrower) * step_s)
            fourth.append(np.sum(window**4) * step_s)
        lower, blend = self._lower, self._blend
        one, both, integral = np.array(alone), np.array(crossed), np.array(sums)
        self.energy_s = (
            (1.0 - blend) ** 2 * one[lower]
            + 2.0 * blend * (1.0 - blend) * both[lower]
            + blend**2 * one[lower + 1]
        )
        self.sum_s = (1.0 - blend) * integral[lower] + blend * integral[lower + 1]
        # The noise's power at two frequencies is alike as far as the transform of w² reaches.
        apart_hz = np.array(fourth) / one**2
        self.independent_hz = (1.0 - blend) * apart_hz[lower] + blend * apart_hz[lower + 1]
        lengths_s = self.before_s + self.after_s
        self.resolves: BoolArray = lengths_s * self.radiated_hz >= LEAST_CYCLES

    def spectrum(
        self, responses: Responses, arrival: int, *, of_order: int | None = None
    ) -> ComplexArray:
        """Return the complex spectrum on the grid, shape ``(R, G)``, phase re the arrival.

        Parameters
        ----------
        arrival : the sample of the fundamental's direct sound, counted from time zero.
        of_order : look through these windows at another order's place; None for their own.
        """
        centre = arrival + self.centre_samples
        if of_order is not None:
            centre = arrival - self._constant_samples * math.log(of_order)
        values = np.zeros((len(responses.full), len(self.radiated_hz)), dtype=np.complex128)
        for piece in self._pieces:
            if piece.low:
                place = responses.low_origin + centre / LOW_STEP
                values[:, piece.points] += piece.seen(responses.low, place)
            else:
                values[:, piece.points] += piece.seen(responses.full, responses.origin + centre)
        return values


def _window(before: float, after: float) -> tuple[int, FloatArray]:
    """Return how many samples lie before the centre, and the window."""
    count_before, count_after = int(before), max(2, int(after))
    place = np.arange(float(-count_before), count_after)
    return count_before, _shape(place, max(before, 1.0), after)


def _shape(place: FloatArray, before: float, after: float) -> FloatArray:
    """Return the window at places re its centre; 0 beyond ``before`` and ``after``."""
    early = place < 0.0
    side = np.where(early, place / -before, place / after)
    flat = np.where(early, FLAT_BEFORE, FLAT_AFTER)
    slope = np.clip((side - flat) / (1.0 - flat), 0.0, 1.0)
    return np.asarray(0.5 + 0.5 * np.cos(np.pi * slope))


def _piece(
    low: bool,
    before: int,
    window: FloatArray,
    points: IntArray,
    share: FloatArray,
    cycles_per_sample: FloatArray,
) -> _Piece:
    length = fast_length(2 * len(window))
    place = cycles_per_sample * length
    first = np.clip(np.floor(place).astype(np.int64) - TAPS // 2 + 1, 0, length // 2 + 1 - TAPS)
    offset = place - first
    distance = offset[:, None] - np.arange(TAPS)
    ones = np.ones((len(points), 1))
    below = np.concatenate([ones, np.cumprod(distance[:, :-1], axis=1)], axis=1)
    above = np.concatenate([np.cumprod(distance[:, :0:-1], axis=1)[:, ::-1], ones], axis=1)
    weights = below * above / LAGRANGE_SCALE
    bins = first[:, None] + np.arange(TAPS)
    return _Piece(low, before, window, length, points, share, bins, weights, cycles_per_sample)
