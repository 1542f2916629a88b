"""Sentences of warnings: what the reader of the numbers must know, from codes and values.

`SENTENCES` has one function a code; its keyword arguments are the values of the `Reason`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from distsweep.reason import Reason
from distsweep.units import ratio_to_db
from distsweep.words import background, doubts, loopback, placements
from distsweep.words.wording import as_given, clock_time, listed, listing, signed, with_sign


def warning_sentence(reason: Reason) -> str:
    """Return a warning's sentence.

    Raises
    ------
    KeyError
        Nothing is warned of by this code.
    """
    return SENTENCES[reason.code](**reason.values)


def marker_heard(stretch: str, *, change_db: float, cause: str, where: str = "") -> str:
    """Say that a gain moved while something was played, without capital and full stop.

    Parameters
    ----------
    stretch : what was played between the two markers.
    change_db : level of the marker after it re the one before.
    cause : see `MarkerChange.cause`.
    where : where in the stretch the step was seen, in brackets, after a blank.
    """
    causes = {
        "input": "so is the background, so the gain at the input was moved",
        "gain": "the gain at the input, or the loudspeaker's volume, was moved",
        "gain_or_heat": (
            "the gain at the input, or the loudspeaker's volume, was moved, or its voice coil is"
            " hot"
        ),
    }
    return (
        f"the marker after {stretch} is heard {abs(change_db):.1f} dB"
        f" {'louder' if change_db > 0.0 else 'softer'} than the one before it{where}:"
        f" {causes[cause]}"
    )


def _uncalibrated(whole_session: bool) -> str:
    if whole_session:
        return "No calibration was given: every level is in dBFS."
    return "No calibration was given for this take: its levels are in dBFS."


def _incomplete(what: str, recording: str = "", **values: Any) -> str:
    if what == "marker":
        text = _one_marker(**values)
    elif what == "rung":
        text = _no_rung(**values)
    else:
        text = _bursts(what, **values)
    return f"{recording}: {text}." if recording else f"{text}."


def _one_marker(marker: str, drift_from: str) -> str:
    drift = {
        "nothing": "is not known and taken as none",
        "tones": "was taken from the tones",
        "loopback": "was taken from the loop-back",
    }
    return f"only the {marker} marker was found: the clock drift {drift[drift_from]}"


def _no_rung(drive_dbfs: float, role: str) -> str:
    return f"the rung at {as_given(drive_dbfs)} dBFS ({role}) is not complete and was left out"


def _bursts(
    what: str,
    tone_hz: float,
    up_dbfs: Sequence[float],
    down_dbfs: Sequence[float],
    lost_up: Sequence[int],
    lost_down: Sequence[int],
) -> str:
    """Name a tone's bursts that are lost, by their place among all that were to be played."""
    lost, played = len(lost_up) + len(lost_down), len(up_dbfs) + len(down_dbfs)
    runs = ", ".join(_runs(up_dbfs, lost_up, "up") + _runs(down_dbfs, lost_down, "down"))
    if what == "not_listed":
        return f"the sidecar lists no burst at {tone_hz:g} Hz for {runs}, which its recipe asks for"
    if lost == played:
        return f"no burst at {tone_hz:g} Hz was recorded"
    return f"at {tone_hz:g} Hz {lost} of {played} bursts were not recorded and are left out: {runs}"


def _runs(levels_dbfs: Sequence[float], places: Sequence[int], direction: str) -> list[str]:
    """Write levels as runs of neighbours among all played: "−18 to −4 dBFS up"."""
    runs: list[list[int]] = []
    for place in places:
        if runs and runs[-1][-1] == place - 1:
            runs[-1].append(place)
        else:
            runs.append([place])
    ends = [[levels_dbfs[place] for place in sorted({run[0], run[-1]})] for run in runs]
    return [f"{listing(run, ' to ')} dBFS {direction}" for run in ends]


def _clock_drift(drift_ppm: float, clocks_ppm: float, one_sweep: bool) -> str:
    if abs(drift_ppm) <= clocks_ppm:
        return (
            f"Player and recorder ran on different clocks, {with_sign(drift_ppm)} ppm apart;"
            " this was taken out."
        )
    unsure = ", or samples were lost: one sweep cannot tell" if one_sweep else ""
    return (
        f"The recording runs {abs(drift_ppm):.0f} ppm"
        f" {'slower' if drift_ppm > 0.0 else 'faster'} than what was to be played, more"
        f" than two clocks differ ({clocks_ppm:.0f} ppm): a player or a recorder ran at"
        f" another speed{unsure}. It was taken out; every frequency stated is the one that"
        " was to be played."
    )


def _one_sweep(recording: str) -> str:
    return (
        f"{recording} holds one sweep, and no markers: whether player and recorder ran on different"
        " clocks is not known, and was not taken out."
    )


def _other_sweeps(recording: str, starts_s: Sequence[float]) -> str:
    return (
        f"{recording} holds the sweep again at {listed([clock_time(start) for start in starts_s])},"
        " which is not where the sound file has it: another run, of which the strongest was taken."
        " Give each run in a file of its own."
    )


def _recorded_band(rate_hz: int, high_hz: float, played_hz: float) -> str:
    return (
        f"The recording's rate of {rate_hz} Hz holds frequencies up to {high_hz:.0f} Hz: what lies"
        f" above, up to {played_hz:g} Hz, was not recorded, neither as fundamental nor as harmonic."
    )


def _no_background() -> str:
    return (
        "The silence before the first rung was not recorded: floors are not known, and nothing can"
        " be called reliable."
    )


def _near_full_scale(recording: str, peak: float) -> str:
    return (
        f"{recording} peaks at {signed(float(ratio_to_db(peak)), 2)} dBFS: whether something"
        " before the recorder clipped cannot be told. Lower the input gain."
    )


def _coarse_steps(drives_dbfs: Sequence[float], steps: int) -> str:
    return (
        f"The rungs at {listing(drives_dbfs)} dBFS are few of the recording's own steps high"
        f" ({steps} at the least), and its silence holds less noise than one step: what rounding"
        " adds there looks like distortion, and no interval counts it. Record in 24 bits, or raise"
        " the input gain."
    )


def _clipped(
    drives_dbfs: Sequence[float], rung: int | None = None, frequency_hz: float | None = None
) -> str:
    if frequency_hz is None:
        return (
            f"The recording clips in the rung at {listing(drives_dbfs)} dBFS: what was clipped is"
            " not called reliable. Lower the input gain."
        )
    return (
        f"At {frequency_hz:g} Hz the recording clipped in the bursts at {listing(drives_dbfs)}"
        " dBFS: nothing of them counts."
    )


def _no_reference(frequency_hz: float | None = None, reliable: int = 0, levels: int = 0) -> str:
    if frequency_hz is None:
        return (
            "No rung is known to stand clear of the background noise: gain change cannot be stated."
        )
    stand = "stands" if reliable == 1 else "stand"
    return (
        f"At {frequency_hz:g} Hz {reliable} of {levels} levels {stand} clear of the background"
        " noise: gain change cannot be stated."
    )


def _one_rung(frequency_hz: float | None = None) -> str:
    if frequency_hz is None:
        return "There is one rung only: gain change cannot be stated."
    return (
        f"At {frequency_hz:g} Hz there is one level only: a gain change takes two, so no"
        " compression can be stated."
    )


def _burst_missing(
    frequency_hz: float, drives_dbfs: Sequence[float], directions: Sequence[str]
) -> str:
    named = ", ".join(
        f"{as_given(drive)} dBFS {way}" for drive, way in zip(drives_dbfs, directions, strict=True)
    )
    return (
        f"At {frequency_hz:g} Hz {len(drives_dbfs)} burst(s) do not hold the tone throughout (did"
        f" the recording drop out?) and are left out: {named}."
    )


def _gain_rises(drive_dbfs: float, rise_db: float, rung: int) -> str:
    return (
        f"The gain at {as_given(drive_dbfs)} dBFS is {rise_db:.1f} dB above the reference rung's:"
        " were the levels changed by hand, or is this another stimulus's sidecar?"
    )


def _output_falls(drive_dbfs: float, quieter_dbfs: float, fall_db: float, rung: int) -> str:
    return (
        f"The output at {as_given(drive_dbfs)} dBFS is {fall_db:.1f} dB below that at"
        f" {as_given(quieter_dbfs)} dBFS: are the recordings in the levels' order?"
    )


def _not_come_back(change_db: float) -> str:
    return (
        f"The repeated first rung differs from the first by {with_sign(change_db, 2)} dB: the"
        " loudspeaker is hot or hurt, or the gain was touched."
    )


def _gain_moved(
    stretch: str,
    recording: str,
    change_db: float,
    cause: str,
    rung: int | None = None,
    drive_dbfs: float = 0.0,
    step_hz: float | None = None,
    step_dbfs: float | None = None,
) -> str:
    stretches = {
        "rung": f"the rung at {as_given(drive_dbfs)} dBFS",
        "return": "the repeated first rung",
        "all_rungs": f"all rungs of {recording}",
        "bursts": f"the bursts of {recording}",
    }
    where = ""
    if step_hz is not None and step_dbfs is not None:
        of_rung = "" if stretch == "rung" else f" of {as_given(step_dbfs)} dBFS"
        where = f" (the step is seen at {step_hz:.0f} Hz{of_rung})"
    text = marker_heard(stretches[stretch], change_db=change_db, cause=cause, where=where)
    return f"{text[0].upper()}{text[1:]}."


def _pass_left_out(drive_dbfs: float, number: int, passes: int, rung: int | None = None) -> str:
    what = f"the rung at {as_given(drive_dbfs)} dBFS"
    if rung is None:
        what = "the repeated first rung"
    return (
        f"Pass {number} of {passes} of {what} is unlike the others (a knock, a gain that was"
        f" moved, samples that were lost?) and is left out: what is stated is the mean of the other"
        f" {passes - 1}."
    )


def _passes_differ(drive_dbfs: float, passes: int, rung: int | None = None) -> str:
    what = f"the rung at {as_given(drive_dbfs)} dBFS"
    if rung is None:
        what = "the repeated first rung"
    return (
        f"The {passes} passes of {what} that are averaged differ by more than the noise (a knock, a"
        " gain that was moved, samples that were lost?), which widens the intervals there. Measure"
        " again; of three repeats or more, one that is unlike the others is left out."
    )


def _silent_rungs(recordings: Sequence[str], drives_dbfs: Sequence[float]) -> str:
    parts = []
    for name in dict.fromkeys(recordings):
        pairs = zip(recordings, drives_dbfs, strict=True)
        drives = [drive for other, drive in pairs if other == name]
        rungs = "rung" if len(drives) == 1 else "rungs"
        parts.append(
            f"{name} is silent where this stimulus has its {rungs} at {listing(drives)} dBFS"
        )
    question = "did the loudspeaker mute itself, or was another stimulus played?"
    return f"{'; '.join(parts)}, while others are clear: {question}"


SENTENCES: dict[str, Callable[..., str]] = {
    **doubts.SENTENCES,
    **background.SENTENCES,
    **loopback.SENTENCES,
    **placements.SENTENCES,
    "burst_missing": _burst_missing,
    "clipped": _clipped,
    "clock_drift": _clock_drift,
    "coarse_steps": _coarse_steps,
    "gain_moved": _gain_moved,
    "gain_rises": _gain_rises,
    "incomplete": _incomplete,
    "near_full_scale": _near_full_scale,
    "no_background": _no_background,
    "no_reference": _no_reference,
    "not_come_back": _not_come_back,
    "one_rung": _one_rung,
    "one_sweep": _one_sweep,
    "other_sweeps": _other_sweeps,
    "output_falls": _output_falls,
    "pass_left_out": _pass_left_out,
    "passes_differ": _passes_differ,
    "recorded_band": _recorded_band,
    "silent_rungs": _silent_rungs,
    "uncalibrated": _uncalibrated,
}
"""By a warning's code, as in ``results.json``: its sentence, given the reason's values."""
