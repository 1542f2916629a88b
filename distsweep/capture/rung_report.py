"""What is said and noted of a rung that has been played, and of a rise on the way up to one."""

from __future__ import annotations

from pathlib import Path

from distsweep.capture.dropouts import LostSamples
from distsweep.capture.judge import Verdict
from distsweep.capture.keeping import log
from distsweep.capture.pieces import MOVED_DB, Piece, check_unmoved
from distsweep.capture.take import Begun
from distsweep.words.wording import signed, with_sign


def report_text(
    verdict: Verdict, expected_db: float | None, lost: LostSamples, *, unit: str
) -> str:
    """Say what was measured, and after which drop-outs.

    ``expected_db`` is the prediction, None while uncalibrated.
    """
    measured = f"{signed(verdict.level_db)} {unit}"
    if expected_db is not None:
        measured += f" ({with_sign(verdict.level_db - expected_db)} dB re the prediction)"
    thd = "not above the noise"
    if verdict.thd_percent is not None:
        thd = f"{verdict.thd_percent:.2g} % at {verdict.thd_hz:.0f} Hz"
    after = f", after {lost.words()}" if lost else ""
    return f"measured {measured}, highest THD {thd}{after}"


def log_rung(
    folder: Path,
    piece: Piece,
    verdict: Verdict,
    expected_db: float | None,
    lost: LostSamples,
    *,
    offset_db: float,
) -> None:
    """Note what was measured; ``offset_db`` is that of the level's unit re dBFS."""
    log(
        folder,
        "rise" if piece.rise else "rung",
        number=piece.number,
        drive_dbfs=piece.file.rungs[0].drive_dbfs,
        predicted_db=expected_db,
        measured_db=verdict.level_db,
        gain_db=_gain_db(piece, verdict, offset_db),
        thd_percent=verdict.thd_percent,
        clock_drift_ppm=verdict.clock_drift_ppm,
        dropouts=lost.noted(),
    )


def check_rise(begun: Begun | None, piece: Piece, verdict: Verdict, *, offset_db: float) -> None:
    """Hold a rise's level against that of the take's rung at its drive, if that was noted.

    Raises
    ------
    InputError
        It has moved by more than MOVED_DB.
    """
    former_db = None if begun is None else begun.rung_gains_db.get(piece.same_as or "")
    if former_db is not None:
        change_db = _gain_db(piece, verdict, offset_db) - former_db
        drive_dbfs = piece.file.rungs[0].drive_dbfs
        check_unmoved(change_db, f"{signed(drive_dbfs)} dBFS", limit_db=MOVED_DB)


def _gain_db(piece: Piece, verdict: Verdict, offset_db: float) -> float:
    """Return a rung's level re its drive, both re full scale."""
    return verdict.level_db - offset_db - piece.file.rungs[0].drive_dbfs
