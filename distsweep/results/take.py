"""What an analysis found: the takes of a session, and all of it together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from distsweep.results.at_spl import EACH_FREQUENCY, AtSpl
from distsweep.results.damage import Damage
from distsweep.results.hiss import KIND as BACKGROUND
from distsweep.results.hiss import Hiss
from distsweep.results.impulse import ImpulseResponse
from distsweep.results.ladder import Background, Compression, HighOrderOnset, Rung, ThdAdvice
from distsweep.results.limits import Agreement, CleanLevel, Limiter, LimiterAgreement
from distsweep.results.loopback import Loopback
from distsweep.results.provenance import Provenance
from distsweep.results.record import ONLY_IF_ANY, Record
from distsweep.results.reproducibility import Reproducibility
from distsweep.results.resonance import DecayMap, Resonance, SpikeSeen
from distsweep.results.session import Conditions, Device, RecordedCalibration
from distsweep.results.staircase import Staircase
from distsweep.results.thd import Thd, Wanted, thd_of
from distsweep.units import FloatArray

SCHEMA = "distsweep.results/2"

AXIS = "axis"
"""The position that levels are quoted at (contract)."""


@dataclass(frozen=True, repr=False)
class Warning_(Record):  # noqa: N801 - "Warning" would hide the builtin
    """Something the reader of the numbers must know."""

    code: str
    message: str
    take: str | None = None
    rung: int | None = None
    frequency_hz: float | None = None


@dataclass(frozen=True, repr=False)
class Take(Record):
    """One recording of a stimulus at one position, analysed.

    ``limiters`` are those that a ladder shows, each in its band: one entry of kind "none"
    where the ladder was judged and nothing acts, empty where nothing can be said.
    ``calibration`` is the one this take was made with. ``partial`` says that the capture ended
    before the stimulus did. ``thd_advice`` has an entry for each rung whose THD noise hides.
    ``damage`` is what happened to the recording and was not the loudspeaker's doing.
    ``at_spl`` holds THD and harmonics at the levels that the session asks for. ``placement`` counts
    how often the microphone was put at the position; None where it was not noted. ``distance_m`` is
    the microphone's at this position, None: that of the conditions. ``loopback`` is None where no
    loop-back was recorded, or none that can be used.

    Takes of kind "background", in which nothing was played, have no rungs: ``state`` is that of the
    loudspeaker, ``level_db`` the mean level in thirds of an octave, and ``hiss``, in the take with
    it on, what it adds.
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
    placement: int | None = None
    distance_m: float | None = None
    loopback: Loopback | None = field(default=None, metadata=ONLY_IF_ANY)
    state: str | None = None
    third_octave_hz: FloatArray = field(default_factory=lambda: np.zeros(0))
    level_db: FloatArray = field(default_factory=lambda: np.zeros(0))
    a_weighted_db: float | None = None
    hiss: Hiss | None = None

    def thd_at(
        self,
        frequency_hz: float,
        *,
        drive_dbfs: float | None = None,
        spl_db: float | None = None,
        meaning: str = EACH_FREQUENCY,
    ) -> Thd:
        """Return THD at a frequency, for a drive or for a level.

        Between two frequencies of a ladder it is interpolated, in dB against the logarithm of
        frequency, the ends of its interval like the value, and reliable where both are. The top of
        a narrow peak that lies between them is not in it. Of a staircase the tone must be one
        played. Between two levels played it is read as `distsweep.results.between_rungs` says, and
        the interval holds what may happen between them.

        Parameters
        ----------
        drive_dbfs : drive, from the lowest to the highest played.
        spl_db : level in dB SPL; give it, or ``drive_dbfs``.
        meaning : of ``spl_db``: "each frequency", the fundamental has this level at
            ``frequency_hz``; "band", the mean over the level band has.

        Raises
        ------
        ValueError
            Nothing of this drive or level was played, or the frequency was not measured.
        """
        return thd_of(
            self.frequency_hz,
            self.rungs,
            self.staircase,
            frequency_hz,
            Wanted.of(drive_dbfs, spl_db, meaning, calibrated=self.level_unit == "dB SPL"),
        )


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
    reproducibility: list[Reproducibility] = field(default_factory=list)

    def distance_m_at(self, position: str = AXIS) -> float | None:
        """Return the microphone's distance at a position, in m: what was noted for its first take.

        On the axis it is else that of the conditions; None where it is not known.
        """
        take = first_take(self.takes, position)
        if take is not None and take.distance_m is not None:
            return take.distance_m
        return self.conditions.distance_m if position == AXIS else None

    def take(self, position: str = "axis", *, kind: str | None = None) -> Take:
        """Return the first take at a position; a partial one only where none is complete.

        Parameters
        ----------
        kind : "ladder", "staircase" or "background", of which that with the loudspeaker on comes
            first; None: whichever comes first, a background only where nothing was played.

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


def first_take(takes: Sequence[Take], position: str, *, kind: str | None = None) -> Take | None:
    """Return the first complete take of a position and kind, else the first partial, else None.

    One of the background is taken where it is asked for, or nothing else is there.
    """
    fitting = [t for t in takes if t.position == position and kind in (None, t.kind)]
    fitting = [t for t in fitting if t.kind != BACKGROUND] or fitting
    return next((take for take in fitting if not take.partial), fitting[0] if fitting else None)
