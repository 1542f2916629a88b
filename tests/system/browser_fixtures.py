"""Debian's Chromium, steered by Playwright, on the page of the demonstration.

A test module takes these fixtures by ``pytest_plugins``, as it does those of ``audio_fixtures``.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from conftest import Demo
from own_server import need
from page_in_browser import DESK, OpenPage
from playwright.sync_api import Browser, Page, sync_playwright

from distsweep.report import write_report

QUIET = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip
"""Nothing that a browser does of its own accord."""


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    path = shutil.which("chromium")
    need(path, "Chromium", package="chromium")
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=path, args=list(QUIET))
        yield running
        running.close()


@pytest.fixture(scope="session")
def report(demo: Demo, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demonstration's page; to be read only."""
    return write_report(demo.results, tmp_path_factory.mktemp("page") / "report")


@pytest.fixture
def open_page(browser: Browser, report: Path) -> Iterator[OpenPage]:
    """Open a page in a fresh context; at the end nothing may have been asked for or complained of.

    Keywords are those of Playwright's ``new_context``; ``size`` is the window's.
    """
    contexts, complaints, requests, opened = [], [], set(), []

    def open_one(
        path: Path = report, *, size: tuple[int, int] = DESK, anchor: str = "", **options: Any
    ) -> Page:
        context = browser.new_context(
            viewport={"width": size[0], "height": size[1]}, accept_downloads=True, **options
        )
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(10_000)
        page.on("console", lambda message: complaints.append(message.text))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on("request", lambda request: requests.add(request.url))
        opened.append(path)
        page.goto(path.as_uri() + anchor)
        return page

    yield open_one
    for context in contexts:
        context.close()
    assert complaints == []
    strangers = {url for url in requests if not url.startswith(("file:", "blob:"))}
    assert (
        not strangers and len({url.partition("#")[0] for url in requests if "blob" not in url}) <= 1
    )
