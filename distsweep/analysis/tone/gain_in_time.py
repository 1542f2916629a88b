"""Gain against time in a staircase: the starts of bursts, the release, slow sagging."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from distsweep.analysis.cut import CutBurst, CutTone
from distsweep.analysis.noise.certainty import DB_PER_RATIO
from distsweep.analysis.tone.bursts import Stretch, ToneBursts, stretches
from distsweep.analysis.tone.time_constants import LEAST_RELEASE_POINTS, AttackCurve
from distsweep.analysis.tone.track import ToneTrack
from distsweep.results import BurstTrace
from distsweep.units import BoolArray, ComplexArray, FloatArray, db_to_ratio, ratio_to_db

ATTACK_WINDOW_S, RELEASE_WINDOW_S, TRACE_WINDOW_S = 0.001, 0.010, 0.003
"""Least windows, made up to whole periods (chosen: an attack of 1 ms, a release of 100 ms and
a figure's line need no finer ones)."""

ATTACK_SEEN_S, ATTACK_DENSE_S = 0.25, 0.03
"""So much of a burst's start is looked at, the second of them in windows that overlap by half, the
rest ever more sparsely (chosen: from the fastest attacks to those that nearly last a burst)."""

DENSE_WINDOWS, SPARSE_WINDOWS = 24.0, 40
"""Of low tones the dense part has so many windows' lengths at least, and the sparse one so many
windows (chosen: several times what a time constant's fit needs)."""

TRACE_BEFORE_S, TRACE_FINE_S, TRACE_COARSE_STEPS = 0.1, 0.25, 60.0
"""A figure's line begins so long before a burst; it is fine for so long after each step, and has so
many coarse steps up to the next (chosen: a step shows whole, and no more points than a
figure has room for)."""

STEP_SEEN = 2.0
"""A step of the amplitude by this factor shows its course (chosen: 6 dB; beside
what was there before a smaller one is too small)."""

RAMP_SEEN_FROM = 0.6
"""The gain is read from this share of the ramp on (chosen: the drive has come two thirds of the
way, and a quotient of two small amplitudes is not taken)."""

LEAST_WINDOWS = 6
"""So many windows show how a gain falls (chosen: twice the numbers that are fitted)."""

SETTLE_S, SETTLE_PERIODS = 0.05, 4.0
"""After a step of the level nothing slow is read for so long, and for so many periods (chosen: a
driver's own resonance and the nearest reflections have died down)."""

MUTED_BELOW_DB = 40.0
"""A gain so far below the median of all is none of the loudspeaker's (chosen: no limiter takes so
much)."""

PIECE_S, PIECES_OF_A_STRETCH = 0.1, 40
"""A stretch of steady drive is read in pieces of this length or longer, at most so many (chosen:
a sag of a second holds ten; more take time and add nothing)."""

REPEATS_WITHIN_DB = 0.005
"""Least uncertainty of a piece's gain (chosen: a fiftieth of the least sag that counts)."""


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


def linear_rise(tone: ToneBursts, *, unchanged: BoolArray) -> LinearRise:
    """Read from the bursts that are not compressed how the output follows a step.

    A filter, a driver's own resonance and a room are in it; dividing by it leaves the gain.
    Where no burst is free of compression, the ramp itself stands in.

    Parameters
    ----------
    unchanged : which bursts are free of compression, shape ``(K,)``.
    """
    cut, track = tone.cut, tone.track
    width = track.width(ATTACK_WINDOW_S * cut.rate_hz)
    time = _times_of_start(cut, width)
    resting = float(db_to_ratio(cut.rests_at_dbfs))
    total = np.zeros(len(time), dtype=complex)
    weights, powers, gains = 0.0, [], []
    for burst, free in zip(cut.bursts, unchanged, strict=True):
        drive = float(db_to_ratio(burst.drive_dbfs))
        middle = np.array([0.5 * (burst.start + burst.end)])
        gain = track.amplitude(middle, _half(burst, track))[0] / drive
        if not free or not np.isfinite(gain):
            continue
        powers.append(drive**2)
        gains.append(gain)
        if drive >= STEP_SEEN * resting:
            seen = track.amplitude(burst.start + time, width) / gain
            weight = (drive - resting) ** 2
            total += weight * (seen - resting) / (drive - resting)
            weights += weight
    mean = complex(np.sum(np.array(powers) * gains) / np.sum(powers)) if gains else 1.0 + 0.0j
    ideal = _raised_cosine(time, cut.ramp_s * cut.rate_hz)
    share = np.asarray(total / weights if weights else ideal, dtype=np.complex128)
    time_s = time / cut.rate_hz
    delay_s = _delay_s(time_s, share, cut.ramp_s) if weights else 0.0
    return LinearRise(mean, time_s, share, delay_s)


def _times_of_start(cut: CutTone, width: float) -> FloatArray:
    """Return the centres of the windows over the start of every burst, in samples after it."""
    shortest = min(burst.end - burst.start for burst in cut.bursts)
    last = min(ATTACK_SEEN_S * cut.rate_hz, shortest - width)
    dense_for = max(ATTACK_DENSE_S * cut.rate_hz, DENSE_WINDOWS * width)
    dense = np.arange(0.0, min(last, dense_for), 0.5 * width)
    if last <= dense[-1] + 2.0 * width:
        return dense
    return np.concatenate([dense, np.geomspace(dense[-1] + width, last, SPARSE_WINDOWS)])


def _raised_cosine(time: FloatArray, ramp: float) -> FloatArray:
    """Return how far a step has come, 0…1, that takes the time ``ramp`` from 0 on."""
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.clip(time / ramp, 0.0, 1.0)))


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
    tone: ToneBursts,
    rise: LinearRise,
    demand_db: Callable[[FloatArray], FloatArray],
    *,
    chosen: list[int],
) -> list[AttackCurve]:
    """Return the gain at the start of the chosen bursts, the loudspeaker's own rise taken out.

    Parameters
    ----------
    demand_db : the gain change of the static curve at drives in dBFS.
    chosen : indices of bursts.
    """
    cut, track = tone.cut, tone.track
    width = track.width(ATTACK_WINDOW_S * cut.rate_hz)
    resting = float(db_to_ratio(cut.rests_at_dbfs))
    ramp_time = np.linspace(0.0, cut.ramp_s, 41)
    time_s = rise.time_s - rise.delay_s
    found = []
    for burst in (cut.bursts[index] for index in chosen):
        if cut.clips_between(burst.start, burst.start + ATTACK_SEEN_S * cut.rate_hz):
            continue
        step = float(db_to_ratio(burst.drive_dbfs)) - resting
        seen = track.amplitude(burst.start + rise.time_s * cut.rate_hz, width)
        expected = rise.gain * (resting + step * rise.share)
        gain_db = np.asarray(ratio_to_db(np.abs(seen) / np.abs(expected)))
        kept = (time_s >= RAMP_SEEN_FROM * cut.ramp_s) & np.isfinite(gain_db)
        level = resting + step * _raised_cosine(ramp_time, cut.ramp_s)
        demand = demand_db(np.asarray(ratio_to_db(level)))
        if np.sum(kept) < LEAST_WINDOWS or demand[-1] >= 0.0:
            continue
        found.append(
            AttackCurve(
                time_s=time_s[kept],
                gain_db=gain_db[kept],
                target_time_s=ramp_time,
                target=demand / demand[-1],
                window_s=width / cut.rate_hz,
            )
        )
    return found


def release_curve(
    tone: ToneBursts, rise: LinearRise, *, loudest: int
) -> tuple[FloatArray, FloatArray] | None:
    """Return time after the loudest burst and the gain at the lowest level; None without it."""
    cut, track = tone.cut, tone.track
    end = cut.bursts[loudest].end
    until = cut.bursts[loudest + 1].start if loudest + 1 < len(cut.bursts) else end
    width = track.width(RELEASE_WINDOW_S * cut.rate_hz)
    first = end + (cut.ramp_s + rise.delay_s) * cut.rate_hz + width
    centre = np.arange(first, until - 0.5 * width, width)
    if len(centre) < LEAST_RELEASE_POINTS:
        return None
    expected = abs(rise.gain) * db_to_ratio(cut.rests_at_dbfs)
    seen = np.abs(track.amplitude(centre, width)) / expected
    return (centre - end) / cut.rate_hz, np.asarray(ratio_to_db(seen))


@dataclass(frozen=True, eq=False)
class GainHistory:
    """Gain against time over all bursts and rests of a tone.

    Attributes
    ----------
    start_s, end_s : the pieces' ends, shape ``(P,)``; they follow each other without gaps.
    drive_dbfs : drive in each.
    gain_db : output minus drive, averaged over what is settled of the piece; NaN if nothing is.
    sigma_db : its uncertainty.
    """

    start_s: FloatArray
    end_s: FloatArray
    drive_dbfs: FloatArray
    gain_db: FloatArray
    sigma_db: FloatArray


def gain_history(tone: ToneBursts) -> GainHistory:
    """Return the gain through the whole tone, in pieces in which the drive stands still."""
    cut, track = tone.cut, tone.track
    settle = max(SETTLE_S * cut.rate_hz, SETTLE_PERIODS * track.period)
    pieces = []
    for stretch in stretches(cut):
        for first, last in _pieces(stretch, cut.rate_hz):
            begin = max(first, stretch.start + settle)
            periods = int((last - begin) / track.period)
            width = max(periods, 1) * track.period
            gain = np.nan
            if periods >= 2 and not cut.clips_between(begin, last):
                seen = track.amplitude(np.array([last - 0.5 * width]), width)
                gain = float(ratio_to_db(np.abs(seen[0]))) - stretch.drive_dbfs
            pieces.append((first, last, stretch.drive_dbfs, gain, width))
    first, last, drive_dbfs, gain_db, width = np.array(pieces).T
    if np.any(np.isfinite(gain_db)):
        usual = float(np.median(gain_db[np.isfinite(gain_db)]))
        gain_db = np.where(gain_db < usual - MUTED_BELOW_DB, np.nan, gain_db)
    amplitude = db_to_ratio(drive_dbfs + np.nan_to_num(gain_db))
    noise = tone.residual_floor if np.isfinite(tone.residual_floor) else 0.0
    # A mean over the width w has, per part in phase, the variance 2σ²/w.
    error = noise * np.sqrt(2.0 / width) / amplitude
    return GainHistory(
        start_s=first / cut.rate_hz,
        end_s=last / cut.rate_hz,
        drive_dbfs=drive_dbfs,
        gain_db=gain_db,
        sigma_db=np.hypot(DB_PER_RATIO * error, REPEATS_WITHIN_DB),
    )


def _pieces(stretch: Stretch, rate_hz: int) -> list[tuple[float, float]]:
    length = stretch.end - stretch.start
    count = int(np.clip(length / (PIECE_S * rate_hz), 1, PIECES_OF_A_STRETCH))
    edges = np.linspace(stretch.start, stretch.end, count + 1)
    return list(itertools.pairwise(edges.tolist()))


def burst_trace(tone: ToneBursts, index: int, *, offset_db: float) -> BurstTrace:
    """Return the level against time around a burst.

    Parameters
    ----------
    offset_db : level of a sine of full scale, in the unit of the result.
    """
    cut, track = tone.cut, tone.track
    burst = cut.bursts[index]
    until = cut.bursts[index + 1].start if index + 1 < len(cut.bursts) else burst.end
    fine = track.width(TRACE_WINDOW_S * cut.rate_hz)
    before = max(burst.start - TRACE_BEFORE_S * cut.rate_hz, 0.0)
    places = []
    for first, last in ((before, burst.start), (burst.start, burst.end), (burst.end, until)):
        near = min(first + TRACE_FINE_S * cut.rate_hz, last)
        places.append(np.arange(first, near, fine))
        if last - near > fine:
            step = max(fine, (last - near) / TRACE_COARSE_STEPS)
            places.append(np.arange(near, last, step))
    centre = np.concatenate(places)
    return BurstTrace(
        drive_dbfs=burst.drive_dbfs,
        burst_s=(burst.end - burst.start) / cut.rate_hz,
        window_s=fine / cut.rate_hz,
        time_s=(centre - burst.start) / cut.rate_hz,
        level_db=np.asarray(ratio_to_db(np.abs(track.amplitude(centre, fine)))) + offset_db,
    )
