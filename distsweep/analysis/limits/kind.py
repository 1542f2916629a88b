"""What holds the output back: limiter, compressor, clipping, a hot coil, or nothing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.analysis.limits.clipping import ClipFit, clipped_sine, fit_clipping
from distsweep.analysis.limits.static_curve import (
    THRESHOLD_STEP_DB,
    CurveBounds,
    StaticCurve,
    curve_bounds,
    fit_static_curve,
)
from distsweep.results import Limiter
from distsweep.units import FloatArray, db_to_ratio, ratio_to_db

LEAST_LOSS_DB = 0.5
"""A smaller loss of gain is no onset (contract), and is given no kind."""

LIMITER_RATIO = 4.0
"""From this ratio on it is a limiter (contract)."""

EXPLAINED_BY_SHAPE = 0.15
"""Odd distortion over lost share of the fundamental, from which the wave's shape explains the
loss. A memoryless characteristic has at least 0.33 (cubic: 1/3; hard clip: 0.5 to 1.4; tanh:
0.34 to 0.44), a gain that follows the level slowly a hundredth; half of the former leaves
room for a response that falls between f and 3f."""

HELD_BACK_DB = 0.2
"""A level that loses so much is held back; a static curve is fitted through two or more such
levels (chosen: through one, threshold and ratio trade against each other freely)."""

THRESHOLD_KNOWN_DB = 0.3
"""A threshold is stated if it is known to so much either way; else what it lies between is."""

RATIO_KNOWN = 1.25
"""A ratio whose ends are so near each other is stated, on whichever side of 4 they lie."""

EXPLAINED_DB, EXPLAINED_SHARE = 0.1, 0.15
"""A curve explains a loss that it misses by no more than that, in dB or as a share of the deepest
(chosen: limiters of two stages are missed by less, one level that is off by 1 dB by more)."""

FLAT_TOP = 0.25
"""Local slope of output over drive from which a bent wave counts as clipped (ratio of 4)."""

SUDDEN_DB_PER_DB = 4.0
"""Odd distortion that grows faster than this is a clip's: a cubic's grows by 2 dB per dB."""

CLIP_THD_DB = -40.0
"""… once it reaches this (1 %)."""


@dataclass(frozen=True)
class SteadyLevels:
    """Steady levels on the way up, cleared of what sagged slowly; shape ``(R,)``, R ≥ 2.

    ``gain_change_db`` is re the reference; ``sigma_db`` its uncertainty; ``odd_db`` the root
    of the summed squares of the odd harmonics, re the fundamental; ``order`` the highest of
    them; ``crest_db`` the wave's peak over RMS (NaN if not known). ``claimed_db`` are the gain
    changes of all frequencies that a verdict is to hold for, ``(R, N)``, where the levels are
    their median: what a fit misses is told over all of them.
    """

    drive_dbfs: FloatArray
    gain_change_db: FloatArray
    sigma_db: FloatArray
    odd_db: FloatArray
    crest_db: FloatArray
    order: int
    claimed_db: FloatArray | None = None


@dataclass(frozen=True)
class Verdict:
    """A kind with what was fitted on the way to it; ``bent`` says that the waveform is."""

    limiter: Limiter
    curve: StaticCurve | None = None
    bent: bool = False


def judge(levels: SteadyLevels) -> Verdict:
    """Tell from steady levels what holds the output back; thermal is told elsewhere."""
    loss_db = -levels.gain_change_db
    deepest = int(np.argmax(loss_db))
    deepest_db = float(loss_db[deepest])
    if deepest_db < LEAST_LOSS_DB:
        return _barely(levels, deepest_db)
    share = _shape_share(levels, deepest)
    if share >= EXPLAINED_BY_SHAPE:
        return _bent(levels, deepest_db, share)
    return _turned_down(levels, deepest_db, share)


def _barely(levels: SteadyLevels, deepest_db: float) -> Verdict:
    """Too little loss for an onset; a clip that has only just begun still shows."""
    change = f"the gain changes by {_range(levels.gain_change_db)} on the way up"
    growth, at = _odd_growth(levels)
    if growth >= SUDDEN_DB_PER_DB and levels.odd_db[-1] >= CLIP_THD_DB and deepest_db > 0.02:
        clip = _clip(levels)
        if clip.rms_db <= clip.curved_rms_db:
            text = (
                f"{change}, yet odd harmonics grow by {growth:.1f} dB per dB at {at:g} dBFS"
                " and reach 1 % or more: a clip that has only just begun"
            )
            return Verdict(_clipping(levels, clip, [text.replace(" -", " −")]), bent=True)
    text = f"{change}: it falls by less than {LEAST_LOSS_DB:g} dB"
    return Verdict(Limiter("none", evidence=[text]))


def _shape_share(levels: SteadyLevels, deepest: int) -> float:
    """Return odd distortion that was gained, over the share of the fundamental lost."""
    lost = 1.0 - float(db_to_ratio(levels.gain_change_db[deepest]))
    odd = db_to_ratio(np.nan_to_num(levels.odd_db, nan=-200.0, neginf=-200.0))
    gained = np.sqrt(max(odd[deepest] ** 2 - np.min(odd) ** 2, 0.0))
    return float(gained / lost)


def _bent(levels: SteadyLevels, deepest_db: float, share: float) -> Verdict:
    """The wave's own shape explains the loss: a clip, or a gently curved characteristic."""
    clip = _clip(levels)
    slope = _top_slope(levels)
    bent = (
        f"the gain falls by {_db(deepest_db)} and odd harmonics grow with it"
        f" ({share:.2f} of the share lost; a bent wave shows 0.3 to 1.4, a limiter far less)"
    )
    crest = levels.crest_db
    flat = []
    if np.all(np.isfinite(crest[[0, -1]])):
        fall = f"{crest[0]:.1f} to {crest[-1]:.1f} dB"
        flat = [f"the crest factor goes from {fall} (a sine's is 3.0, a square wave's 0)"]
    tight = max(EXPLAINED_DB, EXPLAINED_SHARE * deepest_db)
    if (clip.rms_db <= tight and clip.rms_db < clip.curved_rms_db) or slope <= FLAT_TOP:
        return Verdict(_clipping(levels, clip, [bent, *flat]), bent=True)
    gentle = (
        "the waveform is bent gently: at the highest drive the output"
        f" still follows with {slope:.2f} dB per dB (a cubic characteristic misses the losses by"
        f" {clip.curved_rms_db:.2f} dB, a clip by {clip.rms_db:.2f} dB)"
    )
    return Verdict(Limiter("none", evidence=[bent, gentle, *flat]), bent=True)


def _clipping(levels: SteadyLevels, clip: ClipFit, evidence: list[str]) -> Limiter:
    wave = clipped_sine(db_to_ratio(clip.clip_dbfs - levels.drive_dbfs), order=1)
    rms_db = _rms_db(levels, np.asarray(ratio_to_db(wave[0])), clip.rms_db)
    follows = (
        f"a wave clipped from {clip.clip_dbfs:.1f} dBFS on has these losses within {rms_db:.2f} dB"
    )
    if np.isfinite(clip.thd_rms_db):
        follows += f" and these odd harmonics within {clip.thd_rms_db:.1f} dB"
    return Limiter(
        "clipping",
        threshold_dbfs=clip.clip_dbfs,
        fit_rms_db=rms_db,
        evidence=[*evidence, follows.replace(" -", " −")],
    )


def _turned_down(levels: SteadyLevels, deepest_db: float, share: float) -> Verdict:
    """The gain falls and the wave stays whole: a limiter or a compressor."""
    whole = (
        f"the gain falls by {_db(deepest_db)} while odd harmonics hardly grow"
        f" ({share:.2f} of the share lost; a bent wave shows 0.3 or more)"
    )
    bounds = curve_bounds(levels.drive_dbfs, levels.gain_change_db, sigma_db=levels.sigma_db)
    held = levels.gain_change_db <= -HELD_BACK_DB
    curve = fit_static_curve(levels.drive_dbfs, levels.gain_change_db + levels.drive_dbfs,
                             sigma_db=levels.sigma_db)  # fmt: skip
    if not _is_turned_down_by_drive(levels, curve, deepest_db):
        uneven = "but not as a limiter's: it does not fall as the drive rises"
        return Verdict(Limiter("none", evidence=[f"{whole}, {uneven}"]))
    if len(levels.drive_dbfs) < 4 or np.sum(held) < 2:
        return Verdict(_bounded(levels, bounds, whole))
    rms_db = _rms_db(
        levels, curve.gain_db + curve.gain_change_db(levels.drive_dbfs), curve.fit_rms_db
    )
    if not _known(levels, bounds, curve):
        limiter = _bounded(levels, bounds, whole)
        limiter.fit_rms_db = rms_db
        return Verdict(limiter, curve)
    words = "infinite (20 or more)" if curve.ratio is None else f"{curve.ratio:.2g}"
    text = (
        f"above {curve.threshold_dbfs:.1f} dBFS a ratio of {words} with a knee of"
        f" {curve.knee_db:.1f} dB fits within {rms_db:.2f} dB"
    )
    limiter = Limiter(
        "limiter" if _is_hard(curve.ratio) else "compressor",
        threshold_dbfs=curve.threshold_dbfs,
        ratio=curve.ratio,
        knee_db=curve.knee_db,
        fit_rms_db=rms_db,
        evidence=[whole, text.replace("-", "−")],
        threshold_low_dbfs=bounds.threshold_low_dbfs,
        threshold_high_dbfs=bounds.threshold_high_dbfs,
        ratio_low=bounds.ratio_low,
        ratio_high=bounds.ratio_high,
    )
    return Verdict(limiter, curve)


def may_act_from_the_lowest(limiter: Limiter) -> bool:
    """Tell whether the lowest level played may be held back already: no threshold is above it."""
    begins = limiter.threshold_dbfs is not None or limiter.threshold_low_dbfs is not None
    return limiter.kind in ("limiter", "compressor", "limiting") and not begins


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
    return bool(explained if len(levels.drive_dbfs) >= 4 else falls)


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


def _bounded(levels: SteadyLevels, bounds: CurveBounds, whole: str) -> Limiter:
    """Return what is known where the levels leave threshold, ratio and knee to each other."""
    low: float | None = bounds.threshold_low_dbfs
    high = bounds.threshold_high_dbfs
    if bounds.threshold_low_dbfs <= levels.drive_dbfs[0]:
        low = None  # all that was played may lie above the threshold
    place = (
        f"between {low:.1f} and {high:.1f} dBFS" if low is not None else f"below {high:.1f} dBFS"
    )
    text = (
        f"only bounds are known from {len(levels.drive_dbfs)} levels, whatever the knee: a"
        f" threshold {place} and a ratio of at least {min(bounds.ratio_low, 99.0):.2g}; smaller"
        " steps would tell"
    )
    return Limiter(
        "limiting",
        evidence=[whole, text.replace("-", "−")],
        threshold_low_dbfs=low,
        threshold_high_dbfs=high,
        ratio_low=bounds.ratio_low,
        ratio_high=bounds.ratio_high,
    )


def _rms_db(levels: SteadyLevels, fitted_db: FloatArray, own_rms_db: float) -> float:
    """Return what a fit misses of everything it is to hold for."""
    if levels.claimed_db is None:
        return own_rms_db
    return float(np.sqrt(np.nanmean((levels.claimed_db - fitted_db[:, None]) ** 2)))


def _clip(levels: SteadyLevels) -> ClipFit:
    return fit_clipping(levels.drive_dbfs, levels.gain_change_db, levels.odd_db, order=levels.order)


def _top_slope(levels: SteadyLevels) -> float:
    """Return the output's step over the drive's, over the last 3 dB or the last step."""
    drive, output = levels.drive_dbfs, levels.drive_dbfs + levels.gain_change_db
    lower = min(int(np.searchsorted(drive, drive[-1] - 3.0 + 1e-6, side="right")), len(drive) - 1)
    lower = max(lower - 1, 0)
    return float((output[-1] - output[lower]) / (drive[-1] - drive[lower]))


def _odd_growth(levels: SteadyLevels) -> tuple[float, float]:
    """Return the steepest growth of the odd harmonics, dB per dB, and the drive it leads to."""
    known = np.isfinite(levels.odd_db)
    if np.sum(known) < 2:
        return 0.0, float(levels.drive_dbfs[-1])
    growth = np.diff(levels.odd_db[known]) / np.diff(levels.drive_dbfs[known])
    at = int(np.argmax(growth))
    return float(growth[at]), float(levels.drive_dbfs[known][at + 1])


def _range(change_db: FloatArray) -> str:
    """Write from where to where the gain changes, both ends as they are printed elsewhere."""
    low, high = (_db(float(value)) for value in (np.min(change_db), np.max(change_db)))
    return low if low == high else f"{low.removesuffix(' dB')} to {high}"


def _db(value: float) -> str:
    return f"{round(value, 2) + 0.0:.2f} dB".replace("-", "−")
