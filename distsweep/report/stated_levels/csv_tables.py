"""Wide CSV tables of THD and harmonics at stated levels: frequency down, levels across."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from distsweep.analysis.noise.interval import is_reliable
from distsweep.report.wide_table import PERCENT_DECIMALS, WideCurve, wide_table
from distsweep.results import BAND, AtSpl, Take
from distsweep.units import FloatArray


def stated_level_tables(take: Take) -> Iterator[tuple[str, str]]:
    """Yield the ending of each file's name, and its text: see `distsweep.report.wide_table`.

    Beside THD and harmonics there is the drive that gives each level.
    """
    if not take.at_spl:
        return
    f = take.at_spl[0].frequency_hz
    thd = [_curve(one, one.thd_db, one.thd_low_db, one.thd_high_db) for one in take.at_spl]
    percent = [curve.in_percent() for curve in thd]
    yield "thd-at-spl-percent", wide_table(f, "THD %", percent, decimals=PERCENT_DECIMALS)
    yield "thd-at-spl-db", wide_table(f, "THD dB", thd)
    for order in sorted({order for one in take.at_spl for order in one.harmonics}):
        harmonics = [
            _curve(one, found.level_db, found.low_db, found.high_db)
            for one in take.at_spl
            if (found := one.harmonics.get(order)) is not None
        ]
        yield f"h{order}-at-spl-db", wide_table(f, f"H{order} dB", harmonics)
    drives = [
        _curve(one, one.drive_dbfs, one.drive_low_dbfs, one.drive_high_dbfs) for one in take.at_spl
    ]
    yield "drive-at-spl-dbfs", wide_table(f, "Drive dBFS", drives)


def _curve(one: AtSpl, value: FloatArray, low: FloatArray, high: FloatArray) -> WideCurve:
    """Return a curve at one level; it is reliable where its interval is narrow."""
    where = "in the level band" if one.meaning == BAND else "at each frequency"
    heading = f"{one.spl_db:.6g} dB SPL {where}"
    reliable = np.asarray(is_reliable(low, high), dtype=bool)
    return WideCurve(heading, value, low, high, reliable, np.zeros(value.shape, dtype=bool))
