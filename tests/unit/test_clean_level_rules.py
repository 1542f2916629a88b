"""Highest clean levels: crossings by hand, what noise leaves known, and nothing beyond."""

from __future__ import annotations

import numpy as np
import pytest
from conftest import long

from distsweep.analysis.limits.clean_level import LIMITS, find_clean_levels
from distsweep.analysis.limits.estimate import Estimate
from distsweep.analysis.noise.interval import NoisySum
from distsweep.analysis.third_octave import band_edges_hz, third_octave_bands
from distsweep.results import CleanLevel

DRIVES = np.array([-14.0, -12.0, -10.0])
NAN, INF = float("nan"), float("inf")


def column(values: list[float]) -> np.ndarray:
    return np.array(values)[:, None]


def exact(values_db: np.ndarray) -> Estimate:
    """Values that no noise has touched."""
    known = Estimate.of_level(values_db, values_db, values_db)
    return known.zero_where(np.isneginf(values_db))


def between(low_db: list[float], high_db: list[float]) -> Estimate:
    """Values that noise leaves between two ends, the same ends likely and surely."""
    low, high = column(low_db), column(high_db)
    return Estimate((low + high) / 2.0, low, high, low, high)


def clean_levels(
    thd: list[float] | Estimate, change_db: list[float]
) -> dict[tuple[object, object], CleanLevel]:
    level = DRIVES + 90.0 + np.nan_to_num(np.array(change_db))
    found = find_clean_levels(
        np.array([1000.0]),
        DRIVES,
        level[:, None],
        thd if isinstance(thd, Estimate) else exact(column(thd)),
        exact(-column(change_db)),
    )
    return dict(zip(LIMITS, found, strict=True))


def ends(clean: CleanLevel) -> tuple[float, float]:
    return float(clean.drive_low_dbfs[0]), float(clean.drive_high_dbfs[0])


def test_between_two_levels_the_limit_is_interpolated() -> None:
    found = clean_levels([-60.0, -50.0, -30.0], [0.0, 0.0, -2.0])
    one_percent = found[1.0, None]
    # −40 dB lies half-way from −50 to −30: −11 dBFS, and the level half-way from 78 to 78.
    assert one_percent.drive_dbfs[0] == pytest.approx(-11.0)
    assert one_percent.level_db[0] == pytest.approx(78.0)
    assert (one_percent.state, one_percent.limited_by) == (["reached"], ["thd"])
    # The step before rises by half as much: carried on, it crosses 1 dB later, at −10.
    assert ends(one_percent) == pytest.approx((-12.0, -10.0))
    # 2 dB of drive that take 2 dB of gain: the output stands still from −12 dBFS on.
    one_db = found[None, 1.0]
    assert (one_db.drive_dbfs[0], one_db.limited_by) == (pytest.approx(-11.0), ["compression"])
    assert ends(one_db) == pytest.approx((-11.0, -11.0))


def test_whichever_comes_first() -> None:
    both = clean_levels([-60.0, -50.0, -38.0], [0.0, -0.8, -2.4])
    # 1 % is crossed at −12 + 2·10/12; 1 dB at −11.75 by a straight line.
    assert both[1.0, 1.0].limited_by == ["compression"]
    assert both[1.0, 1.0].drive_dbfs[0] == pytest.approx(-11.7, abs=0.1)
    other = clean_levels([-60.0, -41.0, -21.0], [0.0, 0.0, -1.5])
    assert other[1.0, 1.0].limited_by == ["thd"]
    # 20 dB in 2 dB of drive: it sets in somewhere in between.
    assert other[1.0, 1.0].drive_dbfs[0] == pytest.approx(-11.0)
    assert ends(other[1.0, None]) == pytest.approx((-12.0, -10.0))


def test_never_beyond_the_loudest_level() -> None:
    found = clean_levels([-60.0, -55.0, -50.0], [0.0, 0.0, -0.4])
    for limit, clean in found.items():
        assert clean.state == ["not reached"], limit
        assert clean.drive_dbfs[0] == -10.0  # at least: the loudest that was played
        assert ends(clean) == pytest.approx((-10.0, NAN), nan_ok=True)
        assert clean.limited_by == [""]


def test_over_the_limit_from_the_start() -> None:
    found = clean_levels([-30.0, -28.0, -20.0], [0.0, 0.0, 0.0])[1.0, None]
    assert found.state == ["below"] and np.isnan(found.level_db[0])
    assert found.high_db[0] == pytest.approx(76.0)
    assert ends(found) == pytest.approx((NAN, -14.0), nan_ok=True)


def test_what_noise_leaves_open_is_bracketed_by_the_levels_played() -> None:
    # The lower level keeps within 1 %, but may be anything below: the line's start is not known.
    found = clean_levels(between([-INF, -90.0, -36.0], [-41.0, -41.0, -34.0]), [0.0] * 3)
    assert found[1.0, None].state == ["bracketed"]
    assert ends(found[1.0, None]) == (-12.0, -10.0)
    assert np.isnan(found[1.0, None].level_db[0])
    assert found[1.0, None].limited_by == ["thd"]
    # The same uncertainty matters little where the louder level has hardly passed the limit.
    near = clean_levels(between([-90.0, -60.0, -39.6], [-50.0, -50.0, -39.4]), [0.0] * 3)
    assert near[1.0, None].state == ["reached"]
    low, high = ends(near[1.0, None])
    assert low < near[1.0, None].drive_dbfs[0] < high


def test_a_thd_that_is_its_floor_is_on_neither_side() -> None:
    """Its own value is 0.3 dB under the limit; the true one may be anything below."""
    floor = between([-INF, -INF, -31.0], [-38.0, -37.0, -29.0])
    found = clean_levels(floor, [0.0] * 3)[1.0, None]
    assert found.state == ["below"] and ends(found)[1] == -10.0
    within = between([-INF, -INF, -31.0], [-45.0, -37.0, -29.0])
    wide = clean_levels(within, [0.0] * 3)[1.0, None]
    # Two steps are left open: that is not called a bracket, but its ends are kept.
    assert wide.state == ["unknown"] and np.isnan(wide.level_db[0])
    assert ends(wide)[0] >= -14.0 and ends(wide)[1] <= -10.0


def test_a_level_near_the_limit_lies_between_two_that_are_known() -> None:
    found = clean_levels(between([-45.0, -40.5, -37.0], [-43.0, -39.5, -35.0]), [0.0] * 3)
    one = found[1.0, None]
    assert one.state == ["reached"] and one.drive_dbfs[0] == pytest.approx(-12.0)
    # ±0.5 dB of THD on lines of 2 dB a dB.
    assert ends(one) == pytest.approx((-12.25, -11.75), abs=0.03)


def test_two_limits_are_combined_by_what_is_known_of_each() -> None:
    unknown = exact(column([NAN] * 3))
    nothing = clean_levels(unknown, [0.0] * 3)
    assert nothing[1.0, None].state == nothing[1.0, 1.0].state == ["unknown"]
    # Of the THD nothing is known: compression's crossing is an upper end, and no more.
    came = clean_levels(unknown, [0.0, 0.0, -2.0])
    assert came[None, 1.0].drive_dbfs[0] == pytest.approx(-11.0)
    assert came[1.0, 1.0].state == ["below"] and came[1.0, 1.0].limited_by == [""]
    assert ends(came[1.0, 1.0]) == pytest.approx((NAN, -11.0), nan_ok=True)
    # THD is known to keep within as far as compression comes: that is first.
    first = clean_levels([-60.0, -60.0, -60.0], [0.0, 0.0, -2.0])[1.0, 1.0]
    assert (first.state, first.limited_by) == (["reached"], ["compression"])
    # THD keeps within up to −12 dBFS and is not known above: it may come before compression does.
    open_ = clean_levels([-60.0, -60.0, NAN], [0.0, 0.0, -2.0])[1.0, 1.0]
    assert (open_.state, open_.limited_by) == (["reached"], [""])
    assert ends(open_) == pytest.approx((-12.0, -11.0))


def test_no_harmonic_in_the_band_means_no_distortion_to_limit() -> None:
    found = clean_levels([-INF, -INF, -INF], [0.0, 0.0, -2.0])
    assert found[1.0, 1.0].limited_by == ["compression"]
    assert found[1.0, None].state == ["unknown"]


@pytest.mark.parametrize(
    ("thd_db", "change_db", "by"),
    [
        ([-60.0, -30.0, -50.0], [0.0, 0.0, 0.0], "contradicted"),
        ([-10.0, -60.0, -60.0], [0.0, 0.0, 0.0], "contradicted"),  # a noise in the quietest
        ([-60.0, -60.0, -60.0], [0.0, -2.0, 0.0], "contradicted"),
        ([NAN, NAN, NAN], [0.0, -2.0, 0.0], "contradicted"),
        ([-60.0, -30.0, -42.0], [0.0, 0.0, 0.0], "thd"),  # not well within
        ([-60.0, -30.0, NAN], [0.0, 0.0, 0.0], "thd"),  # nothing is known of the louder one
        ([-60.0, -30.0, -60.0], [0.0, 0.0, -4.0], "thd"),  # which is past the other limit
        ([-60.0, -60.0, -30.0], [0.0, -2.0, -3.0], "compression"),
    ],
)
def test_a_louder_level_well_within_the_limit_contradicts(
    thd_db: list[float], change_db: list[float], by: str
) -> None:
    found = clean_levels(thd_db, change_db)[1.0, 1.0]
    assert found.limited_by == ["" if by == "contradicted" else by]
    assert found.state == ["contradicted" if by == "contradicted" else "reached"]
    if by == "contradicted":
        assert np.isnan(found.level_db[0]) and np.isnan(found.drive_dbfs[0])
        assert np.all(np.isnan(ends(found)))


def test_a_louder_level_contradicts_only_where_noise_leaves_no_doubt() -> None:
    doubtful = between([-61.0, -31.0, -INF], [-59.0, -29.0, -41.0])
    assert clean_levels(doubtful, [0.0] * 3)[1.0, None].state == ["reached"]


TURN = 2.0 * np.pi * np.arange(512) / 512
BENT = {
    "clip": lambda wave, at: np.clip(wave, -at, at),
    "kink": lambda wave, at: wave - 0.3 * np.maximum(wave - at, 0.0),
    "curve": lambda wave, at: at * np.arctan(wave / at) + 0.1 * wave**2 / (at + wave**2 / at),
    "tanh": lambda wave, at: 3.0 * at * np.tanh(wave / (3.0 * at)),
}
TURNED_DOWN = {"hard": (0.0, 0.0), "soft": (8.0, 0.0), "compressor": (4.0, 1.0 / 3.0)}


def thd_and_loss_db(shape: str, at_dbfs: float, drive_dbfs: np.ndarray) -> np.ndarray:
    """THD and loss of a sine, shape ``(2, R)``, by the shape of a wave or the law of a gain."""
    if shape in TURNED_DOWN:
        knee, slope = TURNED_DOWN[shape]
        over = drive_dbfs - at_dbfs
        bend = np.clip(over + knee / 2.0, 0.0, knee) ** 2 / (2.0 * max(knee, 1e-9))
        loss = (1.0 - slope) * (bend + np.maximum(over - knee / 2.0, 0.0))
        return np.array([np.full(len(drive_dbfs), -90.0), loss])
    amplitude = 10.0 ** (drive_dbfs / 20.0)
    waves = BENT[shape](amplitude[:, None] * np.sin(TURN), 10.0 ** (at_dbfs / 20.0))
    lines = np.abs(np.fft.rfft(waves, axis=1)) / 256.0
    thd = np.sqrt(np.sum(lines[:, 2:40] ** 2, axis=1)) / lines[:, 1] + 1e-5
    return 20.0 * np.log10(np.array([thd, amplitude / lines[:, 1]]))


@pytest.mark.parametrize("shape", [*BENT, *TURNED_DOWN])
@pytest.mark.parametrize("step_db", [1.0, long(2.0), 3.0, 6.0])
def test_a_bend_between_two_levels_is_reckoned_with(
    rng: np.random.Generator, shape: str, step_db: float
) -> None:
    """What is stated is right to 1.5 dB, and lies between its ends to 0.2, wherever it bends."""
    count = 25
    at_dbfs = rng.uniform(-24.0, -8.0, count)
    fine = np.arange(-40.0, -3.0, 0.02)
    drives = np.arange(-40.0, -3.9, step_db)
    true = np.array([thd_and_loss_db(shape, at, fine) for at in at_dbfs])
    seen = np.array([thd_and_loss_db(shape, at, drives) for at in at_dbfs])
    found = find_clean_levels(
        np.arange(1.0, count + 1.0), drives, np.zeros((len(drives), count)),
        exact(seen[:, 0].T), exact(seen[:, 1].T),
    )  # fmt: skip
    for (thd_percent, compression_db), clean in zip(LIMITS, found, strict=True):
        past = np.zeros((count, len(fine)), dtype=bool)
        if thd_percent is not None:
            past |= true[:, 0] > 20.0 * np.log10(thd_percent / 100.0)
        if compression_db is not None:
            past |= true[:, 1] > compression_db
        crossing = np.where(np.any(past, axis=1), fine[np.argmax(past, axis=1)], np.inf)
        state = np.array(clean.state)
        stated = state == "reached"
        assert np.all(np.abs(clean.drive_dbfs - crossing)[stated] <= 1.5 + 0.02), clean
        held = ~np.isnan(clean.drive_low_dbfs) & ~np.isnan(clean.drive_high_dbfs)
        inside = (clean.drive_low_dbfs - 0.2 <= crossing) & (
            crossing <= clean.drive_high_dbfs + 0.2
        )
        assert not np.any(held) or np.mean(inside[held]) >= 0.95
        if step_db <= 2.0:  # with narrow steps nothing is left open
            assert not np.any(state == "bracketed")


@pytest.mark.parametrize("orders", [1, 4, 9])
@pytest.mark.parametrize("signal_db", [-20.0, 0.0, 10.0, 30.0])
def test_bounds_hold_the_true_power_as_often_as_they_say(
    rng: np.random.Generator, orders: int, signal_db: float
) -> None:
    """Complex Gaussian errors; every floor an average of six squared magnitudes."""
    trials = 4000
    true = 10.0 ** (signal_db / 10.0)
    floors = np.linspace(0.5, 1.5, orders)[:, None] / orders
    amplitudes = np.zeros((orders, 1))
    amplitudes[0] = np.sqrt(true)
    error = rng.standard_normal((2, orders, trials)) * np.sqrt(floors / 2.0)
    powers = (amplitudes + error[0]) ** 2 + error[1] ** 2
    estimated = floors * rng.chisquare(12, (orders, trials)) / 12.0
    found = estimate_of(powers, estimated)
    true_db = 10.0 * np.log10(true)
    # 95 %, and 97 % at least; a share of 4000 is known to 0.7 and 0.5 % (two deviations).
    likely = np.mean((found.low_db <= true_db) & (true_db <= found.high_db))
    assert likely >= 0.95 - 0.007
    assert np.mean((found.least_db <= true_db) & (true_db <= found.most_db)) >= 0.97 - 0.005
    if signal_db >= 10.0:
        assert np.median(found.value_db) == pytest.approx(true_db, abs=0.5)


def estimate_of(powers: np.ndarray, floors: np.ndarray) -> Estimate:
    """Sum orders, each with a floor of 12 degrees of freedom, shape ``(orders, trials)``."""
    single = NoisySum.single(powers, floors, np.full(floors.shape, 12.0), np.zeros(floors.shape))
    return Estimate.of_power(*single.summed().interval())


def test_what_is_all_noise_has_no_lower_end() -> None:
    one = np.array([[1.0]])
    found = estimate_of(one, one)
    assert found.value_db[0] == -INF and found.low_db[0] == -INF and found.least_db[0] == -INF
    # The noise may have been in antiphase: the true power may be more than the measured one.
    assert 3.0 < found.high_db[0] < found.most_db[0] < 15.0


def test_a_floor_that_is_not_known_bounds_nothing() -> None:
    one = np.array([[1e-6]])
    found = estimate_of(one, one * NAN)
    assert np.isnan(found.value_db[0])
    assert (found.least_db[0], found.most_db[0]) == (-INF, INF)


def test_thirds_of_an_octave_have_nominal_names_and_exact_edges() -> None:
    grid = 20.0 * 2.0 ** (np.arange(479) / 48.0)
    middles, inside = third_octave_bands(grid)
    assert list(middles[:4]) == [20.0, 25.0, 31.5, 40.0] and middles[-1] == 20000.0
    assert np.all(np.sum(inside, axis=0) <= 1)
    # Ten bands a decade: 48·log2(10)/10 points each; at the ends half a band is there.
    assert set(np.sum(inside[1:-1], axis=1)) <= {15, 16}
    low, high = band_edges_hz(31.5)
    assert (low, high) == pytest.approx((10.0**1.45, 10.0**1.55))
    assert np.all((grid[inside[2]] >= low) & (grid[inside[2]] < high))
    few, none = third_octave_bands(np.array([1000.0]))
    assert few.size == 0 and none.shape == (0, 1)
