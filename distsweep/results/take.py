"""What an analysis found: the takes of a session, and all of it together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from distsweep.results.at_spl import AtSpl
from distsweep.results.damage import Damage
from distsweep.results.impulse import ImpulseResponse
from distsweep.results.ladder import Background, Compression, HighOrderOnset, Rung, ThdAdvice
from distsweep.results.limits import Agreement, CleanLevel, Limiter, LimiterAgreement
from distsweep.results.provenance import Provenance
from distsweep.results.record import Record
from distsweep.results.resonance import DecayMap, Resonance, SpikeSeen
from distsweep.results.session import Conditions, Device, RecordedCalibration
from distsweep.results.staircase import Staircase
from distsweep.units import FloatArray, db_to_percent

SCHEMA = "distsweep.results/2"


SAME_DRIVE_DB = 0.05
"""Drives so close count as the same (chosen: people ask for −16 where −15.98 was played)."""


NO_ENDS = np.zeros(0)
"""Stands for the ends of intervals where a record holds none."""


SAME_TONE = 0.01
"""Share by which a tone's frequency may miss the one asked for (chosen: its nominal frequency,
which a burst of whole periods misses by less)."""


@dataclass(frozen=True, repr=False)
class Warning_(Record):  # noqa: N801 - "Warning" would hide the builtin
    """Something the reader of the numbers must know."""

    code: str
    message: str
    take: str | None = None
    rung: int | None = None
    frequency_hz: float | None = None


@dataclass(frozen=True, repr=False)
class Thd(Record):
    """THD at one frequency and drive, with the ends of its 95 % interval.

    ``thd_db``, ``low_db``, ``high_db`` and ``floor_db`` (what background noise alone would show)
    are re the fundamental. A ``low_db`` of −inf (``low_percent`` of 0) says that THD is at most
    the high end. NaN where no harmonic fits the measured band, or noise hides the fundamental; the
    ends also where the results hold no intervals.
    """

    frequency_hz: float
    drive_dbfs: float
    thd_db: float
    thd_percent: float
    floor_db: float
    reliable: bool
    low_db: float = float("nan")
    high_db: float = float("nan")
    low_percent: float = float("nan")
    high_percent: float = float("nan")


@dataclass(frozen=True, repr=False)
class Take(Record):
    """One recording of a stimulus at one position, analysed.

    ``limiters`` are those that a ladder shows, each in its band: one entry of kind "none"
    where the ladder was judged and nothing acts, empty where nothing can be said.
    ``calibration`` is the one this take was made with. ``partial`` says that the capture ended
    before the stimulus did. ``thd_advice`` has an entry for each rung whose THD noise hides.
    ``damage`` is what happened to the recording and was not the loudspeaker's doing.
    ``at_spl`` holds THD and harmonics at the levels that the session asks for.
    """

    position: str
    stimulus: str
    kind: str
    clock_drift_ppm: float | None
    level_unit: str
    frequency_hz: FloatArray
    band_hz: list[float]
    drive_shape_db: FloatArray
    rungs: list[Rung]
    compression: Compression | None = None
    return_check_db: float | None = None
    limiters: list[Limiter] = field(default_factory=list)
    clean_level: list[CleanLevel] = field(default_factory=list)
    clean_level_third_octave: list[CleanLevel] = field(default_factory=list)
    background: Background | None = None
    staircase: list[Staircase] = field(default_factory=list)
    high_order_onset: list[HighOrderOnset] = field(default_factory=list)
    spikes: list[SpikeSeen] = field(default_factory=list)
    decay_map: DecayMap | None = None
    calibration: RecordedCalibration = field(default_factory=RecordedCalibration)
    partial: bool = False
    thd_advice: list[ThdAdvice] = field(default_factory=list)
    damage: list[Damage] = field(default_factory=list)
    at_spl: list[AtSpl] = field(default_factory=list)
    impulse: ImpulseResponse | None = None

    def thd_at(self, frequency_hz: float, *, drive_dbfs: float) -> Thd:
        """Return THD at a frequency, for one of the drives that were played.

        Between two frequencies of a ladder it is interpolated, in dB against the logarithm of
        frequency, the ends of its interval like the value, and reliable where both are. The top of
        a narrow peak that lies between them is not in it. Of a staircase the tone must be one
        played.

        Raises
        ------
        ValueError
            The drive was not played, or the frequency was not measured.
        """
        if self.staircase:
            tones = np.array([row.frequency_hz for row in self.staircase])
            at = int(np.argmin(np.abs(tones / frequency_hz - 1.0)))
            if abs(tones[at] / frequency_hz - 1.0) > SAME_TONE:
                raise ValueError(f"no tone of {frequency_hz:g} Hz; there are {_listed(tones)} Hz")
            row = self.staircase[at]
            return _thd_between(row, _played(row.drive_dbfs, drive_dbfs), 0.0, row.frequency_hz)
        rung = self.rungs[_played([rung.drive_dbfs for rung in self.rungs], drive_dbfs)]
        f = self.frequency_hz
        if not f[0] <= frequency_hz <= f[-1]:
            raise ValueError(f"{frequency_hz:g} Hz: measured was {f[0]:g} to {f[-1]:g} Hz")
        at = min(int(np.searchsorted(f, frequency_hz, side="right")) - 1, len(f) - 2)
        share = float(np.log(frequency_hz / f[at]) / np.log(f[at + 1] / f[at]))
        return _thd_between(rung, at, share, frequency_hz)


@dataclass(frozen=True, repr=False)
class Results(Record):
    """Everything that ``results.json`` holds."""

    device: Device
    conditions: Conditions
    calibration: RecordedCalibration
    takes: list[Take]
    resonances: list[Resonance]
    background: Background | None
    warnings: list[Warning_]
    schema: str = SCHEMA
    agreement: list[Agreement] = field(default_factory=list)
    resonance_notes: list[str] = field(default_factory=list)
    limiter_agreement: list[LimiterAgreement] = field(default_factory=list)
    provenance: Provenance | None = None

    def take(self, position: str = "axis", *, kind: str | None = None) -> Take:
        """Return the first take at a position; a partial one only where none is complete.

        Parameters
        ----------
        kind : "ladder" or "staircase"; None: whichever comes first.

        Raises
        ------
        KeyError
            No take is of that position and kind.
        """
        found = first_take(self.takes, position, kind=kind)
        if found is None:
            what = "" if kind is None else f" of kind {kind!r}"
            there = [(take.position, take.kind) for take in self.takes]
            raise KeyError(f"no take at position {position!r}{what}; there are {there}")
        return found


def _played(drives_dbfs: Sequence[float] | FloatArray, drive_dbfs: float) -> int:
    """Return the place of a drive among those played.

    Raises
    ------
    ValueError
        It was not played.
    """
    away = np.abs(np.asarray(drives_dbfs, dtype=float) - drive_dbfs)
    if not len(away) or np.min(away) > SAME_DRIVE_DB:
        raise ValueError(
            f"{drive_dbfs:g} dBFS was not played; there are {_listed(drives_dbfs)} dBFS"
        )
    return int(np.argmin(away))


def _thd_between(curve: Rung | Staircase, at: int, share: float, frequency_hz: float) -> Thd:
    """Return THD at a place of a curve, or between it and the next."""
    ends = [at] if share == 0.0 else [at, at + 1]
    weights = [1.0] if share == 0.0 else [1.0 - share, share]
    drive_dbfs = curve.drive_dbfs
    thd_db, low_db, high_db = (
        float(np.dot(weights, part[ends])) if len(part) else float("nan")
        for part in _with_ends(curve)
    )
    return Thd(
        frequency_hz=float(frequency_hz),
        drive_dbfs=float(drive_dbfs[at]) if isinstance(drive_dbfs, np.ndarray) else drive_dbfs,
        thd_db=thd_db,
        thd_percent=float(db_to_percent(thd_db)),
        floor_db=float(np.dot(weights, curve.thd_floor_db[ends])),
        reliable=bool(np.all(curve.thd_reliable[ends])),
        low_db=low_db,
        high_db=high_db,
        low_percent=float(db_to_percent(low_db)),
        high_percent=float(db_to_percent(high_db)),
    )


def _with_ends(curve: Rung | Staircase) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return THD and the ends of its interval, −inf where it is nothing, as a file cannot say."""
    low_db, high_db = getattr(curve, "thd_low_db", NO_ENDS), getattr(curve, "thd_high_db", NO_ENDS)
    if not len(high_db):
        return curve.thd_db, low_db, high_db
    bounded = np.isfinite(high_db)
    thd_db, low_db = (
        np.where(np.isnan(part) & bounded, -np.inf, part) for part in (curve.thd_db, low_db)
    )
    return thd_db, low_db, high_db


def _listed(numbers: Sequence[float] | FloatArray) -> str:
    return ", ".join(f"{number:g}" for number in numbers)


def first_take(takes: Sequence[Take], position: str, *, kind: str | None = None) -> Take | None:
    """Return the first complete take of a position and kind, else the first partial, else None."""
    fitting = [t for t in takes if t.position == position and kind in (None, t.kind)]
    return next((take for take in fitting if not take.partial), fitting[0] if fitting else None)
