"""What limits one tone of a staircase: fast, slow, or by the wave's own shape."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.limits.attack_release import Times, read_times
from distsweep.analysis.limits.limiter_kind import (
    Classified,
    FoundLimiter,
    SteadyLevels,
    classify,
    uncertainty_db,
)
from distsweep.analysis.limits.slow_sag import SlowSag, find_sag_behind_limiter, find_slow_sag
from distsweep.analysis.tone.bursts import ToneBursts
from distsweep.reason import Reason
from distsweep.results import Thermal, ToneLevels
from distsweep.units import FloatArray, IntArray, db_to_power, power_to_db


@dataclass(frozen=True)
class ToneLimiter:
    """What was found of one tone, None where nothing can be said; ``bent``: its waveform is."""

    limiter: FoundLimiter | None = None
    thermal: Thermal | None = None
    bent: bool = False


def find_tone_limiter(tone: ToneBursts, levels: ToneLevels) -> ToneLimiter:
    """Judge a tone by its steady levels, its bursts' starts, its release and its history."""
    reliable = np.flatnonzero(levels.level_reliable)
    steady = _steady_levels(levels, reliable)
    sag = find_slow_sag(tone)
    if sag is not None:
        steady = _without_sag(steady, sag.at_burst_db[reliable])
    found = classify(steady)
    if sag is not None and found.limiter.kind == "none":
        return ToneLimiter(_warming_coil(sag, found), sag.described, found.bent)
    times = Times()
    if found.curve is not None:
        times = read_times(tone, steady, found.curve)
        if sag is None and len(reliable) == np.sum(tone.rising):
            sag = find_sag_behind_limiter(tone, times)
            if sag is not None:
                times = read_times(tone, steady, found.curve, sag=sag.fit)
                again = classify(_without_sag(steady, sag.at_burst_db))
                found = found if again.curve is None else again
    taken_out = () if sag is None else (_sag_reason("slow_sag_taken_out", sag),)
    limiter = replace(
        found.limiter,
        attack_ms=times.attack_ms,
        release_ms=times.release_ms,
        reasons=(*found.limiter.reasons, *times.reasons, *taken_out),
    )
    return ToneLimiter(limiter, None if sag is None else sag.described, found.bent)


def _steady_levels(levels: ToneLevels, reliable: IntArray) -> SteadyLevels:
    above_db = (levels.level_db - levels.level_floor_db)[reliable]
    odd = [curve[reliable] for n, curve in levels.harmonics.items() if n % 2]
    power = np.sum([db_to_power(curve) for curve in odd], axis=0) if odd else np.zeros(1)
    return SteadyLevels(
        drive_dbfs=levels.drive_dbfs[reliable],
        gain_change_db=levels.gain_change_db[reliable],
        sigma_db=uncertainty_db(above_db),
        odd_db=np.broadcast_to(power_to_db(power), reliable.shape).astype(float),
        crest_db=levels.waveform_crest_db[reliable],
        order=max(levels.harmonics, default=1),
    )


def _without_sag(levels: SteadyLevels, sag_db: FloatArray) -> SteadyLevels:
    """Take a sag out of the gain changes, re the first level."""
    corrected = levels.gain_change_db - (sag_db - sag_db[0])
    return replace(levels, gain_change_db=corrected - corrected[0])


def _sag_reason(code: str, sag: SlowSag) -> Reason:
    return Reason(
        code,
        seen_db=sag.fit.seen_db,
        depth_db=sag.fit.depth_db,
        time_constant_s=sag.fit.time_constant_s,
    )


def _warming_coil(sag: SlowSag, left: Classified) -> FoundLimiter:
    """Return the kind "thermal"; what is left without the sag is said, too."""
    other = left.limiter.reasons[0]
    reasons = (
        _sag_reason("slow_sag", sag),
        Reason("coil_warmed", rise_k=sag.described.temperature_rise_k),
        Reason("with_sag_taken_out", of=other.code, **other.values),
    )
    return FoundLimiter("thermal", fit_rms_db=sag.fit.rms_db, reasons=reasons)
