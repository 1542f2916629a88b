"""Whose doing it is that more is left over of a sweep at some moments: rungs testify.

Every pass sweeps through a frequency at the same time from its start. What the loudspeaker does
there it does as well at a louder drive, and again at the same one: it comes back at the same
moment of other passes. What does not was the room's, or happened to the recording. The loudest
rung has only quieter ones beside it: what would have shown in them if it grew with the drive, and
does not, is brief where it was a noise, and may be the loudspeaker's where it goes on.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from distsweep.analysis.sweep.disturbances import Disturbances, reaching
from distsweep.analysis.sweep.left_over import MomentMap
from distsweep.flag_runs import runs_of
from distsweep.units import BoolArray, IntArray, db_to_power

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

BRIEF_S, BRIEF_OCTAVES = 0.15, 1.0 / 3.0
"""Longest event, and most that the sweep passes in it, that is called a noise where only the
loudest rung shows it (chosen: most of a knock; what rattles does so over more than a third of an
octave, or longer)."""

DOWN_TO = 0.1
"""An event begins and ends where its power is below this share of its largest (chosen: 10 dB)."""

CHANCE_FRAMES = 5
"""Longest event that another pass may show by chance (chosen: a click is seen in three frames)."""

WOULD_SHOW = 4.0
"""How many times the expected density a noise must be to show in a single band (chosen: 6 dB, which
single cells exceed in 2 % of cases, and an octave of them never)."""


@dataclass(frozen=True, eq=False)
class Event:
    """Moments of one pass that belong together.

    Attributes
    ----------
    row : the pass.
    first, last : the moments at which anything shows, counted in the map's (one past the last).
    strong : the moments at which most of its power arrives, shape ``(M,)``.
    loudest : the moment at which the most arrives.
    wide_share : of the free cells at its widest moment, how many show it.
    whose : "loudspeaker", "damage", "unknown", or "clip" once clipped samples were compared.
    """

    row: int
    first: int
    last: int
    strong: IntArray
    loudest: int
    wide_share: float
    whose: str


def events_of(layout: MomentMap, found: Disturbances, drives_dbfs: Sequence[float]) -> list[Event]:
    """Return the events of every pass, each with whose doing it was.

    Parameters
    ----------
    drives_dbfs : of each pass, shape ``(P,)``.
    """
    count = np.sum(found.shown, axis=2)
    shown = count >= LEAST_BANDS
    if not np.any(shown):
        return []
    near, widths_hz = reaching(shown, LATER_FRAMES), np.diff(layout.edges_hz)
    free = np.maximum(np.sum(layout.cells > 0.0, axis=1), 1)
    events = []
    for row in range(len(shown)):
        for first, last in runs_of(_closed(shown[row])):
            moments = slice(first, last)
            power = np.where(found.shown[row, moments], found.excess[row, moments], 0.0) @ widths_hz
            strong = first + np.flatnonzero(power >= DOWN_TO * np.max(power))
            shares = count[row, strong] / free[strong]
            loudest = first + int(np.argmax(power))
            whose = _whose(layout, found, near, drives_dbfs, row, strong, loudest)
            events.append(Event(row, first, last, strong, loudest, float(np.max(shares)), whose))
    return _without_chance(events)


def _without_chance(events: list[Event]) -> list[Event]:
    """Return events; where most brief ones are damage, those that another pass shows are chance.

    A room that crackles all the time does so at the same moment of another pass now and then.
    """
    brief = [event for event in events if len(event.strong) <= CHANCE_FRAMES]
    counts = [sum(event.whose == whose for event in brief) for whose in ("damage", "loudspeaker")]
    if counts[0] <= counts[1]:
        return events
    chance = [event for event in brief if event.whose == "loudspeaker"]
    return [replace(event, whose="damage") if event in chance else event for event in events]


def _whose(
    layout: MomentMap,
    found: Disturbances,
    near: BoolArray,
    drives_dbfs: Sequence[float],
    row: int,
    strong: IntArray,
    loudest: int,
) -> str:
    """Return whose doing an event was; ``near`` tells at which moments passes show anything.

    ``strong`` are the moments at which most of its power arrives, ``loudest`` the one of the most.
    """
    rises_db = np.asarray(drives_dbfs) - drives_dbfs[row]
    others = [number for number in range(len(rises_db)) if number != row]
    louder = sorted((n for n in others if rises_db[n] > -0.05), key=lambda n: rises_db[n])
    if louder:
        able = [number for number in louder if _would_show(found, row, loudest, number, 0.0)]
        if not able:
            return "unknown"
        shares = [np.mean(near[number, strong]) for number in able[:WITNESSES]]
        return "loudspeaker" if min(shares) >= SHARE_LOUDER else "damage"
    if not others:
        return "unknown"
    quieter = max(others, key=lambda n: rises_db[n])
    if np.mean(near[quieter, strong]) >= SHARE_QUIETER:
        return "loudspeaker"
    octave_s = math.log(2.0) * layout.rate_constant_s
    if len(strong) * float(layout.time_s[1]) > min(BRIEF_S, BRIEF_OCTAVES * octave_s):
        return "unknown"
    # What the loudspeaker makes above the highest order may set in at the loudest rung.
    if np.all(layout.above[loudest][found.shown[row, loudest]]):
        return "unknown"
    shows = _would_show(found, row, loudest, quieter, rises_db[quieter])
    return "damage" if shows else "unknown"


def _would_show(found: Disturbances, row: int, moment: int, witness: int, rise_db: float) -> bool:
    """Tell whether another pass would show an event that changes by so much, in most of its power.

    ``moment`` is the event's loudest.
    """
    foretold = db_to_power(rise_db) * found.excess[row, moment] * found.shown[row, moment]
    able = foretold >= WOULD_SHOW * found.expected[witness, moment]
    return bool(np.sum(foretold[able]) >= 0.5 * np.sum(foretold))


def _closed(flags: BoolArray) -> BoolArray:
    """Return flags with gaps of up to `GAP_FRAMES` filled."""
    closed = flags.copy()
    for first, last in runs_of(~flags):
        if first > 0 and last < len(flags) and last - first <= GAP_FRAMES:
            closed[first:last] = True
    return closed
