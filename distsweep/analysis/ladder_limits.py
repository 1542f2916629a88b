"""What limits a ladder: the band that is limited together, its curve, clean levels, rattles."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.analysis.clean_level_ladder import ladder_clean_levels
from distsweep.analysis.limiter import SteadyLevels, judge
from distsweep.results import CleanLevel, Compression, HighOrderOnset, Limiter, Rung
from distsweep.units import BoolArray, FloatArray, IntArray, db_to_power, power_to_db

PLATEAU_DB, PLATEAU_SHARE = 0.5, 0.1
"""Frequencies whose gain changes are within so many dB, or that share, of each other in every
rung are limited together (chosen: a crossover's own slope moves the threshold by more)."""

CANDIDATES = 40
"""So many points of the band are tried as the one that the others are like."""

BAND_SHARE = 0.5
"""The band that is limited reaches as far as half the deepest gain change."""

LEAST_OCTAVES = 1.0 / 3.0
"""A narrower stretch than this is a resonance's or a room's affair, no limiter's."""

SMOOTHED_POINTS = 9
"""The gain change is smoothed by a median over so many points, a sixth of an octave."""

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
    limiter = None
    if compression is not None and compression.reference_drive_dbfs is not None:
        limiter = _limiter(frequency_hz, rungs, compression, kept)
    return LadderLimits(
        [] if limiter is None else [limiter],
        *ladder_clean_levels(frequency_hz, rungs, compression, kept),
        _onsets(frequency_hz, rungs, kept),
    )


def _limiter(
    frequency_hz: FloatArray, rungs: Sequence[Rung], compression: Compression, kept: list[int]
) -> Limiter | None:
    """Fit the part of the band that is limited together; None with one rung only."""
    drives = np.array([rungs[i].drive_dbfs for i in kept])
    change = np.array([compression.gain_change_db[i] for i in kept])
    assert compression.reference_drive_dbfs is not None  # the caller looked
    from_reference = drives >= compression.reference_drive_dbfs - 1e-9
    drives, change = drives[from_reference], change[from_reference]
    rows = np.array(kept)[from_reference]
    if len(drives) < 2:
        return None
    smooth = _smoothed(change)
    loss = np.where(np.isfinite(smooth), -smooth, -np.inf)
    worst = int(np.argmax(_broad(frequency_hz, loss)))
    together, band = _band(frequency_hz, loss, worst)
    if not np.any(together):
        return Limiter("none", evidence=["no gain change stands clear of the background"])
    levels = _levels(rungs, rows, drives, smooth, together)
    verdict = judge(levels).limiter
    if verdict.kind != "none":
        verdict.band_hz = [float(frequency_hz[band][0]), float(frequency_hz[band][-1])]
        verdict.evidence.append(_band_words(frequency_hz, loss, band))
    return verdict


def _smoothed(change: FloatArray) -> FloatArray:
    """Return the running median over frequency; NaN where the middle point is NaN."""
    half = SMOOTHED_POINTS // 2
    padded = np.pad(change, ((0, 0), (half, half)), constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, SMOOTHED_POINTS, axis=1)
    known = np.isfinite(change)
    result = np.full(change.shape, np.nan)
    result[known] = np.nanmedian(windows[known], axis=-1)
    return result


def _broad(frequency_hz: FloatArray, loss: FloatArray) -> FloatArray:
    """Return the loudest rung's loss, as far as it holds over a third of an octave."""
    ratio = frequency_hz[1] / frequency_hz[0] if len(frequency_hz) > 1 else 2.0
    points = max(1, int(LEAST_OCTAVES / np.log2(ratio)))
    top = loss[-1]
    if len(top) < points:
        return np.asarray(top)
    padded = np.pad(top, (points // 2, points - 1 - points // 2), constant_values=-np.inf)
    windows = np.lib.stride_tricks.sliding_window_view(padded, points)
    return np.asarray(np.min(windows, axis=1))


def _band(frequency_hz: FloatArray, loss: FloatArray, worst: int) -> tuple[BoolArray, BoolArray]:
    """Tell which points are limited alike, and which belong to the limited band at all.

    Alike are those that share their course over the drives with the most others: a room's
    dip, a resonance or the crossover's slope lose more or less than the limiter takes.
    """
    reaches = loss[-1] >= max(BAND_SHARE * float(loss[-1, worst]), 0.0)
    band = _run_around(reaches, worst)
    inside = np.flatnonzero(band & np.isfinite(loss[-1]))
    alike = np.zeros(len(frequency_hz), dtype=bool)
    for candidate in inside[:: max(1, len(inside) // CANDIDATES)]:
        reference = loss[:, candidate]
        allowed = np.maximum(PLATEAU_DB, PLATEAU_SHARE * np.abs(reference))[:, None]
        with np.errstate(invalid="ignore"):  # −inf stands for what is not known
            apart = np.abs(loss - reference[:, None])
        same = np.all((apart <= allowed) | ~np.isfinite(apart), axis=0) & band
        same &= np.isfinite(loss[-1])
        if np.sum(same) > np.sum(alike):
            alike = same
    return alike, band


def _run_around(flags: BoolArray, place: int) -> BoolArray:
    """Return the unbroken run of flags around a place; short gaps are bridged."""
    gap = SMOOTHED_POINTS
    run = np.zeros(len(flags), dtype=bool)
    for step in (1, -1):
        at, missed = place, 0
        while 0 <= at < len(flags) and missed <= gap:
            missed = 0 if flags[at] else missed + 1
            run[at] = run[at] | flags[at]
            at += step
    first, last = np.flatnonzero(run)[[0, -1]] if np.any(run) else (place, place)
    run[first : last + 1] = True
    return run


def _levels(
    rungs: Sequence[Rung],
    rows: IntArray,
    drives: FloatArray,
    smooth: FloatArray,
    together: BoolArray,
) -> SteadyLevels:
    """Return the median over the frequencies that are limited together, rung by rung."""
    change = np.array([_median(row[together]) for row in smooth])
    spread = np.array([_spread(row[together]) for row in smooth])
    odd = np.array([_odd_db(rungs[i], together) for i in rows])
    orders = [n for i in rows for n in rungs[i].harmonics]
    known = np.isfinite(change)
    return SteadyLevels(
        drive_dbfs=drives[known],
        gain_change_db=change[known],
        sigma_db=np.maximum(spread[known], 0.02),
        odd_db=odd[known],
        crest_db=np.full(int(np.sum(known)), np.nan),
        order=max(orders, default=1),
    )


def _median(values: FloatArray) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else np.nan


def _spread(values: FloatArray) -> float:
    """Return the median's uncertainty from the spread over frequency."""
    known = values[np.isfinite(values)]
    if len(known) < 3:
        return 0.1
    return float(1.4826 * np.median(np.abs(known - np.median(known))) / np.sqrt(len(known) / 9.0))


def _odd_db(rung: Rung, together: BoolArray) -> float:
    """Return the median odd distortion of a rung, re the fundamental; −inf where none shows."""
    power = np.zeros(int(np.sum(together)))
    for order, curve in rung.harmonics.items():
        if order % 2:
            heard = curve.reliable[together]
            power += np.where(heard, db_to_power(curve.level_db[together]), 0.0)
    return float(power_to_db(np.median(power)))


def _band_words(frequency_hz: FloatArray, loss: FloatArray, band: BoolArray) -> str:
    """Say how the rest of the band follows."""
    inside = float(np.median(loss[-1][band]))
    rest = loss[-1][~band & np.isfinite(loss[-1])]
    ends = f"{frequency_hz[band][0]:.0f} to {frequency_hz[band][-1]:.0f} Hz"
    if len(rest) < 5:
        return f"the whole band that can be judged, {ends}, is limited together"
    change = round(-float(np.median(rest)), 1) + 0.0  # no negative zero
    return (
        f"{ends} is limited together, by {inside:.1f} dB at the loudest level; the rest changes by"
        f" {change:.1f} dB in the median".replace("-", "−")
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
