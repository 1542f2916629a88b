"""What is about to sound, and the lines that say so to the tester beforehand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from distsweep.capture.exposure import Dose

PROBES_ONLY = "nothing louder than a probe was played"

CAUTIONS = (
    "Everybody in the room wears hearing protection, or leaves it; so do pets.",
    "Levels are those at the microphone; close to the loudspeaker it is louder.",
    "A sweep held loud heats a tweeter's voice coil and drives a woofer to its stops: stop at"
    " any new sound. Ctrl-C fades out at once.",
    "Mains: never lift a protective earth to cure hum; use balanced lines or an isolating"
    " transformer, and leave mains work to licensed people; local rules come first.",
)
"""Shown before anything above 70 dB SPL."""


@dataclass(frozen=True)
class Announcement:
    """What is about to sound, as the tester is told before it does.

    Attributes
    ----------
    nominal_spl_db : the loudest moment at the microphone by the calibration; None without one.
    worst_spl_db : the same at worst.
    listener_offset_db : level at the listener minus that at the microphone.
    drives_dbfs : of every rung or burst, in order.
    seconds : how long all of it takes, from the first sample to the last verdict.
    probe_s : how long the probe takes that is played again after an answer.
    lines : what will sound, a line for each rung or tone.
    doses : at the listener's place, this plan and what the session holds already.
    origin : what the levels rest on, such as "by a calibrator's tone".
    played : what was played at most so far, for words of refusal.
    calibrated_gain : where the gain stood at the calibration, if that was noted.
    gain_said : where it stands now was said on the command line, and agrees.
    latency : a sentence on how long sound goes on after a stop; None where it is 50 ms or less.
    """

    nominal_spl_db: float | None
    worst_spl_db: float
    listener_offset_db: float
    drives_dbfs: Sequence[float]
    seconds: float
    lines: Sequence[str]
    doses: Sequence[Dose]
    origin: str
    calibrated_gain: str | None = None
    gain_said: bool = False
    latency: str | None = None
    played: str = PROBES_ONLY
    probe_s: float = 0.0

    @property
    def worst_anywhere_spl_db(self) -> float:
        """The loudest moment at the microphone or at the listener, whichever is louder."""
        return self.worst_spl_db + max(0.0, self.listener_offset_db)


def announcement_lines(planned: Announcement) -> list[str]:
    """Return what the tester is told before anything that is asked about, line by line."""
    listener_db = planned.worst_spl_db + planned.listener_offset_db
    nominal = "" if planned.nominal_spl_db is None else f"{planned.nominal_spl_db:.1f} dB SPL, "
    return [
        "",
        f"What will sound, {planned.seconds + planned.probe_s:.0f} s in all, a last probe and"
        " verdicts included, your answers not:",
        *(f"  {line}" for line in planned.lines),
        f"Loudest moment at the microphone: {nominal}at worst {planned.worst_spl_db:.1f} dB SPL"
        f" ({planned.origin}); at the listener at worst {listener_db:.1f}.",
        "Dose at the listener's place, this plan and the session so far, unprotected, at worst:",
        *(
            f"  {dose.regime.name}: {dose.percent:.3g} % of a day ({dose.regime.source})"
            for dose in planned.doses
        ),
        *(f"! {line}" for line in CAUTIONS),
        *([] if planned.latency is None else [f"! {planned.latency}"]),
    ]
