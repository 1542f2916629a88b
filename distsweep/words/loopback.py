"""Sentences on a loop-back: why it was not used, and what it tells of the microphone's place."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from distsweep.words.wording import listing


def _unused(channel: int, why: str, reason: str = "", delay_ms: float = 0.0) -> str:
    what = f"The loop-back, channel {channel}, was not used"
    apart = f"{abs(delay_ms):.1f} ms"
    if why == "no_signal":
        return f"{what}: it is silent, or does not hold the stimulus."
    if why == "no_markers":
        return f"{what}: it takes a stimulus with markers, and a sound file has none."
    if why == "early":
        return (
            f"{what}: it holds the stimulus {apart} later than the microphone's channel. Were the"
            " channels exchanged?"
        )
    if why == "elsewhere":
        return (
            f"{what}: it holds the stimulus {apart} earlier than the microphone's channel, longer"
            " than sound and a loudspeaker's electronics take."
        )
    return f"{what}: {reason}."


def _clipped(channel: int, drives_dbfs: Sequence[float]) -> str:
    return (
        f"The loop-back, channel {channel}, clips at {listing(drives_dbfs)} dBFS: what the"
        " interface distorts there is not known. Turn that input down."
    )


def _staircase(channel: int) -> str:
    return (
        f"The loop-back of a staircase, channel {channel}, tells the delay only: how loud the"
        " loudspeaker plays what the interface makes at multiples of a tone is not known from"
        " tones, and its THD may hold that. A ladder's does not."
    )


def _softer(short_db: float) -> str:
    return (
        f"The microphone's channel is up to {short_db:.0f} dB louder than the loop-back's ever is:"
        " what its input distorts at such levels the loop-back does not show. Turn the loop-back's"
        " input up, or the microphone's down."
    )


def _flight_time(way: str, delay_ms: float, heard_m: float, noted_m: float) -> str:
    heard = f"The microphone hears the loop-back {delay_ms:.2f} ms late"
    if way == "short":
        return (
            f"{heard}, in which sound goes {heard_m:.2f} m, less than the {noted_m:g} m noted: is"
            " distance_m right?"
        )
    return (
        f"{heard}, in which sound goes {heard_m:.2f} m, more than the {noted_m:g} m noted: either"
        " distance_m is wrong, or the loudspeaker's electronics (digital ones above all) delay it"
        " by the rest, which nothing here can tell apart."
    )


SENTENCES: dict[str, Callable[..., str]] = {
    "flight_time": _flight_time,
    "loopback_clipped": _clipped,
    "loopback_softer": _softer,
    "loopback_staircase": _staircase,
    "loopback_unused": _unused,
}
"""By a warning's code: its sentence, given the reason's values."""
