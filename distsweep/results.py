"""The dataclasses behind ``results.json``, their reader and their writer.

Field names are those of the contract ("distsweep.results/2"). Inside, arrays are numpy
arrays, with NaN or −inf where a number does not exist; in the file those are ``null``.
"""

from __future__ import annotations

import dataclasses
import json
import types
import typing
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from distsweep import results_v1
from distsweep.errors import InputError
from distsweep.results_record import Record
from distsweep.results_resonance import DecayMap, Resonance, SpikeSeen
from distsweep.units import BoolArray, FloatArray, IntArray, db_to_percent
from distsweep.whole_files import write_whole_text

SCHEMA = "distsweep.results/2"

FLOOR_MARGIN_DB = 6.0
"""Below this distance from its floor a value is not to be told from noise (contract)."""

RELIABLE_MARGIN_DB = 25.0
"""A value is called reliable when it stands so far above its floor.

The contract asks for 6 dB at least. But a floor is the background's RMS, and a background 6 dB
below a value can move it by 6 dB. At 25 dB it takes 2.8 times its RMS, in step with the value,
to move it by 1.5 dB: Gaussian noise does that once in thirty thousand values. In between, a
value is uncertain: distortion is there, but its size may be off by several decibels.
"""

SAME_DRIVE_DB = 0.05
"""Drives so close are one: people ask for −16 where −15.98 was played (chosen)."""

SAME_TONE = 0.01
"""A tone is asked for by its nominal frequency, which a burst of whole periods misses by less."""

_DECIMALS = {"_percent": 6}  # −120 dB is 0.0001 %; everything else is written to 1e-4 of its unit
_DEFAULT_DECIMALS = 4


@dataclass(repr=False)
class HarmonicCurve(Record):
    """One harmonic against excitation frequency; every array has shape ``(F,)``.

    ``level_db`` and ``floor_db`` are re the fundamental at the same excitation frequency;
    ``input_referred_db`` has the linear response between f and n·f divided out.
    """

    level_db: FloatArray
    floor_db: FloatArray
    reliable: BoolArray
    input_referred_db: FloatArray


@dataclass(repr=False)
class Rung(Record):
    """One level of a ladder; arrays have shape ``(F,)``.

    ``drive_dbfs`` is re a full-scale sine; ``spl_db`` is None when uncalibrated;
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


@dataclass(repr=False)
class Compression(Record):
    """Gain change of a ladder; ``gain_change_db`` is one ``(F,)`` array a rung."""

    reference_drive_dbfs: float | None
    gain_change_db: list[FloatArray]
    onset_dbfs: FloatArray
    drive_at_1db_dbfs: FloatArray
    drive_at_3db_dbfs: FloatArray


@dataclass(repr=False)
class Limiter(Record):
    """What holds the output back: see the contract for ``kind``.

    ``ratio`` is a number for every kind "compressor", and for a "limiter" under 20. A ratio
    of None in a "limiter" means infinite: 20 or more. The other kinds have no ratio.
    ``threshold_low_dbfs`` and ``_high`` are what the threshold lies between, ``ratio_low`` and
    ``_high`` (None: infinite) the same of the ratio, knees of any width included. Of the kind
    "limiting" only these bounds are known.
    ``threshold_dbfs`` of a "clipping" is the drive from which on the wave is clipped.
    ``attack_ms`` and ``release_ms`` are the times in which the gain in dB covers 63 % of its
    way; None where they were not heard, or hold too few periods of the tone.
    ``fit_rms_db`` is what the static curve (of a clipping: the hard clip) misses.
    ``evidence`` says in plain words what speaks for the kind.
    """

    kind: str
    threshold_dbfs: float | None = None
    ratio: float | None = None
    knee_db: float | None = None
    band_hz: list[float] | None = None
    attack_ms: float | None = None
    release_ms: float | None = None
    fit_rms_db: float | None = None
    evidence: list[str] = field(default_factory=list)
    threshold_low_dbfs: float | None = None
    threshold_high_dbfs: float | None = None
    ratio_low: float | None = None
    ratio_high: float | None = None


@dataclass(repr=False)
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


@dataclass(repr=False)
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


@dataclass(repr=False)
class BurstTrace(Record):
    """Level against time around a burst, in the take's unit; time from the burst's start."""

    drive_dbfs: float
    burst_s: float
    window_s: float
    time_s: FloatArray
    level_db: FloatArray


@dataclass(repr=False)
class Staircase(Record):
    """The bursts of one frequency; arrays have shape ``(L,)``, a value a level, rising.

    ``level_db`` is that of the fundamental on the way up, ``falling_level_db`` on the way
    down (the loudest is in both). ``harmonics`` and ``residual_db`` (what the harmonics
    leave) are re the fundamental; ``waveform_crest_db`` is peak over RMS of the wave that
    fundamental and harmonics make, 3.01 for a sine. ``difference_db`` is the way down minus
    the way up where they differ most. ``limiter`` is None where nothing can be said.
    ``high_order_onset_dbfs`` is the drive from which the residual stands out of the noise.
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
    limiter: Limiter | None = None
    thermal: Thermal | None = None
    high_order_onset_dbfs: float | None = None
    trace: BurstTrace | None = None


@dataclass(repr=False)
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


@dataclass(repr=False)
class Agreement(Record):
    """A ladder and a staircase compared at one frequency and drive: staircase minus ladder.

    The THDs compared sum the same orders. ``reliable`` asks both for their own reliability.
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


@dataclass(repr=False)
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
    highest drive that both have. Drives and thresholds are those at the tone, where the ladder's
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


@dataclass(repr=False)
class Tone(Record):
    """A tone in the background, e.g. a line of mains hum."""

    frequency_hz: float
    level_db: float


@dataclass(repr=False)
class Background(Record):
    """What the microphone heard while nothing was played, in the take's level unit."""

    level_db: float | None
    a_weighted_db: float | None
    hum: list[Tone]


@dataclass(repr=False)
class Warning_(Record):  # noqa: N801 - "Warning" would hide the builtin
    """Something the reader of the numbers must know."""

    code: str
    message: str
    take: str | None = None
    rung: int | None = None
    frequency_hz: float | None = None


@dataclass(repr=False)
class Thd(Record):
    """THD at one frequency and drive; ``floor_db`` is what background noise alone would show.

    NaN where no harmonic fits the measured band. ``thd_db`` and ``floor_db`` are re the
    fundamental.
    """

    frequency_hz: float
    drive_dbfs: float
    thd_db: float
    thd_percent: float
    floor_db: float
    reliable: bool


@dataclass(repr=False)
class Take(Record):
    """One recording of a stimulus at one position, analysed.

    ``limiters`` are those that a ladder shows, each in its band: one entry of kind "none"
    where the ladder was judged and nothing acts, empty where nothing can be said.
    ``calibration`` is the one this take was made with, as ``Results.calibration`` describes
    one. ``partial`` says that the capture ended before the stimulus did.
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
    calibration: dict[str, Any] = field(default_factory=dict)
    partial: bool = False

    def thd_at(self, frequency_hz: float, *, drive_dbfs: float) -> Thd:
        """Return THD at a frequency, for one of the drives that were played.

        Between two frequencies of a ladder it is interpolated, in dB against the logarithm of
        frequency, and reliable where both are. Of a staircase the tone must be one played.

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


@dataclass(repr=False)
class Results(Record):
    """Everything that ``results.json`` holds."""

    device: dict[str, Any]
    conditions: dict[str, Any]
    calibration: dict[str, Any]
    takes: list[Take]
    resonances: list[Resonance]
    background: Background | None
    warnings: list[Warning_]
    schema: str = SCHEMA
    agreement: list[Agreement] = field(default_factory=list)
    resonance_notes: list[str] = field(default_factory=list)
    limiter_agreement: list[LimiterAgreement] = field(default_factory=list)

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
    thd_db = float(np.dot(weights, curve.thd_db[ends]))
    return Thd(
        frequency_hz=float(frequency_hz),
        drive_dbfs=float(drive_dbfs[at]) if isinstance(drive_dbfs, np.ndarray) else drive_dbfs,
        thd_db=thd_db,
        thd_percent=float(db_to_percent(thd_db)),
        floor_db=float(np.dot(weights, curve.thd_floor_db[ends])),
        reliable=bool(np.all(curve.thd_reliable[ends])),
    )


def _listed(numbers: Sequence[float] | FloatArray) -> str:
    return ", ".join(f"{number:g}" for number in numbers)


def first_take(takes: Sequence[Take], position: str, *, kind: str | None = None) -> Take | None:
    """Return the first complete take of a position and kind, else the first partial, else None."""
    fitting = [t for t in takes if t.position == position and kind in (None, t.kind)]
    return next((take for take in fitting if not take.partial), fitting[0] if fitting else None)


def to_json(results: Results) -> str:
    """Results as the text of ``results.json``: strict JSON, ``null`` for what does not exist."""
    return json.dumps(_plain(results, ""), allow_nan=False, ensure_ascii=False)


def write_results(results: Results, path: Path) -> None:
    """Write ``results.json`` whole, or not at all."""
    write_whole_text(path, to_json(results) + "\n")


def read_results(path: str | Path) -> Results:
    """Read a ``results.json``.

    Raises
    ------
    InputError
        It is missing, is not JSON, or is of another schema.
    """
    path = Path(path)
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(
            f"{path}: cannot be read ({error.strerror}); give a results.json"
        ) from error
    except (ValueError, RecursionError) as error:
        raise InputError(f"{path}: is not JSON ({error}); give a results.json") from error
    schema = data.get("schema") if isinstance(data, dict) else None
    if schema not in (SCHEMA, results_v1.SCHEMA):
        raise InputError(
            f"{path}: schema is {schema!r}, this version reads {SCHEMA!r} and"
            f" {results_v1.SCHEMA!r}: analyse the session again"
        )
    try:
        if schema == results_v1.SCHEMA:
            data = results_v1.to_version_2(data)
        return typing.cast(Results, _restore(Results, data))
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(
            f"{path}: is damaged ({type(error).__name__}: {error}): analyse the session again"
        ) from error


def _plain(value: Any, name: str) -> Any:
    """Turn dataclasses and arrays into what JSON knows; ``name`` sets the decimals."""
    if isinstance(value, np.ndarray):
        return _plain_array(value, name)
    if isinstance(value, float | np.floating):
        number = float(value)
        return round(number, _decimals(name)) if np.isfinite(number) else None
    if isinstance(value, np.integer | np.bool_):
        return value.item()
    if dataclasses.is_dataclass(value):
        return {f.name: _plain(getattr(value, f.name), f.name) for f in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {str(key): _plain(item, str(key)) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item, name) for item in value]
    return value


def _plain_array(array: np.ndarray[Any, Any], name: str) -> list[Any]:
    if array.dtype.kind != "f":
        return typing.cast(list[Any], array.tolist())
    values: list[Any] = np.round(array, _decimals(name)).tolist()
    for index in np.flatnonzero(~np.isfinite(array)):
        values[index] = None
    return values


def _decimals(name: str) -> int:
    for ending, decimals in _DECIMALS.items():
        if name.endswith(ending):
            return decimals
    return _DEFAULT_DECIMALS


def _restore(kind: Any, data: Any) -> Any:
    """Build a value of the annotated type ``kind`` from what JSON gave."""
    if dataclasses.is_dataclass(kind):
        hints = typing.get_type_hints(kind)
        known = {f.name: f for f in dataclasses.fields(kind)}
        given = {n: _restore(hints[n], data[n]) for n in known if n in data}
        return typing.cast(Any, kind)(**given)
    origin, arguments = typing.get_origin(kind), typing.get_args(kind)
    if origin in (typing.Union, types.UnionType):
        inner = next(a for a in arguments if a is not type(None))
        return None if data is None else _restore(inner, data)
    if origin is np.ndarray:
        for exact in (np.bool_, np.int64):
            if exact in typing.get_args(arguments[1]):
                return np.array(data, dtype=exact)
        return np.array([np.nan if item is None else item for item in data], dtype=float)
    if origin is list:
        return [_restore(arguments[0], item) for item in data]
    if origin is dict:
        return {arguments[0](key): _restore(arguments[1], item) for key, item in data.items()}
    if kind is float:
        return float("nan") if data is None else float(data)
    return data
