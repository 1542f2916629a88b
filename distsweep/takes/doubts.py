"""Warnings of what is improbable in a session or a recording: a wrong unit, mostly."""

from __future__ import annotations

import math

import numpy as np

from distsweep import plausible
from distsweep.analysis.sweep.levels import holds_a_point
from distsweep.analysis.weighting import a_weighting_db
from distsweep.errors import InputError
from distsweep.results import Take, Warning_
from distsweep.takes.session import Calibration, Device, Session
from distsweep.units import db_to_power, power_to_db

OUTSIDE_BY = 1.3
"""A correction may end so far inside the band without a word (chosen: files often begin at 25 Hz,
or end at 16 kHz)."""

LOWER_END_TOLERANCE, UPPER_END_TOLERANCE = 0.97, 1.03
"""A level band that ends so near the measured band's end was meant to end there (chosen: two
steps of the grid of 48 points an octave)."""


def session_doubts(session: Session) -> list[Warning_]:
    """Doubt the numbers of ``session.toml``.

    Raises
    ------
    InputError
        By a calibration full scale is no level that an input in air can stand for.
    """
    conditions, mic = session.conditions, session.calibration.mic
    doubts: list[tuple[str, str]] = []
    for key, unit, bounds, hint in (
        ("temperature_c", "°C", plausible.TEMPERATURE_C, plausible.temperature_hint),
        ("distance_m", "m", plausible.DISTANCE_M, plausible.distance_hint),
        ("listener_distance_m", "m", plausible.LISTENER_DISTANCE_M, plausible.distance_hint),
    ):
        value = getattr(conditions, key)
        if value is not None and not bounds.expects(value):
            meant = hint(value) or "is it right?"
            name = key.rsplit("_", 1)[0]
            doubts.append((name, f"{key} is {value:g} {unit}, which is improbable: {meant}"))
    doubts += _device_doubts(session.device)
    if mic is not None and abs(mic.largest[1]) > plausible.LARGEST_CORRECTION_DB:
        at_hz, largest_db = mic.largest
        doubts.append(
            (
                "correction",
                f"The microphone's correction is {largest_db:+.1f} dB at {at_hz:.0f} Hz: a"
                f" measurement microphone deviates by {plausible.LARGEST_CORRECTION_DB:g} dB at"
                " most. Is it the right file, and in dB?",
            )
        )
    warnings = [Warning_(f"improbable_{name}", text) for name, text in doubts]
    return warnings + _full_scale_doubts(session)


def _device_doubts(device: Device) -> list[tuple[str, str]]:
    doubts = []
    cabinet_mm, port_mm = device.cabinet_mm, device.port_mm
    if cabinet_mm is not None:
        sizes = " by ".join(f"{value:g}" for value in cabinet_mm)
        if math.prod(cabinet_mm) < 1e6 * plausible.LEAST_CABINET_L:
            litres = 1e-6 * math.prod(cabinet_mm)
            text = (
                f"A cabinet of {sizes} mm holds {litres:.2g} litres: are these centimetres?"
                f"{plausible.lengths_in_mm(*cabinet_mm)}"
            )
            doubts.append(("cabinet", text))
        elif not all(map(plausible.CABINET_MM.expects, cabinet_mm)):
            doubts.append(("cabinet", f"A cabinet of {sizes} mm is improbable: is it in mm?"))
    for key, bounds in (
        ("diameter", plausible.PORT_DIAMETER_MM),
        ("length", plausible.PORT_LENGTH_MM),
    ):
        if port_mm is not None and not bounds.expects(port_mm[key]):
            doubts.append(
                ("port", f"A port's {key} of {port_mm[key]:g} mm is improbable: is it in mm?")
            )
    return doubts


def _full_scale_doubts(session: Session) -> list[Warning_]:
    """Doubt each calibration in use once."""
    warnings: list[Warning_] = []
    said: set[float] = set()
    low_db, high_db = plausible.FULL_SCALE_SPL_DB
    possible = plausible.POSSIBLE_FULL_SCALE_SPL_DB
    for entry in session.takes:
        calibration = session.calibration_of(entry)
        pascal, full_db = calibration.pascal_per_fs, calibration.level_offset_db
        if pascal is None or pascal in said or low_db <= full_db <= high_db:
            continue
        said.add(pascal)
        if not possible[0] <= full_db <= possible[1]:
            raise InputError(
                f"{session.folder / (calibration.source or 'session.toml')}: by pascal_per_fs ="
                f" {pascal:g} the input's full scale is {full_db:.0f} dB SPL: it must lie between"
                f" {possible[0]:g} and {possible[1]:g} (20 Pa is 120 dB SPL)"
            )
        own = entry.calibration is not None and pascal != session.calibration.pascal_per_fs
        warnings.append(
            Warning_(
                "improbable_full_scale",
                f"By the calibration ({pascal:g} Pa) the input's full scale is {full_db:.0f} dB"
                f" SPL; with a microphone it lies between {low_db:g} and {high_db:g}: every level"
                " may be wrong. Is it the RMS pressure of a 0 dBFS sine, in Pa?",
                take=entry.position if own else None,
            )
        )
    return warnings


def take_doubts(
    take: Take, calibration: Calibration, *, level_band_hz: tuple[float, float]
) -> list[Warning_]:
    """Doubt a correction that ends inside the band, a calibrated take's background, and a level
    band that was not measured."""
    warnings = _correction_doubts(take, calibration)
    if calibration.pascal_per_fs is None:
        return warnings
    warnings += _background_doubts(take)
    if not take.rungs:
        return warnings
    f, (low_hz, high_hz) = take.frequency_hz, level_band_hz
    band = f"{low_hz:g} to {high_hz:g} Hz"
    measured = f"{max(f[0], low_hz):.4g} to {min(f[-1], high_hz):.4g} Hz"
    if not holds_a_point(f, level_band_hz):
        text = (
            f"No frequency in the level band, {band}, was measured ({f[0]:.4g} to {f[-1]:.4g} Hz"
            " was): no rung's level in dB SPL is stated. Change level_band_hz if they are to be."
        )
        warnings.append(Warning_("level_band_outside", text))
    elif low_hz < LOWER_END_TOLERANCE * f[0] or high_hz > UPPER_END_TOLERANCE * f[-1]:
        text = (
            f"Of the level band, {band}, only {measured} was measured: a rung's level is the mean"
            " over that."
        )
        warnings.append(Warning_("level_band_cut", text))
    return warnings


def _correction_doubts(take: Take, calibration: Calibration) -> list[Warning_]:
    """Say where a microphone's correction ends within the measured band."""
    if calibration.mic is None:
        return []
    low_hz, high_hz = (float(calibration.mic.frequency_hz[end]) for end in (0, -1))
    if low_hz <= OUTSIDE_BY * take.band_hz[0] and OUTSIDE_BY * high_hz >= take.band_hz[1]:
        return []
    text = (
        f"The microphone's correction holds {low_hz:g} to {high_hz:g} Hz of a measured band of"
        f" {take.band_hz[0]:g} to {take.band_hz[1]:g} Hz: beyond its ends their values were used."
    )
    return [Warning_("correction_cut", text)]


def _background_doubts(take: Take) -> list[Warning_]:
    """Doubt a background below a microphone's own noise in the measured band."""
    level_db = None if take.background is None else take.background.a_weighted_db
    if level_db is None or math.isnan(level_db):
        return []
    least_db = plausible.LEAST_BACKGROUND_SPL_DB + _share_db(take.band_hz[0], take.band_hz[1])
    if level_db >= least_db:
        return []
    text = (
        f"The background is {level_db:.0f} dB(A), less than a microphone's own noise"
        f" ({least_db:.0f} dB(A) in this band): every level may be wrong. Is the calibration this"
        " input's, or did a noise gate work on it?"
    )
    return [Warning_("improbable_background", text)]


def _share_db(low_hz: float, high_hz: float) -> float:
    """Return the A-weighted level of white noise in a band re that in the audible band.

    A microphone's own noise is whiter than that of a room; what it has more of in the bass would
    only make it louder.
    """
    f = np.arange(10.0, plausible.AUDIBLE_HZ[1], 10.0)
    power = db_to_power(a_weighting_db(f))
    inside = (f >= low_hz) & (f <= high_hz)
    return float(power_to_db(max(np.sum(power[inside]), 1e-12) / np.sum(power)))
