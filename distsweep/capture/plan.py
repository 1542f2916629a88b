"""From what the probe found to the drives of a ladder, and what they add up to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from distsweep.analysis.weighting import a_weighting_db
from distsweep.capture.announcement import PROBES_ONLY, Announcement
from distsweep.capture.belief import Belief
from distsweep.capture.exposure import Exposure, doses, exposures_of
from distsweep.capture.levels import LARGEST_RISE_DB, with_gentle_rises
from distsweep.capture.response import Gain
from distsweep.errors import InputError, SafetyRefusal
from distsweep.stimulus.sweep import Sweep
from distsweep.units import FloatArray
from distsweep.words.wording import signed, with_sign

COURSE_STEP_S = 0.01
"""Step of a sweep's course of levels, as the dose is added up (chosen)."""


@dataclass(frozen=True)
class Bench:
    """Loudspeaker, distance and interface as the probe found them.

    Attributes
    ----------
    gain : what becomes of a 0 dBFS sine, in dBFS of the input.
    loudest_at_0dbfs_db : highest level over 125 ms, dBFS of the input, of what is planned, were
        its drive 0 dBFS.
    belief : what the input's levels are in dB SPL, and how far that is believed.
    probe_dbfs : drive of the loudest probe that went well.
    listener_offset_db : level at the listener minus that at the microphone.
    """

    gain: Gain
    loudest_at_0dbfs_db: float
    belief: Belief
    probe_dbfs: float
    listener_offset_db: float

    @property
    def band_spl_at_0dbfs_db(self) -> float | None:
        """A rung's level at 0 dBFS drive, dB SPL over the level band; None while uncalibrated."""
        return self.belief.nominal_spl_db(self.gain.band_db)

    def nominal_spl_db(self, drive_dbfs: float) -> float | None:
        """The loudest moment of a drive by the calibration; None without one."""
        return self.belief.nominal_spl_db(self.loudest_at_0dbfs_db + drive_dbfs)

    def worst_spl_db(self, drive_dbfs: float) -> float:
        """The loudest moment of a drive at worst."""
        return self.belief.worst_spl_db(drive_dbfs, self.loudest_at_0dbfs_db)

    def worst_course_dba(self, passed_hz: FloatArray) -> FloatArray:
        """A-weighted level at the listener, at worst, of 0 dBFS at frequencies in Hz."""
        shape_db = np.interp(np.log(passed_hz), np.log(self.gain.frequency_hz), self.gain.curve_db)
        level_db = [
            self.belief.worst_spl_db(0.0, db if self.belief.known else None) for db in shape_db
        ]
        return np.asarray(level_db + a_weighting_db(passed_hz) + self.listener_offset_db)

    def course_dba(self, sweep: Sweep) -> FloatArray:
        """``worst_course_dba`` over a sweep's time, one value each COURSE_STEP_S."""
        times_s = np.arange(0.0, sweep.duration_s, COURSE_STEP_S)
        return self.worst_course_dba(sweep.frequency_at_hz(times_s))


@dataclass(frozen=True)
class Plan:
    """The drives of a ladder, dBFS, rising; ``added`` tells which were put in between."""

    drives_dbfs: tuple[float, ...]
    added: tuple[bool, ...]
    bench: Bench

    def rung_spl_db(self, drive_dbfs: float) -> float | None:
        """A rung's predicted level, dB SPL over the level band; None while uncalibrated."""
        at_0dbfs_db = self.bench.band_spl_at_0dbfs_db
        return None if at_0dbfs_db is None else drive_dbfs + at_0dbfs_db

    def name(self, drive_dbfs: float) -> str:
        """Say how loud a rung is."""
        spl_db = self.rung_spl_db(drive_dbfs)
        if spl_db is None:
            return f"{signed(drive_dbfs)} dBFS"
        return f"{spl_db:.1f} dB SPL ({signed(drive_dbfs)} dBFS)"


def plan_from_spl(levels_spl_db: Sequence[float], bench: Bench) -> Plan:
    """Find the drives that give levels in dB SPL over the level band, by the probe.

    Raises
    ------
    InputError
        Nothing is calibrated.
    SafetyRefusal
        A drive would pass 0 dBFS.
    """
    at_0dbfs_db = bench.band_spl_at_0dbfs_db
    if at_0dbfs_db is None:
        raise InputError(
            "levels in dB SPL need a calibration: 'distsweep calibrate', or --levels-dbfs"
        )
    highest_dbfs = max(levels_spl_db) - at_0dbfs_db
    if highest_dbfs > 0.0:
        raise SafetyRefusal(
            f"{max(levels_spl_db):g} dB SPL would need {with_sign(highest_dbfs)} dBFS, above full"
            f" scale; this volume setting gives {at_0dbfs_db:.1f} dB SPL at most: turn the"
            " loudspeaker up, or ask for less"
        )
    return plan_from_drives([level_db - at_0dbfs_db for level_db in levels_spl_db], bench)


def plan_from_drives(drives_dbfs: Sequence[float], bench: Bench) -> Plan:
    """Take drives in dBFS as asked for, with gentler rises put in where they are needed.

    The ladder starts at most LARGEST_RISE_DB above the probe.
    """
    if not drives_dbfs or max(drives_dbfs) > 0.0:
        raise SafetyRefusal("a drive is above 0 dBFS, or none was asked for")
    drives = with_gentle_rises(drives_dbfs, from_db=bench.probe_dbfs)
    return Plan(drives, tuple(drive not in drives_dbfs for drive in drives), bench)


def drive_exposures(drive_dbfs: float, bench: Bench, sweep: Sweep) -> list[Exposure]:
    """Return what one sweep at a drive is at the listener's place."""
    return exposures_of(bench.course_dba(sweep) + drive_dbfs, step_s=COURSE_STEP_S)


def announce(
    plan: Plan,
    played_dbfs: Sequence[float],
    *,
    sweep: Sweep,
    seconds: float,
    probe_s: float = 0.0,
    earlier: Sequence[Exposure],
    calibrated_gain: str | None = None,
    gain_said: bool = False,
    latency: str | None = None,
    played: str = PROBES_ONLY,
) -> Announcement:
    """Say what a plan will sound like.

    Parameters
    ----------
    played_dbfs : drive of every sweep in order, repeats and the return rung included.
    seconds, probe_s : see ``Announcement``.
    earlier : what the session has played before.
    calibrated_gain, gain_said, latency, played : see ``Announcement``.
    """
    exposures = list(earlier)
    for drive_dbfs in played_dbfs:
        exposures += drive_exposures(drive_dbfs, plan.bench, sweep)
    added = dict(zip(plan.drives_dbfs, plan.added, strict=True))
    lines = [
        f"{plan.name(drive)}, at worst {plan.bench.worst_spl_db(drive):.1f} dB SPL at its loudest,"
        f" {sweep.duration_s:.1f} s"
        + (f" (added: rises of {LARGEST_RISE_DB:g} dB at most)" if added.get(drive) else "")
        for drive in played_dbfs
    ]
    drive_dbfs = max(played_dbfs)
    return Announcement(
        nominal_spl_db=plan.bench.nominal_spl_db(drive_dbfs),
        worst_spl_db=plan.bench.worst_spl_db(drive_dbfs),
        listener_offset_db=plan.bench.listener_offset_db,
        drives_dbfs=played_dbfs,
        seconds=seconds,
        probe_s=probe_s,
        lines=lines,
        doses=doses(exposures),
        origin=plan.bench.belief.origin,
        calibrated_gain=calibrated_gain,
        gain_said=gain_said,
        latency=latency,
        played=played,
    )
