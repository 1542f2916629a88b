"""What a damaged recording's analysis got right: figures of one recording, and their sums."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from damage_draws import Draw, Table
from damaging import Inflicted

from distsweep.results import Damage, Results, Take

OFF_DB, FAR_OFF_DB = 1.5, 3.0
CHANGED_DB = 1.0
"""A damage that moves a value by more has to be named."""

NEAR_S, EXACT_S = 0.1, 0.02
"""How far a damage's time may lie from the true one to be about it, and to be right."""

EXACT_KINDS = ("click", "muted", "lost", "repeated")
"""Kinds whose time has to be right within ``EXACT_S``."""

SURE = 0.5
"""A resonance counts from this confidence on."""

SAME_HZ = 2.0 ** (1.0 / 12.0)
"""Two resonances are one within so much."""

BEFORE, AFTER = 48.0, 128.0
"""Most periods that a value's window reaches before and after the sweep passes its frequency: 24
and 64 at the lower end of the octave."""

ACTS = ("limiter", "compressor", "limiting", "clipping")


@dataclass
class Figures:
    """Counts of one or of several recordings.

    Attributes
    ----------
    reliable, off, far_off : values called reliable, and those off by 1.5 and 3 dB.
    intervals, held : 95 % intervals, and those that hold the truth.
    outside, stayed : values reliable without the damage and not in its reach; still reliable.
    everywhere, stayed_everywhere : the same, in its reach too.
    invented, grown : resonances, limiters and clippings that the damage made: where the undamaged
        recording has none, and of those the resonances that it has with less confidence.
    loose : onsets of distortion of high order that it lacks.
    changed, unnamed : damages that move a value by 1 dB; those not named of them.
    kind_right : those named by their kind.
    timed, time_right : named ones whose time has to be right, and whose time is.
    false_names : damages named where none is, or of another kind than the one inflicted.
    """

    count: int = 0
    reliable: int = 0
    off: int = 0
    far_off: int = 0
    intervals: int = 0
    held: int = 0
    outside: int = 0
    stayed: int = 0
    everywhere: int = 0
    stayed_everywhere: int = 0
    invented: int = 0
    grown: int = 0
    loose: int = 0
    changed: int = 0
    unnamed: int = 0
    kind_right: int = 0
    timed: int = 0
    time_right: int = 0
    false_names: int = 0
    refused: int = 0
    notes: list[str] = field(default_factory=list)

    def add(self, other: Figures) -> None:
        for name, value in vars(other).items():
            setattr(self, name, getattr(self, name) + value)

    def line(self) -> str:
        """Return the figures in a line, as ``HEADING`` names them."""
        named = self.changed - self.unnamed
        return (
            f"{self.count:5d} {self.reliable:8d} {share(self.off, self.reliable, 2)}"
            f" {share(self.far_off, self.reliable, 2)} {share(self.held, self.intervals)}"
            f" {share(self.stayed, self.outside)} {share(self.stayed_everywhere, self.everywhere)}"
            f" {self.invented:5d}({self.grown}) {self.loose:5d} {self.changed:7d} {self.unnamed:7d}"
            f" {self.kind_right:5d}/{named:<4d} {self.time_right:4d}/{self.timed:<4d}"
            f" {self.false_names:5d} {self.refused:7d}"
        )


HEADING = (
    f"{'':16s}    n reliable >1.5 dB   >3 dB    held  stayed  (everywhere) inv.   loose changed"
    " unnamed  kind/named time ok/of  false refused"
)


def share(part: int, whole: int, places: int = 1) -> str:
    return f"{100.0 * part / whole:7.{places}f}" if whole else "      –"


def truths_with_gain(
    table: Table, truth: np.ndarray, gains: tuple[float, float], *, step: bool
) -> np.ndarray:
    """Return the truth of a recording whose gain moved.

    Nobody can know which of its gains is the recorder's own: the fundamental's truth is that at one
    gain for the whole take, of a step the one before or after, of an automatic gain any that it
    had, whichever leaves fewest values off.
    """
    if gains[0] == gains[1]:
        return truth
    low_db, high_db = 20.0 * np.log10(np.maximum(gains, 1e-6))
    tries = []
    for gain_db in np.linspace(low_db, high_db, 2 if step else 25):
        moved = truth.copy()
        moved[:, 0] += gain_db
        with np.errstate(invalid="ignore"):
            off = np.abs(table.value_db[:, 0] - moved[:, 0]) > OFF_DB
        tries.append((int(np.sum(off & table.reliable[:, 0])), abs(gain_db), moved))
    return min(tries, key=lambda found: found[:2])[2]


def judge_values(
    figures: Figures, table: Table, truth: np.ndarray, known: np.ndarray
) -> np.ndarray:
    """Enter what is off, and which intervals hold; return by how much each value is off."""
    with np.errstate(invalid="ignore"):
        error = table.value_db - truth
        off = np.where(known, np.abs(error), np.maximum(error, 0.0))
        off = np.where(table.reliable & np.isfinite(truth), off, 0.0)
        held = (table.low_db - 1e-6 <= truth) & (truth <= table.high_db + 1e-6)
    figures.reliable += int(np.sum(table.reliable))
    figures.off += int(np.sum(off > OFF_DB))
    figures.far_off += int(np.sum(off > FAR_OFF_DB))
    stated = known & np.isfinite(table.high_db) & np.isfinite(truth)
    figures.intervals += int(np.sum(stated))
    figures.held += int(np.sum(held[stated]))
    return np.asarray(off)


def in_reach(one: Draw, done: Inflicted, frequency_hz: np.ndarray) -> np.ndarray:
    """Return which played frequencies of which rungs a damage may touch, shape ``(rungs, F)``.

    Those whose windows, in any pass, hold a moment of the damage: of any order, since all are
    divided by the fundamental, whose windows reach farthest. They reach half-way to the second
    harmonic before, and into the pause after.
    """
    rate = one.scene.rate_hz
    sweep = one.bench.stimulus.sweep
    passed_s = sweep.rate_constant_s * np.log(frequency_hz / sweep.start_hz)
    before_s = np.minimum(BEFORE / frequency_hz, 0.5 * sweep.rate_constant_s * np.log(2.0))
    after_s = np.minimum(AFTER / frequency_hz, one.bench.stimulus.recipe.pause_s)
    stretches = done.stretches_s or ((done.start_s, done.end_s),)
    if done.kind == "lost":
        stretches = ((done.start_s, done.start_s + (done.samples or 0) / rate),)
    if done.moved_samples > 0:
        stretches = ((done.start_s, done.start_s),)
    touched = np.zeros((len(one.drives_dbfs), len(frequency_hz)), dtype=bool)
    for span in one.scene.spans:
        if span.row >= len(touched):
            continue
        at_s = span.first / rate + passed_s
        for start_s, end_s in stretches:
            touched[span.row] |= (start_s < at_s + after_s) & (end_s > at_s - before_s)
    return touched


def judge_staying(figures: Figures, whole: Table, table: Table, touched: np.ndarray) -> None:
    """Enter how much of what was reliable without the damage still is."""
    outside = whole.reliable & ~touched[:, None, :]
    figures.outside += int(np.sum(outside))
    figures.stayed += int(np.sum(outside & table.reliable))
    figures.everywhere += int(np.sum(whole.reliable))
    figures.stayed_everywhere += int(np.sum(whole.reliable & table.reliable))


def moves_a_value(whole: Table, table: Table) -> float:
    """Return by how much a damage moves a value that was reliable, or that is so only now.

    A value that is gone, or that comes from nothing, is moved infinitely.
    """
    counts = whole.reliable | (table.reliable & ~np.isnan(whole.value_db))
    with np.errstate(invalid="ignore"):
        moved = np.abs(table.value_db - whole.value_db)[counts]
    return float(np.max(np.where(np.isfinite(moved), moved, np.inf), initial=0.0))


def about(found: Damage, done: Inflicted) -> bool:
    return found.start_s - NEAR_S <= done.end_s and done.start_s <= found.end_s + NEAR_S


def judge_names(figures: Figures, found: Sequence[Damage], done: Inflicted, moved_db: float) -> str:
    """Enter whether a damage is named, and how; return what it is called."""
    near = [item for item in found if about(item, done)]
    right = [item for item in near if item.kind == done.kind]
    figures.false_names += len(found) - len(right)
    if moved_db > CHANGED_DB:
        figures.changed += 1
        figures.unnamed += not near
        figures.kind_right += bool(right)
        if done.kind in EXACT_KINDS and right:
            away_s = min(abs(item.start_s - done.start_s) for item in right)
            figures.timed += 1
            figures.time_right += away_s <= EXACT_S
    return ", ".join(f"{item.kind} {item.start_s:.3f} to {item.end_s:.3f} s" for item in found)


def judge_inventions(figures: Figures, whole: Results, results: Results, done: Inflicted) -> str:
    """Enter resonances, limiters and clippings that the undamaged recording does not show."""
    told = []
    for found in results.resonances:
        alike = [
            other.confidence for other in whole.resonances
            if 1.0 / SAME_HZ < other.frequency_hz / found.frequency_hz < SAME_HZ
        ]  # fmt: skip
        if found.confidence > SURE and not any(value > SURE for value in alike):
            figures.grown += bool(alike)
            told.append(f"resonance {found.frequency_hz:.0f} Hz {found.confidence:.2f}")
    before, after = whole.takes[0], results.takes[0]
    for limiter in after.limiters:
        same = [
            other for other in before.limiters
            if (other.kind == "clipping") == (limiter.kind == "clipping") and other.kind in ACTS
            and overlap(other.band_hz, limiter.band_hz)
        ]  # fmt: skip
        if limiter.kind in ACTS and not same:
            told.append(f"{limiter.kind} {limiter.band_hz}")
    if done.kind != "clipped":
        clipped = [rung.drive_dbfs for rung in before.rungs if rung.clipped]
        told += [
            f"clipping at {rung.drive_dbfs:g} dBFS" for rung in after.rungs
            if rung.clipped and rung.drive_dbfs not in clipped
        ]  # fmt: skip
    figures.invented += len(told)
    figures.loose += new_onsets(before, after)
    return ", ".join(told)


def overlap(one: list[float] | None, other: list[float] | None) -> bool:
    if one is None or other is None:
        return True
    return one[0] < other[1] and other[0] < one[1]


def new_onsets(before: Take, after: Take) -> int:
    """Count onsets of high orders more than a third of an octave from any of the undamaged."""
    there = np.array([onset.frequency_hz for onset in before.high_order_onset])
    return sum(
        not np.any(np.abs(np.log2(there / onset.frequency_hz)) < 1.0 / 3.0)
        for onset in after.high_order_onset
    )
