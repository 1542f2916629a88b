"""When two values differ beyond doubt: their intervals joined, and a limit for many statements.

A difference's variance is the sum of both sides' (JCGM 100:2008, 5.1.2). A comparison tries
hundreds of statements; so that one comparison in twenty finds anything where nothing differs, each
must pass the limit of Z. Šidák (JASA 62, 1967) for as many independent ones.
"""

from __future__ import annotations

from statistics import NormalDist

import numpy as np

from distsweep.results.rung_curves import Curves
from distsweep.units import FloatArray, db_to_ratio

FAMILY_SHARE = 0.05
"""Share of comparisons of alike loudspeakers that may find a difference (the issue's 5 %)."""

HALF_WIDTH_DEVIATIONS = 1.96
"""Half of a 95 % interval in standard deviations (two-sided normal quantile)."""


def limit_deviations(tests: int) -> float:
    """Return the standard deviations that one of many statements must reach.

    Parameters
    ----------
    tests : statements that are tried, counted as independent: where they are not, the limit is
        stricter than it need be.
    """
    share = 1.0 - (1.0 - FAMILY_SHARE) ** (1.0 / max(1, tests))
    return NormalDist().inv_cdf(1.0 - share / 2.0)


def difference_ends(first: Curves, other: Curves, doubt_db: float | FloatArray = 0.0) -> Curves:
    """Return other less first in dB, with the ends of its 95 % interval, of the arrays' shape.

    Where a side is "at most" (its value or low end is nothing) the difference is bounded on one
    side only, or not known.

    Parameters
    ----------
    doubt_db : half-width (95 %) of what adds to both sides' intervals.
    """
    with np.errstate(invalid="ignore"):
        a, b = (np.where(np.isfinite(side.values), side.values, np.nan) for side in (first, other))
        up = _joined(other.high - b, a - first.low, doubt_db)
        down = _joined(b - other.low, first.high - a, doubt_db)
        low, high = b - a - down, b - a + up
        # A side that is "at most": the sum of both distances bounds what it leaves open.
        high = np.where(np.isnan(b), other.high - first.low + doubt_db, high)
        low = np.where(np.isnan(a), other.low - first.high - doubt_db, low)
    unknown = ~(np.isfinite(first.high) & np.isfinite(other.high))
    low = np.where(np.isfinite(low), low, -np.inf)
    high = np.where(np.isfinite(high), high, np.inf)
    nothing = unknown | (np.isinf(low) & np.isinf(high))
    return Curves(
        np.where(nothing, np.nan, b - a),
        np.where(nothing, np.nan, low),
        np.where(nothing, np.nan, high),
    )


def deviations(
    first: Curves,
    other: Curves,
    *,
    doubt_db: float | FloatArray = 0.0,
    less_db: float | FloatArray = 0.0,
) -> FloatArray:
    """Return by how many standard deviations other exceeds first, NaN where that is not known.

    Amplitudes are compared, not decibels: noise adds to amplitudes, and a value that noise hides is
    an amplitude of nothing with a deviation of its own.

    Parameters
    ----------
    doubt_db : half-width (95 %) of what adds to both sides' intervals.
    less_db : taken off ``other`` before: the part of the difference that something else explains.
    """
    known = np.isfinite(first.high) & np.isfinite(other.high)
    with np.errstate(invalid="ignore", divide="ignore"):
        reference = np.maximum(first.high, other.high - less_db)
        sides = [_amplitude(first, reference), _amplitude(other, reference + less_db)]
        (a, a_spread), (b, b_spread) = sides
        more = np.maximum(a, b) * (db_to_ratio(doubt_db) - 1.0) / HALF_WIDTH_DEVIATIONS
        spread = np.sqrt(a_spread**2 + b_spread**2 + more**2)
        result = np.where(spread > 0.0, (b - a) / spread, np.sign(b - a) * np.inf)
    return np.where(known & (b != a), result, np.where(known, 0.0, np.nan))


def _amplitude(side: Curves, reference_db: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return amplitudes re a reference and their standard deviations."""
    there = np.where(np.isfinite(side.values), side.values, -np.inf)
    amplitude = db_to_ratio(there - reference_db)
    spread = (db_to_ratio(side.high - reference_db) - amplitude) / HALF_WIDTH_DEVIATIONS
    return amplitude, np.maximum(spread, 0.0)


def _joined(*widths: float | FloatArray) -> FloatArray:
    """Return the root of the sum of squares."""
    return np.sqrt(sum(np.square(width) for width in widths))
