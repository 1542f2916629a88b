"""A ladder, measured: all that one cut recording of it tells."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.advice.advise import advise
from distsweep.analysis.cut import CutLadder, CutRung
from distsweep.analysis.limits.gain_change import gain_changes, with_ends
from distsweep.analysis.limits.ladder import LadderLimits, find_ladder_limits
from distsweep.analysis.noise.third_octave_levels import describe_in_thirds
from distsweep.analysis.settings import TakeSettings
from distsweep.analysis.sweep.arrivals import Arrivals
from distsweep.analysis.sweep.harmonics import (
    Amplitudes,
    ImpulseResponse,
    SweptHarmonics,
    measure_harmonics,
)
from distsweep.analysis.sweep.hidden import with_hidden
from distsweep.analysis.sweep.interface import InterfaceReach, reach_of
from distsweep.analysis.sweep.interface_intervals import (
    over_the_interface,
    swept_over_the_interface,
    with_interface,
)
from distsweep.analysis.sweep.intervals import with_intervals
from distsweep.analysis.sweep.levels import LadderLevels, band_mask, read_levels
from distsweep.reason import Reason
from distsweep.results import Background, Compression, Damage, Rung, ThdAdvice
from distsweep.units import BoolArray, FloatArray, ratio_to_db

RETURN_LIMIT_DB = 0.3
"""A repeated first rung that differs by more is worth a warning (chosen: a small loudspeaker
that is merely warm differs by 0.1 dB)."""

FALLING_OUTPUT_DB = -1.0
"""Output that falls by more while the drive rises is no limiter's: recordings were swapped
(chosen: a limiter holds its output, and does not turn it down)."""

LOUDER_THAN_LOOPBACK_DB = 1.0
"""A microphone's channel louder than the loop-back's ever was by more is worth a warning (chosen: a
third harmonic of a curvature grows by 2 dB then)."""

RISING_GAIN_DB = 1.0
"""Gain that rises by more than this with level is no loudspeaker's: levels were mixed up (chosen:
nothing in a loudspeaker raises its gain by as much)."""


@dataclass(frozen=True)
class MeasuredLadder:
    """A ladder, measured; levels are in the take's unit.

    Attributes
    ----------
    frequency_hz : excitation frequency, shape ``(F,)``.
    drive_shape_db : drive of the sweep re that of its rung, shape ``(F,)``.
    rungs : in the order played, without the repeated first one; noise taken off.
    rungs_as_measured : the same with the noise in them, which rules that ask for a level's
        distance from its floor go by.
    level_db : each rung's level over the level band; NaN where none of it was measured.
    compression : gain change from rung to rung.
    return_check_db : level of the repeated first rung minus the first; None without the two.
    limits : limiters, and where high orders set in.
    background : None where the silence was not recorded.
    warnings : what the reader of the numbers must know.
    impulse : of the fundamental; None where every rung clipped.
    swept : the harmonics of ``rungs``, complex.
    rate_constant_s : of the sweep as played.
    arrivals : when the sound of each rung arrives, the repeated first one included.
    thd_advice : what would make THD known where noise hides it, without sentences.
    damage : what happened to the recording, without sentences; ``rung`` counts ``rungs``.
    median_dbfs : median of each of these rungs' fundamentals, shape ``(R,)``.
    """

    frequency_hz: FloatArray
    drive_shape_db: FloatArray
    rungs: list[Rung]
    rungs_as_measured: list[Rung]
    level_db: list[float]
    compression: Compression
    return_check_db: float | None
    limits: LadderLimits
    background: Background | None
    warnings: list[Reason]
    impulse: ImpulseResponse | None
    swept: SweptHarmonics
    rate_constant_s: float
    arrivals: Arrivals
    median_dbfs: FloatArray
    thd_advice: list[ThdAdvice]
    damage: list[Damage]


# A rung that is silent to the last bit has a level of −inf; what is re that is NaN: not known.
@np.errstate(invalid="ignore", over="ignore")
def measure_ladder(
    cut: CutLadder, settings: TakeSettings, *, interface: Sequence[Rung] = ()
) -> MeasuredLadder:
    """Measure a ladder: harmonics, levels, gain change, what limits it, and its background.

    ``interface`` are the rungs of its loop-back (`measure_interface`), if there is one.
    """
    amplitudes = measure_harmonics(cut, settings)
    frequency_hz, noise = amplitudes.frequency_hz, amplitudes.noise
    levels = read_levels(amplitudes, cut.without(amplitudes.left_out), settings)
    compression = gain_changes(
        levels.reliable_db, [rung.drive_dbfs for rung in levels.rungs], reference=levels.reference
    )
    band = band_mask(frequency_hz, settings.level_band_hz)
    rungs = with_intervals(levels.rungs, amplitudes, levels.rows, levels.linear_db, settings)
    rungs, measured = (
        with_hidden(part, frequency_hz, cut.damage) for part in (rungs, levels.rungs)
    )
    swept, own = amplitudes.swept.of_rows(levels.rows), []
    if interface:
        reach = reach_of(interface, amplitudes, levels, compression.gain_change_db, settings)
        rungs, own = with_interface(rungs, reach, frequency_hz), _of_interface(reach)
        measured = over_the_interface(measured, reach)
        swept = swept_over_the_interface(swept, reach)
    return MeasuredLadder(
        frequency_hz=frequency_hz,
        drive_shape_db=np.asarray(ratio_to_db(cut.sweep.drive_ratio(frequency_hz))),
        rungs=rungs,
        rungs_as_measured=measured,
        level_db=levels.level_db,
        compression=with_ends(compression, rungs, reference=levels.reference),
        return_check_db=levels.return_check_db,
        limits=find_ladder_limits(frequency_hz, measured, compression),
        background=None if noise is None else describe_in_thirds(noise, settings),
        warnings=[
            *_left_out(cut.rungs, levels.rows, amplitudes.left_out),
            *_differing(cut.rungs, levels.rows, amplitudes),
            *_warnings(levels, compression, band),
            *own,
        ],
        impulse=amplitudes.impulse,
        swept=swept,
        rate_constant_s=cut.sweep.rate_constant_s,
        arrivals=amplitudes.arrivals,
        median_dbfs=np.nanmedian(ratio_to_db(np.abs(amplitudes.orders[0])), axis=1),
        thd_advice=advise(amplitudes, cut, *_alike(rungs, levels.rows, amplitudes)),
        damage=[_of_rungs(damage, levels.rows) for damage in (*cut.damage, *amplitudes.damage)],
    )


def _of_interface(reach: InterfaceReach) -> list[Reason]:
    """Return what the loop-back leaves open of the interface."""
    if reach.short_db <= LOUDER_THAN_LOOPBACK_DB:
        return []
    return [Reason("loopback_softer", short_db=reach.short_db)]


def _of_rungs(damage: Damage, rows: Sequence[int]) -> Damage:
    """Return a damage with its row replaced by the number of the rung, None if it is no rung's."""
    rung = rows.index(damage.rung) if damage.rung in rows else None
    return replace(damage, rung=rung)


def _left_out(
    cut_rungs: Sequence[CutRung], rows: Sequence[int], left_out: Sequence[tuple[int, int]]
) -> Iterator[Reason]:
    """Yield which passes were unlike the others of their rung; a rung is named by its number."""
    for row, number in left_out:
        yield Reason(
            "pass_left_out",
            rung=rows.index(row) if row in rows else None,
            drive_dbfs=cut_rungs[row].drive_dbfs,
            number=number + 1,
            passes=len(cut_rungs[row].signals),
        )


def _differing(
    cut_rungs: Sequence[CutRung], rows: Sequence[int], amplitudes: Amplitudes
) -> Iterator[Reason]:
    """Yield which rungs have passes that differ, and none of them that is left out for it."""
    dropped = [row for row, _ in amplitudes.left_out]
    for row in amplitudes.differing:
        yield Reason(
            "passes_differ",
            rung=rows.index(row) if row in rows else None,
            drive_dbfs=cut_rungs[row].drive_dbfs,
            passes=len(cut_rungs[row].signals) - dropped.count(row),
        )


def _alike(
    rungs: Sequence[Rung], rows: Sequence[int], amplitudes: Amplitudes
) -> tuple[list[Rung], list[int]]:
    """Return the rungs, and their rows, whose passes do not differ: more of these would help."""
    alike = [index for index, row in enumerate(rows) if row not in amplitudes.differing]
    return [rungs[index] for index in alike], [rows[index] for index in alike]


def _warnings(
    levels: LadderLevels, compression: Compression, level_band: BoolArray
) -> Iterator[Reason]:
    """Yield what is doubtful in a ladder's levels; ``level_band`` flags the level band's points."""
    rungs = levels.rungs
    for number, rung in enumerate(rungs):
        if rung.clipped:
            yield Reason("clipped", rung=number, drives_dbfs=[rung.drive_dbfs])
    if levels.reference is None:
        yield Reason("no_reference")
    elif len(rungs) == 1:
        yield Reason("one_rung")
    for number, change_db in enumerate(compression.gain_change_db):
        rise_db = float(np.median(change_db[level_band]))
        if rise_db > RISING_GAIN_DB:
            yield Reason(
                "gain_rises", rung=number, drive_dbfs=rungs[number].drive_dbfs, rise_db=rise_db
            )
    for number, (quieter, louder) in enumerate(itertools.pairwise(rungs), start=1):
        rise_db = float(np.median((louder.fundamental_db - quieter.fundamental_db)[level_band]))
        if rise_db < FALLING_OUTPUT_DB:
            yield Reason(
                "output_falls",
                rung=number,
                drive_dbfs=louder.drive_dbfs,
                quieter_dbfs=quieter.drive_dbfs,
                fall_db=-rise_db,
            )
    return_db = levels.return_check_db
    if return_db is not None and abs(return_db) > RETURN_LIMIT_DB:
        yield Reason("not_come_back", change_db=return_db)
