"""Ranks of many sources: as far as they are told, and right."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from compared_samples import only_staircase, sources
from report_samples import sample_results, sample_take

from distsweep.comparison.ranks import (
    Score,
    common_drives,
    rank_ranges,
    ranks,
    spread_of,
    strictest_limits,
)
from distsweep.results import Results


def by_code(scores: list[Score]) -> dict[str, Score]:
    return {one.code if one.code != "clean level" else f"{one.at:g} Hz": one for one in scores}


@pytest.fixture(scope="module")
def dozen() -> list[Results]:
    return sources(12, points=120)


def test_values_far_apart_have_ranks_of_their_own() -> None:
    values = np.array([3.0, 1.0, 2.0])
    best, worst = rank_ranges(values, values - 0.1, values + 0.1, larger_is_better=True)
    assert best == worst == [1, 3, 2]
    best, worst = rank_ranges(values, values - 0.1, values + 0.1, larger_is_better=False)
    assert best == worst == [3, 1, 2]


def test_what_cannot_be_told_is_a_range() -> None:
    values = np.array([10.0, 5.1, 5.0, 4.9, 0.0])
    best, worst = rank_ranges(values, values - 1.0, values + 1.0, larger_is_better=True)
    assert list(zip(best, worst, strict=True)) == [(1, 1), (2, 4), (2, 4), (2, 4), (5, 5)]


def test_what_is_not_known_may_be_anywhere() -> None:
    values = np.array([3.0, np.nan, 1.0])
    best, worst = rank_ranges(values, values - 0.1, values + 0.1, larger_is_better=True)
    assert list(zip(best, worst, strict=True)) == [(1, 2), (1, 3), (2, 3)]


def test_a_bound_ranks_what_it_bounds() -> None:
    """At least 100 is above 90 ± 1 and says nothing against 105."""
    values = np.array([np.nan, 90.0, 105.0])
    low, high = np.array([100.0, 89.0, 104.0]), np.array([np.nan, 91.0, 106.0])
    best, worst = rank_ranges(values, low, high, larger_is_better=True, are_bounds=True)
    assert list(zip(best, worst, strict=True)) == [(1, 2), (3, 3), (1, 2)]


def test_no_interval_is_no_rank() -> None:
    values, nothing = np.array([3.0, 2.0, 1.0]), np.full(3, np.nan)
    best, worst = rank_ranges(values, nothing, nothing, larger_is_better=True)
    assert best == [1, 1, 1] and worst == [3, 3, 3]


def test_ranges_hold_the_true_rank_in_95_of_100(rng: np.random.Generator) -> None:
    """Normal errors of known spread, true values as near to each other as their errors."""
    inside = []
    for _ in range(400):
        truth = rng.normal(0.0, 1.0, 12)
        spread = rng.uniform(0.1, 1.0, 12)
        values = truth + spread * rng.normal(size=12)
        best, worst = rank_ranges(
            values, values - 1.96 * spread, values + 1.96 * spread, larger_is_better=True
        )
        rank = 1 + np.sum(truth[None, :] > truth[:, None], axis=1)
        inside.append((rank >= best) & (rank <= worst))
    assert np.mean(inside) >= 0.95


def test_ranges_are_no_wider_than_errors_make_them(rng: np.random.Generator) -> None:
    truth = np.arange(12.0)
    values = truth + 0.1 * rng.normal(size=12)
    best, worst = rank_ranges(values, values - 0.196, values + 0.196, larger_is_better=True)
    assert best == worst == list(range(12, 0, -1))


def test_louder_and_cleaner_sources_rank_higher(dozen: list[Results]) -> None:
    """Each sample is 0.3 dB louder than the last, and its THD 0.7 dB lower."""
    scores = by_code(ranks(dozen))
    assert set(scores) == {
        "sensitivity", "thd", "63 Hz", "250 Hz", "1000 Hz", "8000 Hz", "unevenness",
    }  # fmt: skip
    assert scores["sensitivity"].best_rank == list(range(12, 0, -1))
    assert scores["sensitivity"].worst_rank == list(range(12, 0, -1))
    assert np.diff(scores["sensitivity"].values) == pytest.approx(np.full(11, 0.3))
    assert np.diff(scores["thd"].values) == pytest.approx(np.full(11, -0.7), abs=1e-6)
    assert scores["thd"].best_rank[-1] == 1 and scores["thd"].worst_rank[0] == 12
    best, worst = scores["1000 Hz"].best_rank, scores["1000 Hz"].worst_rank
    assert worst[0] == 12 and best[-1] == 1
    assert all(high - low >= 2 for low, high in zip(best, worst, strict=True))  # ±0.4 of 0.3 dB


def test_equal_responses_are_equally_uneven(dozen: list[Results]) -> None:
    scores = by_code(ranks(dozen))
    assert np.ptp(scores["unevenness"].values) < 1e-9
    assert scores["unevenness"].best_rank == [1] * 12
    assert scores["unevenness"].worst_rank == [12] * 12


def test_the_unevenness_is_the_thirds_standard_deviation(dozen: list[Results]) -> None:
    score = by_code(ranks(dozen))["unevenness"]
    rung = dozen[0].takes[0].rungs[0]
    averages = next(one for one in rung.smoothed if one.bands_per_octave == 3)
    inside = (averages.frequency_hz > 99.0) & (averages.frequency_hz < 10_100.0)
    assert np.sum(inside) == 21
    assert score.values[0] == pytest.approx(np.std(averages.fundamental.level_db[inside]))


def test_sources_without_a_ladder_have_no_figures(dozen: list[Results]) -> None:
    mixed = [*dozen[:3], only_staircase(dozen[3])]
    scores = by_code(ranks(mixed))
    assert np.isnan(scores["sensitivity"].values[3])
    assert (scores["sensitivity"].best_rank[3], scores["sensitivity"].worst_rank[3]) == (1, 4)
    assert ranks([only_staircase(one) for one in dozen]) == []


def test_uncalibrated_levels_are_not_ranked_among_calibrated_ones(dozen: list[Results]) -> None:
    others = sources(1, points=120, calibrated=False)
    scores = by_code(ranks([*dozen[:2], *others]))
    assert np.isnan(scores["sensitivity"].values[2])
    assert np.isnan(scores["1000 Hz"].low[2]) and np.isnan(scores["1000 Hz"].high[2])
    assert np.isfinite(scores["thd"].values[2])


def test_files_without_averages_have_only_what_they_hold() -> None:
    old = [sample_results(sample_take(points=120)) for _ in range(3)]
    scores = by_code(ranks(old))
    assert set(scores) == {"sensitivity"}


def test_drives_are_those_that_all_played_unclipped(dozen: list[Results]) -> None:
    take, other = dozen[0].takes[0], dozen[1].takes[0]
    rungs = [replace(rung, clipped=rung.drive_dbfs > -5.0) for rung in other.rungs[1:]]
    assert common_drives([take, replace(other, rungs=rungs), None]) == [-34, -28, -22, -16, -10]
    assert common_drives([take]) == []
    assert common_drives([take, replace(other, rungs=[])]) == []


def test_limits_are_the_strictest_that_all_have(dozen: list[Results]) -> None:
    take = dozen[0].takes[0]
    (clean,) = take.clean_level_third_octave
    loose = replace(clean, thd_percent=3.0)
    both = replace(take, clean_level_third_octave=[clean, loose])
    assert strictest_limits([both, take]) == (1.0, 1.0)
    assert strictest_limits([both, replace(take, clean_level_third_octave=[loose])]) == (3.0, 1.0)
    assert strictest_limits([None]) is None


def test_a_spread_is_the_median_with_a_tenth_at_either_end() -> None:
    f = np.array([100.0, 200.0, 400.0])
    curves = [np.array([float(k), float(k), np.nan if k > 4 else 1.0]) for k in range(11)]
    spread = spread_of(f, curves)
    assert spread.median[:2] == pytest.approx([5.0, 5.0])
    assert spread.low[:2] == pytest.approx([1.0, 1.0])
    assert spread.high[:2] == pytest.approx([9.0, 9.0])
    assert np.isnan(spread.median[2])  # known of five out of eleven
