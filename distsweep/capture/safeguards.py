"""The safeguards: ceiling, confirmation, and the licence without which nothing may sound.

A ``Licence`` is made here and nowhere else: by ``probe_licence``, whose limits are fixed, and
by ``ask_licence``, which has made sure that a person knows what is coming.
"""

from __future__ import annotations

import math
from dataclasses import InitVar, dataclass

from distsweep.capture.announcement import PROBES_ONLY, Announcement, announcement_lines
from distsweep.capture.asker import Asker, is_yes
from distsweep.capture.calibration import words_of
from distsweep.capture.exposure import NIOSH
from distsweep.errors import SafetyRefusal
from distsweep.words.wording import as_given

ASK_ABOVE_SPL_DB = 85.0
"""Above this at the microphone or the listener, at worst, the tester types the level first
(it is also NIOSH's criterion level)."""

VOUCH_ABOVE_SPL_DB = 70.0
"""Above this, at worst, the tester says where the gain stands and that the probe was no louder
than speech (chosen: raised speech at a metre; some errors only an ear can tell)."""

SPARE_DB = 0.5
"""The number that is typed lies at least this above the prediction (chosen: predictions by one
probe and the next differ by as much)."""

DEFAULT_CEILING_SPL_DB = 100.0
ASK_CEILING_ABOVE_SPL_DB = 110.0
"""A ceiling above this is confirmed on its own (chosen)."""

HIGHEST_CEILING_SPL_DB = 130.0
"""No ceiling above this is taken at all (chosen: 10 dB below what NIOSH forbids for any time)."""

PROBE_SPL_DB = 70.0
PROBE_DBFS = -40.0
"""A probe exceeds neither: the first is its level at worst, the second its drive (chosen)."""

_SEAL = object()


@dataclass(frozen=True)
class Licence:
    """Leave to play sines up to ``limit_dbfs``, and how it was obtained.

    Attributes
    ----------
    limit_dbfs : peak of the largest sample that may leave, re full scale.
    spl_limit_db : level at the microphone or the listener that nothing may pass, at worst: what
        was confirmed, or may sound without a question.
    how : "probe", "quiet", "vouched", "typed" or "--accept-level".
    """

    limit_dbfs: float
    spl_limit_db: float
    how: str
    seal: InitVar[object] = None

    def __post_init__(self, seal: object) -> None:
        """Refuse to be made outside this module, or with a limit that limits nothing."""
        if seal is not _SEAL:
            raise SafetyRefusal("a licence to play is given by the safeguards only")
        if not (math.isfinite(self.limit_dbfs) and self.limit_dbfs <= 0.0):
            raise SafetyRefusal(
                f"the limit is {as_given(self.limit_dbfs)} dBFS: must be a number, 0 dBFS or less"
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
        if asker.is_terminal():
            _type_number(
                ceiling_spl_db,
                asker,
                what="ceiling",
                allowed="may be asked for then",
                played="nothing was played",
            )
        elif asker.accept_ceiling_spl_db != ceiling_spl_db:
            raise SafetyRefusal(_unconfirmed("ceiling", ceiling_spl_db, "--accept-ceiling"))
    return SplCeiling(ceiling_spl_db, seal=_SEAL)


def probe_limit_spl_db(ceiling: SplCeiling, *, vouched: bool = False) -> float:
    """Return the level that a probe may reach at worst; more once somebody has vouched for it."""
    return min(ASK_ABOVE_SPL_DB if vouched else PROBE_SPL_DB, ceiling.spl_db)


def probe_licence(
    drive_dbfs: float, *, worst_spl_db: float, ceiling: SplCeiling, vouched: bool = False
) -> Licence:
    """Give leave for a probe at a drive, if it stays under all of a probe's limits.

    Parameters
    ----------
    worst_spl_db : the level that the drive gives at worst, by what quieter probes have shown.
    vouched : ``vouch`` has said yes.

    Raises
    ------
    SafetyRefusal
        The drive would be too high.
    """
    limit_db = probe_limit_spl_db(ceiling, vouched=vouched)
    # So written, NaN is refused as well.
    if not (drive_dbfs <= PROBE_DBFS and worst_spl_db <= limit_db + 1e-6):
        raise SafetyRefusal(
            f"a probe at {as_given(drive_dbfs)} dBFS could be louder than {limit_db:g} dB SPL or"
            f" {as_given(PROBE_DBFS)} dBFS: turn the loudspeaker's volume down"
        )
    return Licence(drive_dbfs, limit_db, "probe", seal=_SEAL)


def ask_licence(
    announcement: Announcement,
    ceiling: SplCeiling,
    asker: Asker,
    *,
    former: Licence | None = None,
) -> tuple[Licence, bool]:
    """Give leave for a plan: at once if it is quiet, otherwise when it was confirmed.

    Parameters
    ----------
    former : a licence of this capture; up to its level nothing is asked again.

    Returns
    -------
    The licence, and whether somebody was waited for.

    Raises
    ------
    SafetyRefusal
        The plan passes the ceiling, or nobody confirmed it.
    """
    worst_db = announcement.worst_anywhere_spl_db
    check_ceiling(worst_db, ceiling, origin=announcement.origin)
    drive_dbfs = max(announcement.drives_dbfs)
    if former is not None and worst_db <= former.spl_limit_db + 1e-9:
        return Licence(drive_dbfs, former.spl_limit_db, former.how, seal=_SEAL), False
    if worst_db <= VOUCH_ABOVE_SPL_DB:
        limit_db = min(VOUCH_ABOVE_SPL_DB, ceiling.spl_db)
        return Licence(drive_dbfs, limit_db, "quiet", seal=_SEAL), False
    needed_db = float(math.ceil(worst_db + SPARE_DB - 1e-9))
    if not asker.is_terminal():
        if not _enough(asker.accept_level_spl_db, needed_db):
            raise SafetyRefusal(_unconfirmed("level", needed_db, "--accept-level"))
        limit_db = min(needed_db, ceiling.spl_db)
        return Licence(drive_dbfs, limit_db, "--accept-level", seal=_SEAL), False
    for line in announcement_lines(announcement):
        asker.tell(line)
    if former is None or former.how == "quiet":
        vouch(
            asker,
            calibrated_gain=announcement.calibrated_gain,
            gain_said=announcement.gain_said,
            played=announcement.played,
        )
    limit_db, how = ASK_ABOVE_SPL_DB, "vouched"
    if worst_db > ASK_ABOVE_SPL_DB:
        _type_number(needed_db, asker, what="level", played=announcement.played)
        limit_db, how = needed_db, "typed"
    return Licence(drive_dbfs, min(limit_db, ceiling.spl_db), how, seal=_SEAL), True


def vouch(
    asker: Asker, *, calibrated_gain: str | None, gain_said: bool, played: str = PROBES_ONLY
) -> None:
    """Have it confirmed where the gain stands, and that the probe was no louder than speech.

    Parameters
    ----------
    calibrated_gain, gain_said, played : see ``Announcement``.

    Raises
    ------
    SafetyRefusal
        The gain stands elsewhere, the probe was louder, or nobody is there to tell.
    """
    if not asker.is_terminal():
        if not _enough(asker.accept_level_spl_db, ASK_ABOVE_SPL_DB):
            raise SafetyRefusal(_unconfirmed("level", ASK_ABOVE_SPL_DB, "--accept-level"))
        return
    if not gain_said:
        gain = asker.typed("Where does the input gain stand? ").strip()
        if not gain:
            raise SafetyRefusal(f"where the input gain stands was not said: {played}")
        if calibrated_gain is not None and words_of(gain) != words_of(calibrated_gain):
            raise SafetyRefusal(
                f"the input gain stands at {gain!r}, the calibration was made at"
                f" {calibrated_gain!r}: set it back, or calibrate again; {played}"
            )
    answer = asker.typed("Was the loudest probe about as loud as speech, or quieter? Type yes: ")
    if not is_yes(answer):
        raise SafetyRefusal(
            f"no yes was typed ({answer.strip()!r}): if the probe was louder than speech, turn the"
            f" volume down, and check the calibration; {played}"
        )


def check_ceiling(worst_spl_db: float, ceiling: SplCeiling, *, origin: str) -> None:
    """Refuse what would pass the ceiling.

    Raises
    ------
    SafetyRefusal
        It would, or the level is not a number.
    """
    if not worst_spl_db <= ceiling.spl_db + 1e-9:
        raise SafetyRefusal(
            f"the loudest moment would reach up to {worst_spl_db:.1f} dB SPL ({origin}),"
            f" the ceiling is {ceiling.spl_db:g}: ask for lower levels, calibrate on this input"
            " with an acoustic calibrator, or raise --ceiling-spl"
        )


def _enough(accepted_db: float | None, needed_db: float) -> bool:
    return accepted_db is not None and math.isfinite(accepted_db) and accepted_db >= needed_db


def _unconfirmed(what: str, number_db: float, option: str) -> str:
    return (
        f"a {what} of {number_db:g} dB SPL has to be confirmed, and nobody can type here:"
        f" say {option} {number_db:g} if you know what will sound"
    )


def _type_number(
    shown_db: float,
    asker: Asker,
    *,
    what: str,
    allowed: str = "may sound, at worst",
    played: str,
) -> None:
    """Have a number typed.

    Raises
    ------
    SafetyRefusal
        Another one was, or none.
    """
    number = f"{shown_db:g}"
    answer = asker.typed(
        f"Up to {number} dB SPL {allowed}. Type {number} to allow that, anything else to stop: "
    )
    try:
        typed_db = float(answer.strip())
    except ValueError:
        typed_db = math.nan
    if typed_db != shown_db:
        raise SafetyRefusal(f"the {what} of {shown_db:g} dB SPL was not confirmed: {played}")
