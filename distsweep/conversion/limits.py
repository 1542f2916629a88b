"""From found limiters to the records of results, their sentences included."""

from __future__ import annotations

from collections.abc import Iterable

from distsweep.analysis.limits.limiter_kind import FoundLimiter
from distsweep.reason import Reason
from distsweep.results import Limiter, RecordedReason
from distsweep.words.limits import limiter_sentence


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
