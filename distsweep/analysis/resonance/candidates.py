"""From peaks to candidates: what lines up over radiated, and what over excitation frequency."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from distsweep.analysis.noise.certainty import SEEN_DB
from distsweep.analysis.resonance.curves import Family, LadderCurves, spikes_above_noise
from distsweep.analysis.resonance.peaks import LEAST_SURPRISE, find_spikes
from distsweep.analysis.sweep.grid import POINTS_PER_OCTAVE
from distsweep.units import FloatArray

Kind = Literal["radiated", "excited"]

LEAST_BUMP_DB = 2.0
"""A peak of the fundamental that makes a candidate (chosen: less than a harmonic's 3 dB, as its
noise is far lower)."""

NARROWEST_TOLERANCE_OCTAVES, WIDEST_TOLERANCE_OCTAVES = 0.02, 0.08
"""Peaks belong together when they lie this close (chosen: one grid step of 1/48 octave at least,
and not farther than a mode of Q 8 may shift its top by adding up with what is there anyway)."""


@dataclass(frozen=True)
class OrderPeak:
    """One order's peak at one rung that a candidate rests on.

    ``prominence_db`` is its height in the family of its kind, ``both_db`` the lesser of that and
    of its height in the absolute level: a dip of the response makes a peak in the division only.
    """

    row: int
    column: int
    index: int
    order: int
    excitation_hz: float
    prominence_db: float
    both_db: float
    above_floor_db: float
    surprise: float


@dataclass(frozen=True)
class Candidate:
    """A frequency at which something may resonate, and where it first showed."""

    kind: Kind
    frequency_hz: float
    width_octaves: float
    weight_db: float


def candidates(curves: LadderCurves) -> list[Candidate]:
    """Gather every peak's hypotheses and merge those that lie together, strongest first.

    A peak of order n at f is a candidate "radiated" at n·f if it is in the absolute level,
    "excited" at f if it is in the input-referred one. A peak of the fundamental is a candidate
    "radiated".
    """
    found: list[Candidate] = []
    for row in range(len(curves.drive_dbfs)):
        for column, order in enumerate(curves.orders):
            found += _of_curve(curves, curves.absolute, row, column, "radiated", int(order))
            found += _of_curve(curves, curves.input_referred, row, column, "excited", 1)
    found += _of_response(curves)
    return _merged(found, "radiated") + _merged(found, "excited")


def _of_response(curves: LadderCurves) -> list[Candidate]:
    """Candidates from the fundamental's peaks at the loudest clean rung."""
    spikes = find_spikes(
        curves.frequency_hz,
        curves.response_db,
        curves.bump_db,
        np.full_like(curves.bump_db, np.inf),
        np.ones(len(curves.bump_db), dtype=bool),
        least_db=LEAST_BUMP_DB,
    )
    return [Candidate("radiated", s.frequency_hz, s.width_octaves, s.prominence_db) for s in spikes]


def _of_curve(
    curves: LadderCurves, family: Family, row: int, column: int, kind: Kind, factor: int
) -> list[Candidate]:
    curve = family.curve(row, column)
    spikes = spikes_above_noise(curves.frequency_hz, curve, curves.above_floor_db[row, column])
    return [
        Candidate(kind, factor * s.frequency_hz, s.width_octaves, s.prominence_db) for s in spikes
    ]


def _merged(found: list[Candidate], kind: Kind) -> list[Candidate]:
    rest = sorted((c for c in found if c.kind == kind), key=lambda c: -c.weight_db)
    kept: list[Candidate] = []
    for one in rest:
        if all(
            octaves(one.frequency_hz, other.frequency_hz) > tolerance_octaves(other)
            for other in kept
        ):
            kept.append(one)
    return kept


def octaves(one_hz: float, other_hz: float) -> float:
    """Distance of two frequencies."""
    return abs(math.log2(one_hz / other_hz))


def tolerance_octaves(candidate: Candidate) -> float:
    """How far a peak may lie from a candidate and belong to it."""
    return float(
        np.clip(
            0.4 * candidate.width_octaves, NARROWEST_TOLERANCE_OCTAVES, WIDEST_TOLERANCE_OCTAVES
        )
    )


def largest_near(
    curves: LadderCurves, values: FloatArray, frequency_hz: float, tolerance: float
) -> tuple[float, int]:
    """Return the largest value of a curve, shape ``(F,)``, near a frequency, and its place.

    ``tolerance`` is in octaves. The largest is −inf where the curve has no number there.
    """
    place, reach = curves.place(frequency_hz), max(1.0, tolerance * POINTS_PER_OCTAVE)
    first, last = max(0, math.ceil(place - reach)), min(len(values), math.floor(place + reach) + 1)
    near = values[first:last]
    if first >= last or np.isnan(near).all():
        return -math.inf, min(max(round(place), 0), len(values) - 1)
    index = first + int(np.where(np.isnan(near), -math.inf, near).argmax())
    return float(values[index]), index


def highest_near(
    curves: LadderCurves, values: FloatArray, frequency_hz: float, tolerance: float
) -> tuple[float, int]:
    """Return what `largest_near` does, but −inf where it is the flank of a top farther away."""
    here, index = largest_near(curves, values, frequency_hz, tolerance)
    flank = any(0 <= k < len(values) and values[k] > here for k in (index - 1, index + 1))
    return (-math.inf if flank else here), index


def order_peaks(
    curves: LadderCurves, family: Family, candidate: Candidate, *, least_db: float
) -> list[OrderPeak]:
    """Return where a candidate's peaks stand in a family of curves, by rung and order.

    A top counts where it stands clear of its floor, by ``least_db`` of its surroundings, and by
    more than noise explains.
    """
    found = []
    tolerance = tolerance_octaves(candidate)
    for row in range(len(curves.drive_dbfs)):
        for column, order in enumerate(curves.orders):
            at_hz = candidate.frequency_hz / (order if candidate.kind == "radiated" else 1)
            if not curves.holds(at_hz):
                continue
            height, index = highest_near(
                curves, family.prominence_db[row, column], at_hz, tolerance
            )
            above = float(curves.above_floor_db[row, column, index])
            chance = float(family.surprise[row, column, index])
            if height >= least_db and above >= SEEN_DB and chance >= LEAST_SURPRISE:
                around = slice(max(0, index - 1), index + 2)
                undivided = float(
                    np.fmax.reduce(curves.absolute.prominence_db[row, column, around])
                )
                found.append(
                    OrderPeak(
                        row, column, index, int(order), float(curves.frequency_hz[index]), height,
                        min(height, max(0.0, undivided)), above, chance,
                    )
                )  # fmt: skip
    return found
