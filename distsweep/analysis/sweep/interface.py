"""Harmonics that the interface makes by itself, and what of them may be in the microphone's.

A loop-back is the output wired back to an input: what it shows went through no loudspeaker and no
room. Two parts make its harmonics, the output's (a converter, its amplifier) and the input's, and
neither is known alone. In the microphone's channel

- the output's part is played by the loudspeaker: re the fundamental it is there times
  |H(n·f)/H(f)|, with H the loudspeaker's linear response as the microphone hears it;
- the input's part arises behind the microphone: it is there as it is, by the level at that input.

The **reach** of the interface is the larger of both and `MARGIN_DB`, each taken as large as the
whole that the loop-back shows. Whatever its shares, as long as both are in step there, what they
make together at the microphone is not above that; of two that cancel in the loop-back it knows
nothing. An input stage distorts by its own level. Where the microphone's channel is louder than the
loop-back's, the loop-back's louder rungs, up to the first that is as loud, stand for it; where none
is, a warning says so. Where it is softer, its part is taken as large as in the loop-back: a
curvature would make less of it, a step at zero would not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.cut import CutLadder
from distsweep.analysis.noise.certainty import SEEN_DB
from distsweep.analysis.settings import TakeSettings
from distsweep.analysis.sweep.harmonics import Amplitudes, measure_harmonics
from distsweep.analysis.sweep.intervals import with_intervals
from distsweep.analysis.sweep.levels import LadderLevels, read_levels
from distsweep.results import SAME_DRIVE_DB, Rung
from distsweep.units import FloatArray, db_to_ratio, ratio_to_db

MARGIN_DB = 0.5
"""Added to the reach (chosen: the ratio |H(n·f)/H(f)| is read through other windows than the
harmonic, which at peaks of Q 5 differ by some tenths of a decibel)."""


@dataclass(frozen=True)
class InterfaceReach:
    """The interface's own harmonics beside a ladder's rungs, and what of them may be in these.

    Attributes
    ----------
    own : each rung of the loop-back, None where it has none of that drive.
    harmonics : amplitude re the microphone's fundamental that may be the interface's, shape
        ``(order − 1, R, F)``; NaN where it is not known.
    high_orders : the same above the highest order, shape ``(R, F)``; 0 where it is no more than
        the loop-back's noise.
    short_db : by how much the microphone's channel is louder, at its loudest frequency, than the
        loudest that the loop-back's was at the same; 0 where it is not.
    """

    own: list[Rung | None]
    harmonics: FloatArray
    high_orders: FloatArray
    short_db: float

    def thd(self, row: int) -> FloatArray:
        """Return what may be in a rung's THD, as an amplitude, shape ``(F,)``; NaN if unknown."""
        return root_of_sum(self.harmonics[:, row])


def measure_interface(cut: CutLadder, settings: TakeSettings) -> list[Rung]:
    """Measure a loop-back as a ladder of its own: levels in dBFS, re no microphone.

    ``cut`` is the loop-back's channel, ``settings`` those of the microphone's.
    """
    plain = replace(settings, correction_db=np.zeros_like, level_offset_db=0.0, calibrated=False)
    with np.errstate(invalid="ignore", over="ignore"):  # as for the microphone's ladder
        amplitudes = measure_harmonics(cut, plain)
        levels = read_levels(amplitudes, cut.without(amplitudes.left_out), plain)
        return with_intervals(levels.rungs, amplitudes, levels.rows, levels.linear_db, plain)


def reach_of(
    own: Sequence[Rung],
    amplitudes: Amplitudes,
    levels: LadderLevels,
    gain_change_db: Sequence[FloatArray],
    settings: TakeSettings,
) -> InterfaceReach:
    """Return what of the interface's harmonics may be in a microphone's ladder.

    Parameters
    ----------
    own : the loop-back's rungs, of `measure_interface`.
    amplitudes, levels : of the microphone's ladder.
    gain_change_db : of its rungs, shape ``(F,)`` each: a fundamental that is held back leaves the
        harmonics that the output sends where they are.
    """
    f = amplitudes.frequency_hz
    own = sorted(own, key=lambda rung: rung.drive_dbfs)
    at = [_same_drive(own, rung.drive_dbfs) for rung in levels.rungs]
    most = np.array([[db_to_ratio(c.high_db) for c in r.harmonics.values()] for r in own])
    loudness = np.array([db_to_ratio(rung.fundamental_db) for rung in own])
    at_input = amplitudes.orders[0, levels.rows] * db_to_ratio(settings.correction_db(f))
    radiated = _radiated(amplitudes, levels, gain_change_db)
    corrected = _input_corrected(f, len(amplitudes.orders), settings)
    reach = np.full(radiated.shape, np.nan)
    for row, place in enumerate(at):
        if place is not None:
            as_loud = _as_loud_as(most, loudness, place, at_input[row])
            parts = most[place] * radiated[:, row], as_loud * corrected
            reach[:, row] = db_to_ratio(MARGIN_DB) * np.fmax(*parts)
    short = at_input / np.max(loudness, axis=0)
    beside = [own[place] if place is not None else None for place in at]
    return InterfaceReach(
        own=beside,
        harmonics=reach,
        high_orders=_high_orders(beside, amplitudes, levels),
        short_db=max(0.0, float(ratio_to_db(np.max(short[np.isfinite(short)], initial=0.0)))),
    )


def _same_drive(own: Sequence[Rung], drive_dbfs: float) -> int | None:
    places = [n for n, r in enumerate(own) if abs(r.drive_dbfs - drive_dbfs) < SAME_DRIVE_DB]
    return places[0] if places else None


def _as_loud_as(
    most: FloatArray, loudness: FloatArray, place: int, wanted: FloatArray
) -> FloatArray:
    """Return the largest harmonics of a loop-back's rungs up to the first that is as loud.

    Parameters
    ----------
    most : harmonics re the fundamental, shape ``(S, order − 1, F)``, drives rising.
    loudness : the fundamentals' amplitudes, shape ``(S, F)``.
    place : the rung to begin with.
    wanted : the amplitude at the microphone's input, shape ``(F,)``.
    """
    largest: FloatArray = most[place]
    reached = loudness[place] >= wanted
    for louder in range(place + 1, len(most)):
        largest = np.where(reached, largest, np.fmax(largest, most[louder]))
        reached = reached | (loudness[louder] >= wanted)
    return largest


def _radiated(
    amplitudes: Amplitudes, levels: LadderLevels, gain_change_db: Sequence[FloatArray]
) -> FloatArray:
    """Return |H(n·f)/H(f)|, with H(f) as far as each rung's fundamental is held back.

    Shape ``(order − 1, R, F)``; NaN where no rung is clean.
    """
    f, linear = amplitudes.frequency_hz, np.abs(amplitudes.swept.linear)
    loss_db = np.maximum(-np.nan_to_num(np.array(gain_change_db)), 0.0)
    clean = [n for n, rung in enumerate(levels.rungs) if not rung.clipped]
    loudest = max(clean, key=lambda n: levels.rungs[n].drive_dbfs, default=0)
    shapes = []
    for order in range(2, len(linear) + 1):
        with np.errstate(divide="ignore", invalid="ignore"):
            shape = linear[order - 1] / linear[0]
        held_db = np.interp(np.log(order * f), np.log(f), loss_db[loudest]) - loss_db[loudest]
        shapes.append(shape * db_to_ratio(held_db + loss_db))
    return np.array(shapes)


def _input_corrected(f: FloatArray, order: int, settings: TakeSettings) -> FloatArray:
    """Return what the microphone's correction makes of what arises behind it, per order and f."""
    at_f = settings.correction_db(f)
    ratios = [db_to_ratio(at_f - settings.correction_db(n * f)) for n in range(2, order + 1)]
    return np.array(ratios, dtype=float)


def _high_orders(
    own: Sequence[Rung | None], amplitudes: Amplitudes, levels: LadderLevels
) -> FloatArray:
    """Return what may be the interface's above the highest order; see `InterfaceReach`.

    The loudspeaker plays it no louder than at the loudest frequency that it may lie at.
    """
    f, order = amplitudes.frequency_hz, len(amplitudes.orders)
    reach = np.zeros((len(levels.rungs), len(f)))
    for row, rung in enumerate(own):
        if rung is None:
            continue
        fundamental = amplitudes.orders[0, levels.rows[row]]
        above = np.maximum.accumulate(fundamental[::-1])[::-1]
        first = np.minimum(np.searchsorted(f, (order + 0.5) * f), len(f) - 1)
        with np.errstate(divide="ignore", invalid="ignore"):
            radiated = np.maximum(np.nan_to_num(above[first] / fundamental), 1.0)
            clear = rung.high_order_db - rung.high_order_floor_db >= SEEN_DB
        reach[row] = np.where(clear, db_to_ratio(rung.high_order_db) * radiated, 0.0)
    return reach


def root_of_sum(bounds: FloatArray) -> FloatArray:
    """Return the root of the sum of squares over the orders; NaN where none is known."""
    known = np.isfinite(bounds)
    power = np.sum(np.where(known, bounds, 0.0) ** 2, axis=0)
    return np.asarray(np.where(np.any(known, axis=0), np.sqrt(power), np.nan))
