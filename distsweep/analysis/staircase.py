"""One staircase measured: levels, THD and gain change of each tone, and what limits it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.cut import CutStaircase, CutTone
from distsweep.analysis.limits.bent_tones import compare_bent
from distsweep.analysis.limits.clean_level_staircase import staircase_clean_levels
from distsweep.analysis.limits.gain_change import gain_change_of_tone, tone_with_ends
from distsweep.analysis.limits.high_orders import onset_of_tone
from distsweep.analysis.limits.limiter_kind import FoundLimiter
from distsweep.analysis.limits.tone_limiter import ToneLimiter, find_tone_limiter
from distsweep.analysis.noise.background import NoiseSpectrum, noise_spectrum
from distsweep.analysis.noise.certainty import RELIABLE_DB
from distsweep.analysis.noise.third_octave_levels import describe_in_thirds
from distsweep.analysis.settings import TakeSettings
from distsweep.analysis.tone.bursts import ToneBursts, measure_bursts, without_broken
from distsweep.analysis.tone.gain_in_time import burst_trace
from distsweep.analysis.tone.intervals import freed_of_noise
from distsweep.reason import Reason
from distsweep.results import (
    Background,
    BurstTrace,
    CleanLevel,
    HighOrderOnset,
    Thermal,
    ToneLevels,
)
from distsweep.units import FloatArray, IntArray, db_to_percent, ratio_to_db


@dataclass(frozen=True)
class MeasuredTone:
    """One tone: its levels, what holds it back (None where nothing can be said), and why.

    ``levels`` have the noise in them; ``stated`` are freed of it, with their intervals.
    ``bent`` says that its waveform is; ``trace`` is the level around the loudest burst.
    """

    levels: ToneLevels
    stated: ToneLevels
    limiter: FoundLimiter | None
    thermal: Thermal | None
    bent: bool
    high_order_onset: HighOrderOnset | None
    trace: BurstTrace | None


@dataclass(frozen=True, eq=False)
class MeasuredStaircase:
    """A staircase, measured; levels are in the take's unit.

    Attributes
    ----------
    frequency_hz : of the tones in the order played, shape ``(F,)``.
    tones : one a frequency.
    clean_level, high_order_onset : over all tones.
    background : None where the silence was not recorded.
    warnings : what the reader of the numbers must know.
    """

    frequency_hz: FloatArray
    tones: tuple[MeasuredTone, ...]
    clean_level: list[CleanLevel]
    high_order_onset: list[HighOrderOnset]
    background: Background | None
    warnings: tuple[Reason, ...]


def measure_staircase(cut: CutStaircase, settings: TakeSettings) -> MeasuredStaircase:
    """Measure every tone of a cut staircase."""
    noise = noise_spectrum(cut.quiet, rate_hz=cut.rate_hz, step=cut.step)
    tones, warnings = [], []
    for tone in cut.tones:
        measured, doubts = _tone(tone, settings, cut.scale, noise)
        tones.append(measured)
        warnings += doubts
    onsets = [tone.high_order_onset for tone in tones if tone.high_order_onset is not None]
    return MeasuredStaircase(
        frequency_hz=np.array([tone.levels.frequency_hz for tone in tones]),
        tones=_compared(tones),
        clean_level=staircase_clean_levels(
            [tone.stated for tone in tones],
            [tone.limiter is not None and tone.limiter.may_act_from_the_lowest for tone in tones],
        ),
        high_order_onset=sorted(onsets, key=lambda onset: onset.drive_dbfs),
        background=None if noise is None else describe_in_thirds(noise, settings),
        warnings=tuple(warnings),
    )


def _compared(tones: list[MeasuredTone]) -> tuple[MeasuredTone, ...]:
    """Say beside each bent tone how the drives of all of them compare."""
    reason = compare_bent([tone.levels for tone in tones], [tone.bent for tone in tones])
    if reason is None:
        return tuple(tones)
    return tuple(
        replace(tone, limiter=replace(tone.limiter, reasons=(*tone.limiter.reasons, reason)))
        if tone.bent and tone.limiter is not None and tone.levels.onset_dbfs is not None
        else tone
        for tone in tones
    )


def _tone(
    cut: CutTone, settings: TakeSettings, scale: float, noise: NoiseSpectrum | None
) -> tuple[MeasuredTone, list[Reason]]:
    """Measure one tone, and return what its reader must know besides."""
    bursts, broken = without_broken(measure_bursts(cut, settings, scale=scale, noise=noise))
    up = np.flatnonzero(bursts.rising)
    levels = _levels(bursts, up, settings.level_offset_db)
    known = levels.reference_drive_dbfs is not None
    found = find_tone_limiter(bursts, levels) if known else ToneLimiter()
    correction_db = float(settings.correction_db(np.array([cut.frequency_hz]))[0])
    offset_db = settings.level_offset_db - correction_db
    measured = MeasuredTone(
        levels=levels,
        stated=tone_with_ends(freed_of_noise(levels, bursts, up, settings.level_offset_db)),
        limiter=found.limiter,
        thermal=found.thermal,
        bent=found.bent,
        high_order_onset=onset_of_tone(levels),
        trace=burst_trace(bursts, int(up[-1]), offset_db=offset_db) if len(up) else None,
    )
    return measured, _warnings(cut, levels, broken)


def _levels(tone: ToneBursts, up: IntArray, offset_db: float) -> ToneLevels:
    """Return what the bursts on the way up show, and those at the same drives on the way down."""
    fundamental = tone.harmonics[up, 0]
    orders, floors = tone.harmonics[up, 1:], tone.floors[1:]
    inside = np.any(np.isfinite(orders), axis=0)
    usable = tone.usable[up]
    distortion = np.sqrt(np.sum(orders[:, inside] ** 2, axis=1))
    distortion_floor = float(np.sqrt(np.sum(floors[inside] ** 2)))
    none = not np.any(inside)
    thd_db = np.where(none, np.nan, _db(distortion, fundamental))
    thd_floor_db = np.where(none, np.nan, _db(distortion_floor, fundamental))
    level_db = _db(fundamental) + offset_db
    floor_db = np.full(len(up), float(_db(tone.floors[:1])[0])) + offset_db
    reliable = (level_db - floor_db >= RELIABLE_DB) & usable
    falling_db = _falling(tone, up, offset_db)
    change = gain_change_of_tone(tone.drive_dbfs[up], level_db, falling_db, reliable)
    residual = tone.residual_rms[up] * np.sqrt(2.0)  # as the amplitude of a sine
    return ToneLevels(
        frequency_hz=tone.cut.frequency_hz,
        drive_dbfs=tone.drive_dbfs[up],
        level_db=level_db,
        level_floor_db=floor_db,
        level_reliable=reliable,
        falling_level_db=falling_db,
        thd_db=thd_db,
        thd_percent=np.asarray(db_to_percent(thd_db)),
        thd_floor_db=thd_floor_db,
        thd_reliable=(thd_db - thd_floor_db >= RELIABLE_DB) & usable,
        orders_summed=int(np.sum(inside)),
        harmonics={int(n) + 2: _db(orders[:, n], fundamental) for n in np.flatnonzero(inside)},
        waveform_crest_db=tone.waveform_crest_db[up],
        residual_db=_db(residual, fundamental),
        residual_floor_db=_db(tone.residual_floor * np.sqrt(2.0), fundamental),
        residual_crest_db=_db(tone.residual_peak[up], tone.residual_rms[up]),
        clipped=tone.clipped[up],
        **vars(change),
    )


def _falling(tone: ToneBursts, up: IntArray, offset_db: float) -> FloatArray:
    """Return the levels on the way down, at the drives of the way up; NaN where there is none."""
    level_db = _db(tone.harmonics[:, 0]) + offset_db
    falling = np.full(len(up), np.nan)
    for place, index in enumerate(up):
        same = tone.drive_dbfs == tone.drive_dbfs[index]
        down = np.flatnonzero(same & ~tone.rising & tone.usable)
        if len(down):
            falling[place] = level_db[down[0]]
    down_dbfs = tone.drive_dbfs[~tone.rising]
    if len(up) and len(down_dbfs) and np.max(down_dbfs) < tone.drive_dbfs[up[-1]]:
        falling[-1] = level_db[up[-1]]  # the turning point belongs to both ways
    return falling


def _db(value: FloatArray | float, reference: FloatArray | float = 1.0) -> FloatArray:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(ratio_to_db(np.divide(value, reference)))


def _warnings(cut: CutTone, levels: ToneLevels, broken: list[int]) -> list[Reason]:
    """Return what the reader of a tone's numbers must know."""
    tone_hz, count = cut.frequency_hz, len(levels.drive_dbfs)
    found = []
    if broken:
        bursts = [cut.bursts[index] for index in broken]
        found.append(
            Reason(
                "burst_missing",
                frequency_hz=tone_hz,
                drives_dbfs=[burst.drive_dbfs for burst in bursts],
                directions=[burst.direction for burst in bursts],
            )
        )
    if np.any(levels.clipped):
        drives_dbfs = levels.drive_dbfs[levels.clipped].tolist()
        found.append(Reason("clipped", frequency_hz=tone_hz, drives_dbfs=drives_dbfs))
    reliable = int(np.sum(levels.level_reliable))
    if count == 1:
        found.append(Reason("one_rung", frequency_hz=tone_hz))
    elif reliable < 2:
        found.append(Reason("no_reference", frequency_hz=tone_hz, reliable=reliable, levels=count))
    return found
