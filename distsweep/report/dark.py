"""Colours for a dark page: the lightness turned over, the hue kept."""

from __future__ import annotations

import numpy as np

from distsweep.units import FloatArray

# Ottosson (2020), "A perceptual color space for image processing": Oklab, from memory; tests hold
# both ways against each other, and white against lightness 1.
_TO_CONES = np.array(
    [
        [0.4122214708, 0.5363325363, 0.0514459929],
        [0.2119034982, 0.6806995451, 0.1073969566],
        [0.0883024619, 0.2817188376, 0.6299787005],
    ]
)
_TO_LAB = np.array(
    [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
)
_SUM = 1.18
"""Lightness and dark lightness add up to this (chosen: paper, 0.99, then becomes 0.19, a page that
does not glow in the dark, and ink, 0.27, becomes 0.91, as well to read as on paper)."""


def dark_colour(colour: str) -> str:
    """Return the colour that stands for a light page's ``#rrggbb`` on a dark page."""
    lab = to_oklab(linear_rgb(colour))
    turned = np.array([min(max(_SUM - lab[0], 0.0), 1.0), lab[1], lab[2]])
    share = 1.0
    while share > 0.0:  # less colourful until a screen can show it
        rgb = from_oklab(turned * (1.0, share, share))
        if rgb.min() >= -1e-6 and rgb.max() <= 1.0 + 1e-6:
            return hex_colour(rgb)
        share -= 0.05
    return hex_colour(from_oklab(turned * (1.0, 0.0, 0.0)))


def linear_rgb(colour: str) -> FloatArray:
    """Return red, green, blue of ``#rrggbb`` as shares of light, 0 to 1 (IEC 61966-2-1)."""
    coded = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255.0
    return np.asarray(np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4))


def hex_colour(linear: FloatArray) -> str:
    """Return shares of light as ``#rrggbb``, cut off at what a screen can show."""
    light = np.clip(linear, 0.0, 1.0)
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1.0 / 2.4) - 0.055)
    return "#" + "".join(f"{round(255.0 * float(part)):02x}" for part in coded)


def to_oklab(linear: FloatArray) -> FloatArray:
    """Return lightness, 0 to 1, and the two opponent colours."""
    return np.asarray(_TO_LAB @ np.cbrt(_TO_CONES @ linear))


def from_oklab(lab: FloatArray) -> FloatArray:
    """Return shares of light; outside 0 to 1 where no screen shows the colour."""
    return np.asarray(np.linalg.solve(_TO_CONES, np.linalg.solve(_TO_LAB, lab) ** 3))


def contrast(colour: str, other: str) -> float:
    """Return the contrast ratio of two colours, 1 to 21 (WCAG 2.1, relative luminance)."""
    weights = np.array([0.2126, 0.7152, 0.0722])
    bright, dim = sorted((float(weights @ linear_rgb(c)) for c in (colour, other)), reverse=True)
    return (bright + 0.05) / (dim + 0.05)
