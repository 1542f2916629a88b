"""Second-order sections of the cookbook, and what they do to a sine.

Source: R. Bristow-Johnson, "Cookbook formulae for audio equalizer biquad filter coefficients"
(published as a W3C Working Group Note, 8 June 2021; the formulas here from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from distsweep.comparison.filters.record import (
    BIQUAD,
    HIGH_PASS,
    HIGH_SHELF,
    LOW_PASS,
    LOW_SHELF,
    PEAKING,
    Filter,
)
from distsweep.units import ComplexArray, FloatArray, ratio_to_db

Section = tuple[tuple[float, float, float], tuple[float, float, float]]
"""Coefficients b and a of z⁰, z⁻¹, z⁻²; a₀ is not brought to 1."""

BUTTERWORTH_Q = math.sqrt(0.5)
"""Q of a second-order Butterworth filter (formula)."""


def sections(one: Filter) -> list[Section]:
    """Return a filter's sections: one, or of an ``order`` as many as it takes."""
    if one.kind == BIQUAD:
        assert one.b is not None and one.a is not None
        return [(_three(one.b), _three(one.a))]
    assert one.frequency_hz is not None
    turn = 2.0 * math.pi * one.frequency_hz / one.rate_hz
    if one.order is None:
        return [_cookbook(one, turn, one.q)]
    # Butterworth: poles evenly spaced on a half circle, two a section; an odd one is left over.
    angles = [math.pi * (2 * k + 1) / (2 * one.order) for k in range(one.order // 2)]
    pairs = [_cookbook(one, turn, 1.0 / (2.0 * math.sin(angle))) for angle in angles]
    return pairs if one.order % 2 == 0 else [*pairs, _first_order(one.kind, turn)]


def response(filters: Sequence[Filter], frequency_hz: FloatArray) -> ComplexArray:
    """Return the complex gain of filters in series for a sine, shape ``(F,)``."""
    product = np.ones(len(frequency_hz), dtype=complex)
    for one in filters:
        delay = np.exp(-2j * np.pi * frequency_hz / one.rate_hz)
        for b, a in sections(one):
            product *= (b[0] + delay * (b[1] + delay * b[2])) / (
                a[0] + delay * (a[1] + delay * a[2])
            )
    return product


def gain_db(filters: Sequence[Filter], frequency_hz: FloatArray) -> FloatArray:
    """Return the gain of filters in series for a sine, dB, shape ``(F,)``."""
    return np.asarray(ratio_to_db(np.abs(response(filters, frequency_hz))))


def is_stable(a: Sequence[float]) -> bool:
    """Tell whether both poles lie inside the unit circle (the triangle of a second-order filter).

    ``a`` are the coefficients of z⁰, z⁻¹, z⁻².
    """
    first, second = a[1] / a[0], a[2] / a[0]
    return abs(second) < 1.0 and abs(first) < 1.0 + second


def _three(numbers: Sequence[float]) -> tuple[float, float, float]:
    return numbers[0], numbers[1], numbers[2]


def _cookbook(one: Filter, turn: float, q: float | None) -> Section:
    """Return one section; ``turn`` is the cookbook's w₀ = 2π·f₀/rate."""
    cosine, sine = math.cos(turn), math.sin(turn)
    root = 10.0 ** ((one.gain_db or 0.0) / 40.0)  # the cookbook's A
    if one.slope is not None:
        alpha = sine / 2.0 * math.sqrt((root + 1.0 / root) * (1.0 / one.slope - 1.0) + 2.0)
    else:
        assert q is not None
        alpha = sine / (2.0 * q)
    plain = (1.0 + alpha, -2.0 * cosine, 1.0 - alpha)
    if one.kind == PEAKING:
        return (
            (1.0 + alpha * root, -2.0 * cosine, 1.0 - alpha * root),
            (1.0 + alpha / root, -2.0 * cosine, 1.0 - alpha / root),
        )
    if one.kind == LOW_PASS:
        return ((1.0 - cosine) / 2.0, 1.0 - cosine, (1.0 - cosine) / 2.0), plain
    if one.kind == HIGH_PASS:
        return ((1.0 + cosine) / 2.0, -1.0 - cosine, (1.0 + cosine) / 2.0), plain
    assert one.kind in (LOW_SHELF, HIGH_SHELF)
    # The high shelf is the low one with the sign of the cosine turned, and of the middle terms.
    sign = 1.0 if one.kind == LOW_SHELF else -1.0
    turned, side = sign * cosine, 2.0 * math.sqrt(root) * alpha
    up, down = root + 1.0, root - 1.0
    return (
        (
            root * (up - down * turned + side),
            sign * 2.0 * root * (down - up * turned),
            root * (up - down * turned - side),
        ),
        (up + down * turned + side, sign * -2.0 * (down + up * turned), up + down * turned - side),
    )


def _first_order(kind: str, turn: float) -> Section:
    """Return a first-order section, the bilinear transform of 1/(s + 1) or s/(s + 1)."""
    corner = math.tan(turn / 2.0)
    b = (corner, corner, 0.0) if kind == LOW_PASS else (1.0, -1.0, 0.0)
    return b, (1.0 + corner, corner - 1.0, 0.0)
