"""The highest clean level in the report: what is shown, its sentences and its picture."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from distsweep.report import wording
from distsweep.report.content import Picture
from distsweep.results import CleanLevel, Take
from distsweep.units import BoolArray

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def shown(take: Take) -> list[CleanLevel]:
    """Limits of distortion and compression together that hold a number, strictest first."""
    return [c for c in both_limits(take) if np.any(np.isfinite(c.level_db))]


def both_limits(take: Take) -> list[CleanLevel]:
    """Limits of distortion and compression together, strictest first."""
    return [
        c for c in take.clean_level if c.compression_db is not None and np.isfinite(c.thd_percent)
    ]


def judged(clean: CleanLevel) -> BoolArray:
    """Where something is known of a clean level, shape ``(F,)``."""
    return ~in_state(clean, "unknown")


def in_state(clean: CleanLevel, *states: str) -> BoolArray:
    """Where a clean level is in one of some states, shape ``(F,)``."""
    return np.isin(np.array(clean.state, dtype=str), states)


def clean_level_words(take: Take) -> str | None:
    """Say the lowest clean level by the strictest idea of clean, and which limit it was."""
    strict = next((c for c in both_limits(take) if np.any(judged(c))), None)
    if strict is None:
        return None
    limit = f"{strict.thd_percent:g}\N{NO-BREAK SPACE}% THD or {strict.compression_db:g} dB"
    limit += " of compression"
    past = in_state(strict, "below")
    found = np.flatnonzero(in_state(strict, "reached"))
    again = in_state(strict, "contradicted")
    everywhere = not np.any(past | again)
    words = []
    if np.any(past):
        words.append(
            f"The quietest level that can be judged is past {limit} at"
            f" {np.sum(past)} of {np.sum(judged(strict))} frequencies"
            f" ({_where(take, past)}): how low the highest clean level is there was not measured."
        )
    if np.any(again):
        words.append(_contradicted_words(take, again, limit))
    if len(found):
        at = int(found[np.argmin(strict.drive_dbfs[found])])
        which = {"thd": "distortion", "compression": "compression"}[strict.limited_by[at]]
        where = "at every frequency" if everywhere else "everywhere else"
        words.append(
            f"Clean, up to {limit}, it stays {where} that can be judged"
            f" up to {wording.drive(float(strict.drive_dbfs[at]))} of drive; first to go is"
            f" {wording.frequency(float(take.frequency_hz[at]))}, by {which}."
        )
    elif np.any(judged(strict) & ~past & ~again):
        no = "No level played" if everywhere else "Everywhere else no level"
        words.append(f"{no} came to {limit} where it can be judged.")
    return " ".join(words)


def _contradicted_words(take: Take, again: BoolArray, limit: str) -> str:
    places = int(np.sum(again))
    return (
        f"No highest clean level is stated at {places}"
        f" {'frequency' if places == 1 else 'frequencies'} ({_where(take, again)}):"
        f" one level is past {limit} there and a louder one is not, as after a"
        " noise in one rung or where products cancel."
    )


def _where(take: Take, flags: BoolArray) -> str:
    """Say the lowest and the highest frequency of some."""
    first, last = take.frequency_hz[np.flatnonzero(flags)[[0, -1]]]
    if first == last:
        return wording.frequency(float(first))
    return wording.frequency_range(float(first), float(last))


def picture(take: Take, name: str) -> Picture:
    """Return the figure of the clean levels, to be drawn when the page is."""
    return Picture(
        f"{name}-clean-level",
        partial(_draw, take),
        "Highest clean level against frequency.",
        f"Highest level, in {wording.level_unit(take)}, that keeps within so much THD or"
        " compression, whichever comes first. Interpolated between the levels played, never"
        " beyond: dotted lines and open triangles mean “at least so high”.",
        "It holds for steady sines at this place. Where THD is hidden by noise at all levels"
        " nothing is shown.",
    )


def _draw(take: Take) -> Figure:
    """Draw only now, so that planning a page loads no matplotlib."""
    from distsweep.report.clean_level_figure import plot_clean_level

    return plot_clean_level(take)
