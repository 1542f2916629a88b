"""Shades of colours: of levels, of maps, of what is there but not to be relied upon."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from distsweep.report import palette
from distsweep.units import FloatArray

if TYPE_CHECKING:
    from matplotlib.colors import Colormap

_PALE = 0.5  # share of paper in a pale shade; chosen by eye, on a screen and in greyscale


def colour_map(colours: Sequence[str]) -> Colormap:
    """Colours in even steps from 0 to 1, and all shades between them."""
    from matplotlib.colors import LinearSegmentedColormap

    return LinearSegmentedColormap.from_list("report", list(colours))


def map_colours(colours: Sequence[str]) -> Colormap:
    """A map's colours from the paper's on, as they are on this paper."""
    now = palette.now().palette
    return colour_map([now.paper, *map(now.shade, colours)])


def shade(colours: Colormap, share: float) -> str:
    """Colour at a share of a map, 0 to 1."""
    from matplotlib.colors import to_hex

    return to_hex(colours(min(max(share, 0.0), 1.0)))


def level_colours(count: int) -> list[str]:
    """Colours of ``count`` rungs, quietest first; each darker than the one before."""
    places = np.linspace(0.0, 1.0, count) if count > 1 else np.array([1.0])
    colours = colour_map(palette.now().palette.levels)
    return [shade(colours, place) for place in places]


def level_widths(count: int) -> FloatArray:
    """Line widths of ``count`` rungs in points, quietest first."""
    return np.linspace(1.0, 1.9, count) if count > 1 else np.array([1.6])


def paler(colour: str) -> str:
    """A colour half-way to the paper's, for what is there but not to be relied upon."""
    from matplotlib.colors import to_hex, to_rgb

    paper = palette.now().palette.paper
    mixed = (1.0 - _PALE) * np.array(to_rgb(colour)) + _PALE * np.array(to_rgb(paper))
    return to_hex(mixed.tolist())
