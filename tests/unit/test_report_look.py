"""How figures look in a notebook: limits that are changed, style sheets, colours for every eye."""

from __future__ import annotations

import re
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import matplotlib
import matplotlib.style
import numpy as np
import pytest
from matplotlib.colors import to_hex
from report_samples import (
    drawn_labels,
    drawn_texts,
    labelled,
    main_axes,
    rung_lines,
    sample_take,
    tags_of,
    words,
)

from distsweep import report
from distsweep.report import look
from distsweep.report.both_renderer import drawn
from distsweep.report.dark import contrast, linear_rgb, to_oklab
from distsweep.report.palette import Palette, palette_of
from distsweep.report.style import DEFAULT_STYLE
from distsweep.units import FloatArray, percent_to_db

PLOTS = [report.plot_fundamental, report.plot_thd, report.plot_gain_change, report.plot_harmonics]


def test_changed_limits_keep_strip_percent_and_ticks_together() -> None:
    figure = report.plot_thd(sample_take())
    main, strip, twin = figure.axes
    main.set_xlim(200.0, 2000.0)
    main.set_ylim(-62.0, -38.0)
    assert strip.get_xlim() == twin.get_xlim() == (200.0, 2000.0)
    assert twin.get_ylim() == (-62.0, -38.0)
    names = ["200", "300", "500", "700", "1k", "1.5k", "2k"]
    assert drawn_texts(figure, strip.xaxis) == names
    assert drawn_texts(figure, main.yaxis) == ["−60", "−55", "−50", "−45", "−40"]
    assert drawn_texts(figure, twin.yaxis) == ["0.1 %", "0.3 %", "1 %"]
    places = [-60.0, float(percent_to_db(0.3)), -40.0]
    np.testing.assert_allclose(twin.get_yticks(), places)
    strip.set_xlim(20.0, 20000.0)  # and the other way round
    assert main.get_xlim() == (20.0, 20000.0)


def test_a_damage_strip_follows_too() -> None:
    from distsweep.results import Damage

    take = sample_take()
    take.damage.append(Damage("click", 1.0, 1.01, 3, 900.0, 1100.0))
    figure = report.plot_thd(take)
    figure.axes[0].set_xlim(500.0, 2000.0)
    assert all(axes.get_xlim() == (500.0, 2000.0) for axes in figure.axes)


def test_a_notebook_may_still_change_ticks_by_hand() -> None:
    figure = report.plot_thd(sample_take(points=60))
    main = main_axes(figure)
    main.set_yticks([-40.0, -20.0], ["a", "b"])
    main.tick_params(axis="y", labelcolor="red", length=9.0)
    figure.canvas.draw()
    assert [t.get_text() for t in main.get_yticklabels()] == ["a", "b"]
    assert {t.get_color() for t in main.get_yticklabels()} == {"red"}
    assert main.yaxis.get_ticks_position() in ("left", "default")


@pytest.mark.parametrize("plot", PLOTS)
def test_files_have_the_ticks_that_matplotlib_itself_would_draw(
    plot: Callable[..., object],
) -> None:
    """Each name that matplotlib draws stands in the SVG, inside the box where it draws it."""
    take = sample_take(points=60)
    with look.files_look():
        renderer = drawn(plot(take), dots_per_inch=72.0)  # type: ignore[arg-type]
    svg = "".join(part for _, part in renderer.svg.parts)
    written = re.findall(r'<text x="([-.\d]+)" y="([-.\d]+)"[^>]*>([^<]*)</text>', svg)
    figure = plot(take)
    figure.dpi = 72.0  # type: ignore[attr-defined]
    figure.canvas.draw()  # type: ignore[attr-defined]
    height, count = figure.bbox.height, 0  # type: ignore[attr-defined]
    for axes in figure.axes:  # type: ignore[attr-defined]
        for axis in (axes.xaxis, axes.yaxis):
            for label in drawn_labels(axis):
                box = label.get_window_extent().padded(0.5)
                places = [(float(x), height - float(y)) for x, y, t in written
                          if t == label.get_text()]  # fmt: skip
                assert any(box.contains(*place) for place in places), label
                count += 1
    assert count > 12


@pytest.mark.parametrize("plot", PLOTS)
def test_in_files_spines_stand_at_the_edges_of_their_axes(plot: Callable[..., Any]) -> None:
    with look.files_look():
        figure = plot(sample_take(points=60))
        renderer = drawn(figure, dots_per_inch=72.0)
        figure.dpi = 72.0
        edges = [
            places
            for axes in figure.axes
            for side, spine in axes.spines.items()
            if spine.get_visible()
            for places in [expected_edge(axes.bbox, side, renderer.svg.height)]
        ]
    found = [part for _, part in renderer.svg.parts if 'stroke-linecap="square"' in part]
    assert len(found) == len(edges) > 1
    for part, (x, y) in zip(found, edges, strict=True):
        match = re.match(r'<path d="M([-.\d]+) ?([-.\d]+)l', part)
        assert match
        assert (float(match[1]), float(match[2])) == pytest.approx((x, y), abs=0.03)


def expected_edge(box: Any, side: str, height: float) -> tuple[float, float]:
    """Where a spine starts, in points from the upper left corner."""
    x = box.x1 if side == "right" else box.x0
    y = box.y1 if side == "top" else box.y0
    return x, height - y


@pytest.mark.parametrize("sheet", ["dark_background", "ggplot", "Solarize_Light2"])
def test_style_sheets_work_and_stay_legible(sheet: str) -> None:
    with matplotlib.style.context(sheet):
        paper = to_hex(matplotlib.rcParams["axes.facecolor"])
        take = sample_take(noise_db=-30.0)
        figure = report.plot_thd(take)
        panels = report.plot_harmonics(take)
    axes = main_axes(figure)
    assert to_hex(axes.get_facecolor()) == paper
    for line in rung_lines(axes):
        assert contrast(to_hex(line.get_color()), paper) >= 2.0
    for text in [*tags_of(figure), axes.yaxis.label]:
        assert contrast(to_hex(text.get_color()), paper) >= 2.0
    for panel in panels.axes:
        for line in labelled(panel, "_reliable"):
            assert contrast(to_hex(line.get_color()), paper) >= 2.0


def test_without_a_style_sheet_the_look_is_ours_and_the_settings_stay() -> None:
    before = dict(matplotlib.rcParams)
    figure = report.plot_thd(sample_take(points=60))
    assert dict(matplotlib.rcParams) == before
    assert to_hex(figure.get_facecolor()) == look.PAPER
    assert main_axes(figure).yaxis.label.get_fontsize() == 8.5


def test_text_from_files_is_no_formula_whatever_the_settings() -> None:
    with matplotlib.rc_context({"text.parse_math": True, "text.usetex": False}):
        figure = report.plot_thd(sample_take(points=60))
    assert not any(text.get_parse_math() for text in figure.findobj(matplotlib.text.Text)
                   if text.get_text())  # fmt: skip
    assert "Total harmonic distortion" in words(figure)


# Machado, Oliveira, Fernandes (2009), "A Physiologically-based Model for Simulation of Color Vision
# Deficiency", severity 1.0, for shares of light; from memory (rows add up to 1: greys stay grey).
BLIND = {
    "protanopia": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
                   [-0.003882, -0.048116, 1.051998]],
    "deuteranopia": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
                     [-0.011820, 0.042940, 0.968881]],
    "tritanopia": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
                   [0.004733, 0.691367, 0.303900]],
    "none": np.eye(3).tolist(),
}  # fmt: skip

APART = 0.045
"""Oklab distance between colours that are told apart: chosen, twice and a bit the 0.02 at which
neighbouring patches are just told apart."""


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("eyes", BLIND)
def test_colours_are_told_apart_by_every_eye(eyes: str, dark: bool) -> None:
    matrix = np.array(BLIND[eyes])
    np.testing.assert_allclose(matrix.sum(axis=1), 1.0, atol=2e-6)
    palette: Palette = palette_of(DEFAULT_STYLE, dark=dark)

    def seen(colour: str) -> FloatArray:
        return to_oklab(np.clip(matrix @ linear_rgb(colour), 0.0, 1.0))

    def apart(one: str, other: str) -> float:
        return float(np.linalg.norm(seen(one) - seen(other)))

    for one, other in pairwise(palette.levels):
        assert apart(one, other) >= APART
    for colour in (palette.odd, palette.red, palette.ink, palette.faint):
        assert apart(palette.even, colour) >= 2.0 * APART
    lightness = [float(seen(colour)[0]) for colour in palette.levels]
    steps = np.diff(lightness) * (1.0 if dark else -1.0)
    assert np.all(steps > 0.02)  # the ramp goes one way in lightness alone
    for colour in (*palette.levels, palette.even, palette.odd, palette.red):
        assert contrast(colour, palette.paper) >= 3.0  # WCAG 2.1, 1.4.11
    assert contrast(palette.quiet_ink, palette.paper) >= 4.5
