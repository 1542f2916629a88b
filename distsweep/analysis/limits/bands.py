"""Bands of a ladder whose gain changes alike: one static curve a band, crossovers between."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.units import BoolArray, FloatArray

SMOOTHED_POINTS = 9
"""The gain change is smoothed by a median over so many points, a sixth of an octave (chosen: a
room's dips are narrower, and crossovers wider)."""

PER_OCTAVE = 6
"""So many places an octave are divided into bands (chosen: the smoothing's own resolution)."""

SAME_DB, SAME_SHARE = 0.5, 0.06
"""Gain changes so near each other, in dB or as a share of the loss, in every rung are alike
(chosen: thresholds 2 dB apart with a ratio of 3 part by 1.3 dB, a room or a warming coil bends
a loudspeaker's gain by some tenths)."""

BAND_COST = 1.8
"""A band more must bring so many places under a curve that had none (chosen: a third of an
octave is two places, and a narrower stretch is a resonance's or a room's affair)."""

LEAST_OCTAVES = 1.0 / 3.0
"""A narrower stretch than this is no band (chosen: it is a resonance's or a room's affair)."""

CORE_DB = 0.15
"""A band's curve is the median of the places within so much of each other, where it is most
nearly flat (chosen: a loudspeaker repeats itself to a tenth of that; towards a crossover the other
branch's share grows)."""

CROSSOVER_OCTAVES = 1.0
"""A stretch narrower than this between two bands that differ is no band: the outputs of both add
there (chosen: between branches of fourth order a blend is flat over half an octave at most)."""

HOLLOW_OCTAVES = 1.6
"""Nor is one narrower than this that loses less than both bands: where two limited branches are
each 6 dB down, both are limited less (chosen: between second-order branches that is flat over an
octave and a fifth)."""

MOST_TRIED = 40
"""So many places of a stretch are tried for a band's middle (chosen: of ten octaves four in each;
a band is wider)."""


@dataclass(frozen=True, eq=False)
class Band:
    """A stretch of frequencies whose gain changes alike.

    Attributes
    ----------
    first, last : its ends on the grid, both inside.
    core : points that its curve was taken from, shape ``(F,)``.
    change_db : the curve, a gain change a rung, shape ``(R,)``; NaN where none is known.
    """

    first: int
    last: int
    core: BoolArray
    change_db: FloatArray


def smoothed(change_db: FloatArray) -> FloatArray:
    """Return the running median over frequency; NaN where the middle point is NaN."""
    half = SMOOTHED_POINTS // 2
    padded = np.pad(change_db, ((0, 0), (half, half)), constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, SMOOTHED_POINTS, axis=1)
    known = np.isfinite(change_db)
    result = np.full(change_db.shape, np.nan)
    result[known] = np.nanmedian(windows[known], axis=-1)
    return result


def points_in(frequency_hz: FloatArray, octaves: float) -> int:
    """Return how many points of a logarithmic grid so many octaves hold, one at least."""
    if len(frequency_hz) < 2:
        return 1
    return max(1, int(octaves / np.log2(frequency_hz[1] / frequency_hz[0])))


def find_bands(frequency_hz: FloatArray, change_db: FloatArray, sigma_db: FloatArray) -> list[Band]:
    """Divide the frequencies into bands, each with one curve of gain change against drive.

    Of all divisions the one with the least misfit is taken, where each band costs as much as
    `BAND_COST` places that miss their curve altogether: dynamic programming over sixths of an
    octave. A place that misses costs no more however far off it is, so that a room's dip or a
    crossover's slope belongs to no band, and makes none.

    Parameters
    ----------
    frequency_hz : logarithmic grid, shape ``(F,)``.
    change_db : smoothed gain change, shape ``(R, F)``; what the top rung lacks takes no part.
    sigma_db : its uncertainty, shape ``(R, F)``.
    """
    judged = np.flatnonzero(np.isfinite(change_db[-1]))
    step = max(1, round(points_in(frequency_hz, 1.0) / PER_OCTAVE))
    places = judged[step // 2 :: step] if len(judged) > step else judged
    parts = _divided(change_db[:, places], _tolerance(change_db, sigma_db)[:, places])
    bands = []
    for first, last in parts:
        low = judged[0] if first == 0 else (places[first - 1] + places[first]) // 2 + 1
        high = judged[-1] if last == len(places) - 1 else (places[last] + places[last + 1]) // 2
        band = _band(frequency_hz, change_db, sigma_db, int(low), int(high))
        if band is not None:
            bands.append(band)
    whole = _joined(frequency_hz, change_db, bands, drifting=False)
    kept = _without_crossovers(frequency_hz, whole)
    kept = _joined(frequency_hz, change_db, kept, drifting=True)
    return _with_deepest(frequency_hz, change_db, sigma_db, kept)


def alike(one_db: FloatArray, other_db: FloatArray) -> bool:
    """Tell whether two curves of gain change are the same as far as bands go."""
    apart = np.abs(one_db - other_db)
    allowed = np.maximum(SAME_DB, SAME_SHARE * np.maximum(np.abs(one_db), np.abs(other_db)))
    return not np.any(apart > allowed)  # NaN is neither


def _tolerance(change_db: FloatArray, sigma_db: FloatArray) -> FloatArray:
    same = np.maximum(SAME_DB, SAME_SHARE * np.abs(np.nan_to_num(change_db)))
    return np.asarray(np.hypot(same, 2.0 * np.nan_to_num(sigma_db)))


def _divided(change_db: FloatArray, tolerance_db: FloatArray) -> list[tuple[int, int]]:
    """Return the ends of the bands, both inside, of the division that costs least."""
    count = change_db.shape[1]
    best, came_from = np.full(count + 1, np.inf), np.zeros(count + 1, dtype=int)
    best[0] = 0.0
    for end in range(1, count + 1):
        for start in range(end):
            cost = best[start] + BAND_COST
            if cost >= best[end]:
                continue  # a band costs something even if it fits
            cost += _misfit(change_db[:, start:end], tolerance_db[:, start:end])
            if cost < best[end]:
                best[end], came_from[end] = cost, start
    parts = []
    end = count
    while end > 0:
        parts.append((int(came_from[end]), end - 1))
        end = int(came_from[end])
    return parts[::-1]


def _misfit(change_db: FloatArray, tolerance_db: FloatArray) -> float:
    """Return how many places miss the stretch's median curve; one that nearly fits costs less."""
    miss = (change_db - _median(change_db)[:, None]) / tolerance_db
    worst = np.max(np.abs(np.nan_to_num(miss)), axis=0)
    return float(np.sum(np.minimum(worst**2, 1.0)))


def _median(change_db: FloatArray) -> FloatArray:
    """Return the median over frequency; NaN for a rung without values."""
    if not np.any(np.isnan(change_db)):
        return np.asarray(np.median(change_db, axis=1))
    known = np.any(np.isfinite(change_db), axis=1)
    middle = np.full(len(change_db), np.nan)
    middle[known] = np.nanmedian(change_db[known], axis=1)
    return middle


def _band(
    frequency_hz: FloatArray, change_db: FloatArray, sigma_db: FloatArray, low: int, high: int
) -> Band | None:
    """Return the flat part of a stretch and as far as it is like that; None if it has none."""
    inside = np.zeros(len(frequency_hz), dtype=bool)
    inside[low : high + 1] = np.isfinite(change_db[-1, low : high + 1])
    band = _around(change_db, sigma_db, inside, _most_alike(change_db, sigma_db, inside))
    wide = np.sum(band.core) >= points_in(frequency_hz, LEAST_OCTAVES)
    return band if wide else None


def _around(change_db: FloatArray, sigma_db: FloatArray, inside: BoolArray, place: int) -> Band:
    """Return the band whose core is alike to one place of a stretch."""
    at = np.flatnonzero(inside)
    core = np.zeros(len(inside), dtype=bool)
    core[at[_near(change_db[:, at], sigma_db[:, at], change_db[:, place])]] = True
    curve = _median(change_db[:, core])
    tolerance = _tolerance(np.broadcast_to(curve[:, None], change_db.shape), sigma_db)
    miss = np.nan_to_num(np.abs(change_db - curve[:, None]) / tolerance)
    run = _run_around(inside & (np.max(miss, axis=0) <= 1.0), place)
    ends = np.flatnonzero(run)
    return Band(int(ends[0]), int(ends[-1]), core & run, curve)


def _most_alike(change_db: FloatArray, sigma_db: FloatArray, inside: BoolArray) -> int:
    """Return the place that shares its course with the most others of a stretch, closely."""
    at = np.flatnonzero(inside)
    values, sigma = change_db[:, at], sigma_db[:, at]
    candidates = range(0, len(at), max(1, len(at) // MOST_TRIED))
    shared = [np.sum(_near(values, sigma, values[:, one])) for one in candidates]
    return int(at[candidates[int(np.argmax(shared))]])


def _near(change_db: FloatArray, sigma_db: FloatArray, curve_db: FloatArray) -> BoolArray:
    apart = np.nan_to_num(np.abs(change_db - curve_db[:, None]))
    return np.asarray(np.all(apart <= CORE_DB + 2.0 * np.nan_to_num(sigma_db), axis=0))


def _run_around(flags: BoolArray, place: int) -> BoolArray:
    """Return the unbroken run of flags around a place; short gaps are bridged."""
    run = np.zeros(len(flags), dtype=bool)
    for step in (1, -1):
        at, missed = place, 0
        while 0 <= at < len(flags) and missed <= SMOOTHED_POINTS:
            missed = 0 if flags[at] else missed + 1
            run[at] = run[at] | flags[at]
            at += step
    ends = np.flatnonzero(run)
    if len(ends):
        run[ends[0] : ends[-1] + 1] = True
    return run


def _joined(
    frequency_hz: FloatArray, change_db: FloatArray, bands: list[Band], *, drifting: bool
) -> list[Band]:
    """Join neighbours with the same curve; ``drifting``: also those that pass into one another."""
    joined: list[Band] = []
    for band in bands:
        before = joined[-1] if joined else None
        if before is not None and _parted_only(frequency_hz, before, band):
            core = before.core | band.core
        elif before is not None and drifting and _drifts(change_db, before, band):
            # The curve is that of the wider part: a median of both would be that of neither.
            core = max(before.core, band.core, key=np.sum)
        else:
            joined.append(band)
            continue
        joined[-1] = Band(before.first, band.last, core, _median(change_db[:, core]))
    return joined


def _parted_only(frequency_hz: FloatArray, below: Band, above: Band) -> bool:
    """Tell whether a dip or a peak alone parts two bands."""
    gap = np.log2(frequency_hz[above.first] / frequency_hz[below.last])
    return bool(gap < CROSSOVER_OCTAVES) and alike(below.change_db, above.change_db)


def _drifts(change_db: FloatArray, below: Band, above: Band) -> bool:
    """Tell whether two curves pass into one another where the bands touch.

    Between the limiters of two bands lies a crossover's slope or a jump. Where neither is, one
    gain change drifts with frequency, as with a driver's own compression behind a limiter.
    What loses next to nothing is not limited with what does, even just past a threshold, where
    no jump shows.
    """
    losses = sorted(-float(band.change_db[-1]) for band in (below, above))
    if _gap(below, above) or (losses[0] < 0.5 * SAME_DB and losses[1] >= SAME_DB):
        return False
    one = _median(change_db[:, max(below.last + 1 - SMOOTHED_POINTS, 0) : below.last + 1])
    other = _median(change_db[:, above.first : above.first + SMOOTHED_POINTS])
    jump = float(np.nanmax(np.abs(other - one)))
    return jump < 0.5 * float(np.nanmax(np.abs(above.change_db - below.change_db)))


def _gap(below: Band, above: Band) -> bool:
    return above.first - below.last > SMOOTHED_POINTS


def _without_crossovers(frequency_hz: FloatArray, bands: list[Band]) -> list[Band]:
    """Leave out the narrow stretches between bands that differ: there the outputs of both add.

    Their sum never loses more than the one that loses most: what does is a band of its own.
    """
    kept = list(bands)
    for below, band, above in zip(bands, bands[1:], bands[2:], strict=False):
        octaves = np.log2(frequency_hz[band.last] / frequency_hz[band.first])
        narrow = octaves < CROSSOVER_OCTAVES and not _deeper(band, [below, above])
        hollow = octaves < HOLLOW_OCTAVES and all(_deeper(one, [band]) for one in (below, above))
        # What touches both its neighbours is no slope between them: it drifts.
        touching = not any(_gap(one, other) for one, other in ((below, band), (band, above)))
        differ = not alike(below.change_db, above.change_db)
        if (hollow or (narrow and differ)) and not touching:
            kept.remove(band)
    return kept


def _with_deepest(
    frequency_hz: FloatArray, change_db: FloatArray, sigma_db: FloatArray, kept: list[Band]
) -> list[Band]:
    """Add, from each stretch between the bands, the place that loses more than both of them.

    Such is a loss that changes with frequency all along, as of a driver near its resonance.
    """
    found = list(kept)
    loss = broad_loss_db(frequency_hz, change_db)[-1]
    firsts = [0, *(band.last + 1 for band in kept)]
    ends = [*(band.first for band in kept), len(frequency_hz)]
    for number, (first, end) in enumerate(zip(firsts, ends, strict=True)):
        if not np.any(loss[first:end] > 0.0):
            continue
        worst = first + int(np.argmax(loss[first:end]))
        near = [*kept[max(number - 1, 0) : number], *kept[number : number + 1]]
        inside = np.zeros(len(frequency_hz), dtype=bool)
        inside[first:end] = np.isfinite(change_db[-1, first:end])
        band = _around(change_db, sigma_db, inside, worst)
        if _deeper(band, near):
            found.append(band)
    return sorted(found, key=lambda band: band.first)


def broad_loss_db(frequency_hz: FloatArray, change_db: FloatArray) -> FloatArray:
    """Return the loss that all of a third of an octave around each point has, or more.

    Both have shape ``(R, F)``; −inf where a part of that stretch is not known.
    """
    loss = np.where(np.isfinite(change_db), -change_db, -np.inf)
    points = points_in(frequency_hz, LEAST_OCTAVES)
    if loss.shape[1] < points:
        return loss
    ends = ((0, 0), (points // 2, points - 1 - points // 2))
    padded = np.pad(loss, ends, constant_values=-np.inf)
    windows = np.lib.stride_tricks.sliding_window_view(padded, points, axis=1)
    return np.asarray(np.min(windows, axis=2))


def _deeper(band: Band, near: list[Band]) -> bool:
    """Tell whether a band loses more than its neighbours at the highest drive."""
    loss = -float(band.change_db[-1])
    least = max(SAME_DB, SAME_SHARE * loss)
    return all(loss + float(other.change_db[-1]) > least for other in near)
