"""What limits a ladder, on invented rungs whose answer is plain: band, onset, rattles."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from report_samples import alter, sample_take, with_intervals

from distsweep.analysis.limits.clean_level_ladder import ladder_clean_levels
from distsweep.analysis.limits.gain_change import with_ends
from distsweep.analysis.limits.ladder import find_ladder_limits
from distsweep.analysis.limits.limiter_kind import FoundLimiter, SteadyLevels, classify
from distsweep.results import CleanLevel, Compression, Take

DRIVES = np.array([-40.0, -34.0, -28.0, -22.0, -16.0, -10.0, -4.0])


def limited_take(loss_db: np.ndarray) -> Take:
    """A sample take whose gain changes are −``loss_db``, shape ``(R, F)``, and odd orders faint."""
    take = sample_take()
    nowhere = np.full(take.frequency_hz.size, np.nan)
    alter(take, compression=Compression(-40.0, list(-loss_db), nowhere, nowhere, nowhere))
    for rung in take.rungs:
        for order, curve in rung.harmonics.items():
            if order % 2:
                curve.level_db[:] = -70.0
    return take


def limits_of(take: Take):  # type: ignore[no-untyped-def]
    return find_ladder_limits(take.frequency_hz, take.rungs, take.compression)


def clean_levels_of(take: Take) -> list[CleanLevel]:
    compression = with_ends(take.compression, with_intervals(take).rungs, reference=0)
    limiters = limits_of(take).limiters
    return [
        clean
        for levels in ladder_clean_levels(take.frequency_hz, take.rungs, compression, limiters)
        for clean in levels
    ]


def values_of(limiter: FoundLimiter, code: str) -> dict[str, Any]:
    (reason,) = [reason for reason in limiter.reasons if reason.code == code]
    return dict(reason.values)


def test_the_woofers_band_is_told_from_the_treble_that_follows() -> None:
    f = sample_take().frequency_hz
    over = np.maximum(DRIVES + 20.0, 0.0)[:, None] * 0.9
    take = limited_take(np.where(f < 800.0, over, 0.0))
    found = limits_of(take).limiters[0]
    assert found is not None and found.kind == "limiter"
    assert found.threshold_dbfs == pytest.approx(-20.0, abs=0.1)
    assert found.ratio == pytest.approx(10.0, rel=0.02)
    # The median over a sixth of an octave may move the edge by half of that.
    assert found.band_hz == pytest.approx([f[0], 800.0], rel=0.07)
    assert values_of(found, "bands_fall")["rest_change_db"] == pytest.approx(0.0, abs=0.01)


def test_a_narrow_dip_is_no_limiter_and_does_not_hide_one() -> None:
    f = sample_take().frequency_hz
    narrow = np.abs(np.log2(f / 300.0)) < 1.0 / 16.0
    over = np.maximum(DRIVES + 20.0, 0.0)[:, None]
    alone = limits_of(limited_take(np.where(narrow, 0.9 * over, 0.0))).limiters[0]
    assert alone is not None and alone.kind == "none"
    both = limits_of(limited_take(np.where(narrow, 1.5 * over, 0.75 * over))).limiters[0]
    assert both is not None and both.ratio == pytest.approx(4.0, rel=0.02)
    assert both.kind == "limiter"


def test_values_that_the_noise_hides_take_no_part() -> None:
    f = sample_take().frequency_hz
    loss = np.maximum(DRIVES + 20.0, 0.0)[:, None] * np.ones(f.size) * 0.5
    loss[:2, f > 5000.0] = np.nan
    loss[:, f < 40.0] = np.nan
    found = limits_of(limited_take(loss)).limiters[0]
    assert found is not None and found.kind == "compressor"
    assert found.ratio == pytest.approx(2.0, rel=0.02)
    assert found.band_hz is not None and found.band_hz[0] >= 40.0


def test_one_rung_states_nothing() -> None:
    take = limited_take(np.zeros((7, sample_take().frequency_hz.size)))
    alter(take, rungs=take.rungs[:1])
    assert take.compression is not None
    alter(take.compression, gain_change_db=take.compression.gain_change_db[:1])
    found = limits_of(take)
    assert found.limiters == []
    for clean in clean_levels_of(take):
        assert "compression" not in clean.limited_by
        if np.isnan(clean.thd_percent):  # a limit of compression alone
            assert set(clean.state) == {"unknown"}


def test_a_threshold_below_the_lowest_rung_leaves_no_level_without_compression() -> None:
    """3:1 from 10 dB below the ladder on: the lowest rung has lost 6.7 dB already."""
    loss = np.outer((DRIVES - DRIVES[0]) * 2.0 / 3.0, np.ones(sample_take().frequency_hz.size))
    take = limited_take(loss)
    found = limits_of(take)
    assert found.limiters[0].kind == "limiting" and found.limiters[0].threshold_low_dbfs is None
    for clean in clean_levels_of(take):
        if clean.compression_db is not None:
            assert set(clean.state) <= {"below", "unknown"}


@pytest.mark.parametrize("off", [{0: -1.2}, {0: -0.7}, {3: 1.2}])
def test_a_level_that_is_off_is_no_limiter(off: dict[int, float]) -> None:
    """A knob that was touched after the first rung, or a noise in one of them."""
    loss = np.zeros((len(DRIVES), sample_take().frequency_hz.size))
    for rung, lost_db in off.items():
        loss[rung] += lost_db
    (limiter,) = limits_of(limited_take(loss - loss[0])).limiters
    assert limiter.kind == "none"


def test_high_order_sound_is_found_with_its_frequency_and_drive() -> None:
    take = sample_take()
    f = take.frequency_hz
    rattle = np.abs(np.log2(f / 212.0)) < 0.1
    for rung in take.rungs:
        rung.high_order_db[:] = -85.0  # 5 dB over a floor of −90: noise, and faint
        if rung.drive_dbfs >= -16.0:
            rung.high_order_db[rattle] = -50.0 - 20.0 * np.abs(np.log2(f[rattle] / 212.0))
        if rung.drive_dbfs >= -4.0:
            rung.high_order_db[f < 60.0] = -30.0  # bottoms out as well
    first, second = limits_of(take).high_order_onset
    assert first.drive_dbfs == -16.0
    assert first.frequency_hz == pytest.approx(212.0, rel=0.02)
    assert first.band_hz == pytest.approx([212.0 * 2**-0.1, 212.0 * 2**0.1], rel=0.03)
    assert (second.drive_dbfs, second.level_db) == (-4.0, -30.0)
    assert second.frequency_hz < 60.0


def test_a_lone_point_or_faint_sound_is_no_onset() -> None:
    take = sample_take()
    for rung in take.rungs:
        rung.high_order_db[:] = -65.0  # 25 dB over the floor, but under 0.1 %
        rung.high_order_db[200] = -40.0
    assert limits_of(take).high_order_onset == []


def test_one_level_held_back_gives_bounds_and_no_numbers() -> None:
    """A single loud rung: threshold and ratio would trade against each other freely."""
    drive = np.array([-40.0, -34.0, -28.0, -22.0, -16.0, -10.0])
    levels = SteadyLevels(
        drive_dbfs=drive,
        gain_change_db=np.array([0.0, 0.0, 0.0, -0.01, -0.03, -3.9]),
        sigma_db=np.full(6, 0.01),
        odd_db=np.full(6, -60.0),
        crest_db=np.full(6, 3.0),
        order=5,
    )
    limiter = classify(levels).limiter
    assert limiter.kind == "limiting"
    assert limiter.threshold_dbfs is None and limiter.ratio is None and limiter.knee_db is None
    # Hard from −16 dBFS on: 6 dB asked for and 2.1 given, 2.9:1. Infinite and hard: from −13.9 on;
    # with a knee that reaches −16 it is higher, and 3.9 dB at −10 leave it below that.
    low, high = limiter.threshold_low_dbfs, limiter.threshold_high_dbfs
    assert low is not None and high is not None
    assert low == pytest.approx(-16.0, abs=0.2) and -13.9 < high < -10.0
    assert limiter.ratio_low is not None and 2.6 < limiter.ratio_low <= 6.0 / 2.1
    assert limiter.ratio_high is None
    assert values_of(limiter, "only_bounds_known")["ratio_low"] == limiter.ratio_low


def test_a_driver_that_loses_gain_near_its_resonance_is_judged_there() -> None:
    """No two frequencies lose the same: neither none nor a row of limiters is the answer."""
    f = sample_take().frequency_hz
    hill = np.exp(-((np.log2(f / 70.0) / 0.9) ** 2))
    over = np.maximum(DRIVES + 20.0, 0.0)[:, None] * 0.4
    found = limits_of(limited_take(over * hill)).limiters
    assert len(found) == 1 and found[0].kind in ("compressor", "limiting")
    assert found[0].band_hz is not None and found[0].band_hz[0] < 70.0 < found[0].band_hz[1]
    assert found[0].band_hz[1] < 200.0


def test_one_limiter_whose_loss_drifts_with_frequency_is_one() -> None:
    """A driver adds 1.2 dB to a limiter's loss near its resonance, less and less above."""
    f = sample_take().frequency_hz
    drift = 1.2 / (1.0 + (f / 150.0) ** 1.5)
    over = np.maximum(DRIVES + 20.0, 0.0)[:, None]
    (found,) = limits_of(limited_take(over * 0.8 + drift * (over / 16.0) ** 2)).limiters
    assert found.kind in ("limiter", "limiting")
    assert found.band_hz is not None
    assert found.band_hz[0] < 100.0 and found.band_hz[1] > 15000.0


@pytest.mark.parametrize("apart_db", [2.0, -5.0])
def test_two_bands_are_two_limiters_and_their_crossover_is_none(apart_db: float) -> None:
    """Branches of a fourth-order crossover at 900 Hz, 8:1, added in phase as they are."""
    f = sample_take().frequency_hz
    share = (f / 900.0) ** 4 / (1.0 + (f / 900.0) ** 4)
    total = np.zeros((DRIVES.size, f.size))
    for part, threshold_dbfs in ((1.0 - share, -20.0), (share, -20.0 + apart_db)):
        reached = DRIVES[:, None] + 20.0 * np.log10(part)
        total += part * 10.0 ** (-0.875 / 20.0 * np.maximum(reached - threshold_dbfs, 0.0))
    low, high = limits_of(limited_take(-20.0 * np.log10(total))).limiters
    for one, threshold_dbfs in ((low, -20.0), (high, -20.0 + apart_db)):
        assert one.kind == "limiter"
        assert one.threshold_dbfs == pytest.approx(threshold_dbfs, abs=0.3)
        assert one.fit_rms_db is not None and one.fit_rms_db < 0.5
    assert low.band_hz is not None and high.band_hz is not None
    assert low.band_hz[1] < 900.0 < high.band_hz[0]
    codes = {reason.code for reason in low.reasons}
    assert codes & {"between_bands_blend", "between_bands_wide_blend"}


@pytest.mark.parametrize("third", [False, True])
def test_between_two_limiters_only_what_is_seen_is_told(third: bool) -> None:
    """A three-way, fourth-order crossovers: only its woofer and tweeter limited, or all of it."""
    f = sample_take().frequency_hz
    first_hz, second_hz = (500.0, 1500.0) if third else (300.0, 3000.0)
    below = 1.0 / (1.0 + (f / first_hz) ** 4)
    above = (1.0 - below) / (1.0 + (second_hz / f) ** 4)
    total = np.zeros((DRIVES.size, f.size))
    for part, threshold_dbfs in (
        (below, -20.0), (1.0 - below - above, -14.0 if third else 99.0), (above, -22.0)
    ):  # fmt: skip
        reached = DRIVES[:, None] + 20.0 * np.log10(part)
        total += part * 10.0 ** (-0.75 / 20.0 * np.maximum(reached - threshold_dbfs, 0.0))
    low, *_ = limits_of(limited_take(-20.0 * np.log10(total))).limiters
    (between,) = [one.code for one in low.reasons if one.code.startswith("between_bands")]
    assert between == ("between_bands_wide_blend" if third else "between_bands_no_loss")


def test_a_limiter_that_has_just_begun_claims_no_band_that_loses_nothing() -> None:
    f = sample_take().frequency_hz
    share = 1.0 / (1.0 + (f / 1300.0) ** 4)
    loss = share * 0.75 * np.maximum(DRIVES + 5.3, 0.0)[:, None]
    (found,) = limits_of(limited_take(loss)).limiters
    assert found.kind != "none" and found.band_hz is not None
    assert found.band_hz[0] == pytest.approx(f[0]) and found.band_hz[1] < 1800.0
