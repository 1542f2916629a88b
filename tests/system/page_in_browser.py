"""Where things stand on the report's page while a browser shows it."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from math import log
from typing import Any

from playwright.sync_api import Locator, Page

DESK, PHONE = (1200, 800), (360, 740)
"""Windows, in pixels: those that the first screen is made for."""

OpenPage = Callable[..., Page]


def figure_of(page: Page, name: str) -> Locator:
    return page.locator(f'figure[data-figure="{name}"]')


def frames_of(page: Page, name: str) -> list[dict[str, Any]]:
    text = figure_of(page, name).locator(".drawing > svg").get_attribute("data-frames")
    frames: list[dict[str, Any]] = json.loads(text or "[]")
    return frames


def place_of(page: Page, name: str, value: float, *, frame: int = 0) -> tuple[float, float]:
    """Where a value stands in a frame of a figure, in pixels of the window: half-way up."""
    one = frames_of(page, name)[frame]
    svg = figure_of(page, name).locator(".drawing > svg")
    svg.scroll_into_view_if_needed()
    box, view = svg.bounding_box(), svg.get_attribute("viewBox")
    assert box is not None and view is not None
    x_0, y_0, width, height = map(float, view.split())
    scale = min(box["width"] / width, box["height"] / height)
    left, top, right, bottom = one["box"]
    low, high = one["ends"]
    share = log(value / low) / log(high / low) if one["log"] else (value - low) / (high - low)
    x = left + share * (right - left) - x_0
    y = 0.5 * (top + bottom) - y_0
    spare_x = 0.5 * (box["width"] - scale * width)
    spare_y = 0.5 * (box["height"] - scale * height)
    return box["x"] + spare_x + scale * x, box["y"] + spare_y + scale * y


@contextmanager
def finger_down(page: Page, x: float, y: float) -> Iterator[Callable[[float, float], None]]:
    """Put a finger on the page; what is given moves it, and at the end it is taken away."""
    session = page.context.new_cdp_session(page)

    def touch(kind: str, *points: dict[str, float]) -> None:
        session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": list(points)})

    touch("touchStart", {"x": x, "y": y})
    yield lambda x, y: touch("touchMove", {"x": x, "y": y})
    touch("touchEnd")
    session.detach()
