"""What was too loud: what was played, only louder, or something else in the room.

Decided after the stop, from the recording around it and the wave that should have been heard:
by the share of the recording's energy that this wave explains, whatever its gain and phase.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import scipy.fft

from distsweep.capture.response import Response, find_arrival
from distsweep.capture.watch import Stop
from distsweep.units import FloatArray

BEFORE_S, AFTER_S = (0.02, 0.005), 0.015
"""The recording is compared from each of the first two before the stop until the last after it. The
better comparison counts, because what is too loud may have begun only just before the stop. The
fade arrives later than that, by the whole round trip."""

ALIKE_SHARE = 0.5
"""From this share on the cause is what was played (chosen: a gain raised by the 6 dB that stop
a rung explains nine tenths and more, noise as loud as those leaves a quarter or less)."""

SEARCHED_S = 0.1
"""Where the marker was not found, this much of the recording before the stop is looked for in what
was played (chosen: a quarter of a marker; noise then matches a tenth of its energy at the very
best)."""

MARGIN_S = 0.1
"""The wave's quadrature is computed over this much more on both sides: it is wrong at its ends."""


def with_cause(
    stop: Stop | None,
    recorded: FloatArray,
    wave: FloatArray,
    *,
    response: Response | None,
    marker_samples: int,
    marker_at: int,
    arrival: int | None,
    sweep_at: int,
    rate_hz: float,
) -> Stop | None:
    """Add to a stop of kind "loud" what it was that was too loud; others come back as they are.

    Parameters
    ----------
    recorded : what the microphone heard, stop and fade included, shape ``(R,)``.
    wave : what was played, shape ``(S,)``.
    response : turns it into what should have been heard; None: the wave itself will do.
    marker_samples : length of the marker.
    marker_at, sweep_at : first samples of marker and sweep in ``wave``.
    arrival : recorded sample at which the marker arrived; None where it was not found.
    """
    if stop is None or stop.kind != "loud" or stop.sample is None:
        return stop
    expected = wave if response is None else response.predict(wave)
    if arrival is None:
        share = _share_at_any_delay(stop.sample, recorded, expected, rate_hz=rate_hz)
    else:
        share = _share(
            stop.sample,
            recorded,
            expected,
            delay=arrival - marker_at,
            marker=(arrival, arrival + marker_samples),
            sweep_at=arrival - marker_at + sweep_at,
            rate_hz=rate_hz,
        )
    cause = (
        f", and {100.0 * share:.0f} % of it is what was played: was a gain raised?"
        if share >= ALIKE_SHARE
        else f", but only {100.0 * share:.0f} % of it is what was played: something else sounds in"
        " the room, or the loudspeaker makes a noise of its own"
    )
    return dataclasses.replace(stop, message=f"{stop.message}{cause}")


def _share_at_any_delay(
    stop: int, recorded: FloatArray, expected: FloatArray, *, rate_hz: float
) -> float:
    """Return the share that is explained where nothing has shown yet how late it is heard."""
    last = min(stop + round(AFTER_S * rate_hz), len(recorded))
    heard = recorded[max(0, last - round(SEARCHED_S * rate_hz)) : last]
    _, match = find_arrival(expected[:last], heard)
    return match**2


def _share(
    stop: int,
    recorded: FloatArray,
    expected: FloatArray,
    *,
    delay: int,
    marker: tuple[int, int],
    sweep_at: int,
    rate_hz: float,
) -> float:
    """Return the largest share of the recording around the stop that is explained."""
    last = stop + round(AFTER_S * rate_hz)
    stretches = [(stop - round(before_s * rate_hz), last) for before_s in BEFORE_S]
    if marker[1] <= stop < sweep_at:
        # The marker is judged some time after it has passed: the louder of the two is meant.
        now, then = (float(np.mean(recorded[a:b] ** 2)) for a, b in (stretches[0], marker))
        if then > now:
            stretches = [marker]
    return max(
        _explained(recorded, expected, first, last, delay=delay, rate_hz=rate_hz)
        for first, last in stretches
    )


def _explained(
    recorded: FloatArray, expected: FloatArray, first: int, last: int, *, delay: int, rate_hz: float
) -> float:
    """Return the share of ``recorded[first:last]`` that a wave and its quadrature explain."""
    margin = round(MARGIN_S * rate_hz)
    first, last = max(first, delay, 0), min(last, len(recorded), delay + len(expected))
    if last - first < 2:
        return 0.0
    outer = max(first - margin, delay), min(last + margin, delay + len(expected))
    wave = expected[outer[0] - delay : outer[1] - delay]
    inside = slice(first - outer[0], last - outer[0])
    basis = np.stack([wave[inside], _quadrature(wave)[inside]], axis=1)
    heard = recorded[first:last]
    energy = float(np.dot(heard, heard))
    if energy <= 0.0 or not np.any(basis):
        return 0.0
    rest = heard - basis @ np.linalg.lstsq(basis, heard, rcond=None)[0]
    return max(0.0, 1.0 - float(np.dot(rest, rest)) / energy)


def _quadrature(wave: FloatArray) -> FloatArray:
    """Return the wave with every component 90° later (its Hilbert transform)."""
    length = scipy.fft.next_fast_len(2 * len(wave), real=True)
    return np.asarray(scipy.fft.irfft(-1j * scipy.fft.rfft(wave, length), length)[: len(wave)])
