"""A recorder's clip below full scale: waves that end at one level wherever they would go past it.

What clips in front of the converter, or in a program before the file was turned down, ends at the
same value at every frequency, whatever the response there: a pile-up in the peaks of short
stretches. A loudspeaker that clips is heard through its response, so that its peaks differ. A
limiter holds peaks level, too, but leaves the wave round.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.analysis.noise.certainty import DB_PER_RATIO
from distsweep.takes.sweep_blocks import BLOCK, SweepBlocks
from distsweep.units import FloatArray, IntArray, db_to_ratio, ratio_to_db

PILE_DB = (0.01, 0.03, 0.1)
"""Widths of piles that are looked for (chosen: a clip's samples are within the first; dither, or
the coupling capacitor of what follows, moves them by up to the last)."""

PILED = 5.0
"""A pile holds as many times the samples of the next step below it (chosen: a sine of constant
height has 1/(√2 − 1) = 2.4 times, what varies in height less; clipped by 0.1 dB it has 25)."""

ABOVE_PILE = 0.1
"""Samples above a pile are at most such a share of it (chosen: a click in a clipped sweep)."""

NEAR_TOP_DB = 1.0
"""A pile lies so near the highest sample of its sweep (chosen: what goes past it by more was no
clip)."""

LOOKED_AT = 200
"""Blocks, evenly spread, that are looked at first (chosen: a pile of 12 samples in three blocks is
seen where it fills a sixth of them; a tenth of the time)."""

LEAST_SAMPLES, LEAST_BLOCKS = 12, 3
"""Samples in a pile, and blocks that they lie in, at least (chosen: several periods' tops)."""

NEAR_LIMIT = 0.9
"""A block that the drive would take past a known limit was clipped if its peak is such a share of
it at least (chosen: what a capacitor behind the clip lets the tops of bass sag by)."""

RESPONSE_DIFFERS = 4.0
"""Between their 10 and 90 % quantiles, a quieter sweep's peaks where another's samples pile up
differ by so many widths of the pile at least, and of the noise in them (chosen: a loudspeaker's
clip, heard through that response, would be spread by as much)."""


@dataclass(frozen=True)
class FlatTops:
    """A sweep whose waves end at one level.

    Attributes
    ----------
    sweep : its index.
    samples : those at the limit, sorted, counted from the recording's first.
    """

    sweep: int
    samples: IntArray


def find_flat_tops(sweeps: Sequence[SweepBlocks]) -> list[FlatTops]:
    """Return the sweeps that a recorder clipped below full scale."""
    if len(sweeps) < 2:
        return []
    by_drive = sorted(range(len(sweeps)), key=lambda number: sweeps[number].drive_dbfs)
    quieter = sweeps[by_drive[0]]
    limits: dict[tuple[int, float], float] = {}
    found = []
    for number in by_drive[1:]:
        sweep, parts = sweeps[number], []
        for sign in (1.0, -1.0):
            samples, own = _at_limit(sweep, sign, quieter)
            limit = min(own, limits.get((sweep.file, sign), math.inf))
            limits[sweep.file, sign] = limit
            parts += [samples, _driven_past(sweep, sign, quieter, limit)]
        clipped = np.unique(np.concatenate(parts))
        if len(clipped):
            found.append(FlatTops(number, sweep.first + clipped))
        else:
            quieter = sweep
    return found


def _peaks(sweep: SweepBlocks, sign: float) -> FloatArray:
    return sweep.highest if sign > 0.0 else -sweep.lowest


def _driven_past(sweep: SweepBlocks, sign: float, quieter: SweepBlocks, limit: float) -> IntArray:
    """Return the middles of blocks that would go past a known limit, and come near it."""
    rise = db_to_ratio(sweep.drive_dbfs - quieter.drive_dbfs)
    past = (_peaks(quieter, sign) * rise >= limit) & (_peaks(sweep, sign) >= NEAR_LIMIT * limit)
    return np.asarray(np.flatnonzero(past) * BLOCK + BLOCK // 2, dtype=np.int64)


def _at_limit(sweep: SweepBlocks, sign: float, quieter: SweepBlocks) -> tuple[IntArray, float]:
    """Return the samples of one side of a sweep that lie at its limit, and it; none: no samples.

    ``quieter`` is the loudest of the quieter sweeps that has no such limit.
    """
    none = np.empty(0, dtype=np.int64), math.inf
    peaks = _peaks(sweep, sign)
    top = float(np.max(peaks))
    if top <= 0.0:
        return none
    blocks = np.flatnonzero(peaks >= top * db_to_ratio(-NEAR_TOP_DB))
    few = blocks[:: max(1, len(blocks) // LOOKED_AT)]
    if len(few) < len(blocks) and not math.isfinite(_piled_in(few, sweep, sign, quieter, top)[1]):
        return none
    return _piled_in(blocks, sweep, sign, quieter, top)


def _piled_in(
    blocks: IntArray, sweep: SweepBlocks, sign: float, quieter: SweepBlocks, top: float
) -> tuple[IntArray, float]:
    """Return what `_at_limit` does, of some blocks that come near the highest sample ``top``."""
    none = np.empty(0, dtype=np.int64), math.inf
    places = (blocks[:, None] * BLOCK + np.arange(BLOCK)).ravel()
    heights = sign * sweep.samples[blocks].ravel()
    high = heights >= top * db_to_ratio(-NEAR_TOP_DB)
    places, below_db = places[high], np.asarray(-ratio_to_db(heights[high] / top))
    for width_db in PILE_DB:
        ends = _pile(below_db, width_db)
        if ends is None:
            continue
        piled = np.unique(places[(below_db >= ends[0]) & (below_db < ends[1])] // BLOCK)
        unclipped = _peaks(quieter, sign)[piled]
        if len(piled) < LEAST_BLOCKS or np.min(unclipped) <= 0.0:
            continue
        low, high = np.quantile(unclipped, [0.1, 0.9])
        noise_db = DB_PER_RATIO * math.sqrt(quieter.noise / BLOCK) / low
        if float(ratio_to_db(high / low)) >= RESPONSE_DIFFERS * (width_db + noise_db):
            at_limit = places[below_db < ends[1]].astype(np.int64)
            return at_limit, top * float(db_to_ratio(-ends[1]))
    return none


def _pile(below_db: FloatArray, width_db: float) -> tuple[float, float] | None:
    """Return where a pile begins and ends, in dB below the highest sample; None: there is none."""
    counts = np.bincount((below_db / width_db).astype(int), minlength=2)
    above = np.cumsum(counts) - counts
    enough = (counts >= LEAST_SAMPLES) & (above <= ABOVE_PILE * counts)
    enough &= counts >= PILED * np.append(counts[1:], counts[-1])
    if not np.any(enough):
        return None
    first = int(np.argmax(enough))
    return first * width_db, (first + 1) * width_db
