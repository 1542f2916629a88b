"""Gain against time in a staircase: the starts of bursts, the release, slow sagging."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from distsweep.analysis.cut import CutBurst, CutTone
from distsweep.analysis.limits.static_curve import StaticCurve
from distsweep.analysis.limits.thermal import GainHistory
from distsweep.analysis.tone.bursts import Stretch, ToneBursts, stretches
from distsweep.analysis.tone.time_constants import AttackCurve
from distsweep.analysis.tone.track import ToneTrack
from distsweep.units import BoolArray, ComplexArray, FloatArray, db_to_ratio, ratio_to_db

ATTACK_WINDOW_S = 0.001
RELEASE_WINDOW_S = 0.010
TRACE_WINDOW_S = 0.003
"""Least windows, made up to whole periods (chosen: an attack of 1 ms, a release of 100 ms and
a figure's line need no finer ones)."""

ATTACK_SEEN_S = 0.25
"""So much of a burst's start is looked at, …"""

ATTACK_DENSE_S = 0.03
"""… this much of it in windows that overlap by half, the rest ever more sparsely."""

LINEAR_WITHIN_DB = 0.1
"""Bursts whose gain changed by less show how the loudspeaker itself answers a step."""

CURVES_FITTED = 4
"""Attack is fitted to so many of the bursts in which the gain falls most."""

SETTLE_S, SETTLE_PERIODS = 0.05, 4.0
"""After a step of the level nothing slow is read for so long, and for so many periods."""

SILENT_BELOW_DB = 40.0
"""A gain so far below the median of all is none of the loudspeaker's."""

PIECE_S, PIECES_OF_A_STRETCH = 0.1, 40
"""A stretch of steady drive is read in pieces of this length or longer, at most so many."""


@dataclass(frozen=True)
class LinearRise:
    """How the uncompressed tone answers a step of the level.

    ``gain`` is the complex output amplitude per drive amplitude; ``share`` is how far the
    output has come from the one steady state to the other at ``time_s``, complex, near 1 in
    the end; ``delay_s`` is by how much it comes late.
    """

    gain: complex
    time_s: FloatArray
    share: ComplexArray
    delay_s: float


def linear_rise(
    tone: CutTone,
    track: ToneTrack,
    *,
    unchanged: BoolArray,
    lowest_dbfs: float,
    ramp_s: float,
    rate_hz: int,
) -> LinearRise:
    """Read from the bursts that are not compressed how the output follows a step.

    A filter, a driver's own resonance and a room are in it; dividing by it leaves the gain.
    Where no burst is free of compression, the ramp itself stands in.
    """
    width = track.width(ATTACK_WINDOW_S * rate_hz)
    hold = min(burst.end - burst.start for burst in tone.bursts)
    last = min(ATTACK_SEEN_S * rate_hz, hold - width)
    dense = np.arange(0.0, min(last, max(ATTACK_DENSE_S * rate_hz, 24.0 * width)), 0.5 * width)
    time = dense
    if last > dense[-1] + 2.0 * width:
        time = np.concatenate([dense, np.geomspace(dense[-1] + width, last, 40)])
    resting = float(db_to_ratio(lowest_dbfs))
    total = np.zeros(len(time), dtype=complex)
    weights, gains = 0.0, []
    for burst, free in zip(tone.bursts, unchanged, strict=True):
        drive = float(db_to_ratio(burst.drive_dbfs))
        steady = track.amplitude(np.array([0.5 * (burst.start + burst.end)]), _half(burst, track))
        if not free or not np.isfinite(steady[0]):
            continue
        gains.append((drive**2, steady[0] / drive))
        if drive < 2.0 * resting:  # too small a step to show its course
            continue
        seen = track.amplitude(burst.start + time, width) / (steady[0] / drive)
        weight = (drive - resting) ** 2
        total += weight * (seen - resting) / (drive - resting)
        weights += weight
    powers = np.array([g[0] for g in gains]) if gains else np.ones(1)
    mean = np.array([g[1] for g in gains]) if gains else np.ones(1)
    gain = complex(np.sum(powers * mean) / np.sum(powers))
    ideal = 0.5 - 0.5 * np.cos(np.pi * np.clip(time / (ramp_s * rate_hz), 0.0, 1.0))
    share = np.asarray(total / weights if weights else ideal, dtype=np.complex128)
    delay_s = _delay_s(time / rate_hz, share, ramp_s) if weights else 0.0
    return LinearRise(gain, time / rate_hz, share, delay_s)


def _delay_s(time_s: FloatArray, share: ComplexArray, ramp_s: float) -> float:
    """Return by how much the output is half-way later than the ramp is."""
    crossing = int(np.argmax(share.real >= 0.5))
    if crossing == 0:
        return 0.0
    below, above = share.real[crossing - 1], share.real[crossing]
    step_s = time_s[crossing] - time_s[crossing - 1]
    at_s = time_s[crossing - 1] + step_s * (0.5 - below) / (above - below)
    return float(max(0.0, at_s - 0.5 * ramp_s))


def _half(burst: CutBurst, track: ToneTrack) -> float:
    """Return whole periods that fill the middle half of a burst."""
    length = burst.end - burst.start
    return max(1, int(0.5 * length / track.period)) * track.period


def attack_curves(
    tone: CutTone,
    track: ToneTrack,
    rise: LinearRise,
    curve: StaticCurve,
    *,
    chosen: list[int],
    lowest_dbfs: float,
    ramp_s: float,
    rate_hz: int,
) -> list[AttackCurve]:
    """Return the gain at the start of the chosen bursts, the loudspeaker's own rise taken out."""
    width = track.width(ATTACK_WINDOW_S * rate_hz)
    resting = float(db_to_ratio(lowest_dbfs))
    found = []
    ramp_time = np.linspace(0.0, ramp_s, 41)
    for index in chosen:
        burst = tone.bursts[index]
        drive = float(db_to_ratio(burst.drive_dbfs))
        spoilt = np.searchsorted(
            tone.clipped_samples, [burst.start, burst.start + ATTACK_SEEN_S * rate_hz]
        )
        if spoilt[0] != spoilt[1]:
            continue
        seen = track.amplitude(burst.start + rise.time_s * rate_hz, width)
        expected = rise.gain * (resting + (drive - resting) * rise.share)
        gain_db = np.asarray(ratio_to_db(np.abs(seen) / np.abs(expected)))
        time_s = rise.time_s - rise.delay_s
        kept = (time_s >= 0.6 * ramp_s) & np.isfinite(gain_db)
        level = resting + (drive - resting) * (0.5 - 0.5 * np.cos(np.pi * ramp_time / ramp_s))
        demand = curve.gain_change_db(np.asarray(ratio_to_db(level)))
        if np.sum(kept) < 6 or demand[-1] >= 0.0:
            continue
        found.append(
            AttackCurve(
                time_s=time_s[kept],
                gain_db=gain_db[kept],
                target_time_s=ramp_time,
                target=demand / demand[-1],
                window_s=width / rate_hz,
            )
        )
    return found


def release_curve(
    tone: CutTone,
    track: ToneTrack,
    rise: LinearRise,
    *,
    loudest: int,
    lowest_dbfs: float,
    ramp_s: float,
    rate_hz: int,
) -> tuple[FloatArray, FloatArray] | None:
    """Return time after the loudest burst and the gain at the lowest level; None without it."""
    end = tone.bursts[loudest].end
    until = tone.bursts[loudest + 1].start if loudest + 1 < len(tone.bursts) else end
    width = track.width(RELEASE_WINDOW_S * rate_hz)
    first = end + (ramp_s + rise.delay_s) * rate_hz + width
    centre = np.arange(first, until - 0.5 * width, width)
    if len(centre) < 12:
        return None
    seen = np.abs(track.amplitude(centre, width)) / (abs(rise.gain) * db_to_ratio(lowest_dbfs))
    return (centre - end) / rate_hz, np.asarray(ratio_to_db(seen))


def gain_history(
    tone: CutTone,
    track: ToneTrack,
    measured: ToneBursts,
    *,
    lowest_dbfs: float,
    rate_hz: int,
) -> GainHistory:
    """Return the gain through the whole tone, in pieces in which the drive stands still."""
    settle = max(SETTLE_S * rate_hz, SETTLE_PERIODS * track.period)
    starts, ends, drives, gains, widths = [], [], [], [], []
    for stretch in stretches(tone, lowest_dbfs):
        for first, last in _pieces(stretch, rate_hz):
            begin = max(first, stretch.start + settle)
            periods = int((last - begin) / track.period)
            spoilt = np.searchsorted(tone.clipped_samples, [begin, last])
            gain = np.nan
            if periods >= 2 and spoilt[0] == spoilt[1]:
                width = periods * track.period
                seen = track.amplitude(np.array([last - 0.5 * width]), width)
                gain = float(ratio_to_db(np.abs(seen[0]))) - stretch.drive_dbfs
            starts.append(first / rate_hz)
            ends.append(last / rate_hz)
            drives.append(stretch.drive_dbfs)
            gains.append(gain)
            widths.append(max(periods, 1) * track.period / rate_hz)
    gain_db = np.array(gains)
    if np.any(np.isfinite(gain_db)):
        # A piece that holds hardly anything of the tone is a drop-out.
        usual = float(np.median(gain_db[np.isfinite(gain_db)]))
        gain_db = np.where(gain_db < usual - SILENT_BELOW_DB, np.nan, gain_db)
    amplitude = db_to_ratio(np.array(drives) + np.nan_to_num(gain_db))
    noise = measured.residual_floor if np.isfinite(measured.residual_floor) else 0.0
    # A mean over the width w has, per part in phase, the variance 2σ²/(w·rate).
    error = noise * np.sqrt(2.0 / (np.array(widths) * rate_hz)) / amplitude
    return GainHistory(
        start_s=np.array(starts),
        end_s=np.array(ends),
        drive_dbfs=np.array(drives),
        gain_db=gain_db,
        sigma_db=np.hypot(8.686 * error, 0.005),
    )


def _pieces(stretch: Stretch, rate_hz: int) -> list[tuple[float, float]]:
    length = stretch.end - stretch.start
    count = int(np.clip(length / (PIECE_S * rate_hz), 1, PIECES_OF_A_STRETCH))
    edges = np.linspace(stretch.start, stretch.end, count + 1)
    return list(itertools.pairwise(edges.tolist()))


def burst_trace(
    tone: CutTone, track: ToneTrack, *, index: int, rate_hz: int
) -> tuple[FloatArray, FloatArray]:
    """Return time (s, from the burst's start) and level (dB re full scale) around a burst.

    Finely for the first quarter second of the burst and of what follows, coarsely between.
    """
    burst = tone.bursts[index]
    until = tone.bursts[index + 1].start if index + 1 < len(tone.bursts) else burst.end
    fine = track.width(TRACE_WINDOW_S * rate_hz)
    before = max(burst.start - 0.1 * rate_hz, 0.0)
    places = []
    for first, last in ((before, burst.start), (burst.start, burst.end), (burst.end, until)):
        near = min(first + 0.25 * rate_hz, last)
        places.append(np.arange(first, near, fine))
        if last - near > fine:
            step = max(fine, (last - near) / 60.0)
            places.append(np.arange(near, last, step))
    centre = np.concatenate(places)
    level = ratio_to_db(np.abs(track.amplitude(centre, fine)))
    return (centre - burst.start) / rate_hz, np.asarray(level)
