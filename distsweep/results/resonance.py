"""The part of ``results.json`` that holds resonances and what they rest on."""

from __future__ import annotations

from dataclasses import dataclass, field

from distsweep.results.record import Record
from distsweep.units import FloatArray


@dataclass(frozen=True, repr=False)
class SpikeSeen(Record):
    """A narrow peak of one curve: of a harmonic, or of THD where ``order`` is None.

    ``frequency_hz`` is the excitation frequency, ``level_db`` re the fundamental,
    ``prominence_db`` the height over the surroundings, ``width_octaves`` taken at half of it.
    """

    order: int | None
    frequency_hz: float
    drive_dbfs: float
    level_db: float
    prominence_db: float
    width_octaves: float


@dataclass(frozen=True, repr=False)
class DecayMap(Record):
    """Level of the impulse response over frequency and time, dB re the loudest at each frequency.

    ``level_db`` holds a row a frequency; ``time_s`` counts from the direct sound. The rest are
    the settings: each row is the envelope behind a band-pass ``bandwidth_octaves`` wide, which
    rings for ``ringing_s`` (to −20 dB) by itself. ``reflection_s`` is when the first strong
    reflection arrives, None where none was found.
    """

    frequency_hz: FloatArray
    time_s: FloatArray
    level_db: list[FloatArray]
    bandwidth_octaves: float
    ringing_s: FloatArray
    drive_dbfs: float
    floor_db: float
    reflection_s: float | None = None


@dataclass(frozen=True, repr=False)
class SeenIn(Record):
    """Where a resonance was seen: a peak of one order at one position and level."""

    position: str
    order: int
    excitation_hz: float
    drive_dbfs: float
    prominence_db: float


@dataclass(frozen=True, repr=False)
class PossibleCause(Record):
    """Something whose frequency is close by: a possibility, never a finding.

    ``predicted_hz`` has the uncertainty ``uncertainty_percent`` (one standard deviation);
    ``off_percent`` is how much higher the resonance lies; ``match`` runs from 1 (exactly there)
    to 0: exp(−z²/2) for a distance of z deviations.
    """

    name: str
    predicted_hz: float
    off_percent: float
    uncertainty_percent: float
    match: float
    sentence: str = ""


@dataclass(frozen=True, repr=False)
class Decay(Record):
    """What the impulse response says of a resonance.

    ``state`` is "rings", "no_longer" (than its neighbours), "hidden" (by the room, or by
    noise) or "unknown" (nothing to look at). ``ring_time_s`` is the time to fall by 20 dB,
    ``neighbours_s`` the same beside it; ``free_s`` the time before the first reflection.
    """

    state: str
    rate_db_per_s: float | None = None
    q: float | None = None
    ring_time_s: float | None = None
    neighbours_s: float | None = None
    free_s: float | None = None
    sentence: str = ""


@dataclass(frozen=True, repr=False)
class GrowthPoint(Record):
    """Level of a resonance's peak at one drive: of one order, dB re the fundamental."""

    order: int
    drive_dbfs: float
    level_db: float
    above_floor_db: float
    prominence_db: float


@dataclass(frozen=True, repr=False)
class AtPosition(Record):
    """How strongly a resonance shows at one position; None where it cannot be told.

    ``state`` is "strongest", "present", "missing" or "cannot_tell". ``level_db`` is that of the
    product itself, in the take's unit, at the highest drive that all positions share.
    """

    position: str
    state: str
    fundamental_bump_db: float | None = None
    spike_db: float | None = None
    level_db: float | None = None


@dataclass(frozen=True, repr=False)
class Resonance(Record):
    """A resonance, with what speaks for it and against it.

    ``kind`` is "radiated" (it lifts every product that lands on ``frequency_hz``) or
    "excited" (it is set off when ``frequency_hz`` is played). ``confidence`` runs from 0 to 1:
    of many with the same value, such a share is real. ``prominence_db`` is that of its
    strongest peak, ``growth_db_per_db`` the growth re the drive of the order that ``growth``
    follows (a relative level grows by order − 1 while the nonlinearity is mild:
    ``expected_growth_db_per_db``), from ``appears_at_dbfs`` on. ``other_kind`` is the confidence
    that the other kind would have.
    ``fundamental_bump`` is "present", "absent" or "too_small_to_tell".
    ``steady_level_db`` is what a steady tone would show at the top of an excited one, of the
    harmonic ``steady_order`` re the fundamental, with the ends of its 95 % interval (a low end of
    −inf: at most), at ``steady_hz`` and ``steady_drive_dbfs``; ``swept_level_db`` is what the sweep
    shows there, and ``steady_sweep_s`` the length from which on a sweep shows it to 0.5 dB.
    """

    frequency_hz: float
    q: float | None
    kind: str
    confidence: float
    prominence_db: float
    growth_db_per_db: float | None
    seen_in: list[SeenIn] = field(default_factory=list)
    agrees_with: list[str] = field(default_factory=list)
    speaks_against: list[str] = field(default_factory=list)
    possible_causes: list[PossibleCause] = field(default_factory=list)
    other_kind: float = 0.0
    expected_growth_db_per_db: float | None = None
    appears_at_dbfs: float | None = None
    growth: list[GrowthPoint] = field(default_factory=list)
    fundamental_bump: str = "too_small_to_tell"
    fundamental_bump_db: float | None = None
    decay: Decay | None = None
    positions: list[AtPosition] = field(default_factory=list)
    summary: str = ""
    steady_order: int | None = None
    steady_hz: float | None = None
    steady_drive_dbfs: float | None = None
    steady_level_db: float | None = None
    steady_low_db: float | None = None
    steady_high_db: float | None = None
    swept_level_db: float | None = None
    steady_sweep_s: float | None = None
