"""Which points may be shown as data, which only as a hint, and what can be said of either.

A value is *reliable* where its interval's half-width is at most 1.5 dB (and nothing clipped there),
*uncertain* where it is wider but has a low end: there, but noise may have moved it by several
decibels. Where the low end is nothing the value is only "at most" its high end. Harmonics and THD
carry their own ``reliable`` flags; the gain change and the fundamental get theirs here.

Files written before there were intervals go by the distance from the floor: `RELIABLE_DB` and
`SEEN_DB`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.analysis.noise.certainty import RELIABLE_DB, SEEN_DB
from distsweep.analysis.noise.interval import is_reliable
from distsweep.flag_runs import runs_of
from distsweep.results import SAME_DRIVE_DB, HarmonicCurve, Rung, Take
from distsweep.units import BoolArray, FloatArray, db_to_ratio, ratio_to_db

NOISE_PEAK_RATIO = 2.8
"""Noise in step with a value passes this multiple of its RMS once in thirty thousand values.

The same multiple that makes 25 dB a shift of 1.5 dB (see `RELIABLE_DB`).
"""


@dataclass(frozen=True)
class Standing:
    """Where a curve is reliable, and where it is uncertain; both of shape ``(F,)``.

    No point is both. A point that is neither is no more than noise, is clipped, or does not exist.
    """

    reliable: BoolArray
    uncertain: BoolArray

    def any(self) -> bool:
        """Tell whether anything at all may be shown."""
        return bool(self.reliable.any() or self.uncertain.any())


def thd_standing(rung: Rung) -> Standing:
    """Where a rung's THD is reliable, and where it is uncertain."""
    return _flagged_standing(
        (rung.thd_db, rung.thd_low_db, rung.thd_high_db), rung.thd_floor_db, rung.thd_reliable, rung
    )


def harmonic_standing(rung: Rung, curve: HarmonicCurve) -> Standing:
    """Where a harmonic of a rung is reliable, and where it is uncertain."""
    parts = curve.level_db, curve.low_db, curve.high_db
    return _flagged_standing(parts, curve.floor_db, curve.reliable, rung)


def thd_reliable(rung: Rung) -> BoolArray:
    """Where a rung's THD is flagged reliable and is a number, shape ``(F,)``."""
    return thd_standing(rung).reliable


def _flagged_standing(
    parts: tuple[FloatArray, FloatArray, FloatArray],
    floor_db: FloatArray,
    flags: BoolArray,
    rung: Rung,
) -> Standing:
    """Reliable as flagged; uncertain if only too wide, and nowhere in a rung that clipped.

    In a clipped rung a missing flag may mean clipping as well as noise, and nothing tells which.
    A value that is narrow enough and not flagged is spoilt by something other than noise.
    """
    known = np.isfinite(parts[0])
    _, wide = _narrow_and_wide(parts, floor_db)
    uncertain = known & wide & ~flags & (not rung.clipped)
    return Standing(np.asarray(flags & known), np.asarray(uncertain))


def _narrow_and_wide(
    parts: tuple[FloatArray, FloatArray, FloatArray], floor_db: FloatArray
) -> tuple[BoolArray, BoolArray]:
    """Tell where noise leaves a value within 1.5 dB, and where it leaves something of it."""
    level_db, low_db, high_db = parts
    if high_db.size:
        narrow = is_reliable(low_db, high_db)
        return narrow, np.asarray(np.isfinite(low_db) & ~narrow)
    with np.errstate(invalid="ignore"):
        above_db = level_db - floor_db
        narrow = np.asarray(above_db >= RELIABLE_DB)
        return narrow, np.asarray((above_db >= SEEN_DB) & ~narrow)


def fundamental_standing(take: Take, rung_index: int) -> Standing:
    """Where a rung's fundamental is reliable, and where it is uncertain.

    A floor of −inf (no noise at all) is null once written, so a missing floor is taken as one
    that does not disturb.
    """
    rung = take.rungs[rung_index]
    parts = rung.fundamental_db, rung.fundamental_low_db, rung.fundamental_high_db
    known = np.isfinite(rung.fundamental_db) & _surely_unclipped(take, rung_index)
    narrow, wide = _narrow_and_wide(parts, rung.fundamental_floor_db)
    narrow = narrow | ~np.isfinite(rung.fundamental_floor_db)
    return Standing(np.asarray(known & narrow), np.asarray(known & wide & ~narrow))


def _surely_unclipped(take: Take, rung_index: int) -> BoolArray:
    """Where a rung's fundamental is known not to have clipped, shape ``(F,)``.

    Results say of a rung that it clipped, but not where. The analysis flags a harmonic, or THD,
    and writes a gain change, only where the fundamental was not clipped: so any of these clears
    it. Elsewhere in a clipped rung nothing is known, and nothing is shown.
    """
    rung = take.rungs[rung_index]
    if not rung.clipped:
        return np.ones(take.frequency_hz.shape, dtype=bool)
    cleared = rung.thd_reliable | gain_change_reliable(take, rung_index)
    for curve in rung.harmonics.values():
        cleared = cleared | curve.reliable
    return np.asarray(cleared, dtype=bool)


def gain_change_reliable(take: Take, rung_index: int) -> BoolArray:
    """Where the gain change of a rung may be shown, shape ``(F,)``.

    The analysis writes a number only where this rung's fundamental and the reference's both
    stand `RELIABLE_DB` above their floors, unclipped. Passes that differ may leave its interval
    wide all the same. Without a reference nothing may be shown.
    """
    change_db, low_db, high_db = gain_change_parts(take, rung_index)
    if not change_db.size or reference_index(take) is None:
        return np.zeros(take.frequency_hz.shape, dtype=bool)
    narrow = is_reliable(low_db, high_db) if high_db.size else True
    return np.asarray(np.isfinite(change_db) & narrow, dtype=bool)


def gain_change_parts(take: Take, rung_index: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Gain change of a rung, its low and its high end; each of length 0 where there is none."""
    nothing = np.zeros(0)
    if take.compression is None:
        return nothing, nothing, nothing
    value, low, high = (
        part[rung_index] if part else nothing
        for part in (
            take.compression.gain_change_db,
            take.compression.gain_change_low_db,
            take.compression.gain_change_high_db,
        )
    )
    return value, low, high


def beside(uncertain: BoolArray, reliable: BoolArray) -> BoolArray:
    """Uncertain points and the reliable ones next to them, so that the two lines meet."""
    grown = uncertain.copy()
    grown[1:] |= uncertain[:-1] & reliable[1:]
    grown[:-1] |= uncertain[1:] & reliable[:-1]
    return grown


def thd_bound_db(rung: Rung) -> FloatArray:
    """THD that the rung does not exceed, whatever noise did, dB re the fundamental.

    The interval's high end; in files without intervals the value and `NOISE_PEAK_RATIO` times its
    floor, as amplitudes: noise in antiphase may have hidden that much. NaN where nothing is known,
    and all over a rung that clipped.
    """
    if rung.thd_high_db.size:
        bound = rung.thd_high_db
    else:
        amplitude = db_to_ratio(rung.thd_db)
        noise = NOISE_PEAK_RATIO * db_to_ratio(rung.thd_floor_db)
        bound = np.asarray(ratio_to_db(amplitude + noise))
    return np.where(np.isfinite(bound) & (not rung.clipped), bound, np.nan)


def order_ends_hz(take: Take) -> dict[int, float]:
    """Frequency above which each order is no longer summed; only those that end in the grid."""
    if not take.rungs:
        return {}
    summed = take.rungs[0].orders_summed
    ends = {}
    for order in range(2, int(summed.max(initial=0)) + 2):
        last = int(np.flatnonzero(summed >= order - 1)[-1])  # orders count from 2
        if last + 1 < summed.size:
            edge_hz = take.band_hz[1] / order if len(take.band_hz) == 2 else 0.0
            low_hz, high_hz = (float(f) for f in take.frequency_hz[last : last + 2])
            # The band's own edge, if that is what ends the order; else half-way between points.
            exact = low_hz <= edge_hz * 1.0001 and edge_hz < high_hz
            ends[order] = edge_hz if exact else float(np.sqrt(low_hz * high_hz))
    return ends


def reference_index(take: Take) -> int | None:
    """Index of the rung that the gain change refers to, or None."""
    compression = take.compression
    if compression is None or compression.reference_drive_dbfs is None or not take.rungs:
        return None
    away = [abs(rung.drive_dbfs - compression.reference_drive_dbfs) for rung in take.rungs]
    return int(np.argmin(away)) if min(away) < SAME_DRIVE_DB else None


def loudest_index(take: Take) -> int:
    """Index of the loudest rung that did not clip; of the loudest when all did."""
    usable = [i for i, rung in enumerate(take.rungs) if not rung.clipped]
    return max(usable or range(len(take.rungs)), key=lambda i: take.rungs[i].drive_dbfs)


def loudest_rung(take: Take) -> Rung:
    """The loudest rung that did not clip; the loudest when all did."""
    return take.rungs[loudest_index(take)]


def only(values: FloatArray, flags: BoolArray) -> FloatArray:
    """Values where flagged, NaN elsewhere."""
    return np.where(flags, values, np.nan)


@dataclass(frozen=True)
class Extreme:
    """A value and the frequency at which it stands."""

    value: float
    frequency_hz: float


@dataclass(frozen=True)
class Coverage:
    """How much of a band is reliable, on a log-frequency scale."""

    share: float
    low_hz: float
    high_hz: float
    pieces: int


def inside(frequency_hz: FloatArray, low_hz: float, high_hz: float) -> BoolArray:
    """Which frequencies lie in a band, both ends included up to rounding."""
    return np.asarray(
        (frequency_hz >= low_hz * 0.9999) & (frequency_hz <= high_hz * 1.0001), dtype=bool
    )


def highest(frequency_hz: FloatArray, values: FloatArray, flags: BoolArray) -> Extreme | None:
    """Largest flagged value and where it stands; None when nothing is flagged."""
    picked = np.flatnonzero(flags & np.isfinite(values))
    if picked.size == 0:
        return None
    at = picked[np.argmax(values[picked])]
    return Extreme(float(values[at]), float(frequency_hz[at]))


def coverage(frequency_hz: FloatArray, flags: BoolArray) -> Coverage | None:
    """Share of the grid that is flagged, and its outer ends; None when nothing is.

    The grid is taken to be even on a log scale, as ours is.
    """
    pieces = runs_of(flags)
    if not pieces:
        return None
    return Coverage(
        float(np.mean(flags)),
        float(frequency_hz[pieces[0][0]]),
        float(frequency_hz[pieces[-1][1] - 1]),
        len(pieces),
    )
