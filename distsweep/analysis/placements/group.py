"""Takes of one stimulus at one position with the microphone put back: found, and measured."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from distsweep.analysis.placements.spread import place_spread
from distsweep.results import SAME_DRIVE_DB, Rung, Smoothed, SmoothedLevel, Take
from distsweep.results.reproducibility import PlaceDeviation, PlaceSpread, Reproducibility
from distsweep.units import FloatArray

Curve = tuple[FloatArray, FloatArray, FloatArray]
"""Values and the ends of their intervals, dB."""


def reproducibility_of(takes: Sequence[Take]) -> list[Reproducibility]:
    """Return what two or more placements at a position tell, one record a position and stimulus.

    Complete ladders count, in one unit and on one grid. Of several takes of one placement the first
    does: they differ by what repeats without moving anything.

    Parameters
    ----------
    takes : with the intervals that noise leaves.
    """
    groups: dict[tuple[str, str, str], list[int]] = {}
    for number, take in enumerate(takes):
        if take.placement is not None and take.rungs and not take.partial:
            key = (take.position, take.stimulus, take.level_unit)
            group = groups.setdefault(key, [])
            if not group or np.array_equal(takes[group[0]].frequency_hz, take.frequency_hz):
                group.append(number)
    found = []
    for (position, stimulus, _), numbers in groups.items():
        each = {takes[number].placement: takes[number] for number in reversed(numbers)}
        if len(each) > 1:
            spreads = _spreads(list(each.values()))
            found.append(Reproducibility(position, stimulus, len(each), numbers, spreads))
    return found


def _spreads(placed: Sequence[Take]) -> list[PlaceSpread]:
    """Return what the placements tell of single frequencies and of each kind of averages."""
    drives = [
        rung.drive_dbfs
        for rung in placed[0].rungs
        if all(_rung_at(take, rung.drive_dbfs) is not None for take in placed)
    ]
    rungs = [[_rung_at(take, drive_dbfs) for drive_dbfs in drives] for take in placed]
    common = [[rung for rung in row if rung is not None] for row in rungs]
    if not drives or not all(len(rung.fundamental_low_db) for row in common for rung in row):
        return []
    spreads = [_spread(None, placed[0].frequency_hz, [list(map(_single, row)) for row in common])]
    for index, smooth in enumerate(common[0][0].smoothed):
        curves = [[_averages(rung.smoothed[index]) for rung in row] for row in common]
        spreads.append(_spread(smooth.bands_per_octave, smooth.frequency_hz, curves))
    return spreads


def _rung_at(take: Take, drive_dbfs: float) -> Rung | None:
    same = (r for r in take.rungs if abs(r.drive_dbfs - drive_dbfs) <= SAME_DRIVE_DB)
    return next(same, None)


def _single(rung: Rung) -> dict[str | int, Curve]:
    curves: dict[str | int, Curve] = {
        n: (curve.level_db, curve.low_db, curve.high_db) for n, curve in rung.harmonics.items()
    }
    curves["level"] = (rung.fundamental_db, rung.fundamental_low_db, rung.fundamental_high_db)
    curves["thd"] = (rung.thd_db, rung.thd_low_db, rung.thd_high_db)
    return curves


def _averages(smooth: Smoothed) -> dict[str | int, Curve]:
    levels: dict[str | int, SmoothedLevel] = dict(smooth.harmonics.items())
    levels |= {"level": smooth.fundamental, "thd": smooth.thd}
    return {name: (one.level_db, one.low_db, one.high_db) for name, one in levels.items()}


def _spread(
    bands_per_octave: int | None,
    frequency_hz: FloatArray,
    curves: Sequence[Sequence[dict[str | int, Curve]]],
) -> PlaceSpread:
    """Return what placements tell; ``curves`` are those of each placement's rungs."""
    found: dict[str | int, PlaceDeviation] = {}
    everywhere = set.intersection(*(set(rung) for row in curves for rung in row))
    for name in sorted(everywhere, key=str):
        parts = np.array([[rung[name] for rung in row] for row in curves])
        spread = place_spread(frequency_hz, *np.moveaxis(parts, 2, 0))
        found[name] = PlaceDeviation(spread.deviation_db, spread.half_width_db)
    harmonics = {name: one for name, one in found.items() if isinstance(name, int)}
    return PlaceSpread(bands_per_octave, frequency_hz, found["level"], found["thd"], harmonics)
