"""From measured bursts to what results hold: levels, THD, gain change, what limits."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.cut import CutStaircase, CutTone
from distsweep.analysis.limits.bending import add_bending
from distsweep.analysis.limits.clean_level import find_clean_levels
from distsweep.analysis.limits.gain_change import ONE_DB, ONSET_DB, THREE_DB, first_crossing
from distsweep.analysis.limits.kind import may_act_from_the_lowest
from distsweep.analysis.limits.of_tone import find_limiting
from distsweep.analysis.noise.background import NoiseSpectrum
from distsweep.analysis.noise.certainty import RELIABLE_DB, Bounded, NoisyPower, level_deviation_db
from distsweep.analysis.tone.bursts import (
    StaircaseSettings,
    ToneBursts,
    measure_tone,
    track_of,
)
from distsweep.analysis.tone.gain_in_time import TRACE_WINDOW_S, burst_trace
from distsweep.analysis.tone.track import ToneTrack
from distsweep.reason import Reason
from distsweep.results import BurstTrace, CleanLevel, HighOrderOnset, Staircase
from distsweep.units import (
    BoolArray,
    FloatArray,
    IntArray,
    db_to_percent,
    db_to_power,
    ratio_to_db,
)

SILENT_BELOW_DB = 20.0
"""A burst so far below the quietest other burst's gain was not played: a drop-out."""

UNSTEADY_DB, UNSTEADY_OVER_NOISE = -15.0, 10.0
"""A burst of which so much is left beside its harmonics, re the fundamental, and so many times
the background, broke off or jumped (chosen: a loudspeaker that rattles so loudly is broken)."""

HIGH_ORDER_ABOVE_FLOOR_DB = 6.0
HIGH_ORDER_LEVEL_DB = -60.0
"""What the harmonics leave counts from these on: above the background, and re the fundamental
(0.1 %, chosen: a crackle below it is hard to hear beside its own tone)."""


@dataclass(frozen=True)
class StaircaseReading:
    """A staircase's share of a take's results."""

    staircase: list[Staircase]
    clean_level: list[CleanLevel]
    high_order_onset: list[HighOrderOnset]
    warnings: list[Reason]


def read_staircase(
    cut: CutStaircase,
    settings: StaircaseSettings,
    *,
    noise: NoiseSpectrum | None,
    level_offset_db: float,
) -> StaircaseReading:
    """Analyse every tone of a cut staircase.

    Parameters
    ----------
    noise : of the silence before the first burst; None if it was not recorded.
    level_offset_db : level of a 0 dBFS sine in the take's unit.
    """
    warnings: list[Reason] = []
    rows, onsets, bent = [], [], []
    for tone in cut.tones:
        measured = measure_tone(tone, settings, rate_hz=cut.rate_hz, scale=cut.scale, noise=noise)
        measured, lost = _without_dropouts(measured)
        if lost:
            warnings.append(_dropped(tone, lost))
        row, row_warnings, is_bent = _row(tone, measured, settings, cut.rate_hz, level_offset_db)
        rows.append(row)
        bent.append(is_bent)
        warnings += row_warnings
        onset = _high_order_onset(row)
        if onset is not None:
            row.high_order_onset_dbfs = onset.drive_dbfs
            onsets.append(onset)
    add_bending(rows, bent)
    onsets.sort(key=lambda onset: onset.drive_dbfs)
    return StaircaseReading(rows, _clean_levels(rows), onsets, warnings)


def _without_dropouts(measured: ToneBursts) -> tuple[ToneBursts, list[int]]:
    """Take out bursts that hold hardly anything of their tone, or lose it half-way."""
    gain = np.asarray(ratio_to_db(measured.harmonics[:, 0])) - measured.drive_dbfs
    silent = gain < np.median(gain) - SILENT_BELOW_DB
    # A limiter that takes 20 dB away takes them from the loudest bursts, not from between.
    louder = np.array(
        [np.any(~silent & (measured.drive_dbfs >= drive)) for drive in measured.drive_dbfs]
    )
    rest_db = _db(measured.residual_rms * np.sqrt(2.0), measured.harmonics[:, 0])
    over_noise = measured.residual_rms > UNSTEADY_OVER_NOISE * measured.residual_floor
    unsteady = (rest_db > UNSTEADY_DB) & over_noise
    lost = (silent & louder) | unsteady
    if not np.any(lost):
        return measured, []
    gone = np.where(lost, np.nan, 1.0)
    left = replace(
        measured,
        usable=measured.usable & ~lost,
        harmonics=measured.harmonics * gone[:, None],
        residual_rms=measured.residual_rms * gone,
        residual_peak=measured.residual_peak * gone,
        waveform_crest_db=measured.waveform_crest_db * gone,
    )
    return left, [int(i) for i in np.flatnonzero(lost)]


def _dropped(tone: CutTone, lost: list[int]) -> Reason:
    bursts = [tone.bursts[i] for i in lost]
    return Reason(
        "burst_missing",
        frequency_hz=tone.frequency_hz,
        drives_dbfs=[burst.drive_dbfs for burst in bursts],
        directions=[burst.direction for burst in bursts],
    )


def _row(
    tone: CutTone,
    measured: ToneBursts,
    settings: StaircaseSettings,
    rate_hz: int,
    level_offset_db: float,
) -> tuple[Staircase, list[Reason], bool]:
    """Return a tone's row, what to warn of, and whether its waveform is bent."""
    up = np.flatnonzero(measured.rising)
    track = track_of(tone, rate_hz)
    row = _levels(measured, up, level_offset_db)
    warnings = _row_warnings(row)
    _gain_changes(row)
    bent = False
    if row.reference_drive_dbfs is not None and np.sum(_usable(row)) >= 2:
        found = find_limiting(tone, track, measured, row, settings, rate_hz=rate_hz)
        row.limiter, row.thermal, bent = found.limiter, found.thermal, found.bent
    if len(up):
        correction_db = float(settings.correction_db(np.array([tone.frequency_hz]))[0])
        row.trace = _trace(tone, int(up[-1]), rate_hz, track, level_offset_db - correction_db)
    return row, warnings, bent


def _levels(measured: ToneBursts, up: IntArray, offset_db: float) -> Staircase:
    """Return everything that one burst at a time tells."""
    fundamental = measured.harmonics[up, 0]
    orders = measured.harmonics[up, 1:]
    floors = measured.floors[1:]
    inside = np.any(np.isfinite(orders), axis=0)
    usable = measured.usable[up]
    distortion = np.sqrt(np.sum(orders[:, inside] ** 2, axis=1))
    distortion_floor = float(np.sqrt(np.sum(floors[inside] ** 2)))
    none = not np.any(inside)
    thd_db = np.where(none, np.nan, _db(distortion, fundamental))
    thd_floor_db = np.where(none, np.nan, _db(distortion_floor, fundamental))
    level_db = _db(fundamental) + offset_db
    floor_db = np.full(len(up), float(_db(measured.floors[:1])[0])) + offset_db
    residual = measured.residual_rms[up] * np.sqrt(2.0)  # as the amplitude of a sine
    return Staircase(
        frequency_hz=measured.frequency_hz,
        drive_dbfs=measured.drive_dbfs[up],
        level_db=level_db,
        level_floor_db=floor_db,
        level_reliable=(level_db - floor_db >= RELIABLE_DB) & usable,
        gain_change_db=np.full(len(up), np.nan),
        falling_level_db=_falling(measured, up, offset_db),
        thd_db=thd_db,
        thd_percent=np.asarray(db_to_percent(thd_db)),
        thd_floor_db=thd_floor_db,
        thd_reliable=(thd_db - thd_floor_db >= RELIABLE_DB) & usable,
        orders_summed=int(np.sum(inside)),
        harmonics={int(n) + 2: _db(orders[:, n], fundamental) for n in np.flatnonzero(inside)},
        waveform_crest_db=measured.waveform_crest_db[up],
        residual_db=_db(residual, fundamental),
        residual_floor_db=_db(measured.residual_floor * np.sqrt(2.0), fundamental),
        residual_crest_db=_db(measured.residual_peak[up], measured.residual_rms[up]),
        clipped=measured.clipped[up],
    )


def _falling(measured: ToneBursts, up: IntArray, offset_db: float) -> FloatArray:
    """Return the levels on the way down, at the drives of the way up; NaN where there is none."""
    level_db = _db(measured.harmonics[:, 0]) + offset_db
    falling = np.full(len(up), np.nan)
    for place, index in enumerate(up):
        same = measured.drive_dbfs == measured.drive_dbfs[index]
        down = np.flatnonzero(same & ~measured.rising & measured.usable)
        if len(down):
            falling[place] = level_db[down[0]]
    down_dbfs = measured.drive_dbfs[~measured.rising]
    if len(up) and len(down_dbfs) and np.max(down_dbfs) < measured.drive_dbfs[up[-1]]:
        falling[-1] = level_db[up[-1]]  # the turning point belongs to both ways
    return falling


def _db(value: FloatArray | float, reference: FloatArray | float = 1.0) -> FloatArray:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(ratio_to_db(np.divide(value, reference)))


def _usable(row: Staircase) -> BoolArray:
    return np.asarray(row.level_reliable)


def _gain_changes(row: Staircase) -> None:
    """Fill in the gain change re the quietest reliable level, and where it passes limits."""
    reliable = np.flatnonzero(_usable(row))
    if len(reliable) < 2:
        return
    first = int(reliable[0])
    gain = np.where(_usable(row), row.level_db - row.drive_dbfs, np.nan)
    row.gain_change_db = gain - gain[first]
    row.reference_drive_dbfs = float(row.drive_dbfs[first])
    change = row.gain_change_db[reliable]
    drives = row.drive_dbfs[reliable]
    at = [
        float(first_crossing(drives, change[:, None], limit)[0])
        for limit in (ONSET_DB, ONE_DB, THREE_DB)
    ]
    row.onset_dbfs, row.drive_at_1db_dbfs, row.drive_at_3db_dbfs = (
        None if np.isnan(drive) else drive for drive in at
    )
    difference = np.where(_usable(row), row.falling_level_db - row.level_db, np.nan)
    if np.any(np.isfinite(difference)):
        row.difference_db = float(difference[np.nanargmax(np.abs(difference))])


def _row_warnings(row: Staircase) -> list[Reason]:
    found = []
    f, levels = row.frequency_hz, len(row.drive_dbfs)
    if np.any(row.clipped):
        drives = [float(drive) for drive in row.drive_dbfs[row.clipped]]
        found.append(Reason("clipped", frequency_hz=f, drives_dbfs=drives))
    reliable = int(np.sum(_usable(row)))
    if levels == 1:
        found.append(Reason("one_rung", frequency_hz=f))
    elif reliable < 2:
        found.append(Reason("no_reference", frequency_hz=f, reliable=reliable, levels=levels))
    return found


def _trace(
    tone: CutTone, index: int, rate_hz: int, track: ToneTrack, offset_db: float
) -> BurstTrace:
    time_s, level_db = burst_trace(tone, track, index=index, rate_hz=rate_hz)
    burst = tone.bursts[index]
    return BurstTrace(
        drive_dbfs=burst.drive_dbfs,
        burst_s=(burst.end - burst.start) / rate_hz,
        window_s=track.width(TRACE_WINDOW_S * rate_hz) / rate_hz,
        time_s=time_s,
        level_db=level_db + offset_db,
    )


def _clean_levels(rows: list[Staircase]) -> list[CleanLevel]:
    """Return the clean levels of all frequencies, on the levels that all of them may have.

    Of a staircase's noise the sum over the orders is kept: it is taken as all in one order, which
    gives the widest bounds.
    """
    drives = np.unique(np.concatenate([row.drive_dbfs for row in rows]))
    level, thd, floor, change, above = (np.full((len(drives), len(rows)), np.nan) for _ in range(5))
    for f, row in enumerate(rows):
        ok = _usable(row)
        at = np.searchsorted(drives, row.drive_dbfs)[ok]
        level[at, f] = row.level_db[ok]
        thd[at, f] = row.thd_db[ok]
        floor[at, f] = row.thd_floor_db[ok]
        # A gain that nothing is compared with is no gain change.
        change[at, f] = row.gain_change_db[ok] if len(at) > 1 else np.nan
        above[at, f] = (row.level_db - row.level_floor_db)[ok]
    moved = level_deviation_db(above)
    references = [row.reference_drive_dbfs for row in rows]
    reference = np.array([0 if one is None else np.searchsorted(drives, one) for one in references])
    columns = np.arange(len(rows))
    deviation = np.hypot(moved, moved[reference, columns])
    deviation[reference, columns] = 0.0  # its gain is what the others are compared with
    from_lowest = [row.limiter is not None and may_act_from_the_lowest(row.limiter) for row in rows]
    distortion = NoisyPower.of_orders(
        db_to_power(thd)[None], db_to_power(floor)[None], 2.0 * db_to_power(-above)
    )
    return find_clean_levels(
        np.array([row.frequency_hz for row in rows]),
        drives,
        level,
        distortion.bounded().nothing_where(np.array([row.orders_summed == 0 for row in rows])),
        Bounded.gaussian(-change, deviation).at_least_where(np.array(from_lowest)),
    )


def _high_order_onset(row: Staircase) -> HighOrderOnset | None:
    """Return the lowest drive from which on something is left beyond the harmonics."""
    above = row.residual_db - row.residual_floor_db
    loud = (row.residual_db >= HIGH_ORDER_LEVEL_DB) & ~row.clipped
    found = loud & (above >= HIGH_ORDER_ABOVE_FLOOR_DB)  # NaN is neither
    if not np.any(found):
        return None
    first = int(np.flatnonzero(found)[0])
    return HighOrderOnset(
        frequency_hz=row.frequency_hz,
        drive_dbfs=float(row.drive_dbfs[first]),
        level_db=float(row.residual_db[first]),
        crest_db=float(row.residual_crest_db[first]),
    )
