"""What limits a ladder: its bands' limiters, clean levels, and where rattles set in."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.analysis.limits.clean_level_ladder import ladder_clean_levels
from distsweep.analysis.limits.of_ladder import find_limiters
from distsweep.results import CleanLevel, Compression, HighOrderOnset, Limiter, Rung
from distsweep.units import BoolArray, FloatArray

HIGH_ORDER_ABOVE_FLOOR_DB = 10.0
HIGH_ORDER_LEVEL_DB = -60.0
HIGH_ORDER_POINTS = 4
"""High-order sound counts from so far above the background, from 0.1 % of the fundamental,
and over a twelfth of an octave (chosen: a lone point may be a click of the room's)."""

MOST_ONSETS = 8


@dataclass(frozen=True)
class LadderLimits:
    """A ladder's limiters (none where nothing can be said), clean levels and high-order onsets."""

    limiters: list[Limiter]
    clean_level: list[CleanLevel]
    clean_level_third_octave: list[CleanLevel]
    high_order_onset: list[HighOrderOnset]


def find_ladder_limits(
    frequency_hz: FloatArray, rungs: Sequence[Rung], compression: Compression | None
) -> LadderLimits:
    """Describe what limits a ladder.

    Parameters
    ----------
    frequency_hz : shape ``(F,)``.
    rungs : rising in drive; those that clipped in the recording take no part.
    """
    kept = [i for i, rung in enumerate(rungs) if not rung.clipped]
    if not kept:
        return LadderLimits([], [], [], [])
    limiters = [] if compression is None else find_limiters(frequency_hz, rungs, compression, kept)
    return LadderLimits(
        limiters,
        *ladder_clean_levels(frequency_hz, rungs, compression, kept, limiters),
        _onsets(frequency_hz, rungs, kept),
    )


def _onsets(
    frequency_hz: FloatArray, rungs: Sequence[Rung], kept: list[int]
) -> list[HighOrderOnset]:
    """Return, for each stretch of frequencies, the drive at which high-order sound sets in.

    What the next louder level could show and does not was a noise in one rung.
    """
    found: list[HighOrderOnset] = []
    seen = np.zeros(len(frequency_hz), dtype=bool)
    for i, louder in itertools.zip_longest(kept, kept[1:]):
        rung = rungs[i]
        heard = _high_orders_heard(rung)
        if louder is not None:
            heard &= _not_denied(rung, rungs[louder])
        for first, last in _runs(heard & ~seen):
            if last - first < HIGH_ORDER_POINTS:
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
    heard = (above >= HIGH_ORDER_ABOVE_FLOOR_DB) & (rung.high_order_db >= HIGH_ORDER_LEVEL_DB)
    return np.asarray(heard)


def _not_denied(rung: Rung, louder: Rung) -> BoolArray:
    """Tell where a louder rung hears high orders nearby, too, or could not."""
    hidden_db = louder.high_order_floor_db + HIGH_ORDER_ABOVE_FLOOR_DB
    could = rung.high_order_db >= np.where(np.isnan(hidden_db), np.inf, hidden_db)
    return np.asarray(_widened(_high_orders_heard(louder)) | ~could)


def _widened(flags: BoolArray) -> BoolArray:
    reach = 2 * HIGH_ORDER_POINTS
    kernel = np.ones(2 * reach + 1)
    return np.asarray(np.convolve(flags, kernel, mode="same") > 0.5)


def _runs(flags: BoolArray) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(int), [0]])))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
