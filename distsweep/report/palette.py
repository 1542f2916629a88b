"""The colours and sizes that figures are drawn with, and where they come from.

Files follow a `Style`, whatever matplotlib's settings are. A figure that a notebook asked for
follows the reader's own settings where they are not matplotlib's defaults (a style sheet that is
in use, for instance), and the style's elsewhere.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from distsweep.report.dark import (
    contrast,
    dark_colour,
    from_oklab,
    hex_colour,
    linear_rgb,
    to_oklab,
)
from distsweep.report.style import DEFAULT_STYLE, Style

LEAST_CONTRAST = 4.5
"""Of text against what lies behind it: WCAG 2.1, 1.4.3."""


@dataclass(frozen=True)
class Palette:
    """Colours as ``#rrggbb``, by what they are for; ``levels`` from the quietest to the loudest."""

    ink: str
    quiet_ink: str
    paper: str
    rule: str
    noise: str
    faint: str
    red: str
    even: str
    odd: str
    levels: tuple[str, ...]

    @property
    def is_dark(self) -> bool:
        """Whether the paper is darker than the ink."""
        paper, ink = (float(to_oklab(linear_rgb(one))[0]) for one in (self.paper, self.ink))
        return paper < ink

    def shade(self, colour: str) -> str:
        """Return a colour meant for light paper as it is drawn on this one."""
        return dark_colour(colour) if self.is_dark else colour


_OURS = Palette(
    ink=DEFAULT_STYLE.ink, quiet_ink="#6e655c", paper=DEFAULT_STYLE.paper, rule="#e4ddd2",
    noise="#d9d4cb", faint="#ddd4c6", red="#9c2f1f", even="#1f6f78", odd="#8a3a1c",
    levels=DEFAULT_STYLE.levels,
)  # fmt: skip


@dataclass(frozen=True)
class Drawn:
    """What is being drawn with: a palette, a style, and whether for files.

    ``foot_in`` is the room at the foot of a figure for what stands on its file.
    """

    palette: Palette
    style: Style
    for_files: bool = False
    foot_in: float = 0.0


_USUAL = Drawn(_OURS, DEFAULT_STYLE)
_NOW: ContextVar[Drawn] = ContextVar("drawn", default=_USUAL)


def now() -> Drawn:
    """Return what is being drawn with."""
    return _NOW.get()


@contextmanager
def drawing_with(drawn: Drawn) -> Iterator[None]:
    """Draw with these for a while."""
    token = _NOW.set(drawn)
    try:
        yield
    finally:
        _NOW.reset(token)


def palette_of(style: Style, *, dark: bool = False) -> Palette:
    """Return the palette of a style, or its dark counterpart."""
    light = _palette(style.ink, style.paper, style.levels)
    return _turned(light) if dark else light


def palette_of_settings(settings: Mapping[str, Any], defaults: Mapping[str, Any]) -> Palette:
    """Return the palette for matplotlib's settings: ours where they are the defaults."""
    from matplotlib.colors import to_hex

    def chosen(key: str, own: str) -> str:
        value = settings[key]
        if value == defaults[key] or value in ("auto", "inherit"):
            return own
        return to_hex(value)

    paper = chosen("axes.facecolor", _OURS.paper)
    found = _palette(chosen("text.color", _OURS.ink), paper, _OURS.levels)
    # A style sheet may give dark paper and no ink, or the other way round.
    if contrast(found.ink, paper) < LEAST_CONTRAST:
        is_light = float(to_oklab(linear_rgb(paper))[0]) > 0.5
        found = _palette("#000000" if is_light else "#ffffff", paper, _OURS.levels)
    if found.is_dark:
        turned = _turned(_OURS)
        found = replace(found, red=turned.red, even=turned.even, odd=turned.odd,
                         levels=turned.levels)  # fmt: skip
    return replace(found, rule=chosen("grid.color", found.rule))


def mixed(colour: str, other: str, share: float) -> str:
    """Return a colour of which so large a share is the other, in light as it is seen (Oklab)."""
    lab, other_lab = (to_oklab(linear_rgb(one)) for one in (colour, other))
    return hex_colour(from_oklab((1.0 - share) * lab + share * other_lab))


def _palette(ink: str, paper: str, levels: tuple[str, ...]) -> Palette:
    if (ink, paper) == (_OURS.ink, _OURS.paper):
        return replace(_OURS, levels=levels)
    quiet = next(
        (mixed(ink, paper, share) for share in np.arange(0.4, 0.0, -0.05)
         if contrast(mixed(ink, paper, float(share)), paper) >= LEAST_CONTRAST), ink,
    )  # fmt: skip
    return Palette(
        ink=ink, quiet_ink=quiet, paper=paper, rule=mixed(ink, paper, 0.86),
        noise=mixed(ink, paper, 0.82), faint=mixed(ink, paper, 0.8), red=_OURS.red,
        even=_OURS.even, odd=_OURS.odd, levels=levels,
    )  # fmt: skip


def _turned(light: Palette) -> Palette:
    parts: dict[str, Any] = {
        name: getattr(light, name) for name in light.__dataclass_fields__ if name != "levels"
    }
    turned = {name: dark_colour(colour) for name, colour in parts.items()}
    return Palette(**turned, levels=tuple(map(dark_colour, light.levels)))
