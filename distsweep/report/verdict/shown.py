"""What the verdict's figure shows, as numbers: one source for the drawing and for its data."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from distsweep.analysis.third_octave import band_edges_hz
from distsweep.flag_runs import runs_of
from distsweep.report import look, reliability
from distsweep.report.clean_level.levels import in_state, limit_words
from distsweep.report.figure_data import Curve, FigureData
from distsweep.report.verdict import clean as clean_places
from distsweep.report.verdict import limits, output, sentences
from distsweep.report.verdict.findings import likely_resonances
from distsweep.report.verdict.leading import leading_takes
from distsweep.report.verdict.limits import Limit
from distsweep.results import CleanLevel, Resonance, Results, Take
from distsweep.units import FloatArray
from distsweep.words import wording

LOUDEST = "loudest played"
"""Name of the loudest level, on the figure and among its numbers."""

TONE_HALF_WIDTH = 1.12
"""Ratio of frequencies from a staircase's tone to either side of its bar (chosen by eye)."""


@dataclass(frozen=True)
class CleanArea:
    """How loud it stays clean, place by place; arrays of shape ``(B,)``, edges ``(B, 2)``.

    ``limits`` names what is kept within. It is clean up to ``sure_db`` and may be up to
    ``perhaps_db``, both NaN where nothing is known, and −inf where no level that was played is
    known to be clean.
    """

    frequency_hz: FloatArray
    limits: str
    edges_hz: FloatArray
    sure_db: FloatArray
    perhaps_db: FloatArray

    def stretches(self) -> Iterator[tuple[int, int]]:
        """Return first and end of what is known and shares edges: its outline is a stair."""
        for first, end in runs_of(~np.isnan(self.sure_db)):
            apart = self.edges_hz[first + 1 : end, 0] > self.edges_hz[first : end - 1, 1] * 1.001
            starts = [first + 1 + int(i) for i in np.flatnonzero(apart)]
            yield from pairwise([first, *starts, end])


@dataclass(frozen=True)
class LimitArea:
    """Where a limit acts, ``(N,)`` each: it takes ``unlimited_db`` down to ``loudest_db``."""

    kind: str
    frequency_hz: FloatArray
    loudest_db: FloatArray
    unlimited_db: FloatArray


@dataclass(frozen=True)
class Shown:
    """What is drawn, in dB SPL, or as drive in dBFS where nothing is calibrated.

    ``scale`` names the axis of levels; ``frequency_hz`` and ``loudest_db``, shape ``(F,)``: the
    loudest level that was played.
    """

    unit: str
    scale: str
    frequency_hz: FloatArray
    loudest_db: FloatArray
    clean: CleanArea | None = None
    limits: list[LimitArea] = field(default_factory=list)
    resonances: list[Resonance] = field(default_factory=list)


def shown(results: Results) -> Shown | None:
    """Gather what is to be drawn; None where no level is known at two frequencies."""
    leading = leading_takes(results)
    if leading is None:
        return None
    take = leading.take
    unit = "dB SPL" if wording.level_unit(take) == "dB SPL" else "dBFS"
    frequency_hz, loudest_db = _loudest(take, unit)
    if np.count_nonzero(np.isfinite(loudest_db)) < 2:
        return None
    found = clean_places.strictest(take)
    acting = limits.acting_limits(results, leading)
    areas = [_limit_area(one, take, unit, frequency_hz, loudest_db) for one in acting]
    return Shown(
        unit,
        _scale(results, take, unit),
        frequency_hz,
        loudest_db,
        None if found is None else _clean_area(found, take, unit),
        areas,
        sentences.foremost(likely_resonances(results)),
    )


def _scale(results: Results, take: Take, unit: str) -> str:
    """Name the axis of levels, with the distance that they hold for, as far as it is known."""
    if unit != "dB SPL":
        return "drive, dBFS"
    distance_m = results.distance_m_at(take.position)
    return unit if distance_m is None else f"{unit} at {distance_m:g} m"


def figure_data(results: Results) -> FigureData:
    """Return the loudest level played and the highest clean level against frequency."""
    what = shown(results)
    if what is None:
        return FigureData("frequency", [])
    quantity = "Level, dB SPL" if what.unit == "dB SPL" else "Drive, dBFS"
    f, loudest_db = what.frequency_hz, what.loudest_db
    curves = [Curve("loudest", LOUDEST, quantity, f, loudest_db, colour=look.INK)]
    if what.clean is not None:
        area = what.clean
        values = np.where(np.isfinite(area.sure_db), area.sure_db, np.nan)
        ends = (area.sure_db, area.perhaps_db)
        curves.append(
            Curve("clean", "clean up to", quantity, area.frequency_hz, values, *ends,
                  colour=look.EVEN)
        )  # fmt: skip
    return FigureData("frequency", curves)


def _loudest(take: Take, unit: str) -> tuple[FloatArray, FloatArray]:
    if take.rungs:
        if unit == "dB SPL":
            return take.frequency_hz, output.loudest_output_db(take)
        known = np.isfinite(output.loudest_output_db(take))
        drive = max(rung.drive_dbfs for rung in take.rungs if not rung.clipped or _all_clip(take))
        return take.frequency_hz, np.where(known, drive, np.nan)
    rows = sorted(take.staircase, key=lambda row: row.frequency_hz)
    tops = []
    for row in rows:
        values = row.level_db if unit == "dB SPL" else row.drive_dbfs
        kept = values[np.isfinite(values) & row.level_reliable & ~row.clipped]
        tops.append(float(kept.max()) if kept.size else np.nan)
    return np.array([row.frequency_hz for row in rows]), np.array(tops)


def _all_clip(take: Take) -> bool:
    return all(rung.clipped for rung in take.rungs)


def _clean_area(found: CleanLevel, take: Take, unit: str) -> CleanArea:
    at, low, high = sentences.clean_ends(found, unit)
    sure, perhaps = np.full(at.shape, np.nan), np.full(at.shape, np.nan)
    for state, lower, upper in (
        ("reached", np.where(np.isfinite(low), low, at), np.where(np.isfinite(high), high, at)),
        ("bracketed", low, high),
        ("not reached", np.where(np.isfinite(low), low, at), at),
        ("below", np.full(at.shape, -np.inf), np.full(at.shape, -np.inf)),
    ):
        there = in_state(found, state)
        sure, perhaps = np.where(there, lower, sure), np.where(there, upper, perhaps)
    if take.staircase:
        ratio = np.array([1.0 / TONE_HALF_WIDTH, TONE_HALF_WIDTH])
        edges = np.asarray(found.frequency_hz[:, None] * ratio)
    else:
        edges = np.array([band_edges_hz(float(f)) for f in found.frequency_hz])
        edges = np.clip(edges, take.frequency_hz[0], take.frequency_hz[-1])
    return CleanArea(found.frequency_hz, limit_words(found), edges, sure, perhaps)


def _limit_area(
    limit: Limit, take: Take, unit: str, frequency_hz: FloatArray, loudest_db: FloatArray
) -> LimitArea:
    """Return where a limit acts; a narrow mark where the loudest level is not known there."""
    known = np.isfinite(loudest_db)
    there = known & (frequency_hz >= limit.low_hz) & (frequency_hz <= limit.high_hz)
    if not limit.by_tones and there.sum() > 1:
        f, loudest = frequency_hz[there], loudest_db[there]
        unlimited = _unlimited_db(take, unit)[there]
    else:  # tones that no band of the ladder holds: a narrow mark
        f = np.array([limit.low_hz / TONE_HALF_WIDTH, limit.high_hz * TONE_HALF_WIDTH])
        loudest = np.interp(np.log(f), np.log(frequency_hz[known]), loudest_db[known])
        unlimited = loudest
    least = loudest + LEAST_LOSS_SHOWN_DB
    return LimitArea(limit.kind, f, loudest, np.fmax(unlimited, least))


def _unlimited_db(take: Take, unit: str) -> FloatArray:
    """Return what the loudest level would be with the gain of the reference rung, ``(F,)``."""
    loudest, reference = reliability.loudest_rung(take), reliability.reference_index(take)
    if unit != "dB SPL" or reference is None:
        return np.full(take.frequency_hz.shape, np.nan)
    quiet = take.rungs[reference]
    return np.asarray(quiet.fundamental_db + loudest.drive_dbfs - quiet.drive_dbfs)


LEAST_LOSS_SHOWN_DB = 2.5
"""A limit is marked at least so high, whatever it takes (chosen by eye: it must be seen)."""
