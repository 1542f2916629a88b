"""Sentences of warnings on recordings of the background."""

from __future__ import annotations

from collections.abc import Callable


def _clipped(recording: str) -> str:
    return (
        f"{recording}, of the background, is clipped: its level is not that of the noise. Record it"
        " again at a lower input gain."
    )


def _disturbed(recording: str, start_s: float, end_s: float, count: int) -> str:
    times = f"from {start_s:.1f} to {end_s:.1f} s"
    if count > 1:
        times = f"at {count} places, the first {times},"
    return (
        f"{recording}, of the background, is louder {times} than elsewhere (a knock, speech?): that"
        " is left out."
    )


def _unpaired(on: int, off: int, *, elsewhere: bool = False) -> str:
    """``elsewhere``: others of this position have another distance, or unit of level."""
    others = " Others at this position have another distance_m, or no calibration."
    return (
        f"The background was recorded {_times(on)} with the loudspeaker on and {_times(off)} with"
        f" it off: what has no counterpart makes no pair.{others if elsewhere else ''}"
    )


def _times(count: int) -> str:
    return {0: "never", 1: "once"}.get(count, f"{count} times")


SENTENCES: dict[str, Callable[..., str]] = {
    "background_clipped": _clipped,
    "background_disturbed": _disturbed,
    "background_unpaired": _unpaired,
}
