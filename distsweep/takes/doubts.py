"""What is improbable in a session or a recording: a wrong unit, mostly."""

from __future__ import annotations

import math

import numpy as np

from distsweep import plausible
from distsweep.analysis.settings import TakeSettings
from distsweep.analysis.sweep.levels import holds_a_point
from distsweep.analysis.weighting import a_weighting_db
from distsweep.errors import InputError
from distsweep.reason import Reason
from distsweep.results import Background, Device
from distsweep.takes.correction import MicCorrection
from distsweep.takes.session import Session
from distsweep.units import FloatArray, db_to_power, power_to_db
from distsweep.words.wording import signed

OUTSIDE_BY = 1.3
"""Ratio by which a correction may end inside the band without a warning (chosen: files often begin
at 25 Hz, or end at 16 kHz)."""

LOWER_END_TOLERANCE, UPPER_END_TOLERANCE = 0.97, 1.03
"""A level band that ends within these ratios of the measured band's was meant to end there
(chosen: two steps of the grid of 48 points an octave)."""


def session_warnings(session: Session) -> list[Reason]:
    """Return what the reader of a session's numbers must know before any take is looked at.

    Raises
    ------
    InputError
        As `session_doubts`.
    """
    uncalibrated = [] if session.calibrated else [Reason("uncalibrated", whole_session=True)]
    if session.levels_spl_db and not session.calibrated:
        levels = list(session.levels_spl_db)
        uncalibrated.append(Reason("stated_uncalibrated", levels_spl_db=levels))
    return session_doubts(session) + uncalibrated


def session_doubts(session: Session) -> list[Reason]:
    """Doubt the numbers of ``session.toml``.

    Raises
    ------
    InputError
        By a calibration full scale is no level that an input in air can stand for.
    """
    conditions, mic = session.conditions, session.calibration.mic
    doubts = []
    value = conditions.temperature_c
    if value is not None and not plausible.TEMPERATURE_C.expects(value):
        doubts.append(Reason("improbable_temperature", temperature_c=value))
    value = conditions.distance_m
    if value is not None and not plausible.DISTANCE_M.expects(value):
        doubts.append(Reason("improbable_distance", distance_m=value))
    value = conditions.listener_distance_m
    if value is not None and not plausible.LISTENER_DISTANCE_M.expects(value):
        doubts.append(Reason("improbable_listener_distance", distance_m=value))
    doubts += _device_doubts(session.device)
    if mic is not None and abs(mic.largest[1]) > plausible.LARGEST_CORRECTION_DB:
        at_hz, largest_db = mic.largest
        usual_db = plausible.LARGEST_CORRECTION_DB
        doubts.append(
            Reason("improbable_correction", largest_db=largest_db, at_hz=at_hz, usual_db=usual_db)
        )
    return doubts + _full_scale_doubts(session)


def _device_doubts(device: Device) -> list[Reason]:
    doubts = []
    cabinet_mm, port_mm = device.cabinet_mm, device.port_mm
    if cabinet_mm is not None:
        litres = 1e-6 * math.prod(cabinet_mm)
        too_small = litres < plausible.LEAST_CABINET_L
        if too_small or not all(map(plausible.CABINET_MM.expects, cabinet_mm)):
            doubts.append(
                Reason("improbable_cabinet", cabinet_mm=cabinet_mm, litres=litres, small=too_small)
            )
    for side, bounds in (
        ("diameter", plausible.PORT_DIAMETER_MM),
        ("length", plausible.PORT_LENGTH_MM),
    ):
        if port_mm is not None and not bounds.expects(port_mm[side]):
            doubts.append(Reason("improbable_port", side=side, length_mm=port_mm[side]))
    return doubts


def _full_scale_doubts(session: Session) -> list[Reason]:
    """Doubt each calibration in use once."""
    doubts: list[Reason] = []
    seen: set[float] = set()
    low_db, high_db = plausible.FULL_SCALE_SPL_DB
    possible = plausible.POSSIBLE_FULL_SCALE_SPL_DB
    for entry in session.entries:
        calibration = session.calibration_of(entry)
        pascal, full_db = calibration.pascal_per_fs, calibration.level_offset_db
        if pascal is None or pascal in seen or low_db <= full_db <= high_db:
            continue
        seen.add(pascal)
        if not possible[0] <= full_db <= possible[1]:
            raise InputError(
                f"{session.folder / (calibration.source or 'session.toml')}: by pascal_per_fs ="
                f" {pascal:g} the input's full scale is {signed(full_db, 0)} dB SPL: it must lie"
                f" between {possible[0]:g} and {possible[1]:g} (20 Pa is 120 dB SPL)"
            )
        own = entry.calibration is not None and pascal != session.calibration.pascal_per_fs
        doubts.append(
            Reason(
                "improbable_full_scale",
                take=entry.position if own else None,
                pascal_per_fs=pascal,
                full_scale_db=full_db,
                low_db=low_db,
                high_db=high_db,
            )
        )
    return doubts


def take_doubts(
    background: Background | None, settings: TakeSettings, mic: MicCorrection | None
) -> list[Reason]:
    """Doubt a correction that ends inside the band, and a calibrated take's background."""
    doubts = _correction_doubts(mic, settings.band_hz)
    return doubts + _background_doubts(background, settings) if settings.calibrated else doubts


def level_band_doubts(frequency_hz: FloatArray, settings: TakeSettings) -> list[Reason]:
    """Doubt a level band of which a calibrated ladder measured nothing, or only a part."""
    if not settings.calibrated:
        return []
    low_hz, high_hz = settings.level_band_hz
    measured_hz = [float(frequency_hz[0]), float(frequency_hz[-1])]
    if not holds_a_point(frequency_hz, settings.level_band_hz):
        band = settings.level_band_hz
        return [Reason("level_band_outside", level_band_hz=band, measured_hz=measured_hz)]
    ends = LOWER_END_TOLERANCE * measured_hz[0], UPPER_END_TOLERANCE * measured_hz[1]
    if low_hz >= ends[0] and high_hz <= ends[1]:
        return []
    return [Reason("level_band_cut", level_band_hz=settings.level_band_hz, measured_hz=measured_hz)]


def _correction_doubts(mic: MicCorrection | None, band_hz: tuple[float, float]) -> list[Reason]:
    """Say where a microphone's correction ends within the measured band."""
    if mic is None:
        return []
    low_hz, high_hz = (float(mic.frequency_hz[end]) for end in (0, -1))
    if low_hz <= OUTSIDE_BY * band_hz[0] and OUTSIDE_BY * high_hz >= band_hz[1]:
        return []
    return [Reason("correction_cut", low_hz=low_hz, high_hz=high_hz, band_hz=band_hz)]


def _background_doubts(background: Background | None, settings: TakeSettings) -> list[Reason]:
    """Doubt a background below a microphone's own noise in the measured band."""
    level_db = None if background is None else background.a_weighted_db
    if level_db is None or math.isnan(level_db):
        return []
    least_db = plausible.LEAST_BACKGROUND_SPL_DB + _share_db(*settings.band_hz)
    if level_db >= least_db:
        return []
    return [Reason("improbable_background", level_dba=level_db, least_dba=least_db)]


def _share_db(low_hz: float, high_hz: float) -> float:
    """Return the A-weighted level of white noise in a band re that in the audible band.

    A microphone's own noise is whiter than that of a room; what it has more of in the bass would
    only make it louder.
    """
    f = np.arange(10.0, plausible.AUDIBLE_HZ[1], 10.0)
    power = db_to_power(a_weighting_db(f))
    inside = (f >= low_hz) & (f <= high_hz)
    return float(power_to_db(max(np.sum(power[inside]), 1e-12) / np.sum(power)))
