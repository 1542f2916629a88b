"""Records of what holds the output back, up to where it stays clean, and who agrees on it."""

from __future__ import annotations

from dataclasses import dataclass, field

from distsweep.results.record import Record, RecordedReason
from distsweep.units import FloatArray

TURNED_DOWN = ("limiter", "compressor", "limiting")
"""Kinds that turn the gain down and leave the wave whole."""


@dataclass(frozen=True, repr=False)
class LimiterNumbers(Record):
    """A limiter in numbers: see the contract for ``kind``.

    ``ratio`` is a number for every kind "compressor", and for a "limiter" under 20. A ratio
    of None in a "limiter" means infinite: 20 or more. The other kinds have no ratio.
    ``threshold_low_dbfs`` and ``_high`` are what the threshold lies between, ``ratio_low`` and
    ``_high`` (None: infinite) the same of the ratio, knees of any width included. Of the kind
    "limiting" only these bounds are known.
    ``threshold_dbfs`` of a "clipping" is the drive from which on the wave is clipped.
    ``attack_ms`` and ``release_ms`` are the times in which the gain in dB covers 63 % of its
    way; None where they were not heard, or hold too few periods of the tone.
    ``fit_rms_db`` is what the static curve (of a clipping: the hard clip) misses.
    """

    kind: str
    threshold_dbfs: float | None = None
    ratio: float | None = None
    knee_db: float | None = None
    band_hz: list[float] | None = None
    attack_ms: float | None = None
    release_ms: float | None = None
    fit_rms_db: float | None = None
    threshold_low_dbfs: float | None = None
    threshold_high_dbfs: float | None = None
    ratio_low: float | None = None
    ratio_high: float | None = None

    @property
    def threshold_bounds_dbfs(self) -> tuple[float | None, float | None]:
        """What the threshold lies between, twice the same where it is stated."""
        if self.threshold_dbfs is not None:
            return self.threshold_dbfs, self.threshold_dbfs
        return self.threshold_low_dbfs, self.threshold_high_dbfs

    @property
    def may_act_from_the_lowest(self) -> bool:
        """Whether the lowest level played may be held back already: no threshold is above it."""
        begins = self.threshold_dbfs is not None or self.threshold_low_dbfs is not None
        return self.kind in TURNED_DOWN and not begins


@dataclass(frozen=True, repr=False)
class Limiter(LimiterNumbers):
    """What holds the output back, with what speaks for its kind.

    ``evidence`` says it in sentences; ``reasons`` holds the same facts, one for each sentence, by
    a code with values. Files of earlier versions hold no reasons.
    """

    evidence: list[str] = field(default_factory=list)
    reasons: list[RecordedReason] = field(default_factory=list)

    def sentence_of(self, *codes: str) -> str | None:
        """Return the sentence of the first reason that has one of the codes; None without it."""
        for reason, sentence in zip(self.reasons, self.evidence, strict=False):
            if reason.code in codes:
                return sentence
        return None


@dataclass(frozen=True, repr=False)
class CleanLevel(Record):
    """Highest level that keeps within a limit; arrays have the shape of ``frequency_hz``.

    The limits are ``thd_percent`` (NaN: none), ``compression_db`` (None: none), or both,
    whichever comes first. ``level_db`` is in the take's unit, ``drive_dbfs`` belongs to it;
    ``low`` and ``high`` are what they lie between, NaN where that end is not known.
    ``state`` says for each frequency what is known:

    - "reached": the limit lies between two levels played that are known to be on its two
      sides; the level is interpolated between them.
    - "bracketed": it lies between ``low`` and ``high``, and no nearer place can be told.
    - "not reached": the highest level that is known keeps within it: at least ``level_db``.
    - "below": the lowest level that is known is past it: below ``high``.
    - "contradicted": a louder level keeps within what a quieter one passed: nothing is stated.
    - "unknown": noise leaves more than a step of the ladder open, or everything.

    ``limited_by`` is "thd", "compression" or "" a frequency.
    """

    thd_percent: float
    compression_db: float | None
    frequency_hz: FloatArray
    level_db: FloatArray
    low_db: FloatArray
    high_db: FloatArray
    drive_dbfs: FloatArray
    drive_low_dbfs: FloatArray
    drive_high_dbfs: FloatArray
    state: list[str]
    limited_by: list[str]


@dataclass(frozen=True, repr=False)
class Thermal(Record):
    """Slow sagging of the gain, as of a voice coil that grows hot.

    ``depth_db`` is where the fitted exponential leads at the loudest level, ``seen_db`` the
    largest sag reached in the recording, both positive. ``temperature_rise_k`` is what
    ``depth_db`` implies for a copper coil at constant voltage: an estimate, as ``estimate``
    says, and too low near a resonance.
    """

    depth_db: float
    seen_db: float
    time_constant_s: float
    temperature_rise_k: float
    fit_rms_db: float
    estimate: bool = True


@dataclass(frozen=True, repr=False)
class Agreement(Record):
    """A ladder and a staircase compared at one frequency and drive: staircase minus ladder.

    The THDs compared sum the same orders. ``reliable`` asks both for their own reliability.
    ``…_low_db`` and ``…_high_db`` are the ends of 95 % intervals, NaN in files that lack them.
    """

    position: str
    ladder: str
    staircase: str
    frequency_hz: float
    drive_dbfs: float
    level_difference_db: float
    thd_difference_db: float
    ladder_thd_db: float
    staircase_thd_db: float
    thd_margin_db: float
    reliable: bool
    level_difference_low_db: float = float("nan")
    level_difference_high_db: float = float("nan")
    thd_difference_low_db: float = float("nan")
    thd_difference_high_db: float = float("nan")


@dataclass(frozen=True, repr=False)
class LimiterAgreement(Record):
    """What holds a tone back, by a ladder and by a staircase at one position.

    ``state`` is "agree", "differ" or "not compared"; ``reason`` says which: "kind",
    "threshold", "ladder only", "staircase only" or "gain change"; agreeing: "name" (ratios on
    either side of 4 that are the same as far as they are known); not compared: "blend" (the
    tone lies outside the ladder's bands, and both lose gain), "not named" (both lose the same,
    and one of them shows no limiter), "ladder played lower" or "staircase played lower" (than
    the other's threshold), "hardly begun" (the limiter that one finds takes too little at the
    other's highest drive to show), "drive reduced" (a sweep's drive is lower there), "noise" or
    "no common drive" (a gain change that both have is not known).

    ``possible_cause`` is "slow" (a limiter too slow for a sweep), "heat", "release" (a limiter
    still acting on what a sweep plays next), "moved" (the ladder's first level did not come back
    the same) or "". The thresholds are the two ends each lies between (the same where one is
    stated; None where an end is not known); the gain changes are those at ``drive_dbfs``, the
    highest drive that both have, ``…_low_db`` and ``…_high_db`` the ends of their 95 % intervals
    (None in files that lack them). Drives and thresholds are those at the tone, where the ladder's
    sweep may be reduced. ``ladder_take`` is the ladder's index in the results' takes (two may
    bear the same names); None in files that lack it.
    """

    position: str
    ladder: str
    staircase: str
    frequency_hz: float
    state: str
    reason: str
    possible_cause: str
    ladder_kind: str
    staircase_kind: str
    ladder_threshold_dbfs: list[float | None]
    staircase_threshold_dbfs: list[float | None]
    drive_dbfs: float | None
    ladder_change_db: float | None
    staircase_change_db: float | None
    ladder_take: int | None = None
    ladder_change_low_db: float | None = None
    ladder_change_high_db: float | None = None
    staircase_change_low_db: float | None = None
    staircase_change_high_db: float | None = None
