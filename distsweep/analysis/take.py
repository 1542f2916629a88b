"""The way from a cut recording to what was measured, for a ladder and for a staircase."""

from __future__ import annotations

from typing import TYPE_CHECKING, overload

from distsweep.analysis.cut import CutLadder, CutStaircase
from distsweep.analysis.settings import TakeSettings

if TYPE_CHECKING:
    from distsweep.analysis.ladder import MeasuredLadder
    from distsweep.analysis.staircase import MeasuredStaircase


@overload
def measure_take(cut: CutLadder, settings: TakeSettings) -> MeasuredLadder: ...
@overload
def measure_take(cut: CutStaircase, settings: TakeSettings) -> MeasuredStaircase: ...
@overload
def measure_take(
    cut: CutLadder | CutStaircase, settings: TakeSettings
) -> MeasuredLadder | MeasuredStaircase: ...


def measure_take(
    cut: CutLadder | CutStaircase, settings: TakeSettings
) -> MeasuredLadder | MeasuredStaircase:
    """Measure one cut recording of a stimulus; each kind loads its own analysis only."""
    if isinstance(cut, CutLadder):
        from distsweep.analysis.ladder import measure_ladder

        return measure_ladder(cut, settings)
    from distsweep.analysis.staircase import measure_staircase

    return measure_staircase(cut, settings)
