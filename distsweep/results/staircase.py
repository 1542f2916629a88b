"""Records of a staircase: the bursts of each tone."""

from __future__ import annotations

from dataclasses import dataclass, field

from distsweep.results.ladder import no_interval
from distsweep.results.limits import Limiter, Thermal
from distsweep.results.record import Record
from distsweep.units import BoolArray, FloatArray


@dataclass(frozen=True, repr=False)
class BurstTrace(Record):
    """Level against time around a burst, in the take's unit; time from the burst's start."""

    drive_dbfs: float
    burst_s: float
    window_s: float
    time_s: FloatArray
    level_db: FloatArray


@dataclass(frozen=True, repr=False)
class ToneLevels(Record):
    """Levels of one tone; arrays have shape ``(L,)``, a value a burst on the way up, rising.

    ``level_db`` is that of the fundamental on the way up, ``falling_level_db`` on the way
    down (the loudest is in both). ``harmonics`` and ``residual_db`` (what the harmonics
    leave) are re the fundamental; ``waveform_crest_db`` is peak over RMS of the wave that
    fundamental and harmonics make, 3.01 for a sine. ``difference_db`` is the way down minus
    the way up where they differ most. The gain change is re the quietest reliable level, at
    ``reference_drive_dbfs``, where it is exactly 0; ``onset_dbfs`` is the drive at which it reaches
    −0.5 dB. ``…_low_db`` and ``…_high_db`` are the ends of 95 % intervals.
    """

    frequency_hz: float
    drive_dbfs: FloatArray
    level_db: FloatArray
    level_floor_db: FloatArray
    level_reliable: BoolArray
    gain_change_db: FloatArray
    falling_level_db: FloatArray
    thd_db: FloatArray
    thd_percent: FloatArray
    thd_floor_db: FloatArray
    thd_reliable: BoolArray
    orders_summed: int
    harmonics: dict[int, FloatArray]
    waveform_crest_db: FloatArray
    residual_db: FloatArray
    residual_floor_db: FloatArray
    residual_crest_db: FloatArray
    clipped: BoolArray
    reference_drive_dbfs: float | None = None
    onset_dbfs: float | None = None
    drive_at_1db_dbfs: float | None = None
    drive_at_3db_dbfs: float | None = None
    difference_db: float | None = None
    level_low_db: FloatArray = field(default_factory=no_interval)
    level_high_db: FloatArray = field(default_factory=no_interval)
    gain_change_low_db: FloatArray = field(default_factory=no_interval)
    gain_change_high_db: FloatArray = field(default_factory=no_interval)
    thd_low_db: FloatArray = field(default_factory=no_interval)
    thd_high_db: FloatArray = field(default_factory=no_interval)
    harmonics_low_db: dict[int, FloatArray] = field(default_factory=dict)
    harmonics_high_db: dict[int, FloatArray] = field(default_factory=dict)


@dataclass(frozen=True, repr=False)
class Staircase(ToneLevels):
    """The bursts of one frequency: levels, what holds them back, and the loudest against time.

    ``limiter`` is None where nothing can be said. ``high_order_onset_dbfs`` is the drive from
    which the residual stands out of the noise.
    """

    limiter: Limiter | None = None
    thermal: Thermal | None = None
    high_order_onset_dbfs: float | None = None
    trace: BurstTrace | None = None
