"""Reliable, uncertain, noise: how figures, table and summary tell the three apart."""

from __future__ import annotations

import re

import numpy as np
import pytest
from report_samples import (
    all_unreliable,
    alter,
    drawn,
    luminance,
    main_axes,
    rung_lines,
    sample_results,
    sample_take,
    tags_of,
    uncertain_lines,
    words,
    words_of,
)

from distsweep import report
from distsweep.flag_runs import runs_of
from distsweep.report import look
from distsweep.report.reliability import (
    beside,
    fundamental_standing,
    thd_bound_db,
    thd_standing,
)
from distsweep.results import Take

LADDER_PLOTS = ["plot_fundamental", "plot_thd", "plot_gain_change"]


@pytest.fixture(scope="module")
def take() -> Take:
    return sample_take()


def test_uncertain_thd_is_drawn_as_measured_but_thin_pale_and_apart(take: Take) -> None:
    axes = main_axes(report.plot_thd(take))
    kinds = set()
    for rung, full, pale in zip(take.rungs, rung_lines(axes), uncertain_lines(axes), strict=True):
        above = rung.thd_db - rung.thd_floor_db
        between = (above >= 6.0) & (above < 25.0)
        reached = np.isfinite(pale.get_ydata())
        np.testing.assert_array_equal(
            np.asarray(pale.get_ydata())[reached], rung.thd_db[reached]
        )  # nothing is smoothed
        assert reached[between].all()
        assert rung.thd_reliable[reached & ~between].all()  # it ends on the full line at most
        assert (reached & ~between).sum() <= 2 * len(runs_of(between))
        kinds.add((bool(between.any()), bool(rung.thd_reliable.any())))
        assert pale.get_linewidth() <= 0.6 * full.get_linewidth()
        paper, line = luminance(look.PAPER), luminance(full.get_color())
        assert line + 0.4 * (paper - line) < luminance(pale.get_color()) < paper - 0.1
    assert kinds >= {(True, True), (True, False), (False, False)}  # the sample has every case


def test_an_unflagged_value_far_above_its_floor_is_spoilt_and_not_shown(take: Take) -> None:
    rung = sample_take(levels_dbfs=(-10.0,)).rungs[0]
    clear = rung.thd_db - rung.thd_floor_db >= 25.0
    rung.thd_reliable[:] = False
    standing = thd_standing(rung)
    assert clear.any()
    assert not standing.reliable.any()
    assert not standing.uncertain[clear].any()
    assert standing.uncertain.any()


def test_the_hair_line_meets_reliable_neighbours_and_no_others() -> None:
    uncertain = np.array([0, 0, 1, 0, 0, 1, 0], dtype=bool)
    reliable = np.array([1, 1, 0, 0, 0, 0, 1], dtype=bool)
    assert beside(uncertain, reliable).astype(int).tolist() == [0, 1, 1, 0, 0, 1, 1]


def test_true_thd_lies_under_the_bound_whatever_noise_does() -> None:
    """Draw distortion and Gaussian noise of every size, and hold the truth against the bound."""
    rng = np.random.default_rng(7)
    count = 20_000
    truth = 10.0 ** rng.uniform(-4.0, 0.0, count)
    noise_rms = truth * 10.0 ** rng.uniform(-2.0, 1.0, count)
    noise = noise_rms * (rng.normal(size=count) + 1j * rng.normal(size=count)) / np.sqrt(2.0)
    rung = sample_take(levels_dbfs=(-10.0,), points=20).rungs[0]
    alter(rung, thd_db=20.0 * np.log10(np.abs(truth + noise)))
    alter(rung, thd_floor_db=20.0 * np.log10(noise_rms))
    bound = thd_bound_db(rung)
    # At 2.8 times its RMS one in thirty thousand passes, and only when it is exactly in antiphase.
    assert np.mean(20.0 * np.log10(truth) > bound) < 2e-4
    clear = rung.thd_db - rung.thd_floor_db
    assert np.all(
        bound - rung.thd_db <= 20.0 * np.log10(1.0 + 2.8 * 10.0 ** (-clear / 20.0)) + 1e-9
    )
    alter(rung, clipped=True)
    assert np.isnan(thd_bound_db(rung)).all()


def test_the_strip_covers_the_share_of_each_state_thick_and_thin(take: Take) -> None:
    strip = report.plot_thd(take).axes[1]
    bars = {c.get_label(): c for c in strip.collections}
    span = np.log(take.frequency_hz[-1] / take.frequency_hz[0])
    for rank, rung in enumerate(take.rungs):  # the sample's rungs go from quiet to loud
        standing = thd_standing(rung)
        for kind, flags, low, high in (("_bar", standing.reliable, 0.4, 0.7),
                                       ("_hair bar", standing.uncertain, 0.02, 0.15)):  # fmt: skip
            if not flags.any():
                assert f"{kind} {rank}" not in bars
                continue
            corners = [path.vertices for path in bars[f"{kind} {rank}"].get_paths()]
            share = sum(np.log(np.max(c[:, 0]) / np.min(c[:, 0])) for c in corners) / span
            # The grid's outer cells are half as wide as the rest: one cell in 479 at most.
            assert share == pytest.approx(np.mean(flags), abs=1.5 / 479)
            assert all(low < np.ptp(c[:, 1]) < high for c in corners)
    title = "\n".join(text.get_text() for text in strip.texts)
    assert "Thick bar: within 1.5 dB" in title
    assert "Thin: noise may move it by several dB" in title
    assert "None: noise" in title


def test_remarks_stand_in_the_widest_gap_of_rows_that_are_noise() -> None:
    take = sample_take(levels_dbfs=(-22.0, -16.0, -10.0))
    for rung in take.rungs[:2]:
        rung.thd_reliable[:] = False
        alter(rung, thd_floor_db=rung.thd_db - 1.0)
    take.rungs[1].thd_floor_db[[2, 3, 40]] -= 10.0  # specks, as noise makes them by chance
    remarks = {t.get_text(): t for t in report.plot_thd(take).axes[1].texts}
    assert remarks["all in the noise"].get_position() == (pytest.approx(20.0 * 1.03), 0)
    x, row = remarks["nearly all in the noise"].get_position()
    assert row == 1
    assert x == pytest.approx(take.frequency_hz[41] * 1.03)


def test_the_limits_hold_uncertain_lines_that_pass_the_reliable_ones(take: Take) -> None:
    noisy = sample_take(levels_dbfs=(-22.0, -10.0))
    alter(noisy.rungs[0], thd_db=noisy.rungs[1].thd_db + 30.0)
    alter(noisy.rungs[0], thd_floor_db=noisy.rungs[0].thd_db - 10.0)
    noisy.rungs[0].thd_reliable[:] = False
    low, high = main_axes(report.plot_thd(noisy)).get_ylim()
    assert high > np.nanmax(noisy.rungs[0].thd_db)
    assert low < np.nanmin(noisy.rungs[1].thd_db[noisy.rungs[1].thd_reliable])


def test_a_rung_that_clipped_in_part_is_drawn_where_it_is_known_not_to_have() -> None:
    take = sample_take(clipped=(6,), clipped_hz=(60.0, 300.0))
    clear = take.rungs[6].fundamental_db - take.rungs[6].fundamental_floor_db >= 25.0
    spoilt = (take.frequency_hz >= 60.0) & (take.frequency_hz <= 300.0)
    standing = fundamental_standing(take, 6)
    assert clear[spoilt].all()
    assert not (standing.reliable | standing.uncertain)[spoilt].any()
    # Elsewhere THD or a gain change vouches for it, but for a few points in the bass.
    np.testing.assert_array_equal(standing.reliable, clear & ~spoilt)
    line = rung_lines(main_axes(report.plot_thd(take)))[6]
    np.testing.assert_array_equal(drawn(line), np.flatnonzero(take.rungs[6].thd_reliable))
    quieter = sample_take(clipped=(4,), clipped_hz=(60.0, 300.0)).rungs[4]
    assert not thd_standing(quieter).uncertain.any()  # a missing flag there may mean clipping
    alter(quieter, clipped=False)
    assert thd_standing(quieter).uncertain.any()
    assert take.compression is not None  # without witnesses nothing is known
    take.compression.gain_change_db[6][:] = np.nan
    take.rungs[6].thd_reliable[:] = False
    for curve in take.rungs[6].harmonics.values():
        curve.reliable[:] = False
    assert not fundamental_standing(take, 6).any()


def test_clipped_rungs_are_not_drawn_and_named() -> None:
    figure = report.plot_fundamental(sample_take(clipped=(6,), points=60))
    assert np.isnan(rung_lines(main_axes(figure))[6].get_ydata()).all()
    (name,) = [
        t
        for t in figure.axes[1].texts
        if t.get_text().endswith(", clipped") and "−" in t.get_text()
    ]
    assert name.get_text() == "−4, clipped"
    assert name.get_position()[1] == 6
    assert "None: noise, or clipped" in words(figure)


def test_only_a_rung_without_reliable_stretches_has_a_tag_on_its_pale_line() -> None:
    take = sample_take(levels_dbfs=(-22.0, -10.0))
    take.rungs[0].thd_reliable[:] = False
    alter(take.rungs[0], thd_floor_db=take.rungs[0].thd_db - 15.0)
    figure = report.plot_thd(take)
    quiet, loud = tags_of(figure)
    assert (quiet.get_text(), loud.get_text()) == ("−22", "−10")
    assert (quiet.get_fontweight(), loud.get_fontweight()) == ("normal", "bold")
    assert quiet.get_position()[1] in take.rungs[0].thd_db
    at = np.argmin(np.abs(take.frequency_hz - loud.get_position()[0]))
    assert take.rungs[1].thd_reliable[at]


@pytest.mark.parametrize("plot", LADDER_PLOTS)
def test_a_field_without_reliable_values_says_so(plot: str) -> None:
    figure = getattr(report, plot)(all_unreliable(sample_take(points=120)))
    axes = main_axes(figure)
    assert not any(drawn(line).size for line in [*rung_lines(axes), *uncertain_lines(axes)])
    assert "Nothing can be shown here" in words(figure)


def test_summary_bounds_the_thd_of_levels_that_have_no_reliable_one() -> None:
    take = sample_take()
    page = words_of(sample_results(take))
    for index, opening in (
        (0, "At the lowest drive, −40 dBFS (62.0 dB SPL), no THD is reliable; "),
        (3, "The highest drive without any reliable THD is −22 dBFS (80.0 dB SPL); "),
    ):
        rung = take.rungs[index]
        assert not rung.thd_reliable.any()
        assert take.rungs[4].thd_reliable.any()
        where = (take.frequency_hz >= 100.0) & (rung.orders_summed > 0)
        percent = rung.thd_percent + 280.0 * 10.0 ** (rung.thd_floor_db / 20.0)
        bound = percent[where].max()
        decimals = int(1 - np.floor(np.log10(bound)))  # two digits; a bound is rounded up
        most = f"{np.ceil(bound * 10.0**decimals) / 10.0**decimals:.{decimals}f}"
        assert opening + f"from 101 Hz to 9.87 kHz it is at most {most} %" in page.text
    for rung in take.rungs:  # a bound past 100 % is none
        alter(rung, thd_floor_db=np.where(take.frequency_hz > 1000.0, 0.0, rung.thd_floor_db))
    assert "no THD is reliable; it is hidden, not low." in words_of(sample_results(take)).text


def test_clipping_is_held_against_what_it_fell_on_only() -> None:
    take = sample_take(clipped=(6,), clipped_hz=(60.0, 300.0))
    flags = take.rungs[6].thd_reliable[take.rungs[6].orders_summed > 0]
    page = words_of(sample_results(take))
    assert "The recording clipped at −4 dBFS: what the clipping fell on does not count" in page.text
    assert f"THD is reliable at {100 * flags.mean():.0f} % of the frequencies there" in page.text
    (table,) = [t for t in page.tables if t[0][0] == "Excitation frequency"]
    cells = {row[0]: row[-1] for row in table[1:]}
    assert cells["100 Hz"] == "clipped"
    assert " % | " in cells["1 kHz"]
    assert "“Clipped”: spoilt by clipping, or by noise" in page.text
    assert [t[-1][-1] for t in page.tables if t[0][0] == "Drive"] == ["yes: in part"]
    whole = words_of(sample_results(sample_take(clipped=(6,))))
    assert [t[-1][-1] for t in whole.tables if t[0][0] == "Drive"] == ["yes: nothing reliable"]
    unclipped = words_of(sample_results(sample_take(points=60))).text
    assert "The recording clipped" not in unclipped
    assert "spoilt by clipping" not in unclipped
    assert "level that clipped" not in unclipped


def test_definitions_and_captions_give_the_margins_of_the_results() -> None:
    text = words_of(sample_results(sample_take(points=120))).text
    assert "no farther than 1.5 dB to either side" in text
    assert "6 to 25 dB above the floor" in text
    assert "only where both levels stand 25 dB above the noise" in text
    assert not re.search(r"\b26 dB", text)
    assert "the 3rd at 6.67 kHz" in text
