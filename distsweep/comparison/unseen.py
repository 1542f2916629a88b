"""What does not differ as far as the measurements can see, and how small that is."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from distsweep.comparison import sentences
from distsweep.comparison.aligned import Place
from distsweep.comparison.beyond_doubt import HALF_WIDTH_DEVIATIONS, difference_ends
from distsweep.comparison.findings import MODE_REACH_OCTAVES, Pair
from distsweep.comparison.record import DRIVE, Finding
from distsweep.comparison.regions import near
from distsweep.results.reproducibility import THIRDS
from distsweep.results.rung_curves import Curves
from distsweep.units import FloatArray

KNOWN_DB = 3.0
"""A band in which more could hide says nothing (chosen: twice what counts as reliable)."""

LEAST_BANDS = 3
"""Over fewer bands nothing is told (chosen: an octave)."""

MOST_OF_BANDS = 90.0
"""Percentile of the bands whose bound is told (chosen: a noisy band does not speak for all)."""


def unseen_of(pair: Pair, findings: Sequence[Finding], name: str, limit: float) -> list[str]:
    """Return a sentence for each quantity in which nothing differs beyond doubt.

    Of the response, what a resonance that changed does to it is left out. Of a quantity that
    differs, but by what a finding on another one explains, nothing is said.

    Parameters
    ----------
    limit : deviations from which on a difference is beyond doubt.
    """
    named = {one.quantity for one in findings if one.position == pair.first.position}
    said = []
    levels = pair.levels
    if not named & {"sensitivity", "fundamental"}:
        modes_hz = [
            f for one in findings if one.quantity == "resonance"
            for f in (one.low_hz, one.high_hz) if f is not None
        ]  # fmt: skip
        elsewhere = ~near(pair.frequency_hz, modes_hz, MODE_REACH_OCTAVES)
        response = Curves(*(
            np.where(elsewhere, part, np.nan) for part in (
                levels.response.values, levels.response.low, levels.response.high)
        ))  # fmt: skip
        what = "response beside the resonances that changed" if modes_hz else "response"
        where = "at low drive" if "gain change" in named else ""
        said.append(_no_difference(what, response, pair.frequency_hz, where, limit))
    has_steps = all(sum(not r.clipped for r in take.rungs) > 1 for take in (pair.first, pair.other))
    if "gain change" not in named and pair.driven and has_steps:
        last = Curves(*(
            part[-1] for part in (
                levels.gain_change.values, levels.gain_change.low, levels.gain_change.high)
        ))  # fmt: skip
        said.append(
            _no_difference(
                "gain change", last, pair.frequency_hz,
                sentences.at_drives([pair.driven[-1].at]), limit,
            )
        )  # fmt: skip
    distorts = named & {"thd", *(f"h{order}" for order in range(2, 20))}
    if not distorts and pair.aligned:
        said += [_thd(pair, place, limit) for place in _shown(pair.aligned)]
    return [f"{name}: {text}" for text in said if text]


def _shown(aligned: Sequence[Place]) -> list[Place]:
    """Return the loudest place and the middle one."""
    return [aligned[number] for number in sorted({len(aligned) - 1, len(aligned) // 2})]


def _thd(pair: Pair, place: Place, limit: float) -> str:
    assert place.thirds is not None
    doubt_db = pair.doubts.at("thd", place.thirds_hz, THIRDS)
    ends = difference_ends(place.thirds[0].thd, place.thirds[1].thd, doubt_db)
    where = (sentences.at_drives if place.aligned == DRIVE else sentences.at_levels)([place.at])
    return _no_difference("THD", ends, pair.frequency_hz, where, limit)


def _no_difference(
    quantity: str, difference: Curves, frequency_hz: FloatArray, where: str, limit: float
) -> str:
    """Tell below which size a difference would not have been seen.

    Empty where nothing is known, or where some band differs.
    """
    value = difference.values
    with np.errstate(invalid="ignore"):
        towards_zero = np.where(value > 0.0, value - difference.low, difference.high - value)
        if np.any(np.abs(value) > limit / HALF_WIDTH_DEVIATIONS * towards_zero):
            return ""
        bound = np.maximum(np.abs(difference.low), np.abs(difference.high))
        known = bound <= KNOWN_DB
    if int(known.sum()) < LEAST_BANDS:
        return ""
    under_db = float(np.percentile(bound[known], MOST_OF_BANDS))
    f = frequency_hz[known]
    return sentences.unseen(quantity, where, under_db, float(f[0]), float(f[-1]))
