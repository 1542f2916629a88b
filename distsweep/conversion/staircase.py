"""From a measured staircase to the records of results; a ladder's way does not load it."""

from __future__ import annotations

from distsweep.analysis.staircase import MeasuredTone
from distsweep.conversion.limits import limiter_record
from distsweep.results import Staircase


def staircase_record(tone: MeasuredTone) -> Staircase:
    """Return what results keep of a tone."""
    onset = tone.high_order_onset
    return Staircase(
        **vars(tone.stated),
        limiter=None if tone.limiter is None else limiter_record(tone.limiter),
        thermal=tone.thermal,
        high_order_onset_dbfs=None if onset is None else onset.drive_dbfs,
        trace=tone.trace,
    )
