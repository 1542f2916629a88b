"""Records of a ladder: harmonics, THD and gain change against frequency at each level."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from distsweep.results.record import ONLY_IF_ANY, Record
from distsweep.units import BoolArray, FloatArray, IntArray, db_to_power, power_to_db


def no_interval() -> FloatArray:
    """Stand for an interval in files that were written before there were any."""
    return np.zeros(0)


def with_reach_db(floor_db: FloatArray, reach_db: FloatArray) -> FloatArray:
    """Return a floor, as a power, with what may be the interface's; as it is without a loop-back.

    Where the reach is not known the floor stands.
    """
    if not reach_db.size:
        return floor_db
    there = np.isfinite(reach_db)
    power = db_to_power(floor_db) + db_to_power(np.where(there, reach_db, -np.inf))
    with np.errstate(divide="ignore"):
        return np.where(there, power_to_db(power), floor_db)


@dataclass(frozen=True, repr=False)
class HarmonicCurve(Record):
    """One harmonic against excitation frequency; every array has shape ``(F,)``.

    ``level_db`` and ``floor_db`` are re the fundamental at the same excitation frequency;
    ``input_referred_db`` has the linear response between f and n·f divided out. ``low_db`` and
    ``high_db`` are the ends of the 95 % interval; −inf is "at most". All three are NaN where noise
    hides the fundamental.

    ``interface_db`` is the same harmonic of the loop-back, which no loudspeaker had a part in, re
    the loop-back's fundamental; NaN where it is no more than noise. ``interface_high_db`` is what
    it is at most, ``interface_reach_db`` what of it may be in ``level_db``: the interval holds it.
    """

    level_db: FloatArray
    floor_db: FloatArray
    reliable: BoolArray
    input_referred_db: FloatArray
    low_db: FloatArray = field(default_factory=no_interval)
    high_db: FloatArray = field(default_factory=no_interval)
    interface_db: FloatArray = field(default_factory=no_interval, metadata=ONLY_IF_ANY)
    interface_high_db: FloatArray = field(default_factory=no_interval, metadata=ONLY_IF_ANY)
    interface_reach_db: FloatArray = field(default_factory=no_interval, metadata=ONLY_IF_ANY)

    @property
    def whole_floor_db(self) -> FloatArray:
        """The floor of noise, with what may be the interface's where that is known."""
        return with_reach_db(self.floor_db, self.interface_reach_db)


@dataclass(frozen=True, repr=False)
class ThdThirdOctave(Record):
    """THD averaged over thirds of an octave, by power, with its 95 % interval.

    ``frequency_hz`` are the bands' nominal midband frequencies (IEC 61260-1), shape ``(B,)``;
    ``interface_half_width_db`` is half the width of the interval that the interface's own
    distortion would leave without any noise; NaN and +inf where it may be all of it.
    """

    frequency_hz: FloatArray
    thd_db: FloatArray
    low_db: FloatArray
    high_db: FloatArray
    interface_half_width_db: FloatArray = field(default_factory=no_interval, metadata=ONLY_IF_ANY)


@dataclass(frozen=True, repr=False)
class SmoothedLevel(Record):
    """A curve averaged over bands, by power, and the ends of its 95 % interval, ``(B,)`` each."""

    level_db: FloatArray
    low_db: FloatArray
    high_db: FloatArray


@dataclass(frozen=True, repr=False)
class Smoothed(Record):
    """A rung's curves over fractions of an octave; ``frequency_hz`` are the bands' middles.

    The fundamental is in the take's unit, THD and harmonics are re the fundamental.
    """

    bands_per_octave: int
    frequency_hz: FloatArray
    fundamental: SmoothedLevel
    thd: SmoothedLevel
    harmonics: dict[int, SmoothedLevel]


@dataclass(frozen=True, repr=False)
class Rung(Record):
    """One level of a ladder; arrays have shape ``(F,)``.

    ``drive_dbfs`` is re a full-scale sine; ``spl_db`` is None when uncalibrated, or where nothing
    of the level band was measured;
    ``peak_dbfs`` is the largest sample of the recording in this rung;
    ``…_low_db`` and ``…_high_db`` are the ends of the 95 % interval that noise leaves (−inf: at
    most), and placements of the microphone where there are several (`Results.reproducibility`);
    ``smoothed`` holds the curves over 1/12, 1/6 and 1/3 octave;
    ``impulsive_db`` is the level of impulses that the loudspeaker makes at the same played
    frequency in several rungs, re the fundamental (IEC 60268-21); NaN where there are none;
    ``orders_summed`` counts the orders 2, 3, … in ``thd_db`` (0 where none fits the band);
    ``thd_interface_db``, ``…_high_db`` and ``…_reach_db`` are THD of the loop-back, as those of
    `HarmonicCurve`. What a loop-back shows above the highest order is in ``high_order_floor_db``.
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
    fundamental_low_db: FloatArray = field(default_factory=no_interval)
    fundamental_high_db: FloatArray = field(default_factory=no_interval)
    thd_low_db: FloatArray = field(default_factory=no_interval)
    thd_high_db: FloatArray = field(default_factory=no_interval)
    thd_third_octave: ThdThirdOctave | None = None
    smoothed: list[Smoothed] = field(default_factory=list)
    impulsive_db: FloatArray = field(default_factory=no_interval)
    thd_interface_db: FloatArray = field(default_factory=no_interval, metadata=ONLY_IF_ANY)
    thd_interface_high_db: FloatArray = field(default_factory=no_interval, metadata=ONLY_IF_ANY)
    thd_interface_reach_db: FloatArray = field(default_factory=no_interval, metadata=ONLY_IF_ANY)

    @property
    def whole_thd_floor_db(self) -> FloatArray:
        """As `HarmonicCurve.whole_floor_db`, of THD."""
        return with_reach_db(self.thd_floor_db, self.thd_interface_reach_db)


@dataclass(frozen=True, repr=False)
class ThdAdvice(Record):
    """What would make a rung's THD known within 1.5 dB, averaged over thirds of an octave.

    ``low_hz`` and ``high_hz`` are the middles of the first and the last of the ``bands`` that are
    asked for, of which ``bands_known`` are known; nine tenths are enough. Each of ``repeats``,
    ``sweep_s`` (the sweep's length) and ``noise_fall_db`` would be enough alone; with ``at_least``
    none would be with less, and whether that much is enough cannot be told. None where it would
    take more than ten minutes of sweeps. The noise's fall is always a least one.
    ``beside_modes`` says that fewer bands are known, as the sweeps passed excited modes too fast:
    that is left out of account, and only longer sweeps mend it.
    """

    drive_dbfs: float
    spl_db: float | None
    low_hz: float
    high_hz: float
    bands: int
    bands_known: int
    repeats: int | None
    sweep_s: float | None
    noise_fall_db: float | None
    at_least: bool = False
    beside_modes: bool = False
    sentence: str = ""


@dataclass(frozen=True, repr=False)
class Compression(Record):
    """Gain change of a ladder; ``gain_change_db`` is one ``(F,)`` array a rung.

    ``gain_change_low_db`` and ``gain_change_high_db`` are the ends of its 95 % interval.
    """

    reference_drive_dbfs: float | None
    gain_change_db: list[FloatArray]
    onset_dbfs: FloatArray
    drive_at_1db_dbfs: FloatArray
    drive_at_3db_dbfs: FloatArray
    gain_change_low_db: list[FloatArray] = field(default_factory=list)
    gain_change_high_db: list[FloatArray] = field(default_factory=list)


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
    """What the microphone heard while nothing was played, in the take's level unit.

    ``third_octave_db`` are levels in the thirds of an octave that lie within the measured band, by
    their nominal midband frequencies; both are empty in files that were written without them.
    """

    level_db: float | None
    a_weighted_db: float | None
    hum: list[Tone]
    third_octave_hz: FloatArray = field(default_factory=no_interval)
    third_octave_db: FloatArray = field(default_factory=no_interval)
