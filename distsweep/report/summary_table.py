"""CSV that sums a session up: a row a rung of every ladder."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from distsweep.analysis.noise.interval import is_reliable
from distsweep.report.csv_text import as_csv, as_text, percent_or_nothing
from distsweep.report.reliability import gain_change_parts, gain_change_reliable
from distsweep.results import Results, Rung, Take

COLUMNS = (
    "position", "stimulus", "partial", "drive_dbfs", "spl_db", "peak_dbfs", "clipped",
    "highest_thd_percent", "highest_thd_low_percent", "highest_thd_high_percent",
    "highest_thd_at_hz", "thd_reliable_share", "largest_loss_db", "largest_loss_at_hz", "damage",
)  # fmt: skip
"""Columns, in order.

``highest_thd…`` is the highest of the averages over thirds of an octave that are known within
1.5 dB, with its 95 % interval and the band's middle. ``thd_reliable_share`` is the share of
frequencies, evenly spaced on a logarithmic scale, at which THD is reliable. ``largest_loss_db`` is
the lowest gain change, negative, among those that are reliable. ``damage`` counts the disturbances
found in that rung.
"""


def summary_table(results: Results) -> str | None:
    """Text of the CSV; None where no take holds a ladder."""
    lines = [line for take in results.takes for line in _lines(take)]
    return as_csv([COLUMNS, *lines]) if lines else None


def _lines(take: Take) -> Iterator[list[str]]:
    for index, rung in enumerate(take.rungs):
        damaged = sum(one.rung == index for one in take.damage)
        yield [
            take.position,
            take.stimulus,
            *map(as_text, (take.partial, rung.drive_dbfs, rung.spl_db, rung.peak_dbfs)),
            as_text(rung.clipped),
            *_highest_thd(rung),
            as_text(float(np.mean(rung.thd_reliable)) if rung.thd_reliable.size else None),
            *_largest_loss(take, index),
            str(damaged),
        ]


def _highest_thd(rung: Rung) -> list[str]:
    """Return value, ends and frequency of the highest known average of THD."""
    thirds = rung.thd_third_octave
    if thirds is None or rung.clipped:
        return [""] * 4
    known = is_reliable(thirds.low_db, thirds.high_db) & np.isfinite(thirds.thd_db)
    if not known.any():
        return [""] * 4
    at = int(np.argmax(np.where(known, thirds.thd_db, -np.inf)))
    parts = np.array([thirds.thd_db[at], thirds.low_db[at], thirds.high_db[at]])
    return [*map(as_text, percent_or_nothing(parts)), as_text(thirds.frequency_hz[at])]


def _largest_loss(take: Take, index: int) -> list[str]:
    """Return the lowest reliable gain change, and its frequency."""
    change_db, _, _ = gain_change_parts(take, index)
    known = gain_change_reliable(take, index)
    if not known.any():
        return [""] * 2
    at = int(np.argmin(np.where(known, change_db, np.inf)))
    return [as_text(change_db[at]), as_text(take.frequency_hz[at])]
