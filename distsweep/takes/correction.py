"""The microphone's correction file: two numbers a line, anything else a remark."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from distsweep.errors import InputError
from distsweep.units import FloatArray

_REMARK = re.compile(r"""^[#*;"'A-Za-z]""")
_SEPARATORS = re.compile(r"[\s,;]+")


@dataclass(frozen=True)
class MicCorrection:
    """A microphone's deviation from flat, both arrays of shape ``(N,)``, frequency rising."""

    frequency_hz: FloatArray
    deviation_db: FloatArray

    def at(self, frequency_hz: FloatArray) -> FloatArray:
        """Return the deviation in dB, linear over log frequency, constant past the ends."""
        return np.asarray(
            np.interp(np.log(frequency_hz), np.log(self.frequency_hz), self.deviation_db)
        )


def no_correction(frequency_hz: FloatArray) -> FloatArray:
    """Return zeros: the microphone is taken as flat."""
    return np.zeros_like(frequency_hz)


def read_correction(path: Path) -> MicCorrection:
    """Read a correction file.

    Lines that start with ``#``, ``*``, ``;``, a letter or a quotation mark are remarks; a
    third number, the phase, is read and not used.

    Raises
    ------
    InputError
        The file is missing, or a line is neither numbers nor a remark, or it has fewer than
        two points, or the frequencies do not rise.
    """
    try:
        text = path.read_text(encoding="utf-8-sig", errors="replace")
    except OSError as error:
        raise InputError(
            f"{path}: the microphone's correction cannot be read ({error.strerror}): correct"
            " mic_correction in session.toml"
        ) from error
    points = []
    for number, written in enumerate(text.splitlines(), start=1):
        line = written.strip()
        if not line or _REMARK.match(line):
            continue
        points.append(_point(path, number, line))
    if len(points) < 2:
        raise InputError(f"{path}: holds {len(points)} point(s), two or more are needed")
    frequency_hz, deviation_db = np.array(points).T
    if frequency_hz[0] <= 0.0 or np.any(np.diff(frequency_hz) <= 0.0):
        raise InputError(f"{path}: frequencies must be above 0 and rise from line to line")
    return MicCorrection(frequency_hz, deviation_db)


def _point(path: Path, number: int, line: str) -> tuple[float, float]:
    fields = [field for field in _SEPARATORS.split(line) if field]
    try:
        values = [float(field) for field in fields]
    except ValueError:
        values = []
    if not 2 <= len(values) <= 3 or not np.all(np.isfinite(values)):
        raise InputError(
            f"{path}, line {number}: {line[:40]!r} is not 'frequency_hz deviation_db':"
            " put # before remarks"
        )
    return values[0], values[1]
