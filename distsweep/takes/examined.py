"""What a recorder did to the level and waveform of recordings: named, put right where known.

The way of a recording before it is cut: its gain (steps, automatic gain), flat tops, steps of the
offset, hum that comes or goes, coding with loss.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from distsweep.results import Damage
from distsweep.stimulus.sidecar import LadderStimulus
from distsweep.takes.flat_tops import find_flat_tops
from distsweep.takes.gain_in_pauses import find_step_in_pause
from distsweep.takes.gain_moved import MarkerChange
from distsweep.takes.gain_steps import GainStep, find_gain_steps, put_right
from distsweep.takes.hiss import Hiss, hiss_of
from distsweep.takes.lossy import is_coded, shows_coding
from distsweep.takes.offset_steps import OffsetStep, find_offset_steps, without_offsets
from distsweep.takes.placement import Placement
from distsweep.takes.recording import CLIPPED_FROM, Recording
from distsweep.takes.sweep_blocks import SweepBlocks, sweeps_in_blocks

HISS_BEFORE_S, HISS_UNTIL_OF_SWEEP = 0.3, 0.25
"""Hiss is heard from the first before a sweep until that share of it has passed (chosen: a room's
treble has died away, and in an exponential sweep over three decades no product that matters has
reached the top octave by then)."""

FALLEN_HISS_DB = -0.6
"""Hiss that falls by more while sweeps pass was turned down by the recorder (chosen: eight standard
deviations of what half a second of it tells)."""

SPOILT_S = 0.005
"""What a step leaves behind where it was put right reaches so far to both sides (chosen: its
place is known to a few samples)."""


@dataclass(frozen=True)
class Examined:
    """Recordings after their examination.

    Attributes
    ----------
    recordings : with what is known of their damage put right.
    damage : what was found; ``rung`` is the place among all rungs of the stimulus, in order.
    steps : of the gain, put right.
    """

    recordings: list[Recording]
    damage: list[Damage]
    steps: list[GainStep]


def examine(
    stimulus: LadderStimulus,
    recordings: Sequence[Recording],
    placements: Sequence[Placement],
    changes: Sequence[MarkerChange | None],
    *,
    resampled: Sequence[bool],
) -> Examined:
    """Look for what the recorder did to level and waveform.

    ``resampled`` tells of each file whether its clock was evened, which softens its hiss.
    """
    sweeps = sweeps_in_blocks(stimulus, recordings, placements)
    coded = any(is_coded(recording) for recording in recordings)
    offsets = [] if coded else find_offset_steps(sweeps, rate_hz=recordings[0].rate_hz)
    scales = [placements[sweeps[one.sweep].file].clock_scale for one in offsets]
    damage = [
        _dc_step(one, sweeps, recordings, stimulus, scale)
        for one, scale in zip(offsets, scales, strict=True)
    ]
    if offsets:
        recordings = list(_without_offsets(recordings, sweeps, offsets))
        sweeps = sweeps_in_blocks(stimulus, recordings, placements)
    steps, righted = find_gain_steps(sweeps, changes), []
    for number, recording in enumerate(_with_flat_tops(recordings, sweeps)):
        file, placement = stimulus.files[number], placements[number]
        own = [sweep for sweep in sweeps if sweep.file == number]
        here = [step for step in steps if step.file == number]
        first, last = (max(0, round(placement.at(sample))) for sample in file.quiet_samples)
        hiss = None if resampled[number] else hiss_of(recording, (first, last))
        change = changes[number]
        if not here and change is not None:
            heard = _hiss_beside(hiss, own, recording)
            found = find_step_in_pause(own, change, heard)
            here = [] if found is None else [found]
        fallen = _coded(recording, own, (first, last))
        if fallen is None and hiss is not None and own:
            fallen = _automatic(hiss, own, here, change, recording)
        if fallen is not None:
            damage.append(fallen)
            here = here if fallen.kind == "lossy" else []
        damage += [
            _named(step, sweeps, recording, stimulus, placement.clock_scale) for step in here
        ]
        steps = [step for step in steps if step.file != number] + here
        for sweep in own:
            damage += _clipped(sweep, recording, stimulus, placement.clock_scale)
        samples = put_right(recording.samples, here) if here else recording.samples
        righted.append(replace(recording, samples=samples))
    return Examined(righted, damage, steps)


def _without_offsets(
    recordings: Sequence[Recording], sweeps: Sequence[SweepBlocks], steps: Sequence[OffsetStep]
) -> Iterator[Recording]:
    """Yield recordings without steps of their zero lines."""
    for number, recording in enumerate(recordings):
        own = [step for step in steps if sweeps[step.sweep].file == number]
        if own:
            rate_hz = recording.rate_hz
            samples = without_offsets(recording.samples, own, rate_hz=rate_hz)
            yield replace(recording, samples=samples)
        else:
            yield recording


def _with_flat_tops(
    recordings: Sequence[Recording], sweeps: Sequence[SweepBlocks]
) -> Iterator[Recording]:
    """Yield recordings whose clipped samples include those clipped below full scale."""
    tops = find_flat_tops(sweeps)
    for number, recording in enumerate(recordings):
        own = [top.samples for top in tops if sweeps[top.sweep].file == number]
        clipped = np.unique(np.concatenate([recording.clipped_samples, *own]))
        yield replace(recording, clipped_samples=clipped)


def _hiss_beside(
    hiss: Hiss | None, sweeps: Sequence[SweepBlocks], recording: Recording
) -> list[float]:
    """Return the hiss before and early in each sweep, and after the last; NaN where not known."""
    if hiss is None or not sweeps:
        return [float("nan")] * (len(sweeps) + 1)
    dead = round(HISS_BEFORE_S * recording.rate_hz)
    until = [sweep.first + HISS_UNTIL_OF_SWEEP * sweep.samples.size for sweep in sweeps]
    heard = [
        hiss.between(sweep.first - dead, end) for sweep, end in zip(sweeps, until, strict=True)
    ]
    return [*heard, hiss.between(sweeps[-1].end + dead, len(recording.samples))]


def _automatic(
    hiss: Hiss,
    sweeps: Sequence[SweepBlocks],
    steps: Sequence[GainStep],
    change: MarkerChange | None,
    recording: Recording,
) -> Damage | None:
    """Name what turned the hiss down while sweeps passed, if the steps found don't explain it.

    It is a step whose place is not known well enough to put it right if one step, of the marker's
    height, explains all of it; else an automatic gain.
    """
    first, last = sweeps[0].first, sweeps[-1].end
    end, rate_hz = len(recording.samples), recording.rate_hz
    if hiss.without(steps).lowest(first, end) > FALLEN_HISS_DB:
        return None
    if change is not None and change.change_db < FALLEN_HISS_DB:
        at = hiss.place_of_step(change.change_db)
        step = GainStep(sweeps[0].file, at, change.change_db, change.doubt_db)
        if hiss.without([step]).lowest(first, end) > FALLEN_HISS_DB:
            return Damage(
                "gain_step", at / rate_hz, at / rate_hz, change_db=change.change_db,
                recording=recording.path.name,
            )  # fmt: skip
    return Damage("automatic_gain", first / rate_hz, last / rate_hz, recording=recording.path.name)


def _coded(
    recording: Recording, sweeps: Sequence[SweepBlocks], quiet: tuple[int, int]
) -> Damage | None:
    """Name coding with loss, known from the file or from the loudest sweep in it."""
    if not is_coded(recording):
        if not sweeps:
            return None
        loudest = max(sweeps, key=lambda sweep: sweep.drive_dbfs)
        if not shows_coding(recording, quiet, (loudest.first, loudest.end)):
            return None
    length_s = len(recording.samples) / recording.rate_hz
    return Damage("lossy", 0.0, length_s, recording=recording.path.name)


def _clipped(
    sweep: SweepBlocks, recording: Recording, stimulus: LadderStimulus, scale: float
) -> list[Damage]:
    """Name what is clipped of a sweep below full scale."""
    inside = np.searchsorted(recording.clipped_samples, [sweep.first, sweep.end])
    samples = recording.clipped_samples[inside[0] : inside[1]]
    if not len(samples) or recording.peak >= CLIPPED_FROM:
        return []
    ends = np.array([samples[0], samples[-1] + 1])
    played_s = (ends - sweep.first) / recording.rate_hz / scale
    low_hz, high_hz = stimulus.sweep.frequency_at_hz(played_s).tolist()
    start_s, end_s = (ends / recording.rate_hz).tolist()
    return [
        Damage(
            "clipped", start_s, end_s, sweep.rung, low_hz, high_hz, recording=recording.path.name
        )
    ]


def _named(
    step: GainStep,
    sweeps: Sequence[SweepBlocks],
    recording: Recording,
    stimulus: LadderStimulus,
    scale: float,
) -> Damage:
    """Name a step of the gain; of a sweep it spoils what its windows see at that moment."""
    at_s = step.sample / recording.rate_hz
    rung = low_hz = high_hz = None
    if step.sweep is not None:
        sweep = sweeps[step.sweep]
        rung = sweep.rung
        played_s = (step.sample - sweep.first) / recording.rate_hz / scale
        low_hz, high_hz = (
            float(stimulus.sweep.frequency_at_hz(played_s + reach_s))
            for reach_s in (-SPOILT_S, SPOILT_S)
        )
    return Damage(
        "gain_step", at_s, at_s, rung, low_hz, high_hz,
        change_db=step.change_db, bridged=True, recording=recording.path.name,
    )  # fmt: skip


def _dc_step(
    step: OffsetStep,
    sweeps: Sequence[SweepBlocks],
    recordings: Sequence[Recording],
    stimulus: LadderStimulus,
    scale: float,
) -> Damage:
    """Name a step of the zero line, which is taken off."""
    sweep = sweeps[step.sweep]
    recording = recordings[sweep.file]
    at_s = step.sample / recording.rate_hz
    low_hz, high_hz = _spoilt_hz(sweep, step.sample, recording, stimulus, scale)
    return Damage(
        "dc_step", at_s, at_s, sweep.rung, low_hz, high_hz,
        bridged=True, recording=recording.path.name,
    )  # fmt: skip


def _spoilt_hz(
    sweep: SweepBlocks, sample: int, recording: Recording, stimulus: LadderStimulus, scale: float
) -> tuple[float, float]:
    """Return the frequencies that were played around a moment of a sweep."""
    played_s = (sample - sweep.first) / recording.rate_hz / scale
    ends_s = np.array([played_s - SPOILT_S, played_s + SPOILT_S])
    low_hz, high_hz = stimulus.sweep.frequency_at_hz(ends_s).tolist()
    return low_hz, high_hz
