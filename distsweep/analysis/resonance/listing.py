"""Which found modes are listed as resonances, and how sure each is."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

from distsweep.analysis.resonance.confidence import confidence
from distsweep.analysis.resonance.mode import SHOWN_LOG_RATIO, FoundMode, by_order

LEAST_CONFIDENCE = 0.1
"""Less is not listed (chosen: nineteen of twenty such candidates are nothing)."""

MOST_LISTED = 12
"""More are not listed (chosen: nobody reads on)."""

SAME_BANDWIDTHS, LEAST_SAME_OCTAVES = 1.0, 0.03
"""Two modes closer than so many bandwidths of the wider one, or than this, are one thing
(chosen: peaks of one width merge at about one bandwidth; a grid step and a half)."""


@dataclass(frozen=True)
class ListedMode:
    """A mode that is listed, with its confidence, and that of the other kind in its place."""

    mode: FoundMode
    confidence: float
    other_kind: float = 0.0


def listed(modes: Iterable[FoundMode]) -> list[ListedMode]:
    """Choose what to list, surest first."""
    return [one for one in ranked(modes) if one.confidence >= LEAST_CONFIDENCE][:MOST_LISTED]


def ranked(modes: Iterable[FoundMode]) -> list[ListedMode]:
    """Rank modes by confidence: of what lies at one frequency, the surest; no image of another."""
    judged = [ListedMode(mode, confidence(mode)) for mode in modes]
    kept: list[ListedMode] = []
    for one in sorted(judged, key=lambda j: (-j.confidence, -j.mode.log_ratio)):
        if any(is_image(one.mode, other.mode) for other in kept):
            continue
        at = next((k for k, other in enumerate(kept) if is_same(one.mode, other.mode)), None)
        if at is None:
            kept.append(one)
        elif kept[at].mode.kind != one.mode.kind:
            other_kind = max(kept[at].other_kind, one.confidence)
            kept[at] = replace(kept[at], other_kind=other_kind)
    return kept


def is_image(one: FoundMode, other: FoundMode) -> bool:
    """Tell whether an excited mode's only product lands on a surer mode: that lifts it there."""
    said = by_order(one.contributions)
    clear = [order for order, log_ratio in said.items() if log_ratio >= SHOWN_LOG_RATIO]
    if one.kind != "excited" or len(clear) != 1:
        return False
    bandwidth = 1.0 / (other.q * math.log(2.0))
    return octaves(clear[0] * one.frequency_hz, other.frequency_hz) <= bandwidth


def octaves(one_hz: float, other_hz: float) -> float:
    """Return the distance of two frequencies."""
    return abs(math.log2(one_hz / other_hz))


def is_same(one: FoundMode, other: FoundMode) -> bool:
    """Tell whether two modes lie so close that they count as one thing."""
    width = SAME_BANDWIDTHS / (min(one.q, other.q) * math.log(2.0))
    return octaves(one.frequency_hz, other.frequency_hz) <= max(width, LEAST_SAME_OCTAVES)
