"""The microphone's correction: two numbers a line, read from a file and interpolated."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from distsweep.errors import InputError
from distsweep.units import FloatArray

LARGEST_TOP_KHZ = 100.0
"""A file that ends above is not in kHz (chosen: a recording at 192 kHz holds up to 96 kHz)."""

LARGEST_HZ, LARGEST_DEVIATION_DB = 1e9, 300.0
"""What is larger is no frequency, and no microphone's deviation (chosen: a correction of sound
stays far below)."""

USUAL_TOP_KHZ = 40.0
"""A file that ends no higher is taken to be in kHz (chosen: usual microphones reach no further;
a correction in Hz that ends there would be of no use)."""


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

    @property
    def largest(self) -> tuple[float, float]:
        """Frequency in Hz of the largest deviation, of either sign, and that in dB."""
        at = int(np.argmax(np.abs(self.deviation_db)))
        return float(self.frequency_hz[at]), float(self.deviation_db[at])


def no_correction(frequency_hz: FloatArray) -> FloatArray:
    """Return zeros: the microphone is taken as flat."""
    return np.zeros_like(frequency_hz)


def read_correction(path: Path) -> MicCorrection:
    """Read a correction file.

    A line that does not begin with a number is a remark; a third number, the phase, is read
    and not used. See `distsweep.takes.correction_text` for decimal marks and separators.

    Raises
    ------
    InputError
        The file is missing, a line that begins with a number is not two or three of them or can
        be read in two ways, there are fewer than two points, or the frequencies do not rise.
    """
    from distsweep.takes.correction_text import decode, read_points

    try:
        data = path.read_bytes()
    except OSError as error:
        raise InputError(
            f"{path}: the microphone's correction cannot be read ({error.strerror}): correct"
            " mic_correction in session.toml"
        ) from error
    points = read_points(path, decode(data))
    if len(points) < 2:
        raise InputError(
            f"{path}: holds {len(points)} point(s), two or more are needed, each on a line that"
            " begins with its frequency"
        )
    if points[0].frequency_hz <= 0.0:
        raise InputError(
            f"{path}, line {points[0].line.number}: frequencies must be above 0 and rise from line"
            " to line"
        )
    for before, point in itertools.pairwise(points):
        if point.frequency_hz <= before.frequency_hz:
            raise InputError(
                f"{path}, line {point.line.number}: {point.frequency_hz:g} Hz follows"
                f" {before.frequency_hz:g} Hz: frequencies must be above 0 and rise from line to"
                " line, each once"
            )
    frequency_hz = np.array([point.frequency_hz for point in points])
    deviation_db = np.array([point.deviation_db for point in points])
    sizes = np.abs([frequency_hz, deviation_db])
    if not np.all(sizes <= [[LARGEST_HZ], [LARGEST_DEVIATION_DB]]):
        raise InputError(f"{path}: holds a number too large to be one: correct it")
    first, last = frequency_hz[0], frequency_hz[-1]
    if last <= USUAL_TOP_KHZ or (first < 1.0 and last < LARGEST_TOP_KHZ):
        raise InputError(
            f"{path}: ends at {frequency_hz[-1]:g} Hz: is it in kHz? write frequencies in Hz"
        )
    return MicCorrection(frequency_hz, deviation_db)
