"""Which points may be shown as data, and what can be said of those that may.

Harmonics and THD carry their own ``reliable`` flags; the fundamental and the gain change do
not, and get theirs here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.results import Rung, Take
from distsweep.units import BoolArray, FloatArray

FLOOR_MARGIN_DB = 6.0
"""A value is reliable when it stands this far above its floor (the contract)."""

GAIN_MARGIN_DB = 26.0
"""A gain change is shown when both fundamentals stand this far above their floors.

Chosen because noise 26 dB below a tone moves its level by 0.4 dB at most: less than the
−0.5 dB that counts as the onset of compression. At 6 dB it could be 4 to 6 dB.
"""


def fundamental_reliable(rung: Rung, margin_db: float = FLOOR_MARGIN_DB) -> BoolArray:
    """Where a rung's fundamental stands ``margin_db`` above its floor, unclipped, shape ``(F,)``.

    A floor of −inf (no noise at all) is null once written, so a missing floor is taken as one
    that does not disturb.
    """
    level, floor = rung.fundamental_db, rung.fundamental_floor_db
    known = np.isfinite(level)
    if rung.clipped:
        return np.zeros(level.shape, dtype=bool)
    with np.errstate(invalid="ignore"):
        clear = ~np.isfinite(floor) | (level - floor >= margin_db)
    return np.asarray(known & clear, dtype=bool)


def thd_reliable(rung: Rung) -> BoolArray:
    """Where a rung's THD is flagged reliable and is a number, shape ``(F,)``."""
    return np.asarray(rung.thd_reliable & np.isfinite(rung.thd_db), dtype=bool)


def gain_change_reliable(take: Take, rung_index: int) -> BoolArray:
    """Where the gain change of a rung may be shown, shape ``(F,)``.

    Its own fundamental and the reference rung's must stand `GAIN_MARGIN_DB` above their
    floors. Without a reference nothing may be shown.
    """
    compression = take.compression
    reference = reference_index(take)
    if compression is None or reference is None:
        return np.zeros(take.frequency_hz.shape, dtype=bool)
    clear = fundamental_reliable(take.rungs[rung_index], GAIN_MARGIN_DB)
    clear &= fundamental_reliable(take.rungs[reference], GAIN_MARGIN_DB)
    return np.asarray(clear & np.isfinite(compression.gain_change_db[rung_index]), dtype=bool)


def reference_index(take: Take) -> int | None:
    """Index of the rung that the gain change refers to, or None."""
    compression = take.compression
    if compression is None or compression.reference_drive_dbfs is None or not take.rungs:
        return None
    away = [abs(rung.drive_dbfs - compression.reference_drive_dbfs) for rung in take.rungs]
    return int(np.argmin(away)) if min(away) < 0.05 else None


def loudest_index(take: Take) -> int:
    """Index of the loudest rung that did not clip; of the loudest when all did."""
    usable = [i for i, rung in enumerate(take.rungs) if not rung.clipped]
    return max(usable or range(len(take.rungs)), key=lambda i: take.rungs[i].drive_dbfs)


def runs(flags: BoolArray) -> list[tuple[int, int]]:
    """Stretches of True as pairs ``(first, one past the last)``."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


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
    pieces = runs(flags)
    if not pieces:
        return None
    return Coverage(
        float(np.mean(flags)),
        float(frequency_hz[pieces[0][0]]),
        float(frequency_hz[pieces[-1][1] - 1]),
        len(pieces),
    )
