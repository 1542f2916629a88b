"""What filters do to ladders whose answers are formulas."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from filter_ladders import (
    GRID_HZ,
    clean_level,
    ladder,
    limited,
    linear,
    output_db,
    results,
    thd_db,
)

from distsweep.comparison.filters import with_filters
from distsweep.comparison.filters.biquad import gain_db
from distsweep.comparison.filters.findings import findings_of
from distsweep.comparison.filters.memory import heat_db, lagging_db, still_down_db
from distsweep.comparison.filters.reading import checked
from distsweep.comparison.filters.record import AtLevel, Curve
from distsweep.errors import InputError
from distsweep.results import BAND, AtSpl, Limiter, Staircase, Thermal, to_json

SHELF: dict[str, Any] = {"kind": "low shelf", "frequency_hz": 80.0, "gain_db": 5.0}
BELL: dict[str, Any] = {"kind": "peaking", "frequency_hz": 900.0, "gain_db": -6.0, "q": 1.0}
PASS: dict[str, Any] = {"kind": "high-pass", "frequency_hz": 40.0, "order": 4}


def at(hertz: float) -> int:
    return int(np.argmin(np.abs(np.log(GRID_HZ / hertz))))


def level_of(take: Any, filters: list[dict[str, Any]], level_db: float, **given: Any) -> AtLevel:
    found = with_filters(results(take, **given), filters, levels_spl=[level_db])
    return found.takes[0].filtered[-1].at_levels[0]


def held(curve: Curve, truth: np.ndarray, flags: np.ndarray) -> bool:
    return bool(np.all((curve.low - 1e-6 <= truth) & (truth <= curve.high + 1e-6) | ~flags))


def test_the_response_of_a_linear_loudspeaker_moves_by_the_gain() -> None:
    found = with_filters(results(ladder()), [SHELF]).takes[0].filtered[0]
    gain = gain_db(checked([SHELF]), GRID_HZ)
    for rung in found.at_drives[:-1]:  # the loudest asks for more than was played
        np.testing.assert_allclose(rung.change_db.values, gain, atol=1e-9)
        np.testing.assert_allclose(rung.change_db.high - rung.change_db.low, 0.0, atol=1e-9)
    louder = gain > 0.05
    assert np.all(np.isnan(found.at_drives[-1].change_db.values[louder]))
    assert np.all(np.isfinite(found.at_drives[-1].change_db.values[~louder]))


@pytest.mark.parametrize("filters", [[SHELF], [BELL], [SHELF, BELL, PASS]])
@pytest.mark.parametrize("level_db", [78.0, 85.0, 91.0])
def test_thd_at_the_same_level_is_that_of_the_drive_that_arrives(
    filters: list[dict[str, Any]], level_db: float
) -> None:
    found = level_of(ladder(), filters, level_db)
    gain = gain_db(checked(filters), GRID_HZ)
    assert found.filtered_drive_dbfs is not None
    drive = found.filtered_drive_dbfs
    # The same mean over the level band, by its definition.
    band = (GRID_HZ >= 300.0) & (GRID_HZ <= 3000.0)
    heard = output_db(linear, drive + gain)[band]
    assert 10.0 * np.log10(np.mean(10.0 ** (heard / 10.0))) == pytest.approx(level_db, abs=0.002)
    inside = (drive + gain >= -40.0) & (drive + gain <= -10.0)
    truth = thd_db(linear, drive + gain)
    # A mix of products of second and third degree grows evenly: what is left is its slight bend.
    np.testing.assert_allclose(found.filtered_thd_db.values[inside], truth[inside], atol=0.1)
    assert held(found.filtered_thd_db, truth, inside)
    assert np.all(np.isnan(found.filtered_thd_db.values[~inside]))


def test_harmonics_are_not_filtered() -> None:
    """A notch at twice the frequency played leaves the second harmonic as it is."""
    notch = {"kind": "peaking", "frequency_hz": 4000.0, "gain_db": -20.0, "q": 8.0}
    found = level_of(ladder(), [notch], 85.0)
    place = at(2000.0)
    second = found.filtered_harmonics[2].values[place] - found.harmonics[2].values[place]
    assert found.filtered_drive_dbfs is not None and found.drive_dbfs is not None
    # The second harmonic grows by one dB a dB of drive, and by nothing else.
    moved = found.filtered_drive_dbfs + gain_db(checked([notch]), GRID_HZ)[place] - found.drive_dbfs
    assert second == pytest.approx(moved, abs=0.02)


def test_headroom_falls_by_the_gain_and_what_the_level_takes() -> None:
    take = ladder(clean_level=[clean_level(-18.0, "reached")])
    found = level_of(take, [SHELF, BELL], 85.0)
    (room,) = [one for one in found.headroom if "THD" in one.limit]
    assert found.filtered_drive_dbfs is not None and found.drive_dbfs is not None
    gain = gain_db(checked([SHELF, BELL]), GRID_HZ)
    np.testing.assert_allclose(room.without_db.values, -18.0 - found.drive_dbfs)
    np.testing.assert_allclose(
        room.filtered_db.values, -18.0 - found.filtered_drive_dbfs - gain, atol=1e-9
    )
    np.testing.assert_allclose(
        room.change_db.values, room.filtered_db.values - room.without_db.values, atol=1e-9
    )
    assert np.all(room.filtered_db.low < room.filtered_db.values)


def test_a_limit_that_was_not_reached_is_at_least() -> None:
    take = ladder(clean_level=[clean_level(-10.0, "not reached")])
    found = level_of(take, [SHELF], 85.0)
    for room in found.headroom:
        assert np.all(np.isposinf(room.filtered_db.high))
        assert np.all(np.isfinite(room.filtered_db.values))


def test_what_was_not_played_is_said() -> None:
    """A bell of +12 dB at 50 Hz asks, near the top of the ladder, for more than was played."""
    bell = {"kind": "peaking", "frequency_hz": 50.0, "gain_db": 12.0, "q": 1.0}
    found = with_filters(results(ladder()), [bell], levels_spl=[95.0])
    one = found.takes[0].filtered[0]
    ((low_hz, high_hz),) = one.at_levels[0].above_hz
    assert low_hz < 50.0 < high_hz
    beyond = (low_hz <= GRID_HZ) & (high_hz >= GRID_HZ)
    for curve in (one.at_levels[0].filtered_fundamental_db, one.at_levels[0].filtered_thd_db):
        assert np.all(np.isnan(curve.values[beyond])) and np.all(np.isfinite(curve.values[~beyond]))
    assert any("ask for more than was played from" in note for note in one.notes)


def test_a_level_that_no_drive_gives_is_said() -> None:
    found = with_filters(results(ladder()), [SHELF], levels_spl=[120.0])
    at_level = found.takes[0].filtered[0].at_levels[0]
    assert at_level.drive_dbfs is None and at_level.filtered_drive_dbfs is None
    assert np.all(np.isnan(at_level.filtered_thd_db.values))
    assert "nothing can be told" in found.findings[0].sentence
    assert "120\N{NO-BREAK SPACE}dB SPL was not played" in found.findings[0].sentence


THRESHOLD, RATIO = -19.0, 8.0
LIMITER = Limiter(
    "limiter", THRESHOLD, RATIO, 0.0, [20.0, 20000.0], threshold_low_dbfs=-19.3,
    threshold_high_dbfs=-18.7,
)  # fmt: skip


NONE, NO_FLAGS = np.zeros(0), np.zeros(0, dtype=bool)
TONE = Staircase(
    100.0, NONE, NONE, NONE, NO_FLAGS, NONE, NONE, NONE, NONE, NONE, NO_FLAGS, 2, {}, NONE, NONE,
    NONE, NONE, NO_FLAGS,
)  # fmt: skip
"""A staircase's tone of which only a limiter or heat is read."""


def limiting_ladder(drives: np.ndarray) -> Any:
    return ladder(limited(THRESHOLD, RATIO), drives=drives, limiters=[LIMITER])


@pytest.mark.parametrize("step_db", [3.0, 6.0])
@pytest.mark.parametrize("gain", [-5.0, -2.0, 1.0, 4.0])
def test_a_knee_inside_a_step_is_held(step_db: float, gain: float) -> None:
    """Behind a limiter whose curve the rungs tell, a gain of the whole band moves along it."""
    law = limited(THRESHOLD, RATIO)
    take = limiting_ladder(np.arange(-40.0, -9.0, step_db))
    flat = {"kind": "biquad", "rate_hz": 48000, "b": [10.0 ** (gain / 20.0), 0, 0], "a": [1, 0, 0]}
    found = with_filters(results(take), [flat]).takes[0].filtered[0]
    yes = np.ones(len(GRID_HZ), dtype=bool)
    for rung in found.at_drives:
        drive = np.full(len(GRID_HZ), rung.drive_dbfs + gain)
        if drive[0] > -10.0 or drive[0] < -40.0:
            assert np.all(np.isnan(rung.filtered_fundamental_db.values))
            continue
        truth = output_db(law, drive)
        assert held(rung.filtered_fundamental_db, truth, yes)
        # How soft the knee is rungs that miss it cannot tell: 6 dB of knee are 0.66 dB.
        error = np.max(np.abs(rung.filtered_fundamental_db.values - truth))
        assert error <= (0.15 if step_db == 3.0 else 0.5)


def test_the_drives_of_a_limiter_are_found_between_rungs() -> None:
    take = limiting_ladder(np.arange(-40.0, -9.0, 3.0))
    limits = {one.name: one for one in with_filters(results(take), [SHELF]).takes[0].limits}
    threshold = next(one for name, one in limits.items() if "threshold" in name).drive_dbfs
    np.testing.assert_allclose(threshold.values, THRESHOLD, atol=0.3)
    assert np.all((threshold.low <= THRESHOLD) & (threshold.high >= THRESHOLD))
    for fall in (0.5, 1.0, 3.0):
        found = limits[f"gain change of −{fall:g} dB"].drive_dbfs
        truth = THRESHOLD + fall / (1.0 - 1.0 / RATIO)
        np.testing.assert_allclose(found.values, truth, atol=0.3)
        assert np.all((found.low <= truth) & (found.high >= truth))


def test_thd_behind_a_limiter_follows_what_it_lets_through() -> None:
    law = limited(THRESHOLD, RATIO)
    take = limiting_ladder(np.arange(-40.0, -9.0, 3.0))
    bell = {"kind": "peaking", "frequency_hz": 100.0, "gain_db": 8.0, "q": 1.0}
    found = level_of(take, [bell], 88.0)
    assert found.filtered_drive_dbfs is not None
    drive = found.filtered_drive_dbfs + gain_db(checked([bell]), GRID_HZ)
    inside = drive <= -10.0
    truth = thd_db(law, drive)
    assert held(found.filtered_thd_db, truth, inside)
    error = np.abs(found.filtered_thd_db.values - truth)[inside]
    assert np.max(error) < 0.5


def test_clipping_widens_over_the_step() -> None:
    """Nothing tells where between two rungs a wave begins to clip."""
    law = limited(-19.0, 4.0)
    clipping = Limiter("clipping", -18.5, band_hz=[20.0, 20000.0])
    take = ladder(law, limiters=[clipping])
    found = with_filters(results(take), [{**BELL, "gain_db": 3.0}]).takes[0].filtered[0]
    rung = found.at_drives[3]  # −22 dBFS and up to 3 dB more: the step from −22 to −16
    wide = rung.filtered_fundamental_db.high - rung.filtered_fundamental_db.low
    truth = output_db(law, rung.drive_dbfs + found.gain_db)
    assert np.max(wide) > 1.0
    assert held(rung.filtered_fundamental_db, truth, np.ones(len(GRID_HZ), dtype=bool))
    assert any("clip" in note for note in found.notes)


def test_a_limiter_lets_go_slowly_behind_a_boost() -> None:
    """One time constant after the boost a sweep meets 1/e of the reduction, by the formula."""
    reduction = np.where(GRID_HZ < 100.0, 6.0, 0.0)
    extra = still_down_db(GRID_HZ, reduction, 250.0)
    last = np.flatnonzero(GRID_HZ < 100.0)[-1]
    octaves = np.log2(GRID_HZ / GRID_HZ[last])
    behind = GRID_HZ >= 100.0
    np.testing.assert_allclose(
        extra[behind], 6.0 * np.exp(-octaves[behind] * 0.5 / 0.25), atol=1e-9
    )
    np.testing.assert_allclose(extra[~behind], 0.0)


def test_a_limiter_lags_in_the_ladders_own_sweep() -> None:
    """What falls by 3 dB an octave, half a second long, lags by 3 dB · 0.25 s / 0.5 s."""
    falling = 20.0 - 3.0 * np.log2(GRID_HZ / 20.0)[None]
    inside = slice(8, -8)  # the ends are averaged over less
    np.testing.assert_allclose(lagging_db(GRID_HZ, falling, 250.0)[:, inside], 1.5, atol=1e-6)
    np.testing.assert_allclose(lagging_db(GRID_HZ, -falling, 250.0), 0.0)
    np.testing.assert_allclose(lagging_db(GRID_HZ[:4], falling[:, :4], 250.0), 0.0)


def test_memory_widens_downwards_only_and_the_release_is_said() -> None:
    boost = {"kind": "peaking", "frequency_hz": 100.0, "gain_db": 9.0, "q": 3.0}
    take = limiting_ladder(np.arange(-40.0, -9.0, 3.0))
    found = with_filters(results(take), [boost]).takes[0].filtered[0]
    rung = found.at_drives[6]  # −22 dBFS, over the threshold inside the bell
    behind, before = at(140.0), at(71.0)  # of the same gain
    down = (rung.filtered_fundamental_db.values - rung.filtered_fundamental_db.low)[
        [before, behind]
    ]
    assert down[1] > down[0] + 1.0
    assert any("taken to be 300 ms" in note for note in found.notes)


def test_a_staircases_release_is_taken() -> None:
    tone = replace(TONE, limiter=replace(LIMITER, release_ms=120.0))
    take = limiting_ladder(np.arange(-40.0, -9.0, 3.0))
    stairs = replace(take, kind="staircase", rungs=[], limiters=[], staircase=[tone])
    notes = with_filters(results(take, stairs), [SHELF]).takes[0].filtered[0].notes
    assert any("its release is 120 ms by the staircase" in note for note in notes)


def test_heat_grows_with_the_power() -> None:
    take = ladder(return_check_db=-0.2)
    louder = np.full(len(GRID_HZ), 3.0103)
    assert heat_db(take, [take], louder) == pytest.approx(0.2, abs=1e-4)
    assert heat_db(take, [take], -louder) == pytest.approx(-0.1, abs=1e-4)
    assert heat_db(ladder(return_check_db=0.1), [], louder) == 0.0
    tone = replace(TONE, thermal=Thermal(2.0, 0.5, 5.0, 40.0, 0.01))
    stairs = replace(take, kind="staircase", rungs=[], staircase=[tone])
    assert heat_db(take, [take, stairs], louder) == pytest.approx(0.5, abs=1e-3)


def test_each_filter_is_tried_alone_and_all_together() -> None:
    found = with_filters(results(ladder()), [SHELF, BELL])
    filtered = found.takes[0].filtered
    assert [one.filters for one in filtered] == [[0], [1], [0, 1]]
    np.testing.assert_allclose(
        filtered[2].gain_db, filtered[0].gain_db + filtered[1].gain_db, atol=1e-9
    )
    assert [one.name for one in found.comparison.sources] == [
        "without filters", "low shelf at 80\N{NO-BREAK SPACE}Hz, +5\N{NO-BREAK SPACE}dB",
        "bell at 900\N{NO-BREAK SPACE}Hz, −6\N{NO-BREAK SPACE}dB", "all filters",
    ]  # fmt: skip
    quantities = {one.quantity for one in found.comparison.differences}
    assert {"fundamental", "thd", "h2", "h3"} <= quantities
    json.loads(to_json(found))


def test_the_largest_cost_comes_first_and_all_together_last() -> None:
    found = with_filters(results(ladder()), [{**SHELF, "gain_db": 2.0}, {**SHELF, "name": "more"}])
    sentences = [one.sentence.replace("\N{NO-BREAK SPACE}", " ") for one in found.findings]
    costs = [one.difference_db for one in found.findings if one.source < 3]
    assert costs == sorted(costs, key=float)
    assert sentences[0].startswith("“more” takes 4.")
    assert sentences[-1].startswith("All filters together ")


def test_a_shelf_takes_headroom_and_doubles_thd() -> None:
    """The second harmonic grows by a dB a dB: 6 dB of shelf double it."""
    shelf = {**SHELF, "frequency_hz": 150.0, "gain_db": 6.5}
    (finding,) = with_filters(results(ladder()), [shelf], levels_spl=[85.0]).findings
    words = finding.sentence.replace("\N{NO-BREAK SPACE}", " ")
    assert words.startswith("This shelf takes ")
    assert "of headroom at" in words and "doubles THD there from" in words
    assert words.endswith("at 85 dB SPL.")
    assert finding.difference_db == pytest.approx(-6.2, abs=0.4)


def test_a_level_at_full_scale_is_known() -> None:
    """0 dBFS is a drive, not the lack of one."""
    found = with_filters(results(ladder()), [SHELF], levels_spl=[85.0])
    (one,) = found.takes[0].filtered
    (level,) = one.at_levels
    assert level.drive_dbfs is not None and level.filtered_drive_dbfs is not None
    full = replace(
        level, drive_dbfs=0.0, filtered_drive_dbfs=level.filtered_drive_dbfs - level.drive_dbfs
    )
    take = replace(found.takes[0], filtered=[replace(one, at_levels=[full])])
    (finding,) = findings_of(found.filters, take)
    assert finding.difference_db is not None and finding.difference_db < -3.0


def test_without_a_level_band_that_says_so() -> None:
    made = results(ladder())
    nowhere = replace(made, conditions=replace(made.conditions, level_band_hz=(25e3, 30e3)))
    (finding,) = with_filters(nowhere, [SHELF]).findings
    assert "no level over the level band is known" in finding.sentence


def test_a_cut_gives_headroom() -> None:
    found = with_filters(results(ladder()), [BELL], levels_spl=[85.0]).findings
    given = [one for one in found if "gives" in one.sentence]
    assert given and given[0].low_hz == pytest.approx(900.0, rel=0.2)


def test_a_low_pass_gives_nothing_where_it_takes_the_sound_away() -> None:
    low_pass = {"kind": "low-pass", "frequency_hz": 5000.0, "order": 4}
    (finding,) = with_filters(results(ladder()), [low_pass], levels_spl=[85.0]).findings
    assert finding.difference_db is not None and finding.low_hz is not None
    assert finding.difference_db < 10.5 and finding.low_hz < 8000.0


def test_a_filter_that_does_nothing_says_so() -> None:
    faint = {**BELL, "gain_db": 0.1}
    (finding,) = with_filters(results(ladder()), [faint]).findings
    assert "changes headroom by less than" in finding.sentence


def test_short_ladders_are_named_and_none_is_refused() -> None:
    short = ladder(drives=(-28.0, -22.0), position="woofer")
    found = with_filters(results(ladder(), short), [SHELF])
    assert [take.position for take in found.takes] == ["axis"]
    assert found.comparison.not_compared[0].startswith("At “woofer” fewer than three levels")
    with pytest.raises(InputError, match="filters can't be tried"):
        with_filters(results(short), [SHELF])


def test_without_calibration_levels_are_in_dbfs() -> None:
    take = replace(ladder(), level_unit="dBFS")
    take = replace(take, rungs=[replace(rung, spl_db=None) for rung in take.rungs])
    found = with_filters(results(take), [SHELF]).takes[0].filtered[0].at_levels[0]
    assert found.unit == "dBFS" and found.filtered_drive_dbfs is not None


def test_a_sweep_of_lower_drive_is_read_at_the_drive_that_it_had() -> None:
    """Below 60 Hz the sweep had 8 dB less: what is known of a rung is known of a quieter sine."""
    shape = np.where(GRID_HZ < 60.0, -8.0, 0.0)
    whole = ladder(clean_level=[clean_level(-18.0, "reached")])
    shaped = replace(whole, drive_shape_db=shape)
    low, high = at(40.0), at(500.0)
    found = [level_of(take, [SHELF], 85.0) for take in (whole, shaped)]
    assert found[0].drive_dbfs == pytest.approx(found[1].drive_dbfs)
    for place, moved in ((low, 8.0), (high, 0.0)):
        rooms = [one.headroom[-1].filtered_db.values[place] for one in found]
        assert rooms[0] - rooms[1] == pytest.approx(moved)
        thds = [one.filtered_thd_db.values[place] for one in found]
        # A rung 8 dB higher: the second harmonic, which rules, 8 dB more.
        assert thds[1] - thds[0] == pytest.approx(moved, abs=0.4)
    rungs = [with_filters(results(take), [SHELF]).takes[0].filtered[0] for take in (whole, shaped)]
    for one, other in zip(rungs[0].at_drives, rungs[1].at_drives, strict=True):
        np.testing.assert_allclose(
            one.filtered_fundamental_db.values, other.filtered_fundamental_db.values
        )


def test_a_level_that_is_no_number_is_refused() -> None:
    with pytest.raises(InputError, match="levels_spl holds nan"):
        with_filters(results(ladder()), [SHELF], levels_spl=[float("nan")])
    with pytest.raises(InputError, match="levels_spl holds no level"):
        with_filters(results(ladder()), [SHELF], levels_spl=[])


def test_levels_that_the_results_state_are_taken() -> None:
    nothing = np.zeros(len(GRID_HZ))
    stated = [AtSpl(spl, BAND, GRID_HZ, *(nothing,) * 6) for spl in (90.0, 80.0)]
    found = with_filters(results(ladder(at_spl=stated)), [SHELF]).takes[0].filtered[0]
    assert [one.level_db for one in found.at_levels] == [80.0, 90.0]
