"""The page's section that holds a ladder against a staircase."""

from __future__ import annotations

from functools import partial

import numpy as np

from distsweep.report.agreement import figure, limiters
from distsweep.report.content import Block, Paragraph, Section
from distsweep.results import Agreement, Results
from distsweep.words import wording

decibels = partial(wording.decibels, decimals=2)


def agreement(results: Results) -> Section | None:
    """Ladder and staircase compared, for each pair of takes."""
    if not results.agreement and not results.limiter_agreement:
        return None
    blocks: list[Block] = []
    if results.limiter_agreement:
        blocks.append(limiters.table(results.limiter_agreement))
    pairs: dict[tuple[str, str, str], list[Agreement]] = {}
    for item in results.agreement:
        pairs.setdefault((item.position, item.ladder, item.staircase), []).append(item)
    for number, ((position, ladder, steps), compared) in enumerate(pairs.items(), start=1):
        blocks.append(Paragraph(_agreement_words(position, ladder, steps, compared)))
        blocks.append(figure.picture(compared, position, f"agreement-{number}"))
    return Section("Ladder and staircase compared", "agreement", blocks)


def _agreement_words(position: str, ladder: str, steps: str, compared: list[Agreement]) -> str:
    reliable = [abs(item.thd_difference_db) for item in compared if item.reliable]
    levels = [abs(item.level_difference_db) for item in compared]
    first = f"At “{position}”, {steps} and {ladder} met at {len(compared)} tones and drives: "
    level = f"levels differ by {decibels(np.median(levels))} in the median"
    if not reliable:
        return f"{first}{level}; of THD none is reliable in both."
    return (
        f"{first}{level}, {decibels(max(levels))} at most; THD, where reliable in both"
        f" ({len(reliable)}), by {decibels(np.median(reliable))} in the median and"
        f" {decibels(max(reliable))} at most."
    )
