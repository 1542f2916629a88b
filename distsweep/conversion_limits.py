"""From measured limiters and staircases to the records of results, their sentences included."""

from __future__ import annotations

from collections.abc import Iterable

from distsweep.analysis.limits.limiter_kind import FoundLimiter
from distsweep.analysis.staircase import MeasuredTone
from distsweep.reason import Reason
from distsweep.results import Limiter, RecordedReason, Staircase, Warning_
from distsweep.words.limits import limiter_sentence
from distsweep.words.staircase import staircase_warning_sentence


def recorded_reasons(reasons: Iterable[Reason]) -> list[RecordedReason]:
    """Return reasons as results keep them: the code, and the values beside it."""
    return [RecordedReason(reason.code, dict(reason.values)) for reason in reasons]


def limiter_record(found: FoundLimiter) -> Limiter:
    """Return a limiter with a sentence for each of its reasons."""
    numbers = {name: value for name, value in vars(found).items() if name != "reasons"}
    return Limiter(
        **numbers,
        evidence=[limiter_sentence(reason) for reason in found.reasons],
        reasons=recorded_reasons(found.reasons),
    )


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
