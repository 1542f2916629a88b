"""Record of a loop-back: the output wired back to an input beside the microphone."""

from __future__ import annotations

from dataclasses import dataclass

from distsweep.results.record import Record


@dataclass(frozen=True, repr=False)
class Loopback(Record):
    """What a loop-back tells besides the interface's harmonics, which stand in the rungs.

    ``channel`` is that of the recordings. ``delay_ms`` is by how much later the microphone hears
    the start marker than the loop-back: the way through the air, and whatever delay a loudspeaker's
    electronics add; of converters it has nothing. ``distance_m`` is how far sound goes in that
    time at ``temperature_c``, the conditions' or 20 °C: the microphone is that far away at most.
    ``clock_drift_ppm`` is measured in the loop-back; None where a marker was not found.
    """

    channel: int
    delay_ms: float | None
    distance_m: float | None
    temperature_c: float
    clock_drift_ppm: float | None
