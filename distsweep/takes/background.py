"""Background takes: their recordings read and levelled, and paired by position."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from distsweep.analysis.noise.hiss import falls_with_it_on
from distsweep.analysis.noise.third_octave_levels import NoiseLevels, noise_levels
from distsweep.errors import InputError
from distsweep.reason import Reason
from distsweep.results import AXIS, Take
from distsweep.takes.recording import Recording, read_recording
from distsweep.takes.session import Session
from distsweep.takes.session_calibration import Calibration
from distsweep.takes.session_takes import BackgroundEntry
from distsweep.units import FloatArray, power_to_db

LISTENER = "listener"
"""Position of a background take where the listener is, whose room noise goes before others."""

FAR_M = 0.5
"""A driver's hiss is recorded from nearer than this (chosen: ten times what is near; a distance
written in centimetres is ten times as far again)."""


@dataclass
class FoundBackground:
    """The background at one position, from one distance, in one unit.

    Attributes
    ----------
    distance_m : the microphone's; None where the take does not tell. The session's, which is that
        of "axis", serves there only: hiss is recorded close by.
    calibration : that of the first recording.
    levels : of each recording, by the loudspeaker's state, in the order listed; powers are re 0 dB
        of the unit.
    rate_hz : of all its recordings.
    """

    position: str
    distance_m: float | None
    calibration: Calibration
    rate_hz: int
    levels: dict[str, list[NoiseLevels]] = field(default_factory=dict)

    @property
    def on(self) -> list[NoiseLevels]:
        """Recordings with the loudspeaker on."""
        return self.levels.get("on", [])

    @property
    def off(self) -> list[NoiseLevels]:
        """Recordings with the loudspeaker off."""
        return self.levels.get("off", [])


def find_backgrounds(session: Session) -> tuple[list[FoundBackground], list[tuple[str, Reason]]]:
    """Read all background takes of a session.

    Returns
    -------
    What was found, a position each in the order listed, and warnings with their positions.

    Raises
    ------
    InputError
        A recording cannot be used, or has another rate than others at its position.
    """
    found: dict[tuple[str, float | None, str], FoundBackground] = {}
    warnings = []
    for entry in session.backgrounds:
        calibration = session.calibration_of(entry)
        distance_m = entry.distance_m
        if distance_m is None and entry.position == AXIS:
            distance_m = session.conditions.distance_m
        key = entry.position, distance_m, calibration.level_unit
        for path in entry.recordings:
            recording = _read(entry, path)
            place = found.setdefault(
                key, FoundBackground(entry.position, distance_m, calibration, recording.rate_hz)
            )
            if recording.rate_hz != place.rate_hz:
                raise InputError(
                    f"{path}: has {recording.rate_hz} Hz, others at {entry.position!r}"
                    f" {place.rate_hz}: record all of them at one rate"
                )
            levels = _levels(recording, calibration)
            place.levels.setdefault(entry.state, []).append(levels)
            warnings += [
                (entry.position, reason) for reason in _recording_warnings(recording, levels)
            ]
    for place in found.values():
        others = [other for other in found.values() if other.position == place.position]
        elsewhere = len(others) > 1
        warnings += [(place.position, reason) for reason in _pair_warnings(place, elsewhere)]
    return list(found.values()), warnings


def _read(entry: BackgroundEntry, path: Path) -> Recording:
    return read_recording(path, channel=entry.channel or 1, noting=True)


def _levels(recording: Recording, calibration: Calibration) -> NoiseLevels:
    """Return a recording's levels with powers re 0 dB of the calibration's unit."""
    offset_db = calibration.level_offset_db

    def deviation_db(frequency_hz: FloatArray) -> FloatArray:
        return calibration.correction_db(frequency_hz) - offset_db

    levels = noise_levels(
        recording.samples,
        rate_hz=float(recording.rate_hz),
        correction_db=deviation_db,
        step=recording.step,
    )
    if levels is None:
        raise InputError(
            f"{recording.path}: lasts {len(recording.samples) / recording.rate_hz:.1f} s: record"
            " the background for several seconds, ten say"
        )
    return levels


def _recording_warnings(recording: Recording, levels: NoiseLevels) -> list[Reason]:
    name = recording.path.name
    reasons = []
    if len(recording.clipped_samples):
        reasons.append(Reason("background_clipped", recording=name))
    if levels.left_out_s:
        start_s, end_s = levels.left_out_s[0]
        reasons.append(
            Reason(
                "background_disturbed", recording=name, start_s=start_s, end_s=end_s,
                count=len(levels.left_out_s),
            )
        )  # fmt: skip
    return reasons


def _pair_warnings(place: FoundBackground, elsewhere: bool) -> list[Reason]:
    counts = {"on": len(place.on), "off": len(place.off)}
    if not place.on:
        return []
    reasons = []
    if counts["on"] != counts["off"]:
        reasons.append(Reason("background_unpaired", **counts, elsewhere=elsewhere))
    if falls_with_it_on(place.on, place.off):
        reasons.append(Reason("background_exchanged"))
    if place.distance_m is None:
        reasons.append(Reason("background_distance_unknown"))
    elif place.distance_m > FAR_M and place.position not in (AXIS, LISTENER):
        reasons.append(Reason("background_far", distance_m=place.distance_m))
    return reasons


def room_for(
    place: FoundBackground, places: Sequence[FoundBackground], takes: Sequence[Take]
) -> tuple[str | None, FloatArray, FloatArray]:
    """Return the room's noise that hiss at a place is held against.

    That is where a listener is, if it was recorded, else at the microphone's ordinary place, else
    that of the ladder there, else that at the place itself, with the loudspeaker off.

    Returns
    -------
    Where it was measured ("listener", "axis", "ladder", "here"; None: nowhere), its level in each
    third in dB SPL, and its standard deviation between recordings in dB; −inf and 0 where nothing
    is known.
    """
    thirds_hz = (place.on or place.off)[0].frequency_hz
    here_db, spread_db = _room(place.off, thirds_hz)
    for position in (LISTENER, AXIS):
        for other in places:
            fits = other.position == position and other.off
            if fits and other.calibration.pascal_per_fs is not None:
                return position, *_room(other.off, thirds_hz)
    for take in takes:
        background = take.background if take.position == AXIS else None
        if background is None or take.level_unit != "dB SPL" or not background.third_octave_hz.size:
            continue
        known = dict(zip(background.third_octave_hz, background.third_octave_db, strict=True))
        levels_db = [known.get(f, near) for f, near in zip(thirds_hz, here_db, strict=True)]
        return "ladder", np.array(levels_db), spread_db
    return "here" if place.off else None, here_db, spread_db


def _room(off: Sequence[NoiseLevels], thirds_hz: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return mean level and its spread in each third, from recordings with the loudspeaker off."""
    if not off:
        return np.full(len(thirds_hz), -np.inf), np.zeros(len(thirds_hz))
    count = min(len(thirds_hz), len(off[0].frequency_hz))
    powers = np.array([one.power[:count] for one in off])
    rest = np.full(len(thirds_hz) - count, -np.inf)
    levels_db = power_to_db(powers)
    spread_db = np.std(levels_db, axis=0, ddof=1) if len(off) > 1 else np.zeros(count)
    mean_db = power_to_db(np.mean(powers, axis=0))
    return np.append(mean_db, rest), np.append(spread_db, np.zeros(len(rest)))
