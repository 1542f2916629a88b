"""The page and the tables of a comparison: what they say, and that they stand odd input."""

from __future__ import annotations

import csv
import io
import re
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from compared_samples import FINDINGS, compared, only_staircase, sources, take_of
from report_samples import Page, read_page, sample_results, sample_take, with_intervals

from distsweep.comparison.level_doubt import with_levels
from distsweep.comparison.record import BAND, EACH_FREQUENCY, Comparison
from distsweep.errors import InputError
from distsweep.report import (
    look,
    write_comparison_report,
    write_comparison_tables,
)
from distsweep.report.comparison.clean import clean_overlay
from distsweep.report.comparison.compared import Compared, level_words, short_names
from distsweep.report.comparison.difference_tables import averaged, difference_cell
from distsweep.report.comparison.field import field_of, plot_field
from distsweep.report.comparison.overlay import Overlay, overlay_of
from distsweep.report.comparison.overlay_figure import plot_overlay
from distsweep.report.comparison.overview import plot_overview, rows_of
from distsweep.report.comparison.sections import all_sections
from distsweep.report.comparison.strokes import stroke_of
from distsweep.report.content import pictures
from distsweep.report.dark import contrast
from distsweep.report.figure_files import Drawing
from distsweep.report.figure_json import figure_json
from distsweep.report.figure_table import figure_table
from distsweep.report.page import render_page
from distsweep.report.style import DEFAULT_STYLE
from distsweep.results import Results

POINTS = 90
ORDERS = range(2, 7)
DRAWN = replace(DEFAULT_STYLE, figures=("verdict", "thd"))


@pytest.fixture(scope="module")
def pair() -> list[Results]:
    return sources(2, points=POINTS, orders=ORDERS)


@pytest.fixture(scope="module")
def comparison(pair: list[Results]) -> Comparison:
    return compared(pair)


@pytest.fixture(scope="module")
def dozen() -> list[Results]:
    return sources(10, points=60, orders=range(2, 4))


@pytest.fixture(scope="module")
def many(dozen: list[Results]) -> Comparison:
    return compared(dozen, resonances=[])


@pytest.fixture(scope="module")
def words(pair: list[Results], comparison: Comparison) -> Page:
    """The pair's page, its figures left out."""
    return words_of(comparison, pair)


@contextmanager
def drawing() -> Iterator[None]:
    with look.files_look():
        yield


def words_of(comparison: Comparison, results: list[Results]) -> Page:
    """The page without its figures; their numbers are written, too."""
    whole = Compared(comparison, results)
    sections = all_sections(whole)
    numbers = {p.name: p.data() for p in pictures(sections) if p.data is not None}
    assert len(numbers) == len(list(pictures(sections)))  # a cursor reads every figure
    page = Page()
    drawings = defaultdict(lambda: Drawing("", "", ""))
    page.feed(render_page("x", sections, drawings, numbers=numbers))
    page.close()
    assert page.open_tags == []
    assert len(page.ids) == len(set(page.ids))
    assert {link[1:] for link in page.links if link.startswith("#")} <= {*page.ids, "content"}
    return page


def overlay(comparison: Comparison, results: list[Results], quantity: str) -> Overlay:
    found = overlay_of(Compared(comparison, results), quantity, "axis")
    assert found is not None
    return found


def test_the_page_is_one_file_and_says_first_what_differs(
    pair: list[Results], comparison: Comparison, tmp_path: Path
) -> None:
    path = write_comparison_report(comparison, pair, tmp_path / "report", style=DRAWN)
    page = read_page(path)
    assert path == tmp_path / "report" / "report.html"
    assert page.title == "B against A: comparison"
    heads = [text for _, text in page.headings]
    assert heads[:2] == ["B against A", "What differs beyond doubt"]
    places = [page.text.index(text) for text in (
        FINDINGS[0].sentence, FINDINGS[1].sentence, "What does not differ, as far as can be seen",
        "Third harmonic: no difference", "A was measured at 20 °C", "Staircases: only A has one.",
        "Highest clean level",
    )]  # fmt: skip
    assert places == sorted(places)
    assert all(not link or link[0] == "#" or link.startswith("data:") for link in page.links)
    files = sorted(p.name for p in (tmp_path / "report" / "figures").iterdir())
    assert files == ["compared-thd.png", "compared-thd.svg", "compared-verdict.png",
                     "compared-verdict.svg"]  # fmt: skip


def test_findings_lead_to_their_evidence(words: Page) -> None:
    assert [link for link in words.links if link.startswith("#")][:3] == ["#content", "#h2",
                                                                         "#response"]  # fmt: skip
    assert "#resonances" in words.links


def test_a_pair_is_told_in_1200_words(pair: list[Results], comparison: Comparison) -> None:
    """What stands open: folds and figures are left out."""
    whole = Compared(comparison, pair)
    drawings = defaultdict(lambda: Drawing("", "", ""))
    text = render_page("x", all_sections(whole), drawings)
    body = text[text.index("<body") :]
    body = re.sub(r"(?s)<script.*?</script>", " ", body)
    while "<details" in body:  # the innermost first
        body = re.sub(r"(?s)<details(?:(?!<details).)*?</details>", " ", body)
    words = re.sub(r"<[^>]+>", " ", body).split()
    assert len(words) < 1200


def test_every_heading_names_the_level(pair: list[Results], comparison: Comparison) -> None:
    titles = {q: overlay(comparison, pair, q).title for q in ("fundamental", "thd", "h3")}
    assert titles["fundamental"] == "Response at equal drive, −4 and −22 dBFS".replace(
        " dBFS", "\N{NO-BREAK SPACE}dBFS"
    )
    assert all("at equal drive, −4 and −22" in title for title in titles.values())
    assert (
        level_words(BAND, [90.0])
        == "at equal level over the level band, 90\N{NO-BREAK SPACE}dB SPL"
    )
    assert level_words(EACH_FREQUENCY, []) == "at equal level at each frequency"


@pytest.mark.parametrize("aligned", [BAND, EACH_FREQUENCY])
def test_levels_are_compared_as_well_as_drives(aligned: str) -> None:
    pair = sources(2, points=60, orders=range(2, 4))
    whole = compared(pair, aligned=aligned)
    page = words_of(whole, pair)
    assert "dB SPL" in overlay(whole, pair, "thd").title
    assert ("Response" in [text for _, text in page.headings]) == (aligned == BAND)


def test_differences_are_the_other_less_the_reference(
    pair: list[Results], comparison: Comparison
) -> None:
    """B is 0.3 dB louder than A, and its THD 0.7 dB lower."""
    for quantity, by_db in (("fundamental", 0.3), ("thd", -0.7)):
        data = overlay(comparison, pair, quantity).data()
        less = [c for c in data.curves if c.quantity == "Difference, dB"]
        assert [c.name.partition(",")[0] for c in less] == ["Difference"] * 2
        shown = less[0].values[np.isfinite(less[0].values)]
        assert shown.size > 20 and shown == pytest.approx(np.full(shown.size, by_db), abs=1e-6)


def test_curves_are_those_of_each_source(pair: list[Results], comparison: Comparison) -> None:
    lines = overlay(comparison, pair, "fundamental").data().curves[:2]
    assert [one.name for one in lines] == [f"{n}, −4\N{NO-BREAK SPACE}dBFS" for n in "AB"]
    for line, results in zip(lines, pair, strict=True):
        rung = take_of(results).rungs[-1]
        known = np.isfinite(line.values)
        assert line.values[known] == pytest.approx(rung.fundamental_db[known])


def test_sources_differ_by_colour_and_by_dash() -> None:
    with drawing():
        strokes = [stroke_of(source) for source in range(9)]
        paper = look.PAPER
    assert len({(one.colour, one.dash) for one in strokes}) == 9
    assert (
        strokes[0].dash == () and strokes[1].dash != () and strokes[0].colour != strokes[1].colour
    )
    assert all(contrast(one.colour, paper) >= 3.0 for one in strokes)
    with look.files_look(dark=True):
        assert all(contrast(stroke_of(source).colour, look.PAPER) >= 3.0 for source in range(9))


def test_the_figure_draws_what_its_data_say(pair: list[Results], comparison: Comparison) -> None:
    found = overlay(comparison, pair, "thd")
    with drawing():
        figure = plot_overlay(found)
        keys = {
            (artist.get_gid() or "").removeprefix("curve.")
            for axes in figure.axes
            for artist in axes.get_children()
            if (artist.get_gid() or "").startswith("curve.")
        }
        assert keys == {curve.key for curve in found.data().curves}
        main, below = figure.axes[:2]
        assert main.get_xlim() == below.get_xlim()
        low, high = below.get_ylim()
        assert low == -high


def test_bars_stand_over_what_is_beyond_doubt(pair: list[Results], comparison: Comparison) -> None:
    rows = rows_of(Compared(comparison, pair))
    assert [row.name for row in rows] == ["Response", "THD", "H2", "H3", "Gain change",
                                          "Clean level"]  # fmt: skip
    assert [len(row.findings) for row in rows] == [1, 0, 1, 0, 0, 0]
    with drawing():
        figure = plot_overview(rows)
    bars = [p for p in figure.axes[2].patches if p.get_label() == "_beyond doubt"]
    assert len(bars) == 1
    box = bars[0].get_extents().transformed(figure.axes[2].transData.inverted())
    assert (box.x0, box.x1) == pytest.approx((400.0, 800.0), rel=1e-6)


def test_resonances_and_sensitivity_are_marked(pair: list[Results], comparison: Comparison) -> None:
    louder = replace(FINDINGS[1], quantity="sensitivity")
    whole = Compared(replace(comparison, findings=[louder, FINDINGS[2]]), pair)
    rows = rows_of(whole)
    assert [len(row.findings) for row in rows] == [1, 0, 0, 0, 0, 0]
    with drawing():
        figure = plot_overview(rows, [FINDINGS[2]])
    for axes in figure.axes:
        lines = [line for line in axes.get_lines() if line.get_label() == "_resonance"]
        assert [line.get_xdata()[0] for line in lines] == [300.0, 325.0]
    picture = next(pictures(all_sections(whole)))
    assert picture.caption.endswith("Upright dashes: a resonance that changed.")


def test_clean_levels_that_are_bounds_are_triangles(
    pair: list[Results], comparison: Comparison
) -> None:
    found = clean_overlay(Compared(comparison, pair), "axis")
    assert found is not None and "1 % THD or 1 dB" in found.title.replace("\N{NO-BREAK SPACE}", " ")
    sides = [side for _, _, side in found.lines[0].bounds]
    assert sides.count(-1) == 3 and sides.count(1) == 4  # 20 to 31.5 Hz, and 10 to 20 kHz
    shown = found.differences[0].line.shown
    assert shown[np.isfinite(shown)] == pytest.approx(np.full(24, 0.3))
    with drawing():
        plot_overlay(found)


def test_resonances_stand_the_changed_ones_first(words: Page) -> None:
    table = next(t for t in words.tables if t and t[0][0] == "Change")
    assert [row[0] for row in table[1:]] == ["moved", "new", "no difference seen"]
    assert table[1][2:] == ["306 Hz | Q 41", "312 Hz | Q 40",
                            "+2.00 % | +1.60 to +2.40, at one temperature"]  # fmt: skip
    assert table[2][2] == "—"


def test_limits_and_background_stand_side_by_side(words: Page) -> None:
    limits = next(t for t in words.tables if t and t[1][0].startswith("Sweep"))
    assert limits[0] == ["Played", "A", "B"]
    assert "−21.8 dBFS" in limits[1][1] and "−22.8 dBFS" in limits[1][2]
    noise = next(t for t in words.tables if t and t[1][0] == "Level")
    assert noise[1][1] == noise[1][2] == "38.4 dB SPL"


def test_tables_hold_every_level_in_thirds(words: Page) -> None:
    # Behind the page's figures stand tables of their own, of the levels shown.
    table = next(t for t in words.tables if t and t[0][0] == "Frequency" and len(t[0]) == 8)
    assert table[0][1:] == [f"{level} dBFS" for level in
                            ("−40", "−34", "−28", "−22", "−16", "−10", "−4")]  # fmt: skip
    row = next(row for row in table if row[0] == "1 kHz")
    assert row[-1].startswith("+0.3 | ")


@pytest.mark.parametrize(
    ("value", "low", "high", "text"),
    [
        (0.31, 0.1, 0.5, "+0.3 | +0.1 to +0.5"),
        (-2.4, -4.0, -0.8, "≈ −2 | −4.0 to −0.8"),
        (np.nan, -np.inf, 3.21, "≤ +3.3 | "),
        (np.nan, 1.19, np.inf, "≥ +1.1 | "),
        (np.nan, np.nan, np.nan, "— | not known"),
        (1.0, np.nan, np.nan, "+1.0 | "),
    ],
)
def test_a_cell_says_what_is_known(value: float, low: float, high: float, text: str) -> None:
    cell = difference_cell(value, low, high)
    assert f"{cell.text} | {cell.below}" == text


def test_an_average_needs_half_of_its_band(comparison: Comparison) -> None:
    fine = next(one for one in comparison.differences if one.quantity == "gain change")
    holes = np.where(fine.frequency_hz < 100.0, np.nan, 0.5)
    mean = averaged(replace(fine, difference_db=holes, low_db=holes - 0.2, high_db=holes + 0.2))
    assert np.isnan(mean.difference_db[mean.frequency_hz < 80.0]).all()
    known = mean.frequency_hz > 125.0
    assert mean.difference_db[known] == pytest.approx(0.5)
    assert mean.high_db[known] - mean.low_db[known] == pytest.approx(0.4)


def test_long_and_like_names_are_told_apart() -> None:
    long = "A very long name of a loudspeaker " * 6
    names = short_names([long + "one", long + "two", "  short\n name ", ""])
    assert len(set(names)) == 4
    assert all(len(name) <= 32 for name in names)
    assert names[2] == "short name"


ODD_NAMES = ['<script>alert(1)</script> & "Co" $x_1$', "N" * 200]


def test_names_are_text_however_odd(pair: list[Results], tmp_path: Path) -> None:
    whole = compared(pair, names=ODD_NAMES)
    page = words_of(whole, pair)
    assert "<script>alert" in page.text  # as text: the page's own script is left out
    assert page.tags.count("script") <= 2
    path = write_comparison_report(
        whole, pair, tmp_path / "r", style=replace(DRAWN, figures=("verdict",))
    )
    assert "<script>alert(1)" not in path.read_text(encoding="utf-8")


def _old() -> list[Results]:
    return [sample_results(sample_take(points=POINTS, orders=range(2, 4))) for _ in range(2)]


def _one_rung() -> list[Results]:
    return sources(2, points=POINTS, orders=range(2, 4), levels_dbfs=(-16.0,))


def _uncalibrated() -> list[Results]:
    return sources(2, points=POINTS, orders=range(2, 4), calibrated=False)


def _positions() -> list[Results]:
    takes = [
        with_intervals(sample_take(points=60, orders=range(2, 4), position=p))
        for p in ("axis", "near <b>")
    ]
    return [sample_results(*takes) for _ in range(2)]


@pytest.mark.parametrize("make", [_old, _one_rung, _uncalibrated])
def test_odd_results_make_a_page(make: Any) -> None:
    results = make()
    whole = compared(results)
    page = words_of(whole, results)
    assert "Response" in [text for _, text in page.headings]
    with drawing():
        for quantity in ("fundamental", "thd", "h2"):
            plot_overlay(overlay(whole, results, quantity))
    figures = {p.name: p.data() for p in pictures(all_sections(Compared(whole, results))) if p.data}
    assert figure_json(figures)
    assert all(figure_table(data).rows is not None for data in figures.values())


def test_levels_without_a_common_unit_are_not_drawn(pair: list[Results]) -> None:
    mixed = [pair[0], _uncalibrated()[1]]
    page = words_of(compared(mixed, findings=[]), mixed)
    heads = [text for _, text in page.headings]
    assert "Response" not in heads and "THD" in heads


def test_uncalibrated_levels_say_so() -> None:
    results = _uncalibrated()
    data = overlay(compared(results), results, "fundamental").data()
    assert data.curves[0].quantity == "Level, dBFS (uncalibrated)"


def test_positions_aside_are_folded() -> None:
    results = _positions()
    whole = compared(results)
    words_of(whole, results)
    sections = all_sections(Compared(whole, results))
    aside = next(one for one in sections if one.title == "At near <b>")
    assert aside.folded and aside.sections[0].anchor == "near-b-response"


@pytest.mark.parametrize("staircases", [False, True])
def test_nothing_in_common_is_said(
    pair: list[Results], comparison: Comparison, staircases: bool, tmp_path: Path
) -> None:
    results = [only_staircase(one) for one in pair] if staircases else pair
    empty = replace(comparison, differences=[], findings=[], resonances=[], unseen=[])
    page = words_of(empty, results)
    assert "Nothing could be compared." in page.text
    assert list(pictures(all_sections(Compared(empty, results)))) == []
    assert write_comparison_report(empty, results, tmp_path / "r").exists()
    names = [path.name for path in write_comparison_tables(empty, results, tmp_path / "t")]
    assert names[:2] == ["sources.csv", "findings.csv"]
    assert not any("difference" in name for name in names)


def test_no_finding_is_said(pair: list[Results], comparison: Comparison) -> None:
    page = words_of(replace(comparison, findings=[]), pair)
    assert "Nothing differs beyond doubt." in page.text


def test_many_findings_are_folded_past_six(pair: list[Results], comparison: Comparison) -> None:
    many = [replace(FINDINGS[0], sentence=f"Finding {n}.") for n in range(9)]
    page = words_of(replace(comparison, findings=many), pair)
    assert "3 more" in page.text and "Finding 8." in page.text


def test_folders_of_others_are_not_replaced(
    pair: list[Results], comparison: Comparison, tmp_path: Path
) -> None:
    (tmp_path / "take.wav").write_bytes(b"")
    with pytest.raises(InputError, match=r"take\.wav"):
        write_comparison_report(comparison, pair, tmp_path)


def test_many_sources_are_a_field_with_ranks(dozen: list[Results], many: Comparison) -> None:
    page = words_of(many, dozen)
    assert "THD, Each less A, at equal drive, −4 dBFS, dB." in page.text
    ranks = next(t for t in page.tables if t and t[0][0] == "Source")
    assert len(ranks) == 11
    assert ranks[1][1].startswith("10 | ") and ranks[10][1].startswith("1 | ")
    assert ranks[1][7].startswith("1–10 | ")  # equal responses
    field = field_of(Compared(many, dozen), "thd", "axis")
    assert field is not None
    data = field.data()
    median = next(c for c in data.curves if c.name.startswith("Median"))
    first, last = data.curves[0], data.curves[9]
    known = np.isfinite(median.values)
    assert known.sum() > 10
    # From first to last THD falls by 0.7 dB a source: the middle lies half-way.
    assert median.values[known] == pytest.approx((first.values + last.values)[known] / 2.0)
    with drawing():
        figure = plot_field(field)
        assert len({axes.get_ylim() for axes in figure.axes[: len(field.panels)]}) == 1


def rows_in(path: Path, **options: Any) -> list[list[str]]:
    return list(csv.reader(io.StringIO(path.read_text(encoding="utf-8")), **options))


def test_tables_hold_every_difference(
    pair: list[Results], comparison: Comparison, tmp_path: Path
) -> None:
    paths = {p.stem: p for p in write_comparison_tables(comparison, pair, tmp_path)}
    assert {"sources", "findings", "differences-thirds", "resonances", "limits", "background",
            "axis-fundamental-difference-db", "axis-thd-difference-db", "axis-h2-difference-db",
            "axis-gain-change-difference-db"} <= set(paths)  # fmt: skip
    head, *body = rows_in(paths["axis-fundamental-difference-db"])
    assert head[:2] == ["Frequency Hz", "fundamental difference dB at -40 dBFS, B less A"]
    assert len(head) == 1 + 3 * 7 and len(body) == POINTS
    assert body[45][7] == "0.30"
    findings = rows_in(paths["findings"])
    assert findings[1][:3] == [FINDINGS[0].sentence, "B", "h2"]
    limits = rows_in(paths["limits"])
    assert [row[0] for row in limits] == ["source", "A", "B"]
    thirds = rows_in(paths["differences-thirds"])
    found = [row for row in thirds if row[2:5] == ["thd", "drive", "-4"] and row[6] == "1000"]
    assert [float(row[7]) for row in found] == pytest.approx([-0.7])


def test_decimal_commas(pair: list[Results], comparison: Comparison, tmp_path: Path) -> None:
    paths = {p.stem: p for p in write_comparison_tables(comparison, pair, tmp_path,
                                                        decimal_comma=True)}  # fmt: skip
    body = rows_in(paths["axis-fundamental-difference-db"], delimiter=";")
    assert body[46][7] == "0,30"


def test_many_sources_have_a_table_of_ranks(
    dozen: list[Results], many: Comparison, tmp_path: Path
) -> None:
    few = replace(many, differences=[d for d in many.differences if d.quantity == "thd"][:2])
    paths = {p.stem: p for p in write_comparison_tables(few, dozen, tmp_path)}
    head, *body = rows_in(paths["ranks"])
    assert head[:6] == ["figure", "unit", "at", "source", "best_rank", "worst_rank"]
    assert len(body) == 7 * 10


def test_levels_are_brought_to_the_first_distance(pair: list[Results]) -> None:
    """The same loudspeaker at 2 m: 6 dB less, and no difference."""
    first = pair[0]
    (take,) = first.takes
    farther = with_levels(take, -20.0 * np.log10(2.0))
    conditions = replace(first.conditions, distance_m=2.0)
    results = [first, replace(first, takes=[farther], conditions=conditions)]
    data = overlay(compared(results), results, "fundamental").data()
    lines, less = data.curves[:2], data.curves[-1]
    known = np.isfinite(lines[0].values) & np.isfinite(lines[1].values)
    assert lines[0].values[known] == pytest.approx(lines[1].values[known])
    assert less.values[np.isfinite(less.values)] == pytest.approx(0.0, abs=1e-9)
