"""Telling from a background whether a sound server has resampled it.

A converter's noise reaches up to half its sample rate: the filters built into converters are
6 dB down there (half-band filters), and pass what lies below 0.45 of the rate. A resampler has to
be far down at half the lower rate, so it begins earlier, or it leaves nothing above: the
background ends as at a wall.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.units import FloatArray, power_to_db

SEGMENT = 1024
"""Samples a Hann-windowed segment: bins of 0.001 of the rate (chosen: a background of half a
second gives 40 segments, and levels within 0.3 dB over a band of 20 bins)."""

BEFORE, GAP, LAST = 0.05, 0.045, 0.495
"""Compared are a band of BEFORE below a place with all from GAP above it to LAST, as fractions
of the rate (chosen so that 0.38 to 0.43 stands against 0.475 to 0.495: a half-band filter is
less than 6 dB down there, PulseAudio's usual resampler from 48 to 44.1 kHz, measured, 22 dB
at least)."""

FIRST, LAST_PLACE, PLACES_APART = 0.15, 0.432, 0.005
"""Where places begin and end, and how far they are apart (chosen: below 0.15 a room's own sound
may fall off as it likes, as rumble and traffic do)."""

WALL_DB = 15.0
"""A drop from which on a background was resampled (chosen: between those two filters, and no room's
sound falls by that within a tenth of the rate and stays down)."""

LEAST_DBFS = -170.0
"""A band of less RMS than this holds nothing but rounding: single precision's is near."""


@dataclass(frozen=True)
class Wall:
    """The steepest end of a background: how far it drops, and up to which frequency it reaches."""

    drop_db: float
    reaches_hz: float


def find_wall(samples: FloatArray, *, rate_hz: float) -> Wall | None:
    """Find where a background drops the most and stays down.

    Parameters
    ----------
    samples : background, shape ``(samples,)``; half a second is enough.

    Returns
    -------
    None where there is too little, or nothing but digital silence.
    """
    density = _density(samples)
    if density is None:
        return None
    fraction = np.arange(len(density)) / SEGMENT
    best = Wall(-np.inf, 0.0)
    for place in np.arange(FIRST, LAST_PLACE, PLACES_APART):
        before = density[(fraction >= place - BEFORE) & (fraction < place)]
        after = density[(fraction >= place + GAP) & (fraction < LAST)]
        level = float(np.median(before))  # a tone, hum or a switched supply, is no background
        if float(power_to_db(max(2.0 * level * len(before) / SEGMENT, 1e-30))) < LEAST_DBFS:
            continue
        # Wherever it goes on above the place, in a band of 8 bins, there is no wall.
        bands = np.median(after[: len(after) // 8 * 8].reshape(-1, 8), axis=1)
        drop_db = float(power_to_db(level / max(float(np.max(bands)), 1e-30)))
        if drop_db > best.drop_db:
            best = Wall(drop_db, float(place) * rate_hz)
    return best


def resampling_warning(samples: FloatArray, *, rate_hz: float) -> str | None:
    """Return one line where a background ends as a resampled one does; else None.

    It tells of the input. An output that is resampled by the same server shows here as well;
    one behind another server does not, nor does a background hidden under 16-bit steps.
    """
    wall = find_wall(samples, rate_hz=rate_hz)
    if wall is None or wall.drop_db < WALL_DB:
        return None
    return (
        f"the background noise drops by {wall.drop_db:.0f} dB above"
        f" {wall.reaches_hz / 1000.0:.1f} kHz:"
        f" a sound server seems to resample, and what lies near there, harmonics too, is wrong;"
        f" set the server and the device to {rate_hz:g} Hz, or write the stimulus at their rate"
    )


def _density(samples: FloatArray) -> FloatArray | None:
    """Return the mean square a bin, averaged over half-overlapping segments."""
    starts = range(0, len(samples) - SEGMENT + 1, SEGMENT // 2)
    if len(starts) < 8 or not np.any(samples):
        return None
    window = np.hanning(SEGMENT + 1)[:-1]
    total = np.zeros(SEGMENT // 2 + 1)
    for start in starts:
        total += np.abs(np.fft.rfft(window * samples[start : start + SEGMENT])) ** 2
    return total / (len(starts) * SEGMENT * float(np.sum(window**2)) / 2.0)
