"""Sentences that warn of a staircase's tones: one for every code of its warnings."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from distsweep.reason import Reason
from distsweep.words.wording import as_given


def staircase_warning_sentence(reason: Reason) -> str:
    """Return the sentence of a warning."""
    values = dict(reason.values)
    place = f"At {as_given(float(str(values.pop('frequency_hz'))))} Hz"
    return f"{place} {STAIRCASE_WARNINGS[reason.code](**values)}."


def _burst_missing(drives_dbfs: Sequence[float], directions: Sequence[str]) -> str:
    named = ", ".join(
        f"{as_given(drive)} dBFS {direction}"
        for drive, direction in zip(drives_dbfs, directions, strict=True)
    )
    return (
        f"{len(drives_dbfs)} burst(s) do not hold the tone throughout (did the recording drop"
        f" out?) and are left out: {named}"
    )


def _clipped(drives_dbfs: Sequence[float]) -> str:
    levels = ", ".join(map(as_given, drives_dbfs))
    return f"the recording clipped in the bursts at {levels} dBFS: nothing of them counts"


def _no_reference(reliable: int, levels: int) -> str:
    return (
        f"{reliable} of {levels} levels stands clear of the background noise: gain change cannot be"
        " stated"
    )


STAIRCASE_WARNINGS: dict[str, Callable[..., str]] = {
    "burst_missing": _burst_missing,
    "clipped": _clipped,
    "no_reference": _no_reference,
    "one_rung": lambda: (
        "there is one level only: a gain change takes two, so no compression can be stated"
    ),
}
"""A function of its values, its place left out, for every code of `analysis.staircase`."""
