"""How fast a limiter acts and lets go, read from the starts of bursts and the longest rest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.analysis.limits.limiter_kind import LEAST_LOSS_DB, SteadyLevels
from distsweep.analysis.limits.static_curve import StaticCurve
from distsweep.analysis.limits.thermal import ThermalFit
from distsweep.analysis.tone.bursts import ToneBursts
from distsweep.analysis.tone.gain_in_time import (
    LinearRise,
    attack_curves,
    linear_rise,
    release_curve,
)
from distsweep.analysis.tone.time_constants import fit_attack, fit_release, time_of_share
from distsweep.reason import Reason
from distsweep.units import BoolArray

RESOLVED_PERIODS = 3.0
"""A time is given if it holds so many periods of the tone (chosen: the windows hold one or more, so
fewer of them show no course)."""

ATTACK_RANGE_S, RELEASE_RANGE_S = (2e-4, 0.3), (5e-3, 3.0)
"""Time constants that are looked for (chosen around what protection circuits and processors are set
to)."""

NEAR_AN_END = 0.02
"""A time constant this near an end of its range, as a share, is not given: the true one may lie
beyond (chosen: one and a half steps of the search)."""

LEAST_MOVE_DB = 0.5
"""A gain that moves by less in a burst, or after it, tells no time constant (chosen: as a smaller
loss is no onset)."""

EXPONENTIAL_WITHIN = 0.2
"""A fitted time constant farther, in logarithm, from the time in which the gain itself covers 63 %
of its way is none: the gain recovers otherwise, and that time is given (chosen: 20 %, more
than noise moves either)."""

UNCHANGED_WITHIN_DB, UNCHANGED_DEVIATIONS = 0.1, 3.0
"""Bursts whose gain changed by less, in dB or in standard deviations, show how the loudspeaker
itself answers a step (chosen: a fifth of an onset)."""

BURSTS_FITTED = 4
"""The attack is fitted to so many of the bursts in which the gain falls most (chosen: noise in one
of them is outvoted; more are ever less compressed)."""


@dataclass(frozen=True)
class Times:
    """Attack and release, None where they were not read, and a reason for each."""

    attack_ms: float | None = None
    release_ms: float | None = None
    reasons: tuple[Reason, ...] = ()


def read_times(
    tone: ToneBursts, levels: SteadyLevels, curve: StaticCurve, *, sag: ThermalFit | None = None
) -> Times:
    """Fit attack and release of a limiter with a static curve.

    Parameters
    ----------
    levels : those that the curve was fitted to: from them is known which bursts it leaves alone.
    sag : of a coil that cools meanwhile; it is taken out of the release.
    """
    unchanged = _unchanged(tone, levels)
    if not np.any(unchanged):
        return Times()
    rise = linear_rise(tone, unchanged=unchanged)
    period_s = 1.0 / tone.cut.frequency_hz
    attack_ms, attack = _stated("attack", _attack_s(tone, rise, curve), period_s)
    release_ms, release = _stated("release", _release_s(tone, rise, curve, sag), period_s)
    return Times(attack_ms, release_ms, (attack, release))


def _stated(name: str, time_s: float | None, period_s: float) -> tuple[float | None, Reason]:
    """Return a time in ms, or None, and the reason."""
    if time_s is None:
        return None, Reason("time_not_read", of=name)
    if time_s < RESOLVED_PERIODS * period_s:
        return None, Reason("time_not_resolved", of=name)
    time_ms = 1e3 * time_s
    return time_ms, Reason("time_read", of=name, time_ms=time_ms, periods=time_s / period_s)


def _unchanged(tone: ToneBursts, levels: SteadyLevels) -> BoolArray:
    """Tell which rising bursts are not compressed: those up to the first that is."""
    allowed_db = np.maximum(UNCHANGED_WITHIN_DB, UNCHANGED_DEVIATIONS * levels.sigma_db)
    changed = np.abs(levels.gain_change_db) > allowed_db
    limit_dbfs = levels.drive_dbfs[np.argmax(changed)] if np.any(changed) else np.inf
    return tone.rising & tone.usable & (tone.drive_dbfs < limit_dbfs)


def _inside(time_s: float, ends_s: tuple[float, float]) -> float | None:
    shortest_s, longest_s = ends_s
    inside = (1.0 + NEAR_AN_END) * shortest_s < time_s < (1.0 - NEAR_AN_END) * longest_s
    return time_s if inside else None


def _attack_s(tone: ToneBursts, rise: LinearRise, curve: StaticCurve) -> float | None:
    up = np.flatnonzero(tone.rising & tone.usable)
    deep = up[-curve.gain_change_db(tone.drive_dbfs[up]) >= LEAST_LOSS_DB]
    curves = attack_curves(
        tone, rise, curve.gain_change_db, chosen=[int(i) for i in deep[-BURSTS_FITTED:]]
    )
    shortest_s, longest_s = ATTACK_RANGE_S
    found = fit_attack(curves, shortest_s=shortest_s, longest_s=longest_s)
    if found is None or abs(found.end_db - found.start_db) < LEAST_MOVE_DB:
        return None
    return _inside(found.time_constant_s, ATTACK_RANGE_S)


def _release_s(
    tone: ToneBursts, rise: LinearRise, curve: StaticCurve, sag: ThermalFit | None
) -> float | None:
    loudest = int(np.flatnonzero(tone.rising)[-1])
    recovery = release_curve(tone, rise, loudest=loudest)
    if recovery is None:
        return None
    time_s, gain_db = recovery
    if sag is not None:
        end_s = tone.cut.bursts[loudest].end / tone.cut.rate_hz
        gain_db = gain_db - np.interp(end_s + time_s, sag.middle_s, sag.sag_db)
    shortest_s, longest_s = RELEASE_RANGE_S
    found = fit_release(time_s, gain_db, shortest_s=shortest_s, longest_s=longest_s)
    if found is None or found.end_db - found.start_db < LEAST_MOVE_DB:
        return None
    held_back_db = float(curve.gain_change_db(tone.drive_dbfs[[loudest]])[0])
    start_db = found.end_db + held_back_db
    direct_s = time_of_share(time_s, gain_db, start_db=start_db, end_db=found.end_db)
    fitted_s = found.time_constant_s
    if direct_s is not None and abs(np.log(direct_s / fitted_s)) > EXPONENTIAL_WITHIN:
        return _inside(direct_s, RELEASE_RANGE_S)
    return _inside(fitted_s, RELEASE_RANGE_S)
