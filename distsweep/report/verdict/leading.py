"""Which takes the verdict rests on: the ladder on the axis, and a staircase beside it."""

from __future__ import annotations

from dataclasses import dataclass

from distsweep.report.names import unique_names
from distsweep.results import AXIS, Results, Take


@dataclass(frozen=True)
class Leading:
    """The takes that the verdict rests on, one of them at least, at one position.

    ``ladder_name`` and ``staircase_name`` are those in the page's anchors.
    """

    ladder: Take | None
    staircase: Take | None
    ladder_name: str = ""
    staircase_name: str = ""

    @property
    def take(self) -> Take:
        """The ladder; the staircase where there is none."""
        take = self.ladder or self.staircase
        assert take is not None  # leading_takes made it so
        return take

    def anchor(self, part: str) -> str:
        """Anchor of a section of the ladder; of the staircase's only one where there is none."""
        if self.ladder is not None:
            return f"take-{self.ladder_name}.{part}"
        return f"take-{self.staircase_name}.staircase"


def leading_takes(results: Results) -> Leading | None:
    """Return the takes on the axis, else those of the first position; None where nothing is.

    Whole takes go before partial ones.
    """
    names = unique_names(take.position for take in results.takes)
    pairs = [
        (take, name)
        for take, name in zip(results.takes, names, strict=True)
        if take.rungs or take.staircase
    ]
    if not pairs:
        return None
    pairs.sort(key=lambda pair: (pair[0].position != AXIS, not pair[0].rungs, pair[0].partial))
    position = pairs[0][0].position
    there = [pair for pair in pairs if pair[0].position == position]
    ladder = next((pair for pair in there if pair[0].rungs), (None, ""))
    staircase = next((pair for pair in there if pair[0].staircase), (None, ""))
    return Leading(ladder[0], staircase[0], ladder[1], staircase[1])
