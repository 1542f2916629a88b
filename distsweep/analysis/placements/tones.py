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
"""Values and the ends of their intervals, dB, one a burst."""


def tone_spreads(placed: Sequence[Take]) -> list[PlaceSpread]:
    """Return what placements of a staircase tell at the tones that all of them played.

    Squares are pooled over the bursts of a tone, and over tones within half an octave of it.
    """
    rows = [{tone.frequency_hz: _curves(tone) for tone in take.staircase} for take in placed]
    drives = [{tone.frequency_hz: tone.drive_dbfs for tone in take.staircase} for take in placed]
    tones = sorted(set.intersection(*(set(of_take) for of_take in rows)))
    levels = np.unique(np.concatenate([played for one in drives for played in one.values()]))
    if not tones:
        return []
    everywhere = set.intersection(*(set(one[f]) for one in rows for f in tones))
    found = {}
    for name in sorted(everywhere, key=str):
        values = np.full((3, len(placed), len(levels), len(tones)), np.nan)
        for k, (of_take, played) in enumerate(zip(rows, drives, strict=True)):
            for column, f in enumerate(tones):
                at = np.searchsorted(levels, played[f])
                values[:, k, at, column] = of_take[f][name]
        spread = place_spread(np.array(tones), *values)
        found[name] = PlaceDeviation(spread.deviation_db, spread.half_width_db)
    if not {"level", "thd"} <= everywhere:
        return []
    harmonics = {name: one for name, one in found.items() if isinstance(name, int)}
    return [PlaceSpread(None, np.array(tones), found["level"], found["thd"], harmonics)]


def _curves(tone: Staircase) -> dict[str | int, Curve]:
    """Return a tone's curves that have intervals."""
    curves: dict[str | int, Curve] = {
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
