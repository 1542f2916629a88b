"""The one way in: a waveform is played and comes back as a recording."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from distsweep.rehearsal.arrays import FloatArray, frequencies_hz
from distsweep.rehearsal.bench import Bench
from distsweep.rehearsal.loudspeaker import Loudspeaker
from distsweep.rehearsal.radiation import radiate
from distsweep.rehearsal.recorder import record
from distsweep.rehearsal.room import at_microphone, parse_position

# Chosen because the box and every mode of Q 60 above 100 Hz have died down by 60 dB or more.
RING_OUT_S = 0.5


# Long by its description: the one entrance of this room, for readers who know nothing of it.
def measure(
    waveform: ArrayLike,
    *,
    rate_hz: float,
    loudspeaker: Loudspeaker,
    bench: Bench,
    position: str = "axis",
    seed: int = 0,
) -> FloatArray:
    """Recording of a simulated loudspeaker that plays a waveform.

    Parameters
    ----------
    waveform
        What is played, [shape=(n,)], full scale is ±1.0. Any signal; it is preceded and followed by
        silence.
    rate_hz
        Sampling rate of waveform and recording.
    loudspeaker, bench
        What is measured, and where.
    position
        "axis" for the bench's distance on the axis, "axis@30" for 30 degrees to the side, or
        "woofer", "port", "tweeter" for the near field of one.
    seed
        Of noise and hum. The loudspeaker itself has no chance in it.

    Returns
    -------
    ndarray
        The recording, float64, [shape=(m,)]. A sine of peak 1.0 stands for `bench.pascal_per_fs` Pa
        RMS. It is as long as the waveform, plus the bench's `starts_early_s` and `tail_s`, times
        the recorder's clock offset.

    Raises
    ------
    TypeError
        If the waveform is not real numbers.
    ValueError
        If it is empty, not one-dimensional, not finite or beyond ±1.0, if the rate is under
        8000 Hz, or the position unknown.
    NotConvergedError
        If the drive is more than the woofer can follow.

    Examples
    --------
    >>> from distsweep.rehearsal import demo_bench, demo_loudspeaker, measure
    >>> tone = 0.1 * np.sin(2 * np.pi * 1000 * np.arange(4800) / 48000)
    >>> measure(tone, rate_hz=48000, loudspeaker=demo_loudspeaker(), bench=demo_bench()).ndim
    1
    """
    played = _checked_waveform(waveform)
    if not rate_hz >= 8000.0:
        raise ValueError(f"rate_hz is {rate_hz}: it must be at least 8000")
    parse_position(position, loudspeaker, bench)
    # The recorder may run on a slower clock, or hear a reflection late: what it hears must fit.
    tail_s = (bench.tail_s + RING_OUT_S) * (1.0 + abs(bench.clock_offset_ppm) * 1e-6)
    radiation = radiate(loudspeaker, played, rate_hz=float(rate_hz), air=bench.air, tail_s=tail_s)
    spectrum_pa = at_microphone(
        loudspeaker,
        radiation,
        bench,
        position=position,
        frequency_hz=frequencies_hz(radiation.count, rate_hz),
    )
    return record(
        spectrum_pa,
        bench,
        count=radiation.count,
        waveform_samples=played.size,
        rate_hz=float(rate_hz),
        generator=np.random.default_rng(seed),
    )


def _checked_waveform(waveform: ArrayLike) -> FloatArray:
    given = np.asarray(waveform)
    if given.dtype.kind not in "fiu":
        raise TypeError(f"waveform holds {given.dtype}: give real numbers, full scale ±1.0")
    played = given.astype(np.float64)
    if played.ndim != 1 or played.size == 0:
        raise ValueError(f"waveform has the shape {played.shape}: give one channel, not empty")
    if not np.all(np.isfinite(played)):
        raise ValueError("waveform has samples that are not finite: repair it first")
    peak = float(np.max(np.abs(played)))
    if peak > 1.0:
        raise ValueError(f"waveform peaks at {peak:.3f}, beyond full scale (1.0): scale it down")
    return played
