"""Two ladders read at the same places: at equal drive, or at equal level."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.comparison.record import BAND, DRIVE, EACH_FREQUENCY
from distsweep.results import SAME_DRIVE_DB, Rung, Take
from distsweep.results.between_rungs import Between
from distsweep.results.ladder import Smoothed, SmoothedLevel
from distsweep.results.rung_curves import Curves, known_ends
from distsweep.units import FloatArray, IntArray

THIRDS = 3
"""Bands per octave of the averages that statements are tried on."""


@dataclass(frozen=True)
class Ladder:
    """Rungs that did not clip in the recording, rising; curves of ``(R, F)`` on one grid."""

    frequency_hz: FloatArray
    drives_dbfs: FloatArray
    band_spl_db: FloatArray
    fundamental: Curves
    thd: Curves
    harmonics: dict[int, Curves]

    def read(self, aligned: str, at: float) -> Reading:
        """Return what holds at a drive or level, ``(F,)``; NaN where it was not played."""
        across = np.ones(len(self.frequency_hz))
        level = {
            DRIVE: lambda: Curves.exact(self.drives_dbfs[:, None] * across),
            BAND: lambda: Curves.exact(self.band_spl_db[:, None] * across),
            EACH_FREQUENCY: lambda: self.fundamental,
        }[aligned]()
        place = Between(self.drives_dbfs, level, at)
        thd, harmonics = place.read_total(self.thd, self.harmonics)
        return Reading(place.read(self.fundamental), thd, dict(harmonics))


@dataclass(frozen=True)
class Reading:
    """Curves at one drive or level, ``(F,)``."""

    fundamental: Curves
    thd: Curves
    harmonics: dict[int, Curves]


@dataclass(frozen=True)
class Place:
    """One drive or level at which two takes are compared; the other's curves on the first's grid.

    ``thirds_hz`` are the bands that both have averages of, ``thirds`` those averages; None where a
    file holds none.
    """

    aligned: str
    at: float
    frequency_hz: FloatArray
    fine: tuple[Reading, Reading]
    thirds_hz: FloatArray
    thirds: tuple[Reading, Reading] | None


def places(first: Take, other: Take, aligned: str) -> list[Place]:
    """Return the places that two takes of ladders have in common, by rising drive or level."""
    ladders = fine_ladder(first), fine_ladder(other)
    if ladders[0] is None or ladders[1] is None:
        return []
    thirds = third_ladders(first, other)
    f = ladders[0].frequency_hz
    return [
        Place(
            aligned,
            at,
            f,
            (ladders[0].read(aligned, at), _moved(ladders[1], f).read(aligned, at)),
            thirds[0].frequency_hz if thirds else np.zeros(0),
            (thirds[0].read(aligned, at), thirds[1].read(aligned, at)) if thirds else None,
        )
        for at in common_places(ladders[0], ladders[1], aligned)
    ]


def common_places(first: Ladder, other: Ladder, aligned: str) -> list[float]:
    """Return drives or band levels of the first that the other reaches, else the other's own."""
    ours, theirs = (
        side.drives_dbfs if aligned == DRIVE else side.band_spl_db for side in (first, other)
    )
    for here, there in ((ours, theirs), (theirs, ours)):
        inside = here[
            (here >= np.min(there) - SAME_DRIVE_DB) & (here <= np.max(there) + SAME_DRIVE_DB)
        ]
        if inside.size:
            # A drive that both played to within a hundredth of a decibel is the other's, too.
            return [float(value) for value in inside]
    return []


def fine_ladder(take: Take) -> Ladder | None:
    """Return a take's rungs on its own grid; None where it has none that did not clip."""

    def ends(rung: Rung, which: str) -> tuple[FloatArray, FloatArray, FloatArray]:
        values = getattr(rung, f"{which}_db")
        return _with_ends(
            values, getattr(rung, f"{which}_low_db"), getattr(rung, f"{which}_high_db")
        )

    return _ladder(
        take,
        take.frequency_hz,
        lambda rung: ends(rung, "fundamental"),
        lambda rung: ends(rung, "thd"),
        lambda rung, order: _with_ends(
            rung.harmonics[order].level_db,
            rung.harmonics[order].low_db,
            rung.harmonics[order].high_db,
        ),
    )


def third_ladders(first: Take, other: Take) -> tuple[Ladder, Ladder] | None:
    """Return both takes' averages over the thirds of an octave that both have; None without."""
    sides = [
        {id(rung): smoothed for rung in take.rungs if (smoothed := thirds_of(rung)) is not None}
        for take in (first, other)
    ]
    grids = [next(iter(side.values())).frequency_hz if side else None for side in sides]
    if grids[0] is None or grids[1] is None:
        return None
    _, ours, theirs = np.intersect1d(grids[0], grids[1], return_indices=True)
    if not ours.size:
        return None
    ladders = []
    for take, side, columns in zip((first, other), sides, (ours, theirs), strict=True):
        ladder = _averages(take, side, columns)
        if ladder is None:
            return None
        ladders.append(ladder)
    return ladders[0], ladders[1]


def _averages(take: Take, of_rungs: dict[int, Smoothed], columns: IntArray) -> Ladder | None:
    def ends(level: SmoothedLevel) -> tuple[FloatArray, FloatArray, FloatArray]:
        return _with_ends(level.level_db[columns], level.low_db[columns], level.high_db[columns])

    kept = [rung for rung in take.rungs if id(rung) in of_rungs]
    grid = next(iter(of_rungs.values())).frequency_hz[columns]
    return _ladder(
        take,
        grid,
        lambda rung: ends(of_rungs[id(rung)].fundamental),
        lambda rung: ends(of_rungs[id(rung)].thd),
        lambda rung, order: ends(of_rungs[id(rung)].harmonics[order]),
        kept,
    )


def thirds_of(rung: Rung) -> Smoothed | None:
    """Return a rung's averages over thirds of an octave; None where it has none."""
    return next((one for one in rung.smoothed if one.bands_per_octave == THIRDS), None)


Ends = tuple[FloatArray, FloatArray, FloatArray]


def _ladder(
    take: Take,
    frequency_hz: FloatArray,
    fundamental: Callable[[Rung], Ends],
    thd: Callable[[Rung], Ends],
    harmonic: Callable[[Rung, int], Ends],
    of: Sequence[Rung] | None = None,
) -> Ladder | None:
    rungs = sorted(
        (rung for rung in (take.rungs if of is None else of) if not rung.clipped),
        key=lambda rung: rung.drive_dbfs,
    )
    if not rungs:
        return None
    orders = sorted(set.intersection(*(set(rung.harmonics) for rung in rungs)))
    return Ladder(
        frequency_hz,
        np.array([rung.drive_dbfs for rung in rungs]),
        np.array([np.nan if rung.spl_db is None else rung.spl_db for rung in rungs]),
        _stacked([fundamental(rung) for rung in rungs]),
        _stacked([thd(rung) for rung in rungs]),
        {order: _stacked([harmonic(rung, order) for rung in rungs]) for order in orders},
    )


def _stacked(curves: Sequence[Ends]) -> Curves:
    return Curves(*(np.array(parts) for parts in zip(*curves, strict=True)))


def _with_ends(values: FloatArray, low: FloatArray, high: FloatArray) -> Ends:
    """Return values and ends, −inf for a low one that is nothing; NaN where none were written."""
    if not len(high):
        nothing = np.full(values.shape, np.nan)
        return values, nothing, nothing
    low, high = known_ends(low, high)
    return values, low, high


def _moved(ladder: Ladder, frequency_hz: FloatArray) -> Ladder:
    """Return a ladder on another grid, in dB over the logarithm of frequency, NaN outside it."""
    own = ladder.frequency_hz
    if same_grid(own, frequency_hz):
        return ladder

    def moved(curves: Curves) -> Curves:
        return Curves(
            *(
                np.array(
                    [
                        np.interp(np.log(frequency_hz), np.log(own), row, left=np.nan, right=np.nan)
                        for row in part
                    ]
                )
                for part in (curves.values, curves.low, curves.high)
            )
        )

    return Ladder(
        frequency_hz,
        ladder.drives_dbfs,
        ladder.band_spl_db,
        moved(ladder.fundamental),
        moved(ladder.thd),
        {order: moved(curves) for order, curves in ladder.harmonics.items()},
    )


def same_grid(ours_hz: FloatArray, theirs_hz: FloatArray) -> bool:
    """Tell whether two grids hold the same frequencies."""
    return ours_hz.shape == theirs_hz.shape and bool(
        np.allclose(ours_hz, theirs_hz, rtol=1e-6, atol=0.0)
    )
