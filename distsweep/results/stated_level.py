"""THD and harmonics of a ladder at a level that lies between its rungs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.results.at_spl import BAND, EACH_FREQUENCY, AtSpl, HarmonicAtSpl
from distsweep.results.between_rungs import Between
from distsweep.results.ladder import Rung
from distsweep.results.rung_curves import Curves
from distsweep.results.staircase import Staircase
from distsweep.units import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class Played:
    """What was played and can be read between: rising drives, and curves of ``(R, F)``.

    ``drive`` and ``level`` are what may be asked for; ``thd``, ``harmonics``, ``floor_db`` and
    ``reliable`` what is read there.
    """

    drives_dbfs: FloatArray
    level: Curves
    thd: Curves
    harmonics: dict[int, Curves]
    floor_db: FloatArray
    reliable: BoolArray

    @property
    def drive(self) -> Curves:
        """The drives at each frequency, ``(R, F)``."""
        return Curves.exact(np.repeat(self.drives_dbfs[:, None], self.thd.values.shape[1], axis=1))


def played_rungs(
    rungs: Sequence[Rung], meaning: str, columns: IntArray | slice = slice(None)
) -> Played | None:
    """Return what rungs hold at some places of their grid; None where none can be read.

    Rungs that clipped in the recording take no part; with the meaning `BAND`, nor do those without
    ``spl_db``. A mean over the level band counts as known without doubt: noise averages out of it.
    A fundamental that noise alone may have made is NaN.
    """
    kept = [rung for rung in rungs if not rung.clipped]
    if meaning == BAND:
        kept = [rung for rung in kept if rung.spl_db is not None]
    if not kept:
        return None
    kept.sort(key=lambda rung: rung.drive_dbfs)
    thd = _curves([(rung.thd_db, rung.thd_low_db, rung.thd_high_db) for rung in kept], columns)
    level = _curves(
        [(rung.fundamental_db, rung.fundamental_low_db, rung.fundamental_high_db) for rung in kept],
        columns,
    )
    heard = np.isfinite(level.values) & np.isfinite(level.low)
    level = Curves(
        *(np.where(heard, part, np.nan) for part in (level.values, level.low, level.high))
    )
    if meaning == BAND:
        means_db = np.array([rung.spl_db for rung in kept], dtype=float)
        level = Curves.exact(np.repeat(means_db[:, None], thd.values.shape[1], axis=1))
    orders = sorted(set.intersection(*(set(rung.harmonics) for rung in kept)))
    curves = {order: [rung.harmonics[order] for rung in kept] for order in orders}
    return Played(
        drives_dbfs=np.array([rung.drive_dbfs for rung in kept]),
        level=level,
        thd=thd,
        harmonics={
            order: _curves([(one.level_db, one.low_db, one.high_db) for one in own], columns)
            for order, own in curves.items()
        },
        floor_db=np.array([rung.thd_floor_db[columns] for rung in kept]),
        reliable=np.array([rung.thd_reliable[columns] for rung in kept]),
    )


def played_bursts(tone: Staircase) -> Played | None:
    """Return what the bursts of one tone hold, as one frequency; None where each was clipped."""
    kept = np.flatnonzero(~tone.clipped)
    if not len(kept):
        return None

    def column(*parts: FloatArray | None) -> Curves:
        values = parts[0]
        assert values is not None
        ends = (part if part is not None and len(part) else values for part in parts)
        return Curves(*(part[kept][:, None] for part in ends))

    return Played(
        drives_dbfs=tone.drive_dbfs[kept],
        level=column(tone.level_db, tone.level_low_db, tone.level_high_db),
        thd=column(tone.thd_db, tone.thd_low_db, tone.thd_high_db),
        harmonics={
            order: column(
                levels, tone.harmonics_low_db.get(order), tone.harmonics_high_db.get(order)
            )
            for order, levels in tone.harmonics.items()
        },
        floor_db=tone.thd_floor_db[kept][:, None],
        reliable=tone.thd_reliable[kept][:, None],
    )


def state_level(
    frequency_hz: FloatArray, rungs: Sequence[Rung], spl_db: float, meaning: str
) -> AtSpl:
    """Return THD and harmonics of a calibrated ladder where a level is reached first.

    ``meaning`` is `BAND` or `EACH_FREQUENCY`.
    """
    assert meaning in (BAND, EACH_FREQUENCY)
    nothing = np.full(len(frequency_hz), np.nan)
    played = played_rungs(rungs, meaning)
    if played is None:
        ends = (nothing, nothing, nothing)
        return AtSpl(float(spl_db), meaning, frequency_hz, *ends, *ends)
    place = Between(played.drives_dbfs, played.level, spl_db)
    thd, harmonics = place.read_total(played.thd, played.harmonics)
    drive = place.drive()
    return AtSpl(
        spl_db=float(spl_db),
        meaning=meaning,
        frequency_hz=frequency_hz,
        drive_dbfs=drive.values,
        drive_low_dbfs=drive.low,
        drive_high_dbfs=drive.high,
        thd_db=thd.values,
        thd_low_db=thd.low,
        thd_high_db=thd.high,
        harmonics={
            order: HarmonicAtSpl(one.values, one.low, one.high) for order, one in harmonics.items()
        },
    )


def _curves(
    parts: Sequence[tuple[FloatArray, FloatArray, FloatArray]], columns: IntArray | slice
) -> Curves:
    """Return values and ends; the value itself stands for ends that a file does not hold."""
    return Curves(
        *(
            np.array([(part[which] if len(part[which]) else part[0])[columns] for part in parts])
            for which in range(3)
        )
    )
