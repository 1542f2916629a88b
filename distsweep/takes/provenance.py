"""Where a session's results come from: version, date, settings, and checksums of what was read."""

from __future__ import annotations

import hashlib
import os
import time
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from distsweep.errors import InputError
from distsweep.results import Provenance, SourceFile
from distsweep.takes.played import read_played
from distsweep.takes.session import Session
from distsweep.takes.session_takes import BACKGROUND, BackgroundEntry, TakeEntry
from distsweep.takes.sound_file import sample_sha256
from distsweep.version import VERSION

SOURCE_DATE_EPOCH = "SOURCE_DATE_EPOCH"
"""Environment variable that sets the date, in seconds since 1970, so that the same input gives the
same bytes (reproducible-builds.org, "SOURCE_DATE_EPOCH specification", 1.1)."""

ELSEWHERE = "elsewhere"
"""Folder of a bundle for files that did not lie in the session's."""


def provenance_of(session: Session) -> Provenance:
    """Return version, date, settings and checksums of a session that was analysed now.

    A recording that its take's analysis has read whole is not read again.

    Raises
    ------
    InputError
        A file cannot be read, or the date that the environment sets is none.
    """
    recordings = unique(path for entry in session.entries for path in entry.recordings)
    stimuli = unique(entry.stimulus for entry in session.takes)
    return Provenance(
        version=VERSION,
        created=created_now(),
        settings=_settings(session),
        recordings=[SourceFile(name_of(session, path), sample_sha256(path)) for path in recordings],
        stimuli=[SourceFile(name_of(session, path), file_sha256(path)) for path in stimuli],
    )


def created_now() -> str:
    """Return the date and time in UTC, to a second, as ISO 8601 has it.

    Raises
    ------
    InputError
        ``SOURCE_DATE_EPOCH`` is set, and is no number of seconds.
    """
    given = os.environ.get(SOURCE_DATE_EPOCH)
    try:
        seconds = time.time() if given is None else int(given)
        return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(seconds))
    except (ValueError, OverflowError, OSError) as error:
        raise InputError(
            f"{SOURCE_DATE_EPOCH} is {given!r}: must be whole seconds since 1970; correct it, or"
            " unset it"
        ) from error


def name_of(session: Session, path: Path) -> str:
    """Return a file's name in a session: its path inside the folder, elsewhere its bare name."""
    inside = inside_session(session, path)
    return path.name if inside is None or inside.parts[0] == ELSEWHERE else inside.as_posix()


def inside_session(session: Session, path: Path) -> Path | None:
    """Return a file's path from the session's folder; None where it lies elsewhere."""
    if not path.is_relative_to(session.folder):
        return None
    inside = path.relative_to(session.folder)
    return None if ".." in inside.parts or not inside.parts else inside


def file_sha256(path: Path) -> str:
    """Return the SHA-256 of a file's bytes.

    Raises
    ------
    InputError
        It cannot be read.
    """
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}): check the path") from error


def unique(paths: Iterable[Path]) -> list[Path]:
    """Return each path once, in order."""
    return list(dict.fromkeys(paths))


def _settings(session: Session) -> dict[str, Any]:
    """Return what numbers depend on beside the recordings; what was not given is left out."""
    conditions, device, calibration = session.conditions, session.device, session.calibration
    given: dict[str, Any] = {
        "level_band_hz": list(conditions.averaged_hz),
        "temperature_c": conditions.temperature_c,
        "distance_m": conditions.distance_m,
        "listener_distance_m": conditions.listener_distance_m,
        "cabinet_mm": None if device.cabinet_mm is None else list(device.cabinet_mm),
        "port_mm": device.port_mm,
        "levels_spl": list(session.levels_spl_db) or None,
    }
    if calibration.mic_correction_file is not None:
        path = session.folder / calibration.mic_correction_file
        given["mic_correction"] = {"name": name_of(session, path), "sha256": file_sha256(path)}
    given["takes"] = [
        *(_take_settings(session, entry) for entry in session.takes),
        *(_background_settings(session, entry) for entry in session.backgrounds),
    ]
    return _without_none(given)


def _take_settings(session: Session, entry: TakeEntry) -> dict[str, Any]:
    calibration, recipe = session.calibration_of(entry), read_played(entry.stimulus).recipe
    return _without_none(
        {
            "position": entry.position,
            "stimulus": name_of(session, entry.stimulus),
            "recordings": [name_of(session, path) for path in entry.recordings],
            "channel": entry.channel,
            "number": entry.number,
            "partial": entry.partial or None,
            "placement": entry.placement,
            "loopback_channel": entry.loopback_channel,
            "distance_m": entry.distance_m,
            "order": recipe.order,
            "band_hz": list(recipe.band_hz),
            "calibration": calibration.source,
            "pascal_per_fs": calibration.pascal_per_fs,
        }
    )


def _background_settings(session: Session, entry: BackgroundEntry) -> dict[str, Any]:
    calibration = session.calibration_of(entry)
    return _without_none(
        {
            "kind": BACKGROUND,
            "position": entry.position,
            "state": entry.state,
            "recordings": [name_of(session, path) for path in entry.recordings],
            "channel": entry.channel,
            "distance_m": entry.distance_m,
            "calibration": calibration.source,
            "pascal_per_fs": calibration.pascal_per_fs,
        }
    )


def _without_none(given: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in given.items() if value is not None}
