"""House style: what a style.toml may say, what it changes, what stands on each figure's file."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from capture_bench import run_main
from PIL import Image
from report_samples import alter, sample_results, sample_take, words

from distsweep import report
from distsweep.errors import InputError
from distsweep.report import look
from distsweep.report.chosen_figures import ASIDE, chosen, sort_of
from distsweep.report.content import Paragraph, Picture, Section, pictures
from distsweep.report.figure_files import write_figure
from distsweep.report.logo import MOST_BYTES
from distsweep.report.sections import all_sections
from distsweep.report.stamp import Stamp, stamp
from distsweep.report.style import DEFAULT_STYLE, FIGURES, Style, read_style
from distsweep.results import Conditions
from distsweep.results.provenance import Provenance

WHOLE = """
[axes]
frequency_hz = [20, 20000]
response_db_spl = [50, 110]
thd_db = [-80, 0]
gain_change_db = [-6, 1]
[figures]
width_in = 8
png_dpi = 90
dark_files = true
made = ["thd", "fundamental"]
[colours]
theme = "dark"
paper = "#FFFFFF"
ink = "#000000"
levels = ["#808080", "#000000"]
[text]
font = "DejaVu Serif"
line = "Measured for The Example Review"
logo = "logo.png"
"""


def style_file(folder: Path, text: str) -> Path:
    Image.new("RGBA", (40, 20), (200, 30, 30, 255)).save(folder / "logo.png")
    path = folder / "style.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_every_key_is_read(tmp_path: Path) -> None:
    assert read_style(style_file(tmp_path, WHOLE)) == Style(
        width_in=8.0, png_dpi=90.0, frequency_hz=(20.0, 20000.0), response_db_spl=(50.0, 110.0),
        thd_db=(-80.0, 0.0), gain_change_db=(-6.0, 1.0), theme="dark", dark_files=True,
        paper="#ffffff", ink="#000000", levels=("#808080", "#000000"), font="DejaVu Serif",
        logo=str(tmp_path / "logo.png"), line="Measured for The Example Review",
        figures=("thd", "fundamental"),
    )  # fmt: skip
    assert read_style(style_file(tmp_path, "")) == DEFAULT_STYLE
    assert report.read_style is read_style


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[axis]", r"unknown key 'axis': did you mean 'axes'\?"),
        ("[axes]\nthd = [-80, 0]", r"\[axes\]: unknown key 'thd': did you mean 'thd_db'\?"),
        ("[axes]\nthd_db = [0, -80]", r"thd_db is \[0.0, -80.0\]: must rise by 20 to 200 dB"),
        ("[axes]\nthd_db = [-80]", r"thd_db has 1 numbers: must have 2"),
        ("[axes]\nfrequency_hz = [20, 30]", "frequency_hz is .* an octave or more"),
        ("[figures]\nwidth_in = 2", "width_in is 2: must be 5 to 16"),
        ('[figures]\npng_dpi = "120"', "png_dpi is '120': must be a number; write 120"),
        ('[figures]\nmade = ["thdd"]', r"'thdd', which is no figure: did you mean 'thd'\?"),
        ("[figures]\nmade = []", "must be a list of texts"),
        ("[figures]\ndark_files = 1", "dark_files is 1: must be true or false"),
        ('[colours]\ntheme = "black"', "theme is 'black'"),
        ('[colours]\nink = "black"', 'ink holds \'black\': write a colour as "#rrggbb"'),
        ('[colours]\nink = "#999999"', "ink is #999999 .* a contrast of 2.80: must be 4.5 or more"),
        # (1.05/(0.1845 + 0.05)) = 4.478 by WCAG's formula: not to be read as enough
        (
            '[colours]\nink = "#777777"\npaper = "#ffffff"',
            "a contrast of 4.47: must be 4.5 or more",
        ),
        ('[colours]\npaper = "#101010"', "paper is #101010, which is dark: give a light one"),
        ('[colours]\nlevels = ["#000000"]', "has one colour: must have two or more"),
        ('[colours]\nlevels = ["#eeeeee", "#000000"]', "a colour of levels is #eeeeee"),
        ('[colours]\nlevels = ["#000000", "#444444"]', "#444444, which is not darker"),
        ('[text]\nfont = "Nosuchfont"', "font is 'Nosuchfont', which is not installed here"),
        ('[text]\nlogo = "a\\u0000"', r"logo is 'a\\x00': must be the path of a file"),
        ('[text]\nlogo = "none.png"', "none.png cannot be read .*: check the path"),
        ('[text]\nlogo = "style.toml"', "neither PNG, JPEG nor SVG: save it as one"),
        ('[text]\nlogo = "large.png"', f"has {MOST_BYTES + 1} bytes: must have {MOST_BYTES}"),
        ('[text]\nlogo = "damaged.png"', "damaged.png is damaged"),
        (f'[text]\nline = "{"x" * 121}"', "line has 121 letters: must be one line of 120"),
        ("text = 1", r"\[text\]: must be a table"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_one_line_with_the_remedy(tmp_path: Path, text: str, message: str) -> None:
    (tmp_path / "large.png").write_bytes(b"x" * (MOST_BYTES + 1))
    (tmp_path / "damaged.png").write_bytes(b"\x89PNG\r\n\x1a\n" + b"x" * 40)
    path = style_file(tmp_path, text)
    with pytest.raises(InputError, match=message) as error:
        read_style(path)
    assert str(path) in str(error.value)
    assert "\n" not in str(error.value)


def test_a_missing_style_is_an_input_error(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"none.toml: cannot be read .*: check the path"):
        read_style(tmp_path / "none.toml")


def test_axes_that_are_fixed_are_those() -> None:
    take = sample_take()
    style = Style(thd_db=(-90.0, 10.0), frequency_hz=(10.0, 40000.0), gain_change_db=(-9.0, 3.0))
    with look.files_look(style):
        thd, change = report.plot_thd(take).axes[0], report.plot_gain_change(take).axes[0]
    assert thd.get_ylim() == (-90.0, 10.0)
    assert thd.get_xlim() == (10.0, 40000.0)
    assert change.get_ylim() == (-9.0, 3.0)
    assert report.plot_thd(take).axes[0].get_xlim() == (20.0, 20000.0)


@pytest.mark.parametrize(
    ("ends", "slope"), [(None, None), ((50.0, 110.0), 25.0), ((0.0, 120.0), 50.0)]
)
def test_a_response_s_decade_is_as_long_as_25_or_50_db(
    ends: tuple[float, float] | None, slope: float | None
) -> None:
    """IEC 60263 (from memory): measured on the figure, in inches."""
    with look.files_look(Style(response_db_spl=ends)):
        figure = report.plot_fundamental(sample_take())
    axes = figure.axes[0]
    corners = axes.transData.transform([(100.0, 60.0), (1000.0, 85.0)])
    decade, height = corners[1] - corners[0]
    drawn = 25.0 * decade / height
    assert drawn == pytest.approx(slope or 50.0)
    assert f"{drawn:.0f} dB a decade" in words(figure)
    assert ends in (None, axes.get_ylim())


def test_quiet_takes_of_little_range_get_25_db_a_decade() -> None:
    take = sample_take(levels_dbfs=(-16.0, -10.0), noise_db=-60.0)
    for rung in take.rungs:
        rung.fundamental_db[:] = 80.0 + rung.drive_dbfs
        rung.fundamental_floor_db[:] = 60.0
    assert "25 dB a decade" in words(report.plot_fundamental(take))


def test_colours_size_and_resolution_are_those_of_the_style(tmp_path: Path) -> None:
    style = Style(paper="#ffffff", ink="#000000", levels=("#808080", "#000000"), width_in=8.0,
                  png_dpi=50.0, dark_files=True)  # fmt: skip
    picture = Picture("a-thd", lambda: report.plot_thd(sample_take(points=60)), "", "", "")
    drawing = write_figure(picture, folder=tmp_path, style=style)
    with (
        Image.open(tmp_path / "a-thd.png") as light,
        Image.open(tmp_path / "a-thd-dark.png") as dark,
    ):
        assert light.width == 400
        assert light.getpixel((0, 0)) == (255, 255, 255)
        assert max(dark.getpixel((0, 0))) < 40  # type: ignore[arg-type]
    whole, other = ((tmp_path / f"a-thd{end}.svg").read_text() for end in ("", "-dark"))
    assert look.palette.palette_of(DEFAULT_STYLE).ink not in whole
    assert {"#000000", "#ffffff"} <= set(re.findall(r"#[0-9a-f]{6}", whole))
    assert "#ffffff" not in re.findall(r'<path[^>]* fill="(#[0-9a-f]{6})"', other)[:1]
    assert "var(--c-000000)" in drawing.svg


def test_files_do_not_follow_matplotlib_s_settings_nor_leave_any(tmp_path: Path) -> None:
    import matplotlib

    picture = Picture("a", lambda: report.plot_thd(sample_take(points=60)), "", "", "")
    write_figure(picture, folder=tmp_path)
    usual = (tmp_path / "a.svg").read_bytes(), (tmp_path / "a.png").read_bytes()
    mine = {"axes.facecolor": "black", "font.size": 30.0, "lines.linewidth": 9.0,
            "font.family": ["DejaVu Serif"], "grid.color": "red", "xtick.major.size": 20.0,
            "axes.grid": True, "text.hinting": "force_autohint",
            "path.simplify": False}  # fmt: skip
    with matplotlib.rc_context(mine):
        before = dict(matplotlib.rcParams)
        write_figure(picture, folder=tmp_path)
        assert dict(matplotlib.rcParams) == before
    assert ((tmp_path / "a.svg").read_bytes(), (tmp_path / "a.png").read_bytes()) == usual


def stamped(**parts: Any) -> Stamp:
    results = sample_results(sample_take(points=60), name="Tarnbick 4")
    alter(results, **parts)
    return stamp(results, "axis")


def test_the_stamp_names_loudspeaker_place_conditions_and_date() -> None:
    noted = Conditions(temperature_c=21.5, distance_m=0.5, others={"date": "2026-03-04"})
    made = Provenance("1", "2026-05-06T07:08:09+00:00")
    assert stamped(conditions=noted, provenance=made).lines == (
        "Tarnbick 4 · at axis · 0.5 m · 21.5 °C · 2026-03-04",
    )
    assert stamped(conditions=Conditions(), provenance=made).lines == (
        "Tarnbick 4 · at axis · analysed 2026-05-06",
    )
    assert stamped(conditions=Conditions(), provenance=None).lines == ("Tarnbick 4 · at axis",)
    results = sample_results(sample_take(points=60), name="Tarnbick 4")
    alter(results, conditions=noted)
    assert stamp(results, "port").lines == ("Tarnbick 4 · at port · 21.5 °C · 2026-03-04",)


def test_a_long_name_goes_on_lines_of_its_own_and_the_foot_grows() -> None:
    results = sample_results(sample_take(points=60), name="Tarnbick " * 40)
    short, long = stamp(sample_results(sample_take(points=60)), "axis"), stamp(results, "axis")
    assert len(long.lines) > len(short.lines)
    assert long.height_in > short.height_in
    figure = drawn_with(long)
    edge = figure.bbox.width
    renderer = figure.canvas.get_renderer()
    for text in figure.texts:
        assert text.get_window_extent(renderer).x1 < edge
    assert stamp(results, "axis", replace(DEFAULT_STYLE, line="By us")).lines[-1] == "By us"


def drawn_with(what: Stamp) -> Any:
    from distsweep.report.stamp import write_stamp

    with look.files_look(foot_in=what.height_in):
        figure = report.plot_thd(sample_take(points=60))
        write_stamp(figure, what, look.QUIET_INK)  # type: ignore[arg-type]
    return figure


def test_the_foot_holds_the_stamp_and_moves_nothing_else() -> None:
    plain, with_foot = drawn_with(Stamp()), drawn_with(Stamp(("One line",)))
    moved = with_foot.get_figheight() - plain.get_figheight()
    assert moved == pytest.approx(Stamp(("One line",)).height_in)
    for one, other in zip(plain.axes, with_foot.axes, strict=True):
        tops = [
            a.get_position().y1 * f.get_figheight() for a, f in ((one, plain), (other, with_foot))
        ]
        assert tops[1] - tops[0] == pytest.approx(moved)


@pytest.mark.parametrize("ending", ["png", "jpg", "svg"])
def test_the_logo_stands_in_the_files_and_not_in_the_page(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"logo.{ending}"
    if ending == "svg":
        path.write_text('<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 4 2"/>')
    else:
        Image.new("RGB", (40, 20), (200, 30, 30)).save(path)
    style = Style(logo=str(path))
    picture = Picture("a", lambda: report.plot_thd(sample_take(points=60)), "", "", "")
    drawing = write_figure(picture, Stamp(("Line",), style.logo), folder=tmp_path, style=style)
    assert "data:image/" in (tmp_path / "a.svg").read_text()
    assert "data:image/" not in drawing.svg
    assert "Line" not in drawing.svg
    with Image.open(tmp_path / "a.png") as image:
        pixels = np.asarray(image.convert("RGB")).reshape(-1, 3).astype(int)
    red = np.sum(np.all(np.abs(pixels - (200, 30, 30)) < 6, axis=1))
    assert (red > 500) == (ending != "svg")  # pixels of an SVG logo are nobody's to make here


def test_figures_have_a_sort_and_every_sort_is_known() -> None:
    take = sample_take()
    results = sample_results(take)
    names = [picture.name for picture in pictures(all_sections(results))]
    assert {sort_of(name) for name in names} <= set(FIGURES)
    assert sort_of("axis-2-gain-map") == "gain-map"
    assert sort_of("thd-thd") == "thd"
    assert sort_of("decay-map-2") == "decay-map"


def test_only_figures_that_are_named_are_made(tmp_path: Path) -> None:
    results = sample_results(sample_take(points=60))
    report.write_report(results, tmp_path / "report", style=Style(figures=("thd",)))
    made = sorted(path.name for path in (tmp_path / "report" / "figures").iterdir())
    assert made == ["axis-thd.png", "axis-thd.svg"]


def test_takes_aside_have_the_usual_figures_and_lose_no_words() -> None:
    def picture(name: str) -> Picture:
        return Picture(name, lambda: None, "", "", "")  # type: ignore[arg-type, return-value]

    inner = Section("Compression", "c", [picture("port-gain-change"), Paragraph("words")])
    empty = Section("Output", "o", [picture("port-gain-map")])
    aside = Section("Port", "take-port", [picture("port-thd")], [inner, empty], folded=True)
    (whole,) = chosen([aside], DEFAULT_STYLE)
    assert [one.name for one in pictures([whole])] == ["port-thd"]
    assert [one.title for one in whole.sections] == ["Compression"]
    assert whole.sections[0].blocks == [Paragraph("words")]
    assert set(ASIDE) <= set(FIGURES)
    (opened,) = chosen([replace(aside, folded=False)], DEFAULT_STYLE)
    assert len(list(pictures([opened]))) == 3


def test_style_reaches_worker_processes(tmp_path: Path) -> None:
    results = sample_results(sample_take(points=60))
    style = Style(paper="#fafafa", figures=("thd", "fundamental"))
    report.write_report(results, tmp_path / "report", workers=2, style=style)
    for path in (tmp_path / "report" / "figures").glob("*.svg"):
        assert "#fafafa" in path.read_text()


def test_the_command_takes_the_style_named_or_the_one_beside_the_session(tmp_path: Path) -> None:
    session = tmp_path / "session"
    session.mkdir()
    (session / "session.toml").write_text("[device]\n")
    style_file(session, '[colours]\nink = "#999999"')
    found = run_main("analyse", str(session))
    assert found.exit_code == 3
    assert "style.toml: ink is #999999 on paper" in found.stderr
    named = style_file(tmp_path, "[axis]")
    other = run_main("analyse", str(session), "--style", str(named))
    assert other.exit_code == 3
    assert "unknown key 'axis'" in other.stderr
    assert "ink" not in other.stderr
    assert sorted(path.name for path in session.iterdir()) == [
        "logo.png", "session.toml", "style.toml",
    ]  # fmt: skip
    neither = run_main("analyse", str(session), "--style", str(named), "--no-report")
    assert neither.exit_code == 2
    assert "--style goes with a report" in neither.stderr


def test_the_command_s_style_reaches_the_files(tmp_path: Path) -> None:
    from distsweep.result_files import write_result_files

    style = Style(figures=("thd",), ink="#000000", line="By us")
    write_result_files(sample_results(sample_take(points=60)), tmp_path / "results", style=style)
    (made,) = (tmp_path / "results" / "report" / "figures").glob("*.svg")
    assert "By us" in made.read_text()
