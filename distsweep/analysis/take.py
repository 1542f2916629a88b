"""The way from a cut recording to what was measured, for a ladder and for a staircase."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, overload

from distsweep.analysis.cut import CutLadder, CutStaircase
from distsweep.analysis.settings import TakeSettings
from distsweep.results import Rung

if TYPE_CHECKING:
    from distsweep.analysis.ladder import MeasuredLadder
    from distsweep.analysis.staircase import MeasuredStaircase


@overload
def measure_take(
    cut: CutLadder, settings: TakeSettings, *, interface: Sequence[Rung] = ()
) -> MeasuredLadder: ...
@overload
def measure_take(
    cut: CutStaircase, settings: TakeSettings, *, interface: Sequence[Rung] = ()
) -> MeasuredStaircase: ...
@overload
def measure_take(
    cut: CutLadder | CutStaircase, settings: TakeSettings, *, interface: Sequence[Rung] = ()
) -> MeasuredLadder | MeasuredStaircase: ...


def measure_take(
    cut: CutLadder | CutStaircase, settings: TakeSettings, *, interface: Sequence[Rung] = ()
) -> MeasuredLadder | MeasuredStaircase:
    """Measure one cut recording of a stimulus; each kind loads its own analysis only.

    ``interface`` are the rungs of a ladder's loop-back; of a staircase's none are measured.
    """
    if isinstance(cut, CutLadder):
        from distsweep.analysis.ladder import measure_ladder

        return measure_ladder(cut, settings, interface=interface)
    from distsweep.analysis.staircase import measure_staircase

    return measure_staircase(cut, settings)
