"""Figures as SVG: the same lines, text as text, and what a page needs to read them."""

from __future__ import annotations

import html
import json
import re
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from matplotlib.path import Path as Outline
from report_samples import rung_lines, sample_take

from distsweep import report
from distsweep.report import look, svg
from distsweep.report.both_renderer import drawn
from distsweep.report.content import Picture
from distsweep.report.dark import contrast, dark_colour, from_oklab, linear_rgb, to_oklab
from distsweep.report.figure_files import write_figure
from distsweep.report.svg_path import STEPS_A_POINT, short_path

FONTS = look.css_fonts("DejaVu Sans")


def inline(figure, name: str = "axis-thd") -> str:  # type: ignore[no-untyped-def]
    renderer = drawn(figure, dots_per_inch=130.0)
    return svg.inline_svg(figure, renderer, name=name, alternative="A “figure”", fonts=FONTS)


def test_a_path_of_a_figure_draws_the_same_line() -> None:
    """Follow a path's steps back to places, and compare with the data in figure coordinates."""
    take = sample_take(levels_dbfs=(-10.0,), noise_db=-40.0)
    figure = report.plot_fundamental(take)
    axes = figure.axes[0]
    line = next(item for item in axes.get_lines() if str(item.get_label()).endswith("dBFS"))
    line.get_path().should_simplify = False
    points = axes.transData.transform(np.column_stack([take.frequency_hz, line.get_ydata()]))
    height = figure.get_figheight() * 72.0
    expected = points * 72.0 / figure.dpi
    pattern = r' d="(M[-.\d ]+l[-.\d ]+)" transform="scale\(([.\d]+)\)"'
    steps, scale = max(re.findall(pattern, svg.figure_svg(figure)), key=lambda found: len(found[0]))
    numbers = [float(n) for n in re.findall(r"-?\d*\.?\d+", steps)]
    places = np.cumsum(np.reshape(numbers, (-1, 2)), axis=0) * float(scale)
    places[:, 1] = height - places[:, 1]
    # Simplifying may drop points on a straight line, so each place is held against the curve.
    curve = np.interp(places[:, 0], expected[:, 0], expected[:, 1])
    assert len(places) > 100
    np.testing.assert_allclose(places[:, 1], curve, atol=0.15)  # a fifth of a hair line
    assert places[-1, 0] == pytest.approx(expected[-1, 0], abs=0.5 / STEPS_A_POINT + 1e-3)


def test_spines_stand_at_the_edges_of_their_axes() -> None:
    """In files no tick puts them there, and a decibel axis has its zero inside."""
    with look.files_look():
        figure = report.plot_thd(sample_take(points=40))
        drawn(figure, dots_per_inch=72.0)
        for axes in figure.axes[:2]:
            spine = axes.spines["bottom"]
            foot = spine.get_transform().transform_path(spine.get_path()).vertices[:, 1]
            assert foot == pytest.approx(axes.bbox.y0)


M, L, Q, C, Z = Outline.MOVETO, Outline.LINETO, Outline.CURVE3, Outline.CURVE4, Outline.CLOSEPOLY


@pytest.mark.parametrize(
    ("vertices", "codes", "shorter"),
    [
        ([(0, 422.65), (619.2, 422.65), (619.2, 0), (0, 0)], [M, L, L, Z],
         "M0 422.65l619.2 0 0-422.65z"),
        # Thirds of a fortieth: each step ends on the rounded place.
        ([(0, 0), (0.008, 0), (0.016, 0), (0.025, 0)], [M, L, L, L], "M0 0l0 0 .025 0 0 0"),
        ([(1, 1), (2, 1), (2, 2), (2, 3), (1.5, 3), (1, 2.25)], [M, Q, Q, C, C, C],
         "M1 1q1 0 1 1c0 1-.5 1-1 .25"),
        # A second part begins where it says, whatever the first one closed.
        ([(5, 5), (6, 5), (0, 0), (7, 7), (6, 7)], [M, L, Z, M, L], "M5 5l1 0zM7 7l-1 0"),
    ],
    ids=["lines", "rounding", "curves", "two parts"],
)  # fmt: skip
def test_a_path_becomes_steps_between_the_same_places(
    vertices: list[tuple[float, float]], codes: list[int], shorter: str
) -> None:
    assert short_path(np.array(vertices), np.array(codes)).d == shorter


def test_a_long_path_is_written_in_whole_steps_and_scaled_back() -> None:
    x = np.linspace(0.0, 99.0, 100)
    outline = short_path(np.column_stack([x, x / 4.0]), None)
    assert outline.attribute == ' transform="scale(0.025)"'
    assert outline.d.startswith("M0 0l40 10 40 10")
    assert outline.scale == 40
    assert outline.box == (0.0, 0.0, 99.0, 24.75)


def test_text_stays_text_and_is_escaped() -> None:
    figure = report.plot_thd(sample_take(points=60))
    figure.axes[0].set_ylabel("level < 0 & more")
    text = svg.figure_svg(figure, fonts=FONTS)
    assert ">level &lt; 0 &amp; more</text>" in text
    for words in ("Total harmonic distortion at each level", "−10", "1 %", "500", "2k"):
        assert f">{words}</text>" in text
    assert "sans-serif" in text[: text.index("<defs>")]


def test_the_same_figure_gives_the_same_bytes() -> None:
    first, second = (svg.figure_svg(report.plot_thd(sample_take(points=60))) for _ in range(2))
    assert first == second


def test_the_page_leaves_title_and_stamp_to_itself() -> None:
    figure = report.plot_thd(sample_take(points=60))
    whole, element = svg.figure_svg(figure), inline(figure)
    assert figure.title == "Total harmonic distortion at each level"
    assert figure.title in whole
    assert figure.title not in element
    height = figure.get_figheight() * 72.0
    _, top, _, shown = map(float, re.search(r'viewBox="([^"]*)"', element)[1].split())  # type: ignore[index]
    assert top == pytest.approx(figure.head_in * 72.0)
    assert top + shown == pytest.approx(height - 72.0 * figure.foot_in, abs=0.1)


def test_frames_say_where_frequencies_stand() -> None:
    take = sample_take(points=60)
    figure = report.plot_thd(take)
    look.reads(figure.axes[0], "frequency")
    frames = json.loads(html.unescape(re.search(r'data-frames="([^"]*)"', inline(figure))[1]))  # type: ignore[index]
    frame = frames[0]
    assert (frame["x"], frame["log"]) == ("frequency", True)
    assert frame["ends"] == pytest.approx([20.0, 20000.0])
    left, top, right, bottom = frame["box"]
    place = figure.axes[0].transData.transform((1000.0, 0.0))[0] * 72.0 / figure.dpi
    share = np.log(1000.0 / 20.0) / np.log(1000.0)
    assert left + share * (right - left) == pytest.approx(place, abs=0.05)
    assert top < bottom


def test_curves_stand_in_groups_with_their_key() -> None:
    figure = report.plot_thd(sample_take(points=60))
    look.belongs_to('rung-"0"', rung_lines(figure.axes[0])[-1])
    assert '<g class="curve" data-key="rung-&quot;0&quot;"><path' in inline(figure)


def test_ids_and_references_bear_the_name_of_the_figure() -> None:
    element = inline(report.plot_harmonics(sample_take()), name="axis-harmonics")
    ids = re.findall(r' id="([^"]*)"', element)
    assert ids
    assert len(set(ids)) == len(ids)
    assert all(name.startswith("axis-harmonics.") for name in ids)
    assert set(re.findall(r"url\(#([^)]*)\)", element)) <= set(ids)


def test_every_colour_of_a_page_is_a_variable_that_the_rules_define() -> None:
    element = inline(report.plot_thd(sample_take(points=60)))
    assert not re.search(r'="#[0-9a-f]{6}"', element)
    rules = svg.colour_rules([element])
    light, dark = rules.split("@media screen and (prefers-color-scheme:dark)")
    for name in re.findall(r"var\(--c-([0-9a-f]{6})\)", element):
        assert f"--c-{name}:#{name};" in light
        assert f"--c-{name}:{dark_colour('#' + name)};" in dark
    assert "@media screen{" in svg.colour_rules([element], theme="dark")  # paper stays light
    assert "@media" not in svg.colour_rules([element], theme="light")


def test_dark_turns_lightness_over_and_keeps_the_hue() -> None:
    assert to_oklab(np.ones(3)) == pytest.approx([1.0, 0.0, 0.0], abs=1e-6)
    for colour in (look.INK, look.EVEN, look.RED, look.PAPER, "#808080"):
        light, dark = (to_oklab(linear_rgb(one)) for one in (colour, dark_colour(colour)))
        assert from_oklab(light) == pytest.approx(linear_rgb(colour), abs=1e-9)
        assert light[0] + dark[0] == pytest.approx(1.18, abs=0.01)
        if np.hypot(*light[1:]) > 0.03:
            turn = np.arctan2(dark[2], dark[1]) - np.arctan2(light[2], light[1])
            assert abs(np.sin(turn)) < 0.1
    # WCAG 2.1, 1.4.3: 4.5 for text; black on white is 21 by definition.
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    for ink in (look.INK, look.QUIET_INK, look.RED, look.EVEN, look.ODD):
        assert contrast(ink, look.PAPER) >= 4.5
        assert contrast(dark_colour(ink), dark_colour(look.PAPER)) >= 4.5


def test_both_files_are_drawn_at_once(tmp_path: Path) -> None:
    from PIL import Image

    calls = []

    def draw():  # type: ignore[no-untyped-def]
        calls.append(1)
        return report.plot_thd(sample_take(points=60))

    drawing = write_figure(Picture("axis-thd", draw, "a", "c", "m"), folder=tmp_path)
    assert drawing.title == "Total harmonic distortion at each level"
    assert calls == [1]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["axis-thd.png", "axis-thd.svg"]
    with Image.open(tmp_path / "axis-thd.png") as image:
        assert image.info["dpi"] == pytest.approx((120.0, 120.0), abs=0.1)
        pixels = np.asarray(image.convert("RGB")).reshape(-1, 3)
    assert {tuple(map(int, pixels[0]))} == {(255, 253, 249)}  # paper in the corner
    assert len(np.unique(pixels, axis=0)) > 50  # and lines, smoothed, elsewhere


@pytest.mark.filterwarnings("ignore:Glyph .* missing:UserWarning")
def test_a_name_with_control_characters_leaves_the_file_readable() -> None:
    """XML 1.0, production 2: they have no place in a document, escaped or not."""
    with look.files_look():
        figure = look.new_figure(1.0)
        figure.text(0.1, 0.5, "a\x07\x1b\ufffe<b> & \U0001f50a")
        root = ElementTree.fromstring(svg.figure_svg(figure))
    assert [text for text in root.itertext() if text.strip()] == [
        "a\ufffd\ufffd\ufffd<b> & \U0001f50a"
    ]


def test_an_image_is_refused_rather_than_left_out() -> None:
    with look.files_look():
        figure = look.new_figure(1.0)
        figure.figimage(np.zeros((4, 4)))
        with pytest.raises((AttributeError, NotImplementedError)):
            drawn(figure, dots_per_inch=72.0)
