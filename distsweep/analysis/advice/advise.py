"""What would make THD known: as many repeats, so long a sweep, or so much less noise.

Each is taken by the formulas of the intervals themselves. N passes averaged leave 1/N of the
noise's power. A sweep k times as long has k times the energy at every frequency, and windows that
are as long in periods: 1/k of the noise. In the bass, where the gap between neighbouring orders
limits the windows, they grow with the sweep instead: the noise in them stays, and a band holds k
times as many independent values.

Whether a band of THD is known then is a matter of chance twice over: what is left of it now, the
noise's share taken off, is uncertain itself, and the other measurement meets other noise. A
recommendation reaches the aim with a chance of `SURE`, and half of it would not so reliably.
Where too little is left now to promise both, the least that it takes is all that can be stated.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.analysis.advice.chances import (
    chance_of_enough,
    deviation_of,
    least_known,
    what_may_be_there,
)
from distsweep.analysis.cut import CutLadder
from distsweep.analysis.noise.interval import NoisySum, is_reliable, normal_share
from distsweep.analysis.sweep.harmonics import Amplitudes
from distsweep.analysis.sweep.intervals import ThirdOctaveHarmonics, third_octave_harmonics
from distsweep.analysis.sweep.windows import WindowSpans
from distsweep.results import Rung, ThdAdvice, ThdThirdOctave
from distsweep.units import BoolArray, FloatArray, IntArray, db_to_power

ADVISED_HZ = (100.0, 5000.0)
"""Bands of which THD is to be known (chosen: in the bass a sweep is short of time, and above few
harmonics are heard)."""

KNOWN_SHARE = 0.9
"""Share of these bands in which THD must be known (chosen: nine tenths; a single dip of the
distortion, however deep, is no reason for an hour of sweeps)."""

SURE = 0.95
"""Chance with which what is recommended must reach that (chosen: nine of ten who follow it shall,
and a room is less steady than a computation)."""

RELIABLY = 0.9
"""Chance from which a measurement counts as one that is enough, when it is asked whether half of
what is recommended would be; one minus that is the chance up to which it would not (chosen: the
same nine of ten)."""

LONGEST_S = 600.0
"""Sweeps in all that are recommended at most (chosen: ten minutes; a loudspeaker warms up, and few
rooms stay as they are for longer)."""

LONGEST_SWEEP_S = 300.0
"""The longest sweep that a recipe takes (by its definition, stimulus/recipe.py)."""

LARGEST_FALL_DB = 40.0
"""So much less noise is looked at (chosen: more than any room offers)."""

BY_THE_INTERFACE_DB = 0.5
"""Of THD that the interface's own may be off by more nothing is recommended (chosen: a third of
what a reliable value may be off by, so that noise must have the larger part)."""

CLOSEST = 1.1
"""Ratio of neighbouring candidates (chosen: what is recommended is hardly more than it must be)."""


@dataclass(frozen=True)
class _Others:
    """Other measurements: what each is called by, and its noise re this one's.

    Attributes
    ----------
    values : repeats, seconds or decibels, rising, shape ``(C,)``.
    half : the last of them that is less than half of each, shape ``(C,)``; −1 where none is.
    power : mean square of the noise, ``(order − 1 or 1, C, 1, B or 1)``.
    fewer : this measurement's independent values over the other's, same shape.
    fundamental : mean square of the noise beside the fundamental, same shape.
    """

    values: FloatArray
    half: IntArray
    power: FloatArray
    fewer: FloatArray
    fundamental: FloatArray

    @property
    def alike(self) -> bool:
        """Whether the noise differs by the same ratio everywhere, and nothing else."""
        return bool(self.power.shape[0] == 1)


@dataclass(frozen=True)
class _Way:
    """One way to make THD known: how much of it, and whether that is surely enough."""

    value: float | None
    sure: bool


def advise(
    amplitudes: Amplitudes, cut: CutLadder, rungs: Sequence[Rung], rows: Sequence[int]
) -> list[ThdAdvice]:
    """Return, for every rung whose THD is not known well enough, what would mend that.

    Parameters
    ----------
    rungs : with their intervals.
    rows : each one's row of the amplitudes.
    """
    wanting = [(rung, row) for rung, row in zip(rungs, rows, strict=True) if _is_wanting(rung)]
    if not wanting:
        return []
    thirds = third_octave_harmonics(amplitudes, [row for _, row in wanting])
    judged = np.array([_judged(rung) for rung, _ in wanting])
    needed = np.array([_needed(rung) for rung, _ in wanting])
    passes, seconds = len(cut.rungs[0].signals), cut.sweep.duration_s
    more = LONGEST_S / (seconds * sum(len(rung.signals) for rung in cut.rungs))
    longest_s = min(LONGEST_SWEEP_S, seconds * more)
    repeats = _rising(passes + 1, passes * more)
    lengths_s = _rising(math.floor(seconds) + 1, longest_s)
    falls_db = np.arange(1.0, LARGEST_FALL_DB + 1.0)
    # Of a room nothing is promised: half as much may always do.
    by_repeats, by_length_s, by_fall_db = (
        _ways(thirds, judged, needed, others)
        for others in (
            _alike(repeats, passes / repeats, _half_of(repeats)),
            _longer(amplitudes, thirds, lengths_s, seconds),
            _alike(falls_db, db_to_power(-falls_db), np.full(len(falls_db), len(falls_db))),
        )
    )
    ways = zip(by_repeats, by_length_s, by_fall_db, strict=True)
    return [_advice(rung, three) for (rung, _), three in zip(wanting, ways, strict=True)]


def _advice(rung: Rung, ways: tuple[_Way, _Way, _Way]) -> ThdAdvice:
    """Keep the ways that are sure; where none is, the least that each takes."""
    possible = [way for way in ways[:2] if way.value is not None] or [ways[2]]
    sure = any(way.sure for way in possible)
    repeats, sweep_s, fall_db = (way.value if way.sure or not sure else None for way in ways)
    asked_hz = _thirds_of(rung).frequency_hz[_judged(rung)]
    return ThdAdvice(
        drive_dbfs=rung.drive_dbfs,
        spl_db=rung.spl_db,
        low_hz=float(asked_hz[0]),
        high_hz=float(asked_hz[-1]),
        bands=len(asked_hz),
        bands_known=int(np.sum(_known(rung))),
        repeats=None if repeats is None else round(repeats),
        sweep_s=sweep_s,
        noise_fall_db=fall_db,
        at_least=not sure,
    )


def enough_of(bands: int) -> int:
    """Return in how many of these bands THD must be known."""
    return math.ceil(KNOWN_SHARE * bands - 1e-9)


def energies_s(
    order: int, middle_hz: FloatArray, *, lowest_hz: float, rate_constant_s: float | FloatArray
) -> FloatArray:
    """Return ∫w² dt of the windows of orders 2 to ``order`` at played frequencies, in seconds.

    ``lowest_hz`` is the lower end of the grid. Shape ``(order − 1, B)``, or ``(order − 1, C, B)``
    for rate constants of shape ``(C, 1)``.
    """
    return np.array(
        [
            WindowSpans(n, n * lowest_hz, rate_constant_s).energy_s(n * middle_hz)
            for n in range(2, order + 1)
        ]
    )


def _thirds_of(rung: Rung) -> ThdThirdOctave:
    assert rung.thd_third_octave is not None  # the ladder's intervals were made before
    return rung.thd_third_octave


def _judged(rung: Rung) -> BoolArray:
    """Tell of which thirds of an octave a rung's THD is asked, shape ``(B,)``.

    Not of those that the interface leaves unknown, however little noise there is; of none where
    these are the most.
    """
    thirds = _thirds_of(rung)
    inside = (thirds.frequency_hz >= ADVISED_HZ[0]) & (thirds.frequency_hz <= ADVISED_HZ[1])
    if thirds.interface_half_width_db.size:
        left = inside & (thirds.interface_half_width_db <= BY_THE_INTERFACE_DB)
        inside = left & (2 * np.sum(left) > np.sum(inside))
    return np.asarray(inside & np.isfinite(thirds.high_db))


def _known(rung: Rung) -> BoolArray:
    """Tell in which of these it is known."""
    thirds = _thirds_of(rung)
    return _judged(rung) & is_reliable(thirds.low_db, thirds.high_db)


def _needed(rung: Rung) -> int:
    """Return in how many it must be."""
    return enough_of(int(np.sum(_judged(rung))))


def _is_wanting(rung: Rung) -> bool:
    """Tell whether noise hides a rung's THD; of one that clipped nobody can tell what does."""
    return not rung.clipped and bool(np.sum(_known(rung)) < _needed(rung))


def _rising(first: int, last: float) -> FloatArray:
    """Return whole numbers from ``first`` to ``last``, neighbours no closer than `CLOSEST`."""
    numbers = [float(first)]
    while numbers[-1] <= last:
        numbers.append(max(numbers[-1] + 1.0, float(math.floor(numbers[-1] * CLOSEST))))
    return np.array(numbers[:-1])


def _half_of(values: FloatArray) -> IntArray:
    """Return the last of rising values that is less than half of each; −1 where none is."""
    return np.asarray(np.searchsorted(values, values / 2.0) - 1)


def _alike(values: FloatArray, noise: FloatArray, half: IntArray) -> _Others:
    """Return measurements of which the noise alone differs, everywhere alike; ``(C,)`` each."""
    power = noise[None, :, None, None]
    return _Others(values, half, power, np.ones_like(power), power)


def _longer(
    amplitudes: Amplitudes, thirds: ThirdOctaveHarmonics, lengths_s: FloatArray, seconds: float
) -> _Others:
    """Return sweeps of other lengths than the present one, ``seconds``."""
    longer = lengths_s / seconds
    energy_s = energies_s(
        len(amplitudes.orders),
        thirds.middle_hz,
        lowest_hz=float(amplitudes.frequency_hz[0]),
        rate_constant_s=amplitudes.rate_constant_s * np.append(1.0, longer)[:, None],
    )
    grown = (energy_s[:, 1:] / energy_s[:, :1])[:, :, None]
    points, independent = thirds.points, thirds.independent[:, None]
    before, after = (np.clip(independent * more, 1.0, points) for more in (1.0, grown))
    times = longer[None, :, None, None]
    return _Others(lengths_s, _half_of(lengths_s), grown / times, before / after, 1.0 / times)


def _ways(
    thirds: ThirdOctaveHarmonics, judged: BoolArray, needed: IntArray, others: _Others
) -> list[_Way]:
    """Return, for each rung, the first of the other measurements that is enough.

    It is sure where half as much would hardly do. Else it is the first that may do, where THD is
    given the benefit of the doubt: less is too little.
    """
    reaching, reliable, at_best = _chances(thirds, judged, needed, others)
    ways = []
    for row in range(len(judged)):
        enough = np.flatnonzero(reaching[:, row] >= SURE)
        possible = np.flatnonzero(reliable[:, row] > 1.0 - RELIABLY)
        first_reliable = possible[0] if len(possible) else len(others.values)
        if len(enough) and others.half[enough[0]] < first_reliable:
            ways.append(_Way(float(others.values[enough[0]]), sure=True))
        else:
            first = np.flatnonzero(at_best[:, row] > 1.0 - RELIABLY)
            least = float(others.values[first[0]]) if len(first) else None
            ways.append(_Way(least, sure=False))
    return ways


def _chances(
    thirds: ThirdOctaveHarmonics, judged: BoolArray, needed: IntArray, others: _Others
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return three chances that enough bands of each rung are known, shape ``(C, R)``.

    The first is that of one such measurement; the second, that such measurements of this
    loudspeaker in this noise reach it nearly always: their own noise may then take as much off.
    The last is the first of these, were THD spread evenly over power instead of decibels before it
    was measured: hardly ever far below the noise.
    """
    now, later = thirds.powers.summed(), _measured(thirds.powers, others).summed()
    # Half-width of THD that noise has no part in; of what is nothing it is nothing.
    shift_db = np.nan_to_num(thirds.powers.weighted(thirds.shift_db))
    if others.alike:  # all powers scale as one
        least = others.power[0] * least_known(now, shift_db)
    else:
        least = least_known(later, shift_db)
    true, weight = what_may_be_there(now)
    beyond = (true - least[..., None]) / deviation_of(later, true)
    by_power = weight * true
    by_power /= np.maximum(np.sum(by_power, axis=-1, keepdims=True), 1e-300)
    reached = normal_share(beyond)
    return tuple(
        chance_of_enough(np.sum(part, axis=-1), judged, needed)
        for part in (weight * reached, weight * (reached >= RELIABLY), by_power * reached)
    )  # type: ignore[return-value]


def _measured(now: NoisySum, others: _Others) -> NoisySum:
    """Return what other measurements are expected to show, shape ``(order − 1, C, R, B)``."""
    noise = now.noise[:, None] * others.power
    return NoisySum(
        total=(now.total - now.noise)[:, None] + noise,
        noise=noise,
        cross=now.cross[:, None] * others.power * others.fewer,
        spread=now.spread[:, None] * others.power**2 * others.fewer,
        relative=now.relative[:, None] * others.fundamental * others.fewer,
        degrees=np.broadcast_to(now.degrees[:, None], noise.shape),
    )
