"""What putting the microphone back changes at a staircase's tones, and intervals that hold it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from distsweep.analysis.noise.interval import is_reliable
from distsweep.analysis.placements.spread import place_spread
from distsweep.analysis.sweep.intervals import wider
from distsweep.results import PlaceDeviation, PlaceSpread, Reproducibility, Staircase, Take
from distsweep.units import FloatArray

Curve = tuple[FloatArray, FloatArray, FloatArray]
"""Values and the ends of their intervals, dB."""

Curves = dict[str | int, Curve]
"""Curves by name: "level", "thd", or a harmonic's order."""

ONE_DRIVE_DB = 1.0
"""Drives that differ by less are held against each other (chosen: a capture to levels in dB SPL
finds a drive for each placement, by how loud it is there; ladders have steps of 2 dB and more)."""


def at_drive(curves: Curves, above_db: float | FloatArray) -> Curves:
    """Return what a drive lower by so much would have shown, were the nonlinearity mild.

    Levels follow the drive, harmonic n re the fundamental grows by n − 1 dB per dB, THD as its
    second does. What grows otherwise adds to the spread.
    """
    growth = {name: name - 1 if isinstance(name, int) else 1 for name in curves}
    return {
        name: (curve[0] - by_db, curve[1] - by_db, curve[2] - by_db)
        for name, curve in curves.items()
        for by_db in [growth[name] * above_db]
    }


def tone_spreads(placed: Sequence[Take]) -> list[PlaceSpread]:
    """Return what placements of a staircase tell at the tones that all of them played.

    Squares are pooled over the bursts of a tone, and over tones within half an octave of it.
    """
    tones = [{tone.frequency_hz: tone for tone in take.staircase} for take in placed]
    common = sorted(set.intersection(*(set(of_take) for of_take in tones)))
    bursts = max((len(tones[0][f].drive_dbfs) for f in common), default=0)
    read = [{f: _at_first_drive(of_take[f], tones[0][f]) for f in common} for of_take in tones]
    if not common:
        return []
    everywhere = set.intersection(*({*one[f]} for one in read for f in common))
    found = {}
    for name in sorted(everywhere, key=str):
        values = np.full((3, len(placed), bursts, len(common)), np.nan)
        for k, of_take in enumerate(read):
            for column, f in enumerate(common):
                curve = of_take[f][name]
                values[:, k, : len(curve[0]), column] = curve
        spread = place_spread(np.array(common), *values)
        found[name] = PlaceDeviation(spread.deviation_db, spread.half_width_db)
    if not {"level", "thd"} <= everywhere:
        return []
    harmonics = {name: one for name, one in found.items() if isinstance(name, int)}
    return [PlaceSpread(None, np.array(common), found["level"], found["thd"], harmonics)]


def _at_first_drive(tone: Staircase, first: Staircase) -> Curves:
    """Return a tone's curves at the first placement's drives; none where it has other bursts."""
    if len(tone.drive_dbfs) != len(first.drive_dbfs):
        return {}
    above_db = tone.drive_dbfs - first.drive_dbfs
    return at_drive(_curves(tone), np.where(np.abs(above_db) <= ONE_DRIVE_DB, above_db, np.nan))


def _curves(tone: Staircase) -> Curves:
    """Return a tone's curves that have intervals."""
    curves: Curves = {
        n: (values, tone.harmonics_low_db[n], tone.harmonics_high_db[n])
        for n, values in tone.harmonics.items()
        if n in tone.harmonics_high_db
    }
    if len(tone.level_high_db):
        curves["level"] = (tone.level_db, tone.level_low_db, tone.level_high_db)
    if len(tone.thd_high_db):
        curves["thd"] = (tone.thd_db, tone.thd_low_db, tone.thd_high_db)
    return curves


def tones_with_reproducibility(
    staircase: Sequence[Staircase], found: Reproducibility
) -> list[Staircase]:
    """Return tones whose intervals of level, THD and harmonics hold the mean over placements.

    Gain changes, limits and clean levels, which are of one placement, stay as they are.
    """
    spread = found.of(None)
    if spread is None:
        return list(staircase)
    columns = {float(f): column for column, f in enumerate(spread.frequency_hz)}
    return [
        _tone(tone, spread, columns[tone.frequency_hz]) if tone.frequency_hz in columns else tone
        for tone in staircase
    ]


def _tone(tone: Staircase, spread: PlaceSpread, column: int) -> Staircase:
    def ends(name: str | int) -> tuple[FloatArray, FloatArray]:
        place = by_name[name]
        _, low_db, high_db = wider(curves[name], np.nan_to_num(place.half_width_db[column]))
        return low_db, high_db

    curves = _curves(tone)
    by_name: dict[str | int, PlaceDeviation] = {"level": spread.level, "thd": spread.thd}
    by_name.update(spread.harmonics.items())
    widened = {name: ends(name) for name in curves if name in by_name}
    level, thd = widened["level"], widened["thd"]
    orders = [name for name in widened if isinstance(name, int)]
    return replace(
        tone,
        level_low_db=level[0],
        level_high_db=level[1],
        level_reliable=tone.level_reliable & is_reliable(*level),
        thd_low_db=thd[0],
        thd_high_db=thd[1],
        thd_reliable=tone.thd_reliable & is_reliable(*thd),
        harmonics_low_db=tone.harmonics_low_db | {n: widened[n][0] for n in orders},
        harmonics_high_db=tone.harmonics_high_db | {n: widened[n][1] for n in orders},
    )
