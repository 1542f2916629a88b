"""Short stretches that do not hold what was heard, replaced by what the harmonics around say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.cut import CutLadder, CutRung
from distsweep.analysis.sweep.deconvolution import Deconvolver, Responses
from distsweep.analysis.sweep.explained import LEAST, NOISE_TAPS, Carriers, explain
from distsweep.analysis.sweep.separation import Passes
from distsweep.analysis.sweep.windows import CYCLES_AFTER, CYCLES_BEFORE
from distsweep.flag_runs import runs_of
from distsweep.stimulus.sweep import Sweep
from distsweep.units import BoolArray, FloatArray

Hole = tuple[int, int]

REACH = 2.5
"""Samples that are looked at on either side of a hole, in units of L/88, the time in which an
amplitude seen through a window of 88 periods changes (chosen: beyond, little is known of it)."""

REACH_PERIODS = 10.0
"""The same, at least, in periods of the excitation (chosen: in simulation 512 samples at 60 Hz are
then bridged to −86 dB re full scale, with 6 periods to −41 dB)."""

DRAWS = 8
"""Errors drawn for a bridge (chosen: their mean power is right to 1.1 dB)."""

MOSTLY = 0.5
"""A value is no measurement where more than this fraction of what its window looks at is bridged,
or where the error to be expected is more than this fraction of it (chosen: half)."""


@dataclass(frozen=True)
class Bridged:
    """A pass with its holes bridged.

    Attributes
    ----------
    signal : shape ``(samples,)``.
    inside : which samples were bridged, shape ``(samples,)``.
    errors : errors that they may have, drawn from their distribution, shape ``(DRAWS, bridged)``.
    """

    signal: FloatArray
    inside: BoolArray
    errors: FloatArray

    def error_rms(self, hole: Hole) -> float:
        """Return the RMS of the error to be expected in one hole."""
        within = np.flatnonzero(self.inside)
        chosen = self.errors[:, (within >= hole[0]) & (within < hole[1])]
        return float(np.sqrt(np.mean(chosen**2))) if chosen.size else 0.0

    def laid_errors(self) -> list[FloatArray]:
        """Return each of the drawn errors where it falls in the pass."""
        laid = np.zeros((DRAWS, len(self.signal)))
        laid[:, self.inside] = self.errors
        return list(laid)


def bridge(signal: FloatArray, holes: Sequence[Hole], *, sweep: Sweep, order: int) -> Bridged:
    """Replace the samples of holes, ``[first, last)`` each.

    Parameters
    ----------
    sweep : as recorded; it starts at the signal's first sample.
    order : highest harmonic that is heard.
    """
    inside = np.zeros(len(signal), dtype=bool)
    for first, last in holes:
        inside[max(0, first) : max(0, last)] = True
    result = np.where(inside, 0.0, signal)
    errors = np.zeros((DRAWS, int(np.sum(inside))))
    number = np.cumsum(inside) - 1
    for first, last in _runs(inside, sweep):
        start, stop = stretch(first, last, inside, sweep)
        lead = slice(max(start, 0), min(stop, len(signal)))
        padding = (lead.start - start, stop - lead.stop)
        part, unknown = np.pad(signal[lead], padding), np.pad(inside[lead], padding)
        carriers = Carriers(sweep, start, stop, order=order)
        explained = explain(part, unknown, carriers, draws=DRAWS, seed=first)
        own = np.zeros(len(part), dtype=bool)
        own[first - start : last - start] = unknown[first - start : last - start]
        result[first:last][own[first - start : last - start]] = explained.filled[own]
        errors[:, number[np.flatnonzero(own) + start]] = explained.errors[:, own[unknown]]
    return Bridged(result, inside, errors)


def stretch(first: int, last: int, inside: BoolArray, sweep: Sweep) -> tuple[int, int]:
    """Return the samples to look at around ``[first, last)``; they may pass the signal's ends.

    Its own ends are known samples, for as long as the noise's filter.
    """
    reach = max(_reach(first, sweep), last - first)
    start, stop = first - reach, last + reach
    while np.any(inside[max(start, 0) : max(start + NOISE_TAPS, 0)]):
        start -= NOISE_TAPS
    while np.any(inside[max(stop - NOISE_TAPS, 0) : max(stop, 0)]):
        stop += NOISE_TAPS
    return min(start, first - NOISE_TAPS), max(stop, last + NOISE_TAPS)


def _reach(first: int, sweep: Sweep) -> int:
    at_hz = float(sweep.frequency_at_hz(max(first, 0) / sweep.rate_hz))
    changes_s = sweep.rate_constant_s / (CYCLES_BEFORE + CYCLES_AFTER)
    return int(sweep.rate_hz * max(REACH * changes_s, REACH_PERIODS / at_hz))


def _runs(inside: BoolArray, sweep: Sweep) -> list[Hole]:
    """Return the bridged stretches; those close to each other are bridged in one."""
    runs: list[Hole] = []
    for first, last in runs_of(inside):
        if runs and first - runs[-1][1] < _reach(first, sweep) // 4:
            runs[-1] = (runs[-1][0], last)
        else:
            runs.append((first, last))
    return runs


@dataclass(frozen=True)
class Bridges:
    """The bridged passes of a ladder, by their places among those of all rungs."""

    passes: dict[int, Bridged]

    def errors(
        self, passes: Passes, deconvolver: Deconvolver, responses: Responses, arrival: int
    ) -> FloatArray:
        """Return the error's RMS in what windows read, in the values' unit, ``(order, P, F)``.

        It is 0 in passes without holes.
        """
        error = np.zeros(passes.values.shape)
        for row, bridged in self.passes.items():
            laid = bridged.laid_errors()
            heard = deconvolver.responses([laid], [[0.0] * len(laid)])
            whole = responses.of_rows([row])
            for index, window in enumerate(passes.windows):
                if window is None:
                    continue
                held = slice(0, len(window.radiated_hz))
                value = np.abs(window.spectrum(whole, arrival)[0]) + LEAST
                seen = np.abs(window.spectrum(heard, arrival)) / value
                error[index, row, held] = np.sqrt(np.mean(seen**2, axis=0))
                error[index, row, held] *= np.abs(passes.values[index, row, held])
        return error

    def shares(self, passes: Passes, deconvolver: Deconvolver, arrival: int) -> FloatArray:
        """Return the fraction of the time that windows look at that is bridged, ``(order, P, F)``.

        It is 0 in passes without holes.
        """
        share = np.zeros(passes.values.shape)
        for row, bridged in self.passes.items():
            counted = np.concatenate([[0.0], np.cumsum(bridged.inside)])
            for index, window in enumerate(passes.windows):
                if window is None:
                    continue
                excitation_hz = window.radiated_hz / (index + 1)
                passed_s = np.log(excitation_hz / deconvolver.start_hz)
                passed_s = deconvolver.rate_constant_s * passed_s + arrival / deconvolver.rate_hz
                edges = passed_s - window.before_s, passed_s + window.after_s
                first, last = (
                    np.clip(edge_s * deconvolver.rate_hz, 0, len(counted) - 1).astype(int)
                    for edge_s in edges
                )
                share[index, row, : len(first)] = (counted[last] - counted[first]) / np.maximum(
                    last - first, 1
                )
        return share

    def spoil(
        self, passes: Passes, deconvolver: Deconvolver, responses: Responses, arrival: int
    ) -> Passes:
        """Return the passes, their floors with the bridges' errors in them.

        Where a value is mostly bridged, or mostly error, it is not usable.
        """
        if not self.passes:
            return passes
        bridged = self.shares(passes, deconvolver, arrival) > MOSTLY
        error = self.errors(passes, deconvolver, responses, arrival)
        wrong = error > MOSTLY * np.abs(passes.values)
        return replace(
            passes,
            usable=passes.usable & ~bridged & ~wrong,
            floors=np.hypot(passes.floors, error),
        )


def bridge_ladder(cut: CutLadder, *, sweep: Sweep, order: int) -> tuple[CutLadder, Bridges]:
    """Bridge the holes of all passes; ``sweep`` is as recorded."""
    passes: dict[int, Bridged] = {}
    rungs: list[CutRung] = []
    row = 0
    for rung in cut.rungs:
        signals = list(rung.signals)
        for number, holes in enumerate(rung.holes):
            if holes:
                bridged = bridge(signals[number], holes, sweep=sweep, order=order)
                passes[row + number] = bridged
                signals[number] = bridged.signal
        rungs.append(replace(rung, signals=signals))
        row += len(signals)
    return replace(cut, rungs=rungs), Bridges(passes)
