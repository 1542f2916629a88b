"""The record of what happened to a recording, and was not the loudspeaker's doing."""

from __future__ import annotations

from dataclasses import dataclass

from distsweep.results.record import Record


@dataclass(frozen=True, repr=False)
class Damage(Record):
    """Something that happened to a recording: when, to which rung, and what it spoils.

    Attributes
    ----------
    kind : "click", "knock" (an impulse that lasts), "noise" (the background was louder for a
        while), "muted", "repeated", "lost" (blocks of samples), "gain_step", "automatic_gain",
        "clipped" (a flat top below full scale), "dc_step", "hum" (came or went), "clock" (wandered)
        or "lossy" (coded with loss).
    start_s, end_s : from the recording's first sample.
    rung : number of the rung it fell into; None where it fell into none, or into all.
    low_hz, high_hz : played frequencies whose values it touches; None where it touches none.
    samples : length of a block that was muted, repeated or lost; None for other kinds.
    change_db : size of a step of gain; None for other kinds.
    bridged : what it spoilt was replaced by what the harmonics around it say.
    recording : the file's name.
    """

    kind: str
    start_s: float
    end_s: float
    rung: int | None = None
    low_hz: float | None = None
    high_hz: float | None = None
    samples: int | None = None
    change_db: float | None = None
    bridged: bool = False
    recording: str = ""
    sentence: str = ""
