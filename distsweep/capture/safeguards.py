"""The safeguards: ceiling, confirmation, and the licence without which nothing may sound.

A ``Licence`` is made here and nowhere else: by ``probe_licence``, whose limits are fixed, and
by ``ask_licence``, which has made sure that a person knows what is coming.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import InitVar, dataclass
from typing import Protocol

from distsweep.capture.exposure import NIOSH, Dose
from distsweep.errors import SafetyRefusal

ASK_ABOVE_SPL_DB = 85.0
"""Above this at the microphone or the listener, the tester confirms first (issue: capture;
it is also NIOSH's criterion level)."""

DEFAULT_CEILING_SPL_DB = 100.0
ASK_CEILING_ABOVE_SPL_DB = 110.0
"""A ceiling above this is confirmed on its own."""

HIGHEST_CEILING_SPL_DB = 130.0
"""No ceiling above this is taken at all (chosen: 10 dB below what NIOSH forbids for any time)."""

WORST_SPL_AT_0DBFS_DB = 130.0
"""What a full-scale sine is taken to give at the microphone as long as nothing is known
(chosen: more than any loudspeaker that one person carries gives at a metre)."""

PROBE_SPL_DB = 70.0
PROBE_DBFS = -40.0
"""A probe is never louder than either: by prediction, and as drive (issue: capture)."""

CAUTIONS = (
    "Everybody in the room wears hearing protection, or leaves it; so do pets.",
    "Levels are those at the microphone; close to the loudspeaker it is louder.",
    "A sweep held loud heats a tweeter's voice coil and drives a woofer to its stops: stop at"
    " any new sound. Ctrl-C fades out at once.",
    "Mains: never lift a protective earth to cure hum; use balanced lines or an isolating"
    " transformer, and leave mains work to licensed people; local rules come first.",
)
"""Shown before anything above 85 dB SPL."""

_SEAL = object()


class Asker(Protocol):
    """The person in front of the screen, or what the command line says in their place."""

    accept_level_spl_db: float | None
    accept_ceiling_spl_db: float | None

    def is_terminal(self) -> bool:
        """Tell whether somebody can type."""
        ...

    def tell(self, text: str) -> None:
        """Show a line."""
        ...

    def typed(self, prompt: str) -> str:
        """Return what is typed; nothing at the end of the input."""
        ...


@dataclass(frozen=True)
class Licence:
    """Leave to play sines up to ``limit_dbfs``, and how it was come by.

    Attributes
    ----------
    limit_dbfs : peak of the largest sample that may leave, re full scale.
    highest_spl_db : what that gives at the microphone or the listener, by prediction.
    how : "probe", "quiet", "typed" or "--accept-level".
    """

    limit_dbfs: float
    highest_spl_db: float
    how: str
    seal: InitVar[object] = None

    def __post_init__(self, seal: object) -> None:
        """Refuse to be made outside this module, or with a limit that limits nothing."""
        if seal is not _SEAL:
            raise SafetyRefusal("a licence to play is given by the safeguards only")
        if not (math.isfinite(self.limit_dbfs) and self.limit_dbfs <= 0.0):
            raise SafetyRefusal(
                f"the limit is {self.limit_dbfs:g} dBFS: must be a number, 0 dBFS or less"
            )


@dataclass(frozen=True)
class SplCeiling:
    """The level that nothing may pass by prediction, dB SPL; made by ``settle_ceiling``."""

    spl_db: float
    seal: InitVar[object] = None

    def __post_init__(self, seal: object) -> None:
        """Refuse to be made outside this module."""
        if seal is not _SEAL:
            raise SafetyRefusal("a ceiling is settled by the safeguards only")


@dataclass(frozen=True)
class Announcement:
    """What is about to sound, as the tester is told before it does.

    Attributes
    ----------
    highest_spl_db : the loudest moment at the microphone, by prediction (or worst case).
    listener_offset_db : level at the listener minus that at the microphone.
    drive_dbfs : drive of the loudest rung.
    seconds : how long all rungs take.
    rungs : a line for each.
    doses : at the listener's place, this plan and what the session holds already.
    calibrated : False where ``highest_spl_db`` is only the worst case.
    """

    highest_spl_db: float
    listener_offset_db: float
    drive_dbfs: float
    seconds: float
    rungs: Sequence[str]
    doses: Sequence[Dose]
    calibrated: bool

    @property
    def highest_anywhere_spl_db(self) -> float:
        """The loudest moment at the microphone or at the listener, whichever is louder."""
        return self.highest_spl_db + max(0.0, self.listener_offset_db)


def settle_ceiling(ceiling_spl_db: float, asker: Asker) -> SplCeiling:
    """Take a ceiling; above 110 dB SPL only after it was confirmed by itself.

    Raises
    ------
    SafetyRefusal
        It is not a number, too high, or not confirmed.
    """
    if not (math.isfinite(ceiling_spl_db) and ceiling_spl_db <= HIGHEST_CEILING_SPL_DB):
        raise SafetyRefusal(
            f"ceiling is {ceiling_spl_db:g} dB SPL: must be {HIGHEST_CEILING_SPL_DB:g} or less"
        )
    if ceiling_spl_db > ASK_CEILING_ABOVE_SPL_DB:
        asker.tell(
            f"A ceiling of {ceiling_spl_db:g} dB SPL is above {ASK_CEILING_ABOVE_SPL_DB:g}: by"
            f" NIOSH, {60.0 * NIOSH.allowed_minutes(ceiling_spl_db):.0f} s of it are a whole"
            " day's dose. Such levels are for empty rooms and remote operation."
        )
        _confirm(
            ceiling_spl_db,
            asker,
            accepted_db=asker.accept_ceiling_spl_db,
            exact=True,
            before_probe=True,
            what="ceiling",
            option="--accept-ceiling",
        )
    return SplCeiling(ceiling_spl_db, seal=_SEAL)


def probe_licence(drive_dbfs: float, *, spl_at_0dbfs_db: float | None) -> Licence:
    """Give leave for a probe at a drive, if it stays under both of a probe's limits.

    Parameters
    ----------
    spl_at_0dbfs_db : what quieter probes have shown of the loudest frequency; None when
        nothing is known, and for a microphone that is not calibrated.

    Raises
    ------
    SafetyRefusal
        The drive would be too high.
    """
    worst_db = WORST_SPL_AT_0DBFS_DB if spl_at_0dbfs_db is None else spl_at_0dbfs_db
    quiet = spl_at_0dbfs_db is None or worst_db + drive_dbfs <= PROBE_SPL_DB + 1e-9
    if not (drive_dbfs <= PROBE_DBFS and quiet):  # so written, NaN is refused as well
        raise SafetyRefusal(
            f"a probe at {drive_dbfs:g} dBFS would be louder than {PROBE_SPL_DB:g} dB SPL or"
            f" {PROBE_DBFS:g} dBFS: turn the loudspeaker's volume down"
        )
    return Licence(drive_dbfs, worst_db + drive_dbfs, "probe", seal=_SEAL)


def ask_licence(announcement: Announcement, ceiling: SplCeiling, asker: Asker) -> Licence:
    """Give leave for a plan: at once if it is quiet, otherwise when it was confirmed.

    The licence reaches to the plan's own highest level, whatever number was accepted.

    Raises
    ------
    SafetyRefusal
        The plan passes the ceiling, or nobody confirmed it.
    """
    highest_db = announcement.highest_anywhere_spl_db
    check_ceiling(highest_db, ceiling, calibrated=announcement.calibrated)
    if highest_db <= ASK_ABOVE_SPL_DB:
        how = "quiet"
    else:
        for line in announcement_lines(announcement):
            asker.tell(line)
        how = _confirm(
            math.ceil(highest_db - 1e-9),
            asker,
            accepted_db=asker.accept_level_spl_db,
            exact=False,
            before_probe=False,
            what="level",
            option="--accept-level",
        )
    return Licence(announcement.drive_dbfs, highest_db, how, seal=_SEAL)


def check_ceiling(highest_spl_db: float, ceiling: SplCeiling, *, calibrated: bool = True) -> None:
    """Refuse what would pass the ceiling.

    Raises
    ------
    SafetyRefusal
        It would, or the level is not a number.
    """
    if highest_spl_db <= ceiling.spl_db + 1e-9:
        return
    if calibrated:
        raise SafetyRefusal(
            f"the loudest moment would reach {highest_spl_db:.1f} dB SPL, the ceiling is"
            f" {ceiling.spl_db:g}: ask for lower levels"
        )
    raise SafetyRefusal(
        f"without a calibration full scale is taken as {WORST_SPL_AT_0DBFS_DB:g} dB SPL, and"
        f" these levels as up to {highest_spl_db:.1f}, above the ceiling of {ceiling.spl_db:g}:"
        " calibrate (a data sheet's mV/Pa is enough), or lower the levels"
    )


def announcement_lines(announcement: Announcement) -> list[str]:
    """Return what the tester is told before anything above 85 dB SPL, line by line."""
    highest_db = announcement.highest_spl_db
    listener_db = highest_db + announcement.listener_offset_db
    known = "by the probe" if announcement.calibrated else "AT WORST: nothing is calibrated"
    return [
        "",
        f"What will sound: {len(announcement.rungs)} sweeps, {announcement.seconds:.0f} s in all.",
        *(f"  {line}" for line in announcement.rungs),
        f"Loudest moment: {highest_db:.1f} dB SPL at the microphone, {listener_db:.1f} at the"
        f" listener ({known}).",
        "Dose at the listener's place, this plan and the session so far, unprotected:",
        *(
            f"  {dose.regime.name}: {dose.percent:.3g} % of a day ({dose.regime.source})"
            for dose in announcement.doses
        ),
        *(f"! {line}" for line in CAUTIONS),
    ]


def _confirm(
    shown_db: float,
    asker: Asker,
    *,
    accepted_db: float | None,
    exact: bool,
    before_probe: bool,
    what: str,
    option: str,
) -> str:
    """Have a number typed on a terminal; without one, find it on the command line."""
    if not asker.is_terminal():
        enough = accepted_db is not None and math.isfinite(accepted_db)
        if enough and accepted_db is not None:
            enough = accepted_db == shown_db if exact else accepted_db >= shown_db
        if not enough:
            raise SafetyRefusal(
                f"a {what} of {shown_db:g} dB SPL has to be confirmed, and nobody can type here:"
                f" say {option} {shown_db:g} if you know what will sound"
            )
        return option
    answer = asker.typed(f"Type {shown_db:g} to go on with this {what}, anything else to stop: ")
    try:
        typed_db = float(answer.strip())
    except ValueError:
        typed_db = math.nan
    if typed_db != shown_db:
        played = (
            "nothing was played" if before_probe else "nothing louder than the probe was played"
        )
        raise SafetyRefusal(f"the {what} of {shown_db:g} dB SPL was not confirmed: {played}")
    return "typed"
