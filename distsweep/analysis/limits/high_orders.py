"""The drives at which sound beyond the separated harmonics sets in: rattles, and what clips."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from distsweep.analysis.noise.certainty import CLEAR_DB, SEEN_DB
from distsweep.flag_runs import runs_of
from distsweep.results import HighOrderOnset, Rung, ToneLevels
from distsweep.units import BoolArray, FloatArray

LEAST_LEVEL_DB = -60.0
"""High-order sound counts from this level on, re the fundamental (chosen: 0.1 %; a crackle below is
hard to hear beside its own tone)."""

LEAST_POINTS = 4
"""Of a ladder it counts over so many points, a twelfth of an octave (chosen: a lone point may be a
click of the room's)."""

MOST_ONSETS = 8
"""So many stretches of frequencies are stated (chosen: what rattles at more is said by these)."""


def onset_of_tone(tone: ToneLevels) -> HighOrderOnset | None:
    """Return the lowest drive from which on something is seen beyond a tone's harmonics."""
    above_db = tone.residual_db - tone.residual_floor_db
    loud = (tone.residual_db >= LEAST_LEVEL_DB) & ~tone.clipped
    found = loud & (above_db >= SEEN_DB)  # NaN is neither
    if not np.any(found):
        return None
    first = int(np.flatnonzero(found)[0])
    return HighOrderOnset(
        frequency_hz=tone.frequency_hz,
        drive_dbfs=float(tone.drive_dbfs[first]),
        level_db=float(tone.residual_db[first]),
        crest_db=float(tone.residual_crest_db[first]),
    )


def onsets_of_ladder(
    frequency_hz: FloatArray, rungs: Sequence[Rung], kept: Sequence[int]
) -> list[HighOrderOnset]:
    """Return, for each stretch of frequencies, the drive at which high-order sound sets in.

    What the next louder level could show and does not was a noise in one rung.

    Parameters
    ----------
    rungs : rising in drive.
    kept : indices of the rungs that count.
    """
    found: list[HighOrderOnset] = []
    seen = np.zeros(len(frequency_hz), dtype=bool)
    for i, louder in itertools.zip_longest(kept, kept[1:]):
        rung = rungs[i]
        heard = _high_orders_heard(rung)
        if louder is not None:
            heard &= _not_denied(rung, rungs[louder])
        for first, last in runs_of(heard & ~seen):
            if last - first < LEAST_POINTS:
                continue
            peak = first + int(np.argmax(rung.high_order_db[first:last]))
            found.append(
                HighOrderOnset(
                    frequency_hz=float(frequency_hz[peak]),
                    drive_dbfs=rung.drive_dbfs,
                    level_db=float(rung.high_order_db[peak]),
                    band_hz=[float(frequency_hz[first]), float(frequency_hz[last - 1])],
                )
            )
        # What borders on a stretch already known is that stretch grown wider.
        seen |= _widened(heard)
    found.sort(key=lambda onset: (onset.drive_dbfs, -onset.level_db))
    return found[:MOST_ONSETS]


def _high_orders_heard(rung: Rung) -> BoolArray:
    above = rung.high_order_db - rung.high_order_floor_db
    heard = (above >= CLEAR_DB) & (rung.high_order_db >= LEAST_LEVEL_DB)
    return np.asarray(heard)


def _not_denied(rung: Rung, louder: Rung) -> BoolArray:
    """Tell where a louder rung hears high orders nearby, too, or could not."""
    hidden_db = louder.high_order_floor_db + CLEAR_DB
    could = rung.high_order_db >= np.where(np.isnan(hidden_db), np.inf, hidden_db)
    return np.asarray(_widened(_high_orders_heard(louder)) | ~could)


def _widened(flags: BoolArray) -> BoolArray:
    reach = 2 * LEAST_POINTS
    kernel = np.ones(2 * reach + 1)
    return np.asarray(np.convolve(flags, kernel, mode="same") > 0.5)
