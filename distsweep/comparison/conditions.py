"""Conditions of measurements held against each other: what differs is said, brought to one, or
not compared."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.comparison.level_doubt import (
    CALIBRATIONS_DOUBT_DB,
    CALIBRATOR_LIMIT_DB,
    calibration_at,
    distances_differ,
    level_doubt_db,
    level_shift_db,
    one_calibration,
    repeats_db,
    two_distances,
)
from distsweep.comparison.placed import FUNDAMENTAL, reproducibility_at, shared_db
from distsweep.comparison.positions import (
    LADDER,
    check_common,
    common_ladders,
    left_out,
    positions_of,
    repeated_ladders,
)
from distsweep.comparison.record import BAND, DRIVE
from distsweep.errors import InputError
from distsweep.results import SAME_DRIVE_DB, Results, Take, first_take
from distsweep.words import conditions as words

SAME_TEMPERATURE_K = 1.0
"""Temperatures that differ by less count as one (chosen: 1 K moves modes of air by 0.17 %)."""


@dataclass(frozen=True)
class HeldConditions:
    """Sentences on what differed between measurements, and on what was left out of a comparison."""

    conditions: list[str]
    not_compared: list[str]


def hold_conditions(
    results: Sequence[Results], names: Sequence[str], *, aligned: str
) -> HeldConditions:
    """Hold the conditions of results against those of the first.

    Parameters
    ----------
    names : of the results, all different.
    aligned : what is equal on both sides (`distsweep.comparison.record`).

    Raises
    ------
    InputError
        One has no ladder at a position of the first's; or levels are to be equal, and one is in
        dBFS, is the mean over another band, or was measured too near.
    """
    check_common(results, names)
    called = list(zip(names, results, strict=True))
    if aligned != DRIVE:
        _check_levels(called, aligned)
    conditions = [
        *_recordings(called),
        *_distances(called),
        *_temperatures(called),
        *_level_bands(called),
        *_of_ladders(called),
        *_calibrations(called),
        *_versions(called),
        *_states(called),
        *_repeats(called),
    ]
    return HeldConditions(conditions, [*_levels_left_out(called), *left_out(results, names)])


_Called = list[tuple[str, Results]]


def _check_levels(called: _Called, aligned: str) -> None:
    """Refuse to hold results against each other at equal SPL whose levels are not alike.

    Raises
    ------
    InputError
        One is in dBFS, is the mean over another band, or was measured too near.
    """
    for name, results in called:
        if any(take.level_unit != "dB SPL" for take in results.takes if take.kind == LADDER):
            raise InputError(words.no_common_level(name))
    bands = [(name, results.conditions.averaged_hz) for name, results in called]
    if aligned == BAND and len({band for _, band in bands}) > 1:
        raise InputError(words.no_common_band(bands))
    (first_name, first), *others = called
    for name, other in others:
        for ours, _ in common_ladders(first, other):
            if math.isinf(level_doubt_db(first, other, ours.position)):
                near = words.near_and_far(ours.position, first_name, name)
                raise InputError(f"{near} Compare at equal drive.")


def _recordings(called: _Called) -> list[str]:
    """Say which results were made of the very same samples."""
    of: dict[frozenset[str], list[str]] = {}
    for name, results in called:
        if results.provenance is not None and results.provenance.recordings:
            checksums = frozenset(file.sha256 for file in results.provenance.recordings)
            of.setdefault(checksums, []).append(name)
    return [words.same_recordings(same) for same in of.values() if len(same) > 1]


def _distances(called: _Called) -> list[str]:
    noted = [(name, results.distance_m_at()) for name, results in called]
    missing = [name for name, distance_m in noted if distance_m is None]
    sentences = [words.distance_not_noted(missing, len(noted))] if missing else []
    first_name, first = called[0]
    alike: dict[tuple[float, float, tuple[str, ...], float], list[str]] = {}
    for name, other in called[1:]:
        common = [ours.position for ours, _ in common_ladders(first, other)]
        moved: dict[tuple[float, float], list[str]] = {}
        for position in common:
            if distances_differ(first, other, position):
                moved.setdefault(two_distances(first, other, position), []).append(position)
        for (at_m, other_m), positions in moved.items():
            shift_db = level_shift_db(first, other, positions[0])
            alike.setdefault((at_m, other_m, tuple(positions), shift_db), []).append(name)
    sentences += [
        words.distances_differ(first_name, names, *distances) for distances, names in alike.items()
    ]
    return sentences


def _temperatures(called: _Called) -> list[str]:
    noted = [(name, results.conditions.temperature_c) for name, results in called]
    known = [(name, value) for name, value in noted if value is not None]
    missing = [name for name, value in noted if value is None]
    sentences = [words.temperature_not_noted(missing, len(noted))] if missing else []
    values = [value for _, value in known]
    if values and max(values) - min(values) >= SAME_TEMPERATURE_K:
        sentences.append(words.temperatures_differ(known))
    return sentences


def _level_bands(called: _Called) -> list[str]:
    bands = [(name, results.conditions.averaged_hz) for name, results in called]
    return [words.level_bands_differ(bands)] if len({band for _, band in bands}) > 1 else []


def _of_ladders(called: _Called) -> list[str]:
    """Say what differs between the ladders at each position that several have."""
    sentences: list[str] = []
    for position in positions_of(called[0][1], LADDER):
        ladders = [(n, first_take(r.takes, position, kind=LADDER), r) for n, r in called]
        takes = [(name, take) for name, take, _ in ladders if take is not None and take.rungs]
        if len(takes) < 2:
            continue
        for value_of, sentence in _OF_A_LADDER:
            values = [(name, value_of(take)) for name, take in takes]
            if not all(_alike(value, values[0][1]) for _, value in values):
                sentences.append(sentence(position, values))
        checksums = {_checksum(r, take.stimulus) for _, take, r in ladders if take is not None}
        if len(checksums - {None}) > 1:
            stimuli = [(name, take.stimulus) for name, take in takes]
            sentences.append(words.stimuli_differ(position, stimuli))
    return sentences


def _alike(one: tuple[float, ...], other: tuple[float, ...]) -> bool:
    """Tell whether numbers are the same to a thousandth, or to what drives are."""
    return len(one) == len(other) and np.allclose(one, other, rtol=1e-3, atol=SAME_DRIVE_DB)


def _band_of(take: Take) -> tuple[float, ...]:
    return tuple(take.band_hz)


def _drives_of(take: Take) -> tuple[float, ...]:
    return tuple(sorted(rung.drive_dbfs for rung in take.rungs))


def _highest_order(take: Take) -> tuple[float, ...]:
    return (float(max((order for rung in take.rungs for order in rung.harmonics), default=1)),)


def _shape_of(take: Take) -> tuple[float, ...]:
    """Return by how much the drive is reduced at most, dB: at the lowest frequency."""
    return (float(np.min(take.drive_shape_db)) if take.drive_shape_db.size else 0.0,)


_OF_A_LADDER: tuple[
    tuple[
        Callable[[Take], tuple[float, ...]],
        Callable[[str, Sequence[tuple[str, tuple[float, ...]]]], str],
    ],
    ...,
] = (
    (_band_of, words.bands_differ),
    (_drives_of, words.drives_differ),
    (_highest_order, words.orders_differ),
    (_shape_of, words.shapes_differ),
)
"""Numbers of a ladder, and the sentence where they differ."""


def _checksum(results: Results, stimulus: str) -> str | None:
    files = [] if results.provenance is None else results.provenance.stimuli
    return next((file.sha256 for file in files if file.name == stimulus), None)


def _calibrations(called: _Called) -> list[str]:
    """Say what levels go by, where that is not one calibration."""
    first = called[0][1]
    pairs = [(other, *pair) for _, other in called[1:] for pair in common_ladders(first, other)]
    if {take.level_unit for _, *pair in pairs for take in pair} == {"dBFS"}:
        return [words.uncalibrated()]
    for other, ours, theirs in pairs:
        both = ours.level_unit == theirs.level_unit == "dB SPL"
        if both and not one_calibration(first, other, ours.position):
            of = [(name, calibration_at(results, ours.position)) for name, results in called]
            return [words.calibrations_differ(of, CALIBRATOR_LIMIT_DB, CALIBRATIONS_DOUBT_DB)]
    return []


def _versions(called: _Called) -> list[str]:
    versions = [
        (name, None if results.provenance is None else results.provenance.version)
        for name, results in called
    ]
    return (
        [words.versions_differ(versions)] if len({version for _, version in versions}) > 1 else []
    )


def _states(called: _Called) -> list[str]:
    """Say which of the compared ladders are not whole, or were recorded with damage."""
    sentences = []
    first = called[0][1]
    for number, (name, results) in enumerate(called):
        if number:
            used = [theirs for _, theirs in common_ladders(first, results)]
        else:
            positions = {
                ours.position for _, r in called[1:] for ours, _ in common_ladders(first, r)
            }
            used = [t for p in positions_of(first, LADDER) if p in positions
                    if (t := first_take(first.takes, p, kind=LADDER)) is not None]  # fmt: skip
        sentences += [words.partial(name, take) for take in used if take.partial]
        sentences += [words.damaged(name, take) for take in used if take.damage]
    return sentences


def _repeats(called: _Called) -> list[str]:
    """Say which measurements tell how well they repeat, or that none does."""
    first = called[0][1]
    positions = dict.fromkeys(
        ours.position for _, other in called[1:] for ours, _ in common_ladders(first, other)
    )
    repeated = [
        (name, position, len(takes), repeats_db(results, results, position))
        for name, results in called
        for position in positions
        if len(takes := repeated_ladders(results, position)) > 1
    ]
    placed = [
        (name, position, found.placements, shared_db(found, FUNDAMENTAL), shared_db(found, "thd"))
        for name, results in called
        for position in positions
        if (found := reproducibility_at(results, position)) is not None
    ]
    if not repeated and not placed:
        return [words.placed_once()]
    said = [words.placed_anew(placed)] if placed else []
    return [*said, words.repeated(repeated)] if repeated else said


def _levels_left_out(called: _Called) -> list[str]:
    """Name the positions whose levels are not compared, and results without intervals."""
    sentences = []
    (first_name, first), *others = called
    for name, other in others:
        for ours, theirs in common_ladders(first, other):
            if ours.level_unit != theirs.level_unit:
                sides = [(first_name, ours.level_unit), (name, theirs.level_unit)]
                sentences.append(words.units_differ(ours.position, sides))
            elif math.isinf(level_doubt_db(first, other, ours.position)):
                sentences.append(words.near_and_far(ours.position, first_name, name))
    without = [
        name
        for name, results in called
        if not any(rung.fundamental_low_db.size for take in results.takes for rung in take.rungs)
    ]
    return [*sentences, words.no_intervals(without)] if without else sentences
