"""The page's section that holds a ladder against a staircase."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from distsweep.report.agreement import figure, limiters
from distsweep.report.content import Block, Section
from distsweep.results import Agreement, Results
from distsweep.words import wording


def agreement(results: Results) -> Section | None:
    """Ladder and staircase compared, for each pair of takes."""
    if not results.agreement and not results.limiter_agreement:
        return None
    blocks: list[Block] = []
    words: list[str] = []
    if results.limiter_agreement:
        blocks.append(limiters.table(results.limiter_agreement))
    pairs: dict[tuple[str, str, str], list[Agreement]] = {}
    for item in results.agreement:
        pairs.setdefault((item.position, item.ladder, item.staircase), []).append(item)
    for number, ((position, ladder, steps), compared) in enumerate(pairs.items(), start=1):
        words.append(_agreement_words(position, ladder, steps, compared))
        blocks.append(figure.picture(compared, position, f"agreement-{number}"))
    title = "Ladder and staircase compared"
    return Section(title, "agreement", blocks, folded=True, lead=" ".join(words))


def _agreement_words(position: str, ladder: str, steps: str, compared: list[Agreement]) -> str:
    reliable = [
        (item.thd_difference_db, item.thd_difference_low_db, item.thd_difference_high_db)
        for item in compared
        if item.reliable and np.isfinite(item.thd_difference_db)
    ]
    levels = [
        (item.level_difference_db, item.level_difference_low_db, item.level_difference_high_db)
        for item in compared
    ]
    first = f"At “{position}”, {steps} and {ladder} met at {len(compared)} tones and drives: "
    middle, most = _middle_and_most(levels)
    level = f"levels differ by {middle} in the median"
    if not reliable:
        return f"{first}{level}; of THD none is reliable in both."
    middle_thd, most_thd = _middle_and_most(reliable)
    return (
        f"{first}{level}, {most} at most; THD, where reliable in both"
        f" ({len(reliable)}), by {middle_thd} in the median and {most_thd} at most."
    )


def _middle_and_most(differences: Sequence[tuple[float, float, float]]) -> tuple[str, str]:
    """Write the median and the largest of differences, each given with its ends.

    The median is written as well as the values are known in the median.
    """
    sizes = np.array([abs(value) for value, _, _ in differences])
    halves = np.array([(high - low) / 2.0 for _, low, high in differences])
    pairs = ((np.median(sizes), np.median(halves)), (sizes.max(), halves[np.argmax(sizes)]))
    middle, most = (
        wording.known_decibels(float(size), float(size - half), float(size + half), decimals=2)
        for size, half in pairs
    )
    return middle, most
