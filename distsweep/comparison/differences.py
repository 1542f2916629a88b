"""Differences of two takes, with intervals: against frequency, and over thirds of an octave.

Figures, tables and ranks go by the latter where noise counts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from distsweep.comparison.aligned import Place, Reading, same_grid, third_ladders
from distsweep.comparison.beyond_doubt import difference_ends
from distsweep.comparison.placed import FUNDAMENTAL, SINGLE, PlaceDoubt
from distsweep.comparison.record import DRIVE, EACH_FREQUENCY, Difference
from distsweep.results import SAME_DRIVE_DB, CleanLevel, Compression, Take
from distsweep.results.reproducibility import THIRDS
from distsweep.results.rung_curves import Curves
from distsweep.units import FloatArray

REPEATS_DB = 0.1
"""By so much (95 %) levels of one loudspeaker differ between two measurements for reasons that no
interval knows: gains that drift, coils and amplifiers that are warmer (chosen: what two takes of
one loudspeaker a few minutes apart mostly keep within, a tenth of a decibel)."""


@dataclass(frozen=True)
class Doubts:
    """Half-widths (95 %) of what adds to the intervals of levels and of gain changes, in dB.

    ``repeated``: what repeats of a measurement differ by is in that of levels. ``place``: what
    placements of the microphone differ by, by frequency; of gain changes it is no part.
    """

    level_db: float
    gain_db: float
    repeated: bool = False
    place: PlaceDoubt | None = None

    @classmethod
    def of(
        cls,
        first: Take,
        other: Take,
        calibration_db: float = 0.0,
        *,
        repeated: bool = False,
        place: PlaceDoubt | None = None,
    ) -> Doubts:
        """Return how well levels repeat: a first rung that did not come back the same adds to it.

        Parameters
        ----------
        calibration_db : what two calibrations leave open; 0 where both sides share one.
        """
        moved = [
            take.return_check_db
            for take in (first, other)
            if take.return_check_db is not None and np.isfinite(take.return_check_db)
        ]
        gain_db = float(np.sqrt(REPEATS_DB**2 + sum(by_db**2 for by_db in moved)))
        return cls(float(np.hypot(gain_db, calibration_db)), gain_db, repeated, place)

    def of_order(self, order: int) -> float:
        """Return what a drive that is off by `REPEATS_DB` does to a harmonic re the fundamental."""
        return (order - 1) * REPEATS_DB

    def at(
        self, quantity: str, frequency_hz: FloatArray, bands_per_octave: int | None
    ) -> float | FloatArray:
        """Return what adds to a quantity's intervals, "fundamental", "thd" or "h2", by frequency.

        ``bands_per_octave`` is 3 for thirds of an octave, None for single frequencies.
        """
        own_db = self._without_place(quantity)
        if self.place is None:
            return own_db
        place_db = self.place.half_width_db(quantity, frequency_hz, bands_per_octave)
        return np.asarray(np.hypot(own_db, place_db))

    def shared(self, quantity: str) -> float:
        """Return what all bands and rungs share of it, which their mean does not make smaller."""
        own_db = self._without_place(quantity)
        return own_db if self.place is None else math.hypot(own_db, self.place.shared_db(quantity))

    def _without_place(self, quantity: str) -> float:
        if quantity == FUNDAMENTAL:
            return self.level_db
        return self.of_order(2 if quantity == "thd" else int(quantity[1:]))


def curve_differences(
    places: list[Place], position: str, source: int, doubts: Doubts
) -> list[Difference]:
    """Return fundamental, THD and harmonics at each common place, on the first take's grid."""
    differences = []
    for place in places:
        first, other = place.fine
        curves = {"thd": (first.thd, other.thd)}
        for order in sorted(first.harmonics.keys() & other.harmonics.keys()):
            curves[f"h{order}"] = first.harmonics[order], other.harmonics[order]
        if place.aligned != EACH_FREQUENCY:
            curves[FUNDAMENTAL] = (first.fundamental, other.fundamental)
        for quantity, (ours, theirs) in curves.items():
            ends = difference_ends(ours, theirs, doubts.at(quantity, place.frequency_hz, SINGLE))
            differences.append(
                Difference(
                    quantity, position, place.frequency_hz, ends.values, ends.low, ends.high,
                    source=source, aligned=place.aligned,
                    drive_dbfs=place.at if place.aligned == DRIVE else None,
                    spl_db=None if place.aligned == DRIVE else place.at,
                )
            )  # fmt: skip
    return differences


def gain_change_differences(
    first: Take, other: Take, source: int, doubts: Doubts
) -> list[Difference]:
    """Return gain changes at drives that both played, where both are re the same drive."""
    ours, theirs = first.compression, other.compression
    if ours is None or theirs is None or not same_grid(first.frequency_hz, other.frequency_hz):
        return []
    re_ours, re_theirs = ours.reference_drive_dbfs, theirs.reference_drive_dbfs
    if re_ours is None or re_theirs is None or not _same_drive(re_ours, re_theirs):
        return []
    differences = []
    for number, rung in enumerate(first.rungs):
        for pair, same in enumerate(other.rungs):
            if not _same_drive(rung.drive_dbfs, same.drive_dbfs):
                continue
            ends = difference_ends(
                _gain_change(ours, number), _gain_change(theirs, pair), doubts.gain_db
            )
            differences.append(
                Difference(
                    "gain change", first.position, first.frequency_hz,
                    ends.values, ends.low, ends.high,
                    source=source, drive_dbfs=rung.drive_dbfs,
                )
            )  # fmt: skip
    return differences


def _gain_change(compression: Compression, rung: int) -> Curves:
    """Return a rung's gain change; ends are NaN where a file holds none."""
    values = compression.gain_change_db[rung]
    ends = (compression.gain_change_low_db, compression.gain_change_high_db)
    low, high = (end[rung] if end else np.full(values.shape, np.nan) for end in ends)
    return Curves(values, low, high)


def _same_drive(one_dbfs: float, other_dbfs: float) -> bool:
    return abs(one_dbfs - other_dbfs) <= SAME_DRIVE_DB


def clean_level_differences(
    first: Take, other: Take, source: int, doubts: Doubts
) -> list[Difference]:
    """Return highest clean levels over thirds of an octave, for each limit that both have.

    The quantity is "clean level", with its limits behind it: "clean level, THD 3 %, loss 1 dB".
    """
    found = []
    for ours in first.clean_level_third_octave:
        for theirs in other.clean_level_third_octave:
            same = ours.compression_db == theirs.compression_db and np.array_equal(
                ours.thd_percent, theirs.thd_percent, equal_nan=True
            )
            if not same or not same_grid(ours.frequency_hz, theirs.frequency_hz):
                continue
            ends = _clean_difference(ours, theirs, doubts.level_db)
            found.append(
                Difference(
                    clean_quantity(ours), first.position, ours.frequency_hz,
                    ends.values, ends.low, ends.high, source=source,
                )
            )  # fmt: skip
    return found


def _clean_difference(ours: CleanLevel, theirs: CleanLevel, doubt_db: float) -> Curves:
    """Return the difference of clean levels: a value where both were reached, else what is sure.

    A level that was not reached lies at its low end or above, one "below" under its high end.
    """
    reached = np.array(
        [a == b == "reached" for a, b in zip(ours.state, theirs.state, strict=True)], dtype=bool
    )
    first, other = (Curves(one.level_db, one.low_db, one.high_db) for one in (ours, theirs))
    ends = difference_ends(first, other, doubt_db)
    low = theirs.low_db - ours.high_db - doubt_db
    high = theirs.high_db - ours.low_db + doubt_db
    low, high = np.where(np.isnan(low), -np.inf, low), np.where(np.isnan(high), np.inf, high)
    known = np.isfinite(low) | np.isfinite(high)
    return Curves(
        np.where(reached, ends.values, np.nan),
        *(
            np.where(reached, end, np.where(known, bound, np.nan))
            for end, bound in ((ends.low, low), (ends.high, high))
        ),
    )


def clean_quantity(levels: CleanLevel) -> str:
    """Return what differences of a clean level are called: with its limits."""
    thd = f", THD {levels.thd_percent:g} %" if np.isfinite(levels.thd_percent) else ""
    loss = "" if levels.compression_db is None else f", loss {levels.compression_db:g} dB"
    return f"clean level{thd}{loss}"


class ThirdDifferences:
    """Differences of one take's averages from those of the reference's take at the position."""

    def __init__(self, first: Take, other: Take, source: int, doubts: Doubts) -> None:
        """Read both ladders; ``source`` is the other's number, its levels as they are compared."""
        self._position, self._source, self._doubts = first.position, source, doubts
        self._ladders = third_ladders(first, other)
        self._reads: dict[tuple[str, float], list[Reading]] = {}

    def at(self, quantity: str, aligned: str, level: float) -> Difference | None:
        """Return "fundamental", "thd", "h2" … at a drive or level; None where there is none."""
        if self._ladders is None or (quantity == "fundamental" and aligned == EACH_FREQUENCY):
            return None
        if (aligned, level) not in self._reads:
            self._reads[aligned, level] = [one.read(aligned, level) for one in self._ladders]
        sides = self._reads[aligned, level]
        if quantity in ("fundamental", "thd"):
            first, other = (getattr(side, quantity) for side in sides)
        else:
            order = int(quantity[1:])
            if not all(order in side.harmonics for side in sides):
                return None
            first, other = (side.harmonics[order] for side in sides)
        thirds_hz = self._ladders[0].frequency_hz
        ends = difference_ends(first, other, self._doubts.at(quantity, thirds_hz, THIRDS))
        return Difference(
            quantity, self._position, thirds_hz,
            ends.values, ends.low, ends.high, source=self._source, aligned=aligned,
            drive_dbfs=level if aligned == DRIVE else None,
            spl_db=None if aligned == DRIVE else level,
        )  # fmt: skip
