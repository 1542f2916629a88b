"""From found limiters to the records of results, their sentences included."""

from __future__ import annotations

from distsweep.analysis.limits.limiter_kind import FoundLimiter
from distsweep.results import Limiter, RecordedReason
from distsweep.words.limits import limiter_sentence


def limiter_record(found: FoundLimiter) -> Limiter:
    """Return a limiter with a sentence for each of its reasons."""
    numbers = {name: value for name, value in vars(found).items() if name != "reasons"}
    return Limiter(
        **numbers,
        evidence=[limiter_sentence(reason) for reason in found.reasons],
        reasons=[RecordedReason(reason.code, dict(reason.values)) for reason in found.reasons],
    )
