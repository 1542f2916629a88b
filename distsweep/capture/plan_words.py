"""What is said of a session's plan: levels, where the microphone goes, how long it takes."""

from __future__ import annotations

import dataclasses

from distsweep.capture.conversation import TAIL_S
from distsweep.capture.follow import LONGEST_DELAY_S
from distsweep.capture.gate import START_LEVEL_DBFS
from distsweep.capture.levels import LARGEST_RISE_DB
from distsweep.capture.probe import probe_stimulus
from distsweep.capture.sending import Order
from distsweep.capture.stairs_layout import playable_recipe, stairs_stimulus
from distsweep.capture.stays import Stay
from distsweep.capture.take import Begun
from distsweep.stimulus.layout import lay_out
from distsweep.stimulus.recipe import LadderRecipe
from distsweep.stimulus.sidecar import StimulusFile
from distsweep.words.wording import signed

SHORT_S = 100.0
"""Up to this a duration is said in seconds, beyond in minutes (chosen)."""


def levels_text(order: Order) -> str:
    """Say which levels are asked for."""
    levels, unit = order.levels_spl_db, "dB SPL"
    if levels is None:
        levels, unit = order.drives_dbfs or order.stimulus.recipe.levels_dbfs, "dBFS"
    if len(levels) == 1:
        return f"at {signed(levels[0])} {unit}"
    return f"{len(levels)} levels from {signed(levels[0])} to {signed(levels[-1])} {unit}"


def move_text(stay: Stay) -> str:
    """Say where the microphone is to be put."""
    planned = stay.planned
    where = planned.move
    if where is None:
        where = f"the microphone at {planned.position!r}"
        if planned.distance_m is not None:
            where += f", {planned.distance_m:g} m away"
    if stay.placement > 1:
        return f"Take the microphone away, and put it back: {where}"
    return f"Now: {where}"


def duration_text(seconds: float) -> str:
    """Return a duration, rounded: "40 s", "12 min"."""
    if seconds <= SHORT_S:
        return f"{10.0 * round(seconds / 10.0):.0f} s"
    return f"{seconds / 60.0:.0f} min"


def least_s(order: Order, begun: Begun | None) -> float:
    """Return how long a take lasts at least, in seconds: one probe, and every file once.

    Parameters
    ----------
    begun : of which only what it wants is played; None: all of it.
    """
    probe = probe_stimulus(order.probe_recipe, START_LEVEL_DBFS).files[0]
    files = _files(order) if begun is None else begun.stimulus.files
    if begun is not None:
        files = tuple(file for file in files if file.name in begun.wanted)
    samples = probe.samples + sum(file.samples for file in files)
    tails_s = (1 + len(files)) * TAIL_S + LONGEST_DELAY_S  # the first waits for any delay
    return samples / order.stimulus.recipe.rate_hz + tails_s


def _files(order: Order) -> tuple[StimulusFile, ...]:
    """Lay out what an order plays; the drives, which the probe will find, do not matter here."""
    recipe = order.stimulus.recipe
    if isinstance(recipe, LadderRecipe):
        count = len(order.levels_spl_db or order.drives_dbfs or recipe.levels_dbfs)
        drives_dbfs = tuple(float(number - count) for number in range(count))
        laid_out = dataclasses.replace(recipe, levels_dbfs=drives_dbfs)
        return lay_out(laid_out, split=True).files
    requested = order.drives_dbfs or recipe.levels_dbfs
    playable = playable_recipe(
        recipe,
        requested,
        name=recipe.name,
        probe_dbfs=requested[0] - LARGEST_RISE_DB,
        round_trip_s=0.0,
    )
    return stairs_stimulus(playable, requested).files
