"""Records of a loudspeaker with filters in front: response, THD, headroom, each on and off."""

from __future__ import annotations

from dataclasses import dataclass, field

from distsweep.comparison.record import Comparison, Finding
from distsweep.results.record import Record
from distsweep.units import FloatArray

SCHEMA = "distsweep.filters/1"

PEAKING, LOW_SHELF, HIGH_SHELF = "peaking", "low shelf", "high shelf"
HIGH_PASS, LOW_PASS, BIQUAD = "high-pass", "low-pass", "biquad"
KINDS = (PEAKING, LOW_SHELF, HIGH_SHELF, HIGH_PASS, LOW_PASS, BIQUAD)


@dataclass(frozen=True, repr=False)
class Filter(Record):
    """One filter as it was given, at the sampling rate that it runs at.

    ``q`` belongs to peaking, high-pass and low-pass (and to a shelf in place of ``slope``),
    ``slope`` to shelves (1: the steepest that does not overshoot), ``order`` to Butterworth
    high-passes and low-passes in place of ``q``. ``b`` and ``a`` are a biquad's three coefficients
    each, of z⁰, z⁻¹, z⁻².
    """

    kind: str
    rate_hz: float
    frequency_hz: float | None = None
    gain_db: float | None = None
    q: float | None = None
    slope: float | None = None
    order: int | None = None
    b: tuple[float, ...] | None = None
    a: tuple[float, ...] | None = None
    name: str | None = None


@dataclass(frozen=True, repr=False)
class Curve(Record):
    """A quantity against frequency with the ends of its 95 % interval, shape ``(F,)`` each.

    NaN is not known; −inf as ``low`` is "at most", inf as ``high`` is "at least" (the value is then
    the least that it can be).
    """

    values: FloatArray
    low: FloatArray
    high: FloatArray


@dataclass(frozen=True, repr=False)
class AtDrive(Record):
    """The ladder's rung at ``drive_dbfs`` as it was measured, and the same drive through filters.

    ``change_db`` is the fundamental with filters minus without; levels are in the take's unit.
    NaN where the drive that reaches the loudspeaker was not played.
    """

    drive_dbfs: float
    fundamental_db: FloatArray
    filtered_fundamental_db: Curve
    change_db: Curve


@dataclass(frozen=True, repr=False)
class Limit(Record):
    """A limit, as the drive at the loudspeaker's input that reaches it at each frequency.

    ``kind`` is "limiter", "compressor", "limiting", "clipping" (of ``band_hz``), "gain change"
    (with ``gain_change_db``, −0.5, −1 or −3) or "clean level" (with ``thd_percent``,
    ``compression_db`` or both). ``name`` says it in a few words.
    """

    name: str
    kind: str
    drive_dbfs: Curve
    band_hz: list[float] | None = None
    gain_change_db: float | None = None
    thd_percent: float | None = None
    compression_db: float | None = None


@dataclass(frozen=True, repr=False)
class Headroom(Record):
    """How far a sine at each frequency stays below a limit, dB; negative is above it.

    ``limit`` is the limit's ``name``. ``change_db`` is the headroom with filters minus that
    without: it is the same for every limit, and known wherever the limit is.
    """

    limit: str
    without_db: Curve
    filtered_db: Curve
    change_db: Curve


@dataclass(frozen=True, repr=False)
class AtLevel(Record):
    """Without filters and with them at the same listening level: the mean over the level band.

    ``level_db`` is in the take's unit. ``drive_dbfs`` gives it without filters,
    ``filtered_drive_dbfs`` with them; None where it was not played, and nothing is known then.
    ``drive_at_dbfs`` is what reaches the loudspeaker at each frequency through the filters, shape
    ``(F,)``. THD and harmonics are dB re the fundamental at the same frequency.
    ``above_hz`` and ``below_hz`` are the ranges where the filters ask for more, or for less, than
    was played.
    """

    level_db: float
    unit: str
    drive_dbfs: float | None
    filtered_drive_dbfs: float | None
    filtered_drive_low_dbfs: float | None
    filtered_drive_high_dbfs: float | None
    drive_at_dbfs: FloatArray
    fundamental_db: Curve
    filtered_fundamental_db: Curve
    thd_db: Curve
    filtered_thd_db: Curve
    thd_change_db: Curve
    harmonics: dict[int, Curve]
    filtered_harmonics: dict[int, Curve]
    headroom: list[Headroom]
    above_hz: list[list[float]] = field(default_factory=list)
    below_hz: list[list[float]] = field(default_factory=list)


@dataclass(frozen=True, repr=False)
class Filtered(Record):
    """One filter alone, or all together: ``filters`` are the indices of those that are on.

    ``gain_db`` is their gain for a sine, shape ``(F,)``; ``notes`` say what limits the prediction.
    """

    name: str
    filters: list[int]
    gain_db: FloatArray
    at_drives: list[AtDrive]
    at_levels: list[AtLevel]
    notes: list[str] = field(default_factory=list)


@dataclass(frozen=True, repr=False)
class FilteredTake(Record):
    """A ladder at one position, with each filter alone and, last, with all of them."""

    position: str
    stimulus: str
    level_unit: str
    frequency_hz: FloatArray
    limits: list[Limit]
    filtered: list[Filtered]


@dataclass(frozen=True, repr=False)
class WithFilters(Record):
    """What filters cost: every position's prediction, and the same as a comparison.

    In ``comparison`` the first source is the loudspeaker as measured; each of the others is one
    filter alone, the last one all together. ``findings`` are those of the comparison.
    """

    filters: list[Filter]
    takes: list[FilteredTake]
    comparison: Comparison
    notes: list[str] = field(default_factory=list)
    schema: str = SCHEMA

    @property
    def findings(self) -> list[Finding]:
        """What the filters cost and give, in sentences."""
        return self.comparison.findings
