"""Recordings with lost blocks put back in length, and repeated ones taken out, before cutting."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from distsweep.analysis.cut import CutRung
from distsweep.analysis.sweep.windows import CYCLES_AFTER, CYCLES_BEFORE
from distsweep.results import Damage
from distsweep.stimulus.sidecar import LadderStimulus
from distsweep.stimulus.sweep import Sweep
from distsweep.takes.copies import find_copies
from distsweep.takes.gap_places import Gap, place_gaps
from distsweep.takes.gaps import find_jumps
from distsweep.takes.lags import Lags, pass_lags
from distsweep.takes.passes import passes_apart
from distsweep.takes.placement import Placement, place_stimulus
from distsweep.takes.recording import Recording
from distsweep.takes.wander import find_wander

ROUNDS = 3
"""Times that gaps are looked for, each time in what was mended before (chosen: gaps that lie close
together are seen as one at first)."""

MOST_JUMPS = 12
"""Of more jumps none is believed (chosen: what was recorded is not these sweeps)."""

GRID_POINTS = 2000
"""Frequencies among which those touched are looked for (chosen: 200 an octave)."""


@dataclass(frozen=True)
class Mended:
    """A recording in which time runs on evenly.

    Attributes
    ----------
    recording : mended.
    gaps : what was mended: place in the mended recording and samples that the given one lacks
        there (negative) or has too many (positive), in the order of places.
    holes : stretches that do not hold what was heard, first sample and the one after the last.
    damage : what was mended; times are those of the recording as given.
    """

    recording: Recording
    gaps: list[tuple[int, int]] = field(default_factory=list)
    holes: list[tuple[int, int]] = field(default_factory=list)
    damage: list[Damage] = field(default_factory=list)

    def as_given(self, place: int) -> int:
        """Return where a sample of the mended recording stands in the given one."""
        given = place
        for start, samples in self.gaps:
            if place >= start:
                given += max(samples, -(place - start)) if samples < 0 else samples
        return given

    def damage_as_given(self, damage: Damage) -> Damage:
        """Return damage of the mended recording with its times in the given one."""
        rate_hz = self.recording.rate_hz
        start_s, end_s = (
            self.as_given(round(at_s * rate_hz)) / rate_hz
            for at_s in (damage.start_s, damage.end_s)
        )
        return replace(damage, start_s=start_s, end_s=end_s) if self.gaps else damage

    def holes_between(self, first: int, last: int) -> list[tuple[int, int]]:
        """Return the holes in a part of the mended recording, counted from its first sample."""
        return [
            (max(start, first) - first, min(end, last) - first)
            for start, end in self.holes
            if start < last and end > first
        ]

    def without(self, gap: Gap) -> Mended:
        """Return the recording with one more gap mended."""
        recording, place, samples = self.recording, gap.place, gap.samples
        clipped = recording.clipped_samples
        if samples > 0:
            parts = [recording.samples[:place], recording.samples[place + samples :]]
            clipped = clipped[(clipped < place) | (clipped >= place + samples)]
        else:
            parts = [recording.samples[:place], gap.fill, recording.samples[place:]]
        clipped = np.where(clipped >= place, clipped - samples, clipped)
        recording = replace(recording, samples=np.concatenate(parts), clipped_samples=clipped)

        def moved(at: int) -> int:
            return at if at < place else max(place, at - samples)

        gaps = sorted([(moved(at), count) for at, count in self.gaps] + [(place, samples)])
        holes = [(moved(first), moved(last)) for first, last in self.holes]
        if samples < 0:
            holes.append((place, place - samples))
        rate_hz = recording.rate_hz
        first, last = gap.within or (place, place + max(samples, 0))
        told = Damage(
            kind="repeated" if samples > 0 else "lost",
            start_s=self.as_given(first) / rate_hz,
            end_s=self.as_given(last) / rate_hz,
            samples=abs(samples),
            bridged=True,
            recording=recording.path.name,
        )
        damage = [*self.damage, told] if gap.sure else self.damage
        return Mended(recording, gaps, sorted(holes), damage)


def in_rungs(
    damage: Sequence[Damage], rungs: Sequence[CutRung], *, sweep: Sweep, scale: float
) -> list[Damage]:
    """Return the damage of a file with the rung into which each fell, and the frequencies touched.

    ``rungs`` are all rungs cut; ``rung`` becomes the row of one that holds a sweep of that time.
    """
    told = [_in_rung(one, rungs, sweep.as_recorded(scale)) for one in damage]
    return sorted(told, key=lambda one: one.start_s)


def _in_rung(damage: Damage, rungs: Sequence[CutRung], sweep: Sweep) -> Damage:
    somewhere_in_a_pause = damage.kind == "lost" and damage.end_s > damage.start_s
    if damage.kind == "clock" or somewhere_in_a_pause:
        return damage
    for row, rung in enumerate(rungs):
        for first in rung.first_samples:
            start_s = damage.start_s - first / sweep.rate_hz
            end_s = start_s + (damage.samples or 0) / sweep.rate_hz
            if start_s < sweep.duration_s and end_s >= 0.0:
                low_hz, high_hz = _touched_hz(sweep, start_s, end_s)
                return replace(damage, rung=row, low_hz=low_hz, high_hz=high_hz)
    return damage


def _touched_hz(sweep: Sweep, start_s: float, end_s: float) -> tuple[float, float]:
    """Return the lowest and highest frequency whose fundamental what sounds at these times touches.

    Its windows reach at most half-way to the second harmonic.
    """
    frequency_hz = np.geomspace(sweep.full_from_hz, sweep.full_to_hz, GRID_POINTS)
    passed_s = sweep.time_of_s(frequency_hz)
    furthest_s = 0.5 * np.log(2.0) * sweep.rate_constant_s
    before_s = np.minimum(CYCLES_BEFORE / frequency_hz, furthest_s)
    after_s = np.minimum(CYCLES_AFTER / frequency_hz, furthest_s)
    touched = (passed_s - before_s <= end_s) & (passed_s + after_s >= start_s)
    chosen = frequency_hz[touched] if np.any(touched) else frequency_hz[[0 if end_s < 1 else -1]]
    return float(chosen[0]), float(chosen[-1])


def mend(
    stimulus: LadderStimulus, recordings: Sequence[Recording], placements: Sequence[Placement]
) -> tuple[list[Mended], list[Placement]]:
    """Look for lost and repeated blocks and put them right; return where the stimulus lies then.

    Recordings in which nothing is out of place are returned as they are.
    """
    mended = [Mended(recording) for recording in recordings]
    placed = list(placements)
    for _ in range(ROUNDS):
        current = [one.recording for one in mended]
        if not passes_apart(stimulus, current, placed):
            break
        markers = [_markers(stimulus, number, placement) for number, placement in enumerate(placed)]
        lags = pass_lags(stimulus, current, placed)
        jumps = find_jumps(lags, markers)
        if len(jumps) > MOST_JUMPS:
            return [Mended(recording) for recording in recordings], list(placements)
        if not jumps:
            mended = [_even(one, n, lags, placed[n], stimulus) for n, one in enumerate(mended)]
            placed = _placed(stimulus, mended)
            break
        # From the last to the first, so that what is mended moves no place still to be mended.
        for gap in sorted(place_gaps(lags, jumps, current), key=lambda gap: -gap.place):
            mended[gap.file] = mended[gap.file].without(gap)
        placed = _placed(stimulus, mended)
    return [_with_copies(one) for one in mended], placed


def _placed(stimulus: LadderStimulus, mended: Sequence[Mended]) -> list[Placement]:
    return [
        place_stimulus(one.recording, marker=stimulus.marker, file=file)
        for one, file in zip(mended, stimulus.files, strict=True)
    ]


def _even(
    mended: Mended, number: int, lags: Lags, placement: Placement, stimulus: LadderStimulus
) -> Mended:
    """Return a recording with its clock made even; as it is, where it ran evenly."""
    markers, file = _markers(stimulus, number, placement), stimulus.files[number]
    ends = placement.at(file.start_marker_sample), placement.at(file.end_marker_sample)
    wander = find_wander(lags, number, ends, None if markers is None else markers[1])
    if wander is None:
        return mended
    recording = mended.recording
    first, last = (wander.changes, wander.changes) if wander.changes is not None else ends
    told = Damage(
        kind="clock",
        start_s=mended.as_given(round(first)) / recording.rate_hz,
        end_s=mended.as_given(round(last)) / recording.rate_hz,
        bridged=True,
        recording=recording.path.name,
    )
    even = replace(recording, samples=wander.straightened(recording.samples))
    return replace(mended, recording=even, damage=[*mended.damage, told])


def _markers(
    stimulus: LadderStimulus, number: int, placement: Placement
) -> tuple[float, float] | None:
    """Return how far a file's markers are apart, and by how much further they were recorded.

    Both in samples of the recording.
    """
    if placement.markers != "both":
        return None
    file = stimulus.files[number]
    apart = placement.rate_ratio * (file.end_marker_sample - file.start_marker_sample)
    return apart, apart * (placement.clock_scale - 1.0)


def _with_copies(mended: Mended) -> Mended:
    """Return a recording with the blocks named that were repeated in place of what followed."""
    recording = mended.recording
    copies = find_copies(recording.samples, step=recording.step)
    if not copies:
        return mended
    rate_hz, damage, holes = recording.rate_hz, [], []
    for copy in copies:
        first, last = (mended.as_given(copy.place + n) for n in (0, copy.samples))
        holes.append((copy.place, copy.place + copy.samples))
        damage.append(
            Damage(
                kind="repeated",
                start_s=first / rate_hz,
                end_s=last / rate_hz,
                samples=copy.samples,
                bridged=True,
                recording=recording.path.name,
            )
        )
    return replace(mended, holes=sorted(mended.holes + holes), damage=[*mended.damage, *damage])
