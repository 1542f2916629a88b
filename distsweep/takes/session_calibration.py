"""How loud full scale is, and the microphone's correction: read from a ``session.toml``."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from distsweep.errors import InputError
from distsweep.takes.correction import MicCorrection, no_correction, read_correction
from distsweep.toml_input import LARGEST, Table
from distsweep.units import FloatArray, pascal_to_spl_db

UNCALIBRATED = "none"
"""Written as a take's calibration: its levels are in dBFS, whatever the session's."""


@dataclass(frozen=True)
class Calibration:
    """RMS pressure in Pa of a 0 dBFS sine, if known, and the microphone's correction."""

    pascal_per_fs: float | None = None
    source: str | None = None
    mic: MicCorrection | None = None
    mic_correction_file: str | None = None

    @property
    def correction_db(self) -> Callable[[FloatArray], FloatArray]:
        """The microphone's deviation in dB as a function of frequencies in Hz."""
        return no_correction if self.mic is None else self.mic.at

    @property
    def level_unit(self) -> str:
        """Unit of every level of this session."""
        return "dBFS" if self.pascal_per_fs is None else "dB SPL"

    @property
    def level_offset_db(self) -> float:
        """Level of a 0 dBFS sine in the session's unit."""
        return 0.0 if self.pascal_per_fs is None else float(pascal_to_spl_db(self.pascal_per_fs))


def read_calibration(table: Table, file: Path, *, required: bool) -> Calibration:
    """Return the calibration of a session; ``required``: a file that is named must be readable.

    Raises
    ------
    InputError
        The table's keys or values, or a file that it names, cannot be used.
    """
    inner = Table(table.take("calibration", {}), f"{table.where}: [calibration]")
    if inner.has("pascal_per_fs") and inner.has("file"):
        inner.fail("pascal_per_fs", "and file are both given: keep one")
    pascal_per_fs = inner.number("pascal_per_fs", None, above=0.0)
    source = None if pascal_per_fs is None else "session.toml"
    if inner.has("file"):
        source = inner.text("file")
        try:
            pascal_per_fs = _pascal_per_fs(file.parent / source)
        except InputError:
            if required:
                raise
    correction = inner.text("mic_correction", None)
    inner.close()
    return Calibration(
        pascal_per_fs=pascal_per_fs,
        source=source,
        mic=None if correction is None else read_correction(file.parent / correction),
        mic_correction_file=correction,
    )


def _pascal_per_fs(path: Path) -> float:
    try:
        data: Any = json.loads(path.read_text(encoding="utf-8"))
        value = data["pascal_per_fs"]
    except OSError as error:
        raise InputError(
            f"{path}: calibration cannot be read ({error.strerror}): put it back, correct its"
            ' name in session.toml, or write calibration = "none" in a take that has none'
        ) from error
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise InputError(f"{path}: holds no pascal_per_fs: calibrate again") from error
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0.0 < value <= LARGEST:
        raise InputError(f"{path}: pascal_per_fs is {value!r}: must be a number above 0")
    return float(value)


def own_calibration(inner: Table, file: Path, common: Calibration) -> Calibration | None:
    """Return the calibration that a take names; the microphone's correction is the session's.

    Raises
    ------
    InputError
        Its file cannot be used.
    """
    if not inner.has("calibration"):
        return None
    source = inner.text("calibration")
    if source == UNCALIBRATED:
        return replace(common, pascal_per_fs=None, source=None)
    pascal_per_fs = _pascal_per_fs(file.parent / source)
    return replace(common, pascal_per_fs=pascal_per_fs, source=source)
