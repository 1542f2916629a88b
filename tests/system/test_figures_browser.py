"""Figures of the page in a real browser: what they say is legible and does not collide."""

from __future__ import annotations

from typing import Any

import pytest
from page_in_browser import OpenPage

pytest_plugins = "browser_fixtures"

LEAST_PX = 9.0
"""Height of text on a phone: chosen, that of the smallest print in use."""

MEASURE = """() => {
  document.querySelectorAll('details').forEach(one => { one.open = true; });
  const found = [];
  for (const svg of document.querySelectorAll('figure svg')) {
    const name = svg.closest('figure').dataset.figure;
    const edge = svg.getBoundingClientRect();
    const texts = [...svg.querySelectorAll('text')].filter(
      t => t.getClientRects().length && t.textContent.trim());
    const boxes = texts.map(t => t.getBoundingClientRect());
    texts.forEach((text, i) => {
      const box = boxes[i];
      const size = parseFloat(getComputedStyle(text).fontSize)
        * edge.width / svg.viewBox.baseVal.width;
      found.push({name, text: text.textContent, size, meets: texts.filter((_, j) => j < i
        && Math.min(box.right, boxes[j].right) - Math.max(box.left, boxes[j].left) > 0.5
        && Math.min(box.bottom, boxes[j].bottom) - Math.max(box.top, boxes[j].top) > 2.5
      ).map(other => other.textContent),
      out: Math.max(edge.left - box.left, box.right - edge.right,
                    edge.top - box.top, box.bottom - edge.bottom)});
    });
  }
  return found;
}"""
"""Boxes of text are taller than its letters, by some 3 pixels in all."""


@pytest.mark.parametrize("size", [(360, 740), (1200, 800)], ids=["phone", "desk"])
def test_text_in_figures_is_legible_and_does_not_collide(
    open_page: OpenPage, size: tuple[int, int]
) -> None:
    texts: list[dict[str, Any]] = open_page(size=size).evaluate(MEASURE)
    assert len({one["name"] for one in texts}) > 15
    small = [(one["name"], one["text"]) for one in texts if one["size"] < LEAST_PX]
    meeting = [(one["name"], one["text"], one["meets"]) for one in texts if one["meets"]]
    outside = [(one["name"], one["text"], one["out"]) for one in texts if one["out"] > 0.6]
    assert (small, meeting, outside) == ([], [], [])
