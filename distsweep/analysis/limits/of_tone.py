"""What limits one tone of a staircase: fast, slow, or by the wave's own shape."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.cut import CutTone
from distsweep.analysis.limits.kind import LEAST_LOSS_DB, SteadyLevels, Verdict, judge
from distsweep.analysis.limits.static_curve import StaticCurve
from distsweep.analysis.limits.thermal import (
    SLOWEST_S,
    ThermalFit,
    fit_thermal,
    fit_thermal_behind_limiter,
    temperature_rise_k,
)
from distsweep.analysis.tone.bursts import StaircaseSettings, ToneBursts, stretches
from distsweep.analysis.tone.gain_in_time import (
    CURVES_FITTED,
    LINEAR_WITHIN_DB,
    LinearRise,
    attack_curves,
    gain_history,
    linear_rise,
    release_curve,
)
from distsweep.analysis.tone.time_constants import fit_attack, fit_release, time_of_share
from distsweep.analysis.tone.track import ToneTrack
from distsweep.results import Limiter, Staircase, Thermal
from distsweep.units import BoolArray, FloatArray, IntArray, db_to_power, power_to_db

RESOLVED_PERIODS = 3.0
"""A time is given if it holds so many periods of the tone; it is dependable from four on."""

ATTACK_RANGE_S = (2e-4, 0.3)
RELEASE_RANGE_S = (5e-3, 3.0)
"""Time constants that are looked for; at an end of the range none is given."""

LEAST_MOVE_DB = 0.5
"""A gain that moves by less in a burst, or after it, tells no time constant."""

SLOW_FROM_S = 0.9
"""A sag slower than this is a coil's warming, a faster one a limiter's (chosen: the release of
protection circuits ends below a second, voice coils start at one)."""

SLOW_LEAST_DB = 0.25
"""Least sag that is taken for one."""

EXPONENTIAL_WITHIN = 0.2
"""A fitted time constant farther, in logarithm, from the time in which the gain itself covers 63 %
of its way is none: the gain recovers otherwise, and that time is given."""

SETTLED = 6.0
"""After so many time constants a limiter stands still (0.25 % of the way is left)."""

SLOW_EXPLAINS = 3.0
"""The sag must take the misfit of the gain's history down by this factor."""


@dataclass(frozen=True)
class Limiting:
    """What was found of one tone; ``bent`` says that its waveform is."""

    limiter: Limiter
    thermal: Thermal | None
    bent: bool


def find_limiting(
    tone: CutTone,
    track: ToneTrack,
    measured: ToneBursts,
    row: Staircase,
    settings: StaircaseSettings,
    *,
    rate_hz: int,
) -> Limiting:
    """Judge a tone by its steady levels, its bursts' starts, its release and its history."""
    lowest_dbfs = settings.levels_dbfs[0]
    reliable = np.flatnonzero(row.level_reliable)
    levels = _steady_levels(row, reliable)
    slow, sag_db = _slow(tone, track, measured, lowest_dbfs, rate_hz)
    if slow is not None:
        corrected = levels.gain_change_db - (sag_db[reliable] - sag_db[reliable[0]])
        levels = replace(levels, gain_change_db=corrected - corrected[0])
    verdict = judge(levels)
    thermal = None if slow is None else _thermal(slow)
    if verdict.limiter.kind == "none" and slow is not None:
        return Limiting(_hot(slow, verdict), thermal, verdict.bent)
    if verdict.curve is not None:
        _add_times(verdict, tone, track, measured, levels, settings, rate_hz)
        if slow is None and len(reliable) == np.sum(measured.rising):
            slow, sag_db = _slow_behind(verdict, tone, track, measured, lowest_dbfs, rate_hz)
            if slow is not None:
                _add_times(verdict, tone, track, measured, levels, settings, rate_hz, slow)
                verdict, thermal = _judged_again(verdict, levels, sag_db), _thermal(slow)
    if slow is not None:
        verdict.limiter.evidence.append(_slow_words(slow) + ", taken out before the fit")
    return Limiting(verdict.limiter, thermal, verdict.bent)


def _judged_again(verdict: Verdict, levels: SteadyLevels, sag_db: FloatArray) -> Verdict:
    """Judge the levels once more with a sag taken out; attack and release stay."""
    corrected = levels.gain_change_db - (sag_db - sag_db[0])
    again = judge(replace(levels, gain_change_db=corrected - corrected[0]))
    if again.curve is None:
        return verdict
    times = [text for text in verdict.limiter.evidence if "attack" in text or "release" in text]
    limiter = replace(
        again.limiter,
        attack_ms=verdict.limiter.attack_ms,
        release_ms=verdict.limiter.release_ms,
        evidence=[*again.limiter.evidence, *times],
    )
    return Verdict(limiter, again.curve)


def _steady_levels(row: Staircase, reliable: IntArray) -> SteadyLevels:
    floor = row.level_floor_db[reliable] - row.level_db[reliable]
    # A background so far below moves the level by this much, one standard deviation.
    sigma = 8.686 / np.sqrt(2.0) * 10.0 ** (np.nan_to_num(floor, nan=-60.0) / 20.0)
    odd = [curve[reliable] for n, curve in row.harmonics.items() if n % 2]
    power = np.sum([db_to_power(curve) for curve in odd], axis=0) if odd else np.zeros(1)
    return SteadyLevels(
        drive_dbfs=row.drive_dbfs[reliable],
        gain_change_db=row.gain_change_db[reliable],
        sigma_db=sigma,
        odd_db=np.broadcast_to(power_to_db(power), reliable.shape).astype(float),
        crest_db=row.waveform_crest_db[reliable],
        order=max(row.harmonics, default=1),
    )


def _slow(
    tone: CutTone,
    track: ToneTrack,
    measured: ToneBursts,
    lowest_dbfs: float,
    rate_hz: int,
) -> tuple[ThermalFit | None, FloatArray]:
    """Return a slow sag if there is one, and how far it had come in each burst on the way up."""
    history = gain_history(tone, track, measured, lowest_dbfs=lowest_dbfs, rate_hz=rate_hz)
    fit = fit_thermal(history)
    none = np.zeros(int(np.sum(measured.rising)))
    if fit is None:
        return None, none
    seen = fit.seen_db >= SLOW_LEAST_DB and fit.depth_db >= SLOW_LEAST_DB
    slow = fit.time_constant_s >= SLOW_FROM_S
    well = fit.rms_db <= max(0.03, 0.1 * fit.seen_db)
    better = fit.plain_rms_db >= SLOW_EXPLAINS * fit.rms_db
    if not (seen and slow and well and better):
        return None, none
    ends = history.end_s * rate_hz
    reached = []
    for stretch in stretches(tone, lowest_dbfs):
        if stretch.burst is not None and measured.rising[stretch.burst]:
            reached.append(fit.sag_db[int(np.argmin(np.abs(ends - stretch.end)))])
    return fit, np.array(reached)


def _slow_behind(
    verdict: Verdict,
    tone: CutTone,
    track: ToneTrack,
    measured: ToneBursts,
    lowest_dbfs: float,
    rate_hz: int,
) -> tuple[ThermalFit | None, FloatArray]:
    """Return a slow sag beside a limiter, from what of the recording the limiter leaves still.

    That is the later part of the bursts on the way up, and the long rest once the release is
    over; on the way down the release of the burst before goes on.
    """
    release_s = 1e-3 * (verdict.limiter.release_ms or 1e3 * RELEASE_RANGE_S[1])
    attack_s = 1e-3 * (verdict.limiter.attack_ms or 0.0)
    history = gain_history(tone, track, measured, lowest_dbfs=lowest_dbfs, rate_hz=rate_hz)
    still = np.zeros(len(history.start_s), dtype=bool)
    up = np.flatnonzero(measured.rising)
    reached = []
    for stretch in stretches(tone, lowest_dbfs):
        start_s, end_s = stretch.start / rate_hz, stretch.end / rate_hz
        inside = (history.start_s >= start_s - 1e-6) & (history.end_s <= end_s + 1e-6)
        rest_after_loudest = stretch.burst is None and stretch.start == tone.bursts[up[-1]].end
        if stretch.burst in up:
            still |= inside & (history.start_s >= start_s + max(0.1, SETTLED * attack_s))
            reached.append(int(np.flatnonzero(inside)[-1]))
        elif rest_after_loudest:
            still |= inside & (history.start_s >= start_s + SETTLED * release_s)
    fit = fit_thermal_behind_limiter(
        replace(history, gain_db=np.where(still, history.gain_db, np.nan))
    )
    if fit is None or len(reached) < len(up):
        return None, np.zeros(len(up))
    slow = SLOW_FROM_S <= fit.time_constant_s < 0.9 * SLOWEST_S
    better = fit.plain_rms_db >= 2.0 * fit.rms_db and fit.rms_db <= 0.02
    if not (slow and better and min(fit.seen_db, fit.depth_db) >= SLOW_LEAST_DB):
        return None, np.zeros(len(up))
    return fit, fit.sag_db[reached]


def _thermal(fit: ThermalFit) -> Thermal:
    return Thermal(
        depth_db=fit.depth_db,
        seen_db=fit.seen_db,
        time_constant_s=fit.time_constant_s,
        temperature_rise_k=temperature_rise_k(fit.depth_db),
        fit_rms_db=fit.rms_db,
    )


def _slow_words(fit: ThermalFit) -> str:
    return (
        f"the gain sags by {fit.seen_db:.2f} dB, towards {fit.depth_db:.2f} dB, with a time"
        f" constant of {fit.time_constant_s:.1f} s"
    )


def _hot(fit: ThermalFit, verdict: Verdict) -> Limiter:
    evidence = [
        f"{_slow_words(fit)}, far slower than limiters act",
        f"a copper coil would have warmed by about {temperature_rise_k(fit.depth_db):.0f} K"
        " (an estimate)",
        "with the sag taken out, " + verdict.limiter.evidence[0],
    ]
    return Limiter("thermal", fit_rms_db=fit.rms_db, evidence=evidence)


def _add_times(
    verdict: Verdict,
    tone: CutTone,
    track: ToneTrack,
    measured: ToneBursts,
    levels: SteadyLevels,
    settings: StaircaseSettings,
    rate_hz: int,
    slow: ThermalFit | None = None,
) -> None:
    """Fit attack and release and put them into the verdict's limiter.

    A coil that cools meanwhile, ``slow``, is taken out of the release.
    """
    assert verdict.curve is not None  # the caller looked
    unchanged = _unchanged(measured, levels)
    rise = linear_rise(
        tone,
        track,
        unchanged=unchanged,
        lowest_dbfs=settings.levels_dbfs[0],
        ramp_s=settings.ramp_s,
        rate_hz=rate_hz,
    )
    if not np.any(unchanged):
        return
    limiter, period_s = verdict.limiter, 1.0 / tone.frequency_hz
    limiter.evidence = [
        text for text in limiter.evidence if "attack" not in text and "release" not in text
    ]
    attack_s = _attack_s(tone, track, measured, rise, verdict.curve, settings, rate_hz)
    limiter.attack_ms = _resolved(attack_s, period_s, "attack", limiter)
    release_s = _release_s(tone, track, measured, rise, verdict.curve, settings, rate_hz, slow)
    limiter.release_ms = _resolved(release_s, period_s, "release", limiter)


def _resolved(time_s: float | None, period_s: float, name: str, limiter: Limiter) -> float | None:
    """Return a time in ms, or None with the reason among the evidence."""
    if time_s is None:
        limiter.evidence.append(f"no {name} could be read")
        return None
    periods = time_s / period_s
    if periods < RESOLVED_PERIODS:
        limiter.evidence.append(f"the {name} is shorter than this tone resolves")
        return None
    limiter.evidence.append(f"{name} {1e3 * time_s:.3g} ms, {periods:.0f} periods of the tone")
    return 1e3 * time_s


def _unchanged(measured: ToneBursts, levels: SteadyLevels) -> BoolArray:
    """Tell which rising bursts are not compressed: those up to the first that is."""
    changed = np.abs(levels.gain_change_db) > np.maximum(LINEAR_WITHIN_DB, 3.0 * levels.sigma_db)
    limit = levels.drive_dbfs[np.argmax(changed)] if np.any(changed) else np.inf
    return measured.rising & measured.usable & (measured.drive_dbfs < limit)


def _attack_s(
    tone: CutTone,
    track: ToneTrack,
    measured: ToneBursts,
    rise: LinearRise,
    curve: StaticCurve,
    settings: StaircaseSettings,
    rate_hz: int,
) -> float | None:
    up = np.flatnonzero(measured.rising & measured.usable)
    loss = -curve.gain_change_db(measured.drive_dbfs[up])
    deep = up[(loss >= LEAST_LOSS_DB)]
    curves = attack_curves(
        tone,
        track,
        rise,
        curve,
        chosen=[int(i) for i in deep[-CURVES_FITTED:]],
        lowest_dbfs=settings.levels_dbfs[0],
        ramp_s=settings.ramp_s,
        rate_hz=rate_hz,
    )
    shortest, longest = ATTACK_RANGE_S
    found = fit_attack(curves, shortest_s=shortest, longest_s=longest)
    if found is None or abs(found.end_db - found.start_db) < LEAST_MOVE_DB:
        return None
    inside = 1.02 * shortest < found.time_constant_s < 0.98 * longest
    return found.time_constant_s if inside else None


def _release_s(
    tone: CutTone,
    track: ToneTrack,
    measured: ToneBursts,
    rise: LinearRise,
    static: StaticCurve,
    settings: StaircaseSettings,
    rate_hz: int,
    slow: ThermalFit | None,
) -> float | None:
    up = np.flatnonzero(measured.rising)
    curve = release_curve(
        tone,
        track,
        rise,
        loudest=int(up[-1]),
        lowest_dbfs=settings.levels_dbfs[0],
        ramp_s=settings.ramp_s,
        rate_hz=rate_hz,
    )
    if curve is None:
        return None
    time_s, gain_db = curve
    if slow is not None:
        end_s = tone.bursts[int(up[-1])].end / rate_hz
        gain_db = gain_db - np.interp(end_s + time_s, slow.middle_s, slow.sag_db)
    shortest, longest = RELEASE_RANGE_S
    found = fit_release(time_s, gain_db, shortest_s=shortest, longest_s=longest)
    if found is None or found.end_db - found.start_db < LEAST_MOVE_DB:
        return None
    loudest_dbfs = measured.drive_dbfs[int(up[-1])]
    start_db = found.end_db + float(static.gain_change_db(np.array([loudest_dbfs]))[0])
    direct_s = time_of_share(time_s, gain_db, start_db=start_db, end_db=found.end_db)
    time_constant_s = found.time_constant_s
    if direct_s is not None and abs(np.log(direct_s / time_constant_s)) > EXPONENTIAL_WITHIN:
        time_constant_s = direct_s
    inside = 1.02 * shortest < time_constant_s < 0.98 * longest
    return time_constant_s if inside else None
