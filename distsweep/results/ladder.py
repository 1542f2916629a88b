"""Records of a ladder: harmonics, THD and gain change against frequency at each level."""

from __future__ import annotations

from dataclasses import dataclass

from distsweep.results.record import Record
from distsweep.units import BoolArray, FloatArray, IntArray


@dataclass(frozen=True, repr=False)
class HarmonicCurve(Record):
    """One harmonic against excitation frequency; every array has shape ``(F,)``.

    ``level_db`` and ``floor_db`` are re the fundamental at the same excitation frequency;
    ``input_referred_db`` has the linear response between f and n·f divided out.
    """

    level_db: FloatArray
    floor_db: FloatArray
    reliable: BoolArray
    input_referred_db: FloatArray


@dataclass(frozen=True, repr=False)
class Rung(Record):
    """One level of a ladder; arrays have shape ``(F,)``.

    ``drive_dbfs`` is re a full-scale sine; ``spl_db`` is None when uncalibrated, or where nothing
    of the level band was measured;
    ``peak_dbfs`` is the largest sample of the recording in this rung;
    ``orders_summed`` counts the orders 2, 3, … in ``thd_db`` (0 where none fits the band).
    """

    drive_dbfs: float
    spl_db: float | None
    peak_dbfs: float
    clipped: bool
    fundamental_db: FloatArray
    fundamental_floor_db: FloatArray
    harmonics: dict[int, HarmonicCurve]
    thd_db: FloatArray
    thd_percent: FloatArray
    thd_re_total_percent: FloatArray
    thd_floor_db: FloatArray
    thd_reliable: BoolArray
    orders_summed: IntArray
    high_order_db: FloatArray
    high_order_floor_db: FloatArray


@dataclass(frozen=True, repr=False)
class Compression(Record):
    """Gain change of a ladder; ``gain_change_db`` is one ``(F,)`` array a rung."""

    reference_drive_dbfs: float | None
    gain_change_db: list[FloatArray]
    onset_dbfs: FloatArray
    drive_at_1db_dbfs: FloatArray
    drive_at_3db_dbfs: FloatArray


@dataclass(frozen=True, repr=False)
class HighOrderOnset(Record):
    """Where sound above the separated harmonics sets in: bottoming, crackle, a rattle.

    ``drive_dbfs`` is the lowest drive that shows it at ``frequency_hz``; ``level_db`` its
    level there re the fundamental; ``crest_db`` its peak over RMS, None where not known.
    ``band_hz`` is the range of played frequencies that show it by then.
    """

    frequency_hz: float
    drive_dbfs: float
    level_db: float
    crest_db: float | None = None
    band_hz: list[float] | None = None


@dataclass(frozen=True, repr=False)
class Tone(Record):
    """A tone in the background, e.g. a line of mains hum."""

    frequency_hz: float
    level_db: float


@dataclass(frozen=True, repr=False)
class Background(Record):
    """What the microphone heard while nothing was played, in the take's level unit."""

    level_db: float | None
    a_weighted_db: float | None
    hum: list[Tone]
