"""What a chart draws of a curve: single frequencies where they are known, averages elsewhere."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from distsweep.analysis.noise.interval import is_reliable
from distsweep.flag_runs import runs_of
from distsweep.report.reliability import (
    NOISE_PEAK_RATIO,
    Standing,
    fundamental_standing,
    gain_change_parts,
    gain_change_reliable,
    harmonic_standing,
    only,
    thd_standing,
)
from distsweep.results import Rung, Smoothed, SmoothedLevel, Take
from distsweep.results.ladder import no_interval
from distsweep.units import BoolArray, FloatArray, db_to_ratio

_LONE_OCTAVES = 0.5
"""Uncertain averages that stand alone over less than this are not drawn: one band of a third of an
octave. Of bands that hold noise only, one in forty has a low end by chance (its 95 % interval);
two neighbours hardly ever do."""


@dataclass(frozen=True)
class Average:
    """A curve over fractions of an octave on the take's grid; every array has shape ``(F,)``.

    At each point it is the finest of the averages that is reliable there; where none is, the
    coarsest, which is uncertain where it has a low end. ``standing`` leaves out the points whose
    own value is reliable. ``peaks`` are points that stand out of the interval by more than noise
    in step with it makes: `NOISE_PEAK_RATIO` times their floor; flanks of what is drawn by itself
    are none.
    """

    values: FloatArray
    low_db: FloatArray
    high_db: FloatArray
    standing: Standing
    peaks: BoolArray


@dataclass(frozen=True)
class Line:
    """One rung's curve: values, how far they may be trusted, and a remark for the strip.

    ``low_db`` and ``high_db`` are the ends of the intervals, of length 0 where there are none.
    """

    values: FloatArray
    standing: Standing
    remark: str = ""
    low_db: FloatArray = field(default_factory=no_interval)
    high_db: FloatArray = field(default_factory=no_interval)
    average: Average | None = None

    @property
    def averaged(self) -> BoolArray:
        """Where an average is drawn that is known as well as a reliable value."""
        if self.average is None:
            return np.zeros(self.values.shape, dtype=bool)
        return self.average.standing.reliable

    @property
    def uncertain(self) -> BoolArray:
        """Where a value, or an average in its place, is drawn as uncertain."""
        return (self.average or self).standing.uncertain

    @property
    def shown(self) -> FloatArray:
        """What is drawn at each point; NaN where nothing is."""
        instead = self.values if self.average is None else self.average.values
        return np.where(
            self.standing.reliable, self.values, only(instead, self.averaged | self.uncertain)
        )

    @property
    def is_known(self) -> bool:
        """Whether anything is drawn that is within 1.5 dB."""
        return bool(np.any(self.standing.reliable | self.averaged))

    def tagged_values(self) -> FloatArray:
        """Values that may carry the tag: those within 1.5 dB, or else the uncertain ones."""
        known = self.standing.reliable | self.averaged
        return only(self.shown, known if known.any() else self.uncertain)


def thd_line(take: Take, rung: Rung) -> Line:
    """THD of a rung."""
    return _line(
        take, rung, thd_standing(rung),
        (rung.thd_db, rung.thd_low_db, rung.thd_high_db, rung.thd_floor_db),
        lambda smoothed: smoothed.thd,
        reach_db=rung.thd_interface_reach_db,
    )  # fmt: skip


def harmonic_line(take: Take, rung: Rung, order: int) -> Line:
    """One harmonic of a rung."""
    curve = rung.harmonics[order]
    return _line(
        take, rung, harmonic_standing(rung, curve),
        (curve.level_db, curve.low_db, curve.high_db, curve.floor_db),
        lambda smoothed: smoothed.harmonics[order],
        reach_db=curve.interface_reach_db,
    )  # fmt: skip


def fundamental_line(take: Take, rung_index: int) -> Line:
    """The fundamental of a rung."""
    rung = take.rungs[rung_index]
    return _line(
        take, rung, fundamental_standing(take, rung_index),
        (rung.fundamental_db, rung.fundamental_low_db, rung.fundamental_high_db,
         rung.fundamental_floor_db),
        lambda smoothed: smoothed.fundamental,
    )  # fmt: skip


def gain_change_line(take: Take, rung_index: int) -> Line:
    """The gain change of a rung: drawn where the analysis wrote one, and never pale."""
    values, low_db, high_db = gain_change_parts(take, rung_index)
    nowhere = np.zeros(values.shape, dtype=bool)
    standing = Standing(gain_change_reliable(take, rung_index), nowhere)
    return Line(values, standing, low_db=low_db, high_db=high_db)


def _line(
    take: Take,
    rung: Rung,
    standing: Standing,
    parts: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
    smoothed_level: Callable[[Smoothed], SmoothedLevel],
    *,
    reach_db: FloatArray | None = None,
) -> Line:
    """Return a curve of values, low ends, high ends and floors, with averages where they serve.

    What stands out of an average does so by more than the interface may have made there,
    ``reach_db``. A rung that clipped has no averages: there nothing tells whether a value is
    missing for noise.
    """
    values, low_db, high_db, floor_db = parts
    average = None
    if rung.smoothed and not rung.clipped and high_db.size:
        curves = [
            (smoothed.frequency_hz, smoothed_level(smoothed))
            for smoothed in sorted(rung.smoothed, key=lambda one: -one.bands_per_octave)
        ]
        # What is narrow and yet not reliable is spoilt by something else than noise.
        missing = np.isfinite(high_db) & ~standing.reliable & ~is_reliable(low_db, high_db)
        average = _average(take.frequency_hz, curves, missing)
        beyond = db_to_ratio(average.high_db) + NOISE_PEAK_RATIO * db_to_ratio(floor_db)
        if reach_db is not None and reach_db.size:
            beyond = beyond + np.nan_to_num(db_to_ratio(reach_db))
        with np.errstate(invalid="ignore"):
            peaks = missing & (db_to_ratio(values) > beyond)
            if take.placement is not None:  # a comb's tooth moves with the microphone
                peaks &= low_db > average.high_db
        average = replace(
            average,
            peaks=_without_flanks(peaks, only(values, standing.reliable), values),
            standing=_without_scraps(take.frequency_hz, standing, average),
        )
    return Line(values, standing, low_db=low_db, high_db=high_db, average=average)


def _average(
    frequency_hz: FloatArray, curves: list[tuple[FloatArray, SmoothedLevel]], missing: BoolArray
) -> Average:
    """Put averages, finest first, in the place of what is missing."""
    parts = np.full((3, frequency_hz.size), np.nan)
    known = np.zeros(frequency_hz.shape, dtype=bool)
    for place, (middle_hz, level) in enumerate(curves):
        on_grid, band = _on_grid(frequency_hz, middle_hz, level)
        reliable = is_reliable(level.low_db, level.high_db)[band] & np.isfinite(on_grid[0])
        takes_part = missing & ~known & (reliable | (place == len(curves) - 1))
        parts = np.where(takes_part, on_grid, parts)
        known |= reliable
    values, low_db, high_db = parts
    uncertain = missing & ~known & np.isfinite(values)
    nowhere = np.zeros(frequency_hz.shape, dtype=bool)
    return Average(values, low_db, high_db, Standing(missing & known, uncertain), nowhere)


def _without_flanks(peaks: BoolArray, known_db: FloatArray, values: FloatArray) -> BoolArray:
    """Leave out stretches beside a reliable point that is higher: the full line shows that peak."""
    kept = peaks.copy()
    for first, end in runs_of(peaks):
        beside_db = [*known_db[max(first - 1, 0) : first], *known_db[end : end + 1]]
        if any(level >= np.max(values[first:end]) for level in beside_db):
            kept[first:end] = False
    return kept


def _without_scraps(frequency_hz: FloatArray, single: Standing, average: Average) -> Standing:
    """Leave out uncertain averages that stand alone."""
    standing = average.standing
    uncertain = standing.uncertain.copy()
    known = single.reliable | standing.reliable
    for first, end in runs_of(uncertain | known):
        octaves = float(np.log2(frequency_hz[end - 1] / frequency_hz[first]))
        if octaves < _LONE_OCTAVES and not known[first:end].any():
            uncertain[first:end] = False
    return Standing(standing.reliable, uncertain)


def _on_grid(
    frequency_hz: FloatArray, middle_hz: FloatArray, level: SmoothedLevel
) -> tuple[FloatArray, np.ndarray[tuple[int, ...], np.dtype[np.intp]]]:
    """Return a level with its ends on a grid, ``(3, F)``, and the band nearest to each point.

    They run straight, in dB against the logarithm of frequency, to a neighbouring band that is
    as well known (within 1.5 dB, less, or only at most), and level where there is none. Level and
    low end are NaN where the band's low end is nothing; the high end stands there by itself.
    """
    x, middles = np.log(frequency_hz), np.log(middle_hz)
    nearest = np.searchsorted((middles[1:] + middles[:-1]) / 2.0, x)
    other = np.clip(nearest + np.where(x >= middles[nearest], 1, -1), 0, middles.size - 1)
    # Nominal frequencies miss the exact ones by up to 1 %.
    half = 0.51 * float(np.median(np.diff(middles))) if middles.size > 1 else np.inf
    there = np.abs(x - middles[nearest]) <= half
    seen = np.isfinite(level.level_db) & np.isfinite(level.low_db)
    bounded = np.isfinite(level.high_db)
    known = seen.astype(int) + is_reliable(level.low_db, level.high_db)
    alike = (other != nearest) & bounded[other] & (known[other] == known[nearest])
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(alike, (x - middles[nearest]) / (middles[other] - middles[nearest]), 0.0)
    rows = []
    for part, kept in ((level.level_db, seen), (level.low_db, seen), (level.high_db, bounded)):
        own = np.where(kept, part, 0.0)
        between = own[nearest] + share * (own[other] - own[nearest])
        rows.append(np.where(there & kept[nearest], between, np.nan))
    return np.array(rows), nearest
