"""Natural frequency and Q of one mode, from the complex linear response around it."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from distsweep.analysis.resonance.echo import Echo
from distsweep.analysis.resonance.linear_response import LinearResponse
from distsweep.analysis.resonance.pole import Pole, best_pole
from distsweep.units import ComplexArray, FloatArray

REACH_OCTAVES, TAPER = 0.2, 0.6
"""Points so far to either side are looked at (chosen: a mode of Q 8 is 0.18 octaves wide, and the
next one shall stay outside); they count less away from the middle, as a Gaussian of this part."""

POINTS, LEAST_POINTS = 90, 16
"""So many points are looked at, evenly spaced, or as many as the response's window resolves
(chosen: the fit has up to thirteen complex unknowns)."""

DIRECT_TERMS, REFLECTED_TERMS = 3, 2
"""Terms of the polynomials over log-frequency that direct and reflected sound may follow beside
the mode (chosen: a crossover turns the phase over such a stretch, a mode much faster)."""

MOST_WAYS = 3
"""So many reflections, the strongest, have terms of their own (chosen: each has three complex
unknowns, of some 90 points)."""

SPREAD = 0.05
"""The natural frequency is looked for so far to either side, as a fraction (chosen: in a curve
over the level, the top of a mode of Q 8 can be moved so far by what adds to it)."""

_GRIDS = ((15, 9), (9, 5), (7, 5), (7, 5))
"""Frequencies and Qs tried, ever closer together (chosen: the last are 0.02 % and 5 % apart)."""


def fit_response(response: LinearResponse, echoes: Sequence[Echo], near_hz: float) -> Pole | None:
    """Fit a mode near a frequency; once more from there if it is found far off.

    A second look at the same stretch from its middle costs little, and a pole at the edge of
    what was searched may be but the skirt of one beyond it.
    """
    pole = _fit_around(response, echoes, near_hz)
    if pole is not None and abs(math.log(pole.frequency_hz / near_hz)) > 0.5 * SPREAD:
        pole = _fit_around(response, echoes, pole.frequency_hz) or pole
    return pole


def _fit_around(response: LinearResponse, echoes: Sequence[Echo], near_hz: float) -> Pole | None:
    """Fit a(u) + b(u)·e^{−jωτ} + (c + d·e^{−jωτ})·T to the response, u being log-frequency.

    T = 1/(1 + jQ(f/f₀ − f₀/f)) is the mode; direct sound, a, and reflected sound, b, are
    polynomials, and the mode is heard directly and reflected, by whatever way: c and d are free
    and complex. The mode's own pole is the same in all of them, so that neither a reflection nor
    what it adds to can move it. For given f₀ and Q all else follows by linear least squares.

    Parameters
    ----------
    response : of a take.
    echoes : its reflections, strongest first; of each of the first few there are a b and a d.
    near_hz : where to look.

    Returns
    -------
    The pole; None where the response has too few points. What it explains is the share of the
    amplitude that a and b leave. How much it lifts is not known: a and b take part of it.

    References
    ----------
    D. J. Ewins, Modal Testing, 2nd ed., 2000, chapter 4: modes fitted to a frequency response
    one at a time, with a polynomial for what others leave (from memory).
    """
    low_hz, high_hz = near_hz * 2.0**-REACH_OCTAVES, near_hz * 2.0**REACH_OCTAVES
    frequency_hz, values = response.between(low_hz, high_hz, step_hz=(high_hz - low_hz) / POINTS)
    if len(values) < LEAST_POINTS or frequency_hz[-1] < 0.95 * high_hz:
        return None
    place = np.log2(frequency_hz / near_hz) / REACH_OCTAVES
    weight = np.exp(-0.5 * (place / TAPER) ** 2)
    weighted_ways, beside = (
        terms * weight[:, None] for terms in _terms(frequency_hz, place, echoes[:MOST_WAYS])
    )
    basis, _ = np.linalg.qr(beside)
    target = values * weight
    without = target - basis @ (basis.conj().T @ target)
    total = float(np.vdot(without, without).real)
    if not total > 0.0:
        return None

    def misfit(frequencies: FloatArray, qs: FloatArray) -> FloatArray:
        tried_hz, tried_q = (x.reshape(-1, 1) for x in np.meshgrid(frequencies, qs, indexing="ij"))
        modes = _mode(frequency_hz, tried_hz, tried_q)
        explained = _explained(modes, weighted_ways, basis, without)
        return np.asarray(total - explained).reshape(len(frequencies), len(qs))

    found_hz, q, rest = best_pole(misfit, near_hz, spread=SPREAD, counts=_GRIDS)
    return Pole(found_hz, q, explained=1.0 - math.sqrt(max(rest, 0.0) / total))


def _terms(
    frequency_hz: FloatArray, place: FloatArray, echoes: Sequence[Echo]
) -> tuple[ComplexArray, ComplexArray]:
    """Return 1 and e^{−jωτ} of every reflection, and these times powers of the place.

    A row a frequency; the first are what the mode is heard by, the second what is heard beside it.
    """
    ways = [np.ones(len(place), dtype=complex)]
    ways += [np.exp(-2j * np.pi * frequency_hz * echo.delay_s) for echo in echoes]
    beside = [ways[0] * place**power for power in range(DIRECT_TERMS)]
    beside += [way * place**power for way in ways[1:] for power in range(REFLECTED_TERMS)]
    return np.stack(ways, axis=1), np.stack(beside, axis=1)


def _mode(frequency_hz: FloatArray, centre_hz: FloatArray, q: FloatArray) -> ComplexArray:
    return np.asarray(1.0 / (1.0 + 1j * q * (frequency_hz / centre_hz - centre_hz / frequency_hz)))


def _explained(
    modes: ComplexArray, ways: ComplexArray, basis: ComplexArray, rest: ComplexArray
) -> FloatArray:
    """Energy of the rest that each mode, heard by all ways, explains; shape ``(G,)``."""
    columns = modes[:, :, None] * ways
    columns = columns - basis @ (basis.conj().T @ columns)
    turned = np.swapaxes(columns.conj(), 1, 2)
    square = turned @ columns
    trace = np.trace(square, axis1=1, axis2=2).real
    square += 1e-9 * trace[:, None, None] * np.eye(square.shape[-1])
    match = turned @ rest[:, None]
    return np.asarray(np.sum(match.conj() * np.linalg.solve(square, match), axis=(1, 2)).real)
