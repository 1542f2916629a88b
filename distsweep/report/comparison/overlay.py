"""What a figure of a comparison holds: curves of all sources at the same drive or level, and below
them what they differ by."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from distsweep.comparison.record import Difference
from distsweep.report.comparison.compared import Compared, is_at, level_name, level_words
from distsweep.report.comparison.curves import (
    FUNDAMENTAL,
    GAIN_CHANGE,
    THD,
    difference_line,
    source_line,
)
from distsweep.report.comparison.strokes import Stroke, stroke_of
from distsweep.report.figure_data import Curve, FigureData
from distsweep.report.lines import Line
from distsweep.report.rung_curves import ends_shown, with_averages
from distsweep.units import FloatArray
from distsweep.words import wording

RESPONSE, DISTORTION, GAIN, HEADROOM = "response", "distortion", "gain", "headroom"
"""Kinds of axes that a figure may have: they choose limits, and what stands beside them."""


@dataclass(frozen=True)
class Drawn:
    """One line of the figure: whose, at which of the levels (0: the loudest), and its numbers.

    ``bounds`` are places of which only one end is known: frequency, value, and 1 for "at least",
    −1 for "at most"; each drawn as a triangle.
    """

    key: str
    name: str
    source: int
    x: FloatArray
    line: Line
    rank: int = 0
    bounds: Sequence[tuple[float, float, int]] = ()

    @property
    def stroke(self) -> Stroke:
        """Colour and dash of its source."""
        return stroke_of(self.source)

    def curve(self, quantity: str, *, re_fundamental: bool = False) -> Curve:
        """Return the numbers that are drawn."""
        low, high = (self.line.low_db, self.line.high_db) if self.bounds else ends_shown(self.line)
        return Curve(self.key, self.name, quantity, self.x, self.line.shown, low, high,
                     re_fundamental=re_fundamental, colour=self.stroke.colour,
                     dash=self.stroke.css_dash)  # fmt: skip


@dataclass(frozen=True)
class Overlay:
    """Curves of the sources, and differences of all but the first from the first.

    ``levels`` are the drives or levels shown, the loudest first, and ``loudest`` says that one in
    words, empty where there is none; ``values_name`` says what the curves are, with the unit;
    ``below_name`` what stands in the lower axes.
    """

    title: str
    kind: str
    names: Sequence[str]
    values_name: str
    below_name: str
    lines: Sequence[Drawn]
    differences: Sequence[Drawn]
    levels: Sequence[float] = field(default_factory=list)
    unit: str = "dB"
    loudest: str = ""

    @property
    def has_differences(self) -> bool:
        """Whether any difference is drawn."""
        return any(np.isfinite(one.line.shown).any() or one.bounds for one in self.differences)

    def data(self) -> FigureData:
        """The numbers of the figure: curves of the sources, then differences."""
        quantity = with_averages(self.values_name, [one.line for one in self.lines])
        re_fundamental = self.kind == DISTORTION
        curves = [one.curve(quantity, re_fundamental=re_fundamental) for one in self.lines]
        return FigureData(
            "frequency", curves + [one.curve("Difference, dB") for one in self.differences]
        )


def overlay_of(compared: Compared, quantity: str, position: str) -> Overlay | None:
    """Return what is drawn of a quantity at a position; None where nothing is compared."""
    levels = compared.shown_levels(quantity, position)
    if not levels:
        return None
    aligned = compared.of(quantity, position)[0].aligned
    kind = {FUNDAMENTAL: RESPONSE, GAIN_CHANGE: GAIN}.get(quantity, DISTORTION)
    unit = level_unit(compared, position)
    lines = _lines(compared, quantity, position, aligned, levels)
    differences = _differences(compared, quantity, position, aligned, levels, kind == DISTORTION)
    if len({one.source for one in lines}) < 2 or not differences:
        return None  # levels without a common unit, for instance
    return Overlay(
        title=f"{short_name(quantity)} {level_words(aligned, levels)}",
        kind=kind,
        names=compared.names,
        values_name=_values_name(quantity, unit),
        below_name=less_name(compared.names)
        + (", thirds of an octave" if kind == DISTORTION else ""),
        lines=lines,
        differences=differences,
        levels=levels,
        unit=unit,
        loudest=level_words(aligned, levels[:1]),
    )


def at_words(aligned: str, level: float, levels: Sequence[float]) -> str:
    """Return what a legend says of a curve's level behind its name; nothing where all share it."""
    return f", {level_name(aligned, level)}" if len(levels) > 1 else ""


def _lines(
    compared: Compared, quantity: str, position: str, aligned: str, levels: Sequence[float]
) -> list[Drawn]:
    """Curves of the sources, those of the loudest level first; levels in one unit only."""
    unit = level_unit(compared, position)
    return [
        Drawn(f"source-{source}-{rank}",
              f"{compared.names[source]}{at_words(aligned, level, levels)}",
              source, take.frequency_hz, line, rank)
        for rank, level in enumerate(levels)
        for source in range(len(compared.sources))
        if (take := compared.ladder(source, position)) is not None
        and (quantity != FUNDAMENTAL or wording.level_unit(take) == unit)
        and (line := source_line(take, quantity, aligned, level)) is not None
    ]  # fmt: skip


def _differences(
    compared: Compared,
    quantity: str,
    position: str,
    aligned: str,
    levels: Sequence[float],
    averaged: bool,
) -> list[Drawn]:
    """Return differences from the reference; of distortion averages, as noise moves single
    frequencies."""

    def drawn(fine: Difference, rank: int, level: float) -> Drawn:
        one = (compared.over_thirds(fine) or fine) if averaged else fine
        name = less_name_of(compared.names, one.source)
        return Drawn(f"less-{one.source}-{rank}", f"{name}{at_words(aligned, level, levels)}",
                     one.source, one.frequency_hz, difference_line(one), rank)  # fmt: skip

    return [
        drawn(fine, rank, level)
        for rank, level in enumerate(levels)
        for fine in compared.of(quantity, position)
        if is_at(fine, level)
    ]


def short_name(quantity: str) -> str:
    """Name a quantity as figures do: "Response", "THD", "H2", "Gain change"."""
    named = {FUNDAMENTAL: "Response", THD: "THD"}
    return named.get(quantity) or f"{quantity[:1].upper()}{quantity[1:]}"


def less_name(names: Sequence[str]) -> str:
    """Say what differences are: "B less A"."""
    return f"{names[1]} less {names[0]}" if len(names) == 2 else f"Each less {names[0]}"


def less_name_of(names: Sequence[str], source: int) -> str:
    """Name a source's difference in a legend, short where there is no other."""
    return "Difference" if len(names) == 2 else f"{names[source]} less {names[0]}"


def level_unit(compared: Compared, position: str) -> str:
    """Return the unit of the reference's levels at a position."""
    take = compared.ladder(0, position)
    return "dBFS" if take is None else wording.level_unit(take)


def _values_name(quantity: str, unit: str) -> str:
    if quantity == FUNDAMENTAL:
        return level_axis(unit)
    return (
        "Gain change, dB"
        if quantity == GAIN_CHANGE
        else f"{short_name(quantity)}, dB re fundamental"
    )


def level_axis(unit: str) -> str:
    """Name an axis of levels, and whether nothing was calibrated."""
    return f"Level, {unit}" if unit == "dB SPL" else f"Level, {unit} (uncalibrated)"
