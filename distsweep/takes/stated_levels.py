"""The levels at which a session asks for THD: the table [report] of its ``session.toml``."""

from __future__ import annotations

import itertools

from distsweep import plausible
from distsweep.toml_input import Table

MOST_STATED_LEVELS = 6
"""Most levels at which THD is stated (chosen: more lines in a figure cannot be told apart)."""


def read_stated_levels(table: Table) -> tuple[float, ...]:
    """Return the levels of the table [report], rising; none where it is not there.

    Raises
    ------
    InputError
        They are no levels in dB SPL, or too many, or the table holds something else.
    """
    inner = Table(table.take("report", {}), f"{table.where}: [report]")
    levels: tuple[float, ...] = inner.numbers("levels_spl", ())
    low, high = plausible.STATED_SPL_DB
    for level in levels:
        if not low <= level <= high:
            inner.fail(
                "levels_spl",
                f"holds {level:g}: levels are in dB SPL, between {low:g} and {high:g}",
            )
    if any(later <= earlier for earlier, later in itertools.pairwise(levels)):
        inner.fail("levels_spl", f"is {list(levels)}: levels must rise: lowest first, each once")
    if len(levels) > MOST_STATED_LEVELS:
        inner.fail("levels_spl", f"has {len(levels)} levels: give {MOST_STATED_LEVELS} at most")
    inner.close()
    return levels
