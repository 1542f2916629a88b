"""Whether the bursts of a tone start and end when they should, whatever their level.

The level is followed in windows of a few periods. An edge stands where it passes a share of the
burst's own level. Rooms blur an edge, and limiters bend what lies between two; neither makes a
tone go on unchanged where it should step.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from distsweep.analysis.cut import CutBurst, CutTone
from distsweep.analysis.tone.track import ToneTrack
from distsweep.units import FloatArray

LEAST_CONTRAST_DB = 3.0
"""A burst so far above the level between bursts has edges that can be looked for (chosen: RISES_AT
and FALLS_AT lie clear of the rest then)."""

TRACK_S, TRACK_PERIODS = 0.012, 3
"""Least length of the windows in which the level is followed (chosen: a fifth of
what an edge may be late, so that half a window does not matter)."""

RISES_AT, FALLS_AT = 0.6, 0.75
"""A burst starts where its amplitude passes the first, and ends where it passes the second, re
that of its later half, or half-way to the rest where that is higher (chosen: a reverberation of
1 s falls to 0.75 within 40 ms)."""

NO_REST, SURE_CONTRAST_DB = 0.7, 20.0
"""Where the drive falls by the second and no moment of the rest is softer than the first, re the
burst, there is no rest: another stimulus sounds (chosen: a reverberation of 2 s falls to 0.36 in
0.3 s; a limiter recovers, but not at once)."""

EARLY_S, LATE_S = 0.010, 0.060
"""How much too early or too late an edge may be, besides half the track's window (chosen: rooms
delay what ends, nothing makes it end early)."""

REVERBERANT_S, UNCHANGED = 0.150, 0.1
"""So late a burst may start or end where its complex amplitude changes by the second at its time
(chosen: where a reverberation of 0.8 s is 3 dB louder than the direct sound, that takes 110 ms)."""


def rest_after(tone: CutTone, burst: CutBurst) -> tuple[float, float] | None:
    """Return where the rest after a burst starts and ends; None where none was recorded."""
    later = [other.start for other in tone.bursts if other.start > burst.start]
    if not later or min(later) - burst.end < 2.0:
        return None
    return burst.end, min(later)


def _rest_before(tone: CutTone, burst: CutBurst) -> tuple[float, float] | None:
    earlier = [other.end for other in tone.bursts if other.start < burst.start]
    if not earlier or burst.start - max(earlier) < 2.0:
        return None
    return max(earlier), burst.start


def amplitudes(track: ToneTrack, first: float, last: float, width: float) -> FloatArray:
    """Return the amplitude in windows whose centres lie from ``first`` to ``last``."""
    centres = np.arange(first, last, max(1.0, width / 8.0))
    found = np.abs(track.amplitude(centres, width))
    return np.asarray(found[np.isfinite(found)])


def edges_fit(tone: CutTone, judged: Sequence[CutBurst]) -> bool | None:
    """Tell whether half of the bursts or more start and end when they should."""
    late_s: tuple[list[float], list[float]] = ([], [])
    for burst in judged:
        contrast_db = burst.drive_dbfs - tone.rests_at_dbfs
        if contrast_db >= LEAST_CONTRAST_DB:
            for found, late in zip(late_s, _late_s(tone, burst, contrast_db), strict=True):
                if late is not None:
                    found.append(late)
    fitting = [[-EARLY_S <= late <= LATE_S for late in found] for found in late_s if found]
    return all(2 * sum(fits) >= len(fits) for fits in fitting) if fitting else None


def _late_s(
    tone: CutTone, burst: CutBurst, contrast_db: float
) -> tuple[float | None, float | None]:
    """Return by how much a burst's start and end are late; None where that is not clear.

    What half the track's window may do to it is taken off.
    """
    before, after = _rest_before(tone, burst), rest_after(tone, burst)
    first = int(burst.start if before is None else before[0])
    last = int(burst.end if after is None else after[1])
    track = ToneTrack(tone.signal[first:last], frequency_hz=tone.recorded_hz, rate_hz=tone.rate_hz)
    width = track.width(max(TRACK_S * tone.rate_hz, TRACK_PERIODS * track.period))
    start, end = burst.start - first, burst.end - first
    middle = 0.5 * (start + end)
    steady = amplitudes(track, middle, end - 0.5 * width, width)
    if not len(steady):
        return None, None
    reference = float(np.median(steady))
    late: list[float | None] = []
    for rest, edge, threshold in ((before, start, RISES_AT), (after, end, FALLS_AT)):
        if rest is None:
            late.append(None)
            continue
        resting = amplitudes(track, rest[0] - first, rest[1] - first, width)
        softest = float(np.min(resting / reference, initial=np.inf))
        far = 0.5 * (rest[0] + rest[1]) - first
        level = max(threshold, 0.5 * (1.0 + softest)) * reference
        place = _edge(track, middle, far, level, width)
        by = max(0.0, abs(place - edge) - 0.5 * width) / tone.rate_hz
        goes_on = _goes_on(track, edge, width, outward=1.0 if rest is after else -1.0)
        if softest > NO_REST or abs(place - far) <= width / 8.0:
            # No step before the rest's middle: one of few decibels drowns in reverberation.
            sure = goes_on or contrast_db >= SURE_CONTRAST_DB
            late.append(np.inf if sure else None)
        elif LATE_S < by <= REVERBERANT_S and place > edge and not goes_on:
            late.append(LATE_S)
        else:
            late.append(by if place > edge else -by)
    return late[0], late[1]


def _goes_on(track: ToneTrack, edge: float, width: float, *, outward: float) -> bool:
    """Tell whether a tone is the same, in amplitude and phase, on both sides of an edge.

    In a room that reverberates, the direct sound is missing after the end. ``outward`` is 1 at
    a burst's end, −1 at its start.
    """
    inside = track.amplitude(np.array([edge - 0.5 * outward * width]), width)[0]
    outside = track.amplitude(edge + outward * width * np.array([0.75, 1.25, 1.75]), width)
    return bool(np.all(np.abs(outside - inside) <= UNCHANGED * np.abs(inside)))


def _edge(track: ToneTrack, middle: float, far: float, threshold: float, width: float) -> float:
    """Return where, on the way from a burst's middle to that of a rest, the level falls.

    It is where the sum of (amplitude − threshold) from the middle on is largest: a single dip
    or peak does not move it.
    """
    step = max(1.0, width / 16.0)
    centres = np.arange(middle, far, step if far > middle else -step)
    above = np.abs(track.amplitude(centres, width)) - threshold
    return float(centres[int(np.argmax(np.nancumsum(above)))])
