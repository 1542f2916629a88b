"""Which output belongs to a drive: in dB SPL where a take is calibrated."""

from __future__ import annotations

import numpy as np

from distsweep.report import reliability
from distsweep.results import Rung, Staircase, Take
from distsweep.units import FloatArray


def output_db(take: Take, drive_dbfs: float) -> FloatArray:
    """Return a ladder's output at a rung's drive, in the take's unit, shape ``(F,)``.

    It follows the drive from the loudest rung that was played no louder, as output does up to a
    limiter's threshold; from the quietest rung where all are louder. NaN where noise hides the
    fundamental.
    """
    rungs = _sound_rungs(take)
    quieter = [rung for rung in rungs if rung.drive_dbfs <= drive_dbfs + 0.01] or rungs[:1]
    level_db = np.full(take.frequency_hz.shape, np.nan)
    for rung in quieter:  # a louder one is better known
        known = _known(rung)
        raised_db = rung.fundamental_db + drive_dbfs - rung.drive_dbfs
        level_db = np.where(known, raised_db, level_db)
    return level_db


def loudest_output_db(take: Take) -> FloatArray:
    """Return the output at the loudest rung that did not clip, in the take's unit, ``(F,)``."""
    rung = reliability.loudest_rung(take)
    return np.where(_known(rung), rung.fundamental_db, np.nan)


def band_output_db(take: Take, drive_dbfs: float, band_hz: tuple[float, float]) -> float | None:
    """Return the median output over a band at a rung's drive; None where nothing is known.

    The grid's points are evenly spaced on a logarithmic scale: each octave counts alike.
    """
    there = reliability.inside(take.frequency_hz, *band_hz)
    level_db = output_db(take, drive_dbfs)[there]
    level_db = level_db[np.isfinite(level_db)]
    return float(np.median(level_db)) if level_db.size else None


def tone_output_db(row: Staircase, drive_dbfs: float) -> float | None:
    """Return a tone's output at a drive, between the bursts played; None where it is not known."""
    known = np.isfinite(row.level_db) & row.level_reliable
    drives, levels = row.drive_dbfs[known], row.level_db[known]
    if not drives.size or drive_dbfs > drives[-1] + 0.01:
        return None
    quieter = np.flatnonzero(drives <= drive_dbfs + 0.01)
    at = int(quieter[-1]) if quieter.size else 0
    return float(levels[at] + drive_dbfs - drives[at])


def _sound_rungs(take: Take) -> list[Rung]:
    """Return the rungs that did not clip, or all where all did, quietest first."""
    rungs = [rung for rung in take.rungs if not rung.clipped] or take.rungs
    return sorted(rungs, key=lambda rung: rung.drive_dbfs)


def _known(rung: Rung) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    with np.errstate(invalid="ignore"):
        clear = ~(rung.fundamental_db < rung.fundamental_floor_db)
    return np.isfinite(rung.fundamental_db) & clear
