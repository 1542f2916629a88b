"""Sentences of warnings on recordings of the background."""

from __future__ import annotations

from collections.abc import Callable

from distsweep.words.wording import as_given


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


def _exchanged() -> str:
    return (
        "The background is softer with the loudspeaker on than with it off: are the states"
        ' exchanged? Look at state = "on" and "off" in session.toml.'
    )


def _distance_unknown() -> str:
    return (
        "How far the hiss is heard is not known without the microphone's distance: write"
        " distance_m = 0.05, in metres from the driver, into the background's tables."
    )


def _far(distance_m: float) -> str:
    return (
        f"The background with the loudspeaker on was recorded from {as_given(distance_m)} m, and"
        " goes by that: hiss is told from some centimetres. Is distance_m in metres?"
    )


def _times(count: int) -> str:
    return {0: "never", 1: "once"}.get(count, f"{count} times")


SENTENCES: dict[str, Callable[..., str]] = {
    "background_clipped": _clipped,
    "background_disturbed": _disturbed,
    "background_distance_unknown": _distance_unknown,
    "background_exchanged": _exchanged,
    "background_far": _far,
    "background_unpaired": _unpaired,
}
