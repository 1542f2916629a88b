"""What a comparison says of ladders whose levels, harmonics and noise are known."""

from __future__ import annotations

import dataclasses
from statistics import NormalDist

import numpy as np
import pytest
from comparison_samples import THIRDS_HZ, Made, clean_level, flat, mild

from distsweep.comparison import sentences
from distsweep.comparison.aligned import places
from distsweep.comparison.beyond_doubt import deviations, difference_ends, limit_deviations
from distsweep.comparison.compare import compare
from distsweep.comparison.differences import Doubts
from distsweep.comparison.regions import Region, at_largest, regions
from distsweep.errors import InputError
from distsweep.results.rung_curves import Curves


def curves(value: float, low: float, high: float) -> Curves:
    return Curves(np.array([value]), np.array([low]), np.array([high]))


def test_both_sides_intervals_join_as_the_root_of_the_sum_of_squares() -> None:
    ends = difference_ends(curves(80.0, 79.7, 80.3), curves(82.0, 81.6, 82.4))
    assert ends.values[0] == pytest.approx(2.0)
    assert ends.high[0] - 2.0 == pytest.approx(0.5)
    assert 2.0 - ends.low[0] == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("first", "other", "low", "high"),
    [
        (curves(-60, -61, -59), curves(-np.inf, -np.inf, -70), -np.inf, -9.0),
        (curves(-np.inf, -np.inf, -70), curves(-60, -61, -59), 9.0, np.inf),
        (curves(-np.inf, -np.inf, -70), curves(-np.inf, -np.inf, -80), np.nan, np.nan),
        (curves(np.nan, np.nan, np.nan), curves(-60, -61, -59), np.nan, np.nan),
    ],
)
def test_a_side_that_is_at_most_bounds_one_end(
    first: Curves, other: Curves, low: float, high: float
) -> None:
    ends = difference_ends(first, other)
    assert np.isnan(ends.values[0])
    np.testing.assert_equal([ends.low[0], ends.high[0]], [low, high])


def test_alike_amplitudes_in_noise_give_normal_deviations() -> None:
    rng = np.random.default_rng(181)
    count, noise = 200_000, 0.1
    sides = []
    for size in (1.0, 1.0):
        heard = size + rng.normal(0.0, noise, count)
        ends = [20.0 * np.log10(heard + side * 1.96 * noise) for side in (-1.0, 0.0, 1.0)]
        sides.append(Curves(ends[1], ends[0], ends[2]))
    away = deviations(*sides)
    for limit in (1.96, 3.0, 4.0):
        expected = 2.0 * (1.0 - NormalDist().cdf(limit)) * count
        assert np.sum(np.abs(away) > limit) == pytest.approx(expected, abs=5.0 * expected**0.5 + 5)


def test_what_is_explained_is_taken_off() -> None:
    first, other = curves(-60.0, -60.2, -59.8), curves(-57.0, -57.2, -56.8)
    assert deviations(first, other)[0] > 10.0
    assert abs(deviations(first, other, less_db=3.0)[0]) < 1e-9


@pytest.mark.parametrize("tests", [1, 20, 1500])
def test_one_comparison_in_twenty_passes_the_limit_by_chance(tests: int) -> None:
    """Definition: all of n independent statements keep under it in 95 of 100 comparisons."""
    keeps = 2.0 * NormalDist().cdf(limit_deviations(tests)) - 1.0
    assert keeps**tests == pytest.approx(0.95, abs=1e-9)


def test_alike_loudspeakers_have_no_finding_and_say_what_could_not_be_seen() -> None:
    found = compare(Made(seed=1).results(), Made(seed=2).results())
    assert not found.findings
    assert any("response: no difference that" in s for s in found.unseen)
    assert any("THD at −10" in s for s in found.unseen)
    assert found.deviations == pytest.approx(limit_deviations(found.tests))


def louder(by_db: float, limit_dbfs: float = np.inf) -> object:
    """A response that is louder, and held to what it gives at a drive."""

    def level(frequency_hz: np.ndarray, drive_dbfs: float) -> np.ndarray:
        return np.minimum(flat(frequency_hz, drive_dbfs), 100.0 + limit_dbfs) + by_db

    return level


def test_a_sensitivity_is_one_finding_wherever_the_harmonics_arise() -> None:
    first = Made(noise_db=0.0, seed=3).results()
    behind = Made(fundamental=louder(0.5), noise_db=0.0, seed=4).results()
    in_front = Made(
        fundamental=louder(0.5),
        harmonics={n: mild(n, a + 0.5 * (n - 1)) for n, a in ((2, -30.0), (3, -20.0), (4, -20.0))},
        noise_db=0.0,
        seed=5,
    ).results()
    for other in (behind, in_front):
        found = compare(first, other).findings
        assert [one.quantity for one in found] == ["sensitivity"]
        assert found[0].difference_db == pytest.approx(0.5, abs=0.05)
        assert "if nothing moved" in found[0].sentence


def test_a_harmonic_that_rises_in_an_octave_is_found_there() -> None:
    inside = (THIRDS_HZ > 550.0) & (THIRDS_HZ < 1100.0)

    def raised(frequency_hz: np.ndarray, drive_dbfs: float) -> np.ndarray:
        return mild(2, -30.0)(frequency_hz, drive_dbfs) + 3.0 * inside

    made = Made(seed=7)
    made.harmonics = made.harmonics | {2: raised}
    (one,) = compare(Made(seed=6).results(), made.results()).findings
    assert one.quantity == "h2"
    assert one.difference_db == pytest.approx(3.0, abs=0.3)
    assert one.low_hz == pytest.approx(562.0, rel=0.02)
    assert one.high_hz == pytest.approx(1122.0, rel=0.02)
    assert -10.0 in one.drives_dbfs


def test_three_orders_that_rise_together_are_told_as_thd() -> None:
    raised = {n: mild(n, a + 4.0) for n, a in ((2, -30.0), (3, -20.0), (4, -20.0))}
    found = compare(Made(seed=8).results(), Made(harmonics=raised, seed=9).results()).findings
    assert [one.quantity for one in found] == ["thd"]
    assert found[0].difference_db == pytest.approx(4.0, abs=0.3)


def test_a_limit_that_sets_in_earlier_explains_the_harmonics_above_it() -> None:
    def dirty(order: int, at_db: float, from_dbfs: float) -> object:
        def level(frequency_hz: np.ndarray, drive_dbfs: float) -> np.ndarray:
            more = 30.0 if drive_dbfs > from_dbfs else 0.0
            return mild(order, at_db)(frequency_hz, drive_dbfs) + more

        return level

    sides = [
        Made(
            fundamental=louder(0.0, limit_dbfs),
            harmonics={2: dirty(2, -40.0, limit_dbfs), 3: dirty(3, -40.0, limit_dbfs)},
            seed=seed,
        ).results()
        for seed, limit_dbfs in ((10, -20.0), (11, -23.0))
    ]
    found = compare(*sides).findings
    assert [one.quantity for one in found] == ["gain change"]
    assert found[0].difference_db == pytest.approx(-3.0, abs=0.1)
    assert "sets in 3.0 dB earlier" in found[0].sentence


@pytest.mark.parametrize(
    ("drives", "most", "words"),
    [
        ([-16.0], -16.0, "at −16 dBFS"),
        ([-22.0, -16.0], -16.0, "at −16 dBFS, in part from −22 dBFS on"),
        ([-16.0, -10.0], -16.0, "at −16 dBFS, in part up to −10 dBFS"),
    ],
)
def test_a_limit_is_told_where_it_is_most(drives: list[float], most: float, words: str) -> None:
    region = Region(100.0, 1000.0, -1.0, -1.1, -0.9, np.ones((1, 1), dtype=bool), 9.0)
    text = sentences.limit(region, drives, most, earlier_db=np.nan).replace("\xa0", " ")
    assert text.endswith(f"1 kHz {words}")


def test_thd_that_differs_is_not_called_alike_where_a_limit_explains_it() -> None:
    def dirtier(order: int, at_db: float, from_dbfs: float) -> object:
        def level(frequency_hz: np.ndarray, drive_dbfs: float) -> np.ndarray:
            more = 1.5 if drive_dbfs > from_dbfs else 0.0
            return mild(order, at_db)(frequency_hz, drive_dbfs) + more

        return level

    sides = [
        Made(
            fundamental=louder(0.0, limit_dbfs),
            harmonics={2: dirtier(2, -30.0, from_dbfs)},
            noise_db=-10.0,
            seed=seed,
        ).results()
        for seed, limit_dbfs, from_dbfs in ((14, -14.0, 0.0), (15, -15.0, -15.0))
    ]
    found = compare(*sides)
    assert [one.quantity for one in found.findings] == ["gain change"]
    assert any("THD at −22" in sentence for sentence in found.unseen)
    assert not any("THD at −10" in sentence for sentence in found.unseen)


def test_a_response_that_differs_in_some_bands_is_found_beside_the_sensitivity() -> None:
    def shelf(frequency_hz: np.ndarray, drive_dbfs: float) -> np.ndarray:
        return flat(frequency_hz, drive_dbfs) + 1.0 + 2.0 * (frequency_hz > 5000.0)

    first, other = Made(seed=12).results(), Made(fundamental=shelf, seed=13).results()
    found = {one.quantity: one for one in compare(first, other).findings}
    assert set(found) == {"sensitivity", "fundamental"}
    assert found["sensitivity"].difference_db == pytest.approx(1.0, abs=0.05)
    assert found["fundamental"].difference_db == pytest.approx(2.0, abs=0.05)
    assert "besides" in found["fundamental"].sentence


def test_drives_that_were_not_played_are_read_between_rungs() -> None:
    first = Made(seed=14).results()
    other = Made(drives=(-37.0, -31.0, -25.0, -19.0, -13.0), seed=15).results()
    at = [place.at for place in places(first.takes[0], other.takes[0], "drive")]
    assert at == [-34.0, -28.0, -22.0, -16.0]
    found = compare(first, other)
    assert not found.findings
    levels = [d for d in found.differences if d.quantity == "fundamental"]
    assert len(levels) == 4
    assert np.nanmax(np.abs(levels[-1].difference_db)) < 0.1


@pytest.mark.parametrize("aligned", ["band", "each frequency"])
def test_at_equal_level_a_louder_one_of_the_same_drive_is_read_lower(aligned: str) -> None:
    first = Made(noise_db=-30.0, seed=16).results()
    other = Made(fundamental=louder(6.0), noise_db=-30.0, seed=17).results()
    found = compare(first, other, aligned=aligned)
    for one in found.differences:
        if one.quantity == "h2":
            assert one.drive_dbfs is None and one.spl_db is not None
            # At the same level its drive is 6 dB lower, and so is its second harmonic.
            assert np.nanmedian(one.difference_db) == pytest.approx(-6.0, abs=0.2)
    assert not [d for d in found.differences if d.quantity == "fundamental"] or aligned == "band"


def test_a_first_rung_that_did_not_come_back_widens_levels() -> None:
    first, other = (Made(seed=n).results().takes[0] for n in (18, 19))
    moved = dataclasses.replace(other, return_check_db=0.3)
    assert Doubts.of(first, moved).level_db == pytest.approx(np.hypot(0.1, 0.3))
    assert Doubts.of(first, other, calibration_db=0.4).level_db == pytest.approx(np.hypot(0.1, 0.4))


def test_clean_levels_are_held_against_each_other_as_far_as_they_are_known() -> None:
    sides = []
    for level, low, high, state in (
        ([90.0, 90.0, np.nan], [89.7, 90.0, np.nan], [90.3, np.nan, 80.0],
         ["reached", "not reached", "below"]),
        ([92.0, 85.0, 85.0], [91.6, 84.6, 84.6], [92.4, 85.4, 85.4], ["reached"] * 3),
    ):  # fmt: skip
        results = Made(seed=len(sides)).results()
        take = dataclasses.replace(
            results.takes[0], clean_level_third_octave=[clean_level(level, low, high, state)]
        )
        sides.append(dataclasses.replace(results, takes=[take]))
    (one,) = [d for d in compare(*sides).differences if d.quantity.startswith("clean level")]
    assert one.quantity == "clean level, THD 1 %, loss 1 dB"
    np.testing.assert_allclose(one.difference_db, [2.0, np.nan, np.nan])
    assert np.isinf(one.low_db[1]) and one.high_db[1] == pytest.approx(-4.5)
    assert one.low_db[2] == pytest.approx(4.5) and np.isinf(one.high_db[2])


def test_the_first_is_what_all_others_are_held_against() -> None:
    made = [Made(fundamental=louder(by), seed=n).results() for n, by in enumerate((0.0, 1.0, -2.0))]
    found = compare(*made, names=["A", "B", "C"]).findings
    assert [(one.source, round(one.difference_db or 0.0)) for one in found] == [(2, -2), (1, 1)]
    assert found[0].sentence.startswith("C: ")


def test_what_cannot_be_compared_is_refused() -> None:
    results = Made().results()
    with pytest.raises(ValueError, match="two results or more"):
        compare(results)
    with pytest.raises(ValueError, match="aligned 'loud'"):
        compare(results, results, aligned="loud")
    with pytest.raises(TypeError, match="not a str: read_results reads them"):
        compare(results, "results.json")  # type: ignore[arg-type]
    elsewhere = dataclasses.replace(
        results, takes=[dataclasses.replace(results.takes[0], position="port")]
    )
    with pytest.raises(InputError, match=r"nothing can be compared: .* has ladders at “port”"):
        compare(results, elsewhere)


def test_without_a_common_drive_only_what_is_linear_is_told() -> None:
    first = Made(drives=(-40.0, -34.0), noise_db=-20.0, seed=20).results()
    other = Made(fundamental=louder(2.0), drives=(-20.0, -14.0), noise_db=-20.0, seed=21).results()
    found = compare(first, other)
    assert [one.quantity for one in found.findings] == ["sensitivity"]
    assert not [one for one in found.differences if one.quantity == "thd"]
    assert any("do not overlap" in sentence for sentence in found.not_compared)


@pytest.mark.parametrize("uncalibrated", [0, 1])
def test_levels_in_two_units_explain_no_harmonic(uncalibrated: int) -> None:
    """A hundred decibels between dBFS and dB SPL would explain any growth."""
    inside = (THIRDS_HZ > 550.0) & (THIRDS_HZ < 1100.0)

    def raised(frequency_hz: np.ndarray, drive_dbfs: float) -> np.ndarray:
        return mild(2, -30.0)(frequency_hz, drive_dbfs) + 3.0 * inside

    def in_dbfs(frequency_hz: np.ndarray, drive_dbfs: float) -> np.ndarray:
        return flat(frequency_hz, drive_dbfs) - 100.0

    sides = []
    for number in (0, 1):
        made = Made(seed=30 + number)
        if number:
            made.harmonics = made.harmonics | {2: raised}
        if number == uncalibrated:
            made.fundamental, made.noise_db = in_dbfs, made.noise_db - 100.0
        results = made.results()
        if number == uncalibrated:
            take = dataclasses.replace(results.takes[0], level_unit="dBFS")
            results = dataclasses.replace(results, takes=[take])
        sides.append(results)
    found = compare(*sides)
    assert [one.quantity for one in found.findings] == ["h2"]
    assert not any("response" in sentence for sentence in found.unseen)


def test_what_a_finding_explains_is_not_said_to_be_alike() -> None:
    """An earlier limit lowers the drive that distorts: THD differs, and is not said not to."""

    def behind(limit_dbfs: float) -> dict[int, object]:
        def level(frequency_hz: np.ndarray, drive_dbfs: float) -> np.ndarray:
            return mild(2, -30.0)(frequency_hz, min(drive_dbfs, limit_dbfs))

        return {2: level}

    sides = [
        Made(fundamental=louder(0.0, at), harmonics=behind(at), noise_db=-20.0, seed=n).results()
        for n, at in ((40, -20.0), (41, -23.0))
    ]
    found = compare(*sides)
    assert [one.quantity for one in found.findings] == ["gain change"]
    assert not any("THD at −10" in sentence for sentence in found.unseen)
    assert any("response at low drive: no difference" in sentence for sentence in found.unseen)


def test_a_region_that_noise_hides_on_one_side_is_a_bound() -> None:
    f, cells = THIRDS_HZ[:3], np.ones((1, 3), dtype=bool)
    hidden = np.full((1, 3), np.nan)
    high = Curves(hidden, np.full((1, 3), 9.0), np.full((1, 3), np.inf))
    (one,) = regions(f, high, np.full((1, 3), 8.0), cells, shared_db=0.1)
    assert (one.low_db, one.difference_db, one.high_db) == (9.0, 9.0, np.inf)
    number, largest = at_largest(one, f, high, np.full((1, 3), 8.0), shared_db=0.1)
    assert number == 0 and largest.high_db == np.inf
    low = Curves(hidden, np.full((1, 3), -np.inf), np.full((1, 3), -9.0))
    (one,) = regions(f, low, np.full((1, 3), -8.0), cells, shared_db=0.1)
    assert (one.low_db, one.difference_db, one.high_db) == (-np.inf, -9.0, -9.0)
    assert "more than 9.0" in sentences.response(one, besides=False)


@pytest.mark.parametrize("turned", [False, True])
def test_a_ladder_that_begins_behind_a_limit_tells_no_response(turned: bool) -> None:
    """Its lowest rung is held back: what the other gives at low drive is no difference."""
    made = [
        Made(fundamental=louder(0.0, -20.0), drives=drives, noise_db=-20.0, seed=seed).results()
        for seed, drives in ((50, (-40.0, -34.0, -28.0, -22.0, -16.0, -10.0)), (51, (-10.0,)))
    ]
    found = compare(*(made[::-1] if turned else made))
    assert not found.findings
    assert any("begins at a drive at which" in sentence for sentence in found.not_compared)
    assert not any("gain change" in sentence for sentence in found.unseen)


def test_one_rung_tells_no_gain_change() -> None:
    made = [Made(drives=(-10.0,), seed=seed).results() for seed in (52, 53)]
    assert not any("gain change" in sentence for sentence in compare(*made).unseen)


def test_ranges_end_where_the_measurement_does() -> None:
    def raised(frequency_hz: np.ndarray, drive_dbfs: float) -> np.ndarray:
        return mild(2, -30.0)(frequency_hz, drive_dbfs) + 3.0 * (frequency_hz > 3000.0)

    made = Made(seed=23)
    made.harmonics = made.harmonics | {2: raised}
    (one,) = compare(Made(seed=22).results(), made.results()).findings
    assert one.high_hz == pytest.approx(THIRDS_HZ[-1] / 2.0)


def test_what_another_position_than_the_axis_shows_is_said_of_it() -> None:
    raised = {n: mild(n, a + 6.0) for n, a in ((2, -30.0), (3, -20.0), (4, -20.0))}
    sides = []
    for seed, harmonics in ((54, None), (55, raised)):
        axis = Made(seed=seed).results()
        made = Made(seed=seed + 10) if harmonics is None else Made(harmonics=harmonics, seed=64)
        port = dataclasses.replace(made.results().takes[0], position="port")
        sides.append(dataclasses.replace(axis, takes=[port, axis.takes[0]]))
    found = compare(*sides, names=["A", "B"])
    assert [(one.quantity, one.position) for one in found.findings] == [("thd", "port")]
    assert found.findings[0].sentence.startswith("B at “port”: THD is")
    assert all(sentence.startswith("B: ") for sentence in found.unseen)
