"""Sentences of what is improbable in a session or a recording, from codes and values."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from distsweep import plausible
from distsweep.words.wording import (
    as_given,
    clock_time,
    listed,
    listing,
    signed,
    with_sign,
    with_unit,
)


def _improbable_temperature(temperature_c: float) -> str:
    return _improbable("temperature_c", temperature_c, "°C", plausible.temperature_hint)


def _improbable_distance(distance_m: float) -> str:
    return _improbable("distance_m", distance_m, "m", plausible.distance_hint)


def _improbable_listener_distance(distance_m: float) -> str:
    return _improbable("listener_distance_m", distance_m, "m", plausible.distance_hint)


def _improbable(key: str, value: float, unit: str, hint: Callable[[float], str]) -> str:
    meant = hint(value) or "is it right?"
    return f"{key} is {as_given(value)} {unit}, which is improbable: {meant}"


def _improbable_cabinet(cabinet_mm: Sequence[float], litres: float, small: bool) -> str:
    sizes = listing(cabinet_mm, " by ")
    if small:
        return (
            f"A cabinet of {sizes} mm holds {litres:.2g} litres: are these centimetres?"
            f"{plausible.lengths_in_mm(*cabinet_mm)}"
        )
    return f"A cabinet of {sizes} mm is improbable: is it in mm?"


def _improbable_port(side: str, length_mm: float) -> str:
    return f"A port's {side} of {as_given(length_mm)} mm is improbable: is it in mm?"


def _improbable_correction(largest_db: float, at_hz: float, usual_db: float) -> str:
    return (
        f"The microphone's correction is {with_sign(largest_db)} dB at {at_hz:.0f} Hz: a"
        f" measurement microphone deviates by {usual_db:g} dB at most. Is it the right file, and"
        " in dB?"
    )


def _improbable_full_scale(
    pascal_per_fs: float, full_scale_db: float, low_db: float, high_db: float, take: str | None
) -> str:
    return (
        f"By the calibration ({pascal_per_fs:g} Pa) the input's full scale is"
        f" {signed(full_scale_db, 0)} dB SPL; with a microphone it lies between {low_db:g} and"
        f" {high_db:g}: every level may be wrong. Is it the RMS pressure of a 0 dBFS sine, in Pa?"
    )


def _improbable_background(level_dba: float, least_dba: float) -> str:
    return (
        f"The background is {signed(level_dba, 0)} dB(A), less than a microphone's own noise"
        f" ({signed(least_dba, 0)} dB(A) in this band): every level may be wrong. Is the"
        " calibration this input's, or did a noise gate work on it?"
    )


def _correction_cut(low_hz: float, high_hz: float, band_hz: Sequence[float]) -> str:
    return (
        f"The microphone's correction holds {low_hz:g} to {high_hz:g} Hz of a measured band of"
        f" {band_hz[0]:g} to {band_hz[1]:g} Hz: beyond its ends their values were used."
    )


def _level_band_outside(level_band_hz: Sequence[float], measured_hz: Sequence[float]) -> str:
    return (
        f"No frequency in the level band, {listing(level_band_hz, ' to ')} Hz, was measured"
        f" ({measured_hz[0]:.4g} to {measured_hz[1]:.4g} Hz was): no rung's level in dB SPL is"
        " stated. Change level_band_hz if they are to be."
    )


def _level_band_cut(level_band_hz: Sequence[float], measured_hz: Sequence[float]) -> str:
    low_hz = max(measured_hz[0], level_band_hz[0])
    high_hz = min(measured_hz[1], level_band_hz[1])
    return (
        f"Of the level band, {listing(level_band_hz, ' to ')} Hz, only {low_hz:.4g} to"
        f" {high_hz:.4g} Hz was measured: a rung's level is the mean over that."
    )


def _other_channel(recordings: Sequence[str], channel: int) -> str:
    return (
        f"{listed(recordings)}: channel 1 is silent or does not hold the stimulus; channel"
        f" {channel} holds it and was taken."
    )


def _several_runs(recording: str, starts_s: Sequence[float], analysed: str) -> str:
    """Say where the runs are, and which were taken: "first" or "all"."""
    taken = {
        "first": "The first was taken; number = 2 in the take's table would take the second.",
        "all": "Each is a take of its own.",
    }
    return (
        f"{recording} holds the stimulus {len(starts_s)} times, from"
        f" {listed([clock_time(start) for start in starts_s])}. {taken[analysed]}"
    )


def _run_left_out(run: str, reason: str) -> str:
    return f"{run} could not be analysed and was left out: {reason}"


def _stated_uncalibrated(levels_spl_db: Sequence[float]) -> str:
    return (
        f"THD at {_levels(levels_spl_db)} dB SPL cannot be stated: no take is calibrated. Add the"
        " calibration, or take levels_spl out of session.toml."
    )


def _level_not_played(levels_spl_db: Sequence[float], least_share: float) -> str:
    share = with_unit(f"{100.0 * least_share:.0f}", "%")
    return (
        f"No take reaches from below to above {_levels(levels_spl_db)} dB SPL, in the level band or"
        f" at {share} of the frequencies: THD there is not stated. Play such levels, or take"
        " them out of levels_spl."
    )


def _levels(levels_spl_db: Sequence[float]) -> str:
    return listed([as_given(level) for level in levels_spl_db])


SENTENCES: dict[str, Callable[..., str]] = {
    "correction_cut": _correction_cut,
    "improbable_background": _improbable_background,
    "improbable_cabinet": _improbable_cabinet,
    "improbable_correction": _improbable_correction,
    "improbable_distance": _improbable_distance,
    "improbable_full_scale": _improbable_full_scale,
    "improbable_listener_distance": _improbable_listener_distance,
    "improbable_port": _improbable_port,
    "improbable_temperature": _improbable_temperature,
    "level_band_cut": _level_band_cut,
    "level_band_outside": _level_band_outside,
    "level_not_played": _level_not_played,
    "other_channel": _other_channel,
    "run_left_out": _run_left_out,
    "several_runs": _several_runs,
    "stated_uncalibrated": _stated_uncalibrated,
}
"""By a warning's code: its sentence, given the reason's values."""
