"""From a measured staircase to the records of results; a ladder's way does not load it."""

from __future__ import annotations

from distsweep.analysis.staircase import MeasuredTone
from distsweep.conversion_limits import limiter_record
from distsweep.reason import Reason
from distsweep.results import Staircase, Warning_
from distsweep.words.staircase import staircase_warning_sentence


def staircase_record(tone: MeasuredTone) -> Staircase:
    """Return what results keep of a tone."""
    onset = tone.high_order_onset
    return Staircase(
        **vars(tone.levels),
        limiter=None if tone.limiter is None else limiter_record(tone.limiter),
        thermal=tone.thermal,
        high_order_onset_dbfs=None if onset is None else onset.drive_dbfs,
        trace=tone.trace,
    )


def staircase_warning(reason: Reason) -> Warning_:
    """Return a warning of a staircase; the take is left to whoever knows it."""
    frequency_hz = float(str(reason.values["frequency_hz"]))
    return Warning_(reason.code, staircase_warning_sentence(reason), frequency_hz=frequency_hz)
