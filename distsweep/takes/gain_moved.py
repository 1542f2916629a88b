"""A gain that moved while a file was played: its two markers are equally loud, or were to be.

Start and end marker leave at one level and pass through the same loudspeaker, room and input.
By how much the second is heard louder or softer is by how much something changed in between.
What it was, the markers alone do not tell; and a gain that was moved and moved back before the
end marker is not seen here at all.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from distsweep.fast_length import fast_length
from distsweep.stimulus.marker import Marker
from distsweep.stimulus.sidecar import StimulusFile
from distsweep.takes.placement import Placement
from distsweep.takes.recording import Recording
from distsweep.units import power_to_db, ratio_to_db

WORTH_A_WORD_DB = 1.0
"""A change that exceeds its doubt by this is reported (a requirement of capture)."""

HOT_COIL_DB = 3.0
"""Most by which a hot voice coil makes a loudspeaker softer (chosen: copper doubles its resistance,
6 dB at a constant voltage, at 250 K above the room, which few coils survive; half of it is
reached by loud sweeps)."""

PEAK_WITHIN_S = 0.005
"""Reach to both sides of the marker's place in which the correlation's peak is sought (chosen: the
place is known to a fraction of a millisecond)."""

NOISE_FROM_S, NOISE_TO_S = 0.06, 0.015
"""Between these times before the marker's place its correlation holds noise and the chirp's own
side lobes only (chosen: nothing has arrived yet)."""

DOUBT_SIGMAS = 4.0
"""Standard deviations of the noise that make the doubt (chosen: they are themselves known from
a twentieth of a second only; of 125 simulated rooms two exceeded three, none exceeded four)."""

AFTER_MARKER_S, LEAST_QUIET_S = 0.3, 0.1
"""The background after the end marker is taken from the first on, if the second is left of it
(chosen: the room has died away by then)."""

BACKGROUND_FROM_DB, BACKGROUND_LIKE = 4.0, 0.35
"""The background is compared where the change is the first or more; it moved along where it changed
by the same within the second, a share of it (chosen: quiet rooms differ by 1 or 2 dB from second
to second)."""


@dataclass(frozen=True)
class MarkerChange:
    """By how much a file's end marker is heard louder than its start marker.

    Attributes
    ----------
    recording : the recording's file name.
    change_db : level of the end marker re the start marker.
    doubt_db : four standard deviations of what noise does to it.
    with_background : the background changed by about as much, so that it is the input's gain.
        False where it did not, or where that cannot be told.
    """

    recording: str
    change_db: float
    doubt_db: float
    with_background: bool

    @property
    def sure_db(self) -> float:
        """How large the change is at least, whatever its sign; 0 within the doubt."""
        return max(0.0, abs(self.change_db) - self.doubt_db)

    @property
    def worth_a_word(self) -> bool:
        """Whether something moved for sure, and by enough to be said."""
        return self.sure_db >= WORTH_A_WORD_DB

    @property
    def cause(self) -> str:
        """What may have moved, and no more than the markers tell.

        "input": its gain; "gain": at the input or in the loudspeaker; "gain_or_heat": or the
        voice coil grew hot.
        """
        if self.with_background:
            return "input"
        return "gain_or_heat" if -HOT_COIL_DB <= self.change_db < 0.0 else "gain"


def marker_change(
    recording: Recording, *, marker: Marker, file: StimulusFile, placement: Placement
) -> MarkerChange | None:
    """Compare a file's two markers; None where one of them was not found."""
    if placement.markers != "both":
        return None
    peaks, doubts = [], []
    for played in (file.start_marker_sample, file.end_marker_sample):
        peak, noise = _heard(recording, marker, round(placement.at(played)))
        if peak <= 0.0:
            return None
        peaks.append(peak)
        doubts.append(noise / peak)
    change_db = float(ratio_to_db(peaks[1] / peaks[0]))
    return MarkerChange(
        recording=recording.path.name,
        change_db=change_db,
        doubt_db=float(ratio_to_db(1.0 + DOUBT_SIGMAS * math.hypot(*doubts))),
        with_background=_background_moved(recording, marker, file, placement, change_db),
    )


def _heard(recording: Recording, marker: Marker, place: int) -> tuple[float, float]:
    """Return the peak of the correlation with a marker, and the RMS of what precedes it."""
    chirp = marker.waveform(rate_hz=recording.rate_hz)
    early, near, late = (
        round(s * recording.rate_hz) for s in (NOISE_FROM_S, NOISE_TO_S, PEAK_WITHIN_S)
    )
    first = place - early
    stretch = np.zeros(len(chirp) + early + late)
    inside = recording.samples[max(first, 0) : max(first + len(stretch), 0)]
    stretch[max(-first, 0) : max(-first, 0) + len(inside)] = inside
    length = fast_length(len(stretch))
    spectrum = np.fft.rfft(stretch, length) * np.conj(np.fft.rfft(chirp, length))
    correlation = np.fft.irfft(spectrum, length)[: early + late]
    peak = float(np.max(np.abs(correlation[early - late :])))
    return peak, float(np.sqrt(np.mean(correlation[: early - near] ** 2)))


def _background_moved(
    recording: Recording,
    marker: Marker,
    file: StimulusFile,
    placement: Placement,
    change_db: float,
) -> bool:
    """Tell whether the background changed by about as much as the markers did."""
    if abs(change_db) < BACKGROUND_FROM_DB:
        return False
    first, last = (max(0, round(placement.at(s))) for s in file.quiet_samples)
    after = round(placement.at(file.end_marker_sample + marker.samples))
    after += round(AFTER_MARKER_S * recording.rate_hz)
    before, behind = recording.samples[first:last], recording.samples[after:]
    if min(len(before), len(behind)) < LEAST_QUIET_S * recording.rate_hz:
        return False
    # Differences of neighbouring samples: the slow, restless part of a room's noise is left out.
    powers = [float(np.mean(np.diff(part) ** 2)) for part in (before, behind)]
    if min(powers) <= 0.0:
        return False
    return abs(float(power_to_db(powers[1] / powers[0])) - change_db) < BACKGROUND_LIKE * abs(
        change_db
    )
