"""Modes that no search lists, where the curves of both sides differ narrowly."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from distsweep.comparison.listed_modes import Q_NOT_KNOWN, Mode
from distsweep.comparison.mode_curves import TwoCurves, product_curves, response_curves
from distsweep.comparison.mode_spill import MovedMode, with_spill
from distsweep.results import Take
from distsweep.units import FloatArray

LEAST_DB, LEAST_PRODUCT_DB, LEAST_DEVIATIONS = 0.5, 1.5, 6.0
"""Responses, or harmonics, differ in one place where the difference stands out by so much (chosen:
a radiated mode of 3 dB and Q 20 that moved by 1 %, an excited one of 5 dB; and of its noise what
none of some thousand points reaches)."""

AROUND_OCTAVES = 0.4
"""It stands out of the median so far to either side (chosen: as far as curves of a mode are looked
at)."""

LEAST_ORDERS = 2
"""An excited mode that no search lists must show in so many orders (chosen: what changes one
harmonic alone need not be a mode)."""

LOWEST_EXCITED_HZ = 100.0
"""Below, harmonics of sweeps of some seconds are too close to each other for narrow peaks (chosen:
64 periods of 200 Hz are the room that a second harmonic has in a sweep of 5 s)."""

STEP_OCTAVES = 1.0 / 48.0
"""Orders show a mode in one place where they differ by no more (chosen: a step of the grid)."""

MOST_PLACES = 4
"""So many places are tried, the highest first (chosen: more that no search lists would be curves
that differ all over)."""


def unlisted_modes(
    first: Take, other: Take, changed: Sequence[MovedMode], listed: Sequence[Mode]
) -> list[Mode]:
    """Return where curves differ narrowly, beside what changed modes explain.

    Not where a mode of that kind is listed: what is said of that holds.
    """
    responses = with_spill(response_curves(first, other, 0.0, np.inf), "radiated", changed)[:1]
    products = with_spill(
        product_curves(first, other, LOWEST_EXCITED_HZ, np.inf, radiated=False), "excited", changed
    )
    radiated = [place for curve in responses for place in _places(curve, LEAST_DB)]
    return [
        *_apart("radiated", radiated, listed),
        *_apart("excited", list(_shared_places(products)), listed),
    ]


def _places(curve: TwoCurves, least_db: float) -> list[tuple[float, float]]:
    """Return how far one curve's difference stands out, in dB, and where, for points that do."""
    difference_db = curve.other_db - curve.first_db
    sigma_db = np.hypot(curve.first_sigma_db, curve.other_sigma_db)
    octaves: FloatArray = np.log2(curve.frequency_hz)
    out_db = np.array(
        [
            abs(difference_db[n] - np.median(difference_db[np.abs(octaves - at) <= AROUND_OCTAVES]))
            for n, at in enumerate(octaves)
        ]
    )
    least = np.maximum(least_db, LEAST_DEVIATIONS * sigma_db)
    return [(float(out_db[n]), float(octaves[n])) for n in np.flatnonzero(out_db >= least)]


def _shared_places(products: Sequence[TwoCurves]) -> Iterator[tuple[float, float]]:
    """Yield the places at which the clearest curves of two orders or more stand out."""
    by_order: dict[int, list[tuple[float, float]]] = {}
    for curve in products:  # of each order the clearest comes first
        if curve.order not in by_order:
            by_order[curve.order] = _places(curve, LEAST_PRODUCT_DB)
    for places in by_order.values():
        for out_db, at in places:
            showing = sum(
                any(abs(there - at) <= 1.01 * STEP_OCTAVES for _, there in of_order)
                for of_order in by_order.values()
            )
            if showing >= LEAST_ORDERS:
                yield out_db, at


def _apart(kind: str, places: Sequence[tuple[float, float]], listed: Sequence[Mode]) -> list[Mode]:
    """Return the highest places, each away from the others and from what is listed.

    Listed modes of either kind count: an excited one takes power from the response as well.
    """
    taken = list(listed)
    modes: list[Mode] = []
    for _, at in sorted(places, reverse=True):
        if any(abs(np.log2(m.near_hz) - at) <= 0.5 * AROUND_OCTAVES for m in (*taken, *modes)):
            continue
        modes.append(Mode(kind, float(2.0**at), Q_NOT_KNOWN))
    return modes[:MOST_PLACES]
