"""The highest clean level in the report: what is shown, the headline, its table and picture."""

from __future__ import annotations

import dataclasses
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from distsweep.analysis.limits.crossing import STATED_WITHIN_DB
from distsweep.report.content import Cell, Picture, Table
from distsweep.results import CleanLevel, Take
from distsweep.units import BoolArray, FloatArray
from distsweep.words import wording

if TYPE_CHECKING:
    from matplotlib.figure import Figure

SAYING = ("reached", "bracketed", "not reached", "below")
"""States that say something of the highest clean level."""


def coarse(take: Take) -> list[CleanLevel]:
    """Return what sentences, table and figure rest on: thirds of an octave, or a staircase's tones.

    Empty for a ladder of an earlier version: no single point of its grid is quoted.
    """
    return take.clean_level if take.staircase else take.clean_level_third_octave


def shown(take: Take) -> list[CleanLevel]:
    """Limits of distortion and compression together that say something, strictest first."""
    return [c for c in both_limits(take) if np.any(in_state(c, *SAYING))]


def both_limits(take: Take) -> list[CleanLevel]:
    """Limits of distortion and compression together, strictest first; frequencies rise."""
    return [
        _in_order(c)
        for c in coarse(take)
        if c.compression_db is not None and np.isfinite(c.thd_percent)
    ]


def _in_order(clean: CleanLevel) -> CleanLevel:
    """Return the same with its frequencies rising: tones are kept as they were played."""
    order = np.argsort(clean.frequency_hz)
    arrays: dict[str, Any] = {
        name: value[order] for name, value in vars(clean).items() if isinstance(value, np.ndarray)
    }
    return dataclasses.replace(
        clean,
        **arrays,
        state=[clean.state[i] for i in order],
        limited_by=[clean.limited_by[i] for i in order],
    )


EXACT_DB = 1.0
"""A level whose ends are farther apart is written in whole decibels (chosen: ±0.5 dB)."""


def in_state(clean: CleanLevel, *states: str) -> BoolArray:
    """Where a clean level is in one of some states, shape ``(F,)``.

    On the page a level between two known ends counts as bracketed however far apart they are.
    """
    given = np.array(clean.state, dtype="<U12")
    both = np.isfinite(clean.drive_low_dbfs) & np.isfinite(clean.drive_high_dbfs)
    return np.isin(np.where(both & (given == "unknown"), "bracketed", given), states)


def limit_words(clean: CleanLevel) -> str:
    """Name the limits, "1 % THD or 1 dB of compression"."""
    return (
        f"{clean.thd_percent:g}\N{NO-BREAK SPACE}% THD or"
        f" {clean.compression_db:g}\N{NO-BREAK SPACE}dB of compression"
    )


def headline(take: Take) -> CleanLevel | None:
    """Return the lowest clean level by the strictest limits, as one place.

    None where nothing is known. ``frequency_hz`` and ``limited_by`` are those of the place with
    the lowest end. Levels are NaN: the same drive gives each frequency a level of its own.
    """
    strict = next(iter(shown(take)), None)
    return None if strict is None else lowest(strict, in_state(strict, *SAYING))


def lowest(clean: CleanLevel, flags: BoolArray) -> CleanLevel:
    """Return the lowest clean level of some places: it lies below every one's high end.

    It is stated where the lowest of those stated is lower than all that is known of the others.
    """
    low, high = ends(clean)
    at = np.where(in_state(clean, "reached"), clean.drive_dbfs, np.inf)
    low, high, at = low[flags], high[flags], at[flags]
    one = [float(np.min(low)), float(np.min(at)), float(np.min(high))]
    # Where another place may be lower than the stated one, both their ends count.
    near = one[1] - one[0] <= STATED_WITHIN_DB and one[2] - one[1] <= STATED_WITHIN_DB
    if np.isinf(one[0]):
        state = "below"
    elif np.isinf(one[2]):
        state = "not reached"
    else:
        state = "reached" if near else "bracketed"
    drive = {"reached": one[1], "not reached": one[0]}.get(state, np.nan)
    first = int(np.flatnonzero(flags)[np.argmin(at if state == "reached" else low)])
    nothing = np.array([np.nan])
    finite = [np.array([end if np.isfinite(end) else np.nan]) for end in (one[0], one[2])]
    return dataclasses.replace(
        clean,
        frequency_hz=clean.frequency_hz[first : first + 1],
        level_db=nothing,
        low_db=nothing,
        high_db=nothing,
        drive_dbfs=np.array([drive]),
        drive_low_dbfs=finite[0],
        drive_high_dbfs=finite[1],
        state=[state],
        limited_by=[clean.limited_by[first]],
    )


def ends(clean: CleanLevel) -> tuple[FloatArray, FloatArray]:
    """Return between which drives each clean level lies; −inf and inf where not known.

    Results of an earlier version hold no interval of what is reached: its ends are the value.
    """
    reached = in_state(clean, "reached")
    low = np.where(reached & np.isnan(clean.drive_low_dbfs), clean.drive_dbfs, clean.drive_low_dbfs)
    high = np.where(
        reached & np.isnan(clean.drive_high_dbfs), clean.drive_dbfs, clean.drive_high_dbfs
    )
    return np.where(np.isnan(low), -np.inf, low), np.where(np.isnan(high), np.inf, high)


def clean_level_words(take: Take) -> str | None:
    """Say the lowest clean level by the strictest idea of clean, and which limit it was."""
    from distsweep.report.clean_level_words import words

    return words(take)


def table(take: Take, name: str) -> Table:
    """Return the highest clean levels by thirds of an octave or by tones, one column a limit."""
    found = shown(take)
    places = "Tone" if take.staircase else "Third of an octave"
    unit = wording.level_unit(take)
    columns = [places, *(limit_words(clean) for clean in found)]
    rows = [
        [Cell(wording.frequency(float(f))), *(_cell(clean, i) for clean in found)]
        for i, f in enumerate(found[0].frequency_hz)
    ]
    return Table(
        f"Highest clean level, {unit}, and below it the drive. “≈”: known to 1.5 dB; “75 to 81”:"
        " between two levels played; “≥”: the limit was not reached; “<”: already past it at this"
        " level; a dash: noise hides it, or louder levels contradict quieter ones. Above half the"
        " measured band's upper end no harmonic lies inside it: there compression alone counts.",
        columns,
        rows,
    )


def _cell(clean: CleanLevel, i: int) -> Cell:
    level = _span(clean.state[i], clean.level_db[i], clean.low_db[i], clean.high_db[i])
    drive = _span(
        clean.state[i], clean.drive_dbfs[i], clean.drive_low_dbfs[i], clean.drive_high_dbfs[i]
    )
    if level is None or drive is None:
        return Cell("contradicted" if clean.state[i] == "contradicted" else "—", pale=True)
    by = {"thd": ", THD", "compression": ", compression"}.get(clean.limited_by[i], "")
    return Cell(level, below=f"{drive}\N{NO-BREAK SPACE}dBFS{by}")


def _span(state: str, at: float, low: float, high: float) -> str | None:
    """Write a value, what it lies between, or the end that is known; None where none is."""
    if state == "reached" and np.isfinite(at):
        return wording.signed(at) if high - low <= EXACT_DB else f"≈ {wording.signed(at, 0)}"
    if state in ("bracketed", "unknown") and np.isfinite(low) and np.isfinite(high):
        return f"{wording.signed(low)} to {wording.signed(high)}"
    if state == "not reached" and np.isfinite(at):
        return f"≥ {wording.signed(at)}"
    if state == "below" and np.isfinite(high):
        return f"< {wording.signed(high)}"
    return None


def picture(take: Take, name: str) -> Picture:
    """Return the figure of the clean levels, to be drawn when the page is."""
    over = "for each tone" if take.staircase else "over thirds of an octave"
    return Picture(
        f"{name}-clean-level",
        partial(_draw, take),
        "Highest clean level against frequency.",
        f"Highest clean level, in {wording.level_unit(take)}, {over}: the highest that keeps within"
        " so much THD or compression, whichever comes first. A bar: the limit was reached, and the"
        " level is known to 1.5 dB. A hatched box: it lies somewhere between two levels played. A"
        " triangle that points up: not reached, at least so high; down: already past it, lower."
        " A cross at the foot: nothing is known, or louder levels contradict quieter ones.",
        "It holds for steady sines at this place. Where wide steps of level leave open from where"
        " on a limit is passed, smaller steps tell more. Nothing is stated beyond the loudest.",
    )


def _draw(take: Take) -> Figure:
    """Draw only now, so that planning a page loads no matplotlib."""
    from distsweep.report.clean_level_figure import plot_clean_level

    return plot_clean_level(take)
