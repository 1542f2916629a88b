"""The figures, tested on the data of their artists rather than on pixels."""

from __future__ import annotations

import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import matplotlib
import numpy as np
import pytest
from matplotlib.colors import to_rgb
from report_samples import (
    BAND_HZ,
    LEVELS_DBFS,
    alter,
    drawn,
    labelled,
    luminance,
    main_axes,
    rung_lines,
    sample_take,
    tags_of,
    uncertain_lines,
    words,
)

from distsweep import report
from distsweep.flag_runs import runs_of
from distsweep.report.reliability import (
    gain_change_reliable,
    order_ends_hz,
)
from distsweep.report.tags import place_tags
from distsweep.results import Take
from distsweep.units import percent_to_db

LADDER_PLOTS = ["plot_fundamental", "plot_thd", "plot_gain_change"]
ALL_PLOTS = [*LADDER_PLOTS, "plot_harmonics"]


@pytest.fixture(scope="module")
def take() -> Take:
    return sample_take()


def test_planning_a_page_loads_neither_matplotlib_nor_jinja2() -> None:
    code = (
        "import sys, distsweep.report.page, distsweep.report.sections, distsweep.report.tables; "
        "bad = {'matplotlib', 'jinja2', 'scipy.signal'} & set(sys.modules); "
        "sys.exit(', '.join(bad) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_every_exported_name_is_there() -> None:
    assert all(callable(getattr(report, name)) for name in report.__all__)
    with pytest.raises(AttributeError, match="plot_nothing"):
        report.plot_nothing  # noqa: B018


def test_fundamental_draws_each_rung_exactly_where_it_is_clear_of_the_floor(take: Take) -> None:
    axes = main_axes(report.plot_fundamental(take))
    lines = rung_lines(axes)
    assert len(lines) == len(LEVELS_DBFS)
    above = take.rungs[0].fundamental_db - take.rungs[0].fundamental_floor_db
    between = (above >= 6.0) & (above < 25.0)
    (pale,) = labelled(axes, "_uncertain −40\N{NO-BREAK SPACE}dBFS")
    assert 0 < between.sum() < between.size
    np.testing.assert_array_equal(np.flatnonzero(between), drawn(pale)[:-1])  # and one to meet
    for line, rung in zip(lines, take.rungs, strict=True):
        clear = rung.fundamental_db - rung.fundamental_floor_db >= 25.0
        np.testing.assert_array_equal(line.get_xdata(), take.frequency_hz)
        expected = np.where(clear, rung.fundamental_db, np.nan)
        np.testing.assert_array_equal(line.get_ydata(), expected)


def test_thd_leaves_out_what_is_not_reliable(take: Take) -> None:
    lines = rung_lines(main_axes(report.plot_thd(take)))
    assert not all(rung.thd_reliable.all() for rung in take.rungs)
    for line, rung in zip(lines, take.rungs, strict=True):
        expected = np.where(rung.thd_reliable, rung.thd_db, np.nan)
        np.testing.assert_array_equal(line.get_ydata(), expected)


def test_a_reliable_point_without_neighbours_is_marked(take: Take) -> None:
    alone = sample_take(levels_dbfs=(-10.0,))
    alone.rungs[0].thd_reliable[:] = False
    alone.rungs[0].thd_reliable[100] = True
    (dot,) = labelled(main_axes(report.plot_thd(alone)), "_lone")
    assert dot.get_marker() == "o"
    assert dot.get_markerfacecolor() == rung_lines(main_axes(report.plot_thd(alone)))[0].get_color()
    np.testing.assert_array_equal(dot.get_xdata(), alone.frequency_hz[[100]])


def test_the_top_marks_where_harmonics_leave_the_band(take: Take) -> None:
    ends = order_ends_hz(take)
    assert ends == {order: pytest.approx(BAND_HZ[1] / order) for order in range(2, 11)}
    axes = main_axes(report.plot_thd(take))
    for order in (2, 3, 4, 5):
        (mark,) = labelled(axes, f"_end {order}")
        assert list(mark.get_xdata()) == [pytest.approx(BAND_HZ[1] / order)] * 2
        assert [t.get_text() for t in axes.texts].count(f"H{order}") == 1
    assert not labelled(axes, "_end 6")
    for rung in take.rungs:  # the step stands where the marks say
        assert set(rung.orders_summed[take.frequency_hz > ends[3] * 1.001]) <= {1, 0}
    coarse = sample_take(points=60)
    alter(coarse, band_hz=[])  # the grid alone must do, to half a step of it
    assert order_ends_hz(coarse)[3] == pytest.approx(BAND_HZ[1] / 3, rel=10 ** (1.6 / 59) - 1)
    assert order_ends_hz(sample_take(band_hz=(20.0, 1900.0), points=60)) == {}


def test_percent_axis_stands_where_percent_belong(take: Take) -> None:
    figure = report.plot_thd(take)
    main, twin = figure.axes[0], figure.axes[-1]
    assert twin.get_ylim() == main.get_ylim()
    texts = [text.get_text() for text in twin.get_yticklabels()]
    ticks = dict(zip(twin.get_yticks(), texts, strict=True))
    assert {"1 %", "10 %", "100 %"} <= set(ticks.values())
    for place, text in ticks.items():
        assert place == pytest.approx(float(percent_to_db(float(text.removesuffix(" %")))))
    assert "%" in twin.get_ylabel()
    assert "dB" in main.get_ylabel()


@pytest.mark.parametrize("plot", LADDER_PLOTS)
def test_nothing_that_is_drawn_is_cut_off_at_the_top(plot: str, take: Take) -> None:
    axes = main_axes(getattr(report, plot)(take))
    lines = [*rung_lines(axes), *uncertain_lines(axes)]
    highest = max(np.nanmax(line.get_ydata()) for line in lines
                  if np.isfinite(line.get_ydata()).any())  # fmt: skip
    assert axes.get_ylim()[0] < highest < axes.get_ylim()[1]


@pytest.mark.parametrize("plot", ALL_PLOTS)
def test_axes_have_labels_with_units_and_a_log_frequency_scale(plot: str, take: Take) -> None:
    figure = getattr(report, plot)(take)
    assert all(axes.get_xscale() == "log" for axes in figure.axes)
    assert "Excitation frequency, Hz" in words(figure)
    assert any("dB" in axes.get_ylabel() for axes in figure.axes)
    lowest = figure.axes[0 if plot == "plot_harmonics" else 1]  # or the strip below
    labels = {t.get_text() for t in lowest.get_xticklabels()}
    if plot == "plot_harmonics":  # half as wide
        assert labels == {"100", "1k", "10k"}
    else:
        assert labels == {"20", "50", "100", "200", "500", "1k", "2k", "5k", "10k", "20k"}


@pytest.mark.parametrize(
    ("calibrated", "label"), [(True, "Level, dB SPL"), (False, "Level, dBFS (uncalibrated)")]
)
def test_level_axis_says_its_unit(calibrated: bool, label: str) -> None:
    figure = report.plot_fundamental(sample_take(calibrated=calibrated, points=60))
    assert main_axes(figure).get_ylabel() == label
    assert ("dB SPL" in words(figure)) is calibrated


def test_gain_change_leaves_the_reference_to_the_zero_line(take: Take) -> None:
    assert take.compression is not None
    axes = main_axes(report.plot_gain_change(take))
    lines = rung_lines(axes)
    assert np.isnan(lines[0].get_ydata()).all()
    assert list(labelled(axes, "_zero")[0].get_ydata()) == [0.0, 0.0]
    flags = gain_change_reliable(take, 6)
    assert 0 < flags.sum() < flags.size
    expected = np.where(flags, take.compression.gain_change_db[6], np.nan)
    np.testing.assert_array_equal(lines[6].get_ydata(), expected)


def test_gain_change_is_shown_where_the_analysis_wrote_one_and_never_pale() -> None:
    noisy = sample_take(points=60)
    assert noisy.compression is not None
    noisy.compression.gain_change_db[6][20:30] = np.nan
    axes = main_axes(report.plot_gain_change(noisy))
    assert np.isnan(rung_lines(axes)[6].get_ydata())[20:30].all()
    assert all(drawn(line).size == 0 for line in uncertain_lines(axes))
    alter(noisy.compression, reference_drive_dbfs=None)
    assert not gain_change_reliable(noisy, 6).any()


def test_harmonics_have_a_panel_each_with_floor_and_pale_doubt() -> None:
    take = sample_take(noise_db=15.0)
    rung = take.rungs[4]
    figure = report.plot_harmonics(take, drive_dbfs=rung.drive_dbfs)
    panels = [axes for axes in figure.axes if labelled(axes, "_reliable")]
    assert len(panels) == len(rung.harmonics) == 9
    by_order = {int(axes.texts[0].get_text()[1:]): axes for axes in panels}
    for order, curve in rung.harmonics.items():
        (sure,), (doubt,) = (labelled(by_order[order], k) for k in ("_reliable", "_uncertain"))
        np.testing.assert_array_equal(
            sure.get_ydata(), np.where(curve.reliable, curve.level_db, np.nan)
        )
        assert doubt.get_linewidth() < sure.get_linewidth() / 2
        above = np.nan_to_num(curve.level_db - curve.floor_db, nan=-1.0)
        between = (above >= 6.0) & (above < 25.0)
        reached = np.isfinite(doubt.get_ydata())
        assert reached[between].all()
        assert curve.reliable[reached & ~between].all()
        (floor,) = [p for p in by_order[order].patches if p.get_label() == "_floor"]
        x, top = take.frequency_hz[0], floor.get_xy()[:, 1].max()
        assert floor.get_xy()[0, 0] == x
        assert top == pytest.approx(np.nanmax(curve.floor_db))
    assert {"within 1.5 dB", "uncertain"} <= set(words(figure).splitlines())


def test_harmonics_default_to_the_loudest_rung_that_did_not_clip() -> None:
    figure = report.plot_harmonics(sample_take(clipped=(6,)))
    assert "Each harmonic at −10" in words(figure)


def test_a_harmonic_wholly_outside_the_band_says_so() -> None:
    take = sample_take(band_hz=(5000.0, 20000.0), orders=range(2, 6))
    figure = report.plot_harmonics(take)
    assert "the 5th harmonic lies outside the band" in words(figure)
    assert "the 2nd harmonic lies outside the band" not in words(figure)


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda t: report.plot_harmonics(t, drive_dbfs=-11.0), "the rungs are -40"),
        (lambda t: report.plot_gain_change(sample_take(levels_dbfs=(-10.0,))), "no gain change"),
        (lambda t: report.plot_thd(sample_take(levels_dbfs=())), "holds no rung"),
        (lambda t: report.plot_harmonics(sample_take(orders=range(2, 2))), "holds no harmonic"),
    ],
    ids=["unknown drive", "one rung", "no rung", "no harmonic"],
)
def test_what_cannot_be_drawn_is_refused(call: object, text: str, take: Take) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=text):
        call(take)


def test_a_missing_floor_does_not_hide_the_fundamental() -> None:
    take = sample_take(points=60, levels_dbfs=(-10.0,))
    take.rungs[0].fundamental_floor_db[:] = np.nan  # null in the file: no noise at all
    line = rung_lines(main_axes(report.plot_fundamental(take)))[0]
    assert np.isfinite(line.get_ydata()).all()


@pytest.mark.parametrize("count", [1, 7, 12])
def test_levels_differ_in_lightness_and_are_named_on_line_and_strip(count: int) -> None:
    levels = tuple(np.linspace(-48.0, -4.0, count))
    figure = report.plot_fundamental(sample_take(levels_dbfs=levels, noise_db=-30.0))
    lines = rung_lines(main_axes(figure))
    lightness = [luminance(line.get_color()) for line in lines]
    assert all(a - b > 0.02 for a, b in pairwise(lightness))
    tags = tags_of(figure)
    assert len(tags) == count
    for tag, line in zip(tags, lines, strict=True):
        at = np.argmin(np.abs(np.asarray(line.get_xdata()) - tag.get_position()[0]))
        assert tag.get_position()[1] == pytest.approx(line.get_ydata()[at])
    strip = "\n".join(t.get_text() for t in figure.axes[1].texts)
    assert strip.count("dBFS") == count


def test_rungs_in_falling_order_keep_dark_for_loud() -> None:
    figure = report.plot_thd(sample_take(levels_dbfs=(-10.0, -40.0)))
    loud, quiet = rung_lines(main_axes(figure))
    assert sum(to_rgb(loud.get_color())) < sum(to_rgb(quiet.get_color()))


def test_drawing_leaves_the_global_settings_alone(take: Take) -> None:
    before = dict(matplotlib.rcParams)
    report.plot_thd(take)
    assert dict(matplotlib.rcParams) == before


def test_drawing_does_not_load_pyplot() -> None:
    code = (
        "import sys; from report_samples import sample_take; from distsweep import report; "
        "report.plot_thd(sample_take(points=30))._repr_png_(); "
        "report.plot_harmonics(sample_take(points=30)); "
        "sys.exit('matplotlib.pyplot' in sys.modules)"
    )
    here = Path(__file__).parents[1]
    done = subprocess.run([sys.executable, "-c", code], cwd=here, capture_output=True, text=True,
                          check=False)  # fmt: skip
    assert done.returncode == 0, done.stderr


def test_a_notebook_gets_a_png(take: Take) -> None:
    assert report.plot_thd(take)._repr_png_().startswith(b"\x89PNG")


def test_tags_of_well_spaced_lines_do_not_overlap() -> None:
    x = np.linspace(0.0, 6.0, 200)
    lines = [np.full(200, y) for y in (0.5, 0.55, 0.6, 2.0)]  # three closer than a tag is high
    places = place_tags(x, lines, size=(0.4, 0.15), box=(6.0, 3.0))
    spots = [(x[at], line[at]) for at, line in zip(places, lines, strict=True) if at is not None]
    assert len(spots) == 4
    for i, (a, b) in enumerate(spots):
        assert all(abs(a - c) >= 0.4 or abs(b - d) >= 0.15 for c, d in spots[:i])


def test_a_scrap_of_a_line_gets_no_tag() -> None:
    x = np.linspace(0.0, 6.0, 200)
    scrap = np.full(200, np.nan)
    scrap[90] = 1.0
    assert place_tags(x, [scrap], size=(0.4, 0.15), box=(6.0, 3.0)) == [None]


@pytest.mark.parametrize(
    ("flags", "expected"),
    [([], []), ([1, 1], [(0, 2)]), ([0, 1, 0, 1, 1], [(1, 2), (3, 5)]), ([0, 0], [])],
)
def test_runs_of_true(flags: list[int], expected: list[tuple[int, int]]) -> None:
    assert runs_of(np.array(flags, dtype=bool)) == expected
