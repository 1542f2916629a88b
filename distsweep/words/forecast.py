"""What a measurement will leave known of THD, said before it is made."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from distsweep.words.wording import as_given, frequency, frequency_range, percent, short_frequency

Range = tuple[float, float] | None
"""From where to where a THD will be known, in Hz; None where it is nowhere."""

FIRST, COLUMN = 11, 13
"""Widths of the table's columns (chosen: all fit 80 characters)."""


@dataclass(frozen=True)
class ForetoldLevel:
    """One level of a ladder.

    Attributes
    ----------
    name : "75 dB SPL".
    now, more : where each THD spoken of will be known, as planned, and with more repeats.
    least_percent : the least THD known in nine tenths of the bands that count; None without any.
    """

    name: str
    now: tuple[Range, ...]
    more: tuple[Range, ...]
    least_percent: float | None


def forecast_lines(
    levels: Sequence[ForetoldLevel],
    thd_percent: Sequence[float],
    *,
    repeats: int,
    flat: bool,
    highest_hz: float,
) -> list[str]:
    """Return a forecast line by line: a sentence on the quietest level, and a table of all.

    Parameters
    ----------
    thd_percent : the THD spoken of, one for each entry of the levels' ranges.
    repeats : how many there would be in the second case.
    flat : whether levels are taken as flat, as nothing has shown the response yet.
    highest_hz : the highest band that is looked at.
    """
    sentence = _sentence(levels[0], thd_percent[0], repeats, highest_hz)
    basis = "levels taken as flat until the probe" if flat else "as the probe shows it"
    header = [f"THD of {as_given(p)} %" for p in thd_percent]
    rows = [["", *(text for one in header for text in (one, f"{repeats} repeats")), "least THD"]]
    for level in levels:
        cells = [
            _cell(one, highest_hz)
            for pair in zip(level.now, level.more, strict=True)
            for one in pair
        ]
        least = "" if level.least_percent is None else percent(level.least_percent)
        rows.append([level.name, *cells, least])
    title = f"Where THD will be known, in Hz ({basis}):"
    return [f"{sentence}.", title, *(_row(row) for row in rows)]


def _sentence(level: ForetoldLevel, thd_percent: float, repeats: int, highest_hz: float) -> str:
    """Say of the first THD spoken of where a level will leave it known."""
    now, more = level.now[0], level.more[0]
    thd = f"THD of {as_given(thd_percent)} % at {level.name}"
    within = "known within 1.5 dB (1/3 octave)"
    if now is None:
        sentence = f"{thd} will nowhere be {within}"
        return sentence + _with_more(more, repeats, highest_hz)
    sentence = f"{thd} will be {within} {_where(now, highest_hz)}"
    if more is None or more == now:
        return sentence
    if now[1] >= highest_hz and more[1] >= highest_hz:
        return f"{sentence}; {repeats} repeats would bring it to {frequency(more[0])}"
    return sentence + _with_more(more, repeats, highest_hz)


def _with_more(more: Range, repeats: int, highest_hz: float) -> str:
    if more is None:
        return f", nor would it with {repeats} repeats"
    return f"; with {repeats} repeats it would be {_where(more, highest_hz)}"


def unchanged_line() -> str:
    """Return what is said where the probe's response changes nothing of the forecast."""
    return "the response that the probe has shown leaves the forecast of THD as it is"


def _where(held: tuple[float, float], highest_hz: float) -> str:
    if held[1] >= highest_hz:
        return f"from {frequency(held[0])} up"
    return f"from {frequency_range(*held)}" if held[0] != held[1] else f"at {frequency(held[0])}"


def _cell(held: Range, highest_hz: float) -> str:
    if held is None:
        return "nowhere"
    if held[1] >= highest_hz:
        return f"{short_frequency(held[0])} up"
    return "–".join(short_frequency(f) for f in held)


def _row(cells: Sequence[str]) -> str:
    return ("  " + cells[0].ljust(FIRST) + "".join(c.ljust(COLUMN) for c in cells[1:])).rstrip()
