"""Sentences on the conditions of measurements that are compared, and on what is left out."""

from __future__ import annotations

from collections.abc import Sequence

from distsweep.results import RecordedCalibration, Take
from distsweep.words.damage import damage_phrase, groups
from distsweep.words.wording import (
    as_given,
    decibels,
    frequency_range,
    listed,
    listing,
    with_sign,
    with_unit,
)


def nothing_common(sides: Sequence[tuple[str, Sequence[str]]]) -> str:
    """Say that two have no position in common, and which each has."""
    there = [
        f"{name} has ladders at {_quoted(positions)}" if positions else f"{name} has no ladder"
        for name, positions in sides
    ]
    return (
        f"nothing can be compared: {listed(there)}; give what is to be compared the same"
        " position in both sessions, and analyse again"
    )


def positions_missing(
    positions: Sequence[str], has: Sequence[str], lacks: Sequence[str], *, first: str
) -> str:
    """Say that positions are not compared, for those that do not have them."""
    where = f"only in {_names(has)}" if first in lacks else f"missing in {_names(lacks)}"
    if len(positions) == 1:
        return f"Position {_quoted(positions)} is {where}."
    return f"Positions {_quoted(positions)} are {where}."


def staircase_left_out(position: str, has: Sequence[str]) -> str:
    """Say that a staircase is not compared."""
    return f"The staircase at “{position}” ({_names(has)}): only ladders are compared."


def background_left_out(position: str, has: Sequence[str]) -> str:
    """Say that the background, and a hiss in it, is not compared."""
    return f"The background at “{position}” ({_names(has)}): only ladders are compared."


def several_ladders(name: str, position: str, count: int) -> str:
    """Say which of several ladders at one position is compared."""
    return f"{name} has {count} ladders at “{position}”: the first complete one is compared."


def no_intervals(names: Sequence[str]) -> str:
    """Say that results are too old to be held against others."""
    return (
        f"Results without intervals, of an earlier version: {_names(names)}. No difference from"
        " them can be beyond doubt: analyse their session again."
    )


def units_differ(position: str, sides: Sequence[tuple[str, str]]) -> str:
    """Say that one side is calibrated and the other is not."""
    units = listed([f"in {unit} in {name}" for name, unit in sides])
    return f"Levels at “{position}” are {units}: they are not compared; distortion is."


def near_and_far(position: str, first: str, other: str) -> str:
    """Say that levels near a loudspeaker are not held against those farther away."""
    return (
        f"Levels at “{position}” of {first} and {other} are not compared: one was measured too near"
        " the loudspeaker for levels to follow the distance."
    )


def same_recordings(names: Sequence[str]) -> str:
    """Say that results were made of the same samples."""
    return (
        f"{listed(names)} were made of the very same recordings: only settings and versions of the"
        " analysis can differ."
    )


def distance_not_noted(missing: Sequence[str], count: int) -> str:
    """Say that a distance is not known, and taken to be that of the others."""
    if len(missing) == count:
        return "No distance is noted (distance_m): it is taken to be one for all."
    return f"The distance of {_names(missing)} is not noted: it is taken to be the others'."


def distances_differ(
    first: str,
    others: Sequence[str],
    at_m: float,
    other_m: float,
    positions: Sequence[str],
    shift_db: float,
) -> str:
    """Say how levels of others, at another distance, are brought to the first's, or that not."""
    were = "was" if len(others) == 1 else "were"
    said = f"{_names(others)} {were} measured at {_metres(other_m)}, {first} at {_metres(at_m)}"
    if shift_db == 0.0:
        return f"{said}: too near for levels to follow the distance."
    brought = with_unit(with_sign(shift_db), "dB")
    return (
        f"{said}: levels at {_quoted(positions)} are moved by {brought}, as a point's in a free"
        " field; where in the loudspeaker that point lies is in the intervals, what a room sends"
        " back is not."
    )


def temperature_not_noted(missing: Sequence[str], count: int) -> str:
    """Say that a temperature is not known, and what that leaves open."""
    whose = "No temperature is noted (temperature_c)"
    if len(missing) < count:
        whose = f"The temperature of {_names(missing)} is not noted"
    # Of the speed of sound, which goes with the root of the absolute temperature: ½·5/293.
    return f"{whose}: 5 K would move the modes of a box or a pipe by 0.85 %."


def temperatures_differ(known: Sequence[tuple[str, float]]) -> str:
    """Say which temperatures differ."""
    values = _each([(name, f"{as_given(value)} °C") for name, value in known])
    return (
        f"Temperatures differ: {values}. Modes of a box or a pipe are brought to that of the first;"
        " a warm coil, and a suspension that has softened, are part of the differences."
    )


def level_bands_differ(bands: Sequence[tuple[str, tuple[float, float]]]) -> str:
    """Say which bands levels are means over."""
    return f"Level bands differ: {_bands(bands)}; levels over them are not compared."


def no_common_band(bands: Sequence[tuple[str, tuple[float, float]]]) -> str:
    """Say that levels over other bands cannot be made equal."""
    return (
        f"level bands differ: {_bands(bands)}; give the sessions one level_band_hz and analyse"
        " them again, or compare at equal drive"
    )


def no_common_level(name: str) -> str:
    """Say that levels of one are not in dB SPL."""
    return (
        f"{name}: has levels in dBFS, and they cannot be made equal in dB SPL: calibrate and"
        " analyse again, or compare at equal drive"
    )


def _bands(bands: Sequence[tuple[str, tuple[float, float]]]) -> str:
    return _each([(name, frequency_range(*band)) for name, band in bands])


def bands_differ(position: str, values: Sequence[tuple[str, tuple[float, ...]]]) -> str:
    """Say which bands were measured."""
    bands = _bands([(name, (band[0], band[-1])) for name, band in values])
    return f"Measured bands at “{position}” differ: {bands}; what all measured is compared."


def drives_differ(position: str, values: Sequence[tuple[str, tuple[float, ...]]]) -> str:
    """Say which drives were played."""
    drives = _each([(name, f"{listing(value)} dBFS") for name, value in values], "; ")
    return (
        f"Drives at “{position}” differ: {drives}. Between two drives values are interpolated, and"
        " intervals hold what that leaves open."
    )


def orders_differ(position: str, values: Sequence[tuple[str, tuple[float, ...]]]) -> str:
    """Say that THD sums other harmonics."""
    orders = _each([(name, f"up to order {value[0]:.0f}") for name, value in values])
    return f"Harmonics at “{position}” were measured {orders}: THD does not sum the same ones."


def shapes_differ(position: str, values: Sequence[tuple[str, tuple[float, ...]]]) -> str:
    """Say that the drive at low frequencies was reduced otherwise."""
    shapes = _each([(name, decibels(abs(value[0]))) for name, value in values])
    return (
        f"At “{position}” the drive is lowered towards the bass by {shapes} at most: what distorts"
        " there was driven otherwise."
    )


def stimuli_differ(position: str, values: Sequence[tuple[str, str]]) -> str:
    """Say that other stimuli were played."""
    names = {value for _, value in values}
    stimuli = f"all called {values[0][1]}" if len(names) == 1 else _each(values)
    return (
        f"Stimuli at “{position}” are not one ({stimuli}; by their checksums): through narrow modes"
        " a longer sweep shows more."
    )


def uncalibrated() -> str:
    """Say what levels in dBFS hold for."""
    return (
        "Levels are in dBFS: what they differ by is the loudspeakers' only if no gain was touched"
        " in between."
    )


def calibrations_differ(
    of: Sequence[tuple[str, RecordedCalibration]], limit_db: float, doubt_db: float
) -> str:
    """Say what levels go by, and what two calibrations leave open."""
    values = _each([(name, _calibration(calibration)) for name, calibration in of])
    return (
        f"Calibrations differ: {values}. Each is taken to be of a class 1 calibrator (± "
        f"{decibels(limit_db)}, IEC 60942), which leaves levels ± {decibels(doubt_db)} against each"
        " other; data sheets leave more."
    )


def _calibration(calibration: RecordedCalibration) -> str:
    full_scale_db = calibration.spl_at_0dbfs_db
    level = "no calibration"
    if full_scale_db is not None:
        level = f"full scale is {decibels(full_scale_db, 'dB SPL')}"
    return f"{level}, {calibration.mic_correction or 'no correction'}"


def versions_differ(versions: Sequence[tuple[str, str | None]]) -> str:
    """Say which versions made the results."""
    values = _each([(name, version or "unknown") for name, version in versions])
    return (
        f"Versions differ: {values}. Analyse all sessions with one, and nothing but what was"
        " recorded differs."
    )


def partial(name: str, take: Take) -> str:
    """Say that a ladder ended early."""
    highest = max(rung.drive_dbfs for rung in take.rungs)
    return (
        f"The ladder of {name} at “{take.position}” ended early, at"
        f" {with_unit(as_given(highest), 'dBFS')}."
    )


def damaged(name: str, take: Take) -> str:
    """Say what a recording holds that the loudspeaker did not do."""
    held = listed([damage_phrase(group, take.rungs) for group in groups(take.damage)])
    return (
        f"The recording of {name} at “{take.position}” holds {held}: where that may have changed"
        " values, intervals are wider."
    )


def placed_once() -> str:
    """Say what findings suppose where nothing was measured twice."""
    return (
        "No position was measured twice with the microphone placed anew: what is found holds if"
        " nothing else moved."
    )


def placed_anew(found: Sequence[tuple[str, str, int, float, float]]) -> str:
    """Say which microphones were put back, and what that leaves open of levels and THD."""
    times = [
        f"{name} at “{position}” {count} times (levels ± {decibels(level_db)}, THD ±"
        f" {decibels(thd_db)} in the median third of an octave)"
        for name, position, count, level_db, thd_db in found
    ]
    return (
        f"Microphone put back: {listed(times)}; that is in the intervals of all differences there,"
        " for both sides where only one did so."
    )


def repeated(found: Sequence[tuple[str, str, int, float]]) -> str:
    """Say which measurements were repeated, and by how much their levels differ."""
    times = [
        f"{name} at “{position}” {count} times (± {decibels(by_db, decimals=2)})"
        for name, position, count, by_db in found
    ]
    return (
        f"Measured repeatedly: {listed(times)}; that is in the intervals of levels there, not in"
        " those of harmonics. Whether the microphone was placed anew is not known here."
    )


MOST_NAMES = 3
"""Names that a sentence lists before it counts (chosen: more are not read)."""


def _each(values: Sequence[tuple[str, str]], between: str = ", ") -> str:
    """Write values with whose they are, each value once: "1 m (A and C), 0.5 m (B)"."""
    whose: dict[str, list[str]] = {}
    for name, value in values:
        whose.setdefault(value, []).append(name)
    return between.join(f"{value} ({_names(names)})" for value, names in whose.items())


def _names(names: Sequence[str]) -> str:
    """Write names, or of many the first and how many more there are."""
    return listed(names) if len(names) <= MOST_NAMES else f"{names[0]} and {len(names) - 1} others"


def _metres(distance_m: float) -> str:
    return with_unit(as_given(distance_m), "m")


def _quoted(positions: Sequence[str]) -> str:
    return listed([f"“{position}”" for position in positions])
