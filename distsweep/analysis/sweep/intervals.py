"""What noise leaves known of a ladder's levels: values freed of it, with their 95 % intervals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.noise.background import NoiseSpectrum
from distsweep.analysis.noise.certainty import DB_PER_RATIO
from distsweep.analysis.noise.interval import NoisySum, is_reliable
from distsweep.analysis.settings import TakeSettings
from distsweep.analysis.sweep.harmonics import Amplitudes
from distsweep.analysis.sweep.levels import input_referred_db
from distsweep.analysis.sweep.windows import IN_STEP
from distsweep.analysis.third_octave import octave_bands
from distsweep.results import HarmonicCurve, Rung, Smoothed, SmoothedLevel, ThdThirdOctave
from distsweep.units import BoolArray, FloatArray, db_to_percent, db_to_power, power_to_db

FRACTIONS = (12, 6, 3)
"""Bands an octave of the smoothed curves (issue: 1/12, 1/6 and 1/3 octave by common practice)."""


CURVED_PHASE = 7.0
"""A filter before a curvature shifts harmonic n by ½·(n − 1)·ω̇·φ″ nepers, as the sweep passes it
at ω̇ = ω/L (Novak, Lotton, Simon 2015, from the stationary phase). φ″·ω² is taken to be up to so
much (measured over 60 random loudspeakers, away from narrow modes, by
tests/benchmarks/bench_intervals.py: of harmonics 35 to 40 dB above their noise 93.5 to 94.6 % lie
in their intervals then, with 5 92.4 to 93.1 %). What narrow modes add:
`distsweep.analysis.resonance.steady`."""


def with_intervals(
    rungs: Sequence[Rung],
    amplitudes: Amplitudes,
    rows: Sequence[int],
    linear_db: FloatArray,
    settings: TakeSettings,
) -> list[Rung]:
    """Take the noise's expected power off every level, and say how well each is known then.

    Parameters
    ----------
    rungs : as measured, noise included.
    rows : each one's row of the amplitudes.
    linear_db : level of the fundamental that stands for the linear response, shape ``(F,)``.
    """
    fundamental, harmonics, usable, shift_db = _noisy(amplitudes, rows)
    bands = [_bands(amplitudes, per_octave) for per_octave in FRACTIONS]
    smoothed = [
        _smoothed(fundamental, harmonics, usable, shift_db, one, settings.level_offset_db)
        for one in bands
    ]
    levels, shift_db = wider(fundamental.interval(), shift_db[0]), shift_db[1:]
    curves, thd = wider(harmonics.interval(), shift_db), _summed(harmonics, shift_db)
    return [
        _rung(
            rung,
            [part[row] + settings.level_offset_db for part in levels],
            [part[:, row] for part in curves],
            [part[row] for part in thd],
            usable[:, row],
            [one[row] for one in smoothed],
            linear_db,
        )
        for row, rung in enumerate(rungs)
    ]


def _noisy(
    amplitudes: Amplitudes, rows: Sequence[int]
) -> tuple[NoisySum, NoisySum, BoolArray, FloatArray]:
    """Return rungs' fundamentals, harmonics re these, what is usable, and what else moves levels.

    The last, in dB, is the same all over a band: the sweep's speed, and gains that changed between
    passes, shape ``(order, R, F)``.
    """
    powers, noises = (part[:, list(rows)] ** 2 for part in (amplitudes.orders, amplitudes.floors))
    degrees = amplitudes.degrees[:, list(rows)]
    gain_db = np.zeros(powers.shape)
    if amplitudes.spread is not None:
        spread = amplitudes.spread.of_rungs(rows)
        noises, degrees = spread.added_to(noises, degrees)
        gain_db = spread.gain_db
    fundamental = NoisySum.single(powers[0], noises[0], degrees[0], np.zeros(powers.shape[1:]))
    harmonics = NoisySum.ratios(powers, noises, degrees, amplitudes.leaks[:, None])
    level_db = np.hypot(gain_db[:1], amplitudes.gain_doubt_db[None, list(rows), None])
    shift_db = np.concatenate([level_db, np.hypot(_shift_db(amplitudes), gain_db[1:])])
    return fundamental, harmonics, amplitudes.usable[:, list(rows)], shift_db


@dataclass(frozen=True)
class ThirdOctaveHarmonics:
    """Harmonics of rungs over thirds of an octave, and what noise is in them.

    Attributes
    ----------
    middle_hz : the bands' nominal midband frequencies, shape ``(B,)``.
    powers : re the fundamental's, shape ``(order − 1, R, B)``.
    points : grid points in each band, shape ``(B,)``.
    independent : how many of them see independent noise, shape ``(order − 1, 1, B)``.
    shift_db : half-width of what noise has no part in, shape ``(order − 1, R, B)``.
    """

    middle_hz: FloatArray
    powers: NoisySum
    points: FloatArray
    independent: FloatArray
    shift_db: FloatArray


def third_octave_harmonics(amplitudes: Amplitudes, rows: Sequence[int]) -> ThirdOctaveHarmonics:
    """Average the harmonics of rungs over thirds of an octave, as `with_intervals` does."""
    _, harmonics, usable, shift_db = _noisy(amplitudes, rows)
    bands = _bands(amplitudes, 3)
    count = np.sum(bands.inside, axis=1)
    return ThirdOctaveHarmonics(
        middle_hz=bands.middle_hz,
        powers=averaged(harmonics, usable, bands),
        points=count,
        independent=bands.independent[1:],
        shift_db=(shift_db[1:] @ bands.inside.T.astype(float)) / count,
    )


def averaged(harmonics: NoisySum, usable: BoolArray, bands: Bands) -> NoisySum:
    """Average what is usable of harmonics over bands."""
    clean = usable[1:] & usable[0]
    return replace(harmonics, total=np.where(clean, harmonics.total, np.nan)).averaged(
        bands.inside, bands.independent[1:], IN_STEP, bands.degrees[1:]
    )


def _shift_db(amplitudes: Amplitudes) -> FloatArray:
    """Return how far the sweep's speed may have moved each harmonic, ``(order − 1, 1, F)``."""
    return shift_by_speed_db(
        amplitudes.frequency_hz, amplitudes.rate_constant_s, order=len(amplitudes.orders)
    )


def shift_by_speed_db(
    frequency_hz: FloatArray, rate_constant_s: float, *, order: int
) -> FloatArray:
    """Return how far a sweep's speed may move harmonics 2 to ``order``, ``(order − 1, 1, F)``."""
    orders = np.arange(2.0, order + 1.0)[:, None, None]
    turns = 2.0 * np.pi * frequency_hz * rate_constant_s
    return np.asarray(DB_PER_RATIO * 0.5 * (orders - 1.0) * CURVED_PHASE / turns)


def wider(
    interval: tuple[FloatArray, FloatArray, FloatArray], shift_db: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Widen intervals by an independent error of as much confidence, as squares.

    The high end of what may be nothing, whose level is NaN, moves by the whole of it.
    """
    level, low, high = interval
    with np.errstate(invalid="ignore"):
        down, up = np.hypot(level - low, shift_db), np.hypot(high - level, shift_db)
        return (
            level,
            np.where(np.isfinite(low), level - down, low),
            np.where(np.isfinite(level), level + up, high + shift_db),
        )


def _summed(harmonics: NoisySum, shift_db: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return THD with its interval; its harmonics may all be moved the same way."""
    mean_db = harmonics.weighted(shift_db)
    mean_db = np.where(np.isfinite(mean_db), mean_db, np.mean(shift_db, axis=0))
    return wider(harmonics.summed().interval(), mean_db)


class Bands:
    """Bands of a grid, and what the noise in each is worth for every order.

    Attributes
    ----------
    middle_hz : midband frequencies, shape ``(B,)``.
    inside : which points lie in which band, shape ``(B, F)``.
    independent : how many of them see noise of independent power, shape ``(order, 1, B)``.
    degrees : degrees of freedom of the noise's estimate there, same shape.
    """

    def __init__(
        self,
        per_octave: int,
        frequency_hz: FloatArray,
        independent_hz: FloatArray,
        noise: NoiseSpectrum | None,
    ) -> None:
        """Lay the bands; ``independent_hz``, shape ``(order, F)``, is as in `Amplitudes`."""
        self.per_octave = per_octave
        middle_hz, inside = octave_bands(frequency_hz, per_octave)
        self.middle_hz, self.inside = middle_hz, inside
        orders = np.arange(1.0, len(independent_hz) + 1.0)[:, None]
        octaves = np.sum(inside, axis=1) * float(np.median(np.diff(np.log2(frequency_hz))))
        # A band's width at the frequencies that an order is heard at.
        width_hz = orders * middle_hz * (2.0 ** (octaves / 2.0) - 2.0 ** (-octaves / 2.0))
        held = np.isfinite(independent_hz)
        into = inside.T.astype(float)
        with np.errstate(invalid="ignore", divide="ignore"):
            apart = (np.where(held, independent_hz, 0.0) @ into) / (held @ into)
        apart = np.where(np.isfinite(apart), apart, np.inf)
        self.independent = (width_hz / apart)[:, None]
        known = np.inf if noise is None else noise.degrees_around(width_hz)
        self.degrees = np.broadcast_to(known, width_hz.shape)[:, None]


def _bands(amplitudes: Amplitudes, per_octave: int) -> Bands:
    return Bands(per_octave, amplitudes.frequency_hz, amplitudes.independent_hz, amplitudes.noise)


def _smoothed(
    fundamental: NoisySum,
    harmonics: NoisySum,
    usable: BoolArray,
    shift_db: FloatArray,
    bands: Bands,
    offset_db: float,
) -> list[Smoothed]:
    """Average the curves of all rungs over bands; one record a rung."""
    band_db = (shift_db @ bands.inside.T.astype(float)) / np.sum(bands.inside, axis=1)
    level = (
        replace(fundamental, total=np.where(usable[0], fundamental.total, np.nan))
        .averaged(bands.inside, bands.independent[0], IN_STEP, bands.degrees[0])
        .interval()
    )
    orders = averaged(harmonics, usable, bands)
    level, band_db = wider(level, band_db[0]), band_db[1:]
    curves, thd = wider(orders.interval(), band_db), _summed(orders, band_db)
    return [
        Smoothed(
            bands_per_octave=bands.per_octave,
            frequency_hz=bands.middle_hz,
            fundamental=SmoothedLevel(*(part[row] + offset_db for part in level)),
            thd=SmoothedLevel(*(part[row] for part in thd)),
            harmonics={
                index + 2: SmoothedLevel(*(part[index, row] for part in curves))
                for index in range(len(curves[0]))
            },
        )
        for row in range(len(level[0]))
    ]


def _rung(
    rung: Rung,
    level: Sequence[FloatArray],
    curves: Sequence[FloatArray],
    thd: Sequence[FloatArray],
    usable: BoolArray,
    smoothed: list[Smoothed],
    linear_db: FloatArray,
) -> Rung:
    """Return a rung with noise taken off; where the noise is not known it stays as measured."""
    known = np.isfinite(level[1]) | np.isfinite(level[2])
    fundamental_db = np.where(known, level[0], rung.fundamental_db)
    clean = usable[1:] & usable[0]
    harmonics = {}
    for index, (order, curve) in enumerate(rung.harmonics.items()):
        value_db, low_db, high_db = (part[index] for part in curves)
        level_db = np.where(known, value_db, curve.level_db)
        harmonics[order] = HarmonicCurve(
            level_db=level_db,
            floor_db=curve.floor_db,
            reliable=is_reliable(low_db, high_db) & clean[index],
            input_referred_db=input_referred_db(level_db, linear_db, order=order),
            low_db=np.where(clean[index], low_db, np.nan),
            high_db=np.where(clean[index], high_db, np.nan),
        )
    thd_db = np.where(known, thd[0], rung.thd_db)
    unspoilt = np.all(
        [clean[n - 2] | ~np.isfinite(c.floor_db) for n, c in harmonics.items()], axis=0
    )
    third = smoothed[FRACTIONS.index(3)]
    return replace(
        rung,
        fundamental_db=fundamental_db,
        # What was clipped, or bridged for the most part, has no interval: nothing bounds it.
        fundamental_low_db=np.where(usable[0], level[1], np.nan),
        fundamental_high_db=np.where(usable[0], level[2], np.nan),
        harmonics=harmonics,
        thd_db=thd_db,
        thd_percent=np.asarray(db_to_percent(thd_db)),
        thd_re_total_percent=np.asarray(
            db_to_percent(thd_db - power_to_db(1.0 + db_to_power(thd_db)))
        ),
        thd_low_db=np.where(unspoilt, thd[1], np.nan),
        thd_high_db=np.where(unspoilt, thd[2], np.nan),
        thd_reliable=is_reliable(thd[1], thd[2]) & unspoilt,
        thd_third_octave=ThdThirdOctave(
            third.frequency_hz, third.thd.level_db, third.thd.low_db, third.thd.high_db
        ),
        smoothed=smoothed,
    )


def with_ends(
    rung: Rung,
    *,
    harmonics: dict[int, HarmonicCurve],
    thd_low_db: FloatArray,
    thd_high_db: FloatArray,
    smoothed: list[Smoothed],
) -> Rung:
    """Return a rung with other ends of intervals; what is reliable follows, and thirds of THD.

    ``harmonics`` and ``smoothed`` have their own already.
    """
    thirds = next((one.thd for one in smoothed if one.bands_per_octave == 3), None)
    averages = rung.thd_third_octave
    if averages is not None and thirds is not None:
        averages = replace(averages, low_db=thirds.low_db, high_db=thirds.high_db)
    return replace(
        rung,
        harmonics=harmonics,
        thd_low_db=thd_low_db,
        thd_high_db=thd_high_db,
        thd_reliable=rung.thd_reliable & is_reliable(thd_low_db, thd_high_db),
        thd_third_octave=averages,
        smoothed=smoothed,
    )
