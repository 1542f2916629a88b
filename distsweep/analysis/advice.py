"""What would make THD known: as many repeats, so long a sweep, or so much less noise.

Each is taken by the formulas of the intervals themselves. N passes averaged leave 1/N of the
noise's power. A sweep k times as long has k times the energy at every frequency, and windows that
are as long in periods: 1/k of the noise. In the bass, where the gap between neighbouring orders
limits the windows, they grow with the sweep instead: the noise in them stays, and a band holds k
times as many independent values.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.cut import CutLadder
from distsweep.analysis.noise.interval import RELIABLE_HALF_WIDTH_DB, NoisySum
from distsweep.analysis.sweep.harmonics import Amplitudes
from distsweep.analysis.sweep.intervals import ThirdOctaveHarmonics, third_octave_harmonics
from distsweep.analysis.sweep.windows import window_energy_s, window_reach_s
from distsweep.results import Rung, ThdAdvice
from distsweep.units import BoolArray, FloatArray, db_to_power

ADVISED_HZ = (100.0, 5000.0)
"""Bands of which THD is to be known (contract's issue of intervals: where people listen for it;
chosen: below, a sweep is short of time, above, few harmonics are heard)."""

KNOWN_SHARE = 0.9
"""Share of these bands in which THD must be known (chosen: nine tenths; a single dip of the
distortion, however deep, is no reason for an hour of sweeps)."""

LONGEST_S = 600.0
"""Sweeps in all that are recommended at most (chosen: ten minutes; a loudspeaker warms up, and few
rooms stay as they are for longer)."""

LONGEST_SWEEP_S = 300.0
"""The longest sweep that a recipe takes (by its definition, stimulus/recipe.py)."""

LARGEST_FALL_DB = 60.0
"""So much less noise is looked at (chosen: more than any room offers)."""


@dataclass(frozen=True)
class _Less:
    """Noise in candidates for another measurement, re this one's; each ``(order − 1, C, 1, B)``.

    ``power`` is its mean square, ``fewer`` this one's independent values over the other's, and
    ``fundamental`` the mean square beside the fundamental.
    """

    power: FloatArray
    fewer: FloatArray
    fundamental: FloatArray


def advise(
    amplitudes: Amplitudes, cut: CutLadder, rungs: Sequence[Rung], rows: Sequence[int]
) -> list[ThdAdvice]:
    """Return, for every rung whose THD is not known well enough, what would mend that.

    Parameters
    ----------
    rungs : with their intervals.
    rows : each one's row of the amplitudes.
    """
    thirds = third_octave_harmonics(amplitudes, rows)
    judged = _judged(thirds)
    now = _known(thirds, judged, _alike(np.ones(1)))[0]
    wanting = np.flatnonzero(~_enough(now, judged) & np.any(judged, axis=1)).tolist()
    if not wanting:
        return []
    passes, seconds = len(cut.rungs[0].signals), cut.sweep.duration_s
    sweeps_s = sum(len(rung.signals) for rung in cut.rungs) * seconds
    repeats = np.arange(passes + 1.0, np.floor(passes * LONGEST_S / sweeps_s) + 1.0)
    longest_s = min(LONGEST_SWEEP_S, seconds * LONGEST_S / sweeps_s)
    lengths_s = np.arange(np.floor(seconds) + 1.0, np.floor(longest_s) + 1.0)
    falls_db = np.arange(1.0, LARGEST_FALL_DB + 1.0)
    by_repeats, by_length_s, by_fall_db = (
        _first_enough(thirds, judged, candidates, less)
        for candidates, less in (
            (repeats, _alike(passes / repeats)),
            (lengths_s, _longer(amplitudes, thirds, lengths_s / seconds)),
            (falls_db, _alike(db_to_power(-falls_db))),
        )
    )
    bands_hz = [thirds.middle_hz[np.any(judged, axis=0)][end] for end in (0, -1)]
    return [
        ThdAdvice(
            drive_dbfs=rungs[row].drive_dbfs,
            spl_db=rungs[row].spl_db,
            low_hz=float(bands_hz[0]),
            high_hz=float(bands_hz[1]),
            bands=int(np.sum(judged[row])),
            bands_known=int(np.sum(now[row])),
            repeats=_whole(by_repeats[row]),
            sweep_s=by_length_s[row],
            noise_fall_db=by_fall_db[row],
        )
        for row in wanting
    ]


def _whole(number: float | None) -> int | None:
    return None if number is None else round(number)


def _judged(thirds: ThirdOctaveHarmonics) -> BoolArray:
    """Tell which bands of which rungs THD is asked of, shape ``(R, B)``."""
    # A nominal frequency may lie a percent beside the exact one.
    inside = (thirds.middle_hz >= 0.98 * ADVISED_HZ[0]) & (thirds.middle_hz <= 1.02 * ADVISED_HZ[1])
    return np.asarray(np.any(np.isfinite(thirds.powers.total), axis=0) & inside)


def _alike(noise: FloatArray) -> _Less:
    """Return candidates of which the noise alone differs, everywhere alike; ``(C,)``."""
    power = noise[None, :, None, None]
    return _Less(power, np.ones_like(power), power)


def _longer(amplitudes: Amplitudes, thirds: ThirdOctaveHarmonics, longer: FloatArray) -> _Less:
    """Return sweeps so many times as long, shape ``(C,)``."""
    lowest_hz = amplitudes.frequency_hz[0]
    octave = np.maximum(np.log2(thirds.middle_hz / lowest_hz), 0.0)
    lower = np.floor(octave)
    orders = len(amplitudes.orders)

    def energy_s(order: int, times: float) -> FloatArray:
        # A band's windows are those of the two octaves that it lies between.
        ends = [
            window_energy_s(
                *window_reach_s(
                    order,
                    order * lowest_hz * 2.0**octaves,
                    times * amplitudes.rate_constant_s,
                    np.inf,
                )
            )
            for octaves in (lower, lower + 1.0)
        ]
        return np.asarray(ends[0] + (octave - lower) * (ends[1] - ends[0]))

    grown = np.array(
        [[energy_s(n, k) / energy_s(n, 1.0) for k in longer] for n in range(2, orders + 1)]
    )[:, :, None]
    points, independent = thirds.points, thirds.independent[:, None]
    before, after = (np.clip(independent * more, 1.0, points) for more in (1.0, grown))
    times = longer[None, :, None, None]
    return _Less(grown / times, before / after, 1.0 / times)


def _known(thirds: ThirdOctaveHarmonics, judged: BoolArray, less: _Less) -> BoolArray:
    """Tell where each candidate would leave THD known, shape ``(C, R, B)``.

    The harmonics are taken to be what is left of them now, the noise's share taken off.
    """
    now = thirds.powers
    noise = now.noise[:, None] * less.power
    powers = NoisySum(
        total=(now.total - now.noise)[:, None] + noise,
        noise=noise,
        cross=now.cross[:, None] * less.power * less.fewer,
        spread=now.spread[:, None] * less.power**2 * less.fewer,
        relative=now.relative[:, None] * less.fundamental * less.fewer,
        degrees=np.broadcast_to(now.degrees[:, None], noise.shape),
    )
    wide = replace(thirds, shift_db=thirds.shift_db[:, None]).half_width_db(powers)
    with np.errstate(invalid="ignore"):
        return np.asarray((wide <= RELIABLE_HALF_WIDTH_DB) & judged)


def _enough(known: BoolArray, judged: BoolArray) -> BoolArray:
    """Tell whether THD is known in enough of the bands."""
    needed = KNOWN_SHARE * np.sum(judged, axis=-1) - 1e-9
    return np.asarray(np.sum(known, axis=-1) >= needed)


def _first_enough(
    thirds: ThirdOctaveHarmonics, judged: BoolArray, candidates: FloatArray, less: _Less
) -> list[float | None]:
    """Return, for each rung, the first of rising candidates that is enough."""
    if not len(candidates):
        return [None] * len(judged)
    enough = _enough(_known(thirds, judged, less), judged)
    first = np.argmax(enough, axis=0)
    return [
        float(candidates[first[row]]) if enough[first[row], row] else None
        for row in range(len(judged))
    ]
