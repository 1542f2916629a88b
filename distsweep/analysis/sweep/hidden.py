"""Harmonics that a recorder may have deleted or made: below a level nothing of them is known.

A coder deletes what it holds to be masked, so that nothing is left over where it was. An automatic
gain follows the wave it levels, and makes products of its own. Neither leaves a floor that could be
measured: such values are not reliable, and their interval reaches up to that level at least.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from distsweep.analysis.noise.interval import is_reliable
from distsweep.analysis.sweep.intervals import wider
from distsweep.results import Damage, HarmonicCurve, Rung, SmoothedLevel
from distsweep.units import (
    BoolArray,
    FloatArray,
    db_to_power,
    db_to_ratio,
    power_to_db,
    ratio_to_db,
)

CODED_DB = -40.0
"""Level re the fundamental under which a coder may have deleted a harmonic (chosen: of harmonics 35
to 40 dB below it 2 to 8 % were off by more than 1.5 dB in Opus and in Vorbis at 58 kbit/s, none in
MP3 from 96 kbit/s; tests/outside/test_outside_coders.py)."""

CODED_SHARE_DB, CODING_NOISE_DB = -23.0, -51.0
"""What a coder may add to a level, re that level itself and re the fundamental: intervals are
widened by the sum (chosen: 95 % of what Opus at 130 kbit/s and Vorbis at 85 kbit/s changed in
harmonics above −45 dB lie within, by tests/outside/test_outside_coders.py)."""

LEVELLED_DB, LEVELLED_HZ = -35.0, 200.0
"""The same for an automatic gain, up to that frequency; above it a detector of the first order
leaves 6 dB less an octave (simulated: 24 automatic gains of ratios 1.5 to 6, attacks of 5 to 500
ms and releases of 0.1 to 3 s made harmonics of up to −36 dB below 250 Hz, −45 to 500 Hz, −50 to 1
kHz)."""


def hidden_below_db(damage: Sequence[Damage], frequency_hz: FloatArray) -> FloatArray:
    """Return the level re the fundamental below which no harmonic is known; −inf: none."""
    kinds = {one.kind for one in damage}
    below_db = np.full(frequency_hz.shape, -np.inf)
    if "lossy" in kinds:
        below_db = np.maximum(below_db, CODED_DB)
    if "automatic_gain" in kinds:
        octaves = ratio_to_db(np.maximum(frequency_hz / LEVELLED_HZ, 1.0))
        below_db = np.maximum(below_db, LEVELLED_DB - octaves)
    return below_db


def with_hidden(
    rungs: Sequence[Rung], frequency_hz: FloatArray, damage: Sequence[Damage]
) -> list[Rung]:
    """Let nothing below the hiding level be called reliable, and intervals reach up to it."""
    if not np.any(np.isfinite(hidden_below_db(damage, frequency_hz))):
        return list(rungs)
    return [_rung(rung, frequency_hz, damage) for rung in rungs]


def _rung(rung: Rung, frequency_hz: FloatArray, damage: Sequence[Damage]) -> Rung:
    if any(one.kind == "lossy" for one in damage):
        rung = _widened(rung)
    below_db = hidden_below_db(damage, frequency_hz)
    harmonics = {order: _curve(curve, below_db) for order, curve in rung.harmonics.items()}
    added = _summed([_hidden(curve.level_db, below_db) for curve in harmonics.values()], below_db)
    low_db, high_db = rung.thd_low_db, rung.thd_high_db
    if len(high_db):
        high_db = power_to_db(db_to_power(high_db) + added)
        reliable = rung.thd_reliable & is_reliable(low_db, high_db)
    else:
        reliable = rung.thd_reliable & (rung.thd_db >= below_db)
    smoothed = []
    for one in rung.smoothed:
        below_db = hidden_below_db(damage, one.frequency_hz)
        orders = {order: _level(level, below_db) for order, level in one.harmonics.items()}
        added = _summed([_hidden(level.level_db, below_db) for level in orders.values()], below_db)
        thd = replace(one.thd, high_db=power_to_db(db_to_power(one.thd.high_db) + added))
        smoothed.append(replace(one, harmonics=orders, thd=thd))
    third = rung.thd_third_octave
    if third is not None:
        thd = next(one.thd for one in smoothed if one.bands_per_octave == 3)
        third = replace(third, high_db=thd.high_db)
    return replace(
        rung, harmonics=harmonics, thd_high_db=high_db, thd_reliable=reliable, smoothed=smoothed,
        thd_third_octave=third,
    )  # fmt: skip


def _widened(rung: Rung) -> Rung:
    """Widen a rung's intervals by what a coder may have added; rungs without any stay."""
    if not len(rung.thd_high_db):
        return rung

    def widened(level: FloatArray, low: FloatArray, high: FloatArray) -> tuple[FloatArray, ...]:
        share = db_to_ratio(CODED_SHARE_DB) + db_to_ratio(CODING_NOISE_DB - level)
        return wider((level, low, high), np.asarray(ratio_to_db(1.0 + np.nan_to_num(share))))

    harmonics = {}
    for order, curve in rung.harmonics.items():
        _, low_db, high_db = widened(curve.level_db, curve.low_db, curve.high_db)
        reliable = curve.reliable & is_reliable(low_db, high_db)
        harmonics[order] = replace(curve, low_db=low_db, high_db=high_db, reliable=reliable)
    smoothed = []
    for one in rung.smoothed:
        parts = {
            order: SmoothedLevel(*widened(level.level_db, level.low_db, level.high_db))
            for order, level in one.harmonics.items()
        }
        thd = SmoothedLevel(*widened(one.thd.level_db, one.thd.low_db, one.thd.high_db))
        smoothed.append(replace(one, harmonics=parts, thd=thd))
    third = rung.thd_third_octave
    if third is not None:
        third = replace(
            third, low_db=next(s.thd.low_db for s in smoothed if s.bands_per_octave == 3)
        )
    _, low_db, high_db = widened(rung.thd_db, rung.thd_low_db, rung.thd_high_db)
    _, *own = wider(
        (rung.fundamental_db, rung.fundamental_low_db, rung.fundamental_high_db),
        np.asarray(ratio_to_db(1.0 + db_to_ratio(CODED_SHARE_DB))),
    )
    return replace(
        rung, harmonics=harmonics, smoothed=smoothed, thd_third_octave=third, thd_low_db=low_db,
        thd_high_db=high_db, fundamental_low_db=own[0], fundamental_high_db=own[1],
    )  # fmt: skip


def _hidden(level_db: FloatArray, below_db: FloatArray) -> BoolArray:
    return np.asarray(~(level_db >= below_db) & np.isfinite(below_db))


def _summed(hidden: Sequence[BoolArray], below_db: FloatArray) -> FloatArray:
    """Return the power that the hidden ones of some orders may have together."""
    return np.asarray(np.sum(hidden, axis=0) * db_to_power(below_db))


def _curve(curve: HarmonicCurve, below_db: FloatArray) -> HarmonicCurve:
    hidden = _hidden(curve.level_db, below_db)
    reliable = curve.reliable & ~hidden
    if not len(curve.high_db):
        return replace(curve, reliable=reliable)
    inside = np.isfinite(curve.high_db)
    return replace(
        curve,
        reliable=reliable,
        low_db=np.where(hidden & inside, -np.inf, curve.low_db),
        high_db=np.where(hidden & inside, np.maximum(curve.high_db, below_db), curve.high_db),
    )


def _level(level: SmoothedLevel, below_db: FloatArray) -> SmoothedLevel:
    hidden = _hidden(level.level_db, below_db) & np.isfinite(level.high_db)
    return replace(
        level,
        low_db=np.where(hidden, -np.inf, level.low_db),
        high_db=np.where(hidden, np.maximum(level.high_db, below_db), level.high_db),
    )
