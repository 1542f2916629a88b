"""A comparison's pages in a real browser: cursor, legend, links, and nothing that bars anyone."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from compared_samples import compared, sources
from page_in_browser import DESK, PHONE, OpenPage, figure_of, place_of
from playwright.sync_api import Page, expect

from distsweep.report import write_comparison_report
from distsweep.report.comparison.compared import Compared
from distsweep.report.comparison.overlay import overlay_of
from distsweep.report.style import DEFAULT_STYLE

pytestmark = [pytest.mark.system, pytest.mark.long]
pytest_plugins = "browser_fixtures"

OPEN_ALL = "document.querySelectorAll('details').forEach((fold) => { fold.open = true; })"
OPEN_PARTS = OPEN_ALL.replace("details", "details.part")
LOOKS = ("light", "dark")
FEW = replace(DEFAULT_STYLE, figures=("verdict", "thd", "clean-level"))


@pytest.fixture(scope="module")
def pair_page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    results = sources(2, points=120)
    folder = tmp_path_factory.mktemp("pair") / "report"
    return write_comparison_report(compared(results), results, folder, style=FEW)


@pytest.fixture(scope="module")
def many_page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    results = sources(10, points=60, orders=range(2, 4))
    folder = tmp_path_factory.mktemp("many") / "report"
    return write_comparison_report(compared(results, resonances=[]), results, folder, style=FEW)


@pytest.fixture(params=["pair", "many"])
def either_page(request: pytest.FixtureRequest, pair_page: Path, many_page: Path) -> Path:
    return pair_page if request.param == "pair" else many_page


def values(page: Page, name: str) -> dict[str, str]:
    """What is read off each curve of a figure, by the curve's name."""
    rows = (
        figure_of(page, name)
        .locator(".curves li")
        .evaluate_all(
            "items => items.map(item => [item.children[0].textContent,"
            " item.querySelector('.values').firstChild.textContent])"
        )
    )
    return {name.replace("\N{NO-BREAK SPACE}", " "): text for name, text in rows}


def test_the_cursor_reads_sources_and_their_difference(
    open_page: OpenPage, pair_page: Path
) -> None:
    """B's THD is 0.7 dB lower than A's."""
    page = open_page(pair_page)
    name = "compared-thd"
    results = sources(2, points=120)
    found = overlay_of(Compared(compared(results), results), "thd", "axis")
    assert found is not None
    grid = found.lines[0].x
    place = float(grid[int(np.argmin(np.abs(grid - 1000.0)))])
    for frame in range(2):  # above and below the cursor is one
        x, y = place_of(page, name, place, frame=frame)
        page.mouse.move(x, y)
        read = values(page, name)
        first, other, less = (
            float(read[f"{key}, −4 dBFS"].replace("−", "-").split("\N{NO-BREAK SPACE}")[0])
            for key in ("A", "B", "Difference")
        )
        assert other - first == pytest.approx(-0.7, abs=0.11)  # of two values rounded to tenths
        assert less == pytest.approx(-0.7, abs=0.06)
    lines = figure_of(page, name).locator(".cursor i")
    assert lines.count() >= 2


def test_the_legend_points_out_one_curve_of_many(open_page: OpenPage, many_page: Path) -> None:
    page = open_page(many_page)
    figure = figure_of(page, "compared-thd")
    row = figure.locator(".curves li").nth(3)
    row.scroll_into_view_if_needed()
    row.hover()
    lit = figure.locator(".curve.lit")
    assert lit.count() >= 1
    assert lit.first.evaluate("c => getComputedStyle(c).opacity") == "1"
    other = figure.locator(".curve:not(.lit)").first
    assert float(other.evaluate("c => getComputedStyle(c).opacity")) < 0.5
    page.mouse.move(0, 0)
    expect(figure.locator(".curve.lit")).to_have_count(0)
    assert other.evaluate("c => getComputedStyle(c).opacity") == "1"


def test_the_first_figures_legend_leaves_no_gap(open_page: OpenPage, pair_page: Path) -> None:
    """Its rows name their curves: the legend is behind the line with the numbers."""
    page = open_page(pair_page)
    figure = figure_of(page, "compared-verdict")
    figure.scroll_into_view_if_needed()
    fold = figure.locator("details").first
    expect(fold.locator(".curves")).to_have_count(1)
    drawing, line = figure.locator(".drawing").bounding_box(), fold.bounding_box()
    assert drawing is not None and line is not None
    assert line["y"] - (drawing["y"] + drawing["height"]) < 20.0
    fold.locator("summary").click()
    expect(fold.locator(".curves")).to_be_visible()


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_nothing_is_wider_than_the_window(
    open_page: OpenPage, either_page: Path, size: tuple[int, int]
) -> None:
    page = open_page(either_page, size=size)
    page.evaluate(OPEN_ALL)
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]


def test_findings_lead_where_their_evidence_is(open_page: OpenPage, pair_page: Path) -> None:
    page = open_page(pair_page)
    page.locator(".linked a").last.click()
    expect(page.locator("#resonances")).to_be_in_viewport()


@pytest.mark.parametrize("look", LOOKS)
def test_axe_finds_nothing(open_page: OpenPage, either_page: Path, look: str) -> None:
    page = open_page(either_page, color_scheme=look)
    page.evaluate(OPEN_PARTS)
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
