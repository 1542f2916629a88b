"""The loudspeaker's own noise, from recordings with it on and off.

The power that a microphone hears with the loudspeaker on is H + R, of its hiss and of all else: the
room, the microphone, the interface. With it off it is R, of another moment. The hiss is steady, a
room is not: the differences Dᵢ = Pᵢ(on) − Pᵢ(off) of n pairs scatter about H, and the 95 % interval
of their mean is D̄ ± t·s/√n, with their standard deviation s and Student's t of n − 1 degrees of
freedom (Student 1908). Where it reaches zero or below, the hiss is "at most" its upper end. As no
hiss is below nothing, the upper end counts from zero where D̄ is negative.

Two bounds are known besides. In the treble, where rooms are quiet, hiss stands clear that the room
hides in the A-weighted sum: the hiss is at least that of the treble alone. And it is at most what
any of the recordings with the loudspeaker on holds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from distsweep.analysis.noise.third_octave_levels import NoiseLevels
from distsweep.analysis.third_octave import exact_hz
from distsweep.analysis.weighting import a_weighting_db
from distsweep.units import BoolArray, FloatArray, db_to_power

LEAST_PAIRS = 3
"""Pairs from which on their spread gives an interval (chosen: two have one degree of freedom, whose
t is 12.7)."""

TREBLE_HZ = 2500.0
"""Nominal middle of the third from which on the treble is summed by itself (chosen: about half an
octave above the crossover of small two-way loudspeakers; a noise of even density has four fifths
of its A-weighted power from there up)."""

BEYOND_AN_END = 0.025
"""Share of cases beyond one end of a 95 % interval (contract)."""

MOST_MISSED = BEYOND_AN_END / 10.0
"""Share of cases in which the hiss may be more than the quietest recording with the loudspeaker on
tells (chosen: a tenth of what Student's interval misses at its upper end, so that both together
miss hardly more than that one)."""


@dataclass(frozen=True, eq=False)
class HissPower:
    """The power of the hiss and its interval, re a full-scale sine; a power of 0 is "at most".

    Attributes
    ----------
    pairs : how many pairs it comes from.
    a_weighted, a_weighted_low, a_weighted_high : of the A-weighted sum.
    power, low, high : in each third of an octave, shape ``(B,)``.
    there : which thirds are known to hold hiss, of all of them together, shape ``(B,)``.
    frequency_hz : nominal midband frequencies, shape ``(B,)``.
    """

    pairs: int
    frequency_hz: FloatArray
    a_weighted: float
    a_weighted_low: float
    a_weighted_high: float
    power: FloatArray
    low: FloatArray
    high: FloatArray
    there: BoolArray


def hiss_power(on: Sequence[NoiseLevels], off: Sequence[NoiseLevels]) -> HissPower:
    """Return the loudspeaker's own noise from pairs of recordings.

    Parameters
    ----------
    on, off : levels of recordings of one rate, at least one with the loudspeaker on; the n-th ones
        belong together. One without a counterpart tells only what the hiss is at most.

    Notes
    -----
    What the room does between the recordings of a pair must not favour one state: alternate them.
    """
    pairs = min(len(on), len(off))
    on_powers, off_powers = _powers(on), _powers(off)
    degrees = np.array([[*one.degrees, one.a_weighted_degrees] for one in on])
    degrees = np.column_stack([degrees, degrees[:, -1]])
    mean, low, high = difference_interval(on_powers, off_powers, degrees)
    whole_low = float(max(low[-2:]))
    return HissPower(
        pairs=pairs,
        frequency_hz=on[0].frequency_hz,
        a_weighted=float(max(mean[-2], whole_low)),
        a_weighted_low=whole_low,
        a_weighted_high=float(max(high[-2], whole_low)),
        power=mean[:-2],
        low=low[:-2],
        high=high[:-2],
        # Of thirty thirds without hiss one has a low end by chance in every second session.
        there=(low[:-2] > 0.0) & ((whole_low > 0.0) | _stands_out(on_powers, off_powers)[:-2]),
    )


def falls_with_it_on(on: Sequence[NoiseLevels], off: Sequence[NoiseLevels]) -> bool:
    """Tell whether the A-weighted level is lower with the loudspeaker on, beyond doubt (95 %).

    No loudspeaker does that: the states were exchanged, or the room fell silent each time.
    """
    pairs = min(len(on), len(off))
    if pairs < LEAST_PAIRS:
        return False
    mean, half = _mean_difference(_powers(on), _powers(off), BEYOND_AN_END)
    return bool(mean[-2] + half[-2] < 0.0)


def _powers(levels: Sequence[NoiseLevels]) -> FloatArray:
    """Return a row a recording: each third, the A-weighted sum, that of the treble alone."""
    rows = []
    for one in levels:
        treble = one.frequency_hz >= TREBLE_HZ
        weight = db_to_power(a_weighting_db(exact_hz(one.frequency_hz[treble])))
        rows.append([*one.power, one.a_weighted, float(np.sum(weight * one.power[treble]))])
    return np.array(rows)


def difference_interval(
    on: FloatArray, off: FloatArray, degrees: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return what is there with the loudspeaker on and not with it off, with its interval.

    Parameters
    ----------
    on, off : powers, a row a recording; the n-th rows are a pair.
    degrees : degrees of freedom of the powers with it on, of their shape.

    Returns
    -------
    Mean and the ends of its 95 % interval, shape ``(B,)`` each; not below 0. With fewer than
    `LEAST_PAIRS` mean and low are 0: only an upper end is known.
    """
    most = _most(on, degrees)
    pairs = min(len(on), len(off))
    if pairs < LEAST_PAIRS:
        return np.zeros(on.shape[1]), np.zeros(on.shape[1]), most
    mean, half = _mean_difference(on, off, BEYOND_AN_END)
    low, high = np.maximum(mean - half, 0.0), np.maximum(mean, 0.0) + half
    return np.maximum(mean, 0.0), low, np.maximum(np.minimum(high, most), low)


def _stands_out(on: FloatArray, off: FloatArray) -> BoolArray:
    """Tell which powers lie above nothing though as many were looked at (Bonferroni's bound)."""
    pairs = min(len(on), len(off))
    if pairs < LEAST_PAIRS:
        return np.zeros(on.shape[1], dtype=bool)
    mean, half = _mean_difference(on, off, BEYOND_AN_END / on.shape[1])
    return np.asarray(mean > half)


def _mean_difference(
    on: FloatArray, off: FloatArray, beyond: float
) -> tuple[FloatArray, FloatArray]:
    """Return the mean of pairs' differences, and how far it is from an end with so much beyond."""
    from scipy.special import stdtrit

    pairs = min(len(on), len(off))
    differences = on[:pairs] - off[:pairs]
    error = np.std(differences, axis=0, ddof=1) / np.sqrt(pairs)
    return np.mean(differences, axis=0), float(stdtrit(pairs - 1.0, 1.0 - beyond)) * error


def _most(on: FloatArray, degrees: FloatArray) -> FloatArray:
    """Return what the hiss cannot exceed: the least of the powers with the loudspeaker on.

    Each may be low by chance, as an average of noise: by the quantile of chi-squared that all of
    them together stay above (Wilson and Hilferty, PNAS 17, 1931).
    """
    z = NormalDist().inv_cdf(MOST_MISSED / len(on))
    part = 2.0 / (9.0 * degrees)
    lowest = np.maximum(1.0 - part + z * np.sqrt(part), 0.1) ** 3
    return np.asarray(np.min(on / lowest, axis=0))
