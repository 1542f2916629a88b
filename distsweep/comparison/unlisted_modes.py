"""Radiated modes that no search lists, where the responses of both sides differ in their place."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from distsweep.comparison.listed_modes import Q_NOT_KNOWN, Mode
from distsweep.comparison.mode_curves import response_curves
from distsweep.comparison.mode_spill import MovedMode, with_spill
from distsweep.results import Take

LEAST_DB, LEAST_DEVIATIONS = 0.5, 6.0
"""Responses differ in one place where the difference stands out by so much (chosen: a mode of 3 dB
and Q 20 that moved by 1 %; and of its noise what none of some thousand points reaches)."""

AROUND_OCTAVES = 0.4
"""It stands out of the median so far to either side (chosen: as far as curves of a mode are looked
at)."""

MOST_PLACES = 4
"""So many places are tried, the highest first (chosen: more that no search lists would be a
response that differs all over)."""


def unlisted_modes(
    first: Take, other: Take, changed: Sequence[MovedMode], listed: Sequence[Mode]
) -> list[Mode]:
    """Return where the responses differ narrowly, beside what changed modes explain.

    Not where a radiated mode is listed: what is said of that holds.
    """
    curves = with_spill(response_curves(first, other, 0.0, np.inf), "radiated", changed)
    if not curves:
        return []
    curve = curves[0]
    difference_db = curve.other_db - curve.first_db
    sigma_db = np.hypot(curve.first_sigma_db, curve.other_sigma_db)
    octaves = np.log2(curve.frequency_hz)
    stands_out_db = np.array(
        [
            abs(difference_db[n] - np.median(difference_db[np.abs(octaves - at) <= AROUND_OCTAVES]))
            for n, at in enumerate(octaves)
        ]
    )
    taken = [mode for mode in listed if mode.kind == "radiated"]
    places: list[Mode] = []
    for n in np.argsort(-stands_out_db):
        if stands_out_db[n] < max(LEAST_DB, LEAST_DEVIATIONS * sigma_db[n]):
            continue
        if any(
            abs(np.log2(p.near_hz) - octaves[n]) <= 0.5 * AROUND_OCTAVES for p in (*taken, *places)
        ):
            continue
        places.append(Mode("radiated", float(curve.frequency_hz[n]), Q_NOT_KNOWN))
        if len(places) == MOST_PLACES:
            break
    return places
