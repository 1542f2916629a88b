"""A limiter's kind, ratio and threshold in a few words."""

from __future__ import annotations

from distsweep.results import TURNED_DOWN, Limiter
from distsweep.words import wording


def limiter_words(limiter: Limiter) -> str:
    """Kind, ratio and threshold in a few words, a line each."""
    lines = [limiter.kind if limiter.kind != "none" else "no limiter"]
    place = threshold_words(limiter)
    if limiter.kind in TURNED_DOWN:
        lines = [f"{limiter.kind} {ratio_words(limiter)}".rstrip(), place]
    elif limiter.kind == "clipping":
        lines.append(f"from {place}")
    return "\n".join(line for line in lines if line)


def threshold_words(limiter: Limiter, unit: str = "dBFS") -> str:
    """Write a threshold, or what it lies between; nothing where neither is known."""
    return wording.span(limiter.threshold_bounds_dbfs, unit)


def ratio_words(limiter: Limiter) -> str:
    """Write a ratio as "4.0:1", an infinite one as "∞:1", of bounds "≥ 2.7:1"; or nothing."""
    if limiter.kind == "limiting":
        return "" if limiter.ratio_low is None else f"≥ {min(limiter.ratio_low, 99.0):.1f}:1"
    if limiter.threshold_dbfs is None:
        return ""
    return "∞:1" if limiter.ratio is None else f"{limiter.ratio:.1f}:1"
