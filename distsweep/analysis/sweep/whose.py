"""Whose doing it is that more is left over of a sweep at some moments: rungs testify.

Every pass sweeps through a frequency at the same time from its start. What the loudspeaker does
there it does as well at a louder drive, and again at the same one: it comes back at the same
moment of other passes. What does not was the room's, or happened to the recording. The loudest
rung has only quieter ones beside it: what would have shown in them if it grew with the drive, and
does not, is brief where it was a noise, and may be the loudspeaker's where it goes on.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.analysis.sweep.disturbances import Disturbances, reaching, runs_of
from distsweep.analysis.sweep.left_over import MomentMap
from distsweep.units import BoolArray, FloatArray, db_to_power

LEAST_BANDS = 2
"""Bands in which a moment must show something (chosen: one band is 100 Hz at 1 kHz, and a mere
tone's)."""

GAP_FRAMES = 3
"""Frames between two moments that still belong to one event (chosen: the length of a frame and a
half, as a click's is seen in three)."""

LATER_FRAMES = 2
"""Frames by which another pass's moment may differ (chosen: the length of a frame)."""

WITNESSES = 2
"""Louder passes, or equally loud ones, that are asked (chosen: chance brings a click to the same
moment of one other pass once in twenty times, in a room that crackles all the time)."""

SHARE_LOUDER, SHARE_QUIETER = 0.5, 0.25
"""Share of an event's moments at which a louder pass, and a quieter one, must show it (chosen: what
a loudspeaker does at one drive it does at a louder one over a wider band)."""

BRIEF_S = 0.1
"""Longest event that is called a noise where only the loudest rung shows it (chosen: a twelfth of
an octave of an ordinary sweep; what rattles does so over more)."""


@dataclass(frozen=True)
class Event:
    """Moments of one pass that belong together.

    ``first`` and ``last`` (one past it) count the map's moments; ``whose`` is "loudspeaker",
    "damage", or "unknown"; with ``alone`` no louder or equal pass could testify.
    """

    row: int
    first: int
    last: int
    whose: str
    alone: bool


def events_of(layout: MomentMap, found: Disturbances, drives_dbfs: Sequence[float]) -> list[Event]:
    """Return the events of every pass, each with whose doing it was.

    Parameters
    ----------
    drives_dbfs : of each pass, shape ``(P,)``.
    """
    flags = found.short | found.lasting
    shown = np.sum(flags, axis=2) >= LEAST_BANDS
    if not np.any(shown):
        return []
    near = reaching(shown, LATER_FRAMES)
    events = []
    for row in range(len(shown)):
        for first, last in runs_of(_closed(shown[row])):
            moments = np.arange(first, last)[shown[row, first:last]]
            whose, alone = _whose(layout, found, near, drives_dbfs, row, moments)
            events.append(Event(row, first, last, whose, alone))
    return events


def _whose(
    layout: MomentMap,
    found: Disturbances,
    near: BoolArray,
    drives_dbfs: Sequence[float],
    row: int,
    moments: FloatArray,
) -> tuple[str, bool]:
    """Return whose doing an event was, and whether only quieter passes could tell."""
    rises_db = np.asarray(drives_dbfs) - drives_dbfs[row]
    others = [number for number in range(len(rises_db)) if number != row]
    louder = sorted((n for n in others if rises_db[n] > -0.05), key=lambda n: rises_db[n])
    if louder:
        shares = [np.mean(near[number, moments]) for number in louder[:WITNESSES]]
        return ("loudspeaker" if min(shares) >= SHARE_LOUDER else "damage"), False
    quieter = sorted(others, key=lambda n: -rises_db[n])[:1]
    if quieter and np.mean(near[quieter[0], moments]) >= SHARE_QUIETER:
        return "loudspeaker", True
    lasts_s = len(moments) * float(layout.time_s[1])
    if lasts_s > BRIEF_S or not quieter:
        return "unknown", True
    fallen = db_to_power(rises_db[quieter[0]])
    flags = (found.short | found.lasting)[row, moments]
    foretold = fallen * found.excess[row, moments][flags]
    could = np.mean(foretold > found.expected[quieter[0], moments][flags])
    return ("damage" if could >= 0.5 else "unknown"), True


def _closed(flags: BoolArray) -> BoolArray:
    """Return flags with gaps of up to `GAP_FRAMES` filled."""
    closed = flags.copy()
    for first, last in runs_of(~flags):
        if first > 0 and last < len(flags) and last - first <= GAP_FRAMES:
            closed[first:last] = True
    return closed
