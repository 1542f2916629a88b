"""Modes that radiate: poles of the linear response, told from the room's by time and place.

They are taken off all takes' responses one by one. What is found may yet be an equaliser's pole in
the drive, which products that land there do not show, or something loose, which shows where it is
loud only; and where reflections are as strong as the direct sound, it may be the room's.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from distsweep.analysis.resonance.arrivals import Spectrum
from distsweep.analysis.resonance.curves import HIGHEST_ORDER, SearchedTake
from distsweep.analysis.resonance.mode import (
    HIGHEST_HZ,
    HIGHEST_Q,
    LEAST_Q,
    LOWEST_HZ,
    SHOWN_LOG_RATIO,
    Contribution,
    FoundMode,
)
from distsweep.analysis.resonance.pole_fit import (
    POINTS,
    REACH_OCTAVES,
    Mode,
    pole,
    smooth_covariance,
)
from distsweep.analysis.resonance.response_model import ZERO_QS, Responses
from distsweep.analysis.sweep.grid import POINTS_PER_OCTAVE
from distsweep.units import ComplexArray, FloatArray

LEAST_LOG_RATIO = 15.0
"""A mode less likely than e¹⁵ times no mode is not kept (chosen: 1300 places and Qs are tried,
each with four free numbers)."""

LEAST_LIFT_DB = 3.0
"""A mode that nowhere lifts by so much is not kept (chosen: it is no peak that anybody sees)."""

DIRECT_DB = 5.5
"""From this ratio of direct to reflected energy on, one take in the far field tells a
loudspeaker's mode from a room's (chosen: nine of ten places 1 m away in simulated living rooms
have less, single reflections at −12 dB leave more)."""

APART_HZ = 343.0
"""From this frequency on, two takes tell it (chosen: half a metre is half a wavelength there, and
so many of a room's modes overlap that no two places show one pole)."""

EQUALISED_Q = 15.0
"""A pole of a higher Q is no equaliser's, unless products say so as clearly as a mode must show
(chosen: a bell as narrow cannot be set by ear; what is narrow between two drivers is before
either)."""

PRODUCTS_ERROR = 1e-3
"""Power of what is not smooth in a product re the response there: −30 dB (chosen: as much as a
window of 64 periods leaves of a mode)."""

RUNGS_OWN, RUNGS_ERROR = 1e-3, 1e-5
"""The same between the fundamentals of two rungs, of low Q and without form: −30 and −50 dB
(chosen: what is linear cancels there)."""

LEAST_POINTS = 12
"""Fewer points of a product tell nothing (chosen: a quarter of an octave)."""


def find_radiated(takes: Sequence[SearchedTake]) -> list[FoundMode]:
    """Find the modes that the linear responses of all takes show, best first.

    Parameters
    ----------
    takes : of one loudspeaker; those without an impulse response are left out.

    Returns
    -------
    ``log_ratio`` counts the takes that can tell a loudspeaker's mode from a room's; where none
    can, ``direct`` is False and it counts them all.
    """
    heard = [(take, Spectrum(take.impulse)) for take in takes if take.impulse is not None]
    if not heard:
        return []
    groups: dict[str, list[int]] = {}
    for index, (take, _) in enumerate(heard):
        groups.setdefault(take.position if take.near else "", []).append(index)
    responses = Responses(
        [spectrum for _, spectrum in heard],
        list(groups.values()),
        [position != "port" for position in groups],
        (LOWEST_HZ, HIGHEST_HZ),
    )
    modes = _found(responses)
    judged = [_judged([take for take, _ in heard], responses, mode, modes) for mode in modes]
    return sorted(judged, key=lambda mode: -mode.strength)


def _found(responses: Responses) -> list[Mode]:
    """Take poles off, the likeliest first, each fitted together with those close to it."""
    modes: list[Mode] = []
    screens = [responses.screened(row, modes) for row in range(len(responses.centres_hz))]
    tried: list[float] = []
    while True:
        candidates = np.vstack(screens)
        away = np.abs(np.log2(candidates[:, 1, None] / np.array([*tried, 1.0])))
        fresh = np.all(away > 1.0 / POINTS_PER_OCTAVE, axis=1) & (candidates[:, 2] > 4.0)
        gains = np.where(fresh, candidates[:, 0], -np.inf)
        _, near_hz, q = (float(x) for x in candidates[int(np.argmax(gains))])
        if np.max(gains) < LEAST_LOG_RATIO:
            return modes
        tried.append(near_hz)
        start = responses.started(near_hz, q, modes)
        # Close is what lies in the middle half of the stretch that is looked at.
        apart = [mode for mode in modes if mode.octaves_from(start) >= 0.5 * REACH_OCTAVES]
        close = [mode for mode in modes if mode.octaves_from(start) < 0.5 * REACH_OCTAVES]
        close = responses.fitted([*close, start], apart, start.frequency_hz)
        if not _hold(close):
            continue
        modes = [*apart, *close]
        tried = [hz for hz in tried if abs(math.log2(hz / near_hz)) > REACH_OCTAVES]
        for row, centre_hz in enumerate(responses.centres_hz):
            if abs(math.log2(centre_hz / near_hz)) < 2.0 * REACH_OCTAVES:
                screens[row] = responses.screened(row, modes)


def _hold(modes: Sequence[Mode]) -> bool:
    """Tell whether modes are likely, lift, are narrow, and lie apart by half a bandwidth."""
    return all(
        np.sum(mode.log_ratios) >= LEAST_LOG_RATIO
        and np.max(mode.lifts_db) >= LEAST_LIFT_DB
        and LEAST_Q <= mode.q < HIGHEST_Q
        and LOWEST_HZ <= mode.frequency_hz <= HIGHEST_HZ
        and all(
            mode.octaves_from(other) * math.log(2.0) >= 0.5 / min(mode.q, other.q)
            for other in modes[:index]
        )
        for index, mode in enumerate(modes)
    )


def _judged(
    takes: Sequence[SearchedTake], responses: Responses, mode: Mode, modes: Sequence[Mode]
) -> FoundMode:
    """Compare a mode with a pole in the drive, something loose, and the room.

    A take whose own best ratio lifts by less speaks as if it were lifted by LEAST_LIFT_DB.
    """
    others = [other for other in modes if other is not mode]
    shows = mode.lifts_db >= LEAST_LIFT_DB
    said = np.where(shows, mode.log_ratios, responses.lifted_by(mode, others, LEAST_LIFT_DB))
    contributions = [
        Contribution(take.position, 1, float(value))
        for take, value in zip(takes, said, strict=True)
    ]
    total = float(np.sum(mode.log_ratios))
    drive, loose = total, 0.0
    if mode.q < EQUALISED_Q and any(take.near for take in takes):
        start = responses.started(mode.frequency_hz, mode.q, others, shared=True)
        (shared,) = responses.fitted([start], others, mode.frequency_hz, shared=True)
        drive = float(np.sum(shared.log_ratios))
    for take, ratio in zip(takes, mode.ratios, strict=True):
        for order, value in _in_drive(take, mode, complex(ratio)).items():
            contributions.append(Contribution(take.position, order, -value))
            drive += value
        loose = max(loose, _loose(take, mode))
    if mode.q >= EQUALISED_Q and drive < total + LEAST_LOG_RATIO:
        drive = -math.inf
    near = np.array([take.near for take in takes])
    alone = near | (responses.direct_db(mode.frequency_hz) >= DIRECT_DB)
    tells = alone | (mode.frequency_hz >= APART_HZ and len(takes) > 1)
    told = float(np.sum(mode.log_ratios[tells & shows]))
    # One take is enough where it can tell alone, and not two near fields are there to agree.
    needed = 1 if np.sum(near) < 2 and np.any(shows & alone) else 2
    agreed = int(np.sum(tells & (said >= SHOWN_LOG_RATIO))) >= needed
    nowhere_near = np.sum(near) > 1 and not np.any(shows & near)
    direct = told >= LEAST_LOG_RATIO and agreed and not nowhere_near
    log_ratio = told if direct else total
    return FoundMode(
        "radiated", mode.frequency_hz, mode.q, log_ratio, log_ratio - total + max(drive, loose),
        tuple(contributions), direct=direct,
    )  # fmt: skip


def _in_drive(take: SearchedTake, mode: Mode, ratio: complex) -> dict[int, float]:
    """Return by order how much likelier the products are with the pole in the drive than behind.

    Of order n at n·f, the response there divided out: an equaliser's pole is missing in these.
    """
    swept, ratios = take.swept, {}
    if take.impulse is None:
        return {}
    for index in range(1, min(HIGHEST_ORDER, len(swept.values))):
        heard_hz = (index + 1) * swept.frequency_hz
        linear = swept.linear[index]
        with np.errstate(invalid="ignore", divide="ignore"):
            values = swept.values[index, take.impulse.rung] / linear
            floor = swept.floors[index, take.impulse.rung] / np.abs(linear)
        known = _known(heard_hz, mode, values, floor)
        if np.sum(known) < LEAST_POINTS:
            continue
        values, floor, heard_hz = values[known], floor[known], heard_hz[known]
        power = np.abs(values) ** 2
        level = max(float(np.median(power - floor**2)), 1e-3 * float(np.median(power)))
        smooth = smooth_covariance(heard_hz, mode.frequency_hz)
        missing = 1.0 / (1.0 + ratio * pole(heard_hz, mode.frequency_hz, mode.q))
        behind, before = (
            _log_likelihood(
                values,
                factor[:, None] * smooth * factor.conj()
                + np.diag(floor**2 / level + PRODUCTS_ERROR * np.abs(factor) ** 2),
            )
            for factor in (np.ones_like(missing), missing)
        )
        ratios[index + 1] = before - behind
    return ratios


def _known(heard_hz: FloatArray, mode: Mode, values: ComplexArray, floor: FloatArray) -> np.ndarray:
    """Tell which points around a mode are known."""
    near = np.abs(np.log2(heard_hz / mode.frequency_hz)) < REACH_OCTAVES
    return np.asarray(near & np.isfinite(values) & np.isfinite(floor) & (np.abs(values) > 0.0))


def _log_likelihood(values: ComplexArray, covariance: ComplexArray) -> float:
    """Return it for the scale of the covariance that suits best."""
    root = np.linalg.cholesky(covariance)
    rest = np.linalg.solve(root, values)
    spread = len(values) * math.log(np.vdot(rest, rest).real)
    return -spread - 2.0 * float(np.sum(np.log(np.diagonal(root).real)))


def _loose(take: SearchedTake, mode: Mode) -> float:
    """Return the log ratio for a pole that shows in the loudest rung and not in the quietest.

    Products of odd order of something loose raise the fundamental where it is loud. What passes
    between two rungs is smooth otherwise; it is counted for as many points as the response has.
    """
    swept = take.swept
    clean = [row for row, rung in enumerate(take.rungs) if not rung.clipped]
    if take.impulse is None or not clean:
        return 0.0
    loud, quiet = take.impulse.rung, min(clean, key=lambda row: take.rungs[row].drive_dbfs)
    if loud == quiet:
        return 0.0
    with np.errstate(invalid="ignore", divide="ignore"):
        values = swept.values[0, loud] / swept.values[0, quiet]
        floor = swept.floors[0, quiet] / np.abs(swept.values[0, quiet])
    known = _known(swept.frequency_hz, mode, values, floor)
    if np.sum(known) < LEAST_POINTS:
        return 0.0
    values, floor, heard_hz = values[known], floor[known], swept.frequency_hz[known]
    covariance = smooth_covariance(heard_hz, mode.frequency_hz, RUNGS_OWN)
    covariance = covariance * float(np.median(np.abs(values) ** 2))
    root = np.linalg.cholesky(covariance + np.diag(floor**2 + RUNGS_ERROR))
    steps = np.arange(-2, 3) / POINTS_PER_OCTAVE
    zero_hz, zero_q = np.meshgrid(mode.frequency_hz * 2.0**steps, ZERO_QS[1:])
    poles = pole(heard_hz, zero_hz.reshape(-1, 1), zero_q.reshape(-1, 1))
    white = np.linalg.solve(root, np.vstack([values, poles * values]).T)
    rest, columns = white[:, 0], white[:, 1:]
    match = np.abs(rest @ columns.conj()) ** 2 / np.sum(np.abs(columns) ** 2, axis=0)
    return float(-POINTS * np.log(1.0 - np.max(match) / np.vdot(rest, rest).real))
