"""The recipe of a staircase: tone bursts whose level is stepped up, then down."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import Any

from distsweep.stimulus.level_rules import check_levels
from distsweep.toml_input import Table

HIGHEST_TONE_OF_RATE = 0.45
"""No tone is played above this fraction of the rate (chosen: converters' filters cut there)."""

HIGHEST_HARMONIC_HZ = 20000.0
"""Harmonics are followed up to here, or to 0.45 of the rate where that is less (chosen: the
upper end of the ladders' usual band, so that both sum the same orders)."""

LEAST_HOLD_PERIODS = 12.0
"""Least periods in a burst: what is left after settling then still holds six (chosen)."""

MOST_LEVELS = 200


@dataclass(frozen=True)
class StaircaseRecipe:
    """Tone bursts at rising, then falling levels; the keys are those of the contract.

    Attributes
    ----------
    levels_dbfs : the levels one by one, rising, however the recipe wrote them.
    hold_s : length of a burst.
    rest_s : how long the tone goes on at the lowest level between two bursts.
    release_s : the same after the loudest burst.
    ramp_ms : time in which the level changes, a raised cosine.
    pause_s : silence between two frequencies.
    order : highest harmonic that is fitted.
    """

    name: str
    rate_hz: int
    frequencies_hz: tuple[float, ...]
    levels_dbfs: tuple[float, ...]
    hold_s: float = 0.6
    rest_s: float = 0.3
    release_s: float = 3.0
    ramp_ms: float = 2.0
    order: int = 10
    quiet_s: float = 3.0
    pause_s: float = 1.0
    kind: str = "staircase"

    @property
    def band_hz(self) -> tuple[float, float]:
        """Lowest tone, and the highest frequency at which a harmonic is followed."""
        highest_hz = min(HIGHEST_HARMONIC_HZ, HIGHEST_TONE_OF_RATE * self.rate_hz)
        return (min(self.frequencies_hz), max(highest_hz, *self.frequencies_hz))

    def as_dict(self) -> dict[str, Any]:
        """Return every key of the recipe, as the sidecar repeats them."""
        return dataclasses.asdict(self)


def parse_staircase(table: Table, *, name: str, rate_hz: int) -> StaircaseRecipe:
    """Check the keys and values of a staircase's recipe; ``kind`` was looked at before.

    Raises
    ------
    InputError
        A key is missing or unknown, or a value cannot work.
    """
    recipe = StaircaseRecipe(
        name=name,
        rate_hz=rate_hz,
        frequencies_hz=table.numbers("frequencies_hz"),
        levels_dbfs=_levels(table),
        hold_s=table.number("hold_s", 0.6, least=0.05),
        rest_s=table.number("rest_s", 0.3, least=0.05),
        release_s=table.number("release_s", 3.0, least=0.1),
        ramp_ms=table.number("ramp_ms", 2.0, least=0.5),
        order=table.whole("order", 10, least=2),
        quiet_s=table.number("quiet_s", 3.0, least=0.5),
        pause_s=table.number("pause_s", 1.0, least=0.3),
    )
    table.close()
    _check_frequencies(table, recipe)
    check_levels(
        table,
        recipe.levels_dbfs,
        must_rise="must rise from burst to burst: sort them, lowest first; the way down is added",
    )
    _check_times(table, recipe)
    return recipe


def _levels(table: Table) -> tuple[float, ...]:
    """Return the levels of a list, or of ``{ from = …, to = …, step = … }``."""
    given = table.take("levels_dbfs")
    if isinstance(given, list):
        levels: tuple[float, ...] = table.numbers("levels_dbfs")
        return levels
    if not isinstance(given, dict):
        table.fail(
            "levels_dbfs",
            f"is {given!r}: must be a list of numbers, or {{ from = -40, to = -4, step = 2 }}",
        )
    inner = Table(given, f"{table.where}: levels_dbfs")
    first, last = inner.number("from"), inner.number("to")
    step = inner.number("step", above=0.0)
    inner.close()
    if last < first:
        inner.fail("to", f"is {last:g}, below from ({first:g}): swap them, levels go up first")
    count = int((last - first) / step + 1e-6) + 1
    if abs(first + (count - 1) * step - last) > 1e-6:
        inner.fail("step", f"is {step:g}: does not lead from {first:g} to {last:g} in whole steps")
    if count > MOST_LEVELS:
        inner.fail("step", f"is {step:g}: makes {count} levels, {MOST_LEVELS} at most: widen it")
    return tuple(round(first + i * step, 9) for i in range(count))


def _check_frequencies(table: Table, recipe: StaircaseRecipe) -> None:
    limit_hz = HIGHEST_TONE_OF_RATE * recipe.rate_hz
    for frequency_hz in recipe.frequencies_hz:
        if not 5.0 <= frequency_hz <= limit_hz:
            table.fail(
                "frequencies_hz",
                f"holds {frequency_hz:g}: must lie between 5 and {limit_hz:g}"
                f" ({HIGHEST_TONE_OF_RATE:g} of rate_hz)",
            )
    if len(set(recipe.frequencies_hz)) < len(recipe.frequencies_hz):
        table.fail("frequencies_hz", "holds a frequency twice: keep one")
    if recipe.order > 40:
        table.fail("order", f"is {recipe.order}: must be 40 or less")


def _check_times(table: Table, recipe: StaircaseRecipe) -> None:
    lowest_hz = min(recipe.frequencies_hz)
    for key in ("hold_s", "rest_s"):
        least_s = (LEAST_HOLD_PERIODS if key == "hold_s" else 4.0) / lowest_hz
        least_s += 2e-3 * recipe.ramp_ms
        least_s = math.ceil(1e3 * least_s - 1e-6) / 1e3  # what is asked for is then enough
        value: float = getattr(recipe, key)
        if value < least_s:
            table.fail(
                key,
                f"is {value:g}: too short at {lowest_hz:g} Hz:"
                f" make it {least_s:g} or more, or leave that frequency out",
            )
    longest_s = max(recipe.hold_s, recipe.rest_s, recipe.release_s)
    if longest_s > 600.0:
        table.fail("hold_s", f"or another time is {longest_s:g}: must be 600 or less")
