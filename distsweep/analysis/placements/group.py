"""Takes of one stimulus at one position with the microphone put back: found, and measured."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

import numpy as np

from distsweep.analysis.noise.certainty import level_deviation_db
from distsweep.analysis.noise.interval import TWO_SIDED, is_reliable
from distsweep.analysis.placements.spread import place_spread
from distsweep.analysis.placements.tones import ONE_DRIVE_DB, Curve, Curves, at_drive, tone_spreads
from distsweep.analysis.third_octave import octave_bands
from distsweep.results import Rung, SmoothedLevel, Take
from distsweep.results.reproducibility import PlaceDeviation, PlaceSpread, Reproducibility
from distsweep.units import FloatArray

UNKNOWN_DB = 100.0
"""Stands for the noise of values that are lost in it (chosen: no interval that counts is wider)."""


def reproducibility_of(takes: Sequence[Take]) -> list[Reproducibility]:
    """Return what two or more placements at a position tell, one record a position and stimulus.

    Complete ladders and staircases count; partial ones of the kind belong to what these tell, with
    nothing of their own in it. Takes are of one stimulus that have as many rungs on one
    grid, in one unit: a capture writes a stimulus anew for each take, by another name, and with
    drives of its own where levels in dB SPL were asked for. Of several takes of one placement the
    first counts: they differ by what repeats without moving anything.

    Parameters
    ----------
    takes : with the intervals that noise leaves.
    """
    groups: dict[tuple[object, ...], list[int]] = {}
    for number, take in enumerate(takes):
        if take.placement is not None and (take.rungs or take.staircase) and not take.partial:
            groups.setdefault((*_place_and_grid(take), len(take.rungs)), []).append(number)
    found = []
    for numbers in groups.values():
        each = {takes[number].placement: takes[number] for number in reversed(numbers)}
        placed = [each[placement] for placement in sorted(each, key=str)]
        if len(placed) < 2:
            continue
        spreads = tone_spreads(placed) if placed[0].staircase else _spreads(placed)
        if spreads:
            first = takes[numbers[0]]
            members = sorted(numbers + _partial_beside(first, takes))
            found.append(
                Reproducibility(first.position, first.stimulus, len(placed), members, spreads)
            )
    return found


def _place_and_grid(take: Take) -> tuple[object, ...]:
    return take.position, take.kind, take.level_unit, take.frequency_hz.tobytes()


def _partial_beside(first: Take, takes: Sequence[Take]) -> list[int]:
    """Return which takes were made as the first of a group, but ended early."""
    return [
        number
        for number, take in enumerate(takes)
        if take.partial
        and take.placement is not None
        and _place_and_grid(take) == _place_and_grid(first)
    ]


def _spreads(placed: Sequence[Take]) -> list[PlaceSpread]:
    """Return what the placements tell of single frequencies and of each kind of averages."""
    sets = [[_rung_at(take, rung.drive_dbfs) for take in placed] for rung in placed[0].rungs]
    common = [[rung for rung in one if rung is not None] for one in sets]
    rungs = [one for one in common if len(one) == len(placed)]
    if not rungs or not all(len(rung.fundamental_low_db) for one in rungs for rung in one):
        return []
    frequency_hz = placed[0].frequency_hz
    spreads = [_spread(None, frequency_hz, _placed(rungs, _single))]
    for index, smooth in enumerate(rungs[0][0].smoothed):
        curves = _placed(
            rungs, partial(_averages, frequency_hz=placed[0].frequency_hz, index=index)
        )
        spreads.append(_spread(smooth.bands_per_octave, smooth.frequency_hz, curves))
    return spreads


def _rung_at(take: Take, drive_dbfs: float) -> Rung | None:
    """Return the rung of nearly a drive; None without."""
    nearest = min(take.rungs, key=lambda rung: abs(rung.drive_dbfs - drive_dbfs))
    return nearest if abs(nearest.drive_dbfs - drive_dbfs) <= ONE_DRIVE_DB else None


def _placed(rungs: Sequence[Sequence[Rung]], read: Callable[[Rung], Curves]) -> list[list[Curves]]:
    """Return the curves of each placement's rungs, brought to the drive of the first's."""
    return [
        [at_drive(read(one[k]), one[k].drive_dbfs - one[0].drive_dbfs) for one in rungs]
        for k in range(len(rungs[0]))
    ]


def _single(rung: Rung) -> Curves:
    curves: Curves = {
        n: (curve.level_db, curve.low_db, curve.high_db) for n, curve in rung.harmonics.items()
    }
    curves["level"] = (rung.fundamental_db, rung.fundamental_low_db, rung.fundamental_high_db)
    curves["thd"] = (rung.thd_db, rung.thd_low_db, rung.thd_high_db)
    noise_db = _noise_db(rung)
    return {name: _of_noise(curve, noise_db[name]) for name, curve in curves.items()}


def _averages(rung: Rung, *, frequency_hz: FloatArray, index: int) -> Curves:
    smooth = rung.smoothed[index]
    levels: dict[str | int, SmoothedLevel] = dict(smooth.harmonics.items())
    levels |= {"level": smooth.fundamental, "thd": smooth.thd}
    share = octave_bands(frequency_hz, smooth.bands_per_octave)[1].astype(float)
    share /= np.sum(share, axis=1, keepdims=True)
    noise_db = {
        name: np.sqrt(share @ np.nan_to_num(one, posinf=UNKNOWN_DB, nan=UNKNOWN_DB) ** 2)
        for name, one in _noise_db(rung).items()
    }
    return {
        name: _of_noise((one.level_db, one.low_db, one.high_db), noise_db[name])
        for name, one in levels.items()
    }


def _noise_db(rung: Rung) -> dict[str | int, FloatArray]:
    """Return what noise moves each single value by, one standard deviation, by its floor."""
    parts: dict[str | int, tuple[FloatArray, FloatArray]] = {
        n: (curve.level_db, curve.floor_db) for n, curve in rung.harmonics.items()
    }
    parts["level"] = (rung.fundamental_db, rung.fundamental_floor_db)
    parts["thd"] = (rung.thd_db, rung.thd_floor_db)
    with np.errstate(invalid="ignore", over="ignore"):
        return {n: level_deviation_db(level - floor) for n, (level, floor) in parts.items()}


def _of_noise(curve: Curve, noise_db: FloatArray) -> Curve:
    """Return a curve with the intervals that noise alone leaves; NaN where too little is known.

    An interval also holds what is the same in every placement, as a sweep's speed is: that is no
    part of what is taken off their spread.
    """
    level, low, high = curve
    with np.errstate(invalid="ignore"):
        half = np.where(is_reliable(low, high), (high - low) / 2.0, np.nan)
        half = np.where(np.isfinite(noise_db), np.minimum(half, TWO_SIDED * noise_db), half)
    return level, level - half, level + half


def _spread(
    bands_per_octave: int | None,
    frequency_hz: FloatArray,
    curves: Sequence[Sequence[Curves]],
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
