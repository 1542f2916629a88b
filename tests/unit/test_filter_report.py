"""The page and the tables of what filters cost."""

from __future__ import annotations

import csv
from collections import defaultdict
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from compared_samples import sources
from report_samples import Page, read_page

from distsweep.comparison.filters import WithFilters, with_filters
from distsweep.comparison.filters.biquad import gain_db
from distsweep.comparison.filters.record import Curve, Headroom
from distsweep.report import look, write_filter_report, write_filter_tables
from distsweep.report.comparison.filters.predicted import (
    HEADROOM_TO,
    Predicted,
    overlay_at_levels,
    predicted,
)
from distsweep.report.comparison.filters.sections import all_sections, least_cell
from distsweep.report.comparison.overlay_figure import plot_overlay
from distsweep.report.content import pictures
from distsweep.report.figure_files import Drawing
from distsweep.report.page import render_page
from distsweep.report.style import DEFAULT_STYLE
from distsweep.results import Results

SHELF = {"kind": "low shelf", "frequency_hz": 80.0, "gain_db": 5.0, "slope": 0.9}
BELL = {"kind": "peaking", "frequency_hz": 1000.0, "gain_db": -3.0, "q": 2.0}
DRAWN = replace(DEFAULT_STYLE, figures=("verdict", "filter-gain"))


@pytest.fixture(scope="module")
def measured() -> Results:
    return sources(1, points=120, orders=range(2, 4))[0]


@pytest.fixture(scope="module")
def found(measured: Results) -> WithFilters:
    return with_filters(measured, [SHELF, BELL], levels_spl=[80.0, 85.0])


@pytest.fixture(scope="module")
def what(found: WithFilters, measured: Results) -> Predicted:
    return predicted(found, measured)


def words_of(what: Predicted) -> Page:
    sections = all_sections(what)
    numbers = {p.name: p.data() for p in pictures(sections) if p.data is not None}
    page = Page()
    drawings = defaultdict(lambda: Drawing("", "", ""))
    page.feed(render_page("x", sections, drawings, numbers=numbers))
    page.close()
    assert page.open_tags == [] and len(page.ids) == len(set(page.ids))
    assert {link[1:] for link in page.links if link.startswith("#")} <= {*page.ids, "content"}
    return page


def test_the_page_says_first_what_filters_cost(
    found: WithFilters, measured: Results, tmp_path: Path
) -> None:
    path = write_filter_report(found, measured, tmp_path / "report", style=DRAWN)
    page = read_page(path)
    assert [text for _, text in page.headings][:3] == [
        "Brindlemoor Tarnbick 4: with filters", "What the filters cost", "Headroom",
    ]  # fmt: skip
    text = page.text.replace("\N{NO-BREAK SPACE}", " ")
    first = found.findings[0].sentence.replace("\N{NO-BREAK SPACE}", " ")
    assert text.index(first) < text.index("How far the prediction goes")
    files = {p.name for p in (tmp_path / "report" / "figures").iterdir()}
    assert {"compared-verdict.svg", "filter-gain.svg"} <= files


def test_the_difference_is_the_filters_gain(what: Predicted, measured: Results) -> None:
    """At one drive it is; at one listening level it is that less a constant."""
    take = what.takes[0]
    overlay = overlay_at_levels(what, take, "fundamental")
    assert overlay is not None
    (less,) = [one for one in overlay.differences if one.source == 3 and one.rank == 0]
    both = gain_db(what.found.filters, less.x)
    known = np.isfinite(less.line.shown) & (less.x > 200.0)  # the sample holds back its bass
    assert known.sum() > 50 and np.ptp(both[known]) > 3.0
    assert np.ptp((less.line.shown - both)[known]) < 0.1


def test_headroom_stands_to_every_limit(what: Predicted) -> None:
    page = words_of(what)
    table = next(t for t in page.tables if t and t[0][0] == "Limit")
    assert [row[0] for row in table[1:]] == [
        limit.name for limit in what.takes[0].limits
        if any(row[0] == limit.name for row in table[1:])
    ]  # fmt: skip
    assert table[0][1:] == what.names
    quantity = HEADROOM_TO + what.takes[0].limits[0].name
    overlay = overlay_at_levels(what, what.takes[0], quantity)
    assert overlay is not None
    with look.files_look():
        plot_overlay(overlay)


def test_headroom_that_may_be_far_less_does_not_count_as_the_least(found: WithFilters) -> None:
    take = found.takes[0]
    room = np.array([4.0, -14.0, 3.0, np.nan])
    curve = Curve(room, room - np.array([1.0, 6.0, np.inf, 0.0]), room + 1.0)
    at = take.filtered[0].at_levels[0]
    loud = Curve(*(np.full(4, at.level_db) for _ in range(3)))
    at = replace(
        at, fundamental_db=loud, headroom=[Headroom(take.limits[0].name, curve, curve, curve)]
    )
    take = replace(take, frequency_hz=np.array([40.0, 50.0, 60.0, 70.0]))
    cell = least_cell(take, at, take.limits[0].name, filtered=False)
    assert (cell.text, cell.below) == ("4.0", "at 40\xa0Hz")


def test_few_sets_are_drawn_each_many_only_together(measured: Results, what: Predicted) -> None:
    assert what.drawn == [0, 1, 2, 3]
    many = with_filters(measured, [BELL | {"frequency_hz": 200.0 * n} for n in range(1, 6)])
    assert predicted(many, measured).drawn == [0, 6]


def test_one_filter_is_told_alone(measured: Results) -> None:
    page = words_of(predicted(with_filters(measured, [SHELF]), measured))
    table = next(t for t in page.tables if t and t[0][0] == "Filter")
    assert [cell.replace("\N{NO-BREAK SPACE}", " ") for cell in table[1][1:4]] == [
        "80 Hz", "+5.0 dB", "slope 0.9",
    ]  # fmt: skip


def test_tables_hold_headroom_and_limits(
    found: WithFilters, measured: Results, tmp_path: Path
) -> None:
    paths = {p.stem: p for p in write_filter_tables(found, measured, tmp_path)}
    assert {"sources", "findings", "differences-thirds", "headroom", "limits"} <= set(paths)
    rows = list(csv.DictReader(paths["headroom"].read_text(encoding="utf-8").splitlines()))
    assert {row["filters"] for row in rows} == {one.name for one in found.takes[0].filtered}
    some = [row for row in rows if row["without_db"] and row["filtered_db"]]
    alone = [row for row in some if row["filters"].startswith("low shelf")]
    lost = [float(row["filtered_db"]) - float(row["without_db"]) for row in alone
            if float(row["frequency_hz"]) < 40.0]  # fmt: skip
    assert lost and all(by_db < -3.0 for by_db in lost)
