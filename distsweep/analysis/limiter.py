"""What holds the output back: limiter, compressor, clipping, a hot coil, or nothing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from distsweep.analysis.clipping import ClipFit, fit_clipping
from distsweep.analysis.static_curve import StaticCurve, fit_static_curve, ratio_of_steps
from distsweep.results import Limiter
from distsweep.units import FloatArray, db_to_ratio

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
    them; ``crest_db`` the wave's peak over RMS (NaN if not known).
    """

    drive_dbfs: FloatArray
    gain_change_db: FloatArray
    sigma_db: FloatArray
    odd_db: FloatArray
    crest_db: FloatArray
    order: int


@dataclass(frozen=True)
class Verdict:
    """A kind with what was fitted on the way to it."""

    limiter: Limiter
    curve: StaticCurve | None = None


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
    change = f"the gain changes by no more than {_db(-deepest_db)} on the way up"
    growth, at = _odd_growth(levels)
    if growth >= SUDDEN_DB_PER_DB and levels.odd_db[-1] >= CLIP_THD_DB and deepest_db > 0.02:
        clip = _clip(levels)
        if clip.rms_db <= clip.curved_rms_db:
            text = (
                f"{change}, yet odd harmonics grow by {growth:.1f} dB per dB at {at:g} dBFS"
                " and reach 1 % or more: a clip that has only just begun"
            )
            return Verdict(_clipping(clip, [text.replace(" -", " −")]))
    return Verdict(Limiter("none", evidence=[f"{change}: under {LEAST_LOSS_DB:g} dB"]))


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
        flat = [f"the wave's crest goes from {fall} (a sine's is 3.0, a square wave's 0)"]
    tight = max(0.1, 0.15 * deepest_db)
    if (clip.rms_db <= tight and clip.rms_db < clip.curved_rms_db) or slope <= FLAT_TOP:
        return Verdict(_clipping(clip, [bent, *flat]))
    gentle = (
        f"it bends gently: at the top the output still follows with {slope:.2f} dB per dB, and a"
        f" cubic characteristic fits as well as a clip ({clip.curved_rms_db:.2f} against"
        f" {clip.rms_db:.2f} dB): the driver's own, no protection"
    )
    return Verdict(Limiter("none", evidence=[bent, gentle, *flat]))


def _clipping(clip: ClipFit, evidence: list[str]) -> Limiter:
    follows = (
        f"a wave clipped from {clip.clip_dbfs:.1f} dBFS on has these losses within"
        f" {clip.rms_db:.2f} dB"
    )
    if np.isfinite(clip.thd_rms_db):
        follows += f" and these odd harmonics within {clip.thd_rms_db:.1f} dB"
    return Limiter(
        "clipping",
        threshold_dbfs=clip.clip_dbfs,
        fit_rms_db=clip.rms_db,
        evidence=[*evidence, follows.replace(" -", " −")],
    )


def _turned_down(levels: SteadyLevels, deepest_db: float, share: float) -> Verdict:
    """The gain falls and the wave stays whole: a limiter or a compressor."""
    whole = (
        f"the gain falls by {_db(deepest_db)} while odd harmonics hardly grow"
        f" ({share:.2f} of the share lost; a bent wave shows 0.3 or more)"
    )
    if len(levels.drive_dbfs) < 4:
        ratio = _top_ratio(levels)
        kind = "limiter" if ratio >= LIMITER_RATIO else "compressor"
        few = f"{len(levels.drive_dbfs)} levels are too few for threshold, ratio and knee"
        return Verdict(Limiter(kind, evidence=[whole, few]))
    held = levels.gain_change_db <= -HELD_BACK_DB
    if np.sum(held) < 2:
        return Verdict(_held_once(levels, int(np.argmax(held)), whole))
    curve = fit_static_curve(levels.drive_dbfs, levels.gain_change_db + levels.drive_dbfs,
                             sigma_db=levels.sigma_db)  # fmt: skip
    ratio_or_none = curve.ratio
    infinite = ratio_or_none is None
    # Compared as printed: 3.97 is a 4 as well as can be measured.
    hard = ratio_or_none is None or round(ratio_or_none, 1) >= LIMITER_RATIO
    kind = "limiter" if hard else "compressor"
    words = "infinite (20 or more)" if infinite else f"{ratio_or_none:.2g}"
    text = (
        f"above {curve.threshold_dbfs:.1f} dBFS a ratio of {words} with a knee of"
        f" {curve.knee_db:.1f} dB fits within {curve.fit_rms_db:.2f} dB"
    )
    limiter = Limiter(
        kind,
        threshold_dbfs=curve.threshold_dbfs,
        ratio=ratio_or_none,
        knee_db=curve.knee_db,
        fit_rms_db=curve.fit_rms_db,
        evidence=[whole, text.replace("-", "−")],
    )
    return Verdict(limiter, curve)


def _held_once(levels: SteadyLevels, at: int, whole: str) -> Limiter:
    """Only the loudest level is held back: where it began, and how steeply, is not known."""
    before, here = levels.drive_dbfs[at - 1], levels.drive_dbfs[at]
    least = _top_ratio(levels)
    bounds = (
        f"only the level at {here:g} dBFS is held back: it begins between {before:g} and"
        f" {here:g} dBFS, with a ratio of {min(least, 99.0):.2g} or more; smaller steps would tell"
    )
    kind = "limiter" if least >= LIMITER_RATIO else "compressor"
    return Limiter(kind, evidence=[whole, bounds.replace("-", "−")])


def _clip(levels: SteadyLevels) -> ClipFit:
    return fit_clipping(levels.drive_dbfs, levels.gain_change_db, levels.odd_db, order=levels.order)


def _top_ratio(levels: SteadyLevels) -> float:
    """Return drive's step over the output's at the top; a billion where nothing came of it."""
    slope = _top_slope(levels)
    return ratio_of_steps(db_to_ratio(1.0), db_to_ratio(slope)) if slope > 1e-9 else 1e9


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


def _db(value: float) -> str:
    return f"{round(value, 2) + 0.0:.2f} dB".replace("-", "−")
