"""What the figures and sentences on compression are made from: arrays, no drawing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.results import Limiter, Staircase, Take
from distsweep.units import FloatArray
from distsweep.words import wording

MAP_LINES_DB = (-0.5, -1.0, -3.0, -6.0)


@dataclass(frozen=True)
class InputOutput:
    """One panel: output re the quietest level's gain, against drive, both in dB re full scale.

    ``fitted_dbfs`` belongs to ``curve_dbfs`` and is None where no curve was fitted.
    """

    title: str
    words: str
    drive_dbfs: FloatArray
    output_dbfs: FloatArray
    falling_dbfs: FloatArray
    curve_dbfs: FloatArray
    fitted_dbfs: FloatArray | None


def gain_grid(take: Take) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Frequency ``(F,)``, rising drive ``(R,)`` and gain change ``(R, F)``; None without any.

    Of a ladder only the rungs that did not clip: what the recorder holds back is not the
    loudspeaker's.
    """
    if take.staircase:
        drives = np.unique(np.concatenate([row.drive_dbfs for row in take.staircase]))
        change = np.full((len(drives), len(take.staircase)), np.nan)
        for column, row in enumerate(take.staircase):
            change[np.searchsorted(drives, row.drive_dbfs), column] = row.gain_change_db
        frequency_hz = np.array([row.frequency_hz for row in take.staircase])
        order = np.argsort(frequency_hz)
        frequency_hz, change = frequency_hz[order], change[:, order]
    elif take.compression is not None and len(take.rungs) > 1:
        clean = [k for k, rung in enumerate(take.rungs) if not rung.clipped]
        if len(clean) < 2:
            return None
        rising = sorted(clean, key=lambda k: take.rungs[k].drive_dbfs)
        drives = np.array([take.rungs[k].drive_dbfs for k in rising])
        change = np.array(take.compression.gain_change_db)[rising]
        frequency_hz = take.frequency_hz
    else:
        return None
    known = np.isfinite(change)
    if len(drives) < 2 or len(frequency_hz) == 0 or not np.any(known):
        return None
    return frequency_hz, drives, change


def map_shows(take: Take) -> bool:
    """Tell whether a gain falls by half a decibel or more: a map of less would be blank."""
    grid = gain_grid(take)
    return grid is not None and bool(np.nanmin(grid[2]) <= MAP_LINES_DB[0])


def knee_output_dbfs(limiter: Limiter, drive_dbfs: FloatArray) -> FloatArray:
    """Output of a fitted curve: the soft knee of Giannoulis, Massberg and Reiss (2012)."""
    assert limiter.threshold_dbfs is not None  # the caller looked
    slope = 0.0 if limiter.ratio is None else 1.0 / limiter.ratio
    width = max(limiter.knee_db or 0.0, 1e-9)
    over = drive_dbfs - limiter.threshold_dbfs
    bend = np.clip(over + width / 2.0, 0.0, width) ** 2 / (2.0 * width)
    bend = bend + np.maximum(over - width / 2.0, 0.0)
    return np.asarray(drive_dbfs + (slope - 1.0) * bend)


def input_output(take: Take) -> list[InputOutput]:
    """Panels of a staircase, one a tone; or of a ladder, one a limited band."""
    if take.staircase:
        rows = sorted(take.staircase, key=lambda row: row.frequency_hz)
        return [_tone_panel(row) for row in rows if np.sum(np.isfinite(row.gain_change_db)) > 1]
    grid = gain_grid(take)
    if grid is None:
        return []
    return [_band_panel(*grid, limiter) for limiter in take.limiters if limiter.band_hz is not None]


def _band_panel(
    frequency_hz: FloatArray, drives: FloatArray, change: FloatArray, limiter: Limiter
) -> InputOutput:
    assert limiter.band_hz is not None  # the caller looked
    band = (frequency_hz >= limiter.band_hz[0]) & (frequency_hz <= limiter.band_hz[1])
    inside = change[:, band]
    known = np.any(np.isfinite(inside), axis=1)
    median = np.full(len(drives), np.nan)
    median[known] = np.nanmedian(inside[known], axis=1)
    title = wording.frequency_range(limiter.band_hz[0], limiter.band_hz[1])
    return _panel(title, limiter, drives, median, np.full(len(drives), np.nan))


def _tone_panel(row: Staircase) -> InputOutput:
    falling = row.gain_change_db + row.falling_level_db - row.level_db
    return _panel(
        wording.frequency(row.frequency_hz), row.limiter, row.drive_dbfs, row.gain_change_db,
        falling,
    )  # fmt: skip


def _panel(
    title: str,
    limiter: Limiter | None,
    drives: FloatArray,
    change: FloatArray,
    falling: FloatArray,
) -> InputOutput:
    curve = np.linspace(float(drives[0]), float(drives[-1]), 121)
    fitted = None
    if limiter is not None and limiter.kind in ("limiter", "compressor"):
        fitted = None if limiter.threshold_dbfs is None else knee_output_dbfs(limiter, curve)
    words = "" if limiter is None else limiter_words(limiter)
    return InputOutput(title, words, drives, drives + change, drives + falling, curve, fitted)


def limiter_words(limiter: Limiter) -> str:
    """Kind, ratio and threshold in a few words, a line each."""
    lines = [limiter.kind if limiter.kind != "none" else "no limiter"]
    place = threshold_words(limiter)
    if limiter.kind in ("limiter", "compressor", "limiting"):
        lines = [f"{limiter.kind} {ratio_words(limiter)}".rstrip(), place]
    elif limiter.kind == "clipping":
        lines.append(f"from {place}")
    return "\n".join(line for line in lines if line)


def threshold_words(limiter: Limiter, unit: str = "dBFS") -> str:
    """Write a threshold, or what it lies between; nothing where neither is known."""
    if limiter.threshold_dbfs is not None:
        return wording.decibels(limiter.threshold_dbfs, unit).rstrip()
    low, high = limiter.threshold_low_dbfs, limiter.threshold_high_dbfs
    if high is None:
        return "" if low is None else f"above {wording.decibels(low, unit)}".rstrip()
    if low is None:
        return f"below {wording.decibels(high, unit)}".rstrip()
    return f"{wording.signed(low)} to {wording.decibels(high, unit)}".rstrip()


def ratio_words(limiter: Limiter) -> str:
    """Write a ratio as "4.0:1", an infinite one as "∞:1", of bounds "≥ 2.7:1"; or nothing."""
    if limiter.kind == "limiting":
        return "" if limiter.ratio_low is None else f"≥ {min(limiter.ratio_low, 99.0):.1f}:1"
    if limiter.threshold_dbfs is None:
        return ""
    return "∞:1" if limiter.ratio is None else f"{limiter.ratio:.1f}:1"


def traced(take: Take) -> Staircase | None:
    """The tone whose burst is worth showing: the one that loses most at its loudest."""
    rows = [row for row in take.staircase if row.trace is not None and len(row.level_db)]
    if not rows:
        return None

    def loss(row: Staircase) -> float:
        change = float(row.gain_change_db[-1])
        timed = row.limiter is not None and row.limiter.attack_ms is not None
        return (-change if np.isfinite(change) else 0.0) + (3.0 if timed else 0.0)

    return max(rows, key=loss)


def last_step_words(take: Take) -> str | None:
    """Say what the last 3 dB of drive brought, over the frequencies that can be judged."""
    grid = gain_grid(take)
    if grid is None:
        return None
    _, drives, change = grid
    output = change + drives[:, None]
    before = np.array(
        [np.interp(drives[-1] - 3.0, drives, output[:, f]) for f in range(output.shape[1])]
    )
    gained = output[-1] - before
    gained = gained[np.isfinite(gained)]
    if drives[-1] - drives[0] < 3.0 or gained.size == 0:
        return None
    low, high = float(np.min(gained)), float(np.max(gained))
    middle = float(np.median(gained))
    return (
        f"The last 3 dB of drive, up to {wording.drive(float(drives[-1]))}, brought"
        f" {wording.decibels(middle)} in the median over frequency, {wording.signed(low)} to"
        f" {wording.decibels(high)} at single frequencies."
    )
