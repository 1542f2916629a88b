"""How far a calibration is believed, and what a level is at worst.

The nominal level is what the calibration says. The worst level adds what the calibration's
origin leaves open; where nothing is known of its origin, the loudspeaker is taken to give 130 dB
SPL at full scale. Probes, questions, licences and ceilings go by the worst level.
"""

from __future__ import annotations

import datetime
import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from distsweep.capture.asker import Asker, is_yes
from distsweep.capture.backend import Route
from distsweep.capture.calibration import (
    CalibrationNote,
    mismatches,
    read_note,
    too_old,
    unknowns,
)
from distsweep.errors import InputError
from distsweep.takes.session_calibration import Calibration
from distsweep.units import db_to_power

CALIBRATOR_DB = 1.0
"""What an acoustic calibrator's tone leaves open (chosen: class 2 of IEC 60942 allows 0.75 dB,
from memory, and the coupler's seat adds some)."""

CALIBRATED_AT_HZ = 1000.0
"""Where calibrators sound, unless noted, and data sheets state a sensitivity."""

DATA_SHEET_DB = 10.0
"""What data sheets leave open (chosen: a microphone's tolerance is 3 dB, and an input's gain
at a knob's mark is known to some 6 dB)."""

WORST_SPL_AT_0DBFS_DB = 130.0
"""What a full-scale sine is taken to give at the microphone as long as nothing is known
(chosen: more than any loudspeaker that one person carries gives at a metre)."""


@dataclass(frozen=True)
class Belief:
    """What is believed of the levels that an input hears.

    Attributes
    ----------
    full_scale_spl_db : level of a 0 dBFS sine at the input by the calibration; None without one.
    doubt_db : how much higher a level may be than the calibration says; None where nothing is
        known of the calibration's origin.
    origin : what the calibration rests on, in words.
    """

    full_scale_spl_db: float | None
    doubt_db: float | None
    origin: str

    @property
    def known(self) -> bool:
        """Whether a level that was heard bounds what was played."""
        return self.full_scale_spl_db is not None and self.doubt_db is not None

    def nominal_spl_db(self, heard_dbfs: float) -> float | None:
        """Return the level by the calibration; None without one."""
        return None if self.full_scale_spl_db is None else heard_dbfs + self.full_scale_spl_db

    def worst_spl_db(self, drive_dbfs: float, heard_at_0dbfs_db: float | None) -> float:
        """Return the highest level, dB SPL at the microphone, that a drive may give.

        Parameters
        ----------
        heard_at_0dbfs_db : what a drive of 0 dBFS gives at the input, dBFS, as far as probes
            have shown it; None before the first.
        """
        feared_db = WORST_SPL_AT_0DBFS_DB + drive_dbfs
        if heard_at_0dbfs_db is None or self.full_scale_spl_db is None:
            return feared_db
        nominal_db = drive_dbfs + heard_at_0dbfs_db + self.full_scale_spl_db
        return max(feared_db, nominal_db) if self.doubt_db is None else nominal_db + self.doubt_db

    def power_at(self, spl_db: float, *, at_worst: bool = False) -> float:
        """Return the mean square at the input that stands for a level; infinite if unknown.

        ``at_worst``: from there on the level may be ``spl_db`` at worst.
        """
        if self.full_scale_spl_db is None:
            return math.inf
        doubt_db = self.doubt_db or 0.0 if at_worst else 0.0
        # A sine of peak 1 has the mean square ½.
        return 0.5 * float(db_to_power(spl_db - doubt_db - self.full_scale_spl_db))


def believe(full_scale_spl_db: float | None, *, method: str | None) -> Belief:
    """Judge a calibration by its origin.

    Parameters
    ----------
    full_scale_spl_db : level of a 0 dBFS sine at the input; None without a calibration.
    method : "calibrator" or "data sheet", as ``calibration.json`` says, where it holds for
        this input; anything else is a number of unknown origin.
    """
    if full_scale_spl_db is None:
        return Belief(None, None, "without a calibration")
    if method == "calibrator":
        return Belief(full_scale_spl_db, CALIBRATOR_DB, "by a calibrator's tone")
    if method == "data sheet":
        return Belief(full_scale_spl_db, DATA_SHEET_DB, "by data sheets")
    return Belief(full_scale_spl_db, None, "by a number whose origin is not known")


def judge_calibration(
    folder: Path, calibration: Calibration, *, route: Route, input_gain: str | None, asker: Asker
) -> tuple[Belief, str | None]:
    """Judge a session's calibration for the input that a capture uses.

    Parameters
    ----------
    folder : of the session.
    input_gain : where the capture says that the input gain stands; None if it does not.

    Returns
    -------
    What is believed, and the input gain at which it was calibrated, if that was noted.

    Raises
    ------
    InputError
        It was made with another device, channel, rate or gain.
    """
    if calibration.pascal_per_fs is None:
        asker.tell(
            "not calibrated: levels are in dBFS, and full scale is feared to be"
            f" {WORST_SPL_AT_0DBFS_DB:g} dB SPL"
        )
        return believe(None, method=None), None
    full_db = calibration.level_offset_db
    note = read_note(folder / (calibration.source or ""))
    if note is None:
        asker.tell(
            "warning: nothing is known of the calibration's origin: levels are announced as if full"
            f" scale could be {WORST_SPL_AT_0DBFS_DB:g} dB SPL; 'distsweep calibrate' mends it"
        )
        return believe(full_db, method=None), None
    _check_input(note, route, input_gain)
    deviation_db = _deviation_db(note, calibration)
    old = too_old(note, now=datetime.datetime.now(datetime.UTC))
    if old is not None:
        asker.tell(f"warning: {old}")
    holds = _holds(unknowns(note), asker, route)
    belief = believe(full_db, method=note.method if holds else None)
    if belief.doubt_db is not None and deviation_db > 0.0:
        belief = replace(belief, doubt_db=belief.doubt_db + deviation_db)
    return belief, note.input_gain


def _check_input(note: CalibrationNote, route: Route, input_gain: str | None) -> None:
    """Refuse a calibration that was made for another input than the capture's."""
    different = mismatches(
        note,
        device=route.input.name,
        channel=route.input_channel,
        rate_hz=route.rate_hz,
        input_gain=input_gain,
    )
    if different:
        raise InputError(
            f"{'; '.join(different)}: levels would be wrong by any amount; calibrate this input"
            " ('distsweep calibrate', with --input and --gain), or go back to that one"
        )


def _deviation_db(note: CalibrationNote, calibration: Calibration) -> float:
    """Return the microphone's deviation where it was calibrated.

    The calibrator's level is as the microphone read it, and levels are corrected: where the
    correction is not 0 at the calibrator's frequency, levels are off by that.
    """
    frequency_hz = CALIBRATED_AT_HZ
    if note.details is not None:
        given = note.details.get("frequency_hz")
        if isinstance(given, int | float) and 0.0 < given < math.inf:
            frequency_hz = float(given)
    return float(calibration.correction_db(np.array([frequency_hz]))[0])


def _holds(unknown: list[str], asker: Asker, route: Route) -> bool:
    """Ask somebody whether a calibration that does not note its input was made with this one."""
    if not unknown:
        return True
    asker.tell(f"warning: {'; '.join(unknown)}")
    if not asker.is_terminal():
        asker.tell(
            "warning: it is not believed: 'distsweep calibrate' notes what it was told: --gain, and"
            " without --input --device, --input-channel and --rate-hz"
        )
        return False
    answer = asker.typed(
        f"Was it made with {route.input.name!r}, channel {route.input_channel}, at"
        f" {route.rate_hz} Hz, and does the gain still stand as it did? Type yes: "
    )
    if not is_yes(answer):
        raise InputError(
            "by your answer the calibration does not hold for this input: calibrate it, or set the"
            " gain back"
        )
    return True
