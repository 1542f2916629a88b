"""What holds the output back: limiter, compressor, clipping, or nothing, from steady levels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.analysis.limits.clipping import ClipFit, clipped_sine, fit_clipping
from distsweep.analysis.limits.gain_change import ONSET_DB
from distsweep.analysis.limits.static_curve import (
    THRESHOLD_STEP_DB,
    CurveBounds,
    StaticCurve,
    curve_bounds,
    fit_static_curve,
)
from distsweep.analysis.noise.certainty import level_deviation_db
from distsweep.reason import Reason
from distsweep.results import LimiterNumbers
from distsweep.units import FloatArray, db_to_ratio, ratio_to_db

LEAST_LOSS_DB = -ONSET_DB
"""A smaller loss of gain is no onset, and is given no kind."""

LEAST_CLIP_LOSS_DB = 0.02
"""A clip that has only just begun takes as much of the fundamental (chosen: a clip with 1 % of odd
harmonics takes 0.06 dB or more; less than this a loudspeaker may change by itself)."""

LIMITER_RATIO = 4.0
"""From this ratio on it is a limiter (contract)."""

EXPLAINED_BY_SHAPE = 0.15
"""Odd distortion over lost share of the fundamental, from which the wave's shape explains the
loss. A memoryless characteristic has at least 0.33 by its formula (cubic: 1/3; hard clip: 0.5 to
1.4; tanh: 0.34 to 0.44), a gain that follows the level slowly a hundredth; half of the former
leaves room for a response that falls between f and 3f."""

HELD_BACK_DB, LEAST_HELD_BACK = 0.2, 2
"""A level that loses so much is held back; a static curve is fitted through so many such levels or
more (chosen: through one, threshold and ratio trade against each other freely)."""

LEAST_LEVELS = 4
"""A static curve takes so many levels: by its formula it has four numbers."""

THRESHOLD_KNOWN_DB = 0.3
"""A threshold is stated if it is known to so much either way; else what it lies between is (chosen:
a tenth of the usual steps of 3 dB)."""

RATIO_KNOWN = 1.25
"""A ratio whose ends are so near each other is stated, on whichever side of 4 they lie (chosen:
around 4:1 such two gains part by 0.05 dB for each decibel above the threshold)."""

EXPLAINED_DB, EXPLAINED_SHARE = 0.1, 0.15
"""A curve explains a loss that it misses by no more than that, in dB or as a share of the deepest
(chosen: limiters of two stages are missed by less, one level that is off by 1 dB by more)."""

FLAT_TOP, TOP_DB = 0.25, 3.0
"""Local slope of output over drive, over so many last decibels, from which a bent wave counts as
clipped (chosen: that of a ratio of 4)."""

SUDDEN_DB_PER_DB, CLIP_THD_DB = 4.0, -40.0
"""Odd distortion that grows faster than the first, and reaches the second (1 %), is a clip's
(chosen: a cubic's grows by 2 dB per dB)."""

CLEAR_OF_ANYTHING_DB = 60.0
"""Stands for a distance from the floor that is not known (chosen: noise moves no level there)."""

LIKELY_DEVIATIONS = 1.96
"""So many standard deviations hold 95 % of a normal distribution, by its formula."""

SILENT_ODD_DB = -200.0
"""Stands for odd harmonics that are not there (chosen: below any recording's)."""


@dataclass(frozen=True)
class SteadyLevels:
    """Steady levels on the way up, cleared of what sagged slowly; shape ``(R,)``, R ≥ 2.

    ``gain_change_db`` is re the reference; ``sigma_db`` its uncertainty; ``odd_db`` the root
    of the summed squares of the odd harmonics, re the fundamental; ``order`` the highest of
    them; ``crest_db`` the wave's peak over RMS (NaN if not known). ``claimed_db`` are the gain
    changes of all frequencies that the result is to hold for, ``(R, N)``, where the levels are
    their median: what a fit misses is stated over all of them.
    """

    drive_dbfs: FloatArray
    gain_change_db: FloatArray
    sigma_db: FloatArray
    odd_db: FloatArray
    crest_db: FloatArray
    order: int
    claimed_db: FloatArray | None = None


def uncertainty_db(above_floor_db: FloatArray) -> FloatArray:
    """Return the standard deviation of levels by their distance from the floor, NaN: not known."""
    known_db = np.nan_to_num(above_floor_db, nan=CLEAR_OF_ANYTHING_DB)
    return level_deviation_db(known_db)


@dataclass(frozen=True, repr=False)
class FoundLimiter(LimiterNumbers):
    """A limiter in numbers, with what speaks for its kind."""

    reasons: tuple[Reason, ...] = ()


@dataclass(frozen=True)
class Classified:
    """A limiter, the static curve fitted on the way, and whether the waveform is bent."""

    limiter: FoundLimiter
    curve: StaticCurve | None = None
    bent: bool = False


def classify(levels: SteadyLevels) -> Classified:
    """Tell from steady levels what holds the output back; a warming coil is taken out before."""
    loss_db = -levels.gain_change_db
    deepest = int(np.argmax(loss_db))
    deepest_db = float(loss_db[deepest])
    if deepest_db < LEAST_LOSS_DB:
        return _hardly_any_loss(levels, deepest_db)
    share = _shape_share(levels, deepest)
    if share >= EXPLAINED_BY_SHAPE:
        return _bent_wave(levels, deepest_db, share)
    return _turned_down(levels, deepest_db, share)


def _loss(code: str, levels: SteadyLevels, share: float) -> Reason:
    """Return the deepest loss as a reason, with what odd harmonics gained of it."""
    deepest = int(np.argmin(levels.gain_change_db))
    return Reason(
        code,
        loss_db=-float(levels.gain_change_db[deepest]),
        within_db=_within_db(levels, deepest),
        odd_share=share,
    )


def known_within_db(sigma_db: FloatArray, reference_sigma_db: FloatArray) -> FloatArray:
    """Return how far a gain change's 95 % interval reaches, from both levels' deviations.

    Their errors add as squares (GUM, JCGM 100:2008, 5.1.2).
    """
    return np.asarray(LIKELY_DEVIATIONS * np.hypot(sigma_db, reference_sigma_db))


def _within_db(levels: SteadyLevels, at: int) -> float:
    """Return how far the interval of a level's gain change reaches, the first one's being exact."""
    sigma_db = levels.sigma_db
    return float(known_within_db(sigma_db[at], sigma_db[0])) if at else 0.0


def _hardly_any_loss(levels: SteadyLevels, deepest_db: float) -> Classified:
    """Too little loss for an onset; a clip that has only just begun still shows."""
    lowest, highest = (int(end(levels.gain_change_db)) for end in (np.argmin, np.argmax))
    lowest_db, highest_db = (float(levels.gain_change_db[at]) for at in (lowest, highest))
    within_db = max(_within_db(levels, lowest), _within_db(levels, highest))
    growth, at_dbfs = _odd_growth(levels)
    sudden = growth >= SUDDEN_DB_PER_DB and levels.odd_db[-1] >= CLIP_THD_DB
    if sudden and deepest_db > LEAST_CLIP_LOSS_DB:
        clip = _clip(levels)
        if clip.rms_db <= clip.curved_rms_db:
            reason = Reason(
                "clip_just_begun",
                lowest_db=lowest_db,
                highest_db=highest_db,
                within_db=within_db,
                odd_growth_db_per_db=growth,
                drive_dbfs=at_dbfs,
            )
            return Classified(_clipping(levels, clip, reason), bent=True)
    reason = Reason(
        "gain_hardly_falls",
        lowest_db=lowest_db,
        highest_db=highest_db,
        within_db=within_db,
        onset_db=LEAST_LOSS_DB,
    )
    return Classified(FoundLimiter("none", reasons=(reason,)))


def _shape_share(levels: SteadyLevels, deepest: int) -> float:
    """Return odd distortion that was gained, over the share of the fundamental lost."""
    lost = 1.0 - float(db_to_ratio(levels.gain_change_db[deepest]))
    odd = db_to_ratio(np.nan_to_num(levels.odd_db, nan=SILENT_ODD_DB, neginf=SILENT_ODD_DB))
    gained = np.sqrt(max(odd[deepest] ** 2 - np.min(odd) ** 2, 0.0))
    return float(gained / lost)


def _bent_wave(levels: SteadyLevels, deepest_db: float, share: float) -> Classified:
    """The wave's own shape explains the loss: a clip, or a gently curved characteristic."""
    clip = _clip(levels)
    slope = _top_slope(levels)
    bent = _loss("gain_falls_wave_bent", levels, share)
    first_db, last_db = float(levels.crest_db[0]), float(levels.crest_db[-1])
    crest = []
    if np.isfinite(first_db) and np.isfinite(last_db):
        crest = [Reason("crest_factor", quietest_db=first_db, loudest_db=last_db)]
    tight = max(EXPLAINED_DB, EXPLAINED_SHARE * deepest_db)
    if (clip.rms_db <= tight and clip.rms_db < clip.curved_rms_db) or slope <= FLAT_TOP:
        return Classified(_clipping(levels, clip, bent, *crest), bent=True)
    gentle = Reason(
        "bent_gently",
        slope_db_per_db=slope,
        cubic_rms_db=clip.curved_rms_db,
        clip_rms_db=clip.rms_db,
    )
    return Classified(FoundLimiter("none", reasons=(bent, gentle, *crest)), bent=True)


def _clipping(levels: SteadyLevels, clip: ClipFit, *reasons: Reason) -> FoundLimiter:
    wave = clipped_sine(db_to_ratio(clip.clip_dbfs - levels.drive_dbfs), order=1)
    rms_db = _rms_db(levels, np.asarray(ratio_to_db(wave[0])), clip.rms_db)
    fits = Reason(
        "clip_fits",
        clip_dbfs=clip.clip_dbfs,
        loss_rms_db=rms_db,
        odd_rms_db=clip.thd_rms_db if np.isfinite(clip.thd_rms_db) else None,
    )
    return FoundLimiter(
        "clipping", threshold_dbfs=clip.clip_dbfs, fit_rms_db=rms_db, reasons=(*reasons, fits)
    )


def _turned_down(levels: SteadyLevels, deepest_db: float, share: float) -> Classified:
    """The gain falls and the wave stays whole: a limiter or a compressor."""
    drive_dbfs, change_db, sigma_db = levels.drive_dbfs, levels.gain_change_db, levels.sigma_db
    curve = fit_static_curve(drive_dbfs, change_db + drive_dbfs, sigma_db=sigma_db)
    if not _is_turned_down_by_drive(levels, curve, deepest_db):
        uneven = _loss("gain_falls_unevenly", levels, share)
        return Classified(FoundLimiter("none", reasons=(uneven,)))
    whole = _loss("gain_falls_wave_whole", levels, share)
    bounds = curve_bounds(drive_dbfs, change_db, sigma_db=sigma_db)
    if len(drive_dbfs) < LEAST_LEVELS or np.sum(change_db <= -HELD_BACK_DB) < LEAST_HELD_BACK:
        return Classified(_bounded(levels, bounds, whole, fit_rms_db=None))
    rms_db = _rms_db(levels, curve.gain_db + curve.gain_change_db(drive_dbfs), curve.fit_rms_db)
    if not _known(levels, bounds, curve):
        return Classified(_bounded(levels, bounds, whole, fit_rms_db=rms_db), curve)
    fits = Reason(
        "static_curve_fits",
        threshold_dbfs=curve.threshold_dbfs,
        ratio=curve.ratio,
        knee_db=curve.knee_db,
        fit_rms_db=rms_db,
    )
    limiter = FoundLimiter(
        "limiter" if _is_hard(curve.ratio) else "compressor",
        threshold_dbfs=curve.threshold_dbfs,
        ratio=curve.ratio,
        knee_db=curve.knee_db,
        fit_rms_db=rms_db,
        threshold_low_dbfs=bounds.threshold_low_dbfs,
        threshold_high_dbfs=bounds.threshold_high_dbfs,
        ratio_low=bounds.ratio_low,
        ratio_high=bounds.ratio_high,
        reasons=(whole, fits),
    )
    return Classified(limiter, curve)


def _is_hard(ratio: float | None) -> bool:
    """Tell a limiter's ratio from a compressor's, compared as printed: 3.97 is a 4 as well."""
    return ratio is None or round(ratio, 1) >= LIMITER_RATIO


def _is_turned_down_by_drive(levels: SteadyLevels, curve: StaticCurve, deepest_db: float) -> bool:
    """Tell whether a loss grows with the drive: it is largest at the top, or a curve explains it.

    A knob that was touched between two levels, or a noise in one of them, is no such loss.
    """
    explained = curve.fit_rms_db <= max(EXPLAINED_DB, EXPLAINED_SHARE * deepest_db)
    last, before = levels.gain_change_db[-1], levels.gain_change_db[:-1]
    falls = float(last) <= float(np.min(before)) - HELD_BACK_DB
    return bool(explained if len(levels.drive_dbfs) >= LEAST_LEVELS else falls)


def _known(levels: SteadyLevels, bounds: CurveBounds, curve: StaticCurve) -> bool:
    """Tell whether threshold and ratio are known, and not only what they lie between."""
    low_dbfs, high_dbfs = bounds.threshold_low_dbfs, bounds.threshold_high_dbfs
    begins_inside = low_dbfs > levels.drive_dbfs[0]
    begins_inside &= low_dbfs - 1e-9 <= curve.threshold_dbfs <= high_dbfs + 1e-9
    low, high = bounds.ratio_low, bounds.ratio_high
    same_kind = _is_hard(low) == _is_hard(high)
    near = high is not None and high <= RATIO_KNOWN * low
    # The bounds reach a step further than what is possible on either side.
    narrow = high_dbfs - low_dbfs <= 2.0 * (THRESHOLD_KNOWN_DB + THRESHOLD_STEP_DB) + 1e-9
    return bool(begins_inside and narrow and (same_kind or near))


def _bounded(
    levels: SteadyLevels, bounds: CurveBounds, whole: Reason, *, fit_rms_db: float | None
) -> FoundLimiter:
    """Return what is known where the levels leave threshold, ratio and knee to each other."""
    low_dbfs: float | None = bounds.threshold_low_dbfs
    if bounds.threshold_low_dbfs <= levels.drive_dbfs[0]:
        low_dbfs = None  # all that was played may lie above the threshold
    only = Reason(
        "only_bounds_known",
        levels=len(levels.drive_dbfs),
        threshold_low_dbfs=low_dbfs,
        threshold_high_dbfs=bounds.threshold_high_dbfs,
        ratio_low=bounds.ratio_low,
    )
    return FoundLimiter(
        "limiting",
        fit_rms_db=fit_rms_db,
        threshold_low_dbfs=low_dbfs,
        threshold_high_dbfs=bounds.threshold_high_dbfs,
        ratio_low=bounds.ratio_low,
        ratio_high=bounds.ratio_high,
        reasons=(whole, only),
    )


def _rms_db(levels: SteadyLevels, fitted_db: FloatArray, own_rms_db: float) -> float:
    """Return what a fit misses of everything it is to hold for."""
    if levels.claimed_db is None:
        return own_rms_db
    return float(np.sqrt(np.nanmean((levels.claimed_db - fitted_db[:, None]) ** 2)))


def _clip(levels: SteadyLevels) -> ClipFit:
    return fit_clipping(levels.drive_dbfs, levels.gain_change_db, levels.odd_db, order=levels.order)


def _top_slope(levels: SteadyLevels) -> float:
    """Return the output's step over the drive's, over the last decibels or the last step."""
    drive, output = levels.drive_dbfs, levels.drive_dbfs + levels.gain_change_db
    lower = max(int(np.searchsorted(drive, drive[-1] - TOP_DB + 1e-6, side="right")) - 1, 0)
    return float((output[-1] - output[lower]) / (drive[-1] - drive[lower]))


def _odd_growth(levels: SteadyLevels) -> tuple[float, float]:
    """Return the steepest growth of the odd harmonics, dB per dB, and the drive it leads to."""
    known = np.isfinite(levels.odd_db)
    if np.sum(known) < 2:
        return 0.0, float(levels.drive_dbfs[-1])
    growth = np.diff(levels.odd_db[known]) / np.diff(levels.drive_dbfs[known])
    at = int(np.argmax(growth))
    return float(growth[at]), float(levels.drive_dbfs[known][at + 1])
